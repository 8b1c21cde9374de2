package network

import "slices"

// loads are differences of arc loads.
type loads struct {
	delta   []float64
	seen    []bool
	touched []int32
}

func (l *loads) add(a int32, v float64) {
	if !l.seen[a] {
		l.seen[a] = true
		l.touched = append(l.touched, a)
	}
	l.delta[a] += v
}

func (l *loads) reset() {
	for _, a := range l.touched {
		l.delta[a], l.seen[a] = 0, false
	}
	l.touched = l.touched[:0]
}

// overlay is a state with a further change laid over it, and all the memory
// that one goroutine needs to compute what the change does. It is used for one
// change after another.
//
// The method, for each destination whose shortest paths the change touches:
// find the nodes that lose all their next hops, in the order of their distance
// (they, and only they, get further away); compute their new distances from
// the rim of that set with Dijkstra's method; then move only the flow of the
// nodes whose next hops changed, and what follows from it downstream.
//
// Source: Ramalingam and Reps, J. Algorithms 21 (1996) 267-305; the part on flow
// is ours. It holds for changes that only take arcs away or make them dearer.
type overlay struct {
	base *State
	net  *Network

	view     view
	removed  []bool
	capacity []float64
	members  []int32

	arcs     []int32 // whose cost may have changed
	arcSeen  []bool
	nodes    []int32 // newly removed
	blocked  []int32 // newly blocked
	capacArc []int32 // whose capacity changed

	loads      loads
	lost       float64
	lostPairs  int
	cut        float64 // the part of lost that had a path before
	cuts       int
	dropped    float64
	further    []int64   // new distance of nodes that get further away
	isFurther  []bool    // those nodes
	settled    []bool    // of them, those with their final distance
	moves      []bool    // nodes whose next hops change
	queued     []bool    // nodes in a heap
	inFlow     []float64 // difference of what arrives
	structural []int32   // nodes with moves
	furtherOf  []int32   // nodes with isFurther
	heap       heap
	flowHeap   heap
}

func newOverlay(s *State) *overlay {
	n := s.net
	nodes, arcs := len(n.nodes), len(n.arcs)
	return &overlay{
		base: s, net: n, view: view{slices.Clone(s.view.metric), slices.Clone(s.view.blocked)},
		removed: slices.Clone(s.removed), capacity: slices.Clone(s.capacity), members: slices.Clone(s.members),
		arcSeen: make([]bool, arcs), loads: loads{delta: make([]float64, arcs), seen: make([]bool, arcs)},
		further: make([]int64, nodes), isFurther: make([]bool, nodes), settled: make([]bool, nodes),
		moves: make([]bool, nodes), queued: make([]bool, nodes), inFlow: make([]float64, nodes),
	}
}

func (o *overlay) touch(a int32) {
	if !o.arcSeen[a] {
		o.arcSeen[a] = true
		o.arcs = append(o.arcs, a)
	}
}

func (o *overlay) down(a int32) {
	o.view.metric[a] = -1
	o.touch(a)
}

// apply lays the change over the state.
func (o *overlay) apply(c change) {
	n := o.net
	for i, v := range c.nodes {
		switch c.how[i] {
		case Remove:
			o.remove(v)
		case NoTransit:
			if o.view.blocked[v] {
				continue
			}
			o.view.blocked[v] = true
			o.blocked = append(o.blocked, v)
			for _, h := range n.inHops[n.inStart[v]:n.inStart[v+1]] {
				o.touch(h.arc)
			}
		case MaxMetric:
			for _, h := range n.outHops[n.outStart[v]:n.outStart[v+1]] {
				if m := o.view.metric[h.arc]; m >= 0 && m < n.stub && !n.host[h.node] {
					o.view.metric[h.arc] = n.stub
					o.touch(h.arc)
				}
			}
		}
	}
	for _, l := range c.links {
		o.failLink(l)
	}
	for i, l := range c.lost {
		o.members[l] = max(0, o.members[l]-c.count[i])
		if o.members[l] < n.minimum[l] {
			o.failLink(l)
			continue
		}
		for _, a := range n.linkArc[n.linkStart[l]:n.linkStart[l+1]] {
			o.capacity[a] = n.capacity[a] * float64(o.members[l]) / float64(n.members[l])
			o.capacArc = append(o.capacArc, a)
		}
	}
}

