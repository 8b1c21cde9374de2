package openconfig

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/state"
)

// adjacencies returns the relations with neighbours: those that the protocols'
// own models list, with timers derived from the models by the protocols' rules,
// completed and corrected by what the device itself states of each.
func adjacencies(o objects, c *state.Capture) []state.Adjacency {
	out := slices.Concat(bgp(o), ospf(o), isis(o), pim(o), ldp(o), bfd(o), vrrps(o), lldps(o), lacps(c))
	protect(o, out)
	return stated(o, out, c)
}

// upWord derives whether an adjacency is up from the protocol's own word.
func upWord(a *state.Adjacency, up string, undecided ...string) {
	s, ok := a.State.Get()
	if ok && !slices.Contains(undecided, s) {
		a.Up = state.Some(s == up)
	}
}

func bgp(o objects) []state.Adjacency {
	received := map[string]state.Opt[uint64]{}
	for _, f := range all[bgpFamily](o, aBGPFamily) {
		if n, ok := f.Received.Get(); ok {
			received[f.neighbour] = state.Some(received[f.neighbour].Or(0) + n)
		}
	}
	var out []state.Adjacency
	for id, x := range o[aBGPNeighbour] {
		n := x.(*bgpNeighbourState)
		a := n.Adjacency
		upWord(&a, "ESTABLISHED")
		a.Prefixes = received[id]
		// Source: RFC 4271 §4.2: both sides use the smaller hold time; §4.4:
		// keepalives at most at one third of it; zero switches both off.
		if hold, ok := n.Hold.Get(); ok && hold > 0 {
			a.Timers.OwnDetect, a.Timers.NeighbourDetect = state.Some(hold), state.Some(hold)
			send := hold / 3
			if k, ok := n.Keepalive.Get(); ok && k > 0 {
				send = min(send, k)
			}
			a.Timers.Send = state.Some(send)
		}
		global := with[restarter](o, aBGP, n.process)
		a.Restart.Own = ownRestart(firstKnown(n.Restart, global.Restart), firstKnown(n.HelperOnly, global.HelperOnly))
		// Source: OpenConfig BGP model, graceful-restart mode.
		switch n.RestartMode.Or("") {
		case "BILATERAL", "REMOTE_HELPER":
			a.Restart.Own, a.Restart.Helper = state.Some(true), state.Some(true)
		case "HELPER_ONLY":
			a.Restart.Own = state.Some(false)
		}
		if a.Restart.Own.Or(false) {
			a.Restart.Time = firstKnown(n.RestartTime, global.RestartTime)
		}
		out = append(out, a)
	}
	return out
}

// ownRestart tells whether we announce graceful restart.
func ownRestart(enabled, helperOnly state.Opt[bool]) state.Opt[bool] {
	e, ok := enabled.Get()
	if !ok {
		return enabled
	}
	return state.Some(e && !helperOnly.Or(false))
}

func ospf(o objects) []state.Adjacency {
	var out []state.Adjacency
	for _, n := range all[igpNeighbour](o, anOSPFNeighbour) {
		a := n.Adjacency
		// Source: RFC 2328 §10.3: two routers that are neither designated nor
		// backup stay at TWO_WAY; so that word alone does not decide.
		upWord(&a, "FULL", "TWO_WAY")
		link := with[ospfInterface](o, anOSPFInterface, n.link)
		// Source: RFC 2328 §10.5: both intervals are the same on both sides.
		a.Timers.Send, a.Timers.NeighbourSend = link.Hello, link.Hello
		a.Timers.OwnDetect, a.Timers.NeighbourDetect = link.Dead, link.Dead
		global := with[restarter](o, anOSPF, n.process)
		a.Restart.Own = ownRestart(global.Restart, global.HelperOnly)
		out = append(out, a)
	}
	return out
}

