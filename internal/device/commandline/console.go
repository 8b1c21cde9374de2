package commandline

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"towpath/internal/device"
	"towpath/internal/device/adapter"
	"towpath/internal/device/dialogue"
	"towpath/internal/device/sshlink"
)

// OpenSession is what is done where the console line shows a prompt although
// nobody of ours has logged in: somebody works there, or left without logging
// out.
type OpenSession int

// The ways with an open session.
const (
	RefuseOpen OpenSession = iota // the line is left, and the operation is Busy
	LogOutOpen                    // the session is ended by the adapter's logout, and ours begun
	UseOpen                       // commands are typed into it; captures tell so
)

// ConsoleLine is a console line of a device.
type ConsoleLine struct {
	// Card is the controller card that the line is plugged into; empty where the
	// device has one line alone.
	Card string
	// Open opens the line, as [Terminal] does it at a console server.
	Open func(ctx context.Context) (io.ReadWriteCloser, error)
}

// Mark is what tells our sessions on console lines from everybody else's. Where
// the adapter knows how, it is put into the prompt of each session that we begin.
// After a broken connection a prompt with it is ours, and any other is not. The
// zero value is one drawn at random, which ends with the driver.
type Mark struct {
	// Word is a word that nobody else uses, and no other driver that lives.
	Word string
	// Left are the prompts of sessions that a driver with this word left open, by
	// card; it must live no more.
	Left map[string]string
	// Learned is told the prompt of each session that bears the mark; may be nil.
	Learned func(card, prompt string)
}

// NewMark is a word that nobody else uses.
func NewMark() string {
	b := make([]byte, 6)
	_, _ = rand.Read(b) // never fails
	return "tow-" + hex.EncodeToString(b)
}

// Terminal connects to a console server and opens the line that is behind the
// address and the user. Ending ctx ends the attempt, and not a line that is
// open. Closing the stream ends the connection. An error is a [*device.Fault]:
// that of [sshlink.Dial], or Busy where the console server has no session to
// give.
func Terminal(ctx context.Context, cfg sshlink.Config) (io.ReadWriteCloser, error) {
	const op = "open the console line"
	client, err := sshlink.Dial(ctx, cfg)
	if err != nil {
		return nil, &device.Fault{Kind: device.KindOf(err), Op: op, Text: "the console server cannot be used", Err: err}
	}
	stop := context.AfterFunc(ctx, func() { _ = client.Close() })
	t, err := shell(client)
	if err == nil && !stop() {
		err = context.Cause(ctx)
	}
	if err != nil {
		err = client.Fault(ctx, op, device.Unreachable, err)
		_ = client.Close() // it failed already
		return nil, &device.Fault{Kind: device.KindOf(err), Op: op, Text: "the console server opens no line", Err: err}
	}
	return &line{t, client}, nil
}

// line is a terminal with the connection below, which ends with it.
type line struct {
	io.ReadWriteCloser
	client *sshlink.Client
}

// Close ends the connection.
func (l *line) Close() error { return l.client.Close() }

// consoleLine is a line with what is known of it.
type consoleLine struct {
	ConsoleLine
	session *session // nil while the line is not open; the driver's lock guards it

	// The rest belongs to whoever enters the lines.
	marked  string // the prompt of our session with the mark; empty where there is none
	marking bool   // the mark was typed, and its prompt not seen yet
	astray  bool   // when the line was lost, that session was in the midst of a change
}

// entry is the way to a prompt on the active console line. It is one for all who
// wait for it, and goes on where one of them gives up: it takes longer than many
// have patience.
type entry struct {
	op      string // of the first who waits
	done    chan struct{}
	session *session
	err     error
}

// onConsole reports whether the device is spoken to over console lines.
func (d *Driver) onConsole() bool { return len(d.lines) > 0 }

