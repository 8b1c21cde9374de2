package neighbour

import (
	"fmt"
	"time"
)

// LLDP is one end's agent. Zero values mean a message each 30 s that holds for
// 121 s. Source: IEEE 802.1AB-2016 9.2.5 by way of the IEEE's YANG module.
type LLDP struct {
	Interval time.Duration
	Hold     int
	// Edition2005 leaves out the second that later editions add to the time to
	// live.
	Edition2005 bool
}

const (
	lldpFast     = time.Second // msgFastTx
	lldpFastInit = 4           // txFastInit
	lldpMaxTTL   = 65535 * time.Second
)

// lldpFrame is an LLDPDU.
type lldpFrame struct{ ttl time.Duration }

func (lldpFrame) message() {}

type lldp struct {
	base
	cfg  LLDP
	link bool
	off  bool

	known   bool
	peerTTL time.Duration
	fast    int

	txAt  time.Time
	ttlAt time.Time
}

func (LLDP) protocol() string { return "lldp" }

func (c LLDP) check() error {
	d := c.defaults()
	if d.Interval < time.Second || d.Interval > 3600*time.Second || d.Hold < 2 || d.Hold > 10 {
		return fmt.Errorf("interval %v, hold %d: want 1s to 3600s and 2 to 10", d.Interval, d.Hold)
	}
	return nil
}

func (c LLDP) defaults() LLDP {
	c.Interval = or(c.Interval, 30*time.Second)
	c.Hold = or(c.Hold, 4)
	return c
}

func (c LLDP) build(b base, _ Speaker) Machine {
	return &lldp{base: b, cfg: c.defaults(), link: true}
}

// ttl is txTTL. Source: IEEE 802.1AB-2016 9.2.5.22; 2005 edition 10.5.4.3.
func (m *lldp) ttl() time.Duration {
	d := m.cfg.Interval * time.Duration(m.cfg.Hold)
	if !m.cfg.Edition2005 {
		d += time.Second
	}
	return min(d, lldpMaxTTL)
}

// Start implements [Machine].
func (m *lldp) Start(now time.Time, _ Start) {
	m.off, m.known, m.peerTTL, m.fast = false, false, 0, 0
	m.ttlAt, m.txAt = time.Time{}, now
}

// Hear implements [Machine].
func (m *lldp) Hear(now time.Time, msg Message) {
	f, ok := msg.(lldpFrame)
	if !ok || m.off || !m.link {
		return
	}
	if f.ttl == 0 { // shutdown LLDPDU
		m.forget("the neighbour shut its agent down")
		return
	}
	m.peerTTL = f.ttl
	m.ttlAt = m.hold(now, f.ttl)
	if !m.known {
		m.known = true
		m.fast = lldpFastInit // a new neighbour is told about us quickly
		m.txAt = earliest(m.txAt, now.Add(lldpFast))
	}
}

func (m *lldp) forget(why string) {
	if m.known {
		m.why = why
	}
	m.known, m.ttlAt = false, time.Time{}
}

// Expire implements [Machine].
func (m *lldp) Expire(now time.Time) bool {
	if !due(m.ttlAt, now) {
		return false
	}
	m.forget("time to live expired")
	return true
}

// Tick implements [Machine].
func (m *lldp) Tick(now time.Time) {
	m.Expire(now)
	if !due(m.txAt, now) {
		return
	}
	if m.link {
		m.send(lldpFrame{ttl: m.ttl()})
	}
	m.Postpone(now)
	if m.fast > 0 {
		m.fast--
		m.txAt = now.Add(lldpFast)
	}
}

// Next implements [Machine].
func (m *lldp) Next() time.Time { return earliest(m.txAt, m.ttlAt) }

// Link implements [Machine]: what is known of the neighbour stays until its
// time is over, unless the port goes down.
func (m *lldp) Link(now time.Time, up bool) {
	was := m.link
	m.link = up
	if !up {
		m.forget("link down")
	} else if !was && !m.txAt.IsZero() {
		m.txAt = now
	}
}

// Postpone implements [Machine].
func (m *lldp) Postpone(now time.Time) { m.txAt = now.Add(m.cfg.Interval) }

// Configure implements [Machine].
func (m *lldp) Configure(now time.Time, cfg Speaker) {
	if c, ok := cfg.(LLDP); ok {
		m.cfg = c.defaults()
		m.txAt = earliest(m.txAt, now.Add(m.cfg.Interval))
	}
}

// Stop implements [Machine].
func (m *lldp) Stop(time.Time) {
	m.send(lldpFrame{})
	m.forget("shut down by the operator")
	m.off, m.txAt = true, time.Time{}
}

// View implements [Machine].
func (m *lldp) View() View {
	v := View{State: "NONE", Up: m.known, Carrying: m.known, Send: m.cfg.Interval, Detect: m.peerTTL, Admin: m.off, Why: m.why}
	if m.known {
		v.State = "PRESENT"
	}
	return v
}
