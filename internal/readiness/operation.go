package readiness

import (
	"time"

	"towpath/internal/state"
)

func (c *check) configurationUnlocked() {
	holder, known := c.in.Capture.Configuration.Locked.Get()
	switch {
	case !known:
		c.unknown(c.device(), "configuration session or lock: unknown")
	case holder != "":
		c.blocker(c.device(), "held by %s", holder)
	}
	c.otherwise("no configuration session or lock")
}

func (c *check) configurationSaved() {
	c.isFalse(c.in.Capture.Configuration.Unsaved, c.device(), "unsaved change")
	c.otherwise("no unsaved change")
}

func (c *check) configurationBackedUp() {
	conf := c.in.Capture.Configuration
	backup, backedUp := conf.Backup.Get()
	changed, knowsChange := conf.Changed.Get()
	limit := c.in.Policy.Readiness.ConfigurationBackup
	switch {
	case !backedUp:
		c.unknown(c.device(), "last backup: unknown")
	case !knowsChange:
		c.unknown(c.device(), "backed up %s; last change: unknown", c.ago(backup))
	case backup.Before(changed):
		c.blocker(c.device(), "backed up %s, changed %s", c.ago(backup), c.ago(changed))
	case c.now.Sub(backup) > limit:
		c.blocker(c.device(), "backed up %s, the limit is %s", c.ago(backup), limit)
	}
	c.otherwise("backed up %s, changed %s", c.ago(backup), c.ago(changed))
}

func (c *check) maintenanceOff() {
	c.isFalse(c.in.Capture.Maintenance, c.device(), "maintenance mode")
	c.otherwise("not in maintenance mode")
}

// load looks at a use in per cent: of the system, of each controller card, and
// of every other card that tells it.
func (c *check) load(what string, limit float64, system state.Opt[float64], of func(state.Component) state.Opt[float64]) {
	highest := 0.0
	look := func(object string, o state.Opt[float64], must bool) {
		v, known := o.Get()
		switch {
		case !known && must:
			c.unknown(object, "%s: unknown", what)
		case v > limit:
			c.blocker(object, "%s %.4g%%, the limit is %g%%", what, v, limit)
		}
		highest = max(highest, v)
	}
	look(c.device(), system, true)
	for _, k := range components(c.in.Capture, state.KindControllerCard, state.KindLineCard) {
		look(k.Name, of(k), k.Kind == state.KindControllerCard)
	}
	c.otherwise("highest %s %.4g%%, the limit is %g%%", what, highest, limit)
}

func (c *check) cpu() {
	c.load("CPU", c.in.Policy.Readiness.CPUPercent, c.in.Capture.CPUPercent, func(k state.Component) state.Opt[float64] { return k.CPUPercent })
}

func (c *check) memory() {
	c.load("memory", c.in.Policy.Readiness.MemoryPercent, c.in.Capture.MemoryPercent, func(k state.Component) state.Opt[float64] { return k.MemoryPercent })
}

// between says how far apart the two captures are, or reports that churn
// cannot be told.
func (c *check) between() (time.Duration, bool) {
	if c.in.Earlier == nil {
		c.unknown(c.device(), "no earlier capture to compare with")
		return 0, false
	}
	d := c.in.Capture.TakenAt.Sub(c.in.Earlier.TakenAt)
	if d <= 0 {
		c.unknown(c.device(), "the earlier capture is not earlier")
		return 0, false
	}
	return d.Round(time.Second), true
}

func (c *check) routeChurn() {
	apart, ok := c.between()
	if !ok {
		return
	}
	limit := c.in.Policy.Readiness.RouteChurnPercent
	most := 0.0
	look := func(name string, changed, of uint64) {
		share := percentOf(changed, of)
		most = max(most, share)
		if share > limit {
			c.blocker(name, "%d of %d routes changed in %s (%.2g%%), the limit is %g%%", changed, of, apart, share, limit)
		}
	}
	for _, t := range c.in.Capture.RouteTables {
		name := "route table " + t.Instance + " " + t.Family
		e, there := tableOf(c.in.Earlier, t.Instance, t.Family)
		was, knowsWas := e.Count.Get()
		is, knowsIs := t.Count.Get()
		switch {
		case !there:
			c.unknown(name, "not in the earlier capture")
		case len(e.Routes) > 0 && len(t.Routes) > 0:
			look(name, state.DiffRoutes(e.Routes, t.Routes, nil).Total(), uint64(len(e.Routes)))
		case knowsWas && knowsIs:
			look(name, max(was, is)-min(was, is), was)
		default:
			c.unknown(name, "number of routes: unknown")
		}
	}
	for _, e := range c.in.Earlier.RouteTables {
		if _, there := tableOf(c.in.Capture, e.Instance, e.Family); !there {
			c.unknown("route table "+e.Instance+" "+e.Family, "only in the earlier capture")
		}
	}
	if len(c.in.Capture.RouteTables) == 0 {
		c.none("route tables")
		return
	}
	c.otherwise("at most %.2g%% of a table changed in %s, the limit is %g%%", most, apart, limit)
}

