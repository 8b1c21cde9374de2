package schedule

import (
	"context"
	"errors"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// fewestMoves tries every window for every item, in the order of their numbers,
// and cuts only what the checker refuses when all have one.
func fewestMoves(p *Problem, old []int, done []bool) int {
	least := -1
	win := make([]int, len(old))
	var dive func(i, moves int)
	dive = func(i, moves int) {
		if least >= 0 && moves >= least {
			return
		}
		if i == len(old) {
			if len(check(p, win)) == 0 {
				least = moves
			}
			return
		}
		for w := range p.Windows {
			win[i] = w
			switch {
			case w == old[i]:
				dive(i+1, moves)
			case !done[i]:
				dive(i+1, moves+1)
			}
		}
	}
	dive(0, 0)
	return least
}

// The nights are nearly full, so that one who needs a place drives others out,
// and the bound is asked for what it says before any search.
func TestFewestMovesInFullNights(t *testing.T) {
	driven, exact, closer, all := 0, 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		n, W := rapid.IntRange(4, 7).Draw(t, "n"), rapid.IntRange(2, 3).Draw(t, "W")
		p := &Problem{Windows: nights(W, int64(rapid.IntRange(8, 14).Draw(t, "capacity")))}
		past := Past{Window: make([]int, n)}
		done := make([]bool, n)
		for i := range n {
			p.Items = append(p.Items, Item{Name: string(rune('a' + i)), Work: rapid.Int64Range(1, 5).Draw(t, "work")})
			past.Window[i] = rapid.IntRange(-1, W-1).Draw(t, "old")
			if done[i] = past.Window[i] >= 0 && rapid.IntRange(0, 7).Draw(t, "done") == 0; done[i] {
				past.Done = append(past.Done, i)
			}
		}
		for range rapid.IntRange(0, 3).Draw(t, "conflicts") {
			a, b := rapid.IntRange(0, n-1).Draw(t, "a"), rapid.IntRange(0, n-1).Draw(t, "b")
			if a != b {
				p.Conflicts = append(p.Conflicts, Conflict{A: min(a, b), B: max(a, b)})
			}
		}
		if rapid.Bool().Draw(t, "order") {
			p.Orders = []Order{{Before: []int{0}, After: []int{n - 1}}}
		}
		// Whoever is not done and cannot be in the last night.
		if i := rapid.IntRange(0, n-1).Draw(t, "banned"); !done[i] {
			p.Permits = []Permit{p.Ban(i, W-1)}
		}
		want := fewestMoves(p, past.Window, done)
		if want < 0 {
			return
		}
		r := compile(p)
		e := newMover(r, &meter{limit: 100000}, past.Window, done)
		bound := e.least()
		if bound > want {
			t.Fatalf("bound %d, and %d moves are enough", bound, want)
		}
		got, err := Replan(context.Background(), p, past, Limits{})
		if errors.Is(err, ErrUndecided) || err != nil || len(got.Moves) != want || !got.Proven || got.LeastMoves != want {
			t.Fatalf("got %+v, %v; %d moves are enough", got, err, want)
		}
		must := 0
		for i, w := range past.Window {
			if w < 0 || !done[i] && len(p.Permits) > 0 && w == W-1 && slices.Contains(p.Permits[0].Items, i) {
				must++
			}
		}
		all++
		if want > must {
			driven++
		}
		if bound == want {
			exact++
		}
		if bound > must {
			closer++
		}
	})
	t.Logf("%d plans: %d move more than those who must, the bound is above those in %d and exact in %d", all, driven, closer, exact)
	if driven < 10 || closer < 5 {
		t.Fatalf("%d of %d plans drive anybody out; the bound saw %d", driven, all, closer)
	}
}

// Six nights get shorter: how many must go is known without a search, although
// nobody in them is barred.
func TestMovesAreBoundedNightByNight(t *testing.T) {
	const per, nightsHit = 12, 6
	p := &Problem{Windows: nights(20, 120)}
	past := Past{}
	for w := range nightsHit {
		for range per {
			p.Items = append(p.Items, Item{Name: "mere", Work: 10})
			past.Window = append(past.Window, w)
		}
	}
	for w := range nightsHit {
		p.Windows[w].Capacity = 85 // of 12 with 10 minutes each, 8 fit
	}
	got, err := Replan(context.Background(), p, past, Limits{})
	if err != nil || len(got.Moves) != nightsHit*4 || !got.Proven {
		t.Fatalf("got %d moves, at least %d, proven %v, %v; want %d", len(got.Moves), got.LeastMoves, got.Proven, err, nightsHit*4)
	}
}
