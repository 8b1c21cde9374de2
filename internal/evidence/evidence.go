// Package evidence assembles what is handed over after a run: findings,
// forecast beside measurement, comparison, loss over time, the journal, and a
// digest of each part and of the whole.
//
// Read [Assemble] first, then [Document.WriteJSON], [Document.WriteHTML] and
// [Check], which proves that a document is as it was handed over.
package evidence

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/plan"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// Format names the document's form; it changes when a reader must change.
const Format = "towpath-evidence-1"

// Document is the evidence of one run. Durations are nanoseconds in JSON.
type Document struct {
	Format      string                `json:"format"`
	Run         string                `json:"run"`
	Operator    string                `json:"operator"`
	Who         string                `json:"who"`
	Device      string                `json:"device"`
	Platform    string                `json:"platform"`
	From        string                `json:"from"`
	To          string                `json:"to"`
	Verdict     conduct.Verdict       `json:"verdict"`
	Reason      string                `json:"reason,omitempty"`
	SafeState   string                `json:"safe_state"`
	Begun       time.Time             `json:"begun"`
	Ended       time.Time             `json:"ended"`
	Lab         string                `json:"lab,omitempty"`     // set when this was the emulated lab
	Cautions    []string              `json:"cautions"`          // as shown when the change was approved
	Notes       []string              `json:"notes,omitempty"`   // what a reader must know, such as time that was not measured
	Unsafe      []string              `json:"unsafe,omitempty"`  // verification that was switched off, with the operator's reason
	Consents    []Consent             `json:"consents"`          // who consented to what, and when
	Waivers     []conduct.Waiver      `json:"waivers,omitempty"` // guards that a person waived, each for one step
	Found       []string              `json:"found,omitempty"`   // what the device showed when a person took the work over by hand
	Workspace   string                `json:"workspace_sha256"`  // digest of the files that the run was made from
	Plan        string                `json:"plan_sha256"`       // digest of the plan that was consented to
	Hops        []Hop                 `json:"hops"`              // forecast beside measurement
	Findings    []Finding             `json:"findings"`          // readiness
	Budget      time.Duration         `json:"budget_ns"`         // longest loss that the policy allows
	Probe       conduct.Measurement   `json:"probe"`
	Sessions    []conduct.Measurement `json:"probe_sessions,omitempty"` // where the run was interrupted
	Compared    []Comparison          `json:"comparisons"`
	Transcripts []Transcript          `json:"transcripts,omitempty"` // of command lines, kept beside the runs
	Steps       []Step                `json:"steps"`
	Journal     []conduct.Record      `json:"journal"`
	Parts       map[string]string     `json:"parts_sha256"` // part → SHA-256 of its JSON, and of each capture
	Digest      string                `json:"sha256"`       // of the whole with this field empty
}

// Transcript is a file that holds every octet that went to a device's command
// line and came from it, secrets masked.
type Transcript struct {
	Device string `json:"device"`
	File   string `json:"file"`
	Octets int64  `json:"octets"`
	SHA256 string `json:"sha256"`
}

// Consent is one consent or choice of a person.
type Consent struct {
	At     time.Time `json:"at"`
	Person string    `json:"person"`
	What   string    `json:"what"`
	// Covers are the steps that the consent covered, as the person was told them.
	Covers []plan.Effect `json:"covers,omitempty"`
}

// Hop is one hop's forecast beside its measurement.
type Hop struct {
	From    string `json:"from"`
	To      string `json:"to"`
	Method  string `json:"method"`
	Silence Pair   `json:"silence"`
	// Loss is the longest of the traffic outside the restarts of single components;
	// Parts is the longest during those. Each has a forecast of its own; that of
	// Parts is 0 where none was made.
	Loss        Pair         `json:"loss"`
	Parts       Pair         `json:"loss_at_components"`
	Minutes     Pair         `json:"duration"`
	Untouched   float64      `json:"untouched"`                // forecast probability that every adjacency holds, with the preparations
	Bare        float64      `json:"untouched_bare,omitempty"` // and without them, where there are any
	Prepared    []Prepared   `json:"prepared,omitempty"`
	Held        *bool        `json:"held"` // whether every adjacency did; nil where it was not measured
	Adjacencies []Fate       `json:"adjacencies,omitempty"`
	T1          PhaseMinutes `json:"t1"` // download and secondary loaded
	T2          PhaseMinutes `json:"t2"` // upgrade run
	T3          PhaseMinutes `json:"t3"` // acceptance, until redundant again
}

