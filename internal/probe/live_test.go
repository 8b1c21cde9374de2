package probe

import (
	"fmt"
	"reflect"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// handClock is set by the test.
type handClock struct{ t atomic.Int64 }

func (c *handClock) now() time.Duration                   { return time.Duration(c.t.Load()) }
func (c *handClock) wait(t time.Duration, _ *atomic.Bool) { c.t.Store(int64(t)) }

// A long history goes through the records and is folded again and again; what
// comes out is what one look at the whole of it gives, and few records are kept.
func TestFoldingChangesNothing(t *testing.T) {
	const n = 16000
	for seed, c := range []struct {
		loss float64
		gap  int
	}{{0, 1}, {0, 5000}, {0.001, 1}, {0.001, 9000}, {0.01, 700}, {0.1, 1}} {
		w := simulate(uint64(seed), n, c.loss, 0)
		// A long outage too, so that whole chunks have no answer.
		for i := 5000; i < 5000+c.gap; i++ {
			w.samples[i].Answered = false
		}
		s, err := NewSender(Config{Flows: []Flow{{Name: "f", To: "127.0.0.1:9", Reflector: ReflectorStateful}}, Tmax: 100 * ms})
		if err != nil {
			t.Fatal(err)
		}
		clock := &handClock{}
		s.clock, s.started = clock, true
		st := s.flows[0].streams[0]
		take := func(k int) {
			x := w.samples[k]
			r := reply{seq: uint32(k), number: x.Reflector, arrived: x.arrived(), reached: x.Reached, dwell: x.Dwell, timed: true}
			if x.Answered && st.records.answer(r, time.Second) != answerNew {
				t.Fatalf("the reply to %d is not new", k)
			}
		}
		const behind = 50 // replies come so many packets later
		most := 0
		for i, x := range w.samples {
			clock.t.Store(int64(x.Sent))
			late := time.Duration(0)
			if i%1000 == 500 {
				late = 900 * time.Microsecond // makes a void with the packet before
			}
			w.samples[i].Sent += late
			if seq, ok := st.records.begin(uint32(i), late, false); !ok || seq != uint32(i) {
				t.Fatalf("packet %d got number %d", i, seq)
			}
			if i >= behind {
				take(i - behind)
			}
			if i%250 == 0 {
				st.records.provide()
				s.fold(st)
				most = max(most, len(st.records.dir.Load().chunks))
			}
		}
		for k := n - behind; k < n; k++ {
			take(k)
		}
		whole := Analyse(w.samples, s.params(s.flows[0]))
		got := s.build(1 << 62).Flows[0]
		if got.Totals != whole.Totals {
			t.Errorf("%+v: folded %+v\nat once %+v", c, got.Totals, whole.Totals)
		}
		for i := range got.Outages {
			got.Outages[i].Flow, got.Outages[i].Port = "", 0
		}
		if !slices.Equal(got.Outages, whole.Outages) {
			t.Errorf("%+v: folded %v\nat once %v", c, got.Outages, whole.Outages)
		}
		if len(got.Voids) != len(whole.Voids) || len(whole.Voids) < 10 {
			t.Errorf("%+v: %d voids folded, %d at once", c, len(got.Voids), len(whole.Voids))
		}
		if live := s.Live()[0]; live.Clean != whole.Clean {
			t.Errorf("%+v: clean for %v, at once %v", c, live.Clean, whole.Clean)
		}
		if limit := c.gap/chunkLen + 2; c.loss < 0.1 && most > limit {
			t.Errorf("%+v: %d chunks were kept at a time, want %d at most", c, most, limit)
		}
		s.started = false
		s.Stop()
	}
}

// The pacer against the clock: every slot is sent once and in order, none before
// it is due, and one that comes too late for its turn is given up.
// Source: derived, slot k of a flow is due at offset + k / rate.
func TestPacer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		clock := &handClock{}
		var stop atomic.Bool
		type sent struct {
			flow      int
			slot      uint64
			at        time.Duration
			late      time.Duration
			skipped   uint64
			firstOpen uint64
		}
		var log []sent
		stalls := map[int]time.Duration{}
		for range rapid.IntRange(0, 4).Draw(t, "stalls") {
			stalls[rapid.IntRange(0, 199).Draw(t, "when")] = time.Duration(rapid.Int64Range(0, int64(50*ms)).Draw(t, "stall"))
		}
		var flows []*pacedFlow
		for i := range rapid.IntRange(1, 5).Draw(t, "flows") {
			f := &pacedFlow{rate: rapid.Uint64Range(1, MaxRate).Draw(t, "rate"), offset: time.Duration(i) * 10 * time.Microsecond}
			f.send = func(slot uint64, late time.Duration, skipped uint64) {
				log = append(log, sent{i, slot, clock.now(), late, skipped, f.next})
				clock.t.Add(int64(stalls[len(log)])) // the next one finds it late
				stop.Store(len(log) == 200)
			}
			flows = append(flows, f)
		}
		pace(flows, clock, &stop)
		next := map[int]uint64{}
		for i, x := range log {
			f := flows[x.flow]
			if x.slot < next[x.flow] || x.slot != next[x.flow]+x.skipped {
				t.Fatalf("send %d: slot %d with %d skipped, want %d", i, x.slot, x.skipped, next[x.flow])
			}
			if x.at < f.due(x.slot) || x.at >= f.due(x.slot+1)+1 {
				t.Fatalf("send %d: slot %d due at %v, the next at %v, was sent at %v", i, x.slot, f.due(x.slot), f.due(x.slot+1), x.at)
			}
			if want := x.at - f.due(x.firstOpen); x.late != want {
				t.Fatalf("send %d: late by %v, want %v", i, x.late, want)
			}
			next[x.flow] = x.slot + 1
		}
		if len(log) != 200 {
			t.Fatalf("%d sends", len(log))
		}
	})
}

