package probe

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
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
	// ReflectorStalled: the reflector did not read, and packets were lost after
	// at least 32 had piled up, until the moment it read again.
	ReflectorStalled
)

var voidCauseNames = [...]string{
	SenderLate:       "sender late",
	SenderRefused:    "sender's host refused to send",
	ReceiverOverflow: "sender's host dropped replies unread",
	ReflectorStalled: "reflector stalled and overflowed",
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
	// Untested; it is zero where one of the two does not exist. Their nominal
	// difference is one interval.
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
}

// reorderReach is how far back a reply's own number may lie for the packet to
// count as overtaken; a longer step back means that the reflector began anew.
const reorderReach = 256

// backlog is how many packets must have piled up in a reflector for the loss
// after them to be its own.
const backlog = 32

// run is a maximal row of unanswered samples, by index.
type run struct {
	first, last   int
	n             uint64 // its packets, without those still pending
	before, after int    // the answered neighbours, −1 where there is none
	answered      uint64 // samples answered before it
	unreachable   uint64
	inner, outer  time.Duration // untested time inside it, and from before to after
	rev, unk      uint64        // packets lost on the way back, or nobody knows where
	own, stalled  uint64        // packets that an end host dropped
}

func (r *run) fwd() uint64 { return r.n - r.rev - r.unk - r.own - r.stalled }

func (r *run) lost(d Direction) uint64 {
	switch d {
	case Forward:
		return r.fwd()
	case Reverse:
		return r.rev
	default:
		return r.unk
	}
}

// free is how many of its packets may yet be found to have reached the
// reflector.
func (r *run) free() uint64 { return r.n - r.unreachable - r.rev }

// analysis is the working state of Analyse.
type analysis struct {
	Analysis
	s        Samples
	p        Params
	runs     []run
	answered []int // indices in the order of sending
	order    []int // the same in the order of the reflector's numbers
	surplus  uint64
}

// Analyse turns the samples of one stream into counts, outages and voids. It is
// pure, and costs one pass and, where packets overtook each other, one sort.
//
// Loss is divided by the reflector's own numbers: between two replies that are
// neighbours in them, each number that is missing is a reply lost on the way
// back, and every other missing packet was lost on the way there. The totals so
// found are exact unless a packet was duplicated on the way there and the answer
// to one of the two was lost on the way back. The place of a single loss within
// a row of losses on both ways is not known; such outages are Mixed.
func Analyse(s Samples, p Params) Analysis {
	if p.VoidAfter == 0 {
		p.VoidAfter = DefaultVoidAfter(p.Interval)
	}
	if p.Sustain == 0 {
		p.Sustain = 5
	}
	a := &analysis{s: s, p: p}
	a.split()
	a.attribute()
	a.ownDrops()
	a.reflectorStalls()
	for _, d := range []Direction{RoundTrip, Forward, Reverse} {
		a.outages(d)
	}
	slices.SortStableFunc(a.Outages, func(x, y Outage) int { return cmp.Compare(x.Start, y.Start) })
	slices.SortStableFunc(a.Voids, func(x, y Void) int { return cmp.Compare(x.From, y.From) })
	a.count()
	return a.Analysis
}

// split finds the rows of losses and the times in which the sender was silent.
func (a *analysis) split() {
	prev, before := -1, -1
	var prevSent time.Duration
	var cur run
	open, refused := false, false
	for i := range a.s.Len() {
		s := a.s.At(i)
		if s.Refused {
			refused = true
			continue
		}
		if s.Closing && !s.Answered {
			continue
		}
		var excess time.Duration
		if gap := s.Sent - prevSent; prev >= 0 && !s.Closing && gap > a.p.VoidAfter {
			excess = gap - a.p.Interval
			v := Void{From: prevSent, To: s.Sent, Untested: excess, Packets: uint64((gap+a.p.Interval/2)/a.p.Interval) - 1}
			if refused {
				v.Cause = SenderRefused
			}
			a.Voids = append(a.Voids, v)
		}
		prev, prevSent, refused = i, s.Sent, false
		if s.Answered {
			if open {
				cur.after = i
				cur.outer += excess
				a.runs = append(a.runs, cur)
				open = false
			}
			a.answered = append(a.answered, i)
			before = i
			continue
		}
		if !open {
			cur = run{first: i, before: before, after: -1, answered: uint64(len(a.answered))}
			open = true
		} else {
			cur.inner += excess
		}
		cur.outer += excess
		cur.last = i
		cur.n++
		if s.Unreachable {
			cur.unreachable++
		}
	}
	if open {
		// Nothing was answered after it, so the young ones are not lost yet.
		for cur.n > 0 {
			s := a.s.At(cur.last)
			left := s.Closing || s.Refused // was never part of it
			if !s.Pending && !left {
				break
			}
			if !left {
				a.Pending++
				cur.n--
				if s.Unreachable {
					cur.unreachable--
				}
			}
			cur.last--
		}
		if cur.n > 0 {
			a.runs = append(a.runs, cur)
		}
	}
}

