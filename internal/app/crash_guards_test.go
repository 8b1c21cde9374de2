package app

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/plan"
	"towpath/internal/state"
)

// diesAfter runs a session that ends right after the first record whose key has
// the word in it.
func (r *rig) diesAfter(t *testing.T, word string) {
	t.Helper()
	calm := newRig(t, r.dev.per)
	calm.plan, calm.pol = r.plan, r.pol
	if _, err := calm.session(t); err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(calm.store.keys, func(k string) bool { return strings.Contains(k, word) })
	if i < 0 {
		t.Fatalf("no record with %q in %q", word, calm.store.keys)
	}
	r.store.dieAt = i + 1
	if _, err := r.session(t); !errors.Is(err, errCrash) {
		t.Fatal(err)
	}
}

// A session that takes a run up between intent and act needs for the act what
// the intent needed, now: hours may have passed.
func TestTakenUpActNeedsWhatTheIntentNeeded(t *testing.T) {
	for name, c := range map[string]struct {
		meanwhile func(*rig)
		because   string
	}{
		"a feed has failed":          {func(r *rig) { r.dev.feed = "dead" }, "feed-a is dead"},
		"the secondary runs another": {func(r *rig) { r.dev.cards["CTL-B"].release = "4.2.3" }, "CTL-B runs 4.3.1"},
		"an adjacency is down for too long": {func(r *rig) {
			r.dev.adjacency, r.pol.Conduct.ObserveAfterCrash = "down", r.pol.Conduct.AdjacencyGrace+time.Minute
		}, "bgp 192.0.2.1"},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, true)
			r.diesAfter(t, "intend 12-switch-over")
			c.meanwhile(r)
			st, err := r.session(t)
			if err != nil && !errors.Is(err, ErrPaused) {
				t.Fatal(err)
			}
			if st.Failure == nil || !strings.Contains(st.Failure.Text, c.because) {
				t.Errorf("%q, %+v, want it stopped because %q", st.Verdict, st.Failure, c.because)
			}
			if n := count(r.dev.acts, "hand-over"); n != 0 {
				t.Errorf("handed over %d times: %q", n, r.dev.acts)
			}
		})
	}
}

// A session does not act before its guards were told how the device and its
// partners stand, however slowly those answer.
func TestGuardsAreToldBeforeTheFirstAct(t *testing.T) {
	r := newRig(t, true)
	r.asker = nobody{}
	if _, err := r.session(t); !errors.Is(err, ErrHeld) {
		t.Fatal(err)
	}
	r.send(t, "consent", Consent{Person: "Ada Fenwick", Granted: true, After: r.seq()})
	r.partner = &slowPartner{chassis: newChassis(r.clock, true)}
	st, err := r.session(t)
	if err != nil || st.Verdict != conduct.RolledBack || !strings.Contains(st.Failure.Text, "LC-1 is INACTIVE") {
		t.Errorf("%q, %v, %+v, want it taken back for the partner", st.Verdict, err, st.Failure)
	}
	if n := count(r.dev.acts, "hand-over"); n != 0 {
		t.Errorf("handed over with the partner down: %q", r.dev.acts)
	}
}

// slowPartner has lost a line card, and takes its time to say so.
type slowPartner struct{ *chassis }

func (p *slowPartner) Capture(ctx context.Context, _ device.Scope) (*state.Capture, error) {
	if err := (WallClock{}).Sleep(ctx, 30*time.Millisecond); err != nil {
		return nil, err
	}
	return &state.Capture{Components: []state.Component{{Name: "LC-1", Kind: state.KindLineCard, Oper: state.Some(state.OperInactive)}}}, nil
}

// A restart of the whole device that took longer than its deadline is not asked
// for once more by who continues when the device is back.
func TestLateRestartIsNotRepeated(t *testing.T) {
	r := newRig(t, false)
	r.plan, r.pol = drained(t)
	r.dev.forgets, r.dev.slow = true, 100000
	st, err := r.session(t)
	if !errors.Is(err, ErrPaused) || st.Failure.Cause != conduct.ByReach {
		t.Fatalf("%v, %+v, want the run paused while the device is away", err, st.Failure)
	}
	r.dev.off, r.dev.slow = 1, 3 // it is back a moment later
	r.send(t, "choice", Choice{Person: "Ada Fenwick", Choice: conduct.Continue, After: r.seq()})
	st, err = r.session(t)
	if err != nil || st.Verdict != conduct.Accepted {
		t.Fatalf("%q, %v, %+v", st.Verdict, err, st.Failure)
	}
	n := 0
	for _, a := range r.dev.acts {
		if a == "restart " {
			n++
		}
	}
	if n != 1 {
		t.Errorf("the whole device was restarted %d times: %q", n, r.dev.acts)
	}
	r.assertAsFound(t)
}

