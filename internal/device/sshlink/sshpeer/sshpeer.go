// Package sshpeer is the other side of SSH connections in the tests' own
// process: servers whose sessions a test plays, and lines that break. What
// needs a server that nobody here wrote, runs OpenSSH's instead.
//
// Read [Listen] and [Sessions] first, and [Pipe] for tests with a clock of
// their own.
package sshpeer

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/binary"
	"io"
	"math"
	"net"
	"sync"
	"testing"

	"golang.org/x/crypto/ssh"
)

// Key makes a key of Ed25519.
func Key(t testing.TB) ssh.Signer {
	t.Helper()
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s, err := ssh.NewSignerFromKey(key)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Open is a server that lets everybody in, with a host key of its own.
func Open(t testing.TB) *ssh.ServerConfig {
	t.Helper()
	cfg := &ssh.ServerConfig{NoClientAuth: true}
	cfg.AddHostKey(Key(t))
	return cfg
}

// Listen hands each connection to a loopback port to serve, in a goroutine of
// its own, and returns the port's address. When the test ends, the connections
// are closed, and what serves them is waited for.
func Listen(t testing.TB, serve func(net.Conn)) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wait sync.WaitGroup
	t.Cleanup(func() {
		_ = ln.Close() // nobody connects any more
		cancel()
		wait.Wait()
	})
	wait.Go(func() {
		for {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			wait.Go(func() {
				defer context.AfterFunc(ctx, func() { _ = conn.Close() })() // what serves it then ends
				serve(conn)
			})
		}
	})
	return ln.Addr().String()
}

// Sessions serves one connection until it ends: each channel that the client
// opens is handed to open, one after the other; requests beside the channels are
// refused, as servers do with those that they do not know.
func Sessions(conn net.Conn, cfg *ssh.ServerConfig, open func(ssh.NewChannel)) {
	defer func() { _ = conn.Close() }() // it has ended, or nobody was let in
	_, chans, reqs, err := ssh.NewServerConn(conn, cfg)
	if err != nil {
		return
	}
	go ssh.DiscardRequests(reqs)
	for c := range chans {
		open(c)
	}
}

// Messages reads the messages of SFTP from a client one by one, and hands on,
// whole, those that Take says yes to. An error of Take is that of Read.
// Source: draft-ietf-secsh-filexfer-02 §3, a length of four octets and a body.
type Messages struct {
	From io.Reader
	Take func(body []byte) (bool, error)

	rest []byte // of the message that is being handed on
}

// Read implements io.Reader.
func (m *Messages) Read(b []byte) (int, error) {
	for len(m.rest) == 0 {
		head := make([]byte, 4)
		if _, err := io.ReadFull(m.From, head); err != nil {
			return 0, err
		}
		body := make([]byte, binary.BigEndian.Uint32(head))
		if _, err := io.ReadFull(m.From, body); err != nil {
			return 0, err
		}
		switch yes, err := m.Take(body); {
		case err != nil:
			return 0, err
		case yes:
			m.rest = append(head, body...)
		}
	}
	n := copy(b, m.rest)
	m.rest = m.rest[n:]
	return n, nil
}

// Cut is a TCP proxy that breaks each connection when so many octets have gone
// up to the server, or down from it.
type Cut struct {
	Up, Down int64 // zero: as many as come
}

// Before starts the proxy before the server at an address and returns its own.
func (c Cut) Before(t testing.TB, server string) string {
	t.Helper()
	return Listen(t, func(a net.Conn) {
		b, err := net.Dial("tcp", server)
		if err != nil {
			_ = a.Close() // as the server would
			return
		}
		var once sync.Once
		end := func() { once.Do(func() { _, _ = a.Close(), b.Close() }) } // both were to be cut
		pass := func(to io.Writer, from io.Reader, limit int64) {
			defer end()
			if limit == 0 {
				limit = math.MaxInt64
			}
			_, _ = io.CopyN(to, from, limit) // it ends with either side
		}
		go pass(a, b, c.Down)
		pass(b, a, c.Up)
	})
}

// Pipe returns a function that makes connections in memory, each with other at
// its far end in a goroutine of its own. Unlike those of [net.Pipe] they take
// what is written without a reader, and have an address, as a host key check
// wants one.
func Pipe(other func(net.Conn)) func(context.Context, string, string) (net.Conn, error) {
	return func(context.Context, string, string) (net.Conn, error) {
		a, b := newHalf(), newHalf()
		go other(memory{in: a, out: b})
		return memory{in: b, out: a}, nil
	}
}

// memory is one end of a connection in memory.
type memory struct {
	net.Conn // for the methods that nobody calls
	in, out  *half
}

// half is one direction of it.
type half struct {
	mu     sync.Mutex
	more   sync.Cond
	data   []byte
	closed bool
}

func newHalf() *half {
	h := &half{}
	h.more.L = &h.mu
	return h
}

func (h *half) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	h.more.Broadcast()
}

// Read implements net.Conn.
func (m memory) Read(b []byte) (int, error) {
	m.in.mu.Lock()
	defer m.in.mu.Unlock()
	for len(m.in.data) == 0 && !m.in.closed {
		m.in.more.Wait()
	}
	n := copy(b, m.in.data)
	m.in.data = m.in.data[n:]
	if n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

// Write implements net.Conn.
func (m memory) Write(b []byte) (int, error) {
	m.out.mu.Lock()
	defer m.out.mu.Unlock()
	if m.out.closed {
		return 0, io.ErrClosedPipe
	}
	m.out.data = append(m.out.data, b...)
	m.out.more.Broadcast()
	return len(b), nil
}

// Close implements net.Conn.
func (m memory) Close() error {
	m.in.close()
	m.out.close()
	return nil
}

// LocalAddr implements net.Conn.
func (memory) LocalAddr() net.Addr { return &net.TCPAddr{IP: net.IPv4(192, 0, 2, 2), Port: 22} }

// RemoteAddr implements net.Conn.
func (memory) RemoteAddr() net.Addr { return &net.TCPAddr{IP: net.IPv4(192, 0, 2, 1), Port: 22} }
