package schedule

import (
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"time"
)

// rules is a problem in compact arrays.
type rules struct {
	p         *Problem
	n         int
	anon      bool // windows are not listed
	ordered   bool // there is an order
	nb        [][]int32
	groupsOf  [][]int32
	budgetsOf [][]int32
	beforeOf  [][]int32 // orders in whose Before the item is
	afterOf   [][]int32
	allow     []set // nil where every window is allowed
	asked     map[string]bool
	asks      int64
	classes   []int // those that some window has
	members   []set // by place in classes: its windows; nil where windows are not listed
}

func compile(p *Problem) *rules {
	n := len(p.Items)
	r := &rules{p: p, n: n, anon: len(p.Windows) == 0, ordered: len(p.Orders) > 0,
		nb: make([][]int32, n), groupsOf: make([][]int32, n), budgetsOf: make([][]int32, n),
		beforeOf: make([][]int32, n), afterOf: make([][]int32, n), asked: map[string]bool{}}
	r.classes = p.classes()
	for _, c := range r.classes {
		if p.Class == nil {
			break
		}
		s := newSet(len(p.Windows))
		for w, d := range p.Class {
			if d == c {
				s.add(w)
			}
		}
		r.members = append(r.members, s)
	}
	for _, c := range p.Conflicts {
		r.nb[c.A] = append(r.nb[c.A], int32(c.B))
		r.nb[c.B] = append(r.nb[c.B], int32(c.A))
	}
	for i := range r.nb {
		slices.Sort(r.nb[i])
		r.nb[i] = slices.Compact(r.nb[i])
	}
	file := func(of [][]int32, members []int, k int) {
		for _, i := range members {
			of[i] = append(of[i], int32(k))
		}
	}
	for k, g := range p.Groups {
		file(r.groupsOf, g.Members, k)
	}
	for k, b := range p.Budgets {
		file(r.budgetsOf, b.Members, k)
	}
	for k, o := range p.Orders {
		file(r.beforeOf, o.Before, k)
		file(r.afterOf, o.After, k)
	}
	if len(p.Permits) > 0 {
		r.allow = make([]set, n)
		for _, q := range p.Permits {
			s := newSet(len(p.Windows))
			for _, w := range q.Windows {
				s.add(w)
			}
			for _, i := range q.Items {
				if r.allow[i] == nil {
					r.allow[i] = s.clone()
				} else {
					r.allow[i].and(r.allow[i], s)
				}
			}
		}
	}
	return r
}

func (r *rules) capacity(w int) int64 {
	switch {
	case !r.anon:
		return r.p.Windows[w].Capacity
	case r.p.Capacity == 0:
		return Unlimited
	default:
		return r.p.Capacity
	}
}

func (r *rules) maxCapacity() int64 {
	if r.anon {
		return r.capacity(0)
	}
	var c int64
	for _, w := range r.p.Windows {
		c = max(c, w.Capacity)
	}
	return c
}

// together asks the problem's Together of a class and keeps what it said. list is
// sorted.
func (r *rules) together(class int, list []int) bool {
	key := make([]byte, 0, 4*len(list)+4)
	if class > 0 {
		key = binary.LittleEndian.AppendUint32(key, ^uint32(class)) // no item has that number
	}
	for _, i := range list {
		key = binary.LittleEndian.AppendUint32(key, uint32(i))
	}
	ok, known := r.asked[string(key)]
	if !known {
		ok, _ = r.p.Together(class, list)
		r.asked[string(key)] = ok
		r.asks++
	}
	return ok
}

// anywhere says whether some class of windows that all the items may be in takes
// them together. Where no window is meant, as in a bound, nothing less refuses
// them: what one class refuses another may carry. list is sorted.
func (r *rules) anywhere(list []int) bool {
	for k, c := range r.classes {
		if r.members != nil && r.allow != nil {
			s := r.members[k].clone()
			for _, i := range list {
				if r.allow[i] != nil {
					s.and(s, r.allow[i])
				}
			}
			if s.next(0) < 0 {
				continue
			}
		}
		if r.together(c, list) {
			return true
		}
	}
	return false
}

