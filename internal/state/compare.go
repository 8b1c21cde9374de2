package state

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Class says what a difference asks of the reader.
type Class string

// The classes of a difference, from harmless to grave.
const (
	Expected Class = "expected" // the change was meant to do this, or the operator tolerates it
	Look     Class = "look"     // a person should understand it before accepting
	Stop     Class = "stop"     // the change must not be accepted like this
)

// Verdict is what a comparison amounts to.
type Verdict string

// The verdicts of a comparison.
const (
	Unchanged  Verdict = "unchanged"   // no difference at all
	AsExpected Verdict = "as expected" // expected differences only
	NeedsLook  Verdict = "look"        // some that a person should look at
	MustStop   Verdict = "stop"        // at least one that forbids acceptance
)

// Tolerances are the operator's limits for numbers that change by themselves.
// A zero percentage tolerates no change; see [DefaultTolerances].
type Tolerances struct {
	RouteCountPercent float64       // routes of a table, either way, and routes that went
	MACCountPercent   float64       // MAC addresses
	ARPCountPercent   float64       // ARP and neighbour-discovery entries
	PrefixPercent     float64       // prefixes received over one adjacency, either way
	CPUPoints         float64       // rise of CPU use, percentage points
	MemoryPoints      float64       // rise of memory use, percentage points
	Celsius           float64       // rise of a temperature, degrees; 0 means 10
	ClockOffset       time.Duration // growth of the clock's offset; 0 means 500ms
	ListRoutes        int           // routes of each kind listed for one table; 0 means 20
}

// DefaultTolerances are cautious limits for those who have none of their own.
// Source: common practice.
func DefaultTolerances() Tolerances {
	return Tolerances{RouteCountPercent: 1, MACCountPercent: 5, ARPCountPercent: 5, PrefixPercent: 1,
		CPUPoints: 20, MemoryPoints: 10, Celsius: 10, ClockOffset: 500 * time.Millisecond, ListRoutes: 20}
}

// Expectation is what the change was meant to do between the two captures. The
// zero value expects nothing: two captures without a change between them.
type Expectation struct {
	// From and To are the releases; both empty where none was to change. Every
	// controller card, and every component that ran From, must run To.
	From, To string
	// Versions gives what a component must run afterwards where that is not To.
	Versions map[string]string
	// Firmware gives the firmware that a component must have afterwards.
	Firmware map[string]string
	// Restart expects new boot times of the chassis, the controller cards and of
	// the components whose version or firmware changes.
	Restart bool
	// Switchover expects that the controller cards may have swapped roles.
	Switchover bool
	// GracefulRestart expects that adjacencies whose both ends can restart
	// gracefully have done so.
	GracefulRestart bool
	// Configuration expects another configuration digest.
	Configuration bool
	// PutBack expects that settings were changed and put back meanwhile: the
	// configuration was written again with the same content.
	PutBack bool
	// Staged and Removed are files, by path or by name, that the change put on
	// the volumes and took away.
	Staged, Removed []string
}

// Difference is one thing that is not as it was.
type Difference struct {
	Object string `json:"object"` // such as "component LC-2" or "adjacency bgp 192.0.2.1"
	Field  string `json:"field"`
	Before string `json:"before"` // empty where there was none, "unknown" where it was not read
	After  string `json:"after"`
	Class  Class  `json:"class"`
	Why    string `json:"why"`    // why it is in this class
	Source string `json:"source"` // standard or "common practice"
	Rule   string `json:"rule"`   // id of the rule, see CompareRules
}

// String is the difference in one line.
func (d Difference) String() string {
	return fmt.Sprintf("%s: %s %s: %s → %s: %s", d.Class, d.Object, d.Field, orNone(d.Before), orNone(d.After), d.Why)
}

// Comparison is the result of [Compare].
type Comparison struct {
	Device      string       `json:"device"`
	Before      time.Time    `json:"before"` // when the captures were taken
	After       time.Time    `json:"after"`
	Verdict     Verdict      `json:"verdict"`
	Stops       int          `json:"stops"`
	Looks       int          `json:"looks"`
	Expecteds   int          `json:"expecteds"`
	Differences []Difference `json:"differences"` // gravest first, then in order of the capture
	// Routes tells how the tables differ whose routes were read on both sides,
	// by "instance family".
	Routes map[string]RouteChurn `json:"routes,omitempty"`
}

// jitter is how far an instant may move between two readings and still be the
// same: devices that tell an age in whole seconds move it by that much.
// Source: common practice.
const jitter = 2 * time.Second

