package schedule

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
)

// Solve finds a schedule that keeps all rules: first as few windows as possible,
// then the finish weighted by risk, then the work in the fullest window.
//
// Problems that are nothing but conflicts, or nothing but sizes, go to the exact
// methods for colouring and packing; the others to a construction with repair, an
// elimination of windows, and a branch and bound that decides small problems.
// The first objective is proven where [Schedule.Proven] says so.
//
// Errors wrap [ErrInvalid], [ErrInfeasible] (then [Explain] says why) or
// [ErrUndecided]. A context that ends is no error once there is a schedule; it
// makes the answer depend on the machine's speed, which the limits do not.
func Solve(ctx context.Context, p *Problem, lim Limits) (Schedule, error) {
	if err := p.Validate(); err != nil {
		return Schedule{}, err
	}
	n := len(p.Items)
	if n == 0 {
		return Schedule{Window: []int{}, Bound: "nothing to do", Proven: true, OrderProven: true}, nil
	}
	r := compile(p)
	done := ctx.Done()
	if err := r.hopeless(); err != nil {
		return Schedule{}, err
	}
	out := Schedule{}
	var st *state
	switch {
	case r.onlyConflicts():
		g := newGraph(n)
		for _, c := range p.Conflicts {
			g.link(c.A, c.B)
		}
		c := colour(done, g, lim)
		out = Schedule{LowerBound: c.lower, Bound: c.bound, Nodes: c.nodes, Stopped: c.stop}
		st = r.newState(c.used)
		st.load1(c.colour)
	case r.onlySizes():
		sizes := make([]int64, n)
		for i, it := range p.Items {
			sizes[i] = it.Work
		}
		c := pack(done, sizes, r.capacity(0), lim)
		out = Schedule{LowerBound: c.lower, Bound: c.bound, Nodes: c.nodes, Stopped: c.stop}
		st = r.newState(c.used)
		st.load1(c.bin)
	default:
		var err error
		st, out, err = r.general(done, lim)
		if err != nil {
			return Schedule{}, err
		}
	}
	out.Proven = st.used <= out.LowerBound
	if !lim.CountOnly {
		out.OrderProven = st.arrange(done, lim, &out) && out.Proven
	}
	out.Window = slices.Clone(st.win)
	if r.anon && !r.ordered {
		squeeze(out.Window)
	}
	out.Used = st.used
	out.RiskDays, out.Worst = r.objective(out.Window)
	return out, nil
}

// squeeze closes the gaps between window numbers, keeping their order.
func squeeze(win []int) {
	ws := slices.Clone(win)
	slices.Sort(ws)
	ws = slices.Compact(ws)
	for i, w := range win {
		win[i], _ = slices.BinarySearch(ws, w)
	}
}

func (r *rules) objective(win []int) (risk float64, worst int64) {
	load := map[int]int64{}
	for i, w := range win {
		risk += r.p.Items[i].Risk * r.cost(w)
		load[w] += r.p.Items[i].Work
		worst = max(worst, load[w])
	}
	return risk, worst
}

func (r *rules) onlyConflicts() bool {
	p := r.p
	var sum int64
	for _, it := range p.Items {
		sum += it.Work
	}
	return r.anon && len(p.Groups)+len(p.Budgets)+len(p.Orders) == 0 && p.Together == nil && sum <= r.capacity(0)
}

func (r *rules) onlySizes() bool {
	p := r.p
	return r.anon && len(p.Groups)+len(p.Budgets)+len(p.Orders)+len(p.Conflicts) == 0 && p.Together == nil && r.capacity(0) > 0
}

// hopeless finds items that fit nowhere even alone, and orders in a circle.
func (r *rules) hopeless() error {
	for i, it := range r.p.Items {
		ok := false
		for w := 0; w < max(1, len(r.p.Windows)) && !ok; w++ {
			ok = it.Work <= r.capacity(w) && (r.allow == nil || r.allow[i] == nil || r.allow[i].has(w))
			for _, g := range r.groupsOf[i] {
				ok = ok && r.p.Groups[g].limit(w) > 0
			}
			for _, b := range r.budgetsOf[i] {
				ok = ok && it.Work <= r.p.Budgets[b].limit(w)
			}
			if ok && r.p.Together != nil && r.n <= 2000 {
				ok = r.together(r.p.classOf(w), []int{i})
			}
		}
		if !ok {
			return fmt.Errorf("%w: %s fits into no window", ErrInfeasible, it.Name)
		}
	}
	if _, ok := r.levels(); !ok {
		return fmt.Errorf("%w: the orders run in a circle", ErrInfeasible)
	}
	return nil
}

