package network

import (
	"bufio"
	"cmp"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// abilene reads the research backbone with its metrics and its measured
// matrices, in Mbit/s, without what a node sends to itself.
// Source: ../shared/data/rocketfuel_cfrrl (Zhang et al., IEEE JSAC 38(10) 2020;
// one value is 100 octets in 5 minutes).
func abilene(t testing.TB) (*Network, [][]float64) {
	t.Helper()
	src, err := os.ReadFile(data(t, "rocketfuel_cfrrl", "Abilene.txt"))
	if err != nil {
		t.Fatal(err)
	}
	var top Topology
	for i := range 12 {
		top.Nodes = append(top.Nodes, Node{Name: fmt.Sprint(i)})
	}
	for _, line := range strings.Split(strings.TrimSpace(string(src)), "\n")[2:] {
		var id, from, to int
		var metric int64
		var capacity float64
		if _, err := fmt.Sscan(line, &id, &from, &to, &metric, &capacity); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		link := fmt.Sprint(min(from, to), "-", max(from, to))
		top.Arcs = append(top.Arcs, Arc{Link: link, From: fmt.Sprint(from), To: fmt.Sprint(to), Metric: metric, Capacity: capacity / 1000})
	}
	n, err := New(top, AllPairs(top))
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.Open(data(t, "rocketfuel_cfrrl", "AbileneTM_first288.txt"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	var matrices [][]float64
	scan := bufio.NewScanner(file)
	for scan.Scan() {
		words := strings.Fields(scan.Text())
		if len(words) != 144 {
			t.Fatalf("found %d values, want 144", len(words))
		}
		var m []float64
		for i, w := range words {
			v, err := strconv.ParseFloat(w, 64)
			if err != nil {
				t.Fatal(err)
			}
			if i/12 != i%12 {
				m = append(m, v*800/300/1e6)
			}
		}
		matrices = append(matrices, m)
	}
	if len(matrices) != 288 || len(n.arcs) != 30 {
		t.Fatalf("found %d matrices, %d arcs", len(matrices), len(n.arcs))
	}
	return n, matrices
}

func counters(t testing.TB, n *Network, volumes []float64) (*State, Counters) {
	t.Helper()
	x, err := n.WithVolumes(volumes)
	if err != nil {
		t.Fatal(err)
	}
	s := x.Intact()
	c := Counters{Arcs: s.Loads(), In: make([]float64, len(n.nodes)), Out: make([]float64, len(n.nodes))}
	for i, d := range n.demands {
		c.In[n.nodeIndex[d.From]] += volumes[i]
		c.Out[n.nodeIndex[d.To]] += volumes[i]
	}
	return s, c
}

func relative(got, want []float64) (one, two float64) {
	a, b, c, d := 0.0, 0.0, 0.0, 0.0
	for i := range got {
		a += math.Abs(got[i] - want[i])
		b += want[i]
		c += (got[i] - want[i]) * (got[i] - want[i])
		d += want[i] * want[i]
	}
	return a / b, math.Sqrt(c / d)
}

// large is the mean relative error of the large demands, which are the largest
// that together make up nine tenths of the traffic.
// Source: Gunnar, Johansson and Telkamp, Traffic Matrix Estimation on a Large IP
// Backbone, IMC 2004 (from memory, its mean relative error).
func large(got, want []float64) float64 {
	order, total := make([]int, len(want)), 0.0
	for i, v := range want {
		order[i] = i
		total += v
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(want[b], want[a]) })
	sum, off, n := 0.0, 0.0, 0
	for _, i := range order {
		if sum >= 0.9*total {
			break
		}
		sum += want[i]
		off += math.Abs(got[i]-want[i]) / want[i]
		n++
	}
	return off / float64(n)
}

// Source: 288 measured traffic matrices of a research backbone. The counters
// are computed from the measured demands; the estimate sees the counters alone.
//
// Three errors of a matrix are printed, as means over the matrices: the sum of
// the absolute differences over the sum of the true demands, the root of the sum
// of their squares over that of the true ones, and the mean relative error of
// the large demands.
func TestEstimatesBeatTheGravityPrior(t *testing.T) {
	n, matrices := abilene(t)
	step := 1
	if raceEnabled {
		step = 6 // the race detector makes this slow; without it all are taken
	}
	var errors [3][3]float64
	var counts [3]int
	inside, cases := 0, 0
	worst := 0.0
	for m := 0; m < len(matrices); m += step {
		want := matrices[m]
		s, c := counters(t, n, want)
		for i, method := range []Method{MaxEntropy, LeastSquares} {
			if i == 1 && m%8 != 0 {
				continue // the second method is slower and much alike
			}
			e, err := s.Estimate(c, method)
			if err != nil {
				t.Fatal(err)
			}
			worst = max(worst, e.Misfit)
			one, two := relative(e.Volumes, want)
			errors[i][0] += one
			errors[i][1] += two
			errors[i][2] += large(e.Volumes, want)
			counts[i]++
			if i == 0 {
				one, two = relative(e.Prior, want)
				errors[2][0] += one
				errors[2][1] += two
				errors[2][2] += large(e.Prior, want)
				counts[2]++
			}
			if i > 0 || m%24 != 0 {
				continue
			}
			// The band is tried on the busiest arc of every drained state.
			x, err := n.WithVolumes(e.Volumes)
			if err != nil {
				t.Fatal(err)
			}
			guess := x.Intact()
			if m == 0 {
				busy := Change{Drains: []Drain{{"5", NoTransit}}}
				a, err := guess.WhatIf(Question{Change: busy, Estimation: e})
				if err != nil || a.Band <= 0 {
					t.Errorf("got band %v (%v), want that of the estimation", a.Band, err)
				}
			}
			for _, node := range n.nodes {
				change := Change{Drains: []Drain{{node.Name, NoTransit}}}
				g, err := guess.With(change)
				if err != nil {
					t.Fatal(err)
				}
				truth, err := s.With(change)
				if err != nil {
					t.Fatal(err)
				}
				a := g.Result().Worst
				cases++
				if math.Abs(g.load[a]-truth.load[a]) <= e.Band(g, a)*g.load[a]+1e-6*g.load[a] {
					inside++
				}
			}
		}
	}
	for i := range errors {
		for k := range errors[i] {
			errors[i][k] /= float64(counts[i])
		}
	}
	t.Logf("%d matrices; error of the demands (sum of absolute differences over sum, root of squares over root of squares, mean relative error of the large demands): gravity %.3f %.3f %.3f, maximum entropy %.3f %.3f %.3f, least squares (%d matrices) %.3f %.3f %.3f; largest misfit of loads %.1e; band held %d of %d",
		counts[0], errors[2][0], errors[2][1], errors[2][2], errors[0][0], errors[0][1], errors[0][2], counts[1], errors[1][0], errors[1][1], errors[1][2], worst, inside, cases)
	for i, name := range []string{"maximum entropy", "least squares"} {
		for k := range errors[i] {
			// Of the large demands gravity knows more by itself.
			if most := []float64{0.8, 0.8, 0.9}[k]; errors[i][k] > most*errors[2][k] {
				t.Errorf("%s: got error %v, want at most %v of the prior's %v", name, errors[i][k], most, errors[2][k])
			}
		}
	}
	if worst > 1e-4 {
		t.Errorf("loads are reproduced to %v only, want 1e-4", worst)
	}
	if float64(inside) < 0.85*float64(cases) {
		t.Errorf("the band of 95 %% held in %d of %d cases", inside, cases)
	}
}

// With each demand at the upper end of its error no link of any state is less
// loaded than the band allows for, and the true loads are hardly ever above it.
// Source: the measured matrices, as above.
func TestUpperEndsOfDemandsBoundEveryLink(t *testing.T) {
	n, matrices := abilene(t)
	above, cases, loads := 0, 0, 0.0
	states := 0
	for m := 12; m < len(matrices); m += 96 {
		truth, c := counters(t, n, matrices[m])
		e, err := truth.Estimate(c, MaxEntropy)
		if err != nil {
			t.Fatal(err)
		}
		guess, upper := truth, truth
		for s, volumes := range map[**State][]float64{&guess: e.Volumes, &upper: e.Upper()} {
			x, err := n.WithVolumes(volumes)
			if err != nil {
				t.Fatal(err)
			}
			*s = x.Intact()
		}
		all := make([]int, len(n.arcs))
		for a := range all {
			all[a] = a
		}
		for _, node := range n.nodes {
			var of [3]*State
			for i, s := range []*State{truth, guess, upper} {
				if of[i], err = s.With(Change{Drains: []Drain{{node.Name, NoTransit}}}); err != nil {
					t.Fatal(err)
				}
			}
			states++
			loads += of[2].result.MaxUtilisation / of[0].result.MaxUtilisation
			for a, band := range e.Bands(of[1], all) {
				if most := of[1].load[a] * (1 + band); most > of[2].load[a]*(1+1e-6) {
					t.Errorf("matrix %d, %s drained, arc %d: got %v, want at least the %v that the band allows for", m, node.Name, a, of[2].load[a], most)
				}
				if cases++; of[0].load[a] > of[2].load[a]*(1+1e-6) {
					above++
				}
			}
		}
	}
	t.Logf("true load above the bound in %d of %d cases; the busiest link is said to carry %.2f times what it does", above, cases, loads/float64(states))
	if float64(above) > 0.025*float64(cases) {
		t.Errorf("true load above the bound in %d of %d cases", above, cases)
	}
}

// The factor says of every demand what conjugate gradients say, where counters
// hang on each other and where the sums make some of them superfluous.
func TestTheFactorIsThatOfTheNormalEquations(t *testing.T) {
	n, matrices := abilene(t)
	for _, silent := range []bool{false, true} {
		volumes := slices.Clone(matrices[100])
		for i, d := range n.demands {
			if silent && d.From == "3" { // its counters are 0, and so are their rows
				volumes[i] = 0
			}
		}
		s, c := counters(t, n, volumes)
		e, err := s.Estimate(c, MaxEntropy)
		if err != nil {
			t.Fatal(err)
		}
		w, explained := e.variances()
		mean := e.sys.mean()
		for j := 0; j < len(w); j += 7 {
			u := make([]float64, len(e.sys.y))
			for k := e.sys.start[j]; k < e.sys.start[j+1]; k++ {
				u[e.sys.row[k]] += e.sys.value[k] * w[j]
			}
			want := dot(u, e.sys.solve(w, u, slack*mean*mean, 1e-12))
			if got := explained(u); math.Abs(got-want) > 1e-6*w[j] || got > w[j]*(1+1e-9) {
				t.Errorf("demand %v: got %v, want %v of %v", n.demands[j], got, want, w[j])
			}
		}
	}
}

// Source: worked by hand. On a line a-b-c with counters that nothing but
// a→b 1, a→c 2, b→c 3 explains, every method must find just these.
func TestEstimatesAreExactWhereTheCountersDecide(t *testing.T) {
	top := Topology{}
	for _, l := range [][2]string{{"a", "b"}, {"b", "a"}, {"b", "c"}, {"c", "b"}} {
		link := min(l[0], l[1]) + max(l[0], l[1])
		top.Arcs = append(top.Arcs, Arc{Link: link, From: l[0], To: l[1], Metric: 1, Capacity: 10})
	}
	n, err := New(top, []Demand{{From: "a", To: "b"}, {From: "a", To: "c"}, {From: "b", To: "c"}})
	if err != nil {
		t.Fatal(err)
	}
	s := n.Intact()
	c := Counters{Arcs: []float64{3, 0, 5, math.NaN()}, In: []float64{3, 3, 0}, Out: []float64{0, 1, 5}}
	for _, method := range []Method{MaxEntropy, LeastSquares} {
		e, err := s.Estimate(c, method)
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range []float64{1, 2, 3} {
			if math.Abs(e.Volumes[i]-want) > 1e-4 {
				t.Errorf("method %d: got %v, want 1, 2, 3", method, e.Volumes)
			}
		}
		// By hand: the prior is in × out / total = 0.5, 2.5, 2.5.
		if math.Abs(e.Prior[0]-0.5) > 1e-12 || math.Abs(e.Prior[1]-2.5) > 1e-12 || math.Abs(e.Prior[2]-2.5) > 1e-12 {
			t.Errorf("got prior %v", e.Prior)
		}
		if e.PriorMisfit <= 0.01 || e.Misfit > 1e-4 {
			t.Errorf("got misfits %v and %v", e.PriorMisfit, e.Misfit)
		}
	}
	for want, spoil := range map[string]func(*Counters){
		"want 4 arcs": func(c *Counters) { c.Arcs = nil },
		"found -1":    func(c *Counters) { c.Arcs = []float64{-1, 0, 0, 0} },
		`node "a"`:    func(c *Counters) { c.In = []float64{math.NaN(), 0, 0} },
	} {
		x := c
		spoil(&x)
		if _, err := s.Estimate(x, MaxEntropy); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}

// Bands of several arcs are those of each; the span holds the load between them;
// an estimation scaled says the same of demands that have grown alike.
// Source: worked by hand: a demand that the counters decide has no error, and of
// two that only their sum decides, one may be all of it.
func TestBandsFollowFromWhatTheCountersLeaveOpen(t *testing.T) {
	n, matrices := abilene(t)
	s, c := counters(t, n, matrices[100])
	e, err := s.Estimate(c, MaxEntropy)
	if err != nil {
		t.Fatal(err)
	}
	x, err := n.WithVolumes(e.Volumes)
	if err != nil {
		t.Fatal(err)
	}
	drained, err := x.Intact().With(Change{Drains: []Drain{{"5", NoTransit}}})
	if err != nil {
		t.Fatal(err)
	}
	arcs := []int{0, 3, 7, 11}
	for i, b := range e.Bands(drained, arcs) {
		if one := e.Band(drained, arcs[i]); one != b || b < 0 {
			t.Errorf("arc %d: got %v together and %v alone", arcs[i], b, one)
		}
	}
	least, most := e.Span(drained)
	if use := drained.Result().MaxUtilisation; !(least < use && use < most) {
		t.Errorf("got %v to %v about %v", least, most, use)
	}
	grown := e.Scaled(2)
	y, err := n.WithVolumes(grown.Volumes)
	if err != nil {
		t.Fatal(err)
	}
	twice, err := y.Intact().With(Change{Drains: []Drain{{"5", NoTransit}}})
	if err != nil {
		t.Fatal(err)
	}
	if l, m := grown.Span(twice); math.Abs(l-2*least) > 1e-6*l || math.Abs(m-2*most) > 1e-6*m {
		t.Errorf("got %v to %v, want twice %v to %v", l, m, least, most)
	}

	top := Topology{}
	for _, l := range [][2]string{{"a", "b"}, {"b", "a"}, {"b", "c"}, {"c", "b"}, {"d", "b"}, {"b", "d"}, {"c", "e"}, {"e", "c"}} {
		top.Arcs = append(top.Arcs, Arc{Link: min(l[0], l[1]) + max(l[0], l[1]), From: l[0], To: l[1], Metric: 1, Capacity: 10})
	}
	m, err := New(top, nil)
	if err != nil {
		t.Fatal(err)
	}
	at := func(names map[string]float64) []float64 {
		out := make([]float64, len(m.nodes))
		for name, v := range names {
			out[m.nodeIndex[name]] = v
		}
		return out
	}
	// a and d send 1 and 2; c and e receive 1 and 2: the sums alone are known.
	c = Counters{Arcs: make([]float64, len(m.arcs)), In: at(map[string]float64{"a": 1, "d": 2}), Out: at(map[string]float64{"c": 1, "e": 2})}
	for i := range c.Arcs {
		c.Arcs[i] = math.NaN()
	}
	pairs := m.Candidates(c)
	if len(pairs) != 4 || pairs[0].From != "a" {
		t.Fatalf("got %+v, want the four pairs of a, d with c, e", pairs)
	}
	if m, err = New(top, pairs); err != nil {
		t.Fatal(err)
	}
	if e, err = m.Intact().Estimate(c, MaxEntropy); err != nil {
		t.Fatal(err)
	}
	// Nothing contradicts gravity here, so it has no spread to show; let it be 1.
	e.Spread = 1
	// The prior is 1/3, 2/3, 2/3, 4/3; what is open is one more of two and one less
	// of the others, with the variance 1 / (9 + 9/4 + 9/4 + 9/16).
	for i, b := range e.DemandBands() {
		if want := []float64{1.6, 0.8, 0.8, 0.4}[i]; math.Abs(b-want) > 1e-3 {
			t.Errorf("demand %v: got band %v, want %v", m.demands[i], b, want)
		}
	}
	// With e away there is but one destination: both demands are decided.
	c.Out = at(map[string]float64{"c": 3})
	if m, err = New(top, m.Candidates(c)); err != nil {
		t.Fatal(err)
	}
	if e, err = m.Intact().Estimate(c, MaxEntropy); err != nil {
		t.Fatal(err)
	}
	e.Spread = 1
	for i, b := range e.DemandBands() {
		if b > 0.01 {
			t.Errorf("demand %v: got band %v, want none", m.demands[i], b)
		}
	}
}
