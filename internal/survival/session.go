package survival

import (
	"math"
	"slices"
)

// All times in this file are seconds as float64, because they are integrated.

// age is the time since the last hello at an instant that knows nothing of
// the hellos, when their interval is drawn anew each time from lo to hi: the
// backward recurrence time of a renewal process. Its density is 1/m up to lo
// and falls in a line to 0 at hi, where m is the mean interval. The zero value
// is no age at all.
// Source: Cox, Renewal theory, 1962, §5.2.
type age struct{ lo, hi float64 }

// tight is how wide a range may be, as a share of the numbers it is between, to
// be taken for a point: what is divided by it would be little more than rounding.
const tight = 1e-8

func narrow(lo, hi float64) bool { return hi-lo <= tight*math.Abs(hi) }

func (a age) mean() float64 { return (a.lo + a.hi) / 2 }

// cdf is the probability that the age is y at most.
func (a age) cdf(y float64) float64 {
	switch {
	case y < 0 || y == 0 && a.hi > 0:
		return 0
	case y >= a.hi:
		return 1
	case y <= a.lo:
		return y / a.mean()
	default:
		z := y - a.lo
		return (a.lo + z - z*z/(2*(a.hi-a.lo))) / a.mean()
	}
}

// sum is the integral of cdf from 0 to y.
func (a age) sum(y float64) float64 {
	switch {
	case y <= 0:
		return 0
	case a.hi <= 0:
		return y
	case y > a.hi:
		return a.sum(a.hi) + y - a.hi
	case y <= a.lo:
		return y * y / (2 * a.mean())
	default:
		z := y - a.lo
		return (a.lo*a.lo/2 + a.lo*z + z*z/2 - z*z*z/(6*(a.hi-a.lo))) / a.mean()
	}
}

// density is the density of the age at y.
func (a age) density(y float64) float64 {
	switch {
	case y < 0 || y > a.hi || a.hi <= 0:
		return 0
	case y <= a.lo:
		return 1 / a.mean()
	default:
		return (a.hi - y) / ((a.hi - a.lo) * a.mean())
	}
}

// shift is one value of a discrete distribution of seconds.
type shift struct{ by, weight float64 }

// shifts is a discrete distribution, shared and never changed; nil is nothing
// at all. It is compared by address, so equal ones must be interned.
type shifts struct {
	rows   []shift
	lo, hi float64
}

func (s *shifts) least() float64 {
	if s == nil {
		return 0
	}
	return s.lo
}

func (s *shifts) most() float64 {
	if s == nil {
		return 0
	}
	return s.hi
}

// side is one end judging the other: it gives up when the age of the last
// hello, the silence and the resume delay reach the detection time, which is
// drawn from dlo to dhi and shifted by late.
type side struct {
	age      age
	dlo, dhi float64
	late     *shifts
	resume   tri
	// held is how much longer the silence seems to the judge because the
	// sender's hello timer does not run while it sleeps: see [Behaviour].
	held    float64
	forever bool // it never gives up
}

// safe is the largest silence that the side surely lives through; it may be
// negative.
func (d *side) safe() float64 {
	if d.forever {
		return math.Inf(1)
	}
	return d.dlo + d.late.least() - d.resume.u - d.age.hi - d.held
}

// dead is the silence from which on it surely does not.
func (d *side) dead() float64 {
	if d.forever {
		return math.Inf(1)
	}
	return d.dhi + d.late.most() - d.resume.l - d.held
}

// live is the probability that the side lives through a silence of s.
func (d *side) live(s float64) float64 {
	switch {
	case s <= d.safe():
		return 1
	case s >= d.dead():
		return 0
	case d.late == nil:
		return d.resumed(s)
	}
	sum := 0.0
	for _, r := range d.late.rows {
		sum += r.weight * d.resumed(s-r.by)
	}
	return min(1, sum)
}

// resumed is live without lateness: the mean of judged over the resume delay.
func (d *side) resumed(s float64) float64 {
	s += d.held
	if d.resume.point() {
		return d.judged(s + d.resume.l)
	}
	// Between these points judged is a polynomial of degree 3 at most and the
	// density of the delay one of degree 1, so five points are exact.
	return overTri(d.resume, []float64{
		d.dlo - d.age.hi - s, d.dhi - d.age.hi - s, d.dlo - d.age.lo - s, d.dhi - d.age.lo - s, d.dlo - s, d.dhi - s,
	}, func(r float64) float64 { return d.judged(s + r) })
}

