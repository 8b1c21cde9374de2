package app

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/schedule"
	"towpath/internal/state"
	"towpath/internal/survival"
	"towpath/internal/timing"
	"towpath/internal/unit"
	"towpath/internal/workspace"
)

// The errors of a campaign that are neither of its files nor of its rules.
var (
	// ErrNoCampaign says that the workspace has no campaign file.
	ErrNoCampaign = errors.New("the workspace has no " + workspace.CampaignFile)
	// ErrNoTarget says that no device is to change.
	ErrNoTarget = errors.New("no device to change")
	// ErrNoWindow says that the calendars have no window in the time asked for.
	ErrNoWindow = errors.New("no window")
)

// Blocked says that no campaign keeps all rules, and why.
type Blocked struct {
	Why schedule.Explanation
	Err error
}

// Error implements error.
func (b *Blocked) Error() string {
	return b.Err.Error() + "\n" + strings.TrimSuffix(b.Why.String(), "\n")
}

// Unwrap returns the error of the schedule.
func (b *Blocked) Unwrap() error { return b.Err }

// CampaignWant says what a campaign is to be.
type CampaignWant struct {
	// To lists targets: a release, for every platform that has it, or
	// PLATFORM=RELEASE.
	To []string
	// From and Until bound the starts of the windows; both must be given.
	From, Until time.Time
	AllowReload bool
	Seed        uint64
	// LeaveOut leaves devices out that stand in the way of a campaign, with the
	// reason, instead of giving up.
	LeaveOut bool
	// Captures are the states of devices, where they are known: survival is
	// forecast from them, and what runs is read from them.
	Captures map[fleet.DeviceID]*state.Capture
	// Steps are measured durations of earlier runs.
	Steps  StepTimes
	Limits schedule.Limits
}

// Campaign puts the change of all devices that are not at the target into
// nights. Devices that no path leads to the target are listed as unscheduled.
// Where the rules cannot be kept the error is a [Blocked].
func (a *App) Campaign(ctx context.Context, w CampaignWant) (*plan.Campaign, error) {
	m, err := a.campaign(w)
	if err != nil {
		return nil, err
	}
	if len(m.tasks) == 0 {
		return m.empty()
	}
	for {
		waves, err := schedule.Campaign(ctx, a.Workspace.Fleet, m.tasks, m.slots, m.rules, w.Limits)
		if err == nil {
			return m.assemble(waves)
		}
		if err = m.blocked(ctx, &waves.Problem, err); err == nil {
			continue // somebody was left out
		}
		return nil, err
	}
}

// campaigner is a campaign while it is made.
type campaigner struct {
	app     *App
	want    CampaignWant
	conf    policy.Campaign
	zone    *time.Location
	targets []plan.Target
	devices map[fleet.DeviceID]*fleet.Device
	said    map[fleet.DeviceID]policy.CampaignDevice // by the campaign file
	// partners are the other members of redundancy groups.
	partners map[fleet.DeviceID][]fleet.DeviceID
	courses  map[fleet.DeviceID]*course
	tasks    []schedule.Task
	slots    []schedule.Slot
	rules    schedule.Rules
	restarts []string    // rules of pairs that their captures keep apart
	loads    *nightLoads // nil where the fleet has no links or no demands
	left     []plan.Unscheduled
	there    []fleet.DeviceID
	warn     []string
	// offered and freezes are what the pictures of the campaign show behind it.
	offered, freezes []plan.Period
}

// course is what is known of the change of one kind of device.
type course struct {
	kind    *kindOfChange
	path    release.Path
	from    string
	to      string
	risk    plan.Risk
	serves  []string
	due     time.Time
	dueWhy  string
	untouch *float64
}

// kindOfChange is a change that is the same on several devices.
type kindOfChange struct {
	result  release.Result
	err     error
	plan    *plan.Plan
	draws   timing.Draws
	outcome timing.Outcome // for a window of no length: instants are counted from its end
	keep    time.Duration
	noBack  string
	learned int
	assumed []string
}

