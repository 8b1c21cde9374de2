package app

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/plan"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// act asks the device for the change, unless a session that was interrupted
// may already have asked: then the device is watched first.
func (c *Conductor) act(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	was, ok := st.IntentObservation()
	if !ok {
		return conduct.Record{}, fmt.Errorf("app: the intent of step %s keeps no observation", step.ID)
	}
	if ofSettings(step.Kind) {
		return c.adjust(ctx, st, step)
	}
	if !c.session.acted[step.ID+fmt.Sprint(st.Attempt)] {
		rec, over, err := c.watchAfterCrash(ctx, st, step, was)
		if err != nil || over {
			return rec, err
		}
	}
	switch step.Kind {
	case plan.TransferPackage, plan.TransferFirmware:
		return c.transfer(ctx, st, step)
	case plan.RemoveFile:
		if err := c.Device.RemoveFile(ctx, step.Component, step.File); err != nil {
			return c.actFault(ctx, err)
		}
	case plan.PrepareBoot:
		if err := c.Device.Activate(ctx, device.ActivateRequest{Version: step.Release, Standby: step.Standby}); err != nil {
			return c.actFault(ctx, err)
		}
	case plan.LoadSecondary:
		if err := c.loadSecondary(ctx, st, step); err != nil {
			return c.actFault(ctx, err)
		}
	case plan.LoadFirmware, plan.LoadLineCard, plan.ReloadDevice:
		if err := c.restart(ctx, step); err != nil {
			return c.actFault(ctx, err)
		}
	case plan.SwitchOver:
		return c.handOver(ctx, st, step)
	case plan.Prepare, plan.Restore: // done above
	case plan.CaptureBefore, plan.CheckReadiness, plan.StartProbe, plan.VerifyStaged, plan.Hold, plan.ConfirmTimers, plan.ConfirmReleases,
		plan.CompareStates, plan.JudgeProbe, plan.AcceptHop:
		return conduct.Record{}, fmt.Errorf("app: step %s changes nothing and has no act", step.ID)
	}
	return conduct.Record{Kind: conduct.Acted, Text: "asked: " + step.Title}, nil
}

// actFault turns the failure of an act into a record. An answer that was lost
// is not a failure: whether it was done, the device will show.
func (c *Conductor) actFault(ctx context.Context, err error) (conduct.Record, error) {
	if ctx.Err() != nil {
		return conduct.Record{}, ctx.Err()
	}
	if k := device.KindOf(err); k == device.Unreachable || k == device.OutcomeUnknown {
		return conduct.Record{Kind: conduct.Acted, Text: "asked, and the answer was lost: " + err.Error()}, nil
	}
	return fault(err), nil
}

// watchAfterCrash watches the device for the policy's time, to see whether the
// act of an interrupted session was begun. Where it was not, the act is for this
// session to ask, which needs what the intent needed then: the conditions of the
// step by a fresh reading, and its guards whole. over says that the record is
// the end of this move and nothing is to be asked.
func (c *Conductor) watchAfterCrash(ctx context.Context, st *conduct.State, step plan.Step, was conduct.Observation) (rec conduct.Record, over bool, err error) {
	since := c.Clock.Now()
	watch := c.Policy.Conduct.ObserveAfterCrash
	if asksByItself(step.Kind) {
		watch = 0 // the request itself tells whether it is still needed
	}
	for {
		cp, err := c.Device.Capture(ctx, device.ScopeComponents)
		now := c.Clock.Now()
		switch {
		case ctx.Err() != nil:
			return rec, true, ctx.Err()
		case err == nil && conduct.Begun(step, cp, was):
			return conduct.Record{Kind: conduct.Acted, Text: "taken up again: the device shows that this was begun"}, true, nil
		case err == nil && now.Sub(since) >= watch:
			f, err := c.heard(ctx, st, step)
			if err != nil {
				return rec, true, err
			}
			if f != nil {
				return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, true, nil
			}
			texts, all := conduct.Unmet(step.Before, cp, nil)
			if all {
				return c.unprepared(ctx, st, step)
			}
			if !mayCome(step.Before, cp) || now.Sub(since) > watch+step.Deadline {
				return failed(conduct.ByPrecondition, "", "taken up again, and not as the step needs it any more: "+join(texts)), true, nil
			}
		case err != nil && now.Sub(since) > c.Policy.Conduct.ReachableWithin && asksByItself(step.Kind):
			rec, err := c.readFault(ctx, err)
			return rec, true, err
		case err != nil && now.Sub(since) > c.Policy.Conduct.ReachableWithin:
			// It cannot be seen; the waiting that follows says so.
			return conduct.Record{Kind: conduct.Acted, Text: "taken up again: the device does not answer, so nothing was asked of it"}, true, nil
		}
		c.show(st, nil, fmt.Sprintf("interrupted here before: watching the device for %v before anything is done", watch))
		if err := c.pause(ctx); err != nil {
			return rec, true, err
		}
	}
}

func (c *Conductor) loadSecondary(ctx context.Context, st *conduct.State, step plan.Step) error {
	if st.Plan.PerController {
		return c.Device.Activate(ctx, device.ActivateRequest{Version: step.Release, Standby: true, Reboot: true})
	}
	return c.restart(ctx, step)
}

