package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/workspace"
)

// kept is a small campaign as a file.
func kept(t *testing.T) (name, digest string, src []byte) {
	t.Helper()
	at := time.Date(2031, 3, 4, 1, 0, 0, 0, time.FixedZone("", 3600))
	c := &plan.Campaign{Operator: "Ostermoor Water and Light", MadeAt: at.AddDate(0, 0, -9), Targets: []plan.Target{{Platform: "alder-9", Release: "4.4.2", Devices: 1}}, Zone: "Europe/Oslo", Cautions: plan.Cautions(),
		Runs: 1000, AskedDone: 0.95, Nights: []plan.Night{{Number: 1, Start: at, End: at.Add(4 * time.Hour), StageName: "canary", Done: 0.97, Tasks: []plan.Task{{Device: "mere-agg-1", Start: at, End: at.Add(time.Hour)}}}},
		Devices: []plan.DeviceCourse{{Device: "mere-agg-1", Platform: "alder-9", From: "4.2.3", To: "4.4.2", Night: 1, Done: 0.97}}}
	digest, err := c.Digest()
	if err != nil {
		t.Fatal(err)
	}
	if src, err = json.MarshalIndent(c, "", "  "); err != nil {
		t.Fatal(err)
	}
	name = filepath.Join(t.TempDir(), "plan.json")
	if err := os.WriteFile(name, src, 0o600); err != nil {
		t.Fatal(err)
	}
	return name, digest, src
}

func papers(in io.Reader, args ...string) (status int, out, errOut string) {
	var o, e bytes.Buffer
	none := Adapters{Dial: func(*workspace.Workspace, string, func() time.Time) app.Dialer { return nil }, CertificateEnd: func(string, fleet.Device) (time.Time, bool) { return time.Time{}, false }}
	status = Main(context.Background(), args, in, &o, &e, none)
	return status, o.String(), e.String()
}

func TestBriefInEachForm(t *testing.T) {
	name, digest, src := kept(t)
	for form, begins := range map[string]string{"markdown": "# Campaign: alder-9 to 4.4.2", "html": "<!doctype html>", "pdf": "%PDF-", "svg": "<?xml"} {
		status, out, errOut := papers(nil, "brief", name, "--as", form)
		if status != ExitDone || !strings.HasPrefix(out, begins) {
			t.Errorf("%s: status %d, %s%.80q", form, status, errOut, out)
		}
		// --format names the form too, and the campaign may come on standard input.
		if _, again, _ := papers(bytes.NewReader(src), "brief", "-", "--format", form); again != out {
			t.Errorf("%s: --format gives something else than --as", form)
		}
		if form != "svg" && form != "pdf" && !strings.Contains(out, digest) {
			t.Errorf("%s: the digest that waves prints is missing", form)
		}
	}
}

func TestBriefKeepsFiguresBesideMarkdown(t *testing.T) {
	name, digest, _ := kept(t)
	out := filepath.Join(filepath.Dir(name), "board.md")
	status, told, errOut := papers(nil, "brief", name, "-o", out, "--format", "json")
	if status != ExitDone {
		t.Fatal(errOut)
	}
	var got struct {
		Files  []string `json:"files"`
		Digest string   `json:"campaign_sha256"`
	}
	if err := json.Unmarshal([]byte(told), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Files) < 3 || got.Digest != digest {
		t.Fatalf("told %s", told)
	}
	page, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range got.Files[1:] {
		if !strings.Contains(string(page), "(<"+filepath.Base(f)+">)") {
			t.Errorf("the page does not link %s", f)
		}
		pic, err := os.Open(f)
		if err != nil {
			t.Fatal(err)
		}
		for dec := xml.NewDecoder(pic); err == nil; {
			_, err = dec.Token()
		}
		if !errors.Is(err, io.EOF) {
			t.Errorf("%s: %v", f, err)
		}
		_ = pic.Close()
	}
}

