package sshlink

import (
	"context"
	"crypto/rand"
	"crypto/rsa"
	"errors"
	"io"
	"net"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"

	"towpath/internal/device"
	"towpath/internal/device/sshlink/sshpeer"
)

func rsaSigner(t testing.TB) ssh.Signer {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	s, err := ssh.NewSignerFromKey(key)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// server is an SSH server in this process that forwards and echoes.
type server struct {
	addr   string
	logins atomic.Int32 // connections that logged in
	conns  chan net.Conn
}

// serve starts one; each key is a host key.
func serve(t testing.TB, cfg *ssh.ServerConfig, keys ...ssh.Signer) *server {
	t.Helper()
	for _, k := range keys {
		cfg.AddHostKey(k)
	}
	s := &server{conns: make(chan net.Conn, 16)}
	s.addr = sshpeer.Listen(t, func(conn net.Conn) { s.handle(conn, cfg) })
	return s
}

func (s *server) handle(conn net.Conn, cfg *ssh.ServerConfig) {
	sc, chans, reqs, err := ssh.NewServerConn(conn, cfg)
	if err != nil {
		conn.Close()
		return
	}
	s.logins.Add(1)
	s.conns <- conn
	go ssh.DiscardRequests(reqs)
	for nc := range chans {
		switch nc.ChannelType() {
		case "direct-tcpip":
			var to struct {
				Host     string
				Port     uint32
				From     string
				FromPort uint32
			}
			if err := ssh.Unmarshal(nc.ExtraData(), &to); err != nil {
				panic(err)
			}
			out, err := net.Dial("tcp", net.JoinHostPort(to.Host, strconv.Itoa(int(to.Port))))
			if err != nil {
				nc.Reject(ssh.ConnectionFailed, err.Error())
				continue
			}
			ch, rs, err := nc.Accept()
			if err != nil {
				return
			}
			go ssh.DiscardRequests(rs)
			go func() { io.Copy(ch, out); ch.Close() }()
			go func() { io.Copy(out, ch); out.Close() }()
		default:
			nc.Reject(ssh.UnknownChannelType, "only forwarding here")
		}
	}
	_ = sc.Close()
}

func password(s string) func(ssh.ConnMetadata, []byte) (*ssh.Permissions, error) {
	return func(_ ssh.ConnMetadata, got []byte) (*ssh.Permissions, error) {
		if string(got) == s {
			return nil, nil
		}
		return nil, errors.New("no")
	}
}

func give(s string) func() (string, error) { return func() (string, error) { return s, nil } }

// wantFault checks the kind and that the text has all the words.
func wantFault(t *testing.T, err error, kind device.Kind, words ...string) {
	t.Helper()
	var f *device.Fault
	if !errors.As(err, &f) {
		t.Fatalf("got %v, want a Fault", err)
	}
	if f.Kind != kind {
		t.Errorf("kind %v, want %v: %v", f.Kind, kind, err)
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("the text lacks %q: %v", w, err)
		}
	}
	if strings.Contains(err.Error(), "\n") {
		t.Errorf("not one line: %q", err.Error())
	}
}

