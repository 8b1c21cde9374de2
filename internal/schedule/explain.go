package schedule

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"towpath/internal/unit"
)

// Kind says what sort of rule a [Rule] is.
type Kind string

// The kinds of rules.
const (
	KindConflict Kind = "conflict"
	KindGroup    Kind = "group"
	KindBudget   Kind = "budget"
	KindOrder    Kind = "order"
	KindPermit   Kind = "permit"
	KindCapacity Kind = "capacity" // of one window; of all where windows are not listed
	KindTogether Kind = "load"     // what Together says of the windows of one class
)

// Rule points at one rule of a problem. Index counts in the slice of its kind;
// for capacities in the windows; for loads it is the class.
type Rule struct {
	Kind  Kind
	Index int
	Says  string // in the operator's words
}

// Explanation is a set of rules that cannot be kept together, while all but any
// one of them can.
type Explanation struct {
	Rules []Rule
	// Items cannot all be placed under these rules; without any one of them the
	// others can.
	Items []string
	// Windows is how many windows there are, 0 for as many as needed.
	Windows int
	// Minimal says that no rule can be left out; it is false where the limits
	// ended a check.
	Minimal bool
	// Smallest says that no other explanation has fewer rules.
	Smallest bool
}

// String is the explanation for people, one rule a line.
func (e Explanation) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "These rules cannot all be kept for %s", strings.Join(e.Items, ", "))
	if e.Windows > 0 {
		fmt.Fprintf(&b, " in %s", unit.Counted(e.Windows, "window"))
	}
	b.WriteString(":\n")
	for _, r := range e.Rules {
		fmt.Fprintf(&b, "  - %s\n", r.Says)
	}
	return b.String()
}

// Explain says why no schedule keeps all rules. Up to 60 items and 150 rules it
// looks for an explanation with as few rules as possible, by hitting sets of the
// rules whose removal helps; beyond that for one from which nothing can be left
// out. The error wraps [ErrInvalid], or [ErrUndecided] where there is a schedule
// or the limits ended the proof that there is none.
//
// Source: Junker, QuickXplain, 2004; Ignatiev, Previti, Liffiton and
// Marques-Silva, Smallest MUS extraction with minimal hitting set dualization,
// 2015; both from memory.
func Explain(ctx context.Context, p *Problem, lim Limits) (Explanation, error) {
	if err := p.Validate(); err != nil {
		return Explanation{}, err
	}
	x := &explainer{p: p, done: ctx.Done(), lim: lim}
	all := p.Rules()
	items := make([]int, len(p.Items))
	for i := range items {
		items[i] = i
	}
	if x.try(all, items) != no {
		return Explanation{}, fmt.Errorf("%w: it is not proven that the rules conflict", ErrUndecided)
	}
	out := Explanation{Windows: len(p.Windows)}
	rules := all
	if len(items) > 60 || len(all) > 150 {
		items = x.shrinkItems(all, items)
		rules = nil
		for _, r := range all {
			if x.touches(r, items) {
				rules = append(rules, r)
			}
		}
	}
	core := quick(rules, func(rs []Rule) bool { return x.try(rs, items) == no })
	if len(items) == len(p.Items) && len(rules) <= 150 {
		if small, ok := x.smallest(rules, items, core); ok {
			core = small
			out.Smallest = true
		}
	}
	items = x.shrinkItems(core, items)
	out.Minimal = !x.unsure
	slices.SortStableFunc(core, func(a, b Rule) int { return slices.Index(rules, a) - slices.Index(rules, b) })
	out.Rules = core
	for _, i := range items {
		out.Items = append(out.Items, p.Items[i].Name)
	}
	for k, r := range out.Rules {
		if r.Kind == KindTogether {
			out.Rules[k].Says = x.load(r.Index, items)
		}
	}
	return out, nil
}

