package paper

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/extension"
	"golang.org/x/net/html"
	"golang.org/x/net/html/atom"
	"pgregory.net/rapid"
)

// example is a document with every kind of block.
func example() *Document {
	long := Table{Caption: "Rows over pages", Columns: []Column{{Head: "Serial"}, {Head: "Weight", Align: Right}, {Head: "Remark"}}, RowHeads: true}
	for i := range 90 {
		long.Rows = append(long.Rows, Cells(fmt.Sprintf("row-%d", i), fmt.Sprint(i*i), strings.Repeat("a remark that is long enough to be wrapped ", 1+i%4)))
	}
	long.Rows[3].Mark = true
	fig := Drawing{Width: 400, Height: 100, Title: "A picture", Desc: "One bar on a ground."}
	fig.Add(Rect{X: 0, Y: 0, W: 400, H: 100, Fill: Shade}, Hatch{X: 10, Y: 10, W: 100, H: 50, Stroke: Rule}, Rect{X: 150, Y: 10, W: 100, H: 30, Fill: Fill, Stroke: Ink, Title: "the bar"},
		Line{X1: 0, Y1: 80, X2: 400, Y2: 80, Stroke: Ink, Dash: true}, Polygon{Points: [][2]float64{{300, 10}, {310, 10}, {305, 20}}, Fill: Strong}, Label{X: 200, Y: 30, Size: 12, At: Centre, Bold: true, Text: "bar & <label>"})
	return &Document{
		Title: "A change of everything: 4.2.3 → 4.4.2", Lead: "Lead with ≥ 3 signs.", Running: "A change", Maker: "Ostermoor Water and Light",
		Made: time.Date(2031, 3, 4, 1, 2, 3, 0, time.UTC), Digest: strings.Repeat("0123456789abcdef", 4), DigestOf: "plan",
		Blocks: []Block{
			Callout{Label: "Cautions", Texts: []Text{Plain("Tell those who depend on it."), Plain("Have a console.")}},
			Contents{},
			Heading{Level: 1, Text: "First section"},
			Paragraph{Text: Plain("Running text with ").And(Bold("bold"), Plain(" and "), Mono("file_name.pkg"), Plain(" parts, 95 % sure."))},
			List{Items: []Text{Plain("one item"), Plain("another item")}}, List{Numbered: true, Items: []Text{Plain("do this"), Plain("then that")}},
			Heading{Level: 2, Text: "A subsection"},
			long,
			Facts(Pair{"Name", Plain("Åsa Λαμπρός Иван")}, Pair{"Left out", nil}, Pair{"Digest", Mono(strings.Repeat("ab", 32))}),
			Heading{Level: 1, Text: "Steps"},
			Steps{Items: []Item{
				{Number: 7, Clock: "+0:01:00", Title: Plain("Hand over"), Mark: "Point of no return", Pairs: []Pair{{"takes", Plain("2s")}, {"before", Plain("CTL-A is PRIMARY")}}},
				{Number: 8, Title: Plain("Hold"), Sign: []string{"Consent by anybody", "Time"}},
			}},
			Figure{Caption: "What it looks like", Drawing: fig, File: "fig 1.svg"},
			Sign{Lines: []string{"Approved by"}},
		},
	}
}

// everything is text that each form of the example must show.
func everything() []string {
	return []string{"A change of everything: 4.2.3 → 4.4.2", "Lead with ≥ 3 signs.", "Tell those who depend on it.", "First section", "Running text with bold and file_name.pkg parts, 95 % sure.",
		"one item", "then that", "row-0", "row-89", "7921", "Åsa Λαμπρός Иван", "POINT OF NO RETURN", "Hand over", "CTL-A is PRIMARY", "Consent by anybody", "What it looks like", "Approved by", strings.Repeat("0123456789abcdef", 4)}
}

func written(t testing.TB, write func(io.Writer, *Document) error, d *Document) []byte {
	t.Helper()
	var a, b bytes.Buffer
	if err := write(&a, d); err != nil {
		t.Fatal(err)
	}
	if err := write(&b, d); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("the same document gave two different files")
	}
	return a.Bytes()
}

func holdsAll(t *testing.T, got string) {
	t.Helper()
	got = strings.ReplaceAll(strings.Join(strings.Fields(got), " "), "\u00a0", " ")
	for _, want := range everything() {
		if !strings.Contains(got, want) {
			t.Errorf("%q is missing in:\n%.2000s", want, got)
		}
	}
}

