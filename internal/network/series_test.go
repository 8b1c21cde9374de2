package network

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestSeriesAreRead(t *testing.T) {
	const src = "time,src,dst,volume\n2026-03-01T23:00:00+01:00,a,b,3\n2026-03-01T21:00:00Z,a,b,7\n2026-03-01T21:00:00Z,b,a,1\n"
	demands, samples, err := ReadSeries("s.csv", strings.NewReader(src), square(), time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(demands, []Demand{{From: "a", To: "b", Volume: 7}, {From: "b", To: "a", Volume: 1}}) {
		t.Errorf("got demands %v", demands)
	}
	if len(samples) != 2 || !slices.Equal(samples[0].Volumes, []float64{7, 1}) || !slices.Equal(samples[1].Volumes, []float64{3, 0}) || samples[0].At.Hour() != 21 || samples[1].Length != time.Hour {
		t.Errorf("got samples %v", samples)
	}
	for src, want := range map[string]string{
		"time,src,dst,volume\ntoday,a,b,1\n":                                          `s.csv:2:1: time: "today"; want an instant`,
		"time,src,dst,volume\n2026-03-01T21:00:00Z,a,c,1\n":                           `s.csv:2:24: dst: the node "c"`,
		"time,src,dst,volume\n2026-03-01T21:00:00Z,a,b,1\n2026-03-01T21:00:00Z,a,b,1": `s.csv:3:22: src: "a" to "b", which stands already`,
		"src,dst,volume\na,b,1\n":                                                     "time: there is no such column",
	} {
		if _, _, err := ReadSeries("s.csv", strings.NewReader(src), square(), time.Hour); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", src, err, want)
		}
	}
}

func TestCountersAreRead(t *testing.T) {
	n, err := New(square(), nil)
	if err != nil {
		t.Fatal(err)
	}
	c, err := n.ReadCounters("c.csv", strings.NewReader("kind,element,rate\narc,ax>,5\nin,a,4\nout,b,3\n"), time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	if c.Arcs[0] != 5 || !math.IsNaN(c.Arcs[1]) || c.In[n.nodeIndex["a"]] != 4 || c.Out[n.nodeIndex["b"]] != 3 || c.Out[n.nodeIndex["a"]] != 0 {
		t.Errorf("got %+v", c)
	}
	for src, want := range map[string]string{
		"arc,zz,5\n":           `c.csv:2:5: element: the arc "zz"`,
		"in,zz,5\n":            `c.csv:2:4: element: the node "zz"`,
		"both,a,5\n":           `c.csv:2:1: kind: "both"; want arc, in or out`,
		"in,a,-5\n":            `c.csv:2:6: rate: "-5"; want a number of 0 or more`,
		"arc,ax>,5\narc,ax>,5": `c.csv:3:5: element: "ax>", which stands already`,
	} {
		if _, err := n.ReadCounters("c.csv", strings.NewReader("kind,element,rate\n"+src), time.Time{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", src, err, want)
		}
	}
}
