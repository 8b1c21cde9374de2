package openconfig

import (
	"context"
	"strings"
	"testing"
	"time"

	ospb "github.com/openconfig/gnoi/os"
	systempb "github.com/openconfig/gnoi/system"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"towpath/internal/device"
)

// pairOf is the tree of two controller cards and a line card.
func pairOf(ready any, boot ...string) *store {
	const c = "/components/component"
	leaves := []datum{
		{c + "[name=CTL-A]/state/type", "openconfig-platform-types:CONTROLLER_CARD"},
		{c + "[name=CTL-A]/state/redundant-role", "PRIMARY"},
		{c + "[name=CTL-A]/state/software-version", "2.4.1"},
		{c + "[name=CTL-A]/state/boot-time", uint64(1_700_000_000_000_000_000)},
		{c + "[name=CTL-B]/state/type", "openconfig-platform-types:CONTROLLER_CARD"},
		{c + "[name=CTL-B]/state/redundant-role", "SECONDARY"},
		{c + "[name=LC-1]/state/type", "openconfig-platform-types:LINECARD"},
		{c + "[name=FAB-1]/state/type", "openconfig-platform-types:FABRIC"},
	}
	if ready != nil {
		leaves = append(leaves, datum{c + "[name=CTL-A]/state/switchover-ready", ready}, datum{c + "[name=CTL-B]/state/switchover-ready", ready})
	}
	for i, v := range boot {
		leaves = append(leaves, datum{"/facts/boot[controller=" + []string{"CTL-A", "CTL-B"}[i] + "]/next-version", v})
	}
	return newStore(leaves...)
}

func TestActivateOnlyDoesWhatIsLeftToDo(t *testing.T) {
	const running, wanted, other = "2.4.1", "2.6.0", "2.5.2"
	cases := []struct {
		name     string
		verify   *ospb.VerifyResponse
		boot     []string // of CTL-A and CTL-B; none: the device does not tell
		req      device.ActivateRequest
		act      bool
		noReboot bool
	}{
		{"runs and boots next", whole(wanted), []string{wanted, wanted}, device.ActivateRequest{Version: wanted, Reboot: true}, false, false},
		{"runs, what boots next is not told", whole(wanted), nil, device.ActivateRequest{Version: wanted, Reboot: true}, false, false},
		{"runs, the boot entry alone is asked for and not told", whole(wanted), nil, device.ActivateRequest{Version: wanted}, true, true},
		{"runs, another boots next", whole(wanted), []string{other, wanted}, device.ActivateRequest{Version: wanted, Reboot: true}, true, true},
		{"runs, another boots next on the secondary", whole(wanted), []string{wanted, other}, device.ActivateRequest{Version: wanted}, true, true},
		{"boots next already", whole(running), []string{wanted, wanted}, device.ActivateRequest{Version: wanted}, false, false},
		{"boots next already, and shall restart", whole(running), []string{wanted, wanted}, device.ActivateRequest{Version: wanted, Reboot: true}, true, false},
		{"neither", whole(running), []string{running, running}, device.ActivateRequest{Version: wanted, Reboot: true}, true, false},
		{"neither, the entry alone", whole(running), []string{running, running}, device.ActivateRequest{Version: wanted}, true, true},
		{"the secondary runs it", each(running, wanted), []string{running, wanted}, device.ActivateRequest{Version: wanted, Standby: true, Reboot: true}, false, false},
		{"only the primary runs it", each(wanted, running), []string{wanted, running}, device.ActivateRequest{Version: wanted, Standby: true, Reboot: true}, true, false},
		{"each by itself: the other's entry does not matter", each(running, running), []string{wanted, running}, device.ActivateRequest{Version: wanted}, false, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			var got *ospb.ActivateRequest
			f := &fake{
				verify: func() (*ospb.VerifyResponse, error) { return c.verify, nil },
				activate: func(r *ospb.ActivateRequest) (*ospb.ActivateResponse, error) {
					got = r
					return &ospb.ActivateResponse{Response: &ospb.ActivateResponse_ActivateOk{ActivateOk: &ospb.ActivateOK{}}}, nil
				},
				subscribe: pairOf(true, c.boot...).subscribe,
			}
			_, d := start(t, f)
			if err := d.Activate(context.Background(), c.req); err != nil {
				t.Fatal(err)
			}
			if (got != nil) != c.act {
				t.Fatalf("sent %v, want an activation: %v", got, c.act)
			}
			if !strings.HasPrefix(f.history(), "verify") {
				t.Errorf("the device was not read first: %s", f.history())
			}
			if got != nil && (got.GetNoReboot() != c.noReboot || got.GetVersion() != c.req.Version || got.GetStandbySupervisor() != c.req.Standby) {
				t.Errorf("sent %v", got)
			}
		})
	}
}

func whole(version string) *ospb.VerifyResponse { return &ospb.VerifyResponse{Version: version} }

func each(primary, secondary string) *ospb.VerifyResponse {
	return &ospb.VerifyResponse{Version: primary, IndividualSupervisorInstall: true, VerifyStandby: &ospb.VerifyStandby{
		State: &ospb.VerifyStandby_VerifyResponse{VerifyResponse: &ospb.StandbyResponse{Id: "CTL-B", Version: secondary}}}}
}

