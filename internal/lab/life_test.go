package lab

import (
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/openconfig/gnmi/proto/gnmi"
	healthpb "github.com/openconfig/gnoi/healthz"
	ospb "github.com/openconfig/gnoi/os"
	syspb "github.com/openconfig/gnoi/system"
	"github.com/openconfig/gnoi/types"

	"towpath/internal/lab/labtime"
	"towpath/internal/lab/neighbour"
)

// again calls f until it does not answer Unavailable, as a client does that
// waits for a device.
func again[T any](t *testing.T, f func() (T, error)) T {
	t.Helper()
	for {
		v, err := f()
		if err == nil {
			return v
		}
		if status.Code(err) != codes.Unavailable {
			t.Fatal(err)
		}
	}
}

// back waits until the management plane answers.
func (k *client) back(t *testing.T) *ospb.VerifyResponse {
	t.Helper()
	c := ctx(t)
	return again(t, func() (*ospb.VerifyResponse, error) {
		return k.os.Verify(c, &ospb.VerifyRequest{}, grpc.WaitForReady(true))
	})
}

func (k *client) switchTo(t *testing.T, card string) (*syspb.SwitchControlProcessorResponse, error) {
	t.Helper()
	return k.system.SwitchControlProcessor(ctx(t), &syspb.SwitchControlProcessorRequest{ControlProcessor: componentPath(card)})
}

func (k *client) reboot(t *testing.T, m syspb.RebootMethod, names ...string) error {
	t.Helper()
	req := &syspb.RebootRequest{Method: m, Message: "the test"}
	for _, n := range names {
		req.Subcomponents = append(req.Subcomponents, componentPath(n))
	}
	_, err := k.system.Reboot(ctx(t), req)
	return err
}

