package schedule

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/unit"
)

// Carrier says whether the network carries its demands while devices are out,
// and in words why not. It must give the same answer for the same set, and no
// for every set that contains one to which it says no; [Load] is one.
type Carrier interface {
	Carries(ctx context.Context, out []fleet.DeviceID) (ok bool, why string)
}

// Task is the work on one device.
type Task struct {
	Device fleet.DeviceID
	// Minutes is how long the device is worked on, at the probability with which
	// it must be done inside its window; the timing engine gives that quantile.
	Minutes int64
	// Exposure and Criticality multiply to the risk that the device runs until it
	// is done; 0 counts as 1.
	Exposure, Criticality float64
	// Deadline is when it must be done at the latest; zero is no deadline.
	Deadline time.Time
	// Engineer is who must do it, a name in [Rules]; empty is anyone.
	Engineer string
	// Pin names the only window it may be done in, Ban windows it may not be done
	// in, by [Window.Name]. Only and Never are instants that lie in such windows.
	Pin   string
	Ban   []string
	Only  []time.Time
	Never []time.Time
	// DeadlineWhy says why there is a deadline, for explanations.
	DeadlineWhy string
}

// Engineer is somebody who does tasks.
type Engineer struct {
	Name     string
	Parallel int      // devices at the same time; 0 counts as 1
	Sites    []string // where; empty is everywhere
	// Shifts are when the engineer is there; nil is always.
	Shifts []Slot
}

// Pair is two devices that are never worked on in the same window.
type Pair struct {
	A, B fleet.DeviceID
	Says string
}

// Rules are what a campaign keeps beside the redundancy groups of the fleet.
type Rules struct {
	// NeighboursApart keeps two devices that share a link out of one window.
	NeighboursApart bool
	// RiskApart keeps two devices out of one window that end links of the same
	// shared-risk group, or are in it.
	RiskApart bool
	// Apart are further pairs that are kept out of one window.
	Apart []Pair
	// People is how many devices can be worked on at the same time, over all; a
	// window holds that many times its length. 0 is no limit.
	People    int
	Engineers []Engineer
	// Staffed says that every task needs one of the engineers, for all of its
	// time; People then does not count. Otherwise only tasks that name one do.
	Staffed bool
	// PerSite limits the devices of one site in one window, Sites does so for a
	// site by name; 0 is no limit.
	PerSite int
	Sites   map[string]int
	// Canaries come first. Where none are named, CanaryCount devices of least
	// criticality are taken, of as many platforms as possible.
	Canaries    []fleet.DeviceID
	CanaryCount int
	// Growth lists shares of the devices, rising, such as 0.1, 0.5: after the
	// canaries come the stages up to each share, the least critical first, then
	// the rest. Soak lies between a stage and the next.
	Growth []float64
	Soak   time.Duration
	// RoleOrder lists roles in the order in which they are done; others are free.
	RoleOrder []string
	// Stages fixes the stage of devices, as an earlier campaign had them; where it
	// is not nil the others are of the last stage, and Canaries, CanaryCount and
	// Growth do not count.
	Stages map[fleet.DeviceID]int
	// Carries is asked whether devices may be out together, Verify the same of
	// whole windows in the end: use it for what is dear to know, such as every
	// further failure. Either may be nil.
	Carries, Verify Carrier
	// Hours, where it is set, gives the carriers of a window from start to end, and
	// Carries and Verify do not count: the network carries more by day than by
	// night. Windows for which it returns the same pointer are alike.
	Hours func(start, end time.Time) (*Hours, error)
}

// Hours are windows in which the network carries the same.
type Hours struct {
	// Name says which windows they are, such as "the windows of Tuesday 12:00 to
	// 16:00".
	Name            string
	Carries, Verify Carrier // either may be nil
}

// Waves is a campaign in windows.
type Waves struct {
	Problem  Problem
	Schedule Schedule
	Nights   []Night
	// Stage is the stage of every task, 0 for the canaries, in task order.
	Stage []int
	// Cuts counts the sets of devices that Verify refused, or that the people could
	// not do side by side, and that were kept apart since.
	Cuts int
	// Warnings are those of the slots that are used.
	Warnings []string
}

