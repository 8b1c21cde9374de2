package dialogue_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"regexp"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"towpath/internal/device/dialogue"
)

// peer is the device's end of a conversation, driven by a test.
type peer struct {
	conn net.Conn
}

// line reads one typed line.
func (p *peer) line() (string, error) {
	var out []byte
	b := make([]byte, 1)
	for {
		if _, err := p.conn.Read(b); err != nil {
			return string(out), err
		}
		if b[0] == '\n' {
			return string(out), nil
		}
		if out = append(out, b[0]); b[0] == 3 || b[0] == ' ' && len(out) == 1 {
			return string(out), nil
		}
	}
}

func (p *peer) say(text string) { _, _ = io.WriteString(p.conn, text) }

// serve answers lines until the stream ends; answer returns what is printed
// before the next prompt.
func (p *peer) serve(prompt string, answer func(line string) string) {
	p.say(prompt)
	for {
		l, err := p.line()
		if err != nil {
			return
		}
		p.say(l + "\r\n")
		if l != "" {
			p.say(answer(l))
		}
		p.say(prompt)
	}
}

func config() dialogue.Config {
	return dialogue.Config{
		Prompt: regexp.MustCompile(`[a-z0-9-]+(\([a-z]+\))?> `), Now: time.Now, BlankLine: true,
		Questions: []*regexp.Regexp{regexp.MustCompile(`\? *$`)}, Cancel: "\x03",
		More: []dialogue.Exchange{{Expect: regexp.MustCompile(`-- more --`), Answer: " "}},
	}
}

// meet opens a session with a device; its code runs in a goroutine of its own.
func meet(t *testing.T, cfg dialogue.Config, dev func(*peer)) *dialogue.Session {
	t.Helper()
	ours, theirs := net.Pipe()
	var wg sync.WaitGroup
	wg.Go(func() {
		dev(&peer{theirs})
		_ = theirs.Close()
	})
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	s, err := dialogue.Open(ctx, ours, cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = s.Close()
		wg.Wait()
	})
	return s
}

func do(t *testing.T, s *dialogue.Session, c dialogue.Command) dialogue.Answer {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	a, err := s.Do(ctx, c)
	if err != nil {
		t.Fatalf("%q: %v", c.Line, err)
	}
	return a
}

func wantReason(t *testing.T, err error, why dialogue.Reason, typed bool) {
	t.Helper()
	var e *dialogue.Error
	if !errors.As(err, &e) || e.Reason != why || e.Typed != typed {
		t.Errorf("got %v (%+v), want reason %q, typed %v", err, e, why, typed)
	}
}

func TestPromptIsLearnedExactly(t *testing.T) {
	// A banner ends like a prompt; only what comes again is one.
	s := meet(t, config(), func(p *peer) {
		p.say("Authorised staff only> \r\nbanner> ")
		_, _ = p.line() // the blank line that the banner drew
		p.say("\r\n")
		p.serve("mere-1> ", func(l string) string { return "" })
	})
	if got := s.Prompt(); got != "mere-1> " {
		t.Errorf("learned %q", got)
	}
}

func TestOutputThatLooksLikeThePrompt(t *testing.T) {
	s := meet(t, config(), func(p *peer) {
		p.say("mere-1> ")
		for {
			l, err := p.line()
			if err != nil {
				return
			}
			p.say(l + "\r\n")
			if l == "tell log" {
				p.say("bore-9> \r\nfoo# \r\nmere-1> ") // a read ends here
				_, _ = p.line()                        // the blank line comes while output is going on
				p.say("tell parts\r\nend\r\nmere-1> \r\n")
			}
			p.say("mere-1> ")
		}
	})
	a := do(t, s, dialogue.Command{Line: "tell log"})
	if want := "bore-9> \nfoo# \nmere-1> tell parts\nend\n"; string(a.Text) != want {
		t.Errorf("got %q, want %q", a.Text, want)
	}
	if a := do(t, s, dialogue.Command{Line: "tell nothing"}); len(a.Text) != 0 {
		t.Errorf("got %q", a.Text)
	}
}

func TestPagerAndControlSequences(t *testing.T) {
	s := meet(t, config(), func(p *peer) {
		p.serve("mere-1> ", func(string) string {
			p.say("\x1b[1mone\x1b[0m\r\ntwo\r\n-- more --")
			if k, _ := p.line(); k != " " {
				return "the pager got " + k
			}
			p.say("\r          \rthree\r\n-- more --")
			_, _ = p.line()
			return "\b\b\b\b\b\b\b\b\b\b\x1b[Kfour\r\n"
		})
	})
	if a := do(t, s, dialogue.Command{Line: "tell all"}); string(a.Text) != "one\ntwo\nthree\nfour\n" {
		t.Errorf("got %q", a.Text)
	}
}

