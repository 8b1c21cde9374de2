package survival

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"towpath/internal/state"
)

func some[T any](v T) state.Opt[T] { return state.Some(v) }

// bfdOn is a BFD session with the same timers both ways.
func bfdOn(iface string, interval time.Duration, mult int) state.Adjacency {
	d := time.Duration(mult) * interval
	return state.Adjacency{
		Protocol: state.BFD, Interface: iface, Neighbour: "192.0.2.1", Up: some(true),
		Timers: state.Timers{Send: some(interval), NeighbourSend: some(interval), NeighbourDetect: some(d), OwnDetect: some(d)},
	}
}

func ospfOn(iface string, hello, dead time.Duration) state.Adjacency {
	return state.Adjacency{
		Protocol: state.OSPFv2, Interface: iface, Neighbour: "192.0.2.1", Up: some(true),
		Timers:  state.Timers{Send: some(hello), NeighbourSend: some(hello), NeighbourDetect: some(dead), OwnDetect: some(dead)},
		Restart: state.Restart{Nonstop: some(true)}, BFD: state.BFDProtection{Protected: some(true)},
	}
}

func TestAdviceSlowsDownTheFewSessionsThatAreTooQuick(t *testing.T) {
	c := &state.Capture{Device: "mere-agg-1"}
	for i := range 12 {
		iface := fmt.Sprintf("port-1/0/%d", i)
		interval := 10 * time.Second
		if i < 4 {
			interval = 300 * time.Millisecond
		}
		c.Adjacencies = append(c.Adjacencies, ospfOn(iface, 10*time.Second, 40*time.Second), bfdOn(iface, interval, 3))
	}
	law := LawOf(Silence{500 * time.Millisecond, 600 * time.Millisecond, 1500 * time.Millisecond})
	a := Advise(c, law, Options{}, Prices{})
	if !a.Reached || !a.Proven || a.After < 0.999 || a.Before > 0.6 {
		t.Fatalf("%+v", a)
	}
	if len(a.Changes) != 4 || a.Cost != 8 || a.Bound != 8 {
		t.Fatalf("want both ends of four sessions changed for 8, got %+v", a)
	}
	for _, ch := range a.Changes {
		// Source: RFC 7419 §3, 1 s is a common interval.
		if ch.Kind != SetTimers || ch.To != "1s × 3" || ch.Restore == "" || len(ch.Ends) != 2 || ch.Settle <= 0 {
			t.Errorf("%+v", ch)
		}
	}
	// Where timers may not be touched, the sessions are suspended.
	a = Advise(c, law, Options{}, Prices{Timers: -1})
	if !a.Reached || len(a.Changes) != 4 || a.Changes[0].Kind != Suspend || a.Cost != 12 {
		t.Fatalf("%+v", a)
	}
	// Where nothing may, it is said who cannot be saved.
	a = Advise(c, law, Options{}, Prices{Timers: -1, Suspend: -1, Drain: -1, DrainDevice: -1})
	if a.Reached || len(a.Hopeless) != 4 || !strings.HasPrefix(a.Hopeless[0], "bfd 192.0.2.1") {
		t.Fatalf("%+v", a)
	}
	// A drain of the device is cheaper when everything else is dearer.
	a = Advise(c, law, Options{}, Prices{Timers: 100, Suspend: 100, Drain: 100, DrainDevice: 90})
	if !a.Reached || len(a.Changes) != 1 || a.Changes[0].Kind != DrainDevice || a.After != 1 {
		t.Fatalf("%+v", a)
	}
}

