package conduct

import (
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/state"

	"pgregory.net/rapid"
)

// picture draws the machine as the table in docs/run-states.md.
func picture() string {
	var b strings.Builder
	b.WriteString("# The states of a run\n\nMade from the code in `internal/conduct`; a test fails when the two differ. " +
		"A row is a status, a column a kind of journal record, a mark says that the record may come then.\n\n| status |")
	for _, k := range RecordKinds() {
		fmt.Fprintf(&b, " %s |", k)
	}
	b.WriteString("\n| --- |" + strings.Repeat(" --- |", len(RecordKinds())) + "\n")
	for _, s := range Statuses() {
		fmt.Fprintf(&b, "| %s |", s)
		for _, k := range RecordKinds() {
			mark := " "
			if slices.Contains(arrows[s], k) {
				mark = "yes"
			}
			fmt.Fprintf(&b, " %s |", mark)
		}
		b.WriteString("\n")
	}
	b.WriteString("\n## What is held changed\n\nSettings that a run has changed, or may have, stay on its list until they are put back. " +
		"A setting comes on the list before it is changed, with the value that was read of it, and what is put back is that value. " +
		"A run that ends with something on the list names it in its last record and in the evidence.\n\n| step | record | what becomes of the list |\n| --- | --- | --- |\n")
	for _, row := range listed {
		fmt.Fprintf(&b, "| %s | %s | %s |\n", row.step, row.record, row.becomes)
	}
	b.WriteString("\n## What a person may choose\n\n`continue` tries the step again by a fresh reading; a guard that is still broken breaks again. " +
		"`waive` does the same, and the broken guard does not count for this one step, in so far as it is broken by what was named: a name and a reason are kept. " +
		"What cannot be taken back is never asked for under a waiver: where that step was asked for already, it is only awaited.\n\n| paused | choices |\n| --- | --- |\n")
	for _, row := range choices {
		words := make([]string, len(row.choices))
		for i, ch := range row.choices {
			words[i] = string(ch)
		}
		fmt.Fprintf(&b, "| %s | %s |\n", row.paused, strings.Join(words, ", "))
	}
	return b.String()
}

// choices are what can be chosen where a run has paused; TestChoicesAreTrue
// drives the machine there.
var choices = []struct {
	paused  string
	choices []Choice
	at      string
	acted   bool
	f       Failure
}{
	{"something was touched, and the device is away before the point of no return", []Choice{Continue, GoBack, HandOver}, "03", true, Failure{Cause: ByReach}},
	{"after the point of no return, a step failed or the configuration was changed", []Choice{Continue, GoBack, HandOver}, "06", false, Failure{Cause: ByGuard, Name: string(plan.GuardConfiguration)}},
	{"after it, a partner, a feed or an adjacency is down and stays so", []Choice{Continue, Waive, GoBack, HandOver}, "06", false, Failure{Cause: ByGuard, Name: string(plan.GuardPower), Objects: []string{"feed-a"}}},
	{"the same while that very step is awaited", []Choice{Continue, Waive, GoBack, HandOver}, "05", true, Failure{Cause: ByGuard, Name: string(plan.GuardPower), Objects: []string{"feed-a"}}},
	{"on the way back", []Choice{Continue, HandOver}, "back-01", true, Failure{Cause: ByDeadline}},
}

func TestChoicesAreTrue(t *testing.T) {
	for _, row := range choices {
		s := fresh("pause")
		if row.at == "back-01" {
			drive(t, &s, "03", true)
			if err := s.Apply(Record{Seq: s.Seq + 1, Kind: StepFailed, Step: "03", Failure: &Failure{Cause: ByDeadline}}); err != nil {
				t.Fatal(err)
			}
		}
		drive(t, &s, row.at, row.acted)
		f := row.f
		if err := s.Apply(Record{Seq: s.Seq + 1, Kind: GuardBroke, Step: row.at, Failure: &f}); err != nil {
			t.Fatal(err)
		}
		if s.Status != Waiting || !slices.Equal(s.Choices, row.choices) {
			t.Errorf("%s: %s, choices %v, want %v", row.paused, s.Status, s.Choices, row.choices)
		}
	}
}

// listed is what each record of a step that changes settings makes of the list
// of those held; TestListIsTrue drives the machine through it.
var listed = []struct {
	step    string
	record  RecordKind
	becomes string
	many    int // entries afterwards, of a run with one by hand and one of our own
}{
	{"prepare", Intended, "what was found comes on it, unless it is there already", 2},
	{"prepare", Acted, "stays", 2},
	{"prepare", StepDone, "stays", 2},
	{"prepare", StepFailed, "stays, for the way back", 2},
	{"hold-point for a neighbour's end", StepDone, "the neighbour's settings come on it, to be put back by hand", 1},
	{"restore", Intended, "stays", 2},
	{"restore", Acted, "stays", 2},
	{"restore", StepDone, "what was put back goes off it", 1},
	{"restore", StepFailed, "stays, and the run pauses", 2},
	{"hold-point for a neighbour's end, put back", StepDone, "the neighbour's settings go off it", 0},
}

