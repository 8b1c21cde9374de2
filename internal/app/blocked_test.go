package app

import (
	"errors"
	"strings"
	"testing"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/schedule"
	"towpath/internal/workspace"
)

// Each expected set was worked out by hand: the rules without any of which there
// is a campaign, in the operator's words, and how many devices they are about.
func TestWhyThereIsNoCampaign(t *testing.T) {
	two := event("one", "20310303T220000Z", 6, "", "") + event("two", "20310305T220000Z", 6, "", "")
	at := func(day int) time.Time { return time.Date(2031, 3, day, 22, 30, 0, 0, time.UTC) }
	for name, c := range map[string]struct {
		change func(ws *workspace.Workspace, w *CampaignWant)
		rules  []string
		items  int
	}{
		"a window shorter than the work": {func(ws *workspace.Workspace, _ *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(event("short", "20310303T220000Z", 1, "FREQ=DAILY", ""))
			ws.Campaign.Consent = policy.Span{Least: 10 * time.Minute, Likely: 20 * time.Minute, Most: 40 * time.Minute}
		}, []string{`no window is open long enough for`}, 1},
		"a pair in one window": {func(ws *workspace.Workspace, w *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(event("one", "20310303T220000Z", 6, "", ""))
			w.To = []string{"4.4.2"}
			ws.Campaign.CanaryCount, ws.Campaign.NeighboursApart = 0, false
			ws.Fleet.Groups = ws.Fleet.Groups[:1]
		}, []string{"of redundancy group core at least 1 of 2 stay in service"}, 2},
		"neighbours in one window": {func(ws *workspace.Workspace, w *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(event("one", "20310303T220000Z", 6, "", ""))
			w.To = []string{"4.4.2"}
			ws.Campaign.CanaryCount = 0
			ws.Fleet.Groups = nil
		}, []string{"are neighbours over"}, 2},
		"a deadline before the second of a pair": {func(ws *workspace.Workspace, w *CampaignWant) {
			w.To = []string{"4.4.2"}
			ws.Campaign.CanaryCount, ws.Campaign.NeighboursApart = 0, false
			ws.Campaign.Deadlines = []policy.Deadline{{By: at(5), Roles: []string{"core"}, Why: "the advisory of February"}}
		}, []string{"core-1, core-2 must be done by 2031-03-05T22:30:00Z: the advisory of February", "of redundancy group core at least 1 of 2"}, 2},
		"a soak past the last window": {func(ws *workspace.Workspace, w *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(two)
			w.To = []string{"7.1-p1"}
			ws.Campaign.Canaries, ws.Campaign.Soak = []string{"acc-1-1"}, 72*time.Hour
		}, []string{"the canary acc-1-1 before the other devices (1), with 3 days to soak"}, 2},
		"stages of growth in too few windows": {func(ws *workspace.Workspace, w *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(two)
			w.To = []string{"4.4.2"}
			ws.Campaign.Growth, ws.Campaign.Soak, ws.Campaign.NeighboursApart = []float64{0.5}, 0, false
			ws.Fleet.Groups = nil
		}, []string{"the canary agg-1-1 before growth stage 1", "growth stage 1 (1 device) before the other devices (2)"}, 3},
		"roles in an order that is too long": {func(ws *workspace.Workspace, _ *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(two)
			ws.Campaign.RoleOrder, ws.Campaign.CanaryCount, ws.Campaign.NeighboursApart = []string{"access", "aggregation", "core"}, 0, false
			ws.Fleet.Groups = nil
		}, []string{"role access before role aggregation", "role aggregation before role core"}, 3},
		"two that are kept apart and done only then": {func(ws *workspace.Workspace, w *CampaignWant) {
			w.To = []string{"7.1-p1"}
			ws.Campaign.CanaryCount = 0
			ws.Campaign.Apart = []policy.DeviceTeam{{Devices: []string{"acc-1-1", "acc-1-2"}, Why: "they feed the same pump"}}
			ws.Campaign.Devices = []policy.CampaignDevice{{Device: "acc-1-1", Only: []time.Time{at(5)}}, {Device: "acc-1-2", Only: []time.Time{at(5)}}}
		}, []string{"acc-1-1 and acc-1-2 are kept apart by campaign.yaml: they feed the same pump", "acc-1-1 is done only in 2031-03-05 22:00 UTC", "acc-1-2 is done only in 2031-03-05 22:00 UTC"}, 2},
		"an instant in no window": {func(ws *workspace.Workspace, w *CampaignWant) {
			w.To = []string{"7.1-p1"}
			ws.Campaign.Devices = []policy.CampaignDevice{{Device: "acc-1-1", Only: []time.Time{at(4)}}}
		}, []string{"acc-1-1 is done only in 2031-03-04 22:30 UTC (which is in no window)"}, 1},
		"never in the only window": {func(ws *workspace.Workspace, w *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(event("one", "20310303T220000Z", 6, "", ""))
			w.To = []string{"7.1-p1"}
			ws.Campaign.CanaryCount = 0
			ws.Campaign.Devices = []policy.CampaignDevice{{Device: "acc-1-2", Never: []time.Time{at(3)}}}
		}, []string{"acc-1-2 is banned from 2031-03-03 22:00 UTC"}, 1},
		"a site limit": {func(ws *workspace.Workspace, w *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(event("one", "20310303T220000Z", 6, "", ""))
			w.To = []string{"7.1-p1"}
			ws.Campaign.CanaryCount = 0
			ws.Campaign.Sites = []policy.SiteLimit{{Site: "site-1", PerWindow: 1}}
		}, []string{"at most 1 device of site site-1 in one window"}, 2},
		"an engineer who is away": {func(ws *workspace.Workspace, w *CampaignWant) {
			w.To = []string{"7.1-p1"}
			ws.Campaign.Engineers = []policy.Engineer{{Name: "Ada"}, {Name: "Bo", Calendar: "bo.ics"}}
			ws.Calendars["bo.ics"] = calendarOf(event("bo", "20310304T080000Z", 8, "FREQ=DAILY", ""))
			ws.Campaign.Devices = []policy.CampaignDevice{{Device: "acc-1-1", Engineer: "Bo"}}
		}, []string{"Bo: 1 at a time and no longer than the window, there in 0 of 30 windows, for acc-1-1"}, 1},
		"nobody for a site": {func(ws *workspace.Workspace, w *CampaignWant) {
			w.To = []string{"7.1-p1"}
			ws.Campaign.Engineers = []policy.Engineer{{Name: "Ada", Sites: []string{"hub"}}}
		}, []string{"no engineer works on acc-1-1, acc-1-2"}, 1},
		"more work than hands": {func(ws *workspace.Workspace, w *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(event("one", "20310303T220000Z", 3, "", ""))
			w.To = []string{"4.4.2"}
			ws.Campaign.CanaryCount, ws.Campaign.NeighboursApart, ws.Campaign.AtOnce = 0, false, 1
			ws.Fleet.Groups = nil
		}, []string{"1 device at a time in 2031-03-03 22:00 UTC, 180 minutes long"}, 3},
		"the load of two": {func(ws *workspace.Workspace, w *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(event("one", "20310303T220000Z", 6, "", ""))
			w.To = []string{"4.4.2"}
			ws.Campaign.CanaryCount, ws.Campaign.NeighboursApart, ws.Campaign.AlsoFail = 0, false, nil
			ws.Fleet.Groups = nil
			for i := range ws.Fleet.Devices { // only the aggregation pair changes
				if ws.Fleet.Devices[i].Role == "core" {
					ws.Fleet.Devices[i].Release = "4.4.2"
				}
			}
		}, []string{"agg-1-1 and agg-1-2 cannot be out together: 2 demands have no path"}, 2},
		"too full with nothing out": {func(ws *workspace.Workspace, w *CampaignWant) {
			w.To = []string{"7.1-p1"}
			ws.Campaign.CanaryCount, ws.Campaign.Utilisation = 0, 0.1
		}, nil, 0}, // no campaign could help: an error that says so
	} {
		t.Run(name, func(t *testing.T) {
			ws := smallWorkspace(t, 1, 2)
			w := both
			c.change(ws, &w)
			_, err := use(t, ws).Campaign(t.Context(), w)
			var b *Blocked
			if c.rules == nil {
				if !errors.Is(err, schedule.ErrInfeasible) || errors.As(err, &b) || !strings.Contains(err.Error(), "with nothing out, link") {
					t.Fatalf("got %v", err)
				}
				return
			}
			if !errors.As(err, &b) || !errors.Is(err, schedule.ErrInfeasible) {
				t.Fatalf("got %v", err)
			}
			if len(b.Why.Rules) != len(c.rules) || !b.Why.Minimal || !b.Why.Smallest || len(b.Why.Items) != c.items {
				t.Fatalf("got %v\nof %d devices, want %d: %q", b.Why, len(b.Why.Items), c.items, c.rules)
			}
			for _, want := range c.rules {
				if !strings.Contains(b.Why.String(), want) {
					t.Errorf("%q is not in\n%v", want, b.Why)
				}
			}
			// What stands in the way can be left out, and then says why.
			w.LeaveOut = true
			left, err := use(t, ws).Campaign(t.Context(), w)
			if err != nil && !errors.As(err, &b) {
				t.Fatal(err)
			}
			if err == nil {
				if len(left.Left) == 0 || !strings.Contains(left.Left[0].Reason, "these cannot all be kept: ") {
					t.Errorf("%+v", left.Left)
				}
				if broken := brokenCampaign(ws, w, left); len(broken) > 0 {
					t.Error(strings.Join(broken, "\n"))
				}
			}
		})
	}
}

