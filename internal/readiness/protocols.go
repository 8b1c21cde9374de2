package readiness

import (
	"strings"
	"time"

	"towpath/internal/state"
	"towpath/internal/unit"
)

func (c *check) interfacesKnown() {
	on := 0
	for _, i := range c.in.Capture.Interfaces {
		admin, knowsAdmin := i.Admin.Get()
		oper, knowsOper := i.Oper.Get()
		switch {
		case knowsAdmin && admin != "UP":
			continue
		case !knowsAdmin || !knowsOper:
			c.unknown(i.Name, "switched on: %s; status: %s", i.Admin.Or("unknown"), i.Oper.Or("unknown"))
		case oper != "UP":
			c.caution(i.Name, "switched on and %s", oper)
		}
		on++
	}
	if on == 0 {
		c.none("interface switched on")
		return
	}
	c.otherwise("%d interfaces are switched on and up", on)
}

func (c *check) spanningTreeQuiet() {
	trees := c.in.Capture.SpanningTrees
	quiet := c.in.Policy.Readiness.SpanningTreeQuiet
	for _, t := range trees {
		last, known := t.LastChange.Get()
		n, counted := t.Changes.Get()
		switch {
		case known && c.now.Sub(last) < quiet:
			c.blocker("spanning tree "+t.Instance, "last topology change %s, the policy wants %s of quiet", c.ago(last), quiet)
		case !known && counted && n == 0: // there has been none
		case !known:
			c.unknown("spanning tree "+t.Instance, "last topology change: unknown")
		}
	}
	if len(trees) == 0 {
		c.none("spanning tree")
		return
	}
	c.otherwise("no topology change in the last %s in %d spanning trees", quiet, len(trees))
}

func (c *check) spanningTreeRoot() {
	trees := c.in.Capture.SpanningTrees
	most, knowsSilence := c.silence()
	for _, t := range trees {
		object := "spanning tree " + t.Instance
		root, known := t.Root.Get()
		if !known {
			c.unknown(object, "whether the device is the root: unknown")
		}
		if !root {
			continue
		}
		hello, knowsHello := t.Hello.Get()
		switch wait := 3 * hello; { // Source: IEEE 802.1D-2004 §17.21.23, rcvdInfoWhile
		case !c.inService():
			c.caution(object, "the device is the root: the tree elects another while it reloads")
		case !knowsHello || !knowsSilence:
			c.caution(object, "the device is the root: neighbours elect another after three hello times")
		case most > wait-hello: // the last BPDU may be one hello time old
			c.caution(object, "the device is the root: its neighbours elect another after %s, it may be silent for %s", wait, most)
		default:
			c.caution(object, "the device is the root: its neighbours wait %s, it is silent for at most %s", wait, most)
		}
	}
	if len(trees) == 0 {
		c.none("spanning tree")
		return
	}
	c.otherwise("the device is not the root of %d spanning trees", len(trees))
}

// Periods and timeouts of LACP. Source: IEEE 802.1AX, Fast_Periodic_Time,
// Slow_Periodic_Time, Short_Timeout_Time, Long_Timeout_Time; OpenConfig
// lacp-timeout-type and lacp-period-type.
const (
	lacpFast  = time.Second
	lacpSlow  = 30 * time.Second
	lacpShort = 3 * lacpFast
	lacpLong  = 3 * lacpSlow
)

// members calls f for each member of each aggregate and returns how many there
// are.
func (c *check) members(f func(object string, m state.LACPMember)) int {
	n := 0
	for _, g := range c.in.Capture.Aggregates {
		for _, m := range g.Members {
			f(g.Name+" "+m.Interface, m)
			n++
		}
	}
	return n
}

func (c *check) lacpTimeout() {
	if c.byReload() {
		return
	}
	most, known := c.silence()
	n := c.members(func(object string, m state.LACPMember) {
		// The partner's timeout decides when it gives us up, and how often we
		// send to it: the last LACPDU may be one period old.
		timeout, period := lacpLong, lacpSlow
		switch m.PartnerTimeout.Or("") {
		case "SHORT":
			timeout, period = lacpShort, lacpFast
		case "LONG":
		default:
			c.unknown(object, "timeout of the partner: %s", m.PartnerTimeout.Or("unknown"))
			return
		}
		switch {
		case !known:
			c.unknown(object, "the partner waits %s; the expected silence: unknown", timeout)
		case most > timeout-period:
			c.blocker(object, "the partner waits %s and the last LACPDU may be %s old; the silence may be %s", timeout, period, most)
		}
	})
	if n == 0 {
		c.none("aggregates")
		return
	}
	c.otherwise("%d member links: every partner waits longer than a silence of %s", n, most)
}

