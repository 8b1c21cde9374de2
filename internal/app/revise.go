package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/schedule"
)

// Outcome is what has come of one device of a campaign.
type Outcome struct {
	Device string `yaml:"device" json:"device"`
	// Result is done or failed; a device that failed needs another night.
	Result string    `yaml:"result" json:"result"`
	At     time.Time `yaml:"at" json:"at"` // when its work ended
	Note   string    `yaml:"note,omitempty" json:"note,omitempty"`
}

// The results of an [Outcome], and of a task of which nothing is known although
// its night is over.
const (
	OutcomeDone    = "done"
	OutcomeFailed  = "failed"
	OutcomeUnknown = "unknown"
)

// Outcomes is a file of outcomes.
type Outcomes struct {
	Outcomes []Outcome `yaml:"outcomes" json:"outcomes"`
}

// OutcomesShape describes a file of outcomes.
func OutcomesShape() *document.Shape {
	return &document.Shape{
		Name:  "outcomes",
		Doc:   "What has come of the devices of a campaign so far.",
		Types: map[string]string{"Outcomes": "What has come of the devices.", "Outcome": "What has come of one device."},
		Fields: map[string]document.Field{
			"Outcomes.outcomes": {Doc: "One entry for each device that was worked on."},
			"Outcome.device":    {Doc: "Id of the device.", Form: document.Name, Want: "the id of a device"},
			"Outcome.result":    {Doc: "Whether it runs the target now.", Words: []string{OutcomeDone, OutcomeFailed}},
			"Outcome.at":        {Doc: "When its work ended."},
			"Outcome.note":      {Doc: "What happened.", Prose: true},
		},
	}
}

// ReadOutcomes reads a file of outcomes. The error is of type
// [document.Problems].
func ReadOutcomes(name string, src []byte) ([]Outcome, error) {
	doc, err := document.Parse(name, src)
	if err != nil {
		return nil, err
	}
	var o Outcomes
	ps := doc.Decode(OutcomesShape(), &o)
	seen := map[string]bool{}
	for i, x := range o.Outcomes {
		if seen[x.Device] && x.Device != "" {
			ps = append(ps, doc.Problem(fmt.Sprintf("outcomes[%d].device", i), fmt.Sprintf("the device %q a second time", x.Device), "its last outcome only", ""))
		}
		seen[x.Device] = true
	}
	return o.Outcomes, ps.Err()
}

// OutcomesOf reads from the kept runs what has come of the campaign's devices
// since it was made: the last run of each counts, when it has ended. Runs on an
// emulated lab do not count.
func OutcomesOf(ctx context.Context, s Store, c *plan.Campaign) ([]Outcome, error) {
	runs, err := s.Runs(ctx)
	if err != nil {
		return nil, err
	}
	last := map[string]Outcome{}
	for _, r := range runs {
		d, ok := c.Course(fleet.DeviceID(r.Device))
		if !ok || r.Begun.Before(c.MadeAt) {
			continue
		}
		in, _, err := inputOf(r)
		if err != nil {
			return nil, err
		}
		if in.Lab != "" || in.Plan == nil || in.Plan.To != d.To {
			continue
		}
		st, records, err := StateOf(ctx, s, r)
		if err != nil {
			return nil, err
		}
		if st.Status != conduct.Closed || len(records) == 0 {
			continue
		}
		o := Outcome{Device: r.Device, Result: OutcomeFailed, At: records[len(records)-1].At, Note: "run " + r.ID + ": " + string(st.Verdict)}
		if st.Verdict == conduct.Accepted {
			o.Result = OutcomeDone
		}
		if was, ok := last[r.Device]; !ok || o.At.After(was.At) {
			last[r.Device] = o
		}
	}
	var out []Outcome
	for _, d := range c.Devices {
		if o, ok := last[string(d.Device)]; ok {
			out = append(out, o)
		}
	}
	return out, nil
}

// ErrNotRevisable says that the kept campaign and what is asked do not go
// together.
var ErrNotRevisable = errors.New("the campaign cannot be revised")

