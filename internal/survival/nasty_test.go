package survival

import (
	"math"
	"os"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// This file draws what a capture ought not to hold and may: hellos that take no
// time, jitter down to nothing, detection below a hello, delays beyond every
// timer, lateness that is a matter of a year, ends that meet to the octet.

// drawNastySide draws one end of an adjacency out of extremes. Extremes that are
// powers of two meet each other exactly.
func drawNastySide(t *rapid.T) side {
	pick := func(label string, of ...float64) float64 { return rapid.SampledFrom(of).Draw(t, label) }
	h := pick("hello", 1e-9, 1e-3, 0.25, 0.5, 1, 2, 64)
	d := side{age: age{h * pick("least of it", 0, 1e-6, 0.5, 0.75, 1, 1), h}}
	d.dhi = pick("detect", 0, h/2, h, h*1.0000001, h+1e-9, 3*h, 0.5, 1, 2, 3.5)
	d.dlo = d.dhi * pick("share", 0, 0.5, 0.9999999, 1, 1, 1)
	switch rapid.IntRange(0, 4).Draw(t, "late") {
	case 0: // rows too light to be looked at one by one
		const n = 40
		rows := make([]shift, n)
		for i := range rows {
			rows[i] = shift{float64(i) / 16, 1.0 / n}
		}
		d.late = &shifts{rows, 0, (n - 1) / 16.0}
	case 1: // a race that is won for ever
		d.late = &shifts{[]shift{{0, 0.98}, {31536000, 0.02}}, 0, 31536000}
	case 2:
		d.late = &shifts{[]shift{{-2, 0.5}, {0, 0.5}}, -2, 0}
	}
	switch rapid.IntRange(0, 5).Draw(t, "resume") {
	case 0: // beyond the detection time
		d.resume = tri{d.dhi, d.dhi, d.dhi + 1}
	case 1:
		d.resume = tri{0, 0, 1e-9}
	case 2:
		d.resume = tri{0, 2, 2}
	case 3:
		d.resume = tri{1, 1, 1}
	}
	if rapid.IntRange(0, 4).Draw(t, "ticks") == 0 {
		d.held = h
	}
	d.forever = rapid.IntRange(0, 9).Draw(t, "forever") == 0
	return d
}

func drawNastyOwn(t *rapid.T) own {
	o := own{fate: waits, nbr: drawNastySide(t), dev: drawNastySide(t)}
	switch rapid.IntRange(0, 6).Draw(t, "kind") {
	case 0, 1:
	case 2:
		o.judges = true
	case 3:
		o.judges, o.phase, o.dev.age = true, rapid.SampledFrom([]float64{1e-6, 0.5, 1}).Draw(t, "phase"), o.nbr.age
	case 4:
		o.fate, o.unaware = restarts, rapid.SampledFrom([]float64{0, 1e-9, 0.5, 1}).Draw(t, "unaware")
		o.grace, o.helped = drawNastySide(t), drawNastySide(t)
		o.grace.age = age{}
	case 5:
		o.judges, o.devCut = true, backoff{rapid.SampledFrom([]float64{1e-3, 0.25, 8}).Draw(t, "rto")}
		if rapid.Bool().Draw(t, "both cut") {
			o.nbrCut = o.devCut
		}
		if rapid.Bool().Draw(t, "in step") {
			o.nbr.age.lo = o.nbr.age.hi
			o.phase, o.dev.age = 0.75, o.nbr.age
		}
		o.nbr.held, o.dev.held, o.nbr.resume, o.dev.resume = 0, 0, tri{}, tri{}
	case 6:
		o.judges, o.also, o.nbr2, o.dev2 = true, true, drawNastySide(t), drawNastySide(t)
	}
	return o
}

func drawNastyLaw(t *rapid.T) Law {
	one := func() Silence {
		return rapid.SampledFrom([]Silence{
			{}, Fixed(500 * ms), Fixed(time.Second), {0, 0, time.Second}, {0, time.Second, time.Second}, {time.Second, time.Second, time.Second + 1},
			{0, time.Second, 24 * time.Hour}, {0, 0, 10 * 365 * 24 * time.Hour}, {500 * ms, 2 * time.Second, 4 * time.Second}, Between(0, 8*time.Second),
		}).Draw(t, "silence")
	}
	switch rapid.IntRange(0, 2).Draw(t, "law") {
	case 0: // twice the same, and one that weighs nothing
		s := one()
		return Law{{0.5, s}, {0.5, s}, {0, one()}}
	case 1:
		return Law{{0.25, one()}, {0.5, one()}, {0.25, one()}}
	}
	return LawOf(one())
}

// bracket are bounds between which the expectation of a function must lie that
// never rises: the law's mass of each strip times the function at either end.
// Strips are halved until all that is between the bounds is below room.
func bracket(l Law, f func(float64) float64, knots []float64, room float64) (lo, hi float64) {
	for _, p := range l {
		t := triOf(p.Silence)
		if t.point() {
			lo += p.Weight * f(t.l)
			hi += p.Weight * f(t.l)
			continue
		}
		var strip func(a, b, fa, fb, room float64)
		strip = func(a, b, fa, fb, room float64) {
			mass := p.Weight * (t.cdf(b) - t.cdf(a))
			if c := (a + b) / 2; mass*(fa-fb) > room*(b-a)/(t.u-t.l) && mass*(fa-fb) > 1e-8 && c > a && c < b {
				fc := f(c)
				strip(a, c, fa, fc, room)
				strip(c, b, fc, fb, room)
				return
			}
			lo += mass * fb
			hi += mass * fa
		}
		cuts := []float64{t.l, t.m, t.u}
		for _, k := range knots {
			if k > t.l && k < t.u {
				cuts = append(cuts, k)
			}
		}
		slices.Sort(cuts)
		for i := range cuts[1:] {
			if a, b := cuts[i], cuts[i+1]; a < b {
				strip(a, b, f(a), f(b), room)
			}
		}
	}
	return lo, hi
}

// TestNastyShapesAreIntegratedAsTold brackets P(untouched) of devices made of
// extremes, alone and in thousands, and holds the value and the error told
// against it; then it acts the same out.
func TestNastyShapesAreIntegratedAsTold(t *testing.T) {
	room, tries := 1e-4, 8000
	if os.Getenv("TOWPATH_THOROUGH") != "" {
		room, tries = 1e-6, 1_000_000
	}
	if raceEnabled || testing.Short() {
		tries = 2000
	}
	uncertain, wide := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		s := &system{assumed: map[assumption]int{}}
		for i := range rapid.IntRange(1, 5).Draw(t, "kinds") {
			o := drawNastyOwn(t)
			for range rapid.SampledFrom([]int{1, 1, 2, 3000}).Draw(t, "of it") {
				s.relations = append(s.relations, relation{protocol: "bfd", neighbour: string(rune('a' + i)), own: o, carries: true, node: len(s.nodes)})
				s.nodes = append(s.nodes, node{relation: len(s.relations) - 1})
			}
		}
		m, law := newModel(s), drawNastyLaw(t)
		if safe, dead, _ := m.limits(); safe < dead && dead > 0 && dead < 100 && rapid.Bool().Draw(t, "where it matters") {
			law = LawOf(Between(seconds(max(0, safe)), seconds(dead)+time.Microsecond))
		}
		p, told := m.expectUntouched(law)
		if math.IsNaN(p) || p < 0 || p > 1 || math.IsNaN(told) || told < 0 {
			t.Fatalf("%v ± %v", p, told)
		}
		var knots []float64
		for i := range m.classes {
			knots = m.classes[i].knots(knots)
		}
		lo, hi := bracket(law, m.untouched, knots, room)
		if p < lo-told-1e-9 || p > hi+told+1e-9 {
			t.Fatalf("%.9f ± %.1e is outside of [%.9f, %.9f]: %v %+v", p, told, lo, hi, law, m.classes)
		}
		if told > 1e-5 {
			wide++
		}
		if p > 0.001 && p < 0.999 {
			uncertain++
		}
		r, drawn, hits := &dice{rapid.Uint64().Draw(t, "seed")}, law.urn(), 0
		n := tries
		if len(s.relations) > 100 {
			n = tries / 100
		}
		for range n {
			x, ok := drawn.draw(r), true
			for i := 0; i < len(s.relations) && ok; i++ {
				ok = s.relations[i].own.lives(r, x)
			}
			if ok {
				hits++
			}
		}
		if got, sd := float64(hits)/float64(n), math.Sqrt(max(p*(1-p), 1/float64(n))/float64(n)); math.Abs(got-p) > told+5.5*sd {
			t.Fatalf("integral %.6f, acted out %.6f ± %.6f: %v %+v", p, got, sd, law, m.classes)
		}
	})
	if uncertain < 3 && !testing.Short() {
		t.Errorf("only %d of the probabilities were uncertain: they prove too little", uncertain)
	}
	t.Logf("%d were uncertain, %d had an error above 1e-5", uncertain, wide)
}