func TestEachProtocolIsAdvisedWhatItCanDo(t *testing.T) {
	law := LawOf(Fixed(5 * time.Second))
	timers := func(send, detect time.Duration) state.Timers {
		return state.Timers{Send: some(send), NeighbourSend: some(send), NeighbourDetect: some(detect), OwnDetect: some(detect)}
	}
	s := time.Second
	for _, x := range []struct {
		protocol, role string
		timers         state.Timers
		prices         Prices
		kind           ChangeKind
		to             string
		ends           int
	}{
		{state.ISIS, "", timers(s, 3*s), Prices{}, SetTimers, "7 (7s holding time)", 1},
		{state.OSPFv2, "", timers(s, 4*s), Prices{}, SetTimers, "7s", 2},
		{state.LDP, "", timers(s, 3*s), Prices{}, SetTimers, "7s", 2},
		{state.PIM, "", timers(s, 3500*time.Millisecond), Prices{}, SetTimers, "7s", 1},
		{state.LACP, "", timers(s, 3*s), Prices{}, SetTimers, "long", 1},
		{state.VRRP, "active", timers(s, 3609375*time.Microsecond), Prices{}, SetTimers, "2.55s", 1},
		{state.VRRP, "active", timers(s, 3609375*time.Microsecond), Prices{Timers: -1}, MoveRole, "backup", 1},
		{state.RSVP, "", timers(s, 3500*time.Millisecond), Prices{}, SetTimers, "2.04s", 2},
		{state.BGP, "", timers(s, 3*s), Prices{}, Drain, "", 1},
	} {
		a := state.Adjacency{Protocol: x.protocol, Interface: "port-1/0/1", Neighbour: "192.0.2.1", Timers: x.timers}
		if x.role != "" {
			a.Role = some(x.role)
		}
		got := Advise(&state.Capture{Adjacencies: []state.Adjacency{a}}, law, Options{}, x.prices)
		if !got.Reached || len(got.Changes) != 1 || got.Changes[0].Kind != x.kind || got.Changes[0].To != x.to || len(got.Changes[0].Ends) != x.ends {
			t.Errorf("%s: got %+v, want %s to %q at %d ends", x.protocol, got, x.kind, x.to, x.ends)
		}
		if got.After < 0.999 {
			t.Errorf("%s: after it %v", x.protocol, got.After)
		}
	}
}

func TestALinkThatOthersStandOnAloneIsNotDrained(t *testing.T) {
	fast := func(iface, neighbour string) state.Adjacency {
		a := ospfOn(iface, time.Second, 4*time.Second)
		a.Neighbour, a.BFD.Protected = neighbour, some(false)
		return a
	}
	far := state.Adjacency{Protocol: state.BGP, Neighbour: "198.51.100.9", Up: some(true), Restart: state.Restart{Nonstop: some(true)}}
	law, only := LawOf(Fixed(3500*time.Millisecond)), Prices{Timers: -1, DrainDevice: -1}
	one := &state.Capture{Adjacencies: []state.Adjacency{fast("port-1", "192.0.2.1"), far}}
	if a := Advise(one, law, Options{}, only); a.Reached {
		t.Errorf("drained the only way to a neighbour: %+v", a)
	}
	two := &state.Capture{Adjacencies: []state.Adjacency{fast("port-1", "192.0.2.1"), fast("port-2", "192.0.2.2"), far}}
	if a := Advise(two, law, Options{}, only); a.Reached {
		t.Errorf("drained both ways to a neighbour: %+v", a)
	}
	slow := fast("port-3", "192.0.2.3")
	slow.Timers = state.Timers{Send: some(10 * time.Second), NeighbourDetect: some(40 * time.Second)}
	three := &state.Capture{Adjacencies: append(two.Adjacencies, slow)}
	a := Advise(three, law, Options{}, only)
	if !a.Reached || len(a.Changes) != 2 || a.Cost != 20 || a.After < 0.999 {
		t.Errorf("a third way was left: %+v", a)
	}
}