func isis(o objects) []state.Adjacency {
	type place struct{ instance, iface, neighbour string }
	levels := map[place]int{}
	ns := all[igpNeighbour](o, anISISNeighbour)
	for _, n := range ns {
		levels[place{n.Instance, n.Interface, n.Neighbour}]++
	}
	var out []state.Adjacency
	for _, n := range ns {
		a := n.Adjacency
		upWord(&a, "UP")
		level := with[isisLevelState](o, anISISLevel, n.link)
		a.Timers.Send = level.Hello
		// Source: ISO/IEC 10589 §8.4.1: the holding time that we announce is
		// the multiple of our hello interval.
		if h, ok := level.Hello.Get(); ok {
			if m, ok := level.Multiplier.Get(); ok {
				a.Timers.NeighbourDetect = state.Some(h * time.Duration(min(m, 255)))
			}
		}
		global := with[restarter](o, anISIS, n.process)
		a.Restart.Own = ownRestart(global.Restart, global.HelperOnly)
		a.Restart.Nonstop = global.Nonstop
		if a.Restart.Own.Or(false) {
			a.Restart.Time = global.RestartTime
		}
		if levels[place{n.Instance, n.Interface, n.Neighbour}] > 1 {
			keys := strings.Split(n.link, "\x00")
			a.Instance += " level " + keys[len(keys)-1]
		}
		out = append(out, a)
	}
	return out
}

func pim(o objects) []state.Adjacency {
	var out []state.Adjacency
	for _, n := range all[igpNeighbour](o, aPIMNeighbour) {
		a := n.Adjacency
		if a.Since.Known() {
			a.Up = state.Some(true)
		}
		if h, ok := with[pimInterface](o, aPIMInterface, n.link).Hello.Get(); ok {
			a.Timers.Send = state.Some(h)
			// Source: RFC 7761 §4.11: the default holding time is 3.5 hello
			// intervals.
			a.Timers.NeighbourDetect = state.Some(h * 7 / 2)
		}
		out = append(out, a)
	}
	return out
}

func ldp(o objects) []state.Adjacency {
	var out []state.Adjacency
	for _, n := range all[igpNeighbour](o, anLDPNeighbour) {
		a := n.Adjacency
		upWord(&a, "OPERATIONAL")
		global := with[restarter](o, anLDP, n.process)
		a.Restart.Own = global.Restart
		if a.Restart.Own.Or(false) {
			a.Restart.Time = global.RestartTime // RFC 3478 §3.1, reconnect time
		}
		out = append(out, a)
	}
	return out
}

func bfd(o objects) []state.Adjacency {
	var out []state.Adjacency
	for _, n := range all[bfdPeer](o, aBFDPeer) {
		out = append(out, n.finish(o))
	}
	return out
}

func (n *bfdPeer) finish(o objects) state.Adjacency {
	a := n.Adjacency
	link := with[bfdInterface](o, aBFDInterface, n.id)
	a.Interface = link.Interface
	a.Neighbour = n.Remote
	upWord(&a, "UP")
	a.BFD.Multiplier = link.Multiplier
	// Source: RFC 5880 §6.8.7: the larger of our desired and the neighbour's
	// required interval; §6.8.4: the neighbour gives us up after our multiplier
	// times that.
	own, ok := link.Send.Get()
	remote, ok2 := n.RemoteReceive.Get()
	if ok && ok2 {
		a.Timers.Send = state.Some(max(own, remote))
		if m, ok := link.Multiplier.Get(); ok {
			a.Timers.NeighbourDetect = state.Some(max(own, remote) * time.Duration(m))
		}
	}
	return a
}

// protect finds which adjacencies a BFD session takes down.
func protect(o objects, as []state.Adjacency) {
	client := map[string][]string{"BGP": {state.BGP}, "OSPF": {state.OSPFv2}, "OSPF3": {state.OSPFv3}, "ISIS": {state.ISIS}, "PIM": {state.PIM}, "LDP": {state.LDP}}
	for _, p := range all[bfdPeer](o, aBFDPeer) {
		session := p.finish(o)
		for _, word := range p.Clients {
			for i := range as {
				a := &as[i]
				if !slices.Contains(client[word], a.Protocol) {
					continue
				}
				if a.Neighbour == session.Neighbour || a.Interface != "" && a.Interface == session.Interface {
					a.BFD.Protected = state.Some(true)
					a.BFD.Session = state.Some(session.Neighbour)
				}
			}
		}
	}
}

