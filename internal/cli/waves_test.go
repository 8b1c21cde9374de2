package cli

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"

	"towpath/internal/plan"
)

const ostermoor = "--workspace=../../examples/ostermoor"

// fromDecember are flags whose answer does not depend on today.
func fromDecember(more ...string) []string {
	return append([]string{"waves", ostermoor, "--from", "2026-12-01", "--until", "2027-02-28", "--allow-reload"}, more...)
}

func TestWavesOfTheExample(t *testing.T) {
	dir := t.TempDir()
	kept := filepath.Join(dir, "plan.json")
	status, out, errOut := command(t, standing(t, false), fromDecember("--to", "4.4.2", "--to", "willow-3=7.1-p1")...)
	if status != ExitDone {
		t.Fatalf("%d %s %s", status, out, errOut)
	}
	for _, want := range []string{"7 devices: 6 in 6 nights, 1 at the target, 0 without a night", "PROVEN: fewer than 6 nights are not possible", "Tue 2026-12-01 23:00 to Wed 05:00 CET, canary",
		"mere-acc-1: 7.1 → 7.1-p1 by reload", "frozen by turn of the year", "dam cameras: night 2, with an outage (dyke-acc-1)", "digest "} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
	for l := range strings.Lines(out) {
		if utf8.RuneCountInString(strings.TrimRight(l, "\n")) > 100 {
			t.Errorf("wider than 100 columns: %s", l)
		}
	}
	status, out, errOut = command(t, standing(t, false), fromDecember("--to", "4.4.2", "--to", "7.1-p1", "--format", "json", "--out", kept)...)
	if status != ExitDone || out != "" {
		t.Fatalf("%d %s %s", status, out, errOut)
	}
	src, err := os.ReadFile(kept)
	if err != nil {
		t.Fatal(err)
	}
	var c plan.Campaign
	if err := json.Unmarshal(src, &c); err != nil || len(c.Nights) != 6 || len(c.Devices) != 6 || len(c.Cautions) == 0 || len(c.Stop) == 0 || len(c.Rules) == 0 {
		t.Errorf("%+v %v", c, err)
	}

	// Source: github.com/arran4/golang-ical, which shares nothing with the library
	// that writes.
	status, out, errOut = command(t, standing(t, false), fromDecember("--to", "4.4.2", "--to", "7.1-p1", "--format", "ics")...)
	cal, err := ics.ParseCalendar(strings.NewReader(out))
	if status != ExitDone || err != nil || len(cal.Events()) != 6 {
		t.Fatalf("%d %v %s %s", status, err, out, errOut)
	}
	for i, e := range cal.Events() {
		from, err := e.GetStartAt()
		to, err2 := e.GetEndAt()
		if err != nil || err2 != nil || !from.Equal(c.Nights[i].Start) || !to.Equal(c.Nights[i].End) {
			t.Errorf("event %d: %s to %s, %v %v", i, from, to, err, err2)
		}
		if d := e.GetProperty(ics.ComponentPropertyDescription); d == nil || !strings.Contains(d.Value, string(c.Nights[i].Tasks[0].Device)) {
			t.Errorf("event %d does not say what is done: %v", i, d)
		}
	}

	status, out, _ = command(t, standing(t, false), fromDecember("--to", "4.4.2", "--why", "mere-agg-1")...)
	for _, want := range []string{"hop 2      4.3.1 to 4.4.2, in-service", "are kept for", "decide by", "a rollback that begins later may end after the window", "The steps that its end depends on most"} {
		if status != ExitDone || !strings.Contains(out, want) {
			t.Errorf("%d: %q is not in\n%s", status, want, out)
		}
	}

	// After the night in which mere-agg-1 failed.
	outcomes := filepath.Join(dir, "outcomes.yaml")
	if err := os.WriteFile(outcomes, []byte("outcomes:\n"+
		"  - {device: mere-acc-1, result: done, at: 2026-12-01T23:40:00+01:00}\n  - {device: dyke-acc-1, result: done, at: 2026-12-08T23:40:00+01:00}\n"+
		"  - {device: mere-agg-1, result: failed, at: 2026-12-11T01:40:00+01:00, note: a line card did not come back}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	status, out, errOut = command(t, standing(t, false), "waves", ostermoor, "--revise", kept, "--outcomes", outcomes, "--now", "2026-12-11T06:00:00+01:00", "--promised-until", "2026-12-17")
	for _, want := range []string{"another night for 2 devices; proven: no revision moves fewer", "mere-acc-1: 7.1 → 7.1-p1 by reload, S. Lindqvist, DONE", "M. Harker, FAILED", "the rest; promised",
		"failed on 2026-12-11 (a line", "ost-core-1: 2027-01-07 23:00 to 2027-01-14 23:00; moves so that the rules hold again"} {
		if status != ExitDone || !strings.Contains(out, want) {
			t.Errorf("%d: %q is not in\n%s%s", status, want, out, errOut)
		}
	}
}

func TestWavesThatCannotBe(t *testing.T) {
	tight := []string{"waves", ostermoor, "--from", "2026-12-01", "--until", "2026-12-12", "--allow-reload", "--to", "4.4.2", "--to", "7.1-p1"}
	status, out, errOut := command(t, standing(t, false), tight...)
	for _, want := range []string{"NO CAMPAIGN KEEPS ALL RULES", "mere-agg-1 and mere-agg-2 are neighbours over mere-1-mere-2", "there in 2 of 5 windows, for dyke-acc-1", "role access before role aggregation",
		"no smaller set of rules is in conflict"} {
		if status != ExitVerdict || !strings.Contains(out, want) {
			t.Errorf("%d: %q is not in\n%s%s", status, want, out, errOut)
		}
	}
	status, out, _ = command(t, standing(t, false), append(tight, "--format", "json")...)
	var said struct {
		Infeasible struct {
			Devices []string
			Rules   []struct{ Kind, Says string }
			Minimal bool
		}
	}
	if err := json.Unmarshal([]byte(out), &said); status != ExitVerdict || err != nil || len(said.Infeasible.Rules) != 3 || !said.Infeasible.Minimal {
		t.Errorf("%d %v %s", status, err, out)
	}
	status, out, _ = command(t, standing(t, false), append(tight, "--leave-out")...)
	if status != ExitVerdict || !strings.Contains(out, "dyke-acc-1 (7.1 to 7.1-p1): these cannot all be kept") {
		t.Errorf("%d %s", status, out)
	}
	status, out, _ = command(t, standing(t, false), "waves", ostermoor, "--from", "2026-12-01", "--to", "4.4.2", "--why", "ost-core-1")
	if status != ExitVerdict || !strings.Contains(out, "ost-core-1 has no night: ") {
		t.Errorf("%d %s", status, out)
	}
}

func TestWavesUsage(t *testing.T) {
	store := standing(t, false)
	for _, c := range []struct {
		args []string
		want int
		says string
	}{
		{[]string{"waves"}, ExitUsage, "want --to RELEASE, --revise FILE or --instance FILE"},
		{[]string{"waves", "--to", "4.4.2", "--format", "xml"}, ExitUsage, "want text, json or ics"},
		{[]string{"waves", "--to", "4.4.2", "--revise", "x"}, ExitUsage, "exclude each other"},
		{[]string{"waves", "--instance", "x.col", "--format", "ics"}, ExitUsage, "for an instance"},
		{[]string{"waves", "--to", "4.4.2", "--seconds", "0"}, ExitUsage, "more than 0"},
		{[]string{"waves", ostermoor, "--to", "4.4.2", "--from", "soon"}, ExitUsage, `--from is "soon", want a day`},
		{[]string{"waves", ostermoor, "--to", "4.4.2", "--from", "2027-01-02", "--until", "2027-01-01"}, ExitUsage, "--until is not after --from"},
		{[]string{"waves", ostermoor, "--to", "4.4.3", "--from", "2026-12-01"}, ExitUsage, `no platform of the fleet has a release "4.4.3"`},
		{[]string{"waves", ostermoor, "--to", "4.4.2", "--from", "2026-12-19", "--until", "2026-12-25"}, ExitVerdict, "that no freeze stops"},
		{[]string{"waves", ostermoor, "--to", "4.4.2", "--captures", "/nowhere"}, ExitUsage, "/nowhere"},
		{[]string{"waves", ostermoor, "--revise", "/nowhere"}, ExitUsage, "/nowhere"},
		{[]string{"waves", ostermoor, "--revise", "../../examples/ostermoor/fleet.yaml"}, ExitUsage, "is no campaign"},
		{[]string{"waves", ostermoor, "--to", "4.4.2", "--from", "2026-12-01", "--allow-reload", "--why", "weir-1"}, ExitUsage, "weir-1"},
	} {
		status, out, errOut := command(t, store, c.args...)
		if status != c.want || !strings.Contains(errOut, c.says) {
			t.Errorf("%v: got %d %s%s, want %d %q", c.args, status, out, errOut, c.want, c.says)
		}
	}
}
