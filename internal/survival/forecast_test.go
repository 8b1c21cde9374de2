package survival

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"towpath/internal/state"
)

const ms = time.Millisecond

// forecastOne is the forecast of one adjacency on its own.
func forecastOne(a state.Adjacency, s Silence, o Options) (AdjacencyForecast, Forecast) {
	f := Predict(&state.Capture{Device: "mere-agg-1", Adjacencies: []state.Adjacency{a}}, s, o)
	return f.Adjacencies[0], f
}

// TestStandardTimersGiveTheStandardsBudget checks, for a device that tells no
// timer, the silence that the standard's own figures allow: detection time
// less one hello interval.
func TestStandardTimersGiveTheStandardsBudget(t *testing.T) {
	for _, x := range []struct {
		protocol string
		safe     time.Duration
		source   string
	}{
		{state.BGP, 60 * time.Second, "RFC 4271 §10: HoldTime 90 s, KeepaliveTime 30 s"},
		{state.OSPFv2, 30 * time.Second, "RFC 2328 appendix C.3: 10 s and 40 s"},
		{state.OSPFv3, 30 * time.Second, "RFC 5340 appendix C.3"},
		{state.ISIS, 20 * time.Second, "RFC 1142: point-to-point hello 10 s, multiplier 3"},
		{state.VRRP, 2609375 * time.Microsecond, "RFC 9568 §6.1: priority 100, interval 1 s: down after 3.609375 s"},
		{state.LACP, 2 * time.Second, "IEEE 802.1AX clause 6.4: short timeout 3 s, fast 1 s"},
		{state.RSTP, 4 * time.Second, "IEEE 802.1D-2004 clause 17.21.23: 3 × 2 s"},
		{state.LLDP, 90 * time.Second, "IEEE 802.1AB: 30 s × 4"},
		{state.PIM, 75 * time.Second, "RFC 7761 §4.11: 3.5 × 30 s"},
		{state.LDP, 10 * time.Second, "RFC 5036 §3.5.2: link hello hold 15 s, a third of it between hellos"},
		{state.RSVP, 12500 * time.Microsecond, "RFC 3209 §5.3: 3.5 × 5 ms"},
		{IGMP, 130 * time.Second, "RFC 3376 §8.5: 2 × 125 s + 10 s / 2"},
		{MLD, 130 * time.Second, "RFC 3810 §9.5"},
		{state.BFD, 600 * ms, "common practice: 300 ms × 3"},
	} {
		a, f := forecastOne(state.Adjacency{Protocol: x.protocol, Neighbour: "192.0.2.1"}, Fixed(x.safe), Options{})
		if d := a.Safe - x.safe; d < -time.Microsecond || d > time.Microsecond {
			t.Errorf("%s is safe up to %v, want %v (%s)", x.protocol, a.Safe, x.safe, x.source)
		}
		if a.Outcome != Holds || a.Survive != 1 {
			t.Errorf("%s at its safe silence: %s, %v", x.protocol, a.Outcome, a.Survive)
		}
		if len(f.Assumed) < 2 || !a.Inputs[0].Assumed || a.Inputs[0].Source == "" {
			t.Errorf("%s: what is assumed is not marked: %v", x.protocol, f.Assumed)
		}
		dead, _ := forecastOne(state.Adjacency{Protocol: x.protocol, Neighbour: "192.0.2.1"}, Fixed(10*x.safe), Options{})
		if dead.Outcome != Drops || dead.Survive != 0 {
			t.Errorf("%s at ten times its safe silence: %s, %v", x.protocol, dead.Outcome, dead.Survive)
		}
	}
}

// TestLANsOfISISHaveTimersOfTheirOwn
// Source: RFC 1142, iSISHelloTimer 3 s, dRISISHelloTimer 1 s, ISISHoldingMultiplier
// 10; RFC 4444.
func TestLANsOfISISHaveTimersOfTheirOwn(t *testing.T) {
	for role, want := range map[string]time.Duration{"": 20 * time.Second, "lan": 27 * time.Second, "dis": 9 * time.Second} {
		a := state.Adjacency{Protocol: state.ISIS, Neighbour: "1980.5110.0011"}
		if role != "" {
			a.Role = some(role)
		}
		if got, _ := forecastOne(a, Fixed(time.Second), Options{}); got.Safe != want {
			t.Errorf("role %q: safe up to %v, want %v", role, got.Safe, want)
		}
	}
}

