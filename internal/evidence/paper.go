package evidence

import (
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"towpath/internal/paper"
	"towpath/internal/plan"
	"towpath/internal/unit"
)

// WritePDF writes the document on paper: the same parts as the HTML page, in the
// same order. The time on each page is that of the run's end.
func (d *Document) WritePDF(w io.Writer) error {
	doc, err := d.paper()
	if err != nil {
		return err
	}
	if err := paper.WritePDF(w, doc); err != nil {
		return fmt.Errorf("evidence: %w", err)
	}
	return nil
}

// paper is the page of the HTML as blocks.
func (d *Document) paper() (*paper.Document, error) {
	p, err := d.page()
	if err != nil {
		return nil, err
	}
	who := ""
	if d.Who != "" {
		who = " by " + d.Who
	}
	out := &paper.Document{
		Title: fmt.Sprintf("Evidence: %s, %s to %s", d.Device, d.From, d.To), Maker: d.Operator, Made: d.Ended, Digest: d.Digest, DigestOf: "evidence",
		Lead: fmt.Sprintf("%s, platform %s, run %s, begun %s%s, ended %s. All times are %s.", d.Operator, d.Platform, d.Run, p.Begun, who, p.Ended, p.Zone),
	}
	add := func(b ...paper.Block) { out.Blocks = append(out.Blocks, b...) }
	section := func(s string) { add(paper.Heading{Level: 1, Text: s}) }
	say := func(format string, a ...any) { add(paper.Paragraph{Text: paper.Plainf(format, a...)}) }
	stands := paper.Callout{Label: p.Headline, Texts: []paper.Text{paper.Plain(p.Sentence), paper.Plainf("How the device stands: %s.", d.SafeState)}}
	if len(p.Found) > 0 {
		stands.Texts = append(stands.Texts, paper.Plainf("Found when the work was taken over: %s.", strings.Join(p.Found, "; ")))
	}
	add(stands)
	if d.Lab != "" {
		add(paper.Callout{Label: "Emulated lab", Texts: []paper.Text{paper.Plain(d.Lab)}})
	}
	for _, n := range d.Notes {
		add(paper.Paragraph{Text: paper.Bold("Note: ").And(paper.Plain(n))})
	}
	for _, u := range d.Unsafe {
		add(paper.Paragraph{Text: paper.Bold("Verification switched off: ").And(paper.Plain(u))})
	}
	caution := paper.Callout{Label: "Cautions"}
	for _, c := range d.Cautions {
		caution.Texts = append(caution.Texts, paper.Plain(c))
	}
	add(caution)

	section("Forecast beside measurement")
	for _, h := range p.Hops {
		t := table(h.Title, "", "Forecast", "Measured", "Verdict")
		t.RowHeads = true
		for _, r := range h.Rows {
			t.Rows = append(t.Rows, paper.Cells(r.What, r.Forecast, r.Measured, r.Judged))
		}
		add(t)
		if len(h.Adjacencies) > 0 {
			t := table(fmt.Sprintf("%s: %d held, %d restarted, %d lost, %d not known", unit.Counted(len(h.Adjacencies), "adjacency"), h.Held, h.Restarted, h.Lost, h.Unknown), "Adjacency", "Forecast", "Outcome", "Why foretold")
			for _, a := range h.Adjacencies {
				t.Rows = append(t.Rows, grave(a.Outcome != "held", 2, a.Object, a.Forecast, a.Outcome, a.Why))
			}
			add(t)
		}
	}
	if err := d.lossOnPaper(p, add); err != nil {
		return nil, err
	}

	section("Readiness")
	counts := make([]string, len(p.Counts))
	for i, c := range p.Counts {
		counts[i] = c.Figure + " " + c.Label
	}
	say("%s", strings.Join(counts, ", "))
	t := table("", "Finding", "Rule", "What was read", "Why it matters, what to do, source")
	for _, f := range p.Findings {
		t.Rows = append(t.Rows, grave(f.Verdict != "clear", 0, f.Verdict, strings.TrimSpace(f.Rule+" "+f.Object), f.Evidence, f.What))
	}
	add(t)

	section("State before against state after")
	if len(p.Compared) == 0 {
		say("The run did not come to a comparison.")
	}
	for _, c := range p.Compared {
		add(paper.Heading{Level: 2, Text: c.Name})
		say("%s; %s.", unit.Counted(c.Expected, "expected difference"), unit.Counted(len(c.Rows), "other"))
		t := table("", "Class", "What", "Before", "After", "Why")
		for _, r := range c.Rows {
			t.Rows = append(t.Rows, grave(true, 0, string(r.Class), r.Object+" "+r.Field, r.Before, r.After, r.Why))
		}
		add(t)
	}

	section("Consents")
	if len(p.Consents) == 0 {
		say("None was asked for.")
	}
	t = table("", "When", "Who", "What")
	for _, c := range p.Consents {
		t.Rows = append(t.Rows, paper.Cells(c.At, c.Person, c.What))
		for _, x := range c.Covers {
			t.Rows = append(t.Rows, paper.Cells("", "", "covers "+x))
		}
	}
	add(t)

	section("Steps")
	t = table("", "#", "Phase", "Step", "Began", "Took", "Expected", "Result")
	for _, i := range []int{0, 4, 5} {
		t.Columns[i].Align = paper.Right
	}
	for _, s := range p.Steps {
		t.Rows = append(t.Rows, grave(s.Result != "done", 6, s.N, s.Phase, joined(s.Title, s.Text), s.Begun, s.Took, s.Expect, s.Result))
	}
	add(t)

	section("Journal")
	t = table(unit.Counted(len(p.Journal), "record"), "#", "When", "Record", "Step", "What happened")
	t.Columns[0].Align = paper.Right
	for _, r := range p.Journal {
		t.Rows = append(t.Rows, paper.Cells(r.Seq, r.At, r.Kind, stepWords(r.Step), r.Text))
	}
	add(t)

	section("Digests (SHA-256)")
	facts := []paper.Pair{{Label: "Of the whole", Text: paper.Mono(d.Digest)}, {Label: "Plan that was consented to", Text: paper.Mono(d.Plan)}, {Label: "Workspace", Text: paper.Mono(d.Workspace)}}
	for _, x := range p.Parts {
		facts = append(facts, paper.Pair{Label: x.Label, Text: paper.Mono(x.Figure)})
	}
	add(paper.Facts(facts...))
	return out, nil
}

