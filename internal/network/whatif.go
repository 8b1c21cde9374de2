package network

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"towpath/internal/unit"
)

// Element is a kind of what may fail on top of a drain.
type Element string

// The kinds.
const (
	ElementLink  Element = "link"
	ElementNode  Element = "node"
	ElementGroup Element = "group" // a shared-risk group
	// ElementMember is one member of a link that has several.
	ElementMember Element = "member"
)

// Verdict says whether the network carries its demands.
type Verdict string

// The verdicts.
const (
	Holds     Verdict = "holds"
	Uncertain Verdict = "uncertain" // inside the band of error of the demands
	Fails     Verdict = "fails"
)

// Question is what the engineer asks.
type Question struct {
	// Change is the drain, and whatever is out already.
	Change Change
	// AlsoFail are the kinds of which every single element fails on top.
	AlsoFail []Element
	// Limit is the utilisation that no arc may exceed; 0 means 1.
	Limit float64
	// Band is the relative error of the loads, 0 where the demands are known.
	Band float64
	// Estimation, where the demands come from one, gives the band of the busiest
	// arcs after the change, and of the further failures of which it matters.
	// Where both are given, the wider one holds.
	Estimation *Estimation

	given float64 // the band that was asked for, before an estimation widened it
}

// Answer is what the network carries before the change, after it, and after
// each further failure.
type Answer struct {
	Limit float64 `json:"limit"`
	Band  float64 `json:"band"`
	// Least and Most are between which the largest utilisation after the change
	// lies by the error of the demands; alike where they are known.
	Least   float64 `json:"least_max_utilisation"`
	Most    float64 `json:"most_max_utilisation"`
	Verdict Verdict `json:"verdict"`
	// Reasons say why the verdict is not "holds".
	Reasons []string `json:"reasons,omitempty"`
	// Worsened says that something of this is due to the change: without it, it
	// holds or less fails. False with a verdict that is not "holds" says that all
	// of it is so with nothing out.
	Worsened bool `json:"worsened"`
	// Cautions do not touch the verdict.
	Cautions []string `json:"cautions,omitempty"`

	Before Summary `json:"before"`
	After  Summary `json:"after"`
	// Lost are the demands that the change leaves uncarried.
	Lost []LostDemand `json:"lost,omitempty"`
	// SinglePath are the demands that one link less would cut off.
	SinglePath []SinglePath `json:"single_path,omitempty"`
	// BelowMinimum are the redundancy groups with too few members in service.
	BelowMinimum []GroupShort `json:"below_minimum,omitempty"`
	// Arcs are all arcs, by falling utilisation after the change.
	Arcs []ArcUse `json:"arcs"`
	// Failures are the further failures, the worst first: those that lose
	// demand by falling volume, then the others by falling utilisation.
	Failures []Failure `json:"failures,omitempty"`
}

// Summary is a [Result] in words that stand by themselves. Volumes are in the
// unit of the demands.
type Summary struct {
	MaxUtilisation    float64 `json:"max_utilisation"`
	Where             string  `json:"where,omitempty"` // arc id
	From              string  `json:"from,omitempty"`
	To                string  `json:"to,omitempty"`
	Dropped           float64 `json:"dropped_endpoint_volume"`
	Unroutable        float64 `json:"unroutable_volume"`
	UnroutableDemands int     `json:"unroutable_demands"`
}

// LostDemand is a demand that is not carried, and why.
type LostDemand struct {
	Name   string  `json:"name,omitempty"`
	From   string  `json:"from"`
	To     string  `json:"to"`
	Volume float64 `json:"volume"`
	Why    string  `json:"why"` // "endpoint removed" or "no path"
	// Before says that it was lost before the change already.
	Before bool `json:"before,omitempty"`
}

// SinglePath is a demand that depends on single elements.
type SinglePath struct {
	Name   string  `json:"name,omitempty"`
	From   string  `json:"from"`
	To     string  `json:"to"`
	Volume float64 `json:"volume"`
	// Links and Nodes are those whose failure cuts it off, from the source to
	// the destination; the two ends are not among the nodes.
	Links []string `json:"links"`
	Nodes []string `json:"nodes,omitempty"`
	// Before says that it depended on a single link before the change already.
	Before bool `json:"before,omitempty"`
}

// GroupShort is a redundancy group below its minimum.
type GroupShort struct {
	Name      string   `json:"name"`
	InService []string `json:"in_service"`
	AtLeast   int      `json:"at_least"`
	Before    bool     `json:"before,omitempty"`
}

