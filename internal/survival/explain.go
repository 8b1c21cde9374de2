package survival

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// columns is how wide a line of text for people may be.
const columns = 100

// Explain writes where the forecast of one adjacency comes from: the outcome,
// the sentence that decides, whose timer ends it, what it stands on, what it
// would cost, and every value it rests on with its source: those that the device
// told first, then those of standards and measurements, and last those that are
// assumed. It is text of several lines of up to 100 columns.
func Explain(a AdjacencyForecast) string {
	var b strings.Builder
	line := func(head, text string) { wrapped(&b, fmt.Sprintf("  %-9s ", head), text) }
	head, gap := fmt.Sprintf("%s, survives with probability %s", strings.ReplaceAll(string(a.Outcome), "-", " "), chance(a.Survive)), " "
	if utf8.RuneCountInString(a.Name()+": "+head) > columns {
		gap = "\n    "
	}
	b.WriteString(a.Name() + ":" + gap + head + "\n")
	line("because", a.Why)
	line("source", a.Source)
	if a.Timer != "" {
		line("timer", a.Timer)
	}
	if a.Safe > 0 {
		line("safe", fmt.Sprintf("up to %s by its own timers", short(a.Safe.Seconds())))
	}
	for i, s := range a.StandsOn {
		head := ""
		if i == 0 {
			head = "stands on"
		}
		if i < len(a.Below) {
			s += ", which holds with probability " + chance(a.Below[i])
		}
		line(head, s)
	}
	if a.Alone != a.Survive {
		line("alone", "it would survive with probability "+chance(a.Alone))
	}
	switch {
	case !a.Carries:
		line("traffic", "none rides on it")
	default:
		line("traffic", fmt.Sprintf("expected loss %s; if lost, %s; one silence can cost %s", a.Loss, a.IfLost, a.Range))
	}
	for _, group := range []struct {
		title string
		in    func(Input) bool
	}{
		{"told by the device", func(in Input) bool { return !in.Assumed && in.Source == "the device" }},
		{"by a standard, by measurement or by whoever asks", func(in Input) bool { return !in.Assumed && in.Source != "the device" }},
		{"assumed, because nobody told", func(in Input) bool { return in.Assumed }},
	} {
		title := "  " + group.title + "\n"
		for _, in := range a.Inputs {
			if !group.in(in) {
				continue
			}
			b.WriteString(title)
			title = ""
			mark, source := " ", ""
			if in.Assumed {
				mark = "?"
			}
			if in.Source != "the device" || in.Assumed {
				source = " [" + in.Source + "]"
			}
			wrapped(&b, "  "+mark+" ", in.Name+": "+in.Value+source)
		}
	}
	for _, c := range a.Cautions {
		line("caution", c)
	}
	return b.String()
}

// wrapped writes text behind a head, broken between words so that a line keeps
// to its columns, and further lines below the first word.
func wrapped(b *strings.Builder, head, text string) {
	width := utf8.RuneCountInString(head)
	b.WriteString(head)
	at := width
	for i, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case at+1+n > columns:
			b.WriteString("\n" + strings.Repeat(" ", width))
			at = width
		default:
			b.WriteString(" ")
			at++
		}
		b.WriteString(word)
		at += n
	}
	b.WriteString("\n")
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