// Source: gNOI system.proto, SwitchControlProcessor; RFC 7654 §3.3 for what is
// measured.
func TestSwitchOver(t *testing.T) {
	t.Parallel()
	reflect := reflector(t)
	l, c, k := start(t, func(cfg *Config) {
		// LACP waits for 60 s at least, which are more than 5 s of ours here.
		slow := labtime.New(cfg.Clock.Now(), 10)
		t.Cleanup(slow.Close)
		cfg.Clock = slow
		cfg.Devices[0].Durations.ControllerBoot, cfg.Devices[0].Durations.StateSync = 10*time.Second, 5*time.Second
		cfg.Devices[0].Flows = Scenario(reflect).Devices[0].Flows
		cfg.Devices[0].Silence = Range{Least: 5 * time.Second, Most: 5 * time.Second}
		cfg.Devices[0].Loss = Range{Least: 50 * time.Millisecond, Most: 50 * time.Millisecond}
		for i := range cfg.Devices[0].Adjacencies { // one neighbour that will not wait
			if a := &cfg.Devices[0].Adjacencies[i]; a.Protocol() == "ospfv2" && a.Interface == "lag-2" {
				a.Device = neighbour.OSPF{Hello: time.Second, Dead: 4 * time.Second}
				a.Far = neighbour.OSPF{Hello: time.Second, Dead: 4 * time.Second, Master: true}
			}
		}
	})
	if r, err := k.switchTo(t, "CTL-A"); err != nil || r.GetVersion() != ScenarioFrom {
		t.Errorf("to the primary itself: got %v %v", r, err)
	}
	if _, err := k.switchTo(t, "LC-1"); status.Code(err) != codes.NotFound {
		t.Errorf("to a line card: got %v", err)
	}
	s := stream(t, k, &gnmi.SubscriptionList{Subscription: []*gnmi.Subscription{{Path: at(t, "/components"), Mode: gnmi.SubscriptionMode_ON_CHANGE}}})
	upTo(t, s)
	r, err := k.switchTo(t, "CTL-B")
	if err != nil {
		t.Fatal(err)
	}
	if r.GetUptime() <= 0 || componentName(r.GetControlProcessor()) != "CTL-B" || r.GetVersion() != ScenarioFrom {
		t.Errorf("answer: got %v", r)
	}
	for { // the stream ends with the old primary
		if _, err := s.Recv(); err != nil {
			if status.Code(err) != codes.Unavailable {
				t.Errorf("stream: got %v, want Unavailable", err)
			}
			break
		}
	}
	// While the new primary starts, the port refuses.
	if conn, err := net.Dial("tcp", c.Address()); err == nil {
		conn.Close()
		c.mu.Lock()
		if c.silent {
			t.Error("a connection was taken during the silence")
		}
		c.mu.Unlock()
	} else if !errors.Is(err, syscall.ECONNREFUSED) {
		t.Errorf("during the silence: got %v, want refused", err)
	}
	k.back(t)
	got := k.once(t, "/components", "/facts", "/system")
	for p, want := range map[string]string{
		"/components/component[name=CTL-B]/state/redundant-role":                   `"PRIMARY"`,
		"/components/component[name=CTL-A]/state/redundant-role":                   `"SECONDARY"`,
		"/components/component[name=CTL-A]/state/last-switchover-reason/trigger":   `"USER_INITIATED"`,
		"/facts/adjacency[id=" + neighbour.Key("bgp", "198.51.100.7", "") + "]/up": "true",
	} {
		if got[p] != want {
			t.Errorf("%s: got %s, want %s", p, got[p], want)
		}
	}
	until(t, c, c.ready)
	truth := l.Truth()
	if n := len(truth.Silences); n != 1 {
		t.Fatalf("got %d silences, want 1", n)
	}
	// The silence is kept by the lab's clock, never shorter; timers fire late on
	// a busy machine.
	if d := truth.Silences[0].Duration; d < 5*time.Second {
		t.Errorf("silence: got %s, want at least 5s", d)
	}
	if e := truth.Losses[0].Forward.Episodes; len(e) != 1 || e[0].Duration() < 50*time.Millisecond {
		t.Errorf("loss: got %+v, want one of at least 50 ms", e)
	}
	var dropped, links int
	for _, o := range truth.Outcomes[0] {
		switch {
		case o.Protocol == "ospfv2" && o.Interface == "lag-2":
			if o.Result != neighbour.Dropped { // Source: RFC 2328 §10.2, dead after 4 s
				t.Errorf("%s: got %s, want dropped", o.Key, o.Result)
			}
			dropped++
		case o.Protocol == "lacp": // long timeouts, 90 s
			if o.Result != neighbour.Held {
				t.Errorf("%s: got %s, want held", o.Key, o.Result)
			}
			links++
		}
	}
	if dropped != 1 || links != 4 {
		t.Errorf("got outcomes of %d adjacencies that drop and %d that hold", dropped, links)
	}
	var kinds []string
	for _, a := range c.Acts() {
		kinds = append(kinds, fmt.Sprint(a.Kind, a.Changed))
	}
	if want := []string{"switch-overfalse", "switch-overfalse", "switch-overtrue"}; !slices.Equal(kinds, want) {
		t.Errorf("act log: got %v, want %v", kinds, want)
	}
	if _, err := k.switchTo(t, "CTL-A"); err != nil {
		t.Errorf("back again: %v", err)
	}
}

// However fast the lab's clock is, a silence passes at rate one, and then it is
// fast again.
func TestSilenceIsExact(t *testing.T) {
	t.Parallel()
	l, c, k := start(t, func(cfg *Config) {
		cfg.Devices[0].FastSilence = false
		cfg.Devices[0].Silence = Range{Least: 200 * time.Millisecond, Most: 200 * time.Millisecond}
	})
	until(t, c, func() bool { return l.Clock().Rate() == fast }) // unless it waits for the neighbours
	c.do(func() { c.switchOver(byUser, "the test") })
	if !l.Clock().Held() && c.holds(func() bool { return c.silent }) {
		t.Error("the clock is fast during the silence")
	}
	until(t, c, func() bool { return !c.silent })
	k.back(t)
	until(t, c, func() bool { return !l.Clock().Held() })
	// It would be 400 in a fast silence. The two clocks are read one after the
	// other, and a busy machine may do something else between.
	s := l.Truth().Silences[0]
	if ratio := s.Duration.Seconds() / s.Real.Seconds(); ratio < 0.5 || ratio > 2 {
		t.Errorf("silence of %s took %s of ours", s.Duration, s.Real)
	}
}

