package unit

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestCounted(t *testing.T) {
	for _, c := range []struct {
		got, want string
	}{
		{Counted(0, "setting"), "0 settings"}, {Counted(1, "setting"), "1 setting"}, {Counted(2, "setting"), "2 settings"},
		{Counted(2, "adjacency"), "2 adjacencies"}, {Counted(1, "adjacency"), "1 adjacency"}, {Counted(2, "day"), "2 days"},
		{Counted(3, "redundancy group"), "3 redundancy groups"}, {Counted(2, "switch"), "2 switches"}, {Counted(2, "loss"), "2 losses"}, {Counted(2, "box"), "2 boxes"},
		{Counted(2, "freeze"), "2 freezes"}, {Counted(uint64(1), "packet"), "1 packet"}, {Counted(int64(-2), "packet"), "-2 packets"},
		{CountedWith(1, "adjacency", "is", "are"), "1 adjacency is"}, {CountedWith(2, "adjacency", "is", "are"), "2 adjacencies are"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

func TestShare(t *testing.T) {
	for _, c := range []struct {
		p    float64
		runs int
		want string
	}{
		{0, 1000, "<0.3 %"}, {1, 1000, ">99.7 %"}, {0, 2000, "<0.2 %"}, {1, 2000, ">99.8 %"}, // 3/n, rounded away from certainty
		{0, 2, "<100.0 %"}, {1, 1, ">0.0 %"},
		{0, 0, "0 %"}, {1, 0, "100 %"},
		{0.001, 1000, "0.1 %"}, {0.99951, 20000, ">99.9 %"}, {0.0004, 10000, "<0.1 %"},
		{0.5, 1000, "50.0 %"}, {0.1234, 0, "12.3 %"}, {0.00001, 0, "<0.1 %"}, {0.99999, 0, ">99.9 %"},
	} {
		if got := Share(c.p, c.runs); got != c.want {
			t.Errorf("%g of %d: got %q, want %q", c.p, c.runs, got, c.want)
		}
	}
}

// The bound that is written is one: with the share at it, none of n runs would
// show it with a probability of at most 5 %; and only what is sure is written as
// 0 or 100.
// Source: binomial distribution, (1-p)^n ≤ 0.05.
func TestShareIsBounded(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(4, 100000).Draw(rt, "runs")
		var bound float64
		if _, err := fmt.Sscanf(Share(0, n), "<%f", &bound); err != nil {
			rt.Fatal(err)
		}
		if q := math.Pow(1-bound/100, float64(n)); q > 0.05 {
			rt.Errorf("none of %d: less than %g %%, which shows none with probability %g", n, bound, q)
		}
		k := rapid.IntRange(0, n).Draw(rt, "k")
		got := Share(float64(k)/float64(n), n)
		if strings.HasPrefix(got, "0.0") || strings.HasPrefix(got, "100") {
			rt.Errorf("%d of %d: %s", k, n, got)
		}
		up, down := Share(0, n), Share(1, n)
		var a, b float64
		_, _ = fmt.Sscanf(up, "<%f", &a)
		_, _ = fmt.Sscanf(down, ">%f", &b)
		if math.Abs(a+b-100) > 1e-9 {
			rt.Errorf("%s and %s of %d", up, down, n)
		}
	})
}

func TestPercent(t *testing.T) {
	for share, want := range map[float64]string{0: "0.0 %", 0.4649: "46.5 %", 12: "1200.0 %", 9999: "999900.0 %", 1e4: "1e+06 %", 1e299: "1e+301 %"} {
		if got := Percent(share); got != want {
			t.Errorf("%v: got %q, want %q", share, got, want)
		}
	}
}