func vrrps(o objects) []state.Adjacency {
	var out []state.Adjacency
	for _, k := range []*kind{aVRRPGroup, aVRRPVLAN} {
		for _, n := range all[vrrp](o, k) {
			a := n.Adjacency
			a.Priority = firstKnown(a.Priority, n.Configured)
			if adv, ok := n.Advertise.Get(); ok {
				a.Timers.Send = state.Some(adv)
				if p, ok := a.Priority.Get(); ok && p <= 255 {
					// Source: RFC 5798 §6.1: Master_Down_Interval is three
					// advertisement intervals and the skew time.
					a.Timers.OwnDetect = state.Some(3*adv + adv*time.Duration(256-p)/256)
				}
			}
			out = append(out, a)
		}
	}
	return out
}

func lldps(o objects) []state.Adjacency {
	var out []state.Adjacency
	global := one[lldp](o, theLLDP)
	for _, n := range all[lldpNeighbour](o, anLLDPNeighbour) {
		a := n.Adjacency
		if c, ok := n.Chassis.Get(); ok && c != "" {
			a.Neighbour = c
		}
		a.Up = state.Some(true) // the table lists only neighbours that have not aged out
		a.Timers.Send, a.Timers.NeighbourDetect = global.Hello, global.TTL
		out = append(out, a)
	}
	return out
}

// The timers of LACP. Source: IEEE 802.1AX-2014 §6.4.4: Fast_Periodic_Time 1 s,
// Slow_Periodic_Time 30 s, Short_Timeout_Time 3 s, Long_Timeout_Time 90 s.
var lacpTimers = map[string]struct{ send, detect time.Duration }{
	"SHORT": {time.Second, 3 * time.Second},
	"LONG":  {30 * time.Second, 90 * time.Second},
}

// lacps returns one adjacency for each member link.
func lacps(c *state.Capture) []state.Adjacency {
	var out []state.Adjacency
	for _, g := range c.Aggregates {
		for _, m := range g.Members {
			if !m.OwnTimeout.Known() && !m.Synchronized.Known() && !m.PartnerID.Known() {
				continue // not a member of a group with LACP
			}
			a := state.Adjacency{Protocol: state.LACP, Instance: g.Name, Interface: m.Interface, Neighbour: m.PartnerID.Or("")}
			sync, ok := m.Synchronized.Get()
			coll, ok2 := m.Collecting.Get()
			dist, ok3 := m.Distributing.Get()
			if ok && ok2 && ok3 {
				a.Up = state.Some(sync && coll && dist)
			}
			if t, ok := lacpTimers[m.OwnTimeout.Or("")]; ok {
				// Our timeout is announced to the partner, which sends accordingly.
				a.Timers.NeighbourSend, a.Timers.OwnDetect = state.Some(t.send), state.Some(t.detect)
			}
			out = append(out, a)
		}
	}
	return out
}

// partnerTimers fills in what follows from the partner's timeout.
func partnerTimers(a *state.Adjacency, timeout string) {
	if t, ok := lacpTimers[timeout]; ok {
		a.Timers.Send = firstKnown(a.Timers.Send, state.Some(t.send))
		a.Timers.NeighbourDetect = firstKnown(a.Timers.NeighbourDetect, state.Some(t.detect))
	}
}

