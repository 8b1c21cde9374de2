package network

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"math/big"
	"strconv"
	"strings"
)

// Bounds of what [Table] writes.
const (
	// MaxTableRows bounds loads.csv and drain_x_linkfail.csv: where all
	// scenarios would need more rows, loads.csv has those of the intact network
	// alone, and drain_x_linkfail.csv its header.
	MaxTableRows = 5_000_000
	// MaxExactNodes is the size up to which the largest utilisation is computed
	// as an exact fraction too.
	MaxExactNodes = 60
	// maxFraction is how long a fraction may get before it is left out.
	maxFraction = 40
)

// Table reads arcs.csv and demands.csv and writes what every drain and every
// link failure does, as three CSV files opened by create:
//
//   - scenarios.csv: kind (intact, drain, linkfail), convention (remove,
//     notransit, or - where there is none), element, max_utilisation,
//     max_utilisation_exact (a fraction, in networks of up to [MaxExactNodes]
//     nodes and where it is short), argmax_arcs (all arcs with the largest, to
//     1e-9 where it is no fraction, blank between; the first alone where scenarios × arcs exceed
//     [MaxTableRows]), total_arc_load, dropped_endpoint_volume,
//     unroutable_volume, unroutable_pairs.
//   - loads.csv: kind, convention, element, arc, load, utilisation.
//   - drain_x_linkfail.csv: convention, drained, failed_link, max_utilisation,
//     dropped_endpoint_volume, unroutable_volume, unroutable_pairs.
//
// Nodes are in the order in which the arcs name them. What is written is closed
// by Table. A mistake in the input is [document.Problems] with file, line and
// column.
//
// [document.Problems]: the problems of package document.
func Table(topology, demands io.Reader, create func(name string) (io.WriteCloser, error)) error {
	top, err := ReadArcs("arcs.csv", topology)
	if err != nil {
		return err
	}
	dem, err := ReadDemands("demands.csv", demands, top)
	if err != nil {
		return err
	}
	n, err := New(top, dem)
	if err != nil {
		return err
	}
	return n.Table(create)
}

// scenario is one row of scenarios.csv.
type scenario struct {
	kind, convention, element string
	change                    change
}

func (n *Network) scenarios() []scenario {
	out := []scenario{{kind: "intact", convention: "-", element: "-"}}
	for _, how := range []How{Remove, NoTransit} {
		for v, x := range n.nodes {
			if !x.Host {
				out = append(out, scenario{"drain", how.String(), x.Name, change{nodes: []int32{int32(v)}, how: []How{how}}})
			}
		}
	}
	for l, name := range n.links {
		out = append(out, scenario{"linkfail", "-", name, change{links: []int32{int32(l)}}})
	}
	return out
}

// Table is the writing half of the function [Table].
func (n *Network) Table(create func(name string) (io.WriteCloser, error)) error {
	scenarios := n.scenarios()
	drains := 0
	for _, x := range scenarios {
		if x.kind == "drain" {
			drains++
		}
	}
	w := tableWriter{
		net: n, intact: n.Intact(), scenarios: scenarios,
		whole: len(scenarios)*len(n.arcs) <= MaxTableRows,
		pairs: drains*len(n.links) <= MaxTableRows,
	}
	if len(n.nodes) <= MaxExactNodes {
		w.exact = newExact(n)
	}
	for _, f := range []struct {
		name   string
		header string
		write  func(*csv.Writer) error
	}{
		{"scenarios.csv", "kind,convention,element,max_utilisation,max_utilisation_exact,argmax_arcs,total_arc_load,dropped_endpoint_volume,unroutable_volume,unroutable_pairs", w.scenarioRows},
		{"loads.csv", "kind,convention,element,arc,load,utilisation", w.loadRows},
		{"drain_x_linkfail.csv", "convention,drained,failed_link,max_utilisation,dropped_endpoint_volume,unroutable_volume,unroutable_pairs", w.pairRows},
	} {
		if err := writeFile(create, f.name, f.header, f.write); err != nil {
			return fmt.Errorf("%s: %w", f.name, err)
		}
	}
	return nil
}

func writeFile(create func(string) (io.WriteCloser, error), name, header string, write func(*csv.Writer) error) (err error) {
	f, err := create(name)
	if err != nil {
		return err
	}
	defer func() {
		if e := f.Close(); err == nil {
			err = e
		}
	}()
	buffer := bufio.NewWriterSize(f, 1<<16)
	w := csv.NewWriter(buffer)
	if err := w.Write(strings.Split(header, ",")); err != nil {
		return err
	}
	if err := write(w); err != nil {
		return err
	}
	if w.Flush(); w.Error() != nil {
		return w.Error()
	}
	return buffer.Flush()
}

type tableWriter struct {
	net          *Network
	intact       *State
	scenarios    []scenario
	whole, pairs bool
	exact        *exact
}

// states calls visit with each scenario's state in turn. The states are made on
// all processors, some at a time. fresh ones are computed from scratch, so that
// a load that a change leaves small has all its digits.
func (w *tableWriter) states(count int, fresh bool, visit func(scenario, *State) error) error {
	const batch = 32
	for at := 0; at < count; at += batch {
		part := w.scenarios[at:min(at+batch, count)]
		states := make([]*State, len(part))
		parallel(len(part), func() func(int) {
			return func(i int) {
				if states[i] = w.intact.with(part[i].change); fresh {
					states[i] = states[i].FromScratch()
				}
			}
		})
		for i, s := range states {
			if err := visit(part[i], s); err != nil {
				return err
			}
		}
	}
	return nil
}

