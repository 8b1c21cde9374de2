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

// terminal asks the person at the terminal.
type terminal struct {
	out   io.Writer
	lines <-chan string
	view  *view
}

// readLines reads lines until the input ends; then the channel is closed.
func readLines(in io.Reader) <-chan string {
	ch := make(chan string)
	go func() {
		defer close(ch)
		s := bufio.NewScanner(in)
		for s.Scan() {
			ch <- strings.TrimSpace(s.Text())
		}
	}()
	return ch
}

// line asks and returns one line of answer.
func (t *terminal) line(ctx context.Context, prompt string) (string, error) {
	t.view.mute(true)
	defer t.view.mute(false)
	fmt.Fprint(t.out, prompt)
	select {
	case l, ok := <-t.lines:
		if !ok {
			return "", app.ErrNobody
		}
		return l, nil
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// Consent implements [app.Asker].
func (t *terminal) Consent(ctx context.Context, st *conduct.State, step plan.Step) (app.Consent, error) {
	fmt.Fprintf(t.out, "\nHOLD POINT on %s, hop %d\n", st.Plan.Device, step.Hop+1)
	for _, c := range st.Plan.Cautions {
		(&view{out: t.out}).lines("  ! ", c)
	}
	(&view{out: t.out}).lines("  ", step.Hold.Ask)
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
	fmt.Fprintf(t.out, "\nPAUSED on %s\n", st.Plan.Device)
	(&view{out: t.out}).lines("  because: ", st.Failure.Text)
	(&view{out: t.out}).lines("  now:     ", st.SafeState())
	for {
		l, err := t.line(ctx, fmt.Sprintf("  Choose one of %v, and your name, such as \"%s Ada Fenwick\": ", st.Choices, st.Choices[0]))
		if err != nil {
			return app.Choice{}, err
		}
		word, person, _ := strings.Cut(l, " ")
		if person != "" && slices.Contains(st.Choices, conduct.Choice(word)) {
			return app.Choice{Person: strings.TrimSpace(person), Choice: conduct.Choice(word)}, nil
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
