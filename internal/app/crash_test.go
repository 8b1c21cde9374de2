package app

import (
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/state"
)

// The settings of the tests: a session's multiplier, one that has no value of
// its own, and the other end of a link.
func asFound() []state.Setting {
	return []state.Setting{
		{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamDetectMult, Value: "3"},
		{Protocol: state.OSPFv2, Interface: "lag-2", Parameter: state.ParamDeadInterval},
	}
}

func prepared() []plan.Preparation {
	return []plan.Preparation{{
		Kind: "set-timers", Apply: "wait longer", Restore: "as before", Settle: 6 * time.Second,
		Ends: []plan.End{
			{Settings: []state.Setting{
				{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamDetectMult, Value: "9"},
				{Protocol: state.OSPFv2, Interface: "lag-2", Parameter: state.ParamDeadInterval, Value: "1m0s"},
			}},
			{On: "mere-agg-2", Settings: []state.Setting{{Protocol: state.OSPFv2, Interface: "lag-2", Parameter: state.ParamDeadInterval, Value: "1m0s"}}},
		},
	}}
}

// twoHops is a change of the invented chassis over a middle release.
func twoHops(t *testing.T, per bool) (*plan.Plan, policy.Policy) {
	return changeWith(t, per, prepared())
}

// changeWith is that change with other preparations.
func changeWith(t *testing.T, per bool, prepare []plan.Preparation) (*plan.Plan, policy.Policy) {
	t.Helper()
	pol := policy.Default()
	pol.Conduct.AfterPointOfNoReturn = "roll-back"
	hop := func(from, to string) release.Hop {
		return release.Hop{From: from, To: to, Method: release.InService, Minutes: release.Spread{Least: 10, Likely: 20, Most: 40},
			Silence: &release.SilenceRange{Least: time.Second, Likely: 2 * time.Second, Most: 3 * time.Second}}
	}
	images := func(v string) []release.Image {
		return []release.Image{{Kind: release.ImageSystem, File: "alder-" + v + ".pkg", Size: 64, SHA256: "00"}, {Kind: release.ImageBoot, File: "boot-" + v + ".img", Size: 8}}
	}
	p, err := plan.Compose(plan.Inputs{
		Device: fleet.Device{ID: "mere-agg-1"}, Platform: release.Platform{ID: "alder-9", PerController: per}, Policy: pol, Now: time.Unix(0, 0),
		Path:   release.Path{Hops: []release.Hop{hop("4.2.3", "4.3.1"), hop("4.3.1", "4.4.2")}},
		Layout: plan.Layout{Primary: "CTL-A", Secondary: "CTL-B", LineCards: []string{"LC-1", "LC-2"}},
		Hops: []plan.HopInput{
			{Images: images("4.3.1"), Back: release.InService, Removals: []plan.Removal{{Controller: "CTL-A", File: "old.img", Size: 10}}, Prepare: prepare},
			{Images: images("4.4.2"), Back: release.InService, Prepare: prepare},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return p, pol
}

// withHand is the preparations with one more end, which a person sets.
func withHand() []plan.Preparation {
	p := prepared()
	p[0].Ends = append(p[0].Ends, plan.End{On: "weir-reflector-1", ByHand: true, Settings: []state.Setting{{Protocol: state.LACP, Parameter: state.ParamPeriod, Value: "slow"}}})
	return p
}

// rig is a conductor on devices and a store in memory.
type rig struct {
	clock *stepClock
	dev   *chassis
	other *chassis // neighbour on which settings are changed too
	store *memStore
	plan  *plan.Plan
	pol   policy.Policy
	probe stillProber
	calm  calm
	asker Asker
	marks conduct.Prober // in place of probe, where set

	partner device.Device // of a redundancy group, where set
}

func newRig(t *testing.T, per bool) *rig {
	p, pol := twoHops(t, per)
	clock := &stepClock{now: time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)}
	other := newChassis(clock, per)
	other.name = "mere-agg-2"
	return &rig{clock: clock, dev: newChassis(clock, per), other: other, store: newMemStore(), plan: p, pol: pol, asker: yes{}}
}

// session starts a new process on the same store and device.
func (r *rig) session(t *testing.T) (conduct.State, error) {
	t.Helper()
	r.dev.mu.Lock()
	r.dev.watched, r.dev.listeners = make(chan struct{}), nil
	r.dev.mu.Unlock()
	r.other.mu.Lock()
	r.other.listeners = nil
	r.other.mu.Unlock()
	return r.conductor().Conduct(t.Context())
}

// conductor is a process that has not begun.
func (r *rig) conductor() *Conductor {
	c := &Conductor{Run: RunRow{ID: "r1", Device: "mere-agg-1", Input: []byte(`{}`)}, Input: RunInput{Plan: r.plan}, Policy: r.pol, Clock: r.clock, Device: r.dev,
		Others: map[string]device.Device{"mere-agg-2": r.other}, Prober: r.probe, Images: blanks{}, Store: r.store, Asker: r.asker, Checks: r.calm, Pulse: 200 * time.Microsecond}
	if r.marks != nil {
		c.Prober = r.marks
	}
	if r.partner != nil {
		c.Partners = map[string]device.Device{"weir-1": r.partner}
	}
	return c
}

// TestCrashAtEveryWrite ends the session at the k-th journal write, before it
// and after it, for every k until a run survives; each time a new session must
// reach the same end, and the device must have been asked for each change
// exactly as often as in a run that was never interrupted.
func TestCrashAtEveryWrite(t *testing.T) {
	for _, per := range []bool{true, false} {
		calm := newRig(t, per)
		calm.plan, calm.pol = changeWith(t, per, withHand())
		st, err := calm.session(t)
		if err != nil || st.Verdict != conduct.Accepted {
			t.Fatalf("uninterrupted run: %v, %v, %+v", st.Verdict, err, st.Failure)
		}
		want, wantOther := slices.Clone(calm.dev.acts), slices.Clone(calm.other.acts)
		if n := count(want, "adjust "); n != 4 || len(wantOther) != 4 {
			t.Fatalf("settings were changed %d times on the device and %d times on its neighbour, want before and after each of two hand-overs", n, len(wantOther))
		}
		if len(want) < 10 {
			t.Fatalf("the uninterrupted run acted only %d times: %v", len(want), want)
		}
		crashes := 0
		for k := 1; ; k++ {
			survived := false
			for _, before := range []bool{true, false} {
				r := newRig(t, per)
				r.plan, r.pol = changeWith(t, per, withHand())
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
						t.Fatalf("k=%d before=%v: taken up again: %v", k, before, err)
					}
				}
				if len(st.Prepared) > 0 {
					t.Fatalf("k=%d before=%v: still held: %v", k, before, st.Prepared)
				}
				if st.Verdict != conduct.Accepted {
					t.Fatalf("k=%d before=%v: verdict %s (%+v)", k, before, st.Verdict, st.Failure)
				}
				if !slices.Equal(r.dev.acts, want) {
					t.Fatalf("per-controller=%v k=%d before=%v: acts\n got %v\nwant %v", per, k, before, r.dev.acts, want)
				}
				if !slices.Equal(r.other.acts, wantOther) {
					t.Fatalf("per-controller=%v k=%d before=%v: acts of the neighbour\n got %v\nwant %v", per, k, before, r.other.acts, wantOther)
				}
				r.assertAsFound(t)
			}
			if survived {
				break
			}
		}
		t.Logf("per-controller=%v: %d crashes over %d writes", per, crashes, calm.store.writes)
		if crashes < 2*calm.store.writes-2 || crashes == 0 {
			t.Errorf("crashed %d times over %d writes: not at each of them", crashes, calm.store.writes)
		}
	}
}

