package schedule

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func nights(n int, capacity int64) []Window {
	var out []Window
	for k := range n {
		at := time.Date(2031, 5, 1+7*k, 23, 0, 0, 0, time.UTC)
		out = append(out, Window{Name: fmt.Sprintf("night-%d", k+1), Capacity: capacity, Start: at, End: at.Add(4 * time.Hour)})
	}
	return out
}

func routers(work ...int64) []Item {
	var out []Item
	for k, w := range work {
		out = append(out, Item{Name: fmt.Sprintf("mere-%d", k+1), Work: w})
	}
	return out
}

// Each expected set was worked out by hand.
func TestExplanations(t *testing.T) {
	all := func(n int) []int {
		out := make([]int, n)
		for i := range out {
			out[i] = i
		}
		return out
	}
	pairs := func(n int) (out []Conflict) {
		for a := range n {
			for b := range a {
				out = append(out, Conflict{A: b, B: a})
			}
		}
		return out
	}
	pin := func(p *Problem, item, w int) { p.Permits = append(p.Permits, p.Pin(item, w)) }
	for name, c := range map[string]struct {
		p     Problem
		also  func(*Problem)
		rules []string // words in the rules, one for each rule
		items string
	}{
		"a piece of work longer than any window": {
			Problem{Items: routers(300, 10), Windows: nights(2, 240)}, nil,
			[]string{"night-1 holds at most 240", "night-2 holds at most 240"}, "mere-1"},
		"two pins on one item": {
			Problem{Items: routers(10, 10), Windows: nights(2, 240)},
			func(p *Problem) { pin(p, 0, 0); pin(p, 0, 1) },
			[]string{"mere-1 is pinned to night-1", "mere-1 is pinned to night-2"}, "mere-1"},
		"a pair pinned together": {
			Problem{Items: routers(10, 10, 10), Windows: nights(3, 240), Groups: []Group{{Name: "mere", Members: []int{0, 1}, MaxDown: 1}}},
			func(p *Problem) { pin(p, 0, 0); pin(p, 1, 0); pin(p, 2, 0) },
			[]string{"group mere: at most 1 of mere-1, mere-2", "mere-1 is pinned", "mere-2 is pinned"}, "mere-1 mere-2"},
		"three neighbours in two windows": {
			Problem{Items: routers(1, 1, 1, 1), Windows: nights(2, Unlimited), Conflicts: pairs(3)}, nil,
			[]string{"mere-1 and mere-2", "mere-1 and mere-3", "mere-2 and mere-3"}, "mere-1 mere-2 mere-3"},
		"a group that no night is long enough for": {
			Problem{Items: routers(1, 1, 1, 1, 1), Windows: nights(2, Unlimited), Groups: []Group{{Name: "ring", Members: all(5), MaxDown: 2}, {Name: "idle", Members: all(2), MaxDown: 1}}}, nil,
			[]string{"group ring: at most 2"}, "mere-1 mere-2 mere-3 mere-4 mere-5"},
		"a group of which none may go": {
			Problem{Items: routers(1, 1), Groups: []Group{{Name: "ring", Members: all(2), MaxDown: 0}}}, nil,
			[]string{"group ring: at most 0"}, "mere-2"},
		"orders in a circle": {
			Problem{Items: routers(1, 1, 1), Windows: nights(9, Unlimited), Orders: []Order{{Before: []int{0}, After: []int{1}}, {Before: []int{1}, After: []int{2}}, {Before: []int{2}, After: []int{0}}}}, nil,
			[]string{"mere-1 before mere-2", "mere-2 before mere-3", "mere-3 before mere-1"}, "mere-1 mere-2 mere-3"},
		"a chain longer than the windows": {
			Problem{Items: routers(1, 1, 1), Windows: nights(2, Unlimited), Orders: []Order{{Before: []int{0}, After: []int{1}}, {Before: []int{1}, After: []int{2}}}}, nil,
			[]string{"mere-1 before mere-2", "mere-2 before mere-3"}, "mere-1 mere-2 mere-3"},
		"a soak past the last window": {
			Problem{Items: routers(1, 1), Windows: nights(2, Unlimited), Orders: []Order{{Before: []int{0}, After: []int{1}, Soak: 240 * time.Hour}}}, nil,
			[]string{"mere-1 before mere-2, with 10 days between them"}, "mere-1 mere-2"},
		"a soak against a deadline": {
			Problem{Items: routers(1, 1), Windows: nights(3, Unlimited), Orders: []Order{{Before: []int{0}, After: []int{1}, Soak: 240 * time.Hour}}},
			func(p *Problem) {
				p.Permits = append(p.Permits, p.Deadline(time.Date(2031, 5, 10, 0, 0, 0, 0, time.UTC), 1))
			},
			[]string{"with 10 days between", "mere-2 must be done by 2031-05-10T00:00:00Z"}, "mere-1 mere-2"},
		"more work than the nights hold": {
			Problem{Items: routers(100, 100, 100, 100, 100), Windows: nights(2, 240)}, nil,
			[]string{"night-1 holds", "night-2 holds"}, "mere-1 mere-2 mere-3 mere-4 mere-5"},
		"one engineer": {
			Problem{Items: routers(100, 100, 100), Windows: nights(2, Unlimited), Budgets: []Budget{{Name: "Ada", Members: all(3), Work: 150, Says: "Ada works at most 150 minutes a night"}}}, nil,
			[]string{"Ada works at most 150 minutes a night"}, "mere-1 mere-2 mere-3"},
		"a ban and a freeze leave nothing": {
			Problem{Items: routers(1, 1), Windows: nights(3, Unlimited)},
			func(p *Problem) {
				p.Permits = append(p.Permits, p.Ban(0, 0), Permit{Items: all(2), Windows: []int{0}, Says: "freeze from 8 May"})
			},
			[]string{"mere-1 is banned from night-1", "freeze from 8 May"}, "mere-1"},
		"load": {
			Problem{Items: routers(1, 1, 1), Windows: nights(2, Unlimited), Together: func(_ int, l []int) (bool, string) {
				return len(l) < 2, "link mere-north would be at 130 %"
			}}, nil,
			[]string{"mere-1 and mere-2 cannot be out together: link mere-north would be at 130 %"}, "mere-1 mere-2 mere-3"},
		"load and a pin": {
			Problem{Items: routers(1, 1), Windows: nights(2, Unlimited), Together: func(_ int, l []int) (bool, string) {
				return len(l) < 2, "too much"
			}}, func(p *Problem) { pin(p, 0, 1); pin(p, 1, 1) },
			[]string{"mere-1 is pinned", "mere-2 is pinned", "cannot be out together: too much"}, "mere-1 mere-2"},
		"load at two hours": {
			Problem{Items: routers(1, 1), Windows: nights(3, Unlimited), Class: []int{0, 2, 0}, Classes: []string{"the windows of Tuesday 12:00", "", "the windows of Thursday 12:00"},
				Together: func(class int, l []int) (bool, string) {
					return l[0] > 0, fmt.Sprintf("link mere-north would be at %d %%", 130-10*class)
				}}, nil,
			[]string{"mere-1 cannot be out in the windows of Tuesday 12:00: link mere-north would be at 130 %", "mere-1 cannot be out in the windows of Thursday 12:00: link mere-north would be at 110 %"}, "mere-1"},
		"load at one hour and a ban": {
			Problem{Items: routers(1, 1), Windows: nights(3, Unlimited), Class: []int{0, 1, 0}, Classes: []string{"the windows of Tuesday 12:00"},
				Together: func(class int, _ []int) (bool, string) { return class > 0, "too much" }},
			func(p *Problem) { p.Permits = append(p.Permits, p.Ban(1, 1)) },
			[]string{"mere-2 is banned from night-2", "mere-2 cannot be out in the windows of Tuesday 12:00: too much"}, "mere-2"},
		"the smaller of two explanations": {
			Problem{Items: routers(1, 1, 1, 1), Windows: nights(2, Unlimited), Conflicts: pairs(4), Groups: []Group{{Name: "core", Members: all(4), MaxDown: 1}}}, nil,
			[]string{"group core"}, "mere-1 mere-2 mere-3"},
	} {
		t.Run(name, func(t *testing.T) {
			p := c.p
			if c.also != nil {
				c.also(&p)
			}
			if _, err := Solve(context.Background(), &p, Limits{}); !errors.Is(err, ErrInfeasible) {
				t.Fatalf("Solve says %v", err)
			}
			e, err := Explain(context.Background(), &p, Limits{})
			if err != nil {
				t.Fatal(err)
			}
			if len(e.Rules) != len(c.rules) || !e.Minimal || !e.Smallest {
				t.Fatalf("got %+v\nwant %q", e, c.rules)
			}
			// Without any one of its rules the others can be kept, and with all of them
			// they cannot, whatever other rules there are.
			for k := range e.Rules {
				rest := slices.Delete(slices.Clone(e.Rules), k, k+1)
				if _, err := Solve(context.Background(), p.restrict(rest, all(len(p.Items))), Limits{}); err != nil {
					t.Errorf("without %q: %v", e.Rules[k].Says, err)
				}
			}
			if _, err := Solve(context.Background(), p.restrict(e.Rules, all(len(p.Items))), Limits{}); !errors.Is(err, ErrInfeasible) {
				t.Errorf("the rules alone: %v", err)
			}
			for k, r := range e.Rules {
				if !strings.Contains(r.Says, c.rules[k]) {
					t.Errorf("rule %d: got %q, want %q in it", k, r.Says, c.rules[k])
				}
			}
			if got := strings.Join(e.Items, " "); len(strings.Fields(got)) != len(strings.Fields(c.items)) || len(c.items) < 10 && !strings.Contains("mere-1 mere-2", got) {
				t.Errorf("items: got %s, want as many as %s", got, c.items)
			}
			for _, r := range e.Rules {
				if !strings.Contains(e.String(), r.Says) {
					t.Errorf("%q does not say %q", e, r.Says)
				}
			}
		})
	}
}

