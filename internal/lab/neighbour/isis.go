package neighbour

import (
	"fmt"
	"time"
)

// ISIS is one end of an adjacency on a LAN or a point-to-point circuit. Zero
// values mean the circuit's standard timers: 3 s times 10 on a LAN, 10 s times
// 3 on a point-to-point circuit.
// Source: ISO/IEC 10589 by way of RFC 1142 §7.5.1 and RFC 4444; RFC 5303; RFC 8706.
type ISIS struct {
	PointToPoint bool
	Hello        time.Duration // of an ordinary system; the designated one sends three times as often
	Mult         int
	Designated   bool // designated intermediate system of the LAN
	// Restart says that this end signals its restarts, Helper that it keeps the
	// adjacency through those of the other; Planned is the time it asks for when
	// it announces one.
	Restart bool
	Helper  bool
	Planned time.Duration
}

const (
	isisT1      = 3 * time.Second     // RFC 8706 §3.1
	isisT2      = 60 * time.Second    // RFC 8706 §3.1
	isisT3      = 65535 * time.Second // RFC 8706 §3.1
	isisJitter  = 0.75                // RFC 1142 §10.1: up to a quarter less
	isisPlanned = 120 * time.Second   // common practice
)

// The states of an adjacency. Source: RFC 1142 §8; RFC 5303 §3.2.
type isisState int

const (
	isisDown isisState = iota
	isisInit
	isisUp
)

func (s isisState) String() string {
	return [...]string{"DOWN", "INITIALIZING", "UP"}[s] //nolint:misspell // the word of ISO/IEC 10589 and OpenConfig
}

// isisHello is an IIH with its restart option. Source: RFC 8706 §3.2.
type isisHello struct {
	hold               time.Duration
	state              isisState // three-way state; on a LAN above Down where it lists the receiver
	rr, ra, sa, pr, pa bool
	remaining          time.Duration
}

// isisDatabase stands for the complete CSNP and LSPs that follow a restart
// acknowledgement.
type isisDatabase struct{}

func (isisHello) message()    {}
func (isisDatabase) message() {}

type isis struct {
	base
	cfg   ISIS
	state isisState
	link  bool
	off   bool

	peerHold   time.Duration
	suppressed bool // the other end asks that the adjacency be kept quiet (SA)
	restarted  bool // the other end is in restart mode
	planned    bool // the other end has announced a restart
	helped     uint64

	restarting bool // we send RR
	starting   bool // we send SA
	announced  bool // we send PR
	overload   bool

	helloAt time.Time
	holdAt  time.Time
	t1At    time.Time
	t2At    time.Time
	t3At    time.Time
}

func (ISIS) protocol() string { return "isis" }

func (c ISIS) check() error {
	if c.Hello < 0 || c.Mult < 0 || c.Planned < 0 || c.Planned > isisT3 {
		return fmt.Errorf("hello %v, multiplier %d, planned %v: want nothing negative and planned at most %v", c.Hello, c.Mult, c.Planned, isisT3)
	}
	if c.PointToPoint && c.Designated {
		return fmt.Errorf("designated: found true on a point-to-point circuit, which has none")
	}
	return nil
}

func (c ISIS) pair(other Speaker) error {
	if o, ok := other.(ISIS); ok && (o.PointToPoint != c.PointToPoint || o.Designated && c.Designated) {
		return fmt.Errorf("circuit: found ends of different kinds, or two designated ones")
	}
	return nil
}

func (c ISIS) defaults() ISIS {
	if c.PointToPoint {
		c.Hello, c.Mult = or(c.Hello, 10*time.Second), or(c.Mult, 3)
	} else {
		c.Hello, c.Mult = or(c.Hello, 3*time.Second), or(c.Mult, 10)
	}
	c.Planned = or(c.Planned, isisPlanned)
	return c
}

func (c ISIS) build(b base, _ Speaker) Machine {
	return &isis{base: b, cfg: c.defaults(), link: true}
}

// interval is the longest time between two hellos.
func (m *isis) interval() time.Duration {
	if m.cfg.Designated {
		return m.cfg.Hello / 3 // RFC 4444: 1 s of 3 s
	}
	return m.cfg.Hello
}

// wait draws the time to the next hello; the designated system has no jitter.
func (m *isis) wait() time.Duration {
	if m.cfg.Designated {
		return m.interval()
	}
	return m.within(m.interval(), isisJitter, 1)
}

// holding is the Holding Time that our hellos carry, in whole seconds rounded
// up. Source: RFC 4444; RFC 3719 §2.2.
func (m *isis) holding() time.Duration {
	h := time.Duration(m.cfg.Mult) * m.interval()
	return (h + time.Second - 1).Truncate(time.Second)
}

