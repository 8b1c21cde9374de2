package schedule

import (
	"math/rand/v2"
	"slices"
)

// coloured is what colour found.
type coloured struct {
	colour []int
	used   int
	lower  int
	bound  string
	nodes  int64
	stop   bool
}

// colour gives adjacent vertices different colours, as few as possible.
//
// A largest clique and the Mycielski graphs above it bound from below. What
// cannot matter is taken away: vertices with fewer neighbours than the bound and
// vertices that see no more than another that they do not see. DSATUR and a tabu
// search bound from above, and a branch and bound over the rest closes the gap.
//
// Source: Brélaz, Communications of the ACM 22, 1979 (DSATUR); Hertz and de Werra,
// Computing 39, 1987 (tabu search); San Segundo, Computers and Operations Research
// 39, 2012 (the tie-break); all from memory.
func colour(done <-chan struct{}, g *graph, lim Limits) coloured {
	if g.n == 0 {
		return coloured{bound: "nothing to do"}
	}
	cm := &meter{done: done, limit: max(lim.nodes()/20, 1000)}
	cl := clique(g, cm)
	out := coloured{lower: len(cl), bound: "a set of items that all exclude each other"}
	rng := rand.New(rand.NewPCG(lim.Seed, 0x636f6c6f7572))

	keep, undo := reduce(g, cl, out.lower)
	sub, names := induced(g, keep)
	if g.n <= 1500 {
		// Twins may have been taken away, so the whole graph is looked at.
		for _, c := range cliques(g, cl, 200) {
			if lb := mycielski(g, c, len(c)); lb > out.lower {
				out.lower, out.bound = lb, "a Mycielski graph among the conflicts"
			}
		}
	}
	col := dsatur(sub)
	used := 0
	for _, c := range col {
		used = max(used, c+1)
	}
	used = max(used, out.lower)
	// Rounds of tabu search and exact search, each with more patience: asking for
	// one colour fewer until that is found or refuted.
	em := &meter{done: done}
	small := clique(sub, &meter{done: done, limit: 20000})
	for _, share := range []int64{50, 8, 1} {
		for used > out.lower && !stopped(done) {
			try, spent, ok := tabu(done, sub, col, used-1, lim.moves()/share, rng)
			out.nodes += spent
			if !ok {
				break
			}
			col, used = try, used-1
		}
		em.limit = em.n + lim.nodes()/share
		for used > out.lower {
			try, found, complete := colourable(sub, small, used-1, em)
			if found {
				col, used = try, used-1
				continue
			}
			if complete {
				out.lower, out.bound = used, "an exhausted search"
			}
			break
		}
	}
	// Where the gap stays open, fewer colours may still be refuted.
	for out.lower < used-1 && !stopped(done) {
		em.limit = em.n + lim.nodes()/20
		if _, found, complete := colourable(sub, small, out.lower, em); found || !complete {
			break
		}
		out.lower++
		out.bound = "an exhausted search with fewer windows"
	}
	out.nodes += cm.n + em.n
	out.stop = cm.stopped || em.stopped || stopped(done)
	out.colour = make([]int, g.n)
	for v := range out.colour {
		out.colour[v] = -1
	}
	for i, v := range names {
		out.colour[v] = col[i]
	}
	// Put back what was taken away, last first: each has a free colour.
	for k := len(undo) - 1; k >= 0; k-- {
		v, like := undo[k].v, undo[k].like
		if like >= 0 {
			out.colour[v] = out.colour[like]
			continue
		}
		busy := newSet(g.n + 1)
		for _, u := range g.nb[v] {
			if out.colour[u] >= 0 {
				busy.add(out.colour[u])
			}
		}
		c := 0
		for busy.has(c) {
			c++
		}
		out.colour[v] = c
	}
	out.used = compact(out.colour)
	return out
}

func stopped(done <-chan struct{}) bool {
	select {
	case <-done:
		return true
	default:
		return false
	}
}

// compact renumbers the values from 0 in order of first use and returns how many
// there are.
func compact(c []int) int {
	seen := map[int]int{}
	for i, v := range c {
		k, ok := seen[v]
		if !ok {
			k = len(seen)
			seen[v] = k
		}
		c[i] = k
	}
	return len(seen)
}

