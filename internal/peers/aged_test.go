package peers

import (
	"strings"
	"testing"
)

// TestAPortThatIsTakenBackAtOnceIsNotLost counts in what a bridge really logged: a
// neighbour that gave the root up while that was awake, and one that gave it up
// while it slept.
// Source: log of Open vSwitch 3.1.0, recorded.
func TestAPortThatIsTakenBackAtOnceIsNotLost(t *testing.T) {
	const awake = `2026-11-25T19:10:42.035Z|00655|rstp_sm|DBG|br, port 1: Port_information_sm 8 -> 3
2026-11-25T19:10:42.035Z|00674|rstp_sm|DBG|br, port 1, port role [8001] = Designated
2026-11-25T19:10:42.037Z|00704|rstp_sm|DBG|br, port 1, port role [8001] = Root
`
	const asleep = `2026-11-25T19:10:23.793Z|00385|rstp_sm|DBG|br, port 1: Port_information_sm 8 -> 3
2026-11-25T19:10:23.793Z|00407|rstp_sm|DBG|br, port 1, port role [8001] = Designated
2026-11-25T19:10:24.901Z|00438|rstp_sm|DBG|br, port 1, port role [8001] = Root
`
	const up = "2026-11-25T19:12:00.001Z|00093|rstp_sm|DBG|br, port 1, port role [8001] = Root\n"
	for log, want := range map[string]int{"": 0, up: 0, up + awake: 0, up + asleep: 1, up + asleep + awake + asleep: 2, up + awake + asleep[:strings.Index(asleep, "\n")]: 1} {
		if got, err := agedPorts(log); err != nil || got != want {
			t.Errorf("%d lost (%v), want %d of\n%s", got, err, want, log)
		}
	}
	if _, err := agedPorts("yesterday|rstp_sm|DBG|br, port 1: Port_information_sm 8 -> 3\n"); err == nil {
		t.Error("a line without a time was counted")
	}
}
