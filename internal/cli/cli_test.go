package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/document"
	"towpath/internal/evidence"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/workspace"
)

// shelf is a store with what a test puts in it, and keeps what is sent.
type shelf struct {
	app.Store
	runs    []app.RunRow
	journal []json.RawMessage
	sent    []string
}

func (s *shelf) Close() error { return nil }

func (s *shelf) Runs(context.Context) ([]app.RunRow, error) { return s.runs, nil }

func (s *shelf) Get(_ context.Context, id string) (app.RunRow, error) {
	for _, r := range s.runs {
		if r.ID == id {
			return r, nil
		}
	}
	return app.RunRow{}, fmt.Errorf("%w: %s", app.ErrNoRun, id)
}

func (s *shelf) Journal(context.Context, string) ([]json.RawMessage, error) { return s.journal, nil }

func (s *shelf) Send(_ context.Context, _, topic string, body []byte) error {
	s.sent = append(s.sent, topic+" "+string(body))
	return nil
}

// standing is a run that stands at a hold point for the persons, or is paused
// there after a refusal.
func standing(t *testing.T, paused bool, persons ...string) *shelf {
	t.Helper()
	hold := plan.Step{ID: "02", Kind: plan.Hold, Phase: plan.UpgradeRun, Title: "Hold point: hand over?", Hold: &plan.HoldSpec{Ask: "hand over?", Persons: persons}}
	p := &plan.Plan{Device: "mere-agg-1", From: "4.2.3", To: "4.4.2", Hops: []plan.HopPlan{{From: "4.2.3", To: "4.4.2"}},
		Steps: []plan.Step{{ID: "01", Kind: plan.LoadSecondary, Phase: plan.Staging}, hold}}
	pol, err := json.Marshal(policy.Default())
	if err != nil {
		t.Fatal(err)
	}
	input, err := json.Marshal(app.RunInput{Plan: p, Policy: pol})
	if err != nil {
		t.Fatal(err)
	}
	s := &shelf{runs: []app.RunRow{{ID: "r1", Device: "mere-agg-1", Input: input}}}
	records := []conduct.Record{{Kind: conduct.RunBegun}, {Kind: conduct.Intended, Step: "01"}, {Kind: conduct.Acted, Step: "01"}, {Kind: conduct.StepDone, Step: "01"}}
	if paused {
		records = append(records, conduct.Record{Kind: conduct.StepFailed, Step: "02", Failure: &conduct.Failure{Cause: conduct.ByReach, Text: "the device is away"}})
	}
	for i, r := range records {
		r.Seq = i + 1
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		s.journal = append(s.journal, b)
	}
	return s
}

// command runs a command line on the store and the example workspace.
func command(t *testing.T, s app.Store, args ...string) (status int, out, errOut string) {
	t.Helper()
	var o, e bytes.Buffer
	a := Adapters{
		OpenStore:      func(string) (app.Store, error) { return s, nil },
		ReadStore:      func(string) (app.Store, bool, error) { return s, true, nil },
		Dial:           func(*workspace.Workspace, string, func() time.Time) app.Dialer { return nil },
		CertificateEnd: func(string, fleet.Device) (time.Time, bool) { return time.Time{}, false },
	}
	if s == nil {
		a.OpenStore = func(string) (app.Store, error) { return nil, fmt.Errorf("disk: %w", app.ErrRecords) }
		a.ReadStore = func(string) (app.Store, bool, error) { return nil, false, fmt.Errorf("disk: %w", app.ErrRecords) }
	}
	status = Main(t.Context(), args, strings.NewReader(""), &o, &e, a)
	return status, o.String(), e.String()
}

