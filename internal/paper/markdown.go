package paper

import (
	"bytes"
	"fmt"
	"io"
	"strings"
)

// WriteMarkdown writes the document as CommonMark with tables and task items. A
// figure, which Markdown cannot hold, is told in words, with a link where it
// has a file.
func WriteMarkdown(w io.Writer, d *Document) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# %s\n\n", mdLine(Plain(d.Title)))
	if d.Lead != "" {
		fmt.Fprintf(&b, "%s\n\n", mdStart(mdLine(Plain(d.Lead))))
	}
	var id []string
	if m := d.made(); m != "" {
		id = append(id, "Made "+m)
	}
	if d.Digest != "" {
		id = append(id, fmt.Sprintf("SHA-256 of the %s `%s`", mdLine(Plain(d.digestOf())), d.Digest))
	}
	if len(id) > 0 {
		fmt.Fprintf(&b, "%s.\n\n", strings.Join(id, ". "))
	}
	figure := 0
	for _, block := range d.Blocks {
		switch x := block.(type) {
		case Contents: // a reader of Markdown makes its own
		case Heading:
			fmt.Fprintf(&b, "%s %s\n\n", strings.Repeat("#", min(max(x.Level, 1), 5)+1), mdLine(Plain(x.Text)))
		case Paragraph:
			fmt.Fprintf(&b, "%s\n\n", mdStart(mdLine(x.Text)))
		case List:
			for i, item := range x.Items {
				mark := "-"
				if x.Numbered {
					mark = fmt.Sprintf("%d.", i+1)
				}
				fmt.Fprintf(&b, "%s %s\n", mark, mdStart(mdLine(item)))
			}
			b.WriteString("\n")
			mdEndList(&b)
		case Table:
			mdTable(&b, x)
		case Callout:
			fmt.Fprintf(&b, "> **%s**\n", mdLine(Plain(x.Label)))
			for _, t := range x.Texts {
				fmt.Fprintf(&b, ">\n> %s\n", mdStart(mdLine(t)))
			}
			b.WriteString("\n")
		case Steps:
			for _, s := range x.Items {
				mdStep(&b, s)
			}
			b.WriteString("\n")
			mdEndList(&b)
		case Sign:
			for _, l := range x.Lines {
				fmt.Fprintf(&b, "%s: %s\n\n", mdStart(mdLine(Plain(l))), blank)
			}
		case Figure:
			figure++
			fmt.Fprintf(&b, "**Figure %d.** %s. %s", figure, mdLine(Plain(x.Caption)), mdLine(Plain(x.Drawing.Desc)))
			if x.File != "" {
				fmt.Fprintf(&b, "\n\n![Figure %d: %s](<%s>)", figure, mdLine(Plain(x.Caption)), strings.NewReplacer("<", "%3C", ">", "%3E", "\n", "").Replace(x.File))
			}
			b.WriteString("\n\n")
		}
	}
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("paper: write: %w", err)
	}
	return nil
}

// blank is a line to write on.
const blank = "\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_"

// digestOf names what the digest is of.
func (d *Document) digestOf() string {
	if d.DigestOf == "" {
		return "content"
	}
	return d.DigestOf
}

// mdEndList keeps a list from going on into one that follows.
func mdEndList(b *bytes.Buffer) { b.WriteString("<!-- -->\n\n") }

func mdTable(b *bytes.Buffer, t Table) {
	if t.Caption != "" {
		fmt.Fprintf(b, "%s\n\n", mdStart(mdLine(Bold(t.Caption))))
	}
	if len(t.Columns) == 0 || len(t.Rows) == 0 {
		return
	}
	for _, c := range t.Columns {
		fmt.Fprintf(b, "| %s ", mdLine(Plain(c.Head)))
	}
	b.WriteString("|\n")
	for _, c := range t.Columns {
		switch c.Align {
		case Right:
			b.WriteString("| ---: ")
		case Centre:
			b.WriteString("| :---: ")
		case Left:
			b.WriteString("| --- ")
		}
	}
	b.WriteString("|\n")
	for _, r := range t.Rows {
		for i := range t.Columns {
			var cell Text
			if i < len(r.Cells) {
				cell = r.Cells[i]
			}
			if i == 0 && (t.RowHeads || r.Mark) {
				cell = emboldened(cell)
			}
			fmt.Fprintf(b, "| %s ", mdText(cell, true))
		}
		b.WriteString("|\n")
	}
	b.WriteString("\n")
}

