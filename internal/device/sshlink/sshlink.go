// Package sshlink makes SSH connections to network elements: to the element
// itself, through jump hosts, or to a port of a console server. Drivers build
// on it; it knows nothing of what is said over the connection.
//
// Read [Dial] first. Host keys are verified against known_hosts lines, each
// secret is shown to a device once at most, and every error is a
// [*device.Fault] whose text says what an engineer has to look at.
//
// Source: RFC 4251 to 4254 (SSH), RFC 4256 (keyboard-interactive), OpenSSH
// sshd(8), section on the format of known_hosts.
package sshlink

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"golang.org/x/crypto/ssh"
	"golang.org/x/sys/cpu"

	"towpath/internal/device"
)

// Config says how a connection is made. Address and User are required, and
// KnownHosts is unless InsecureReason is given.
type Config struct {
	Address string // host:port, of the device or of a port of a console server
	User    string

	// KnownHosts holds lines in the format of OpenSSH's known_hosts, hashed
	// names, @cert-authority and @revoked included.
	KnownHosts []byte
	// InsecureReason, when not empty, switches off the check of the host key
	// for this connection only; a revoked key is refused all the same. Callers
	// have to tell it wherever the connection is used: see [Client.Insecure].
	InsecureReason string

	Signers     []ssh.Signer // tried in their order, before the agent's
	AgentSocket string       // path of an agent's socket; empty for none
	// Password is called once at most, when the device asks for it. Nil: there
	// is none.
	Password func() (string, error)
	// Answer is asked what the device wants to know beyond the password
	// (RFC 4256), such as a one-time code; it returns an answer to each
	// question. The time that it takes is not counted. Nil: such questions are
	// refused.
	Answer func(name, instruction string, questions []string, echo []bool) ([]string, error)

	// Jump is the host that the connection goes through; its own Jump comes
	// before it.
	Jump *Config

	// Timeout bounds connecting and logging in, each jump host by itself. Zero
	// is twenty seconds.
	Timeout time.Duration
	// KeepAlive is the time between two questions whether the other side is
	// still there; after three without any octet from it the connection is
	// given up. Zero is fifteen seconds, less than zero never asks.
	KeepAlive time.Duration
	// Dial makes the connection below; nil is a net.Dialer. It is not used for
	// a host behind a jump host.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
}

const (
	defaultTimeout   = 20 * time.Second
	defaultKeepAlive = 15 * time.Second
	// Source: OpenSSH ssh_config(5), ServerAliveCountMax.
	keepAliveMisses = 3
)

// Client is a connection. It is safe for concurrent use.
type Client struct {
	*ssh.Client
	address  string
	insecure string
	banner   string
	hostKey  ssh.PublicKey
	jump     *Client
	wire     *wire

	done    chan struct{}
	mu      sync.Mutex
	cause   error // why we closed it; nil where the other side did
	err     error // valid once done is closed
	closing sync.Once
}

// Dial connects and logs in. Ending ctx ends the attempt, and not a connection
// that has been made. An error is a [*device.Fault]: Unreachable where nothing
// was said about us, Denied where the host key or the log-in failed, Unable
// where the two sides share no algorithm, Ours where cfg is wrong.
func Dial(ctx context.Context, cfg Config) (*Client, error) {
	a := &attempt{cfg: cfg, op: "connect to " + cfg.Address}
	if cfg.Timeout == 0 {
		a.cfg.Timeout = defaultTimeout
	}
	if cfg.KeepAlive == 0 {
		a.cfg.KeepAlive = defaultKeepAlive
	}
	if err := a.check(); err != nil {
		return nil, err
	}
	var jump *Client
	if cfg.Jump != nil {
		j := *cfg.Jump
		var err error
		if jump, err = Dial(ctx, j); err != nil {
			return nil, a.jumpFailed(err)
		}
	}
	c, err := a.run(ctx, jump)
	if err != nil {
		if jump != nil {
			_ = jump.Close() // the attempt has failed for a better reason
		}
		return nil, err
	}
	return c, nil
}

// stage is how far an attempt has come; it decides what an end means.
type stage int32

