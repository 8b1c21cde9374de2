package plan

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// Layout is how a device is built, as far as the steps need it.
type Layout struct {
	Primary   string            // controller card with the PRIMARY role
	Secondary string            // the other one; empty on a single-controller device
	LineCards []string          // in the order in which they are loaded
	Releases  map[string]string // software version per component, where known
	BootNext  map[string]string // release that a controller card boots next, where known
}

// LayoutOf reads the layout from a capture. It is an error when no controller
// card, or more than one, has the PRIMARY role.
func LayoutOf(c *state.Capture) (Layout, error) {
	var l Layout
	l.Releases, l.BootNext = map[string]string{}, map[string]string{}
	for _, b := range c.Boot {
		if v, ok := b.Version.Get(); ok {
			l.BootNext[b.Controller] = v
		}
	}
	p, ok := c.ControllerWithRole(state.Primary)
	if !ok {
		return l, errors.New("plan: the capture does not show exactly one controller card with the role PRIMARY")
	}
	l.Primary = p.Name
	if s, ok := c.ControllerWithRole(state.Secondary); ok {
		l.Secondary = s.Name
	}
	for _, k := range c.Components {
		if v, ok := k.Version.Get(); ok {
			l.Releases[k.Name] = v
		}
		if k.Kind == state.KindLineCard {
			if empty, _ := k.Empty.Get(); !empty {
				l.LineCards = append(l.LineCards, k.Name)
			}
		}
	}
	return l, nil
}

// Removal is a file to delete from a controller card before a hop.
type Removal struct {
	Controller string
	File       string
	Size       unit.ByteSize
}

// HopInput is what the engines found for one hop of the path.
type HopInput struct {
	Removals  []Removal
	Images    []release.Image // of the release that the hop leads to, for this device
	Back      string          // method of the way back from the hop, empty where there is none
	NoBack    string
	Untouched float64 // with the preparations
	Bare      float64 // without them, where there are any
	// Loss is the expected loss by adjacencies alone, LossLeast and LossMost bound
	// what one silence can cost.
	Loss, LossLeast, LossMost time.Duration

	Prepare []Preparation
	Outlook []Outlook
	// Silence, when not nil, is what earlier runs make of the catalogue's.
	Silence *release.SilenceRange
}

// Inputs is everything that a plan is composed from.
type Inputs struct {
	Device   fleet.Device
	Partners []fleet.DeviceID
	Platform release.Platform
	Path     release.Path
	Layout   Layout
	Policy   policy.Policy
	Hops     []HopInput // one per hop of the path
	Now      time.Time
}

// Compose makes the plan for one device. It is an error when the path has no
// hops, when the inputs of a hop are missing, when a release has no system
// image, or when an in-service hop is asked of a device with one controller
// card.
func Compose(in Inputs) (*Plan, error) {
	hops := in.Path.Hops
	if len(hops) == 0 {
		return nil, errors.New("plan: the hop path is empty: the device already runs the target")
	}
	if len(in.Hops) != len(hops) {
		return nil, fmt.Errorf("plan: %d hops and the findings of %d", len(hops), len(in.Hops))
	}
	p := &Plan{
		Device: in.Device.ID, Platform: in.Platform.ID, From: hops[0].From, To: hops[len(hops)-1].To,
		MadeAt: in.Now, PerController: in.Platform.PerController, Path: in.Path,
		Partners: in.Partners, Serves: in.Device.Serves, Cautions: Cautions(),
	}
	c := composer{in: in, plan: p, primary: in.Layout.Primary, secondary: in.Layout.Secondary}
	for i, h := range hops {
		hp, err := describeHop(h, in.Hops[i])
		if err != nil {
			return nil, err
		}
		if h.Method == release.InService && in.Layout.Secondary == "" {
			return nil, fmt.Errorf("plan: %s → %s in service needs two controller cards; %s has one", h.From, h.To, in.Device.ID)
		}
		p.Hops = append(p.Hops, hp)
	}
	c.begin()
	for i := range hops {
		c.hop(i)
	}
	c.foretell()
	return p, nil
}

