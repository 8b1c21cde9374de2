package paper

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/go-pdf/fpdf"
)

// The measures of a page, in points: A4 with its margins.
const (
	pageW, pageH  = 595.28, 841.89
	pageLeft      = 48.0
	pageRight     = pageW - 48
	pageTop       = 72.0
	pageBottom    = pageH - 58
	bodyW         = pageRight - pageLeft
	bodyH         = pageBottom - pageTop
	sizeBody      = 10.0
	sizeTable     = 9.0
	sizeSmall     = 8.5
	leading       = 1.34 // height of a line, in its size
	cellPadX      = 4.0
	cellPadY      = 3.0
	gapAfter      = 8.0
	stepLeft      = 94.0 // where a step's text begins, from the left of the body
	headingRoom   = 60.0 // what must fit below a heading, at least
	contentsLevel = 2
	wideDrawing   = 800.0 // a wider drawing stands on a page turned on its side
)

// WritePDF writes the document as PDF on A4, with letters of its own for all of
// the basic Latin, Greek and Cyrillic scripts, arrows and signs; a letter that
// they lack is printed by its number. Tables go on over pages under a repeated
// header; each page carries title, date, digest and its number of how many.
// It is an error when Made is zero: the same document must give the same file.
func WritePDF(w io.Writer, d *Document) error {
	if d.Made.IsZero() {
		return errors.New("paper: a PDF needs the date that it was made: Made is zero")
	}
	adv, err := widths()
	if err != nil {
		return err
	}
	// The first pass finds out how many pages there are and where the headings
	// come to stand.
	draft := newPress(d, adv, nil, 0)
	draft.all()
	final := newPress(d, adv, draft.headings, draft.page)
	final.all()
	if final.page != draft.page {
		return fmt.Errorf("paper: the second pass made %d pages, the first %d", final.page, draft.page)
	}
	var b bytes.Buffer
	if err := final.pdf.Output(&b); err != nil {
		return fmt.Errorf("paper: PDF: %w", err)
	}
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("paper: write: %w", err)
	}
	return nil
}

// placed is a heading with the page that it stands on.
type placed struct {
	text  string
	level int
	page  int
}

// press lays the blocks out, from the top of the first page down.
type press struct {
	doc      *Document
	adv      *advances
	pdf      *fpdf.Fpdf
	y        float64
	page     int
	pages    int // of the whole, where the pass before has found it
	known    []placed
	headings []placed
	figures  int
	face     face
	size     float64
	set      bool // face and size are set on this page
	links    []int
	plan     []Block
}

func newPress(d *Document, adv *advances, known []placed, pages int) *press {
	p := &press{doc: d, adv: adv, known: known, pages: pages, plan: d.Blocks}
	f := fpdf.New("P", "pt", "A4", "")
	f.SetCatalogSort(true)
	f.SetCreationDate(d.Made.UTC())
	f.SetModificationDate(d.Made.UTC())
	f.SetAutoPageBreak(false, 0)
	f.SetMargins(0, 0, 0)
	f.SetCompression(true)
	f.SetTitle(d.Title, true)
	f.SetAuthor(d.Maker, true)
	f.SetSubject(d.Lead, true)
	f.SetProducer("towpath", true)
	f.SetLang("en-GB")
	for c := range faces {
		// The library renumbers parts of letters in the octets that it is given.
		f.AddUTF8FontFromBytes(fmt.Sprintf("go%d", c), "", bytes.Clone(c.ttf()))
	}
	f.SetTextColor(0, 0, 0)
	p.pdf = f
	for range known {
		p.links = append(p.links, f.AddLink())
	}
	return p
}

func (p *press) all() {
	p.newPage()
	p.front()
	for i, b := range p.plan {
		p.block(i, b)
	}
}

// use selects letters.
func (p *press) use(f face, size float64) {
	if p.set && p.face == f && p.size == size {
		return
	}
	p.pdf.SetFont(fmt.Sprintf("go%d", f), "", size)
	p.face, p.size, p.set = f, size, true
}

