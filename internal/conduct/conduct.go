// Package conduct decides the next move of a run. It is pure: a run is the
// fold of its journal, [State.Apply] takes the records one by one, and
// [State.Next] says what to do now. The runner in internal/app performs the
// move and writes its outcome as the next record.
//
// What is durable before what:
//
//  1. Before a device is changed, an Intended record is durable. It holds what
//     the device was like then.
//  2. After the change was asked for, and before the outcome is awaited, an
//     Acted record is durable.
//  3. A run that was interrupted between 1 and 2 cannot know whether it acted.
//     It only watches the device for the policy's time, and acts again only if
//     the device shows that nothing was begun.
//  4. A step counts as done only by a fresh reading of the device.
//  5. Before a setting is changed, the value that was read of it is durable, in
//     the Intended record of the step that changes it. What is put back is that
//     value and no other, however often the run was interrupted since.
package conduct

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"towpath/internal/plan"
	"towpath/internal/policy"
)

// Verdict is how a run ended, or rests.
type Verdict string

// The verdicts.
const (
	Accepted   Verdict = "accepted"    // the target runs and everything agreed
	RolledBack Verdict = "rolled-back" // the device runs what it ran before the hop
	Paused     Verdict = "paused"      // a person must choose
	Refused    Verdict = "refused"     // ended before anything changed how the device runs
)

// Status is the state of the run's machine.
type Status string

// The statuses of a run.
const (
	Opening   Status = "opening"        // no record yet
	Ready     Status = "ready"          // the step at the cursor has not begun
	Intending Status = "intended"       // intent is durable; the act may follow
	Awaiting  Status = "awaiting"       // the act was asked for; its effect is awaited
	Returning Status = "returning"      // the way back must be planned from a fresh reading
	Waiting   Status = "waiting-person" // paused
	Closing   Status = "closing"        // the verdict is known and not yet written
	Closed    Status = "closed"         // the verdict is durable
)

// Statuses lists every status, in the order of a run.
func Statuses() []Status {
	return []Status{Opening, Ready, Intending, Awaiting, Returning, Waiting, Closing, Closed}
}

// RecordKind says what a journal record tells.
type RecordKind string

// The kinds of record.
const (
	RunBegun    RecordKind = "run-begun"
	Intended    RecordKind = "intended"
	Acted       RecordKind = "acted"
	StepDone    RecordKind = "step-done"
	StepFailed  RecordKind = "step-failed"
	GuardBroke  RecordKind = "guard-broke"
	BackPlanned RecordKind = "way-back-planned"
	NoWayBack   RecordKind = "no-way-back"
	Chosen      RecordKind = "chosen"
	Finished    RecordKind = "finished"
)

// RecordKinds lists every kind.
func RecordKinds() []RecordKind {
	return []RecordKind{RunBegun, Intended, Acted, StepDone, StepFailed, GuardBroke, BackPlanned, NoWayBack, Chosen, Finished}
}

// arrows is the machine's picture: in which status a record may come. The
// table in docs/run-states.md is made from it, and Apply refuses the rest.
var arrows = map[Status][]RecordKind{
	Opening:   {RunBegun},
	Ready:     {Intended, StepDone, StepFailed, GuardBroke},
	Intending: {Acted, StepDone, StepFailed, GuardBroke},
	Awaiting:  {StepDone, StepFailed, GuardBroke},
	Returning: {BackPlanned, NoWayBack},
	Waiting:   {Chosen},
	Closing:   {Finished},
	Closed:    {},
}

