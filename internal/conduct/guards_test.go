package conduct

import (
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/plan"
	"towpath/internal/policy"
)

// Who goes on in spite of a broken guard is not stopped by the same thing
// again, and is by the next one.
func TestGoOn(t *testing.T) {
	pol := policy.Default()
	w := NewWatch(pol)
	now := time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)
	guards := []plan.Guard{plan.GuardConfiguration, plan.GuardTopology, plan.GuardLoss}
	tell := func(v string) {
		w.Event(now, device.Event{Kind: device.EventConfiguration, Now: v})
	}
	broken := func(loss time.Duration) string {
		if f := w.Broken(now, guards, Live{Worst: loss}); f != nil {
			return f.Name
		}
		return ""
	}
	tell("one")
	if got := broken(0); got != "" {
		t.Fatalf("%s broke at the first report", got)
	}
	for _, v := range []string{"two", "three"} {
		tell(v)
		if got := broken(0); got != string(plan.GuardConfiguration) {
			t.Fatalf("configuration %s: %q broke", v, got)
		}
		w.GoOn(0)
		tell(v)
		if got := broken(0); got != "" {
			t.Fatalf("configuration %s: %q is broken after a person chose to go on", v, got)
		}
	}
	over := pol.Probe.Budget + 100*time.Millisecond
	if got := broken(over); got != string(plan.GuardLoss) {
		t.Fatalf("%q broke, want the loss", got)
	}
	w.GoOn(over)
	if got := broken(over); got != "" {
		t.Errorf("%q is broken after a person chose to go on", got)
	}
	if got := broken(over + time.Millisecond); got != string(plan.GuardLoss) {
		t.Error("more loss than was granted breaks no guard")
	}
}

// A component that may be named in the safe state has its true release.
func TestSafeStateOfARunThatWasTakenBack(t *testing.T) {
	s := fresh("pause")
	s.Verdict, s.Back, s.Touched, s.Status = RolledBack, true, true, Closed
	if got := s.SafeState(); got != "the device runs 1 again, as before the hop" {
		t.Errorf("%q", got)
	}
	s.Verdict, s.Status = "", Ready
	if got := s.SafeState(); got != "on the way back to 1" {
		t.Errorf("%q", got)
	}
}

// What is prepared is forgotten in a restart that nobody saved it for, and only
// there. Source: common practice, a running configuration is lost with the
// process that runs it.
func TestRestartForgets(t *testing.T) {
	pol := policy.Default()
	var now time.Time
	tell := func(w *Watch, digest string) string {
		now = now.Add(time.Second)
		w.Event(now, device.Event{Kind: device.EventConfiguration, Object: "digest", Now: digest})
		if f := w.Broken(now, []plan.Guard{plan.GuardConfiguration}, Live{}); f != nil {
			return f.Text
		}
		return ""
	}
	later := func(w *Watch) string {
		now = now.Add(time.Minute)
		if f := w.Broken(now, []plan.Guard{plan.GuardConfiguration}, Live{}); f != nil {
			return f.Text
		}
		return ""
	}
	prepared := func(t *testing.T) *Watch {
		w := NewWatch(pol)
		tell(w, "bare")
		w.Adjusting()
		if got := tell(w, "drained"); got != "" {
			t.Fatal(got)
		}
		w.Adjusted("drained", "")
		w.Restart(now, false, false, true, Told{})
		return w
	}
	restart := func(w *Watch, then string) string {
		w.Restart(now, true, true, true, Told{})
		if got := tell(w, "half"); got != "" {
			return "while it restarts: " + got
		}
		w.Restart(now, false, true, true, Told{})
		if got := tell(w, then); got != "" {
			return "a moment later: " + got
		}
		return later(w)
	}
	if tell(prepared(t), "bare") == "" {
		t.Error("who takes the drain back before the restart breaks no guard")
	}
	w := prepared(t)
	for _, then := range []string{"bare", "drained"} {
		if got := restart(prepared(t), then); got != "" {
			t.Errorf("%s after the restart breaks the guard: %s", then, got)
		}
	}
	if restart(prepared(t), "other") == "" {
		t.Error("what nobody set before breaks no guard after the restart")
	}
	if got := restart(w, "bare"); got != "" {
		t.Fatal(got)
	}
	if tell(w, "other") == "" {
		t.Error("a change after a restart breaks no guard")
	}
}

// A watch that begins between the preparation and the restart, or after it, judges
// by what the journal keeps as one that saw it all; an adjacency that the restart
// took down has the grace from its end on.
func TestRestartIsJudgedByTheJournal(t *testing.T) {
	pol := policy.Default()
	now := time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)
	guards := []plan.Guard{plan.GuardConfiguration, plan.GuardAdjacency}
	tell := func(w *Watch, digest string) {
		w.Event(now, device.Event{Kind: device.EventConfiguration, Object: "digest", Now: digest})
		w.Event(now, device.Event{Kind: device.EventConfiguration, Object: "time", Now: "since " + digest})
	}
	bare := Told{Digest: "bare", Changed: "since bare"}
	for then, breaks := range map[string]bool{"bare": false, "drained": false, "other": true} {
		for _, back := range []bool{false, true} { // settings put back by the time that it counts as restarted
			w := NewWatch(pol)
			w.Restart(now, false, false, true, bare)
			tell(w, "drained")
			w.Restart(now, true, true, true, bare)
			w.Event(now, device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "down"})
			tell(w, "half")
			now = now.Add(20 * time.Minute)
			w.Restart(now, false, true, !back, bare)
			tell(w, then)
			if f := w.Broken(now.Add(time.Second), guards, Live{}); f != nil {
				t.Fatalf("%s: %s a moment after the restart", then, f.Text)
			}
			w.Event(now.Add(time.Second), device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "up"})
			if back {
				w.Restart(now.Add(time.Second), false, false, false, Told{}) // the hop is accepted that soon
			}
			now = now.Add(time.Minute)
			if f := w.Broken(now, guards, Live{}); (f != nil) != breaks {
				t.Errorf("%s, put back %v: %+v, want it broken: %v", then, back, f, breaks)
			}
		}
	}
}

// A partner that cannot be read for a moment breaks no guard, and nothing is to be
// asked meanwhile; one that stays away does, and so does one that said that it is
// down.
func TestPartnerThatCannotBeRead(t *testing.T) {
	pol := policy.Default()
	now := time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)
	grace := pol.Conduct.AdjacencyGrace
	broken := func(w *Watch, at time.Time) bool { return w.Broken(at, []plan.Guard{plan.GuardPartner}, Live{}) != nil }
	w := NewWatch(pol)
	w.Partner("weir-1", "")
	w.PartnerUnread(now, "weir-1", "cannot be read")
	if broken(w, now.Add(grace)) || len(w.Unheard(now.Add(grace))) != 1 {
		t.Error("silent for the grace: want no guard broken, and the partner named")
	}
	w.PartnerUnread(now.Add(grace), "weir-1", "cannot be read")
	if at := now.Add(grace + time.Second); !broken(w, at) || len(w.Unheard(at)) != 0 {
		t.Error("silent for longer than the grace: want the guard broken")
	}
	w.Partner("weir-1", "")
	if at := now.Add(time.Hour); broken(w, at) || len(w.Unheard(at)) != 0 {
		t.Error("it is back, and the guard is broken still")
	}
	w.Partner("weir-1", "LC-1 is INACTIVE")
	w.PartnerUnread(now, "weir-1", "cannot be read")
	if !broken(w, now) {
		t.Error("it said that it is down, and is forgiven for saying nothing since")
	}
}
