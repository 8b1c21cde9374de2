package app

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/state"
)

// Conductor performs the moves of one run. Its fields are set before
// [Conductor.Run] and not changed while it goes on.
type Conductor struct {
	Run      RunRow
	Input    RunInput
	Policy   policy.Policy
	Clock    conduct.Clock
	Device   device.Device
	Partners map[string]device.Device
	// Others are the devices of the fleet on which settings are changed, beside
	// Device, by name.
	Others map[string]device.Device
	Prober conduct.Prober
	Images Images
	Store  Store
	Asker  Asker
	// Checks judges what was read; it is how readiness and comparison reach the
	// runner.
	Checks Checks
	// Pulse is how often the device is asked for a sign of life while its
	// control plane is silent; 0 means 20 ms. It is the resolution of the
	// measured silence.
	Pulse time.Duration
	// Show, when not nil, is called after every record and while steps go on.
	Show func(Progress)
	// Who conducts this session: it is who stops the run by [Conductor.RequestStop].
	Who string

	stop    atomic.Bool
	session session
}

// Checks are the judgements that need the engines.
type Checks interface {
	// Ready runs all readiness rules on the state and on one from before, and
	// returns their report as JSON, and what forbids the run.
	Ready(ctx context.Context, earlier, now *state.Capture) (report []byte, blockers []string, err error)
	// Compare compares the state before the run with the one now, given the
	// releases of the hop; stops lists the differences that forbid acceptance.
	Compare(before, now *state.Capture, from, to string) (report []byte, stops []string)
}

// Progress is what a live view shows.
type Progress struct {
	State   *conduct.State
	Now     time.Time
	Record  *conduct.Record // the one just written, nil while a step goes on
	Text    string          // what is going on
	Loss    conduct.Live
	Elapsed time.Duration // of the step
}

// session is what one process knows of the run beyond the journal.
type session struct {
	mu      sync.Mutex
	watch   *conduct.Watch
	acted   map[string]bool // intents written by this very process
	before  *state.Capture
	probing bool
	stepAt  time.Time

	synced bool            // the device has told its state since this session began, or was waited for in vain
	seen   map[string]bool // partners that were read since, or cannot be
}

func (c *Conductor) pulseEvery() time.Duration {
	if c.Pulse > 0 {
		return c.Pulse
	}
	return 20 * time.Millisecond
}

// RequestStop asks the run to stop at the next place where that is safe: it
// turns back if something was touched, and ends otherwise.
func (c *Conductor) RequestStop() { c.stop.Store(true) }

// Conduct runs, or takes up, the run until it ends or waits for a person. The
// error is [ErrPaused] or [ErrHeld] when it waits and nobody is there.
func (c *Conductor) Conduct(ctx context.Context) (conduct.State, error) {
	st := conduct.New(c.Input.Plan, c.Policy)
	c.session = session{watch: conduct.NewWatch(c.Policy), acted: map[string]bool{}, seen: map[string]bool{}}
	_, err := c.Store.Conduct(ctx, c.Run.ID, func(ctx context.Context, j Journal) (string, error) {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		var wg sync.WaitGroup
		defer wg.Wait()
		defer cancel()
		watching := false
		for {
			m := st.Next()
			if m.Kind == conduct.MoveNone {
				return string(st.Verdict), nil
			}
			raw, err := j.Do(ctx, st.Seq+1, m.Key, func(ctx context.Context) ([]byte, error) {
				// Only a session that has work to do on the device watches it.
				if !watching {
					watching = true
					c.follow(&st)
					c.startWatching(ctx, &wg)
				}
				rec, err := c.perform(ctx, j, &st, m)
				if err != nil {
					return nil, err
				}
				rec.Seq, rec.Key, rec.At, rec.Attempt = st.Seq+1, m.Key, c.Clock.Now(), m.Attempt
				if m.Step.ID != "" && rec.Step == "" && m.Kind != conduct.MoveReturn {
					rec.Step = m.Step.ID
				}
				return json.Marshal(rec)
			})
			if err != nil {
				return "", err
			}
			var rec conduct.Record
			if err := json.Unmarshal(raw, &rec); err != nil {
				return "", fmt.Errorf("journal of run %s, record %q: %w", c.Run.ID, m.Key, err)
			}
			if err := st.Apply(rec); err != nil {
				return "", err
			}
			if err := c.afterwards(ctx, j, &st, rec); err != nil {
				return "", err
			}
		}
	})
	if c.session.probing {
		err = errors.Join(err, c.keepMeasurement(context.WithoutCancel(ctx), c.Prober.Stop()))
	}
	if errors.Is(err, ErrPaused) {
		err = errors.Join(err, c.Store.SetVerdict(context.WithoutCancel(ctx), c.Run.ID, string(conduct.Paused)))
	}
	return st, err
}