func tableOf(c *state.Capture, instance, family string) (state.RouteTable, bool) {
	for _, t := range c.RouteTables {
		if t.Instance == instance && t.Family == family {
			return t, true
		}
	}
	return state.RouteTable{}, false
}

// percentOf is n as a percentage of all; of nothing, any is all.
func percentOf(n, all uint64) float64 {
	switch {
	case n == 0:
		return 0
	case all == 0:
		return 100
	}
	return 100 * float64(n) / float64(all)
}

func (c *check) macChurn() {
	apart, ok := c.between()
	if !ok {
		return
	}
	was, knowsWas := c.in.Earlier.MACs.Get()
	is, knowsIs := c.in.Capture.MACs.Get()
	if !knowsWas || !knowsIs {
		c.unknown(c.device(), "number of MAC addresses: unknown")
		return
	}
	limit := c.in.Policy.Compare.MACCountPercent
	share := percentOf(max(was, is)-min(was, is), was)
	if share > limit {
		c.caution(c.device(), "%d MAC addresses, %d were %s earlier (%.2g%%), the limit is %g%%", is, was, apart, share, limit)
	}
	c.otherwise("%d MAC addresses, %d were %s earlier", is, was, apart)
}

func (c *check) consoleReachable() {
	ok, known := c.in.Observed.Console.Get()
	at := c.in.Device.ConsoleAddress()
	switch {
	case at == "":
		c.blocker(c.device(), "the fleet gives no console")
	case !known:
		c.unknown(c.device(), "console %s: not tried", at)
	case !ok:
		c.blocker(c.device(), "console %s does not answer", at)
	}
	c.otherwise("console %s answers", at)
}

func (c *check) managementReachable() {
	r, known := c.in.Observed.Management.Get()
	slow := r.Slowest.Round(time.Millisecond)
	switch {
	case !known || r.Asked == 0:
		c.unknown(c.device(), "management interface: not tried")
	case r.Answered < r.Asked:
		c.blocker(c.device(), "answered %d of %d times", r.Answered, r.Asked)
	case r.Slowest > slowAnswer:
		c.caution(c.device(), "answered %d of %d times, the slowest after %s", r.Answered, r.Asked, slow)
	}
	c.otherwise("answered %d of %d times, the slowest after %s", r.Answered, r.Asked, slow)
}

func (c *check) actsAble() {
	if !c.in.Observed.Management.Known() {
		c.unknown(c.device(), "what it can do: nothing was connected to")
		return
	}
	for _, what := range c.in.Observed.Cannot {
		c.blocker(c.device(), "it cannot %s", what)
	}
	c.otherwise("nothing is known that it cannot do")
}

func (c *check) certificateValid() {
	if why := c.in.Device.Access.InsecureReason; why != "" {
		c.caution(c.device(), "the certificate is not verified: %s", why)
		return
	}
	if a := c.in.Device.Access; a.User != "" && a.Cert == "" {
		c.otherwise("it is reached over SSH, where its host key is verified and nothing ends")
		return
	}
	if a := c.in.Device.Access; a.Console != nil && a.Address == "" {
		for _, l := range a.Console.Lines() {
			if l.InsecureReason != "" {
				c.caution(c.device(), "the host key of its console server is not verified: %s", l.InsecureReason)
				return
			}
		}
		c.otherwise("it is reached over a console server, whose host key is verified and where nothing ends")
		return
	}
	end, known := c.in.Observed.Certificate.Get()
	limit := c.in.Policy.Readiness.CertificateLeft
	switch left := end.Sub(c.now).Round(time.Second); {
	case !known:
		c.unknown(c.device(), "end of the certificate: unknown")
	case left <= 0:
		c.blocker(c.device(), "the certificate ended %s", c.ago(end))
	case left < limit:
		c.blocker(c.device(), "the certificate ends in %s, the limit is %s", left, limit)
	}
	c.otherwise("the certificate ends at %s", end.UTC().Format(time.RFC3339))
}

func (c *check) clockSynchronised() {
	c.isTrue(c.in.Capture.Clock.Synced, c.device(), "clock is synchronised")
	c.otherwise("clock is synchronised")
}

func (c *check) clockOffset() {
	off, known := c.in.Capture.Clock.Offset.Get()
	limit := c.in.Policy.Readiness.ClockOffset
	switch {
	case !known:
		c.unknown(c.device(), "offset of the clock: unknown")
	case off.Abs() > limit:
		c.blocker(c.device(), "clock is off by %s, the limit is %s", off.Round(time.Millisecond), limit)
	}
	c.otherwise("clock is off by %s", off.Round(time.Millisecond))
}
