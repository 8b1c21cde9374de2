// Package runbook renders plans for people. A device's plan becomes a runbook
// as plain text, Markdown, HTML or PDF, and an appointment in a calendar: it
// shows the very steps that the conductor runs and adds none of its own. A
// campaign becomes the document that a change board decides on, with its nights
// drawn on a scale of time.
//
// Read [Render] first, then [Brief].
package runbook

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"towpath/internal/paper"
	"towpath/internal/plan"
)

// Format is a form that a runbook can be rendered in.
type Format string

// The formats.
const (
	Text     Format = "text"
	Markdown Format = "markdown"
	HTML     Format = "html"
	PDF      Format = "pdf"
	Calendar Format = "ics" // iCalendar, RFC 5545
	SVG      Format = "svg" // of a campaign's nights only
)

// Formats lists those in which a runbook shows every step.
func Formats() []Format { return []Format{Text, Markdown, HTML, PDF} }

// Page is a runbook as data: everything that any format shows.
type Page struct {
	Title    string
	Device   string
	Platform string
	From, To string
	MadeAt   string
	Made     time.Time
	Digest   string
	Serves   []string
	Cautions []string
	Total    string // mean duration of all steps, holds not counted
	Hops     []Hop
	Steps    []Step
	Partners []string
}

// Hop is what is foretold of one hop.
type Hop struct {
	N          int
	From, To   string
	Method     string
	Silence    string
	Loss       string
	Untouched  string
	Bare       string // probability without the preparations
	Prepare    []Preparation
	Back       string
	Images     []Image
	Watch      []plan.Outlook // adjacencies that are not sure to hold
	WatchMore  int
	Outlooks   int
	NoReturnAt string // title of the step
}

// Preparation is a change of settings around a hand-over, as people read it.
type Preparation struct{ Apply, Restore, Saves, Settle string }

// Image is one file of a hop.
type Image struct{ Kind, File, Size, SHA256 string }

// Step is one step as people read it.
type Step struct {
	N        int
	ID       string
	Phase    string
	Title    string
	Before   []string
	After    []string
	Expect   string
	Clock    string // time since the start at which it should begin
	Deadline string
	OnFail   string
	Guards   string
	NoReturn bool
	Hold     string // what is asked
	Persons  string
	Covers   []string // of a hold point: what its consent covers that can touch traffic
	Traffic  string   // what the step is foretold to cost traffic; empty where it touches none
	Settings []string // that the step makes or puts back, with the device
	PutsBack bool     // the step puts the settings back
	First    bool     // first of its phase and hop
	Hop      int
}

// PageOf makes the page of a plan.
func PageOf(p *plan.Plan) (Page, error) {
	digest, err := p.Digest()
	if err != nil {
		return Page{}, fmt.Errorf("runbook: %w", err)
	}
	page := Page{
		Title:  fmt.Sprintf("Runbook: %s from %s to %s", p.Device, p.From, p.To),
		Device: string(p.Device), Platform: p.Platform, From: p.From, To: p.To,
		MadeAt: p.MadeAt.Format(time.RFC3339), Made: p.MadeAt, Digest: digest, Serves: p.Serves, Cautions: p.Cautions, Total: short(p.Expected(0)),
	}
	for _, d := range p.Partners {
		page.Partners = append(page.Partners, string(d))
	}
	for i, h := range p.Hops {
		page.Hops = append(page.Hops, hopOf(i, h))
	}
	var at time.Duration
	last := ""
	for i, s := range p.Steps {
		key := fmt.Sprint(s.Phase, s.Hop)
		step := Step{N: i + 1, ID: s.ID, Phase: phaseName(s.Phase), Title: s.Title, Expect: law(s.Expect), Clock: clock(at),
			Deadline: short(s.Deadline), OnFail: remedy(s.OnFail), NoReturn: s.PointOfNoReturn, First: key != last, Hop: s.Hop + 1}
		last = key
		at += s.Expect.Mean()
		for _, c := range s.Before {
			step.Before = append(step.Before, c.Text())
		}
		for _, c := range s.After {
			step.After = append(step.After, c.Text())
		}
		var guards []string
		for _, g := range s.Guards {
			guards = append(guards, strings.ReplaceAll(string(g), "-", " "))
		}
		step.Guards = strings.Join(guards, ", ")
		step.PutsBack = s.Kind == plan.Restore || s.Undo
		for _, e := range s.Ends {
			on := string(e.On)
			if on == "" {
				on = page.Device
			}
			for _, x := range e.Settings {
				if step.PutsBack {
					// The value of the setting is the one to be rid of: read as one to be
					// made, it would be left behind by who works by hand.
					step.Settings = append(step.Settings, fmt.Sprintf("%s: %s, to what was found before it was set to %s", on, x.Parts(), cmp.Or(x.Value, "its default")))
					continue
				}
				step.Settings = append(step.Settings, on+": "+x.Text())
			}
		}
		if s.Hold != nil {
			step.Hold, step.Persons = s.Hold.Ask, strings.Join(s.Hold.Persons, " or ")
			if step.Persons == "" {
				step.Persons = "any named person"
			}
			step.Expect, step.Deadline = "as long as it takes", "none"
			for _, e := range s.Hold.Ahead {
				step.Covers = append(step.Covers, e.Text())
			}
		}
		if s.Loss != nil {
			step.Traffic = s.Loss.Text()
		}
		if s.PointOfNoReturn && s.Hop < len(page.Hops) {
			page.Hops[s.Hop].NoReturnAt = fmt.Sprintf("step %d", i+1)
		}
		page.Steps = append(page.Steps, step)
	}
	return page, nil
}

