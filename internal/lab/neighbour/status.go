package neighbour

import "time"

// Change is something that happened to one end of an adjacency.
type Change struct {
	At        time.Time // by the set's clock, when it really happened
	Key       string
	Protocol  string
	Neighbour string
	Interface string
	Far       bool // at the neighbour; otherwise at the chassis
	Was, Now  string
	WasUp, Up bool
	Role      string
	Topology  bool   // a spanning tree counted a topology change
	Why       string // of the last loss
}

// Timers are the negotiated timers of an adjacency, in all four senses.
type Timers struct {
	Send            time.Duration // longest time between two messages of the chassis
	NeighbourSend   time.Duration // longest time between two of the neighbour's
	NeighbourDetect time.Duration // silence after which the neighbour gives the chassis up; 0 for never
	OwnDetect       time.Duration // silence after which the chassis gives the neighbour up; 0 for never
}

// RestartFacts say what both ends can do to keep forwarding while the chassis
// restarts.
type RestartFacts struct {
	Nonstop        bool          // the chassis keeps the state on both controller cards
	Own            bool          // the chassis restarts gracefully
	Helper         bool          // the neighbour helps
	Time           time.Duration // how long the neighbour helps
	ForwardingKept bool          // RFC 4724 F bit of the chassis
	Notification   bool          // RFC 8538 N bit of both ends
	StrictLSACheck bool          // an OSPF helper stops at a topology change
	Restarting     bool          // the chassis restarts now
	Helping        bool          // the neighbour helps now
}

// Protection says how BFD and an adjacency hang together.
type Protection struct {
	Session     string // neighbour of the session that protects the adjacency; empty for none
	SessionKey  string
	Independent bool // BFD itself: C bit in both directions
	Offloaded   bool // the chassis's end is run by hardware
	Multiplier  int  // BFD itself: the chassis's detection multiplier
	Diagnostic  int  // BFD itself: RFC 5880 §4.1
}

// FarStatus is how the neighbour sees the adjacency.
type FarStatus struct {
	State    string
	Up       bool
	Role     string
	Carrying bool // sends traffic along it
	Since    time.Time
	Heard    time.Time // last message of the chassis
}

// Status is what can be known of an adjacency: the chassis's view, as its
// management plane would tell it, and the truth at the neighbour under Far.
type Status struct {
	Key            string
	Protocol       string
	Instance       string
	Interface      string
	Neighbour      string
	Peer           string
	Implementation string
	Card           string
	Over           string

	State       string // the protocol's own word
	Up          bool
	Since       time.Time // last change of Up
	Transitions uint64    // how often it came up
	Role        string    // VRRP: active or backup; IS-IS: dis; RSTP: root or designated
	Priority    int       // VRRP
	Prefixes    uint64    // BGP
	PeerState   string    // last state that the neighbour told, where the protocol carries it
	Admin       bool      // down by somebody's will
	Overload    bool      // IS-IS
	Why         string    // of the last loss at the chassis

	Timers  Timers
	Restart RestartFacts
	BFD     Protection
	LACP    *LACPFacts // LACP only
	RSTP    *RSTPFacts // RSTP only
	Far     FarStatus
}

// Result is what became of an adjacency in a silence.
type Result int

// The results.
const (
	// Held: the neighbour never stopped using it and saw no restart.
	Held Result = iota
	// RestartedGracefully: the neighbour saw a restart and used it all the time.
	RestartedGracefully
	// Dropped: the neighbour stopped using it, or the chassis lost what it
	// forwards by.
	Dropped
)

// String names the result.
func (r Result) String() string {
	switch r {
	case RestartedGracefully:
		return "restarted gracefully"
	case Dropped:
		return "dropped"
	default:
		return "held"
	}
}

