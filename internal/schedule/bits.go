package schedule

import "math/bits"

func popcount(w uint64) int { return bits.OnesCount64(w) }

// set is a set of small integers, one bit each.
type set []uint64

func newSet(n int) set       { return make(set, (n+63)/64) }
func (s set) has(i int) bool { return s[i>>6]&(1<<(i&63)) != 0 }
func (s set) add(i int)      { s[i>>6] |= 1 << (i & 63) }
func (s set) del(i int)      { s[i>>6] &^= 1 << (i & 63) }
func (s set) clone() set     { return append(set(nil), s...) }
func (s set) and(a, b set) {
	for i := range s {
		s[i] = a[i] & b[i]
	}
}

func (s set) count() int {
	n := 0
	for _, w := range s {
		n += bits.OnesCount64(w)
	}
	return n
}

// next returns the smallest member that is at least i, or -1.
func (s set) next(i int) int {
	if i>>6 >= len(s) {
		return -1
	}
	w := s[i>>6] >> (i & 63)
	if w != 0 {
		return i + bits.TrailingZeros64(w)
	}
	for k := i>>6 + 1; k < len(s); k++ {
		if s[k] != 0 {
			return k<<6 + bits.TrailingZeros64(s[k])
		}
	}
	return -1
}

// within says whether every member of s is one of t.
func (s set) within(t set) bool {
	for i := range s {
		if s[i]&^t[i] != 0 {
			return false
		}
	}
	return true
}

func (s set) meets(t set) bool {
	for i := range s {
		if s[i]&t[i] != 0 {
			return true
		}
	}
	return false
}

// graph is an undirected graph without loops and doubled edges.
type graph struct {
	n   int
	row []set
	nb  [][]int32
}

func newGraph(n int) *graph {
	g := &graph{n: n, row: make([]set, n), nb: make([][]int32, n)}
	for i := range g.row {
		g.row[i] = newSet(n)
	}
	return g
}

func (g *graph) link(a, b int) {
	if a == b || g.row[a].has(b) {
		return
	}
	g.row[a].add(b)
	g.row[b].add(a)
	g.nb[a] = append(g.nb[a], int32(b))
	g.nb[b] = append(g.nb[b], int32(a))
}
