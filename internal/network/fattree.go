package network

import "fmt"

// FatTree returns a k-ary fat-tree with one unit of demand between every two
// edge switches, all metrics 1 and all capacities 10. k is even and at least 2.
// It is the yardstick whose loads are known in closed form: (E-1)/h on the arcs
// between edge and aggregation, k-1 between aggregation and core, with h = k/2
// and E = k·h edge switches.
//
// Source: Al-Fares, Loukissas and Vahdat, SIGCOMM 2008,
// doi:10.1145/1402958.1402967.
func FatTree(k int) (Topology, []Demand) {
	h := k / 2
	var top Topology
	link := func(a, b string) {
		id := fmt.Sprint("L", len(top.Arcs)/2)
		top.Arcs = append(top.Arcs, Arc{Link: id, From: a, To: b, Metric: 1, Capacity: 10}, Arc{Link: id, From: b, To: a, Metric: 1, Capacity: 10})
	}
	var edges []string
	for p := range k {
		for e := range h {
			edge := fmt.Sprintf("edge_%d_%d", p, e)
			edges = append(edges, edge)
			for a := range h {
				link(edge, fmt.Sprintf("agg_%d_%d", p, a))
			}
		}
		for a := range h {
			for c := range h {
				link(fmt.Sprintf("agg_%d_%d", p, a), fmt.Sprintf("core_%d_%d", a, c))
			}
		}
	}
	var demands []Demand
	for _, a := range edges {
		for _, b := range edges {
			if a != b {
				demands = append(demands, Demand{From: a, To: b, Volume: 1})
			}
		}
	}
	return top, demands
}