func parsed(t testing.TB, src []byte) *html.Node {
	t.Helper()
	n, err := html.Parse(bytes.NewReader(src))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// textOf is the text of a page, with a space where a block ends.
func textOf(n *html.Node) string {
	var b strings.Builder
	for n := range n.Descendants() {
		switch {
		case n.Type == html.TextNode && n.Parent.DataAtom != atom.Style:
			b.WriteString(n.Data)
		case n.Type == html.ElementNode && !slices.Contains([]atom.Atom{atom.Strong, atom.Code, atom.A, atom.Em, atom.Del}, n.DataAtom):
			b.WriteString(" ")
		}
	}
	return b.String()
}

// textIn is the text below a node, of any kind.
func textIn(n *html.Node) string {
	var b strings.Builder
	for n := range n.Descendants() {
		if n.Type == html.TextNode {
			b.WriteString(n.Data)
		}
	}
	return b.String()
}

func all(n *html.Node, tags ...string) []*html.Node {
	var out []*html.Node
	for n := range n.Descendants() {
		if n.Type == html.ElementNode && slices.Contains(tags, n.Data) {
			out = append(out, n)
		}
	}
	return out
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func TestHTMLIsAPageForEverybody(t *testing.T) {
	src := written(t, WriteHTML, example())
	page := parsed(t, src)
	holdsAll(t, textOf(page))
	for n := range page.Descendants() {
		for _, name := range []string{"src", "href", "action", "xlink:href"} {
			if v := attr(n, name); v != "" && !strings.HasPrefix(v, "#") {
				t.Errorf("the page needs %s, which is outside itself", v)
			}
		}
	}
	if style := textIn(all(page, "style")[0]); strings.Contains(style, "url(") || strings.Contains(style, "@import") {
		t.Error("the style needs something outside itself")
	}
	// Source: WCAG 2.2 §1.3.1, §2.4.6, §3.1.1: a language, one first heading, none
	// left out, headers with their scope, identifiers once.
	if got := attr(all(page, "html")[0], "lang"); got != "en" {
		t.Errorf("language %q", got)
	}
	last := 0
	for _, h := range all(page, "h1", "h2", "h3", "h4") {
		level := int(h.Data[1] - '0')
		if level > last+1 {
			t.Errorf("a heading of level %d comes after one of level %d", level, last)
		}
		last = level
	}
	if n := len(all(page, "h1")); n != 1 {
		t.Errorf("%d first headings", n)
	}
	heads := all(page, "th")
	if len(heads) < 90 {
		t.Fatalf("only %d headers of tables", len(heads))
	}
	for _, h := range heads {
		if s := attr(h, "scope"); s != "col" && s != "row" {
			t.Errorf("header %q has the scope %q", textOf(h), s)
		}
	}
	ids := map[string]bool{}
	for n := range page.Descendants() {
		if id := attr(n, "id"); id != "" {
			if ids[id] {
				t.Errorf("the identifier %s is there twice", id)
			}
			ids[id] = true
		}
	}
	links := all(page, "a")
	if len(links) != 3 {
		t.Errorf("%d links in the contents, want 3", len(links))
	}
	for _, a := range links {
		if !ids[strings.TrimPrefix(attr(a, "href"), "#")] {
			t.Errorf("the link %s leads nowhere", attr(a, "href"))
		}
	}
	for _, s := range all(page, "svg") {
		for _, id := range strings.Fields(attr(s, "aria-labelledby")) {
			if !ids[id] {
				t.Errorf("the figure is named by %s, which is not there", id)
			}
		}
	}
	for _, in := range all(page, "input") {
		if attr(in, "aria-label") == "" {
			t.Error("a box to tick has no name")
		}
	}
}

func TestMarkdownReadByAnother(t *testing.T) {
	page := throughMarkdown(t, example())
	holdsAll(t, textOf(page))
	if n := len(all(page, "table")); n != 2 {
		t.Errorf("%d tables, want 2", n)
	}
	if n := len(all(page, "tr")); n != 1+90+1+2 {
		t.Errorf("%d rows, want 94", n)
	}
	lists := all(page, "ol")
	if len(lists) != 2 || attr(lists[1], "start") != "7" {
		t.Errorf("%d numbered lists, the steps begin at %q, want 7", len(lists), attr(lists[len(lists)-1], "start"))
	}
	if img := all(page, "img"); len(img) != 1 || attr(img[0], "src") != "fig%201.svg" {
		t.Errorf("the figure is not linked: %v", img)
	}
}

func throughMarkdown(t testing.TB, d *Document) *html.Node {
	t.Helper()
	var b, out bytes.Buffer
	if err := WriteMarkdown(&b, d); err != nil {
		t.Fatal(err)
	}
	if err := goldmark.New(goldmark.WithExtensions(extension.Table, extension.TaskList, extension.Strikethrough)).Convert(b.Bytes(), &out); err != nil {
		t.Fatal(err)
	}
	return parsed(t, out.Bytes())
}

// TestMarkdownKeepsAnyText: whatever a name holds, a reader of Markdown shows it.
func TestMarkdownKeepsAnyText(t *testing.T) {
	letters := rapid.SliceOfN(rapid.SampledFrom([]rune("ab1 .)-+#*_`~[]()<>|&;:!\\/=\"'{}$→é")), 1, 24)
	rapid.Check(t, func(t *rapid.T) {
		text := strings.Join(strings.Fields(string(letters.Draw(t, "text"))), " ")
		if text == "" {
			return
		}
		mono := rapid.Bool().Draw(t, "mono")
		span := Text{{Text: text, Mono: mono}}
		d := &Document{Title: "t", Blocks: []Block{
			Paragraph{Text: span}, List{Items: []Text{span}},
			Table{Columns: []Column{{Head: "h"}, {Head: "i"}}, Rows: []Row{{Cells: []Text{span, span}}}},
			Callout{Label: "l", Texts: []Text{span}},
		}}
		var b, out bytes.Buffer
		if err := WriteMarkdown(&b, d); err != nil {
			t.Fatal(err)
		}
		if err := goldmark.New(goldmark.WithExtensions(extension.Table, extension.TaskList, extension.Strikethrough)).Convert(b.Bytes(), &out); err != nil {
			t.Fatal(err)
		}
		n, err := html.Parse(&out)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, e := range all(n, "p", "li", "td") {
			if s := strings.Join(strings.Fields(textOf(e)), " "); s != "l" {
				got = append(got, s)
			}
		}
		want := []string{text, text, text, text, text}
		if !slices.Equal(got, want) {
			t.Fatalf("%q became %q\n%s", text, got, b.String())
		}
	})
}

func tool(t testing.TB, name string, in []byte, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Skipf("%s of poppler-utils is not installed: the PDF is not read back", name)
	}
	cmd := exec.Command(name, args...)
	cmd.Stdin = bytes.NewReader(in)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return string(out)
}

// TestPDFReadByAnother. Source: poppler's pdftotext, pdfinfo and pdffonts.
func TestPDFReadByAnother(t *testing.T) {
	d := example()
	pdf := written(t, WritePDF, d)
	text := tool(t, "pdftotext", pdf, "-raw", "-enc", "UTF-8", "-", "-")
	holdsAll(t, text)
	pages := strings.Split(strings.TrimSuffix(text, "\f"), "\f")
	if len(pages) < 4 {
		t.Fatalf("only %d pages: no table goes over a page", len(pages))
	}
	heads := 0
	for i, p := range pages {
		if want := fmt.Sprintf("Page %d of %d", i+1, len(pages)); !strings.Contains(p, want) {
			t.Errorf("page %d does not say %q", i+1, want)
		}
		for _, want := range []string{"A change", "2031-03-04 01:02 UTC+00:00", "0123456789abcdef…"} {
			if !strings.Contains(p, want) {
				t.Errorf("page %d does not show %q", i+1, want)
			}
		}
		if strings.Contains(p, "row-") {
			if !strings.Contains(p, "Serial") {
				t.Errorf("page %d shows rows without their header", i+1)
			}
			heads++
		}
	}
	if heads < 3 {
		t.Errorf("the table reaches %d pages only", heads)
	}
	// The contents name the pages that the headings stand on.
	for _, h := range []string{"First section", "A subsection", "Steps"} {
		at := slices.IndexFunc(pages[1:], func(p string) bool { return strings.Contains(p, "\n"+h+"\n") }) + 2
		if h == "First section" || strings.Count(pages[0], h) > 1 {
			at = 1
		}
		if !strings.Contains(strings.Join(strings.Fields(pages[0]), " "), fmt.Sprintf("%s %d", h, at)) {
			t.Errorf("the contents do not say that %q stands on page %d", h, at)
		}
	}
	info := tool(t, "pdfinfo", pdf, "-isodates", "-")
	for _, want := range []string{"Title:           A change of everything: 4.2.3 → 4.4.2", "Author:          Ostermoor Water and Light", "2031-03-04T01:02:03", "A4"} {
		if !strings.Contains(info, want) {
			t.Errorf("pdfinfo does not say %q:\n%s", want, info)
		}
	}
	fonts := strings.Split(strings.TrimSpace(tool(t, "pdffonts", pdf, "-")), "\n")[2:]
	if len(fonts) == 0 {
		t.Fatal("no fonts")
	}
	for _, f := range fonts {
		if c := strings.Fields(f); len(c) < 6 || c[len(c)-5] != "yes" {
			t.Errorf("a font is not embedded: %s", f)
		}
	}
}

// box is a word with its place on a page.
type box struct {
	text                   string
	xMin, yMin, xMax, yMax float64
}

// TestPDFKeepsItsMargins: no word leaves the page's margins or lies on another.
// Source: the boxes that poppler's pdftotext -bbox measures.
func TestPDFKeepsItsMargins(t *testing.T) {
	d := example()
	d.Blocks = append(d.Blocks, Table{Columns: []Column{{Head: "Averyveryverylongheadwithoutanyspaceinit"}, {Head: "b"}, {Head: "c"}},
		Rows: []Row{Cells(strings.Repeat("x", 300), strings.Repeat("word ", 1500), "harbour-exchange-north-building-aggregation-switch-0004.ostermoor.example")}},
		Callout{Label: "Long", Texts: []Text{Plain(strings.Repeat("many words ", 900))}}, Steps{Items: []Item{{Number: 1, Title: Plain(strings.Repeat("a long title ", 20)), Pairs: []Pair{{"before", Plain(strings.Repeat("cond-", 1200))}}}}})
	pdf := written(t, WritePDF, d)
	words := 0
	for i, page := range boxes(t, pdf) {
		words += len(page)
		for k, b := range page {
			if b.xMin < pageLeft-1 || b.xMax > pageRight+1 || b.yMin < 20 || b.yMax > pageH-15 {
				t.Errorf("page %d: %q leaves the margins: %+v", i+1, b.text, b)
			}
			for _, o := range page[k+1:] {
				if w, h := min(b.xMax, o.xMax)-max(b.xMin, o.xMin), min(b.yMax, o.yMax)-max(b.yMin, o.yMin); w > 1 && h > 4.5 {
					t.Errorf("page %d: %q and %q lie on each other: %+v %+v", i+1, b.text, o.text, b, o)
				}
			}
		}
	}
	if words < 3000 {
		t.Errorf("looked at %d words only", words)
	}
}

func boxes(t testing.TB, pdf []byte) [][]box {
	t.Helper()
	n := parsed(t, []byte(tool(t, "pdftotext", pdf, "-bbox", "-", "-")))
	var out [][]box
	for _, p := range all(n, "page") {
		var page []box
		for _, w := range all(p, "word") {
			b := box{text: textOf(w)}
			for name, to := range map[string]*float64{"xmin": &b.xMin, "ymin": &b.yMin, "xmax": &b.xMax, "ymax": &b.yMax} {
				var err error
				if *to, err = strconv.ParseFloat(attr(w, name), 64); err != nil {
					t.Fatal(err)
				}
			}
			page = append(page, b)
		}
		out = append(out, page)
	}
	return out
}

func TestPDFNeedsADate(t *testing.T) {
	if err := WritePDF(io.Discard, &Document{Title: "x"}); err == nil {
		t.Error("a PDF without a date was written: it would not be the same twice")
	}
}

func TestLettersThatAreMissingAreTold(t *testing.T) {
	d := &Document{Title: "x", Made: time.Unix(0, 0).UTC(), Blocks: []Block{Paragraph{Text: Plain("site 東 and 🚤 there")}}}
	var b bytes.Buffer
	if err := WritePDF(&b, d); err != nil {
		t.Fatal(err)
	}
	if got := tool(t, "pdftotext", b.Bytes(), "-raw", "-", "-"); !strings.Contains(got, "site [U+6771] and [U+1F6A4] there") {
		t.Errorf("got %s", got)
	}
}

func TestSVGIsXMLThatSaysWhatItShows(t *testing.T) {
	var fig Drawing
	for _, f := range example().Figures() {
		fig = f.Drawing
	}
	var b bytes.Buffer
	if err := WriteSVG(&b, fig); err != nil {
		t.Fatal(err)
	}
	dec := xml.NewDecoder(bytes.NewReader(b.Bytes()))
	got := map[string]string{}
	elements := 0
	for open := ""; ; {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			open = x.Name.Local
			elements++
			if elements == 1 && x.Name.Space != "http://www.w3.org/2000/svg" {
				t.Errorf("the first element is %v", x.Name)
			}
		case xml.CharData:
			got[open] += string(x)
		case xml.EndElement:
			open = ""
		}
	}
	if !strings.Contains(got["text"], "bar & <label>") || !strings.Contains(got["desc"], "One bar on a ground.") || !strings.Contains(got["title"], "A picture") {
		t.Errorf("texts of the picture: %v", got)
	}
}