// Night is one window that is used.
type Night struct {
	Window  int
	Name    string
	Start   time.Time
	End     time.Time
	Devices []fleet.DeviceID
	Minutes int64 // of work
	// Tasks are the devices with their times, in the order of their start, and
	// Slots those of the calendar that the window is made of.
	Tasks []Placed
	Slots []Slot
	// Room is what the people who are there can do, in minutes; 0 where nobody is
	// counted.
	Room int64
}

// Campaign puts tasks into the slots of a calendar. Slots that overlap become one
// window, since what is out in either is out at the same time; a slot with a
// site is for its devices only. When the rules cannot be kept the error wraps
// [ErrInfeasible], and [Explain] on the problem of the returned waves says why.
func Campaign(ctx context.Context, f *fleet.Fleet, tasks []Task, slots []Slot, rules Rules, lim Limits) (Waves, error) {
	var out Waves
	b, err := build(ctx, f, tasks, slots, rules)
	if err != nil {
		return out, err
	}
	out.Problem, out.Stage = *b.p, b.stage
	b.p.Floor = b.laneFloor()
	lower, bound := 0, ""
	for round := 0; ; round++ {
		s, err := b.solve(ctx, out.Schedule, lim)
		out.Problem = *b.p
		if err != nil {
			if errors.Is(err, ErrInfeasible) && b.unsure {
				err = fmt.Errorf("%w: the arrangements that were tried leave no schedule", ErrUndecided)
			}
			return out, err
		}
		if !b.unsure && s.LowerBound > lower {
			lower, bound = s.LowerBound, s.Bound
		}
		out.Schedule = s
		cuts := b.settle(ctx, s.Window, 0)
		out.Cuts += cuts
		out.Problem = *b.p
		if cuts == 0 {
			break
		}
		if round == 60 || ctx.Err() != nil {
			return out, fmt.Errorf("%w: after %d attempts some window still fails the last check", ErrUndecided, round+1)
		}
	}
	out.Cuts += b.tighten(ctx, &out.Schedule, lower, lim)
	out.Problem = *b.p
	// The bound of a problem with rules that need not hold is none.
	if b.unsure || lower > out.Schedule.LowerBound {
		out.Schedule.LowerBound, out.Schedule.Bound = lower, bound
		out.Schedule.Proven = out.Schedule.Used <= lower
		out.Schedule.OrderProven = out.Schedule.OrderProven && !b.unsure
	}
	out.finish(b)
	return out, nil
}

// solve solves the problem, or where a large one was solved before and has got
// further rules, mends that schedule. A mended schedule has the bound of before.
func (b *builder) solve(ctx context.Context, before Schedule, lim Limits) (Schedule, error) {
	if len(before.Window) == 0 || len(b.tasks) <= 200 {
		return Solve(ctx, b.p, lim)
	}
	r := compile(b.p)
	W := len(b.p.Windows)
	st := r.newState(W)
	st.known = true // windows that the load was asked about as a whole, less some
	var queue []int
	for _, i := range r.order() {
		if w := before.Window[i]; st.fits(i, w) {
			st.put(i, w)
		} else {
			queue = append(queue, i)
		}
	}
	st.known = false
	rng := rand.New(rand.NewPCG(lim.Seed, 0x6d656e64))
	weight := make([]int, r.n)
	held := slices.Clone(st.win)
	// Into the windows in use, and only then into others.
	for _, more := range []bool{false, true} {
		for w := range W {
			st.open[w] = more || len(st.in[w]) > 0
		}
		spent, ok := st.repair(ctx.Done(), slices.Clone(queue), r.steps(lim, W)+5*int64(len(queue))+200, weight, rng)
		before.Nodes += spent
		if ok {
			before.Window = slices.Clone(st.win)
			before.Used = st.used
			before.Proven = st.used <= before.LowerBound
			before.OrderProven = false
			before.RiskDays, before.Worst = r.objective(st.win)
			return before, nil
		}
		st.load1(held)
	}
	return Solve(ctx, b.p, lim)
}