// TestDesignatedForwarderFollowsItsSessions: an Ethernet segment's election
// follows the routes of BGP, and waits 3 s once a session is back.
// Source: RFC 7432 §8.5.
func TestDesignatedForwarderFollowsItsSessions(t *testing.T) {
	bgp := state.Adjacency{Protocol: state.BGP, Interface: "lag-1", Neighbour: "192.0.2.1", Restart: state.Restart{Nonstop: some(true)},
		Timers: state.Timers{Send: some(3 * time.Second), NeighbourDetect: some(9 * time.Second)}}
	c := &state.Capture{Adjacencies: []state.Adjacency{bgp, {Protocol: EVPN, Neighbour: "segment 00:11"}}}
	f := Predict(c, Fixed(5*time.Second), Options{})
	if got := f.Adjacencies[1]; got.Outcome != Holds || !slices.Equal(got.StandsOn, []string{"bgp 192.0.2.1 on lag-1"}) {
		t.Errorf("%+v", got)
	}
	f = Predict(c, Fixed(12*time.Second), Options{})
	if s, e := f.Adjacencies[0], f.Adjacencies[1]; e.Outcome != Drops || e.Alone != 1 || math.Abs(e.IfLost.Least-s.IfLost.Least-3) > 1e-9 {
		t.Errorf("lost with its session: %+v", e)
	}
}

// TestTicksThatSleep: where all timers count ticks of a second, a sender that
// slept has lost the ticks of its sleep.
// Source: by hand. Hellos are each second tick and the last one was u seconds
// before the silence, 0 ≤ u < 2. If u < 1 the waking sender counts one tick and
// has one to go, so the neighbour hears nothing for u + S + 1; otherwise it sends
// at once, after u + S. Either way that is even between S + 1 and S + 2.
func TestTicksThatSleep(t *testing.T) {
	p, err := ReadProfiles(strings.NewReader("daemons:\n  ticks:\n    rstp: {tick: 1s, source: by hand}\n"))
	if err != nil {
		t.Fatal(err)
	}
	a := state.Adjacency{Protocol: state.RSTP, Interface: "port-1", Neighbour: "8000.0200", Role: some("designated")}
	for s, want := range map[float64]float64{3.9: 1, 4: 1, 4.25: 0.75, 4.5: 0.5, 4.9: 0.1, 5.01: 0} {
		got, _ := forecastOne(a, Fixed(seconds(s)), Options{Profiles: p, Implementation: "ticks"})
		if math.Abs(got.Survive-want) > 1e-9 {
			t.Errorf("%v s: %v, want %v", s, got.Survive, want)
		}
		acted, n := 0, 20000
		for i := range n {
			u, gap := 2*(float64(i)+0.5)/float64(n), 0.0
			if gap = u + s; u < 1 {
				gap++
			}
			if gap < 6 {
				acted++
			}
		}
		if math.Abs(float64(acted)/float64(n)-want) > 1e-3 {
			t.Errorf("%v s acted out: %v, want %v", s, float64(acted)/float64(n), want)
		}
	}
	// The loss still counts from when the neighbour gives up, 4 to 6 s in.
	if got, _ := forecastOne(a, Fixed(10*time.Second), Options{Profiles: p, Implementation: "ticks"}); got.IfLost.Least != 4 || got.IfLost.Most != 36 {
		t.Errorf("%v, want 10 - 6 s and 10 - 4 s, and up to 30 s on the way back", got.IfLost)
	}
}

// TestABridgeIsGivenUpWhileItSleeps: a neighbour allows six whole ticks, of which
// the first had begun when the last hello came, and one that is over once the
// device is awake does no harm, however late the device's next hello is.
// Source: Open vSwitch 3.1.0, lib/rstp-state-machines.c, updt_rcvd_info_while and
// decrease_rstp_port_timers__; ofproto/ofproto-dpif.c, rstp_run. Acted out here
// with ticks of exactly a second, over all phases of both ends.
func TestABridgeIsGivenUpWhileItSleeps(t *testing.T) {
	b := BuiltinProfiles().Daemons["ovs"][state.RSTP]
	b.Late, b.HelloLate = nil, nil
	p := &Profiles{Protocols: BuiltinProfiles().Protocols, Daemons: map[string]map[string]Behaviour{"ticks": {state.RSTP: b}}}
	a := state.Adjacency{Protocol: state.RSTP, Interface: "port-1", Neighbour: "8000.0200", Role: some("designated"), Implement: some("ticks"),
		Timers: state.Timers{Send: some(2 * time.Second), NeighbourDetect: some(6 * time.Second)}}
	for _, s := range []float64{2.9, 3.5, 4.4, 5, 5.6, 6.1} {
		got, _ := forecastOne(a, Fixed(seconds(s)), Options{Profiles: p, Implementation: "ticks"})
		lived, n := 0, 200
		for i := range n {
			for j := range n {
				age, phase := 2*(float64(i)+0.5)/float64(n), (float64(j)+0.5)/float64(n) // of the last hello; into a tick, when it came
				left, tick := 6, -phase
				for left > 0 {
					tick++
					left--
				}
				if tick > age+s {
					lived++
				}
			}
		}
		if want := float64(lived) / float64(n*n); math.Abs(got.Survive-want) > 0.01 {
			t.Errorf("%v s: %v, acted out %v", s, got.Survive, want)
		}
	}
}

