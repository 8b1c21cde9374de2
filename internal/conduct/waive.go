package conduct

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"towpath/internal/plan"
)

// Waiver is a named person's word that one guard does not count for one step,
// in so far as it is broken by what is named, and why.
type Waiver struct {
	Guard   plan.Guard `json:"guard"`
	Step    string     `json:"step"`
	Objects []string   `json:"objects"` // what is broken: nothing else is waived
	Found   string     `json:"found"`   // what was said of it when the run paused
	Reason  string     `json:"reason"`
	Person  string     `json:"person,omitempty"`
	At      time.Time  `json:"at,omitzero"`
}

// waivableGuards are those whose breach is a state that lasts, so that trying
// again breaks them again. A change of the configuration or topology, or a loss,
// is an event that a person goes on from by [Continue]; and with roles that moved
// by themselves no step can go on.
var waivableGuards = [...]plan.Guard{plan.GuardPartner, plan.GuardPower, plan.GuardAdjacency}

// waivable reports whether the failure that the run pauses for may be waived: a
// lasting breach after the point of no return, where the device must be brought
// to a sound end and going back may be worse. Before it a broken guard turns the
// run back, and no word of a person takes a run over that point with a guard
// broken: the step itself is only awaited under a waiver, and never asked for.
func (s *State) waivable(step plan.Step) bool {
	f := s.Failure
	if s.Back || !s.Past || f == nil || f.Cause != ByGuard || len(f.Objects) == 0 || !slices.Contains(waivableGuards[:], plan.Guard(f.Name)) {
		return false
	}
	return !step.PointOfNoReturn || s.Intent != nil || s.Tried != nil
}

// mayWaive is an error where the waiver does not follow from the state.
func (s *State) mayWaive(step plan.Step, person string, w *Waiver) error {
	switch {
	case !slices.Contains(s.Choices, Waive):
		return errors.New("no guard can be waived here")
	case w == nil:
		return errors.New("the choice to waive keeps no waiver")
	case strings.TrimSpace(person) == "" || strings.TrimSpace(w.Reason) == "":
		return errors.New("a waiver has the name of a person and a reason")
	case string(w.Guard) != s.Failure.Name || w.Step != step.ID || !slices.Equal(w.Objects, s.Failure.Objects):
		return fmt.Errorf("the waiver is of guard %q at step %q; the run paused for %q at %q", w.Guard, w.Step, s.Failure.Name, step.ID)
	}
	if names := s.WaivedBy(); len(names) > 0 && !slices.Contains(names, person) {
		return fmt.Errorf("%q may not waive a guard of this hop; that may %s", person, strings.Join(names, " or "))
	}
	return nil
}

// WaivedBy names the persons who may waive a guard of this hop: those whom its
// hold points ask for. Where none of them names anybody, any named person may.
func (s *State) WaivedBy() []string {
	var out []string
	for _, x := range s.Plan.Steps {
		if x.Hop != s.Hop || x.Hold == nil {
			continue
		}
		for _, p := range x.Hold.Persons {
			if !slices.Contains(out, p) {
				out = append(out, p)
			}
		}
	}
	return out
}

// Waived are the breaches that do not count now: those waived for the step at
// the cursor, unless it is about to ask for what cannot be taken back.
func (s *State) Waived() []Breach {
	step, ok := s.Step()
	if !ok || s.Back || step.PointOfNoReturn && s.Status != Awaiting {
		return nil
	}
	var out []Breach
	for _, w := range s.Waivers {
		if w.Step != step.ID {
			continue
		}
		for _, o := range w.Objects {
			out = append(out, Breach{w.Guard, o})
		}
	}
	return out
}