// Compare tells what differs between two captures of one device and classes
// each difference by the rules of [CompareRules]. The captures are not changed;
// unsorted ones are sorted in a copy. Two equal captures give no difference,
// unless expect names a release that the device does not run. Counters of
// traffic and the free space of volumes are not compared. Time is linear in the
// size of the captures, and memory does not grow with the number of routes.
func Compare(before, after *Capture, expect Expectation, tol Tolerances) Comparison {
	b, a := sorted(before), sorted(after)
	if tol.Celsius == 0 {
		tol.Celsius = 10
	}
	if tol.ClockOffset == 0 {
		tol.ClockOffset = 500 * time.Millisecond
	}
	if tol.ListRoutes == 0 {
		tol.ListRoutes = 20
	}
	c := &comparer{expect: expect, tol: tol, routes: map[string]RouteChurn{}}
	c.capture(b, a)
	c.components(b, a)
	c.volumes(b, a)
	c.boot(b, a)
	c.power(b, a)
	c.interfaces(b, a)
	c.aggregates(b, a)
	c.spanningTrees(b, a)
	c.adjacencies(b, a)
	c.tables(b, a)
	c.counts(b, a)
	c.alarms(b, a)
	c.configuration(b, a)
	c.rest(b, a)

	out := Comparison{Device: after.Device, Before: before.TakenAt, After: after.TakenAt, Differences: c.out, Verdict: Unchanged}
	if len(c.routes) > 0 {
		out.Routes = c.routes
	}
	slices.SortStableFunc(out.Differences, func(x, y Difference) int { return cmp.Compare(x.Class.gravity(), y.Class.gravity()) })
	for _, d := range out.Differences {
		switch d.Class {
		case Stop:
			out.Stops++
		case Look:
			out.Looks++
		case Expected:
			out.Expecteds++
		}
	}
	switch {
	case out.Stops > 0:
		out.Verdict = MustStop
	case out.Looks > 0:
		out.Verdict = NeedsLook
	case out.Expecteds > 0:
		out.Verdict = AsExpected
	}
	return out
}

// gravity orders classes, the gravest first.
func (c Class) gravity() int {
	switch c {
	case Stop:
		return 0
	case Look:
		return 1
	case Expected:
		return 2
	}
	return 3
}

// comparer collects differences.
type comparer struct {
	expect Expectation
	tol    Tolerances
	out    []Difference
	routes map[string]RouteChurn
}

// add records a difference under a rule; detail, when not empty, is put behind
// the rule's reason.
func (c *comparer) add(r ruleNo, object, field, before, after, detail string) {
	row := compareRules[r]
	why := row.Why
	if detail != "" {
		why += "; " + detail
	}
	c.out = append(c.out, Difference{Object: object, Field: field, Before: before, After: after,
		Class: row.Class, Why: why, Source: row.Source, Rule: row.ID})
}

// same is what a judge of two known values returns when they are no difference.
const same ruleNo = -1

// fact compares one fact: judge gets both values where both are known and
// returns the rule, or same. A fact that is no longer known falls under lost.
func fact[T any](c *comparer, object, field string, b, a Opt[T], lost ruleNo, text func(T) string, judge func(b, a T) ruleNo) {
	bv, bok := b.Get()
	av, aok := a.Get()
	switch {
	case bok && aok:
		if r := judge(bv, av); r != same {
			c.add(r, object, field, text(bv), text(av), "")
		}
	case bok:
		c.add(lost, object, field, text(bv), "unknown", "")
	case aok:
		c.add(rFactGained, object, field, "unknown", text(av), "")
	}
}

// changed is a judge for which every change falls under one rule.
func changed[T comparable](r ruleNo) func(b, a T) ruleNo {
	return func(b, a T) ruleNo {
		if b == a {
			return same
		}
		return r
	}
}

// turned is a judge of a yes-or-no: bad when it turned into the value that is
// bad, good when back.
func turned(badValue bool, bad, good ruleNo) func(b, a bool) ruleNo {
	return func(b, a bool) ruleNo {
		switch {
		case b == a:
			return same
		case a == badValue:
			return bad
		}
		return good
	}
}

// moved is a judge of instants, blind to jitter.
func moved(r ruleNo) func(b, a time.Time) ruleNo {
	return func(b, a time.Time) ruleNo {
		if d := a.Sub(b); d <= jitter && d >= -jitter {
			return same
		}
		return r
	}
}

func (c *comparer) capture(b, a *Capture) {
	const object = "capture"
	if b.Device != a.Device {
		c.add(rOtherDevice, object, "device", b.Device, a.Device, "")
	}
	if b.Source != a.Source {
		c.add(rOtherReader, object, "source", b.Source, a.Source, "")
	}
	if b.Complete && !a.Complete {
		c.add(rIncomplete, object, "complete", "yes", "no", strings.Join(a.Unread, "; "))
	}
	fact(c, "system", "hostname", b.Hostname, a.Hostname, rFactLost, asIs, changed[string](rHostname))
	c.version("system", "release", b.Release, a.Release, c.expect.To, c.expect.To != "", rVersionReached, rVersionWrong, rVersionStray, rVersionUnread)
	fact(c, "system", "boot time", b.BootTime, a.BootTime, rFactLost, instant, moved(pick(c.expect.Restart, rBootExpected, rBootVital)))
}

// pick is one of two rules.
func pick(cond bool, yes, no ruleNo) ruleNo {
	if cond {
		return yes
	}
	return no
}

// version judges a version or firmware level: where one is wanted, only that
// one is right, whether it changed or not.
func (c *comparer) version(object, field string, b, a Opt[string], want string, wanted bool, reached, wrong, stray, unread ruleNo) {
	bv, bok := b.Get()
	av, aok := a.Get()
	before, after := orUnknown(b), orUnknown(a)
	switch {
	case wanted && !aok:
		c.add(unread, object, field, before, after, "wanted "+want)
	case wanted && av != want:
		c.add(wrong, object, field, before, after, "wanted "+want)
	case wanted && (!bok || bv != av):
		c.add(reached, object, field, before, after, "")
	case !wanted && bok && aok && bv != av:
		c.add(stray, object, field, before, after, "")
	case !wanted && bok && !aok:
		c.add(rFactLost, object, field, before, after, "")
	case !wanted && !bok && aok:
		c.add(rFactGained, object, field, before, after, "")
	}
}

