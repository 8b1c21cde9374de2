package network

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"towpath/internal/document"
)

// How says in which way a device is taken out of the traffic.
type How int

// The ways.
const (
	// Remove takes the device away: no transit, and what starts or ends at it
	// is dropped.
	Remove How = iota
	// NoTransit lets no path pass through the device, not even the only one; it
	// keeps its own traffic. Source: ISO/IEC 10589 §7.2.8.1, RFC 3787 §4.
	NoTransit
	// MaxMetric makes every way out of the device the last resort.
	// Source: RFC 6987 §2.
	MaxMetric
)

// String is the name of the way in files.
func (h How) String() string {
	switch h {
	case Remove:
		return "remove"
	case NoTransit:
		return "notransit"
	case MaxMetric:
		return "maxmetric"
	}
	return fmt.Sprintf("How(%d)", int(h))
}

// Drain is a device that is taken out.
type Drain struct {
	Node string
	How  How
}

// Change is what differs from a [State].
type Change struct {
	Drains []Drain
	Links  []string       // failed, both directions
	Lost   map[string]int // members lost, by link that stands in the aggregates
}

// change is a Change by index.
type change struct {
	nodes []int32
	how   []How
	links []int32
	lost  []int32 // links that lose members
	count []int32 // how many, besides those lost before
}

// Result is what one state carries. Volumes and loads have the unit of the
// demands.
type Result struct {
	// MaxUtilisation is the largest load divided by capacity over all arcs, and
	// Worst the lowest index of an arc within 1e-9 of it that [State.Each] or
	// [State.Result] met, -1 in a network without arcs.
	MaxUtilisation    float64
	Worst             int
	TotalLoad         float64 // sum over the arcs
	Dropped           float64 // demand from or to removed nodes
	Unroutable        float64 // demand whose ends exist and that has no path
	UnroutableDemands int     // how many demands that are

	// cut and cuts are the demand that had a path in the base of an evaluation.
	cut  float64
	cuts int
}

// State is a network after some change, with all its rows.
type State struct {
	net      *Network
	view     view
	removed  []bool
	capacity []float64
	members  []int32 // left, by link
	rows     []*row  // nil where the destination is removed
	load     []float64
	order    sync.Once
	byUse    []int32 // see ordered
	top      sync.Once
	busiest  []int32 // see leading
	result   Result
	drains   []Drain
	failed   []bool // by link
}

// Intact computes the state in which everything works, with as many goroutines
// as there are processors. Cost: destinations × (arcs + nodes log nodes); memory
// 16 octets for each destination and node, and a bit for each destination and
// arc.
func (n *Network) Intact() *State {
	s := &State{
		net: n, view: view{slices.Clone(n.metric), slices.Clone(n.host)}, removed: make([]bool, len(n.nodes)),
		capacity: slices.Clone(n.capacity), members: slices.Clone(n.members), failed: make([]bool, len(n.links)),
	}
	s.scratch()
	return s
}

// FromScratch computes the same state again without using any other.
func (s *State) FromScratch() *State {
	c := s.clone()
	c.scratch()
	return c
}

func (s *State) clone() *State {
	return &State{
		net: s.net, view: view{slices.Clone(s.view.metric), slices.Clone(s.view.blocked)}, removed: slices.Clone(s.removed),
		capacity: slices.Clone(s.capacity), members: slices.Clone(s.members), rows: slices.Clone(s.rows),
		load: slices.Clone(s.load), drains: slices.Clone(s.drains), failed: slices.Clone(s.failed), result: s.result,
	}
}

// parallel calls work(worker, i) for each i below count from as many goroutines
// as there are processors.
func parallel(count int, work func() func(i int)) {
	var next atomic.Int64
	var wait sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), count) {
		wait.Go(func() {
			f := work()
			for {
				i := int(next.Add(1)) - 1
				if i >= count {
					return
				}
				f(i)
			}
		})
	}
	wait.Wait()
}

