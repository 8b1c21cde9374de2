package probe

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// script builds samples from one letter each, sent every interval:
//
//	.  answered      f  lost on the way there    r  lost on the way back
//	?  pending       u  own host had no way      x  own host refused to send
//	C  closing, answered                         c  closing, without answer
//	_  nobody sent: the sender was late
//
// Delay is 2 ms each way, and the reflector takes 10 µs.
func script(s string, interval time.Duration) SampleSlice {
	var out SampleSlice
	var number uint32
	for slot, l := range s {
		at := time.Duration(slot) * interval
		x := Sample{Sent: at}
		switch l {
		case '_':
			continue
		case '.', 'C':
			x.Answered, x.Reflector, x.HasReached = true, number, true
			x.RoundTrip, x.Reached, x.Dwell = 4*ms+10*time.Microsecond, at+2*ms, 10*time.Microsecond
			number++
		case 'r':
			number++
		case '?':
			x.Pending = true
		case 'u':
			x.Unreachable = true
		case 'x':
			x.Refused = true
		case 'c', 'f':
		default:
			panic(l)
		}
		x.Closing = l == 'C' || l == 'c'
		out = append(out, x)
	}
	return out
}

func outagesText(a Analysis) string {
	var b strings.Builder
	for _, o := range a.Outages {
		fmt.Fprintf(&b, "%s %d from %v: loss %v time %v in %v..%v", o.Direction, o.Lost, o.Start, o.ByLoss, o.ByTime, o.Lower, o.Upper)
		if o.Untested > 0 {
			fmt.Fprintf(&b, " untested %v", o.Untested)
		}
		for _, flag := range []struct {
			on   bool
			name string
		}{{o.OpenStart, "open-start"}, {o.OpenEnd, "open-end"}, {o.Mixed, "mixed"}} {
			if flag.on {
				b.WriteString(" " + flag.name)
			}
		}
		b.WriteString("\n")
	}
	return b.String()
}

func voidsText(a Analysis) string {
	var b strings.Builder
	for _, v := range a.Voids {
		fmt.Fprintf(&b, "%v: %v to %v, untested %v, %d packets\n", v.Cause, v.From, v.To, v.Untested, v.Packets)
	}
	return b.String()
}

