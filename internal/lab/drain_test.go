package lab

import (
	"testing"
	"time"

	"github.com/openconfig/gnmi/proto/gnmi"

	"towpath/internal/lab/neighbour"
)

// set is one Set with updates, as JSON.
func (k *client) set(t *testing.T, updates map[string]string) {
	t.Helper()
	req := &gnmi.SetRequest{}
	for p, v := range updates {
		path := at(t, p)
		if len(path.GetElem()) > 0 && path.GetElem()[0].GetName() == "facts" {
			path.Origin = originFacts
		}
		req.Update = append(req.Update, &gnmi.Update{Path: path, Val: jsonVal(v)})
	}
	if _, err := k.Set(ctx(t), req); err != nil {
		t.Fatal(err)
	}
}

// withPartner adds the other of the pair.
func withPartner(cfg *Config) {
	two := Scenario("").Devices[1]
	two.FastSilence, two.Routes = true, cfg.Devices[0].Routes
	two.Releases = cfg.Devices[0].Releases
	cfg.Devices = append(cfg.Devices, two)
}

const (
	bfdMult   = "/bfd/interfaces/interface[id=multihop]/config/detection-multiplier"
	ospfPair  = "/network-instances/network-instance[name=default]/protocols/protocol[identifier=OSPF][name=default]/ospfv2/areas/area[identifier=0.0.0.0]/interfaces/interface[id=lag-2]"
	maxMetric = "/network-instances/network-instance[name=default]/protocols/protocol[identifier=OSPF][name=default]/ospfv2/global/timers/max-metric/config/set"
	overload  = "/network-instances/network-instance[name=default]/protocols/protocol[identifier=ISIS][name=default]/isis/global/lsp-bit/overload-bit/config/set-bit"
)

// A multiplier that was set is what the neighbour waits by: the silence that
// takes the session down without it leaves it up with it.
// Source: RFC 5880 §6.8.4, detection is the received multiplier times the
// interval agreed on.
func TestMultiplierDecidesWhoOutlivesASilence(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		mult string
		held bool
	}{{"3", false}, {"200", true}} {
		_, ch, k := start(t, func(cfg *Config) {
			cfg.Devices[0].Silence = Range{50 * time.Second, 50 * time.Second} // 10 s × 3 is over, 10 s × 200 is not
		})
		key := neighbour.Key("bfd", "198.51.100.7", "")
		until(t, ch, func() bool { st, err := ch.set.Status(key); return err == nil && st.Up })
		if c.mult != "3" {
			k.set(t, map[string]string{bfdMult: c.mult})
		}
		// The neighbour has heard the multiplier in the next packets.
		if err := ch.clock.Sleep(ctx(t), 50*time.Second); err != nil {
			t.Fatal(err)
		}
		ch.do(func() { ch.switchOver(byUser, "test") })
		until(t, ch, func() bool { return !ch.silent && len(ch.silences) > 0 })
		// The silence ends when the lab's clock says so, and later on a machine that
		// stands still meanwhile.
		if s := ch.Silences()[0].Duration; c.held && s > 1900*time.Second {
			t.Fatalf("the machine stood still: 50 s of silence took %v", s)
		}
		found := false
		for _, o := range ch.outcomesSoFar()[0] {
			if o.Key != key {
				continue
			}
			found = true
			if held := o.LostAt.IsZero(); held != c.held {
				t.Errorf("multiplier %s: the neighbour held the session: %v, want %v (%+v)", c.mult, held, c.held, o)
			}
		}
		if !found {
			t.Error("the session has no outcome")
		}
	}
}

// What is set at one end of the pair is what the other's neighbour has: with one
// end only the adjacency is lost, with both it stays.
// Source: RFC 2328 §10.5, a Hello with another RouterDeadInterval is dropped.
func TestBothEndsOfThePair(t *testing.T) {
	t.Parallel()
	l, one, k := start(t, withPartner)
	two := l.Devices()[1]
	k.set(t, map[string]string{ospfPair + "/timers/config/dead-interval": "60"})
	key := neighbour.Key("ospfv2", "198.51.100.1", "lag-2")
	until(t, two, func() bool {
		cfg, err := two.set.Far(key)
		o, ok := cfg.(neighbour.OSPF)
		return err == nil && ok && o.Dead == time.Minute
	})
	// The other end has not been set: each drops the other's Hellos.
	until(t, one, func() bool {
		st, err := one.set.Status(neighbour.Key("ospfv2", "198.51.100.2", "lag-2"))
		return err == nil && !st.Up
	})
	in := leafNamed(t, two, ospfPair+"/timers/config/dead-interval")
	two.do(func() { two.configured(in, u32(60), true) })
	until(t, one, func() bool {
		st, err := one.set.Status(neighbour.Key("ospfv2", "198.51.100.2", "lag-2"))
		return err == nil && st.Up
	})
}

func leafNamed(t *testing.T, c *Chassis, text string) *leafInfo {
	t.Helper()
	c.mu.Lock()
	defer c.mu.Unlock()
	for in := range c.leaves {
		if in.text == text {
			return in
		}
	}
	t.Fatalf("%s is not served", text)
	return nil
}

