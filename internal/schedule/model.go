// Package schedule spreads work over change windows: which device is done in
// which night, so that no rule is broken and as few nights as possible are
// used, with a proven lower bound beside every answer.
//
// Read [Problem] first, then [Solve]. [Campaign] makes a problem out of a
// fleet, [ReadCalendar] makes windows out of an iCalendar, [Explain] says which
// rules cannot be kept together, [Replan] changes a schedule as little as it
// can, and [Instance] reads published test instances.
//
// Windows, items and rules are indices from 0 into the slices of the problem.
// Nothing here reads a clock: the work is bounded by counted steps, so that the
// same problem, seed and limits give the same answer; a context that ends makes
// the solver return the best it has.
package schedule

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Item is one piece of work, most often a device that is to be changed.
type Item struct {
	Name string
	// Work is what the item takes of the capacity of its window, in the unit of
	// the capacities (minutes in a campaign). It is never negative.
	Work int64
	// Risk weighs how early the item should be done: exposure times criticality,
	// in any unit, at least 0.
	Risk float64
}

// Window is one slot in which items are done together. Windows are in the order
// of time.
type Window struct {
	Name string
	// Capacity is the work that the window holds; [Unlimited] is no limit.
	Capacity int64
	// Start and End may be zero where only the order matters. Orders with a soak
	// need them.
	Start, End time.Time
	Says       string // the rule of its capacity in the operator's words; empty makes a sentence
}

// Unlimited is the capacity of a window that holds any amount of work.
const Unlimited = math.MaxInt64

// Conflict keeps two items out of the same window.
type Conflict struct {
	A, B int
	Says string // the rule in the operator's words; empty makes a sentence
}

// Group lets at most MaxDown of its members share a window: of n members of
// which k must stay up, n−k. Limits of parallel work by site or team are groups
// as well.
type Group struct {
	Name    string
	Members []int
	MaxDown int
	// PerWindow is the limit by listed window, where it differs; it stands instead
	// of MaxDown.
	PerWindow []int
	Says      string
}

func (g *Group) limit(w int) int {
	if g.PerWindow != nil {
		return g.PerWindow[w]
	}
	return g.MaxDown
}

// most is the largest limit in any window.
func (g *Group) most() int {
	if g.PerWindow != nil {
		return slices.Max(g.PerWindow)
	}
	return g.MaxDown
}

// Budget limits the work of its members in any one window, such as the minutes
// that one engineer has in a night.
type Budget struct {
	Name    string
	Members []int
	Work    int64
	// PerWindow is the work by listed window, where it differs; it stands instead
	// of Work.
	PerWindow []int64
	Says      string
}

func (b *Budget) limit(w int) int64 {
	if b.PerWindow != nil {
		return b.PerWindow[w]
	}
	return b.Work
}

// most is the largest limit in any window.
func (b *Budget) most() int64 {
	if b.PerWindow != nil {
		return slices.Max(b.PerWindow)
	}
	return b.Work
}

// Order asks that every item of After is done at least Gap windows after every
// item of Before (0 counts as 1), and that its window starts no sooner than Soak
// after the end of theirs.
type Order struct {
	Before, After []int
	Gap           int
	Soak          time.Duration
	Says          string
}

// Permit lets its items be done in the given windows only: a pin, a ban, a
// deadline, a freeze, the windows of a site.
type Permit struct {
	Items   []int
	Windows []int
	Says    string
}

// Problem is what has to be scheduled. The zero Windows mean as many windows as
// needed, all alike, each holding Capacity; then there can be no Permits and no
// Soak.
type Problem struct {
	Items     []Item
	Windows   []Window
	Capacity  int64 // of windows that are not listed; 0 counts as [Unlimited]
	Conflicts []Conflict
	Groups    []Group
	Budgets   []Budget
	Orders    []Order
	Permits   []Permit
	// Together, where it is set, is asked whether the items may share a window;
	// see [Together].
	Together Together
	// Class is the class of every listed window, counted from 0, for Together: a
	// set may be refused in the windows of one class and not in those of another,
	// as when the network carries less by night. Nil is 0 for all. Classes names
	// them for explanations, such as "the windows of Tuesday 12:00 to 16:00"; it
	// may be empty.
	Class   []int
	Classes []string
	// Floor, where it is set, is a number of windows that no schedule of the items
	// goes below, for reasons that the rules do not say, and the argument for it.
	// It serves the bound alone: no schedule is refused for it.
	Floor func(items []int) (n int, why string)
}

