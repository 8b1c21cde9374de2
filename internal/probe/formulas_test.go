package probe

import (
	"math"
	"slices"
	"testing"
	"time"
)

const ms = time.Millisecond

// Source: RFC 6201 §1.3, both methods; worked values computed from it.
func TestResetTimes(t *testing.T) {
	for _, c := range []struct {
		lost uint64
		rate float64
		want time.Duration
	}{
		{30000, 10000, 3 * time.Second},
		{744, 14880, 50 * ms},
		{0, 10000, 0},
	} {
		if got := FrameLossTime(c.lost, c.rate); got != c.want {
			t.Errorf("%d lost at %g pps: %v, want %v", c.lost, c.rate, got, c.want)
		}
	}
	for _, c := range []struct{ a, b, want time.Duration }{
		{12000 * ms, 14350 * ms, 2350 * ms},
		{5000 * ms, 5048 * ms, 48 * ms},
	} {
		if got := TimestampTime(c.a, c.b); got != c.want {
			t.Errorf("%v to %v: %v, want %v", c.a, c.b, got, c.want)
		}
	}
}

// Source: RFC 7654 §5.3 for TPL_time, §7 for T4; worked values computed from them.
func TestUpgradeDisruption(t *testing.T) {
	if got := TPLTime(1234, 20000); got != 61700*time.Microsecond {
		t.Errorf("1234 lost at 20,000 pps: %v, want 61.7 ms", got)
	}
	if got := TPLTime(500, 100000); got != 5*ms {
		t.Errorf("500 lost at 100,000 pps: %v, want 5 ms", got)
	}
	if got := UpgradeWindow(900*time.Second, 120*time.Second, 600*time.Second); got != 1620*time.Second {
		t.Errorf("T4 = %v, want 1620 s", got)
	}
}

// Source: derived from the sending times around a gap; common practice.
func TestGapBounds(t *testing.T) {
	for _, c := range []struct {
		n               uint64
		p, lower, upper time.Duration
	}{
		{5, 10 * ms, 40 * ms, 60 * ms},
		{3, time.Second, 2 * time.Second, 4 * time.Second},
		{1, ms, 0, 2 * ms},
	} {
		if lower, upper := GapBounds(c.n, c.p); lower != c.lower || upper != c.upper {
			t.Errorf("%d of %v: %v to %v, want %v to %v", c.n, c.p, lower, upper, c.lower, c.upper)
		}
	}
}

// Source: RFC 6412 §3.5.1 and §3.6.1–3.6.5, equations 1 to 8; RFC 6413 §6.1.3
// for the accuracy; worked values computed from them.
func TestConvergenceTimes(t *testing.T) {
	if got := SamplingTolerance(12*ms, 2*ms, 10000); math.Abs(got-100) > 1e-9 {
		t.Errorf("equation 1: ±%g packets, want ±100", got)
	}
	for name, c := range map[string]struct{ got, want time.Duration }{
		"equation 2":                    {FullConvergenceTime(3*time.Second, 7500*ms), 4500 * ms},
		"equation 3":                    {FirstRouteConvergenceTime(3*time.Second, 3200*ms), 200 * ms},
		"equation 4":                    {RouteConvergenceTime(37, 100), 370 * ms},
		"equation 5":                    {RouteConvergenceTimeLate(200, 100, 500*ms, 1700*ms), 800 * ms},
		"equation 6":                    {LossDerivedConvergenceTime(5000, 10000), 500 * ms},
		"equation 7":                    {LossDerivedConvergenceTimeLate(20000, 10000, 0, 1200*ms), 800 * ms},
		"equation 8":                    {LossOfConnectivityPeriod(37, 100), 370 * ms},
		"accuracy of 1000 destinations": {LossDerivedAccuracy(1000, 10000), 100 * ms},
		"accuracy of 100 destinations":  {LossDerivedAccuracy(100, 10000), 10 * ms},
	} {
		if c.got != c.want {
			t.Errorf("%s: %v, want %v", name, c.got, c.want)
		}
	}
}

