package schedule

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"
	"time"
)

// A context that has ended leaves a schedule that keeps the rules, with a bound.
func TestEndedContextStillGivesASchedule(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	conflicts, sizes, mixed := &Problem{}, &Problem{Capacity: 100}, &Problem{Capacity: 100}
	for i := range 60 {
		it := Item{Name: fmt.Sprint(i), Work: int64(20 + i*7%31)}
		conflicts.Items = append(conflicts.Items, Item{Name: it.Name})
		sizes.Items = append(sizes.Items, it)
		mixed.Items = append(mixed.Items, it)
		for j := range i {
			if (i*j+i+j)%3 == 0 {
				conflicts.Conflicts = append(conflicts.Conflicts, Conflict{A: j, B: i})
				mixed.Conflicts = append(mixed.Conflicts, Conflict{A: j, B: i})
			}
		}
	}
	for name, p := range map[string]*Problem{"conflicts": conflicts, "sizes": sizes, "mixed": mixed} {
		s, err := Solve(ctx, p, Limits{})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if broken := check(p, s.Window); len(broken) > 0 || s.LowerBound < 1 || s.LowerBound > s.Used || !s.Stopped {
			t.Errorf("%s: %+v %v", name, s, broken)
		}
	}
}

func TestWavesAsCalendar(t *testing.T) {
	f, tasks := smallFleet()
	w, err := Campaign(context.Background(), f, tasks, madeSlots(4), Rules{}, Limits{})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := WriteCalendar(&b, "-//Ostermoor//EN", w.Slots("spring"), time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)); err != nil {
		t.Fatal(err)
	}
	got := expand(t, b.String(), time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2032, 1, 1, 0, 0, 0, 0, time.UTC))
	if len(got) != len(w.Nights) || len(got) != 2 {
		t.Fatalf("%d slots for %d nights", len(got), len(w.Nights))
	}
	for k, n := range w.Nights {
		if !got[k].Start.Equal(n.Start) || !got[k].End.Equal(n.End) || !strings.Contains(b.String(), string(n.Devices[0])) {
			t.Errorf("night %d: %v, want %v", k, got[k], n)
		}
	}
}
