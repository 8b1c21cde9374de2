package netconf

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"sync"
	"time"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
	"towpath/internal/element"
)

// Config says how a device is reached. SSH is required; its Address has the port,
// which by the standard is 830 (RFC 6242 §6).
type Config struct {
	Device string // name that captures carry; the address where empty
	SSH    sshlink.Config
	// Session are the options of every session.
	Session Options
	// ConfirmWithin is how long the device keeps changed settings before it
	// takes them back by itself, where nobody confirms them; zero is ten
	// minutes, as in RFC 6241 §8.4.5.1.
	ConfirmWithin time.Duration
	// Logger gets warnings; never secrets or contents. Nil discards them.
	Logger *slog.Logger
	// Now is the clock for timestamps and the clock offset; nil is time.Now.
	Now func() time.Time
}

// Driver is a [device.Device] over NETCONF. It is safe for concurrent use.
type Driver struct {
	cfg Config
	log *slog.Logger
	now func() time.Time

	turn chan struct{} // held while a connection is made

	mu      sync.Mutex
	link    *sshlink.Client
	session *Session // for everything but settings and watching
	closed  bool
}

var _ device.Device = (*Driver)(nil)

// Dial makes a driver for the device. It checks the configuration and returns
// without waiting for the device, which may be restarting: the connection is
// made by the first operation and made again by later ones when it has broken.
func Dial(ctx context.Context, cfg Config) (*Driver, error) {
	const op = "connect"
	switch {
	case ctx.Err() != nil:
		return nil, &device.Fault{Kind: device.Ours, Op: op, Err: context.Cause(ctx)}
	case cfg.SSH.Address == "" || cfg.SSH.User == "":
		return nil, &device.Fault{Kind: device.Ours, Op: op, Text: fmt.Sprintf("found the address %q and the user %q, want both", cfg.SSH.Address, cfg.SSH.User)}
	}
	if cfg.Device == "" {
		cfg.Device = cfg.SSH.Address
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.ConfirmWithin == 0 {
		cfg.ConfirmWithin = 10 * time.Minute
	}
	d := &Driver{cfg: cfg, log: cfg.Logger.With("device", cfg.Device), now: cfg.Now, turn: make(chan struct{}, 1)}
	if cfg.SSH.InsecureReason != "" {
		d.log.Warn("the device's host key is not verified", "reason", cfg.SSH.InsecureReason)
	}
	return d, nil
}

// Close releases the connection. Operations that run fail.
func (d *Driver) Close() error {
	d.mu.Lock()
	link, s := d.link, d.session
	d.closed, d.link, d.session = true, nil, nil
	d.mu.Unlock()
	if s != nil {
		s.abandon()
	}
	if link != nil {
		return link.Close()
	}
	return nil
}

// connected returns what is connected and alive; nil where it is not.
func (d *Driver) connected(op string) (*sshlink.Client, *Session, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil, nil, &device.Fault{Kind: device.Ours, Op: op, Text: "the driver is closed"}
	}
	link, s := d.link, d.session
	if link != nil {
		select {
		case <-link.Done():
			return nil, nil, nil
		default:
		}
	}
	if s != nil {
		select {
		case <-s.Done():
			s = nil
		default:
		}
	}
	return link, s, nil
}

// connect returns the connection and the session on it, making what is missing.
func (d *Driver) connect(ctx context.Context, op string) (*sshlink.Client, *Session, error) {
	if ctx.Err() != nil {
		return nil, nil, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "nothing was asked", Err: context.Cause(ctx)}
	}
	if link, s, err := d.connected(op); err != nil || link != nil && s != nil {
		return link, s, err
	}
	select {
	case d.turn <- struct{}{}:
	case <-ctx.Done():
		return nil, nil, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "nothing was asked", Err: context.Cause(ctx)}
	}
	defer func() { <-d.turn }()
	link, s, err := d.connected(op) // somebody else may have made it meanwhile
	if err != nil || link != nil && s != nil {
		return link, s, err
	}
	if link == nil {
		if link, err = sshlink.Dial(ctx, d.cfg.SSH); err != nil {
			return nil, nil, given(ctx, op, err)
		}
	}
	s, err = d.open(ctx, op, link)
	d.mu.Lock()
	closed := d.closed
	if !closed {
		d.link, d.session = link, s // also where only the session failed
	}
	d.mu.Unlock()
	if closed {
		_ = link.Close() // nobody wants it any more
		return nil, nil, &device.Fault{Kind: device.Ours, Op: op, Text: "the driver is closed"}
	}
	return link, s, err
}