// What was prepared for a hand-over is read again before it is asked for: a
// session has died between the two, and somebody, or a restart, has undone it.
func TestHandOverIsStillPrepared(t *testing.T) {
	for _, word := range []string{"await 11-prepare", "intend 12-switch-over"} {
		r := newRig(t, true)
		r.diesAfter(t, word)
		for _, x := range asFound() {
			r.dev.settings[x.Key()] = x.Value
		}
		st, err := r.session(t)
		if err != nil || st.Verdict != conduct.RolledBack || !strings.Contains(st.Failure.Text, "detection-multiplier 9 (found:") {
			t.Errorf("died after %s: %q, %v, %+v; want it taken back because it is not prepared", word, st.Verdict, err, st.Failure)
		}
		if n := count(r.dev.acts, "hand-over"); n != 0 {
			t.Errorf("died after %s: handed over unprepared: %q", word, r.dev.acts)
		}
		r.assertAsFound(t)
	}
}

// A transfer that is taken up asks nothing of a device whose cards have changed
// places meanwhile.
func TestTakenUpTransferNeedsItsCard(t *testing.T) {
	r := newRig(t, true)
	r.diesAfter(t, "intend 05-transfer-package-CTL-A")
	r.dev.primary = "CTL-B"
	st, err := r.session(t)
	if err != nil || st.Verdict != conduct.Refused || !strings.Contains(st.Failure.Text, "CTL-A is PRIMARY") {
		t.Errorf("%q, %v, %+v", st.Verdict, err, st.Failure)
	}
	if n := count(r.dev.acts, "install"); n != 0 {
		t.Errorf("sent all the same: %q", r.dev.acts)
	}
}

// A hand-over that no session measured whole is accepted with these words.
func TestUnmeasuredHandOverIsSaid(t *testing.T) {
	judged := func(r *rig) (texts []string) {
		for _, rec := range r.journal(t) {
			if strings.Contains(rec.Step, "judge-probe") && rec.Kind == conduct.StepDone {
				texts = append(texts, rec.Text)
			}
		}
		return texts
	}
	r := newRig(t, true)
	r.marks = &keptProber{}
	if st, err := r.session(t); err != nil || st.Verdict != conduct.Accepted {
		t.Fatal(st.Verdict, err)
	}
	if got := judged(r); len(got) != 2 || strings.Contains(strings.Join(got, " "), "not measured") {
		t.Errorf("measured whole: %q", got)
	}
	r = newRig(t, true)
	r.marks = &keptProber{}
	r.store.dieAt = slices.IndexFunc(keysOf(t), func(k string) bool { return strings.Contains(k, "act 12-switch-over") }) + 1
	if _, err := r.session(t); !errors.Is(err, errCrash) {
		t.Fatal(err)
	}
	r.marks = &keptProber{}
	if st, err := r.session(t); err != nil || st.Verdict != conduct.Accepted {
		t.Fatal(st.Verdict, err)
	}
	if got := judged(r); len(got) != 2 || !strings.Contains(got[0], "not measured from begin to end") || !strings.Contains(got[0], "from CTL-A to CTL-B") || strings.Contains(got[1], "not measured") {
		t.Errorf("killed while the hand-over was measured: %q", got)
	}
}

func keysOf(t *testing.T) []string {
	t.Helper()
	calm := newRig(t, true)
	if _, err := calm.session(t); err != nil {
		t.Fatal(err)
	}
	return calm.store.keys
}

// keptProber gives its marks with what it measured.
type keptProber struct{ markProber }

func (p *keptProber) Snapshot() conduct.Measurement {
	m := p.markProber.Snapshot()
	m.Begun = time.Unix(int64(len(p.marks)), 0) // under a name of its own each time
	for _, l := range p.marks {
		m.Marks = append(m.Marks, conduct.Mark{Label: l})
	}
	return m
}

// A partner that cannot be read for a moment, as when the way to it leads over the
// device itself, neither turns the run back nor is forgotten before the next act.
func TestPartnerIsHeardBeforeEachAct(t *testing.T) {
	for _, forever := range []bool{false, true} {
		r := newRig(t, true)
		p := &mutePartner{chassis: newChassis(r.clock, true), told: make(chan struct{}, 1)}
		r.partner = p
		if !forever {
			r.pol.Conduct.AdjacencyGrace = 240 * time.Hour // the clock of this test runs far ahead of its readings
		}
		r.onAct("activate CTL-B", func() {
			readings := int64(3)
			if forever {
				readings = 1 << 30
			}
			p.silent.Store(readings)
			<-p.told
		})
		st, err := r.session(t)
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case !forever && st.Verdict != conduct.Accepted:
			t.Errorf("silent for three readings: %q, %+v", st.Verdict, st.Failure)
		case forever && (st.Verdict != conduct.RolledBack || st.Failure.Name != string(plan.GuardPartner) || count(r.dev.acts, "hand-over") != 0):
			t.Errorf("silent for good: %q, %+v, %q", st.Verdict, st.Failure, r.dev.acts)
		}
	}
}

// mutePartner does not answer for some readings.
type mutePartner struct {
	*chassis
	silent atomic.Int64
	failed int
	told   chan struct{} // gets one when a second reading has failed, so that the first was told
}

func (p *mutePartner) Capture(ctx context.Context, _ device.Scope) (*state.Capture, error) {
	if err := (WallClock{}).Sleep(ctx, time.Millisecond); err != nil {
		return nil, err
	}
	if p.silent.Add(-1) >= 0 {
		if p.failed++; p.failed == 2 {
			p.told <- struct{}{}
		}
		return nil, &device.Fault{Kind: device.Unreachable, Op: "capture"}
	}
	return &state.Capture{}, nil
}