func (o *overlay) failLink(l int32) {
	for _, a := range o.net.linkArc[o.net.linkStart[l]:o.net.linkStart[l+1]] {
		if o.view.metric[a] >= 0 {
			o.down(a)
		}
	}
}

func (o *overlay) remove(v int32) {
	n := o.net
	if o.removed[v] {
		return
	}
	o.dropped += n.droppedAt(v, o.removed)
	o.removed[v] = true
	o.nodes = append(o.nodes, v)
	for _, h := range n.outHops[n.outStart[v]:n.outStart[v+1]] {
		if o.view.metric[h.arc] >= 0 {
			o.down(h.arc)
		}
	}
	for _, h := range n.inHops[n.inStart[v]:n.inStart[v+1]] {
		if o.view.metric[h.arc] >= 0 {
			o.down(h.arc)
		}
	}
	// What had no path before and is dropped now.
	for _, k := range n.bySource[n.sourceStart[v]:n.sourceStart[v+1]] {
		if r := o.base.rows[n.rowAt(k)]; r != nil && !o.removed[n.rowNode[n.rowAt(k)]] && r.dist[v] >= unreachable {
			o.lost -= n.volume[k]
			o.lostPairs--
		}
	}
	if i := n.rowOf[v]; i >= 0 {
		for k := n.rowStart[i]; k < n.rowStart[i+1]; k++ {
			// A source that was removed earlier in this change has been counted.
			if u := n.source[k]; !o.removed[u] && o.base.rows[i].dist[u] >= unreachable {
				o.lost -= n.volume[k]
				o.lostPairs--
			}
		}
	}
}

// undo takes the change away again.
func (o *overlay) undo() {
	for _, a := range o.arcs {
		o.view.metric[a], o.arcSeen[a] = o.base.view.metric[a], false
	}
	for _, v := range o.nodes {
		o.removed[v] = o.base.removed[v]
	}
	for _, v := range o.blocked {
		o.view.blocked[v] = o.base.view.blocked[v]
	}
	for _, a := range o.capacArc {
		o.capacity[a] = o.base.capacity[a]
	}
	o.arcs, o.nodes, o.blocked, o.capacArc = o.arcs[:0], o.nodes[:0], o.blocked[:0], o.capacArc[:0]
	o.loads.reset()
	o.lost, o.lostPairs, o.dropped, o.cut, o.cuts = 0, 0, 0, 0, 0
}

// restoreMembers is the part of undo that only changes with lost members need.
func (o *overlay) restoreMembers(c change) {
	for _, l := range c.lost {
		o.members[l] = o.base.members[l]
	}
}

// evaluate lays the change over the state, computes what it carries, and takes
// it away again. It allocates nothing once its buffers have grown.
func (o *overlay) evaluate(c change) Result {
	o.apply(c)
	for i := range o.base.rows {
		if o.concerns(i, o.net.allFlow) {
			o.move(i)
		}
	}
	r := o.result()
	o.undo()
	o.restoreMembers(c)
	return r
}

// result puts the whole together: among the arcs that nothing touched, the
// busiest is the first in the order of the base.
func (o *overlay) result() Result {
	s := o.base
	r := Result{Worst: -1, Dropped: s.result.Dropped + o.dropped, TotalLoad: s.result.TotalLoad, cut: o.cut, cuts: o.cuts}
	if pairs := s.result.UnroutableDemands + o.lostPairs; pairs > 0 {
		r.Unroutable, r.UnroutableDemands = s.result.Unroutable+o.lost, pairs
	}
	for _, a := range o.capacArc {
		o.loads.add(a, 0)
	}
	for _, a := range o.loads.touched {
		load := settle(s.load[a]+o.loads.delta[a], s.load[a])
		r.TotalLoad += load - s.load[a]
		r.worse(load/o.capacity[a], int(a))
	}
	if a := o.untouched(s.leading()); a >= 0 {
		r.worse(s.load[a]/s.capacity[a], int(a))
	} else if a := o.untouched(s.ordered()); a >= 0 {
		r.worse(s.load[a]/s.capacity[a], int(a))
	}
	r.TotalLoad = settle(r.TotalLoad, s.result.TotalLoad)
	return r
}

