package schedule

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"towpath/internal/fleet"
)

// weighed refuses sets whose weights sum to more than the limit.
type weighed struct {
	weight map[fleet.DeviceID]int
	limit  int
	asked  *int
}

func (w weighed) Carries(_ context.Context, out []fleet.DeviceID) (bool, string) {
	*w.asked++
	sum := 0
	for _, d := range out {
		sum += w.weight[d]
	}
	return sum <= w.limit, fmt.Sprintf("%d of %d", sum, w.limit)
}

// A campaign whose windows are of several hours is compared with every
// assignment of its devices, of which each window is asked whole. The last check
// refuses what the first did not, so that its cuts must hold in the windows of
// their hours and in no others.
func TestCampaignByHoursAgainstBruteForce(t *testing.T) {
	made, refused, cut := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		n, W := rapid.IntRange(2, 5).Draw(t, "n"), rapid.IntRange(2, 4).Draw(t, "W")
		f, tasks := &fleet.Fleet{}, []Task(nil)
		slots := madeSlots(W)
		p := &Problem{}
		for i := range n {
			id := fleet.DeviceID(fmt.Sprintf("d%d", i))
			f.Devices = append(f.Devices, fleet.Device{ID: id, Platform: "alder-9"})
			tasks = append(tasks, Task{Device: id, Minutes: 10})
			p.Items = append(p.Items, Item{Name: string(id), Work: 10, Risk: 1})
		}
		asked := 0
		draw := func(most int) weighed {
			w := weighed{map[fleet.DeviceID]int{}, rapid.IntRange(2, 10).Draw(t, "limit"), &asked}
			for _, x := range tasks {
				w.weight[x.Device] = rapid.IntRange(0, most).Draw(t, "weight")
			}
			return w
		}
		var hours []*Hours
		for k := range rapid.IntRange(2, 3).Draw(t, "classes") {
			h := &Hours{Name: fmt.Sprintf("the windows of kind %d", k)}
			if rapid.IntRange(0, 4).Draw(t, "carries") > 0 {
				h.Carries = draw(4)
			}
			if rapid.IntRange(0, 4).Draw(t, "verify") > 0 {
				h.Verify = draw(7)
			}
			hours = append(hours, h)
		}
		of := map[time.Time]int{}
		for _, s := range slots {
			of[s.Start] = rapid.IntRange(0, len(hours)-1).Draw(t, "class")
			p.Windows = append(p.Windows, Window{Capacity: Unlimited, Start: s.Start, End: s.End})
			p.Class = append(p.Class, of[s.Start])
		}
		p.Together = func(class int, items []int) (bool, string) {
			for _, c := range []Carrier{hours[class].Carries, hours[class].Verify} {
				if c == nil {
					continue
				}
				if ok, why := c.Carries(context.Background(), names(tasks, items)); !ok {
					return false, why
				}
			}
			return true, ""
		}
		used, _, _ := twin(p, W)
		got, err := Campaign(context.Background(), f, tasks, slots, Rules{Hours: func(start, _ time.Time) (*Hours, error) { return hours[of[start]], nil }}, Limits{})
		if got.Cuts > 0 {
			cut++
		}
		if used < 0 {
			refused++
			if !errors.Is(err, ErrInfeasible) {
				t.Fatalf("got %v; there is no schedule", err)
			}
			why, err := Explain(context.Background(), &got.Problem, Limits{})
			if err != nil || !why.Minimal {
				t.Fatalf("%v %v", why, err)
			}
			return
		}
		made++
		if err != nil || got.Schedule.Used != used || !got.Schedule.Proven {
			t.Fatalf("got %+v, %v; %d windows are enough", got.Schedule, err, used)
		}
		if broken := check(p, got.Schedule.Window); len(broken) > 0 {
			t.Fatal(broken)
		}
	})
	if made < 20 || refused < 5 || cut < 10 {
		t.Fatalf("%d made, %d refused, %d with cuts: the draw is one-sided", made, refused, cut)
	}
}

func TestHoursThatCannotBeTold(t *testing.T) {
	f, tasks := smallFleet()
	bad := errors.New("no such hour")
	_, err := Campaign(context.Background(), f, tasks, madeSlots(2), Rules{Hours: func(time.Time, time.Time) (*Hours, error) { return nil, bad }}, Limits{})
	if !errors.Is(err, bad) {
		t.Errorf("got %v", err)
	}
	for name, p := range map[string]Problem{
		"too few classes":   {Windows: nights(2, Unlimited), Class: []int{0}},
		"a negative class":  {Windows: nights(2, Unlimited), Class: []int{0, -1}},
		"too few of groups": {Windows: nights(2, Unlimited), Groups: []Group{{Name: "g", PerWindow: []int{1}}}},
		"without windows":   {Class: []int{0}},
	} {
		if err := p.Validate(); !errors.Is(err, ErrInvalid) {
			t.Errorf("%s: got %v", name, err)
		}
	}
	if got := Joined(append(madeSlots(2), Slot{Start: madeSlots(1)[0].Start.Add(time.Hour), End: madeSlots(1)[0].Start.Add(9 * time.Hour)})); len(got) != 2 || got[0].End.Sub(got[0].Start) != 9*time.Hour {
		t.Errorf("got %+v", got)
	}
}

// A large campaign of which no load is asked, and that has more windows than its
// bound, so that it is tightened.
func TestLargeCampaignWithoutLoads(t *testing.T) {
	f, tasks := &fleet.Fleet{}, []Task(nil)
	for i := range 240 {
		id := fleet.DeviceID(fmt.Sprintf("d%d", i))
		f.Devices = append(f.Devices, fleet.Device{ID: id, Platform: "alder-9"})
		tasks = append(tasks, Task{Device: id, Minutes: 50})
	}
	// Odd cycles of five, of which two share a window: three windows where a
	// clique says two.
	rules := Rules{}
	for i := range 240 {
		k := i / 5 * 5
		rules.Apart = append(rules.Apart, Pair{A: tasks[i].Device, B: tasks[k+(i+1)%5].Device})
	}
	w, err := Campaign(context.Background(), f, tasks, madeSlots(6), rules, Limits{})
	if err != nil || w.Schedule.Used != 3 {
		t.Fatalf("got %+v, %v", w.Schedule, err)
	}
	if broken := check(&w.Problem, w.Schedule.Window); len(broken) > 0 {
		t.Fatal(broken)
	}
}