// Prepared is a setting that was changed for the hand-over: what was found,
// what it was set to and for how long.
type Prepared struct {
	On      string    `json:"on"`
	Setting string    `json:"setting"` // without its value
	Found   string    `json:"found"`   // empty: none, its default held; or set by hand, and not read
	Wanted  string    `json:"wanted"`
	ByHand  bool      `json:"by_hand,omitempty"`
	Since   time.Time `json:"since"`
	Back    time.Time `json:"back,omitzero"` // zero: it was not put back in this run
	// Last is what was found of it when a person took the work over by hand; empty
	// where nobody did, or where it could not be read.
	Last string `json:"last,omitempty"`
}

// PhaseMinutes is how long a phase took, by the run's clock.
// Source: RFC 7654 §7 (T1 to T3; their sum is T4).
type PhaseMinutes = time.Duration

// Pair is a forecast beside its measurement.
type Pair struct {
	Least      time.Duration `json:"least_ns,omitempty"`
	Forecast   time.Duration `json:"forecast_ns"`
	Most       time.Duration `json:"most_ns,omitempty"`
	Measured   time.Duration `json:"measured_ns"`
	Resolution time.Duration `json:"resolution_ns,omitempty"`
	Known      bool          `json:"measured"` // false: it was not measured, and Measured means nothing
}

// Inside says whether the measurement lies between least and most.
func (p Pair) Inside() bool { return p.Known && p.Measured >= p.Least && p.Measured <= p.Most }

// Fate is what was foretold of an adjacency and what became of it.
type Fate struct {
	Object   string  `json:"object"`
	Forecast string  `json:"forecast"`
	Survive  float64 `json:"survive"`
	Outcome  string  `json:"outcome"` // held, restarted, lost, unknown; suspended: the run took it down itself
	Why      string  `json:"why,omitempty"`
}

// Finding is one readiness finding.
type Finding struct {
	Rule     string `json:"rule"`
	Title    string `json:"title,omitempty"`
	Verdict  string `json:"verdict"`
	Object   string `json:"object,omitempty"`
	Evidence string `json:"evidence"`
	Reason   string `json:"reason,omitempty"`
	Remedy   string `json:"remedy,omitempty"`
	Source   string `json:"source,omitempty"`
}

// Comparison is the comparison of the state before with a later one.
type Comparison struct {
	Name        string             `json:"name"`
	Differences []state.Difference `json:"differences"`
	Counts      map[string]int     `json:"counts"`
}

// Step is one step as it went.
type Step struct {
	ID      string        `json:"id"`
	Hop     int           `json:"hop"`
	Phase   plan.Phase    `json:"phase"`
	Title   string        `json:"title"`
	Begun   time.Time     `json:"begun"`
	Took    time.Duration `json:"took_ns"`
	Expect  time.Duration `json:"expected_ns"`
	Result  string        `json:"result"` // done, failed, guard broke, open
	Text    string        `json:"text"`
	Back    bool          `json:"back,omitempty"` // on the way back
	Attempt int           `json:"attempt,omitempty"`
	// Try counts the tries of the step from 1, by itself or by a person's word.
	Try int `json:"try,omitempty"`
	// By and Choice say who had it tried once more, and by what choice; empty where
	// the run did so by itself.
	By     string         `json:"by,omitempty"`
	Choice conduct.Choice `json:"choice,omitempty"`
}

// Inputs is what the evidence is assembled from.
type Inputs struct {
	Run       string
	Operator  string
	Who       string
	Lab       string
	Workspace string
	Unsafe    []string
	State     conduct.State
	Journal   []conduct.Record
	Findings  []Finding
	Before    *state.Capture
	After     []*state.Capture // by hop; nil where the run did not get so far
	Compared  []Comparison
	Sessions  []conduct.Measurement // in order of time
	Captures  map[string]string     // name → SHA-256

	Transcripts []Transcript
}

