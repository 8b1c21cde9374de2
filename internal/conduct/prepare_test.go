package conduct

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/state"
)

func multiplier(value string) state.Setting {
	return state.Setting{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamDetectMult, Value: value}
}

// withPrepared is a run whose hand-over is prepared, by a connection and by hand.
func withPrepared() State {
	s := fresh("roll-back")
	own := []plan.End{{Settings: []state.Setting{multiplier("9")}}}
	hand := []plan.End{{On: "weir-1", ByHand: true, Settings: []state.Setting{{Protocol: state.LACP, Parameter: state.ParamPeriod, Value: "slow"}}}}
	list := []plan.Step{
		{ID: "01", Kind: plan.CheckReadiness, Phase: plan.Download},
		{ID: "02", Kind: plan.Hold, Phase: plan.UpgradeRun, Hold: &plan.HoldSpec{}, Ends: hand},
		{ID: "03", Kind: plan.Prepare, Phase: plan.UpgradeRun, Ends: own, OnFail: plan.RollBack},
		{ID: "04", Kind: plan.SwitchOver, Phase: plan.UpgradeRun, PointOfNoReturn: true},
		{ID: "05", Kind: plan.Restore, Phase: plan.UpgradeRun, Ends: own, OnFail: plan.Pause},
		{ID: "06", Kind: plan.Hold, Phase: plan.UpgradeRun, Hold: &plan.HoldSpec{}, Ends: hand, Undo: true},
		{ID: "07", Kind: plan.AcceptHop, Phase: plan.Acceptance},
	}
	s.Plan.Device, s.Plan.Steps, s.Steps = "mere-agg-1", list, list
	return s
}

// told applies what an ideal world writes, in which settings are found as given.
func told(t *testing.T, s *State, found string) Move {
	t.Helper()
	m := s.Next()
	r := ideal(s, m)
	if r.Kind == Intended && len(m.Step.Ends) > 0 {
		o := Observation{Found: []plan.End{{Settings: []state.Setting{multiplier(found)}}}}
		r.Data, _ = json.Marshal(o)
	}
	if err := s.Apply(r); err != nil {
		t.Fatal(err)
	}
	return m
}

// What is held follows the steps, and what was found first is kept whatever is
// found later: then it is our own.
func TestWhatIsHeld(t *testing.T) {
	s := withPrepared()
	for s.Next().Step.ID != "03" {
		told(t, &s, "")
	}
	if len(s.Prepared) != 1 || !s.Prepared[0].ByHand || !s.Touched {
		t.Fatalf("after the person's end: %+v, touched %v", s.Prepared, s.Touched)
	}
	told(t, &s, "3") // intent
	want := plan.Held{Found: multiplier("3"), Wanted: multiplier("9")}
	if len(s.Prepared) != 2 || s.Prepared[1] != want {
		t.Fatalf("after the intent: %+v, want %+v held", s.Prepared, want)
	}
	// The act failed in a way worth another attempt, and half of it was done.
	if err := s.Apply(Record{Seq: s.Seq + 1, Kind: StepFailed, Step: "03", Failure: &Failure{Cause: ByReach, Retry: true}}); err != nil {
		t.Fatal(err)
	}
	told(t, &s, "9")
	if len(s.Prepared) != 2 || s.Prepared[1] != want {
		t.Fatalf("after the second intent: %+v, want what was found first", s.Prepared)
	}
	for s.Next().Step.ID != "05" {
		told(t, &s, "9")
	}
	restore, _ := s.Step()
	if got := s.Targets(restore); len(got) != 1 || len(got[0].Settings) != 1 || got[0].Settings[0] != multiplier("3") {
		t.Fatalf("to be put back: %+v, want the multiplier 3", got)
	}
	if f := s.Foreign(restore, []plan.End{{Settings: []state.Setting{multiplier("5")}}}); len(f) != 1 || !strings.Contains(f[0], "5") {
		t.Errorf("a value that is neither ours nor the one found: %v", f)
	}
	for _, v := range []string{"3", "9"} {
		if f := s.Foreign(restore, []plan.End{{Settings: []state.Setting{multiplier(v)}}}); len(f) != 0 {
			t.Errorf("value %s is somebody else's: %v", v, f)
		}
	}
	for _, v := range []string{"lag-1", "was 3", "weir-1"} {
		if !strings.Contains(s.SafeState(), v) {
			t.Errorf("the safe state %q does not say %q", s.SafeState(), v)
		}
	}
	for s.Next().Step.ID != "06" {
		told(t, &s, "9")
	}
	if len(s.Prepared) != 1 {
		t.Fatalf("after the restore: %+v", s.Prepared)
	}
	for s.Next().Kind != MoveNone {
		told(t, &s, "")
	}
	if s.Verdict != Accepted || len(s.Prepared) != 0 || strings.Contains(s.SafeState(), "put back") {
		t.Errorf("at the end: %s, %+v, %q", s.Verdict, s.Prepared, s.SafeState())
	}
}

