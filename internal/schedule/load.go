package schedule

import (
	"context"
	"fmt"
	"slices"

	"towpath/internal/fleet"
	"towpath/internal/network"
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
	// The states of sets asked before, by a hash of the set, so that one device
	// more is computed from the set without it.
	states map[uint64]*network.State
	sets   map[uint64][]fleet.DeviceID
	hash   map[fleet.DeviceID]uint64
	// Asked counts the sets that were computed, Failed the failures on top.
	Asked, Failed int64
	lost          int // demands without a path from the start
}

// keepStates bounds the states that a Load holds on to.
const keepStates = 512

// LoadOptions say what the network must bear.
type LoadOptions struct {
	// Limit is the largest utilisation of an arc; 0 means 1, the whole capacity.
	Limit float64
	// How is the way in which devices are drained.
	How network.How
	// Failures are tried each by itself on top of what is drained (N−1), by name.
	Failures map[string]network.Change
	// MayIsolate lets a failure on top leave a demand without a path, as the loss
	// of the second uplink does while the first is being worked on. Without a
	// failure no demand may lose its path.
	MayIsolate bool
}

// NewLoad returns a carrier over the state. The network must bear each failure
// with nothing drained, or else no window ever could: the failures that it does
// not bear are left out and returned by name.
func NewLoad(base *network.State, opt LoadOptions) (*Load, []string, error) {
	if opt.Limit == 0 {
		opt.Limit = 1
	}
	l := &Load{base: base, opt: opt, states: map[uint64]*network.State{}, sets: map[uint64][]fleet.DeviceID{}, hash: map[fleet.DeviceID]uint64{}}
	l.lost = base.Result().UnroutableDemands
	var names []string
	for n := range opt.Failures {
		names = append(names, n)
	}
	slices.Sort(names)
	var changes []network.Change
	for _, n := range names {
		changes = append(changes, opt.Failures[n])
	}
	res, err := base.Each(changes)
	if err != nil {
		return nil, nil, fmt.Errorf("failures: %w", err)
	}
	var weak []string
	for k, r := range res {
		if r.MaxUtilisation > opt.Limit+1e-9 || r.UnroutableDemands > l.lost && !opt.MayIsolate {
			weak = append(weak, names[k])
			continue
		}
		l.fail = append(l.fail, changes[k])
		l.names = append(l.names, names[k])
	}
	return l, weak, nil
}

// mix spreads the bits of a counter. Source: Steele, Lea and Flood, Fast
// splittable pseudorandom number generators, 2014 (SplitMix64), from memory.
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

func (l *Load) of(d fleet.DeviceID) uint64 {
	h, ok := l.hash[d]
	if !ok {
		h = mix(uint64(len(l.hash)) + 1)
		l.hash[d] = h
	}
	return h
}

// state returns the network with the devices drained.
func (l *Load) state(out []fleet.DeviceID) (*network.State, error) {
	var key uint64
	for _, d := range out {
		key ^= l.of(d)
	}
	same := func(k uint64, without int) bool {
		set, ok := l.sets[k]
		want := len(out)
		if without >= 0 {
			want--
		}
		if !ok || len(set) != want {
			return false
		}
		for i, d := range out {
			if i != without && !slices.Contains(set, d) {
				return false
			}
		}
		return true
	}
	if same(key, -1) {
		return l.states[key], nil
	}
	from, drains := l.base, out
	for i, d := range out {
		if k := key ^ l.of(d); len(out) > 1 && same(k, i) {
			from, drains = l.states[k], out[i:i+1]
			break
		}
	}
	c := network.Change{}
	for _, d := range drains {
		c.Drains = append(c.Drains, network.Drain{Node: string(d), How: l.opt.How})
	}
	st, err := from.With(c)
	if err != nil {
		return nil, err
	}
	l.Asked++
	if len(l.states) >= keepStates {
		clear(l.states)
		clear(l.sets)
	}
	l.states[key], l.sets[key] = st, slices.Clone(out)
	return st, nil
}

// Carries says whether the network carries its demands with the devices out, and
// after each failure.
func (l *Load) Carries(_ context.Context, out []fleet.DeviceID) (bool, string) {
	st, err := l.state(out)
	if err != nil {
		return false, err.Error()
	}
	if ok, why := l.fit(st, st.Result(), false); !ok {
		return false, why
	}
	if len(l.fail) == 0 {
		return true, ""
	}
	res, err := st.Each(l.fail)
	if err != nil {
		return false, err.Error()
	}
	l.Failed += int64(len(res))
	for k, r := range res {
		if ok, why := l.fit(st, r, l.opt.MayIsolate); !ok {
			return false, "should " + l.names[k] + " fail, " + why
		}
	}
	return true, ""
}

func (l *Load) fit(st *network.State, r network.Result, alone bool) (bool, string) {
	if r.UnroutableDemands > l.lost && !alone {
		return false, fmt.Sprintf("%d demands have no path", r.UnroutableDemands-l.lost)
	}
	if r.MaxUtilisation > l.opt.Limit+1e-9 {
		a := st.Network().Arcs()[r.Worst]
		return false, fmt.Sprintf("link %s from %s to %s would be at %.0f %% of at most %.0f %%", a.Link, a.From, a.To, 100*r.MaxUtilisation, 100*l.opt.Limit)
	}
	return true, ""
}