// afterwards does what follows a durable record: messages that led to it are
// taken, the view is told, the guards learn who must be primary.
func (c *Conductor) afterwards(ctx context.Context, j Journal, st *conduct.State, rec conduct.Record) error {
	var msg struct {
		Message int64 `json:"message"`
	}
	if len(rec.Data) > 0 && (rec.Kind == conduct.Chosen || rec.Kind == conduct.StepDone || rec.Kind == conduct.StepFailed) && json.Unmarshal(rec.Data, &msg) == nil && msg.Message != 0 {
		if err := j.Taken(ctx, msg.Message); err != nil {
			return err
		}
	}
	if rec.Kind == conduct.Chosen {
		if rec.Choice == conduct.Continue { // who waives one guard has not accepted what breaks another
			c.session.mu.Lock()
			c.session.watch.GoOn(st.LossGranted)
			c.session.mu.Unlock()
		}
		// It rests no more; where it does again, the end of this session says so.
		if err := c.Store.SetVerdict(ctx, c.Run.ID, string(st.Verdict)); err != nil {
			return err
		}
	}
	if i := slices.IndexFunc(st.Steps, func(s plan.Step) bool { return s.ID == rec.Step }); i >= 0 && c.session.probing &&
		st.Steps[i].Kind.Touches() && rec.Kind != conduct.Intended && rec.Kind != conduct.Acted {
		c.Prober.Mark(st.Steps[i].Title + conduct.Over)
		// What was measured of a step must outlive this process, however it ends.
		if err := c.keepMeasurement(context.WithoutCancel(ctx), c.Prober.Snapshot()); err != nil {
			return err
		}
	}
	if rec.Kind != conduct.Intended && rec.Kind != conduct.Acted {
		// However a change of ours ended, the next one is somebody else's.
		c.session.mu.Lock()
		c.session.watch.Adjusted("", "")
		c.session.mu.Unlock()
	}
	c.follow(st)
	c.show(st, &rec, rec.Text)
	return nil
}

// follow tells the guards which controller card must be primary now: nobody
// while a hand-over or a restart is under way.
func (c *Conductor) follow(st *conduct.State) {
	primary := ""
	if step, ok := st.Step(); ok && !st.Back && st.Status != conduct.Waiting {
		primary = primaryAt(st.Steps, step)
		if (step.Kind == plan.SwitchOver || step.Kind == plan.ReloadDevice) && st.Status != conduct.Ready {
			primary = ""
		}
	}
	c.session.mu.Lock()
	c.session.watch.ExpectPrimary(primary)
	c.session.watch.Excuse(c.Clock.Now(), st.TakenDown())
	c.session.watch.Waive(st.Waived())
	c.session.watch.Restart(c.Clock.Now(), st.Restarting(), st.Restarted, st.OwnHeld(), st.Bare)
	c.session.mu.Unlock()
}