// Assemble makes the document of a run, finished or resting. It is an error
// when the journal is empty or a part cannot be encoded.
func Assemble(in Inputs) (*Document, error) {
	if len(in.Journal) == 0 {
		return nil, errors.New("evidence: the journal is empty")
	}
	p := in.State.Plan
	digest, err := p.Digest()
	if err != nil {
		return nil, err
	}
	d := &Document{
		Format: Format, Run: in.Run, Operator: in.Operator, Who: in.Who, Device: string(p.Device), Platform: p.Platform, From: p.From, To: p.To,
		Verdict: in.State.Verdict, SafeState: in.State.SafeState(), Begun: in.Journal[0].At, Ended: in.Journal[len(in.Journal)-1].At,
		Lab: in.Lab, Cautions: p.Cautions, Unsafe: in.Unsafe, Workspace: in.Workspace, Plan: digest,
		Budget: in.State.Policy.Probe.Budget, Findings: in.Findings, Compared: in.Compared, Journal: in.Journal, Transcripts: in.Transcripts,
	}
	if in.State.Failure != nil {
		d.Reason = in.State.Failure.Text
	}
	d.Steps = stepsOf(p, in.Journal)
	d.Consents = consentsOf(p, in.Journal)
	d.Waivers = in.State.Waivers
	d.Probe = merge(in.Sessions)
	if len(in.Sessions) > 1 {
		d.Sessions = in.Sessions
		d.Notes = append(d.Notes, fmt.Sprintf("The run was interrupted: traffic was measured in %s. Between them nothing was measured, and nothing is claimed of those times.", unit.Counted(len(in.Sessions), "stretch")))
	}
	if len(in.Sessions) > 0 && slices.ContainsFunc(in.Sessions[0].Marks, func(k conduct.Mark) bool { return k.Label == conduct.TakenUp }) {
		d.Notes = append(d.Notes, "What was measured of traffic before the first interruption was not kept: nothing is claimed of that time.")
	}
	d.Notes = append(d.Notes, inSpite(in.Journal)...)
	d.Notes = append(d.Notes, setBack(in.Journal)...)
	last := foundAtEnd(in.Journal)
	d.Found = last.lines(p)
	if still := in.State.StillChanged(); len(still) > 0 {
		d.Notes = append(d.Notes, "Settings that the run changed and did not put back, and that somebody must put back: "+strings.Join(still, "; "))
	}
	d.Hops = hopsOf(p, in, d.Steps)
	for _, x := range preparedIn(p, in) {
		if x.hop < len(d.Hops) {
			if x.Back.IsZero() {
				x.Last = last.setting(p, x.Prepared)
			}
			d.Hops[x.hop].Prepared = append(d.Hops[x.hop].Prepared, x.Prepared)
		}
	}
	return d, d.seal(in.Captures)
}

// setBack tells where the clock that the journal was written by went back: what
// was timed over that is not known.
func setBack(journal []conduct.Record) (out []string) {
	for i := 1; i < len(journal); i++ {
		if d := journal[i-1].At.Sub(journal[i].At); d > 0 {
			out = append(out, fmt.Sprintf("The clock of the machine that conducted went back by %v at least between records %d and %d: how long the step there took is not known.", d, journal[i-1].Seq, journal[i].Seq))
		}
	}
	return out
}

// inSpite tells where a person had the run go on in spite of what stopped it.
func inSpite(journal []conduct.Record) (out []string) {
	why := ""
	for _, r := range journal {
		if r.Failure != nil {
			why = r.Failure.Text
		}
		switch {
		case r.Kind != conduct.Chosen:
		case r.Choice == conduct.Continue:
			out = append(out, fmt.Sprintf("%s chose to go on in spite of: %s", r.Person, why))
		case r.Choice == conduct.Waive:
			var d conduct.ChosenData
			if json.Unmarshal(r.Data, &d) != nil || d.Waiver == nil {
				continue // the journal would not have been folded
			}
			out = append(out, fmt.Sprintf("%s waived guard %s for step %s in spite of: %s. Why: %s", r.Person, d.Waiver.Guard, d.Waiver.Step, d.Waiver.Found, d.Waiver.Reason))
		}
	}
	return out
}

