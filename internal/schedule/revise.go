package schedule

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"towpath/internal/fleet"
)

// Kept is what an earlier campaign said and what has come of it.
type Kept struct {
	// Was is the start of the window that each device had; devices that are not
	// in it had none.
	Was map[fleet.DeviceID]time.Time
	// Done are devices that are done, with the instant in whose window they were.
	Done map[fleet.DeviceID]time.Time
	// Now is the first instant whose window can still be used.
	Now time.Time
	// PromisedUntil freezes the windows that start before it: they gain nothing,
	// and lose only what cannot stay. Zero freezes none.
	PromisedUntil time.Time
}

// Revise changes a campaign as little as possible so that its rules hold for
// what is not done yet; see [Replan]. The tasks are those of all devices, done or
// not, and the slots reach back to the first night. The nights of the returned
// waves include those that are over, without times of tasks. The errors are those
// of [Campaign]; so is how to explain them.
func Revise(ctx context.Context, f *fleet.Fleet, tasks []Task, slots []Slot, rules Rules, kept Kept, lim Limits) (Waves, Revision, error) {
	var out Waves
	var rev Revision
	b, err := build(ctx, f, tasks, slots, rules)
	if err != nil {
		return out, rev, err
	}
	out.Problem, out.Stage = *b.p, b.stage
	past := Past{Window: make([]int, len(tasks))}
	for past.From < len(b.windows) && b.windows[past.From].start.Before(kept.Now) {
		past.From++
	}
	for w := past.From; w < len(b.windows); w++ {
		if b.windows[w].start.Before(kept.PromisedUntil) {
			past.Promised = append(past.Promised, w)
		}
	}
	for i, t := range tasks {
		past.Window[i] = -1
		if at, ok := kept.Was[t.Device]; ok {
			past.Window[i] = b.windowAt(at)
		}
		at, ok := kept.Done[t.Device]
		if !ok {
			continue
		}
		if w := b.windowAt(at); w >= 0 {
			past.Window[i] = w
		}
		if past.Window[i] < 0 {
			return out, rev, fmt.Errorf("%w: %s was done at %s, which is in no window, and had none before", ErrInvalid, t.Device, at.Format(time.RFC3339))
		}
		past.Done = append(past.Done, i)
	}
	// The nights that are over are no longer bound by the people or by the network:
	// their cuts would refuse what has happened.
	least := 0
	for round := 0; ; round++ {
		rev, err = Replan(ctx, b.p, past, lim)
		out.Problem = *b.p
		if err != nil {
			if errors.Is(err, ErrInfeasible) && b.unsure {
				err = fmt.Errorf("%w: the arrangements that were tried leave no schedule", ErrUndecided)
			}
			return out, rev, err
		}
		if round == 0 {
			least = rev.LeastMoves
		}
		cuts := b.settle(ctx, rev.Window, past.From)
		out.Cuts += cuts
		out.Problem = *b.p
		if cuts == 0 {
			break
		}
		if round == 60 || ctx.Err() != nil {
			return out, rev, fmt.Errorf("%w: after %d attempts some window still fails the last check", ErrUndecided, round+1)
		}
	}
	if b.unsure {
		// Cuts of arrangements that were not proven impossible bound nothing.
		rev.LeastMoves, rev.Proven = least, false
	}
	s := Schedule{Window: rev.Window, Used: rev.Used, Stopped: rev.Stopped}
	over := map[int]bool{}
	for _, i := range past.Done {
		over[past.Window[i]] = true
	}
	s.LowerBound, s.Bound = len(over), "nights that are over"
	if len(past.Done) < len(tasks) && !slices.ContainsFunc(past.Done, func(i int) bool { return past.Window[i] >= past.From }) {
		s.LowerBound++
		s.Bound = "nights that are over, and one for what is left"
	}
	s.Proven = s.Used <= s.LowerBound
	s.RiskDays, s.Worst = compile(b.p).objective(rev.Window)
	out.Schedule = s
	out.finish(b)
	return out, rev, nil
}

// Locked returns the problem of [Revise] as [Explain] wants it: with what is done
// and promised as rules.
func (w *Waves) Locked(tasks []Task, kept Kept) *Problem {
	q := w.Problem
	q.Permits = slices.Clone(q.Permits)
	at := func(t time.Time) int {
		return slices.IndexFunc(q.Windows, func(x Window) bool { return !t.Before(x.Start) && t.Before(x.End) })
	}
	var open []int
	for i, t := range tasks {
		done, ok := kept.Done[t.Device]
		if !ok {
			open = append(open, i)
			continue
		}
		win := at(done)
		if win < 0 {
			win = at(kept.Was[t.Device])
		}
		for k := range q.Permits {
			q.Permits[k].Items = slices.DeleteFunc(slices.Clone(q.Permits[k].Items), func(j int) bool { return j == i })
		}
		q.Permits = append(q.Permits, Permit{Items: []int{i}, Windows: []int{win}, Says: fmt.Sprintf("%s is done since %s", t.Device, done.Format("2006-01-02"))})
	}
	over := Permit{Items: open, Says: fmt.Sprintf("windows that began before %s are over", kept.Now.Format("2006-01-02 15:04 MST"))}
	for v, x := range q.Windows {
		if !x.Start.Before(kept.Now) {
			over.Windows = append(over.Windows, v)
		}
	}
	q.Permits = append(q.Permits, over)
	for v, x := range q.Windows {
		if x.Start.Before(kept.Now) || !x.Start.Before(kept.PromisedUntil) {
			continue
		}
		p := Permit{Says: x.Name + " is promised and takes on nothing new"}
		for _, i := range open {
			if was, ok := kept.Was[tasks[i].Device]; !ok || at(was) != v {
				p.Items = append(p.Items, i)
			}
		}
		for u := range q.Windows {
			if u != v {
				p.Windows = append(p.Windows, u)
			}
		}
		q.Permits = append(q.Permits, p)
	}
	return &q
}
