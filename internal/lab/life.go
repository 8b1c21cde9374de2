package lab

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/lab/neighbour"
)

// sleepReal waits in our time; false when the chassis closes before.
func (c *Chassis) sleepReal(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-c.ctx.Done():
		return false
	}
}

// after changes the chassis when d has passed on the lab's clock.
func (c *Chassis) after(d time.Duration, f func()) {
	c.spawn(func() {
		if c.clock.Sleep(c.ctx, d) == nil {
			c.do(f)
		}
	})
}

// begin marks a component as booting. The context ends when another boot of it
// begins; up is closed by whoever runs this boot. The lock is held.
func (c *Chassis) begin(k *component, reason string) (ctx context.Context, up chan struct{}) {
	if k.stop != nil {
		k.stop()
	}
	ctx, k.stop = context.WithCancel(c.ctx)
	k.up = make(chan struct{})
	k.booting, k.bootPercent, k.oper, k.rebootReason = true, 0, operInactive, reason
	k.failure = false
	c.clear("failed-" + k.Name)
	c.setHealth(k, unspecified)
	if k.pendingLevel != "" {
		k.Firmware, k.pendingLevel = k.pendingLevel, ""
	}
	return ctx, k.up
}

// progress lets a boot take d; false when it was cut off.
func (c *Chassis) progress(ctx context.Context, k *component, d time.Duration) bool {
	const steps = 10
	for i := range steps {
		if c.clock.Sleep(ctx, d/steps) != nil {
			return false
		}
		c.mu.Lock()
		if ctx.Err() == nil {
			k.bootPercent = max(k.bootPercent, (i+1)*100/steps)
		}
		c.mu.Unlock()
	}
	return ctx.Err() == nil
}

// startedUp marks a boot as done. The lock is held.
func (c *Chassis) startedUp(k *component, version string) {
	k.booting, k.oper, k.version, k.bootTime = false, operActive, version, c.now()
	c.setHealth(k, healthy)
	c.match(k)
}

// fail marks a component as broken. The lock is held.
func (c *Chassis) fail(k *component, why string) {
	k.booting, k.oper, k.failure = false, operInactive, true
	c.setHealth(k, unhealthy)
	c.raise("failed-"+k.Name, "CRITICAL", k.Name, why)
}

// match compares a port extender with what the release supports.
func (c *Chassis) match(k *component) {
	if k.kind != "PORT_EXTENDER" {
		return
	}
	parts := c.release(c.primary().version).Extenders
	k.mismatch = len(parts) > 0 && !slices.Contains(parts, k.Part.Part)
	if k.mismatch {
		k.oper = operInactive
		c.setHealth(k, unhealthy)
		c.raise("mismatch-"+k.Name, "MAJOR", k.Name, fmt.Sprintf("part %s is not supported by release %s", k.Part.Part, c.primary().version))
	} else {
		c.clear("mismatch-" + k.Name)
	}
}

// shortFirmware says which firmware the release demands of the component and
// it does not have; empty when it is enough.
func (c *Chassis) shortFirmware(k *component, version string) string {
	for _, l := range c.release(version).Firmware {
		if l.Kind == k.kind && (l.Part == "" || l.Part == k.Part.Part) && compareLevels(k.Firmware, l.Level) < 0 {
			return fmt.Sprintf("release %s needs firmware %s, has %s", version, l.Level, k.Firmware)
		}
	}
	return ""
}

// compareLevels orders firmware levels: fields between dots, as numbers where
// both are.
func compareLevels(a, b string) int {
	as, bs := strings.Split(a, "."), strings.Split(b, ".")
	for i := range min(len(as), len(bs)) {
		x, errX := strconv.Atoi(as[i])
		y, errY := strconv.Atoi(bs[i])
		d := strings.Compare(as[i], bs[i])
		if errX == nil && errY == nil {
			d = x - y
		}
		if d != 0 {
			return d
		}
	}
	return len(as) - len(bs)
}

