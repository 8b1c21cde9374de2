package timing

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func seeded(n uint64) *rand.Rand { return rand.New(rand.NewPCG(n, 1)) }

func min3(a, b, c float64) Law {
	m := func(x float64) time.Duration { return time.Duration(x * float64(time.Minute)) }
	return Law{Least: m(a), Likely: m(b), Most: m(c)}
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %v, want %v ± %v", what, got, want, within)
	}
}

// Source: PERT three-point estimates (Malcolm et al. 1959, from memory), with
// their worked sums: mean (o + 4m + p) / 6, variance ((p − o) / 6)², and 95 %
// one-sided at mean + 1.645 deviations.
func TestThreePointEstimates(t *testing.T) {
	steps := []Step{{ID: "a", Law: min3(10, 15, 32)}, {ID: "b", Law: min3(5, 8, 17)}, {ID: "c", Law: min3(2, 3, 4)}}
	for i, want := range []struct{ mean, variance float64 }{{17, 13.44}, {9, 4}, {3, 0.111}} {
		near(t, steps[i].ID+" mean", steps[i].Law.Mean().Minutes(), want.mean, 1e-9)
		near(t, steps[i].ID+" variance", steps[i].Law.Variance()/3600, want.variance, 0.005)
		near(t, steps[i].ID+" deviation", steps[i].Law.Deviation().Minutes(), math.Sqrt(want.variance), 0.001)
	}
	n := Analytic(steps)
	near(t, "mean", n.Mean.Minutes(), 29, 1e-9)
	near(t, "variance", n.Variance/3600, 17.556, 0.0005)
	near(t, "deviation", math.Sqrt(n.Variance)/60, 4.190, 0.0005)
	near(t, "95 %", n.Quantile(0.95).Minutes(), 35.89, 0.005)
	near(t, "within the 95 %", n.Within(n.Quantile(0.95)), 0.95, 1e-6)
	near(t, "within the mean", n.Within(n.Mean), 0.5, 1e-12)
}

// Source: from memory, a textbook's network of eight activities in weeks; its
// critical path has mean 15, variance 3.11, and ends within 16 weeks with
// probability 0.716 (from a table at z = 0.57).
func TestTextbookNetwork(t *testing.T) {
	var path []Step
	for _, x := range [][3]float64{{1, 2, 3}, {1, 2, 3}, {1, 4, 7}, {3, 4, 11}, {1, 2, 3}} {
		path = append(path, Step{Law: min3(x[0], x[1], x[2])})
	}
	n := Analytic(path)
	near(t, "mean", n.Mean.Minutes(), 15, 1e-9)
	near(t, "variance", n.Variance/3600, 3.11, 0.005)
	near(t, "within 16", n.Within(16*time.Minute), 0.716, 0.002)
	o, err := Simulate(path, 16*time.Minute, 40_000, seeded(3))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "simulated mean", o.Mean.Minutes(), 15, 4*math.Sqrt(3.11/40_000))
	near(t, "simulated within 16", o.Done, 0.716, 0.02) // five skewed steps are not quite normal
}

// The distribution function of Beta(4, 4), which a symmetrical estimate is, as
// a binomial sum.
// Source: NIST Digital Library of Mathematical Functions 8.17.5.
func beta44(x float64) float64 {
	sum := 0.0
	for j := 4; j <= 7; j++ {
		c := math.Gamma(8) / math.Gamma(float64(j)+1) / math.Gamma(float64(8-j))
		sum += c * math.Pow(x, float64(j)) * math.Pow(1-x, float64(7-j))
	}
	return sum
}

