package conduct

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/plan"
)

var partnerDown = Failure{Cause: ByGuard, Name: string(plan.GuardPartner), Text: "partner mere-agg-2: LC-1 is INACTIVE", Objects: []string{"mere-agg-2"}}

// broke applies a broken guard at the step that the run is at.
func broke(t *testing.T, s *State, f Failure) {
	t.Helper()
	if err := s.Apply(Record{Seq: s.Seq + 1, Kind: GuardBroke, Step: s.Next().Step.ID, Failure: &f}); err != nil {
		t.Fatal(err)
	}
}

// waiving is a record that waives what the run paused for.
func waiving(s *State, change func(*Record, *Waiver)) Record {
	step, _ := s.Step()
	r := Record{Seq: s.Seq + 1, At: time.Date(2031, 3, 4, 2, 0, 0, 0, time.UTC), Kind: Chosen, Choice: Waive, Person: "Ada Fenwick"}
	w := Waiver{Guard: plan.Guard(s.Failure.Name), Step: step.ID, Objects: s.Failure.Objects, Found: s.Failure.Text, Reason: "the spare is on its way"}
	if change != nil {
		change(&r, &w)
	}
	r.Data, _ = json.Marshal(ChosenData{Waiver: &w})
	return r
}

// A waiver counts for one guard, one step and what was broken; the step is tried
// again, and the next one breaks its guard again.
func TestWaiverIsForOneStep(t *testing.T) {
	s := fresh("pause")
	drive(t, &s, "06", false)
	broke(t, &s, partnerDown)
	if !slices.Equal(s.Choices, []Choice{Continue, Waive, GoBack, HandOver}) {
		t.Fatalf("choices %v", s.Choices)
	}
	for name, change := range map[string]func(*Record, *Waiver){
		"no name":        func(r *Record, _ *Waiver) { r.Person = " " },
		"no reason":      func(_ *Record, w *Waiver) { w.Reason = "" },
		"another guard":  func(_ *Record, w *Waiver) { w.Guard = plan.GuardPower },
		"another step":   func(_ *Record, w *Waiver) { w.Step = "07" },
		"more than that": func(_ *Record, w *Waiver) { w.Objects = []string{"mere-agg-2", "mere-agg-3"} },
	} {
		trial := s
		if err := trial.Apply(waiving(&s, change)); err == nil {
			t.Errorf("%s: it was waived", name)
		}
	}
	trial := s
	if err := trial.Apply(Record{Seq: s.Seq + 1, Kind: Chosen, Choice: Waive, Person: "Ada Fenwick"}); err == nil {
		t.Error("a choice without a waiver was taken")
	}
	if err := s.Apply(waiving(&s, nil)); err != nil {
		t.Fatal(err)
	}
	if m := s.Next(); m.Kind != MoveIntend || m.Step.ID != "06" {
		t.Fatalf("next %+v, want the step tried again", m)
	}
	if got := s.Waived(); !slices.Equal(got, []Breach{{plan.GuardPartner, "mere-agg-2"}}) {
		t.Errorf("waived %v", got)
	}
	if w := s.Waivers[0]; w.Person != "Ada Fenwick" || w.At.IsZero() || w.Reason == "" || w.Found != partnerDown.Text {
		t.Errorf("kept %+v", w)
	}
	for s.Next().Step.ID == "06" {
		if err := s.Apply(ideal(&s, s.Next())); err != nil {
			t.Fatal(err)
		}
	}
	if got := s.Waived(); len(got) != 0 {
		t.Errorf("waived for the next step too: %v", got)
	}
}

