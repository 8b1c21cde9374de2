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
	breaches []Breach          // and other breaches

	// excused are adjacencies that are down because the run took them down.
	excused map[string]bool

	// While we change settings ourselves, the configuration changes once.
	adjusting bool
	spent     map[string]bool   // configuration keys that told of that change
	owed      map[string]string // value that may still be told of it

	bare    map[string]string // configuration as it was before anything was prepared
	forget  bool              // the device has restarted since, and may have forgotten it
	restart bool              // the whole device restarts now
	calm    time.Time         // when it counts as restarted
}

// Breach is one way in which a guard is broken: the object that is at fault and
// what is said of it.
type Breach struct {
	Guard  plan.Guard `json:"guard"`
	Object string     `json:"object"`
	Value  string     `json:"value,omitempty"`
}

// NewWatch makes a watch.
func NewWatch(pol policy.Policy) *Watch {
	return &Watch{pol: pol, first: map[string]string{}, changed: map[plan.Guard]string{}, down: map[string]time.Time{},
		roles: map[string]string{}, power: map[string]string{}, partners: map[string]string{}, latest: map[string]string{}, spent: map[string]bool{}, owed: map[string]string{}, bare: map[string]string{}}
}

// GoOn takes what was told so far as what is so from now on: a person has seen
// the change that broke a guard and chose to continue. Loss up to the given
// length breaks no guard any more, and neither do the breaches given, each until
// it has ended: the same thing once more is a new breach.
func (w *Watch) GoOn(loss time.Duration, breaches []Breach) {
	clear(w.changed)
	for k, v := range w.latest {
		w.first[k] = v
	}
	w.granted = max(w.granted, loss)
	w.breaches = append(w.breaches, breaches...)
}

// Standing are the breaches of a guard that last: what a person goes on with who
// chooses to continue now.
func (w *Watch) Standing(now time.Time, g plan.Guard) []Breach {
	var out []Breach
	switch g {
	case plan.GuardPartner:
		for k := range w.partners {
			out = append(out, Breach{g, k, ""}) // in other words each time it is asked
		}
	case plan.GuardPower:
		for k, v := range w.power {
			if v != "ok" {
				out = append(out, Breach{g, k, v})
			}
		}
	case plan.GuardAdjacency:
		for k, since := range w.down {
			if now.Sub(since) > w.pol.Conduct.AdjacencyGrace {
				out = append(out, Breach{g, k, ""})
			}
		}
	case plan.GuardConfiguration, plan.GuardTopology, plan.GuardRoles, plan.GuardLoss:
	}
	slices.SortFunc(out, func(a, b Breach) int { return strings.Compare(a.Object, b.Object) })
	return out
}

func (w *Watch) isGranted(g plan.Guard, object, value string) bool {
	return slices.Contains(w.breaches, Breach{g, object, value})
}

// ended forgets a grant: what it was given for is over.
func (w *Watch) ended(g plan.Guard, object string) {
	w.breaches = slices.DeleteFunc(w.breaches, func(b Breach) bool { return b.Guard == g && b.Object == object })
}

// Excuse names the adjacencies, as reports name them, that the run itself has
// taken down for the hand-over. One that is no longer among them, and is still
// down, has been down since the instant now.
func (w *Watch) Excuse(now time.Time, objects []string) {
	for k := range w.excused {
		if _, down := w.down[k]; down && !slices.Contains(objects, k) {
			w.down[k] = now
		}
	}
	w.excused = map[string]bool{}
	for _, k := range objects {
		w.excused[k] = true
	}
}

// ExpectPrimary says which controller card must have the PRIMARY role from now
// on; empty says that roles are on the move and any change is expected.
func (w *Watch) ExpectPrimary(card string) { w.primary = card }

// Event takes one report of the device, received at the instant now of the
// run's clock.
func (w *Watch) Event(now time.Time, e device.Event) {
	switch e.Kind {
	case device.EventConfiguration:
		w.once(now, plan.GuardConfiguration, "configuration "+e.Object, e.Now, byOthers)
	case device.EventTopology:
		w.once(now, plan.GuardTopology, "topology "+e.Object, e.Now, "spanning tree "+e.Object+" reported a topology change")
	case device.EventAdjacency:
		if e.Now == "up" {
			delete(w.down, e.Object)
			w.ended(plan.GuardAdjacency, e.Object)
		} else if _, already := w.down[e.Object]; !already {
			w.down[e.Object] = now
		}
	case device.EventPower:
		w.power[e.Object] = e.Now
		if e.Now == "ok" {
			w.ended(plan.GuardPower, e.Object)
		}
	case device.EventComponent:
		if e.Now == state.Primary || e.Now == state.Secondary {
			w.roles[e.Object] = e.Now
		}
	case device.EventSynced, device.EventAlarm, device.EventInterface:
	}
}