func TestConfirmDialogue(t *testing.T) {
	var mu sync.Mutex
	var typed []string
	s := meet(t, config(), func(p *peer) {
		p.serve("mere-1> ", func(l string) string {
			p.say("This restarts card B.\r\nGo on, yes or no? ")
			x, _ := p.line()
			p.say(x + "\r\n")
			mu.Lock()
			typed = append(typed, l+"="+x)
			mu.Unlock()
			return "done\r\n"
		})
	})
	yes := []dialogue.Exchange{{Expect: regexp.MustCompile(`Go on, yes or no\?`), Answer: "yes\n"}}
	a := do(t, s, dialogue.Command{Line: "restart B", Dialogue: yes, Act: true})
	if a.Asked != 1 || !strings.HasSuffix(string(a.Text), "done\n") {
		t.Errorf("got %+v %q", a, a.Text)
	}
	// The same question without an answer is cancelled, and the session lives on.
	_, err := s.Do(t.Context(), dialogue.Command{Line: "restart A", Act: true})
	wantReason(t, err, dialogue.Asked, true)
	if err == nil || !strings.Contains(err.Error(), "Go on, yes or no?") {
		t.Errorf("the question is not told: %v", err)
	}
	if !s.Usable() {
		t.Error("the session is spoilt by a question that was cancelled")
	}
	do(t, s, dialogue.Command{Line: "restart C", Dialogue: yes, Act: true})
	mu.Lock()
	defer mu.Unlock()
	if got := strings.Join(typed, " "); got != "restart B=yes restart A=\x03 restart C=yes" {
		t.Errorf("typed %q", got)
	}
}

func TestPromptChangesWithTheMode(t *testing.T) {
	s := meet(t, config(), func(p *peer) {
		prompt := "mere-1> "
		p.say(prompt)
		for {
			l, err := p.line()
			if err != nil {
				return
			}
			switch l {
			case "change":
				prompt = "mere-1(change)> "
			case "leave":
				prompt = "mere-1> "
			}
			p.say(l + "\r\n" + prompt)
		}
	})
	for _, c := range []struct{ line, prompt string }{{"change", "mere-1(change)> "}, {"leave", "mere-1> "}} {
		do(t, s, dialogue.Command{Line: c.line, Relearn: true})
		if s.Prompt() != c.prompt {
			t.Errorf("after %s: %q, want %q", c.line, s.Prompt(), c.prompt)
		}
		do(t, s, dialogue.Command{Line: "x"})
	}
}