func (a *App) campaign(w CampaignWant) (*campaigner, error) {
	if a.Workspace.Campaign == nil {
		return nil, ErrNoCampaign
	}
	m := &campaigner{app: a, want: w, conf: *a.Workspace.Campaign, devices: map[fleet.DeviceID]*fleet.Device{}, courses: map[fleet.DeviceID]*course{}}
	var err error
	if m.zone, err = time.LoadLocation(m.conf.Zone); err != nil {
		return nil, fmt.Errorf("%s: zone: %w", workspace.CampaignFile, err)
	}
	for i := range a.Workspace.Fleet.Devices {
		d := &a.Workspace.Fleet.Devices[i]
		m.devices[d.ID] = d
	}
	m.said, m.partners = map[fleet.DeviceID]policy.CampaignDevice{}, map[fleet.DeviceID][]fleet.DeviceID{}
	for _, q := range m.conf.Devices {
		m.said[fleet.DeviceID(q.Device)] = q
	}
	for _, g := range a.Workspace.Fleet.Groups {
		for _, d := range g.Members {
			for _, p := range g.Members {
				if p != d && !slices.Contains(m.partners[d], p) {
					m.partners[d] = append(m.partners[d], p)
				}
			}
		}
	}
	if err := m.aim(); err != nil {
		return nil, err
	}
	if err := m.calendar(); err != nil {
		return nil, err
	}
	if err := m.scope(); err != nil {
		return nil, err
	}
	if err := m.people(); err != nil {
		return nil, err
	}
	m.order()
	return m, m.load()
}

// aim finds the target of each platform.
func (m *campaigner) aim() error {
	count := map[string]int{}
	var platforms []string
	for _, d := range m.app.Workspace.Fleet.Devices {
		if count[d.Platform]++; count[d.Platform] == 1 {
			platforms = append(platforms, d.Platform)
		}
	}
	to := map[string]string{}
	var all []string
	for _, t := range m.want.To {
		platform, rel, named := strings.Cut(t, "=")
		if !named {
			platform, rel = "", t
		}
		hit := false
		for _, p := range platforms {
			if named && p != platform {
				continue
			}
			pf, err := m.app.Index.Platform(p)
			if err != nil {
				return err
			}
			for _, r := range pf.Releases {
				all = append(all, r.Version)
				if r.Version != rel {
					continue
				}
				if was, twice := to[p]; twice && was != rel {
					return fmt.Errorf("%w: the platform %s has two targets, %s and %s", ErrNoTarget, p, was, rel)
				}
				to[p], hit = rel, true
			}
		}
		if !hit {
			near := ""
			if n := document.Nearest(rel, all); n != "" {
				near = fmt.Sprintf("; did you mean %q?", n)
			}
			return fmt.Errorf("%w: no platform of the fleet has a release %q%s", ErrNoTarget, t, near)
		}
	}
	for _, p := range platforms {
		if to[p] != "" {
			m.targets = append(m.targets, plan.Target{Platform: p, Release: to[p], Devices: count[p]})
		}
	}
	if len(m.targets) == 0 {
		return fmt.Errorf("%w: no target was given", ErrNoTarget)
	}
	return nil
}

// read reads a calendar of the workspace and lists what happens in the time.
func (m *campaigner) read(name string) ([]schedule.Slot, error) {
	cal, err := schedule.ReadCalendar(name, bytes.NewReader(m.app.Workspace.Calendars[name]), time.LoadLocation, m.zone)
	if err != nil {
		return nil, err
	}
	slots, err := cal.Expand(m.want.From, m.want.Until)
	if err != nil {
		return nil, err
	}
	var sites []string
	for _, d := range m.app.Workspace.Fleet.Devices {
		if !slices.Contains(sites, d.Site) && d.Site != "" {
			sites = append(sites, d.Site)
		}
	}
	for i, s := range slots {
		if s.Site != "" && !slices.Contains(sites, s.Site) {
			near := ""
			if n := document.Nearest(s.Site, sites); n != "" {
				near = fmt.Sprintf("; did you mean %q?", n)
			}
			return nil, fmt.Errorf("%s: event %q: LOCATION: %w: no device at the site %q%s", name, s.UID, schedule.ErrInvalid, s.Site, near)
		}
		slots[i].Start, slots[i].End = s.Start.In(m.zone), s.End.In(m.zone)
	}
	return slots, nil
}

