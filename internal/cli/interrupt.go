package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"
)

// errStopped ends a command that was asked to stop.
var errStopped = errors.New("stopped before it was done")

// interrupts lets Ctrl-C and a request to end stop a command that conducts no run:
// what it has open is closed and what it has made for itself goes, instead of the
// process ending in the middle. A second one ends it at once. A run has its own way
// with both, so conducting takes them from here.
type interrupts struct {
	mu      sync.Mutex
	signals chan os.Signal // nil where they are not ours
	stopped bool
}

// patience is how long a command may take to stop without a word.
const patience = time.Second

// watch returns a context that ends with the first signal.
func (i *interrupts) watch(parent context.Context, say func(string)) context.Context {
	ctx, cancel := context.WithCancel(parent)
	ch := make(chan os.Signal, 1)
	signal.Notify(ch, os.Interrupt, syscall.SIGTERM)
	if !signal.Ignored(syscall.SIGHUP) { // who started it by nohup wants it to go on
		signal.Notify(ch, syscall.SIGHUP)
	}
	i.mu.Lock()
	i.signals = ch
	i.mu.Unlock()
	go func() {
		select {
		case <-parent.Done():
			cancel()
			return
		case _, ours := <-ch:
			if !ours {
				return
			}
		}
		signal.Stop(ch) // the next one ends the process
		i.mu.Lock()
		i.stopped = true
		i.mu.Unlock()
		cancel()
		time.AfterFunc(patience, func() { say("stopping; Ctrl-C again ends it at once") })
	}()
	return ctx
}

// conducting gives the signals up: from now on the run says what they do.
func (i *interrupts) conducting() {
	if i == nil {
		return
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.signals != nil {
		signal.Stop(i.signals)
		close(i.signals)
		i.signals = nil
	}
}

// wasStopped says whether a signal ended the command's context.
func (i *interrupts) wasStopped() bool {
	if i == nil {
		return false
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.stopped
}

// tellStopped says that the command was stopped.
func (e *env) tellStopped() int {
	const hint = "nothing was changed; give the command again"
	if e.format == "json" {
		_ = e.json(map[string]any{"error": errStopped.Error(), "hint": hint, "exit": ExitDevice})
	}
	fmt.Fprintln(e.err, "towpath:", errStopped)
	fmt.Fprintln(e.err, "hint:", hint)
	return ExitDevice
}
