package cli

import (
	"bytes"
	"context"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"towpath/internal/app"
)

// TestSignalsOfARun: a session that is lost or a reader that goes away leaves the
// device its conductor; a request to end leaves the run to be taken up.
// Source: POSIX.1-2017 <signal.h>, whose default for all of them is to end the
// process.
func TestSignalsOfARun(t *testing.T) {
	for _, x := range []struct {
		signal   syscall.Signal
		fleeting bool
		leaves   bool
		says     string
	}{
		{syscall.SIGHUP, false, false, ""},
		{syscall.SIGPIPE, false, false, ""},
		{syscall.SIGTERM, false, true, "taken up with: towpath resume r-1"},
		{os.Interrupt.(syscall.Signal), false, true, "taken up with: towpath resume r-1"},
		{syscall.SIGHUP, true, true, ""},
		{syscall.SIGPIPE, true, false, ""},
		{syscall.SIGTERM, true, true, ""},
	} {
		var said bytes.Buffer
		ctx, cancel := context.WithCancel(t.Context())
		left := make(chan struct{})
		e := &env{workspace: ".", fleeting: x.fleeting}
		e.err = &said
		e.onInterrupt(ctx, func() { close(left) }, &app.Conductor{Run: app.RunRow{ID: "r-1"}}, &consents{})
		if err := syscall.Kill(os.Getpid(), x.signal); err != nil {
			t.Fatal(err)
		}
		if x.leaves {
			select {
			case <-left:
			case <-time.After(5 * time.Minute):
				t.Fatalf("%v leaves nothing", x.signal)
			}
		} else {
			// The process lives, and a request to end that follows is the first to be heard.
			if err := syscall.Kill(os.Getpid(), syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
			<-left
			if !x.fleeting {
				x.says = "taken up with"
			}
		}
		if !strings.Contains(said.String(), x.says) || x.fleeting && said.Len() > 0 {
			t.Errorf("%v: said %q, want %q", x.signal, said.String(), x.says)
		}
		cancel()
	}
}
