// Package timing says how long a change takes and how sure that is: laws of
// step durations, their sum by Monte-Carlo and by the normal approximation,
// the chance to be done inside a window, and the rollback clock.
//
// Read [Law] and [Simulate] first, then [RollbackClock]. Everything is a pure
// function of its arguments and of the random source that is passed in: the
// same source gives the same outcome.
//
// Steps follow one another and their durations are independent. Where one
// cause slows several steps, as a busy controller card does to every line card
// after it, the true spread is wider than said here.
package timing

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// Law is how long a step may take: a three-point estimate, measured durations,
// or both. The zero value is a step that takes no time.
//
// A three-point estimate is a beta distribution on [Least, Most] with PERT's
// mean (Least + 4 Likely + Most) / 6 and deviation (Most − Least) / 6.
// Source: Malcolm, Roseboom, Clark, Fazar, Application of a technique for
// research and development program evaluation, Operations Research 7 (1959),
// from memory.
//
// Measured durations are combined with the estimate as the predictive law of a
// Dirichlet process whose base is the estimate: with n samples, the next
// duration is one of them with probability n / (n + PriorWeight), and drawn
// from the estimate otherwise. So an estimate counts as much as PriorWeight
// measurements, and what it holds possible stays possible. Samples without an
// estimate stand for themselves.
// Source: Ferguson, A Bayesian analysis of some nonparametric problems, Annals
// of Statistics 1 (1973), from memory.
type Law struct {
	Least   time.Duration   `json:"least_ns"`
	Likely  time.Duration   `json:"likely_ns"`
	Most    time.Duration   `json:"most_ns"`
	Samples []time.Duration `json:"samples_ns,omitempty"`
}

// PriorWeight is how many measurements a three-point estimate counts as. It is
// our choice: after five runs, estimate and measurement weigh the same.
const PriorWeight = 5

// Exactly is the law of a duration that is known, such as that of a step that
// is done.
func Exactly(d time.Duration) Law { return Law{Least: d, Likely: d, Most: d} }

// Learn returns the law with measured durations added. The law itself stays as
// it is.
func (l Law) Learn(measured ...time.Duration) Law {
	l.Samples = slices.Concat(l.Samples, measured)
	return l
}

// Check says what is wrong with a law: 0 ≤ Least ≤ Likely ≤ Most must hold, and
// no sample may be negative.
func (l Law) Check() error {
	if l.Least < 0 || l.Least > l.Likely || l.Likely > l.Most {
		return fmt.Errorf("found %s, %s, %s, want 0 ≤ least ≤ likely ≤ most", l.Least, l.Likely, l.Most)
	}
	for i, s := range l.Samples {
		if s < 0 {
			return fmt.Errorf("found %s as measured duration %d, want none below zero", s, i+1)
		}
	}
	return nil
}

// estimated reports whether the law has a three-point estimate.
func (l Law) estimated() bool { return l.Most > 0 || len(l.Samples) == 0 }

// measured is the weight of the samples in the law.
func (l Law) measured() float64 {
	n := float64(len(l.Samples))
	switch {
	case n == 0:
		return 0
	case !l.estimated():
		return 1
	}
	return n / (n + PriorWeight)
}

// Mean is the expected duration.
func (l Law) Mean() time.Duration { return duration(l.mean()) }

// Deviation is the standard deviation of the duration.
func (l Law) Deviation() time.Duration { return duration(math.Sqrt(l.Variance())) }

// mean is in seconds.
func (l Law) mean() float64 {
	m, _ := l.moments()
	return m
}

// Variance is that of the duration, in s².
func (l Law) Variance() float64 {
	_, v := l.moments()
	return v
}