// The classes of the histogram: each value is in a class whose top is at least
// the value and at most 1/32 above it.
func TestHistogram(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := time.Duration(rapid.Int64Range(0, 1<<62).Draw(t, "d"))
		c := class(d)
		if top(c) < d || float64(top(c)) > float64(d)*(1+1.0/32)+1 || c > 0 && top(c-1) >= d {
			t.Fatalf("%d is in class %d, up to %d; the one before goes up to %d", d, c, top(c), top(c-1))
		}
		var h histogram
		var shared sharedHistogram
		values := rapid.SliceOfN(rapid.Int64Range(0, 1e9), 1, 200).Draw(t, "values")
		for _, v := range values {
			h.add(time.Duration(v))
			shared.add(time.Duration(v))
		}
		if h.spread() != shared.spread() {
			t.Fatalf("%+v and shared %+v", h.spread(), shared.spread())
		}
		s := h.spread()
		for q, got := range map[float64]time.Duration{0.5: s.Median, 0.99: s.P99} {
			// The dumb way: so many values are not above it, and it is hardly more
			// than the largest of them.
			below := 0
			for _, v := range values {
				if time.Duration(v) <= got {
					below++
				}
			}
			if float64(below) < q*float64(len(values)) {
				t.Fatalf("only %d of %d are not above %v, the quantile %v", below, len(values), got, q)
			}
		}
		if s.PDV99() != s.P99-s.Min || s.Max < s.P99 || s.Min > s.Median {
			t.Fatalf("%+v", s)
		}
	})
}

// Wide buckets instead of many: nothing is lost from the sums.
func TestTimelineWidens(t *testing.T) {
	tl := timeline{width: time.Millisecond}
	for i := range 5 * maxBuckets {
		tl.count(time.Duration(i)*time.Millisecond, Fate(i%6))
	}
	if len(tl.buckets) > maxBuckets || tl.width != 8*time.Millisecond {
		t.Errorf("%d buckets of %v", len(tl.buckets), tl.width)
	}
	var sum Bucket
	for _, b := range tl.buckets {
		sum.add(b)
	}
	if want := uint32(5 * maxBuckets / 6); sum != (Bucket{5 * maxBuckets, want, want, want, want}) {
		t.Errorf("sum %+v", sum)
	}
}