// ink selects the colour of text.
func (p *press) ink(c Paint) {
	t := c.tone().light
	p.pdf.SetTextColor(int(t.r), int(t.g), int(t.b))
}

func (p *press) text(x, y float64, f face, size float64, s string) {
	s = p.adv.printable(f, s)
	if s == "" {
		return
	}
	p.use(f, size)
	p.pdf.Text(x, y, s)
}

func (p *press) stroke(c Paint, width float64) {
	t := c.tone().light
	p.pdf.SetDrawColor(int(t.r), int(t.g), int(t.b))
	p.pdf.SetLineWidth(width)
}

func (p *press) fill(c Paint) {
	t := c.tone().light
	p.pdf.SetFillColor(int(t.r), int(t.g), int(t.b))
}

// newPage begins a page with its header and footer.
func (p *press) newPage() { p.newPageOf(pageW, pageH) }

// newPageOf begins a page of that size; its header and footer reach from margin
// to margin.
func (p *press) newPageOf(wide, high float64) {
	edge := wide - (pageW - pageRight)
	turned := "P"
	if wide > high {
		turned = "L"
	}
	p.pdf.AddPageFormat(turned, fpdf.SizeType{Wd: pageW, Ht: pageH})
	p.page++
	p.set = false
	p.ink(Quiet)
	title := p.doc.Running
	if title == "" {
		title = p.doc.Title
	}
	right := p.doc.made()
	rightW := sizeSmall * p.adv.width(regular, p.adv.printable(regular, right))
	title, _ = Fit(title, sizeSmall, true, edge-pageLeft-rightW-20)
	p.text(pageLeft, 40, bold, sizeSmall, title)
	p.text(edge-rightW, 40, regular, sizeSmall, right)
	p.stroke(Rule, 0.6)
	p.pdf.Line(pageLeft, 47, edge, 47)
	p.pdf.Line(pageLeft, high-42, edge, high-42)
	if len(p.doc.Digest) > 0 {
		p.text(pageLeft, high-29, regular, sizeSmall, fmt.Sprintf("SHA-256 of the %s", p.doc.digestOf()))
		at := pageLeft + Width(fmt.Sprintf("SHA-256 of the %s ", p.doc.digestOf()), sizeSmall, false)
		p.text(at, high-29, mono, sizeSmall, p.doc.Digest[:min(16, len(p.doc.Digest))]+"…")
	}
	number := fmt.Sprintf("Page %d of %d", p.page, p.pages)
	p.text(edge-Width(number, sizeSmall, false), high-29, regular, sizeSmall, number)
	p.ink(Ink)
	p.y = pageTop
}

// room begins a new page where less than h is left.
func (p *press) room(h float64) {
	if p.y+min(h, bodyH) > pageBottom+0.01 && p.y > pageTop {
		p.newPage()
	}
}

// front is the title with what stands under it.
func (p *press) front() {
	for _, r := range p.adv.wrap(Bold(p.doc.Title), 19, bodyW) {
		p.y += 19
		p.row(r, pageLeft, p.y, 19)
		p.y += 5
	}
	p.y += 4
	if p.doc.Lead != "" {
		p.lines(p.adv.wrap(Plain(p.doc.Lead), 11, bodyW), pageLeft, 11)
		p.y += 4
	}
	if p.doc.Digest != "" {
		p.ink(Quiet)
		p.lines(p.adv.wrap(Plainf("SHA-256 of the %s ", p.doc.digestOf()).And(Mono(p.doc.Digest)), sizeSmall, bodyW), pageLeft, sizeSmall)
		p.ink(Ink)
	}
	p.y += gapAfter
}