func TestBriefSaysWhatIsWrongWithItsInput(t *testing.T) {
	name, _, src := kept(t)
	dir := filepath.Dir(name)
	file := func(base, text string) string {
		n := filepath.Join(dir, base)
		if err := os.WriteFile(n, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return n
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"brief", name, "--as", "docx"}, `the form is "docx", want one of markdown, html, pdf, svg`},
		{[]string{"brief", filepath.Join(dir, "none.json")}, "none.json"},
		{[]string{"brief", file("a.json", `{"infeasible": {}}`)}, `unknown field "infeasible"`},
		{[]string{"brief", file("b.json", "{\n  \"seed\": 1,,\n}")}, "b.json:2:13"},
		{[]string{"brief", file("c.json", "{\n  \"seed\": \"x\"\n}")}, "c.json:2:"},
		{[]string{"brief", file("d.json", "{}")}, "no target"},
		{[]string{"brief", file("e.json", string(src[:len(src)/2]))}, "no campaign as towpath waves"},
		{[]string{"brief", name, "--format", "json"}, "give a file with -o"},
		{[]string{"runbook", "mere-agg-1", "--to", "4.4.2", "--as", "ics"}, "--start"},
		{[]string{"runbook", "mere-agg-1", "--to", "4.4.2", "--as", "ics", "--start", "tonight"}, "2031-03-04T01:00:00+01:00"},
		{[]string{"runbook", "mere-agg-1", "--to", "4.4.2", "--start", "2031-03-04T01:00:00+01:00"}, "go with --as ics"},
		{[]string{"runbook", "mere-agg-1", "--to", "4.4.2", "--as", "svg"}, "want one of text, markdown, html, pdf, ics"},
	} {
		if status, _, errOut := papers(nil, c.args...); status != ExitUsage || !strings.Contains(errOut, c.want) {
			t.Errorf("%v: status %d, %s\nwant %q", c.args, status, errOut, c.want)
		}
	}
}

// TestBriefOfTheExample goes from the example's files to the document, and finds
// the digest that waves gave the campaign on it.
func TestBriefOfTheExample(t *testing.T) {
	out := filepath.Join(t.TempDir(), "plan.json")
	status, _, errOut := papers(nil, "waves", "--workspace", "../../examples/ostermoor", "--to", "4.4.2", "--from", "2026-12-01", "--until", "2027-03-31", "--leave-out", "--format", "json", "--out", out)
	if status != ExitDone && status != ExitVerdict {
		t.Fatalf("status %d: %s", status, errOut)
	}
	status, page, errOut := papers(nil, "brief", out, "--as", "html")
	if status != ExitDone {
		t.Fatal(errOut)
	}
	for _, want := range []string{"mere-agg-1", "How to stop, and how to go back", "Whether fewer nights are possible", plan.Cautions()[0]} {
		if !strings.Contains(page, want) {
			t.Errorf("%q is missing", want)
		}
	}
}

// noCaptures is a shelf on which nothing but the journal lies.
type noCaptures struct{ *shelf }

func (noCaptures) Artefact(context.Context, string, string) ([]byte, bool, error) {
	return nil, false, nil
}

func (noCaptures) Artefacts(context.Context, string, string) ([]string, error) { return nil, nil }

// TestEvidenceOnPaper: of a file that is proven to be as it was handed over, too.
func TestEvidenceOnPaper(t *testing.T) {
	dir := t.TempDir()
	run := standing(t, false, "Ada Fenwick")
	for i, raw := range run.journal {
		var r conduct.Record
		if err := json.Unmarshal(raw, &r); err != nil {
			t.Fatal(err)
		}
		r.At = time.Date(2031, 3, 4, 1, i, 0, 0, time.UTC)
		var err error
		if run.journal[i], err = json.Marshal(r); err != nil {
			t.Fatal(err)
		}
	}
	status, _, errOut := command(t, noCaptures{run}, "evidence", "r1", "--pdf", "--evidence", dir, "--workspace=../../examples/ostermoor", "--state", dir)
	if status != ExitDone {
		t.Fatalf("status %d: %s", status, errOut)
	}
	name := filepath.Join(dir, "evidence-r1.pdf")
	one, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(name); err != nil {
		t.Fatal(err)
	}
	if status, out, errOut := papers(nil, "evidence", filepath.Join(dir, "evidence-r1.json"), "--pdf"); status != ExitDone || !strings.Contains(out, "intact") {
		t.Fatalf("status %d: %s%s", status, out, errOut)
	}
	two, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(one, []byte("%PDF-")) || !bytes.Equal(one, two) {
		t.Errorf("%d octets from the run, %d from its file: they must be one document", len(one), len(two))
	}
}