// wantsVersion returns the version that the component must run afterwards.
func (c *comparer) wantsVersion(kind, name string, before Opt[string]) (string, bool) {
	if v, ok := c.expect.Versions[name]; ok {
		return v, true
	}
	if c.expect.To == "" {
		return "", false
	}
	ran, known := before.Get()
	return c.expect.To, kind == KindControllerCard || known && ran == c.expect.From
}

func (c *comparer) components(b, a *Capture) {
	join(b.Components, a.Components, byComponent, c.component,
		func(k *Component) {
			c.add(pick(k.Empty.Or(false), rComponentOther, rComponentGone), "component "+k.Name, "presence", componentText(k), "", "")
		},
		func(k *Component) {
			c.add(rComponentNew, "component "+k.Name, "presence", "", componentText(k), "")
		})
	nB, knownB := primaries(b)
	nA, knownA := primaries(a)
	if knownB && knownA && nB == 1 && nA != 1 {
		c.add(rPrimaries, "system", "primary controller cards", strconv.Itoa(nB), strconv.Itoa(nA), "")
	}
}

// primaries counts the controller cards that are PRIMARY; known is false where
// a role is unknown or no card is there.
func primaries(c *Capture) (n int, known bool) {
	cards := c.Controllers()
	for _, k := range cards {
		role, ok := k.Role.Get()
		if !ok {
			return 0, false
		}
		if role == Primary {
			n++
		}
	}
	return n, len(cards) > 0
}

func (c *comparer) component(b, a *Component) {
	object := "component " + a.Name
	lost := pick(a.Kind == KindControllerCard || b.Kind == KindControllerCard, rVitalLost, rFactLost)
	if b.Kind != a.Kind {
		c.add(rComponentKind, object, "kind", b.Kind, a.Kind, "")
	}
	if b.Parent != a.Parent {
		c.add(rComponentKind, object, "parent", b.Parent, a.Parent, "")
	}
	want, wanted := c.wantsVersion(b.Kind, b.Name, b.Version)
	c.version(object, "version", b.Version, a.Version, want, wanted, rVersionReached, rVersionWrong, rVersionStray, rVersionUnread)
	level, raised := c.expect.Firmware[b.Name]
	c.version(object, "firmware", b.Firmware, a.Firmware, level, raised, rFirmwareReached, rFirmwareWrong, rFirmwareStray, rFirmwareUnread)

	fact(c, object, "operational status", b.Oper, a.Oper, lost, asIs, func(b, a string) ruleNo {
		switch {
		case b == a:
			return same
		case a == OperActive:
			return rComponentBack
		case b == OperActive:
			return rComponentDown
		}
		return rComponentOther
	})
	fact(c, object, "role", b.Role, a.Role, lost, asIs, changed[string](pick(c.expect.Switchover, rRoleSwap, rRoleStray)))
	fact(c, object, "ready for switchover", b.SwitchoverReady, a.SwitchoverReady, lost, yesNo, turned(false, rNotReady, rBetter))
	fact(c, object, "last switchover", b.LastSwitchover, a.LastSwitchover, rFactLost, instant, moved(pick(c.expect.Switchover, rSwitchoverExpected, rSwitchoverStray)))
	fact(c, object, "switchover reason", b.SwitchoverReason, a.SwitchoverReason, rFactLost, asIs, func(b, a string) ruleNo {
		switch {
		case b == a:
			return same
		case c.expect.Switchover && strings.HasPrefix(a, "USER_INITIATED"): // details may follow
			return rSwitchoverExpected
		}
		return rSwitchoverReason
	})
	vital := a.Kind == KindControllerCard || a.Kind == KindChassis || a.Kind == KindLineCard || a.Kind == KindFabric
	core := a.Kind == KindControllerCard || a.Kind == KindChassis
	bootRule := pick(c.expect.Restart && (core || wanted || raised), rBootExpected, pick(vital, rBootVital, rBootOther))
	fact(c, object, "boot time", b.BootTime, a.BootTime, rFactLost, instant, moved(bootRule))
	fact(c, object, "reboot reason", b.RebootReason, a.RebootReason, rFactLost, asIs, func(b, a string) ruleNo {
		switch {
		case b == a:
			return same
		case c.expect.Restart && a == "REBOOT_USER_INITIATED":
			return rBootExpected
		case a == "REBOOT_CRITICAL_ERROR" || a == "REBOOT_POWER_FAILURE":
			return rRebootFailure
		}
		return rRebootReason
	})
	fact(c, object, "failure", b.Failure, a.Failure, lost, yesNo, turned(true, rComponentFailed, rBetter))
	fact(c, object, "mismatch", b.Mismatch, a.Mismatch, lost, yesNo, turned(true, rComponentFailed, rBetter))
	fact(c, object, "empty", b.Empty, a.Empty, lost, yesNo, turned(true, rComponentGone, rComponentNew))
	fact(c, object, "health", b.Health, a.Health, lost, asIs, func(b, a string) ruleNo {
		switch {
		case b == a:
			return same
		case a == "UNHEALTHY":
			return rComponentFailed
		case b == "UNHEALTHY":
			return rBetter
		}
		return rComponentOther
	})
	fact(c, object, "part", b.Part, a.Part, rFactLost, asIs, changed[string](rHardware))
	fact(c, object, "serial number", b.Serial, a.Serial, rFactLost, asIs, changed[string](rHardware))
	fact(c, object, "power", b.PowerAdmin, a.PowerAdmin, rFactLost, asIs, changed[string](rComponentOther))
	fact(c, object, "temperature", b.Celsius, a.Celsius, rFactLost, celsius, risen(c.tol.Celsius, rTemperature))
	fact(c, object, "CPU", b.CPUPercent, a.CPUPercent, rFactLost, percent, risen(c.tol.CPUPoints, rCPU))
	fact(c, object, "memory", b.MemoryPercent, a.MemoryPercent, rFactLost, percent, risen(c.tol.MemoryPoints, rMemory))
}