// untouched is the first arc of the list that the change does not touch, -1 for
// none.
func (o *overlay) untouched(arcs []int32) int32 {
	for _, a := range arcs {
		if !o.loads.seen[a] {
			return a
		}
	}
	return -1
}

func (r *Result) worse(use float64, a int) {
	switch {
	case r.Worst < 0, use > r.MaxUtilisation*(1+tolerance):
		r.MaxUtilisation, r.Worst = use, a
	case use >= r.MaxUtilisation*(1-tolerance):
		r.MaxUtilisation, r.Worst = max(use, r.MaxUtilisation), min(a, r.Worst)
	}
}

// concerns reports whether the change touches a shortest path of row i. With
// flow, paths that carry nothing do not count.
func (o *overlay) concerns(i int, flow bool) bool {
	r := o.base.rows[i]
	if r == nil {
		return false
	}
	t := o.net.rowNode[i]
	if o.removed[t] {
		return true
	}
	for _, a := range o.arcs {
		if flow && r.flow[o.net.from[a]] == 0 {
			continue
		}
		if o.dearer(r, a, t) {
			return true
		}
	}
	return false
}

// dearer reports whether the arc lies on a shortest path to t and costs more
// now.
func (o *overlay) dearer(r *row, a, t int32) bool {
	return r.next.has(o.net.outPlace[a]) && o.net.cost(&o.view, a, t) != o.net.cost(&o.base.view, a, t)
}

// commit returns row i as it is after the change, and whether it differs. The
// row is nil where its destination is removed.
func (o *overlay) commit(i int) (*row, bool) {
	old := o.base.rows[i]
	if old == nil || !o.concerns(i, false) && !o.unroutedSource(i) {
		return nil, false
	}
	if o.removed[o.net.rowNode[i]] {
		o.move(i)
		return nil, true
	}
	r := &row{dist: slices.Clone(old.dist), flow: slices.Clone(old.flow), next: slices.Clone(old.next)}
	o.moveInto(i, r)
	n := o.net
	for k := n.rowStart[i]; k < n.rowStart[i+1]; k++ {
		if u := n.source[k]; !o.removed[u] && r.dist[u] >= unreachable {
			r.lost += n.volume[k]
			r.pairs++
		}
	}
	return r, true
}

// unroutedSource reports whether a newly removed node had a demand of row i
// that already had no path.
func (o *overlay) unroutedSource(i int) bool {
	r := o.base.rows[i]
	if r.pairs == 0 {
		return false
	}
	return slices.ContainsFunc(o.nodes, func(v int32) bool { return r.dist[v] >= unreachable })
}

func (o *overlay) move(i int) { o.moveInto(i, nil) }

// moveInto computes what the change does to the loads of row i, and to the row
// itself where into, a copy of it, is not nil.
func (o *overlay) moveInto(i int, into *row) {
	r, t := o.base.rows[i], o.net.rowNode[i]
	if o.removed[t] {
		o.takeAway(r, t)
		return
	}
	o.findFurther(r, t)
	o.distances(r, t)
	o.moveFlow(i, r, t, into)
	if into != nil {
		for _, v := range o.furtherOf {
			into.dist[v] = o.further[v]
		}
		for _, v := range o.structural {
			for p := o.net.outStart[v]; p < o.net.outStart[v+1]; p++ {
				into.next.drop(p)
				if o.tightNow(r, v, o.net.outHops[p], t) {
					into.next.add(p)
				}
			}
		}
	}
	for _, v := range o.furtherOf {
		o.isFurther[v], o.settled[v] = false, false
	}
	for _, v := range o.structural {
		o.moves[v] = false
	}
	o.furtherOf, o.structural = o.furtherOf[:0], o.structural[:0]
}

