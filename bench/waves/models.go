package main

import (
	"fmt"
	"io"
	"strings"

	"towpath/internal/schedule"
)

// firstFit is a number of windows that are enough, by the simplest rule there
// is; it gives the general solvers their model's size.
func firstFit(p *schedule.Problem) int {
	win := make([]int, len(p.Items))
	used := 0
	for i := range p.Items {
		for w := 0; w < len(p.Items); w++ { // what fits nowhere is left to the solvers
			work := p.Items[i].Work
			ok := true
			for j := range i {
				if win[j] == w {
					work += p.Items[j].Work
				}
			}
			ok = p.Capacity == 0 || work <= p.Capacity
			for _, c := range p.Conflicts {
				if c.A == i && c.B < i && win[c.B] == w || c.B == i && c.A < i && win[c.A] == w {
					ok = false
				}
			}
			for _, g := range p.Groups {
				in, mine := 0, false
				for _, m := range g.Members {
					mine = mine || m == i
					if m < i && win[m] == w {
						in++
					}
				}
				ok = ok && (!mine || in < g.MaxDown)
			}
			if ok {
				win[i] = w
				used = max(used, w+1)
				break
			}
		}
	}
	return used
}

// writeLP writes the problem in the LP format: x is an item in a window, y a
// window that is used.
func writeLP(out io.Writer, p *schedule.Problem, windows int) error {
	var b strings.Builder
	b.WriteString("Minimize\n obj:") //nolint:misspell // a keyword of the format
	for w := range windows {
		fmt.Fprintf(&b, " + y%d", w)
	}
	b.WriteString("\nSubject To\n")
	n := 0
	row := func(terms, rest string) {
		n++
		fmt.Fprintf(&b, " c%d:%s %s\n", n, terms, rest)
	}
	for i := range p.Items {
		var t strings.Builder
		for w := range windows {
			fmt.Fprintf(&t, " + x%d_%d", i, w)
		}
		row(t.String(), "= 1")
	}
	for w := range windows {
		if w > 0 {
			row(fmt.Sprintf(" y%d - y%d", w-1, w), ">= 0")
		}
		var t strings.Builder
		for i, it := range p.Items {
			if it.Work > 0 {
				fmt.Fprintf(&t, " + %d x%d_%d", it.Work, i, w)
			}
			row(fmt.Sprintf(" x%d_%d - y%d", i, w, w), "<= 0")
		}
		if p.Capacity > 0 && p.Capacity != schedule.Unlimited && t.Len() > 0 {
			row(fmt.Sprintf("%s - %d y%d", t.String(), p.Capacity, w), "<= 0")
		}
		for _, c := range p.Conflicts {
			row(fmt.Sprintf(" x%d_%d + x%d_%d - y%d", c.A, w, c.B, w, w), "<= 0")
		}
		for _, g := range p.Groups {
			var t strings.Builder
			for _, m := range g.Members {
				fmt.Fprintf(&t, " + x%d_%d", m, w)
			}
			row(fmt.Sprintf("%s - %d y%d", t.String(), g.MaxDown, w), "<= 0")
		}
	}
	b.WriteString("Binary\n")
	for w := range windows {
		fmt.Fprintf(&b, " y%d\n", w)
		for i := range p.Items {
			fmt.Fprintf(&b, " x%d_%d\n", i, w)
		}
	}
	b.WriteString("End\n")
	_, err := io.WriteString(out, b.String())
	return err
}

// writeMiniZinc writes the problem as a constraint model. A window is opened only
// when the ones before it are, so that their names do not matter.
func writeMiniZinc(out io.Writer, p *schedule.Problem, windows int) error {
	var b strings.Builder
	n := len(p.Items)
	b.WriteString("include \"bin_packing.mzn\";\n")
	fmt.Fprintf(&b, "array[1..%d] of var 1..%d: w;\narray[0..%d] of var 0..%d: top;\nconstraint top[0] = 0;\n", n, windows, n, windows)
	fmt.Fprintf(&b, "constraint forall(i in 1..%d)(w[i] <= top[i-1] + 1 /\\ top[i] = max(top[i-1], w[i]));\n", n)
	if p.Capacity > 0 && p.Capacity != schedule.Unlimited {
		var s []string
		for _, it := range p.Items {
			s = append(s, fmt.Sprint(it.Work))
		}
		fmt.Fprintf(&b, "constraint bin_packing(%d, w, [%s]);\n", p.Capacity, strings.Join(s, ","))
	}
	for _, c := range p.Conflicts {
		fmt.Fprintf(&b, "constraint w[%d] != w[%d];\n", c.A+1, c.B+1)
	}
	for _, g := range p.Groups {
		var s []string
		for _, m := range g.Members {
			s = append(s, fmt.Sprintf("w[%d]", m+1))
		}
		fmt.Fprintf(&b, "constraint forall(v in 1..%d)(sum(m in [%s])(bool2int(m = v)) <= %d);\n", windows, strings.Join(s, ","), g.MaxDown)
	}
	fmt.Fprintf(&b, "solve :: int_search(w, first_fail, indomain_min) minimize top[%d];\noutput [\"windows \", show(top[%d]), \"\\n\"];\n", n, n) //nolint:misspell // a keyword of the language
	_, err := io.WriteString(out, b.String())
	return err
}
