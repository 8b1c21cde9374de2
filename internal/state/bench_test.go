package state_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"runtime"
	"testing"

	"towpath/internal/state"
)

// million is a capture with n routes of which every two hundredth is not as in
// the same table of another seed: a third of those is gone, a third has another
// next hop, and beside a third there is a new one.
func million(n int, later bool) *state.Capture {
	rng := rand.New(rand.NewPCG(1, 2)) // the same routes in both captures
	hops := make([]string, 64)
	for i := range hops {
		hops[i] = fmt.Sprintf("198.51.100.%d", i)
	}
	routes := make([]state.Route, 0, n)
	for i := range n {
		r := state.Route{Prefix: fmt.Sprintf("%d.%d.%d.0/24", 1+i>>16, i>>8&255, i&255), Protocol: state.BGP, NextHops: hops[rng.IntN(64)], Metric: rng.Uint32N(1000)}
		if later && i%200 == 0 {
			switch i / 200 % 3 {
			case 0:
				continue
			case 1:
				r.NextHops = "203.0.113.1"
			case 2:
				routes = append(routes, state.Route{Prefix: r.Prefix[:len(r.Prefix)-2] + "25", Protocol: state.BGP, NextHops: hops[0]})
			}
		}
		routes = append(routes, r)
	}
	c := &state.Capture{Device: "mere-agg-1", Complete: true, RouteTables: []state.RouteTable{{Instance: "default", Family: "ipv4", Count: state.Some(uint64(len(routes))), Routes: routes}}}
	c.Sort()
	return c
}

// heap is the live heap after a collection, in octets.
func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// allocated runs f and returns all octets that it allocated: no heap can have
// grown by more at any moment.
func allocated(f func()) uint64 {
	var b, a runtime.MemStats
	runtime.ReadMemStats(&b)
	f()
	runtime.ReadMemStats(&a)
	return a.TotalAlloc - b.TotalAlloc
}

// BenchmarkCompareMillion compares two captures of 1,000,000 routes each, of
// which 0.5 % differ. input-MB is what both captures occupy, extra-MB the most
// by which the heap can have grown while comparing.
func BenchmarkCompareMillion(b *testing.B) {
	empty := heap()
	before, after := million(1_000_000, false), million(1_000_000, true)
	input := heap() - empty
	var extra uint64
	var got state.Comparison
	for b.Loop() {
		extra = max(extra, allocated(func() { got = state.Compare(before, after, state.Expectation{}, state.DefaultTolerances()) }))
	}
	b.ReportMetric(float64(input)/1e6, "input-MB")
	b.ReportMetric(float64(extra)/1e6, "extra-MB")
	b.ReportMetric(float64(got.Routes["default ipv4"].Total()), "differing")
	runtime.KeepAlive(before)
	runtime.KeepAlive(after)
}

// BenchmarkFilesMillion reads both captures from their files and compares them:
// the whole of a comparison by command. alloc-MB is all that it allocated.
func BenchmarkFilesMillion(b *testing.B) {
	empty := heap()
	x, y := million(1_000_000, false), million(1_000_000, true)
	input := heap() - empty
	var files [2]bytes.Buffer
	for i, c := range []*state.Capture{x, y} {
		if err := state.Encode(&files[i], c); err != nil {
			b.Fatal(err)
		}
	}
	runtime.KeepAlive(x)
	runtime.KeepAlive(y)
	x, y = nil, nil
	var alloc uint64
	for b.Loop() {
		alloc = allocated(func() {
			var c [2]*state.Capture
			for i := range files {
				var err error
				if c[i], err = state.Decode(bytes.NewReader(files[i].Bytes())); err != nil {
					b.Fatal(err)
				}
			}
			state.Compare(c[0], c[1], state.Expectation{}, state.DefaultTolerances())
		})
	}
	b.ReportMetric(float64(files[0].Len())/1e6, "file-MB")
	b.ReportMetric(float64(input)/1e6, "input-MB")
	b.ReportMetric(float64(alloc)/1e6, "alloc-MB")
}

// BenchmarkEncodeMillion writes a capture of 1,000,000 routes.
func BenchmarkEncodeMillion(b *testing.B) {
	c := million(1_000_000, false)
	var buf bytes.Buffer
	for b.Loop() {
		buf.Reset()
		if err := state.Encode(&buf, c); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(buf.Len())/1e6, "file-MB")
}

// The memory of a comparison does not grow with the tables: ten times the
// routes, and as many differing, take no more.
func TestCompareTakesLittleMemory(t *testing.T) {
	size := func(n int) uint64 {
		b, a := million(n, false), million(n, true)
		var got state.Comparison
		extra := allocated(func() { got = state.Compare(b, a, state.Expectation{}, state.DefaultTolerances()) })
		if want := uint64(n / 200); got.Routes["default ipv4"].Total() != want {
			t.Errorf("%+v routes differ of %d, want %d", got.Routes, n, want)
		}
		return extra
	}
	small, large := size(10_000), size(100_000)
	if large > 2*small+1<<20 {
		t.Errorf("10,000 routes take %d octets, 100,000 take %d", small, large)
	}
}
