package probe

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"reflect"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// relay is a network of one hop between senders and a reflector. It knows of
// every packet that it dropped. It reads the numbers in the packets by itself.
type relay struct {
	t       testing.TB
	front   *net.UDPConn
	to      netip.AddrPort
	mu      sync.Mutex
	backs   map[netip.AddrPort]*net.UDPConn
	dropped [2]int // there, back
	wg      sync.WaitGroup
	// drop decides for each packet of a path, which are numbered in the order of
	// their first packet; back is its direction. twice sends it two times.
	drop  func(path int, seq uint32, back bool) bool
	twice func(path int, seq uint32, back bool) bool
	// passed is called after a packet was passed on or dropped on the way there.
	passed func(path int, seq uint32)
}

// patient is the room, in octets, of the sockets on the way: for seconds of test
// packets, so that a machine that stands still loses none.
const patient = 8 << 20

func newRelay(t testing.TB, to netip.AddrPort, drop func(path int, seq uint32, back bool) bool) *relay {
	t.Helper()
	front, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	if err := configure(front, socketOptions{receiveBuffer: patient}); err != nil {
		t.Fatal(err)
	}
	r := &relay{t: t, front: front, to: to, backs: map[netip.AddrPort]*net.UDPConn{}, drop: drop}
	t.Cleanup(func() {
		_ = front.Close()
		r.mu.Lock()
		for _, c := range r.backs {
			_ = c.Close()
		}
		r.mu.Unlock()
		r.wg.Wait()
	})
	return r
}

func (r *relay) start() {
	r.wg.Go(func() {
		b := make([]byte, maxPacket)
		paths := map[netip.AddrPort]int{}
		for {
			n, from, err := r.front.ReadFromUDPAddrPort(b)
			if err != nil {
				return
			}
			path, known := paths[from]
			if !known {
				path = len(paths)
				paths[from] = path
				c, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(r.to))
				if err != nil {
					r.t.Error(err)
					return
				}
				if err := configure(c, socketOptions{receiveBuffer: patient}); err != nil {
					r.t.Error(err)
					return
				}
				r.mu.Lock()
				r.backs[from] = c
				r.mu.Unlock()
				r.wg.Go(func() { r.back(path, from, c) })
			}
			r.mu.Lock()
			c := r.backs[from]
			r.mu.Unlock()
			seq := binary.BigEndian.Uint32(b)
			if r.drop != nil && r.drop(path, seq, false) {
				r.count(0)
			} else {
				_, _ = c.Write(b[:n])
				if r.twice != nil && r.twice(path, seq, false) {
					_, _ = c.Write(b[:n])
				}
			}
			if r.passed != nil {
				r.passed(path, seq)
			}
		}
	})
}

func (r *relay) back(path int, to netip.AddrPort, c *net.UDPConn) {
	b := make([]byte, maxPacket)
	for {
		n, err := c.Read(b)
		if err != nil {
			if errors.Is(err, net.ErrClosed) {
				return
			}
			continue // the reflector is not there
		}
		seq := binary.BigEndian.Uint32(b[24:])
		if r.drop != nil && r.drop(path, seq, true) {
			r.count(1)
			continue
		}
		_, _ = r.front.WriteToUDPAddrPort(b[:n], to)
		if r.twice != nil && r.twice(path, seq, true) {
			_, _ = r.front.WriteToUDPAddrPort(b[:n], to)
		}
	}
}

func (r *relay) count(back int) {
	r.mu.Lock()
	r.dropped[back]++
	r.mu.Unlock()
}

func (r *relay) lost() (there, back int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.dropped[0], r.dropped[1]
}

// until closes the channel when packet seq of path 0 has gone by.
func (r *relay) until(seq uint32) <-chan struct{} {
	ch := make(chan struct{})
	var once sync.Once
	r.passed = func(path int, s uint32) {
		if path == 0 && s >= seq {
			once.Do(func() { close(ch) })
		}
	}
	return ch
}

