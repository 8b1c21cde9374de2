package app

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/schedule"
	"towpath/internal/workspace"
)

// measured is one row of a series, as the tests know it.
type measured struct {
	at       time.Time
	from, to string
	bps      float64
}

// seriesOf writes rows as a file.
func seriesOf(rows []measured) []byte {
	var b strings.Builder
	b.WriteString("time,src,dst,volume\n")
	for _, r := range rows {
		fmt.Fprintf(&b, "%s,%s,%s,%.0fbps\n", r.at.Format(time.RFC3339), r.from, r.to, r.bps)
	}
	return []byte(b.String())
}

// days are hourly rows of the demands of the workspace's fleet over some days from
// the first on, at the rate that the hour of the local clock has.
func days(ws *workspace.Workspace, first time.Time, n int, rate func(t time.Time, k int) float64) []measured {
	var out []measured
	for t := first; t.Before(first.AddDate(0, 0, n)); t = t.Add(time.Hour) {
		for k, d := range ws.Fleet.Demands {
			out = append(out, measured{t, string(d.From), string(d.To), rate(t, k)})
		}
	}
	return out
}

func withSeries(ws *workspace.Workspace, repeat string, rows []measured) {
	ws.Series = map[string][]byte{"week.csv": seriesOf(rows)}
	ws.Campaign.Demands = policy.MeasuredDemands{Series: "week.csv", Repeat: repeat, Growth: 1}
}

// noonAndNight is busy from eight to twenty and quiet else.
func noonAndNight(t time.Time, _ int) float64 {
	if t.Hour() >= 8 && t.Hour() < 20 {
		return 8e9
	}
	return 2e9
}

// hoursOf finds by looking at the window every quarter of an hour which instants
// of the series it is like; none where some quarter is like none.
func hoursOf(ws *workspace.Workspace, rows []measured, zone *time.Location, start, end time.Time) []time.Time {
	var all, out []time.Time
	for _, r := range rows {
		if len(all) == 0 || !all[len(all)-1].Equal(r.at) {
			all = append(all, r.at)
		}
	}
	for t := start; t.Before(end); t = t.Add(15 * time.Minute) {
		local, found := t.In(zone), false
		for _, x := range all {
			at := x.In(zone)
			if at.Hour() != local.Hour() || ws.Campaign.Demands.Repeat == policy.EveryWeek && at.Weekday() != local.Weekday() {
				continue
			}
			found = true
			if !slices.ContainsFunc(out, at.Equal) {
				out = append(out, x)
			}
		}
		if !found {
			return nil
		}
	}
	return out
}

// brokenHours computes each night with every sample of its own hours, and every
// link failed on top, from scratch.
func brokenHours(t tester, ws *workspace.Workspace, rows []measured, zone *time.Location, c *plan.Campaign) []string {
	t.Helper()
	var out []string
	for _, n := range c.Nights {
		var drains []network.Drain
		for _, x := range n.Tasks {
			drains = append(drains, network.Drain{Node: string(x.Device), How: network.NoTransit})
		}
		volumes := map[time.Time]map[[2]string]float64{}
		at := hoursOf(ws, rows, zone, n.Start, n.End)
		peaked := len(at) == 0
		for _, r := range rows {
			when := r.at
			if peaked {
				when = time.Time{}
			} else if !slices.ContainsFunc(at, when.Equal) {
				continue
			}
			if volumes[when] == nil {
				volumes[when] = map[[2]string]float64{}
			}
			k := [2]string{r.from, r.to}
			volumes[when][k] = max(volumes[when][k], r.bps*ws.Campaign.Demands.Growth)
		}
		worst, failed := 0.0, 0.0
		for _, v := range volumes {
			var demands []network.Demand
			for k, x := range v {
				demands = append(demands, network.Demand{From: k[0], To: k[1], Volume: x})
			}
			net, err := network.FromFleet(ws.Fleet, network.FleetOptions{Demands: demands})
			if err != nil {
				t.Fatal(err)
			}
			st, err := net.Intact().With(network.Change{Drains: drains})
			if err != nil {
				t.Fatal(err)
			}
			st = st.FromScratch()
			worst = max(worst, st.Result().MaxUtilisation)
			for _, l := range net.Links() {
				alone, err := net.Intact().With(network.Change{Links: []string{l}})
				if err != nil {
					t.Fatal(err)
				}
				if alone.FromScratch().Result().MaxUtilisation > ws.Campaign.Utilisation+1e-9 {
					continue // no window could bear it
				}
				after, err := st.With(network.Change{Links: []string{l}})
				if err != nil {
					t.Fatal(err)
				}
				failed = max(failed, after.FromScratch().Result().MaxUtilisation)
			}
		}
		if n.Load == nil || math.Abs(n.Load.Worst.Utilisation-worst) > 1e-9 || worst > ws.Campaign.Utilisation+1e-9 {
			out = append(out, fmt.Sprintf("night %d of %s carries %v in %d samples, said is %+v", n.Number, n.Start, worst, len(volumes), n.Load))
			continue
		}
		if f := n.Load.WorstFailure; f == nil || math.Abs(f.Utilisation-failed) > 1e-9 || failed > ws.Campaign.Utilisation+1e-9 {
			out = append(out, fmt.Sprintf("night %d of %s carries %v with a failure, said is %+v", n.Number, n.Start, failed, f))
		}
		if said := strings.Contains(strings.Join(n.Warnings, "\n"), "no sample of these hours"); said != peaked {
			out = append(out, fmt.Sprintf("night %d of %s says %q of samples that are missing", n.Number, n.Start, n.Warnings))
		}
	}
	return out
}