// contents lists the headings with their pages.
func (p *press) contents() {
	var list []placed
	for _, b := range p.plan {
		if h, ok := b.(Heading); ok && h.Level <= contentsLevel {
			list = append(list, placed{text: h.Text, level: h.Level})
		}
	}
	p.room(90)
	p.y += 6
	p.text(pageLeft, p.y+13, bold, 13, "Contents")
	p.y += 24
	k := 0
	for _, h := range list {
		p.room(15)
		in := 0.0
		f := bold
		if h.level > 1 {
			in, f = 14, regular
		}
		number := ""
		for k < len(p.known) && p.known[k].level > contentsLevel {
			k++
		}
		if k < len(p.known) {
			number = fmt.Sprint(p.known[k].page)
			p.pdf.Link(pageLeft, p.y, bodyW, 14, p.links[k])
		}
		k++
		text, _ := Fit(h.text, sizeBody, f == bold, bodyW-in-40)
		p.text(pageLeft+in, p.y+11, f, sizeBody, text)
		w := Width(number, sizeBody, false)
		p.text(pageRight-w, p.y+11, regular, sizeBody, number)
		from := pageLeft + in + Width(text, sizeBody, f == bold) + 6
		to := pageRight - 24
		if to > from {
			p.stroke(Rule, 0.5)
			p.pdf.SetDashPattern([]float64{0.5, 3}, 0)
			p.pdf.Line(from, p.y+11, to, p.y+11)
			p.pdf.SetDashPattern(nil, 0)
		}
		p.y += 15
	}
	p.y += gapAfter
}

// row prints one line of text.
func (p *press) row(r row, x, y, size float64) {
	for _, q := range r.pieces {
		p.use(q.face, size)
		p.pdf.Text(x+q.x, y, q.text)
	}
}

// lines prints lines downwards from the present height, on new pages where they
// do not fit.
func (p *press) lines(rows []row, x, size float64) {
	for _, r := range rows {
		p.room(size * leading)
		p.row(r, x, p.y+size, size)
		p.y += size * leading
	}
}

// block lays out block i.
func (p *press) block(i int, b Block) {
	switch x := b.(type) {
	case Contents:
		p.contents()
	case Heading:
		p.heading(i, x)
	case Paragraph:
		rows := p.adv.wrap(x.Text, sizeBody, bodyW)
		p.room(min(float64(len(rows)), 3) * sizeBody * leading)
		p.lines(rows, pageLeft, sizeBody)
		p.y += gapAfter * 0.75
	case List:
		for k, item := range x.Items {
			mark := "•"
			if x.Numbered {
				mark = fmt.Sprintf("%d.", k+1)
			}
			rows := p.adv.wrap(item, sizeBody, bodyW-22)
			p.room(min(float64(len(rows)), 4) * sizeBody * leading)
			f := regular
			if x.Numbered {
				f = bold
			}
			p.text(pageLeft+16-Width(mark, sizeBody, f == bold), p.y+sizeBody, f, sizeBody, mark)
			p.lines(rows, pageLeft+22, sizeBody)
			p.y += 2.5
		}
		p.y += gapAfter * 0.75
	case Table:
		p.table(x)
	case Callout:
		p.callout(x)
	case Steps:
		for _, s := range x.Items {
			p.step(s)
		}
		p.y += gapAfter
	case Sign:
		for _, l := range x.Lines {
			p.room(34)
			p.sign(l, pageLeft, bodyW)
		}
		p.y += gapAfter
	case Figure:
		p.figure(x)
	}
}