// ArcUse is a row of the table of before and after.
type ArcUse struct {
	Arc               string  `json:"arc"`
	Link              string  `json:"link"`
	From              string  `json:"from"`
	To                string  `json:"to"`
	Capacity          float64 `json:"capacity,omitempty"` // 0 stands for no limit
	LoadBefore        float64 `json:"load_before"`
	LoadAfter         float64 `json:"load_after"`
	UtilisationBefore float64 `json:"utilisation_before"`
	UtilisationAfter  float64 `json:"utilisation_after"`
	Up                bool    `json:"up"` // after the change
}

// Failure is what one further failure does.
type Failure struct {
	Kind    Element `json:"kind"`
	Element string  `json:"element"`
	Summary
	// NewlyLost is the demand that has no path because of it; demand of a node
	// that fails itself is not counted.
	NewlyLost        float64 `json:"newly_lost_volume"`
	NewlyLostDemands int     `json:"newly_lost_demands"`
	// Groups are the redundancy groups that are below their minimum with it.
	Groups  []string `json:"groups_below_minimum,omitempty"`
	Verdict Verdict  `json:"verdict"`
	// Before says that the same failure would do no less without the change: cut
	// off as many demands, or load an arc above the limit too.
	Before bool `json:"before,omitempty"`
}

// WhatIf answers the question. The error wraps [ErrUnknown] or [ErrInvalid].
// Cost: once the intact network, see [Network.Intact]; then what changes, and
// for [Answer.SinglePath] about as much as the intact network again.
func (n *Network) WhatIf(q Question) (*Answer, error) { return n.Intact().WhatIf(q) }

// WhatIf answers the question on top of a state; see [Network.WhatIf].
func (s *State) WhatIf(q Question) (*Answer, error) {
	if q.Limit == 0 {
		q.Limit = 1
	}
	if !(q.Limit > 0) || !(q.Band >= 0) {
		return nil, fmt.Errorf("%w: found limit %v and band %v, want a limit above 0 and a band of 0 or more", ErrInvalid, q.Limit, q.Band)
	}
	q.given = q.Band
	after, err := s.With(q.Change)
	if err != nil {
		return nil, err
	}
	least, most := after.span(q)
	if use := after.result.MaxUtilisation; q.Estimation != nil && use > 0 {
		q.Band = max(q.Band, most/use-1, 1-least/use)
	}
	a := &Answer{Limit: q.Limit, Band: q.Band, Least: least, Most: most, Before: s.net.summary(s.result), After: s.net.summary(after.result)}
	a.Lost = after.lost(s)
	a.SinglePath = after.singlePaths(s)
	a.BelowMinimum = after.short(s)
	a.Arcs = after.uses(s)
	for _, kind := range q.AlsoFail {
		f, changes, err := after.failures(kind, q)
		if err != nil {
			return nil, err
		}
		s.compareFailures(f, changes, q)
		a.Failures = append(a.Failures, f...)
	}
	slices.SortStableFunc(a.Failures, func(x, y Failure) int {
		return cmp.Or(-cmp.Compare(x.NewlyLost, y.NewlyLost), -cmp.Compare(x.MaxUtilisation, y.MaxUtilisation))
	})
	a.judge(q)
	a.Worsened = a.worsened(q)
	return a, nil
}

func (n *Network) summary(r Result) Summary {
	out := Summary{MaxUtilisation: r.MaxUtilisation, Dropped: r.Dropped, Unroutable: r.Unroutable, UnroutableDemands: r.UnroutableDemands}
	if r.Worst >= 0 && r.MaxUtilisation > 0 {
		w := n.arcs[r.Worst]
		out.Where, out.From, out.To = w.ID, w.From, w.To
	}
	return out
}

// span is between which the largest utilisation of s lies.
func (s *State) span(q Question) (least, most float64) {
	use := s.result.MaxUtilisation
	least, most = use*max(0, 1-q.Band), use*(1+q.Band)
	if q.Estimation != nil {
		l, m := q.Estimation.Span(s)
		least, most = min(l, least), max(m, most)
	}
	return least, most
}

// verdict weighs a utilisation against the limit.
func verdict(use, limit, band float64) Verdict { return between(use*(1-band), use*(1+band), limit) }

func between(least, most, limit float64) Verdict {
	switch {
	case most <= limit*(1+tolerance):
		return Holds
	case least > limit*(1+tolerance):
		return Fails
	}
	return Uncertain
}

func worse(a, b Verdict) Verdict {
	rank := map[Verdict]int{Holds: 0, Uncertain: 1, Fails: 2}
	if rank[b] > rank[a] {
		return b
	}
	return a
}

// span says the utilisation after the change, with its band where it has one.
func (a *Answer) span() string {
	if a.Most-a.Least < 0.001 {
		return unit.Percent(a.After.MaxUtilisation)
	}
	return fmt.Sprintf("%s (%s to %s)", unit.Percent(a.After.MaxUtilisation), strings.TrimSuffix(unit.Percent(a.Least), " %"), unit.Percent(a.Most))
}

