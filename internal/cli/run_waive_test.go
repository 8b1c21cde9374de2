package cli

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"testing"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/plan"
	"towpath/internal/policy"
)

// feedDead is a run that paused after the hand-over because a feed failed.
func feedDead(t *testing.T, persons ...string) (*shelf, *conduct.State) {
	t.Helper()
	p := &plan.Plan{Device: "mere-agg-1", From: "4.2.3", To: "4.4.2", Cautions: []string{"Tell the hospital first."}, Hops: []plan.HopPlan{{From: "4.2.3", To: "4.4.2"}},
		Steps: []plan.Step{{ID: "01", Kind: plan.Hold, Phase: plan.UpgradeRun, Hold: &plan.HoldSpec{Ask: "hand over?", Persons: persons}},
			{ID: "02", Kind: plan.SwitchOver, PointOfNoReturn: true}, {ID: "03", Kind: plan.LoadLineCard, Title: "Restart line card LC-1 into 4.4.2"}}}
	pol := policy.Default()
	raw, err := json.Marshal(pol)
	if err != nil {
		t.Fatal(err)
	}
	input, err := json.Marshal(app.RunInput{Plan: p, Policy: raw})
	if err != nil {
		t.Fatal(err)
	}
	s := &shelf{runs: []app.RunRow{{ID: "r1", Device: "mere-agg-1", Input: input}}}
	records := []conduct.Record{{Kind: conduct.RunBegun}, {Kind: conduct.StepDone, Step: "01"}, {Kind: conduct.Intended, Step: "02"}, {Kind: conduct.Acted, Step: "02"}, {Kind: conduct.StepDone, Step: "02"},
		{Kind: conduct.GuardBroke, Step: "03", Failure: &conduct.Failure{Cause: conduct.ByGuard, Name: string(plan.GuardPower), Text: "feed-a is dead", Objects: []string{"feed-a"}}}}
	st := conduct.New(p, pol)
	for i, r := range records {
		r.Seq = i + 1
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		s.journal = append(s.journal, b)
		if err := st.Apply(r); err != nil {
			t.Fatal(err)
		}
	}
	return s, &st
}

// Whoever waives a guard is told what that sets aside, with the cautions, and the
// reason goes with the choice.
func TestWaiverIsTold(t *testing.T) {
	s, _ := feedDead(t, "Ada Fenwick")
	var told bytes.Buffer
	pick := choosing{choose: "waive", person: "Ada Fenwick", because: "feed B carries all"}
	if err := say(t.Context(), &told, s, s.runs[0], "", "", pick); err != nil {
		t.Fatal(err)
	}
	want := `choice {"person":"Ada Fenwick","choice":"waive","reason":"feed B carries all","after":6}`
	if len(s.sent) != 1 || s.sent[0] != want {
		t.Errorf("left %q, want %q", s.sent, want)
	}
	for _, part := range []string{"power-lost", "feed-a is dead", "Restart line card LC-1", "the next step asks anew", "Tell the hospital first."} {
		if !strings.Contains(told.String(), part) {
			t.Errorf("%q is not in\n%s", part, told.String())
		}
	}
	for _, l := range strings.Split(told.String(), "\n") {
		if len(l) > width {
			t.Errorf("too wide: %q", l)
		}
	}
	pick.person = "Ben Marlow"
	var u *usageError
	if err := say(t.Context(), io.Discard, s, s.runs[0], "", "", pick); !errors.As(err, &u) || !strings.Contains(err.Error(), "Ada Fenwick") || len(s.sent) != 1 {
		t.Errorf("somebody else waived: %v, %q", err, s.sent)
	}
}

// At the terminal a waiver is asked its reason; without one nothing is chosen.
func TestWaiverAtTheTerminal(t *testing.T) {
	_, st := feedDead(t, "Ada Fenwick")
	in, keys := io.Pipe()
	t.Cleanup(func() { _ = keys.Close() })
	asked := make(chan string, 64)
	told := make(chan string, 256)
	term := newTerminal(in, lineWriter(func(s string) {
		told <- s
		if strings.Contains(s, "Choose one of") || strings.Contains(s, "Why is it waived") {
			asked <- s
		}
	}), &view{out: io.Discard})
	got := make(chan app.Choice, 1)
	go func() {
		ch, err := term.Choose(t.Context(), st)
		if err != nil {
			t.Error(err)
		}
		got <- ch
	}()
	for _, step := range []struct{ asked, typed string }{
		{"Choose one of", "waive"}, // no name
		{"Choose one of", "waive Ben Marlow"},
		{"Choose one of", "waive Ada Fenwick"},
		{"Why", ""},
		{"Choose one of", "waive Ada Fenwick"},
		{"Why", "feed B carries all"},
	} {
		if q := <-asked; !strings.Contains(q, step.asked) {
			t.Fatalf("asked %q, want %q", q, step.asked)
		}
		if _, err := io.WriteString(keys, step.typed+"\n"); err != nil {
			t.Fatal(err)
		}
	}
	if ch := <-got; ch.Person != "Ada Fenwick" || ch.Choice != conduct.Waive || ch.Reason != "feed B carries all" {
		t.Errorf("chose %+v", ch)
	}
	close(told)
	all := ""
	for s := range told {
		all += s
	}
	if !strings.Contains(all, "Tell the hospital first.") || !strings.Contains(all, `"Ben Marlow" may not waive`) {
		t.Errorf("told\n%s", all)
	}
}
