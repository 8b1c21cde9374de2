package neighbour

import (
	"fmt"
	"time"
)

// RSTP is one end of a link between two bridges. The bridge with the lower
// priority is the root as far as the two know. Zero values mean priority 32768
// and 2, 20 and 15 s. Source: IEEE 802.1D-2004 clause 17, now IEEE 802.1Q
// clause 13, by way of RFC 4188 and of implementations that quote it.
type RSTP struct {
	Priority     int
	Bridge       string // MAC address, decides where priorities are equal
	Hello        time.Duration
	MaxAge       time.Duration
	ForwardDelay time.Duration
}

// RSTPFacts is what a bridge knows beyond [View].
type RSTPFacts struct {
	Changes    uint64    // topology changes counted, RFC 4188 dot1dStpTopChanges
	LastChange time.Time // of the last one; zero if there was none
	Root       bool      // this bridge is the root
	RootBridge string
	RootPrio   int
	Hello      time.Duration // in force
	MaxAge     time.Duration
	Delay      time.Duration
}

// The states of a port. Source: IEEE 802.1D-2004 17.
type rstpState int

const (
	rstpBlocking rstpState = iota
	rstpLearning
	rstpForwarding
)

func (s rstpState) String() string { return [...]string{"BLOCKING", "LEARNING", "FORWARDING"}[s] }

// bridgeID orders bridges; the lower is better.
type bridgeID struct {
	priority int
	bridge   string
}

func (a bridgeID) better(b bridgeID) bool {
	return a.priority < b.priority || a.priority == b.priority && a.bridge < b.bridge
}

// rstpBPDU is an RST BPDU.
type rstpBPDU struct {
	root                 bridgeID
	from                 bridgeID
	designated           bool
	proposal, agreement  bool
	tc                   bool
	hello, maxAge, delay time.Duration
	messageAge           time.Duration
}

func (rstpBPDU) message() {}

type rstp struct {
	base
	cfg   RSTP
	id    bridgeID
	home  bool // our usual role is designated
	link  bool
	off   bool
	heard rstpBPDU
	known bool // heard holds

	state      rstpState
	designated bool
	proposing  bool
	changes    uint64
	lastChange time.Time

	helloAt time.Time
	infoAt  time.Time // rcvdInfoWhile
	delayAt time.Time // fdWhile
	tcUntil time.Time // tcWhile: until then our own messages tell the change
	noted   time.Time // until then a change that is told to us has been counted
}

func (RSTP) protocol() string { return "rstp" }

func (c RSTP) check() error {
	d := c.defaults()
	// Source: IEEE 802.1D 17.14, from memory.
	if d.Hello < time.Second || d.Hello > 10*time.Second || 2*(d.ForwardDelay-time.Second) < d.MaxAge || d.MaxAge < 2*(d.Hello+time.Second) {
		return fmt.Errorf("hello %v, max age %v, forward delay %v: want 2×(delay−1s) ≥ max age ≥ 2×(hello+1s)", d.Hello, d.MaxAge, d.ForwardDelay)
	}
	if d.Priority < 0 || d.Priority > 65535 {
		return fmt.Errorf("priority: found %d, want 0 to 65535", c.Priority)
	}
	return nil
}

func (c RSTP) pair(other Speaker) error {
	if o, ok := other.(RSTP); ok && o.id() == c.id() {
		return fmt.Errorf("bridge: found %v at both ends, want them to differ", c.id())
	}
	return nil
}

func (c RSTP) defaults() RSTP {
	c.Priority = or(c.Priority, 32768)
	c.Hello = or(c.Hello, 2*time.Second)
	c.MaxAge = or(c.MaxAge, 20*time.Second)
	c.ForwardDelay = or(c.ForwardDelay, 15*time.Second)
	return c
}

func (c RSTP) id() bridgeID { return bridgeID{c.defaults().Priority, c.Bridge} }

