package neighbour

import (
	"fmt"
	"time"
)

// PIM is one end of a PIM-SM neighbourship. Zero values mean a Hello each 30 s
// that holds for 105 s. Source: RFC 7761 §4.3.1, §4.11.
type PIM struct {
	Hello    time.Duration
	Holdtime time.Duration
	// Restart says that this end goes on forwarding while PIM restarts. It tells
	// the other end only by a new Generation ID.
	Restart bool
}

const pimTriggered = 5 * time.Second // Triggered_Hello_Delay, RFC 7761 §4.11

// pimHello is a Hello. Source: RFC 7761 §4.9.2.
type pimHello struct {
	hold  time.Duration
	genID uint32
}

func (pimHello) message() {}

type pim struct {
	base
	cfg  PIM
	link bool
	off  bool

	genID    uint32
	known    bool
	peer     pimHello
	restarts uint64

	helloAt time.Time
	holdAt  time.Time
}

func (PIM) protocol() string { return "pim" }

func (c PIM) check() error {
	d := c.defaults()
	if d.Hello < 0 || d.Holdtime <= d.Hello || d.Holdtime >= 65535*time.Second {
		return fmt.Errorf("hello %v, holdtime %v: want holdtime greater than hello and below 65535s", d.Hello, d.Holdtime)
	}
	return nil
}

func (c PIM) defaults() PIM {
	c.Hello = or(c.Hello, 30*time.Second)
	c.Holdtime = or(c.Holdtime, c.Hello*7/2) // Default_Hello_Holdtime
	return c
}

func (c PIM) build(b base, _ Speaker) Machine {
	return &pim{base: b, cfg: c.defaults(), link: true}
}

// Start implements [Machine]. A start of any kind makes a new Generation ID.
// Source: RFC 7761 §4.3.1.
func (m *pim) Start(now time.Time, _ Start) {
	m.off, m.known, m.peer = false, false, pimHello{}
	m.genID = m.rng.Uint32()
	m.holdAt = time.Time{}
	m.helloAt = now.Add(m.within(pimTriggered, 0, 1))
}

// Hear implements [Machine]. Source: RFC 7761 §4.3.1, §4.3.2.
func (m *pim) Hear(now time.Time, msg Message) {
	h, ok := msg.(pimHello)
	if !ok || m.off || !m.link {
		return
	}
	if h.hold == 0 {
		m.forget("the neighbour said goodbye")
		return
	}
	renewed := m.known && h.genID != m.peer.genID
	if renewed {
		m.restarts++
	}
	if renewed || !m.known {
		m.helloAt = earliest(m.helloAt, now.Add(m.within(pimTriggered, 0, 1)))
	}
	m.known, m.peer = true, h
	m.holdAt = m.hold(now, h.hold)
}

func (m *pim) forget(why string) {
	if m.known {
		m.why = why
	}
	m.known, m.holdAt = false, time.Time{}
}

// Expire implements [Machine].
func (m *pim) Expire(now time.Time) bool {
	if !due(m.holdAt, now) {
		return false
	}
	m.forget("holdtime expired")
	return true
}

// Tick implements [Machine].
func (m *pim) Tick(now time.Time) {
	m.Expire(now)
	if due(m.helloAt, now) {
		if m.link {
			m.send(pimHello{hold: m.cfg.Holdtime, genID: m.genID})
		}
		m.Postpone(now)
	}
}

// Next implements [Machine].
func (m *pim) Next() time.Time { return earliest(m.helloAt, m.holdAt) }

// Link implements [Machine].
func (m *pim) Link(now time.Time, up bool) {
	was := m.link
	m.link = up
	if !up {
		m.forget("link down")
	} else if !was && !m.helloAt.IsZero() {
		m.helloAt = now.Add(m.within(pimTriggered, 0, 1))
	}
}

// Postpone implements [Machine].
func (m *pim) Postpone(now time.Time) { m.helloAt = now.Add(m.cfg.Hello) }

// Configure implements [Machine].
func (m *pim) Configure(now time.Time, cfg Speaker) {
	if c, ok := cfg.(PIM); ok {
		m.cfg = c.defaults()
		m.helloAt = earliest(m.helloAt, now.Add(m.cfg.Hello))
	}
}

// Stop implements [Machine]: a Hello with holdtime zero.
// Source: RFC 7761 §4.3.1.
func (m *pim) Stop(time.Time) {
	m.send(pimHello{genID: m.genID})
	m.forget("shut down by the operator")
	m.off, m.helloAt = true, time.Time{}
}

// View implements [Machine].
func (m *pim) View() View {
	v := View{State: "NONE", Up: m.known, Carrying: m.known, Send: m.cfg.Hello, Detect: m.peer.hold, Restarts: m.restarts, CanRestart: m.cfg.Restart, CanHelp: true, Admin: m.off, Why: m.why}
	if m.known {
		v.State = "PRESENT"
	}
	return v
}
