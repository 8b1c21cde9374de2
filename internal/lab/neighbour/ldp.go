package neighbour

import (
	"fmt"
	"time"
)

// LDP is one end of a link adjacency with its session. Zero values mean a Hello
// each 5 s that holds for 15 s, and the usual keepalive time of 180 s.
// Source: RFC 5036 §2.5, §3.5; RFC 3478.
type LDP struct {
	Hello     time.Duration // at most a third of HelloHold
	HelloHold time.Duration
	Keepalive time.Duration // proposed; the smaller of both holds
	// Active opens the session: the end with the higher transport address.
	// Exactly one end has it.
	Active bool

	// Restart says that this end keeps its labels through a restart; it asks the
	// other to wait Reconnect for the session and Recovery for the labels. Helper
	// says that this end waits, at most Liveness and MaxRecovery.
	Restart     bool
	Reconnect   time.Duration
	Recovery    time.Duration
	Helper      bool
	Liveness    time.Duration
	MaxRecovery time.Duration
}

const (
	ldpHelloHold = 15 * time.Second  // RFC 5036 §3.5.2, link hellos
	ldpKeepalive = 180 * time.Second // common practice; RFC 5036 gives no value
	ldpRetry     = 15 * time.Second  // RFC 5036 §2.5.3, first wait
	ldpRetryMax  = 120 * time.Second // RFC 5036 §2.5.3
	ldpReconnect = 120 * time.Second // common practice
)

// The states of a session. Source: RFC 5036 §2.5.4.
type ldpState int

const (
	ldpNonExistent ldpState = iota
	ldpInitialized
	ldpOpenRec
	ldpOpenSent
	ldpOperational
)

func (s ldpState) String() string {
	return [...]string{"NON_EXISTENT", "INITIALIZED", "OPENREC", "OPENSENT", "OPERATIONAL"}[s]
}

// The messages; ldpReset stands for TCP's own, ldpLabels for the mappings that
// a session begins with.
type (
	ldpHello struct{ hold time.Duration }
	ldpInit  struct {
		conn                uint64
		keepalive           time.Duration
		ft                  bool // FT Session TLV with the L flag
		reconnect, recovery time.Duration
	}
	ldpKeep         struct{ conn uint64 }
	ldpLabels       struct{ conn uint64 }
	ldpNotification struct{ conn uint64 }
	ldpReset        struct{ conn uint64 }
)

func (ldpHello) message()        {}
func (ldpInit) message()         {}
func (ldpKeep) message()         {}
func (ldpLabels) message()       {}
func (ldpNotification) message() {}
func (ldpReset) message()        {}

type ldp struct {
	base
	cfg   LDP
	state ldpState
	link  bool
	off   bool

	adjacent  bool // there is a Hello adjacency
	helloHold time.Duration
	conn      uint64
	keepalive time.Duration
	peer      *ldpInit
	labels    bool // the other end's labels are in use
	stale     bool
	helped    uint64
	cold      bool
	restarted bool
	retry     time.Duration

	helloAt  time.Time
	adjAt    time.Time // the Hello adjacency ends
	keepAt   time.Time
	sessAt   time.Time // the session ends
	retryAt  time.Time
	staleAt  time.Time
	holdings time.Time // MPLS Forwarding State Holding timer, RFC 3478 §3.1
}

func (LDP) protocol() string { return "ldp" }

func (c LDP) check() error {
	d := c.defaults()
	if d.Hello < 0 || d.Hello > d.HelloHold/3 {
		return fmt.Errorf("hello %v, hold %v: want hello at most a third of hold", d.Hello, d.HelloHold)
	}
	if d.Keepalive < 3*time.Second || d.Reconnect < 0 || d.Recovery < 0 || d.Liveness < 0 || d.MaxRecovery < 0 {
		return fmt.Errorf("keepalive %v: want at least 3s, and no negative time", d.Keepalive)
	}
	return nil
}