// TestCrashAtEveryWriteInTurn ends every session at its first write: the run
// crosses the whole plan one write at a time.
func TestCrashAtEveryWriteInTurn(t *testing.T) {
	for _, before := range []bool{true, false} {
		r := newRig(t, true)
		r.store.dieBefore = before
		for n := 0; ; n++ {
			if n > 1000 {
				t.Fatal("the run never ends")
			}
			// A session that dies before its first write makes no way; let each
			// write be killed once before it and once pass.
			if before {
				r.store.dieAt = 0
				if n%2 == 0 {
					r.store.dieAt = r.store.writes + 1
				} else {
					r.store.dieAt, r.store.dieBefore = r.store.writes+1, false
				}
				if n%2 == 0 {
					r.store.dieBefore = true
				}
			} else {
				r.store.dieAt = r.store.writes + 1
			}
			st, err := r.session(t)
			if err == nil {
				if st.Verdict != conduct.Accepted {
					t.Fatalf("verdict %s: %+v", st.Verdict, st.Failure)
				}
				break
			}
			if !errors.Is(err, errCrash) {
				t.Fatal(err)
			}
		}
		if r.store.died < 30 {
			t.Errorf("only %d crashes", r.store.died)
		}
		assertOnce(t, r.dev.acts)
		assertOnce(t, r.other.acts)
		r.assertAsFound(t)
	}
}

// assertAsFound fails when a setting is not as it was before the run.
func (r *rig) assertAsFound(t *testing.T) {
	t.Helper()
	for _, d := range []*chassis{r.dev, r.other} {
		for _, x := range asFound() {
			if got := d.settings[x.Key()]; got != x.Value {
				t.Errorf("%s: %s is %q at the end, and was %q", d.name, x.Key().Text(), got, x.Value)
			}
		}
	}
}

// assertOnce fails when a change was asked for twice. A switchover to the same
// card happens at most once in two hops.
func assertOnce(t *testing.T, acts []string) {
	t.Helper()
	count := map[string]int{}
	for _, a := range acts {
		count[a]++
	}
	names := make([]string, 0, len(count))
	for a := range count {
		names = append(names, a)
	}
	sort.Strings(names)
	for _, a := range names {
		limit := 1
		if a == "restart LC-1" || a == "restart LC-2" || a == "restart CTL-A" || a == "restart CTL-B" || strings.HasPrefix(a, "adjust ") {
			limit = 2 // once in each of two hops
		}
		if count[a] > limit {
			t.Errorf("%q was asked for %d times", a, count[a])
		}
	}
}

