package openconfig

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	ospb "github.com/openconfig/gnoi/os"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"towpath/internal/device"
)

// Source: gRPC status codes, all sixteen beside OK; reactions as the package
// documents them.
func TestEveryStatusHasAKind(t *testing.T) {
	want := map[codes.Code]device.Kind{
		codes.Canceled: device.OutcomeUnknown, codes.Unknown: device.Refused, codes.InvalidArgument: device.Ours,
		codes.DeadlineExceeded: device.OutcomeUnknown, codes.NotFound: device.Missing, codes.AlreadyExists: device.Refused,
		codes.PermissionDenied: device.Denied, codes.ResourceExhausted: device.NoSpace, codes.FailedPrecondition: device.Moved,
		codes.Aborted: device.Moved, codes.OutOfRange: device.Ours, codes.Unimplemented: device.Unable, codes.Internal: device.Refused,
		codes.Unavailable: device.Unreachable, codes.DataLoss: device.Damaged, codes.Unauthenticated: device.Denied,
	}
	if len(want) != 16 || len(statusKinds) != 16 {
		t.Fatalf("%d codes are tested and %d known, the standard has 16", len(want), len(statusKinds))
	}
	var answer error
	_, d := start(t, &fake{verify: func() (*ospb.VerifyResponse, error) { return nil, answer }})
	for code, kind := range want {
		t.Run(code.String(), func(t *testing.T) {
			answer = status.Error(code, "says the device")
			_, err := d.Verify(context.Background())
			f := wantKind(t, err, kind)
			if !strings.Contains(f.Error(), "says the device") || f.Op != "verify" {
				t.Errorf("got %v", f)
			}
			if codeOf(err) != code || status.Code(errors.Unwrap(f)) == codes.OK {
				t.Errorf("the code is lost: %v", err)
			}
		})
	}
	answer = status.Error(99, "from the future")
	_, err := d.Verify(context.Background())
	wantKind(t, err, device.Refused)
}

func TestActivateErrors(t *testing.T) {
	// Source: OpenConfig gNOI os.proto, ActivateError, every value.
	want := map[ospb.ActivateError_Type]device.Kind{
		ospb.ActivateError_UNSPECIFIED:             device.Refused,
		ospb.ActivateError_NON_EXISTENT_VERSION:    device.Missing,
		ospb.ActivateError_NOT_SUPPORTED_ON_BACKUP: device.Unable,
	}
	if len(want) != len(ospb.ActivateError_Type_name) {
		t.Fatalf("%d errors are tested, the standard has %d", len(want), len(ospb.ActivateError_Type_name))
	}
	want[88] = device.Refused
	for code, kind := range want {
		r, _ := start(t, &fake{
			verify: func() (*ospb.VerifyResponse, error) { return &ospb.VerifyResponse{Version: "2.4.1"}, nil },
			activate: func(*ospb.ActivateRequest) (*ospb.ActivateResponse, error) {
				return &ospb.ActivateResponse{Response: &ospb.ActivateResponse_ActivateError{ActivateError: &ospb.ActivateError{Type: code, Detail: "no"}}}, nil
			},
		})
		r.cfg.FactsOrigin = ""
		err := r.dial(t).Activate(context.Background(), device.ActivateRequest{Version: "2.6.0", Reboot: true})
		t.Run(code.String(), func(t *testing.T) { wantKind(t, err, kind) })
	}
}

func TestCertificates(t *testing.T) {
	ca := newAuthority(t, "lab authority")
	other := newAuthority(t, "another authority")
	now := time.Now()
	verify := func() (*ospb.VerifyResponse, error) { return &ospb.VerifyResponse{Version: "2.4.1"}, nil }
	cases := []struct {
		name    string
		options rigOptions
		change  func(c *Config)
		want    string // in the message; empty: it works
	}{
		{name: "good"},
		{name: "the device's has expired", options: rigOptions{from: now.Add(-2 * time.Hour), until: now.Add(-time.Hour)}, want: "the device's certificate is valid from"},
		{name: "the device's is not valid yet", options: rigOptions{from: now.Add(time.Hour), until: now.Add(2 * time.Hour)}, want: "the device's certificate is valid from"},
		{name: "the device has another name", options: rigOptions{name: "mere-agg-9"}, want: "mere-agg-1"},
		{name: "the device's authority is unknown", change: func(c *Config) { c.CA = other.pem }, want: "authority"},
		{name: "it is not verified for a reason", change: func(c *Config) { c.CA, c.InsecureReason = nil, "first contact, console beside it" }},
		{name: "the device does not trust ours", options: rigOptions{clientTrusted: other}, want: "certificate"},
		{name: "ours has expired", change: func(c *Config) {
			c.Cert, c.Key = ca.issue(t, "towpath", now.Add(-2*time.Hour), now.Add(-time.Hour))
		}, want: "our own certificate expired at"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			c.options.ca = ca
			r := serve(t, &fake{verify: verify}, c.options)
			if c.change != nil {
				c.change(&r.cfg)
			}
			d := r.dial(t)
			for attempt := range 3 { // the answer does not depend on what was tried before
				_, err := d.Verify(context.Background())
				if c.want == "" {
					if err != nil {
						t.Fatal(err)
					}
					continue
				}
				f := wantKind(t, err, device.Denied)
				if !strings.Contains(f.Error(), c.want) {
					t.Errorf("attempt %d: got %q, want it to say %q", attempt+1, f.Error(), c.want)
				}
			}
		})
	}
}

