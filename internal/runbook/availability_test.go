package runbook

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"towpath/internal/plan"
)

func TestBriefTellsWhatAvailabilityItCosts(t *testing.T) {
	render := func(c *plan.Campaign) string {
		var b bytes.Buffer
		if err := RenderBrief(&b, c, Markdown, nil); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	c := &plan.Campaign{Operator: "Ostermoor Water and Light"}
	if got := render(c); strings.Contains(got, "availability") {
		t.Error("it speaks of availability although no target is named")
	}
	c.Availability = &plan.AvailabilityCost{Target: 0.99999, Budget: 315576 * time.Millisecond, Between: 60000 * time.Hour, Repair: 6 * time.Hour, Device: 0.999900009999,
		Teams: []plan.TeamCost{
			{Name: "ost-core-9", Members: 1, AtLeast: 1, Restarts: 10 * time.Minute, Work: time.Hour},
			{Name: "mere-agg", Members: 2, AtLeast: 1, Failures: 316 * time.Millisecond, Work: 938 * time.Millisecond, Serves: []string{"town hall"}},
		}}
	got := render(c)
	for _, want := range []string{
		"A target of 99.999 % leaves 5m16s of downtime", "once in 60000 h", "up 99.99 % of the time",
		"| 1 of 1 | none | 10m | 1h00m | 190 % to 1141 % | – |",
		"| 1 of 2 | 316ms | none | 938ms | 0 to 0.30 % | town hall |",
		"From 1 of 2 more than the budget of a whole year would go",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is missing in\n%s", want, got)
		}
	}
}

// Two nights in one week and a deadline half a year later: the nights keep their
// room, and the deadline is still told.
func TestFarDeadlineLeavesTheNightsTheirRoom(t *testing.T) {
	at := time.Date(2031, 3, 3, 23, 0, 0, 0, time.UTC)
	picture := func(due time.Time) string {
		c := &plan.Campaign{Operator: "Ostermoor Water and Light"}
		for k := range 2 {
			start := at.AddDate(0, 0, 3*k)
			c.Nights = append(c.Nights, plan.Night{Number: k + 1, Start: start, End: start.Add(6 * time.Hour), StageName: "all"})
			c.Devices = append(c.Devices, plan.DeviceCourse{Device: "mere-agg-1", Site: "Mere", Night: k + 1, Deadline: due})
		}
		var b bytes.Buffer
		if err := RenderBrief(&b, c, SVG, nil); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	far, near := picture(at.AddDate(0, 6, 0)), picture(at.AddDate(0, 0, 20))
	if !strings.Contains(far, "later: 2 devices by 3 Sep 2031") || strings.Contains(far, "7 Jul") {
		t.Error("the far deadline is not named at the edge, or the axis goes there")
	}
	if !strings.Contains(near, "2 devices by 23 Mar") || strings.Contains(near, "later:") {
		t.Error("the near deadline has no place of its own")
	}
}
