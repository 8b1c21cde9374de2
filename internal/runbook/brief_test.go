package runbook

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os/exec"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	arran "github.com/arran4/golang-ical"
	"github.com/emersion/go-ical"
	"golang.org/x/net/html"
	"pgregory.net/rapid"

	"towpath/internal/fleet"
	"towpath/internal/paper"
	"towpath/internal/plan"
)

func briefIn(t *testing.T, c *plan.Campaign, f Format) []byte {
	t.Helper()
	var a, b bytes.Buffer
	for _, w := range []*bytes.Buffer{&a, &b} {
		if err := RenderBrief(w, c, f, nil); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Errorf("%s: the same campaign gave two different files", f)
	}
	return a.Bytes()
}

// TestBriefShowsTheWholeCampaign: whatever the campaign holds and a board needs,
// each form shows, as readers of those forms find that are none of ours.
func TestBriefShowsTheWholeCampaign(t *testing.T) {
	c := sample(23)
	c.Revises = strings.Repeat("fe", 32)
	c.Changes = []plan.Change{{Device: "mere-edge-5", Was: c.Nights[0].Start, Is: c.Nights[1].Start, Why: "its night was broken off"}}
	digest, err := c.Digest()
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	want = append(want, c.Cautions...)
	want = append(want, c.Rules...)
	want = append(want, c.Stop...)
	want = append(want, c.Warnings...)
	want = append(want, c.Network.Weak...)
	want = append(want, c.Left[0].Reason, c.Left[0].Opens[0], c.Proof.Bound, digest, c.Workspace, c.Revises, c.Operator, c.Changes[0].Why, "sluice-core-2", "61.3 %", "78.1 %", "link mere-weir-2 failed",
		"4.4.2 writes a configuration that 4.3.1 cannot read", "Europe/Oslo", "OUTAGE: a device restarts as a whole", "seed 7", "4000 simulated runs", "no way back")
	for _, s := range c.Served {
		want = append(want, s.Who)
	}
	for _, d := range c.Devices {
		want = append(want, fmt.Sprintf("%s: 4.2.3 to 4.4.2", d.Device), fmt.Sprintf("done in its window %.1f %%", 100*d.Done))
	}
	for _, n := range c.Nights {
		want = append(want, fmt.Sprintf("%.1f %%", 100*n.Done))
	}
	for _, f := range []Format{Markdown, HTML, PDF} {
		t.Run(string(f), func(t *testing.T) {
			got := strings.ReplaceAll(readBack(t, f, briefIn(t, c, f)), "\u00a0", " ")
			joined := strings.ReplaceAll(got, " ", "") // a PDF may break a digest
			for _, w := range want {
				if !strings.Contains(got, w) && !strings.Contains(joined, strings.ReplaceAll(w, " ", "")) {
					t.Errorf("%q is missing", w)
				}
			}
		})
	}
}

// TestBriefSaysWhatTheNetworkCheckIsNot: whoever approves must not take a check of
// loads for one that every demand keeps a path while something else fails.
func TestBriefSaysWhatTheNetworkCheckIsNot(t *testing.T) {
	for _, fails := range []bool{true, false} {
		c := sample(4)
		if !fails {
			c.Network.AlsoFail, c.Network.WorstFailure = nil, nil
		}
		var b bytes.Buffer
		if err := RenderBrief(&b, c, Markdown, nil); err != nil {
			t.Fatal(err)
		}
		got := strings.Join(strings.Fields(b.String()), " ")
		if strings.Contains(got, "not that every demand still has a path") != fails || strings.Contains(got, "also-fail link,node") != fails {
			t.Errorf("failures on top %v: the brief does not say so", fails)
		}
	}
}