// bootController restarts a controller card as the secondary, into what its
// boot entry says. The lock is held.
func (c *Chassis) bootController(k *controller, reason string) (up chan struct{}) {
	ctx, up := c.begin(&k.component, reason)
	c.synced, c.syncPercent, c.takeOverAs = false, 0, ""
	if k.bootNext != k.version {
		c.at(momentBooting)
	}
	d := c.cfg.Durations.ControllerBoot
	if k.bootNext != k.version && c.fires("secondary-slow") {
		d *= 2
	}
	c.spawn(func() {
		defer close(up)
		if !c.progress(ctx, &k.component, d) {
			return
		}
		var back string
		c.do(func() { back = c.falls(ctx, k) })
		if back != "" {
			if !c.progress(ctx, &k.component, d) {
				return
			}
			c.do(func() {
				if ctx.Err() == nil {
					k.activationFail, k.bootNext, c.takeOverAs = back, k.version, ""
				}
			})
		}
		c.do(func() {
			if ctx.Err() != nil {
				return
			}
			if back == "" && k.bootNext != k.version {
				k.activationFail = ""
			}
			was := k.version
			c.startedUp(&k.component, k.bootNext)
			if was != k.version && c.fires("wrong-version-reported") {
				k.version = was
			}
			c.at(momentUp)
			c.startSync(ctx, k)
		})
	})
	return up
}

// falls tells why a controller card cannot start what its boot entry says.
func (c *Chassis) falls(ctx context.Context, k *controller) string {
	switch {
	case ctx.Err() != nil || k.bootNext == k.version:
		return ""
	case c.fires("activation-falls-back"):
		return "release " + k.bootNext + " did not start: image loader stopped; " + k.version + " was started again"
	case k.volume.packageOf(k.bootNext) == nil:
		return "release " + k.bootNext + " did not start: no package on " + k.volume.name() + "; " + k.version + " was started again"
	}
	if short := c.shortFirmware(&k.component, k.bootNext); short != "" {
		return short + "; " + k.version + " was started again"
	}
	return ""
}

// startSync copies the primary's state to the secondary. The lock is held.
func (c *Chassis) startSync(ctx context.Context, k *controller) {
	if k.role != roleSecondary {
		return
	}
	c.synced, c.syncPercent = false, 0
	if !c.syncsWith(c.primary().version, k.version) {
		c.raise("cold-"+k.Name, "MAJOR", k.Name, fmt.Sprintf("release %s cannot take over state of release %s", k.version, c.primary().version))
		return
	}
	c.clear("cold-" + k.Name)
	const steps = 10
	d := c.cfg.Durations.StateSync / steps
	c.spawn(func() {
		for i := range steps {
			if c.clock.Sleep(ctx, d) != nil {
				return
			}
			stop := false
			c.do(func() {
				switch {
				case ctx.Err() != nil || k.role != roleSecondary:
					stop = true
				case i == steps-2 && k.version != c.primary().version && c.fires("secondary-never-ready"):
					stop = true
				case i == steps-1:
					c.syncPercent, c.synced = 100, true
					if k.version != c.primary().version {
						c.at(momentReady)
					}
					c.takeOver()
				default:
					c.syncPercent = (i + 1) * 100 / steps
				}
			})
			if stop {
				return
			}
		}
	})
}

// syncsWith reports whether the state of one release can be taken over by a
// secondary with the other.
func (c *Chassis) syncsWith(primary, secondary string) bool {
	if primary == secondary {
		return true
	}
	for _, pair := range [][2]string{{secondary, primary}, {primary, secondary}} {
		r := c.release(pair[0])
		if slices.Contains(r.SyncsWith, pair[1]) {
			return true
		}
	}
	return c.release(secondary).SyncsWith == nil && c.release(primary).SyncsWith == nil
}

// beginSilence stops every protocol of the control plane. The lock is held.
func (c *Chassis) beginSilence(cause string) {
	if c.silent {
		return
	}
	c.silent = true
	c.silences = append(c.silences, Silence{
		Device: c.cfg.ID, Cause: cause, Start: c.clock.Now(), realFrom: time.Now(),
	})
	if len(c.silences) > 1 {
		c.pastOutcomes = append(c.pastOutcomes, c.set.Outcomes())
	}
	c.set.Silence()
}

// endSilence lets the control plane speak again. kept says that protocol state
// was taken over where it is synchronised; otherwise every session begins
// anew. The lock is held.
func (c *Chassis) endSilence(kept bool) {
	if !c.silent {
		return
	}
	c.silent = false
	s := &c.silences[len(c.silences)-1]
	s.Duration, s.Real = c.clock.Since(s.Start), time.Since(s.realFrom)
	if kept {
		c.set.Wake(neighbour.Synchronised)
	} else {
		c.set.Wake(neighbour.Cold)
	}
}