// Each row is a small history, told packet by packet, at 10 ms per packet.
// Source: RFC 6201 §1.3 for the two times, RFC 8762 §4 for the directions, RFC
// 6412 §3.7.5 for the five packets; bounds derived, (n−1)·p and (n+1)·p.
func TestAnalyse(t *testing.T) {
	const p = 10 * ms
	for _, c := range []struct {
		name, script string
		params       Params
		sent, recv   uint64
		outages      string
		voids        string
	}{
		{name: "nothing lost", script: "..........", sent: 10, recv: 10},
		{
			name: "five lost on the way there are 40 to 60 ms", script: "...fffff..........", sent: 18, recv: 13,
			outages: "forward 5 from 30ms: loss 50ms time 60ms in 40ms..60ms\n",
		},
		{
			name: "the same on the way back", script: "...rrrrr..........", sent: 18, recv: 13,
			outages: "reverse 5 from 30ms: loss 50ms time 60ms in 40ms..60ms\n",
		},
		{
			name: "one packet", script: "..f..", sent: 5, recv: 4,
			outages: "forward 1 from 20ms: loss 10ms time 20ms in 0s..20ms\n",
		},
		{
			name: "both ways at once: counts are known, places are not", script: "...rfffff..........", sent: 19, recv: 13,
			outages: "forward 5 from 30ms: loss 50ms time 70ms in 30ms..70ms mixed\n" +
				"reverse 1 from 30ms: loss 10ms time 70ms in 0s..70ms mixed\n",
		},
		{
			name: "four packets through do not end an outage", script: "..fff....ff......", sent: 17, recv: 12,
			outages: "forward 5 from 20ms: loss 50ms time 100ms in 30ms..100ms\n",
		},
		{
			name: "five do", script: "..fff.....ff......", sent: 18, recv: 13,
			outages: "forward 3 from 20ms: loss 30ms time 40ms in 20ms..40ms\n" +
				"forward 2 from 100ms: loss 20ms time 30ms in 10ms..30ms\n",
		},
		{
			name: "packets lost on the way back did pass on the way there", script: "..fff.rrrr.ff......", sent: 19, recv: 10,
			outages: "forward 3 from 20ms: loss 30ms time 40ms in 20ms..40ms\n" +
				"reverse 4 from 60ms: loss 40ms time 50ms in 30ms..50ms\n" +
				"forward 2 from 110ms: loss 20ms time 30ms in 10ms..30ms\n",
		},
		{
			name: "a stateless reflector tells no direction", script: "..ff......rr....", params: Params{}, sent: 16, recv: 12,
			outages: "round-trip 2 from 20ms: loss 20ms time 30ms in 10ms..30ms\n" +
				"round-trip 2 from 100ms: loss 20ms time 30ms in 10ms..30ms\n",
		},
		{
			name: "a late sender is void and no outage", script: ".....____.....", sent: 10, recv: 10,
			voids: "sender late: 40ms to 90ms, untested 40ms, 4 packets\n",
		},
		{
			name: "a host that refuses to send is void and no outage", script: ".....xxxx.....", sent: 10, recv: 10,
			voids: "sender's host refused to send: 40ms to 90ms, untested 40ms, 4 packets\n",
		},
		{
			name: "a stall inside an outage is not counted into it", script: "...ff____ff.......", sent: 14, recv: 10,
			outages: "forward 4 from 30ms: loss 40ms time 50ms in 30ms..90ms untested 40ms\n",
			voids:   "sender late: 40ms to 90ms, untested 40ms, 4 packets\n",
		},
		{
			name: "a stall at its edge is not either", script: "...ff____.......", sent: 12, recv: 10,
			outages: "forward 2 from 30ms: loss 20ms time 30ms in 10ms..70ms untested 40ms\n",
			voids:   "sender late: 40ms to 90ms, untested 40ms, 4 packets\n",
		},
		{
			name: "no way from the own host counts as loss on the way there", script: "...uuuu.....", sent: 12, recv: 8,
			outages: "forward 4 from 30ms: loss 40ms time 50ms in 30ms..50ms\n",
		},
		{
			name: "before the first reply: the reflector's count tells", script: "ffr.......", sent: 10, recv: 7,
			outages: "forward 2 from 0s: loss 20ms time 0s in 0s..0s open-start mixed\n" +
				"reverse 1 from 0s: loss 10ms time 0s in 0s..0s open-start mixed\n",
		},
		{
			name: "after the last reply nobody knows", script: ".....fff", sent: 8, recv: 5,
			outages: "round-trip 3 from 50ms: loss 30ms time 0s in 20ms..0s open-end\n",
		},
		{
			name: "unless a closing packet is answered", script: ".....fffcC", sent: 8, recv: 5,
			outages: "forward 3 from 50ms: loss 30ms time 50ms in 20ms..50ms\n",
		},
		{
			name: "closing packets are not counted", script: ".....rrrccc", sent: 8, recv: 5,
			outages: "round-trip 3 from 50ms: loss 30ms time 0s in 20ms..0s open-end\n",
		},
		{name: "pending packets are not lost yet", script: ".....???", sent: 8, recv: 5},
		{
			name: "but those overtaken by an answered one are, for now", script: ".....ff.??", sent: 10, recv: 6,
			outages: "forward 2 from 50ms: loss 20ms time 30ms in 10ms..30ms\n",
		},
		{
			name: "nothing ever came back", script: "ffff", sent: 4, recv: 0,
			outages: "round-trip 4 from 0s: loss 40ms time 0s in 30ms..0s open-start open-end\n",
		},
		{name: "no packets"},
	} {
		c.params.Interval = p
		if c.name != "a stateless reflector tells no direction" {
			c.params.Stateful = true
		}
		a := Analyse(script(c.script, p), c.params)
		if a.Sent != c.sent || a.Received != c.recv {
			t.Errorf("%s: %s: sent %d, received %d; want %d, %d", c.name, c.script, a.Sent, a.Received, c.sent, c.recv)
		}
		if got := outagesText(a); got != c.outages {
			t.Errorf("%s: %s\n got %s\nwant %s", c.name, c.script, got, c.outages)
		}
		if got := voidsText(a); got != c.voids {
			t.Errorf("%s: %s\n got %s\nwant %s", c.name, c.script, got, c.voids)
		}
		if a.Sent != a.Received+a.Lost+a.Voided+a.Pending {
			t.Errorf("%s: %+v does not add up", c.name, a.Totals)
		}
	}
}