func (s *State) scratch() {
	n := s.net
	s.rows = make([]*row, len(n.rowNode))
	s.load = make([]float64, len(n.arcs))
	var mu sync.Mutex
	// The rows are summed in blocks of fixed size, so that the loads do not
	// depend on which goroutine took which.
	const block = 16
	blocks := (len(s.rows) + block - 1) / block
	sums := make([][]float64, blocks)
	added := 0
	parallel(blocks, func() func(int) {
		var work scratch
		return func(b int) {
			load := make([]float64, len(n.arcs))
			for i := b * block; i < min(len(s.rows), (b+1)*block); i++ {
				if s.removed[n.rowNode[i]] {
					continue
				}
				r := &row{dist: make([]int64, len(n.nodes)), flow: make([]float64, len(n.nodes)), next: newSet(len(n.arcs))}
				n.distances(&s.view, n.rowNode[i], r, &work)
				n.flows(&s.view, s.removed, i, r, &work, load)
				s.rows[i] = r
			}
			mu.Lock()
			defer mu.Unlock()
			for sums[b] = load; added < blocks && sums[added] != nil; added++ {
				for a, l := range sums[added] {
					s.load[a] += l
				}
				sums[added] = nil
			}
		}
	})
	s.finish()
}

// finish computes everything that follows from rows and loads.
func (s *State) finish() {
	n := s.net
	r := Result{Worst: -1, Dropped: n.dropped(s.removed)}
	for _, x := range s.rows {
		if x != nil {
			r.Unroutable += x.lost
			r.UnroutableDemands += x.pairs
		}
	}
	if r.UnroutableDemands == 0 {
		r.Unroutable = 0 // whatever subtracting left
	}
	most := 0.0
	for a, load := range s.load {
		r.TotalLoad += load
		u := load / s.capacity[a]
		if r.Worst < 0 || u > r.MaxUtilisation*(1+tolerance) {
			r.MaxUtilisation, r.Worst = u, a
		}
		if u > most { // so that no capacity of 0 spreads
			most = u
		}
	}
	r.MaxUtilisation = most
	s.result = r
}

// ordered are the arcs by falling utilisation. They are sorted when they are
// first asked for: most states of a what-if are only looked at for the worst.
func (s *State) ordered() []int32 {
	s.order.Do(func() {
		use := make([]float64, len(s.load))
		s.byUse = make([]int32, len(s.load))
		for a := range use {
			use[a], s.byUse[a] = s.load[a]/s.capacity[a], int32(a) //nolint:gosec // the arcs are few
		}
		slices.SortFunc(s.byUse, func(a, b int32) int {
			return cmp.Or(cmp.Compare(use[b], use[a]), cmp.Compare(a, b))
		})
	})
	return s.byUse
}

// leading are the first of [State.ordered], found without sorting the others: a
// change rarely touches them all.
func (s *State) leading() []int32 {
	s.top.Do(func() {
		const most = 64
		use := func(a int32) float64 { return s.load[a] / s.capacity[a] }
		before := func(a, b int32) bool { return use(a) > use(b) || use(a) == use(b) && a < b }
		// A heap whose root is the last of those that lead so far.
		var h []int32
		sink := func(i int) {
			for {
				c := 2*i + 1
				if c >= len(h) {
					return
				}
				if c+1 < len(h) && before(h[c], h[c+1]) {
					c++
				}
				if !before(h[i], h[c]) {
					return
				}
				h[i], h[c] = h[c], h[i]
				i = c
			}
		}
		for a := range int32(len(s.load)) { //nolint:gosec // the arcs are few
			switch {
			case len(h) < most:
				if h = append(h, a); len(h) == most {
					for i := most/2 - 1; i >= 0; i-- {
						sink(i)
					}
				}
			case before(a, h[0]):
				h[0] = a
				sink(0)
			}
		}
		slices.SortFunc(h, func(a, b int32) int {
			return cmp.Or(cmp.Compare(use(b), use(a)), cmp.Compare(a, b))
		})
		s.busiest = h
	})
	return s.busiest
}

// tolerance is the relative difference below which two loads are alike.
const tolerance = 1e-9