func describeHop(h release.Hop, in HopInput) (HopPlan, error) {
	hp := HopPlan{From: h.From, To: h.To, Method: h.Method, Untouched: in.Untouched, Outlook: in.Outlook,
		Bare: in.Bare, Prepare: in.Prepare, Back: in.Back, NoBack: in.NoBack, Minutes: h.Minutes}
	silence := h.Silence
	if in.Silence != nil {
		silence = in.Silence
	}
	if silence != nil {
		hp.Least, hp.Silence, hp.Most = silence.Least, silence.Likely, silence.Most
	}
	hp.LossExpected, hp.LossLeast, hp.LossMost = in.Loss, in.LossLeast, in.LossMost
	if h.Loss != nil {
		hp.Loss = h.Loss.Likely
		hp.LossExpected = max(hp.LossExpected, h.Loss.Likely)
		hp.LossLeast, hp.LossMost = max(hp.LossLeast, h.Loss.Least), max(hp.LossMost, h.Loss.Most)
	}
	for _, im := range in.Images {
		ref := ImageRef{Kind: im.Kind, File: im.File, Size: im.Size, SHA256: im.SHA256}
		hp.Images = append(hp.Images, ref)
		if im.Kind == release.ImageSystem {
			hp.Package = ref
		}
	}
	if hp.Package.File == "" {
		return hp, fmt.Errorf("plan: release %s has no image of kind %q, so there is nothing to install", h.To, release.ImageSystem)
	}
	return hp, nil
}

// composer appends steps; it follows the roles through the switchovers, so
// that each step names the card it acts on.
type composer struct {
	in                 Inputs
	plan               *Plan
	n                  int
	primary, secondary string
}

func (c *composer) add(s Step) {
	c.n++
	s.ID = fmt.Sprintf("%02d-%s", c.n, s.Kind)
	if s.Component != "" {
		s.ID += "-" + s.Component
	}
	c.plan.Steps = append(c.plan.Steps, s)
}

// quiet are the guards while nothing has been handed over yet.
func quiet() []Guard {
	return []Guard{GuardConfiguration, GuardTopology, GuardPartner, GuardAdjacency, GuardPower, GuardRoles, GuardLoss}
}

func (c *composer) begin() {
	c.add(Step{Phase: Download, Kind: CaptureBefore, Title: "Read and keep the state before", Expect: seconds(2, 5, 20), Deadline: 2 * time.Minute, OnFail: Stop})
	c.add(Step{Phase: Download, Kind: CheckReadiness, Title: "Check readiness for " + c.plan.To, Release: c.plan.To, Expect: seconds(2, 5, 30), Deadline: 5 * time.Minute, OnFail: Stop})
	base := c.in.Policy.Probe.Baseline
	c.add(Step{Phase: Download, Kind: StartProbe, Title: fmt.Sprintf("Send test traffic and see it clean for %v", base),
		Expect: Law{base, base, 2 * base}, Deadline: base + time.Minute, OnFail: Stop})
}

func (c *composer) hop(i int) {
	h, hp := c.plan.Path.Hops[i], c.plan.Hops[i]
	c.download(i, h, hp)
	if h.Method == release.Reload {
		c.reloadHop(i, h, hp)
	} else {
		c.serviceHop(i, h, hp)
	}
	c.acceptance(i, h)
}

