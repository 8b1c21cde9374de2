package conduct

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/state"
)

// holdFound takes the values that a prepare step's intent has found. A setting
// that is held already keeps the value that was found first: the one found now
// is our own. One that already is as wanted is nobody's to put back.
func (s *State) holdFound(step plan.Step) error {
	was, ok := s.IntentObservation()
	if !ok {
		return errors.New("the intent keeps nothing of what was found")
	}
	for i, e := range step.Ends {
		if i >= len(was.Found) || was.Found[i].On != e.On || len(was.Found[i].Settings) != len(e.Settings) {
			return fmt.Errorf("the intent does not keep what was found on %q", e.On)
		}
		for j, want := range e.Settings {
			found := was.Found[i].Settings[j]
			if found.Key() != want.Key() {
				return fmt.Errorf("the intent keeps %q, want what was found at %q", found.Text(), want.Parts())
			}
			if found != want && plan.Holding(s.Prepared, e.On, want) < 0 {
				s.Prepared = append(s.Prepared, plan.Held{On: e.On, Found: found, Wanted: want})
			}
		}
	}
	return nil
}

// OwnHeld reports whether the run holds settings of its own device changed.
func (s *State) OwnHeld() bool {
	return slices.ContainsFunc(s.Prepared, func(h plan.Held) bool { return h.On == "" && !h.ByHand })
}

// HeldWanted are the settings that the run holds changed over a connection, as it
// set them, by device.
func (s *State) HeldWanted() []plan.End {
	var out []plan.End
	for _, h := range s.Prepared {
		if h.ByHand {
			continue
		}
		i := slices.IndexFunc(out, func(e plan.End) bool { return e.On == h.On })
		if i < 0 {
			out = append(out, plan.End{On: h.On})
			i = len(out) - 1
		}
		out[i].Settings = append(out[i].Settings, h.Wanted)
	}
	return out
}

// Restarting reports whether the whole device restarts now, as far as the
// journal tells: a restart was intended and the step has not ended.
func (s *State) Restarting() bool {
	step, ok := s.Step()
	return ok && step.Kind == plan.ReloadDevice && s.Restarted && (s.Status != Ready || s.Tried != nil)
}

// release forgets what the step has put back.
func (s *State) release(step plan.Step) {
	for _, e := range step.Ends {
		for _, x := range e.Settings {
			s.Prepared = slices.DeleteFunc(slices.Clone(s.Prepared), func(h plan.Held) bool { return h.On == e.On && h.Wanted.Key() == x.Key() })
		}
	}
}

// Targets are the values that a prepare or restore step makes hold: those of
// the plan, or those that were found before and are held. A restore step has no
// target for a setting that is not held.
func (s *State) Targets(step plan.Step) []plan.End {
	if step.Kind != plan.Restore {
		return step.Ends
	}
	var out []plan.End
	for _, e := range step.Ends {
		end := plan.End{On: e.On}
		for _, x := range e.Settings {
			if i := plan.Holding(s.Prepared, e.On, x); i >= 0 && !s.Prepared[i].ByHand {
				end.Settings = append(end.Settings, s.Prepared[i].Found)
			}
		}
		if len(end.Settings) > 0 {
			out = append(out, end)
		}
	}
	return out
}

// Foreign names the settings, as read now, that have neither the value that
// they had before the run nor the one that the run gives them: somebody else
// has set them, and no step may write over that.
func (s *State) Foreign(step plan.Step, now []plan.End) []string {
	var out []string
	for _, e := range now {
		for _, x := range e.Settings {
			i := plan.Holding(s.Prepared, e.On, x)
			if i < 0 || x == s.Prepared[i].Found || x == s.Prepared[i].Wanted {
				continue
			}
			out = append(out, fmt.Sprintf("%s: %s; before the run it was %q, and the run set %q", nameOf(e.On, s.Plan.Device), x.Text(),
				s.Prepared[i].Found.Value, s.Prepared[i].Wanted.Value))
		}
	}
	return out
}

// Unset names the targets that do not hold in the values read now; none means
// that all of them do.
func Unset(targets, now []plan.End, own fleet.DeviceID) []string {
	var out []string
	for _, t := range targets {
		i := slices.IndexFunc(now, func(e plan.End) bool { return e.On == t.On })
		for _, want := range t.Settings {
			found := "not read"
			if i >= 0 {
				if j := slices.IndexFunc(now[i].Settings, func(x state.Setting) bool { return x.Key() == want.Key() }); j >= 0 {
					if now[i].Settings[j] == want {
						continue
					}
					found = now[i].Settings[j].Text()
				}
			}
			out = append(out, fmt.Sprintf("%s: want %s (found: %s)", nameOf(t.On, own), want.Text(), found))
		}
	}
	return out
}

func nameOf(on, own fleet.DeviceID) fleet.DeviceID {
	if on == "" {
		return own
	}
	return on
}

// TakenDown names the adjacencies that are down because the run has suspended
// them, as the device's reports name them: protocol and neighbour.
func (s *State) TakenDown() []string {
	var out []string
	for _, h := range s.Prepared {
		if h.Wanted.Protocol != state.BFD || h.Wanted.Parameter != state.ParamEnabled || h.Wanted.Value != "false" || h.On != "" {
			continue
		}
		for _, p := range s.Plan.Hops[s.Hop].Prepare {
			if !slices.ContainsFunc(p.Ends, func(e plan.End) bool { return e.On == "" && slices.Contains(e.Settings, h.Wanted) }) {
				continue
			}
			for _, name := range p.Saves {
				if words := strings.Fields(name); len(words) > 1 && words[0] == state.BFD {
					out = append(out, words[0]+" "+words[1])
				}
			}
		}
	}
	return out
}