// heading prints a heading that never stands alone at the end of a page.
func (p *press) heading(i int, h Heading) {
	size, before := 14.0, 16.0
	switch {
	case h.Level == 2:
		size, before = 12, 12
	case h.Level > 2:
		size, before = 10.5, 10
	}
	rows := p.adv.wrap(Bold(h.Text), size, bodyW)
	if h.NewPage && p.y > pageTop {
		p.newPage()
	}
	need := before + float64(len(rows))*size*leading
	// What follows must begin on the same page; a heading under a heading counts.
	for k := i + 1; k < len(p.plan); k++ {
		need += p.least(p.plan[k])
		if _, more := p.plan[k].(Heading); !more {
			break
		}
	}
	p.room(need)
	if p.y > pageTop {
		p.y += before
	}
	p.pdf.Bookmark(h.Text, min(h.Level, 3)-1, p.y)
	if k := len(p.headings); k < len(p.links) {
		p.pdf.SetLink(p.links[k], p.y, p.page)
	}
	p.headings = append(p.headings, placed{h.Text, h.Level, p.page})
	p.lines(rows, pageLeft, size)
	if h.Level <= 1 {
		p.stroke(Ink, 1)
		p.pdf.Line(pageLeft, p.y+1, pageRight, p.y+1)
		p.y += 4
	}
	p.y += 4
}

// least is the height that a block needs to begin in.
func (p *press) least(b Block) float64 {
	switch x := b.(type) {
	case Heading:
		return 32
	case Figure:
		return p.figureHeight(x)
	case Callout:
		return p.calloutHeight(x)
	case Steps:
		if len(x.Items) > 0 {
			return p.stepOf(x.Items[0]).height
		}
	case Table:
		if len(x.Rows) > 0 {
			return p.grid(x).least()
		}
	case Paragraph:
		return min(float64(len(p.adv.wrap(x.Text, sizeBody, bodyW))), 3) * sizeBody * leading
	case List, Sign, Contents:
	}
	return headingRoom
}

// sign prints a line to write on.
func (p *press) sign(label string, x, w float64) {
	p.y += 20
	p.text(x, p.y, regular, sizeBody, label)
	p.stroke(Ink, 0.7)
	from := x + Width(label, sizeBody, false) + 8
	p.pdf.Line(min(from, x+w-60), p.y+2, x+w, p.y+2)
	p.y += 8
}

const calloutPad = 9.0

func (p *press) calloutRows(c Callout) [][]row {
	var out [][]row
	for _, t := range c.Texts {
		out = append(out, p.adv.wrap(t, sizeBody, bodyW-2*calloutPad))
	}
	return out
}

func (p *press) calloutHeight(c Callout) float64 {
	h := 2*calloutPad + sizeBody*leading
	for _, rows := range p.calloutRows(c) {
		h += 4 + float64(len(rows))*sizeBody*leading
	}
	return h + gapAfter
}

// callout prints a box. One that is longer than a page goes on in another box.
func (p *press) callout(c Callout) {
	texts := p.calloutRows(c)
	label := c.Label
	for first := true; first || len(texts) > 0; first = false {
		p.room(min(p.calloutHeight(c), bodyH))
		top := p.y
		p.y += calloutPad
		p.text(pageLeft+calloutPad, p.y+sizeBody, bold, sizeBody, label)
		p.y += sizeBody * leading
		for len(texts) > 0 {
			p.y += 4
			for len(texts[0]) > 0 && p.y+sizeBody*leading+calloutPad <= pageBottom {
				p.row(texts[0][0], pageLeft+calloutPad, p.y+sizeBody, sizeBody)
				p.y += sizeBody * leading
				texts[0] = texts[0][1:]
			}
			if len(texts[0]) > 0 {
				break
			}
			texts = texts[1:]
		}
		p.y += calloutPad
		p.stroke(Ink, 1.8)
		p.pdf.Rect(pageLeft+0.9, top, bodyW-1.8, p.y-top, "D")
		if len(texts) > 0 {
			label = c.Label + ", continued"
			p.newPage()
		}
	}
	p.y += gapAfter + 2
}

// laidStep is a step ready to print.
type laidStep struct {
	title  []row
	pairs  []laidPair
	labelW float64
	height float64
}

type laidPair struct {
	label string
	rows  []row
}