func TestPictureIsTrue(t *testing.T) {
	const name = "../../docs/run-states.md"
	if os.Getenv("TOWPATH_WRITE_DOCS") != "" {
		if err := os.WriteFile(name, []byte(picture()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != picture() {
		t.Errorf("docs/run-states.md differs from the code; write it anew with TOWPATH_WRITE_DOCS=1:\n%s", picture())
	}
	for _, s := range Statuses() {
		if _, ok := arrows[s]; !ok {
			t.Errorf("status %s has no row", s)
		}
	}
}

// steps is a list with one step of each kind that matters here.
func steps() []plan.Step {
	return []plan.Step{
		{ID: "01", Kind: plan.CheckReadiness, Phase: plan.Download},
		{ID: "02", Kind: plan.TransferPackage, Phase: plan.Download},
		{ID: "03", Kind: plan.LoadSecondary, Phase: plan.Staging, OnFail: plan.RollBack},
		{ID: "04", Kind: plan.Hold, Phase: plan.UpgradeRun, Hold: &plan.HoldSpec{}},
		{ID: "05", Kind: plan.SwitchOver, Phase: plan.UpgradeRun, PointOfNoReturn: true, OnFail: plan.RollBack},
		{ID: "06", Kind: plan.LoadLineCard, Phase: plan.UpgradeRun, OnFail: plan.Pause},
		{ID: "07", Kind: plan.CompareStates, Phase: plan.Acceptance, OnFail: plan.RollBack},
		{ID: "08", Kind: plan.AcceptHop, Phase: plan.Acceptance},
	}
}

func fresh(after string) State {
	p := &plan.Plan{From: "1", To: "2", Hops: []plan.HopPlan{{From: "1", To: "2"}}, Steps: steps()}
	pol := policy.Default()
	pol.Conduct.AfterPointOfNoReturn = after
	return New(p, pol)
}

// drive applies what a well-behaved world would write until the step with the
// id is to begin (or to be awaited, when acted is set).
func drive(t *testing.T, s *State, id string, acted bool) {
	t.Helper()
	for n := 0; n < 100; n++ {
		m := s.Next()
		if m.Step.ID == id && (!acted || m.Kind == MoveAwait) {
			return
		}
		if err := s.Apply(ideal(s, m)); err != nil {
			t.Fatal(err)
		}
	}
	t.Fatalf("never came to step %s: %+v", id, s)
}

// ideal is the record that a world in which all goes well writes.
func ideal(s *State, m Move) Record {
	r := Record{Seq: s.Seq + 1, Key: m.Key, Step: m.Step.ID, Attempt: m.Attempt}
	switch m.Kind {
	case MoveOpen:
		r.Kind = RunBegun
	case MoveIntend:
		r.Kind = Intended
	case MoveAct:
		r.Kind = Acted
	case MoveAwait, MoveCheck, MoveHold:
		r.Kind = StepDone
	case MoveReturn:
		r.Kind, r.Steps = BackPlanned, []plan.Step{{ID: "back-01", Kind: plan.LoadSecondary}}
	case MoveAsk:
		r.Kind, r.Choice = Chosen, HandOver
	case MoveFinish:
		r.Kind, r.Verdict = Finished, s.Verdict
	case MoveNone:
	}
	return r
}

func TestRemedies(t *testing.T) {
	for _, c := range []struct {
		at     string
		acted  bool
		after  string
		f      Failure
		status Status
		v      Verdict
	}{
		{"01", false, "pause", Failure{Cause: ByVerdict}, Closing, Refused},
		{"02", false, "pause", Failure{Cause: ByDevice}, Closing, Refused},
		{"03", true, "pause", Failure{Cause: ByDeadline}, Returning, ""},
		{"03", true, "pause", Failure{Cause: ByReach}, Waiting, Paused},
		{"04", false, "pause", Failure{Cause: ByGuard}, Returning, ""},
		{"04", false, "pause", Failure{Cause: ByPerson, Name: "Ada Fenwick"}, Returning, ""},
		{"05", false, "pause", Failure{Cause: ByPrecondition}, Returning, ""},
		{"05", true, "pause", Failure{Cause: ByDeadline}, Waiting, Paused},
		{"06", false, "roll-back", Failure{Cause: ByGuard}, Waiting, Paused},
		{"06", true, "roll-back", Failure{Cause: ByDeadline}, Waiting, Paused},
		{"06", false, "pause", Failure{Cause: ByPerson, Name: string(GoBack)}, Returning, ""},
		{"07", false, "pause", Failure{Cause: ByVerdict}, Waiting, Paused},
		{"07", false, "roll-back", Failure{Cause: ByVerdict}, Returning, ""},
		{"07", false, "roll-back", Failure{Cause: ByUs}, Waiting, Paused}, // no second hand-over because we cannot measure
		{"04", false, "roll-back", Failure{Cause: ByUs}, Returning, ""},
		{"07", false, "roll-back", Failure{Cause: ByGuard}, Waiting, Paused},
	} {
		s := fresh(c.after)
		drive(t, &s, c.at, c.acted)
		f := c.f
		if err := s.Apply(Record{Seq: s.Seq + 1, Kind: StepFailed, Step: c.at, Failure: &f}); err != nil {
			t.Fatal(err)
		}
		if s.Status != c.status || s.Verdict != c.v {
			t.Errorf("step %s acted=%v policy %s, %+v: %s %q, want %s %q", c.at, c.acted, c.after, c.f, s.Status, s.Verdict, c.status, c.v)
		}
	}
}

func TestRetriesAreBounded(t *testing.T) {
	s := fresh("pause")
	drive(t, &s, "02", false)
	for n := 1; ; n++ {
		if err := s.Apply(Record{Seq: s.Seq + 1, Kind: StepFailed, Step: "02", Failure: &Failure{Cause: ByDevice, Retry: true}}); err != nil {
			t.Fatal(err)
		}
		if s.Status == Closing {
			if n != s.Policy.Conduct.Attempts {
				t.Errorf("gave up after %d attempts, policy says %d", n, s.Policy.Conduct.Attempts)
			}
			return
		}
		if n > 10 {
			t.Fatal("retries without end")
		}
	}
}

// TestAnyStory folds random but legal journals: the machine must always know a
// next move, its keys must differ, it must end, and it must never act without
// an intent before.
func TestAnyStory(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := fresh(rapid.SampledFrom([]string{"pause", "roll-back"}).Draw(rt, "after"))
		keys := map[string]bool{}
		last := MoveKind("")
		for n := 0; ; n++ {
			m := s.Next()
			if m.Kind == MoveNone {
				if s.Status != Closed || s.Verdict == "" {
					rt.Fatalf("over in status %s with verdict %q", s.Status, s.Verdict)
				}
				return
			}
			if n > 400 {
				rt.Fatalf("no end: %+v", s)
			}
			if keys[m.Key] {
				rt.Fatalf("key %q twice", m.Key)
			}
			keys[m.Key] = true
			if m.Kind == MoveAct && last != MoveIntend {
				rt.Fatalf("an act follows %q, not an intent", last)
			}
			last = m.Kind
			if m.Step.PointOfNoReturn && (m.Kind == MoveIntend || m.Kind == MoveAct) && len(s.Waived()) > 0 {
				rt.Fatalf("%s is to be asked for with guards waived: %+v", m.Step.ID, s.Waived())
			}
			r := ideal(&s, m)
			kinds := arrows[s.Status]
			if s.Status == Ready && !m.Step.Kind.Changes() {
				kinds = slices.DeleteFunc(slices.Clone(kinds), func(k RecordKind) bool { return k == Intended })
			}
			r.Kind = rapid.SampledFrom(kinds).Draw(rt, "kind")
			switch r.Kind {
			case StepFailed, GuardBroke, NoWayBack:
				r.Failure = &Failure{Cause: rapid.SampledFrom([]Cause{ByDevice, ByReach, ByVerdict, ByGuard}).Draw(rt, "cause"), Retry: rapid.Bool().Draw(rt, "retry")}
				if r.Failure.Cause == ByGuard {
					r.Failure.Name, r.Failure.Objects = string(rapid.SampledFrom(waivableGuards[:]).Draw(rt, "guard")), []string{"x"}
				}
				if r.Kind == NoWayBack {
					r.Step = ""
				}
			case Chosen:
				r.Choice = rapid.SampledFrom(s.Choices).Draw(rt, "choice")
				if n > 200 {
					r.Choice = HandOver
				}
				if r.Choice == Waive {
					if !s.Past || s.Back {
						rt.Fatalf("a guard can be waived before the point of no return, or on the way back: %+v", s)
					}
					r.Person = "Ada Fenwick"
					r.Data, _ = json.Marshal(ChosenData{Waiver: &Waiver{Guard: plan.Guard(s.Failure.Name), Step: m.Step.ID, Objects: s.Failure.Objects, Reason: "why"}})
				}
			case BackPlanned:
				r.Steps, r.Step = []plan.Step{{ID: "back-01", Kind: plan.LoadSecondary}}, ""
			case Finished:
				r.Verdict = s.Verdict
			case RunBegun, Intended, Acted, StepDone:
			}
			before := s
			if err := s.Apply(r); err != nil {
				rt.Fatal(err)
			}
			if s.Verdict == Refused && before.Touched {
				rt.Fatalf("refused after something was touched")
			}
		}
	})
}

func TestForeignRecordsAreRefused(t *testing.T) {
	s := fresh("pause")
	if err := s.Apply(Record{Seq: 2, Kind: RunBegun}); err == nil {
		t.Error("a record out of order was taken")
	}
	if err := s.Apply(Record{Seq: 1, Kind: Acted}); err == nil {
		t.Error("an act before the run began was taken")
	}
	if err := s.Apply(Record{Seq: 1, Kind: RunBegun}); err != nil {
		t.Fatal(err)
	}
	if err := s.Apply(Record{Seq: 2, Kind: StepDone, Step: "07"}); err == nil {
		t.Error("a record of another step was taken")
	}
}

func TestConditions(t *testing.T) {
	boot := time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)
	c := &state.Capture{Release: state.Some("2"), Components: []state.Component{
		{Name: "CTL-A", Kind: state.KindControllerCard, Role: state.Some(state.Primary), Version: state.Some("2"), BootTime: state.Some(boot), Oper: state.Some(state.OperActive)},
		{Name: "CTL-B", Kind: state.KindControllerCard, Role: state.Some(state.Secondary), SwitchoverReady: state.Some(true)},
	}}
	was := &Observation{Boots: map[string]time.Time{"CTL-A": boot.Add(-time.Hour)}, Releases: map[string]string{"CTL-A": "1"}}
	for _, k := range []struct {
		c     plan.Condition
		holds bool
		known bool
	}{
		{plan.Condition{Fact: plan.FactRole, Component: "CTL-A", Value: state.Primary}, true, true},
		{plan.Condition{Fact: plan.FactRole, Component: "CTL-B", Value: state.Primary}, false, true},
		{plan.Condition{Fact: plan.FactRelease, Component: "CTL-B", Value: "2"}, false, false}, // not told is never met
		{plan.Condition{Fact: plan.FactReady, Component: "CTL-B", Value: "true"}, true, true},
		{plan.Condition{Fact: plan.FactReady, Component: "CTL-A", Value: "true"}, false, false},
		{plan.Condition{Fact: plan.FactSystem, Value: "2"}, true, true},
		{plan.Condition{Fact: plan.FactRestarted, Component: "CTL-A"}, true, true},
		{plan.Condition{Fact: plan.FactRestarted, Component: "CTL-B"}, false, false},
		{plan.Condition{Fact: plan.FactRole, Component: "CTL-C", Value: state.Primary}, false, false},
		{plan.Condition{Fact: plan.FactNoFile, Component: "CTL-A", Value: "x"}, false, false}, // files not read: not known to be gone
	} {
		if a := Holds(k.c, c, was); a.Holds != k.holds || a.Known != k.known {
			t.Errorf("%s: %+v, want holds %v known %v", k.c.Text(), a, k.holds, k.known)
		}
	}
	step := plan.Step{Kind: plan.LoadSecondary, Component: "CTL-A", Release: "3"}
	if _, fell := FellBack(step, c, *was); !fell {
		t.Error("a card that restarted into another release was not seen to fall back")
	}
	step.Release = "2"
	if _, fell := FellBack(step, c, *was); fell {
		t.Error("a card at the release was said to have fallen back")
	}
}

