package network

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/fleet"
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
	// At 22:00 nothing is said of b to a: its peak stands for it, and it is marked.
	if len(samples) != 2 || !slices.Equal(samples[0].Volumes, []float64{7, 1}) || len(samples[0].Missing) != 0 ||
		!slices.Equal(samples[1].Volumes, []float64{3, 1}) || !slices.Equal(samples[1].Missing, []int{1}) || samples[0].At.Hour() != 21 || samples[1].Length != time.Hour {
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
	c, err := n.ReadCounters("c.csv", strings.NewReader("kind,element,rate\narc,ax>,5\nin,a,4\nout,b,3\n"))
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
		if _, err := n.ReadCounters("c.csv", strings.NewReader("kind,element,rate\n"+src)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", src, err, want)
		}
	}
}

func TestCountersOverTimeAreRead(t *testing.T) {
	n, err := New(square(), nil)
	if err != nil {
		t.Fatal(err)
	}
	const src = "time,kind,element,rate\n2026-03-01T22:00:00Z,in,a,4\n2026-03-01T21:00:00Z,arc,ax>,5\n2026-03-01T22:00:00+01:00,in,a,2\n2026-03-01T21:00:00Z,out,b,2\n"
	all, err := n.ReadCounterSeries("c.csv", strings.NewReader(src))
	if err != nil || len(all) != 2 {
		t.Fatalf("got %+v (%v), want two instants", all, err)
	}
	a, b := n.nodeIndex["a"], n.nodeIndex["b"]
	if x := all[0]; x.At.UTC().Hour() != 21 || x.Arcs[0] != 5 || x.In[a] != 2 || x.Out[b] != 2 || len(x.Missing) != 0 {
		t.Errorf("got %+v", x)
	}
	// An arc that is not counted is unknown; what leaves at b was forgotten.
	if x := all[1]; !math.IsNaN(x.Arcs[0]) || x.In[a] != 4 || !slices.Equal(x.Missing, []string{"out of b"}) {
		t.Errorf("got %+v", x)
	}
	for src, want := range map[string]string{
		"2026-03-01T21:00:00Z,in,a,1\n2026-03-01T21:00:00Z,in,a,1": `c.csv:3:25: element: "a", which stands already for that time`,
		"noon,in,a,1": `c.csv:2:1: time: "noon"; want an instant`,
	} {
		if _, err := n.ReadCounterSeries("c.csv", strings.NewReader("time,kind,element,rate\n"+src)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", src, err, want)
		}
	}
	const ports = "time,device,interface,in,out\n2026-03-01T21:00:00Z,d,e1,1bps,2bps\n2026-03-01T22:00:00Z,d,e1,3bps,4bps\n2026-03-01T21:00:00Z,d,e2,5bps,6bps\n"
	rates, err := ReadPortRateSeries("p.csv", strings.NewReader(ports), 0)
	if err != nil || len(rates) != 2 || len(rates[0].Rates) != 2 || rates[0].Rates[1].Out != 6 || len(rates[0].Missing) != 0 ||
		len(rates[1].Rates) != 1 || rates[1].Rates[0].In != 3 || !slices.Equal(rates[1].Missing, []fleet.Endpoint{{Device: "d", Interface: "e2"}}) {
		t.Errorf("got %+v (%v)", rates, err)
	}
}