// ifFails begins what is done when the step fails. Behind the point of no return
// there is no such way any more, so that at it only a failure before it counts.
func (s Step) ifFails() string {
	if s.NoReturn {
		return "if it fails before it takes effect"
	}
	return "if it fails"
}

// setsLabel says what a step does with its settings.
func (s Step) setsLabel() string {
	if s.PutsBack {
		return "puts back"
	}
	return "sets"
}

func hopOf(i int, h plan.HopPlan) Hop {
	out := Hop{N: i + 1, From: h.From, To: h.To, Method: h.Method, Outlooks: len(h.Outlook)}
	if h.Silence > 0 {
		out.Silence = fmt.Sprintf("about %s (%s to %s)", short(h.Silence), short(h.Least), short(h.Most))
	}
	if likely := max(h.Loss, h.LossExpected); likely > 0 || h.LossMost > 0 {
		out.Loss = "about " + short(likely)
		if h.LossMost > 0 {
			out.Loss += fmt.Sprintf(" (%s to %s)", short(h.LossLeast), short(max(h.LossMost, likely)))
		}
	}
	if h.Untouched > 0 || len(h.Outlook) > 0 {
		out.Untouched = fmt.Sprintf("%.1f %%", 100*h.Untouched)
	}
	if len(h.Prepare) > 0 {
		out.Bare = fmt.Sprintf("%.1f %%", 100*h.Bare)
	}
	for _, q := range h.Prepare {
		out.Prepare = append(out.Prepare, Preparation{q.Apply, q.Restore, strings.Join(q.Saves, ", "), short(q.Settle)})
	}
	out.Back = h.Back
	if h.Back == "" {
		out.Back = "none: " + h.NoBack
	}
	for _, im := range h.Images {
		out.Images = append(out.Images, Image{im.Kind, im.File, im.Size.String(), im.SHA256})
	}
	for _, o := range h.Outlook {
		if o.Outcome == "holds" {
			continue
		}
		if len(out.Watch) < 20 {
			out.Watch = append(out.Watch, o)
		} else {
			out.WatchMore++
		}
	}
	return out
}

func phaseName(p plan.Phase) string {
	switch p {
	case plan.Download:
		return "Download"
	case plan.Staging:
		return "Staging"
	case plan.UpgradeRun:
		return "Upgrade run"
	case plan.Acceptance:
		return "Upgrade acceptance"
	}
	return string(p)
}

func remedy(r plan.Remedy) string {
	switch r {
	case plan.Stop:
		return "end here; nothing that runs has been changed"
	case plan.RollBack:
		return "go back to the release of this hop's beginning"
	case plan.Pause:
		return "pause and ask the named person"
	}
	return string(r)
}

// short writes a duration as people say it: 2.2s, 340ms, 12m, 1h05m.
func short(d time.Duration) string {
	switch {
	case d <= 0:
		return "0s"
	case d < time.Second:
		return d.Round(time.Millisecond).String()
	case d < time.Minute:
		return d.Round(100 * time.Millisecond).String()
	case d < time.Hour:
		d = d.Round(time.Second)
		if d%time.Minute == 0 {
			return fmt.Sprintf("%dm", d/time.Minute)
		}
		return fmt.Sprintf("%dm%02ds", d/time.Minute, d%time.Minute/time.Second)
	}
	d = d.Round(time.Minute)
	return fmt.Sprintf("%dh%02dm", d/time.Hour, d%time.Hour/time.Minute)
}

func law(l plan.Law) string {
	if l.Least == l.Most {
		return short(l.Likely)
	}
	return fmt.Sprintf("%s (%s to %s)", short(l.Likely), short(l.Least), short(l.Most))
}

func clock(d time.Duration) string {
	d = d.Round(time.Second)
	return fmt.Sprintf("+%d:%02d:%02d", d/time.Hour, d%time.Hour/time.Minute, d%time.Minute/time.Second)
}

