package runbook

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"towpath/internal/paper"
	"towpath/internal/plan"
	"towpath/internal/unit"
)

// BriefFormats lists the forms of the document that a change board decides on:
// Markdown, HTML and PDF hold all of it, SVG only its picture.
func BriefFormats() []Format { return []Format{Markdown, HTML, PDF, SVG} }

// RenderBrief writes the document of a campaign in the format. figureFile, where
// it is not nil, names the file that figure n, counted from 1, is kept in beside
// a Markdown document; see [Brief]. It is an error when the format is none of
// [BriefFormats] or when w fails.
func RenderBrief(w io.Writer, c *plan.Campaign, f Format, figureFile func(n int) string) error {
	switch f {
	case SVG:
		return paper.WriteSVG(w, Gantt(c))
	case Markdown, HTML, PDF:
		d, err := Brief(c)
		if err != nil {
			return err
		}
		n := 0
		for i, b := range d.Blocks {
			if fig, ok := b.(paper.Figure); ok && figureFile != nil {
				n++
				fig.File = figureFile(n)
				d.Blocks[i] = fig
			}
		}
		return write(w, d, f)
	case Text, Calendar:
	}
	return fmt.Errorf("runbook: a campaign has no form %q; there are %s", f, listed(BriefFormats()))
}

// Brief makes the document that a change board decides on: scope, nights, who is
// affected, risk, what is checked and by what figures, how to stop, and an entry
// for each device. It shows what the campaign holds and computes nothing but
// sums; what the campaign does not hold is said to be missing. It is an error
// when the campaign cannot be encoded.
func Brief(c *plan.Campaign) (*paper.Document, error) {
	digest, err := c.Digest()
	if err != nil {
		return nil, fmt.Errorf("runbook: %w", err)
	}
	b := &briefing{c: c}
	b.doc = &paper.Document{Title: headline(c), Running: headline(c), Maker: c.Operator, Made: c.MadeAt,
		Lead: b.lead(), Digest: digest, DigestOf: "campaign"}
	b.decision(digest)
	b.changes()
	b.scope()
	b.nights()
	b.affected()
	b.risk()
	b.checked()
	b.stop()
	b.appendix()
	return b.doc, nil
}

type briefing struct {
	c   *plan.Campaign
	doc *paper.Document
}

func (b *briefing) add(blocks ...paper.Block) { b.doc.Blocks = append(b.doc.Blocks, blocks...) }

func (b *briefing) section(text string) { b.add(paper.Heading{Level: 1, Text: text}) }

func (b *briefing) say(format string, args ...any) {
	b.add(paper.Paragraph{Text: paper.Plainf(format, args...)})
}

func pair(label, text string) paper.Pair { return paper.Pair{Label: label, Text: paper.Plain(text)} }

// figures is a table; numbers, given by the column's index, are set right.
func figures(caption string, heads []string, numbers ...int) paper.Table {
	t := paper.Table{Caption: caption, RowHeads: true}
	for i, h := range heads {
		col := paper.Column{Head: h}
		if slices.Contains(numbers, i) {
			col.Align = paper.Right
		}
		t.Columns = append(t.Columns, col)
	}
	return t
}

// when is a window: its day and hours.
func when(n plan.Night) string { return day(n.Start) + ", " + hours(n.Start, n.End) }

// moment is an instant as the tables write it.
func moment(t time.Time) string {
	if t.IsZero() {
		return "none"
	}
	return t.Format("Mon 2 Jan 2006 15:04")
}

func clockOf(t time.Time) string {
	if t.IsZero() {
		return "none"
	}
	return t.Format("15:04")
}

// chance writes a probability that may be missing.
func chance(p *float64, runs int, missing string) string {
	if p == nil {
		return missing
	}
	return unit.Share(*p, runs)
}

func (b *briefing) lead() string {
	c := b.c
	if len(c.Nights) == 0 {
		return fmt.Sprintf("%s: no night is planned.", cmp.Or(c.Operator, "This operator"))
	}
	first, last := c.Nights[0], c.Nights[len(c.Nights)-1]
	s := fmt.Sprintf("%s change their software in %s", unit.Counted(len(c.Devices), "device"), unit.Counted(len(c.Nights), "night"))
	if len(c.Devices) == 1 {
		s = fmt.Sprintf("1 device changes its software in %s", unit.Counted(len(c.Nights), "night"))
	}
	if len(c.Nights) == 1 {
		s += ", on " + day(first.Start)
	} else {
		s += fmt.Sprintf(", from %s to %s", day(first.Start), day(last.Start))
	}
	if c.Operator != "" {
		s = c.Operator + ": " + s
	}
	return s + "."
}

