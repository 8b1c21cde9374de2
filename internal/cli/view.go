package cli

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/plan"
)

// view shows a run as it goes on: a line for each record, and on a terminal a
// few lines below them that are drawn anew while a step goes on.
type view struct {
	mu       sync.Mutex
	out      io.Writer
	live     bool // a terminal that lines can be drawn anew on
	drawn    int  // lines of the block on the screen
	lastDraw time.Time
	begun    time.Time
	window   time.Time // end of the window, zero where none was given
	back     func(st *conduct.State) time.Duration
	muted    bool // while a person is asked
	columns  func() int
}

const drawEvery = 100 * time.Millisecond

// show takes one report of the conductor.
func (v *view) show(p app.Progress) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.begun.IsZero() {
		v.begun = p.Now
	}
	if p.Record != nil {
		v.erase()
		v.record(p)
	}
	if v.live && !v.muted && (p.Record != nil || time.Since(v.lastDraw) > drawEvery) {
		v.erase()
		v.draw(p)
		v.lastDraw = time.Now()
	}
}

// record prints one record as a line that stays.
func (v *view) record(p app.Progress) {
	r := p.Record
	word := map[conduct.RecordKind]string{
		conduct.RunBegun: "begun", conduct.Acted: "asked", conduct.StepDone: "done", conduct.StepFailed: "FAILED",
		conduct.GuardBroke: "GUARD", conduct.BackPlanned: "BACK", conduct.NoWayBack: "NO WAY BACK", conduct.Chosen: "chosen", conduct.Finished: "END",
	}[r.Kind]
	if word == "" || r.Kind == conduct.Acted && r.Data == nil {
		return
	}
	text := r.Text
	title := titleOf(p.State, r.Step)
	if title != "" && (r.Kind == conduct.StepFailed || r.Kind == conduct.GuardBroke || r.Kind == conduct.StepDone && !strings.Contains(text, title)) {
		sep := ": "
		if strings.HasSuffix(title, ".") || strings.HasSuffix(title, "?") {
			sep = " "
		}
		text = title + sep + text
	}
	// A record of an earlier session is shown by the clock of this one.
	v.lines(fmt.Sprintf("%s  %-6s ", r.At.In(p.Now.Location()).Format("15:04:05"), word), text)
}

func titleOf(st *conduct.State, id string) string {
	for _, list := range [][]plan.Step{st.Steps, st.Plan.Steps} {
		for _, s := range list {
			if s.ID == id {
				return s.Title
			}
		}
	}
	return ""
}

// wide is how many columns there are.
func (v *view) wide() int {
	if v.columns == nil {
		return width
	}
	return v.columns()
}

// lines prints s under a prefix within the width of a terminal.
func (v *view) lines(prefix, s string) {
	width := v.wide()
	indent := strings.Repeat(" ", utf8.RuneCountInString(prefix))
	line, empty := prefix, true
	for _, word := range strings.Fields(s) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			fmt.Fprintln(v.out, strings.TrimRight(line, " "))
			line, empty = indent, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	fmt.Fprintln(v.out, strings.TrimRight(line, " "))
}

// covers prints what the consent at a hold point covers: each step that can touch
// traffic before the next one, with what it is foretold to cost.
func (v *view) covers(indent string, step plan.Step) {
	if len(step.Hold.Ahead) == 0 {
		v.lines(indent, "No step before the next hold point touches traffic.")
		return
	}
	v.lines(indent, "The consent covers, before the next hold point:")
	for _, e := range step.Hold.Ahead {
		v.lines(indent+"- ", e.Text())
	}
}

// draw draws the block of what goes on now.
func (v *view) draw(p app.Progress) {
	st := p.State
	step, ok := st.Step()
	if !ok {
		return
	}
	way := fmt.Sprintf("step %d of %d", st.Cursor+1, len(st.Steps))
	if st.Back {
		way = "way back, " + way
	}
	var expected time.Duration
	for _, s := range st.Steps[:st.Cursor] {
		expected += s.Expect.Mean()
	}
	ran, width := p.Now.Sub(v.begun), v.wide()
	cut := func(s string) string { return cutTo(s, width) }
	against := fmt.Sprintf("%v by the clock, %v by the plan", ran.Round(time.Second), expected.Round(time.Second))
	block := []string{
		strings.Repeat("─", width),
		cut(fmt.Sprintf("%s, %s: %s", way, step.Phase, step.Title)),
		cut("  " + progressOf(p, step)),
		cut("  " + against + v.rollback(p)),
		cut(fmt.Sprintf("  test traffic: %d sent, %d lost, longest outage %v; nothing lost for %v. Ctrl-C asks.", p.Loss.Sent, p.Loss.Lost,
			p.Loss.Worst.Round(time.Millisecond), p.Loss.Clean.Round(100*time.Millisecond))),
	}
	for _, l := range block {
		fmt.Fprintln(v.out, l)
	}
	v.drawn = len(block)
}

// progressOf says how far the step is.
func progressOf(p app.Progress, step plan.Step) string {
	if step.Hold != nil {
		return fmt.Sprintf("waiting for consent for %v", p.Elapsed.Round(time.Second))
	}
	if p.Record != nil {
		return fmt.Sprintf("takes about %v, at most %v", step.Expect.Mean().Round(time.Second), step.Deadline.Round(time.Second))
	}
	return fmt.Sprintf("%v of about %v, at most %v; %s", p.Elapsed.Round(time.Second), step.Expect.Mean().Round(time.Second), step.Deadline.Round(time.Second), p.Text)
}

// rollback says how long a way back may still wait.
func (v *view) rollback(p app.Progress) string {
	if v.window.IsZero() || v.back == nil || p.State.Back {
		return ""
	}
	left := v.window.Sub(p.Now) - v.back(p.State)
	if left < 0 {
		return "; a way back NO LONGER fits into the window"
	}
	return fmt.Sprintf("; a way back must begin within %v", left.Round(time.Second))
}

func cutTo(s string, width int) string {
	r := []rune(s)
	if len(r) > width {
		return string(r[:width-1]) + "…"
	}
	return s
}

// erase takes the block off the screen.
func (v *view) erase() {
	if v.drawn > 0 {
		fmt.Fprintf(v.out, "\x1b[%dA\x1b[J", v.drawn)
		v.drawn = 0
	}
}

// mute takes the block away while a person is asked, and back.
func (v *view) mute(on bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.muted = on
	if on {
		v.erase()
	}
}
