package policy

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"towpath/internal/document"
	"towpath/internal/unit"
)

func TestReadOverwritesFieldByField(t *testing.T) {
	const src = `
readiness:
  unknown-is: caution
  cpu-percent: 55.5
  waive: [console-reachable]
storage: {margin: 0B, keep: ["*.cfg"]}
compare: {route-count-percent: 0}
probe:
  budget: 50ms
  flows:
    - {name: east, to: "192.0.2.7:862", ports: 4}
conduct: {after-point-of-no-return: roll-back}
hold-points: []
freezes:
  - {name: new year, from: 2026-12-20T00:00:00+01:00, until: 2027-01-04T00:00:00+01:00, sites: [Mere]}
rules:
  - id: ours-1
    clear-when: |
      device.site != "Mere"
      || capture.cpu_percent < 20.0
    severity: caution
    reason: Mere is busy
`
	got, err := Read("policy.yaml", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	want := Default()
	want.Readiness.UnknownIs = Caution
	want.Readiness.CPUPercent = 55.5
	want.Readiness.Waive = []string{"console-reachable"}
	want.Storage = Storage{Margin: 0, Keep: []string{"*.cfg"}}
	want.Compare.RouteCountPercent = 0
	want.Probe.Budget = 50 * time.Millisecond
	want.Probe.Flows = []Flow{{Name: "east", To: "192.0.2.7:862", Ports: 4}}
	want.Conduct.AfterPointOfNoReturn = RollBack
	want.HoldPoints = []HoldPoint{}
	want.Freezes = []Freeze{{
		Name: "new year", From: time.Date(2026, 12, 19, 23, 0, 0, 0, time.UTC), Until: time.Date(2027, 1, 3, 23, 0, 0, 0, time.UTC), Sites: []string{"Mere"},
	}}
	want.Rules = []Rule{{ID: "ours-1", Clear: "device.site != \"Mere\"\n|| capture.cpu_percent < 20.0\n", Severity: Caution, Reason: "Mere is busy"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if want.Probe.Rate != 1000 || want.Storage.Margin != 0 || Default().Storage.Margin != 512*unit.MiB {
		t.Error("the default is not what this test believes")
	}
}

// The default is itself a policy that a file may hold.
func TestDefaultReadsBack(t *testing.T) {
	src, err := document.Marshal(Default())
	if err != nil {
		t.Fatal(err)
	}
	got, err := Read("policy.yaml", src)
	if err != nil || !reflect.DeepEqual(got, Default()) {
		t.Errorf("%v\n%s\n%s", err, cmp.Diff(Default(), got), src)
	}
}

// Zero is never read as "no limit": it is refused, or it is the strictest
// value.
func TestZeroIsNoWayAround(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		path := rapid.SampledFrom([]string{
			"readiness.spanning-tree-quiet: 0s", "readiness.clock-offset: 0s", "readiness.cpu-percent: 0", "readiness.memory-percent: 0",
			"readiness.temperature-celsius: 0", "readiness.survive-probability: 0", "readiness.configuration-backup: 0s", "readiness.certificate-left: 0s",
			"probe.rate: 0", "probe.budget: 0s", "probe.baseline: 0s", "probe.settle: 0s", "conduct.attempts: 0", "conduct.reachable-within: 0s",
			"conduct.secondary-ready-within: 0s", "conduct.line-card-within: 0s", "conduct.transfer-stall: 0s", "conduct.adjacency-grace: 0s",
			"conduct.poll-every: 0s", "readiness.steady-for: 0s", "conduct.observe-after-crash: 0s",
		}).Draw(t, "field")
		section, field, _ := strings.Cut(path, ".")
		_, err := Read("policy.yaml", []byte(section+": {"+field+"}\n"))
		var p document.Problem
		if key, _, _ := strings.Cut(path, ":"); !errors.As(err, &p) || p.Field != key || !strings.HasSuffix(p.Found, "is out of range") {
			t.Fatalf("%s: %v", path, err)
		}
	})
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("probe: {budget: 50ms, flows: [{name: a, to: \"b:1\"}]}\nfreezes: [{name: n, from: 2026-12-20T00:00:00Z, until: 2027-01-04T00:00:00.5+01:00}]\n"))
	f.Add([]byte("rules: [{id: a, clear-when: \"true\", reason: r}]\nhold-points: [{before: staging, persons: [x]}]\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		p, err := Read("policy.yaml", src)
		if err != nil {
			var ps document.Problems
			if !errors.As(err, &ps) || !reflect.DeepEqual(p, Policy{}) {
				t.Fatalf("%+v, %T", p, err)
			}
			return
		}
		if p.Probe.Budget <= 0 || p.Probe.Rate <= 0 || p.Conduct.Attempts <= 0 || p.Readiness.UnknownIs == "" {
			t.Fatalf("a limit is gone: %+v", p)
		}
	})
}