// lose drops everything that the card carries ("" is everything) for d of our
// time, and holds the clock at rate one meanwhile, so that the loss is as long
// by both clocks. It returns at once.
func (c *Chassis) lose(card string, d time.Duration) {
	if d <= 0 || c.plane == nil {
		return
	}
	release := c.clock.RealTime()
	unblock := c.plane.Block(card)
	c.spawn(func() {
		defer release()
		defer unblock()
		c.sleepReal(d)
	})
}

// switchOver hands the PRIMARY role to the ready secondary. The former primary
// restarts. The lock is held.
func (c *Chassis) switchOver(trigger, details string) {
	old, now := c.primary(), c.now()
	next := c.secondary()
	release := func() {}
	if !c.cfg.FastSilence {
		release = c.clock.RealTime()
	}
	old.role, next.role = roleSecondary, rolePrimary
	for _, k := range c.controllers {
		k.switched, k.trigger, k.details = now, trigger, details
	}
	c.abortInstall()
	c.beginSilence("switch-over")
	silence, loss := c.draw(c.cfg.Silence), c.draw(c.cfg.Loss)
	if c.fires("loss-over-budget") {
		loss = 5*loss + time.Second
	}
	c.lose("", loss)
	reason := rebootUser
	if trigger == bySystem {
		reason = rebootError
	}
	c.bootController(old, reason)
	c.mgmt.down()
	if c.fires("both-controllers-reload") {
		release()
		c.reload(rebootError)
		return
	}
	if c.fires("secondary-lost-after-switchover") {
		old.stop()
		c.fail(&old.component, "controller card does not answer")
	}
	c.at(momentSwitched)
	ctx := next.ctxOfRole(c)
	c.spawn(func() {
		defer release()
		if c.clock.Sleep(ctx, silence) != nil {
			return
		}
		c.do(func() {
			if ctx.Err() == nil {
				c.endSilence(true)
				c.follow(ctx)
			}
		})
		release()
		if d := c.unreachable(); d > 0 && c.clock.Sleep(ctx, d) != nil {
			return
		}
		if ctx.Err() == nil {
			c.mgmt.openAgain()
		}
	})
}

// ctxOfRole returns a context that ends when the card stops being what it is
// now. The lock is held.
func (k *controller) ctxOfRole(c *Chassis) context.Context {
	var ctx context.Context
	if k.stop != nil {
		k.stop()
	}
	ctx, k.stop = context.WithCancel(c.ctx)
	return ctx
}

// unreachable is how much longer than the silence the management plane stays
// away.
func (c *Chassis) unreachable() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.fires("unreachable-too-long") {
		return 40 * time.Minute
	}
	return 0
}

// follow lets fabrics and port extenders take up the primary's release, one
// after the other. The lock is held.
func (c *Chassis) follow(ctx context.Context) {
	version := c.primary().version
	for _, k := range c.extenders {
		if k.version == version {
			c.match(k)
		}
	}
	c.spawn(func() {
		for _, k := range slices.Concat(c.fabrics, c.extenders) {
			var up chan struct{}
			var boot context.Context
			c.do(func() {
				if ctx.Err() == nil && k.version != version && k.power == powerEnabled {
					boot, up = c.begin(k, rebootUser)
				}
			})
			if up == nil {
				continue
			}
			d := c.cfg.Durations.FabricRestart
			if k.kind == "PORT_EXTENDER" {
				d = c.cfg.Durations.ExtenderUpdate
			}
			if c.progress(boot, k, d) {
				c.do(func() {
					if boot.Err() != nil {
						return
					}
					c.startedUp(k, version)
					if k.kind == "PORT_EXTENDER" && c.fires("extender-incompatible") {
						k.mismatch, k.oper = true, operInactive
						c.setHealth(k, unhealthy)
						c.raise("mismatch-"+k.Name, "MAJOR", k.Name, "port extender does not register with release "+version)
					}
				})
			}
			close(up)
		}
	})
}

// crash is a failure of the primary: the secondary takes over where it is
// ready, and otherwise everything restarts. The lock is held.
func (c *Chassis) crash(details string) {
	if c.ready() {
		c.switchOver(bySystem, details)
		return
	}
	c.reload(rebootError)
}

