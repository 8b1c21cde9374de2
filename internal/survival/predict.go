package survival

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"towpath/internal/state"
)

// Predict forecasts what becomes of the adjacencies of a capture in a silence
// of three points. It is [PredictLaw] with [LawOf].
func Predict(c *state.Capture, s Silence, o Options) Forecast {
	return PredictLaw(c, LawOf(s), o)
}

// PredictLaw forecasts what becomes of the adjacencies of a capture in a
// silence of the given law. The adjacencies of the forecast are those of the
// capture in its order, then those that it tells of in its aggregates and
// spanning trees only.
//
// Given the silence the adjacencies' own events are independent; the silence
// they share. So each probability is the integral over the law of the product
// of the conditional ones, never a product of marginals. A silence that is out
// of order is put in order, and said so in the cautions.
func PredictLaw(c *state.Capture, law Law, o Options) Forecast {
	law, cautions := mended(law)
	return newModel(compile(c, o)).forecast(c.Device, law, cautions)
}

// mended puts a law in order.
func mended(law Law) (Law, []string) {
	if law.Validate() == nil {
		return law, nil
	}
	said := []string{fmt.Sprintf("the silence was put in order: %v", law.Validate())}
	out := slices.Clone(law)
	sum := 0.0
	for i := range out {
		p := []time.Duration{max(0, out[i].Silence.Least), max(0, out[i].Silence.Likely), max(0, out[i].Silence.Most)}
		slices.Sort(p)
		out[i].Silence = Silence{p[0], p[1], p[2]}
		if !(out[i].Weight > 0) {
			out[i].Weight = 0
		}
		sum += out[i].Weight
	}
	for i := range out {
		if sum > 0 {
			out[i].Weight /= sum
		} else {
			out[i].Weight = 1 / float64(len(out))
		}
	}
	return out, said
}

// model is a system with its structure, ready to be integrated.
type model struct {
	*system
	structure *structure
	classes   []own
	class     []int32   // of each relation
	safe      []float64 // of each class
	dead      []float64
	required  []int32 // how many relations of each class must live for traffic to be untouched
	open      []int32 // the classes required, sorted by the silence they surely stand
	spoilt    int     // a relation that touches traffic at any silence, or -1
	touching  []int   // relations whose own event counts, sorted by the silence they surely stand
}

func newModel(s *system) *model {
	m := &model{system: s, structure: s.structure(), class: make([]int32, len(s.relations)), spoilt: -1}
	index := map[own]int32{}
	for i := range s.relations {
		o := &s.relations[i].own
		c, ok := index[*o]
		if !ok {
			c = int32(len(m.classes))
			m.classes = append(m.classes, *o)
			safe, dead := o.bounds()
			m.safe, m.dead = append(m.safe, safe), append(m.dead, dead)
			index[*o] = c
		}
		m.class[i] = c
	}
	// Traffic is untouched when everything that carries lives and so does all
	// it stands on, redundant or not: what runs over a member link that fails
	// is touched even if the aggregate stays up.
	m.required = make([]int32, len(m.classes))
	needed := make([]bool, len(s.nodes))
	counted := make([]bool, len(s.relations))
	var walk func(n int)
	walk = func(n int) {
		if needed[n] {
			return
		}
		needed[n] = true
		if r := s.nodes[n].relation; r >= 0 && !counted[r] && !s.relations[r].down {
			counted[r] = true
			m.required[m.class[r]]++
			m.touching = append(m.touching, r)
			if m.spoilt < 0 && (s.relations[r].own.fate == lost || s.relations[r].carries && s.relations[r].kept[0] > 0) {
				m.spoilt = r
			}
		}
		for _, need := range s.nodes[n].needs {
			for _, of := range need.of {
				walk(of)
			}
		}
	}
	for _, r := range s.relations {
		if r.carries {
			walk(r.node)
		}
	}
	m.arrange()
	return m
}

// arrange sorts the classes that count.
func (m *model) arrange() {
	m.open = m.open[:0]
	for c, n := range m.required {
		if n > 0 {
			m.open = append(m.open, int32(c))
		}
	}
	slices.SortFunc(m.open, func(a, b int32) int { return cmp.Compare(m.safe[a], m.safe[b]) })
}

