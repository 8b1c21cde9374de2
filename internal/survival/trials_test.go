package survival

import (
	"bytes"
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// measured are the trials that were measured on real daemons.
const measured = "../../../shared/reference/silence-trials.csv"

type outcome struct {
	Trial
	survived bool
}

func readMeasured(t *testing.T) []outcome {
	t.Helper()
	f, err := os.Open(measured)
	if err != nil {
		t.Skipf("the measured trials are not here: %v", err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	var out []outcome
	for _, r := range rows[1:] {
		out = append(out, outcome{Trial{r[0], r[1], number(r[2]), number(r[3]), number(r[4])}, r[6] == "1"})
	}
	if len(out) < 600 {
		t.Fatalf("only %d trials", len(out))
	}
	return out
}

// naive is the rule that only looks at the neighbour and at a uniform phase.
func (o outcome) naive() float64 { return min(1, max(0, (o.Detect-o.Silence)/o.Hello)) }

func TestForecastBeatsTheNaiveRuleOnMeasuredTrials(t *testing.T) {
	var ours, naive []Pair
	for _, o := range readMeasured(t) {
		p, cautions, err := o.Survive(Options{})
		if err != nil || len(cautions) > 0 {
			t.Fatal(o, cautions, err)
		}
		ours = append(ours, Pair{o.Protocol, p, o.survived})
		naive = append(naive, Pair{o.Protocol, o.naive(), o.survived})
		if p <= certain && o.survived || p >= 1-certain && !o.survived {
			t.Errorf("sure and wrong: %+v forecast %v", o, p)
		}
	}
	a, b := Calibrate(ours), Calibrate(naive)
	t.Logf("ours\n%v\nnaive\n%v", a, b)
	if math.Abs(a.Score.Z) >= 2 {
		t.Errorf("observed is %.2f standard deviations from expected", a.Score.Z)
	}
	if a.Score.Brier > 0.8*b.Score.Brier {
		t.Errorf("Brier %.4f, want 20 %% below %.4f", a.Score.Brier, b.Score.Brier)
	}
	var _ bytes.Buffer
}
