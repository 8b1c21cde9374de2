package dialogue_test

import (
	"regexp"
	"testing"

	"towpath/internal/device/dialogue"
)

// TestOutputs takes a transcript apart whose echo comes before and after the end
// of the line was typed.
func TestOutputs(t *testing.T) {
	said := func(s string) dialogue.Entry { return dialogue.Entry{Octets: []byte(s)} }
	typed := func(s string) dialogue.Entry { return dialogue.Entry{Typed: true, Octets: []byte(s)} }
	got := dialogue.Outputs([]dialogue.Entry{
		said("welcome\r\nmere-1> "), typed("\n"), said("\r\nmere-1> "),
		typed("tell one"), said("tell one"), typed("\n"), said("\r\n1\r\n"), said("mere-1> "), typed("\n"), said("\r\nmere-1> "),
		typed("tell two"), typed("\n"), said("tell two\r\n2\r\nmere-1> "), typed("\n"), said("\r\nmere-1> "),
	}, regexp.MustCompile(`mere-1> `))
	for command, want := range map[string]string{"tell one": "1\n", "tell two": "2\n"} {
		if string(got[command]) != want {
			t.Errorf("%s: got %q, want %q", command, got[command], want)
		}
	}
	if len(got) != 2 {
		t.Errorf("got %d commands: %q", len(got), got)
	}
}
