package forward

import (
	"encoding/binary"
	"errors"
	"math"
	"net"
	"net/netip"
	"runtime"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The outside reference of these tests is the kernel's own UDP: what a
// reflector on a real socket received and what came back to a real client.

// reflector echoes every packet and remembers what it saw.
type reflector struct {
	conn *net.UDPConn
	got  atomic.Uint64
	mu   sync.Mutex
	seqs map[netip.AddrPort][]uint32 // by source, in order of arrival
	keep bool
}

func newReflector(t testing.TB, keep bool) *reflector {
	t.Helper()
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	enlarge(conn)
	r := &reflector{conn: conn, seqs: map[netip.AddrPort][]uint32{}, keep: keep}
	done := make(chan struct{})
	go func() {
		defer close(done)
		buf := make([]byte, 65536)
		for {
			n, from, err := conn.ReadFromUDPAddrPort(buf)
			if err != nil {
				return
			}
			if r.keep {
				r.mu.Lock()
				r.seqs[from] = append(r.seqs[from], binary.BigEndian.Uint32(buf))
				r.mu.Unlock()
			}
			r.got.Add(1)
			conn.WriteToUDPAddrPort(buf[:n], from)
		}
	}()
	t.Cleanup(func() { conn.Close(); <-done })
	return r
}

func (r *reflector) to() string { return r.conn.LocalAddr().String() }

func newPlane(t testing.TB, cfg Config) *Plane {
	t.Helper()
	p, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		for _, tr := range p.Truth() {
			if tr.KernelDrops != 0 {
				t.Errorf("flow %s: the kernel dropped %d packets that nobody asked it to", tr.Flow, tr.KernelDrops)
			}
		}
		if err := p.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return p
}

// client sends numbered packets to a flow.
type testClient struct {
	t    testing.TB
	conn *net.UDPConn
	buf  [64]byte
}

func dial(t testing.TB, p *Plane, flow string) *testClient {
	t.Helper()
	conn, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(p.Addr(flow)))
	if err != nil {
		t.Fatal(err)
	}
	enlarge(conn)
	conn.SetDeadline(time.Now().Add(5 * time.Minute)) // a hang becomes a failure
	t.Cleanup(func() { conn.Close() })
	return &testClient{t: t, conn: conn}
}

func (c *testClient) send(seq uint32) {
	c.t.Helper()
	binary.BigEndian.PutUint32(c.buf[:], seq)
	if _, err := c.conn.Write(c.buf[:44]); err != nil { // RFC 8762 §4.2.1: 44 octets
		c.t.Fatal(err)
	}
}

func (c *testClient) recv() uint32 {
	c.t.Helper()
	n, err := c.conn.Read(c.buf[:])
	if err != nil || n != 44 {
		c.t.Fatalf("read %d octets: %v", n, err)
	}
	return binary.BigEndian.Uint32(c.buf[:])
}

// until yields until the condition holds, for at most five minutes.
func until(t testing.TB, what string, cond func() bool) {
	t.Helper()
	for end := time.Now().Add(5 * time.Minute); !cond(); runtime.Gosched() {
		if time.Now().After(end) {
			t.Fatalf("never saw: %s", what)
		}
	}
}

func truthOf(t testing.TB, p *Plane, flow string) Truth {
	t.Helper()
	for _, tr := range p.Truth() {
		if tr.Flow == flow {
			return tr
		}
	}
	t.Fatalf("no truth about flow %s", flow)
	return Truth{}
}

func TestForwardsBothWaysInOrder(t *testing.T) {
	r := newReflector(t, true)
	p := newPlane(t, Config{Flows: []Flow{{Name: "one", Listen: "127.0.0.1:0", To: r.to(), Card: "LC-1"}}})
	const clients, packets, window = 5, 2000, 50
	var wg sync.WaitGroup
	for range clients {
		c := dial(t, p, "one")
		wg.Go(func() {
			next := uint32(0)
			for seq := range uint32(packets + window) {
				if seq < packets {
					c.send(seq)
				}
				if seq >= window {
					if got := c.recv(); got != next {
						t.Errorf("answer %d came where %d was due", got, next)
						return
					}
					next++
				}
			}
		})
	}
	wg.Wait()
	if t.Failed() {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.seqs) != clients {
		t.Errorf("the reflector saw %d source ports, want one for each of %d clients", len(r.seqs), clients)
	}
	for from, seqs := range r.seqs {
		for i, seq := range seqs {
			if seq != uint32(i) {
				t.Fatalf("from %v: packet %d came at place %d", from, seq, i)
			}
		}
	}
	got := truthOf(t, p, "one")
	for _, d := range []Direction{Forward, Reverse} {
		if c := got.Of(d); c.Forwarded != clients*packets || c.Received() != c.Forwarded {
			t.Errorf("%v: got %+v, want exactly %d forwarded", d, c, clients*packets)
		}
	}
	if got.Clients != clients || got.Refused != 0 {
		t.Errorf("clients %d refused %d, want %d and 0", got.Clients, got.Refused, clients)
	}
	if got.KernelDropsKnown && got.ReceiveBuffer < 212992 {
		t.Errorf("the receive buffer has %d octets only", got.ReceiveBuffer)
	}
}

