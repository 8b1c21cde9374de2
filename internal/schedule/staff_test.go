package schedule

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"towpath/internal/fleet"
	"towpath/internal/network"
)

// brokenStaff is a slow checker of who works when: it reads the tasks, the slots
// and the rules alone.
func brokenStaff(f *fleet.Fleet, tasks []Task, rules Rules, w Waves) []string {
	var out []string
	say := func(format string, a ...any) { out = append(out, fmt.Sprintf(format, a...)) }
	site := map[fleet.DeviceID]string{}
	for _, d := range f.Devices {
		site[d.ID] = d.Site
	}
	count := map[int]int{}
	for _, n := range w.Nights {
		for _, p := range n.Tasks {
			count[p.Task]++
			t := tasks[p.Task]
			if p.End.Sub(p.Start) != time.Duration(t.Minutes)*time.Minute {
				say("%s has %v, needs %d minutes", t.Device, p.End.Sub(p.Start), t.Minutes)
			}
			if !slices.ContainsFunc(n.Slots, func(s Slot) bool {
				return (s.Site == "" || s.Site == site[t.Device]) && !p.Start.Before(s.Start) && !p.End.After(s.End)
			}) {
				say("%s is worked on outside of the windows of %q", t.Device, site[t.Device])
			}
			if !rules.Staffed {
				continue
			}
			var who *Engineer
			for k := range rules.Engineers {
				if rules.Engineers[k].Name == p.Engineer {
					who = &rules.Engineers[k]
				}
			}
			switch {
			case who == nil:
				say("%s is done by %q", t.Device, p.Engineer)
				continue
			case t.Engineer != "" && t.Engineer != p.Engineer:
				say("%s is done by %s, not by %s", t.Device, p.Engineer, t.Engineer)
			case len(who.Sites) > 0 && !slices.Contains(who.Sites, site[t.Device]):
				say("%s works at %s", who.Name, site[t.Device])
			}
			// Minute by minute: there, and no more at once than may be.
			for at := p.Start; at.Before(p.End); at = at.Add(time.Minute) {
				there := who.Shifts == nil || slices.ContainsFunc(who.Shifts, func(s Slot) bool { return !at.Before(s.Start) && at.Before(s.End) })
				at2 := 0
				for _, q := range n.Tasks {
					if q.Engineer == p.Engineer && !at.Before(q.Start) && at.Before(q.End) {
						at2++
					}
				}
				if !there || at2 > max(1, who.Parallel) {
					say("%s at %s: there %v, %d at once", who.Name, at.Format("15:04"), there, at2)
					break
				}
			}
		}
		if rules.People > 0 && !rules.Staffed {
			for _, p := range n.Tasks {
				k := 0
				for _, q := range n.Tasks {
					if !p.Start.Before(q.Start) && p.Start.Before(q.End) {
						k++
					}
				}
				if k > rules.People {
					say("%d at once at %s", k, p.Start.Format("15:04"))
				}
			}
		}
	}
	for i := range tasks {
		if count[i] != 1 {
			say("%s is in %d places", tasks[i].Device, count[i])
		}
	}
	return out
}