func TestConsoleServerIsWokenAndLogsIn(t *testing.T) {
	var log bytes.Buffer
	tr := dialogue.NewTranscript(&log)
	cfg := config()
	// Long enough that the device's answer to the second key is there before a third.
	cfg.Sink, cfg.Wake, cfg.WakeEvery = tr, "\n", time.Second
	cfg.Login = []dialogue.Exchange{
		{Expect: regexp.MustCompile(`login:`), Answer: "ada\n"},
		{Expect: regexp.MustCompile(`[Pp]assword:`), Answer: "sluice-7\n", Secret: true},
	}
	s := meet(t, cfg, func(p *peer) {
		_, _ = p.line()
		_, _ = p.line() // the line slept through the first one
		p.say("\r\nmere-1 login: ")
		u, _ := p.line()
		p.say(u + "\r\nPassword: ")
		w, _ := p.line()
		p.say("\r\nwelcome " + u + ", you typed " + w[:3])
		p.say(w[3:] + "\r\n")
		p.serve("mere-1> ", func(string) string { return "ok\r\n" })
	})
	do(t, s, dialogue.Command{Line: "tell clock"})
	_ = s.Close()
	text := log.String()
	if strings.Contains(text, "sluice") || strings.Contains(text, "ice-7") || !strings.Contains(text, "********") {
		t.Errorf("the transcript has the password, or no mask:\n%s", text)
	}
	back, err := dialogue.ReadTranscript(log.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	var ways [2]int
	var came strings.Builder
	for _, e := range back {
		if e.Typed {
			ways[0]++
		} else {
			ways[1]++
			came.Write(e.Octets)
		}
		if e.At.IsZero() {
			t.Errorf("an entry without its instant: %+v", e)
		}
	}
	if ways[0] < 4 || ways[1] < 4 {
		t.Errorf("entries each way: %v", ways)
	}
	if !strings.Contains(came.String(), "welcome ada, you typed ********\r\nmere-1> ") {
		t.Errorf("the device's octets are not kept: %q", came.String())
	}
	if sum, size := tr.Digest(); len(sum) != 64 || size != int64(log.Len()) {
		t.Errorf("digest %s of %d octets, want %d", sum, size, log.Len())
	}
}

func TestWrongPassword(t *testing.T) {
	cfg := config()
	cfg.Login = []dialogue.Exchange{{Expect: regexp.MustCompile(`Password:`), Answer: "wrong\n", Secret: true}}
	for name, script := range map[string][]string{
		"asked again": {"Password: ", "\r\nPassword: "},
		"told":        {"Password: ", "\r\nLogin incorrect\r\n"},
	} {
		t.Run(name, func(t *testing.T) {
			cfg.Refusals = []*regexp.Regexp{regexp.MustCompile(`Login incorrect`)}
			ours, theirs := net.Pipe()
			go func() {
				p := &peer{theirs}
				for _, x := range script {
					p.say(x)
					_, _ = p.line()
				}
			}()
			defer theirs.Close()
			_, err := dialogue.Open(t.Context(), ours, cfg)
			wantReason(t, err, dialogue.Refused, false)
		})
	}
}

func TestDisconnectAndReload(t *testing.T) {
	part := func(p *peer) {
		p.say("mere-1> ")
		for {
			l, err := p.line()
			if err != nil {
				return
			}
			p.say(l + "\r\n")
			if l != "" {
				p.say("restarting n")
				return
			}
			p.say("mere-1> ")
		}
	}
	s := meet(t, config(), part)
	_, err := s.Do(t.Context(), dialogue.Command{Line: "restart", Act: true})
	wantReason(t, err, dialogue.Lost, true)
	if s.Usable() {
		t.Error("the session is usable after its end")
	}
	_, err = s.Do(t.Context(), dialogue.Command{Line: "tell"})
	wantReason(t, err, dialogue.Broken, false)

	s = meet(t, config(), part)
	a := do(t, s, dialogue.Command{Line: "restart", Act: true, Ends: true})
	if !a.Ended || string(a.Text) != "restarting n" {
		t.Errorf("got %+v %q", a, a.Text)
	}
}

func TestDeadlineIsTheOnlyWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ours, theirs := net.Pipe()
		p := &peer{theirs}
		go p.serve("mere-1> ", func(l string) string {
			time.Sleep(40 * time.Minute) // of the bubble
			return "done\r\n"
		})
		s, err := dialogue.Open(t.Context(), ours, config())
		if err != nil {
			t.Fatal(err)
		}
		defer func() {
			_ = s.Close()
			_ = theirs.Close()
			time.Sleep(time.Hour)
		}()
		a, err := s.Do(t.Context(), dialogue.Command{Line: "install", Act: true})
		if err != nil || string(a.Text) != "done\n" {
			t.Fatalf("got %q, %v", a.Text, err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		_, err = s.Do(ctx, dialogue.Command{Line: "install", Act: true})
		wantReason(t, err, dialogue.Late, true)
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("the cause is lost: %v", err)
		}
	})
}

func TestMessageAfterThePrompt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ours, theirs := net.Pipe()
		p := &peer{theirs}
		go func() {
			p.say("mere-1> ")
			for {
				l, err := p.line()
				if err != nil {
					return
				}
				p.say(l + "\r\n")
				if l == "tell" {
					p.say("a\r\nmere-1> \r\n*** feed B lost power\r\n")
					continue // no prompt follows
				}
				p.say("mere-1> ")
			}
		}()
		s, err := dialogue.Open(t.Context(), ours, config())
		if err != nil {
			t.Fatal(err)
		}
		defer func() {
			_ = s.Close()
			_ = theirs.Close()
		}()
		a, err := s.Do(t.Context(), dialogue.Command{Line: "tell"})
		if err != nil || !strings.HasPrefix(string(a.Text), "a\n") {
			t.Errorf("got %q, %v", a.Text, err)
		}
	})
}

type full struct{ after int }

func (f *full) Record(dialogue.Entry) error {
	if f.after--; f.after < 0 {
		return errors.New("the disk is full")
	}
	return nil
}

func TestNothingIsTypedWithoutTranscript(t *testing.T) {
	cfg := config()
	cfg.Sink = &full{after: 4}
	typed := make(chan string, 10)
	s := meet(t, cfg, func(p *peer) {
		p.serve("mere-1> ", func(l string) string { typed <- l; return "" })
	})
	_, err := s.Do(t.Context(), dialogue.Command{Line: "restart", Act: true})
	for err == nil {
		_, err = s.Do(t.Context(), dialogue.Command{Line: "restart", Act: true})
	}
	wantReason(t, err, dialogue.NoTranscript, false)
	_ = s.Close()
}