func TestBlockDropsExactly(t *testing.T) {
	r := newReflector(t, false)
	p := newPlane(t, Config{Flows: []Flow{
		{Name: "one", Listen: "127.0.0.1:0", To: r.to(), Card: "LC-1"},
		{Name: "two", Listen: "127.0.0.1:0", To: r.to(), Card: "LC-2"},
	}})
	one, two := dial(t, p, "one"), dial(t, p, "two")
	pass := func(c *testClient) {
		t.Helper()
		for seq := range uint32(10) {
			c.send(seq)
			if got := c.recv(); got != seq {
				t.Fatalf("answer %d, want %d", got, seq)
			}
		}
	}
	pass(one)
	pass(two)

	before := time.Now()
	first := p.Block("LC-1")
	second := p.Block("")
	second() // the card's own block still holds
	second()
	for seq := range uint32(137) {
		one.send(seq)
	}
	until(t, "137 packets dropped", func() bool { return truthOf(t, p, "one").Forward.Blocked == 137 })
	if e := truthOf(t, p, "one").Forward.Episodes; len(e) != 1 || e[0].Duration() != 0 || !e[0].Until.IsZero() {
		t.Errorf("while the block lasts: got %+v, want one open episode", e)
	}
	pass(two)
	first()
	after := time.Now()
	pass(one)

	got := truthOf(t, p, "one")
	if got.Forward.Forwarded != 20 || got.Reverse.Forwarded != 20 || got.Reverse.Blocked != 0 || got.Forward.Lost != 0 {
		t.Errorf("flow one: got %+v, want 20 forwarded each way and 137 blocked forward", got)
	}
	if len(got.Forward.Episodes) != 1 || len(got.Reverse.Episodes) != 1 {
		t.Fatalf("flow one: got %d and %d episodes, want overlapping blocks to be one", len(got.Forward.Episodes), len(got.Reverse.Episodes))
	}
	e := got.Forward.Episodes[0]
	ordered := []time.Time{before, e.From, e.First, e.Last, e.Until, after}
	for i := range ordered[1:] {
		if ordered[i+1].Before(ordered[i]) {
			t.Errorf("instants out of order at %d: %v", i, ordered)
		}
	}
	if e.Dropped != 137 || e.Duration() <= 0 || e.Duration() != e.Until.Sub(e.From) {
		t.Errorf("episode: got %+v of %v, want 137 dropped", e, e.Duration())
	}
	if e := got.Reverse.Episodes[0]; e.Dropped != 0 || !e.First.IsZero() {
		t.Errorf("reverse episode: got %+v, want nothing dropped", e)
	}
	if got := truthOf(t, p, "two"); got.Forward.Blocked != 0 || got.Forward.Forwarded != 20 || len(got.Forward.Episodes) != 1 {
		t.Errorf("flow two: got %+v, want the short block of all cards and nothing dropped", got.Forward)
	}
}

func TestBlockOneDirection(t *testing.T) {
	r := newReflector(t, false)
	p := newPlane(t, Config{Flows: []Flow{{Name: "one", Listen: "127.0.0.1:0", To: r.to(), Card: "LC-1"}}})
	c := dial(t, p, "one")
	unblock := p.BlockDirection("LC-1", Reverse)
	for seq := range uint32(50) {
		c.send(seq)
	}
	until(t, "50 answers dropped", func() bool { return truthOf(t, p, "one").Reverse.Blocked == 50 })
	unblock()
	c.send(1000)
	if got := c.recv(); got != 1000 {
		t.Errorf("first answer after the block: got %d, want 1000; dropped packets must not come back", got)
	}
	got := truthOf(t, p, "one")
	if r.got.Load() != 51 || got.Forward.Forwarded != 51 || got.Forward.Blocked != 0 || len(got.Forward.Episodes) != 0 {
		t.Errorf("reflector saw %d, truth %+v; want 51 forward and none blocked", r.got.Load(), got.Forward)
	}
	if p.BlockDirection("no such card", Forward)(); truthOf(t, p, "one").Forward.Blocked != 0 {
		t.Error("a card that carries nothing blocked a flow")
	}
}

