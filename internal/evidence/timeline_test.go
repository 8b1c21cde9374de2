package evidence

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// night is a run of 25 minutes with three flows: an outage of both directions
// at the hand-over, shorter ones after it, a stall of the sender, and a time in
// which the way back carried nothing.
func night() TimelineData {
	const bucket = 100 * time.Millisecond
	in := TimelineData{
		Title:      "mere-agg-1, 4.2.7 to 5.1.0: loss of test traffic",
		Start:      time.Date(2026, 3, 14, 1, 58, 20, 0, time.UTC),
		Length:     25 * time.Minute,
		Bucket:     bucket,
		Resolution: time.Millisecond,
		Budget:     200 * time.Millisecond,
	}
	n := int(in.Length / bucket)
	for _, f := range []string{"north-south", "east-west", "management"} {
		for _, d := range []string{"forward", "reverse"} {
			r := TimelineRow{Flow: f, Direction: d, Sent: make([]uint32, n), Lost: make([]uint32, n)}
			for i := range r.Sent {
				r.Sent[i] = 100
			}
			in.Rows = append(in.Rows, r)
		}
	}
	lose := func(row int, from time.Duration, length time.Duration) {
		r := in.Rows[row]
		in.Outages = append(in.Outages, TimelineOutage{
			Flow: r.Flow, Direction: r.Direction, From: from, Until: from + length, Lost: uint64(length / time.Millisecond), Length: length,
		})
		for at := from; at < from+length; at += time.Millisecond {
			r.Lost[at/bucket]++
		}
	}
	handOver := 14*time.Minute + 3*time.Second
	lose(0, handOver+20*time.Millisecond, 147*time.Millisecond)
	lose(1, handOver+25*time.Millisecond, 62*time.Millisecond)
	lose(2, handOver+15*time.Millisecond, 233*time.Millisecond)
	lose(0, handOver+900*time.Millisecond, 12*time.Millisecond)
	lose(1, 17*time.Minute+7*time.Second, time.Millisecond)
	for i := 9000; i < 9600; i++ {
		in.Rows[3].Sent[i] = 0
	}
	in.Voids = []TimelineVoid{
		{Flow: "east-west", From: handOver + 400*time.Millisecond, Until: handOver + 461*time.Millisecond, Why: "sender late"},
		{From: 20 * time.Minute, Until: 20*time.Minute + 9*time.Second, Why: "interrupted"},
		{Flow: "management", From: 3 * time.Minute, Until: 3*time.Minute + 4*time.Millisecond, Why: "sender late"},
	}
	in.Marks = []TimelineMark{
		{15 * time.Second, "download"}, {6 * time.Minute, "staged"}, {13*time.Minute + 40*time.Second, "consent of R. Halloran"},
		{13*time.Minute + 58*time.Second, "upgrade run"}, {handOver, "hand-over asked"}, {14*time.Minute + 5*time.Second, "new primary answers"},
		{17 * time.Minute, "upgrade run ended"}, {24 * time.Minute, "acceptance complete"},
	}
	return in
}

// element is one element of the picture with its attributes and its own text.
type element struct {
	name  string
	attrs map[string]string
	text  string
	inner []element
}

// draw draws and reads the picture again as XML.
func draw(t interface {
	Helper()
	Fatalf(string, ...any)
}, in TimelineData) (root element, all []element) {
	t.Helper()
	var b bytes.Buffer
	if err := Timeline(&b, in); err != nil {
		t.Fatalf("Timeline: %v", err)
	}
	dec := xml.NewDecoder(&b)
	var read func(start xml.StartElement) element
	read = func(start xml.StartElement) element {
		e := element{name: start.Name.Local, attrs: map[string]string{}}
		for _, a := range start.Attr {
			e.attrs[a.Name.Local] = a.Value
		}
		for {
			tok, err := dec.Token()
			if err != nil {
				t.Fatalf("not well-formed: %v", err)
			}
			switch x := tok.(type) {
			case xml.StartElement:
				e.inner = append(e.inner, read(x))
			case xml.CharData:
				e.text += string(x)
			case xml.EndElement:
				all = append(all, e)
				return e
			}
		}
	}
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return root, all
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		if start, ok := tok.(xml.StartElement); ok {
			root = read(start)
		}
	}
}

func texts(all []element) []string {
	var out []string
	for _, e := range all {
		if e.name == "text" {
			out = append(out, e.text)
		}
	}
	return out
}

func number(t interface {
	Helper()
	Fatalf(string, ...any)
}, s string) float64 {
	t.Helper()
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatalf("%q is no number", s)
	}
	return f
}

