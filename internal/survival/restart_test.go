package survival

import (
	"math"
	"slices"
	"testing"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/state"
)

// restarting is an adjacency that restarts with its neighbour's help.
func restarting(protocol string, limit time.Duration) state.Adjacency {
	return state.Adjacency{
		Protocol: protocol, Interface: "port-1/0/1", Neighbour: "192.0.2.1", Up: some(true),
		Restart: state.Restart{Nonstop: some(false), Own: some(true), Helper: some(true), Time: some(limit), ForwardingKept: some(true)},
		BFD:     state.BFDProtection{Protected: some(false)},
	}
}

func TestGracefulRestartMustEndInTime(t *testing.T) {
	// Source: RFC 4724 §4.2, the helper deletes stale routes when the session
	// is not back within the restart time; RFC 8538 §4, with the N bit it helps
	// beyond its hold timer.
	bgp := restarting(state.BGP, 60*time.Second)
	bgp.Restart.Notification = some(true)
	for s, want := range map[time.Duration]Outcome{30 * time.Second: RestartsGracefully, 58 * time.Second: AtRisk, 61 * time.Second: Drops} {
		if got, _ := forecastOne(bgp, Fixed(s), Options{}); got.Outcome != want {
			t.Errorf("BGP after %v: %s, want %s (%s)", s, got.Outcome, want, got.Why)
		}
	}
	if got, _ := forecastOne(bgp, Fixed(58*time.Second), Options{}); math.Abs(got.Survive-0.4) > 1e-9 { // back after 0 to 5 s, 2 s are left
		t.Errorf("two of five seconds: %v", got.Survive)
	}
	// Without it the hold timer, 9 s less a keepalive interval, comes first.
	bgp.Restart.Notification = some(false)
	bgp.Timers = state.Timers{Send: some(3 * time.Second), NeighbourDetect: some(9 * time.Second)}
	for s, want := range map[time.Duration]Outcome{6 * time.Second: RestartsGracefully, 8 * time.Second: AtRisk, 9 * time.Second: Drops} {
		if got, _ := forecastOne(bgp, Fixed(s), Options{}); got.Outcome != want {
			t.Errorf("BGP without N after %v: %s, want %s (%s)", s, got.Outcome, want, got.Why)
		}
	}
	// Source: RFC 3623 §2.1 and §3.2, a planned restart outlasts the dead
	// interval; §5, an unplanned one must speak before it.
	ospf := restarting(state.OSPFv2, 120*time.Second)
	if got, _ := forecastOne(ospf, Fixed(60*time.Second), Options{}); got.Outcome != RestartsGracefully {
		t.Errorf("planned OSPF restart: %+v", got)
	}
	if got, _ := forecastOne(ospf, Fixed(60*time.Second), Options{Unplanned: true}); got.Outcome != Drops {
		t.Errorf("unplanned OSPF restart: %+v", got)
	}
	// Source: RFC 8706 §3.2.1, without an announced time the holding time is
	// the budget.
	isis := restarting(state.ISIS, 0)
	isis.Restart.Time = state.Opt[time.Duration]{}
	for s, want := range map[time.Duration]Outcome{15 * time.Second: RestartsGracefully, 31 * time.Second: Drops} {
		if got, _ := forecastOne(isis, Fixed(s), Options{}); got.Outcome != want {
			t.Errorf("IS-IS after %v: %s, want %s", s, got.Outcome, want)
		}
	}
}

func TestWithoutAHelperARestartIsCold(t *testing.T) {
	for _, protocol := range []string{state.BGP, state.OSPFv2, state.OSPFv3, state.ISIS, state.LDP, state.RSVP, state.BFD, state.LACP} {
		a := state.Adjacency{Protocol: protocol, Neighbour: "192.0.2.1", Restart: state.Restart{Nonstop: some(false), Own: some(true)}}
		got, f := forecastOne(a, Fixed(ms), Options{})
		if got.Outcome != Drops || got.Carries && f.Untouched != 0 || got.Carries && f.Safe != 0 {
			t.Errorf("%s: %+v", protocol, got)
		}
		a.Restart.Nonstop = some(true)
		if got, _ = forecastOne(a, Fixed(ms), Options{}); got.Outcome != Holds {
			t.Errorf("%s with its state kept: %+v", protocol, got)
		}
	}
}