// TestPaintsAreTold keeps the contrast between what lies on each other.
// Source: WCAG 2.2, definitions of relative luminance and contrast ratio; §1.4.6
// asks for 7 to 1 for text, §1.4.11 for 3 to 1 for parts of a picture.
func TestPaintsAreTold(t *testing.T) {
	luminance := func(c rgb) float64 {
		lin := func(v uint8) float64 {
			s := float64(v) / 255
			if s <= 0.04045 {
				return s / 12.92
			}
			return math.Pow((s+0.055)/1.055, 2.4)
		}
		return 0.2126*lin(c.r) + 0.7152*lin(c.g) + 0.0722*lin(c.b)
	}
	contrast := func(a, b rgb) float64 {
		x, y := luminance(a), luminance(b)
		return (max(x, y) + 0.05) / (min(x, y) + 0.05)
	}
	// The published example: white on black has 21 to 1.
	if got := contrast(rgb{255, 255, 255}, rgb{0, 0, 0}); math.Abs(got-21) > 1e-9 {
		t.Fatalf("white on black: %v", got)
	}
	for _, c := range []struct {
		on, ground Paint
		least      float64
	}{{Ink, Page, 7}, {Ink, Shade, 7}, {Ink, Fill, 7}, {Quiet, Page, 7}, {Quiet, Shade, 7}, {Page, Strong, 7}, {Strong, Page, 7}, {Strong, Shade, 3}} {
		a, b := c.on.tone(), c.ground.tone()
		for name, got := range map[string]float64{"light": contrast(a.light, b.light), "dark": contrast(a.dark, b.dark)} {
			if got < c.least {
				t.Errorf("%s: %s on %s has a contrast of %.2f, want %v", name, a.class, b.class, got, c.least)
			}
		}
	}
}

