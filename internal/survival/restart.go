package survival

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"towpath/internal/fleet"
	"towpath/internal/state"
)

// restart works out whether the adjacency's state is kept over the silence,
// restarts gracefully, or restarts cold.
func (k *compiler) restart(r *relation, a state.Adjacency, dev role, out timers) {
	nonstop, told := a.Restart.Nonstop.Get()
	can := or(dev.Graceful, false)
	ours, helps := a.Restart.Own.Or(false), a.Restart.Helper.Or(false)
	if told && !nonstop {
		k.note(r, "state kept over the silence", "no", false, "the device")
	}
	if can && (!told || !nonstop) {
		for _, x := range []struct {
			name string
			is   state.Opt[bool]
		}{{"graceful restart announced", a.Restart.Own}, {"neighbour helps", a.Restart.Helper}} {
			if v, known := x.is.Get(); known {
				k.note(r, x.name, yesNo(v), false, "the device")
			}
		}
	}
	switch {
	case told && nonstop:
		k.note(r, "state kept over the silence", "yes", false, "the device")
	case can && ours && helps:
		k.graceful(r, a, dev, out)
	case told && can && r.protocol == state.ISIS && helps && a.Restart.Own.Or(true):
		// One that asks in its hellos need not say so before.
		if !a.Restart.Own.Known() {
			k.note(r, "graceful restart announced", "yes", true, "RFC 8706 §3.1, asked for in the hellos of the restart itself")
		}
		k.graceful(r, a, dev, out)
	case told:
		if can {
			if !a.Restart.Own.Known() {
				k.note(r, "graceful restart announced", "no", true, "not told; the worse of the two")
			}
			if !a.Restart.Helper.Known() {
				k.note(r, "neighbour helps", "no", true, "not told; the worse of the two")
			}
		}
		k.coldStart(r, a)
		if can && a.Restart.Own.Or(true) && a.Restart.Helper.Or(true) {
			// Not told is not no: what was only taken for the worse makes no loss
			// certain.
			r.back[0] = 0
		}
	}
}

// coldStart is the fate of an adjacency whose state is lost and whom nobody
// helps.
func (k *compiler) coldStart(r *relation, a state.Adjacency) {
	switch a.Protocol {
	case state.LLDP, state.PIM, IGMP, MLD:
		// No handshake: the neighbour hears the next hello and is content.
		// Source: RFC 7761 §4.3.1 for PIM, which rebuilds its state on a new
		// generation id.
		if a.Protocol == state.PIM {
			r.cautions = append(r.cautions, "a new generation id makes the neighbour send its joins again, within 5 s (RFC 7761 §4.3.1)")
		}
		return
	}
	r.mode = cold
	_, late := r.own.nbr.givesUp()
	if k.role(a.Protocol, "").Transport != nil && k.options.Notice == NoticeAtOnce {
		late = 0
	}
	r.given = [2]float64{0, late} // the device may forget at once what it forwards by
	r.own = own{fate: lost}
	r.fixed = "its state is not kept over the silence and nobody helps it restart"
	r.source = "the device"
}

