package survival

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"towpath/internal/state"
)

// This file holds the dumb twins: everything that the package integrates is
// acted out here, hello by hello.

// dice are quick and even enough for a million throws.
// Source: Steele, Lea and Flood, Fast splittable pseudorandom number
// generators, 2014 (SplitMix64).
type dice struct{ state uint64 }

func (d *dice) Float64() float64 {
	d.state += 0x9e3779b97f4a7c15
	z := d.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return float64((z^z>>31)>>11) / (1 << 53)
}

func (t tri) draw(r *dice) float64 {
	if t.point() {
		return t.l
	}
	u := r.Float64()
	if c := (t.m - t.l) / (t.u - t.l); u < c {
		return t.l + math.Sqrt(u*(t.u-t.l)*(t.m-t.l))
	}
	return t.u - math.Sqrt((1-u)*(t.u-t.l)*(t.u-t.m))
}

// urn is a law made ready to be drawn from.
type urn []struct {
	weight float64
	tri    tri
}

func (l Law) urn() urn {
	u := make(urn, len(l))
	for i, p := range l {
		u[i].weight, u[i].tri = p.Weight, triOf(p.Silence)
	}
	return u
}

func (u urn) draw(r *dice) float64 {
	if len(u) == 1 {
		return u[0].tri.draw(r)
	}
	x := r.Float64()
	for i := range u {
		if x -= u[i].weight; x < 0 {
			return u[i].tri.draw(r)
		}
	}
	return u[len(u)-1].tri.draw(r)
}

func (s *shifts) draw(r *dice) float64 {
	if s == nil {
		return 0
	}
	u := r.Float64()
	for _, x := range s.rows {
		if u -= x.weight; u < 0 {
			return x.by
		}
	}
	return s.rows[len(s.rows)-1].by
}

// draw returns the interval that an instant falls into and the time since it
// began: long intervals are met more often, in proportion to their length.
func (a age) draw(r *dice) (interval, since float64) {
	if a.hi == a.lo {
		return a.hi, a.hi * r.Float64()
	}
	for {
		x := a.lo + (a.hi-a.lo)*r.Float64()
		if r.Float64()*a.hi <= x {
			return x, x * r.Float64()
		}
	}
}

func (d *side) drawDetect(r *dice) float64 {
	at := d.dlo
	if d.dhi > d.dlo {
		at += (d.dhi - d.dlo) * r.Float64()
	}
	return at + d.late.draw(r)
}

// lives acts out one direction: a silence of s begins when the last hello is
// since old and the one after it is due at the end of interval.
func (d *side) lives(r *dice, b backoff, s, interval, since float64) bool {
	if d.forever {
		return true
	}
	detect := d.drawDetect(r)
	if b.rto == 0 {
		return since+s+d.held+d.resume.draw(r) <= detect
	}
	first := interval - since // when the next hello is sent, from the beginning
	if first > s {
		return interval <= detect
	}
	wait := 0.0
	for wait = b.rto; first+wait < s; wait *= 2 {
	}
	return since+first+wait <= detect
}

func (o *own) lives(r *dice, s float64) bool {
	switch o.fate {
	case alive:
		return true
	case lost:
		return false
	case restarts:
		d := &o.grace
		if r.Float64() < o.unaware {
			d = &o.helped
		}
		x, a := d.age.draw(r)
		return d.lives(r, backoff{}, s, x, a)
	default:
	}
	nbrCut, devCut := o.nbrCut, o.devCut
	if o.cutSecond {
		nbrCut, devCut = backoff{}, backoff{}
	}
	x, a := o.nbr.age.draw(r)
	ok := o.nbr.lives(r, nbrCut, s, x, a)
	if o.judges {
		if !(o.phase > 0 && o.nbr.age == o.dev.age && r.Float64() < o.phase) {
			x, a = o.dev.age.draw(r)
		}
		ok = ok && o.dev.lives(r, devCut, s, x, a)
	}
	if o.also {
		x, a = o.nbr2.age.draw(r)
		ok = ok && o.nbr2.lives(r, o.nbrCut, s, x, a)
		if o.judges {
			x, a = o.dev2.age.draw(r)
			ok = ok && o.dev2.lives(r, o.devCut, s, x, a)
		}
	}
	return ok
}