// Adjusting says that the run is about to change settings of the device: the
// first new value that each kind of report gives of the configuration from now
// until [Watch.Adjusted] is ours. A second one is somebody else's.
func (w *Watch) Adjusting() {
	w.adjusting = true
	clear(w.spent)
	clear(w.owed)
	for k, v := range w.first {
		if _, known := w.bare[k]; !known {
			w.bare[k] = v
		}
	}
}

// Restart says, at the instant now, whether the whole device restarts, whether
// it has since settings of ours were made, and whether such are held. While it
// restarts it tells a configuration that is not whole, so that what it tells is
// judged a few readings later. Settings that it was not told to save are then
// gone: a configuration as before they were made is nobody's change.
func (w *Watch) Restart(now time.Time, restarts, restarted, held bool) {
	if w.restart && !restarts {
		w.calm = now.Add(3 * w.pol.Conduct.PollEvery)
	}
	w.restart = restarts
	w.forget = restarted && held
	if !held && now.After(w.calm) {
		clear(w.bare)
	}
}

// Adjusted says that the settings hold, and what the device says of its
// configuration since: digest, and instant of the last change in RFC 3339; what
// it does not say is empty. A report that told another value than that was of
// somebody else's change; one that is still on its way may tell this value and
// no other.
func (w *Watch) Adjusted(digest, changed string) {
	if !w.adjusting {
		return
	}
	w.adjusting = false
	for object, now := range map[string]string{"digest": digest, "time": changed} {
		key := "configuration " + object
		was, seen := w.first[key]
		switch {
		case now == "" || !seen || was == now:
		case w.spent[key]:
			w.changed[plan.GuardConfiguration] = byOthers
		default:
			w.owed[key] = now
		}
	}
}

const byOthers = "the configuration was changed while the work went on"

// once remembers the first value and calls a different one a change.
func (w *Watch) once(now time.Time, g plan.Guard, key, value, text string) {
	if value == "" {
		return
	}
	w.latest[key] = value
	if g == plan.GuardConfiguration && w.unsettled(now) {
		return
	}
	w.judge(g, key, value, text)
}

// unsettled reports whether the device restarts, or has a moment ago.
func (w *Watch) unsettled(now time.Time) bool { return w.restart || now.Before(w.calm) }

func (w *Watch) judge(g plan.Guard, key, value, text string) {
	was, seen := w.first[key]
	if !seen {
		w.first[key] = value
		return
	}
	switch {
	case was == value:
	case g == plan.GuardConfiguration && w.adjusting && !w.spent[key]:
		w.first[key], w.spent[key] = value, true
	case g == plan.GuardConfiguration && w.forget && w.bare[key] == value:
		w.first[key] = value
	case g == plan.GuardConfiguration && !w.adjusting && w.owed[key] == value:
		w.first[key] = value
		delete(w.owed, key)
	default:
		w.changed[g] = text
	}
}

// Partner takes what is known of a partner device; why is empty where it is in
// service.
func (w *Watch) Partner(name, why string) {
	if why == "" {
		delete(w.partners, name)
		w.ended(plan.GuardPartner, name)
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
	case plan.GuardConfiguration:
		if w.unsettled(now) {
			return w.changed[g]
		}
		if !w.calm.IsZero() {
			w.calm = time.Time{}
			for k, v := range w.latest {
				if strings.HasPrefix(k, "configuration ") {
					w.judge(g, k, v, byOthers)
				}
			}
		}
		return w.changed[g]
	case plan.GuardTopology:
		return w.changed[g]
	case plan.GuardPartner:
		return firstOf(w.partners, func(k, v string) string {
			if w.isGranted(g, k, "") {
				return ""
			}
			return "partner " + k + ": " + v
		})
	case plan.GuardPower:
		return firstOf(w.power, func(k, v string) string {
			if v == "ok" || w.isGranted(g, k, v) {
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
			if d := now.Sub(since); d > w.pol.Conduct.AdjacencyGrace && !w.excused[k] && !w.isGranted(g, k, "") {
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
