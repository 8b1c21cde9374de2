package lab

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials"

	"github.com/openconfig/gnmi/proto/gnmi"
	filepb "github.com/openconfig/gnoi/file"
	healthpb "github.com/openconfig/gnoi/healthz"
	ospb "github.com/openconfig/gnoi/os"
	syspb "github.com/openconfig/gnoi/system"

	"towpath/internal/lab/labtime"
	"towpath/internal/lab/neighbour"
)

// fast is how much faster than ours the tests' lab runs.
const fast = 400

// hang is how long a test waits for what comes at once, so that one that hangs
// fails by itself; no test takes that long on the busiest machine.
const hang = 5 * time.Minute

// client is raw gNMI and gNOI over mutual TLS, as any other client would be.
type client struct {
	gnmi.GNMIClient
	os     ospb.OSClient
	system syspb.SystemClient
	file   filepb.FileClient
	health healthpb.HealthzClient
	conn   *grpc.ClientConn
}

func dial(t *testing.T, l *Lab, c *Chassis) *client {
	t.Helper()
	tc, err := l.PKI().Client(string(c.ID()))
	if err != nil {
		t.Fatal(err)
	}
	return dialTLS(t, c.Address(), tc)
}

func dialTLS(t *testing.T, addr string, tc *tls.Config) *client {
	t.Helper()
	b := backoff.Config{BaseDelay: 5 * time.Millisecond, Multiplier: 1.2, MaxDelay: 50 * time.Millisecond}
	// A refused connection fails at once; a handshake may take its time on a busy machine.
	conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(credentials.NewTLS(tc)),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: b, MinConnectTimeout: time.Minute}),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(16<<20)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return &client{
		gnmi.NewGNMIClient(conn), ospb.NewOSClient(conn), syspb.NewSystemClient(conn), filepb.NewFileClient(conn),
		healthpb.NewHealthzClient(conn), conn,
	}
}

// start runs a lab on a fast clock and connects to its first device.
func start(t *testing.T, change func(*Config)) (*Lab, *Chassis, *client) {
	t.Helper()
	cfg := Scenario("")
	for i := range cfg.Devices {
		d := &cfg.Devices[i]
		d.TransferRate, d.FastSilence = 0, true
		d.Durations = Durations{
			ControllerBoot: time.Minute, StateSync: 20 * time.Second, PackageCopy: 10 * time.Second, Validation: 5 * time.Second,
			LineCardBoot: time.Minute, LineCardNSF: 40 * time.Second, FabricRestart: 5 * time.Second, ExtenderUpdate: 10 * time.Second,
		}
	}
	// Sessions of milliseconds are many messages at this rate, and neighbour's own
	// tests have them.
	cfg.Devices = cfg.Devices[:1] // the partner is in the tests that need it
	cfg.Devices[0].Routes = Routes{IPv4: 40, IPv6: 20}
	for i := range cfg.Devices[0].Releases {
		cfg.Devices[0].Releases[i].Size = 64 << 10
	}
	for i := range cfg.Devices[0].Adjacencies {
		a := &cfg.Devices[0].Adjacencies[i]
		if b, ok := a.Device.(neighbour.BFD); ok {
			b.DesiredMinTx, b.RequiredMinRx = 10*time.Second, 10*time.Second
			a.Device, a.Far = b, b
		}
	}
	clock := labtime.New(time.Date(2031, 3, 9, 1, 0, 0, 0, time.UTC), fast)
	t.Cleanup(clock.Close)
	cfg.Clock = clock
	if change != nil {
		change(&cfg)
	}
	l, err := Start(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	c := l.Devices()[0]
	return l, c, dial(t, l, c)
}

func ctx(t *testing.T) context.Context {
	t.Helper()
	c, cancel := context.WithTimeout(context.Background(), hang)
	t.Cleanup(cancel)
	return c
}

// at reads the textual form of a path.
func at(t *testing.T, s string) *gnmi.Path {
	t.Helper()
	elems, err := parsePath(s)
	if err != nil {
		t.Fatal(err)
	}
	return protoPath(elems)
}

// once reads leaves below paths by Subscribe ONCE, as text to JSON_IETF value.
func (k *client) once(t *testing.T, paths ...string) map[string]string {
	t.Helper()
	s, err := k.Subscribe(ctx(t))
	if err != nil {
		t.Fatal(err)
	}
	list := &gnmi.SubscriptionList{Mode: gnmi.SubscriptionList_ONCE, Encoding: gnmi.Encoding_JSON_IETF}
	for _, p := range paths {
		list.Subscription = append(list.Subscription, &gnmi.Subscription{Path: at(t, p)})
	}
	if err := s.Send(&gnmi.SubscribeRequest{Request: &gnmi.SubscribeRequest_Subscribe{Subscribe: list}}); err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	synced := false
	for {
		r, err := s.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if r.GetSyncResponse() {
			synced = true
			continue
		}
		for _, u := range r.GetUpdate().GetUpdate() {
			out[textOf(u.GetPath())] = string(u.GetVal().GetJsonIetfVal())
		}
	}
	if !synced {
		t.Error("ONCE ended without sync_response")
	}
	return out
}

// until waits for something to become true of a chassis, looking at every
// change of it.
func until(t *testing.T, c *Chassis, cond func() bool) {
	t.Helper()
	me := &subscriber{wake: make(chan struct{}, 1), queries: []query{{origin: "openconfig"}, {origin: originFacts}}}
	c.mu.Lock()
	c.subs[me] = struct{}{}
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		delete(c.subs, me)
		c.mu.Unlock()
	}()
	limit := time.NewTimer(hang)
	defer limit.Stop()
	look := time.NewTicker(5 * time.Millisecond) // for what the tree does not show
	defer look.Stop()
	for {
		c.mu.Lock()
		ok := cond()
		c.mu.Unlock()
		if ok {
			return
		}
		select {
		case <-me.wake:
			me.take()
		case <-look.C:
		case <-limit.C:
			t.Fatalf("it did not happen in %v", hang)
		}
	}
}

// reflector sends every packet back and returns its address.
func reflector(t *testing.T) string {
	t.Helper()
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	go func() {
		buf := make([]byte, 2048)
		for {
			n, from, err := conn.ReadFrom(buf)
			if err != nil {
				return
			}
			if _, err := conn.WriteTo(buf[:n], from); err != nil {
				return
			}
		}
	}()
	return conn.LocalAddr().String()
}

// ping sends one packet to an address of the data plane.
func ping(t *testing.T, addr string) net.Conn {
	t.Helper()
	conn, err := net.Dial("udp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if _, err := conn.Write([]byte("a test packet")); err != nil {
		t.Fatal(err)
	}
	return conn
}
