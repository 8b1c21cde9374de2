package runbook

import (
	"strings"
	"testing"
	"time"
)

// A night says with which demands its load was computed, where they differ.
func TestDemandsOfTheNights(t *testing.T) {
	c := sample(24)
	c.Network.Demands = "the demands of fleet.yaml"
	for k := range c.Nights {
		c.Nights[k].Load.Demands = c.Network.Demands
	}
	text := func() string {
		t.Helper()
		return string(briefIn(t, c, Markdown))
	}
	const table = "With which demands the load of each night was computed"
	if s := text(); strings.Contains(s, table) || !strings.Contains(s, "the demands of fleet.yaml") {
		t.Errorf("the demands are the same in all nights:\n%s", s)
	}
	c.Network.Demands = "week.csv, 168 samples"
	for k := range c.Nights {
		load := *c.Nights[k].Load
		load.Demands = "week.csv, 4 samples of " + c.Nights[k].Start.Format("Monday 15:04")
		load.Worst.Sample = time.Date(2031, 2, 17, 22, 0, 0, 0, time.UTC)
		c.Nights[k].Load = &load
	}
	c.Nights[1].Load.Worst.Sample = time.Time{}
	c.Network.Worst = c.Nights[0].Load.Worst
	s := text()
	for _, want := range []string{table, "week.csv, 168 samples", "week.csv, 4 samples of " + c.Nights[0].Start.Format("Monday 15:04"), "Mon 2031-02-17 22:00", "no single sample", "with the demands of Mon 2031-02-17 22:00"} {
		if !strings.Contains(s, want) {
			t.Errorf("%q is not in\n%s", want, s)
		}
	}
	if n := strings.Count(s, "week.csv, 4 samples"); n != len(c.Nights) {
		t.Errorf("%d nights are told of %d", n, len(c.Nights))
	}
	c.Nights[0].Load = nil // as of a night that is over
	if n := strings.Count(text(), "week.csv, 4 samples"); n != len(c.Nights)-1 {
		t.Errorf("%d nights are told of %d", n, len(c.Nights)-1)
	}
}