// TestBFDAndGracefulRestart
// Source: RFC 5882 §4.3.1 and §4.3.2.
func TestBFDAndGracefulRestart(t *testing.T) {
	for _, x := range []struct {
		protocol string
		c        state.Opt[bool]
		want     Outcome
	}{
		{state.OSPFv2, some(true), Drops},               // §4.3.1: forwarding is really lost
		{state.OSPFv2, some(false), RestartsGracefully}, // §4.3.2.1: announced, so not aborted
		{state.OSPFv2, state.Opt[bool]{}, Drops},        // unknown: the worse
		{state.BGP, some(false), Drops},                 // §4.3.2.2: BFD fires first
		{state.ISIS, some(false), RestartsGracefully},
	} {
		a := restarting(x.protocol, 120*time.Second)
		a.Restart.Notification = some(true)
		a.BFD = state.BFDProtection{Protected: some(true), Independent: x.c}
		c := &state.Capture{Adjacencies: []state.Adjacency{a, bfdOn("port-1/0/1", 300*ms, 3)}}
		if got := Predict(c, Fixed(5*time.Second), Options{}).Adjacencies[0]; got.Outcome != x.want {
			t.Errorf("%s, C bit %v: %s, want %s: %s", x.protocol, x.c, got.Outcome, x.want, got.Why)
		}
		// Stretched to 10 s × 255, or suspended, it is no danger.
		c.Adjacencies[1] = bfdOn("port-1/0/1", 10*time.Second, 255)
		if got := Predict(c, Fixed(5*time.Second), Options{}).Adjacencies[0]; got.Outcome != RestartsGracefully {
			t.Errorf("%s with a stretched session: %s", x.protocol, got.Outcome)
		}
	}
}

// TestALostNeighbourEndsTheHelpOfAllOthers
// Source: RFC 3623 §3.2, unless strict checks are off.
func TestALostNeighbourEndsTheHelpOfAllOthers(t *testing.T) {
	helped, cold := restarting(state.OSPFv2, 120*time.Second), restarting(state.OSPFv2, 0)
	cold.Interface, cold.Neighbour, cold.Restart.Helper = "port-1/0/2", "192.0.2.2", some(false)
	c := &state.Capture{Adjacencies: []state.Adjacency{helped, cold}}
	if got := Predict(c, Fixed(time.Second), Options{}).Adjacencies[0]; got.Outcome != Drops || got.Alone != 1 || !slices.Contains(got.StandsOn, "no changed LSA in ospfv2") {
		t.Errorf("strict: %+v", got)
	}
	// What stands on a neighbour in a domain names it.
	far := state.Adjacency{Protocol: state.BGP, Neighbour: "198.51.100.9", Restart: state.Restart{Nonstop: some(true)}}
	over := &state.Capture{
		Adjacencies: append(slices.Clone(c.Adjacencies), far),
		RouteTables: []state.RouteTable{{Routes: []state.Route{{Prefix: "198.51.100.0/24", Protocol: "OSPF", NextHops: "192.0.2.1"}}}},
	}
	if got := Predict(over, Fixed(time.Second), Options{}).Adjacencies[2]; got.Outcome != Drops || !slices.Equal(got.StandsOn, []string{"ospfv2 192.0.2.1 on port-1/0/1"}) {
		t.Errorf("over a neighbour in a domain: %+v", got)
	}
	c.Adjacencies[0].Restart.StrictLSAChecks = some(false)
	if got := Predict(c, Fixed(time.Second), Options{}).Adjacencies[0]; got.Outcome != RestartsGracefully {
		t.Errorf("not strict: %+v", got)
	}
	c.Adjacencies[0].Restart.StrictLSAChecks = some(true)
	c.Adjacencies[1].Instance = "another"
	if got := Predict(c, Fixed(time.Second), Options{}).Adjacencies[0]; got.Outcome != RestartsGracefully {
		t.Errorf("another instance: %+v", got)
	}
	c.Adjacencies[1] = restarting(state.OSPFv2, 120*time.Second)
	c.Adjacencies[1].Interface = "port-1/0/2"
	f := Predict(c, Fixed(time.Second), Options{})
	if f.Adjacencies[0].Outcome != RestartsGracefully || f.Adjacencies[1].Outcome != RestartsGracefully || f.Untouched != 1 {
		t.Errorf("both helped: %+v", f)
	}
}

