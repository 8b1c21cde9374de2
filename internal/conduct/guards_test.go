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
		w.GoOn(0, nil)
		tell(v)
		if got := broken(0); got != "" {
			t.Fatalf("configuration %s: %q is broken after a person chose to go on", v, got)
		}
	}
	over := pol.Probe.Budget + 100*time.Millisecond
	if got := broken(over); got != string(plan.GuardLoss) {
		t.Fatalf("%q broke, want the loss", got)
	}
	w.GoOn(over, nil)
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