func (c *composer) download(i int, h release.Hop, hp HopPlan) {
	for _, r := range c.in.Hops[i].Removals {
		c.add(Step{Hop: i, Phase: Download, Kind: RemoveFile, Component: r.Controller, File: r.File,
			Title:  fmt.Sprintf("Delete %s from %s to make room (%v)", r.File, r.Controller, r.Size),
			Before: []Condition{{FactFileStaged, r.Controller, r.File}},
			After:  []Condition{{FactNoFile, r.Controller, r.File}},
			Expect: seconds(1, 2, 10), Deadline: time.Minute, OnFail: Stop, Guards: []Guard{GuardRoles}})
	}
	transfer := func(card string, standby bool) {
		c.add(Step{Hop: i, Phase: Download, Kind: TransferPackage, Component: card, Standby: standby, Release: h.To, Image: hp.Package,
			Title:  fmt.Sprintf("Send %s (%v) to %s and have it validated", hp.Package.File, hp.Package.Size, card),
			Before: []Condition{{FactRole, c.primary, state.Primary}},
			After:  []Condition{{FactInstalled, card, h.To}},
			Expect: c.transferLaw(hp.Package.Size), Deadline: 4 * c.transferLaw(hp.Package.Size).Most, OnFail: Stop, Guards: []Guard{GuardRoles}})
	}
	transfer(c.primary, false)
	if c.plan.PerController && c.secondary != "" {
		transfer(c.secondary, true)
	}
	for _, im := range hp.Images {
		if im.Kind == release.ImageSystem {
			continue
		}
		c.transferImage(i, im, c.primary, "")
	}
	for _, f := range h.Firmware {
		c.transferImage(i, ImageRef{Kind: f.Image.Kind, File: f.Image.File, Size: f.Image.Size, SHA256: f.Image.SHA256}, f.Component, f.To)
	}
	c.add(Step{Hop: i, Phase: Staging, Kind: VerifyStaged, Release: h.To, Title: "Have the device confirm that it holds " + h.To,
		Before: nil, After: []Condition{{FactInstalled, c.primary, h.To}}, Expect: seconds(1, 3, 20), Deadline: 2 * time.Minute, OnFail: Stop, Guards: quiet()})
}

func (c *composer) transferImage(i int, im ImageRef, component, version string) {
	c.add(Step{Hop: i, Phase: Download, Kind: TransferFirmware, Component: component, Release: version, Image: im, File: im.File,
		Title:  fmt.Sprintf("Send %s image %s (%v) for %s", im.Kind, im.File, im.Size, component),
		After:  []Condition{{FactFileStaged, c.primary, im.File}},
		Expect: c.transferLaw(im.Size), Deadline: 4 * c.transferLaw(im.Size).Most, OnFail: Stop, Guards: []Guard{GuardRoles}})
}

func (c *composer) hold(i int, phase Phase, ask string) {
	for _, h := range c.in.Policy.HoldPoints {
		if h.Before != string(phase) {
			continue
		}
		if h.Ask != "" {
			ask = h.Ask
		}
		c.add(Step{Hop: i, Phase: phase, Kind: Hold, Title: "Hold point: " + ask, OnFail: Pause,
			Hold: &HoldSpec{Ask: ask, Persons: h.Persons}, Guards: quiet()})
	}
}

func (c *composer) serviceHop(i int, h release.Hop, hp HopPlan) {
	cond := c.in.Policy.Conduct
	c.hold(i, Staging, fmt.Sprintf("load %s on the secondary controller card %s? Until it is ready the device has no redundancy.", h.To, c.secondary))
	if !c.plan.PerController {
		c.add(Step{Hop: i, Phase: Staging, Kind: PrepareBoot, Component: c.primary, Release: h.To, Title: "Make " + h.To + " the release that boots next, without a restart",
			Before: []Condition{{FactInstalled, c.primary, h.To}}, After: []Condition{{FactBootNext, c.primary, h.To}},
			Expect: seconds(1, 3, 20), Deadline: time.Minute, OnFail: RollBack, Guards: quiet()})
	}
	c.add(loadSecondary(i, Staging, c.secondary, h.To, c.restartLaw(h), cond.SecondaryReadyWithin, quiet()))
	own, hand := gather(hp.Prepare, false), gather(hp.Prepare, true)
	settle, back := settling(hp.Prepare)
	c.byHand(i, hand, false, c.persons(UpgradeRun), h.To)
	first := ""
	for _, f := range h.Firmware {
		first += fmt.Sprintf("restart %s into firmware %s, ", f.Component, f.To)
	}
	if first != "" {
		first += "then "
	}
	c.hold(i, UpgradeRun, first+fmt.Sprintf("hand over from %s to %s? The control plane will be silent for about %v (%v to %v). After this, going back costs a second switchover.",
		c.primary, c.secondary, hp.Silence, hp.Least, hp.Most))
	early := slices.ContainsFunc(hp.Prepare, Preparation.moves)
	if early {
		c.prepare(i, own, settle, h.To)
	}
	for _, f := range h.Firmware {
		c.add(Step{Hop: i, Phase: UpgradeRun, Kind: LoadFirmware, Component: f.Component, Release: f.To,
			Title:  fmt.Sprintf("Restart %s into firmware %s (has %s)", f.Component, f.To, f.From),
			Before: []Condition{{FactOper, f.Component, state.OperActive}},
			After:  []Condition{{FactRestarted, f.Component, ""}, {FactFirmware, f.Component, f.To}, {FactOper, f.Component, state.OperActive}},
			Expect: minutes(f.Minutes*0.7, f.Minutes, f.Minutes*1.5), Deadline: cond.LineCardWithin, OnFail: RollBack, Guards: quiet()})
	}
	if !early {
		c.prepare(i, own, settle, h.To)
	}
	c.confirm(i, hp.Prepare, settle, h.To)
	c.add(switchOver(i, UpgradeRun, c.primary, c.secondary, h.To, hp, cond.ReachableWithin))
	c.primary, c.secondary = c.secondary, c.primary
	c.add(loadSecondary(i, UpgradeRun, c.secondary, h.To, c.restartLaw(h), cond.SecondaryReadyWithin, after()))
	for _, lc := range c.in.Layout.LineCards {
		c.add(loadLineCard(i, UpgradeRun, lc, h.To, c.lineCardLaw(h), cond.LineCardWithin))
	}
	c.restore(i, own, back, h.To)
	c.byHand(i, hand, true, c.persons(UpgradeRun), h.To)
}