// TestBriefSaysWhatIsMissing: a part that was not looked at is never shown as
// well.
func TestBriefSaysWhatIsMissing(t *testing.T) {
	c := sample(2)
	c.Network, c.Served = nil, nil
	for i := range c.Nights {
		c.Nights[i].Load, c.Nights[i].Untouched, c.Nights[i].Back = nil, nil, nil
	}
	for i := range c.Devices {
		c.Devices[i].Untouched, c.Devices[i].Learned = nil, 0
	}
	got := readBack(t, HTML, briefIn(t, c, HTML))
	for _, want := range []string{"Loads were not computed", "That is not to say that nobody does", "not known", "not computed", "No measured duration was used", "no way back of some device"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if err := RenderBrief(io.Discard, c, "docx", nil); err == nil {
		t.Error("an unknown form was written")
	}
	// Nothing planned is a document too.
	empty := &plan.Campaign{Targets: c.Targets, MadeAt: c.MadeAt, Cautions: c.Cautions}
	for _, f := range BriefFormats() {
		if len(briefIn(t, empty, f)) == 0 {
			t.Errorf("%s: nothing", f)
		}
	}
}

// TestBriefKeepsItsMargins reads where each word of the PDF stands.
// Source: the boxes that poppler's pdftotext -bbox measures.
func TestBriefKeepsItsMargins(t *testing.T) {
	if _, err := exec.LookPath("pdftotext"); err != nil {
		t.Skip("pdftotext of poppler-utils is not installed: where the words stand is not read back")
	}
	cmd := exec.Command("pdftotext", "-bbox", "-", "-")
	cmd.Stdin = bytes.NewReader(briefIn(t, sample(24), PDF))
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	page, err := html.Parse(bytes.NewReader(out))
	if err != nil {
		t.Fatal(err)
	}
	type box struct {
		text           string
		x0, y0, x1, y1 float64
	}
	var boxes []box
	pages, words := 0, 0
	check := func() {
		for k, b := range boxes {
			// A4 less the margins; header and footer stand in the upper and lower ones.
			if b.x0 < 47 || b.x1 > 548.3 || b.y0 < 20 || b.y1 > 826 {
				t.Errorf("page %d: %+v leaves the margins", pages, b)
			}
			for _, o := range boxes[k+1:] {
				if w, h := min(b.x1, o.x1)-max(b.x0, o.x0), min(b.y1, o.y1)-max(b.y0, o.y0); w > 1 && h > 4 {
					t.Errorf("page %d: %+v and %+v lie on each other", pages, b, o)
				}
			}
		}
		words += len(boxes)
		boxes = boxes[:0]
	}
	for n := range page.Descendants() {
		switch {
		case n.Type == html.ElementNode && n.Data == "page":
			check()
			pages++
		case n.Type == html.ElementNode && n.Data == "word":
			v := map[string]float64{}
			for _, a := range n.Attr {
				v[a.Key], _ = strconv.ParseFloat(a.Val, 64)
			}
			boxes = append(boxes, box{n.FirstChild.Data, v["xmin"], v["ymin"], v["xmax"], v["ymax"]})
		}
	}
	check()
	if pages < 10 || words < 3000 {
		t.Errorf("looked at %d pages and %d words only", pages, words)
	}
}

// spot is where a label stands in a picture.
type spot struct {
	text           string
	x0, y0, x1, y1 float64
}

func spots(d paper.Drawing) []spot {
	var out []spot
	for _, s := range d.Shapes {
		l, ok := s.(paper.Label)
		if !ok || l.Text == "" {
			continue
		}
		w := paper.Width(l.Text, l.Size, l.Bold)
		x := l.X
		switch l.At {
		case paper.Right:
			x -= w
		case paper.Centre:
			x -= w / 2
		case paper.Left:
		}
		out = append(out, spot{l.Text, x, l.Y - 0.72*l.Size, x + w, l.Y + 0.2*l.Size})
	}
	return out
}

type failer interface {
	Helper()
	Errorf(string, ...any)
	Fatalf(string, ...any)
}

// readable fails where labels lie on each other or leave the picture.
func readable(t failer, d paper.Drawing) {
	t.Helper()
	list := spots(d)
	if len(list) < 8 {
		t.Fatalf("%s: only %d labels", d.Title, len(list))
	}
	slices.SortFunc(list, func(a, b spot) int { return int(math.Copysign(1, a.y0-b.y0)) })
	for i, a := range list {
		if a.x0 < 0 || a.x1 > d.Width+0.5 || a.y0 < 0 || a.y1 > d.Height {
			t.Errorf("%s: %+v leaves the picture of %.0f × %.0f", d.Title, a, d.Width, d.Height)
		}
		for _, b := range list[i+1:] {
			if b.y0 > a.y1 {
				break
			}
			if w, h := min(a.x1, b.x1)-max(a.x0, b.x0), min(a.y1, b.y1)-max(a.y0, b.y0); w > 0.5 && h > 1.5 {
				t.Errorf("%s: %+v and %+v lie on each other", d.Title, a, b)
			}
		}
	}
	for _, s := range d.Shapes {
		if l, ok := s.(paper.Label); ok && l.Size < 9 {
			t.Errorf("%q is written with %v", l.Text, l.Size)
		}
		if r, ok := s.(paper.Rect); ok && (r.X < -0.5 || r.X+r.W > d.Width+0.5 || r.Y < -12 || r.Y+r.H > d.Height+0.5) {
			t.Errorf("%s: %+v leaves the picture", d.Title, r)
		}
	}
}

func TestGanttIsReadable(t *testing.T) {
	for _, n := range []int{1, 5, 60, 200} {
		readable(t, Gantt(sample(n)))
	}
}

// TestGanttIsReadableWhateverTheCampaign draws odd campaigns: short and long
// windows, long names, many deadlines and freezes at any time.
func TestGanttIsReadableWhateverTheCampaign(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) { readable(t, Gantt(odd(t))) })
}

