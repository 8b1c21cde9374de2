package neighbour

import (
	"fmt"
	"time"
)

// BGP is one end of a session. Zero values mean the times that the standard
// suggests: hold 90 s, keepalive a third of it, connect retry 120 s.
// Source: RFC 4271 §8, §10; RFC 4724; RFC 8538.
type BGP struct {
	Hold time.Duration // 0 means 90 s; NoHold means none
	// NoHold proposes a hold time of zero: no keepalives and no detection.
	NoHold       bool
	Keepalive    time.Duration // at most a third of the hold time; 0 means a third of the negotiated
	ConnectRetry time.Duration
	// Passive waits for the other end to connect. Exactly one end has it.
	Passive  bool
	Prefixes uint64 // that this end announces

	// Restart announces that this end keeps forwarding (F bit) and Time for how
	// long the other shall wait; Helper announces the capability at least, so that
	// this end helps the other.
	Restart     bool
	RestartTime time.Duration
	Helper      bool
	// Notification is the N bit: restarts through NOTIFICATION and hold timer too.
	Notification bool
	// StaleTime bounds how long routes stay stale once the session is back.
	StaleTime time.Duration
	// Deferral bounds how long a restarting end waits for the other's End-of-RIB,
	// and Converge is how long it then needs before it sends its own.
	Deferral time.Duration
	Converge time.Duration
}

const (
	bgpHold        = 90 * time.Second   // RFC 4271 §10
	bgpLargeHold   = 240 * time.Second  // RFC 4271 §8.2.2
	bgpRetry       = 120 * time.Second  // RFC 4271 §10
	bgpJitter      = 0.75               // RFC 4271 §10
	bgpIdleHold    = 5 * time.Second    // common practice; RFC 4271 gives no value
	bgpRestartTime = 120 * time.Second  // common practice; RFC 4724 §4 suggests at most the hold time
	bgpRestartMax  = 4095 * time.Second // RFC 4724 §3
	bgpStale       = 180 * time.Second  // RFC 8538 §4.1
	bgpDeferral    = 360 * time.Second  // common practice; RFC 4724 §4.1 gives no value
	bgpMinHold     = 3 * time.Second    // RFC 4271 §4.2
	bgpMinKeep     = time.Second        // RFC 4271 §4.4
	tcpInitial     = time.Second        // RFC 6298 §2.1
)

// The states of a session. Source: RFC 4271 §8.2.2.
type bgpState int

const (
	bgpIdle bgpState = iota
	bgpConnect
	bgpActive
	bgpOpenSent
	bgpOpenConfirm
	bgpEstablished
)

func (s bgpState) String() string {
	return [...]string{"IDLE", "CONNECT", "ACTIVE", "OPENSENT", "OPENCONFIRM", "ESTABLISHED"}[s]
}

// The errors used. Source: RFC 4271 §4.5; RFC 4486; RFC 9384.
const (
	errOpen      = 2
	subHoldTime  = 6
	errHold      = 4
	errCease     = 6
	subShutdown  = 2
	subCollision = 7
	subHardReset = 9
	subBFDDown   = 10 // Source: from memory, RFC 9384

)

// gracefulRestart is the capability. Source: RFC 4724 §3; RFC 8538 §2.
type gracefulRestart struct {
	time       time.Duration
	restarted  bool // R
	notify     bool // N
	forwarding bool // F of every address family
	families   bool // there are tuples: it can restart, and does not only help
}

// The messages, each with the connection that carries it; bgpConnection and
// bgpReset stand for TCP's own.
type (
	bgpConnection struct {
		conn   uint64
		accept bool
	}
	bgpReset struct{ conn uint64 }
	bgpOpen  struct {
		conn uint64
		hold time.Duration
		gr   *gracefulRestart
	}
	bgpKeepalive struct{ conn uint64 }
	bgpUpdate    struct {
		conn     uint64
		prefixes uint64
	}
	bgpEndOfRIB     struct{ conn uint64 }
	bgpNotification struct {
		conn      uint64
		code, sub int
	}
)

func (bgpConnection) message()   {}
func (bgpReset) message()        {}
func (bgpOpen) message()         {}
func (bgpKeepalive) message()    {}
func (bgpUpdate) message()       {}
func (bgpEndOfRIB) message()     {}
func (bgpNotification) message() {}