// The explanation is compared with the smallest of all subsets of the rules that
// the brute-force twin refuses.
func TestExplanationIsSmallest(t *testing.T) {
	explained := 0
	rapid.Check(t, func(t *rapid.T) {
		windows := rapid.IntRange(1, 2).Draw(t, "W")
		p := drawProblem(t, rapid.IntRange(2, 4).Draw(t, "n"), windows)
		rules := p.Rules()
		if used, _, _ := twin(p, windows); used >= 0 || len(rules) > 9 {
			if used >= 0 {
				if e, err := Explain(context.Background(), p, Limits{}); !errors.Is(err, ErrUndecided) {
					t.Fatalf("explained what can be kept: %v, %v", e, err)
				}
			}
			return
		}
		explained++
		all := make([]int, len(p.Items))
		for i := range all {
			all[i] = i
		}
		least := len(rules)
		for bits := range 1 << len(rules) {
			var some []Rule
			for k, r := range rules {
				if bits>>k&1 == 1 {
					some = append(some, r)
				}
			}
			if len(some) < least {
				if used, _, _ := twin(p.restrict(some, all), windows); used < 0 {
					least = len(some)
				}
			}
		}
		e, err := Explain(context.Background(), p, Limits{})
		if err != nil {
			t.Fatal(err)
		}
		if len(e.Rules) != least || !e.Smallest || !e.Minimal {
			t.Fatalf("got %d rules, %d are enough: %v", len(e.Rules), least, e)
		}
		if used, _, _ := twin(p.restrict(e.Rules, all), windows); used >= 0 {
			t.Fatalf("the rules can be kept: %v", e)
		}
	})
	if explained < 5 {
		t.Fatalf("%d explained only", explained)
	}
}

func TestExplainLarge(t *testing.T) {
	p := &Problem{Windows: nights(40, 240)}
	for i := range 500 {
		p.Items = append(p.Items, Item{Name: fmt.Sprintf("d%d", i), Work: 10})
		if i%2 == 1 {
			p.Groups = append(p.Groups, Group{Name: fmt.Sprintf("pair-%d", i/2), Members: []int{i - 1, i}, MaxDown: 1})
		}
	}
	p.Permits = []Permit{p.Pin(250, 3), p.Pin(251, 3)}
	e, err := Explain(context.Background(), p, Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if len(e.Rules) != 3 || !e.Minimal || !slices.Equal(e.Items, []string{"d250", "d251"}) {
		t.Fatalf("got %+v", e)
	}
}

// The bound alone does not refuse this one: twelve of work need three windows,
// and three there are, but only one of them takes a piece.
func TestInfeasibleAtTheBound(t *testing.T) {
	w := nights(3, 4)
	w[2].Capacity = 7
	_, err := Solve(context.Background(), &Problem{Items: routers(5, 7), Windows: w}, Limits{})
	if !errors.Is(err, ErrInfeasible) {
		t.Fatalf("got %v", err)
	}
}