// general solves what is neither colouring nor packing alone.
func (r *rules) general(done <-chan struct{}, lim Limits) (*state, Schedule, error) {
	out := Schedule{}
	byRules, floor := r.bound(done)
	gaps := 0
	for _, o := range r.p.Orders {
		gaps += max(0, o.Gap-1)
	}
	most := r.n + gaps
	if !r.anon {
		most = len(r.p.Windows)
	}
	if byRules.n > most {
		return nil, out, fmt.Errorf("%w: at least %d windows are needed (%s), and there are %d", ErrInfeasible, byRules.n, byRules.why, most)
	}
	out.LowerBound, out.Bound = min(floor.n, most), floor.why
	rng := rand.New(rand.NewPCG(lim.Seed, 0x77617665))
	order := r.order()
	weight := make([]int, r.n)
	var st *state
	var best []int
	W := most
	if r.anon {
		W = min(most, 2*out.LowerBound+16+gaps)
	}
	for best == nil {
		st = r.newState(W)
		left := st.greedy(order)
		spent, ok := int64(0), len(left) == 0
		if !ok && (!r.anon || W == most) {
			spent, ok = st.repair(done, left, max(r.steps(lim, W), 5*int64(len(left))+2000), weight, rng)
		}
		out.Nodes += spent
		if ok {
			best = slices.Clone(st.win)
			break
		}
		if W == most {
			break
		}
		W = min(most, 2*W)
	}
	used := max(r.n, out.LowerBound) + 1 // more than any schedule found may use
	if best != nil {
		used = st.used
		// Close one window after the other, the emptiest first.
		tries := 6
		if r.p.Together != nil && r.n > 2000 {
			tries = 3 // to ask is dear there
		}
		for fails := 0; used > out.LowerBound && fails < tries && !stopped(done); {
			st.load1(best)
			var ws []int
			for w := range st.W {
				st.open[w] = len(st.in[w]) > 0 || !r.anon || r.ordered
				if len(st.in[w]) > 0 {
					ws = append(ws, w)
				}
			}
			slices.SortStableFunc(ws, func(a, b int) int { return len(st.in[a]) - len(st.in[b]) })
			w := ws[min(fails, len(ws)-1)]
			queue := slices.Clone(st.in[w])
			for _, i := range queue {
				st.take(i)
			}
			for v := range st.W {
				st.open[v] = len(st.in[v]) > 0
			}
			if r.ordered || !r.anon {
				// An empty window may take its place, but no more than that many.
				if fails%2 == 1 {
					for v := range st.W {
						st.open[v] = v != w
					}
				}
			}
			spent, ok := st.repair(done, queue, r.steps(lim, used)/4+4*int64(len(queue))+20, weight, rng)
			out.Nodes += spent
			if ok && st.used < used {
				best, used, fails = slices.Clone(st.win), st.used, 0
			} else {
				fails++
			}
		}
		for w := range st.W {
			st.open[w] = true
		}
	}
	if used > out.LowerBound && r.n <= 200 {
		W := most
		if r.anon {
			W = min(most, used-1+gaps)
		}
		ex := &exact{state: r.newState(W), m: &meter{done: done, limit: r.nodes(lim, W)}, used: used, lower: out.LowerBound}
		ex.prepare()
		complete := ex.dive(r.n)
		out.Nodes += ex.m.n
		if ex.best != nil {
			best, used = ex.best, ex.used
			if W != st.W {
				st = r.newState(W)
			}
		}
		if complete {
			if best == nil {
				return nil, out, ErrInfeasible
			}
			if used > out.LowerBound {
				out.LowerBound, out.Bound = used, "an exhausted search"
			}
		}
		out.Stopped = ex.m.stopped
	}
	out.Stopped = out.Stopped || stopped(done)
	if best == nil {
		return nil, out, ErrUndecided
	}
	st.load1(best)
	return st, out, nil
}