// dropped is the demand from or to removed nodes.
func (n *Network) dropped(removed []bool) float64 {
	sum := 0.0
	before := make([]bool, len(removed))
	for v, out := range removed {
		if out {
			sum += n.droppedAt(int32(v), before)
			before[v] = true
		}
	}
	return sum
}

// droppedAt is the demand from or to v whose other end has not been removed
// before.
func (n *Network) droppedAt(v int32, before []bool) float64 {
	sum := 0.0
	if i := n.rowOf[v]; i >= 0 {
		for k := n.rowStart[i]; k < n.rowStart[i+1]; k++ {
			if !before[n.source[k]] {
				sum += n.volume[k]
			}
		}
	}
	for _, k := range n.bySource[n.sourceStart[v]:n.sourceStart[v+1]] {
		if !before[n.rowNode[n.rowAt(k)]] {
			sum += n.volume[k]
		}
	}
	return sum
}

// rowAt is the row in which place k of the demands stands.
func (n *Network) rowAt(k int32) int32 {
	i, found := slices.BinarySearch(n.rowStart, k)
	if !found {
		i--
	}
	return int32(i)
}

// Network returns what the state is a state of.
func (s *State) Network() *Network { return s.net }

// Result returns what the state carries.
func (s *State) Result() Result { return s.result }

// Loads returns the load of every arc, in the unit of the demands.
func (s *State) Loads() []float64 { return slices.Clone(s.load) }

// Capacities returns the capacity of every arc, less what lost members took.
func (s *State) Capacities() []float64 { return slices.Clone(s.capacity) }

// Up reports for every arc whether it can be used.
func (s *State) Up() []bool {
	up := make([]bool, len(s.view.metric))
	for a, m := range s.view.metric {
		up[a] = m >= 0
	}
	return up
}

// Drains returns the devices that are taken out, in the order in which they
// were.
func (s *State) Drains() []Drain { return slices.Clone(s.drains) }

// Busiest returns the arcs whose utilisation is within 1e-9 of the largest, by
// rising index.
func (s *State) Busiest() []int {
	var arcs []int
	for a, load := range s.load {
		if load/s.capacity[a] >= s.result.MaxUtilisation*(1-tolerance) {
			arcs = append(arcs, a)
		}
	}
	return arcs
}

// Distance returns the cost of the shortest path, and whether there is one. to
// must be the destination of some demand; of others nothing is computed.
func (s *State) Distance(from, to string) (int64, bool) {
	u, okFrom := s.net.nodeIndex[from]
	t, okTo := s.net.nodeIndex[to]
	if !okFrom || !okTo || s.net.rowOf[t] < 0 || s.rows[s.net.rowOf[t]] == nil {
		return 0, false
	}
	d := s.rows[s.net.rowOf[t]].dist[u]
	return d, d < unreachable && !s.removed[u]
}

// Unroutable returns the demands whose ends exist and that have no path, by
// rising index.
func (s *State) Unroutable() []int {
	var out []int
	n := s.net
	for i, r := range s.rows {
		if r == nil || r.pairs == 0 {
			continue
		}
		for k := n.rowStart[i]; k < n.rowStart[i+1]; k++ {
			if u := n.source[k]; !s.removed[u] && r.dist[u] >= unreachable {
				out = append(out, int(n.demandOf[k]))
			}
		}
	}
	slices.Sort(out)
	return out
}

// Dropped returns the demands from or to removed nodes, by rising index.
func (s *State) Dropped() []int {
	n := s.net
	if !slices.Contains(s.removed, true) {
		return nil
	}
	var out []int
	for i, t := range n.rowNode {
		for k := n.rowStart[i]; k < n.rowStart[i+1]; k++ {
			if s.removed[t] || s.removed[n.source[k]] {
				out = append(out, int(n.demandOf[k]))
			}
		}
	}
	slices.Sort(out)
	return out
}

// near adds the known name that was probably meant.
func near(name string, known map[string]int32) string {
	if x := document.Nearest(name, slices.Sorted(maps.Keys(known))); x != "" {
		return fmt.Sprintf("; did you mean %q?", x)
	}
	return ""
}

