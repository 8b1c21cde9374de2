package survival

import (
	"math"
	"slices"
	"strings"
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
	atOnce, never := Options{Notice: NoticeAtOnce}, Options{Notice: NoticeNever}
	for s, want := range map[time.Duration]Outcome{30 * time.Second: RestartsGracefully, 58 * time.Second: AtRisk, 61 * time.Second: Drops} {
		if got, _ := forecastOne(bgp, Fixed(s), atOnce); got.Outcome != want {
			t.Errorf("BGP after %v: %s, want %s (%s)", s, got.Outcome, want, got.Why)
		}
	}
	if got, _ := forecastOne(bgp, Fixed(58*time.Second), atOnce); math.Abs(got.Survive-0.4) > 1e-9 { // back after 0 to 5 s, 2 s are left
		t.Errorf("two of five seconds: %v", got.Survive)
	}
	// Without it the hold timer, 9 s less a keepalive interval, comes first.
	bgp.Restart.Notification = some(false)
	bgp.Timers = state.Timers{Send: some(3 * time.Second), NeighbourDetect: some(9 * time.Second)}
	for s, want := range map[time.Duration]Outcome{time.Second: RestartsGracefully, 6 * time.Second: AtRisk, 8 * time.Second: AtRisk, 9 * time.Second: Drops} {
		if got, _ := forecastOne(bgp, Fixed(s), never); got.Outcome != want {
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

// TestTheHelpersClockStartsWhenItSeesTheSessionGo: the restart time is not
// counted from the beginning of the silence but from when the helper sees that
// the TCP session is gone.
// Source: RFC 4724 §4.2; RFC 8538 §4 (with the N bit when the hold timer has run
// out too); RFC 3478 §3.3 for LDP; RFC 3473 §9.5.2 for RSVP.
func TestTheHelpersClockStartsWhenItSeesTheSessionGo(t *testing.T) {
	bgp := restarting(state.BGP, 60*time.Second)
	bgp.Restart.Notification = some(true)
	bgp.Timers = state.Timers{Send: some(3 * time.Second), NeighbourDetect: some(9 * time.Second)}
	ldp := restarting(state.LDP, 60*time.Second) // hello 5 s, hold 15 s
	rsvp := restarting(state.RSVP, 60*time.Second)
	rsvp.Timers = state.Timers{Send: some(2 * time.Second), NeighbourDetect: some(7 * time.Second)}
	quick, err := ReadProfiles(strings.NewReader("daemons:\n  quick:\n" +
		"    bgp: {reconnect: [0s, 0s], jitter: [1, 1], source: a session that is back at once}\n" +
		"    ldp: {reconnect: [0s, 0s], source: the same}\n    rsvp: {reconnect: [0s, 0s], source: the same}\n"))
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		what   string
		a      state.Adjacency
		notice Notice
		s      float64
		want   float64 // by hand
	}{
		{"told at once, within the restart time", bgp, NoticeAtOnce, 59.9, 1},
		{"told at once, beyond it", bgp, NoticeAtOnce, 60.1, 0},
		{"not told: the clock starts 6 to 9 s later", bgp, NoticeNever, 65.9, 1},
		{"half of them", bgp, NoticeNever, 67.5, 0.5},
		{"a sixth", bgp, NoticeNever, 68.5, 1.0 / 6},
		{"none", bgp, NoticeNever, 69.1, 0},
		{"nobody knows which: within both", bgp, NoticeUnknown, 59.9, 1},
		{"within one of both", bgp, NoticeUnknown, 65, 0.5},
		{"within half of one", bgp, NoticeUnknown, 67.5, 0.25},
		{"within none", bgp, NoticeUnknown, 69.1, 0},
		{"LDP not told: 10 to 15 s later", ldp, NoticeNever, 72.5, 0.5},
		{"LDP told", ldp, NoticeAtOnce, 60.1, 0},
		{"RSVP has no session to be told of: 5 to 7 s later", rsvp, NoticeAtOnce, 66, 0.5},
	} {
		o := Options{Notice: x.notice, Profiles: quick, Implementation: "quick"}
		got, f := forecastOne(x.a, Fixed(seconds(x.s)), o)
		if math.Abs(got.Survive-x.want) > 1e-9 {
			t.Errorf("%s, %v s: %v, want %v: %s", x.what, x.s, got.Survive, x.want, got.Why)
		}
		if assumed := slices.ContainsFunc(f.Assumed, func(l string) bool { return strings.Contains(l, "neighbour learns of the loss") }); assumed != (x.notice == NoticeUnknown && x.a.Protocol != state.RSVP) {
			t.Errorf("%s: assumed %q", x.what, f.Assumed)
		}
	}
	// Without the N bit an expired hold timer ends the session for good, but one
	// that was reset has none that could expire.
	bgp.Restart.Notification = some(false)
	for _, x := range []struct {
		notice Notice
		s      float64
		want   float64
	}{{NoticeNever, 5.9, 1}, {NoticeNever, 7.5, 0.5}, {NoticeNever, 9.1, 0}, {NoticeAtOnce, 59.9, 1}, {NoticeUnknown, 30, 0.5}} {
		if got, _ := forecastOne(bgp, Fixed(seconds(x.s)), Options{Notice: x.notice, Profiles: quick, Implementation: "quick"}); math.Abs(got.Survive-x.want) > 1e-9 {
			t.Errorf("without N, %q, %v s: %v, want %v: %s", x.notice, x.s, got.Survive, x.want, got.Why)
		}
	}
	// A cut of the transport tells nobody anything.
	if got, _ := forecastOne(bgp, Fixed(30*time.Second), Options{TransportCut: true}); got.Survive != 0 {
		t.Errorf("transport cut: %v", got.Survive)
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
	if got := Predict(c, Fixed(time.Second), Options{}).Adjacencies[0]; got.Outcome != Drops || got.Alone != 1 || !slices.Contains(got.StandsOn, "no changed LSA, as by the loss of another adjacency, in ospfv2") {
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
		variant  string
		a        state.Adjacency
		down     time.Duration
		outcome  Outcome
		measured []float64 // seconds lost in the direction that lost more
	}{
		{"BGP restarts gracefully", "", bgp, 3 * time.Second, RestartsGracefully, []float64{1.148, 1.150, 1.266}},
		{"BGP without F bit", "", bgpNoF, 3 * time.Second, RestartsGracefully, []float64{1.154, 1.152, 1.152}},
		{"BGP beyond the restart time", "", bgpShort, 8 * time.Second, Drops, []float64{5.111, 5.106, 5.355}},
		{"BGP without graceful restart", "", bgpNone, 3 * time.Second, Drops, []float64{5.168, 5.165, 5.167}},
		{"BGP, zebra too, the kernel keeps its routes", "+kept", bgp, 3 * time.Second, RestartsGracefully, []float64{0, 0, 0}},
		{"BGP, zebra too, it sweeps the routes", "+swept", bgp, 3 * time.Second, RestartsGracefully, []float64{2.627, 2.505, 2.660, 3.024}},
		{"BGP, ended in order", "+withdrawn", bgp, 3 * time.Second, RestartsGracefully, []float64{5.615, 5.309, 5.333, 6.022, 6.193}},
		{"BGP and zebra, ended in order", "+withdrawn", bgp, 3 * time.Second, RestartsGracefully, []float64{5.623, 5.529, 5.528}},
		{"BGP without graceful restart, zebra too", "+swept", bgpNone, 3 * time.Second, Drops, []float64{5.107, 5.118, 5.140}},
		{"BGP without, the kernel keeps its routes", "+kept", bgpNone, 3 * time.Second, Drops, []float64{5.157, 5.120, 5.109}},
		{"OSPF planned, zebra too, the kernel keeps its routes", "+kept", ospf, 3 * time.Second, RestartsGracefully, []float64{0}},
		{"OSPF planned, zebra too, it sweeps the routes", "+swept", ospf, 3 * time.Second, RestartsGracefully, []float64{0.470, 0.356, 0.611, 1.702}},
		{"OSPF planned", "", ospf, 3 * time.Second, RestartsGracefully, []float64{0, 0}},
		{"OSPF planned, down longer than the dead interval", "", ospf, 6 * time.Second, RestartsGracefully, []float64{0}},
		{"OSPF without graceful restart", "", ospfNone, 3 * time.Second, Drops, []float64{14.668, 14.679, 11.591, 11.550, 9.602}},
		{"OSPF without, down 6 s", "", ospfNone, 6 * time.Second, Drops, []float64{16.806, 9.486}},
	} {
		got, f := forecastOne(x.a, Fixed(x.down), Options{Implementation: "frr" + x.variant, Notice: NoticeAtOnce})
		if got.Outcome != x.outcome {
			t.Errorf("%s: %s, want %s: %s", x.what, got.Outcome, x.outcome, got.Why)
		}
		for _, m := range x.measured {
			if m < got.Loss.Least-1e-9 || m > got.Loss.Most+1e-9 {
				t.Errorf("%s: %v s were lost, the forecast says %v", x.what, m, got.Loss)
			}
		}
		if got.Protocol == state.BGP && got.Loss.Most-got.Loss.Least > 3.5 {
			t.Errorf("%s: %v is too wide to be of use", x.what, got.Loss)
		}
		if touched := x.measured[0] > 0; touched == (f.Untouched > 0) {
			t.Errorf("%s: P(untouched) = %v", x.what, f.Untouched)
		}
	}
}

// TestLossOfALostSession: what traffic loses from when the neighbour gives up
// until the session and its routes are back.
// Source: RFC 4271 §8.2.2 (an end that starts connects at once, the other
// listens, so ConnectRetryTime is not waited for), §4.4 (the old connection is
// reset at the next KEEPALIVE); RFC 6298 §5.5 (the request comes again after 1, 2
// and 4 s), which with opening and learning is taken as 15 s; 60 s for an end
// that refuses after an error, the longest seen.
func TestLossOfALostSession(t *testing.T) {
	bgp := func(hello time.Duration, nonstop bool) state.Adjacency {
		return state.Adjacency{Protocol: state.BGP, Interface: "lag-1", Neighbour: "192.0.2.1", BFD: state.BFDProtection{Protected: some(false)},
			Timers:  state.Timers{Send: some(hello), NeighbourDetect: some(3 * hello)},
			Restart: state.Restart{Nonstop: some(nonstop), Own: some(false), Helper: some(false)}}
	}
	frr := bgp(3*time.Second, false)
	frr.Implement = some("frr")
	for _, x := range []struct {
		what string
		a    state.Adjacency
		s    time.Duration
		o    Options
		want Interval
	}{
		{"frozen beyond the hold time", bgp(30*time.Second, true), 200 * time.Second, Options{}, Interval{200 - 90, 200 - 60 + 15 + 30 + 60}},
		{"restarted, and the kernel says so", bgp(3*time.Second, false), 3 * time.Second, Options{Notice: NoticeAtOnce}, Interval{3, 3 + 15 + 3}},
		{"restarted, and nobody says so", bgp(3*time.Second, false), 3 * time.Second, Options{Notice: NoticeNever}, Interval{0, 3 + 15 + 3 + 60}},
		{"the same for longer than the hold time", bgp(3*time.Second, false), 20 * time.Second, Options{}, Interval{20 - 9, 20 + 15 + 3 + 60}},
		// What the device needs to start is lost too.
		{"restarted, and slow to start", bgp(3*time.Second, false), 3 * time.Second, Options{Notice: NoticeAtOnce, ResumeDelay: Silence{time.Second, time.Second, 2 * time.Second}}, Interval{3 + 1, 3 + 2 + 15 + 3}},
		{"frozen, and slow to speak", bgp(30*time.Second, true), 200 * time.Second, Options{ResumeDelay: Fixed(5 * time.Second)}, Interval{205 - 90, 205 - 60 + 15 + 30 + 60}},
		// Source: seen in FRR 8.4.4.
		{"two that were measured", frr, 3 * time.Second, Options{Implementation: "frr", Notice: NoticeAtOnce}, Interval{3 + 0.7, 3 + 3}},
		{"two that were measured, and nobody says so", frr, 3 * time.Second, Options{Implementation: "frr"}, Interval{0.7, 3 + 3}},
	} {
		got, _ := forecastOne(x.a, Fixed(x.s), x.o)
		late := 0.3 // lateness of the measured ones
		if got.Outcome != Drops || math.Abs(got.IfLost.Least-x.want.Least) > late || math.Abs(got.IfLost.Most-x.want.Most) > late {
			t.Errorf("%s: %s, %v, want %v", x.what, got.Outcome, got.IfLost, x.want)
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
