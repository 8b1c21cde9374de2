package probe

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"net"
	"net/netip"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// serve starts a reflector and ends it with the test.
func serve(t testing.TB, cfg ReflectorConfig) *Reflector {
	t.Helper()
	if cfg.Listen == "" {
		cfg.Listen = "127.0.0.1:0"
	}
	r, err := NewReflector(cfg)
	if err != nil {
		t.Fatal(err)
	}
	runReflector(t, r)
	return r
}

func runReflector(t testing.TB, r *Reflector) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("reflector: %v", err)
		}
	})
}

// asker sends raw requests, one at a time.
type asker struct {
	t testing.TB
	c *net.UDPConn
}

func ask(t testing.TB, network string, to netip.AddrPort) asker {
	t.Helper()
	c, err := net.DialUDP(network, nil, net.UDPAddrFromAddrPort(to))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return asker{t, c}
}

func (a asker) send(b []byte) {
	a.t.Helper()
	if _, err := a.c.Write(b); err != nil {
		a.t.Fatal(err)
	}
}

func (a asker) receive() []byte {
	a.t.Helper()
	_ = a.c.SetReadDeadline(time.Now().Add(time.Minute))
	b := make([]byte, maxPacket)
	n, err := a.c.Read(b)
	if err != nil {
		a.t.Fatalf("no reply: %v", err)
	}
	return b[:n]
}

func (a asker) exchange(b []byte) ReflectorPacket {
	a.t.Helper()
	a.send(b)
	p, err := ParseReflector(a.receive())
	if err != nil {
		a.t.Fatal(err)
	}
	return p
}

func request(seq uint32, ssid uint16) []byte {
	b := make([]byte, BaseSize)
	SenderPacket{Sequence: seq, Timestamp: NTP(time.Now()), Estimate: 0x0101, SSID: ssid}.Put(b)
	return b
}

// Source: RFC 8762 §4: a session is its addresses and ports; RFC 8972 §3: and
// its SSID. §4.3.1: the stateful counter begins at zero.
func TestReflectorCountsPerSession(t *testing.T) {
	r := serve(t, ReflectorConfig{})
	a, b := ask(t, "udp", r.Addr()), ask(t, "udp", r.Addr())
	for i, c := range []struct {
		from asker
		ssid uint16
		seq  uint32
		want uint32
	}{
		{a, 1, 100, 0}, {a, 1, 101, 1}, {a, 2, 7, 0}, {b, 1, 50, 0}, {a, 1, 5, 2}, {b, 1, 51, 1}, {a, 2, 8, 1}, {a, 0, 9, 0},
	} {
		p := c.from.exchange(request(c.seq, c.ssid))
		if p.Sequence != c.want || p.SenderSequence != c.seq || p.SSID != c.ssid {
			t.Errorf("exchange %d: %+v, want number %d for %d of session %d", i, p, c.want, c.seq, c.ssid)
		}
	}
	if s := r.Stats(); s.Received != 8 || s.Sessions != 4 {
		t.Errorf("%+v, want 8 packets in 4 sessions", s)
	}
}

func TestReflectorStateless(t *testing.T) {
	r := serve(t, ReflectorConfig{Stateless: true})
	a := ask(t, "udp", r.Addr())
	for _, seq := range []uint32{7, 3, 4294967295} {
		if p := a.exchange(request(seq, 1)); p.Sequence != seq {
			t.Errorf("%d answered with %d", seq, p.Sequence)
		}
	}
}

