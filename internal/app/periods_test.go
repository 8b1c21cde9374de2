package app

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"towpath/internal/plan"
	"towpath/internal/schedule"
)

func TestPeriodsBehindACampaign(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2031, 3, n, 0, 0, 0, 0, time.UTC) }
	slots := []schedule.Slot{
		{Summary: "later", Start: day(20), End: day(22)},
		{Summary: "spring tide", Site: "Mere", Start: day(3), End: day(5)},
		{Summary: "spring tide", Site: "Weir", Start: day(3), End: day(5)},
		{Summary: "all", Site: "Mere", Start: day(8), End: day(9)},
		{Summary: "all", Start: day(8), End: day(9)},
		{Summary: "all", Site: "Weir", Start: day(8), End: day(9)},
		{Summary: "over before", Start: day(1), End: day(2)},
		{Summary: "after the end", Start: day(25), End: day(27)},
	}
	want := []plan.Period{
		{Name: "spring tide", Sites: []string{"Mere", "Weir"}, Start: day(3), End: day(5)},
		{Name: "all", Start: day(8), End: day(9)},
		{Name: "later", Start: day(20), End: day(22)},
	}
	if d := cmp.Diff(want, periods(slots, day(2), day(25))); d != "" {
		t.Error(d)
	}
}
