package app

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/state"
)

// ofSettings reports whether a step changes settings.
func ofSettings(k plan.Kind) bool { return k == plan.Prepare || k == plan.Restore }

// end is the connection to the device that an end's settings are of.
func (c *Conductor) end(on fleet.DeviceID) (device.Device, error) {
	if on == "" {
		return c.Device, nil
	}
	if d, ok := c.Others[string(on)]; ok {
		return d, nil
	}
	return nil, &device.Fault{Kind: device.Ours, Op: "settings", Text: "no connection to " + string(on)}
}

// settings reads the values at the ends' settings, trying for as long as the
// policy lets a device be unreachable.
func (c *Conductor) settings(ctx context.Context, ends []plan.End) ([]plan.End, error) {
	out := make([]plan.End, len(ends))
	since := c.Clock.Now()
	for i := 0; i < len(ends); {
		keys := make([]state.Setting, len(ends[i].Settings))
		for j, s := range ends[i].Settings {
			keys[j] = s.Key()
		}
		d, err := c.end(ends[i].On)
		if err != nil {
			return nil, err
		}
		found, err := d.Settings(ctx, keys)
		if err == nil && len(found) != len(keys) {
			err = &device.Fault{Kind: device.Ours, Op: "settings", Text: fmt.Sprintf("%d values for %d settings", len(found), len(keys))}
		}
		if err == nil {
			out[i] = plan.End{On: ends[i].On, Settings: found}
			i++
			continue
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if k := device.KindOf(err); k != device.Unreachable && k != device.OutcomeUnknown || c.Clock.Now().Sub(since) > c.Policy.Conduct.ReachableWithin {
			return nil, err
		}
		if err := c.pause(ctx); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// foreign is the record of a step whose settings somebody else has set; ok is
// false where nobody has.
func foreign(st *conduct.State, step plan.Step, now []plan.End) (conduct.Record, bool) {
	if others := st.Foreign(step, now); len(others) > 0 {
		return failed(conduct.ByPrecondition, "setting changed by others", "set by somebody else meanwhile, and not written over: "+join(others)), true
	}
	return conduct.Record{}, false
}

// intendSettings reads the settings and writes the intent with the values
// found, unless there is nothing left to do.
func (c *Conductor) intendSettings(ctx context.Context, st *conduct.State, step plan.Step, now *state.Capture) (conduct.Record, error) {
	found, err := c.settings(ctx, step.Ends)
	if err != nil {
		return c.readFault(ctx, err)
	}
	if rec, yes := foreign(st, step, found); yes {
		return rec, nil
	}
	// A restore with nothing left to put back is done, and releases what it
	// would have put back.
	if targets := st.Targets(step); len(conduct.Unset(targets, found, st.Plan.Device)) == 0 {
		return done("already so", nil), nil
	}
	o := conduct.Observe(now)
	o.Found = found
	obs, err := json.Marshal(o)
	if err != nil {
		return conduct.Record{}, fmt.Errorf("app: observation: %w", err)
	}
	c.session.acted[step.ID+fmt.Sprint(st.Attempt)] = true
	return conduct.Record{Kind: conduct.Intended, Text: step.Title, Data: obs}, nil
}

// adjust makes the targets of the step hold, device by device, each in one
// transaction. A session that takes the step up first watches, for the policy's
// time, whether the settings come to hold by themselves; then the driver reads
// each device once more and asks nothing of one where all of them hold.
func (c *Conductor) adjust(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	targets := st.Targets(step)
	fresh := c.session.acted[step.ID+fmt.Sprint(st.Attempt)]
	if !fresh {
		c.adjusting(targets) // a change that the session before asked for may still come
		c.session.acted[step.ID+fmt.Sprint(st.Attempt)] = true
	}
	since := c.Clock.Now()
	var found []plan.End
	for {
		var err error
		if found, err = c.settings(ctx, step.Ends); err != nil {
			return c.readFault(ctx, err)
		}
		if rec, yes := foreign(st, step, found); yes {
			return rec, nil
		}
		if len(conduct.Unset(targets, found, st.Plan.Device)) == 0 {
			return conduct.Record{Kind: conduct.Acted, Text: "taken up again: the devices show that this was done"}, nil
		}
		if fresh || c.Clock.Now().Sub(since) >= c.Policy.Conduct.ObserveAfterCrash {
			break
		}
		c.show(st, nil, fmt.Sprintf("interrupted here before: watching the settings for %v before anything is done", c.Policy.Conduct.ObserveAfterCrash))
		if err := c.pause(ctx); err != nil {
			return conduct.Record{}, err
		}
	}
	if !fresh {
		if f := c.broken(step); f != nil {
			return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, nil
		}
	}
	var lost error // an answer that did not come; whether it was done, the reading that follows shows
	for _, t := range targets {
		if len(conduct.Unset([]plan.End{t}, found, st.Plan.Device)) == 0 {
			continue
		}
		d, err := c.end(t.On)
		if err != nil {
			return conduct.Record{}, err
		}
		if fresh {
			c.adjusting([]plan.End{t})
		}
		if err := d.Adjust(ctx, t.Settings); err != nil {
			rec, ferr := c.actFault(ctx, err)
			if ferr != nil || rec.Kind != conduct.Acted {
				return rec, ferr
			}
			lost = err
		}
	}
	if lost != nil {
		return c.actFault(ctx, lost)
	}
	return conduct.Record{Kind: conduct.Acted, Text: "asked: " + step.Title}, nil
}

// adjusting tells the guards that settings of the device are about to change, if
// any of the targets is of it.
func (c *Conductor) adjusting(targets []plan.End) {
	if slices.ContainsFunc(targets, func(t plan.End) bool { return t.On == "" }) {
		c.session.mu.Lock()
		c.session.watch.Adjusting()
		c.session.mu.Unlock()
	}
}

// awaitSettings waits until a fresh reading shows the targets, and then for the
// time that they need to count, under guards.
func (c *Conductor) awaitSettings(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	targets := st.Targets(step)
	if !c.session.acted[step.ID+fmt.Sprint(st.Attempt)] {
		c.adjusting(targets)
	}
	since := c.Clock.Now()
	var held time.Time // since when they were seen to hold
	for {
		found, err := c.settings(ctx, step.Ends)
		if err != nil {
			return c.readFault(ctx, err)
		}
		at := c.Clock.Now()
		unset := conduct.Unset(targets, found, st.Plan.Device)
		if rec, yes := foreign(st, step, found); yes {
			return rec, nil
		}
		switch {
		case len(unset) > 0:
			held = time.Time{}
		case held.IsZero():
			held = at
			if err := c.ownChange(ctx); err != nil {
				return c.readFault(ctx, err)
			}
		}
		if f := c.broken(step); f != nil {
			return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, nil
		}
		if len(unset) == 0 && at.Sub(held) >= step.Settle {
			return done(settled(step, targets, st.Plan.Device), map[string]any{"took_ns": at.Sub(since), "hold": targets}), nil
		}
		if at.Sub(since) > step.Deadline {
			// A request that never arrived may be made once more: it is asked only
			// where a reading shows that it was not done.
			rec := failed(conduct.ByDeadline, "deadline", fmt.Sprintf("not done within %v: %s", step.Deadline, join(unset)))
			rec.Failure.Retry = true
			return rec, nil
		}
		wait := c.Policy.Conduct.PollEvery
		text := "waiting: " + join(unset)
		if len(unset) == 0 {
			left := step.Settle - at.Sub(held)
			wait = min(wait, left)
			text = fmt.Sprintf("the settings hold; waiting %v more until the neighbours go by them", left.Round(time.Second))
		}
		c.show(st, nil, text)
		if err := c.Clock.Sleep(ctx, wait); err != nil {
			return conduct.Record{}, err
		}
	}
}

// unprepared reads, before what cannot be taken back is asked for, whether the
// settings that were made for it still hold: a session may have died between the
// two, and a device may have restarted or somebody set them back meanwhile. lost
// says that the record is the end of the step.
func (c *Conductor) unprepared(ctx context.Context, st *conduct.State, step plan.Step) (rec conduct.Record, lost bool, err error) {
	if !step.PointOfNoReturn || st.Back {
		return rec, false, nil
	}
	want := st.HeldWanted()
	found, err := c.settings(ctx, want)
	if err != nil {
		rec, err = c.readFault(ctx, err)
		return rec, true, err
	}
	if unset := conduct.Unset(want, found, st.Plan.Device); len(unset) > 0 {
		return failed(conduct.ByPrecondition, "not prepared any more", "what was prepared for this does not hold any more: "+join(unset)), true, nil
	}
	return rec, false, nil
}

func settled(step plan.Step, targets []plan.End, own fleet.DeviceID) string {
	var texts []string
	for _, t := range targets {
		on := t.On
		if on == "" {
			on = own
		}
		for _, s := range t.Settings {
			texts = append(texts, string(on)+": "+s.Text())
		}
	}
	if step.Kind == plan.Restore {
		return "put back as found: " + join(texts)
	}
	return "set: " + join(texts)
}

// ownChange tells the guards what the device says of its configuration after a
// change of our own, so that the next change is known to be somebody else's.
func (c *Conductor) ownChange(ctx context.Context) error {
	cp, err := c.read(ctx, device.ScopeComponents)
	if err != nil {
		return err
	}
	told := conduct.ToldBy(cp)
	c.session.mu.Lock()
	defer c.session.mu.Unlock()
	c.session.watch.Adjusted(told.Digest, told.Changed)
	return nil
}

// confirmTimers waits until the device shows the timers that neighbours were
// set to by hand. What it does not tell is said and not held against it.
func (c *Conductor) confirmTimers(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	since := c.Clock.Now()
	for {
		cp, err := c.read(ctx, device.ScopeLive)
		if err != nil {
			return c.readFault(ctx, err)
		}
		var unmet, untold []string
		for _, cond := range step.After {
			a := conduct.Holds(cond, cp, nil)
			switch {
			case a.Holds:
			case !a.Known:
				untold = append(untold, fmt.Sprintf("%s (%s)", cond.Text(), a.Text))
			default:
				unmet = append(unmet, fmt.Sprintf("%s (found: %s)", cond.Text(), a.Text))
			}
		}
		if len(unmet) == 0 {
			text := "seen on the device"
			if len(untold) > 0 {
				text = "not told by the device, and so by the person's word only: " + join(untold)
			}
			return done(text, nil), nil
		}
		if f := c.broken(step); f != nil {
			return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, nil
		}
		if c.Clock.Now().Sub(since) > step.Deadline {
			return failed(conduct.ByVerdict, "neighbour not prepared", "not so: "+join(unmet)), nil
		}
		c.show(st, nil, "waiting: "+join(unmet))
		if err := c.pause(ctx); err != nil {
			return conduct.Record{}, err
		}
	}
}

// touchesSettings reports whether the plan changes settings of the device.
func touchesSettings(p *plan.Plan) bool {
	return slices.ContainsFunc(p.Steps, func(s plan.Step) bool { return s.Kind == plan.Prepare })
}