func TestHostKeys(t *testing.T) {
	ed, rs, other := sshpeer.Key(t), rsaSigner(t), sshpeer.Key(t)
	s := serve(t, &ssh.ServerConfig{PasswordCallback: password("p")}, rs, ed)
	line := func(k ssh.PublicKey) string { return knownhosts.Line([]string{s.addr}, k) }
	fp := func(k ssh.Signer) string { return ssh.FingerprintSHA256(k.PublicKey()) }
	for _, c := range []struct {
		name     string
		known    string
		insecure string
		kind     device.Kind
		words    []string // none: it works
	}{
		{"known", line(ed.PublicKey()), "", 0, nil},
		{"known by the other key only", "# comment\n\n" + line(rs.PublicKey()), "", 0, nil},
		{"known by a hashed name", knownhosts.HashHostname(knownhosts.Normalize(s.addr)) + line(ed.PublicKey())[len(knownhosts.Normalize(s.addr)):], "", 0, nil},
		{"one of two lines", line(other.PublicKey()) + "\n" + line(ed.PublicKey()), "", 0, nil},
		{"unknown", "", "", device.Denied, []string{"not known", fp(ed), line(ed.PublicKey())}},
		{"another host is known", knownhosts.Line([]string{"mere-agg-1"}, ed.PublicKey()), "", device.Denied, []string{"not known", fp(ed)}},
		{"broken line", line(ed.PublicKey())[:40] + "\n" + knownhosts.Line([]string{"mere-agg-1"}, other.PublicKey()), "", device.Denied, []string{"not known", "cannot be read: 1"}},
		{"changed", "#\n" + line(other.PublicKey()), "", device.Denied, []string{"has changed", fp(ed), "line 2 ", fp(other)}},
		{"revoked", "@revoked * " + strings.SplitN(line(ed.PublicKey()), " ", 2)[1], "", device.Denied, []string{"line 1 ", "revokes", fp(ed)}},
		{"revoked, unchecked", "@revoked * " + strings.SplitN(line(ed.PublicKey()), " ", 2)[1], "lab", device.Denied, []string{"revokes"}},
		{"unchecked", "", "lab device without a key yet", 0, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			client, err := Dial(t.Context(), Config{Address: s.addr, User: "tow", Password: give("p"), KnownHosts: []byte(c.known), InsecureReason: c.insecure})
			if c.words == nil {
				if err != nil {
					t.Fatal(err)
				}
				if client.Insecure() != c.insecure {
					t.Errorf("insecure %q, want %q", client.Insecure(), c.insecure)
				}
				if err := client.Close(); err != nil {
					t.Error(err)
				}
				return
			}
			wantFault(t, err, c.kind, c.words...)
			var e *HostKeyError
			if !errors.As(err, &e) {
				t.Errorf("no HostKeyError in %v", err)
			}
		})
	}
}

