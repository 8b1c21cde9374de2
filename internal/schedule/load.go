package schedule

import (
	"context"
	"fmt"
	"math"
	"slices"

	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/unit"
)

// Load is a [Carrier] over a network: devices are drained, and no arc may be
// used beyond the limit, no demand between devices that stay may lose its path.
//
// It is for one goroutine at a time.
type Load struct {
	base  *network.State
	opt   LoadOptions
	fail  []network.Change
	names []string // of the failures
	arcs  [][]int  // of a failure that is of links alone, the arcs it takes away
	// The states of sets asked before, oldest first, so that a larger set is
	// computed from the largest of them that it holds.
	held  []heldState
	ident map[fleet.DeviceID]int
	nodes int
	// Asked counts the sets that were computed, Failed the failures on top.
	Asked, Failed int64
	lost          int              // demands without a path from the start
	before        []network.Result // of each failure with nothing out; nil until it is asked for
	// own are the demands that lose their path when only the device is out.
	own map[fleet.DeviceID]map[int]bool
	// ends are the devices with one neighbour only. No path between others passes
	// through one, so that to let none pass changes nothing, whatever else is out.
	ends map[fleet.DeviceID]bool
}

// heldState is the network with a set of devices drained.
type heldState struct {
	set   set // of the numbers that ident gives
	size  int
	state *network.State
}

// keep bounds the states that a Load holds on to; in a large network each is some
// megabytes.
func (l *Load) keep() int {
	return min(512, max(24, 300_000/max(1, l.nodes))) / max(1, l.opt.Share)
}

// LoadOptions say what the network must bear.
type LoadOptions struct {
	// Limit is the largest utilisation of an arc; 0 means 1, the whole capacity.
	Limit float64
	// How is the way in which devices are drained, Ways that of devices by name.
	How  network.How
	Ways map[fleet.DeviceID]network.How
	// Failures are tried each by itself on top of what is drained (N−1), by name.
	Failures map[string]network.Change
	// MayIsolate lets a failure on top leave a demand without a path, as the loss
	// of the second uplink does while the first is being worked on. Without a
	// failure no demand may lose its path.
	MayIsolate bool
	// Share is how many such loads share the memory for states; 0 counts as 1.
	Share int
	// Unavoidable lets a demand be without a path that has none as soon as one of
	// the devices alone is out, such as that of a host on one switch: no window
	// helps. [Load.Alone] tells which.
	Unavoidable bool
}

// NewLoad returns a carrier over the state. The network must bear each failure
// with nothing drained, or else no window ever could: the failures that it does
// not bear are left out and returned by name.
func NewLoad(base *network.State, opt LoadOptions) (*Load, []string, error) {
	if opt.Limit == 0 {
		opt.Limit = 1
	}
	l := &Load{base: base, opt: opt, ident: map[fleet.DeviceID]int{}, own: map[fleet.DeviceID]map[int]bool{}}
	for k, x := range base.Network().Nodes() {
		l.ident[fleet.DeviceID(x.Name)] = k
	}
	l.nodes = len(base.Network().Nodes())
	l.lost = base.Result().UnroutableDemands
	l.ends = leaves(base.Network())
	var names []string
	for n := range opt.Failures {
		names = append(names, n)
	}
	slices.Sort(names)
	var changes []network.Change
	for _, n := range names {
		changes = append(changes, opt.Failures[n])
	}
	byLink := map[string][]int{}
	for k, a := range base.Network().Arcs() {
		byLink[a.Link] = append(byLink[a.Link], k)
	}
	for k, c := range changes {
		var arcs []int
		if len(c.Drains)+len(c.Lost) == 0 {
			for _, n := range c.Links {
				if len(byLink[n]) == 0 {
					return nil, nil, fmt.Errorf("failure %s: %w: there is no link %q", names[k], ErrInvalid, n)
				}
				arcs = append(arcs, byLink[n]...)
			}
		}
		l.fail, l.names, l.arcs = append(l.fail, c), append(l.names, names[k]), append(l.arcs, arcs)
	}
	try, at := l.worthTrying(base)
	res, err := base.Each(try)
	if err != nil {
		return nil, nil, fmt.Errorf("failures: %w", err)
	}
	drop := map[int]bool{}
	var weak []string
	for k, r := range res {
		if ok, _ := l.fit(base, r, l.lost, opt.MayIsolate); !ok {
			weak = append(weak, names[at[k]])
			drop[at[k]] = true
		}
	}
	l.fail, l.names, l.arcs = without(l.fail, drop), without(l.names, drop), without(l.arcs, drop)
	return l, weak, nil
}

