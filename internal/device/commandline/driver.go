// Package commandline drives a device over its command line: SSH sessions with
// a terminal, or a console. What is particular to the platform is data, an
// [adapter.Adapter]; the package satisfies the contract of package device with
// it.
//
// Read [Dial] first, then [Driver.Capture] for reading and [Driver.Install] for
// acting. The rules are those of every driver: it never repeats an act, it reads
// the device before it acts and does nothing where nothing is left to do, and
// every error is a [*device.Fault]. A command whose answer is lost is Unreachable
// where it only asked, and OutcomeUnknown where it was an act that had been
// typed.
package commandline

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/netip"
	"strings"
	"sync"
	"time"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/adapter"
	"towpath/internal/device/dialogue"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/transfer"
)

// Config says how a device is reached and how it speaks. Adapter is required,
// and SSH unless Stream is given.
type Config struct {
	Device  string // name that captures carry; the address where empty
	Adapter *adapter.Adapter
	SSH     sshlink.Config
	// Stream, when not nil, opens the device's console line, as [Terminal] does
	// it at a console server. All commands then go over that one line, one after
	// the other; it stays open while the device restarts, until [Driver.Close].
	// Images go by SSH where that is given too, and cannot be transferred else.
	Stream func(ctx context.Context) (io.ReadWriteCloser, error)
	// Lines, where there are any, stand in for Stream: one console line for each
	// controller card. Commands go over the line of the card that takes them, which
	// the driver finds, and finds again when the roles change.
	Lines []ConsoleLine
	// Mark tells our sessions on console lines from everybody else's.
	Mark Mark
	// User and Password answer the questions of the login on the line.
	User, Password string
	// OpenSession says what is done with a session that somebody left open on the
	// console line. It counts only where there is a login to tell it by.
	OpenSession OpenSession
	// Settle is how long a console line must be quiet before its last line is
	// judged; zero is half a second.
	Settle time.Duration
	// OpenWithin bounds the way from a connection to the first prompt; zero is
	// thirty seconds.
	OpenWithin time.Duration
	// Transcript gets every octet of every session; nil keeps none.
	Transcript dialogue.Sink
	// Pull gives the server for images that the device fetches, when the first one
	// is needed; nil: there is none. The server is closed by whoever made it.
	Pull func() (*transfer.Server, error)
	// PullFrom are the addresses that the device may fetch from; the zero value is
	// any.
	PullFrom netip.Prefix
	// Limit bounds the rate of transfers; nil does not.
	Limit *transfer.Limiter
	// Logger gets warnings; never secrets or contents. Nil discards them.
	Logger *slog.Logger
	// Now is the clock for timestamps and the clock offset; nil is time.Now.
	Now func() time.Time
}

// Driver is a [device.Device] over a command line. It is safe for concurrent
// use; acts are done one after the other.
type Driver struct {
	cfg     Config
	ad      *adapter.Adapter
	log     *slog.Logger
	now     func() time.Time
	slots   chan struct{} // sessions that may still be opened
	acting  chan struct{} // held by the act under way
	linking chan struct{} // held while a connection is made

	life  context.Context // ends with Close
	die   context.CancelFunc
	lines []*consoleLine // none where the device is spoken to by SSH

	mu     sync.Mutex
	client *sshlink.Client
	idle   []*session
	active int    // the line that led to a prompt last
	entry  *entry // the way to one that is being gone; nil where none is
	closed bool
}

var _ device.Device = (*Driver)(nil)

// session is a conversation with how it came about.
type session struct {
	*dialogue.Session
	client   *sshlink.Client // nil for a console
	used     bool            // it had been idle
	ours     bool            // on a console: the session on the line was begun by us
	strange  bool            // commands go into a session that somebody left open
	over     bool            // on a console: the device ended it, as at a restart
	changing bool            // an act was typed whose answer has not come
}

// The defaults of an adapter.
const (
	defaultWithin = time.Minute
	defaultFollow = 30 * time.Minute
	defaultAtOnce = 2
	// openWithin bounds logging in and learning the prompt.
	openWithin = 30 * time.Second
	// tidyWithin bounds clearing away after a failure, when the caller's context
	// may have ended.
	tidyWithin = 10 * time.Second
	// giveUpAfter is how long a transfer may take to end after the caller gave up.
	giveUpAfter = time.Second
)

