package transfer

import (
	"context"
	"fmt"
	"io"
	"sync"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
)

// How long a device may be silent while it is waited for.
const (
	// answerTime is for every request, and for the next octet of content: as long
	// as a device that fetches may take nothing.
	answerTime = stall
	// syncTime is for what the device has to write to its medium first, which on
	// slow flash memory takes minutes for a whole image. Source: common practice.
	syncTime = 10 * time.Minute
	// graceTime is for requests that are under way when the caller gives up.
	graceTime = 5 * time.Second
	// tidyTime is for each step of clearing away.
	tidyTime = 30 * time.Second
	// shutTime is for the end of a session whose work is done.
	shutTime = 5 * time.Second
)

// timer is what of a [time.Timer] is needed.
type timer interface {
	Stop() bool
	Reset(d time.Duration) bool
}

func afterFunc(d time.Duration, f func()) timer { return time.AfterFunc(d, f) }

// watch closes a connection over which nothing comes or goes although something
// is waited for. A stalled device does not even let a session be closed, so that
// nothing less ends what waits. One wait is under way at a time.
type watch struct {
	conn  *sshlink.Client
	after func(time.Duration, func()) timer

	mu    sync.Mutex
	timer timer // nil: nothing is waited for
	round int   // which wait it is
	limit time.Duration
	late  bool // the caller gave up
	gone  bool // the connection was closed from here
	why   string
}

func newWatch(c *sshlink.Client, o Options) *watch {
	w := &watch{conn: c, after: o.after}
	if w.after == nil {
		w.after = afterFunc
	}
	return w
}

// wait starts to wait until the device has done something; the function that it
// returns ends that. When ctx ends, the wait does too, after graceTime.
func (w *watch) wait(ctx context.Context, limit time.Duration, what string) func() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.round++
	round := w.round
	w.timer, w.limit, w.late = w.after(limit, func() { w.giveUp(round, limit, what) }), limit, false
	stop := context.AfterFunc(ctx, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.timer != nil && w.round == round {
			w.late = true
			w.timer.Reset(min(graceTime, limit))
		}
	})
	return func() {
		stop()
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.timer != nil && w.round == round {
			w.timer.Stop()
			w.timer = nil
		}
	}
}

// beat says that something came or went.
func (w *watch) beat() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.timer != nil && !w.late {
		w.timer.Reset(w.limit)
	}
}

// idle says that the device has nothing to do until the next beat.
func (w *watch) idle() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.timer != nil && !w.late {
		w.timer.Stop()
	}
}

func (w *watch) giveUp(round int, limit time.Duration, what string) {
	w.mu.Lock()
	if w.timer == nil || w.round != round { // it ended at the last moment
		w.mu.Unlock()
		return
	}
	w.timer, w.gone = nil, true
	if !w.late {
		w.why = fmt.Sprintf("the device answered nothing for %s when it was to %s; the connection to %s was closed", limit, what, w.conn.Address())
	}
	w.mu.Unlock()
	_ = w.conn.Close() // what waits then fails
}

// silence says for what the connection was closed; empty where it was not.
func (w *watch) silence() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.why
}

// stall is that as a failure of the transfer; nil where there was none.
func (w *watch) stall() error {
	if text := w.silence(); text != "" {
		return &device.Fault{Kind: lostKind, Op: op, Text: text}
	}
	return nil
}

// over says whether the connection was closed from here.
func (w *watch) over() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.gone
}

// heard tells the watch of what comes.
type heard struct {
	io.Reader
	w *watch
}

// Read implements io.Reader.
func (h *heard) Read(b []byte) (int, error) {
	n, err := h.Reader.Read(b)
	if n > 0 {
		h.w.beat()
	}
	return n, err
}

// told tells the watch of what goes, in pieces so that a slow line is not taken
// for a stalled device.
type told struct {
	io.WriteCloser
	w *watch
}

// Write implements io.Writer.
func (t *told) Write(b []byte) (int, error) {
	sent := 0
	for {
		n, err := t.WriteCloser.Write(b[sent:min(sent+smallPacket, len(b))])
		if sent += n; err != nil {
			return sent, err
		}
		t.w.beat()
		if sent == len(b) {
			return sent, nil
		}
	}
}