// restart asks for a restart and does not wait for its end: a device may
// answer only when the component is back, and until then no guard would be
// watched. An answer that does not come soon is awaited like any lost one.
func (c *Conductor) restart(ctx context.Context, step plan.Step) error {
	rctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		// Both by the run's clock and by ours: a lab's may run so fast that the
		// request would not even have arrived.
		if c.Clock.Sleep(rctx, answerWithin) == nil && (WallClock{}).Sleep(rctx, arriveWithin) == nil {
			cancel()
		}
	}()
	return c.Device.Restart(rctx, step.Component, "towpath run "+c.Run.ID+": "+step.Title)
}

// answerWithin is how long the answer to a request for a restart is waited for.
const (
	answerWithin = 20 * time.Second
	arriveWithin = 2 * time.Second
)

// transfer sends an image and watches that it moves: no progress for the
// policy's time is a stall, which may be tried again.
func (c *Conductor) transfer(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	if step.Kind == plan.TransferFirmware {
		// The protocol's request for a component's image does not say whether it
		// is needed, so the device's files are looked at first.
		if there, err := c.holds(ctx, step.Image); err != nil {
			return c.readFault(ctx, err)
		} else if there {
			return done("already on the device, read back and hashed alike: nothing sent", nil), nil
		}
	}
	tctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var mu sync.Mutex
	last, moved := device.Progress{}, c.Clock.Now()
	errStall := fmt.Errorf("no progress for %v", c.Policy.Conduct.TransferStall)
	go func() {
		for tctx.Err() == nil {
			_ = c.Clock.Sleep(tctx, min(c.Policy.Conduct.TransferStall/10, 5*time.Second))
			mu.Lock()
			still := c.Clock.Now().Sub(moved)
			mu.Unlock()
			if f := c.broken(step); f != nil {
				cancel(&guardError{f})
			} else if still > c.Policy.Conduct.TransferStall {
				cancel(errStall)
			}
		}
	}()
	progress := func(p device.Progress) {
		mu.Lock()
		if p != last {
			last, moved = p, c.Clock.Now()
		}
		mu.Unlock()
		c.show(st, nil, progressText(p, c.Clock.Now().Sub(c.session.stepAt)))
	}
	content := func(offset int64) (io.ReadCloser, error) { return c.Images.Open(step.Image, offset) }
	send := func() (got device.Installed, err error) {
		if step.Kind == plan.TransferPackage {
			return c.Device.Install(tctx, device.InstallRequest{Version: step.Release, Standby: step.Standby,
				Size: int64(step.Image.Size), SHA256: step.Image.SHA256, Content: content}, progress)
		}
		return got, c.Device.PutComponentImage(tctx, device.ComponentImageRequest{Component: step.Component, File: step.File, Version: step.Release,
			Size: int64(step.Image.Size), SHA256: step.Image.SHA256, Content: content}, progress)
	}
	got, err := send()
	for device.KindOf(err) == device.Busy && err != nil && c.Clock.Now().Sub(c.session.stepAt) < c.Policy.Conduct.ReachableWithin {
		// Another installation runs: it is waited for, not fought.
		c.show(st, nil, "the device is busy with another installation: waiting for it to end")
		mu.Lock()
		moved = c.Clock.Now()
		mu.Unlock()
		if err := c.pause(ctx); err != nil {
			return conduct.Record{}, err
		}
		got, err = send()
	}
	if err == nil {
		text := fmt.Sprintf("sent %v and validated", step.Image.Size)
		if got.AlreadyThere {
			text = "already on the device and valid: nothing sent"
		}
		return done(text, map[string]any{"installed": got.Version, "sent": got.Sent, "sha256": got.SHA256}), nil
	}
	if ctx.Err() != nil {
		return conduct.Record{}, ctx.Err()
	}
	var broke *guardError
	switch cause := context.Cause(tctx); {
	case errors.As(cause, &broke):
		return conduct.Record{Kind: conduct.GuardBroke, Failure: broke.f, Text: broke.f.Text}, nil
	case errors.Is(cause, errStall) && device.KindOf(err) == device.OutcomeUnknown:
		// What the device answered in spite of it counts more than our impatience.
		r := failed(conduct.ByDeadline, "stall", "the transfer stalled: "+errStall.Error())
		r.Failure.Retry = true
		return r, nil
	}
	return fault(err), nil
}

// holds reports whether the device lists a file with the image's name that reads
// back with the image's hash.
func (c *Conductor) holds(ctx context.Context, im plan.ImageRef) (bool, error) {
	if im.SHA256 == "" {
		return false, nil
	}
	cp, err := c.read(ctx, device.ScopeComponents)
	if err != nil {
		return false, err
	}
	for _, v := range cp.Volumes {
		for _, f := range v.Files {
			if path.Base(f.Path) != path.Base(im.File) || f.Size != im.Size {
				continue
			}
			sum, err := c.Device.HashFile(ctx, v.Controller, f.Path)
			if err != nil {
				return false, err
			}
			if strings.EqualFold(sum, im.SHA256) {
				return true, nil
			}
		}
	}
	return false, nil
}

// guardError carries a broken guard out of a context.
type guardError struct{ f *conduct.Failure }

func (g *guardError) Error() string { return g.f.Text }

func progressText(p device.Progress, elapsed time.Duration) string {
	if p.Syncing {
		return fmt.Sprintf("the device copies between its controller cards: %d %%", p.SyncPercent)
	}
	if p.Total == 0 || elapsed <= 0 {
		return "waiting for the device"
	}
	rate := float64(p.Sent) / elapsed.Seconds()
	left := time.Duration(0)
	if rate > 0 {
		left = time.Duration(float64(p.Total-p.Sent) / rate * float64(time.Second)).Round(time.Second)
	}
	return fmt.Sprintf("%d of %d MiB, %.1f MiB/s, %v left", p.Sent>>20, p.Total>>20, rate/(1<<20), left)
}