// staffTwin is the fewest windows by trying everything: each task at each window,
// in each order, with each engineer's hands. -1 is none.
func staffTwin(f *fleet.Fleet, tasks []Task, slots []Slot, rules Rules) int {
	n := len(tasks)
	win := make([]int, n)
	best := -1
	site := map[fleet.DeviceID]string{}
	for _, d := range f.Devices {
		site[d.ID] = d.Site
	}
	fitsIn := func(w int) bool {
		var items []int
		for i, v := range win {
			if v == w {
				items = append(items, i)
			}
		}
		type hand struct {
			e    *Engineer
			free time.Time
		}
		var hands []hand
		for k := range rules.Engineers {
			for range max(1, rules.Engineers[k].Parallel) {
				hands = append(hands, hand{&rules.Engineers[k], slots[w].Start})
			}
		}
		var try func(left []int) bool
		try = func(left []int) bool {
			if len(left) == 0 {
				return true
			}
			for k, i := range left {
				rest := slices.Delete(slices.Clone(left), k, k+1)
				for h := range hands {
					e := hands[h].e
					if tasks[i].Engineer != "" && tasks[i].Engineer != e.Name || len(e.Sites) > 0 && !slices.Contains(e.Sites, site[tasks[i].Device]) {
						continue
					}
					// The earliest minute from which the hand is there without a break.
					for at := hands[h].free; !at.Add(time.Duration(tasks[i].Minutes) * time.Minute).After(slots[w].End); at = at.Add(10 * time.Minute) {
						end := at.Add(time.Duration(tasks[i].Minutes) * time.Minute)
						whole := e.Shifts == nil || slices.ContainsFunc(e.Shifts, func(s Slot) bool { return !at.Before(s.Start) && !end.After(s.End) })
						if !whole {
							continue
						}
						was := hands[h].free
						hands[h].free = end
						if try(rest) {
							return true
						}
						hands[h].free = was
						break // a later start of the same task helps nobody
					}
				}
			}
			return false
		}
		return try(items)
	}
	for {
		used := map[int]bool{}
		for _, w := range win {
			used[w] = true
		}
		if best < 0 || len(used) < best {
			ok := true
			for w := range used {
				ok = ok && fitsIn(w)
			}
			if ok {
				best = len(used)
			}
		}
		k := 0
		for ; k < n; k++ {
			if win[k]++; win[k] < len(slots) {
				break
			}
			win[k] = 0
		}
		if k == n {
			return best
		}
	}
}

func TestStaffAgainstBruteForce(t *testing.T) {
	proven, refused := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		f := &fleet.Fleet{}
		var tasks []Task
		rules := Rules{Staffed: true}
		base := time.Date(2031, 5, 1, 22, 0, 0, 0, time.UTC)
		var slots []Slot
		for k := range rapid.IntRange(1, 3).Draw(t, "windows") {
			at := base.AddDate(0, 0, k)
			slots = append(slots, Slot{UID: fmt.Sprint(k), Start: at, End: at.Add(2 * time.Hour)})
		}
		for k := range rapid.IntRange(1, 2).Draw(t, "engineers") {
			e := Engineer{Name: fmt.Sprintf("engineer %d", k), Parallel: rapid.IntRange(0, 2).Draw(t, "at once")}
			if rapid.IntRange(0, 3).Draw(t, "local") == 0 {
				e.Sites = []string{"mere"}
			}
			if rapid.IntRange(0, 2).Draw(t, "shifts") == 0 {
				e.Shifts = []Slot{}
				for w := range slots {
					from := slots[w].Start.Add(time.Duration(rapid.IntRange(0, 6).Draw(t, "from")) * 10 * time.Minute)
					e.Shifts = append(e.Shifts, Slot{Start: from, End: from.Add(time.Duration(rapid.IntRange(1, 12).Draw(t, "length")) * 10 * time.Minute)})
				}
			}
			rules.Engineers = append(rules.Engineers, e)
		}
		for k := range rapid.IntRange(1, 5).Draw(t, "tasks") {
			d := fleet.Device{ID: fleet.DeviceID(fmt.Sprintf("d%d", k)), Site: rapid.SampledFrom([]string{"mere", "fen"}).Draw(t, "site")}
			f.Devices = append(f.Devices, d)
			task := Task{Device: d.ID, Minutes: int64(10 * rapid.IntRange(1, 9).Draw(t, "minutes"))}
			if rapid.IntRange(0, 5).Draw(t, "named") == 0 {
				task.Engineer = rules.Engineers[0].Name
			}
			tasks = append(tasks, task)
		}
		want := staffTwin(f, tasks, slots, rules)
		w, err := Campaign(context.Background(), f, tasks, slots, rules, Limits{})
		if want < 0 {
			refused++
			if !errors.Is(err, ErrInfeasible) {
				t.Fatalf("got %+v, %v; there is no campaign", w.Nights, err)
			}
			if _, err := Explain(context.Background(), &w.Problem, Limits{}); err != nil {
				t.Fatalf("no explanation: %v", err)
			}
			return
		}
		if err != nil {
			t.Fatalf("%v; %d windows would do", err, want)
		}
		if broken := brokenStaff(f, tasks, rules, w); len(broken) > 0 {
			t.Fatal(broken)
		}
		if w.Schedule.Used < want || w.Schedule.LowerBound > want {
			t.Fatalf("%d windows, at least %d; the twin says %d", w.Schedule.Used, w.Schedule.LowerBound, want)
		}
		if w.Schedule.Proven {
			proven++
			if w.Schedule.Used != want {
				t.Fatalf("%d windows are said to be proven; %d would do", w.Schedule.Used, want)
			}
		}
	})
	if proven < 20 || refused < 5 {
		t.Fatalf("%d proven, %d refused: the draw is one-sided", proven, refused)
	}
}

