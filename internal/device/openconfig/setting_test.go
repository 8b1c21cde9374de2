package openconfig_test

import (
	"context"
	"testing"

	"towpath/internal/device"
	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/state"
)

// Every parameter that the driver knows is found where the lab keeps it, under
// the keys that the lab's own adjacencies have, and reads as the protocol's
// default or what the scenario was configured with.
func TestWhereSettingsAre(t *testing.T) {
	cfg := labtest.Config(true)
	_, d := open(t, cfg)
	defer func() { _ = d.Close() }()
	for _, c := range []struct {
		s    state.Setting
		want string
	}{
		// Source: common practice for 300 ms × 3; RFC 5880 §6.8.1 for the variables.
		{state.Setting{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamTransmit}, "300ms"},
		{state.Setting{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamReceive}, "300ms"},
		{state.Setting{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamDetectMult}, "3"},
		{state.Setting{Protocol: state.BFD, Neighbour: "198.51.100.7", Parameter: state.ParamTransmit}, "1s"},
		{state.Setting{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamEnabled}, "true"},
		// Source: RFC 2328 C.3, 10 s and four times that.
		{state.Setting{Protocol: state.OSPFv2, Instance: "default", Interface: "lag-2", Parameter: state.ParamHelloInterval}, "10s"},
		{state.Setting{Protocol: state.OSPFv2, Instance: "default", Interface: "lag-2", Parameter: state.ParamDeadInterval}, "40s"},
		{state.Setting{Protocol: state.OSPFv2, Interface: "lag-2", Parameter: state.ParamMetric}, "10"},
		{state.Setting{Protocol: state.OSPFv2, Instance: "default", Parameter: state.ParamOverload}, "false"},
		// Source: RFC 9129, restart-interval; 120 s is its default.
		{state.Setting{Protocol: state.OSPFv2, Instance: "default", Parameter: state.ParamGracePeriod}, "2m0s"},
		{state.Setting{Protocol: state.ISIS, Instance: "default", Interface: "port-1/3", Parameter: state.ParamHelloInterval}, "3s"},
		{state.Setting{Protocol: state.ISIS, Instance: "default", Interface: "port-1/3", Parameter: state.ParamHelloMultiplier}, "10"},
		{state.Setting{Protocol: state.ISIS, Instance: "default level 2", Interface: "port-1/3", Parameter: state.ParamMetric}, "10"},
		{state.Setting{Protocol: state.ISIS, Instance: "default", Parameter: state.ParamOverload}, "false"},
		{state.Setting{Protocol: state.VRRP, Instance: "20", Interface: "lag-2", Parameter: state.ParamPriority}, "200"},
		{state.Setting{Protocol: state.VRRP, Instance: "20", Interface: "lag-2", Parameter: state.ParamAdvertise}, "1s"},
		{state.Setting{Protocol: state.LACP, Interface: "port-2/1", Parameter: state.ParamPeriod}, "slow"},
		{state.Setting{Protocol: state.LACP, Instance: "lag-1", Parameter: state.ParamPeriod}, "slow"},
		{state.Setting{Protocol: state.BGP, Instance: "default", Neighbour: "203.0.113.9", Parameter: state.ParamHoldTime}, "3m0s"},
		{state.Setting{Protocol: state.BGP, Instance: "default", Neighbour: "203.0.113.9", Parameter: state.ParamGracefulShutdown}, "false"},
	} {
		got, err := d.Settings(context.Background(), []state.Setting{c.s})
		if err != nil || got[0].Value != c.want || got[0].Key() != c.s {
			t.Errorf("%s: got %v, %v, want %s", c.s.Parts(), got, err, c.want)
		}
	}
	for _, s := range []state.Setting{
		{Protocol: state.BFD, Interface: "lag-9", Parameter: state.ParamDetectMult},
		{Protocol: state.BFD, Neighbour: "192.0.2.99", Parameter: state.ParamDetectMult},
		{Protocol: state.ISIS, Instance: "default level 1", Interface: "port-1/3", Parameter: state.ParamHelloMultiplier},
		{Protocol: state.LACP, Interface: "port-3/1", Parameter: state.ParamPeriod},
	} {
		if _, err := d.Settings(context.Background(), []state.Setting{s}); device.KindOf(err) != device.Missing {
			t.Errorf("%s: %v, want it missing", s.Parts(), err)
		}
	}
	// Both members of a group are one leaf, and one change.
	both := []state.Setting{{Protocol: state.LACP, Interface: "port-1/1", Parameter: state.ParamPeriod, Value: "fast"}, {Protocol: state.LACP, Interface: "port-2/1", Parameter: state.ParamPeriod, Value: "fast"}}
	if err := d.Adjust(context.Background(), both); err != nil {
		t.Fatal(err)
	}
	got, err := d.Settings(context.Background(), both)
	if err != nil || got[0].Value != "fast" || got[1].Value != "fast" {
		t.Errorf("after: %v, %v", got, err)
	}
	both[1].Value = "slow"
	if err := d.Adjust(context.Background(), both); device.KindOf(err) != device.Ours || err == nil {
		t.Errorf("two values for one leaf: %v, want a fault of ours", err)
	}
	// A value that cannot be written is ours, and asks nothing of the device.
	for _, value := range []string{"1.5s", "-3", "quick"} {
		err := d.Adjust(context.Background(), []state.Setting{{Protocol: state.OSPFv2, Interface: "lag-2", Parameter: state.ParamDeadInterval, Value: value}})
		if device.KindOf(err) != device.Ours || err == nil {
			t.Errorf("%q: %v, want a fault of ours", value, err)
		}
	}
}
