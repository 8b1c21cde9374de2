package app

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/evidence"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/state"
	"towpath/internal/timing"
)

// Hands are what a run is conducted with, beside the use cases.
type Hands struct {
	Store  Store
	Images Images
	Prober conduct.Prober
	Asker  Asker
	Show   func(Progress)
	// Who conducts this session.
	Who string
	// OnStart, when not nil, is given the conductor before it begins, so that a
	// front door can ask it to stop.
	OnStart func(*Conductor)
}

// Open says whether a run has begun and not ended. One that was kept and never
// begun did nothing and stands in nobody's way.
func Open(ctx context.Context, s Store, run RunRow) (bool, error) {
	st, records, err := StateOf(ctx, s, run)
	if err != nil {
		return false, err
	}
	return len(records) > 0 && st.Status != conduct.Closed, nil
}

// alone is an error when another run of the device is open: its guards, its
// comparison and its way back would meet the other's changes. So would they where
// one of the two changes settings on the other's device; others are the devices
// on which this run does.
func alone(ctx context.Context, s Store, device, run string, others ...fleet.DeviceID) error {
	runs, err := s.Runs(ctx)
	if err != nil {
		return err
	}
	for _, r := range runs {
		if r.ID == run {
			continue
		}
		if r.Device != device && !slices.Contains(others, fleet.DeviceID(r.Device)) {
			in, _, err := inputOf(r)
			if err != nil {
				return err
			}
			if in.Plan == nil || !slices.Contains(in.Plan.Neighbours(), fleet.DeviceID(device)) {
				continue
			}
		}
		open, err := Open(ctx, s, r)
		if err != nil {
			return err
		}
		if open {
			return fmt.Errorf("%w: %s on %s", ErrOpenRun, r.ID, r.Device)
		}
	}
	return nil
}

// Begin keeps a new run of the prepared change. Nothing is done to the device.
// It is [ErrOpenRun] when another run of the device has not ended.
func (a *App) Begin(ctx context.Context, s Store, p *Prepared, who, lab string) (RunRow, error) {
	if p.Plan == nil {
		return RunRow{}, fmt.Errorf("%s already runs %s", p.Device.ID, p.Capture.Release.Or("the target"))
	}
	if err := alone(ctx, s, string(p.Device.ID), "", p.Plan.Neighbours()...); err != nil {
		return RunRow{}, err
	}
	pol, err := json.Marshal(a.Workspace.Policy)
	if err != nil {
		return RunRow{}, fmt.Errorf("app: encode the policy: %w", err)
	}
	in := RunInput{Plan: p.Plan, Policy: pol, Workspace: a.Workspace.Digest, Operator: a.Workspace.Fleet.Operator, Who: who, Lab: lab}
	body, err := json.Marshal(in)
	if err != nil {
		return RunRow{}, fmt.Errorf("app: encode the run: %w", err)
	}
	begun := a.Clock.Now()
	r := RunRow{ID: string(p.Device.ID) + "-" + time.Now().UTC().Format("20060102-150405"), Device: string(p.Device.ID), Begun: begun, Input: body}
	return r, s.Create(ctx, r)
}

// Conduct conducts the run, new or taken up, until it ends or waits for a
// person. The state is meaningful even where there is an error.
func (a *App) Conduct(ctx context.Context, run RunRow, h Hands) (st conduct.State, err error) {
	in, pol, err := inputOf(run)
	if err != nil {
		return st, err
	}
	// A run that has ended asks nothing of any device.
	if st, _, err = StateOf(ctx, h.Store, run); err != nil || st.Status == conduct.Closed {
		if err == nil && run.Verdict != string(st.Verdict) {
			err = h.Store.SetVerdict(ctx, run.ID, string(st.Verdict))
		}
		return st, err
	}
	d, err := a.Device(string(in.Plan.Device))
	if err != nil {
		return st, err
	}
	dev, err := a.Dial(ctx, d)
	if err != nil {
		return st, err
	}
	leave := func(conn device.Device) {
		err = errors.Join(err, conn.Close(), keepTranscript(context.WithoutCancel(ctx), h.Store, run.ID, conn))
	}
	defer func() { leave(dev) }()
	// The run is judged by the policy that it was begun with.
	ws := *a.Workspace
	ws.Policy = pol
	judge := *a
	judge.Workspace = &ws
	c := &Conductor{Run: run, Input: in, Policy: pol, Clock: a.Clock, Device: dev, Partners: map[string]device.Device{}, Others: map[string]device.Device{},
		Prober: h.Prober, Images: h.Images, Store: h.Store, Asker: h.Asker, Show: h.Show, Who: h.Who, Checks: runChecks{app: &judge, plan: in.Plan, dev: dev}}
	for _, id := range in.Plan.Partners {
		pd, err := a.Device(string(id))
		if err != nil {
			return st, err
		}
		conn, err := a.Dial(ctx, pd)
		if err != nil {
			return st, fmt.Errorf("partner %s: %w", id, err)
		}
		defer func() { leave(conn) }()
		c.Partners[string(id)] = conn
	}
	for _, id := range in.Plan.Neighbours() {
		if conn, ok := c.Partners[string(id)]; ok {
			c.Others[string(id)] = conn
			continue
		}
		nd, err := a.Device(string(id))
		if err != nil {
			return st, err
		}
		conn, err := a.Dial(ctx, nd)
		if err != nil {
			return st, fmt.Errorf("neighbour %s, on which settings are changed: %w", id, err)
		}
		defer func() { leave(conn) }()
		c.Others[string(id)] = conn
	}
	if h.OnStart != nil {
		h.OnStart(c)
	}
	return c.Conduct(ctx)
}