// risen is a judge of a number that may rise by at most by.
func risen(by float64, r ruleNo) func(b, a float64) ruleNo {
	return func(b, a float64) ruleNo {
		if a-b > by {
			return r
		}
		return same
	}
}

func (c *comparer) volumes(b, a *Capture) {
	name := func(v *Volume) string { return "volume " + v.Controller + ":" + v.Mount }
	join(b.Volumes, a.Volumes, byVolume, func(b, a *Volume) {
		object := name(a)
		fact(c, object, "read-only", b.ReadOnly, a.ReadOnly, rFactLost, yesNo, turned(true, rReadOnly, rBetter))
		fact(c, object, "default", b.Default, a.Default, rFactLost, yesNo, changed[bool](rVolume))
		fact(c, object, "size", b.Size, a.Size, rFactLost, text, changed[sizeT](rVolume))
		if b.FilesKnown && !a.FilesKnown {
			c.add(rFactLost, object, "files", fmt.Sprintf("%d", len(b.Files)), "unknown", "")
		}
		if b.FilesKnown && a.FilesKnown {
			c.files(object, b.Files, a.Files)
		}
	}, func(v *Volume) {
		c.add(rVolumeGone, name(v), "presence", "present", "", "")
	}, func(v *Volume) {
		c.add(rVolume, name(v), "presence", "", "present", "")
	})
}

func (c *comparer) files(object string, b, a []File) {
	join(b, a, byFile, func(b, a *File) {
		field := "file " + a.Path
		// Hashes are read on request only: one that is missing says nothing.
		if x, y := b.SHA256.Or(""), a.SHA256.Or(""); x != y && x != "" && y != "" {
			c.add(rFileContent, object, field+" SHA-256", short(x), short(y), "")
		}
		if b.Size != a.Size {
			c.add(pick(named(c.expect.Staged, a.Path), rFileStaged, rFileSize), object, field+" size", b.Size.String(), a.Size.String(), "")
		}
	}, func(f *File) {
		c.add(pick(named(c.expect.Removed, f.Path), rFileRemoved, rFileGone), object, "file "+f.Path, f.Size.String(), "", "")
	}, func(f *File) {
		c.add(pick(named(c.expect.Staged, f.Path), rFileStaged, rFileNew), object, "file "+f.Path, "", f.Size.String(), "")
	})
}

// named reports whether the list has the path, or its last element.
func named(list []string, path string) bool {
	return slices.Contains(list, path) || slices.Contains(list, path[strings.LastIndexByte(path, '/')+1:])
}

func (c *comparer) boot(b, a *Capture) {
	name := func(e *BootEntry) string { return "boot of " + e.Controller }
	join(b.Boot, a.Boot, byBoot, func(b, a *BootEntry) {
		object := name(a)
		c.version(object, "version", b.Version, a.Version, c.expect.To, c.expect.To != "", rBootReached, rBootWrong, rBootStray, rVersionUnread)
		fact(c, object, "image", b.Image, a.Image, rFactLost, asIs, changed[string](pick(c.expect.To != "", rBootReached, rBootStray)))
		fact(c, object, "volume", b.Volume, a.Volume, rFactLost, asIs, changed[string](rBootVolume))
	}, func(e *BootEntry) {
		c.add(rVitalLost, name(e), "version", orUnknown(e.Version), "unknown", "")
	}, func(e *BootEntry) {
		c.add(rFactGained, name(e), "version", "unknown", orUnknown(e.Version), "")
	})
}

func (c *comparer) power(b, a *Capture) {
	fact(c, "power", "redundant", b.Power.Redundant, a.Power.Redundant, rFactLost, yesNo, turned(false, rPowerLost, rBetter))
	join(b.Power.Feeds, a.Power.Feeds, byFeed, func(b, a *Feed) {
		fact(c, "power feed "+a.Name, "ok", b.OK, a.OK, rFactLost, yesNo, turned(false, rPowerLost, rBetter))
	}, func(f *Feed) {
		c.add(rPowerLost, "power feed "+f.Name, "presence", "present", "", "")
	}, func(f *Feed) {
		c.add(rBetter, "power feed "+f.Name, "presence", "", "present", "")
	})
}

func (c *comparer) interfaces(b, a *Capture) {
	join(b.Interfaces, a.Interfaces, byInterface, c.port, func(i *Interface) {
		up := i.Oper.Or("") == "UP"
		c.add(pick(up, rInterfaceDown, rInterfaceOther), "interface "+i.Name, "presence", orUnknown(i.Oper), "", "")
	}, func(i *Interface) {
		c.add(rInterfaceOther, "interface "+i.Name, "presence", "", orUnknown(i.Oper), "")
	})
}