// Everything that matters is said in words, on the picture and in its
// description.
func TestTimelineSaysWhatItShows(t *testing.T) {
	root, all := draw(t, night())
	said := strings.Join(texts(all), "\n")
	for _, want := range []string{
		"mere-agg-1, 4.2.7 to 5.1.0: loss of test traffic",
		"Worst outage 233 ms (east-west, forward). 1 of 5 OVER the budget of 200 ms. 455 packets lost. Resolution 1 ms.",
		"233 ms, over budget", "147 ms", "62 ms", "1 ms", "12 ms", // 12 ms only in the close-up
		"and 1 more outage", "159 lost", "no loss", "1 min 9 s not measured", "61 ms not measured",
		"02:12:23 hand-over asked", "02:22:20 acceptance complete", "02:05", "02:20", "14 March 2026, UTC",
		"Close-up 1: 02:12:22.5 to 02:12:24.4", "Close-up 2: 02:15:26.5 to 02:15:27.5", "rows without loss in this time: 3",
		"share of the packets lost in 100 ms, by time of sending", "not measured: no outage, and no proof of none",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	if root.attrs["role"] != "img" || root.attrs["aria-labelledby"] != "loss-title loss-desc" || root.inner[0].name != "title" || root.inner[1].name != "desc" {
		t.Errorf("the picture has no title and description for those who do not see it: %v", root.attrs)
	}
	for _, want := range []string{
		"Outage of 233 ms, 233 packets, flow east-west forward at 02:12:23.015.", "Mark at 02:12:18: upgrade run.", "6 rows",
	} {
		if !strings.Contains(root.inner[1].text, want) {
			t.Errorf("the description does not say %q:\n%s", want, root.inner[1].text)
		}
	}
}

// Only greys, nothing from outside, no style, no script, and nothing beyond the
// edges.
func TestTimelineIsSelfContained(t *testing.T) {
	root, all := draw(t, night())
	width, height := number(t, root.attrs["width"]), number(t, root.attrs["height"])
	if root.attrs["viewBox"] != "0 0 "+root.attrs["width"]+" "+root.attrs["height"] {
		t.Errorf("view box %q", root.attrs["viewBox"])
	}
	seen := map[string]int{}
	for _, e := range all {
		seen[e.name]++
		for k, v := range e.attrs {
			switch k {
			case "fill", "stroke":
				if v != "url(#loss-hatch)" && (len(v) != 4 || v[0] != '#' || v[1] != v[2] || v[2] != v[3]) {
					t.Errorf("%s %s=%q is no grey", e.name, k, v)
				}
			case "style", "class", "href", "onload":
				t.Errorf("%s has %s", e.name, k)
			case "x", "x1", "x2":
				if x := number(t, v); x < 0 || x > width {
					t.Errorf("%s %s=%q is beyond the edge", e.name, k, v)
				}
			case "y", "y1", "y2":
				if y := number(t, v); y < -10 || y > height {
					t.Errorf("%s %s=%q is beyond the edge", e.name, k, v)
				}
			}
		}
	}
	for name := range seen {
		if !strings.Contains(" svg title desc defs pattern line rect text ", " "+name+" ") {
			t.Errorf("element %s", name)
		}
	}
	if seen["text"] < 30 || seen["rect"] < 20 {
		t.Errorf("only %v", seen)
	}
}

// The same data give the same picture and are left as they were.
func TestTimelineIsPure(t *testing.T) {
	in := night()
	var a, b bytes.Buffer
	if err := Timeline(&a, in); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(in, night()) {
		t.Error("the data were changed")
	}
	if err := Timeline(&b, night()); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Errorf("the second picture differs (%v)", err)
	}
	broken := errors.New("disk full")
	if err := Timeline(failingWriter{broken}, in); !errors.Is(err, broken) {
		t.Errorf("error of the writer became %v", err)
	}
}

type failingWriter struct{ err error }

func (w failingWriter) Write([]byte) (int, error) { return 0, w.err }

// However long the run and however small the loss: a row that lost a packet has
// a bar, at the right time; a row that lost none has none.
func TestTimelineHidesNoLoss(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 40000).Draw(t, "buckets")
		in := TimelineData{Title: "t", Start: time.Unix(1e9, 0).UTC(), Bucket: 100 * time.Millisecond, Length: time.Duration(n) * 100 * time.Millisecond}
		row := TimelineRow{Flow: "f", Direction: "forward", Sent: make([]uint32, n), Lost: make([]uint32, n)}
		for i := range row.Sent {
			row.Sent[i] = 1000
		}
		lost := map[int]bool{}
		for range rapid.IntRange(0, 5).Draw(t, "losses") {
			i := rapid.IntRange(0, n-1).Draw(t, "at")
			row.Lost[i] = rapid.Uint32Range(1, 1000).Draw(t, "lost")
			lost[i] = true
		}
		in.Rows = []TimelineRow{row}
		_, all := draw(t, in)
		type span struct{ from, until float64 }
		var bars []span
		for _, e := range all {
			if e.name == "rect" && e.attrs["fill"] == "#000" && number(t, e.attrs["x"]) >= tlLeft {
				x := number(t, e.attrs["x"])
				bars = append(bars, span{x, x + number(t, e.attrs["width"])})
				if number(t, e.attrs["height"]) < 2 {
					t.Fatalf("a bar of height %s", e.attrs["height"])
				}
			}
		}
		if len(lost) == 0 && len(bars) > 0 {
			t.Fatalf("%d bars without loss", len(bars))
		}
		for i := range lost {
			x := tlLeft + (float64(i)+0.5)/float64(n)*(tlRight-tlLeft)
			found := false
			for _, b := range bars {
				found = found || x >= b.from-2.2 && x <= b.until+2.2 // bars are 2 wide at least
			}
			if !found {
				t.Fatalf("bucket %d of %d lost %d packets and has no bar at %.1f: %v", i, n, row.Lost[i], x, bars)
			}
		}
	})
}