// Record is one entry of the journal.
type Record struct {
	Seq     int             `json:"seq"`
	Key     string          `json:"key"` // unique within the run; names the move that wrote it
	At      time.Time       `json:"at"`
	Kind    RecordKind      `json:"kind"`
	Step    string          `json:"step,omitempty"`
	Attempt int             `json:"attempt,omitempty"`
	Text    string          `json:"text,omitempty"`
	Failure *Failure        `json:"failure,omitempty"`
	Choice  Choice          `json:"choice,omitempty"`
	Person  string          `json:"person,omitempty"`
	Steps   []plan.Step     `json:"steps,omitempty"` // way-back-planned
	Verdict Verdict         `json:"verdict,omitempty"`
	Data    json.RawMessage `json:"data,omitempty"` // what was read or measured
}

// Cause says what kind of failure ended a step.
type Cause string

// The causes.
const (
	ByDevice       Cause = "device"       // the device refused, or answered with an error
	ByDeadline     Cause = "deadline"     // the effect did not show in time
	ByPrecondition Cause = "precondition" // the device was not as the step needs it
	ByVerdict      Cause = "verdict"      // a check of ours failed: readiness, comparison, probe
	ByGuard        Cause = "guard"        // a guard broke
	ByPerson       Cause = "person"       // consent was refused, or a person stopped the run
	ByReach        Cause = "unreachable"  // the device cannot be reached
	ByUs           Cause = "ours"         // what we measure or read with could not be started; nothing is said of the device
)

// Failure says why a step did not succeed.
type Failure struct {
	Cause Cause  `json:"cause"`
	Name  string `json:"name,omitempty"` // guard, rule or kind of fault
	Text  string `json:"text"`
	// Objects are, of a guard whose breach lasts, what is at fault: partners,
	// feeds or adjacencies.
	Objects []string `json:"objects,omitempty"`
	Retry   bool     `json:"retry,omitempty"` // worth another attempt after reading the device
}

// Choice is what a person chooses when a run is paused.
type Choice string

// The choices.
const (
	Continue Choice = "continue"  // try the step again, after reading the device
	Waive    Choice = "waive"     // the same, and the broken guard does not count for this step
	GoBack   Choice = "roll-back" // return to the release that the hop began with
	HandOver Choice = "hand-over" // end here; a person goes on by hand
)

// ChosenData is what a chosen record keeps beside the choice.
type ChosenData struct {
	Message int64         `json:"message"`           // that the choice came by, 0 where it was typed
	Loss    time.Duration `json:"loss_ns,omitempty"` // longest loss measured so far, where loss made the run pause
	Waiver  *Waiver       `json:"waiver,omitempty"`  // of a choice to waive
}

// FinishedData is what the last record of a run keeps that a person took over by
// hand: what the device showed then.
type FinishedData struct {
	// Found is the reading; its Found are the settings that the run holds changed,
	// where they could be read.
	Found  *Observation `json:"found,omitempty"`
	Unread string       `json:"unread,omitempty"` // what could not be read, and why
}

// State is a run at one moment: the fold of its journal. The zero value with a
// Plan and a Policy is a run that has not begun.
type State struct {
	Plan   *plan.Plan
	Policy policy.Policy

	Status  Status
	Steps   []plan.Step // the list in force: the plan's, or the way back
	Cursor  int
	Attempt int // of the step at the cursor, from 1
	Back    bool
	Hop     int
	// Accepted hops so far.
	Accepted int
	// Touched: something that alters how the device runs was intended in this
	// hop. Past: the point of no return of this hop is behind us.
	Touched, Past bool
	Intent        *Record // of the step at the cursor, while Intending or Awaiting
	// Tried is the intent of the first try of the step at the cursor that was
	// given up and may have been acted on all the same; nil where there was none.
	Tried   *Record
	Verdict Verdict
	// Waivers are the guards that a person has waived, each for one step.
	Waivers []Waiver
	// Restarted says that a restart of the whole device was intended in this hop,
	// so that the device may have forgotten what it was not told to save.
	Restarted bool
	// Bare is what the device told of its configuration before the run changed
	// any of its settings; empty where none is changed.
	Bare    Told
	Failure *Failure // why the run turned back, paused or was refused
	Choices []Choice // while Waiting
	// LossGranted is the longest loss that a person chose to go on with.
	LossGranted time.Duration
	// Prepared are the settings that were changed, or may have been, and are not
	// put back.
	Prepared []plan.Held
	Seq      int
}