func odd(t *rapid.T) *plan.Campaign {
	n := func(name string, lo, hi int) int { return rapid.IntRange(lo, hi).Draw(t, name) }
	name := func(what string) string {
		return what + strings.Repeat("-north", n("long", 0, 9)) + fmt.Sprint(n("number", 0, 999999))
	}
	at := time.Date(2031, 10, 24, 22, 0, 0, 0, time.FixedZone("", 3600*n("zone", -11, 13)))
	c := &plan.Campaign{Targets: []plan.Target{{Platform: "alder-9", Release: "4.4.2"}}, Runs: n("runs", 0, 1000)}
	stage := 0
	for i := range n("nights", 1, 9) {
		at = at.Add(time.Duration(n("gap", 12, 900)) * time.Hour)
		night := plan.Night{Number: i + 1, Start: at, End: at.Add(time.Duration(n("minutes", 20, 900)) * time.Minute), Stage: stage, StageName: name("stage"), Done: 0.9, Minutes: int64(n("work", 0, 9999))}
		if n("grow", 0, 2) == 0 {
			stage++
		}
		length := night.End.Sub(night.Start)
		inside := func(what string) time.Time { return night.Start.Add(length * time.Duration(n(what, 0, 100)) / 100) }
		for range n("tasks", 1, 7) {
			from, to := inside("from"), inside("to")
			if to.Before(from) {
				from, to = to, from
			}
			d := plan.DeviceCourse{Device: fleet.DeviceID(name("d")), Platform: "alder-9", Night: i + 1, DecideBy: inside("decide"), RollbackClock: inside("clock")}
			if n("site", 0, 1) == 1 {
				d.Site = name("site")
			}
			switch n("clocks", 0, 3) {
			case 0:
				d.DecideBy, d.RollbackClock, d.NoBack = time.Time{}, time.Time{}, "none"
			case 1:
				d.DecideBy = time.Time{}
			}
			if n("due", 0, 2) == 0 {
				d.Deadline = night.End.Add(time.Duration(n("days", 0, 90)) * 24 * time.Hour)
			}
			night.Tasks = append(night.Tasks, plan.Task{Device: d.Device, Start: from, End: to, Engineer: name("who"), Outcome: rapid.SampledFrom([]string{"", "done", "failed"}).Draw(t, "outcome")})
			c.Devices = append(c.Devices, d)
		}
		night.RollbackClock = inside("night clock")
		c.Nights = append(c.Nights, night)
	}
	for range n("freezes", 0, 4) {
		from := c.Nights[0].Start.Add(time.Duration(n("freeze", -400, 3000)) * time.Hour)
		c.Freezes = append(c.Freezes, plan.Period{Start: from, End: from.Add(time.Duration(n("length", 1, 900)) * time.Hour), Name: name("f")})
	}
	return c
}