func (c LDP) pair(other Speaker) error {
	if o, ok := other.(LDP); ok && o.Active == c.Active {
		return fmt.Errorf("active: found %t at both ends, want it at one", c.Active)
	}
	return nil
}

func (c LDP) defaults() LDP {
	c.HelloHold = or(c.HelloHold, ldpHelloHold)
	c.Hello = or(c.Hello, c.HelloHold/3)
	c.Keepalive = or(c.Keepalive, ldpKeepalive)
	c.Reconnect = or(c.Reconnect, ldpReconnect)
	c.Recovery = or(c.Recovery, ldpReconnect)
	c.Liveness = or(c.Liveness, ldpReconnect)
	c.MaxRecovery = or(c.MaxRecovery, ldpReconnect)
	return c
}

func (c LDP) build(b base, _ Speaker) Machine {
	return &ldp{base: b, cfg: c.defaults(), link: true}
}

// Start implements [Machine].
func (m *ldp) Start(now time.Time, how Start) {
	m.state, m.off, m.conn, m.peer = ldpNonExistent, false, 0, nil
	m.adjacent, m.labels, m.stale = false, false, false
	m.adjAt, m.keepAt, m.sessAt, m.retryAt, m.staleAt, m.holdings = time.Time{}, time.Time{}, time.Time{}, time.Time{}, time.Time{}, time.Time{}
	m.retry = ldpRetry
	m.cold = how == StartCold
	m.restarted = how == StartGraceful && m.cfg.Restart
	if m.restarted {
		m.holdings = now.Add(m.cfg.Recovery)
	}
	m.helloAt = now
}

// recovery is the Recovery Time to announce: zero where no state was kept, and
// after a restart what is left of it. Source: RFC 3478 §2, §3.1.
func (m *ldp) recovery(now time.Time) time.Duration {
	switch {
	case m.cold:
		return 0
	case m.restarted && !m.holdings.IsZero():
		return max(m.holdings.Sub(now), 0)
	default:
		return m.cfg.Recovery
	}
}

func (m *ldp) init(now time.Time) {
	i := ldpInit{conn: m.conn, keepalive: m.cfg.Keepalive}
	if m.cfg.Restart {
		i.ft, i.reconnect, i.recovery = true, m.cfg.Reconnect, m.recovery(now)
	} else if m.cfg.Helper {
		i.ft = true // helps only: a reconnect timeout of zero
	}
	m.send(i)
}

// Hear implements [Machine]. Source: RFC 5036 §2.5.4, §2.5.5.
func (m *ldp) Hear(now time.Time, msg Message) {
	if !m.link || m.off {
		return
	}
	switch p := msg.(type) {
	case ldpHello:
		m.helloHold = min(m.cfg.HelloHold, p.hold)
		m.adjAt = m.hold(now, m.helloHold)
		if !m.adjacent {
			m.adjacent = true
			// The other end need not wait for us. This hello is one more: the
			// period, and with it the phase of this end, stays what it is.
			// Source: RFC 5036 §2.5.5 sends periodically and ties neither end's
			// period to the other's; common practice.
			m.send(ldpHello{hold: m.cfg.HelloHold})
			if m.cfg.Active && m.state == ldpNonExistent && m.retryAt.IsZero() {
				m.open(now)
			}
		}
	case ldpInit:
		m.initialised(now, p)
	case ldpKeep:
		if !m.ours(p.conn) {
			return
		}
		m.alive(now)
		if m.state == ldpOpenRec {
			m.operational(now)
		}
	case ldpLabels:
		if !m.ours(p.conn) {
			return
		}
		m.alive(now)
		if m.state == ldpOperational {
			m.labels, m.stale, m.staleAt = true, false, time.Time{}
		}
	case ldpNotification:
		if p.conn == m.conn && m.conn != 0 {
			m.close(now, "the neighbour closed the session")
		}
	case ldpReset:
		if p.conn == m.conn && m.conn != 0 {
			m.close(now, "the connection was reset")
		}
	}
}