// after are the guards once the role has been handed over: a role that changes
// again, or a loss over budget, is then a person's decision.
func after() []Guard {
	return []Guard{GuardConfiguration, GuardTopology, GuardPartner, GuardAdjacency, GuardPower, GuardRoles, GuardLoss}
}

func loadSecondary(hop int, phase Phase, card, rel string, law Law, within time.Duration, guards []Guard) Step {
	s := Step{Hop: hop, Phase: phase, Kind: LoadSecondary, Component: card, Release: rel, Standby: true,
		Title:  fmt.Sprintf("Restart the secondary controller card %s into %s and wait until it is ready", card, rel),
		Before: []Condition{{FactRole, card, state.Secondary}, {FactOper, card, state.OperActive}},
		After:  []Condition{{FactRestarted, card, ""}, {FactRelease, card, rel}, {FactOper, card, state.OperActive}, {FactReady, card, "true"}},
		Expect: law, Deadline: within, OnFail: RollBack, Guards: guards}
	if phase == UpgradeRun {
		s.OnFail = Pause
	}
	return s
}

func switchOver(hop int, phase Phase, from, to, rel string, hp HopPlan, within time.Duration) Step {
	return Step{Hop: hop, Phase: phase, Kind: SwitchOver, Component: to, Release: rel, PointOfNoReturn: true,
		Title: fmt.Sprintf("Hand the PRIMARY role from %s to %s", from, to),
		Before: []Condition{{FactRole, from, state.Primary}, {FactRole, to, state.Secondary}, {FactRelease, to, rel},
			{FactReady, to, "true"}},
		After:  []Condition{{FactRole, to, state.Primary}, {FactOper, to, state.OperActive}},
		Expect: Law{max(hp.Least, time.Second), max(hp.Silence, 2*time.Second), max(hp.Most, 5*time.Second)}, Deadline: within,
		OnFail: RollBack, Guards: after()}
}

func loadLineCard(hop int, phase Phase, card, rel string, law Law, within time.Duration) Step {
	return Step{Hop: hop, Phase: phase, Kind: LoadLineCard, Component: card, Release: rel,
		Title:  fmt.Sprintf("Restart line card %s into %s", card, rel),
		Before: []Condition{{FactOper, card, state.OperActive}},
		After:  []Condition{{FactRestarted, card, ""}, {FactRelease, card, rel}, {FactOper, card, state.OperActive}},
		Expect: law, Deadline: within, OnFail: Pause, Guards: after()}
}