// pulse is how the silence of the control plane is measured: the device is
// asked for a sign of life every interval. The silence begins between the last
// answer and the first time that none came, and ends between the last time that
// none came and the next answer, so it is known to within the sum of the two.
type pulse struct {
	mu              sync.Mutex
	answered        time.Time // last answer
	missed          time.Time // when the question that got no answer was asked, the first and the last in a row
	lastMissed      time.Time
	longest, doubt  time.Duration
	from            time.Time
	answers, misses int
}

func (p *pulse) beat(ctx context.Context, c *Conductor) {
	patience := 250 * time.Millisecond
	for ctx.Err() == nil {
		asked := c.Clock.Now()
		bctx, cancel := context.WithTimeout(ctx, patience)
		_, err := c.Device.Verify(bctx)
		cancel()
		if err != nil && p.count() == 0 && patience < 8*time.Second {
			patience *= 2 // nothing was asked of it yet: its console may be slower than that
		}
		if ctx.Err() == nil {
			p.note(asked, c.Clock.Now(), err == nil)
		}
		_ = WallClock{}.Sleep(ctx, c.pulseEvery())
	}
}

// note takes the outcome of one question.
func (p *pulse) note(asked, now time.Time, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !ok {
		if p.misses++; p.missed.IsZero() {
			p.missed = asked
		}
		p.lastMissed = asked
		return
	}
	if gap := now.Sub(p.answered); p.answers > 0 && gap > p.longest {
		p.longest, p.from, p.doubt = gap, p.answered, gap
		if !p.missed.IsZero() {
			p.doubt = p.missed.Sub(p.answered) + now.Sub(p.lastMissed)
		}
	}
	p.answered, p.missed, p.lastMissed = now, time.Time{}, time.Time{}
	p.answers++
}

// Silence is the measured silence of the control plane in a hand-over.
type Silence struct {
	Hop        int           `json:"hop"`
	Measured   time.Duration `json:"measured_ns"`
	Resolution time.Duration `json:"resolution_ns"`
	Answers    int           `json:"answers"`
	From       time.Time     `json:"from"`
}

// handOver asks for the switchover while the pulse runs, and waits until the
// new primary has answered steadily.
func (c *Conductor) handOver(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	defer c.realTime()()
	pctx, cancel := context.WithCancel(ctx)
	defer cancel()
	p := &pulse{}
	var wg sync.WaitGroup
	wg.Add(1)
	go func() { defer wg.Done(); p.beat(pctx, c) }()
	for p.count() < 3 && ctx.Err() == nil && c.Clock.Now().Sub(c.session.stepAt) < c.Policy.Conduct.ReachableWithin {
		_ = WallClock{}.Sleep(ctx, c.pulseEvery()/2)
	}
	c.Prober.Mark("hand-over asked")
	_, err := c.Device.SwitchOver(ctx, step.Component)
	if err != nil {
		rec, ferr := c.actFault(ctx, err)
		if ferr != nil || rec.Kind != conduct.Acted {
			cancel()
			wg.Wait()
			return rec, ferr
		}
	}
	// The silence is over when the device has answered a few times in a row
	// after it. One that stays away for much longer than foretold is left to the
	// waiting that follows, which has the policy's patience.
	before := p.count()
	limit := 3*c.Input.Plan.Hops[step.Hop].Most + 5*time.Second
	for ctx.Err() == nil && c.Clock.Now().Sub(c.session.stepAt) < limit {
		// A device may agree first and fall silent later: only a card that says
		// that it is primary has it behind it.
		if p.count() >= before+5 {
			if c.isPrimary(ctx, step.Component) {
				break
			}
			before = p.count()
		}
		c.show(st, nil, "hand-over asked; waiting for the new primary to answer")
		_ = WallClock{}.Sleep(ctx, c.pulseEvery())
	}
	cancel()
	wg.Wait()
	if p.missed.IsZero() {
		c.Prober.Mark("new primary answers")
	}
	rec := conduct.Record{Kind: conduct.Acted, Text: fmt.Sprintf("handed over; the control plane was silent for %v", p.longest.Round(time.Millisecond))}
	if err != nil {
		rec.Text = "hand-over asked, and the answer was lost; silent for " + p.longest.Round(time.Millisecond).String()
	}
	if !p.missed.IsZero() {
		// It is silent still, so how long it was is not known.
		rec.Text = "hand-over asked; the control plane has not answered for " + c.Clock.Now().Sub(p.answered).Round(time.Millisecond).String()
		return rec, nil
	}
	if rec.Data, err = json.Marshal(Silence{Hop: step.Hop, Measured: p.longest, Resolution: p.doubt, Answers: p.answers, From: p.from}); err != nil {
		return conduct.Record{}, fmt.Errorf("app: silence: %w", err)
	}
	return rec, nil
}

// isPrimary says whether the device, asked now, shows the card as primary.
func (c *Conductor) isPrimary(ctx context.Context, card string) bool {
	cp, err := c.Device.Capture(ctx, device.ScopeComponents)
	if err != nil {
		return false
	}
	p, ok := cp.ControllerWithRole(state.Primary)
	return ok && p.Name == card
}

func (p *pulse) count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.answers
}