// The worked case of the reflector's own count: 100 sent, its last number 97,
// 95 replies.
// Source: RFC 8762 §4.
func TestAnalyseSplitsLoss(t *testing.T) {
	s := strings.Repeat(".", 50) + "f" + strings.Repeat(".", 20) + "rr" + strings.Repeat(".", 10) + "rf" + strings.Repeat(".", 15)
	a := Analyse(script(s, ms), Params{Interval: ms, Stateful: true})
	f, r := SplitLoss(100, 97+1, 95)
	if a.Sent != 100 || a.Forward.Lost != f || a.Reverse.Lost != r || a.Lost != 5 {
		t.Errorf("%+v, want forward %d, reverse %d of 100", a.Totals, f, r)
	}
	if a.Forward.Offered != 100 || a.Reverse.Offered != 98 {
		t.Errorf("offered %d and %d, want 100 and 98", a.Forward.Offered, a.Reverse.Offered)
	}
}

// The sender's own socket dropped three replies, and the kernel said so with
// the next one that it let through.
func TestOwnDropsAreVoid(t *testing.T) {
	s := script("..........rrrr..........", ms)
	s[14].OwnDrops = 3
	a := Analyse(s, Params{Interval: ms, Stateful: true})
	if a.Voided != 3 || a.Reverse.Lost != 1 || a.Forward.Lost != 0 {
		t.Errorf("%+v, want 3 voided and 1 lost on the way back", a.Totals)
	}
	if got, want := voidsText(a), "sender's host dropped replies unread: 10ms to 13ms, untested 3ms, 3 packets\n"; got != want {
		t.Errorf("got %s want %s", got, want)
	}
	s[14].OwnDrops = 4
	a = Analyse(s, Params{Interval: ms, Stateful: true})
	if a.Voided != 4 || a.Lost != 0 || len(a.Outages) != 0 {
		t.Errorf("%+v %v, want 4 voided and no outage", a.Totals, a.Outages)
	}
}

// A reflector that stops reading for 200 ms with room for 100 packets answers
// those 100 at once when it wakes, and has lost the rest. That is counted, and
// marked. The same loss without the backlog is not marked.
func TestReflectorStallIsMarked(t *testing.T) {
	history := strings.Repeat(".", 300) + strings.Repeat("f", 100) + strings.Repeat(".", 100)
	s := script(history, ms)
	stalled := func() bool {
		t.Helper()
		a := Analyse(s, Params{Interval: ms, Stateful: true})
		if a.Forward.Lost != 100 || len(a.Outages) != 1 {
			t.Fatalf("%+v, want 100 lost in one outage", a.Totals)
		}
		return a.Outages[0].ReflectorStalled
	}
	if stalled() {
		t.Error("marked without a backlog")
	}
	wake := s[400].Reached
	for i := 200; i < 300; i++ {
		s[i].Dwell = wake + time.Duration(i-200)*5*time.Microsecond - s[i].Reached
		s[i].RoundTrip = 4*ms + s[i].Dwell
	}
	if !stalled() {
		t.Error("not marked with a backlog of 100 packets")
	}
	// It woke 50 ms before packets came through again: what was missing then was
	// the network's.
	for i := 200; i < 300; i++ {
		s[i].Dwell -= 50 * ms
	}
	if stalled() {
		t.Error("marked although it was reading")
	}
}