// seal computes the digests of the parts and of the whole.
func (d *Document) seal(captures map[string]string) error {
	d.Parts = maps.Clone(captures)
	if d.Parts == nil {
		d.Parts = map[string]string{}
	}
	for _, t := range d.Transcripts {
		d.Parts["transcript "+t.File] = t.SHA256
	}
	for name, part := range d.parts() {
		sum, err := digestOf(part)
		if err != nil {
			return err
		}
		d.Parts[name] = sum
	}
	d.Digest = ""
	whole, err := digestOf(d)
	if err != nil {
		return err
	}
	d.Digest = whole
	return nil
}

func (d *Document) parts() map[string]any {
	return map[string]any{"findings": d.Findings, "hops": d.Hops, "probe": d.Probe, "comparisons": d.Compared, "steps": d.Steps,
		"journal": d.Journal, "consents": d.Consents}
}

func digestOf(v any) (string, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return "", fmt.Errorf("evidence: encode: %w", err)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}

// WriteJSON writes the document as JSON.
func (d *Document) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	if err := e.Encode(d); err != nil {
		return fmt.Errorf("evidence: write: %w", err)
	}
	return nil
}

// Check reads a document and proves that it is, octet by octet, the one whose
// digests it carries. The error names the part that was changed.
func Check(r io.Reader) (*Document, error) {
	raw, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("evidence: read: %w", err)
	}
	var d Document
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&d); err != nil {
		return nil, fmt.Errorf("evidence: this is no evidence document: %w", err)
	}
	if d.Format != Format {
		return nil, fmt.Errorf("evidence: format %q, want %q", d.Format, Format)
	}
	var bad []string
	for name, part := range d.parts() {
		sum, err := digestOf(part)
		if err != nil {
			return nil, err
		}
		if sum != d.Parts[name] {
			bad = append(bad, name)
		}
	}
	if len(bad) > 0 {
		slices.Sort(bad)
		return nil, fmt.Errorf("evidence: changed after it was handed over: %v", bad)
	}
	want := d.Digest
	d.Digest = ""
	sum, err := digestOf(&d)
	if err != nil {
		return nil, err
	}
	if d.Digest = want; sum != want {
		return nil, fmt.Errorf("evidence: the document was changed after it was handed over: SHA-256 %s, it says %s", sum, want)
	}
	// A name written twice, in other letters, or text after the end would be read
	// otherwise by another reader than by this one.
	var as bytes.Buffer
	if err := d.WriteJSON(&as); err != nil {
		return nil, err
	}
	if !bytes.Equal(as.Bytes(), raw) {
		return nil, errors.New("evidence: the document says the same and is not written as it was handed over: it was written anew or added to")
	}
	return &d, nil
}