// state is a partial schedule in W windows.
type state struct {
	*rules
	W      int
	win    []int // -1 where the item has none
	in     [][]int
	load   []int64
	group  [][]int32
	budget [][]int64
	late   []int     // by order: the last window of its Before, -1
	early  []int     // by order: the first window of its After, W
	befN   [][]int32 // by order and window
	aftN   [][]int32
	from   [][]int // by order and window of Before: first window for After
	cap    []int64
	used   int
	open   []bool // windows that may be used
	known  bool   // the sets are known to be fit together: do not ask
}

func (r *rules) newState(W int) *state {
	s := &state{rules: r, W: W, win: make([]int, r.n), in: make([][]int, W), load: make([]int64, W),
		cap: make([]int64, W), open: make([]bool, W)}
	for i := range s.win {
		s.win[i] = -1
	}
	for w := range W {
		s.cap[w] = r.capacity(w)
		s.open[w] = true
	}
	for range r.p.Groups {
		s.group = append(s.group, make([]int32, W))
	}
	for range r.p.Budgets {
		s.budget = append(s.budget, make([]int64, W))
	}
	for _, o := range r.p.Orders {
		s.late, s.early = append(s.late, -1), append(s.early, W)
		s.befN, s.aftN = append(s.befN, make([]int32, W)), append(s.aftN, make([]int32, W))
		from := make([]int, W)
		for w := range W {
			a := w + max(1, o.Gap)
			for ; o.Soak > 0 && a < W && r.p.Windows[a].Start.Sub(r.p.Windows[w].End) < o.Soak; a++ {
			}
			from[w] = min(a, W)
		}
		s.from = append(s.from, from)
	}
	return s
}

// fits says whether the item can go into the window beside what is there.
func (s *state) fits(i, w int) bool {
	if !s.open[w] || s.allow != nil && s.allow[i] != nil && !s.allow[i].has(w) {
		return false
	}
	x := s.p.Items[i].Work
	if x > s.cap[w]-s.load[w] {
		return false
	}
	for _, g := range s.groupsOf[i] {
		if int(s.group[g][w]) >= s.p.Groups[g].limit(w) {
			return false
		}
	}
	for _, b := range s.budgetsOf[i] {
		if s.budget[b][w]+x > s.p.Budgets[b].limit(w) {
			return false
		}
	}
	for _, o := range s.beforeOf[i] {
		if s.early[o] < s.from[o][w] || s.from[o][w] >= s.W && len(s.p.Orders[o].After) > 0 {
			return false
		}
	}
	for _, o := range s.afterOf[i] {
		if s.late[o] >= 0 && w < s.from[o][s.late[o]] {
			return false
		}
	}
	if len(s.nb[i]) < len(s.in[w]) {
		for _, u := range s.nb[i] {
			if s.win[u] == w {
				return false
			}
		}
	} else {
		for _, u := range s.in[w] {
			if _, hit := slices.BinarySearch(s.nb[i], int32(u)); hit {
				return false
			}
		}
	}
	return s.p.Together == nil || s.known || s.together(s.p.classOf(w), s.with(i, w))
}

// with returns the items of the window and one more, sorted.
func (s *state) with(i, w int) []int {
	list := append(slices.Clone(s.in[w]), i)
	slices.Sort(list)
	return list
}

func (s *state) put(i, w int) {
	s.win[i] = w
	if len(s.in[w]) == 0 {
		s.used++
	}
	s.in[w] = append(s.in[w], i)
	x := s.p.Items[i].Work
	s.load[w] += x
	for _, g := range s.groupsOf[i] {
		s.group[g][w]++
	}
	for _, b := range s.budgetsOf[i] {
		s.budget[b][w] += x
	}
	for _, o := range s.beforeOf[i] {
		s.befN[o][w]++
		s.late[o] = max(s.late[o], w)
	}
	for _, o := range s.afterOf[i] {
		s.aftN[o][w]++
		s.early[o] = min(s.early[o], w)
	}
}

