package app

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/plan"
)

// feedLost is such a rig that has paused for it.
func feedLost(t *testing.T) *rig {
	t.Helper()
	r := losesFeed(t)
	st, err := r.session(t)
	if !errors.Is(err, ErrPaused) || st.Failure.Name != string(plan.GuardPower) {
		t.Fatalf("%v, %+v; want the run paused for the feed", err, st.Failure)
	}
	return r
}

// losesFeed is a rig whose power feed fails when the role has been handed over.
func losesFeed(t *testing.T) *rig {
	t.Helper()
	r := newRig(t, true)
	r.onAct("hand-over", func() {
		r.dev.feed = "dead"
		listeners := slices.Clone(r.dev.listeners)
		go func() {
			for _, f := range listeners {
				f(device.Event{Kind: device.EventPower, Object: "feed-a", Now: "dead"})
			}
		}()
	})
	return r
}

// A guard that stays broken stops whoever only continues, also in another
// process; a waiver takes the run over one step, with who gave it and why, and
// the next step asks anew.
func TestGuardThatStaysBroken(t *testing.T) {
	r := feedLost(t)
	at := func() string {
		st, err := conduct.Fold(r.plan, r.pol, r.journal(t))
		if err != nil {
			t.Fatal(err)
		}
		step, _ := st.Step()
		return step.ID
	}
	stood := at()
	r.send(t, "choice", Choice{Person: "Ada Fenwick", Choice: conduct.Continue, After: r.seq()})
	if _, err := r.session(t); !errors.Is(err, ErrPaused) || at() != stood {
		t.Fatalf("continued with the feed dead: %v, at %s, stood at %s", err, at(), stood)
	}
	r.send(t, "choice", Choice{Person: "Ada Fenwick", Choice: conduct.Waive, After: r.seq()})
	if _, err := r.session(t); err == nil || errors.Is(err, ErrPaused) || !strings.Contains(err.Error(), "reason") || at() != stood {
		t.Fatalf("waived without a reason: %v", err)
	}
	waived := map[string]bool{}
	for n := 0; ; n++ {
		if n > 30 {
			t.Fatal("no end")
		}
		waived[at()] = true
		r.send(t, "choice", Choice{Person: "Ada Fenwick", Choice: conduct.Waive, Reason: "the electrician is on the way", After: r.seq()})
		st, err := r.session(t)
		if !errors.Is(err, ErrPaused) {
			// The second hop has its own point of no return, and no way round the guard.
			if err != nil || st.Verdict == conduct.Accepted {
				t.Fatalf("%v, %q: the second hop was handed over with the feed dead", err, st.Verdict)
			}
			break
		}
		if !slices.Contains(st.Choices, conduct.Waive) {
			break
		}
	}
	if len(waived) < 3 {
		t.Errorf("waived for %d steps only: %v", len(waived), waived)
	}
	if n := count(r.dev.acts, "hand-over"); n != 1 {
		t.Errorf("handed over %d times with the feed dead: %q", n, r.dev.acts)
	}
	seen := 0
	for _, rec := range r.journal(t) {
		if rec.Choice != conduct.Waive {
			continue
		}
		seen++
		if rec.Person != "Ada Fenwick" || !strings.Contains(rec.Text, "electrician") || !strings.Contains(rec.Text, "power-lost") || !strings.Contains(rec.Text, "feed-a") {
			t.Errorf("the journal says %q of %q", rec.Text, rec.Person)
		}
	}
	if seen < len(waived) {
		t.Errorf("%d waivers in the journal, %d given", seen, len(waived))
	}
}

// A crash at every write after a waiver changes nothing: it is in the journal or
// it was not given.
func TestWaiverOutlivesTheProcess(t *testing.T) {
	r := feedLost(t)
	r.send(t, "choice", Choice{Person: "Ada Fenwick", Choice: conduct.Waive, Reason: "why", After: r.seq()})
	before := r.seq()
	r.store.dieAt = r.store.writes + 1
	if _, err := r.session(t); !errors.Is(err, errCrash) || r.seq() != before+1 {
		t.Fatalf("%v, %d records, want it killed after the choice", err, r.seq())
	}
	st, err := r.session(t)
	if !errors.Is(err, ErrPaused) {
		t.Fatal(err)
	}
	done := slices.ContainsFunc(r.journal(t)[before+1:], func(x conduct.Record) bool { return x.Kind == conduct.StepDone && x.Step == st.Waivers[0].Step })
	if len(st.Waivers) != 1 || !done {
		t.Errorf("waivers %+v; the step was done: %v", st.Waivers, done)
	}
}

// Who waives one guard has not accepted what breaks another.
func TestWaiverIsOfOneGuard(t *testing.T) {
	r := losesFeed(t)
	r.asker = &waiver{before: func() { r.dev.somebody("banner") }}
	st, err := r.session(t)
	if !errors.Is(err, ErrPaused) || len(st.Waivers) != 1 || st.Failure.Name != string(plan.GuardConfiguration) {
		t.Errorf("%v, %+v, waivers %+v: want the run paused for the change that nobody waived", err, st.Failure, st.Waivers)
	}
	if r.store.verdict != string(conduct.Paused) {
		t.Errorf("the store says %q", r.store.verdict)
	}
}

// waiver waives once, after something has happened.
type waiver struct {
	yes
	before func()
}

func (w *waiver) Choose(context.Context, *conduct.State) (Choice, error) {
	if w.before == nil {
		return Choice{}, ErrNobody
	}
	w.before()
	w.before = nil
	return Choice{Person: "Ada Fenwick", Choice: conduct.Waive, Reason: "feed B carries all"}, nil
}
