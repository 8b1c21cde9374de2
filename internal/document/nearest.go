package document

import (
	"strings"
	"unicode/utf8"
)

// Nearest returns the known word that was probably meant by word, or "" where
// none is near. Case and the difference between "_" and "-" do not count; a
// third of the letters may be wrong, swapped, missing or too many; and a word
// that begins exactly one of the known ones stands for it. A word that was once
// used stands for the one that took its place.
func Nearest(word string, known []string) string {
	if word == "" {
		return ""
	}
	w := fold(word)
	if now := renamed(w); now != "" {
		for _, k := range known {
			if fold(k) == now {
				return k
			}
		}
	}
	best, least := "", 0
	for _, k := range known {
		f := fold(k)
		longest := max(utf8.RuneCountInString(w), utf8.RuneCountInString(f))
		d := distance(w, f)
		if d <= max(1, longest/3) && d < longest && (best == "" || d < least) {
			best, least = k, d
		}
	}
	if best != "" || utf8.RuneCountInString(w) < 3 {
		return best
	}
	for _, k := range known {
		if strings.HasPrefix(fold(k), w) {
			if best != "" {
				return ""
			}
			best = k
		}
	}
	return best
}

// renamed is the word that took the place of a folded one; empty where none did.
// Source: RFC 8530 §1, which calls "logical network element" what makers call by
// words of their own.
func renamed(w string) string {
	if after, ok := strings.CutPrefix(w, "logical-system"); ok && (after == "" || after == "s" || after == "-down") {
		return "logical-network-element" + after
	}
	return ""
}

// fold makes words comparable that differ only in how they are written.
func fold(s string) string {
	return strings.ReplaceAll(strings.ToLower(s), "_", "-")
}

// distance counts the letters to insert, delete, replace or swap with their
// neighbour that turn a into b, no letter being touched twice (optimal string
// alignment). Time is len(a)·len(b), memory three rows.
func distance(a, b string) int {
	s, t := []rune(a), []rune(b)
	before, last, row := make([]int, len(t)+1), make([]int, len(t)+1), make([]int, len(t)+1)
	for j := range last {
		last[j] = j
	}
	for i := range s {
		row[0] = i + 1
		for j := range t {
			cost := 1
			if s[i] == t[j] {
				cost = 0
			}
			row[j+1] = min(last[j]+cost, last[j+1]+1, row[j]+1)
			if i > 0 && j > 0 && s[i] == t[j-1] && s[i-1] == t[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(t)]
}