// console returns the session on the active console line, at a prompt. Lines are
// opened where they are not, and logged in to where the last command spoilt the
// session, as a restart does. The caller holds the only slot.
func (d *Driver) console(ctx context.Context, op string) (*session, error) {
	d.mu.Lock()
	if d.closed {
		d.mu.Unlock()
		return nil, closedFault(op)
	}
	if s := d.lines[d.active].session; d.entry == nil && s != nil && s.Alive() && s.Usable() {
		s.used = true
		d.mu.Unlock()
		return s, nil
	}
	e := d.entry
	if e == nil {
		e = &entry{op: op, done: make(chan struct{})}
		d.entry = e
		go d.enterLines(e)
	}
	d.mu.Unlock()
	select {
	case <-e.done:
	case <-ctx.Done():
		return nil, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "given up while the console line was entered", Err: context.Cause(ctx)}
	}
	if e.err != nil {
		return nil, asOp(op, e.err)
	}
	return e.session, nil
}

// enterLines goes the way, and ends it.
func (d *Driver) enterLines(e *entry) {
	ctx, cancel := context.WithTimeout(d.life, within(d.cfg.OpenWithin, openWithin))
	defer cancel()
	s, err := d.findActive(ctx, e.op)
	d.mu.Lock()
	e.session, e.err, d.entry = s, err, nil
	d.mu.Unlock()
	close(e.done)
}

// linesFailed are the failures of all console lines.
type linesFailed []lineFailed

type lineFailed struct {
	card string
	err  error
}

// Error is one line for people.
func (f linesFailed) Error() string {
	words := make([]string, len(f))
	for i, x := range f {
		words[i] = x.card + ": " + reason(x.err)
	}
	return strings.Join(words, "; ")
}

// Unwrap returns the failures.
func (f linesFailed) Unwrap() []error {
	out := make([]error, len(f))
	for i, x := range f {
		out[i] = x.err
	}
	return out
}

// findActive tries the lines, the most likely first, until one leads to a prompt.
// A controller card that starts or follows may become the active one at any
// moment, so that all are tried again until ctx ends.
func (d *Driver) findActive(ctx context.Context, op string) (*session, error) {
	n := len(d.lines)
	d.mu.Lock()
	first := d.active
	if s := d.lines[first].session; s != nil && s.over {
		first++ // where a session ended with its card, the other one leads now
	}
	d.mu.Unlock()
	begun := time.Now()
	for {
		var failed linesFailed
		for i := range n {
			at := (first + i) % n
			s, err := d.tryLine(ctx, op, d.lines[at])
			if err == nil {
				d.mu.Lock()
				d.active = at
				d.mu.Unlock()
				return s, nil
			}
			failed = append(failed, lineFailed{d.lines[at].Card, err})
		}
		if d.life.Err() != nil {
			return nil, closedFault(op)
		}
		if ctx.Err() != nil || !d.worthAnother(failed, time.Since(begun)) {
			return nil, noLine(op, failed)
		}
		t := time.NewTimer(min(within(d.ad.Session.WakeEvery, wakeEvery), 10*within(d.cfg.Settle, time.Second)))
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
		}
	}
}

// wakeEvery is how often lines are tried of which none leads in; a quick line is
// not waited for as long.
const wakeEvery = 2 * time.Second

// freeWithin is how long a line that is in use is tried.
const freeWithin = 5 * time.Second

// worthAnother reports whether waiting may help: a line was silent or full of a
// device that starts, or no card takes commands just now. A line that is
// somebody's, or asks something, is not tried again by itself; but a console server
// may need a moment to see that we have left the line ourselves.
func (d *Driver) worthAnother(failed linesFailed, after time.Duration) bool {
	late, elsewhere := false, true
	for _, f := range failed {
		k := device.KindOf(f.err)
		var e *dialogue.Error
		switch is := errors.As(f.err, &e); {
		case k == device.Busy && is && e.Reason == dialogue.Lost && after < min(freeWithin, 50*within(d.cfg.Settle, time.Second)):
			late = true
		case k != device.Unreachable && k != device.OutcomeUnknown:
			return false
		case is && e.Reason == dialogue.Late:
			late = true
		case !is || e.Reason != dialogue.NotHere:
			elsewhere = false
		}
	}
	return late && len(d.lines) > 1 || late && device.KindOf(failed[0].err) == device.Busy || elsewhere && !late
}

