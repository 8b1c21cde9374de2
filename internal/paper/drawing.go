package paper

import (
	"bytes"
	"fmt"
	"html"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Drawing is a picture made of shapes, from back to front. Its units are about
// those of a screen at 100 %; x goes right and y goes down.
type Drawing struct {
	Width, Height float64
	Title         string // what it is, in a few words
	// Desc says in words what the picture shows, for whoever cannot see it.
	Desc   string
	Shapes []Shape
}

// Shape is one of [Rect], [Line], [Polygon], [Hatch] and [Label].
type Shape interface{ shape() }

// Paint says what a colour is for, so that a page can be light or dark.
type Paint int

// The paints. None draws nothing.
const (
	None   Paint = iota
	Ink          // text and outlines
	Quiet        // less important text
	Rule         // thin lines of a grid
	Page         // the ground
	Shade        // a ground that is set off
	Fill         // bars
	Strong       // bars that are set off, and marks
)

// tone is a paint in a light and in a dark page.
type tone struct {
	class       string
	light, dark rgb
}

type rgb struct{ r, g, b uint8 }

func (c rgb) hex() string { return fmt.Sprintf("#%02x%02x%02x", c.r, c.g, c.b) }

// tone gives the colours of a paint. Ink on Page, Shade and Fill, and Page on
// Strong, keep a contrast of at least 7 to 1 in both; a test computes it.
func (p Paint) tone() tone {
	switch p {
	case Ink:
		return tone{"ink", rgb{0x11, 0x16, 0x1a}, rgb{0xf2, 0xf4, 0xf5}}
	case Quiet:
		return tone{"quiet", rgb{0x3c, 0x46, 0x4d}, rgb{0xc3, 0xcb, 0xd1}}
	case Rule:
		return tone{"rule", rgb{0x9a, 0xa3, 0xa9}, rgb{0x6b, 0x75, 0x7c}}
	case Page:
		return tone{"page", rgb{0xff, 0xff, 0xff}, rgb{0x12, 0x16, 0x19}}
	case Shade:
		return tone{"shade", rgb{0xee, 0xf1, 0xf3}, rgb{0x20, 0x27, 0x2c}}
	case Fill:
		return tone{"fill", rgb{0xb9, 0xd3, 0xe6}, rgb{0x1d, 0x45, 0x63}}
	case Strong:
		return tone{"strong", rgb{0x0b, 0x3d, 0x63}, rgb{0x9c, 0xcd, 0xf2}}
	case None:
	}
	return tone{}
}

// Rect is a rectangle.
type Rect struct {
	X, Y, W, H   float64
	Fill, Stroke Paint
	Line         float64 // width of the stroke; 0 is 1
	Dash         bool
	Title        string // shown when the pointer rests on it
}

// Line is a straight line.
type Line struct {
	X1, Y1, X2, Y2 float64
	Stroke         Paint
	Line           float64 // its width; 0 is 1
	Dash           bool
}

// Polygon is a closed polygon.
type Polygon struct {
	Points       [][2]float64
	Fill, Stroke Paint
	Title        string
}

// Hatch is a rectangle hatched with slanting lines, Gap units apart.
type Hatch struct {
	X, Y, W, H float64
	Gap        float64
	Stroke     Paint
	Title      string
}

// Label is one line of text whose baseline begins, ends or has its middle at X, Y.
type Label struct {
	X, Y float64
	Size float64
	Bold bool
	At   Align // Left begins at X, Right ends there
	Fill Paint // None is Ink
	Text string
	// Title is the whole of a text that was cut; shown when the pointer rests on it.
	Title string
}

func (Rect) shape()    {}
func (Line) shape()    {}
func (Polygon) shape() {}
func (Hatch) shape()   {}
func (Label) shape()   {}

// Add puts shapes on top.
func (d *Drawing) Add(s ...Shape) { d.Shapes = append(d.Shapes, s...) }

// lines are the slanting lines of a hatch, cut to its rectangle.
func (h Hatch) lines() [][4]float64 {
	gap := h.Gap
	if gap <= 0 {
		gap = 6
	}
	var out [][4]float64
	// Each line is x + y = c, with c a multiple of the gap, so that hatches side
	// by side fit together.
	for k := math.Ceil((h.X + h.Y) / gap); k*gap <= h.X+h.W+h.Y+h.H; k++ {
		c := k * gap
		x1 := max(h.X, c-h.Y-h.H)
		x2 := min(h.X+h.W, c-h.Y)
		if x2-x1 < 0.01 {
			continue
		}
		out = append(out, [4]float64{x1, c - x1, x2, c - x2})
	}
	return out
}

// WriteSVG writes the drawing as a picture that needs nothing outside itself,
// light or dark as the reader asks for.
func WriteSVG(w io.Writer, d Drawing) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n")
	svg(&b, d, "figure", true)
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("paper: write: %w", err)
	}
	return nil
}

// paints lists the paints that draw.
func paints() []Paint { return []Paint{Ink, Quiet, Rule, Page, Shade, Fill, Strong} }