// graceful is the fate of an adjacency that restarts with its neighbour's help.
func (k *compiler) graceful(r *relation, a state.Adjacency, dev role, out timers) {
	r.mode = graceful
	back := span(dev.Reconnect, dev.ReconnectHellos, out.send)
	limit, known := a.Restart.Time.Get()
	src := "the device"
	if !known {
		switch {
		case dev.RestartTime != nil:
			limit, src = *dev.RestartTime, dev.source("restart-time")
		default:
			limit, src = out.detect, dev.source("restart-time")
		}
	}
	unannounced := a.Protocol == state.ISIS && (k.options.Unplanned || !known)
	if !unannounced { // a holding time refreshed once is all that counts then
		k.note(r, "restart time", limit.String(), !known, src)
	}
	k.note(r, "session back after", fmt.Sprintf("%v to %v", seconds(back[0]), seconds(back[1])), dev.source("reconnect") == dev.standard.Sources["reconnect"], dev.source("reconnect"))
	r.grants, r.reopens = limit.Seconds(), back[1]
	nbr := r.own.nbr
	// told is the wait where the neighbour's clock starts with the silence or
	// before, within where the session must be back before its own timer runs
	// out, after where its clock starts only then. Where both its timer and the
	// way back have a width, their sum is taken to be even over the sum of both.
	told := side{dlo: limit.Seconds() - back[1], dhi: limit.Seconds() - back[0], resume: triOf(k.options.ResumeDelay)}
	within, after := nbr, nbr
	within.dlo, within.dhi = nbr.dlo-back[1], nbr.dhi-back[0]
	after.dlo, after.dhi = nbr.dlo+told.dlo, nbr.dhi+told.dhi
	r.own = own{fate: restarts, nbr: nbr, grace: told}
	r.source = src
	switch a.Protocol {
	case state.BGP:
		// Source: RFC 4724 §4.2, the helper's clock starts when it sees the TCP
		// session go; §5 and RFC 8538 §4, without the N bit in both directions an
		// expired hold timer ends the session for good, so the new one must be
		// opened before.
		n, told := a.Restart.Notification.Get()
		r.source = "RFC 4724 §4.2"
		k.notice(r)
		switch {
		case n:
			r.own.helped = after
			k.note(r, "helps after its hold timer ran out (N bit)", "yes", false, "RFC 8538 §4")
		default:
			r.own.helped, r.own.judges = within, r.own.unaware > 0
			k.note(r, "helps after its hold timer ran out (N bit)", "no", !told, "RFC 4724 §4, RFC 8538 §4")
		}
		r.cautions = append(r.cautions, "stale routes live until End-of-RIB or the stale timer; the restarter must not defer its route selection longer (RFC 4724 §4.1, RFC 8538 §4.1)")
	case state.OSPFv2, state.OSPFv3:
		r.source = "RFC 3623 §3.1"
		if k.options.Unplanned { // a grace-LSA then reaches it only after the silence: §5
			r.own.helped, r.own.unaware, r.own.judges = nbr, 1, true
		}
	case state.ISIS:
		r.source = "RFC 8706 §3.2.1"
		if unannounced {
			// The first hello that asks for a restart refreshes the holding time,
			// once, so that it need only come before that has run out.
			r.own.helped, r.own.unaware, r.own.judges = nbr, 1, true
			k.note(r, "restart announced beforehand", "no", !k.options.Unplanned, "RFC 8706 §3.2.1, the holding time is refreshed once only")
		}
	case state.LDP:
		r.source = "RFC 3478 §3.3"
		r.own.helped = after
		k.notice(r)
	case state.RSVP:
		// Source: RFC 3473 §9.5.2, the restart time begins when the neighbour
		// has lost the hellos.
		r.source = "RFC 3473 §9.5.2"
		r.own.helped, r.own.unaware = after, 1
	}
	r.given = r.helpEnds(limit.Seconds())
	// Loss of a restart that goes well.
	kept, keptKnown := a.Restart.ForwardingKept.Get()
	loss := dev.GracefulLoss
	switch {
	case keptKnown && !kept:
		// Source: RFC 4724 §4.2, F = 0 deletes the stale routes at once; the
		// routes come back with the initial update.
		r.given[0] = 0
		r.kept = [2]float64{0.01, max(back[1], r.back[1])}
		k.note(r, keptName(a.Protocol), "no", false, "the device")
	case loss != nil:
		r.keptDown = loss.WhileDown
		r.kept = [2]float64{
			min(loss.Forward[0].Seconds(), loss.Reverse[0].Seconds()), max(loss.Forward[1].Seconds(), loss.Reverse[1].Seconds()),
		}
		if loss.Forward[0] > 0 || loss.Reverse[0] > 0 {
			// One direction surely loses, so traffic is touched.
			r.kept[0] = max(loss.Forward[0].Seconds(), loss.Reverse[0].Seconds())
		}
		besides := ""
		if loss.WhileDown {
			besides = ", and the silence itself"
		}
		k.note(r, "loss of a restart that goes well", fmt.Sprintf("forward %v to %v, reverse %v to %v%s", loss.Forward[0], loss.Forward[1], loss.Reverse[0], loss.Reverse[1], besides), false, dev.source("graceful-loss"))
	default:
		r.kept = [2]float64{0, back[1]}
		k.note(r, "loss of a restart that goes well", fmt.Sprintf("0s to %v", seconds(back[1])), true, "the standard means none; implementations were seen to lose about a second")
		r.cautions = append(r.cautions, "graceful is not hitless by itself: measure it on this release")
	}
	if !keptKnown && loss == nil {
		k.note(r, keptName(a.Protocol), "yes", true, keptSource(a.Protocol))
	}
}

