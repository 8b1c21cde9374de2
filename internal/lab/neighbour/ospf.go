package neighbour

import (
	"fmt"
	"time"
)

// OSPF is one end of an adjacency on a point-to-point link or towards a
// designated router, version 2 or 3. Zero values mean 10 s, 40 s and the
// usual grace period of 120 s.
// Source: RFC 2328 §10, App. C.3; RFC 5340 App. C.3; RFC 3623; RFC 5187.
type OSPF struct {
	Version int // 2, or 3; 0 means 2
	Hello   time.Duration
	Dead    time.Duration
	// Master decides the database exchange: the end with the higher router id.
	// Exactly one end has it.
	Master bool
	// Restart says that this end restarts gracefully and GracePeriod for how long
	// it asks; Helper that it helps the other, and LaxLSACheck that it goes on
	// helping when the topology changes.
	Restart     bool
	GracePeriod time.Duration
	Helper      bool
	LaxLSACheck bool
}

const (
	ospfRxmt      = 5 * time.Second    // RFC 2328 App. C.3, RxmtInterval
	ospfMaxGrace  = 1800 * time.Second // RFC 3623 §2.1, LSRefreshTime
	ospfGraceTime = 120 * time.Second  // common practice
)

// The states of a neighbour. Source: RFC 2328 §10.1.
type ospfState int

const (
	ospfDown ospfState = iota
	ospfInit
	ospfTwoWay
	ospfExStart
	ospfExchange
	ospfLoading
	ospfFull
)

func (s ospfState) String() string {
	return [...]string{"DOWN", "INIT", "TWO_WAY", "EXSTART", "EXCHANGE", "LOADING", "FULL"}[s]
}

// ospfHello is a Hello; sees says that it lists the receiver.
type ospfHello struct {
	hello, dead time.Duration
	sees        bool
}

// ospfDBD is a Database Description without the descriptions.
type ospfDBD struct {
	init, more, master bool
	seq                uint32
}

// ospfRequest and ospfUpdate stand for the loading of a database.
type (
	ospfRequest struct{}
	ospfUpdate  struct{}
)

// ospfGrace is a Grace-LSA; flush says that it has been flushed.
// Source: RFC 3623 App. A.
type ospfGrace struct {
	period time.Duration
	flush  bool
}

func (ospfHello) message()   {}
func (ospfDBD) message()     {}
func (ospfRequest) message() {}
func (ospfUpdate) message()  {}
func (ospfGrace) message()   {}

type ospf struct {
	base
	cfg   OSPF
	state ospfState
	link  bool
	off   bool // administratively

	seq   uint32
	fresh bool // our database is empty: something is to be loaded

	helpUntil    time.Time // zero: not helping
	helped       uint64
	restartUntil time.Time // zero: not restarting
	announced    bool

	helloAt time.Time
	deadAt  time.Time
	rxmtAt  time.Time
}

func (c OSPF) protocol() string {
	if c.Version == 3 {
		return "ospfv3"
	}
	return "ospfv2"
}

func (c OSPF) check() error {
	d := c.defaults()
	if d.Version != 2 && d.Version != 3 {
		return fmt.Errorf("version: found %d, want 2 or 3", c.Version)
	}
	if d.Hello < 0 || d.Dead <= d.Hello {
		return fmt.Errorf("hello %v, dead %v: want dead greater than hello", d.Hello, d.Dead)
	}
	if d.GracePeriod < 0 || d.GracePeriod > ospfMaxGrace {
		return fmt.Errorf("grace period: found %v, want at most %v", d.GracePeriod, ospfMaxGrace)
	}
	return nil
}

func (c OSPF) pair(other Speaker) error {
	if o, ok := other.(OSPF); ok && o.Master == c.Master {
		return fmt.Errorf("master: found %t at both ends, want it at one", c.Master)
	}
	return nil
}

