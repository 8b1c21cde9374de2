package app

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/plan"
)

// send leaves a message for the run.
func (r *rig) send(t *testing.T, topic string, v any) {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.store.Send(t.Context(), "r1", topic, b); err != nil {
		t.Fatal(err)
	}
}

func (r *rig) seq() int { return len(r.store.keys) }

// A consent answers the hold point that it was given at and no later one, and
// so does one that is left twice.
func TestConsentAnswersOneQuestion(t *testing.T) {
	r := newRig(t, true)
	r.asker = nobody{}
	r.send(t, "consent", Consent{Person: "Ada Fenwick", Granted: true}) // before anything was asked
	if _, err := r.session(t); !errors.Is(err, ErrHeld) {
		t.Fatalf("first session: %v, want the run held", err)
	}
	first := r.seq()
	if n := count(r.dev.acts, "hand-over"); n != 0 {
		t.Fatalf("handed over %d times by a consent that nobody asked for", n)
	}
	for range 2 {
		r.send(t, "consent", Consent{Person: "Ada Fenwick", Granted: true, After: first})
	}
	if _, err := r.session(t); !errors.Is(err, ErrHeld) {
		t.Fatalf("second session: %v, want the run held at the second hop", err)
	}
	if n := count(r.dev.acts, "hand-over"); n != 1 {
		t.Errorf("handed over %d times, want once: %v", n, r.dev.acts)
	}
	r.send(t, "consent", Consent{Person: "Ada Fenwick", Granted: true, After: r.seq()})
	if st, err := r.session(t); err != nil || st.Verdict != conduct.Accepted {
		t.Errorf("third session: %v, %v", st.Verdict, err)
	}
}

// A refusal is used up by the hold point that it refuses.
func TestRefusalIsTaken(t *testing.T) {
	r := newRig(t, true)
	r.asker = nobody{}
	if _, err := r.session(t); !errors.Is(err, ErrHeld) {
		t.Fatal(err)
	}
	r.send(t, "consent", Consent{Person: "Ada Fenwick", After: r.seq()})
	st, err := r.session(t)
	if err != nil || st.Verdict != conduct.RolledBack {
		t.Fatalf("verdict %q, %v, want the run taken back", st.Verdict, err)
	}
	if !r.store.taken[1] {
		t.Error("the refusal is still waiting for another question")
	}
	if count(r.dev.acts, "hand-over") != 0 {
		t.Errorf("handed over in spite of a refusal: %v", r.dev.acts)
	}
}

// Another run of the device that has not ended keeps a new one from beginning.
func TestOneRunAtATime(t *testing.T) {
	r := newRig(t, true)
	begun, _ := json.Marshal(conduct.Record{Seq: 1, Kind: conduct.RunBegun})
	input := func() json.RawMessage {
		pol, _ := json.Marshal(r.pol)
		b, err := json.Marshal(RunInput{Plan: r.plan, Policy: pol})
		if err != nil {
			t.Fatal(err)
		}
		return b
	}()
	// A run that changes no settings anywhere else.
	bare := func() json.RawMessage {
		pol, _ := json.Marshal(r.pol)
		b, err := json.Marshal(RunInput{Plan: &plan.Plan{Device: "weir-1", Steps: r.plan.Steps[:1], Hops: r.plan.Hops, Path: r.plan.Path}, Policy: pol})
		if err != nil {
			t.Fatal(err)
		}
		return b
	}()
	r.store.before = map[string][]json.RawMessage{"r0": {begun}, "never": {}}
	r.store.runs = []RunRow{{ID: "never", Device: "mere-agg-1", Input: input}, {ID: "r0", Device: "weir-1", Input: bare}, {ID: "r1", Device: "mere-agg-1", Input: input}}
	if err := alone(t.Context(), r.store, "mere-agg-1", "r1"); err != nil {
		t.Errorf("a run that never began, one of another device and itself are in the way: %v", err)
	}
	// Nor does one run meet another that changes settings on its device, or on
	// whose device it does.
	r.store.runs[1].Device = "mere-agg-2"
	if err := alone(t.Context(), r.store, "mere-agg-1", "r1"); err != nil {
		t.Errorf("a run of a device that is only near is in the way: %v", err)
	}
	if err := alone(t.Context(), r.store, "mere-agg-1", "r1", "mere-agg-2"); !errors.Is(err, ErrOpenRun) || !strings.Contains(err.Error(), "r0 on mere-agg-2") {
		t.Errorf("settings would be changed on the device of an open run: %v", err)
	}
	r.store.runs[1].Input = input // of the plan that changes settings on mere-agg-2
	r.store.runs[1].Device = "weir-1"
	if err := alone(t.Context(), r.store, "mere-agg-2", "r2"); !errors.Is(err, ErrOpenRun) {
		t.Errorf("an open run changes settings on this device: %v", err)
	}
	r.store.runs[1].Device = "mere-agg-1"
	_, err := r.session(t)
	if !errors.Is(err, ErrOpenRun) || !strings.Contains(err.Error(), "r0") {
		t.Errorf("got %v, want the open run named", err)
	}
	if len(r.dev.acts) != 0 || r.seq() != 0 {
		t.Errorf("%d records and %v were done all the same", r.seq(), r.dev.acts)
	}
}

