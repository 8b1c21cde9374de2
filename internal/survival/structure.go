package survival

import "slices"

// diagram is a reduced ordered binary decision diagram over the own events of
// the relations. It gives the exact probability that an adjacency and all it
// stands on live, however much is shared below.
// Source: Bryant, Graph-based algorithms for Boolean function manipulation,
// 1986; Rauzy, New algorithms for fault trees analysis, 1993.
type diagram struct {
	nodes  []branch // 0 is false, 1 is true
	unique map[branch]int32
	memo   map[[3]int32]int32
	limit  int
}

// branch tests one variable; the lower a variable, the nearer to the root.
type branch struct{ variable, lo, hi int32 }

// maxDiagram bounds a diagram. Beyond it redundancy is not counted, which can
// only make a forecast worse than the truth, and the forecast says so.
const maxDiagram = 1 << 19

func newDiagram() *diagram {
	const leaf = 1 << 30
	return &diagram{
		nodes: []branch{{leaf, 0, 0}, {leaf, 1, 1}}, unique: map[branch]int32{}, memo: map[[3]int32]int32{}, limit: maxDiagram,
	}
}

func (d *diagram) branch(v, lo, hi int32) int32 {
	if lo == hi {
		return lo
	}
	b := branch{v, lo, hi}
	n, ok := d.unique[b]
	if !ok {
		n = int32(len(d.nodes))
		d.nodes = append(d.nodes, b)
		d.unique[b] = n
	}
	return n
}

// ite is "if f then g else h".
func (d *diagram) ite(f, g, h int32) int32 {
	switch {
	case f == 1 || g == h:
		return g
	case f == 0:
		return h
	case g == 1 && h == 0:
		return f
	}
	key := [3]int32{f, g, h}
	if n, ok := d.memo[key]; ok {
		return n
	}
	v := min(d.nodes[f].variable, d.nodes[g].variable, d.nodes[h].variable)
	cofactor := func(n int32, hi bool) int32 {
		b := d.nodes[n]
		switch {
		case b.variable != v:
			return n
		case hi:
			return b.hi
		}
		return b.lo
	}
	hi := d.ite(cofactor(f, true), cofactor(g, true), cofactor(h, true))
	lo := d.ite(cofactor(f, false), cofactor(g, false), cofactor(h, false))
	n := d.branch(v, lo, hi)
	d.memo[key] = n
	return n
}

// atLeast is "at least k of fs".
func (d *diagram) atLeast(k int, fs []int32) int32 {
	if k <= 0 {
		return 1
	}
	if k > len(fs) {
		return 0
	}
	// The functions lowest in the order come first, so that each step works
	// near the root only.
	fs = slices.Clone(fs)
	slices.SortFunc(fs, func(a, b int32) int { return int(d.nodes[b].variable - d.nodes[a].variable) })
	row := make([]int32, k+1) // row[j] is "at least j of those seen"
	row[0] = 1
	for _, f := range fs {
		for j := k; j > 0; j-- {
			row[j] = d.ite(f, row[j-1], row[j])
		}
	}
	return row[k]
}

// structure is what lives with what: for each node of a system the diagram of
// its event.
type structure struct {
	*diagram
	event     []int32 // of each node
	variable  []int32 // of each relation, -1 before it is seen
	relation  []int   // of each variable
	truncated bool
}