// stepsOf pairs the begin of each try of a step with its end. A try begins where
// the record before it ends, and what a person chooses after it is the begin of
// the next: neither the time nor the words of one run into the other.
func stepsOf(p *plan.Plan, journal []conduct.Record) []Step {
	list := p.Steps
	back := false
	find := func(id string) (plan.Step, bool) {
		i := slices.IndexFunc(list, func(s plan.Step) bool { return s.ID == id })
		if i < 0 {
			return plan.Step{}, false
		}
		return list[i], true
	}
	var out []Step
	open, tries := -1, map[string]int{}
	var said conduct.Record // the choice that the next try follows
	last := journal[0].At
	for _, r := range journal {
		if r.Kind == conduct.BackPlanned {
			list, back = r.Steps, true
			open, tries = -1, map[string]int{}
		}
		if r.Kind == conduct.Chosen {
			open, said, last = -1, r, r.At
			continue
		}
		s, ok := find(r.Step)
		if ok && r.Step != "" {
			if open < 0 || out[open].ID != r.Step {
				tries[r.Step]++
				out = append(out, Step{ID: s.ID, Hop: s.Hop, Phase: s.Phase, Title: s.Title, Begun: last, Expect: s.Expect.Mean(), Result: "open", Back: back, Attempt: r.Attempt,
					Try: tries[r.Step], By: said.Person, Choice: said.Choice})
				open, said = len(out)-1, conduct.Record{}
			}
			i := open
			if r.Text != "" {
				out[i].Text = r.Text
			}
			switch r.Kind {
			case conduct.StepDone:
				out[i].Result = "done"
			case conduct.StepFailed:
				out[i].Result = "failed"
			case conduct.GuardBroke:
				out[i].Result = "guard broke"
			case conduct.RunBegun, conduct.Intended, conduct.Acted, conduct.BackPlanned, conduct.NoWayBack, conduct.Chosen, conduct.Finished:
			}
			if out[i].Result != "open" {
				open = -1
			}
			out[i].Took = max(0, r.At.Sub(out[i].Begun))
			list = conduct.RolesAfter(list, r)
		}
		last = r.At
	}
	return out
}

func consentsOf(p *plan.Plan, journal []conduct.Record) []Consent {
	var out []Consent
	list := p.Steps
	for _, r := range journal {
		list = conduct.RolesAfter(list, r)
		if r.Kind == conduct.BackPlanned {
			list = r.Steps
		}
		if r.Person == "" {
			continue
		}
		what := r.Text
		var covers []plan.Effect
		if i := slices.IndexFunc(list, func(s plan.Step) bool { return s.ID == r.Step }); i >= 0 && list[i].Hold != nil {
			what += ": " + list[i].Hold.Ask
			covers = list[i].Hold.Ahead
		}
		if r.Kind == conduct.RunBegun {
			what = "began the run"
		}
		out = append(out, Consent{At: r.At, Person: r.Person, What: what, Covers: covers})
	}
	return out
}

// merge adds the sessions up. Each keeps its own outages; the time between
// them is a void.
func merge(ms []conduct.Measurement) conduct.Measurement {
	if len(ms) == 0 {
		return conduct.Measurement{}
	}
	out := ms[0]
	if len(ms) == 1 {
		return out
	}
	out.Outages, out.Voids, out.Marks, out.Series = slices.Clone(out.Outages), slices.Clone(out.Voids), slices.Clone(out.Marks), nil
	for i, m := range ms[1:] {
		if m.Begun.After(ms[i].Ended) {
			out.Voids = append(out.Voids, conduct.Void{From: ms[i].Ended, Until: m.Begun, Why: "nothing was measured: the run was interrupted"})
		}
		out.Ended = m.Ended
		out.Sent += m.Sent
		out.Lost += m.Lost
		out.Forward += m.Forward
		out.Reverse += m.Reverse
		out.Unplaced += m.Unplaced
		out.Closing += m.Closing
		out.Late += m.Late
		out.Duplicates += m.Duplicates
		out.Impaired += m.Impaired
		out.Outages = append(out.Outages, m.Outages...)
		out.Voids = append(out.Voids, m.Voids...)
		out.Marks = append(out.Marks, m.Marks...)
		out.TPLFrames += m.TPLFrames
		out.TPLTime += m.TPLTime
	}
	return out
}

