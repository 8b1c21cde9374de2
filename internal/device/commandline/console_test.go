package commandline_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/adapter"
	"towpath/internal/device/commandline"
	"towpath/internal/device/commandline/consoletest"
	"towpath/internal/device/dialogue"
	"towpath/internal/device/sshlink"
)

// consoleAdapter is a small platform with a console.
const consoleAdapter = `adapter: hut
about: A device in a hut, invented.
platforms: [alder-9]
session:
  prompt: '\[[a-z0-9-]+\] '
  cancel: ctrl-c
  wake: ctrl-c
  wake-every: 250ms
  login:
    - {expect: '(?m)^Name\? *$', answer: '{user}'}
    - {expect: '(?m)^Password\? *$', answer: '{password}'}
  refusals: ['(?m)^not let in: .*$']
  logout: leave
  blank-line: true
  start: [page off]
  questions: ['yes or no\? *$']
  within: 20s
reads:
  - read: the device
    command: tell about
    into: system
    scopes: [components, live]
    parse:
      text: 'name: (?P<hostname>\S+)\s+release: (?P<release>\S+)'
restart:
  device:
    steps:
      - {command: 'restart because {reason}', success: '(?m)^restarting', may-end: true}
`

// hut is a device with a command line of few words.
type hut struct {
	mu    sync.Mutex
	looks int      // how often it is still down when somebody looks
	typed []string // commands, in order
	hang  string   // the next command that begins so is not answered
}

func (h *hut) commands() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]string(nil), h.typed...)
}

func (h *hut) count(what string) int {
	n := 0
	for _, c := range h.commands() {
		if c == what {
			n++
		}
	}
	return n
}

func (h *hut) shell() (io.ReadWriteCloser, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.looks > 0 {
		h.looks--
		return nil, errors.New("down")
	}
	ours, theirs := net.Pipe()
	go h.talk(theirs)
	return ours, nil
}

func (h *hut) talk(c net.Conn) {
	defer c.Close()
	in := bufio.NewReader(c)
	for {
		if _, err := fmt.Fprint(c, "[mere-agg-1] "); err != nil {
			return
		}
		var line []byte
		for {
			b, err := in.ReadByte()
			if err != nil {
				return
			}
			if b == 3 {
				line = nil
				fmt.Fprint(c, "^C\r\n")
				break
			}
			if b == '\n' {
				fmt.Fprint(c, "\r\n")
				break
			}
			line = append(line, b)
			if _, err := c.Write([]byte{b}); err != nil {
				return
			}
		}
		if len(line) == 0 {
			continue
		}
		h.mu.Lock()
		h.typed = append(h.typed, string(line))
		hang := h.hang != "" && strings.HasPrefix(string(line), h.hang)
		if hang {
			h.hang = ""
		}
		if strings.HasPrefix(string(line), "restart") {
			h.looks = 120
		}
		h.mu.Unlock()
		switch {
		case hang:
			_, _ = in.ReadByte() // until somebody drops it
			fmt.Fprint(c, "^C\r\n")
		case string(line) == "tell about":
			fmt.Fprint(c, "name: mere-agg-1\r\nrelease: 2.4.3\r\n")
		case string(line) == "leave":
			return
		case strings.HasPrefix(string(line), "restart"):
			fmt.Fprint(c, "restarting\r\n")
			return
		}
	}
}

// consoleBench is a console server with a line, and a driver over it.
type consoleBench struct {
	server *consoletest.Server
	driver *commandline.Driver
	log    *safeBuffer
	link   sshlink.Config
	mu     sync.Mutex
	opened int
}