// attribute divides each run into loss on the way there and on the way back.
func (a *analysis) attribute() {
	if !a.p.Stateful {
		a.unknown(0, len(a.runs))
		a.order = a.answered
		return
	}
	// Epochs are stretches in which the reflector counted on.
	done := 0 // runs dealt with
	for from := 0; from < len(a.answered); {
		to, top := from+1, a.number(from)
		for ; to < len(a.answered); to++ {
			n := a.number(to)
			if uint64(n)+reorderReach < uint64(top) {
				a.Resets++
				break
			}
			top = max(top, n)
		}
		// Runs before the epoch's first answer lie between two epochs, or at the
		// very beginning.
		lead := done
		for done < len(a.runs) && a.runs[done].last < a.answered[from] {
			done++
		}
		fresh := from == 0 && !a.p.Anchored
		// A session that an earlier measurement used has a number far ahead.
		if !fresh || uint64(a.number(from)) > uint64(a.answered[from])+reorderReach {
			a.unknown(lead, done)
			fresh = false
		}
		for done < len(a.runs) && a.runs[done].last < a.answered[to-1] {
			done++
		}
		a.epoch(a.answered[from:to], fresh)
		from = to
	}
	a.unknown(done, len(a.runs))
	if a.surplus > 20 && a.surplus*20 > uint64(len(a.answered)) {
		// The reflector counts more than this stream: its numbers tell nothing.
		for i := range a.runs {
			a.runs[i].rev = 0
		}
		a.unknown(0, len(a.runs))
	}
}

func (a *analysis) number(i int) uint32 { return a.s.At(a.answered[i]).Reflector }

func (a *analysis) unknown(from, to int) {
	for i := from; i < to; i++ {
		r := &a.runs[i]
		r.unk = r.n - r.unreachable
	}
}

// epoch finds the missing reflector numbers of one epoch and gives each to a
// run. fresh says that the reflector's count began with this epoch at zero.
func (a *analysis) epoch(answered []int, fresh bool) {
	type reply struct {
		i int
		n uint32
	}
	replies := make([]reply, len(answered))
	for k, i := range answered {
		replies[k] = reply{i, a.s.At(i).Reflector}
	}
	byNumber := func(x, y reply) int { return cmp.Or(cmp.Compare(x.n, y.n), cmp.Compare(x.i, y.i)) }
	if !slices.IsSortedFunc(replies, byNumber) {
		slices.SortFunc(replies, byNumber)
	}
	for _, r := range replies {
		a.order = append(a.order, r.i)
	}
	type hole struct {
		lo, hi int
		n      uint64
	}
	var left []hole // numbers missing where no packet is
	if fresh {
		if n := uint64(replies[0].n); n > 0 {
			if n = a.give(-1, replies[0].i, n); n > 0 {
				left = append(left, hole{-1, replies[0].i, n})
			}
		}
	}
	var again uint64 // numbers of second answers, which are not missing
	for k := 1; k < len(replies); k++ {
		x, y := replies[k-1], replies[k]
		again += uint64(a.s.At(x.i).Again)
		if y.n <= x.n+1 {
			continue
		}
		n := uint64(y.n - x.n - 1)
		known := min(n, again)
		again, n = again-known, n-known
		lo, hi := min(x.i, y.i), max(x.i, y.i)
		if n = a.give(lo, hi, n); n > 0 {
			left = append(left, hole{lo, hi, n})
		}
	}
	// A packet that overtook or was overtaken, and whose reply was lost, leaves
	// its number a little away from its place.
	for _, h := range left {
		for reach := 4; reach <= reorderReach && h.n > 0; reach *= 4 {
			h.n = a.give(h.lo-reach, h.hi+reach, h.n)
		}
		a.surplus += h.n
	}
}

// give records that n packets between samples lo and hi reached the reflector
// and were lost on the way back, and returns how many found no place.
func (a *analysis) give(lo, hi int, n uint64) uint64 {
	k := sort.Search(len(a.runs), func(k int) bool { return a.runs[k].last > lo })
	for ; k < len(a.runs) && a.runs[k].first < hi && n > 0; k++ {
		take := min(n, a.runs[k].free()-a.runs[k].unk)
		a.runs[k].rev += take
		n -= take
	}
	return n
}

