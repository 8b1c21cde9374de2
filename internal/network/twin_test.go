package network

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// twin is the slow clear method: Bellman-Ford distances and exact fractions,
// with the rules written down one after the other.
type twin struct {
	top     Topology
	demands []Demand
	hosts   map[string]bool
	down    map[string]bool // links
	how     map[string][]How
	stub    int64
}

func newTwin(top Topology, demands []Demand) *twin {
	w := &twin{top: top, demands: demands, hosts: map[string]bool{}, down: map[string]bool{}, how: map[string][]How{}, stub: 65535}
	for _, x := range top.Nodes {
		w.hosts[x.Name] = x.Host
	}
	for _, a := range top.Arcs {
		if a.Metric > 65535 {
			w.stub = 1<<24 - 2
		}
	}
	return w
}

func (w *twin) removed(v string) bool { return slices.Contains(w.how[v], Remove) }

func (w *twin) usable(a Arc) bool { return !w.down[a.Link] && !w.removed(a.From) && !w.removed(a.To) }

// metric is what an arc costs on the way to t; false where it cannot be used.
func (w *twin) metric(a Arc, t string) (int64, bool) {
	if !w.usable(a) {
		return 0, false
	}
	m := a.Metric
	if slices.Contains(w.how[a.From], MaxMetric) && !w.hosts[a.To] {
		m = max(m, w.stub)
	}
	if a.To == t {
		return m, true
	}
	if w.hosts[a.To] {
		return 0, false
	}
	if !slices.Contains(w.how[a.To], NoTransit) {
		return m, true
	}
	if w.hosts[t] && slices.ContainsFunc(w.top.Arcs, func(b Arc) bool { return b.From == a.To && b.To == t && w.usable(b) }) {
		return m, true
	}
	if w.hosts[a.From] {
		return m + 1<<24 - 1, true
	}
	return 0, false
}

type twinAnswer struct {
	load                []*big.Rat
	dropped, unroutable float64
	pairs               int
}

func (w *twin) answer() twinAnswer {
	out := twinAnswer{load: make([]*big.Rat, len(w.top.Arcs))}
	for i := range out.load {
		out.load[i] = new(big.Rat)
	}
	targets := map[string]bool{}
	for _, d := range w.demands {
		targets[d.To] = true
	}
	for t := range targets {
		dist := map[string]int64{t: 0}
		if w.removed(t) {
			delete(dist, t)
		}
		for changed := true; changed; {
			changed = false
			for _, a := range w.top.Arcs {
				m, ok := w.metric(a, t)
				next, there := dist[a.To]
				if !ok || !there {
					continue
				}
				if d, known := dist[a.From]; !known || m+next < d {
					dist[a.From] = m + next
					changed = true
				}
			}
		}
		flow := map[string]*big.Rat{}
		for _, d := range w.demands {
			if d.To != t {
				continue
			}
			_, reached := dist[d.From]
			switch {
			case w.removed(d.From) || w.removed(t):
				out.dropped += d.Volume
			case !reached:
				out.unroutable += d.Volume
				out.pairs++
			default:
				if flow[d.From] == nil {
					flow[d.From] = new(big.Rat)
				}
				flow[d.From].Add(flow[d.From], new(big.Rat).SetFloat64(d.Volume))
			}
		}
		var nodes []string
		for v := range dist {
			nodes = append(nodes, v)
		}
		slices.SortFunc(nodes, func(a, b string) int { return int(dist[b] - dist[a]) })
		for _, u := range nodes {
			if u == t || flow[u] == nil {
				continue
			}
			var next []int
			for i, a := range w.top.Arcs {
				m, ok := w.metric(a, t)
				d, there := dist[a.To]
				if a.From == u && ok && there && m+d == dist[u] {
					next = append(next, i)
				}
			}
			part := new(big.Rat).Quo(flow[u], big.NewRat(int64(len(next)), 1))
			for _, i := range next {
				out.load[i].Add(out.load[i], part)
				to := w.top.Arcs[i].To
				if flow[to] == nil {
					flow[to] = new(big.Rat)
				}
				flow[to].Add(flow[to], part)
			}
		}
	}
	return out
}

func (w *twin) apply(c Change) {
	for _, d := range c.Drains {
		w.how[d.Node] = append(w.how[d.Node], d.How)
	}
	for _, l := range c.Links {
		w.down[l] = true
	}
}