// classOf is the class of a window.
func (p *Problem) classOf(w int) int {
	if p.Class == nil {
		return 0
	}
	return p.Class[w]
}

// classes are those that some window has, rising.
func (p *Problem) classes() []int {
	if p.Class == nil {
		return []int{0}
	}
	cs := slices.Clone(p.Class)
	slices.Sort(cs)
	return slices.Compact(cs)
}

// inClass says in words which windows a class has, with a blank before; it is
// empty where all windows are alike.
func (p *Problem) inClass(c int) string {
	switch {
	case len(p.classes()) < 2:
		return ""
	case c < len(p.Classes) && p.Classes[c] != "":
		return " in " + p.Classes[c]
	}
	return fmt.Sprintf(" in the windows of class %d", c)
}

// Together says whether a set of items may be out at the same time in a window of
// the class, beyond the other rules, and in words why not. In a window any subset
// of its items can be out at some instant, so that the answer is taken to hold for
// every larger set in windows of that class once it is no; it says nothing of
// other classes. It must give the same answer for the same set and class.
type Together func(class int, items []int) (ok bool, why string)

// Schedule is an answer of [Solve].
type Schedule struct {
	// Window holds the window of every item. Windows that were not listed are
	// counted from 0 without gaps, unless an order needs a gap.
	Window []int
	// Used counts the windows that hold an item.
	Used int
	// LowerBound is a number of windows that no schedule can go below, Bound the
	// argument for it.
	LowerBound int
	Bound      string
	// Proven says that Used is the least possible.
	Proven bool
	// RiskDays is the sum over the items of risk times the finish of their
	// window: in days after the end of the first window where windows have ends,
	// else its number counted from 1.
	RiskDays float64
	// Worst is the work in the fullest window.
	Worst int64
	// OrderProven says that no other schedule with as few windows has a lower
	// RiskDays, or the same and a lower Worst.
	OrderProven bool
	// Nodes counts the steps of search that were taken.
	Nodes int64
	// Stopped says that the context ended before the search did.
	Stopped bool
}

// Limits bound the work of the solver. The zero value means the defaults.
type Limits struct {
	// Nodes is the number of nodes of an exact search; 0 means 4,000,000.
	Nodes int64
	// Moves is the number of moves of a local search; 0 means 1,500,000.
	Moves int64
	// Seed starts the random choices of the heuristics.
	Seed uint64
	// CountOnly leaves out the second and third objective.
	CountOnly bool
}

func (l Limits) nodes() int64 {
	if l.Nodes > 0 {
		return l.Nodes
	}
	return 4_000_000
}

func (l Limits) moves() int64 {
	if l.Moves > 0 {
		return l.Moves
	}
	return 1_500_000
}

// Errors that the functions of this package wrap.
var (
	// ErrInvalid marks a problem that makes no sense in itself.
	ErrInvalid = errors.New("invalid problem")
	// ErrInfeasible marks a problem whose rules cannot be kept together.
	ErrInfeasible = errors.New("no schedule keeps all rules")
	// ErrUndecided marks a problem for which the limits ended the search before
	// it found a schedule or proved that there is none.
	ErrUndecided = errors.New("no schedule found within the limits")
)