// lossOnPaper is the part about test traffic.
func (d *Document) lossOnPaper(p *Page, add func(...paper.Block)) error {
	add(paper.Heading{Level: 1, Text: "Loss of test traffic"}, paper.Paragraph{Text: paper.Plain(p.LossText)})
	if len(p.Loss) > 0 {
		t := table("", "Flow", "Direction", "Began", "Packets lost", "Length by loss", "By timestamps", "Began during")
		for i := 3; i < 6; i++ {
			t.Columns[i].Align = paper.Right
		}
		for _, o := range p.Loss {
			t.Rows = append(t.Rows, paper.Cells(o.Flow, o.Direction, o.At, o.Lost, o.ByLoss, o.ByTimestamp, o.During))
		}
		add(t)
	}
	if p.LossMore != "" {
		add(paper.Paragraph{Text: paper.Plain(p.LossMore)})
	}
	if len(p.Voids) > 0 {
		l := paper.List{}
		for _, v := range p.Voids {
			l.Items = append(l.Items, paper.Plain(v))
		}
		add(paper.Paragraph{Text: paper.Plain(p.VoidText)}, l)
	}
	for _, in := range d.stretches() {
		list, err := figuresOf(in)
		if err != nil {
			return err
		}
		for _, f := range list {
			add(f)
		}
	}
	return nil
}

// stepWords is the id of a step in words that a line may break between.
func stepWords(id string) string {
	n, rest, ok := strings.Cut(id, "-")
	if n == "back" {
		back, after, more := strings.Cut(rest, "-")
		n, rest, ok = "back "+back, after, more
	}
	if !ok {
		return id
	}
	kind := ""
	for _, k := range plan.Kinds() {
		if s := string(k); (rest == s || strings.HasPrefix(rest, s+"-")) && len(s) > len(kind) {
			kind = s
		}
	}
	if kind == "" {
		return id
	}
	return strings.TrimSpace(n + " " + kind + " " + strings.TrimPrefix(rest[len(kind):], "-"))
}

// paperHigh is how high a picture may be that is printed as wide as a page on its
// side, in its own units.
const paperHigh = 640.0

// figuresOf is the picture of [Timeline] in as many figures as it takes for its
// letters to be read on paper: the rows of the whole run, then the close-ups.
func figuresOf(in TimelineData) (out []paper.Figure, err error) {
	at := in.Start.Format("15:04:05 UTC-07:00")
	full, err := drawn(in)
	if err != nil {
		return nil, err
	}
	if full.y <= paperHigh {
		return []paper.Figure{{Caption: "Loss of test traffic from " + at + " on", Drawing: full.onPaper()}}, nil
	}
	parts := fill(len(in.Rows), func(from, to int) *drawing {
		d := full.blank()
		d.whole(in.Rows[from:to])
		d.key()
		return d
	})
	for i, p := range parts {
		caption := "Loss of test traffic from " + at + " on"
		if len(parts) > 1 {
			caption += fmt.Sprintf(", part %d of %d", i+1, len(parts))
		}
		out = append(out, paper.Figure{Caption: caption, Drawing: p.onPaper()})
	}
	near := full.closeUps()
	parts = fill(len(near), func(from, to int) *drawing {
		d := full.blank()
		for k := from; k < to; k++ {
			d.closeUp(k+1, near[k])
		}
		d.key()
		return d
	})
	for _, p := range parts {
		out = append(out, paper.Figure{Caption: "The worst of it from near, from " + at + " on", Drawing: p.onPaper()})
	}
	return out, nil
}

