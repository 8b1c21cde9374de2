package schedule

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// check is the slow checker: it reads the problem alone, calls nothing of the
// solver, and lists every rule that the schedule breaks.
func check(p *Problem, win []int) []string {
	var out []string
	say := func(format string, a ...any) { out = append(out, fmt.Sprintf(format, a...)) }
	if len(win) != len(p.Items) {
		return []string{"items are missing"}
	}
	most := 0
	for i, w := range win {
		if w < 0 || len(p.Windows) > 0 && w >= len(p.Windows) {
			say("item %d is in window %d", i, w)
		}
		most = max(most, w)
	}
	inWindow := func(members []int, w int) (n int, work int64) {
		for _, i := range members {
			if win[i] == w {
				n++
				work += p.Items[i].Work
			}
		}
		return n, work
	}
	all := make([]int, len(win))
	for i := range all {
		all[i] = i
	}
	for w := 0; w <= most; w++ {
		c := int64(math.MaxInt64)
		if len(p.Windows) > 0 && w < len(p.Windows) {
			c = p.Windows[w].Capacity
		} else if p.Capacity > 0 {
			c = p.Capacity
		}
		if _, work := inWindow(all, w); work > c {
			say("window %d holds %d of %d", w, work, c)
		}
		for _, g := range p.Groups {
			limit := g.MaxDown
			if len(g.PerWindow) > 0 {
				limit = g.PerWindow[w]
			}
			if n, _ := inWindow(g.Members, w); n > limit {
				say("group %s: %d of at most %d in window %d", g.Name, n, limit, w)
			}
		}
		for _, b := range p.Budgets {
			limit := b.Work
			if len(b.PerWindow) > 0 {
				limit = b.PerWindow[w]
			}
			if _, work := inWindow(b.Members, w); work > limit {
				say("budget %s: %d of %d in window %d", b.Name, work, limit, w)
			}
		}
		if p.Together != nil {
			var list []int
			for i, v := range win {
				if v == w {
					list = append(list, i)
				}
			}
			if len(list) > 0 {
				class := 0
				if len(p.Class) > 0 {
					class = p.Class[w]
				}
				if ok, why := p.Together(class, list); !ok {
					say("window %d of class %d: %s", w, class, why)
				}
			}
		}
	}
	for _, c := range p.Conflicts {
		if win[c.A] == win[c.B] {
			say("%d and %d share window %d", c.A, c.B, win[c.A])
		}
	}
	for _, o := range p.Orders {
		for _, a := range o.Before {
			for _, b := range o.After {
				gap := o.Gap
				if gap == 0 {
					gap = 1
				}
				if win[b]-win[a] < gap {
					say("%d in %d, %d in %d, gap %d", a, win[a], b, win[b], gap)
				}
				if o.Soak > 0 && p.Windows[win[b]].Start.Sub(p.Windows[win[a]].End) < o.Soak {
					say("%d and %d do not soak for %v", a, b, o.Soak)
				}
			}
		}
	}
	for _, q := range p.Permits {
		for _, i := range q.Items {
			ok := false
			for _, w := range q.Windows {
				ok = ok || win[i] == w
			}
			if !ok {
				say("%d is in %d: %s", i, win[i], q.Says)
			}
		}
	}
	return out
}

// twin tries every assignment of items to windows 0 to W-1 and returns the
// fewest windows used, then the least risk, then the least of the fullest; used
// is -1 where none keeps the rules. It asks the checker alone.
func twin(p *Problem, W int) (used int, risk float64, worst int64) {
	n := len(p.Items)
	win := make([]int, n)
	used = -1
	for {
		if len(check(p, win)) == 0 {
			load := map[int]int64{}
			r := 0.0
			for i, w := range win {
				load[w] += p.Items[i].Work
				at := float64(w + 1)
				if len(p.Windows) > 0 && !p.Windows[0].End.IsZero() {
					at = p.Windows[w].End.Sub(p.Windows[0].End).Hours() / 24
				}
				r += p.Items[i].Risk * at
			}
			var top int64
			for _, l := range load {
				top = max(top, l)
			}
			if used < 0 || len(load) < used || len(load) == used && (r < risk-1e-9 || r < risk+1e-9 && top < worst) {
				used, risk, worst = len(load), r, top
			}
		}
		k := 0
		for ; k < n; k++ {
			if win[k]++; win[k] < W {
				break
			}
			win[k] = 0
		}
		if k == n {
			return used, risk, worst
		}
	}
}