// Start implements [Machine]. Source: RFC 8706 §3.3, §3.4.
func (m *isis) Start(now time.Time, how Start) {
	m.state, m.off = isisDown, false
	m.peerHold, m.suppressed, m.restarted, m.planned = 0, false, false, false
	m.restarting, m.starting, m.announced, m.overload = false, false, false, false
	m.holdAt, m.t1At, m.t2At, m.t3At = time.Time{}, time.Time{}, time.Time{}, time.Time{}
	m.helloAt = now
	switch {
	case how == StartGraceful && m.cfg.Restart:
		m.restarting = true
		m.t1At, m.t2At, m.t3At = now.Add(isisT1), now.Add(isisT2), now.Add(isisT3)
	case how == StartCold && m.cfg.Restart:
		m.starting = true
		m.t2At = now.Add(isisT2)
	}
}

// hello sends an IIH now.
func (m *isis) hello(now time.Time, edit func(*isisHello)) {
	h := isisHello{hold: m.holding(), state: m.state, rr: m.restarting, sa: m.starting, pr: m.announced}
	if m.announced {
		h.remaining = m.cfg.Planned
	}
	if edit != nil {
		edit(&h)
	}
	m.send(h)
	m.helloAt = now.Add(m.wait())
}

// Announce implements [Machine]. Source: RFC 8706 §3.2.3.
func (m *isis) Announce(now time.Time) {
	if m.cfg.Restart && m.state == isisUp && m.link {
		m.announced = true
		m.hello(now, nil)
	}
}

// Resumed implements [Machine]: an IIH without PR takes the announcement back.
func (m *isis) Resumed(now time.Time) {
	if m.announced {
		m.announced = false
		m.hello(now, nil)
	}
}

// Hear implements [Machine].
func (m *isis) Hear(now time.Time, msg Message) {
	if !m.link || m.off {
		return
	}
	if _, ok := msg.(isisDatabase); ok {
		m.synchronised(now)
		return
	}
	h, ok := msg.(isisHello)
	if !ok {
		return
	}
	if h.ra {
		m.acknowledged(now, h)
	}
	if h.rr && m.cfg.Helper && m.state == isisUp {
		// RFC 8706 §3.2.1: the state is kept; the first request refreshes the
		// holding time, the others do not.
		if !m.restarted {
			m.restarted = true
			m.helped++
			m.arm(now, h.hold)
		}
		m.hello(now, func(a *isisHello) { a.ra, a.remaining = true, m.holdAt.Sub(now) })
		m.send(isisDatabase{})
		return
	}
	m.restarted = false
	m.suppressed = h.sa
	m.arm(now, h.hold)
	if h.pr && m.cfg.Helper && m.state == isisUp {
		// RFC 8706 §3.2.3.
		if !m.planned {
			m.planned = true
			m.hello(now, func(a *isisHello) { a.pa = true })
		}
		m.arm(now, h.remaining)
	} else if m.planned && !h.rr {
		m.planned = false
	}
	next := m.transition(h.state)
	if next < m.state && m.state == isisUp {
		m.why = "the neighbour's hello no longer lists us"
	}
	if next != m.state {
		m.state = next
		// Both ends learn of a change from a hello at once, which is common
		// practice.
		m.hello(now, nil)
	}
}

// transition is the state that follows from the state the other end tells.
func (m *isis) transition(told isisState) isisState {
	if !m.cfg.PointToPoint {
		// RFC 1142 §8.4.2: two-way where the hello lists us.
		if told > isisDown {
			return isisUp
		}
		return isisInit
	}
	// RFC 5303 §3.2, the table of three-way states. Source: from memory, the
	// table's cell for Down hearing Up.
	switch {
	case told == isisDown:
		return isisInit
	case told == isisUp && m.state == isisDown:
		return isisDown
	default:
		return isisUp
	}
}

// arm sets the holding timer. Source: RFC 1142 §8.2.4: the sender's time.
func (m *isis) arm(now time.Time, hold time.Duration) {
	m.peerHold = hold
	m.holdAt = m.hold(now, hold)
}

// acknowledged handles a restart acknowledgement. Source: RFC 8706 §3.3.1.
func (m *isis) acknowledged(now time.Time, h isisHello) {
	if !m.restarting {
		return
	}
	m.t1At = time.Time{}
	if h.remaining > 0 {
		m.t3At = earliest(m.t3At, now.Add(h.remaining))
	}
}