// stated completes the adjacencies with what the device states of each, which
// goes before what was derived, and adds those that only it lists.
func stated(o objects, derived []state.Adjacency, c *state.Capture) []state.Adjacency {
	used := make([]bool, len(derived))
	for _, f := range all[adjacency](o, anAdjacency) {
		s := f.Adjacency
		if s.Protocol == "" || s.Protocol != state.RSTP && s.Neighbour == "" {
			continue // not enough to say which one it is
		}
		if s.Protocol != state.BFD {
			s.BFD.Protected = state.Some(s.BFD.Session.Or("") != "")
		}
		if t, ok := f.PartnerTimeout.Get(); ok {
			partnerTimers(&s, t)
			for g := range c.Aggregates {
				for m := range c.Aggregates[g].Members {
					member := &c.Aggregates[g].Members[m]
					if member.Interface == s.Interface || c.Aggregates[g].Name == s.Interface && member.PartnerID.Or("") == s.Neighbour {
						member.PartnerTimeout = state.Some(t)
					}
				}
			}
		}
		if i := match(derived, used, s); i >= 0 {
			used[i] = true
			overlay(&derived[i], s)
			continue
		}
		derived = append(derived, s)
		used = append(used, true)
	}
	return derived
}

// match finds the derived adjacency that s speaks of, or -1.
func match(derived []state.Adjacency, used []bool, s state.Adjacency) int {
	best := -1
	for i, a := range derived {
		if used[i] || a.Protocol != s.Protocol {
			continue
		}
		switch s.Protocol {
		case state.VRRP:
			if a.Instance != s.Instance || a.Interface != s.Interface {
				continue
			}
		case state.LACP:
			if a.Interface != s.Interface && (a.Instance != s.Interface || a.Neighbour != s.Neighbour) {
				continue
			}
		default:
			if !strings.EqualFold(a.Neighbour, s.Neighbour) || a.Interface != "" && s.Interface != "" && a.Interface != s.Interface {
				continue
			}
		}
		if best < 0 || a.Interface == s.Interface && derived[best].Interface != s.Interface {
			best = i
		}
	}
	return best
}

// overlay puts what is known in s over a; the keys of a stay.
func overlay(a *state.Adjacency, s state.Adjacency) {
	over(&a.Peer, s.Peer)
	over(&a.State, s.State)
	over(&a.Up, s.Up)
	over(&a.Role, s.Role)
	over(&a.Since, s.Since)
	over(&a.Transition, s.Transition)
	over(&a.Priority, s.Priority)
	over(&a.Prefixes, s.Prefixes)
	over(&a.Implement, s.Implement)
	over(&a.Timers.Send, s.Timers.Send)
	over(&a.Timers.NeighbourSend, s.Timers.NeighbourSend)
	over(&a.Timers.NeighbourDetect, s.Timers.NeighbourDetect)
	over(&a.Timers.OwnDetect, s.Timers.OwnDetect)
	over(&a.Restart.Nonstop, s.Restart.Nonstop)
	over(&a.Restart.Own, s.Restart.Own)
	over(&a.Restart.Helper, s.Restart.Helper)
	over(&a.Restart.Time, s.Restart.Time)
	over(&a.Restart.ForwardingKept, s.Restart.ForwardingKept)
	over(&a.Restart.Notification, s.Restart.Notification)
	over(&a.Restart.StrictLSAChecks, s.Restart.StrictLSAChecks)
	over(&a.BFD.Protected, s.BFD.Protected)
	over(&a.BFD.Session, s.BFD.Session)
	over(&a.BFD.Independent, s.BFD.Independent)
	over(&a.BFD.Offloaded, s.BFD.Offloaded)
	over(&a.BFD.Multiplier, s.BFD.Multiplier)
	if a.Interface == "" {
		a.Interface = s.Interface
	}
	if a.Instance == "" || a.Protocol == state.LACP {
		a.Instance = s.Instance
	}
	if a.Neighbour == "" || a.Protocol == state.VRRP {
		// The models name a group by the address it serves on, not its neighbour.
		a.Neighbour = s.Neighbour
	}
}

func over[T any](a *state.Opt[T], s state.Opt[T]) {
	if s.Known() {
		*a = s
	}
}

// text of a number, for keys.
func decimal(n uint64) string { return strconv.FormatUint(n, 10) }