func (c *comparer) port(b, a *Interface) {
	object := "interface " + a.Name
	fact(c, object, "operational status", b.Oper, a.Oper, rFactLost, asIs, func(b, a string) ruleNo {
		switch {
		case b == a:
			return same
		case b == "UP":
			return rInterfaceDown
		case a == "UP":
			return rInterfaceUp
		}
		return rInterfaceOther
	})
	fact(c, object, "administrative status", b.Admin, a.Admin, rFactLost, asIs, changed[string](rInterfaceOther))
	fact(c, object, "speed", b.Speed, a.Speed, rFactLost, text, func(b, a rateT) ruleNo {
		switch {
		case a < b:
			return rSpeedFell
		case a > b:
			return rInterfaceOther
		}
		return same
	})
	if b.Aggregate != a.Aggregate {
		c.add(rInterfaceOther, object, "aggregate", b.Aggregate, a.Aggregate, "")
	}
	grown := false
	fact(c, object, "carrier transitions", b.Transitions, a.Transitions, rFactLost, number, func(b, a uint64) ruleNo {
		if grown = a > b; grown {
			return rInterfaceFlap
		}
		return same
	})
	// One flap is one difference: the time of the last change tells of it only
	// where neither the counter nor the state does.
	bo, _ := b.Oper.Get()
	ao, _ := a.Oper.Get()
	if !grown && bo == ao {
		fact(c, object, "last change", b.LastChange, a.LastChange, rFactLost, instant, moved(rInterfaceFlap))
	}
	more := func(b, a uint64) ruleNo {
		if a > b {
			return rErrors
		}
		return same // fewer: the counter was cleared, which loses no traffic
	}
	fact(c, object, "in errors", b.InErrors, a.InErrors, rFactLost, number, more)
	fact(c, object, "out errors", b.OutErrors, a.OutErrors, rFactLost, number, more)
	fact(c, object, "in discards", b.InDiscards, a.InDiscards, rFactLost, number, more)
	fact(c, object, "out discards", b.OutDiscards, a.OutDiscards, rFactLost, number, more)
}

func (c *comparer) aggregates(b, a *Capture) {
	count := func(g *Aggregate) string { return fmt.Sprintf("%d members", len(g.Members)) }
	join(b.Aggregates, a.Aggregates, byAggregate, func(b, a *Aggregate) {
		object := "aggregate " + a.Name
		fact(c, object, "min-links", b.MinLinks, a.MinLinks, rFactLost, strconv.Itoa, changed[int](rTimers))
		fact(c, object, "interval", b.Interval, a.Interval, rFactLost, asIs, changed[string](rTimers))
		join(b.Members, a.Members, byMember, func(b, a *LACPMember) { c.member(object, b, a) }, func(m *LACPMember) {
			c.add(pick(m.Distributing.Or(false), rMemberLost, rMemberOther), object, "member "+m.Interface, "present", "", "")
		}, func(m *LACPMember) {
			c.add(rMemberOther, object, "member "+m.Interface, "", "present", "")
		})
	}, func(g *Aggregate) {
		c.add(rAggregateGone, "aggregate "+g.Name, "presence", count(g), "", "")
	}, func(g *Aggregate) {
		c.add(rMemberOther, "aggregate "+g.Name, "presence", "", count(g), "")
	})
}

func (c *comparer) member(object string, b, a *LACPMember) {
	field := "member " + a.Interface
	fact(c, object, field+" distributing", b.Distributing, a.Distributing, rVitalLost, yesNo, turned(false, rMemberLost, rBetter))
	fact(c, object, field+" collecting", b.Collecting, a.Collecting, rFactLost, yesNo, turned(false, rMemberLost, rBetter))
	fact(c, object, field+" synchronised", b.Synchronized, a.Synchronized, rFactLost, yesNo, turned(false, rMemberLost, rBetter))
	fact(c, object, field+" own timeout", b.OwnTimeout, a.OwnTimeout, rFactLost, asIs, changed[string](rTimers))
	fact(c, object, field+" partner timeout", b.PartnerTimeout, a.PartnerTimeout, rFactLost, asIs, changed[string](rTimers))
	fact(c, object, field+" partner", b.PartnerID, a.PartnerID, rFactLost, asIs, changed[string](rPartner))
}

func (c *comparer) spanningTrees(b, a *Capture) {
	name := func(t *SpanningTree) string { return "spanning tree " + t.Instance }
	join(b.SpanningTrees, a.SpanningTrees, bySpanningTree, func(b, a *SpanningTree) {
		object := name(a)
		fact(c, object, "root", b.RootID, a.RootID, rFactLost, asIs, changed[string](rRoot))
		fact(c, object, "is root", b.Root, a.Root, rFactLost, yesNo, changed[bool](rRoot))
		more := false
		fact(c, object, "topology changes", b.Changes, a.Changes, rFactLost, number, func(b, a uint64) ruleNo {
			switch {
			case a > b:
				more = true
				return rTopology
			case a < b:
				return pick(c.expect.Switchover || c.expect.Restart, rCounterReset, rCounterStray)
			}
			return same
		})
		if !more {
			fact(c, object, "last topology change", b.LastChange, a.LastChange, rFactLost, instant, moved(rTopology))
		}
		fact(c, object, "hello time", b.Hello, a.Hello, rFactLost, text, changed[time.Duration](rTimers))
		fact(c, object, "max age", b.MaxAge, a.MaxAge, rFactLost, text, changed[time.Duration](rTimers))
		fact(c, object, "forward delay", b.Delay, a.Delay, rFactLost, text, changed[time.Duration](rTimers))
	}, func(t *SpanningTree) {
		c.add(rTreeGone, name(t), "presence", "present", "", "")
	}, func(t *SpanningTree) {
		c.add(rTopology, name(t), "presence", "", "present", "")
	})
}