func TestExitStatuses(t *testing.T) {
	const ws = "--workspace=../../examples/ostermoor"
	held, paused := standing(t, false, "Ada Fenwick"), standing(t, true)
	there := t.TempDir() // a folder for runs
	for _, c := range []struct {
		name  string
		store app.Store
		args  []string
		want  int
		says  string
	}{
		{"runs", held, []string{"runs", ws}, ExitDone, ""},
		{"unknown command", held, []string{"frobnicate"}, ExitUsage, "frobnicate"},
		{"a window that is past", held, []string{"conduct", "mere-agg-1", "--to", "4.4.2", "--until", "2020-03-04T05:00:00Z", ws}, ExitUsage, "which is past"},
		{"unknown format", held, []string{"runs", "--format", "xml"}, ExitUsage, "want text or json"},
		{"no target", held, []string{"conduct", "mere-agg-1", ws}, ExitUsage, "to"},
		{"no workspace", held, []string{"conduct", "mere-agg-1", "--to", "4.4.2", "--workspace", "/nowhere"}, ExitUsage, "/nowhere"},
		{"no device", held, []string{"conduct", "mere-agg-9", "--to", "4.4.2", ws}, ExitUsage, "mere-agg-9"},
		{"wrong instant", held, []string{"conduct", "mere-agg-1", "--to", "4.4.2", "--until", "tomorrow", ws}, ExitUsage, "want an instant"},
		{"no consent file", held, []string{"conduct", "mere-agg-1", "--to", "4.4.2", "--consent-file", "/nowhere", ws}, ExitUsage, "/nowhere"},
		{"no run", held, []string{"resume", "r9", ws}, ExitUsage, "r9"},
		{"damaged records", nil, []string{"runs", ws, "--state=" + there}, ExitDevice, "disk"},
		{"no evidence", held, []string{"evidence", "/nowhere.json"}, ExitUsage, "/nowhere.json"},
		{"both answers", held, []string{"resume", "r1", "--consent", "A", "--refuse", "B", ws}, ExitUsage, "exclude"},
		{"consent and choice", held, []string{"resume", "r1", "--consent", "A", "--choose", "continue", ws}, ExitUsage, "exclude"},
		{"person alone", held, []string{"resume", "r1", "--person", "A", ws}, ExitUsage, "--choose"},
		{"somebody else", held, []string{"resume", "r1", "--consent", "Ben Marlow", ws}, ExitUsage, "Ada Fenwick"},
		{"choice at a hold point", held, []string{"resume", "r1", "--choose", "continue", "--person", "A", ws}, ExitUsage, "nothing to choose"},
		{"nobody chooses", paused, []string{"resume", "r1", "--choose", "continue", ws}, ExitUsage, "--person"},
		{"no such choice", paused, []string{"resume", "r1", "--choose", "retry", "--person", "A", ws}, ExitUsage, "roll-back"},
		{"waived before the point of no return", paused, []string{"resume", "r1", "--choose", "waive", "--person", "A", "--because", "B", ws}, ExitUsage, "point of no return"},
		{"waived for no reason", paused, []string{"resume", "r1", "--choose", "waive", "--person", "A", ws}, ExitUsage, "--because"},
		{"a reason for nothing", paused, []string{"resume", "r1", "--choose", "continue", "--person", "A", "--because", "B", ws}, ExitUsage, "--choose waive"},
		{"consent while paused", paused, []string{"resume", "r1", "--consent", "A", ws}, ExitUsage, "hold point"},
	} {
		status, _, errOut := command(t, c.store, c.args...)
		if status != c.want || !strings.Contains(errOut, c.says) {
			t.Errorf("%s: status %d, want %d; said %q, want %q in it", c.name, status, c.want, errOut, c.says)
		}
		if c.name == "unknown format" {
			continue
		}
		status, out, _ := command(t, c.store, append(c.args, "--format=json")...)
		if status != c.want {
			t.Errorf("%s as JSON: status %d, want %d", c.name, status, c.want)
		}
		if c.want == ExitDone || c.name == "unknown command" {
			continue
		}
		var got struct {
			Error string `json:"error"`
			Exit  int    `json:"exit"`
		}
		if err := json.Unmarshal([]byte(out), &got); err != nil || got.Exit != c.want || got.Error == "" {
			t.Errorf("%s as JSON: %q (%v), want one object with the error and the status", c.name, out, err)
		}
	}
	for _, s := range []*shelf{held, paused} {
		if len(s.sent) != 0 {
			t.Errorf("left for the run in spite of the error: %v", s.sent)
		}
	}
}

// An answer is left with the place in the journal that it belongs to.
func TestAnswersAreBound(t *testing.T) {
	s := standing(t, false, "Ada Fenwick")
	if err := say(t.Context(), io.Discard, s, s.runs[0], "Ada Fenwick", "", choosing{}); err != nil {
		t.Fatal(err)
	}
	if err := say(t.Context(), io.Discard, s, s.runs[0], "", "Ada Fenwick", choosing{}); err != nil {
		t.Fatal(err)
	}
	p := standing(t, true)
	if err := say(t.Context(), io.Discard, p, p.runs[0], "", "", choosing{choose: "roll-back", person: "Ada Fenwick"}); err != nil {
		t.Fatal(err)
	}
	got := append(s.sent, p.sent...)
	want := []string{`consent {"person":"Ada Fenwick","granted":true,"after":4}`, `consent {"person":"Ada Fenwick","granted":false,"after":4}`,
		`choice {"person":"Ada Fenwick","choice":"roll-back","after":5}`}
	if !slices.Equal(got, want) {
		t.Errorf("left\n%q, want\n%q", got, want)
	}
}

