// Package dialogue holds a conversation with a command line: over an SSH
// channel with a terminal, a console server, or any other stream of octets.
//
// Read [Open] first, then [Session.Do]. Open wakes the line, answers the login
// and learns the exact prompt; Do types one command and returns what the device
// said to it. Nothing here sleeps: every wait ends with what the device says,
// with the end of the stream, or with the context.
//
// Every octet of both directions goes to the [Sink] with its instant, before it
// is looked at. What was typed as a secret is masked there, and so is a secret
// that the device repeats.
package dialogue

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"sync"
	"time"
)

// Config says how the command line of a device behaves. Prompt and Now are
// required.
type Config struct {
	// Prompt is what a prompt looks like. It is matched against the last line,
	// which must be unfinished; what it matches is learned and from then on only
	// exactly that text is the prompt, unless PromptVaries.
	Prompt *regexp.Regexp
	// PromptVaries says that the prompt carries what changes from one command to
	// the next, such as a counter, a clock or a mark of unsaved changes: whatever
	// Prompt matches is then one.
	PromptVaries bool
	// NewLine ends a line that is typed; empty is a line feed.
	NewLine string
	// Wake is typed first, and again whenever nothing has come for WakeEvery, as
	// the line of a console server may sleep. Empty types nothing.
	Wake      string
	WakeEvery time.Duration // zero is two seconds
	// Login are the questions before the first prompt, each with its answer. A
	// question that comes more often than its answer may be given is Refused.
	Login []Exchange
	// Refusals are what the device says when it does not let us in.
	Refusals []*regexp.Regexp
	// More are the questions of a pager; they are answered as often as they come
	// and are no part of the output.
	More []Exchange
	// Questions is what an unfinished line looks like that waits for a person. A
	// command that meets one which its own dialogue does not answer fails at
	// once with Asked, after Cancel has been typed.
	Questions []*regexp.Regexp
	Cancel    string // "\x03" where the device takes an interrupt; empty: the session is given up
	// BlankLine says that a blank line only brings the prompt again. It is typed
	// once after each command, so that output which looks like the prompt is
	// never taken for it, and again where nothing has come for Quiet.
	BlankLine bool
	Quiet     time.Duration // zero is fifteen seconds
	// Echoless says that the line does not repeat what is typed.
	Echoless bool
	// Console says that the line outlives what is said on it: a device that
	// restarts does not end it, and it may speak unasked, as it does while it
	// boots. Nothing is then typed before the line is quiet, and a question of
	// Login in the midst of a command means that the device restarted or logged
	// us out.
	Console bool
	// Settle is how long a console must be quiet before what it said last is
	// taken for a prompt or a question; zero is half a second.
	Settle time.Duration
	// Away is what the last line of a console looks like where nobody is let in
	// now: another controller card leads, or this one starts. The login then ends
	// with NotHere.
	Away []*regexp.Regexp
	// Unasked is what the device writes in the midst of everything else, line ends
	// included; a carriage return counts as nothing. It goes to the transcript and
	// is then taken out of what came, so that what it tore apart is whole again.
	Unasked []*regexp.Regexp
	// Line names the line in the transcript; empty where there is only one.
	Line string
	Now  func() time.Time
	Sink Sink // nil keeps no transcript
}

// Exchange is a question of the device and the answer to it. Expect must match
// up to the end of what the device has said, blanks aside.
type Exchange struct {
	Expect *regexp.Regexp
	Answer string // typed as it is; add the new line where one is wanted
	Secret bool   // Answer is masked in the transcript
	Times  int    // how often it may be given; zero is once
}

// Command is one line that is typed.
type Command struct {
	Line     string
	Secret   bool // Line is masked in the transcript
	Dialogue []Exchange
	// Relearn says that the prompt is another one afterwards.
	Relearn bool
	// Ends says that the stream may end in place of a prompt, as at a restart.
	Ends bool
	// Begun is what the device says when it begins to do what ends the session, of
	// a command that may end. A console does not end; where no prompt and no login
	// comes for some time after these words, Ends is taken to have happened.
	Begun *regexp.Regexp
	// Act says that the command changes something: no blank line is typed ahead
	// while it runs.
	Act bool
	// Each, when not nil, is called with every line as it comes, cleaned of
	// control sequences and without its end.
	Each func(line []byte)
}

