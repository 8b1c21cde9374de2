package openconfig

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"reflect"
	"sync"
	"time"

	"google.golang.org/grpc/credentials"

	"towpath/internal/device"
)

// tlsFor makes the TLS configuration and returns our own leaf certificate.
func tlsFor(cfg Config) (*tls.Config, *x509.Certificate, error) {
	pair, err := tls.X509KeyPair(cfg.Cert, cfg.Key)
	if err != nil {
		return nil, nil, fmt.Errorf("own certificate and key: %w", err)
	}
	own, err := x509.ParseCertificate(pair.Certificate[0])
	if err != nil {
		return nil, nil, fmt.Errorf("own certificate: %w", err)
	}
	c := &tls.Config{
		MinVersion:   tls.VersionTLS13,
		Certificates: []tls.Certificate{pair},
		ServerName:   cfg.ServerName,
		NextProtos:   []string{"h2"},
		Time:         cfg.Now,
	}
	if cfg.InsecureReason != "" {
		c.InsecureSkipVerify = true
		return c, own, nil
	}
	c.RootCAs = x509.NewCertPool()
	if !c.RootCAs.AppendCertsFromPEM(cfg.CA) {
		return nil, nil, errors.New("no certificate authority given: want at least one PEM block CERTIFICATE, or a reason for not verifying the device")
	}
	return c, own, nil
}

// link is the transport credentials of a driver's connection. Beside the TLS
// handshake it remembers why the last attempt failed, because gRPC reports a
// refused certificate only as an unavailable service.
type link struct {
	config *tls.Config
	own    *x509.Certificate
	now    func() time.Time

	mu      sync.Mutex
	attempt int           // how many attempts to connect have ended
	failed  chan struct{} // closed at the next failure to get or keep a connection
	err     error         // what the last attempt or connection failed with; nil while it works
	silent  bool          // the device has sent nothing over the last connection
}

func newLink(c *tls.Config, own *x509.Certificate, now func() time.Time) *link {
	return &link{config: c, own: own, now: now, failed: make(chan struct{})}
}

// ClientHandshake makes the TLS handshake.
func (l *link) ClientHandshake(ctx context.Context, _ string, raw net.Conn) (net.Conn, credentials.AuthInfo, error) {
	below := &gather{Conn: raw}
	conn := tls.Client(below, l.config)
	if err := conn.HandshakeContext(ctx); err != nil {
		l.end(err)
		return nil, nil, err
	}
	attempt := l.end(nil)
	info := credentials.TLSInfo{State: conn.ConnectionState(), CommonAuthInfo: credentials.CommonAuthInfo{SecurityLevel: credentials.PrivacyAndIntegrity}}
	return &watched{Conn: conn, below: below, link: l, attempt: attempt}, info, nil
}

// ServerHandshake is never called on a client.
func (l *link) ServerHandshake(net.Conn) (net.Conn, credentials.AuthInfo, error) {
	return nil, nil, errors.New("this side is the client")
}

// Info tells gRPC about the protocol.
func (l *link) Info() credentials.ProtocolInfo {
	return credentials.ProtocolInfo{SecurityProtocol: "tls", ServerName: l.config.ServerName}
}

// Clone returns l itself: what it remembers belongs to the one connection.
func (l *link) Clone() credentials.TransportCredentials { return l }

// OverrideServerName is refused; the name is part of the configuration.
func (l *link) OverrideServerName(string) error {
	return errors.New("the server name is fixed by the configuration")
}

// dial opens the TCP connection. A device that vanishes without a word is
// noticed by the keepalive of TCP, since the one of HTTP/2 makes servers with
// default limits close the connection.
func (l *link) dial(ctx context.Context, addr string) (net.Conn, error) {
	d := net.Dialer{
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 5 * time.Second, Interval: 2 * time.Second, Count: 3},
		Control:         boundUnacknowledged,
	}
	c, err := d.DialContext(ctx, "tcp", addr)
	if err != nil {
		l.end(err)
	}
	return c, err
}