// decision says what is asked of the board, with the cautions and room to sign.
func (b *briefing) decision(digest string) {
	c := b.c
	caution := paper.Callout{Label: "Cautions"}
	for _, x := range c.Cautions {
		caution.Texts = append(caution.Texts, paper.Plain(x))
	}
	if len(caution.Texts) > 0 {
		b.add(caution)
	}
	b.section("What is to be decided")
	zone := c.Zone
	if zone == "" && len(c.Nights) > 0 {
		zone = offset(c.Nights[0].Start)
	}
	pairs := []paper.Pair{
		pair("Devices", b.sizes()), pair("Nights", b.span()),
		pair("All done as planned", b.allDone()), pair("Longest work in one night", minutes(c.Proof.WorstNight)),
		pair("Fewest nights possible", b.proofShort()), pair("Busiest link", b.peakShort()),
		pair("Steps that touch traffic", b.trafficShort()),
		pair("Not planned", b.leftShort()), pair("Times are in", zone),
		{Label: "Files, SHA-256", Text: paper.Mono(c.Workspace)},
	}
	if c.Revises != "" {
		pairs = append(pairs, paper.Pair{Label: "Revises, SHA-256", Text: paper.Mono(c.Revises)})
	}
	b.add(paper.Facts(pairs...))
	b.say("Whoever approves, approves the campaign with the digest %s… and no other. Each night still has hold points at which a named person consents or refuses.", digest[:16])
	b.add(paper.Sign{Lines: []string{"Approved by", "Date and time", "On condition that"}})
	if len(c.Warnings) > 0 {
		l := paper.List{}
		for _, w := range c.Warnings {
			l.Items = append(l.Items, paper.Plain(w))
		}
		b.add(paper.Heading{Level: 2, Text: "Look at this first"}, l)
	}
	b.add(paper.Contents{})
}

func (b *briefing) sizes() string {
	c := b.c
	s := fmt.Sprintf("%d planned", len(c.Devices))
	if n := len(c.There); n > 0 {
		s += fmt.Sprintf(", %d at the target already", n)
	}
	if n := len(c.Left); n > 0 {
		s += fmt.Sprintf(", %d without a night", n)
	}
	return s
}

func (b *briefing) span() string {
	n := b.c.Nights
	if len(n) == 0 {
		return "none"
	}
	s := fmt.Sprintf("%d, %s to %s", len(n), day(n[0].Start), day(n[len(n)-1].Start))
	if len(n) == 1 {
		s = "1, " + day(n[0].Start)
	}
	if b.c.WindowsOffered > 0 {
		s += fmt.Sprintf("; %s offered", unit.Counted(b.c.WindowsOffered, "window"))
	}
	return s
}

// allDone is the least chance of a night; the nights' chances are not multiplied,
// since a night that slips is planned anew.
func (b *briefing) allDone() string {
	if len(b.c.Nights) == 0 {
		return ""
	}
	least := slices.MinFunc(b.c.Nights, func(x, y plan.Night) int { return cmp.Compare(x.Done, y.Done) })
	return fmt.Sprintf("the least sure night (%d) with %s; all nights with %s, were they independent", least.Number, unit.Share(least.Done, b.c.Runs), b.allNights())
}

// allNights is the product of the nights' chances, each no surer than its
// simulated runs show.
func (b *briefing) allNights() string {
	p, bounded := 1.0, false
	for _, n := range b.c.Nights {
		most := 1.0
		if b.c.Runs > 0 {
			most = 1 - min(3/float64(b.c.Runs), 1)
		}
		bounded = bounded || n.Done > most
		p *= min(n.Done, most)
	}
	if bounded {
		return fmt.Sprintf(">%.1f %%", math.Floor(1000*p)/10)
	}
	return unit.Share(p, 0)
}

func minutes(m int64) string {
	if m <= 0 {
		return ""
	}
	return short(time.Duration(m) * time.Minute)
}