func TestEndings(t *testing.T) {
	refused := &device.Fault{Kind: device.Refused, Op: "hand-over", Text: "secondary is not synchronised"}
	busy := &device.Fault{Kind: device.Busy, Op: "install"}
	for _, c := range []struct {
		name    string
		set     func(*rig)
		want    conduct.Verdict
		reason  string // part of the reason
		release string // that the primary runs in the end
	}{
		{"all goes well", func(*rig) {}, conduct.Accepted, "", "4.4.2"},
		{"a blocker", func(r *rig) { r.calm.blockers = []string{"storage-fits"} }, conduct.Refused, "storage-fits", "4.2.3"},
		{"device busy once", func(r *rig) { r.dev.refuse["install CTL-A 4.3.1"] = busy }, conduct.Accepted, "", "4.4.2"},
		{"wrong image", func(r *rig) {
			r.dev.refuse["install CTL-A 4.3.1"] = &device.Fault{Kind: device.WrongImage, Op: "install"}
		}, conduct.Refused, "wrong image", "4.2.3"},
		{"wrong image in the second hop", func(r *rig) {
			r.dev.refuse["install CTL-B 4.4.2"] = &device.Fault{Kind: device.WrongImage, Op: "install"}
		}, conduct.Paused, "wrong image", "4.3.1"},
		{"hand-over refused", func(r *rig) { r.dev.refuse["hand-over CTL-B"] = refused }, conduct.RolledBack, "not synchronised", "4.2.3"},
		{"hand-over refused in the second hop", func(r *rig) { r.dev.refuse["hand-over CTL-A"] = refused }, conduct.RolledBack, "not synchronised", "4.3.1"},
		{"answer of the hand-over lost", func(r *rig) { r.dev.lose = true }, conduct.Accepted, "", "4.4.2"},
		{"activation falls back", func(r *rig) { r.dev.fallBack = true }, conduct.RolledBack, "restarted and runs", "4.2.3"},
		{"states differ", func(r *rig) { r.calm.stops = []string{"bgp 192.0.2.1 is down"} }, conduct.Paused, "192.0.2.1", "4.2.3"},
		{"line card cannot restart", func(r *rig) { r.dev.refuse["restart LC-2"] = refused }, conduct.Paused, "not synchronised", "4.3.1"},
		{"loss over budget before anything", func(r *rig) { r.probe.worst = time.Second }, conduct.Refused, "budget", "4.2.3"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, true)
			c.set(r)
			st, err := r.session(t)
			if err != nil && !errors.Is(err, ErrPaused) {
				t.Fatal(err)
			}
			if st.Verdict != c.want {
				t.Errorf("verdict %q, want %q (%+v)", st.Verdict, c.want, st.Failure)
			}
			if c.reason != "" && (st.Failure == nil || !contains(st.Failure.Text, c.reason)) {
				t.Errorf("reason %+v, want one with %q", st.Failure, c.reason)
			}
			if got := r.dev.cards[r.dev.primary].release; got != c.release {
				t.Errorf("the primary runs %s, want %s", got, c.release)
			}
			if c.want == conduct.RolledBack {
				for n, k := range r.dev.cards {
					if k.release != c.release {
						t.Errorf("%s was left at %s", n, k.release)
					}
				}
				r.assertAsFound(t)
			}
		})
	}
}

// TestChoices pauses a run and has a person choose in a later process.
func TestChoices(t *testing.T) {
	for _, c := range []struct {
		choice conduct.Choice
		want   conduct.Verdict
	}{{conduct.Continue, conduct.Accepted}, {conduct.GoBack, conduct.RolledBack}, {conduct.HandOver, conduct.Paused}} {
		t.Run(string(c.choice), func(t *testing.T) {
			r := newRig(t, true)
			r.dev.refuse["restart LC-2"] = &device.Fault{Kind: device.Refused, Op: "restart"}
			if _, err := r.session(t); !errors.Is(err, ErrPaused) {
				t.Fatalf("got %v, want the run paused", err)
			}
			// A choice that was left for an earlier pause counts for nothing here.
			if err := r.store.Send(t.Context(), "r1", "choice", []byte(`{"person":"Ada Fenwick","choice":"hand-over","after":3}`)); err != nil {
				t.Fatal(err)
			}
			body := fmt.Sprintf(`{"person":"Ada Fenwick","choice":%q,"after":%d}`, c.choice, len(r.store.keys))
			if err := r.store.Send(t.Context(), "r1", "choice", []byte(body)); err != nil {
				t.Fatal(err)
			}
			st, err := r.session(t)
			if err != nil || st.Verdict != c.want {
				t.Errorf("verdict %q, %v, want %q (%+v)", st.Verdict, err, c.want, st.Failure)
			}
		})
	}
}

func contains(s, part string) bool {
	for i := 0; i+len(part) <= len(s); i++ {
		if s[i:i+len(part)] == part {
			return true
		}
	}
	return false
}
