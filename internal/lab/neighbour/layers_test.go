package neighbour

import (
	"math/rand/v2"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// bundle is an aggregate of two members with an IGP and a BFD session on it,
// and a BGP session that rides on the IGP.
func bundle(least int, edit func(cfgs []Config)) []Config {
	member := func(port string, n int) Config {
		c := one(LACP{System: "a", Port: n}, LACP{System: "b", Port: n, Short: true})
		c.Interface, c.Aggregate, c.MinLinks, c.Card = port, "lag-1", least, "LC-"+port[3:4]
		return c
	}
	igp := ospfPair(OSPF{}, OSPF{})
	igp.Interface, igp.Over = "lag-1", "lag-1"
	session := one(BFD{DesiredMinTx: 10 * sec, RequiredMinRx: 10 * sec, Mult: 100}, BFD{DesiredMinTx: 10 * sec, RequiredMinRx: 10 * sec, Mult: 100})
	session.Interface, session.Over = "lag-1", "lag-1"
	client := bgpPair(BGP{}, BGP{})
	client.Interface, client.Neighbour, client.Over = "", "198.51.100.9", igp.Key()
	cfgs := []Config{member("user-1/1", 1), member("user-2/1", 2), igp, session, client}
	if edit != nil {
		edit(cfgs)
	}
	return cfgs
}

// TestAggregateTakesDownWhatRidesOnIt, as soon as too few members distribute
// and at the end at which they do, and lets it come back.
func TestAggregateTakesDownWhatRidesOnIt(t *testing.T) {
	r := newRig(t, 1, bundle(1, nil)...)
	r.silence()
	r.pass(2500 * ms) // one hello may still have come
	r.pass(sec)
	if r.aggregateUp("lag-1", far) || !r.aggregateUp("lag-1", device) {
		t.Errorf("after 3.5 s the aggregate is up at the neighbour %v and at the frozen device %v, want false and true", r.aggregateUp("lag-1", far), r.aggregateUp("lag-1", device))
	}
	for i, a := range r.adjs {
		f, d := a.ends[far], a.ends[device]
		if f.view.Up || !d.view.Up {
			t.Errorf("%s: up at the neighbour %v and the device %v, want false and true", a.key, f.view.Up, d.view.Up)
		}
		if o, _ := r.outcome(a); i >= 2 && (o.Result != Dropped || o.Why == "" || !strings.Contains(o.Why, "down")) {
			t.Errorf("%s: %+v, want dropped by what is below", a.key, o)
		}
	}
	r.wake(Synchronised)
	r.pass(3 * time.Minute)
	for _, a := range r.adjs {
		if !a.ends[far].view.Carrying || !a.ends[device].view.Up {
			t.Errorf("%s does not come back: %+v %+v", a.key, a.ends[device].view, a.ends[far].view)
		}
	}
}

// TestMinimumOfLinks: with one of two members gone, an aggregate that needs two
// is down and one that needs one is not.
func TestMinimumOfLinks(t *testing.T) {
	for least, want := range map[int]bool{1: true, 2: false} {
		r := newRig(t, 1, bundle(least, nil)...)
		r.adjs[0].failed = true
		for _, n := range r.adjs[0].ends {
			r.relink(n)
		}
		r.pass(DefaultLatency)
		for i := 2; i < 5; i++ {
			if got := r.at(i, far).view.Carrying; got != want {
				t.Errorf("least %d: %s carried %v, want %v", least, r.adjs[i].key, got, want)
			}
		}
	}
}

// TestBFDTakesDownItsClients, at the end that detects, long before their own
// timers would; and they stay down until the session is back.
// Source: RFC 5882 §4.1, §4.2.
func TestBFDTakesDownItsClients(t *testing.T) {
	session := one(BFD{}, BFD{})
	clients := []Config{
		bgpPair(BGP{}, BGP{}), ospfPair(OSPF{}, OSPF{}), ospfPair(OSPF{Version: 3}, OSPF{Version: 3}),
		one(ISIS{}, ISIS{}), ldpPair(LDP{}, LDP{}),
	}
	cfgs := []Config{session}
	for _, c := range clients {
		c.BFD = session.Key()
		cfgs = append(cfgs, c)
	}
	r := newRig(t, 1, cfgs...)
	r.somewhen(30 * sec)
	r.silence()
	r.pass(sec)
	detected := r.adjs[0].watch.lostAt
	if detected.IsZero() {
		t.Fatal("the session lives after a second of 0.9")
	}
	for i := 1; i < len(cfgs); i++ {
		w := r.adjs[i].watch
		if w.lostAt != detected || w.why != "BFD session down" {
			t.Errorf("%s: lost at %v by %q, want at %v by BFD", r.adjs[i].key, w.lostAt, w.why, detected)
		}
		if !r.at(i, device).view.Up {
			t.Errorf("%s: the frozen device noticed", r.adjs[i].key)
		}
	}
	r.wake(Synchronised)
	// The device's hellos come at once, the session takes a while; in between
	// nothing may come up at the neighbour.
	for !r.at(0, far).view.Up {
		for i := 1; i < len(cfgs); i++ {
			if r.at(i, far).view.Up {
				t.Fatalf("%s is up before its session", r.adjs[i].key)
			}
		}
		r.advance(r.next())
	}
	r.pass(5 * time.Minute)
	for i := range cfgs {
		if !r.at(i, far).view.Carrying || !r.at(i, device).view.Up {
			t.Errorf("%s does not come back", r.adjs[i].key)
		}
	}
}

// TestOffloadedSessionOutlivesSilence: hardware goes on sending.
func TestOffloadedSessionOutlivesSilence(t *testing.T) {
	session := one(BFD{}, BFD{})
	session.Offloaded = true
	client := ospfPair(OSPF{}, OSPF{})
	client.BFD = session.Key()
	r := newRig(t, 1, session, client)
	r.silent(20*sec, Synchronised)
	if o := r.result(0); o.Result != Held || o.How != "awake" || o.Gap > 301*ms {
		t.Errorf("the session: %+v, want held without a gap", o)
	}
	if o := r.result(1); o.Result != Held || o.How != "nonstop" || o.Gap < 20*sec {
		t.Errorf("its client: %+v, want held through a gap of 20 s", o)
	}
	// It dies with the line cards, and takes its client with it.
	r.blackout()
	r.pass(sec)
	for i := range 2 {
		if o, _ := r.outcome(r.adjs[i]); o.Result != Dropped {
			t.Errorf("dark: %+v, want dropped", o)
		}
	}
	r.wake(Synchronised)
	if o := r.result(0); o.How != "cold" {
		t.Errorf("woken from the dark: %+v, want cold whatever was asked", o)
	}
	r.pass(5 * time.Minute)
	if !r.at(0, far).view.Up || !r.at(1, far).view.Up || !r.at(1, device).view.Up {
		t.Error("it does not come back from the dark")
	}
}

// TestSessionLostInTheMidst: hardware loses its session while the control plane
// is silent. Woken, the client learns that first, and the hellos that came
// after it must not bring the client up again. Source: RFC 5882 §4.1.
func TestSessionLostInTheMidst(t *testing.T) {
	session := one(BFD{}, BFD{})
	session.Offloaded = true
	client := ospfPair(OSPF{Hello: sec}, OSPF{Hello: sec})
	client.BFD = session.Key()
	rider := bgpPair(BGP{}, BGP{})
	rider.Over = client.Key()
	r := newRig(t, 1, session, client, rider)
	r.silence()
	r.pass(sec)
	r.adjs[0].failed = true
	for _, n := range r.adjs[0].ends {
		r.relink(n)
	}
	r.pass(1500 * ms)
	if n := len(r.at(1, device).inbox); n < 3 {
		t.Fatalf("%d letters wait for the device, want hellos before and after", n)
	}
	r.wake(Synchronised)
	r.pass(0)
	if v := r.at(1, device).view; v.State != "DOWN" || v.Why != "BFD session down" {
		t.Errorf("woken: %+v, want it down and no hello heard", v)
	}
	if r.at(2, device).view.Up {
		t.Error("what rides on it was not told")
	}
	if !slices.ContainsFunc(r.changes, func(c Change) bool { return c.Key == client.Key() && !c.Far && c.WasUp && !c.Up }) {
		t.Errorf("the device's loss is not among %+v", r.changes)
	}
}

// TestRepeatedSilence: a second switchover before the first has been slept off.
func TestRepeatedSilence(t *testing.T) {
	cfg := vrrpPair(VRRP{Priority: 200}, VRRP{})
	cfg.DeviceProfile.Resume = sec
	r := newRig(t, 1, cfg)
	r.silent(sec, Synchronised)
	r.silence() // still resuming: not a message has been sent
	r.pass(1500 * ms)
	r.wake(Synchronised)
	r.pass(900 * ms)
	if o, _ := r.outcome(r.adjs[0]); o.Result != Dropped {
		t.Errorf("one second and 2.5 more: %+v, want dropped", o)
	}
	r.wake(Synchronised) // waking twice does nothing
	r.pass(time.Minute)
	if r.at(0, device).view.Role != "active" || r.at(0, far).view.Role != "backup" {
		t.Error("it does not come back")
	}
}

// TestOutcomeWhileItLasts: what is told in the midst of a silence.
func TestOutcomeWhileItLasts(t *testing.T) {
	r := newRig(t, 1, one(LLDP{}, LLDP{}))
	if _, ok := r.outcome(r.adjs[0]); ok {
		t.Error("an outcome before any silence")
	}
	r.silence()
	last := r.at(0, far).lastHeard
	r.pass(100 * sec)
	o, _ := r.outcome(r.adjs[0])
	if o.Result == Held && o.Gap != r.now.Sub(last) && o.Gap != r.now.Sub(r.at(0, far).lastHeard) {
		t.Errorf("got %+v, want the gap so far", o)
	}
	if o.Settled || o.How != "" || o.Detect != 121*sec {
		t.Errorf("got %+v, want it open, of 121 s", o)
	}
}

// heardBy listens to a neighbour's end and checks its timer with the dumbest
// possible form of a detection time: a list of instants.
type heardBy struct{ at []time.Time }

// lostAfter is the first instant at which d has passed since the last of the
// list before it.
func (h heardBy) lostAfter(d time.Duration) time.Time {
	for i := 1; i < len(h.at); i++ {
		if h.at[i].Sub(h.at[i-1]) >= d {
			return h.at[i-1].Add(d)
		}
	}
	return h.at[len(h.at)-1].Add(d)
}

// TestAgreesWithListOfHellos: for protocols whose neighbour only listens, any
// pattern of silences gives exactly the loss that a list of the hellos gives.
func TestAgreesWithListOfHellos(t *testing.T) {
	kinds := []struct {
		cfg    Config
		detect time.Duration
	}{
		{one(LLDP{}, LLDP{}), 121 * sec}, {one(PIM{}, PIM{}), 105 * sec},
		{vrrpPair(VRRP{Priority: 200}, VRRP{}), 3609375 * time.Microsecond}, {one(RSTP{Priority: 4096}, RSTP{}), 6 * sec},
	}
	rapid.Check(t, func(rt *rapid.T) {
		k := rapid.SampledFrom(kinds).Draw(rt, "kind")
		r := newRig(t, rapid.Uint64Range(0, 50).Draw(rt, "seed"), k.cfg)
		f := r.at(0, far)
		heard := heardBy{}
		lost := time.Time{}
		run := func(d time.Duration) {
			for to := r.now.Add(d); r.now.Before(to) && lost.IsZero(); {
				next := r.next()
				if next.IsZero() || next.After(to) {
					next = to
				}
				r.advance(next)
				if n := len(heard.at); n == 0 || f.lastHeard.After(heard.at[n-1]) {
					heard.at = append(heard.at, f.lastHeard)
				}
				if !f.view.Carrying {
					lost = r.now
				}
			}
		}
		run(sec)
		for range rapid.IntRange(1, 5).Draw(rt, "silences") {
			r.silence()
			run(time.Duration(rapid.Int64Range(0, int64(3*k.detect/2)).Draw(rt, "silence")))
			r.wake(Synchronised)
			run(time.Duration(rapid.Int64Range(0, int64(k.detect)).Draw(rt, "awake")))
		}
		run(2 * k.detect)
		r.silence()
		run(2 * k.detect)
		if want := heard.lostAfter(k.detect); !lost.Equal(want) {
			rt.Fatalf("lost at %v, the list of %d hellos says %v", lost, len(heard.at), want)
		}
	})
}

// TestDefaultNeighbours: of every kind at least one, all up, and nothing lost
// through a silence of 2.2 s, whatever the phases.
func TestDefaultNeighbours(t *testing.T) {
	cfgs := DefaultNeighbours()
	kinds := map[string]int{}
	docs := []netip.Prefix{
		netip.MustParsePrefix("192.0.2.0/24"), netip.MustParsePrefix("198.51.100.0/24"), // Source: RFC 5737 §3
		netip.MustParsePrefix("203.0.113.0/24"), netip.MustParsePrefix("2001:db8::/32"), // Source: RFC 5737 §3, RFC 3849 §2
	}
	for _, c := range cfgs {
		kinds[c.Protocol()]++
		if a, err := netip.ParseAddr(c.Neighbour); err == nil {
			ok := false
			for _, p := range docs {
				ok = ok || p.Contains(a)
			}
			if !ok {
				t.Errorf("%s: %v is no address for documentation", c.Key(), a)
			}
		} else if strings.Count(c.Neighbour, ":") == 5 && !strings.HasPrefix(c.Neighbour, "00:00:5e:00:53:") {
			t.Errorf("%s: %s is no MAC address for documentation", c.Key(), c.Neighbour) // Source: RFC 7042 §2.1.2
		}
		if c.Peer == "" || c.Age == 0 {
			t.Errorf("%s: no peer or age", c.Key())
		}
	}
	for _, k := range []string{"bgp", "ospfv2", "ospfv3", "isis", "bfd", "vrrp", "lacp", "rstp", "lldp", "ldp", "pim"} {
		if kinds[k] == 0 {
			t.Errorf("no %s among %v", k, kinds)
		}
	}
	for seed := range uint64(20) {
		r := newRig(t, seed, DefaultNeighbours()...)
		r.somewhen(2 * time.Minute)
		r.silent(2200*ms, Synchronised)
		r.pass(5 * time.Minute)
		for i, a := range r.adjs {
			if o := r.result(i); o.Result != Held || !o.Settled {
				t.Errorf("seed %d: %s: %+v, want held", seed, a.key, o)
			}
			if a.ends[device].ups != 1 {
				t.Errorf("seed %d: %s came up %d times", seed, a.key, a.ends[device].ups)
			}
		}
	}
	// A graceful restart disturbs nobody either, and a cold one everybody that
	// forwards.
	for how, want := range map[Wake]Result{GracefulRestart: RestartedGracefully, Cold: Dropped} {
		r := newRig(t, 1, DefaultNeighbours()...)
		r.silent(2200*ms, how)
		r.pass(10 * time.Minute)
		n := 0
		for i, a := range r.adjs {
			o := r.result(i)
			if o.Result == want {
				n++
			}
			if how == GracefulRestart && o.Result == Dropped {
				t.Errorf("%v: %s: %+v", how, a.key, o)
			}
			if !a.ends[far].view.Carrying || !a.ends[device].view.Up {
				t.Errorf("%v: %s does not come back", how, a.key)
			}
		}
		if n < 8 {
			t.Errorf("%v: %d adjacencies %v, want most", how, n, want)
		}
	}
}

// TestConfigurationsThatAreWrong, and what is said about them.
func TestConfigurationsThatAreWrong(t *testing.T) {
	over := func(c Config, over, bfd string) Config {
		c.Over, c.BFD = over, bfd
		return c
	}
	member := func(c Config) Config {
		c.Aggregate = "lag-1"
		return c
	}
	far := func(c Config, s Speaker) Config {
		c.Far = s
		return c
	}
	lldp := one(LLDP{}, LLDP{})
	for _, tc := range []struct {
		want string
		cfgs []Config
	}{
		{`adjacency 0 (neighbour "192.0.2.1"): found an end without configuration, want two`, []Config{one(nil, nil)}},
		{`adjacency lldp 192.0.2.1 user-1/1: found pim at the far end, want lldp at both`, []Config{one(LLDP{}, PIM{})}},
		{`adjacency ospfv2 192.0.2.1 user-1/1: found ospfv3 at the far end, want ospfv2 at both`, []Config{one(OSPF{}, OSPF{Version: 3, Master: true})}},
		{`adjacency lldp 192.0.2.1 user-1/1: found it twice, want each once`, []Config{lldp, lldp}},
		{`adjacency lldp 192.0.2.1 user-1/1: found aggregate "lag-1", which only LACP has`, []Config{member(lldp)}},
		{`adjacency lldp 192.0.2.1 user-1/1: over: found "lag-1", want an aggregate or another adjacency`, []Config{over(lldp, "lag-1", "")}},
		{`adjacency lldp 192.0.2.1 user-1/1: over: found "lldp 192.0.2.1 user-1/1", want an aggregate or another adjacency`, []Config{over(lldp, lldp.Key(), "")}},
		{`adjacency lldp 192.0.2.1 user-1/1 (0): found that it rides on itself, by way of "pim 192.0.2.1 user-1/1"`, []Config{over(lldp, "pim 192.0.2.1 user-1/1", ""), over(one(PIM{}, PIM{}), lldp.Key(), "")}},
		{`adjacency lldp 192.0.2.1 user-1/1: bfd: found "bfd", want the key of a BFD session`, []Config{over(lldp, "", "bfd")}},
		{`adjacency bgp 192.0.2.1 user-1/1: hold: found 2s, want at least 3s`, []Config{bgpPair(BGP{Hold: 2 * sec}, BGP{})}},
		{`adjacency bgp 192.0.2.1 user-1/1: restart time: found 1h8m16s, want at most 1h8m15s`, []Config{bgpPair(BGP{RestartTime: 4096 * sec}, BGP{})}},
		{`adjacency bgp 192.0.2.1 user-1/1: found a negative time`, []Config{bgpPair(BGP{Converge: -1}, BGP{})}},
		{`adjacency bgp 192.0.2.1 user-1/1: passive: found false at both ends, want it at one`, []Config{one(BGP{}, BGP{})}},
		{`adjacency ospfv2 192.0.2.1 user-1/1: hello 10s, dead 10s: want dead greater than hello`, []Config{ospfPair(OSPF{Dead: 10 * sec}, OSPF{})}},
		{`adjacency ospfv2 192.0.2.1 user-1/1: grace period: found 30m1s, want at most 30m0s`, []Config{ospfPair(OSPF{GracePeriod: 1801 * sec}, OSPF{})}},
		{`adjacency ospfv2 192.0.2.1 user-1/1: version: found 4, want 2 or 3`, []Config{far(ospfPair(OSPF{Version: 4}, OSPF{}), OSPF{Version: 4, Master: true})}},
		{`adjacency ospfv2 192.0.2.1 user-1/1: master: found false at both ends, want it at one`, []Config{one(OSPF{}, OSPF{})}},
		{`adjacency isis 192.0.2.1 user-1/1: circuit: found ends of different kinds, or two designated ones`, []Config{one(ISIS{PointToPoint: true}, ISIS{})}},
		{`adjacency isis 192.0.2.1 user-1/1: designated: found true on a point-to-point circuit, which has none`, []Config{one(ISIS{PointToPoint: true, Designated: true}, ISIS{PointToPoint: true})}},
		{`adjacency isis 192.0.2.1 user-1/1: hello 0s, multiplier -1, planned 0s: want nothing negative and planned at most 18h12m15s`, []Config{one(ISIS{Mult: -1}, ISIS{})}},
		{`adjacency bfd 192.0.2.1 user-1/1: bfd: found 0s, 0s and multiplier 256, want durations and 1 to 255`, []Config{one(BFD{Mult: 256}, BFD{})}},
		{`adjacency vrrp 192.0.2.1 user-1/1: priority: found 256, want 1 to 255`, []Config{one(VRRP{Priority: 256}, VRRP{})}},
		{`adjacency vrrp 192.0.2.1 user-1/1: priority: found 100 at both ends, want them to differ`, []Config{one(VRRP{}, VRRP{})}},
		{`adjacency vrrp 192.0.2.1 user-1/1: interval: found 41s, want 10ms to 40.95s`, []Config{one(VRRP{Interval: 41 * sec}, VRRP{Priority: 1})}},
		{`adjacency lacp 192.0.2.1 user-1/1: passive: found it at both ends, which would never speak`, []Config{one(LACP{Passive: true}, LACP{Passive: true})}},
		{`adjacency lacp 192.0.2.1 user-1/1: key -1, port 0: want nothing negative`, []Config{one(LACP{Key: -1}, LACP{})}},
		{`adjacency rstp 192.0.2.1 user-1/1: hello 2s, max age 40s, forward delay 15s: want 2×(delay−1s) ≥ max age ≥ 2×(hello+1s)`, []Config{one(RSTP{MaxAge: 40 * sec}, RSTP{})}},
		{`adjacency rstp 192.0.2.1 user-1/1: priority: found 65536, want 0 to 65535`, []Config{one(RSTP{Priority: 65536}, RSTP{})}},
		{`adjacency rstp 192.0.2.1 user-1/1: bridge: found {32768 } at both ends, want them to differ`, []Config{one(RSTP{}, RSTP{})}},
		{`adjacency lldp 192.0.2.1 user-1/1: interval 30s, hold 11: want 1s to 3600s and 2 to 10`, []Config{one(LLDP{Hold: 11}, LLDP{})}},
		{`adjacency ldp 192.0.2.1 user-1/1: hello 6s, hold 15s: want hello at most a third of hold`, []Config{ldpPair(LDP{Hello: 6 * sec}, LDP{})}},
		{`adjacency ldp 192.0.2.1 user-1/1: keepalive 1s: want at least 3s, and no negative time`, []Config{ldpPair(LDP{Keepalive: sec}, LDP{})}},
		{`adjacency ldp 192.0.2.1 user-1/1: active: found false at both ends, want it at one`, []Config{one(LDP{}, LDP{})}},
		{`adjacency pim 192.0.2.1 user-1/1: hello 30s, holdtime 10s: want holdtime greater than hello and below 65535s`, []Config{one(PIM{Holdtime: 10 * sec}, PIM{})}},
	} {
		_, err := NewSet(nil, rand.New(rand.NewPCG(1, 1)), tc.cfgs)
		if err == nil || err.Error() != tc.want {
			t.Errorf("got  %v\nwant %s", err, tc.want)
		}
	}
}