func yesNo(v bool) string {
	if v {
		return "yes"
	}
	return "no"
}

func keptName(protocol string) string {
	if protocol == state.BGP {
		return "forwarding kept over the restart (F bit)"
	}
	return "forwarding kept over the restart"
}

// keptSource is where a standard says that a restart that is helped presumes a
// forwarding table that is kept.
func keptSource(protocol string) string {
	switch protocol {
	case state.BGP:
		return "RFC 4724 §3"
	case state.OSPFv2, state.OSPFv3:
		return "RFC 3623 §2.1"
	case state.ISIS:
		return "RFC 8706 §3.2.3"
	case state.LDP:
		return "RFC 3478 §2 and §3.1"
	}
	return "RFC 3473 §9.5.1"
}

// notice works out whether the neighbour learns at once that the TCP session is
// gone, or only when its own timer runs out or the device is back.
func (k *compiler) notice(r *relation) {
	rule := "RFC 4724 §4.2, on detecting the end of the TCP session"
	if r.protocol == state.LDP {
		rule = "RFC 3478 §3.3, on detecting that the session is gone"
	}
	switch n := k.options.Notice; {
	case n == NoticeAtOnce:
		k.note(r, "neighbour learns of the loss", "at once", false, "the caller")
	case n == NoticeNever || k.options.TransportCut:
		r.own.unaware = 1
		k.note(r, "neighbour learns of the loss", "when its own timer runs out, or when the device is back", false, "the caller; "+rule)
	default:
		r.own.unaware = 0.5
		k.note(r, "neighbour learns of the loss", "at once, or when its own timer runs out, each as likely", true, rule)
	}
}

// helpEnds are the earliest and the latest instant of a silence at which the
// help ends when the session is not back.
func (r *relation) helpEnds(limit float64) [2]float64 {
	out := [2]float64{math.Inf(1), 0}
	if r.own.unaware < 1 {
		out = [2]float64{limit, limit}
	}
	if r.own.unaware > 0 {
		early, late := r.own.nbr.givesUp()
		if !r.own.judges {
			early, late = early+limit, late+limit
		}
		out = [2]float64{min(out[0], early), max(out[1], late)}
	}
	return out
}

// Conflict says that two devices must not be upgraded at the same time.
type Conflict struct {
	A      fleet.DeviceID `json:"a"` // the lesser id of the two
	B      fleet.DeviceID `json:"b"`
	Reason string         `json:"reason"`
	Source string         `json:"source"`
}