func (p *press) stepOf(s Item) laidStep {
	const w = bodyW - stepLeft - 6
	out := laidStep{title: p.adv.wrap(emboldened(s.Title), 10.5, w)}
	for _, q := range s.Pairs {
		out.labelW = max(out.labelW, Width(q.Label, sizeTable, false)+10)
	}
	out.height = 5 + float64(len(out.title))*10.5*leading
	if s.Mark != "" {
		out.height += 15
	}
	for _, q := range s.Pairs {
		rows := p.adv.wrap(q.Text, sizeTable, w-out.labelW)
		out.pairs = append(out.pairs, laidPair{q.Label, rows})
		out.height += float64(len(rows)) * sizeTable * leading
	}
	out.height += float64(len(s.Sign))*28 + 7
	return out
}

// step prints one step, whole where it fits on a page.
func (p *press) step(s Item) {
	l := p.stepOf(s)
	p.room(l.height)
	top, page := p.y, p.page
	p.y += 5
	p.stroke(Ink, 0.9)
	p.pdf.Rect(pageLeft+5, p.y+1.2, 9.5, 9.5, "D")
	number := fmt.Sprintf("%d", s.Number)
	p.text(pageLeft+40-Width(number, 10.5, true), p.y+10.5, bold, 10.5, number)
	p.text(pageLeft+47, p.y+10.5, regular, sizeTable, s.Clock)
	if s.Mark != "" {
		p.text(pageLeft+stepLeft, p.y+10.5, bold, 10.5, strings.ToUpper(s.Mark))
		p.y += 15
	}
	p.lines(l.title, pageLeft+stepLeft, 10.5)
	for _, q := range l.pairs {
		for k, r := range q.rows {
			p.room(sizeTable * leading)
			if k == 0 {
				p.ink(Quiet)
				p.text(pageLeft+stepLeft, p.y+sizeTable, regular, sizeTable, q.label)
				p.ink(Ink)
			}
			p.row(r, pageLeft+stepLeft+l.labelW, p.y+sizeTable, sizeTable)
			p.y += sizeTable * leading
		}
	}
	for _, line := range s.Sign {
		p.room(28)
		p.sign(line, pageLeft+stepLeft, bodyW-stepLeft-6)
	}
	p.y += 7
	if page != p.page {
		top = pageTop
	}
	switch {
	case s.Mark != "":
		p.stroke(Ink, 0.9)
		p.pdf.Rect(pageLeft, top, bodyW, p.y-top, "D")
		p.pdf.Rect(pageLeft+2.2, top+2.2, bodyW-4.4, p.y-top-4.4, "D")
		p.y += 3
	case len(s.Sign) > 0:
		p.stroke(Ink, 0.9)
		p.pdf.SetDashPattern([]float64{4, 3}, 0)
		p.pdf.Rect(pageLeft, top, bodyW, p.y-top, "D")
		p.pdf.SetDashPattern(nil, 0)
		p.y += 3
	default:
		p.stroke(Rule, 0.5)
		p.pdf.Line(pageLeft, p.y, pageRight, p.y)
	}
}

// figureHeight is the height of a figure with its caption.
func (p *press) figureHeight(f Figure) float64 {
	if lying(f.Drawing) {
		return 0 // it gets a page of its own
	}
	_, h := figureSize(f.Drawing)
	return h + 22
}

// figureSize is the size that a drawing is printed in: as wide as the body,
// less where it were too high then.
func figureSize(d Drawing) (w, h float64) {
	if d.Width <= 0 || d.Height <= 0 {
		return 0, 0
	}
	scale := fitted(d, bodyW, bodyH)
	if lying(d) {
		scale = fitted(d, lyingW, lyingH)
	}
	return d.Width * scale, d.Height * scale
}

// The body of a page that lies on its side.
const lyingW, lyingH = pageH - (pageW - bodyW), pageW - (pageH - bodyH)