// steps is how many steps of repair are worth about the moves of the limits: each
// looks at all windows.
func (r *rules) steps(lim Limits, W int) int64 {
	return lim.moves() / int64(20+r.n*W/40)
}

// nodes is how many nodes of the branch and bound are worth about the nodes of
// the limits: each looks at all items and windows.
func (r *rules) nodes(lim Limits, W int) int64 {
	k := int64(1)
	if r.p.Together != nil {
		k = 8 // to ask is dearer than to compare
	}
	return max(200, lim.nodes()/(k*max(1, int64(r.n)*int64(r.n)*int64(W)/1000)))
}

// order is the sequence in which the construction takes the items: what must
// come first, then what has least choice, then what is largest.
func (r *rules) order() []int {
	level, _ := r.levels()
	choice := make([]int, r.n)
	degree := make([]int, r.n)
	for i := range choice {
		choice[i] = len(r.p.Windows)
		if r.allow != nil && r.allow[i] != nil {
			choice[i] = r.allow[i].count()
		}
		degree[i] = len(r.nb[i])
		for _, g := range r.groupsOf[i] {
			degree[i] += len(r.p.Groups[g].Members) / max(1, r.p.Groups[g].most())
		}
	}
	order := make([]int, r.n)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		if level[a] != level[b] {
			return level[a] - level[b]
		}
		if choice[a] != choice[b] {
			return choice[a] - choice[b]
		}
		if c := cmpInt(r.p.Items[b].Work, r.p.Items[a].Work); c != 0 {
			return c
		}
		return degree[b] - degree[a]
	})
	return order
}

// limit is a number of windows below which there is no schedule, and why.
type limit struct {
	n   int
	why string
}

func (l *limit) raise(n int, why string) {
	if n > l.n {
		l.n, l.why = n, why
	}
}

// bound is a number of windows below which there is no schedule: by the rules
// alone, and with the floor of the problem as well.
func (r *rules) bound(done <-chan struct{}) (byRules, floor limit) {
	all := make([]int, r.n)
	for i := range all {
		all[i] = i
	}
	byRules, floor = r.boundOf(done, all)
	// Along a chain of orders the windows of one set all lie before those of the
	// next.
	if k := len(r.p.Orders); k == 0 || k > 200 {
		return byRules, floor
	}
	memo := map[string][2]int{}
	of := func(list []int) [2]int {
		key := fmt.Sprint(list)
		if v, ok := memo[key]; ok {
			return v
		}
		a, b := r.boundOf(done, list)
		memo[key] = [2]int{a.n, b.n}
		return memo[key]
	}
	const why = "stages that follow each other"
	byRules.raise(r.chain(func(list []int) int { return of(list)[0] }), why)
	floor.raise(r.chain(func(list []int) int { return of(list)[1] }), why)
	return byRules, floor
}

// chain is the largest sum of what the sets of a chain of orders need each.
func (r *rules) chain(of func([]int) int) (best int) {
	upTo := make([]int, len(r.p.Orders))
	for i, o := range r.p.Orders {
		upTo[i] = of(o.Before)
	}
	meet := func(a, b []int) []int {
		in := map[int]bool{}
		for _, i := range a {
			in[i] = true
		}
		var c []int
		for _, i := range b {
			if in[i] {
				c = append(c, i)
			}
		}
		return c
	}
	for range r.p.Orders {
		moved := false
		for i, o := range r.p.Orders {
			for j, q := range r.p.Orders {
				if c := meet(q.After, o.Before); len(c) > 0 && len(q.Before) > 0 {
					if v := upTo[j] + of(c); v > upTo[i] {
						upTo[i], moved = v, true
					}
				}
			}
		}
		if !moved {
			break
		}
	}
	for i, o := range r.p.Orders {
		if len(o.Before) > 0 {
			best = max(best, upTo[i]+of(o.After))
		}
	}
	return best
}

// boundOf is [rules.bound] of some items, without the orders.
func (r *rules) boundOf(done <-chan struct{}, items []int) (byRules, floor limit) {
	if len(items) == 0 {
		return limit{}, limit{}
	}
	byRules = r.boundByRules(done, items)
	floor = byRules
	if r.p.Floor != nil {
		floor.raise(r.p.Floor(items))
	}
	return byRules, floor
}

