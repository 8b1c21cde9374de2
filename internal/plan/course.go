package plan

import (
	"fmt"
	"slices"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/state"
	"towpath/internal/timing"
)

// AssumedLayout is how a device is built as far as the operator's inventory
// says, for a forecast of times before any capture is read. assumed lists what
// was taken for granted. inService says that some hop needs two controller cards.
func AssumedLayout(d fleet.Device, inService bool) (l Layout, assumed []string) {
	l.Releases, l.BootNext = map[string]string{}, map[string]string{}
	for _, k := range d.Components {
		switch k.Kind {
		case state.KindControllerCard:
			switch {
			case l.Primary == "":
				l.Primary = k.Name
			case l.Secondary == "":
				l.Secondary = k.Name
			}
		case state.KindLineCard:
			l.LineCards = append(l.LineCards, k.Name)
		default:
		}
	}
	if l.Primary == "" {
		l.Primary = "controller"
		assumed = append(assumed, "the fleet file lists no controller card; one is taken for granted")
	}
	if inService && l.Secondary == "" {
		l.Secondary = "second controller"
		assumed = append(assumed, "the fleet file lists no second controller card, which the hop in service needs")
	}
	return l, assumed
}

// TimingOptions are what a forecast of a plan's duration needs beside the plan.
type TimingOptions struct {
	Layout Layout
	Policy policy.Policy
	// Consent is how long a person takes to answer at a hold point.
	Consent Law
	// Measured returns durations of the step that earlier runs measured; nil where
	// none are kept.
	Measured func(Step) []time.Duration
}

// Timing returns the steps as the timing engine wants them: each with the law
// of its duration, what undoing it takes, and the acceptance of each hop as a
// resting place, since a rollback returns the device to the release that its hop
// began with. What undoing takes is the difference between the ways back before
// and after the step, by [WayBack]; steps that join a way back together are
// taken as one law with their sums, which makes its spread wider than it is.
// learned counts the measured durations used. noBack says why there is no way
// back from some step on; empty where there is one from everywhere.
func (p *Plan) Timing(o TimingOptions) (steps []timing.Step, learned int, noBack string) {
	now := Layout{Primary: o.Layout.Primary, Secondary: o.Layout.Secondary, LineCards: o.Layout.LineCards, Releases: map[string]string{}, BootNext: map[string]string{}}
	set := func(rel string) {
		for _, c := range append([]string{now.Primary, now.Secondary}, now.LineCards...) {
			if c != "" {
				now.Releases[c], now.BootNext[c] = rel, rel
			}
		}
	}
	hop := -1
	var held []Held
	back := map[string]Law{} // the way back so far, by what is done
	for _, s := range p.Steps {
		if s.Hop != hop {
			hop, held, back = s.Hop, nil, map[string]Law{}
			set(p.Hops[hop].From)
		}
		law := s.Expect
		if s.Kind == Hold {
			law = o.Consent
		}
		t := timing.Step{ID: s.ID, Law: timed(law), PointOfNoReturn: s.PointOfNoReturn, Rest: s.Kind == AcceptHop}
		if o.Measured != nil {
			m := o.Measured(s)
			t.Law = t.Law.Learn(m...)
			learned += len(m)
		}
		switch s.Kind {
		case PrepareBoot:
			now.BootNext[s.Component] = s.Release
		case LoadSecondary, LoadLineCard:
			now.Releases[s.Component], now.BootNext[s.Component] = s.Release, s.Release
		case SwitchOver:
			now.Primary, now.Secondary = now.Secondary, now.Primary
		case ReloadDevice:
			set(s.Release)
		case Prepare, Restore, Hold:
			undo := s.Kind == Restore || s.Undo
			for _, e := range s.Ends {
				for _, x := range e.Settings {
					held = slices.DeleteFunc(held, func(h Held) bool { return h.same(e.On, x) })
					if !undo {
						held = append(held, Held{On: e.On, ByHand: e.ByHand, Found: state.Setting{Parameter: x.Parameter}, Wanted: x})
					}
				}
			}
		case CaptureBefore, CheckReadiness, StartProbe, RemoveFile, TransferPackage, TransferFirmware, VerifyStaged,
			LoadFirmware, ConfirmTimers, ConfirmReleases, CompareStates, JudgeProbe, AcceptHop:
		}
		if (s.Kind.Touches() || len(s.Ends) > 0) && noBack == "" {
			way, err := WayBack(p, hop, now, o.Policy, held)
			if err != nil {
				noBack = err.Error()
				if hp := p.Hops[hop]; hp.NoBack != "" {
					noBack = fmt.Sprintf("%s → %s: %s", hp.From, hp.To, hp.NoBack)
				}
			}
			after := map[string]Law{}
			for _, b := range way {
				l := b.Expect
				if b.Kind == Hold {
					l = o.Consent
				}
				if l == (Law{}) {
					continue
				}
				// Acts of one kind take alike, on whatever card they are; several, such
				// as a card loaded at either end of a second switchover, count severally.
				key := string(b.Kind)
				for after[key] != (Law{}) {
					key += "+"
				}
				after[key] = l
			}
			var more Law
			for key, l := range after {
				if back[key] == (Law{}) {
					more = more.plus(l)
					back[key] = l
				}
			}
			t.Rollback = timed(more)
		}
		steps = append(steps, t)
	}
	return steps, learned, noBack
}

func (l Law) plus(m Law) Law { return Law{l.Least + m.Least, l.Likely + m.Likely, l.Most + m.Most} }

// timed is the law in the form of the timing engine. An expectation whose ends
// are not in order, as that of a wait longer than the policy's grace, is put in
// order.
func timed(l Law) timing.Law {
	t := []time.Duration{l.Least, l.Likely, l.Most}
	slices.Sort(t)
	return timing.Law{Least: t[0], Likely: t[1], Most: t[2]}
}