// leaves are the nodes with one neighbour at most.
func leaves(n *network.Network) map[fleet.DeviceID]bool {
	next := map[string]string{}
	out := map[fleet.DeviceID]bool{}
	for _, x := range n.Nodes() {
		out[fleet.DeviceID(x.Name)] = true
	}
	see := func(a, b string) {
		if first, ok := next[a]; ok && first != b {
			delete(out, fleet.DeviceID(a))
		}
		next[a] = b
	}
	for _, a := range n.Arcs() {
		see(a.From, a.To)
		see(a.To, a.From)
	}
	return out
}

// matter lists the devices of the set whose drain can change anything.
func (l *Load) matter(out []fleet.DeviceID) []fleet.DeviceID {
	idle := func(d fleet.DeviceID) bool { return l.ends[d] && l.way(d) == network.NoTransit }
	if !slices.ContainsFunc(out, idle) {
		return out
	}
	return slices.DeleteFunc(slices.Clone(out), idle)
}

func without[T any](list []T, drop map[int]bool) []T {
	var out []T
	for k, x := range list {
		if !drop[k] {
			out = append(out, x)
		}
	}
	return out
}

// parent finds the held state of the most devices of the set, or the one with
// nothing out. drains are the devices that it lacks.
func (l *Load) parent(out []fleet.DeviceID) (from *network.State, drains []fleet.DeviceID) {
	want := l.numbers(out)
	best := -1
	for k := range l.held {
		if h := &l.held[k]; h.size <= len(out) && (best < 0 || h.size > l.held[best].size) && h.set.within(want) {
			best = k
		}
	}
	if best < 0 {
		return l.base, out
	}
	have := l.held[best].set
	for _, d := range out {
		if k, ok := l.ident[d]; !ok || !have.has(k) {
			drains = append(drains, d)
		}
	}
	return l.held[best].state, drains
}

func (l *Load) numbers(devices []fleet.DeviceID) set {
	s := newSet(l.nodes)
	for _, d := range devices {
		if k, ok := l.ident[d]; ok {
			s.add(k)
		}
	}
	return s
}

func (l *Load) drained(devices []fleet.DeviceID) network.Change {
	c := network.Change{}
	for _, d := range devices {
		c.Drains = append(c.Drains, network.Drain{Node: string(d), How: l.way(d)})
	}
	return c
}

// state returns the network with the devices drained.
func (l *Load) state(out []fleet.DeviceID) (*network.State, error) {
	from, drains := l.parent(out)
	if len(drains) == 0 {
		return from, nil
	}
	st, err := from.With(l.drained(drains))
	if err != nil {
		return nil, err
	}
	l.Asked++
	if len(l.held) > 0 && len(l.held) >= l.keep() { // the oldest goes
		l.held = slices.Delete(l.held, 0, 1)
	}
	l.held = append(l.held, heldState{l.numbers(out), len(out), st})
	return st, nil
}

// glance judges the devices without failures and without making a state of them,
// as far as that can be told from what it carries alone.
func (l *Load) glance(out []fleet.DeviceID) (ok, sure bool) {
	from, drains := l.parent(out)
	if len(drains) != 1 || len(out) > 1 && from == l.base {
		return false, false // the state will be of use
	}
	res, err := from.Each([]network.Change{l.drained(drains)})
	if err != nil || len(res) != 1 {
		return false, false
	}
	l.Asked++
	r := res[0]
	if r.MaxUtilisation > l.opt.Limit+1e-9 {
		return false, false // in words, with the link
	}
	return r.UnroutableDemands <= l.lost, r.UnroutableDemands <= l.lost
}