// primaryAt returns the controller card that the list of steps has as primary
// when the step begins: by the hand-overs before it and by the conditions on the
// way there, or by the first condition of all. It is empty from a restart of the
// whole device, after which either card may be, to the next condition.
func primaryAt(steps []plan.Step, at plan.Step) string {
	condition := func(s plan.Step) string {
		for _, b := range s.Before {
			if b.Fact == plan.FactRole && b.Value == state.Primary {
				return b.Component
			}
		}
		return ""
	}
	primary := ""
	for _, s := range steps {
		if primary = condition(s); primary != "" {
			break
		}
	}
	for _, s := range steps {
		if p := condition(s); p != "" {
			primary = p
		}
		if s.ID == at.ID {
			break
		}
		switch s.Kind {
		case plan.SwitchOver:
			primary = s.Component
		case plan.ReloadDevice:
			primary = ""
		default:
		}
	}
	return primary
}

func (c *Conductor) show(st *conduct.State, rec *conduct.Record, text string) {
	if c.Show == nil {
		return
	}
	p := Progress{State: st, Now: c.Clock.Now(), Record: rec, Text: text}
	if c.session.probing {
		p.Loss = c.Prober.Live()
	}
	if !c.session.stepAt.IsZero() {
		p.Elapsed = p.Now.Sub(c.session.stepAt)
	}
	c.Show(p)
}

// startWatching follows the device's and the partners' reports until ctx ends.
func (c *Conductor) startWatching(ctx context.Context, wg *sync.WaitGroup) {
	wg.Add(1)
	go func() {
		defer wg.Done()
		for ctx.Err() == nil {
			// The stream breaks at every hand-over; it is taken up again, and a
			// device that stays away is the business of the step's own polling.
			err := c.Device.Watch(ctx, func(e device.Event) {
				c.session.mu.Lock()
				c.session.watch.Event(c.Clock.Now(), e)
				c.session.synced = c.session.synced || e.Kind == device.EventSynced
				c.session.mu.Unlock()
			})
			if device.KindOf(err) == device.Unable && err != nil {
				c.session.mu.Lock()
				c.session.synced = true // it tells nothing, ever
				c.session.mu.Unlock()
			}
			_ = WallClock{}.Sleep(ctx, 50*time.Millisecond)
		}
	}()
	for name, d := range c.Partners {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for ctx.Err() == nil {
				why, read := partnerTrouble(ctx, d)
				if ctx.Err() == nil {
					c.session.mu.Lock()
					if read {
						c.session.watch.Partner(name, why)
					} else {
						c.session.watch.PartnerUnread(c.Clock.Now(), name, why)
					}
					c.session.seen[name] = true
					c.session.mu.Unlock()
				}
				_ = c.Clock.Sleep(ctx, c.Policy.Conduct.PollEvery)
			}
		}()
	}
}

// partnerTrouble says why a partner cannot take the load, or nothing, and whether
// it could be read.
func partnerTrouble(ctx context.Context, d device.Device) (why string, read bool) {
	cp, err := d.Capture(ctx, device.ScopeComponents)
	if err != nil {
		return "cannot be read: " + err.Error(), false
	}
	for _, k := range cp.Components {
		if k.Kind != state.KindControllerCard && k.Kind != state.KindLineCard && k.Kind != state.KindFabric {
			continue
		}
		if o, ok := k.Oper.Get(); ok && o != state.OperActive {
			return k.Name + " is " + o, true
		}
		if f, ok := k.Failure.Get(); ok && f {
			return k.Name + " reports a failure", true
		}
	}
	return "", true
}

// heard waits until every partner can be read, before something new is asked of
// the device; failure is the guard that broke meanwhile.
func (c *Conductor) heard(ctx context.Context, st *conduct.State, step plan.Step) (failure *conduct.Failure, err error) {
	for step.Kind.Touches() && slices.Contains(step.Guards, plan.GuardPartner) {
		c.session.mu.Lock()
		unheard := c.session.watch.Unheard(c.Clock.Now())
		c.session.mu.Unlock()
		if len(unheard) == 0 {
			break
		}
		c.show(st, nil, "waiting until it can be read before anything is asked: partner "+join(unheard))
		if err := c.pause(ctx); err != nil {
			return nil, err
		}
	}
	return c.broken(step), nil
}