// What the device answered counts, though the transfer was being given up.
func TestAnswerBeatsStall(t *testing.T) {
	for range 20 {
		r := newRig(t, true)
		r.pol.Conduct.TransferStall = time.Nanosecond
		r.dev.refuse["install CTL-A 4.3.1"] = &device.Fault{Kind: device.WrongImage, Op: "install"}
		st, err := r.session(t)
		if err != nil || st.Verdict != conduct.Refused || !strings.Contains(st.Failure.Text, "wrong image") {
			t.Fatalf("verdict %q, %v (%+v), want the device's refusal", st.Verdict, err, st.Failure)
		}
	}
}

// Loss that an earlier session measured and kept counts against the budget.
func TestLossOfAnEarlierSessionCounts(t *testing.T) {
	r := newRig(t, true)
	m := conduct.Measurement{Begun: time.Unix(100, 0), Sent: 10, Lost: 5, Outages: []conduct.Outage{{Flow: "east", Direction: "reverse", Lost: 5, ByLoss: r.pol.Probe.Budget + time.Millisecond}}}
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.store.SetArtefact(t.Context(), "r1", "probe/earlier", b); err != nil {
		t.Fatal(err)
	}
	st, err := r.session(t)
	if err != nil || st.Verdict != conduct.RolledBack || st.Failure.Name != overBudget {
		t.Fatalf("verdict %q, %v (%+v), want it taken back for the loss that the session before measured", st.Verdict, err, st.Failure)
	}
	// Where a person goes on in spite of it, it is not held against the run again.
	r = newRig(t, true)
	r.pol.Conduct.AfterPointOfNoReturn = "pause"
	if err := r.store.SetArtefact(t.Context(), "r1", "probe/earlier", b); err != nil {
		t.Fatal(err)
	}
	if _, err := r.session(t); !errors.Is(err, ErrPaused) {
		t.Fatalf("got %v, want the run paused", err)
	}
	r.send(t, "choice", Choice{Person: "Ada Fenwick", Choice: conduct.Continue, After: r.seq()})
	if st, err = r.session(t); err != nil || st.Verdict != conduct.Accepted {
		t.Errorf("verdict %q, %v (%+v), want it accepted", st.Verdict, err, st.Failure)
	}
}

// A run that is taken up between intent and act sends test traffic before it
// acts.
func TestTakenUpRunIsMeasured(t *testing.T) {
	var at int
	calm := newRig(t, true)
	if _, err := calm.session(t); err != nil {
		t.Fatal(err)
	}
	for i, k := range calm.store.keys {
		if strings.Contains(k, "intend") && strings.Contains(k, "switch-over") {
			at = i + 1
			break
		}
	}
	if at == 0 {
		t.Fatal("no hand-over was intended")
	}
	r := newRig(t, true)
	r.store.dieAt = at
	if _, err := r.session(t); !errors.Is(err, errCrash) {
		t.Fatal(err)
	}
	p := &markProber{}
	r.marks = p
	if st, err := r.session(t); err != nil || st.Verdict != conduct.Accepted {
		t.Fatalf("%v, %v", st.Verdict, err)
	}
	if len(p.marks) < 2 || p.marks[0] != conduct.TakenUp || !strings.HasSuffix(p.marks[1], conduct.Again) {
		t.Errorf("marks begin with %q: the hand-over was not measured", p.marks[:min(len(p.marks), 3)])
	}
}

// markProber keeps what it is told.
type markProber struct {
	stillProber
	marks []string
}

func (p *markProber) Mark(l string)               { p.marks = append(p.marks, l) }
func (p *markProber) Start(context.Context) error { return nil }

func count(acts []string, prefix string) int {
	n := 0
	for _, a := range acts {
		if strings.HasPrefix(a, prefix) {
			n++
		}
	}
	return n
}

// A device may agree to a hand-over first and fall silent later: the silence is
// measured all the same.
func TestSilenceAfterTheAnswer(t *testing.T) {
	r := newRig(t, true)
	r.dev.agree = 12
	if st, err := r.session(t); err != nil || st.Verdict != conduct.Accepted {
		t.Fatalf("%v, %v", st.Verdict, err)
	}
	n := 0
	for _, k := range r.store.keys {
		var rec conduct.Record
		if err := json.Unmarshal(r.store.records[k], &rec); err != nil {
			t.Fatal(err)
		}
		if rec.Kind != conduct.Acted || !strings.Contains(rec.Step, "switch-over") {
			continue
		}
		n++
		var s Silence
		if err := json.Unmarshal(rec.Data, &s); err != nil || s.Answers < r.dev.agree+3 {
			t.Errorf("%s: %d answers were heard (%v), want more than the %d before the roles moved", rec.Step, s.Answers, err, r.dev.agree)
		}
	}
	if n != 2 {
		t.Errorf("%d hand-overs, want 2", n)
	}
}