// TestNightsAreDrawnOnceEach: pictures of a document are no higher than a page
// takes, and together they hold each device's work once.
func TestNightsAreDrawnOnceEach(t *testing.T) {
	c := sample(200)
	big := c.Nights[3]
	for i := range 60 { // one night that no page holds
		big.Tasks = append(big.Tasks, plan.Task{Device: fleet.DeviceID(fmt.Sprintf("extra-%d", i)), Start: big.Start, End: big.Start.Add(time.Hour), Engineer: "Ada Fenwick"})
	}
	c.Nights[3] = big
	seen := map[string]int{}
	list := nightCharts(c, gPage)
	if len(list) < 10 {
		t.Fatalf("only %d pictures", len(list))
	}
	for _, d := range list {
		if d.Height > gPage {
			t.Errorf("%s is %.0f high, want %.0f at most", d.Title, d.Height, gPage)
		}
		readable(t, d)
		for _, s := range d.Shapes {
			if l, ok := s.(paper.Label); ok && l.Bold && l.X == gMargin && l.Size == gText+0.5 {
				text := l.Text
				if l.Title != "" {
					text = l.Title
				}
				seen[text]++
			}
		}
	}
	for _, n := range c.Nights {
		for _, task := range n.Tasks {
			if seen[string(task.Device)] != 1 {
				t.Errorf("%s is drawn %d times", task.Device, seen[string(task.Device)])
			}
		}
	}
	for _, d := range overviews(c, gPage) {
		if d.Height > gPage {
			t.Errorf("the calendar is %.0f high", d.Height)
		}
	}
}

// TestGanttScale: bars begin and end where their times are on the scale.
func TestGanttScale(t *testing.T) {
	c := sample(2)
	n := c.Nights[0]
	var bars []paper.Rect
	for _, s := range nightCharts(c, gPage)[0].Shapes {
		if r, ok := s.(paper.Rect); ok && r.Fill == paper.Fill && r.Title != "" {
			bars = append(bars, r)
		}
	}
	if len(bars) != len(n.Tasks) {
		t.Fatalf("%d bars for %d devices", len(bars), len(n.Tasks))
	}
	per := (gRight - gLeft) / n.End.Sub(n.Start).Minutes()
	for i, r := range bars {
		task := n.Tasks[i]
		from, wide := gLeft+per*task.Start.Sub(n.Start).Minutes(), per*task.End.Sub(task.Start).Minutes()
		if math.Abs(r.X-from) > 0.01 || math.Abs(r.W-wide) > 0.01 {
			t.Errorf("%s: bar at %v, %v wide, want %v, %v", task.Device, r.X, r.W, from, wide)
		}
	}
}

func TestGanttAsSVG(t *testing.T) {
	c := sample(30)
	c.Nights[0].Tasks[0].Outcome = "failed"
	dec := xml.NewDecoder(bytes.NewReader(briefIn(t, c, SVG)))
	var text strings.Builder
	shapes := 0
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch x := tok.(type) {
		case xml.CharData:
			text.Write(x)
			text.WriteByte(' ')
		case xml.StartElement:
			shapes++
		}
	}
	if shapes < 100 {
		t.Errorf("%d shapes", shapes)
	}
	want := []string{"freeze: spring tide", "canaries", "01:00 to 02:35, failed", "no way back", "D 01:50", "R 02:22", "The clock changes in this night", "deadline", "window offered"}
	for _, d := range c.Devices {
		want = append(want, string(d.Device)) // in full, even where the label is cut
	}
	for _, w := range want {
		if !strings.Contains(text.String(), w) {
			t.Errorf("%q is missing", w)
		}
	}
}

