package openconfig

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	filepb "github.com/openconfig/gnoi/file"
	systempb "github.com/openconfig/gnoi/system"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"

	"towpath/internal/device"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// atOnce is how many questions a capture has open at a time. The sections are
// small; a few at once hide the round trip without loading the device.
const atOnce = 4

// Capture reads the normalised state. Complete is set only for the full scope,
// and only when nothing went unread. A narrower scope leaves what it does not
// ask for unknown or empty.
func (d *Driver) Capture(ctx context.Context, scope device.Scope) (*state.Capture, error) {
	const op = "capture"
	if err := d.connect(ctx, op); err != nil {
		return nil, err
	}
	started := d.now()
	var wanted []section
	unread := []string{}
	for _, s := range sections {
		if scope != device.ScopeFull && !slices.Contains(s.scopes, scope) {
			continue
		}
		if s.origin == facts && d.cfg.FactsOrigin == "" {
			unread = append(unread, s.name+": the models of OpenConfig lack it, and no other origin is configured")
			continue
		}
		wanted = append(wanted, s)
	}

	readings := make([]reading, len(wanted))
	var routes *routes
	var clock state.Opt[time.Duration]
	var clockErr error
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(atOnce)
	for i, s := range wanted {
		g.Go(func() error {
			r, err := d.readSection(gctx, s)
			readings[i] = r
			return err
		})
	}
	if scope == device.ScopeFull {
		g.Go(func() error {
			r, err := d.readRoutes(gctx)
			routes = r
			return err
		})
	}
	err := g.Wait()
	if err != nil {
		if ctx.Err() != nil {
			return nil, d.fault(ctx, op, ctx.Err())
		}
		return nil, d.fault(ctx, op, err)
	}
	if scope != device.ScopeLive {
		clock, clockErr = d.clockOffset(ctx)
		if clockErr != nil && !ownVerdict(clockErr) {
			return nil, d.fault(ctx, op, clockErr)
		}
	}

	o := objects{}
	answered := map[string]bool{}
	any, denied := false, false
	for i, s := range wanted {
		readings[i].apply(s.name, o)
		unread = append(unread, readings[i].unread...)
		answered[s.name] = readings[i].answered > 0
		any = any || answered[s.name]
		denied = denied || readings[i].denied
	}
	if !any {
		kind := device.Unable
		if denied {
			kind = device.Denied
		}
		return nil, &device.Fault{Kind: kind, Op: op, Text: "the device answers none of the paths: " + strings.Join(unread, "; ")}
	}
	c := assemble(o, answered)
	c.Device = d.cfg.Device
	c.Source = "gNMI and gNOI, OpenConfig models"
	if d.cfg.FactsOrigin != "" {
		c.Source += " and origin " + d.cfg.FactsOrigin
	}
	if d.cfg.InsecureReason != "" {
		c.Source += "; the device's certificate was not verified: " + d.cfg.InsecureReason
	}
	if scope != device.ScopeLive {
		c.Clock.Offset = clock
		if clockErr != nil {
			unread = append(unread, "clock offset: "+reason(clockErr))
		}
		files, err := d.readFiles(ctx, c.Volumes)
		if err != nil {
			return nil, err
		}
		unread = append(unread, files...)
	}
	if routes != nil {
		routes.into(c)
		unread = append(unread, routes.unread...)
	}
	ended := d.now()
	c.TakenAt = started.Add(ended.Sub(started) / 2)
	c.Unread = unread
	if len(unread) == 0 {
		c.Unread = nil
	}
	c.Complete = scope == device.ScopeFull && len(unread) == 0
	c.Sort()
	return c, nil
}

// clockOffset is the device's clock minus ours, from the exchange with the
// shortest round trip out of three, taken at the middle of that exchange.
// Source: RFC 5905 §8, clock offset with equal delay both ways.
func (d *Driver) clockOffset(ctx context.Context) (state.Opt[time.Duration], error) {
	var best state.Opt[time.Duration]
	shortest := time.Duration(-1)
	for range 3 {
		sent := d.now()
		r, err := d.system.Time(ctx, &systempb.TimeRequest{})
		got := d.now()
		if err != nil {
			return best, d.fault(ctx, "capture", err)
		}
		if trip := got.Sub(sent); shortest < 0 || trip < shortest {
			shortest = trip
			best = state.Some(time.Unix(0, int64(r.GetTime())).Sub(sent.Add(trip / 2)))
		}
	}
	return best, nil
}

