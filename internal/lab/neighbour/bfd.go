package neighbour

import (
	"fmt"
	"time"
)

// BFD is one end of an asynchronous session. Zero values mean the usual
// 300 ms, 300 ms and 3.
// Source: RFC 5880 §6.8; defaults common practice.
type BFD struct {
	DesiredMinTx  time.Duration
	RequiredMinRx time.Duration
	Mult          int
	Independent   bool // C bit: does not share fate with the control plane
}

// BFDFacts is what a BFD end knows beyond [View].
type BFDFacts struct {
	Mult        int  // own detection multiplier
	Independent bool // C bit set in both directions
	Diagnostic  int  // RFC 5880 §4.1
}

// The states of a session. Source: RFC 5880 §4.1.
type bfdState int

const (
	bfdAdminDown bfdState = iota
	bfdDown
	bfdInit
	bfdUp
)

func (s bfdState) String() string { return [...]string{"ADMIN_DOWN", "DOWN", "INIT", "UP"}[s] }

// The diagnostics used. Source: RFC 5880 §4.1.
const (
	diagNone         = 0
	diagExpired      = 1
	diagNeighbour    = 3
	diagPathDown     = 5
	diagAdminDown    = 7
	bfdSlow          = time.Second // §6.8.3: not Up, at least one second
	bfdInitialMinRx  = time.Microsecond
	bfdStartDelay    = 50 * time.Millisecond // a restarted client asks for its session after its own first messages
	bfdJitterLow     = 0.75                  // §6.8.7
	bfdJitterHighOne = 0.90                  // §6.8.7, multiplier 1
)

// bfdPacket is a control packet. Source: RFC 5880 §4.1.
type bfdPacket struct {
	state        bfdState
	diag         int
	poll, final  bool
	c            bool
	mult         int
	minTx, minRx time.Duration
	mine, yours  uint32
}

func (bfdPacket) message() {}

type bfd struct {
	base
	cfg   BFD
	state bfdState
	diag  int
	mine  uint32

	heard  bool // the remote values hold
	remote bfdPacket
	link   bool
	poll   bool
	tx, rx time.Duration // DesiredMinTx and RequiredMinRx in use, which lag the configuration until a Poll Sequence ends

	txAt     time.Time
	detectAt time.Time
}

func (BFD) protocol() string { return "bfd" }

func (c BFD) check() error {
	if c.DesiredMinTx < 0 || c.RequiredMinRx < 0 || c.Mult < 0 || c.Mult > 255 {
		return fmt.Errorf("bfd: found %v, %v and multiplier %d, want durations and 1 to 255", c.DesiredMinTx, c.RequiredMinRx, c.Mult)
	}
	return nil
}

func (c BFD) defaults() BFD {
	c.DesiredMinTx = or(c.DesiredMinTx, 300*time.Millisecond)
	c.RequiredMinRx = or(c.RequiredMinRx, 300*time.Millisecond)
	c.Mult = or(c.Mult, 3)
	return c
}

func (c BFD) build(b base, _ Speaker) Machine {
	return &bfd{base: b, cfg: c.defaults(), state: bfdDown, link: true}
}

// Start implements [Machine]. BFD knows no graceful restart: whatever the
// start, the session begins Down.
func (m *bfd) Start(now time.Time, how Start) {
	m.state, m.diag, m.poll = bfdDown, diagNone, false
	m.mine = m.rng.Uint32() | 1
	m.tx, m.rx = m.cfg.DesiredMinTx, m.cfg.RequiredMinRx
	m.forget()
	m.detectAt = time.Time{}
	m.txAt = now
	if how != StartFresh {
		m.txAt = now.Add(bfdStartDelay)
	}
}

// forget sets the remote values back. Source: RFC 5880 §6.8.1.
func (m *bfd) forget() {
	m.heard = false
	m.remote = bfdPacket{state: bfdDown, minRx: bfdInitialMinRx}
}

// slow keeps an interval at one second or more while the session is not Up.
// Source: RFC 5880 §6.8.3.
func (m *bfd) slow(tx time.Duration) time.Duration {
	if m.state != bfdUp {
		return max(tx, bfdSlow)
	}
	return tx
}

// interval draws the time to the next packet. Source: RFC 5880 §6.8.7.
func (m *bfd) interval() time.Duration {
	high := 1.0
	if m.cfg.Mult == 1 {
		high = bfdJitterHighOne
	}
	return m.within(m.period(), bfdJitterLow, high)
}

func (m *bfd) period() time.Duration { return max(m.slow(m.tx), m.remote.minRx) }

// detection is the detection time in force. Source: RFC 5880 §6.8.4.
func (m *bfd) detection() time.Duration {
	if !m.heard {
		return 0
	}
	return time.Duration(m.remote.mult) * max(m.rx, m.remote.minTx)
}

func (m *bfd) transmit(now time.Time, final bool) {
	p := bfdPacket{
		state: m.state, diag: m.diag, c: m.cfg.Independent, mult: m.cfg.Mult,
		minTx: m.slow(m.cfg.DesiredMinTx), minRx: m.cfg.RequiredMinRx, mine: m.mine, yours: m.remote.mine,
		final: final, poll: m.poll && !final, // §6.5: never both
	}
	m.send(p)
	if !final {
		m.txAt = now.Add(m.interval())
	}
}

