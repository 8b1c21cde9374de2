package survival

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func drawSilence(t *rapid.T, label string) Silence {
	d := func(n string) time.Duration { return time.Duration(rapid.IntRange(0, 5000).Draw(t, label+n)) * ms }
	s := Silence{Least: d("least")}
	s.Likely = s.Least + d("to likely")
	s.Most = s.Likely + d("to most")
	return s
}

// TestTriangleIsADistribution checks density, distribution and mean against
// each other.
func TestTriangleIsADistribution(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSilence(t, "")
		x := triOf(s)
		if x.point() {
			if LawOf(s).CDF(s.Least) != 1 || s.Least > 0 && LawOf(s).CDF(s.Least-1) != 0 {
				t.Fatal(s)
			}
			return
		}
		mass, mean := 0.0, 0.0
		const n = 2000
		for i := range n {
			y := x.l + (x.u-x.l)*(float64(i)+0.5)/n
			mass += x.density(y) * (x.u - x.l) / n
			mean += y * x.density(y) * (x.u - x.l) / n
			if math.Abs(mass-x.cdf(x.l+(x.u-x.l)*float64(i+1)/n)) > 2e-3 {
				t.Fatalf("%v: at %v the mass is %v, the distribution %v", s, y, mass, x.cdf(y))
			}
		}
		if math.Abs(mean-s.Mean().Seconds()) > 5e-3*(1+mean) {
			t.Fatalf("%v: mean %v, told %v", s, mean, s.Mean())
		}
	})
}

func TestQuantileTurnsTheDistributionRound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		law := Learn(drawSilence(t, "prior "), []time.Duration{time.Second, drawSilence(t, "run ").Most})
		if err := law.Validate(); err != nil {
			t.Fatal(err)
		}
		p := rapid.Float64Range(0.001, 0.999).Draw(t, "p")
		q := law.Quantile(p)
		if law.CDF(q) < p-1e-9 || q > law.Least() && law.CDF(q-2*time.Microsecond) > p+1e-9 {
			t.Fatalf("quantile %v of %v: P(≤) = %v", p, q, law.CDF(q))
		}
	})
}

// TestLearningMovesFromTheCatalogueToTheRuns
// Source: Ferguson, 1973: the catalogue keeps the weight c/(c+n).
func TestLearningMovesFromTheCatalogueToTheRuns(t *testing.T) {
	prior := Silence{time.Second, 2 * time.Second, 4 * time.Second}
	if law := Learn(prior, nil); len(law) != 1 || law[0].Weight != 1 || law[0].Silence != prior {
		t.Fatalf("without runs: %v", law)
	}
	one := Learn(prior, []time.Duration{5 * time.Second})
	if math.Abs(one[0].Weight-0.75) > 1e-12 || one.Most() != 6*time.Second {
		t.Errorf("one run: %v", one)
	}
	var runs []time.Duration
	for i := range 60 {
		runs = append(runs, 1400*ms+time.Duration(i%5)*20*ms)
	}
	law := Learn(prior, runs)
	if m := law.Mean(); m < 1400*ms || m > 1520*ms {
		t.Errorf("after 60 runs of 1.44 s the mean is %v", m)
	}
	if q := law.Quantile(0.9); q > 1600*ms {
		t.Errorf("nine of ten below %v", q)
	}
	// The catalogue never goes away, so a longer silence stays possible.
	if law.Most() != 4*time.Second || law.CDF(3*time.Second) >= 1 {
		t.Errorf("%v", law)
	}
	if err := law.Validate(); err != nil {
		t.Error(err)
	}
	if got := one.String(); got != "75% 1s..4s, likely 2s; 25% 4s..6s, likely 5s" {
		t.Error(got)
	}
}

func TestBadSilencesAreRefused(t *testing.T) {
	for _, s := range []Silence{{-1, 0, 1}, {2, 1, 3}, {1, 3, 2}} {
		if err := s.Validate(); !errors.Is(err, ErrSilence) || !strings.Contains(err.Error(), "least") {
			t.Errorf("%v: %v", s, err)
		}
	}
	for _, l := range []Law{{{0.5, Fixed(1)}}, {{1, Silence{2, 1, 3}}}, {{-1, Fixed(1)}, {2, Fixed(1)}}, {{math.NaN(), Fixed(1)}}} {
		if err := l.Validate(); !errors.Is(err, ErrSilence) {
			t.Errorf("%v: %v", l, err)
		}
		fixed, said := mended(l)
		if err := fixed.Validate(); err != nil || len(said) != 1 {
			t.Errorf("%v was mended to %v: %v", l, fixed, err)
		}
	}
}