// ReviseWant says how a campaign is revised, beside what [CampaignWant] says;
// its From is that of the kept campaign, its To too.
type ReviseWant struct {
	Kept     *plan.Campaign
	Outcomes []Outcome
	// Now is the first instant whose windows can still be used; windows before
	// PromisedUntil are promised.
	Now, PromisedUntil time.Time
}

// ReadCampaign reads a campaign that was kept as JSON.
func ReadCampaign(name string, src []byte) (*plan.Campaign, error) {
	dec := json.NewDecoder(strings.NewReader(string(src)))
	dec.DisallowUnknownFields()
	c := &plan.Campaign{}
	if err := dec.Decode(c); err != nil {
		return nil, fmt.Errorf("%w: %s is no campaign as towpath waves --format json writes it: %w", ErrNotRevisable, name, err)
	}
	if len(c.Targets) == 0 || c.Zone == "" || len(c.Nights) == 0 {
		return nil, fmt.Errorf("%w: %s has no nights", ErrNotRevisable, name)
	}
	return c, nil
}

// Revise makes a campaign anew from a kept one: what is done stays, promised
// nights take on nothing new, and as few devices as possible get another night.
// Devices whose release in the fleet file or in their capture is the target
// count as done in their night. Errors are those of [App.Campaign].
func (a *App) Revise(ctx context.Context, r ReviseWant, w CampaignWant) (*plan.Campaign, error) {
	old := r.Kept
	digest, err := old.Digest()
	if err != nil {
		return nil, err
	}
	w.From, w.AllowReload = old.From, w.AllowReload || old.AllowReload
	if w.Until.IsZero() {
		w.Until = old.Until
	}
	w.To = nil
	for _, t := range old.Targets {
		w.To = append(w.To, t.Platform+"="+t.Release)
	}
	m, err := a.campaign(w)
	if err != nil {
		return nil, err
	}
	kept := schedule.Kept{Was: map[fleet.DeviceID]time.Time{}, Done: map[fleet.DeviceID]time.Time{}, Now: r.Now.In(m.zone), PromisedUntil: r.PromisedUntil}
	failed := map[fleet.DeviceID]Outcome{}
	for _, n := range old.Nights {
		for _, t := range n.Tasks {
			if t.Outcome == "" || t.Outcome == OutcomeDone { // else a later night counts
				kept.Was[t.Device] = t.Start
			}
			if t.Outcome == OutcomeDone {
				kept.Done[t.Device] = t.Start
			}
		}
	}
	for _, o := range r.Outcomes {
		id := fleet.DeviceID(o.Device)
		if _, ok := old.Course(id); !ok {
			return nil, fmt.Errorf("%w: there is an outcome of %s, which is not in the kept campaign", ErrNotRevisable, o.Device)
		}
		if o.At.After(r.Now) {
			return nil, fmt.Errorf("%w: the outcome of %s is of %s, which is after %s", ErrNotRevisable, o.Device, o.At.Format(time.RFC3339), r.Now.Format(time.RFC3339))
		}
		if o.Result == OutcomeDone {
			kept.Done[id] = o.At.In(m.zone)
		} else {
			failed[id] = o
			delete(kept.Done, id)
		}
	}
	for _, id := range m.there {
		if was, ok := kept.Was[id]; ok && kept.Done[id].IsZero() {
			kept.Done[id] = was
			if !was.Before(r.Now) { // done before its night
				kept.Done[id] = r.Now.Add(-time.Minute).In(m.zone)
			}
		}
	}
	m.there = slices.DeleteFunc(m.there, func(id fleet.DeviceID) bool { _, ok := kept.Done[id]; return ok })
	m.left = slices.DeleteFunc(m.left, func(u plan.Unscheduled) bool { _, ok := kept.Done[u.Device]; return ok })
	m.restore(old, kept)
	m.reach(old, kept)
	waves, rev, err := schedule.Revise(ctx, a.Workspace.Fleet, m.tasks, m.slots, m.rules, kept, w.Limits)
	if err != nil {
		if errors.Is(err, schedule.ErrInfeasible) {
			why, xerr := schedule.Explain(ctx, waves.Locked(m.tasks, kept), w.Limits)
			if xerr != nil {
				return nil, errors.Join(err, xerr)
			}
			return nil, &Blocked{why, err}
		}
		return nil, err
	}
	return m.revised(old, digest, waves, rev, kept, failed)
}

