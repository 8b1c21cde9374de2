package cli

import (
	"fmt"

	"towpath/internal/evidence"
	"towpath/internal/unit"
)

// fateLines tell of a hop how many of its adjacencies were expected to hold and
// how many did; then, one by one, those that were not sure to and those that did
// not, forecast beside outcome.
func fateLines(h evidence.Hop) []string {
	if len(h.Adjacencies) == 0 {
		return nil
	}
	expected, held, known := 0.0, 0, 0
	var each []string
	for _, f := range h.Adjacencies {
		if f.Outcome == "unknown" {
			each = append(each, fmt.Sprintf("%s: %s (%.1f %%), not known", f.Object, f.Forecast, 100*f.Survive))
			continue
		}
		known++
		expected += f.Survive
		if f.Outcome == "held" {
			held++
		}
		if f.Survive < 1 || f.Outcome != "held" {
			each = append(each, fmt.Sprintf("%s: %s (%.1f %%), %s", f.Object, f.Forecast, 100*f.Survive, f.Outcome))
		}
	}
	return append([]string{fmt.Sprintf("of %s %.1f were expected to hold and %d held", unit.Counted(known, "adjacency"), expected, held)}, each...)
}