func TestCampaignMistakes(t *testing.T) {
	for name, c := range map[string]struct {
		change func(ws *workspace.Workspace, w *CampaignWant)
		is     error
		says   string
	}{
		"no campaign file":      {func(ws *workspace.Workspace, _ *CampaignWant) { ws.Campaign = nil }, ErrNoCampaign, "campaign.yaml"},
		"no target":             {func(_ *workspace.Workspace, w *CampaignWant) { w.To = nil }, ErrNoTarget, "no target was given"},
		"a release that is not": {func(_ *workspace.Workspace, w *CampaignWant) { w.To = []string{"4.4.3"} }, ErrNoTarget, `"4.4.3"`},
		"a release of another":  {func(_ *workspace.Workspace, w *CampaignWant) { w.To = []string{"willow-3=4.4.2"} }, ErrNoTarget, "willow-3=4.4.2"},
		"two targets":           {func(_ *workspace.Workspace, w *CampaignWant) { w.To = []string{"4.4.2", "4.3.1"} }, ErrNoTarget, "two targets"},
		"no window":             {func(_ *workspace.Workspace, w *CampaignWant) { w.Until = w.From.Add(time.Hour) }, ErrNoWindow, "windows.ics"},
		"all frozen": {func(ws *workspace.Workspace, _ *CampaignWant) {
			ws.Policy.Freezes = []policy.Freeze{{Name: "x", From: march, Until: march.AddDate(1, 0, 0)}}
		}, ErrNoWindow, "no freeze stops"},
		"a calendar of no kind": {func(ws *workspace.Workspace, _ *CampaignWant) { ws.Calendars["windows.ics"] = []byte("hello") }, schedule.ErrInvalid, "windows.ics"},
		"a calendar with mistakes": {func(ws *workspace.Workspace, _ *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(event("x", "2031", 1, "", ""))
		}, schedule.ErrInvalid, `event "x"`},
		"a site that is not": {func(ws *workspace.Workspace, _ *CampaignWant) {
			ws.Calendars["windows.ics"] = calendarOf(event("x", "20310303T220000Z", 6, "", "sit-1"))
		}, schedule.ErrInvalid,
			`event "x": LOCATION: invalid problem: no device at the site "sit-1"; did you mean "site-1"?`},
	} {
		ws := smallWorkspace(t, 1, 2)
		w := both
		c.change(ws, &w)
		if _, err := use(t, ws).Campaign(t.Context(), w); !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: got %v, want %q in it", name, err, c.says)
		}
	}
}

