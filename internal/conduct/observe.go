package conduct

import (
	"encoding/json"
	"fmt"
	"path"
	"slices"
	"strings"
	"time"

	"towpath/internal/plan"
	"towpath/internal/state"
)

// Observation is what an intent record keeps of the device as it was before
// the act, so that a later reading can tell whether the act was begun.
type Observation struct {
	At       time.Time            `json:"at"`
	Release  string               `json:"release"`
	Boot     time.Time            `json:"boot,omitzero"`
	Boots    map[string]time.Time `json:"boots"` // boot time per component
	Roles    map[string]string    `json:"roles"`
	Releases map[string]string    `json:"releases"`
	Oper     map[string]string    `json:"oper"`
	// Configuration is what the device told of its configuration.
	Configuration Told `json:"configuration,omitzero"`
	// Found are the values that a prepare or restore step read at the settings
	// of its ends, in the same order.
	Found []plan.End `json:"found,omitempty"`
}

// Told is what a device tells of its configuration: the digest, and the instant
// of the last change in RFC 3339; what it does not tell is empty.
type Told struct {
	Digest  string `json:"digest,omitempty"`
	Changed string `json:"changed,omitempty"`
}

// ToldBy is what the capture tells of the configuration.
func ToldBy(c *state.Capture) Told {
	t := Told{Digest: c.Configuration.Digest.Or("")}
	if at, ok := c.Configuration.Changed.Get(); ok {
		t.Changed = at.UTC().Format(time.RFC3339Nano)
	}
	return t
}

// Observe keeps of a capture what an intent needs.
func Observe(c *state.Capture) Observation {
	o := Observation{At: c.TakenAt, Release: c.Release.Or(""), Boot: c.BootTime.Or(time.Time{}),
		Boots: map[string]time.Time{}, Roles: map[string]string{}, Releases: map[string]string{}, Oper: map[string]string{}, Configuration: ToldBy(c)}
	for _, k := range c.Components {
		if t, ok := k.BootTime.Get(); ok {
			o.Boots[k.Name] = t
		}
		if v, ok := k.Role.Get(); ok {
			o.Roles[k.Name] = v
		}
		if v, ok := k.Version.Get(); ok {
			o.Releases[k.Name] = v
		}
		if v, ok := k.Oper.Get(); ok {
			o.Oper[k.Name] = v
		}
	}
	return o
}

// IntentObservation returns the observation that the intent in force was written with;
// ok is false where there is none.
func (s *State) IntentObservation() (o Observation, ok bool) {
	return observed(s.Intent)
}

// TriedObservation is the same of the first try of the step that was given up.
func (s *State) TriedObservation() (o Observation, ok bool) { return observed(s.Tried) }

func observed(r *Record) (o Observation, ok bool) {
	if r == nil || len(r.Data) == 0 {
		return o, false
	}
	return o, json.Unmarshal(r.Data, &o) == nil
}

// Answer is what a condition's check found.
type Answer struct {
	Holds bool
	Known bool   // false where the device did not tell
	Text  string // what was found, for people
}