// What people call things cannot break the picture.
func TestTimelineTakesAnyText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String()
		flow := text.Draw(t, "flow")
		in := TimelineData{
			Title: text.Draw(t, "title"), Start: time.Unix(0, 0).UTC(), Length: time.Second, Bucket: 100 * time.Millisecond,
			Rows:    []TimelineRow{{Flow: flow, Direction: "forward", Sent: []uint32{5, 5}, Lost: []uint32{1, 0}}},
			Marks:   []TimelineMark{{At: time.Millisecond, Label: text.Draw(t, "mark")}},
			Outages: []TimelineOutage{{Flow: flow, Direction: "forward", Until: time.Millisecond, Lost: 1, Length: time.Millisecond}},
		}
		draw(t, in)
	})
}

func TestTimelineWithoutAnything(t *testing.T) {
	in := TimelineData{Length: time.Second, Bucket: time.Second, Rows: []TimelineRow{{Flow: "a", Direction: "forward"}}}
	_, all := draw(t, in)
	if said := strings.Join(texts(all), "\n"); !strings.Contains(said, "nothing was measured") || strings.Contains(said, "no loss") {
		t.Errorf("of nothing it says:\n%s", said)
	}
}

func TestTimelineErrors(t *testing.T) {
	for want, change := range map[string]func(*TimelineData){
		"length 0s":                   func(in *TimelineData) { in.Length = 0 },
		"bucket -1ns":                 func(in *TimelineData) { in.Bucket = -1 },
		"no rows":                     func(in *TimelineData) { in.Rows = nil },
		"is there twice":              func(in *TimelineData) { in.Rows = append(in.Rows, in.Rows[0]) },
		"15000 buckets of sent":       func(in *TimelineData) { in.Rows[0].Lost = in.Rows[0].Lost[1:] },
		"bucket 7: 200 lost of 100":   func(in *TimelineData) { in.Rows[0].Lost[7] = 200 },
		`no row for flow "x" forward`: func(in *TimelineData) { in.Outages[0].Flow = "x"; in.Outages[0].Direction = "forward" },
		"outage 0: ends at 0s":        func(in *TimelineData) { in.Outages[0].Until = 0 },
		"void 1: ends at 0s":          func(in *TimelineData) { in.Voids[1].Until = 0 },
		"identifier":                  func(in *TimelineData) { in.ID = "a b" },
	} {
		in := night()
		change(&in)
		if err := Timeline(io.Discard, in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v does not say %q", err, want)
		}
	}
}

func TestMillis(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 ms", 250 * time.Microsecond: "0.3 ms", 4500 * time.Microsecond: "4.5 ms", 47 * time.Millisecond: "47 ms",
		999600 * time.Microsecond: "1 s", 1240 * time.Millisecond: "1.24 s", 61 * time.Second: "1 min 1 s", 2 * time.Minute: "2 min",
	} {
		if got := millis(d); got != want {
			t.Errorf("%v is written %q, want %q", d, got, want)
		}
	}
}

func BenchmarkTimeline(b *testing.B) {
	in := night()
	for b.Loop() {
		if err := Timeline(io.Discard, in); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(in.Rows)*len(in.Rows[0].Sent)), "buckets")
}

func ExampleTimeline() {
	var b bytes.Buffer
	err := Timeline(&b, TimelineData{
		Title: "mere-agg-1", Start: time.Date(2026, 3, 14, 2, 0, 0, 0, time.UTC), Length: 300 * time.Millisecond, Bucket: 100 * time.Millisecond,
		Rows: []TimelineRow{{Flow: "north-south", Direction: "forward", Sent: []uint32{100, 100, 100}, Lost: []uint32{0, 47, 0}}},
	})
	fmt.Println(err, strings.HasPrefix(b.String(), "<svg "))
	// Output: <nil> true
}