func (c *check) aggregateMembers() {
	n := c.members(func(object string, m state.LACPMember) {
		c.isTrue(m.Distributing, object, "distributing")
		c.isTrue(m.Collecting, object, "collecting")
	})
	if n == 0 {
		c.none("aggregates")
		return
	}
	c.otherwise("%d members collect and distribute", n)
}

func (c *check) aggregateMinLinks() {
	groups := c.in.Capture.Aggregates
	for _, g := range groups {
		least, known := g.MinLinks.Get()
		if !known {
			c.unknown(g.Name, "least number of members: unknown")
			continue
		}
		up, unread := 0, false
		for _, m := range g.Members {
			v, told := m.Distributing.Get()
			unread = unread || !told
			if v {
				up++
			}
		}
		least = max(least, 1)
		switch {
		case up > least:
		case unread:
			c.unknown(g.Name, "%d members known to carry traffic, needs %d; of others it is unknown", up, least)
		case up < least:
			c.blocker(g.Name, "%d members carry traffic, needs %d", up, least)
		default:
			c.caution(g.Name, "%d members carry traffic, needs %d: it goes down with the next", up, least)
		}
	}
	if len(groups) == 0 {
		c.none("aggregates")
		return
	}
	c.otherwise("%d aggregates have more members than they need", len(groups))
}

func (c *check) adjacenciesUp() {
	all := c.in.Capture.Adjacencies
	for _, a := range all {
		up, known := a.Up.Get()
		switch {
		case !known:
			c.unknown(a.Name(), "up: unknown, state %s", a.State.Or("unknown"))
		case !up:
			c.caution(a.Name(), "down, state %s", a.State.Or("unknown"))
		}
	}
	if len(all) == 0 {
		c.none("adjacencies")
		return
	}
	c.otherwise("%s up", unit.CountedWith(len(all), "adjacency", "is", "are"))
}

func (c *check) adjacenciesSurvive() {
	if c.byReload() {
		return
	}
	wanted := c.in.Policy.Readiness.SurviveProbability
	foretold := map[string]bool{}
	least := 1.0
	for _, o := range c.in.Outlook {
		foretold[o.Object] = true
		lost := c.blocker
		if !o.Carries {
			lost = c.caution // nothing but the adjacency itself is lost
		}
		switch o.Outcome {
		case Holds, RestartsGracefully, AtRisk:
			least = min(least, o.Survive)
			if o.Survive < wanted {
				lost(o.Object, "%s with probability %.4g, the policy wants %.4g: %s", o.Outcome, o.Survive, wanted, o.Why)
			}
		case Drops:
			lost(o.Object, "drops: %s", o.Why)
		default:
			c.unknown(o.Object, "outcome %q is not known", o.Outcome)
		}
	}
	n := 0
	for _, a := range c.in.Capture.Adjacencies {
		if !a.Up.Or(false) {
			continue
		}
		n++
		if !foretold[a.Name()] {
			c.unknown(a.Name(), "no forecast for it")
		}
	}
	if n == 0 {
		c.none("adjacency up")
		return
	}
	c.otherwise("%s live or restart gracefully, the least likely with probability %.4g", unit.CountedWith(len(c.in.Outlook), "adjacency", "would", "would"), least)
}

// reliant calls f for each adjacency that the forecast lets restart gracefully.
func (c *check) reliant(f func(a state.Adjacency)) int {
	n := 0
	for _, o := range c.in.Outlook {
		if o.Outcome != RestartsGracefully {
			continue
		}
		n++
		found := false
		for _, a := range c.in.Capture.Adjacencies {
			if a.Name() == o.Object {
				f(a)
				found = true
			}
		}
		if !found {
			c.unknown(o.Object, "not in the capture")
		}
	}
	return n
}