// await waits until a fresh reading shows the effect, under guards and until
// the deadline.
func (c *Conductor) await(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	if ofSettings(step.Kind) {
		return c.awaitSettings(ctx, st, step)
	}
	was, _ := st.IntentObservation()
	since := c.Clock.Now()
	began := since
	if st.Intent != nil { // some devices answer only once they have done it
		began = st.Intent.At
	}
	reached := since
	var unmet []string
	for {
		now, err := c.Device.Capture(ctx, device.ScopeComponents)
		at := c.Clock.Now()
		switch {
		case ctx.Err() != nil:
			return conduct.Record{}, ctx.Err()
		case err != nil:
			unmet = []string{"the device cannot be read: " + err.Error()}
			if k := device.KindOf(err); k != device.Unreachable && k != device.OutcomeUnknown {
				return fault(err), nil
			}
			allowed := c.Policy.Conduct.ReachableWithin
			if step.Kind == plan.ReloadDevice {
				allowed = step.Deadline
			}
			if at.Sub(reached) > allowed {
				return failed(conduct.ByReach, "unreachable", fmt.Sprintf("the device has not answered for %v", at.Sub(reached).Round(time.Second))), nil
			}
		default:
			reached = at
			var all bool
			if unmet, all = conduct.Unmet(step.After, now, &was); all {
				d := at.Sub(began)
				return done(fmt.Sprintf("so it is, after %v", d.Round(time.Second)), took(step, now, d)), nil
			}
			if text, fell := conduct.FellBack(step, now, was); fell {
				return failed(conduct.ByDevice, "activation fell back", text+c.fallbackReason(ctx)), nil
			}
		}
		if f := c.broken(step); f != nil {
			return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, nil
		}
		if at.Sub(since) > step.Deadline {
			return failed(conduct.ByDeadline, "deadline", fmt.Sprintf("not done within %v: %s", step.Deadline, join(unmet))), nil
		}
		c.show(st, nil, "waiting: "+join(unmet))
		if err := c.pause(ctx); err != nil {
			return conduct.Record{}, err
		}
	}
}

// took is what a done step keeps: how long it was waited for and, of a restart
// of the whole device, which card is primary since.
func took(step plan.Step, now *state.Capture, d time.Duration) conduct.Took {
	out := conduct.Took{Took: d}
	if step.Kind == plan.ReloadDevice {
		if p, ok := now.ControllerWithRole(state.Primary); ok {
			out.Primary = p.Name
		}
	}
	return out
}

// fallbackReason asks the device why an activation fell back.
func (c *Conductor) fallbackReason(ctx context.Context) string {
	v, err := c.Device.Verify(ctx)
	if err != nil {
		return ""
	}
	for _, t := range []string{v.Standby.ActivationFail, v.ActivationFail} {
		if t != "" {
			return ": " + t
		}
	}
	return ""
}

// check performs a step that changes nothing on the device.
func (c *Conductor) check(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	switch step.Kind {
	case plan.CaptureBefore:
		defer c.realTime()()
		cp, err := c.read(ctx, device.ScopeFull)
		if err != nil {
			return c.readFault(ctx, err)
		}
		return c.keepCapture(ctx, "capture/before", cp)
	case plan.CheckReadiness:
		before, err := c.beforeCapture(ctx)
		if err != nil {
			return conduct.Record{}, err
		}
		// What must be steady is told by two captures some time apart.
		if left := c.Policy.Readiness.SteadyFor - c.Clock.Now().Sub(before.TakenAt); left > 0 {
			c.show(st, nil, fmt.Sprintf("waiting %v to see whether routes and addresses are steady", left.Round(time.Second)))
			if err := c.Clock.Sleep(ctx, left); err != nil {
				return conduct.Record{}, err
			}
		}
		defer c.realTime()()
		cp, err := c.read(ctx, device.ScopeFull)
		if err != nil {
			return c.readFault(ctx, err)
		}
		report, blockers, err := c.Checks.Ready(ctx, before, cp)
		if err != nil {
			return conduct.Record{}, err
		}
		if err := c.Store.SetArtefact(ctx, c.Run.ID, "findings", report); err != nil {
			return conduct.Record{}, err
		}
		if len(blockers) > 0 {
			return failed(conduct.ByVerdict, blockers[0], "not ready: "+strings.Join(blockers, ", ")), nil
		}
		return done("ready", nil), nil
	case plan.StartProbe:
		return c.baseline(ctx, st, step)
	case plan.VerifyStaged:
		return c.verifyStaged(ctx, step)
	case plan.ConfirmReleases:
		return c.await(ctx, st, step)
	case plan.ConfirmTimers:
		return c.confirmTimers(ctx, st, step)
	case plan.CompareStates:
		return c.compare(ctx, st, step)
	case plan.JudgeProbe:
		return c.judge(ctx, st, step)
	case plan.AcceptHop:
		return done("accepted "+step.Release, nil), nil
	case plan.RemoveFile, plan.TransferPackage, plan.TransferFirmware, plan.PrepareBoot, plan.LoadSecondary, plan.Hold,
		plan.LoadFirmware, plan.Prepare, plan.SwitchOver, plan.LoadLineCard, plan.ReloadDevice, plan.Restore:
	}
	return conduct.Record{}, fmt.Errorf("app: step %s is no check", step.ID)
}

func (c *Conductor) readFault(ctx context.Context, err error) (conduct.Record, error) {
	if ctx.Err() != nil {
		return conduct.Record{}, ctx.Err()
	}
	return fault(err), nil
}