// lying says whether a drawing is printed on a page of its own that lies on its
// side: a wide one that comes out larger there. One that is high as well does
// not, and would be too small to read.
func lying(d Drawing) bool {
	return d.Width > wideDrawing && fitted(d, lyingW, lyingH) > fitted(d, bodyW, bodyH)
}

// fitted is the scale at which the drawing with its caption fits the room.
func fitted(d Drawing, wide, high float64) float64 {
	return min(wide/d.Width, (high-40)/d.Height)
}

func (p *press) figure(f Figure) {
	p.figures++
	wide := lying(f.Drawing)
	if wide {
		p.newPageOf(pageH, pageW)
	} else {
		p.room(p.figureHeight(f))
	}
	p.lines(p.adv.wrap(Plainf("Figure %d. %s", p.figures, f.Caption).bold(), sizeTable, bodyW), pageLeft, sizeTable)
	p.y += 3
	w, h := figureSize(f.Drawing)
	if w == 0 {
		return
	}
	p.draw(f.Drawing, pageLeft, p.y, w/f.Drawing.Width)
	p.y += h + gapAfter
	if wide {
		p.y = pageBottom // what follows stands on an upright page
	}
}

func (t Text) bold() Text { return emboldened(t) }

// draw prints the shapes with their corner at x0, y0.
func (p *press) draw(d Drawing, x0, y0, k float64) {
	for _, s := range d.Shapes {
		switch s := s.(type) {
		case Rect:
			if how := p.paints(s.Fill, s.Stroke, s.Line*k, k); how != "" && s.W > 0 && s.H > 0 {
				p.dash(s.Dash, k)
				p.pdf.Rect(x0+s.X*k, y0+s.Y*k, s.W*k, s.H*k, how)
				p.dash(false, k)
			}
		case Line:
			p.paints(None, s.Stroke, s.Line*k, k)
			p.dash(s.Dash, k)
			p.pdf.Line(x0+s.X1*k, y0+s.Y1*k, x0+s.X2*k, y0+s.Y2*k)
			p.dash(false, k)
		case Polygon:
			pts := make([]fpdf.PointType, len(s.Points))
			for i, q := range s.Points {
				pts[i] = fpdf.PointType{X: x0 + q[0]*k, Y: y0 + q[1]*k}
			}
			if how := p.paints(s.Fill, s.Stroke, 0, k); how != "" {
				p.pdf.Polygon(pts, how)
			}
		case Hatch:
			p.paints(None, s.Stroke, 0.7*k, k)
			for _, l := range s.lines() {
				p.pdf.Line(x0+l[0]*k, y0+l[1]*k, x0+l[2]*k, y0+l[3]*k)
			}
		case Label:
			p.label(s, x0, y0, k)
		}
	}
	p.ink(Ink)
}

func (p *press) label(s Label, x0, y0, k float64) {
	f := regular
	if s.Bold {
		f = bold
	}
	x := x0 + s.X*k
	switch s.At {
	case Right:
		x -= Width(s.Text, s.Size, s.Bold) * k
	case Centre:
		x -= Width(s.Text, s.Size, s.Bold) * k / 2
	case Left:
	}
	p.ink(s.Fill.orInk())
	p.text(x, y0+s.Y*k, f, math.Round(s.Size*k*100)/100, s.Text)
}

func (c Paint) orInk() Paint {
	if c == None {
		return Ink
	}
	return c
}

func (p *press) dash(on bool, k float64) {
	if on {
		p.pdf.SetDashPattern([]float64{4 * k, 3 * k}, 0)
		return
	}
	p.pdf.SetDashPattern(nil, 0)
}

// paints sets fill and stroke and says how to draw: F, D, FD or not at all.
func (p *press) paints(fill, stroke Paint, width, k float64) string {
	how := ""
	if fill != None {
		p.fill(fill)
		how = "F"
	}
	if stroke != None {
		if width <= 0 {
			width = k
		}
		p.stroke(stroke, width)
		how += "D"
	}
	return how
}
