package unit

import (
	"bytes"
	"unicode/utf8"
)

// foldAt is how many octets a line of an iCalendar has at most, its end not
// counted. Source: RFC 5545 §3.1.
const foldAt = 75

// Folded breaks the lines of an iCalendar that have more than 75 octets, between
// letters: each further line begins with a blank that readers take away, and the
// blank counts. Lines end in CR LF, as the standard wants; those that are short
// enough stay as they are. Source: RFC 5545 §3.1.
func Folded(src []byte) []byte {
	var out bytes.Buffer
	for line := range bytes.Lines(src) {
		line, end := bytes.CutSuffix(line, []byte("\r\n"))
		for room := foldAt; len(line) > room; room = foldAt - 1 {
			n := room
			for n > 1 && !utf8.RuneStart(line[n]) {
				n--
			}
			out.Write(line[:n])
			out.WriteString("\r\n ")
			line = line[n:]
		}
		out.Write(line)
		if end {
			out.WriteString("\r\n")
		}
	}
	return out.Bytes()
}
