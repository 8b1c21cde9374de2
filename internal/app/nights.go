package app

import (
	"cmp"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/release"
	"towpath/internal/schedule"
	"towpath/internal/timing"
	"towpath/internal/unit"
	"towpath/internal/workspace"
)

// shell is the campaign without its nights.
func (m *campaigner) shell() *plan.Campaign {
	c := &plan.Campaign{
		Operator: m.app.Workspace.Fleet.Operator, MadeAt: m.app.Clock.Now().In(m.zone), Workspace: m.app.Workspace.Digest, Targets: m.targets,
		From: m.want.From.In(m.zone), Until: m.want.Until.In(m.zone), Zone: m.conf.Zone, AllowReload: m.want.AllowReload, Seed: m.want.Seed, Runs: m.conf.Runs,
		AskedDone: m.conf.Done, AskedBack: m.conf.Back, Nights: []plan.Night{}, Devices: []plan.DeviceCourse{}, Left: m.left, There: m.there,
		Rules: m.ruleTexts(), Stop: stopTexts(m.app.Workspace.Policy.Conduct.AfterPointOfNoReturn), Warnings: m.warn, Cautions: plan.Cautions(),
	}
	return c
}

// empty is a campaign without work.
func (m *campaigner) empty() (*plan.Campaign, error) {
	if len(m.left) == 0 && len(m.there) == 0 {
		return nil, fmt.Errorf("%w: the fleet has no device of the platform", ErrNoTarget)
	}
	c := m.shell()
	c.Proof = plan.Proof{Bound: "nothing to do", Proven: true, RiskProven: true}
	return c, nil
}

// stopTexts say how a campaign is stopped.
func stopTexts(after string) []string {
	past := "pauses there for a person's decision"
	if after == "roll-back" {
		past = "rolls back"
	}
	return []string{
		"Any engineer of the night may stop it at any time, without giving a reason first.",
		"Start no further device. A device that has not begun stays as it is.",
		"A device under work stops at its next step: before its point of no return it goes back to the release that its hop began with; after it, it " + past + ".",
		"A device whose rollback clock has passed is decided on by a person: a rollback would end after the window.",
		"After a stop, put the outcomes in and have the campaign revised (towpath waves --revise); nothing that is done is done again.",
	}
}

// ruleTexts lists the rules in the operator's words.
func (m *campaigner) ruleTexts() []string {
	c := &m.conf
	var out []string
	add := func(format string, a ...any) { out = append(out, fmt.Sprintf(format, a...)) }
	for _, g := range m.app.Workspace.Fleet.Groups {
		add("of redundancy group %s at least %d of %d stay in service", g.Name, g.AtLeast, len(g.Members))
		if len(out) == 12 && len(m.app.Workspace.Fleet.Groups) > 13 {
			add("the same for %d more redundancy groups", len(m.app.Workspace.Fleet.Groups)-12)
			break
		}
	}
	if c.NeighboursApart {
		add("two devices that share a link are never in the same window")
	}
	if c.RiskApart {
		add("two devices of one shared-risk group are never in the same window")
	}
	for _, t := range c.Apart {
		add("never two of %s in the same window%s", strings.Join(t.Devices, ", "), because(t.Why))
	}
	if len(m.restarts) > 6 {
		out = append(out, m.restarts[:5]...)
		add("the same for %d more pairs, by their captures", len(m.restarts)-5)
	} else {
		out = append(out, m.restarts...)
	}
	if m.loads != nil {
		s := fmt.Sprintf("with all devices of a night out, no link carries more than %.0f %% of its capacity and no demand loses its path", 100*c.Utilisation)
		if len(c.AlsoFail) > 0 {
			s += "; nor does a link when any one " + strings.Join(c.AlsoFail, ", or ") + " fails on top; what such a failure would cut off, since the devices are out, is told of each night and forbids none"
		}
		if m.loads.file != "" {
			s += ", in every sample of the night's own hours (" + m.loads.source + ")"
		}
		out = append(out, s)
	}
	add("each device is done in the time kept for it with probability %g", c.Done)
	if c.Back > 0 {
		add("each device is done and, if needed, rolled back in that time with probability %g", c.Back)
	}
	for _, e := range c.Engineers {
		where := ""
		if len(e.Sites) > 0 {
			where = " at " + strings.Join(e.Sites, ", ")
		}
		when := ""
		if e.Calendar != "" {
			when = ", when " + e.Calendar + " says so"
		}
		add("%s works on %d at a time%s%s", e.Name, max(1, e.AtOnce), where, when)
	}
	if len(c.Engineers) == 0 && c.AtOnce > 0 {
		add("at most %s at a time", unit.Counted(c.AtOnce, "device"))
	}
	if c.PerSite > 0 {
		add("at most %s of one site in one window", unit.Counted(c.PerSite, "device"))
	}
	for _, s := range c.Sites {
		add("at most %s of site %s in one window", unit.Counted(s.PerWindow, "device"), s.Site)
	}
	switch {
	case len(m.rules.Canaries) > 0:
		var s []string
		for _, d := range m.rules.Canaries {
			s = append(s, string(d))
		}
		add("%s first", strings.Join(s, ", "))
	case c.CanaryCount > 0:
		first := "the least critical device first"
		if c.CanaryCount > 1 {
			first = fmt.Sprintf("the %d least critical devices first", c.CanaryCount)
		}
		add("%s", first)
	}
	for _, g := range c.Growth {
		add("then up to %.0f %% of the devices before the next stage", 100*g)
	}
	if c.Soak > 0 {
		add("%g hours between a stage and the next", c.Soak.Hours())
	}
	if len(c.RoleOrder) > 1 {
		add("in the order of roles: %s", strings.Join(c.RoleOrder, ", "))
	}
	for _, d := range c.Deadlines {
		add("by %s: %s%s", m.day(d.By), orAll(slices.Concat(d.Platforms, d.Releases, d.Sites, d.Roles)), because(d.Why))
	}
	for _, d := range c.Devices {
		if d.Engineer != "" {
			add("%s is done by %s", d.Device, d.Engineer)
		}
		if !d.Deadline.IsZero() {
			add("%s is done by %s", d.Device, m.day(d.Deadline))
		}
		for _, at := range d.Only {
			add("%s is done only in the window of %s", d.Device, at.In(m.zone).Format("2006-01-02 15:04"))
		}
		for _, at := range d.Never {
			add("%s is not done in the window of %s", d.Device, at.In(m.zone).Format("2006-01-02 15:04"))
		}
	}
	return out
}