// upgradeCards restarts every line card, one after the other.
func (k *client) upgradeCards(t *testing.T, c *Chassis) {
	t.Helper()
	for i := range c.lineCards {
		name := fmt.Sprintf("LC-%d", i+1)
		if err := k.reboot(t, syspb.RebootMethod_NSF, name); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
}

// Source: gNOI os.proto: a standby that restarts is UNAVAILABLE.
func TestWhileTheSecondaryRestarts(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, nil)
	c.do(func() { c.begin(&c.secondary().component, rebootUser) }) // and nobody ends it
	if v := k.verify(t).GetVerifyStandby(); v.GetStandbyState().GetState() != ospb.StandbyState_UNAVAILABLE {
		t.Errorf("verify: got %v", v)
	}
	if _, err := k.switchTo(t, "CTL-B"); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("switchover: got %v", err)
	}
	if err := k.reboot(t, syspb.RebootMethod_COLD, "CTL-B"); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("a second restart: got %v", err)
	}
	if got := k.put(t, packageOf(t, ScenarioVia, PackageSystem), true); got.failed == nil {
		t.Errorf("install: got %+v", got)
	}
	facts := k.once(t, "/facts/component", ctlA)
	if facts["/facts/component[name=CTL-B]/boot-percent"] != "0" || facts[ctlA+"/state/switchover-ready"] != "false" {
		t.Errorf("facts: %v", facts)
	}
}

// Two hops in service with the per-controller kind; the second needs newer
// firmware on one line card first.
// Source: gNOI os.proto and system.proto; RFC 7654 §3 for the phases.
func TestUpgradePerController(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, nil)
	hop := func(version string) {
		p := packageOf(t, version, PackageSystem)
		for _, standby := range []bool{false, true} {
			if got := k.put(t, p, standby); got.version != version {
				t.Fatalf("%s: %+v", version, got)
			}
		}
		c.mu.Lock()
		next := c.secondary().Name
		old := c.primary().Name
		c.mu.Unlock()
		if r := k.activate(t, version, true, false); r.GetActivateOk() == nil {
			t.Fatalf("%s: %v", version, r)
		}
		until(t, c, c.ready)
		if v := k.verify(t).GetVerifyStandby().GetVerifyResponse(); v.GetVersion() != version || v.GetId() != next {
			t.Errorf("%s: standby is %v", version, v)
		}
		if r := k.activate(t, version, false, true); r.GetActivateOk() == nil {
			t.Fatalf("%s: %v", version, r)
		}
		if _, err := k.switchTo(t, next); err != nil {
			t.Fatalf("%s: %v", version, err)
		}
		if v := k.back(t); v.GetVersion() != version {
			t.Errorf("after the switchover %s runs", v.GetVersion())
		}
		k.upgradeCards(t, c)
		until(t, c, func() bool { return c.uniform == version && c.ready() })
		got := k.once(t, "/components")
		n := 0
		for path, v := range got {
			if strings.HasSuffix(path, "/state/software-version") {
				n++
				if v != `"`+version+`"` {
					t.Errorf("%s is %s", path, v)
				}
			}
			if strings.HasSuffix(path, "/oper-status") && v != `"openconfig-platform-types:ACTIVE"` {
				t.Errorf("%s is %s", path, v)
			}
		}
		if n != 10 {
			t.Errorf("%d components have software, want 10", n)
		}
		if v := k.verify(t).GetVerifyStandby().GetVerifyResponse(); v.GetId() != old {
			t.Errorf("the former primary is not the standby: %v", v)
		}
	}
	hop(ScenarioVia)
	fw, err := NewPackage(ScenarioPackages()[2])
	if err != nil {
		t.Fatal(err)
	}
	if err := k.setPackage(t, "/LC-3/firmware/lc-1.9.pkg", fw); err != nil {
		t.Fatal(err)
	}
	facts := k.once(t, "/facts/component", "/components/component[name=LC-3]")
	if facts["/facts/component[name=LC-3]/firmware-pending"] != `"1.9"` || facts["/components/component[name=LC-3]/state/firmware-version"] != `"1.7"` {
		t.Errorf("firmware before the restart: %v", facts)
	}
	if err := k.reboot(t, syspb.RebootMethod_NSF, "LC-3"); err != nil {
		t.Fatal(err)
	}
	if got := k.once(t, "/components/component[name=LC-3]")["/components/component[name=LC-3]/state/firmware-version"]; got != `"1.9"` {
		t.Errorf("firmware after the restart: %s", got)
	}
	hop(ScenarioTarget)
	// Nothing was done twice.
	seen := map[string]int{}
	for _, a := range c.Acts() {
		if a.Changed {
			seen[a.Kind]++
		}
	}
	want := map[string]int{ActInstall: 4, ActActivate: 4, ActSwitchOver: 2, ActReboot: 9, ActSetPackage: 1}
	if fmt.Sprint(seen) != fmt.Sprint(want) {
		t.Errorf("acts that changed something: got %v, want %v", seen, want)
	}
}