// bound is a model bound to a law: what the law settles is folded in.
type bound struct {
	*model
	law     Law
	formula *formula
	root    []int32    // of each relation: the step of its event
	views   []lossView // of each node, where seen
	seen    []bool
	live    []float64         // scratch: of each class
	settled []int8            // of each class: 1 lives surely, -1 surely does not
	lives   map[int32]float64 // by step: the probability of the event, where asked for before
}

func (m *model) bind(law Law) *bound {
	b := &bound{model: m, law: law, formula: newFormula(), root: make([]int32, len(m.relations)), views: make([]lossView, len(m.nodes)), seen: make([]bool, len(m.nodes)), live: make([]float64, len(m.classes))}
	settled := make([]int8, len(m.classes))
	b.settled, b.lives = settled, map[int32]float64{0: 0, 1: 1}
	least, most := law.Least().Seconds(), law.Most().Seconds()
	for c := range settled {
		switch {
		case m.safe[c] >= most:
			settled[c] = 1
		case m.dead[c] < least:
			settled[c] = -1
		}
	}
	for i, r := range m.relations {
		b.root[i] = b.formula.add(m.structure, m.class, settled, m.structure.event[r.node])
	}
	return b
}

// untouched is P(untouched) for a silence of exactly s seconds.
func (m *model) untouched(s float64) float64 {
	if m.spoilt >= 0 {
		return 0
	}
	p := 1.0
	for _, c := range m.open {
		if m.safe[c] >= s {
			break
		}
		q := m.classes[c].live(s)
		if n := m.required[c]; n > 1 {
			q = math.Pow(q, float64(n))
		}
		if p *= q; p < 1e-18 {
			return 0
		}
	}
	return p
}

// limits are the silence that all that carries surely lives through, with the
// relation that sets it, and the one it surely does not.
func (m *model) limits() (safe, dead float64, limiting int) {
	safe, dead, limiting = math.Inf(1), math.Inf(1), -1
	for _, r := range m.touching {
		s, d := m.safe[m.class[r]], m.dead[m.class[r]]
		if s < safe {
			safe, limiting = s, r
		}
		dead = min(dead, d)
	}
	if m.spoilt >= 0 {
		return 0, 0, m.spoilt
	}
	return safe, dead, limiting
}

// knots are the silences within the range where P(untouched) may have a kink;
// too many are left to the integration to find.
func (m *model) knots(safe, dead float64) []float64 {
	const most = 128
	var out []float64
	for _, c := range m.open {
		if m.safe[c] >= dead {
			break
		}
		out = m.classes[c].knots(out)
	}
	out = append(out, safe, dead)
	out = slices.DeleteFunc(out, func(x float64) bool { return !(x >= safe && x <= dead) || math.IsInf(x, 0) })
	slices.Sort(out)
	out = slices.Compact(out)
	if len(out) <= most {
		return out
	}
	thin := make([]float64, 0, most)
	for i := range most {
		thin = append(thin, out[i*(len(out)-1)/(most-1)])
	}
	return thin
}

// expectUntouched is the integral of P(untouched) over the law and the bound
// of its error.
func (m *model) expectUntouched(law Law) (p, err float64) {
	if m.spoilt >= 0 {
		return 0, 0
	}
	safe, dead, _ := m.limits()
	if law.Most().Seconds() <= safe {
		return 1, 0
	}
	if law.Least().Seconds() > dead {
		return 0, 0
	}
	mean, err := law.expect(m.knots(safe, dead), 1, func(s float64, out []float64) { out[0] = m.untouched(s) })
	return min(1, max(0, mean[0])), err
}

// marginal is what the law makes of one relation.
type marginal struct {
	survive, alone float64
	loss, ifLost   Interval
	span           Interval // least and most that a silence can cost
}

// marginalKey is all that a marginal depends on.
type marginalKey struct {
	root, class int32
	view        lossView
}

// lossView is what the loss of a relation's traffic depends on besides the
// probability that it lives.
type lossView struct {
	early, late float64 // earliest and latest instant of the silence at which it is given up
	back        [2]float64
	resume      [2]float64 // what the resume delay adds to the silence
	kept        [2]float64
	keptDown    bool
}

// whole is what a restart that goes well costs in a silence of s.
func (v lossView) whole(s float64) (least, most float64) {
	if v.keptDown {
		return v.kept[0] + s + v.resume[0], v.kept[1] + s + v.resume[1]
	}
	return v.kept[0], v.kept[1]
}

