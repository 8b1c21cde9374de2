package commandline

import (
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
	"unicode"
	"unicode/utf8"

	"towpath/internal/device"
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

// console returns the session on the console line, at a prompt. The line is
// opened where it is not, and logged in to where the last command spoilt the
// session, as a restart does. The caller holds the only slot.
func (d *Driver) console(ctx context.Context, op string) (*session, error) {
	d.mu.Lock()
	s, closed := d.line, d.closed
	d.mu.Unlock()
	if closed {
		return nil, closedFault(op)
	}
	if s != nil && !s.Alive() {
		d.drop(s)
		s = nil
	}
	if s != nil && s.Usable() {
		s.used = true
		return s, nil
	}
	if s == nil {
		stream, err := d.cfg.Stream(ctx)
		if err != nil {
			return nil, d.fault(ctx, op, err, false, nil)
		}
		s = &session{Session: dialogue.Start(stream, d.manner())}
		d.mu.Lock()
		if d.closed {
			d.mu.Unlock()
			_ = s.Close()
			return nil, closedFault(op)
		}
		d.line = s
		d.mu.Unlock()
	}
	s.used = false
	bounded, cancel := context.WithTimeout(ctx, within(d.cfg.OpenWithin, openWithin))
	defer cancel()
	if err := d.enterLine(bounded, op, s); err != nil {
		// A device that is silent or boots keeps the line, so that the transcript
		// has what it says; so does a question that nobody must answer by accident.
		var e *dialogue.Error
		if !errors.As(err, &e) || e.Reason != dialogue.Late && e.Reason != dialogue.Asked {
			d.drop(s)
		}
		return nil, d.lineFault(ctx, op, err)
	}
	return s, nil
}

// drop gives the line back to the console server.
func (d *Driver) drop(s *session) {
	d.mu.Lock()
	if d.line == s {
		d.line = nil
	}
	d.mu.Unlock()
	_ = s.Close() // why is told elsewhere
}

// enterLine leads to a prompt of a session of ours, or of one that may be used.
func (d *Driver) enterLine(ctx context.Context, op string, s *session) error {
	if err := s.Login(ctx); err != nil {
		return err
	}
	strange := false
	asks := d.cfg.User+d.cfg.Password != "" && len(d.ad.Session.Login) > 0
	if asks && s.Asked() == 0 && !s.ours {
		switch d.cfg.OpenSession {
		case UseOpen:
			strange = true
			d.log.Warn("a session was open on the console line, and is used", "prompt", s.Prompt())
		case LogOutOpen:
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
		case RefuseOpen:
			return d.openFault(op, s, "somebody works there, or left without logging out; end it, or say in access.console.open-session what is to be done with it")
		}
	}
	d.mu.Lock()
	s.ours, s.strange = !strange, strange
	d.mu.Unlock()
	return d.start(ctx, op, s)
}

func (d *Driver) openFault(op string, s *session, text string) error {
	return &device.Fault{Kind: device.Busy, Op: op, Text: fmt.Sprintf("a session is open on the console line, at the prompt %q, and the log-in was not asked for: %s", s.Prompt(), text)}
}

// inUse is how console servers say that a line is taken. Source: common
// practice, each words it in its own way.
var inUse = regexp.MustCompile(`(?i)\b(in use|busy|occupied|taken|locked|already (open|connected))\b`)

// lineFault says what a line is like that leads to no prompt.
func (d *Driver) lineFault(ctx context.Context, op string, err error) error {
	var e *dialogue.Error
	if !errors.As(err, &e) || ctx.Err() != nil || e.Typed {
		return d.fault(ctx, op, err, false, nil)
	}
	f := &device.Fault{Kind: device.Unreachable, Op: op, Err: err}
	switch {
	case e.Reason == dialogue.Lost && inUse.MatchString(e.Text):
		f.Kind, f.Text = device.Busy, "the console line is in use by somebody else"
	case e.Reason == dialogue.Lost:
		f.Text = "the console server ended the line before the device showed a prompt"
	case e.Reason == dialogue.Late && e.Text == "":
		f.Text = fmt.Sprintf("the console line is silent: within %s the device answered no key. It is off or still starting, the cable is out, or the line has another speed", within(d.cfg.OpenWithin, openWithin))
	case e.Reason == dialogue.Late && !readable(e.Text):
		f.Text = "what comes over the console line is no text: the line has another speed, or other parity"
	case e.Reason == dialogue.Late:
		f.Text = "the console line shows neither a log-in nor a prompt: the device starts, or a program runs there"
	case e.Reason == dialogue.Refused:
		f.Kind, f.Text = device.Denied, "the device does not let in the account of access.console.login; mind the lock-out before you try again"
	case e.Reason == dialogue.Asked:
		f.Kind, f.Text = device.Refused, "somebody must answer on the console line first"
	default:
		return d.fault(ctx, op, err, false, nil)
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

// leave logs out of a line that is at a prompt of ours, so that nobody finds our
// session there. A command that runs is not waited for: the line is then left as
// it is.
func (d *Driver) leave(s *session) {
	if d.ad.Session.Logout == "" {
		return
	}
	select {
	case d.slots <- struct{}{}:
	default:
		return
	}
	defer func() { <-d.slots }()
	if !s.ours || !s.Usable() {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), tidyWithin)
	defer cancel()
	if _, err := s.Do(ctx, dialogue.Command{Line: d.ad.Session.Logout, Act: true, Ends: true}); err != nil {
		d.log.Warn("the session on the console line could not be logged out", "error", err)
	}
}

// inStrange reports whether commands go into somebody's session.
func (d *Driver) inStrange() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.line != nil && d.line.strange
}
