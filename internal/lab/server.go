package lab

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/status"

	"github.com/openconfig/gnmi/proto/gnmi"
	filepb "github.com/openconfig/gnoi/file"
	healthpb "github.com/openconfig/gnoi/healthz"
	ospb "github.com/openconfig/gnoi/os"
	syspb "github.com/openconfig/gnoi/system"
)

// management is the management plane of a chassis: one address that follows
// the PRIMARY. While it is down the port refuses connections.
type management struct {
	c    *Chassis
	tls  *tls.Config
	addr string
	hold func() // gives the port back
	// more are the other ways into the management plane; they share its fate.
	more []plane

	mu     sync.Mutex
	l      net.Listener // of srv
	srv    *grpc.Server
	done   chan struct{}   // closed when srv has stopped
	life   context.Context // ends when srv goes down
	cancel context.CancelFunc
	closed bool
	failed error // why it could not be opened again
}

// listen opens the management plane for the first time.
func (c *Chassis) listen(tc *tls.Config) error {
	want := c.cfg.Listen
	if want == "" {
		want = "127.0.0.1:0"
	}
	addr, hold, err := reserve(want)
	if err != nil {
		return fmt.Errorf("device %s: listen on %s: %w", c.cfg.ID, want, err)
	}
	c.mgmt = &management{c: c, tls: tc, addr: addr, hold: hold}
	if c.cfg.ShellListen != "" {
		if c.shell, err = newShell(c); err != nil {
			return err
		}
	}
	if c.cfg.ConsoleListen != "" {
		if c.shell == nil {
			return fmt.Errorf("device %s: found consoles without a command line, want ShellListen as well", c.cfg.ID)
		}
		p, err := newConsoles(c)
		if err != nil {
			return err
		}
		c.do(func() { c.consoles = p })
	}
	if c.cfg.NETCONF.Serve {
		p, err := c.listenNETCONF()
		if err != nil {
			return fmt.Errorf("device %s: %w", c.cfg.ID, err)
		}
		c.mgmt.more = append(c.mgmt.more, p)
	}
	return c.mgmt.open()
}

// open starts to serve. It does nothing where it serves already.
func (m *management) open() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed || m.srv != nil {
		return nil
	}
	if m.c.shell != nil {
		if err := m.c.shell.open(); err != nil {
			return err
		}
	}
	l, err := listen(m.addr)
	if err != nil {
		return fmt.Errorf("device %s: management plane: %w", m.c.cfg.ID, err)
	}
	m.life, m.cancel = context.WithCancel(context.Background())
	g := &guard{life: m.life}
	srv := grpc.NewServer(
		grpc.Creds(credentials.NewTLS(m.tls.Clone())),
		grpc.MaxRecvMsgSize(4<<20), grpc.MaxSendMsgSize(16<<20),
		grpc.UnaryInterceptor(g.unary), grpc.StreamInterceptor(g.stream),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 5 * time.Millisecond, PermitWithoutStream: true}),
	)
	gnmi.RegisterGNMIServer(srv, &gnmiServer{c: m.c})
	ospb.RegisterOSServer(srv, &osServer{c: m.c})
	syspb.RegisterSystemServer(srv, &systemServer{c: m.c})
	filepb.RegisterFileServer(srv, &fileServer{c: m.c})
	healthpb.RegisterHealthzServer(srv, &healthServer{c: m.c})
	done := make(chan struct{})
	m.l, m.srv, m.done = l, srv, done
	go func() {
		defer close(done)
		_ = srv.Serve(l) // ends by Stop
	}()
	for _, p := range m.more {
		if err := p.open(); err != nil {
			return err
		}
	}
	return nil
}

// openAgain opens the management plane of a new PRIMARY. Where the port cannot
// be had the device stays unreachable, and [Lab.Close] says why.
func (m *management) openAgain() {
	err := m.open()
	m.mu.Lock()
	defer m.mu.Unlock()
	m.failed = errors.Join(m.failed, err)
}

// flushLimit is how long answers that are already given may take to leave
// before connections are cut, in our time.
// Calls end by themselves when the management plane goes down, so it is reached
// only where a client does not read.
const flushLimit = 5 * time.Second

// down closes the port and then every connection, as soon as the calls in
// progress have been answered, or after flushLimit. It does not wait.
func (m *management) down() {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.srv == nil {
		return
	}
	srv, cancel := m.srv, m.cancel
	m.srv = nil
	_ = m.l.Close() // here and not later: the next PRIMARY may listen at once
	cancel()        // streams end themselves
	for _, p := range m.more {
		p.down()
	}
	if m.c.shell != nil {
		m.c.shell.down()
	}
	m.c.spawn(func() { stopServer(srv) })
}

// stopServer refuses new connections at once and cuts the others when they
// have nothing more to say.
func stopServer(srv *grpc.Server) {
	graceful := make(chan struct{})
	go func() {
		defer close(graceful)
		srv.GracefulStop()
	}()
	limit := time.NewTimer(flushLimit)
	defer limit.Stop()
	select {
	case <-graceful:
	case <-limit.C:
	}
	srv.Stop()
	<-graceful
}

// cut closes the port and every connection at once, answers or not.
func (m *management) cut() {
	m.mu.Lock()
	srv, cancel := m.srv, m.cancel
	m.srv = nil
	if srv != nil {
		_ = m.l.Close() // srv closes it too
	}
	m.mu.Unlock()
	if srv == nil {
		return
	}
	cancel()
	for _, p := range m.more {
		p.cut()
	}
	if m.c.shell != nil {
		m.c.shell.cut()
	}
	srv.Stop()
}

// close ends the management plane for good, and says what kept it from opening
// in its time.
func (m *management) close() error {
	m.mu.Lock()
	m.closed = true
	m.mu.Unlock()
	m.cut()
	for _, p := range m.more {
		p.close()
	}
	if m.c.consoles != nil {
		m.c.consoles.close()
	}
	if m.c.shell != nil {
		m.c.shell.close()
	}
	m.hold()
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.failed
}

// guard keeps calls out of a management plane that is going down, and ends
// those that run.
type guard struct{ life context.Context }

var errGoingDown = status.Error(codes.Unavailable, "the management plane restarts")

func (g *guard) unary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, h grpc.UnaryHandler) (any, error) {
	if g.life.Err() != nil {
		return nil, errGoingDown
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(g.life, cancel)()
	resp, err := h(ctx, req)
	if err != nil && g.life.Err() != nil && status.Code(err) == codes.Canceled {
		return nil, errGoingDown
	}
	return resp, err
}

// lifeStream hands the life of the management plane to a stream's handler.
type lifeStream struct {
	grpc.ServerStream
	ctx context.Context
}

// Context ends with the stream or with the management plane.
func (s *lifeStream) Context() context.Context { return s.ctx }

func (g *guard) stream(srv any, s grpc.ServerStream, _ *grpc.StreamServerInfo, h grpc.StreamHandler) error {
	if g.life.Err() != nil {
		return errGoingDown
	}
	ctx, cancel := context.WithCancel(s.Context())
	defer cancel()
	defer context.AfterFunc(g.life, cancel)()
	err := h(srv, &lifeStream{s, ctx})
	if err != nil && g.life.Err() != nil && s.Context().Err() == nil {
		return errGoingDown
	}
	return err
}
