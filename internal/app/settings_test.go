package app

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/plan"
	"towpath/internal/state"
)

// at is the first step of a kind in the journal's order.
func (r *rig) journal(t *testing.T) []conduct.Record {
	t.Helper()
	var out []conduct.Record
	for _, k := range r.store.keys {
		var rec conduct.Record
		if err := json.Unmarshal(r.store.records[k], &rec); err != nil {
			t.Fatal(err)
		}
		out = append(out, rec)
	}
	return out
}

// The intent keeps what was found, before anything is asked.
func TestIntentKeepsWhatWasFound(t *testing.T) {
	r := newRig(t, true)
	if st, err := r.session(t); err != nil || st.Verdict != conduct.Accepted {
		t.Fatalf("%v, %v", st.Verdict, err)
	}
	seen := 0
	for _, rec := range r.journal(t) {
		if rec.Kind != conduct.Intended || !strings.Contains(rec.Step, "-"+string(plan.Prepare)) {
			continue
		}
		seen++
		var o conduct.Observation
		if err := json.Unmarshal(rec.Data, &o); err != nil {
			t.Fatal(err)
		}
		if len(o.Found) != 2 || !slices.Equal(o.Found[0].Settings, asFound()) || o.Found[1].On != "mere-agg-2" || len(o.Found[1].Settings) != 1 {
			t.Errorf("%s keeps %+v, want what the devices had", rec.Step, o.Found)
		}
	}
	if seen != 2 {
		t.Errorf("%d intents of preparations, want one for each hand-over", seen)
	}
}

// A way back that hands over once more is prepared once more, and ends as
// everything was found.
func TestWayBackIsPreparedAgain(t *testing.T) {
	r := newRig(t, true)
	r.calm.stops = []string{"bgp 192.0.2.1 is down"}
	st, err := r.session(t)
	if !errors.Is(err, ErrPaused) { // nothing is accepted here, and nothing the way back either
		t.Fatalf("%v, %v", st.Verdict, err)
	}
	r.assertAsFound(t)
	// There and back: set, put back, set again for the second hand-over, put back.
	if n := count(r.dev.acts, "adjust mere-agg-1"); n != 4 {
		t.Errorf("the settings were changed %d times, want 4: %v", n, r.dev.acts)
	}
	last := -1
	for i, a := range r.dev.acts {
		if strings.HasPrefix(a, "hand-over") {
			last = i
		}
	}
	before := slices.IndexFunc(r.dev.acts[:last], func(a string) bool { return strings.HasPrefix(a, "adjust") })
	if last < 0 || before < 0 || !strings.HasPrefix(r.dev.acts[last-1], "adjust") {
		t.Errorf("the second hand-over was not prepared: %v", r.dev.acts)
	}
}

// Answers that are lost, refusals and other people's hands.
func TestSettingsGoWrong(t *testing.T) {
	own := state.Setting{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamDetectMult}
	prepare := "adjust mere-agg-1 bfd lag-1 detection-multiplier 9 ospfv2 lag-2 dead-interval 1m0s"
	back := "adjust mere-agg-1 bfd lag-1 detection-multiplier 3 ospfv2 lag-2 dead-interval (its default)"
	refused := &device.Fault{Kind: device.Refused, Op: "adjust", Text: "the configuration is locked"}
	for _, c := range []struct {
		name   string
		set    func(*rig)
		want   conduct.Verdict
		reason string
		clean  bool // everything is as found in the end
	}{
		{"the answer is lost", func(r *rig) { r.dev.loseAdjust = true }, conduct.Accepted, "", true},
		{"the request is lost", func(r *rig) { r.dev.deaf = true }, conduct.Accepted, "", true},
		{"the device refuses", func(r *rig) { r.dev.refuse[prepare] = refused }, conduct.RolledBack, "locked", true},
		{"the neighbour refuses", func(r *rig) { r.other.refuse["adjust mere-agg-2 ospfv2 lag-2 dead-interval 1m0s"] = refused }, conduct.RolledBack, "locked", true},
		{"putting back is refused", func(r *rig) { r.dev.refuse[back] = refused }, conduct.Paused, "locked", false},
		{"somebody sets the same while it is prepared", func(r *rig) {
			r.onAct("hand-over", func() { r.dev.settings[own] = "5" })
		}, conduct.Paused, "somebody else", false},
		{"somebody changes something else while it is prepared", func(r *rig) {
			r.dev.adjusted = func() { r.dev.somebody("banner") }
		}, conduct.RolledBack, "configuration was changed", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, true)
			c.set(r)
			st, err := r.session(t)
			if err != nil && !errors.Is(err, ErrPaused) {
				t.Fatal(err)
			}
			if st.Verdict != c.want || c.reason != "" && (st.Failure == nil || !strings.Contains(st.Failure.Text, c.reason)) {
				t.Errorf("verdict %q (%+v), want %q because %q", st.Verdict, st.Failure, c.want, c.reason)
			}
			if c.clean {
				r.assertAsFound(t)
				return
			}
			if len(st.StillChanged()) == 0 || !strings.Contains(st.SafeState(), "detection-multiplier 9 (was 3)") {
				t.Errorf("what is still changed is not said: %q", st.SafeState())
			}
			// Handed over, the verdict's text and the store say it too.
			r.send(t, "choice", Choice{Person: "Ada Fenwick", Choice: conduct.HandOver, After: r.seq()})
			if st, err = r.session(t); err != nil || st.Verdict != conduct.Paused {
				t.Fatalf("handed over: %v, %v", st.Verdict, err)
			}
			records := r.journal(t)
			if end := records[len(records)-1]; end.Kind != conduct.Finished || !strings.Contains(end.Text, "detection-multiplier 9 (was 3)") {
				t.Errorf("the last record does not say what is still changed: %+v", end)
			}
		})
	}
}

