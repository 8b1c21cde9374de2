package cli

import "testing"

// A terminal obeys what an error quotes, unless it is written out.
// Source: ECMA-48 §5.4, control sequences begin with ESC.
func TestPrintable(t *testing.T) {
	for in, want := range map[string]string{
		"fleet.yaml:3:1: ok\nnext\tcolumn": "fleet.yaml:3:1: ok\nnext\tcolumn",
		"red \x1b[31mtext\a":               `red \x1b[31mtext\a`,
		"cut \xff off �":                   `cut \xff off �`,
		"sjøen, 東京 — 5 µs":                 "sjøen, 東京 — 5 µs",
		"\u009b31m\u202e":                  `\u009b31m\u202e`,
	} {
		if got := printable(in); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}