// Answer is what the device said to a command.
type Answer struct {
	Text  []byte // without echo, prompt, pager and control sequences; lines end in a line feed
	Asked int    // questions of the dialogue that were answered
	Ended bool   // the stream ended where the command allowed it
	// Unasked is how often the device wrote something else meanwhile.
	Unasked int
}

// Reason says why a conversation failed.
type Reason int

// The reasons.
const (
	Lost         Reason = iota // the stream ended or broke
	Late                       // the context ended first
	Asked                      // the device asked something that nobody foresaw
	Refused                    // the device did not let us in
	Broken                     // an earlier command failed; what the device does now is not known
	NoTranscript               // the sink failed, so that nothing was typed
	NotHere                    // the line shows that nobody is let in on it now
)

// String is the reason in words.
func (r Reason) String() string {
	words := [...]string{"the connection was lost", "no answer came in time", "the device asked an unexpected question",
		"the device refused the login", "the session is spoilt by an earlier failure", "the transcript cannot be kept",
		"nobody is let in on this line now"}
	if int(r) < len(words) {
		return words[r]
	}
	return fmt.Sprintf("reason %d", int(r))
}

// Error is a failed conversation.
type Error struct {
	Reason Reason
	// Typed says that the command had been typed, at least in part: the device
	// may have done it.
	Typed bool
	Text  string // what the device said last, cleaned
	Err   error  // cause, may be nil
}

// Error is one line for people.
func (e *Error) Error() string {
	s := e.Reason.String()
	if e.Text != "" {
		s += fmt.Sprintf("; it said last: %q", e.Text)
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	return s
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// Session is a conversation. Its methods may be called from many goroutines at
// once; commands are typed one after the other.
type Session struct {
	cfg    Config
	stream io.ReadWriteCloser
	rec    *recorder
	done   chan struct{}
	once   sync.Once

	// What has come and was not taken yet. The reader never waits for the
	// session, which may itself be waiting to type.
	arrived struct {
		sync.Mutex
		octets []byte
		err    error
	}
	news chan struct{} // holds one while something has arrived

	mu     sync.Mutex
	prompt []byte
	buf    []byte // what has come since the command was typed
	ended  error  // why no more comes; nil while the stream lives
	broken bool
	asked  int  // questions that the last login answered
	again  bool // Login has been called before

	sieved  int                // where what may be unasked begins in buf
	unasked int                // how often something was, since the last command began
	moved   func(from, to int) // told of octets that were taken out of buf; may be nil

	// pending is a command on a console that was given up before the device had
	// answered it. It changes nothing, and is still being answered.
	pending      *turn
	pendingSince time.Time
}

// The sizes that the session works with, in octets.
const (
	readSize = 64 << 10
	// tailSize is how much of the end is held against patterns.
	tailSize = 4 << 10
)

// Open begins a conversation on the stream: it wakes the line, answers the
// login and learns the prompt. The stream is closed with the session, and also
// where Open fails. An error is an [*Error].
func Open(ctx context.Context, stream io.ReadWriteCloser, cfg Config) (*Session, error) {
	s := Start(stream, cfg)
	if err := s.Login(ctx); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// Start listens to the stream and types nothing; [Session.Login] leads to a
// prompt. The stream is closed with the session.
func Start(stream io.ReadWriteCloser, cfg Config) *Session {
	if cfg.NewLine == "" {
		cfg.NewLine = "\n"
	}
	if cfg.WakeEvery == 0 {
		cfg.WakeEvery = 2 * time.Second
	}
	if cfg.Quiet == 0 {
		cfg.Quiet = 15 * time.Second
	}
	if cfg.Settle == 0 {
		cfg.Settle = 500 * time.Millisecond
	}
	if cfg.Console {
		cfg.WakeEvery = min(cfg.WakeEvery, 10*cfg.Settle) // a quick line is not waited for
	}
	s := &Session{cfg: cfg, stream: stream, rec: newRecorder(cfg.Sink, cfg.Now), done: make(chan struct{}), news: make(chan struct{}, 1), broken: true}
	s.rec.line = cfg.Line
	for _, x := range cfg.Login {
		if x.Secret {
			s.rec.mask(x.Answer)
		}
	}
	go s.read()
	return s
}

// Login leads from whatever the line shows to a prompt that is known exactly.
// On a console it may be called again after a failed command, and then goes on
// from the last line that the device left unfinished. An error is an [*Error],
// and after one the session is not [Session.Usable].
func (s *Session) Login(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.broken, s.pending = true, nil
	var err error
	if s.cfg.Console {
		s.take()     // it is judged when the line is quiet
		if s.again { // before the first time, the console server may have said why not
			s.buf = append(s.buf[:0], s.buf[bytes.LastIndexByte(s.buf, '\n')+1:]...)
		}
		s.sieved = 0
		err = s.loginConsole(ctx)
		s.again = true
	} else {
		err = s.login(ctx)
	}
	s.broken = err != nil
	return err
}

// Asked is how many questions the last login answered; none where a session was
// open already, or the line asks nobody.
func (s *Session) Asked() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.asked
}

// Alive reports whether the stream lives, as far as it has told.
func (s *Session) Alive() bool {
	s.arrived.Lock()
	defer s.arrived.Unlock()
	return s.arrived.err == nil
}

// Prompt is the prompt as it was learned last.
func (s *Session) Prompt() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return string(s.prompt)
}

// Usable reports whether another command can be typed.
func (s *Session) Usable() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return !s.broken && s.ended == nil
}

