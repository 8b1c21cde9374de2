package evidence

import (
	"bytes"
	"fmt"
	"os/exec"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"towpath/internal/conduct"
	"towpath/internal/paper"
	"towpath/internal/plan"
)

// Of a list that is cut the rest is summed up, alike on the page and on paper,
// and what is listed is what is longest. The sums are reckoned here from what was
// put in.
func TestWhatIsNotListedIsSummedUp(t *testing.T) {
	in := story(t)
	m := &in.Sessions[0]
	m.Outages, m.Voids = nil, nil
	const outages, voids = 55, 1012
	for i := range outages { // 1 ms and 1 packet, 2 ms and 2 packets, …
		long := time.Duration(i+1) * time.Millisecond
		m.Outages = append(m.Outages, conduct.Outage{Flow: "harbour", Direction: "forward", From: at(i), Until: at(i).Add(long), Lost: uint64(i + 1), ByLoss: long, ByTimestamp: long / 2})
	}
	for i := range voids {
		long := 2 * time.Millisecond
		if i%100 == 7 { // 11 long ones, of 1.007 s, 1.107 s, …
			long = time.Second + time.Duration(i)*time.Millisecond
		}
		m.Voids = append(m.Voids, conduct.Void{From: at(i), Until: at(i).Add(long), Why: "harbour: the far end was away"})
	}
	d := assemble(t, in)
	// The 15 shortest outages: 1 + … + 15 = 120 packets over 120 ms. All voids but
	// the 11 last 2 ms each: 1001 × 2 ms, and the shortest of the 11 is not listed.
	want := []string{
		"Not listed: 15 outages, none longer than 15ms; together 120 packets lost over 120ms, each flow and direction counted by itself.",
		"Not measured, and never counted as an outage: 1012 gaps, together " + words(1001*2*time.Millisecond+11*time.Second+time.Duration(7*11+100*55)*time.Millisecond),
		"The 10 longest:", "not listed: 1002 gaps, none longer than 1.01s; together " + words(1001*2*time.Millisecond+1007*time.Millisecond),
		"1.11s: harbour: the far end was away", "2.01s: harbour: the far end was away",
	}
	for name, got := range map[string]string{"page": pageText(t, d), "paper": paperText(t, d)} {
		if got == "" {
			continue // said why
		}
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("%s: %q is missing", name, w)
			}
		}
		for _, w := range []string{"1.01s: harbour", "and 3546 more"} {
			if strings.Contains(got, w) {
				t.Errorf("%s: %q is listed", name, w)
			}
		}
	}
	// The document itself has all of them.
	if len(d.Probe.Outages) != outages || len(d.Probe.Voids) != voids {
		t.Errorf("the document has %d outages and %d gaps", len(d.Probe.Outages), len(d.Probe.Voids))
	}
}

// What a consent covered stands beside it, and what was foretold of the restarts
// of single components beside what was measured.
func TestConsentStandsWithWhatItCovered(t *testing.T) {
	in := story(t)
	p := in.State.Plan
	ms := time.Millisecond
	card := plan.Step{ID: "03b", Kind: plan.LoadLineCard, Phase: plan.UpgradeRun, Title: "Restart line card LC-3", Component: "LC-3",
		Loss: &plan.Loss{Least: 10 * ms, Likely: 30 * ms, Most: 60 * ms, Known: true, Of: "what passes LC-3", Basis: "by the catalogue"}}
	p.Steps = append(p.Steps[:3:3], card, p.Steps[3])
	hold := *p.Steps[1].Hold
	hold.Ahead = plan.Effects(p.Steps)
	p.Steps[1].Hold = &hold
	d := assemble(t, in)
	got := d.Consents[len(d.Consents)-1]
	if len(got.Covers) != 1 || got.Covers[0].Step != "03b" {
		t.Fatalf("the consent covered %+v", got.Covers)
	}
	if x := d.Hops[0].Parts; x.Least != 10*ms || x.Forecast != 30*ms || x.Most != 60*ms || x.Known {
		t.Errorf("foretold of single components: %+v", x)
	}
	for name, text := range map[string]string{"page": pageText(t, d), "paper": paperText(t, d)} {
		if text == "" {
			continue
		}
		for _, w := range []string{"step 4, Restart line card LC-3: traffic lost: about 30ms (10ms to 60ms) of what passes LC-3, by the catalogue", "Longest loss while single components restart 30ms (10ms to 60ms) not measured"} {
			if !strings.Contains(text, w) {
				t.Errorf("%s: %q is missing", name, w)
			}
		}
	}
}