// A leaf that is set back to what it was leaves nothing behind.
func TestSetBackIsNoDifference(t *testing.T) {
	t.Parallel()
	_, _, k := start(t, nil)
	before := k.once(t, "/facts/configuration", bfdMult)
	k.set(t, map[string]string{bfdMult: "9"})
	during := k.once(t, "/facts/configuration", bfdMult)
	k.set(t, map[string]string{bfdMult: before[bfdMult]})
	after := k.once(t, "/facts/configuration", bfdMult)
	const digest, unsaved = "/facts/configuration/digest", "/facts/configuration/unsaved"
	if during[digest] == before[digest] || during[unsaved] != "true" || during[bfdMult] != "9" {
		t.Errorf("while it is set: %v", during)
	}
	if after[digest] != before[digest] || after[unsaved] != "false" || after[bfdMult] != before[bfdMult] {
		t.Errorf("set back: %v, before %v", after, before)
	}
}

// A drained chassis loses nothing of its flows though it forwards nothing: they
// go over the partner, and come back.
// Source: RFC 6987 §2, ISO/IEC 10589 §7.2.8.1, RFC 8326 §4, RFC 9568 §6.4.2.
func TestDrainedFlowsGoOverThePartner(t *testing.T) {
	t.Parallel()
	l, c, k := start(t, func(cfg *Config) {
		withPartner(cfg)
		flows := Scenario(reflector(t))
		cfg.Devices[0].Flows, cfg.Devices[1].Flows = flows.Devices[0].Flows, flows.Devices[1].Flows
	})
	const flow = "/facts/flow[name=harbour]/over"
	over := func() string { return k.once(t, flow)[flow] }
	away := func() bool { return c.back != nil }
	settings := map[string]string{
		maxMetric: "true", overload: "true",
		"/facts/bgp[neighbour=198.51.100.7]/graceful-shutdown": "true",
		"/facts/bgp[neighbour=203.0.113.9]/graceful-shutdown":  "true",
	}
	// Everything but one session and the role: traffic still comes here.
	some := map[string]string{}
	for p, v := range settings {
		if p != overload {
			some[p] = v
		}
	}
	k.set(t, some)
	if err := c.clock.Sleep(ctx(t), 2*reconverge); err != nil {
		t.Fatal(err)
	}
	if got := over(); got != `"`+ScenarioDevice+`"` {
		t.Fatalf("half drained, the flow goes over %s", got)
	}
	settings["/interfaces/interface[name=lag-2]/subinterfaces/subinterface[index=0]/ipv4/addresses/address[ip=192.0.2.129]/vrrp/vrrp-group[virtual-router-id=20]/config/priority"] = "1"
	k.set(t, settings)
	until(t, c, away)
	if got := over(); got != `"`+ScenarioPartner+`"` {
		t.Fatalf("drained, the flow goes over %s", got)
	}
	unblock := l.Plane().Block("")
	p := ping(t, l.Plane().Addr("harbour").String())
	answered(t, p)
	if n := l.Plane().Truth()[1].Forward.Dropped(); n != 0 {
		t.Errorf("%d packets were dropped on the drained chassis", n)
	}
	// It really is the partner that carries it.
	stop := l.Devices()[1].Plane().Block("LC-2")
	ping(t, l.Plane().Addr("harbour").String())
	until(t, c, func() bool { return l.Devices()[1].Plane().Truth()[1].Forward.Dropped() > 0 })
	stop()
	unblock()
	k.set(t, map[string]string{overload: "false"})
	until(t, c, func() bool { return !away() })
	if got := over(); got != `"`+ScenarioDevice+`"` {
		t.Errorf("no longer drained, the flow goes over %s", got)
	}
}

// A grace period that was set is what the device asks of its OSPF neighbours.
// Source: RFC 3623 §2.1; RFC 9129, restart-interval, 1 to 1800 s and 120 s where
// nobody set it.
func TestGracePeriodIsAskedFor(t *testing.T) {
	t.Parallel()
	_, ch, k := start(t, func(*Config) {})
	asked := func(want time.Duration) {
		t.Helper()
		n := 0
		until(t, ch, func() bool {
			n = 0
			for _, st := range ch.set.Snapshot() {
				if st.Protocol == "ospfv2" {
					if st.Restart.Time != want {
						return false
					}
					n++
				}
			}
			return true
		})
		if n == 0 {
			t.Fatal("no OSPF adjacency")
		}
	}
	asked(2 * time.Minute)
	k.set(t, map[string]string{gracePath: "300"})
	asked(5 * time.Minute)
	if got := k.once(t, gracePath)[gracePath]; got != "300" {
		t.Errorf("told as %q", got)
	}
	k.set(t, map[string]string{gracePath: "120"})
	asked(2 * time.Minute)
}

// answered waits for the reflector's answer.
func answered(t *testing.T, c interface {
	SetReadDeadline(time.Time) error
	Read([]byte) (int, error)
}) {
	t.Helper()
	if err := c.SetReadDeadline(time.Now().Add(hang)); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Read(make([]byte, 2048)); err != nil {
		t.Fatalf("no answer came: %v", err)
	}
}