// tighten empties windows of a large campaign after it was mended, the emptiest
// first, as long as that works and all windows still pass.
func (b *builder) tighten(ctx context.Context, s *Schedule, lower int, lim Limits) (cuts int) {
	if len(b.tasks) <= 200 {
		return 0
	}
	tries, most := 4, int64(2000)
	if len(b.tasks) > 2000 && b.p.Together != nil {
		tries, most = 3, 400 // to ask is dear there
	}
	for fails := 0; s.Used > lower && fails < tries && ctx.Err() == nil; {
		r := compile(b.p)
		W := len(b.p.Windows)
		st := r.newState(W)
		st.load1(s.Window)
		var ws []int
		for w := range W {
			if len(st.in[w]) > 0 {
				ws = append(ws, w)
			}
		}
		slices.SortStableFunc(ws, func(a, b int) int { return cmp.Compare(st.load[a], st.load[b]) })
		if fails >= len(ws) {
			break
		}
		w := ws[fails]
		queue := slices.Clone(st.in[w])
		for _, i := range queue {
			st.take(i)
		}
		for v := range W {
			if st.open[v] = len(st.in[v]) > 0; st.open[v] && b.p.Together != nil {
				r.together(b.p.classOf(v), st.sorted(v)) // what is asked next differs by one device
			}
		}
		rng := rand.New(rand.NewPCG(lim.Seed, uint64(fails)))
		spent, ok := st.repair(ctx.Done(), queue, min(most, r.steps(lim, s.Used))+4*int64(len(queue)), make([]int, r.n), rng)
		s.Nodes += spent
		if !ok {
			fails++
			continue
		}
		win := slices.Clone(st.win)
		placed := b.placed
		if n := b.settle(ctx, win, 0); n > 0 {
			cuts += n
			b.placed = placed
			fails++
			continue
		}
		s.Window, s.Used, s.OrderProven = win, st.used, false
		s.Proven = s.Used <= s.LowerBound
		s.RiskDays, s.Worst = r.objective(win)
		fails = 0
	}
	return cuts
}

// sorted lists the items of a window in order.
func (s *state) sorted(w int) []int { return slices.Sorted(slices.Values(s.in[w])) }

// finish lays the windows out.
func (out *Waves) finish(b *builder) {
	out.Nights = nightsOf(b.p, b.tasks, out.Schedule.Window)
	for k := range out.Nights {
		n := &out.Nights[k]
		n.Slots = b.windows[n.Window].slots
		n.Tasks = b.placed[n.Window]
		if lanes, counted := b.handsAt(n.Window); counted {
			for _, l := range lanes {
				n.Room += int64(l.to.Sub(l.from) / time.Minute)
			}
		}
		out.Warnings = append(out.Warnings, b.warn[n.Window]...)
	}
}

// builder is a campaign while it is made.
type builder struct {
	p       *Problem
	tasks   []Task
	site    []string // of the tasks' devices
	rules   Rules
	windows []cluster
	lanes   [][]lane // by window
	stage   []int
	warn    map[int][]string
	placed  map[int][]Placed
	checked map[string]bool // sets that passed Verify
	unsure  bool            // some rule was added that need not hold
	hours   []*Hours        // by class
}