func TestGuards(t *testing.T) {
	pol := policy.Default()
	at := time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)
	all := []plan.Guard{plan.GuardConfiguration, plan.GuardTopology, plan.GuardPartner, plan.GuardAdjacency, plan.GuardPower, plan.GuardRoles, plan.GuardLoss}
	for _, c := range []struct {
		name   string
		tell   func(*Watch)
		after  time.Duration
		live   Live
		breaks plan.Guard
	}{
		{"nothing happens", func(w *Watch) {
			w.Event(at, device.Event{Kind: device.EventConfiguration, Now: "d1"})
			w.Event(at, device.Event{Kind: device.EventConfiguration, Now: "d1"})
			w.Event(at, device.Event{Kind: device.EventPower, Object: "feed A", Now: "ok"})
		}, time.Hour, Live{}, ""},
		{"configuration", func(w *Watch) {
			w.Event(at, device.Event{Kind: device.EventConfiguration, Now: "d1"})
			w.Event(at, device.Event{Kind: device.EventConfiguration, Now: "d2"})
		}, 0, Live{}, plan.GuardConfiguration},
		{"topology", func(w *Watch) {
			w.Event(at, device.Event{Kind: device.EventTopology, Object: "rstp", Now: "4"})
			w.Event(at, device.Event{Kind: device.EventTopology, Object: "rstp", Now: "5"})
		}, 0, Live{}, plan.GuardTopology},
		{"adjacency within grace", func(w *Watch) {
			w.Event(at, device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "down"})
		}, pol.Conduct.AdjacencyGrace, Live{}, ""},
		{"adjacency lost", func(w *Watch) {
			w.Event(at, device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "down"})
		}, pol.Conduct.AdjacencyGrace + time.Second, Live{}, plan.GuardAdjacency},
		{"adjacency back", func(w *Watch) {
			w.Event(at, device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "down"})
			w.Event(at, device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "up"})
		}, time.Hour, Live{}, ""},
		{"power", func(w *Watch) { w.Event(at, device.Event{Kind: device.EventPower, Object: "feed A", Now: "lost"}) }, 0, Live{}, plan.GuardPower},
		{"partner", func(w *Watch) { w.Partner("mere-agg-2", "LC-1 is DISABLED") }, 0, Live{}, plan.GuardPartner},
		{"roles", func(w *Watch) {
			w.ExpectPrimary("CTL-A")
			w.Event(at, device.Event{Kind: device.EventComponent, Object: "CTL-B", Now: state.Primary})
		}, 0, Live{}, plan.GuardRoles},
		{"roles while handing over", func(w *Watch) {
			w.ExpectPrimary("")
			w.Event(at, device.Event{Kind: device.EventComponent, Object: "CTL-B", Now: state.Primary})
		}, 0, Live{}, ""},
		{"loss within budget", func(*Watch) {}, 0, Live{Worst: pol.Probe.Budget}, ""},
		{"loss over budget", func(*Watch) {}, 0, Live{Worst: pol.Probe.Budget + time.Millisecond}, plan.GuardLoss},
	} {
		w := NewWatch(pol)
		c.tell(w)
		f := w.Broken(at.Add(c.after), all, c.live)
		got := plan.Guard("")
		if f != nil {
			got = plan.Guard(f.Name)
		}
		if got != c.breaks {
			t.Errorf("%s: guard %q broke, want %q", c.name, got, c.breaks)
		}
	}
}