// become changes the state; a change of our interval starts a Poll Sequence.
// Source: RFC 5880 §6.8.3.
func (m *bfd) become(now time.Time, s bfdState, diag int, why string) {
	if s == m.state {
		return
	}
	if m.state == bfdUp {
		m.why = why
	}
	m.state, m.diag = s, diag
	m.poll = s == bfdUp && m.cfg.DesiredMinTx < bfdSlow
	if s != bfdUp { // nothing to agree about with a session that is not Up
		m.tx, m.rx = m.cfg.DesiredMinTx, m.cfg.RequiredMinRx
	}
	// The new state is told at once, which §6.8.7 allows.
	m.txAt = now
}

// Hear implements [Machine]. Source: RFC 5880 §6.8.6.
func (m *bfd) Hear(now time.Time, msg Message) {
	p, ok := msg.(bfdPacket)
	if !ok || p.mult == 0 || p.mine == 0 || !m.link {
		return
	}
	if p.yours != 0 && p.yours != m.mine {
		return // a session we no longer have
	}
	if p.yours == 0 && p.state != bfdDown && p.state != bfdAdminDown {
		return
	}
	old := m.period()
	m.heard, m.remote = true, p
	if m.poll && p.final {
		m.poll = false
		m.tx, m.rx = m.cfg.DesiredMinTx, m.cfg.RequiredMinRx
	}
	m.detectAt = m.hold(now, m.detection())
	if m.state == bfdAdminDown {
		return
	}
	if p.state == bfdAdminDown {
		if m.state != bfdDown {
			m.become(now, bfdDown, diagNeighbour, "the neighbour shut the BFD session")
		}
	} else {
		switch m.state {
		case bfdDown:
			switch p.state {
			case bfdDown:
				m.become(now, bfdInit, diagNone, "")
			case bfdInit:
				m.become(now, bfdUp, diagNone, "")
			case bfdUp, bfdAdminDown:
			}
		case bfdInit:
			if p.state == bfdInit || p.state == bfdUp {
				m.become(now, bfdUp, diagNone, "")
			}
		case bfdUp:
			if p.state == bfdDown {
				m.become(now, bfdDown, diagNeighbour, "the neighbour signalled the BFD session down")
			}
		case bfdAdminDown:
		}
	}
	if p.poll {
		m.transmit(now, true)
	}
	if n := m.period(); n < old && m.txAt.After(now) {
		m.txAt = earliest(m.txAt, now.Add(m.interval()))
	}
}

// Expire implements [Machine]. Source: RFC 5880 §6.8.4.
func (m *bfd) Expire(now time.Time) bool {
	if !due(m.detectAt, now) {
		return false
	}
	m.detectAt = time.Time{}
	m.forget() // §6.8.1: RemoteDiscr is zeroed after a Detection Time of nothing
	if m.state != bfdInit && m.state != bfdUp {
		return false
	}
	m.become(now, bfdDown, diagExpired, "BFD detection time expired")
	return true
}

// Tick implements [Machine].
func (m *bfd) Tick(now time.Time) {
	m.Expire(now)
	if due(m.txAt, now) {
		if m.heard && m.remote.minRx == 0 { // §6.8.7: it wants none
			m.txAt = now.Add(m.interval())
			return
		}
		m.transmit(now, false)
	}
}

// Next implements [Machine].
func (m *bfd) Next() time.Time { return earliest(m.txAt, m.detectAt) }

// Link implements [Machine].
func (m *bfd) Link(now time.Time, up bool) {
	m.link = up
	if !up && (m.state == bfdUp || m.state == bfdInit) {
		m.become(now, bfdDown, diagPathDown, "the path below BFD went down")
	}
}

// Configure implements [Machine]. While the session is Up, sending more slowly
// and giving up sooner wait for the end of a Poll Sequence.
// Source: RFC 5880 §6.8.3.
func (m *bfd) Configure(now time.Time, cfg Speaker) {
	c, ok := cfg.(BFD)
	if !ok {
		return
	}
	old := m.period()
	m.cfg = c.defaults()
	if m.state != bfdUp || m.cfg.DesiredMinTx < m.tx {
		m.tx = m.cfg.DesiredMinTx
	}
	if m.state != bfdUp || m.cfg.RequiredMinRx > m.rx {
		m.rx = m.cfg.RequiredMinRx
	}
	m.poll = m.state == bfdUp
	if n := m.period(); n < old {
		m.txAt = earliest(m.txAt, now.Add(m.interval()))
	}
}

// Postpone implements [Machine].
func (m *bfd) Postpone(now time.Time) { m.txAt = now.Add(m.interval()) }

// Stop implements [Machine]: it goes on telling AdminDown, so that the other
// end learns of it. Source: RFC 5880 §6.8.16.
func (m *bfd) Stop(now time.Time) {
	m.become(now, bfdAdminDown, diagAdminDown, "shut down by the operator")
}

// View implements [Machine].
func (m *bfd) View() View {
	return View{
		State: m.state.String(), Up: m.state == bfdUp, Carrying: m.state == bfdUp,
		Send: m.period(), Detect: m.detection(), Remote: m.remote.state.String(), Why: m.why,
		Admin: m.state == bfdAdminDown || m.heard && m.remote.state == bfdAdminDown,
		BFD:   &BFDFacts{Mult: m.cfg.Mult, Independent: m.cfg.Independent && m.remote.c, Diagnostic: m.diag},
	}
}