// judged is the probability that age plus x stays below the detection time.
func (d *side) judged(x float64) float64 {
	if narrow(d.dlo, d.dhi) || d.dhi-d.dlo <= tight*math.Abs(x) {
		return d.age.cdf(d.dlo + (d.dhi-d.dlo)/2 - x)
	}
	return (d.age.sum(d.dhi-x) - d.age.sum(d.dlo-x)) / (d.dhi - d.dlo)
}

// patient is the probability that the detection time, less the resume delay,
// is above x: live for an age that is known and included in x.
func (d *side) patient(x float64) float64 {
	if d.forever {
		return 1
	}
	still := side{dlo: d.dlo, dhi: d.dhi, late: d.late, resume: d.resume, held: d.held}
	return still.live(x)
}

// knots are the silences where live is not smooth.
func (d *side) knots(out []float64) []float64 {
	if d.forever {
		return out
	}
	var lates, resumes, ages, detects [4]float64
	nl, nr, na, nd := 0, 0, 0, 0
	if d.late == nil {
		nl = 1
	} else {
		for _, r := range d.late.rows {
			if r.weight >= 0.05 && nl < len(lates) {
				lates[nl] = r.by
				nl++
			}
		}
	}
	resumes[0], nr = d.resume.l, 1
	if !d.resume.point() {
		resumes[1], resumes[2], nr = d.resume.m, d.resume.u, 3
	}
	ages[0], ages[1], na = 0, d.age.hi, 2
	if d.age.lo < d.age.hi {
		ages[2], na = d.age.lo, 3
	}
	detects[0], nd = d.dhi, 1
	if d.dlo < d.dhi {
		detects[1], nd = d.dlo, 2
	}
	for _, l := range lates[:nl] {
		for _, r := range resumes[:nr] {
			for _, a := range ages[:na] {
				for _, t := range detects[:nd] {
					out = append(out, t+l-a-r-d.held)
				}
			}
		}
	}
	return out
}

// backoff is one direction of a TCP session whose path is cut for the silence
// while its sender goes on: what is sent into the cut is sent again after rto,
// twice, four times … that long, and the first copy after the cut arrives.
type backoff struct {
	rto float64 // 0 is no such direction
}

// maxBackoff bounds the doubling; 2^30 of any rto is beyond every timer.
const maxBackoff = 30

// live is the probability that the direction's judge lives through a cut of s:
// it does when the interval in which the cut begins, and the wait for the copy
// that gets through, stay below its detection time.
func (b backoff) live(d *side, s float64) float64 {
	if d.forever {
		return 1
	}
	s = max(0, s)
	if d.late == nil {
		return b.judged(d, s, d.dlo, d.dhi)
	}
	sum := 0.0
	for _, r := range d.late.rows {
		sum += r.weight * b.judged(d, s, d.dlo+r.by, d.dhi+r.by)
	}
	return min(1, sum)
}

func (b backoff) judged(d *side, s, dlo, dhi float64) float64 {
	sum := b.segment(d.age, s, math.Inf(1), 0, dlo, dhi)
	prev := 0.0
	for k := 0; k < maxBackoff && prev < s; k++ {
		wait := b.rto * math.Ldexp(1, k)
		sum += b.segment(d.age, s-wait, s-prev, wait, dlo, dhi)
		prev = wait
	}
	return sum
}

// segment is the probability that the next hello is due between t0 and t1 and
// that its interval plus wait stays below the detection time. The interval in
// which an instant falls is longer-biased, and the time to its end uniform
// within it.
func (b backoff) segment(a age, t0, t1, wait, dlo, dhi float64) float64 {
	t0, t1 = max(0, t0), min(a.hi, t1)
	if t1 <= t0 {
		return 0
	}
	part := func(y float64) float64 { // intervals up to y
		return a.within(t1, y) - a.within(t0, y)
	}
	if narrow(dlo, dhi) {
		return part(dlo + (dhi-dlo)/2 - wait)
	}
	return panels(dlo, dhi, []float64{a.lo + wait, a.hi + wait, t0 + wait, t1 + wait}, func(x float64) float64 {
		return part(x - wait)
	}) / (dhi - dlo)
}

// within is the probability that the interval is at most y and the time to
// its end at most t.
func (a age) within(t, y float64) float64 {
	if y < a.lo || t <= 0 {
		return 0
	}
	y = min(y, a.hi)
	if narrow(a.lo, a.hi) {
		if y < a.mean() {
			return 0
		}
		return min(t, a.mean()) / a.mean()
	}
	// The integral of min(t, x) for x from lo to y.
	var sum float64
	switch {
	case t <= a.lo:
		sum = t * (y - a.lo)
	case t >= y:
		sum = (y*y - a.lo*a.lo) / 2
	default:
		sum = (t*t-a.lo*a.lo)/2 + t*(y-t)
	}
	return sum / ((a.hi - a.lo) * a.mean())
}