func (c *Conductor) keepCapture(ctx context.Context, name string, cp *state.Capture) (conduct.Record, error) {
	var b bytes.Buffer
	if err := state.Encode(&b, cp); err != nil {
		return conduct.Record{}, fmt.Errorf("app: encode the capture: %w", err)
	}
	if err := c.Store.SetArtefact(ctx, c.Run.ID, name, b.Bytes()); err != nil {
		return conduct.Record{}, err
	}
	return done(fmt.Sprintf("read %s, %s, %s; %s could not be read", unit.Counted(len(cp.Components), "component"),
		unit.Counted(len(cp.Adjacencies), "adjacency"), unit.Counted(len(cp.RouteTables), "route table"), unit.Counted(len(cp.Unread), "fact")), nil), nil
}

// ensureProbing starts the probe again in a session that takes a run up after
// its baseline.
func (c *Conductor) ensureProbing(ctx context.Context, st *conduct.State) error {
	if c.session.probing {
		return nil
	}
	i := slices.IndexFunc(st.Plan.Steps, func(s plan.Step) bool { return s.Kind == plan.StartProbe })
	if i < 0 || (!st.Back && st.Cursor <= i) {
		return nil
	}
	if err := c.Prober.Start(context.WithoutCancel(ctx)); err != nil {
		return err
	}
	c.session.probing = true
	c.Prober.Mark(conduct.TakenUp)
	return nil
}

// baseline starts the test traffic and requires it clean.
func (c *Conductor) baseline(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	if !c.session.probing {
		if err := c.Prober.Start(context.WithoutCancel(ctx)); err != nil {
			return failed(conduct.ByUs, "probe", "test traffic cannot be sent: "+err.Error()), nil
		}
		c.session.probing = true
		c.Prober.Mark(step.Title)
	}
	return c.clean(ctx, st, step, c.Policy.Probe.Baseline)
}

// realTime holds the run's clock at the rate of real time.
func (c *Conductor) realTime() (release func()) { return holdRealTime(c.Clock) }

// holdRealTime holds a lab's clock at the rate of real time until the returned
// function is called; the wall clock needs no holding. It is held while the
// time that work takes is the machine's own: reading, judging, measuring.
func holdRealTime(clock conduct.Clock) (release func()) {
	if lab, ok := clock.(interface{ RealTime() (release func()) }); ok {
		return lab.RealTime()
	}
	return func() {}
}

// clean waits until no packet has been lost for the given time. Test traffic
// runs in real time, so the time is real where the run's clock is the lab's.
func (c *Conductor) clean(ctx context.Context, st *conduct.State, step plan.Step, d time.Duration) (conduct.Record, error) {
	defer c.realTime()()
	since := c.Clock.Now()
	for {
		live := c.Prober.Live()
		if live.Sent > 0 && live.Clean >= d {
			return done(fmt.Sprintf("clean for %v: %d sent, %d lost so far", d, live.Sent, live.Lost), nil), nil
		}
		if f := c.broken(step); f != nil {
			return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, nil
		}
		if c.Clock.Now().Sub(since) > step.Deadline {
			return failed(conduct.ByVerdict, "probe", fmt.Sprintf("test traffic was not clean for %v within %v: %d of %d lost, worst %v in %s",
				d, step.Deadline, live.Lost, live.Sent, live.Worst, live.WorstFlow)), nil
		}
		c.show(st, nil, fmt.Sprintf("test traffic clean for %v of %v", live.Clean.Round(100*time.Millisecond), d))
		if err := (WallClock{}).Sleep(ctx, 50*time.Millisecond); err != nil {
			return conduct.Record{}, err
		}
	}
}

// verifyStaged has the device hash what it holds, where it lists its files,
// and confirms that the release that runs is still the one that the hop
// begins with.
func (c *Conductor) verifyStaged(ctx context.Context, step plan.Step) (conduct.Record, error) {
	defer c.realTime()()
	cp, err := c.read(ctx, device.ScopeComponents)
	if err != nil {
		return c.readFault(ctx, err)
	}
	hp := c.Input.Plan.Hops[step.Hop]
	if v, ok := cp.Release.Get(); ok && v != hp.From {
		return failed(conduct.ByDevice, "wrong release", fmt.Sprintf("the device runs %s, and this hop begins at %s", v, hp.From)), nil
	}
	checked := 0
	for _, vol := range cp.Volumes {
		for _, f := range vol.Files {
			for _, im := range hp.Images {
				if path.Base(f.Path) != path.Base(im.File) || im.SHA256 == "" {
					continue
				}
				sum, err := c.Device.HashFile(ctx, vol.Controller, f.Path)
				if err != nil {
					return c.readFault(ctx, err)
				}
				if !strings.EqualFold(sum, im.SHA256) {
					return failed(conduct.ByDevice, "damaged", fmt.Sprintf("%s on %s has SHA-256 %s, the catalogue says %s", f.Path, vol.Controller, sum, im.SHA256)), nil
				}
				checked++
			}
		}
	}
	return done(fmt.Sprintf("the device holds %s; %s on it read back and hashed alike", step.Release, unit.Counted(checked, "file")), map[string]int{"hashed": checked}), nil
}

func (c *Conductor) beforeCapture(ctx context.Context) (*state.Capture, error) {
	if c.session.before != nil {
		return c.session.before, nil
	}
	b, ok, err := c.Store.Artefact(ctx, c.Run.ID, "capture/before")
	if err != nil {
		return nil, err
	}
	if !ok {
		return nil, errors.New("app: the run keeps no capture from before")
	}
	cp, err := state.Decode(bytes.NewReader(b))
	if err != nil {
		return nil, fmt.Errorf("app: the capture from before: %w", err)
	}
	c.session.before = cp
	return cp, nil
}