// drawNetwork draws a small network with parallel links, one-way arcs, unequal
// metrics, hosts and demands of any size, 0 among them.
func drawNetwork(t *rapid.T) (Topology, []Demand) {
	size := rapid.IntRange(2, 9).Draw(t, "nodes")
	var top Topology
	for i := range size {
		top.Nodes = append(top.Nodes, Node{Name: fmt.Sprint("n", i)})
	}
	node := rapid.IntRange(0, size-1)
	high := rapid.SampledFrom([]int64{1, 3, 10, 70000}).Draw(t, "high")
	metric := rapid.Int64Range(1, high)
	for l := range rapid.IntRange(1, 2*size+4).Draw(t, "links") {
		a, b := node.Draw(t, "a"), node.Draw(t, "b")
		if a == b {
			continue
		}
		link := fmt.Sprint("L", l)
		top.Arcs = append(top.Arcs, Arc{Link: link, From: top.Nodes[a].Name, To: top.Nodes[b].Name, Metric: metric.Draw(t, "metric"), Capacity: float64(rapid.IntRange(1, 9).Draw(t, "capacity"))})
		if rapid.IntRange(0, 9).Draw(t, "one-way") > 0 {
			top.Arcs = append(top.Arcs, Arc{Link: link, From: top.Nodes[b].Name, To: top.Nodes[a].Name, Metric: metric.Draw(t, "back"), Capacity: 4})
		}
	}
	for h := range rapid.IntRange(0, 2).Draw(t, "hosts") {
		name := fmt.Sprint("host", h)
		var to []string
		for range rapid.IntRange(1, 3).Draw(t, "attachments") {
			if d := top.Nodes[node.Draw(t, "device")].Name; !slices.Contains(to, d) {
				to = append(to, d)
			}
		}
		top.Arcs = append(top.Arcs, Attach(name, to, rapid.Bool().Draw(t, "standby"), 5)...)
		top.Nodes = append(top.Nodes, Node{Name: name, Host: true})
	}
	for i := range top.Arcs {
		if top.Arcs[i].ID == "" {
			top.Arcs[i].ID = fmt.Sprint("arc", i)
		}
	}
	var demands []Demand
	end := rapid.IntRange(0, len(top.Nodes)-1)
	for range rapid.IntRange(0, 12).Draw(t, "demands") {
		a, b := end.Draw(t, "from"), end.Draw(t, "to")
		if a != b {
			demands = append(demands, Demand{From: top.Nodes[a].Name, To: top.Nodes[b].Name, Volume: float64(rapid.IntRange(0, 6).Draw(t, "volume"))})
		}
	}
	return top, demands
}

func drawChange(t *rapid.T, n *Network) Change {
	var c Change
	for range rapid.IntRange(0, 2).Draw(t, "drains") {
		x := n.nodes[rapid.IntRange(0, len(n.nodes)-1).Draw(t, "drained")]
		if !x.Host {
			c.Drains = append(c.Drains, Drain{x.Name, rapid.SampledFrom([]How{Remove, NoTransit, MaxMetric}).Draw(t, "how")})
		}
	}
	if len(n.links) > 0 {
		for range rapid.IntRange(0, 2).Draw(t, "failures") {
			c.Links = append(c.Links, rapid.SampledFrom(n.links).Draw(t, "failed"))
		}
	}
	return c
}

func compare(t *rapid.T, what string, n *Network, r Result, load []float64, want twinAnswer) {
	worst, total := 0.0, 0.0
	for a, w := range want.load {
		f, _ := w.Float64()
		total += f
		worst = max(worst, f/n.capacity[a])
		if load != nil && math.Abs(load[a]-f) > 1e-9 {
			t.Fatalf("%s: arc %s: got load %v, want %v", what, n.arcs[a].ID, load[a], f)
		}
	}
	if math.Abs(r.MaxUtilisation-worst) > 1e-9 || math.Abs(r.TotalLoad-total) > 1e-9 || math.Abs(r.Dropped-want.dropped) > 1e-9 ||
		math.Abs(r.Unroutable-want.unroutable) > 1e-9 || r.UnroutableDemands != want.pairs {
		t.Fatalf("%s: got %+v, want utilisation %v, total %v, dropped %v, unroutable %v (%d)", what, r, worst, total, want.dropped, want.unroutable, want.pairs)
	}
}

// The fast ways (from scratch, changed state, laid-over change) give what the
// slow clear twin gives, for changes on top of changes.
func TestFastWaysAgreeWithTheSlowTwin(t *testing.T) {
	for range 20 { // the networks are small, and rare cases matter
		rapid.Check(t, agree)
	}
}

func agree(t *rapid.T) {
	top, demands := drawNetwork(t)
	n, err := New(top, demands)
	if err != nil {
		t.Fatal(err)
	}
	w := newTwin(top, demands)
	s := n.Intact()
	compare(t, "intact", n, s.result, s.load, w.answer())
	for i := range rapid.IntRange(1, 3).Draw(t, "changes") {
		c := drawChange(t, n)
		w.apply(c)
		want := w.answer()
		laid, err := s.Each([]Change{c, {}, c})
		if err != nil {
			t.Fatal(err)
		}
		for _, k := range []int{0, 2} {
			compare(t, fmt.Sprintf("change %d laid over (%d)", i, k), n, laid[k], nil, want)
		}
		if math.Abs(laid[1].MaxUtilisation-s.result.MaxUtilisation) > 1e-12 {
			t.Fatalf("no change: got %v, want %v", laid[1], s.result)
		}
		if s, err = s.With(c); err != nil {
			t.Fatal(err)
		}
		compare(t, fmt.Sprintf("change %d", i), n, s.result, s.load, want)
		if got := len(s.Unroutable()); got != want.pairs {
			t.Fatalf("got %d unroutable demands, want %d", got, want.pairs)
		}
		again := s.FromScratch()
		compare(t, fmt.Sprintf("change %d from scratch", i), n, again.result, again.load, want)
		for r, x := range s.rows {
			if (x == nil) != (again.rows[r] == nil) {
				t.Fatalf("row %d: only one way has it", r)
			}
			if x != nil && !slices.Equal(x.dist, again.rows[r].dist) {
				t.Fatalf("row %d: got distances %v, want %v", r, x.dist, again.rows[r].dist)
			}
		}
	}
}