// settle checks every window from the given one on and lays it out. It adds a
// rule for each that fails, and returns how many.
func (b *builder) settle(ctx context.Context, win []int, from int) (cuts int) {
	p := b.p
	sets := make([][]int, len(p.Windows))
	for i, w := range win {
		sets[w] = append(sets[w], i)
	}
	b.placed = map[int][]Placed{}
	for w, set := range sets {
		if len(set) == 0 || w < from {
			continue
		}
		placed, ok, sure, room := b.layout(w, set)
		if !ok {
			cuts++
			if !b.unplaceable(w, set, room, sure) {
				b.unsure = true
			}
			continue
		}
		b.placed[w] = placed
		class := p.classOf(w)
		if b.hours[class].Verify == nil {
			continue
		}
		key := fmt.Sprint(class, set)
		if b.checked[key] {
			continue
		}
		asked := func(c int, items []int) (bool, string) {
			if b.hours[c].Verify == nil {
				return true, ""
			}
			return b.hours[c].Verify.Carries(ctx, names(b.tasks, items))
		}
		ask := func(items []int) (bool, string) { return asked(class, items) }
		ok, why := ask(set)
		if ok {
			b.checked[key] = true
			continue
		}
		core := quick(set, func(is []int) bool {
			if len(is) == 0 {
				return false
			}
			ok, _ := ask(is)
			return !ok
		})
		if len(core) > 0 {
			if _, w := ask(core); w != "" {
				why = w
			}
		} else {
			core = set
		}
		cuts++
		cut := Group{Name: fmt.Sprintf("cut %d", len(p.Groups)), Members: core, MaxDown: len(core) - 1}
		// It holds in the windows of the classes that refuse the set, no others.
		refused := map[int]bool{class: true}
		for _, c := range p.classes() {
			if c != class {
				ok, _ := asked(c, core)
				refused[c] = !ok
			}
		}
		where := ""
		if all := p.classes(); len(all) > 1 {
			var parts []string
			for _, c := range all {
				if refused[c] {
					parts = append(parts, p.inClass(c))
				}
			}
			if where = strings.Join(parts, " or"); len(parts) == len(all) {
				where = " in any window"
			} else {
				for v := range p.Windows {
					limit := len(core)
					if refused[p.classOf(v)] {
						limit--
					}
					cut.PerWindow = append(cut.PerWindow, limit)
				}
			}
		}
		cut.Says = fmt.Sprintf("%s cannot be out together%s: %s", p.names(core), where, why)
		if len(core) == 1 {
			cut.Says = fmt.Sprintf("%s cannot be out%s: %s", p.names(core), where, why)
		}
		p.Groups = append(p.Groups, cut)
	}
	return cuts
}

func names(tasks []Task, items []int) []fleet.DeviceID {
	out := make([]fleet.DeviceID, len(items))
	for k, i := range items {
		out[k] = tasks[i].Device
	}
	return out
}

func nightsOf(p *Problem, tasks []Task, win []int) []Night {
	by := make([]Night, len(p.Windows))
	for i, w := range win {
		by[w].Devices = append(by[w].Devices, tasks[i].Device)
		by[w].Minutes += p.Items[i].Work
	}
	var out []Night
	for w, n := range by {
		if len(n.Devices) > 0 {
			n.Window, n.Name, n.Start, n.End = w, p.Windows[w].Name, p.Windows[w].Start, p.Windows[w].End
			out = append(out, n)
		}
	}
	return out
}

// cluster is a window made of slots that overlap.
type cluster struct {
	start, end time.Time
	slots      []Slot
}

func clusters(slots []Slot) []cluster {
	slots = slices.Clone(slots)
	slices.SortStableFunc(slots, func(a, b Slot) int { return a.Start.Compare(b.Start) })
	var out []cluster
	for _, s := range slots {
		if k := len(out) - 1; k >= 0 && s.Start.Before(out[k].end) {
			out[k].slots = append(out[k].slots, s)
			if s.End.After(out[k].end) {
				out[k].end = s.End
			}
			continue
		}
		out = append(out, cluster{s.Start, s.End, []Slot{s}})
	}
	return out
}

// Joined returns the windows that slots become in a campaign, in the order of
// time: those that overlap are one, with a start and an end and nothing else.
func Joined(slots []Slot) []Slot {
	var out []Slot
	for _, c := range clusters(slots) {
		out = append(out, Slot{Start: c.start, End: c.end})
	}
	return out
}

