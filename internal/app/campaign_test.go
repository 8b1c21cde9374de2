package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"
	"pgregory.net/rapid"

	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/schedule"
	"towpath/internal/unit"
	"towpath/internal/workspace"
)

// tester is a test or a property.
type tester interface {
	Helper()
	Fatal(args ...any)
}

// still is a clock that stands.
type still struct {
	WallClock
	at time.Time
}

func (s still) Now() time.Time { return s.at }

// calendarOf is a calendar of the events.
func calendarOf(events ...string) []byte {
	return []byte("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Ostermoor Water and Light//EN\r\n" + strings.Join(events, "") + "END:VCALENDAR\r\n")
}

func event(uid, start string, hours int, rule, site string) string {
	s := fmt.Sprintf("BEGIN:VEVENT\r\nUID:%s\r\nDTSTAMP:20310101T000000Z\r\nSUMMARY:%s\r\nDTSTART:%s\r\nDURATION:PT%dH\r\n", uid, uid, start, hours)
	if rule != "" {
		s += "RRULE:" + rule + "\r\n"
	}
	if site != "" {
		s += "LOCATION:" + site + "\r\n"
	}
	return s + "END:VEVENT\r\n"
}

var everyOtherNight = event("nights", "20310303T220000Z", 6, "FREQ=DAILY;INTERVAL=2", "")

// smallWorkspace is a fleet of a core pair and sites with an aggregation pair and
// access switches each, with a calendar and the example's catalogue.
func smallWorkspace(t tester, sites, access int) *workspace.Workspace {
	t.Helper()
	return workspaceWith(catalogueOf(t), sites, access)
}

func catalogueOf(t tester) *release.Catalogue {
	t.Helper()
	src, err := os.ReadFile("../../examples/ostermoor/releases.yaml")
	if err != nil {
		t.Fatal(err)
	}
	cat, err := release.Read("releases.yaml", src)
	if err != nil {
		t.Fatal(err)
	}
	return cat
}

func workspaceWith(cat *release.Catalogue, sites, access int) *workspace.Workspace {
	f := &fleet.Fleet{Operator: "Ostermoor Water and Light"}
	link := func(a, b fleet.DeviceID, bps float64) {
		id := fmt.Sprintf("%s-%s", a, b)
		f.Links = append(f.Links, fleet.Link{ID: id, A: fleet.Endpoint{Device: a, Interface: id}, B: fleet.Endpoint{Device: b, Interface: id}, Capacity: unit.BitRate(bps)})
	}
	chassis := func(id, site, role string) fleet.DeviceID {
		f.Devices = append(f.Devices, fleet.Device{ID: fleet.DeviceID(id), Platform: "alder-9", Site: site, Role: role, Release: "4.2.3", Serves: []string{site},
			Components: []fleet.Component{{Name: "CTL-0", Kind: "CONTROLLER_CARD", Part: "AL-CTL2"}, {Name: "CTL-1", Kind: "CONTROLLER_CARD", Part: "AL-CTL2"}, {Name: "LC-1", Kind: "LINECARD", Part: "AL-LC12", Firmware: "3.2"}}})
		return fleet.DeviceID(id)
	}
	c1, c2 := chassis("core-1", "hub", "core"), chassis("core-2", "hub", "core")
	link(c1, c2, 400e9)
	f.Groups = append(f.Groups, fleet.RedundancyGroup{Name: "core", Members: []fleet.DeviceID{c1, c2}, AtLeast: 1})
	for s := range sites {
		site := fmt.Sprintf("site-%d", s+1)
		a, b := chassis(fmt.Sprintf("agg-%d-1", s+1), site, "aggregation"), chassis(fmt.Sprintf("agg-%d-2", s+1), site, "aggregation")
		f.Groups = append(f.Groups, fleet.RedundancyGroup{Name: site, Members: []fleet.DeviceID{a, b}, AtLeast: 1})
		for _, x := range []fleet.DeviceID{a, b} {
			link(x, c1, 100e9)
			link(x, c2, 100e9)
		}
		link(a, b, 100e9)
		for k := range access {
			d := fleet.DeviceID(fmt.Sprintf("acc-%d-%d", s+1, k+1))
			f.Devices = append(f.Devices, fleet.Device{ID: d, Platform: "willow-3", Site: site, Role: "access", Release: "7.1"})
			link(d, a, 10e9)
			link(d, b, 10e9)
			f.Demands = append(f.Demands, fleet.Demand{From: d, To: []fleet.DeviceID{c1, c2}[k%2], Rate: 4e9})
		}
	}
	conf := policy.DefaultCampaign()
	conf.Windows, conf.Runs = []string{"windows.ics"}, 300
	return &workspace.Workspace{Fleet: f, Catalogue: cat, Policy: policy.Default(), Campaign: &conf, Calendars: map[string][]byte{"windows.ics": calendarOf(everyOtherNight)}}
}