func (v lossView) lost(s float64) (least, most float64) {
	return v.back[0] + max(0, s+v.resume[0]-v.late), v.back[1] + max(0, s+v.resume[1]-max(0, v.early))
}

// below gathers what a node and all it stands on add to a loss; back is the
// longest way back among them.
func (b *bound) below(n int) lossView {
	if b.seen[n] {
		return b.views[n]
	}
	v := b.beneath(n)
	if at := b.nodes[n].relation; at >= 0 {
		r := &b.relations[at]
		early, late := r.givenUp()
		v.early, v.late = min(v.early, early), max(v.late, late)
		v.back[1] = max(v.back[1], r.back[1])
	}
	b.views[n], b.seen[n] = v, true
	return v
}

// beneath is below without the node itself.
func (b *bound) beneath(n int) lossView {
	v := lossView{early: math.Inf(1)}
	for _, need := range b.nodes[n].needs {
		for _, of := range need.of {
			w := b.below(of)
			v.early, v.late, v.back[1] = min(v.early, w.early), max(v.late, w.late), max(v.back[1], w.back[1])
		}
	}
	return v
}

// lossView is what the loss of relation i depends on.
func (b *bound) lossView(i int) lossView {
	r := &b.relations[i]
	v := b.beneath(r.node)
	early, late := r.givenUp()
	v.early, v.late = min(v.early, early), max(v.late, late)
	v.back = [2]float64{r.back[0], r.back[1] + v.back[1]}
	v.resume = [2]float64{b.resume.l, b.resume.u}
	if r.mode == graceful {
		v.kept, v.keptDown = r.kept, r.keptDown
	}
	return v
}

// givenUp is the earliest and the latest instant of a silence at which the
// neighbour gives the device up, or the device forgets what it forwards by,
// seconds from its beginning.
func (r *relation) givenUp() (early, late float64) {
	switch {
	case r.own.fate == alive:
		return math.Inf(1), 0
	case r.mode != frozen:
		return r.given[0], r.given[1]
	case r.own.fate == lost: // already down
		return 0, math.Inf(1)
	default:
		return r.own.nbr.givesUp()
	}
}

// givesUp is the earliest and the latest instant of a silence at which the
// side's judge gives up, where the silence lasts.
func (d *side) givesUp() (early, late float64) {
	if d.forever {
		return math.Inf(1), math.Inf(1)
	}
	return d.dlo + d.late.least() - d.age.hi - d.held, d.dhi + d.late.most()
}

// need is the probability that a need is met.
func (b *bound) need(n need) float64 {
	events := make([]int32, len(n.of))
	for i, of := range n.of {
		events[i] = b.structure.event[of]
	}
	root := b.formula.add(b.structure, b.class, b.settled, b.structure.atLeast(n.atLeast, events))
	p, ok := b.lives[root]
	if !ok {
		prog := b.formula.program(root)
		var knots []float64
		for _, c := range prog.classes {
			knots = b.classes[c].knots(knots)
		}
		room := make([]float64, len(prog.steps))
		mean, _ := b.law.expect(knots, 1, func(s float64, out []float64) {
			for _, c := range prog.classes {
				b.live[c] = b.classes[c].live(s)
			}
			out[0] = prog.value(b.live, room)
		})
		p = unit(mean[0])
		b.lives[root] = p
	}
	return p
}

// weakest names the least likely of what a gate needs all of, with its
// probability; empty where the need is no such gate, or all of it surely lives.
func (b *bound) weakest(n need, but int) (name string, p float64) {
	p = 1
	if len(n.of) != 1 || b.nodes[n.of[0]].relation >= 0 {
		return "", 1
	}
	for _, inner := range b.nodes[n.of[0]].needs {
		if inner.atLeast < len(inner.of) {
			continue
		}
		for _, of := range inner.of {
			if q := b.need(need{1, []int{of}}); of != but && q < p {
				name, p = b.needName(need{1, []int{of}}), q
			}
		}
	}
	return name, p
}

