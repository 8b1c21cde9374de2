package main

import (
	"context"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// BenchmarkStaging measures one transfer each; run it with -bench and compare
// the two lines, or use the command, which interleaves them.
func BenchmarkStaging(b *testing.B) {
	for _, sink := range []string{"standard", "direct"} {
		b.Run(sink, func(b *testing.B) {
			x, err := newBench(256<<20, sink)
			if err != nil {
				b.Fatal(err)
			}
			defer x.close()
			for name, f := range map[string]func(context.Context) (float64, error){"install": x.install, "bare-tls": x.transfer} {
				b.Run(name, func(b *testing.B) {
					b.SetBytes(x.size)
					b.ReportAllocs()
					for b.Loop() {
						if err := x.prepare(b.Context()); err != nil {
							b.Fatal(err)
						}
						if _, err := f(b.Context()); err != nil {
							b.Fatal(err)
						}
					}
				})
			}
		})
	}
}

// TestEverySinkReceivesThePackageWhole is the benchmark's own honesty: each
// receiving end compares what came with what was sent.
func TestEverySinkReceivesThePackageWhole(t *testing.T) {
	for _, sink := range []string{"standard", "direct", "lab"} {
		t.Run(sink, func(t *testing.T) {
			var out strings.Builder
			ratio, err := run(t.Context(), &out, "3MiB", 2, sink)
			if err != nil || !(ratio > 0) {
				t.Fatalf("ratio %v, %v", ratio, err)
			}
			for _, want := range []string{"median", "TLS 1.3"} {
				if !strings.Contains(out.String(), want) {
					t.Errorf("got %q, want it to hold %q", out.String(), want)
				}
			}
		})
	}
}

func TestSpoiltTransfersAreNoticed(t *testing.T) {
	for _, sink := range []string{"standard", "direct"} {
		x, err := newBench(2<<20, sink)
		if err != nil {
			t.Fatal(err)
		}
		if err := x.prepare(t.Context()); err != nil {
			t.Fatal(err)
		}
		x.digest = strings.Repeat("0", 64)
		if _, err := x.install(t.Context()); err == nil {
			t.Errorf("%s: an installation with another hash was measured", sink)
		}
		if _, err := x.transfer(t.Context()); err == nil {
			t.Errorf("%s: a transfer with another hash was measured", sink)
		}
		x.close()
	}
}

func TestMedian(t *testing.T) {
	// Source: definition of the sample median.
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 1, 30).Draw(t, "values")
		m := median(v)
		below, above := 0, 0
		for _, x := range v {
			if x <= m {
				below++
			}
			if x >= m {
				above++
			}
		}
		if 2*below < len(v) || 2*above < len(v) {
			t.Fatalf("median of %v is %v", v, m)
		}
	})
	if !math.IsNaN(median(nil)) {
		t.Error("the median of nothing is a number")
	}
}
