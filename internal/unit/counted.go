package unit

import (
	"fmt"
	"math"
	"strings"
)

// Counted is a number with its word, which is given in the singular: "1 setting",
// "0 settings", "2 adjacencies". Of several words the last takes the plural.
func Counted[N ~int | ~int64 | ~uint64](n N, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %s", n, plural(word))
}

// CountedWith is [Counted] with the verb that goes with it, given for one and for
// more: "1 adjacency is", "2 adjacencies are".
func CountedWith[N ~int | ~int64 | ~uint64](n N, word, one, more string) string {
	if n == 1 {
		more = one
	}
	return Counted(n, word) + " " + more
}

// plural is the regular plural of English.
// Source: common practice.
func plural(word string) string {
	for _, end := range []string{"s", "x", "z", "ch", "sh"} {
		if strings.HasSuffix(word, end) {
			return word + "es"
		}
	}
	if stem, ok := strings.CutSuffix(word, "y"); ok && stem != "" && !strings.ContainsRune("aeiou", rune(stem[len(stem)-1])) {
		return stem + "ies"
	}
	return word + "s"
}

// Share writes a share of runs, trials or packets for people. What came in none
// of runs, or in all of them, is bounded at 95 % confidence; a share that is
// neither and rounds to one of the two is written as beyond the last figure
// shown. With runs 0 the share was computed and not counted, and is written as it
// is.
// Source: the rule of three, Hanley and Lippman-Hand, JAMA 249 (1983), from memory.
func Share(p float64, runs int) string {
	const shown = 0.001 // the last figure
	rest := shown
	if runs > 0 && (p <= 0 || p >= 1) {
		rest = min(3/float64(runs), 1)
	}
	percent := func(x float64) string { return fmt.Sprintf("%.1f %%", x) }
	switch {
	case p >= 1 && runs <= 0:
		return "100 %"
	case p <= 0 && runs <= 0:
		return "0 %"
	case p >= 1 || p > 1-shown/2:
		return ">" + percent(math.Floor(1000*(1-rest)+1e-9)/10)
	case p <= 0 || p < shown/2:
		return "<" + percent(math.Ceil(1000*rest-1e-9)/10)
	}
	return percent(100 * p)
}

// Percent writes a share as percent with one digit behind the point, and a share
// that is beyond all measure with an exponent, so that it has room in a table.
func Percent(share float64) string {
	if p := 100 * share; p < 1e6 {
		return fmt.Sprintf("%.1f %%", p)
	}
	return fmt.Sprintf("%.3g %%", 100*share)
}
