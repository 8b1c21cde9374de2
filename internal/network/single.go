package network

import "slices"

// singlePaths lists the demands that have a path and depend on a single link,
// by rising index.
func (s *State) singlePaths(before *State) []SinglePath {
	n := s.net
	found := make([][]int, len(n.rowNode)) // demands by row
	answers := make([][]SinglePath, len(n.rowNode))
	safe := s.twiceJoined()
	parallel(len(n.rowNode), func() func(int) {
		now, then := newDominators(n), newDominators(n)
		return func(i int) {
			if s.rows[i] == nil || !s.doubtful(safe, i) {
				return
			}
			now.compute(&s.view, n.rowNode[i])
			if before.rows[i] != nil {
				then.compute(&before.view, n.rowNode[i])
			}
			for k := n.rowStart[i]; k < n.rowStart[i+1]; k++ {
				u := n.source[k]
				if s.removed[u] || s.rows[i].dist[u] >= unreachable {
					continue
				}
				links, nodes := now.chain(u)
				if len(links) == 0 {
					continue
				}
				d := n.demands[n.demandOf[k]]
				old := []string(nil)
				if before.rows[i] != nil && !before.removed[u] && before.rows[i].dist[u] < unreachable {
					old, _ = then.chain(u)
				}
				found[i] = append(found[i], int(n.demandOf[k]))
				answers[i] = append(answers[i], SinglePath{d.Name, d.From, d.To, d.Volume, links, nodes, len(old) > 0})
			}
		}
	})
	type place struct{ demand, row, at int }
	var places []place
	for i := range found {
		for j, d := range found[i] {
			places = append(places, place{d, i, j})
		}
	}
	slices.SortFunc(places, func(a, b place) int { return a.demand - b.demand })
	var out []SinglePath
	for _, p := range places {
		out = append(out, answers[p.row][p.at])
	}
	return out
}

// doubtful reports whether a demand of row i is not known to have two ways
// without a link in common.
func (s *State) doubtful(safe []int32, i int) bool {
	n := s.net
	to := safe[n.rowNode[i]]
	for k := n.rowStart[i]; k < n.rowStart[i+1]; k++ {
		u := n.source[k]
		if !s.removed[u] && s.rows[i].dist[u] < unreachable && (to < 0 || safe[u] != to) {
			return true
		}
	}
	return false
}

// twiceJoined gives each node the number of a set whose members are all joined
// by two ways without a link in common, -1 for none: the parts that are left of
// the devices that pass traffic on when all bridges are taken away, and with
// them the hosts and drained devices that have two links into one part. It
// looks at links that work in both directions only, so what it says is sure, and
// what it does not say is open.
//
// Source: Tarjan, A Note on Finding the Bridges of a Graph, Inf. Proc. Letters 2
// (1974) 160-161.
func (s *State) twiceJoined() []int32 {
	n := s.net
	part := make([]int32, len(n.nodes))
	seen := make([]int32, len(n.nodes)) // when a node was met, from 1
	low := make([]int32, len(n.nodes))  // the earliest that its subtree reaches
	at := make([]int32, len(n.nodes))
	up := make([]int32, len(n.nodes)) // the link by which it was met
	both := s.bothWays()
	var path, open []int32
	clock, parts := int32(0), int32(0)
	meet := func(v, link int32) {
		clock++
		seen[v], low[v], at[v], up[v] = clock, clock, n.outStart[v], link
		path, open = append(path, v), append(open, v)
	}
	for root := range n.nodes {
		part[root] = -1
	}
	for root := range n.nodes {
		if s.view.blocked[root] || seen[root] > 0 {
			continue
		}
		meet(int32(root), -1)
		for len(path) > 0 {
			v := path[len(path)-1]
			if at[v] < n.outStart[v+1] {
				h := n.outHops[at[v]]
				at[v]++
				link := n.arcLink[h.arc]
				switch {
				case !both[link] || link == up[v] || s.view.blocked[h.node]:
				case seen[h.node] > 0:
					low[v] = min(low[v], seen[h.node])
				default:
					meet(h.node, link)
				}
				continue
			}
			path = path[:len(path)-1]
			if len(path) > 0 {
				parent := path[len(path)-1]
				low[parent] = min(low[parent], low[v])
			}
			if low[v] == seen[v] { // what is open down to v is a part
				for {
					x := open[len(open)-1]
					open = open[:len(open)-1]
					part[x] = parts
					if x == v {
						break
					}
				}
				parts++
			}
		}
	}
	for v := range n.nodes {
		if !s.view.blocked[v] {
			continue
		}
		joins := map[int32]int32{} // the first link into a part
		for _, h := range n.outHops[n.outStart[v]:n.outStart[v+1]] {
			link := n.arcLink[h.arc]
			if !both[link] || s.view.blocked[h.node] {
				continue
			}
			if first, ok := joins[part[h.node]]; !ok {
				joins[part[h.node]] = link
			} else if first != link && part[v] < 0 {
				part[v] = part[h.node]
			}
		}
	}
	return part
}

// bothWays marks the links of two arcs that run against each other and are up.
func (s *State) bothWays() []bool {
	n := s.net
	both := make([]bool, len(n.links))
	for l := range both {
		arcs := n.linkArc[n.linkStart[l]:n.linkStart[l+1]]
		both[l] = len(arcs) == 2 && n.from[arcs[0]] == n.to[arcs[1]] && n.to[arcs[0]] == n.from[arcs[1]] &&
			s.view.metric[arcs[0]] >= 0 && s.view.metric[arcs[1]] >= 0
	}
	return both
}

