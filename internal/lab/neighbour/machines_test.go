package neighbour

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// mk builds a machine that stands alone and has been started.
func mk[M Machine](t testing.TB, own, other Speaker) M {
	t.Helper()
	m, ok := own.build(base{rng: rand.New(rand.NewPCG(1, 2))}, other).(M)
	if !ok {
		t.Fatalf("%T builds another machine", own)
	}
	m.Start(epoch, StartFresh)
	return m
}

// said returns the messages of one kind among what a machine sends.
func said[T Message](m Machine) (out []T) {
	for _, msg := range m.Take() {
		if p, ok := msg.(T); ok {
			out = append(out, p)
		}
	}
	return out
}

// TestBFDTransitions is the whole table of states and received states.
// Source: RFC 5880 §6.8.6, §6.2.
func TestBFDTransitions(t *testing.T) {
	want := map[[2]bfdState]bfdState{
		{bfdAdminDown, bfdAdminDown}: bfdAdminDown, {bfdAdminDown, bfdDown}: bfdAdminDown, {bfdAdminDown, bfdInit}: bfdAdminDown, {bfdAdminDown, bfdUp}: bfdAdminDown,
		{bfdDown, bfdAdminDown}: bfdDown, {bfdDown, bfdDown}: bfdInit, {bfdDown, bfdInit}: bfdUp, {bfdDown, bfdUp}: bfdDown,
		{bfdInit, bfdAdminDown}: bfdDown, {bfdInit, bfdDown}: bfdInit, {bfdInit, bfdInit}: bfdUp, {bfdInit, bfdUp}: bfdUp,
		{bfdUp, bfdAdminDown}: bfdDown, {bfdUp, bfdDown}: bfdDown, {bfdUp, bfdInit}: bfdUp, {bfdUp, bfdUp}: bfdUp,
	}
	if len(want) != 16 {
		t.Fatalf("the table has %d cells, want 16", len(want))
	}
	for cell, next := range want {
		m := mk[*bfd](t, BFD{}, BFD{})
		m.state = cell[0]
		m.Hear(epoch, bfdPacket{state: cell[1], mult: 3, mine: 9, yours: m.mine, minTx: sec, minRx: sec})
		if m.state != next {
			t.Errorf("in %v, hearing %v: got %v, want %v", cell[0], cell[1], m.state, next)
		}
	}
}

// Source: RFC 5880 §6.8.6: what is discarded.
func TestBFDDiscards(t *testing.T) {
	for name, p := range map[string]bfdPacket{
		"multiplier zero":                   {state: bfdDown, mine: 9},
		"my discriminator zero":             {state: bfdDown, mult: 3},
		"another session":                   {state: bfdDown, mult: 3, mine: 9, yours: 77},
		"your discriminator zero, not down": {state: bfdInit, mult: 3, mine: 9},
	} {
		m := mk[*bfd](t, BFD{}, BFD{})
		if m.Hear(epoch, p); m.state != bfdDown || m.heard {
			t.Errorf("%s: got %v heard %v, want it discarded", name, m.state, m.heard)
		}
	}
}