func because(why string) string {
	if why == "" {
		return ""
	}
	return ": " + why
}

func orAll(list []string) string {
	if len(list) == 0 {
		return "every device"
	}
	return strings.Join(list, ", ")
}

// stageName is a stage in words.
func stageName(stage, last int) string {
	switch {
	case last == 0:
		return "all"
	case stage == 0:
		return "canary"
	case stage == last:
		return "the rest"
	default:
		return fmt.Sprintf("growth %d", stage)
	}
}

// assemble makes the campaign of the waves.
func (m *campaigner) assemble(w schedule.Waves) (*plan.Campaign, error) {
	c := m.shell()
	s := w.Schedule
	c.WindowsOffered, c.Offered, c.Freezes = len(w.Problem.Windows), m.offered, m.freezes
	c.Proof = plan.Proof{Nights: s.Used, LowerBound: s.LowerBound, Bound: s.Bound, Proven: s.Proven, RiskDays: s.RiskDays, RiskProven: s.OrderProven, WorstNight: s.Worst}
	if !s.Proven && s.LowerBound > 0 {
		c.Proof.Gap = float64(s.Used-s.LowerBound) / float64(s.LowerBound)
	}
	last := slices.Max(append(slices.Clone(w.Stage), 0))
	at := map[fleet.DeviceID]int{} // index of the task
	for i, t := range m.tasks {
		at[t.Device] = i
	}
	rng := rand.New(rand.NewPCG(m.want.Seed, 0x6e6967687473)) //nolint:gosec // a simulation, no secret
	for k, n := range w.Nights {
		night, err := m.night(k+1, n, w, at, last, rng, c)
		if err != nil {
			return nil, err
		}
		c.Nights = append(c.Nights, night)
	}
	if err := m.traffic(c); err != nil {
		return nil, err
	}
	m.served(c)
	if err := m.availability(c); err != nil {
		return nil, err
	}
	m.assumptions(c)
	c.Warnings = append(c.Warnings, w.Warnings...)
	return c, nil
}