func (c OSPF) defaults() OSPF {
	c.Version = or(c.Version, 2)
	c.Hello = or(c.Hello, 10*time.Second)
	c.Dead = or(c.Dead, 4*c.Hello)
	c.GracePeriod = or(c.GracePeriod, ospfGraceTime)
	return c
}

func (c OSPF) build(b base, _ Speaker) Machine {
	return &ospf{base: b, cfg: c.defaults(), link: true, fresh: true}
}

// Start implements [Machine]. A graceful restart sends the Grace-LSA before the
// first Hello. Source: RFC 3623 §2.1, §5.
func (m *ospf) Start(now time.Time, how Start) {
	m.state, m.off = ospfDown, false
	m.deadAt, m.rxmtAt, m.helpUntil = time.Time{}, time.Time{}, time.Time{}
	m.fresh = true
	m.helloAt = now
	if how != StartGraceful || !m.cfg.Restart {
		m.restartUntil, m.announced = time.Time{}, false
		return
	}
	// A restart that was announced keeps the end of its grace in memory that
	// survives it.
	if !m.announced || !m.restartUntil.After(now) {
		m.restartUntil = now.Add(m.cfg.GracePeriod)
	}
	m.announced = false
	if m.link {
		m.send(ospfGrace{period: m.restartUntil.Sub(now)})
	}
}

// Announce implements [Machine]. Source: RFC 3623 §2.1.
func (m *ospf) Announce(now time.Time) {
	if m.cfg.Restart && m.state == ospfFull && m.link {
		m.announced = true
		m.restartUntil = now.Add(m.cfg.GracePeriod)
		m.send(ospfGrace{period: m.cfg.GracePeriod})
	}
}

// Resumed implements [Machine]: what was announced and was not needed is
// flushed. Source: RFC 3623 §2.2.
func (m *ospf) Resumed(time.Time) {
	if m.announced {
		m.announced, m.restartUntil = false, time.Time{}
		m.send(ospfGrace{flush: true})
	}
}

// Hear implements [Machine]. Source: RFC 2328 §10.5 to §10.8.
func (m *ospf) Hear(now time.Time, msg Message) {
	if !m.link || m.off {
		return
	}
	switch p := msg.(type) {
	case ospfHello:
		if p.hello != m.cfg.Hello || p.dead != m.cfg.Dead {
			return // §10.5: dropped
		}
		m.deadAt = m.hold(now, m.cfg.Dead)
		if m.state == ospfDown {
			m.state = ospfInit
		}
		switch {
		case p.sees && m.state <= ospfTwoWay:
			m.exStart(now)
		case !p.sees && m.state >= ospfTwoWay:
			m.lose(ospfInit, "the neighbour's Hello no longer lists us")
		}
	case ospfDBD:
		m.describe(now, p)
	case ospfRequest:
		if m.state >= ospfExchange {
			m.send(ospfUpdate{})
		}
	case ospfUpdate:
		if m.state == ospfLoading {
			m.fresh = false
			m.full(now)
		}
	case ospfGrace:
		m.grace(now, p)
	}
}

// exStart begins the negotiation of a database exchange.
func (m *ospf) exStart(now time.Time) {
	m.state = ospfExStart
	m.seq = m.rng.Uint32()
	m.sendDBD(now, ospfDBD{init: true, more: true, master: true, seq: m.seq})
}

// sendDBD sends and sets the retransmission, which only the master does once
// it is known who that is.
func (m *ospf) sendDBD(now time.Time, p ospfDBD) {
	m.send(p)
	m.rxmtAt = time.Time{}
	if m.state == ospfExStart || m.cfg.Master {
		m.rxmtAt = now.Add(ospfRxmt)
	}
}

