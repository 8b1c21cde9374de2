package evidence

import (
	"bytes"
	"cmp"
	_ "embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"towpath/internal/conduct"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// Page is the document as the HTML shows it; nothing is computed in the
// template.
type Page struct {
	Doc       *Document
	Headline  string
	Sentence  string
	Ended     string
	Begun     string
	Zone      string // that all times are of, such as UTC+01:00
	Found     []string
	Hops      []PageHop
	Counts    []Count
	Findings  []PageFinding // those that are not clear, then the clear ones
	Clear     int
	Compared  []PageComparison
	Loss      []PageOutage
	LossText  string
	Timeline  template.HTML
	Steps     []PageStep
	Consents  []PageConsent
	Journal   []PageRecord
	Parts     []Count
	T4        string
	Expected  string
	LossMore  string // what the table of losses leaves out
	Voids     []string
	VoidText  string
	Resolved  string
	SessionsN int
}

// Count is a label with a figure.
type Count struct{ Label, Figure string }

// PageHop is a hop as a row of figures.
type PageHop struct {
	Title                          string
	Rows                           []PagePair
	Adjacencies                    []PageFate
	Held, Restarted, Lost, Unknown int
}

// PagePair is a forecast beside its measurement.
type PagePair struct{ What, Forecast, Measured, Judged string }

// PageFate is an adjacency as a row.
type PageFate struct{ Object, Forecast, Outcome, Why string }

// PageFinding is a finding as a row: Object is empty where it is the device
// itself, and What says why it matters, what to do and where that stands.
type PageFinding struct{ Verdict, Rule, Object, Evidence, What string }

// PageComparison is a comparison as rows, the grave ones first.
type PageComparison struct {
	Name     string
	Rows     []state.Difference
	Expected int
	Counts   string
}

// PageOutage is an outage as a row.
type PageOutage struct{ Flow, Direction, At, Lost, ByLoss, ByTimestamp, During string }

// PageStep is a step as a row.
type PageStep struct{ N, Phase, Title, Begun, Took, Expect, Result, Text string }

// PageConsent is a consent as a row.
type PageConsent struct {
	At, Person, What string
	Covers           []string // steps that it covered
}

// PageRecord is a journal record as a row.
type PageRecord struct{ Seq, At, Kind, Step, Text string }

//go:embed evidence.html.tmpl
var htmlSource string

// Template parses the HTML template.
func Template() (*template.Template, error) {
	t, err := template.New("evidence").Parse(htmlSource)
	if err != nil {
		return nil, fmt.Errorf("evidence: template: %w", err)
	}
	return t, nil
}

// WriteHTML writes the document as one self-contained page.
func (d *Document) WriteHTML(w io.Writer) error {
	t, err := Template()
	if err != nil {
		return err
	}
	page, err := d.page()
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := t.Execute(&b, page); err != nil {
		return fmt.Errorf("evidence: %w", err)
	}
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("evidence: write: %w", err)
	}
	return nil
}

func (d *Document) page() (*Page, error) {
	// Sessions may have run by other clocks than the first, and a night may have
	// two offsets: all times are shown by that of the begin.
	p := &Page{Doc: d, Begun: d.Begun.Format(time.RFC1123Z), Ended: d.local(d.Ended).Format(time.RFC1123Z), Zone: d.Begun.Format("UTC-07:00"), SessionsN: len(d.Sessions), Found: d.Found}
	p.Headline, p.Sentence = headline(d)
	for _, h := range d.Hops {
		p.Hops = append(p.Hops, pageHop(h))
	}
	counts := map[string]int{}
	for _, f := range d.Findings {
		counts[f.Verdict]++
	}
	for _, v := range []string{"blocker", "unknown", "caution", "clear"} {
		p.Counts = append(p.Counts, Count{v, fmt.Sprint(counts[v])})
		for _, f := range d.Findings {
			if f.Verdict == v {
				p.Findings = append(p.Findings, d.pageFinding(f))
			}
		}
	}
	for _, c := range d.Compared {
		p.Compared = append(p.Compared, pageComparison(c))
	}
	d.lossPage(p)
	timeline, err := d.timeline()
	if err != nil {
		return nil, err
	}
	p.Timeline = timeline
	for i, s := range d.Steps {
		title := s.Title
		if s.Back {
			title = "way back: " + title
		}
		switch {
		case s.By != "":
			title += fmt.Sprintf(" (try %d: %s chose %s)", s.Try, s.By, s.Choice)
		case s.Try > 1:
			title += fmt.Sprintf(" (try %d)", s.Try)
		}
		expect := "–"
		if s.Expect > 0 {
			expect = words(s.Expect)
		}
		p.Steps = append(p.Steps, PageStep{fmt.Sprint(i + 1), string(s.Phase), title, d.clock(s.Begun, "15:04:05"), words(s.Took), expect, s.Result, s.Text})
	}
	for _, c := range d.Consents {
		row := PageConsent{At: d.local(c.At).Format(time.RFC3339), Person: c.Person, What: c.What}
		for _, e := range c.Covers {
			row.Covers = append(row.Covers, e.Text())
		}
		p.Consents = append(p.Consents, row)
	}
	for _, r := range d.Journal {
		p.Journal = append(p.Journal, PageRecord{fmt.Sprint(r.Seq), d.clock(r.At, "15:04:05.000"), string(r.Kind), r.Step, r.Text})
	}
	names := make([]string, 0, len(d.Parts))
	for n := range d.Parts {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		p.Parts = append(p.Parts, Count{n, d.Parts[n]})
	}
	return p, nil
}

