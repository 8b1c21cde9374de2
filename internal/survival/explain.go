package survival

import (
	"fmt"
	"strings"
	"time"
)

// Explain writes where the forecast of one adjacency comes from: the outcome,
// the sentence that decides, every value it rests on with its source, what it
// stands on, and what it would cost. It is text of several lines.
func Explain(a AdjacencyForecast) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s, survives with probability %s\n", a.Name(), strings.ReplaceAll(string(a.Outcome), "-", " "), chance(a.Survive))
	fmt.Fprintf(&b, "  because  %s\n", a.Why)
	fmt.Fprintf(&b, "  source   %s\n", a.Source)
	if a.Safe > 0 {
		fmt.Fprintf(&b, "  safe     up to %v by its own timers\n", a.Safe.Round(time.Millisecond))
	}
	for i, s := range a.StandsOn {
		head := "         "
		if i == 0 {
			head = "stands on"
		}
		fmt.Fprintf(&b, "  %s %s\n", head, s)
	}
	if a.Alone != a.Survive {
		fmt.Fprintf(&b, "  alone    it would survive with probability %s\n", chance(a.Alone))
	}
	switch {
	case !a.Carries:
		fmt.Fprintf(&b, "  traffic  none rides on it\n")
	default:
		fmt.Fprintf(&b, "  traffic  expected loss %s; if lost, %s; one silence can cost %s\n", a.Loss, a.IfLost, a.Range)
	}
	width := 0
	for _, in := range a.Inputs {
		width = max(width, len(in.Name))
	}
	for _, in := range a.Inputs {
		mark := " "
		if in.Assumed {
			mark = "?"
		}
		fmt.Fprintf(&b, "  %s %-*s  %s  [%s]\n", mark, width, in.Name, in.Value, in.Source)
	}
	for _, c := range a.Cautions {
		fmt.Fprintf(&b, "  caution  %s\n", c)
	}
	if strings.Contains(b.String(), "\n  ? ") {
		b.WriteString("  ? marks a value that the device did not tell and that is assumed\n")
	}
	return b.String()
}

// String writes the interval as "0.2 s to 5.1 s", or one figure where both
// ends round to the same.
func (i Interval) String() string {
	l, m := fmt.Sprintf("%.3g", i.Least), fmt.Sprintf("%.3g", i.Most)
	if l == m {
		return l + " s"
	}
	return l + " s to " + m + " s"
}
