package cli

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"sync"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/plan"
)

// terminal asks the person at the terminal. Two may ask at once: a hold point,
// and what Ctrl-C is to do. A line answers the question that was asked last,
// and a line typed when nothing is asked answers nothing: what was meant for one
// question must never become consent to another.
type terminal struct {
	out  io.Writer
	view *view

	mu    sync.Mutex
	asked []*question // the last one is on the screen
	ended bool
}

type question struct {
	prompt string
	answer chan string // closed when nobody will answer
}

// newTerminal asks on out and takes the answers from in.
func newTerminal(in io.Reader, out io.Writer, v *view) *terminal {
	t := &terminal{out: out, view: v}
	go func() {
		s := bufio.NewScanner(in)
		for s.Scan() {
			t.give(strings.TrimSpace(s.Text()))
		}
		t.mu.Lock()
		defer t.mu.Unlock()
		t.ended = true
		for _, q := range t.asked {
			close(q.answer)
		}
		t.asked = nil
	}()
	return t
}

// give hands a line to the question on the screen.
func (t *terminal) give(l string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if n := len(t.asked); n > 0 {
		t.asked[n-1].answer <- l // of one, and each question gets one line
		t.asked = t.asked[:n-1]
	}
}

// line asks and returns one line of answer.
func (t *terminal) line(ctx context.Context, prompt string) (string, error) {
	q := &question{prompt: prompt, answer: make(chan string, 1)}
	t.mu.Lock()
	if t.ended {
		t.mu.Unlock()
		return "", app.ErrNobody
	}
	t.asked = append(t.asked, q)
	t.view.mute(true)
	fmt.Fprint(t.out, prompt)
	t.mu.Unlock()
	defer t.over(q)
	select {
	case l, ok := <-q.answer:
		if !ok {
			return "", app.ErrNobody
		}
		return l, nil
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// over takes a question away, and shows the one before it again.
func (t *terminal) over(q *question) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.asked = slices.DeleteFunc(t.asked, func(x *question) bool { return x == q })
	if n := len(t.asked); n > 0 {
		fmt.Fprint(t.out, t.asked[n-1].prompt)
		return
	}
	t.view.mute(false)
}

// askOrAgain asks what Ctrl-C is to do. Another Ctrl-C, or an end of the input,
// leaves the run as it stands.
func (t *terminal) askOrAgain(ctx context.Context, again <-chan os.Signal) string {
	actx, cancel := context.WithCancel(ctx)
	defer cancel()
	answer := make(chan string, 1)
	go func() {
		l, err := t.line(actx, "Stop and go back (b), leave the run as it stands for later (l), or go on (g)? ")
		if err != nil {
			l = "l"
		}
		answer <- l
	}()
	select {
	case l := <-answer:
		return l
	case <-again:
		return "l"
	}
}

// noName are answers of a tired hand that would otherwise be kept as the name
// of the person who consented.
var noName = map[string]bool{"y": true, "yes": true, "ok": true, "b": true, "l": true, "g": true, "n": true, "q": true, "quit": true, "exit": true}

// Consent implements [app.Asker].
func (t *terminal) Consent(ctx context.Context, st *conduct.State, step plan.Step) (app.Consent, error) {
	// The live block goes before anything is written, or it would take what is
	// written with it.
	t.view.mute(true)
	fmt.Fprintf(t.out, "\nHOLD POINT on %s, hop %d\n", st.Plan.Device, step.Hop+1)
	for _, c := range st.Plan.Cautions {
		t.page().lines("  ! ", c)
	}
	t.page().lines("  ", step.Hold.Ask)
	t.page().covers("  ", step)
	who := "your full name"
	if len(step.Hold.Persons) > 0 {
		who = "one of: " + strings.Join(step.Hold.Persons, ", ")
	}
	for {
		l, err := t.line(ctx, fmt.Sprintf("  To consent type %s. To refuse type no: ", who))
		switch {
		case err != nil:
			return app.Consent{}, err
		case l == "":
			continue
		case noName[strings.ToLower(l)]:
			fmt.Fprintf(t.out, "  %q is no name.\n", l)
			continue
		case strings.EqualFold(l, "no"):
			return app.Consent{Person: "the person at the terminal", Granted: false, Note: "typed no"}, nil
		case len(step.Hold.Persons) > 0 && !slices.Contains(step.Hold.Persons, l):
			fmt.Fprintf(t.out, "  %q may not consent here.\n", l)
			continue
		}
		return app.Consent{Person: l, Granted: true}, nil
	}
}

// Choose implements [app.Asker].
func (t *terminal) Choose(ctx context.Context, st *conduct.State) (app.Choice, error) {
	t.view.mute(true)
	fmt.Fprintf(t.out, "\nPAUSED on %s\n", st.Plan.Device)
	t.page().lines("  because: ", st.Failure.Text)
	t.page().lines("  now:     ", st.SafeState())
	for {
		l, err := t.line(ctx, fmt.Sprintf("  Choose one of %v, and your name, such as \"%s Ada Fenwick\": ", st.Choices, st.Choices[0]))
		if err != nil {
			return app.Choice{}, err
		}
		word, person, _ := strings.Cut(l, " ")
		person = strings.TrimSpace(person)
		if person == "" || !slices.Contains(st.Choices, conduct.Choice(word)) {
			continue
		}
		ch := app.Choice{Person: person, Choice: conduct.Choice(word)}
		if ch.Choice != conduct.Waive {
			return ch, nil
		}
		if names := st.WaivedBy(); len(names) > 0 && !slices.Contains(names, person) {
			fmt.Fprintf(t.out, "  %q may not waive a guard here; that may %s.\n", person, strings.Join(names, " or "))
			continue
		}
		tellWaiver(t.out, st)
		if ch.Reason, err = t.line(ctx, "  Why is it waived? One line, kept in the evidence; none to choose again: "); err != nil {
			return app.Choice{}, err
		}
		if ch.Reason != "" {
			return ch, nil
		}
	}
}

// consents answers hold points from a file, and nothing else: it is how a run
// goes on unattended.
type consents struct {
	mu   sync.Mutex
	list []consentLine
}

type consentLine struct{ hold, person string }

// readConsents reads a consent file: on each line a hold point, by its step id
// or phase or * for all, and the name of the person who consents. Lines that
// begin with # are remarks.
func readConsents(name string) (*consents, error) {
	b, err := os.ReadFile(name) // #nosec G304 -- the file the operator names
	if err != nil {
		return nil, usage("%v", err)
	}
	c := &consents{}
	for i, l := range strings.Split(string(b), "\n") {
		l = strings.TrimSpace(l)
		if l == "" || strings.HasPrefix(l, "#") {
			continue
		}
		hold, person, ok := strings.Cut(l, " ")
		if !ok || strings.TrimSpace(person) == "" {
			return nil, usage("%s:%d: found %q, want a hold point and the name of a person, such as \"upgrade-run Ada Fenwick\"", name, i+1, l)
		}
		c.list = append(c.list, consentLine{hold, strings.TrimSpace(person)})
	}
	return c, nil
}

// Consent implements [app.Asker].
func (c *consents) Consent(_ context.Context, _ *conduct.State, step plan.Step) (app.Consent, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, l := range c.list {
		if l.hold == "*" || l.hold == step.ID || l.hold == string(step.Phase) {
			if len(step.Hold.Persons) == 0 || slices.Contains(step.Hold.Persons, l.person) {
				return app.Consent{Person: l.person, Granted: true, Note: "by consent file"}, nil
			}
		}
	}
	return app.Consent{}, app.ErrNobody
}

// Choose implements [app.Asker]: a file never chooses.
func (c *consents) Choose(context.Context, *conduct.State) (app.Choice, error) {
	return app.Choice{}, app.ErrNobody
}

// page prints at the width of the run's view.
func (t *terminal) page() *view { return &view{out: t.out, columns: t.view.columns} }
