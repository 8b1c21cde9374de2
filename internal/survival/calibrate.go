package survival

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Pair is one forecast beside what happened.
type Pair struct {
	Protocol string  `json:"protocol"`
	Forecast float64 `json:"forecast"` // probability to survive
	Survived bool    `json:"survived"`
}

// Bin is a range of forecasts beside their outcomes.
type Bin struct {
	From     float64 `json:"from"`
	To       float64 `json:"to"`
	Count    int     `json:"count"`
	Forecast float64 `json:"forecast"` // mean
	Observed float64 `json:"observed"` // share that survived
}

// Score is how good forecasts were.
type Score struct {
	Protocol string  `json:"protocol,omitempty"` // empty: all
	Count    int     `json:"count"`
	AtRisk   int     `json:"at_risk"` // forecasts that were neither 0 nor 1
	Expected float64 `json:"expected"`
	Observed int     `json:"observed"`
	// Z is how many standard deviations more than expected survived.
	Z       float64 `json:"z"`
	Brier   float64 `json:"brier"`    // mean squared error, 0 is perfect
	LogLoss float64 `json:"log_loss"` // mean in nats, forecasts clipped to 0.001 and 0.999
	// The Brier score is Reliability − Resolution + Uncertainty, up to the
	// width of the bins: what honest relabelling would gain, what the
	// forecasts tell apart, and what nobody can know.
	Reliability float64 `json:"reliability"`
	Resolution  float64 `json:"resolution"`
	Uncertainty float64 `json:"uncertainty"`
	// SureLost counts forecasts of 1 that were lost, SureSurvived those of 0
	// that survived.
	SureLost     int `json:"sure_lost"`
	SureSurvived int `json:"sure_survived"`
}

// Calibration is how forecasts and outcomes compare.
type Calibration struct {
	Score      Score   `json:"score"`
	ByProtocol []Score `json:"by_protocol"` // sorted by name
	Bins       []Bin   `json:"bins"`        // the first holds the zeros, the last the ones
}

// certain is how near to 0 or 1 a forecast counts as certain. The batch form
// writes six decimals.
const certain = 5e-7

// Calibrate compares forecasts with outcomes.
// Source: Brier, Verification of forecasts expressed in terms of probability,
// 1950; Murphy, A new vector partition of the probability score, 1973.
func Calibrate(pairs []Pair) Calibration {
	var c Calibration
	c.Score = score("", pairs)
	by := map[string][]Pair{}
	for _, p := range pairs {
		by[p.Protocol] = append(by[p.Protocol], p)
	}
	for name, ps := range by {
		c.ByProtocol = append(c.ByProtocol, score(name, ps))
	}
	slices.SortFunc(c.ByProtocol, func(a, b Score) int { return cmp.Compare(a.Protocol, b.Protocol) })
	c.Bins = bins(pairs)
	return c
}

// bins are the certain ones apart and tenths between.
func bins(pairs []Pair) []Bin {
	out := make([]Bin, 12)
	for i := range out {
		out[i].From, out[i].To = float64(i-1)/10, float64(i)/10
	}
	out[0].From, out[11].From, out[11].To = 0, 1, 1
	survived := make([]int, len(out))
	for _, p := range pairs {
		i := 1 + min(9, int(p.Forecast*10))
		switch {
		case p.Forecast <= certain:
			i = 0
		case p.Forecast >= 1-certain:
			i = 11
		}
		out[i].Count++
		out[i].Forecast += p.Forecast
		if p.Survived {
			survived[i]++
		}
	}
	for i := range out {
		if n := float64(out[i].Count); n > 0 {
			out[i].Forecast /= n
			out[i].Observed = float64(survived[i]) / n
		}
	}
	return out
}

func score(name string, pairs []Pair) Score {
	s := Score{Protocol: name, Count: len(pairs)}
	if len(pairs) == 0 {
		return s
	}
	variance := 0.0
	for _, p := range pairs {
		y := 0.0
		if p.Survived {
			y = 1
			s.Observed++
		}
		s.Expected += p.Forecast
		variance += p.Forecast * (1 - p.Forecast)
		s.Brier += (p.Forecast - y) * (p.Forecast - y)
		q := min(0.999, max(0.001, p.Forecast))
		s.LogLoss -= y*math.Log(q) + (1-y)*math.Log(1-q)
		switch {
		case p.Forecast >= 1-certain && !p.Survived:
			s.SureLost++
		case p.Forecast <= certain && p.Survived:
			s.SureSurvived++
		case p.Forecast > certain && p.Forecast < 1-certain:
			s.AtRisk++
		}
	}
	n := float64(s.Count)
	if d := float64(s.Observed) - s.Expected; variance > 0 {
		s.Z = d / math.Sqrt(variance)
	}
	s.Brier /= n
	s.LogLoss /= n
	base := float64(s.Observed) / n
	s.Uncertainty = base * (1 - base)
	for _, b := range bins(pairs) {
		w := float64(b.Count) / n
		s.Reliability += w * (b.Forecast - b.Observed) * (b.Forecast - b.Observed)
		s.Resolution += w * (b.Observed - base) * (b.Observed - base)
	}
	return s
}

// String writes the calibration as two tables.
func (c Calibration) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%-10s %6s %8s %9s %9s %6s %7s %9s %s\n", "protocol", "count", "at risk", "expected", "observed", "z", "Brier", "log loss", "sure and wrong")
	for _, s := range append(slices.Clone(c.ByProtocol), c.Score) {
		name := s.Protocol
		if name == "" {
			name = "all"
		}
		fmt.Fprintf(&b, "%-10s %6d %8d %9.1f %9d %6.2f %7.4f %9.4f %d lost, %d survived\n", name, s.Count, s.AtRisk, s.Expected, s.Observed, s.Z, s.Brier, s.LogLoss, s.SureLost, s.SureSurvived)
	}
	fmt.Fprintf(&b, "\n%-12s %6s %9s %9s\n", "forecast", "count", "mean", "survived")
	for _, n := range c.Bins {
		if n.Count > 0 {
			fmt.Fprintf(&b, "%.1f to %.1f   %6d %9.3f %9.3f\n", n.From, n.To, n.Count, n.Forecast, n.Observed)
		}
	}
	return b.String()
}