// local is an instant by the offset that the run began with.
func (d *Document) local(t time.Time) time.Time { return t.In(d.Begun.Location()) }

// clock writes an instant by that offset, with its day where that is not the one
// of the begin.
func (d *Document) clock(t time.Time, layout string) string {
	t = d.local(t)
	if t.Format(time.DateOnly) != d.Begun.Format(time.DateOnly) {
		layout = "2 Jan " + layout
	}
	return t.Format(layout)
}

func headline(d *Document) (head, sentence string) {
	switch d.Verdict {
	case conduct.Accepted:
		if len(inSpite(d.Journal)) > 0 {
			return "ACCEPTED", fmt.Sprintf("%s runs %s. A person chose to go on in spite of what had stopped the run; the notes say of what.", d.Device, d.To)
		}
		return "ACCEPTED", fmt.Sprintf("%s runs %s. Every check agreed.", d.Device, d.To)
	case conduct.RolledBack:
		return "ROLLED BACK", fmt.Sprintf("%s was returned to the release that the hop began with, because: %s", d.Device, d.Reason)
	case conduct.Paused:
		if n := len(d.Journal); n > 0 && d.Journal[n-1].Kind == conduct.Finished {
			return "HANDED OVER", fmt.Sprintf("A person took the work over by hand, because: %s", d.Reason)
		}
		return "PAUSED", fmt.Sprintf("A person must decide, because: %s", d.Reason)
	case conduct.Refused:
		return "REFUSED", fmt.Sprintf("%s still runs %s as before, because: %s", d.Device, d.From, d.Reason)
	}
	return "OPEN", "The run has not ended."
}