// marginal integrates one relation over the law.
func (b *bound) marginal(i int, view lossView) marginal {
	own := b.class[i]
	carries := b.relations[i].carries
	least, most := b.law.Least().Seconds(), b.law.Most().Seconds()
	var g marginal
	prog := b.formula.program(b.root[i])
	switch {
	case b.safe[own] >= most:
		g.alone = 1
	case b.dead[own] < least:
		g.alone = 0
	case len(prog.classes) == 1 && prog.classes[0] == own && len(prog.steps) == 3:
		g.alone = -1 // the same as with what it stands on
	default:
		mean, _ := b.law.expect(b.classes[own].knots(nil), 1, func(s float64, out []float64) { out[0] = b.classes[own].live(s) })
		g.alone = unit(mean[0])
	}
	if b.root[i] == 1 { // surely lives
		g.survive = 1
		if g.alone < 0 {
			g.alone = 1
		}
		if carries {
			mean := b.law.Mean().Seconds()
			g.loss.Least, g.loss.Most = view.whole(mean)
			g.ifLost.Least, g.ifLost.Most = view.lost(most)
			g.span.Least, _ = view.whole(least)
			_, g.span.Most = view.whole(most)
		}
		return g
	}
	var knots []float64
	for _, c := range prog.classes {
		knots = b.classes[c].knots(knots)
	}
	if carries {
		knots = append(knots, view.early-view.resume[1], view.late-view.resume[0])
	}
	room := make([]float64, len(prog.steps))
	mean, _ := b.law.expect(knots, 5, func(s float64, out []float64) {
		for _, c := range prog.classes {
			b.live[c] = b.classes[c].live(s)
		}
		p := prog.value(b.live, room)
		out[0] = p
		if carries {
			lo, hi := view.lost(s)
			well, ill := view.whole(s)
			out[1], out[2] = (1-p)*lo, (1-p)*hi
			out[3], out[4] = p*well, p*ill
		}
	})
	g.survive = unit(mean[0])
	if g.alone < 0 {
		g.alone = g.survive
	}
	if !carries {
		return g
	}
	if dies := 1 - g.survive; dies > 1e-9 {
		g.ifLost = Interval{mean[1] / dies, mean[2] / dies}
	} else {
		g.ifLost.Least, g.ifLost.Most = view.lost(most)
	}
	g.loss = Interval{mean[1] + mean[3], mean[2] + mean[4]}
	// Either grows with the silence, so that its ends give the bounds.
	g.span.Least, _ = view.lost(least)
	_, g.span.Most = view.lost(most)
	if g.survive > 0 {
		lo, _ := view.whole(least)
		_, hi := view.whole(most)
		g.span.Least, g.span.Most = min(g.span.Least, lo), max(g.span.Most, hi)
	}
	return g
}

// unit clips a probability, and what is one or nothing but for rounding.
func unit(p float64) float64 {
	switch {
	case p > 1-1e-11:
		return 1
	case p < 1e-11:
		return 0
	}
	return p
}

func (m *model) forecast(device string, law Law, cautions []string) Forecast {
	f := Forecast{Device: device, Law: law, Cautions: append(cautions, m.cautions...)}
	f.Untouched, f.Error = m.expectUntouched(law)
	safe, dead, limiting := m.limits()
	switch {
	case limiting < 0 || math.IsInf(safe, 1):
		f.Unlimited = true
	default:
		f.Safe, f.Limiting = max(0, seconds(math.Floor(safe*1e9+1e-3)/1e9)), m.relations[limiting].name()
	}
	f.Adjacencies = make([]AdjacencyForecast, len(m.relations))
	known := map[marginalKey]marginal{}
	found := make([]marginal, len(m.relations))
	b := m.bind(law)
	for i := range m.relations {
		view := b.lossView(i)
		key := marginalKey{b.root[i], m.class[i], view}
		if !m.relations[i].carries {
			key.view = lossView{}
		}
		g, ok := known[key]
		if !ok {
			g = b.marginal(i, view)
			known[key] = g
		}
		b.lives[b.root[i]] = g.survive
		found[i] = g
		for _, c := range m.relations[i].cautions {
			f.Cautions = append(f.Cautions, m.relations[i].name()+": "+c)
		}
	}
	for i, g := range found {
		f.Adjacencies[i] = b.describe(i, g, law)
	}
	if m.structure.truncated {
		f.Cautions = append(f.Cautions, "what the adjacencies stand on is too entangled to be counted out; redundancy below some of them is not counted, so they may be safer than told")
	}
	f.Cautions = grouped(f.Cautions)
	f.Curve = m.curve(law, safe, dead)
	f.Assumed = m.assumptions()
	return f
}