// Very many outages: the longest stay, and the others are counted.
func TestListsAreBounded(t *testing.T) {
	var y tally
	for i := range 2*MaxListed + 5 {
		y.outages = append(y.outages, Outage{Lost: uint64(i), ByLoss: time.Duration(i)})
		y.voids = append(y.voids, Void{Untested: time.Duration(i)})
	}
	y.trim()
	if len(y.outages) != MaxListed || y.omittedOutages != MaxListed+5 || len(y.voids) != MaxListed || y.omittedVoids != MaxListed+5 {
		t.Errorf("%d outages and %d left out, %d voids and %d left out", len(y.outages), y.omittedOutages, len(y.voids), y.omittedVoids)
	}
	for _, o := range y.outages {
		if o.Lost < MaxListed+5 {
			t.Fatalf("an outage of %d was kept before longer ones", o.Lost)
		}
	}
}

// Source: RFC 7654 §7: T1 to T4; the wait for consent is in none of them.
func TestReport(t *testing.T) {
	r := Result{Size: BaseSize, Flows: []FlowResult{{Rate: 1000, Totals: Totals{Lost: 30}}, {Rate: 500, Totals: Totals{Lost: 0}}}, Marks: []Mark{
		{MarkDownload, 10 * time.Second}, {"something else", 11 * time.Second}, {MarkStaged, 910 * time.Second},
		{MarkRun, 4000 * time.Second}, {MarkSwitched, 4120 * time.Second}, {MarkAcceptance, 4720 * time.Second},
	}}
	rep := r.Report()
	if rep.T1 != 900*time.Second || rep.T2 != 120*time.Second || rep.T3 != 600*time.Second || rep.T4 != 1620*time.Second || rep.Missing != nil {
		t.Errorf("%+v", rep)
	}
	// Source: RFC 7654 §5.3: 30 packets at 1500 a second are 20 ms; RFC 2544
	// appendix B: 90 octets and preamble and gap are 880 bits.
	if rep.TPLFrames != 30 || rep.TPLTime != 20*ms || rep.OfferedLoad != 1500 || rep.OfferedBps != 1500*880 {
		t.Errorf("%+v", rep)
	}
	r.Marks = r.Marks[:3]
	if rep = r.Report(); rep.T1 != 900*time.Second || rep.T2 != 0 || !reflect.DeepEqual(rep.Missing, []string{MarkRun, MarkSwitched, MarkAcceptance}) {
		t.Errorf("without the run: %+v", rep)
	}
	outages := []Outage{{Start: time.Second}, {Start: 10 * time.Second}, {Start: 5000 * time.Second}}
	phases(outages, []Mark{{MarkRun, 4000 * time.Second}, {MarkDownload, 10 * time.Second}})
	if got := fmt.Sprint(outages[0].Phase, "|", outages[1].Phase, "|", outages[2].Phase); got != "|download|upgrade run" {
		t.Errorf("phases %s", got)
	}
}

// The sender gives back the processor slot that it took.
func TestSlotIsGivenBack(t *testing.T) {
	before := runtime.GOMAXPROCS(0)
	reflector := serve(t, ReflectorConfig{})
	for _, gentle := range []bool{false, true} {
		s, err := NewSender(Config{Flows: []Flow{{To: reflector.Addr().String(), Reflector: ReflectorStateful}}, Gentle: gentle})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Start(t.Context()); err != nil {
			t.Fatal(err)
		}
		for s.Live()[0].Received == 0 {
			runtime.Gosched()
		}
		s.Stop()
		if after := runtime.GOMAXPROCS(0); after != before {
			t.Errorf("gentle %v: %d slots before, %d after", gentle, before, after)
		}
	}
}

func TestSpinWindow(t *testing.T) {
	one := []Flow{{Rate: 1000}}
	many := []Flow{{Rate: 5000}, {Rate: 5000}}
	for _, c := range []struct {
		cfg   Config
		cores int
		want  time.Duration
	}{
		{Config{Flows: one}, 8, 150 * time.Microsecond},
		{Config{Flows: one}, 2, 150 * time.Microsecond},
		{Config{Flows: many}, 2, 25 * time.Microsecond},
		{Config{Flows: many}, 4, 150 * time.Microsecond},
		{Config{Flows: many, Spin: -1}, 4, 0},
		{Config{Flows: many, Spin: time.Millisecond}, 1, time.Millisecond},
	} {
		if got := c.cfg.spinFor(c.cores); got != c.want {
			t.Errorf("spin %v on %d cores: %v, want %v", c.cfg.Spin, c.cores, got, c.want)
		}
	}
}