type bgp struct {
	base
	cfg   BGP
	state bgpState
	link  bool
	off   bool

	conn     uint64 // 0: none
	hold     time.Duration
	peer     *gracefulRestart // as in the last OPEN of the other end
	prefixes uint64           // in use, fresh or stale
	have     bool             // there are routes in use, be there none in number
	stale    bool             // they are of the session before
	helped   uint64

	restarting bool // we have restarted and have not sent our End-of-RIB
	gotEOR     bool
	cold       bool // we lost what we forward by and have not learnt it again

	synWait   time.Duration // before TCP's request is repeated
	synAt     time.Time
	retryAt   time.Time // ConnectRetryTimer, or the wait in Idle
	holdAt    time.Time
	keepAt    time.Time
	restartAt time.Time // the other end must be back by then
	staleAt   time.Time
	deferAt   time.Time
	eorAt     time.Time // when we send our End-of-RIB
}

func (BGP) protocol() string { return "bgp" }

func (c BGP) check() error {
	if c.Hold != 0 && c.Hold < bgpMinHold {
		return fmt.Errorf("hold: found %v, want at least %v", c.Hold, bgpMinHold)
	}
	if c.RestartTime < 0 || c.RestartTime > bgpRestartMax {
		return fmt.Errorf("restart time: found %v, want at most %v", c.RestartTime, bgpRestartMax)
	}
	if c.Keepalive < 0 || c.ConnectRetry < 0 || c.StaleTime < 0 || c.Deferral < 0 || c.Converge < 0 {
		return fmt.Errorf("found a negative time")
	}
	return nil
}

func (c BGP) pair(other Speaker) error {
	if o, ok := other.(BGP); ok && o.Passive == c.Passive {
		return fmt.Errorf("passive: found %t at both ends, want it at one", c.Passive)
	}
	return nil
}

func (c BGP) defaults() BGP {
	c.Hold = or(c.Hold, bgpHold)
	c.ConnectRetry = or(c.ConnectRetry, bgpRetry)
	c.RestartTime = or(c.RestartTime, bgpRestartTime)
	c.StaleTime = or(c.StaleTime, bgpStale)
	c.Deferral = or(c.Deferral, bgpDeferral)
	return c
}

func (c BGP) build(b base, _ Speaker) Machine {
	return &bgp{base: b, cfg: c.defaults(), link: true}
}

// Start implements [Machine].
func (m *bgp) Start(now time.Time, how Start) {
	m.off = false
	m.conn, m.hold, m.peer = 0, 0, nil
	m.prefixes, m.have, m.stale = 0, false, false
	m.restartAt, m.staleAt, m.deferAt, m.eorAt = time.Time{}, time.Time{}, time.Time{}, time.Time{}
	m.restarting = how == StartGraceful && m.cfg.Restart
	m.cold = how == StartCold
	if m.restarting {
		m.deferAt = now.Add(m.cfg.Deferral)
	}
	m.begin(now)
}

// begin is the event ManualStart or AutomaticStart: connect, or listen.
func (m *bgp) begin(now time.Time) {
	m.conn, m.gotEOR = 0, false
	m.holdAt, m.keepAt, m.eorAt, m.synAt = time.Time{}, time.Time{}, time.Time{}, time.Time{}
	if m.cfg.Passive {
		m.state, m.retryAt = bgpActive, time.Time{}
		return
	}
	m.state = bgpConnect
	m.retryAt = now.Add(m.within(m.cfg.ConnectRetry, bgpJitter, 1))
	m.conn, m.synWait = m.rng.Uint64()|1, tcpInitial
	m.connect(now)
}

// connect asks for a connection, and asks again as TCP does.
// Source: RFC 6298 §2.1, §5.5.
func (m *bgp) connect(now time.Time) {
	m.send(bgpConnection{conn: m.conn})
	m.synAt = now.Add(m.synWait)
	m.synWait *= 2
}

// idle ends the connection and waits to start again.
func (m *bgp) idle(now time.Time) {
	m.state, m.conn = bgpIdle, 0
	m.holdAt, m.keepAt, m.eorAt, m.synAt = time.Time{}, time.Time{}, time.Time{}, time.Time{}
	if m.cfg.Passive {
		m.begin(now)
		return
	}
	m.retryAt = now.Add(m.within(bgpIdleHold, bgpJitter, 1))
}