// setPackage sends firmware.
func (k *client) setPackage(t *testing.T, name string, p *Package) error {
	t.Helper()
	s, err := k.system.SetPackage(ctx(t))
	if err != nil {
		t.Fatal(err)
	}
	_ = s.Send(&syspb.SetPackageRequest{Request: &syspb.SetPackageRequest_Package{Package: &syspb.Package{Filename: name, Version: p.Spec().Version, Activate: true}}})
	r := p.Open(0)
	buf := make([]byte, 64<<10)
	for {
		n, err := r.Read(buf)
		if err != nil {
			break
		}
		_ = s.Send(&syspb.SetPackageRequest{Request: &syspb.SetPackageRequest_Contents{Contents: buf[:n]}})
	}
	_ = s.Send(&syspb.SetPackageRequest{Request: &syspb.SetPackageRequest_Hash{Hash: &types.HashType{Method: types.HashType_SHA256, Hash: p.sum256[:]}}})
	_, err = s.CloseAndRecv()
	return err
}

// A line card whose firmware is too old does not start the release, and firmware
// of another kind, platform or component is refused.
func TestFirmware(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, func(cfg *Config) {
		cfg.Devices[0].Release, cfg.Devices[0].Installed = ScenarioTarget, nil
	})
	if err := k.reboot(t, syspb.RebootMethod_COLD, "LC-3"); status.Code(err) != codes.Internal {
		t.Errorf("too old: got %v, want Internal", err)
	}
	got := k.once(t, "/components/component[name=LC-3]", "/system/alarms", "/interfaces")
	if got["/components/component[name=LC-3]/state/equipment-failure"] != "true" || got["/components/component[name=LC-3]/healthz/state/status"] != `"UNHEALTHY"` {
		t.Errorf("a failed card: %v", got)
	}
	if text := got["/system/alarms/alarm[id=failed-LC-3]/state/text"]; !strings.Contains(text, "needs firmware 1.9, has 1.7") {
		t.Errorf("alarm: %s", text)
	}
	if got["/interfaces/interface[name=port-3/1]/state/oper-status"] != `"DOWN"` {
		t.Error("the port of a failed card is up")
	}
	fw := func(platform, kind, target string) *Package {
		p, err := NewPackage(PackageSpec{Platform: platform, Version: "1.9", Kind: kind, For: target, Size: MinPackageSize})
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	for name, c := range map[string]struct {
		file string
		p    *Package
		want codes.Code
	}{
		"other kind":      {"/LC-3/firmware/x", fw(ScenarioPlatform, PackageSystem, ""), codes.InvalidArgument},
		"other platform":  {"/LC-3/firmware/x", fw("elm-2", PackageFirmware, "LINECARD"), codes.InvalidArgument},
		"other component": {"/CTL-A/firmware/x", fw(ScenarioPlatform, PackageFirmware, "LINECARD"), codes.InvalidArgument},
		"no component":    {"/LC-9/firmware/x", fw(ScenarioPlatform, PackageFirmware, "LINECARD"), codes.NotFound},
		"right":           {"/LC-3/firmware/x", fw(ScenarioPlatform, PackageFirmware, "LINECARD"), codes.OK},
	} {
		if err := k.setPackage(t, c.file, c.p); status.Code(err) != c.want {
			t.Errorf("%s: got %v, want %s", name, err, c.want)
		}
	}
	if err := k.reboot(t, syspb.RebootMethod_COLD, "LC-3"); err != nil {
		t.Errorf("with newer firmware: %v", err)
	}
	if c.component("LC-3").oper != operActive {
		t.Error("LC-3 did not come up")
	}
}

