package dialogue

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"regexp"
	"slices"
	"time"
)

// errLoggedOut is a login question where none was due.
var errLoggedOut = errors.New("the device asks for the log-in: it restarted, or it ended the session")

// errAgain is a login question that had been answered.
var errAgain = errors.New("it asked a second time for what was answered")

// errStanding is a question that somebody left.
var errStanding = errors.New("a question stands on the line, and a key that wakes it might answer")

// loginConsole leads to a prompt on a line that outlives what is said on it. It
// judges only what stands on a quiet line: while a device boots it says much that
// looks like a question, and a key that is pressed then may stop it from booting.
// The line is woken where nothing at all comes, and where the device has spoken
// only after it has been silent for long.
func (s *Session) loginConsole(ctx context.Context) error {
	given := make([]int, len(s.cfg.Login))
	from, checked := 0, 0
	var candidate []byte
	var idle time.Duration
	spoke, woken, astray, anew := false, false, false, false
	defer s.moving(func(at func(int) int) { from, checked = at(from), at(checked) })()
	s.asked = 0
	for {
		came, err := s.more(ctx, s.cfg.Settle)
		if err != nil {
			return s.fail(Late, false, from, err)
		}
		if s.ended == nil && s.away(from) {
			return s.fail(NotHere, false, from, nil) // it may go on saying so for long
		}
		if came && s.ended == nil {
			idle, spoke = 0, true
			continue // it may not have said all
		}
		idle += s.cfg.Settle
		for _, re := range s.cfg.Refusals {
			if (s.asked > 0 || !astray) && re.Match(s.recent(from)) {
				return s.fail(Refused, false, from, nil)
			}
		}
		if s.ended != nil {
			if len(bytes.TrimSpace(s.recent(from))) == 0 {
				from = 0 // why was said before the line was woken
			}
			return s.fail(Lost, false, from, s.ended)
		}
		if i := asks(s.cfg.Login, s.recent(from)); i >= 0 {
			x := s.cfg.Login[i]
			if x.Secret && i > 0 && given[0] == 0 && !astray {
				// It has a name that we did not give: what had been typed before a
				// restart, or by somebody else. It is led back to its first question.
				astray = true
				if _, err := s.say(cmp.Or(s.cfg.Wake, s.cfg.NewLine), false); err != nil {
					return err
				}
				from, candidate, idle = len(s.buf), nil, 0
				continue
			}
			if i == 0 && given[0] >= max(x.Times, 1) && len(s.cfg.Refusals) > 0 && !anew {
				anew = true // it refused nothing: it restarted just now
				clear(given)
			}
			if given[i] >= max(x.Times, 1) {
				return s.fail(Refused, false, from, errAgain)
			}
			given[i]++
			s.asked++
			if _, err := s.say(x.Answer, x.Secret); err != nil {
				return err
			}
			from, candidate, idle = len(s.buf), nil, 0
			continue
		}
		p := s.looksLikePrompt(max(from, checked))
		switch {
		case p != nil && (!s.cfg.BlankLine || s.cameAgain(p, candidate, checked)):
			s.prompt = bytes.Clone(p)
			return nil
		case p != nil:
			// What was left on the line may look like a prompt. A prompt comes again.
			candidate = bytes.Clone(p)
			if _, err := s.say(s.cfg.NewLine, false); err != nil {
				return err
			}
			checked, idle = len(s.buf), 0
			continue
		}
		for _, q := range s.cfg.Questions {
			if atEnd(q, s.tail(from)) {
				return s.fail(Asked, false, from, errStanding)
			}
		}
		after := s.cfg.WakeEvery
		if spoke && (woken || s.again) { // no greeting of the console server
			after = max(after, s.cfg.Quiet)
		}
		if s.cfg.Wake != "" && idle >= after {
			if typed, err := s.say(s.cfg.Wake, false); err != nil {
				if reason(err) != Lost {
					return err
				}
				// It has ended, and its last words may be on the way still.
				for came := true; came && s.ended == nil && ctx.Err() == nil; {
					came, _ = s.more(ctx, s.cfg.Quiet)
				}
				return s.fail(Lost, typed, from, err)
			}
			if !woken && !s.again {
				from = len(s.buf) // the greeting was the console server's
			}
			idle, woken = 0, true
		}
	}
}

// away reports whether the last line that says anything since from tells that
// nobody is let in now.
func (s *Session) away(from int) bool {
	if !s.cfg.Console || len(s.cfg.Away) == 0 || s.looksLikePrompt(from) != nil {
		return false
	}
	b := bytes.TrimRight(s.recent(from), "\n")
	b = b[bytes.LastIndexByte(b, '\n')+1:]
	return len(b) > 0 && slices.ContainsFunc(s.cfg.Away, func(re *regexp.Regexp) bool { return re.Match(b) })
}

// sieve takes what the device said unasked out of what has come since octet n,
// and reports whether anything else changed.
func (s *Session) sieve(n int) bool {
	was := n
	for {
		from, to := s.unaskedAt()
		if from < 0 {
			break
		}
		s.buf = append(s.buf[:from], s.buf[to:]...)
		s.sieved = min(s.sieved, from)
		s.unasked++
		if from < n {
			n -= min(to, n) - from
		}
		if s.moved != nil {
			s.moved(from, to)
		}
	}
	// The end of the last line may be the beginning of what comes next unasked.
	if i := bytes.LastIndexByte(s.buf, '\n'); i >= 0 {
		for i > 0 && s.buf[i-1] == '\r' {
			i--
		}
		s.sieved = max(s.sieved, i)
	}
	return len(s.buf) != n || n != was
}

// unaskedAt is where something unasked begins and ends in the buffer; -1 where
// there is nothing.
func (s *Session) unaskedAt() (from, to int) {
	raw := s.buf[s.sieved:]
	plain, at := make([]byte, 0, len(raw)), make([]int, 0, len(raw))
	for i, b := range raw {
		if b != '\r' {
			plain, at = append(plain, b), append(at, i)
		}
	}
	for _, re := range s.cfg.Unasked {
		m := re.FindIndex(plain)
		if m == nil || m[0] == m[1] {
			continue
		}
		if m[0] > 0 {
			from = at[m[0]-1] + 1
		}
		return s.sieved + from, s.sieved + at[m[1]-1] + 1
	}
	return -1, -1
}

// moving has f told where octets are now, whenever some are taken out of the
// buffer, until the function that it returns is called.
func (s *Session) moving(f func(at func(int) int)) (done func()) {
	was := s.moved
	s.moved = func(from, to int) {
		f(func(i int) int {
			switch {
			case i >= to:
				return i - (to - from)
			case i > from:
				return from
			}
			return i
		})
	}
	return func() { s.moved = was }
}