func pageHop(h Hop) PageHop {
	out := PageHop{Title: fmt.Sprintf("%s to %s, %s", h.From, h.To, h.Method)}
	pair := func(what string, p Pair, limits bool) {
		row := PagePair{What: what, Forecast: words(p.Forecast), Measured: "not measured"}
		if limits && p.Most > 0 {
			row.Forecast += fmt.Sprintf(" (%s to %s)", words(p.Least), words(p.Most))
		}
		if p.Known {
			row.Measured = words(p.Measured)
			if p.Resolution > 0 {
				row.Measured += " ± " + words(p.Resolution)
			}
			if limits && p.Most > 0 {
				row.Judged = "inside the forecast"
				if !p.Inside() {
					row.Judged = "outside the forecast"
				}
			}
		}
		out.Rows = append(out.Rows, row)
	}
	if h.Silence.Forecast > 0 {
		pair("Silence of the control plane", h.Silence, true)
	}
	pair("Longest loss of traffic", h.Loss, true)
	if h.Parts.Known || h.Parts.Most > 0 {
		pair("Longest loss while single components restart", h.Parts, true)
		if h.Parts.Most == 0 {
			out.Rows[len(out.Rows)-1].Forecast = "none was made"
		}
	}
	pair("Duration", h.Minutes, false)
	for _, f := range h.Adjacencies {
		switch f.Outcome {
		case "held":
			out.Held++
		case "restarted":
			out.Restarted++
		case "lost":
			out.Lost++
		case Suspended:
		default:
			out.Unknown++
		}
		out.Adjacencies = append(out.Adjacencies, PageFate{f.Object, fmt.Sprintf("%s (%.1f %%)", f.Forecast, 100*f.Survive), f.Outcome, f.Why})
	}
	if h.Held != nil {
		yes := "no"
		if *h.Held {
			yes = "yes"
		}
		sure := fmt.Sprintf("%.1f %%", 100*h.Untouched)
		if h.Bare > 0 || len(h.Prepared) > 0 {
			sure += fmt.Sprintf(" prepared, %.1f %% unprepared", 100*h.Bare)
		}
		out.Rows = append(out.Rows, PagePair{"Every adjacency holds", sure, yes, ""})
	}
	for _, x := range h.Prepared {
		found := cmp.Or(x.Found, "its default")
		if x.ByHand {
			found = "as noted by the person who set it"
		}
		back := "NOT PUT BACK"
		if x.Last != "" {
			back += ", " + x.Last + " found when the work was taken over"
		}
		if !x.Back.IsZero() {
			back = "put back after " + words(x.Back.Sub(x.Since))
		}
		out.Rows = append(out.Rows, PagePair{"Prepared on " + x.On + ": " + x.Setting, fmt.Sprintf("set to %s, found %s", x.Wanted, found), back, ""})
	}
	out.Rows = append(out.Rows, PagePair{"T1 download and staging, T2 upgrade run, T3 acceptance", "", fmt.Sprintf("%s, %s, %s", words(h.T1), words(h.T2), words(h.T3)), "T4 " + words(h.T1+h.T2+h.T3)})
	return out
}

func pageComparison(c Comparison) PageComparison {
	out := PageComparison{Name: c.Name}
	for _, class := range []state.Class{state.Stop, state.Look} {
		for _, d := range c.Differences {
			if d.Class == class {
				out.Rows = append(out.Rows, d)
			}
		}
	}
	out.Expected = len(c.Differences) - len(out.Rows)
	return out
}

func (d *Document) lossPage(p *Page) {
	m := d.Probe
	if m.Sent == 0 {
		p.LossText = "Test traffic was not sent, so nothing is claimed of loss."
		return
	}
	p.Resolved = words(m.Resolution)
	p.LossText = fmt.Sprintf("%s sent, %d lost (%d on the way there, %d on the way back). A loss shorter than %s cannot be seen. A packet later than %s counts as lost.",
		unit.Counted(m.Sent, "packet"), m.Lost, m.Forward, m.Reverse, words(m.Resolution), words(m.Waited))
	if d.Budget > 0 {
		p.LossText += fmt.Sprintf(" The policy allows an outage of %s at most.", words(d.Budget))
	}
	if len(m.Outages) == 0 && m.Lost == 0 {
		p.LossText += " No loss."
	}
	if d.Lab != "" {
		p.LossText += " Times of test traffic are by the clock of the machine that measured, and not by that of the emulated lab, which runs faster."
	}
	sorted := slices.Clone(m.Outages)
	slices.SortStableFunc(sorted, func(a, b conduct.Outage) int { return cmp.Compare(b.Longest(), a.Longest()) })
	n := min(len(sorted), outagesListed)
	for _, o := range sorted[:n] {
		p.Loss = append(p.Loss, PageOutage{o.Flow, o.Direction, d.clock(o.From, "15:04:05.000"), fmt.Sprint(o.Lost), words(o.ByLoss), words(o.ByTimestamp), d.during(o)})
	}
	p.LossMore = moreOutages(sorted[n:])
	d.voidsPage(p)
}

// during is the step that an outage began in, by the marks of the machine that
// measured both: the one that was begun last before it, or was over before it.
func (d *Document) during(o conduct.Outage) string {
	what := "before the first step that can touch traffic"
	var last time.Time
	for _, k := range d.Probe.Marks {
		of, over := strings.CutSuffix(k.Label, conduct.Over)
		of = strings.TrimSuffix(of, conduct.Again)
		if k.At.After(o.From) || k.At.Before(last) || !slices.ContainsFunc(d.Steps, func(s Step) bool { return s.Title == of }) {
			continue
		}
		if last, what = k.At, of; over {
			what = "after: " + of
		}
	}
	return what
}