// ours reports whether a message came on the session's connection, and answers
// it as TCP does where not.
func (m *ldp) ours(conn uint64) bool {
	if conn == m.conn && m.conn != 0 {
		return true
	}
	m.send(ldpReset{conn: conn})
	return false
}

// open starts a session from the active end.
func (m *ldp) open(now time.Time) {
	m.conn = m.rng.Uint64() | 1
	m.state = ldpOpenSent
	m.init(now)
	m.sessAt = now.Add(ldpRetry)
	m.retryAt = time.Time{}
}

// initialised handles an Initialization message.
func (m *ldp) initialised(now time.Time, p ldpInit) {
	if !m.cfg.Active {
		if !m.adjacent { // §2.5.3: no Hello adjacency, refused
			m.send(ldpNotification{conn: p.conn})
			return
		}
		if p.conn != m.conn && m.state != ldpNonExistent {
			m.close(now, "the neighbour restarted")
		}
		m.conn = p.conn
		m.agree(now, p)
		m.state = ldpOpenRec
		m.init(now)
		m.send(ldpKeep{conn: m.conn})
		m.keep(now)
		return
	}
	if !m.ours(p.conn) || m.state != ldpOpenSent {
		return
	}
	m.agree(now, p)
	m.state = ldpOpenRec
	m.send(ldpKeep{conn: m.conn})
	m.keep(now)
}

// agree takes over what the other end proposes. Source: RFC 5036 §3.5.3;
// RFC 3478 §3.3.
func (m *ldp) agree(now time.Time, p ldpInit) {
	m.keepalive = min(m.cfg.Keepalive, p.keepalive)
	m.sessAt = m.hold(now, m.keepalive)
	m.peer = &p
	if m.stale {
		if !p.ft || p.recovery == 0 {
			m.loseLabels("the neighbour came back without its forwarding state")
		} else {
			m.staleAt = now.Add(min(p.recovery, m.cfg.MaxRecovery))
		}
	}
}

func (m *ldp) alive(now time.Time) {
	if m.state >= ldpOpenRec {
		m.sessAt = m.hold(now, m.keepalive)
	}
}

func (m *ldp) keep(now time.Time) { m.keepAt = now.Add(m.keepalive / 3) }

func (m *ldp) operational(now time.Time) {
	m.state = ldpOperational
	m.retry = ldpRetry
	m.restarted, m.cold, m.holdings = false, false, time.Time{}
	m.send(ldpLabels{conn: m.conn})
	m.keep(now)
}

func (m *ldp) loseLabels(why string) {
	if m.labels {
		m.why = why
	}
	m.labels, m.stale, m.staleAt = false, false, time.Time{}
}

// close ends the session, keeping the labels stale where the other end can
// restart. Source: RFC 3478 §3.3.
func (m *ldp) close(now time.Time, why string) {
	if m.state == ldpOperational {
		wait := time.Duration(0)
		if m.cfg.Helper && m.peer != nil && m.peer.ft {
			wait = min(m.peer.reconnect, m.cfg.Liveness)
		}
		switch {
		case !m.labels:
		case wait > 0 && !m.stale:
			m.stale = true
			m.helped++
			m.staleAt = now.Add(wait)
		default:
			m.loseLabels(why)
		}
		m.why = or(m.why, why)
	}
	m.state, m.conn = ldpNonExistent, 0
	m.keepAt, m.sessAt = time.Time{}, time.Time{}
	if m.cfg.Active {
		m.retryAt = now.Add(m.retry)
		m.retry = min(2*m.retry, ldpRetryMax)
	}
}

// BFDDown implements [Machine].
func (m *ldp) BFDDown(now time.Time, independent bool) {
	switch {
	case m.stale && independent:
		m.loseLabels("BFD session down during the restart")
	case m.state == ldpOperational:
		m.send(ldpNotification{conn: m.conn})
		m.close(now, "BFD session down")
		if independent {
			m.loseLabels("BFD session down")
		}
	}
}