// noLine is the failure of all lines: what is worst of them.
func noLine(op string, failed linesFailed) error {
	if len(failed) == 1 {
		return failed[0].err
	}
	kind := device.Unreachable
	for _, f := range failed {
		if k := device.KindOf(f.err); kind == device.Unreachable && k != device.OutcomeUnknown {
			kind = k
		}
	}
	return &device.Fault{Kind: kind, Op: op, Text: "no console line leads to a prompt", Err: failed}
}

// tryLine leads to a prompt on one line. Where there are others it is given a
// part of the time alone.
func (d *Driver) tryLine(ctx context.Context, op string, l *consoleLine) (*session, error) {
	limit := within(d.cfg.OpenWithin, openWithin)
	if len(d.lines) > 1 {
		limit /= 4
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, limit)
		defer cancel()
	}
	d.mu.Lock()
	s := l.session
	d.mu.Unlock()
	if s != nil && !s.Alive() {
		d.drop(l)
		s = nil
	}
	if s == nil {
		stream, err := l.Open(ctx)
		if err != nil {
			return nil, d.fault(d.life, op, err, false, nil)
		}
		s = &session{Session: dialogue.Start(stream, d.manner(l.Card))}
		d.mu.Lock()
		if d.closed {
			d.mu.Unlock()
			_ = s.Close()
			return nil, closedFault(op)
		}
		l.session = s
		d.mu.Unlock()
	}
	s.used = false
	if err := d.enterLine(ctx, op, l, s); err != nil {
		// A device that is silent or boots keeps the line, so that the transcript
		// has what it says; so does a question that nobody must answer by accident.
		var e *dialogue.Error
		if !errors.As(err, &e) || e.Reason != dialogue.Late && e.Reason != dialogue.Asked && e.Reason != dialogue.NotHere {
			d.drop(l)
		}
		return nil, d.lineFault(op, err, limit)
	}
	s.over = false
	return s, nil
}

// listen opens the lines that are not open, so that the transcript has what each
// controller card says while something is done. Nothing is typed on them.
func (d *Driver) listen(ctx context.Context) {
	for _, l := range d.lines {
		d.mu.Lock()
		open := l.session != nil || d.entry != nil || d.closed
		d.mu.Unlock()
		if open {
			continue
		}
		stream, err := l.Open(ctx)
		if err != nil {
			d.log.Warn("a console line cannot be listened to", "card", l.Card, "error", err)
			continue
		}
		s := &session{Session: dialogue.Start(stream, d.manner(l.Card))}
		d.mu.Lock()
		keep := l.session == nil && d.entry == nil && !d.closed
		if keep {
			l.session = s
		}
		d.mu.Unlock()
		if !keep {
			_ = s.Close() // whoever enters the lines opens it
		}
	}
}

// drop gives the line back to the console server.
func (d *Driver) drop(l *consoleLine) {
	d.mu.Lock()
	s := l.session
	l.session = nil
	d.mu.Unlock()
	if s == nil {
		return
	}
	if l.marked != "" && s.ours {
		l.astray = s.changing || s.Prompt() != l.marked
	}
	_ = s.Close() // why is told elsewhere
}