// TestASessionOverTCPHasATimerOfItsOwn: LDP's hellos are UDP and no matter of a
// cut TCP session, whose keepalives are.
// Source: RFC 5036 §2.4.1 and §2.5.6; RFC 6298 §5.5, first copy after 1 s.
func TestASessionOverTCPHasATimerOfItsOwn(t *testing.T) {
	a := state.Adjacency{Protocol: state.LDP, Interface: "lag-1", Neighbour: "192.0.2.1",
		Timers: state.Timers{Send: some(100 * time.Second), NeighbourDetect: some(1000 * time.Second)}}
	for _, x := range []struct {
		cut  bool
		s    time.Duration
		safe time.Duration
	}{
		// By hand: keepalives each 60 s, 180 s allowed; hellos do not limit.
		{false, 100 * time.Second, 120 * time.Second},
		// A copy after 64 s is the last within 180 - 60 s.
		{true, 60 * time.Second, 64 * time.Second},
	} {
		got, _ := forecastOne(a, Fixed(x.s), Options{TransportCut: x.cut})
		if got.Safe != x.safe || got.Outcome != Holds {
			t.Errorf("cut %v: %s, safe up to %v, want %v", x.cut, got.Outcome, got.Safe, x.safe)
		}
	}
	a.Timers = state.Timers{} // hellos of 5 s that hold for 15 limit it, cut or not
	for _, cut := range []bool{false, true} {
		if got, _ := forecastOne(a, Fixed(time.Second), Options{TransportCut: cut}); got.Safe != 10*time.Second {
			t.Errorf("cut %v: safe up to %v, want 10s", cut, got.Safe)
		}
	}
}

// TestNoKeepaliveMoreThanOnceASecond: jitter does not shorten an interval of a
// second. Source: RFC 4271 §4.4; §10 for the jitter of longer ones.
func TestNoKeepaliveMoreThanOnceASecond(t *testing.T) {
	for hello, want := range map[time.Duration]age{time.Second: {1, 1}, 1200 * ms: {1, 1.2}, 3 * time.Second: {2.25, 3}} {
		k := newCompiler(&state.Capture{}, Options{})
		k.add(state.Adjacency{Protocol: state.BGP, Neighbour: "192.0.2.1", Timers: state.Timers{Send: some(hello), NeighbourDetect: some(3 * hello)}})
		if got := k.relations[0].own.nbr.age; math.Abs(got.lo-want.lo)+math.Abs(got.hi-want.hi) > 1e-9 {
			t.Errorf("each %v: %v, want %v", hello, got, want)
		}
	}
}