// Tasks of 40, 25, 25 and 25 minutes have 115 of the 120 minutes that two people
// have in an hour; and yet the last fits beside no other two.
func TestWorkThatHasRoomAndDoesNotFit(t *testing.T) {
	f := &fleet.Fleet{}
	var tasks []Task
	for k, d := range []fleet.DeviceID{"a", "b", "c", "d"} {
		f.Devices = append(f.Devices, fleet.Device{ID: d})
		tasks = append(tasks, Task{Device: d, Minutes: []int64{40, 25, 25, 25}[k]})
	}
	at := time.Date(2031, 5, 1, 22, 0, 0, 0, time.UTC)
	slots := []Slot{{Start: at, End: at.Add(time.Hour)}, {Start: at.AddDate(0, 0, 1), End: at.AddDate(0, 0, 1).Add(time.Hour)}}
	for name, rules := range map[string]Rules{
		"people":    {People: 2},
		"engineers": {Staffed: true, Engineers: []Engineer{{Name: "Ada"}, {Name: "Bo"}}},
	} {
		w, err := Campaign(context.Background(), f, tasks, slots, rules, Limits{})
		if err != nil || w.Schedule.Used != 2 || !w.Schedule.Proven || w.Cuts == 0 {
			t.Errorf("%s: %+v %v", name, w.Schedule, err)
		}
		if broken := brokenStaff(f, tasks, rules, w); len(broken) > 0 {
			t.Errorf("%s: %v", name, broken)
		}
		w, err = Campaign(context.Background(), f, tasks, slots[:1], rules, Limits{})
		if !errors.Is(err, ErrInfeasible) {
			t.Fatalf("%s: %v", name, err)
		}
		e, err := Explain(context.Background(), &w.Problem, Limits{})
		if err != nil || len(e.Rules) != 1 || !strings.Contains(e.Rules[0].Says, "do not fit side by side into 2031-05-01 22:00 UTC") {
			t.Errorf("%s: %v %v", name, e, err)
		}
	}
}

// Three tasks of 40 minutes have 120 minutes as well, of which a pair of hands
// does one in an hour: that is a rule, and needs no attempt.
func TestTasksAreDoneInOneGo(t *testing.T) {
	f := &fleet.Fleet{}
	var tasks []Task
	for _, d := range []fleet.DeviceID{"a", "b", "c"} {
		f.Devices = append(f.Devices, fleet.Device{ID: d})
		tasks = append(tasks, Task{Device: d, Minutes: 40})
	}
	at := time.Date(2031, 5, 1, 22, 0, 0, 0, time.UTC)
	slots := []Slot{{Start: at, End: at.Add(time.Hour)}, {Start: at.AddDate(0, 0, 1), End: at.AddDate(0, 0, 1).Add(time.Hour)}}
	for name, rules := range map[string]Rules{
		"2 devices at a time": {People: 2},
		"Ada, Bo":             {Staffed: true, Engineers: []Engineer{{Name: "Ada"}, {Name: "Bo"}}},
	} {
		w, err := Campaign(context.Background(), f, tasks, slots, rules, Limits{})
		if err != nil || w.Schedule.Used != 2 || !w.Schedule.Proven || w.Cuts != 0 || len(brokenStaff(f, tasks, rules, w)) > 0 {
			t.Errorf("%s: %+v %v", name, w, err)
		}
		w, err = Campaign(context.Background(), f, tasks, slots[:1], rules, Limits{})
		if !errors.Is(err, ErrInfeasible) {
			t.Fatalf("%s: %v", name, err)
		}
		e, err := Explain(context.Background(), &w.Problem, Limits{})
		if want := name + ": at most 2 tasks of 40 minutes or more in one window, since each is done in one go: a, b, c"; err != nil || len(e.Rules) != 1 || e.Rules[0].Says != want {
			t.Errorf("%s: %v %v", name, e, err)
		}
	}
}