func (c RSTP) build(b base, other Speaker) Machine {
	m := &rstp{base: b, cfg: c.defaults(), id: c.id(), link: true}
	if o, ok := other.(RSTP); ok {
		m.home = m.id.better(o.id())
	}
	return m
}

// Start implements [Machine].
func (m *rstp) Start(now time.Time, _ Start) {
	m.off, m.known, m.heard = false, false, rstpBPDU{}
	m.infoAt, m.tcUntil, m.noted = time.Time{}, time.Time{}, time.Time{}
	m.helloAt = time.Time{}
	m.state, m.designated = rstpBlocking, false
	m.becomeDesignated(now)
}

// becomeDesignated makes the port designated and proposes to forward.
func (m *rstp) becomeDesignated(now time.Time) {
	m.designated, m.proposing = true, true
	m.state = rstpBlocking
	m.delayAt = now.Add(m.cfg.ForwardDelay)
	m.bpdu(now, nil)
}

// superior reports whether the other bridge is to be believed.
func (m *rstp) superior() bool { return m.known && m.heard.root.better(m.id) }

// root returns the root as we know it.
func (m *rstp) root() bridgeID {
	if m.superior() {
		return m.heard.root
	}
	return m.id
}

// times returns the times in force, which are the root's.
func (m *rstp) times() (hello, maxAge, delay time.Duration) {
	if m.superior() {
		return m.heard.hello, m.heard.maxAge, m.heard.delay
	}
	return m.cfg.Hello, m.cfg.MaxAge, m.cfg.ForwardDelay
}

// bpdu sends a BPDU now.
func (m *rstp) bpdu(now time.Time, edit func(*rstpBPDU)) {
	if !m.link || m.off {
		return
	}
	hello, maxAge, delay := m.times()
	b := rstpBPDU{
		root: m.root(), from: m.id, designated: m.designated, proposal: m.designated && m.proposing,
		tc: m.tcUntil.After(now), hello: hello, maxAge: maxAge, delay: delay,
	}
	if edit != nil {
		edit(&b)
	}
	m.send(b)
	m.helloAt = time.Time{}
	if m.designated || b.tc {
		m.helloAt = now.Add(hello)
	}
}

// change counts a topology change, once for as long as it is told.
// Source: IEEE 802.1D-2004 17.21.7, newTcWhile: hello time plus one second.
func (m *rstp) change(now time.Time) {
	hello, _, _ := m.times()
	if !m.noted.After(now) {
		m.changes++
	}
	m.lastChange = now
	m.noted = now.Add(hello + time.Second)
}

// detect counts a change that this bridge detected, and tells it.
func (m *rstp) detect(now time.Time) {
	m.change(now)
	m.tcUntil = m.noted
}

func (m *rstp) forward(now time.Time) {
	if m.state == rstpForwarding {
		return
	}
	m.state, m.delayAt, m.proposing = rstpForwarding, time.Time{}, false
	m.detect(now)
}

// Hear implements [Machine].
func (m *rstp) Hear(now time.Time, msg Message) {
	b, ok := msg.(rstpBPDU)
	if !ok || !m.link || m.off {
		return
	}
	if b.tc {
		// It is passed on to the other ports, not back to the one it came by.
		m.change(now)
	}
	switch {
	case b.designated && b.root.better(m.id):
		m.known, m.heard = true, b
		m.infoAt = time.Time{}
		if b.messageAge+time.Second <= b.maxAge { // 17.21.23
			m.infoAt = m.hold(now, 3*b.hello)
		}
		if m.designated { // it was ours: now it is our root port
			if m.state != rstpBlocking {
				m.why = "a better bridge is designated"
			}
			m.designated, m.proposing, m.delayAt = false, false, time.Time{}
		}
		if m.state != rstpForwarding || b.proposal {
			// The other ports of an edge bridge need no waiting: agreed at once.
			m.forward(now)
			m.bpdu(now, func(r *rstpBPDU) { r.agreement = true })
		}
	case b.designated:
		// An inferior bridge thinks it is designated: it is told better at once.
		if m.designated {
			m.proposing = true
			m.bpdu(now, nil)
		}
	case b.agreement && m.designated && b.root == m.root():
		m.forward(now)
		m.proposing = false
	}
}

