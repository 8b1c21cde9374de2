// Package neighbour is what stands around the emulated chassis: the adjacencies
// with its neighbours, both ends of each, as state machines written from the
// standards.
//
// Read [NewSet] first, then [Set.Silence], [Set.Wake] and [Set.Outcomes]: the
// chassis falls silent, wakes, and the set tells which neighbour gave it up.
// Nothing here knows a formula of survival; an adjacency lives or dies because
// one end's timer ran out or did not.
//
// A [Machine] is one end of an adjacency and pure: it is told the time, what it
// hears and what it stands on, and says what it sends. A Set runs the machines
// on a [labtime.Clock]. It handles every event at the instant it is due and in
// the order of these instants, however late its own goroutine gets the
// processor, so a busy machine never kills an adjacency.
package neighbour

import (
	"math/rand/v2"
	"time"
)

// Message is something one end sends to the other. Each protocol has its own.
type Message interface{ message() }

// Start says from what a machine starts.
type Start int

// The ways to start.
const (
	// StartFresh is the first start of an end that never ran.
	StartFresh Start = iota
	// StartGraceful is a restart that lost the protocol's state and kept forwarding,
	// and that tells the other end so.
	StartGraceful
	// StartCold is a restart that lost both and tells nothing.
	StartCold
)

// Machine is one end of an adjacency. It never looks at a clock: every call is
// told the time, and times never decrease from call to call. A machine is used
// by one goroutine at a time.
type Machine interface {
	// Start begins to run, or begins again.
	Start(now time.Time, how Start)
	// Hear handles a message of the other end.
	Hear(now time.Time, m Message)
	// Tick runs the timers that are due at now or before.
	Tick(now time.Time)
	// Expire runs only those overdue timers by which this end gives up the
	// other, as some implementations do when they wake before they read what
	// waits for them. It reports whether there was one.
	Expire(now time.Time) bool
	// Next returns when Tick is wanted next; the zero time if never.
	Next() time.Time
	// Link tells that what the adjacency stands on came up or went down. Told
	// that it is up where it knows so already, a machine that waits to try again
	// tries at once.
	Link(now time.Time, up bool)
	// BFDDown tells that the session protecting the adjacency failed;
	// independent is the C bit of both ends (RFC 5882 §4.3).
	BFDDown(now time.Time, independent bool)
	// Announce tells the other end that a restart is about to come, where the
	// protocol can.
	Announce(now time.Time)
	// Resumed tells a machine that was frozen with all its state that it runs
	// again.
	Resumed(now time.Time)
	// TopologyChange tells that the topology changed somewhere else.
	TopologyChange(now time.Time)
	// Postpone puts off the next periodic message by a whole interval, as some
	// implementations do after they gave up the other end.
	Postpone(now time.Time)
	// Configure changes the configuration while the machine runs, as far as the
	// protocol lets it take effect at once. The speaker is of the machine's own
	// protocol and has been checked.
	Configure(now time.Time, cfg Speaker)
	// Stop ends the adjacency administratively, with the protocol's goodbye
	// where it has one.
	Stop(now time.Time)
	// View returns what can be known of this end. The result is the caller's.
	View() View
	// Take returns what is to be sent, in order, and forgets it.
	Take() []Message
}

// View is what can be known of one end of an adjacency.
type View struct {
	State string // the protocol's own word
	Up    bool   // the protocol calls the adjacency usable
	// Carrying says that this end sends traffic along the adjacency, which it
	// may do without Up while it helps a restart, and for VRRP and RSTP that it
	// has its usual role.
	Carrying   bool
	Role       string
	Send       time.Duration // longest time between two messages of this end
	Detect     time.Duration // silence after which this end gives up the other; 0 for never
	Helping    bool          // keeps forwarding while the other end restarts
	Restarting bool          // restarts gracefully itself
	Restarts   uint64        // graceful restarts of the other end seen through
	CanRestart bool          // would restart gracefully
	Prefixes   uint64        // received and in use
	Remote     string        // last state that the other end told, where the protocol carries it
	Admin      bool          // down by somebody's will, at either end
	Why        string        // why it last went down, empty if it never did
	CanHelp    bool          // would help the other end restart
	Grace      time.Duration // how long it would help, as negotiated or configured

	ForwardingKept bool // RFC 4724 F bit
	Notification   bool // RFC 8538 N bit, both ends
	StrictLSACheck bool // RFC 3623 §3.2
	Priority       int  // VRRP
	Overload       bool // IS-IS: a restart took too long

	LACP *LACPFacts
	RSTP *RSTPFacts
	BFD  *BFDFacts
}