// restore makes tasks and stages as the kept campaign had them.
func (m *campaigner) restore(old *plan.Campaign, kept schedule.Kept) {
	m.warn = slices.DeleteFunc(m.warn, func(s string) bool { return strings.HasPrefix(s, "the canary ") }) // stages are kept
	m.rules.Stages = map[fleet.DeviceID]int{}
	for _, d := range old.Devices {
		if m.devices[d.Device] == nil {
			continue // no longer in the fleet
		}
		m.rules.Stages[d.Device] = d.Stage
		if _, done := kept.Done[d.Device]; !done {
			continue
		}
		i := slices.IndexFunc(m.tasks, func(t schedule.Task) bool { return t.Device == d.Device })
		t := schedule.Task{Device: d.Device, Minutes: int64(d.Kept / time.Minute), Exposure: d.Risk.Exposure, Criticality: d.Risk.Criticality}
		if i < 0 {
			m.tasks = append(m.tasks, t)
		} else {
			m.tasks[i] = t
		}
	}
}

// reach sees that what has happened lies in a window: the nights that are over,
// even where the calendar has lost them, and work that was done outside of any.
func (m *campaigner) reach(old *plan.Campaign, kept schedule.Kept) {
	cover := func(from, to time.Time, what string) {
		if !slices.ContainsFunc(m.slots, func(s schedule.Slot) bool { return s.Start.Before(to) && from.Before(s.End) }) {
			m.slots = append(m.slots, schedule.Slot{UID: what, Summary: what, Start: from, End: to})
		}
	}
	for _, n := range old.Nights {
		if n.Start.Before(kept.Now) {
			cover(n.Start, n.End, "night of the kept campaign")
		}
	}
	for _, d := range old.Devices {
		if at, ok := kept.Done[d.Device]; ok {
			cover(at.Add(-time.Minute), at.Add(time.Second), "work outside of any window")
		}
	}
}

// revised makes the campaign of the revision.
func (m *campaigner) revised(old *plan.Campaign, digest string, w schedule.Waves, rev schedule.Revision, kept schedule.Kept, failed map[fleet.DeviceID]Outcome) (*plan.Campaign, error) {
	open := w
	open.Nights = nil
	for _, n := range w.Nights {
		if !n.Start.Before(kept.Now) {
			open.Nights = append(open.Nights, n)
		}
	}
	c, err := m.assemble(open)
	if err != nil {
		return nil, err
	}
	c.Revises, c.LeastMoves = digest, rev.LeastMoves
	over := m.over(old, w, kept, failed)
	shift := len(over)
	for k := range c.Nights {
		c.Nights[k].Number += shift
		n := &c.Nights[k]
		if n.Load != nil {
			n.Load.Worst.Night += shift
			if n.Load.WorstFailure != nil {
				n.Load.WorstFailure.Night += shift
			}
		}
		n.Promised = n.Start.Before(kept.PromisedUntil)
	}
	for k := range c.Devices {
		c.Devices[k].Night += shift
	}
	for k := range c.Served {
		for j := range c.Served[k].Nights {
			c.Served[k].Nights[j] += shift
		}
	}
	if c.Network != nil {
		c.Network.Worst.Night += shift
		if c.Network.WorstFailure != nil {
			c.Network.WorstFailure.Night += shift
		}
	}
	for k := range over {
		over[k].Number = k + 1
	}
	c.Nights = append(over, c.Nights...)
	var past []plan.DeviceCourse
	for _, d := range old.Devices {
		if _, done := kept.Done[d.Device]; done {
			for _, n := range over {
				for _, t := range n.Tasks {
					if t.Device == d.Device && t.Outcome == OutcomeDone {
						d.Night = n.Number
					}
				}
			}
			past = append(past, d)
		}
	}
	c.Devices = append(past, c.Devices...)
	c.Proof.Nights = len(c.Nights)
	c.Changes = m.changes(old, c, kept, failed)
	// Once more, with the nights that are over.
	if err := m.availability(c); err != nil {
		return nil, err
	}
	return c, nil
}