// takeAway removes all the load of a row.
func (o *overlay) takeAway(r *row, t int32) {
	n := o.net
	for u, f := range r.flow {
		if f == 0 || int32(u) == t {
			continue
		}
		start, end := n.outStart[u], n.outStart[u+1]
		f /= -float64(r.next.count(start, end))
		for p := r.next.after(start, end); p < end; p = r.next.after(p+1, end) {
			o.loads.add(n.outHops[p].arc, f)
		}
	}
}

func (o *overlay) structure(v int32) {
	if !o.moves[v] {
		o.moves[v] = true
		o.structural = append(o.structural, v)
	}
}

// findFurther marks the nodes that get further away, and those whose next hops
// change.
func (o *overlay) findFurther(r *row, t int32) {
	n := o.net
	o.heap.reset()
	enqueue := func(v int32) {
		o.structure(v)
		if !o.queued[v] {
			o.queued[v] = true
			o.heap.push(r.dist[v], v)
		}
	}
	for _, a := range o.arcs {
		if o.dearer(r, a, t) {
			enqueue(n.from[a])
		}
	}
	for len(o.heap.items) > 0 {
		_, u := o.heap.pop()
		o.queued[u] = false
		if o.hasNext(r, u, t) {
			continue
		}
		o.isFurther[u] = true
		o.further[u] = unreachable
		o.furtherOf = append(o.furtherOf, u)
		for _, h := range n.inHops[n.inStart[u]:n.inStart[u+1]] {
			if r.next.has(n.outPlace[h.arc]) {
				enqueue(h.node)
			}
		}
	}
}

// hasNext reports whether u keeps a next hop of its old distance.
func (o *overlay) hasNext(r *row, u, t int32) bool {
	n := o.net
	end := n.outStart[u+1]
	for p := r.next.after(n.outStart[u], end); p < end; p = r.next.after(p+1, end) {
		if h := n.outHops[p]; !o.isFurther[h.node] && n.tight(&o.view, r.dist, u, h, t) {
			return true
		}
	}
	return false
}

// distances computes the new distances of the nodes that get further away.
func (o *overlay) distances(r *row, t int32) {
	n := o.net
	for _, u := range o.furtherOf {
		for _, h := range n.outHops[n.outStart[u]:n.outStart[u+1]] {
			if o.isFurther[h.node] || r.dist[h.node] >= unreachable {
				continue
			}
			if c := n.cost(&o.view, h.arc, t); c < unreachable && c+r.dist[h.node] < o.further[u] {
				o.further[u] = c + r.dist[h.node]
			}
		}
		if o.further[u] < unreachable {
			o.heap.push(o.further[u], u)
		}
	}
	for len(o.heap.items) > 0 {
		_, v := o.heap.pop()
		if o.settled[v] {
			continue
		}
		o.settled[v] = true
		for _, h := range n.inHops[n.inStart[v]:n.inStart[v+1]] {
			if !o.isFurther[h.node] || o.settled[h.node] {
				continue
			}
			if c := n.cost(&o.view, h.arc, t); c < unreachable && c+o.further[v] < o.further[h.node] {
				o.further[h.node] = c + o.further[v]
				o.heap.push(o.further[h.node], h.node)
			}
		}
	}
}

// at is the distance of v after the change.
func (o *overlay) at(r *row, v int32) int64 {
	if o.isFurther[v] {
		return o.further[v]
	}
	return r.dist[v]
}

// tightNow reports whether the hop of u lies on a shortest path after the
// change.
func (o *overlay) tightNow(r *row, u int32, h hop, t int32) bool {
	if o.view.metric[h.arc] < 0 {
		return false
	}
	d, next := o.at(r, u), o.at(r, h.node)
	if d >= unreachable || next >= unreachable {
		return false
	}
	if !o.view.blocked[h.node] || h.node == t {
		return o.view.metric[h.arc]+next == d
	}
	c := o.net.cost(&o.view, h.arc, t)
	return c < unreachable && c+next == d
}