var (
	everyNoon     = event("noon", "20310303T120000Z", 6, "FREQ=DAILY", "")
	everyMidnight = event("midnight", "20310303T220000Z", 6, "FREQ=DAILY", "")
	// aggregation is the campaign of the aggregation pair alone.
	aggregation = func(ws *workspace.Workspace) {
		ws.Campaign.CanaryCount, ws.Campaign.NeighboursApart, ws.Campaign.Utilisation = 0, false, 0.7
		for i := range ws.Fleet.Devices {
			if ws.Fleet.Devices[i].Role == "core" {
				ws.Fleet.Devices[i].Release = "4.4.2"
			}
		}
	}
)

// With an aggregation switch out, each access switch has one link of 10 Gbps for
// its demand: 80 % at noon and 20 % by night, of 70 % allowed.
func TestOnlyTheNightCarriesIt(t *testing.T) {
	ws := smallWorkspace(t, 1, 2)
	aggregation(ws)
	ws.Calendars["windows.ics"] = calendarOf(everyNoon, everyMidnight)
	w := both
	w.To = []string{"4.4.2"}
	// As the demands of the fleet file hold at all hours, the first window is the
	// noon.
	c, err := use(t, ws).Campaign(t.Context(), w)
	if err != nil || c.Nights[0].Start.Hour() != 12 || c.Network.Demands != "the demands of fleet.yaml" || !c.Nights[0].Load.Worst.Sample.IsZero() {
		t.Fatalf("%+v %v", c, err)
	}
	for _, repeat := range []string{policy.EveryDay, policy.EveryWeek} {
		first := time.Date(2031, 2, 17, 0, 0, 0, 0, time.UTC)
		rows := days(ws, first, 7, noonAndNight)
		withSeries(ws, repeat, rows)
		c, err := use(t, ws).Campaign(t.Context(), w)
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Nights) != 2 || !c.Proof.Proven {
			t.Errorf("%d nights, %+v", len(c.Nights), c.Proof)
		}
		for _, n := range c.Nights {
			if n.Start.Hour() != 22 {
				t.Errorf("a night begins at %s", n.Start)
			}
			day := map[string]string{policy.EveryDay: "", policy.EveryWeek: n.Start.Format("Monday ")}[repeat]
			if want := day + "22:00 to 04:00"; !strings.HasPrefix(n.Load.Demands, "week.csv, ") || !strings.HasSuffix(n.Load.Demands, want) || n.Load.Worst.Sample.IsZero() {
				t.Errorf("the load is of %+v, want those of %s", n.Load, want)
			}
		}
		if broken := brokenHours(t, ws, rows, time.UTC, c); len(broken) > 0 {
			t.Error(strings.Join(broken, "\n"))
		}
		if !strings.Contains(c.Network.Demands, "week.csv, 168 samples from 2031-02-17 00:00 to 2031-02-24 00:00, every "+repeat) {
			t.Errorf("the demands are %q", c.Network.Demands)
		}
		// Four times the demands are carried in no window.
		ws.Campaign.Demands.Growth = 4
		_, err = use(t, ws).Campaign(t.Context(), w)
		var b *Blocked
		if !errors.As(err, &b) || !b.Why.Minimal || len(b.Why.Items) != 1 {
			t.Fatalf("got %v", err)
		}
	}
}

