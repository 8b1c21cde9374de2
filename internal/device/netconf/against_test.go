package netconf_test

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"net"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"towpath/internal/device"
	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/device/netconf"
	"towpath/internal/device/openconfig"
	"towpath/internal/lab"
	"towpath/internal/state"
)

// overGNMI is the same device over the other protocol.
func overGNMI(t *testing.T, b *labtest.Bench) *openconfig.Driver {
	t.Helper()
	p := b.Lab.PKI()
	d, err := openconfig.Dial(context.Background(), openconfig.Config{
		Device: string(b.Chassis.ID()), Target: b.Chassis.Address(), ServerName: string(b.Chassis.ID()),
		CA: p.Authority, Cert: p.ClientCert, Key: p.ClientKey, FactsOrigin: "towpath-facts", Now: b.Lab.Clock().Now,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d
}

// comparable cuts out of a capture what differs from one look to the next, or
// what only one of the models has.
func comparableTo(t *testing.T, c *state.Capture) map[string]any {
	t.Helper()
	b, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	for _, k := range []string{"taken_at", "source", "clock", "features"} {
		delete(m, k)
	}
	each := func(list string, f func(map[string]any)) {
		all, _ := m[list].([]any)
		for _, x := range all {
			f(x.(map[string]any))
		}
	}
	each("interfaces", func(i map[string]any) {
		delete(i, "in_octets") // they count on
		delete(i, "out_octets")
		if strings.HasPrefix(i["name"].(string), "lag-") {
			delete(i, "speed") // RFC 8343 has it for groups, OpenConfig under another name
		}
	})
	each("volumes", func(v map[string]any) {
		for _, f := range v["files"].([]any) {
			f := f.(map[string]any) // SFTP knows whole seconds
			at, _ := time.Parse(time.RFC3339Nano, f["modified"].(string))
			f["modified"] = at.Truncate(time.Second).Format(time.RFC3339)
		}
	})
	each("components", func(k map[string]any) {
		delete(k, "cpu_percent") // the present load in one, the average in the other
		delete(k, "empty")       // RFC 8348 lists what is there
		if p, ok := k["memory_percent"].(float64); ok {
			k["memory_percent"] = math.Round(p)
		}
		delete(k, "switchover_reason")
		delete(k, "reboot_reason")
	})
	delete(m, "cpu_percent")
	if p, ok := m["memory_percent"].(float64); ok {
		m["memory_percent"] = math.Round(p)
	}
	each("adjacencies", func(a map[string]any) {
		if a["protocol"] == state.VRRP { // an active router gives nobody up
			delete(a["timers"].(map[string]any), "own_detect")
		}
	})
	return m
}

// TestCapturesAgree reads one chassis over both protocols: other models, other
// drivers, and the same facts.
func TestCapturesAgree(t *testing.T) {
	b := labtest.Start(t, labtest.Config(true), 1)
	ours, err := dial(t, b, nil).Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	theirs, err := overGNMI(t, b).Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	if len(ours.Components) < 10 || len(ours.Adjacencies) < 10 || len(ours.RouteTables) != 2 {
		t.Fatalf("too little was read: %d components, %d adjacencies, %d tables", len(ours.Components), len(ours.Adjacencies), len(ours.RouteTables))
	}
	// The tables of the two models name next hops of IPv6 differently.
	for _, c := range []*state.Capture{ours, theirs} {
		for i := range c.RouteTables {
			if c.RouteTables[i].Family == "ipv6" {
				for j := range c.RouteTables[i].Routes {
					c.RouteTables[i].Routes[j].NextHops = ""
				}
			}
		}
	}
	if d := cmp.Diff(comparableTo(t, theirs), comparableTo(t, ours)); d != "" {
		t.Errorf("over gNMI (-) and NETCONF (+):\n%s", d)
	}
}

// TestStandardModelsAlone reads the chassis by the modules of the IETF alone:
// what follows from them must be what its state machines do, and what they lack
// is unknown and named.
func TestStandardModelsAlone(t *testing.T) {
	cfg := labtest.Config(true)
	full := labtest.Start(t, cfg, 1)
	stated, err := dial(t, full, nil).Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	cfg.Devices[0].NETCONF.Standard = true
	b := labtest.Start(t, cfg, 1)
	d := dial(t, b, nil)
	c, err := d.Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	if c.Complete || len(c.Unread) == 0 {
		t.Error("the capture calls itself complete")
	}
	if p, ok := c.ControllerWithRole(state.Primary); !ok || p.Name != "CTL-A" || p.Version.Or("") != cfg.Devices[0].Release {
		t.Errorf("primary: %+v", p)
	}
	if s, ok := c.ControllerWithRole(state.Secondary); !ok || !s.SwitchoverReady.Or(false) {
		t.Errorf("secondary: %+v", s)
	}
	if c.Release.Or("") != cfg.Devices[0].Release || len(c.RouteTables) != 2 || len(c.Interfaces) != len(stated.Interfaces) || len(c.Volumes) != 0 {
		t.Errorf("release %v, %d tables, %d interfaces, %d volumes", c.Release, len(c.RouteTables), len(c.Interfaces), len(c.Volumes))
	}
	compared := map[string]int{}
	for _, a := range c.Adjacencies {
		i := slices.IndexFunc(stated.Adjacencies, func(s state.Adjacency) bool {
			return s.Protocol == a.Protocol && s.Neighbour == a.Neighbour && s.Interface == a.Interface
		})
		if i < 0 {
			t.Errorf("%s is in the standard's models only", a.Name())
			continue
		}
		s := stated.Adjacencies[i]
		for _, x := range []struct {
			what string
			d, s state.Opt[time.Duration]
		}{
			{"send", a.Timers.Send, s.Timers.Send}, {"neighbour send", a.Timers.NeighbourSend, s.Timers.NeighbourSend},
			{"neighbour detect", a.Timers.NeighbourDetect, s.Timers.NeighbourDetect}, {"own detect", a.Timers.OwnDetect, s.Timers.OwnDetect},
		} {
			dv, dk := x.d.Get()
			sv, sk := x.s.Get()
			if dk && sk {
				compared[a.Protocol]++
				if dv != sv {
					t.Errorf("%s: %s follows from the models as %s, the device does %s", a.Name(), x.what, dv, sv)
				}
			}
		}
		if up, ok := a.Up.Get(); !ok || up != s.Up.Or(!up) {
			t.Errorf("%s: up is derived as %v, stated as %v", a.Name(), a.Up, s.Up)
		}
		if own, ok := a.Restart.Own.Get(); ok && own != s.Restart.Own.Or(!own) {
			t.Errorf("%s: our restart is derived as %v, stated as %v", a.Name(), own, s.Restart.Own)
		}
	}
	for _, p := range []string{state.OSPFv2, state.ISIS, state.BFD, state.VRRP} {
		if compared[p] == 0 {
			t.Errorf("nothing of %s was compared", p)
		}
	}
	a, err := d.Abilities(context.Background())
	if err != nil || a.Install || a.SwitchOver || a.Restart || !a.Settings || !a.Watch || !a.Files {
		t.Errorf("abilities %+v, %v", a, err)
	}
	if _, err := d.Verify(context.Background()); device.KindOf(err) != device.Unable {
		t.Errorf("verify: %v, want %s", err, device.Unable)
	}
	if err := d.Restart(context.Background(), "CTL-B", "planned work"); device.KindOf(err) != device.Unable {
		t.Errorf("restart of a part: %v, want %s", err, device.Unable)
	}
	if err := d.Restart(context.Background(), "", "planned work"); err != nil {
		t.Errorf("restart of the whole by the standard's request: %v", err)
	}
	if n := len(b.Lab.Acts()); n != 1 {
		t.Errorf("the device was asked for %d acts, want the restart alone", n)
	}
}

// multiplier is a setting that the lab has a default for.
func multiplier(value string) state.Setting {
	return state.Setting{Protocol: state.BFD, Neighbour: "198.51.100.7", Parameter: state.ParamDetectMult, Value: value}
}

// unlocked demands that nobody holds a lock and no commit waits.
func unlocked(t *testing.T, b *labtest.Bench) {
	t.Helper()
	for deadline := time.After(5 * time.Minute); ; {
		running, candidate, waiting := b.Chassis.NETCONF().Locks()
		if running == 0 && candidate == 0 && !waiting {
			return
		}
		select {
		case <-deadline:
			t.Fatalf("locks are held by sessions %d and %d, a commit waits: %v", running, candidate, waiting)
		case <-time.After(time.Millisecond):
		}
	}
}

func value(t *testing.T, d *netconf.Driver, key state.Setting) string {
	t.Helper()
	got, err := d.Settings(context.Background(), []state.Setting{key.Key()})
	if err != nil {
		t.Fatal(err)
	}
	return got[0].Value
}

// TestChangeThatCannotBeReadBack cuts the way to the device for new connections
// while a change is made: it must be taken back, and no lock may stay.
func TestChangeThatCannotBeReadBack(t *testing.T) {
	b := labtest.Start(t, labtest.Config(true), 1)
	var dials atomic.Int32
	broken := errors.New("the way is cut")
	d := dial(t, b, func(c *netconf.Config) {
		c.SSH.Dial = func(ctx context.Context, network, address string) (net.Conn, error) {
			if dials.Add(1) > 1 {
				return nil, broken
			}
			return (&net.Dialer{}).DialContext(ctx, network, address)
		}
	})
	was := value(t, d, multiplier(""))
	err := d.Adjust(context.Background(), []state.Setting{multiplier("9")})
	if device.KindOf(err) != device.Unreachable || !errors.Is(err, broken) {
		t.Errorf("got %v, want %s", err, device.Unreachable)
	}
	if got := value(t, d, multiplier("")); got != was {
		t.Errorf("the value is %q, want %q as before", got, was)
	}
	unlocked(t, b)
	var sets []lab.Act
	for _, a := range b.Lab.Acts() {
		if a.Kind == lab.ActSet && a.Changed {
			sets = append(sets, a)
		}
	}
	if len(sets) != 2 {
		t.Errorf("%d changes of the configuration, want one and its undoing: %+v", len(sets), sets)
	}
}

// TestLocksOfOthers holds what Adjust needs, one after the other.
func TestLocksOfOthers(t *testing.T) {
	ctx := context.Background()
	b := labtest.Start(t, labtest.Config(true), 1)
	d := dial(t, b, nil)
	other := session(t, b, netconf.Options{})
	busy := func(what string) {
		t.Helper()
		if err := d.Adjust(ctx, []state.Setting{multiplier("9")}); device.KindOf(err) != device.Busy {
			t.Errorf("%s: got %v, want %s", what, err, device.Busy)
		}
		if got := value(t, d, multiplier("")); got == "9" {
			t.Errorf("%s: the value was changed", what)
		}
	}
	for _, store := range []netconf.Datastore{netconf.Running, netconf.Candidate} {
		if err := other.Lock(ctx, store); err != nil {
			t.Fatal(err)
		}
		busy("somebody has the lock of " + string(store))
		if err := other.Unlock(ctx, store); err != nil {
			t.Fatal(err)
		}
		unlocked(t, b)
	}
	// Source: from memory, RFC 6241 §7.5: no lock while the candidate has changes of others.
	edit(t, other, `<system xmlns="http://openconfig.net/yang/system"><config><login-banner>Half a change.</login-banner></config></system>`)
	busy("the candidate has somebody's changes")
	if err := other.Discard(ctx); err != nil {
		t.Fatal(err)
	}
	// Source: from memory, RFC 6241 §8.4.5: a persistent confirmed commit waits.
	edit(t, other, `<system xmlns="http://openconfig.net/yang/system"><config><login-banner>A trial.</login-banner></config></system>`)
	if err := other.CommitConfirmed(ctx, time.Hour, "trial"); err != nil {
		t.Fatal(err)
	}
	busy("somebody's confirmed commit waits")
	if err := session(t, b, netconf.Options{}).CancelCommit(ctx, "trial"); err != nil {
		t.Errorf("another session that knows the persist id cannot cancel: %v", err)
	}
	if err := d.Adjust(ctx, []state.Setting{multiplier("9")}); err != nil || value(t, d, multiplier("")) != "9" {
		t.Errorf("when all is free: %v, value %q", err, value(t, d, multiplier("")))
	}
	unlocked(t, b)
	// An operator's lock that is no NETCONF session's.
	cfg := labtest.Config(true)
	cfg.Devices[0].Configuration.LockHolder = "night-shift"
	c := labtest.Start(t, cfg, 1)
	if err := dial(t, c, nil).Adjust(ctx, []state.Setting{multiplier("9")}); device.KindOf(err) != device.Busy {
		t.Errorf("locked by an operator: %v, want %s", err, device.Busy)
	}
	unlocked(t, c)
}

// TestConfirmedCommitRunsOut leaves a confirmed commit alone; the device takes
// it back by its own clock, and one without a persist id with its session.
// Source: from memory, RFC 6241 §8.4.1.
func TestConfirmedCommitRunsOut(t *testing.T) {
	ctx := context.Background()
	b := labtest.Start(t, labtest.Config(true), 200)
	d := dial(t, b, nil)
	was := value(t, d, multiplier(""))
	const change = `<bfd xmlns="http://openconfig.net/yang/bfd"><interfaces><interface><id>multihop</id><config><detection-multiplier>9</detection-multiplier></config></interface></interfaces></bfd>`
	back := func(what string) {
		t.Helper()
		for deadline := time.After(5 * time.Minute); value(t, d, multiplier("")) != was; {
			select {
			case <-deadline:
				t.Fatalf("%s: the change stays", what)
			case <-time.After(5 * time.Millisecond):
			}
		}
		unlocked(t, b)
	}
	s := session(t, b, netconf.Options{})
	edit(t, s, change)
	look := b.Lab.Clock().RealTime() // until it has been read
	if err := s.CommitConfirmed(ctx, 2*time.Minute, "kept"); err != nil {
		t.Fatal(err)
	}
	if got := value(t, d, multiplier("")); got != "9" {
		t.Fatalf("after the commit: %q", got)
	}
	look() // 0.6 s of ours
	_ = s.Close()
	back("nobody confirmed it")

	s = session(t, b, netconf.Options{})
	edit(t, s, change)
	if err := s.CommitConfirmed(ctx, 1000*time.Hour, ""); err != nil {
		t.Fatal(err)
	}
	_ = s.Close()
	back("its session ended")

	s = session(t, b, netconf.Options{})
	edit(t, s, change)
	if err := s.CommitConfirmed(ctx, 1000*time.Hour, "kept"); err != nil {
		t.Fatal(err)
	}
	if err := s.Confirm(ctx, "another"); device.KindOf(err) == device.Ours || err == nil {
		t.Errorf("confirmed with another's id: %v", err)
	}
	if err := s.Confirm(ctx, "kept"); err != nil {
		t.Fatal(err)
	}
	unlocked(t, b)
	if got := value(t, d, multiplier("")); got != "9" {
		t.Errorf("after the confirming commit: %q", got)
	}
}

// TestOtherServers runs the driver against a device that has less.
func TestOtherServers(t *testing.T) {
	ctx := context.Background()
	t.Run("base 1.0", func(t *testing.T) {
		cfg := labtest.Config(true)
		cfg.Devices[0].NETCONF.Only10 = true
		b := labtest.Start(t, cfg, 1)
		d := dial(t, b, nil)
		c, err := d.Capture(ctx, device.ScopeFull)
		if err != nil || !c.Complete {
			t.Errorf("capture: %v; unread %v", err, c.Unread)
		}
		if err := d.Adjust(ctx, []state.Setting{multiplier("9")}); err != nil || value(t, d, multiplier("")) != "9" {
			t.Errorf("adjust: %v", err)
		}
	})
	t.Run("no candidate", func(t *testing.T) {
		cfg := labtest.Config(true)
		cfg.Devices[0].NETCONF.Running = true
		b := labtest.Start(t, cfg, 1)
		d := dial(t, b, nil)
		overload := state.Setting{Protocol: state.OSPFv2, Parameter: state.ParamOverload}
		on := overload
		on.Value = "true"
		if err := d.Adjust(ctx, []state.Setting{multiplier("9"), on}); err != nil || value(t, d, multiplier("")) != "9" || value(t, d, overload) != "true" {
			t.Errorf("adjust: %v", err)
		}
		if err := d.Adjust(ctx, []state.Setting{multiplier("900"), overload}); device.KindOf(err) != device.Refused || value(t, d, overload) != "true" {
			t.Errorf("a bad value among others: %v", err)
		}
		off := overload
		off.Value = "false"
		if err := d.Adjust(ctx, []state.Setting{off}); err != nil || value(t, d, overload) != "" {
			t.Errorf("off: %v, %q", err, value(t, d, overload))
		}
		unlocked(t, b)
	})
	t.Run("no notifications", func(t *testing.T) {
		cfg := labtest.Config(true)
		cfg.Devices[0].NETCONF.Mute = true
		d := dial(t, labtest.Start(t, cfg, 1), nil)
		if a, err := d.Abilities(ctx); err != nil || a.Watch {
			t.Errorf("abilities %+v, %v", a, err)
		}
		if err := d.Watch(ctx, func(device.Event) {}); device.KindOf(err) != device.Unable {
			t.Errorf("watch: %v, want %s", err, device.Unable)
		}
	})
}

// TestEverySetting sets each parameter that the lab has and puts it back.
func TestEverySetting(t *testing.T) {
	ctx := context.Background()
	b := labtest.Start(t, labtest.Config(true), 1)
	d := dial(t, b, nil)
	bfd := state.Setting{Protocol: state.BFD, Interface: "lag-1", Neighbour: "192.0.2.1"}
	ospf := state.Setting{Protocol: state.OSPFv2, Interface: "lag-1", Instance: "default"}
	isis := state.Setting{Protocol: state.ISIS, Interface: "port-1/3", Instance: "default"}
	vrrp := state.Setting{Protocol: state.VRRP, Interface: "lag-2", Instance: "20"}
	bgp := state.Setting{Protocol: state.BGP, Neighbour: "198.51.100.7", Instance: "default"}
	set := func(s state.Setting, p state.Parameter, v string) state.Setting {
		s.Parameter, s.Value = p, v
		return s
	}
	all := []state.Setting{
		set(bfd, state.ParamTransmit, "1s"), set(bfd, state.ParamReceive, "1s"), set(bfd, state.ParamDetectMult, "7"),
		set(ospf, state.ParamHelloInterval, "5s"), set(ospf, state.ParamDeadInterval, "1m0s"), set(ospf, state.ParamMetric, "65000"),
		set(state.Setting{Protocol: state.OSPFv2}, state.ParamOverload, "true"),
		set(state.Setting{Protocol: state.OSPFv2}, state.ParamGracePeriod, "5m0s"),
		set(isis, state.ParamHelloInterval, "5s"), set(isis, state.ParamHelloMultiplier, "20"), set(isis, state.ParamMetric, "400"),
		set(state.Setting{Protocol: state.ISIS}, state.ParamOverload, "true"),
		set(vrrp, state.ParamPriority, "50"), set(vrrp, state.ParamAdvertise, "2s"),
		set(bgp, state.ParamHoldTime, "4m0s"), set(bgp, state.ParamGracefulShutdown, "true"),
		set(state.Setting{Protocol: state.LACP, Interface: "port-2/1"}, state.ParamPeriod, "fast"),
	}
	keys := make([]state.Setting, len(all))
	for i, s := range all {
		keys[i] = s.Key()
	}
	was, err := d.Settings(ctx, keys)
	if err != nil {
		t.Fatal(err)
	}
	for _, to := range [][]state.Setting{all, was} {
		if err := d.Adjust(ctx, to); err != nil {
			t.Fatal(err)
		}
		got, err := d.Settings(ctx, keys)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(to, got); diff != "" {
			t.Errorf("(-wanted +read):\n%s", diff)
		}
		// The other protocol sees the same, where it is set.
		for i, s := range to {
			if s.Value == "" {
				continue
			}
			theirs, err := overGNMI(t, b).Settings(ctx, keys[i:i+1])
			if err != nil || theirs[0].Value != s.Value {
				t.Errorf("over gNMI: %v, %v; want %s", theirs, err, s.Text())
			}
		}
	}
	unlocked(t, b)
	if err := d.Adjust(ctx, []state.Setting{set(bfd, state.ParamTransmit, "1.5us")}); device.KindOf(err) != device.Ours {
		t.Errorf("a value that no unit divides: %v, want %s", err, device.Ours)
	}
	if _, err := d.Settings(ctx, []state.Setting{set(bfd, state.ParamDetectMult, ""), {Protocol: state.BFD, Interface: "nowhere", Parameter: state.ParamDetectMult}}); device.KindOf(err) != device.Missing {
		t.Errorf("an interface that is not there: %v, want %s", err, device.Missing)
	}
}

// TestAnswersThatAreLost lets the device act and its answer be lost.
func TestAnswersThatAreLost(t *testing.T) {
	ctx := context.Background()
	cfg := labtest.Config(true)
	cfg.Faults = []string{"switchover-answer-lost"}
	b := labtest.Start(t, cfg, 200)
	d := dial(t, b, nil)
	if _, err := d.SwitchOver(ctx, "CTL-B"); device.KindOf(err) != device.OutcomeUnknown {
		t.Errorf("a switchover whose answer is lost: %v, want %s", err, device.OutcomeUnknown)
	}
	for deadline := time.After(5 * time.Minute); ; {
		c, err := d.Capture(ctx, device.ScopeLive)
		if err == nil {
			if k, ok := c.ControllerWithRole(state.Primary); !ok || k.Name != "CTL-B" {
				t.Errorf("primary: %+v", k)
			}
			return
		}
		if !device.KindOf(err).Retryable() {
			t.Fatal(err)
		}
		select {
		case <-deadline:
			t.Fatal(err)
		case <-time.After(5 * time.Millisecond):
		}
	}
}