// Close ends the conversation. A command that runs fails.
func (s *Session) Close() error {
	var err error
	s.once.Do(func() {
		close(s.done)
		err = s.stream.Close()
	})
	if errors.Is(err, io.EOF) {
		return nil // the other side was first
	}
	return err
}

// read keeps what comes until the stream ends.
func (s *Session) read() {
	b := make([]byte, readSize)
	for {
		n, err := s.stream.Read(b)
		s.rec.received(b[:n])
		s.arrived.Lock()
		s.arrived.octets = append(s.arrived.octets, b[:n]...)
		s.arrived.err = err
		s.arrived.Unlock()
		select {
		case s.news <- struct{}{}:
		default: // nobody has looked since
		}
		select {
		case <-s.done:
			return
		default:
		}
		if err != nil {
			return
		}
	}
}

// take moves what has come to the buffer, and reports whether there was any, or
// the end.
func (s *Session) take() bool {
	s.arrived.Lock()
	defer s.arrived.Unlock()
	n := len(s.buf)
	s.buf = append(s.buf, s.arrived.octets...)
	s.arrived.octets = s.arrived.octets[:0]
	some := len(s.buf) > n
	if some && len(s.cfg.Unasked) > 0 {
		some = s.sieve(n)
	}
	if s.arrived.err != nil && s.ended == nil {
		s.ended = s.arrived.err
		s.rec.flush()
		return true
	}
	return some
}

// more waits for more to come and takes all that is there. It reports false
// where quiet ran out first. The error is ctx's.
func (s *Session) more(ctx context.Context, quiet time.Duration) (bool, error) {
	if s.ended != nil {
		return true, nil
	}
	var ran <-chan time.Time
	if quiet > 0 {
		t := time.NewTimer(quiet)
		defer t.Stop()
		ran = t.C
	}
	for {
		if s.take() {
			return true, nil
		}
		select {
		case <-s.news:
		case <-ran:
			return s.take(), nil // what came at the same time is no quiet
		case <-ctx.Done():
			return false, context.Cause(ctx)
		}
	}
}

// drain takes what has come unasked, and forgets it; the transcript has it.
func (s *Session) drain() {
	s.take()
	s.buf, s.sieved = s.buf[:0], 0
}

// say types text. typed reports whether any of it may have left.
func (s *Session) say(text string, secret bool) (typed bool, err error) {
	if err := s.rec.sent(text, secret); err != nil {
		return false, &Error{Reason: NoTranscript, Err: err}
	}
	n, err := io.WriteString(s.stream, text)
	if err != nil {
		return n > 0, &Error{Reason: Lost, Typed: n > 0, Err: err}
	}
	return true, nil
}

// tail is the unfinished last line of what has come since from, cleaned.
func (s *Session) tail(from int) []byte { return lastLine(s.buf, from) }

func lastLine(buf []byte, from int) []byte {
	b := buf[max(from, len(buf)-tailSize):]
	if i := bytes.LastIndexByte(b, '\n'); i >= 0 {
		b = b[i+1:]
	}
	return Clean(b)
}

