package neighbour

import (
	"fmt"
	"time"
)

// LACP is one end of a link of an aggregate. The zero value is active, asks
// for slow messages and waits long.
// Source: IEEE 802.1AX-2020 6.4 by way of IEEE's YANG module and of
// implementations that quote it.
type LACP struct {
	// Short is this end's own timeout: it asks for a message each second and
	// gives the partner up after three; otherwise 30 and 90 s.
	Short   bool
	Passive bool
	System  string // MAC address of the system
	Key     int    // of the aggregate
	Port    int
}

// LACPFacts is what an LACP end knows beyond [View].
type LACPFacts struct {
	Short        bool // own timeout
	PartnerShort bool // the partner's timeout, as it told
	Passive      bool
	Synchronized bool
	Collecting   bool
	Distributing bool
	Partner      string // system of the partner; empty if none is known
	Mux          string // state of the mux machine
}

// The times. Source: IEEE 802.1AX-2020 6.4.4, constants of 43.4.4 in the first
// edition.
const (
	lacpFast    = time.Second
	lacpSlow    = 30 * time.Second
	lacpShort   = 3 * lacpFast
	lacpLong    = 3 * lacpSlow
	lacpWait    = 2 * time.Second // Aggregate_Wait_Time
	lacpTxLimit = 3               // LACPDUs in each fast period
)

// lacpInfo is one end's parameters and state, as it stands in an LACPDU.
type lacpInfo struct {
	system       string
	key, port    int
	active       bool
	short        bool
	aggregates   bool
	sync         bool
	collecting   bool
	distributing bool
	defaulted    bool
	expired      bool
}

// identity is what of the information tells whom it is about.
func (i lacpInfo) identity() lacpInfo {
	return lacpInfo{system: i.system, key: i.key, port: i.port, aggregates: i.aggregates}
}

// lacpPDU is an LACPDU.
type lacpPDU struct{ actor, partner lacpInfo }

func (lacpPDU) message() {}

// The states of the receive and mux machines.
type (
	lacpRx  int
	lacpMux int
)

const (
	rxDisabled lacpRx = iota
	rxExpired
	rxDefaulted
	rxCurrent
)

const (
	muxDetached lacpMux = iota
	muxWaiting
	muxAttached
	muxCollecting
	muxDistributing
)

func (s lacpRx) String() string {
	return [...]string{"PORT_DISABLED", "EXPIRED", "DEFAULTED", "CURRENT"}[s]
}

func (s lacpMux) String() string {
	return [...]string{"DETACHED", "WAITING", "ATTACHED", "COLLECTING", "DISTRIBUTING"}[s]
}

type lacp struct {
	base
	cfg      LACP
	link     bool
	off      bool
	rx       lacpRx
	mux      lacpMux
	actor    lacpInfo
	partner  lacpInfo
	selected bool
	ntt      bool

	sent       int // LACPDUs in the present fast period
	periodFrom time.Time

	currentAt  time.Time // current_while
	waitAt     time.Time // wait_while
	periodicAt time.Time
	limitAt    time.Time // when the transmit limit lets more pass
}

func (LACP) protocol() string { return "lacp" }

func (c LACP) check() error {
	if c.Key < 0 || c.Port < 0 {
		return fmt.Errorf("key %d, port %d: want nothing negative", c.Key, c.Port)
	}
	return nil
}

func (c LACP) pair(other Speaker) error {
	if o, ok := other.(LACP); ok && o.Passive && c.Passive {
		return fmt.Errorf("passive: found it at both ends, which would never speak")
	}
	return nil
}

func (c LACP) build(b base, _ Speaker) Machine {
	m := &lacp{base: b, cfg: c, link: true}
	m.reset()
	return m
}

// reset is the state INITIALIZE.
func (m *lacp) reset() {
	m.actor = lacpInfo{
		system: m.cfg.System, key: m.cfg.Key, port: m.cfg.Port,
		active: !m.cfg.Passive, short: m.cfg.Short, aggregates: true,
	}
	m.partner = lacpInfo{}
	m.rx, m.mux, m.selected = rxDisabled, muxDetached, false
	m.currentAt, m.waitAt, m.periodicAt, m.limitAt = time.Time{}, time.Time{}, time.Time{}, time.Time{}
	m.ntt = false
}