func TestDrawsFollowTheBetaDistribution(t *testing.T) {
	const n = 50_000
	rng := seeded(1)
	l := Law{Least: 0, Likely: 50 * time.Second, Most: 100 * time.Second}
	x := make([]float64, n)
	for i := range x {
		x[i] = l.Draw(rng).Seconds() / 100
	}
	slices.Sort(x)
	worst := 0.0
	for i, v := range x {
		worst = max(worst, math.Abs(beta44(v)-float64(i)/n), math.Abs(beta44(v)-float64(i+1)/n))
	}
	// Source: Kolmogorov's distribution, 0.1 % point 1.95 / √n.
	if limit := 1.95 / math.Sqrt(n); worst > limit {
		t.Errorf("largest distance to the distribution function %v, limit %v", worst, limit)
	}
	// Skewed as far as an estimate can be, a shape is below one; its moments
	// have closed forms.
	// Source: moments of the beta distribution, E[X^k] = Π (a+r) / (a+b+r).
	for _, c := range []struct {
		law  Law
		mean float64
	}{{Law{0, 0, 60 * time.Second, nil}, 1. / 6}, {Law{0, 60 * time.Second, 60 * time.Second, nil}, 5. / 6}, {min3(0, 0.2, 1), 0.3}} {
		a, b := betaShape(c.mean)
		var got [4]float64
		for range n {
			v := c.law.Draw(rng).Minutes()
			if v < 0 || v > 1 {
				t.Fatalf("drew %v outside of the estimate", v)
			}
			for k, p := 0, v; k < 4; k, p = k+1, p*v {
				got[k] += p / n
			}
		}
		want := 1.0
		for k := range 4 {
			want *= (a + float64(k)) / (a + b + float64(k))
			near(t, fmt.Sprintf("mean %v, moment %d", c.mean, k+1), got[k], want, 4*0.5/math.Sqrt(n))
		}
		near(t, "first moment", a/(a+b), c.mean, 1e-12)
		near(t, "variance", a*b/((a+b)*(a+b)*(a+b+1)), 1./36, 1e-12)
	}
}

func TestSimulationAgreesWithTheSum(t *testing.T) {
	steps := append([]Step{{ID: "copy", Law: min3(10, 15, 32)}, {ID: "switchover", Law: min3(1, 2, 9)}}, Rolling("line card", 20, min3(2, 3, 6), Law{})...)
	steps[0].Law = steps[0].Law.Learn(12*time.Minute, 40*time.Minute, 14*time.Minute)
	const runs = 20_000
	o, err := Simulate(steps, time.Hour, runs, seeded(2))
	if err != nil {
		t.Fatal(err)
	}
	n := Analytic(steps)
	sd := math.Sqrt(n.Variance)
	near(t, "mean", o.Mean.Seconds(), n.Mean.Seconds(), 4*sd/math.Sqrt(runs))
	near(t, "deviation", o.Deviation.Seconds(), sd, 0.03*sd)
	// Twenty like steps without the copy are close to normal.
	rolling, err := Simulate(steps[2:], time.Hour, runs, seeded(2))
	if err != nil {
		t.Fatal(err)
	}
	n = Analytic(steps[2:])
	for _, p := range []float64{0.05, 0.25, 0.5, 0.75, 0.95} {
		near(t, fmt.Sprintf("quantile %v", p), rolling.Quantile(p).Seconds(), n.Quantile(p).Seconds(), 0.1*math.Sqrt(n.Variance))
		near(t, fmt.Sprintf("within quantile %v", p), rolling.Within(n.Quantile(p)), p, 0.02)
	}
	near(t, "median", rolling.P50.Seconds(), rolling.Quantile(0.5).Seconds(), 0)
	near(t, "standard error", o.Error, 0.5/math.Sqrt(runs), 1e-12)
}

// The slow twin: steps that take one of a few durations each have a sum that can
// be written out in full.
func exact(steps []Step, window time.Duration) (done, doneBack float64) {
	type way struct {
		forward, back time.Duration
		p             float64
	}
	all := []way{{0, 0, 1}}
	for _, s := range steps {
		var next []way
		for _, w := range all {
			for _, d := range s.Law.Samples {
				for _, r := range s.Rollback.Samples {
					next = append(next, way{w.forward + d, w.back + r, w.p / float64(len(s.Law.Samples)*len(s.Rollback.Samples))})
				}
			}
		}
		all = next
	}
	for _, w := range all {
		if w.forward <= window {
			done += w.p
		}
		if w.forward+w.back <= window {
			doneBack += w.p
		}
	}
	return done, doneBack
}