func (c *composer) reloadHop(i int, h release.Hop, hp HopPlan) {
	// Before that phase nothing is loaded on this way, and who asked to be asked
	// there is asked all the same.
	c.hold(i, Staging, fmt.Sprintf("go on with %s, which restarts the whole of %s?", h.To, c.in.Device.ID))
	own, hand := gather(hp.Prepare, false), gather(hp.Prepare, true)
	settle, back := settling(hp.Prepare)
	c.byHand(i, hand, false, c.persons(UpgradeRun), h.To)
	c.hold(i, UpgradeRun, fmt.Sprintf("restart the whole of %s into %s? Everything that it alone carries is down until it is back.", c.in.Device.ID, h.To))
	c.add(Step{Hop: i, Phase: UpgradeRun, Kind: PrepareBoot, Component: c.primary, Release: h.To, Title: "Make " + h.To + " the release that boots next, without a restart",
		Before: []Condition{{FactInstalled, c.primary, h.To}}, After: []Condition{{FactBootNext, c.primary, h.To}},
		Expect: seconds(1, 3, 20), Deadline: time.Minute, OnFail: RollBack, Guards: quiet()})
	if c.plan.PerController && c.secondary != "" {
		// A card that is installed by itself boots what it was told by itself.
		c.add(Step{Hop: i, Phase: UpgradeRun, Kind: PrepareBoot, Component: c.secondary, Standby: true, Release: h.To,
			Title:  fmt.Sprintf("Make %s the release that %s boots next, without a restart", h.To, c.secondary),
			Before: []Condition{{FactInstalled, c.secondary, h.To}}, After: []Condition{{FactBootNext, c.secondary, h.To}},
			Expect: seconds(1, 3, 20), Deadline: time.Minute, OnFail: RollBack, Guards: quiet()})
	}
	c.prepare(i, own, settle, h.To)
	c.confirm(i, hp.Prepare, settle, h.To)
	s := reloadDevice(i, h.To, c.deviceLaw(h), c.in.Policy.Conduct.ReachableWithin)
	s.Primary, s.Secondary = c.primary, c.secondary
	c.add(s)
	c.restore(i, own, back, h.To)
	c.byHand(i, hand, true, c.persons(UpgradeRun), h.To)
}

func reloadDevice(hop int, rel string, law Law, within time.Duration) Step {
	return Step{Hop: hop, Phase: UpgradeRun, Kind: ReloadDevice, Release: rel, PointOfNoReturn: true,
		Title:  "Restart the whole device into " + rel,
		After:  []Condition{{FactRestarted, "", ""}, {FactSystem, "", rel}},
		Expect: law, Deadline: within + law.Most, OnFail: Pause, Guards: []Guard{GuardPartner}}
}

func (c *composer) acceptance(i int, h release.Hop) {
	c.hold(i, Acceptance, "accept "+h.To+" as it now runs?")
	settle := c.in.Policy.Probe.Settle
	steps := c.acceptSteps(i, h.To, settle)
	for _, f := range h.Firmware {
		steps[0].After = append(steps[0].After, Condition{FactFirmware, f.Component, f.To})
	}
	c.plan.Steps = append(c.plan.Steps, steps...)
}

func (c *composer) acceptSteps(i int, rel string, settle time.Duration) []Step {
	before := len(c.plan.Steps)
	conf := []Condition{{FactSystem, "", rel}, {FactRelease, c.primary, rel}}
	if c.secondary != "" {
		conf = append(conf, Condition{FactRelease, c.secondary, rel}, Condition{FactReady, c.secondary, "true"})
	}
	for _, lc := range c.in.Layout.LineCards {
		conf = append(conf, Condition{FactRelease, lc, rel}, Condition{FactOper, lc, state.OperActive})
	}
	grace := c.in.Policy.Conduct.AdjacencyGrace
	c.add(Step{Hop: i, Phase: Acceptance, Kind: ConfirmReleases, Release: rel, Title: "See every component at " + rel, After: conf,
		Expect: seconds(1, 5, 60), Deadline: 3 * time.Minute, OnFail: RollBack, Guards: []Guard{GuardRoles, GuardPower, GuardPartner}})
	c.add(Step{Hop: i, Phase: Acceptance, Kind: CompareStates, Release: rel, Title: "Compare the state with the one before",
		Expect: Law{2 * time.Second, 5 * time.Second, grace}, Deadline: grace + time.Minute, OnFail: RollBack, Guards: []Guard{GuardRoles, GuardPower, GuardPartner}})
	c.add(Step{Hop: i, Phase: Acceptance, Kind: JudgeProbe, Title: fmt.Sprintf("See test traffic clean for %v and judge the loss", settle),
		Expect: Law{settle, settle, 2 * settle}, Deadline: settle + time.Minute, OnFail: RollBack, Guards: []Guard{GuardRoles, GuardPower, GuardPartner}})
	c.add(Step{Hop: i, Phase: Acceptance, Kind: AcceptHop, Release: rel, Title: "Accept " + rel, Expect: seconds(0, 1, 1), Deadline: time.Minute, OnFail: Pause})
	out := append([]Step(nil), c.plan.Steps[before:]...)
	c.plan.Steps = c.plan.Steps[:before]
	return out
}

