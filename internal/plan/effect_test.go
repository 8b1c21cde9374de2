package plan

import (
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/policy"
	"towpath/internal/release"

	"pgregory.net/rapid"
)

// TestConsentCoversWhatFollows: of whatever plan, and of whatever way back, each
// hold point names every step up to the next one that can touch traffic, and no
// other. The twin goes by the kinds of the steps alone.
func TestConsentCoversWhatFollows(t *testing.T) {
	covered := 0
	rapid.Check(t, func(t *rapid.T) {
		in := shape(t)
		in.Policy.HoldPoints = nil
		for _, p := range []string{"staging", "upgrade-run", "acceptance"} {
			if rapid.Bool().Draw(t, "asked before "+p) {
				in.Policy.HoldPoints = append(in.Policy.HoldPoints, policy.HoldPoint{Before: p})
			}
		}
		p, err := Compose(in)
		if err != nil {
			t.Fatal(err)
		}
		lists := [][]Step{p.Steps}
		hop := rapid.IntRange(0, len(p.Hops)-1).Draw(t, "turned back in hop")
		now := in.Layout
		now.Releases = map[string]string{}
		for _, c := range append([]string{now.Primary, now.Secondary}, now.LineCards...) {
			now.Releases[c] = p.Hops[hop].To
		}
		var held []Held
		for _, e := range gather(p.Hops[hop].Prepare, true) {
			for _, s := range e.Settings {
				held = append(held, Held{On: e.On, ByHand: true, Wanted: s})
			}
		}
		back, err := WayBack(p, hop, now, in.Policy, held)
		if err != nil {
			t.Fatal(err)
		}
		for _, list := range append(lists, back) {
			for i, s := range list {
				if s.Hold == nil {
					continue
				}
				var want []string
				for _, x := range list[i+1:] {
					if x.Hold != nil {
						break
					}
					if touchesTraffic(p, x) {
						want = append(want, x.ID)
					}
				}
				var got []string
				for _, e := range s.Hold.Ahead {
					got = append(got, e.Step)
					if e.N < 1 || e.N > len(list) || list[e.N-1].ID != e.Step || list[e.N-1].Title != e.Title || e.Loss.Of == "" || e.Loss.Basis == "" {
						t.Fatalf("%s covers %+v, which is no step of the list or has no reason", s.ID, e)
					}
				}
				if !slices.Equal(got, want) {
					t.Fatalf("%s covers %v, want %v", s.ID, got, want)
				}
				covered += len(got)
			}
		}
	})
	if covered == 0 {
		t.Error("no consent covered anything")
	}
}

func touchesTraffic(p *Plan, s Step) bool {
	moved := slices.ContainsFunc(p.Hops[s.Hop].Prepare, func(x Preparation) bool { return strings.HasPrefix(x.Kind, "drain") || x.Kind == "move-role" })
	switch s.Kind {
	case SwitchOver, ReloadDevice, LoadLineCard, LoadFirmware:
		return true
	case Prepare, Restore:
		return moved
	default:
		return false
	}
}