func TestExplain(t *testing.T) {
	for _, c := range []struct {
		err  error
		want int
	}{
		{usage("x"), ExitUsage}, {document.Problems{}, ExitUsage}, {app.ErrNoDevice, ExitUsage}, {app.ErrNoPath, ExitVerdict}, {app.ErrHeld, ExitHold},
		{app.ErrPaused, ExitHold}, {app.ErrNoRun, ExitUsage}, {app.ErrOpenRun, ExitUsage}, {app.ErrInUse, ExitDevice}, {app.ErrRecords, ExitDevice},
		{app.ErrNoImage, ExitUsage}, {&device.Fault{Kind: device.Unreachable}, ExitDevice}, {context.Canceled, ExitDevice},
		{&device.Fault{Kind: device.Denied, Err: workspace.ErrSecret}, ExitUsage}, {errors.New("other"), ExitUsage},
	} {
		if got, _ := explain(fmt.Errorf("while doing: %w", c.err)); got != c.want {
			t.Errorf("%v: status %d, want %d", c.err, got, c.want)
		}
	}
}

func TestEnding(t *testing.T) {
	for _, c := range []struct {
		verdict conduct.Verdict
		err     error
		want    int
	}{
		{conduct.Accepted, nil, ExitDone}, {conduct.RolledBack, nil, ExitVerdict}, {conduct.Refused, nil, ExitVerdict}, {conduct.Paused, nil, ExitHold},
		{"", app.ErrHeld, ExitHold}, {conduct.Paused, app.ErrPaused, ExitHold}, {"", &device.Fault{Kind: device.Unreachable}, ExitDevice},
	} {
		var b, e bytes.Buffer
		err := (&env{out: &b, err: &e}).endJSON(map[string]any{"verdict": c.verdict}, ending(conduct.State{Verdict: c.verdict}, c.err))
		var x exit
		if errors.As(err, &x); x.status != c.want || (err == nil) != (c.want == ExitDone) {
			t.Errorf("%q, %v: status %d, want %d", c.verdict, c.err, x.status, c.want)
		}
		var one map[string]any
		if err := json.Unmarshal(b.Bytes(), &one); err != nil {
			t.Errorf("%q, %v: not one object: %v", c.verdict, c.err, err)
		}
	}
}

func TestConsentFile(t *testing.T) {
	write := func(s string) string {
		n := filepath.Join(t.TempDir(), "consents")
		if err := os.WriteFile(n, []byte(s), 0o600); err != nil {
			t.Fatal(err)
		}
		return n
	}
	c, err := readConsents(write("# night of 4 March\n\nupgrade-run Ada Fenwick\n07-hold-point  Ben Marlow\r\n"))
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		id      string
		phase   plan.Phase
		persons []string
		want    string
	}{
		{"04-hold-point", plan.UpgradeRun, nil, "Ada Fenwick"},
		{"07-hold-point", plan.Acceptance, nil, "Ben Marlow"},
		{"07-hold-point", plan.UpgradeRun, []string{"Ben Marlow"}, "Ben Marlow"},
		{"04-hold-point", plan.UpgradeRun, []string{"Ben Marlow"}, ""},
		{"04-hold-point", plan.Staging, nil, ""},
	} {
		a, err := c.Consent(t.Context(), nil, plan.Step{ID: x.id, Phase: x.phase, Hold: &plan.HoldSpec{Persons: x.persons}})
		if a.Person != x.want || a.Granted != (x.want != "") || (x.want == "") != errors.Is(err, app.ErrNobody) {
			t.Errorf("%s %s for %v: %+v, %v, want %q", x.id, x.phase, x.persons, a, err, x.want)
		}
	}
	for _, bad := range []string{"upgrade-run", "* ", "\nAda\n"} {
		n := write("# first\n" + bad)
		if _, err := readConsents(n); err == nil || !strings.Contains(err.Error(), n+":") {
			t.Errorf("%q: got %v, want the file and line", bad, err)
		}
	}
}