func TestUnreachableAndBack(t *testing.T) {
	// Not the address of everybody, so that nobody takes the port while it is
	// free, where the system has another.
	l, err := net.Listen("tcp", "127.0.0.7:0")
	if err != nil {
		l, err = net.Listen("tcp", "127.0.0.1:0")
	}
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	_ = l.Close()
	ca := newAuthority(t, "lab authority")
	f := &fake{verify: func() (*ospb.VerifyResponse, error) { return &ospb.VerifyResponse{Version: "2.4.1"}, nil }}
	cert, key := ca.issue(t, "towpath", time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
	d, err := Dial(context.Background(), Config{Target: addr, ServerName: "mere-agg-1", CA: ca.pem, Cert: cert, Key: key})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	for range 2 {
		_, err = d.Verify(context.Background())
		wantKind(t, err, device.Unreachable)
	}
	// The device comes up: the next call finds it without waiting for any
	// back-off.
	r := serve(t, f, rigOptions{listen: addr, ca: ca})
	if _, err := d.Verify(context.Background()); err != nil {
		t.Errorf("the device is back: %v", err)
	}
	r.server.Stop()
	if _, err = d.Verify(context.Background()); device.KindOf(err) != device.Unreachable {
		t.Errorf("the device is gone again: %v", err)
	}
	serve(t, f, rigOptions{listen: addr, ca: ca})
	if _, err := d.Verify(context.Background()); err != nil {
		t.Errorf("the device is back again: %v", err)
	}
}

// TestLateEndOfAnOldConnection has a connection end after another attempt has
// failed: who waits for the next failure is not told of it, and the reason stays
// that of the last attempt.
func TestLateEndOfAnOldConnection(t *testing.T) {
	l := newLink(nil, nil, time.Now)
	told := func(failed <-chan struct{}) bool {
		select {
		case <-failed:
			return true
		default:
			return false
		}
	}
	refused, pipe := errors.New("refused"), errors.New("broken pipe")
	old := l.end(nil)
	l.end(refused)
	failed := l.failure()
	l.broke(old, pipe)
	l.heard(old)
	if told(failed) || !errors.Is(l.err, refused) {
		t.Errorf("the old connection counts: told %v, reason %v", told(failed), l.err)
	}
	now := l.end(nil)
	l.broke(now, pipe)
	if !told(failed) || !errors.Is(l.err, pipe) {
		t.Errorf("the connection of now does not count: told %v, reason %v", told(failed), l.err)
	}
}

func TestAPlainServerIsNotTalkedTo(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			_, _ = c.Write([]byte("login: \r\n"))
			_ = c.Close()
		}
	}()
	r := serve(t, &fake{}, rigOptions{})
	r.cfg.Target = l.Addr().String()
	_, err = r.dial(t).Verify(context.Background())
	wantKind(t, err, device.Unreachable)
}

func TestDialRejectsBadConfiguration(t *testing.T) {
	r := serve(t, &fake{}, rigOptions{})
	for name, spoil := range map[string]func(*Config){
		"no port":         func(c *Config) { c.Target = "mere-agg-1" },
		"no certificate":  func(c *Config) { c.Cert = nil },
		"no key":          func(c *Config) { c.Key = []byte("-----BEGIN RUBBISH-----\n-----END RUBBISH-----\n") },
		"no authority":    func(c *Config) { c.CA = nil },
		"empty authority": func(c *Config) { c.CA = []byte("nothing") },
	} {
		cfg := r.cfg
		spoil(&cfg)
		d, err := Dial(context.Background(), cfg)
		t.Run(name, func(t *testing.T) { wantKind(t, err, device.Ours) })
		if d != nil {
			t.Errorf("%s: got a driver", name)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Dial(ctx, r.cfg); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

func TestCertificateAlertsAreNumbers(t *testing.T) {
	// Source: RFC 8446 §6.2, alert numbers of the certificate group.
	for _, n := range []uint8{42, 43, 44, 45, 46, 48, 49, 116} {
		if certificateAlerts[n] == "" {
			t.Errorf("alert %d is not known", n)
		}
	}
	if _, ok := remoteAlert(fmt.Errorf("wrapped: %w", &net.OpError{Op: "read", Err: errors.New("reset")})); ok {
		t.Error("an ordinary error passes for an alert")
	}
}