// The stages share no window, and each is held up by something else: the first by
// its pair, the second by the hands. No sum of one reason alone says so much.
func TestBoundOfStagesThatDifferInWhatHoldsThemUp(t *testing.T) {
	f := &fleet.Fleet{Groups: []fleet.RedundancyGroup{{Name: "pair", Members: []fleet.DeviceID{"a", "b", "c"}, AtLeast: 2}}}
	var tasks []Task
	stages := map[fleet.DeviceID]int{}
	for k, d := range []fleet.DeviceID{"a", "b", "c", "d", "e", "f", "g", "h"} {
		f.Devices = append(f.Devices, fleet.Device{ID: d})
		tasks = append(tasks, Task{Device: d, Minutes: []int64{5, 5, 5, 25, 25, 40, 25, 40}[k]})
		stages[d] = min(1, k/3)
	}
	at := time.Date(2031, 5, 1, 22, 0, 0, 0, time.UTC)
	var slots []Slot
	for k := range 8 {
		slots = append(slots, Slot{Start: at.AddDate(0, 0, k), End: at.AddDate(0, 0, k).Add(time.Hour)})
	}
	w, err := Campaign(context.Background(), f, tasks, slots, Rules{People: 1, Stages: stages}, Limits{})
	// By hand: a, b, c one by one; then 40, 40, 25 with 25, and 25.
	if err != nil || w.Schedule.Used != 7 || w.Schedule.LowerBound != 7 || !w.Schedule.Proven {
		t.Errorf("%+v %v", w.Schedule, err)
	}
}

// A large night whose arrangement is not proven is never said to be.
func TestManyTasksSideBySide(t *testing.T) {
	f := &fleet.Fleet{}
	var tasks []Task
	for k := range 60 {
		d := fleet.DeviceID(fmt.Sprintf("d%02d", k))
		f.Devices = append(f.Devices, fleet.Device{ID: d})
		tasks = append(tasks, Task{Device: d, Minutes: 23})
	}
	rules := Rules{Staffed: true, Engineers: []Engineer{{Name: "Ada", Parallel: 2}, {Name: "Bo"}}}
	slots := madeSlots(10)
	for k := range slots {
		slots[k].End = slots[k].Start.Add(100 * time.Minute)
	}
	w, err := Campaign(context.Background(), f, tasks, slots, rules, quickly)
	if err != nil {
		t.Fatal(err)
	}
	// A hand does four in a night, of 4.3 that the sum would allow.
	if w.Schedule.Used != 5 || w.Schedule.LowerBound > 5 {
		t.Errorf("%+v", w.Schedule)
	}
	if broken := brokenStaff(f, tasks, rules, w); len(broken) > 0 {
		t.Fatal(broken)
	}
}

