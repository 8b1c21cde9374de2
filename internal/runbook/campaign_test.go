package runbook

import (
	"fmt"
	"strings"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/plan"
)

// sample is a campaign of n devices, six or so a night, as the engines would
// give it: figures differ from device to device, some have no way back, one
// name is long, and one night crosses a change of the clock.
func sample(n int) *plan.Campaign {
	zone := time.FixedZone("", 3600)
	at := time.Date(2031, 3, 4, 1, 0, 0, 0, zone)
	c := &plan.Campaign{
		Operator: "Ostermoor Water and Light", MadeAt: time.Date(2031, 2, 20, 9, 30, 0, 0, zone), Workspace: strings.Repeat("0123456789abcdef", 4),
		Targets: []plan.Target{{Platform: "alder-9", Release: "4.4.2", Devices: n + 3}},
		From:    at.AddDate(0, 0, -10), Until: at.AddDate(0, 8, 0), Zone: "Europe/Oslo", Seed: 7, Runs: 4000, AskedDone: 0.95, AskedBack: 0.9,
		There:    []fleet.DeviceID{"sluice-core-1", "sluice-core-2"},
		Left:     []plan.Unscheduled{{Device: "weir-edge-9", Platform: "alder-9", From: "3.9.1", To: "4.4.2", Reason: "no window of site weir is long enough: the work and its rollback take 5h10m with 95 %, the longest window has 4h", Opens: []string{"a window of 5h15m at weir", "a path with fewer hops"}}},
		Rules:    []string{"of mere-agg-1 and mere-agg-2 one stays in service", "no link above 80 % with any single link failed", "each engineer works on one device at a time"},
		Stop:     []string{"Tell the shift lead: towpath pause stops new devices, none that is under way.", "Devices under way finish their hop or are rolled back before their rollback clock.", "Plan the rest anew: towpath waves --revise."},
		Warnings: []string{"Night 5 crosses a change of the clock.", "weir-edge-4: the fleet file lists no second controller card; one is taken for granted."},
		Cautions: plan.Cautions(), WindowsOffered: 60,
		Freezes: []plan.Period{{Start: at.AddDate(0, 0, 24), End: at.AddDate(0, 0, 31), Name: "spring tide"}},
		Network: &plan.NetworkCheck{Limit: 0.8, AlsoFail: []string{"link", "node"}, Worst: plan.Peak{Night: 2, Utilisation: 0.613, Link: "mere-sluice-1", From: "mere-agg-2", To: "sluice-core-1"},
			WorstFailure: &plan.Peak{Night: 2, Utilisation: 0.781, Link: "mere-sluice-1", From: "mere-agg-2", To: "sluice-core-1", Failure: "link mere-weir-2"}, Sets: 214, Failures: 5120, Weak: []string{"node sluice-core-1: 104 % on weir-sluice-2"}},
	}
	sites := []string{"mere", "weir", "sluice", "lock-nine", "Harbour exchange, north building"}
	engineers := []string{"Ada Fenwick", "Bram Okoro", "Ines Tvedt"}
	served := map[string]*plan.Served{}
	for k := 0; k < n; {
		number := len(c.Nights) + 1
		start := at.AddDate(0, 0, []int{0, 2, 7, 9}[(number-1)%4]+14*((number-1)/4))
		for start.After(c.Freezes[0].Start.AddDate(0, 0, -1)) && start.Before(c.Freezes[0].End) {
			start = start.AddDate(0, 0, 8)
		}
		night := plan.Night{Number: number, Start: start, End: start.Add(4 * time.Hour), Stage: min(number-1, 2), Room: 480}
		night.StageName = []string{"canaries", "first growth, one site at a time", "the rest"}[night.Stage]
		if number == 5 {
			night.End = night.End.In(time.FixedZone("", 7200))
		}
		size := 6
		if number == 1 {
			size = 2
		}
		done, back := 1.0, 1.0
		for j := 0; j < size && k < n; j, k = j+1, k+1 {
			begin := night.Start.Add(time.Duration(j/3) * 105 * time.Minute)
			id := fleet.DeviceID(fmt.Sprintf("%s-edge-%d", sites[k%4], k+1))
			if k == 3 {
				id = "harbour-exchange-north-building-aggregation-switch-0004.ostermoor.example"
			}
			who := engineers[j%3]
			task := plan.Task{Device: id, Start: begin, End: begin.Add(95 * time.Minute), Engineer: who, Lane: j % 3}
			night.Tasks = append(night.Tasks, task)
			night.Minutes += 95
			p, q, u := 0.97-0.001*float64(k%20), 0.95-0.001*float64(k%20), 0.9+0.004*float64(k%20)
			d := plan.DeviceCourse{Device: id, Platform: "alder-9", Site: sites[k%5], Role: "edge", From: "4.2.3", To: "4.4.2", Night: number, Stage: night.Stage,
				Hops: []plan.CourseHop{{From: "4.2.3", To: "4.3.1", Method: "in-service", Silence: 2200 * time.Millisecond, Back: "in-service"}, {From: "4.3.1", To: "4.4.2", Method: "in-service", Silence: 1800 * time.Millisecond, Back: "in-service"}},
				Kept: 95 * time.Minute, Mean: 71 * time.Minute, P50: 70 * time.Minute, P95: 88 * time.Minute, Done: p, Back: &q, Untouched: &u,
				RollbackClock: begin.Add(82 * time.Minute), DecideBy: begin.Add(time.Duration(50+k%25) * time.Minute),
				Matters: []plan.StepShare{{Step: "07-load-secondary", Title: "Restart the secondary controller card CTL-B into 4.3.1 and wait until it is ready", Low: 66 * time.Minute, High: 79 * time.Minute, Share: 0.44}},
				Learned: k % 3, Risk: plan.Risk{Exposure: 2, Criticality: float64(1 + k%5), Weight: float64(2 + 2*(k%5)), Why: []string{"4.2.3 has two security advisories", "serves a hospital"}},
				Serves: []string{"pumping station " + fmt.Sprint(k%7+1)}, Partners: []fleet.DeviceID{"mere-agg-2"}}
			if k%11 == 4 {
				d.Hops[1].Method, d.Hops[1].Silence, d.Hops[1].Outage, d.Hops[1].Back = "reload", 0, 9*time.Minute, ""
				d.Back, d.NoBack, d.RollbackClock, d.DecideBy = nil, "4.4.2 writes a configuration that 4.3.1 cannot read", time.Time{}, time.Time{}
				night.Back = nil
			}
			if k%4 == 1 {
				d.Deadline = at.AddDate(0, 0, 20+60*(k%3))
			}
			if k == 0 {
				d.Assumed = []string{"the fleet file lists no second controller card; one is taken for granted"}
			}
			done, back = done*p, back*q
			name := d.Serves[0]
			if served[name] == nil {
				served[name] = &plan.Served{Who: name}
			}
			s := served[name]
			s.Devices = append(s.Devices, id)
			if len(s.Nights) == 0 || s.Nights[len(s.Nights)-1] != number {
				s.Nights = append(s.Nights, number)
			}
			s.Outage = s.Outage || d.Back == nil
			c.Devices = append(c.Devices, d)
		}
		night.Engineers = engineers[:min(3, len(night.Tasks))]
		night.Done, night.Back, night.RollbackClock = done, &back, night.Start.Add(82*time.Minute)
		night.Load = &plan.NightLoad{Worst: c.Network.Worst, WorstFailure: c.Network.WorstFailure}
		c.Nights = append(c.Nights, night)
	}
	for i := 0; i < 60; i++ {
		start := at.AddDate(0, 0, []int{0, 2, 7, 9}[i%4]+14*(i/4))
		c.Offered = append(c.Offered, plan.Period{Start: start, End: start.Add(4 * time.Hour)})
	}
	for _, i := range []int{1, 2, 3, 4, 5, 6, 7} {
		if s := served[fmt.Sprintf("pumping station %d", i)]; s != nil {
			c.Served = append(c.Served, *s)
		}
	}
	c.Proof = plan.Proof{Nights: len(c.Nights), LowerBound: len(c.Nights) - 1, Bound: "the engineers can do 480 minutes in a night, and the devices need more than that many nights", Gap: 1 / float64(len(c.Nights)), RiskDays: 1234.5, WorstNight: 570}
	return c
}
