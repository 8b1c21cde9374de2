package main

import (
	"testing"

	"towpath/internal/evidence"
	"towpath/internal/lab"
)

// TestDemoOverSSH does the whole job over the lab's command line; the evidence
// names the transcript of what was typed.
func TestDemoOverSSH(t *testing.T) {
	doc := demoOver(t, "ssh")
	if len(doc.Transcripts) == 0 {
		t.Error("the evidence names no transcript of the command line")
	}
	for _, x := range doc.Transcripts {
		if x.Device == "" || x.File == "" || x.Octets == 0 || len(x.SHA256) != 64 {
			t.Errorf("the evidence names a transcript as %+v", x)
		}
	}
}

// demoOver runs the demo over a protocol, and holds the loss that was measured
// against what the lab's data plane dropped.
func demoOver(t *testing.T, over string) *evidence.Document {
	t.Helper()
	if raceDetector {
		t.Skip("real time means nothing under the race detector; the demo runs under it over gNMI")
	}
	e, status := demo(t, "--over", over)
	if status != 0 {
		t.Logf("first try: verdict %q: %s", e.Verdict, e.Reason) // see TestFaults
		e, status = demo(t, "--over", over)
	}
	if status != 0 || e.Verdict != "accepted" {
		t.Fatalf("status %d, verdict %q: %s", status, e.Verdict, e.Reason)
	}
	if e.Device != lab.ScenarioDevice || e.From != lab.ScenarioFrom || e.To != lab.ScenarioTarget || len(e.Hops) != 2 {
		t.Errorf("%+v", e)
	}
	if e.SilenceMS.Measured == nil || e.Probe.Sent == 0 || e.Findings["blocker"] != 0 {
		t.Errorf("something was not measured: %+v", e)
	}
	return truthOfLoss(t, e)
}

// TestDemoOverNETCONF runs the demo with the driver netconf, which has the device
// announce what changes and reads settings back over a new connection.
func TestDemoOverNETCONF(t *testing.T) { demoOver(t, "netconf") }