// night makes one night, and the entries of its devices.
func (m *campaigner) night(number int, n schedule.Night, w schedule.Waves, at map[fleet.DeviceID]int, last int, rng *rand.Rand, c *plan.Campaign) (plan.Night, error) {
	out := plan.Night{Number: number, Start: n.Start.In(m.zone), End: n.End.In(m.zone), Minutes: n.Minutes, Room: n.Room, Tasks: []plan.Task{}, Done: 1}
	sites, all := []string{}, false
	for _, s := range n.Slots {
		all = all || s.Site == ""
		if s.Site != "" && !slices.Contains(sites, s.Site) {
			sites = append(sites, s.Site)
		}
		for _, x := range s.Warnings {
			if !slices.Contains(out.Warnings, x) {
				out.Warnings = append(out.Warnings, x)
			}
		}
	}
	if !all {
		slices.Sort(sites)
		out.Sites = sites
	}
	back, backKnown := 1.0, true
	lanes := map[int][]schedule.Placed{}
	var order []int
	for _, t := range n.Tasks {
		if lanes[t.Lane] == nil {
			order = append(order, t.Lane)
		}
		lanes[t.Lane] = append(lanes[t.Lane], t)
	}
	chance := map[int]timing.Chance{} // by task
	for _, l := range order {
		var turns []timing.Turn
		for _, t := range lanes[l] {
			turns = append(turns, timing.Turn{Start: t.Start.Sub(n.Start), Limit: m.limit(n, t).Sub(n.Start), Draws: m.courses[m.tasks[t.Task].Device].kind.draws})
		}
		each, whole, err := timing.Sequence(turns, rng)
		if err != nil {
			return out, fmt.Errorf("app: %w", err)
		}
		for k, t := range lanes[l] {
			chance[t.Task] = each[k]
		}
		out.Done *= whole.Done
		back *= whole.Back
	}
	known, untouched := 0, 1.0
	for _, t := range n.Tasks {
		id := m.tasks[t.Task].Device
		x, d := m.courses[id], m.devices[id]
		end := m.limit(n, t)
		dc := plan.DeviceCourse{Device: id, Platform: d.Platform, Site: d.Site, Role: d.Role, From: x.from, To: x.to, Night: number, Stage: w.Stage[t.Task],
			Kept: time.Duration(m.tasks[t.Task].Minutes) * time.Minute, Mean: x.kind.outcome.Mean, P50: x.kind.outcome.P50, P95: x.kind.outcome.P95,
			Done: chance[t.Task].Done, NoBack: x.kind.noBack, Learned: x.kind.learned, Untouched: x.untouch, Risk: x.risk, Deadline: x.due, Serves: x.serves, Assumed: x.kind.assumed}
		for i, h := range x.path.Hops {
			hop := plan.CourseHop{From: h.From, To: h.To, Method: h.Method, Silence: x.kind.plan.Hops[i].Silence, Back: x.kind.plan.Hops[i].Back}
			for _, s := range x.kind.plan.Steps {
				if s.Hop == i && s.Kind == plan.ReloadDevice {
					hop.Outage = s.Expect.Mean()
				}
			}
			for _, e := range plan.Effects(x.kind.plan.Steps) {
				if e.Hop == i {
					hop.Effects = append(hop.Effects, e)
				}
			}
			dc.Hops = append(dc.Hops, hop)
		}
		dc.Partners = m.partners[id]
		if x.kind.noBack == "" {
			b := chance[t.Task].Back
			dc.Back = &b
			clock := time.Duration(0)
			for _, s := range x.kind.outcome.Steps {
				clock = min(clock, s.RollbackClock)
			}
			dc.RollbackClock = end.Add(clock).In(m.zone).Truncate(time.Second)
			if out.RollbackClock.IsZero() || dc.RollbackClock.Before(out.RollbackClock) {
				out.RollbackClock = dc.RollbackClock
			}
		} else {
			backKnown = false
		}
		for _, s := range x.kind.outcome.Steps {
			if s.PointOfNoReturn {
				left := s.LatestStartBack
				if x.kind.noBack != "" {
					left = s.LatestStart
				}
				dc.DecideBy = end.Add(left).In(m.zone).Truncate(time.Second)
			}
		}
		for _, f := range x.kind.outcome.Tornado[:min(5, len(x.kind.outcome.Tornado))] {
			title := f.ID
			for _, s := range x.kind.plan.Steps {
				if s.ID == f.ID {
					title = s.Title
				}
			}
			dc.Matters = append(dc.Matters, plan.StepShare{Step: f.ID, Title: title, Low: f.Low, High: f.High, Share: f.Share})
		}
		if x.untouch != nil {
			known++
			untouched *= *x.untouch
		}
		c.Devices = append(c.Devices, dc)
		out.Tasks = append(out.Tasks, plan.Task{Device: id, Start: t.Start.In(m.zone), End: t.End.In(m.zone), Engineer: t.Engineer, Lane: t.Lane})
		if t.Engineer != "" && !slices.Contains(out.Engineers, t.Engineer) {
			out.Engineers = append(out.Engineers, t.Engineer)
		}
		out.Stage = max(out.Stage, w.Stage[t.Task])
	}
	slices.Sort(out.Engineers)
	out.StageName = stageName(out.Stage, last)
	if backKnown {
		out.Back = &back
	}
	if known > 0 {
		out.Untouched, out.UntouchedKnown = &untouched, known
	}
	return out, nil
}

