package app

import (
	"errors"
	"slices"
	"testing"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/state"
)

// drained is a plan over two hops, of which the first restarts the whole device
// after its traffic was moved away, and the second hands over.
func drained(t *testing.T) (*plan.Plan, policy.Policy) {
	t.Helper()
	pol := policy.Default()
	silence := &release.SilenceRange{Least: time.Second, Likely: 2 * time.Second, Most: 3 * time.Second}
	hop := func(from, to, method string) release.Hop {
		return release.Hop{From: from, To: to, Method: method, Minutes: release.Spread{Least: 10, Likely: 20, Most: 40}, Silence: silence}
	}
	images := func(v string) []release.Image {
		return []release.Image{{Kind: release.ImageSystem, File: "alder-" + v + ".pkg", Size: 64, SHA256: "00"}}
	}
	drain := []plan.Preparation{{Kind: "drain-device", Apply: "move traffic away", Restore: "back", Settle: 6 * time.Second,
		Ends: []plan.End{{Settings: []state.Setting{
			{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamDetectMult, Value: "9"},
			{Protocol: state.OSPFv2, Interface: "lag-2", Parameter: state.ParamDeadInterval, Value: "1m0s"},
		}}}}}
	p, err := plan.Compose(plan.Inputs{
		Device: fleet.Device{ID: "mere-agg-1"}, Platform: release.Platform{ID: "alder-9"}, Policy: pol, Now: time.Unix(0, 0),
		Path:   release.Path{Hops: []release.Hop{hop("4.2.3", "4.3.1", release.Reload), hop("4.3.1", "4.4.2", release.InService)}},
		Layout: plan.Layout{Primary: "CTL-A", Secondary: "CTL-B", LineCards: []string{"LC-1", "LC-2"}},
		Hops:   []plan.HopInput{{Images: images("4.3.1"), Back: release.Reload, Prepare: drain}, {Images: images("4.4.2"), Back: release.InService, Prepare: drain}},
	})
	if err != nil {
		t.Fatal(err)
	}
	return p, pol
}

// TestCrashAtEveryWriteOfARestart ends the session at every journal write,
// before it and after it, of a run that moves traffic away and then restarts the
// whole device: whatever the device forgets in the restart, a session that takes
// the run up ends as one that was never interrupted.
func TestCrashAtEveryWriteOfARestart(t *testing.T) {
	for _, forgets := range []bool{true, false} {
		rig := func() *rig {
			r := newRig(t, false)
			r.plan, r.pol = drained(t)
			r.dev.forgets, r.dev.adjacency = forgets, "up"
			return r
		}
		calm := rig()
		st, err := calm.session(t)
		if err != nil || st.Verdict != conduct.Accepted {
			t.Fatalf("forgets=%v: uninterrupted: %q, %v, %+v", forgets, st.Verdict, err, st.Failure)
		}
		want := slices.Clone(calm.dev.acts)
		// Set, put back where the restart did not; set again for the hand-over, put back.
		if n := count(want, "adjust "); n != map[bool]int{true: 3, false: 4}[forgets] || count(want, "restart ") == 0 || !slices.Contains(want, "restart ") {
			t.Fatalf("forgets=%v: acts %q", forgets, want)
		}
		crashes := 0
		for k := 1; ; k++ {
			survived := false
			for _, before := range []bool{true, false} {
				r := rig()
				r.store.dieAt, r.store.dieBefore = k, before
				st, err := r.session(t)
				if err == nil {
					survived = true
				} else {
					if !errors.Is(err, errCrash) {
						t.Fatalf("k=%d before=%v: %v", k, before, err)
					}
					crashes++
					if st, err = r.session(t); err != nil {
						t.Errorf("forgets=%v k=%d before=%v: taken up after %s: %v", forgets, k, before, r.store.keys[min(k, len(r.store.keys))-1], err)
						continue
					}
				}
				if st.Verdict != conduct.Accepted || len(st.Prepared) > 0 {
					t.Errorf("forgets=%v k=%d before=%v: %q (%+v), held %v", forgets, k, before, st.Verdict, st.Failure, st.Prepared)
				}
				if !slices.Equal(r.dev.acts, want) {
					t.Errorf("forgets=%v k=%d before=%v: acts\n got %q\nwant %q", forgets, k, before, r.dev.acts, want)
				}
				r.assertAsFound(t)
			}
			if survived {
				break
			}
		}
		if crashes < 2*calm.store.writes-2 || crashes == 0 {
			t.Errorf("crashed %d times over %d writes: not at each of them", crashes, calm.store.writes)
		}
		t.Logf("forgets=%v: %d crashes over %d writes", forgets, crashes, calm.store.writes)
	}
}