func (c *comparer) adjacencies(b, a *Capture) {
	join(b.Adjacencies, a.Adjacencies, byAdjacency, c.adjacency, func(x *Adjacency) {
		up, known := x.Up.Get()
		c.add(pick(!known || up, rAdjacencyLost, rAdjacencyGone), "adjacency "+x.Name(), "presence", stateText(x), "", "")
	}, func(x *Adjacency) {
		c.add(rAdjacencyNew, "adjacency "+x.Name(), "presence", "", stateText(x), "")
	})
}

func (c *comparer) adjacency(b, a *Adjacency) {
	object := "adjacency " + a.Name()
	bUp, bKnown := b.Up.Get()
	aUp, aKnown := a.Up.Get()
	// The state is the protocol's own word; it is told beside up or down.
	fact(c, object, "up", b.Up, a.Up, rVitalLost, yesNo, turned(false, rAdjacencyLost, rAdjacencyUp))
	if bKnown && aKnown && bUp == aUp {
		fact(c, object, "state", b.State, a.State, rFactLost, asIs, changed[string](rAdjacencyState))
	}
	if aKnown && aUp && bKnown && bUp {
		c.flap(object, b, a)
	}
	fact(c, object, "role", b.Role, a.Role, rFactLost, asIs, changed[string](rAdjacencyRole))
	fact(c, object, "peer", b.Peer, a.Peer, rFactLost, asIs, changed[string](rPartner))
	fact(c, object, "port of the peer", b.PeerPort, a.PeerPort, rFactLost, asIs, changed[string](rPartner))
	fact(c, object, "priority", b.Priority, a.Priority, rFactLost, strconv.Itoa, changed[int](rAdjacencyRole))
	fact(c, object, "prefixes", b.Prefixes, a.Prefixes, rFactLost, number, count(c.tol.PrefixPercent, rCountTolerated, rPrefixes, rPrefixes))
	fact(c, object, "implementation", b.Implement, a.Implement, rFactLost, asIs, changed[string](rTimers))
	timer := func(field string, b, a Opt[time.Duration]) {
		fact(c, object, field, b, a, rFactLost, text, changed[time.Duration](rTimers))
	}
	timer("send interval", b.Timers.Send, a.Timers.Send)
	timer("neighbour's send interval", b.Timers.NeighbourSend, a.Timers.NeighbourSend)
	timer("neighbour's detection time", b.Timers.NeighbourDetect, a.Timers.NeighbourDetect)
	timer("own detection time", b.Timers.OwnDetect, a.Timers.OwnDetect)
	timer("restart time", b.Restart.Time, a.Restart.Time)
	ability := func(field string, b, a Opt[bool]) {
		fact(c, object, field, b, a, rFactLost, yesNo, changed[bool](rRestartAbility))
	}
	ability("nonstop", b.Restart.Nonstop, a.Restart.Nonstop)
	ability("graceful restart announced", b.Restart.Own, a.Restart.Own)
	ability("neighbour helps", b.Restart.Helper, a.Restart.Helper)
	ability("forwarding kept", b.Restart.ForwardingKept, a.Restart.ForwardingKept)
	ability("restart on notification", b.Restart.Notification, a.Restart.Notification)
	ability("strict LSA checks", b.Restart.StrictLSAChecks, a.Restart.StrictLSAChecks)
	ability("BFD protection", b.BFD.Protected, a.BFD.Protected)
	ability("BFD independent of the control plane", b.BFD.Independent, a.BFD.Independent)
	ability("BFD offloaded", b.BFD.Offloaded, a.BFD.Offloaded)
	fact(c, object, "BFD session", b.BFD.Session, a.BFD.Session, rFactLost, asIs, changed[string](rRestartAbility))
	fact(c, object, "BFD multiplier", b.BFD.Multiplier, a.BFD.Multiplier, rFactLost, strconv.Itoa, changed[int](rTimers))
}

// flap tells of an adjacency that is up on both sides and was not in between.
func (c *comparer) flap(object string, b, a *Adjacency) {
	rule := rFlap
	switch {
	case a.Protocol == LLDP && (c.expect.Switchover || c.expect.Restart):
		rule = rFlapLLDP
	case c.expect.GracefulRestart && b.Restart.Own.Or(false) && b.Restart.Helper.Or(false):
		rule = rFlapGraceful
	}
	told := false
	fact(c, object, "up since", b.Since, a.Since, rFactLost, instant, func(b, a time.Time) ruleNo {
		r := moved(rule)(b, a)
		told = r != same
		return r
	})
	if told {
		return
	}
	fact(c, object, "transitions", b.Transition, a.Transition, rFactLost, number, func(b, a uint64) ruleNo {
		switch {
		case a > b:
			return rule
		case a < b:
			return pick(c.expect.Switchover || c.expect.Restart, rCounterReset, rCounterStray)
		}
		return same
	})
}

