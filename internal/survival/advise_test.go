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