// New is the state of a run that has not begun.
func New(p *plan.Plan, pol policy.Policy) State {
	return State{Plan: p, Policy: pol, Status: Opening, Steps: p.Steps, Attempt: 1}
}

// Step returns the step at the cursor; ok is false when the list is at its end.
func (s *State) Step() (step plan.Step, ok bool) {
	if s.Cursor < len(s.Steps) {
		return s.Steps[s.Cursor], true
	}
	return plan.Step{}, false
}

// MoveKind says what the runner must do now.
type MoveKind string

// The moves.
const (
	MoveOpen   MoveKind = "open"   // write run-begun
	MoveIntend MoveKind = "intend" // read the device, check what must hold, write the intent
	MoveAct    MoveKind = "act"    // act, if the device does not show it done
	MoveAwait  MoveKind = "await"  // wait for the effect, under guards, until the deadline
	MoveCheck  MoveKind = "check"  // perform a step that changes nothing on the device
	MoveHold   MoveKind = "hold"   // wait for consent, under guards
	MoveReturn MoveKind = "return" // read the device and plan the way back
	MoveAsk    MoveKind = "ask"    // wait for a person's choice
	MoveFinish MoveKind = "finish" // write the verdict
	MoveNone   MoveKind = "none"   // the run is over
)

// Move is what the runner must do now. Key is unique within the run and the
// same each time the same journal is folded.
type Move struct {
	Kind    MoveKind
	Key     string
	Step    plan.Step
	Attempt int
}

// Next says what to do now.
func (s *State) Next() Move {
	m := Move{Attempt: s.Attempt}
	step, ok := s.Step()
	switch s.Status {
	case Opening:
		m.Kind = MoveOpen
	case Ready:
		m.Step = step
		switch {
		case !ok:
			m.Kind = MoveNone
		case step.Kind == plan.Hold:
			m.Kind = MoveHold
		case step.Kind.Changes():
			m.Kind = MoveIntend
		default:
			m.Kind = MoveCheck
		}
	case Intending:
		m.Kind, m.Step = MoveAct, step
	case Awaiting:
		m.Kind, m.Step = MoveAwait, step
	case Returning:
		m.Kind = MoveReturn
	case Waiting:
		m.Kind, m.Step = MoveAsk, step
	case Closing:
		m.Kind = MoveFinish
	case Closed:
		m.Kind = MoveNone
	}
	m.Key = fmt.Sprintf("%04d %s", s.Seq+1, m.Kind)
	if m.Step.ID != "" {
		m.Key += fmt.Sprintf(" %s #%d", m.Step.ID, s.Attempt)
	}
	return m
}