// A run that has prepared something is not just ended: it turns back, also
// where nothing else has been touched.
func TestPreparedIsTouched(t *testing.T) {
	for _, at := range []string{"03", "04"} {
		s := withPrepared()
		for s.Next().Step.ID != at {
			told(t, &s, "3")
		}
		if err := s.Apply(Record{Seq: s.Seq + 1, Kind: StepFailed, Step: at, Failure: &Failure{Cause: ByPerson, Name: "Ada Fenwick"}}); err != nil {
			t.Fatal(err)
		}
		if s.Status != Returning {
			t.Errorf("failed at %s: %s, %s", at, s.Status, s.Verdict)
		}
	}
	// An intent that does not keep what it found is no intent.
	s := withPrepared()
	for s.Next().Step.ID != "03" {
		told(t, &s, "3")
	}
	if err := s.Apply(Record{Seq: s.Seq + 1, Kind: Intended, Step: "03", Data: []byte(`{"found":[]}`)}); err == nil {
		t.Error("an intent without the values found was taken")
	}
}

// The guard on the configuration knows our own change from anybody else's.
func TestOwnChangeIsNoBreach(t *testing.T) {
	now := time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)
	type ev = string // a digest reported; "(" we begin to adjust, ")x" it holds and the digest is x
	for _, c := range []struct {
		name   string
		events []ev
		broken bool
	}{
		{"ours, told at once", []ev{"a", "(", "b", ")b", "b"}, false},
		{"ours, told late", []ev{"a", "(", ")b", "b"}, false},
		{"ours, there and back", []ev{"a", "(", "b", ")b", "(", "a", ")a"}, false},
		{"ours, told late, there and back", []ev{"a", "(", ")b", "b", "(", ")a", "a"}, false},
		{"never told", []ev{"a", "(", ")b"}, false},
		{"the stream begins anew", []ev{"a", "(", ")b", "a", "b"}, false},
		{"another's before", []ev{"a", "x"}, true},
		{"another's before, told while we adjust", []ev{"a", "(", "x", "b", ")b"}, true},
		{"another's while we adjust", []ev{"a", "(", "b", "x", ")x"}, true},
		{"another's while we adjust, told in one", []ev{"a", "(", "b", ")x"}, true},
		{"another's after", []ev{"a", "(", "b", ")b", "x"}, true},
		{"another's after, ours told late", []ev{"a", "(", ")b", "b", "x"}, true},
		{"another's after an attempt of ours that failed", []ev{"a", "(", ")", "x"}, true},
		{"another's undoes ours", []ev{"a", "(", "b", ")b", "a"}, true},
	} {
		w := NewWatch(policy.Default())
		for _, e := range c.events {
			switch {
			case e == "(":
				w.Adjusting()
			case e[0] == ')':
				w.Adjusted(e[1:], "")
			default:
				w.Event(now, device.Event{Kind: device.EventConfiguration, Object: "digest", Now: e})
			}
		}
		if f := w.Broken(now, []plan.Guard{plan.GuardConfiguration}, Live{}); (f != nil) != c.broken {
			t.Errorf("%s: broken is %v, want %v", c.name, f != nil, c.broken)
		}
	}
}