func TestLogins(t *testing.T) {
	key := sshpeer.Key(t)
	host := sshpeer.Key(t)
	var passwords atomic.Int32
	count := func(s string) func(ssh.ConnMetadata, []byte) (*ssh.Permissions, error) {
		return func(m ssh.ConnMetadata, got []byte) (*ssh.Permissions, error) {
			passwords.Add(1)
			return password(s)(m, got)
		}
	}
	// ask is a conversation with the questions; each answer must be as wanted.
	ask := func(pairs ...string) func(ssh.ConnMetadata, ssh.KeyboardInteractiveChallenge) (*ssh.Permissions, error) {
		return func(_ ssh.ConnMetadata, ch ssh.KeyboardInteractiveChallenge) (*ssh.Permissions, error) {
			for i := 0; i < len(pairs); i += 2 {
				if strings.Contains(strings.ToLower(pairs[i]), "password") {
					passwords.Add(1)
				}
				a, err := ch("", "", []string{pairs[i]}, []bool{false})
				if err != nil || a[0] != pairs[i+1] {
					return nil, errors.New("no")
				}
			}
			return nil, nil
		}
	}
	keys := func(_ ssh.ConnMetadata, k ssh.PublicKey) (*ssh.Permissions, error) {
		if ssh.FingerprintSHA256(k) == ssh.FingerprintSHA256(key.PublicKey()) {
			return nil, nil
		}
		return nil, errors.New("no")
	}
	answer := func(s string) func(string, string, []string, []bool) ([]string, error) {
		return func(string, string, []string, []bool) ([]string, error) { return []string{s}, nil }
	}
	for _, c := range []struct {
		name   string
		server ssh.ServerConfig
		client Config
		sent   int32 // passwords that the device saw
		words  []string
	}{
		{"key", ssh.ServerConfig{PublicKeyCallback: keys}, Config{Signers: []ssh.Signer{sshpeer.Key(t), key}}, 0, nil},
		{"password", ssh.ServerConfig{PasswordCallback: count("p")}, Config{Password: give("p")}, 1, nil},
		{"password by questions", ssh.ServerConfig{KeyboardInteractiveCallback: ask("Password: ", "p")}, Config{Password: give("p")}, 1, nil},
		{"password and code", ssh.ServerConfig{KeyboardInteractiveCallback: ask("Password: ", "p", "Verification code: ", "123")}, Config{Password: give("p"), Answer: answer("123")}, 1, nil},
		{"key, then password", ssh.ServerConfig{PublicKeyCallback: func(m ssh.ConnMetadata, k ssh.PublicKey) (*ssh.Permissions, error) {
			if _, err := keys(m, k); err != nil {
				return nil, err
			}
			return nil, &ssh.PartialSuccessError{Next: ssh.ServerAuthCallbacks{PasswordCallback: count("p")}}
		}}, Config{Signers: []ssh.Signer{key}, Password: give("p")}, 1, nil},
		{"wrong password", ssh.ServerConfig{PasswordCallback: count("q")}, Config{Password: give("p")}, 1, []string{"refuses the password", `"tow"`, "lock-out"}},
		{"wrong password, asked again and by two methods", ssh.ServerConfig{PasswordCallback: count("q"), KeyboardInteractiveCallback: ask("Password: ", "q")}, Config{Password: give("p")}, 1, []string{"refuses the password"}},
		{"code with nobody to answer", ssh.ServerConfig{KeyboardInteractiveCallback: ask("Password: ", "p", "Verification code: ", "123")}, Config{Password: give("p")}, 1, []string{`"Verification code: "`, "nobody is there to answer"}},
		{"one-time password is not the password", ssh.ServerConfig{KeyboardInteractiveCallback: ask("One-time password: ", "p")}, Config{Password: give("p")}, 1, []string{"nobody is there"}},
		{"wrong code", ssh.ServerConfig{KeyboardInteractiveCallback: ask("Password: ", "p", "Verification code: ", "123")}, Config{Password: give("p"), Answer: answer("124")}, 1, []string{"does not let in", "Verification code"}},
		{"answerer gives up", ssh.ServerConfig{KeyboardInteractiveCallback: ask("Code: ", "1")}, Config{Answer: func(string, string, []string, []bool) ([]string, error) { return nil, io.ErrUnexpectedEOF }}, 0, []string{"no answer was given", io.ErrUnexpectedEOF.Error()}},
		{"key refused, password asked", ssh.ServerConfig{PublicKeyCallback: keys, KeyboardInteractiveCallback: ask("Password: ", "p")}, Config{Signers: []ssh.Signer{sshpeer.Key(t)}}, 1, []string{"with 1 key", "none is configured"}},
		{"key refused", ssh.ServerConfig{PublicKeyCallback: keys}, Config{Signers: []ssh.Signer{sshpeer.Key(t), sshpeer.Key(t)}}, 0, []string{"with 2 keys", "it takes: publickey"}},
		{"nothing configured", ssh.ServerConfig{PublicKeyCallback: keys}, Config{}, 0, []string{"neither a key nor a password", "it takes: publickey"}},
		{"password not to be had", ssh.ServerConfig{PasswordCallback: count("q")}, Config{Password: func() (string, error) { return "", io.ErrNoProgress }}, 0, []string{"password is not available", io.ErrNoProgress.Error()}},
		{"agent not there", ssh.ServerConfig{PublicKeyCallback: keys}, Config{AgentSocket: "/nonexistent/agent"}, 0, []string{"/nonexistent/agent"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			passwords.Store(0)
			s := serve(t, &c.server, host)
			cfg := c.client
			cfg.Address, cfg.User, cfg.KnownHosts = s.addr, "tow", []byte(knownhosts.Line([]string{s.addr}, host.PublicKey()))
			client, err := Dial(t.Context(), cfg)
			if c.words == nil {
				if err != nil {
					t.Fatal(err)
				}
				client.Close()
			} else {
				wantFault(t, err, device.Denied, c.words...)
			}
			if got := passwords.Load(); got != c.sent {
				t.Errorf("the device was asked for or saw %d passwords, want %d", got, c.sent)
			}
		})
	}
}

func TestNoConnection(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := ln.Addr().String()
	ln.Close()
	_, err = Dial(t.Context(), Config{Address: addr, User: "tow"})
	wantFault(t, err, device.Unreachable, "connection refused", addr)

	_, err = Dial(t.Context(), Config{Address: "mere-agg-1.invalid:22", User: "tow"}) // Source: RFC 6761 §6.4
	wantFault(t, err, device.Unreachable, "cannot be looked up")

	for _, bad := range []Config{{Address: "mere-agg-1", User: "tow"}, {Address: ":22", User: "tow"}, {Address: "a:22"}, {Address: "a:22", User: "tow", KnownHosts: []byte("a b c\n")}} {
		_, err = Dial(t.Context(), bad)
		wantFault(t, err, device.Ours)
	}

	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(io.ErrShortBuffer)
	_, err = Dial(ctx, Config{Address: addr, User: "tow"})
	wantFault(t, err, device.Unreachable, "was ended", io.ErrShortBuffer.Error())
}

