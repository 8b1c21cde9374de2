package conduct

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/state"
)

// Watch remembers what the device, its partners and the probe have told while
// a run goes on, and says whether a guard is broken. It is pure and not safe
// for concurrent use.
type Watch struct {
	pol      policy.Policy
	first    map[string]string // configuration and topology as first told
	changed  map[plan.Guard]string
	down     map[string]time.Time // adjacency → since when, by the run's clock
	roles    map[string]string
	power    map[string]string
	partners map[string]string // partner → why it is down
	primary  string            // controller card that must be PRIMARY; empty while roles are on the move
	latest   map[string]string // configuration and topology as last told
	granted  time.Duration     // loss that a person chose to go on with
}

// NewWatch makes a watch.
func NewWatch(pol policy.Policy) *Watch {
	return &Watch{pol: pol, first: map[string]string{}, changed: map[plan.Guard]string{}, down: map[string]time.Time{},
		roles: map[string]string{}, power: map[string]string{}, partners: map[string]string{}, latest: map[string]string{}}
}

// GoOn takes what was told so far as what is so from now on: a person has seen
// the change that broke a guard and chose to continue. Loss up to the given
// length breaks no guard any more.
func (w *Watch) GoOn(loss time.Duration) {
	clear(w.changed)
	for k, v := range w.latest {
		w.first[k] = v
	}
	w.granted = max(w.granted, loss)
}

// ExpectPrimary says which controller card must have the PRIMARY role from now
// on; empty says that roles are on the move and any change is expected.
func (w *Watch) ExpectPrimary(card string) { w.primary = card }

// Event takes one report of the device, received at the instant now of the
// run's clock.
func (w *Watch) Event(now time.Time, e device.Event) {
	switch e.Kind {
	case device.EventConfiguration:
		w.once(plan.GuardConfiguration, "configuration "+e.Object, e.Now, "the configuration was changed while the work went on")
	case device.EventTopology:
		w.once(plan.GuardTopology, "topology "+e.Object, e.Now, "spanning tree "+e.Object+" reported a topology change")
	case device.EventAdjacency:
		if e.Now == "up" {
			delete(w.down, e.Object)
		} else if _, already := w.down[e.Object]; !already {
			w.down[e.Object] = now
		}
	case device.EventPower:
		w.power[e.Object] = e.Now
	case device.EventComponent:
		if e.Now == state.Primary || e.Now == state.Secondary {
			w.roles[e.Object] = e.Now
		}
	case device.EventSynced, device.EventAlarm, device.EventInterface:
	}
}

// once remembers the first value and calls a different one a change.
func (w *Watch) once(g plan.Guard, key, value, text string) {
	if value == "" {
		return
	}
	w.latest[key] = value
	was, seen := w.first[key]
	if !seen {
		w.first[key] = value
		return
	}
	if was != value {
		w.changed[g] = text
	}
}

// Partner takes what is known of a partner device; why is empty where it is in
// service.
func (w *Watch) Partner(name, why string) {
	if why == "" {
		delete(w.partners, name)
	} else {
		w.partners[name] = why
	}
}

// Broken returns the first of the guards that is broken at the instant now, or
// nil.
func (w *Watch) Broken(now time.Time, guards []plan.Guard, live Live) *Failure {
	for _, g := range guards {
		if text := w.broken(now, g, live); text != "" {
			return &Failure{Cause: ByGuard, Name: string(g), Text: text}
		}
	}
	return nil
}

func (w *Watch) broken(now time.Time, g plan.Guard, live Live) string {
	switch g {
	case plan.GuardConfiguration, plan.GuardTopology:
		return w.changed[g]
	case plan.GuardPartner:
		return firstOf(w.partners, func(k, v string) string { return "partner " + k + ": " + v })
	case plan.GuardPower:
		return firstOf(w.power, func(k, v string) string {
			if v == "ok" {
				return ""
			}
			return k + " is " + v
		})
	case plan.GuardRoles:
		if w.primary == "" {
			return ""
		}
		return firstOf(w.roles, func(k, v string) string {
			if (v == state.Primary) == (k == w.primary) {
				return ""
			}
			return fmt.Sprintf("unexpected switchover: %s is %s, and %s should be PRIMARY", k, v, w.primary)
		})
	case plan.GuardAdjacency:
		var lost []string
		for k, since := range w.down {
			if d := now.Sub(since); d > w.pol.Conduct.AdjacencyGrace {
				lost = append(lost, fmt.Sprintf("%s (down for %v)", k, d.Round(time.Second)))
			}
		}
		if len(lost) == 0 {
			return ""
		}
		slices.Sort(lost)
		return "adjacency lost and not back within " + w.pol.Conduct.AdjacencyGrace.String() + ": " + strings.Join(lost, ", ")
	case plan.GuardLoss:
		if live.Worst > max(w.pol.Probe.Budget, w.granted) {
			return fmt.Sprintf("%s lost traffic for %v, the budget is %v", live.WorstFlow, live.Worst.Round(time.Millisecond), w.pol.Probe.Budget)
		}
	}
	return ""
}

func firstOf(m map[string]string, text func(k, v string) string) string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		if t := text(k, m[k]); t != "" {
			return t
		}
	}
	return ""
}