// A breach that lasts breaks its guard until it is waived, and then another one
// does still.
func TestWaivedBreach(t *testing.T) {
	pol := policy.Default()
	now := time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)
	long := now.Add(pol.Conduct.AdjacencyGrace + time.Second)
	for _, c := range []struct {
		guard           plan.Guard
		breaks, another func(*Watch)
		object          string
	}{
		{plan.GuardPower,
			func(w *Watch) { w.Event(now, device.Event{Kind: device.EventPower, Object: "feed-a", Now: "dead"}) },
			func(w *Watch) { w.Event(now, device.Event{Kind: device.EventPower, Object: "feed-b", Now: "dead"}) },
			"feed-a"},
		{plan.GuardPartner,
			func(w *Watch) { w.Partner("mere-agg-2", "LC-1 is INACTIVE") },
			func(w *Watch) { w.Partner("mere-agg-3", "LC-1 is INACTIVE") },
			"mere-agg-2"},
		{plan.GuardAdjacency,
			func(w *Watch) {
				w.Event(now, device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "down"})
			},
			func(w *Watch) {
				w.Event(now, device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.2", Now: "down"})
			},
			"bgp 192.0.2.1"},
	} {
		w := NewWatch(pol)
		broken := func() *Failure { return w.Broken(long, []plan.Guard{c.guard}, Live{}) }
		c.breaks(w)
		if f := broken(); f == nil || len(f.Objects) != 1 || f.Objects[0] != c.object {
			t.Fatalf("%s: %+v, want it broken by %s", c.guard, f, c.object)
		}
		w.GoOn(0)
		if broken() == nil {
			t.Errorf("%s lasts, and nobody waived it", c.guard)
		}
		w.Waive([]Breach{{c.guard, c.object}})
		if f := broken(); f != nil {
			t.Errorf("%s is waived: %+v", c.guard, f)
		}
		c.another(w)
		if f := broken(); f == nil || len(f.Objects) != 1 || f.Objects[0] == c.object {
			t.Errorf("%s: %+v, want it broken by the other alone", c.guard, f)
		}
		w.Waive(nil)
		if f := broken(); f == nil || len(f.Objects) != 2 {
			t.Errorf("%s: %+v, want it broken by both once nothing is waived", c.guard, f)
		}
	}
}

// A session that the run has suspended breaks no guard, and one that does not
// come back afterwards does.
func TestSuspendedSessionIsNoBreach(t *testing.T) {
	pol := policy.Default()
	now := time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)
	grace := pol.Conduct.AdjacencyGrace
	off := state.Setting{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamEnabled, Value: "false"}
	s := withPrepared()
	s.Plan.Hops[0].Prepare = []plan.Preparation{{Kind: "suspend", Saves: []string{"bfd 192.0.2.1 on lag-1"}, Ends: []plan.End{{Settings: []state.Setting{off}}}}}
	if got := s.TakenDown(); len(got) != 0 {
		t.Fatalf("taken down before anything was: %v", got)
	}
	s.Prepared = []plan.Held{{Found: off.Key(), Wanted: off}}
	if got := s.TakenDown(); len(got) != 1 || got[0] != "bfd 192.0.2.1" {
		t.Fatalf("taken down: %v", got)
	}
	w := NewWatch(pol)
	broken := func(at time.Time) bool { return w.Broken(at, []plan.Guard{plan.GuardAdjacency}, Live{}) != nil }
	w.Excuse(now, s.TakenDown())
	w.Event(now, device.Event{Kind: device.EventAdjacency, Object: "bfd 192.0.2.1", Now: "down"})
	w.Event(now, device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "up"})
	back := now.Add(40 * time.Minute)
	if broken(back) {
		t.Error("the suspended session breaks the guard")
	}
	w.Event(now, device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "down"})
	if !broken(back) {
		t.Error("another adjacency was excused with it")
	}
	w.Event(now, device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "up"})
	s.Prepared = nil
	w.Excuse(back, s.TakenDown())
	if broken(back.Add(grace)) {
		t.Error("it is not given the time to come back")
	}
	if !broken(back.Add(grace + time.Second)) {
		t.Error("one that does not come back breaks no guard")
	}
}