// removal is a vertex that reduce took away: it can have the colour of like, or
// any that is free where like is -1.
type removal struct{ v, like int }

func reduce(g *graph, cl []int, lb int) (set, []removal) {
	keep := newSet(g.n)
	for v := range g.n {
		keep.add(v)
	}
	hold := newSet(g.n)
	for _, v := range cl {
		hold.add(v)
	}
	deg := make([]int, g.n)
	for v := range deg {
		deg[v] = len(g.nb[v])
	}
	var undo []removal
	drop := func(v, like int) {
		keep.del(v)
		undo = append(undo, removal{v, like})
		for _, u := range g.nb[v] {
			deg[u]--
		}
	}
	row := newSet(g.n)
	for again := true; again; {
		again = false
		for v := range g.n {
			if keep.has(v) && deg[v] < lb && !hold.has(v) {
				drop(v, -1)
				again = true
			}
		}
		if again || g.n > 2500 {
			continue
		}
		for v := range g.n {
			if !keep.has(v) || hold.has(v) || deg[v] == 0 {
				continue
			}
			row.and(g.row[v], keep)
			// A vertex that sees all of row is a neighbour of each in it.
			first := row.next(0)
			for _, u := range g.nb[first] {
				if int(u) != v && keep.has(int(u)) && !g.row[v].has(int(u)) && row.within(g.row[u]) {
					drop(v, int(u))
					again = true
					break
				}
			}
		}
	}
	return keep, undo
}

func induced(g *graph, keep set) (*graph, []int) {
	var names []int
	back := make([]int, g.n)
	for v := keep.next(0); v >= 0; v = keep.next(v + 1) {
		back[v] = len(names)
		names = append(names, v)
	}
	s := newGraph(len(names))
	for _, v := range names {
		for _, u := range g.nb[v] {
			if int(u) > v && keep.has(int(u)) {
				s.link(back[v], back[u])
			}
		}
	}
	return s, names
}

// dsatur colours greedily: next comes the vertex that sees most colours.
func dsatur(g *graph) []int {
	col := make([]int, g.n)
	sees := make([]map[int]bool, g.n)
	for v := range col {
		col[v] = -1
		sees[v] = map[int]bool{}
	}
	for range g.n {
		best := -1
		for v := range g.n {
			if col[v] < 0 && (best < 0 || len(sees[v]) > len(sees[best]) ||
				len(sees[v]) == len(sees[best]) && len(g.nb[v]) > len(g.nb[best])) {
				best = v
			}
		}
		c := 0
		for sees[best][c] {
			c++
		}
		col[best] = c
		for _, u := range g.nb[best] {
			sees[u][c] = true
		}
	}
	return col
}