// TestAgeIsThatOfARealRenewalProcess looks at a long stream of hellos at
// random instants.
func TestAgeIsThatOfARealRenewalProcess(t *testing.T) {
	r := &dice{1}
	for _, a := range []age{{1, 1}, {0.75, 1}, {0.9, 1}, {2, 6}} {
		var ends []float64
		at := 0.0
		for at < 40000*a.hi {
			at += a.lo + (a.hi-a.lo)*r.Float64()
			ends = append(ends, at)
		}
		below := map[float64]int{}
		points := []float64{0.1, 0.3, 0.5, 0.7, 0.8, 0.9, 0.97}
		const n = 40000
		for range n {
			x := ends[10] + (at-ends[10]-2*a.hi)*r.Float64()
			i := 0
			for lo, hi := 0, len(ends); lo < hi; { // last end not above x
				if mid := (lo + hi) / 2; ends[mid] <= x {
					i, lo = mid, mid+1
				} else {
					hi = mid
				}
			}
			for _, y := range points {
				if x-ends[i] <= y*a.hi {
					below[y]++
				}
			}
		}
		for _, y := range points {
			want := a.cdf(y * a.hi)
			if got := float64(below[y]) / n; math.Abs(got-want) > 4.5*math.Sqrt(want*(1-want)/n)+1e-3 {
				t.Errorf("age %v: P(age ≤ %.2f h) = %.4f, the stream says %.4f", a, y, want, got)
			}
		}
	}
}

// drawOwn draws the own event of a random adjacency.
func drawOwn(t *rapid.T) own {
	f := func(label string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, label) }
	lates := []*shifts{nil, nil, {[]shift{{-0.03, 0.02}, {0, 0.9}, {0.05, 0.08}}, -0.03, 0.05}, {[]shift{{0, 0.25}, {0.1, 0.5}, {0.4, 0.25}}, 0, 0.4}}
	one := func() side {
		h := f("hello", 0.1, 3)
		j := rapid.SampledFrom([]float64{1, 0.75, 0.9}).Draw(t, "jitter")
		d := side{age: age{h * j, h}, late: rapid.SampledFrom(lates).Draw(t, "late")}
		d.dhi = h * f("multiplier", 1.2, 5)
		d.dlo = d.dhi * rapid.SampledFrom([]float64{1, 1, 0.75}).Draw(t, "share")
		if rapid.Bool().Draw(t, "resumes late") {
			d.resume = tri{0, f("resume", 0, 0.3), 0.4}
		}
		if j == 1 && rapid.Bool().Draw(t, "counts in ticks") {
			d.held = h * f("held", 0, 0.5)
		}
		return d
	}
	o := own{fate: waits, nbr: one(), dev: one()}
	switch rapid.IntRange(0, 5).Draw(t, "kind") {
	case 0:
	case 1:
		o.judges = true
	case 2:
		o.judges, o.phase, o.dev.age = true, f("phase", 0.1, 1), o.nbr.age
		o.dev.resume = tri{}
	case 3:
		o.fate, o.unaware = restarts, rapid.SampledFrom([]float64{0, 0.5, 1}).Draw(t, "unaware")
		o.grace = side{dlo: f("grace", 0, 3), resume: o.nbr.resume}
		o.grace.dhi = o.grace.dlo + f("width", 0, 4)
		o.helped = one()
	case 4:
		o.judges, o.devCut = true, backoff{f("rto", 0.1, 0.4)}
		if rapid.Bool().Draw(t, "both cut") {
			o.nbrCut = backoff{0.21}
		}
	case 5:
		o.judges, o.also, o.nbr2, o.dev2 = true, true, one(), one()
		if rapid.Bool().Draw(t, "the second is cut") {
			o.cutSecond, o.devCut = true, backoff{0.21}
			o.dev2.held = 0
		}
	}
	return o
}

// TestOwnEventAgreesWithActingItOut compares the closed forms with trials.
func TestOwnEventAgreesWithActingItOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := drawOwn(t)
		s := rapid.Float64Range(0, 8).Draw(t, "silence")
		want := o.live(s)
		r := &dice{rapid.Uint64().Draw(t, "seed")}
		const n = 4000
		hits := 0
		for range n {
			if o.lives(r, s) {
				hits++
			}
		}
		got := float64(hits) / n
		if math.Abs(got-want) > 5.5*math.Sqrt(max(want*(1-want), 1e-3)/n) {
			t.Fatalf("P = %.4f, acted out %.4f at %.3f s: %+v", want, got, s, o)
		}
		safe, dead := o.bounds()
		if s <= safe && want < 1-1e-9 || s >= dead && want > 1e-9 {
			t.Fatalf("P = %v at %v, outside of safe %v and dead %v: %+v", want, s, safe, dead, o)
		}
	})
}

func TestLongerSilenceIsNeverBetter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := drawOwn(t)
		last := 1.0
		for s := 0.0; s < 10; s += 0.05 {
			p := o.live(s)
			if p > last+1e-9 || p < -1e-9 || p > 1+1e-9 {
				t.Fatalf("P(%v) = %v after %v: %+v", s, p, last, o)
			}
			last = p
		}
	})
}

