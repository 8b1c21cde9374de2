// Package paper is a small model of a document and one writer for each form
// that it is handed over in: [WriteMarkdown], [WriteHTML] and [WritePDF], with
// vector figures that [WriteSVG] also writes by themselves. It knows nothing of
// what the documents are about, so that whatever is shown in one form is shown
// in all.
//
// Read [Document] first, then the kinds of [Block].
//
// Every writer is pure: the same document gives the same octets. None of them
// uses colour as the only carrier of meaning.
package paper

import (
	"fmt"
	"strings"
	"time"
)

// Document is a text for people. The zero value is an empty one; only its Made
// must be set before it is written as PDF.
type Document struct {
	Title string
	// Lead stands under the title and says in a sentence what this is.
	Lead string
	// Running is the short title on each page of a PDF; empty means Title.
	Running string
	// Maker is whose document it is; it becomes the PDF's author.
	Maker string
	// Made is the instant that it was made, in the zone that people read it in. It
	// stands on each page and is the PDF's date.
	Made time.Time
	// Digest is the SHA-256, lower-case hex, of what the document shows, and
	// DigestOf says what that is: "plan". The first 16 digits stand on each page.
	Digest   string
	DigestOf string
	Blocks   []Block
}

// Span is a stretch of text in one style.
type Span struct {
	Text string
	Bold bool
	Mono bool // of fixed width, for digests and file names
}

// Text is text in one or several styles.
type Text []Span

// Plain is text without a style.
func Plain(s string) Text { return Text{{Text: s}} }

// Plainf is text without a style, formatted as by [fmt.Sprintf].
func Plainf(format string, args ...any) Text { return Plain(fmt.Sprintf(format, args...)) }

// Bold is bold text.
func Bold(s string) Text { return Text{{Text: s, Bold: true}} }

// Mono is text of fixed width.
func Mono(s string) Text { return Text{{Text: s, Mono: true}} }

// And is t with more behind it. Neither is changed.
func (t Text) And(more ...Text) Text {
	out := append(Text{}, t...)
	for _, m := range more {
		out = append(out, m...)
	}
	return out
}

// String is the text without its styles.
func (t Text) String() string {
	var b strings.Builder
	for _, s := range t {
		b.WriteString(s.Text)
	}
	return b.String()
}

// Block is one part of a document: [Contents], [Heading], [Paragraph], [List], [Table],
// [Callout], [Steps], [Sign] or [Figure].
type Block interface{ block() }

// Contents lists the headings of level 1 and 2, with links or pages.
type Contents struct{}

// Heading begins a section.
type Heading struct {
	// Level is 1 for a section, 2 and 3 for what is inside.
	Level int
	Text  string
	// NewPage begins a new page before it.
	NewPage bool
}

// Paragraph is running text.
type Paragraph struct{ Text Text }

// List is a list of items.
type List struct {
	Numbered bool
	Items    []Text
}

// Align says to which side the cells of a column are set.
type Align int

// The alignments.
const (
	Left Align = iota
	Right
	Centre
)

// Column is a column of a table.
type Column struct {
	Head  string
	Align Align
}

// Row is a row of a table.
type Row struct {
	Cells []Text
	// Mark sets the row off by a bold rule; what it means stands in its cells.
	Mark bool
}

// Table is a table. The header is repeated on each page that it reaches. A
// table in which no column has a head has no header.
type Table struct {
	Caption string
	Columns []Column
	Rows    []Row
	// RowHeads says that the first cell of each row names it.
	RowHeads bool
}

// Cells makes a row of plain cells.
func Cells(cells ...string) Row {
	r := Row{Cells: make([]Text, len(cells))}
	for i, c := range cells {
		r.Cells[i] = Plain(c)
	}
	return r
}

// Facts is a table of names and values without a header. Pairs whose value is
// empty are left out.
func Facts(pairs ...Pair) Table {
	t := Table{Columns: []Column{{}, {}}, RowHeads: true}
	for _, p := range pairs {
		if p.Text.String() != "" {
			t.Rows = append(t.Rows, Row{Cells: []Text{Plain(p.Label), p.Text}})
		}
	}
	return t
}

// Pair is a label with a text.
type Pair struct {
	Label string
	Text  Text
}

// Callout is a box that must not be passed over: a caution, a decision.
type Callout struct {
	Label string // "Cautions"
	Texts []Text
}

// Steps is a list of steps to be done and ticked off.
type Steps struct{ Items []Item }

// Item is one step.
type Item struct {
	Number int
	Clock  string // when it should begin, as printed
	Title  Text
	// Mark stands in capitals in a box above the title: the point of no return.
	Mark  string
	Pairs []Pair
	// Sign asks for a person's hand: each label gets a line to write on.
	Sign []string
}

// Sign asks for hands: each label gets a line to write on.
type Sign struct{ Lines []string }

// Figure is a drawing with a caption.
type Figure struct {
	Caption string
	Drawing Drawing
	// File is the name of a file that the drawing is also written to; Markdown,
	// which cannot hold a drawing, links to it.
	File string
}

func (Contents) block()  {}
func (Heading) block()   {}
func (Paragraph) block() {}
func (List) block()      {}
func (Table) block()     {}
func (Callout) block()   {}
func (Steps) block()     {}
func (Sign) block()      {}
func (Figure) block()    {}

// Figures returns the figures of the document in order.
func (d *Document) Figures() []Figure {
	var out []Figure
	for _, b := range d.Blocks {
		if f, ok := b.(Figure); ok {
			out = append(out, f)
		}
	}
	return out
}

// headed reports whether any column has a head.
func (t Table) headed() bool {
	for _, c := range t.Columns {
		if c.Head != "" {
			return true
		}
	}
	return false
}

// column returns the column of cell i; a row that is too long is set left.
func (t Table) column(i int) Column {
	if i < len(t.Columns) {
		return t.Columns[i]
	}
	return Column{}
}

// made is the date and time as it stands on paper.
func (d *Document) made() string {
	if d.Made.IsZero() {
		return ""
	}
	return d.Made.Format("2006-01-02 15:04 UTC-07:00")
}