// reload restarts everything. Nothing is forwarded until the line cards are up
// again. The lock is held.
func (c *Chassis) reload(reason string) (up chan struct{}) {
	c.abortInstall()
	c.beginSilence("reload")
	c.set.Blackout()
	c.mgmt.down()
	c.synced, c.syncPercent = false, 0
	unblock := func() {}
	if c.plane != nil {
		unblock = c.plane.Block("")
	}
	type boot struct {
		k   *component
		ctx context.Context
		up  chan struct{}
	}
	var boots []boot
	for _, k := range c.allComponents() {
		if k.version != "" && k.power == powerEnabled {
			ctx, done := c.begin(k, reason)
			boots = append(boots, boot{k, ctx, done})
		}
	}
	for _, l := range c.lineCards {
		l.rebootKeeps = false
	}
	life := boots[0].ctx
	up = make(chan struct{})
	c.spawn(func() {
		defer func() {
			unblock()
			for _, b := range boots {
				close(b.up)
			}
			close(up)
		}()
		if c.clock.Sleep(life, c.cfg.Durations.ControllerBoot) != nil {
			return
		}
		c.do(func() {
			if life.Err() != nil {
				return
			}
			for _, b := range boots {
				for _, k := range c.controllers {
					if b.k == &k.component {
						c.startedUp(b.k, k.bootNext)
						c.startSync(b.ctx, k)
					}
				}
			}
			c.bootTime = c.now()
			c.endSilence(false)
		})
		c.mgmt.openAgain()
		if c.clock.Sleep(life, c.cfg.Durations.LineCardBoot) != nil {
			return
		}
		c.do(func() {
			for _, b := range boots {
				if b.ctx.Err() == nil && b.k.booting {
					c.startedUp(b.k, c.primary().version)
				}
			}
		})
	})
	return up
}

// restartLineCard restarts a line card into the primary's release. The lock is
// held.
func (c *Chassis) restartLineCard(l *lineCard, keep bool) (up chan struct{}) {
	ctx, up := c.begin(&l.component, rebootUser)
	l.rebootKeeps = keep
	version := c.primary().version
	changes := version != l.version
	c.at(momentLineCard)
	stuck := changes && c.fires("line-card-stuck")
	broken := changes && c.fires("line-card-failed")
	short := c.shortFirmware(&l.component, version)
	d := c.cfg.Durations.LineCardBoot
	if keep {
		d = c.cfg.Durations.LineCardNSF
	} else {
		c.lose(l.Name, l.coldLoss)
	}
	c.spawn(func() {
		defer close(up)
		if keep {
			if c.clock.Sleep(ctx, d/2) != nil {
				return
			}
			c.do(func() {
				if ctx.Err() == nil {
					c.lose(l.Name, l.loss)
				}
			})
			d -= d / 2
		}
		if stuck {
			c.mu.Lock()
			l.bootPercent = 40
			c.mu.Unlock()
			<-ctx.Done()
			return
		}
		if !c.progress(ctx, &l.component, d) {
			return
		}
		c.do(func() {
			switch {
			case ctx.Err() != nil:
			case broken || short != "":
				why := short
				if broken {
					why = "line card failed its self test"
				}
				c.fail(&l.component, why)
				c.lose(l.Name, l.coldLoss)
			default:
				c.startedUp(&l.component, version)
			}
		})
	})
	return up
}

// restartOther restarts a fabric or a port extender, without loss.
func (c *Chassis) restartOther(k *component) (up chan struct{}) {
	ctx, up := c.begin(k, rebootUser)
	version := c.primary().version
	d := c.cfg.Durations.FabricRestart
	if k.kind == "PORT_EXTENDER" {
		d = c.cfg.Durations.ExtenderUpdate
	}
	c.spawn(func() {
		defer close(up)
		if c.progress(ctx, k, d) {
			c.do(func() {
				if ctx.Err() == nil {
					c.startedUp(k, version)
				}
			})
		}
	})
	return up
}

// powerOff takes a line card or the secondary out of service.
func (c *Chassis) powerOff(k *component) {
	if k.stop != nil {
		k.stop()
	}
	k.booting, k.oper, k.power = false, operDisabled, powerDisabled
	c.setHealth(k, unspecified)
	if k == &c.secondary().component {
		c.synced, c.syncPercent = false, 0
	}
	if c.lineCard(k.Name) != nil {
		c.lose(k.Name, c.lineCard(k.Name).coldLoss)
	}
}

// powerOn starts it again.
func (c *Chassis) powerOn(k *component) (up chan struct{}) {
	k.power = powerEnabled
	if s := c.secondary(); k == &s.component {
		return c.bootController(s, rebootPower)
	}
	if l := c.lineCard(k.Name); l != nil {
		return c.restartLineCard(l, false)
	}
	return c.restartOther(k)
}
