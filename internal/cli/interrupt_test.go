package cli

import (
	"bytes"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"testing"
	"time"

	"towpath/internal/plan"
)

// A signal ends what a command waits for, and once a run is conducted it is no
// longer heard here. Source: POSIX.1-2017 <signal.h>, SIGINT and SIGTERM.
func TestInterruptStopsWhatConductsNothing(t *testing.T) {
	for _, x := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM} {
		i := &interrupts{}
		ctx := i.watch(t.Context(), func(string) {})
		if i.wasStopped() {
			t.Fatal("stopped before anything came")
		}
		if err := syscall.Kill(os.Getpid(), x); err != nil {
			t.Fatal(err)
		}
		<-ctx.Done()
		var said bytes.Buffer
		e := &env{err: &said, out: &said, signals: i}
		if status := e.status(ctx.Err()); status != ExitDevice || !strings.Contains(said.String(), "stopped before it was done") {
			t.Errorf("%v: status %d, said %q", x, status, said.String())
		}
	}
	i := &interrupts{}
	ctx := i.watch(t.Context(), func(string) {})
	i.conducting()
	heard := make(chan os.Signal, 1)
	signal.Notify(heard, os.Interrupt)
	t.Cleanup(func() { signal.Stop(heard) })
	if err := syscall.Kill(os.Getpid(), syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	<-heard
	if ctx.Err() != nil || i.wasStopped() {
		t.Error("a signal of a run stopped its command")
	}
}

// What a consent covers is printed within the width, step by step; that it covers
// nothing is said.
func TestWhatAConsentCoversIsPrinted(t *testing.T) {
	loss := plan.Loss{Least: 10 * time.Millisecond, Likely: 30 * time.Millisecond, Most: 60 * time.Millisecond, Known: true, Of: "what passes LC-3 and has no other way", Basis: "by the catalogue"}
	step := plan.Step{Hold: &plan.HoldSpec{Ask: "hand over?", Ahead: []plan.Effect{{N: 14, Title: "Restart LC-3 into firmware 1.9 (has 1.7)", Loss: loss}, {N: 15, Title: "Hand the PRIMARY role from CTL-A to CTL-B", Loss: plan.Loss{Of: "all", Basis: "the catalogue gives no loss of this hand-over"}}}}}
	var b bytes.Buffer
	(&view{out: &b}).covers("  ", step)
	got := strings.Join(strings.Fields(b.String()), " ")
	for _, want := range []string{"- step 14, Restart LC-3 into firmware 1.9 (has 1.7): traffic lost: about 30ms (10ms to 60ms) of what passes LC-3",
		"- step 15, Hand the PRIMARY role from CTL-A to CTL-B: traffic lost: no figure (the catalogue gives no loss of this hand-over)"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is missing in\n%s", want, b.String())
		}
	}
	for l := range strings.Lines(b.String()) {
		if len([]rune(l)) > width+1 {
			t.Errorf("%d columns: %q", len([]rune(l))-1, l)
		}
	}
	b.Reset()
	(&view{out: &b}).covers("  ", plan.Step{Hold: &plan.HoldSpec{}})
	if !strings.Contains(b.String(), "No step before the next hold point touches traffic") {
		t.Errorf("of nothing: %q", b.String())
	}
}