// informed waits until the guards of this session have been told how the device
// and its partners stand, so that a session which takes a run up does not act
// before it could know that it must not. What cannot be read within the policy's
// time is the business of the step's own readings.
func (c *Conductor) informed(ctx context.Context, st *conduct.State, step plan.Step) error {
	if len(step.Guards) == 0 {
		return nil
	}
	since, began := c.Clock.Now(), time.Now()
	for {
		// Both by the run's clock and by ours, as in restart.
		late := c.Clock.Now().Sub(since) > c.Policy.Conduct.ReachableWithin && time.Since(began) > arriveWithin
		c.session.mu.Lock()
		told := c.session.synced && len(c.session.seen) == len(c.Partners)
		if late {
			c.session.synced = true
			for name := range c.Partners {
				c.session.seen[name] = true
			}
		}
		c.session.mu.Unlock()
		if told || late {
			return nil
		}
		c.show(st, nil, "waiting to hear how the device and its partners stand")
		if err := (WallClock{}).Sleep(ctx, time.Millisecond); err != nil {
			return err
		}
	}
}

// broken returns the first broken guard of the step.
func (c *Conductor) broken(step plan.Step) *conduct.Failure {
	var live conduct.Live
	if c.session.probing {
		live = c.Prober.Live()
	}
	c.session.mu.Lock()
	defer c.session.mu.Unlock()
	return c.session.watch.Broken(c.Clock.Now(), step.Guards, live)
}

// perform does one move and returns its record. An error means that this
// process must stop; a device that fails is a record.
func (c *Conductor) perform(ctx context.Context, j Journal, st *conduct.State, m conduct.Move) (conduct.Record, error) {
	c.session.stepAt = c.Clock.Now()
	switch m.Kind {
	case conduct.MoveIntend, conduct.MoveCheck, conduct.MoveHold, conduct.MoveAct, conduct.MoveAwait:
		// A session that takes a run up in the middle of a step measures it too.
		fresh := !c.session.probing
		if err := c.ensureProbing(ctx, st); err != nil && !st.Back && m.Kind != conduct.MoveAct && m.Kind != conduct.MoveAwait {
			return failed(conduct.ByUs, "probe", "test traffic cannot be sent: "+err.Error()), nil
		}
		if err := c.informed(ctx, st, m.Step); err != nil {
			return conduct.Record{}, err
		}
		switch acting := m.Kind == conduct.MoveAct || m.Kind == conduct.MoveAwait; {
		case !c.session.probing:
		case !acting:
			c.Prober.Mark(m.Step.Title)
		case fresh:
			c.Prober.Mark(m.Step.Title + conduct.Again)
		}
	case conduct.MoveOpen, conduct.MoveReturn, conduct.MoveAsk, conduct.MoveFinish, conduct.MoveNone:
	}
	if m.Kind == conduct.MoveIntend || m.Kind == conduct.MoveCheck || m.Kind == conduct.MoveHold {
		if c.stop.Load() && !st.Back {
			c.stop.Store(false)
			return c.stopped("before: " + m.Step.Title), nil
		}
		f := c.broken(m.Step)
		if f == nil && m.Kind == conduct.MoveIntend {
			var err error
			if f, err = c.heard(ctx, st, m.Step); err != nil {
				return conduct.Record{}, err
			}
		}
		if f != nil {
			return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, nil
		}
	}
	switch m.Kind {
	case conduct.MoveOpen:
		// Once more, now that nobody else can begin one.
		if err := alone(ctx, c.Store, c.Run.Device, c.Run.ID, c.Input.Plan.Neighbours()...); err != nil {
			return conduct.Record{}, err
		}
		digest, err := inputDigest(c.Run.Input)
		if err != nil {
			return conduct.Record{}, err
		}
		data, err := json.Marshal(begunWith{digest})
		if err != nil {
			return conduct.Record{}, fmt.Errorf("app: begin: %w", err)
		}
		return conduct.Record{Kind: conduct.RunBegun, Data: data, Text: fmt.Sprintf("%s: %s → %s", c.Input.Plan.Device, c.Input.Plan.From, c.Input.Plan.To), Person: c.Input.Who}, nil
	case conduct.MoveIntend:
		return c.intend(ctx, st, m.Step)
	case conduct.MoveAct:
		return c.act(ctx, st, m.Step)
	case conduct.MoveAwait:
		return c.await(ctx, st, m.Step)
	case conduct.MoveCheck:
		return c.check(ctx, st, m.Step)
	case conduct.MoveHold:
		return c.hold(ctx, j, st, m.Step)
	case conduct.MoveReturn:
		return c.planBack(ctx, st)
	case conduct.MoveAsk:
		return c.ask(ctx, j, st)
	case conduct.MoveFinish:
		text := string(st.Verdict)
		if st.Failure != nil {
			text += ": " + st.Failure.Text
		}
		if still := st.StillChanged(); len(still) > 0 {
			text += ". Still changed, to be put back: " + join(still)
		}
		rec := conduct.Record{Kind: conduct.Finished, Verdict: st.Verdict, Text: text}
		if st.Verdict == conduct.Paused {
			var err error
			if rec.Data, err = json.Marshal(c.handedOver(ctx, st)); err != nil {
				return conduct.Record{}, fmt.Errorf("app: what was found: %w", err)
			}
			if ctx.Err() != nil {
				return conduct.Record{}, ctx.Err()
			}
		}
		return rec, nil
	case conduct.MoveNone:
	}
	return conduct.Record{}, fmt.Errorf("app: no such move %q", m.Kind)
}

