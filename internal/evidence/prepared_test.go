package evidence

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/state"
)

// The evidence tells of each setting what was found, what it was set to and when
// it was put back, and names loudly what was not.
func TestWhatWasPrepared(t *testing.T) {
	mult := func(v string) state.Setting {
		return state.Setting{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamDetectMult, Value: v}
	}
	ends := []plan.End{{Settings: []state.Setting{mult("9")}}}
	p := &plan.Plan{Device: "mere-agg-1", From: "1", To: "2", Hops: []plan.HopPlan{{From: "1", To: "2", Untouched: 0.9995, Bare: 0.31,
		Prepare: []plan.Preparation{{Kind: "set-timers", Ends: ends}}}},
		Steps: []plan.Step{
			{ID: "01", Kind: plan.Prepare, Phase: plan.UpgradeRun, Ends: ends},
			{ID: "02", Kind: plan.SwitchOver, Phase: plan.UpgradeRun, PointOfNoReturn: true},
			{ID: "03", Kind: plan.Restore, Phase: plan.UpgradeRun, Ends: ends},
			{ID: "04", Kind: plan.AcceptHop, Phase: plan.Acceptance},
		}}
	begun := time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)
	found, _ := json.Marshal(conduct.Observation{Found: []plan.End{{Settings: []state.Setting{mult("3")}}}})
	all := []conduct.Record{
		{Kind: conduct.RunBegun}, {Kind: conduct.Intended, Step: "01", Data: found}, {Kind: conduct.Acted, Step: "01"}, {Kind: conduct.StepDone, Step: "01"},
		{Kind: conduct.Intended, Step: "02"}, {Kind: conduct.Acted, Step: "02"}, {Kind: conduct.StepDone, Step: "02"},
		{Kind: conduct.Intended, Step: "03"}, {Kind: conduct.Acted, Step: "03"}, {Kind: conduct.StepDone, Step: "03"},
		{Kind: conduct.StepDone, Step: "04"}, {Kind: conduct.Finished, Verdict: conduct.Accepted},
	}
	for i := range all {
		all[i].Seq, all[i].At = i+1, begun.Add(time.Duration(i)*time.Minute)
	}
	made := func(journal []conduct.Record) *Document {
		st, err := conduct.Fold(p, policy.Default(), journal)
		if err != nil {
			t.Fatal(err)
		}
		d, err := Assemble(Inputs{Run: "r1", State: st, Journal: journal})
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	d := made(all)
	want := Prepared{On: "mere-agg-1", Setting: "bfd lag-1 detection-multiplier", Found: "3", Wanted: "9", Since: begun.Add(time.Minute), Back: begun.Add(9 * time.Minute)}
	if h := d.Hops[0]; len(h.Prepared) != 1 || h.Prepared[0] != want || h.Bare != 0.31 || h.Untouched != 0.9995 {
		t.Errorf("got %+v, want %+v", d.Hops[0], want)
	}
	still := func(d *Document) bool {
		return slices.ContainsFunc(d.Notes, func(n string) bool { return strings.Contains(n, "detection-multiplier 9 (was 3)") })
	}
	if still(d) {
		t.Errorf("put back, and yet: %v", d.Notes)
	}
	d = made(all[:7])
	if h := d.Hops[0]; len(h.Prepared) != 1 || !h.Prepared[0].Back.IsZero() || !still(d) || !strings.Contains(d.SafeState, "was 3") {
		t.Errorf("not put back: %+v, notes %v, %q", h, d.Notes, d.SafeState)
	}
}

// A session that the run took down itself is neither held nor lost.
func TestSuspendedIsNoOutcome(t *testing.T) {
	fates := []Fate{{Object: "bfd 192.0.2.1 on lag-1", Outcome: "restarted"}, {Object: "bgp 192.0.2.1", Outcome: "held"}, {Object: "bfd 192.0.2.2 on lag-2", Outcome: "lost"}}
	ps := []plan.Preparation{{Kind: "suspend", Saves: []string{"bfd 192.0.2.1 on lag-1", "bfd 192.0.2.2 on lag-2"}}}
	suspended(fates, ps)
	if fates[0].Outcome != Suspended || fates[1].Outcome != "held" || fates[2].Outcome != "lost" {
		t.Errorf("%+v", fates)
	}
	if got := allHeld(fates[:2]); got == nil || !*got {
		t.Errorf("held: %v", got)
	}
	if got := allHeld(fates); got == nil || *got {
		t.Errorf("with one that did not come back: %v", got)
	}
}
