package network

import "math/bits"

// view is what the routing protocol sees: the metric of each arc, -1 where it
// is down, and the nodes that no path may pass through.
type view struct {
	metric  []int64
	blocked []bool
}

// row is everything about one destination.
type row struct {
	dist []int64   // by node, unreachable where there is no path
	flow []float64 // by node, what passes it or starts at it on the way here
	next set       // places in outHops that lie on a shortest path
	// lost is the demand that has no path, in the unit of the demands; pairs
	// counts it.
	lost  float64
	pairs int
}

// set is a set of places in outHops, a bit each. A node has many hops and few of
// them on a shortest path to one destination; here they are found by words.
type set []uint64

func newSet(size int) set { return make(set, (size+63)/64) }

func (b set) has(p int32) bool { return b[p>>6]>>(p&63)&1 != 0 }

func (b set) add(p int32) { b[p>>6] |= 1 << (p & 63) }

func (b set) drop(p int32) { b[p>>6] &^= 1 << (p & 63) }

// after returns the first member at or after p and before end, or end.
func (b set) after(p, end int32) int32 {
	for p < end {
		if w := b[p>>6] >> (p & 63); w != 0 {
			return min(end, p+int32(bits.TrailingZeros64(w)))
		}
		p = (p | 63) + 1
	}
	return end
}

// count returns how many members there are from start up to end.
func (b set) count(start, end int32) int {
	total := 0
	for p := start; p < end; p = (p | 63) + 1 {
		w := b[p>>6] >> (p & 63)
		if left := end - p; left < 64-p&63 {
			w &= 1<<left - 1
		}
		total += bits.OnesCount64(w)
	}
	return total
}

// cost is what the arc costs on the way to t, unreachable where it cannot be
// used. A blocked node is passed only towards a host that is attached to it:
// such an address is its own, not transit. Hosts fall back on a blocked gateway
// only where they have no other.
//
// Source: ISO/IEC 10589 §7.2.8.1 (overload: the system's own addresses stay
// reachable), common practice for gateways.
func (n *Network) cost(w *view, arc, t int32) int64 {
	m := w.metric[arc]
	if m < 0 {
		return unreachable
	}
	v := n.to[arc]
	if w.blocked[v] && v != t {
		switch {
		case n.host[v]:
			return unreachable
		case n.host[t] && n.attaches(w, v, t):
			return m
		case n.host[n.from[arc]]:
			return m + MetricInfinity
		}
		return unreachable
	}
	return m
}

func (n *Network) attaches(w *view, v, t int32) bool {
	for _, h := range n.outHops[n.outStart[v]:n.outStart[v+1]] {
		if h.node == t && w.metric[h.arc] >= 0 {
			return true
		}
	}
	return false
}

// scratch is what one goroutine needs to compute rows.
type scratch struct {
	heap  heap
	order []int32
}

// distances fills r.dist with Dijkstra's method from the destination backwards
// and leaves the nodes in the order in which they were settled in s.order.
// Cost: O(arcs + nodes log nodes).
func (n *Network) distances(w *view, t int32, r *row, s *scratch) {
	for i := range r.dist {
		r.dist[i] = unreachable
	}
	s.order = s.order[:0]
	s.heap.reset()
	r.dist[t] = 0
	s.heap.push(0, t)
	for len(s.heap.items) > 0 {
		d, v := s.heap.pop()
		if d > r.dist[v] {
			continue
		}
		s.order = append(s.order, v)
		plain := !w.blocked[v] || v == t
		for _, h := range n.inHops[n.inStart[v]:n.inStart[v+1]] {
			c := w.metric[h.arc]
			if c < 0 {
				continue
			}
			if !plain {
				if c = n.cost(w, h.arc, t); c >= unreachable {
					continue
				}
			}
			if d+c < r.dist[h.node] {
				r.dist[h.node] = d + c
				s.heap.push(d+c, h.node)
			}
		}
	}
}

// flows fills the rest of row i, whose next is empty, from r.dist and s.order,
// and adds the loads.
func (n *Network) flows(w *view, removed []bool, i int, r *row, s *scratch, load []float64) {
	t := n.rowNode[i]
	clear(r.flow)
	r.lost, r.pairs = 0, 0
	for k := n.rowStart[i]; k < n.rowStart[i+1]; k++ {
		u := n.source[k]
		switch {
		case removed[u]:
		case r.dist[u] >= unreachable:
			r.lost += n.volume[k]
			r.pairs++
		default:
			r.flow[u] += n.volume[k]
		}
	}
	for j := len(s.order) - 1; j > 0; j-- {
		u := s.order[j]
		start, end := n.outStart[u], n.outStart[u+1]
		ways := 0
		for p := start; p < end; p++ {
			if n.tight(w, r.dist, u, n.outHops[p], t) {
				r.next.add(p)
				ways++
			}
		}
		f := r.flow[u]
		if f == 0 {
			continue
		}
		f /= float64(ways)
		for p := r.next.after(start, end); p < end; p = r.next.after(p+1, end) {
			h := n.outHops[p]
			r.flow[h.node] += f
			load[h.arc] += f
		}
	}
}

// tight reports whether the hop of u lies on a shortest path to t.
func (n *Network) tight(w *view, dist []int64, u int32, h hop, t int32) bool {
	m := w.metric[h.arc]
	if m < 0 || m+dist[h.node] != dist[u] {
		// A blocked gateway of a host costs more than its metric.
		return m >= 0 && w.blocked[h.node] && n.host[u] && h.node != t && dist[u] < unreachable && n.cost(w, h.arc, t)+dist[h.node] == dist[u]
	}
	return dist[u] < unreachable && (!w.blocked[h.node] || h.node == t || n.cost(w, h.arc, t) == m)
}

// heap is a binary heap of nodes by key, smallest first.
type heap struct{ items []item }

type item struct {
	key  int64
	node int32
}

func (h *heap) reset() { h.items = h.items[:0] }

func (h *heap) push(key int64, node int32) {
	h.items = append(h.items, item{})
	i := len(h.items) - 1
	for i > 0 {
		p := (i - 1) / 2
		if h.items[p].key <= key {
			break
		}
		h.items[i] = h.items[p]
		i = p
	}
	h.items[i] = item{key, node}
}

func (h *heap) pop() (int64, int32) {
	top := h.items[0]
	last := h.items[len(h.items)-1]
	h.items = h.items[:len(h.items)-1]
	size := len(h.items)
	if size == 0 {
		return top.key, top.node
	}
	i := 0
	for {
		c := 2*i + 1
		if c >= size {
			break
		}
		if c+1 < size && h.items[c+1].key < h.items[c].key {
			c++
		}
		if h.items[c].key >= last.key {
			break
		}
		h.items[i] = h.items[c]
		i = c
	}
	h.items[i] = last
	return top.key, top.node
}