var (
	march = time.Date(2031, 3, 1, 0, 0, 0, 0, time.UTC)
	both  = CampaignWant{To: []string{"4.4.2", "7.1-p1"}, From: march, Until: march.AddDate(0, 2, 0), AllowReload: true, Seed: 1, Limits: schedule.Limits{Seed: 1, Moves: 100_000, Nodes: 200_000}}
)

func use(t tester, ws *workspace.Workspace) *App {
	t.Helper()
	a, err := New(ws, nil, still{at: march})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// brokenCampaign is a slow checker of a whole campaign document. It reads the
// workspace and the document, and shares nothing with what makes campaigns but
// the shortest paths, which it has computed from scratch.
func brokenCampaign(ws *workspace.Workspace, w CampaignWant, c *plan.Campaign) []string {
	var out []string
	say := func(format string, a ...any) { out = append(out, fmt.Sprintf(format, a...)) }
	conf := ws.Campaign
	devices := map[fleet.DeviceID]fleet.Device{}
	for _, d := range ws.Fleet.Devices {
		devices[d.ID] = d
	}
	places := map[fleet.DeviceID]int{}
	start, end, stage := map[fleet.DeviceID]time.Time{}, map[fleet.DeviceID]time.Time{}, map[fleet.DeviceID]int{}
	for _, u := range c.Left {
		places[u.Device]++
		if u.Reason == "" {
			say("%s is left out without a reason", u.Device)
		}
	}
	for _, d := range c.There {
		places[d]++
		if devices[d].Release != "4.4.2" && devices[d].Release != "7.1-p1" {
			say("%s runs %s and is said to be there", d, devices[d].Release)
		}
	}
	courses := map[fleet.DeviceID]plan.DeviceCourse{}
	for _, d := range c.Devices {
		if courses[d.Device].Device != "" {
			say("%s has two entries", d.Device)
		}
		courses[d.Device] = d
	}
	var last time.Time
	for k, n := range c.Nights {
		if n.Number != k+1 || n.Start.Before(last) || !n.Start.Before(n.End) {
			say("night %d is number %d, %s to %s", k+1, n.Number, n.Start, n.End)
		}
		last = n.End
		if n.Start.Before(w.From) || !n.Start.Before(w.Until) {
			say("night %d begins at %s", n.Number, n.Start)
		}
		perSite := map[string]int{}
		var sum int64
		outNow := map[fleet.DeviceID]bool{}
		for _, t := range n.Tasks {
			places[t.Device]++
			d, x := devices[t.Device], courses[t.Device]
			outNow[t.Device] = true
			start[t.Device], end[t.Device], stage[t.Device] = n.Start, n.End, x.Stage
			perSite[d.Site]++
			sum += int64(t.End.Sub(t.Start) / time.Minute)
			if x.Night != n.Number || t.End.Sub(t.Start) != x.Kept || t.Start.Before(n.Start) || t.End.After(n.End) {
				say("%s: night %d, %s to %s, %v kept", t.Device, x.Night, t.Start, t.End, x.Kept)
			}
			if x.P50 > x.P95 || x.Kept < x.P50 || x.Done < conf.Done-0.05 || x.Back == nil && x.NoBack == "" || x.Back != nil && *x.Back < conf.Back-0.06 {
				say("%s: %v, %v of %v kept; done %v, back %v %q", t.Device, x.P50, x.P95, x.Kept, x.Done, x.Back, x.NoBack)
			}
			if len(x.Hops) == 0 || x.Hops[0].From != d.Release || x.Hops[len(x.Hops)-1].To != x.To {
				say("%s has the hops %+v", t.Device, x.Hops)
			}
			if x.Risk.Weight != x.Risk.Exposure*x.Risk.Criticality || len(x.Risk.Why) == 0 {
				say("%s has the risk %+v", t.Device, x.Risk)
			}
			if !x.Deadline.IsZero() && n.End.After(x.Deadline) {
				say("%s is done after its deadline", t.Device)
			}
			for _, f := range ws.Policy.Freezes {
				if n.Start.Before(f.Until) && f.From.Before(n.End) && (len(f.Sites) == 0 || slices.Contains(f.Sites, d.Site)) {
					say("%s is done in the freeze %s", t.Device, f.Name)
				}
			}
			at := 0
			var who *policy.Engineer
			for i := range conf.Engineers {
				if conf.Engineers[i].Name == t.Engineer {
					who = &conf.Engineers[i]
				}
			}
			for _, u := range n.Tasks {
				if u.Engineer == t.Engineer && !t.Start.Before(u.Start) && t.Start.Before(u.End) {
					at++
				}
				if u.Device != t.Device && u.Lane == t.Lane && t.Start.Before(u.End) && u.Start.Before(t.End) {
					say("%s and %s overlap in lane %d", t.Device, u.Device, t.Lane)
				}
			}
			switch {
			case len(conf.Engineers) > 0 && who == nil:
				say("%s is done by %q", t.Device, t.Engineer)
			case who != nil && at > max(1, who.AtOnce):
				say("%s does %d at once", who.Name, at)
			case who != nil && len(who.Sites) > 0 && !slices.Contains(who.Sites, d.Site):
				say("%s is at %s", who.Name, d.Site)
			case who == nil && conf.AtOnce > 0 && at > conf.AtOnce:
				say("%d at once", at)
			}
		}
		if sum != n.Minutes {
			say("night %d has %d minutes, its tasks %d", n.Number, n.Minutes, sum)
		}
		for s, k := range perSite {
			if conf.PerSite > 0 && k > conf.PerSite {
				say("%d devices of %s in night %d", k, s, n.Number)
			}
		}
		for _, g := range ws.Fleet.Groups {
			up := len(g.Members)
			for _, m := range g.Members {
				if outNow[m] {
					up--
				}
			}
			if up < g.AtLeast {
				say("group %s keeps %d in night %d", g.Name, up, n.Number)
			}
		}
		for _, l := range ws.Fleet.Links {
			if conf.NeighboursApart && outNow[l.A.Device] && outNow[l.B.Device] {
				say("neighbours %s and %s in night %d", l.A.Device, l.B.Device, n.Number)
			}
		}
		for _, team := range conf.Apart {
			k := 0
			for _, d := range team.Devices {
				if outNow[fleet.DeviceID(d)] {
					k++
				}
			}
			if k > 1 {
				say("%d of %v in night %d", k, team.Devices, n.Number)
			}
		}
		out = append(out, brokenLoad(ws, n, outNow)...)
	}
	for _, d := range ws.Fleet.Devices {
		aimed := slices.ContainsFunc(c.Targets, func(t plan.Target) bool { return t.Platform == d.Platform })
		if aimed && places[d.ID] != 1 || !aimed && places[d.ID] != 0 {
			say("%s is in %d places", d.ID, places[d.ID])
		}
	}
	for a := range start {
		for b := range start {
			if stage[a] < stage[b] && start[b].Sub(end[a]) < conf.Soak {
				say("%s of stage %d ends %s, %s of stage %d begins %s", a, stage[a], end[a], b, stage[b], start[b])
			}
			i, j := slices.Index(conf.RoleOrder, devices[a].Role), slices.Index(conf.RoleOrder, devices[b].Role)
			if i >= 0 && j > i && stage[a] == stage[b] && !start[a].Before(start[b]) {
				say("%s (%s) is not before %s (%s)", a, devices[a].Role, b, devices[b].Role)
			}
		}
	}
	for _, s := range c.Served {
		for _, d := range s.Devices {
			serves := slices.Clone(devices[d].Serves)
			for _, l := range devices[d].LogicalNetworkElements {
				serves = append(serves, l.Serves...)
			}
			if !slices.Contains(serves, s.Who) || !slices.Contains(s.Nights, courses[d].Night) {
				say("%s is served by %s in %v", s.Who, d, s.Nights)
			}
		}
	}
	if p := c.Proof; p.Nights != len(c.Nights) || p.LowerBound > p.Nights || p.Proven != (p.LowerBound == p.Nights) {
		say("proof: %+v of %d nights", p, len(c.Nights))
	}
	return out
}

// brokenLoad computes the network of a night from scratch, and with every link
// failed on top.
func brokenLoad(ws *workspace.Workspace, n plan.Night, outNow map[fleet.DeviceID]bool) []string {
	if n.Load == nil {
		return nil
	}
	net, err := network.FromFleet(ws.Fleet, network.FleetOptions{})
	if err != nil {
		return []string{err.Error()}
	}
	var drains []network.Drain
	for _, d := range ws.Fleet.Devices {
		if outNow[d.ID] {
			drains = append(drains, network.Drain{Node: string(d.ID), How: network.NoTransit})
		}
	}
	var out []string
	st, err := net.Intact().With(network.Change{Drains: drains})
	if err != nil {
		return []string{err.Error()}
	}
	st = st.FromScratch()
	if r := st.Result(); math.Abs(r.MaxUtilisation-n.Load.Worst.Utilisation) > 1e-9 || r.MaxUtilisation > ws.Campaign.Utilisation+1e-9 || r.UnroutableDemands > 0 {
		out = append(out, fmt.Sprintf("night %d carries %+v, said is %+v", n.Number, r, n.Load.Worst))
	}
	worst := 0.0
	for _, l := range net.Links() {
		f, err := st.With(network.Change{Links: []string{l}})
		if err != nil {
			return []string{err.Error()}
		}
		worst = max(worst, f.FromScratch().Result().MaxUtilisation)
	}
	if len(ws.Campaign.AlsoFail) == 0 {
		return out
	}
	if f := n.Load.WorstFailure; f == nil || math.Abs(worst-f.Utilisation) > 1e-9 || worst > ws.Campaign.Utilisation+1e-9 {
		out = append(out, fmt.Sprintf("night %d carries %v after the worst failure, said is %+v", n.Number, worst, f))
	}
	return out
}

func TestCampaignOfTheExample(t *testing.T) {
	ws, err := workspace.Open("../../examples/ostermoor")
	if err != nil {
		t.Fatal(err)
	}
	a := use(t, ws)
	w := both
	w.From = time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	w.Until = w.From.AddDate(0, 3, 0)
	c, err := a.Campaign(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	if broken := brokenCampaign(ws, w, c); len(broken) > 0 {
		t.Fatal(strings.Join(broken, "\n"))
	}
	if len(c.Left) != 0 || len(c.There) != 1 || !c.Proof.Proven {
		t.Errorf("%+v %+v %+v", c.Left, c.There, c.Proof)
	}
	// mere-agg-1 has a card to raise, two hops in service, and a way back.
	d, _ := c.Course("mere-agg-1")
	if len(d.Hops) != 2 || d.Hops[0].Method != release.InService || d.Hops[0].Silence == 0 || d.Back == nil || d.DecideBy.After(d.RollbackClock) || len(d.Matters) != 5 {
		t.Errorf("%+v", d)
	}
	if d, _ := c.Course("ost-core-1"); d.Hops[0].Method != release.Reload || d.Hops[0].Outage == 0 || d.Risk.Exposure != 4 || d.Risk.Criticality != 8 {
		t.Errorf("%+v", d)
	}
	again, err := a.Campaign(t.Context(), w)
	if err != nil || !reflect.DeepEqual(c, again) {
		t.Errorf("the same seed gives another campaign: %v", err)
	}
	// Without reloads the core has no path, and the reason is the catalogue's.
	w.AllowReload, w.To = false, []string{"4.4.2"}
	c, err = a.Campaign(t.Context(), w)
	if err != nil || len(c.Left) != 2 || !strings.Contains(c.Left[0].Reason, "cannot be reached") || len(c.Left[0].Opens) == 0 {
		t.Errorf("%+v %v", c, err)
	}
}

// No campaign of a drawn workspace breaks a rule.
func TestNoCampaignBreaksARule(t *testing.T) {
	made, refused := 0, 0
	cat := catalogueOf(t)
	rapid.Check(t, func(t *rapid.T) {
		ws := workspaceWith(cat, rapid.IntRange(1, 2).Draw(t, "sites"), rapid.IntRange(1, 3).Draw(t, "access"))
		conf := ws.Campaign
		conf.Runs = 100
		conf.PerSite = rapid.IntRange(0, 3).Draw(t, "per site")
		conf.NeighboursApart = rapid.Bool().Draw(t, "neighbours")
		conf.CanaryCount = rapid.IntRange(0, 2).Draw(t, "canaries")
		conf.Growth = rapid.SampledFrom([][]float64{nil, {0.3}, {0.2, 0.6}}).Draw(t, "growth")
		conf.Soak = time.Duration(rapid.IntRange(0, 3).Draw(t, "soak")) * 24 * time.Hour
		conf.RoleOrder = rapid.SampledFrom([][]string{nil, {"access", "core"}, {"access", "aggregation", "core"}}).Draw(t, "roles")
		conf.Utilisation = rapid.SampledFrom([]float64{0.5, 0.9, 1}).Draw(t, "limit")
		conf.AlsoFail = rapid.SampledFrom([][]string{{"link"}, {"link", "node"}}).Draw(t, "also fail")
		conf.Back = rapid.SampledFrom([]float64{0, 0.9}).Draw(t, "back")
		switch rapid.IntRange(0, 2).Draw(t, "people") {
		case 0:
			conf.AtOnce = rapid.IntRange(1, 4).Draw(t, "at once")
		case 1:
			conf.Engineers = []policy.Engineer{{Name: "Ada", AtOnce: rapid.IntRange(0, 2).Draw(t, "Ada")}, {Name: "Bo", Sites: []string{"site-1", "hub"}}}
		}
		if rapid.Bool().Draw(t, "apart") {
			conf.Apart = []policy.DeviceTeam{{Devices: []string{"core-1", "agg-1-1", "acc-1-1"}}}
		}
		if rapid.Bool().Draw(t, "deadline") {
			conf.Deadlines = []policy.Deadline{{By: march.AddDate(0, 0, rapid.IntRange(3, 40).Draw(t, "by")), Roles: []string{"aggregation"}}}
		}
		if rapid.Bool().Draw(t, "freeze") {
			from := march.AddDate(0, 0, rapid.IntRange(0, 10).Draw(t, "from"))
			ws.Policy.Freezes = []policy.Freeze{{Name: "freeze", From: from, Until: from.AddDate(0, 0, rapid.IntRange(1, 9).Draw(t, "days")), Sites: rapid.SampledFrom([][]string{nil, {"site-1"}}).Draw(t, "site")}}
		}
		for i := range ws.Fleet.Devices {
			if rapid.IntRange(0, 5).Draw(t, "there") == 0 {
				ws.Fleet.Devices[i].Release = map[string]string{"alder-9": "4.4.2", "willow-3": "7.1-p1"}[ws.Fleet.Devices[i].Platform]
			}
		}
		w := both
		w.Until = march.AddDate(0, 0, rapid.IntRange(10, 60).Draw(t, "until"))
		w.LeaveOut = rapid.Bool().Draw(t, "leave out")
		w.Limits = schedule.Limits{Moves: 10_000, Nodes: 20_000}
		a, err := New(ws, nil, still{at: march})
		if err != nil {
			t.Fatal(err)
		}
		c, err := a.Campaign(context.Background(), w)
		var b *Blocked
		switch {
		case errors.As(err, &b):
			refused++
			if len(b.Why.Rules) == 0 || len(b.Why.Items) == 0 || !strings.Contains(err.Error(), b.Why.Rules[0].Says) {
				t.Fatalf("%v explains nothing", err)
			}
			return
		case errors.Is(err, ErrNoWindow), errors.Is(err, schedule.ErrUndecided), errors.Is(err, schedule.ErrInfeasible):
			return
		case err != nil:
			t.Fatal(err)
		}
		made++
		if broken := brokenCampaign(ws, w, c); len(broken) > 0 {
			t.Fatal(strings.Join(broken, "\n"))
		}
	})
	t.Logf("%d made, %d refused", made, refused)
	if made < 10 || refused < 1 {
		t.Errorf("%d made, %d refused: the draw is one-sided", made, refused)
	}
}

// Source: RFC 5545 §3.1, lines of 75 octets at most; read back by another reader
// than the one that wrote it.
func TestCampaignCalendarIsFolded(t *testing.T) {
	ws := smallWorkspace(t, 1, 3)
	ws.Fleet.Operator = "Ostermoor Wasser und Licht, Abteilung für Übertragung und Vermittlung der Grafschaft"
	ws.Campaign.Engineers = []policy.Engineer{{Name: "Ada Überlinger-Nørgård", AtOnce: 2}}
	c, err := use(t, ws).Campaign(t.Context(), both)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := CampaignCalendar(&b, c); err != nil {
		t.Fatal(err)
	}
	for line := range strings.SplitSeq(b.String(), "\r\n") {
		if len(line) > 75 || !utf8.ValidString(line) {
			t.Errorf("a line of %d octets: %q", len(line), line)
		}
	}
	if !strings.Contains(b.String(), "\r\n ") {
		t.Error("no line was folded: the campaign is too short for the test")
	}
	cal, err := ics.ParseCalendar(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	events := cal.Events()
	if len(events) != len(c.Nights) || len(events) == 0 {
		t.Fatalf("%d events, %d nights", len(events), len(c.Nights))
	}
	for k, n := range c.Nights {
		if got, want := events[k].GetProperty(ics.ComponentPropertySummary).Value, ws.Fleet.Operator; !strings.HasPrefix(strings.ReplaceAll(got, "\\,", ","), want) {
			t.Errorf("the summary is %q, want %q first", got, want)
		}
		for _, x := range n.Tasks {
			if got := events[k].GetProperty(ics.ComponentPropertyDescription).Value; !strings.Contains(got, string(x.Device)) || !strings.Contains(got, x.Engineer) {
				t.Errorf("night %d says %q, want %s by %s in it", n.Number, got, x.Device, x.Engineer)
			}
		}
	}
}
