package readiness

import (
	"fmt"
	"slices"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/state"
)

// groups are the device's redundancy groups; ok is false, and the rule ended,
// where the fleet is unknown or there is none.
func (c *check) groups() ([]fleet.RedundancyGroup, bool) {
	if c.in.Fleet == nil {
		c.unknown(c.device(), "the fleet: unknown")
		return nil, false
	}
	gs := c.in.Fleet.GroupsOf(c.in.Device.ID)
	if len(gs) == 0 {
		c.otherwise("in no redundancy group")
		return nil, false
	}
	return gs, true
}

// others are the other members of the groups, each once.
func (c *check) others(gs []fleet.RedundancyGroup) []fleet.DeviceID {
	var out []fleet.DeviceID
	for _, g := range gs {
		for _, m := range g.Members {
			if m != c.in.Device.ID && !slices.Contains(out, m) {
				out = append(out, m)
			}
		}
	}
	return out
}

// health is what is wrong with a partner, and whether all was known.
func (c *check) health(p Partner) (wrong []string, unread string) {
	k := p.Capture
	switch {
	case k == nil && p.Err != nil:
		return nil, fmt.Sprintf("could not be read: %v", p.Err)
	case k == nil:
		return nil, "was not read"
	case c.now.Sub(k.TakenAt) > captureAge:
		return nil, "was captured " + c.ago(k.TakenAt)
	}
	cards := components(k, state.KindControllerCard, state.KindLineCard, state.KindFabric)
	if len(cards) == 0 {
		unread = "no components read"
	}
	for _, part := range cards {
		oper, known := part.Oper.Get()
		switch {
		case !known:
			unread = part.Name + ": operational status unknown"
		case oper != state.OperActive:
			wrong = append(wrong, part.Name+" is "+oper)
		case part.Failure.Or(false):
			wrong = append(wrong, part.Name+" has failed")
		case part.Health.Or("") == "UNHEALTHY":
			wrong = append(wrong, part.Name+" is UNHEALTHY")
		}
	}
	if on, known := k.Maintenance.Get(); !known {
		unread = "maintenance mode unknown"
	} else if on {
		wrong = append(wrong, "in maintenance mode")
	}
	if !k.AlarmsKnown {
		unread = "alarms unknown"
	}
	for _, a := range k.Alarms {
		if a.Severity == "CRITICAL" || a.Severity == "MAJOR" {
			wrong = append(wrong, fmt.Sprintf("%s alarm: %s", a.Severity, a.Text))
		}
	}
	return wrong, unread
}

func (c *check) partnerHealthy() {
	gs, ok := c.groups()
	if !ok {
		return
	}
	others := c.others(gs)
	for _, m := range others {
		wrong, unread := c.health(c.in.Partners[m])
		switch {
		case len(wrong) > 0:
			c.blocker(string(m), "%s", list(wrong))
		case unread != "":
			c.unknown(string(m), "%s", unread)
		}
	}
	c.otherwise("healthy: %s", ids(others))
}

func ids(ms []fleet.DeviceID) string {
	var out []string
	for _, m := range ms {
		out = append(out, string(m))
	}
	return list(out)
}

func (c *check) partnerNotUpgrading() {
	if c.in.Fleet == nil {
		c.unknown(c.device(), "the fleet: unknown")
		return
	}
	near := c.others(c.in.Fleet.GroupsOf(c.in.Device.ID))
	for _, l := range c.in.Fleet.Links {
		for _, m := range neighbours(l, c.in.Device.ID) {
			if !slices.Contains(near, m) {
				near = append(near, m)
			}
		}
	}
	if len(near) == 0 {
		c.otherwise("neither partners nor neighbours in the fleet")
		return
	}
	for _, m := range near {
		busy, known := c.in.Partners[m].Upgrading.Get()
		switch {
		case !known:
			c.unknown(string(m), "whether it is being upgraded: unknown")
		case busy:
			c.blocker(string(m), "is being upgraded")
		}
	}
	c.otherwise("not being upgraded: %s", ids(near))
}

