package app

import (
	"slices"
	"testing"

	"towpath/internal/device"
	"towpath/internal/release"
	"towpath/internal/state"
)

// lacking is a device whose driver cannot do some acts.
type lacking struct {
	device.Device
	lacks device.Lacks
}

// Lacks implements limited.
func (l lacking) Lacks() device.Lacks { return l.lacks }

// TestWhatADriverCannotDo tells before a run what would stop it in the middle:
// only what the path needs, and each act once.
func TestWhatADriverCannotDo(t *testing.T) {
	reload := release.Hop{From: "7.4.2", To: "7.5.1", Method: release.Reload}
	inService := release.Hop{From: "7.5.1", To: "7.6.0", Method: release.InService}
	all := device.Lacks{Install: true, SwitchOver: true, RestartDevice: true, ComponentImage: true}
	for _, c := range []struct {
		name string
		dev  device.Device
		hops []release.Hop
		want []string
	}{
		{"nothing is known", nil, []release.Hop{reload, inService}, nil},
		{"a reload without a way to restart", lacking{lacks: device.Lacks{RestartDevice: true, SwitchOver: true}}, []release.Hop{reload},
			[]string{"restart the whole device, as the reload from 7.4.2 to 7.5.1 does"}},
		{"in service without a way to restart everything", lacking{lacks: device.Lacks{RestartDevice: true}}, []release.Hop{inService}, nil},
		{"only reads", lacking{lacks: all}, []release.Hop{reload, inService}, []string{"install a release",
			"restart the whole device, as the reload from 7.4.2 to 7.5.1 does", "hand over to the other controller card, as the hop from 7.5.1 to 7.6.0 does"}},
	} {
		if got := cannot(c.dev, release.Path{Hops: c.hops}); !slices.Equal(got, c.want) {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}

// TestCardsThatDoNotTellTheirRelease names those that a hop waits to see, before
// it waits: not an empty slot, nor a card without a role, nor a fan.
func TestCardsThatDoNotTellTheirRelease(t *testing.T) {
	card := func(name, kind, role, version string, empty bool) state.Component {
		k := state.Component{Name: name, Kind: kind, Empty: state.Some(empty)}
		if role != "" {
			k.Role = state.Some(role)
		}
		if version != "" {
			k.Version = state.Some(version)
		}
		return k
	}
	c := &state.Capture{Components: []state.Component{
		card("CTL-A", state.KindControllerCard, state.Primary, "", false), card("CTL-B", state.KindControllerCard, state.Secondary, "7.4.2", false),
		card("CTL-C", state.KindControllerCard, "", "", false), card("LC-1", state.KindLineCard, "", "", false), card("LC-2", state.KindLineCard, "", "7.4.2", false),
		card("LC-3", state.KindLineCard, "", "", true), card("FAN", state.KindFan, "", "", false),
	}}
	if got, want := untold(c), []string{"tell the release of CTL-A, LC-1, by which a run sees that a hop is done"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	c.Components = c.Components[1:2]
	if got := untold(c); got != nil {
		t.Errorf("all told: got %q", got)
	}
}