func overConsole(t *testing.T, behind func(*consoletest.Line), change func(*commandline.Config)) *consoleBench {
	t.Helper()
	s, err := consoletest.Start("Console server of the hut. Line 3.\r\n", behind)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	ad, err := adapter.Read("hut.yaml", []byte(consoleAdapter))
	if err != nil {
		t.Fatal(err)
	}
	b := &consoleBench{server: s, log: &safeBuffer{}}
	b.link = sshlink.Config{Address: s.Address(), User: s.User, KnownHosts: []byte(s.KnownHosts()), Password: func() (string, error) { return s.Password, nil }}
	cfg := commandline.Config{
		Device: "mere-agg-1", Adapter: ad, User: "operator", Password: "lamp-room", Settle: 20 * time.Millisecond,
		Transcript: dialogue.NewTranscript(b.log),
		Stream: func(ctx context.Context) (io.ReadWriteCloser, error) {
			b.mu.Lock()
			b.opened++
			b.mu.Unlock()
			return commandline.Terminal(ctx, b.link)
		},
	}
	if change != nil {
		change(&cfg)
	}
	if b.driver, err = commandline.Dial(context.Background(), cfg); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.driver.Close() })
	return b
}

func (b *consoleBench) connections() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.opened
}

func (b *consoleBench) transcript(t *testing.T) string {
	t.Helper()
	entries, err := dialogue.ReadTranscript(b.log.bytes())
	if err != nil {
		t.Fatal(err)
	}
	var text bytes.Buffer
	for _, e := range entries {
		text.Write(e.Octets)
	}
	return text.String()
}

func (h *hut) behind(change func(*consoletest.Console)) func(*consoletest.Line) {
	c := &consoletest.Console{Name: "operator", Password: "lamp-room", Shell: h.shell}
	if change != nil {
		change(c)
	}
	return c.Run
}