func (b *briefing) proofShort() string {
	p := b.c.Proof
	switch {
	case p.Nights == 0:
		return ""
	case p.Proven:
		return fmt.Sprintf("%d, proven: this plan cannot be shorter", p.Nights)
	case p.LowerBound > 0:
		return fmt.Sprintf("at least %d, this plan has %d (gap %.1f %%)", p.LowerBound, p.Nights, 100*p.Gap)
	}
	return "no bound was computed"
}

// cuts lists for each night what a failure during the work would cut off.
func (b *briefing) cuts(kinds string) {
	l := paper.List{}
	for _, n := range b.c.Nights {
		switch {
		case n.Load == nil:
		case n.Load.Cut == nil:
			l.Items = append(l.Items, paper.Plain(fmt.Sprintf("Night %d: not computed, there are too many failures; towpath whatif --drain DEVICE,DEVICE --also-fail %s computes it.", n.Number, kinds)))
		default:
			l.Items = append(l.Items, paper.Plain(fmt.Sprintf("Night %d: %s.", n.Number, n.Load.Cut)))
		}
	}
	if len(l.Items) > 0 {
		b.add(l)
	}
}

func (b *briefing) peakShort() string {
	n := b.c.Network
	if n == nil {
		return "not computed: the fleet file has no links or no demands"
	}
	s := peak(n.Worst)
	if n.WorstFailure != nil {
		s += "; with one more failure " + peak(*n.WorstFailure)
	}
	return s
}

// trafficShort sums up what touches traffic, with the longest loss foretold of one
// step, and says what has no figure and what nobody is asked before.
func (b *briefing) trafficShort() string {
	n, unknown, alone := 0, 0, 0
	var worst plan.Effect
	var on string
	for _, d := range b.c.Devices {
		for _, h := range d.Hops {
			for _, e := range h.Effects {
				n++
				switch {
				case !e.Loss.Known:
					unknown++
				case e.Loss.Most > worst.Loss.Most:
					worst, on = e, string(d.Device)
				}
				if e.Consent == "" {
					alone++
				}
			}
		}
	}
	if n == 0 {
		return ""
	}
	parts := []string{fmt.Sprint(n)}
	if worst.Loss.Most > 0 {
		parts = append(parts, fmt.Sprintf("the longest loss foretold of one is %s to %s on %s (%s)", short(worst.Loss.Least), short(worst.Loss.Most), on, worst.Title))
	}
	if unknown > 0 {
		parts = append(parts, fmt.Sprintf("no figure for %d of them", unknown))
	}
	if alone > 0 {
		parts = append(parts, fmt.Sprintf("%d WITHOUT A HOLD POINT before", alone))
	} else {
		parts = append(parts, "each behind a hold point")
	}
	return strings.Join(parts, "; ") + "; all stand in the appendix"
}

func (b *briefing) leftShort() string {
	if len(b.c.Left) == 0 {
		return ""
	}
	return fmt.Sprintf("%s, for the reasons under Scope", unit.Counted(len(b.c.Left), "device"))
}

// peak is the busiest link in words.
func peak(p plan.Peak) string {
	s := fmt.Sprintf("%.1f %%", 100*p.Utilisation)
	if p.Link != "" {
		s += fmt.Sprintf(" on %s, %s to %s", p.Link, p.From, p.To)
	}
	if p.Night > 0 {
		s += fmt.Sprintf(", night %d", p.Night)
	}
	if p.Failure != "" {
		s += ", " + p.Failure + " failed"
	}
	if !p.Sample.IsZero() {
		s += ", with the demands of " + p.Sample.Format("Mon 2006-01-02 15:04")
	}
	return s
}

// demands says with which demands the load of each night was computed, where they
// are not the same for all.
func (b *briefing) demands() {
	first, same := "", true
	for _, n := range b.c.Nights {
		if n.Load != nil {
			same = same && (first == "" || n.Load.Demands == first)
			first = n.Load.Demands
		}
	}
	if same && b.c.Network.Worst.Sample.IsZero() {
		return
	}
	t := figures("With which demands the load of each night was computed", []string{"Night", "Demands", "Busiest with those of", "With one more failure"}, 0)
	for _, n := range b.c.Nights {
		if n.Load == nil {
			continue
		}
		at := func(p *plan.Peak) string {
			switch {
			case p == nil:
				return "not computed"
			case p.Sample.IsZero():
				return "no single sample"
			}
			return p.Sample.Format("Mon 2006-01-02 15:04")
		}
		t.Rows = append(t.Rows, paper.Cells(fmt.Sprint(n.Number), n.Load.Demands, at(&n.Load.Worst), at(n.Load.WorstFailure)))
	}
	b.add(t)
}