// Source: gNOI os.proto: one Activate takes the whole system over in service.
func TestUpgradeWholeSystem(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, whole)
	if got := k.put(t, packageOf(t, ScenarioVia, PackageSystem), false); got.version == "" {
		t.Fatalf("%+v", got)
	}
	if r := k.activate(t, ScenarioVia, false, false); r.GetActivateOk() == nil {
		t.Fatalf("%v", r)
	}
	until(t, c, func() bool { return c.primary().Name == "CTL-B" && c.ready() })
	if v := k.back(t); v.GetVersion() != ScenarioVia || v.GetVerifyStandby().GetVerifyResponse().GetVersion() != ScenarioVia {
		t.Errorf("got %v", v)
	}
	k.upgradeCards(t, c)
	until(t, c, func() bool { return c.uniform == ScenarioVia })
	if n := len(c.Silences()); n != 1 {
		t.Errorf("%d silences, want 1", n)
	}
	// The target cannot be reached from here with the firmware of LC-3, and a
	// secondary that skips a release never gets ready.
	for _, v := range []string{ScenarioTarget} {
		if got := k.put(t, packageOf(t, v, PackageSystem), false); got.version == "" {
			t.Fatalf("%+v", got)
		}
	}
}

// A secondary whose release cannot take over the primary's state stays cold.
func TestColdSecondary(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, nil)
	p := packageOf(t, ScenarioTarget, PackageSystem)
	for _, standby := range []bool{false, true} {
		if got := k.put(t, p, standby); got.version == "" {
			t.Fatalf("%+v", got)
		}
	}
	k.activate(t, ScenarioTarget, true, false)
	until(t, c, func() bool { return c.alarms["cold-CTL-B"] != nil })
	if c.Acts()[2].Outcome != "ok" || c.component("CTL-B").version != ScenarioTarget {
		t.Error("the secondary did not start the release")
	}
	if _, err := k.switchTo(t, "CTL-B"); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("got %v", err)
	}
}