func TestReflectorRestart(t *testing.T) {
	s := script(strings.Repeat(".", 1000)+"fffff"+strings.Repeat(".", 100), ms)
	for i := 1005; i < len(s); i++ {
		s[i].Reflector -= 1000 // it began to count anew
	}
	a := Analyse(s, Params{Interval: ms, Stateful: true})
	if a.Resets != 1 || a.RoundTrip.Lost != 5 || a.Forward.Lost+a.Reverse.Lost != 0 {
		t.Errorf("%+v, want one restart and 5 lost nobody knows where", a.Totals)
	}
}

// A reflector that counts all sessions together tells no direction.
func TestSharedCounter(t *testing.T) {
	s := script(strings.Repeat(".", 100)+"rrrrr"+strings.Repeat(".", 100), ms)
	for i := range s {
		s[i].Reflector *= 3
	}
	a := Analyse(s, Params{Interval: ms, Stateful: true})
	if a.RoundTrip.Lost != 5 || a.Forward.Lost+a.Reverse.Lost != 0 {
		t.Errorf("%+v, want 5 lost nobody knows where", a.Totals)
	}
}

// Source: RFC 6412 §3.8.1: lost, duplicated, reordered and too late packets are
// impaired; RFC 4737 §3.3 from memory: the overtaken packet is the reordered one.
func TestImpaired(t *testing.T) {
	s := script("....................f....", ms)
	s[2].Duplicated = true
	s[5].RoundTrip = 40 * ms
	// Packet 8 was overtaken by 9 on the way there.
	s[8].Reflector, s[9].Reflector = s[9].Reflector, s[8].Reflector
	s[8].RoundTrip += 1500 * time.Microsecond
	// Packet 12's reply was overtaken by that of 13 on the way back.
	s[12].RoundTrip += 1500 * time.Microsecond
	a := Analyse(s, Params{Interval: ms, Stateful: true, DelayThreshold: 30 * ms})
	if a.Lost != 1 || a.Forward.Lost != 1 || a.Forward.Reordered != 1 {
		t.Errorf("%+v, want one lost and one overtaken on the way there", a.Totals)
	}
	// The reply of 5 was overtaken too, by all that came within its 40 ms.
	if a.Reverse.Reordered != 2 {
		t.Errorf("%d overtaken on the way back, want 2", a.Reverse.Reordered)
	}
	if a.Impaired != 5 { // lost, duplicated, late, and the two overtaken ones
		t.Errorf("%d impaired, want 5", a.Impaired)
	}
}

// Duplicates on the way there have numbers of their own, which are not replies
// that were lost. Every second packet is doubled here.
func TestDuplicatesThere(t *testing.T) {
	s := script("..........f....r..........", ms)
	var shift uint32
	for i := range s {
		s[i].Reflector += shift
		if i%2 == 0 && s[i].Answered {
			s[i].Duplicated, s[i].Again = true, 1
			shift++
		}
	}
	a := Analyse(s, Params{Interval: ms, Stateful: true})
	if a.Forward.Lost != 1 || a.Reverse.Lost != 1 || a.RoundTrip.Lost != 0 {
		t.Errorf("%+v, want one lost each way", a.Totals)
	}
}

func TestOverdue(t *testing.T) {
	p := Params{Interval: 10 * ms}
	trip := 4*ms + 10*time.Microsecond
	for _, c := range []struct {
		script string
		now    time.Duration
		want   time.Duration
	}{
		{"", 500 * ms, 0},
		{".....", 44 * ms, 0},
		{".....", 900 * ms, 0},                            // the sender stands still
		{".....?", 52 * ms, 0},                            // under way
		{".....?", 60 * ms, 10*ms - trip},                 // should have come
		{".....????", 84 * ms, 34*ms - trip},              // packet 5 is the first missing
		{"..???__???", 94 * ms, 74*ms - 20*ms - trip},     // two slots were not sent
		{"..????", 194 * ms, 174*ms - trip - (144-10)*ms}, // sender stalled since
		{"????", 40 * ms, 40 * ms},                        // nothing ever came
		{".....xx??", 94 * ms, 24*ms - trip},              // refused packets never were
		{".....?.", 70 * ms, 0},
	} {
		if got := Overdue(script(c.script, p.Interval), p, c.now); got != c.want {
			t.Errorf("%q at %v: %v, want %v", c.script, c.now, got, c.want)
		}
	}
}