// Rules lists all rules of the problem, each in words.
func (p *Problem) Rules() []Rule {
	var out []Rule
	add := func(k Kind, i int, says, otherwise string) {
		if says == "" {
			says = otherwise
		}
		out = append(out, Rule{k, i, says})
	}
	for i, c := range p.Conflicts {
		add(KindConflict, i, c.Says, fmt.Sprintf("%s and %s are never in the same window", p.Items[c.A].Name, p.Items[c.B].Name))
	}
	for i, g := range p.Groups {
		add(KindGroup, i, g.Says, fmt.Sprintf("group %s: at most %d of %s in one window", g.Name, g.MaxDown, p.names(g.Members)))
	}
	for i, b := range p.Budgets {
		add(KindBudget, i, b.Says, fmt.Sprintf("budget %s: at most %d of work in one window for %s", b.Name, b.Work, p.names(b.Members)))
	}
	for i, o := range p.Orders {
		s := fmt.Sprintf("%s before %s", p.names(o.Before), p.names(o.After))
		if o.Gap > 1 {
			s += fmt.Sprintf(", at least %d windows apart", o.Gap)
		}
		if o.Soak > 0 {
			s += fmt.Sprintf(", with %s between them", span(o.Soak))
		}
		add(KindOrder, i, o.Says, s)
	}
	for i, q := range p.Permits {
		var ws []string
		for _, w := range q.Windows {
			ws = append(ws, p.Windows[w].Name)
		}
		add(KindPermit, i, q.Says, fmt.Sprintf("%s only in [%s]", p.names(q.Items), strings.Join(ws, ", ")))
	}
	for w, win := range p.Windows {
		if win.Capacity != Unlimited {
			add(KindCapacity, w, win.Says, fmt.Sprintf("%s holds at most %d of work", win.Name, win.Capacity))
		}
	}
	if len(p.Windows) == 0 && p.Capacity > 0 && p.Capacity != Unlimited {
		add(KindCapacity, 0, "", fmt.Sprintf("a window holds at most %d of work", p.Capacity))
	}
	if p.Together != nil {
		for _, c := range p.classes() {
			add(KindTogether, c, "", carried+p.inClass(c))
		}
	}
	return out
}

// carried is the rule of loads, where nothing more is known.
const carried = "what is out at the same time must leave the load carried"

type verdict int

const (
	no verdict = iota
	yes
	unknown
)

type explainer struct {
	p      *Problem
	done   <-chan struct{}
	lim    Limits
	unsure bool
}

// restrict returns the problem with these rules and items only.
func (p *Problem) restrict(rules []Rule, items []int) *Problem {
	q := &Problem{Windows: slices.Clone(p.Windows), Class: p.Class, Classes: p.Classes}
	asked := map[int]bool{} // classes
	for w := range q.Windows {
		q.Windows[w].Capacity = Unlimited
	}
	back := map[int]int{}
	for k, i := range items {
		back[i] = k
		q.Items = append(q.Items, p.Items[i])
	}
	mine := func(list []int) []int {
		var out []int
		for _, i := range list {
			if k, ok := back[i]; ok {
				out = append(out, k)
			}
		}
		return out
	}
	for _, r := range rules {
		switch r.Kind {
		case KindConflict:
			c := p.Conflicts[r.Index]
			if ab := mine([]int{c.A, c.B}); len(ab) == 2 {
				q.Conflicts = append(q.Conflicts, Conflict{A: ab[0], B: ab[1]})
			}
		case KindGroup:
			g := p.Groups[r.Index]
			g.Members = mine(g.Members)
			q.Groups = append(q.Groups, g)
		case KindBudget:
			b := p.Budgets[r.Index]
			b.Members = mine(b.Members)
			q.Budgets = append(q.Budgets, b)
		case KindOrder:
			o := p.Orders[r.Index]
			o.Before, o.After = mine(o.Before), mine(o.After)
			q.Orders = append(q.Orders, o)
		case KindPermit:
			t := p.Permits[r.Index]
			t.Items = mine(t.Items)
			q.Permits = append(q.Permits, t)
		case KindCapacity:
			if len(p.Windows) > 0 {
				q.Windows[r.Index].Capacity = p.Windows[r.Index].Capacity
			} else {
				q.Capacity = p.Capacity
			}
		case KindTogether:
			asked[r.Index] = true
			q.Together = func(class int, list []int) (bool, string) {
				if !asked[class] {
					return true, ""
				}
				own := make([]int, len(list))
				for k, i := range list {
					own[k] = items[i]
				}
				slices.Sort(own)
				return p.Together(class, own)
			}
		}
	}
	return q
}