// emboldened is the text in bold.
func emboldened(t Text) Text {
	out := append(Text{}, t...)
	for i := range out {
		out[i].Bold = true
	}
	return out
}

func mdStep(b *bytes.Buffer, s Item) {
	mark := fmt.Sprintf("%d. ", s.Number)
	indent := strings.Repeat(" ", len(mark))
	fmt.Fprintf(b, "%s[ ] ", mark)
	if s.Clock != "" {
		fmt.Fprintf(b, "%s ", mdLine(Plain(s.Clock)))
	}
	if s.Mark != "" {
		fmt.Fprintf(b, "**%s.** ", mdLine(Plain(strings.ToUpper(s.Mark))))
	}
	fmt.Fprintf(b, "%s\n", mdLine(emboldened(s.Title)))
	for _, p := range s.Pairs {
		fmt.Fprintf(b, "%s- %s: %s\n", indent, mdLine(Plain(p.Label)), mdLine(p.Text))
	}
	for _, l := range s.Sign {
		fmt.Fprintf(b, "%s- %s: %s\n", indent, mdLine(Plain(l)), blank)
	}
}

// mdLine writes text on one line, with what Markdown would take for a mark made
// harmless.
func mdLine(t Text) string { return mdText(t, false) }

// mdText is mdLine, in a cell of a table or outside.
func mdText(t Text, cell bool) string {
	var b strings.Builder
	for _, s := range t {
		text := strings.Join(strings.Fields(s.Text), " ")
		if text == "" {
			if s.Text != "" {
				b.WriteString(" ")
			}
			continue
		}
		lead, tail := "", ""
		if strings.HasPrefix(s.Text, " ") {
			lead = " "
		}
		if strings.HasSuffix(s.Text, " ") {
			tail = " "
		}
		if s.Mono {
			text = mdCode(text)
			if cell { // a table takes the bar away even inside of code
				text = strings.ReplaceAll(text, "|", "\\|")
			}
		} else {
			text = mdEscape(text)
		}
		if s.Bold {
			text = "**" + text + "**"
		}
		b.WriteString(lead + text + tail)
	}
	return b.String()
}

// mdCode is text in backticks, more of them than it holds in a row.
func mdCode(s string) string {
	ticks := "`"
	for strings.Contains(s, ticks) {
		ticks += "`"
	}
	if strings.HasPrefix(s, "`") || strings.HasSuffix(s, "`") {
		s = " " + s + " "
	}
	return ticks + s + ticks
}

func mdEscape(s string) string {
	var b strings.Builder
	runes := []rune(s)
	for i, r := range runes {
		switch r {
		case '\\', '`', '*', '[', ']', '|', '~':
			b.WriteByte('\\')
		case '_':
			// Inside a word it is no mark.
			if i == 0 || i == len(runes)-1 || !wordy(runes[i-1]) || !wordy(runes[i+1]) {
				b.WriteByte('\\')
			}
		case '<':
			b.WriteString("&lt;")
			continue
		case '>':
			b.WriteString("&gt;")
			continue
		case '&':
			b.WriteString("&amp;")
			continue
		}
		b.WriteRune(r)
	}
	return b.String()
}

func wordy(r rune) bool {
	return r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z'
}

// mdStart keeps a line from being taken for a heading, a list or a rule.
func mdStart(s string) string {
	if s == "" {
		return s
	}
	if strings.ContainsRune("#+-=", rune(s[0])) {
		return "\\" + s
	}
	digits := len(s) - len(strings.TrimLeft(s, "0123456789"))
	if digits > 0 && digits < len(s) && (s[digits] == '.' || s[digits] == ')') {
		return s[:digits] + "\\" + s[digits:]
	}
	return s
}
