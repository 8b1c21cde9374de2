package survival

import (
	"fmt"
	"testing"
	"time"

	"towpath/internal/state"
)

// bigDevice is a provider edge with n adjacencies: links in aggregates of two,
// each with OSPF, BFD and LDP, the rest BGP sessions over them. With distinct
// set no two adjacencies have the same timers.
func bigDevice(n int, distinct bool) *state.Capture {
	c := &state.Capture{Device: "mere-agg-1", Adjacencies: make([]state.Adjacency, 0, n)}
	odd := func(d time.Duration, i int) time.Duration {
		if distinct {
			return d + time.Duration(i)*time.Millisecond
		}
		return d
	}
	left := n
	for i := range n / 20 {
		ae := fmt.Sprintf("lag-%d", i)
		g := state.Aggregate{Name: ae, MinLinks: some(1)}
		for j := range 2 {
			g.Members = append(g.Members, state.LACPMember{Interface: fmt.Sprintf("port-%d/%d", i, j), OwnTimeout: some("SHORT"), PartnerTimeout: some([]string{"SHORT", "LONG"}[(i/2+j)%2])})
		}
		c.Aggregates = append(c.Aggregates, g)
		bfd := bfdOn(ae+".0", []time.Duration{300 * ms, time.Second, 10 * time.Second}[i%3], 3)
		bfd.Neighbour = fmt.Sprintf("192.0.2.%d", i)
		bfd.Timers.NeighbourDetect = some(odd(3*bfd.Timers.Send.Or(0), i))
		ospf := ospfOn(ae+".0", odd(10*time.Second, i), odd(40*time.Second, 4*i))
		ospf.Neighbour = bfd.Neighbour
		ldp := state.Adjacency{Protocol: state.LDP, Interface: ae + ".0", Neighbour: bfd.Neighbour, Up: some(true), Restart: state.Restart{Nonstop: some(true)}}
		c.Adjacencies = append(c.Adjacencies, bfd, ospf, ldp)
		left -= 5
	}
	for i := range left {
		hold := []time.Duration{9 * time.Second, 90 * time.Second, 180 * time.Second}[i%3]
		c.Adjacencies = append(c.Adjacencies, state.Adjacency{
			Protocol: state.BGP, Neighbour: fmt.Sprintf("198.51.%d.%d", i/250, i%250), Up: some(true),
			Timers:  state.Timers{Send: some(odd(hold/3, i)), NeighbourDetect: some(odd(hold, i))},
			Restart: state.Restart{Nonstop: some(true)},
		})
	}
	return c
}

var bigSilence = Silence{500 * ms, 700 * ms, 1200 * ms}

func TestBigDeviceIsForecastAndAdvised(t *testing.T) {
	c := bigDevice(2000, false)
	f := Predict(c, bigSilence, Options{})
	if len(f.Adjacencies) != 2000 || f.Untouched <= 0 && f.Safe == 0 || f.Error > 1e-5 {
		t.Fatalf("%d adjacencies, untouched %v ± %v", len(f.Adjacencies), f.Untouched, f.Error)
	}
	a := Advise(c, LawOf(bigSilence), Options{}, Prices{})
	if !a.Reached || !a.Proven || a.After < 0.999 || a.Cost > 100 {
		t.Fatalf("reached %v, proven %v, after %v, cost %v, bound %v, changes %d", a.Reached, a.Proven, a.After, a.Cost, a.Bound, len(a.Changes))
	}
	t.Logf("untouched %.3g ± %.1g, safe %v by %s; %d changes for %v bring it to %.6f", f.Untouched, f.Error, f.Safe, f.Limiting, len(a.Changes), a.Cost, a.After)
}

func BenchmarkForecast(b *testing.B) {
	for _, n := range []int{1000, 2000} {
		for _, distinct := range []bool{false, true} {
			c := bigDevice(n, distinct)
			b.Run(fmt.Sprintf("adjacencies=%d/distinct=%v", n, distinct), func(b *testing.B) {
				for b.Loop() {
					Predict(c, bigSilence, Options{})
				}
			})
		}
	}
}

func BenchmarkAdvice(b *testing.B) {
	for _, distinct := range []bool{false, true} {
		c := bigDevice(2000, distinct)
		b.Run(fmt.Sprintf("adjacencies=2000/distinct=%v", distinct), func(b *testing.B) {
			for b.Loop() {
				if a := Advise(c, LawOf(bigSilence), Options{Target: 0.999}, Prices{}); !a.Reached {
					b.Fatal("not reached")
				}
			}
		})
	}
}

// BenchmarkForecastAgainstActingItOut measures how many acted-out silences
// would give P(untouched) of each adjacency the accuracy that the integral
// states, and what they would take.
func BenchmarkForecastAgainstActingItOut(b *testing.B) {
	c := bigDevice(2000, false)
	law := LawOf(bigSilence)
	m := newModel(compile(c, Options{}))
	start := time.Now()
	const rounds = 20
	for range rounds {
		m := newModel(compile(c, Options{}))
		m.forecast(c.Device, law, nil)
	}
	exact := time.Since(start).Seconds() / rounds
	// One acted-out silence of the whole device.
	r, urn := &dice{1}, law.urn()
	alone := make([]bool, len(m.relations))
	n := 0
	start = time.Now()
	for b.Loop() {
		s := urn.draw(r)
		for i := range alone {
			alone[i] = m.relations[i].own.lives(r, s)
		}
		m.acts(alone)
		n++
	}
	each := time.Since(start).Seconds() / float64(n)
	// The standard deviation of a share near a half is 0.5/√n.
	for _, accuracy := range []float64{1e-3, 1e-5, tolerance} {
		samples := 0.25 / (accuracy * accuracy)
		b.ReportMetric(samples*each/exact, fmt.Sprintf("times-slower-at-%.0e", accuracy))
	}
	b.ReportMetric(exact*1e3, "ms/forecast")
}