// grouped joins cautions that differ in the adjacency only.
func grouped(lines []string) []string {
	count, first := map[string]int{}, map[string]string{}
	var order []string
	for _, l := range lines {
		key := l
		if _, after, ok := strings.Cut(l, ": "); ok {
			key = after
		}
		if count[key] == 0 {
			order = append(order, key)
			first[key] = l
		}
		count[key]++
	}
	out := make([]string, len(order))
	for i, k := range order {
		out[i] = first[k]
		if n := count[k]; n > 1 {
			out[i] = fmt.Sprintf("%s (and %d more)", first[k], n-1)
		}
	}
	return out
}

// assumptions writes one line for each value that nobody told.
func (s *system) assumptions() []string {
	out := make([]string, 0, len(s.assumed))
	for a, n := range s.assumed {
		times := ""
		if n > 1 {
			times = fmt.Sprintf(" (%d times)", n)
		}
		out = append(out, fmt.Sprintf("%s: %s is taken as %s%s: %s", a.protocol, a.name, a.value, times, a.source))
	}
	sort.Strings(out)
	return out
}

// curve is P(untouched) against a silence known exactly.
func (m *model) curve(law Law, safe, dead float64) []Point {
	if math.IsInf(safe, 1) {
		return []Point{{0, 1}, {law.Most(), 1}}
	}
	const steps = 40
	safe, dead = max(0, safe), max(0, dead)
	end := dead
	if math.IsInf(end, 1) || end > 20*max(safe, 1) {
		end = max(2*safe, law.Most().Seconds(), 1)
	}
	at := []float64{0, safe, end}
	for i := 1; i < steps; i++ {
		at = append(at, safe+(end-safe)*float64(i)/steps)
	}
	for _, p := range law {
		t := triOf(p.Silence)
		at = append(at, t.l, t.m, t.u)
	}
	slices.Sort(at)
	out := make([]Point, 0, len(at))
	for _, s := range at {
		if d := seconds(s); len(out) == 0 || out[len(out)-1].Silence != d {
			out = append(out, Point{d, unit(m.untouched(s))})
		}
	}
	return out
}

func (b *bound) describe(i int, g marginal, law Law) AdjacencyForecast {
	m, r := b.model, &b.relations[i]
	w := AdjacencyForecast{
		Protocol: r.protocol, Instance: r.instance, Interface: r.iface, Neighbour: r.neighbour, Peer: r.peer,
		Survive: g.survive, Alone: g.alone, Loss: g.loss, IfLost: g.ifLost, Range: g.span, Carries: r.carries,
		Inputs: r.inputs, Cautions: r.cautions, Source: r.source,
	}
	safe, dead := r.own.bounds()
	switch {
	case math.IsInf(safe, 1):
		w.Unlimited = true
	case safe > 0:
		w.Safe = seconds(math.Floor(safe*1e9+1e-3) / 1e9)
	}
	below := slices.Clone(m.nodes[r.inner].needs)
	if r.inner != r.node {
		for _, n := range m.nodes[r.node].needs {
			if !slices.Contains(n.of, r.inner) {
				below = append(below, n)
			}
		}
	}
	least := -1 // of those it stands on, the least likely
	for k, n := range below {
		w.StandsOn, w.Below = append(w.StandsOn, m.needName(n)), append(w.Below, b.need(n))
		if least < 0 || w.Below[k] < w.Below[least] {
			least = k
		}
	}
	stands := ""
	if least >= 0 && g.alone > g.survive+1e-9 && !r.down {
		stands = fmt.Sprintf("it stands on %s, which holds with probability %s", w.StandsOn[least], chance(w.Below[least]))
		if name, p := b.weakest(below[least], r.inner); name != "" {
			stands += fmt.Sprintf(": the weakest in it is %s, with %s", name, chance(p))
		}
		if more := slices.Delete(slices.Clone(w.StandsOn), least, least+1); len(more) > 0 {
			stands += "; and on " + strings.Join(more, " and ")
		}
	}
	switch {
	case g.survive == 0:
		w.Outcome = Drops
	case g.survive < 1:
		w.Outcome = AtRisk
	case r.mode == graceful:
		w.Outcome = RestartsGracefully
	default:
		w.Outcome = Holds
	}
	w.Why, w.Source = m.why(r, &w, stands, safe, dead, law)
	w.Timer = r.own.timer(r.grants, r.reopens)
	return w
}