// countersOf writes what the interfaces count of the rows, by arc and node.
func countersOf(t tester, ws *workspace.Workspace, rows []measured) []byte {
	t.Helper()
	var b strings.Builder
	b.WriteString("time,kind,element,rate\n")
	for len(rows) > 0 {
		at, k := rows[0].at, 0
		var demands []network.Demand
		ends := map[[2]string]float64{}
		for ; k < len(rows) && rows[k].at.Equal(at); k++ {
			r := rows[k]
			demands = append(demands, network.Demand{From: r.from, To: r.to, Volume: r.bps})
			ends[[2]string{"in", r.from}] += r.bps
			ends[[2]string{"out", r.to}] += r.bps
		}
		rows = rows[k:]
		net, err := network.FromFleet(ws.Fleet, network.FleetOptions{Demands: demands})
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range net.Intact().Loads() {
			fmt.Fprintf(&b, "%s,arc,%s,%.0fbps\n", at.Format(time.RFC3339), net.Arcs()[i].ID, v)
		}
		for e, v := range ends {
			fmt.Fprintf(&b, "%s,%s,%s,%.0fbps\n", at.Format(time.RFC3339), e[0], e[1], v)
		}
	}
	return []byte(b.String())
}

// The same hours from interface counters alone: what a night is said to carry is
// never below what it does carry, and an error that the limit has no room for
// refuses what the demands themselves would not.
func TestCountersOverTimeTellTheHours(t *testing.T) {
	ws := smallWorkspace(t, 1, 2)
	aggregation(ws)
	ws.Calendars["windows.ics"] = calendarOf(everyMidnight)
	first := time.Date(2031, 2, 17, 0, 0, 0, 0, time.UTC)
	rows := days(ws, first, 1, func(t time.Time, k int) float64 { return noonAndNight(t, k) * (1 + float64(k)/8) / 1.5 })
	for h := range 24 { // what gravity does not foresee
		at := first.Add(time.Duration(h) * time.Hour)
		rows = append(rows, measured{at, "acc-1-1", "acc-1-2", 5e8}, measured{at, "core-1", "acc-1-2", 1e8})
	}
	slices.SortStableFunc(rows, func(a, b measured) int { return a.at.Compare(b.at) })
	w := both
	w.To = []string{"4.4.2"}
	withSeries(ws, policy.EveryDay, rows)
	exact, err := use(t, ws).Campaign(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	ws.Series["week.csv"] = countersOf(t, ws, rows)
	c, err := use(t, ws).Campaign(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Nights) != 2 || len(exact.Nights) != 2 {
		t.Fatalf("got %d nights, want 2 as with the demands, which have %d", len(c.Nights), len(exact.Nights))
	}
	said, truth := 0.0, 0.0
	for i, n := range c.Nights {
		said, truth = max(said, n.Load.WorstFailure.Utilisation), max(truth, exact.Nights[i].Load.WorstFailure.Utilisation)
	}
	if said <= truth*1.001 {
		t.Errorf("said is %v with a failure on top, want it clearly above the true %v", said, truth)
	}
	if want := "estimated from counters, each demand at the upper end of its error"; !strings.Contains(c.Network.Demands, want) {
		t.Errorf("the demands are %q, want %q", c.Network.Demands, want)
	}
	// Between the two the demands are carried, and the estimate does not say so.
	ws.Campaign.Utilisation = (said + truth) / 2
	var b *Blocked
	if _, err = use(t, ws).Campaign(t.Context(), w); !errors.As(err, &b) && !errors.Is(err, schedule.ErrInfeasible) {
		t.Errorf("got %v, want a refusal at %v", err, ws.Campaign.Utilisation)
	}
	withSeries(ws, policy.EveryDay, rows)
	if _, err = use(t, ws).Campaign(t.Context(), w); err != nil {
		t.Errorf("with the demands: %v", err)
	}
	// Counters of which one is far too large are told to contradict the others.
	ws.Series["week.csv"] = []byte(strings.ReplaceAll(string(countersOf(t, ws, rows)), ",out,acc-1-2,", ",out,acc-1-2,9"))
	if _, err = use(t, ws).Campaign(t.Context(), w); err == nil || !strings.Contains(err.Error(), "the counters contradict each other or the topology: up to ") {
		t.Errorf("got %v, want the contradiction named", err)
	}
	// What is missing is said, here as in safe-hours.
	ws.Campaign.Utilisation = 0.7
	withSeries(ws, policy.EveryDay, slices.DeleteFunc(rows, func(r measured) bool { return r.from == "acc-1-1" && r.at.Hour() == 3 }))
	if c, err = use(t, ws).Campaign(t.Context(), w); err != nil || !strings.Contains(strings.Join(c.Warnings, "\n"), "week.csv has no value for 2 demands at 1 time, the first that from acc-1-1 to") {
		t.Errorf("got %v, want a warning of what is missing", err)
	}
}

func TestNoHourCarriesIt(t *testing.T) {
	ws := smallWorkspace(t, 1, 2)
	aggregation(ws)
	w := both
	w.To = []string{"4.4.2"}
	// Tuesdays and Thursdays at noon.
	ws.Calendars["windows.ics"] = calendarOf(event("noon", "20310304T120000Z", 6, "FREQ=WEEKLY;BYDAY=TU,TH", ""))
	withSeries(ws, policy.EveryWeek, days(ws, time.Date(2031, 2, 17, 0, 0, 0, 0, time.UTC), 7, func(t time.Time, k int) float64 {
		if t.Weekday() == time.Thursday {
			return noonAndNight(t, k) * 7.5 / 8
		}
		return noonAndNight(t, k)
	}))
	_, err := use(t, ws).Campaign(t.Context(), w)
	var b *Blocked
	if !errors.As(err, &b) || !errors.Is(err, schedule.ErrInfeasible) {
		t.Fatalf("got %v", err)
	}
	var says []string
	for _, r := range b.Why.Rules {
		says = append(says, r.Says)
	}
	// Which of the pair is named first, and which access switch's link, is free.
	if len(says) != 2 || !b.Why.Minimal || !b.Why.Smallest || len(b.Why.Items) != 1 {
		t.Fatalf("got %v", b.Why)
	}
	for day, share := range map[string]string{"Tuesday": "80 %", "Thursday": "75 %"} {
		i := slices.IndexFunc(says, func(s string) bool { return strings.Contains(s, day) })
		if i < 0 {
			t.Fatalf("no rule of %s in %q", day, says)
		}
		want := b.Why.Items[0] + " cannot be out in the windows of " + day + " 12:00 to 18:00: link "
		if !strings.HasPrefix(says[i], want) || !strings.Contains(says[i], "would be at "+share+" of at most 70 %") {
			t.Errorf("got %q, want %q and %s", says[i], want, share)
		}
	}
	// A rule that has nothing to do with the load leaves the load out.
	ws.Calendars["windows.ics"] = calendarOf(everyMidnight)
	ws.Campaign.Deadlines = []policy.Deadline{{By: march.AddDate(0, 0, 2), Roles: []string{"aggregation"}}}
	if _, err = use(t, ws).Campaign(t.Context(), w); !errors.As(err, &b) || len(b.Why.Rules) != 1 || strings.Contains(b.Why.Rules[0].Says, "cannot be out") {
		t.Errorf("got %v", err)
	}
	// A deadline that leaves the noons alone is named together with their load.
	ws.Calendars["windows.ics"] = calendarOf(event("noon", "20310304T120000Z", 6, "", ""), event("night", "20310306T220000Z", 6, "FREQ=DAILY", ""))
	for i := range ws.Fleet.Devices {
		if ws.Fleet.Devices[i].ID == "agg-1-2" {
			ws.Fleet.Devices[i].Release = "4.4.2"
		}
	}
	ws.Campaign.Deadlines = []policy.Deadline{{By: march.AddDate(0, 0, 4), Roles: []string{"aggregation"}, Why: "the advisory"}}
	if _, err = use(t, ws).Campaign(t.Context(), w); !errors.As(err, &b) || len(b.Why.Rules) != 2 || len(b.Why.Items) != 1 ||
		!strings.Contains(b.Why.String(), "the advisory") || !strings.Contains(b.Why.String(), "in the windows of Tuesday 12:00 to 18:00: link") {
		t.Errorf("got %v", err)
	}
}

// Too much with nothing out is told at once where every window is like that.
func TestTooFullAtEveryHour(t *testing.T) {
	ws := smallWorkspace(t, 1, 2)
	aggregation(ws)
	withSeries(ws, policy.EveryDay, days(ws, march, 1, func(time.Time, int) float64 { return 16e9 }))
	_, err := use(t, ws).Campaign(t.Context(), both)
	var b *Blocked
	if !errors.Is(err, schedule.ErrInfeasible) || errors.As(err, &b) || !strings.Contains(err.Error(), "with nothing out, link") || !strings.Contains(err.Error(), "no window is in better hours") {
		t.Errorf("got %v", err)
	}
}

// Hours that nobody measured are not taken for quiet ones.
func TestHoursWithoutASample(t *testing.T) {
	ws := smallWorkspace(t, 1, 2)
	aggregation(ws)
	ws.Campaign.Utilisation = 0.9
	ws.Calendars["windows.ics"] = calendarOf(everyMidnight)
	rows := days(ws, time.Date(2031, 2, 17, 0, 0, 0, 0, time.UTC), 7, noonAndNight)
	// Nobody measured from one to two on Tuesdays; on other days all is known.
	rows = slices.DeleteFunc(rows, func(r measured) bool { return r.at.Weekday() == time.Tuesday && r.at.Hour() == 1 })
	withSeries(ws, policy.EveryWeek, rows)
	w := both
	w.To, w.Until = []string{"4.4.2"}, march.AddDate(0, 0, 4) // two windows: from Monday to Tuesday, and to Wednesday
	c, err := use(t, ws).Campaign(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	if broken := brokenHours(t, ws, rows, time.UTC, c); len(broken) > 0 {
		t.Error(strings.Join(broken, "\n"))
	}
	if len(c.Nights) != 2 || c.Nights[0].Load.Worst.Utilisation < 0.79 || c.Nights[1].Load.Worst.Utilisation > 0.21 || !strings.Contains(c.Nights[0].Load.Demands, "the peak of every demand over all 167 samples") {
		t.Errorf("%+v %+v", c.Nights[0].Load, c.Nights[1].Load)
	}
	if all := strings.Join(c.Warnings, "\n"); !strings.Contains(all, "1 window lies, the first of Mon 2031-03-03 22:00, in hours of which week.csv has no sample") {
		t.Errorf("%s", all)
	}
	// At 70 % the peak is too much there.
	ws.Campaign.Utilisation = 0.7
	var b *Blocked
	if _, err = use(t, ws).Campaign(t.Context(), w); !errors.As(err, &b) || !strings.Contains(b.Why.String(), "in the windows of which week.csv has no samples: link") {
		t.Errorf("got %v", err)
	}
}

func TestSeriesWithMistakes(t *testing.T) {
	for src, want := range map[string]string{
		"src,dst,volume\nacc-1-1,core-1,4Gbps\n":                                      "week.csv: demands without a time; want a series",
		"time,src,dst,volume\n2031-03-03T00:00:00Z,acc-1-1,core-9,4Gbps\n":            `week.csv:2:30: `,
		"time,src,dst,volume\nyesterday,acc-1-1,core-1,4Gbps\n":                       `week.csv:2:1: `,
		"time,src,dst,volume\n2031-03-03T00:00:00Z,acc-1-1,core-1,four\n":             `week.csv:2:37: `,
		"time,src,dst,volume\n":                                                       "week.csv",
		"time,src,dst,volume\n2031-03-03T00:00:00Z,acc-1-1,core-1,4Gbps\n2031-03-03T": `week.csv:3`,
	} {
		ws := smallWorkspace(t, 1, 2)
		ws.Series = map[string][]byte{"week.csv": []byte(src)}
		ws.Campaign.Demands.Series = "week.csv"
		_, err := use(t, ws).Campaign(t.Context(), both)
		var p document.Problems
		if !errors.As(err, &p) || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q: got %T %v, want %q", src, err, err, want)
		}
	}
}

// Source: IANA time zone database, Europe/Amsterdam: clocks go forward on 30
// March 2031 at 02:00, back on 26 October 2031 at 03:00.
func TestHoursOfAWindow(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Amsterdam")
	if err != nil {
		t.Fatal(err)
	}
	local := func(y, m, d, h, min int) time.Time { return time.Date(y, time.Month(m), d, h, min, 0, 0, zone) }
	for name, c := range map[string]struct {
		repeat     string
		start, end time.Time
		hours      []int // of the week, or of the day, that are found; -1 ends what must be a gap
		whole      bool
	}{
		"a Tuesday noon":               {policy.EveryWeek, local(2031, 3, 4, 12, 0), local(2031, 3, 4, 14, 0), []int{24 + 12, 24 + 13}, true},
		"parts of hours":               {policy.EveryWeek, local(2031, 3, 4, 12, 30), local(2031, 3, 4, 13, 1), []int{24 + 12, 24 + 13}, true},
		"summer time is wall time":     {policy.EveryWeek, local(2031, 7, 1, 12, 0), local(2031, 7, 1, 13, 0), []int{24 + 12}, true},
		"from Sunday into Monday":      {policy.EveryWeek, local(2031, 3, 9, 23, 0), local(2031, 3, 10, 1, 0), []int{0, 6*24 + 23}, true},
		"the missing hour":             {policy.EveryWeek, local(2031, 3, 30, 1, 0), local(2031, 3, 30, 4, 0), []int{6*24 + 1, 6*24 + 3}, true},
		"the doubled hour":             {policy.EveryWeek, local(2031, 10, 26, 1, 0), local(2031, 10, 26, 4, 0), []int{6*24 + 1, 6*24 + 2, 6*24 + 3}, true},
		"its second coming":            {policy.EveryWeek, local(2031, 10, 26, 3, 0).Add(-time.Hour), local(2031, 10, 26, 3, 0), []int{6*24 + 2}, true},
		"every day, over midnight":     {policy.EveryDay, local(2031, 3, 4, 23, 0), local(2031, 3, 5, 1, 0), []int{0, 23}, true},
		"longer than the period":       {policy.EveryDay, local(2031, 3, 4, 23, 0), local(2031, 3, 6, 23, 30), []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23}, true},
		"an hour that nobody measured": {policy.EveryDay, local(2031, 3, 4, 22, 0), local(2031, 3, 5, 1, 0), []int{0, 22}, false},
	} {
		l := &nightLoads{zone: zone, repeat: c.repeat}
		n := map[string]int{policy.EveryDay: 24, policy.EveryWeek: 7 * 24}[c.repeat]
		var at []int
		for h := range n {
			if !c.whole && h == 23 {
				continue
			}
			s := network.Sample{At: local(2031, 1, 6, h, 0), Length: time.Hour} // a Monday
			l.samples, l.begins, at = append(l.samples, s), append(l.begins, wall(s.At)), append(at, h)
		}
		hits, whole := l.matching(c.start, c.end)
		var got []int
		for _, i := range hits {
			got = append(got, at[i])
		}
		if !slices.Equal(got, c.hours) || whole != c.whole {
			t.Errorf("%s: got %v %v, want %v %v", name, got, whole, c.hours, c.whole)
		}
	}
}