// TestAdviceIsTheCheapest tries every combination of treatments and drains on
// small random devices, each judged by the exact integral.
func TestAdviceIsTheCheapest(t *testing.T) {
	reached := 0
	rapid.Check(t, func(t *rapid.T) {
		c := drawCapture(t)
		low := time.Duration(rapid.SampledFrom([]int{1200, 1800, 2700, 500, 0}).Draw(t, "least")) * time.Millisecond
		law := LawOf(Silence{low, low + 500*time.Millisecond, low + time.Duration(500+rapid.SampledFrom([]int{1000, 3000, 200, 0}).Draw(t, "width"))*time.Millisecond})
		o := Options{Target: rapid.SampledFrom([]float64{0.5, 0.9, 0.99, 0.999}).Draw(t, "target")}
		p := Prices{
			Timers: rapid.SampledFrom([]float64{1, 2.5}).Draw(t, "timers"), Suspend: rapid.SampledFrom([]float64{1, 3}).Draw(t, "suspend"),
			Drain: rapid.SampledFrom([]float64{2, 4, -1}).Draw(t, "drain"), Move: 3, DrainDevice: -1,
		}
		got := Advise(c, law, o, p)
		if !got.Proven {
			t.Fatalf("a small problem is not proven: %+v", got)
		}
		s := &search{m: newModel(compile(c, o)), law: law, prices: p.filled(), options: o, capture: c, target: o.Target}
		s.nodes()
		s.redundant()
		links := map[string][]int{}
		for _, r := range s.m.touching {
			links[s.link(r)] = append(links[s.link(r)], r)
		}
		units := [][][]choice{} // of each link: of each relation, its choices
		drains := []choice{}
		for key, rs := range links {
			var each [][]choice
			for _, r := range rs {
				each = append(each, s.treatments(r))
			}
			units = append(units, each)
			d, ok := s.drain(key, rs)
			if !ok {
				d.cost = math.Inf(1)
			}
			drains = append(drains, d)
		}
		best, margin := math.Inf(1), math.Inf(1)
		tried := 0
		var walk func(u, r int, cost float64, use []int, changes []Change)
		walk = func(u, r int, cost float64, use []int, changes []Change) {
			if cost >= best+0.01 || tried > 4000 {
				return
			}
			if u == len(units) {
				for g, n := range use {
					if n > s.spare[g] {
						return
					}
				}
				tried++
				after := s.with(changes)
				if after >= o.Target && cost < best {
					best = cost
				}
				margin = min(margin, math.Abs(after-o.Target))
				return
			}
			if r == len(units[u]) {
				walk(u+1, 0, cost, use, changes)
				return
			}
			for _, ch := range units[u][r] {
				walk(u, r+1, cost+ch.cost, use, append(changes[:len(changes):len(changes)], ch.changes...))
			}
			if r == 0 && !math.IsInf(drains[u].cost, 1) {
				sum := make([]int, len(use))
				for g := range sum {
					sum[g] = use[g] + drains[u].use[g]
				}
				walk(u+1, 0, cost+drains[u].cost, sum, append(changes[:len(changes):len(changes)], drains[u].changes...))
			}
		}
		walk(0, 0, 0, make([]int, len(s.spare)), nil)
		if tried > 4000 {
			t.Skip("too many combinations")
		}
		if margin < 1e-4 { // the search sees the law at finitely many silences
			t.Skip("a combination hits the target")
		}
		if got.Reached != !math.IsInf(best, 1) || got.Reached && math.Abs(got.Cost-best) > 1e-6 {
			t.Fatalf("advice costs %v (%v), every combination says %v: %+v", got.Cost, got.Reached, best, got)
		}
		if got.Reached && got.Cost > 0 {
			reached++
			if got.After < o.Target {
				t.Fatalf("told %v, target %v", got.After, o.Target)
			}
		}
	})
	if reached == 0 {
		t.Error("no device could be helped: nothing was compared")
	}
}

// drawCapture draws a small device with links, BFD, OSPF, VRRP and LACP.
func drawCapture(t *rapid.T) *state.Capture {
	c := &state.Capture{Device: "mere-agg-1"}
	s := time.Second
	n := rapid.IntRange(1, 3).Draw(t, "links")
	for i := range n {
		iface := fmt.Sprintf("port-1/0/%d", i)
		if rapid.IntRange(0, 3).Draw(t, "aggregate") == 0 {
			iface = fmt.Sprintf("lag-%d", i)
			g := state.Aggregate{Name: iface, MinLinks: some(1)}
			for j := range rapid.IntRange(1, 2).Draw(t, "members") {
				g.Members = append(g.Members, state.LACPMember{Interface: fmt.Sprintf("port-2/%d/%d", i, j), PartnerTimeout: some(rapid.SampledFrom([]string{"SHORT", "LONG"}).Draw(t, "timeout"))})
			}
			c.Aggregates = append(c.Aggregates, g)
		}
		dead := time.Duration(rapid.IntRange(2, 5).Draw(t, "dead")) * s
		a := ospfOn(iface, s, dead)
		a.Neighbour = fmt.Sprintf("192.0.2.%d", i+1)
		if rapid.Bool().Draw(t, "bfd") {
			b := bfdOn(iface, rapid.SampledFrom([]time.Duration{300 * time.Millisecond, s}).Draw(t, "interval"), 3)
			b.Neighbour = a.Neighbour
			c.Adjacencies = append(c.Adjacencies, b)
		} else {
			a.BFD.Protected = some(false)
		}
		c.Adjacencies = append(c.Adjacencies, a)
		if rapid.IntRange(0, 2).Draw(t, "vrrp") == 0 {
			c.Adjacencies = append(c.Adjacencies, state.Adjacency{
				Protocol: state.VRRP, Interface: iface + ".10", Neighbour: "group 10", Role: some("active"),
				Timers: state.Timers{Send: some(s), NeighbourDetect: some(3609375 * time.Microsecond)},
			})
		}
	}
	if rapid.Bool().Draw(t, "far session") {
		c.Adjacencies = append(c.Adjacencies, state.Adjacency{
			Protocol: state.BGP, Neighbour: "198.51.100.9", Up: some(true),
			Timers:  state.Timers{Send: some(s), NeighbourDetect: some(time.Duration(rapid.IntRange(3, 9).Draw(t, "hold")) * s)},
			Restart: state.Restart{Nonstop: some(true)},
		})
	}
	return c
}