// Apply takes the next record. It is an error when the record does not follow
// from the state, which means that the journal is damaged or of another run.
func (s *State) Apply(r Record) error {
	if r.Seq != s.Seq+1 {
		return fmt.Errorf("conduct: record %d follows record %d", r.Seq, s.Seq)
	}
	if !slices.Contains(arrows[s.Status], r.Kind) {
		return fmt.Errorf("conduct: record %d: %q cannot follow in status %q", r.Seq, r.Kind, s.Status)
	}
	step, _ := s.Step()
	if r.Step != "" && r.Step != step.ID {
		return fmt.Errorf("conduct: record %d is of step %q, the run is at %q", r.Seq, r.Step, step.ID)
	}
	if r.Kind == Intended && !step.Kind.Changes() {
		return fmt.Errorf("conduct: record %d: step %q changes nothing and can have no intent", r.Seq, step.ID)
	}
	s.Seq = r.Seq
	switch r.Kind {
	case RunBegun:
		s.Status = Ready
	case Intended:
		s.Status, s.Intent = Intending, &r
		if step.Kind.Touches() {
			s.Touched = true
		}
		if step.Kind == plan.ReloadDevice {
			s.Restarted = true
		}
		if step.Kind == plan.Prepare {
			if was, ok := s.IntentObservation(); ok && !s.OwnHeld() {
				s.Bare = was.Configuration
			}
			if err := s.holdFound(step); err != nil {
				return fmt.Errorf("conduct: record %d: %w", r.Seq, err)
			}
		}
	case Acted:
		s.Status = Awaiting
		if step.PointOfNoReturn {
			s.Past = true
		}
	case StepDone:
		if step.PointOfNoReturn {
			s.Past = true
		}
		s.Steps = RolesAfter(s.Steps, r)
		s.done(step)
	case StepFailed, GuardBroke:
		s.fail(step, r)
	case BackPlanned:
		s.Steps, s.Cursor, s.Attempt, s.Back, s.Intent, s.Tried = r.Steps, 0, 1, true, nil, nil
		s.Status = Ready
	case NoWayBack:
		s.pause(r.Failure)
	case Chosen:
		if err := s.choose(step, r); err != nil {
			return fmt.Errorf("conduct: record %d: %w", r.Seq, err)
		}
	case Finished:
		s.Status, s.Verdict = Closed, r.Verdict
	}
	return nil
}

// done moves the cursor on.
func (s *State) done(step plan.Step) {
	s.Intent, s.Tried, s.Attempt = nil, nil, 1
	switch {
	case step.Kind == plan.Restore, step.Kind == plan.Hold && step.Undo:
		s.release(step)
	case step.Kind == plan.Hold && len(step.Ends) > 0:
		s.Touched = true
		for _, e := range step.Ends {
			for _, x := range e.Settings {
				if plan.Holding(s.Prepared, e.On, x) < 0 {
					s.Prepared = append(s.Prepared, plan.Held{On: e.On, ByHand: true, Found: x.Key(), Wanted: x})
				}
			}
		}
	}
	s.Cursor++
	s.Status = Ready
	if step.Kind == plan.AcceptHop && !s.Back {
		s.Accepted++
		s.Touched, s.Past, s.Restarted, s.Bare = false, false, false, Told{}
	}
	next, more := s.Step()
	if more {
		s.Hop = next.Hop
		return
	}
	s.Status = Closing
	if s.Back {
		s.Verdict = RolledBack
	} else {
		s.Verdict = Accepted
	}
}

// Took is what the record of a step that was waited for keeps beside its text.
type Took struct {
	Took    time.Duration `json:"took_ns"`
	Primary string        `json:"primary,omitempty"` // controller card that is primary since a restart of the whole device
}

// RolesAfter is the list of steps in force once the record has been applied: as
// it was, unless the record is the end of a restart of the whole device whose
// cards came up the other way round. Then the steps that are left go by the roles
// that the cards have. The plan is as it was consented to; which of two like
// cards does what in it follows the device.
func RolesAfter(list []plan.Step, r Record) []plan.Step {
	i := slices.IndexFunc(list, func(s plan.Step) bool { return s.ID == r.Step })
	if r.Kind != StepDone || i < 0 || list[i].Kind != plan.ReloadDevice {
		return list
	}
	step := list[i]
	var took Took
	if step.Secondary == "" || len(r.Data) == 0 || json.Unmarshal(r.Data, &took) != nil || took.Primary != step.Secondary {
		return list
	}
	return append(slices.Clone(list[:i+1]), plan.Swapped(list[i+1:], step.Primary, step.Secondary)...)
}