// Source: RFC 2544 appendix B, table of maximum frame rates at 10 Mbit/s, and
// §26.3 for the loss rate.
func TestFrameRates(t *testing.T) {
	for octets, want := range map[int]float64{
		64: 14880, 128: 8445, 256: 4528, 512: 2349, 768: 1586, 1024: 1197, 1280: 961, 1518: 812,
	} {
		if got := FrameRate(10e6, octets); got != want {
			t.Errorf("%d octets: %g frames/s, want %g", octets, got, want)
		}
	}
	if got := FrameRate(10e9, 64); got != 14880952 {
		t.Errorf("10 Gbit/s: %g frames/s, want 14,880,952", got)
	}
	if got := OfferedBps(14880, 64); got != 14880*672 {
		t.Errorf("offered %g bit/s, want %d", got, 14880*672)
	}
	if got := FrameLossRate(1000, 10); got != 99 {
		t.Errorf("loss rate %g %%, want 99 %%", got)
	}
	if got := FrameLossRate(1000, 990); got != 1 {
		t.Errorf("loss rate %g %%, want 1 %%", got)
	}
	if got := FrameLossRate(5000, 4999); math.Abs(got-0.02) > 1e-12 {
		t.Errorf("loss rate %g %%, want 0.02 %%", got)
	}
}

// Source: RFC 5481 §4.4, example 1; the others computed from §4.1 and §4.2.
func TestDelayVariation(t *testing.T) {
	us := func(v ...int) []time.Duration {
		out := make([]time.Duration, len(v))
		for i, x := range v {
			out[i] = time.Duration(x) * 100 * time.Microsecond
		}
		return out
	}
	for _, c := range []struct{ d, ipdv, pdv []time.Duration }{
		{us(200, 100, 200, 250, 200), us(-100, 100, 50, -50), us(100, 0, 100, 150, 100)},
		{us(50, 50, 90, 50), us(0, 40, -40), us(0, 0, 40, 0)},
		{us(10, 15, 8), us(5, -7), us(2, 7, 0)},
		{us(7), nil, us(0)},
		{nil, nil, nil},
	} {
		if got := IPDV(nil, c.d); !slices.Equal(got, c.ipdv) {
			t.Errorf("IPDV of %v: %v, want %v", c.d, got, c.ipdv)
		}
		if got := PDV(nil, c.d); !slices.Equal(got, c.pdv) {
			t.Errorf("PDV of %v: %v, want %v", c.d, got, c.pdv)
		}
	}
	// Source: RFC 5481 §5.2: a burst that drains, in ms; the delays are the
	// PDV over a minimum of 20 ms, before and after a packet at the minimum.
	burst := us(200, 1050, 850, 650, 450, 250, 200)
	if got, want := PDV(nil, burst), us(0, 850, 650, 450, 250, 50, 0); !slices.Equal(got, want) {
		t.Errorf("PDV of a burst: %v, want %v", got, want)
	}
	if got, want := IPDV(nil, burst), us(850, -200, -200, -200, -200, -50); !slices.Equal(got, want) {
		t.Errorf("IPDV of a burst: %v, want %v", got, want)
	}
}

// Source: RFC 7680 §4.1, document example 0,0,1,0,0.
func TestLossRatio(t *testing.T) {
	if got, ok := LossRatio(1, 5); !ok || got != 0.2 {
		t.Errorf("1 of 5: %g, %v; want 0.2", got, ok)
	}
	if got, ok := LossRatio(3, 600); !ok || got != 0.005 {
		t.Errorf("3 of 600: %g, %v; want 0.005", got, ok)
	}
	if _, ok := LossRatio(0, 0); ok {
		t.Error("the ratio of nothing must be undefined")
	}
}

// Source: RFC 8762 §4.2.1 timestamps T1 to T4, §4 loss by direction; worked
// values computed from them.
func TestRoundTripAndSplit(t *testing.T) {
	if got := RoundTripTime(0, 12*ms, 13*ms, 21*ms); got != 20*ms {
		t.Errorf("round trip %v, want 20 ms", got)
	}
	if got := RoundTripTime(10000*ms, 10300*ms, 10300*ms, 10002*ms); got != 2*ms {
		t.Errorf("round trip with a clock offset %v, want 2 ms", got)
	}
	if f, r := SplitLoss(100, 97+1, 95); f != 2 || r != 3 {
		t.Errorf("100 sent, 98 arrived, 95 received: forward %d, reverse %d; want 2 and 3", f, r)
	}
}
