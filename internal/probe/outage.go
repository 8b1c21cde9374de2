package probe

import (
	"fmt"
	"slices"
	"time"
)

// Direction says on which way packets were lost.
type Direction int

// The directions. RoundTrip is loss of which nobody can tell on which way it
// happened.
const (
	RoundTrip Direction = iota
	Forward             // sender to reflector
	Reverse             // reflector to sender
)

var directionNames = [...]string{RoundTrip: "round-trip", Forward: "forward", Reverse: "reverse"}

// String returns "round-trip", "forward" or "reverse".
func (d Direction) String() string {
	if d < 0 || int(d) >= len(directionNames) {
		return fmt.Sprintf("Direction(%d)", int(d))
	}
	return directionNames[d]
}

// MarshalText writes the direction as String does.
func (d Direction) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (d *Direction) UnmarshalText(b []byte) error {
	i := slices.Index(directionNames[:], string(b))
	if i < 0 {
		return fmt.Errorf("probe: %q is no direction: write round-trip, forward or reverse", b)
	}
	*d = Direction(i)
	return nil
}

// Sample is what is known of one test packet of one stream. The fields from
// Reflector on mean something only when Answered is set.
type Sample struct {
	Sent        time.Duration // when it left, since the start
	Answered    bool          // the reply came within Tmax
	Pending     bool          // not answered, and younger than Tmax: may still be
	Closing     bool          // sent after the measurement to end it; never counted
	Unreachable bool          // the own host knew no way to the target and dropped it
	Duplicated  bool          // answered more than once
	Again       uint8         // further answers that had numbers of their own
	Refused     bool          // the own host had no room to send it: as if it had never been
	HasReached  bool          // Reached and Dwell are usable
	Reflector   uint32        // sequence number of the reply
	OwnDrops    uint32        // datagrams the own socket dropped since the reply before
	RoundTrip   time.Duration // T4 − T1
	Reached     time.Duration // T2, on the reflector's clock from some zero
	Dwell       time.Duration // T3 − T2
}

// arrived is T4 since the start.
func (s *Sample) arrived() time.Duration { return s.Sent + s.RoundTrip }

// delay is the time on the network, both ways.
func (s *Sample) delay() time.Duration {
	if !s.HasReached {
		return s.RoundTrip
	}
	return RoundTripTime(s.Sent, 0, s.Dwell, s.arrived())
}

// Samples are the packets of one stream in the order of their sequence numbers,
// without a number left out.
type Samples interface {
	Len() int
	At(i int) Sample
}

// SampleSlice is a slice as [Samples].
type SampleSlice []Sample

// Len returns the number of samples.
func (s SampleSlice) Len() int { return len(s) }

// At returns sample i.
func (s SampleSlice) At(i int) Sample { return s[i] }

// Params say how the samples of a stream are read.
type Params struct {
	// Interval is the nominal time between two packets of the stream. It must
	// be above zero.
	Interval time.Duration
	// VoidAfter is the longest distance of two sends that is not void. Zero
	// means [DefaultVoidAfter].
	VoidAfter time.Duration
	// Sustain is how many packets in a row must pass before an outage has
	// ended; zero means 5.
	// Source: RFC 6412 §3.7.5, five packets per destination.
	Sustain int
	// Stateful says that the reflector counts by itself. Without it all loss is
	// [RoundTrip].
	Stateful bool
	// Anchored says that sample 0 was counted before and serves only as the
	// packet before the others.
	Anchored bool
	// DelayThreshold is the delay on the network, both ways, above which a
	// packet is impaired (RFC 6412 §3.8.1). Zero means none.
	DelayThreshold time.Duration
	// Each, when not nil, is called for every counted sample in order.
	Each func(s *Sample, f Fate)
}

// DefaultVoidAfter is one and a half intervals and a slack of a quarter of one
// that is never more than 500 µs, so that one packet that was not sent is seen.
func DefaultVoidAfter(interval time.Duration) time.Duration {
	return interval*3/2 + min(interval/4, 500*time.Microsecond)
}