// Conflicts lists the pairs of devices that must not restart together, by
// their captures: neighbours of which one is to help the other, and devices of
// one OSPF domain of which one restarts gracefully under strict checks while
// the other would change the topology. Devices know each other by the peer of
// an adjacency or, where that is unknown, by a link of the fleet at its
// interface. The result is sorted.
func Conflicts(f *fleet.Fleet, captures map[fleet.DeviceID]*state.Capture, o Options) []Conflict {
	far := map[fleet.Endpoint]fleet.DeviceID{}
	if f != nil {
		for _, l := range f.Links {
			far[l.A], far[l.B] = l.B.Device, l.A.Device
		}
	}
	byName := map[string]fleet.DeviceID{}
	ids := make([]fleet.DeviceID, 0, len(captures))
	for id, c := range captures {
		ids = append(ids, id)
		if h, ok := c.Hostname.Get(); ok {
			byName[h] = id
		}
	}
	slices.Sort(ids)
	for _, id := range ids {
		byName[string(id)] = id
	}
	found := map[[2]fleet.DeviceID]Conflict{}
	add := func(a, b fleet.DeviceID, reason, source string) {
		if a == b || a == "" || b == "" {
			return
		}
		if b < a {
			a, b = b, a
		}
		if _, ok := found[[2]fleet.DeviceID{a, b}]; !ok {
			found[[2]fleet.DeviceID{a, b}] = Conflict{a, b, reason, source}
		}
	}
	type domain struct{ protocol, instance string }
	domains := map[domain]*sets{}
	strict, sheds := map[domain]map[fleet.DeviceID]bool{}, map[domain]map[fleet.DeviceID]bool{}
	for _, id := range ids {
		for _, r := range compile(captures[id], o).relations {
			if r.down {
				continue
			}
			peer := byName[r.peer]
			if peer == "" {
				peer = far[fleet.Endpoint{Device: id, Interface: r.iface}]
			}
			if r.mode == graceful {
				add(id, peer, fmt.Sprintf("%s: one helps the other to restart, which it cannot while it restarts itself", r.name()), helpSource(r.protocol))
			}
			if r.protocol != state.OSPFv2 && r.protocol != state.OSPFv3 {
				continue
			}
			d := domain{r.protocol, r.instance}
			if domains[d] == nil {
				domains[d], strict[d], sheds[d] = &sets{}, map[fleet.DeviceID]bool{}, map[fleet.DeviceID]bool{}
			}
			domains[d].join(id, peer)
			if on, known := r.adj.Restart.StrictLSAChecks.Get(); r.mode == graceful && (on || !known) {
				strict[d][id] = true
			}
			if r.mode != graceful {
				sheds[d][id] = true
			}
		}
	}
	for d, s := range domains {
		for a := range strict[d] {
			for b := range sheds[d] {
				if s.find(a) == s.find(b) {
					add(a, b, fmt.Sprintf("%s: an adjacency lost by one changes an LSA, and that ends the help for the other", d.protocol), "RFC 3623 §3.2")
				}
			}
		}
	}
	out := make([]Conflict, 0, len(found))
	for _, c := range found {
		out = append(out, c)
	}
	slices.SortFunc(out, func(x, y Conflict) int { return cmp.Or(cmp.Compare(x.A, y.A), cmp.Compare(x.B, y.B)) })
	return out
}

func helpSource(protocol string) string {
	switch protocol {
	case state.OSPFv2, state.OSPFv3:
		return "RFC 3623 §3.1"
	case state.BGP:
		return "RFC 4724 §4.2, a second restart deletes the stale routes"
	case state.ISIS:
		return "RFC 8706 §3.2"
	case state.LDP:
		return "RFC 3478 §3.3"
	}
	return "RFC 3473 §9"
}

// sets is a union of disjoint sets of devices.
type sets struct {
	up map[fleet.DeviceID]fleet.DeviceID
}

func (s *sets) find(a fleet.DeviceID) fleet.DeviceID {
	for s.up[a] != "" && s.up[a] != a {
		a = s.up[a]
	}
	return a
}

func (s *sets) join(a, b fleet.DeviceID) {
	if s.up == nil {
		s.up = map[fleet.DeviceID]fleet.DeviceID{}
	}
	if a == "" || b == "" {
		return
	}
	if x, y := s.find(a), s.find(b); x != y {
		s.up[x] = y
	}
}
