package timing

import (
	"math"
	"math/bits"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Source: from memory, the table of nines that operations handbooks print, such
// as Beyer et al., Site Reliability Engineering, 2016, appendix A: allowed
// downtime in a year. The book counts 365 days, which is within the digits.
func TestTableOfNines(t *testing.T) {
	for _, c := range []struct {
		availability float64
		want, within time.Duration
	}{
		{0.9, 36*24*time.Hour + 12*time.Hour, time.Hour},
		{0.99, 87*time.Hour + 36*time.Minute, 6 * time.Minute},
		{0.999, 8*time.Hour + 45*time.Minute + 36*time.Second, time.Minute},
		{0.9999, 52*time.Minute + 34*time.Second, 3 * time.Second},
		{0.99999, 5*time.Minute + 15600*time.Millisecond, 300 * time.Millisecond}, // 5.26 min
		{0.999999, 31500 * time.Millisecond, 100 * time.Millisecond},
		{1, 0, 0},
		{0, Year, 0},
	} {
		if got := Downtime(c.availability, Year); (got - c.want).Abs() > c.within {
			t.Errorf("%v: got %v, want %v", c.availability, got, c.want)
		}
	}
}

// Source: common practice, mean time between failures over itself and the mean
// time to repair; 999 h and 1 h are three nines.
func TestAvailabilityOfFailureAndRepair(t *testing.T) {
	for _, c := range []struct {
		between, repair time.Duration
		want            float64
	}{
		{999 * time.Hour, time.Hour, 0.999},
		{99_999 * time.Hour, time.Hour, 0.99999},
		{50_000 * time.Hour, 4 * time.Hour, 0.99992000639948804},
		{time.Hour, 0, 1},
		{time.Hour, time.Hour, 0.5},
	} {
		got, err := Availability(c.between, c.repair)
		if err != nil || math.Abs(got-c.want) > 1e-15 {
			t.Errorf("%v, %v: got %.17g, %v; want %.17g", c.between, c.repair, got, err, c.want)
		}
	}
	for _, bad := range [][2]time.Duration{{0, time.Hour}, {-1, time.Hour}, {time.Hour, -1}} {
		if _, err := Availability(bad[0], bad[1]); err == nil {
			t.Errorf("%v: refused by nobody", bad)
		}
	}
}

// Source: from memory, the k-of-n formulas of reliability handbooks such as
// MIL-HDBK-338B §5 and Trivedi, Probability and Statistics, §3.7: 1 of 2 is
// 1-(1-a)², 2 of 2 is a², 2 of 3 is 3a²-2a³, 3 of 4 is 4a³-3a⁴.
func TestHandbookRedundancy(t *testing.T) {
	for _, a := range []float64{0, 0.1, 0.5, 0.9, 0.99, 0.999, 1} {
		for _, c := range []struct {
			k, n int
			up   float64
		}{
			{1, 1, a},
			{1, 2, 1 - (1-a)*(1-a)},
			{2, 2, a * a},
			{1, 3, 1 - (1-a)*(1-a)*(1-a)},
			{2, 3, 3*a*a - 2*a*a*a},
			{3, 3, a * a * a},
			{2, 4, 6*a*a - 8*a*a*a + 3*a*a*a*a},
			{3, 4, 4*a*a*a - 3*a*a*a*a},
			{0, 4, 1},
			{5, 4, 0},
		} {
			if got := 1 - Short(c.k, c.n, a); math.Abs(got-c.up) > 1e-12 {
				t.Errorf("%d of %d at %v: got %v, want %v", c.k, c.n, a, got, c.up)
			}
		}
	}
	// Two of 99 % in parallel are four nines, three are six; small figures keep
	// their digits. Source: common practice.
	for n, want := range map[int]float64{2: 1e-4, 3: 1e-6, 8: 1e-16} {
		if got := Short(1, n, 0.99); math.Abs(got/want-1) > 1e-12 {
			t.Errorf("1 of %d: got %v, want %v", n, got, want)
		}
	}
}

// Every way in which n things are up or down, one by one.
func TestShortAgainstEveryCombination(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 10).Draw(t, "n")
		k := rapid.IntRange(-1, n+1).Draw(t, "k")
		a := rapid.Float64Range(0, 1).Draw(t, "a")
		want := 0.0
		for set := range 1 << n {
			up := bits.OnesCount(uint(set))
			if up < k {
				want += math.Pow(a, float64(up)) * math.Pow(1-a, float64(n-up))
			}
		}
		if got := Short(k, n, a); math.Abs(got-want) > 1e-12 {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}