// TestToldTimersCount checks the budget that the timers of a device give.
func TestToldTimersCount(t *testing.T) {
	d := func(x time.Duration) state.Opt[time.Duration] { return some(x) }
	for _, x := range []struct {
		a      state.Adjacency
		safe   time.Duration
		source string
	}{
		// Source: RFC 5880 §6.8.4: mult 3 × max(300, 300) ms = 900 ms, and so on.
		{state.Adjacency{Protocol: state.BFD, Timers: state.Timers{Send: d(300 * ms), NeighbourDetect: d(900 * ms)}}, 600 * ms, "RFC 5880 §6.8.4"},
		{state.Adjacency{Protocol: state.BFD, Timers: state.Timers{Send: d(100 * ms), NeighbourDetect: d(300 * ms)}}, 200 * ms, "RFC 5880 §6.8.4"},
		{state.Adjacency{Protocol: state.BFD, Timers: state.Timers{Send: d(20 * ms), NeighbourDetect: d(100 * ms)}}, 80 * ms, "RFC 5880 §6.8.4"},
		{state.Adjacency{Protocol: state.BFD, Timers: state.Timers{Send: d(10 * time.Second)}, BFD: state.BFDProtection{Multiplier: some(255)}}, 2540 * time.Second, "RFC 7419 §3: 10 s × 255 = 2550 s"},
		// Source: IEEE 802.1AX clause 6.4: long timeout 90 s, slow 30 s.
		{state.Adjacency{Protocol: state.LACP, Timers: state.Timers{Send: d(30 * time.Second), NeighbourDetect: d(90 * time.Second)}}, 60 * time.Second, "IEEE 802.1AX"},
		// Source: RFC 4271 §4.2: the lower hold time of the two counts at both ends.
		{state.Adjacency{Protocol: state.BGP, Timers: state.Timers{OwnDetect: d(9 * time.Second)}}, 6 * time.Second, "RFC 4271 §4.2"},
		{state.Adjacency{Protocol: state.ISIS, Role: some("dis")}, 9 * time.Second, "RFC 4444: DIS 1 s × 10"},
		{state.Adjacency{Protocol: state.OSPFv2, Timers: state.Timers{NeighbourDetect: d(4 * time.Second)}}, 3 * time.Second, "RFC 2328 appendix C.3: a quarter between hellos"},
	} {
		got, _ := forecastOne(x.a, Fixed(0), Options{})
		if got.Safe != x.safe {
			t.Errorf("%s %+v: safe up to %v, want %v (%s)", x.a.Protocol, x.a.Timers, got.Safe, x.safe, x.source)
		}
	}
	// Source: RFC 4271 §4.2, a hold time of zero never expires.
	never, f := forecastOne(state.Adjacency{Protocol: state.BGP, Timers: state.Timers{NeighbourDetect: d(0)}}, Fixed(time.Hour), Options{})
	if never.Outcome != Holds || !never.Unlimited || !f.Unlimited || f.Untouched != 1 {
		t.Errorf("hold time 0: %+v", never)
	}
}

// TestProbabilityOfOneAdjacencyByHand: with an exact interval the age of the
// last hello is uniform, so the chance falls in a line.
func TestProbabilityOfOneAdjacencyByHand(t *testing.T) {
	a := ospfOn("port-1/0/1", time.Second, 4*time.Second)
	a.BFD.Protected = some(false)
	for s, want := range map[time.Duration]float64{3 * time.Second: 1, 3250 * ms: 0.75, 3500 * ms: 0.5, 4 * time.Second: 0} {
		if got, _ := forecastOne(a, Fixed(s), Options{}); math.Abs(got.Survive-want) > 1e-12 {
			t.Errorf("at %v: %v, want %v", s, got.Survive, want)
		}
	}
	// A resume delay of half a second is half a second less.
	if got, _ := forecastOne(a, Fixed(3*time.Second), Options{ResumeDelay: Fixed(500 * ms)}); math.Abs(got.Survive-0.5) > 1e-12 {
		t.Errorf("with a resume delay: %v", got.Survive)
	}
	// Both ends' timers of equal length: the square, when their hellos are
	// independent and a device that wakes overdue kills its neighbour.
	a.Restart, a.Implement = state.Restart{}, some("somebody")
	if got, f := forecastOne(a, Fixed(3500*ms), Options{}); math.Abs(got.Survive-0.25) > 1e-12 || len(f.Cautions) == 0 {
		t.Errorf("self-drop: %v %v", got.Survive, f.Cautions)
	}
	// A triangle from 3 s to 4 s with mode 4 s: ∫ 2x(1-x) dx = 1/3.
	a.Restart = state.Restart{Nonstop: some(true)}
	got, f := forecastOne(a, Silence{3 * time.Second, 4 * time.Second, 4 * time.Second}, Options{})
	if math.Abs(got.Survive-1.0/3) > 1e-9 || math.Abs(f.Untouched-1.0/3) > f.Error+1e-12 {
		t.Errorf("integral: %v, device %v ± %v, want 1/3", got.Survive, f.Untouched, f.Error)
	}
}

// TestOneSilenceIsShared: two adjacencies that live or die with the silence are
// no two coins.
func TestOneSilenceIsShared(t *testing.T) {
	c := &state.Capture{}
	for _, n := range []string{"192.0.2.1", "192.0.2.2", "192.0.2.3"} {
		a := ospfOn("et-"+n, time.Millisecond, 2*time.Second) // the phase hardly matters
		a.Neighbour, a.BFD.Protected = n, some(false)
		c.Adjacencies = append(c.Adjacencies, a)
	}
	f := Predict(c, Between(time.Second, 3*time.Second), Options{})
	if p := f.Adjacencies[0].Survive; math.Abs(p-0.5) > 0.01 || math.Abs(f.Untouched-p) > 0.01 {
		t.Errorf("one lives with %v, all three with %v: want about a half both", p, f.Untouched)
	}
}