// describe handles a Database Description. Source: RFC 2328 §10.6, §10.8.
func (m *ospf) describe(now time.Time, p ospfDBD) {
	switch m.state {
	case ospfInit:
		// The sender has seen us, so this is as good as a Hello that says so.
		m.exStart(now)
		m.describe(now, p)
	case ospfExStart:
		switch {
		case p.init && p.more && p.master && !m.cfg.Master: // we are the slave
			m.state, m.seq = ospfExchange, p.seq
			m.sendDBD(now, ospfDBD{seq: p.seq})
		case !p.init && !p.master && p.seq == m.seq && m.cfg.Master: // we are the master
			m.state = ospfExchange
			m.seq++
			m.sendDBD(now, ospfDBD{master: true, seq: m.seq})
		}
	case ospfExchange, ospfLoading, ospfFull:
		switch {
		case p.init && !m.cfg.Master && p.seq == m.seq && m.state == ospfExchange,
			!p.init && p.master && !m.cfg.Master && p.seq == m.seq && m.state != ospfExchange:
			m.send(ospfDBD{seq: p.seq}) // a duplicate: the slave repeats itself
		case p.init || p.master == m.cfg.Master:
			m.mismatch(now)
		case m.cfg.Master && p.seq == m.seq && m.state == ospfExchange:
			m.exchanged(now)
		case !m.cfg.Master && p.seq == m.seq+1 && m.state == ospfExchange:
			m.seq = p.seq
			m.sendDBD(now, ospfDBD{seq: p.seq})
			m.exchanged(now)
		case m.cfg.Master && p.seq == m.seq-1: // a duplicate: the master ignores it
		case m.cfg.Master && p.seq == m.seq:
		default:
			m.mismatch(now)
		}
	case ospfDown, ospfTwoWay:
	}
}

// mismatch is the event SeqNumberMismatch: the exchange starts over.
func (m *ospf) mismatch(now time.Time) {
	if m.state == ospfFull {
		m.why = "the neighbour started its database exchange over"
	}
	m.exStart(now)
	m.carry(now)
}

// exchanged is the event ExchangeDone.
func (m *ospf) exchanged(now time.Time) {
	if !m.fresh {
		m.full(now)
		return
	}
	m.state = ospfLoading
	m.send(ospfRequest{})
	m.rxmtAt = now.Add(ospfRxmt)
}

func (m *ospf) full(time.Time) {
	m.state = ospfFull
	m.rxmtAt = time.Time{}
	if !m.restartUntil.IsZero() && !m.announced {
		// All adjacencies are back: the restart has succeeded. RFC 3623 §2.2, §2.3.
		m.restartUntil = time.Time{}
		m.send(ospfGrace{flush: true})
	}
}

// lose takes the neighbour down to a lower state.
func (m *ospf) lose(to ospfState, why string) {
	if m.state == ospfFull && m.helpUntil.IsZero() {
		m.why = why
	}
	m.state = to
	m.rxmtAt = time.Time{}
	if to == ospfDown {
		m.deadAt = time.Time{}
	}
}

// grace handles a Grace-LSA. Source: RFC 3623 §3.1, §3.2.
func (m *ospf) grace(now time.Time, p ospfGrace) {
	if p.flush {
		if !m.helpUntil.IsZero() {
			m.helpUntil = time.Time{}
			m.carry(now)
		}
		return
	}
	helping := !m.helpUntil.IsZero()
	if !m.cfg.Helper || p.period <= 0 || m.state != ospfFull && !helping || !m.restartUntil.IsZero() {
		return
	}
	m.helpUntil = now.Add(p.period)
	if !helping {
		m.helped++
	}
}

// carry notes why traffic stops once helping is over and the neighbour is not
// Full.
func (m *ospf) carry(time.Time) {
	if m.helpUntil.IsZero() && m.state != ospfFull && m.why == "" {
		m.why = "the neighbour was not Full when helping ended"
	}
}

// TopologyChange implements [Machine]: a strict helper stops.
// Source: RFC 3623 §3.2.
func (m *ospf) TopologyChange(time.Time) {
	if !m.helpUntil.IsZero() && !m.cfg.LaxLSACheck {
		m.helpUntil = time.Time{}
		if m.state != ospfFull {
			m.why = "the topology changed during the restart"
		}
	}
}