// What the halves of peaks say is what every sample says for itself.
func TestSamplesAgainstEachOfThem(t *testing.T) {
	ws := smallWorkspace(t, 1, 3)
	names := []fleet.DeviceID{"agg-1-1", "agg-1-2", "core-1", "core-2", "acc-1-1"}
	yes, no, beside := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		net, err := network.FromFleet(ws.Fleet, network.FleetOptions{})
		if err != nil {
			t.Fatal(err)
		}
		l := &nightLoads{net: net, zone: time.UTC, repeat: policy.EveryDay, file: "week.csv", known: map[string]*nightHours{},
			opt: schedule.LoadOptions{Limit: 0.8, How: network.NoTransit, MayIsolate: true, Unavoidable: true}}
		if rapid.Bool().Draw(t, "fail") {
			l.fails = failures(ws.Fleet, net, []string{"link"})
		}
		for k := range rapid.IntRange(1, 6).Draw(t, "samples") {
			s := network.Sample{At: march.Add(time.Duration(k) * time.Hour), Length: time.Hour}
			for range net.Demands() {
				s.Volumes = append(s.Volumes, 1e9*float64(rapid.IntRange(0, 11).Draw(t, "Gbps")))
			}
			l.samples, l.begins = append(l.samples, s), append(l.begins, wall(s.At))
		}
		h, err := l.of(march, march.Add(time.Duration(len(l.samples))*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		if h.peak || h.samples != len(l.samples) {
			t.Fatalf("%+v", h)
		}
		for range 3 {
			out := rapid.SliceOfNDistinct(rapid.SampledFrom(names), 1, 3, rapid.ID).Draw(t, "out")
			for _, carrier := range []schedule.Carrier{h.Carries, h.Verify} {
				// The twin: a new load for each sample, asked once.
				want := true
				for _, s := range l.samples {
					x, err := net.WithVolumes(s.Volumes)
					if err != nil {
						t.Fatal(err)
					}
					opt := l.opt
					if carrier == h.Verify {
						opt.Failures = l.fails
					}
					one, _, err := schedule.NewLoad(x.Intact(), opt)
					if err != nil {
						t.Fatal(err)
					}
					ok, _ := one.Carries(context.Background(), out)
					want = want && ok && x.Intact().Result().MaxUtilisation <= l.opt.Limit
				}
				got, why := carrier.Carries(context.Background(), out)
				if got != want || !got && why == "" {
					t.Fatalf("out %v: got %v %q, want %v", out, got, why, want)
				}
				if got {
					yes++
					if h.root.load.weak != nil || h.root.load.over != "" {
						beside++
					}
				} else {
					no++
				}
			}
		}
	})
	if yes < 20 || no < 20 || beside < 1 {
		t.Fatalf("%d yes, %d no, %d yes beside a peak that says no: the draw is one-sided", yes, no, beside)
	}
}

