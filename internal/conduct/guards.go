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
	partners map[string]string    // partner → why it is down
	unread   map[string]time.Time // partner that cannot be read → since when, by the run's clock
	primary  string               // controller card that must be PRIMARY; empty while roles are on the move
	latest   map[string]string    // configuration and topology as last told
	granted  time.Duration        // loss that a person chose to go on with
	waived   []Breach             // what a person has waived for the step that goes on

	// excused are adjacencies that are down because the run took them down.
	excused map[string]bool

	// While we change settings ourselves, the configuration changes once.
	adjusting bool
	spent     map[string]bool   // configuration keys that told of that change
	owed      map[string]string // value that may still be told of it

	bare    map[string]string // configuration as it was before anything was prepared
	forget  bool              // the device has restarted since, and may have forgotten it
	restart bool              // the whole device restarts now
	calm    time.Time         // when it counts as restarted; zero once what it told has been judged
}

// Breach is one way in which a guard is broken: the object that is at fault.
type Breach struct {
	Guard  plan.Guard
	Object string
}

// NewWatch makes a watch.
func NewWatch(pol policy.Policy) *Watch {
	return &Watch{pol: pol, first: map[string]string{}, changed: map[plan.Guard]string{}, down: map[string]time.Time{},
		roles: map[string]string{}, power: map[string]string{}, partners: map[string]string{}, unread: map[string]time.Time{}, latest: map[string]string{}, spent: map[string]bool{}, owed: map[string]string{}, bare: map[string]string{}}
}

// GoOn takes what was told so far as what is so from now on: a person has seen
// the change that broke a guard and chose to continue. Loss up to the given
// length breaks no guard any more. What lasts breaks its guard again, unless it
// is waived.
func (w *Watch) GoOn(loss time.Duration) {
	clear(w.changed)
	for k, v := range w.latest {
		w.first[k] = v
	}
	w.granted = max(w.granted, loss)
}

// Waive says which breaches do not count from now on, and that all others do.
func (w *Watch) Waive(breaches []Breach) { w.waived = breaches }

// standing are the objects that break a guard and go on doing so, sorted; those
// that are waived are not among them.
func (w *Watch) standing(now time.Time, g plan.Guard) []string {
	var out []string
	switch g {
	case plan.GuardPartner:
		for k := range w.partners {
			if since, unread := w.unread[k]; !unread || now.Sub(since) > w.pol.Conduct.AdjacencyGrace {
				out = append(out, k)
			}
		}
	case plan.GuardPower:
		for k, v := range w.power {
			if v != "ok" {
				out = append(out, k)
			}
		}
	case plan.GuardAdjacency:
		for k, since := range w.down {
			if now.Sub(since) > w.pol.Conduct.AdjacencyGrace && !w.excused[k] {
				out = append(out, k)
			}
		}
	case plan.GuardConfiguration, plan.GuardTopology, plan.GuardRoles, plan.GuardLoss:
	}
	out = slices.DeleteFunc(out, func(k string) bool { return slices.Contains(w.waived, Breach{g, k}) })
	slices.Sort(out)
	return out
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
// it has in this hop, whether settings of ours are held, and what the device
// told of its configuration before they were made. While it restarts it tells a
// configuration that is not whole, so that what it tells is judged a few readings
// later. Settings that it was not told to save are then gone: a configuration as
// before they were made is nobody's change. An adjacency that the restart took
// down has the policy's grace from its end on.
func (w *Watch) Restart(now time.Time, restarts, restarted, held bool, bare Told) {
	if w.restart && !restarts {
		w.calm = now.Add(3 * w.pol.Conduct.PollEvery)
		for k := range w.down {
			w.down[k] = now
		}
	}
	w.restart = restarts
	w.settle(now) // by what it may have forgotten so far
	w.forget = restarted || !w.calm.IsZero()
	switch {
	case held || restarted:
		for object, v := range map[string]string{"digest": bare.Digest, "time": bare.Changed} {
			if _, known := w.bare["configuration "+object]; !known && v != "" {
				w.bare["configuration "+object] = v
			}
		}
	case !w.forget:
		clear(w.bare)
	}
}

// settle judges what the device told while it restarted, once that is over.
func (w *Watch) settle(now time.Time) {
	if w.calm.IsZero() || w.unsettled(now) {
		return
	}
	w.calm = time.Time{}
	for k, v := range w.latest {
		switch {
		case k == "configuration time":
			// A restart sets that instant anew, whatever it loads; what it has loaded,
			// the digest tells, and the comparison.
			w.first[k] = v
		case strings.HasPrefix(k, "configuration "):
			w.judge(plan.GuardConfiguration, k, v, byOthers)
		}
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
	delete(w.unread, name)
	if why == "" {
		delete(w.partners, name)
	} else {
		w.partners[name] = why
	}
}

// PartnerUnread says that a partner could not be read at the instant now, and why.
// The way to it may lead over the device itself, which is silent for a while:
// that breaks the guard only after the grace that adjacencies have too.
func (w *Watch) PartnerUnread(now time.Time, name, why string) {
	if _, already := w.unread[name]; !already {
		if _, down := w.partners[name]; down {
			return // it said so itself, and is not better for saying nothing
		}
		w.unread[name] = now
	}
	w.partners[name] = why
}

// Unheard names the partners that cannot be read and do not break the guard yet:
// until they do or are read, nothing new may be asked.
func (w *Watch) Unheard(now time.Time) []string {
	var out []string
	for k, since := range w.unread {
		if now.Sub(since) <= w.pol.Conduct.AdjacencyGrace {
			out = append(out, k)
		}
	}
	slices.Sort(out)
	return out
}

// Broken returns the first of the guards that is broken at the instant now, or
// nil.
func (w *Watch) Broken(now time.Time, guards []plan.Guard, live Live) *Failure {
	for _, g := range guards {
		if text := w.broken(now, g, live); text != "" {
			return &Failure{Cause: ByGuard, Name: string(g), Text: text, Objects: w.standing(now, g)}
		}
	}
	return nil
}

func (w *Watch) broken(now time.Time, g plan.Guard, live Live) string {
	switch g {
	case plan.GuardConfiguration:
		w.settle(now)
		return w.changed[g]
	case plan.GuardTopology:
		return w.changed[g]
	case plan.GuardPartner:
		var lost []string
		for _, k := range w.standing(now, g) {
			lost = append(lost, "partner "+k+": "+w.partners[k])
		}
		return strings.Join(lost, "; ")
	case plan.GuardPower:
		var lost []string
		for _, k := range w.standing(now, g) {
			lost = append(lost, k+" is "+w.power[k])
		}
		return strings.Join(lost, "; ")
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
		for _, k := range w.standing(now, g) {
			lost = append(lost, fmt.Sprintf("%s (down for %v)", k, now.Sub(w.down[k]).Round(time.Second)))
		}
		if len(lost) == 0 {
			return ""
		}
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