// limit is when the task must have ended: the end of its site's slot.
func (m *campaigner) limit(n schedule.Night, t schedule.Placed) time.Time {
	site := m.devices[m.tasks[t.Task].Device].Site
	end := t.End
	for _, s := range n.Slots {
		if (s.Site == "" || s.Site == site) && !t.Start.Before(s.Start) && s.End.After(end) {
			end = s.End
		}
	}
	return end
}

// mostFailures bounds the failures that are computed for the figures of all
// nights; that none overloads a link is checked however many there are.
const mostFailures = 40_000

// traffic asks what the network carries in each night, with the demands of its
// own hours.
func (m *campaigner) traffic(c *plan.Campaign) error {
	l := m.loads
	if l == nil {
		return nil
	}
	check := &plan.NetworkCheck{Limit: m.conf.Utilisation, AlsoFail: m.conf.AlsoFail, Demands: l.source}
	open := 0
	for _, n := range c.Nights {
		if len(n.Tasks) > 0 {
			open++
		}
	}
	most := mostFailures / max(1, open)
	var worst plan.Peak
	have := false
	unknown := false // of some night
	var isolated []string
	for k := range c.Nights {
		n := &c.Nights[k]
		h, err := l.of(n.Start, n.End)
		if err != nil {
			return err
		}
		any, err := l.at(h.root)
		if err != nil {
			return err
		}
		var out []fleet.DeviceID
		for _, t := range n.Tasks {
			if t.Outcome == "" {
				out = append(out, t.Device)
				names, err := any.fast.Alone(t.Device)
				if err != nil {
					return err
				}
				if len(names) > 0 {
					isolated = append(isolated, fmt.Sprintf("while %s is out, no path is left for %s", t.Device, few(names)))
				}
			}
		}
		if len(out) == 0 {
			continue
		}
		left := most
		intact, failed, cut, err := l.peaks(h, out, &left)
		if err != nil {
			return err
		}
		peak := func(p hourPeak) plan.Peak {
			return plan.Peak{Night: n.Number, Utilisation: p.Utilisation, Link: p.Link, From: p.From, To: p.To, Failure: p.Failure, Sample: p.at}
		}
		n.Load = &plan.NightLoad{Worst: peak(intact), Demands: h.demands}
		if h.peak {
			n.Warnings = append(n.Warnings, fmt.Sprintf("%s has no sample of these hours, or not of all: the load is that of each demand at its peak over all samples", l.file))
		}
		if intact.Utilisation >= check.Worst.Utilisation {
			check.Worst = peak(intact)
		}
		unknown = unknown || left < 0
		if left >= 0 && failed.Failure != "" {
			f := peak(failed)
			n.Load.WorstFailure, have = &f, true
			n.Load.Cut = &plan.Cut{Failures: cut.Failures, Failure: cut.Failure, Demands: cut.Demands}
			if cut.Failures > 0 {
				n.Load.Cut.Volume = Volume(cut.Volume, l.net.Unit())
			}
			if f.Utilisation >= worst.Utilisation {
				worst = f
			}
		}
	}
	if have && !unknown {
		check.WorstFailure = &worst
	}
	for _, x := range l.built {
		check.Sets += x.fast.Asked
		check.Failures += x.fast.Failed
		if x.full != nil {
			check.Sets += x.full.Asked
			check.Failures += x.full.Failed
		}
	}
	if len(isolated) > 8 {
		isolated = append(isolated[:7:7], fmt.Sprintf("the same for %d more devices", len(isolated)-7))
	}
	c.Warnings = append(c.Warnings, isolated...)
	if check.Weak = l.weak(); len(check.Weak) > 0 {
		c.Warnings = append(c.Warnings, fmt.Sprintf("the network does not bear these failures even with nothing out, so that they were left out: %s", few(check.Weak)))
	}
	c.Network = check
	return nil
}

// few lists the first few of many.
func few(list []string) string {
	if len(list) > 5 {
		return fmt.Sprintf("%s and %d more", strings.Join(list[:4], ", "), len(list)-4)
	}
	return strings.Join(list, ", ")
}