func (s *system) structure() *structure {
	t := &structure{diagram: newDiagram(), event: make([]int32, len(s.nodes)), variable: make([]int32, len(s.relations))}
	for i := range t.variable {
		t.variable[i] = -1
	}
	// Variables are numbered downwards, from what stands on others to what is
	// stood on, in the order of a walk, so that what belongs together is
	// together and a node's own event is above all it stands on.
	seen := make([]bool, len(s.nodes))
	var order []int
	var walk func(n int)
	walk = func(n int) {
		if seen[n] {
			return
		}
		seen[n] = true
		for _, need := range s.nodes[n].needs {
			for _, m := range need.of {
				walk(m)
			}
		}
		order = append(order, n)
	}
	for n := range s.nodes {
		walk(n)
	}
	for _, n := range slices.Backward(order) {
		if r := s.nodes[n].relation; r >= 0 && t.variable[r] < 0 {
			t.variable[r] = int32(len(t.relation))
			t.relation = append(t.relation, r)
		}
	}
	for _, n := range order {
		f := int32(1)
		for _, need := range s.nodes[n].needs {
			below := make([]int32, len(need.of))
			for i, m := range need.of {
				below[i] = t.event[m]
			}
			k := need.atLeast
			if len(t.nodes) > t.limit {
				k, t.truncated = len(below), true
			}
			f = t.ite(t.atLeast(k, below), f, 0)
		}
		if r := s.nodes[n].relation; r >= 0 {
			f = t.ite(t.branch(t.variable[r], 0, 1), f, 0)
		}
		t.event[n] = f
	}
	return t
}

// formula is the diagrams with variables replaced by classes of equal ones:
// the probability of a branch depends on nothing else. Children come before
// their parents; 0 is false and 1 is true.
type formula struct {
	steps  []step
	unique map[step]int32
	of     map[int32]int32 // diagram node to step
}

type step struct{ class, lo, hi int32 }

func newFormula() *formula {
	return &formula{steps: []step{{-1, 0, 0}, {-1, 1, 1}}, unique: map[step]int32{}, of: map[int32]int32{0: 0, 1: 1}}
}

// add writes the diagram node n into the formula and returns its step. What
// settled says of a class is folded in: 1 lives surely, -1 surely does not.
func (f *formula) add(t *structure, class []int32, settled []int8, n int32) int32 {
	if s, ok := f.of[n]; ok {
		return s
	}
	b := t.nodes[n]
	c := class[t.relation[b.variable]]
	switch settled[c] {
	case 1:
		s := f.add(t, class, settled, b.hi)
		f.of[n] = s
		return s
	case -1:
		s := f.add(t, class, settled, b.lo)
		f.of[n] = s
		return s
	}
	st := step{c, f.add(t, class, settled, b.lo), f.add(t, class, settled, b.hi)}
	s, ok := f.unique[st]
	switch {
	case st.lo == st.hi:
		s = st.lo
	case !ok:
		s = int32(len(f.steps))
		f.steps = append(f.steps, st)
		f.unique[st] = s
	}
	f.of[n] = s
	return s
}

// program is the part of a formula that one probability needs, in an order in
// which it can be computed, and the classes in it.
type program struct {
	steps   []step // children renumbered within the program
	classes []int32
}

func (f *formula) program(root int32) program {
	local := map[int32]int32{0: 0, 1: 1}
	p := program{steps: []step{{-1, 0, 0}, {-1, 1, 1}}}
	var walk func(n int32) int32
	walk = func(n int32) int32 {
		if i, ok := local[n]; ok {
			return i
		}
		s := f.steps[n]
		s.lo, s.hi = walk(s.lo), walk(s.hi)
		i := int32(len(p.steps))
		p.steps = append(p.steps, s)
		local[n] = i
		if !slices.Contains(p.classes, s.class) {
			p.classes = append(p.classes, s.class)
		}
		return i
	}
	if at := walk(root); at < 2 {
		p.steps = p.steps[:at+1] // certain
	}
	return p
}

// value is the probability of the program when live gives that of each class;
// room is scratch of at least the length of the steps.
func (p program) value(live, room []float64) float64 {
	room[0] = 0
	if len(p.steps) > 1 {
		room[1] = 1
	}
	for i := 2; i < len(p.steps); i++ {
		s := p.steps[i]
		q := live[s.class]
		room[i] = q*room[s.hi] + (1-q)*room[s.lo]
	}
	return room[len(p.steps)-1]
}
