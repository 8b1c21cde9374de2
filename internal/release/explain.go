package release

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"towpath/internal/unit"
)

// NoPath says why there is no path.
type NoPath struct {
	// Reason is the whole explanation as one sentence.
	Reason string `json:"reason"`
	// Nearest is the release that can be reached from which the target is the
	// fewest hops away, conditions aside; where nothing leads to the target, it
	// is the one next to it in order. Empty where none is nearer than the start.
	Nearest string `json:"nearest,omitempty"`
	// Left is the number of hops from Nearest to the target, conditions aside;
	// 0 where nothing leads there.
	Left int `json:"left,omitempty"`
	// Opens lists changes each of which would open a way by itself.
	Opens []string `json:"opens,omitempty"`
}

// candidate is a rejection with what it would lead to at best.
type candidate struct {
	Rejection
	from, to int
	w        weight
}

// rejections explains every transition on the frontier that leads on and cannot
// be taken, the most promising first, and counts those left out.
func (r *run) rejections() ([]Rejection, int) {
	t := r.t
	var all []candidate
	for rel := range t.rels {
		labels := r.settled[rel]
		if len(labels) == 0 || rel == t.target {
			continue
		}
		edges := t.edgesFrom(rel)
		for _, served := range []bool{true, false} {
			for i := 0; i < len(edges); {
				j := i
				for j < len(edges) && edges[j].to == edges[i].to {
					j++
				}
				if c, ok := r.reject(rel, labels, edges[i:j], served); ok {
					all = append(all, c)
				}
				i = j
			}
		}
	}
	slices.SortStableFunc(all, func(a, b candidate) int {
		return cmp.Or(a.w.compare(b.w), t.rels[a.from].v.Compare(t.rels[b.from].v), t.rels[a.to].v.Compare(t.rels[b.to].v))
	})
	var out []Rejection
	for _, c := range all[:min(len(all), maxRejections)] {
		out = append(out, c.Rejection)
	}
	return out, len(all) - len(out)
}

// reject explains why none of the edges to one release by one method can be
// taken as the device is; ok is false where one can, or where it would lead to
// nothing better.
func (r *run) reject(rel int, labels []*label, edges []edge, served bool) (c candidate, ok bool) {
	t := r.t
	if !t.reach[edges[0].to] {
		return c, false
	}
	var best *edge
	for i := range edges {
		e := &edges[i]
		if e.inServed != served || e.barred.what != "" {
			continue
		}
		if e.open() && slices.ContainsFunc(labels, func(l *label) bool { return len(unmet(e, l)) == 0 }) {
			return c, false
		}
		if best == nil || len(e.fails) < len(best.fails) {
			best = e
		}
	}
	if best == nil {
		return c, false
	}
	found := false
	for _, l := range labels { // in order: the first that would lead to something new
		w := l.w.plus(best.w).plus(t.floor[best.to])
		if t.opt.MaxHops > 0 && w.hops > t.opt.MaxHops || slices.ContainsFunc(r.goals, func(g *label) bool { return g.w.covers(w) }) {
			continue
		}
		c.Rejection, c.w, found = t.explain(rel, best, l), w, true
		break
	}
	c.from, c.to = rel, best.to
	return c, found
}

// unmet lists the needs of an edge that a label does not meet.
func unmet(e *edge, l *label) []need {
	var out []need
	for _, n := range e.needs {
		if int(l.st.levels[n.class]) < n.level {
			out = append(out, n)
		}
	}
	return out
}

// explain says what bars an edge at a label, and what would mend it.
func (t *task) explain(rel int, e *edge, l *label) Rejection {
	x := &t.p.transitions[e.tr]
	out := Rejection{From: t.rels[rel].Version, To: t.rels[e.to].Version, Method: x.Method}
	var why []string
	for _, f := range e.fails {
		why = append(why, f.text)
	}
	mended, components := weight{}, 0
	can := len(e.fails) == 0
	earlier := ""
	for _, n := range unmet(e, l) {
		k := &t.classes[n.class]
		text := t.needText(n, int(l.st.levels[n.class]))
		j := t.cheapest(n, l)
		switch {
		case j >= 0:
			mended = mended.plus(t.raises[j].w)
			components += len(k.names)
			if w := t.raises[j].where; w != nil && !w[rel] {
				earlier = t.raises[j].needs()
			}
		default:
			can = false
			text += ", and " + t.whyNoRaise(n, rel, len(k.names))
		}
		why = append(why, text)
	}
	out.Reason = strings.Join(why, " and ")
	if can && components > 0 {
		out.Adds = minutesOf(mended.ms)
		out.Remedy = "raise " + it(components) + " first"
		if earlier != "" {
			out.Remedy = "raise " + it(components) + " earlier, under " + earlier
		}
		out.Remedy += ", +" + minutesText(out.Adds) + " min"
		if mended.out > 0 {
			out.Remedy += ", with an interruption of traffic"
		}
	}
	if len(e.fails) == 1 && len(why) == 1 && e.fails[0].what == barFirmware && !t.classes[e.fails[0].class].known {
		out.Remedy = "read it"
	}
	return out
}