func (m *model) needName(n need) string {
	name := func(i int) string {
		at := m.nodes[i]
		if at.relation >= 0 {
			return m.relations[at.relation].name()
		}
		return at.title
	}
	if len(n.of) == 1 {
		return name(n.of[0])
	}
	var names []string
	for i, of := range n.of {
		if i == 3 && len(n.of) > 4 {
			names = append(names, fmt.Sprintf("%d more", len(n.of)-3))
			break
		}
		names = append(names, name(of))
	}
	return fmt.Sprintf("%d of %d: %s", n.atLeast, len(n.of), strings.Join(names, ", "))
}

// why says in one sentence what decides, and whose rule that is.
func (m *model) why(r *relation, w *AdjacencyForecast, stands string, safe, dead float64, law Law) (string, string) {
	if stands != "" {
		if w.Alone == 1 {
			return "by itself it would live, but " + stands, w.Source
		}
		return fmt.Sprintf("by itself it lives with probability %s, and %s", chance(w.Alone), stands), w.Source
	}
	why, source := m.decides(r, w, safe, dead, law)
	if r.assumed && r.fixed == "" && r.own.fate == waits && !math.IsInf(safe, 1) {
		why += "; its timers are assumed, for the device told none"
	}
	return why, source
}

// decides is why without what the adjacency stands on.
func (m *model) decides(r *relation, w *AdjacencyForecast, safe, dead float64, law Law) (string, string) {
	if r.fixed != "" {
		return r.fixed, w.Source
	}
	if r.mode == graceful {
		grace, helped := short(max(0, r.own.grace.safe())), short(max(0, r.own.helped.safe()))
		text := "it restarts with its neighbour's help, which lasts for silences up to " + grace
		switch {
		case r.own.unaware == 1 && r.own.judges:
			text = "it restarts with its neighbour's help, but the neighbour's own timer may run out before, from a silence of " + helped + " on"
		case r.own.unaware == 1:
			text = "it restarts with its neighbour's help, which begins when the neighbour's own timer runs out and lasts for silences up to " + helped
		case r.own.unaware > 0 && r.own.judges:
			text += ", or only up to " + helped + " where the neighbour is not told of the loss and its own timer runs out"
		case r.own.unaware > 0:
			text += " where the neighbour learns of the loss at once, and up to " + helped + " where its own timer must run out first"
		}
		return text, w.Source
	}
	nbrSafe, nbrDead := r.own.nbr.safe(), r.own.nbr.dead()
	if r.own.nbrCut.rto > 0 {
		nbrSafe, nbrDead = r.own.nbrCut.bounds(&r.own.nbr)
	}
	switch {
	case math.IsInf(safe, 1):
		return "no timer ends it", w.Source
	case r.own.judges && safe < nbrSafe:
		return fmt.Sprintf("the neighbour waits long enough up to %s, but the device's own timer is overdue from %s on and takes the neighbour down", short(max(0, nbrSafe)), short(max(0, safe))), r.selfSrc
	case w.Outcome == Holds:
		return fmt.Sprintf("everybody waits longer than the silence: %s is sure, and it lasts %v at most", short(safe), law.Most()), w.Source
	case w.Outcome == Drops:
		return fmt.Sprintf("the neighbour gives the device up before it speaks again: at %s none survives, and it lasts %v at least", short(min(nbrDead, dead)), law.Least()), w.Source
	default:
		both := ""
		if r.own.judges {
			both = ", and the device's own timer likewise"
		}
		return fmt.Sprintf("it depends on how old the last hello is when the silence begins: %s is sure, from %s on none survives%s", short(max(0, safe)), short(dead), both), w.Source
	}
}

