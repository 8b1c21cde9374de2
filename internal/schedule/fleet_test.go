package schedule

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/unit"
)

// madeFleet is a fleet of about n devices: sites of two aggregation devices as a
// redundancy pair with access devices on both, sites in groups of eight on two
// of the core devices, every access device sending to a core device. Capacities
// are such that a pair bears one member's absence with a failure on top.
func madeFleet(n int) (*fleet.Fleet, []Task) {
	f := &fleet.Fleet{Operator: "Ostermoor Water and Light"}
	var tasks []Task
	add := func(id, site, role string, minutes int64, critical float64) fleet.DeviceID {
		d := fleet.Device{ID: fleet.DeviceID(id), Platform: "alder-9", Site: site, Role: role}
		f.Devices = append(f.Devices, d)
		tasks = append(tasks, Task{Device: d.ID, Minutes: minutes, Criticality: critical, Exposure: 1 + float64(len(tasks)%3)})
		return d.ID
	}
	link := func(a, b fleet.DeviceID, c float64) {
		id := fmt.Sprintf("l%d", len(f.Links))
		f.Links = append(f.Links, fleet.Link{ID: id, A: fleet.Endpoint{Device: a, Interface: id}, B: fleet.Endpoint{Device: b, Interface: id}, Capacity: unit.BitRate(c)})
	}
	const perSite = 25
	sites := max(1, n/perSite)
	cores := 2 * ((sites + 7) / 8)
	var core []fleet.DeviceID
	for k := range cores {
		core = append(core, add(fmt.Sprintf("core-%d", k), fmt.Sprintf("hub-%d", k/2), "core", 90, 9))
	}
	for k := 0; k < cores; k += 2 {
		f.Groups = append(f.Groups, fleet.RedundancyGroup{Name: fmt.Sprintf("hub-%d", k/2), Members: core[k : k+2], AtLeast: 1})
		link(core[k], core[k+1], 400e9)
		if cores > 2 {
			link(core[k], core[(k+2)%cores], 400e9)
			link(core[k+1], core[(k+3)%cores], 400e9)
		}
	}
	for s := range sites {
		site := fmt.Sprintf("site-%d", s)
		hub := s / 8 * 2
		a := add(fmt.Sprintf("agg-%d-1", s), site, "aggregation", 60, 5)
		b := add(fmt.Sprintf("agg-%d-2", s), site, "aggregation", 60, 5)
		f.Groups = append(f.Groups, fleet.RedundancyGroup{Name: "pair-" + site, Members: []fleet.DeviceID{a, b}, AtLeast: 1})
		for _, x := range []fleet.DeviceID{a, b} {
			link(x, core[hub], 100e9)
			link(x, core[hub+1], 100e9)
		}
		link(a, b, 100e9)
		var ring []fleet.DeviceID
		for k := 0; len(f.Devices) < n && k < perSite-2 || k < 2; k++ {
			c := add(fmt.Sprintf("acc-%d-%d", s, k), site, "access", 30+int64(k%3)*15, 1+float64(k%4))
			link(c, a, 10e9)
			link(c, b, 10e9)
			ring = append(ring, c)
			f.Demands = append(f.Demands, fleet.Demand{From: c, To: core[hub+k%2], Rate: unit.BitRate(2e9)})
		}
		f.Groups = append(f.Groups, fleet.RedundancyGroup{Name: "access-" + site, Members: ring, AtLeast: len(ring) - max(1, len(ring)/4)})
	}
	return f, tasks
}

func madeSlots(n int) []Slot {
	var out []Slot
	for k := range n {
		at := time.Date(2031, 3, 3+2*k, 22, 0, 0, 0, time.UTC)
		out = append(out, Slot{UID: fmt.Sprint(k), Summary: "night", Start: at, End: at.Add(6 * time.Hour)})
	}
	return out
}