func TestDropEveryAndFraction(t *testing.T) {
	r := newReflector(t, false)
	lost := func(seed uint64) (uint64, Truth) {
		p, err := New(Config{Flows: []Flow{{Name: "one", Listen: "127.0.0.1:0", To: r.to(), Card: "LC-1"}}})
		if err != nil {
			t.Fatal(err)
		}
		defer p.Close()
		c := dial(t, p, "one")
		back := p.BlockDirection("", Reverse) // count forward only
		defer back()
		stop := p.DropFraction("LC-1", 0.2, seed)
		const n = 4000
		for seq := range uint32(n) {
			c.send(seq)
			if seq%500 == 499 {
				until(t, "the packets so far", func() bool { return truthOf(t, p, "one").Forward.Received() == uint64(seq)+1 })
			}
		}
		stop()
		stop()
		for seq := range uint32(100) {
			c.send(seq)
		}
		until(t, "the packets after the fault", func() bool { return truthOf(t, p, "one").Forward.Received() == n+100 })
		tr := truthOf(t, p, "one")
		return tr.Forward.Lost, tr
	}
	first, tr := lost(7)
	// Source: binomial distribution; five standard deviations of n=4000, p=0.2.
	if sd := math.Sqrt(4000 * 0.2 * 0.8); math.Abs(float64(first)-800) > 5*sd {
		t.Errorf("lost %d of 4000 at 0.2, want 800 ± %.0f", first, 5*sd)
	}
	if tr.Forward.LostFirst.IsZero() || tr.Forward.LostLast.Before(tr.Forward.LostFirst) || tr.Forward.Dropped() != first {
		t.Errorf("instants of loss: %+v", tr.Forward)
	}
	if again, _ := lost(7); again != first {
		t.Errorf("the same seed lost %d and then %d", first, again)
	}

	p := newPlane(t, Config{Flows: []Flow{{Name: "one", Listen: "127.0.0.1:0", To: r.to()}}})
	c := dial(t, p, "one")
	stop := p.DropEvery("", 10)
	for seq := range uint32(105) {
		c.send(seq)
	}
	until(t, "105 packets", func() bool { return truthOf(t, p, "one").Forward.Received() == 105 })
	// 95 answers, and every tenth of them lost again on the way back.
	until(t, "95 answers", func() bool { return truthOf(t, p, "one").Reverse.Received() == 95 })
	stop()
	if got := truthOf(t, p, "one"); got.Forward.Lost != 10 || got.Reverse.Lost != 9 {
		t.Errorf("every tenth of 105, then of 95: lost %d and %d, want 10 and 9", got.Forward.Lost, got.Reverse.Lost)
	}
	defer p.DropEvery("", 0)()
	for range 86 {
		c.recv()
	}
	c.send(5)
	if got := c.recv(); got != 5 {
		t.Errorf("got %d, want 5: n = 0 drops nothing", got)
	}
}

func TestClientsAreBoundedAndExpire(t *testing.T) {
	r := newReflector(t, true)
	p := newPlane(t, Config{Clients: 2, Idle: 50 * time.Millisecond, Flows: []Flow{{Name: "one", Listen: "127.0.0.1:0", To: r.to()}}})
	a, b, c := dial(t, p, "one"), dial(t, p, "one"), dial(t, p, "one")
	refused := func() uint64 { return truthOf(t, p, "one").Refused }
	// Keep two clients busy, so that neither becomes idle, until the third has
	// been refused. The plane takes each packet before the next is sent, so that
	// none waits in the kernel, which would have to drop the last of many.
	sent := uint64(0)
	for refused() == 0 {
		for _, k := range []*testClient{a, b, c} {
			k.send(1)
			sent++
			until(t, "a packet taken", func() bool {
				tr := truthOf(t, p, "one")
				return tr.Forward.Received()+tr.Refused == sent
			})
		}
	}
	if got := truthOf(t, p, "one").Clients; got > 2 {
		t.Errorf("%d clients are known, want at most 2", got)
	}
	until(t, "idle clients forgotten", func() bool { return truthOf(t, p, "one").Clients == 0 })
	before := truthOf(t, p, "one").Forward.Forwarded
	c.send(77)
	until(t, "the third client served", func() bool { return truthOf(t, p, "one").Forward.Forwarded == before+1 })
}