func (o *overlay) arrive(r *row, v int32, f float64) {
	o.inFlow[v] += f
	if !o.queued[v] {
		o.queued[v] = true
		o.flowHeap.push(-o.at(r, v), v)
	}
}

// moveFlow moves the flow of the nodes whose next hops change, and what follows
// downstream. All that the old next hops got is taken back first; then nodes
// are taken from the furthest to the nearest, so that each is complete when
// its turn comes.
func (o *overlay) moveFlow(i int, r *row, t int32, into *row) {
	n := o.net
	o.flowHeap.reset()
	for _, u := range o.structural {
		o.arrive(r, u, 0)
		if r.flow[u] == 0 {
			continue
		}
		start, end := n.outStart[u], n.outStart[u+1]
		f := -r.flow[u] / float64(r.next.count(start, end))
		for p := r.next.after(start, end); p < end; p = r.next.after(p+1, end) {
			h := n.outHops[p]
			o.loads.add(h.arc, f)
			o.arrive(r, h.node, f)
		}
	}
	for len(o.flowHeap.items) > 0 {
		_, u := o.flowHeap.pop()
		o.queued[u] = false
		delta := o.inFlow[u]
		o.inFlow[u] = 0
		now := settle(r.flow[u]+delta, r.flow[u])
		if u == t {
			if into != nil {
				into.flow[u] = now
			}
			continue
		}
		if o.at(r, u) >= unreachable {
			if into != nil {
				into.flow[u] = 0
			}
			if !o.removed[u] && r.dist[u] < unreachable {
				for k := n.firstOf(i, u); k < n.rowStart[i+1] && n.source[k] == u; k++ {
					o.lost += n.volume[k]
					o.lostPairs++
					o.cut += n.volume[k]
					o.cuts++
				}
			}
			continue
		}
		if into != nil {
			into.flow[u] = now
		}
		start, end := n.outStart[u], n.outStart[u+1]
		if !o.moves[u] { // its next hops are the old ones
			if delta == 0 {
				continue
			}
			f := delta / float64(r.next.count(start, end))
			for p := r.next.after(start, end); p < end; p = r.next.after(p+1, end) {
				h := n.outHops[p]
				o.loads.add(h.arc, f)
				o.arrive(r, h.node, f)
			}
			continue
		}
		if now == 0 {
			continue
		}
		out := n.outHops[start:end]
		ways := 0
		for _, h := range out {
			if o.tightNow(r, u, h, t) {
				ways++
			}
		}
		f := now / float64(ways)
		for _, h := range out {
			if o.tightNow(r, u, h, t) {
				o.loads.add(h.arc, f)
				o.arrive(r, h.node, f)
			}
		}
	}
}

// firstOf is the first place of row i whose source is u or beyond.
func (n *Network) firstOf(i int, u int32) int32 {
	k, _ := slices.BinarySearch(n.source[n.rowStart[i]:n.rowStart[i+1]], u)
	return n.rowStart[i] + int32(k)
}

// Each evaluates many changes, each by itself on top of s, on all processors.
// The results are in the order of the changes. The error wraps [ErrUnknown] or
// [ErrInvalid]. Cost of one change: a look at the touched arcs for each
// destination, and the nodes whose flow moves.
func (s *State) Each(changes []Change) ([]Result, error) {
	resolved := make([]change, len(changes))
	for i, c := range changes {
		ch, err := s.net.resolve(c)
		if err != nil {
			return nil, err
		}
		resolved[i] = ch
	}
	return s.each(resolved), nil
}

func (s *State) each(changes []change) []Result {
	out := make([]Result, len(changes))
	parallel(len(changes), func() func(int) {
		o := newOverlay(s)
		return func(i int) { out[i] = o.evaluate(changes[i]) }
	})
	return out
}
