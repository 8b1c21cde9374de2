package dialogue_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"towpath/internal/device/dialogue"
)

// answering is a line that says its next piece whenever something is typed, and
// ends after the last.
type answering struct {
	mu     sync.Mutex
	pieces [][]byte
	said   chan []byte
	rest   []byte
	typed  []string
	ended  bool
}

func newAnswering(pieces [][]byte) *answering {
	return &answering{pieces: pieces, said: make(chan []byte, len(pieces)+1)}
}

func (a *answering) Read(b []byte) (int, error) {
	for len(a.rest) == 0 {
		piece, ok := <-a.said
		if !ok {
			return 0, io.EOF
		}
		a.rest = piece
	}
	n := copy(b, a.rest)
	a.rest = a.rest[n:]
	return n, nil
}

func (a *answering) Write(b []byte) (int, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.typed = append(a.typed, string(b))
	switch {
	case a.ended:
	case len(a.pieces) == 0:
		a.ended = true
		close(a.said)
	default:
		a.said <- a.pieces[0]
		a.pieces = a.pieces[1:]
	}
	return len(b), nil
}

func (a *answering) Close() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !a.ended {
		a.ended = true
		close(a.said)
	}
	return nil
}

func (a *answering) times(what string) int {
	a.mu.Lock()
	defer a.mu.Unlock()
	n := 0
	for _, s := range a.typed {
		if s == what {
			n++
		}
	}
	return n
}

func consoleConfig() dialogue.Config {
	cfg := config()
	cfg.Console, cfg.Wake, cfg.BlankLine = true, "\x03", true
	cfg.Settle, cfg.WakeEvery, cfg.Quiet = 300*time.Microsecond, 600*time.Microsecond, time.Millisecond
	cfg.Questions = []*regexp.Regexp{regexp.MustCompile(`really\? *$`)}
	cfg.Login = []dialogue.Exchange{
		{Expect: regexp.MustCompile(`(?m)^login: *$`), Answer: "ada\n"},
		{Expect: regexp.MustCompile(`(?m)^Password: *$`), Answer: "sluice-7\n", Secret: true},
	}
	return cfg
}

// FuzzConsole lets what is behind a console line say anything to what is typed.
// The log-in comes to an end, shows the password once at most, and only after the
// name was given or the line was led back from somebody else's; a question that
// stands there is not answered.
func FuzzConsole(f *testing.F) {
	f.Add([]byte("login: |ada\r\nPassword: |\r\nmere-1> |\r\nmere-1> |tell\r\n|out\r\nmere-1> |\r\nmere-1> "))
	f.Add([]byte("Password: |\r\nlogin: |ada\r\nPassword: |\r\nno\r\nlogin: |"))
	f.Add([]byte("mere-1> |\r\nmere-1> |tell\r\n|booting\r\nlogin: |"))
	f.Add([]byte("really? |"))
	f.Add([]byte("loader: 3\r\n|mere-1> |\xff\xfe|mere-1> |mere-1> "))
	f.Add([]byte("\r\nCTL-B follows\r\n|login: "))
	f.Add([]byte("lo\r\n** down\r\ngin: |ada\r\nPassword: |\r\n** up\r\n\r\nmere-1> |\r\nmere-1> |te\r\n** down\r\nll\r\n|out\r\nmere-1> \r\n** up\r\n|\r\nmere-1> "))
	f.Add([]byte("mere-1> |\r\nmere-1> |tell\r\n|begun\r\nCTL-A starts: 0\r\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		line := newAnswering(bytes.Split(b, []byte("|")))
		var log bytes.Buffer
		cfg := consoleConfig()
		cfg.Sink = dialogue.NewTranscript(&log)
		cfg.Away = []*regexp.Regexp{regexp.MustCompile(`^\S+ follows$`), regexp.MustCompile(`^\S+ starts: \d+$`)}
		cfg.Unasked = []*regexp.Regexp{regexp.MustCompile(`\n\*\* [^\n]*\n`)}
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
		defer cancel()
		s := dialogue.Start(line, cfg)
		err := s.Login(ctx)
		if errors.Is(err, context.DeadlineExceeded) {
			t.Fatalf("%q: the log-in does not end", b)
		}
		name, word := line.times("ada\n"), line.times("sluice-7\n")
		if name > 1 || word > 1 {
			t.Errorf("%q: typed %q", b, line.typed)
		}
		if word == 1 && name == 0 && line.times("\x03") < 2 {
			t.Errorf("%q: the password went to a name that is not ours: %q", b, line.typed)
		}
		if n := name + word; err == nil && s.Asked() != n {
			t.Errorf("%q: %d questions answered, it says %d", b, n, s.Asked())
		}
		if err == nil {
			// A command that is not answered lasts until it is given up.
			brief, end := context.WithTimeout(ctx, 20*time.Millisecond)
			_, err = s.Do(brief, dialogue.Command{Line: "tell", Ends: true, Begun: regexp.MustCompile("begun")})
			end()
			if n := line.times("sluice-7\n"); n != word {
				t.Errorf("%q: the password was typed during a command, which ended with %v", b, err)
			}
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		if strings.Contains(log.String(), "sluice-7") && !bytes.Contains(b, []byte("sluice-7")) {
			t.Errorf("%q: the password is in the transcript", b)
		}
	})
}

// TestConsoleQuestionIsLeft finds a question on the line that nobody foresaw: the
// key that woke it is the last.
func TestConsoleQuestionIsLeft(t *testing.T) {
	line := newAnswering([][]byte{[]byte("Discard all, really? ")})
	s := dialogue.Start(line, consoleConfig())
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	for range 2 { // and it is still there when somebody tries again
		wantReason(t, s.Login(ctx), dialogue.Asked, false)
	}
	if len(line.typed) != 1 {
		t.Errorf("typed %q", line.typed)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// TestConsoleLoggedOutMeanwhile is logged out by an idle timer: the next command
// is not typed as a name.
func TestConsoleLoggedOutMeanwhile(t *testing.T) {
	line := newAnswering([][]byte{[]byte("mere-1> "), []byte("\r\nmere-1> ")})
	s := dialogue.Start(line, consoleConfig())
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	if err := s.Login(ctx); err != nil {
		t.Fatal(err)
	}
	typed := len(line.typed)
	line.said <- []byte("\r\nIdle.\r\nlogin: ")
	line.said <- nil // is read only when the first has been kept
	for len(line.said) > 0 {
		runtime.Gosched()
	}
	_, err := s.Do(ctx, dialogue.Command{Line: "reload", Act: true})
	wantReason(t, err, dialogue.Lost, false)
	if len(line.typed) != typed {
		t.Errorf("typed %q", line.typed[typed:])
	}
	if s.Usable() || !s.Alive() {
		t.Errorf("usable %v, alive %v", s.Usable(), s.Alive())
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}