// open makes a session of its own on a connection.
func (d *Driver) open(ctx context.Context, op string, link *sshlink.Client) (*Session, error) {
	stream, err := subsystem(link, op)
	if err != nil {
		return nil, link.Fault(ctx, op, device.Unreachable, err)
	}
	s, err := Open(ctx, stream, d.cfg.Session)
	if err != nil {
		return nil, asOp(op, err)
	}
	return s, nil
}

// own makes a session that nobody else uses, on the present connection.
func (d *Driver) own(ctx context.Context, op string) (*Session, error) {
	link, _, err := d.connect(ctx, op)
	if err != nil {
		return nil, err
	}
	return d.open(ctx, op, link)
}

// sshStream is the subsystem "netconf" of an SSH connection.
type sshStream struct {
	io.Reader
	io.WriteCloser
	session *ssh.Session
}

// Close ends the channel.
func (s *sshStream) Close() error { return s.session.Close() }

// subsystem starts NETCONF. Source: RFC 6242 §3.
func subsystem(link *sshlink.Client, op string) (*sshStream, error) {
	session, err := link.NewSession()
	if err != nil {
		return nil, err
	}
	s := &sshStream{session: session}
	if s.WriteCloser, err = session.StdinPipe(); err == nil {
		s.Reader, err = session.StdoutPipe()
	}
	if err == nil {
		// Source: RFC 4254 §6.5. A refusal is an answer; without any answer the
		// connection has gone.
		var ok bool
		ok, err = session.SendRequest("subsystem", true, ssh.Marshal(struct{ Name string }{"netconf"}))
		if err == nil && !ok {
			err = &device.Fault{Kind: device.Unable, Op: op, Text: "the device has no subsystem netconf on this port"}
		}
	}
	if err != nil {
		_ = session.Close() // it failed for a better reason
		return nil, err
	}
	return s, nil
}

// given is a failed attempt to connect; where the caller gave it up, that is why.
func given(ctx context.Context, op string, err error) error {
	if ctx.Err() != nil {
		return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "given up while connecting", Err: context.Cause(ctx)}
	}
	return asOp(op, err)
}

// asOp names the operation that failed, where another was named.
func asOp(op string, err error) error {
	var f *device.Fault
	if !errors.As(err, &f) || f.Op == op {
		return err
	}
	g := *f
	g.Op = op + ", " + f.Op
	return &g
}

// offers reports whether the device serves the module with the namespace.
func (s *Session) offers(space string) bool { return s.caps.Has(space) }

// library is the namespace of the list of modules. Source: RFC 7895 §2.2, RFC
// 8525 §4.
const nsLibrary = "urn:ietf:params:xml:ns:yang:ietf-yang-library"

// The capabilities that announce it. Source: RFC 7895 §1, RFC 8526 §2.
const (
	capLibrary10 = "urn:ietf:params:netconf:capability:yang-library:1.0"
	capLibrary11 = "urn:ietf:params:netconf:capability:yang-library:1.1"
)

// models lists the modules that the device serves, as name@revision. Where the
// hello names none, the device's library is read, and what it lists counts as
// capabilities from then on.
func (s *Session) models(ctx context.Context) ([]string, error) {
	var out []string
	for space := range s.caps {
		if name, rev := s.caps.ModuleBy(space); name != "" {
			out = append(out, name+"@"+rev)
		}
	}
	if len(out) > 0 || !s.caps.Has(capLibrary10) && !s.caps.Has(capLibrary11) {
		return out, nil
	}
	data, err := s.Get(ctx, []*element.Node{element.New(nsLibrary, "modules-state"), element.New(nsLibrary, "yang-library")})
	if err != nil {
		return nil, err
	}
	return libraryModules(data), nil
}

// libraryModules reads a library of either form.
func libraryModules(data *element.Node) []string {
	var out []string
	take := func(modules []*element.Node) {
		for _, m := range modules {
			out = append(out, m.Kid("name").Value()+"@"+m.Kid("revision").Value())
		}
	}
	take(data.In(nsLibrary, "modules-state").All("module"))
	for _, set := range data.In(nsLibrary, "yang-library").All("module-set") {
		take(set.All("module"))
	}
	return out
}

// word is a text in upper case, as captures have the words of protocols.
func word(s string) string { return strings.ToUpper(strings.TrimSpace(s)) }