// moments are the mean in seconds and the variance in s²: those of the estimate
// and of the samples, mixed.
func (l Law) moments() (mean, variance float64) {
	w := l.measured()
	em := l.pert()
	ed := (l.Most - l.Least).Seconds() / 6
	if w == 0 {
		return em, ed * ed
	}
	var sm, sv float64
	for _, s := range l.Samples {
		sm += s.Seconds()
	}
	sm /= float64(len(l.Samples))
	for _, s := range l.Samples {
		sv += (s.Seconds() - sm) * (s.Seconds() - sm)
	}
	sv /= float64(len(l.Samples))
	mean = w*sm + (1-w)*em
	return mean, w*(sv+(sm-mean)*(sm-mean)) + (1-w)*(ed*ed+(em-mean)*(em-mean))
}

// Draw is one duration by the law.
func (l Law) Draw(rng *rand.Rand) time.Duration {
	if w := l.measured(); w > 0 && rng.Float64() < w {
		return l.Samples[rng.IntN(len(l.Samples))]
	}
	width := (l.Most - l.Least).Seconds()
	if width == 0 {
		return l.Least
	}
	a, b := betaShape((l.pert() - l.Least.Seconds()) / width)
	x, y := gamma(a, rng), gamma(b, rng)
	if x+y == 0 { // both underflowed: as good as the lower end
		return l.Least
	}
	return min(l.Most, l.Least+duration(width*x/(x+y)))
}

// pert is PERT's mean of the estimate alone, in seconds.
func (l Law) pert() float64 {
	return (l.Least.Seconds() + 4*l.Likely.Seconds() + l.Most.Seconds()) / 6
}

// betaShape is the two parameters of the beta distribution on [0, 1] with mean x
// and variance 1/36. PERT's mean lies in [1/6, 5/6], so both are positive.
// Source: the method of moments, common practice.
func betaShape(x float64) (a, b float64) {
	n := 36*x*(1-x) - 1
	return x * n, (1 - x) * n
}

// gamma draws from the gamma distribution of the given shape and scale 1.
// Source: Marsaglia, Tsang, A simple method for generating gamma variables, ACM
// Transactions on Mathematical Software 26 (2000), from memory.
func gamma(shape float64, rng *rand.Rand) float64 {
	boost := 1.0
	if shape < 1 {
		boost = math.Pow(rng.Float64(), 1/shape)
		shape++
	}
	d := shape - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := rng.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		if u := rng.Float64(); math.Log(u) < x*x/2+d-d*v+d*math.Log(v) {
			return boost * d * v
		}
	}
}

// duration turns seconds into a duration, the longest there is where it would
// not fit.
func duration(seconds float64) time.Duration {
	switch ns := seconds * float64(time.Second); {
	case ns >= math.MaxInt64:
		return math.MaxInt64
	case ns <= math.MinInt64:
		return math.MinInt64
	default:
		return time.Duration(math.Round(ns))
	}
}

// Transfer is the law of a transfer of so many octets at rates in bit/s: the
// slowest, likely and fastest that are expected, and those measured. All three
// expected rates may be 0 where there are measured ones.
func Transfer(octets int64, slowest, likely, fastest float64, measured ...float64) (Law, error) {
	if octets < 0 {
		return Law{}, fmt.Errorf("found %d octets, want none below zero", octets)
	}
	bits := 8 * float64(octets)
	var l Law
	if slowest != 0 || likely != 0 || fastest != 0 {
		if !(slowest > 0 && slowest <= likely && likely <= fastest) {
			return Law{}, fmt.Errorf("found rates of %g, %g, %g bit/s, want 0 < slowest ≤ likely ≤ fastest", slowest, likely, fastest)
		}
		l = Law{Least: duration(bits / fastest), Likely: duration(bits / likely), Most: duration(bits / slowest)}
	} else if len(measured) == 0 {
		return Law{}, errors.New("found no rate, want an expected or a measured one")
	}
	for _, r := range measured {
		if !(r > 0) {
			return Law{}, fmt.Errorf("found a measured rate of %g bit/s, want one above zero", r)
		}
		l.Samples = append(l.Samples, duration(bits/r))
	}
	return l, nil
}