func (a *Answer) judge(q Question) {
	a.Verdict = Holds
	because := func(v Verdict, format string, args ...any) {
		if v == Holds {
			return
		}
		a.Verdict = worse(a.Verdict, v)
		a.Reasons = append(a.Reasons, fmt.Sprintf(format, args...))
	}
	if len(a.Lost) > 0 {
		before := 0
		for _, l := range a.Lost {
			if l.Before {
				before++
			}
		}
		more := tally{len(a.Lost), before}
		because(Fails, "%d %s not carried%s", len(a.Lost), ternary(len(a.Lost) == 1, "demand is", "demands are"), more)
	}
	because(between(a.Least, a.Most, q.Limit), "%s to %s (%s) is used to %s, limit %.1f %%", a.After.From, a.After.To, a.After.Where, a.span(), 100*q.Limit)
	for _, g := range a.BelowMinimum {
		because(Fails, "group %s has %d members in service, at least %d must stay", g.Name, len(g.InService), g.AtLeast)
	}
	var lost, over, uncertain, short tally
	for _, f := range a.Failures {
		switch {
		case f.NewlyLostDemands > 0:
			lost.add(f)
		case f.Verdict == Fails:
			over.add(f)
		case f.Verdict == Uncertain:
			uncertain.add(f)
		}
		if len(f.Groups) > 0 {
			short.add(f)
		}
	}
	if lost.all > 0 {
		because(Fails, "%d of %d further failures would cut demand off%s", lost.all, len(a.Failures), lost)
	}
	if over.all > 0 {
		because(Fails, "%d of %d further failures would load a link above %.1f %%%s", over.all, len(a.Failures), 100*q.Limit, over)
	}
	if uncertain.all > 0 {
		because(Uncertain, "%d of %d further failures may load a link above %.1f %%%s", uncertain.all, len(a.Failures), 100*q.Limit, uncertain)
	}
	if short.all > 0 {
		a.Cautions = append(a.Cautions, fmt.Sprintf("%d of %d further failures would leave too few in a redundancy group%s", short.all, len(a.Failures), short))
	}
}

// worsened reports whether the change is to blame for anything.
func (a *Answer) worsened(q Question) bool {
	return slices.ContainsFunc(a.Lost, func(l LostDemand) bool { return !l.Before }) ||
		slices.ContainsFunc(a.BelowMinimum, func(g GroupShort) bool { return !g.Before }) ||
		a.Most > q.Limit*(1+tolerance) && a.After.MaxUtilisation > a.Before.MaxUtilisation*(1+tolerance) ||
		slices.ContainsFunc(a.Failures, func(f Failure) bool { return f.Verdict != Holds && !f.Before })
}

// tally counts failures, and those that do no less without the change.
type tally struct{ all, before int }

func (t *tally) add(f Failure) {
	t.all++
	if f.Before {
		t.before++
	}
}

// String is what is to be said of those that are no news.
func (t tally) String() string {
	switch t.before {
	case 0:
		return ""
	case t.all:
		return ", as with nothing out"
	}
	return fmt.Sprintf(", %d of them with nothing out too", t.before)
}

// lost lists the demands that s does not carry.
func (s *State) lost(before *State) []LostDemand {
	was := map[int]bool{}
	for _, i := range append(before.Dropped(), before.Unroutable()...) {
		was[i] = true
	}
	var out []LostDemand
	add := func(list []int, why string) {
		for _, i := range list {
			d := s.net.demands[i]
			out = append(out, LostDemand{d.Name, d.From, d.To, d.Volume, why, was[i]})
		}
	}
	add(s.Dropped(), "endpoint removed")
	add(s.Unroutable(), "no path")
	return out
}

// uses is the table of before and after.
func (s *State) uses(before *State) []ArcUse {
	out := make([]ArcUse, 0, len(s.load))
	for _, i := range s.ordered() {
		a := s.net.arcs[i]
		u := ArcUse{
			Arc: a.ID, Link: a.Link, From: a.From, To: a.To, Capacity: s.capacity[i], LoadBefore: before.load[i], LoadAfter: s.load[i],
			UtilisationBefore: before.load[i] / before.capacity[i], UtilisationAfter: s.load[i] / s.capacity[i], Up: s.view.metric[i] >= 0,
		}
		if math.IsInf(u.Capacity, 0) {
			u.Capacity = 0
		}
		out = append(out, u)
	}
	return out
}

