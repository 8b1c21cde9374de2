package lab

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/subtle"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"time"

	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"
)

// SSHUser and SSHPassword log in to every device over SSH; so does the
// operator's key of the [PKI].
const (
	SSHUser     = "operator"
	SSHPassword = "mere-and-fen" // #nosec G101 -- of an emulated device on loopback
)

// plane is a further way into the management plane, which goes up and down with
// it. See [management].
type plane interface {
	open() error
	down()  // no new connections; those that there are end when they were answered
	cut()   // at once
	close() // for good
}

// sshPlane serves subsystems over SSH at one address that follows the PRIMARY.
type sshPlane struct {
	c      *Chassis
	config *ssh.ServerConfig
	host   ssh.PublicKey
	addr   string
	hold   func()
	// subsystems serve a channel until it ends, or ctx does.
	subsystems map[string]func(ctx context.Context, ch io.ReadWriteCloser)

	mu     sync.Mutex
	l      net.Listener
	life   context.Context
	cancel context.CancelFunc
	conns  map[*ssh.ServerConn]struct{}
	closed bool
}

// listenSSH opens an SSH server at an address, empty for any port of loopback.
func (c *Chassis) listenSSH(address string) (*sshPlane, error) {
	if address == "" {
		address = "127.0.0.1:0"
	}
	host, err := hostKey()
	if err != nil {
		return nil, err
	}
	operator, err := c.lab.pki.SSHSigner()
	if err != nil {
		return nil, err
	}
	p := &sshPlane{c: c, host: host.PublicKey(), conns: map[*ssh.ServerConn]struct{}{}, subsystems: map[string]func(context.Context, io.ReadWriteCloser){}}
	p.config = &ssh.ServerConfig{
		ServerVersion: "SSH-2.0-lab",
		PasswordCallback: func(m ssh.ConnMetadata, password []byte) (*ssh.Permissions, error) {
			if m.User() == SSHUser && subtle.ConstantTimeCompare(password, []byte(SSHPassword)) == 1 {
				return nil, nil
			}
			return nil, errors.New("wrong user or password")
		},
		PublicKeyCallback: func(m ssh.ConnMetadata, key ssh.PublicKey) (*ssh.Permissions, error) {
			if m.User() == SSHUser && string(key.Marshal()) == string(operator.PublicKey().Marshal()) {
				return nil, nil
			}
			return nil, errors.New("unknown key")
		},
	}
	p.config.AddHostKey(host)
	if p.addr, p.hold, err = reserve(address); err != nil {
		return nil, fmt.Errorf("listen on %s: %w", address, err)
	}
	return p, nil
}

// hostKey makes the key by which a server is known.
func hostKey() (ssh.Signer, error) {
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("host key: %w", err)
	}
	host, err := ssh.NewSignerFromKey(key)
	if err != nil {
		return nil, fmt.Errorf("host key: %w", err)
	}
	return host, nil
}

// password makes one that says what it is for.
func password(of string) string {
	word := make([]byte, 9)
	_, _ = rand.Read(word) // never fails
	return fmt.Sprintf("%s-%x", of, word)
}

// SSHSigner is the operator's key, with which the devices let in the user
// [SSHUser].
func (p *PKI) SSHSigner() (ssh.Signer, error) {
	block, _ := pem.Decode(p.ClientKey)
	if block == nil {
		return nil, errors.New("the operator's key is no PEM")
	}
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("the operator's key: %w", err)
	}
	return ssh.NewSignerFromKey(key)
}

// knownHosts is the line by which a client knows the device.
func (p *sshPlane) knownHosts() []byte {
	return []byte(knownhosts.Line([]string{p.addr}, p.host) + "\n")
}

func (p *sshPlane) open() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed || p.l != nil {
		return nil
	}
	l, err := listen(p.addr)
	if err != nil {
		return fmt.Errorf("device %s: SSH: %w", p.c.cfg.ID, err)
	}
	p.l = l
	p.life, p.cancel = context.WithCancel(context.Background())
	life := p.life
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return // closed
			}
			go p.serve(life, conn)
		}
	}()
	return nil
}

// serve is one connection.
func (p *sshPlane) serve(life context.Context, conn net.Conn) {
	_ = conn.SetDeadline(time.Now().Add(30 * time.Second)) // to log in
	sc, chans, reqs, err := ssh.NewServerConn(conn, p.config)
	if err != nil {
		_ = conn.Close() // it did not log in
		return
	}
	_ = conn.SetDeadline(time.Time{})
	p.mu.Lock()
	p.conns[sc] = struct{}{}
	p.mu.Unlock()
	ctx, cancel := context.WithCancel(life)
	var wait sync.WaitGroup
	var mu sync.Mutex // of ending, and so that nothing is added while wait is waited for
	ending := false
	end := func() {
		mu.Lock()
		ending = true
		mu.Unlock()
		wait.Wait()
	}
	defer func() {
		cancel()
		_ = sc.Close() // it has ended, or shall
		p.mu.Lock()
		delete(p.conns, sc)
		p.mu.Unlock()
		end()
	}()
	go ssh.DiscardRequests(reqs)
	// A management plane that goes down lets what runs end, and then cuts.
	stop := context.AfterFunc(life, func() {
		done := make(chan struct{})
		go func() {
			end()
			close(done)
		}()
		t := time.NewTimer(flushLimit)
		defer t.Stop()
		select {
		case <-done:
		case <-t.C:
		}
		_ = sc.Close() // which ends the loop below
	})
	defer stop()
	for nc := range chans {
		if nc.ChannelType() != "session" {
			_ = nc.Reject(ssh.UnknownChannelType, "want a session")
			continue
		}
		mu.Lock()
		if ending {
			mu.Unlock()
			if ch, reqs, err := nc.Accept(); err == nil {
				go ssh.DiscardRequests(reqs)
				_ = ch.Close() // the device goes down
			}
			continue
		}
		wait.Add(1)
		mu.Unlock()
		ch, reqs, err := nc.Accept()
		if err != nil {
			wait.Done()
			return
		}
		go func() {
			defer wait.Done()
			p.channel(ctx, ch, reqs)
		}()
	}
}

// channel waits for a subsystem to be asked for and serves it.
func (p *sshPlane) channel(ctx context.Context, ch ssh.Channel, reqs <-chan *ssh.Request) {
	defer func() { _ = ch.Close() }()
	for {
		select {
		case <-ctx.Done():
			return
		case r, ok := <-reqs:
			if !ok {
				return
			}
			var name struct{ Name string }
			f := p.subsystems[""]
			if r.Type == "subsystem" && ssh.Unmarshal(r.Payload, &name) == nil {
				f = p.subsystems[name.Name]
			}
			if r.WantReply {
				_ = r.Reply(f != nil, nil)
			}
			if f == nil {
				continue
			}
			go ssh.DiscardRequests(reqs)
			f(ctx, ch)
			return
		}
	}
}

func (p *sshPlane) down() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.l == nil {
		return
	}
	_ = p.l.Close()
	p.l = nil
	p.cancel()
}

func (p *sshPlane) cut() {
	p.down()
	p.mu.Lock()
	conns := make([]*ssh.ServerConn, 0, len(p.conns))
	for sc := range p.conns {
		conns = append(conns, sc)
	}
	p.mu.Unlock()
	for _, sc := range conns {
		_ = sc.Close()
	}
}

func (p *sshPlane) close() {
	p.mu.Lock()
	again := p.closed
	p.closed = true
	p.mu.Unlock()
	p.cut()
	if !again {
		p.hold()
	}
}
