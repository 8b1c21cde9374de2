package app

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/timing"
)

// availability says what the campaign takes from the year's budget of downtime of
// each redundancy group, and of each device that is in none. While devices are
// out, a failure of the others is what brings the group below what must stay; the
// failures are independent, and what they take without the campaign is not
// counted as its cost.
func (m *campaigner) availability(c *plan.Campaign) error {
	conf := m.conf.Availability
	if conf.Target == 0 {
		return nil
	}
	a, err := timing.Availability(conf.BetweenFailures, conf.Repair)
	if err != nil {
		return fmt.Errorf("campaign.yaml, availability: %w", err)
	}
	out := &plan.AvailabilityCost{Target: conf.Target, Budget: timing.Downtime(conf.Target, timing.Year),
		Between: conf.BetweenFailures, Repair: conf.Repair, Device: a}
	courses := map[fleet.DeviceID]*plan.DeviceCourse{}
	for k := range c.Devices {
		courses[c.Devices[k].Device] = &c.Devices[k]
	}
	tasks := map[fleet.DeviceID][]plan.Task{}
	for _, n := range c.Nights {
		for _, t := range n.Tasks {
			tasks[t.Device] = append(tasks[t.Device], t)
		}
	}
	grouped := map[fleet.DeviceID]bool{}
	add := func(name string, members []fleet.DeviceID, atLeast int) {
		t := plan.TeamCost{Name: name, Members: len(members), AtLeast: atLeast}
		t.Failures = timing.Downtime(1-timing.Short(atLeast, len(members), a), timing.Year)
		var restarts, work []stretch
		for _, id := range members {
			d := courses[id]
			if d == nil || len(tasks[id]) == 0 {
				continue
			}
			t.Worked = append(t.Worked, id)
			t.Serves = append(t.Serves, d.Serves...)
			var outage time.Duration
			for _, h := range d.Hops {
				outage += h.Outage
			}
			for _, task := range tasks[id] {
				restarts = append(restarts, stretch{task.Start, task.Start.Add(outage)})
				work = append(work, stretch{task.Start, task.Start.Add(max(d.Mean, outage))})
			}
		}
		if len(t.Worked) == 0 {
			return
		}
		slices.SortStableFunc(t.Worked, func(x, y fleet.DeviceID) int { return tasks[x][0].Start.Compare(tasks[y][0].Start) })
		slices.Sort(t.Serves)
		t.Serves = slices.Compact(t.Serves)
		t.Restarts, t.Work = added(restarts, atLeast, len(members), a), added(work, atLeast, len(members), a)
		out.Teams = append(out.Teams, t)
	}
	for _, g := range m.app.Workspace.Fleet.Groups {
		for _, d := range g.Members {
			grouped[d] = true
		}
		add(g.Name, g.Members, g.AtLeast)
	}
	for _, d := range c.Devices {
		if !grouped[d.Device] {
			add(string(d.Device), []fleet.DeviceID{d.Device}, 1)
		}
	}
	slices.SortStableFunc(out.Teams, func(x, y plan.TeamCost) int {
		return cmp.Or(cmp.Compare(y.Work, x.Work), cmp.Compare(y.Restarts, x.Restarts))
	})
	c.Availability = out
	return nil
}

// stretch is a time in which one device is out.
type stretch struct{ from, to time.Time }

// added is the expected downtime that the stretches add to a group of n devices of
// which k must stay, each up with the probability a: at each instant the chance
// that too few of those are up which are not out, less the chance that there would
// be too few anyway.
func added(list []stretch, k, n int, a float64) time.Duration {
	var edges []time.Time
	for _, s := range list {
		if s.to.After(s.from) {
			edges = append(edges, s.from, s.to)
		}
	}
	slices.SortFunc(edges, time.Time.Compare)
	sum, base := 0.0, timing.Short(k, n, a)
	for i := 1; i < len(edges); i++ {
		out := 0
		for _, s := range list {
			if !s.from.After(edges[i-1]) && s.to.After(edges[i-1]) {
				out++
			}
		}
		sum += (timing.Short(k, n-out, a) - base) * float64(edges[i].Sub(edges[i-1]))
	}
	return time.Duration(sum)
}
