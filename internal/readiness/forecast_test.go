package readiness_test

import (
	"reflect"
	"testing"
	"time"

	"towpath/internal/readiness"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/survival"
)

// The forecast names adjacencies as the capture does, so that each outlook
// meets its adjacency; and what the two say of the healthy device agrees.
func TestForecastMeetsCapture(t *testing.T) {
	for _, tc := range []struct {
		silence time.Duration
		want    readiness.Verdict
	}{
		{time.Second, readiness.Clear},       // BFD is offloaded and VRRP waits 3.2 s: nothing is lost
		{5 * time.Second, readiness.Blocker}, // VRRP's backup takes over, RFC 9568 §6.4.2
	} {
		in := ready(t)
		in.Outlook = nil
		known := map[string]bool{}
		for _, a := range in.Capture.Adjacencies {
			known[a.Name()] = true
		}
		met := 0
		for _, a := range survival.Predict(in.Capture, survival.Fixed(tc.silence), survival.Options{}).Adjacencies {
			in.Outlook = append(in.Outlook, readiness.AdjacencyOutlook{Object: a.Name(), Outcome: string(a.Outcome), Survive: a.Survive, Carries: a.Carries, Why: a.Why, Source: a.Source})
			if known[a.Name()] {
				met++
			}
		}
		if met != len(in.Capture.Adjacencies) {
			t.Errorf("%d of %d adjacencies are foretold under their names", met, len(in.Capture.Adjacencies))
		}
		r := check(t, in)
		if got := worst(r, "adjacencies-survive"); got != tc.want {
			t.Errorf("silence %s: %s, want %s: %+v", tc.silence, got, tc.want, of(r, "adjacencies-survive"))
		}
	}
}

// What the rules see has the types that they were checked against.
func TestSchemaAndValuesAgree(t *testing.T) {
	in := ready(t)
	in.Capture.LogicalNetworkElements = []state.LogicalNetworkElement{{Name: "water", Oper: state.Some("ACTIVE")}}
	in.Capture.Alarms = []state.Alarm{{ID: "1", Severity: "MINOR", Text: "door open", Since: state.Some("x")}}
	in.Capture.Unread = []string{"x"}
	in.Capture.CrashFiles = []state.File{{Path: "x", Modified: state.Some(now)}}
	in.Device.Labels = map[string]string{"tier": "gold"}
	in.Path.Hops[0].Firmware = []release.FirmwareStep{{Component: "LC-1"}}
	seen := readiness.CompareSchema(t, map[string]reflect.Value{"device": reflect.ValueOf(in.Device), "capture": reflect.ValueOf(*in.Capture), "path": reflect.ValueOf(in.Path)})
	if seen < 150 {
		t.Errorf("looked at %d fields only", seen)
	}
}