// cheapest is the usable raise that meets a need with the least interruption,
// then in the fewest minutes, then to the lowest level; -1 where there is none.
func (t *task) cheapest(n need, l *label) int {
	best := -1
	for j := range t.raises {
		x := &t.raises[j]
		if x.class != n.class || x.to < n.level || !t.usable(j, l) {
			continue
		}
		if best < 0 || cmp.Or(x.w.compare(t.raises[best].w), cmp.Compare(x.to, t.raises[best].to)) < 0 {
			best = j
		}
	}
	return best
}

// whyNoRaise says why none of the raises that would meet a need can be used.
func (t *task) whyNoRaise(n need, rel, components int) string {
	var under []string
	for j := range t.raises {
		x := &t.raises[j]
		if x.class != n.class || x.to < n.level {
			continue
		}
		if x.where == nil || x.where[rel] {
			return "raising " + it(components) + " interrupts traffic"
		}
		if u := x.needs(); !slices.Contains(under, u) {
			under = append(under, u)
		}
	}
	return "raising " + it(components) + " is possible only under " + strings.Join(under, " or ")
}

// needText says that components need a level and have another, such as "line
// card LC-3 needs firmware 1.9, has 1.7".
func (t *task) needText(n need, has int) string {
	k := &t.classes[n.class]
	run := ""
	if n.run != "" {
		run = " to run " + n.run
	}
	if len(k.names) == 1 {
		return fmt.Sprintf("%s needs firmware %s%s, has %s", k.title(), n.want, run, k.levels[has].text)
	}
	return fmt.Sprintf("%s need firmware %s%s, have %s", k.title(), n.want, run, k.levels[has].text)
}

func (t *task) unreadText(k *class, want, run string) string {
	if run != "" {
		run = " to run " + run
	}
	return fmt.Sprintf("the firmware of %s is unknown, %s is needed%s", k.title(), want, run)
}

// title names the components of a class, such as "line cards LC-3 and LC-4".
func (k *class) title() string {
	if len(k.names) == 1 {
		return kindText(k.kind) + " " + k.names[0]
	}
	return kindText(k.kind) + "s " + listText(k.names)
}

// named names components of any kinds.
func named(components []Installed) string {
	var kinds []string
	names := map[string][]string{}
	for _, c := range components {
		if names[c.Kind] == nil {
			kinds = append(kinds, c.Kind)
		}
		names[c.Kind] = append(names[c.Kind], c.Name)
	}
	var out []string
	for _, k := range kinds {
		out = append(out, (&class{kind: k, names: names[k]}).title())
	}
	return listText(out)
}

