package paper

import (
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"strings"
)

// pageStyle is the style of a page. It prints in black on white.
//
//go:embed page.css
var pageStyle string

// WriteHTML writes the document as one page that needs nothing outside itself:
// light or dark as the reader asks for, printable, with headings, table headers
// and figures that are told in words to whoever cannot see them.
func WriteHTML(w io.Writer, d *Document) error {
	var b bytes.Buffer
	b.WriteString("<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n")
	fmt.Fprintf(&b, "<title>%s</title>\n<style>\n%s%s\n</style>\n</head>\n<body>\n<main>\n<header>\n<h1>%s</h1>\n", clean(d.Title), pageStyle, svgDark(), clean(d.Title))
	if d.Lead != "" {
		fmt.Fprintf(&b, "<p class=\"lead\">%s</p>\n", clean(d.Lead))
	}
	var id []string
	if m := d.made(); m != "" {
		id = append(id, "Made "+clean(m)+".")
	}
	if d.Digest != "" {
		id = append(id, fmt.Sprintf("SHA-256 of the %s <code>%s</code>.", clean(d.digestOf()), clean(d.Digest)))
	}
	if len(id) > 0 {
		fmt.Fprintf(&b, "<p class=\"id\">%s</p>\n", strings.Join(id, " "))
	}
	b.WriteString("</header>\n")
	heading, figure, item := 0, 0, 0
	for _, block := range d.Blocks {
		switch x := block.(type) {
		case Contents:
			htmlContents(&b, d)
		case Heading:
			heading++
			level, class := min(max(x.Level, 1), 3)+1, ""
			if x.NewPage {
				class = ` class="newpage"`
			}
			fmt.Fprintf(&b, "<h%d id=\"part-%d\"%s>%s</h%d>\n", level, heading, class, clean(x.Text), level)
		case Paragraph:
			fmt.Fprintf(&b, "<p>%s</p>\n", htmlText(x.Text))
		case List:
			tag := "ul"
			if x.Numbered {
				tag = "ol"
			}
			fmt.Fprintf(&b, "<%s>\n", tag)
			for _, i := range x.Items {
				fmt.Fprintf(&b, "<li>%s</li>\n", htmlText(i))
			}
			fmt.Fprintf(&b, "</%s>\n", tag)
		case Table:
			htmlTable(&b, x)
		case Callout:
			fmt.Fprintf(&b, "<div class=\"callout\" role=\"note\" aria-label=\"%s\">\n<p>%s</p>\n", clean(x.Label), clean(x.Label))
			for _, t := range x.Texts {
				fmt.Fprintf(&b, "<p>%s</p>\n", htmlText(t))
			}
			b.WriteString("</div>\n")
		case Steps:
			b.WriteString("<ol class=\"steps\">\n")
			for _, s := range x.Items {
				item++
				htmlStep(&b, s, item)
			}
			b.WriteString("</ol>\n")
		case Sign:
			for _, l := range x.Lines {
				htmlSign(&b, l)
			}
		case Figure:
			figure++
			fmt.Fprintf(&b, "<figure>\n<figcaption>Figure %d. %s</figcaption>\n<div class=\"scroll\" role=\"region\" aria-label=\"Figure %d\" tabindex=\"0\">\n", figure, clean(x.Caption), figure)
			svg(&b, x.Drawing, fmt.Sprintf("figure-%d", figure), false)
			b.WriteString("</div>\n</figure>\n")
		}
	}
	b.WriteString("</main>\n</body>\n</html>\n")
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("paper: write: %w", err)
	}
	return nil
}

func htmlContents(b *bytes.Buffer, d *Document) {
	b.WriteString("<nav aria-label=\"Contents\">\n<h2>Contents</h2>\n<ul>\n")
	n, open, sub := 0, false, false
	for _, block := range d.Blocks {
		h, ok := block.(Heading)
		if !ok {
			continue
		}
		n++
		link := fmt.Sprintf("<a href=\"#part-%d\">%s</a>", n, clean(h.Text))
		switch {
		case h.Level <= 1:
			if sub {
				b.WriteString("</ul>")
			}
			if open {
				b.WriteString("</li>\n")
			}
			b.WriteString("<li>" + link)
			open, sub = true, false
		case h.Level == 2 && open:
			if !sub {
				b.WriteString("<ul>")
				sub = true
			}
			b.WriteString("<li>" + link + "</li>")
		}
	}
	if sub {
		b.WriteString("</ul>")
	}
	if open {
		b.WriteString("</li>\n")
	}
	b.WriteString("</ul>\n</nav>\n")
}