// served turns the devices around: who is affected, by what.
func (m *campaigner) served(c *plan.Campaign) {
	at := map[string]int{}
	for _, d := range c.Devices {
		for _, who := range d.Serves {
			k, ok := at[who]
			if !ok {
				k = len(c.Served)
				at[who] = k
				c.Served = append(c.Served, plan.Served{Who: who})
			}
			s := &c.Served[k]
			s.Devices = append(s.Devices, d.Device)
			if !slices.Contains(s.Nights, d.Night) {
				s.Nights = append(s.Nights, d.Night)
			}
			s.Outage = s.Outage || slices.ContainsFunc(d.Hops, func(h plan.CourseHop) bool { return h.Method == release.Reload })
		}
	}
	for k := range c.Served {
		slices.Sort(c.Served[k].Nights)
	}
	slices.SortStableFunc(c.Served, func(x, y plan.Served) int { return cmp.Compare(x.Nights[0], y.Nights[0]) })
}

// assumptions says what was taken for granted, once for all devices that share it.
func (m *campaigner) assumptions(c *plan.Campaign) {
	by := map[string][]string{}
	var order []string
	add := func(what string, d fleet.DeviceID) {
		if by[what] == nil {
			order = append(order, what)
		}
		by[what] = append(by[what], string(d))
	}
	for _, d := range c.Devices {
		for _, a := range d.Assumed {
			add(a, d.Device)
		}
		if d.NoBack != "" {
			add("there is no way back: "+d.NoBack, d.Device)
		}
		if m.want.Captures[d.Device] == nil && m.courses[d.Device] != nil {
			add("release and components are those of "+workspace.FleetFile+": no capture was read", d.Device)
		}
	}
	for _, what := range order {
		c.Warnings = append(c.Warnings, few(by[what])+": "+what)
	}
}

// CampaignCalendar writes the nights of the campaign as an iCalendar, an event
// for each. The same night of a revised campaign has the same UID, so that a
// later calendar replaces an earlier one.
func CampaignCalendar(w io.Writer, c *plan.Campaign) error {
	var to []string
	for _, t := range c.Targets {
		to = append(to, t.Platform+"-"+t.Release)
	}
	var slots []schedule.Slot
	for _, n := range c.Nights {
		s := schedule.Slot{UID: fmt.Sprintf("%s-%s@towpath.invalid", strings.Join(to, "-"), n.Start.UTC().Format("20060102T150405Z")), Start: n.Start, End: n.End,
			Summary: fmt.Sprintf("%s: night %d of %d, %s", orText(c.Operator, "Campaign"), n.Number, len(c.Nights), unit.Counted(len(n.Tasks), "device"))}
		if len(n.Sites) == 1 {
			s.Site = n.Sites[0]
		}
		for _, t := range n.Tasks {
			line := fmt.Sprintf("%s to %s %s", t.Start.Format("15:04"), t.End.Format("15:04 MST"), t.Device)
			if t.Engineer != "" {
				line += ", " + t.Engineer
			}
			if t.Outcome != "" {
				line += ", " + t.Outcome
			}
			s.Warnings = append(s.Warnings, line)
		}
		if !n.RollbackClock.IsZero() {
			s.Warnings = append(s.Warnings, "roll back no later than "+n.RollbackClock.Format("15:04 MST"))
		}
		s.Warnings = append(s.Warnings, n.Warnings...)
		slots = append(slots, s)
	}
	return schedule.WriteCalendar(w, "-//Towpath//Campaign//EN", slots, c.MadeAt)
}

func orText(s, def string) string {
	if s == "" {
		return def
	}
	return s
}

// periods are the slots that begin before until and end after from, in the order
// of time. Slots that differ by their site only become one.
func periods(slots []schedule.Slot, from, until time.Time) []plan.Period {
	var out []plan.Period
	for _, s := range slots {
		if !s.End.After(from) || !s.Start.Before(until) {
			continue
		}
		i := slices.IndexFunc(out, func(p plan.Period) bool {
			return p.Start.Equal(s.Start) && p.End.Equal(s.End) && p.Name == s.Summary
		})
		switch {
		case i < 0:
			p := plan.Period{Start: s.Start, End: s.End, Name: s.Summary}
			if s.Site != "" {
				p.Sites = []string{s.Site}
			}
			out = append(out, p)
		case s.Site == "":
			out[i].Sites = nil
		case len(out[i].Sites) > 0 && !slices.Contains(out[i].Sites, s.Site):
			out[i].Sites = append(out[i].Sites, s.Site)
		}
	}
	slices.SortStableFunc(out, func(a, b plan.Period) int { return a.Start.Compare(b.Start) })
	return out
}