// calendar finds the windows that no freeze stops.
func (m *campaigner) calendar() error {
	var open, closed []schedule.Slot
	for _, name := range m.conf.Windows {
		s, err := m.read(name)
		if err != nil {
			return err
		}
		for _, x := range s {
			if !x.Start.Before(m.want.From) && x.Start.Before(m.want.Until) {
				open = append(open, x)
			}
		}
	}
	for _, name := range m.conf.Closed {
		s, err := m.read(name)
		if err != nil {
			return err
		}
		closed = append(closed, s...)
	}
	for _, f := range m.app.Workspace.Policy.Freezes {
		sites := f.Sites
		if len(sites) == 0 {
			sites = []string{""}
		}
		for _, s := range sites {
			closed = append(closed, schedule.Slot{UID: f.Name, Summary: f.Name, Site: s, Start: f.From.In(m.zone), End: f.Until.In(m.zone)})
		}
	}
	kept, frozen := schedule.Thaw(m.bySite(open, closed), closed)
	m.slots, m.offered = kept, periods(kept, time.Time{}, m.want.Until)
	m.freezes = periods(closed, m.want.From, m.want.Until)
	if len(frozen) > 0 {
		names := map[string]int{}
		var order []string
		for _, s := range frozen {
			w := s.Warnings[len(s.Warnings)-1]
			if names[w]++; names[w] == 1 {
				order = append(order, w)
			}
		}
		for _, w := range order {
			m.warn = append(m.warn, fmt.Sprintf("%s %s", unit.Counted(names[w], "window"), w))
		}
	}
	if len(m.slots) == 0 {
		return fmt.Errorf("%w from %s until %s in %s that no freeze stops", ErrNoWindow, m.day(m.want.From), m.day(m.want.Until), strings.Join(m.conf.Windows, ", "))
	}
	return nil
}

func (m *campaigner) day(t time.Time) string { return t.In(m.zone).Format("2006-01-02") }

// bySite parts windows for all sites, where a freeze of one site meets them,
// into windows for each of the sites.
func (m *campaigner) bySite(open, closed []schedule.Slot) []schedule.Slot {
	var sites []string
	for _, d := range m.app.Workspace.Fleet.Devices {
		if !slices.Contains(sites, d.Site) {
			sites = append(sites, d.Site)
		}
	}
	var out []schedule.Slot
	for _, s := range open {
		met := slices.ContainsFunc(closed, func(f schedule.Slot) bool {
			return f.Site != "" && s.Start.Before(f.End) && f.Start.Before(s.End)
		})
		if s.Site != "" || !met || slices.Contains(sites, "") {
			// Devices without a site cannot be told from those of a frozen one.
			out = append(out, s)
			continue
		}
		for _, site := range sites {
			t := s
			t.Site = site
			t.Warnings = slices.Clone(s.Warnings)
			out = append(out, t)
		}
	}
	return out
}

// scope finds the devices to change, their paths and times.
func (m *campaigner) scope() error {
	kinds := map[string]*kindOfChange{}
	for _, t := range m.targets {
		for i := range m.app.Workspace.Fleet.Devices {
			d := &m.app.Workspace.Fleet.Devices[i]
			if d.Platform != t.Platform {
				continue
			}
			if err := m.add(d, t.Release, kinds); err != nil {
				return err
			}
		}
	}
	return nil
}

func (m *campaigner) add(d *fleet.Device, to string, kinds map[string]*kindOfChange) error {
	c := m.want.Captures[d.ID]
	now, _ := Present(*d, c)
	if now.Release == "" {
		m.left = append(m.left, plan.Unscheduled{Device: d.ID, Platform: d.Platform, To: to, Reason: "nobody knows which release it runs: neither the fleet file nor a capture says",
			Opens: []string{"enter the release in " + workspace.FleetFile + ", or capture the device"}})
		return nil
	}
	if now.Release == to {
		m.there = append(m.there, d.ID)
		return nil
	}
	now.Device = ""
	id, err := json.Marshal([]any{now, to, c != nil})
	if err != nil {
		return fmt.Errorf("app: %w", err)
	}
	key := string(id)
	if c != nil {
		key += string(d.ID) // a capture tells more than the fleet file
	}
	k := kinds[key]
	if k == nil {
		k = m.kind(*d, c, to, key)
		kinds[key] = k
	}
	if k.err != nil {
		return fmt.Errorf("%s: %w", d.ID, k.err)
	}
	if k.result.NoPath != nil {
		m.left = append(m.left, plan.Unscheduled{Device: d.ID, Platform: d.Platform, From: now.Release, To: to, Reason: k.result.NoPath.Reason, Opens: k.result.NoPath.Opens})
		return nil
	}
	x := &course{kind: k, path: k.result.Paths[0], from: now.Release, to: to, serves: servedBy(d)}
	m.courses[d.ID] = x
	m.weigh(d, x, now.Release)
	m.forecast(d, c, x)
	task := schedule.Task{Device: d.ID, Minutes: int64((k.keep + time.Minute - 1) / time.Minute), Exposure: x.risk.Exposure, Criticality: x.risk.Criticality}
	for _, q := range m.conf.Deadlines {
		if !in(q.Platforms, d.Platform) || !in(q.Releases, now.Release) || !in(q.Sites, d.Site) || !in(q.Roles, d.Role) {
			continue
		}
		if x.due.IsZero() || q.By.Before(x.due) {
			x.due, x.dueWhy = q.By, q.Why
		}
	}
	if q, ok := m.said[d.ID]; ok {
		if !q.Deadline.IsZero() && (x.due.IsZero() || q.Deadline.Before(x.due)) {
			x.due, x.dueWhy = q.Deadline, ""
		}
		task.Engineer, task.Only, task.Never = q.Engineer, q.Only, q.Never
	}
	x.due = inZone(x.due, m.zone)
	task.Deadline, task.DeadlineWhy = x.due, x.dueWhy
	m.tasks = append(m.tasks, task)
	return nil
}