// TestBFDIntervals: at least a second while not Up, and none at all to a peer
// that wants none. Source: RFC 5880 §6.8.3, §6.8.7.
func TestBFDIntervals(t *testing.T) {
	m := mk[*bfd](t, BFD{DesiredMinTx: 10 * ms}, BFD{})
	if m.period() != sec || m.detection() != 0 {
		t.Errorf("not Up: sends each %v and detects after %v, want 1s and never", m.period(), m.detection())
	}
	m.Hear(epoch, bfdPacket{state: bfdInit, mult: 3, mine: 9, yours: m.mine, minTx: 50 * ms, minRx: 50 * ms})
	m.Tick(epoch)
	out := said[bfdPacket](m)
	if m.state != bfdUp || m.period() != 50*ms || len(out) != 1 || !out[0].poll || out[0].minTx != 10*ms {
		t.Fatalf("Up: %v each %v, sent %+v; want a Poll with 10 ms, each 50 ms", m.state, m.period(), out)
	}
	m.Hear(epoch, bfdPacket{state: bfdUp, mult: 3, mine: 9, yours: m.mine, minTx: 50 * ms, final: true})
	if m.poll {
		t.Error("the Poll Sequence goes on after its Final")
	}
	if m.remote.minRx != 0 {
		t.Fatal("the peer wants none")
	}
	for range 100 {
		m.Tick(m.Next())
		if m.state != bfdUp {
			break
		}
		if out := said[bfdPacket](m); len(out) != 0 {
			t.Fatalf("sent %+v to a peer that wants none", out)
		}
	}
	m.Hear(epoch.Add(sec), bfdPacket{state: bfdDown, mult: 3, mine: 9, yours: m.mine, minRx: ms, poll: true})
	if out := said[bfdPacket](m); len(out) != 1 || !out[0].final || out[0].poll {
		t.Errorf("a Poll is answered by %+v, want one Final", out)
	}
}

// TestBFDStretchedThroughPoll: a planned upgrade stretches a session that is
// Up. The device sends more slowly only once the neighbour has agreed, and the
// neighbour detects more slowly from the first packet that says so.
// Source: RFC 5880 §6.8.3; RFC 5882 §4.3.2.2.
func TestBFDStretchedThroughPoll(t *testing.T) {
	r := newRig(t, 1, one(BFD{}, BFD{}))
	d, f := r.at(0, device), r.at(0, far)
	r.tell(d, func(m Machine, now time.Time) {
		m.Configure(now, BFD{DesiredMinTx: 10 * sec, RequiredMinRx: 10 * sec, Mult: 50})
	})
	if d.view.Send != 300*ms {
		t.Errorf("before the Poll Sequence ends it sends each %v, want 300ms", d.view.Send)
	}
	r.pass(sec)
	if d.view.Send != 10*sec || f.view.Detect != 500*sec || d.view.Detect != 30*sec || f.view.Send != 10*sec || !f.view.Up {
		t.Errorf("stretched: device %+v far %+v", d.view, f.view)
	}
	r.silent(2*time.Minute, Synchronised)
	if o := r.result(0); o.Result != Held {
		t.Errorf("two minutes of 500 s: %+v, want held", o)
	}
	// Back to quick: the neighbour must not detect by the old slow packets.
	r.tell(d, func(m Machine, now time.Time) { m.Configure(now, BFD{}) })
	r.pass(time.Minute)
	if !d.view.Up || !f.view.Up || f.ups != 1 || f.view.Detect != 900*ms || d.view.Send != 300*ms {
		t.Errorf("restored: device %+v far %+v, came up %d times", d.view, f.view, f.ups)
	}
}

// TestBFDQuickensThroughPoll: an end that wants to detect sooner goes on
// detecting by the old interval until the other has agreed.
// Source: RFC 5880 §6.8.3.
func TestBFDQuickensThroughPoll(t *testing.T) {
	m := mk[*bfd](t, BFD{RequiredMinRx: 10 * sec}, BFD{})
	p := bfdPacket{state: bfdInit, mult: 3, mine: 9, yours: m.mine, minTx: 300 * ms, minRx: 300 * ms}
	m.Hear(epoch, p)
	p.state, p.final = bfdUp, true
	m.Hear(epoch, p)
	m.Configure(epoch, BFD{})
	p.final = false
	if m.Hear(epoch, p); m.detection() != 30*sec {
		t.Errorf("before the Poll Sequence ends: detects after %v, want 30s", m.detection())
	}
	p.final = true
	if m.Hear(epoch, p); m.detection() != 900*ms {
		t.Errorf("when it has ended: detects after %v, want 900ms", m.detection())
	}
}