// ownDrops takes out of the loss what the sender's own socket dropped.
func (a *analysis) ownDrops() {
	for _, i := range a.answered {
		n := uint64(a.s.At(i).OwnDrops)
		if n == 0 {
			continue
		}
		// The drops happened between the reply read before this one and this.
		for k := sort.Search(len(a.runs), func(k int) bool { return a.runs[k].first > i }) - 1; k >= 0 && n > 0; k-- {
			r := &a.runs[k]
			if r.last+reorderReach < i && r.after != i {
				break
			}
			from := &r.rev
			if r.unk > 0 {
				from = &r.unk
			}
			take := min(n, *from)
			if take == 0 {
				continue
			}
			*from -= take
			r.own += take
			n -= take
			a.Voids = append(a.Voids, Void{
				Cause: ReceiverOverflow, From: a.s.At(r.first).Sent, To: a.s.At(r.last).Sent,
				Untested: time.Duration(take) * a.p.Interval, Packets: take,
			})
		}
	}
}

// reflectorStalls takes out of the loss what a stalled reflector dropped. The
// sign is that its backlog, read in one go when it woke, ends right before the
// row of losses, and that it woke just when packets came through again.
func (a *analysis) reflectorStalls() {
	for k := range a.runs {
		r := &a.runs[k]
		n := r.fwd() - r.unreachable
		if !a.p.Stateful || n == 0 || r.before < backlog-1 || r.after < 0 {
			continue
		}
		last, next := a.s.At(r.before), a.s.At(r.after)
		if !last.HasReached || !next.HasReached || last.Reached+last.Dwell < next.Reached-a.p.VoidAfter {
			continue
		}
		piled := true
		for i := r.before - backlog + 1; i < r.before && piled; i++ {
			s := a.s.At(i)
			came, left := last.Reached-s.Reached, last.Reached+last.Dwell-(s.Reached+s.Dwell)
			piled = s.Answered && s.HasReached && left <= came/2
		}
		if !piled {
			continue
		}
		r.stalled = n
		a.Voids = append(a.Voids, Void{
			Cause: ReflectorStalled, From: a.s.At(r.first).Sent, To: a.s.At(r.last).Sent,
			Untested: time.Duration(n) * a.p.Interval, Packets: n,
		})
	}
}

// outages joins the runs of one direction that are closer than Sustain packets.
func (a *analysis) outages(d Direction) {
	t := a.Direction(d)
	var cur *Outage
	var first, last *run
	var passed uint64 // packets known to have passed in this direction since last
	flush := func() {
		if cur == nil {
			return
		}
		a.finish(cur, first, last)
		t.Outages++
		t.Longest = max(t.Longest, cur.Duration())
		a.Outages = append(a.Outages, *cur)
		cur = nil
	}
	for k := range a.runs {
		r := &a.runs[k]
		n := r.lost(d)
		if n == 0 {
			if d == Forward {
				passed += r.rev + r.own
			}
			continue
		}
		if cur != nil && passed+r.answered-last.answered >= uint64(a.p.Sustain) {
			flush()
		}
		if cur == nil {
			first = r
			cur = &Outage{Direction: d, Start: a.s.At(r.first).Sent, Resolution: a.p.Interval}
		}
		last, passed = r, 0
		cur.Lost += n
		cur.Untested += r.outer
		if n == r.n {
			cur.Lower += a.s.At(r.last).Sent - a.s.At(r.first).Sent - r.inner
		} else {
			// The others may stand anywhere between.
			cur.Mixed = true
			if lower, _ := GapBounds(n, a.p.Interval); lower > time.Duration(r.n-n)*a.p.Interval {
				cur.Lower += lower - time.Duration(r.n-n)*a.p.Interval
			}
		}
	}
	flush()
}

// finish gives an outage its end and its times.
func (a *analysis) finish(o *Outage, first, last *run) {
	o.ByLoss = FrameLossTime(o.Lost, 1/a.p.Interval.Seconds())
	o.OpenStart, o.OpenEnd = first.before < 0, last.after < 0
	if o.OpenEnd {
		o.End = a.s.At(last.last).Sent
		return
	}
	after := a.s.At(last.after)
	o.End = after.Sent
	if o.OpenStart {
		return
	}
	before := a.s.At(first.before)
	o.Upper = after.Sent - before.Sent
	o.ByTime = TimestampTime(before.arrived(), after.arrived())
	if o.Direction == Forward && !o.Mixed && before.HasReached && after.HasReached {
		// The receiver of this direction is the reflector; its clock is believed
		// as long as it did not step.
		if t := TimestampTime(before.Reached, after.Reached); (t - o.ByTime).Abs() < 500*time.Millisecond {
			o.ByTime = t
		}
	}
	o.ByTime = max(o.ByTime-o.Untested, 0)
}