// try says whether the rules can be kept for the items.
func (x *explainer) try(rules []Rule, items []int) verdict {
	if len(items) == 0 {
		return yes
	}
	q := x.p.restrict(rules, items)
	r := compile(q)
	if r.hopeless() != nil {
		return no
	}
	W := len(q.Windows)
	if r.anon {
		W = r.n
		for _, o := range q.Orders {
			W += max(0, o.Gap-1)
		}
	}
	if lb, _ := r.bound(x.done); lb.n > W {
		return no
	}
	st := r.newState(W)
	left := st.greedy(r.order())
	if len(left) == 0 {
		return yes
	}
	rng := rand.New(rand.NewPCG(x.lim.Seed, 1))
	if _, ok := st.repair(x.done, left, min(500, x.lim.moves()), make([]int, r.n), rng); ok {
		return yes
	}
	ex := &exact{state: r.newState(W), m: &meter{done: x.done, limit: max(1000, r.nodes(x.lim, W)/4)}, used: r.n + 1, lower: r.n}
	ex.prepare()
	complete := ex.dive(r.n)
	switch {
	case ex.best != nil:
		return yes
	case complete:
		return no
	default:
		x.unsure = true
		return unknown
	}
}

// quick returns a part of list for which bad holds, while it does not for that
// part less any one element; bad(list) holds and stays so when more is added.
func quick[T any](list []T, bad func([]T) bool) []T {
	var rec func(base []T, fresh bool, list []T) []T
	rec = func(base []T, fresh bool, list []T) []T {
		if fresh && bad(base) {
			return nil
		}
		if len(list) == 1 {
			return list
		}
		h := len(list) / 2
		b := rec(append(slices.Clone(base), list[:h]...), h > 0, list[h:])
		a := rec(append(slices.Clone(base), b...), len(b) > 0, list[:h])
		return append(slices.Clone(a), b...)
	}
	if len(list) == 0 || bad(nil) {
		return nil
	}
	return rec(nil, false, list)
}

func (x *explainer) shrinkItems(rules []Rule, items []int) []int {
	out := quick(items, func(is []int) bool {
		is = slices.Clone(is)
		slices.Sort(is)
		return x.try(rules, is) == no
	})
	slices.Sort(out)
	return out
}

func (x *explainer) touches(r Rule, items []int) bool {
	any := func(lists ...[]int) bool {
		for _, l := range lists {
			for _, i := range l {
				if _, ok := slices.BinarySearch(items, i); ok {
					return true
				}
			}
		}
		return false
	}
	switch r.Kind {
	case KindConflict:
		return any([]int{x.p.Conflicts[r.Index].A}) && any([]int{x.p.Conflicts[r.Index].B})
	case KindGroup:
		return any(x.p.Groups[r.Index].Members)
	case KindBudget:
		return any(x.p.Budgets[r.Index].Members)
	case KindOrder:
		return any(x.p.Orders[r.Index].Before) && any(x.p.Orders[r.Index].After)
	case KindPermit:
		return any(x.p.Permits[r.Index].Items)
	default:
		return true
	}
}

