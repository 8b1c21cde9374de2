package runbook

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/emersion/go-ical"

	"towpath/internal/plan"
	"towpath/internal/unit"
)

// Window is the time that a plan is to be carried out in. A zero End is found
// from the plan: the steps' longest durations, hold points not counted.
type Window struct{ Start, End time.Time }

// appointment is one event of a calendar.
type appointment struct {
	uid, summary, text string
	start, end         time.Time
}

// WriteCalendar writes the plan as an iCalendar with one event, in the window
// given. Its identifier is that of device and plan, so that a calendar takes a
// second file of the same plan for the same event. Source: RFC 5545 §3.6.1. It is
// an error when the window has no start, as an event must have one, or ends
// before it.
func WriteCalendar(w io.Writer, p *plan.Plan, at Window) error {
	page, err := PageOf(p)
	if err != nil {
		return err
	}
	if at.Start.IsZero() {
		return errors.New("runbook: a calendar needs the start of the window")
	}
	end := at.End
	if end.IsZero() {
		end = at.Start
		for _, s := range p.Steps {
			end = end.Add(max(s.Expect.Most, s.Expect.Likely))
		}
	}
	if !end.After(at.Start) {
		return fmt.Errorf("runbook: the window ends at %s, not after its start at %s", end.Format(time.RFC3339), at.Start.Format(time.RFC3339))
	}
	var b strings.Builder
	for _, c := range page.Cautions {
		fmt.Fprintf(&b, "CAUTION: %s\n", c)
	}
	fmt.Fprintf(&b, "\nPlan SHA-256 %s\nAbout %s, hold points not counted.\n", page.Digest, page.Total)
	if len(page.Partners) > 0 {
		fmt.Fprintf(&b, "Partners that must stay in service: %s\n", strings.Join(page.Partners, ", "))
	}
	if len(page.Serves) > 0 {
		fmt.Fprintf(&b, "Serves: %s\n", strings.Join(page.Serves, ", "))
	}
	for _, h := range page.Hops {
		fmt.Fprintf(&b, "\nHop %d: %s to %s, %s\n", h.N, h.From, h.To, h.Method)
		for _, x := range [][2]string{{"control plane silent", h.Silence}, {"probability that nothing drops", h.Untouched}, {"way back", h.Back}, {"point of no return", h.NoReturnAt}} {
			if x[1] != "" {
				fmt.Fprintf(&b, "%s: %s\n", x[0], x[1])
			}
		}
	}
	b.WriteString("\n")
	for _, s := range page.Steps {
		mark := ""
		if s.NoReturn {
			mark = "POINT OF NO RETURN: "
		}
		fmt.Fprintf(&b, "%d. %s %s%s\n", s.N, s.Clock, mark, s.Title)
		if s.Traffic != "" {
			fmt.Fprintf(&b, "   traffic lost: %s\n", s.Traffic)
		}
		for _, x := range s.Covers {
			fmt.Fprintf(&b, "   covers %s\n", x)
		}
	}
	return calendar(w, p.MadeAt, []appointment{{
		uid: fmt.Sprintf("%s-%s@towpath", page.Device, page.Digest[:16]), summary: fmt.Sprintf("%s: %s to %s", page.Device, page.From, page.To),
		text: strings.TrimSpace(b.String()), start: at.Start, end: end,
	}})
}

// calendar writes the appointments; stamp is the instant of their making.
func calendar(w io.Writer, stamp time.Time, list []appointment) error {
	if len(list) == 0 {
		return errors.New("runbook: there is nothing to put into a calendar")
	}
	cal := ical.NewCalendar()
	cal.Props.SetText(ical.PropVersion, "2.0")
	cal.Props.SetText(ical.PropProductID, "-//towpath//EN")
	for _, a := range list {
		e := ical.NewEvent()
		e.Props.SetText(ical.PropUID, a.uid)
		e.Props.SetDateTime(ical.PropDateTimeStamp, stamp.UTC())
		e.Props.SetDateTime(ical.PropDateTimeStart, a.start.UTC())
		e.Props.SetDateTime(ical.PropDateTimeEnd, a.end.UTC())
		e.Props.SetText(ical.PropSummary, a.summary)
		e.Props.SetText(ical.PropDescription, a.text)
		cal.Children = append(cal.Children, e.Component)
	}
	var b bytes.Buffer
	if err := ical.NewEncoder(&b).Encode(cal); err != nil {
		return fmt.Errorf("runbook: calendar: %w", err)
	}
	if _, err := w.Write(unit.Folded(b.Bytes())); err != nil {
		return fmt.Errorf("runbook: write: %w", err)
	}
	return nil
}