// Validate reports every mistake of the problem, joined; each wraps
// [ErrInvalid]. Rules that cannot be kept are no mistake: [Explain] is for them.
func (p *Problem) Validate() error {
	var errs []error
	bad := func(format string, a ...any) {
		errs = append(errs, fmt.Errorf("%w: %s", ErrInvalid, fmt.Sprintf(format, a...)))
	}
	n := len(p.Items)
	members := func(what string, list []int) {
		seen := map[int]bool{}
		for _, i := range list {
			switch {
			case i < 0 || i >= n:
				bad("%s names item %d, and there are items 0 to %d", what, i, n-1)
			case seen[i]:
				bad("%s names item %q twice", what, p.Items[i].Name)
			}
			seen[i] = true
		}
	}
	for i, it := range p.Items {
		if it.Work < 0 || it.Work > 1<<40 {
			bad("item %q (%d) has work %d, which should be from 0 to 2^40", it.Name, i, it.Work)
		}
		if !(it.Risk >= 0) || math.IsInf(it.Risk, 1) {
			bad("item %q (%d) has risk %v, which should be a number of at least 0", it.Name, i, it.Risk)
		}
	}
	if p.Capacity < 0 {
		bad("the capacity is %d, which should be at least 0", p.Capacity)
	}
	for i, w := range p.Windows {
		if w.Capacity < 0 {
			bad("window %q (%d) has capacity %d, which should be at least 0", w.Name, i, w.Capacity)
		}
		if w.End.Before(w.Start) {
			bad("window %q (%d) ends before it starts", w.Name, i)
		}
		if i > 0 && w.Start.Before(p.Windows[i-1].Start) {
			bad("window %q (%d) starts before the one listed ahead of it; windows are in the order of time", w.Name, i)
		}
	}
	for i, c := range p.Conflicts {
		members(fmt.Sprintf("conflict %d", i), []int{c.A, c.B})
	}
	for _, g := range p.Groups {
		members(fmt.Sprintf("group %q", g.Name), g.Members)
		if g.PerWindow != nil && (len(g.PerWindow) != len(p.Windows) || len(g.PerWindow) == 0) {
			bad("group %q lists %d windows, and there are %d", g.Name, len(g.PerWindow), len(p.Windows))
		}
	}
	if p.Class != nil && (len(p.Class) != len(p.Windows) || len(p.Class) == 0) {
		bad("%d windows have a class, and there are %d", len(p.Class), len(p.Windows))
	}
	for w, c := range p.Class {
		if c < 0 {
			bad("window %d has class %d, which should be at least 0", w, c)
		}
	}
	for _, b := range p.Budgets {
		members(fmt.Sprintf("budget %q", b.Name), b.Members)
		if b.PerWindow != nil && (len(b.PerWindow) != len(p.Windows) || len(b.PerWindow) == 0) {
			bad("budget %q lists %d windows, and there are %d", b.Name, len(b.PerWindow), len(p.Windows))
		}
	}
	for i, o := range p.Orders {
		what := fmt.Sprintf("order %d", i)
		members(what, o.Before)
		members(what, o.After)
		if o.Gap < 0 || o.Soak < 0 {
			bad("%s has a negative gap or soak", what)
		}
		if o.Soak > 0 && len(p.Windows) == 0 {
			bad("%s has a soak, which needs listed windows with their times", what)
		}
	}
	for i, q := range p.Permits {
		members(fmt.Sprintf("permit %d", i), q.Items)
		for _, w := range q.Windows {
			if w < 0 || w >= len(p.Windows) {
				bad("permit %d names window %d, and %d are listed", i, w, len(p.Windows))
			}
		}
		if len(p.Windows) == 0 {
			bad("permit %d needs listed windows", i)
		}
	}
	return errors.Join(errs...)
}

// Pin returns the permit that an item is done in this window and no other.
func (p *Problem) Pin(item, window int) Permit {
	return Permit{Items: []int{item}, Windows: []int{window},
		Says: fmt.Sprintf("%s is pinned to %s", p.Items[item].Name, p.Windows[window].Name)}
}

// Ban returns the permit that keeps an item out of the windows.
func (p *Problem) Ban(item int, windows ...int) Permit {
	q := Permit{Items: []int{item}}
	names := ""
	for w := range p.Windows {
		if !slices.Contains(windows, w) {
			q.Windows = append(q.Windows, w)
			continue
		}
		if names != "" {
			names += ", "
		}
		names += p.Windows[w].Name
	}
	q.Says = fmt.Sprintf("%s is banned from %s", p.Items[item].Name, names)
	return q
}

// Deadline returns the permit that the items are done in windows that have ended
// by then. Windows without an end never have.
func (p *Problem) Deadline(by time.Time, items ...int) Permit {
	q := Permit{Items: items}
	for w, win := range p.Windows {
		if !win.End.IsZero() && !win.End.After(by) {
			q.Windows = append(q.Windows, w)
		}
	}
	q.Says = fmt.Sprintf("%s must be done by %s", p.names(items), by.Format(time.RFC3339))
	return q
}

// names lists items for people, the first few by name.
func (p *Problem) names(items []int) string {
	s := ""
	for k, i := range items {
		if k == 4 && len(items) > 5 {
			return fmt.Sprintf("%s and %d more", s, len(items)-k)
		}
		if k > 0 {
			s += ", "
		}
		s += p.Items[i].Name
	}
	return s
}
