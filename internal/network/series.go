package network

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// ReadSeries reads demands over time on a topology: columns time (RFC 3339),
// src, dst, volume, in any order of rows. Each sample lasts length; a pair that
// a time does not name has the volume 0 then. It returns the demands that occur
// at any time, with their largest volume, in the order in which they are first
// named, and the samples by time. The error is [document.Problems] with line and
// column of every mistake.
//
// [document.Problems]: the problems of package document.
func ReadSeries(name string, r io.Reader, top Topology, length time.Duration) ([]Demand, []Sample, error) {
	t, err := openTable(name, r, "time", "src", "dst", "volume")
	if err != nil {
		return nil, nil, err
	}
	t.unit, t.plain = top.Unit, top.Plain
	known := top.names()
	type pair struct{ from, to string }
	place := map[pair]int{}
	at := map[int64]map[int]float64{}
	instants := map[int64]time.Time{}
	var demands []Demand
	for {
		more, err := t.next()
		if err != nil {
			return nil, nil, err
		}
		if !more {
			break
		}
		when, ok := t.instant()
		if !ok {
			continue
		}
		d := t.demand(known)
		key := pair{d.From, d.To}
		i, ok := place[key]
		if !ok {
			i = len(demands)
			place[key] = i
			demands = append(demands, d)
		}
		demands[i].Volume = max(demands[i].Volume, d.Volume)
		unix := when.UnixNano()
		if at[unix] == nil {
			at[unix], instants[unix] = map[int]float64{}, when
		}
		if _, twice := at[unix][i]; twice {
			t.fault("src", fmt.Sprintf("%q to %q, which stands already for that time", d.From, d.To), "each pair once for each time")
		}
		at[unix][i] = d.Volume
	}
	var samples []Sample
	for _, unix := range slices.Sorted(maps.Keys(at)) {
		s := Sample{At: instants[unix], Length: length, Volumes: make([]float64, len(demands))}
		for i, v := range at[unix] {
			s.Volumes[i] = v
		}
		samples = append(samples, s)
	}
	return demands, samples, nil
}

// ReadCounters reads the rates that interfaces have counted: columns kind,
// element, rate. kind is arc, and element the arc's id, for what the arc
// carries; or in or out, and element a node, for what enters or leaves the
// network there. Arcs that are not named are unknown, nodes that are not named
// have 0. at, where it is set, takes the rows of that instant of a column time
// alone, see [Instants]. The error is [document.Problems] with line and column of
// every mistake.
//
// [document.Problems]: the problems of package document.
func (n *Network) ReadCounters(name string, r io.Reader, at time.Time) (Counters, error) {
	c := Counters{Arcs: make([]float64, len(n.arcs)), In: make([]float64, len(n.nodes)), Out: make([]float64, len(n.nodes))}
	arcs := map[string]int{}
	for i, a := range n.arcs {
		arcs[a.ID] = i
		c.Arcs[i] = math.NaN()
	}
	t, err := openTable(name, r, timed(at, "kind", "element", "rate")...)
	if err != nil {
		return Counters{}, err
	}
	t.only = at
	t.unit, t.plain = n.unit, n.plain
	seen := map[[2]string]bool{}
	for {
		more, err := t.next()
		if err != nil {
			return Counters{}, err
		}
		if !more {
			return c, nil
		}
		kind, element, rate := t.text("kind"), t.text("element"), t.quantity("rate", false)
		if seen[[2]string{kind, element}] {
			t.fault("element", strconv.Quote(element)+", which stands already", "each counter once")
		}
		seen[[2]string{kind, element}] = true
		v, isNode := n.nodeIndex[element]
		a, isArc := arcs[element]
		switch {
		case kind == "arc" && isArc:
			c.Arcs[a] = rate
		case kind == "in" && isNode:
			c.In[v] = rate
		case kind == "out" && isNode:
			c.Out[v] = rate
		case kind == "arc":
			t.fault("element", fmt.Sprintf("the arc %q, which the topology does not have", element), "an arc of the topology")
		case kind == "in" || kind == "out":
			t.fault("element", fmt.Sprintf("the node %q, which the topology does not have", element), "a node of the topology")
		default:
			t.fault("kind", strconv.Quote(kind), "arc, in or out")
		}
	}
}

// timed adds the column time where an instant is asked for.
func timed(at time.Time, columns ...string) []string {
	if at.IsZero() {
		return columns
	}
	return append([]string{"time"}, columns...)
}

// names are the nodes of the topology.
func (t Topology) names() map[string]bool {
	known := map[string]bool{}
	for _, x := range t.Nodes {
		known[x.Name] = true
	}
	for _, a := range t.Arcs {
		known[a.From], known[a.To] = true, true
	}
	return known
}

// demand reads the columns src, dst and volume.
func (t *table) demand(known map[string]bool) Demand {
	d := Demand{From: t.text("src"), To: t.text("dst"), Volume: t.quantity("volume", false)}
	if t.has("name") {
		d.Name = strings.Clone(t.record[t.columns["name"]])
	}
	for i, node := range []string{d.From, d.To} {
		if node != "" && !known[node] {
			t.fault([]string{"src", "dst"}[i], fmt.Sprintf("the node %q, which the topology does not have", node), "a node of the topology")
		}
	}
	if d.From == d.To {
		t.fault("dst", strconv.Quote(d.To)+", which is the source as well", "another node")
	}
	return d
}