// Over IPv4, IPv6, and IPv4 to a socket of both families, to an address that is
// not the first of its interface. The TTL of test packets is 255 at the sender,
// which loopback keeps.
func TestReflectorFamilies(t *testing.T) {
	for _, c := range []struct{ name, listen, network, to string }{
		{"IPv4", "127.0.0.1:0", "udp4", "127.0.0.1"},
		{"IPv4 wildcard", "0.0.0.0:0", "udp4", "127.0.0.3"},
		{"IPv6", "[::1]:0", "udp6", "::1"},
		{"both, asked by IPv6", ":0", "udp6", "::1"},
		{"both, asked by IPv4", ":0", "udp4", "127.0.0.2"},
	} {
		r := serve(t, ReflectorConfig{Listen: c.listen})
		a := ask(t, c.network, netip.AddrPortFrom(netip.MustParseAddr(c.to), r.Addr().Port()))
		if err := configure(a.c, socketOptions{}); err != nil {
			t.Fatal(err)
		}
		before := time.Now()
		p := a.exchange(request(9, 4))
		after := time.Now()
		if p.SenderSequence != 9 || p.Sequence != 0 || p.SSID != 4 {
			t.Errorf("%s: %+v", c.name, p)
		}
		if kernelTimestamps && p.SenderTTL != 255 {
			t.Errorf("%s: TTL %d, want 255", c.name, p.SenderTTL)
		}
		// T1 ≤ T2 ≤ T3 ≤ T4: all four are of one clock here.
		t2, t3 := p.Receive.Near(before), p.Timestamp.Near(before)
		if t2.Before(before.Round(0)) || t3.Before(t2) || after.Round(0).Before(t3) {
			t.Errorf("%s: sent %v, received %v, answered %v, done %v", c.name, before, t2, t3, after)
		}
		if !p.Estimate.Valid() || p.Estimate.PTP() {
			t.Errorf("%s: error estimate %04x", c.name, uint16(p.Estimate))
		}
	}
}

// The kernel's receive time, not the program's: the reflector is held back from
// reading while a request waits. The kernel begins to take the time shortly
// after the first socket asks for it, and may deliver late, so that the first
// exchanges may still show the time of reading.
func TestReflectorKernelTime(t *testing.T) {
	if !kernelTimestamps {
		t.Skip("this system gives no kernel timestamps")
	}
	r, err := NewReflector(ReflectorConfig{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	gate := make(chan struct{})
	r.pause = func() { <-gate }
	runReflector(t, r)
	defer close(gate)
	a := ask(t, "udp", r.Addr())
	var last Timestamp
	for range 1000 {
		a.send(request(0, 1))
		reading := time.Now()
		gate <- struct{}{}
		p, err := ParseReflector(a.receive())
		if err != nil {
			t.Fatal(err)
		}
		if p.Timestamp.Near(reading).Before(reading.Round(0)) || p.Receive < last || p.Timestamp < p.Receive {
			t.Fatalf("reading from %v on, received %v, answered %v", reading, p.Receive.Near(reading), p.Timestamp.Near(reading))
		}
		last = p.Receive
		if !p.Receive.Near(reading).After(reading) {
			return
		}
	}
	t.Error("in 1000 exchanges the time of receipt was never that of the kernel")
}

// Source: RFC 8762 §4.6: shorter requests get the base packet, longer ones their
// length back; RFC 4656 §4.1.2: multiplier 0 is corrupt.
func TestReflectorLengths(t *testing.T) {
	r := serve(t, ReflectorConfig{})
	a := ask(t, "udp", r.Addr())
	long := AppendTLV(request(1, 1), 99, bytes.Repeat([]byte{7}, 9000))
	for _, b := range [][]byte{request(1, 1)[:14], request(1, 1)[:43], request(1, 1), long} {
		a.send(b)
		if got := a.receive(); len(got) != max(len(b), BaseSize) {
			t.Errorf("request of %d octets, reply of %d", len(b), len(got))
		}
	}
	a.send(request(1, 1)[:13])
	corrupt := request(1, 1)
	corrupt[13] = 0
	a.send(corrupt)
	// Answers come in order, so that the one to this tells that those before got
	// none.
	if p := a.exchange(request(4711, 1)); p.SenderSequence != 4711 {
		t.Errorf("a bad request was answered: %+v", p)
	}
	if s := r.Stats(); s.Short != 1 || s.Corrupt != 1 || s.Received != 7 {
		t.Errorf("%+v, want one short and one corrupt of 7", s)
	}
}

func TestReflectorRefuses(t *testing.T) {
	r := serve(t, ReflectorConfig{Listen: ":0", MaxSessions: 2, Allow: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}})
	a := ask(t, "udp4", netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), r.Addr().Port()))
	six := ask(t, "udp6", netip.AddrPortFrom(netip.MustParseAddr("::1"), r.Addr().Port()))
	six.send(request(0, 1))
	a.exchange(request(0, 1))
	a.exchange(request(0, 2))
	a.send(request(0, 3)) // the table is full
	if p := a.exchange(request(1, 2)); p.SSID != 2 || p.Sequence != 1 {
		t.Errorf("%+v, want number 1 of session 2", p)
	}
	if s := r.Stats(); s.NotAllowed != 1 || s.Refused != 1 || s.Sessions != 2 {
		t.Errorf("%+v, want one not allowed and one refused", s)
	}
}

