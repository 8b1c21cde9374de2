package plan

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/state"
	"towpath/internal/timing"
	"towpath/internal/unit"
)

// Preparation is one change of settings that is made before a silence and
// taken back after it, as the forecast advised it.
type Preparation struct {
	Kind    string        `json:"kind"` // set-timers, suspend, move-role, drain, drain-device
	Apply   string        `json:"apply"`
	Restore string        `json:"restore"`
	Saves   []string      `json:"saves"` // adjacencies
	Cost    float64       `json:"cost"`
	Settle  time.Duration `json:"settle_ns"` // how long after it is made it counts
	Source  string        `json:"source,omitempty"`
	// Ends are the settings, one entry for each device that they are made on.
	Ends []End `json:"ends"`
	// Shows are conditions on the device's own adjacencies by which it can be
	// seen that an end that a person sets was set; what the device does not tell
	// is not held against it.
	Shows []Condition `json:"shows,omitempty"`
}

// moves reports whether traffic or a role moves, rather than a timer.
func (p Preparation) moves() bool { return p.Kind != "set-timers" && p.Kind != "suspend" }

// End is settings of one device.
type End struct {
	// On is the device; empty is the one that the plan is for.
	On fleet.DeviceID `json:"on,omitempty"`
	// ByHand says that no connection leads to it, so that a person has it set.
	ByHand   bool            `json:"by_hand,omitempty"`
	Settings []state.Setting `json:"settings"`
}

// Held is a setting that a run has changed, or may have, and not put back.
type Held struct {
	On     fleet.DeviceID `json:"on,omitempty"`
	ByHand bool           `json:"by_hand,omitempty"`
	Found  state.Setting  `json:"found"` // as it was before; of an end set by hand without a value
	Wanted state.Setting  `json:"wanted"`
}

// Text is the setting in words, with the device that it is on; own names the
// plan's device.
func (h Held) Text(own fleet.DeviceID) string {
	on := h.On
	if on == "" {
		on = own
	}
	if h.ByHand {
		return fmt.Sprintf("%s: %s, set by hand", on, h.Wanted.Text())
	}
	was := h.Found.Value
	if was == "" {
		was = "its default"
	}
	return fmt.Sprintf("%s: %s (was %s)", on, h.Wanted.Text(), was)
}

// same reports whether both are about one setting of one device.
func (h Held) same(on fleet.DeviceID, s state.Setting) bool {
	return h.On == on && h.Wanted.Key() == s.Key()
}

// Holding returns the index of the entry about the setting, or -1.
func Holding(held []Held, on fleet.DeviceID, s state.Setting) int {
	return slices.IndexFunc(held, func(h Held) bool { return h.same(on, s) })
}

// gather joins the ends of all preparations, one end for each device; of two
// values for one setting the later counts. byHand picks the ends that persons
// set, or the others.
func gather(ps []Preparation, byHand bool) []End {
	var out []End
	for _, p := range ps {
		for _, e := range p.Ends {
			if e.ByHand != byHand {
				continue
			}
			i := slices.IndexFunc(out, func(x End) bool { return x.On == e.On })
			if i < 0 {
				out = append(out, End{On: e.On, ByHand: byHand})
				i = len(out) - 1
			}
			out[i].add(e.Settings...)
		}
	}
	return out
}

func (e *End) add(settings ...state.Setting) {
	for _, s := range settings {
		if i := slices.IndexFunc(e.Settings, func(x state.Setting) bool { return x.Key() == s.Key() }); i >= 0 {
			e.Settings[i] = s
		} else {
			e.Settings = append(e.Settings, s)
		}
	}
}

// endsOf are the held settings as ends, those set by hand or the others.
func endsOf(held []Held, byHand bool) []End {
	var out []End
	for _, h := range held {
		if h.ByHand != byHand {
			continue
		}
		i := slices.IndexFunc(out, func(x End) bool { return x.On == h.On })
		if i < 0 {
			out = append(out, End{On: h.On, ByHand: byHand})
			i = len(out) - 1
		}
		out[i].add(h.Wanted)
	}
	return out
}

// missing are the ends with only what is not held yet.
func missing(ends []End, held []Held) []End {
	var out []End
	for _, e := range ends {
		left := slices.DeleteFunc(slices.Clone(e.Settings), func(s state.Setting) bool { return Holding(held, e.On, s) >= 0 })
		if len(left) > 0 {
			out = append(out, End{On: e.On, ByHand: e.ByHand, Settings: left})
		}
	}
	return out
}

// counted says how many settings of which devices the ends are.
func (c *composer) counted(ends []End) string {
	n := 0
	var on []string
	for _, e := range ends {
		n += len(e.Settings)
		on = append(on, string(c.named(e.On)))
	}
	return fmt.Sprintf("%s of %s", unit.Counted(n, "setting"), strings.Join(on, " and "))
}

func (c *composer) named(on fleet.DeviceID) fleet.DeviceID {
	if on == "" {
		return c.plan.Device
	}
	return on
}

func (c *composer) shows(ends []End, fact Fact) []Condition {
	var out []Condition
	for _, e := range ends {
		for _, s := range e.Settings {
			out = append(out, Condition{fact, string(c.named(e.On)), s.Text()})
		}
	}
	return out
}