// The summary has what programs were promised.
func TestSummary(t *testing.T) {
	d := &evidence.Document{Verdict: conduct.Accepted, Device: "mere-agg-1", From: "1", To: "3",
		Hops: []evidence.Hop{{From: "1", To: "2", Silence: evidence.Pair{Forecast: 2 * time.Second, Measured: 2100 * time.Millisecond, Known: true}},
			{From: "2", To: "3", Silence: evidence.Pair{Forecast: 3 * time.Second, Measured: 1500 * time.Millisecond, Known: true}}},
		Findings: []evidence.Finding{{Verdict: "clear"}, {Verdict: "caution"}, {Verdict: "clear"}},
		Probe:    conduct.Measurement{Sent: 900, Lost: 76, TPLFrames: 76, TPLTime: 76 * time.Millisecond, Resolution: time.Millisecond}}
	b, err := json.Marshal(Summary(d, "x/evidence-r1.html"))
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Verdict, Device, From, To, Evidence string
		Hops                                []struct{ From, To string }
		Silence                             struct{ Forecast, Measured *float64 } `json:"silence_ms"`
		Probe                               struct {
			Sent, Lost *uint64
			TPL        *float64 `json:"tpl_ms"`
			Resolution *float64 `json:"resolution_ms"`
		}
		Findings map[string]int
	}
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	if got.Verdict != "accepted" || got.Device != "mere-agg-1" || got.From != "1" || got.To != "3" || got.Evidence != "x/evidence-r1.html" || len(got.Hops) != 2 {
		t.Errorf("%s", b)
	}
	// The longest silence speaks for the run, beside its own forecast.
	if got.Silence.Forecast == nil || *got.Silence.Forecast != 2000 || got.Silence.Measured == nil || *got.Silence.Measured != 2100 {
		t.Errorf("silence: %s", b)
	}
	if got.Probe.Sent == nil || *got.Probe.Sent != 900 || got.Probe.Lost == nil || *got.Probe.Lost != 76 || got.Probe.TPL == nil || *got.Probe.TPL != 76 || got.Probe.Resolution == nil || *got.Probe.Resolution != 1 {
		t.Errorf("probe: %s", b)
	}
	for verdict, n := range map[string]int{"clear": 2, "caution": 1, "blocker": 0, "unknown": 0} {
		if v, ok := got.Findings[verdict]; !ok || v != n {
			t.Errorf("findings %s: %d, want %d", verdict, v, n)
		}
	}
	d.Hops = nil
	if b, err = json.Marshal(Summary(d, "")); err != nil || !bytes.Contains(b, []byte(`"measured":null`)) || !bytes.Contains(b, []byte(`"hops":[]`)) {
		t.Errorf("nothing measured: %s, %v", b, err)
	}
}

// What is typed at the question of Ctrl-C is never taken for the name of a
// person who consents, nor is what was typed before anything was asked.
func TestTerminalQuestions(t *testing.T) {
	in, keys := io.Pipe()
	t.Cleanup(func() { _ = keys.Close() })
	asked := make(chan string, 16)
	term := newTerminal(in, lineWriter(func(s string) {
		if strings.Contains(s, "To consent") || strings.Contains(s, "Stop and go back") {
			asked <- s
		}
	}), &view{out: io.Discard})
	key := func(s string) {
		t.Helper()
		if _, err := io.WriteString(keys, s+"\n"); err != nil {
			t.Fatal(err)
		}
	}
	term.give("typed before anything was asked")
	type reply struct {
		a   app.Consent
		err error
	}
	got := make(chan reply, 1)
	go func() {
		a, err := term.Consent(t.Context(), &conduct.State{Plan: &plan.Plan{}}, plan.Step{Hold: &plan.HoldSpec{Ask: "hand over?"}})
		got <- reply{a, err}
	}()
	<-asked
	answer := make(chan string, 1)
	go func() { answer <- term.askOrAgain(t.Context(), nil) }()
	<-asked
	key("g")
	if l := <-answer; l != "g" {
		t.Errorf("Ctrl-C was answered with %q, want g", l)
	}
	<-asked // the hold point asks again
	key("yes")
	<-asked
	select {
	case r := <-got:
		t.Fatalf("consent by %q", r.a.Person)
	default:
	}
	key("Ada Fenwick")
	if r := <-got; r.err != nil || r.a.Person != "Ada Fenwick" || !r.a.Granted {
		t.Errorf("consent %+v, %v", r.a, r.err)
	}
	// A second Ctrl-C while it asks leaves the run.
	again := make(chan os.Signal, 1)
	go func() { answer <- term.askOrAgain(t.Context(), again) }()
	<-asked
	again <- os.Interrupt
	if l := <-answer; l != "l" {
		t.Errorf("the second Ctrl-C was taken for %q", l)
	}
}

type lineWriter func(string)

func (w lineWriter) Write(b []byte) (int, error) {
	w(string(b))
	return len(b), nil
}