func TestUnavoidableLoss(t *testing.T) {
	link := func(id string, a, b fleet.DeviceID) fleet.Link {
		return fleet.Link{ID: id, A: fleet.Endpoint{Device: a}, B: fleet.Endpoint{Device: b}, Capacity: 10e9}
	}
	// far hangs on lone alone; near on both of a pair.
	f := &fleet.Fleet{Devices: []fleet.Device{{ID: "core"}, {ID: "lone"}, {ID: "far"}, {ID: "one"}, {ID: "two"}, {ID: "near"}},
		Links:   []fleet.Link{link("l1", "core", "lone"), link("l2", "lone", "far"), link("l3", "core", "one"), link("l4", "core", "two"), link("l5", "one", "near"), link("l6", "two", "near")},
		Demands: []fleet.Demand{{Name: "far away", From: "far", To: "core", Rate: 1e9}, {Name: "near by", From: "near", To: "core", Rate: 1e9}}}
	net, err := network.FromFleet(f, network.FleetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		out         []fleet.DeviceID
		unavoidable bool
		ok          bool
		says        string
	}{
		{[]fleet.DeviceID{"lone"}, false, false, "1 demand has no path"},
		{[]fleet.DeviceID{"lone"}, true, true, ""},
		{[]fleet.DeviceID{"one"}, true, true, ""},
		{[]fleet.DeviceID{"one", "two"}, true, false, "the demand near by has no path"},
		{[]fleet.DeviceID{"lone", "one"}, true, true, ""},
		{[]fleet.DeviceID{"lone", "one", "two"}, true, false, "the demand near by has no path"},
	} {
		l, _, err := NewLoad(net.Intact(), LoadOptions{How: network.NoTransit, Unavoidable: c.unavoidable})
		if err != nil {
			t.Fatal(err)
		}
		ok, why := l.Carries(context.Background(), c.out)
		if ok != c.ok || !strings.Contains(why, c.says) {
			t.Errorf("%v: %v %q, want %v %q", c.out, ok, why, c.ok, c.says)
		}
	}
	l, _, err := NewLoad(net.Intact(), LoadOptions{How: network.NoTransit, Unavoidable: true, MayIsolate: true, Failures: map[string]network.Change{"link l3": {Links: []string{"l3"}}}})
	if err != nil {
		t.Fatal(err)
	}
	if names, err := l.Alone("lone"); err != nil || !slices.Equal(names, []string{"far away"}) {
		t.Errorf("%v %v", names, err)
	}
	if names, err := l.Alone("one"); err != nil || len(names) != 0 {
		t.Errorf("%v %v", names, err)
	}
	x, err := l.Figures(nil, 10)
	if err != nil || !x.Whole || x.Intact.Utilisation != 0.1 || x.Failed.Failure != "link l3" || x.Failed.Utilisation != 0.1 || x.Cut != (Cut{}) {
		t.Errorf("%+v %v", x, err)
	}
	if x, err := l.Figures(nil, 0); err != nil || x.Whole {
		t.Errorf("more failures than may be computed: %+v %v", x, err)
	}
}

// TestCutByAFurtherFailure: near hangs on two while one is out, so that either
// of two's links cuts it off; far hangs on lone in any case.
func TestCutByAFurtherFailure(t *testing.T) {
	link := func(id string, a, b fleet.DeviceID) fleet.Link {
		return fleet.Link{ID: id, A: fleet.Endpoint{Device: a}, B: fleet.Endpoint{Device: b}, Capacity: 10e9}
	}
	f := &fleet.Fleet{Devices: []fleet.Device{{ID: "core"}, {ID: "lone"}, {ID: "far"}, {ID: "one"}, {ID: "two"}, {ID: "near"}},
		Links:   []fleet.Link{link("l1", "core", "lone"), link("l2", "lone", "far"), link("l3", "core", "one"), link("l4", "core", "two"), link("l5", "one", "near"), link("l6", "two", "near")},
		Demands: []fleet.Demand{{Name: "far away", From: "far", To: "core", Rate: 1e9}, {Name: "near by", From: "near", To: "core", Rate: 2e9}, {Name: "back", From: "core", To: "near", Rate: 3e9}}}
	net, err := network.FromFleet(f, network.FleetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	fails := map[string]network.Change{}
	for _, k := range net.Links() {
		fails["link "+k] = network.Change{Links: []string{k}}
	}
	l, _, err := NewLoad(net.Intact(), LoadOptions{How: network.NoTransit, Unavoidable: true, MayIsolate: true, Failures: fails})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		out  []fleet.DeviceID
		want Cut
	}{
		{nil, Cut{}},
		{[]fleet.DeviceID{"one"}, Cut{2, "link l4", 2, 5e9}},
		{[]fleet.DeviceID{"lone", "one"}, Cut{2, "link l4", 2, 5e9}},
	} {
		x, err := l.Figures(c.out, 100)
		if err != nil || x.Cut != c.want {
			t.Errorf("%v out: %+v, %v, want %+v", c.out, x.Cut, err, c.want)
		}
	}
}