// tabu looks for a colouring with k colours, starting from one with more.
func tabu(done <-chan struct{}, g *graph, from []int, k int, moves int64, rng *rand.Rand) ([]int, int64, bool) {
	n := g.n
	if k <= 0 {
		return nil, 0, n == 0
	}
	col := slices.Clone(from)
	for v, c := range col {
		if c >= k {
			col[v] = rng.IntN(k)
		}
	}
	gamma := make([]int32, n*k) // neighbours of v with colour c
	for v := range n {
		for _, u := range g.nb[v] {
			gamma[v*k+col[u]]++
		}
	}
	clash := 0
	var bad []int32 // vertices that share a colour with a neighbour
	at := make([]int32, n)
	for v := range n {
		at[v] = -1
		if x := gamma[v*k+col[v]]; x > 0 {
			clash += int(x)
			at[v] = int32(len(bad))
			bad = append(bad, int32(v))
		}
	}
	clash /= 2
	best := clash
	until := make([]int64, n*k)
	fix := func(v int) {
		is := gamma[v*k+col[v]] > 0
		if is && at[v] < 0 {
			at[v] = int32(len(bad))
			bad = append(bad, int32(v))
		} else if !is && at[v] >= 0 {
			last := bad[len(bad)-1]
			bad[at[v]] = last
			at[last] = at[v]
			bad = bad[:len(bad)-1]
			at[v] = -1
		}
	}
	for it := int64(1); it <= moves; it++ {
		if clash == 0 {
			return col, it, true
		}
		if it&1023 == 0 && stopped(done) {
			return nil, it, false
		}
		bv, bc, bd, ties := -1, -1, int32(1<<30), 0
		for _, v32 := range bad {
			v := int(v32)
			row := gamma[v*k : v*k+k]
			own := row[col[v]]
			for c, x := range row {
				d := x - own
				if d > bd || c == col[v] {
					continue
				}
				if until[v*k+c] >= it && clash+int(d) >= best {
					continue
				}
				if d < bd {
					bv, bc, bd, ties = v, c, d, 1
				} else if ties++; rng.IntN(ties) == 0 {
					bv, bc = v, c
				}
			}
		}
		if bv < 0 {
			continue // all are tabu; wait
		}
		old := col[bv]
		col[bv] = bc
		clash += int(bd)
		best = min(best, clash)
		until[bv*k+old] = it + int64(6*len(bad)/10) + int64(rng.IntN(10))
		for _, u := range g.nb[bv] {
			gamma[int(u)*k+old]--
			gamma[int(u)*k+bc]++
			fix(int(u))
		}
		fix(bv)
	}
	return nil, moves, clash == 0
}

// colourable decides whether k colours do. complete says that the search was
// not cut short.
func colourable(g *graph, cl []int, k int, m *meter) (col []int, found, complete bool) {
	n := g.n
	if len(cl) > k {
		return nil, false, true
	}
	col = make([]int, n)
	cnt := make([]int32, n*k)
	free := make([]int32, n)
	mask := make([]set, n) // colours that v still can have
	for v := range n {
		col[v] = -1
		free[v] = int32(k)
		mask[v] = newSet(k)
		for c := range k {
			mask[v].add(c)
		}
	}
	assign := func(v, c int) bool {
		col[v] = c
		ok := true
		for _, u := range g.nb[v] {
			x := &cnt[int(u)*k+c]
			*x++
			if *x == 1 {
				mask[u].del(c)
				free[u]--
				if free[u] == 0 && col[u] < 0 {
					ok = false
				}
			}
		}
		return ok
	}
	undo := func(v, c int) {
		col[v] = -1
		for _, u := range g.nb[v] {
			x := &cnt[int(u)*k+c]
			*x--
			if *x == 0 {
				mask[u].add(c)
				free[u]++
			}
		}
	}
	for i, v := range cl {
		if !assign(v, i) {
			return nil, false, true
		}
	}
	var cand []int
	var dive func(left, used int) int // 1 found, 0 refuted, -1 cut short
	dive = func(left, used int) int {
		if left == 0 {
			return 1
		}
		if !m.step() {
			return -1
		}
		best, few := -1, int32(1<<30)
		cand = cand[:0]
		for v := range n {
			if col[v] >= 0 || free[v] > few {
				continue
			}
			if free[v] < few {
				few = free[v]
				cand = cand[:0]
			}
			cand = append(cand, v)
		}
		best = cand[0]
		if len(cand) > 1 && few > 1 {
			// The one whose colours its uncoloured neighbours want most.
			top := -1
			for _, v := range cand {
				s := 0
				for _, u := range g.nb[v] {
					if col[u] < 0 && free[u] <= few+1 {
						for i, w := range mask[v] {
							s += popcount(w & mask[u][i])
						}
					}
				}
				if s > top {
					top, best = s, v
				}
			}
		}
		v := best
		for c := mask[v].next(0); c >= 0 && c <= used; c = mask[v].next(c + 1) {
			r := 0
			if assign(v, c) {
				r = dive(left-1, max(used, c+1))
			}
			if r != 0 {
				return r
			}
			undo(v, c)
		}
		return 0
	}
	switch dive(n-len(cl), len(cl)) {
	case 1:
		return col, true, true
	case 0:
		return nil, false, true
	default:
		return nil, false, false
	}
}
