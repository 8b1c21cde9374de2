package schedule

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"towpath/internal/unit"
)

// Placed is the time and the hands that a task has in its window.
type Placed struct {
	Task       int // index
	Start, End time.Time
	Engineer   string // empty where nobody is named
	// Lane counts from 0 what goes on at the same time in the window; the tasks of
	// one lane follow each other.
	Lane int
}

// lane is one pair of hands for as long as it is there without a break.
type lane struct {
	engineer string
	sites    []string // empty is every site
	from, to time.Time
}

// serves says whether the lane may do the task.
func (l *lane) serves(t *Task, site string) bool {
	return (t.Engineer == "" || t.Engineer == l.engineer) && (len(l.sites) == 0 || slices.Contains(l.sites, site))
}

// hands lists the lanes of a window. counted is false where anybody may do
// anything at any time.
func (rules *Rules) hands(c *cluster) (out []lane, counted bool) {
	if !rules.Staffed {
		for range rules.People {
			out = append(out, lane{from: c.start, to: c.end})
		}
		return out, rules.People > 0
	}
	for _, e := range rules.Engineers {
		for _, s := range e.spells(c) {
			for range max(1, e.Parallel) {
				out = append(out, lane{e.Name, e.Sites, s[0], s[1]})
			}
		}
	}
	return out, true
}

// handsAt is hands of a window, computed once.
func (b *builder) handsAt(w int) ([]lane, bool) {
	if b.lanes == nil {
		b.lanes = make([][]lane, len(b.windows))
	}
	if b.lanes[w] == nil {
		l, counted := b.rules.hands(&b.windows[w])
		if !counted {
			return nil, false
		}
		b.lanes[w] = append([]lane{}, l...)
	}
	return b.lanes[w], true
}

// spells are the times inside the window in which the engineer is there, joined
// where they touch.
func (e *Engineer) spells(c *cluster) [][2]time.Time {
	if e.Shifts == nil {
		return [][2]time.Time{{c.start, c.end}}
	}
	shifts := slices.Clone(e.Shifts)
	slices.SortStableFunc(shifts, func(a, b Slot) int { return a.Start.Compare(b.Start) })
	var out [][2]time.Time
	for _, s := range shifts {
		from, to := s.Start, s.End
		if from.Before(c.start) {
			from = c.start
		}
		if to.After(c.end) {
			to = c.end
		}
		if !from.Before(to) {
			continue
		}
		if k := len(out) - 1; k >= 0 && !from.After(out[k][1]) {
			if to.After(out[k][1]) {
				out[k][1] = to
			}
			continue
		}
		out = append(out, [2]time.Time{from, to})
	}
	return out
}

