package app

import (
	"testing"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/policy"
	"towpath/internal/schedule"
)

// The peak of two samples does not bear a failure that each of them bears, so
// that it says nothing of it: with x out, the failure of l1 and m1 leaves 16 on
// l2, of 10.
func TestPeakThatLeavesAFailureOut(t *testing.T) {
	var top network.Topology
	for _, n := range []string{"a", "b", "c", "x"} {
		top.Nodes = append(top.Nodes, network.Node{Name: n})
	}
	link := func(id, a, b string, metric int64) {
		top.Arcs = append(top.Arcs, network.Arc{ID: id + ">", Link: id, From: a, To: b, Metric: metric, Capacity: 10},
			network.Arc{ID: id + "<", Link: id, From: b, To: a, Metric: metric, Capacity: 10})
	}
	link("l1", "a", "b", 2)
	link("l2", "a", "b", 2)
	link("x1", "a", "x", 1)
	link("x2", "x", "b", 1)
	link("m1", "b", "c", 2)
	link("m2", "b", "c", 2)
	net, err := network.New(top, []network.Demand{{From: "a", To: "b"}, {Name: "one", From: "b", To: "c"}, {Name: "other", From: "b", To: "c"}})
	if err != nil {
		t.Fatal(err)
	}
	l := &nightLoads{net: net, zone: time.UTC, repeat: policy.EveryDay, file: "week.csv", known: map[string]*nightHours{},
		opt:   schedule.LoadOptions{Limit: 1, How: network.NoTransit, MayIsolate: true},
		fails: map[string]network.Change{"duct": {Links: []string{"l1", "m1"}}}}
	for k, v := range [][]float64{{16, 8, 0}, {16, 0, 8}} {
		s := network.Sample{At: march.Add(time.Duration(k) * time.Hour), Length: time.Hour, Volumes: v}
		l.samples, l.begins = append(l.samples, s), append(l.begins, wall(s.At))
	}
	h, err := l.of(march, march.Add(2*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	out := []fleet.DeviceID{"x"}
	if ok, why := h.Carries.Carries(t.Context(), out); !ok {
		t.Errorf("without a failure: %s", why)
	}
	if ok, _ := h.Verify.Carries(t.Context(), out); ok || len(h.root.load.weak) != 1 {
		t.Errorf("with the duct cut: got %v, and the peak leaves out %v", ok, h.root.load.weak)
	}
}
