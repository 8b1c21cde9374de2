package document

import (
	"fmt"
	"regexp"
	"strings"
	"unicode"
)

// width is how many characters of a source line an excerpt shows.
const width = 88

// Excerpt returns the line of the source, the one above it, and a mark below
// the column, each with its number:
//
//	13 |   - id: mere-agg-2
//	14 |     platfrm: alder-9
//	   |     ^
//
// What looks like a secret is masked. It is empty where there is no such line.
func Excerpt(src []byte, line, column int) string {
	return excerpt(lines(src), line, column)
}

func lines(src []byte) []string {
	return strings.Split(strings.ReplaceAll(string(src), "\r\n", "\n"), "\n")
}

func excerpt(source []string, line, column int) string {
	if line < 1 || line > len(source) || column < 1 {
		return ""
	}
	from := 0 // characters that are cut off on the left
	if column > width {
		from = column - width/2
	}
	var b strings.Builder
	digits := len(fmt.Sprint(line))
	for n := max(1, line-1); n <= line; n++ {
		text := mask(source[n-1])
		if n < line && strings.TrimSpace(text) == "" {
			continue
		}
		fmt.Fprintf(&b, "%*d | %s\n", digits, n, window(text, from))
	}
	mark := column - 1 - from
	if from > 0 {
		mark++ // the ellipsis
	}
	fmt.Fprintf(&b, "%*s | %s^\n", digits, "", strings.Repeat(" ", mark))
	return b.String()
}

// window cuts a line to the characters from on, at most width of them, and
// replaces what would not print as one column.
func window(s string, from int) string {
	r := []rune(s)
	cut := from >= len(r)
	if cut {
		r = nil
	} else {
		r = r[from:]
	}
	tail := ""
	if len(r) > width {
		r, tail = r[:width], "…"
	}
	for i := range r {
		if !unicode.IsPrint(r[i]) {
			r[i] = ' '
		}
	}
	if from > 0 && !cut {
		return "…" + string(r) + tail
	}
	return string(r) + tail
}

var (
	// secretKey finds a key whose value nobody should see in a log.
	secretKey = regexp.MustCompile(`(?i)([\w-]*(?:pass|secret|token|credential|community|private|psk|key|authority|certificate)[\w-]*["']?\s*[:=]\s*)(\S.*)$`)
	reference = regexp.MustCompile(`^["']?(env|file):\S*$`)
	// material finds key material that stands alone in a line.
	material = regexp.MustCompile(`[A-Za-z0-9+/_=-]{40,}|-----BEGIN.*`)
	// digest marks a line whose long value is public.
	digest = regexp.MustCompile(`\bsha(256|512)\b`)
)

// mask hides values of keys that sound secret, unless they are references, and
// anything that looks like key material.
func mask(line string) string {
	if m := secretKey.FindStringSubmatchIndex(line); m != nil && !reference.MatchString(strings.TrimSpace(line[m[4]:])) {
		line = line[:m[4]] + "…"
	}
	if digest.MatchString(line) {
		return line
	}
	return material.ReplaceAllString(line, "…")
}