// Carries says whether the network carries its demands with the devices out, and
// after each failure.
func (l *Load) Carries(_ context.Context, out []fleet.DeviceID) (bool, string) {
	out = l.matter(out)
	if len(l.fail) == 0 {
		if ok, sure := l.glance(out); sure {
			return ok, ""
		}
	}
	st, err := l.state(out)
	if err != nil {
		return false, err.Error()
	}
	if ok, why := l.fit(st, st.Result(), l.lost, false); !ok {
		if !l.opt.Unavoidable || st.Result().MaxUtilisation > l.opt.Limit+1e-9 {
			return false, why
		}
		if cut := l.beyond(st, out); len(cut) > 0 {
			return false, cut
		}
	}
	if len(l.fail) == 0 {
		return true, ""
	}
	fail, at := l.worthTrying(st)
	res, err := st.Each(fail)
	if err != nil {
		return false, err.Error()
	}
	l.Failed += int64(len(res))
	for k, r := range res {
		if ok, why := l.fit(st, r, max(l.lost, st.Result().UnroutableDemands), l.opt.MayIsolate); !ok {
			return false, "should " + l.names[at[k]] + " fail, " + why
		}
	}
	return true, ""
}

// worthTrying leaves out failures that cannot overload anything. With a link
// gone, distances only grow: a router whose distance stays keeps a part of its
// next hops, and one whose distance grows sent everything over the link. So only
// traffic that used the link moves, and each unit of it crosses an arc at most
// once. Where every arc has room for all that the link carries, nothing is
// overloaded.
func (l *Load) worthTrying(st *network.State) (fail []network.Change, at []int) {
	loads := st.Loads()
	room := math.Inf(1)
	for a, c := range st.Capacities() {
		if !math.IsInf(c, 1) && c > 0 {
			room = min(room, l.opt.Limit*c-loads[a])
		}
	}
	for k, c := range l.fail {
		if l.arcs[k] != nil && l.opt.MayIsolate {
			sum := 0.0
			for _, a := range l.arcs[k] {
				sum += loads[a]
			}
			if sum <= room {
				continue
			}
		}
		fail, at = append(fail, c), append(at, k)
	}
	return fail, at
}

// fit judges what the state, or a failure on top of it, carries. before is how
// many demands are without a path in any case.
func (l *Load) fit(st *network.State, r network.Result, before int, alone bool) (bool, string) {
	if r.UnroutableDemands > before && !alone {
		return false, noPath(r.UnroutableDemands - before)
	}
	if r.MaxUtilisation > l.opt.Limit+1e-9 {
		a := st.Network().Arcs()[r.Worst]
		return false, fmt.Sprintf("link %s from %s to %s would be at %.0f %% of at most %.0f %%", a.Link, a.From, a.To, 100*r.MaxUtilisation, 100*l.opt.Limit)
	}
	return true, ""
}

func (l *Load) way(d fleet.DeviceID) network.How {
	if how, ok := l.opt.Ways[d]; ok {
		return how
	}
	return l.opt.How
}

// alone are the demands that lose their path when only the device is out.
func (l *Load) alone(d fleet.DeviceID) (map[int]bool, error) {
	if m, ok := l.own[d]; ok {
		return m, nil
	}
	st, err := l.state([]fleet.DeviceID{d})
	if err != nil {
		return nil, err
	}
	m := map[int]bool{}
	if st.Result().UnroutableDemands > l.lost {
		for _, k := range st.Unroutable() {
			m[k] = true
		}
		for _, k := range l.base.Unroutable() {
			delete(m, k)
		}
	}
	l.own[d] = m
	return m, nil
}

