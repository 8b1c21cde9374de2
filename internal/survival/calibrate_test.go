package survival

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Source: Brier, 1950: the score of a forecast of 0.7 that comes true is
// (1-0.7)² = 0.09; of 0.3 that does not, the same.
func TestScoresByHand(t *testing.T) {
	c := Calibrate([]Pair{{"bfd", 0.7, true}, {"bfd", 0.3, false}, {"bgp", 1, true}, {"bgp", 0.5, false}})
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-12 {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	near("Brier", c.Score.Brier, (0.09+0.09+0+0.25)/4)
	near("log loss", c.Score.LogLoss, -(2*math.Log(0.7)+math.Log(0.999)+math.Log(0.5))/4)
	near("expected", c.Score.Expected, 2.5)
	near("z", c.Score.Z, -0.5/math.Sqrt(0.21+0.21+0.25))
	if c.Score.Observed != 2 || c.Score.AtRisk != 3 || c.Score.SureLost != 0 || len(c.ByProtocol) != 2 || c.ByProtocol[0].Protocol != "bfd" {
		t.Errorf("%+v", c)
	}
	c = Calibrate([]Pair{{"bfd", 1, false}, {"bfd", 0, true}})
	if c.Score.SureLost != 1 || c.Score.SureSurvived != 1 || c.Score.Brier != 1 {
		t.Errorf("%+v", c.Score)
	}
	if text := c.String(); !strings.Contains(text, "1 lost, 1 survived") {
		t.Error(text)
	}
	if empty := Calibrate(nil); empty.Score.Count != 0 || math.IsNaN(empty.Score.Brier) {
		t.Errorf("%+v", empty)
	}
}

// TestBrierScoreFallsIntoItsParts: where all forecasts in a bin are the same
// the partition is exact.
// Source: Murphy, 1973.
func TestBrierScoreFallsIntoItsParts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var pairs []Pair
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			p := float64(rapid.IntRange(0, 10).Draw(t, "p")) / 10
			if p > 0 && p < 1 {
				p += 0.05
			}
			pairs = append(pairs, Pair{"bgp", min(p, 1), rapid.Bool().Draw(t, "lives")})
		}
		s := Calibrate(pairs).Score
		if d := s.Reliability - s.Resolution + s.Uncertainty - s.Brier; math.Abs(d) > 1e-9 {
			t.Fatalf("off by %v: %+v", d, s)
		}
		n := 0
		for _, b := range Calibrate(pairs).Bins {
			n += b.Count
		}
		if n != len(pairs) {
			t.Fatalf("%d in the bins, %d forecast", n, len(pairs))
		}
	})
}
