package app

import (
	"context"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/release"
)

// kept is a store with runs and their journals.
type kept struct {
	Store
	runs     []RunRow
	journals map[string][]json.RawMessage
}

func (k *kept) Runs(context.Context) ([]RunRow, error) { return k.runs, nil }

func (k *kept) Journal(_ context.Context, run string) ([]json.RawMessage, error) {
	return k.journals[run], nil
}

func (k *kept) Artefact(context.Context, string, string) ([]byte, bool, error) {
	return nil, false, nil
}

func (k *kept) Artefacts(context.Context, string, string) ([]string, error) { return nil, nil }

// add keeps a run of two steps of the given minutes that ends with the verdict.
func (k *kept) add(t *testing.T, id, device, lab string, begun time.Time, transfer, load int, verdict conduct.Verdict) {
	t.Helper()
	p := &plan.Plan{Device: "mere-agg-1", Platform: "alder-9", From: "4.2.3", To: "4.3.1", Hops: []plan.HopPlan{{From: "4.2.3", To: "4.3.1"}},
		Path: release.Path{Hops: []release.Hop{{From: "4.2.3", To: "4.3.1"}}},
		Steps: []plan.Step{{ID: "01", Kind: plan.TransferPackage, Phase: plan.Download, Image: plan.ImageRef{Size: 600e6}},
			{ID: "02", Kind: plan.LoadSecondary, Phase: plan.Staging}}}
	pol, err := json.Marshal(policy.Default())
	if err != nil {
		t.Fatal(err)
	}
	in, err := json.Marshal(RunInput{Plan: p, Policy: pol, Lab: lab})
	if err != nil {
		t.Fatal(err)
	}
	k.runs = append(k.runs, RunRow{ID: id, Device: device, Begun: begun, Input: in})
	at := begun
	var list []json.RawMessage
	say := func(r conduct.Record, minutes int) {
		at = at.Add(time.Duration(minutes) * time.Minute)
		r.Seq, r.At = len(list)+1, at
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, b)
	}
	say(conduct.Record{Kind: conduct.RunBegun}, 0)
	for i, took := range []int{transfer, load} {
		id := fmt.Sprintf("0%d", i+1)
		say(conduct.Record{Kind: conduct.Intended, Step: id}, 0)
		say(conduct.Record{Kind: conduct.Acted, Step: id}, 0)
		say(conduct.Record{Kind: conduct.StepDone, Step: id}, took)
	}
	if verdict != "" {
		say(conduct.Record{Kind: conduct.Finished, Verdict: verdict}, 1)
	}
	if k.journals == nil {
		k.journals = map[string][]json.RawMessage{}
	}
	k.journals[id] = list
}

func TestStepsAreLearned(t *testing.T) {
	k := &kept{}
	k.add(t, "r1", "mere-agg-1", "", march, 2, 7, conduct.Accepted)
	k.add(t, "r2", "mere-agg-2", "", march, 4, 9, conduct.Accepted)
	k.add(t, "r3", "mere-agg-2", "the emulated lab", march, 1, 1, conduct.Accepted)
	k.runs = append(k.runs, RunRow{ID: "empty", Device: "mere-agg-1", Input: k.runs[0].Input})
	got, err := MeasuredSteps(t.Context(), k)
	if err != nil || got.Count() != 4 {
		t.Fatalf("%v %v", got, err)
	}
	loads := got.of("alder-9", plan.Step{Kind: plan.LoadSecondary})
	if len(loads) != 2 || loads[0] != 7*time.Minute || loads[1] != 9*time.Minute {
		t.Errorf("loads took %v", loads)
	}
	// An image half as large takes half as long.
	sent := got.of("alder-9", plan.Step{Kind: plan.TransferPackage, Image: plan.ImageRef{Size: 300e6}})
	if len(sent) != 2 || sent[0] != time.Minute || sent[1] != 2*time.Minute {
		t.Errorf("transfers take %v", sent)
	}
	if x := got.of("willow-3", plan.Step{Kind: plan.LoadSecondary}); len(x) != 0 {
		t.Errorf("another platform learned %v", x)
	}
	// And the campaign uses them.
	ws := smallWorkspace(t, 1, 0)
	w := both
	w.To = []string{"4.4.2"}
	before, err := use(t, ws).Campaign(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	w.Steps = StepTimes{}
	for range 50 {
		w.Steps.Add("alder-9", plan.Step{Kind: plan.LoadSecondary}, 25*time.Minute)
	}
	after, err := use(t, ws).Campaign(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	if a, b := before.Devices[0], after.Devices[0]; b.Learned == 0 || a.Learned != 0 || b.Mean < a.Mean+30*time.Minute || b.Kept <= a.Kept {
		t.Errorf("before: %v of %v kept, learned %d; after: %v of %v, %d", a.Mean, a.Kept, a.Learned, b.Mean, b.Kept, b.Learned)
	}
}

func TestOutcomesOfRuns(t *testing.T) {
	k := &kept{}
	c := &plan.Campaign{MadeAt: march, Devices: []plan.DeviceCourse{{Device: "mere-agg-1", To: "4.3.1"}, {Device: "mere-agg-2", To: "4.3.1"}, {Device: "ost-core-1", To: "4.3.1"}, {Device: "ost-core-2", To: "4.4.2"}}}
	day := func(n int) time.Time { return march.AddDate(0, 0, n) }
	k.add(t, "old", "mere-agg-1", "", day(-1), 1, 1, conduct.Accepted)      // before the campaign was made
	k.add(t, "r1", "mere-agg-1", "", day(1), 1, 1, conduct.RolledBack)      // failed
	k.add(t, "r2", "mere-agg-2", "", day(1), 1, 1, conduct.RolledBack)      // failed, and then
	k.add(t, "r3", "mere-agg-2", "", day(3), 1, 1, conduct.Accepted)        // done
	k.add(t, "r4", "ost-core-1", "", day(3), 1, 1, "")                      // not ended
	k.add(t, "r5", "ost-core-2", "", day(3), 1, 1, conduct.Accepted)        // to another release
	k.add(t, "r6", "mere-agg-1", "the lab", day(4), 1, 1, conduct.Accepted) // not real
	k.add(t, "r7", "weir-1", "", day(4), 1, 1, conduct.Accepted)            // of another campaign
	got, err := OutcomesOf(t.Context(), k, c)
	if err != nil || len(got) != 2 {
		t.Fatalf("%+v %v", got, err)
	}
	if got[0].Device != "mere-agg-1" || got[0].Result != OutcomeFailed || got[1].Device != "mere-agg-2" || got[1].Result != OutcomeDone || !got[1].At.Equal(day(3).Add(3*time.Minute)) {
		t.Errorf("%+v", got)
	}
}