// pageText is the text of the HTML page, with single spaces. Source:
// golang.org/x/net/html reads it.
func pageText(t *testing.T, d *Document) string {
	t.Helper()
	var b bytes.Buffer
	if err := d.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	z := html.NewTokenizer(&b)
	var words []string
	for {
		switch z.Next() {
		case html.ErrorToken:
			return strings.Join(words, " ")
		case html.TextToken:
			words = append(words, strings.Fields(string(z.Text()))...)
		default:
		}
	}
}

// paperText is the text of the PDF, with single spaces; empty where there is
// nothing to read it with. Source: poppler's pdftotext reads it.
func paperText(t *testing.T, d *Document) string {
	t.Helper()
	if _, err := exec.LookPath("pdftotext"); err != nil {
		fmt.Println("pdftotext of poppler-utils is not installed: the PDF's text is not read back")
		return ""
	}
	var b bytes.Buffer
	if err := d.WritePDF(&b); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("pdftotext", "-raw", "-enc", "UTF-8", "-", "-")
	cmd.Stdin = &b
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.Join(strings.Fields(string(out)), " ")
}

// TestFiguresAreReadableOnPaper: however many flows there are, each row stands in
// exactly one figure of the whole run and each close-up in one of the others, and
// none is so high that its letters would come out below 7 points on a page of A4
// on its side. Source of the measures: ISO 216, A4; the page's margins.
func TestFiguresAreReadableOnPaper(t *testing.T) {
	for _, flows := range []int{1, 3, 40} {
		in := TimelineData{Title: "Loss of test traffic", Start: zero, Length: 20 * time.Minute, Bucket: 100 * time.Millisecond, Budget: time.Second}
		for i := range flows {
			r := TimelineRow{Flow: fmt.Sprintf("flow-%02d", i), Direction: "forward", Sent: make([]uint32, 12000), Lost: make([]uint32, 12000)}
			for k := range r.Sent {
				r.Sent[k] = 100
			}
			at := 1000 + 250*i
			r.Lost[at] = 50
			from := time.Duration(at) * in.Bucket
			in.Rows = append(in.Rows, r)
			in.Outages = append(in.Outages, TimelineOutage{Flow: r.Flow, Direction: "forward", From: from, Until: from + 50*time.Millisecond, Lost: 50, Length: 50*time.Millisecond + time.Duration(i)})
		}
		figures, err := figuresOf(in)
		if err != nil {
			t.Fatal(err)
		}
		rows, near := map[string]int{}, map[string]int{}
		for _, f := range figures {
			const wide, high, letters = 841.89 - 96, 595.28 - 72 - 58 - 40, 11.0
			scale := min(wide/f.Drawing.Width, high/f.Drawing.Height)
			if scale*letters < 7 {
				t.Errorf("%d flows: %q is %.0f high: its letters have %.1f points", flows, f.Caption, f.Drawing.Height, scale*letters)
			}
			in := rows
			for _, s := range f.Drawing.Shapes {
				l, ok := s.(paper.Label)
				switch {
				case !ok:
				case strings.HasPrefix(l.Text, "Close-up"):
					near[l.Text]++
					in = map[string]int{}
				case strings.HasPrefix(l.Text, "flow-") && !strings.Contains(f.Caption, "near"):
					in[l.Text]++
				}
			}
		}
		if len(rows) != flows || len(near) == 0 || len(near) > tlCloseUp {
			t.Errorf("%d flows: %d rows and %d close-ups in %d figures", flows, len(rows), len(near), len(figures))
		}
		for what, n := range rows {
			if n != 1 {
				t.Errorf("%d flows: row %s is there %d times", flows, what, n)
			}
		}
		for what, n := range near {
			if n != 1 {
				t.Errorf("%d flows: %s is there %d times", flows, what, n)
			}
		}
	}
}