func TestSimulationAgreesWithEveryCombination(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := rapid.SliceOfN(rapid.Map(rapid.IntRange(1, 9), func(n int) time.Duration { return time.Duration(n) * time.Minute }), 1, 3)
		var steps []Step
		for i := range rapid.IntRange(1, 4).Draw(t, "steps") {
			steps = append(steps, Step{ID: fmt.Sprint(i), Law: Law{Samples: draw.Draw(t, "law")}, Rollback: Law{Samples: draw.Draw(t, "rollback")}})
		}
		window := time.Duration(rapid.IntRange(1, 40).Draw(t, "window")) * time.Minute
		const runs = 1000
		o, err := Simulate(steps, window, runs, seeded(rapid.Uint64().Draw(t, "seed")))
		if err != nil {
			t.Fatal(err)
		}
		done, back := exact(steps, window)
		// Six standard errors: a miss by chance is one in a thousand million.
		if math.Abs(o.Done-done) > 6*o.Error || math.Abs(o.DoneAndBack-back) > 6*o.Error {
			t.Fatalf("done %v and back %v, want %v and %v ± %v", o.Done, o.DoneAndBack, done, back, 6*o.Error)
		}
		checkOrder(t, o, window)
	})
}

// checkOrder sees that the outcome does not contradict itself.
func checkOrder(t *rapid.T, o Outcome, window time.Duration) {
	if o.DoneAndBack > o.Done || o.P50 > o.P95 || o.Done != o.Within(window) {
		t.Fatalf("outcome contradicts itself: %+v", o)
	}
	for i, s := range o.Steps {
		if s.LatestStartBack > s.LatestStart || s.EndP50 > s.EndP95 || s.BackInside < o.DoneAndBack {
			t.Fatalf("step contradicts itself: %+v", s)
		}
		if i > 0 {
			b := o.Steps[i-1]
			if b.RollbackClock < s.RollbackClock || b.EndP50 > s.EndP50 || b.LatestStart > s.LatestStart || b.BackInside < s.BackInside {
				t.Fatalf("steps contradict each other: %+v, %+v", b, s)
			}
		}
	}
	if n := len(o.Steps); o.Steps[n-1].EndP95 != o.P95 || o.Steps[n-1].BackInside != o.DoneAndBack {
		t.Fatalf("last step and end differ: %+v, %+v", o.Steps[n-1], o)
	}
	sum := 0.0
	for i, f := range o.Tornado {
		sum += f.Share
		if i > 0 && f.High-f.Low > o.Tornado[i-1].High-o.Tornado[i-1].Low {
			t.Fatalf("tornado is not in order: %+v", o.Tornado)
		}
	}
	if len(o.Tornado) != len(o.Steps) || sum > 0 && math.Abs(sum-1) > 1e-9 {
		t.Fatalf("shares add up to %v: %+v", sum, o.Tornado)
	}
}