// loseRoutes stops using what the other end announced.
func (m *bgp) loseRoutes(why string) {
	if m.have {
		m.why = why
	}
	m.have, m.stale, m.prefixes = false, false, 0
	m.restartAt, m.staleAt = time.Time{}, time.Time{}
}

// drop ends an established session, keeping the routes stale where graceful
// allows. Source: RFC 4724 §4.2; RFC 8538 §4.
func (m *bgp) drop(now time.Time, graceful bool, why string) {
	if m.state == bgpEstablished {
		if graceful && m.cfg.canHelp() && m.peer != nil && m.peer.families && m.peer.time > 0 {
			if m.stale {
				// What was stale already from the restart before is deleted; what came
				// since is not there.
				m.loseRoutes("a second restart before the first was over")
			} else if m.have {
				m.stale = true
				m.helped++
				m.staleAt = time.Time{}
				m.restartAt = now.Add(m.peer.time)
			}
			m.why = or(m.why, why)
		} else {
			m.loseRoutes(why)
		}
	}
	m.idle(now)
}

func (c BGP) canHelp() bool { return c.Helper || c.Restart }

// notifies reports whether both ends have the N bit.
func (m *bgp) notifies() bool { return m.peer != nil && m.peer.notify && m.cfg.Notification }

func (m *bgp) notify(code, sub int) {
	m.send(bgpNotification{conn: m.conn, code: code, sub: sub})
}

// connOf returns the connection a message came on.
func connOf(msg Message) uint64 {
	switch p := msg.(type) {
	case bgpConnection:
		return p.conn
	case bgpReset:
		return p.conn
	case bgpOpen:
		return p.conn
	case bgpKeepalive:
		return p.conn
	case bgpUpdate:
		return p.conn
	case bgpEndOfRIB:
		return p.conn
	case bgpNotification:
		return p.conn
	default:
		return 0
	}
}

// Hear implements [Machine]. Source: RFC 4271 §8.2.2.
func (m *bgp) Hear(now time.Time, msg Message) {
	if !m.link || m.off {
		if _, reset := msg.(bgpReset); !reset && m.link {
			m.send(bgpReset{conn: connOf(msg)})
		}
		return
	}
	if c, ok := msg.(bgpConnection); ok {
		m.connection(now, c)
		return
	}
	if connOf(msg) != m.conn || m.conn == 0 {
		// TCP knows no such connection.
		switch msg.(type) {
		case bgpReset, bgpNotification:
		default:
			m.send(bgpReset{conn: connOf(msg)})
		}
		return
	}
	switch p := msg.(type) {
	case bgpReset: // TcpConnectionFails
		m.drop(now, true, "the connection was reset")
	case bgpNotification:
		hard := p.code == errCease && p.sub == subHardReset
		m.drop(now, m.notifies() && !hard, fmt.Sprintf("NOTIFICATION %d/%d received", p.code, p.sub))
	case bgpOpen:
		m.open(now, p)
	case bgpKeepalive:
		m.alive(now)
		if m.state == bgpOpenConfirm {
			m.establish(now)
		}
	case bgpUpdate:
		m.alive(now)
		if m.state == bgpEstablished {
			m.have, m.prefixes = true, p.prefixes
		}
	case bgpEndOfRIB:
		m.alive(now)
		if m.state == bgpEstablished {
			m.have, m.stale, m.gotEOR = true, false, true
			m.staleAt = time.Time{}
			m.converge(now)
		}
	}
}

// alive restarts the hold timer.
func (m *bgp) alive(now time.Time) {
	if m.hold > 0 && m.state >= bgpOpenConfirm {
		m.holdAt = m.base.hold(now, m.hold)
	}
}