const (
	stageConnect  stage = iota // no connection yet
	stageGreeting              // connected, not one octet received
	stageExchange              // the other side speaks
	stageKeyShown              // a host key was shown
	stageLogin                 // the key is good; logging in
)

// attempt is one connection in the making.
type attempt struct {
	cfg   Config
	op    string
	known *knownHosts
	hosts hostKey
	login login
	wire  *wire

	mu    sync.Mutex
	stage stage
}

func (a *attempt) reach(s stage) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if s > a.stage {
		a.stage = s
	}
}

func (a *attempt) at() stage {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.stage == stageGreeting && a.wire != nil && a.wire.received.Load() > 0 {
		return stageExchange
	}
	return a.stage
}

// check reports what is wrong with the configuration.
func (a *attempt) check() error {
	host, port, err := net.SplitHostPort(a.cfg.Address)
	switch {
	case err != nil:
		return a.fault(device.Ours, fmt.Sprintf("found the address %q, want host:port", a.cfg.Address), err)
	case host == "" || port == "":
		return a.fault(device.Ours, fmt.Sprintf("found the address %q, want host:port with both of them", a.cfg.Address), nil)
	case a.cfg.User == "":
		return a.fault(device.Ours, "no user is given", nil)
	}
	a.known, err = readKnownHosts(a.cfg.KnownHosts)
	if err != nil {
		return a.fault(device.Ours, "the known_hosts lines cannot be used", err)
	}
	return nil
}

// run makes the connection and logs in, through jump where it is not nil.
func (a *attempt) run(ctx context.Context, jump *Client) (*Client, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	clock := newClock(a.cfg.Timeout, func() { cancel(errTimeout) })
	defer clock.stop()

	dial := a.cfg.Dial
	if jump != nil {
		dial = jump.DialContext
	} else if dial == nil {
		dial = (&net.Dialer{}).DialContext
	}
	conn, err := dial(ctx, "tcp", a.cfg.Address)
	if err != nil {
		return nil, a.notConnected(ctx, jump, err)
	}
	a.wire = &wire{Conn: conn}
	a.reach(stageGreeting)
	stop := context.AfterFunc(ctx, func() { _ = conn.Close() }) // the handshake then fails, which is reported

	a.login.prepare(a, clock)
	defer a.login.end()
	sc, chans, reqs, err := ssh.NewClientConn(a.wire, a.cfg.Address, a.config())
	if !stop() && err == nil {
		_ = sc.Close() // too late; ctx ended at the last moment
		err = context.Cause(ctx)
	}
	if err != nil {
		_ = conn.Close() // it failed already
		return nil, a.failed(ctx, err)
	}
	c := &Client{
		Client: ssh.NewClient(sc, chans, reqs), address: a.cfg.Address, insecure: a.cfg.InsecureReason,
		banner: a.login.banner, hostKey: a.hosts.shown, jump: jump, wire: a.wire, done: make(chan struct{}),
	}
	go c.wait()
	if a.cfg.KeepAlive > 0 {
		go c.keepAlive(a.cfg.KeepAlive)
	}
	return c, nil
}

// config is what the SSH library is given.
func (a *attempt) config() *ssh.ClientConfig {
	return &ssh.ClientConfig{
		Config:            ssh.Config{Ciphers: Ciphers()},
		User:              a.cfg.User,
		Auth:              a.login.methods(),
		AuthCallback:      a.login.next,
		BannerCallback:    a.login.hear,
		HostKeyCallback:   a.verify,
		HostKeyAlgorithms: a.known.algorithms(a.cfg.Address),
	}
}

// Ciphers returns the ciphers that are offered, the preferred one first: AES in
// Galois counter mode where the processor has instructions for it, else
// ChaCha20. Ciphers with known weaknesses are not among them.
func Ciphers() []string {
	aes := []string{ssh.CipherAES128GCM, ssh.CipherAES256GCM}
	chacha := []string{ssh.CipherChaCha20Poly1305}
	counter := []string{ssh.CipherAES128CTR, ssh.CipherAES192CTR, ssh.CipherAES256CTR}
	if cpu.X86.HasAES && cpu.X86.HasPCLMULQDQ || cpu.ARM64.HasAES && cpu.ARM64.HasPMULL {
		return append(append(aes, chacha...), counter...)
	}
	return append(append(chacha, aes...), counter...)
}