// recent is the end of what has come since from, cleaned, for patterns that
// span lines.
func (s *Session) recent(from int) []byte {
	return Clean(s.buf[max(from, len(s.buf)-tailSize):])
}

// atEnd reports whether the pattern matches up to the end of b, blanks aside.
func atEnd(re *regexp.Regexp, b []byte) bool {
	end := len(bytes.TrimRight(b, " \t\r\n"))
	for _, m := range re.FindAllIndex(b, -1) {
		if m[1] >= end && m[1] > m[0] {
			return true
		}
	}
	return false
}

// asks finds the first exchange whose question stands at the end.
func asks(xs []Exchange, b []byte) int {
	if len(bytes.TrimSpace(b)) == 0 {
		return -1
	}
	return slices.IndexFunc(xs, func(x Exchange) bool { return atEnd(x.Expect, b) })
}

// looksLikePrompt returns the prompt where the unfinished last line is one.
func (s *Session) looksLikePrompt(from int) []byte {
	t := s.tail(from)
	if len(t) == 0 {
		return nil
	}
	if m := s.cfg.Prompt.FindIndex(t); m != nil && m[0] == 0 && m[1] == len(t) {
		return t
	}
	return nil
}

// isPrompt reports whether an unfinished line is the prompt.
func (s *Session) isPrompt(line []byte) bool {
	if !s.cfg.PromptVaries {
		return bytes.Equal(line, s.prompt)
	}
	m := s.cfg.Prompt.FindIndex(line)
	return m != nil && m[0] == 0 && m[1] == len(line)
}

// cameAgain reports whether a line is the prompt that the candidate was, come again
// on a line of its own since the blank line was typed at octet typed.
func (s *Session) cameAgain(line, candidate []byte, typed int) bool {
	if !s.cfg.PromptVaries {
		return candidate != nil && bytes.Equal(line, candidate)
	}
	return candidate != nil && bytes.IndexByte(s.buf[typed:], '\n') >= 0
}

// login leads from a new stream to a prompt that is known exactly.
func (s *Session) login(ctx context.Context) error {
	given := make([]int, len(s.cfg.Login))
	from, woken := 0, false
	var candidate []byte
	checked := 0 // where the answer to the blank line begins
	defer s.moving(func(at func(int) int) { from, checked = at(from), at(checked) })()
	if s.cfg.Wake != "" {
		if _, err := s.say(s.cfg.Wake, false); err != nil {
			return err
		}
	}
	for {
		came, err := s.more(ctx, s.cfg.WakeEvery)
		if err != nil {
			return s.fail(Late, false, from, err)
		}
		for _, re := range s.cfg.Refusals {
			if re.Match(s.recent(from)) {
				return s.fail(Refused, false, from, nil)
			}
		}
		if s.ended != nil {
			return s.fail(Lost, false, from, s.ended)
		}
		if !came {
			if s.cfg.Wake != "" && candidate == nil && !woken {
				if _, err := s.say(s.cfg.Wake, false); err != nil {
					return err
				}
			}
			continue
		}
		woken = woken || len(s.buf) > 0
		if i := asks(s.cfg.Login, s.recent(from)); i >= 0 {
			x := s.cfg.Login[i]
			if given[i] >= max(x.Times, 1) {
				return s.fail(Refused, false, from, errAgain)
			}
			given[i]++
			if _, err := s.say(x.Answer, x.Secret); err != nil {
				return err
			}
			from, candidate = len(s.buf), nil
			continue
		}
		p := s.looksLikePrompt(max(from, checked))
		switch {
		case p == nil:
		case !s.cfg.BlankLine, s.cameAgain(p, candidate, checked):
			s.prompt = bytes.Clone(p)
			return nil
		default:
			// A banner may end like a prompt. A prompt comes again.
			candidate = bytes.Clone(p)
			if _, err := s.say(s.cfg.NewLine, false); err != nil {
				return err
			}
			checked = len(s.buf)
		}
	}
}

// fail is an error with what the device said last.
func (s *Session) fail(why Reason, typed bool, from int, cause error) error {
	text := bytes.TrimSpace(s.recent(from))
	if i := bytes.LastIndexByte(text, '\n'); i >= 0 && why != Refused {
		text = text[i+1:]
	}
	if len(text) > 200 {
		text = text[len(text)-200:]
	}
	return &Error{Reason: why, Typed: typed, Text: string(s.rec.hide(text)), Err: cause}
}

