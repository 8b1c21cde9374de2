package timing

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"
)

// Step is one step of a change, in the order they are done.
type Step struct {
	ID string `json:"id"`
	// Law of the time from the end of the step before to the end of this one.
	// For a step that is done, [Exactly] what it took.
	Law Law `json:"law"`
	// PointOfNoReturn marks the step from which on going back costs an outage.
	PointOfNoReturn bool `json:"point_of_no_return,omitempty"`
	// Rollback is the law of undoing this step alone; zero where nothing is to
	// undo. A rollback undoes all steps done since the last resting place, the
	// last one first.
	Rollback Law `json:"rollback"`
	// Rest marks a step after which the device may rest as it is, such as the
	// acceptance of a hop: a later rollback does not go back beyond it.
	Rest bool `json:"rest,omitempty"`
}

// Confidence is the share of runs in which the latest starts and the rollback
// clock of an [Outcome] must hold.
const Confidence = 0.95

// Outcome is what many simulated runs of the same steps came to. Instants are
// counted from the start of the window, which is when the first step begins.
type Outcome struct {
	Runs      int           `json:"runs"`
	Window    time.Duration `json:"window_ns"`
	Mean      time.Duration `json:"mean_ns"`
	Deviation time.Duration `json:"deviation_ns"`
	P50       time.Duration `json:"p50_ns"`
	P95       time.Duration `json:"p95_ns"`
	// Done is the share of runs in which the last step ended inside the window.
	Done float64 `json:"done"`
	// DoneAndBack is the share in which a rollback begun after any step, the last
	// one included, would still have ended inside the window.
	// Source: common practice (start + upgrade + verification + rollback ≤ end);
	// RFC 7654 §6 on abort and rollback.
	DoneAndBack float64 `json:"done_and_back"`
	// Error is the standard error of such a share at most, 1 / (2 √Runs).
	Error float64       `json:"error"`
	Steps []StepOutcome `json:"steps"`
	// Tornado lists the steps by how much the end depends on them, the most
	// important first.
	Tornado []Influence `json:"tornado"`

	ends []time.Duration // of the last step, ascending
}

// StepOutcome is what the runs say of one step.
type StepOutcome struct {
	ID              string        `json:"id"`
	PointOfNoReturn bool          `json:"point_of_no_return,omitempty"`
	EndP50          time.Duration `json:"end_p50_ns"`
	EndP95          time.Duration `json:"end_p95_ns"`
	// LatestStart is the latest instant to begin the step so that it and all
	// after it end inside the window with Confidence. Negative: never.
	LatestStart time.Duration `json:"latest_start_ns"`
	// LatestStartBack is the same with room to undo everything afterwards. For
	// the point of no return it is the time of the decision.
	LatestStartBack time.Duration `json:"latest_start_back_ns"`
	// RollbackClock is the latest instant to begin undoing this step and all
	// before it so that the rollback ends inside the window with Confidence.
	RollbackClock time.Duration `json:"rollback_clock_ns"`
	// BackInside is the share of runs in which a rollback begun at the end of
	// the step ended inside the window.
	BackInside float64 `json:"back_inside"`
}

// Influence is how much the end of the last step depends on one step.
type Influence struct {
	ID string `json:"id"`
	// Low and High are the mean end with this step at its 5 % and 95 % quantile.
	Low  time.Duration `json:"low_ns"`
	High time.Duration `json:"high_ns"`
	// Share is the step's part of the variance of the end; 0 where nothing
	// varies.
	Share float64 `json:"share"`
}

