package evidence

import (
	"bytes"
	"os/exec"
	"strings"
	"testing"

	"towpath/internal/conduct"
	"towpath/internal/paper"
)

// TestPDFSaysWhatThePageSays. Source: poppler's pdftotext reads the PDF.
func TestPDFSaysWhatThePageSays(t *testing.T) {
	d := assemble(t, story(t))
	var a, b bytes.Buffer
	for _, w := range []*bytes.Buffer{&a, &b} {
		if err := d.WritePDF(w); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("the same evidence gave two different files")
	}
	if _, err := exec.LookPath("pdftotext"); err != nil {
		t.Skip("pdftotext of poppler-utils is not installed: the PDF's text is not read back")
	}
	cmd := exec.Command("pdftotext", "-raw", "-enc", "UTF-8", "-", "-")
	cmd.Stdin = &a
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Join(strings.Fields(string(out)), " ")
	want := []string{"ACCEPTED", d.SafeState, "Tell the hospital <first>.", d.Digest, d.Plan, "Ada Fenwick", "Ben Marlow", "2.18s ± 23ms", "inside the forecast", "bgp 192.0.2.1", "harbour", "it is root",
		"Move the root.", "route table count", "1204", "capture/before", "60000 packets sent, 71 lost", "Worst outage 71 ms"}
	for _, s := range d.Steps {
		want = append(want, s.Title)
	}
	for _, r := range d.Journal {
		want = append(want, string(r.Kind))
	}
	if len(want) < 25 {
		t.Fatalf("only %d texts to look for", len(want))
	}
	for _, w := range want {
		if !strings.Contains(got, w) {
			t.Errorf("%q is missing in\n%s", w, got)
		}
	}
}

// TestTimelineIsTheSameOnPaper: the picture for other writers holds the texts of
// the SVG, and stays inside its frame.
func TestTimelineIsTheSameOnPaper(t *testing.T) {
	in := story(t)
	in.Sessions = append(in.Sessions, session(100))
	in.Sessions[0].Voids = []conduct.Void{{From: at(20), Until: at(40), Why: "harbour: the far end was away"}}
	in.Sessions[0].Series[0].Sent, in.Sessions[0].Series[0].Lost = make([]uint32, 60), make([]uint32, 60)
	for i := range 60 {
		in.Sessions[0].Series[0].Sent[i] = 1000
	}
	in.Sessions[0].Series[0].Lost[6] = 71
	d := assemble(t, in)
	pictures := 0
	for _, data := range d.stretches() {
		pic, err := drawn(data)
		if err != nil {
			t.Fatal(err)
		}
		svg, got := string(pic.finish()), pic.onPaper()
		labels, hatched, lines := 0, 0, 0
		for _, s := range got.Shapes {
			switch s := s.(type) {
			case paper.Label:
				labels++
				if !strings.Contains(svg, clean(s.Text)) {
					t.Errorf("%q is in no SVG", s.Text)
				}
				if s.X < 0 || s.X > got.Width || s.Y < 0 || s.Y > got.Height {
					t.Errorf("%q at %v, %v leaves the picture", s.Text, s.X, s.Y)
				}
			case paper.Hatch:
				hatched++
			case paper.Line:
				lines++
				if s.Stroke == paper.None {
					t.Errorf("a line without a stroke: %+v", s)
				}
			}
		}
		if labels != strings.Count(svg, "<text ") || labels < 8 || lines < 5 {
			t.Errorf("%d labels and %d lines; the SVG has %d texts", labels, lines, strings.Count(svg, "<text "))
		}
		if n := strings.Count(svg, `fill="url(`); hatched != n {
			t.Errorf("%d hatched, the SVG has %d", hatched, n)
		}
		pictures++
	}
	if pictures != 2 {
		t.Errorf("%d pictures", pictures)
	}
}