// Start implements [Machine].
func (m *lacp) Start(now time.Time, _ Start) {
	m.off = false
	m.reset()
	if m.link {
		m.enable(now)
	}
	m.work(now)
}

// enable leaves PORT_DISABLED for EXPIRED.
func (m *lacp) enable(now time.Time) {
	m.expired(now)
	m.ntt = !m.cfg.Passive
}

// expired enters EXPIRED: the partner is out of sync at once and is asked to
// send quickly.
func (m *lacp) expired(now time.Time) {
	m.rx = rxExpired
	m.partner.sync = false
	m.partner.short = true
	m.actor.expired = true
	m.currentAt = m.hold(now, lacpShort)
}

// defaulted enters DEFAULTED: the partner is whoever the administrator says,
// which is nobody.
func (m *lacp) defaulted() {
	m.rx = rxDefaulted
	m.actor.expired, m.actor.defaulted = false, true
	if m.partner.identity() != (lacpInfo{}) {
		m.selected = false
	}
	m.partner = lacpInfo{}
	m.currentAt = time.Time{}
}

// Hear implements [Machine]: the state CURRENT.
func (m *lacp) Hear(now time.Time, msg Message) {
	p, ok := msg.(lacpPDU)
	if !ok || !m.link || m.off {
		return
	}
	if p.actor.identity() != m.partner.identity() { // update_Selected
		m.selected = false
	}
	if own := m.actor; p.partner.identity() != own.identity() || p.partner.active != own.active ||
		p.partner.short != own.short || p.partner.sync != own.sync { // update_NTT
		m.ntt = true
	}
	// recordPDU
	match := p.partner.identity() == m.actor.identity() && p.actor.aggregates
	m.partner = p.actor
	m.partner.sync = match && p.actor.sync && (p.actor.active || m.actor.active && p.partner.active)
	m.actor.defaulted, m.actor.expired = false, false
	m.rx = rxCurrent
	m.currentAt = m.hold(now, m.timeout())
	m.work(now)
}

func (m *lacp) timeout() time.Duration {
	if m.cfg.Short {
		return lacpShort
	}
	return lacpLong
}

// period is how often we send: as the partner asks, or never between two
// passive ends.
func (m *lacp) period() time.Duration {
	switch {
	case m.cfg.Passive && !m.partner.active:
		return 0
	case m.partner.short:
		return lacpFast
	default:
		return lacpSlow
	}
}

// work runs the selection, mux, periodic and transmit machines until none of
// them has anything left to do.
func (m *lacp) work(now time.Time) {
	for m.step(now) {
	}
	m.periodic(now)
	m.transmit(now)
}

// step makes one step of the selection and mux machines; it reports whether it
// did.
func (m *lacp) step(now time.Time) bool {
	if m.rx == rxCurrent && !m.selected && m.mux == muxDetached {
		m.selected = true
	}
	was := m.mux
	if !m.selected && m.mux != muxDetached {
		m.setMux(muxDetached)
		return true
	}
	switch m.mux {
	case muxDetached:
		if m.selected {
			m.waitAt = now.Add(lacpWait)
			m.setMux(muxWaiting)
		}
	case muxWaiting:
		if due(m.waitAt, now) {
			m.waitAt = time.Time{}
			m.setMux(muxAttached)
		}
	case muxAttached:
		if m.partner.sync {
			m.setMux(muxCollecting)
		}
	case muxCollecting:
		if !m.partner.sync {
			m.setMux(muxAttached)
		} else if m.partner.collecting {
			m.setMux(muxDistributing)
		}
	case muxDistributing:
		if !m.partner.sync {
			m.setMux(muxAttached)
		} else if !m.partner.collecting {
			m.setMux(muxCollecting)
		}
	}
	return m.mux != was
}

func (m *lacp) setMux(to lacpMux) {
	if m.mux == muxDistributing {
		switch m.rx {
		case rxExpired, rxDefaulted:
			m.why = "current_while expired"
		case rxDisabled:
			m.why = "link down"
		case rxCurrent:
			m.why = "the partner left the aggregate"
		}
	}
	m.mux = to
	was := m.actor
	m.actor.sync = to >= muxAttached
	m.actor.collecting = to >= muxCollecting
	m.actor.distributing = to == muxDistributing
	if to == muxDetached {
		m.waitAt = time.Time{}
	}
	m.ntt = m.ntt || m.actor != was
}

