package cli

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"towpath/internal/app"
	"towpath/internal/network"
	"towpath/internal/unit"
)

// grid prints rows in columns within the width of a terminal. Columns of which
// right is true stand at their right edge; the widest of the others are cut
// where a row would be too long.
func (e *env) grid(head []string, right []bool, rows [][]string) {
	widths, width := make([]int, len(head)), e.columns()
	for _, r := range append([][]string{head}, rows...) {
		for i, c := range r {
			widths[i] = max(widths[i], utf8.RuneCountInString(c))
		}
	}
	for {
		sum := 2 * len(widths)
		for _, w := range widths {
			sum += w
		}
		if sum <= width {
			break
		}
		widest := -1
		for i, w := range widths {
			if !right[i] && w > 8 && (widest < 0 || w > widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			break
		}
		widths[widest]--
	}
	for k, r := range append([][]string{head}, rows...) {
		if k == 0 && strings.Join(head, "") == "" {
			continue
		}
		line := ""
		for i, c := range r {
			pad := max(0, widths[i]-utf8.RuneCountInString(c))
			c = cutMiddle(c, widths[i])
			if right[i] {
				line += "  " + strings.Repeat(" ", pad) + c
			} else {
				line += "  " + c + strings.Repeat(" ", pad)
			}
		}
		e.printf("%s\n", strings.TrimRight(line, " "))
	}
}

// cutMiddle leaves out the middle of what is too long, as names differ at their
// ends.
func cutMiddle(s string, most int) string {
	r := []rune(s)
	if len(r) <= most || most < 3 {
		return s
	}
	tail := (most - 1) / 2
	return string(r[:most-1-tail]) + "…" + string(r[len(r)-tail:])
}

// verdictWords are the verdicts as people read them.
func verdictWords(v network.Verdict) string {
	switch v {
	case network.Holds:
		return "HOLDS"
	case network.Uncertain:
		return "MAY NOT HOLD"
	case network.Fails:
	}
	return "DOES NOT HOLD"
}

// answerView prints what a network carries.
type answerView struct {
	e   *env
	l   *app.Carried
	a   *network.Answer
	all bool
}

func (v answerView) volume(x float64) string { return app.Volume(x, v.l.Network.Unit()) }

func percentOf(x float64) string { return unit.Percent(x) }

func count(n int, what string) string {
	switch n {
	case 0:
		return "none"
	default:
		return unit.Counted(n, what)
	}
}

// few is how many rows of a list are printed without --all.
const few = 10

// rest cuts a list to what is shown, and says how many are not.
func rest[T any](v answerView, list []T) (shown []T, more string) {
	if v.all || len(list) <= few {
		return list, ""
	}
	return list[:few], fmt.Sprintf("and %d more; --all prints them", len(list)-few)
}

func (v answerView) more(s string) {
	if s != "" {
		v.e.printf("  %s\n", s)
	}
}

func (v answerView) show(what string) {
	e, a := v.e, v.a
	e.wrap(verdictWords(a.Verdict)+"  ", fmt.Sprintf("with %s (limit %s)", what, percentOf(a.Limit)))
	for _, r := range a.Reasons {
		e.wrap("  because: ", r)
	}
	if a.Verdict != network.Holds && !a.Worsened {
		e.wrap("  ", "The change makes none of this worse: all of it is so with nothing out.")
	}
	for _, c := range a.Cautions {
		e.wrap("  caution: ", c)
	}
	e.printf("\n")
	v.summary()
	v.lost()
	v.single()
	v.links()
	v.failures()
	e.printf("\n")
	e.wrap("demands: ", v.l.Source)
	if x := v.l.Estimation; x != nil {
		e.wrap("  ", fmt.Sprintf("The estimate leaves %.2f %% of the counted rates unexplained (the gravity prior %.1f %%). Of the busiest link after the change it is off by %.1f %% or less in 95 %% of cases.", 100*x.Misfit, 100*x.PriorMisfit, 100*a.Band))
	}
	for _, n := range v.l.Notes {
		e.wrap("note: ", n)
	}
}

// summary is the table of before and after.
func (v answerView) summary() {
	a := v.a
	busiest := func(s network.Summary) (use, where string) {
		if s.Where == "" {
			return "idle", ""
		}
		return percentOf(s.MaxUtilisation), s.From + " to " + s.To
	}
	lost := func(s network.Summary, before bool) string {
		n := 0
		for _, l := range a.Lost {
			if l.Before || !before {
				n++
			}
		}
		if n == 0 {
			return "none"
		}
		return count(n, "demand") + ", " + v.volume(s.Dropped+s.Unroutable)
	}
	useA, whereA := busiest(a.Before)
	useB, whereB := busiest(a.After)
	if a.Most-a.Least >= 0.001 {
		useB = fmt.Sprintf("%s (%.1f to %.1f %%)", useB, 100*a.Least, 100*a.Most)
	}
	newly := 0
	for _, s := range a.SinglePath {
		if !s.Before {
			newly++
		}
	}
	single := count(len(a.SinglePath), "demand")
	if newly > 0 && newly < len(a.SinglePath) {
		single += fmt.Sprintf(", %d newly", newly)
	}
	head, right := []string{"", "now", "after the change"}, make([]bool, 3)
	rows := [][]string{
		{"busiest link", useA, useB}, {"", whereA, whereB},
		{"demand lost", lost(a.Before, true), lost(a.After, false)},
		{"on a single path", "", single},
		{"groups too small", v.short(true), v.short(false)},
	}
	if len(a.Failures) > 0 {
		most, demands, volume := 0.0, 0, 0.0
		for _, f := range a.Failures {
			most, demands, volume = max(most, f.MaxUtilisation), max(demands, f.NewlyLostDemands), max(volume, f.NewlyLost)
		}
		head, right = append(head, "with one more failure"), append(right, false)
		for i := range rows {
			rows[i] = append(rows[i], "")
		}
		rows[0][3], rows[2][3], rows[4][3] = percentOf(most), "none", v.groupsWithFailure()
		if demands > 0 {
			rows[2][3] = fmt.Sprintf("up to %d more, %s", demands, v.volume(volume))
		}
	}
	v.e.grid(head, right, rows)
}

// short names the redundancy groups below their minimum.
func (v answerView) short(before bool) string {
	var out []string
	for _, g := range v.a.BelowMinimum {
		if g.Before || !before {
			out = append(out, fmt.Sprintf("%s (%d of %d)", g.Name, len(g.InService), g.AtLeast))
		}
	}
	return cmp.Or(strings.Join(out, ", "), "none")
}

func (v answerView) groupsWithFailure() string {
	var names []string
	for _, f := range v.a.Failures {
		for _, g := range f.Groups {
			if !slices.Contains(names, g) {
				names = append(names, g)
			}
		}
	}
	slices.Sort(names)
	return cmp.Or(strings.Join(names, ", "), "none")
}

func (v answerView) lost() {
	if len(v.a.Lost) == 0 {
		return
	}
	v.e.printf("\ndemands that are lost\n")
	shown, more := rest(v, v.a.Lost)
	var rows [][]string
	for _, l := range shown {
		why := l.Why
		if l.Before {
			why += ", even with nothing out"
		}
		rows = append(rows, []string{l.Name, l.From + " to " + l.To, v.volume(l.Volume), why})
	}
	v.e.grid(make([]string, 4), []bool{false, false, true, false}, rows)
	v.more(more)
}

func (v answerView) single() {
	list := slices.Clone(v.a.SinglePath)
	if len(list) == 0 {
		return
	}
	slices.SortStableFunc(list, func(a, b network.SinglePath) int {
		return cmp.Or(cmp.Compare(truth(a.Before), truth(b.Before)), -cmp.Compare(a.Volume, b.Volume))
	})
	v.e.printf("\ndemands left with a single path\n")
	shown, more := rest(v, list)
	var rows [][]string
	for _, s := range shown {
		hangs := "hangs on " + strings.Join(s.Links, ", ")
		if s.Before {
			hangs += ", as before"
		}
		rows = append(rows, []string{s.Name, s.From + " to " + s.To, v.volume(s.Volume), hangs})
	}
	v.e.grid(make([]string, 4), []bool{false, false, true, false}, rows)
	v.more(more)
}

func truth(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (v answerView) links() {
	list := slices.DeleteFunc(slices.Clone(v.a.Arcs), func(u network.ArcUse) bool { return u.LoadBefore == 0 && u.LoadAfter == 0 })
	if len(list) == 0 {
		return
	}
	v.e.printf("\nlinks, busiest after the change first\n")
	shown, more := rest(v, list)
	var rows [][]string
	for _, u := range shown {
		after, of := percentOf(u.UtilisationAfter), ""
		switch {
		case !u.Up:
			after = "down"
		case u.UtilisationAfter > v.a.Limit*(1+1e-9):
			after = "! " + after
		}
		if u.Capacity > 0 {
			of = "of " + v.volume(u.Capacity)
		}
		rows = append(rows, []string{u.Link, u.From + " to " + u.To, percentOf(u.UtilisationBefore), after, v.volume(u.LoadAfter), of})
	}
	v.e.grid([]string{"", "", "now", "after", "load", ""}, []bool{false, false, true, true, true, false}, rows)
	v.more(more)
}

func (v answerView) failures() {
	a := v.a
	if len(a.Failures) == 0 {
		return
	}
	bad := slices.DeleteFunc(slices.Clone(a.Failures), func(f network.Failure) bool { return f.Verdict == network.Holds && len(f.Groups) == 0 })
	if len(bad) == 0 {
		v.e.printf("\nall of %d further failures hold\n", len(a.Failures))
		return
	}
	slices.SortStableFunc(bad, func(a, b network.Failure) int { return cmp.Compare(truth(a.Before), truth(b.Before)) })
	v.e.printf("\nfurther failures that matter, %d of %d\n", len(bad), len(a.Failures))
	shown, more := rest(v, bad)
	var rows [][]string
	for _, f := range shown {
		var what []string
		if f.NewlyLostDemands > 0 {
			what = append(what, fmt.Sprintf("cuts off %s, %s", count(f.NewlyLostDemands, "demand"), v.volume(f.NewlyLost)))
		}
		if f.Verdict != network.Holds && f.NewlyLostDemands == 0 {
			what = append(what, fmt.Sprintf("%s to %s at %s", f.From, f.To, percentOf(f.MaxUtilisation)))
			if f.Verdict == network.Uncertain {
				what[len(what)-1] += ", near the limit"
			}
		}
		if len(f.Groups) > 0 {
			what = append(what, "too few left in "+strings.Join(f.Groups, ", "))
		}
		if f.Before {
			what = append(what, "as with nothing out")
		}
		rows = append(rows, []string{string(f.Kind), f.Element, v.between(f), strings.Join(what, "; ")})
	}
	if !slices.ContainsFunc(rows, func(r []string) bool { return r[2] != "" }) {
		for i, r := range rows {
			rows[i] = slices.Delete(r, 2, 3)
		}
	}
	v.e.grid(make([]string, len(rows[0])), make([]bool, len(rows[0])), rows)
	v.more(more)
}

// between names the ends of a link that fails, where its name is one that a file
// without names of links made us give it.
func (v answerView) between(f network.Failure) string {
	if f.Kind != network.ElementLink || v.l.Fleet != nil {
		return ""
	}
	for _, a := range v.l.Network.Arcs() {
		if a.Link == f.Element {
			if strings.Contains(a.Link, a.From) && strings.Contains(a.Link, a.To) {
				return ""
			}
			return a.From + " to " + a.To
		}
	}
	return ""
}