func htmlText(t Text) string {
	var b strings.Builder
	for _, s := range t {
		text := strings.ReplaceAll(clean(s.Text), " %", "\u00a0%") // a number keeps its sign
		if s.Mono {
			text = "<code>" + text + "</code>"
		}
		if s.Bold {
			text = "<strong>" + text + "</strong>"
		}
		b.WriteString(text)
	}
	return b.String()
}

func htmlTable(b *bytes.Buffer, t Table) {
	label := t.Caption
	if label == "" {
		label = "Table"
	}
	class := ""
	if !t.headed() {
		class = ` class="facts"`
	}
	fmt.Fprintf(b, "<div class=\"scroll\" role=\"region\" aria-label=\"%s\" tabindex=\"0\">\n<table%s>\n", clean(label), class)
	if t.Caption != "" {
		fmt.Fprintf(b, "<caption>%s</caption>\n", clean(t.Caption))
	}
	if t.headed() {
		b.WriteString("<thead><tr>")
		for _, c := range t.Columns {
			if c.Head == "" {
				b.WriteString("<td></td>")
				continue
			}
			fmt.Fprintf(b, "<th scope=\"col\"%s>%s</th>", htmlAlign(c.Align), clean(c.Head))
		}
		b.WriteString("</tr></thead>\n")
	}
	b.WriteString("<tbody>\n")
	for _, r := range t.Rows {
		if r.Mark {
			b.WriteString("<tr class=\"mark\">")
		} else {
			b.WriteString("<tr>")
		}
		for i := range max(len(r.Cells), len(t.Columns)) {
			var cell Text
			if i < len(r.Cells) {
				cell = r.Cells[i]
			}
			if i == 0 && t.RowHeads {
				fmt.Fprintf(b, "<th scope=\"row\"%s>%s</th>", htmlAlign(t.column(i).Align), htmlText(cell))
				continue
			}
			fmt.Fprintf(b, "<td%s>%s</td>", htmlAlign(t.column(i).Align), htmlText(cell))
		}
		b.WriteString("</tr>\n")
	}
	b.WriteString("</tbody>\n</table>\n</div>\n")
}

func htmlAlign(a Align) string {
	switch a {
	case Right:
		return ` class="r"`
	case Centre:
		return ` class="c"`
	case Left:
	}
	return ""
}

func htmlStep(b *bytes.Buffer, s Item, id int) {
	class := ""
	switch {
	case s.Mark != "":
		class = ` class="marked"`
	case len(s.Sign) > 0:
		class = ` class="signed"`
	}
	fmt.Fprintf(b, "<li%s><input type=\"checkbox\" id=\"step-%d\" aria-label=\"step %d is done\"><span class=\"number\">%d.</span><span class=\"clock\">%s</span><div class=\"what\">", class, id, s.Number, s.Number, clean(s.Clock))
	if s.Mark != "" {
		fmt.Fprintf(b, "<p class=\"flag\">%s</p>", clean(strings.ToUpper(s.Mark)))
	}
	fmt.Fprintf(b, "<p class=\"title\">%s</p>", htmlText(s.Title))
	if len(s.Pairs) > 0 {
		b.WriteString("<dl>")
		for _, p := range s.Pairs {
			fmt.Fprintf(b, "<dt>%s</dt><dd>%s</dd>", clean(p.Label), htmlText(p.Text))
		}
		b.WriteString("</dl>")
	}
	for _, l := range s.Sign {
		htmlSign(b, l)
	}
	b.WriteString("</div></li>\n")
}

func htmlSign(b *bytes.Buffer, label string) {
	fmt.Fprintf(b, "<div class=\"sign\">%s <span></span></div>\n", clean(label))
}