// Putting back that failed goes on where a person has it tried again, also
// where that person has put it back by hand meanwhile.
func TestPutBackLater(t *testing.T) {
	for _, byHand := range []bool{false, true} {
		r := newRig(t, true)
		r.dev.refuse["adjust mere-agg-1 bfd lag-1 detection-multiplier 3 ospfv2 lag-2 dead-interval (its default)"] = &device.Fault{Kind: device.Refused, Op: "adjust"}
		if _, err := r.session(t); !errors.Is(err, ErrPaused) {
			t.Fatal(err)
		}
		if byHand {
			for _, x := range asFound() {
				r.dev.settings[x.Key()] = x.Value
			}
		}
		r.send(t, "choice", Choice{Person: "Ada Fenwick", Choice: conduct.Continue, After: r.seq()})
		st, err := r.session(t)
		if err != nil || st.Verdict != conduct.Accepted || len(st.Prepared) != 0 {
			t.Errorf("by hand %v: %q, %v, still held %v (%+v)", byHand, st.Verdict, err, st.Prepared, st.Failure)
		}
		r.assertAsFound(t)
	}
}

// onAct calls f once, when an act whose name begins so has been done.
func (r *rig) onAct(name string, f func()) {
	done := false
	r.dev.after = func(act string) {
		if !done && strings.HasPrefix(act, name) {
			done = true
			f()
		}
	}
}

// A neighbour's end that a person sets is asked for before and after, and is
// still named where the run is handed over between the two.
func TestEndSetByHand(t *testing.T) {
	r := newRig(t, true)
	p := withHand()
	r.plan, r.pol = changeWith(t, true, p)
	asked := &listening{}
	r.asker = asked
	st, err := r.session(t)
	if err != nil || st.Verdict != conduct.Accepted {
		t.Fatalf("%v, %v", st.Verdict, err)
	}
	set, undone := 0, 0
	for _, s := range asked.steps {
		switch {
		case len(s.Ends) == 0:
		case !strings.Contains(s.Hold.Ask, "weir-reflector-1") || !strings.Contains(s.Hold.Ask, "slow"):
			t.Errorf("asked %q", s.Hold.Ask)
		case s.Undo:
			undone++
		default:
			set++
		}
	}
	if set != 2 || undone != 2 {
		t.Errorf("asked to set %d times and to put back %d times, want both once for each hand-over", set, undone)
	}
	r = newRig(t, true)
	r.plan, r.pol = changeWith(t, true, p)
	r.dev.refuse["restart LC-2"] = &device.Fault{Kind: device.Refused, Op: "restart"}
	if st, err = r.session(t); !errors.Is(err, ErrPaused) {
		t.Fatal(err)
	}
	if !strings.Contains(st.SafeState(), "weir-reflector-1: lacp period slow, set by hand") {
		t.Errorf("the safe state does not name the neighbour: %q", st.SafeState())
	}
}

// listening consents to everything and remembers what was asked.
type listening struct{ steps []plan.Step }

func (l *listening) Consent(_ context.Context, _ *conduct.State, s plan.Step) (Consent, error) {
	l.steps = append(l.steps, s)
	return Consent{Person: "Ada Fenwick", Granted: true}, nil
}

func (*listening) Choose(context.Context, *conduct.State) (Choice, error) { return Choice{}, ErrNobody }

// The settle time is waited by the run's clock.
func TestSettleIsWaited(t *testing.T) {
	r := newRig(t, true)
	if _, err := r.session(t); err != nil {
		t.Fatal(err)
	}
	var acted time.Time
	waited := 0
	for _, rec := range r.journal(t) {
		if !strings.Contains(rec.Step, "-"+string(plan.Prepare)) || strings.Contains(rec.Step, string(plan.PrepareBoot)) {
			continue
		}
		switch rec.Kind {
		case conduct.Acted:
			acted = rec.At
		case conduct.StepDone:
			waited++
			if d := rec.At.Sub(acted); d < prepared()[0].Settle {
				t.Errorf("%s went on %v after the settings were made, want %v", rec.Step, d, prepared()[0].Settle)
			}
		default:
		}
	}
	if waited != 2 {
		t.Errorf("%d preparations were awaited, want 2", waited)
	}
}