func hopsOf(p *plan.Plan, in Inputs, steps []Step) []Hop {
	var out []Hop
	silence := silences(in.Journal)
	for i, h := range p.Hops {
		hop := Hop{From: h.From, To: h.To, Method: h.Method, Untouched: h.Untouched, Bare: h.Bare,
			Silence: Pair{Least: h.Least, Forecast: h.Silence, Most: h.Most}, Loss: Pair{Least: h.LossLeast, Forecast: max(h.Loss, h.LossExpected), Most: h.LossMost}}
		if s, ok := silence[i]; ok {
			hop.Silence.Measured, hop.Silence.Resolution, hop.Silence.Known = s.measured, s.resolution, true
		}
		for _, s := range steps {
			if s.Hop != i || s.Back {
				continue
			}
			if s.Try <= 1 { // once, however often it was tried
				hop.Minutes.Forecast += s.Expect
			}
			hop.Minutes.Measured += s.Took
			hop.Minutes.Known = true
			switch s.Phase {
			case plan.Download, plan.Staging:
				hop.T1 += s.Took
			case plan.UpgradeRun:
				hop.T2 += s.Took
			case plan.Acceptance:
				hop.T3 += s.Took
			}
		}
		// Minutes foretold of steps that were never reached would make a short
		// run look fast.
		hop.Loss.Measured, hop.Parts.Measured = in.lossIn(i, p, steps)
		hop.Loss.Known = in.measuredHop(i, p, steps)
		hop.Loss.Resolution = in.resolution()
		if slices.ContainsFunc(steps, func(s Step) bool { return s.Hop == i && !s.Back && ofPart(p, s.ID) }) {
			hop.Parts.Known, hop.Parts.Resolution = hop.Loss.Known, hop.Loss.Resolution
		}
		hop.Parts.Least, hop.Parts.Forecast, hop.Parts.Most = partsForecast(p, i)
		if i < len(in.After) && in.After[i] != nil && in.Before != nil {
			before := in.Before
			if i > 0 && in.After[i-1] != nil {
				before = in.After[i-1]
			}
			hop.Adjacencies = fates(h.Outlook, before, in.After[i])
			suspended(hop.Adjacencies, h.Prepare)
			hop.Held = allHeld(hop.Adjacencies)
		}
		out = append(out, hop)
	}
	return out
}

type measuredSilence struct{ measured, resolution time.Duration }

// silences reads the silences that hand-over records keep.
func silences(journal []conduct.Record) map[int]measuredSilence {
	out := map[int]measuredSilence{}
	for _, r := range journal {
		if r.Kind == conduct.BackPlanned {
			break
		}
		if r.Kind != conduct.Acted || len(r.Data) == 0 {
			continue
		}
		var s struct {
			Hop        int           `json:"hop"`
			Measured   time.Duration `json:"measured_ns"`
			Resolution time.Duration `json:"resolution_ns"`
		}
		if json.Unmarshal(r.Data, &s) == nil && s.Measured > 0 {
			out[s.Hop] = measuredSilence{s.Measured, s.Resolution}
		}
	}
	return out
}

func (in Inputs) resolution() time.Duration {
	if len(in.Sessions) == 0 {
		return 0
	}
	return in.Sessions[0].Resolution
}

// measuredHop says whether test traffic ran through every step of the hop that
// can cut traffic, from its begin to its end, and whether the hand-over or
// restart that the loss is foretold of was one of them.
func (in Inputs) measuredHop(hop int, p *plan.Plan, steps []Step) bool {
	handed, tries := false, map[string]int{}
	for _, s := range steps {
		i := slices.IndexFunc(p.Steps, func(x plan.Step) bool { return x.ID == s.ID })
		if s.Hop != hop || s.Back || i < 0 || !p.Steps[i].Kind.Touches() {
			continue
		}
		// Each try of it, so that one that was measured does not stand for another.
		tries[s.Title]++
		whole := 0
		for _, m := range in.Sessions {
			marks := map[string]int{}
			for _, k := range m.Marks {
				marks[k.Label]++
			}
			whole += min(marks[s.Title], marks[s.Title+conduct.Over])
		}
		if whole < tries[s.Title] {
			return false
		}
		handed = handed || p.Steps[i].PointOfNoReturn && s.Result == "done"
	}
	return handed
}

// partsForecast is the longest loss that is foretold of the restarts of single
// components in a hop; nothing where one of them has no figure.
func partsForecast(p *plan.Plan, hop int) (least, likely, most time.Duration) {
	for _, s := range p.Steps {
		if s.Hop != hop || !ofPart(p, s.ID) {
			continue
		}
		if s.Loss == nil || !s.Loss.Known {
			return 0, 0, 0
		}
		least, likely, most = max(least, s.Loss.Least), max(likely, s.Loss.Likely), max(most, s.Loss.Most)
	}
	return least, likely, most
}

