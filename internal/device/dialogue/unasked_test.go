package dialogue_test

import (
	"bytes"
	"context"
	"errors"
	"net"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"towpath/internal/device/dialogue"
)

// TestUnaskedAnywhere has the device write messages anywhere in what it says, also
// in the midst of the echo and behind the prompt: the answer is the one that it
// would have given without them.
// Source: common practice, messages of the system on a console.
func TestUnaskedAnywhere(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		lines := rapid.SliceOfN(rapid.SampledFrom([]string{"", "a b", "mere-1> tell", "*** stars", "x\x1b[31my\x1b[0m", strings.Repeat("z", 90)}), 0, 8).Draw(r, "lines")
		out := ""
		var want strings.Builder
		for _, l := range lines {
			out += l + "\r\n"
			want.WriteString(strings.NewReplacer("\x1b[31m", "", "\x1b[0m", "").Replace(l) + "\n")
		}
		// Where in each of the two answers a message comes, and where pieces end.
		spot := rapid.SliceOfN(rapid.IntRange(0, 400), 0, 4)
		spots := [][]int{spot.Draw(r, "in the answer"), spot.Draw(r, "after the blank line")}
		cuts := rapid.SliceOfN(rapid.IntRange(1, 30), 1, 12).Draw(r, "pieces")
		torn := func(text string, at []int) string {
			at = slices.Sorted(slices.Values(at))
			slices.Reverse(at) // none is torn by another
			whole := len(text)
			for _, n := range at {
				n = min(n, whole)
				for n > 0 && strings.Contains(text[max(0, n-5):n], "\x1b") {
					n-- // a sequence of control characters leaves the device whole
				}
				text = text[:n] + "\r\n** port-1/3 is down\r\n" + text[n:]
			}
			return text
		}
		ours, theirs := net.Pipe()
		p := &peer{theirs}
		send := func(text string) {
			for i := 0; text != ""; i++ {
				n := min(cuts[i%len(cuts)], len(text))
				p.say(text[:n])
				text = text[n:]
			}
		}
		var wg sync.WaitGroup
		wg.Go(func() {
			p.say("mere-1> ")
			after := []int(nil)
			for {
				l, err := p.line()
				switch {
				case err != nil:
					return
				case l == "":
					send(torn("\r\nmere-1> ", after))
				default:
					send(torn(l+"\r\n"+out+"mere-1> ", spots[0]))
					after = spots[1]
				}
			}
		})
		cfg := config()
		cfg.Unasked = []*regexp.Regexp{regexp.MustCompile(`\n\*\* [^\n]*\n`)}
		var log sharedLog
		cfg.Sink = dialogue.NewTranscript(&log)
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		s, err := dialogue.Open(ctx, ours, cfg)
		if err != nil {
			r.Fatal(err)
		}
		a, err := s.Do(ctx, dialogue.Command{Line: "tell it all"})
		_ = s.Close()
		_ = theirs.Close()
		wg.Wait()
		if err != nil || string(a.Text) != want.String() {
			r.Fatalf("got %q, %v\nwant %q", a.Text, err, want.String())
		}
		// Those behind the last prompt may come too late to be counted.
		if n := len(spots[0]) + len(spots[1]); a.Unasked > n || a.Unasked < len(spots[0]) {
			r.Fatalf("%d messages, of which it counts %d", n, a.Unasked)
		}
		entries, err := dialogue.ReadTranscript(log.bytes())
		if err != nil {
			r.Fatal(err)
		}
		var kept bytes.Buffer
		for _, e := range entries {
			if !e.Typed {
				kept.Write(e.Octets)
			}
		}
		if n := strings.Count(kept.String(), "port-1/3 is down"); n < len(spots[0]) {
			r.Fatalf("%d messages in the transcript, want %d", n, len(spots[0]))
		}
	})
}