// Expire implements [Machine].
func (m *ldp) Expire(now time.Time) bool {
	was := m.state == ldpOperational
	gone := false
	if due(m.adjAt, now) {
		// §2.5.5: without its Hello adjacency the session goes too.
		m.adjacent, m.adjAt = false, time.Time{}
		if m.state != ldpNonExistent {
			m.send(ldpNotification{conn: m.conn})
			m.close(now, "the Hello adjacency expired")
		}
		gone = true
	}
	if due(m.sessAt, now) {
		m.send(ldpNotification{conn: m.conn})
		m.close(now, "the session's keepalive time expired")
		gone = true
	}
	return was && gone
}

// Tick implements [Machine].
func (m *ldp) Tick(now time.Time) {
	m.Expire(now)
	if due(m.staleAt, now) {
		m.loseLabels("the session or its labels did not come back in time")
	}
	if due(m.holdings, now) {
		m.holdings, m.restarted, m.cold = time.Time{}, false, true
	}
	if due(m.retryAt, now) {
		m.retryAt = time.Time{}
		if m.adjacent && m.link {
			m.open(now)
		}
	}
	if due(m.helloAt, now) {
		if m.link {
			m.send(ldpHello{hold: m.cfg.HelloHold})
		}
		m.Postpone(now)
	}
	if due(m.keepAt, now) {
		m.send(ldpKeep{conn: m.conn})
		m.keep(now)
	}
}

// Next implements [Machine].
func (m *ldp) Next() time.Time {
	return earliest(m.helloAt, m.adjAt, m.keepAt, m.sessAt, m.retryAt, m.staleAt, m.holdings)
}

// Link implements [Machine].
func (m *ldp) Link(now time.Time, up bool) {
	was := m.link
	m.link = up
	switch {
	case m.off:
	case !up:
		m.loseLabels("link down")
		m.adjacent, m.adjAt, m.retryAt = false, time.Time{}, time.Time{}
		if m.state != ldpNonExistent {
			m.close(now, "link down")
			m.loseLabels("link down")
			m.retryAt = time.Time{}
		}
	case !was && !m.helloAt.IsZero():
		m.helloAt = now
	case !m.retryAt.IsZero():
		m.retryAt = now
	}
}

// Postpone implements [Machine].
func (m *ldp) Postpone(now time.Time) { m.helloAt = now.Add(m.cfg.Hello) }

// Configure implements [Machine]: hello times at once, the rest with the next
// session.
func (m *ldp) Configure(now time.Time, cfg Speaker) {
	if c, ok := cfg.(LDP); ok {
		m.cfg = c.defaults()
		m.helloAt = earliest(m.helloAt, now.Add(m.cfg.Hello))
	}
}

// Stop implements [Machine].
func (m *ldp) Stop(now time.Time) {
	if m.state != ldpNonExistent {
		m.send(ldpNotification{conn: m.conn})
		m.close(now, "shut down by the operator")
	}
	m.loseLabels("shut down by the operator")
	m.off, m.adjacent = true, false
	m.helloAt, m.adjAt, m.retryAt, m.staleAt = time.Time{}, time.Time{}, time.Time{}, time.Time{}
}

// View implements [Machine]. Send and Detect are those of the shorter of the
// two detections, the Hello adjacency and the session.
func (m *ldp) View() View {
	v := View{
		State: m.state.String(), Up: m.state == ldpOperational, Carrying: m.labels,
		Send: m.cfg.Hello, Detect: m.helloHold, Helping: m.stale, Restarting: m.restarted, Restarts: m.helped,
		CanRestart: m.cfg.Restart, CanHelp: m.cfg.Helper, ForwardingKept: m.cfg.Restart, Admin: m.off, Why: m.why,
	}
	if m.state >= ldpOpenRec && (m.helloHold == 0 || m.keepalive < m.helloHold) {
		v.Send, v.Detect = m.keepalive/3, m.keepalive
	}
	if m.peer != nil && m.peer.ft {
		v.Grace = min(m.peer.reconnect, m.cfg.Liveness)
	}
	return v
}