func TestNoCommonAlgorithm(t *testing.T) {
	s := serve(t, &ssh.ServerConfig{Config: ssh.Config{Ciphers: []string{ssh.InsecureCipherTripleDESCBC}}, NoClientAuth: true}, sshpeer.Key(t))
	_, err := Dial(t.Context(), Config{Address: s.addr, User: "tow"})
	wantFault(t, err, device.Unable, "no common algorithm", "it has 3des-cbc", ssh.CipherAES128GCM)
}

// TestSilence gives the client other sides that stop somewhere, under a clock
// that stands still while anything can happen.
func TestSilence(t *testing.T) {
	host := sshpeer.Key(t)
	for _, c := range []struct {
		name  string
		other func(net.Conn)
		kind  device.Kind
		words []string
	}{
		{"says nothing", func(c net.Conn) { io.Copy(io.Discard, c) }, device.Unreachable, []string{"said nothing for 7s"}},
		{"closes at once", func(c net.Conn) { c.Close() }, device.Unreachable, []string{"closed it without a word"}},
		{"is not SSH", func(c net.Conn) {
			go io.Copy(io.Discard, c)
			io.WriteString(c, "HTTP/1.0 400 Bad Request\r\n\r\n")
			c.Close()
		}, device.Refused, []string{"not SSH", "HTTP/1.0 400"}},
		{"stops in the key exchange", func(c net.Conn) {
			go io.Copy(io.Discard, c)
			io.WriteString(c, "SSH-2.0-x\r\n")
		}, device.Unreachable, []string{"key exchange was not done within 7s"}},
		{"breaks in the key exchange", func(c net.Conn) {
			go io.Copy(io.Discard, c)
			io.WriteString(c, "SSH-2.0-x\r\n")
			c.Close()
		}, device.Unreachable, []string{"broke during the key exchange"}},
		{"does not decide on the log-in", func(c net.Conn) {
			cfg := &ssh.ServerConfig{NoClientAuth: true, NoClientAuthCallback: func(ssh.ConnMetadata) (*ssh.Permissions, error) {
				time.Sleep(time.Hour)
				return nil, errors.New("no")
			}}
			cfg.AddHostKey(host)
			ssh.NewServerConn(c, cfg)
		}, device.Unreachable, []string{"log-in was not done within 7s"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				_, err := Dial(t.Context(), Config{Address: "mere-agg-1:22", User: "tow", InsecureReason: "test", Timeout: 7 * time.Second, Dial: sshpeer.Pipe(c.other)})
				wantFault(t, err, c.kind, c.words...)
				time.Sleep(2 * time.Hour) // the other side's hour ends
			})
		})
	}
}

func TestPersonMayThink(t *testing.T) {
	host := sshpeer.Key(t)
	synctest.Test(t, func(t *testing.T) {
		cfg := &ssh.ServerConfig{KeyboardInteractiveCallback: func(_ ssh.ConnMetadata, ch ssh.KeyboardInteractiveChallenge) (*ssh.Permissions, error) {
			_, err := ch("", "", []string{"Code: "}, []bool{true})
			return nil, err
		}}
		cfg.AddHostKey(host)
		c, err := Dial(t.Context(), Config{Address: "mere-agg-1:22", User: "tow", InsecureReason: "test", Timeout: 7 * time.Second, KeepAlive: -1,
			Answer: func(string, string, []string, []bool) ([]string, error) {
				time.Sleep(time.Minute)
				return []string{"1"}, nil
			},
			Dial: sshpeer.Pipe(func(c net.Conn) {
				sc, chans, reqs, err := ssh.NewServerConn(c, cfg)
				if err != nil {
					return
				}
				go ssh.DiscardRequests(reqs)
				for range chans {
					continue
				}
				sc.Close()
			})})
		if err != nil {
			t.Fatal(err)
		}
		c.Close()
	})
}