// fate is how the event of one adjacency is computed.
type fate uint8

const (
	alive    fate = iota // it lives whatever happens
	lost                 // it does not
	waits                // its ends must wait long enough
	restarts             // its neighbour must help long enough
)

// own is what decides about one adjacency without what it stands on. It is
// comparable, so that equal ones are computed once.
type own struct {
	fate fate
	// nbr is the neighbour judging the device, dev the device judging the
	// neighbour; dev counts only where judges is set. nbr2 and dev2 are the
	// same for a second timer of the same session (LDP's keepalive).
	nbr, dev     side
	nbr2, dev2   side
	judges, also bool
	// phase is the share of sessions whose two ends send in step.
	phase float64
	// nbrCut and devCut say that the hellos the neighbour, or the device,
	// judges by travel on a TCP session whose path is cut.
	nbrCut, devCut backoff
	// cutSecond says that nbrCut and devCut concern the second timer only.
	cutSecond bool
	// grace and helped are, for fate restarts, the wait for the session to come
	// back: grace where the neighbour's clock starts with the silence, helped
	// where it starts when the neighbour's own timer has run out, or where that
	// must not run out before, which judges then says. unaware is the
	// probability of the latter.
	grace, helped side
	unaware       float64
}

func (o *own) bounds() (safe, dead float64) {
	switch o.fate {
	case alive:
		return math.Inf(1), math.Inf(1)
	case lost:
		return math.Inf(-1), math.Inf(-1)
	case restarts:
		safe, dead = math.Inf(1), math.Inf(-1)
		for _, d := range o.waits() {
			safe, dead = min(safe, d.safe()), max(dead, d.dead())
		}
		return safe, dead
	default:
	}
	side := func(d *side, b backoff) {
		lo, hi := d.safe(), d.dead()
		if b.rto > 0 {
			lo, hi = b.bounds(d)
		}
		safe, dead = min(safe, lo), min(dead, hi)
	}
	safe, dead = math.Inf(1), math.Inf(1)
	side(&o.nbr, o.first(o.nbrCut))
	if o.judges {
		side(&o.dev, o.first(o.devCut))
	}
	if o.also {
		side(&o.nbr2, o.nbrCut)
		if o.judges {
			side(&o.dev2, o.devCut)
		}
	}
	return safe, dead
}

// first is what a cut of the path does to the first timer of the session.
func (o *own) first(b backoff) backoff {
	if o.cutSecond {
		return backoff{}
	}
	return b
}

// waits are the waits for a restarted session that are possible.
func (o *own) waits() []*side {
	switch o.unaware {
	case 0:
		return []*side{&o.grace}
	case 1:
		return []*side{&o.helped}
	}
	return []*side{&o.grace, &o.helped}
}

// bounds are the cuts that d's judge surely, and surely does not, live
// through: the copy after the last wait that it can afford is the last chance.
func (b backoff) bounds(d *side) (safe, dead float64) {
	if d.forever {
		return math.Inf(1), math.Inf(1)
	}
	afford := func(slack float64) float64 {
		if slack < 0 { // it gives up between two hellos, cut or not
			return math.Inf(-1)
		}
		w := 0.0
		for k := 0; k < maxBackoff && b.rto*math.Ldexp(1, k) <= slack; k++ {
			w = b.rto * math.Ldexp(1, k)
		}
		return w
	}
	return afford(d.dlo + d.late.least() - d.age.hi), d.age.hi + afford(d.dhi+d.late.most()-d.age.lo)
}

// live is the probability that the adjacency lives through a silence of s,
// given that all it stands on does.
func (o *own) live(s float64) float64 {
	switch o.fate {
	case alive:
		return 1
	case lost:
		return 0
	case restarts:
		p := 0.0
		if o.unaware < 1 {
			p += (1 - o.unaware) * o.grace.live(s)
		}
		if o.unaware > 0 {
			p += o.unaware * o.helped.live(s)
		}
		return p
	default:
	}
	p := one(&o.nbr, o.first(o.nbrCut), s)
	if o.judges {
		q := one(&o.dev, o.first(o.devCut), s)
		if o.phase > 0 && o.nbr.age == o.dev.age {
			p = o.phase*o.inStep(s, p, q) + (1-o.phase)*p*q
		} else {
			p *= q
		}
	}
	if o.also {
		p *= one(&o.nbr2, o.nbrCut, s)
		if o.judges {
			p *= one(&o.dev2, o.devCut, s)
		}
	}
	return p
}

