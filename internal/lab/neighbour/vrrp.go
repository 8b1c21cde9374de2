package neighbour

import (
	"fmt"
	"time"
)

// VRRP is one end of a group of two. Zero values mean priority 100 and an
// advertisement each second; preemption is on unless NoPreempt.
// Source: RFC 5798 §6; RFC 9568 §6.
type VRRP struct {
	Priority  int // 1 to 254, 255 for the owner of the address
	Interval  time.Duration
	NoPreempt bool
}

// The states of a router. Source: RFC 9568 §6.4.
type vrrpState int

const (
	vrrpInitialize vrrpState = iota
	vrrpBackup
	vrrpActive
)

func (s vrrpState) String() string { return [...]string{"INITIALIZE", "BACKUP", "ACTIVE"}[s] }

// vrrpAdvert is an ADVERTISEMENT.
type vrrpAdvert struct {
	priority int
	interval time.Duration
}

func (vrrpAdvert) message() {}

type vrrp struct {
	base
	cfg   VRRP
	state vrrpState
	home  vrrpState // the state that the priorities mean for us
	tie   bool      // we win where the priorities are equal
	link  bool
	off   bool
	adver time.Duration // Active_Adver_Interval

	adverAt time.Time
	downAt  time.Time
}

func (VRRP) protocol() string { return "vrrp" }

func (c VRRP) check() error {
	d := c.defaults()
	if d.Priority < 1 || d.Priority > 255 {
		return fmt.Errorf("priority: found %d, want 1 to 255", c.Priority)
	}
	if d.Interval < 10*time.Millisecond || d.Interval > 40950*time.Millisecond {
		return fmt.Errorf("interval: found %v, want 10ms to 40.95s", c.Interval)
	}
	return nil
}

func (c VRRP) pair(other Speaker) error {
	if o, ok := other.(VRRP); ok && o.defaults().Priority == c.defaults().Priority {
		return fmt.Errorf("priority: found %d at both ends, want them to differ", c.defaults().Priority)
	}
	return nil
}

func (c VRRP) defaults() VRRP {
	c.Priority = or(c.Priority, 100)
	c.Interval = or(c.Interval, time.Second)
	return c
}

func (c VRRP) build(b base, other Speaker) Machine {
	m := &vrrp{base: b, cfg: c.defaults(), home: vrrpBackup, link: true}
	if o, ok := other.(VRRP); ok && m.cfg.Priority > o.defaults().Priority {
		m.home, m.tie = vrrpActive, true
	}
	return m
}

// skew is Skew_Time. Source: RFC 5798 §6.1.
func (m *vrrp) skew() time.Duration {
	return time.Duration(256-m.cfg.Priority) * m.adver / 256
}

// down is Active_Down_Interval. Source: RFC 5798 §6.1.
func (m *vrrp) down() time.Duration { return 3*m.adver + m.skew() }

// Start implements [Machine]. Source: RFC 5798 §6.4.1.
func (m *vrrp) Start(now time.Time, _ Start) {
	m.off = false
	m.adver = m.cfg.Interval
	if !m.link {
		m.state, m.adverAt, m.downAt = vrrpInitialize, time.Time{}, time.Time{}
		return
	}
	if m.cfg.Priority == 255 {
		m.activate(now)
		return
	}
	m.backup(now)
}

func (m *vrrp) activate(now time.Time) {
	m.state, m.downAt = vrrpActive, time.Time{}
	m.advertise(now)
}

func (m *vrrp) advertise(now time.Time) {
	m.send(vrrpAdvert{priority: m.cfg.Priority, interval: m.cfg.Interval})
	m.adverAt = now.Add(m.cfg.Interval)
}

func (m *vrrp) backup(now time.Time) {
	m.state, m.adverAt = vrrpBackup, time.Time{}
	m.downAt = m.hold(now, m.down())
}

// Hear implements [Machine]. Source: RFC 5798 §6.4.2, §6.4.3; RFC 9568 §6.4.3.
func (m *vrrp) Hear(now time.Time, msg Message) {
	a, ok := msg.(vrrpAdvert)
	if !ok || m.off || !m.link {
		return
	}
	switch m.state {
	case vrrpBackup:
		switch {
		case a.priority == 0:
			m.downAt = m.hold(now, m.skew())
		case m.cfg.NoPreempt || a.priority >= m.cfg.Priority:
			m.adver = a.interval
			m.downAt = m.hold(now, m.down())
		}
	case vrrpActive:
		switch {
		case a.priority == 0:
			m.advertise(now)
		case a.priority > m.cfg.Priority || a.priority == m.cfg.Priority && !m.tie:
			m.why = "a router with higher priority is active"
			m.adver = a.interval
			m.backup(now)
		default:
			m.advertise(now) // RFC 9568: it is told at once who is active
		}
	case vrrpInitialize:
	}
}

// Expire implements [Machine].
func (m *vrrp) Expire(now time.Time) bool {
	if m.state != vrrpBackup || !due(m.downAt, now) {
		return false
	}
	m.why = "the active router was not heard for Active_Down_Interval"
	m.activate(now)
	return true
}

// Tick implements [Machine].
func (m *vrrp) Tick(now time.Time) {
	m.Expire(now)
	if m.state == vrrpActive && due(m.adverAt, now) {
		m.advertise(now)
	}
}

// Next implements [Machine].
func (m *vrrp) Next() time.Time { return earliest(m.adverAt, m.downAt) }

// Link implements [Machine].
func (m *vrrp) Link(now time.Time, up bool) {
	was := m.link
	m.link = up
	if !up && m.state != vrrpInitialize {
		m.why = "link down"
		m.state, m.adverAt, m.downAt = vrrpInitialize, time.Time{}, time.Time{}
	} else if up && !was && !m.off && m.adver > 0 {
		m.Start(now, StartFresh)
	}
}

// Postpone implements [Machine].
func (m *vrrp) Postpone(now time.Time) {
	if !m.adverAt.IsZero() {
		m.adverAt = now.Add(m.cfg.Interval)
	}
}

// Configure implements [Machine].
func (m *vrrp) Configure(now time.Time, cfg Speaker) {
	c, ok := cfg.(VRRP)
	if !ok {
		return
	}
	m.cfg = c.defaults()
	if m.state == vrrpActive {
		m.advertise(now)
	}
}

// Stop implements [Machine]: an active router resigns with priority zero.
// Source: RFC 5798 §6.4.3.
func (m *vrrp) Stop(time.Time) {
	if m.state == vrrpActive {
		m.send(vrrpAdvert{interval: m.cfg.Interval})
	}
	m.why = "shut down by the operator"
	m.state, m.off, m.adverAt, m.downAt = vrrpInitialize, true, time.Time{}, time.Time{}
}

// View implements [Machine].
func (m *vrrp) View() View {
	v := View{
		State: m.state.String(), Up: m.state != vrrpInitialize, Carrying: m.state == m.home,
		Priority: m.cfg.Priority, Admin: m.off, Why: m.why,
	}
	switch m.state {
	case vrrpActive:
		v.Role, v.Send = "active", m.cfg.Interval
	case vrrpBackup:
		v.Role, v.Detect = "backup", m.down()
	case vrrpInitialize:
	}
	return v
}
