package runbook

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"towpath/internal/paper"
	"towpath/internal/plan"
)

// availability says what the campaign takes from the year's budget of downtime.
func (b *briefing) availability() {
	c := b.c.Availability
	if c == nil {
		return
	}
	b.add(paper.Heading{Level: 2, Text: "What it costs in availability"})
	b.say("A target of %s leaves %s of downtime in a year of 365.25 days, for each redundancy group and for each device that is in none. One device fails once in %s on the average and is restored in %s: by itself it is up %s of the time. Failures are taken as independent.",
		percent(c.Target), small(c.Budget), hoursLong(c.Between), hoursLong(c.Repair), percent(c.Device))
	if len(c.Teams) == 0 {
		b.say("No device is worked on.")
		return
	}
	const most = 25
	shown := c.Teams[:min(most, len(c.Teams))]
	caption := "Expected downtime"
	if len(c.Teams) > most {
		caption = fmt.Sprintf("Expected downtime of the %d of %d groups and devices from which the campaign takes the most", most, len(c.Teams))
	}
	t := figures(caption, []string{"Group or device", "Must stay", "By failures, a year", "Added by restarts", "Added, were it out for all its work", "Share of the year's budget", "Serves"}, 2, 3, 4, 5)
	over := 0
	for _, x := range c.Teams {
		if x.Work > c.Budget {
			over++
		}
	}
	for _, x := range shown {
		r := paper.Cells(x.Name, fmt.Sprintf("%d of %d", x.AtLeast, x.Members), small(x.Failures), small(x.Restarts), small(x.Work), budgetShare(x, c.Budget), orDash(strings.Join(x.Serves, ", ")))
		r.Mark = x.Restarts > c.Budget
		t.Rows = append(t.Rows, r)
	}
	b.add(t)
	b.say("What the campaign adds is the chance, while its devices are out, that fewer of the others are up than must stay, less that of the same without the campaign. A device is out at least while it restarts as a whole, and at most from the start of its work to its end; in between it forwards, unless a hand-over of its control plane goes wrong.")
	if over > 0 {
		b.say("From %d of %d more than the budget of a whole year would go, were their devices out for all their work.", over, len(c.Teams))
	}
}

// budgetShare is what the campaign adds over what a year may take, from restarts
// alone to all of the work.
func budgetShare(t plan.TeamCost, budget time.Duration) string {
	if budget <= 0 {
		return "no budget"
	}
	low, high := share2(t.Restarts, budget), share2(t.Work, budget)
	if low == high {
		return high
	}
	return low + " to " + high
}

func share2(d, budget time.Duration) string {
	switch x := 100 * float64(d) / float64(budget); {
	case d <= 0:
		return "0"
	case x < 0.01:
		return "<0.01 %"
	case x < 10:
		return fmt.Sprintf("%.2f %%", x)
	default:
		return fmt.Sprintf("%.0f %%", x)
	}
}

// percent writes an availability with all of its nines.
func percent(a float64) string {
	// To three digits of what is missing to all of the time.
	digits := 10
	if gone := 100 * (1 - a); gone > 0 {
		digits = min(digits, max(0, 2-int(math.Floor(math.Log10(gone)))))
	}
	s := strconv.FormatFloat(100*a, 'f', digits, 64)
	if digits == 0 {
		return s + " %"
	}
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	return s + " %"
}

// small is a duration that may be far below a second.
func small(d time.Duration) string {
	switch {
	case d <= 0:
		return "none"
	case d < time.Microsecond:
		return "<1µs"
	case d < time.Millisecond:
		return d.Round(time.Microsecond).String()
	}
	return short(d)
}

// hoursLong is a long time in hours, as reliability figures are given.
func hoursLong(d time.Duration) string {
	if d >= 100*time.Hour && d%time.Hour == 0 {
		return fmt.Sprintf("%d h", d/time.Hour)
	}
	return short(d)
}