// Steps of known length leave nothing to chance.
// Source: common practice, start + upgrade + verification + rollback ≤ end.
func TestKnownDurations(t *testing.T) {
	m := time.Minute
	steps := []Step{
		{ID: "staging", Law: Exactly(10 * m)},
		{ID: "switchover", Law: Exactly(2 * m), PointOfNoReturn: true, Rollback: Exactly(15 * m)},
		{ID: "line cards", Law: Exactly(8 * m), Rollback: Exactly(5 * m)},
	}
	o, err := Simulate(steps, 60*m, 10, seeded(1))
	if err != nil {
		t.Fatal(err)
	}
	want := []StepOutcome{
		{ID: "staging", EndP50: 10 * m, EndP95: 10 * m, LatestStart: 40 * m, LatestStartBack: 20 * m, RollbackClock: 60 * m, BackInside: 1},
		{ID: "switchover", PointOfNoReturn: true, EndP50: 12 * m, EndP95: 12 * m, LatestStart: 50 * m, LatestStartBack: 30 * m, RollbackClock: 45 * m, BackInside: 1},
		{ID: "line cards", EndP50: 20 * m, EndP95: 20 * m, LatestStart: 52 * m, LatestStartBack: 32 * m, RollbackClock: 40 * m, BackInside: 1},
	}
	if !slices.Equal(o.Steps, want) {
		t.Errorf("steps:\ngot  %+v\nwant %+v", o.Steps, want)
	}
	if o.Done != 1 || o.DoneAndBack != 1 || o.Mean != 20*m || o.Deviation != 0 || o.P95 != 20*m {
		t.Errorf("outcome %+v", o)
	}
	for _, f := range o.Tornado {
		if f.Low != 20*m || f.High != 20*m || f.Share != 0 {
			t.Errorf("influence of what does not vary: %+v", f)
		}
	}
	for window, back := range map[time.Duration]float64{40 * m: 1, 40*m - 1: 0} {
		if o, _ := Simulate(steps, window, 10, seeded(1)); o.DoneAndBack != back || o.Done != 1 {
			t.Errorf("window %s: done %v, back %v, want 1 and %v", window, o.Done, o.DoneAndBack, back)
		}
	}
	for done, want := range []time.Duration{60 * m, 60 * m, 45 * m, 40 * m} {
		got, err := RollbackClock(steps, done, 60*m, Confidence, 10, seeded(1))
		if got != want || err != nil {
			t.Errorf("rollback clock after %d steps: got %s %v, want %s", done, got, err, want)
		}
	}
	if n := Analytic(steps); n.Quantile(0.99) != 20*m || n.Within(20*m) != 1 || n.Within(20*m-1) != 0 {
		t.Errorf("normal of what does not vary: %+v", n)
	}
}

func TestRollbackClockHoldsAsOftenAsItSays(t *testing.T) {
	steps := []Step{{ID: "a", Law: min3(5, 8, 17), Rollback: min3(5, 8, 17)}, {ID: "b", Law: min3(2, 3, 4), Rollback: min3(10, 15, 32)}}
	const window = time.Hour
	for _, confidence := range []float64{0.5, 0.8, 0.95} {
		clock, err := RollbackClock(steps, 2, window, confidence, 20_000, seeded(5))
		if err != nil {
			t.Fatal(err)
		}
		rng, inside := seeded(6), 0
		for range 20_000 {
			if clock+steps[0].Rollback.Draw(rng)+steps[1].Rollback.Draw(rng) <= window {
				inside++
			}
		}
		near(t, fmt.Sprintf("inside at %v", confidence), float64(inside)/20_000, confidence, 0.02)
	}
	// The wider the spread, the earlier the clock, though the mean stays.
	wide, _ := RollbackClock([]Step{{Rollback: min3(0, 10, 20)}}, 1, window, Confidence, 5000, seeded(5))
	narrow, _ := RollbackClock([]Step{{Rollback: min3(9, 10, 11)}}, 1, window, Confidence, 5000, seeded(5))
	if wide >= narrow {
		t.Errorf("wide spread %s, narrow %s", wide, narrow)
	}
}