// readFiles lists the files of every volume, in place. It returns what could
// not be listed.
func (d *Driver) readFiles(ctx context.Context, volumes []state.Volume) ([]string, error) {
	var unread []string
	for i := range volumes {
		v := &volumes[i]
		r, err := d.file.Stat(ctx, &filepb.StatRequest{Path: v.Mount})
		if err != nil {
			err = d.fault(ctx, "capture", err)
			if !ownVerdict(err) && codeOf(err) != codes.FailedPrecondition && codeOf(err) != codes.Internal {
				return nil, err
			}
			unread = append(unread, fmt.Sprintf("files of %s: %s", v.Mount, reason(err)))
			continue
		}
		v.FilesKnown = true
		for _, s := range r.GetStats() {
			f := state.File{Path: s.GetPath(), Size: unit.ByteSize(min(s.GetSize(), 1<<62))}
			if t := s.GetLastModified(); t != 0 && t < 1<<63 {
				f.Modified = state.Some(time.Unix(0, int64(t)).UTC())
			}
			v.Files = append(v.Files, f)
		}
	}
	return unread, nil
}

// assemble makes the capture from what was read. answered tells which sections
// the device serves at all.
func assemble(o objects, answered map[string]bool) *state.Capture {
	sys := one[system](o, theSystem)
	c := sys.Capture
	c.CPUPercent = systemCPU(all[processor](o, aProcessor))
	c.MemoryPercent = share(sys.MemoryUsed, sys.MemoryPhysical)
	parents := map[string]string{}
	for _, k := range all[component](o, aComponent) {
		c.Components = append(c.Components, k.finish())
		parents[k.Name] = k.Parent
	}
	for _, v := range all[volume](o, aVolume) {
		c.Volumes = append(c.Volumes, v.finish(parents))
	}
	for _, b := range all[state.BootEntry](o, aBootEntry) {
		c.Boot = append(c.Boot, *b)
	}
	for _, f := range all[state.Feed](o, aFeed) {
		c.Power.Feeds = append(c.Power.Feeds, *f)
	}
	c.AlarmsKnown = answered["alarms"]
	for _, a := range all[state.Alarm](o, anAlarm) {
		c.Alarms = append(c.Alarms, *a)
	}
	c.CrashKnown = sys.CrashCount.Known()
	for _, f := range all[state.File](o, aCrashFile) {
		c.CrashFiles = append(c.CrashFiles, *f)
	}
	for _, f := range all[feature](o, aFeature) {
		if f.InUse.Or(false) {
			c.Features = append(c.Features, f.name)
		}
	}
	for _, l := range all[state.LogicalNetworkElement](o, aLogicalNetworkElement) {
		c.LogicalNetworkElements = append(c.LogicalNetworkElements, *l)
	}
	for _, k := range []*kind{aTree, aTreeInstance, aTreeVLAN} {
		for _, t := range all[tree](o, k) {
			c.SpanningTrees = append(c.SpanningTrees, t.finish())
		}
	}
	c.Interfaces, c.Aggregates = ports(o)
	c.Adjacencies = adjacencies(o, &c)
	c.RouteTables = counts(o)
	return &c
}

// systemCPU is the load of all processors together, the average where it is
// known.
func systemCPU(ps []*processor) state.Opt[float64] {
	for _, p := range ps {
		if p.name == "ALL" {
			return firstKnown(p.Average, p.Instant)
		}
	}
	if len(ps) == 1 {
		return firstKnown(ps[0].Average, ps[0].Instant)
	}
	return state.Opt[float64]{}
}

// share is part of whole in per cent.
func share(part, whole state.Opt[uint64]) state.Opt[float64] {
	p, ok := part.Get()
	w, ok2 := whole.Get()
	if !ok || !ok2 || w == 0 {
		return state.Opt[float64]{}
	}
	return state.Some(100 * float64(p) / float64(w))
}

