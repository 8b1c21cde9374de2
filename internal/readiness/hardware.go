package readiness

import (
	"slices"

	"towpath/internal/state"
)

// core are the kinds of component that forward, control or hold the device.
var core = []string{state.KindChassis, state.KindControllerCard, state.KindLineCard, state.KindFabric, state.KindStorage, state.KindPortExtender}

// every ends a rule that looked at each of some components.
func (c *check) every(ks []state.Component, what, right string) {
	if len(ks) == 0 {
		c.none(what)
		return
	}
	c.otherwise("%d of %d %s", len(ks), len(ks), right)
}

// active looks at the operational status of components.
func (c *check) active(ks []state.Component) {
	for _, k := range ks {
		oper, known := k.Oper.Get()
		switch {
		case !known:
			c.unknown(k.Name, "operational status: unknown")
		case oper == state.OperActive:
		case oper == state.OperDisabled && k.PowerAdmin.Or("") == "POWER_DISABLED":
			c.caution(k.Name, "switched off by its configuration")
		default:
			c.blocker(k.Name, "operational status %s", oper)
		}
	}
}

func (c *check) componentsActive() {
	ks := components(c.in.Capture, core...)
	c.active(ks)
	c.every(ks, "components", "are ACTIVE")
}

func (c *check) componentsUnfailed() {
	ks := components(c.in.Capture, core...)
	for _, k := range ks {
		c.isFalse(k.Failure, k.Name, "failure")
	}
	c.every(ks, "components", "report no failure")
}

func (c *check) componentsMatched() {
	ks := components(c.in.Capture, core...)
	for _, k := range ks {
		c.isFalse(k.Mismatch, k.Name, "mismatch")
	}
	c.every(ks, "components", "report no mismatch")
}

func (c *check) componentsHealthy() {
	var looked []state.Component
	for _, k := range c.in.Capture.Components {
		health, known := k.Health.Get()
		// A controller or line card must tell; what other parts do not tell is
		// theirs. Source: gNOI healthz.proto, UNSPECIFIED: no health check there.
		must := k.Kind == state.KindControllerCard || k.Kind == state.KindLineCard
		switch {
		case k.Empty.Or(false) || !known && !must:
			continue
		case !known:
			c.unknown(k.Name, "health: unknown")
		case health == "UNHEALTHY":
			c.blocker(k.Name, "health UNHEALTHY")
		case health == "UNSPECIFIED" && must:
			c.unknown(k.Name, "health UNSPECIFIED: no health check, or booting")
		}
		looked = append(looked, k)
	}
	c.every(looked, "component that tells of its health", "are not unhealthy")
}

func (c *check) componentsSettled() {
	ks := components(c.in.Capture, state.KindControllerCard, state.KindLineCard)
	for _, k := range ks {
		t, known := k.BootTime.Get()
		switch {
		case !known:
			c.unknown(k.Name, "boot time: unknown")
		case c.now.Sub(t) < settledFor:
			c.caution(k.Name, "started %s, reason %s", c.ago(t), k.RebootReason.Or("unknown"))
		}
	}
	c.every(ks, "controller or line cards", "started longer ago")
}

func (c *check) portExtenders() {
	ks := components(c.in.Capture, state.KindPortExtender)
	if len(ks) > 0 && c.noPath() {
		return
	}
	for _, k := range ks {
		part, known := k.Part.Get()
		for _, t := range c.targets() {
			switch {
			case !t.listed:
				c.unknown(k.Name, "%s is not in the catalogue", t.version)
			case len(t.PortExtenders) == 0: // every part
			case !known:
				c.unknown(k.Name, "part: unknown; %s supports %s", t.version, list(t.PortExtenders))
			case !slices.Contains(t.PortExtenders, part):
				c.blocker(k.Name, "part %s; %s supports %s", part, t.version, list(t.PortExtenders))
			}
		}
	}
	c.every(ks, "port extenders", "are supported")
}

func (c *check) powerRedundant() {
	c.isTrue(c.in.Capture.Power.Redundant, c.device(), "power is redundant")
	c.otherwise("power is redundant")
}

func (c *check) powerSupplies() { c.working("power supplies", state.KindPowerSupply) }

func (c *check) fans() { c.working("fans", state.KindFan, "FAN_TRAY", "FAN_TRAY_CONTROLLER") }

// working looks at parts that either work or do not.
func (c *check) working(what string, kinds ...string) {
	ks := components(c.in.Capture, kinds...)
	c.active(ks)
	for _, k := range ks {
		if k.Failure.Or(false) {
			c.blocker(k.Name, "failure: yes")
		}
	}
	c.every(ks, what, "work")
}

func (c *check) powerFeeds() {
	feeds := c.in.Capture.Power.Feeds
	for _, f := range feeds {
		c.isTrue(f.OK, f.Name, "feed is there")
	}
	if len(feeds) == 0 {
		c.none("power feeds")
		return
	}
	c.otherwise("%d of %d feeds are there", len(feeds), len(feeds))
}

func (c *check) temperature() {
	limit := c.in.Policy.Readiness.TemperatureCelsius
	hottest, told := 0.0, 0
	look := func(k state.Component) bool {
		t, known := k.Celsius.Get()
		if !known {
			return false
		}
		hottest = max(hottest, t)
		told++
		if t > limit {
			c.blocker(k.Name, "%g °C, the limit is %g °C", t, limit)
		}
		return true
	}
	for _, k := range c.in.Capture.Components {
		if look(k) || k.Empty.Or(false) || k.Kind != state.KindControllerCard && k.Kind != state.KindLineCard {
			continue
		}
		// A sensor that sits on the card tells for it.
		if !slices.ContainsFunc(c.in.Capture.Components, func(s state.Component) bool {
			return s.Kind == state.KindSensor && s.Parent == k.Name && s.Celsius.Known()
		}) {
			c.unknown(k.Name, "temperature: unknown")
		}
	}
	if told == 0 && len(c.out) == 0 {
		c.unknown(c.device(), "no temperature read")
	}
	c.otherwise("highest of %d temperatures is %g °C, the limit is %g °C", told, hottest, limit)
}

func (c *check) alarms() {
	if !c.in.Capture.AlarmsKnown {
		c.unknown(c.device(), "active alarms: unknown")
		return
	}
	for _, a := range c.in.Capture.Alarms {
		object := a.Resource
		if object == "" {
			object = c.device()
		}
		switch a.Severity {
		case "CRITICAL", "MAJOR":
			c.blocker(object, "%s: %s", a.Severity, a.Text)
		default:
			c.caution(object, "%s: %s", a.Severity, a.Text)
		}
	}
	c.otherwise("no active alarm")
}

func (c *check) crashFiles() {
	if !c.in.Capture.CrashKnown {
		c.unknown(c.device(), "crash files: unknown")
		return
	}
	boot, knowsBoot := c.in.Capture.BootTime.Get()
	for _, f := range c.in.Capture.CrashFiles {
		t, known := f.Modified.Get()
		switch {
		case !known:
			c.blocker(f.Path, "crash file of unknown age")
		case knowsBoot && t.Before(boot):
			c.caution(f.Path, "crash file written %s, before the system last started", c.ago(t))
		default:
			c.blocker(f.Path, "crash file written %s", c.ago(t))
		}
	}
	c.otherwise("no crash files")
}
