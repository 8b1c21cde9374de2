package unit

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// Source: RFC 5545 §3.1: a line has 75 octets at most, the break not counted, and
// is unfolded by taking away each CR LF that a single blank follows.
func TestFolded(t *testing.T) {
	folded := 0
	rapid.Check(t, func(t *rapid.T) {
		var src strings.Builder
		for range rapid.IntRange(1, 3).Draw(t, "lines") {
			n := rapid.IntRange(0, 200).Draw(t, "letters")
			src.WriteString("X" + rapid.StringOfN(rapid.RuneFrom([]rune("aZ ,;:\\é€𝄞")), n, n, -1).Draw(t, "line") + "\r\n")
		}
		got := Folded([]byte(src.String()))
		for line := range bytes.SplitSeq(got, []byte("\r\n")) {
			if len(line) > 75 || !utf8.Valid(line) {
				t.Fatalf("a line of %d octets: %q", len(line), line)
			}
		}
		if back := strings.ReplaceAll(string(got), "\r\n ", ""); back != src.String() {
			t.Fatalf("unfolded %q, want %q", back, src.String())
		}
		if len(got) > src.Len() {
			folded++
		}
	})
	if folded < 20 {
		t.Fatalf("%d texts were folded only", folded)
	}
	if got := string(Folded([]byte(strings.Repeat("a", 75) + "\r\n" + strings.Repeat("b", 76) + "\r\n"))); got != strings.Repeat("a", 75)+"\r\n"+strings.Repeat("b", 75)+"\r\n b\r\n" {
		t.Errorf("got %q", got)
	}
}