// world is a network that remembers what it did: the truth that Analyse is
// compared with.
type world struct {
	samples                        SampleSlice
	forward, reverse               uint64
	overtakenThere, overtakenBack  uint64
	forwardOutages, reverseOutages []uint64 // lost packets per row, in order
}

// simulate sends n packets through bursts of loss in both directions and, when
// jitter is above zero, lets packets overtake each other.
func simulate(seed uint64, n int, loss float64, jitter time.Duration) world {
	rng := rand.New(rand.NewPCG(seed, 1))
	burst := func() []bool {
		lost := make([]bool, n)
		for i := 0; i < n; i++ {
			if rng.Float64() < loss {
				for l := 1 + rng.IntN(8); l > 0 && i < n; l-- {
					lost[i] = true
					i++
				}
			}
		}
		return lost
	}
	lostThere, lostBack := burst(), burst()
	delay := func() time.Duration {
		d := 2 * ms
		if jitter > 0 {
			d += time.Duration(rng.Int64N(int64(jitter)))
		}
		return d
	}
	var w world
	w.samples = make(SampleSlice, n)
	type arrival struct {
		i  int
		at time.Duration
	}
	var there []arrival
	for i := range n {
		w.samples[i].Sent = time.Duration(i) * ms
		if i == n-1 {
			lostThere[i], lostBack[i] = false, false // so that everything can be told
		}
		if lostThere[i] {
			w.forward++
			continue
		}
		there = append(there, arrival{i, w.samples[i].Sent + delay()})
	}
	slices.SortStableFunc(there, func(a, b arrival) int { return int(a.at - b.at) })
	// The last packet must arrive last, so that no missing number hides behind it.
	k := slices.IndexFunc(there, func(a arrival) bool { return a.i == n-1 })
	last := there[k]
	last.at = max(last.at, there[len(there)-1].at)
	there = append(slices.Delete(there, k, k+1), last)
	var back []arrival
	for number, a := range there {
		if lostBack[a.i] {
			w.reverse++
			continue
		}
		x := &w.samples[a.i]
		x.Answered, x.HasReached, x.Reflector, x.Reached = true, true, uint32(number), a.at
		x.RoundTrip = a.at + delay() - x.Sent
		back = append(back, arrival{a.i, x.arrived()})
	}
	// Reordering, the dumb way: somebody sent later came earlier.
	overtaken := func(list []arrival, before func(a, b arrival) bool) (n uint64) {
		if jitter == 0 {
			return 0
		}
		for _, a := range list {
			for _, b := range list {
				if before(a, b) && b.at < a.at {
					n++
					break
				}
			}
		}
		return n
	}
	received := make([]arrival, len(back))
	for k, b := range back {
		received[k] = arrival{b.i, w.samples[b.i].Reached}
	}
	w.overtakenThere = overtaken(received, func(a, b arrival) bool { return a.i < b.i })
	w.overtakenBack = overtaken(back, func(a, b arrival) bool { return w.samples[a.i].Reflector < w.samples[b.i].Reflector })
	rows := func(lost []bool) (out []uint64) {
		for i := 0; i < n; i++ {
			var l uint64
			for i < n && lost[i] {
				l++
				i++
			}
			if l > 0 {
				out = append(out, l)
			}
		}
		return out
	}
	for i := range n {
		lostBack[i] = lostBack[i] && !lostThere[i]
	}
	w.forwardOutages, w.reverseOutages = rows(lostThere), rows(lostBack)
	return w
}

