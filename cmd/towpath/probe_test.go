package main

import (
	"io"
	"strings"
	"testing"
)

// TestSendRefusesWhatCannotBeMeant: a number that would be taken for another one
// is refused before a packet leaves.
func TestSendRefusesWhatCannotBeMeant(t *testing.T) {
	for _, c := range []struct{ flag, want string }{
		{"--rate=0", "--rate is 0"}, {"--rate=-5", "--rate is -5"}, {"--for=-1s", "--for is -1s"}, {"--budget=-1ms", "--budget -1ms"}, {"--wait=0s", "--wait 0s"},
	} {
		cmd := sendCommand()
		cmd.SetArgs([]string{"127.0.0.1:9", c.flag})
		cmd.SetOut(io.Discard)
		cmd.SetErr(io.Discard)
		if err := cmd.ExecuteContext(t.Context()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.flag, err, c.want)
		}
	}
}
