package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"towpath/internal/app"
	"towpath/internal/cli"
	"towpath/internal/document"
	"towpath/internal/evidence"
	"towpath/internal/policy"
)

// otherPolicy makes the demo's lab with a policy that was changed.
type otherPolicy struct {
	app.LabMaker
	change func(*policy.Policy)
}

// Start implements [app.LabMaker].
func (o otherPolicy) Start(ctx context.Context, spec app.LabSpec) (app.Lab, error) {
	l, err := o.LabMaker.Start(ctx, spec)
	if err != nil {
		return nil, err
	}
	name := filepath.Join(l.Dir(), "policy.yaml")
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	p, err := policy.Read(name, b)
	if err != nil {
		return nil, err
	}
	o.change(&p)
	if b, err = document.Marshal(p); err != nil {
		return nil, err
	}
	return l, os.WriteFile(name, b, 0o600)
}

// demoWith runs the demo with a policy that was changed.
func demoWith(t *testing.T, change func(*policy.Policy), args ...string) (ending, *evidence.Document) {
	t.Helper()
	a := adapters()
	a.Lab = otherPolicy{a.Lab, change}
	var out, errOut bytes.Buffer
	args = append([]string{"demo", "--format", "json", "--brisk", "--fast", "240", "--evidence", t.TempDir()}, args...)
	cli.Main(t.Context(), args, strings.NewReader(""), &out, &errOut, a)
	var e ending
	if err := json.Unmarshal(out.Bytes(), &e); err != nil {
		t.Fatalf("towpath %v: %v\n%s\n%s", args, err, out.String(), errOut.String())
	}
	return e, e.document(t)
}

// The session that is too quick for the hand-over outlives it where it is
// prepared; everything is put back, and the comparison comes out clean.
func TestPreparedDemo(t *testing.T) {
	if raceDetector {
		t.Skip("real time means nothing under the race detector")
	}
	e, doc := demoWith(t, func(*policy.Policy) {})
	if e.Verdict != "accepted" {
		t.Fatalf("verdict %q: %s", e.Verdict, e.Reason)
	}
	for _, h := range doc.Hops {
		if len(h.Prepared) == 0 || h.Bare >= h.Untouched || h.Untouched < 0.999 {
			t.Errorf("%s to %s: %d settings changed, %.4f unprepared, %.4f prepared", h.From, h.To, len(h.Prepared), h.Bare, h.Untouched)
		}
		for _, x := range h.Prepared {
			if x.Back.IsZero() || x.Found == "" || x.Found == x.Wanted {
				t.Errorf("%s to %s: %+v", h.From, h.To, x)
			}
		}
		for _, f := range h.Adjacencies {
			if strings.HasPrefix(f.Object, "bfd 198.51.100.7") && f.Outcome != "held" {
				t.Errorf("%s to %s: %s was prepared and is %s", h.From, h.To, f.Object, f.Outcome)
			}
		}
	}
	for _, c := range doc.Compared {
		for _, d := range c.Differences {
			if d.Class != "expected" && (strings.HasPrefix(d.Object, "configuration") || strings.Contains(d.Object, "bfd ")) {
				t.Errorf("%s: %s", c.Name, d)
			}
		}
	}
	sets := slices.DeleteFunc(slices.Clone(e.Lab.Acts), func(a string) bool { return !strings.HasPrefix(a, "set ") })
	if len(sets) != 4 {
		t.Errorf("the chassis was set %d times, want before and after each of two hand-overs: %v", len(sets), sets)
	}
}

// A drained device hands over without one packet lost: the flows take the way
// over its partner.
func TestDrainedDemoLosesNothing(t *testing.T) {
	if raceDetector {
		t.Skip("real time means nothing under the race detector")
	}
	try := func() (ending, *evidence.Document) {
		return demoWith(t, func(p *policy.Policy) {
			p.Prepare.Allow = []string{policy.DrainDevice}
			p.Conduct.AdjacencyGrace *= 2 // the role comes back after the drain
		})
	}
	e, doc := try()
	if e.Verdict != "accepted" || e.Probe.Lost > 0 {
		t.Logf("first try: verdict %q: %s, %d lost", e.Verdict, e.Reason, e.Probe.Lost) // see TestFaults
		e, doc = try()
	}
	if e.Verdict != "accepted" {
		t.Fatalf("verdict %q: %s", e.Verdict, e.Reason)
	}
	if e.Probe.Lost != 0 || e.Probe.Sent == 0 {
		t.Errorf("%d of %d packets lost, want none: %v", e.Probe.Lost, e.Probe.Sent, doc.Probe.Outages)
	}
	if len(e.Lab.SilencesMS) < 2 {
		t.Errorf("silences %v: nothing was handed over", e.Lab.SilencesMS)
	}
}
