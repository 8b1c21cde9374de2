package survival

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Law is the distribution of a silence: a mixture of triangles. An empty law
// is a silence of exactly nothing.
type Law []Part

// Part is one triangle of a [Law]. The weights of a law add up to one.
type Part struct {
	Weight  float64 `json:"weight"`
	Silence Silence `json:"silence"`
}

// LawOf is the law of one three-point silence.
func LawOf(s Silence) Law { return Law{{1, s}} }

// Validate reports a part that is no silence, with an error that wraps
// [ErrSilence], or weights that do not add up to one.
func (l Law) Validate() error {
	sum := 0.0
	for i, p := range l {
		if err := p.Silence.Validate(); err != nil {
			return fmt.Errorf("part %d of the law: %w", i+1, err)
		}
		if !(p.Weight >= 0) {
			return fmt.Errorf("part %d of the law: %w: found weight %v, want 0 or more", i+1, ErrSilence, p.Weight)
		}
		sum += p.Weight
	}
	if len(l) > 0 && math.Abs(sum-1) > 1e-9 {
		return fmt.Errorf("%w: found weights that add up to %v, want 1", ErrSilence, sum)
	}
	return nil
}

// Least is the shortest silence the law allows.
func (l Law) Least() time.Duration {
	if len(l) == 0 {
		return 0
	}
	return slices.MinFunc(l, func(a, b Part) int { return int(sign(a.Silence.Least - b.Silence.Least)) }).Silence.Least
}

// Most is the longest silence the law allows.
func (l Law) Most() time.Duration {
	if len(l) == 0 {
		return 0
	}
	return slices.MaxFunc(l, func(a, b Part) int { return int(sign(a.Silence.Most - b.Silence.Most)) }).Silence.Most
}

// Mean is the expected silence.
func (l Law) Mean() time.Duration {
	sum := 0.0
	for _, p := range l {
		sum += p.Weight * p.Silence.Mean().Seconds()
	}
	return seconds(sum)
}

// CDF is the probability that the silence is d or shorter.
func (l Law) CDF(d time.Duration) float64 {
	sum := 0.0
	for _, p := range l {
		sum += p.Weight * triOf(p.Silence).cdf(d.Seconds())
	}
	return sum
}

// Quantile is the silence that is not exceeded with probability p, to a
// microsecond.
func (l Law) Quantile(p float64) time.Duration {
	lo, hi := l.Least(), l.Most()
	for hi-lo > time.Microsecond {
		if mid := lo + (hi-lo)/2; l.CDF(mid) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// String lists the parts, the heaviest first.
func (l Law) String() string {
	if len(l) == 1 {
		return l[0].Silence.String()
	}
	parts := slices.Clone(l)
	slices.SortStableFunc(parts, func(a, b Part) int { return int(math.Copysign(1, b.Weight-a.Weight)) })
	out := make([]string, len(parts))
	for i, p := range parts {
		out[i] = fmt.Sprintf("%.0f%% %v", 100*p.Weight, p.Silence)
	}
	return strings.Join(out, "; ")
}

// priorRuns is how many measured runs the catalogue's silence counts for.
const priorRuns = 3

// Learn is the law of the next silence when the catalogue says prior and runs
// were measured. It is the predictive law of a Dirichlet process whose base is
// the catalogue's triangle and whose concentration is three runs: with n runs
// the catalogue keeps the weight 3/(3+n) and each run has 1/(3+n). A run is no
// point but a triangle around what was measured, as wide as the runs scatter
// (Silverman's rule on their logarithms, between 5 % and 50 %; 20 % for a
// single run), because the next one will not be exactly the same.
//
// Source: Ferguson, A Bayesian analysis of some nonparametric problems, 1973;
// Silverman, Density estimation, 1986, §3.4. The three runs are our choice.
func Learn(prior Silence, runs []time.Duration) Law {
	law := Law{{priorRuns / float64(priorRuns+len(runs)), prior}}
	width := 0.2
	if len(runs) > 1 {
		var sum, squares float64
		for _, r := range runs {
			x := math.Log(max(r.Seconds(), 1e-6))
			sum += x
			squares += x * x
		}
		n := float64(len(runs))
		spread := math.Sqrt(max(0, (squares-sum*sum/n)/(n-1)))
		// A triangle of half-width w has the standard deviation w/√6.
		width = min(0.5, max(0.05, math.Sqrt(6)*1.06*spread*math.Pow(n, -0.2)))
	}
	for _, r := range runs {
		d := time.Duration(width * float64(r))
		law = append(law, Part{1 / float64(priorRuns+len(runs)), Silence{r - d, r, r + d}})
	}
	return law
}

// tri is a triangle in seconds; the zero value is the point zero.
type tri struct{ l, m, u float64 }

func triOf(s Silence) tri { return tri{s.Least.Seconds(), s.Likely.Seconds(), s.Most.Seconds()} }

func (t tri) point() bool { return t.u <= t.l }

// density is the density at x of a triangle that is no point.
func (t tri) density(x float64) float64 {
	switch {
	case x < t.l || x > t.u:
		return 0
	case x < t.m:
		return 2 * (x - t.l) / ((t.u - t.l) * (t.m - t.l))
	case t.u > t.m:
		return 2 * (t.u - x) / ((t.u - t.l) * (t.u - t.m))
	default: // the mode is the end
		return 2 / (t.u - t.l)
	}
}

func (t tri) cdf(x float64) float64 {
	switch {
	case x >= t.u:
		return 1
	case x < t.l:
		return 0
	case x < t.m:
		return (x - t.l) * (x - t.l) / ((t.u - t.l) * (t.m - t.l))
	default:
		return 1 - (t.u-x)*(t.u-x)/((t.u-t.l)*(t.u-t.m))
	}
}

func sign(d time.Duration) float64 {
	switch {
	case d < 0:
		return -1
	case d > 0:
		return 1
	}
	return 0
}

// seconds is s as a duration, the nearest one that fits.
func seconds(s float64) time.Duration {
	switch {
	case s >= math.MaxInt64/1e9:
		return math.MaxInt64
	case s <= math.MinInt64/1e9:
		return math.MinInt64
	}
	return time.Duration(math.Round(s * 1e9))
}