// Fate is what became of one packet.
type Fate int

// The fates of a packet.
const (
	FateAnswered      Fate = iota
	FateLostRoundTrip      // lost, nobody knows on which way
	FateLostForward
	FateLostReverse
	FateVoid    // dropped by an end host, not by the network
	FatePending // too young to be lost
)

// Void is a time or a number of packets in which nothing was measured because
// an end host failed, so that it is no outage, and no proof that there was
// none.
type Void struct {
	Flow     string        `json:"flow"`
	Port     uint16        `json:"port"` // source port
	Cause    VoidCause     `json:"cause"`
	From     time.Duration `json:"from_ns"` // since the start
	To       time.Duration `json:"to_ns"`
	Untested time.Duration `json:"untested_ns"` // the part of it that went beyond one interval
	Packets  uint64        `json:"packets"`     // not sent, or dropped by the end host
}

// VoidCause says which end host failed and how.
type VoidCause int

// The causes of a void.
const (
	// SenderLate: the sender did not come round to send.
	SenderLate VoidCause = iota
	// SenderRefused: the sender's host had no room to send.
	SenderRefused
	// ReceiverOverflow: the sender's host dropped replies because they were not
	// read in time; the kernel counts them.
	ReceiverOverflow
)

var voidCauseNames = [...]string{
	SenderLate:       "sender late",
	SenderRefused:    "sender's host refused to send",
	ReceiverOverflow: "sender's host dropped replies unread",
}

// String says the cause in words.
func (c VoidCause) String() string {
	if c < 0 || int(c) >= len(voidCauseNames) {
		return fmt.Sprintf("VoidCause(%d)", int(c))
	}
	return voidCauseNames[c]
}

// MarshalText writes the cause as String does.
func (c VoidCause) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (c *VoidCause) UnmarshalText(b []byte) error {
	i := slices.Index(voidCauseNames[:], string(b))
	if i < 0 {
		return fmt.Errorf("probe: %q is no cause of a void", b)
	}
	*c = VoidCause(i)
	return nil
}

// Outage is one interruption of one stream in one direction.
type Outage struct {
	Flow      string    `json:"flow"`
	Port      uint16    `json:"port"` // source port
	Direction Direction `json:"direction"`
	// Start and End are the sending times, since the start of the measurement,
	// of the first lost packet and of the first one that came through again
	// (of the last lost one where none did).
	Start time.Duration `json:"start_ns"`
	End   time.Duration `json:"end_ns"`
	Lost  uint64        `json:"lost"`
	// ByLoss is lost / rate and ByTime is first after − last before, without
	// Untested; it is zero where one of the two does not exist, or where delay
	// varied by more than the outage. Their nominal difference is one interval.
	// Source: RFC 6201 §1.3.
	ByLoss time.Duration `json:"by_loss_ns"`
	ByTime time.Duration `json:"by_timestamp_ns,omitempty"`
	// The true time lies between Lower and Upper; Upper is zero where the
	// outage has an open side.
	Lower      time.Duration `json:"lower_ns"`
	Upper      time.Duration `json:"upper_ns,omitempty"`
	Resolution time.Duration `json:"resolution_ns"` // the interval of the stream
	// Untested is the time inside in which the sender did not send. It is in
	// none of the figures but Upper.
	Untested time.Duration `json:"untested_ns,omitempty"`
	// OpenStart: nothing came through before. OpenEnd: nothing did afterwards.
	OpenStart bool `json:"open_start,omitempty"`
	OpenEnd   bool `json:"open_end,omitempty"`
	// Mixed: at that time packets were lost both ways, or at an end host too,
	// and which of them where is not known one by one; only the counts are.
	Mixed bool `json:"mixed,omitempty"`
	// ReflectorStalled: the reflector was not reading at that time and had at
	// least 32 packets waiting, so that its own overflow can be the cause, and
	// not the network. The outage is counted all the same: compare
	// ReflectorStats.Dropped at the far end.
	ReflectorStalled bool `json:"reflector_stalled,omitempty"`
	// Phase is the last mark before Start, empty where there is none.
	Phase string `json:"phase,omitempty"`
}