func TestRolesDecideWhetherAnybodyListens(t *testing.T) {
	for _, a := range []state.Adjacency{
		{Protocol: state.VRRP, Role: some("backup")},
		{Protocol: state.RSTP, Role: some("leaf")},
		{Protocol: IGMP, Role: some("non-querier")},
		{Protocol: state.BFD, Role: some("demand")},
		{Protocol: state.BFD, BFD: state.BFDProtection{Offloaded: some(true)}},
	} {
		if got, _ := forecastOne(a, Fixed(time.Hour), Options{}); got.Outcome != Holds || got.Why == "" || got.Source == "" {
			t.Errorf("%+v: %+v", a, got)
		}
	}
	for _, a := range []state.Adjacency{{Protocol: state.VRRP}, {Protocol: state.RSTP}, {Protocol: IGMP}, {Protocol: state.BFD, Role: some("echo")}} {
		if got, _ := forecastOne(a, Fixed(time.Hour), Options{}); got.Outcome != Drops {
			t.Errorf("%+v: %+v", a, got)
		}
	}
}

// TestSpanningTreesAreForecast
// Source: IEEE 802.1D-2004 clause 17.21.23, 3 × the root's hello time.
func TestSpanningTreesAreForecast(t *testing.T) {
	c := &state.Capture{SpanningTrees: []state.SpanningTree{
		{Instance: "rstp", Root: some(true), Hello: some(time.Second)}, {Instance: "mst 3", Root: some(false)},
	}}
	f := Predict(c, Fixed(2500*ms), Options{})
	if a := f.Adjacencies[0]; math.Abs(a.Survive-0.5) > 1e-12 || a.Instance != "rstp" || !a.Carries {
		t.Errorf("%+v", a)
	}
	// Not the root, and still designated below for all that is told.
	if a := f.Adjacencies[1]; a.Outcome != Holds || a.Safe != 4*time.Second || len(f.Assumed) == 0 {
		t.Errorf("%+v", a)
	}
	// An adjacency that the capture lists takes the tree's place.
	c.Adjacencies = []state.Adjacency{{Protocol: state.RSTP, Instance: "rstp", Interface: "port-1", Neighbour: "8000.0200", Role: some("leaf")}}
	if f = Predict(c, Fixed(2500*ms), Options{}); len(f.Adjacencies) != 2 || f.Untouched != 1 {
		t.Errorf("%+v", f)
	}
}

func TestWhatIsDownAlreadyTouchesNothing(t *testing.T) {
	a := ospfOn("port-1", time.Second, 4*time.Second)
	a.Up = some(false)
	got, f := forecastOne(a, Fixed(time.Minute), Options{})
	if f.Untouched != 1 || got.Carries || got.Outcome != Drops || got.Loss != (Interval{}) {
		t.Errorf("%+v %+v", got, f)
	}
	// Nor does a neighbour database of LLDP.
	if _, f = forecastOne(state.Adjacency{Protocol: state.LLDP}, Fixed(time.Hour), Options{}); f.Untouched != 1 || !f.Unlimited {
		t.Errorf("LLDP: %+v", f)
	}
}

func TestUnknownProtocolIsSaid(t *testing.T) {
	got, f := forecastOne(state.Adjacency{Protocol: "carrier-pigeon", Neighbour: "loft"}, Fixed(time.Hour), Options{})
	if len(f.Cautions) != 1 || !strings.Contains(f.Cautions[0], "carrier-pigeon") || len(got.Cautions) != 1 {
		t.Errorf("%+v", f.Cautions)
	}
}

// layered is a device on which most kinds of layers meet.
func layered() *state.Capture {
	lag := state.Aggregate{Name: "lag-1", MinLinks: some(1), Members: []state.LACPMember{
		{Interface: "port-1/0/1", PartnerTimeout: some("LONG")}, {Interface: "port-2/0/1", PartnerTimeout: some("SHORT")},
	}}
	ospf := ospfOn("lag-1.100", 10*time.Second, 40*time.Second)
	ospf.BFD = state.BFDProtection{Protected: some(true), Session: some("192.0.2.1")}
	ospf.Neighbour = "10.0.0.2"
	return &state.Capture{
		Device: "mere-agg-1", Aggregates: []state.Aggregate{lag},
		Adjacencies: []state.Adjacency{
			ospf, bfdOn("lag-1.100", time.Second, 3),
			{Protocol: state.LDP, Interface: "lag-1.100", Neighbour: "10.0.0.2:0", Restart: state.Restart{Nonstop: some(true)}},
			{Protocol: state.BGP, Neighbour: "10.0.0.9", Restart: state.Restart{Nonstop: some(true)}},
			{Protocol: EVPN, Instance: "segment 1", Neighbour: "designated forwarder"},
			{Protocol: state.BFD, Interface: "port-1/0/1", Neighbour: "192.0.2.33", BFD: state.BFDProtection{Offloaded: some(true)}},
		},
	}
}

