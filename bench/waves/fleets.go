package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/schedule"
	"towpath/internal/unit"
	"towpath/internal/workspace"
)

// standing is a clock that stands still.
type standing struct {
	app.WallClock
	at time.Time
}

func (s standing) Now() time.Time { return s.at }

var _ conduct.Clock = standing{}

// begins is when the campaigns of made fleets are made.
var begins = time.Date(2031, 3, 1, 12, 0, 0, 0, time.UTC)

// madeWorkspace is a fleet of about n devices with calendar and rules: sites of
// two aggregation devices as a redundancy pair, with access devices on both that
// may be out one quarter at a time; eight sites on each pair of the core, which
// is a ring of pairs. Every access device sends to the core. A link bears its
// load with one member of a pair out and any one link failed on top.
func madeWorkspace(n int, catalogue *release.Catalogue) *workspace.Workspace {
	f := &fleet.Fleet{Operator: "Ostermoor Water and Light"}
	link := func(a, b fleet.DeviceID, bps float64) {
		id := fmt.Sprintf("l%d", len(f.Links))
		f.Links = append(f.Links, fleet.Link{ID: id, A: fleet.Endpoint{Device: a, Interface: id}, B: fleet.Endpoint{Device: b, Interface: id}, Capacity: unit.BitRate(bps)})
	}
	chassis := func(id, site, role string, cards int) fleet.DeviceID {
		d := fleet.Device{ID: fleet.DeviceID(id), Platform: "alder-9", Site: site, Role: role, Release: "4.2.3"}
		if len(f.Devices)%3 == 0 {
			d.Release = "4.2.5"
		}
		for k := range 2 {
			d.Components = append(d.Components, fleet.Component{Name: fmt.Sprintf("CTL-%d", k), Kind: "CONTROLLER_CARD", Part: "AL-CTL2"})
		}
		for k := range cards {
			d.Components = append(d.Components, fleet.Component{Name: fmt.Sprintf("LC-%d", k+1), Kind: "LINECARD", Part: "AL-LC48", Firmware: []string{"1.9", "1.7"}[(len(f.Devices)+k)%2]})
		}
		f.Devices = append(f.Devices, d)
		return d.ID
	}
	const perSite = 25
	sites := max(1, n/perSite)
	cores := 2 * ((sites + 7) / 8)
	var core []fleet.DeviceID
	for k := range cores {
		core = append(core, chassis(fmt.Sprintf("core-%d", k), fmt.Sprintf("hub-%d", k/2), "core", 4))
	}
	for k := 0; k < cores; k += 2 {
		f.Groups = append(f.Groups, fleet.RedundancyGroup{Name: fmt.Sprintf("hub-%d", k/2), Members: core[k : k+2], AtLeast: 1})
		link(core[k], core[k+1], 400e9)
		if cores > 2 {
			link(core[k], core[(k+2)%cores], 400e9)
			link(core[k+1], core[(k+3)%cores], 400e9)
		}
	}
	for s := range sites {
		site, hub := fmt.Sprintf("site-%d", s), s/8*2
		a, b := chassis(fmt.Sprintf("agg-%d-1", s), site, "aggregation", 2), chassis(fmt.Sprintf("agg-%d-2", s), site, "aggregation", 2)
		f.Groups = append(f.Groups, fleet.RedundancyGroup{Name: "pair-" + site, Members: []fleet.DeviceID{a, b}, AtLeast: 1})
		for _, x := range []fleet.DeviceID{a, b} {
			link(x, core[hub], 100e9)
			link(x, core[hub+1], 100e9)
		}
		link(a, b, 100e9)
		var around []fleet.DeviceID
		for k := 0; len(f.Devices) < n && k < perSite-2 || k < 2; k++ {
			c := fleet.DeviceID(fmt.Sprintf("acc-%d-%d", s, k))
			f.Devices = append(f.Devices, fleet.Device{ID: c, Platform: "willow-3", Site: site, Role: "access", Release: "7.1", Serves: []string{fmt.Sprintf("quarter %d of %s", k%4, site)}})
			link(c, a, 10e9)
			link(c, b, 10e9)
			around = append(around, c)
			f.Demands = append(f.Demands, fleet.Demand{From: c, To: core[hub+k%2], Rate: unit.BitRate(2e9)})
		}
		f.Groups = append(f.Groups, fleet.RedundancyGroup{Name: "access-" + site, Members: around, AtLeast: len(around) - max(1, len(around)/4)})
	}
	c := policy.DefaultCampaign()
	c.Zone, c.Windows = "Europe/Amsterdam", []string{"windows.ics"}
	c.PerSite, c.Growth, c.Soak = 6, []float64{0.1}, 72*time.Hour
	for k := range max(4, n/250) {
		c.Engineers = append(c.Engineers, policy.Engineer{Name: fmt.Sprintf("engineer %d", k+1), AtOnce: 1 + k%2})
	}
	return &workspace.Workspace{Fleet: f, Catalogue: catalogue, Policy: policy.Default(), Campaign: &c, Calendars: map[string][]byte{"windows.ics": []byte(
		"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Ostermoor Water and Light//Windows//EN\r\n" +
			"BEGIN:VEVENT\r\nUID:nights\r\nDTSTAMP:20310101T000000Z\r\nDTSTART;TZID=Europe/Amsterdam:20310303T220000\r\nDURATION:PT6H\r\n" +
			"RRULE:FREQ=DAILY;INTERVAL=2\r\nSUMMARY:Night\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n")}}
}

// fleets makes campaigns of generated fleets and prints what they took.
func fleets(ctx context.Context, out io.Writer, sizes []int, catalogue string) error {
	src, err := os.ReadFile(filepath.Clean(catalogue))
	if err != nil {
		return err
	}
	cat, err := release.Read(catalogue, src)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "%8s %8s %8s %7s %9s %7s %8s %9s %9s %8s %8s\n", "devices", "links", "demands", "nights", "at least", "gap %", "worst %", "N-1 %", "seconds", "growth", "failures")
	var last float64
	for _, n := range sizes {
		ws := madeWorkspace(n, cat)
		a, err := app.New(ws, nil, standing{at: begins})
		if err != nil {
			return err
		}
		t0 := time.Now()
		c, err := a.Campaign(ctx, app.CampaignWant{To: []string{"4.4.2", "7.1-p1"}, From: begins, Until: begins.AddDate(2, 0, 0), AllowReload: true, Seed: 1, Limits: schedule.Limits{Seed: 1}})
		if err != nil {
			return fmt.Errorf("%d devices: %w", n, err)
		}
		took := time.Since(t0).Seconds()
		growth := ""
		if last > 0 {
			growth = fmt.Sprintf("×%.1f", took/last)
		}
		last = took
		failure := "≤ limit"
		if w := c.Network.WorstFailure; w != nil {
			failure = fmt.Sprintf("%.0f", 100*w.Utilisation)
		}
		fmt.Fprintf(out, "%8d %8d %8d %7d %9d %7.1f %8.0f %9s %9.2f %8s %8d\n", len(ws.Fleet.Devices), len(ws.Fleet.Links), len(ws.Fleet.Demands), c.Proof.Nights, c.Proof.LowerBound,
			100*c.Proof.Gap, 100*c.Network.Worst.Utilisation, failure, took, growth, c.Network.Failures)
		if len(c.Left) > 0 {
			return fmt.Errorf("%d devices: %d have no night, such as %s: %s", n, len(c.Left), c.Left[0].Device, c.Left[0].Reason)
		}
	}
	return nil
}