func (s *state) take(i int) {
	w := s.win[i]
	s.win[i] = -1
	at := slices.Index(s.in[w], i)
	s.in[w][at] = s.in[w][len(s.in[w])-1]
	s.in[w] = s.in[w][:len(s.in[w])-1]
	if len(s.in[w]) == 0 {
		s.used--
	}
	x := s.p.Items[i].Work
	s.load[w] -= x
	for _, g := range s.groupsOf[i] {
		s.group[g][w]--
	}
	for _, b := range s.budgetsOf[i] {
		s.budget[b][w] -= x
	}
	for _, o := range s.beforeOf[i] {
		s.befN[o][w]--
		for s.late[o] >= 0 && s.befN[o][s.late[o]] == 0 {
			s.late[o]--
		}
	}
	for _, o := range s.afterOf[i] {
		s.aftN[o][w]--
		for s.early[o] < s.W && s.aftN[o][s.early[o]] == 0 {
			s.early[o]++
		}
	}
}

func (s *state) clear() {
	for i, w := range s.win {
		if w >= 0 {
			s.take(i)
		}
	}
}

func (s *state) load1(win []int) {
	s.clear()
	for i, w := range win {
		if w >= 0 {
			s.put(i, w)
		}
	}
}

// cost is what a window adds per unit of risk: its finish.
func (r *rules) cost(w int) float64 {
	if !r.anon {
		first, end := r.p.Windows[0].End, r.p.Windows[w].End
		if !first.IsZero() && !end.IsZero() {
			return float64(end.Sub(first)) / float64(24*time.Hour)
		}
	}
	return float64(w + 1)
}

// levels gives each item the length of the longest chain of orders before it;
// ok is false where the orders run in a circle.
func (r *rules) levels() (level []int, ok bool) {
	level = make([]int, r.n)
	for round := 0; ; round++ {
		moved := false
		for _, o := range r.p.Orders {
			top := -1
			for _, i := range o.Before {
				top = max(top, level[i])
			}
			if top < 0 {
				continue
			}
			for _, i := range o.After {
				if level[i] <= top {
					level[i] = top + 1
					moved = true
				}
			}
		}
		if !moved {
			return level, true
		}
		if round > len(r.p.Orders)+1 {
			return level, false
		}
	}
}

// greedy places the items of the order, each in the fullest window that takes
// it, or else the first empty one. It returns those for which there is none.
func (s *state) greedy(order []int) []int {
	var left []int
	for _, i := range order {
		best := -1
		for w := range s.W {
			if len(s.in[w]) == 0 {
				if best < 0 && s.fits(i, w) {
					best = w
				}
				if best >= 0 && s.anon && !s.ordered {
					break // later ones are empty too
				}
				continue
			}
			if (best < 0 || len(s.in[best]) == 0 || s.slack(w) < s.slack(best)) && s.fits(i, w) {
				best = w
			}
		}
		if best < 0 {
			left = append(left, i)
			continue
		}
		s.put(i, best)
	}
	return left
}

func (s *state) slack(w int) int64 {
	if s.cap[w] == Unlimited {
		return -int64(len(s.in[w]))
	}
	return s.cap[w] - s.load[w]
}

// repair places the items of the queue; where one fits nowhere, others that are
// in its way are put back into the queue, those that were hard to place rather
// not. It says whether the queue became empty within so many steps.
func (s *state) repair(done <-chan struct{}, queue []int, steps int64, weight []int, rng *rand.Rand) (spent int64, ok bool) {
	rest := make([]int64, s.n) // no return to the window in last before that step
	last := make([]int, s.n)
	var out, bestOut []int
	for spent = 1; len(queue) > 0; spent++ {
		if spent > steps || spent&63 == 0 && stopped(done) {
			return spent, false
		}
		// The hardest of the queue first.
		at := 0
		for k, i := range queue {
			if weight[i] > weight[queue[at]] {
				at = k
			}
		}
		i := queue[at]
		bestW, bestCost, ties, free := -1, 1<<60, 0, false
		for w := range s.W {
			if !s.open[w] || rest[i] > spent && last[i] == w {
				continue
			}
			if s.fits(i, w) {
				if !free {
					free, bestW, ties = true, w, 0
				}
				if ties++; s.slack(w) < s.slack(bestW) {
					bestW = w
				}
				continue
			}
			if free {
				continue
			}
			var can bool
			out, can = s.inTheWay(i, w, weight, out[:0])
			if !can {
				continue
			}
			c := 0
			for _, u := range out {
				c += 1 + weight[u]
			}
			if c > bestCost {
				continue
			}
			if c < bestCost {
				ties = 0
			}
			if ties++; c < bestCost || rng.IntN(ties) == 0 {
				bestW, bestCost = w, c
				bestOut = append(bestOut[:0], out...)
			}
		}
		if bestW < 0 {
			if rest[i] > spent {
				rest[i] = 0 // its last window is the only one
				continue
			}
			return spent, false
		}
		queue[at] = queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		if !free {
			weight[i]++
			for _, u := range bestOut {
				last[u], rest[u] = bestW, spent+5+int64(rng.IntN(10))
				s.take(u)
				queue = append(queue, u)
			}
			if !s.fits(i, bestW) {
				queue = append(queue, i)
				continue
			}
		}
		s.put(i, bestW)
	}
	return spent, true
}