// connection handles TCP's opening: a request at the passive end, an acceptance
// at the other.
func (m *bgp) connection(now time.Time, c bgpConnection) {
	if c.accept {
		if c.conn != m.conn || m.state != bgpConnect {
			m.send(bgpReset{conn: c.conn})
			return
		}
		m.sendOpen(now)
		return
	}
	if !m.cfg.Passive {
		m.send(bgpReset{conn: c.conn})
		return
	}
	if m.state == bgpEstablished {
		if m.peer == nil || !m.peer.families || !m.cfg.canHelp() {
			// RFC 4271 §6.8: an established session wins.
			m.send(bgpNotification{conn: c.conn, code: errCease, sub: subCollision})
			return
		}
		// RFC 4724 §4.2: a new connection of a restarting speaker ends the old one.
		m.drop(now, true, "the neighbour restarted")
	}
	m.conn = c.conn
	m.send(bgpConnection{conn: c.conn, accept: true})
	m.sendOpen(now)
}

func (m *bgp) sendOpen(now time.Time) {
	m.state, m.retryAt, m.synAt = bgpOpenSent, time.Time{}, time.Time{}
	o := bgpOpen{conn: m.conn, hold: m.cfg.Hold}
	if m.cfg.NoHold {
		o.hold = 0
	}
	if m.cfg.canHelp() {
		o.gr = &gracefulRestart{
			time: m.cfg.RestartTime, restarted: m.restarting, notify: m.cfg.Notification,
			forwarding: m.cfg.Restart && !m.cold, families: m.cfg.Restart,
		}
	}
	m.send(o)
	m.holdAt = now.Add(bgpLargeHold)
}

// open handles an OPEN. Source: RFC 4271 §4.2, §6.2; RFC 4724 §4.2.
func (m *bgp) open(now time.Time, p bgpOpen) {
	if m.state != bgpOpenSent {
		m.notify(5, 0) // Finite State Machine Error
		m.drop(now, false, "an OPEN out of turn")
		return
	}
	if p.hold != 0 && p.hold < bgpMinHold {
		m.notify(errOpen, subHoldTime)
		m.drop(now, false, "unacceptable hold time")
		return
	}
	own := m.cfg.Hold
	if m.cfg.NoHold {
		own = 0
	}
	m.hold = min(own, p.hold)
	if m.stale && (p.gr == nil || !p.gr.families || !p.gr.forwarding) {
		m.loseRoutes("the neighbour came back without its forwarding state")
	}
	m.peer = p.gr
	m.state = bgpOpenConfirm
	m.send(bgpKeepalive{conn: m.conn})
	m.holdAt, m.keepAt = time.Time{}, time.Time{}
	if m.hold > 0 {
		m.holdAt = m.base.hold(now, m.hold)
		m.keep(now)
	}
}

// keepalive is the longest time between our messages; 0 if there are none.
func (m *bgp) keepalive() time.Duration {
	if m.hold == 0 {
		return 0
	}
	k := m.hold / 3
	if m.cfg.Keepalive > 0 {
		k = min(k, m.cfg.Keepalive)
	}
	return max(k, bgpMinKeep)
}

// keep restarts the keepalive timer, with its jitter.
func (m *bgp) keep(now time.Time) {
	if k := m.keepalive(); k > 0 {
		m.keepAt = now.Add(m.within(k, bgpJitter, 1))
		if k == bgpMinKeep { // never more than one a second
			m.keepAt = now.Add(k)
		}
	}
}

func (m *bgp) establish(now time.Time) {
	m.state = bgpEstablished
	m.restartAt = time.Time{}
	if m.stale {
		m.staleAt = now.Add(m.cfg.StaleTime)
	}
	switch {
	case !m.restarting:
		m.announce(now)
	case m.peer == nil || m.peer.restarted:
		// It sends no End-of-RIB, or waits for ours: nothing to wait for.
		m.gotEOR = true
		m.converge(now)
	default:
		m.converge(now)
	}
}

// converge lets a restarting end send its own routes once it has the other's.
// Source: RFC 4724 §4.1.
func (m *bgp) converge(now time.Time) {
	if m.restarting && m.gotEOR && m.eorAt.IsZero() {
		m.eorAt = now.Add(m.cfg.Converge)
	}
}

// announce sends our routes and the End-of-RIB.
func (m *bgp) announce(now time.Time) {
	m.restarting, m.cold = false, false
	m.deferAt, m.eorAt = time.Time{}, time.Time{}
	m.send(bgpUpdate{conn: m.conn, prefixes: m.cfg.Prefixes})
	m.send(bgpEndOfRIB{conn: m.conn})
	m.keep(now)
}