// Source: gNOI system.proto, Reboot, RebootStatus, CancelReboot.
func TestReboot(t *testing.T) {
	t.Parallel()
	l, c, k := start(t, func(cfg *Config) {
		cfg.Devices[0].Flows = Scenario(reflector(t)).Devices[0].Flows
		for i := range cfg.Devices[0].LineCards {
			cfg.Devices[0].LineCards[i].Loss, cfg.Devices[0].LineCards[i].ColdLoss = 5*time.Millisecond, 15*time.Millisecond
		}
	})
	for name, x := range map[string]struct {
		m     syspb.RebootMethod
		names []string
		want  codes.Code
	}{
		"unknown method":     {syspb.RebootMethod_UNKNOWN, []string{"LC-1"}, codes.InvalidArgument},
		"halt":               {syspb.RebootMethod_HALT, []string{"LC-1"}, codes.InvalidArgument},
		"NSF of a card":      {syspb.RebootMethod_NSF, []string{"CTL-B"}, codes.InvalidArgument},
		"no such component":  {syspb.RebootMethod_COLD, []string{"LC-9"}, codes.NotFound},
		"a fan":              {syspb.RebootMethod_COLD, []string{"FAN-1"}, codes.InvalidArgument},
		"powerdown of PRIM.": {syspb.RebootMethod_POWERDOWN, []string{"CTL-A"}, codes.InvalidArgument},
		"chassis and card":   {syspb.RebootMethod_COLD, []string{"chassis", "LC-1"}, codes.InvalidArgument},
	} {
		if err := k.reboot(t, x.m, x.names...); status.Code(err) != x.want {
			t.Errorf("%s: got %v, want %s", name, err, x.want)
		}
	}
	transitions := func() uint64 {
		c.mu.Lock()
		defer c.mu.Unlock()
		return c.port("port-2/3").carrier
	}
	drops := func(card string) (n int, d time.Duration) {
		for _, f := range l.Plane().Truth() {
			if f.Card == card {
				for _, e := range f.Forward.Episodes {
					n++
					d = e.Duration()
				}
			}
		}
		return n, d
	}
	before := transitions()
	if err := k.reboot(t, syspb.RebootMethod_NSF, "LC-2"); err != nil {
		t.Fatal(err)
	}
	if n, d := drops("LC-2"); n != 1 || d < 5*time.Millisecond || transitions() != before {
		t.Errorf("keeping forwarding: %d losses, %s, ports changed %d times", n, d, transitions()-before)
	}
	if n, _ := drops("LC-1"); n != 0 {
		t.Error("another card lost traffic")
	}
	if err := k.reboot(t, syspb.RebootMethod_COLD, "LC-2"); err != nil {
		t.Fatal(err)
	}
	if n, d := drops("LC-2"); n != 2 || d < 15*time.Millisecond || transitions() != before+2 {
		t.Errorf("cold: %d losses, %s, ports changed %d times", n, d, transitions()-before)
	}
	rs, err := k.system.RebootStatus(ctx(t), &syspb.RebootStatusRequest{Subcomponents: []*types.Path{componentPath("LC-2")}})
	if err != nil || rs.GetActive() || rs.GetStatus().GetStatus() != syspb.RebootStatus_STATUS_SUCCESS || rs.GetCount() != 2 {
		t.Errorf("status: %v %v", rs, err)
	}
	// Later, and not at all.
	delayed := func(d time.Duration, names ...string) error {
		req := &syspb.RebootRequest{Method: syspb.RebootMethod_COLD, Delay: uint64(d), Message: "later"}
		for _, n := range names {
			req.Subcomponents = append(req.Subcomponents, componentPath(n))
		}
		_, err := k.system.Reboot(ctx(t), req)
		return err
	}
	if err := delayed(1000*time.Hour, "LC-1"); err != nil {
		t.Fatal(err)
	}
	if err := delayed(1000 * time.Hour); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("everything while a card's reboot is pending: %v", err)
	}
	rs, err = k.system.RebootStatus(ctx(t), &syspb.RebootStatusRequest{})
	if err != nil || !rs.GetActive() || rs.GetReason() != "later" || time.Duration(rs.GetWait()) < 900*time.Hour {
		t.Errorf("pending: %v %v", rs, err)
	}
	if _, err := k.system.CancelReboot(ctx(t), &syspb.CancelRebootRequest{}); err != nil {
		t.Fatal(err)
	}
	if err := delayed(1000 * time.Hour); err != nil {
		t.Fatal(err)
	}
	if err := k.reboot(t, syspb.RebootMethod_COLD, "LC-1"); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("a card while the reboot of everything is pending: %v", err)
	}
	if _, err := k.system.CancelReboot(ctx(t), &syspb.CancelRebootRequest{}); err != nil {
		t.Fatal(err)
	}
	booted := c.component("LC-1").bootTime
	if err := delayed(time.Minute, "LC-1"); err != nil {
		t.Fatal(err)
	}
	until(t, c, func() bool { k := c.component("LC-1"); return !k.booting && k.bootTime.After(booted) })
	// Unsaved configuration refuses the primary, locked configuration either card.
	c.do(func() { c.unsaved = true })
	if err := k.reboot(t, syspb.RebootMethod_COLD, "CTL-A"); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("unsaved: %v", err)
	}
	c.do(func() { c.unsaved, c.lockHolder = false, "somebody" })
	if err := k.reboot(t, syspb.RebootMethod_COLD, "CTL-B"); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("locked: %v", err)
	}
	c.do(func() { c.lockHolder = "" })
	if err := k.reboot(t, syspb.RebootMethod_POWERDOWN, "CTL-B"); err != nil {
		t.Fatal(err)
	}
	if v := k.verify(t).GetVerifyStandby().GetStandbyState().GetState(); v != ospb.StandbyState_UNAVAILABLE || c.ready() {
		t.Errorf("powered down: %v", v)
	}
	if err := k.reboot(t, syspb.RebootMethod_POWERUP, "CTL-B"); err != nil {
		t.Fatal(err)
	}
	until(t, c, c.ready)
	// Everything.
	boot := c.bootTime
	if err := k.reboot(t, syspb.RebootMethod_COLD); status.Code(err) != codes.Unavailable {
		t.Errorf("everything: the call ended with %v, want Unavailable", err)
	}
	k.back(t)
	until(t, c, func() bool { return c.ready() && !c.anyBooting() && c.bootTime.After(boot) })
	outs := l.Truth().Outcomes
	for _, o := range outs[len(outs)-1] {
		if o.Result != neighbour.Dropped && o.Protocol != "lldp" {
			t.Errorf("%s survived a reload: %s", o.Key, o.Result)
		}
	}
	until(t, c, func() bool { // and comes back
		for _, s := range c.set.Snapshot() {
			if !s.Up {
				return false
			}
		}
		return true
	})
}

