package adapter_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/device/adapter"
)

// TestLinesThatNoPatternTakesAreTold reads an output with a heading and with a
// line that the pattern forgot, by one pattern and by two.
func TestLinesThatNoPatternTakesAreTold(t *testing.T) {
	const one = `
adapter: birch-2
session: {prompt: '> '}
reads:
  - {read: cards, command: list parts, into: component, parse: {lines: '^(?P<name>LC-\d) working$'}}
`
	const two = one + `  - {read: fans, command: list parts, into: component, parse: {lines: '^(?P<name>FAN-\d) turns$'}}
`
	const whole = one + `  - {read: text, command: list parts, into: component, parse: {text: '(?P<name>FAN-\d)'}}
`
	const none = one + `    none: 'FAN'
`
	const output = "part state\n\nLC-1 working\nLC-2 broken\n  \nFAN-1 turns\n"
	for _, c := range []struct {
		name, src string
		want      []string
	}{
		{"one pattern", one, []string{"part state", "LC-2 broken", "FAN-1 turns"}},
		{"two patterns", two, []string{"part state", "LC-2 broken"}},
		{"read as a whole too", whole, nil},
		{"says that there is none", strings.Replace(none, "working$'}}\n    none: 'FAN'", "working$'}, none: 'FAN'}", 1), nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			a, err := adapter.Read("birch-2.yaml", []byte(c.src))
			if err != nil {
				t.Fatal(err)
			}
			r := a.Rehearse(func(string) ([]byte, bool) { return []byte(output), true }, time.Unix(0, 0))
			if c.want == nil {
				if len(r.Unread) != 0 {
					t.Errorf("got %+v, want none", r.Unread)
				}
				return
			}
			if len(r.Unread) != 1 || r.Unread[0].Command != "list parts" || r.Unread[0].Of != 4 || !slices.Equal(r.Unread[0].Lines, c.want) {
				t.Errorf("got %+v, want %q of 4", r.Unread, c.want)
			}
		})
	}
}