// TestAnyPieces holds that the answer does not depend on where reads end.
func TestAnyPieces(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		lines := rapid.SliceOfN(rapid.SampledFrom([]string{"", "a b", "bore-9> ", "mere-1> tell", "mere-1", "x\x1b[31my\x1b[0m", "-- more or less --", "long " + strings.Repeat("z", 300)}), 0, 12).Draw(r, "lines")
		var out, want strings.Builder
		for _, l := range lines {
			out.WriteString(l + "\r\n")
			want.WriteString(strings.NewReplacer("\x1b[31m", "", "\x1b[0m", "").Replace(l) + "\n")
		}
		whole := out.String()
		cuts := rapid.SliceOfN(rapid.IntRange(1, 40), 0, 20).Draw(r, "cuts")
		ours, theirs := net.Pipe()
		p := &peer{theirs}
		var wg sync.WaitGroup
		wg.Go(func() {
			p.serve("mere-1> ", func(string) string {
				rest := whole
				for _, n := range cuts {
					n = min(n, len(rest))
					p.say(rest[:n])
					rest = rest[n:]
				}
				return rest
			})
		})
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
		defer cancel()
		s, err := dialogue.Open(ctx, ours, config())
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
	})
}

func TestClean(t *testing.T) {
	// Source: ECMA-48 §8.3.41 (EL), §8.3.20 (CUF), §8.3.22 (CUB); from memory.
	for in, want := range map[string]string{
		"a\r\nb\r\n":          "a\nb\n",
		"a\r\r\nb":            "a\nb",
		"abc\rX":              "Xbc",
		"abc\x1b[2DX":         "aXc",
		"abc\x1b[2K\rz":       "z",
		"abc\b\b\x1b[K":       "a",
		"\x1b]0;title\x07ok":  "ok",
		"\x1b(Bok":            "ok",
		"kept  \r\n":          "kept  \n",
		"gr\u00fc\u00df\b\bX": "grX\u00df",
		"\xff\x1b[m\xfe":      "\xff\xfe",
		"\x1b[":               "",
		"bell\x07":            "bell",
		// What a shell prints around a prompt with bracketed paste.
		"\x1b[?2004l\r\x1b[?2004hr1:~# ": "r1:~# ",
		"\x1b[?2004l\rr1:~# \r\n":        "r1:~# \n",
	} {
		if got := string(dialogue.Clean([]byte(in))); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}

// FuzzClean looks for input that breaks the cleaning.
func FuzzClean(f *testing.F) {
	for _, s := range []string{"a\r\n", "\x1b[2K\rx", "\x1b]0;t\x1b\\", "\xff\x1b[999999C", "é\b\b\bz", "\x1b[99999999999999G."} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		once := dialogue.Clean(b)
		if bytes.ContainsAny(once, "\x1b\b\r\x00") {
			t.Errorf("%q left control characters: %q", b, once)
		}
		if bytes.Count(once, []byte("\n")) != bytes.Count(b, []byte("\n")) {
			t.Errorf("%q: lines were lost or made: %q", b, once)
		}
		if again := dialogue.Clean(once); !bytes.Equal(again, once) {
			t.Errorf("%q: cleaning twice differs: %q and %q", b, once, again)
		}
	})
}

// script is a stream that says what it was given, piece after piece, and takes
// everything that is typed.
type script struct {
	pieces [][]byte
}

func (s *script) Read(b []byte) (int, error) {
	if len(s.pieces) == 0 {
		return 0, io.EOF
	}
	n := copy(b, s.pieces[0])
	if s.pieces[0] = s.pieces[0][n:]; len(s.pieces[0]) == 0 {
		s.pieces = s.pieces[1:]
	}
	return n, nil
}

func (s *script) Write(b []byte) (int, error) { return len(b), nil }
func (s *script) Close() error                { return nil }