// TestBGPOpens: hold times that are refused and agreed.
// Source: RFC 4271 §4.2, §6.2.
func TestBGPOpens(t *testing.T) {
	open := func(hold time.Duration) *bgp {
		m := mk[*bgp](t, BGP{Passive: true}, BGP{})
		m.Hear(epoch, bgpConnection{conn: 5})
		if m.state != bgpOpenSent || m.holdAt.Sub(epoch) != 4*time.Minute {
			t.Fatalf("before the OPEN: %v with hold timer %v, want OPENSENT and 4 minutes", m.state, m.holdAt.Sub(epoch))
		}
		m.Take()
		m.Hear(epoch, bgpOpen{conn: 5, hold: hold})
		return m
	}
	for _, hold := range []time.Duration{sec, 2 * sec} {
		m := open(hold)
		if n := said[bgpNotification](m); m.state != bgpActive || len(n) != 1 || n[0].code != 2 || n[0].sub != 6 {
			t.Errorf("hold %v: %v, sent %+v; want it refused with 2/6", hold, m.state, n)
		}
	}
	for hold, want := range map[time.Duration]time.Duration{0: 0, 3 * sec: 3 * sec, 90 * sec: 90 * sec, 180 * sec: 90 * sec} {
		m := open(hold)
		if m.state != bgpOpenConfirm || m.hold != want {
			t.Errorf("hold %v: %v with %v, want OPENCONFIRM with %v", hold, m.state, m.hold, want)
		}
		if want == 0 && (!m.keepAt.IsZero() || !m.holdAt.IsZero()) {
			t.Error("hold 0: there are timers")
		}
	}
}

// Source: RFC 4271 §4.2: zero means no detection at all.
func TestBGPWithoutHoldTimeStandsAnySilence(t *testing.T) {
	r := newRig(t, 1, bgpPair(BGP{NoHold: true}, BGP{}))
	r.silent(6*time.Hour, Synchronised)
	if o := r.result(0); o.Result != Held || o.Detect != 0 {
		t.Errorf("got %+v, want held", o)
	}
}

// TestOSPFMismatch: a Hello that does not agree is dropped, so a change of the
// intervals at one end loses the adjacency after the dead interval.
// Source: RFC 2328 §10.5.
func TestOSPFMismatch(t *testing.T) {
	r := newRig(t, 1, ospfPair(OSPF{}, OSPF{}))
	d, f := r.at(0, device), r.at(0, far)
	r.tell(d, func(m Machine, now time.Time) { m.Configure(now, OSPF{Hello: 5 * sec}) })
	last := f.lastHeard
	r.pass(last.Add(40 * sec).Sub(r.now))
	if f.view.Up || f.view.Why != "RouterDeadInterval expired" {
		t.Errorf("40 s after the last Hello that agreed: %+v, want it dead", f.view)
	}
	r.pass(time.Hour)
	if f.view.State != "DOWN" || d.view.State != "DOWN" {
		t.Errorf("ends that disagree: %s and %s, want DOWN", d.view.State, f.view.State)
	}
	r.tell(d, func(m Machine, now time.Time) { m.Configure(now, OSPF{}) })
	r.pass(time.Minute)
	if !f.view.Up || !d.view.Up {
		t.Errorf("ends that agree again: %s and %s, want FULL", d.view.State, f.view.State)
	}
}