// The rule: an estimate counts as PriorWeight measurements.
// Source: Ferguson 1973, from memory: the predictive law of a Dirichlet process.
func TestLearning(t *testing.T) {
	prior := min3(2, 3, 4) // mean 3
	m := time.Minute
	if got := prior.Learn(9 * m).Mean(); got != 4*m { // (5·3 + 9) / 6
		t.Errorf("after one run: mean %s, want 4m", got)
	}
	if got := prior.Learn(9*m, 9*m, 9*m, 9*m, 9*m).Mean(); got != 6*m { // half and half
		t.Errorf("after five runs: mean %s, want 6m", got)
	}
	if prior.Samples != nil {
		t.Error("learning has changed the estimate")
	}
	long := prior
	for range 995 {
		long = long.Learn(9 * m)
	}
	if got := long.Mean(); got != 9*m-6*m*5/1000 {
		t.Errorf("after many runs: mean %s", got)
	}
	// Without an estimate, measurements stand for themselves.
	l := Law{Samples: []time.Duration{m, 3 * m}}
	if l.Mean() != 2*m || l.Deviation() != m {
		t.Errorf("of measurements alone: %s ± %s", l.Mean(), l.Deviation())
	}
	// Mean and variance are those of the draws.
	l = prior.Learn(10*m, 2*m, 2*m)
	const n = 100_000
	rng := seeded(9)
	var sum, squares float64
	for range n {
		d := l.Draw(rng).Seconds()
		sum += d
		squares += d * d
	}
	mean := sum / n
	near(t, "mean of draws", mean, l.Mean().Seconds(), 4*math.Sqrt(l.Variance()/n))
	near(t, "variance of draws", squares/n-mean*mean, l.Variance(), 0.03*l.Variance())
}

func TestTornadoFindsWhatMatters(t *testing.T) {
	steps := []Step{{ID: "long and sure", Law: min3(59, 60, 61)}, {ID: "short and unsure", Law: min3(1, 5, 31)}, {ID: "known", Law: Exactly(time.Minute)}}
	o, err := Simulate(steps, 2*time.Hour, 5000, seeded(4))
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, f := range o.Tornado {
		ids = append(ids, f.ID)
	}
	if want := []string{"short and unsure", "long and sure", "known"}; !slices.Equal(ids, want) {
		t.Errorf("order %q, want %q", ids, want)
	}
	// (31−1)² against (61−59)²: 900 of 904.
	near(t, "share of the unsure step", o.Tornado[0].Share, 900./904, 1e-9)
	if f, mean := o.Tornado[0], Analytic(steps).Mean; f.Low >= mean || f.High <= mean {
		t.Errorf("mean %s is not between %s and %s", mean, f.Low, f.High)
	}
}

func TestTransfers(t *testing.T) {
	l, err := Transfer(1_000_000_000, 100e6, 400e6, 800e6, 200e6)
	if want := (Law{Least: 10 * time.Second, Likely: 20 * time.Second, Most: 80 * time.Second, Samples: []time.Duration{40 * time.Second}}); err != nil || l.Least != want.Least || l.Likely != want.Likely || l.Most != want.Most || !slices.Equal(l.Samples, want.Samples) {
		t.Errorf("got %+v %v, want %+v", l, err, want)
	}
	if l, err := Transfer(1_000_000, 0, 0, 0, 8e6, 4e6); err != nil || l.Mean() != 1500*time.Millisecond {
		t.Errorf("measured rates alone: %+v %v", l, err)
	}
	for _, c := range []struct {
		octets           int64
		slow, like, fast float64
		measured         []float64
		want             string
	}{
		{-1, 1, 1, 1, nil, "found -1 octets, want none below zero"},
		{1, 0, 0, 0, nil, "found no rate, want an expected or a measured one"},
		{1, 2, 1, 3, nil, "found rates of 2, 1, 3 bit/s, want 0 < slowest ≤ likely ≤ fastest"},
		{1, 0, 1, 3, nil, "found rates of 0, 1, 3 bit/s, want 0 < slowest ≤ likely ≤ fastest"},
		{1, 1, 1, 1, []float64{0}, "found a measured rate of 0 bit/s, want one above zero"},
	} {
		if _, err := Transfer(c.octets, c.slow, c.like, c.fast, c.measured...); err == nil || err.Error() != c.want {
			t.Errorf("got %v, want %s", err, c.want)
		}
	}
}