// fail decides what a failed step or broken guard leads to.
func (s *State) fail(step plan.Step, r Record) {
	f := r.Failure
	if f == nil {
		f = &Failure{Cause: ByDevice, Text: r.Text}
	}
	if f.Retry && s.Attempt < s.Policy.Conduct.Attempts {
		s.Attempt++
		s.giveUp()
		s.Status = Ready
		return
	}
	if !s.Back || s.Failure == nil {
		s.Failure = f
	}
	switch decide(s, step, f) {
	case plan.Stop:
		s.Status, s.Verdict = Closing, Refused
	case plan.RollBack:
		s.Status = Returning
	case plan.Pause:
		s.pause(f)
	}
}

// decide is the table of remedies.
//
//	way back already under way            pause: a person decides
//	nothing touched, no hop accepted      stop: nothing to undo
//	nothing touched, a hop accepted       pause: the device rests on a middle release
//	device unreachable                    pause: it cannot be led back unseen
//	a person asked to stop                roll back
//	before the point of no return         roll back
//	after it, a failure of our own        pause: it says nothing of the device
//	after it, acceptance failed           what the policy says
//	after it, anything else               pause
func decide(s *State, step plan.Step, f *Failure) plan.Remedy {
	switch {
	case s.Back:
		return plan.Pause
	case !s.Touched && s.Accepted == 0:
		return plan.Stop
	case !s.Touched:
		return plan.Pause
	case f.Cause == ByReach:
		return plan.Pause
	case f.Cause == ByPerson && f.Name == string(GoBack):
		return plan.RollBack
	case !s.Past:
		return plan.RollBack
	case step.Phase == plan.Acceptance && step.OnFail == plan.RollBack && f.Cause != ByGuard && f.Cause != ByUs &&
		s.Policy.Conduct.AfterPointOfNoReturn == "roll-back":
		return plan.RollBack
	}
	return plan.Pause
}

// pause waits for a person and works out what can be chosen.
func (s *State) pause(f *Failure) {
	if f != nil {
		s.Failure = f
	}
	s.Status, s.Verdict = Waiting, Paused
	s.Choices = []Choice{Continue}
	if step, ok := s.Step(); ok && s.waivable(step) {
		s.Choices = append(s.Choices, Waive)
	}
	if !s.Back && s.Touched {
		s.Choices = append(s.Choices, GoBack)
	}
	s.Choices = append(s.Choices, HandOver)
}

// giveUp ends a try of the step at the cursor that is to be tried again.
func (s *State) giveUp() {
	if s.Tried == nil {
		s.Tried = s.Intent
	}
	s.Intent = nil
}

// choose follows a person's choice.
func (s *State) choose(step plan.Step, r Record) error {
	var d ChosenData
	if len(r.Data) > 0 && json.Unmarshal(r.Data, &d) != nil {
		d = ChosenData{}
	}
	if r.Choice == Waive {
		if err := s.mayWaive(step, r.Person, d.Waiver); err != nil {
			return err
		}
	}
	s.Choices, s.Verdict = nil, ""
	switch r.Choice {
	case Continue:
		s.Status, s.Attempt = Ready, 1
		s.giveUp()
		s.LossGranted = max(s.LossGranted, d.Loss)
		if !s.Back {
			s.Failure = nil
		}
	case Waive:
		w := *d.Waiver
		w.Person, w.At = r.Person, r.At
		s.Waivers = append(slices.Clone(s.Waivers), w)
		s.Status, s.Attempt, s.Failure = Ready, 1, nil
		s.giveUp()
		if step.PointOfNoReturn {
			// It was asked for and is only awaited: nothing is asked past a waived
			// guard.
			s.Status, s.Intent, s.Tried = Awaiting, s.Tried, nil
		}
	case GoBack:
		s.Status = Returning
	case HandOver:
		s.Status, s.Verdict = Closing, Paused
	}
	return nil
}

// Fold applies the records to a new state.
func Fold(p *plan.Plan, pol policy.Policy, records []Record) (State, error) {
	s := New(p, pol)
	for _, r := range records {
		if err := s.Apply(r); err != nil {
			return s, err
		}
	}
	return s, nil
}