// Transcribed is a device whose driver keeps a transcript of what was typed and
// what came back. It is whole once the device has been closed.
type Transcribed interface {
	Transcript() (evidence.Transcript, error)
}

// keepTranscript notes which transcript belongs to the run, with its digest.
func keepTranscript(ctx context.Context, s Store, run string, dev device.Device) error {
	d, ok := dev.(Transcribed)
	if !ok {
		return nil
	}
	t, err := d.Transcript()
	if err != nil {
		return fmt.Errorf("app: transcript: %w", err)
	}
	b, err := json.Marshal(t)
	if err != nil {
		return fmt.Errorf("app: encode the transcript's digest: %w", err)
	}
	return s.SetArtefact(ctx, run, transcriptOf+t.File, b)
}

const transcriptOf = "transcript/"

// transcripts are those of all sessions of a run, by name.
func transcripts(ctx context.Context, s Store, run string) (out []evidence.Transcript, err error) {
	names, err := s.Artefacts(ctx, run, transcriptOf)
	if err != nil {
		return nil, err
	}
	for _, n := range names {
		b, _, err := s.Artefact(ctx, run, n)
		if err != nil {
			return nil, err
		}
		var t evidence.Transcript
		if err := json.Unmarshal(b, &t); err != nil {
			return nil, fmt.Errorf("app: %s of run %s: %w", n, run, err)
		}
		out = append(out, t)
	}
	return out, nil
}

func inputOf(run RunRow) (RunInput, policy.Policy, error) {
	var in RunInput
	pol := policy.Default()
	if err := json.Unmarshal(run.Input, &in); err != nil {
		return in, pol, fmt.Errorf("app: run %s: %w", run.ID, err)
	}
	if err := json.Unmarshal(in.Policy, &pol); err != nil {
		return in, pol, fmt.Errorf("app: policy of run %s: %w", run.ID, err)
	}
	return in, pol, nil
}

// StateOf folds the journal of a run.
func StateOf(ctx context.Context, s Store, run RunRow) (conduct.State, []conduct.Record, error) {
	in, pol, err := inputOf(run)
	if err != nil {
		return conduct.State{}, nil, err
	}
	raw, err := s.Journal(ctx, run.ID)
	if err != nil {
		return conduct.State{}, nil, err
	}
	records := make([]conduct.Record, len(raw))
	for i, b := range raw {
		if err := json.Unmarshal(b, &records[i]); err != nil {
			return conduct.State{}, nil, fmt.Errorf("app: journal of run %s, record %d: %w", run.ID, i+1, err)
		}
	}
	if err := unaltered(run, records); err != nil {
		return conduct.State{}, nil, err
	}
	st, err := conduct.Fold(in.Plan, pol, records)
	return st, records, err
}

// ErrAltered says that what a run was begun with is not what is kept of it now.
var ErrAltered = errors.New("what the run was begun with was altered since")

// begunWith is what the first record of a run keeps of its input.
type begunWith struct {
	Input string `json:"input_sha256"`
}