// FuzzDialogue lets a device say anything in any pieces; the conversation must
// come to an end, and what it yields must be clean.
func FuzzDialogue(f *testing.F) {
	f.Add([]byte("mere-1> |\r\nmere-1> |tell\r\nout\r\nmere-1> |\r\nmere-1> "))
	f.Add([]byte("login: |Password: |\r\nmere-1> |\r\nmere-1> |tell\r\nreally? |mere-1> "))
	f.Add([]byte("mere-1> |\r\nmere-1> |tell\r\n-- more --|\r  \rx\r\n|mere-1> |\r\n|mere-1> "))
	f.Add([]byte("mere-1> |\r\nmere-1> |te\r\nll\r\n\x1b[K\xff|mere-1"))
	f.Fuzz(func(t *testing.T, b []byte) {
		cfg := config()
		cfg.Login = []dialogue.Exchange{
			{Expect: regexp.MustCompile(`login:`), Answer: "ada\n"},
			{Expect: regexp.MustCompile(`Password:`), Answer: "sluice-7\n", Secret: true},
		}
		var log bytes.Buffer
		cfg.Sink = dialogue.NewTranscript(&log)
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
		defer cancel()
		s, err := dialogue.Open(ctx, &script{bytes.Split(b, []byte("|"))}, cfg)
		if err != nil {
			return
		}
		defer s.Close()
		a, err := s.Do(ctx, dialogue.Command{Line: "tell", Ends: true, Dialogue: []dialogue.Exchange{{Expect: regexp.MustCompile(`really\?`), Answer: "yes\n"}}})
		if errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%q: the conversation does not end", b)
		}
		if bytes.ContainsAny(a.Text, "\x1b\r") {
			t.Errorf("%q: got %q", b, a.Text)
		}
		if _, err := dialogue.ReadTranscript(log.Bytes()); err != nil {
			t.Errorf("%q: the transcript cannot be read: %v", b, err)
		}
	})
}

func BenchmarkFiveMegabytes(b *testing.B) {
	var out bytes.Buffer
	for i := 0; out.Len() < 5<<20; i++ {
		fmt.Fprintf(&out, "route 198.51.%d.%d/32 by bgp over 192.0.2.1 metric %d\r\n", i>>8&255, i&255, i)
	}
	whole := out.String()
	ours, theirs := net.Pipe()
	p := &peer{theirs}
	go p.serve("mere-1> ", func(string) string {
		for i := 0; i < len(whole); i += 32 << 10 {
			p.say(whole[i:min(i+32<<10, len(whole))])
		}
		return ""
	})
	cfg := config()
	cfg.Sink = dialogue.NewTranscript(io.Discard)
	s, err := dialogue.Open(context.Background(), ours, cfg)
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	b.SetBytes(int64(len(whole)))
	for b.Loop() {
		a, err := s.Do(context.Background(), dialogue.Command{Line: "tell routes"})
		if err != nil || len(a.Text) < 5<<20-1<<18 {
			b.Fatal(len(a.Text), err)
		}
	}
}

// TestPromptThatVaries has a prompt with a counter and a mark of unsaved changes,
// in colour. Source: common practice, prompts that carry the number of the
// command.
func TestPromptThatVaries(t *testing.T) {
	cfg := config()
	cfg.Prompt, cfg.PromptVaries = regexp.MustCompile(`\*?mere-1\.\d+( \(setup\))? # `), true
	s := meet(t, cfg, func(p *peer) {
		n, star, mode := 1, "", ""
		prompt := func() { p.say(fmt.Sprintf("\x1b[1;32m%smere-1.%d%s #\x1b[0m ", star, n, mode)) }
		p.say("mere-1.0 # is what a banner says\r\n")
		prompt()
		for {
			l, err := p.line()
			if err != nil {
				return
			}
			p.say(l + "\r\n")
			n++
			switch l {
			case "tell log":
				p.say("mere-1.7 # old prompt\r\nmere-1.8 # ")
				_, _ = p.line() // the blank line comes while output is going on
				p.say("tell more\r\nend\r\n")
				prompt() // and the answer to that line
				p.say("\r\n")
				n++
			case "setup":
				mode = " (setup)"
			case "hold 30":
				star = "*"
			}
			prompt()
		}
	})
	for _, c := range []struct {
		dialogue.Command
		want string
	}{
		{dialogue.Command{Line: "tell nothing"}, ""},
		{dialogue.Command{Line: "tell log"}, "mere-1.7 # old prompt\nmere-1.8 # tell more\nend\n"},
		{dialogue.Command{Line: "setup", Act: true, Relearn: true}, ""},
		{dialogue.Command{Line: "hold 30", Act: true}, ""},
		{dialogue.Command{Line: "tell nothing"}, ""},
	} {
		if a := do(t, s, c.Command); string(a.Text) != c.want {
			t.Errorf("%q: got %q, want %q", c.Line, a.Text, c.want)
		}
	}
	if got := s.Prompt(); !strings.HasPrefix(got, "*mere-1.") {
		t.Errorf("the prompt is %q", got)
	}
}