// A freeze of one site leaves windows for all to the others.
func TestFreezeOfOneSite(t *testing.T) {
	ws := smallWorkspace(t, 2, 1)
	ws.Campaign.CanaryCount, ws.Campaign.Soak, ws.Campaign.NeighboursApart = 0, 0, false
	ws.Policy.Freezes = []policy.Freeze{{Name: "flood", From: march, Until: march.AddDate(0, 0, 9), Sites: []string{"site-1"}}}
	for i, d := range ws.Fleet.Devices {
		if d.ID == "agg-1-2" {
			ws.Fleet.Devices[i].Release = "4.4.2"
		}
	}
	w := both
	w.Until = march.AddDate(0, 0, 11) // one window after the freeze
	c, err := use(t, ws).Campaign(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	if broken := brokenCampaign(ws, w, c); len(broken) > 0 {
		t.Fatal(strings.Join(broken, "\n"))
	}
	before := 0
	for _, n := range c.Nights {
		for _, task := range n.Tasks {
			if n.Start.Before(march.AddDate(0, 0, 9)) {
				before++
				if len(n.Sites) == 0 {
					t.Errorf("night %d is said to be for every site", n.Number)
				}
				_ = task
			}
		}
	}
	if before == 0 {
		t.Error("the other sites wait for the freeze to end")
	}
}

// Source: IANA time zone database, Europe/Amsterdam: clocks go forward on 30
// March 2031 at 02:00, back on 26 October 2031 at 03:00.
func TestClockChangesAreTold(t *testing.T) {
	ws := smallWorkspace(t, 1, 1)
	ws.Campaign.Zone = "Europe/Amsterdam"
	w := both
	w.To = []string{"7.1-p1"}
	for start, want := range map[string]string{"20310330T023000": "does not exist that night", "20311026T023000": "comes twice that night", "20310329T220000": "the clocks change inside it: 6h0m0s"} {
		ws.Calendars["windows.ics"] = calendarOf(event("w", start, 6, "", ""))
		w.From, w.Until = march, march.AddDate(1, 0, 0)
		c, err := use(t, ws).Campaign(t.Context(), w)
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Nights) != 1 || !strings.Contains(strings.Join(c.Nights[0].Warnings, "\n"), want) || !strings.Contains(strings.Join(c.Warnings, "\n"), want) {
			t.Errorf("%s: %v, want %q", start, c.Nights[0].Warnings, want)
		}
	}
}