// TestOSPFExchange walks the database exchange by hand.
// Source: RFC 2328 §10.6, §10.8.
func TestOSPFExchange(t *testing.T) {
	m := mk[*ospf](t, OSPF{Master: true}, OSPF{})
	hello := ospfHello{hello: 10 * sec, dead: 40 * sec}
	states := []ospfState{m.state}
	hear := func(msg Message) {
		m.Hear(epoch, msg)
		states = append(states, m.state)
	}
	hear(hello)
	hello.sees = true
	hear(hello)
	first := said[ospfDBD](m)
	if len(first) != 1 || !first[0].init || !first[0].more || !first[0].master {
		t.Fatalf("the negotiation begins with %+v, want I, M and MS", first)
	}
	hear(ospfDBD{init: true, more: true, master: true, seq: 4711}) // the slave's own try
	hear(ospfDBD{seq: first[0].seq})
	hear(ospfDBD{seq: first[0].seq + 1})
	hear(ospfUpdate{})
	if want := []ospfState{ospfDown, ospfInit, ospfExStart, ospfExStart, ospfExchange, ospfLoading, ospfFull}; !slices.Equal(states, want) {
		t.Errorf("states %v, want %v", states, want)
	}
	hear(ospfDBD{seq: first[0].seq}) // a duplicate from the slave
	if m.state != ospfFull {
		t.Errorf("after a duplicate: %v, want FULL", m.state)
	}
	hear(ospfDBD{init: true, more: true, master: true, seq: 1})
	if m.state != ospfExStart {
		t.Errorf("after a new negotiation: %v, want EXSTART (SeqNumberMismatch)", m.state)
	}
	// Lost messages are repeated each RxmtInterval.
	m.Take()
	m.Tick(epoch.Add(5 * sec))
	if again := said[ospfDBD](m); len(again) != 1 || !again[0].init {
		t.Errorf("after 5 s: repeated %+v, want the first description", again)
	}
	hello.sees = false
	hear(hello)
	if m.state != ospfInit {
		t.Errorf("a Hello that does not list us: %v, want INIT (1-WayReceived)", m.state)
	}
}

// TestISISThreeWay is the table of three-way states.
// Source: RFC 5303 §3.2; from memory, its cell for Down hearing Up.
func TestISISThreeWay(t *testing.T) {
	for cell, next := range map[[2]isisState]isisState{
		{isisDown, isisDown}: isisInit, {isisDown, isisInit}: isisUp, {isisDown, isisUp}: isisDown,
		{isisInit, isisDown}: isisInit, {isisInit, isisInit}: isisUp, {isisInit, isisUp}: isisUp,
		{isisUp, isisDown}: isisInit, {isisUp, isisInit}: isisUp, {isisUp, isisUp}: isisUp,
	} {
		m := mk[*isis](t, ISIS{PointToPoint: true}, ISIS{PointToPoint: true})
		m.state = cell[0]
		if m.Hear(epoch, isisHello{hold: 30 * sec, state: cell[1]}); m.state != next {
			t.Errorf("in %v, hearing %v: got %v, want %v", cell[0], cell[1], m.state, next)
		}
	}
}

// TestISISHoldsByTheSendersTime: the two directions may differ.
// Source: RFC 3719 §2.2.
func TestISISHoldsByTheSendersTime(t *testing.T) {
	r := newRig(t, 1, one(ISIS{Hello: 3 * sec, Mult: 3}, ISIS{Hello: 10 * sec, Mult: 6}))
	if d, f := r.at(0, device).view.Detect, r.at(0, far).view.Detect; d != 60*sec || f != 9*sec {
		t.Errorf("device holds %v and neighbour %v, want 60s and 9s", d, f)
	}
}