func drawProblem(t *rapid.T, n, windows int) *Problem {
	p := &Problem{}
	pick := rapid.IntRange(0, n-1)
	for i := range n {
		p.Items = append(p.Items, Item{Name: fmt.Sprintf("i%d", i), Work: rapid.Int64Range(0, 9).Draw(t, "work"),
			Risk: float64(rapid.IntRange(0, 3).Draw(t, "risk"))})
	}
	start := time.Date(2031, 3, 1, 22, 0, 0, 0, time.UTC)
	for w := range windows {
		p.Windows = append(p.Windows, Window{Name: fmt.Sprintf("w%d", w), Capacity: rapid.Int64Range(4, 20).Draw(t, "cap"),
			Start: start.AddDate(0, 0, 2*w), End: start.AddDate(0, 0, 2*w).Add(4 * time.Hour)})
	}
	if windows == 0 && rapid.Bool().Draw(t, "limited") {
		p.Capacity = rapid.Int64Range(9, 20).Draw(t, "cap")
	}
	for range rapid.IntRange(0, 4).Draw(t, "conflicts") {
		if a, b := pick.Draw(t, "a"), pick.Draw(t, "b"); a != b {
			p.Conflicts = append(p.Conflicts, Conflict{A: a, B: b})
		}
	}
	some := rapid.SliceOfNDistinct(pick, 1, n, rapid.ID)
	for k := range rapid.IntRange(0, 2).Draw(t, "groups") {
		p.Groups = append(p.Groups, Group{Name: fmt.Sprintf("g%d", k), Members: some.Draw(t, "members"), MaxDown: rapid.IntRange(1, 3).Draw(t, "down")})
	}
	if rapid.IntRange(0, 2).Draw(t, "budget") == 0 {
		p.Budgets = append(p.Budgets, Budget{Name: "b", Members: some.Draw(t, "members"), Work: rapid.Int64Range(9, 15).Draw(t, "limit")})
		if windows > 0 && rapid.Bool().Draw(t, "varies") {
			for range windows {
				p.Budgets[0].PerWindow = append(p.Budgets[0].PerWindow, rapid.Int64Range(5, 15).Draw(t, "limit"))
			}
		}
	}
	if rapid.IntRange(0, 2).Draw(t, "order") == 0 {
		cut := rapid.IntRange(1, n-1).Draw(t, "cut")
		o := Order{Gap: rapid.IntRange(0, 2).Draw(t, "gap")}
		for i := range n {
			if i < cut {
				o.Before = append(o.Before, i)
			} else if rapid.Bool().Draw(t, "after") {
				o.After = append(o.After, i)
			}
		}
		if windows > 0 && rapid.Bool().Draw(t, "soaks") {
			o.Soak = time.Duration(rapid.IntRange(0, 80).Draw(t, "soak")) * time.Hour
		}
		p.Orders = append(p.Orders, o)
	}
	if windows > 0 {
		for range rapid.IntRange(0, 2).Draw(t, "permits") {
			p.Permits = append(p.Permits, Permit{Items: some.Draw(t, "items"),
				Windows: rapid.SliceOfNDistinct(rapid.IntRange(0, windows-1), 1, windows, rapid.ID).Draw(t, "windows"), Says: "drawn"})
		}
	}
	if windows > 0 && rapid.IntRange(0, 3).Draw(t, "group by window") == 0 {
		g := Group{Name: "hours", Members: some.Draw(t, "members"), MaxDown: 9}
		for range windows {
			g.PerWindow = append(g.PerWindow, rapid.IntRange(0, 3).Draw(t, "down"))
		}
		p.Groups = append(p.Groups, g)
	}
	if rapid.Bool().Draw(t, "together") {
		// Each class has its own limit and its own weight of each item, so that no
		// class is merely stricter than another; a class may take some item never.
		classes := 1
		if windows > 0 {
			if classes = rapid.IntRange(1, 3).Draw(t, "classes"); classes > 1 {
				for range windows {
					p.Class = append(p.Class, rapid.IntRange(0, classes-1).Draw(t, "class"))
				}
			}
		}
		items := p.Items
		limits, weights := make([]int64, classes), make([][]int64, classes)
		for c := range classes {
			limits[c] = rapid.Int64Range(4, 16).Draw(t, "load")
			for i := range items {
				weights[c] = append(weights[c], (items[i].Work*items[i].Work)/8)
				if c > 0 {
					weights[c][i] = rapid.Int64Range(0, 6).Draw(t, "weight")
				}
			}
		}
		p.Together = func(class int, list []int) (bool, string) {
			var sum int64
			for _, i := range list {
				sum += weights[class][i]
			}
			return sum <= limits[class], "too much load"
		}
	}
	return p
}