// Every change that can be set says by which settings, and the forecast given
// the changes, made by another way through the code, agrees with the advice.
func TestAdviceIsWhatItsSettingsDo(t *testing.T) {
	changed, kinds := 0, map[ChangeKind]int{}
	rapid.Check(t, func(t *rapid.T) {
		c := &state.Capture{Device: "mere-agg-1"}
		n := rapid.IntRange(1, 6).Draw(t, "links")
		for i := range n {
			iface := fmt.Sprintf("port-1/0/%d", i)
			interval := rapid.SampledFrom([]time.Duration{300 * time.Millisecond, time.Second, 10 * time.Second}).Draw(t, "interval")
			hello := rapid.SampledFrom([]time.Duration{time.Second, 10 * time.Second}).Draw(t, "hello")
			c.Adjacencies = append(c.Adjacencies, ospfOn(iface, hello, 4*hello), bfdOn(iface, interval, 3))
		}
		law := LawOf(Silence{500 * time.Millisecond, 900 * time.Millisecond, rapid.SampledFrom([]time.Duration{1500 * time.Millisecond, 5 * time.Second}).Draw(t, "most")})
		p := Prices{Timers: rapid.SampledFrom([]float64{1, 9, -1}).Draw(t, "timers"), Drain: rapid.SampledFrom([]float64{10, 2, -1}).Draw(t, "drain"), DrainDevice: -1}
		o := Options{Target: 0.999}
		a := Advise(c, law, o, p)
		before, after := PredictLaw(c, law, o), PredictPrepared(c, law, o, a.Changes)
		if math.Abs(before.Untouched-a.Before) > 1e-9 {
			t.Fatalf("before: the advice says %v, the forecast %v", a.Before, before.Untouched)
		}
		if a.Reached && math.Abs(after.Untouched-a.After) > 1e-9 {
			t.Fatalf("after: the advice says %v, the forecast %v, of %+v", a.After, after.Untouched, a.Changes)
		}
		for _, ch := range a.Changes {
			changed++
			kinds[ch.Kind]++
			if !ch.Settable() {
				t.Fatalf("nothing says what to set: %+v", ch)
			}
			for _, s := range append(append([]state.Setting{}, ch.Settings...), ch.PeerSettings...) {
				if s.Value == "" || s.Parameter == "" || s.Protocol == "" {
					t.Fatalf("%+v sets nothing", s)
				}
			}
			for _, s := range ch.Settings {
				if s.Interface == "" {
					t.Fatalf("%q does not say on which interface", s.Text())
				}
			}
		}
	})
	if changed == 0 || kinds[SetTimers] == 0 || kinds[Suspend] == 0 || kinds[Drain] == 0 {
		t.Errorf("%d changes of the kinds %v were advised: too few to prove anything", changed, kinds)
	}
}