// lookWithin is how long a device is given to show how it stands when a person
// takes the work over: they wait for the command to end, and what does not answer
// is said.
const lookWithin = 20 * time.Second

// handedOver reads how the device stands when a person takes the work over, with
// the settings that are still changed. What cannot be read at once is said; it
// keeps nobody from taking over.
func (c *Conductor) handedOver(ctx context.Context, st *conduct.State) conduct.FinishedData {
	ctx, cancel := context.WithTimeout(ctx, lookWithin)
	defer cancel()
	var out conduct.FinishedData
	var unread []string
	if cp, err := c.Device.Capture(ctx, device.ScopeComponents); err != nil {
		unread = append(unread, fmt.Sprintf("%s: %v", st.Plan.Device, err))
	} else {
		o := conduct.Observe(cp)
		out.Found = &o
	}
	for _, end := range st.HeldWanted() {
		d, err := c.end(end.On)
		var found []state.Setting
		if err == nil {
			keys := make([]state.Setting, len(end.Settings))
			for i, x := range end.Settings {
				keys[i] = x.Key()
			}
			found, err = d.Settings(ctx, keys)
		}
		if err != nil {
			unread = append(unread, fmt.Sprintf("settings of %s: %v", cmp.Or(end.On, st.Plan.Device), err))
			continue
		}
		if out.Found == nil {
			out.Found = &conduct.Observation{At: c.Clock.Now()}
		}
		out.Found.Found = append(out.Found.Found, plan.End{On: end.On, Settings: found})
	}
	out.Unread = join(unread)
	return out
}

func done(text string, data any) conduct.Record {
	r := conduct.Record{Kind: conduct.StepDone, Text: text}
	if data != nil {
		r.Data, _ = json.Marshal(data)
	}
	return r
}

func failed(cause conduct.Cause, name, text string) conduct.Record {
	return conduct.Record{Kind: conduct.StepFailed, Text: text, Failure: &conduct.Failure{Cause: cause, Name: name, Text: text}}
}

// stopped is the record of a stop that a person has asked for.
func (c *Conductor) stopped(where string) conduct.Record {
	r := failed(conduct.ByPerson, string(conduct.GoBack), cmp.Or(c.Who, "a person")+" stopped the run "+where)
	r.Person = c.Who
	return r
}