// Without overtaking every count is exact, and so is the length of every row of
// losses that is not next to one in the other direction.
func TestAnalyseAgainstTruth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		w := simulate(seed, rapid.IntRange(10, 600).Draw(t, "n"), rapid.Float64Range(0, 0.1).Draw(t, "loss"), 0)
		a := Analyse(w.samples, Params{Interval: ms, Stateful: true, Sustain: 1})
		if a.Forward.Lost != w.forward || a.Reverse.Lost != w.reverse || a.RoundTrip.Lost != 0 {
			t.Fatalf("forward %d, reverse %d, unknown %d; truth %d and %d", a.Forward.Lost, a.Reverse.Lost, a.RoundTrip.Lost, w.forward, w.reverse)
		}
		var f, r []uint64
		mixed := false
		for _, o := range a.Outages {
			mixed = mixed || o.Mixed
			if o.Direction == Forward {
				f = append(f, o.Lost)
			} else {
				r = append(r, o.Lost)
			}
			// What is claimed must hold of the truth: the true outage of the row
			// lies within the bounds.
			if o.Lower > o.ByLoss || o.Upper > 0 && o.Upper < o.ByLoss {
				t.Fatalf("%+v: bounds do not hold the figure", o)
			}
		}
		if !mixed && (!slices.Equal(f, w.forwardOutages) || !slices.Equal(r, w.reverseOutages)) {
			t.Fatalf("rows %v and %v; truth %v and %v", f, r, w.forwardOutages, w.reverseOutages)
		}
		if a.Forward.Reordered+a.Reverse.Reordered+a.RoundTrip.Reordered != 0 {
			t.Fatalf("reordering found where there was none: %+v", a.Totals)
		}
	})
}

// With overtaking the totals stay exact, and the overtaken packets are those
// that a look at all pairs finds.
func TestAnalyseReorderedAgainstTruth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		w := simulate(seed, rapid.IntRange(10, 200).Draw(t, "n"), rapid.Float64Range(0, 0.05).Draw(t, "loss"),
			time.Duration(rapid.Int64Range(1, int64(6*ms)).Draw(t, "jitter")))
		a := Analyse(w.samples, Params{Interval: ms, Stateful: true})
		if a.Lost != w.forward+w.reverse {
			t.Fatalf("lost %d, truth %d", a.Lost, w.forward+w.reverse)
		}
		if a.Forward.Lost != w.forward || a.Reverse.Lost != w.reverse {
			t.Fatalf("forward %d, reverse %d; truth %d and %d", a.Forward.Lost, a.Reverse.Lost, w.forward, w.reverse)
		}
		if a.Forward.Reordered != w.overtakenThere || a.Reverse.Reordered != w.overtakenBack {
			t.Fatalf("overtaken %d and %d; truth %d and %d", a.Forward.Reordered, a.Reverse.Reordered, w.overtakenThere, w.overtakenBack)
		}
	})
}

// To fold a history in two must give the same as to read it at once, when the
// cut is in a quiet place.
func TestAnalyseInPieces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		one := simulate(seed, 200, 0.03, 0)
		history := append(SampleSlice{}, one.samples...)
		number := history[len(history)-1].Reflector
		add := func(x Sample) {
			i := len(history)
			shift := time.Duration(i)*ms - x.Sent
			x.Sent += shift
			x.Reached += shift
			history = append(history, x)
		}
		for range quiet {
			number++
			add(Sample{Answered: true, HasReached: true, Reflector: number, RoundTrip: 4 * ms, Reached: 2 * ms})
		}
		cut := len(history)
		for _, x := range simulate(seed+1, 200, 0.03, 0).samples {
			x.Reflector += number + 1
			add(x)
		}
		p := Params{Interval: ms, Stateful: true}
		whole := Analyse(history, p)
		first := Analyse(history[:cut], p)
		p.Anchored = true
		second := Analyse(history[cut-1:], p)
		sum := first.Totals
		sum.add(second.Totals)
		if sum != whole.Totals {
			t.Fatalf("in pieces %+v\nat once   %+v", sum, whole.Totals)
		}
		if got := append(first.Outages, second.Outages...); !slices.Equal(got, whole.Outages) {
			t.Fatalf("in pieces %v\nat once   %v", got, whole.Outages)
		}
	})
}

func BenchmarkAnalyse(b *testing.B) {
	w := simulate(1, 100000, 0.001, 0)
	b.ResetTimer()
	for b.Loop() {
		Analyse(w.samples, Params{Interval: ms, Stateful: true})
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/100000, "ns/packet")
}