// No campaign with a drawn series overloads a night.
func TestNoCampaignBreaksTheLoadOfItsHours(t *testing.T) {
	cat := catalogueOf(t)
	zone, err := time.LoadLocation("Europe/Amsterdam")
	if err != nil {
		t.Fatal(err)
	}
	made, blocked, mixed := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		ws := workspaceWith(cat, 1, rapid.IntRange(1, 2).Draw(t, "access"))
		aggregation(ws)
		ws.Campaign.Runs, ws.Campaign.Zone = 100, "Europe/Amsterdam"
		ws.Campaign.Done, ws.Campaign.Back = 0.9, 0
		// Over the night in which the clocks go forward.
		ws.Calendars["windows.ics"] = calendarOf(event("a", "20310328T120000", 5, "FREQ=DAILY;COUNT=3", ""), event("b", "20310328T210000", 8, "FREQ=DAILY;COUNT=4", ""))
		repeat := rapid.SampledFrom([]string{policy.EveryDay, policy.EveryWeek}).Draw(t, "repeat")
		busy := map[int]float64{}
		for part := range 21 { // of the week
			busy[part] = float64(rapid.IntRange(1, 10).Draw(t, "Gbps"))
		}
		from := time.Date(2031, 2, 17, 0, 0, 0, 0, zone)
		n := map[string]int{policy.EveryDay: 2, policy.EveryWeek: 7}[repeat]
		rows := days(ws, from, n, func(t time.Time, k int) float64 {
			return 1e9 * (busy[int(t.Weekday())*3+t.Hour()/8] + float64((t.Hour()*7+k*5)%4)/4)
		})
		if rapid.IntRange(0, 3).Draw(t, "gap") == 0 {
			gap := rapid.IntRange(0, 23).Draw(t, "hour")
			rows = slices.DeleteFunc(rows, func(r measured) bool { return r.at.Hour() == gap })
		}
		withSeries(ws, repeat, rows)
		ws.Campaign.Demands.Growth = rapid.SampledFrom([]float64{1, 0.8, 1.1}).Draw(t, "growth")
		w := both
		w.To, w.From, w.Until = []string{"4.4.2"}, march, march.AddDate(0, 2, 0)
		c, err := use(t, ws).Campaign(context.Background(), w)
		if err != nil {
			if !errors.Is(err, schedule.ErrInfeasible) && !errors.Is(err, schedule.ErrUndecided) {
				t.Fatal(err)
			}
			blocked++
			return
		}
		made++
		if broken := brokenHours(t, ws, rows, zone, c); len(broken) > 0 {
			t.Fatal(strings.Join(broken, "\n"))
		}
		if len(c.Nights) > 0 && (c.Nights[0].Start.After(time.Date(2031, 3, 28, 20, 0, 0, 0, zone)) || len(c.Nights) > 1 && c.Nights[1].Start.Sub(c.Nights[0].Start) > 12*time.Hour) {
			mixed++ // some window was passed over
		}
	})
	if made < 10 || blocked < 5 || mixed < 5 {
		t.Fatalf("%d made, %d refused, %d passed a window over: the draw is one-sided", made, blocked, mixed)
	}
}