func madeRules(t testing.TB, f *fleet.Fleet, people int) (Rules, *Load, *Load) {
	t.Helper()
	net, err := network.FromFleet(f, network.FleetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	base := net.Intact()
	fast, _, err := NewLoad(base, LoadOptions{How: network.NoTransit})
	if err != nil {
		t.Fatal(err)
	}
	failures := map[string]network.Change{}
	for _, l := range net.Links() {
		failures["link "+l] = network.Change{Links: []string{l}}
	}
	full, weak, err := NewLoad(base, LoadOptions{How: network.NoTransit, Failures: failures, MayIsolate: true})
	if err != nil || len(weak) > 0 {
		t.Fatal(err, weak)
	}
	return Rules{NeighboursApart: true, People: people, PerSite: 6, CanaryCount: 1, Growth: []float64{0.1}, Soak: 72 * time.Hour,
		Carries: fast, Verify: full}, fast, full
}

// campaignChecked solves and holds the answer against the slow checker, the rules
// as the fleet states them, and the network computed from scratch.
func campaignChecked(t testing.TB, n, people, slots int, lim Limits) Waves {
	t.Helper()
	f, tasks := madeFleet(n)
	rules, fast, full := madeRules(t, f, people)
	t0 := time.Now()
	w, err := Campaign(context.Background(), f, tasks, madeSlots(slots), rules, lim)
	if err != nil {
		t.Fatal(err)
	}
	s := w.Schedule
	t.Logf("%d devices, %d links, %d demands: %d windows, at least %d (%s), gap %.1f %%, %d sets computed, %d failures on top, %d cuts, %v",
		len(f.Devices), len(f.Links), len(f.Demands), s.Used, s.LowerBound, s.Bound, 100*float64(s.Used-s.LowerBound)/float64(s.LowerBound),
		fast.Asked+full.Asked, full.Failed, w.Cuts, time.Since(t0).Round(10*time.Millisecond))
	p := w.Problem
	p.Together = nil // asked from scratch below
	if broken := check(&p, s.Window); len(broken) > 0 {
		t.Fatal(broken)
	}
	site, at := map[fleet.DeviceID]string{}, map[fleet.DeviceID]int{}
	for _, d := range f.Devices {
		site[d.ID] = d.Site
	}
	net, err := network.FromFleet(f, network.FleetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	base := net.Intact()
	seen := 0
	for k, night := range w.Nights {
		minutes, perSite := int64(0), map[string]int{}
		c := network.Change{}
		for _, d := range night.Devices {
			at[d] = k
			seen++
			perSite[site[d]]++
			c.Drains = append(c.Drains, network.Drain{Node: string(d), How: network.NoTransit})
		}
		minutes = night.Minutes
		if minutes > int64(people)*360 {
			t.Fatalf("night %d: %d minutes for %d people", k, minutes, people)
		}
		for s, c := range perSite {
			if c > 6 {
				t.Fatalf("night %d: %d devices at %s", k, c, s)
			}
		}
		st, err := base.With(c)
		if err != nil {
			t.Fatal(err)
		}
		if n <= 200 {
			st = st.FromScratch()
		}
		if r := st.Result(); r.MaxUtilisation > 1+1e-9 || r.UnroutableDemands > 0 {
			t.Fatalf("night %d: %+v", k, r)
		}
	}
	if seen != len(tasks) {
		t.Fatalf("%d of %d devices are in a night", seen, len(tasks))
	}
	for _, l := range f.Links {
		if at[l.A.Device] == at[l.B.Device] {
			t.Fatalf("neighbours %s and %s in one night", l.A.Device, l.B.Device)
		}
	}
	for _, g := range f.Groups {
		down := map[int]int{}
		for _, m := range g.Members {
			if down[at[m]]++; down[at[m]] > len(g.Members)-g.AtLeast {
				t.Fatalf("group %s keeps fewer than %d", g.Name, g.AtLeast)
			}
		}
	}
	return w
}

// quickly bounds the search so that the tests stay short.
var quickly = Limits{Moves: 100_000, Nodes: 200_000}

func TestCampaignOfAFleet(t *testing.T) {
	w := campaignChecked(t, 100, 4, 40, quickly)
	if len(w.Nights[0].Devices) != 1 {
		t.Errorf("the canary is not alone: %v", w.Nights[0])
	}
	if gap := w.Nights[1].Start.Sub(w.Nights[0].End); gap < 72*time.Hour {
		t.Errorf("the canary soaks for %v", gap)
	}
}

// Figures for a page, not for every run.
func TestCampaignsOfLargeFleets(t *testing.T) {
	long(t)
	for _, c := range []struct{ n, people, slots int }{{100, 4, 60}, {1000, 10, 90}, {10000, 40, 200}} {
		if only := os.Getenv("TOWPATH_FLEET"); only != "" && only != fmt.Sprint(c.n) {
			continue
		}
		campaignChecked(t, c.n, c.people, c.slots, Limits{})
	}
}

func smallFleet() (*fleet.Fleet, []Task) {
	f := &fleet.Fleet{Devices: []fleet.Device{
		{ID: "mere-agg-1", Site: "mere", Role: "aggregation", Platform: "alder-9"},
		{ID: "mere-agg-2", Site: "mere", Role: "aggregation", Platform: "alder-9"},
		{ID: "fen-1", Site: "fen", Role: "access", Platform: "birch-2"},
		{ID: "fen-2", Site: "fen", Role: "access", Platform: "birch-2"},
	}, Groups: []fleet.RedundancyGroup{{Name: "mere-agg", Members: []fleet.DeviceID{"mere-agg-1", "mere-agg-2"}, AtLeast: 1}},
		Links: []fleet.Link{{ID: "a", A: fleet.Endpoint{Device: "mere-agg-1"}, B: fleet.Endpoint{Device: "fen-1"}, SharedRisk: []string{"duct"}},
			{ID: "b", A: fleet.Endpoint{Device: "mere-agg-2"}, B: fleet.Endpoint{Device: "fen-2"}, SharedRisk: []string{"duct"}}}}
	var tasks []Task
	for _, d := range f.Devices {
		tasks = append(tasks, Task{Device: d.ID, Minutes: 60})
	}
	return f, tasks
}

func TestRulesOfACampaign(t *testing.T) {
	slots := madeSlots(6)
	run := func(change func(*fleet.Fleet, []Task, *Rules)) (map[fleet.DeviceID]int, Waves, error) {
		f, tasks := smallFleet()
		rules := Rules{}
		change(f, tasks, &rules)
		w, err := Campaign(context.Background(), f, tasks, slots, rules, Limits{})
		at := map[fleet.DeviceID]int{}
		for _, n := range w.Nights {
			for _, d := range n.Devices {
				at[d] = n.Window
			}
		}
		return at, w, err
	}
	for name, c := range map[string]struct {
		change func(*fleet.Fleet, []Task, *Rules)
		ok     func(at map[fleet.DeviceID]int, w Waves) bool
		used   int
	}{
		"the pair alone": {func(*fleet.Fleet, []Task, *Rules) {}, func(at map[fleet.DeviceID]int, _ Waves) bool {
			return at["mere-agg-1"] != at["mere-agg-2"]
		}, 2},
		"neighbours": {func(_ *fleet.Fleet, _ []Task, r *Rules) { r.NeighboursApart = true }, func(at map[fleet.DeviceID]int, _ Waves) bool {
			return at["mere-agg-1"] != at["fen-1"] && at["mere-agg-2"] != at["fen-2"]
		}, 2},
		"shared risk": {func(_ *fleet.Fleet, _ []Task, r *Rules) { r.RiskApart = true }, func(map[fleet.DeviceID]int, Waves) bool { return true }, 4},
		"one per site": {func(_ *fleet.Fleet, _ []Task, r *Rules) { r.PerSite = 1; r.Sites = map[string]int{"mere": 2} }, func(at map[fleet.DeviceID]int, _ Waves) bool {
			return at["fen-1"] != at["fen-2"]
		}, 2},
		"an engineer with long tasks": {func(_ *fleet.Fleet, ts []Task, r *Rules) {
			r.Engineers = []Engineer{{Name: "Ada"}}
			for k := range ts {
				ts[k].Minutes, ts[k].Engineer = 200, "Ada"
			}
		}, func(map[fleet.DeviceID]int, Waves) bool { return true }, 4},
		"canary, then the rest": {func(_ *fleet.Fleet, _ []Task, r *Rules) {
			r.Canaries = []fleet.DeviceID{"fen-2"}
			r.Soak = 72 * time.Hour
		}, func(at map[fleet.DeviceID]int, w Waves) bool {
			return at["fen-2"] == 0 && at["fen-1"] >= 2 && at["mere-agg-1"] >= 2
		}, 3},
		"growth": {func(_ *fleet.Fleet, _ []Task, r *Rules) { r.CanaryCount = 1; r.Growth = []float64{0.5} }, func(_ map[fleet.DeviceID]int, w Waves) bool {
			return len(w.Nights[0].Devices) == 1 && len(w.Nights[1].Devices) == 1
		}, 4},
		"roles": {func(_ *fleet.Fleet, _ []Task, r *Rules) { r.RoleOrder = []string{"access", "aggregation"} }, func(at map[fleet.DeviceID]int, _ Waves) bool {
			return max(at["fen-1"], at["fen-2"]) < min(at["mere-agg-1"], at["mere-agg-2"])
		}, 3},
		"roles of which one is missing in between": {func(_ *fleet.Fleet, _ []Task, r *Rules) {
			r.RoleOrder = []string{"access", "distribution", "aggregation"}
		}, func(at map[fleet.DeviceID]int, _ Waves) bool {
			return max(at["fen-1"], at["fen-2"]) < min(at["mere-agg-1"], at["mere-agg-2"])
		}, 3},
		"roles with a canary in between": {func(f *fleet.Fleet, _ []Task, r *Rules) {
			f.Devices[1].Role = "distribution"
			r.RoleOrder, r.Canaries = []string{"access", "distribution", "aggregation"}, []fleet.DeviceID{"mere-agg-2"}
		}, func(at map[fleet.DeviceID]int, _ Waves) bool {
			return at["mere-agg-2"] == 0 && max(at["fen-1"], at["fen-2"]) < at["mere-agg-1"]
		}, 3},
		"pin, ban, deadline": {func(_ *fleet.Fleet, ts []Task, _ *Rules) {
			ts[0].Pin = "2031-03-09 22:00 UTC"
			ts[1].Ban = []string{"2031-03-03 22:00 UTC", "2031-03-05 22:00 UTC"}
			ts[2].Deadline = time.Date(2031, 3, 4, 12, 0, 0, 0, time.UTC)
		}, func(at map[fleet.DeviceID]int, _ Waves) bool {
			return at["mere-agg-1"] == 3 && at["mere-agg-2"] >= 2 && at["fen-1"] == 0
		}, 3},
		"the riskiest first": {func(_ *fleet.Fleet, ts []Task, _ *Rules) { ts[1].Exposure, ts[1].Criticality = 5, 5 }, func(at map[fleet.DeviceID]int, w Waves) bool {
			return at["mere-agg-2"] == 0 && at["mere-agg-1"] == 1 && w.Schedule.OrderProven
		}, 2},
		"a last check that refuses": {func(_ *fleet.Fleet, _ []Task, r *Rules) { r.Verify = refuse{"fen-1", "fen-2"} }, func(at map[fleet.DeviceID]int, w Waves) bool {
			return at["fen-1"] != at["fen-2"] && w.Cuts >= 1
		}, 2},
	} {
		at, w, err := run(c.change)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if broken := check(&w.Problem, w.Schedule.Window); len(broken) > 0 || !c.ok(at, w) || w.Schedule.Used != c.used || !w.Schedule.Proven {
			t.Errorf("%s: %v in %d windows, should be %d; %v", name, at, w.Schedule.Used, c.used, broken)
		}
	}
	// Sites with windows of their own, two of which overlap.
	slots = []Slot{slots[0], slots[1], slots[2]}
	slots[0].Site, slots[1].Site, slots[2].Site = "mere", "fen", "mere"
	slots[1].Start, slots[1].End = slots[0].Start.Add(time.Hour), slots[0].End.Add(time.Hour)
	at, w, err := run(func(*fleet.Fleet, []Task, *Rules) {})
	if err != nil || len(w.Problem.Windows) != 2 || at["fen-1"] != 0 || at["fen-2"] != 0 || at["mere-agg-1"] == at["mere-agg-2"] {
		t.Errorf("sites: %v %v", at, err)
	}
	_, w, err = run(func(_ *fleet.Fleet, _ []Task, r *Rules) { r.PerSite = 1 })
	if !errors.Is(err, ErrInfeasible) {
		t.Fatalf("got %v", err)
	}
	e, err := Explain(context.Background(), &w.Problem, Limits{})
	if err != nil || len(e.Rules) != 2 || !strings.Contains(e.String(), "at most 1 device of site fen") || !strings.Contains(e.String(), "fit into 1 of 2 windows") {
		t.Errorf("%v %v", e, err)
	}
	for name, change := range map[string]func(*fleet.Fleet, []Task, *Rules){
		`device "x"`:         func(_ *fleet.Fleet, ts []Task, _ *Rules) { ts[0].Device = "x" },
		"two tasks":          func(_ *fleet.Fleet, ts []Task, _ *Rules) { ts[0].Device = "fen-1" },
		`engineer "Bo"`:      func(_ *fleet.Fleet, ts []Task, _ *Rules) { ts[0].Engineer = "Bo" },
		"is no window":       func(_ *fleet.Fleet, ts []Task, _ *Rules) { ts[0].Pin = "some day" },
		`canary "y"`:         func(_ *fleet.Fleet, _ []Task, r *Rules) { r.Canaries = []fleet.DeviceID{"y"} },
		"growth is [2]":      func(_ *fleet.Fleet, _ []Task, r *Rules) { r.Growth = []float64{2} },
		"banned from \"no\"": func(_ *fleet.Fleet, ts []Task, _ *Rules) { ts[0].Ban = []string{"no"} },
	} {
		if _, _, err := run(change); !errors.Is(err, ErrInvalid) || !strings.Contains(err.Error(), name) {
			t.Errorf("got %v, want %q in it", err, name)
		}
	}
}

// refuse is a carrier that refuses every set with both devices.
type refuse [2]fleet.DeviceID

func (r refuse) Carries(_ context.Context, out []fleet.DeviceID) (bool, string) {
	n := 0
	for _, d := range out {
		if d == r[0] || d == r[1] {
			n++
		}
	}
	return n < 2, "both are needed"
}

func TestReplanAgainstBruteForce(t *testing.T) {
	moved, refused := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		windows := rapid.IntRange(2, 4).Draw(t, "W")
		n := rapid.IntRange(2, 5).Draw(t, "n")
		p := drawProblem(t, n, windows)
		past := Past{From: rapid.IntRange(0, 1).Draw(t, "from")}
		for range n {
			past.Window = append(past.Window, rapid.IntRange(-1, windows-1).Draw(t, "old"))
		}
		for i, w := range past.Window {
			if w >= 0 && w < past.From {
				past.Done = append(past.Done, i)
			}
		}
		if rapid.Bool().Draw(t, "promise") {
			past.Promised = []int{windows - 1}
		}
		// All assignments that keep the rules of the checker; done items are free of
		// permits.
		free := *p
		free.Permits = nil
		isDone := func(i int) bool { return past.Window[i] >= 0 && past.Window[i] < past.From }
		for _, q := range p.Permits {
			var items []int
			for _, i := range q.Items {
				if !isDone(i) {
					items = append(items, i)
				}
			}
			q.Items = items
			free.Permits = append(free.Permits, q)
		}
		least := -1
		win := make([]int, n)
		for {
			ok := true
			moves := 0
			for i, w := range win {
				if w != past.Window[i] {
					moves++
					ok = ok && w >= past.From && !isDone(i) && (len(past.Promised) == 0 || w != windows-1)
				}
			}
			if ok && len(check(&free, win)) == 0 && (least < 0 || moves < least) {
				least = moves
			}
			k := 0
			for ; k < n; k++ {
				if win[k]++; win[k] < windows {
					break
				}
				win[k] = 0
			}
			if k == n {
				break
			}
		}
		got, err := Replan(context.Background(), p, past, Limits{})
		if least < 0 {
			if err == nil {
				// Only where the done items broke a rule among themselves, which is past.
				var were []int
				for _, i := range past.Done {
					were = append(were, past.Window[i])
				}
				if len(past.Done) == 0 || len(check(free.restrict(p.Rules(), past.Done), were)) == 0 {
					t.Fatalf("got %+v; there is no revision", got)
				}
				return
			}
			refused++
			if !errors.Is(err, ErrInfeasible) {
				t.Fatalf("got %+v, %v; there is no revision", got, err)
			}
			return
		}
		if err != nil || len(got.Moves) != least || !got.Proven {
			t.Fatalf("got %+v, %v; %d moves are enough", got, err, least)
		}
		if broken := check(&free, got.Window); len(broken) > 0 {
			t.Fatal(broken)
		}
		if least > 0 {
			moved++
		}
	})
	if moved < 5 || refused < 1 {
		t.Fatalf("%d moved, %d refused", moved, refused)
	}
}

