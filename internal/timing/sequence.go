package timing

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"
)

// Draws are simulated runs of one change, to be put together with those of
// others: a change that is done on many devices alike is drawn once.
type Draws struct {
	// Lasts is how long the steps took in each run.
	Lasts []time.Duration
	// Backs is the latest end of a rollback begun after any step, counted from the
	// start of the change; never less than Lasts.
	Backs []time.Duration
}

// Draw makes n runs of the steps. It fails as [Simulate] does.
func Draw(steps []Step, n int, rng *rand.Rand) (Draws, error) {
	if err := check(steps, n, rng); err != nil {
		return Draws{}, err
	}
	d := Draws{Lasts: make([]time.Duration, n), Backs: make([]time.Duration, n)}
	for r := range n {
		var end, undo, back time.Duration
		for i := range steps {
			end += steps[i].Law.Draw(rng)
			undo += steps[i].Rollback.Draw(rng)
			back = max(back, end+undo)
			if steps[i].Rest {
				undo = 0
			}
		}
		d.Lasts[r], d.Backs[r] = end, max(back, end)
	}
	return d, nil
}

// Keep is the least time to keep for the change so that it is done in it with
// probability done and, where back is above 0, done and if needed rolled back
// in it with probability back.
func (d Draws) Keep(done, back float64) time.Duration {
	keep := quantile(slices.Sorted(slices.Values(d.Lasts)), done)
	if back > 0 {
		keep = max(keep, quantile(slices.Sorted(slices.Values(d.Backs)), back))
	}
	return keep
}

// Turn is one change in a sequence of changes that the same hands do.
type Turn struct {
	// Start is when it begins at the earliest, counted from the start of the
	// window: what is promised to begin then does not begin before.
	Start time.Duration
	// Limit is when it must have ended, counted likewise.
	Limit time.Duration
	Draws Draws
}

// Chance says how one turn of a sequence fares.
type Chance struct {
	Done float64 // share of runs in which it ended by its limit
	Back float64 // share in which also a rollback from anywhere would have
}

// Sequence says how changes fare that follow each other: each begins at its
// start or when the one before has ended, whichever is later. whole is the
// chance that all of them do. Runs of the turns are paired by chance; all must
// have as many.
func Sequence(turns []Turn, rng *rand.Rand) (each []Chance, whole Chance, err error) {
	if len(turns) == 0 {
		return nil, Chance{1, 1}, nil
	}
	n := len(turns[0].Draws.Lasts)
	for i, t := range turns {
		if len(t.Draws.Lasts) != n || len(t.Draws.Backs) != n || n == 0 {
			return nil, whole, fmt.Errorf("turn %d: found %d and %d runs, want %d of each, above zero", i+1, len(t.Draws.Lasts), len(t.Draws.Backs), n)
		}
	}
	if rng == nil {
		return nil, whole, fmt.Errorf("found no random source, want one")
	}
	each = make([]Chance, len(turns))
	for range n {
		var end time.Duration
		all, allBack := true, true
		for i, t := range turns {
			begin := max(end, t.Start)
			k := rng.IntN(n)
			end = begin + t.Draws.Lasts[k]
			done, back := end <= t.Limit, begin+t.Draws.Backs[k] <= t.Limit
			if done {
				each[i].Done++
			}
			if back {
				each[i].Back++
			}
			all, allBack = all && done, allBack && back
		}
		if all {
			whole.Done++
		}
		if allBack {
			whole.Back++
		}
	}
	for i := range each {
		each[i].Done /= float64(n)
		each[i].Back /= float64(n)
	}
	whole.Done /= float64(n)
	whole.Back /= float64(n)
	return each, whole, nil
}