// svgDark is the style that turns the paints dark; light ones stand in the
// attributes, so that a reader without styles shows them.
func svgDark() string {
	var b strings.Builder
	b.WriteString("@media screen and (prefers-color-scheme:dark){") //nolint:misspell // as CSS spells it
	for _, p := range paints() {
		t := p.tone()
		fmt.Fprintf(&b, ".f-%s{fill:%s}.s-%s{stroke:%s}", t.class, t.dark.hex(), t.class, t.dark.hex())
	}
	b.WriteString("}")
	return b.String()
}

// svg writes the picture; id is put before its identifiers.
func svg(b *bytes.Buffer, d Drawing, id string, alone bool) {
	size := ""
	if alone {
		size = fmt.Sprintf(` width="%s" height="%s"`, num(d.Width), num(d.Height))
	}
	fmt.Fprintf(b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s"%s role="img" aria-labelledby="%s-title %s-desc" font-family="Go, 'DejaVu Sans', Verdana, sans-serif">`+"\n",
		num(d.Width), num(d.Height), size, id, id)
	fmt.Fprintf(b, "<title id=\"%s-title\">%s</title>\n<desc id=\"%s-desc\">%s</desc>\n", id, clean(d.Title), id, clean(d.Desc))
	if alone {
		fmt.Fprintf(b, "<style>%s</style>\n", svgDark())
		svgShape(b, Rect{0, 0, d.Width, d.Height, Page, None, 0, false, ""})
	}
	for _, s := range d.Shapes {
		svgShape(b, s)
	}
	b.WriteString("</svg>\n")
}

func svgShape(b *bytes.Buffer, s Shape) {
	switch s := s.(type) {
	case Rect:
		fmt.Fprintf(b, `<rect x="%s" y="%s" width="%s" height="%s"%s>%s</rect>`+"\n", num(s.X), num(s.Y), num(max(s.W, 0)), num(max(s.H, 0)),
			painted(s.Fill, s.Stroke, s.Line, s.Dash), titled(s.Title))
	case Line:
		fmt.Fprintf(b, `<line x1="%s" y1="%s" x2="%s" y2="%s"%s/>`+"\n", num(s.X1), num(s.Y1), num(s.X2), num(s.Y2), painted(None, s.Stroke, s.Line, s.Dash))
	case Polygon:
		pts := make([]string, len(s.Points))
		for i, p := range s.Points {
			pts[i] = num(p[0]) + "," + num(p[1])
		}
		fmt.Fprintf(b, `<polygon points="%s"%s>%s</polygon>`+"\n", strings.Join(pts, " "), painted(s.Fill, s.Stroke, 0, false), titled(s.Title))
	case Hatch:
		var p strings.Builder
		for _, l := range s.lines() {
			fmt.Fprintf(&p, "M%s %sL%s %s", num(l[0]), num(l[1]), num(l[2]), num(l[3]))
		}
		fmt.Fprintf(b, `<path d="%s"%s>%s</path>`+"\n", p.String(), painted(None, s.Stroke, 0.7, false), titled(s.Title))
	case Label:
		anchor := ""
		switch s.At {
		case Right:
			anchor = ` text-anchor="end"`
		case Centre:
			anchor = ` text-anchor="middle"`
		case Left:
		}
		weight := ""
		if s.Bold {
			weight = ` font-weight="700"`
		}
		fill := s.Fill
		if fill == None {
			fill = Ink
		}
		// Whatever letters the reader has, the text keeps the width that the picture
		// was laid out for.
		length := ""
		if known(s.Text) && s.Text != "" {
			length = fmt.Sprintf(` textLength="%s" lengthAdjust="spacingAndGlyphs"`, num(Width(s.Text, s.Size, s.Bold)))
		}
		fmt.Fprintf(b, `<text x="%s" y="%s" font-size="%s"%s%s%s%s>%s%s</text>`+"\n", num(s.X), num(s.Y), num(s.Size), length, anchor, weight, painted(fill, None, 0, false), titled(s.Title), clean(s.Text))
	}
}

// painted are the attributes of a fill and a stroke.
func painted(fill, stroke Paint, width float64, dash bool) string {
	var class []string
	attrs := ` fill="none"`
	if fill != None {
		class = append(class, "f-"+fill.tone().class)
		attrs = fmt.Sprintf(` fill="%s"`, fill.tone().light.hex())
	}
	if stroke != None {
		class = append(class, "s-"+stroke.tone().class)
		attrs += fmt.Sprintf(` stroke="%s"`, stroke.tone().light.hex())
		if width > 0 && width != 1 {
			attrs += fmt.Sprintf(` stroke-width="%s"`, num(width))
		}
		if dash {
			attrs += ` stroke-dasharray="4 3"`
		}
	}
	if len(class) > 0 {
		attrs += fmt.Sprintf(` class="%s"`, strings.Join(class, " "))
	}
	return attrs
}

func titled(s string) string {
	if s == "" {
		return ""
	}
	return "<title>" + clean(s) + "</title>"
}

// num writes a coordinate with at most two places.
func num(f float64) string {
	f = math.Round(f*100) / 100
	if f == 0 {
		f = 0 // no minus
	}
	return strconv.FormatFloat(f, 'f', -1, 64)
}

// clean makes a text safe to stand in XML and HTML.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' || r == utf8.RuneError || r == 0xfffe || r == 0xffff {
			return '\uFFFD'
		}
		return r
	}, s)
	return html.EscapeString(s)
}