func (r *rules) boundByRules(done <-chan struct{}, items []int) limit {
	best := limit{1, "something has to be done"}
	raise := best.raise
	works := func(list []int) []int64 {
		s := make([]int64, len(list))
		for k, i := range list {
			s[k] = r.p.Items[i].Work
		}
		return s
	}
	back := map[int]int{}
	for k, i := range items {
		back[i] = k
	}
	mine := func(list []int) []int {
		var out []int
		for _, i := range list {
			if _, ok := back[i]; ok {
				out = append(out, i)
			}
		}
		return out
	}
	c := r.maxCapacity()
	if c != Unlimited && c > 0 {
		raise(packBound(works(items), c))
		if !r.anon { // the largest windows first
			caps := make([]int64, len(r.p.Windows))
			var sum, have int64
			for _, x := range works(items) {
				sum += x
			}
			for w := range caps {
				caps[w] = r.capacity(w)
			}
			slices.SortFunc(caps, func(a, b int64) int { return cmpInt(b, a) })
			k := 0
			for ; k < len(caps) && have < sum; k++ {
				if have += caps[k]; caps[k] == Unlimited {
					have = sum
				}
			}
			if have < sum {
				k++
			}
			raise(k, "the sum of the work in the largest windows")
		}
	}
	for _, g := range r.p.Groups {
		if most := g.most(); most > 0 {
			raise((len(mine(g.Members))+most-1)/most, fmt.Sprintf("group %s, of which at most %d are down at once", g.Name, most))
		}
	}
	for _, b := range r.p.Budgets {
		if b.most() > 0 {
			v, _ := packBound(works(mine(b.Members)), b.most())
			raise(v, "the budget "+b.Name)
			if b.PerWindow != nil {
				limits := slices.Clone(b.PerWindow)
				slices.SortFunc(limits, func(a, b int64) int { return cmpInt(b, a) })
				var left int64
				for _, x := range works(mine(b.Members)) {
					left += x
				}
				n := 0
				for ; n < len(limits) && left > 0; n++ {
					left -= limits[n]
				}
				if left > 0 {
					n++
				}
				raise(n, "the budget "+b.Name)
			}
		}
	}
	if len(items) > 12000 {
		return best
	}
	g := newGraph(len(items))
	for k, i := range items {
		for _, u := range r.nb[i] {
			if j, ok := back[int(u)]; ok {
				g.link(k, j)
			}
		}
	}
	pairs := func(list []int, limit int64) {
		for x, a := range list {
			for _, b := range list[:x] {
				if r.p.Items[a].Work+r.p.Items[b].Work > limit {
					g.link(back[a], back[b])
				}
			}
		}
	}
	for _, gr := range r.p.Groups {
		if gr.most() == 1 && len(gr.Members) <= 2000 {
			pairs(mine(gr.Members), -1)
		}
	}
	for _, b := range r.p.Budgets {
		if len(b.Members) <= 2000 {
			pairs(mine(b.Members), b.most())
		}
	}
	if c != Unlimited && len(items) <= 2000 {
		pairs(items, c)
	}
	if r.p.Together != nil && len(items) <= 60 {
		for x, a := range items {
			for _, b := range items[:x] {
				if !g.row[back[a]].has(back[b]) && !r.anywhere([]int{min(a, b), max(a, b)}) {
					g.link(back[a], back[b])
				}
			}
		}
	}
	// A group takes its windows, and items that exclude all of it and each other
	// take one more each.
	for _, gr := range r.p.Groups {
		ms := mine(gr.Members)
		most := gr.most()
		if most <= 0 || len(ms) == 0 {
			continue
		}
		common := g.row[back[ms[0]]].clone()
		for _, i := range ms[1:] {
			common.and(common, g.row[back[i]])
		}
		more := 0
		for v := common.next(0); v >= 0; v = common.next(0) {
			more++
			common.and(common, g.row[v])
		}
		if more > 0 {
			raise((len(ms)+most-1)/most+more, fmt.Sprintf("group %s and those that exclude all of it", gr.Name))
		}
	}
	cl := clique(g, &meter{done: done, limit: 50_000_000 / int64(1000+len(items)*len(items)/16)})
	raise(len(cl), "a set of items that all exclude each other")
	return best
}