// inputDigest is the SHA-256 of a run's input, lower-case hex. It is of the
// values and not of how a database writes them.
func inputDigest(input json.RawMessage) (string, error) {
	if len(input) == 0 {
		return "", nil
	}
	d := json.NewDecoder(bytes.NewReader(input))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		return "", fmt.Errorf("app: input of the run: %w", err)
	}
	b, err := json.Marshal(v) // the names of objects sorted
	if err != nil {
		return "", fmt.Errorf("app: input of the run: %w", err)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}

// unaltered is an error where the input of a run is not the one whose digest its
// first record keeps: consents were given to that one, and steps were done of
// it.
func unaltered(run RunRow, records []conduct.Record) error {
	var was begunWith
	if len(records) == 0 || len(records[0].Data) == 0 || json.Unmarshal(records[0].Data, &was) != nil || was.Input == "" {
		return nil // not begun, or kept by a release that did not note it
	}
	now, err := inputDigest(run.Input)
	if err != nil {
		return err
	}
	if now != was.Input {
		return fmt.Errorf("run %s: %w: SHA-256 %s, the journal's first record says %s", run.ID, ErrAltered, now, was.Input)
	}
	return nil
}

// Evidence assembles the evidence of a run from what the store keeps.
func Evidence(ctx context.Context, s Store, run RunRow, unsafe []string) (*evidence.Document, error) {
	in, _, err := inputOf(run)
	if err != nil {
		return nil, err
	}
	st, records, err := StateOf(ctx, s, run)
	if err != nil {
		return nil, err
	}
	e := evidence.Inputs{Run: run.ID, Operator: in.Operator, Who: in.Who, Lab: in.Lab, Workspace: in.Workspace, Unsafe: unsafe,
		State: st, Journal: records, Captures: map[string]string{}}
	if b, ok, err := s.Artefact(ctx, run.ID, "findings"); err != nil {
		return nil, err
	} else if ok {
		if e.Findings, err = evidence.FindingsOf(b); err != nil {
			return nil, err
		}
	}
	if err := gatherCaptures(ctx, s, run.ID, &e); err != nil {
		return nil, err
	}
	if err := gatherComparisons(ctx, s, run.ID, &e); err != nil {
		return nil, err
	}
	if e.Sessions, err = measurements(ctx, s, run.ID); err != nil {
		return nil, err
	}
	if e.Transcripts, err = transcripts(ctx, s, run.ID); err != nil {
		return nil, err
	}
	return evidence.Assemble(e)
}

// measurements reads what the sessions of a run measured, in order of time.
func measurements(ctx context.Context, s Store, run string) ([]conduct.Measurement, error) {
	names, err := s.Artefacts(ctx, run, "probe/")
	if err != nil {
		return nil, err
	}
	var out []conduct.Measurement
	for _, n := range names {
		b, _, err := s.Artefact(ctx, run, n)
		if err != nil {
			return nil, err
		}
		var m conduct.Measurement
		if err := json.Unmarshal(b, &m); err != nil {
			return nil, fmt.Errorf("app: %s of run %s: %w", n, run, err)
		}
		out = append(out, m)
	}
	return out, nil
}

func gatherCaptures(ctx context.Context, s Store, run string, e *evidence.Inputs) error {
	names, err := s.Artefacts(ctx, run, "capture/")
	if err != nil {
		return err
	}
	slices.SortFunc(names, byNumber)
	for _, n := range names {
		b, _, err := s.Artefact(ctx, run, n)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(b)
		e.Captures[n] = hex.EncodeToString(sum[:])
		cp, err := state.Decode(bytes.NewReader(b))
		if err != nil {
			return fmt.Errorf("app: %s of run %s: %w", n, run, err)
		}
		switch {
		case n == "capture/before":
			e.Before = cp
		case strings.HasPrefix(n, afterHop):
			hop, err := strconv.Atoi(strings.TrimPrefix(n, afterHop))
			if err != nil || hop < 1 {
				return fmt.Errorf("app: run %s keeps %q, want a number of a hop at its end", run, n)
			}
			for len(e.After) < hop {
				e.After = append(e.After, nil)
			}
			e.After[hop-1] = cp
		}
	}
	return nil
}

// afterHop begins the names of captures taken after a hop; its number follows,
// from 1.
const afterHop = "capture/after-hop-"

// byNumber compares two names by what stands before the number at their ends, and
// then by that number, so that the tenth hop comes after the second.
func byNumber(a, b string) int {
	split := func(s string) (string, int) {
		head := strings.TrimRight(s, "0123456789")
		n, err := strconv.Atoi(s[len(head):])
		if err != nil {
			return s, -1
		}
		return head, n
	}
	headA, nA := split(a)
	headB, nB := split(b)
	return cmp.Or(cmp.Compare(headA, headB), cmp.Compare(nA, nB))
}