// Overdue is for how long, at the instant now, replies have been missing since
// the last one that came, without the time in which nothing was sent. It is
// zero while the next reply is not due yet. Nobody can tell yet whether it will
// be an outage and on which way. Each and Anchored are not used.
func Overdue(s Samples, p Params, now time.Duration) time.Duration {
	if p.VoidAfter == 0 {
		p.VoidAfter = DefaultVoidAfter(p.Interval)
	}
	if s.Len() == 0 {
		return 0
	}
	last := s.Len() - 1
	b := last
	for b >= 0 && !s.At(b).Answered {
		b--
	}
	if b == last {
		return 0
	}
	var trip time.Duration
	if b >= 0 {
		trip = s.At(b).RoundTrip
	}
	for b < last && s.At(b+1).Refused {
		b++
	}
	if b == last {
		return 0
	}
	from := s.At(b + 1).Sent
	over := now - from - trip
	prev := from
	for i := b + 2; i <= last; i++ {
		if s.At(i).Refused {
			continue
		}
		sent := s.At(i).Sent
		if sent-prev > p.VoidAfter {
			over -= sent - prev - p.Interval
		}
		prev = sent
	}
	if now-prev > p.VoidAfter {
		over -= now - prev - p.Interval
	}
	return max(over, 0)
}

// count makes the totals and tells Each about every packet.
func (a *analysis) count() {
	for _, v := range a.Voids {
		a.VoidGaps++
		a.Untested += v.Untested
	}
	late := make(map[int]bool) // overtaken, by index
	if a.p.Stateful && a.surplus == 0 {
		a.overtaken(a.order, &a.Forward, &a.Reverse, late)
	} else {
		a.overtaken(a.order, nil, &a.RoundTrip, late)
	}
	k := 0
	for i := range a.s.Len() {
		s := a.s.At(i)
		for k < len(a.runs) && a.runs[k].last < i {
			k++
		}
		if s.Closing || s.Refused || i == 0 && a.p.Anchored {
			continue
		}
		f := FateAnswered
		impaired := false
		switch {
		case s.Answered:
			a.Received++
			impaired = s.Duplicated || late[i] || a.p.DelayThreshold > 0 && s.delay() > a.p.DelayThreshold
		case k < len(a.runs) && a.runs[k].first <= i:
			f = a.runs[k].fate(uint64(i - a.runs[k].first))
			impaired = f != FateVoid
		default:
			f = FatePending
		}
		a.Sent++
		if impaired {
			a.Impaired++
		}
		if a.p.Each != nil {
			a.p.Each(&s, f)
		}
	}
	for _, r := range a.runs {
		a.RoundTrip.Lost += r.unk
		a.Forward.Lost += r.fwd()
		a.Reverse.Lost += r.rev
		a.Voided += r.own + r.stalled
	}
	a.Lost = a.RoundTrip.Lost + a.Forward.Lost + a.Reverse.Lost
	a.RoundTrip.Offered = a.Sent - a.Pending
	if a.p.Stateful {
		var nobodyKnows uint64
		for _, r := range a.runs {
			nobodyKnows += r.unk + r.stalled
		}
		a.Forward.Offered = a.Sent - a.Pending - nobodyKnows
		a.Reverse.Offered = a.Forward.Offered - a.Forward.Lost
		a.RoundTrip.Offered = nobodyKnows
	}
}

// fate is what to say of packet i of the run where single fates are not known:
// replies already under way are lost first, then requests.
func (r *run) fate(i uint64) Fate {
	for _, part := range []struct {
		n uint64
		f Fate
	}{{r.rev, FateLostReverse}, {r.own, FateVoid}, {r.unk, FateLostRoundTrip}, {r.stalled, FateVoid}} {
		if i < part.n {
			return part.f
		}
		i -= part.n
	}
	return FateLostForward
}

// overtaken counts packets that arrived after one sent later: there at the
// reflector, back at the sender. order is by the reflector's numbers. Where
// there is nil both ways are judged as one.
// Source: RFC 4737 §3.3.
func (a *analysis) overtaken(order []int, there, back *DirectionTotals, late map[int]bool) {
	top := -1
	for _, i := range order {
		if i < top && there != nil {
			there.Reordered++
			late[i] = true
		}
		top = max(top, i)
	}
	if there == nil {
		order = a.answered
	}
	least := time.Duration(1<<63 - 1)
	for _, i := range slices.Backward(order) {
		s := a.s.At(i)
		if s.arrived() > least {
			back.Reordered++
			late[i] = true
		}
		least = min(least, s.arrived())
	}
}