// pageFinding is a finding as a row.
func (d *Document) pageFinding(f Finding) PageFinding {
	out := PageFinding{Verdict: f.Verdict, Rule: f.Rule, Object: f.Object, Evidence: f.Evidence}
	if f.Object == d.Device {
		out.Object = ""
	}
	var parts []string
	if f.Verdict != "clear" {
		parts = append(parts, sentence(f.Reason), sentence(f.Remedy))
	}
	if f.Source != "" {
		parts = append(parts, "Source: "+f.Source+".")
	}
	out.What = strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), " ")
	return out
}

// sentence begins a text with a capital letter and ends it.
func sentence(s string) string {
	if s == "" {
		return ""
	}
	r, n := utf8.DecodeRuneInString(s)
	s = string(unicode.ToUpper(r)) + s[n:]
	if strings.ContainsRune(".?!", rune(s[len(s)-1])) {
		return s
	}
	return s + "."
}

// joined is a title with what became of it.
func joined(title, text string) string {
	switch {
	case text == "":
		return title
	case title != "" && strings.ContainsRune(".?!:", rune(title[len(title)-1])):
		return title + " " + text
	}
	return title + ": " + text
}

// How much of a long list stands in the page and on paper, the longest first. The
// JSON has all of it.
const (
	outagesListed = 40
	voidsListed   = 10
)

// moreOutages sums up the outages that are not listed; empty where all are. They
// are in order, the longest first.
func moreOutages(rest []conduct.Outage) string {
	if len(rest) == 0 {
		return ""
	}
	var packets uint64
	var long time.Duration
	for _, o := range rest {
		packets += o.Lost
		long += o.Longest()
	}
	return fmt.Sprintf("Not listed: %s, none longer than %s; together %s lost over %s, each flow and direction counted by itself. The JSON document has them all.",
		unit.Counted(len(rest), "outage"), words(rest[0].Longest()), unit.Counted(packets, "packet"), words(long))
}

// voidsPage lists the longest of the times that were not measured, in the order of
// time, and sums up the others.
func (d *Document) voidsPage(p *Page) {
	voids := slices.Clone(d.Probe.Voids)
	if len(voids) == 0 {
		return
	}
	long := func(v conduct.Void) time.Duration { return v.Until.Sub(v.From) }
	slices.SortStableFunc(voids, func(a, b conduct.Void) int { return cmp.Compare(long(b), long(a)) })
	n := min(len(voids), voidsListed)
	listed, rest := voids[:n], voids[n:]
	slices.SortStableFunc(listed, func(a, b conduct.Void) int { return a.From.Compare(b.From) })
	for _, v := range listed {
		p.Voids = append(p.Voids, fmt.Sprintf("%s, %s: %s", d.clock(v.From, "15:04:05.000"), words(long(v)), v.Why))
	}
	p.VoidText = fmt.Sprintf("Not measured, and never counted as an outage: %s, together %s, each flow counted by itself.", unit.Counted(len(voids), "gap"), words(together(voids)))
	if len(rest) > 0 {
		p.VoidText += fmt.Sprintf(" The %d longest:", n)
		p.Voids = append(p.Voids, fmt.Sprintf("not listed: %s, none longer than %s; together %s. The JSON document has them all.",
			unit.Counted(len(rest), "gap"), words(long(rest[0])), words(together(rest))))
	}
}

// together is the sum of the times.
func together(voids []conduct.Void) (sum time.Duration) {
	for _, v := range voids {
		sum += v.Until.Sub(v.From)
	}
	return sum
}

// words writes a duration for people: 61.7ms, 2.2s, 12m30s.
func words(d time.Duration) string {
	switch {
	case d == 0:
		return "0"
	case d < time.Millisecond:
		return d.Round(time.Microsecond).String()
	case d < time.Second:
		return d.Round(100 * time.Microsecond).String()
	case d < time.Minute:
		return d.Round(10 * time.Millisecond).String()
	}
	return d.Round(time.Second).String()
}

// FindingsOf reads findings from a readiness report's JSON, an object whose
// field "findings" lists them.
func FindingsOf(report []byte) ([]Finding, error) {
	var r struct {
		Findings []Finding `json:"findings"`
	}
	if len(report) == 0 {
		return nil, nil
	}
	if err := json.Unmarshal(report, &r); err != nil {
		return nil, fmt.Errorf("evidence: findings: %w", err)
	}
	for i := range r.Findings {
		r.Findings[i].Verdict = strings.ToLower(r.Findings[i].Verdict)
	}
	return r.Findings, nil
}
