package plan

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"towpath/internal/release"
)

// Loss is what a step is foretold to cost traffic that has no other way.
type Loss struct {
	Least  time.Duration `json:"least_ns"`
	Likely time.Duration `json:"likely_ns"`
	Most   time.Duration `json:"most_ns"`
	// Known is false where nothing gives a figure; Most is then how long it can
	// be at worst, or 0 where that is not known either.
	Known bool   `json:"known"`
	Of    string `json:"of"`    // whose traffic, such as "what passes LC-3"
	Basis string `json:"basis"` // where the figure comes from, or why there is none
}

// Text is the loss in words, such as "about 85ms (50ms to 130ms) of what passes
// mere-agg-1, by the catalogue".
func (l Loss) Text() string {
	switch {
	case !l.Known && l.Most > 0:
		return fmt.Sprintf("no figure (%s); at worst %s of %s", l.Basis, span(l.Most), l.Of)
	case !l.Known:
		return fmt.Sprintf("no figure (%s)", l.Basis)
	case l.Most == 0:
		return fmt.Sprintf("none of %s, %s", l.Of, l.Basis)
	case l.Least == l.Most:
		return fmt.Sprintf("about %s of %s, %s", span(l.Likely), l.Of, l.Basis)
	}
	return fmt.Sprintf("about %s (%s to %s) of %s, %s", span(l.Likely), span(l.Least), span(l.Most), l.Of, l.Basis)
}