// compare compares the state with the one before the run until nothing forbids
// acceptance, or the grace for adjacencies has passed.
func (c *Conductor) compare(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	before, err := c.beforeCapture(ctx)
	if err != nil {
		return conduct.Record{}, err
	}
	since := c.Clock.Now()
	for {
		cp, err := c.read(ctx, device.ScopeFull)
		if err != nil {
			return c.readFault(ctx, err)
		}
		report, stops := c.Checks.Compare(before, cp, c.Input.Plan.From, step.Release)
		if st.Back && st.Failure != nil {
			stops = slices.DeleteFunc(stops, func(s string) bool { return explained(st.Failure.Name, s) })
		}
		late := c.Clock.Now().Sub(since) > c.Policy.Conduct.AdjacencyGrace
		if len(stops) == 0 || late {
			name := fmt.Sprintf("hop-%d", step.Hop+1)
			if st.Back {
				name = "back"
			}
			if _, err := c.keepCapture(ctx, "capture/after-"+name, cp); err != nil {
				return conduct.Record{}, err
			}
			if err := c.Store.SetArtefact(ctx, c.Run.ID, "comparison/"+name, report); err != nil {
				return conduct.Record{}, err
			}
		}
		if len(stops) == 0 {
			return done("nothing that forbids acceptance", nil), nil
		}
		if f := c.broken(step); f != nil {
			return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, nil
		}
		if late {
			if rec, moved, err := c.rolesMoved(ctx, st, step); err != nil || moved {
				return rec, err
			}
			return failed(conduct.ByVerdict, "comparison", fmt.Sprintf("%s acceptance: %s", unit.CountedWith(len(stops), "difference", "forbids", "forbid"), join(head(stops, 3)))), nil
		}
		c.show(st, nil, fmt.Sprintf("%s left that would forbid acceptance: %s", unit.CountedWith(len(stops), "difference", "is", "are"), join(head(stops, 2))))
		if err := c.pause(ctx); err != nil {
			return conduct.Record{}, err
		}
	}
}

// explained reports whether a difference that is left after the way back is
// the very thing that made the run turn back, and none of its doing: it is
// shown in the evidence and does not keep the run from ending.
func explained(guard, difference string) bool {
	for _, prefix := range map[plan.Guard][]string{
		plan.GuardConfiguration: {"configuration "},
		plan.GuardTopology:      {"spanning tree "},
		plan.GuardPower:         {"power ", "alarm "},
	}[plan.Guard(guard)] {
		if strings.HasPrefix(difference, prefix) {
			return true
		}
	}
	return false
}

func head(s []string, n int) []string { return s[:min(n, len(s))] }

// judge requires the test traffic clean again and its loss within the budget.
func (c *Conductor) judge(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	rec, err := c.clean(ctx, st, step, c.Policy.Probe.Settle)
	if err != nil || rec.Kind != conduct.StepDone {
		return rec, err
	}
	m := c.Prober.Snapshot()
	if err := c.keepMeasurement(ctx, m); err != nil {
		return conduct.Record{}, err
	}
	worst, err := c.worst(ctx)
	if err != nil {
		return conduct.Record{}, err
	}
	if worst.Longest() > max(c.Policy.Probe.Budget, st.LossGranted) && !st.Back {
		if rec, moved, err := c.rolesMoved(ctx, st, step); err != nil || moved {
			return rec, err
		}
		return failed(conduct.ByVerdict, overBudget, fmt.Sprintf("%s %s lost traffic for %v, the budget is %v", worst.Flow, worst.Direction,
			worst.Longest().Round(time.Millisecond), c.Policy.Probe.Budget)), nil
	}
	text := fmt.Sprintf("no loss in %s since this session began to send", unit.Counted(m.Sent, "packet"))
	if worst.Lost > 0 {
		text = fmt.Sprintf("%d of %d lost since this session began to send, at worst %v in %s %s; budget %v", m.Lost, m.Sent, worst.Longest().Round(time.Millisecond), worst.Flow, worst.Direction, c.Policy.Probe.Budget)
	}
	missed, err := c.unmeasured(ctx, st)
	if err != nil {
		return conduct.Record{}, err
	}
	if missed != "" && !st.Back {
		text += "; but not measured from begin to end, so that nothing is claimed of it: " + missed
	}
	return done(text, nil), nil
}

// unmeasured is the title of the step of this hop after which nothing can be
// taken back, where no session measured it whole: what was lost in it may be more
// than what was seen.
func (c *Conductor) unmeasured(ctx context.Context, st *conduct.State) (string, error) {
	kept, err := measurements(ctx, c.Store, c.Run.ID)
	if err != nil {
		return "", err
	}
	for _, x := range st.Steps[:st.Cursor] {
		if x.Hop != st.Hop || !x.PointOfNoReturn {
			continue
		}
		has := func(m conduct.Measurement, label string) bool {
			return slices.ContainsFunc(m.Marks, func(k conduct.Mark) bool { return k.Label == label })
		}
		if !slices.ContainsFunc(kept, func(m conduct.Measurement) bool { return has(m, x.Title) && has(m, x.Title+conduct.Over) }) {
			return x.Title, nil
		}
	}
	return "", nil
}