// enterLine leads to a prompt of a session of ours, or of one that may be used.
func (d *Driver) enterLine(ctx context.Context, op string, l *consoleLine, s *session) error {
	if err := s.Login(ctx); err != nil {
		return err
	}
	strange := false
	asks := d.cfg.User+d.cfg.Password != "" && len(d.ad.Session.Login) > 0
	if asks && s.Asked() == 0 && !s.ours {
		mine, err := d.recognise(ctx, op, l, s)
		if err != nil {
			return err
		}
		switch {
		case mine:
			d.log.Info("our own session was still open on the console line", "prompt", s.Prompt())
		case d.cfg.OpenSession == UseOpen:
			strange = true
			d.log.Warn("a session was open on the console line, and is used", "prompt", s.Prompt())
		case d.cfg.OpenSession == LogOutOpen:
			d.log.Warn("a session was open on the console line, and is logged out", "prompt", s.Prompt())
			_, err := s.Do(ctx, dialogue.Command{Line: d.ad.Session.Logout, Act: true, Ends: true})
			if err == nil {
				err = s.Login(ctx)
			}
			if err != nil {
				return err
			}
			if s.Asked() == 0 {
				return d.openFault(op, s, fmt.Sprintf("it was told %q and did not end", d.ad.Session.Logout))
			}
		default:
			return d.openFault(op, s, "somebody works there, or left without logging out; end it, or say in access.console.open-session what is to be done with it")
		}
	}
	if d.promptIsAway(s) {
		return d.leaveAway(ctx, s, strange)
	}
	d.mu.Lock()
	s.ours, s.strange = !strange, strange
	d.mu.Unlock()
	if !strange {
		if err := d.mark(ctx, op, l, s); err != nil {
			return err
		}
	}
	return d.start(ctx, op, s)
}

// promptIsAway reports whether the prompt is that of a controller card that takes
// no commands.
func (d *Driver) promptIsAway(s *session) bool {
	for _, p := range d.ad.Session.Away {
		if d.ad.Pattern(p).MatchString(s.Prompt()) {
			return true
		}
	}
	return false
}

// leaveAway logs out of a controller card that lets people in and takes no
// commands, so that nobody finds our session there.
func (d *Driver) leaveAway(ctx context.Context, s *session, strange bool) error {
	away := &dialogue.Error{Reason: dialogue.NotHere, Text: s.Prompt()}
	if strange || d.ad.Session.Logout == "" {
		return away
	}
	if _, err := s.Do(ctx, dialogue.Command{Line: d.ad.Session.Logout, Act: true, Ends: true}); err != nil {
		return errors.Join(away, err)
	}
	return away
}

// mark puts our mark into the prompt, where the adapter knows how. What a device
// does not take is told and no failure: after a broken connection the session is
// then a stranger's.
func (d *Driver) mark(ctx context.Context, op string, l *consoleLine, s *session) error {
	if d.ad.Session.Mark == "" {
		return nil
	}
	text, err := adapter.Fill(d.ad.Session.Mark, map[string]string{"mark": d.cfg.Mark.Word})
	if err != nil {
		return &device.Fault{Kind: device.Ours, Op: op, Err: err}
	}
	l.marking = true
	a, err := s.Do(ctx, dialogue.Command{Line: text, Relearn: true})
	if err != nil {
		return err
	}
	l.marked, l.marking, l.astray = "", false, false
	if err := d.complaint(op, a.Text, nil); err != nil || !strings.Contains(s.Prompt(), d.cfg.Mark.Word) {
		d.log.Warn("our session on the console line could not be marked: after a broken connection it counts as somebody else's", "prompt", s.Prompt(), "error", err)
		return nil
	}
	l.marked = s.Prompt()
	if d.cfg.Mark.Learned != nil {
		d.cfg.Mark.Learned(l.Card, l.marked)
	}
	return nil
}

// recognise tells whether a session that was open on the line is our own, by the
// mark in its prompt. The prompt has just come again, so that it is none that a
// console server kept of a session which has ended. Nothing is typed to find out.
func (d *Driver) recognise(ctx context.Context, op string, l *consoleLine, s *session) (bool, error) {
	p := s.Prompt()
	switch left := d.cfg.Mark.Left[l.Card]; {
	case !strings.Contains(p, d.cfg.Mark.Word):
		return false, nil
	case p == l.marked, l.marking, l.marked == "" && p == left:
		return true, nil
	case l.marked != "" && l.astray && d.ad.Transaction != nil:
		// It broke in the midst of our own change, which is not to hold in part.
		if _, err := d.steps(ctx, op, s, d.ad.Transaction.Abandon, roleWhole, nil, nil); err != nil {
			return false, err
		}
		if s.Prompt() == l.marked {
			return true, nil
		}
	}
	return false, d.openFault(op, s, "it is our own by its mark, and not as we left it: somebody may have worked in it. End it")
}