// Simulate draws n runs of the steps. It fails where a law is wrong, n is not
// positive or there is no random source.
func Simulate(steps []Step, window time.Duration, n int, rng *rand.Rand) (Outcome, error) {
	if err := check(steps, n, rng); err != nil {
		return Outcome{}, err
	}
	out := Outcome{Runs: n, Window: window, Error: 0.5 / math.Sqrt(float64(n))}
	durations, ends, backs := make([][]time.Duration, len(steps)), make([][]time.Duration, len(steps)), make([][]time.Duration, len(steps))
	for i := range steps {
		durations[i], ends[i], backs[i] = make([]time.Duration, n), make([]time.Duration, n), make([]time.Duration, n)
	}
	last := make([]time.Duration, n)  // ends of the last step
	whole := make([]time.Duration, n) // latest end of a rollback from any step
	for r := range n {
		var undo time.Duration // rollback to the last resting place
		for i := range steps {
			durations[i][r] = steps[i].Law.Draw(rng)
			last[r] += durations[i][r]
			undo += steps[i].Rollback.Draw(rng)
			ends[i][r], backs[i][r] = last[r], undo
			whole[r] = max(whole[r], last[r]+undo)
			if steps[i].Rest {
				undo = 0
			}
		}
	}
	var sum, squares float64
	back := 0
	for r := range n {
		sum += last[r].Seconds()
		if whole[r] <= window {
			back++
		}
	}
	mean := sum / float64(n)
	for r := range n {
		squares += (last[r].Seconds() - mean) * (last[r].Seconds() - mean)
	}
	out.Mean, out.Deviation = duration(mean), duration(math.Sqrt(squares/float64(n)))
	out.DoneAndBack = float64(back) / float64(n)
	out.ends = slices.Sorted(slices.Values(last))
	out.Done = out.Within(window)
	out.P50, out.P95 = out.Quantile(0.5), out.Quantile(0.95)

	left, leftBack := make([]time.Duration, n), make([]time.Duration, n)
	later := make([]time.Duration, n) // latest end of a rollback from this step or a later one
	for i := len(steps) - 1; i >= 0; i-- {
		s := StepOutcome{ID: steps[i].ID, PointOfNoReturn: steps[i].PointOfNoReturn}
		inside := 0
		for r := range n {
			left[r] = last[r] - ends[i][r] + durations[i][r]
			later[r] = max(later[r], ends[i][r]+backs[i][r])
			leftBack[r] = later[r] - ends[i][r] + durations[i][r]
			if ends[i][r]+backs[i][r] <= window {
				inside++
			}
		}
		s.BackInside = float64(inside) / float64(n)
		s.LatestStart = window - quantile(slices.Sorted(slices.Values(left)), Confidence)
		s.LatestStartBack = window - quantile(slices.Sorted(slices.Values(leftBack)), Confidence)
		slices.Sort(backs[i])
		s.RollbackClock = window - quantile(backs[i], Confidence)
		slices.Sort(ends[i])
		s.EndP50, s.EndP95 = quantile(ends[i], 0.5), quantile(ends[i], 0.95)
		out.Steps = append(out.Steps, s)
	}
	slices.Reverse(out.Steps)
	out.tornado(steps, durations)
	return out, nil
}

// tornado puts each step at its own quantiles and leaves the others at their
// means.
func (o *Outcome) tornado(steps []Step, durations [][]time.Duration) {
	whole := Analytic(steps)
	for i, s := range steps {
		slices.Sort(durations[i])
		others := whole.Mean - s.Law.Mean()
		f := Influence{ID: s.ID, Low: others + quantile(durations[i], 0.05), High: others + quantile(durations[i], 0.95)}
		if whole.Variance > 0 {
			f.Share = s.Law.Variance() / whole.Variance
		}
		o.Tornado = append(o.Tornado, f)
	}
	slices.SortStableFunc(o.Tornado, func(a, b Influence) int {
		return cmp.Or(cmp.Compare(b.High-b.Low, a.High-a.Low), cmp.Compare(b.Share, a.Share))
	})
}

// Quantile is the instant by which a share p of the runs had ended, the smallest
// such; p is between 0 and 1.
func (o Outcome) Quantile(p float64) time.Duration { return quantile(o.ends, p) }

// Within is the share of runs whose last step had ended by the instant.
func (o Outcome) Within(d time.Duration) float64 {
	if len(o.ends) == 0 {
		return 0
	}
	i := sort.Search(len(o.ends), func(i int) bool { return o.ends[i] > d })
	return float64(i) / float64(len(o.ends))
}