// dominators finds what every path from a node to a destination passes: the
// dominators of the graph in which each arc is a vertex between its ends, from
// the destination backwards. A link that is cut cuts nothing that neither of
// its arcs alone would: a path that uses it one way and one that uses it the
// other way join to a path without it.
//
// Source: Cooper, Harvey and Kennedy, A Simple, Fast Dominance Algorithm, Rice
// University TR-06-33870 (2001).
type dominators struct {
	net     *Network
	target  int32
	view    *view
	idom    []int32 // by vertex: a node, or an arc + number of nodes; -1 unknown
	rank    []int32 // place in reverse postorder
	order   []int32 // vertices by rank
	next    []int32 // next hop to look at, for the search
	stack   []int32
	visible []bool // arcs that can be used
}

func newDominators(n *Network) *dominators {
	size := len(n.nodes) + len(n.arcs)
	return &dominators{net: n, idom: make([]int32, size), rank: make([]int32, size), next: make([]int32, len(n.nodes)), visible: make([]bool, len(n.arcs))}
}

func (d *dominators) compute(w *view, t int32) {
	n := d.net
	d.target = t
	count := int32(len(n.nodes))
	for i := range d.idom {
		d.idom[i], d.rank[i] = -1, -1
	}
	for a := range d.visible {
		d.visible[a] = n.cost(w, int32(a), t) < unreachable && !d.own(w, int32(a), t)
	}
	d.view = w
	// Depth-first from the destination; postorder reversed afterwards. rank is
	// -2 while a node is open.
	d.order = d.order[:0]
	copy(d.next, n.inStart[:count])
	d.stack = append(d.stack[:0], t)
	d.rank[t] = -2
	for len(d.stack) > 0 {
		v := d.stack[len(d.stack)-1]
		if v >= count { // an arc whose tail is done
			d.stack = d.stack[:len(d.stack)-1]
			d.order = append(d.order, v)
			continue
		}
		if d.next[v] == n.inStart[v+1] {
			d.stack = d.stack[:len(d.stack)-1]
			d.order = append(d.order, v)
			continue
		}
		h := n.inHops[d.next[v]]
		d.next[v]++
		if !d.visible[h.arc] {
			continue
		}
		d.rank[count+h.arc] = -2
		d.stack = append(d.stack, count+h.arc)
		if d.rank[h.node] == -1 {
			d.rank[h.node] = -2
			d.stack = append(d.stack, h.node)
		}
	}
	slices.Reverse(d.order)
	for i, v := range d.order {
		d.rank[v] = int32(i)
	}
	d.idom[t] = t
	for changed := true; changed; {
		changed = false
		for _, v := range d.order[1:] {
			best := int32(-1)
			if v >= count {
				best = n.to[v-count]
			} else {
				for _, h := range n.outHops[n.outStart[v]:n.outStart[v+1]] {
					p := count + h.arc
					if d.rank[p] < 0 || d.idom[p] < 0 {
						continue
					}
					if best < 0 {
						best = p
					} else {
						best = d.meet(best, p)
					}
				}
			}
			if d.idom[v] != best {
				d.idom[v] = best
				changed = true
			}
		}
	}
}

// own reports whether an arc is none that others may take through its tail: a
// blocked gateway passes traffic only straight to the host that is attached to
// it, whatever its own traffic does.
func (d *dominators) own(w *view, arc, t int32) bool {
	n := d.net
	v := n.from[arc]
	return w.blocked[v] && !n.host[v] && n.host[t] && n.to[arc] != t && n.attaches(w, v, t)
}

// otherWay reports whether u, a blocked gateway of the target, can reach it by
// a neighbour too.
func (d *dominators) otherWay(u int32) bool {
	n := d.net
	for _, h := range n.outHops[n.outStart[u]:n.outStart[u+1]] {
		if d.idom[h.node] < 0 || !d.own(d.view, h.arc, d.target) || n.cost(d.view, h.arc, d.target) >= unreachable {
			continue
		}
		v := h.node
		for v != u && v != d.target {
			v = d.idom[v]
		}
		if v != u {
			return true
		}
	}
	return false
}

func (d *dominators) meet(a, b int32) int32 {
	for a != b {
		for d.rank[a] > d.rank[b] {
			a = d.idom[a]
		}
		for d.rank[b] > d.rank[a] {
			b = d.idom[b]
		}
	}
	return a
}

// chain returns the links and the nodes that every path from u passes, without
// the two ends, from u to the destination.
func (d *dominators) chain(u int32) (links, nodes []string) {
	n := d.net
	count := int32(len(n.nodes))
	for _, v := range d.vertices(u) {
		if v >= count {
			links = append(links, n.links[n.arcLink[v-count]])
		} else {
			nodes = append(nodes, n.nodes[v].Name)
		}
	}
	return links, nodes
}

// vertices are the vertices that every path from u passes. What a host sends
// counts as its gateways' own traffic.
func (d *dominators) vertices(u int32) []int32 {
	n := d.net
	count := int32(len(n.nodes))
	if d.idom[u] < 0 {
		return nil
	}
	var common []int32
	if n.host[u] {
		first := true
		for _, h := range n.outHops[n.outStart[u]:n.outStart[u+1]] {
			if !d.visible[h.arc] || d.idom[h.node] < 0 {
				continue
			}
			way := []int32{count + h.arc}
			if h.node != d.target {
				way = append(append(way, h.node), d.vertices(h.node)...)
			}
			if !first {
				common = slices.DeleteFunc(common, func(v int32) bool { return !slices.Contains(way, v) })
				continue
			}
			common, first = way, false
		}
		return common
	}
	if d.otherWay(u) {
		return nil
	}
	for v := d.idom[u]; v != d.target; v = d.idom[v] {
		common = append(common, v)
	}
	return common
}