// SelfDrop is what an implementation does with its own detection timers that
// ran out while it was frozen and the other end's messages waited to be read.
type SelfDrop int

// The ways to wake with an overdue timer.
const (
	// SelfDropNone reads what waits first, so nothing is overdue any more.
	SelfDropNone SelfDrop = iota
	// SelfDropLocal lets the timer run out, says nothing, and learns the
	// neighbour again from what waits.
	SelfDropLocal
	// SelfDropKills lets the timer run out and acts on it, so that the
	// neighbour loses the adjacency too.
	SelfDropKills
)

// String names the behaviour.
func (d SelfDrop) String() string {
	switch d {
	case SelfDropLocal:
		return "local-only"
	case SelfDropKills:
		return "kills-neighbour"
	default:
		return "none"
	}
}

// Profile is how one end's implementation differs from the letter of the
// standard. The zero value is the letter.
type Profile struct {
	SelfDrop SelfDrop
	// LateHello puts off the first hello after a self-drop by a whole interval.
	LateHello bool
	// Resume is the time from waking to the first message.
	Resume time.Duration
	// HoldLow makes each detection time uniform in [HoldLow, 1] times the
	// standard's; 0 means 1.
	HoldLow float64
	// HoldLate adds a time uniform in [0, HoldLate] to each detection time.
	HoldLate time.Duration
	// TransportCut says that TCP loses the connection's segments during the
	// silence, so that what the neighbour sent arrives by its retransmission
	// only (RFC 6298 §5.5), and what it sends afterwards behind that (RFC 9293
	// §3.8). Hellos, which are in no TCP connection, are not concerned.
	TransportCut bool
}

// Speaker is the configuration of one end of an adjacency: [BGP], [OSPF],
// [ISIS], [BFD], [VRRP], [LACP], [RSTP], [LLDP], [LDP] or [PIM].
type Speaker interface {
	// protocol is the name used in keys.
	protocol() string
	// check reports the first impossible value.
	check() error
	// build makes the machine; other is the other end's configuration.
	build(b base, other Speaker) Machine
}

// base is what all machines share: the random source, the outgoing messages and
// the calls that mean nothing to most protocols.
type base struct {
	rng  *rand.Rand
	prof Profile
	out  []Message
	why  string
}

// Take implements [Machine].
func (b *base) Take() []Message {
	out := b.out
	b.out = nil
	return out
}

// BFDDown implements [Machine] for protocols that BFD does not protect.
func (b *base) BFDDown(time.Time, bool) {}

// Announce implements [Machine] for protocols that cannot announce a restart.
func (b *base) Announce(time.Time) {}

// Resumed implements [Machine] for protocols with nothing to take back.
func (b *base) Resumed(time.Time) {}

// TopologyChange implements [Machine] for protocols that do not care.
func (b *base) TopologyChange(time.Time) {}

func (b *base) send(m Message) { b.out = append(b.out, m) }

// within draws a duration uniformly between lo and hi times d.
func (b *base) within(d time.Duration, lo, hi float64) time.Duration {
	return time.Duration(float64(d) * (lo + (hi-lo)*b.rng.Float64()))
}

// hold returns when a detection time of d that starts now runs out.
func (b *base) hold(now time.Time, d time.Duration) time.Time {
	if b.prof.HoldLow > 0 && b.prof.HoldLow < 1 {
		d = b.within(d, b.prof.HoldLow, 1)
	}
	if b.prof.HoldLate > 0 {
		d += b.within(b.prof.HoldLate, 0, 1)
	}
	return now.Add(d)
}

// due reports whether the timer is set and has run out.
func due(at, now time.Time) bool { return !at.IsZero() && !at.After(now) }

// earliest returns the first of the timers that are set.
func earliest(ats ...time.Time) (first time.Time) {
	for _, at := range ats {
		if !at.IsZero() && (first.IsZero() || at.Before(first)) {
			first = at
		}
	}
	return first
}

// or returns v, or def where v is the zero value.
func or[T comparable](v, def T) T {
	var zero T
	if v == zero {
		return def
	}
	return v
}
