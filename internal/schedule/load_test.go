package schedule

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"towpath/internal/fleet"
	"towpath/internal/network"
)

// The carrier keeps states and leaves out failures that cannot matter; the twin
// computes every failure from scratch.
func TestLoadAgainstEveryFailureFromScratch(t *testing.T) {
	yes, no, fewer := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		ring := rapid.IntRange(4, 7).Draw(t, "ring")
		n := ring + rapid.IntRange(0, 2).Draw(t, "leaves")
		node := rapid.IntRange(0, n-1)
		name := func(k int) string { return fmt.Sprintf("n%d", k) }
		var top network.Topology
		for k := range n {
			top.Nodes = append(top.Nodes, network.Node{Name: name(k)})
		}
		links := 0
		link := func(a, b int) {
			id := fmt.Sprintf("l%d", links)
			links++
			c := float64(rapid.IntRange(4, 30).Draw(t, "capacity"))
			m := int64(rapid.IntRange(1, 3).Draw(t, "metric"))
			top.Arcs = append(top.Arcs, network.Arc{ID: id + ">", Link: id, From: name(a), To: name(b), Metric: m, Capacity: c},
				network.Arc{ID: id + "<", Link: id, From: name(b), To: name(a), Metric: m, Capacity: c})
		}
		for k := range ring {
			link(k, (k+1)%ring)
		}
		for k := ring; k < n; k++ { // on one neighbour, perhaps by two links
			for range rapid.IntRange(1, 2).Draw(t, "links") {
				link(k, k%ring)
			}
		}
		for range rapid.IntRange(1, 6).Draw(t, "chords") {
			if a, b := rapid.IntRange(0, ring-1).Draw(t, "a"), rapid.IntRange(0, ring-1).Draw(t, "b"); a != b {
				link(a, b)
			}
		}
		var demands []network.Demand
		for range rapid.IntRange(1, 5).Draw(t, "demands") {
			if a, b := node.Draw(t, "from"), node.Draw(t, "to"); a != b {
				demands = append(demands, network.Demand{From: name(a), To: name(b), Volume: float64(rapid.IntRange(1, 5).Draw(t, "volume"))})
			}
		}
		net, err := network.New(top, demands)
		if err != nil {
			t.Fatal(err)
		}
		base := net.Intact()
		failures := map[string]network.Change{}
		for _, l := range net.Links() {
			failures[l] = network.Change{Links: []string{l}}
		}
		opt := LoadOptions{How: rapid.SampledFrom([]network.How{network.Remove, network.NoTransit}).Draw(t, "how"), Failures: failures,
			MayIsolate: rapid.Bool().Draw(t, "isolate")}
		l, weak, err := NewLoad(base, opt)
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range weak {
			delete(failures, w)
		}
		for range 4 {
			var out []fleet.DeviceID
			c := network.Change{}
			for _, k := range rapid.SliceOfNDistinct(node, 1, 2, rapid.ID).Draw(t, "out") {
				out = append(out, fleet.DeviceID(name(k)))
				c.Drains = append(c.Drains, network.Drain{Node: name(k), How: opt.How})
			}
			st, err := base.With(c)
			if err != nil {
				t.Fatal(err)
			}
			st = st.FromScratch()
			bad := st.Result().MaxUtilisation > 1+1e-9 || st.Result().UnroutableDemands > base.Result().UnroutableDemands
			for _, f := range failures {
				after, err := st.With(f)
				if err != nil {
					t.Fatal(err)
				}
				r := after.FromScratch().Result()
				bad = bad || r.MaxUtilisation > 1+1e-9 || !opt.MayIsolate && r.UnroutableDemands > base.Result().UnroutableDemands
			}
			before := l.Failed
			ok, why := l.Carries(context.Background(), out)
			if ok == bad || !ok && why == "" {
				t.Fatalf("out %v: got %v %q, want %v", out, ok, why, !bad)
			}
			if ok {
				yes++
				if l.Failed-before < int64(len(failures)) {
					fewer++
				}
			} else {
				no++
			}
		}
	})
	if yes < 5 || no < 5 || fewer < 1 {
		t.Fatalf("%d yes, %d no, %d with failures left out: the draw is one-sided", yes, no, fewer)
	}
}

// No path between others passes through a device with one neighbour: of a star,
// nothing need be asked but of its hub.
func TestLoadOfAStar(t *testing.T) {
	var top network.Topology
	var demands []network.Demand
	var out []fleet.DeviceID
	for k := range 40 {
		id := fmt.Sprintf("l%d", k)
		top.Arcs = append(top.Arcs, network.Arc{ID: id + ">", Link: id, From: id, To: "hub", Metric: 1, Capacity: 10}, network.Arc{ID: id + "<", Link: id, From: "hub", To: id, Metric: 1, Capacity: 10})
		demands = append(demands, network.Demand{From: id, To: fmt.Sprintf("l%d", (k+1)%40), Volume: 1})
		out = append(out, fleet.DeviceID(id))
	}
	net, err := network.New(top, demands)
	if err != nil {
		t.Fatal(err)
	}
	l, _, err := NewLoad(net.Intact(), LoadOptions{How: network.NoTransit})
	if err != nil {
		t.Fatal(err)
	}
	for k := range out {
		if ok, why := l.Carries(context.Background(), out[:k+1]); !ok {
			t.Fatal(why)
		}
	}
	if l.Asked != 0 {
		t.Errorf("%d sets were computed", l.Asked)
	}
	if ok, why := l.Carries(context.Background(), append(out, "hub")); ok || !strings.Contains(why, "40 demands have no path") || l.Asked == 0 {
		t.Errorf("%v %q, %d sets were computed", ok, why, l.Asked)
	}
	// A device that is taken away takes its own demands along, and is asked about.
	l, _, err = NewLoad(net.Intact(), LoadOptions{How: network.Remove})
	if err != nil {
		t.Fatal(err)
	}
	if ok, why := l.Carries(context.Background(), out[:2]); !ok || l.Asked != 1 {
		t.Errorf("%v %q, %d sets were computed", ok, why, l.Asked)
	}
}