func TestHatchStaysInside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		h := Hatch{X: f("x", -50, 500), Y: f("y", -50, 500), W: f("w", 1, 300), H: f("h", 1, 300), Gap: f("gap", 2, 12)}
		lines := h.lines()
		for _, l := range lines {
			for k := 0; k < 4; k += 2 {
				if x, y := l[k], l[k+1]; x < h.X-0.001 || x > h.X+h.W+0.001 || y < h.Y-0.001 || y > h.Y+h.H+0.001 {
					t.Fatalf("%v leaves %+v", l, h)
				}
			}
		}
		if h.W+h.H > 2*h.Gap+0.1 && len(lines) == 0 {
			t.Fatalf("no line in %+v", h)
		}
	})
}

// TestDrawingsArePrintedAsLargeAsTheyGo: a page is turned on its side only for a
// drawing that comes out larger there; what is high stays upright.
func TestDrawingsArePrintedAsLargeAsTheyGo(t *testing.T) {
	for _, c := range []struct {
		name          string
		width, height float64
		lies          bool
	}{{"wide", 1200, 500, true}, {"wide and high", 960, 1400, false}, {"narrow", 700, 300, false}, {"high", 500, 3000, false}} {
		d := Drawing{Width: c.width, Height: c.height}
		if lying(d) != c.lies {
			t.Errorf("%s: lying %v, want %v", c.name, lying(d), c.lies)
		}
		w, h := figureSize(d)
		wide, high := bodyW, bodyH
		if c.lies {
			wide, high = lyingW, lyingH
		}
		if w > wide+0.01 || h > high+0.01 {
			t.Errorf("%s: %v by %v leaves the page", c.name, w, h)
		}
		if math.Abs(w/h-c.width/c.height) > 1e-9 {
			t.Errorf("%s: out of proportion", c.name)
		}
	}
	var b bytes.Buffer
	made := time.Date(2031, 3, 4, 1, 2, 3, 0, time.UTC)
	if err := WritePDF(&b, &Document{Title: "A figure", Made: made, Blocks: []Block{Figure{Caption: "High", Drawing: Drawing{Width: 960, Height: 1400,
		Shapes: []Shape{Rect{X: 0, Y: 0, W: 960, H: 1400, Fill: None, Stroke: Ink, Line: 1}}}}}}); err != nil {
		t.Fatal(err)
	}
	if info := tool(t, "pdfinfo", b.Bytes(), "-l", "9", "-"); strings.Contains(info, "841.89 x 595") {
		t.Errorf("the page of a high drawing lies on its side:\n%s", info)
	}
}