func inZone(t time.Time, z *time.Location) time.Time {
	if t.IsZero() {
		return t
	}
	return t.In(z)
}

// in reports whether the list, of which an empty one names everything, has s.
func in(list []string, s string) bool { return len(list) == 0 || slices.Contains(list, s) }

// servedBy lists who depends on the device, its logical network elements included.
func servedBy(d *fleet.Device) []string {
	var out []string
	for _, s := range d.Serves {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	for _, l := range d.LogicalNetworkElements {
		for _, s := range l.Serves {
			if !slices.Contains(out, s) {
				out = append(out, s)
			}
		}
	}
	return out
}

// weigh finds the risk of a device: how badly its release exposes it, by the
// catalogue, times how much depends on it. Whatever the operator says counts
// instead. The scale is ours: a supported release counts 1, one past its support
// 2, a withdrawn one 3 and a defective one 4; each who is served adds 1.
func (m *campaigner) weigh(d *fleet.Device, x *course, now string) {
	r := plan.Risk{Exposure: 1, Criticality: float64(1 + len(x.serves))}
	rel, err := m.app.Index.Release(d.Platform, now)
	switch {
	case err != nil:
		r.Exposure = 2
		r.Why = append(r.Why, now+" is not in the release catalogue")
	case rel.Support == release.Defective:
		r.Exposure = 4
		r.Why = append(r.Why, strings.TrimSuffix(now+" is defective: "+rel.Note, ": "))
	case rel.Support == release.Withdrawn:
		r.Exposure = 3
		r.Why = append(r.Why, strings.TrimSuffix(now+" was withdrawn: "+rel.Note, ": "))
	case rel.Support == release.EndOfSupport:
		r.Exposure = 2
		r.Why = append(r.Why, now+" is past its support")
	default:
		r.Why = append(r.Why, now+" is supported")
	}
	if n := len(x.serves); n > 0 {
		r.Why = append(r.Why, "serves "+strings.Join(x.serves, ", "))
	} else {
		r.Why = append(r.Why, "serves nobody that the fleet file names")
	}
	if q, ok := m.said[d.ID]; ok {
		if q.Exposure > 0 {
			r.Exposure = q.Exposure
			r.Why = append(r.Why, fmt.Sprintf("exposure %g by %s", q.Exposure, workspace.CampaignFile))
		}
		if q.Criticality > 0 {
			r.Criticality = q.Criticality
			r.Why = append(r.Why, fmt.Sprintf("criticality %g by %s", q.Criticality, workspace.CampaignFile))
		}
	}
	r.Weight = r.Exposure * r.Criticality
	x.risk = r
}

// forecast finds the probability that traffic is untouched, where a capture is
// known.
func (m *campaigner) forecast(d *fleet.Device, c *state.Capture, x *course) {
	if c == nil {
		return
	}
	p, known := 1.0, false
	for _, h := range x.path.Hops {
		if h.Silence == nil {
			p, known = 0, true // the whole device restarts
			continue
		}
		f := m.app.forecastOf(c, d.Platform, h)
		if len(f.Adjacencies) > 0 {
			p, known = p*f.Untouched, true
		}
	}
	if known {
		x.untouch = &p
	}
}

// kind finds the path and the time of a kind of change.
func (m *campaigner) kind(d fleet.Device, c *state.Capture, to, key string) *kindOfChange {
	k := &kindOfChange{}
	k.result, k.err = m.app.Hops(d, c, to, release.Options{AllowReload: m.want.AllowReload})
	if k.err != nil || k.result.NoPath != nil {
		return k
	}
	path := k.result.Paths[0]
	now, _ := Present(d, c)
	platform, err := m.app.Index.Platform(d.Platform)
	if err != nil {
		k.err = err
		return k
	}
	inService := slices.ContainsFunc(path.Hops, func(h release.Hop) bool { return h.Method == release.InService })
	var layout plan.Layout
	known := false
	if c != nil {
		if l, err := plan.LayoutOf(c); err == nil && (!inService || l.Secondary != "") {
			layout, known = l, true
		}
	}
	if !known {
		layout, k.assumed = plan.AssumedLayout(d, inService)
	}
	in := plan.Inputs{Device: d, Platform: platform, Path: path, Layout: layout, Policy: m.app.Workspace.Policy, Now: m.app.Clock.Now()}
	for i, h := range path.Hops {
		rel, err := m.app.Index.Release(d.Platform, h.To)
		if err != nil {
			k.err = err
			return k
		}
		back, err := m.app.Index.HopBack(now, path, i, release.Options{AllowReload: true})
		if err != nil {
			k.err = err
			return k
		}
		hop := plan.HopInput{Images: release.ImagesFor(rel, now.Components), Untouched: 1}
		if len(now.Components) == 0 { // no inventory: every image may be needed
			for _, im := range rel.Images {
				if len(im.Parts) == 0 {
					hop.Images = append(hop.Images, im)
				}
			}
		}
		if back.None != "" {
			hop.NoBack = back.None
		} else {
			hop.Back = methodOf(back.Hops)
		}
		in.Hops = append(in.Hops, hop)
	}
	if k.plan, k.err = plan.Compose(in); k.err != nil {
		return k
	}
	consent := plan.Law{Least: m.conf.Consent.Least, Likely: m.conf.Consent.Likely, Most: m.conf.Consent.Most}
	opt := plan.TimingOptions{Layout: layout, Policy: m.app.Workspace.Policy, Consent: consent}
	if m.want.Steps != nil {
		opt.Measured = func(s plan.Step) []time.Duration { return m.want.Steps.of(d.Platform, s) }
	}
	steps, learned, noBack := k.plan.Timing(opt)
	k.learned, k.noBack = learned, noBack
	h := fnv.New64a()
	_, _ = h.Write([]byte(key))                                                                                        // never fails. Source: package hash
	if k.draws, k.err = timing.Draw(steps, m.conf.Runs, rand.New(rand.NewPCG(m.want.Seed, h.Sum64()))); k.err != nil { //nolint:gosec // a simulation, no secret
		return k
	}
	if k.outcome, k.err = timing.Simulate(steps, 0, m.conf.Runs, rand.New(rand.NewPCG(m.want.Seed, h.Sum64()+1))); k.err != nil { //nolint:gosec // a simulation, no secret
		return k
	}
	back := m.conf.Back
	if noBack != "" {
		back = 0
	}
	k.keep = k.draws.Keep(m.conf.Done, back)
	return k
}

// people reads who is there.
func (m *campaigner) people() error {
	m.rules.People = m.conf.AtOnce
	for _, e := range m.conf.Engineers {
		x := schedule.Engineer{Name: e.Name, Parallel: max(1, e.AtOnce), Sites: e.Sites}
		if e.Calendar != "" {
			s, err := m.read(e.Calendar)
			if err != nil {
				return err
			}
			x.Shifts = append([]schedule.Slot{}, s...)
		}
		m.rules.Engineers = append(m.rules.Engineers, x)
	}
	m.rules.Staffed = len(m.rules.Engineers) > 0
	return nil
}

// order carries the rules over.
func (m *campaigner) order() {
	c := &m.conf
	m.rules.NeighboursApart, m.rules.RiskApart = c.NeighboursApart, c.RiskApart
	m.rules.PerSite = c.PerSite
	if len(c.Sites) > 0 {
		m.rules.Sites = map[string]int{}
		for _, s := range c.Sites {
			m.rules.Sites[s.Site] = s.PerWindow
		}
	}
	for _, t := range c.Apart {
		for i, a := range t.Devices {
			for _, b := range t.Devices[:i] {
				says := fmt.Sprintf("%s and %s are kept apart by %s", b, a, workspace.CampaignFile)
				if t.Why != "" {
					says += ": " + t.Why
				}
				m.rules.Apart = append(m.rules.Apart, schedule.Pair{A: fleet.DeviceID(b), B: fleet.DeviceID(a), Says: says})
			}
		}
	}
	if len(m.want.Captures) > 1 {
		for _, x := range survival.Conflicts(m.app.Workspace.Fleet, m.want.Captures, survival.Options{}) {
			says := fmt.Sprintf("%s and %s never restart together: %s (%s)", x.A, x.B, x.Reason, x.Source)
			m.rules.Apart = append(m.rules.Apart, schedule.Pair{A: x.A, B: x.B, Says: says})
			m.restarts = append(m.restarts, says)
		}
	}
	for _, d := range c.Canaries {
		if m.courses[fleet.DeviceID(d)] == nil {
			m.warn = append(m.warn, fmt.Sprintf("the canary %s is not among the devices to change; where none is, the least critical come first", d))
			continue
		}
		m.rules.Canaries = append(m.rules.Canaries, fleet.DeviceID(d))
	}
	m.rules.CanaryCount, m.rules.Growth, m.rules.Soak, m.rules.RoleOrder = c.CanaryCount, c.Growth, c.Soak, c.RoleOrder
}

// failures lists every single failure of the kinds, by name.
func failures(f *fleet.Fleet, net *network.Network, kinds []string) map[string]network.Change {
	out := map[string]network.Change{}
	for _, k := range kinds {
		switch k {
		case "link":
			for _, l := range net.Links() {
				out["link "+l] = network.Change{Links: []string{l}}
			}
		case "node":
			for _, d := range f.Devices {
				out["device "+string(d.ID)] = network.Change{Drains: []network.Drain{{Node: string(d.ID), How: network.Remove}}}
			}
		case "group":
			add := func(name string, c network.Change) {
				x := out["group "+name]
				x.Links, x.Drains = append(x.Links, c.Links...), append(x.Drains, c.Drains...)
				out["group "+name] = x
			}
			for _, r := range f.Risks {
				c := network.Change{Links: r.Links}
				for _, d := range r.Devices {
					c.Drains = append(c.Drains, network.Drain{Node: string(d), How: network.Remove})
				}
				add(r.Name, c)
			}
			for _, l := range f.Links {
				for _, r := range l.SharedRisk {
					add(r, network.Change{Links: []string{l.ID}})
				}
			}
		}
	}
	for name, c := range out {
		slices.Sort(c.Links)
		c.Links = slices.Compact(c.Links)
		out[name] = c
	}
	return out
}

// blocked explains why there is no schedule. Where devices may be left out, one
// is and there is no error.
func (m *campaigner) blocked(ctx context.Context, p *schedule.Problem, err error) error {
	if !errors.Is(err, schedule.ErrInfeasible) {
		return err
	}
	why, xerr := schedule.Explain(ctx, p, m.want.Limits)
	if xerr != nil {
		return errors.Join(err, xerr)
	}
	if !m.want.LeaveOut || len(why.Items) == 0 {
		return &Blocked{why, err}
	}
	// Whoever is least at risk stands back.
	out := slices.MinFunc(why.Items, func(x, y string) int {
		return cmp.Or(cmp.Compare(m.courses[fleet.DeviceID(x)].risk.Weight, m.courses[fleet.DeviceID(y)].risk.Weight), strings.Compare(x, y))
	})
	id := fleet.DeviceID(out)
	var says []string
	for _, r := range why.Rules {
		says = append(says, r.Says)
	}
	c := m.courses[id]
	m.left = append(m.left, plan.Unscheduled{Device: id, Platform: m.devices[id].Platform, From: c.from, To: c.to,
		Reason: "these cannot all be kept: " + strings.Join(says, "; ")})
	m.tasks = slices.DeleteFunc(m.tasks, func(t schedule.Task) bool { return t.Device == id })
	m.rules.Canaries = slices.DeleteFunc(m.rules.Canaries, func(d fleet.DeviceID) bool { return d == id })
	delete(m.courses, id)
	if len(m.tasks) == 0 {
		return &Blocked{why, err}
	}
	return nil
}