func gatherComparisons(ctx context.Context, s Store, run string, e *evidence.Inputs) error {
	names, err := s.Artefacts(ctx, run, "comparison/")
	if err != nil {
		return err
	}
	slices.SortFunc(names, byNumber)
	// The way back comes last, whatever its name.
	slices.SortStableFunc(names, func(a, b string) int {
		return cmp.Compare(strings.Count(a, "comparison/back"), strings.Count(b, "comparison/back"))
	})
	for _, n := range names {
		b, _, err := s.Artefact(ctx, run, n)
		if err != nil {
			return err
		}
		var c state.Comparison
		if err := json.Unmarshal(b, &c); err != nil {
			return fmt.Errorf("app: %s of run %s: %w", n, run, err)
		}
		e.Compared = append(e.Compared, evidence.Comparison{
			Name:        strings.ReplaceAll(strings.TrimPrefix(n, "comparison/"), "-", " "),
			Differences: c.Differences, Counts: map[string]int{"expected": c.Expecteds, "look": c.Looks, "stop": c.Stops},
		})
	}
	return nil
}

// Unsafe lists the devices for which verification is switched off, with the
// operator's reason.
func Unsafe(f *fleet.Fleet, ids ...fleet.DeviceID) []string {
	var out []string
	for _, id := range ids {
		d, ok := f.Device(id)
		if !ok {
			continue
		}
		if d.Access.InsecureReason != "" {
			out = append(out, fmt.Sprintf("%s: certificates and host keys are not verified: %s", id, d.Access.InsecureReason))
		}
		jumps := d.Access.Jump
		if c := d.Access.Console; c != nil {
			for _, x := range c.Lines() {
				of := ""
				if x.Controller != "" {
					of = " of " + x.Controller
				}
				for _, j := range x.Jump {
					if !slices.Contains(jumps, j) {
						jumps = append(slices.Clone(jumps), j)
					}
				}
				if x.InsecureReason != "" {
					out = append(out, fmt.Sprintf("%s: the host key of its console server%s is not verified: %s", id, of, x.InsecureReason))
				}
			}
		}
		for _, j := range jumps {
			if j.InsecureReason != "" {
				out = append(out, fmt.Sprintf("%s: the host key of its jump host %s is not verified: %s", id, j.Address, j.InsecureReason))
			}
		}
	}
	return out
}

// PolicyOf returns the policy that a run was begun with.
func PolicyOf(run RunRow) (policy.Policy, error) {
	_, pol, err := inputOf(run)
	return pol, err
}

// BackTakes is how long a way back from here takes in all but one of twenty
// cases ([timing.Confidence]), were everything of the hop already changed: the
// end of the window less this is the rollback clock. The longest times of all
// steps at once, which no night has, would call people back far too early.
func BackTakes(st *conduct.State) time.Duration {
	if st.Hop >= len(st.Plan.Hops) || !st.Touched {
		return 0
	}
	h := st.Plan.Hops[st.Hop]
	now := plan.Layout{Releases: map[string]string{}}
	for _, s := range st.Plan.Steps {
		if s.Hop != st.Hop {
			continue
		}
		switch s.Kind {
		case plan.LoadSecondary:
			if now.Secondary == "" {
				now.Secondary = s.Component
				now.Releases[s.Component] = h.To
			} else if now.Primary == "" && st.Past {
				now.Primary = now.Secondary
				now.Secondary = s.Component
				now.Releases[s.Component] = h.To
			}
		case plan.LoadLineCard:
			now.LineCards = append(now.LineCards, s.Component)
			if st.Past {
				now.Releases[s.Component] = h.To
			}
		default:
		}
	}
	if now.Primary == "" {
		now.Primary = "primary"
		now.Releases["primary"] = h.From
	}
	steps, err := plan.WayBack(st.Plan, st.Hop, now, st.Policy, st.Prepared)
	if err != nil {
		return 0
	}
	laws := make([]timing.Step, len(steps))
	for i, s := range steps {
		laws[i] = timing.Step{ID: s.ID, Law: plan.Timed(s.Expect)}
	}
	const draws = 2000 // the error of the share is 1.1 % at most
	out, err := timing.Simulate(laws, 0, draws, rand.New(rand.NewPCG(1, uint64(len(laws)))))
	if err != nil {
		return 0
	}
	return out.Quantile(timing.Confidence)
}