func (w *tableWriter) scenarioRows(out *csv.Writer) error {
	row := func(x scenario, r Result, exact, busiest string) error {
		return out.Write([]string{
			x.kind, x.convention, x.element, decimal(r.MaxUtilisation), exact, busiest,
			decimal(r.TotalLoad), decimal(r.Dropped), decimal(r.Unroutable), strconv.Itoa(r.UnroutableDemands),
		})
	}
	if !w.whole {
		changes := make([]change, len(w.scenarios))
		for i, x := range w.scenarios {
			changes[i] = x.change
		}
		for i, r := range w.intact.each(changes) {
			busiest := ""
			if r.Worst >= 0 {
				busiest = w.net.arcs[r.Worst].ID
			}
			if err := row(w.scenarios[i], r, "", busiest); err != nil {
				return err
			}
		}
		return nil
	}
	return w.states(len(w.scenarios), false, func(x scenario, s *State) error {
		busy := s.Busiest()
		r, fraction := s.result, ""
		if w.exact != nil && len(busy) > 0 {
			v, tied := w.exact.utilisation(s, busy)
			busy = tied
			r.MaxUtilisation, _ = v.Float64()
			if fraction = strings.TrimSuffix(v.String(), "/1"); len(fraction) > maxFraction {
				fraction = ""
			}
		}
		names := make([]string, len(busy))
		for i, a := range busy {
			names[i] = w.net.arcs[a].ID
		}
		return row(x, r, fraction, strings.Join(names, " "))
	})
}

func (w *tableWriter) loadRows(out *csv.Writer) error {
	count := 1
	if w.whole {
		count = len(w.scenarios)
	}
	return w.states(count, true, func(x scenario, s *State) error {
		for a, load := range s.load {
			if err := out.Write([]string{x.kind, x.convention, x.element, w.net.arcs[a].ID, decimal(load), decimal(load / s.capacity[a])}); err != nil {
				return err
			}
		}
		return nil
	})
}

func (w *tableWriter) pairRows(out *csv.Writer) error {
	if !w.pairs {
		return nil
	}
	changes := make([]change, len(w.net.links))
	for l := range changes {
		changes[l].links = []int32{int32(l)}
	}
	return w.states(len(w.scenarios), false, func(x scenario, s *State) error {
		if x.kind != "drain" {
			return nil
		}
		for l, r := range s.each(changes) {
			if err := out.Write([]string{
				x.convention, x.element, w.net.links[l], decimal(r.MaxUtilisation),
				decimal(r.Dropped), decimal(r.Unroutable), strconv.Itoa(r.UnroutableDemands),
			}); err != nil {
				return err
			}
		}
		return nil
	})
}

// exact computes loads as fractions. Rows that states share are computed once.
type exact struct {
	net    *Network
	volume []*big.Rat
	rows   map[*row][]*big.Rat
	keep   map[*row]bool // those of the intact network
}

func newExact(n *Network) *exact {
	e := &exact{net: n, rows: map[*row][]*big.Rat{}}
	for _, v := range n.volume {
		e.volume = append(e.volume, rational(v))
	}
	return e
}

// rational is the fraction that the shortest decimal of v stands for.
func rational(v float64) *big.Rat {
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(v, 'g', -1, 64))
	return r
}

// utilisation is the largest utilisation among the arcs, and those that have
// exactly it.
func (e *exact) utilisation(s *State, arcs []int) (best *big.Rat, tied []int) {
	for i, r := range s.rows {
		if r != nil && e.rows[r] == nil {
			e.rows[r] = e.row(s, i, r)
		}
	}
	for _, a := range arcs {
		sum := new(big.Rat)
		for _, r := range s.rows {
			if r != nil && e.rows[r][a] != nil {
				sum.Add(sum, e.rows[r][a])
			}
		}
		sum.Quo(sum, rational(s.capacity[a]))
		switch {
		case best == nil || sum.Cmp(best) > 0:
			best, tied = sum, []int{a}
		case sum.Cmp(best) == 0:
			tied = append(tied, a)
		}
	}
	if e.keep == nil { // the first state is the intact one
		e.keep = map[*row]bool{}
		for r := range e.rows {
			e.keep[r] = true
		}
	}
	for r := range e.rows {
		if !e.keep[r] {
			delete(e.rows, r)
		}
	}
	return best, tied
}

// row is the loads that one destination makes; nil stands for none.
func (e *exact) row(s *State, i int, r *row) []*big.Rat {
	n, t := e.net, e.net.rowNode[i]
	load, flow := make([]*big.Rat, len(n.arcs)), make([]*big.Rat, len(n.nodes))
	var h heap
	add := func(v int32, f *big.Rat) {
		if flow[v] == nil {
			flow[v] = new(big.Rat)
			h.push(-r.dist[v], v)
		}
		flow[v].Add(flow[v], f)
	}
	for k := n.rowStart[i]; k < n.rowStart[i+1]; k++ {
		if u := n.source[k]; !s.removed[u] && r.dist[u] < unreachable && e.volume[k].Sign() > 0 {
			add(u, e.volume[k])
		}
	}
	for len(h.items) > 0 {
		_, u := h.pop()
		if u == t {
			continue
		}
		start, end := n.outStart[u], n.outStart[u+1]
		part := new(big.Rat).Mul(flow[u], big.NewRat(1, int64(r.next.count(start, end))))
		for p := r.next.after(start, end); p < end; p = r.next.after(p+1, end) {
			load[n.outHops[p].arc] = part
			add(n.outHops[p].node, part)
		}
	}
	return load
}