// No guard is waived where going back is free, on the way back, or where the
// breach is none that lasts; and none for asking for what cannot be taken back.
func TestWaiverNeverCrossesThePointOfNoReturn(t *testing.T) {
	for _, c := range []struct {
		name string
		at   string
		f    Failure
	}{
		{"before it: the run turns back by itself", "04", partnerDown},
		{"at it, not yet asked", "05", partnerDown},
		{"roles moved by themselves", "06", Failure{Cause: ByGuard, Name: string(plan.GuardRoles), Text: "x"}},
		{"a change, from which one goes on", "06", Failure{Cause: ByGuard, Name: string(plan.GuardConfiguration), Text: "x"}},
		{"a deadline", "06", Failure{Cause: ByDeadline, Name: "deadline", Text: "x"}},
	} {
		s := fresh("pause")
		drive(t, &s, c.at, false)
		broke(t, &s, c.f)
		if slices.Contains(s.Choices, Waive) {
			t.Errorf("%s: choices %v", c.name, s.Choices)
		}
	}
	// Asked for already, it is awaited and never asked again.
	s := fresh("pause")
	drive(t, &s, "05", true)
	broke(t, &s, partnerDown)
	if err := s.Apply(waiving(&s, nil)); err != nil {
		t.Fatal(err)
	}
	if m := s.Next(); m.Kind != MoveAwait || m.Step.ID != "05" || len(s.Waived()) != 1 {
		t.Fatalf("next %s of %s, waived %v; want it awaited under the waiver", m.Kind, m.Step.ID, s.Waived())
	}
	if _, ok := s.Step(); !ok || s.Intent == nil {
		t.Error("the intent is lost")
	}
	// It did not come, and is to be tried again: then the guard counts.
	if err := s.Apply(Record{Seq: s.Seq + 1, Kind: StepFailed, Step: "05", Failure: &Failure{Cause: ByDeadline}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Apply(Record{Seq: s.Seq + 1, Kind: Chosen, Choice: Continue, Person: "Ada Fenwick"}); err != nil {
		t.Fatal(err)
	}
	if m := s.Next(); m.Kind != MoveIntend || len(s.Waived()) != 0 {
		t.Errorf("next %s, waived %v: it is asked for with a guard waived", m.Kind, s.Waived())
	}
	broke(t, &s, partnerDown)
	if err := s.Apply(waiving(&s, nil)); err != nil {
		t.Fatal(err)
	}
	if m := s.Next(); m.Kind != MoveAwait {
		t.Errorf("next %s, want it awaited by the first intent", m.Kind)
	}
}

// Where hold points of the hop name persons, one of them waives.
func TestWhoMayWaive(t *testing.T) {
	s := fresh("pause")
	list := slices.Clone(s.Plan.Steps)
	list[3].Hold = &plan.HoldSpec{Persons: []string{"Ada Fenwick", "Jonas Pell"}}
	s.Plan.Steps, s.Steps = list, list
	drive(t, &s, "06", false)
	broke(t, &s, partnerDown)
	trial := s
	if err := trial.Apply(waiving(&s, func(r *Record, _ *Waiver) { r.Person = "Ben Marlow" })); err == nil || !strings.Contains(err.Error(), "Jonas Pell") {
		t.Errorf("somebody else waived: %v", err)
	}
	if err := s.Apply(waiving(&s, nil)); err != nil {
		t.Error(err)
	}
}

// What a step was tried for first is kept until it is done.
func TestFirstTryIsKept(t *testing.T) {
	s := fresh("pause")
	drive(t, &s, "06", false)
	at := time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)
	for n := range 2 {
		r := ideal(&s, s.Next())
		r.Data, _ = json.Marshal(Observation{Boot: at.Add(time.Duration(n) * time.Hour)})
		if err := s.Apply(r); err != nil {
			t.Fatal(err)
		}
		if err := s.Apply(Record{Seq: s.Seq + 1, Kind: StepFailed, Step: "06", Failure: &Failure{Cause: ByDeadline}}); err != nil {
			t.Fatal(err)
		}
		if err := s.Apply(Record{Seq: s.Seq + 1, Kind: Chosen, Choice: Continue}); err != nil {
			t.Fatal(err)
		}
		if was, ok := s.TriedObservation(); !ok || !was.Boot.Equal(at) {
			t.Errorf("after try %d: %v, %v, want what was seen before the first", n+1, was.Boot, ok)
		}
	}
	for s.Next().Step.ID == "06" {
		if err := s.Apply(ideal(&s, s.Next())); err != nil {
			t.Fatal(err)
		}
	}
	if s.Tried != nil {
		t.Error("it is kept for the next step")
	}
}