func TestPacketsThatCannotBeSentAreCounted(t *testing.T) {
	// A socket that is connected elsewhere keeps its port from everybody, and
	// takes nothing from the plane.
	gone, err := net.Dial("udp4", "127.0.0.1:9")
	if err != nil {
		t.Fatal(err)
	}
	defer gone.Close()
	addr := gone.LocalAddr().String()
	p := newPlane(t, Config{PacketSize: 100, Flows: []Flow{{Name: "one", Listen: "127.0.0.1:0", To: addr}}})
	c := dial(t, p, "one")
	for seq := range uint32(20) { // each is answered by a port-unreachable message
		c.send(seq)
	}
	if _, err := c.conn.Write(make([]byte, 101)); err != nil {
		t.Fatal(err)
	}
	until(t, "21 packets", func() bool { return truthOf(t, p, "one").Forward.Received() == 21 })
	if got := truthOf(t, p, "one").Forward; got.Failed != 1 || got.Forwarded != 20 {
		t.Errorf("got %+v, want 20 handed to the kernel and the long one failed", got)
	}
}

func TestNewNamesWhatIsWrong(t *testing.T) {
	good := Flow{Name: "one", Listen: "127.0.0.1:0", To: "127.0.0.1:9"}
	for _, tc := range []struct {
		flow Flow
		want string
	}{
		{Flow{Listen: good.Listen, To: good.To}, `flow 1: found name "", want one that is not empty and not used before`},
		{good, `flow 1: found name "one", want one that is not empty and not used before`},
		{Flow{Name: "two", Listen: good.Listen, To: "127.0.0.1:0"}, `flow two: to: found "127.0.0.1:0", want the reflector's host:port`},
		{Flow{Name: "two", Listen: good.Listen, To: "127.0.0.1"}, `flow two: to: found "127.0.0.1", want the reflector's host:port: address 127.0.0.1: missing port in address`},
		{Flow{Name: "two", Listen: "127.0.0.1:x", To: good.To}, `flow two: listen: found "127.0.0.1:x", want a host:port such as 127.0.0.1:0: lookup udp/x: unknown port`},
	} {
		_, err := New(Config{Flows: []Flow{good, tc.flow}})
		if err == nil || err.Error() != tc.want {
			t.Errorf("flow %+v:\ngot  %v\nwant %s", tc.flow, err, tc.want)
		}
	}
	p := newPlane(t, Config{Flows: []Flow{good}})
	if p.Addr("two").IsValid() {
		t.Error("a flow that does not exist has an address")
	}
	if f := p.Flows(); len(f) != 1 || f[0].Listen != p.Addr("one").String() {
		t.Errorf("flows: got %+v, want the address really listened on, %v", f, p.Addr("one"))
	}
	if _, err := New(Config{Flows: []Flow{{Name: "x", Listen: p.Addr("one").String(), To: good.To}}}); !errors.Is(err, syscall.EADDRINUSE) {
		t.Errorf("a taken port: got %v, want it to wrap %v", err, syscall.EADDRINUSE)
	}
}

// TestGateAgreesWithSlowTwin replays random blocks, faults and packets on one
// direction of a flow and on a twin that keeps every block in a list.
func TestGateAgreesWithSlowTwin(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		f := &flow{Flow: Flow{Name: "one", Card: "LC-1"}}
		p := &Plane{flows: []*flow{f}}
		g := &f.gates[Forward]
		var undo []func()
		blocking := map[int]bool{}
		type fault struct{ every, seen int }
		losing := map[int]*fault{}
		var want Count
		var episodes []uint64
		active := func() (n int) {
			for _, on := range blocking {
				if on {
					n++
				}
			}
			return n
		}
		for range rapid.IntRange(1, 60).Draw(rt, "operations") {
			switch rapid.IntRange(0, 5).Draw(rt, "operation") {
			case 0:
				if active() == 0 {
					episodes = append(episodes, 0)
				}
				blocking[len(undo)] = true
				undo = append(undo, p.Block(rapid.SampledFrom([]string{"", "LC-1"}).Draw(rt, "card")))
			case 1:
				n := rapid.IntRange(1, 4).Draw(rt, "every")
				losing[len(undo)] = &fault{every: n}
				undo = append(undo, p.DropEvery("LC-1", n))
			case 2:
				if len(undo) > 0 {
					i := rapid.IntRange(0, len(undo)-1).Draw(rt, "undo")
					undo[i]()
					delete(blocking, i)
					delete(losing, i)
				}
			default:
				g.mu.Lock()
				if g.judge() {
					g.sent(nil)
				}
				g.mu.Unlock()
				if active() > 0 {
					want.Blocked++
					episodes[len(episodes)-1]++
					continue
				}
				lost := false
				for _, l := range losing {
					if l.seen++; l.seen%l.every == 0 {
						lost = true
					}
				}
				if lost {
					want.Lost++
				} else {
					want.Forwarded++
				}
			}
		}
		got := g.count
		if got.Forwarded != want.Forwarded || got.Blocked != want.Blocked || got.Lost != want.Lost {
			rt.Fatalf("got %+v, want %+v", got, want)
		}
		if len(got.Episodes) != len(episodes) {
			rt.Fatalf("got %d episodes, want %d", len(got.Episodes), len(episodes))
		}
		for i, e := range got.Episodes {
			open := i == len(episodes)-1 && active() > 0
			if e.Dropped != episodes[i] || e.Until.IsZero() != open {
				rt.Fatalf("episode %d: got %+v, want %d dropped, open %v", i, e, episodes[i], open)
			}
		}
	})
}

