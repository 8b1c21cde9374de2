package schedule

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
)

// Past is what has happened to a schedule, and what was promised.
type Past struct {
	// Window is the schedule so far; -1 for items that had no window.
	Window []int
	// Done items stay in their windows, whatever the rules now say of those.
	Done []int
	// From is the first window that can still be used for what is not done.
	From int
	// Promised windows take on nothing new and lose only what cannot stay.
	Promised []int
}

// Move is one item whose window changes.
type Move struct {
	Item     int
	From, To int // From is -1 where it had none
}

// Revision is an answer of [Replan].
type Revision struct {
	Window []int
	Moves  []Move // by item
	// LeastMoves is a number of moves that no revision goes below, Proven says
	// that there are no more.
	LeastMoves int
	Proven     bool
	Used       int
	Stopped    bool
}

// Replan changes a schedule as little as possible so that the rules hold again:
// done items stay where they were, the others lie in windows from Past.From on,
// and as few of them as possible have another window than before. Windows must
// be listed. The errors are those of [Solve].
func Replan(ctx context.Context, p *Problem, past Past, lim Limits) (Revision, error) {
	var out Revision
	if err := p.Validate(); err != nil {
		return out, err
	}
	n, W := len(p.Items), len(p.Windows)
	if len(past.Window) != n || W == 0 {
		return out, fmt.Errorf("%w: %d items have a past, and there are %d items in %d listed windows", ErrInvalid, len(past.Window), n, W)
	}
	for i, w := range past.Window {
		if w < -1 || w >= W {
			return out, fmt.Errorf("%w: %s was in window %d, and %d are listed", ErrInvalid, p.Items[i].Name, w, W)
		}
	}
	done := make([]bool, n)
	for _, i := range past.Done {
		if i < 0 || i >= n || past.Window[i] < 0 {
			return out, fmt.Errorf("%w: item %d is done and has no window", ErrInvalid, i)
		}
		done[i] = true
	}
	promised := make([]bool, W)
	for _, w := range past.Promised {
		if w < 0 || w >= W {
			return out, fmt.Errorf("%w: window %d is promised, and %d are listed", ErrInvalid, w, W)
		}
		promised[w] = true
	}
	q := *p
	q.Permits = nil
	// What is done is done: rules among done items alone no longer bind, and their
	// permits neither. Orders and limits between done and undone ones still do.
	for _, t := range p.Permits {
		t.Items = slices.DeleteFunc(slices.Clone(t.Items), func(i int) bool { return done[i] })
		q.Permits = append(q.Permits, t)
	}
	for i := range n {
		t := Permit{Items: []int{i}}
		for w := range W {
			switch {
			case done[i]:
				if w == past.Window[i] {
					t.Windows = append(t.Windows, w)
				}
			case w >= past.From && (!promised[w] || w == past.Window[i]):
				t.Windows = append(t.Windows, w)
			}
		}
		q.Permits = append(q.Permits, t)
	}
	r := compile(&q)
	st := r.newState(W)
	var queue []int
	weight := make([]int, n)
	for i := range n {
		if done[i] {
			st.put(i, past.Window[i])
			weight[i] = 1 << 20 // never leaves
		}
	}
	// Keep what fits, the hardest first, then place the rest with repair.
	for _, i := range r.order() {
		if done[i] {
			continue
		}
		if w := past.Window[i]; w >= 0 && st.fits(i, w) {
			st.put(i, w)
			weight[i] = 3
			continue
		}
		queue = append(queue, i)
	}
	count := func(win []int) (k int) {
		for i, w := range win {
			if w != past.Window[i] {
				k++
			}
		}
		return k
	}
	var best []int
	rng := rand.New(rand.NewPCG(lim.Seed, 0x72657075))
	if _, ok := st.repair(ctx.Done(), slices.Clone(queue), r.steps(lim, W)+5*int64(len(queue))+2000, weight, rng); ok {
		// Whoever can go back does.
		for again := true; again; {
			again = false
			for i, w := range st.win {
				if old := past.Window[i]; old >= 0 && w != old {
					st.take(i)
					if st.fits(i, old) {
						st.put(i, old)
						again = true
					} else {
						st.put(i, w)
					}
				}
			}
		}
		best = slices.Clone(st.win)
	}
	if best != nil && slices.ContainsFunc(past.Done, func(i int) bool { return best[i] != past.Window[i] }) {
		best = nil
	}
	// Exact: with one move more at a time, until a revision is found or refuted.
	most := n
	if best != nil {
		most = count(best)
	}
	ex := newMover(r, &meter{done: ctx.Done(), limit: max(2000, 50*r.nodes(lim, W))}, past.Window, done)
	must := ex.least()
	ex.m.limit += ex.m.n // what the bound took is not taken from the search
	for k := must; ; k++ {
		out.LeastMoves = min(k, most)
		if best != nil && k >= most {
			break
		}
		if k > n {
			return out, fmt.Errorf("%w: what is done and promised leaves no schedule", ErrInfeasible)
		}
		found, complete := ex.search(k)
		if found {
			best = slices.Clone(ex.win)
			break
		}
		if !complete {
			break
		}
	}
	out.Stopped = ex.m.stopped
	if best == nil {
		return out, ErrUndecided
	}
	out.Window = best
	used := newSet(W)
	for i, w := range best {
		used.add(w)
		if w != past.Window[i] {
			out.Moves = append(out.Moves, Move{i, past.Window[i], w})
		}
	}
	out.Used = used.count()
	out.Proven = len(out.Moves) == out.LeastMoves
	return out, nil
}