// smallest returns an explanation with as few rules as there can be. core is one
// that is known. ok is false where the search was cut short.
func (x *explainer) smallest(rules []Rule, items []int, core []Rule) ([]Rule, bool) {
	m := len(rules)
	var sets []set // each must be met by every explanation
	size := 0
	budget := 200_000
	for range 400 {
		if stopped(x.done) {
			return core, false
		}
		var hit []int
		for ; size < len(core); size++ {
			if hit = hitting(sets, m, size, &budget); hit != nil || budget <= 0 {
				break
			}
		}
		if budget <= 0 {
			return core, false
		}
		if hit == nil {
			return core, true // none has fewer
		}
		var picked []Rule
		in := newSet(m)
		for _, k := range hit {
			picked = append(picked, rules[k])
			in.add(k)
		}
		switch x.try(picked, items) {
		case no:
			return picked, true
		case unknown:
			return core, false
		case yes:
		}
		// Grow it as far as it can be kept; what is left out must be met.
		rest := newSet(m)
		var grow func(ks []int)
		grow = func(ks []int) {
			if len(ks) == 0 {
				return
			}
			more := slices.Clone(picked)
			for _, k := range ks {
				more = append(more, rules[k])
			}
			if x.try(more, items) == yes {
				picked = more
				return
			}
			if len(ks) == 1 {
				rest.add(ks[0])
				return
			}
			grow(ks[:len(ks)/2])
			grow(ks[len(ks)/2:])
		}
		var ks []int
		for k := range m {
			if !in.has(k) {
				ks = append(ks, k)
			}
		}
		grow(ks)
		if x.unsure {
			return core, false
		}
		sets = append(sets, rest)
	}
	return core, false
}

// hitting returns size or fewer elements that meet every set, nil if none do; of
// no set it is empty, not nil.
func hitting(sets []set, m, size int, budget *int) []int {
	chosen := newSet(m)
	var rec func(left int) bool
	rec = func(left int) bool {
		if *budget--; *budget <= 0 {
			return false
		}
		var open set
		few := 1 << 30
		for _, s := range sets {
			if !s.meets(chosen) {
				if n := s.count(); n < few {
					open, few = s, n
				}
			}
		}
		if open == nil {
			return true
		}
		if left == 0 {
			return false
		}
		for k := open.next(0); k >= 0; k = open.next(k + 1) {
			chosen.add(k)
			if rec(left - 1) {
				return true
			}
			chosen.del(k)
		}
		return false
	}
	if !rec(size) {
		return nil
	}
	out := []int{}
	for k := chosen.next(0); k >= 0; k = chosen.next(k + 1) {
		out = append(out, k)
	}
	return out
}

// load asks which of the items cannot be out together in windows of the class,
// and why.
func (x *explainer) load(class int, items []int) string {
	where := x.p.inClass(class)
	var says []string
	for _, i := range items {
		if ok, why := x.p.Together(class, []int{i}); !ok {
			says = append(says, fmt.Sprintf("%s cannot be out%s: %s", x.p.Items[i].Name, where, why))
		}
	}
	if len(says) > 0 {
		return strings.Join(says, "; ")
	}
	for k, i := range items {
		for _, j := range items[:k] {
			if ok, why := x.p.Together(class, []int{j, i}); !ok {
				says = append(says, fmt.Sprintf("%s and %s cannot be out together%s: %s", x.p.Items[j].Name, x.p.Items[i].Name, where, why))
			}
		}
	}
	if len(says) > 0 {
		return strings.Join(says, "; ")
	}
	if ok, why := x.p.Together(class, items); !ok {
		return fmt.Sprintf("%s cannot be out together%s: %s", x.p.names(items), where, why)
	}
	return carried + where
}

// span is a duration in words that operators use.
func span(d time.Duration) string {
	if d >= 48*time.Hour && d%(24*time.Hour) == 0 {
		return fmt.Sprintf("%d days", d/(24*time.Hour))
	}
	s := d.String()
	s = strings.TrimSuffix(s, "0s")
	return strings.TrimSuffix(s, "h0m") + map[bool]string{true: "h", false: ""}[strings.HasSuffix(s, "h0m")]
}
