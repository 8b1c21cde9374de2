package conduct

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/state"
)

// After a restart of the whole device either card may be PRIMARY, and the steps
// that follow go by the roles that the cards came up with.
func TestStepsFollowTheRolesAfterARestart(t *testing.T) {
	hop := func(from, to, method string) release.Hop {
		return release.Hop{From: from, To: to, Method: method, Minutes: release.Spread{Least: 10, Likely: 20, Most: 40},
			Silence: &release.SilenceRange{Least: time.Second, Likely: 2 * time.Second, Most: 3 * time.Second}}
	}
	images := func(v string) []release.Image {
		return []release.Image{{Kind: release.ImageSystem, File: "alder-" + v + ".pkg", Size: 64, SHA256: "00"}}
	}
	p, err := plan.Compose(plan.Inputs{Device: fleet.Device{ID: "mere-agg-1"}, Platform: release.Platform{ID: "alder-9", PerController: true}, Policy: policy.Default(),
		Path:   release.Path{Hops: []release.Hop{hop("4.1.0", "4.2.0", release.Reload), hop("4.2.0", "4.3.0", release.InService)}},
		Layout: plan.Layout{Primary: "CTL-A", Secondary: "CTL-B", LineCards: []string{"LC-1"}},
		Hops:   []plan.HopInput{{Images: images("4.2.0"), Back: release.Reload}, {Images: images("4.3.0"), Back: release.InService}}})
	if err != nil {
		t.Fatal(err)
	}
	for _, up := range []string{"CTL-A", "CTL-B", ""} {
		s := New(p, policy.Default())
		primary := up
		if up == "" {
			primary = "CTL-A" // not told: as composed
		}
		secondary := map[string]string{"CTL-A": "CTL-B", "CTL-B": "CTL-A"}[primary]
		seen := map[plan.Kind]string{}
		restarted := false
		for s.Next().Kind != MoveNone {
			m := s.Next()
			r := ideal(&s, m)
			if m.Step.Kind == plan.ReloadDevice && r.Kind == StepDone {
				r.Data, _ = json.Marshal(Took{Primary: up})
				restarted = true
			}
			if restarted && m.Step.Hop == 1 {
				for _, b := range m.Step.Before {
					if b.Fact == plan.FactRole && m.Step.Kind == plan.TransferPackage && b.Component != primary && b.Value == state.Primary {
						t.Errorf("up as %q: %q needs %s", up, m.Step.Title, b.Text())
					}
				}
				if _, before := seen[m.Step.Kind]; !before && m.Step.Component != "" {
					seen[m.Step.Kind] = m.Step.Component
					if m.Step.Kind == plan.LoadSecondary && !strings.Contains(m.Step.Title, secondary) {
						t.Errorf("up as %q: the title %q is of another card", up, m.Step.Title)
					}
				}
			}
			if err := s.Apply(r); err != nil {
				t.Fatal(err)
			}
		}
		if s.Verdict != Accepted || seen[plan.LoadSecondary] != secondary || seen[plan.SwitchOver] != secondary || seen[plan.LoadLineCard] != "LC-1" {
			t.Errorf("up as %q: %s; loads %s, hands over to %s, then %s, want %s both times and LC-1", up, s.Verdict, seen[plan.LoadSecondary], seen[plan.SwitchOver], seen[plan.LoadLineCard], secondary)
		}
	}
	// The plan itself is as it was consented to.
	if i := len(p.Steps); p.Steps[i-1].Kind != plan.AcceptHop || p.Steps[0].Kind != plan.CaptureBefore {
		t.Error("the plan was changed")
	}
	for _, s := range p.Steps {
		if s.Kind == plan.SwitchOver && s.Component != "CTL-B" {
			t.Errorf("the plan's own step hands over to %s", s.Component)
		}
	}
}