// TestWrapLosesNothing: lines are no wider than asked, and hold all letters.
func TestWrapLosesNothing(t *testing.T) {
	a, err := widths()
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		var text Text
		for range rapid.IntRange(1, 4).Draw(t, "spans") {
			text = append(text, Span{Text: rapid.StringOfN(rapid.SampledFrom([]rune("abcMW .-/_%19é→")), 0, 60, -1).Draw(t, "text"), Bold: rapid.Bool().Draw(t, "bold"), Mono: rapid.Bool().Draw(t, "mono")})
		}
		width := rapid.Float64Range(30, 300).Draw(t, "width")
		var got strings.Builder
		for _, r := range a.wrap(text, 10, width) {
			end := 0.0
			for _, p := range r.pieces {
				got.WriteString(p.text)
				if p.x < end-0.01 {
					t.Fatalf("%q begins at %v, in what ends at %v", p.text, p.x, end)
				}
				end = p.x + p.w
			}
			if end > width+0.02 {
				t.Fatalf("a line is %v wide, want %v", end, width)
			}
		}
		strip := func(s string) string { return strings.ReplaceAll(s, " ", "") }
		if strip(got.String()) != strip(text.String()) {
			t.Fatalf("%q became %q", text.String(), got.String())
		}
	})
}

func TestColumnsFillTheWidth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 9).Draw(t, "columns")
		least, natural := make([]float64, n), make([]float64, n)
		sum, fits := 0.0, 0.0
		for i := range n {
			least[i] = rapid.Float64Range(5, 200).Draw(t, "least")
			natural[i] = least[i] + rapid.Float64Range(0, 400).Draw(t, "more")
			fits += least[i]
		}
		for i, w := range share(500, least, natural) {
			sum += w
			if fits <= 500 && w < least[i]-1e-6 {
				t.Fatalf("column %d got %v, needs %v", i, w, least[i])
			}
		}
		if math.Abs(sum-500) > 1e-6 {
			t.Fatalf("the columns are %v wide together", sum)
		}
	})
}

