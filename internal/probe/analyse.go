package probe

import (
	"cmp"
	"slices"
	"sort"
	"time"
)

// reorderReach is how far back a reply's own number may lie for the packet to
// count as overtaken; a longer step back means that the reflector began anew.
const reorderReach = 256

// backlog is how many packets must have piled up in a reflector for the loss
// after them to look like its own.
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
	own           uint64        // packets that the sender's own socket dropped
	stalled       bool          // the reflector was not reading
}

func (r *run) fwd() uint64 { return r.n - r.rev - r.unk - r.own }

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

// reflectorStalls finds losses that a stalled reflector may have made itself.
// The sign is that its backlog, read in one go when it woke, ends right before
// the row of losses, and that it woke no sooner than packets came through again.
// How much room it had is not known from here, so this is a hint and no proof.
func (a *analysis) reflectorStalls() {
	for k := range a.runs {
		r := &a.runs[k]
		if !a.p.Stateful || r.fwd() == r.unreachable || r.before < backlog-1 || r.after < 0 {
			continue
		}
		last, next := a.s.At(r.before), a.s.At(r.after)
		if !last.HasReached || !next.HasReached || last.Reached+last.Dwell < next.Reached-a.p.VoidAfter {
			continue
		}
		r.stalled = true
		for i := r.before - backlog + 1; i < r.before && r.stalled; i++ {
			s := a.s.At(i)
			came, left := last.Reached-s.Reached, last.Reached+last.Dwell-(s.Reached+s.Dwell)
			r.stalled = s.Answered && s.HasReached && left <= came/2
		}
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
		cur.ReflectorStalled = cur.ReflectorStalled || d == Forward && r.stalled
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
	a.clean()
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
		if s.Closing && !s.Answered && !s.Refused {
			a.Closing++
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
		a.Voided += r.own
	}
	a.Lost = a.RoundTrip.Lost + a.Forward.Lost + a.Reverse.Lost
	a.RoundTrip.Offered = a.Sent - a.Pending
	if a.p.Stateful {
		var nobodyKnows uint64
		for _, r := range a.runs {
			nobodyKnows += r.unk
		}
		a.Forward.Offered = a.Sent - a.Pending - nobodyKnows
		a.Reverse.Offered = a.Forward.Offered - a.Forward.Lost
		a.RoundTrip.Offered = nobodyKnows
	}
}

// clean measures the quiet time at the end.
func (a *analysis) clean() {
	if len(a.answered) == 0 {
		return
	}
	from, until := a.answered[0], a.answered[len(a.answered)-1]
	if n := len(a.runs); n > 0 {
		if from = a.runs[n-1].after; from < 0 {
			return
		}
	}
	start, end := a.s.At(from).Sent, a.s.At(until).Sent
	a.Clean = end - start
	for _, v := range slices.Backward(a.Voids) {
		if v.From < start {
			break
		}
		if v.To <= end && v.Cause <= SenderRefused {
			a.Clean -= v.Untested
		}
	}
}

// fate is what to say of packet i of the run where single fates are not known:
// replies already under way are lost first, then requests.
func (r *run) fate(i uint64) Fate {
	for _, part := range []struct {
		n uint64
		f Fate
	}{{r.rev, FateLostReverse}, {r.own, FateVoid}, {r.unk, FateLostRoundTrip}} {
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
// Source: from memory, RFC 4737 §3.3.
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