// count is a judge of a number that may differ by pct percent of what it was.
func count(pct float64, within, more, fewer ruleNo) func(b, a uint64) ruleNo {
	return func(b, a uint64) ruleNo {
		switch {
		case b == a:
			return same
		case !outside(b, a, pct):
			return within
		case a > b:
			return more
		}
		return fewer
	}
}

// outside reports whether a differs from b by more than pct percent of b.
func outside(b, a uint64, pct float64) bool {
	return math.Abs(float64(a)-float64(b))*100 > pct*float64(b)
}

func (c *comparer) tables(b, a *Capture) {
	name := func(t *RouteTable) string { return "route table " + t.Instance + " " + t.Family }
	join(b.RouteTables, a.RouteTables, byRouteTable, func(b, a *RouteTable) {
		object := name(a)
		fact(c, object, "count", counted(b), counted(a), rVitalLost, number,
			count(c.tol.RouteCountPercent, rCountTolerated, rRouteCount, rRouteCount))
		switch {
		case len(b.Routes) > 0 && len(a.Routes) > 0:
			c.table(object, b, a)
		case len(b.Routes) > 0 && a.Count.Or(0) > 0:
			c.add(rFactLost, object, "routes", fmt.Sprintf("%d read", len(b.Routes)), "unknown", "")
		case len(a.Routes) > 0 && b.Count.Or(0) > 0:
			c.add(rFactGained, object, "routes", "unknown", fmt.Sprintf("%d read", len(a.Routes)), "")
		}
	}, func(t *RouteTable) {
		c.add(rTableGone, name(t), "presence", tableText(t), "", "")
	}, func(t *RouteTable) {
		c.add(rTableNew, name(t), "presence", "", tableText(t), "")
	})
}

// counted is the number of routes: as told, or of those read.
func counted(t *RouteTable) Opt[uint64] {
	if !t.Count.Known() && len(t.Routes) > 0 {
		return Some(uint64(len(t.Routes)))
	}
	return t.Count
}

func (c *comparer) table(object string, b, a *RouteTable) {
	type listed struct {
		rule          ruleNo
		before, after *Route
	}
	var list []listed
	var n [3]int
	churn := DiffRoutes(b.Routes, a.Routes, func(b, a *Route) {
		kind, rule := 0, rRouteGone
		switch {
		case b == nil:
			kind, rule = 1, rRouteNew
		case a != nil:
			kind, rule = 2, rRouteChanged
		}
		if n[kind]++; n[kind] <= c.tol.ListRoutes {
			list = append(list, listed{rule, b, a})
		}
	})
	c.routes[strings.TrimPrefix(object, "route table ")] = churn
	total := uint64(len(b.Routes))
	sum := func(rule ruleNo, field string, n uint64) {
		if n > 0 {
			c.add(rule, object, field, fmt.Sprintf("%d routes", total), fmt.Sprintf("%d", n), "")
		}
	}
	gone := rRoutesGone
	if float64(churn.Gone)*100 > c.tol.RouteCountPercent*float64(total) {
		gone = rRoutesGoneMany
	}
	sum(gone, "routes gone", churn.Gone)
	sum(rRoutesNew, "routes new", churn.New)
	sum(rRoutesChanged, "routes changed", churn.Changed)
	for _, l := range list {
		r, before, after := l.before, "", ""
		if r != nil {
			before = routeText(r)
		} else {
			r = l.after
		}
		if l.after != nil {
			after = routeText(l.after)
		}
		c.add(l.rule, object, "route "+r.Prefix, before, after, "")
	}
}

func (c *comparer) counts(b, a *Capture) {
	mac := count(c.tol.MACCountPercent, rCountTolerated, rTableGrew, rTableShrank)
	arp := count(c.tol.ARPCountPercent, rCountTolerated, rTableGrew, rTableShrank)
	fact(c, "MAC table", "count", b.MACs, a.MACs, rFactLost, number, mac)
	fact(c, "ARP table", "count", b.ARPs, a.ARPs, rFactLost, number, arp)
	fact(c, "neighbour discovery table", "count", b.NDs, a.NDs, rFactLost, number, arp)
	fact(c, "system", "CPU", b.CPUPercent, a.CPUPercent, rFactLost, percent, risen(c.tol.CPUPoints, rCPU))
	fact(c, "system", "memory", b.MemoryPercent, a.MemoryPercent, rFactLost, percent, risen(c.tol.MemoryPoints, rMemory))
}

// byAlarmSubject pairs alarms by what they are about: numbers of alarms may be
// given out anew when the controller cards swap roles.
func byAlarmSubject(a, b Alarm) int {
	return cmp.Or(strings.Compare(a.Resource, b.Resource), strings.Compare(a.Text, b.Text), cmp.Compare(severity(a.Severity), severity(b.Severity)))
}

// severity orders the words of OpenConfig's alarm model, the gravest first.
func severity(s string) int {
	switch s {
	case "CRITICAL":
		return 0
	case "MAJOR":
		return 1
	case "MINOR":
		return 2
	case "WARNING":
		return 3
	}
	return 4
}

