package openconfig_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/device/openconfig"
	"towpath/internal/lab"
	"towpath/internal/state"
)

func open(t *testing.T, cfg lab.Config) (*labtest.Bench, *openconfig.Driver) {
	t.Helper()
	b := labtest.Start(t, cfg, labtest.Rate)
	return b, dial(t, b, nil)
}

func dial(t testing.TB, b *labtest.Bench, change func(*openconfig.Config)) *openconfig.Driver {
	t.Helper()
	p := b.Lab.PKI()
	cfg := openconfig.Config{
		Device: string(b.Chassis.ID()), Target: b.Chassis.Address(), ServerName: string(b.Chassis.ID()),
		CA: p.Authority, Cert: p.ClientCert, Key: p.ClientKey, FactsOrigin: "towpath-facts", Now: b.Lab.Clock().Now,
	}
	if change != nil {
		change(&cfg)
	}
	d, err := openconfig.Dial(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestLab runs the suite against the emulated chassis.
func TestLab(t *testing.T) {
	labtest.Exercise(t, labtest.Certificate, func(t testing.TB, b *labtest.Bench, w labtest.Way) device.Device {
		return dial(t, b, func(c *openconfig.Config) { w.Turn(&c.Target, nil) })
	})
}

// TestDerivedTimersAgreeWithWhatTheDeviceStates reads the chassis with and
// without its own account of each adjacency: what follows from the OpenConfig
// models by the protocols' rules must be what its state machines really do.
func TestDerivedTimersAgreeWithWhatTheDeviceStates(t *testing.T) {
	b, full := open(t, labtest.Config(true))
	defer full.Close()
	models := dial(t, b, func(c *openconfig.Config) { c.FactsOrigin = "" })
	defer models.Close()
	stated, err := full.Capture(context.Background(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	derived, err := models.Capture(context.Background(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	compared := map[string]int{}
	for _, d := range derived.Adjacencies {
		if d.Protocol == state.ISIS {
			// The chassis is the designated system of its LAN and sends three
			// times as often as configured (ISO/IEC 10589 §8.4.5), which the
			// models do not tell.
			continue
		}
		i := slices.IndexFunc(stated.Adjacencies, func(s state.Adjacency) bool {
			if s.Protocol == state.VRRP { // the models name the group's own address
				return d.Protocol == s.Protocol && d.Instance == s.Instance
			}
			return s.Protocol == d.Protocol && s.Neighbour == d.Neighbour && (d.Interface == "" || s.Interface == d.Interface)
		})
		if i < 0 {
			t.Errorf("%s is in the models only", d.Name())
			continue
		}
		s := stated.Adjacencies[i]
		for _, x := range []struct {
			what string
			d, s state.Opt[time.Duration]
		}{
			{"send", d.Timers.Send, s.Timers.Send}, {"neighbour send", d.Timers.NeighbourSend, s.Timers.NeighbourSend},
			{"neighbour detect", d.Timers.NeighbourDetect, s.Timers.NeighbourDetect}, {"own detect", d.Timers.OwnDetect, s.Timers.OwnDetect},
			{"restart time", d.Restart.Time, s.Restart.Time},
		} {
			dv, dk := x.d.Get()
			sv, sk := x.s.Get()
			if !dk || !sk {
				continue // VRRP: the active router states no own detection
			}
			compared[d.Protocol]++
			if dv != sv {
				t.Errorf("%s: %s follows from the models as %s, the device does %s", d.Name(), x.what, dv, sv)
			}
		}
		if du, ok := d.Up.Get(); ok && du != s.Up.Or(!du) {
			t.Errorf("%s: up is derived as %v, stated as %v", d.Name(), du, s.Up)
		}
		if dr, ok := d.Restart.Own.Get(); ok && dr != s.Restart.Own.Or(!dr) {
			t.Errorf("%s: our restart is derived as %v, stated as %v", d.Name(), dr, s.Restart.Own)
		}
		if dp, ok := d.BFD.Protected.Get(); ok && d.Protocol != state.BGP && dp != s.BFD.Protected.Or(!dp) {
			t.Errorf("%s: protection is derived as %v, stated as %v", d.Name(), dp, s.BFD.Protected)
		}
		if dp, ok := d.Prefixes.Get(); ok && dp != s.Prefixes.Or(0) {
			t.Errorf("%s: %d prefixes derived, %d stated", d.Name(), dp, s.Prefixes.Or(0))
		}
	}
	for _, p := range []string{state.BGP, state.OSPFv2, state.BFD, state.LLDP, state.PIM, state.LACP, state.VRRP, state.LDP} {
		if compared[p] == 0 {
			t.Errorf("nothing of %s was compared", p)
		}
	}
}

// TestCapturesOfOneMomentAgree reads the chassis in two scopes.
func TestCapturesOfOneMomentAgree(t *testing.T) {
	b, d := open(t, labtest.Config(false))
	defer d.Close()
	one, err := d.Capture(context.Background(), device.ScopeComponents)
	if err != nil {
		t.Fatal(err)
	}
	two, err := dial(t, b, nil).Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	for i, k := range one.Components {
		if k.Version != two.Components[i].Version || k.Name != two.Components[i].Name || k.Role != two.Components[i].Role {
			t.Errorf("got %+v and %+v", k, two.Components[i])
		}
	}
	if one.Configuration != two.Configuration {
		t.Errorf("got %+v and %+v", one.Configuration, two.Configuration)
	}
}