func firstKnown[T any](os ...state.Opt[T]) state.Opt[T] {
	for _, o := range os {
		if o.Known() {
			return o
		}
	}
	return state.Opt[T]{}
}

func (k *component) finish() state.Component {
	k.CPUPercent = firstKnown(k.CPUAverage, k.CPUInstant)
	// Source: OpenConfig platform model, memory/available: the bytes physically
	// installed; the other leaf: those in use.
	k.MemoryPercent = share(k.MemoryUsed, k.MemoryInstalled)
	why := []string{}
	for _, o := range []state.Opt[string]{k.SwitchoverTrigger, k.SwitchoverDetails} {
		if s, ok := o.Get(); ok && s != "" {
			why = append(why, s)
		}
	}
	if len(why) > 0 {
		k.SwitchoverReason = state.Some(strings.Join(why, ": "))
	}
	return k.Component
}

func (v *volume) finish(parents map[string]string) state.Volume {
	v.Size = firstKnown(v.Size, v.CoarseSize)
	v.Available = firstKnown(v.Available, v.CoarseAvailable)
	if v.Controller == "" {
		v.Controller = parents[v.Storage]
	}
	return v.Volume
}

func (t *tree) finish() state.SpanningTree {
	root, ok := t.RootAddress.Get()
	if !ok {
		return t.Tree
	}
	if own, ok := t.Bridge.Get(); ok {
		t.Tree.Root = state.Some(strings.EqualFold(own, root))
	}
	t.Tree.RootID = state.Some(root)
	if p, ok := t.RootPriority.Get(); ok {
		t.Tree.RootID = state.Some(fmt.Sprintf("%d.%s", p, root))
	}
	return t.Tree
}

// ports returns the interfaces and the aggregates with their members.
func ports(o objects) ([]state.Interface, []state.Aggregate) {
	var ifaces []state.Interface
	groups := map[string]*state.Aggregate{}
	group := func(name string) *state.Aggregate {
		if groups[name] == nil {
			groups[name] = &state.Aggregate{Name: name}
		}
		return groups[name]
	}
	for _, i := range all[iface](o, anInterface) {
		ifaces = append(ifaces, i.Interface)
		if i.AggregateType.Known() || i.MinLinks.Known() || len(i.Members) > 0 {
			group(i.Name).MinLinks = i.MinLinks
		}
	}
	for _, i := range all[lacpInterface](o, aLACPInterface) {
		group(i.name).Interval = i.Interval
	}
	told := map[[2]string]bool{}
	for _, m := range all[lacpMember](o, aLACPMember) {
		group(m.aggregate).Members = append(group(m.aggregate).Members, m.Member)
		told[[2]string{m.aggregate, m.Member.Interface}] = true
	}
	// Members that only the interfaces tell of, as in an aggregate without LACP.
	add := func(aggregate, member string) {
		if k := [2]string{aggregate, member}; aggregate != "" && !told[k] {
			told[k] = true
			group(aggregate).Members = append(group(aggregate).Members, state.LACPMember{Interface: member})
		}
	}
	for _, i := range all[iface](o, anInterface) {
		add(i.Aggregate, i.Name)
		for _, m := range i.Members {
			add(i.Name, m)
		}
	}
	var out []state.Aggregate
	for _, g := range groups {
		out = append(out, *g)
	}
	return ifaces, out
}

// counts returns the routing tables with the number of their routes.
func counts(o objects) []state.RouteTable {
	var out []state.RouteTable
	for _, f := range []struct {
		kind *kind
		name string
	}{{aRouteCount4, "ipv4"}, {aRouteCount6, "ipv6"}} {
		sums := map[string]uint64{}
		for _, n := range all[routeCount](o, f.kind) {
			if v, ok := n.Count.Get(); ok {
				sums[n.instance] += v
			}
		}
		for instance, n := range sums {
			out = append(out, state.RouteTable{Instance: instance, Family: f.name, Count: state.Some(n)})
		}
	}
	return out
}