// TestConsoleOfAnotherCard is told by the line that nobody is let in, in answer to
// a key and in the midst of a command; an act that restarts the card has then ended.
func TestConsoleOfAnotherCard(t *testing.T) {
	cfg := consoleConfig()
	cfg.Away = []*regexp.Regexp{regexp.MustCompile(`^\S+ follows$`), regexp.MustCompile(`^\S+ starts: \d+$`)}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	line := newAnswering([][]byte{[]byte("\r\nCTL-B follows\r\n")})
	s := dialogue.Start(line, cfg)
	wantReason(t, s.Login(ctx), dialogue.NotHere, false)
	if !s.Alive() || s.Usable() {
		t.Errorf("alive %v, usable %v", s.Alive(), s.Usable())
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	for _, c := range []struct {
		cmd  dialogue.Command
		ends bool
	}{
		{dialogue.Command{Line: "tell"}, false},
		{dialogue.Command{Line: "restart", Act: true}, false},
		{dialogue.Command{Line: "restart", Act: true, Ends: true, Begun: regexp.MustCompile("begun")}, true},
	} {
		line := newAnswering([][]byte{[]byte("mere-1> "), []byte("\r\nmere-1> "), []byte(c.cmd.Line), []byte("\r\nbegun\r\nCTL-A starts: 0\r\n")})
		s := dialogue.Start(line, cfg)
		if err := s.Login(ctx); err != nil {
			t.Fatal(err)
		}
		a, err := s.Do(ctx, c.cmd)
		if c.ends {
			if err != nil || !a.Ended || !bytes.Contains(a.Text, []byte("begun")) {
				t.Errorf("%+v: %+v, %v", c.cmd, a, err)
			}
		} else {
			wantReason(t, err, dialogue.Lost, true)
		}
		if s.Usable() {
			t.Errorf("%+v: usable", c.cmd)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestConsoleCommandGivenUp gives up waiting for the answer to a question. The next
// one waits for its end, and the line is not entered anew; an act that is given up
// spoils the session.
func TestConsoleCommandGivenUp(t *testing.T) {
	line := newAnswering([][]byte{[]byte("mere-1> "), []byte("\r\nmere-1> "), []byte("tell"), []byte("\r\nslow"), nil, nil})
	cfg := consoleConfig()
	cfg.Quiet = time.Minute
	s := dialogue.Start(line, cfg)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	if err := s.Login(ctx); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		brief, end := context.WithTimeout(ctx, 5*time.Millisecond)
		_, err := s.Do(brief, dialogue.Command{Line: "tell"})
		end()
		var e *dialogue.Error
		if !errors.As(err, &e) || e.Reason != dialogue.Late || !s.Usable() {
			t.Fatalf("got %v, usable %v", err, s.Usable())
		}
	}
	if n := line.times("tell"); n != 1 {
		t.Errorf("typed %d times", n)
	}
	line.said <- []byte("ly\r\nmere-1> ")
	line.mu.Lock()
	// The blank line behind the prompt, and then the other command.
	line.pieces = [][]byte{[]byte("\r\nmere-1> "), []byte("again"), []byte("\r\nquick\r\nmere-1> "), []byte("\r\nmere-1> ")}
	line.mu.Unlock()
	a, err := s.Do(ctx, dialogue.Command{Line: "again"})
	if err != nil || string(a.Text) != "quick\n" {
		t.Errorf("got %q, %v", a.Text, err)
	}
	line.mu.Lock()
	line.pieces = [][]byte{nil, nil}
	line.mu.Unlock()
	brief, end := context.WithTimeout(ctx, 5*time.Millisecond)
	defer end()
	_, err = s.Do(brief, dialogue.Command{Line: "restart", Act: true})
	wantReason(t, err, dialogue.Late, true)
	if s.Usable() {
		t.Error("usable after an act without an answer")
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// sharedLog is a transcript that may be read while the session, which does not
// wait for its own end, still writes.
type sharedLog struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (l *sharedLog) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *sharedLog) bytes() []byte {
	l.mu.Lock()
	defer l.mu.Unlock()
	return bytes.Clone(l.b.Bytes())
}
