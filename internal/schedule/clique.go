package schedule

import "slices"

// meter counts the steps of a search and ends it: at its limit, or when the
// context has ended. The context is looked at every 1024 steps.
type meter struct {
	done    <-chan struct{}
	n       int64
	limit   int64
	stopped bool // by the context
}

// step counts one step and says whether the search may go on.
func (m *meter) step() bool {
	m.n++
	if m.n >= m.limit || m.stopped {
		return false
	}
	if m.n&1023 == 0 {
		select {
		case <-m.done:
			m.stopped = true
			return false
		default:
		}
	}
	return true
}

// clique returns a largest clique of g, or the largest it met within the limit.
//
// Source: Tomita and Kameda, An efficient branch-and-bound algorithm for finding
// a maximum clique, 2007 (the bound by greedy colouring), from memory.
func clique(g *graph, m *meter) []int {
	if g.n == 0 {
		return nil
	}
	// Vertices by degeneracy: the last removed come first.
	deg := make([]int, g.n)
	for v := range deg {
		deg[v] = len(g.nb[v])
	}
	order := make([]int, 0, g.n)
	gone := make([]bool, g.n)
	buckets := make([][]int, g.n)
	for v, d := range deg {
		buckets[d] = append(buckets[d], v)
	}
	for d := 0; len(order) < g.n; {
		if len(buckets[d]) == 0 {
			d++
			continue
		}
		v := buckets[d][len(buckets[d])-1]
		buckets[d] = buckets[d][:len(buckets[d])-1]
		if gone[v] || deg[v] != d {
			continue
		}
		gone[v] = true
		order = append(order, v)
		for _, u := range g.nb[v] {
			if !gone[u] {
				deg[u]--
				buckets[deg[u]] = append(buckets[deg[u]], int(u))
				d = min(d, deg[u])
			}
		}
	}
	slices.Reverse(order)
	pos := make([]int, g.n)
	for i, v := range order {
		pos[v] = i
	}
	rows := make([]set, g.n) // by position
	for i, v := range order {
		rows[i] = newSet(g.n)
		for _, u := range g.nb[v] {
			rows[i].add(pos[u])
		}
	}
	var best, cur []int
	var grow func(cand set)
	grow = func(cand set) {
		if !m.step() {
			return
		}
		left := cand.clone()
		var vs, cs []int
		q := newSet(g.n)
		for c := 1; left.count() > 0; c++ {
			copy(q, left)
			for v := q.next(0); v >= 0; v = q.next(v + 1) {
				left.del(v)
				vs, cs = append(vs, v), append(cs, c)
				for i := range q {
					q[i] &^= rows[v][i]
				}
			}
		}
		for k := len(vs) - 1; k >= 0; k-- {
			if len(cur)+cs[k] <= len(best) {
				return
			}
			v := vs[k]
			cur = append(cur, v)
			sub := newSet(g.n)
			sub.and(cand, rows[v])
			if sub.count() == 0 {
				if len(cur) > len(best) {
					best = append(best[:0], cur...)
				}
			} else {
				grow(sub)
			}
			cur = cur[:len(cur)-1]
			cand.del(v)
			if m.stopped || m.n >= m.limit {
				return
			}
		}
	}
	all := newSet(g.n)
	for i := range g.n {
		all.add(i)
	}
	// A greedy clique first, so that a tight limit still gives one.
	for start := range min(g.n, 50) {
		c := rows[start].clone()
		one := []int{start}
		for v := c.next(0); v >= 0; v = c.next(0) {
			one = append(one, v)
			c.and(c, rows[v])
		}
		if len(one) > len(best) {
			best = one
		}
	}
	grow(all)
	for i, v := range best {
		best[i] = order[v]
	}
	slices.Sort(best)
	return best
}

// cliques returns the clique and greedy ones of the same size, at most limit.
func cliques(g *graph, cl []int, limit int) [][]int {
	out := [][]int{cl}
	for v := range g.n {
		for _, u := range g.nb[v] {
			if len(out) >= limit {
				return out
			}
			if int(u) < v {
				continue
			}
			c := g.row[v].clone()
			c.and(c, g.row[u])
			one := []int{v, int(u)}
			for x := c.next(0); x >= 0; x = c.next(0) {
				one = append(one, x)
				c.and(c, g.row[x])
			}
			if len(one) == len(cl) {
				out = append(out, one)
			}
		}
	}
	return out
}

// mycielski lifts a subgraph that needs lb colours to ones that need more, as
// long as a generalised Mycielski graph over it is found, and returns the bound.
// verts is a set of vertices whose induced subgraph needs lb colours.
//
// A twin of v sees all that v sees in H; w is next to a twin of every v. Were H
// with its twins and w coloured with lb colours, every vertex of H that has the
// colour of w could take its twin's instead, and H would do with lb-1.
//
// Source: Mycielski, Colloquium Mathematicum 3, 1955; as a bound in a search: Hebrard
// and Katsirelos, Journal of Artificial Intelligence Research 69, 2020; from memory.
func mycielski(g *graph, verts []int, lb int) int {
	h := newGraph(g.n) // the edges that the argument uses
	in := newSet(g.n)
	for i, v := range verts {
		in.add(v)
		for _, u := range verts[:i] {
			if g.row[v].has(u) {
				h.link(v, u)
			}
		}
	}
	for {
		var vs []int
		for v := in.next(0); v >= 0; v = in.next(v + 1) {
			vs = append(vs, v)
		}
		twins := make([]set, len(vs)) // those that see all that v sees in h
		reach := newSet(g.n)          // those next to a twin of every v so far
		for i := range g.n {
			reach.add(i)
		}
		for i, v := range vs {
			t := newSet(g.n)
			r := newSet(g.n)
			for u := range g.n {
				if h.row[v].within(g.row[u]) {
					t.add(u)
					for k := range r {
						r[k] |= g.row[u][k]
					}
				}
			}
			twins[i] = t
			reach.and(reach, r)
		}
		w := reach.next(0)
		if w < 0 {
			return lb
		}
		before := make([][]int32, len(vs)) // the edges of h that are lifted
		for i, v := range vs {
			before[i] = append([]int32(nil), h.nb[v]...)
		}
		for i, v := range vs {
			u := -1
			if twins[i].has(v) && g.row[w].has(v) {
				u = v
			} else {
				for x := twins[i].next(0); x >= 0; x = twins[i].next(x + 1) {
					if g.row[w].has(x) {
						u = x
						break
					}
				}
			}
			for _, x := range before[i] {
				h.link(u, int(x))
			}
			h.link(u, w)
			in.add(u)
		}
		in.add(w)
		lb++
	}
}
