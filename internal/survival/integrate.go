package survival

import (
	"math"
	"slices"
)

// Nodes and weights of Gauss-Legendre with five points, and of Kronrod's
// extension of seven Gauss points to fifteen.
// Source: Abramowitz and Stegun, Handbook of mathematical functions, table
// 25.4; Piessens and others, QUADPACK, 1983, routine qk15.
var (
	gauss5x  = [3]float64{0, 0.5384693101056830910, 0.9061798459386639928}
	gauss5w  = [3]float64{0.5688888888888888889, 0.4786286704993664680, 0.2369268850561890875}
	kronrodX = [8]float64{
		0.9914553711208126392, 0.9491079123427585245, 0.8648644233597690728, 0.7415311855993944399,
		0.5860872354676911303, 0.4058451513773971669, 0.2077849550078984676, 0,
	}
	kronrodW = [8]float64{
		0.0229353220105292250, 0.0630920926299785533, 0.1047900103222501838, 0.1406532597155259187,
		0.1690047266392679028, 0.1903505780647854099, 0.2044329400752988924, 0.2094821410847278280,
	}
	gauss7W = [4]float64{0.1294849661688696933, 0.2797053914892766679, 0.3818300505051189450, 0.4179591836734693878}
)

// outward are the weights with which a parabola through the three outermost of
// Kronrod's points goes on to the end of the panel, and edge is how near to the
// end, in half widths, the function is asked there: at the end itself it may jump.
var outward = parabola(1, kronrodX[0], kronrodX[1], kronrodX[2])

const edge = 1e-8

// parabola are the weights with which values at a, b and c give that at x.
// Source: Lagrange's formula, Abramowitz and Stegun, 25.2.2.
func parabola(x, a, b, c float64) [3]float64 {
	return [3]float64{
		(x - b) * (x - c) / ((a - b) * (a - c)), (x - a) * (x - c) / ((b - a) * (b - c)), (x - a) * (x - b) / ((c - a) * (c - b)),
	}
}

// rounding is what floating point may add to a probability that went through
// a few hundred operations.
const rounding = 1e-12

// tolerance is the error an expectation aims at.
const tolerance = 1e-7

// maxPanels bounds the work of one expectation. When it is reached the error
// told is larger than tolerance, never silently.
const maxPanels = 4096

type panel struct {
	lo, hi float64
	value  []float64
	err    float64
}

// expect is the expectation over the law of a vector of functions of the
// silence, written by f into its second argument, which comes with zeros. The
// panels start at the knots, where f may have a kink, and are halved where the
// error is largest, until it is below the tolerance. The error of a panel is the
// difference of Kronrod's and Gauss's rules for the first function, and what the
// function's ends differ from what its outermost points foretell, over the strips
// beyond them: a step that hides there, where neither rule looks, is found too.
// The error told is that of the first function.
func (l Law) expect(knots []float64, n int, f func(s float64, out []float64)) (mean []float64, err float64) {
	mean = make([]float64, n)
	scratch := make([]float64, n)
	if len(l) == 0 {
		f(0, mean)
		return mean, rounding
	}
	for _, part := range l {
		t := triOf(part.Silence)
		if t.point() {
			clear(scratch)
			f(t.l, scratch)
			for i, v := range scratch {
				mean[i] += part.Weight * v
			}
			continue
		}
		value, e := overSilence(t, knots, n, f)
		for i, v := range value {
			mean[i] += part.Weight * v
		}
		err += part.Weight * e
	}
	return mean, err + rounding
}

// overSilence is the expectation over one triangle that is no point.
func overSilence(t tri, knots []float64, n int, f func(s float64, out []float64)) ([]float64, float64) {
	cuts := []float64{t.l, t.m, t.u}
	for _, k := range knots {
		if k > t.l && k < t.u {
			cuts = append(cuts, k)
		}
	}
	slices.Sort(cuts)
	scratch := make([]float64, n)
	rule := func(lo, hi float64) panel {
		p := panel{lo: lo, hi: hi, value: make([]float64, n)}
		c, h := (lo+hi)/2, (hi-lo)/2
		gauss := 0.0
		var outer [2][len(outward)]float64 // the first function at the outermost points of each end
		at := func(x, kw, gw float64) float64 {
			clear(scratch)
			f(x, scratch)
			d := t.density(x)
			for i, v := range scratch {
				p.value[i] += h * kw * d * v
			}
			gauss += h * gw * d * scratch[0]
			return scratch[0]
		}
		for i, x := range kronrodX {
			gw := 0.0
			if i%2 == 1 {
				gw = gauss7W[i/2]
			}
			left := at(c-h*x, kronrodW[i], gw)
			if x == 0 {
				break
			}
			right := at(c+h*x, kronrodW[i], gw)
			if i < len(outward) {
				outer[0][i], outer[1][i] = left, right
			}
		}
		p.err = math.Abs(p.value[0] - gauss)
		// The strips between the ends and the outermost points.
		strip := h * (1 - kronrodX[0])
		for side, near := range outer {
			x, first := lo+edge*h, lo+strip
			if side == 1 {
				x, first = hi-edge*h, hi-strip
			}
			clear(scratch)
			f(x, scratch)
			foretold := 0.0
			for i, w := range outward {
				foretold += w * near[i]
			}
			p.err += strip * max(t.density(x), t.density(first)) * math.Abs(scratch[0]-foretold)
		}
		return p
	}
	var all []panel
	total := 0.0
	from := t.l
	for _, k := range cuts {
		// Knots that differ by rounding only are one.
		if k-from < 1e-12*(t.u-t.l) && k < t.u {
			continue
		}
		if k <= from {
			continue
		}
		all = append(all, rule(from, k))
		total += all[len(all)-1].err
		from = k
	}
	for total > tolerance && len(all) < maxPanels {
		worst := 0
		for i := range all {
			if all[i].err > all[worst].err {
				worst = i
			}
		}
		p := all[worst]
		mid := (p.lo + p.hi) / 2
		if mid <= p.lo || mid >= p.hi {
			break
		}
		a, b := rule(p.lo, mid), rule(mid, p.hi)
		total += a.err + b.err - p.err
		all[worst] = a
		all = append(all, b)
	}
	value := make([]float64, n)
	err := 0.0
	for _, p := range all {
		for i, v := range p.value {
			value[i] += v
		}
		err += p.err
	}
	return value, err
}