func TestSimulateRefusesWhatIsWrong(t *testing.T) {
	good := []Step{{ID: "a", Law: min3(1, 2, 3)}}
	for _, c := range []struct {
		steps []Step
		n     int
		rng   *rand.Rand
		want  string
	}{
		{good, 0, seeded(1), "found 0 runs, want at least one"},
		{good, 1, nil, "found no random source, want one"},
		{[]Step{{ID: "a", Law: min3(2, 1, 3)}}, 1, seeded(1), "step 1 (a): found 2m0s, 1m0s, 3m0s, want 0 ≤ least ≤ likely ≤ most"},
		{[]Step{good[0], {ID: "b", Law: Law{Samples: []time.Duration{-1}}}}, 1, seeded(1), "step 2 (b): found -1ns as measured duration 1, want none below zero"},
		{[]Step{{ID: "a", Rollback: min3(-1, 1, 3)}}, 1, seeded(1), "step 1 (a), rollback: found -1m0s, 1m0s, 3m0s, want 0 ≤ least ≤ likely ≤ most"},
	} {
		if _, err := Simulate(c.steps, time.Hour, c.n, c.rng); err == nil || err.Error() != c.want {
			t.Errorf("got %v, want %s", err, c.want)
		}
		if _, err := RollbackClock(c.steps, 0, time.Hour, 0.95, c.n, c.rng); err == nil || err.Error() != c.want {
			t.Errorf("got %v, want %s", err, c.want)
		}
	}
	for _, done := range []int{-1, 2} {
		if _, err := RollbackClock(good, done, time.Hour, 0.95, 1, seeded(1)); err == nil || err.Error() != fmt.Sprintf("found %d steps done, want 0 to 1", done) {
			t.Errorf("%d steps done: %v", done, err)
		}
	}
	if _, err := RollbackClock(good, 1, time.Hour, math.NaN(), 1, seeded(1)); err == nil || err.Error() != "found a confidence of NaN, want 0 to 1" {
		t.Errorf("no confidence: %v", err)
	}
}

func TestSameSourceSameOutcome(t *testing.T) {
	steps := Rolling("line card", 3, min3(1, 2, 6), min3(1, 1, 2))
	a, _ := Simulate(steps, 10*time.Minute, 500, seeded(8))
	b, _ := Simulate(steps, 10*time.Minute, 500, seeded(8))
	c, _ := Simulate(steps, 10*time.Minute, 500, seeded(9))
	if a.Mean != b.Mean || !slices.Equal(a.Steps, b.Steps) || a.Mean == c.Mean {
		t.Errorf("means %s, %s with one source, %s with another", a.Mean, b.Mean, c.Mean)
	}
	if steps[2].ID != "line card 3" || len(steps) != 3 {
		t.Errorf("steps %+v", steps)
	}
}

func TestEnds(t *testing.T) {
	var none Outcome
	if none.Quantile(0.5) != 0 || none.Within(time.Hour) != 0 {
		t.Error("an empty outcome has quantiles")
	}
	o := Outcome{ends: []time.Duration{1, 2, 2, 4}}
	for p, want := range map[float64]time.Duration{0: 1, 0.25: 1, 0.26: 2, 0.75: 2, 0.76: 4, 1: 4} {
		if got := o.Quantile(p); got != want {
			t.Errorf("quantile %v: got %d, want %d", p, got, want)
		}
	}
	for d, want := range map[time.Duration]float64{0: 0, 1: 0.25, 2: 0.75, 3: 0.75, 4: 1, math.MaxInt64: 1} {
		if got := o.Within(d); got != want {
			t.Errorf("within %d: got %v, want %v", d, got, want)
		}
	}
	n := Normal{Mean: time.Minute, Variance: 1}
	if n.Quantile(0) != math.MinInt64 || n.Quantile(1) != math.MaxInt64 {
		t.Errorf("normal from %d to %d", n.Quantile(0), n.Quantile(1))
	}
	if z := (Law{}); z.Check() != nil || z.Draw(seeded(1)) != 0 || z.Mean() != 0 || z.Deviation() != 0 {
		t.Error("the zero law takes time")
	}
}

func BenchmarkSimulate(b *testing.B) {
	steps := Rolling("step", 30, min3(2, 3, 9), min3(1, 2, 3))
	for b.Loop() {
		if _, err := Simulate(steps, 2*time.Hour, 10_000, seeded(1)); err != nil {
			b.Fatal(err)
		}
	}
}