// TestVRRP: resigning, preemption and who answers whom.
// Source: RFC 5798 §6.4; RFC 9568 §6.4.3.
func TestVRRP(t *testing.T) {
	// The active router resigns: the backup waits its skew only.
	r := newRig(t, 1, vrrpPair(VRRP{Priority: 250}, VRRP{Priority: 200}))
	r.somewhen(10 * sec)
	d, f := r.at(0, device), r.at(0, far)
	if d.view.Role != "active" || f.view.Role != "backup" {
		t.Fatalf("roles %s and %s, want active and backup", d.view.Role, f.view.Role)
	}
	from := r.now
	r.tell(d, func(m Machine, now time.Time) { m.Stop(now) })
	r.pass(time.Minute)
	if got, want := f.view.Role, "active"; got != want {
		t.Errorf("after the resignation the backup is %s, want %s", got, want)
	}
	// 200: skew 21.875 cs.
	i := slices.IndexFunc(r.changes, func(c Change) bool { return c.Far && c.Role == "active" })
	if i < 0 {
		t.Fatalf("no change to active among %+v", r.changes)
	}
	if got := r.changes[i].At.Sub(from) - DefaultLatency; got != 218750*time.Microsecond {
		t.Errorf("took over after %v, want 218.75ms", got)
	}
	r.tell(d, func(m Machine, now time.Time) { m.Start(now, StartFresh) })
	r.pass(10 * sec)
	if d.view.Role != "active" || f.view.Role != "backup" {
		t.Errorf("back again: %s and %s, want preemption", d.view.Role, f.view.Role)
	}

	// A frozen active router yields nothing: it believes in itself and says so
	// at once. Source: measured on a daemon.
	r.silent(5*sec, Synchronised)
	if f.view.Role != "active" || d.view.Role != "active" {
		t.Errorf("at waking: %s and %s, want two active ones", d.view.Role, f.view.Role)
	}
	r.pass(ms)
	if f.view.Role != "backup" || d.view.Role != "active" {
		t.Errorf("after the first advertisement: %s and %s, want the neighbour to yield", d.view.Role, f.view.Role)
	}

	// The device as backup: its silence harms nobody, and reading what waits
	// keeps it from promoting itself.
	r = newRig(t, 1, vrrpPair(VRRP{Priority: 100}, VRRP{Priority: 200}))
	r.silent(20*sec, Synchronised)
	if o := r.result(0); o.Result != Held || r.at(0, device).view.Role != "backup" {
		t.Errorf("a silent backup: %+v as %s, want held as backup", o, r.at(0, device).view.Role)
	}

	m := mk[*vrrp](t, VRRP{NoPreempt: true, Priority: 200}, VRRP{})
	if m.Hear(epoch.Add(sec), vrrpAdvert{priority: 1, interval: 2 * sec}); m.down() != 6*sec+437500*time.Microsecond {
		t.Errorf("without preemption a lower priority counts too: down interval %v, want 6.4375s", m.down())
	}
	m = mk[*vrrp](t, VRRP{Priority: 200}, VRRP{})
	at := m.downAt
	if m.Hear(epoch.Add(sec), vrrpAdvert{priority: 1, interval: 2 * sec}); m.downAt != at {
		t.Error("with preemption a lower priority does not count")
	}
	if m = mk[*vrrp](t, VRRP{Priority: 255}, VRRP{}); m.state != vrrpActive {
		t.Errorf("the owner starts as %v, want ACTIVE", m.state)
	}
	m.Take()
	if m.Hear(epoch, vrrpAdvert{priority: 100, interval: sec}); len(said[vrrpAdvert](m)) != 1 {
		t.Error("an active router answers a lower priority at once")
	}
	if m.Hear(epoch, vrrpAdvert{priority: 0, interval: sec}); len(said[vrrpAdvert](m)) != 1 {
		t.Error("an active router answers a resignation at once")
	}
}

// TestLACPExpires: CURRENT, EXPIRED at once out of sync, DEFAULTED after
// another short timeout; and the way back with its wait.
// Source: IEEE 802.1AX-2020 6.4, as quoted by implementations.
func TestLACPExpires(t *testing.T) {
	r := newRig(t, 1, one(LACP{System: "a"}, LACP{System: "b", Short: true}))
	f := r.at(0, far)
	m, _ := f.machine.(*lacp)
	r.silence()
	r.pass(ms)
	r.advance(f.lastHeard.Add(3 * sec))
	if m.rx != rxExpired || m.actor.distributing || m.actor.collecting || m.partner.sync || !m.partner.short || f.view.Up {
		t.Errorf("3 s: %v %+v partner %+v, want EXPIRED and out of the aggregate", m.rx, m.actor, m.partner)
	}
	// A message now brings it back at once: it is attached still.
	r.wake(Synchronised)
	woke := r.now
	r.pass(10 * ms)
	if m.rx != rxCurrent || !f.view.Up {
		t.Errorf("woken after 3 s: %v %v after %v, want CURRENT and distributing at once", m.rx, m.mux, r.now.Sub(woke))
	}
	r.pass(10 * sec)

	r.silence()
	r.pass(ms)
	r.advance(f.lastHeard.Add(6*sec - 1))
	if m.rx != rxExpired {
		t.Errorf("just before 6 s: %v, want EXPIRED", m.rx)
	}
	r.pass(1)
	if m.rx != rxDefaulted || m.mux != muxDetached || m.partner != (lacpInfo{}) {
		t.Errorf("6 s: %v %v, want DEFAULTED and detached", m.rx, m.mux)
	}
	r.wake(Synchronised)
	woke = r.now
	for !f.view.Up {
		r.advance(r.next())
	}
	if got := r.now.Sub(woke); got < 2*sec || got > 2*sec+10*ms {
		t.Errorf("back in the aggregate %v after waking, want the wait of 2 s", got)
	}
	if o := r.result(0); o.Result != Dropped || o.Why != "current_while expired" {
		t.Errorf("got %+v, want dropped by current_while", o)
	}
}