// listText joins words as a sentence does: "a", "a and b", "a, b and c".
func listText(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

func it(n int) string {
	if n == 1 {
		return "it"
	}
	return "them"
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func because(text, reason string) string {
	if reason == "" {
		return text
	}
	return text + " (" + reason + ")"
}

// maxOpens bounds the questions asked to find what would open a way, and
// maxOpensTold how many answers the sentence names.
const (
	maxOpens     = 200
	maxOpensTold = 5
)

// explainNoPath says why a run found nothing: which release is nearest, and
// which single change would open a way. It runs the task again for each thing
// that bars a transition at the edge of what can be reached.
func (t *task) explainNoPath(r *run, levels []uint16) *NoPath {
	out := &NoPath{}
	from, to := t.rels[t.start].Version, t.rels[t.target].Version
	text := fmt.Sprintf("%s cannot be reached from %s", to, from)
	switch {
	case !t.leadsTo():
		text += ": no transition leads to it"
	case !t.joined():
		text += ": no chain of transitions leads there"
	default:
		text += ": every chain of transitions that leads there is barred"
	}
	if near := t.nearest(r); near < 0 {
		text += "; nothing nearer can be reached"
	} else {
		out.Nearest = t.rels[near].Version
		text += "; nearest is " + out.Nearest
		if t.reach[near] {
			out.Left = t.floor[near].hops
			text += fmt.Sprintf(", %s away", unit.Counted(out.Left, "hop"))
		}
	}
	out.Opens = t.opens(r, levels)
	switch n := len(out.Opens); {
	case n == 1:
		text += "; this would open a way: " + out.Opens[0]
	case n > maxOpensTold:
		text += fmt.Sprintf("; any one of these would open a way: %s, or one of %d more", strings.Join(out.Opens[:maxOpensTold], ", "), n-maxOpensTold)
	case n > 1:
		text += "; any one of these would open a way: " + strings.Join(out.Opens, ", ")
	}
	out.Reason = text
	return out
}

// leadsTo reports whether any transition leads to the target at all.
func (t *task) leadsTo() bool {
	for r := range t.rels {
		if slices.ContainsFunc(t.edgesFrom(r), func(e edge) bool { return e.to == t.target }) {
			return true
		}
	}
	return false
}

// joined reports whether some chain of transitions leads from start to target,
// conditions and options aside.
func (t *task) joined() bool {
	seen := make([]bool, len(t.rels))
	seen[t.start] = true
	for stack := []int{t.start}; len(stack) > 0; {
		r := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		for _, e := range t.edgesFrom(r) {
			if !seen[e.to] {
				seen[e.to] = true
				stack = append(stack, e.to)
			}
		}
	}
	return seen[t.target]
}

// nearest is the reached release that is closest to the target, or -1 where no
// release is closer than the start.
func (t *task) nearest(r *run) int {
	best := -1
	up := t.rels[t.target].v.Compare(t.rels[t.start].v) > 0
	closer := func(a, b int) bool {
		if t.reach[a] != t.reach[b] {
			return t.reach[a]
		}
		if t.reach[a] && t.floor[a].hops != t.floor[b].hops {
			return t.floor[a].hops < t.floor[b].hops
		}
		beyondA, beyondB := t.beyond(a, up), t.beyond(b, up)
		if beyondA != beyondB {
			return !beyondA
		}
		return (t.rels[a].v.Compare(t.rels[b].v) > 0) == (up != beyondA)
	}
	for rel := range t.rels {
		if len(r.settled[rel]) == 0 || rel == t.target {
			continue
		}
		if best < 0 || closer(rel, best) {
			best = rel
		}
	}
	if best == t.start {
		return -1
	}
	return best
}

// beyond reports whether a release lies past the target as seen from the start.
func (t *task) beyond(rel int, up bool) bool {
	return (t.rels[rel].v.Compare(t.rels[t.target].v) > 0) == up
}

// opens asks for each bar at the edge of what was reached whether a way would
// be there without it.
func (t *task) opens(r *run, levels []uint16) []string {
	var bars []condition
	add := func(c condition) {
		if len(bars) < maxOpens && !slices.Contains(bars, c) {
			bars = append(bars, c)
		}
	}
	for rel := range t.rels {
		if len(r.settled[rel]) == 0 {
			continue
		}
		for i := range t.edgesFrom(rel) {
			e := &t.edges[rel][i]
			switch {
			case e.barred.what != "" && len(e.fails) == 0:
				add(e.barred)
			case e.barred.what == "" && len(e.fails) == 1:
				add(e.fails[0].condition)
			case e.open():
				for _, l := range r.settled[rel] {
					for _, n := range unmet(e, l) {
						if t.cheapest(n, l) < 0 {
							add(condition{what: barFirmware, name: n.want, class: n.class})
							if !t.opt.AllowReload {
								add(condition{what: barReload})
							}
						}
					}
				}
			}
		}
	}
	var out []string
	for _, c := range bars {
		if t.without(c).found(levels) {
			out = append(out, t.openText(c))
		}
	}
	if len(t.via) > 0 {
		if b := t.without(condition{}); b.dropVia().found(levels) {
			out = append(out, "not having to go via "+listText(t.opt.Via))
		}
	}
	if t.opt.MaxHops > 0 {
		b := t.without(condition{})
		b.opt.MaxHops = 0
		fewest := 0
		for _, g := range b.run(levels, false).goals {
			if fewest == 0 || g.w.hops < fewest {
				fewest = g.w.hops
			}
		}
		if fewest > 0 {
			out = append(out, unit.Counted(fewest, "hop")+" allowed")
		}
	}
	return out
}

// without is the same task with one bar lifted.
func (t *task) without(c condition) *task {
	b := *t
	b.lift, b.cautions = c, nil
	switch c.what {
	case barReload:
		b.opt.AllowReload = true
	case barAvoid:
		b.avoid = slices.Clone(t.avoid)
		for i := range b.rels {
			if b.rels[i].Version == c.name {
				b.avoid[i] = false
			}
		}
	}
	b.prepare()
	return &b
}

func (t *task) dropVia() *task { t.via = nil; return t }

func (t *task) found(levels []uint16) bool { return len(t.run(levels, true).goals) > 0 }

func (t *task) openText(c condition) string {
	switch c.what {
	case barPart:
		return "no component of part " + c.name
	case barFeature:
		return "feature " + c.name + " not in use"
	case barSpan:
		return "no bound on " + c.name + " in one in-service hop"
	case barFirmware:
		return t.classes[c.class].title() + " at firmware " + c.name
	case barUnknown:
		return "the components being known and meeting every condition"
	case barAvoid:
		return c.name + " not avoided"
	}
	return "interruptions of traffic allowed"
}