// TestLossCoversWhatWasMeasured compares the forecast of loss with restarts of
// real daemons, 1,000 packets/s each way, hello 1 s and dead interval 4 s, BGP
// keepalive 3 s and hold time 9 s.
// Source: measured on FRR 8.4.4.
func TestLossCoversWhatWasMeasured(t *testing.T) {
	bgp, ospf := restarting(state.BGP, 60*time.Second), restarting(state.OSPFv2, 60*time.Second)
	bgp.Timers = state.Timers{Send: some(3 * time.Second), NeighbourDetect: some(9 * time.Second)}
	ospf.Timers = state.Timers{Send: some(time.Second), NeighbourDetect: some(4 * time.Second)}
	bgpNone, bgpShort, bgpNoF, ospfNone := bgp, bgp, bgp, ospf
	bgpNone.Restart = state.Restart{Nonstop: some(false), Own: some(false), Helper: some(false)}
	ospfNone.Restart = bgpNone.Restart
	bgpShort.Restart.Time = some(5 * time.Second)
	bgpNoF.Restart.ForwardingKept = some(false)
	for _, x := range []struct {
		what     string
		a        state.Adjacency
		down     time.Duration
		outcome  Outcome
		measured []float64 // seconds lost in the direction that lost more
	}{
		{"BGP restarts gracefully", bgp, 3 * time.Second, RestartsGracefully, []float64{1.148, 1.150, 1.266}},
		{"BGP without F bit", bgpNoF, 3 * time.Second, RestartsGracefully, []float64{1.154, 1.152, 1.152}},
		{"BGP beyond the restart time", bgpShort, 8 * time.Second, Drops, []float64{5.111, 5.106, 5.355}},
		{"BGP without graceful restart", bgpNone, 3 * time.Second, Drops, []float64{5.168, 5.165, 5.167}},
		{"OSPF planned", ospf, 3 * time.Second, RestartsGracefully, []float64{0, 0}},
		{"OSPF planned, down longer than the dead interval", ospf, 6 * time.Second, RestartsGracefully, []float64{0}},
		{"OSPF without graceful restart", ospfNone, 3 * time.Second, Drops, []float64{14.668, 14.679, 11.591, 11.550, 9.602}},
		{"OSPF without, down 6 s", ospfNone, 6 * time.Second, Drops, []float64{16.806, 9.486}},
	} {
		got, f := forecastOne(x.a, Fixed(x.down), Options{Implementation: "frr", ResumeDelay: Silence{}})
		if got.Outcome != x.outcome {
			t.Errorf("%s: %s, want %s: %s", x.what, got.Outcome, x.outcome, got.Why)
		}
		for _, m := range x.measured {
			if m < got.Loss.Least-1e-9 || m > got.Loss.Most+1e-9 {
				t.Errorf("%s: %v s were lost, the forecast says %v", x.what, m, got.Loss)
			}
		}
		if touched := x.measured[0] > 0; touched == (f.Untouched > 0) {
			t.Errorf("%s: P(untouched) = %v", x.what, f.Untouched)
		}
	}
}

func TestNeighboursMustNotRestartTogether(t *testing.T) {
	between := func(a, b string, protocol string, graceful bool) state.Adjacency {
		x := restarting(protocol, 120*time.Second)
		x.Interface, x.Neighbour, x.Peer = "to-"+b, b, some(b)
		x.Restart.Own = some(graceful)
		return x
	}
	captures := map[fleet.DeviceID]*state.Capture{
		"mere-agg-1": {Adjacencies: []state.Adjacency{between("mere-agg-1", "mere-agg-2", state.OSPFv2, true), between("mere-agg-1", "dyke-edge-1", state.OSPFv2, true)}},
		"mere-agg-2": {Adjacencies: []state.Adjacency{between("mere-agg-2", "mere-agg-1", state.OSPFv2, true)}},
		// Two hops from mere-agg-2, and its adjacency drops.
		"dyke-edge-1": {Adjacencies: []state.Adjacency{between("dyke-edge-1", "mere-agg-1", state.OSPFv2, false)}},
		"sluice-1":    {Adjacencies: []state.Adjacency{{Protocol: state.BGP, Interface: "user-1", Restart: state.Restart{Own: some(true), Helper: some(true)}}}},
		"sluice-2":    {Adjacencies: []state.Adjacency{{Protocol: state.LLDP, Interface: "user-9"}}},
	}
	f := &fleet.Fleet{Links: []fleet.Link{{A: fleet.Endpoint{Device: "sluice-1", Interface: "user-1"}, B: fleet.Endpoint{Device: "sluice-2", Interface: "user-9"}}}}
	got := Conflicts(f, captures, Options{})
	want := [][2]fleet.DeviceID{{"dyke-edge-1", "mere-agg-1"}, {"dyke-edge-1", "mere-agg-2"}, {"mere-agg-1", "mere-agg-2"}, {"sluice-1", "sluice-2"}}
	if len(got) != len(want) {
		t.Fatalf("got %+v", got)
	}
	for i, c := range got {
		if c.A != want[i][0] || c.B != want[i][1] || c.Reason == "" || c.Source == "" {
			t.Errorf("got %+v, want %v", c, want[i])
		}
	}
}