// Two reflectors must not answer each other for ever: a forged request that
// claims to come from another reflector stays without answer.
func TestReflectorsDoNotLoop(t *testing.T) {
	r := &Reflector{port: 4000}
	for port, want := range map[uint16]bool{862: false, 4000: false, 4001: true} {
		if got := r.allowed(netip.AddrPortFrom(netip.MustParseAddr("192.0.2.1"), port)); got != want {
			t.Errorf("from port %d: %v, want %v", port, got, want)
		}
	}
}

func TestReflectorListenErrors(t *testing.T) {
	if _, err := NewReflector(ReflectorConfig{Listen: "192.0.2.1:0"}); err == nil {
		t.Error("listening on an address that is not here must fail")
	}
	if _, err := NewReflector(ReflectorConfig{Listen: "127.0.0.1:http2000"}); err == nil {
		t.Error("a port that is no port must fail")
	}
	r := serve(t, ReflectorConfig{})
	if _, err := NewReflector(ReflectorConfig{Listen: r.Addr().String()}); err == nil {
		t.Error("listening twice must fail")
	}
	closed, err := NewReflector(ReflectorConfig{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	_ = closed.Close()
	if err := closed.Run(t.Context()); !errors.Is(err, net.ErrClosed) {
		t.Errorf("a closed socket: %v", err)
	}
}

func TestWithPort(t *testing.T) {
	for in, want := range map[string]string{
		"": ":862", "192.0.2.1": "192.0.2.1:862", "2001:db8::1": "[2001:db8::1]:862", "[2001:db8::1]": "[2001:db8::1]:862",
		"[2001:db8::1]:9": "[2001:db8::1]:9", "far.example": "far.example:862", "far.example:5": "far.example:5", ":7": ":7",
	} {
		if got := withPort(in); got != want {
			t.Errorf("%q became %q, want %q", in, got, want)
		}
	}
}

// The table against a dumb twin: a map of counters and times that is searched
// from end to end.
func TestSessionsAgainstTwin(t *testing.T) {
	type row struct {
		next uint32
		used time.Time
	}
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.IntRange(1, 4).Draw(t, "limit")
		const idle = 10 * time.Second
		table := newSessions(limit, idle)
		twin := map[uint16]row{}
		now := time.Unix(0, 0)
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(0, 6).Draw(t, "wait")) * time.Second)
			ssid := rapid.Uint16Range(0, 6).Draw(t, "ssid")
			got, ok := table.count(sessionKey{ssid: ssid}, now)
			for k, r := range twin {
				if now.Sub(r.used) > idle {
					delete(twin, k)
				}
			}
			r, known := twin[ssid]
			want, wantOK := r.next, known || len(twin) < limit
			if wantOK {
				twin[ssid] = row{r.next + 1, now}
			} else {
				want = 0
			}
			if got != want || ok != wantOK || len(table.byKey) > limit {
				t.Fatalf("session %d: %d, %v with %d rows; want %d, %v", ssid, got, ok, len(table.byKey), want, wantOK)
			}
			n := 0
			for s := table.oldest; s != nil; s = s.newer {
				n++
			}
			if n != len(table.byKey) {
				t.Fatalf("%d rows in the list, %d in the map", n, len(table.byKey))
			}
		}
	})
}

// One sender keeps 128 requests under way.
func BenchmarkReflector(b *testing.B) {
	r := serve(b, ReflectorConfig{})
	a := ask(b, "udp", r.Addr())
	if err := configure(a.c, socketOptions{receiveBuffer: 4 << 20}); err != nil {
		b.Fatal(err)
	}
	req, buf := request(0, 1), make([]byte, 256)
	b.ReportAllocs()
	b.ResetTimer()
	_ = a.c.SetReadDeadline(time.Now().Add(time.Minute))
	sent, received := 0, 0
	for received < b.N {
		for sent < b.N && sent-received < 128 {
			binary.BigEndian.PutUint32(req, uint32(sent))
			a.send(req)
			sent++
		}
		if _, err := a.c.Read(buf); err != nil {
			b.Fatalf("%d of %d: %v", received, b.N, err)
		}
		received++
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "packets/s")
}
