package app

import (
	"slices"
	"testing"

	"towpath/internal/device"
	"towpath/internal/release"
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
