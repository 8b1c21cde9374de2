package network

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os/exec"
	"testing"
)

// Source: networkx, an independent general graph library, asked for the lengths
// of the shortest paths of multigraphs with parallel links, unequal metrics and
// failed links.
func TestDistancesAgreeWithNetworkx(t *testing.T) {
	if out, err := exec.Command("python3", "-c", "import networkx").CombinedOutput(); err != nil {
		t.Skipf("python3 with networkx is not here: %v %s", err, bytes.TrimSpace(out))
	}
	const program = `
import json, sys, networkx as nx
out = []
for arcs in json.load(sys.stdin):
    g = nx.MultiDiGraph()
    for u, v, m in arcs: g.add_edge(u, v, weight=m)
    out.append({u: d for u, d in nx.all_pairs_dijkstra_path_length(g)})
print(json.dumps(out))
`
	r := rand.New(rand.NewPCG(1, 2))
	var graphs [][][]any
	var states []*State
	for range 12 {
		size := 5 + r.IntN(40)
		var top Topology
		for l := range 3 * size {
			a, b := r.IntN(size), r.IntN(size)
			if a == b {
				continue
			}
			for _, ends := range [][2]int{{a, b}, {b, a}} {
				top.Arcs = append(top.Arcs, Arc{Link: fmt.Sprint("L", l), From: fmt.Sprint("n", ends[0]), To: fmt.Sprint("n", ends[1]), Metric: 1 + r.Int64N(9), Capacity: 1})
			}
		}
		n, err := New(top, AllPairs(top))
		if err != nil {
			t.Fatal(err)
		}
		failed := Change{Links: []string{n.links[0], n.links[len(n.links)/2]}}
		s, err := n.Intact().With(failed)
		if err != nil {
			t.Fatal(err)
		}
		states = append(states, s)
		var arcs [][]any
		for i, a := range n.arcs {
			if s.Up()[i] {
				arcs = append(arcs, []any{a.From, a.To, a.Metric})
			}
		}
		graphs = append(graphs, arcs)
	}
	in, err := json.Marshal(graphs)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("python3", "-c", program)
	cmd.Stdin = bytes.NewReader(in)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want []map[string]map[string]int64
	if err := json.Unmarshal(out, &want); err != nil {
		t.Fatal(err)
	}
	compared := 0
	for i, s := range states {
		for _, d := range s.net.demands {
			w, there := want[i][d.From][d.To]
			got, ok := s.Distance(d.From, d.To)
			if ok != there || ok && got != w {
				t.Errorf("graph %d, %s to %s: got %d (%v), want %d (%v)", i, d.From, d.To, got, ok, w, there)
			}
			compared++
		}
	}
	if len(want) != len(states) || compared < 1000 {
		t.Errorf("compared %d distances in %d graphs, want more", compared, len(want))
	}
}