// exact is a branch and bound over the number of windows used.
type exact struct {
	*state
	m     *meter
	used  int // of the best so far, or more than there can be
	lower int
	best  []int
	class []int // of windows that are alike while empty
	rest  int64 // work that is not placed
}

func (e *exact) prepare() {
	e.class = make([]int, e.W)
	seen := map[string]int{}
	for w := range e.W {
		key := fmt.Sprint(e.cap[w])
		for k, q := range e.p.Permits {
			if slices.Contains(q.Windows, w) {
				key += fmt.Sprint(",", k)
			}
		}
		for _, b := range e.p.Budgets {
			if b.PerWindow != nil {
				key += fmt.Sprint("b", b.PerWindow[w])
			}
		}
		for _, g := range e.p.Groups {
			if g.PerWindow != nil {
				key += fmt.Sprint("g", g.PerWindow[w])
			}
		}
		if e.p.Together != nil {
			key += fmt.Sprint("c", e.p.classOf(w))
		}
		if e.ordered {
			key = fmt.Sprint("w", w)
		}
		if _, ok := seen[key]; !ok {
			seen[key] = w
		}
		e.class[w] = seen[key]
	}
	for _, it := range e.p.Items {
		e.rest += it.Work
	}
}

// choices lists the windows that the item can go into; of empty windows that are
// alike only the first.
func (e *exact) choices(i, limit int, out []int) []int {
	var seen [8]int
	ns := 0
next:
	for w := range e.W {
		if len(e.in[w]) == 0 {
			if e.state.used+1 >= e.used {
				continue
			}
			for _, c := range seen[:ns] {
				if c == e.class[w] {
					continue next
				}
			}
		}
		if !e.fits(i, w) {
			continue
		}
		if len(e.in[w]) == 0 && ns < len(seen) {
			seen[ns] = e.class[w]
			ns++
		}
		if out = append(out, w); len(out) > limit {
			break
		}
	}
	return out
}

// dive says whether the search below was complete.
func (e *exact) dive(left int) bool {
	if left == 0 {
		if e.state.used < e.used {
			e.used = e.state.used
			e.best = slices.Clone(e.win)
		}
		return true
	}
	if e.used <= e.lower {
		return true
	}
	if !e.m.step() {
		return false
	}
	if !e.roomLeft() {
		return true
	}
	var few, buf []int
	pick := -1
	for i := range e.n {
		if e.win[i] >= 0 {
			continue
		}
		limit := 1 << 30
		if pick >= 0 {
			limit = len(few)
		}
		buf = e.choices(i, limit, buf[:0])
		if pick < 0 || len(buf) < len(few) || len(buf) == len(few) && e.harder(i, pick) {
			pick = i
			few, buf = buf, few
		}
		if len(few) == 0 {
			return true
		}
	}
	// Used windows first, fullest first.
	slices.SortStableFunc(few, func(a, b int) int {
		if x, y := len(e.in[a]) == 0, len(e.in[b]) == 0; x != y {
			if x {
				return 1
			}
			return -1
		}
		return cmpInt(e.slack(a), e.slack(b))
	})
	complete := true
	e.rest -= e.p.Items[pick].Work
	for _, w := range few {
		if len(e.in[w]) == 0 && e.state.used+1 >= e.used {
			continue
		}
		e.put(pick, w)
		complete = e.dive(left-1) && complete
		e.take(pick)
		if e.m.stopped || e.m.n >= e.m.limit {
			complete = false
			break
		}
	}
	e.rest += e.p.Items[pick].Work
	return complete
}

func (e *exact) harder(i, j int) bool {
	if a, b := e.p.Items[i].Work, e.p.Items[j].Work; a != b {
		return a > b
	}
	return len(e.nb[i]) > len(e.nb[j])
}

// roomLeft says whether the work that is left fits into what may still be used.
func (e *exact) roomLeft() bool {
	room := int64(0)
	more := e.used - 1 - e.state.used
	top := int64(0)
	for w := range e.W {
		if e.cap[w] == Unlimited {
			return true
		}
		if len(e.in[w]) > 0 {
			room += e.cap[w] - e.load[w]
		} else {
			top = max(top, e.cap[w])
		}
	}
	return more < 0 || e.rest <= room+int64(more)*top
}