func build(ctx context.Context, f *fleet.Fleet, tasks []Task, slots []Slot, rules Rules) (*builder, error) {
	p := &Problem{}
	b := &builder{p: p, tasks: tasks, rules: rules, placed: map[int][]Placed{}, checked: map[string]bool{}}
	var errs []error
	bad := func(format string, a ...any) {
		errs = append(errs, fmt.Errorf("%w: %s", ErrInvalid, fmt.Sprintf(format, a...)))
	}
	warn := map[int][]string{}
	cs := clusters(slots)
	b.windows = cs
	if len(cs) == 0 && len(tasks) > 0 {
		bad("there is no window for %d devices", len(tasks))
	}
	for w, c := range cs {
		win := Window{Name: c.start.Format("2006-01-02 15:04 MST"), Capacity: Unlimited, Start: c.start, End: c.end}
		if rules.People > 0 && !rules.Staffed {
			win.Capacity = int64(rules.People) * int64(c.end.Sub(c.start)/time.Minute)
			win.Says = fmt.Sprintf("%s at a time in %s, %d minutes long", unit.Counted(rules.People, "device"), win.Name, int64(c.end.Sub(c.start)/time.Minute))
		}
		for _, s := range c.slots {
			for _, x := range s.Warnings {
				warn[w] = append(warn[w], fmt.Sprintf("%s: %s", win.Name, x))
			}
		}
		p.Windows = append(p.Windows, win)
	}
	devices := map[fleet.DeviceID]*fleet.Device{}
	for k := range f.Devices {
		devices[f.Devices[k].ID] = &f.Devices[k]
	}
	at := map[fleet.DeviceID]int{}
	engineers := map[string]int{}
	for k, e := range rules.Engineers {
		engineers[e.Name] = k
	}
	byEngineer := make([][]int, len(rules.Engineers))
	sites := map[string][]int{}
	var siteNames []string
	type fit struct {
		site, engineer string
		minutes        int64
	}
	fits := map[fit][]int{}
	var fitKeys []fit
	or1 := func(x float64) float64 {
		if x == 0 {
			return 1
		}
		return x
	}
	for i, t := range tasks {
		d := devices[t.Device]
		if d == nil {
			bad("task %d names device %q, which the fleet does not have", i, t.Device)
			d = &fleet.Device{}
		}
		if _, twice := at[t.Device]; twice {
			bad("device %q has two tasks", t.Device)
		}
		at[t.Device] = i
		p.Items = append(p.Items, Item{Name: string(t.Device), Work: t.Minutes, Risk: or1(t.Exposure) * or1(t.Criticality)})
		if _, ok := sites[d.Site]; !ok {
			siteNames = append(siteNames, d.Site)
		}
		sites[d.Site] = append(sites[d.Site], i)
		b.site = append(b.site, d.Site)
		k := fit{d.Site, "", t.Minutes}
		if rules.Staffed {
			k.engineer = t.Engineer
		}
		if _, ok := fits[k]; !ok {
			fitKeys = append(fitKeys, k)
		}
		fits[k] = append(fits[k], i)
		if t.Engineer != "" {
			k, ok := engineers[t.Engineer]
			if !ok {
				bad("task of %q needs engineer %q, who is not listed", t.Device, t.Engineer)
			} else {
				byEngineer[k] = append(byEngineer[k], i)
			}
		}
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	// Which windows have a slot, and hands, that are there long enough, by site,
	// engineer and minutes.
	for _, k := range fitKeys {
		var ws []int
		length := time.Duration(k.minutes) * time.Minute
		slotted := 0
		for w := range cs {
			c := &cs[w]
			lanes, counted := b.handsAt(w)
			long, held := false, false
			for _, s := range c.slots {
				if s.Site != "" && s.Site != k.site || length > s.End.Sub(s.Start) {
					continue
				}
				long = true
				held = held || !counted || slices.ContainsFunc(lanes, func(l lane) bool {
					end := s.End
					if l.to.Before(end) {
						end = l.to
					}
					return l.serves(&Task{Engineer: k.engineer}, k.site) && length <= end.Sub(later(l.from, s.Start))
				})
			}
			if long {
				slotted++
			}
			if held {
				ws = append(ws, w)
			}
		}
		if len(ws) < len(cs) {
			says := fmt.Sprintf("%d minutes of work at site %q fit into %d of %d windows: %s", k.minutes, k.site, len(ws), len(cs), p.names(fits[k]))
			switch {
			case slotted == 0:
				says = fmt.Sprintf("no window is open long enough for %d minutes of work at site %q: %s", k.minutes, k.site, p.names(fits[k]))
			case slotted > len(ws):
				who := "an engineer"
				if k.engineer != "" {
					who = k.engineer
				}
				says = fmt.Sprintf("%s is there for %d minutes of work at site %q in %d of %d windows: %s", who, k.minutes, k.site, len(ws), len(cs), p.names(fits[k]))
			}
			p.Permits = append(p.Permits, Permit{Items: fits[k], Windows: ws, Says: says})
		}
	}
	window := map[string]int{}
	for w, win := range p.Windows {
		window[win.Name] = w
	}
	deadlines := map[time.Time][]int{}
	var dates []time.Time
	for i, t := range tasks {
		if !t.Deadline.IsZero() {
			if _, ok := deadlines[t.Deadline]; !ok {
				dates = append(dates, t.Deadline)
			}
			deadlines[t.Deadline] = append(deadlines[t.Deadline], i)
		}
		if t.Pin != "" {
			w, ok := window[t.Pin]
			if !ok {
				bad("%s is pinned to %q, which is no window", t.Device, t.Pin)
				continue
			}
			p.Permits = append(p.Permits, p.Pin(i, w))
		}
		var ws []int
		for _, b := range t.Ban {
			w, ok := window[b]
			if !ok {
				bad("%s is banned from %q, which is no window", t.Device, b)
				continue
			}
			ws = append(ws, w)
		}
		for _, at := range t.Never {
			if w := b.windowAt(at); w >= 0 {
				ws = append(ws, w)
			}
		}
		if len(ws) > 0 {
			p.Permits = append(p.Permits, p.Ban(i, ws...))
		}
		if len(t.Only) > 0 {
			q := Permit{Items: []int{i}}
			var said []string
			for _, at := range t.Only {
				if w := b.windowAt(at); w >= 0 {
					q.Windows = append(q.Windows, w)
					said = append(said, p.Windows[w].Name)
				} else {
					said = append(said, at.Format("2006-01-02 15:04 MST")+" (which is in no window)")
				}
			}
			q.Says = fmt.Sprintf("%s is done only in %s", t.Device, strings.Join(said, ", "))
			p.Permits = append(p.Permits, q)
		}
	}
	for _, d := range dates {
		q := p.Deadline(d, deadlines[d]...)
		var whys []string
		for _, i := range deadlines[d] {
			if y := tasks[i].DeadlineWhy; y != "" && !slices.Contains(whys, y) {
				whys = append(whys, y)
			}
		}
		if len(whys) > 0 {
			q.Says += ": " + strings.Join(whys, "; ")
		}
		p.Permits = append(p.Permits, q)
	}
	for _, g := range f.Groups {
		var members []int
		for _, m := range g.Members {
			if i, ok := at[m]; ok {
				members = append(members, i)
			}
		}
		down := len(g.Members) - g.AtLeast
		if len(members) == 0 || down >= len(members) {
			continue
		}
		p.Groups = append(p.Groups, Group{Name: g.Name, Members: members, MaxDown: max(0, down),
			Says: fmt.Sprintf("of redundancy group %s at least %d of %d stay in service", g.Name, g.AtLeast, len(g.Members))})
	}
	for _, s := range siteNames {
		most := rules.PerSite
		if v, ok := rules.Sites[s]; ok {
			most = v
		}
		if most > 0 && most < len(sites[s]) {
			p.Groups = append(p.Groups, Group{Name: "site " + s, Members: sites[s], MaxDown: most,
				Says: fmt.Sprintf("at most %s of site %s in one window", unit.Counted(most, "device"), s)})
		}
	}
	if rules.Staffed {
		b.staff()
	} else if rules.People > 0 {
		all := make([]int, len(tasks))
		for i := range all {
			all[i] = i
		}
		b.whole(unit.Counted(rules.People, "device")+" at a time", all, func(*lane) bool { return true })
	}
	for k, e := range rules.Engineers {
		if len(byEngineer[k]) == 0 || rules.Staffed {
			continue
		}
		g := Budget{Name: e.Name, Members: byEngineer[k], Says: fmt.Sprintf("%s works on %d at a time, no longer than the window", e.Name, max(1, e.Parallel))}
		for _, c := range cs {
			g.PerWindow = append(g.PerWindow, int64(max(1, e.Parallel))*int64(c.end.Sub(c.start)/time.Minute))
		}
		p.Budgets = append(p.Budgets, g)
	}
	seen := map[[2]int]bool{}
	apart := func(a, b fleet.DeviceID, says string) {
		i, ok := at[a]
		j, ok2 := at[b]
		if !ok || !ok2 || i == j {
			return
		}
		if k := [2]int{min(i, j), max(i, j)}; !seen[k] {
			seen[k] = true
			p.Conflicts = append(p.Conflicts, Conflict{A: k[0], B: k[1], Says: says})
		}
	}
	if rules.NeighboursApart {
		for _, l := range f.Links {
			apart(l.A.Device, l.B.Device, fmt.Sprintf("%s and %s are neighbours over %s and never restart together", l.A.Device, l.B.Device, l.ID))
		}
	}
	for _, q := range rules.Apart {
		apart(q.A, q.B, q.Says)
	}
	if rules.RiskApart {
		ends := map[string][]fleet.DeviceID{}
		var order []string
		add := func(r string, devices ...fleet.DeviceID) {
			if _, ok := ends[r]; !ok {
				order = append(order, r)
			}
			ends[r] = append(ends[r], devices...)
		}
		of := map[string][]string{} // of links, by the groups that list them
		for _, r := range f.Risks {
			add(r.Name, r.Devices...)
			for _, l := range r.Links {
				of[l] = append(of[l], r.Name)
			}
		}
		for _, l := range f.Links {
			for _, r := range append(slices.Clone(l.SharedRisk), of[l.ID]...) {
				add(r, l.A.Device, l.B.Device)
			}
		}
		for _, r := range order {
			for k, a := range ends[r] {
				for _, b := range ends[r][:k] {
					apart(b, a, fmt.Sprintf("%s and %s share the risk %s", b, a, r))
				}
			}
		}
	}
	stage := stages(tasks, devices, rules, at, bad)
	last := slices.Max(append(stage, 0))
	of := make([][]int, last+1)
	for i, s := range stage {
		of[s] = append(of[s], i)
	}
	prev := -1
	for s, items := range of {
		if len(items) == 0 {
			continue
		}
		if prev >= 0 {
			says := fmt.Sprintf("%s before %s", stageOf(p, prev, last, of[prev]), stageOf(p, s, last, items))
			if rules.Soak > 0 {
				says += ", with " + span(rules.Soak) + " to soak"
			}
			p.Orders = append(p.Orders, Order{Before: of[prev], After: items, Soak: rules.Soak, Says: says})
		}
		prev = s
	}
	// Within a stage; a canary may be of a later role.
	for _, members := range of {
		var before []int
		from := ""
		for _, role := range rules.RoleOrder {
			var items []int
			for _, i := range members {
				if devices[tasks[i].Device].Role == role {
					items = append(items, i)
				}
			}
			if len(items) == 0 {
				continue
			}
			if len(before) > 0 {
				p.Orders = append(p.Orders, Order{Before: before, After: items, Says: fmt.Sprintf("role %s before role %s", from, role)})
			}
			before, from = items, role
		}
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	if err := b.classify(); err != nil {
		return nil, err
	}
	if slices.ContainsFunc(b.hours, func(h *Hours) bool { return h.Carries != nil }) {
		p.Together = func(class int, items []int) (bool, string) {
			if b.hours[class].Carries == nil {
				return true, ""
			}
			return b.hours[class].Carries.Carries(ctx, names(tasks, items))
		}
	}
	b.stage, b.warn = stage, warn
	return b, nil
}

// classify gives every window its class by its hours.
func (b *builder) classify() error {
	if b.rules.Hours == nil {
		b.hours = []*Hours{{Carries: b.rules.Carries, Verify: b.rules.Verify}}
		return nil
	}
	for _, c := range b.windows {
		h, err := b.rules.Hours(c.start, c.end)
		if err != nil {
			return err
		}
		k := slices.Index(b.hours, h)
		if k < 0 {
			k = len(b.hours)
			b.hours = append(b.hours, h)
			b.p.Classes = append(b.p.Classes, h.Name)
		}
		b.p.Class = append(b.p.Class, k)
	}
	return nil
}

// windowAt is the window that the instant lies in, -1 for none.
func (b *builder) windowAt(at time.Time) int {
	return slices.IndexFunc(b.windows, func(c cluster) bool { return !at.Before(c.start) && at.Before(c.end) })
}

// stageOf names a stage in rules.
func stageOf(p *Problem, stage, last int, items []int) string {
	switch stage {
	case 0:
		return "the canary " + p.names(items)
	case last:
		return fmt.Sprintf("the other devices (%d)", len(items))
	default:
		return fmt.Sprintf("growth stage %d (%s)", stage, unit.Counted(len(items), "device"))
	}
}

// stages gives every task its stage.
func stages(tasks []Task, devices map[fleet.DeviceID]*fleet.Device, rules Rules, at map[fleet.DeviceID]int, bad func(string, ...any)) []int {
	stage := make([]int, len(tasks))
	if rules.Stages != nil {
		last := 0
		for _, s := range rules.Stages {
			last = max(last, s)
		}
		for i, t := range tasks {
			stage[i] = last
			if s, ok := rules.Stages[t.Device]; ok {
				if s < 0 {
					bad("stage of %q is %d, which should be at least 0", t.Device, s)
					s = 0
				}
				stage[i] = s
			}
		}
		return stage
	}
	order := make([]int, len(tasks))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		if c := cmp.Compare(tasks[a].Criticality, tasks[b].Criticality); c != 0 {
			return c
		}
		return strings.Compare(string(tasks[a].Device), string(tasks[b].Device))
	})
	canary := map[int]bool{}
	for _, d := range rules.Canaries {
		i, ok := at[d]
		if !ok {
			bad("canary %q has no task", d)
			continue
		}
		canary[i] = true
	}
	if len(rules.Canaries) == 0 && rules.CanaryCount > 0 {
		used := map[string]int{}
		for round := 1; len(canary) < min(rules.CanaryCount, len(tasks)); round++ {
			for _, i := range order {
				if pf := devices[tasks[i].Device].Platform; !canary[i] && used[pf] < round && len(canary) < rules.CanaryCount {
					canary[i] = true
					used[pf]++
				}
			}
		}
	}
	if len(canary) == 0 && len(rules.Growth) == 0 {
		return stage
	}
	if !slices.IsSorted(rules.Growth) || len(rules.Growth) > 0 && (rules.Growth[0] <= 0 || rules.Growth[len(rules.Growth)-1] > 1) {
		bad("growth is %v, which should be rising shares above 0 and up to 1", rules.Growth)
		return stage
	}
	done := len(canary)
	for _, i := range order {
		if canary[i] {
			continue
		}
		s := 1
		for _, g := range rules.Growth {
			if float64(done) >= g*float64(len(tasks)) {
				s++
			}
		}
		stage[i] = s
		done++
	}
	return stage
}

// Slots returns the nights as slots for [WriteCalendar]. campaign begins their
// UIDs, so that a later calendar of the same campaign replaces them.
func (w Waves) Slots(campaign string) []Slot {
	out := make([]Slot, 0, len(w.Nights))
	for k, n := range w.Nights {
		s := Slot{UID: fmt.Sprintf("%s-window-%d", campaign, n.Window), Start: n.Start, End: n.End,
			Summary: fmt.Sprintf("Wave %d of %d: %s", k+1, len(w.Nights), unit.Counted(len(n.Devices), "device"))}
		for _, d := range n.Devices {
			s.Warnings = append(s.Warnings, string(d))
		}
		out = append(out, s)
	}
	return out
}
