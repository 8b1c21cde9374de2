package timing

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// hops are two hops of a device, each with a resting place at its end.
func hops() []Step {
	three := func(a, b, c int) Law {
		return Law{Least: time.Duration(a) * time.Minute, Likely: time.Duration(b) * time.Minute, Most: time.Duration(c) * time.Minute}
	}
	return []Step{
		{ID: "load", Law: three(4, 6, 11), Rollback: three(4, 6, 11)},
		{ID: "switch", Law: three(0, 1, 2), Rollback: three(0, 1, 2), PointOfNoReturn: true},
		{ID: "accept", Law: three(1, 2, 5), Rest: true},
		{ID: "load again", Law: three(4, 6, 11), Rollback: three(2, 3, 5)},
		{ID: "accept again", Law: three(1, 2, 5), Rest: true},
	}
}

// Source: the definition, a run at a time and every step as the place where the
// rollback begins.
func TestRestingPlacesAgainstTheDefinition(t *testing.T) {
	steps := hops()
	const n = 4000
	window := 20*time.Minute + 30*time.Second
	rng := rand.New(rand.NewPCG(7, 7))
	inside, clocks := 0, make([]int, len(steps))
	out, err := Simulate(steps, window, n, rand.New(rand.NewPCG(1, 1)))
	if err != nil {
		t.Fatal(err)
	}
	for range n {
		var ends []time.Duration
		var end time.Duration
		undos := make([]time.Duration, len(steps))
		for i := range steps {
			end += steps[i].Law.Draw(rng)
			ends = append(ends, end)
			undos[i] = steps[i].Rollback.Draw(rng)
		}
		ok := true
		for k := range steps {
			// Back from the end of step k to the last place of rest before it.
			var back time.Duration
			for i := k; i >= 0; i-- {
				if i < k && steps[i].Rest {
					break
				}
				back += undos[i]
			}
			ok = ok && ends[k]+back <= window
			if out.Steps[k].RollbackClock+back <= window {
				clocks[k]++
			}
		}
		if ok {
			inside++
		}
	}
	if p := float64(inside) / n; math.Abs(p-out.DoneAndBack) > 0.03 || p < 0.05 || p > 0.95 {
		t.Errorf("done and back in %v by the definition, %v by the simulation", p, out.DoneAndBack)
	}
	for k, c := range clocks {
		if p := float64(c) / n; p < Confidence-0.02 {
			t.Errorf("step %s: the rollback clock holds in %v of the runs", steps[k].ID, p)
		}
	}
	first, err := RollbackClock(steps, 3, window, Confidence, n, rand.New(rand.NewPCG(2, 2)))
	if err != nil {
		t.Fatal(err)
	}
	second, err := RollbackClock(steps, 4, window, Confidence, n, rand.New(rand.NewPCG(2, 2)))
	if err != nil {
		t.Fatal(err)
	}
	if second <= first {
		t.Errorf("a rollback of the second hop must begin by %v, that of the first by %v; the second is shorter", second, first)
	}
}

// Source: the law of large numbers; both draw the same model.
func TestDrawsAgreeWithTheSimulation(t *testing.T) {
	steps := hops()
	d, err := Draw(steps, 20_000, rand.New(rand.NewPCG(3, 3)))
	if err != nil {
		t.Fatal(err)
	}
	out, err := Simulate(steps, 20*time.Minute+30*time.Second, 20_000, rand.New(rand.NewPCG(4, 4)))
	if err != nil {
		t.Fatal(err)
	}
	if got := d.Keep(0.95, 0); (got - out.P95).Abs() > 15*time.Second {
		t.Errorf("95 %% of the draws end by %v, of the simulation by %v", got, out.P95)
	}
	back := 0
	for r := range d.Backs {
		if d.Backs[r] < d.Lasts[r] {
			t.Fatal("a rollback ends before the last step")
		}
		if d.Backs[r] <= 20*time.Minute+30*time.Second {
			back++
		}
	}
	if p := float64(back) / 20_000; math.Abs(p-out.DoneAndBack) > 0.015 {
		t.Errorf("done and back in %v of the draws, %v of the simulation", p, out.DoneAndBack)
	}
	keep := d.Keep(0.5, 0.9)
	within := 0
	for _, b := range d.Backs {
		if b <= keep {
			within++
		}
	}
	if p := float64(within) / 20_000; p < 0.9 || p > 0.901 {
		t.Errorf("the time kept is enough in %v of the runs, want 0.9 and no more than needed", p)
	}
}

// With durations that are known, a sequence is arithmetic.
func TestSequenceOfKnownDurations(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5).Draw(t, "turns")
		var turns []Turn
		var lasts, backs []int
		for range n {
			last := rapid.IntRange(1, 60).Draw(t, "last")
			back := last + rapid.IntRange(0, 30).Draw(t, "back")
			lasts, backs = append(lasts, last), append(backs, back)
			turns = append(turns, Turn{Start: time.Duration(rapid.IntRange(0, 120).Draw(t, "start")) * time.Minute, Limit: time.Duration(rapid.IntRange(0, 240).Draw(t, "limit")) * time.Minute,
				Draws: Draws{Lasts: []time.Duration{time.Duration(last) * time.Minute}, Backs: []time.Duration{time.Duration(back) * time.Minute}}})
		}
		each, whole, err := Sequence(turns, rand.New(rand.NewPCG(1, 1)))
		if err != nil {
			t.Fatal(err)
		}
		at, all, allBack := 0, 1.0, 1.0
		for i, u := range turns {
			at = max(at, int(u.Start/time.Minute))
			done, back := 0.0, 0.0
			if time.Duration(at+lasts[i])*time.Minute <= u.Limit {
				done = 1
			}
			if time.Duration(at+backs[i])*time.Minute <= u.Limit {
				back = 1
			}
			all, allBack = min(all, done), min(allBack, back)
			at += lasts[i]
			if each[i] != (Chance{done, back}) {
				t.Fatalf("turn %d: got %+v, want %v and %v", i, each[i], done, back)
			}
		}
		if whole != (Chance{all, allBack}) {
			t.Fatalf("got %+v, want %v and %v", whole, all, allBack)
		}
	})
}

func TestSequenceRefusesWhatIsWrong(t *testing.T) {
	one := Draws{Lasts: []time.Duration{1}, Backs: []time.Duration{1}}
	rng := rand.New(rand.NewPCG(1, 1))
	for name, turns := range map[string][]Turn{
		"no runs":        {{}},
		"runs that miss": {{Draws: one}, {Draws: Draws{Lasts: []time.Duration{1, 2}, Backs: []time.Duration{1, 2}}}},
		"backs missing":  {{Draws: Draws{Lasts: []time.Duration{1}}}},
	} {
		if _, _, err := Sequence(turns, rng); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, _, err := Sequence([]Turn{{Draws: one}}, nil); err == nil {
		t.Error("no random source: no error")
	}
	if _, whole, err := Sequence(nil, rng); err != nil || whole.Done != 1 || whole.Back != 1 {
		t.Errorf("nothing to do: %+v %v", whole, err)
	}
	if _, err := Draw([]Step{{ID: "x", Law: Law{Least: 2, Likely: 1, Most: 3}}}, 1, rng); err == nil {
		t.Error("a wrong law: no error")
	}
}