// TestKeepAlive lets the other side fall silent after the log-in.
func TestKeepAlive(t *testing.T) {
	host := sshpeer.Key(t)
	synctest.Test(t, func(t *testing.T) {
		cfg := &ssh.ServerConfig{NoClientAuth: true}
		cfg.AddHostKey(host)
		silent := make(chan struct{})
		start := time.Now()
		c, err := Dial(t.Context(), Config{Address: "mere-agg-1:22", User: "tow", InsecureReason: "test", KeepAlive: 10 * time.Second,
			Dial: sshpeer.Pipe(func(c net.Conn) {
				_, _, reqs, err := ssh.NewServerConn(c, cfg)
				if err != nil {
					return
				}
				for {
					select {
					case r, ok := <-reqs:
						if !ok {
							return
						}
						r.Reply(false, nil) // as a server that does not know the question
					case <-silent:
						return
					}
				}
			})})
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		select {
		case <-c.Done():
			t.Fatal("given up although it answers", c.Err())
		default:
		}
		close(silent)
		<-c.Done()
		// It fell silent just before the question at 60 s or after it; three
		// misses follow.
		if d := time.Since(start); d < 90*time.Second || d > 110*time.Second {
			t.Errorf("given up after %v", d)
		}
		wantFault(t, c.Err(), device.Unreachable, "nothing was heard from it for 30s")
		c.Close()
	})
}

func TestDropped(t *testing.T) {
	host := sshpeer.Key(t)
	s := serve(t, &ssh.ServerConfig{NoClientAuth: true}, host)
	c, err := Dial(t.Context(), Config{Address: s.addr, User: "tow", InsecureReason: "test"})
	if err != nil {
		t.Fatal(err)
	}
	(<-s.conns).Close()
	<-c.Done()
	wantFault(t, c.Err(), device.Unreachable, "closed by the other side")
	_, err = c.NewSession()
	wantFault(t, c.Fault(t.Context(), "read", device.OutcomeUnknown, err), device.OutcomeUnknown, "closed by the other side")
	c.Close()

	c, err = Dial(t.Context(), Config{Address: s.addr, User: "tow", InsecureReason: "test"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = c.NewSession()
	wantFault(t, c.Fault(t.Context(), "read", device.OutcomeUnknown, err), device.Refused, "no further session", "only forwarding here")
	c.Close()
	if c.Err() != nil {
		t.Errorf("after Close: %v, want nothing", c.Err())
	}
}

func TestJump(t *testing.T) {
	inner, outer := sshpeer.Key(t), sshpeer.Key(t)
	s := serve(t, &ssh.ServerConfig{PasswordCallback: password("inner")}, inner)
	j := serve(t, &ssh.ServerConfig{PasswordCallback: password("outer")}, outer)
	cfg := func() Config {
		return Config{Address: s.addr, User: "tow", Password: give("inner"), KnownHosts: []byte(knownhosts.Line([]string{s.addr}, inner.PublicKey())),
			Jump: &Config{Address: j.addr, User: "hop", Password: give("outer"), InsecureReason: "lab"}}
	}
	c, err := Dial(t.Context(), cfg())
	if err != nil {
		t.Fatal(err)
	}
	if c.Insecure() != "lab" {
		t.Errorf("insecure %q, want the jump host's reason", c.Insecure())
	}
	(<-j.conns).Close()
	<-c.Done()
	wantFault(t, c.Err(), device.Unreachable, "jump host is gone")

	bad := cfg()
	bad.Jump.Password = give("no")
	_, err = Dial(t.Context(), bad)
	wantFault(t, err, device.Denied, "jump host cannot be used", j.addr, s.addr, "refuses the password")

	bad = cfg()
	bad.Password = give("no")
	_, err = Dial(t.Context(), bad)
	wantFault(t, err, device.Denied, s.addr, "refuses the password")

	gone, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	gone.Close()
	bad = cfg()
	bad.Address = gone.Addr().String()
	_, err = Dial(t.Context(), bad)
	wantFault(t, err, device.Unreachable, "gets no connection to it", "refused", j.addr)
}