// WayBack makes the list of steps that brings the device back to the release
// that the hop began with, from the state that was just read: only what is not
// at that release is touched, and a device whose primary never left it is not
// switched over. Settings that the run holds changed are put back as they were
// found: last, where the way there hands over or restarts once more as the hop
// did, which they protect, and first, where the whole device is restarted and
// the hop only handed over. It is an error when the state
// needs a way back that the hop does not have.
func WayBack(p *Plan, hop int, now Layout, pol policy.Policy, held []Held) ([]Step, error) {
	hp := p.Hops[hop]
	old := hp.From
	c := composer{in: Inputs{Layout: now, Policy: pol, Platform: release.Platform{}, Path: p.Path, Device: fleet.Device{ID: p.Device}},
		plan:    &Plan{Device: p.Device, From: hp.To, To: old, PerController: p.PerController, Path: p.Path, Hops: p.Hops},
		primary: now.Primary, secondary: now.Secondary}
	back := p.Path.Hops[hop]
	primaryOld := now.Releases[now.Primary] == old
	if !primaryOld && hp.Back == "" {
		return nil, fmt.Errorf("plan: no way back from %s to %s: %s", hp.To, old, orDefault(hp.NoBack, "the catalogue gives no transition"))
	}
	prepare := func(card string, standby bool) {
		c.add(Step{Hop: hop, Phase: Staging, Kind: PrepareBoot, Component: card, Standby: standby, Release: old,
			Title:  fmt.Sprintf("Make %s the release that %s boots next, without a restart", old, card),
			After:  []Condition{{FactBootNext, card, old}},
			Expect: seconds(1, 3, 20), Deadline: time.Minute, OnFail: Pause, Guards: nil})
	}
	// A card that runs the old release and would boot another one next.
	astray := func(card string) bool {
		next, known := now.BootNext[card]
		return now.Releases[card] == old && known && next != old
	}
	load := func() {
		s := loadSecondary(hop, UpgradeRun, c.secondary, old, c.restartLaw(back), pol.Conduct.SecondaryReadyWithin, nil)
		c.add(s)
	}
	own, hand := endsOf(held, false), endsOf(held, true)
	settle, resettle := settling(hp.Prepare)
	putBack := func() {
		c.restore(hop, own, resettle, hp.To)
		c.byHand(hop, hand, true, c.persons(UpgradeRun), hp.To)
		own, hand = nil, nil
	}
	// The silence on the way back is as long as the first: what was put back
	// already is made once more.
	again := func() {
		againOwn, againHand := missing(gather(hp.Prepare, false), held), missing(gather(hp.Prepare, true), held)
		c.byHand(hop, againHand, false, c.persons(UpgradeRun), hp.To)
		c.prepare(hop, againOwn, settle, hp.To)
		own, hand = joinEnds(own, againOwn), joinEnds(hand, againHand)
	}
	switch {
	case !primaryOld && now.Secondary == "" && hp.Method == release.InService:
		// Going back would restart the whole device: nobody was told of an outage.
		return nil, fmt.Errorf("plan: no controller card is %s, so %s cannot be handed back to %s without an outage: bring the other card back first, or restart into %s by hand",
			state.Secondary, p.Device, old, old)
	case !primaryOld && (hp.Back == release.Reload || now.Secondary == ""):
		if hp.Method == release.Reload {
			again() // traffic was moved away for such a restart, and is again
		} else {
			putBack() // timers help nobody through a restart
		}
		prepare(c.primary, false)
		if p.PerController && now.Secondary != "" {
			prepare(c.secondary, true)
		}
		s := reloadDevice(hop, old, c.deviceLaw(back), pol.Conduct.ReachableWithin)
		s.Guards, s.Primary, s.Secondary = nil, c.primary, c.secondary
		c.add(s)
	default:
		if !p.PerController || astray(now.Primary) {
			prepare(c.primary, false)
		}
		if p.PerController && now.Secondary != "" && astray(now.Secondary) {
			prepare(c.secondary, true)
		}
		if now.Secondary != "" && now.Releases[now.Secondary] != old {
			load()
		}
		if !primaryOld {
			again()
			s := switchOver(hop, UpgradeRun, c.primary, c.secondary, old, hp, pol.Conduct.ReachableWithin)
			s.OnFail, s.PointOfNoReturn, s.Guards = Pause, false, nil
			c.add(s)
			c.primary, c.secondary = c.secondary, c.primary
			load()
		}
		for _, lc := range now.LineCards {
			if v, ok := now.Releases[lc]; ok && v != old {
				s := loadLineCard(hop, UpgradeRun, lc, old, c.lineCardLaw(back), pol.Conduct.LineCardWithin)
				s.Guards = nil
				c.add(s)
			}
		}
	}
	putBack()
	for _, s := range c.acceptSteps(hop, old, pol.Probe.Settle) {
		if s.Kind == AcceptHop {
			continue
		}
		s.OnFail, s.Guards = Pause, nil
		c.plan.Steps = append(c.plan.Steps, s)
	}
	for i := range c.plan.Steps {
		if k := c.plan.Steps[i].Kind; k == Prepare || k == Restore || k == Hold {
			c.plan.Steps[i].OnFail, c.plan.Steps[i].Guards = Pause, nil
		}
		c.plan.Steps[i].ID = "back-" + c.plan.Steps[i].ID
	}
	c.foretellBack(p)
	return c.plan.Steps, nil
}