// timer says whose timer is the first to run out in a silence, and the sum that
// makes the largest silence that it surely stands.
func (o *own) timer(grants, reopens float64) string {
	if o.fate == restarts {
		return o.helpTimer(grants, reopens)
	}
	if o.fate != waits {
		return ""
	}
	type end struct {
		who, of string
		side    *side
		cut     backoff
	}
	const neighbour, device = "the neighbour's", "the device's own"
	ends := []end{{neighbour, "the device's", &o.nbr, o.first(o.nbrCut)}}
	if o.judges {
		ends = append(ends, end{device, "the neighbour's", &o.dev, o.first(o.devCut)})
	}
	if o.also {
		ends = append(ends, end{neighbour, "the device's", &o.nbr2, o.nbrCut})
		if o.judges {
			ends = append(ends, end{device, "the neighbour's", &o.dev2, o.devCut})
		}
	}
	sure := func(e end) float64 {
		if e.cut.rto > 0 {
			lo, _ := e.cut.bounds(e.side)
			return lo
		}
		return e.side.safe()
	}
	first := slices.MinFunc(ends, func(a, b end) int { return cmp.Compare(sure(a), sure(b)) })
	if math.IsInf(sure(first), 1) {
		return ""
	}
	d := first.side
	gives := short(d.dlo)
	if d.dhi-d.dlo > 1e-9 {
		gives += " to " + short(d.dhi)
	}
	text := fmt.Sprintf("%s: it runs out %s after %s last hello, which can be %s old when the silence begins", first.who, gives, first.of, short(d.age.hi))
	if first.cut.rto > 0 {
		return text + fmt.Sprintf("; the path is cut, so that the next is heard only with a copy, sent %s after the first and then at twice the wait each time: %s is sure", short(first.cut.rto), short(max(0, sure(first))))
	}
	sum := short(d.dlo)
	for _, x := range []struct {
		s    float64
		what string
	}{{d.age.hi, "hello"}, {d.held, "hello timer that stood still"}, {d.resume.u, "resume delay"}, {-d.late.least(), "late hello"}} {
		switch x.what {
		case "hello":
			sum += " - " + short(x.s)
		default:
			if x.s >= 0.0005 {
				sum += fmt.Sprintf(" - %s (%s)", short(x.s), x.what)
			} else if x.s <= -0.0005 {
				sum += fmt.Sprintf(" + %s (the timer acts late)", short(-x.s))
			}
		}
	}
	left := sure(first)
	if left < 0 {
		return text + fmt.Sprintf("; %s is below nothing, so no silence is sure", sum)
	}
	return text + fmt.Sprintf("; %s = %s is sure", sum, short(left))
}

// helpTimer says by which sums a helper waits for a session that is back at the
// latest after reopens, in seconds: where its clock starts with the silence, for
// what it grants, and where it starts later, or its own timer must not run out.
func (o *own) helpTimer(grants, reopens float64) string {
	var out []string
	tail := func(d *side, back bool) string {
		text := ""
		if back {
			text = fmt.Sprintf(" - %s (session back)", short(reopens))
		}
		switch l := d.late.least(); {
		case l <= -0.0005:
			text += fmt.Sprintf(" - %s (late hello)", short(-l))
		case l >= 0.0005:
			text += fmt.Sprintf(" + %s (the timer acts late)", short(l))
		}
		if d.resume.u >= 0.0005 {
			text += fmt.Sprintf(" - %s (resume delay)", short(d.resume.u))
		}
		if left := d.safe(); left >= 0 {
			return text + fmt.Sprintf(" = %s is sure", short(left))
		}
		return text + " is below nothing, so no silence is sure"
	}
	if o.unaware < 1 {
		out = append(out, fmt.Sprintf("the neighbour's help, from the loss of the session on: %s%s", short(grants), tail(&o.grace, true)))
	}
	d := &o.helped
	switch {
	case o.unaware == 0:
	case o.judges && d.dlo < o.nbr.dlo:
		out = append(out, fmt.Sprintf("the neighbour's own timer, before which the session must be back: %s - %s (hello)%s", short(o.nbr.dlo), short(d.age.hi), tail(d, true)))
	case o.judges:
		out = append(out, fmt.Sprintf("the neighbour's own timer, which must not run out before: %s - %s (hello)%s", short(o.nbr.dlo), short(d.age.hi), tail(d, false)))
	default:
		out = append(out, fmt.Sprintf("the neighbour's help, from when its own timer has run out: %s - %s (hello) + %s%s", short(o.nbr.dlo), short(d.age.hi), short(grants), tail(d, true)))
	}
	return strings.Join(out, "; ")
}

// short writes seconds for people: to the millisecond, and finer below a tenth of
// a second.
func short(s float64) string {
	d := seconds(s)
	if d.Abs() < 100*time.Millisecond {
		return d.Round(100 * time.Microsecond).String()
	}
	return d.Round(time.Millisecond).String()
}

// chance writes a probability so that neither end is rounded to certainty.
func chance(p float64) string {
	switch {
	case p >= 0.9995 && p < 1:
		return fmt.Sprintf("%.6f", p)
	case p < 0.0005 && p > 0:
		return fmt.Sprintf("%.2g", p)
	}
	return fmt.Sprintf("%.3f", p)
}