func TestReplanAfterABadNight(t *testing.T) {
	f, tasks := madeFleet(100)
	rules, _, _ := madeRules(t, f, 4)
	rules.Verify = nil
	w, err := Campaign(context.Background(), f, tasks, madeSlots(40), rules, quickly)
	if err != nil {
		t.Fatal(err)
	}
	// The third night ended with half of its devices not done.
	night := w.Nights[2]
	past := Past{Window: w.Schedule.Window, From: night.Window + 1}
	failed := 0
	for i, at := range w.Schedule.Window {
		if at <= night.Window {
			if at == night.Window && i%2 == 0 {
				failed++
				continue
			}
			past.Done = append(past.Done, i)
		}
	}
	if failed == 0 {
		t.Fatal("nothing failed")
	}
	r, err := Replan(context.Background(), &w.Problem, past, quickly)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d devices failed, %d moved, at least %d", failed, len(r.Moves), r.LeastMoves)
	if broken := check(&w.Problem, r.Window); len(broken) > 0 {
		t.Fatal(broken)
	}
	if len(r.Moves) < failed || len(r.Moves) > 2*failed {
		t.Errorf("%d moves for %d failed devices", len(r.Moves), failed)
	}
	for _, i := range past.Done {
		if r.Window[i] != w.Schedule.Window[i] {
			t.Errorf("done item %d moved", i)
		}
	}
}

func BenchmarkCampaign(b *testing.B) {
	for _, c := range []struct{ n, people, slots int }{{100, 4, 60}, {1000, 10, 90}, {10000, 40, 200}} {
		b.Run(fmt.Sprint(c.n), func(b *testing.B) {
			f, tasks := madeFleet(c.n)
			slots := madeSlots(c.slots)
			for b.Loop() {
				rules, _, _ := madeRules(b, f, c.people)
				w, err := Campaign(context.Background(), f, tasks, slots, rules, Limits{})
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(float64(w.Schedule.Used), "windows")
				b.ReportMetric(float64(w.Schedule.LowerBound), "windows-at-least")
			}
		})
	}
}