// BFDDown implements [Machine]. Source: RFC 5882 §4.3: with the C bit clear a
// restart under way is not disturbed.
func (m *ospf) BFDDown(_ time.Time, independent bool) {
	if !m.helpUntil.IsZero() {
		if !independent {
			return
		}
		m.helpUntil = time.Time{}
	}
	if m.state > ospfDown {
		m.lose(ospfDown, "BFD session down")
	}
}

// Expire implements [Machine]: the event InactivityTimer.
// Source: RFC 2328 §10.2, §10.3.
func (m *ospf) Expire(now time.Time) bool {
	if !due(m.deadAt, now) {
		return false
	}
	m.lose(ospfDown, "RouterDeadInterval expired")
	return true
}

// Tick implements [Machine].
func (m *ospf) Tick(now time.Time) {
	m.Expire(now)
	if due(m.helpUntil, now) {
		m.helpUntil = time.Time{}
		if m.state != ospfFull {
			m.why = "the grace period ended before the restart did"
		}
	}
	if due(m.restartUntil, now) {
		m.restartUntil, m.announced = time.Time{}, false
	}
	if due(m.rxmtAt, now) {
		switch {
		case m.state == ospfExStart:
			m.sendDBD(now, ospfDBD{init: true, more: true, master: true, seq: m.seq})
		case m.state == ospfExchange && m.cfg.Master:
			m.sendDBD(now, ospfDBD{master: true, seq: m.seq})
		case m.state == ospfLoading:
			m.send(ospfRequest{})
			m.rxmtAt = now.Add(ospfRxmt)
		default:
			m.rxmtAt = time.Time{}
		}
	}
	if due(m.helloAt, now) {
		m.send(ospfHello{hello: m.cfg.Hello, dead: m.cfg.Dead, sees: m.state >= ospfInit})
		m.helloAt = now.Add(m.cfg.Hello)
	}
}

// Next implements [Machine].
func (m *ospf) Next() time.Time {
	return earliest(m.helloAt, m.deadAt, m.rxmtAt, m.helpUntil, m.restartUntil)
}

// Link implements [Machine]: the event LLDown, and a Hello at once when the
// link is back.
func (m *ospf) Link(now time.Time, up bool) {
	was := m.link
	m.link = up
	if !up {
		m.helpUntil = time.Time{}
		if m.state > ospfDown {
			m.lose(ospfDown, "link down")
		}
	} else if !was && !m.helloAt.IsZero() {
		m.helloAt = now
	}
}

// Postpone implements [Machine].
func (m *ospf) Postpone(now time.Time) { m.helloAt = now.Add(m.cfg.Hello) }

// Configure implements [Machine].
func (m *ospf) Configure(_ time.Time, cfg Speaker) {
	if c, ok := cfg.(OSPF); ok {
		m.cfg = c.defaults()
	}
}

// Stop implements [Machine]: the end falls silent after a Hello that lists
// nobody, which is common practice.
func (m *ospf) Stop(time.Time) {
	m.send(ospfHello{hello: m.cfg.Hello, dead: m.cfg.Dead})
	m.lose(ospfDown, "shut down by the operator")
	m.off = true
	m.helloAt, m.helpUntil, m.restartUntil = time.Time{}, time.Time{}, time.Time{}
}

// View implements [Machine].
func (m *ospf) View() View {
	helping := !m.helpUntil.IsZero()
	return View{
		State: m.state.String(), Up: m.state == ospfFull || helping, Carrying: m.state == ospfFull || helping,
		Send: m.cfg.Hello, Detect: m.cfg.Dead, Helping: helping, Restarting: !m.restartUntil.IsZero() && !m.announced,
		Restarts: m.helped, CanRestart: m.cfg.Restart, CanHelp: m.cfg.Helper, Grace: m.cfg.GracePeriod,
		ForwardingKept: m.cfg.Restart, StrictLSACheck: !m.cfg.LaxLSACheck, Admin: m.off, Why: m.why,
	}
}