// Outcome is the truth about one adjacency in the last silence.
type Outcome struct {
	Key       string
	Protocol  string
	Neighbour string
	Interface string
	Result    Result
	// Settled says that nothing more can come of the silence.
	Settled bool
	// How the chassis's end woke: awake (it never slept), nonstop, graceful or
	// cold; empty while it sleeps.
	How string
	// Gap is the longest time around the silence in which the neighbour heard
	// nothing; while it still lasts, how long it has lasted so far.
	Gap time.Duration
	// Detect is the silence that the neighbour would have stood when it began,
	// 0 for any.
	Detect time.Duration
	// LostAt and BackAt say when the neighbour stopped using the adjacency and
	// when it used it again; zero if it did not.
	LostAt, BackAt time.Time
	Why            string // why it stopped
	// OwnDrop says that the chassis itself gave the neighbour up as it woke.
	OwnDrop bool
}

// status collects what is known of an adjacency.
func (e *engine) status(a *adjacency) Status {
	c, d, f := a.cfg, a.ends[device], a.ends[far]
	s := Status{
		Key: a.key, Protocol: c.Protocol(), Instance: c.Instance, Interface: c.Interface, Neighbour: c.Neighbour,
		Peer: c.Peer, Implementation: c.Implementation, Card: c.Card, Over: c.Over,
		State: d.view.State, Up: d.view.Up, Since: d.since, Transitions: d.ups, Role: d.view.Role,
		Prefixes: d.view.Prefixes, PeerState: d.view.Remote, Admin: d.view.Admin, Overload: d.view.Overload, Why: d.view.Why,
		Timers: Timers{Send: d.view.Send, NeighbourSend: f.view.Send, NeighbourDetect: f.view.Detect, OwnDetect: d.view.Detect},
		Restart: RestartFacts{
			Nonstop: c.Nonstop, Own: d.view.CanRestart, Helper: f.view.CanHelp, Time: f.view.Grace,
			ForwardingKept: d.view.ForwardingKept, Notification: d.view.Notification, StrictLSACheck: f.view.StrictLSACheck,
			Restarting: d.view.Restarting, Helping: f.view.Helping,
		},
		BFD:  Protection{SessionKey: c.BFD, Offloaded: c.Offloaded},
		LACP: d.view.LACP, RSTP: d.view.RSTP,
		Far: FarStatus{State: f.view.State, Up: f.view.Up, Role: f.view.Role, Carrying: f.view.Carrying, Since: f.since, Heard: f.lastHeard},
	}
	if _, ok := c.Device.(OSPF); ok {
		// Who restarts asks for the time itself: RFC 3623 §2.1.
		s.Restart.Time = d.view.Grace
	}
	s.Priority = d.view.Priority
	if b := e.byKey[c.BFD]; b != nil {
		s.BFD.Session = b.cfg.Neighbour
	}
	if b := d.view.BFD; b != nil {
		s.BFD.Independent, s.BFD.Multiplier, s.BFD.Diagnostic = b.Independent, b.Mult, b.Diagnostic
	}
	return s
}

// outcome tells the truth about the last silence; ok is false where there was
// none.
func (e *engine) outcome(a *adjacency) (o Outcome, ok bool) {
	w := &a.watch
	if !w.on {
		return Outcome{}, false
	}
	o = Outcome{
		Key: a.key, Protocol: a.cfg.Protocol(), Neighbour: a.cfg.Neighbour, Interface: a.cfg.Interface,
		Settled: w.settled, Gap: w.gap, Detect: w.detect, LostAt: w.lostAt, BackAt: w.backAt, Why: w.why, OwnDrop: w.ownDrop,
	}
	if !w.wake.IsZero() {
		o.How = w.how.String()
	}
	if !w.closed {
		o.Gap = max(o.Gap, e.now.Sub(w.gapFrom))
	}
	switch {
	case !w.lostAt.IsZero():
		o.Result = Dropped
	case !w.wake.IsZero() && w.how == modeCold && a.cfg.Protocol() != "lldp":
		// LLDP carries no traffic; everything else lost what it forwards by, even
		// where the neighbour was too slow to notice.
		o.Result = Dropped
		o.LostAt, o.Why = w.from, "the chassis restarted without keeping what it forwards by"
	case w.helped:
		o.Result = RestartedGracefully
	}
	return o, true
}