// Do types a command and returns the device's answer to it. An error is an
// [*Error]; after one the session is not [Session.Usable], except after Asked
// where the question could be cancelled.
func (s *Session) Do(ctx context.Context, cmd Command) (Answer, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broken {
		return Answer{}, &Error{Reason: Broken}
	}
	if err := s.finish(ctx); err != nil {
		return Answer{}, err
	}
	s.take()
	if s.ended == nil && s.cfg.Console && (asks(s.cfg.Login, s.recent(0)) >= 0 || s.away(0)) {
		s.broken = true // what was typed would be taken for a name
		return Answer{}, s.fail(Lost, false, 0, errLoggedOut)
	}
	s.drain()
	s.unasked = 0
	if s.ended != nil {
		s.broken = true
		return Answer{}, &Error{Reason: Lost, Err: s.ended}
	}
	if err := ctx.Err(); err != nil {
		return Answer{}, &Error{Reason: Late, Err: context.Cause(ctx)}
	}
	if cmd.Secret {
		s.rec.mask(cmd.Line)
	}
	for _, x := range cmd.Dialogue {
		if x.Secret {
			s.rec.mask(x.Answer)
		}
	}
	typed, err := s.say(cmd.Line, cmd.Secret)
	if err == nil {
		_, err = s.say(s.cfg.NewLine, false)
	}
	if err != nil {
		s.broken = true
		var e *Error
		if errors.As(err, &e) {
			e.Typed = typed
		}
		return Answer{}, err
	}
	t := &turn{s: s, cmd: cmd, given: make([]int, len(cmd.Dialogue))}
	a, err := t.run(ctx)
	a.Unasked = s.unasked
	switch {
	case err == nil && !a.Ended || t.cancelled:
	case s.cfg.Console && !cmd.Act && reason(err) == Late && s.ended == nil:
		// It changes nothing, and whoever gave it up may soon ask something else: the
		// line is not to be entered anew for that.
		s.pending, s.pendingSince = t, time.Now()
	default:
		s.broken = true
	}
	return a, err
}

// finish waits for the answer to a command that was given up. Where none comes
// the session is spoilt.
func (s *Session) finish(ctx context.Context) error {
	t := s.pending
	if t == nil {
		return nil
	}
	bounded, cancel := context.WithDeadline(ctx, s.pendingSince.Add(2*s.cfg.Quiet))
	defer cancel()
	_, err := t.run(bounded)
	if ctx.Err() != nil && reason(err) == Late {
		return &Error{Reason: Late, Err: context.Cause(ctx)} // nothing was typed
	}
	s.pending = nil
	if err != nil && !t.cancelled {
		s.broken = true
		var e *Error
		if errors.As(err, &e) {
			e.Typed = false // of this one, nothing was
		}
		return err
	}
	return nil
}

// reason is why a conversation failed; [Broken] where it did not.
func reason(err error) Reason {
	var e *Error
	if errors.As(err, &e) {
		return e.Reason
	}
	return Broken
}

// turn is one command under way.
type turn struct {
	s         *Session
	cmd       Command
	given     []int
	asked     int
	from      int      // the device has been answered up to here
	begin     int      // the output begins here, once echoed
	echoed    bool     // the echo is past
	cuts      [][2]int // pager questions
	told      int      // lines up to here went to Each
	blank     bool     // the blank line has been typed behind a prompt
	blankAt   int      // what came before it ends here
	nudged    bool     // and one because nothing came
	candidate []byte   // relearning: what looks like the new prompt
	cancelled bool
	endsBy    time.Time // on a console, when it counts as ended; zero before Begun
	goneSince time.Time // on a console, since when its last line says that nobody is let in
}

// move follows octets that were taken out of the buffer.
func (t *turn) move(at func(int) int) {
	// What was taken out may have stood in the midst of the echo, or right behind it:
	// then the line end was not the echo's.
	if t.begin == 0 || at(t.begin-1) == at(t.begin) {
		t.echoed = false
	}
	t.from, t.begin, t.told, t.blankAt = at(t.from), at(t.begin), at(t.told), at(t.blankAt)
	for i, c := range t.cuts {
		t.cuts[i] = [2]int{at(c[0]), at(c[1])}
	}
}