// fault turns a device's failure into a record.
func fault(err error) conduct.Record {
	k := device.KindOf(err)
	cause := conduct.ByDevice
	if k == device.Unreachable || k == device.OutcomeUnknown {
		cause = conduct.ByReach
	}
	r := failed(cause, k.String(), err.Error())
	r.Failure.Retry = k.Retryable()
	return r
}

// read reads the device, trying for as long as the policy lets it be
// unreachable.
func (c *Conductor) read(ctx context.Context, scope device.Scope) (*state.Capture, error) {
	since := c.Clock.Now()
	for {
		cp, err := c.Device.Capture(ctx, scope)
		if err == nil {
			return cp, nil
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if k := device.KindOf(err); (k != device.Unreachable && k != device.OutcomeUnknown) || c.Clock.Now().Sub(since) > c.Policy.Conduct.ReachableWithin {
			return nil, err
		}
		if err := c.pause(ctx); err != nil {
			return nil, err
		}
	}
}

// pause waits one polling interval of the run's clock.
func (c *Conductor) pause(ctx context.Context) error {
	return c.Clock.Sleep(ctx, c.Policy.Conduct.PollEvery)
}

// intend reads the device, finds whether the step is still needed and whether
// what it needs holds, and writes the intent. A component that is still on its
// way is waited for, under guards and until the step's deadline.
func (c *Conductor) intend(ctx context.Context, st *conduct.State, step plan.Step) (conduct.Record, error) {
	since := c.Clock.Now()
	for {
		now, err := c.read(ctx, device.ScopeComponents)
		if err != nil {
			return c.readFault(ctx, err)
		}
		if ofSettings(step.Kind) {
			return c.intendSettings(ctx, st, step, now)
		}
		if step.Kind == plan.ReloadDevice {
			// Only against a try that was given up can a reading tell that it has
			// restarted; then it is not restarted once more.
			if was, tried := st.TriedObservation(); tried {
				if _, all := conduct.Unmet(step.After, now, &was); all {
					return done("already so: it has restarted since that was first asked", took(step, now, 0)), nil
				}
			}
		} else if !asksByItself(step.Kind) {
			if _, all := conduct.Unmet(step.After, now, nil); all {
				return done("already so", nil), nil
			}
		}
		texts, all := conduct.Unmet(step.Before, now, nil)
		if all {
			if rec, lost, err := c.unprepared(ctx, st, step); err != nil || lost {
				return rec, err
			}
			obs, err := json.Marshal(conduct.Observe(now))
			if err != nil {
				return conduct.Record{}, fmt.Errorf("app: observation: %w", err)
			}
			c.session.acted[step.ID+fmt.Sprint(st.Attempt)] = true
			return conduct.Record{Kind: conduct.Intended, Text: step.Title, Data: obs}, nil
		}
		if f := c.broken(step); f != nil {
			return conduct.Record{Kind: conduct.GuardBroke, Failure: f, Text: f.Text}, nil
		}
		if !mayCome(step.Before, now) || c.Clock.Now().Sub(since) > step.Deadline {
			return failed(conduct.ByPrecondition, "", "not as the step needs it: "+join(texts)), nil
		}
		c.show(st, nil, "waiting before it can begin: "+join(texts))
		if err := c.pause(ctx); err != nil {
			return conduct.Record{}, err
		}
	}
}

// mayCome reports whether all that is missing is a component that may still
// become operational or ready by itself.
func mayCome(before []plan.Condition, now *state.Capture) bool {
	for _, b := range before {
		if !conduct.Holds(b, now, nil).Holds && b.Fact != plan.FactOper && b.Fact != plan.FactReady {
			return false
		}
	}
	return true
}

// asksByItself reports whether the protocol's own request tells whether the
// work is still needed, so that repeating it is safe.
func asksByItself(k plan.Kind) bool {
	return k == plan.TransferPackage || k == plan.TransferFirmware
}

func join(texts []string) string {
	out := ""
	for i, t := range texts {
		if i > 0 {
			out += "; "
		}
		out += t
	}
	return out
}