// periodic keeps the periodic machine's timer; turning fast sends at once.
func (m *lacp) periodic(now time.Time) {
	p := m.period()
	switch {
	case p == 0 || m.rx == rxDisabled:
		m.periodicAt = time.Time{}
	case m.periodicAt.IsZero():
		m.periodicAt = now.Add(p)
	case m.periodicAt.After(now.Add(p)):
		m.ntt = true
		m.periodicAt = now.Add(p)
	}
}

// transmit sends what is needed, at most three in a fast period.
func (m *lacp) transmit(now time.Time) {
	if !m.ntt || m.rx == rxDisabled {
		return
	}
	if now.Sub(m.periodFrom) >= lacpFast {
		m.periodFrom, m.sent = now, 0
	}
	if m.sent >= lacpTxLimit {
		m.limitAt = m.periodFrom.Add(lacpFast)
		return
	}
	m.sent++
	m.ntt, m.limitAt = false, time.Time{}
	m.send(lacpPDU{actor: m.actor, partner: m.partner})
}

// Expire implements [Machine].
func (m *lacp) Expire(now time.Time) bool {
	was := m.mux == muxDistributing
	if !m.expire(now) {
		return false
	}
	m.work(now)
	return was
}

func (m *lacp) expire(now time.Time) bool {
	if !due(m.currentAt, now) {
		return false
	}
	switch m.rx {
	case rxCurrent:
		m.expired(now)
		m.ntt = true
	case rxExpired:
		m.defaulted()
	case rxDisabled, rxDefaulted:
		m.currentAt = time.Time{}
	}
	return true
}

// Tick implements [Machine].
func (m *lacp) Tick(now time.Time) {
	m.expire(now)
	if due(m.periodicAt, now) {
		m.ntt = true
		m.periodicAt = now.Add(max(m.period(), lacpFast))
	}
	if due(m.limitAt, now) {
		m.limitAt = time.Time{}
	}
	m.work(now)
}

// Next implements [Machine].
func (m *lacp) Next() time.Time {
	return earliest(m.currentAt, m.waitAt, m.periodicAt, m.limitAt)
}

// Link implements [Machine].
func (m *lacp) Link(now time.Time, up bool) {
	was := m.link
	m.link = up
	switch {
	case m.off:
	case !up && m.rx != rxDisabled:
		m.rx = rxDisabled
		m.partner.sync, m.selected = false, false
		m.currentAt, m.periodicAt = time.Time{}, time.Time{}
		m.work(now)
	case up && !was:
		m.enable(now)
		m.work(now)
	}
}

// Postpone implements [Machine].
func (m *lacp) Postpone(now time.Time) {
	if p := m.period(); p > 0 {
		m.periodicAt = now.Add(p)
	}
}

// Configure implements [Machine]: a new timeout is told at once and holds from
// the next message on.
func (m *lacp) Configure(now time.Time, cfg Speaker) {
	c, ok := cfg.(LACP)
	if !ok {
		return
	}
	m.cfg.Short, m.cfg.Passive = c.Short, c.Passive
	m.actor.short, m.actor.active = c.Short, !c.Passive
	m.ntt = true
	m.work(now)
}

// Stop implements [Machine]: the link leaves the aggregate.
func (m *lacp) Stop(now time.Time) {
	m.selected = false
	m.actor.aggregates = false
	m.ntt = true
	m.rx = rxDefaulted
	m.work(now)
	m.reset()
	m.off = true
}

// View implements [Machine].
func (m *lacp) View() View {
	up := m.mux == muxDistributing
	return View{
		State: m.rx.String(), Up: up, Carrying: up, Send: m.period(), Detect: m.timeout(), Admin: m.off, Why: m.why,
		LACP: &LACPFacts{
			Short: m.cfg.Short, PartnerShort: m.partner.short, Passive: m.cfg.Passive,
			Synchronized: m.actor.sync && m.partner.sync, Collecting: m.actor.collecting, Distributing: m.actor.distributing,
			Partner: m.partner.system, Mux: m.mux.String(),
		},
	}
}