// unacknowledged is how long sent data may stay without acknowledgement before
// the connection counts as broken.
const unacknowledged = 15 * time.Second

// end records the end of an attempt to connect, and returns its number.
func (l *link) end(err error) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.attempt++
	l.err = err
	l.silent = err == nil
	if err != nil {
		l.signal()
	}
	return l.attempt
}

// broke records the error that the connection of an attempt ended with. An
// alert is worth more than what the transport said of the same end. What comes
// late from a connection that another attempt has followed says nothing of now.
func (l *link) broke(attempt int, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if attempt != l.attempt {
		return
	}
	if _, told := remoteAlert(l.err); !told {
		l.err = err
	}
	l.signal()
}

// signal tells those who wait for a failure. The caller holds mu.
func (l *link) signal() {
	close(l.failed)
	l.failed = make(chan struct{})
}

// heard records that the device speaks over the connection of an attempt.
func (l *link) heard(attempt int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if attempt != l.attempt {
		return
	}
	l.silent = false
	l.err = nil
}

// failure is closed at the next failure.
func (l *link) failure() <-chan struct{} {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.failed
}

// verdict is why the device cannot be talked to: the kind of failure and the
// sentence for people. ok is false where the transport knows no reason.
func (l *link) verdict(ctx context.Context, addr string) (kind device.Kind, text string, cause error, ok bool) {
	l.mu.Lock()
	err, silent := l.err, l.silent
	l.mu.Unlock()
	kind, text, known := certificateVerdict(err, l.own, l.now())
	if !known && silent {
		// The handshake was complete on this side and the device closed before
		// its first octet. In TLS 1.3 that is how a refused client certificate
		// looks when the alert is lost behind a reset (RFC 8446 §4.4.2.4, the
		// client has finished before the server judges its certificate). Ask
		// once more without sending anything, so that the alert arrives.
		if alert := l.askAgain(ctx, addr); alert != nil {
			if k, t, found := certificateVerdict(alert, l.own, l.now()); found {
				return k, t, alert, true
			}
		}
	}
	return kind, text, err, err != nil
}

// askAgain makes a handshake, sends nothing, and returns the error that the
// device answers with, or nil when it accepts.
func (l *link) askAgain(ctx context.Context, addr string) error {
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	raw, err := (&net.Dialer{}).DialContext(ctx, "tcp", addr)
	if err != nil {
		return nil
	}
	defer func() { _ = raw.Close() }() // nothing was sent
	conn := tls.Client(raw, l.config)
	if err := conn.HandshakeContext(ctx); err != nil {
		return err
	}
	if deadline, ok := ctx.Deadline(); ok {
		if err := conn.SetReadDeadline(deadline); err != nil {
			return nil
		}
	}
	if _, err = conn.Read(make([]byte, 1)); err != nil {
		return err
	}
	return nil
}

// certificateVerdict tells what a handshake error says about certificates.
func certificateVerdict(err error, own *x509.Certificate, now time.Time) (device.Kind, string, bool) {
	var invalid x509.CertificateInvalidError
	if errors.As(err, &invalid) {
		if invalid.Reason == x509.Expired {
			c := invalid.Cert
			return device.Denied, fmt.Sprintf("the device's certificate is valid from %s to %s, and it is %s",
				c.NotBefore.UTC().Format(time.RFC3339), c.NotAfter.UTC().Format(time.RFC3339), now.UTC().Format(time.RFC3339)), true
		}
		return device.Denied, "the device's certificate is not acceptable", true
	}
	var unknown x509.UnknownAuthorityError
	if errors.As(err, &unknown) {
		return device.Denied, "the device's certificate is signed by an authority that is not trusted here", true
	}
	var host x509.HostnameError
	if errors.As(err, &host) {
		return device.Denied, fmt.Sprintf("the device's certificate does not carry the name %q", host.Host), true
	}
	var verify *tls.CertificateVerificationError
	if errors.As(err, &verify) {
		return device.Denied, "the device's certificate is not acceptable", true
	}
	if a, ok := remoteAlert(err); ok {
		if text, about := certificateAlerts[a]; about {
			if own != nil && now.After(own.NotAfter) {
				text = fmt.Sprintf("our own certificate expired at %s", own.NotAfter.UTC().Format(time.RFC3339))
			}
			return device.Denied, text, true
		}
	}
	return device.Unreachable, "", false
}