// quantile is the smallest of the ascending values that a share p of them does
// not exceed.
// Source: Hyndman, Fan, Sample quantiles in statistical packages, The American
// Statistician 50 (1996), definition 1, from memory.
func quantile(ascending []time.Duration, p float64) time.Duration {
	if len(ascending) == 0 {
		return 0
	}
	i := int(math.Ceil(p*float64(len(ascending)))) - 1
	return ascending[max(0, min(i, len(ascending)-1))]
}

// RollbackClock is the latest instant, counted from the start of the window, at
// which undoing the first done steps, back to the last resting place before the
// last of them, may begin so that it ends inside the window with the given confidence (0 to 1), from n drawn rollbacks. Count a
// step that has begun as done. Negative: it is too late from the start.
func RollbackClock(steps []Step, done int, window time.Duration, confidence float64, n int, rng *rand.Rand) (time.Duration, error) {
	if err := check(steps, n, rng); err != nil {
		return 0, err
	}
	if done < 0 || done > len(steps) {
		return 0, fmt.Errorf("found %d steps done, want 0 to %d", done, len(steps))
	}
	if !(confidence >= 0 && confidence <= 1) {
		return 0, fmt.Errorf("found a confidence of %g, want 0 to 1", confidence)
	}
	undo := make([]time.Duration, n)
	for r := range n {
		for i, s := range steps[:done] {
			undo[r] += s.Rollback.Draw(rng)
			if s.Rest && i < done-1 { // what was begun since then is what is undone
				undo[r] = 0
			}
		}
	}
	slices.Sort(undo)
	return window - quantile(undo, confidence), nil
}

func check(steps []Step, n int, rng *rand.Rand) error {
	if n < 1 {
		return fmt.Errorf("found %d runs, want at least one", n)
	}
	if rng == nil {
		return errors.New("found no random source, want one")
	}
	for i, s := range steps {
		if err := s.Law.Check(); err != nil {
			return fmt.Errorf("step %d (%s): %w", i+1, s.ID, err)
		}
		if err := s.Rollback.Check(); err != nil {
			return fmt.Errorf("step %d (%s), rollback: %w", i+1, s.ID, err)
		}
	}
	return nil
}

// Normal is the normal approximation of the sum of step durations.
type Normal struct {
	Mean     time.Duration `json:"mean_ns"`
	Variance float64       `json:"variance_s2"` // s²
}

// Analytic adds up means and variances of the steps, which is exact, and takes
// their sum to be normal, which is good for many steps of like size. It checks
// a simulation and costs nothing.
// Source: as for [Law]; the central limit theorem.
func Analytic(steps []Step) Normal {
	var mean, variance float64
	for _, s := range steps {
		m, v := s.Law.moments()
		mean += m
		variance += v
	}
	return Normal{Mean: duration(mean), Variance: variance}
}

// Quantile is the duration that is not exceeded with probability p.
func (n Normal) Quantile(p float64) time.Duration {
	if n.Variance == 0 {
		return n.Mean
	}
	return duration(n.Mean.Seconds() + math.Sqrt(2*n.Variance)*math.Erfinv(2*p-1))
}

// Within is the probability that the duration is not exceeded.
func (n Normal) Within(d time.Duration) float64 {
	if n.Variance == 0 {
		if d < n.Mean {
			return 0
		}
		return 1
	}
	return (1 + math.Erf((d-n.Mean).Seconds()/math.Sqrt(2*n.Variance))) / 2
}

// Rolling is n steps of the same kind, one after the other, such as the line
// cards of a chassis; each is drawn by itself.
func Rolling(id string, n int, one, rollback Law) []Step {
	out := make([]Step, n)
	for i := range out {
		out[i] = Step{ID: fmt.Sprintf("%s %d", id, i+1), Law: one, Rollback: rollback}
	}
	return out
}