func (b *briefing) changes() {
	c := b.c
	if c.Revises == "" {
		return
	}
	b.section("What differs from the campaign before")
	if len(c.Changes) == 0 {
		b.say("No device was moved.")
		return
	}
	moved := capital(unit.Counted(len(c.Changes), "device")) + " moved."
	switch gap := len(c.Changes) - c.LeastMoves; {
	case gap <= 0:
		b.say("%s Proven: no revision moves fewer.", moved)
	default:
		b.say("%s Any revision moves at least %d, so that this one may move up to %d more than it must.", moved, c.LeastMoves, gap)
	}
	t := figures("", []string{"Device", "Was", "Is", "Why"})
	for _, x := range c.Changes {
		t.Rows = append(t.Rows, paper.Cells(string(x.Device), moment(x.Was), moment(x.Is), x.Why))
	}
	b.add(t)
}

func (b *briefing) scope() {
	c := b.c
	b.section("Scope")
	t := figures("What is to run where", []string{"Platform", "Release", "In the fleet", "Planned", "There already", "No night"}, 2, 3, 4, 5)
	for _, x := range c.Targets {
		planned := 0
		for _, d := range c.Devices {
			if d.Platform == x.Platform {
				planned++
			}
		}
		left := 0
		for _, d := range c.Left {
			if d.Platform == x.Platform {
				left++
			}
		}
		there := "see below"
		if len(c.Targets) == 1 {
			there = fmt.Sprint(len(c.There))
		}
		if len(c.There) == 0 {
			there = "0"
		}
		t.Rows = append(t.Rows, paper.Cells(x.Platform, x.Release, fmt.Sprint(x.Devices), fmt.Sprint(planned), there, fmt.Sprint(left)))
	}
	b.add(t)
	b.paths()
	if len(c.There) > 0 {
		names := make([]string, len(c.There))
		for i, d := range c.There {
			names[i] = string(d)
		}
		b.say("They run the target already: %s.", strings.Join(names, ", "))
	}
	if len(c.Left) > 0 {
		t := figures("Devices without a night", []string{"Device", "From", "To", "Why", "What would help"})
		for _, d := range c.Left {
			t.Rows = append(t.Rows, paper.Cells(string(d.Device), d.From, d.To, d.Reason, strings.Join(d.Opens, "; ")))
		}
		b.add(t)
	}
}

// paths counts the devices that go each way.
func (b *briefing) paths() {
	type way struct {
		text    string
		devices int
		outage  time.Duration
		silence time.Duration
	}
	var ways []way
	for _, d := range b.c.Devices {
		w := way{text: hopsText(d.Hops)}
		for _, h := range d.Hops {
			w.outage += h.Outage
			w.silence = max(w.silence, h.Silence)
		}
		w.text = d.Platform + ": " + w.text
		i := slices.IndexFunc(ways, func(x way) bool { return x.text == w.text && x.outage == w.outage && x.silence == w.silence })
		if i < 0 {
			ways = append(ways, w)
			i = len(ways) - 1
		}
		ways[i].devices++
	}
	if len(ways) == 0 {
		return
	}
	slices.SortStableFunc(ways, func(x, y way) int { return cmp.Or(cmp.Compare(y.devices, x.devices), cmp.Compare(x.text, y.text)) })
	t := figures("The ways that the devices take", []string{"Way", "Devices", "Longest silence", "Outage"}, 1, 2, 3)
	for _, w := range ways {
		t.Rows = append(t.Rows, paper.Cells(w.text, fmt.Sprint(w.devices), orNone(w.silence), orNone(w.outage)))
	}
	b.add(t)
}

func orNone(d time.Duration) string {
	if d <= 0 {
		return "none"
	}
	return short(d)
}