// TestWidthAsTheFileHasIt. Source: the advance widths of the font's own table, by
// another reader of it: poppler's boxes of the printed words.
func TestWidthAsTheFileHasIt(t *testing.T) {
	d := &Document{Title: "x", Made: time.Unix(0, 0).UTC(), Blocks: []Block{Paragraph{Text: Plain("Wiggly-word_0123/→≥éß illuminate")}}}
	var b bytes.Buffer
	if err := WritePDF(&b, d); err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, w := range boxes(t, b.Bytes())[0] {
		if w.text != "Wiggly-word_0123/→≥éß" && w.text != "illuminate" {
			continue
		}
		seen++
		if want := Width(w.text, sizeBody, false); math.Abs(w.xMax-w.xMin-want) > 0.05*want {
			t.Errorf("%q is %.2f wide in the PDF, %.2f by Width", w.text, w.xMax-w.xMin, want)
		}
	}
	if seen != 2 {
		t.Errorf("found %d of the 2 words", seen)
	}
}

func TestFit(t *testing.T) {
	long := strings.Repeat("mere-", 40)
	got, whole := Fit(long, 11, true, 120)
	if whole != long || !strings.HasSuffix(got, "…") || Width(got, 11, true) > 120 {
		t.Errorf("%q, %q, %v wide", got, whole, Width(got, 11, true))
	}
	if got, whole := Fit("short", 11, true, 120); got != "short" || whole != "" {
		t.Errorf("%q, %q", got, whole)
	}
}
