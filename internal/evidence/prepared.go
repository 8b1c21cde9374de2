package evidence

import (
	"slices"

	"towpath/internal/conduct"
	"towpath/internal/plan"
)

// preparedAt is a changed setting and the hop that it was changed for.
type preparedAt struct {
	hop int
	Prepared
}

// preparedIn folds the journal once more and notes when settings come to be held
// changed and when they are put back.
func preparedIn(p *plan.Plan, in Inputs) []preparedAt {
	st := conduct.New(p, in.State.Policy)
	var out []preparedAt
	open := map[plan.Held]int{}
	for _, r := range in.Journal {
		hop := st.Hop
		if s, ok := st.Step(); ok {
			hop = s.Hop
		}
		if st.Apply(r) != nil {
			break // the state that is shown was folded from the same journal
		}
		for _, h := range st.Prepared {
			if _, known := open[h]; known {
				continue
			}
			x := preparedAt{hop, Prepared{On: string(h.On), Setting: h.Wanted.Key().Parts(), Found: h.Found.Value, Wanted: h.Wanted.Value, ByHand: h.ByHand, Since: r.At}}
			if x.On == "" {
				x.On = string(p.Device)
			}
			open[h] = len(out)
			out = append(out, x)
		}
		for h, i := range open {
			if !slices.Contains(st.Prepared, h) {
				out[i].Back = r.At
				delete(open, h)
			}
		}
	}
	return out
}

// Suspended is the outcome of a session that the run itself took down for the
// hand-over: it says nothing of the forecast.
const Suspended = "suspended"

// suspended marks the sessions that were taken down for the hand-over and came
// back.
func suspended(all []Fate, ps []plan.Preparation) {
	for i := range all {
		for _, p := range ps {
			if p.Kind == "suspend" && slices.Contains(p.Saves, all[i].Object) && all[i].Outcome == "restarted" {
				all[i].Outcome = Suspended
			}
		}
	}
}