// hopsText is a path in words: 4.2.3 → 4.3.1 (in-service) → 4.4.2 (reload).
func hopsText(hops []plan.CourseHop) string {
	if len(hops) == 0 {
		return "no hop"
	}
	s := hops[0].From
	for _, h := range hops {
		s += fmt.Sprintf(" → %s (%s)", h.To, h.Method)
	}
	return s
}

func (b *briefing) nights() {
	c := b.c
	b.section("The nights")
	if len(c.Nights) == 0 {
		b.say("No night is planned.")
		return
	}
	over := overviews(c, gPage)
	for i, d := range over {
		caption := "The campaign on the calendar"
		if len(over) > 1 {
			caption = fmt.Sprintf("The campaign on the calendar, part %d of %d", i+1, len(over))
		}
		b.add(paper.Figure{Caption: caption, Drawing: d})
	}
	t := figures("When, and with whom", []string{"Night", "When", "Stage", "Devices", "Engineers", "Work", "Rollback clock"}, 0, 3, 5, 6)
	for _, n := range c.Nights {
		work := fmt.Sprintf("%d min", n.Minutes)
		if n.Room > 0 {
			work = fmt.Sprintf("%d of %d min", n.Minutes, n.Room)
		}
		at := when(n)
		if len(n.Sites) > 0 {
			at += " (" + strings.Join(n.Sites, ", ") + ")"
		}
		stage := cmp.Or(n.StageName, fmt.Sprint(n.Stage))
		if n.Promised {
			stage += ", promised"
		}
		t.Rows = append(t.Rows, paper.Cells(fmt.Sprint(n.Number), at, stage, fmt.Sprint(len(n.Tasks)), orDash(strings.Join(n.Engineers, ", ")), work, clockOf(n.RollbackClock)))
	}
	b.add(t)
	t = figures("What is foretold of each night", []string{"Night", "Done in the window", "Done with time to roll back", "Traffic untouched", "Busiest link", "With one more failure"}, 0, 1, 2, 3)
	for _, n := range c.Nights {
		untouched := chance(n.Untouched, 0, "not known")
		if n.Untouched != nil && n.UntouchedKnown < len(n.Tasks) {
			untouched += fmt.Sprintf(" (known of %d of %d)", n.UntouchedKnown, len(n.Tasks))
		}
		load, failure := "not computed", "not computed"
		if n.Load != nil {
			load = peakOfNight(n.Load.Worst)
			if n.Load.WorstFailure != nil {
				failure = peakOfNight(*n.Load.WorstFailure)
			}
		}
		t.Rows = append(t.Rows, paper.Cells(fmt.Sprint(n.Number), unit.Share(n.Done, c.Runs), chance(n.Back, c.Runs, "no way back of some device"), untouched, load, failure))
	}
	b.add(t)
	for _, n := range c.Nights {
		for _, w := range n.Warnings {
			b.say("Night %d: %s", n.Number, w)
		}
	}
	b.add(paper.Heading{Level: 2, Text: "Night by night"})
	for _, d := range nightCharts(c, gPage) {
		b.add(paper.Figure{Caption: d.Title + ", device by device", Drawing: d})
	}
}