// Source: gNOI healthz.proto.
func TestHealthz(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, nil)
	get := func() *healthpb.ComponentStatus {
		r, err := k.health.Get(ctx(t), &healthpb.GetRequest{Path: componentPath("LC-1")})
		if err != nil {
			t.Fatal(err)
		}
		return r.GetComponent()
	}
	if s := get().GetStatus(); s != healthpb.Status_STATUS_HEALTHY {
		t.Errorf("at the start: %s", s)
	}
	c.do(func() { c.fail(c.component("LC-1"), "broken") })
	ev := get()
	if ev.GetStatus() != healthpb.Status_STATUS_UNHEALTHY || ev.GetId() == "" {
		t.Errorf("broken: %v", ev)
	}
	list := func(all bool) int {
		r, err := k.health.List(ctx(t), &healthpb.ListRequest{Path: componentPath("LC-1"), IncludeAcknowledged: all})
		if err != nil {
			t.Fatal(err)
		}
		return len(r.GetStatuses())
	}
	for range 2 { // idempotent
		if _, err := k.health.Acknowledge(ctx(t), &healthpb.AcknowledgeRequest{Path: componentPath("LC-1"), Id: ev.GetId()}); err != nil {
			t.Fatal(err)
		}
	}
	if list(false) != 0 || list(true) != 1 {
		t.Errorf("list: %d and %d, want 0 and 1", list(false), list(true))
	}
	if r, err := k.health.Check(ctx(t), &healthpb.CheckRequest{Path: componentPath("LC-1")}); err != nil || r.GetStatus().GetStatus() != healthpb.Status_STATUS_UNHEALTHY {
		t.Errorf("check: %v %v", r, err)
	}
	if _, err := k.health.Get(ctx(t), &healthpb.GetRequest{Path: componentPath("LC-9")}); status.Code(err) != codes.NotFound {
		t.Errorf("unknown component: %v", err)
	}
	if tm, err := k.system.Time(ctx(t), &syspb.TimeRequest{}); err != nil || time.Unix(0, int64(tm.GetTime())).Before(c.started) {
		t.Errorf("time: %v %v", tm, err)
	}
}

// A silence may be shorter than the time a server takes to stop: the port must
// be free as soon as the management plane is down.
// Source: common practice, a port that is taken refuses another listener.
func TestOpensRightAfterItWentDown(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, func(cfg *Config) {
		cfg.Devices[0].ShellListen = "127.0.0.1:0"
		cfg.Devices[0].NETCONF.Serve = true
	})
	for range 100 {
		c.mgmt.down()
		if err := c.mgmt.open(); err != nil {
			t.Fatal(err)
		}
	}
	k.back(t)
}