func TestRevise(t *testing.T) {
	ws := smallWorkspace(t, 2, 3)
	ws.Campaign.Engineers = []policy.Engineer{{Name: "Ada", AtOnce: 2}}
	a := use(t, ws)
	first, err := a.Campaign(t.Context(), both)
	if err != nil {
		t.Fatal(err)
	}
	night := func(c *plan.Campaign, id fleet.DeviceID) (time.Time, string) {
		var at time.Time
		outcome := ""
		for _, n := range c.Nights {
			for _, x := range n.Tasks {
				if x.Device == id && (x.Outcome == "" || x.Outcome == OutcomeDone) {
					at, outcome = n.Start, x.Outcome
				}
			}
		}
		return at, outcome
	}
	// The first two nights are over; one device of the second failed.
	r := ReviseWant{Kept: first, Now: first.Nights[1].End.Add(time.Hour)}
	var failed fleet.DeviceID
	done := map[fleet.DeviceID]bool{}
	for k, n := range first.Nights[:2] {
		for j, x := range n.Tasks {
			o := Outcome{Device: string(x.Device), Result: OutcomeDone, At: x.End}
			if k == 1 && j == 0 {
				failed = x.Device
				o.Result, o.Note = OutcomeFailed, "a fan"
			} else {
				done[x.Device] = true
			}
			r.Outcomes = append(r.Outcomes, o)
		}
	}
	w := both
	w.To, w.Until = nil, time.Time{}
	second, err := a.Revise(t.Context(), r, w)
	if err != nil {
		t.Fatal(err)
	}
	for id := range done {
		was, _ := night(first, id)
		if is, outcome := night(second, id); !is.Equal(was) || outcome != OutcomeDone {
			t.Errorf("%s was done at %s and is now at %s, %q", id, was, is, outcome)
		}
	}
	if is, _ := night(second, failed); is.Before(r.Now) {
		t.Errorf("%s failed and is now at %s", failed, is)
	}
	if len(second.Changes) < 1 || len(second.Changes) < second.LeastMoves || second.Revises == "" {
		t.Fatalf("%+v at least %d, revises %q", second.Changes, second.LeastMoves, second.Revises)
	}
	said := false
	for _, x := range second.Changes {
		was, _ := night(first, x.Device)
		is, _ := night(second, x.Device)
		if !x.Was.Equal(was) || !x.Is.Equal(is) || was.Equal(is) {
			t.Errorf("%+v, was %s, is %s", x, was, is)
		}
		said = said || x.Device == failed && strings.Contains(x.Why, "failed on") && strings.Contains(x.Why, "a fan")
	}
	if !said {
		t.Errorf("nothing says that %s failed: %+v", failed, second.Changes)
	}
	for _, d := range ws.Fleet.Devices {
		was, _ := night(first, d.ID)
		is, _ := night(second, d.ID)
		changed := false
		for _, x := range second.Changes {
			changed = changed || x.Device == d.ID
		}
		if was.Equal(is) == changed {
			t.Errorf("%s: %s to %s, listed as changed: %v", d.ID, was, is, changed)
		}
	}
	// The rest of the rules, for what is still to do.
	rest := *second
	rest.Nights, rest.Devices, rest.There = nil, nil, nil
	open := *ws.Fleet
	open.Devices = nil
	for _, n := range second.Nights {
		if !n.Start.Before(r.Now) {
			n.Number = len(rest.Nights) + 1
			if n.Load != nil {
				n.Load = nil // checked with the first campaign; drains are the same kind
			}
			rest.Nights = append(rest.Nights, n)
		}
	}
	for _, d := range second.Devices {
		if !done[d.Device] {
			x, _ := ws.Fleet.Device(d.Device)
			open.Devices = append(open.Devices, x)
			d.Night -= len(second.Nights) - len(rest.Nights)
			rest.Devices = append(rest.Devices, d)
		}
	}
	rest.Served = nil
	rest.Proof = plan.Proof{Nights: len(rest.Nights)}
	ws2 := *ws
	ws2.Fleet = &open
	if broken := brokenCampaign(&ws2, both, &rest); len(broken) > 0 {
		t.Error(strings.Join(broken, "\n"))
	}
	// A revision of the revision, with nothing new, changes nothing.
	third, err := a.Revise(t.Context(), ReviseWant{Kept: second, Now: r.Now}, w)
	if err != nil || len(third.Changes) != 0 || len(third.Nights) != len(second.Nights) {
		t.Errorf("%+v %v", third, err)
	}
	// The fleet file says that all is done: nothing is left.
	for i := range ws.Fleet.Devices {
		ws.Fleet.Devices[i].Release = map[string]string{"alder-9": "4.4.2", "willow-3": "7.1-p1"}[ws.Fleet.Devices[i].Platform]
	}
	last, err := a.Revise(t.Context(), ReviseWant{Kept: second, Now: r.Now}, w)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range ws.Fleet.Devices {
		if at, outcome := night(last, d.ID); outcome != OutcomeDone || !at.Before(r.Now) {
			t.Errorf("%s is at %s, %q", d.ID, at, outcome)
		}
	}
	for name, bad := range map[string]ReviseWant{
		"an unknown device":        {Kept: first, Now: r.Now, Outcomes: []Outcome{{Device: "weir-1", Result: OutcomeDone, At: r.Now}}},
		"an outcome of the future": {Kept: first, Now: r.Now, Outcomes: []Outcome{{Device: string(failed), Result: OutcomeDone, At: r.Now.Add(time.Hour)}}},
	} {
		if _, err := a.Revise(t.Context(), bad, w); !errors.Is(err, ErrNotRevisable) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

func TestReadOutcomes(t *testing.T) {
	good := "outcomes:\n  - {device: mere-agg-1, result: done, at: 2031-03-04T01:00:00Z}\n"
	if o, err := ReadOutcomes("o.yaml", []byte(good)); err != nil || len(o) != 1 || o[0].Result != OutcomeDone {
		t.Errorf("%+v %v", o, err)
	}
	for src, want := range map[string]string{
		strings.Replace(good, "done", "dnoe", 1):                                      `o.yaml:2:34: outcomes[0].result: "dnoe"; want one of done, failed; did you mean "done"?`,
		good + "  - {device: mere-agg-1, result: failed, at: 2031-03-04T02:00:00Z}\n": `the device "mere-agg-1" a second time`,
	} {
		if _, err := ReadOutcomes("o.yaml", []byte(src)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	for _, src := range []string{"", "{}", `{"operator": 1}`, `{"unknown": true}`} {
		if _, err := ReadCampaign("plan.json", []byte(src)); !errors.Is(err, ErrNotRevisable) {
			t.Errorf("%q: got %v", src, err)
		}
	}
}