func TestSolveAgainstBruteForce(t *testing.T) {
	solved, refused, classes := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		windows := rapid.IntRange(0, 4).Draw(t, "W")
		p := drawProblem(t, rapid.IntRange(2, 5).Draw(t, "n"), windows)
		W := windows
		if W == 0 {
			W = len(p.Items)
			for _, o := range p.Orders {
				W += max(0, o.Gap-1)
			}
		}
		if len(p.classes()) > 1 {
			classes++
		}
		used, risk, worst := twin(p, W)
		got, err := Solve(context.Background(), p, Limits{})
		if used < 0 {
			refused++
			if !errors.Is(err, ErrInfeasible) {
				t.Fatalf("got %+v, %v; there is no schedule", got, err)
			}
			return
		}
		solved++
		if err != nil {
			t.Fatalf("%v; %d windows would do", err, used)
		}
		if broken := check(p, got.Window); len(broken) > 0 {
			t.Fatalf("%v: %v", got, broken)
		}
		if got.Used != used || !got.Proven || got.LowerBound != used {
			t.Fatalf("got %+v, want %d windows, proven", got, used)
		}
		if got.OrderProven && (math.Abs(got.RiskDays-risk) > 1e-6 || got.Worst != worst) || got.RiskDays < risk-1e-6 {
			t.Fatalf("got %+v, want risk %v worst %d", got, risk, worst)
		}
	})
	if solved < 10 || refused < 1 || classes < 1 {
		t.Fatalf("%d solved, %d refused, %d with classes: the draw is one-sided", solved, refused, classes)
	}
}

func TestNoScheduleBreaksARule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		windows := rapid.SampledFrom([]int{0, 8, 20}).Draw(t, "W")
		p := drawProblem(t, rapid.IntRange(6, 40).Draw(t, "n"), windows)
		got, err := Solve(context.Background(), p, Limits{Nodes: 2000, Moves: 20000})
		if err != nil {
			if !errors.Is(err, ErrInfeasible) && !errors.Is(err, ErrUndecided) {
				t.Fatal(err)
			}
			return
		}
		if broken := check(p, got.Window); len(broken) > 0 || got.Used < got.LowerBound {
			t.Fatalf("%+v: %v", got, broken)
		}
		again, err := Solve(context.Background(), p, Limits{Nodes: 2000, Moves: 20000})
		if err != nil || fmt.Sprint(again) != fmt.Sprint(got) {
			t.Fatalf("not the same twice: %v and %v, %v", got, again, err)
		}
	})
}

// The checker itself must notice each kind of rule that is broken.
func TestCheckerNotices(t *testing.T) {
	day := func(d int) time.Time { return time.Date(2031, 3, d, 22, 0, 0, 0, time.UTC) }
	items := []Item{{Name: "a", Work: 5}, {Name: "b", Work: 6}}
	two := []Window{{Capacity: 20, Start: day(1), End: day(1)}, {Capacity: 20, Start: day(2), End: day(2)}}
	both := []int{0, 1}
	for name, c := range map[string]struct {
		p   Problem
		win []int
	}{
		"conflict":        {Problem{Conflicts: []Conflict{{A: 0, B: 1}}}, []int{0, 0}},
		"capacity":        {Problem{Capacity: 10}, []int{0, 0}},
		"group":           {Problem{Groups: []Group{{Members: both, MaxDown: 1}}}, []int{0, 0}},
		"budget":          {Problem{Budgets: []Budget{{Members: both, Work: 10}}}, []int{0, 0}},
		"order":           {Problem{Orders: []Order{{Before: []int{0}, After: []int{1}}}}, []int{0, 0}},
		"gap":             {Problem{Orders: []Order{{Before: []int{0}, After: []int{1}, Gap: 2}}}, []int{0, 1}},
		"soak":            {Problem{Windows: two, Orders: []Order{{Before: []int{0}, After: []int{1}, Soak: 30 * time.Hour}}}, []int{0, 1}},
		"permit":          {Problem{Windows: two, Permits: []Permit{{Items: both, Windows: []int{1}}}}, []int{0, 1}},
		"window":          {Problem{Windows: two}, []int{0, 2}},
		"missing":         {Problem{}, []int{0, -1}},
		"class":           {Problem{Windows: two, Class: []int{0, 1}, Together: func(class int, _ []int) (bool, string) { return class == 0, "no" }}, []int{0, 1}},
		"group by window": {Problem{Windows: two, Groups: []Group{{Members: both, MaxDown: 2, PerWindow: []int{2, 0}}}}, []int{0, 1}},
		"together":        {Problem{Together: func(_ int, l []int) (bool, string) { return len(l) < 2, "no" }}, []int{0, 0}},
	} {
		c.p.Items = items
		if len(check(&c.p, c.win)) == 0 {
			t.Errorf("%s: the checker sees nothing", name)
		}
	}
}