// measure sends until the channel closes.
func measure(t testing.TB, cfg Config, until <-chan struct{}, during ...func(*Sender)) Result {
	t.Helper()
	s, err := NewSender(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	select {
	case <-until:
	case <-time.After(5 * time.Minute):
		t.Error("the measurement never came to its end")
	}
	for _, f := range during {
		f(s)
	}
	return s.Stop()
}

func within(seq, from, to uint32) bool { return seq >= from && seq < to }

// The relay drops packets 100 to 149 on the way there, 250 to 279 on the way
// back, and both ways at once from 400 on: what is measured is what it dropped.
// Source: RFC 8762 §4 for the directions; RFC 6201 §1.3 for the times.
func TestMeasuredLossIsWhatTheNetworkDropped(t *testing.T) {
	reflector := serve(t, ReflectorConfig{})
	net := newRelay(t, reflector.Addr(), func(_ int, seq uint32, back bool) bool {
		return !back && (within(seq, 100, 150) || within(seq, 401, 440)) || back && (within(seq, 250, 280) || within(seq, 400, 401))
	})
	done := net.until(520)
	net.start()
	const interval = time.Millisecond
	r := measure(t, Config{
		Flows: []Flow{{Name: "north-south", To: net.front.LocalAddr().String(), Reflector: ReflectorStateful}},
		Tmax:  3 * time.Second,
	}, done)
	there, back := net.lost()
	f := r.Flows[0]
	if there != 50+39 || back != 31 {
		t.Fatalf("the relay dropped %d and %d, meant to drop 89 and 31", there, back)
	}
	if f.TooLate > 0 {
		t.Fatalf("this host held %d replies back for three seconds: they are lost by definition, and nothing can be compared", f.TooLate)
	}
	if f.Forward.Lost != uint64(there) || f.Reverse.Lost != uint64(back) || f.RoundTrip.Lost != 0 || f.Lost != uint64(there+back) {
		t.Errorf("measured %d there, %d back, %d unknown; the relay dropped %d and %d", f.Forward.Lost, f.Reverse.Lost, f.RoundTrip.Lost, there, back)
	}
	if f.Sent != f.Received+f.Lost || f.Voided != 0 || f.Strange != 0 {
		t.Errorf("%+v does not add up", f.Totals)
	}
	type row struct {
		d    Direction
		lost uint64
	}
	var rows []row
	for _, o := range f.Outages {
		rows = append(rows, row{o.Direction, o.Lost})
		// By loss it is the dropped packets exactly, and by both methods alike to
		// one interval, wherever the host did not stall in between.
		if o.ByLoss != time.Duration(o.Lost)*interval || o.Resolution != interval {
			t.Errorf("%+v: want %d packets of %v", o, o.Lost, interval)
		}
		if o.Lower > o.Upper || o.Start >= o.End {
			t.Errorf("%+v: bounds or times are wrong", o)
		}
	}
	if want := []row{{Forward, 50}, {Reverse, 30}, {Forward, 39}, {Reverse, 1}}; !reflect.DeepEqual(rows, want) {
		t.Errorf("outages %v, want %v", rows, want)
	}
	ok, worst := Verdict(r, 50*time.Millisecond)
	if !ok || worst.Lost != 50 || worst.Direction != Forward {
		t.Errorf("verdict %v with %+v, want true with the 50 on the way there", ok, worst)
	}
	if ok, _ := Verdict(r, 50*time.Millisecond-1); ok {
		t.Error("an outage longer than the budget passed")
	}
	// The timeline holds the same packets.
	var sum Bucket
	for _, b := range f.Buckets {
		sum.add(b)
	}
	if want := (Bucket{uint32(f.Sent), uint32(there), uint32(back), 0, 0}); sum != want {
		t.Errorf("timeline %+v, want %+v", sum, want)
	}
	if rep := r.Report(); rep.TPLFrames != uint64(there+back) || rep.TPLTime != time.Duration(there+back)*interval {
		t.Errorf("%+v, want %d frames and as many ms", rep, there+back)
	}
}

// Four source ports take four paths of which one fails: the sum shows scattered
// single losses, the outage is 40 packets long on one port.
func TestOnePathOfFour(t *testing.T) {
	reflector := serve(t, ReflectorConfig{})
	var fails atomic.Int32 // path number that fails, by its first packet
	fails.Store(2)
	net := newRelay(t, reflector.Addr(), func(path int, seq uint32, back bool) bool {
		return path == int(fails.Load()) && back && within(seq, 50, 90)
	})
	done := net.until(150)
	net.start()
	r := measure(t, Config{
		Flows: []Flow{{Name: "spread", To: net.front.LocalAddr().String(), Ports: 4, Reflector: ReflectorStateful}},
		Rate:  1000, Tmax: 3 * time.Second,
	}, done)
	f := r.Flows[0]
	if _, back := net.lost(); f.Reverse.Lost != uint64(back) || back != 40 || f.Forward.Lost != 0 {
		t.Errorf("%+v, want the %d that the relay dropped", f.Totals, back)
	}
	if f.Resolution != 4*ms || len(f.Outages) != 1 || f.Outages[0].Lost != 40 || f.Outages[0].ByLoss != 160*ms {
		t.Errorf("resolution %v, outages %+v; want one of 40 packets, 160 ms", f.Resolution, f.Outages)
	}
	if f.TPLTime != 40*ms {
		t.Errorf("TPL %v, want 40 ms on the average of the four paths", f.TPLTime)
	}
}

// Duplicates and a stateless reflector: loss has no direction then.
func TestStatelessReflectorAndDuplicates(t *testing.T) {
	reflector := serve(t, ReflectorConfig{Stateless: true})
	net := newRelay(t, reflector.Addr(), func(_ int, seq uint32, back bool) bool { return !back && within(seq, 40, 60) })
	net.twice = func(_ int, seq uint32, back bool) bool { return back && seq%10 == 0 || !back && seq%10 == 5 }
	done := net.until(150)
	net.start()
	r := measure(t, Config{
		Flows: []Flow{{To: net.front.LocalAddr().String(), Reflector: ReflectorStateless}}, Tmax: 3 * time.Second,
	}, done)
	f := r.Flows[0]
	if there, _ := net.lost(); f.RoundTrip.Lost != uint64(there) || there != 20 || f.Forward.Lost+f.Reverse.Lost != 0 {
		t.Errorf("%+v, want %d lost nobody knows where", f.Totals, there)
	}
	if f.Duplicates < 26 { // 15 + 15 less the 2 + 2 of those lost
		t.Errorf("%d duplicates, want at least 26", f.Duplicates)
	}
	if f.Name != net.front.LocalAddr().String() {
		t.Errorf("a flow without a name is called %q", f.Name)
	}
}

// Duplicates on the way there to a stateful reflector do not shift the counts.
func TestDuplicatesDoNotShiftDirections(t *testing.T) {
	reflector := serve(t, ReflectorConfig{})
	net := newRelay(t, reflector.Addr(), func(_ int, seq uint32, back bool) bool {
		return !back && within(seq, 41, 60) || back && within(seq, 80, 85)
	})
	net.twice = func(_ int, seq uint32, back bool) bool { return !back && seq%10 == 7 }
	done := net.until(150)
	net.start()
	r := measure(t, Config{Flows: []Flow{{To: net.front.LocalAddr().String(), Reflector: ReflectorStateful}}, Tmax: 3 * time.Second}, done)
	if f := r.Flows[0]; f.Forward.Lost != 19 || f.Reverse.Lost != 5 {
		t.Errorf("%+v, want 19 and 5", f.Totals)
	}
}

// The kind of a reflector is found out by a session of its own.
func TestFindsOutTheKindOfReflector(t *testing.T) {
	for _, c := range []struct {
		stateless bool
		want      ReflectorKind
	}{{false, ReflectorStateful}, {true, ReflectorStateless}} {
		reflector := serve(t, ReflectorConfig{Stateless: c.stateless})
		net := newRelay(t, reflector.Addr(), nil)
		net.start()
		s, err := NewSender(Config{Flows: []Flow{{To: net.front.LocalAddr().String()}}, Tmax: time.Second})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Start(t.Context()); err != nil {
			t.Fatal(err)
		}
		for s.Live()[0].Reflector == ReflectorUnknown {
			runtime.Gosched()
		}
		if got := s.Stop().Flows[0].Reflector; got != c.want {
			t.Errorf("found %v, want %v", got, c.want)
		}
	}
}

// The clock stands still between packets for 60 ms, twice: once in quiet times,
// once within an outage. Neither is counted.
func TestSenderStallIsNeverAnOutage(t *testing.T) {
	reflector := serve(t, ReflectorConfig{})
	net := newRelay(t, reflector.Addr(), func(_ int, seq uint32, back bool) bool { return !back && within(seq, 120, 160) })
	done := net.until(260)
	net.start()
	packets := 0
	r := measure(t, Config{
		Flows: []Flow{{To: net.front.LocalAddr().String(), Reflector: ReflectorStateful}}, Tmax: 3 * time.Second,
		beforeSend: func(int, uint64) {
			if packets++; packets == 60 || packets == 140 {
				<-time.After(60 * ms)
			}
		},
	}, done)
	f := r.Flows[0]
	if f.Forward.Lost != 40 || f.Reverse.Lost != 0 || f.Outages[0].ByLoss != 40*ms {
		t.Errorf("%+v %+v, want 40 lost on the way there", f.Totals, f.Outages)
	}
	if len(f.Outages) != 1 {
		t.Fatalf("outages %+v, want the network's only", f.Outages)
	}
	o := f.Outages[0]
	if o.Untested < 58*ms || o.Upper < o.Untested || o.Lower > o.ByLoss {
		t.Errorf("%+v: want a stall of about 60 ms inside, outside the figures", o)
	}
	var long int
	for _, v := range f.Voids {
		if v.Untested >= 58*ms {
			if long++; v.Cause != SenderLate || v.Packets < 58 {
				t.Errorf("%+v", v)
			}
		}
	}
	if long < 2 || f.Skipped < 116 || f.Lateness.Max < 58*ms {
		t.Errorf("%d long voids, %d slots skipped, at most %v late; want 2, 116, 58 ms", long, f.Skipped, f.Lateness.Max)
	}
}

// The sender's own socket overflows while its reader is held: the kernel counts
// the drops, and they are void.
func TestOwnReceiverOverflowIsVoid(t *testing.T) {
	if !kernelTimestamps {
		t.Skip("this system does not count drops")
	}
	reflector := serve(t, ReflectorConfig{})
	net := newRelay(t, reflector.Addr(), nil)
	done := net.until(500)
	net.start()
	held, release := make(chan struct{}), make(chan struct{})
	reads := 0
	s, err := NewSender(Config{
		Flows: []Flow{{To: net.front.LocalAddr().String(), Reflector: ReflectorStateful}}, Tmax: maxTmax,
		rcvbuf: 1, // the kernel's least
		beforeRead: func() {
			if reads++; reads == 20 {
				close(held)
				<-release
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	<-held
	<-done
	close(release)
	// The reader must find a reply that carries the count.
	for seen := s.Live()[0].Received; s.Live()[0].Received < seen+100; {
		runtime.Gosched()
	}
	f := s.Stop().Flows[0]
	if f.Voided == 0 || f.Lost != f.TooLate || len(f.Outages) != 0 {
		t.Errorf("%+v, %d too late, outages %+v; want all loss void", f.Totals, f.TooLate, f.Outages)
	}
	if there, back := net.lost(); there+back != 0 {
		t.Errorf("the relay dropped %d and %d", there, back)
	}
	found := false
	for _, v := range f.Voids {
		found = found || v.Cause == ReceiverOverflow && v.Packets > 0
	}
	if !found {
		t.Errorf("voids %+v, want an overflow", f.Voids)
	}
}

// While the path is down Live shows the open outage, and it grows; when it is
// up again the outage has its direction.
func TestLive(t *testing.T) {
	reflector := serve(t, ReflectorConfig{})
	var down atomic.Bool
	net := newRelay(t, reflector.Addr(), func(_ int, _ uint32, back bool) bool { return back && down.Load() })
	net.start()
	s, err := NewSender(Config{Flows: []Flow{{Name: "a", To: net.front.LocalAddr().String(), Reflector: ReflectorStateful}}, Tmax: 300 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	if live := s.Live(); len(live) != 1 || live[0].Name != "a" || live[0].Sent != 0 {
		t.Errorf("before the start: %+v", live)
	}
	if r := s.Snapshot(); len(r.Flows) != 0 {
		t.Errorf("before the start: %+v", r)
	}
	if err := s.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := s.Start(t.Context()); err == nil {
		t.Error("a second start must fail")
	}
	await := func(what string, ok func(FlowLive) bool) FlowLive {
		t.Helper()
		for deadline := time.Now().Add(5 * time.Minute); ; runtime.Gosched() {
			l := s.Live()[0]
			if ok(l) {
				return l
			}
			if time.Now().After(deadline) {
				t.Fatalf("%s: still %+v", what, l)
			}
		}
	}
	await("clean", func(l FlowLive) bool { return l.Received > 50 && l.Clean > 40*ms })
	down.Store(true)
	l := await("open", func(l FlowLive) bool { return l.Open > 50*ms })
	if worst, d := l.Worst(); worst < l.Open || worst == l.Open && d != RoundTrip {
		t.Errorf("worst %v %v, want the open one or a longer one", worst, d)
	}
	// After Tmax they are lost for good, even though nobody knows where yet.
	await("lost", func(l FlowLive) bool { return l.RoundTrip.Lost > 10 && l.Open > 300*ms })
	snap := s.Snapshot()
	if f := snap.Flows[0]; f.Pending == 0 || f.Sent != f.Received+f.Lost+f.Voided+f.Pending {
		t.Errorf("snapshot %+v: want packets pending, and sums that add up", f.Totals)
	}
	down.Store(false)
	l = await("closed", func(l FlowLive) bool { return l.Reverse.Lost > 10 && l.RoundTrip.Lost == 0 && l.Clean > 20*ms })
	if worst, d := l.Worst(); d != Reverse && worst != l.Open {
		t.Errorf("worst in direction %v, want reverse", d)
	}
	r := s.Stop()
	if _, back := net.lost(); r.Flows[0].Reverse.Lost != uint64(back)+r.Flows[0].TooLate {
		t.Errorf("%d lost on the way back, %d of them too late, the relay dropped %d", r.Flows[0].Reverse.Lost, r.Flows[0].TooLate, back)
	}
	if after := s.Live()[0]; after.Totals != r.Flows[0].Totals {
		t.Errorf("live after the end %+v, result %+v", after.Totals, r.Flows[0].Totals)
	}
	if again := s.Stop(); !reflect.DeepEqual(again, r) {
		t.Error("a second Stop gave another result")
	}
}

// Nobody answers at the target: everything is lost, nothing hangs, no verdict is
// good.
func TestNobodyThere(t *testing.T) {
	// A socket that is connected elsewhere keeps its port from everybody, and
	// takes nothing from the sender.
	silent, err := net.Dial("udp4", "127.0.0.1:9")
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	closed := silent.LocalAddr().String()
	s, err := NewSender(Config{Flows: []Flow{{To: closed}}, Tmax: 100 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	for s.Live()[0].Lost < 20 {
		runtime.Gosched()
	}
	r := s.Stop()
	f := r.Flows[0]
	if f.Received != 0 || f.Lost != f.Sent || f.RoundTrip.Lost != f.Lost || len(f.Outages) != 1 || !f.Outages[0].OpenStart || !f.Outages[0].OpenEnd {
		t.Errorf("%+v %+v, want everything lost in one outage without ends", f.Totals, f.Outages)
	}
	if ok, _ := Verdict(r, time.Hour); ok {
		t.Error("a flow without one answer must not pass")
	}
	if ok, _ := Verdict(Result{}, time.Hour); ok {
		t.Error("a measurement of nothing must not pass")
	}
}

// The last packets are lost: a closing packet tells on which way.
func TestClosingPacketsTellTheDirection(t *testing.T) {
	reflector := serve(t, ReflectorConfig{})
	var sender *Sender
	var stopped atomic.Bool
	net := newRelay(t, reflector.Addr(), func(_ int, seq uint32, back bool) bool {
		return !back && seq >= 100 && !stopped.Load()
	})
	done := net.until(140)
	net.start()
	r := measure(t, Config{Flows: []Flow{{To: net.front.LocalAddr().String(), Reflector: ReflectorStateful}}, Tmax: 3 * time.Second}, done,
		func(s *Sender) {
			sender = s
			s.stopping.Store(true)
			<-s.paced
			stopped.Store(true)
		})
	there, _ := net.lost()
	f := r.Flows[0]
	if f.Forward.Lost != uint64(there) || f.RoundTrip.Lost != 0 || there < 41 {
		t.Errorf("%+v, want the %d that the relay dropped on the way there", f.Totals, there)
	}
	if o := f.Outages[0]; o.OpenEnd || o.Upper == 0 {
		t.Errorf("%+v, want an end", o)
	}
	if closing := uint64(sender.flows[0].streams[0].records.sent.Load()) - f.Sent; closing == 0 {
		t.Error("no closing packet was sent")
	}
}

// A measurement that ends in the middle of an outage: what is sent after it, to
// learn when the way is open again, is told apart from what it lost.
func TestClosingPacketsAreToldApart(t *testing.T) {
	reflector := serve(t, ReflectorConfig{})
	net := newRelay(t, reflector.Addr(), func(_ int, seq uint32, back bool) bool { return !back && seq >= 100 })
	done := net.until(140)
	net.start()
	r := measure(t, Config{Flows: []Flow{{To: net.front.LocalAddr().String(), Reflector: ReflectorStateful}}, Tmax: 500 * time.Millisecond}, done)
	there, _ := net.lost()
	f := r.Flows[0]
	if f.Closing == 0 || f.Lost+f.Closing != uint64(there) || f.Sent != f.Received+f.Lost+f.Voided {
		t.Errorf("%d lost and %d closing, and the relay dropped %d: %+v", f.Lost, f.Closing, there, f.Totals)
	}
}

// More flows than cores, over both families, with padding and marks; the result
// survives JSON.
func TestManyFlowsAndJSON(t *testing.T) {
	four, six := serve(t, ReflectorConfig{}), serve(t, ReflectorConfig{Listen: "[::1]:0"})
	cfg := Config{Rate: 200, Size: 200, DSCP: 46, Tmax: maxTmax, SSID: 7}
	for i := range 6 {
		to := four.Addr()
		if i%2 == 1 {
			to = six.Addr()
		}
		cfg.Flows = append(cfg.Flows, Flow{Name: fmt.Sprintf("flow-%d", i), To: to.String(), Ports: 1 + i%3})
	}
	s, err := NewSender(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, label := range []string{MarkDownload, MarkStaged, MarkRun, MarkSwitched, MarkAcceptance} {
		s.Mark(label, s.base.Add(time.Duration(len(label))*ms))
	}
	for live := s.Live(); ; live = s.Live() {
		least := live[0].Received
		for _, l := range live {
			least = min(least, l.Received)
		}
		if least > 40 {
			break
		}
		runtime.Gosched()
	}
	r := s.Stop()
	for _, f := range r.Flows {
		if f.Lost != 0 || f.Received != f.Sent || f.Reflector != ReflectorStateful || f.Delay.Count != f.Sent || f.Delay.Min <= 0 {
			t.Errorf("%s: %+v %v %+v", f.Name, f.Totals, f.Reflector, f.Delay)
		}
	}
	if ok, worst := Verdict(r, 0); !ok || worst.Lost != 0 {
		t.Errorf("verdict %v %+v", ok, worst)
	}
	if r.Resolution() != 15*ms || r.Totals().Sent == 0 || len(r.Marks) != 5 {
		t.Errorf("resolution %v, totals %+v, marks %v", r.Resolution(), r.Totals(), r.Marks)
	}
	text, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var back Result
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	r.Start = r.Start.Round(0) // JSON keeps no monotonic reading
	if !back.Start.Equal(r.Start) {
		t.Errorf("start %v became %v", r.Start, back.Start)
	}
	back.Start = r.Start
	if !reflect.DeepEqual(back, r) {
		t.Errorf("through JSON:\n got %+v\nwant %+v", back, r)
	}
}

func TestConfigErrors(t *testing.T) {
	for want, cfg := range map[string]Config{
		"no flow":               {},
		"has no target":         {Flows: []Flow{{Name: "a"}}},
		"two flows are named":   {Flows: []Flow{{Name: "a", To: "192.0.2.1"}, {Name: "a", To: "192.0.2.2"}}},
		"rate 10001":            {Flows: []Flow{{To: "192.0.2.1"}}, Rate: 10001},
		"rate -1":               {Flows: []Flow{{To: "192.0.2.1", Rate: -1}}},
		"1025 source ports":     {Flows: []Flow{{To: "192.0.2.1", Ports: 1025}}},
		"from 65530":            {Flows: []Flow{{To: "192.0.2.1", Ports: 10, SourcePort: 65530}}},
		"packet size 45 octets": {Flows: []Flow{{To: "192.0.2.1"}}, Size: 45},
		"packet size 20 octets": {Flows: []Flow{{To: "192.0.2.1"}}, Size: 20},
		"DSCP 64":               {Flows: []Flow{{To: "192.0.2.1"}}, DSCP: 64},
		"waiting threshold 5s":  {Flows: []Flow{{To: "192.0.2.1"}}, Tmax: 5 * time.Second},
		"negative":              {Flows: []Flow{{To: "192.0.2.1"}}, Sustain: -1},
		"target":                {Flows: []Flow{{To: "192.0.2.1:port"}}},
		"source":                {Flows: []Flow{{To: "192.0.2.1", From: "no.such.address."}}},
	} {
		s, err := NewSender(cfg)
		if err == nil {
			s.Stop()
			t.Errorf("%q: no error", want)
		} else if !strings.Contains(err.Error(), want) {
			t.Errorf("error %q does not say %q", err, want)
		}
	}
}

// A sender that was never started can be stopped, and one whose context ends
// stops sending.
func TestStartAndStop(t *testing.T) {
	reflector := serve(t, ReflectorConfig{})
	cfg := Config{Flows: []Flow{{To: reflector.Addr().String(), Reflector: ReflectorStateful}}, Tmax: maxTmax}
	s, err := NewSender(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if r := s.Stop(); r.Totals().Sent != 0 {
		t.Errorf("%+v", r)
	}
	if err := s.Start(t.Context()); err == nil {
		t.Error("a stopped sender was started")
	}
	ctx, cancel := context.WithCancel(t.Context())
	if s, err = NewSender(cfg); err != nil {
		t.Fatal(err)
	}
	if err := s.Start(ctx); err != nil {
		t.Fatal(err)
	}
	for s.Live()[0].Received == 0 {
		runtime.Gosched()
	}
	cancel()
	<-s.paced
	if r := s.Stop(); r.Totals().Sent == 0 || r.Totals().Lost != 0 {
		t.Errorf("%+v", r.Totals())
	}
}

// What a failed send means: a network that is not there is loss, a host without
// room is void.
// Source: from memory, udp(7) and send(2): which errors come from where.
func TestTroubles(t *testing.T) {
	for err, want := range map[error]sendTrouble{
		nil:                     troubleNone,
		syscall.ECONNREFUSED:    troublePending,
		syscall.ENETUNREACH:     troubleUnreachable,
		syscall.EHOSTUNREACH:    troubleUnreachable,
		syscall.ENETDOWN:        troubleUnreachable,
		syscall.ENOBUFS:         troubleHost,
		syscall.EAGAIN:          troubleHost,
		syscall.EPERM:           troubleHost,
		errors.New("any other"): troubleHost,
	} {
		if err != nil {
			err = fmt.Errorf("send: %w", err)
		}
		if got := troubleOf(err); got != want {
			t.Errorf("%v is trouble %d, want %d", err, got, want)
		}
	}
}

// A flow whose sends fail for want of a way loses them on the way there, even
// before a reply says so.
func TestUnreachableIsForwardLoss(t *testing.T) {
	s, err := NewSender(Config{Flows: []Flow{{To: "127.0.0.1:9", Reflector: ReflectorStateful}}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Stop()
	r := s.flows[0].streams[0].records
	for i := range uint32(30) {
		seq, _ := r.begin(i, 0, false)
		if i >= 10 && i < 20 {
			r.flag(seq, stateUnreachable)
			continue
		}
		number := i
		if i >= 20 {
			number -= 10
		}
		r.answer(reply{seq: seq, number: number, arrived: time.Duration(i+1) * ms}, time.Second)
	}
	a := Analyse(r.window(0, 0), s.params(s.flows[0]))
	if a.Forward.Lost != 10 || a.Voided != 0 || len(a.Voids) != 0 || a.Outages[0].ByLoss != 10*ms {
		t.Errorf("%+v, want 10 lost on the way there", a)
	}
}