// A run whose input was altered after it was begun is not taken up, and not
// handed over as evidence either; how a database writes the same values does not
// matter.
func TestAlteredInputIsNoticed(t *testing.T) {
	r := newRig(t, true)
	pol, _ := json.Marshal(r.pol)
	body, err := json.Marshal(RunInput{Plan: r.plan, Policy: pol, Who: "Ada Fenwick"})
	if err != nil {
		t.Fatal(err)
	}
	run := RunRow{ID: "r1", Device: "mere-agg-1", Input: body}
	digest, err := inputDigest(body)
	if err != nil {
		t.Fatal(err)
	}
	data, _ := json.Marshal(begunWith{digest})
	first, _ := json.Marshal(conduct.Record{Seq: 1, Kind: conduct.RunBegun, Data: data})
	r.store.before = map[string][]json.RawMessage{"r1": {first}}
	if _, _, err := StateOf(t.Context(), r.store, run); err != nil {
		t.Errorf("as it was begun: %v", err)
	}
	var any map[string]any
	if err := json.Unmarshal(body, &any); err != nil {
		t.Fatal(err)
	}
	again, _ := json.MarshalIndent(any, " ", "\t")
	run.Input = again
	if _, _, err := StateOf(t.Context(), r.store, run); err != nil {
		t.Errorf("written in another way: %v", err)
	}
	run.Input = json.RawMessage(strings.Replace(string(body), `"who":"Ada Fenwick"`, `"who":"Jonas Pell"`, 1))
	if _, _, err := StateOf(t.Context(), r.store, run); !errors.Is(err, ErrAltered) {
		t.Errorf("altered: got %v, want ErrAltered", err)
	}
	// The conductor keeps the digest in the first record.
	r = newRig(t, true)
	if _, err := r.session(t); err != nil {
		t.Fatal(err)
	}
	var rec conduct.Record
	var kept begunWith
	if err := json.Unmarshal(r.store.records[r.store.keys[0]], &rec); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(rec.Data, &kept); err != nil || kept.Input == "" {
		t.Errorf("the first record keeps %s", rec.Data)
	}
}

// The way back is reckoned at the share that the rollback clock is: more than it
// takes on the average, and less than the longest times of all its steps.
func TestBackTakesAtItsShare(t *testing.T) {
	r := newRig(t, true)
	st := conduct.New(r.plan, r.pol)
	if got := BackTakes(&st); got != 0 {
		t.Errorf("with nothing touched a way back takes %v", got)
	}
	st.Touched, st.Past = true, true
	got := BackTakes(&st)
	steps, err := plan.WayBack(r.plan, 0, plan.Layout{Primary: "CTL-B", Secondary: "CTL-A", LineCards: []string{"LC-1", "LC-2"},
		Releases: map[string]string{"CTL-A": "4.3.1", "CTL-B": "4.3.1", "LC-1": "4.3.1", "LC-2": "4.3.1"}}, r.pol, nil)
	if err != nil {
		t.Fatal(err)
	}
	var mean, most time.Duration
	for _, s := range steps {
		mean += s.Expect.Mean()
		most += s.Expect.Most
	}
	if got <= mean || got >= most {
		t.Errorf("%v, want between the mean %v and the most %v", got, mean, most)
	}
	if again := BackTakes(&st); again != got {
		t.Errorf("%v and then %v of one state", got, again)
	}
}

// Who stops a run is named, whether it stands at a hold point or goes on; what was
// staged is taken back, and nothing is where nothing was touched.
func TestStopByAPerson(t *testing.T) {
	for _, c := range []struct {
		name string
		at   string // act during which it is asked, or the hold point
		want conduct.Verdict
	}{
		{"while an image is sent", "install CTL-A", conduct.Refused},
		{"while the secondary restarts", "activate CTL-B", conduct.RolledBack},
		{"at the hold point", "", conduct.RolledBack},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, true)
			conductor := r.conductor()
			conductor.Who = "Jonas Pell"
			if c.at == "" {
				r.asker = &stopping{stop: conductor.RequestStop}
				conductor.Asker = r.asker
			} else {
				r.onAct(c.at, conductor.RequestStop)
			}
			st, err := conductor.Conduct(t.Context())
			if err != nil || st.Verdict != c.want {
				t.Fatalf("%q, %v, %+v", st.Verdict, err, st.Failure)
			}
			if count(r.dev.acts, "hand-over") != 0 {
				t.Errorf("handed over: %q", r.dev.acts)
			}
			named := false
			for _, rec := range r.journal(t) {
				named = named || rec.Person == "Jonas Pell" && rec.Failure != nil && strings.Contains(rec.Text, "Jonas Pell stopped the run")
			}
			if !named {
				t.Error("the journal does not say who stopped it")
			}
			r.assertAsFound(t)
		})
	}
}

// stopping asks for a stop instead of answering, and answers nothing.
type stopping struct{ stop func() }

func (s *stopping) Consent(ctx context.Context, _ *conduct.State, _ plan.Step) (Consent, error) {
	s.stop()
	<-ctx.Done()
	return Consent{}, ctx.Err()
}

func (*stopping) Choose(context.Context, *conduct.State) (Choice, error) { return Choice{}, ErrNobody }