func orDefault(s, def string) string {
	if s == "" {
		return def
	}
	return s
}

func seconds(least, likely, most float64) Law {
	s := func(v float64) time.Duration { return time.Duration(v * float64(time.Second)) }
	return Law{s(least), s(likely), s(most)}
}

func minutes(least, likely, most float64) Law {
	return seconds(least*60, likely*60, most*60)
}

func lawOf(s *release.Spread, def Law) Law {
	if s == nil {
		return def
	}
	return minutes(s.Least, s.Likely, s.Most)
}

// restartLaw is how long a controller card takes to come back ready: the
// maker's figure, or 30 % of the hop's minutes for each of the two cards.
func (c *composer) restartLaw(h release.Hop) Law {
	return lawOf(c.in.Platform.Durations.ControllerRestart, minutes(0.3*h.Minutes.Least, 0.3*h.Minutes.Likely, 0.3*h.Minutes.Most))
}

// lineCardLaw is how long one line card takes: the maker's figure, or an equal
// share of 30 % of the hop's minutes.
func (c *composer) lineCardLaw(h release.Hop) Law {
	n := float64(max(1, len(c.in.Layout.LineCards)))
	return lawOf(c.in.Platform.Durations.LineCardRestart, minutes(0.3*h.Minutes.Least/n, 0.3*h.Minutes.Likely/n, 0.3*h.Minutes.Most/n))
}

func (c *composer) deviceLaw(h release.Hop) Law {
	return lawOf(c.in.Platform.Durations.DeviceRestart, minutes(h.Minutes.Least, h.Minutes.Likely, h.Minutes.Most))
}

// transferLaw is how long an image takes at the platform's rate, or at 100
// Mbit/s where the catalogue gives none.
func (c *composer) transferLaw(size unit.ByteSize) Law {
	rate := float64(c.in.Platform.Durations.TransferRate)
	if rate <= 0 {
		rate = 100e6
	}
	s := float64(size) * 8 / rate
	return seconds(s, 1.2*s+1, 3*s+30)
}