// Address is the host:port that was asked for.
func (c *Client) Address() string { return c.address }

// HostKey is the key that the other side proved to have.
func (c *Client) HostKey() ssh.PublicKey { return c.hostKey }

// Insecure is the reason for which the host key was not verified, of this host
// or of a jump host before it; empty where all were.
func (c *Client) Insecure() string {
	if c.insecure == "" && c.jump != nil {
		return c.jump.Insecure()
	}
	return c.insecure
}

// Banner is what the other side said before the log-in (RFC 4252 §5.4).
func (c *Client) Banner() string { return c.banner }

// Done is closed when the connection has ended, for whatever reason.
func (c *Client) Done() <-chan struct{} { return c.done }

// Err says why the connection has ended: nil before that and after [Client.Close],
// else a [*device.Fault].
func (c *Client) Err() error {
	select {
	case <-c.done:
		return c.err
	default:
		return nil
	}
}

// Close ends the connection and those to its jump hosts.
func (c *Client) Close() error {
	c.end(errClosed)
	<-c.done
	return nil
}

// end closes the connection for a reason of ours; the first reason stays.
func (c *Client) end(cause error) {
	c.mu.Lock()
	if c.cause == nil {
		c.cause = cause
	}
	c.mu.Unlock()
	c.closing.Do(func() { _ = c.Client.Close() }) // wait sees the end
}

// jumpKnows is how long after the end of a connection its jump host has for
// learning that it has ended itself. It waits only for a goroutine to run, which
// may take its time on a busy machine.
const jumpKnows = time.Second

// wait learns of the connection's end, closes what lies below it and tells.
func (c *Client) wait() {
	err := c.Wait()
	c.end(nil)
	c.mu.Lock()
	cause := c.cause
	c.mu.Unlock()
	var jumped error
	if c.jump != nil {
		if cause == nil { // not by us; where the jump host took this one along, it is about to know
			select {
			case <-c.jump.Done():
			case <-time.After(jumpKnows):
			}
		}
		jumped = c.jump.Err()
		_ = c.jump.Close() // nothing goes over it any more
	}
	switch {
	case errors.Is(cause, errClosed):
	case cause != nil:
		c.err = &device.Fault{Kind: device.Unreachable, Op: "connection to " + c.address, Err: cause}
	case jumped != nil:
		c.err = &device.Fault{Kind: device.Unreachable, Op: "connection to " + c.address, Text: "the jump host is gone", Err: jumped}
	default:
		c.err = &device.Fault{Kind: device.Unreachable, Op: "connection to " + c.address, Err: dropped(err)}
	}
	close(c.done)
}

// keepAlive asks the other side from time to time whether it is there. An
// answer that it does not know the question is one too.
// Source: OpenSSH PROTOCOL and ssh_config(5), ServerAliveInterval.
func (c *Client) keepAlive(every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	answered := make(chan struct{}, 1)
	asked := false
	missed, heard := 0, c.wire.received.Load()
	for {
		select {
		case <-c.done:
			return
		case <-answered:
			asked = false
		case <-tick.C:
			if now := c.wire.received.Load(); now != heard {
				heard, missed = now, 0
			} else if asked {
				missed++
			}
			if missed >= keepAliveMisses {
				c.end(&silentError{time.Duration(missed) * every})
				return
			}
			if !asked {
				asked = true
				go func() {
					_, _, _ = c.SendRequest("keepalive@openssh.com", true, nil) // a failure ends the connection, which wait sees
					answered <- struct{}{}
				}()
			}
		}
	}
}

// clock runs out once, and can be halted while a person thinks.
type clock struct {
	limit time.Duration
	timer *time.Timer
}

func newClock(limit time.Duration, f func()) *clock {
	return &clock{limit, time.AfterFunc(limit, f)}
}

func (c *clock) stop() { c.timer.Stop() }

// halted runs f while the clock stands, and starts it afresh after. It fails
// where the time is over already.
func (c *clock) halted(f func() error) error {
	if !c.timer.Stop() {
		return errTimeout
	}
	defer c.timer.Reset(c.limit)
	return f()
}