// synchronised is the end of the database's synchronisation: T2 and T3 are
// cancelled. Source: RFC 8706 §3.3.1.
func (m *isis) synchronised(now time.Time) {
	if !m.restarting || !m.t1At.IsZero() {
		return
	}
	m.restarting, m.overload = false, false
	m.t2At, m.t3At = time.Time{}, time.Time{}
	// The neighbour's hello listed us, so the adjacency is up here too.
	m.state = isisUp
	m.hello(now, nil)
}

// BFDDown implements [Machine]. Source: RFC 8706 §3.2.3; RFC 5882 §4.3.
func (m *isis) BFDDown(now time.Time, independent bool) {
	if (m.planned || m.restarted) && !independent {
		return
	}
	if m.state > isisDown {
		m.down(now, "BFD session down")
	}
}

func (m *isis) down(_ time.Time, why string) {
	if m.state == isisUp {
		m.why = why
	}
	m.state = isisDown
	m.holdAt, m.restarted, m.planned, m.suppressed = time.Time{}, false, false, false
}

// TopologyChange implements [Machine]: a neighbour on a LAN should drop a
// designated system that is restarting. Source: RFC 8706 §3.2.3.
func (m *isis) TopologyChange(now time.Time) {
	if m.planned && !m.cfg.PointToPoint && !m.cfg.Designated && m.peerDesignated() {
		m.down(now, "the topology changed during the restart of the designated system")
	}
}

// peerDesignated reports whether the other end is the designated system: on a
// link of two the one that we are not.
func (m *isis) peerDesignated() bool { return !m.cfg.PointToPoint && !m.cfg.Designated }

// Expire implements [Machine].
func (m *isis) Expire(now time.Time) bool {
	was := m.state
	if !m.expire(now) {
		return false
	}
	if m.prof.SelfDrop == SelfDropLocal {
		// An implementation that makes the adjacency anew begins with
		// the middle state, so that a waiting hello brings it up in one step.
		m.state = isisInit
	}
	return was == isisUp
}

func (m *isis) expire(now time.Time) bool {
	if !due(m.holdAt, now) {
		return false
	}
	m.down(now, "holding time expired")
	return true
}

// Tick implements [Machine].
func (m *isis) Tick(now time.Time) {
	m.expire(now)
	if due(m.t1At, now) {
		m.t1At = now.Add(isisT1)
		m.hello(now, nil)
	}
	if due(m.t3At, now) {
		m.t3At, m.overload = time.Time{}, true
	}
	if due(m.t2At, now) {
		m.t2At = time.Time{}
		m.restarting, m.starting = false, false
		m.t1At, m.t3At = time.Time{}, time.Time{}
	}
	if due(m.helloAt, now) {
		m.hello(now, nil)
	}
	if m.starting && m.state == isisUp {
		// The database of a link of two is complete once the adjacency is up.
		m.starting, m.t2At = false, time.Time{}
		m.hello(now, nil)
	}
}

// Next implements [Machine].
func (m *isis) Next() time.Time {
	return earliest(m.helloAt, m.holdAt, m.t1At, m.t2At, m.t3At)
}

// Link implements [Machine].
func (m *isis) Link(now time.Time, up bool) {
	was := m.link
	m.link = up
	if !up && m.state > isisDown {
		m.down(now, "link down")
	} else if up && !was && !m.helloAt.IsZero() {
		m.helloAt = now
	}
}

// Postpone implements [Machine].
func (m *isis) Postpone(now time.Time) { m.helloAt = now.Add(m.wait()) }

// Configure implements [Machine].
func (m *isis) Configure(now time.Time, cfg Speaker) {
	if c, ok := cfg.(ISIS); ok {
		m.cfg = c.defaults()
		m.helloAt = earliest(m.helloAt, now.Add(m.wait()))
	}
}

// Stop implements [Machine]: a last hello that lists nobody, which is common
// practice.
func (m *isis) Stop(now time.Time) {
	m.down(now, "shut down by the operator")
	m.hello(now, nil)
	m.off = true
	m.helloAt, m.t1At, m.t2At, m.t3At = time.Time{}, time.Time{}, time.Time{}, time.Time{}
}

// View implements [Machine].
func (m *isis) View() View {
	up := m.state == isisUp && !m.suppressed
	v := View{
		State: m.state.String(), Up: up, Carrying: up,
		Send: m.interval(), Detect: m.peerHold,
		Helping: m.restarted || m.planned, Restarting: m.restarting, Restarts: m.helped,
		CanRestart: m.cfg.Restart, CanHelp: m.cfg.Helper, Grace: m.peerHold, ForwardingKept: m.cfg.Restart,
		Overload: m.overload, Admin: m.off, Why: m.why,
	}
	if m.cfg.Designated {
		v.Role = "dis"
	}
	return v
}