// fill draws n things in as few drawings as are not too high; one thing that is
// too high by itself gets one of its own.
func fill(n int, draw func(from, to int) *drawing) (out []*drawing) {
	for from := 0; from < n; {
		to := from + 1
		d := draw(from, to)
		for to < n {
			more := draw(from, to+1)
			if more.y > paperHigh {
				break
			}
			d, to = more, to+1
		}
		out, from = append(out, d), to
	}
	return out
}

func table(caption string, heads ...string) paper.Table {
	t := paper.Table{Caption: caption}
	for _, h := range heads {
		t.Columns = append(t.Columns, paper.Column{Head: h})
	}
	return t
}

// grave is a row whose cell i is set in bold where it must not be passed over.
func grave(yes bool, i int, cells ...string) paper.Row {
	r := paper.Cells(cells...)
	if yes {
		r.Cells[i] = paper.Bold(cells[i])
	}
	return r
}

// onPaper is the picture for other writers than that of SVG.
func (d *drawing) onPaper() paper.Drawing {
	out := paper.Drawing{Width: tlWidth, Height: d.y, Title: d.in.Title, Desc: d.describe()}
	for _, l := range d.shapes {
		out.Shapes = append(out.Shapes, l...)
	}
	return out
}

var attribute = regexp.MustCompile(`([a-z-]+)="([^"]*)"`)

// attributes reads what the picture's elements are drawn with.
func attributes(s string) map[string]string {
	out := map[string]string{}
	for _, m := range attribute.FindAllStringSubmatch(s, -1) {
		out[m[1]] = m[2]
	}
	return out
}

// paintOf is the paint of a grey of the picture.
func paintOf(s string) paper.Paint {
	switch s {
	case "":
		return paper.None
	case "#fff":
		return paper.Page
	case "#eee":
		return paper.Shade
	case "#bbb":
		return paper.Rule
	}
	return paper.Ink
}

func lineWidth(s string) float64 {
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 1
	}
	return f
}

func (d *drawing) shapeLine(layer int, x1, y1, x2, y2 float64, attrs string) {
	a := attributes(attrs)
	d.shapes[layer] = append(d.shapes[layer], paper.Line{X1: x1, Y1: y1, X2: x2, Y2: y2, Stroke: paintOf(a["stroke"]), Line: lineWidth(a["stroke-width"]), Dash: a["stroke-dasharray"] != ""})
}

func (d *drawing) shapeRect(layer int, x, y, w, h float64, attrs string) {
	a := attributes(attrs)
	if strings.HasPrefix(a["fill"], "url(") {
		d.shapes[layer] = append(d.shapes[layer], paper.Hatch{X: x, Y: y, W: w, H: h, Gap: 6, Stroke: paper.Ink}, paper.Rect{X: x, Y: y, W: w, H: h, Stroke: paper.Ink, Line: 0.5})
		return
	}
	d.shapes[layer] = append(d.shapes[layer], paper.Rect{X: x, Y: y, W: w, H: h, Fill: paintOf(a["fill"]), Stroke: paintOf(a["stroke"])})
}

func (d *drawing) shapeText(x, y float64, attrs, s, more string) {
	a := attributes(attrs)
	size, err := strconv.ParseFloat(a["font-size"], 64)
	if err != nil {
		size = 12
	}
	l := paper.Label{X: x, Y: y, Size: size, Bold: a["font-weight"] == "700", Text: s, Title: more}
	w := paper.Width(s, size, l.Bold)
	left := x
	switch a["text-anchor"] {
	case "end":
		l.At, left = paper.Right, x-w
	case "middle":
		l.At, left = paper.Centre, x-w/2
	}
	if a["paint-order"] == "stroke" { // it stands on lines and bars
		d.shapes[layerText] = append(d.shapes[layerText], paper.Rect{X: left - 2, Y: y - size*0.85, W: w + 4, H: size * 1.1, Fill: paper.Page})
	}
	d.shapes[layerText] = append(d.shapes[layerText], l)
}
