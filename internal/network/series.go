package network

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// ReadSeries reads demands over time on a topology: columns time (RFC 3339),
// src, dst, volume, in any order of rows. Each sample lasts length. What a pair
// that a time does not name sends then is not known: it is taken at its peak over
// all times, and is in Missing of the sample. It returns the demands that occur
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
	var times timeline[pair]
	place := map[pair]int{}
	var volumes []map[int]float64 // by instant and demand
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
		at, twice := times.file(when, key)
		if twice {
			t.fault("src", fmt.Sprintf("%q to %q, which stands already for that time", d.From, d.To), "each pair once for each time")
		}
		if at == len(volumes) {
			volumes = append(volumes, map[int]float64{})
		}
		volumes[at][i] = d.Volume
	}
	samples := make([]Sample, 0, len(volumes))
	for at, known := range volumes {
		s := Sample{At: times.at[at], Length: length, Volumes: make([]float64, len(demands))}
		for i := range demands {
			v, named := known[i]
			if !named {
				v, s.Missing = demands[i].Volume, append(s.Missing, i)
			}
			s.Volumes[i] = v
		}
		samples = append(samples, s)
	}
	slices.SortFunc(samples, func(a, b Sample) int { return a.At.Compare(b.At) })
	return demands, samples, nil
}

// ReadCounters reads the rates that interfaces have counted: columns kind,
// element, rate. kind is arc, and element the arc's id, for what the arc
// carries; or in or out, and element a node, for what enters or leaves the
// network there. Arcs that are not named are unknown, nodes that are not named
// have 0. The error is [document.Problems] with line and column of every
// mistake.
//
// [document.Problems]: the problems of package document.
func (n *Network) ReadCounters(name string, r io.Reader) (Counters, error) {
	all, err := n.readCounters(name, r, false)
	if err != nil || len(all) == 0 {
		return n.noCounters(), err
	}
	return all[0].Counters, nil
}

// CountersAt are the counters of one instant of a series.
type CountersAt struct {
	Counters
	At time.Time
	// Missing names what enters or leaves the network somewhere at another
	// instant and is not named for this one, such as "in of mere-agg-1". It has 0
	// in Counters.
	Missing []string
}

// ReadCounterSeries is [Network.ReadCounters] for a file with a column time (RFC
// 3339), in any order of rows. It returns the instants in order.
func (n *Network) ReadCounterSeries(name string, r io.Reader) ([]CountersAt, error) {
	return n.readCounters(name, r, true)
}

func (n *Network) noCounters() Counters {
	c := Counters{Arcs: make([]float64, len(n.arcs)), In: make([]float64, len(n.nodes)), Out: make([]float64, len(n.nodes))}
	for i := range c.Arcs {
		c.Arcs[i] = math.NaN()
	}
	return c
}

func (n *Network) readCounters(name string, r io.Reader, timed bool) ([]CountersAt, error) {
	arcs := map[string]int{}
	for i, a := range n.arcs {
		arcs[a.ID] = i
	}
	t, err := openTable(name, r, timedColumns(timed, "kind", "element", "rate")...)
	if err != nil {
		return nil, err
	}
	t.unit, t.plain = n.unit, n.plain
	var times timeline[[2]string]
	var out []CountersAt
	for {
		more, err := t.next()
		if err != nil {
			return nil, err
		}
		if !more {
			break
		}
		when, ok := t.when(timed)
		kind, element, rate := t.text("kind"), t.text("element"), t.quantity("rate", false)
		if !ok {
			continue
		}
		at, twice := times.file(when, [2]string{kind, element})
		if twice {
			t.fault("element", strconv.Quote(element)+", which stands already"+ternary(timed, " for that time", ""), "each counter once")
		}
		if at == len(out) {
			out = append(out, CountersAt{Counters: n.noCounters(), At: when})
		}
		c := out[at].Counters
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
	for i := range out {
		for _, e := range times.missing(i) {
			if e[0] != "arc" {
				out[i].Missing = append(out[i].Missing, e[0]+" of "+e[1])
			}
		}
	}
	slices.SortFunc(out, func(a, b CountersAt) int { return a.At.Compare(b.At) })
	return out, nil
}

// timeline files the rows of a series by their instant. Its zero value is empty.
type timeline[K comparable] struct {
	at    []time.Time // the instants as they are first named
	place map[int64]int
	seen  []map[K]bool // by instant
	named []K          // by any instant, in the order in which they first are
	ever  map[K]bool
}

// file returns the place of the instant, which is that behind the last where it
// is new, and whether the instant has the key already.
func (l *timeline[K]) file(when time.Time, key K) (at int, twice bool) {
	if l.place == nil {
		l.place, l.ever = map[int64]int{}, map[K]bool{}
	}
	at, ok := l.place[when.UnixNano()]
	if !ok {
		at = len(l.at)
		l.place[when.UnixNano()] = at
		l.at, l.seen = append(l.at, when), append(l.seen, map[K]bool{})
	}
	twice = l.seen[at][key]
	l.seen[at][key] = true
	if !l.ever[key] {
		l.ever[key] = true
		l.named = append(l.named, key)
	}
	return at, twice
}

// missing lists what other instants name and this one does not.
func (l *timeline[K]) missing(at int) (out []K) {
	for _, k := range l.named {
		if !l.seen[at][k] {
			out = append(out, k)
		}
	}
	return out
}

// timedColumns adds the column time to that of a series.
func timedColumns(timed bool, columns ...string) []string {
	if !timed {
		return columns
	}
	return append([]string{"time"}, columns...)
}

// when is the instant of a row of a series; of other files it is always the same.
func (t *table) when(timed bool) (time.Time, bool) {
	if !timed {
		return time.Time{}, true
	}
	return t.instant()
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