// What each kind of change sets, by the standards' own figures.
func TestSettingsOfChanges(t *testing.T) {
	law := LawOf(Fixed(2500 * time.Millisecond))
	tm := func(send, detect time.Duration) state.Timers {
		return state.Timers{Send: some(send), NeighbourSend: some(send), NeighbourDetect: some(detect), OwnDetect: some(detect)}
	}
	nonstop := state.Restart{Nonstop: some(true)}
	alone := ospfOn("port-1/1", time.Second, 3*time.Second)
	alone.BFD = state.BFDProtection{Protected: some(false)}
	helped := ospfOn("port-1/1", 10*time.Second, 40*time.Second)
	helped.Instance, helped.BFD = "default", alone.BFD
	helped.Restart = state.Restart{Nonstop: some(false), Own: some(true), Helper: some(true), ForwardingKept: some(true), StrictLSAChecks: some(false), Time: some(2 * time.Second)}
	for _, c := range []struct {
		name      string
		adj       []state.Adjacency
		prices    Prices
		own, peer string
	}{
		// Source: RFC 7419 §3 and RFC 5880 §6.8.3.
		{"BFD from 300 ms", []state.Adjacency{bfdOn("port-1/1", 300*time.Millisecond, 3), ospfOn("port-1/1", 10*time.Second, 40*time.Second)}, Prices{},
			"bfd port-1/1 transmit-interval 1s; bfd port-1/1 detection-multiplier 4", "bfd transmit-interval 1s; bfd detection-multiplier 4"},
		{"BFD suspended", []state.Adjacency{bfdOn("port-1/1", 300*time.Millisecond, 3), ospfOn("port-1/1", 10*time.Second, 40*time.Second)}, Prices{Timers: -1},
			"bfd port-1/1 enabled false", ""},
		// Source: RFC 2328 §10.5, both ends alike.
		{"OSPF", []state.Adjacency{alone}, Prices{Drain: -1},
			"ospfv2 port-1/1 dead-interval 4s", "ospfv2 dead-interval 4s"},
		// Source: RFC 3623 §2.1; RFC 9129, restart-interval is the process's. By
		// hand: 2.5 s of silence, 55 s until the routes are back, a minute to spare.
		{"OSPF with help", []state.Adjacency{helped}, Prices{Drain: -1}, "ospfv2 default grace-period 1m58s", ""},
		// Source: RFC 6987 §2, the metric of a last resort; each end turns its own traffic.
		{"a link with OSPF drained", []state.Adjacency{alone}, Prices{Timers: -1},
			"ospfv2 port-1/1 metric 65535", "ospfv2 metric 65535"},
		// Source: RFC 4444 and ISO/IEC 10589 §8.4.1, holding time is hello times multiplier.
		{"IS-IS", []state.Adjacency{{Protocol: state.ISIS, Interface: "port-1/1", Neighbour: "1980.5110.0011", Up: some(true), Timers: tm(time.Second, 3*time.Second), Restart: nonstop}}, Prices{Drain: -1},
			"isis port-1/1 hello-multiplier 4", ""},
		// Source: RFC 9568 §6.4.3, the least priority that a router may have is 1.
		{"VRRP moved", []state.Adjacency{{Protocol: state.VRRP, Instance: "20", Interface: "lag-2", Neighbour: "192.0.2.130", Role: some("active"), Up: some(true),
			Timers: state.Timers{Send: some(500 * time.Millisecond), NeighbourDetect: some(1800 * time.Millisecond)}, Restart: nonstop}}, Prices{Timers: -1, Drain: -1},
			"vrrp 20 lag-2 priority 1", ""},
	} {
		a := Advise(&state.Capture{Device: "mere-agg-1", Adjacencies: c.adj}, law, Options{}, c.prices)
		var own, peer []string
		for _, ch := range a.Changes {
			for _, s := range ch.Settings {
				own = append(own, s.Text())
			}
			for _, s := range ch.PeerSettings {
				peer = append(peer, s.Text())
			}
		}
		if strings.Join(own, "; ") != c.own || strings.Join(peer, "; ") != c.peer {
			t.Errorf("%s: on the device %q, on the neighbour %q, want %q and %q\n%+v", c.name, own, peer, c.own, c.peer, a)
		}
	}
	// The whole device, where nothing else may be done.
	c := &state.Capture{Device: "mere-agg-1", Adjacencies: []state.Adjacency{
		bfdOn("port-1/1", 300*time.Millisecond, 3), ospfOn("port-1/1", time.Second, 3*time.Second),
		{Protocol: state.BGP, Instance: "default", Neighbour: "198.51.100.7", Up: some(true), Timers: tm(time.Second, 3*time.Second), Restart: nonstop},
	}}
	a := Advise(c, law, Options{}, Prices{Timers: -1, Suspend: -1, Drain: -1, Move: -1})
	if len(a.Changes) != 1 || a.Changes[0].Kind != DrainDevice {
		t.Fatalf("%+v", a)
	}
	// Source: RFC 6987 §2, RFC 8326 §4.
	want := []state.Setting{
		{Protocol: state.OSPFv2, Parameter: state.ParamOverload, Value: "true"},
		{Protocol: state.BGP, Instance: "default", Neighbour: "198.51.100.7", Parameter: state.ParamGracefulShutdown, Value: "true"},
	}
	if got := a.Changes[0].Settings; len(got) != len(want) || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("a drained device sets %v, want %v", got, want)
	}
	if f := PredictPrepared(c, law, Options{}, a.Changes); f.Untouched < 0.999999 {
		t.Errorf("a drained device is touched all the same: %v", f.Untouched)
	}
	// What is not allowed is not advised.
	a = Advise(c, law, Options{Allow: func(ch Change) bool { return ch.Kind != DrainDevice }}, Prices{Timers: -1, Suspend: -1, Drain: -1, Move: -1})
	if a.Reached || len(a.Changes) != 0 {
		t.Errorf("advised in spite of the operator: %+v", a)
	}
}
