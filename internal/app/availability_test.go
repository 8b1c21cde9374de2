package app

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"towpath/internal/timing"
)

// Worked out by hand from the formulas of handbooks: a pair is short with (1-a)²,
// one of it alone with 1-a, nothing with certainty.
func TestAddedDowntime(t *testing.T) {
	t0 := time.Date(2031, 3, 5, 22, 0, 0, 0, time.UTC)
	at := func(from, to int) stretch {
		return stretch{t0.Add(time.Duration(from) * time.Minute), t0.Add(time.Duration(to) * time.Minute)}
	}
	const a = 0.999
	u := 1 - a
	for name, c := range map[string]struct {
		list    []stretch
		k, n    int
		minutes float64
	}{
		"nobody out":                  {nil, 1, 2, 0},
		"one device alone":            {[]stretch{at(0, 10)}, 1, 1, 10 * a},
		"both of a pair, in turn":     {[]stretch{at(0, 60), at(60, 120)}, 1, 2, 120 * (u - u*u)},
		"both of a pair, overlapping": {[]stretch{at(0, 60), at(40, 100)}, 1, 2, 80*(u-u*u) + 20*(1-u*u)},
		"one of three, two must stay": {[]stretch{at(0, 30)}, 2, 3, 30 * ((1 - a*a) - (1 - 3*a*a + 2*a*a*a))},
		"one of two, both must stay":  {[]stretch{at(0, 30)}, 2, 2, 30 * a * a},
		"a restart that takes none":   {[]stretch{at(5, 5)}, 1, 1, 0},
		"nights apart":                {[]stretch{at(0, 60), at(5000, 5060)}, 1, 2, 120 * (u - u*u)},
	} {
		if got := added(c.list, c.k, c.n, a).Minutes(); math.Abs(got-c.minutes) > 1e-9+1e-9*c.minutes {
			t.Errorf("%s: got %.12g min, want %.12g", name, got, c.minutes)
		}
	}
}

// Devices fail and are restored one by one, over and over, each by laws of
// its own; how long too few are up while one is out is counted on the clock.
func TestAddedDowntimeAgainstFailuresOnTheClock(t *testing.T) {
	const (
		between, repair = 90.0, 10.0 // hours
		period, out     = 100.0, 20.0
		rounds          = 40000
		n, k            = 3, 2
	)
	a, err := timing.Availability(time.Duration(between)*time.Hour, time.Duration(repair)*time.Hour)
	if err != nil || a != 0.9 {
		t.Fatal(a, err)
	}
	rng := rand.New(rand.NewPCG(7, 7)) //nolint:gosec // a simulation
	with, without := 0.0, 0.0
	next, up := [n]float64{}, [n]bool{}
	for i := range n {
		up[i], next[i] = true, rng.ExpFloat64()*between
	}
	now, end := 0.0, rounds*period
	for now < end {
		// Edges: the next failure or repair, and where the work of a round begins and
		// ends. Device 0 is out in the first hours of each round.
		round := math.Floor(now/period+1e-12) * period
		to := round + period
		working := now-round < out-1e-9
		if working {
			to = round + out
		}
		who := -1
		for i := range n {
			if next[i] < to {
				to, who = next[i], i
			}
		}
		count, others := 0, 0
		for i := range n {
			if up[i] {
				count++
				if i > 0 {
					others++
				}
			}
		}
		if count < k {
			without += to - now
		}
		if working && others < k || !working && count < k {
			with += to - now
		}
		now = to
		if who >= 0 {
			up[who] = !up[who]
			mean := repair
			if up[who] {
				mean = between
			}
			next[who] = now + rng.ExpFloat64()*mean
		}
	}
	t0 := time.Date(2031, 3, 5, 22, 0, 0, 0, time.UTC)
	want := added([]stretch{{t0, t0.Add(time.Duration(out) * time.Hour)}}, k, n, a).Hours()
	if got := (with - without) / rounds; math.Abs(got-want) > 0.03*want {
		t.Errorf("counted %.4f h a round, computed %.4f", got, want)
	}
	short := timing.Short(k, n, a)
	if got := without / end; math.Abs(got-short) > 0.04*short {
		t.Errorf("without work %.5f of the time, computed %.5f", got, short)
	}
}