// peakOfNight is a peak where the night is known already.
func peakOfNight(p plan.Peak) string {
	p.Night, p.Sample = 0, time.Time{}
	return peak(p)
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

func (b *briefing) affected() {
	c := b.c
	b.section("Who is affected")
	if len(c.Served) == 0 {
		b.say("The fleet file names nobody who depends on these devices. That is not to say that nobody does.")
		return
	}
	t := figures("", []string{"Who", "What happens", "Nights", "By devices"})
	for _, s := range c.Served {
		what := "may notice short losses"
		if s.Outage {
			what = "OUTAGE: a device restarts as a whole"
		}
		var names []string
		for _, d := range s.Devices {
			names = append(names, string(d))
		}
		r := paper.Cells(s.Who, what, b.nightsText(s.Nights), strings.Join(names, ", "))
		r.Mark = s.Outage
		t.Rows = append(t.Rows, r)
	}
	b.add(t)
}

// nightsText lists nights with their dates, as far as that is short.
func (b *briefing) nightsText(ns []int) string {
	var out []string
	for _, n := range ns {
		i := slices.IndexFunc(b.c.Nights, func(x plan.Night) bool { return x.Number == n })
		if i < 0 {
			out = append(out, fmt.Sprint(n))
			continue
		}
		out = append(out, fmt.Sprintf("%d (%s)", n, b.c.Nights[i].Start.Format("2 Jan")))
	}
	return strings.Join(out, ", ")
}

func (b *briefing) risk() {
	c := b.c
	b.section("Risk")
	b.say("A device's weight is its exposure (how badly the release that it runs now exposes it) times its criticality (how much depends on it). Devices with more weight come earlier where the rules allow it. Canaries come first whatever their weight.")
	list := slices.Clone(c.Devices)
	slices.SortStableFunc(list, func(x, y plan.DeviceCourse) int { return cmp.Compare(y.Risk.Weight, x.Risk.Weight) })
	const most = 25
	caption := "By weight"
	if len(list) > most {
		caption = fmt.Sprintf("The %d of %d devices with the most weight; the others stand in the appendix", most, len(list))
	}
	t := figures(caption, []string{"Device", "Weight", "Exposure", "Criticality", "Night", "Deadline", "Why"}, 1, 2, 3, 4)
	for _, d := range list[:min(most, len(list))] {
		due := "none"
		if !d.Deadline.IsZero() {
			due = d.Deadline.Format("2 Jan 2006")
		}
		t.Rows = append(t.Rows, paper.Cells(string(d.Device), number(d.Risk.Weight), number(d.Risk.Exposure), number(d.Risk.Criticality), fmt.Sprint(d.Night), due, strings.Join(d.Risk.Why, "; ")))
	}
	b.add(t)
	slices.SortStableFunc(list, func(x, y plan.DeviceCourse) int { return cmp.Compare(x.Done, y.Done) })
	t = figures("The devices that are least sure to be done in their window", []string{"Device", "Night", "Done", "Done with time to roll back", "Kept", "95 % done in", "Depends most on"}, 1, 2, 3, 4, 5)
	for _, d := range list[:min(10, len(list))] {
		on := "–"
		if len(d.Matters) > 0 {
			on = fmt.Sprintf("%s (%.0f %% of the spread)", d.Matters[0].Title, 100*d.Matters[0].Share)
		}
		t.Rows = append(t.Rows, paper.Cells(string(d.Device), fmt.Sprint(d.Night), unit.Share(d.Done, c.Runs), chance(d.Back, c.Runs, noBack(d)), short(d.Kept), short(d.P95), on))
	}
	b.add(t)
	var none []string
	for _, d := range c.Devices {
		if d.Back == nil {
			none = append(none, fmt.Sprintf("%s: %s", d.Device, cmp.Or(d.NoBack, "no reason is given")))
		}
	}
	if len(none) > 0 {
		l := paper.Callout{Label: "No way back"}
		for _, x := range none {
			l.Texts = append(l.Texts, paper.Plain(x))
		}
		b.add(l)
	}
	b.availability()
}

func noBack(d plan.DeviceCourse) string {
	if d.NoBack != "" {
		return "no way back"
	}
	return "not known"
}

func number(f float64) string {
	if math.Abs(f-math.Round(f)) < 1e-9 {
		return fmt.Sprintf("%.0f", f)
	}
	return fmt.Sprintf("%.2f", f)
}

func (b *briefing) checked() {
	c := b.c
	b.section("What was checked, and by what figures")
	b.add(paper.Heading{Level: 2, Text: "Time"})
	asked := fmt.Sprintf("Each device must be done inside the time kept for it with a probability of %s or more", unit.Share(c.AskedDone, 0))
	if c.AskedBack > 0 {
		asked += fmt.Sprintf(", and done and, if need be, rolled back inside its window with %s or more", unit.Share(c.AskedBack, 0))
	}
	b.say("%s. The probabilities come from %d simulated runs of each device's steps, with seed %d, so that the same files give the same figures.", asked, c.Runs, c.Seed)
	learned, with := 0, 0
	for _, d := range c.Devices {
		learned += d.Learned
		if d.Learned > 0 {
			with++
		}
	}
	if learned > 0 {
		b.say("For %s, %d durations that were measured in earlier runs were used.", unit.Counted(with, "device"), learned)
	} else {
		b.say("No measured duration was used: the estimates of the release catalogue and the policy stand alone.")
	}
	b.add(paper.Heading{Level: 2, Text: "Network"})
	if n := c.Network; n == nil {
		b.say("Loads were not computed: the fleet file has no links or no demands. Redundancy was checked by groups only.")
	} else {
		also := "nothing failing on top"
		if len(n.AlsoFail) > 0 {
			also = fmt.Sprintf("each single %s failing on top (N−1)", strings.Join(n.AlsoFail, ", "))
		}
		worst := "not computed"
		if n.WorstFailure != nil {
			worst = peak(*n.WorstFailure)
		}
		b.say("With all devices of a night out of service, no link may be used above %s, with %s. %d sets of devices and %d failures were computed.", percentOf(n.Limit), also, n.Sets, n.Failures)
		if len(n.AlsoFail) > 0 {
			b.say("This says that links are not overloaded then, and not that every demand still has a path: while devices are out, their partners may be the only way left. What a failure would cut off:")
			b.cuts(strings.Join(n.AlsoFail, ","))
		}
		b.add(paper.Facts(pair("Limit", percentOf(n.Limit)), pair("Demands", orDash(n.Demands)), pair("Busiest link of any night", peak(n.Worst)), pair("The same with the worst failure on top", worst)))
		b.demands()
		if len(n.Weak) > 0 {
			l := paper.List{}
			for _, w := range n.Weak {
				l.Items = append(l.Items, paper.Plain(w))
			}
			b.say("The network does not bear these failures even with nothing out; they were left out of the check:")
			b.add(l)
		}
	}
	b.add(paper.Heading{Level: 2, Text: "Whether fewer nights are possible"})
	p := c.Proof
	var proof []paper.Pair
	proof = append(proof, pair("Nights", fmt.Sprint(p.Nights)), pair("No campaign has fewer than", fmt.Sprint(p.LowerBound)), pair("Argument", p.Bound))
	if p.Proven {
		proof = append(proof, pair("Verdict", "proven: fewer nights are not possible under these rules"))
	} else {
		proof = append(proof, pair("Verdict", fmt.Sprintf("not proven: the nights exceed the least number by %.1f %% at most", 100*p.Gap)))
	}
	days := fmt.Sprintf("%.1f, the sum of weight times days until done", p.RiskDays)
	if p.RiskProven {
		days += "; proven to be the least in as many nights"
	}
	b.add(paper.Facts(append(proof, pair("Risk-days", days))...))
	b.add(paper.Heading{Level: 2, Text: "Rules that are kept"})
	if len(c.Rules) == 0 {
		b.say("None is written down in the campaign.")
		return
	}
	l := paper.List{}
	for _, r := range c.Rules {
		l.Items = append(l.Items, paper.Plain(r))
	}
	b.add(l)
}

// percentOf writes a share that is no probability.
func percentOf(f float64) string { return fmt.Sprintf("%.4g %%", 100*f) }

func (b *briefing) stop() {
	c := b.c
	b.section("How to stop, and how to go back")
	if len(c.Stop) > 0 {
		l := paper.List{Numbered: true}
		for _, s := range c.Stop {
			l.Items = append(l.Items, paper.Plain(s))
		}
		b.add(l)
	}
	if len(c.Nights) == 0 {
		return
	}
	b.say("The rollback clock is the latest instant to begin a rollback that still ends inside the window, with 95 %% probability. “Decide by” is the latest instant to begin the step after which going back costs an outage or a second switchover.")
	t := figures("The clocks of each device", []string{"Night", "Device", "Window", "Begins", "Decide by", "Rollback clock", "Who"}, 0)
	t.RowHeads = false
	for _, n := range c.Nights {
		for _, x := range n.Tasks {
			d, _ := c.Course(x.Device)
			clock := clockOf(d.RollbackClock)
			if d.RollbackClock.IsZero() {
				clock = noBack(d)
			}
			t.Rows = append(t.Rows, paper.Cells(fmt.Sprint(n.Number), string(x.Device), n.Start.Format("2 Jan ")+hours(n.Start, n.End), clockOf(x.Start), clockOf(d.DecideBy), clock, orDash(x.Engineer)))
		}
	}
	b.add(t)
}

func (b *briefing) appendix() {
	if len(b.c.Devices) == 0 {
		return
	}
	b.add(paper.Heading{Level: 1, Text: "Appendix: each device", NewPage: len(b.c.Devices) > 8})
	for _, d := range b.c.Devices {
		b.device(d)
	}
}

func (b *briefing) device(d plan.DeviceCourse) {
	c := b.c
	b.add(paper.Heading{Level: 3, Text: fmt.Sprintf("%s: %s to %s", d.Device, d.From, d.To)})
	where := []string{d.Platform}
	for _, x := range []string{d.Role, d.Site} {
		if x != "" {
			where = append(where, x)
		}
	}
	at := fmt.Sprintf("night %d", d.Night)
	for _, n := range c.Nights {
		for _, t := range n.Tasks {
			if t.Device == d.Device {
				at = fmt.Sprintf("night %d, %s, %s", n.Number, day(t.Start), hours(t.Start, t.End))
				if t.Engineer != "" {
					at += ", " + t.Engineer
				}
				if t.Outcome != "" {
					at += ", " + t.Outcome
				}
			}
		}
	}
	var hops []string
	for _, h := range d.Hops {
		s := fmt.Sprintf("%s → %s %s", h.From, h.To, h.Method)
		if h.Silence > 0 {
			s += ", silent about " + short(h.Silence)
		}
		if h.Outage > 0 {
			s += ", OUTAGE of " + short(h.Outage)
		}
		if h.Back != "" {
			s += ", way back " + h.Back
		} else {
			s += ", no way back"
		}
		hops = append(hops, s)
	}
	var partners, matters []string
	for _, x := range d.Partners {
		partners = append(partners, string(x))
	}
	for _, m := range d.Matters[:min(3, len(d.Matters))] {
		matters = append(matters, fmt.Sprintf("%s (%.0f %%: the end comes at %s to %s)", m.Title, 100*m.Share, short(m.Low), short(m.High)))
	}
	if !d.DecideBy.IsZero() {
		at += "; decide by " + clockOf(d.DecideBy)
	}
	if !d.RollbackClock.IsZero() {
		at += "; rollback clock " + clockOf(d.RollbackClock)
	}
	due := ""
	if !d.Deadline.IsZero() {
		due = moment(d.Deadline)
	}
	back := chance(d.Back, c.Runs, noBack(d))
	if d.Back == nil && d.NoBack != "" {
		back += " (" + d.NoBack + ")"
	}
	b.add(paper.Facts(
		pair("What and where", strings.Join(where, ", ")), pair("When", at), pair("Hops", strings.Join(hops, "; ")),
		pair("Takes", fmt.Sprintf("%s on average, half the time within %s, 95 %% within %s; %s are kept", short(d.Mean), short(d.P50), short(d.P95), short(d.Kept))),
		pair("Chances", fmt.Sprintf("done in its window %s, with time to roll back %s; traffic untouched %s", unit.Share(d.Done, c.Runs), back, chance(d.Untouched, 0, "not known, for want of a capture"))),
		pair("Weight", fmt.Sprintf("%s, exposure %s × criticality %s: %s", number(d.Risk.Weight), number(d.Risk.Exposure), number(d.Risk.Criticality), orDash(strings.Join(d.Risk.Why, "; ")))),
		pair("Deadline", due), pair("Its end depends on", strings.Join(matters, "; ")),
		pair("Serves", strings.Join(d.Serves, ", ")), pair("Partners that stay in service", strings.Join(partners, ", ")),
		pair("Taken for granted", strings.Join(d.Assumed, "; ")),
	))
	b.effects(d)
}

// effects lists the steps of a device that can touch traffic, each with what it is
// foretold to cost and the consent that it waits for.
func (b *briefing) effects(d plan.DeviceCourse) {
	t := figures(fmt.Sprintf("What touches the traffic of %s, and who is asked before", d.Device), []string{"Step", "Traffic lost, as forecast", "Consent asked"})
	t.RowHeads = false
	for _, h := range d.Hops {
		for _, e := range h.Effects {
			t.Rows = append(t.Rows, paper.Cells(fmt.Sprintf("%d. %s", e.N, e.Title), e.Loss.Text(), cmp.Or(e.Consent, "NONE: no hold point stands before it")))
		}
	}
	if len(t.Rows) > 0 {
		b.add(t)
	}
}