// rolesMoved reads the device and reports an unexpected switchover. A check
// that is about to fail asks it first: the stream that would tell breaks with
// the switchover, and the check may see its consequences earlier.
func (c *Conductor) rolesMoved(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, bool, error) {
	if st.Back {
		return conduct.Record{}, false, nil
	}
	cp, err := c.read(ctx, device.ScopeComponents)
	if err != nil {
		rec, err := c.readFault(ctx, err)
		return rec, true, err
	}
	want := primaryAt(st.Steps, step)
	p, ok := cp.ControllerWithRole(state.Primary)
	if !ok || want == "" || p.Name == want {
		return conduct.Record{}, false, nil
	}
	f := &conduct.Failure{Cause: conduct.ByGuard, Name: string(plan.GuardRoles), Text: fmt.Sprintf("unexpected switchover: %s is PRIMARY, and %s should be", p.Name, want)}
	return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, true, nil
}

// keepMeasurement keeps what this session has measured under the session's
// begin, so that several sessions of one run stand side by side.
func (c *Conductor) keepMeasurement(ctx context.Context, m conduct.Measurement) error {
	b, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("app: encode the measurement: %w", err)
	}
	return c.Store.SetArtefact(ctx, c.Run.ID, "probe/"+m.Begun.UTC().Format("20060102T150405.000000000"), b)
}

// overBudget names the failure of a run that lost too much.
const overBudget = "loss over budget"

// worst is the longest outage that was measured in the whole run: by this
// session, and by those before it as far as they were kept.
func (c *Conductor) worst(ctx context.Context) (conduct.Outage, error) {
	worst := conduct.Outage{}
	if c.session.probing {
		worst, _ = c.Prober.Snapshot().Worst()
		if l := c.Prober.Live(); l.Worst > worst.Longest() {
			worst = conduct.Outage{Flow: l.WorstFlow, ByLoss: l.Worst}
		}
	}
	kept, err := measurements(ctx, c.Store, c.Run.ID)
	for _, m := range kept {
		if o, any := m.Worst(); any && o.Longest() > worst.Longest() {
			worst = o
		}
	}
	return worst, err
}

// hold waits for a named person's consent, under guards.
func (c *Conductor) hold(ctx context.Context, j Journal, st *conduct.State, step plan.Step) (conduct.Record, error) {
	actx, cancel := context.WithCancel(ctx)
	defer cancel()
	type reply struct {
		c   Consent
		err error
	}
	answer := make(chan reply, 1)
	go func() {
		a, err := c.Asker.Consent(actx, st, step)
		answer <- reply{a, err}
	}()
	asked := false
	for {
		id, body, ok, err := j.Take(ctx, "consent")
		if err != nil {
			return conduct.Record{}, err
		}
		var got *Consent
		if ok {
			var a Consent
			if err := json.Unmarshal(body, &a); err != nil {
				return conduct.Record{}, fmt.Errorf("app: consent message %d: %w", id, err)
			}
			if a.After != st.Seq {
				// It answers another question than the one that is asked now.
				if err := j.Taken(ctx, id); err != nil {
					return conduct.Record{}, err
				}
				continue
			}
			got = &a
		} else {
			select {
			case r := <-answer:
				switch {
				case r.err == nil:
					got = &r.c
				case errors.Is(r.err, ErrNobody):
					return conduct.Record{}, fmt.Errorf("%w: %s", ErrHeld, step.Title)
				case ctx.Err() != nil:
					return conduct.Record{}, ctx.Err()
				default:
					return conduct.Record{}, r.err
				}
			default:
			}
		}
		if got != nil {
			if rec, valid := consented(step, *got, id); valid {
				return rec, nil
			}
			if ok {
				if err := j.Taken(ctx, id); err != nil {
					return conduct.Record{}, err
				}
				continue
			}
			return failed(conduct.ByPerson, got.Person, fmt.Sprintf("consent by %q does not count: this hold point asks for %s", got.Person, strings.Join(step.Hold.Persons, " or "))), nil
		}
		if f := c.broken(step); f != nil {
			return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, nil
		}
		if c.stop.Load() {
			c.stop.Store(false)
			return c.stopped("at: " + step.Title), nil
		}
		if !asked {
			c.show(st, nil, step.Hold.Ask)
			asked = true
		}
		if err := (WallClock{}).Sleep(ctx, c.pulseEvery()); err != nil {
			return conduct.Record{}, err
		}
	}
}

// consented makes the record of an answer; valid is false where the person may
// not give consent here.
func consented(step plan.Step, a Consent, message int64) (conduct.Record, bool) {
	if a.Person == "" || len(step.Hold.Persons) > 0 && !slices.Contains(step.Hold.Persons, a.Person) {
		return conduct.Record{}, false
	}
	if !a.Granted {
		r := failed(conduct.ByPerson, a.Person, a.Person+" did not consent: "+a.Note)
		r.Person = a.Person
		r.Data, _ = json.Marshal(map[string]int64{"message": message})
		return r, true
	}
	r := done(a.Person+" consents", map[string]int64{"message": message})
	r.Person = a.Person
	return r, true
}

