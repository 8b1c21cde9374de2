package readiness

import (
	"fmt"
	"io"
	"strings"
)

// Rule is one thing that is looked at before a change.
type Rule struct {
	ID     string `json:"id"` // stable; policies name it in readiness.waive
	Part   string `json:"part"`
	Title  string `json:"title"`  // what is so when the rule is clear
	Reason string `json:"reason"` // why that matters
	Remedy string `json:"remedy"`
	Worst  string `json:"worst"` // what the rule can say at worst besides unknown
	Source string `json:"source"`
}

// ruleEntry is a built-in rule and what looks.
type ruleEntry struct {
	Rule
	look func(*check)
}

// Rules returns the built-in rules in the order in which they are applied. The
// caller owns them.
func Rules() []Rule {
	out := make([]Rule, len(builtin))
	for i := range builtin {
		out[i] = builtin[i].Rule
	}
	return out
}

// RuleIDs returns the ids of the built-in rules, in their order.
func RuleIDs() []string {
	out := make([]string, len(builtin))
	for i := range builtin {
		out[i] = builtin[i].ID
	}
	return out
}

// WriteRules writes the built-in rules as a page of Markdown.
func WriteRules(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, `# Readiness rules

This page is generated from the rules in the code: %d of them. `+"`towpath check`"+` applies
each to a device before its change. A rule is *clear*, a *caution*, a *blocker*, or *unknown*
where a fact could not be read; `+"`readiness.unknown-is`"+` in the policy says what unknown counts
as. `+"`readiness.waive`"+` lists ids of rules that the change authority has accepted: their blockers
become cautions and stay in the evidence.
`, len(builtin))
	part := ""
	for i := range builtin {
		r := &builtin[i].Rule
		if r.Part != part {
			part = r.Part
			fmt.Fprintf(&b, "\n## %s\n\n| id | clear when | at worst | why | remedy | source |\n| --- | --- | --- | --- | --- | --- |\n", part)
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s | %s |\n", r.ID, r.Title, r.Worst, r.Reason, r.Remedy, r.Source)
	}
	b.WriteString(ownRulesText)
	_, err := io.WriteString(w, b.String())
	return err
}

// didYouMean is " (did you mean …?)" with the known word nearest to word, or
// empty where none is near.
func didYouMean(word string, known []string) string {
	if after, ok := strings.CutPrefix(strings.ReplaceAll(word, "-", "_"), "logical_system"); ok {
		for _, k := range known { // the term since RFC 8530
			if strings.ReplaceAll(k, "-", "_") == "logical_network_element"+after {
				return fmt.Sprintf(" (did you mean %q?)", k)
			}
		}
	}
	best, least := "", len(word)/3+2
	for _, k := range known {
		if d := distance(strings.ToLower(word), strings.ToLower(k)); d < least {
			best, least = k, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %q?)", best)
}

// distance is the number of letters to insert, delete or replace that turn a
// into b (Levenshtein).
func distance(a, b string) int {
	s, t := []rune(a), []rune(b)
	row := make([]int, len(t)+1)
	for j := range row {
		row[j] = j
	}
	for i := range s {
		diagonal := row[0]
		row[0] = i + 1
		for j := range t {
			cost := 1
			if s[i] == t[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j]+1, row[j+1]+1, diagonal+cost)
		}
	}
	return row[len(t)]
}