// Holds checks one condition on a reading. was is the observation before the
// act; without one, conditions about a restart count as holding, because there
// is nothing to compare with.
func Holds(c plan.Condition, now *state.Capture, was *Observation) Answer {
	comp, there := now.Component(c.Component)
	str := func(o state.Opt[string], what string) Answer {
		v, known := o.Get()
		if !known {
			return Answer{Text: fmt.Sprintf("%s of %s is not known", what, c.Component)}
		}
		return Answer{Holds: v == c.Value, Known: true, Text: fmt.Sprintf("%s of %s is %s", what, c.Component, v)}
	}
	if c.Component != "" && !there && c.Fact != plan.FactNoFile && c.Fact != plan.FactFileStaged && c.Fact != plan.FactBootNext && !ofNoComponent(c.Fact) {
		return Answer{Text: c.Component + " does not show up"}
	}
	switch c.Fact {
	case plan.FactRole:
		return str(comp.Role, "role")
	case plan.FactRelease:
		return str(comp.Version, "release")
	case plan.FactOper:
		return str(comp.Oper, "operational status")
	case plan.FactFirmware:
		return str(comp.Firmware, "firmware")
	case plan.FactReady:
		v, known := comp.SwitchoverReady.Get()
		return Answer{Holds: v, Known: known, Text: fmt.Sprintf("%s says ready for switchover: %v", c.Component, v)}
	case plan.FactSystem:
		v, known := now.Release.Get()
		return Answer{Holds: v == c.Value, Known: known, Text: "the device says that it runs " + v}
	case plan.FactInstalled:
		// The protocol has no list of installed packages: the answer to the
		// installation is the proof, and it stands in the journal.
		return Answer{Holds: true, Known: true, Text: "by the device's answer to the installation"}
	case plan.FactBootNext:
		for _, b := range now.Boot {
			if b.Controller == c.Component {
				v, known := b.Version.Get()
				return Answer{Holds: v == c.Value, Known: known, Text: fmt.Sprintf("%s boots %s next", c.Component, v)}
			}
		}
		return Answer{Text: "what " + c.Component + " boots next is not known"}
	case plan.FactRestarted:
		return restarted(c, comp, now, was)
	case plan.FactNoFile, plan.FactFileStaged:
		return file(c, now)
	case plan.FactSetting, plan.FactPutBack:
		return Answer{Text: "a setting is read by itself"}
	case plan.FactWaitsFor, plan.FactWaits, plan.FactActs:
		return waits(c, now)
	}
	return Answer{Text: "unknown fact " + string(c.Fact)}
}

// ofNoComponent reports whether a fact is about something else than a component
// of the device.
func ofNoComponent(f plan.Fact) bool {
	return f == plan.FactSetting || f == plan.FactPutBack || f == plan.FactWaitsFor || f == plan.FactWaits || f == plan.FactActs
}

// waits compares a detection time of an adjacency with the least it must be, or
// the role in it with the one that it must be.
func waits(c plan.Condition, now *state.Capture) Answer {
	i := slices.IndexFunc(now.Adjacencies, func(a state.Adjacency) bool { return a.Name() == c.Component })
	if i < 0 {
		return Answer{Text: c.Component + " does not show up"}
	}
	if c.Fact == plan.FactActs {
		role, known := now.Adjacencies[i].Role.Get()
		return Answer{Holds: role == c.Value, Known: known, Text: "it is " + role}
	}
	least, err := time.ParseDuration(c.Value)
	if err != nil {
		return Answer{Text: err.Error()}
	}
	t := now.Adjacencies[i].Timers.NeighbourDetect
	if c.Fact == plan.FactWaits {
		t = now.Adjacencies[i].Timers.OwnDetect
	}
	d, known := t.Get()
	if !known {
		return Answer{Text: "the device does not tell how long that is"}
	}
	return Answer{Holds: d >= least, Known: true, Text: fmt.Sprintf("%v", d)}
}

func restarted(c plan.Condition, comp state.Component, now *state.Capture, was *Observation) Answer {
	if was == nil {
		return Answer{Holds: true, Known: true}
	}
	before, after, known := was.Boot, now.BootTime.Or(time.Time{}), now.BootTime.Known()
	if c.Component != "" {
		before = was.Boots[c.Component]
		after, known = comp.BootTime.Get()
	}
	return Answer{Holds: after.After(before), Known: known, Text: fmt.Sprintf("boot time of %s: %s, before %s",
		orSystem(c.Component), after.Format(time.RFC3339), before.Format(time.RFC3339))}
}

func orSystem(name string) string {
	if name == "" {
		return "the device"
	}
	return name
}

func file(c plan.Condition, now *state.Capture) Answer {
	known, found := false, false
	for _, v := range now.Volumes {
		if v.Controller != c.Component || !v.FilesKnown {
			continue
		}
		known = true
		found = found || slices.ContainsFunc(v.Files, func(f state.File) bool {
			return f.Path == c.Value || path.Base(f.Path) == path.Base(c.Value)
		})
	}
	word := "is not"
	if found {
		word = "is"
	}
	return Answer{Holds: known && found == (c.Fact == plan.FactFileStaged), Known: known, Text: fmt.Sprintf("%s %s on %s", c.Value, word, c.Component)}
}

// Unmet returns the texts of the conditions that do not hold, and whether all
// of them do.
func Unmet(cs []plan.Condition, now *state.Capture, was *Observation) (texts []string, all bool) {
	for _, c := range cs {
		if a := Holds(c, now, was); !a.Holds {
			texts = append(texts, fmt.Sprintf("%s (found: %s)", c.Text(), a.Text))
		}
	}
	return texts, len(texts) == 0
}

