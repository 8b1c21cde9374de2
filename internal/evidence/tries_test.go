package evidence

import (
	"bytes"
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

// retold is the story with another journal, times 10 s apart from zero on.
func retold(t *testing.T, journal []conduct.Record) Inputs {
	t.Helper()
	in := story(t)
	for i := range journal {
		journal[i].Seq = i + 1
		if journal[i].At.IsZero() {
			journal[i].At = at(10 * i)
		}
	}
	st, err := conduct.Fold(in.State.Plan, policy.Default(), journal)
	if err != nil {
		t.Fatal(err)
	}
	in.State, in.Journal = st, journal
	return in
}

// tried is a run whose hand-over was refused once by itself, then failed, was
// continued by a person an hour later, broke a guard, was waived, and came.
func tried(t *testing.T) []conduct.Record {
	t.Helper()
	dead := conduct.Failure{Cause: conduct.ByGuard, Name: string(plan.GuardPower), Text: "feed-a is dead", Objects: []string{"feed-a"}}
	waiver, err := json.Marshal(conduct.ChosenData{Waiver: &conduct.Waiver{Guard: plan.GuardPower, Step: "03", Objects: dead.Objects, Found: dead.Text, Reason: "feed B carries all"}})
	if err != nil {
		t.Fatal(err)
	}
	obs := json.RawMessage(`{"boots":{}}`)
	return []conduct.Record{
		{Kind: conduct.RunBegun, Person: "Ben Marlow"},
		{Kind: conduct.StepDone, Step: "01", Attempt: 1, Text: "ready"},
		{Kind: conduct.StepDone, Step: "02", Attempt: 1, Text: "Ada Fenwick consents", Person: "Ada Fenwick"},
		{Kind: conduct.Intended, Step: "03", Attempt: 1, Data: obs},
		{Kind: conduct.StepFailed, Step: "03", Attempt: 1, Text: "busy", Failure: &conduct.Failure{Cause: conduct.ByDevice, Text: "busy", Retry: true}},
		{Kind: conduct.Intended, Step: "03", Attempt: 2, Data: obs},
		{Kind: conduct.Acted, Step: "03", Attempt: 2, Text: "handed over"},
		{Kind: conduct.StepFailed, Step: "03", Attempt: 2, Text: "it has not answered", Failure: &conduct.Failure{Cause: conduct.ByReach, Text: "it has not answered"}},
		{Kind: conduct.Chosen, Step: "03", Attempt: 2, Choice: conduct.Continue, Person: "Ada Fenwick", Text: "Ada Fenwick chose: continue", At: at(3600)},
		{Kind: conduct.GuardBroke, Step: "03", Attempt: 1, Text: dead.Text, Failure: &dead, At: at(3604)},
		{Kind: conduct.Chosen, Step: "03", Attempt: 1, Choice: conduct.Waive, Person: "Jonas Pell", Text: "Jonas Pell waived", Data: waiver, At: at(3700)},
		{Kind: conduct.StepDone, Step: "03", Attempt: 1, Text: "so it is", At: at(3705)},
		{Kind: conduct.StepDone, Step: "04", Attempt: 1, Text: "accepted", At: at(3706)},
		{Kind: conduct.Finished, Verdict: conduct.Accepted, At: at(3707)},
	}
}

// Each try of a step stands by itself: its times, what was found, who had it
// tried again. What a person took to decide is time of none of them.
func TestTriesAreToldApart(t *testing.T) {
	d := assemble(t, retold(t, tried(t)))
	want := []Step{
		{Try: 1, Attempt: 1, Begun: at(20), Took: 20 * time.Second, Result: "failed", Text: "busy"},
		{Try: 2, Attempt: 2, Begun: at(40), Took: 30 * time.Second, Result: "failed", Text: "it has not answered"},
		{Try: 3, Attempt: 1, Begun: at(3600), Took: 4 * time.Second, Result: "guard broke", Text: "feed-a is dead", By: "Ada Fenwick", Choice: conduct.Continue},
		{Try: 4, Attempt: 1, Begun: at(3700), Took: 5 * time.Second, Result: "done", Text: "so it is", By: "Jonas Pell", Choice: conduct.Waive},
	}
	var got []Step
	for _, s := range d.Steps {
		if s.ID == "03" {
			s.ID, s.Title, s.Phase, s.Expect = "", "", "", 0
			got = append(got, s)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%+v\nwant\n%+v", got, want)
	}
	// What was foretold of the step was foretold once.
	if one := assemble(t, story(t)); d.Hops[0].Minutes.Forecast != one.Hops[0].Minutes.Forecast {
		t.Errorf("forecast %v with four tries, %v with one", d.Hops[0].Minutes.Forecast, one.Hops[0].Minutes.Forecast)
	}
	if len(d.Waivers) != 1 || d.Waivers[0].Person != "Jonas Pell" || !d.Waivers[0].At.Equal(at(3700)) {
		t.Errorf("waivers %+v", d.Waivers)
	}
	if !slices.ContainsFunc(d.Notes, func(n string) bool {
		return strings.Contains(n, "Jonas Pell waived guard power-lost") && strings.Contains(n, "feed-a is dead") && strings.Contains(n, "feed B carries all")
	}) {
		t.Errorf("notes %q", d.Notes)
	}
	var b bytes.Buffer
	if err := d.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	for _, part := range []string{"(try 2)", "(try 3: Ada Fenwick chose continue)", "(try 4: Jonas Pell chose waive)", "in spite of what had stopped the run"} {
		if !strings.Contains(b.String(), part) {
			t.Errorf("%q is not on the page", part)
		}
	}
	if _, err := Check(bytes.NewReader(written(t, d))); err != nil {
		t.Error(err)
	}
}

// One try that was measured does not stand for another that was not.
func TestEachTryIsMeasured(t *testing.T) {
	in := retold(t, tried(t))
	title := in.State.Plan.Steps[2].Title
	in.Sessions = []conduct.Measurement{session(0, title, title+conduct.Over, title, title+conduct.Over), session(3600, title+conduct.Again, title+conduct.Over)}
	if d := assemble(t, in); d.Hops[0].Loss.Known {
		t.Error("loss is claimed of a hop of whose hand-over two tries of four were measured")
	}
	in.Sessions[1] = session(3600, title, title+conduct.Over, title, title+conduct.Over)
	if d := assemble(t, in); !d.Hops[0].Loss.Known {
		t.Error("every try was measured, and no loss is claimed")
	}
}

// What a device showed when a person took the work over stands at the top, and
// beside what is still changed.
func TestFoundWhenTakenOver(t *testing.T) {
	off := state.Setting{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamDetectMult, Value: "7"}
	for name, c := range map[string]struct {
		data any
		want []string
	}{
		"read": {conduct.FinishedData{Found: &conduct.Observation{Release: "4.4.2", Roles: map[string]string{"CTL-A": "SECONDARY", "CTL-B": "PRIMARY"}, Releases: map[string]string{"CTL-A": "4.2.3", "CTL-B": "4.4.2"},
			Oper: map[string]string{"CTL-A": "INACTIVE", "LC-1": "DISABLED", "FAN-1": "ACTIVE", "FAN-2": "ACTIVE"}, Found: []plan.End{{Settings: []state.Setting{off}}}}},
			[]string{"mere-agg-1 says that it runs 4.4.2", "CTL-A: SECONDARY, INACTIVE, runs 4.2.3", "CTL-B: PRIMARY, runs 4.4.2", "LC-1: DISABLED", "2 other components are ACTIVE", "mere-agg-1: bfd lag-1 detection-multiplier 7"}},
		"away":      {conduct.FinishedData{Unread: "mere-agg-1: unreachable"}, []string{"not read: mere-agg-1: unreachable"}},
		"of before": {nil, []string{"not read: the run was ended by a release that did not read the device then"}},
	} {
		journal := tried(t)[:8]
		journal = append(journal, conduct.Record{Kind: conduct.Chosen, Step: "03", Attempt: 2, Choice: conduct.HandOver, Person: "Ada Fenwick"}, conduct.Record{Kind: conduct.Finished, Verdict: conduct.Paused})
		if c.data != nil {
			b, err := json.Marshal(c.data)
			if err != nil {
				t.Fatal(err)
			}
			journal[9].Data = b
		}
		d := assemble(t, retold(t, journal))
		if !slices.Equal(d.Found, c.want) {
			t.Errorf("%s: got %q, want %q", name, d.Found, c.want)
		}
		var b bytes.Buffer
		if err := d.WriteHTML(&b); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(b.String(), c.want[0]) {
			t.Errorf("%s: %q is not on the page", name, c.want[0])
		}
	}
	if d := assemble(t, story(t)); len(d.Found) != 0 {
		t.Errorf("nobody took over, and yet %q", d.Found)
	}
	last := atEnd{FinishedData: conduct.FinishedData{Found: &conduct.Observation{Found: []plan.End{{Settings: []state.Setting{off}}}}}, over: true}
	if got := last.setting(&plan.Plan{Device: "mere-agg-1"}, Prepared{On: "mere-agg-1", Setting: off.Key().Parts()}); got != "7" {
		t.Errorf("found of the setting: %q, want 7", got)
	}
}

// One offset for the whole page: sessions may have run by the clocks of two
// machines, and clocks are put forward at night.
// Source: IANA time zone database, Europe/Amsterdam: +01:00 until 30 March 2031
// 02:00, +02:00 from then on.
func TestOneOffsetOnThePage(t *testing.T) {
	amsterdam, err := time.LoadLocation("Europe/Amsterdam")
	if err != nil {
		t.Fatal(err)
	}
	begun := time.Date(2031, 3, 29, 23, 50, 0, 0, amsterdam)
	journal := tried(t)[:3]
	journal[0].At = begun
	journal[1].At = begun.Add(5 * time.Minute).UTC()
	journal[2].At = begun.Add(3 * time.Hour) // 03:50 by the clocks there, 02:50 by the offset of the begin
	for i := range journal {                 // as they come back from the store
		b, err := json.Marshal(journal[i])
		if err != nil {
			t.Fatal(err)
		}
		journal[i] = conduct.Record{}
		if err := json.Unmarshal(b, &journal[i]); err != nil {
			t.Fatal(err)
		}
	}
	p, err := assemble(t, retold(t, journal)).page()
	if err != nil {
		t.Fatal(err)
	}
	if p.Zone != "UTC+01:00" || p.Steps[0].Begun != "23:50:00" || p.Steps[1].Begun != "23:55:00" || p.Journal[2].At != "30 Mar 02:50:00.000" || p.Consents[1].At != "2031-03-30T02:50:00+01:00" {
		t.Errorf("zone %s, steps began %s and %s, record at %s, consent at %s", p.Zone, p.Steps[0].Begun, p.Steps[1].Begun, p.Journal[2].At, p.Consents[1].At)
	}
}

// A clock that was put back makes no time negative, and is told.
func TestClockPutBack(t *testing.T) {
	journal := tried(t)
	journal[6].At = at(-3600)
	in := retold(t, journal)
	in.Sessions = []conduct.Measurement{session(7200, "x"), session(0, "y")}
	d := assemble(t, in)
	for _, s := range d.Steps {
		if s.Took < 0 {
			t.Errorf("%s took %v", s.ID, s.Took)
		}
	}
	for _, v := range d.Probe.Voids {
		if v.Until.Before(v.From) {
			t.Errorf("a void from %v until %v", v.From, v.Until)
		}
	}
	if !slices.ContainsFunc(d.Notes, func(n string) bool {
		return strings.Contains(n, "went back by 1h0m50s") && strings.Contains(n, "6 and 7")
	}) {
		t.Errorf("notes %q", d.Notes)
	}
}

// What a restart of a single component costs is told apart from the hand-over,
// which the forecast is of.
func TestLossAtComponentsIsToldApart(t *testing.T) {
	in := story(t)
	in.State.Plan.Steps[3].Kind = plan.LoadLineCard
	// Of 90 ms in step 04, beside the 71 ms of the hand-over.
	m := session(0, "Do 03", "Do 03"+conduct.Over)
	m.Marks = append(m.Marks, conduct.Mark{At: at(20), Label: "Do 04"}, conduct.Mark{At: at(30), Label: "Do 04" + conduct.Over})
	m.Outages = append(m.Outages, conduct.Outage{Flow: "harbour", Direction: "forward", From: at(21), Until: at(21).Add(90 * time.Millisecond), Lost: 90, ByLoss: 90 * time.Millisecond, ByTimestamp: 90 * time.Millisecond})
	in.Sessions = []conduct.Measurement{m}
	h := assemble(t, in).Hops[0]
	if h.Loss.Measured != 71*time.Millisecond || !h.Parts.Known || h.Parts.Measured != 90*time.Millisecond {
		t.Errorf("hand-over %v, components %v, want 71ms and 90ms", h.Loss, h.Parts)
	}
	if h := assemble(t, story(t)).Hops[0]; h.Parts.Known {
		t.Errorf("no component restarted by itself, and %v is told", h.Parts)
	}
}