// Expire implements [Machine]: rcvdInfoWhile ran out, what was heard has aged.
func (m *rstp) Expire(now time.Time) bool {
	if !due(m.infoAt, now) {
		return false
	}
	m.infoAt, m.known, m.heard = time.Time{}, false, rstpBPDU{}
	if m.designated {
		return false
	}
	m.why = "no BPDU for three hello times"
	m.becomeDesignated(now)
	return true
}

// Tick implements [Machine].
func (m *rstp) Tick(now time.Time) {
	m.Expire(now)
	if due(m.delayAt, now) {
		switch m.state {
		case rstpBlocking:
			m.state = rstpLearning
			m.delayAt = now.Add(m.cfg.ForwardDelay)
		case rstpLearning:
			m.forward(now)
		case rstpForwarding:
			m.delayAt = time.Time{}
		}
	}
	if due(m.helloAt, now) {
		m.bpdu(now, nil)
	}
}

// Next implements [Machine].
func (m *rstp) Next() time.Time { return earliest(m.helloAt, m.infoAt, m.delayAt) }

// Link implements [Machine].
func (m *rstp) Link(now time.Time, up bool) {
	was := m.link
	m.link = up
	switch {
	case m.off:
	case !up && was:
		if m.state != rstpBlocking {
			m.why = "link down"
		}
		m.state, m.known, m.heard = rstpBlocking, false, rstpBPDU{}
		m.helloAt, m.infoAt, m.delayAt = time.Time{}, time.Time{}, time.Time{}
	case up && !was:
		m.becomeDesignated(now)
	}
}

// TopologyChange implements [Machine]: this bridge heard of one elsewhere.
func (m *rstp) TopologyChange(now time.Time) {
	if m.link && !m.off {
		m.detect(now)
		m.bpdu(now, nil)
	}
}

// Postpone implements [Machine].
func (m *rstp) Postpone(now time.Time) {
	if !m.helloAt.IsZero() {
		hello, _, _ := m.times()
		m.helloAt = now.Add(hello)
	}
}

// Configure implements [Machine].
func (m *rstp) Configure(now time.Time, cfg Speaker) {
	if c, ok := cfg.(RSTP); ok {
		m.cfg = c.defaults()
		m.id = c.id()
		m.bpdu(now, nil)
	}
}

// Stop implements [Machine]: the port is taken out of the tree.
func (m *rstp) Stop(time.Time) {
	m.why = "shut down by the operator"
	m.off, m.state, m.known = true, rstpBlocking, false
	m.helloAt, m.infoAt, m.delayAt = time.Time{}, time.Time{}, time.Time{}
}

// aged says that the last topology change was long ago.
func (m *rstp) aged(to time.Time) {
	if m.lastChange.After(to) {
		m.lastChange, m.tcUntil, m.noted = to, time.Time{}, time.Time{}
	}
}

// View implements [Machine].
func (m *rstp) View() View {
	hello, maxAge, delay := m.times()
	root := m.root()
	v := View{
		State: m.state.String(), Up: m.state == rstpForwarding, Role: "root",
		Carrying: m.state == rstpForwarding && m.designated == m.home,
		Admin:    m.off, Why: m.why,
		RSTP: &RSTPFacts{
			Changes: m.changes, LastChange: m.lastChange, Root: root == m.id, RootBridge: root.bridge, RootPrio: root.priority,
			Hello: hello, MaxAge: maxAge, Delay: delay,
		},
	}
	if m.designated {
		v.Role, v.Send = "designated", hello
	} else if m.known {
		v.Detect = 3 * m.heard.hello
	}
	return v
}