func (c *comparer) alarms(b, a *Capture) {
	if b.AlarmsKnown && !a.AlarmsKnown {
		c.add(rFactLost, "alarms", "alarms", fmt.Sprintf("%d", len(b.Alarms)), "unknown", "")
	}
	if !a.AlarmsKnown {
		return
	}
	object := func(x *Alarm) string {
		if x.Resource == "" {
			return "alarm " + x.ID
		}
		return "alarm on " + x.Resource
	}
	raised := func(x *Alarm) ruleNo { return pick(severity(x.Severity) <= 1, rAlarmGrave, rAlarm) }
	subject := func(a, b Alarm) int {
		return cmp.Or(strings.Compare(a.Resource, b.Resource), strings.Compare(a.Text, b.Text))
	}
	join(ordered(b.Alarms, byAlarmSubject), ordered(a.Alarms, byAlarmSubject), subject, func(b, a *Alarm) {
		sb, sa := severity(b.Severity), severity(a.Severity)
		switch {
		case sa < sb:
			c.add(raised(a), object(a), a.Text, b.Severity, a.Severity, "")
		case sa > sb:
			c.add(rAlarmCleared, object(a), a.Text, b.Severity, a.Severity, "")
		}
	}, func(x *Alarm) {
		c.add(rAlarmCleared, object(x), x.Text, x.Severity, "", "")
	}, func(x *Alarm) {
		c.add(raised(x), object(x), x.Text, "", x.Severity, "")
	})
}

func (c *comparer) configuration(b, a *Capture) {
	const object = "configuration"
	x, y := b.Configuration, a.Configuration
	fact(c, object, "digest", x.Digest, y.Digest, rVitalLost, short, changed[string](pick(c.expect.Configuration, rConfigExpected, rConfigChanged)))
	if !x.Digest.Known() || !y.Digest.Known() {
		// Only the time is left to tell of a change, and not whether it was ours.
		fact(c, object, "last change", x.Changed, y.Changed, rFactLost, instant,
			moved(pick(c.expect.Configuration, rConfigExpected, pick(c.expect.PutBack, rConfigTouched, rConfigChanged))))
	} else if x.Digest.Or("") == y.Digest.Or("") {
		fact(c, object, "last change", x.Changed, y.Changed, rFactLost, instant, moved(pick(c.expect.PutBack, rConfigPutBack, rConfigTouched)))
	}
	fact(c, object, "unsaved change", x.Unsaved, y.Unsaved, rFactLost, yesNo, turned(true, rConfigUnsaved, rBetter))
	fact(c, object, "lock", x.Locked, y.Locked, rFactLost, orNone, func(b, a string) ruleNo {
		switch {
		case b == a:
			return same
		case a == "":
			return rBetter
		}
		return rConfigLocked
	})
	fact(c, object, "last backup", x.Backup, y.Backup, rFactLost, instant, func(b, a time.Time) ruleNo {
		switch {
		case a.After(b):
			return rBackupNewer
		case a.Before(b):
			return rBackupOlder
		}
		return same
	})
}

func (c *comparer) rest(b, a *Capture) {
	fact(c, "clock", "synchronised", b.Clock.Synced, a.Clock.Synced, rFactLost, yesNo, turned(false, rClock, rBetter))
	fact(c, "clock", "offset", b.Clock.Offset, a.Clock.Offset, rFactLost, text, func(b, a time.Duration) ruleNo {
		if a.Abs()-b.Abs() > c.tol.ClockOffset {
			return rClock
		}
		return same
	})
	fact(c, "system", "maintenance mode", b.Maintenance, a.Maintenance, rFactLost, yesNo, turned(true, rMaintenance, rBetter))

	if b.CrashKnown && !a.CrashKnown {
		c.add(rFactLost, "crash files", "files", fmt.Sprintf("%d", len(b.CrashFiles)), "unknown", "")
	}
	if a.CrashKnown {
		stamp := func(f *File) string {
			if t, ok := f.Modified.Get(); ok {
				return instant(t)
			}
			return "present"
		}
		join(b.CrashFiles, a.CrashFiles, byFile, func(b, a *File) {
			// A crash that writes over the file of an earlier one is a crash.
			rewritten := b.Modified.Known() && a.Modified.Known() && stamp(b) != stamp(a)
			if rewritten || b.Size != a.Size {
				c.add(rCrash, "crash file "+a.Path, "modified", stamp(b), stamp(a), "")
			}
		}, func(f *File) {
			c.add(rCrashGone, "crash file "+f.Path, "presence", stamp(f), "", "")
		}, func(f *File) {
			c.add(rCrash, "crash file "+f.Path, "presence", "", stamp(f), "")
		})
	}
	join(b.Features, a.Features, strings.Compare, func(_, _ *string) {}, func(f *string) {
		c.add(rFeature, "feature "+*f, "in use", "yes", "no", "")
	}, func(f *string) {
		c.add(rFeature, "feature "+*f, "in use", "no", "yes", "")
	})
	join(b.LogicalNetworkElements, a.LogicalNetworkElements, byLogicalNetworkElement, func(b, a *LogicalNetworkElement) {
		fact(c, "logical network element "+a.Name, "operational status", b.Oper, a.Oper, rFactLost, asIs, func(b, a string) ruleNo {
			switch b {
			case a:
				return same
			case OperActive:
				return rLogicalNetworkElement
			}
			return rComponentBack
		})
	}, func(l *LogicalNetworkElement) {
		c.add(rLogicalNetworkElement, "logical network element "+l.Name, "presence", orUnknown(l.Oper), "", "")
	}, func(l *LogicalNetworkElement) {
		c.add(rComponentNew, "logical network element "+l.Name, "presence", "", orUnknown(l.Oper), "")
	})
}