// neighbours are the other ends of a link, seen from a device.
func neighbours(l fleet.Link, d fleet.DeviceID) []fleet.DeviceID {
	switch {
	case l.A.Device == d && l.B.Device != d:
		return []fleet.DeviceID{l.B.Device}
	case l.B.Device == d && l.A.Device != d:
		return []fleet.DeviceID{l.A.Device}
	}
	return nil
}

func (c *check) groupAtLeast() {
	gs, ok := c.groups()
	if !ok {
		return
	}
	for _, g := range gs {
		serving, unsure := 0, 0
		for _, m := range g.Members {
			if m == c.in.Device.ID {
				continue
			}
			p := c.in.Partners[m]
			wrong, unread := c.health(p)
			busy, known := p.Upgrading.Get()
			switch {
			case len(wrong) > 0 || busy:
			case unread != "" || !known:
				unsure++
			default:
				serving++
			}
		}
		switch {
		case serving >= g.AtLeast:
		case serving+unsure >= g.AtLeast:
			c.unknown("group "+g.Name, "%d other members are known to serve and %d may; the group needs %d", serving, unsure, g.AtLeast)
		default:
			c.blocker("group "+g.Name, "%d other members serve; the group needs %d", serving, g.AtLeast)
		}
	}
	c.otherwise("%d groups keep enough members", len(gs))
}

func (c *check) singleHomed() {
	if c.in.Fleet == nil {
		c.unknown(c.device(), "the fleet: unknown")
		return
	}
	var order []fleet.DeviceID
	elsewhere := map[fleet.DeviceID]bool{}
	for _, l := range c.in.Fleet.Links {
		for _, m := range neighbours(l, c.in.Device.ID) {
			if !slices.Contains(order, m) {
				order = append(order, m)
			}
		}
		if l.A.Device != c.in.Device.ID && l.B.Device != c.in.Device.ID {
			elsewhere[l.A.Device], elsewhere[l.B.Device] = true, true
		}
	}
	for _, m := range order {
		if elsewhere[m] {
			continue
		}
		d, _ := c.in.Fleet.Device(m)
		c.caution(string(m), "every link of it goes to %s%s", c.device(), serves(d.Serves))
	}
	c.otherwise("%d neighbours have another way", len(order))
}

func serves(who []string) string {
	if len(who) == 0 {
		return ""
	}
	return "; it serves " + list(who)
}

func (c *check) logicalNetworkElements() {
	served := map[string][]string{}
	var order []string
	for _, l := range c.in.Device.LogicalNetworkElements {
		served[l.Name] = l.Serves
		order = append(order, l.Name)
	}
	oper := map[string]string{}
	for _, l := range c.in.Capture.LogicalNetworkElements {
		oper[l.Name] = l.Oper.Or("of unknown status")
		if !slices.Contains(order, l.Name) {
			order = append(order, l.Name)
		}
	}
	for _, name := range order {
		who := "; the fleet does not say whom it serves"
		if s := served[name]; len(s) > 0 {
			who = serves(s)
		}
		status, there := oper[name]
		if !there {
			status = "not seen on the device"
		}
		c.caution(name, "logical network element, %s, shares the upgrade%s", status, who)
	}
	c.none("logical network elements")
}

func (c *check) freezeCalendar() {
	// The change begins now and is over, at the latest, when every hop took
	// its most.
	end := c.now
	for _, h := range c.in.Path.Hops {
		end = end.Add(time.Duration(h.Minutes.Most * float64(time.Minute)))
		for _, f := range h.Firmware {
			end = end.Add(time.Duration(f.Minutes * float64(time.Minute)))
		}
	}
	for _, f := range c.in.Policy.Freezes {
		if f.Until.Before(c.now) || f.From.After(end) {
			continue
		}
		switch site := c.in.Device.Site; {
		case len(f.Sites) == 0 || slices.Contains(f.Sites, site):
			c.blocker(c.device(), "%s", freezeText(f))
		case site == "":
			c.unknown(c.device(), "%s, for sites %s; the site of the device: unknown", freezeText(f), list(f.Sites))
		}
	}
	c.otherwise("no freeze from now until %s", end.UTC().Format(time.RFC3339))
}

func freezeText(f policy.Freeze) string {
	return fmt.Sprintf("freeze %q from %s until %s", f.Name, f.From.UTC().Format(time.RFC3339), f.Until.UTC().Format(time.RFC3339))
}
