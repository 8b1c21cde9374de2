package survival_test

import (
	"testing"
	"time"

	"towpath/internal/state"
	"towpath/internal/survival"
)

// TestWhatIsNotToldMakesNoLossCertain forecasts restarts of which the device does
// not tell whether its neighbour helps, or whether BFD ends it. Both were taken
// for the worse, which is no ground to call a loss certain. Source: RFC 3623 §3.1
// and RFC 5882 §4.3, by which such restarts lose nothing where they go well; seen
// in FRR 8.4.4, announced restarts of ospfd, and bgpd protected by BFD.
func TestWhatIsNotToldMakesNoLossCertain(t *testing.T) {
	yes, no, untold := state.Some(true), state.Some(false), state.Opt[bool]{}
	ospf := func(own, helper state.Opt[bool]) []state.Adjacency {
		return []state.Adjacency{{Protocol: state.OSPFv2, Interface: "v", Neighbour: "10.0.0.2", Up: yes, Implement: state.Some("frr"),
			Timers:  state.Timers{Send: state.Some(time.Second), NeighbourDetect: state.Some(4 * time.Second)},
			Restart: state.Restart{Nonstop: no, Own: own, Helper: helper}}}
	}
	bgp := func(independent state.Opt[bool]) []state.Adjacency {
		return []state.Adjacency{
			{Protocol: state.BGP, Interface: "v", Neighbour: "10.0.0.2", Up: yes, Implement: state.Some("frr+kept"),
				Timers:  state.Timers{Send: state.Some(3 * time.Second), NeighbourDetect: state.Some(9 * time.Second)},
				Restart: state.Restart{Nonstop: no, Own: yes, Helper: yes, Time: state.Some(time.Minute), ForwardingKept: yes},
				BFD:     state.BFDProtection{Protected: yes, Independent: independent}},
			{Protocol: state.BFD, Interface: "v", Neighbour: "10.0.0.2", Up: yes, Implement: state.Some("frr"), Restart: state.Restart{Nonstop: no},
				Timers: state.Timers{Send: state.Some(300 * time.Millisecond), NeighbourDetect: state.Some(900 * time.Millisecond)}},
		}
	}
	for _, c := range []struct {
		name    string
		of      []state.Adjacency
		certain bool
	}{
		{"OSPF, nothing is told of a restart", ospf(untold, untold), false},
		{"OSPF, the neighbour's help is not told", ospf(yes, untold), false},
		{"OSPF, the neighbour does not help", ospf(yes, no), true},
		{"OSPF, it does not restart gracefully", ospf(no, untold), true},
		{"BGP with BFD, the C bits are not told", bgp(untold), false},
		{"BGP with BFD, it ends the restart", bgp(yes), true},
	} {
		f := survival.Predict(&state.Capture{Device: "mere-agg-1", Adjacencies: c.of}, survival.Silence{Least: 2 * time.Second, Likely: 4 * time.Second, Most: 6 * time.Second}, survival.Options{})
		if a := f.Adjacencies[0]; (a.Range.Least > 0) != c.certain || a.Range.Most <= 0 {
			t.Errorf("%s: a loss of %v to %v s is forecast (%s)", c.name, a.Range.Least, a.Range.Most, a.Outcome)
		}
	}
}
