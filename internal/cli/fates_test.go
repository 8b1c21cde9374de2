package cli

import (
	"slices"
	"testing"

	"towpath/internal/evidence"
)

// TestFatesAreToldBesideTheirForecast: the sum first, then only what was not sure
// or went otherwise.
func TestFatesAreToldBesideTheirForecast(t *testing.T) {
	got := fateLines(evidence.Hop{Adjacencies: []evidence.Fate{
		{Object: "bgp 192.0.2.1", Forecast: "holds", Survive: 1, Outcome: "held"},
		{Object: "bgp 192.0.2.2", Forecast: "holds", Survive: 1, Outcome: "lost"},
		{Object: "bfd 192.0.2.3", Forecast: "at-risk", Survive: 0.25, Outcome: "held"},
		{Object: "ldp 192.0.2.4", Forecast: "drops", Survive: 0, Outcome: "restarted"},
		{Object: "pim 192.0.2.5", Forecast: "holds", Survive: 1, Outcome: "unknown"},
	}})
	want := []string{
		"of 4 adjacencies 2.2 were expected to hold and 2 held", // 1 + 1 + 0.25 + 0
		"bgp 192.0.2.2: holds (100.0 %), lost",
		"bfd 192.0.2.3: at-risk (25.0 %), held",
		"ldp 192.0.2.4: drops (0.0 %), restarted",
		"pim 192.0.2.5: holds (100.0 %), not known",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := fateLines(evidence.Hop{}); got != nil {
		t.Errorf("without any: %q", got)
	}
}