func TestLayersStandOnEachOther(t *testing.T) {
	c := layered()
	const s = 2500 * ms
	f := Predict(c, Fixed(s), Options{})
	by := map[string]AdjacencyForecast{}
	for _, a := range f.Adjacencies {
		by[a.Protocol+" "+a.Interface] = a
	}
	// The quick member link is at even odds, the slow one sure, one is enough.
	short, bfd := by["lacp port-2/0/1"], by["bfd lag-1.100"]
	if math.Abs(short.Survive-0.5) > 1e-12 || by["lacp port-1/0/1"].Survive != 1 || bfd.Alone != bfd.Survive {
		t.Fatalf("links: %+v %+v", short, bfd)
	}
	if p := by["ospfv2 lag-1.100"]; p.Alone != 1 || math.Abs(p.Survive-bfd.Survive) > 1e-12 || p.Outcome != AtRisk || len(p.StandsOn) != 2 {
		t.Errorf("OSPF stands on BFD: %+v", p)
	}
	for _, n := range []string{"ldp lag-1.100", "bgp ", "evpn "} {
		if p := by[n]; math.Abs(p.Survive-bfd.Survive) > 1e-12 || p.Alone != 1 {
			t.Errorf("%s stands on OSPF: %+v", n, p)
		}
	}
	// Traffic is touched when the quick link goes, though the aggregate stays.
	if want := bfd.Survive * short.Survive; math.Abs(f.Untouched-want) > 1e-12 {
		t.Errorf("untouched %v, want %v", f.Untouched, want)
	}
	if f.Safe != 2*time.Second {
		t.Errorf("safe up to %v by %s", f.Safe, f.Limiting)
	}
	// With two links needed the aggregate goes with the quick one.
	c.Aggregates[0].MinLinks = some(2)
	f = Predict(c, Fixed(s), Options{})
	if p := f.Adjacencies[1]; math.Abs(p.Survive-bfd.Survive*0.5) > 1e-12 {
		t.Errorf("BFD on an aggregate that needs both links: %v", p.Survive)
	}
}

// TestMicroBFDTakesTheMemberOnly
// Source: RFC 7130 §5, a member whose session is down leaves the load balancing.
func TestMicroBFDTakesTheMemberOnly(t *testing.T) {
	c := layered()
	c.Adjacencies[5].BFD = state.BFDProtection{} // no longer in hardware: dies at once
	c.Adjacencies[1].BFD = state.BFDProtection{Offloaded: some(true)}
	f := Predict(c, Fixed(2500*ms), Options{})
	if p := f.Adjacencies[5]; p.Outcome != Drops || len(p.StandsOn) != 0 {
		t.Errorf("micro-BFD: %+v", p)
	}
	// The slow link is gone with its session, so all hangs on the quick one.
	if p := f.Adjacencies[0]; math.Abs(p.Survive-0.5) > 1e-12 {
		t.Errorf("OSPF over the aggregate: %+v", p)
	}
}

func TestRouteDecidesWhatAFarSessionStandsOn(t *testing.T) {
	quick, slow := ospfOn("port-1", time.Second, 4*time.Second), ospfOn("port-2", 10*time.Second, 40*time.Second)
	quick.Neighbour, slow.Neighbour = "192.0.2.1", "192.0.2.2"
	quick.BFD, slow.BFD = state.BFDProtection{Protected: some(false)}, state.BFDProtection{Protected: some(false)}
	far := state.Adjacency{Protocol: state.BGP, Neighbour: "198.51.100.9", Restart: state.Restart{Nonstop: some(true)}}
	c := &state.Capture{Adjacencies: []state.Adjacency{quick, slow, far}}
	survive := func() float64 { return Predict(c, Fixed(3500*ms), Options{}).Adjacencies[2].Survive }
	if p := survive(); p != 1 {
		t.Errorf("two ways, one sure: %v", p)
	}
	route := func(prefix, protocol, hops string) {
		c.RouteTables = []state.RouteTable{{Family: "ipv4", Routes: []state.Route{{Prefix: "0.0.0.0/0", Protocol: "static", NextHops: "192.0.2.2"}, {Prefix: prefix, Protocol: protocol, NextHops: hops}}}}
	}
	route("198.51.100.9/32", "OSPF", "192.0.2.1")
	if p := survive(); math.Abs(p-0.5) > 1e-12 {
		t.Errorf("by the quick one only: %v", p)
	}
	route("198.51.100.0/24", "OSPF", "192.0.2.1,192.0.2.2")
	if p := survive(); p != 1 {
		t.Errorf("by both: %v", p)
	}
	route("198.51.100.0/24", "DIRECTLY_CONNECTED", "port-3")
	if p := survive(); p != 1 {
		t.Errorf("connected: %v", p)
	}
}