// TestLACPSpeaksAtMostThreeTimesASecond, whatever the partner does.
// Source: IEEE 802.1AX, the transmit machine's limit.
func TestLACPSpeaksAtMostThreeTimesASecond(t *testing.T) {
	m := mk[*lacp](t, LACP{System: "a"}, LACP{System: "b"})
	sent := len(said[lacpPDU](m))
	now := epoch
	for i := range 40 { // it is made to speak each 20 ms
		now = epoch.Add(time.Duration(i) * 20 * ms)
		m.Hear(now, lacpPDU{actor: lacpInfo{system: "b", aggregates: true, active: true}})
		sent += len(said[lacpPDU](m))
	}
	if sent != 3 {
		t.Errorf("sent %d within %v, want 3", sent, now.Sub(epoch))
	}
	for m.Next().Before(epoch.Add(1100 * ms)) {
		m.Tick(m.Next())
		sent += len(said[lacpPDU](m))
	}
	if sent < 4 {
		t.Error("what the limit held back was never sent")
	}
}

// TestRSTPTakesOverAndYields: the root falls silent, the neighbour takes over
// after three hello times, and yields to the first BPDU.
// Source: IEEE 802.1D-2004 17.21; measured on an implementation.
func TestRSTPTakesOverAndYields(t *testing.T) {
	r := newRig(t, 1, one(RSTP{Priority: 4096, Bridge: "a"}, RSTP{Bridge: "b"}))
	d, f := r.at(0, device), r.at(0, far)
	if !d.view.RSTP.Root || f.view.RSTP.Root || d.view.Role != "designated" || f.view.Role != "root" || f.view.RSTP.RootBridge != "a" || f.view.RSTP.RootPrio != 4096 {
		t.Fatalf("at first: %+v %+v", d.view, f.view)
	}
	before := f.view.RSTP.Changes
	r.silence()
	r.pass(20 * sec)
	if f.view.Role != "designated" || !f.view.RSTP.Root || f.view.State == "FORWARDING" {
		t.Errorf("after 20 s: %+v, want the neighbour root, not yet forwarding", f.view)
	}
	r.wake(Synchronised)
	r.pass(ms)
	if f.view.Role != "root" || f.view.State != "FORWARDING" || f.view.RSTP.Root {
		t.Errorf("after the first BPDU: %+v, want it to yield and forward", f.view)
	}
	r.pass(sec)
	if d.view.RSTP.Changes == 0 || f.view.RSTP.Changes != before+1 {
		t.Errorf("topology changes: device %d, neighbour %d of %d before; want it counted once", d.view.RSTP.Changes, f.view.RSTP.Changes, before)
	}
	// Two forward delays without anybody to agree.
	r.silence()
	r.pass(6*sec + 2*sec + 30*sec)
	if f.view.State != "FORWARDING" || f.view.Role != "designated" {
		t.Errorf("after 38 s: %+v, want it forwarding as designated", f.view)
	}
}