// beyond says which demands are without a path that none of the devices alone
// takes it from; empty where there are none.
func (l *Load) beyond(st *network.State, out []fleet.DeviceID) string {
	known := map[int]bool{}
	for _, k := range l.base.Unroutable() {
		known[k] = true
	}
	for _, d := range out {
		m, err := l.alone(d)
		if err != nil {
			return err.Error()
		}
		for k := range m {
			known[k] = true
		}
	}
	n, first := 0, ""
	for _, k := range st.Unroutable() {
		if !known[k] {
			if n == 0 {
				first = nameOf(st.Network().Demands()[k])
			}
			n++
		}
	}
	switch n {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("the demand %s has no path", first)
	default:
		return fmt.Sprintf("%s, such as %s", noPath(n), first)
	}
}

func noPath(n int) string {
	return unit.CountedWith(n, "demand", "has", "have") + " no path"
}

func nameOf(d network.Demand) string {
	if d.Name != "" {
		return d.Name
	}
	return fmt.Sprintf("%s to %s", d.From, d.To)
}

// Alone names the demands that are without a path whenever the device is out,
// whatever else is done.
func (l *Load) Alone(d fleet.DeviceID) ([]string, error) {
	m, err := l.alone(d)
	if err != nil || len(m) == 0 {
		return nil, err
	}
	var out []string
	for k, x := range l.base.Network().Demands() {
		if m[k] {
			out = append(out, nameOf(x))
		}
	}
	return out, nil
}

// Peak is the busiest link of a state of the network.
type Peak struct {
	Utilisation    float64 // 1 is the whole capacity
	Link, From, To string
	Failure        string // what has failed on top; empty for nothing
}

// Cut is what a further failure takes the path from, because devices are out.
type Cut struct {
	// Failures counts the single failures that leave more demands without a path
	// than they do with nothing out.
	Failures int
	// Failure is the one that takes most, by volume, and Demands and Volume are
	// how much more it takes than with nothing out.
	Failure string
	Demands int
	Volume  float64
}

// Figures are what the network carries with devices out.
type Figures struct {
	Intact Peak // with nothing failing on top
	// Failed is the busiest link with any one failure on top, and Cut what such a
	// failure would take the path from. Both say nothing where Whole is false.
	Failed Peak
	Cut    Cut
	Whole  bool
}

// Figures returns what the network carries with the devices out. most bounds the
// failures that are computed for it; where there are more, the figures are not
// whole.
func (l *Load) Figures(out []fleet.DeviceID, most int) (f Figures, err error) {
	out = l.matter(out)
	st, err := l.state(out)
	if err != nil {
		return f, err
	}
	arcs := st.Network().Arcs()
	peak := func(r network.Result, failure string) Peak {
		if r.Worst < 0 {
			return Peak{Failure: failure}
		}
		a := arcs[r.Worst]
		return Peak{r.MaxUtilisation, a.Link, a.From, a.To, failure}
	}
	f.Intact = peak(st.Result(), "")
	if len(l.fail) > most {
		return f, nil
	}
	if l.before == nil {
		if l.before, err = l.base.Each(l.fail); err != nil {
			return f, err
		}
		l.Failed += int64(len(l.before))
	}
	res, err := st.Each(l.fail)
	if err != nil {
		return f, err
	}
	l.Failed += int64(len(res))
	with, without := st.Result(), l.base.Result()
	for k, r := range res {
		if p := peak(r, l.names[k]); f.Failed.Failure == "" || p.Utilisation > f.Failed.Utilisation {
			f.Failed = p
		}
		// What is without a path as it is, the failure does not take.
		demands := r.UnroutableDemands - with.UnroutableDemands - (l.before[k].UnroutableDemands - without.UnroutableDemands)
		volume := max(0, r.Unroutable-with.Unroutable-(l.before[k].Unroutable-without.Unroutable))
		if demands <= 0 {
			continue
		}
		f.Cut.Failures++
		if f.Cut.Failure == "" || volume > f.Cut.Volume*(1+1e-9) {
			f.Cut.Failure, f.Cut.Demands, f.Cut.Volume = l.names[k], demands, volume
		}
	}
	f.Whole = true
	return f, nil
}

// Failures is how many failures on top are tried.
func (l *Load) Failures() int { return len(l.fail) }