// BFDDown implements [Machine]. Source: RFC 5882 §4.3.2.
func (m *bgp) BFDDown(now time.Time, independent bool) {
	if m.stale && m.state != bgpEstablished {
		if independent { // the path is dead, not only the control plane
			m.loseRoutes("BFD session down during the restart")
		}
		return
	}
	if m.state != bgpEstablished {
		return
	}
	graceful := !independent && m.peer != nil && m.peer.families && m.cfg.canHelp()
	if graceful {
		m.send(bgpReset{conn: m.conn})
	} else {
		m.notify(errCease, subBFDDown)
	}
	m.drop(now, graceful, "BFD session down")
}

// Expire implements [Machine]: HoldTimer_Expires.
func (m *bgp) Expire(now time.Time) bool {
	if !due(m.holdAt, now) {
		return false
	}
	was := m.state
	m.notify(errHold, 0)
	m.drop(now, m.notifies(), "hold timer expired")
	return was == bgpEstablished
}

// Tick implements [Machine].
func (m *bgp) Tick(now time.Time) {
	m.Expire(now)
	if due(m.restartAt, now) {
		m.loseRoutes("the restart time ended before the session was back")
	}
	if due(m.staleAt, now) {
		m.loseRoutes("the stale time ended before the End-of-RIB")
	}
	if due(m.retryAt, now) {
		m.begin(now)
	} else if due(m.synAt, now) {
		m.connect(now)
	}
	if due(m.deferAt, now) {
		m.deferAt = time.Time{}
		m.gotEOR = true
		if m.state == bgpEstablished {
			m.converge(now)
		}
	}
	if due(m.eorAt, now) {
		m.announce(now)
	}
	if due(m.keepAt, now) {
		m.send(bgpKeepalive{conn: m.conn})
		m.keep(now)
	}
}

// Next implements [Machine].
func (m *bgp) Next() time.Time {
	return earliest(m.retryAt, m.synAt, m.holdAt, m.keepAt, m.restartAt, m.staleAt, m.deferAt, m.eorAt)
}

// Link implements [Machine]. A dead link takes the next hop with it, so routes
// are not kept.
func (m *bgp) Link(now time.Time, up bool) {
	m.link = up
	switch {
	case m.off:
	case !up:
		m.loseRoutes("link down")
		if m.state >= bgpOpenSent {
			m.drop(now, false, "link down")
		}
	case !m.retryAt.IsZero() && m.state <= bgpConnect:
		m.begin(now)
	}
}

// Postpone implements [Machine].
func (m *bgp) Postpone(now time.Time) { m.keep(now) }

// Configure implements [Machine]: times are negotiated with the next session.
func (m *bgp) Configure(_ time.Time, cfg Speaker) {
	if c, ok := cfg.(BGP); ok {
		m.cfg = c.defaults()
	}
}

// Stop implements [Machine]: a Cease, which with the N bit is a Hard Reset.
// Source: RFC 4486 §3; RFC 8538 §5.1.
func (m *bgp) Stop(now time.Time) {
	if m.conn != 0 && m.state >= bgpOpenSent {
		if m.notifies() {
			m.notify(errCease, subHardReset)
		} else {
			m.notify(errCease, subShutdown)
		}
	}
	m.loseRoutes("shut down by the operator")
	m.drop(now, false, "shut down by the operator")
	m.off, m.state, m.conn, m.retryAt, m.deferAt = true, bgpIdle, 0, time.Time{}, time.Time{}
	m.synAt, m.holdAt, m.keepAt = time.Time{}, time.Time{}, time.Time{}
}

// View implements [Machine].
func (m *bgp) View() View {
	v := View{
		State: m.state.String(), Up: m.state == bgpEstablished, Carrying: m.have, Prefixes: m.prefixes,
		Helping: m.stale, Restarting: m.restarting, Restarts: m.helped,
		CanRestart: m.cfg.Restart, CanHelp: m.cfg.canHelp(), ForwardingKept: m.cfg.Restart,
		Notification: m.notifies(), Admin: m.off, Why: m.why,
	}
	if m.peer != nil && m.peer.families {
		v.Grace = m.peer.time
	}
	if m.state >= bgpOpenConfirm {
		v.Send, v.Detect = m.keepalive(), m.hold
	}
	return v
}