// inTheWay lists items that would have to leave so that i fits into w.
func (s *state) inTheWay(i, w int, weight, out []int) ([]int, bool) {
	x := s.p.Items[i].Work
	if s.allow != nil && s.allow[i] != nil && !s.allow[i].has(w) || x > s.cap[w] {
		return out, false
	}
	add := func(u int) {
		if !slices.Contains(out, u) {
			out = append(out, u)
		}
	}
	for _, u := range s.nb[i] {
		if s.win[u] == w {
			add(int(u))
		}
	}
	for _, o := range s.beforeOf[i] {
		if s.from[o][w] >= s.W {
			return out, false
		}
		for v := s.early[o]; v < s.from[o][w]; v++ {
			if s.aftN[o][v] > 40 {
				return out, false
			}
			for _, u := range s.in[v] {
				if slices.Contains(s.afterOf[u], o) {
					add(u)
				}
			}
		}
	}
	for _, o := range s.afterOf[i] {
		for v := s.late[o]; v >= 0 && s.from[o][v] > w; v-- {
			if s.befN[o][v] > 40 {
				return out, false
			}
			for _, u := range s.in[v] {
				if slices.Contains(s.beforeOf[u], o) {
					add(u)
				}
			}
		}
	}
	// lightest returns the member of the window that leaves most easily.
	lightest := func(is func(u int) bool) int {
		best := -1
		for _, u := range s.in[w] {
			if is(u) && !slices.Contains(out, u) && (best < 0 || weight[u] < weight[best] ||
				weight[u] == weight[best] && s.p.Items[u].Work > s.p.Items[best].Work) {
				best = u
			}
		}
		return best
	}
	for _, g := range s.groupsOf[i] {
		have := int(s.group[g][w])
		for _, u := range out {
			if s.win[u] == w && slices.Contains(s.groupsOf[u], g) {
				have--
			}
		}
		for limit := s.p.Groups[g].limit(w); have >= limit; have-- {
			u := lightest(func(u int) bool { return slices.Contains(s.groupsOf[u], g) })
			if u < 0 {
				return out, false
			}
			add(u)
		}
	}
	for _, b := range s.budgetsOf[i] {
		have := s.budget[b][w] + x
		for _, u := range out {
			if s.win[u] == w && slices.Contains(s.budgetsOf[u], b) {
				have -= s.p.Items[u].Work
			}
		}
		for have > s.p.Budgets[b].limit(w) {
			u := lightest(func(u int) bool { return slices.Contains(s.budgetsOf[u], b) && s.p.Items[u].Work > 0 })
			if u < 0 {
				return out, false
			}
			add(u)
			have -= s.p.Items[u].Work
		}
	}
	over := x - (s.cap[w] - s.load[w])
	for _, u := range out {
		if s.win[u] == w {
			over -= s.p.Items[u].Work
		}
	}
	for over > 0 {
		u := lightest(func(u int) bool { return s.p.Items[u].Work > 0 })
		if u < 0 {
			return out, false
		}
		add(u)
		over -= s.p.Items[u].Work
	}
	// In large problems the set is asked for once the items have left.
	if s.p.Together != nil && s.n <= 500 {
		for {
			list := []int{i}
			for _, u := range s.in[w] {
				if !slices.Contains(out, u) {
					list = append(list, u)
				}
			}
			slices.Sort(list)
			if s.together(s.p.classOf(w), list) {
				break
			}
			u := lightest(func(int) bool { return true })
			if u < 0 {
				return out, false
			}
			add(u)
		}
	}
	return out, true
}
