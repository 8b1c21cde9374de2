package openconfig

import (
	"context"
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/devicetest"
	"towpath/internal/state"
)

// TestDeviceWithoutGNOI runs the suite against a device that serves gNMI alone:
// every act must be refused as one that the device is not able to do.
func TestDeviceWithoutGNOI(t *testing.T) {
	devicetest.Exercise(t, func(t *testing.T, with devicetest.Trouble) (devicetest.Harness, bool) {
		if with != devicetest.None {
			return devicetest.Harness{}, false
		}
		s := pairOf(true)
		for _, c := range []string{"CTL-A", "CTL-B"} {
			s.leaves["/components/component[name="+c+"]/state/oper-status"] = datum{"/components/component[name=" + c + "]/state/oper-status", state.OperActive}
			s.leaves["/components/component[name="+c+"]/state/software-version"] = datum{"/components/component[name=" + c + "]/state/software-version", "2.4.1"}
		}
		s.leaves["/system/state/software-version"] = datum{"/system/state/software-version", "2.4.1"}
		s.leaves[bgpOne] = datum{bgpOne, "ESTABLISHED"}
		s.lacks = []string{"/facts", "/stp"}
		_, d := start(t, &fake{subscribe: s.subscribe})
		return devicetest.Harness{
			Device: d, Partial: true, Name: "mere-agg-1", Release: "2.4.1", Primary: "CTL-A", Secondary: "CTL-B", LineCard: "LC-1",
			Adjacencies: []string{"bgp 192.0.2.1"},
			Next:        devicetest.Package{Version: "2.6.0", Content: make([]byte, 100)},
			Image:       devicetest.ComponentImage{Component: "LC-1", File: "x", Version: "1.9", Content: []byte("firmware")},
			File:        devicetest.File{Controller: "CTL-A", Path: "/flash/x"},
			Change: func(*testing.T) (device.EventKind, string) {
				s.change(1000, []datum{{bgpOne, "IDLE"}})
				return device.EventAdjacency, "bgp 192.0.2.1"
			},
		}, true
	})
}

func TestAbilities(t *testing.T) {
	r, d := start(t, &fake{subscribe: pairOf(true).subscribe, clock: time.Now})
	a, err := d.Abilities(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if a.Install || a.Restart || a.ComponentImage || a.Files || !a.Watch || !a.SwitchOver || len(a.Models) != 1 || a.Models[0] != "openconfig-platform@0.32.0" {
		t.Errorf("got %+v", a)
	}
	if h := r.history(); h != "verify reboot-status set-package" {
		t.Errorf("asked %q: more than harmless questions", h)
	}
}