// TestTopologyChangeIsCountedOnce for as long as it is told.
// Source: IEEE 802.1D-2004 17.21.7: hello time plus one second.
func TestTopologyChangeIsCountedOnce(t *testing.T) {
	r := newRig(t, 1, one(RSTP{Priority: 4096}, RSTP{}))
	d := r.at(0, device)
	before := *d.view.RSTP
	r.somewhen(sec)
	r.tell(r.at(0, far), func(m Machine, now time.Time) { m.TopologyChange(now) })
	at := r.now
	r.pass(time.Minute)
	if got := d.view.RSTP.Changes - before.Changes; got != 1 {
		t.Errorf("counted %d changes, want 1", got)
	}
	if got := d.view.RSTP.LastChange.Sub(at); got < 0 || got > 3*sec {
		t.Errorf("last told %v after the change, want within 3 s", got)
	}
	if !d.view.Up || !r.at(0, far).view.Up {
		t.Error("a change elsewhere took the port down")
	}
}

// TestGoodbyes: an end that is switched off says so where its protocol can, and
// the other knows at once.
func TestGoodbyes(t *testing.T) {
	for _, tc := range []struct {
		name string
		cfg  Config
	}{
		{"bgp", bgpPair(BGP{}, BGP{})},
		{"bgp with graceful restart and N bit", bgpPair(BGP{Restart: true, Notification: true}, BGP{Helper: true, Notification: true})},
		{"ospf", ospfPair(OSPF{}, OSPF{})},
		{"isis", one(ISIS{}, ISIS{})},
		{"isis point-to-point", one(ISIS{PointToPoint: true}, ISIS{PointToPoint: true})},
		{"bfd", one(BFD{}, BFD{})},
		{"lacp", one(LACP{System: "a"}, LACP{System: "b"})},
		{"lldp", one(LLDP{}, LLDP{})},
		{"pim", one(PIM{}, PIM{})},
		{"ldp", ldpPair(LDP{}, LDP{})},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := newRig(t, 1, tc.cfg)
			r.pass(20 * sec) // LACP may speak again
			d, f := r.at(0, device), r.at(0, far)
			r.tell(d, func(m Machine, now time.Time) { m.Stop(now) })
			r.pass(2 * DefaultLatency)
			if d.view.Up || f.view.Up || f.view.Carrying {
				t.Errorf("device %+v far %+v, want both down at once", d.view, f.view)
			}
			r.pass(5 * time.Minute)
			if d.view.Up || f.view.Up {
				t.Errorf("device %+v far %+v, want it to stay down", d.view, f.view)
			}
			r.tell(d, func(m Machine, now time.Time) { m.Start(now, StartFresh) })
			r.pass(5 * time.Minute)
			if !d.view.Up || !f.view.Up {
				t.Errorf("device %+v far %+v, want it back", d.view, f.view)
			}
		})
	}
}

// TestAdminDownIsToldAndHarmsNoClient. Source: RFC 5880 §6.8.16; RFC 5882 §3.2.
func TestAdminDownIsToldAndHarmsNoClient(t *testing.T) {
	session := one(BFD{}, BFD{})
	client := bgpPair(BGP{}, BGP{})
	client.BFD = session.Key()
	r := newRig(t, 1, session, client)
	r.tell(r.at(0, device), func(m Machine, now time.Time) { m.Stop(now) })
	r.pass(time.Hour)
	for s, n := range r.adjs[0].ends {
		if n.view.Up || !n.view.Admin {
			t.Errorf("session at end %d: %+v, want it down by will", s, n.view)
		}
		if c := r.at(1, side(s)); !c.view.Up || c.ups != 1 {
			t.Errorf("client at end %d: %+v, want it undisturbed", s, c.view)
		}
	}
	if got := r.at(0, far).view.Remote; got != "ADMIN_DOWN" {
		t.Errorf("an hour later the neighbour last heard %q, want ADMIN_DOWN still told", got)
	}
}