// Begun reports whether the reading shows that a step's act was begun since
// the observation, though its effect may still be on the way.
func Begun(step plan.Step, now *state.Capture, was Observation) bool {
	switch step.Kind {
	case plan.ReloadDevice:
		t, ok := now.BootTime.Get()
		return ok && t.After(was.Boot)
	case plan.SwitchOver:
		c, ok := now.Component(step.Component)
		return ok && c.Role.Or("") == state.Primary
	case plan.LoadSecondary, plan.LoadLineCard, plan.LoadFirmware:
		c, ok := now.Component(step.Component)
		if !ok {
			return true // it was there and is gone: it is on its way
		}
		if t, known := c.BootTime.Get(); known && t.After(was.Boots[c.Name]) {
			return true
		}
		oper, known := c.Oper.Get()
		return known && oper != was.Oper[c.Name]
	case plan.PrepareBoot, plan.RemoveFile:
		_, all := Unmet(step.After, now, &was)
		return all
	case plan.Prepare, plan.Restore:
		return false // no capture tells: BegunSettings
	case plan.CaptureBefore, plan.CheckReadiness, plan.StartProbe, plan.TransferPackage, plan.TransferFirmware, plan.VerifyStaged,
		plan.Hold, plan.ConfirmTimers, plan.ConfirmReleases, plan.CompareStates, plan.JudgeProbe, plan.AcceptHop:
		return false
	}
	return false
}

// FellBack reports whether the reading shows that the component restarted and
// came up with another release than the step brings: the activation fell back.
func FellBack(step plan.Step, now *state.Capture, was Observation) (string, bool) {
	if step.Kind != plan.LoadSecondary && step.Kind != plan.LoadLineCard {
		return "", false
	}
	c, ok := now.Component(step.Component)
	if !ok {
		return "", false
	}
	boot, known := c.BootTime.Get()
	v, vKnown := c.Version.Get()
	if known && vKnown && boot.After(was.Boots[c.Name]) && c.Oper.Or("") == state.OperActive && v != step.Release {
		return fmt.Sprintf("%s restarted and runs %s, not %s", c.Name, v, step.Release), true
	}
	return "", false
}

// SafeState names how the device stands when the run is left at this moment,
// in words for a person. What is still changed of the settings is said with it.
func (s *State) SafeState() string {
	still := s.StillChanged()
	if len(still) == 0 {
		return s.stands()
	}
	return s.stands() + ". Still changed, to be put back: " + strings.Join(still, "; ")
}

// StillChanged names the settings that the run has changed, or may have, and
// not put back.
func (s *State) StillChanged() []string {
	out := make([]string, len(s.Prepared))
	for i, h := range s.Prepared {
		out[i] = h.Text(s.Plan.Device)
	}
	return out
}

func (s *State) stands() string {
	switch {
	case s.Status == Closed && s.Verdict == Accepted:
		return "the device runs " + s.Plan.To + " and was accepted"
	case !s.Touched && s.Accepted == 0:
		if s.Seq > 0 && slices.ContainsFunc(s.Steps[:min(s.Cursor+1, len(s.Steps))], func(p plan.Step) bool { return p.Kind.Changes() }) {
			return "untouched: the device runs " + s.Plan.From + " as before; files may have been copied to it"
		}
		return "untouched: the device runs " + s.Plan.From + " as before"
	case !s.Touched:
		return "between hops: the device runs " + s.Plan.Hops[max(0, s.Hop-1)].To + ", accepted"
	case s.Verdict == RolledBack:
		return "the device runs " + s.Plan.Hops[s.Hop].From + " again, as before the hop"
	case s.Back:
		return "on the way back to " + s.Plan.Hops[s.Hop].From
	case !s.Past:
		return "staged: the primary runs " + s.Plan.Hops[s.Hop].From + " and forwards; the secondary may be restarting or run " + s.Plan.Hops[s.Hop].To
	default:
		step, _ := s.Step()
		return "handed over: the primary runs " + s.Plan.Hops[s.Hop].To + "; the work stands before \"" + step.Title + "\""
	}
}