// ofPart says whether the step restarts a single component other than for the
// hand-over.
func ofPart(p *plan.Plan, id string) bool {
	i := slices.IndexFunc(p.Steps, func(x plan.Step) bool { return x.ID == id })
	return i >= 0 && (p.Steps[i].Kind == plan.LoadFirmware || p.Steps[i].Kind == plan.LoadLineCard)
}

// lossIn returns the longest of the outages that began between the marks of the
// hop's steps, apart for the restarts of single components. Marks and outages
// are both times of the measuring host, so that a lab's clock does not come in.
func (in Inputs) lossIn(hop int, p *plan.Plan, steps []Step) (loss, parts time.Duration) {
	titles, part := map[string]bool{}, map[string]bool{}
	for _, s := range steps {
		if s.Hop == hop {
			titles[s.Title], part[s.Title] = true, ofPart(p, s.ID)
		}
	}
	other := map[string]bool{}
	for _, s := range steps {
		if s.Hop != hop && !titles[s.Title] {
			other[s.Title] = true
		}
	}
	for _, m := range in.Sessions {
		marks := slices.Clone(m.Marks)
		slices.SortFunc(marks, func(a, b conduct.Mark) int { return a.At.Compare(b.At) })
		for _, o := range m.Outages {
			in, of := false, false
			for _, k := range marks {
				if k.At.After(o.From) {
					break
				}
				label := strings.TrimSuffix(strings.TrimSuffix(k.Label, conduct.Over), conduct.Again)
				if titles[label] {
					in, of = true, part[label]
				} else if other[label] {
					in = false
				}
			}
			switch {
			case in && of:
				parts = max(parts, o.Longest())
			case in:
				loss = max(loss, o.Longest())
			}
		}
	}
	return loss, parts
}

// allHeld says whether every adjacency held; nil where there was none, or where
// it is not known of one and none is known to have gone.
func allHeld(all []Fate) *bool {
	held := len(all) > 0
	for _, f := range all {
		if f.Outcome == "lost" || f.Outcome == "restarted" {
			return new(bool)
		}
		held = held && (f.Outcome == "held" || f.Outcome == Suspended)
	}
	if !held {
		return nil
	}
	return &held
}

// fates compares each adjacency of the outlook in two captures.
func fates(outlook []plan.Outlook, before, after *state.Capture) []Fate {
	find := func(c *state.Capture, object string) (state.Adjacency, bool) {
		i := slices.IndexFunc(c.Adjacencies, func(a state.Adjacency) bool { return a.Name() == object })
		if i < 0 {
			return state.Adjacency{}, false
		}
		return c.Adjacencies[i], true
	}
	var out []Fate
	for _, o := range outlook {
		f := Fate{Object: o.Object, Forecast: o.Outcome, Survive: o.Survive, Why: o.Why, Outcome: "unknown"}
		b, okB := find(before, o.Object)
		a, okA := find(after, o.Object)
		upB, _ := b.Up.Get()
		upA, knownA := a.Up.Get()
		switch {
		case !okB || !upB:
		case okB && !okA, knownA && !upA:
			f.Outcome = "lost"
		case knownA && upA:
			f.Outcome = fate(a, b)
		}
		out = append(out, f)
	}
	slices.SortStableFunc(out, func(a, b Fate) int { return cmp.Compare(a.Object, b.Object) })
	return out
}

// sameSince is how far two readings of the same instant may lie apart, where a
// device tells it as an age in whole seconds.
const sameSince = 5 * time.Second

// fate tells from a reading before and one after, in both of which an adjacency
// is up, whether it stayed so. A count that is the same tells little: a process
// that restarts begins to count anew.
func fate(a, b state.Adjacency) string {
	ta, okTA := a.Transition.Get()
	tb, okTB := b.Transition.Get()
	sa, okSA := a.Since.Get()
	sb, okSB := b.Since.Get()
	since := okSA && okSB
	count := okTA && okTB
	switch {
	case since && sa.Sub(sb) > sameSince, count && ta != tb:
		return "restarted"
	case since, count:
		return "held"
	}
	return "unknown"
}