func TestActivateIsNotSentWhenTheDeviceCannotBeRead(t *testing.T) {
	for name, f := range map[string]*fake{
		"verify fails": {verify: func() (*ospb.VerifyResponse, error) { return nil, status.Error(codes.Unavailable, "restarting") }},
		"the boot entries fail": {
			verify:    func() (*ospb.VerifyResponse, error) { return whole("2.4.1"), nil },
			subscribe: failingSubscribe(codes.Unavailable),
		},
	} {
		_, d := start(t, f)
		err := d.Activate(context.Background(), device.ActivateRequest{Version: "2.6.0", Reboot: true})
		t.Run(name, func(t *testing.T) { wantKind(t, err, device.Unreachable) })
		if strings.Contains(f.history(), "activate") {
			t.Errorf("%s: activation was sent: %s", name, f.history())
		}
	}
}

func TestActivateWithoutAnAnswerIsUnknown(t *testing.T) {
	r, _ := start(t, &fake{
		verify:   func() (*ospb.VerifyResponse, error) { return whole("2.4.1"), nil },
		activate: func(*ospb.ActivateRequest) (*ospb.ActivateResponse, error) { return &ospb.ActivateResponse{}, nil },
	})
	r.cfg.FactsOrigin = ""
	wantKind(t, r.dial(t).Activate(context.Background(), device.ActivateRequest{Version: "2.6.0"}), device.OutcomeUnknown)
}

func TestSwitchOverReadsFirst(t *testing.T) {
	cases := []struct {
		name   string
		tree   *store
		card   string
		answer string // card that the device names
		acts   bool
		want   device.Kind
		ok     bool
	}{
		{"ready", pairOf(true), "CTL-B", "CTL-B", true, 0, true},
		{"ready, the answer names nobody", pairOf(true), "CTL-B", "", true, 0, true},
		{"readiness is not told", pairOf(nil), "CTL-B", "CTL-B", true, 0, true},
		{"not ready", pairOf(false), "CTL-B", "", false, device.Refused, false},
		{"primary already", pairOf(false), "CTL-A", "", false, 0, true},
		{"unknown card", pairOf(true), "CTL-C", "", false, device.Missing, false},
		{"no controller card", pairOf(true), "LC-1", "", false, device.Ours, false},
		{"another became primary", pairOf(true), "CTL-B", "CTL-A", true, device.Moved, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			f := &fake{subscribe: c.tree.subscribe, switchTo: func(r *systempb.SwitchControlProcessorRequest) (*systempb.SwitchControlProcessorResponse, error) {
				if got := gnoiText(r.GetControlProcessor()); got != "/components/component[name="+c.card+"]" {
					t.Errorf("asked for %s", got)
				}
				resp := &systempb.SwitchControlProcessorResponse{Version: "2.6.0", Uptime: int64(time.Minute)}
				if c.answer != "" {
					resp.ControlProcessor = componentPath(c.answer)
				}
				return resp, nil
			}}
			_, d := start(t, f)
			s, err := d.SwitchOver(context.Background(), c.card)
			if got := strings.Contains(f.history(), "switch"); got != c.acts {
				t.Errorf("switchover sent: %v, want %v", got, c.acts)
			}
			if !c.ok {
				wantKind(t, err, c.want)
				return
			}
			if err != nil || s.Card != c.card {
				t.Errorf("got %+v, %v", s, err)
			}
			if c.acts && (s.Version != "2.6.0" || s.Uptime != time.Minute) {
				t.Errorf("got %+v", s)
			}
		})
	}
}

func TestRestart(t *testing.T) {
	var got *systempb.RebootRequest
	var answer error
	active := false
	f := &fake{
		subscribe: pairOf(true).subscribe,
		status: func(r *systempb.RebootStatusRequest) (*systempb.RebootStatusResponse, error) {
			return &systempb.RebootStatusResponse{Active: active, Reason: "the night shift"}, nil
		},
		reboot: func(r *systempb.RebootRequest) (*systempb.RebootResponse, error) {
			got = r
			return &systempb.RebootResponse{}, answer
		},
	}
	_, d := start(t, f)
	for component, method := range map[string]systempb.RebootMethod{
		// Source: gNOI system.proto, RebootMethod; a line card keeps forwarding.
		"CTL-B": systempb.RebootMethod_COLD, "FAB-1": systempb.RebootMethod_COLD, "LC-1": systempb.RebootMethod_NSF, "": systempb.RebootMethod_COLD,
	} {
		if err := d.Restart(context.Background(), component, "planned work"); err != nil {
			t.Fatalf("%q: %v", component, err)
		}
		if got.GetMethod() != method || got.GetDelay() != 0 || got.GetForce() || got.GetMessage() != "planned work" {
			t.Errorf("%q: sent %v", component, got)
		}
		if want := 1; component != "" && (len(got.GetSubcomponents()) != want || componentOf(got.GetSubcomponents()[0]) != component) || component == "" && len(got.GetSubcomponents()) != 0 {
			t.Errorf("%q: sent %v", component, got)
		}
	}
	got = nil
	wantKind(t, d.Restart(context.Background(), "LC-9", ""), device.Missing)
	active = true
	if f := wantKind(t, d.Restart(context.Background(), "LC-1", ""), device.Busy); !strings.Contains(f.Error(), "the night shift") {
		t.Errorf("got %v", f)
	}
	if got != nil {
		t.Errorf("sent %v", got)
	}
	active, answer = false, status.Error(codes.InvalidArgument, "NSF is not supported")
	// Never cold behind the caller's back.
	before := f.history()
	wantKind(t, d.Restart(context.Background(), "LC-1", ""), device.Unable)
	if n := strings.Count(strings.TrimPrefix(f.history(), before)+" ", " reboot "); n != 1 {
		t.Errorf("asked %d times, want once", n)
	}
	wantKind(t, d.Restart(context.Background(), "CTL-B", ""), device.Ours)
	f.status = nil // not implemented: go on without
	answer = nil
	if err := d.Restart(context.Background(), "CTL-B", ""); err != nil {
		t.Error(err)
	}
}