// short lists the redundancy groups below their minimum.
func (s *State) short(before *State) []GroupShort {
	var out []GroupShort
	for _, g := range s.net.groups {
		if in := s.inService(g, nil); len(in) < g.AtLeast {
			out = append(out, GroupShort{g.Name, in, g.AtLeast, len(before.inService(g, nil)) < g.AtLeast})
		}
	}
	return out
}

// inService are the members that are neither drained in any way nor among the
// failed.
func (s *State) inService(g RedundancyGroup, failed []int32) []string {
	in := []string{}
	for _, m := range g.Members {
		v := s.net.nodeIndex[m]
		drained := s.removed[v] || slices.ContainsFunc(s.drains, func(d Drain) bool { return d.Node == m })
		if !drained && !slices.Contains(failed, v) {
			in = append(in, m)
		}
	}
	return in
}

// maxCloser is of how many further failures of a kind the band is computed by
// itself; the others have that of the change without them.
const maxCloser = 64

// nearest marks the results for which the band decides, those nearest to the
// limit.
func nearest(results []Result, q Question) []bool {
	out := make([]bool, len(results))
	if q.Estimation == nil {
		return out
	}
	order := make([]int, len(results))
	for i := range order {
		order[i] = i
	}
	away := func(i int) float64 { return math.Abs(math.Log(max(1e-12, results[i].MaxUtilisation) / q.Limit)) }
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(away(a), away(b)) })
	for _, i := range order[:min(maxCloser, len(order))] {
		out[i] = true
	}
	return out
}

// failures evaluates every element of the kind on top of s.
func (s *State) failures(kind Element, q Question) ([]Failure, []change, error) {
	n := s.net
	var names []string
	var changes []change
	removal := func(nodes []int32) change {
		c := change{nodes: nodes, how: make([]How, len(nodes))} // Remove is 0
		return c
	}
	switch kind {
	case ElementLink:
		for l, name := range n.links {
			up := slices.ContainsFunc(n.linkArc[n.linkStart[l]:n.linkStart[l+1]], func(a int32) bool { return s.view.metric[a] >= 0 })
			if up {
				names, changes = append(names, name), append(changes, change{links: []int32{int32(l)}})
			}
		}
	case ElementNode:
		for v, x := range n.nodes {
			if !x.Host && !s.removed[v] {
				names, changes = append(names, x.Name), append(changes, removal([]int32{int32(v)}))
			}
		}
	case ElementGroup:
		for i, r := range n.risks {
			c := removal(n.riskAt[i])
			c.links = n.riskLinks[i]
			names, changes = append(names, r.Name), append(changes, c)
		}
	case ElementMember:
		for l, name := range n.links {
			if n.members[l] > 1 && s.members[l] > 0 {
				names, changes = append(names, name), append(changes, change{lost: []int32{int32(l)}, count: []int32{1}})
			}
		}
	default:
		return nil, nil, fmt.Errorf("%w: found %q to fail, want link, node, group or member", ErrInvalid, kind)
	}
	out := make([]Failure, len(names))
	results := s.each(changes)
	closer := nearest(results, q)
	for i, r := range results {
		f := Failure{Kind: kind, Element: names[i], Summary: n.summary(r), Verdict: verdict(r.MaxUtilisation, q.Limit, q.Band)}
		f.NewlyLost, f.NewlyLostDemands = r.cut, r.cuts
		if r.cuts > 0 {
			f.Verdict = Fails
		} else if q.Estimation != nil && closer[i] {
			least, most := s.with(changes[i]).span(Question{Estimation: q.Estimation, Band: q.given})
			f.Verdict = between(least, most, q.Limit)
		}
		for _, g := range n.groups {
			if len(s.inService(g, changes[i].nodes)) < g.AtLeast {
				f.Groups = append(f.Groups, g.Name)
			}
		}
		out[i] = f
	}
	return out, changes, nil
}

// compareFailures marks those that do no less in s, the state before.
func (s *State) compareFailures(failures []Failure, changes []change, q Question) {
	var of []int
	var again []change
	for i, f := range failures {
		if f.Verdict != Holds || len(f.Groups) > 0 {
			of, again = append(of, i), append(again, changes[i])
		}
	}
	for k, r := range s.each(again) {
		f := &failures[of[k]]
		short := 0
		for _, g := range s.net.groups {
			if slices.Contains(f.Groups, g.Name) && len(s.inService(g, again[k].nodes)) < g.AtLeast {
				short++
			}
		}
		switch {
		case short < len(f.Groups) || r.cuts < f.NewlyLostDemands:
		case f.NewlyLostDemands == 0 && f.Verdict != Holds:
			f.Before = r.MaxUtilisation > q.Limit*(1+tolerance) || r.MaxUtilisation >= f.MaxUtilisation*(1-tolerance)
		default:
			f.Before = true
		}
	}
}