// span writes a duration for people: 85ms, 2.4s, 3m, 1h5m.
func span(d time.Duration) string {
	switch {
	case d < time.Second:
		d = d.Round(time.Millisecond)
	case d < time.Minute:
		d = d.Round(100 * time.Millisecond)
	default:
		d = d.Round(time.Second)
	}
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// Effect is a step that can touch traffic, with what it is foretold to cost it.
type Effect struct {
	Step  string `json:"step"`   // its id
	N     int    `json:"number"` // its place in the list, from 1
	Hop   int    `json:"hop"`    // index into Plan.Hops
	Title string `json:"title"`
	// Consent names the hold point that covers it, such as "before the upgrade
	// run of hop 2"; empty where no hold point stands before it.
	Consent string `json:"consent,omitempty"`
	Loss    Loss   `json:"loss"`
}

// Text is the effect in words: place, title and loss.
func (e Effect) Text() string {
	return fmt.Sprintf("step %d, %s: traffic lost: %s", e.N, e.Title, e.Loss.Text())
}

// Effects are the steps of the list that can touch traffic, in order.
func Effects(steps []Step) []Effect {
	var out []Effect
	consent := ""
	for i, s := range steps {
		if s.Hold != nil {
			consent = consentName(s)
		}
		if s.Loss != nil {
			out = append(out, Effect{Step: s.ID, N: i + 1, Hop: s.Hop, Title: s.Title, Consent: consent, Loss: *s.Loss})
		}
	}
	return out
}

// consentName says at which hold point a consent is given.
func consentName(s Step) string {
	if len(s.Ends) > 0 {
		return fmt.Sprintf("%s, hop %d", strings.TrimPrefix(s.Title, "Hold point: "), s.Hop+1)
	}
	return fmt.Sprintf("before the %s of hop %d", strings.ReplaceAll(string(s.Phase), "-", " "), s.Hop+1)
}

// ahead gives each hold point the steps that its consent covers: all that can
// touch traffic from it to the next hold point.
func ahead(steps []Step) {
	effects := Effects(steps)
	next := len(steps)
	for i := len(steps) - 1; i >= 0; i-- {
		if steps[i].Hold == nil {
			continue
		}
		hold := *steps[i].Hold
		hold.Ahead = nil
		for _, e := range effects {
			if e.N > i+1 && e.N <= next {
				hold.Ahead = append(hold.Ahead, e)
			}
		}
		steps[i].Hold, next = &hold, i
	}
}

// foretell gives each step that can touch traffic its loss.
func (c *composer) foretell() {
	for i := range c.plan.Steps {
		s := &c.plan.Steps[i]
		if s.Loss == nil {
			s.Loss = c.lossOf(*s)
		}
	}
	ahead(c.plan.Steps)
}

// lossOf is what a step is foretold to cost; nil where it touches no traffic.
func (c *composer) lossOf(s Step) *Loss {
	h, hp := c.plan.Path.Hops[s.Hop], c.plan.Hops[s.Hop]
	device := "what passes " + string(c.plan.Device) + " and has no other way"
	switch s.Kind {
	case SwitchOver:
		l := &Loss{Least: hp.LossLeast, Likely: max(hp.Loss, hp.LossExpected), Most: max(hp.LossMost, hp.LossExpected), Of: device, Known: true}
		switch {
		case h.Loss != nil && len(hp.Outlook) > 0:
			l.Basis = "by the catalogue and the forecast of the adjacencies"
		case h.Loss != nil:
			l.Basis = "by the catalogue; no adjacency is forecast"
		case hp.LossMost > 0:
			l.Basis = "by the forecast of the adjacencies; the catalogue gives none of the hand-over itself"
		default:
			return &Loss{Of: device, Basis: "the catalogue gives no loss of this hand-over"}
		}
		return l
	case ReloadDevice:
		if h.Method == release.Reload && hp.Silence > 0 { // it forwards on
			if len(hp.Outlook) == 0 {
				return &Loss{Most: s.Expect.Most, Of: device, Basis: "no adjacency is forecast; the device forwards on, says the catalogue"}
			}
			return &Loss{Least: hp.LossLeast, Likely: hp.LossExpected, Most: max(hp.LossMost, hp.LossExpected), Of: device, Known: true,
				Basis: "by the forecast of the adjacencies; the device forwards on, says the catalogue"}
		}
		return &Loss{Least: s.Expect.Least, Likely: s.Expect.Likely, Most: s.Expect.Most, Of: device, Known: true, Basis: "as long as the restart takes"}
	case LoadLineCard:
		return c.cardLoss(s, c.in.Platform.Durations.LineCardLoss)
	case LoadFirmware:
		i := slices.IndexFunc(h.Firmware, func(f release.FirmwareStep) bool { return f.Component == s.Component })
		of := "what passes " + s.Component + " and has no other way"
		switch {
		case i >= 0 && h.Firmware[i].Outage:
			return &Loss{Least: s.Expect.Least, Likely: s.Expect.Likely, Most: s.Expect.Most, Of: of, Known: true, Basis: "as long as the restart takes: the catalogue says that it interrupts traffic"}
		case slices.Contains(c.in.Layout.LineCards, s.Component):
			return c.cardLoss(s, c.in.Platform.Durations.LineCardLoss)
		}
		return &Loss{Of: of, Known: true, Basis: "so says the catalogue"}
	case Prepare, Restore:
		if slices.ContainsFunc(hp.Prepare, Preparation.moves) {
			return &Loss{Of: "what is moved", Basis: "it moves traffic to another way, and back; what moving costs is not forecast"}
		}
	case CaptureBefore, CheckReadiness, StartProbe, RemoveFile, TransferPackage, TransferFirmware, VerifyStaged, PrepareBoot, LoadSecondary,
		Hold, ConfirmTimers, ConfirmReleases, CompareStates, JudgeProbe, AcceptHop:
	}
	return nil
}

// cardLoss is what the restart of a line card costs that is to keep forwarding.
func (c *composer) cardLoss(s Step, by *release.SilenceRange) *Loss {
	of := "what passes " + s.Component + " and has no other way"
	if by == nil {
		return &Loss{Most: s.Expect.Most, Of: of, Basis: "the catalogue gives no loss of a line card's restart"}
	}
	return &Loss{Least: by.Least, Likely: by.Likely, Most: by.Most, Of: of, Known: true, Basis: "by the catalogue"}
}

// foretellBack gives each step of a way back the loss that the plan foretells of
// the like step of the hop, since a way back does the same once more.
func (c *composer) foretellBack(p *Plan) {
	for i := range c.plan.Steps {
		s := &c.plan.Steps[i]
		for _, like := range p.Steps {
			if like.Hop == s.Hop && like.Loss != nil && like.Kind == s.Kind && (like.Component == s.Component || s.Kind == SwitchOver) {
				l := *like.Loss
				s.Loss = &l
			}
		}
	}
	c.foretell()
}