// TestCalendarReadByOthers. Source: RFC 5545 §3.1, §3.4, §3.6.1, and two readers of
// it that are none of ours.
func TestCalendarReadByOthers(t *testing.T) {
	p := example(t)
	at := Window{Start: time.Date(2031, 3, 4, 1, 0, 0, 0, time.FixedZone("", 3600)), End: time.Date(2031, 3, 4, 5, 0, 0, 0, time.FixedZone("", 3600))}
	var b bytes.Buffer
	if err := WriteCalendar(&b, p, at); err != nil {
		t.Fatal(err)
	}
	for _, l := range strings.Split(b.String(), "\r\n") {
		if len(l) > 75 {
			t.Errorf("a line of %d octets: %s", len(l), l)
		}
	}
	cal, err := ical.NewDecoder(bytes.NewReader(b.Bytes())).Decode()
	if err != nil {
		t.Fatal(err)
	}
	events := cal.Events()
	if len(events) != 1 {
		t.Fatalf("%d events", len(events))
	}
	start, err := events[0].DateTimeStart(time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	end, err := events[0].DateTimeEnd(time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	if !start.Equal(at.Start) || !end.Equal(at.End) {
		t.Errorf("from %v to %v, want %v to %v", start, end, at.Start, at.End)
	}
	text, err := events[0].Props.Text(ical.PropDescription)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range p.Steps {
		if !strings.Contains(text, s.Title) {
			t.Errorf("step %q is missing", s.Title)
		}
	}
	for _, w := range append(p.Cautions, "POINT OF NO RETURN", "pumping station <4>") {
		if !strings.Contains(text, w) {
			t.Errorf("%q is missing", w)
		}
	}
	other, err := arran.ParseCalendar(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(other.Events()); n != 1 {
		t.Errorf("the other reader found %d events", n)
	}
	// The same plan is the same event; another plan is another.
	q := *p
	q.To = "4.4.3"
	var again, changed bytes.Buffer
	if err := errors.Join(WriteCalendar(&again, p, Window{Start: at.Start.Add(24 * time.Hour)}), WriteCalendar(&changed, &q, at)); err != nil {
		t.Fatal(err)
	}
	id := func(b bytes.Buffer) string {
		cal, err := ical.NewDecoder(&b).Decode()
		if err != nil {
			t.Fatal(err)
		}
		s, err := cal.Events()[0].Props.Text(ical.PropUID)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	one := id(b)
	if two := id(again); one != two {
		t.Errorf("moving the window makes another event: %s, %s", one, two)
	}
	if three := id(changed); one == three {
		t.Errorf("another plan is the same event: %s", one)
	}
	for _, w := range []Window{{}, {Start: at.Start, End: at.Start.Add(-time.Hour)}} {
		if err := WriteCalendar(io.Discard, p, w); err == nil {
			t.Errorf("the window %v was taken", w)
		}
	}
	if reflect.DeepEqual(b.Bytes(), changed.Bytes()) {
		t.Error("two plans give one file")
	}
}

// TestBriefIsTheSameEverywhere: the zone of whoever reads the campaign's file
// leaves no trace in the document.
func TestBriefIsTheSameEverywhere(t *testing.T) {
	src, err := json.Marshal(sample(30))
	if err != nil {
		t.Fatal(err)
	}
	local := time.Local
	t.Cleanup(func() { time.Local = local })
	var want map[Format][]byte
	for _, name := range []string{"UTC", "Europe/Oslo", "America/St_Johns"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Skipf("the time zone database is not there: %v", err)
		}
		time.Local = zone
		c := &plan.Campaign{}
		if err := json.Unmarshal(src, c); err != nil {
			t.Fatal(err)
		}
		got := map[Format][]byte{}
		for _, f := range BriefFormats() {
			got[f] = briefIn(t, c, f)
			if want != nil && !bytes.Equal(got[f], want[f]) {
				t.Errorf("%s: read in %s it is another document", f, name)
			}
		}
		want = got
	}
}

// TestBriefNamesWhatTouchesTraffic: the board is told every step that can touch
// traffic, what it is foretold to cost and who is asked before, in every form, and
// before all else how many they are and what is not known of them.
func TestBriefNamesWhatTouchesTraffic(t *testing.T) {
	ms := time.Millisecond
	hop := func(effects ...plan.Effect) plan.CourseHop {
		return plan.CourseHop{From: "4.2.3", To: "4.4.2", Method: "in-service", Silence: 2 * time.Second, Back: "in-service", Effects: effects}
	}
	card := plan.Loss{Least: 10 * ms, Likely: 30 * ms, Most: 60 * ms, Known: true, Of: "what passes LC-3 and has no other way", Basis: "by the catalogue"}
	over := plan.Loss{Least: 50 * ms, Likely: 85 * ms, Most: 130 * ms, Known: true, Of: "what passes mere-agg-1 and has no other way", Basis: "by the catalogue"}
	const asked = "before the upgrade run of hop 1"
	firmware := plan.Effect{N: 9, Title: "Restart LC-3 into firmware 1.9 (has 1.7)", Consent: asked, Loss: card}
	hand := plan.Effect{N: 10, Title: "Hand the PRIMARY role from CTL-A to CTL-B", Consent: asked, Loss: over}
	lone := plan.Effect{N: 12, Title: "Restart line card LC-3 into 4.4.2", Loss: plan.Loss{Most: 12 * time.Minute, Of: "what passes LC-3", Basis: "the catalogue gives no loss of a line card's restart"}}
	for name, x := range map[string]struct {
		effects []plan.Effect
		want    []string
		not     string
	}{
		"with firmware": {[]plan.Effect{firmware, hand},
			[]string{"2; the longest loss foretold of one is 50ms to 130ms on mere-agg-1 (Hand the PRIMARY role from CTL-A to CTL-B); each behind a hold point",
				"9. Restart LC-3 into firmware 1.9 (has 1.7)", "about 30ms (10ms to 60ms) of what passes LC-3 and has no other way, by the catalogue", asked}, "WITHOUT A HOLD POINT"},
		"without, and without a hold point": {[]plan.Effect{hand, lone},
			[]string{"no figure for 1 of them; 1 WITHOUT A HOLD POINT before", "12. Restart line card LC-3 into 4.4.2", "no figure (the catalogue gives no loss of a line card's restart); at worst 12m of what passes LC-3",
				"NONE: no hold point stands before it"}, "firmware 1.9"},
	} {
		c := &plan.Campaign{Operator: "Ostermoor Water and Light", MadeAt: time.Date(2031, 3, 1, 9, 0, 0, 0, time.UTC), Targets: []plan.Target{{Platform: "alder-9", Release: "4.4.2", Devices: 1}},
			Devices: []plan.DeviceCourse{{Device: "mere-agg-1", Platform: "alder-9", From: "4.2.3", To: "4.4.2", Hops: []plan.CourseHop{hop(x.effects...)}}}}
		for _, f := range []Format{Markdown, HTML, PDF} {
			var b bytes.Buffer
			if err := RenderBrief(&b, c, f, nil); err != nil {
				t.Fatal(err)
			}
			got := readBack(t, f, b.Bytes())
			for _, w := range x.want {
				if !strings.Contains(got, w) {
					t.Errorf("%s, %s: %q is missing", name, f, w)
				}
			}
			if strings.Contains(got, x.not) {
				t.Errorf("%s, %s: says %q", name, f, x.not)
			}
		}
	}
}