// layout gives each of the items a time and hands in the window. ok is false
// where it found no way; sure then says that there is none, and room is the work
// that it did place.
func (b *builder) layout(w int, items []int) (out []Placed, ok, sure bool, room int64) {
	c := &b.windows[w]
	lanes, counted := b.handsAt(w)
	if !counted {
		for _, i := range items {
			s, fits := b.slot(c, i)
			if !fits {
				return nil, false, true, 0
			}
			out = append(out, Placed{Task: i, Start: s.Start, End: s.Start.Add(b.length(i))})
		}
		slices.SortStableFunc(out, func(x, y Placed) int { return cmp.Or(x.Start.Compare(y.Start), cmp.Compare(x.Task, y.Task)) })
		for k := range out {
			out[k].Lane = k
		}
		return out, true, true, 0
	}
	order := slices.Clone(items)
	slices.SortStableFunc(order, func(x, y int) int {
		return cmp.Or(cmp.Compare(b.tasks[y].Minutes, b.tasks[x].Minutes), cmp.Compare(x, y))
	})
	for _, tight := range []bool{false, true} {
		placed, sum := b.pour(c, lanes, order, tight)
		if len(placed) == len(items) {
			return placed, true, true, sum
		}
		room = max(room, sum)
	}
	from, to, plain := b.common(c, items)
	if !plain {
		return nil, false, false, room
	}
	found, sure := b.pack(lanes, order, from, to)
	if found == nil {
		return nil, false, sure, room
	}
	front := make([]time.Time, len(lanes))
	for k, l := range lanes {
		front[k] = later(l.from, from)
	}
	for k, i := range order {
		l := found[k]
		end := front[l].Add(b.length(i))
		out = append(out, Placed{Task: i, Start: front[l], End: end, Engineer: lanes[l].engineer, Lane: l})
		front[l] = end
	}
	return tidy(out), true, true, room
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

func (b *builder) length(i int) time.Duration { return time.Duration(b.tasks[i].Minutes) * time.Minute }

// slot is the first slot of the window that is long enough for the item and open
// to its site.
func (b *builder) slot(c *cluster, i int) (Slot, bool) {
	for _, s := range c.slots {
		if (s.Site == "" || s.Site == b.site[i]) && b.length(i) <= s.End.Sub(s.Start) {
			return s, true
		}
	}
	return Slot{}, false
}

// common is the time that all items may use alike, if there is one such.
func (b *builder) common(c *cluster, items []int) (from, to time.Time, ok bool) {
	for k, i := range items {
		var mine []Slot
		for _, s := range c.slots {
			if s.Site == "" || s.Site == b.site[i] {
				mine = append(mine, s)
			}
		}
		for _, s := range mine {
			if k == 0 && from.IsZero() {
				from, to = s.Start, s.End
			}
			if !s.Start.Equal(from) || !s.End.Equal(to) {
				return from, to, false
			}
		}
	}
	return from, to, true
}

// pour places the items one after the other: where they begin first, or, tight,
// where the least time is left behind them.
func (b *builder) pour(c *cluster, lanes []lane, order []int, tight bool) (out []Placed, sum int64) {
	front := make([]time.Time, len(lanes))
	for k, l := range lanes {
		front[k] = l.from
	}
	for _, i := range order {
		best, bestStart := -1, time.Time{}
		var least time.Duration
		for k := range lanes {
			if !lanes[k].serves(&b.tasks[i], b.site[i]) {
				continue
			}
			for _, s := range c.slots {
				if s.Site != "" && s.Site != b.site[i] {
					continue
				}
				start, end := later(front[k], s.Start), s.End
				if lanes[k].to.Before(end) {
					end = lanes[k].to
				}
				left := end.Sub(start) - b.length(i)
				if left < 0 {
					continue
				}
				better := best < 0 || start.Before(bestStart) || start.Equal(bestStart) && left < least
				if tight {
					better = best < 0 || left < least
				}
				if better {
					best, bestStart, least = k, start, left
				}
			}
		}
		if best < 0 {
			continue
		}
		end := bestStart.Add(b.length(i))
		out = append(out, Placed{Task: i, Start: bestStart, End: end, Engineer: lanes[best].engineer, Lane: best})
		front[best] = end
		sum += b.tasks[i].Minutes
	}
	return tidy(out), sum
}

// tidy numbers the lanes that are used from 0 and sorts by start.
func tidy(out []Placed) []Placed {
	slices.SortStableFunc(out, func(x, y Placed) int {
		return cmp.Or(x.Start.Compare(y.Start), cmp.Compare(x.Lane, y.Lane), cmp.Compare(x.Task, y.Task))
	})
	at := map[int]int{}
	for k := range out {
		n, ok := at[out[k].Lane]
		if !ok {
			n = len(at)
			at[out[k].Lane] = n
		}
		out[k].Lane = n
	}
	return out
}

// pack searches a lane for each item of order, all of which may use the time
// from from to to. sure is false where the search was cut short.
func (b *builder) pack(lanes []lane, order []int, from, to time.Time) (in []int, sure bool) {
	left := make([]int64, len(lanes))
	for k, l := range lanes {
		end := to
		if l.to.Before(end) {
			end = l.to
		}
		left[k] = max(0, int64(end.Sub(later(l.from, from))/time.Minute))
	}
	type alike struct {
		engineer string
		left     int64
	}
	in = make([]int, len(order))
	budget := 200_000
	var place func(k int) bool
	place = func(k int) bool {
		if k == len(order) {
			return true
		}
		if budget--; budget < 0 {
			return false
		}
		i := order[k]
		tried := map[alike]bool{}
		for l := range lanes {
			key := alike{lanes[l].engineer, left[l]}
			if left[l] < b.tasks[i].Minutes || tried[key] || !lanes[l].serves(&b.tasks[i], b.site[i]) {
				continue
			}
			tried[key] = true
			in[k] = l
			left[l] -= b.tasks[i].Minutes
			if place(k + 1) {
				return true
			}
			left[l] += b.tasks[i].Minutes
		}
		return false
	}
	if place(0) {
		return in, true
	}
	return nil, budget >= 0
}

// unplaceable adds a rule that keeps the items out of the window together, for
// which no layout was found. It returns whether the rule holds for sure.
func (b *builder) unplaceable(w int, items []int, room int64, sure bool) bool {
	total := func(list []int) (sum int64) {
		for _, i := range list {
			sum += b.p.Items[i].Work
		}
		return sum
	}
	bad := func(w int, list []int) bool {
		if len(list) == 0 {
			return false
		}
		list = slices.Clone(list)
		slices.Sort(list)
		_, ok, s, _ := b.layout(w, list)
		return !ok && s
	}
	var core []int
	if sure && len(items) <= 40 {
		core = quick(items, func(list []int) bool { return bad(w, list) })
		slices.Sort(core)
	}
	if len(core) > 0 {
		sum := total(core)
		cut := Budget{Name: fmt.Sprintf("people %d", len(b.p.Budgets)), Members: core,
			Says: fmt.Sprintf("%s do not fit side by side into %s for the people who are there", b.p.names(core), b.p.Windows[w].Name)}
		for v := range b.windows {
			limit := sum
			if v == w || bad(v, core) {
				limit = sum - 1
			}
			cut.PerWindow = append(cut.PerWindow, limit)
		}
		b.p.Budgets = append(b.p.Budgets, cut)
		return true
	}
	// Not sure, or too many to say which: hold what was placed.
	var all []int
	for i := range b.p.Items {
		all = append(all, i)
	}
	cut := Budget{Name: fmt.Sprintf("people %d", len(b.p.Budgets)), Members: all,
		Says: fmt.Sprintf("the people who are there in %s got %d minutes of work done at most, by the arrangements that were tried", b.p.Windows[w].Name, room)}
	for v := range b.windows {
		limit := int64(1) << 40
		if v == w {
			limit = min(room, total(items)-1)
		}
		cut.PerWindow = append(cut.PerWindow, limit)
	}
	b.p.Budgets = append(b.p.Budgets, cut)
	return false
}

// staff adds the budgets of the engineers' time.
func (b *builder) staff() {
	rules := b.rules
	type team struct {
		names []string
		items []int
	}
	var teams []*team
	byName := map[string]*team{}
	for i := range b.tasks {
		var names []string
		for _, e := range rules.Engineers {
			l := lane{engineer: e.Name, sites: e.Sites}
			if l.serves(&b.tasks[i], b.site[i]) {
				names = append(names, e.Name)
			}
		}
		key := strings.Join(names, "\n")
		t := byName[key]
		if t == nil {
			t = &team{names: names}
			byName[key] = t
			teams = append(teams, t)
		}
		t.items = append(t.items, i)
	}
	// A team does also what only a part of it can do, and all do everything.
	var everyone []string
	for _, e := range rules.Engineers {
		everyone = append(everyone, e.Name)
	}
	if byName[strings.Join(everyone, "\n")] == nil {
		teams = append(teams, &team{names: everyone})
	}
	for _, t := range teams {
		inside := func(names []string) bool {
			for _, n := range names {
				if !slices.Contains(t.names, n) {
					return false
				}
			}
			return true
		}
		g := Budget{Name: strings.Join(t.names, ", ")}
		for _, o := range teams {
			if inside(o.names) {
				g.Members = append(g.Members, o.items...)
			}
		}
		slices.Sort(g.Members)
		hands := 0
		for _, e := range rules.Engineers {
			if slices.Contains(t.names, e.Name) {
				hands += max(1, e.Parallel)
			}
		}
		for w := range b.windows {
			var sum int64
			for _, e := range rules.Engineers {
				if !slices.Contains(t.names, e.Name) {
					continue
				}
				for _, s := range e.spells(&b.windows[w]) {
					sum += int64(max(1, e.Parallel)) * int64(s[1].Sub(s[0])/time.Minute)
				}
			}
			g.PerWindow = append(g.PerWindow, sum)
		}
		switch {
		case len(g.Members) == 0:
			continue
		case len(t.names) == 0:
			g.Says = fmt.Sprintf("no engineer works on %s", b.p.names(g.Members))
		default:
			there := 0
			for _, m := range g.PerWindow {
				if m > 0 {
					there++
				}
			}
			g.Says = fmt.Sprintf("%s: %d at a time and no longer than the window, there in %d of %d windows, for %s", strings.Join(t.names, ", "), hands, there, len(b.windows), b.p.names(g.Members))
		}
		b.p.Budgets = append(b.p.Budgets, g)
		b.whole(strings.Join(t.names, ", "), g.Members, func(l *lane) bool { return slices.Contains(t.names, l.engineer) })
	}
}

// whole adds what the budgets of minutes do not say of people: a pair of hands
// does whole tasks one after the other, so that it gets done no more of those
// above some length than times that length goes into its own. items are those
// that only the hands of mine can do.
func (b *builder) whole(who string, items []int, mine func(*lane) bool) {
	lengths := map[int64]bool{}
	for _, i := range items {
		if m := b.tasks[i].Minutes; m > 0 {
			lengths[m] = true
		}
	}
	var last []int
	for _, m := range slices.Sorted(maps.Keys(lengths)) { // a rule on more items with the same limits says more
		limits := make([]int, len(b.windows))
		most, tight := 0, false
		for w := range b.windows {
			lanes, counted := b.handsAt(w)
			if !counted {
				return
			}
			var sum int64
			for k := range lanes {
				if mine(&lanes[k]) {
					long := int64(lanes[k].to.Sub(lanes[k].from) / time.Minute)
					sum += long
					limits[w] += int(long / m)
				}
			}
			most = max(most, limits[w])
			tight = tight || limits[w] < int(sum/m)
		}
		if !tight || slices.Equal(limits, last) {
			continue
		}
		last = limits
		g := Group{Name: fmt.Sprintf("tasks of %d minutes and more", m), PerWindow: limits, MaxDown: most}
		for _, i := range items {
			if b.tasks[i].Minutes >= m {
				g.Members = append(g.Members, i)
			}
		}
		if len(g.Members) <= slices.Min(limits) {
			continue
		}
		g.Says = fmt.Sprintf("%s: at most %s of %d minutes or more in one window, since each is done in one go: %s", who, unit.Counted(most, "task"), m, b.p.names(g.Members))
		b.p.Groups = append(b.p.Groups, g)
	}
}

// laneFloor is a number of windows below which the people cannot do the work: a
// pair of hands does whole tasks one after the other, so that hands are bins, and
// a window has no more of them than the one with the most. It is nil where nobody
// is counted.
func (b *builder) laneFloor() func(items []int) (int, string) {
	most, longest := 0, int64(0)
	for w := range b.windows {
		lanes, counted := b.handsAt(w)
		if !counted {
			return nil
		}
		most = max(most, len(lanes))
		for _, l := range lanes {
			longest = max(longest, int64(l.to.Sub(l.from)/time.Minute))
		}
	}
	if most == 0 || longest == 0 {
		return nil
	}
	return func(items []int) (int, string) {
		works := make([]int64, len(items))
		for k, i := range items {
			works[k] = b.tasks[i].Minutes
		}
		bins, _ := packBound(works, longest)
		return (bins + most - 1) / most, fmt.Sprintf("whole tasks in %d pairs of hands", most)
	}
}