func TestRecordRoundTrip(t *testing.T) {
	r := Record{Seq: 3, Key: "k", At: time.Unix(5, 6).UTC(), Kind: StepFailed, Step: "01", Failure: &Failure{Cause: ByGuard, Name: "n", Text: "t"}}
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var back Record
	if err := json.Unmarshal(b, &back); err != nil || fmt.Sprintf("%+v", *back.Failure) != fmt.Sprintf("%+v", *r.Failure) || !back.At.Equal(r.At) {
		t.Errorf("round trip: %+v, %v", back, err)
	}
}

// The table of what is held is what the machine does.
func TestListIsTrue(t *testing.T) {
	at := map[string]string{"prepare": "03", "hold-point for a neighbour's end": "02", "restore": "05", "hold-point for a neighbour's end, put back": "06"}
	for _, row := range listed {
		s := withPrepared()
		id, ok := at[row.step]
		if !ok {
			t.Fatalf("no step %q", row.step)
		}
		for n := 0; ; n++ {
			m := s.Next()
			r := ideal(&s, m)
			if m.Kind == MoveIntend {
				r.Data, _ = json.Marshal(Observation{Found: []plan.End{{Settings: []state.Setting{multiplier(map[bool]string{true: "3", false: "9"}[m.Step.ID == "03"])}}}})
			}
			if m.Step.ID == id && row.record == StepFailed && m.Kind == MoveAwait {
				r = Record{Seq: s.Seq + 1, Kind: StepFailed, Step: id, Failure: &Failure{Cause: ByDevice}}
			}
			if err := s.Apply(r); err != nil {
				t.Fatal(err)
			}
			if m.Step.ID == id && r.Kind == row.record {
				break
			}
			if n > 50 {
				t.Fatalf("%s never wrote %s", row.step, row.record)
			}
		}
		if len(s.Prepared) != row.many {
			t.Errorf("%s, %s: %d entries, want %d: %+v", row.step, row.record, len(s.Prepared), row.many, s.Prepared)
		}
	}
}