func (d *Driver) openFault(op string, s *session, text string) error {
	return &device.Fault{Kind: device.Busy, Op: op, Text: fmt.Sprintf("a session is open on the console line, at the prompt %q, and the log-in was not asked for: %s", s.Prompt(), text)}
}

// inUse is how console servers say that a line is taken. Source: common
// practice, each words it in its own way.
var inUse = regexp.MustCompile(`(?i)\b(in use|busy|occupied|taken|locked|already (open|connected))\b`)

// lineFault says what a line is like that leads to no prompt within limit.
func (d *Driver) lineFault(op string, err error, limit time.Duration) error {
	var e *dialogue.Error
	if !errors.As(err, &e) || d.life.Err() != nil || e.Typed {
		return d.fault(d.life, op, err, false, nil)
	}
	f := &device.Fault{Kind: device.Unreachable, Op: op, Err: err}
	switch {
	case e.Reason == dialogue.NotHere:
		f.Text = "this controller card takes no commands now"
	case e.Reason == dialogue.Lost && inUse.MatchString(e.Text):
		f.Kind, f.Text = device.Busy, "the console line is in use by somebody else"
	case e.Reason == dialogue.Lost:
		f.Text = "the console server ended the line before the device showed a prompt"
	case e.Reason == dialogue.Late && e.Text == "":
		f.Text = fmt.Sprintf("the console line is silent: within %s the device answered no key. It is off or still starting, the cable is out, or the line has another speed", limit)
	case e.Reason == dialogue.Late && !readable(e.Text):
		f.Text = "what comes over the console line is no text: the line has another speed, or other parity"
	case e.Reason == dialogue.Late:
		f.Text = "the console line shows neither a log-in nor a prompt: the device starts, or a program runs there"
	case e.Reason == dialogue.Refused:
		f.Kind, f.Text = device.Denied, "the device does not let in the account of access.console.login; mind the lock-out before you try again"
	case e.Reason == dialogue.Asked:
		f.Kind, f.Text = device.Refused, "somebody must answer on the console line first"
	default:
		return d.fault(d.life, op, err, false, nil)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return closedFault(op)
	}
	return f
}

// readable reports whether most of a text is letters that people write.
func readable(s string) bool {
	good, all := 0, 0
	for _, r := range s {
		all++
		if r != utf8.RuneError && (unicode.IsPrint(r) || unicode.IsSpace(r)) {
			good++
		}
	}
	return 4*good >= 3*all
}

// leaveLines logs out of the lines that are at a prompt of ours, so that nobody
// finds our session there, and gives them back. A command that runs is not waited
// for: its line is then left as it is.
func (d *Driver) leaveLines() {
	d.mu.Lock()
	e := d.entry
	d.mu.Unlock()
	if e != nil {
		<-e.done // the driver's life has ended, and soon the entry
	}
	free := false
	select {
	case d.slots <- struct{}{}:
		free = true
		defer func() { <-d.slots }()
	default:
	}
	for _, l := range d.lines {
		d.mu.Lock()
		s := l.session
		l.session = nil
		d.mu.Unlock()
		if s == nil {
			continue
		}
		if free && d.ad.Session.Logout != "" && s.ours && s.Usable() {
			ctx, cancel := context.WithTimeout(context.Background(), tidyWithin)
			if _, err := s.Do(ctx, dialogue.Command{Line: d.ad.Session.Logout, Act: true, Ends: true}); err != nil {
				d.log.Warn("the session on the console line could not be logged out", "error", err)
			}
			cancel()
		}
		_ = s.Close() // the line is a console server's, and stays
	}
}

// inStrange reports whether commands go into somebody's session.
func (d *Driver) inStrange() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.onConsole() {
		return false
	}
	s := d.lines[d.active].session
	return s != nil && s.strange
}