func one(d *side, b backoff, s float64) float64 {
	if b.rto > 0 {
		return b.live(d, s)
	}
	return d.live(s)
}

// inStep is the probability that both ends live when their hellos leave at the
// same instants. Where the path is cut and the intervals are jittered, which do
// not stay in step, the two events are taken to contain one another.
func (o *own) inStep(s, p, q float64) float64 {
	nbrCut, devCut := o.first(o.nbrCut), o.first(o.devCut)
	switch {
	case p == 0 || q == 0:
		return 0
	case p == 1 || q == 1:
		return min(p, q)
	case (nbrCut.rto > 0 || devCut.rto > 0) && o.nbr.age.lo < o.nbr.age.hi:
		return min(p, q)
	}
	// Nothing halves these panels, so every kink must be an end of one.
	knots := []float64{o.nbr.age.lo}
	for _, d := range []*side{&o.nbr, &o.dev} {
		rows := []shift{{}}
		if d.late != nil {
			rows = d.late.rows
		}
		for _, r := range rows {
			for _, wait := range []float64{d.resume.l, d.resume.m, d.resume.u} {
				knots = append(knots, d.dlo+r.by-s-wait-d.held, d.dhi+r.by-s-wait-d.held)
			}
		}
	}
	knots = devCut.turns(nbrCut.turns(knots, o.nbr.age.hi, s), o.dev.age.hi, s)
	return panels(0, o.nbr.age.hi, knots, func(a float64) float64 {
		return o.nbr.age.density(a) * nbrCut.given(&o.nbr, s, a) * devCut.given(&o.dev, s, a)
	})
}

// given is the probability that d's judge lives through s when the last hello
// was a old as it began; where the path is cut, of hellos without jitter.
func (b backoff) given(d *side, s, a float64) float64 {
	switch {
	case b.rto == 0:
		return d.patient(a + s)
	case d.forever:
		return 1
	}
	heard := d.age.hi // from one hello to the copy of the next that gets through
	if left := d.age.hi - a; left <= s {
		wait := b.rto
		for k := 0; k < maxBackoff && left+wait < s; k++ {
			wait *= 2
		}
		heard += wait
	}
	still := side{dlo: d.dlo, dhi: d.dhi, late: d.late}
	return still.live(heard)
}

// turns are the ages at which another copy becomes the first that gets through a
// cut of s.
func (b backoff) turns(out []float64, interval, s float64) []float64 {
	if b.rto == 0 {
		return out
	}
	out = append(out, interval-s)
	for k := 0; k < maxBackoff; k++ {
		if w := b.rto * math.Ldexp(1, k); w < s {
			out = append(out, interval+w-s)
		}
	}
	return out
}

// knots are the silences where live is not smooth.
func (o *own) knots(out []float64) []float64 {
	side := func(d *side, b backoff) {
		if b.rto == 0 {
			out = d.knots(out)
			return
		}
		out = append(out, d.age.lo, d.age.hi)
		for k := 0; k < maxBackoff; k++ {
			w := b.rto * math.Ldexp(1, k)
			if w > d.dhi+d.late.most() {
				break
			}
			out = append(out, w, w+d.age.lo, w+d.age.hi)
		}
	}
	switch o.fate {
	case restarts:
		for _, d := range o.waits() {
			out = d.knots(out)
		}
	case waits:
		side(&o.nbr, o.first(o.nbrCut))
		if o.judges {
			side(&o.dev, o.first(o.devCut))
		}
		if o.also {
			side(&o.nbr2, o.nbrCut)
			if o.judges {
				side(&o.dev2, o.devCut)
			}
		}
	default:
	}
	return out
}

// panels is the integral of f from lo to hi, five Gauss points in each panel
// between knots: exact where f is a polynomial of degree 9 at most in each.
func panels(lo, hi float64, knots []float64, f func(float64) float64) float64 {
	slices.Sort(knots)
	sum, from := 0.0, lo
	for i := 0; i <= len(knots); i++ {
		to := hi
		if i < len(knots) {
			to = min(hi, knots[i])
		}
		if to <= from {
			continue
		}
		c, h := (from+to)/2, (to-from)/2
		sum += h * (gauss5w[0]*f(c) + gauss5w[1]*(f(c-h*gauss5x[1])+f(c+h*gauss5x[1])) + gauss5w[2]*(f(c-h*gauss5x[2])+f(c+h*gauss5x[2])))
		from = to
	}
	return sum
}

// overTri is the mean of f over a triangle that is no point.
func overTri(t tri, knots []float64, f func(float64) float64) float64 {
	return panels(t.l, t.u, append(knots, t.m), func(x float64) float64 { return t.density(x) * f(x) })
}