// TestIntegralOfOwnEventAgreesWithAFineGrid trusts neither knots nor panels.
func TestIntegralOfOwnEventAgreesWithAFineGrid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := drawOwn(t)
		law := Law{{1, Silence{time.Second, 2 * time.Second, 5 * time.Second}}}
		mean, err := law.expect(o.knots(nil), 1, func(s float64, out []float64) { out[0] = o.live(s) })
		sum, x := 0.0, triOf(law[0].Silence)
		const n = 4000
		for i := range n {
			s := x.l + (x.u-x.l)*(float64(i)+0.5)/n
			sum += o.live(s) * x.density(s) * (x.u - x.l) / n
		}
		if math.Abs(sum-mean[0]) > err+2e-3 {
			t.Fatalf("integral %v ± %v, grid %v: %+v", mean[0], err, sum, o)
		}
	})
}

// acts decides a whole system by recursion over the needs, from the relations
// that live by themselves.
func (s *system) acts(alone []bool) []bool {
	state := make([]int8, len(s.nodes))
	var walk func(n int) bool
	walk = func(n int) bool {
		if state[n] != 0 {
			return state[n] > 0
		}
		ok := s.nodes[n].relation < 0 || alone[s.nodes[n].relation]
		for _, need := range s.nodes[n].needs {
			count := 0
			for _, of := range need.of {
				if walk(of) {
					count++
				}
			}
			ok = ok && count >= need.atLeast
		}
		state[n] = -1
		if ok {
			state[n] = 1
		}
		return ok
	}
	out := make([]bool, len(s.relations))
	for i, r := range s.relations {
		out[i] = walk(r.node)
	}
	return out
}

// anything is a law that settles nothing.
var anything = Law{{1, Silence{-1 << 62, 0, 1 << 62}}}

// TestStructureAgreesWithEveryCase compares the diagrams with a walk through
// every combination of what lives.
func TestStructureAgreesWithEveryCase(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSystem(t, 9)
		m := newModel(s)
		live := make([]float64, len(m.classes))
		for i := range live {
			live[i] = rapid.Float64Range(0, 1).Draw(t, "p")
		}
		want := make([]float64, len(s.relations))
		alone := make([]bool, len(s.relations))
		for mask := range 1 << len(s.relations) {
			p := 1.0
			for i := range alone {
				alone[i] = mask>>i&1 == 1
				if q := live[m.class[i]]; alone[i] {
					p *= q
				} else {
					p *= 1 - q
				}
			}
			for i, ok := range s.acts(alone) {
				if ok {
					want[i] += p
				}
			}
		}
		b := m.bind(anything)
		for i := range want {
			prog := b.formula.program(b.root[i])
			got := prog.value(live, make([]float64, len(prog.steps)))
			if math.Abs(got-want[i]) > 1e-9 {
				t.Fatalf("relation %d: diagram %v, every case %v: %+v", i, got, want[i], s.nodes)
			}
		}
	})
}

// drawSystem draws a device in layers: each adjacency may need some of those
// drawn before, all of them or at least a few.
func drawSystem(t *rapid.T, most int) *system {
	s := &system{assumed: map[assumption]int{}}
	n := rapid.IntRange(1, most).Draw(t, "adjacencies")
	for i := range n {
		o := drawOwn(t)
		if i > 0 && rapid.IntRange(0, 3).Draw(t, "alike") == 0 {
			o = s.relations[i-1].own
		}
		r := relation{protocol: state.OSPFv2, neighbour: string(rune('a' + i)), own: o, carries: rapid.IntRange(0, 3).Draw(t, "carries") > 0}
		below := len(s.nodes)
		for range rapid.IntRange(0, 2).Draw(t, "needs") {
			if below == 0 {
				break
			}
			var of []int
			for range rapid.IntRange(1, 4).Draw(t, "members") {
				of = append(of, rapid.IntRange(0, below-1).Draw(t, "member"))
			}
			nd := need{rapid.IntRange(1, len(of)).Draw(t, "at least"), of}
			if rapid.Bool().Draw(t, "by a gate") {
				s.nodes = append(s.nodes, node{relation: -1, needs: []need{nd}})
				nd = need{1, []int{len(s.nodes) - 1}}
			}
			s.nodes = append(s.nodes, node{relation: -1, needs: []need{nd}})
		}
		at := node{relation: i}
		for g := below; g < len(s.nodes); g++ {
			at.needs = append(at.needs, need{1, []int{g}})
		}
		r.node = len(s.nodes)
		s.nodes = append(s.nodes, at)
		s.relations = append(s.relations, r)
	}
	return s
}