// resolve looks the names up. The error wraps [ErrUnknown] or [ErrInvalid] and
// names each mistake.
func (n *Network) resolve(c Change) (change, error) {
	var out change
	var errs []error
	for _, d := range c.Drains {
		v, ok := n.nodeIndex[d.Node]
		switch {
		case !ok:
			errs = append(errs, fmt.Errorf("%w: drain of %q, which is not in the topology%s", ErrUnknown, d.Node, near(d.Node, n.nodeIndex)))
			continue
		case n.host[v]:
			errs = append(errs, fmt.Errorf("%w: drain of %q, which is a host, want a device", ErrInvalid, d.Node))
		case d.How != Remove && d.How != NoTransit && d.How != MaxMetric:
			errs = append(errs, fmt.Errorf("%w: drain of %q by %v, want remove, notransit or maxmetric", ErrInvalid, d.Node, d.How))
		}
		out.nodes, out.how = append(out.nodes, v), append(out.how, d.How)
	}
	for _, name := range c.Links {
		l, ok := n.linkIndex[name]
		if !ok {
			errs = append(errs, fmt.Errorf("%w: failure of the link %q, which is not in the topology%s", ErrUnknown, name, near(name, n.linkIndex)))
		}
		out.links = append(out.links, l)
	}
	for _, name := range slices.Sorted(maps.Keys(c.Lost)) {
		l, ok := n.linkIndex[name]
		switch lost := c.Lost[name]; {
		case !ok:
			errs = append(errs, fmt.Errorf("%w: lost members of the link %q, which is not in the topology", ErrUnknown, name))
		case lost < 0 || lost > int(n.members[l]):
			errs = append(errs, fmt.Errorf("%w: link %q: found %d members lost, want 0 to %d", ErrInvalid, name, lost, n.members[l]))
		default:
			out.lost, out.count = append(out.lost, l), append(out.count, int32(lost))
		}
	}
	return out, errors.Join(errs...)
}

// With returns the state after a further change. Only rows whose shortest-path
// structure the change touches are computed, and in them only the nodes it
// touches; the others are shared with s. A load differs from that of
// [State.FromScratch] by rounding, some 1e-13 of what the arc carried before.
// The error wraps [ErrUnknown] or [ErrInvalid].
func (s *State) With(c Change) (*State, error) {
	ch, err := s.net.resolve(c)
	if err != nil {
		return nil, err
	}
	out := s.with(ch)
	out.drains = append(out.drains, c.Drains...)
	return out, nil
}

func (s *State) with(ch change) *State {
	out := s.clone()
	o := newOverlay(s)
	o.apply(ch)
	copy(out.view.metric, o.view.metric)
	copy(out.view.blocked, o.view.blocked)
	copy(out.removed, o.removed)
	copy(out.capacity, o.capacity)
	copy(out.members, o.members)
	for _, l := range ch.links {
		out.failed[l] = true
	}
	// As in scratch, sums are made in fixed blocks.
	const block = 16
	blocks := (len(s.rows) + block - 1) / block
	type part struct {
		arcs  []int32
		delta []float64
	}
	parts := make([]part, blocks)
	parallel(blocks, func() func(int) {
		w := newOverlay(s)
		w.apply(ch)
		return func(b int) {
			for i := b * block; i < min(len(s.rows), (b+1)*block); i++ {
				if r, changed := w.commit(i); changed {
					out.rows[i] = r
				}
			}
			parts[b].arcs = slices.Clone(w.loads.touched)
			for _, a := range w.loads.touched {
				parts[b].delta = append(parts[b].delta, w.loads.delta[a])
			}
			w.loads.reset()
		}
	})
	for _, p := range parts {
		for i, a := range p.arcs {
			out.load[a] += p.delta[i]
		}
	}
	for a := range out.load {
		out.load[a] = settle(out.load[a], s.load[a])
	}
	out.finish()
	return out
}

// settle takes away what rounding left of a load that had been before.
func settle(now, before float64) float64 {
	if now < 0 || math.Abs(now) <= 1e-12*before {
		return 0
	}
	return now
}