func TestReviseACampaign(t *testing.T) {
	f, tasks := smallFleet()
	slots := madeSlots(6)
	rules := Rules{Staffed: true, Engineers: []Engineer{{Name: "Ada"}}, PerSite: 1, Canaries: []fleet.DeviceID{"fen-1"}}
	first, err := Campaign(context.Background(), f, tasks, slots, rules, Limits{})
	if err != nil {
		t.Fatal(err)
	}
	kept := Kept{Was: map[fleet.DeviceID]time.Time{}, Done: map[fleet.DeviceID]time.Time{}}
	rules.Stages = map[fleet.DeviceID]int{}
	for _, n := range first.Nights {
		for _, p := range n.Tasks {
			kept.Was[tasks[p.Task].Device] = p.Start
		}
	}
	for i, s := range first.Stage {
		rules.Stages[tasks[i].Device] = s
	}
	// Nothing happened: nothing moves.
	kept.Now = slots[0].Start
	w, rev, err := Revise(context.Background(), f, tasks, slots, rules, kept, Limits{})
	if err != nil || len(rev.Moves) != 0 || !rev.Proven || !slices.Equal(w.Schedule.Window, first.Schedule.Window) {
		t.Fatalf("%+v %v", rev, err)
	}
	// The canary failed: all that comes after it moves, and the order holds.
	kept.Now = slots[1].Start.Add(-time.Hour)
	w, rev, err = Revise(context.Background(), f, tasks, slots, rules, kept, Limits{})
	if err != nil {
		t.Fatal(err)
	}
	at := map[fleet.DeviceID]time.Time{}
	for _, n := range w.Nights {
		for _, d := range n.Devices {
			at[d] = n.Start
			if n.Start.Before(kept.Now) {
				t.Errorf("%s is put into a window that is over", d)
			}
		}
	}
	for _, d := range []fleet.DeviceID{"fen-2", "mere-agg-1", "mere-agg-2"} {
		if !at[d].After(at["fen-1"]) {
			t.Errorf("%s at %s, the canary at %s", d, at[d], at["fen-1"])
		}
	}
	if len(rev.Moves) < 1 || len(rev.Moves) < rev.LeastMoves {
		t.Errorf("%+v", rev)
	}
	// Promised nights take on nothing: with all windows promised there is no place
	// for the canary, and the explanation says so.
	kept.PromisedUntil = slots[5].End
	w, _, err = Revise(context.Background(), f, tasks, slots, rules, kept, Limits{})
	if !errors.Is(err, ErrInfeasible) {
		t.Fatalf("got %v", err)
	}
	e, err := Explain(context.Background(), w.Locked(tasks, kept), Limits{})
	if err != nil || !strings.Contains(e.String(), "is promised and takes on nothing new") || !strings.Contains(e.String(), "are over") {
		t.Errorf("%v %v", e, err)
	}
	// What was done in no window is refused.
	kept.Done["fen-1"] = slots[0].Start.Add(-100 * time.Hour)
	kept.Was = nil
	if _, _, err = Revise(context.Background(), f, tasks, slots, rules, kept, Limits{}); !errors.Is(err, ErrInvalid) {
		t.Errorf("got %v", err)
	}
}