func TestReviseByHours(t *testing.T) {
	ws := smallWorkspace(t, 1, 2)
	aggregation(ws)
	ws.Calendars["windows.ics"] = calendarOf(everyNoon, everyMidnight)
	rows := days(ws, time.Date(2031, 2, 17, 0, 0, 0, 0, time.UTC), 7, noonAndNight)
	withSeries(ws, policy.EveryWeek, rows)
	w := both
	w.To = []string{"4.4.2"}
	a := use(t, ws)
	first, err := a.Campaign(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	// The first night failed; the calendar has lost it since.
	was := first.Nights[0]
	ws.Calendars["windows.ics"] = calendarOf(event("noon", "20310304T120000Z", 6, "FREQ=DAILY", ""), event("midnight", "20310304T220000Z", 6, "FREQ=DAILY", ""))
	w.To, w.Until = nil, time.Time{}
	r := ReviseWant{Kept: first, Now: was.End.Add(time.Hour), Outcomes: []Outcome{{Device: string(was.Tasks[0].Device), Result: OutcomeFailed, At: was.End}}}
	second, err := a.Revise(t.Context(), r, w)
	if err != nil {
		t.Fatal(err)
	}
	open := *second
	open.Nights = nil
	for _, n := range second.Nights {
		if !n.Start.Before(r.Now) {
			open.Nights = append(open.Nights, n)
			if n.Start.Hour() != 22 {
				t.Errorf("%s is in the window of %s", n.Tasks[0].Device, n.Start)
			}
		}
	}
	if len(open.Nights) != 2 {
		t.Fatalf("%+v", second.Nights)
	}
	if broken := brokenHours(t, ws, rows, time.UTC, &open); len(broken) > 0 {
		t.Error(strings.Join(broken, "\n"))
	}
	// No night is left to whoever failed: the noons are named as refused.
	ws.Calendars["windows.ics"] = calendarOf(everyNoon)
	var b *Blocked
	if _, err = a.Revise(t.Context(), r, w); !errors.As(err, &b) || !strings.Contains(b.Why.String(), "12:00 to 18:00: link") {
		t.Errorf("got %v", err)
	}
}

// The same four hundred devices without a series, with one class of windows, and with
// fourteen.
func BenchmarkCampaignByHours(b *testing.B) {
	for _, c := range []struct{ name, repeat string }{{"fleet", ""}, {"day", policy.EveryDay}, {"week", policy.EveryWeek}} {
		b.Run(c.name, func(b *testing.B) {
			ws := smallWorkspace(b, 16, 23)
			ws.Campaign.Utilisation, ws.Campaign.NeighboursApart = 0.9, false
			ws.Calendars["windows.ics"] = calendarOf(everyNoon, everyMidnight)
			for i := range ws.Fleet.Links {
				ws.Fleet.Links[i].Capacity *= 10
			}
			for i := range ws.Fleet.Devices {
				if ws.Fleet.Devices[i].Role == "core" {
					ws.Fleet.Devices[i].Release = "4.4.2"
				}
			}
			if c.repeat != "" {
				withSeries(ws, c.repeat, days(ws, time.Date(2031, 2, 17, 0, 0, 0, 0, time.UTC), 7, func(t time.Time, k int) float64 {
					return noonAndNight(t, k) * (1 + 0.1*math.Sin(float64(t.Hour()*7+int(t.Weekday())*5+k)))
				}))
			}
			a := use(b, ws)
			for b.Loop() {
				c, err := a.Campaign(context.Background(), both)
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(float64(len(c.Nights)), "windows")
				b.ReportMetric(float64(c.Network.Sets), "sets")
				b.ReportMetric(float64(c.Network.Failures), "failures")
			}
		})
	}
}