// TestKeepsUp sends on four flows at once, in bursts as a noisy machine makes
// them, and demands that nothing is lost that was not asked for.
func TestKeepsUp(t *testing.T) {
	r := newReflector(t, false)
	cfg := Config{}
	names := []string{"a", "b", "c", "d"}
	for _, n := range names {
		cfg.Flows = append(cfg.Flows, Flow{Name: n, Listen: "127.0.0.1:0", To: r.to()})
	}
	p := newPlane(t, cfg)
	const packets, burst = 4000, 100
	var wg sync.WaitGroup
	for _, n := range names {
		c := dial(t, p, n)
		wg.Go(func() {
			for seq := uint32(0); seq < packets; {
				for range burst {
					c.send(seq)
					seq++
				}
				for range burst {
					c.recv()
				}
			}
		})
	}
	wg.Wait()
	for _, tr := range p.Truth() {
		if tr.Forward.Forwarded != packets || tr.Reverse.Forwarded != packets || tr.KernelDrops != 0 {
			t.Errorf("flow %s: got %+v, want %d each way", tr.Flow, tr, packets)
		}
		if runtime.GOOS == "linux" && !tr.KernelDropsKnown {
			t.Errorf("flow %s: the kernel does not say what it dropped", tr.Flow)
		}
	}
}

func TestKernelDropsAreSeen(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only Linux counts them")
	}
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetReadBuffer(4096)
	from, err := net.Dial("udp4", conn.LocalAddr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	const sent = 200
	for range sent {
		from.Write(make([]byte, 500))
	}
	conn.SetReadDeadline(time.Now().Add(time.Minute)) // a hang becomes a failure
	kept := uint64(0)
	dropped, known := kernelDrops(conn)
	for ; kept < sent-dropped; kept++ {
		if _, err := conn.Read(make([]byte, 600)); err != nil {
			t.Fatalf("after %d packets: %v", kept, err)
		}
	}
	if !known || dropped == 0 || dropped+kept != sent {
		t.Errorf("dropped %d (known %v) and kept %d of %d sent", dropped, known, kept, sent)
	}
}

// echo runs n packets through one flow, burst at a time.
func echo(c *testClient, n int) {
	for done := 0; done < n; {
		k := min(64, n-done)
		for i := range k {
			c.send(uint32(i))
		}
		for range k {
			c.recv()
		}
		done += k
	}
}

func TestAllocatesNothingPerPacket(t *testing.T) {
	r := newReflector(t, false)
	p := newPlane(t, Config{Flows: []Flow{{Name: "one", Listen: "127.0.0.1:0", To: r.to()}}})
	c := dial(t, p, "one")
	echo(c, 1000) // makes the client
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	const n = 20000
	echo(c, n)
	runtime.ReadMemStats(&after)
	// Test client, reflector, and plane together; the runtime itself may allocate
	// a little now and then.
	if per := float64(after.Mallocs-before.Mallocs) / n; per > 0.05 {
		t.Errorf("%.3f allocations per packet and round trip, want none", per)
	}
}

func BenchmarkRoundTrip(b *testing.B) {
	r := newReflector(b, false)
	p := newPlane(b, Config{Flows: []Flow{{Name: "one", Listen: "127.0.0.1:0", To: r.to()}}})
	c := dial(b, p, "one")
	echo(c, 1000)
	b.ReportAllocs()
	b.ResetTimer()
	echo(c, b.N)
}
