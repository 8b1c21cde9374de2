package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"towpath/internal/app"
	"towpath/internal/cli"
	"towpath/internal/evidence"
	"towpath/internal/lab"
)

// ending is what a run prints as JSON.
type ending struct {
	Verdict   string `json:"verdict"`
	Reason    string `json:"reason"`
	Device    string `json:"device"`
	From      string `json:"from"`
	To        string `json:"to"`
	Hops      []any  `json:"hops"`
	SilenceMS struct {
		Forecast float64  `json:"forecast"`
		Measured *float64 `json:"measured"`
	} `json:"silence_ms"`
	Probe struct {
		Sent         uint64  `json:"sent"`
		Lost         uint64  `json:"lost"`
		TPLMS        float64 `json:"tpl_ms"`
		ResolutionMS float64 `json:"resolution_ms"`
	} `json:"probe"`
	Findings     map[string]int `json:"findings"`
	Evidence     string         `json:"evidence"`
	EvidenceJSON string         `json:"evidence_json"`
	Lab          struct {
		Dropped    map[string]uint64 `json:"dropped"`
		SilencesMS []float64         `json:"silences_ms"`
		Acts       []string          `json:"acts"`
	} `json:"lab"`
}

// demo runs the demo in this process and returns how it ended.
func demo(t *testing.T, args ...string) (ending, int) {
	t.Helper()
	fast := "240"
	if raceDetector {
		fast = "60"
	}
	var out, errOut bytes.Buffer
	args = append([]string{"demo", "--format", "json", "--brisk", "--fast", fast, "--evidence", t.TempDir()}, args...)
	status := cli.Main(t.Context(), args, strings.NewReader(""), &out, &errOut, adapters())
	if errOut.Len() > 0 {
		t.Logf("towpath %v said: %s", args, errOut.String())
	}
	var e ending
	if err := json.Unmarshal(out.Bytes(), &e); err != nil {
		t.Fatalf("towpath %v: %v\n%s\n%s", args, err, out.String(), errOut.String())
	}
	return e, status
}

// TestDemo runs the whole job and holds what was measured against what the
// lab's data plane and control plane really did.
func TestDemo(t *testing.T) {
	for _, per := range []string{"true", "false"} {
		if raceDetector && per == "false" {
			continue // once is enough to find races
		}
		t.Run("per-controller="+per, func(t *testing.T) {
			e, status := demo(t, "--per-controller="+per)
			if raceDetector {
				t.Logf("verdict %q: %s; looked for races only, real time means nothing under the detector", e.Verdict, e.Reason)
				return
			}
			if status != 0 {
				t.Logf("first try: verdict %q: %s", e.Verdict, e.Reason) // see TestFaults
				e, status = demo(t, "--per-controller="+per)
			}
			if status != 0 || e.Verdict != "accepted" {
				t.Fatalf("status %d, verdict %q: %s", status, e.Verdict, e.Reason)
			}
			if e.Device != lab.ScenarioDevice || e.From != lab.ScenarioFrom || e.To != lab.ScenarioTarget || len(e.Hops) != 2 {
				t.Errorf("%+v", e)
			}
			if e.SilenceMS.Measured == nil || e.Probe.Lost == 0 || e.Probe.Sent == 0 || e.Findings["caution"] == 0 || e.Findings["blocker"] != 0 {
				t.Errorf("something was not measured or found: %+v", e)
			}
			doc := truthOfLoss(t, e)
			// It is known to the time between two questions, and no better where the
			// machine stood still in one.
			within := time.Second
			for _, h := range doc.Hops {
				within = max(within, h.Silence.Resolution)
			}
			longest := slices.Max(e.Lab.SilencesMS)
			if d := *e.SilenceMS.Measured - longest; d < -60 || d > float64(within.Milliseconds()) {
				t.Errorf("silence measured %.0f ms, the control plane was really silent for %.0f ms", *e.SilenceMS.Measured, longest)
			}
		})
	}
}

