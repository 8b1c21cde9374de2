package survival

import (
	"math"
	"os"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Source: Kronrod's extension of n Gauss points is exact up to degree 3n+1
// (n odd: 3n+2), here 22 and more; Gauss with five points up to 9.
func TestQuadratureIsExactForPolynomials(t *testing.T) {
	law := LawOf(Silence{0, 0, time.Second}) // density 2(1-x)
	for k := range 21 {
		mean, _ := law.expect(nil, 1, func(s float64, out []float64) { out[0] = math.Pow(s, float64(k)) })
		want := 2/float64(k+1) - 2/float64(k+2)
		if math.Abs(mean[0]-want) > 1e-13 {
			t.Errorf("E[s^%d] = %.15g, want %.15g", k, mean[0], want)
		}
	}
	for k := range 10 {
		got := panels(0, 1, nil, func(x float64) float64 { return math.Pow(x, float64(k)) })
		if math.Abs(got-1/float64(k+1)) > 1e-14 {
			t.Errorf("∫x^%d = %.15g", k, got)
		}
	}
}

// TestExactIntegralAgreesWithMonteCarlo compares 200 random layered devices
// with acted-out silences: a million for each of the first 20 and 100,000 for
// the others, a few thousand under the race detector, or a million for all where TOWPATH_THOROUGH is set. The difference must stay within the
// stated error and 4.9 standard deviations of the sample, which a right
// integral exceeds once in a million devices.
func TestExactIntegralAgreesWithMonteCarlo(t *testing.T) {
	const devices = 200
	count := func(device int) int {
		switch {
		case raceEnabled || testing.Short():
			return 4_000
		case device < 20 || os.Getenv("TOWPATH_THOROUGH") != "":
			return 1_000_000
		}
		return 100_000
	}
	type fault struct {
		device          int
		got, want, with float64
		what            string
	}
	var mu sync.Mutex
	var faults []fault
	uncertain := 0
	work := make(chan int)
	var wg sync.WaitGroup
	gen := rapid.Custom(func(t *rapid.T) *system { return drawSystem(t, 8) })
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for d := range work {
				samples := count(d)
				m := newModel(gen.Example(d))
				law := Law{{1, Silence{time.Duration(d) * 5 * time.Millisecond, time.Second, time.Second + time.Duration(d)*10*time.Millisecond}}}
				if d%3 == 0 {
					law = Learn(law[0].Silence, []time.Duration{700 * time.Millisecond, 1100 * time.Millisecond})
				}
				check := func(what string, got, err, want float64, n int) {
					// Of n acted out, had got been their probability.
					sd := math.Sqrt(max(got*(1-got), 1/float64(n)) / float64(n))
					mu.Lock()
					defer mu.Unlock()
					if got > 0.001 && got < 0.999 {
						uncertain++
					}
					if math.Abs(got-want) > err+4.9*sd {
						faults = append(faults, fault{d, got, want, err + 4.9*sd, what})
					}
				}
				r := &dice{uint64(d) << 32}
				drawn := law.urn()
				// The weakest are asked first, because one death decides.
				deaths := make([]int, len(m.relations))
				for range 500 {
					s := drawn.draw(r)
					for _, i := range m.touching {
						if !m.relations[i].own.lives(r, s) {
							deaths[i]++
						}
					}
				}
				asked := slices.Clone(m.touching)
				slices.SortFunc(asked, func(a, b int) int { return deaths[b] - deaths[a] })
				hits := 0
				for range samples {
					s := drawn.draw(r)
					ok := true
					for _, i := range asked {
						if !m.relations[i].own.lives(r, s) {
							ok = false
							break
						}
					}
					if ok {
						hits++
					}
				}
				p, err := m.expectUntouched(law)
				check("untouched", p, err, float64(hits)/float64(samples), samples)
				few := samples / 50
				lives := make([]int, len(m.relations))
				alone := make([]bool, len(m.relations))
				for range few {
					s := drawn.draw(r)
					for i := range alone {
						alone[i] = m.relations[i].own.lives(r, s)
					}
					for i, ok := range m.acts(alone) {
						if ok {
							lives[i]++
						}
					}
				}
				b := m.bind(law)
				for i := range lives {
					g := b.marginal(i, b.lossView(i))
					check("adjacency", g.survive, tolerance, float64(lives[i])/float64(few), few)
				}
			}
		})
	}
	for d := range devices {
		work <- d
	}
	close(work)
	wg.Wait()
	for _, f := range faults {
		t.Errorf("device %d, %s: integral %.6f, acted out %.6f, want within %.6f", f.device, f.what, f.got, f.want, f.with)
	}
	if uncertain < devices {
		t.Errorf("only %d of the probabilities were uncertain: the devices prove too little", uncertain)
	}
}

// TestErrorToldIsNotExceeded compares with an integral a thousand times finer.
func TestErrorToldIsNotExceeded(t *testing.T) {
	gen := rapid.Custom(func(t *rapid.T) *system { return drawSystem(t, 12) })
	for d := range 30 {
		m := newModel(gen.Example(1000 + d))
		law := LawOf(Silence{0, time.Second, 3 * time.Second})
		p, err := m.expectUntouched(law)
		x := triOf(law[0].Silence)
		// P(untouched) never rises with the silence, so each strip of the
		// law's mass gives a lower and an upper bound.
		lo, hi := 0.0, 0.0
		const n = 5000
		last, mass := m.untouched(0), 0.0
		for i := 1; i <= n; i++ {
			s := x.u * float64(i) / n
			u, f := m.untouched(s), x.cdf(s)
			lo, hi = lo+u*(f-mass), hi+last*(f-mass)
			last, mass = u, f
		}
		if p < lo-err-1e-9 || p > hi+err+1e-9 {
			t.Errorf("device %d: %.7f ± %.1e is outside of [%.7f, %.7f]", d, p, err, lo, hi)
		}
		if err > 1e-5 {
			t.Errorf("device %d: error %.1e", d, err)
		}
	}
}