// The preparations of a hop stand around its hand-over and nothing else: each
// hop has a silence of its own, so that what is advised differs; an accepted hop
// is a place where a run may rest, for hours or for good, and it must rest there
// as the operator left it; and what was changed for the first hand-over and not
// taken back would spoil the comparison that accepts its hop. All settings of
// all devices are one step, since both ends of some timers must change within
// one detection time (RFC 2328 §10.5). They are made after the consent to the
// hand-over, so that nobody's thinking is done on slow timers; before firmware
// is loaded where traffic is moved away, since that restarts a card. They stay
// until the last line card is back, because until then the device may hand over
// once more by itself, and because a way back hands over again.

// prepare adds the step that makes the ends' settings.
func (c *composer) prepare(hop int, ends []End, settle time.Duration, rel string) {
	if len(ends) == 0 {
		return
	}
	title := fmt.Sprintf("Prepare for the hand-over to %s: change %s", rel, c.counted(ends))
	if settle > 0 {
		title += fmt.Sprintf(" and wait %v", settle)
	}
	c.add(Step{Hop: hop, Phase: UpgradeRun, Kind: Prepare, Release: rel, Title: title, Ends: ends, Settle: settle,
		After:  c.shows(ends, FactSetting),
		Expect: Law{settle + time.Second, settle + 3*time.Second, settle + 20*time.Second}, Deadline: settle + 2*time.Minute, OnFail: RollBack, Guards: quiet()})
}

// restore adds the step that puts back what was found at the ends' settings.
func (c *composer) restore(hop int, ends []End, settle time.Duration, rel string) {
	if len(ends) == 0 {
		return
	}
	c.add(Step{Hop: hop, Phase: UpgradeRun, Kind: Restore, Release: rel, Ends: ends, Settle: settle,
		Title:  fmt.Sprintf("Put back %s as found before the hand-over to %s", c.counted(ends), rel),
		After:  c.shows(ends, FactPutBack),
		Expect: Law{settle + time.Second, settle + 3*time.Second, settle + 20*time.Second}, Deadline: settle + 2*time.Minute, OnFail: Pause, Guards: after()})
}

// byHand adds the hold points at which a person has settings made, or put back,
// on devices that no connection leads to.
func (c *composer) byHand(hop int, ends []End, undo bool, persons []string, rel string) {
	for _, e := range ends {
		var texts []string
		for _, s := range e.Settings {
			texts = append(texts, s.Text())
		}
		ask := fmt.Sprintf("is this set on %s, to which no connection is known: %s? Note what it was before; it is put back later.", e.On, strings.Join(texts, "; "))
		title := fmt.Sprintf("Hold point: have %s prepared for the hand-over to %s", e.On, rel)
		if undo {
			ask = fmt.Sprintf("is %s again as it was before it was set to: %s?", e.On, strings.Join(texts, "; "))
			title = fmt.Sprintf("Hold point: have %s put back after the hand-over to %s", e.On, rel)
		}
		c.add(Step{Hop: hop, Phase: UpgradeRun, Kind: Hold, Title: title, OnFail: Pause, Release: rel, Ends: []End{e}, Undo: undo,
			Hold: &HoldSpec{Ask: ask, Persons: persons}, Guards: quiet()})
	}
}

// confirm adds the check that the device sees what persons have set.
func (c *composer) confirm(hop int, ps []Preparation, settle time.Duration, rel string) {
	var cs []Condition
	for _, p := range ps {
		cs = append(cs, p.Shows...)
	}
	if len(cs) == 0 {
		return
	}
	c.add(Step{Hop: hop, Phase: UpgradeRun, Kind: ConfirmTimers, Release: rel, Title: "See the neighbours prepared for the hand-over to " + rel, After: cs,
		Expect: Law{time.Second, settle/2 + 3*time.Second, settle + 20*time.Second}, Deadline: settle + 2*time.Minute, OnFail: RollBack, Guards: quiet()})
}

// persons are those who may answer at the hold points before a phase.
func (c *composer) persons(phase Phase) []string {
	for _, h := range c.in.Policy.HoldPoints {
		if h.Before == string(phase) {
			return h.Persons
		}
	}
	return nil
}

// settling is how long the preparations need, and how long those need to be
// taken back that move traffic or a role.
func settling(ps []Preparation) (made, back time.Duration) {
	for _, p := range ps {
		made = max(made, p.Settle)
		if p.moves() {
			back = max(back, p.Settle)
		}
	}
	return made, back
}

// joinEnds is the settings of both lists, one end for each device.
func joinEnds(a, b []End) []End {
	out := slices.Clone(a)
	for _, e := range b {
		i := slices.IndexFunc(out, func(x End) bool { return x.On == e.On })
		if i < 0 {
			out = append(out, End{On: e.On, ByHand: e.ByHand})
			i = len(out) - 1
		}
		out[i].Settings = slices.Clone(out[i].Settings)
		out[i].add(e.Settings...)
	}
	return out
}

// Neighbours are the other devices on which the plan changes settings over a
// connection, in the order of the steps.
func (p *Plan) Neighbours() []fleet.DeviceID {
	var out []fleet.DeviceID
	for _, s := range p.Steps {
		for _, e := range s.Ends {
			if e.On != "" && !e.ByHand && !slices.Contains(out, e.On) {
				out = append(out, e.On)
			}
		}
	}
	return out
}

// Timed is the law as the timing engine takes it.
func Timed(l Law) timing.Law { return timed(l) }