func (t *turn) run(ctx context.Context) (Answer, error) {
	s := t.s
	defer s.moving(t.move)()
	for {
		came, err := s.more(ctx, t.patience())
		if err != nil {
			return Answer{}, s.fail(Late, true, t.from, err)
		}
		if !t.endsBy.IsZero() && !time.Now().Before(t.endsBy) {
			return Answer{Text: t.output(len(s.buf)), Asked: t.asked, Ended: true}, nil
		}
		if !came && t.atLogin() || t.gone() {
			if t.cmd.Ends {
				return Answer{Text: t.output(len(s.buf)), Asked: t.asked, Ended: true}, nil
			}
			return Answer{}, s.fail(Lost, true, t.from, errLoggedOut)
		}
		if !came {
			// A message of the device may have come after the prompt.
			if s.cfg.BlankLine && !t.cmd.Act && !t.nudged && !t.blank && len(t.cmd.Dialogue) == 0 {
				t.nudged = true
				if _, err := s.say(s.cfg.NewLine, false); err != nil {
					return Answer{}, err
				}
			}
			continue
		}
		t.passEcho()
		t.tell()
		if s.ended != nil {
			if t.cmd.Ends {
				return Answer{Text: t.output(len(s.buf)), Asked: t.asked, Ended: true}, nil
			}
			return Answer{}, s.fail(Lost, true, t.from, s.ended)
		}
		if !t.echoed {
			continue
		}
		if end, ok, err := t.finished(); err != nil {
			return Answer{}, err
		} else if ok {
			return Answer{Text: t.output(end), Asked: t.asked}, nil
		}
		if err := t.converse(ctx); err != nil {
			return Answer{}, err
		}
		if s.cfg.Console && t.cmd.Ends && t.cmd.Begun != nil && t.endsBy.IsZero() && t.cmd.Begun.Match(t.output(len(s.buf))) {
			t.endsBy = time.Now().Add(endsAfter * s.cfg.Settle)
		}
	}
}

// endsAfter is how many times Settle a console may go without a prompt before a
// command that has begun to end the session counts as having ended it.
const endsAfter = 10

// patience is how long the line may be quiet before that means something.
func (t *turn) patience() time.Duration {
	d := t.s.cfg.Quiet
	if t.atLogin() {
		d = t.s.cfg.Settle
	}
	if !t.endsBy.IsZero() {
		d = min(d, time.Until(t.endsBy))
	}
	if !t.goneSince.IsZero() {
		d = min(d, time.Until(t.goneSince.Add(t.s.cfg.Settle)))
	}
	return max(d, time.Millisecond)
}

// gone reports whether a console has shown for long enough that nobody is let in
// any more. A device that starts is never quiet, so it is not waited for to be.
func (t *turn) gone() bool {
	if !t.s.away(max(t.from, t.begin)) {
		t.goneSince = time.Time{}
		return false
	}
	if t.goneSince.IsZero() {
		t.goneSince = time.Now()
	}
	return time.Since(t.goneSince) >= t.s.cfg.Settle
}

// atLogin reports whether a console shows a question of the login.
func (t *turn) atLogin() bool {
	return t.s.cfg.Console && asks(t.s.cfg.Login, t.s.tail(t.from)) >= 0
}

// again types the blank line that brings the prompt once more.
func (t *turn) again() error {
	t.blank, t.blankAt = true, len(t.s.buf)
	_, err := t.s.say(t.s.cfg.NewLine, false)
	return err
}

// passEcho looks for the end of what the device repeats of the typed line.
func (t *turn) passEcho() {
	if t.echoed {
		return
	}
	n, state := 0, echoNone
	if !t.s.cfg.Echoless {
		n, state = echo(t.s.buf, []byte(t.cmd.Line), t.s.prompt)
	}
	switch state {
	case echoPartly:
	case echoWhole:
		t.begin, t.told, t.from, t.echoed = n, max(t.told, n), max(t.from, n), true
	case echoNone:
		t.echoed = true
	}
}