// certificateAlerts are the alerts by which a device refuses our certificate.
// Source: RFC 8446 §6.2.
var certificateAlerts = map[uint8]string{
	40:  "the device refused the handshake",
	42:  "the device refused our certificate as damaged or not acceptable",
	43:  "the device does not support the type of our certificate",
	44:  "the device says that our certificate is revoked",
	45:  "the device says that our certificate has expired",
	46:  "the device could not accept our certificate",
	48:  "the device does not trust the authority that signed our certificate",
	49:  "the device accepted our certificate and denies access",
	116: "the device requires a client certificate",
}

// remoteAlert returns the number of the TLS alert that the other side sent.
// crypto/tls keeps the alert's type to itself; it is an eight-bit number
// inside a net.OpError.
func remoteAlert(err error) (uint8, bool) {
	var alert tls.AlertError
	if errors.As(err, &alert) {
		return uint8(alert), true
	}
	var op *net.OpError
	if errors.As(err, &op) && op.Err != nil {
		if v := reflect.ValueOf(op.Err); v.Kind() == reflect.Uint8 {
			return uint8(v.Uint()), true
		}
	}
	return 0, false
}

// watched is a connection that tells the link how it ended.
type watched struct {
	net.Conn
	below   *gather
	link    *link
	attempt int // that it came from
	once    sync.Once
}

// Write sends to the device. The records that a large write is cut into leave
// together.
func (w *watched) Write(p []byte) (n int, err error) {
	if len(p) <= recordSize {
		n, err = w.Conn.Write(p)
	} else {
		w.below.hold()
		n, err = w.Conn.Write(p)
		if rerr := w.below.release(); err == nil {
			err = rerr
		}
	}
	if err != nil && !errors.Is(err, net.ErrClosed) {
		w.link.broke(w.attempt, err)
	}
	return n, err
}

// recordSize is the most that one TLS record carries. Source: RFC 8446 §5.1.
const recordSize = 1 << 14

// gather is the connection below the record layer. While it is held it
// collects what is written, in order, so that many records cost one system
// call; the record layer itself makes one call for each.
type gather struct {
	net.Conn
	mu   sync.Mutex
	held bool
	buf  []byte
}

// gatherLimit bounds what is collected.
const gatherLimit = 256 << 10

// Write sends, or collects while held.
func (g *gather) Write(p []byte) (int, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if !g.held {
		return g.Conn.Write(p)
	}
	if len(g.buf)+len(p) > gatherLimit {
		if err := g.flush(); err != nil {
			return 0, err
		}
	}
	g.buf = append(g.buf, p...)
	return len(p), nil
}

func (g *gather) hold() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.held = true
}

// release sends what was collected.
func (g *gather) release() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.held = false
	return g.flush()
}

// flush sends what was collected. The caller holds mu.
func (g *gather) flush() error {
	if len(g.buf) == 0 {
		return nil
	}
	_, err := g.Conn.Write(g.buf)
	g.buf = g.buf[:0]
	return err
}

// Read reads from the device.
func (w *watched) Read(p []byte) (int, error) {
	n, err := w.Conn.Read(p)
	if n > 0 {
		w.once.Do(func() { w.link.heard(w.attempt) })
	}
	if err != nil && !errors.Is(err, net.ErrClosed) {
		w.link.broke(w.attempt, err)
	}
	return n, err
}