// readsAbout reads the device and says what it told.
func readsAbout(t *testing.T, d *commandline.Driver) string {
	t.Helper()
	c, err := d.Capture(context.Background(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	if name := c.Hostname.Or(""); name != "mere-agg-1" {
		t.Errorf("it is called %q", name)
	}
	return c.Source
}

// TestConsoleWakesLogsInAndLeaves goes onto a line that sleeps, and leaves it as
// it was found.
func TestConsoleWakesLogsInAndLeaves(t *testing.T) {
	h := &hut{}
	b := overConsole(t, h.behind(nil), nil)
	for range 3 {
		readsAbout(t, b.driver)
	}
	if err := b.driver.Close(); err != nil {
		t.Fatal(err)
	}
	if got := h.commands(); strings.Join(got, ", ") != "page off, tell about, tell about, tell about, leave" {
		t.Errorf("typed %q", got)
	}
	if b.connections() != 1 {
		t.Errorf("the line was opened %d times", b.connections())
	}
	text := b.transcript(t)
	if !strings.Contains(text, "Name? ") || !strings.Contains(text, "Line 3") || strings.Contains(text, "lamp-room") {
		t.Errorf("transcript:\n%s", text)
	}
}

// TestConsoleTroubles are lines that lead to no prompt.
func TestConsoleTroubles(t *testing.T) {
	silent := func(l *consoletest.Line) {
		for {
			if _, err := l.Key(nil); err != nil {
				return
			}
		}
	}
	echo := func(says string) func(l *consoletest.Line) {
		return func(l *consoletest.Line) {
			for {
				if _, err := l.Key(nil); err != nil {
					return
				}
				fmt.Fprint(l, says)
			}
		}
	}
	h := &hut{}
	soon := func(c *commandline.Config) { c.OpenWithin = 2 * time.Second }
	for name, c := range map[string]struct {
		behind func(*consoletest.Line)
		change func(*commandline.Config)
		before func(*consoleBench)
		kind   device.Kind
		text   string
		keys   int // most that may be pressed; 0: any
	}{
		"silent":         {silent, soon, nil, device.Unreachable, "the console line is silent", 0},
		"wrong speed":    {echo("\x80\xff\x00\xfe\x81\x80\xff\r\n\xf8\x80\xfe\x80\xff\x80"), soon, nil, device.Unreachable, "another speed", 0},
		"a program":      {echo("\x1b[2J diagnostics v3 "), soon, nil, device.Unreachable, "neither a log-in nor a prompt", 0},
		"wrong password": {h.behind(nil), func(c *commandline.Config) { c.Password = "lamp-rome" }, nil, device.Denied, "access.console.login", 0},
		"in use":         {h.behind(nil), nil, func(b *consoleBench) { b.server.Line.Take("rowan") }, device.Busy, "in use by rowan", 0},
		"a question":     {echo("Discard all, yes or no? "), nil, nil, device.Refused, "Discard all, yes or no?", 1},
		"a session":      {h.behind(func(c *consoletest.Console) { c.Open = true }), nil, nil, device.Busy, `the prompt "[mere-agg-1] "`, 0},
		"unknown host":   {h.behind(nil), nil, func(b *consoleBench) { b.link.KnownHosts = nil }, device.Denied, "the console server cannot be used: connect to", 0},
		"its password":   {h.behind(nil), nil, func(b *consoleBench) { b.link.User = "rowan" }, device.Denied, `it refuses the password of the user "rowan"`, 0},
	} {
		t.Run(name, func(t *testing.T) {
			b := overConsole(t, c.behind, c.change)
			if c.before != nil {
				c.before(b)
			}
			_, err := b.driver.Capture(context.Background(), device.ScopeLive)
			if err == nil || device.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.text) {
				t.Errorf("got %v (%v)", err, device.KindOf(err))
			}
			if n := b.server.Line.Keys(); c.keys > 0 && n > c.keys {
				t.Errorf("%d keys were pressed", n)
			}
			if n := strings.Count(b.transcript(t), "Password? "); name == "wrong password" && n != 1 {
				t.Errorf("the password was asked for %d times", n)
			}
			if name == "in use" {
				b.server.Line.Take("")
				readsAbout(t, b.driver)
			}
		})
	}
	for _, c := range h.commands() {
		if c != "page off" && c != "tell about" && c != "leave" {
			t.Errorf("%q was typed", c)
		}
	}
}

// TestConsoleWithAnOpenSession finds somebody's session on the line.
func TestConsoleWithAnOpenSession(t *testing.T) {
	h := &hut{}
	open := func(c *consoletest.Console) { c.Open = true }
	b := overConsole(t, h.behind(open), nil)
	for range 2 { // it is still there the second time
		if _, err := b.driver.Capture(context.Background(), device.ScopeLive); device.KindOf(err) != device.Busy {
			t.Errorf("got %v", err)
		}
	}
	if got := h.commands(); len(got) != 0 {
		t.Errorf("%q was typed into somebody's session", got)
	}

	h = &hut{}
	b = overConsole(t, h.behind(open), func(c *commandline.Config) { c.OpenSession = commandline.LogOutOpen })
	if s := readsAbout(t, b.driver); strings.Contains(s, "open on the console") {
		t.Errorf("source %q", s)
	}
	if got := strings.Join(h.commands(), ", "); got != "leave, page off, tell about" {
		t.Errorf("typed %q", got)
	}

	h = &hut{}
	b = overConsole(t, h.behind(open), func(c *commandline.Config) { c.OpenSession = commandline.UseOpen })
	if s := readsAbout(t, b.driver); !strings.Contains(s, "typed into a session that was open on the console line") {
		t.Errorf("source %q", s)
	}
	_ = b.driver.Close()
	if got := strings.Join(h.commands(), ", "); got != "page off, tell about" {
		t.Errorf("typed %q; somebody's session is not ours to leave", got)
	}

	ad, err := adapter.Read("hut.yaml", []byte(strings.Replace(consoleAdapter, "  logout: leave\n", "", 1)))
	if err != nil {
		t.Fatal(err)
	}
	_, err = commandline.Dial(context.Background(), commandline.Config{Adapter: ad, OpenSession: commandline.LogOutOpen, Stream: func(context.Context) (io.ReadWriteCloser, error) { return nil, io.EOF }})
	if device.KindOf(err) != device.Ours || !strings.Contains(err.Error(), "session.logout") {
		t.Errorf("an adapter without logout: %v", err)
	}
}

// TestConsoleThroughARestart restarts the device: the line stays, what the device
// says while it boots is kept, nothing is typed meanwhile, and the session logs
// in again.
func TestConsoleThroughARestart(t *testing.T) {
	h := &hut{}
	var first, last, boots int
	tick := time.NewTicker(8 * time.Millisecond)
	defer tick.Stop()
	b := overConsole(t, h.behind(func(c *consoletest.Console) {
		c.Boot = func(l *consoletest.Line) {
			<-tick.C
			fmt.Fprintf(l, "loader: a key stops me, %d\r\n", boots)
			if boots == 60 { // what was being typed when it went down has been typed
				first = l.Keys()
			}
			boots++
			last = l.Keys()
		}
	}), nil)
	readsAbout(t, b.driver)
	if err := b.driver.Restart(context.Background(), "", "planned"); err != nil {
		t.Fatalf("restart: %v", err)
	}
	readsAbout(t, b.driver)
	text := b.transcript(t)
	if err := b.driver.Close(); err != nil {
		t.Error(err)
	}
	if err := b.server.Close(); err != nil {
		t.Error(err)
	}
	if h.count("restart because planned") != 1 || boots < 100 {
		t.Errorf("typed %q, %d messages", h.commands(), boots)
	}
	if first != last {
		t.Errorf("%d keys were pressed while it booted", last-first)
	}
	if !strings.Contains(text, "loader: a key stops me, 10") || strings.Count(text, "Password? ") != 2 {
		t.Errorf("transcript:\n%s", text)
	}
	if b.connections() != 1 {
		t.Errorf("the line was opened %d times", b.connections())
	}
}

// TestConsoleServerLost loses the console server in the midst of an act and of a
// reading.
func TestConsoleServerLost(t *testing.T) {
	h := &hut{}
	b := overConsole(t, h.behind(nil), func(c *commandline.Config) { c.OpenSession = commandline.LogOutOpen })
	readsAbout(t, b.driver)
	b.server.Line.Cut()
	readsAbout(t, b.driver) // once more, on a new connection
	if b.connections() != 2 || h.count("leave") != 1 {
		t.Errorf("opened %d times, typed %q", b.connections(), h.commands())
	}
	// during cuts the line while the device is at a command.
	during := func(command string, f func() error) error {
		hangs := func(set string) bool {
			h.mu.Lock()
			defer h.mu.Unlock()
			if set != "" {
				h.hang = set
			}
			return h.hang == ""
		}
		hangs(command)
		done := make(chan error, 1)
		go func() { done <- f() }()
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		for !hangs("") {
			<-tick.C
		}
		b.server.Line.Cut()
		return <-done
	}
	err := during("tell about", func() error {
		_, err := b.driver.Capture(context.Background(), device.ScopeLive)
		return err
	})
	if err != nil {
		t.Errorf("a reading: %v", err)
	}
	err = during("restart", func() error { return b.driver.Restart(context.Background(), "", "planned") })
	if device.KindOf(err) != device.OutcomeUnknown {
		t.Errorf("an act: %v", err)
	}
	readsAbout(t, b.driver)
	if n := h.count("restart because planned"); n != 1 {
		t.Errorf("the act was typed %d times", n)
	}
}

// TestConsoleLedAstray finds a name on the line that is not ours, and a device
// that restarts when it has let us in.
func TestConsoleLedAstray(t *testing.T) {
	h := &hut{looks: 10}
	c := &consoletest.Console{Name: "operator", Password: "lamp-room", Shell: h.shell, Boot: func(l *consoletest.Line) { fmt.Fprint(l, "loading\r\n") }}
	first := true
	b := overConsole(t, func(l *consoletest.Line) {
		// Somebody typed a name and went away.
		if _, err := l.Key(nil); err != nil {
			return
		}
		fmt.Fprint(l, "\r\nName? rowan\r\nPassword? ")
		for first {
			k, err := l.Key(nil)
			if err != nil {
				return
			}
			if k != 3 {
				t.Errorf("the key %q was pressed where somebody's password belongs", k)
			}
			first = false
		}
		c.Awake = true
		c.Run(l)
	}, nil)
	readsAbout(t, b.driver)
	text := b.transcript(t)
	// Ours is asked for twice: before the restart, and after.
	if n := strings.Count(text, "Password? "); n != 3 || !strings.Contains(text, "loading") {
		t.Errorf("asked %d times:\n%s", n, text)
	}
}