// over are the nights that are over, as they were kept, with what came of them,
// and what was done at other times than planned.
func (m *campaigner) over(old *plan.Campaign, w schedule.Waves, kept schedule.Kept, failed map[fleet.DeviceID]Outcome) []plan.Night {
	var out []plan.Night
	told := map[fleet.DeviceID]bool{}
	for _, n := range old.Nights {
		if !n.Start.Before(kept.Now) {
			continue
		}
		var tasks []plan.Task
		for _, t := range n.Tasks {
			at, done := kept.Done[t.Device]
			inside := done && !at.Before(n.Start) && !at.After(n.End)
			switch {
			case t.Outcome != "":
			case inside:
				t.Outcome = OutcomeDone
			case done: // at another time
				continue
			default:
				t.Outcome = OutcomeUnknown
				if _, bad := failed[t.Device]; bad {
					t.Outcome = OutcomeFailed
				}
			}
			t.Start, t.End = t.Start.In(m.zone), t.End.In(m.zone)
			told[t.Device] = told[t.Device] || t.Outcome == OutcomeDone
			tasks = append(tasks, t)
		}
		n.Tasks = tasks
		n.Start, n.End, n.RollbackClock = n.Start.In(m.zone), n.End.In(m.zone), inZone(n.RollbackClock, m.zone)
		out = append(out, n)
	}
	for _, n := range w.Nights {
		if !n.Start.Before(kept.Now) {
			continue
		}
		for _, d := range n.Devices {
			at, done := kept.Done[d]
			if !done || told[d] {
				continue
			}
			told[d] = true
			k := slices.IndexFunc(out, func(o plan.Night) bool { return o.Start.Before(n.End) && n.Start.Before(o.End) })
			if k < 0 {
				k = len(out)
				out = append(out, plan.Night{Start: n.Start.In(m.zone), End: n.End.In(m.zone), StageName: "outside the plan", Done: 1})
			}
			out[k].Tasks = append(out[k].Tasks, plan.Task{Device: d, Start: at, End: at, Outcome: OutcomeDone})
		}
	}
	slices.SortStableFunc(out, func(x, y plan.Night) int { return x.Start.Compare(y.Start) })
	return out
}

// changes lists the devices that have another night than before.
func (m *campaigner) changes(old, c *plan.Campaign, kept schedule.Kept, failed map[fleet.DeviceID]Outcome) []plan.Change {
	night := func(x *plan.Campaign) map[fleet.DeviceID]time.Time {
		out := map[fleet.DeviceID]time.Time{}
		for _, n := range x.Nights {
			for _, t := range n.Tasks {
				if t.Outcome == "" || t.Outcome == OutcomeDone {
					out[t.Device] = n.Start
				}
			}
		}
		return out
	}
	was, is := night(old), night(c)
	var out []plan.Change
	for _, d := range c.Devices {
		if _, done := kept.Done[d.Device]; done || was[d.Device].Equal(is[d.Device]) {
			continue
		}
		x := plan.Change{Device: d.Device, Was: inZone(was[d.Device], m.zone), Is: is[d.Device]}
		o, bad := failed[d.Device]
		switch {
		case bad && o.Note != "":
			x.Why = fmt.Sprintf("failed on %s (%s)", m.day(o.At), o.Note)
		case bad:
			x.Why = "failed on " + m.day(o.At)
		case x.Was.IsZero():
			x.Why = "had no night before"
		case x.Was.Before(kept.Now):
			x.Why = "its night is over and nothing says that it is done"
		default:
			x.Why = "moves so that the rules hold again"
		}
		out = append(out, x)
	}
	for _, d := range old.Devices {
		if _, ok := is[d.Device]; ok {
			continue
		}
		x := plan.Change{Device: d.Device, Was: inZone(was[d.Device], m.zone), Why: "is no longer in the campaign"}
		if i := slices.IndexFunc(c.Left, func(u plan.Unscheduled) bool { return u.Device == d.Device }); i >= 0 {
			x.Why = c.Left[i].Reason
		}
		out = append(out, x)
	}
	return out
}
