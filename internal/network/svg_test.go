package network

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// texts parses the picture and returns what its text elements say.
func texts(t *testing.T, svg string) []string {
	t.Helper()
	var out []string
	dec := xml.NewDecoder(strings.NewReader(svg))
	in := false
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			in = x.Name.Local == "text"
			for _, a := range x.Attr {
				if a.Name.Local == "style" || a.Name.Local == "class" {
					t.Errorf("found attribute %s, want none that a content policy forbids", a.Name.Local)
				}
				switch a.Name.Local {
				case "x", "y", "x1", "x2", "y1", "y2", "cx", "cy":
					if v, err := strconv.ParseFloat(a.Value, 64); err != nil || math.IsNaN(v) || v < -50 || v > 1100 {
						t.Errorf("found %s=%q, want a place on the paper", a.Name.Local, a.Value)
					}
				}
			}
		case xml.CharData:
			if in {
				out = append(out, string(x))
			}
		case xml.EndElement:
			in = false
		}
	}
}

func TestThePictureSaysEverythingInWords(t *testing.T) {
	top := square()
	top.Nodes = []Node{{Name: "a"}, {Name: `<b> & "c"`, Host: true}}
	top.Arcs = append(top.Arcs, Attach(`<b> & "c"`, []string{"x", "y"}, true, math.Inf(1))...)
	n, err := New(top, []Demand{{From: "a", To: "b", Volume: 12}})
	if err != nil {
		t.Fatal(err)
	}
	intact := n.Intact()
	s, err := intact.With(Change{Drains: []Drain{{"x", NoTransit}}, Links: []string{"xy"}})
	if err != nil {
		t.Fatal(err)
	}
	draw := func(s *State) string {
		var b strings.Builder
		if err := s.SVG(&b, Picture{Title: "Before & after"}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	svg := draw(s)
	words := texts(t, svg)
	for _, want := range []string{"a", "b", "x", "y", `<b> & "c"`, "drained", "× failed", "120%!", "0%"} {
		if !slices.Contains(words, want) {
			t.Errorf("got texts %q, want %q among them", words, want)
		}
	}
	if !strings.Contains(svg, "<title>Before &amp; after</title>") || !strings.Contains(svg, "x is drained (notransit); link xy has failed") {
		t.Error("the title or the description is missing")
	}
	if draw(s) != svg {
		t.Error("the same state is drawn in two ways")
	}
	// Devices stand where they stood before the drain.
	circles := func(svg string) (out []string) {
		for _, l := range strings.Split(svg, "\n") {
			if strings.HasPrefix(l, "<circle") {
				l, _, _ = strings.Cut(l, " r=")
				out = append(out, l)
			}
		}
		return out
	}
	if a, b := circles(draw(intact)), circles(svg); !slices.Equal(a, b) || len(a) != 4 {
		t.Errorf("got places %v, want %v", b, a)
	}
}

// Source: worked by hand. On the square, 12 units need both ways (6 of 10 on
// each); with x drained all take one arc of 10, which holds for 8 units only.
func TestSafeHoursAreThoseInWhichItHolds(t *testing.T) {
	n, err := New(square(), []Demand{{From: "a", To: "b", Volume: 12}})
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	var samples []Sample
	for i, v := range []float64{12, 8, 10, 10.1, 4, 3} {
		samples = append(samples, Sample{start.Add(time.Duration(i) * time.Hour), time.Hour, []float64{v}})
	}
	set := DrainSet{"x", Change{Drains: []Drain{{"x", NoTransit}}}}
	got, err := n.SafeHours(samples, []DrainSet{set, {"nothing", Change{}}}, Question{})
	if err != nil {
		t.Fatal(err)
	}
	at := func(h int) time.Time { return start.Add(time.Duration(h) * time.Hour) }
	if want := []Period{{at(1), at(3)}, {at(4), at(6)}}; !slices.Equal(got[0].Periods, want) {
		t.Errorf("got %v, want %v", got[0].Periods, want)
	}
	if want := []Period{{at(0), at(6)}}; !slices.Equal(got[1].Periods, want) {
		t.Errorf("got %v, want %v", got[1].Periods, want)
	}
	// With any one link less on top, nothing is left when x is drained.
	got, err = n.SafeHours(samples, []DrainSet{set}, Question{AlsoFail: []Element{ElementLink}})
	if err != nil || len(got[0].Periods) != 0 || got[0].Samples[5].Lost != 3 {
		t.Errorf("got %+v (%v)", got, err)
	}
	if _, err := n.SafeHours([]Sample{samples[1], samples[0]}, nil, Question{}); !errors.Is(err, ErrInvalid) {
		t.Errorf("got %v", err)
	}
	if got := Peak(samples, 1.5); !slices.Equal(got, []float64{18}) {
		t.Errorf("got peak %v, want 18", got)
	}
	if got := BusiestSample(samples); got != 0 {
		t.Errorf("got busiest sample %d, want 0", got)
	}
	day := PeakOverDay(append(samples, Sample{at(24 + 1), time.Hour, []float64{9}}), 1)
	if len(day) != 6 || day[len(day)-1].Volumes[0] != 9 || !day[len(day)-1].At.Equal(at(1)) {
		t.Errorf("got %+v", day)
	}
}