// Whatever silence the law lets happen costs what the range says.
func TestRangeCoversEverySilence(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCapture(t)
		least := time.Duration(rapid.IntRange(0, 4000).Draw(t, "least")) * ms
		most := least + time.Duration(rapid.IntRange(1, 8000).Draw(t, "most"))*ms
		f := Predict(c, Silence{least, (least + most) / 2, most}, Options{})
		at := Predict(c, Fixed(least+time.Duration(rapid.Float64Range(0, 1).Draw(t, "at")*float64(most-least))), Options{})
		for i, a := range at.Adjacencies {
			r := f.Adjacencies[i].Range
			if a.Loss.Least < r.Least-1e-9 || a.Loss.Most > r.Most+1e-9 {
				t.Fatalf("%s: %v costs %v, the range is %v", a.Name(), at.Law, a.Loss, r)
			}
		}
	})
}

func TestForecastIsWellFormed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCapture(t)
		least := time.Duration(rapid.IntRange(0, 4000).Draw(t, "least")) * ms
		s := Silence{least, least + time.Duration(rapid.IntRange(0, 1000).Draw(t, "likely"))*ms, least + time.Duration(rapid.IntRange(1000, 4000).Draw(t, "most"))*ms}
		f := Predict(c, s, Options{})
		least1 := 1.0
		for _, a := range f.Adjacencies {
			if a.Survive < 0 || a.Survive > a.Alone+1e-7 || a.Alone > 1 || a.Why == "" || a.Source == "" {
				t.Fatalf("%+v", a)
			}
			if a.Loss.Least > a.Loss.Most || a.IfLost.Least > a.IfLost.Most || a.Loss.Least < 0 || math.IsNaN(a.Loss.Most+a.IfLost.Most) {
				t.Fatalf("%+v", a)
			}
			if a.Range.Least > a.Loss.Least+1e-9 || a.Range.Most < a.Loss.Most-1e-9 {
				t.Fatalf("one silence costs %v, the mean of many %v: %+v", a.Range, a.Loss, a)
			}
			if (a.Outcome == Holds) != (a.Survive == 1) || (a.Outcome == Drops) != (a.Survive == 0) {
				t.Fatalf("%+v", a)
			}
			if a.Carries {
				least1 = min(least1, a.Survive)
			}
			for _, in := range a.Inputs {
				if in.Source == "" || in.Value == "" {
					t.Fatalf("no source: %+v", in)
				}
			}
			if Explain(a) == "" {
				t.Fatal("nothing to explain")
			}
		}
		if f.Untouched > least1+1e-6 || f.Untouched < 0 {
			t.Fatalf("untouched %v, the weakest lives with %v", f.Untouched, least1)
		}
		last := 1.0
		for i, p := range f.Curve {
			if p.Untouched > last+1e-9 || i > 0 && p.Silence <= f.Curve[i-1].Silence {
				t.Fatalf("curve: %v", f.Curve)
			}
			last = p.Untouched
		}
		if !f.Unlimited {
			if at := Predict(c, Fixed(f.Safe), Options{}); at.Untouched < 1-1e-9 {
				t.Fatalf("at the safe silence %v: %v", f.Safe, at.Untouched)
			}
			if f.Limiting == "" {
				t.Fatal("nobody limits")
			}
		}
		if !slices.IsSorted(f.Assumed) {
			t.Fatal(f.Assumed)
		}
		if _, err := json.Marshal(f); err != nil {
			t.Fatal(err)
		}
	})
}

func TestSilenceOutOfOrderIsMendedAndSaid(t *testing.T) {
	f := Predict(&state.Capture{}, Silence{3 * time.Second, time.Second, 2 * time.Second}, Options{})
	if len(f.Cautions) != 1 || f.Law[0].Silence != (Silence{time.Second, 2 * time.Second, 3 * time.Second}) {
		t.Errorf("%+v", f)
	}
}