// Dial makes a driver. It checks the configuration and returns without waiting
// for the device, which may be restarting: the connection is made by the first
// operation and remade by later ones whenever it has broken.
func Dial(ctx context.Context, cfg Config) (*Driver, error) {
	const op = "connect"
	if err := ctx.Err(); err != nil {
		return nil, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
	}
	if cfg.Adapter == nil {
		return nil, &device.Fault{Kind: device.Ours, Op: op, Text: "no adapter given"}
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Device == "" {
		cfg.Device = cfg.SSH.Address
	}
	if cfg.Stream != nil && len(cfg.Lines) == 0 {
		cfg.Lines = []ConsoleLine{{Open: cfg.Stream}}
	}
	if cfg.Mark.Word == "" {
		cfg.Mark.Word = NewMark()
	}
	if len(cfg.Lines) > 0 && cfg.OpenSession == LogOutOpen && cfg.Adapter.Session.Logout == "" {
		return nil, &device.Fault{Kind: device.Ours, Op: op, Text: fmt.Sprintf("a session that is open on the console is to be logged out, and the adapter %s does not say how, in session.logout", cfg.Adapter.Name)}
	}
	atOnce := cfg.Adapter.Session.AtOnce
	if atOnce == 0 {
		atOnce = defaultAtOnce
	}
	if len(cfg.Lines) > 0 {
		atOnce = 1
	}
	d := &Driver{
		cfg: cfg, ad: cfg.Adapter, log: cfg.Logger.With("device", cfg.Device), now: cfg.Now,
		slots: make(chan struct{}, atOnce), acting: make(chan struct{}, 1), linking: make(chan struct{}, 1),
	}
	d.life, d.die = context.WithCancel(context.Background())
	for _, l := range cfg.Lines {
		d.lines = append(d.lines, &consoleLine{ConsoleLine: l})
	}
	if cfg.SSH.InsecureReason != "" {
		d.log.Warn("the device's host key is not verified", "reason", cfg.SSH.InsecureReason)
	}
	return d, nil
}

// Close ends every session and the connection. Operations that run fail.
func (d *Driver) Close() error {
	d.mu.Lock()
	d.closed = true
	idle, client := d.idle, d.client
	d.idle, d.client = nil, nil
	d.mu.Unlock()
	d.die()
	var errs []error
	d.leaveLines()
	for _, s := range idle {
		errs = append(errs, s.Close())
	}
	if client != nil {
		_ = client.Close()
		errs = nil // its sessions ended with it
	}
	if err := errors.Join(errs...); err != nil {
		return &device.Fault{Kind: device.Ours, Op: "close", Err: err}
	}
	return nil
}

// enter takes a place in a channel, or says that ctx ended first.
func enter(ctx context.Context, op string, ch chan struct{}) error {
	if ctx.Err() == nil {
		select {
		case ch <- struct{}{}:
			return nil
		case <-ctx.Done():
		}
	}
	return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
}

// link returns a connection that lives, made where there is none.
func (d *Driver) link(ctx context.Context, op string) (*sshlink.Client, error) {
	if err := enter(ctx, op, d.linking); err != nil {
		return nil, err
	}
	defer func() { <-d.linking }()
	d.mu.Lock()
	client, closed := d.client, d.closed
	d.mu.Unlock()
	if closed {
		return nil, closedFault(op)
	}
	if client != nil {
		select {
		case <-client.Done():
		default:
			return client, nil
		}
	}
	client, err := sshlink.Dial(ctx, d.cfg.SSH)
	if err != nil {
		if ctx.Err() != nil {
			return nil, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
		}
		return nil, asOp(op, err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		_ = client.Close()
		return nil, closedFault(op)
	}
	d.client = client
	return client, nil
}

func closedFault(op string) error {
	return &device.Fault{Kind: device.Ours, Op: op, Text: "the driver is closed"}
}

// acquire returns a session that nobody else uses. release gives it back.
func (d *Driver) acquire(ctx context.Context, op string) (*session, error) {
	d.mu.Lock()
	closed := d.closed
	d.mu.Unlock()
	if closed {
		return nil, closedFault(op)
	}
	if err := enter(ctx, op, d.slots); err != nil {
		return nil, err
	}
	if d.onConsole() {
		s, err := d.console(ctx, op)
		if err != nil {
			<-d.slots
			return nil, err
		}
		return s, nil
	}
	for {
		d.mu.Lock()
		n := len(d.idle)
		if n == 0 {
			d.mu.Unlock()
			break
		}
		s := d.idle[n-1]
		d.idle = d.idle[:n-1]
		d.mu.Unlock()
		if s.Usable() && !s.dead() {
			s.used = true
			return s, nil
		}
		_ = s.Close()
	}
	s, err := d.open(ctx, op)
	if err != nil {
		<-d.slots
		return nil, err
	}
	return s, nil
}

// dead reports whether the connection below has ended.
func (s *session) dead() bool {
	if s.client == nil {
		return false
	}
	select {
	case <-s.client.Done():
		return true
	default:
		return false
	}
}

func (d *Driver) release(s *session) {
	if d.onConsole() {
		<-d.slots // the line stays
		return
	}
	d.mu.Lock()
	keep := !d.closed && s.Usable() && !s.dead()
	if keep {
		d.idle = append(d.idle, s)
	}
	d.mu.Unlock()
	if !keep {
		_ = s.Close() // it is spoilt, and its error was told
	}
	<-d.slots
}

// open opens a session: terminal, login, and the adapter's first commands.
func (d *Driver) open(ctx context.Context, op string) (*session, error) {
	stream, client, err := d.stream(ctx, op)
	if err != nil {
		return nil, err
	}
	bounded, cancel := context.WithTimeout(ctx, within(d.cfg.OpenWithin, openWithin))
	defer cancel()
	talk, err := dialogue.Open(bounded, stream, d.manner(""))
	if err != nil {
		return nil, d.fault(ctx, op, err, false, client)
	}
	s := &session{Session: talk, client: client}
	if err := d.start(bounded, op, s); err != nil {
		_ = s.Close()
		return nil, d.fault(ctx, op, err, false, client)
	}
	return s, nil
}

// start types the adapter's first commands.
func (d *Driver) start(ctx context.Context, op string, s *session) error {
	for _, line := range d.ad.Session.Start {
		a, err := s.say(ctx, dialogue.Command{Line: line})
		if err == nil {
			err = d.complaint(op, a.Text, nil)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// stream opens a command line.
func (d *Driver) stream(ctx context.Context, op string) (io.ReadWriteCloser, *sshlink.Client, error) {
	client, err := d.link(ctx, op)
	if err != nil {
		return nil, nil, err
	}
	st, err := shell(client)
	if err != nil {
		return nil, nil, client.Fault(ctx, op, device.Unreachable, err)
	}
	return st, client, nil
}

// terminal is an SSH session with a terminal and a shell.
type terminal struct {
	io.Reader
	io.WriteCloser
	session *ssh.Session
}

// Close ends the session.
func (t *terminal) Close() error {
	err := t.session.Close()
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// The terminal's size: no line is broken and no pager has reason to stop.
const (
	columns = 511
	rows    = 9999
)

func shell(c *sshlink.Client) (_ io.ReadWriteCloser, err error) {
	s, err := c.NewSession()
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			_ = s.Close()
		}
	}()
	// Source: RFC 4254 §8, encoding of terminal modes: echo on, as at a terminal.
	if err := s.RequestPty("vt100", rows, columns, ssh.TerminalModes{ssh.ECHO: 1, ssh.TTY_OP_ISPEED: 115200, ssh.TTY_OP_OSPEED: 115200}); err != nil {
		return nil, err
	}
	in, err := s.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := s.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := s.Shell(); err != nil {
		return nil, err
	}
	return &terminal{out, in, s}, nil
}

// manner is how the adapter's command line behaves, on the line of a controller
// card where there is one for each.
func (d *Driver) manner(card string) dialogue.Config {
	x := &d.ad.Session
	who := map[string]string{"user": d.cfg.User, "password": d.cfg.Password}
	cfg := dialogue.Config{
		Prompt: d.ad.Pattern(x.Prompt), NewLine: d.enterKey(), Wake: adapter.Key(x.Wake), WakeEvery: x.WakeEvery,
		Login: d.exchanges(x.Login, who), More: d.exchanges(x.More, nil), Cancel: adapter.Key(x.Cancel),
		BlankLine: x.BlankLine, Echoless: x.Echoless, Now: d.now, Sink: d.cfg.Transcript,
		Console: d.onConsole(), Settle: d.cfg.Settle, Line: card,
	}
	if !cfg.Console {
		cfg.Wake = "" // only a console sleeps
	}
	cfg.PromptVaries = x.PromptVaries
	for _, p := range x.Refusals {
		cfg.Refusals = append(cfg.Refusals, d.ad.Pattern(p))
	}
	for _, p := range x.Questions {
		cfg.Questions = append(cfg.Questions, d.ad.Pattern(p))
	}
	for _, p := range x.Away {
		cfg.Away = append(cfg.Away, d.ad.Pattern(p))
	}
	for _, p := range x.Unasked {
		cfg.Unasked = append(cfg.Unasked, d.ad.Pattern(p))
	}
	return cfg
}

func (d *Driver) enterKey() string {
	if d.ad.Session.Enter == "" {
		return "\n"
	}
	return adapter.Key(d.ad.Session.Enter)
}

// exchanges are the adapter's as the dialogue wants them.
func (d *Driver) exchanges(xs []adapter.Exchange, values map[string]string) []dialogue.Exchange {
	var out []dialogue.Exchange
	for _, x := range xs {
		y := dialogue.Exchange{Expect: d.ad.Pattern(x.Expect), Secret: x.Secret || strings.Contains(x.Answer, "{password}"), Times: x.Times}
		if x.Key != "" {
			y.Answer = adapter.Key(x.Key)
		} else {
			text, err := adapter.Fill(x.Answer, values)
			if err != nil {
				text = "" // the reader of the adapter let no unknown placeholder pass
			}
			y.Answer = text + d.enterKey()
		}
		out = append(out, y)
	}
	return out
}

// fault turns an error of a conversation into a Fault. act says that what was
// typed changes something.
func (d *Driver) fault(ctx context.Context, op string, err error, act bool, client *sshlink.Client) error {
	if err == nil {
		return nil
	}
	var already *device.Fault
	if errors.As(err, &already) {
		return asOp(op, err)
	}
	lost := device.Unreachable
	var e *dialogue.Error
	if !errors.As(err, &e) {
		if ctx.Err() != nil {
			return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
		}
		return &device.Fault{Kind: lost, Op: op, Err: err}
	}
	if act && e.Typed {
		lost = device.OutcomeUnknown
	}
	switch e.Reason {
	case dialogue.Late:
		if ctx.Err() != nil {
			return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: e.Text, Err: context.Cause(ctx)}
		}
		return &device.Fault{Kind: lost, Op: op, Err: err}
	case dialogue.Asked:
		// The question was left unanswered; what an act did before it asked is
		// for a person to see.
		return &device.Fault{Kind: device.Refused, Op: op, Err: err}
	case dialogue.Refused:
		return &device.Fault{Kind: device.Denied, Op: op, Err: err}
	case dialogue.NoTranscript:
		return &device.Fault{Kind: device.Ours, Op: op, Err: err}
	case dialogue.Lost, dialogue.Broken, dialogue.NotHere:
	}
	f := &device.Fault{Kind: lost, Op: op, Err: err}
	if ctx.Err() != nil {
		f.Kind, f.Err = device.OutcomeUnknown, context.Cause(ctx)
	} else if client != nil && client.Err() != nil {
		f.Text = client.Err().Error()
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return closedFault(op)
	}
	return f
}

// asOp is err as a failure of the operation op, which needed another one.
func asOp(op string, err error) error {
	var f *device.Fault
	if !errors.As(err, &f) {
		return &device.Fault{Kind: device.Ours, Op: op, Err: err}
	}
	if f.Op == op {
		return err
	}
	return &device.Fault{Kind: f.Kind, Op: op, Err: err}
}

// complaint looks for the adapter's words of failure in an output.
func (d *Driver) complaint(op string, output []byte, own []adapter.Complaint) error {
	for _, list := range [][]adapter.Complaint{own, d.ad.Session.Errors} {
		for _, x := range list {
			re := d.ad.Pattern(x.Pattern)
			m := re.FindSubmatch(output)
			if m == nil {
				continue
			}
			text := string(m[0])
			if i := re.SubexpIndex("text"); i >= 0 && len(m[i]) > 0 {
				text = string(m[i])
			}
			return &device.Fault{Kind: x.DeviceKind(), Op: op, Text: trim(text)}
		}
	}
	return nil
}

func within(d, def time.Duration) time.Duration {
	if d > 0 {
		return d
	}
	return def
}

// say types a command in a session, and keeps whether the device ended that.
func (s *session) say(ctx context.Context, c dialogue.Command) (dialogue.Answer, error) {
	a, err := s.Do(ctx, c)
	var e *dialogue.Error
	s.over = err == nil && a.Ended || errors.As(err, &e) && e.Reason == dialogue.Lost && s.Alive()
	return a, err
}

// listens is how often a question is asked whose answer the device interrupts
// with something else.
const listens = 3

// ask types a command that changes nothing and returns its output. An output in
// whose midst the device said something else is made whole as well as can be, but
// one that came in one piece is better.
func (d *Driver) ask(ctx context.Context, op string, s *session, line string, limit time.Duration) ([]byte, error) {
	bounded, cancel := context.WithTimeout(ctx, within(limit, within(d.ad.Session.Within, defaultWithin)))
	defer cancel()
	var a dialogue.Answer
	for range listens {
		var err error
		if a, err = s.say(bounded, dialogue.Command{Line: line}); err != nil {
			return nil, d.fault(ctx, op, err, false, s.client)
		}
		if a.Unasked == 0 {
			break
		}
	}
	return a.Text, d.complaint(op, a.Text, nil)
}

// reading runs f with a session. An idle session may have been cut off by the
// device without anybody noticing; f is then run once more on a fresh one, for
// it only reads.
func (d *Driver) reading(ctx context.Context, op string, f func(*session) error) error {
	for {
		s, err := d.acquire(ctx, op)
		if err != nil {
			return err
		}
		used := s.used
		err = f(s)
		spoilt := !s.Usable()
		d.release(s)
		if err == nil || !used || !spoilt || device.KindOf(err) != device.Unreachable || ctx.Err() != nil {
			return err
		}
	}
}

// outcome is what a list of commands came to.
type outcome struct {
	values map[string]string // placeholders, with the results
	text   []byte            // all outputs
	ended  bool
}

// steps types the commands of an act, one after the other. role is primary,
// secondary or whole. percent, when not nil, is told of progress.
func (d *Driver) steps(ctx context.Context, op string, s *session, steps []adapter.Step, role string, values map[string]string, percent func(int)) (outcome, error) {
	out := outcome{values: map[string]string{}}
	for k, v := range values {
		out.values[k] = v
	}
	for _, st := range steps {
		if len(st.Only) > 0 && !contains(st.Only, role) {
			continue
		}
		if err := d.step(ctx, op, s, st, &out, percent); err != nil {
			return out, err
		}
		if out.ended {
			break
		}
	}
	return out, nil
}

func (d *Driver) step(ctx context.Context, op string, s *session, st adapter.Step, out *outcome, percent func(int)) error {
	line, err := adapter.Fill(st.Command, out.values)
	if err != nil {
		return &device.Fault{Kind: device.Ours, Op: op, Err: err}
	}
	bounded, cancel := context.WithTimeout(ctx, within(st.Within, within(d.ad.Session.Within, defaultWithin)))
	defer cancel()
	cmd := dialogue.Command{Line: line, Dialogue: d.exchanges(st.Dialogue, out.values), Relearn: st.NewPrompt, Ends: st.MayEnd, Act: true}
	if st.Success != "" {
		cmd.Begun = d.ad.Pattern(st.Success)
	}
	if st.Progress != "" && percent != nil {
		re := d.ad.Pattern(st.Progress)
		cmd.Each = func(l []byte) { tellPercent(re, l, percent) }
	}
	s.changing = true
	a, err := s.say(bounded, cmd)
	if err != nil {
		return d.fault(ctx, op, err, true, s.client)
	}
	s.changing = false
	out.text = append(out.text, a.Text...)
	out.ended = a.Ended
	if err := d.complaint(op, a.Text, st.Errors); err != nil {
		return err
	}
	if st.Success != "" && !d.ad.Pattern(st.Success).Match(a.Text) {
		if a.Ended {
			return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: fmt.Sprintf("the connection ended before %q was answered", line)}
		}
		return &device.Fault{Kind: device.Refused, Op: op, Text: fmt.Sprintf("%q was not answered as expected: %s", line, trim(string(a.Text)))}
	}
	if st.Result != "" {
		re := d.ad.Pattern(st.Result)
		if m := re.FindSubmatch(a.Text); m != nil {
			for i, n := range re.SubexpNames() {
				if n != "" {
					out.values[n] = string(m[i])
				}
			}
		}
	}
	return nil
}