// Duration is the length of the outage that counts against a budget: by the
// frame-loss method, which RFC 6201 §1.3 chooses for a tester that counts the
// loss of each stream and sends whatever the state of the link.
func (o Outage) Duration() time.Duration { return o.ByLoss }

// longer orders outages by what counts against the budget, then by packets.
func (o Outage) longer(p Outage) bool {
	if o.Duration() != p.Duration() {
		return o.Duration() > p.Duration()
	}
	return o.Lost > p.Lost
}

// DirectionTotals are the counts of one direction.
type DirectionTotals struct {
	// Offered is what was sent into this direction: for Reverse the packets
	// that the reflector answered.
	Offered   uint64 `json:"offered"`
	Lost      uint64 `json:"lost"`
	Reordered uint64 `json:"reordered"`
	Outages   uint64 `json:"outages"`
	// Longest is the longest outage by [Outage.Duration].
	Longest time.Duration `json:"longest_ns"`
}

func (t *DirectionTotals) add(u DirectionTotals) {
	t.Offered += u.Offered
	t.Lost += u.Lost
	t.Reordered += u.Reordered
	t.Outages += u.Outages
	t.Longest = max(t.Longest, u.Longest)
}

// Totals are the counts of a stream, or of several. Sent is the sum of
// Received, Lost, Voided and Pending.
type Totals struct {
	Sent     uint64 `json:"sent"`
	Received uint64 `json:"received"` // answered within Tmax
	Lost     uint64 `json:"lost"`     // in all directions
	Voided   uint64 `json:"voided"`   // dropped by an end host
	Pending  uint64 `json:"pending"`  // neither answered nor older than Tmax
	// Closing packets were sent after the measurement, while replies to its last
	// packets were waited for, and had no answer. They are in no other count.
	Closing uint64 `json:"closing,omitempty"`
	// Impaired packets are lost, duplicated, reordered or delayed beyond the
	// threshold.
	// Source: RFC 6412 §3.8.1.
	Impaired uint64 `json:"impaired"`
	// Untested is the sum of the voids' times, VoidGaps their number.
	Untested time.Duration `json:"untested_ns"`
	VoidGaps uint64        `json:"void_gaps"`
	// Resets is how often the reflector began to count anew.
	Resets uint64 `json:"resets"`

	RoundTrip DirectionTotals `json:"round_trip"`
	Forward   DirectionTotals `json:"forward"`
	Reverse   DirectionTotals `json:"reverse"`
}

// Direction returns the counts of one direction.
func (t *Totals) Direction(d Direction) *DirectionTotals {
	switch d {
	case Forward:
		return &t.Forward
	case Reverse:
		return &t.Reverse
	default:
		return &t.RoundTrip
	}
}

// Longest returns the longest outage of any direction.
func (t *Totals) Longest() time.Duration {
	return max(t.RoundTrip.Longest, t.Forward.Longest, t.Reverse.Longest)
}

func (t *Totals) add(u Totals) {
	t.Sent += u.Sent
	t.Received += u.Received
	t.Lost += u.Lost
	t.Voided += u.Voided
	t.Pending += u.Pending
	t.Closing += u.Closing
	t.Impaired += u.Impaired
	t.Untested += u.Untested
	t.VoidGaps += u.VoidGaps
	t.Resets += u.Resets
	t.RoundTrip.add(u.RoundTrip)
	t.Forward.add(u.Forward)
	t.Reverse.add(u.Reverse)
}

// Analysis is what the samples of one stream amount to. Flow, Port and Phase of
// its outages and voids are left for the caller to fill.
type Analysis struct {
	Totals
	Outages []Outage // by start
	Voids   []Void   // by start
	// Clean is the time over which packets have been answered since the last
	// loss or void loss, without the times in which nothing was sent.
	Clean time.Duration
}