func TestExplanationShowsEveryInput(t *testing.T) {
	flat := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	f := Predict(layered(), Fixed(2500*ms), Options{Implementation: "frr"})
	for _, a := range f.Adjacencies {
		text := Explain(a)
		for _, want := range append([]string{a.Name(), a.Why, a.Source, a.Timer}, a.StandsOn...) {
			if !strings.Contains(flat(text), flat(want)) {
				t.Errorf("%q is missing in\n%s", want, text)
			}
		}
		for _, in := range a.Inputs {
			source := "[" + in.Source + "]"
			if in.Source == "the device" && !in.Assumed {
				source = "told by the device"
			}
			mark := ""
			if in.Assumed {
				mark = "? "
			}
			if !strings.Contains(flat(text), flat(mark+in.Name+": "+in.Value)) || !strings.Contains(flat(text), flat(source)) {
				t.Errorf("%+v is missing in\n%s", in, text)
			}
		}
		for _, l := range strings.Split(text, "\n") {
			if len([]rune(l)) > columns {
				t.Errorf("%d columns: %q", len([]rune(l)), l)
			}
		}
	}
}

// TestWhoseTimerEndsIt: the sentence names the end that waits, and its sum is
// the largest silence that is sure.
func TestWhoseTimerEndsIt(t *testing.T) {
	d := func(v time.Duration) state.Opt[time.Duration] { return state.Some(v) }
	for _, c := range []struct {
		a    state.Adjacency
		o    Options
		want string
	}{
		// Source: RFC 5880 §6.8.4, the neighbour's detection time.
		{state.Adjacency{Protocol: state.BFD, Neighbour: "192.0.2.1", Timers: state.Timers{Send: d(time.Second), NeighbourDetect: d(3 * time.Second)}}, Options{},
			"the neighbour's: it runs out 3s after the device's last hello, which can be 1s old when the silence begins; 3s - 1s = 2s is sure"},
		// Source: seen in FRR 8.4.4, which drops itself when it wakes; its own timer is the shorter.
		{state.Adjacency{Protocol: state.BFD, Neighbour: "192.0.2.1", Timers: state.Timers{Send: d(time.Second), NeighbourDetect: d(9 * time.Second), NeighbourSend: d(time.Second), OwnDetect: d(3 * time.Second)}}, Options{Implementation: "frr"},
			"the device's own: it runs out 3s after the neighbour's last hello, which can be 1s old when the silence begins; 3s - 1s"},
		// Source: seen in BIRD 2.0.12, a hold time drawn from 0.75 to 1 of its value.
		{state.Adjacency{Protocol: state.BGP, Neighbour: "192.0.2.1", Implement: state.Some("bird"), Timers: state.Timers{Send: d(3 * time.Second), NeighbourDetect: d(9 * time.Second)}}, Options{},
			"the neighbour's: it runs out 6.75s to 9s after"},
		{state.Adjacency{Protocol: state.BFD, Neighbour: "192.0.2.1", Timers: state.Timers{Send: d(time.Second), NeighbourDetect: d(3 * time.Second)}}, Options{ResumeDelay: Fixed(500 * ms)},
			"3s - 1s - 500ms (resume delay) = 1.5s is sure"},
		// Source: RFC 6298 §5.5, the wait doubles.
		{state.Adjacency{Protocol: state.BGP, Neighbour: "192.0.2.1", Timers: state.Timers{Send: d(60 * time.Second), NeighbourDetect: d(180 * time.Second)}}, Options{TransportCut: true}, "the path is cut"},
		// Source: RFC 4271 §4.2, a hold time of zero is no timer.
		{state.Adjacency{Protocol: state.BGP, Neighbour: "192.0.2.1", Timers: state.Timers{NeighbourDetect: d(0), OwnDetect: d(0)}}, Options{}, ""},
	} {
		f := Predict(&state.Capture{Adjacencies: []state.Adjacency{c.a}}, Fixed(time.Second), c.o).Adjacencies[0]
		if !strings.Contains(f.Timer, c.want) || c.want == "" && f.Timer != "" {
			t.Errorf("%s %+v:\ngot  %q\nwant %q", c.a.Protocol, c.a.Timers, f.Timer, c.want)
		}
		if i := strings.LastIndex(f.Timer, " is sure"); i >= 0 {
			words := strings.Fields(f.Timer[:i])
			if got, err := time.ParseDuration(words[len(words)-1]); err != nil || got != f.Safe.Round(time.Millisecond) {
				t.Errorf("%q says %v, and %v is sure", f.Timer, got, f.Safe)
			}
		}
	}
}