// document is the evidence that was written, checked.
func (e ending) document(t *testing.T) *evidence.Document {
	t.Helper()
	f, err := os.Open(e.EvidenceJSON)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	doc, err := evidence.Check(f)
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// truthOfLoss compares, flow by flow and direction by direction, what the probe
// counted with what the data plane really dropped: to one packet for each
// outage, that is one probe interval.
func truthOfLoss(t *testing.T, e ending) *evidence.Document {
	t.Helper()
	doc := e.document(t)
	outages := map[string]uint64{}
	for _, o := range doc.Probe.Outages {
		outages[o.Flow+" "+o.Direction]++
	}
	looked, lost := 0, uint64(0)
	for _, s := range doc.Probe.Series {
		key := s.Flow + " " + s.Direction
		var measured uint64
		for _, n := range s.Lost {
			measured += uint64(n)
		}
		dropped, ok := e.Lab.Dropped[key]
		if !ok {
			continue
		}
		looked++
		lost += measured
		if d := int64(measured) - int64(dropped); d > int64(outages[key]) || -d > int64(outages[key]) {
			t.Errorf("%s: the probe counted %d lost, the data plane dropped %d, in %d outages", key, measured, dropped, outages[key])
		}
	}
	if looked < 6 || lost == 0 {
		t.Errorf("compared %d flows and directions with %d packets lost: too few to prove anything", looked, lost)
	}
	t.Logf("%d lost in %d flows and directions, as dropped", lost, looked)
	return doc
}

// allDropped compares all that the probe sent in vain, while it measured and after,
// with all that the data plane dropped of a device that does not come back: to one
// packet for each outage.
func allDropped(t *testing.T, e ending) {
	t.Helper()
	doc := e.document(t)
	var dropped uint64
	for _, n := range e.Lab.Dropped {
		dropped += n
	}
	vain := doc.Probe.Lost + doc.Probe.Closing
	if d := int64(vain) - int64(dropped); doc.Probe.Closing == 0 || max(d, -d) > int64(len(doc.Probe.Outages)) {
		t.Errorf("the probe counted %d lost and sent %d more, the data plane dropped %d, in %d outages", doc.Probe.Lost, doc.Probe.Closing, dropped, len(doc.Probe.Outages))
	}
}

// TestFaults ends the demo with each fault as the lab's table says.
func TestFaults(t *testing.T) {
	list := labMaker{}.Faults()
	if len(list) < 25 {
		t.Fatalf("only %d faults", len(list))
	}
	if raceDetector {
		t.Skip("the race detector is too slow for real time here; the run without it has every fault, and the demo runs under both")
	}
	for _, f := range list {
		t.Run(f.Name, func(t *testing.T) {
			t.Parallel()
			e, status := demo(t, "--fault", f.Name)
			if e.Verdict != f.Verdict {
				// Real packets in real time: a machine that stood still in the wrong
				// second may be the reason, and then not twice.
				t.Logf("first try: verdict %q, want %q; reason: %s", e.Verdict, f.Verdict, e.Reason)
				e, status = demo(t, "--fault", f.Name)
			}
			if e.Verdict != f.Verdict {
				t.Errorf("verdict %q, want %q; reason: %s", e.Verdict, f.Verdict, e.Reason)
			}
			if e.Reason == "" && e.Verdict != "accepted" {
				t.Error("no reason is named")
			}
			if f.Name == "both-controllers-reload" {
				allDropped(t, e)
			}
			if want := map[string]int{"accepted": 0, "rolled-back": 1, "refused": 1, "paused": 4}[e.Verdict]; status != want {
				t.Errorf("exit status %d, want %d", status, want)
			}
		})
	}
}

// TestKilledAtEveryWrite kills the real process with SIGKILL on a real database
// before and after every journal write of a whole run, and takes the run up
// again each time. In the end the chassis must have been asked for each change
// as in a run that was never killed.
func TestKilledAtEveryWrite(t *testing.T) {
	if raceDetector {
		t.Skip("real processes are killed in the run without the race detector")
	}
	binary := filepath.Join(t.TempDir(), "towpath")
	if out, err := exec.Command("go", "build", "-o", binary, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	calm, calmWrites, _ := conductUntilDone(t, binary, false)
	killed, writes, kills := conductUntilDone(t, binary, true)
	if writes != calmWrites {
		t.Errorf("%d journal records with kills, %d without", writes, calmWrites)
	}
	if kills < 2*writes-2 || kills == 0 {
		t.Errorf("killed %d times over %d writes: not before and after each", kills, writes)
	}
	if !slices.Equal(killed, calm) {
		t.Errorf("what the chassis was asked for differs:\nkilled %s\n  calm %s", strings.Join(killed, "\n       "), strings.Join(calm, "\n       "))
	}
	if len(calm) < 12 {
		t.Errorf("only %d acts in the calm run: %v", len(calm), calm)
	}
	t.Logf("%d kills over %d writes; %d acts, each as often as without kills", kills, writes, len(calm))
}

// conductUntilDone conducts the lab's change in processes of their own, each of
// which is killed at its first new journal write when kill is set, and returns
// the acts, the number of records and of kills.
func conductUntilDone(t *testing.T, binary string, kill bool) (acts []string, writes, kills int) {
	t.Helper()
	l, err := labMaker{}.Start(t.Context(), app.LabSpec{Fast: 600, Seed: 7, PerCard: true, OurTime: true, Brisk: true, Dir: filepath.Join(t.TempDir(), "lab")})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}()
	consent := filepath.Join(t.TempDir(), "consent")
	if err := os.WriteFile(consent, []byte("* Ada Fenwick\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	run := ""
	for session := 0; ; session++ {
		if session > 600 {
			t.Fatal("the run never ends")
		}
		args := []string{"conduct", l.Device(), "--to", l.Target()}
		if run != "" {
			args = []string{"resume", run}
		}
		args = append(args, "--workspace", l.Dir(), "--consent-file", consent, "--evidence", t.TempDir(), "--format", "json")
		cmd := exec.CommandContext(t.Context(), binary, args...)
		var out, errOut bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &errOut
		cmd.Env = os.Environ()
		if kill {
			side := "before"
			if session%2 == 1 {
				side = "after"
			}
			cmd.Env = append(cmd.Env, crashVariable+"=new "+side)
		}
		begun := time.Now()
		err := cmd.Run()
		if testing.Verbose() && session%10 == 0 {
			t.Logf("session %d: %v", session, time.Since(begun).Round(10*time.Millisecond))
		}
		if run == "" {
			run = onlyRun(t, l.Dir())
		}
		if err == nil {
			var e ending
			if err := json.Unmarshal(out.Bytes(), &e); err != nil || e.Verdict != "accepted" {
				t.Fatalf("session %d: verdict %q, %v: %s", session, e.Verdict, err, e.Reason)
			}
			break
		}
		ws, ok := cmd.ProcessState.Sys().(syscall.WaitStatus)
		if !ok || ws.Signal() != syscall.SIGKILL {
			t.Fatalf("session %d (%v) ended by itself: %v\n%s\n%s", session, args, err, out.String(), errOut.String())
		}
		kills++
	}
	s, err := openStore(filepath.Join(l.Dir(), ".towpath"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	records, err := s.Journal(context.Background(), run)
	if err != nil {
		t.Fatal(err)
	}
	return l.Truth().Acts, len(records), kills
}

// onlyRun is the id of the one run that the workspace keeps.
func onlyRun(t *testing.T, dir string) string {
	t.Helper()
	s, err := openStore(filepath.Join(dir, ".towpath"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	runs, err := s.Runs(context.Background())
	if err != nil || len(runs) != 1 {
		t.Fatalf("%d runs are kept, want 1: %v", len(runs), err)
	}
	return runs[0].ID
}