// finished looks for the prompt at the end. end is where the output ends.
func (t *turn) finished() (end int, ok bool, err error) {
	s := t.s
	last := bytes.LastIndexByte(s.buf[t.begin:], '\n') + 1 + t.begin
	if last < t.from {
		last = t.from
	}
	line := Clean(s.buf[last:])
	if t.cmd.Relearn {
		p := s.looksLikePrompt(t.from)
		switch {
		case p == nil:
			return 0, false, nil
		case !s.cfg.BlankLine, s.cameAgain(p, t.candidate, t.blankAt):
			s.prompt = bytes.Clone(p)
			if t.candidate != nil {
				last = t.lineBefore(last)
			}
			return last, true, nil
		}
		t.candidate = bytes.Clone(p)
		return 0, false, t.again()
	}
	if !s.isPrompt(line) {
		return 0, false, nil
	}
	if s.cfg.PromptVaries {
		s.prompt = bytes.Clone(line)
	}
	// A blank line might answer a question of an act, should this be no prompt.
	if !s.cfg.BlankLine || t.cmd.Act && len(t.cmd.Dialogue) > 0 {
		return last, true, nil
	}
	if !t.blank {
		return 0, false, t.again()
	}
	before := t.lineBefore(last)
	if before < 0 || last < t.blankAt || !s.isPrompt(bytes.TrimSuffix(Clean(s.buf[before:last]), []byte{'\n'})) {
		return 0, false, nil
	}
	return before, true, nil
}

// lineBefore is where the line before the one at octet at begins, or -1.
func (t *turn) lineBefore(at int) int {
	if at <= t.begin {
		return -1
	}
	return bytes.LastIndexByte(t.s.buf[t.begin:at-1], '\n') + 1 + t.begin
}

// converse answers what the device asks.
func (t *turn) converse(ctx context.Context) error {
	s := t.s
	line := s.tail(t.from)
	if i := asks(t.cmd.Dialogue, s.recent(t.from)); i >= 0 {
		x := t.cmd.Dialogue[i]
		if t.given[i] >= max(x.Times, 1) {
			return t.cancel(ctx)
		}
		t.given[i]++
		t.asked++
		t.from = len(s.buf)
		_, err := s.say(x.Answer, x.Secret)
		return err
	}
	if i := asks(s.cfg.More, line); i >= 0 {
		start := max(bytes.LastIndexByte(s.buf, '\n')+1, t.from)
		t.cuts = append(t.cuts, [2]int{start, len(s.buf)})
		t.from = len(s.buf)
		_, err := s.say(s.cfg.More[i].Answer, false)
		return err
	}
	for _, q := range s.cfg.Questions {
		if atEnd(q, line) && !s.isPrompt(line) {
			return t.cancel(ctx)
		}
	}
	return nil
}

// cancel leaves a question that nobody foresaw, and waits for the prompt.
func (t *turn) cancel(ctx context.Context) error {
	s := t.s
	failed := s.fail(Asked, true, t.from, nil)
	if s.cfg.Cancel == "" {
		return failed
	}
	if _, err := s.say(s.cfg.Cancel, false); err != nil {
		return failed
	}
	from := len(s.buf)
	for s.ended == nil {
		if _, err := s.more(ctx, 0); err != nil {
			return failed
		}
		if s.isPrompt(s.tail(from)) {
			t.cancelled = true
			return failed
		}
	}
	return failed
}

// tell hands over the lines that have come whole.
func (t *turn) tell() {
	if t.cmd.Each == nil || !t.echoed {
		return
	}
	for {
		i := bytes.IndexByte(t.s.buf[t.told:], '\n')
		if i < 0 {
			return
		}
		line := bytes.TrimSuffix(Clean(t.s.buf[t.told:t.told+i+1]), []byte{'\n'})
		t.told += i + 1
		if !t.s.isPrompt(line) {
			t.cmd.Each(line)
		}
	}
}

// output is what the device said, up to octet end of the buffer.
func (t *turn) output(end int) []byte {
	buf, begin := t.s.buf, t.begin
	if len(t.cuts) == 0 {
		return Clean(buf[begin:max(end, begin)])
	}
	kept := make([]byte, 0, max(end, begin)-begin)
	for _, c := range t.cuts {
		if c[0] < end {
			kept = append(kept, buf[begin:c[0]]...)
			begin = min(c[1], end)
		}
	}
	return Clean(append(kept, buf[begin:max(end, begin)]...))
}