// ask waits for a person's choice while the run is paused.
func (c *Conductor) ask(ctx context.Context, j Journal, st *conduct.State) (conduct.Record, error) {
	id, ch, ok, err := takeChoice(ctx, j, st)
	if err != nil {
		return conduct.Record{}, err
	}
	if !ok {
		text := "paused: " + st.Failure.Text
		if still := st.StillChanged(); len(still) > 0 {
			text += ". Settings that are still changed: " + join(still)
		}
		c.show(st, nil, text)
		if ch, err = c.Asker.Choose(ctx, st); errors.Is(err, ErrNobody) {
			return conduct.Record{}, fmt.Errorf("%w: %s", ErrPaused, st.Failure.Text)
		} else if err != nil {
			return conduct.Record{}, err
		}
	}
	if !slices.Contains(st.Choices, ch.Choice) {
		if ok {
			if err := j.Taken(ctx, id); err != nil {
				return conduct.Record{}, err
			}
		}
		return conduct.Record{}, fmt.Errorf("app: %q cannot be chosen now; the choices are %v", ch.Choice, st.Choices)
	}
	if ch.Choice == conduct.Waive {
		rec, err := waive(st, ch, id)
		if err != nil && ok {
			err = errors.Join(err, j.Taken(ctx, id))
		}
		return rec, err
	}
	chosen := conduct.ChosenData{Message: id}
	if n := st.Failure.Name; ch.Choice == conduct.Continue && (n == string(plan.GuardLoss) || n == overBudget) {
		// Whoever goes on in spite of this loss is not stopped by it once more.
		worst, err := c.worst(ctx)
		if err != nil {
			return conduct.Record{}, err
		}
		chosen.Loss = worst.Longest()
	}
	data, err := json.Marshal(chosen)
	if err != nil {
		return conduct.Record{}, fmt.Errorf("app: choice: %w", err)
	}
	return conduct.Record{Kind: conduct.Chosen, Choice: ch.Choice, Person: ch.Person, Text: ch.Person + " chose: " + string(ch.Choice), Data: data}, nil
}

// waive makes the record of a person's choice to waive the guard that broke, for
// the step where it did.
func waive(st *conduct.State, ch Choice, message int64) (conduct.Record, error) {
	step, _ := st.Step()
	w := conduct.Waiver{Guard: plan.Guard(st.Failure.Name), Step: step.ID, Objects: st.Failure.Objects, Found: st.Failure.Text, Reason: strings.TrimSpace(ch.Reason)}
	data, err := json.Marshal(conduct.ChosenData{Message: message, Waiver: &w})
	if err != nil {
		return conduct.Record{}, fmt.Errorf("app: choice: %w", err)
	}
	rec := conduct.Record{Kind: conduct.Chosen, Choice: conduct.Waive, Person: ch.Person, Data: data,
		Text: fmt.Sprintf("%s waived guard %s for this step (%s): %s", ch.Person, w.Guard, strings.Join(w.Objects, ", "), w.Reason)}
	// What the journal would not take is not written to it.
	trial := *st
	at := rec
	at.Seq = st.Seq + 1
	if err := trial.Apply(at); err != nil {
		return conduct.Record{}, fmt.Errorf("app: this cannot be waived: %w", err)
	}
	return rec, nil
}

// takeChoice returns the choice that was left for this pause. One that was left
// for an earlier pause is put aside: it answers another question.
func takeChoice(ctx context.Context, j Journal, st *conduct.State) (id int64, ch Choice, ok bool, err error) {
	for {
		id, body, ok, err := j.Take(ctx, "choice")
		if err != nil || !ok {
			return 0, Choice{}, false, err
		}
		var ch Choice
		if err := json.Unmarshal(body, &ch); err != nil {
			return 0, Choice{}, false, fmt.Errorf("app: choice message %d: %w", id, err)
		}
		if ch.After == st.Seq {
			return id, ch, true, nil
		}
		if err := j.Taken(ctx, id); err != nil {
			return 0, Choice{}, false, err
		}
	}
}

// planBack reads the device and plans the way back from what it shows.
func (c *Conductor) planBack(ctx context.Context, st *conduct.State) (conduct.Record, error) {
	none := func(text string) (conduct.Record, error) {
		r := failed(conduct.ByPrecondition, "no way back", text)
		r.Kind = conduct.NoWayBack
		return r, nil
	}
	cp, err := c.settled(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return conduct.Record{}, ctx.Err()
		}
		return none("the device cannot be read, so no way back can be planned: " + err.Error())
	}
	layout, err := plan.LayoutOf(cp)
	if err != nil {
		return none(err.Error())
	}
	steps, err := plan.WayBack(st.Plan, st.Hop, layout, c.Policy, st.Prepared)
	if err != nil {
		return none(err.Error())
	}
	if st.Plan.Path.Hops[st.Hop].Method == release.InService {
		c.Prober.Mark("way back begins")
	}
	return conduct.Record{Kind: conduct.BackPlanned, Steps: steps, Text: fmt.Sprintf("way back to %s in %s, because: %s", st.Plan.Hops[st.Hop].From, unit.Counted(len(steps), "step"), st.Failure.Text)}, nil
}

// settled reads the device once no controller card is on its way any more, or
// after the policy's time for a secondary to become ready.
func (c *Conductor) settled(ctx context.Context) (*state.Capture, error) {
	since := c.Clock.Now()
	for {
		cp, err := c.read(ctx, device.ScopeComponents)
		if err != nil {
			return nil, err
		}
		moving := false
		for _, k := range cp.Controllers() {
			if v, ok := k.Oper.Get(); ok && v != state.OperActive {
				moving = true
			}
		}
		if !moving || c.Clock.Now().Sub(since) > c.Policy.Conduct.SecondaryReadyWithin {
			return cp, nil
		}
		if err := c.pause(ctx); err != nil {
			return nil, err
		}
	}
}