// The demonstration's change: the second hop raises the firmware of one line
// card after the consent to hand over, so the consent must say so.
func TestConsentToHandOverNamesTheFirmware(t *testing.T) {
	for _, firmware := range []bool{true, false} {
		in := inputs([]string{release.InService, release.InService}, true, true, 2)
		in.Policy.HoldPoints = []policy.HoldPoint{{Before: "upgrade-run"}}
		ms := time.Millisecond
		in.Platform.Durations.LineCardLoss = &release.SilenceRange{Least: 10 * ms, Likely: 30 * ms, Most: 60 * ms}
		for i := range in.Path.Hops {
			in.Path.Hops[i].Loss = &release.SilenceRange{Least: 50 * ms, Likely: 85 * ms, Most: 130 * ms}
			if !firmware {
				in.Path.Hops[i].Firmware = nil
			}
		}
		p, err := Compose(in)
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(p.Steps, func(s Step) bool { return s.Hold != nil && s.Hop == 1 })
		if i < 0 {
			t.Fatal("the second hop has no hold point")
		}
		hold := p.Steps[i].Hold
		var texts []string
		for _, e := range hold.Ahead {
			texts = append(texts, e.Text())
		}
		got := strings.Join(texts, "\n")
		want := []string{"Hand the PRIMARY role from CTL-B to CTL-A: traffic lost: about 85ms (50ms to 130ms) of what passes mere-agg-1 and has no other way, by the catalogue",
			"Restart line card LC-1 into 4.3.0: traffic lost: about 30ms (10ms to 60ms) of what passes LC-1", "Restart line card LC-2 into 4.3.0"}
		if firmware {
			want = append([]string{"Restart LC-1 into firmware 1.9 (has 1.7): traffic lost: about 30ms (10ms to 60ms) of what passes LC-1"}, want...)
		}
		if len(texts) != len(want) {
			t.Errorf("firmware %v: %d steps covered, want %d:\n%s", firmware, len(texts), len(want), got)
		}
		for k, w := range want {
			if k < len(texts) && !strings.Contains(texts[k], w) {
				t.Errorf("firmware %v: covers %q, want %q in it", firmware, texts[k], w)
			}
		}
		if says := strings.Contains(hold.Ask, "restart LC-1 into firmware 1.9, then hand over"); says != firmware {
			t.Errorf("firmware %v: asked %q", firmware, hold.Ask)
		}
	}
}

// What is not known is said to be, with how long it can be at worst where that is.
func TestLossInWords(t *testing.T) {
	in := inputs([]string{release.InService, release.Reload}, true, true, 1)
	p, err := Compose(in)
	if err != nil {
		t.Fatal(err)
	}
	want := map[Kind]string{
		SwitchOver:   "no figure (the catalogue gives no loss of this hand-over)",
		LoadLineCard: "no figure (the catalogue gives no loss of a line card's restart); at worst 12m of what passes LC-1 and has no other way",
		ReloadDevice: "about 20m (10m to 40m) of what passes mere-agg-1 and has no other way, as long as the restart takes",
	}
	seen := 0
	for _, s := range p.Steps {
		if w, ok := want[s.Kind]; ok {
			seen++
			if s.Loss == nil || s.Loss.Text() != w {
				t.Errorf("%s: %+v, want %q", s.ID, s.Loss, w)
			}
		} else if s.Loss != nil {
			t.Errorf("%s is foretold to cost traffic %s", s.ID, s.Loss.Text())
		}
	}
	if seen != 3 {
		t.Errorf("%d of the 3 steps are there", seen)
	}
	for component, w := range map[string]string{
		"LC-1":  "about 12m (8m24s to 18m) of what passes LC-1 and has no other way, as long as the restart takes: the catalogue says that it interrupts traffic",
		"FAB-1": "none of what passes FAB-1 and has no other way, so says the catalogue",
	} {
		in := inputs([]string{release.InService, release.InService}, true, true, 1)
		in.Path.Hops[1].Firmware[0].Component, in.Path.Hops[1].Firmware[0].Outage = component, component == "LC-1"
		p, err := Compose(in)
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(p.Steps, func(s Step) bool { return s.Kind == LoadFirmware })
		if i < 0 || p.Steps[i].Loss == nil || p.Steps[i].Loss.Text() != w {
			t.Errorf("firmware of %s: %+v, want %q", component, p.Steps[i].Loss, w)
		}
	}
	for l, w := range map[Loss]string{
		{Known: true, Of: "what passes PSU-1", Basis: "so says the catalogue"}:                                                              "none of what passes PSU-1, so says the catalogue",
		{Known: true, Least: time.Hour, Likely: time.Hour, Most: time.Hour, Of: "all", Basis: "by rote"}:                                    "about 1h of all, by rote",
		{Known: true, Least: 1500 * time.Microsecond, Likely: 2440 * time.Millisecond, Most: 65 * time.Second, Of: "all", Basis: "by rote"}: "about 2.4s (2ms to 1m5s) of all, by rote",
	} {
		if got := l.Text(); got != w {
			t.Errorf("%q, want %q", got, w)
		}
	}
}