// relying ends a rule about graceful restarts.
func (c *check) relying(n int, right string) {
	switch {
	case len(c.out) > 0:
	case n > 0:
		c.otherwise("%s gracefully: %s", unit.CountedWith(n, "adjacency", "restarts", "restart"), right)
	case c.in.Outlook == nil && len(c.in.Capture.Adjacencies) > 0:
		c.unknown(c.device(), "no forecast of what restarts gracefully")
	case len(c.in.Capture.Adjacencies) == 0:
		c.none("adjacencies")
	default:
		c.otherwise("the forecast relies on no graceful restart")
	}
}

func (c *check) gracefulRestart() {
	if c.byReload() {
		return
	}
	most, knowsSilence := c.silence()
	n := c.reliant(func(a state.Adjacency) {
		r := a.Restart
		c.isTrue(r.Own, a.Name(), "graceful restart announced by the device")
		c.isTrue(r.Helper, a.Name(), "the neighbour helps")
		grace, known := r.Time.Get()
		switch {
		case !known || !knowsSilence:
			c.unknown(a.Name(), "restart time: %s; expected silence: %s", orUnknown(grace, known), orUnknown(most, knowsSilence))
		case grace <= most:
			c.blocker(a.Name(), "the neighbour grants %s, the silence may be %s", grace, most)
		}
		if kept, told := r.ForwardingKept.Get(); a.Protocol == state.BGP && told && !kept {
			c.blocker(a.Name(), "forwarding is not announced as kept, so that the neighbour deletes the routes at once") // RFC 4724 §4.2
		} else if a.Protocol == state.BGP && !told {
			c.unknown(a.Name(), "whether forwarding is announced as kept: unknown")
		}
		if strict := r.StrictLSAChecks.Or(false); strict && (a.Protocol == state.OSPFv2 || a.Protocol == state.OSPFv3) {
			c.caution(a.Name(), "the neighbour ends its help at any topology change") // RFC 3623 §3.2
		}
	})
	c.relying(n, "both ends have it, for longer than "+most.String())
}

func orUnknown(d time.Duration, known bool) string {
	if !known {
		return "unknown"
	}
	return d.String()
}

func (c *check) bfdAndRestart() {
	if c.byReload() {
		return
	}
	most, knowsSilence := c.silence()
	n := c.reliant(func(a state.Adjacency) {
		protected, known := a.BFD.Protected.Get()
		switch {
		case !known:
			c.unknown(a.Name(), "whether BFD protects it: unknown")
			return
		case !protected:
			return
		}
		s, found := c.session(a)
		if !found {
			c.unknown(a.Name(), "its BFD session %s was not read", a.BFD.Session.Or("(unnamed)"))
			return
		}
		detect, knowsDetect := s.Timers.NeighbourDetect.Get()
		independent, knowsC := s.BFD.Independent.Get()
		switch {
		case s.BFD.Offloaded.Or(false) || independent: // it goes on while the control plane is silent
		case knowsDetect && knowsSilence && detect > most:
		case !knowsC || !knowsDetect || !knowsSilence:
			c.unknown(a.Name(), "BFD %s: independent of the control plane: unknown, or its detection time or the silence is", s.Neighbour)
		case a.Protocol == state.BGP || a.Protocol == state.LDP: // RFC 5882 §4.3.2.2, no planned-restart signalling
			c.blocker(a.Name(), "BFD %s detects after %s, shares the fate of the control plane, and ends the restart; the silence may be %s", s.Neighbour, detect, most)
		default: // RFC 5882 §4.3.2.1, a planned restart is signalled
			c.caution(a.Name(), "BFD %s detects after %s and shares the fate of the control plane; the neighbour should not end a restart that was announced", s.Neighbour, detect)
		}
	})
	c.relying(n, "no BFD session ends the restart")
}

// session finds the BFD session that protects an adjacency.
func (c *check) session(a state.Adjacency) (state.Adjacency, bool) {
	neighbour := a.BFD.Session.Or(a.Neighbour)
	for _, s := range c.in.Capture.Adjacencies {
		if s.Protocol == state.BFD && strings.EqualFold(s.Neighbour, neighbour) && (a.Interface == "" || s.Interface == "" || s.Interface == a.Interface) {
			return s, true
		}
	}
	return state.Adjacency{}, false
}