// Render writes the plan in the format. It is an error when the format is not
// one of [Formats], when the plan has no date and the format is PDF, or when w
// fails. A calendar needs a window: see [WriteCalendar].
func Render(w io.Writer, p *plan.Plan, f Format) error {
	page, err := PageOf(p)
	if err != nil {
		return err
	}
	switch f {
	case Text:
		var b bytes.Buffer
		text(&b, page)
		if _, err := w.Write(b.Bytes()); err != nil {
			return fmt.Errorf("runbook: write: %w", err)
		}
		return nil
	case Markdown, HTML, PDF:
		return write(w, page.document(), f)
	case Calendar, SVG:
	}
	return fmt.Errorf("runbook: no format %q; there are %s", f, listed(Formats()))
}

// write hands the document to the writer of the format.
func write(w io.Writer, d *paper.Document, f Format) error {
	switch f {
	case Markdown:
		return paper.WriteMarkdown(w, d)
	case HTML:
		return paper.WriteHTML(w, d)
	case PDF:
		return paper.WritePDF(w, d)
	case Text, Calendar, SVG:
	}
	return fmt.Errorf("runbook: a document has no form %q", f)
}

func listed(fs []Format) string {
	words := make([]string, len(fs))
	for i, f := range fs {
		words[i] = string(f)
	}
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

const width = 100

// wrap breaks s into lines of at most width columns, with the first line's
// prefix given and the others indented as far.
func wrap(b *bytes.Buffer, prefix, s string) {
	indent := strings.Repeat(" ", utf8.RuneCountInString(prefix))
	line := prefix
	empty := true
	for _, word := range strings.Fields(s) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line, empty = indent, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	b.WriteString(strings.TrimRight(line, " ") + "\n")
}

func text(b *bytes.Buffer, p Page) {
	b.WriteString(p.Title + "\n" + strings.Repeat("=", utf8.RuneCountInString(p.Title)) + "\n\n")
	fmt.Fprintf(b, "platform  %s\nmade      %s\nplan      %s\nlength    about %s, hold points not counted\n", p.Platform, p.MadeAt, p.Digest, p.Total)
	if len(p.Partners) > 0 {
		fmt.Fprintf(b, "partners  %s\n", strings.Join(p.Partners, ", "))
	}
	if len(p.Serves) > 0 {
		wrap(b, "serves    ", strings.Join(p.Serves, ", "))
	}
	b.WriteString("\nCautions\n")
	for _, c := range p.Cautions {
		wrap(b, "  ! ", c)
	}
	for _, h := range p.Hops {
		fmt.Fprintf(b, "\nHop %d: %s to %s, %s\n", h.N, h.From, h.To, h.Method)
		for _, kv := range [][2]string{{"control plane silent", h.Silence}, {"lost at hand-over", h.Loss}, {"nothing drops", h.Untouched}, {"without preparing", h.Bare}, {"way back", h.Back}, {"point of no return", h.NoReturnAt}} {
			if kv[1] != "" {
				fmt.Fprintf(b, "  %-21s %s\n", kv[0], kv[1])
			}
		}
		for _, im := range h.Images {
			fmt.Fprintf(b, "  image %-21s %s (%s)\n", im.Kind, im.File, im.Size)
		}
		for _, q := range h.Prepare {
			wrap(b, "  prepare: ", q.Apply+"; it saves "+q.Saves)
		}
		for _, o := range h.Watch {
			wrap(b, fmt.Sprintf("  %s: ", o.Outcome), o.Object+": "+o.Why)
		}
		if h.WatchMore > 0 {
			fmt.Fprintf(b, "  and %d more adjacencies that are not sure to hold\n", h.WatchMore)
		}
	}
	for _, s := range p.Steps {
		if s.First {
			fmt.Fprintf(b, "\n%s, hop %d\n%s\n", s.Phase, s.Hop, strings.Repeat("-", width))
		}
		wrap(b, fmt.Sprintf("[ ] %3d %s  ", s.N, s.Clock), s.Title)
		if s.NoReturn {
			b.WriteString("        *** POINT OF NO RETURN ***\n")
		}
		if s.Hold != "" {
			if !strings.Contains(s.Title, s.Hold) {
				wrap(b, "        asks:   ", s.Hold)
			}
			for i, x := range s.Covers {
				if i == 0 {
					b.WriteString("        covers, before the next hold point:\n")
				}
				wrap(b, "        - ", x)
			}
			fmt.Fprintf(b, "        consent by %s: ______________________  time: __________\n", s.Persons)
			continue
		}
		wrap(b, "        ", fmt.Sprintf("takes %s, at most %s; %s: %s", s.Expect, s.Deadline, s.ifFails(), s.OnFail))
		if s.Traffic != "" {
			wrap(b, "        traffic lost: ", s.Traffic)
		}
		if len(s.Before) > 0 {
			wrap(b, "        before: ", strings.Join(s.Before, "; "))
		}
		for _, x := range s.Settings {
			wrap(b, fmt.Sprintf("        %-7s ", s.setsLabel()+":"), x)
		}
		if len(s.After) > 0 {
			wrap(b, "        after:  ", strings.Join(s.After, "; "))
		}
		if s.Guards != "" {
			wrap(b, "        watch:  ", s.Guards)
		}
	}
}
