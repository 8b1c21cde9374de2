package network

import (
	"fmt"
	"math"
	"slices"
	"sync"
)

// Counters are rates that interfaces have counted over one period, in the unit
// of the capacities.
type Counters struct {
	Arcs []float64 // by arc, NaN where nothing is known
	// In and Out are by node what enters and leaves the network there, from the
	// interfaces towards customers and peers.
	In, Out []float64
}

// Method is a way to fit demands to counters.
type Method int

// The methods. Both start from the gravity prior p, in which what enters at i
// leaves at j in proportion to all that leaves at j.
const (
	// MaxEntropy takes, of all demands that explain the counters, those of the
	// least relative entropy to the prior.
	// Source: Zhang, Roughan, Lund and Donoho, An Information-Theoretic Approach
	// to Traffic Matrix Estimation, SIGCOMM 2003.
	MaxEntropy Method = iota
	// LeastSquares takes those of the least squared distance to the prior, each
	// weighted by 1/p (tomogravity), and then makes them fit without negatives
	// by proportional fitting.
	// Source: Zhang, Roughan, Duffield and Greenberg, Fast Accurate Computation
	// of Large-Scale IP Traffic Matrices from Link Loads, SIGMETRICS 2003.
	LeastSquares
)

// Estimation is what the counters say about the demands.
type Estimation struct {
	// Prior and Volumes are by demand of the network, the first from gravity
	// alone, the second fitted to the counters.
	Prior, Volumes []float64
	// PriorMisfit and Misfit are the sums of the differences between counted and
	// computed rates, divided by the sum of the counted ones.
	PriorMisfit, Misfit float64
	// Spread is the relative standard deviation of a demand about its prior that
	// the counters bear out; [Estimation.Band] rests on it.
	Spread float64

	sys  system
	norm *normal // of sys with the prior's variances, made when it is first asked for
}

// system is the linear equations A x = y, one for each counter, by columns:
// column j holds in which counters a unit of demand j is seen, and how much of
// it.
type system struct {
	start []int32
	row   []int32
	value []float64
	y     []float64
}

// Estimate finds the demands of the network from the counters of the state s;
// the volumes that the network has are not looked at, only between which nodes
// there may be demand: see [AllPairs]. The error wraps [ErrInvalid].
//
// Cost: memory and each step grow with demands × arcs on their paths; there are
// some ten steps of at most two solves by conjugate gradients.
func (s *State) Estimate(c Counters, method Method) (*Estimation, error) {
	n := s.net
	if len(c.Arcs) != len(n.arcs) || len(c.In) != len(n.nodes) || len(c.Out) != len(n.nodes) {
		return nil, fmt.Errorf("%w: counters: found %d arcs, %d in, %d out; want %d arcs and %d nodes", ErrInvalid, len(c.Arcs), len(c.In), len(c.Out), len(n.arcs), len(n.nodes))
	}
	for a, y := range c.Arcs {
		if y < 0 || math.IsInf(y, 0) {
			return nil, fmt.Errorf("%w: counter of arc %q: found %v, want 0 or more, or NaN for none", ErrInvalid, n.arcs[a].ID, y)
		}
	}
	total := 0.0
	for v := range c.In {
		if !(c.In[v] >= 0) || !(c.Out[v] >= 0) || math.IsInf(c.In[v]+c.Out[v], 0) {
			return nil, fmt.Errorf("%w: counters of node %q: found %v in and %v out, want 0 or more", ErrInvalid, n.nodes[v].Name, c.In[v], c.Out[v])
		}
		total += c.Out[v]
	}
	e := &Estimation{Prior: make([]float64, len(n.demands)), norm: new(normal)}
	if total > 0 {
		for i, d := range n.demands {
			e.Prior[i] = c.In[n.nodeIndex[d.From]] * c.Out[n.nodeIndex[d.To]] / total
		}
	}
	e.sys = s.equations(c)
	e.PriorMisfit = e.sys.misfit(e.Prior)
	e.Spread = e.sys.spread(e.Prior)
	switch method {
	case MaxEntropy:
		e.Volumes = e.sys.maxEntropy(e.Prior)
	case LeastSquares:
		e.Volumes = e.sys.maxEntropy(e.sys.leastSquares(e.Prior))
	default:
		return nil, fmt.Errorf("%w: found method %d, want maximum entropy or least squares", ErrInvalid, method)
	}
	e.Misfit = e.sys.misfit(e.Volumes)
	return e, nil
}

// AllPairs returns a demand of 1 between every two nodes of the topology that
// may send and receive: the hosts where there are any, else all.
func AllPairs(t Topology) []Demand {
	n, err := New(t, nil)
	if err != nil {
		return nil
	}
	hosts := slices.Contains(n.host, true)
	var out []Demand
	for a, x := range n.nodes {
		for b, y := range n.nodes {
			if a != b && (!hosts || n.host[a] && n.host[b]) {
				out = append(out, Demand{From: x.Name, To: y.Name, Volume: 1})
			}
		}
	}
	return out
}

// Shares returns for each demand, by index, the arcs that carry it in this
// state and the share of it that each carries; nothing where there is no path.
func (s *State) Shares() (arcs [][]int32, share [][]float64) {
	n := s.net
	arcs, share = make([][]int32, len(n.demands)), make([][]float64, len(n.demands))
	parallel(len(n.rowNode), func() func(int) {
		flow := make([]float64, len(n.nodes))
		var h heap
		return func(i int) {
			r := s.rows[i]
			for k := n.rowStart[i]; r != nil && k < n.rowStart[i+1]; k++ {
				u := n.source[k]
				if s.removed[u] || r.dist[u] >= unreachable {
					continue
				}
				at := n.demandOf[k]
				flow[u] = 1
				h.push(-r.dist[u], u)
				for len(h.items) > 0 {
					_, v := h.pop()
					f := flow[v]
					flow[v] = 0
					if f == 0 || v == n.rowNode[i] {
						continue
					}
					start, end := n.outStart[v], n.outStart[v+1]
					f /= float64(r.next.count(start, end))
					for p := r.next.after(start, end); p < end; p = r.next.after(p+1, end) {
						x := n.outHops[p]
						arcs[at], share[at] = append(arcs[at], x.arc), append(share[at], f)
						if flow[x.node] == 0 {
							h.push(-r.dist[x.node], x.node)
						}
						flow[x.node] += f
					}
				}
			}
		}
	})
	return arcs, share
}

func (s *State) equations(c Counters) system {
	n := s.net
	var sys system
	place := make([]int32, len(n.arcs))
	for a, y := range c.Arcs {
		place[a] = -1
		if !math.IsNaN(y) {
			place[a] = int32(len(sys.y))
			sys.y = append(sys.y, y)
		}
	}
	in := int32(len(sys.y))
	sys.y = append(sys.y, c.In...)
	out := int32(len(sys.y))
	sys.y = append(sys.y, c.Out...)
	arcs, share := s.Shares()
	for j, d := range n.demands {
		sys.start = append(sys.start, int32(len(sys.row)))
		for k, a := range arcs[j] {
			if place[a] >= 0 {
				sys.row, sys.value = append(sys.row, place[a]), append(sys.value, share[j][k])
			}
		}
		sys.row = append(sys.row, in+n.nodeIndex[d.From], out+n.nodeIndex[d.To])
		sys.value = append(sys.value, 1, 1)
	}
	sys.start = append(sys.start, int32(len(sys.row)))
	return sys
}

// times sets y to A x.
func (s *system) times(x, y []float64) {
	clear(y)
	for j, v := range x {
		for k := s.start[j]; k < s.start[j+1]; k++ {
			y[s.row[k]] += s.value[k] * v
		}
	}
}

// column is the product of column j with z.
func (s *system) column(j int, z []float64) float64 {
	sum := 0.0
	for k := s.start[j]; k < s.start[j+1]; k++ {
		sum += s.value[k] * z[s.row[k]]
	}
	return sum
}

func (s *system) misfit(x []float64) float64 {
	got := make([]float64, len(s.y))
	s.times(x, got)
	off, all := 0.0, 0.0
	for i, y := range s.y {
		off += math.Abs(got[i] - y)
		all += y
	}
	if all == 0 {
		return 0
	}
	return off / all
}

// solve finds z with (A W A' + ridge) z = b by conjugate gradients, W diagonal,
// scaled by the diagonal. It stops at the relative residual exact or after four
// times as many steps as there are counters.
// Source: Hestenes and Stiefel, J. Res. NBS 49 (1952) 409-436.
func (s *system) solve(w, b []float64, ridge, exact float64) []float64 {
	m := len(b)
	diag := make([]float64, m)
	for j := range w {
		for k := s.start[j]; k < s.start[j+1]; k++ {
			diag[s.row[k]] += s.value[k] * s.value[k] * w[j]
		}
	}
	for i := range diag {
		if diag[i] += ridge; diag[i] == 0 {
			diag[i] = 1
		}
	}
	z, r, p, q, t := make([]float64, m), slices.Clone(b), make([]float64, m), make([]float64, m), make([]float64, m)
	x := make([]float64, len(w))
	rho, goal := 0.0, exact*norm(b)
	for step := 0; step < 4*m && norm(r) > goal; step++ {
		for i := range r {
			t[i] = r[i] / diag[i]
		}
		next := dot(r, t)
		beta := 0.0
		if step > 0 {
			beta = next / rho
		}
		rho = next
		for i := range p {
			p[i] = t[i] + beta*p[i]
		}
		for j := range x {
			x[j] = w[j] * s.column(j, p)
		}
		s.times(x, q)
		for i := range q {
			q[i] += ridge * p[i]
		}
		curve := dot(p, q)
		if !(curve > 0) {
			break
		}
		alpha := rho / curve
		for i := range z {
			z[i] += alpha * p[i]
			r[i] -= alpha * q[i]
		}
	}
	return z
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

func norm(a []float64) float64 { return math.Sqrt(dot(a, a)) }

// slack is how much the fit may leave of a counter, relative to the mean of
// all: it is what makes the equations solvable where counters contradict each
// other.
const slack = 1e-7

// leastSquares is p + W A' z with W = diag(p), the weighted least-squares
// solution; what would be negative is a thousandth of the prior.
func (s *system) leastSquares(prior []float64) []float64 {
	got := make([]float64, len(s.y))
	s.times(prior, got)
	for i, y := range s.y {
		got[i] = y - got[i]
	}
	z := s.solve(prior, got, slack*s.mean(), 1e-10)
	x := make([]float64, len(prior))
	for j, p := range prior {
		x[j] = max(p/1000, p+p*s.column(j, z))
	}
	return x
}

func (s *system) mean() float64 {
	sum := 0.0
	for _, y := range s.y {
		sum += y
	}
	return sum / float64(max(1, len(s.y)))
}

// maxEntropy minimises, over x, the sum of x log(x/p) - x + p, plus |Ax-y|²/2e
// with a small e. Its dual, to be minimised over z, is convex and smooth: the
// sum of p exp(A'z) - y'z + e|z|²/2, with x = p exp(A'z). Newton's method with
// halved steps does it.
func (s *system) maxEntropy(prior []float64) []float64 {
	// Work with volumes near 1, so that the tolerances mean the same everywhere.
	scale := s.mean()
	if scale == 0 {
		return make([]float64, len(prior))
	}
	p, y := make([]float64, len(prior)), make([]float64, len(s.y))
	for j := range p {
		p[j] = prior[j] / scale
	}
	for i := range y {
		y[i] = s.y[i] / scale
	}
	m := len(y)
	z, x, grad, try := make([]float64, m), slices.Clone(p), make([]float64, m), make([]float64, m)
	value := func(z []float64) float64 {
		sum := slack*dot(z, z)/2 - dot(y, z)
		for j := range p {
			// A step that is far too long is refused, not overflowed.
			sum += p[j] * math.Exp(min(500, s.column(j, z)))
		}
		return sum
	}
	now := value(z)
	for range 100 {
		s.times(x, grad)
		for i := range grad {
			grad[i] = y[i] - grad[i] - slack*z[i]
		}
		if norm(grad) <= 1e-9*norm(y) {
			break
		}
		step := s.solve(x, grad, slack, 1e-4)
		slope, length, better := dot(grad, step), 1.0, false
		for ; length > 1e-10; length /= 2 {
			for i := range try {
				try[i] = z[i] + length*step[i]
			}
			if v := value(try); v <= now-1e-4*length*slope {
				now, better = v, true
				break
			}
		}
		if !better {
			break // as near as numbers go
		}
		copy(z, try)
		for j := range x {
			x[j] = p[j] * math.Exp(s.column(j, z))
		}
	}
	for j := range x {
		x[j] *= scale
	}
	return x
}

// spread is the relative standard deviation of the demands about the prior for
// which what the prior leaves of the counters is as large as it is to be
// expected: with r = y - A p and V = A diag(p²) A', the square root of r' V⁻¹ r
// divided by the number of independent counters.
func (s *system) spread(prior []float64) float64 {
	r := make([]float64, len(s.y))
	s.times(prior, r)
	for i, y := range s.y {
		r[i] = y - r[i]
	}
	w := make([]float64, len(prior))
	for j, p := range prior {
		w[j] = p * p
	}
	ridge := slack * s.mean() * s.mean()
	free := 0
	for _, y := range s.y {
		if y > 0 {
			free++
		}
	}
	if free == 0 {
		return 0
	}
	return math.Sqrt(max(0, dot(r, s.solve(w, r, ridge, 1e-10))) / float64(free))
}

// Band returns how far the load of the arc may be from what the estimated
// volumes give in state t of the same network, relative to it, in 95 % of cases:
// twice the standard deviation of the load given the counters, where each
// demand has the standard deviation Spread times its prior and all are normal
// and independent before the counters are looked at. It is 0 for a load of 0.
//
// Source: Tebaldi and West, Bayesian Inference on Network Traffic Using Link
// Count Data, JASA 93 (1998) 557-573, for the conditioning; the scaling by the
// counters' own misfit is ours.
func (e *Estimation) Band(t *State, arc int) float64 { return e.Bands(t, []int{arc})[0] }

// Bands is [Estimation.Band] for several arcs of one state, which costs little
// more than for one: a solve for each.
func (e *Estimation) Bands(t *State, of []int) []float64 {
	arcs, share := t.Shares()
	w, explained := e.variances()
	out := make([]float64, len(of))
	parallel(len(of), func() func(int) {
		b, sb := make([]float64, len(w)), make([]float64, len(w))
		seen := make([]float64, len(e.sys.y))
		return func(i int) {
			clear(b)
			load := 0.0
			for j := range b {
				for k, a := range arcs[j] {
					if int(a) == of[i] {
						b[j] += share[j][k]
					}
				}
				load += b[j] * e.Volumes[j]
			}
			if load == 0 {
				return
			}
			// b'Sb - b'SA' (ASA')⁻¹ ASb with S = diag(p²), times the spread squared.
			whole := 0.0
			for j := range b {
				sb[j] = w[j] * b[j]
				whole += b[j] * sb[j]
			}
			e.sys.times(sb, seen)
			out[i] = 2 * e.Spread * math.Sqrt(max(0, whole-explained(seen))) / load
		}
	})
	return out
}

// spanArcs is of how many of the busiest arcs the band is asked.
const spanArcs = 6

// Span returns the utilisations between which the largest of state t lies in
// 95 % of cases: the band of each of the busiest arcs is laid about its load.
func (e *Estimation) Span(t *State) (least, most float64) {
	var of []int
	for _, a := range t.ordered()[:min(spanArcs, len(t.load))] {
		of = append(of, int(a))
	}
	for i, band := range e.Bands(t, of) {
		use := t.load[of[i]] / t.capacity[of[i]]
		least, most = max(least, use*(1-band)), max(most, use*(1+band))
	}
	return least, most
}

// DemandBands returns for each demand how far its volume may be from the
// estimate, relative to it, in 95 % of cases, by the reckoning of
// [Estimation.Band]. It costs a solve for each demand.
func (e *Estimation) DemandBands() []float64 {
	w, explained := e.variances()
	out := make([]float64, len(w))
	parallel(len(w), func() func(int) {
		seen := make([]float64, len(e.sys.y))
		return func(j int) {
			if e.Volumes[j] == 0 {
				return
			}
			clear(seen)
			for k := e.sys.start[j]; k < e.sys.start[j+1]; k++ {
				seen[e.sys.row[k]] += e.sys.value[k] * w[j]
			}
			out[j] = 2 * e.Spread * math.Sqrt(max(0, w[j]-explained(seen))) / e.Volumes[j]
		}
	})
	return out
}

// variances are those of the demands before the counters are looked at, for a
// spread of 1, and how much of a variance the counters explain: u'(ASA')⁻¹u with S
// the diagonal of the variances and u the covariances with the counters. It
// overwrites u, and many may call it at once.
func (e *Estimation) variances() (w []float64, explained func(u []float64) float64) {
	w = make([]float64, len(e.Prior))
	for j, p := range e.Prior {
		w[j] = p * p
	}
	ridge := slack * e.sys.mean() * e.sys.mean()
	if len(e.sys.y) > maxNormal {
		return w, func(u []float64) float64 { return dot(u, e.sys.solve(w, u, ridge, 1e-10)) }
	}
	e.norm.once.Do(func() { e.norm.factor(&e.sys, w, ridge) })
	return w, e.norm.explained
}

// maxNormal is the largest number of counters for which the normal equations are
// kept as a full matrix, which is then 128 MB.
const maxNormal = 4096

// normal is the Cholesky factor L of A W A' + ridge, by rows, so that what lies
// left of the diagonal in row i are i numbers.
// Source: Golub and Van Loan, Matrix Computations, §4.2.
type normal struct {
	once sync.Once
	rows [][]float64 // with the diagonal; 0 there where a row hangs on those before it
}

func (n *normal) factor(s *system, w []float64, ridge float64) {
	n.rows = make([][]float64, len(s.y))
	for i := range n.rows {
		n.rows[i] = make([]float64, i+1)
		n.rows[i][i] = ridge
	}
	for j, v := range w {
		for a := s.start[j]; a < s.start[j+1]; a++ {
			for b := s.start[j]; b < s.start[j+1]; b++ {
				if p, q := s.row[a], s.row[b]; q <= p {
					n.rows[p][q] += v * s.value[a] * s.value[b]
				}
			}
		}
	}
	for i, r := range n.rows {
		whole := r[i]
		for k := range i {
			if d := n.rows[k][k]; d > 0 {
				r[k] = (r[k] - dot(r[:k], n.rows[k][:k])) / d
			} else {
				r[k] = 0
			}
		}
		left := whole - dot(r[:i], r[:i])
		if left <= 1e-14*whole {
			left = 0
		}
		r[i] = math.Sqrt(left)
	}
}

// explained is |L⁻¹u|²; u is L⁻¹u afterwards.
func (n *normal) explained(u []float64) float64 {
	sum := 0.0
	for i, r := range n.rows {
		if r[i] == 0 {
			u[i] = 0
			continue
		}
		u[i] = (u[i] - dot(r[:i], u[:i])) / r[i]
		sum += u[i] * u[i]
	}
	return sum
}

// Upper returns the volumes with each demand at the upper end of its error, see
// [Estimation.DemandBands]. No link of any state is more loaded with these than
// [Estimation.Band] allows for, since the deviation of a sum is at most the sum of
// the deviations; it may be much less, as errors of demands on one link make up
// for each other. It is what to take where only one set of volumes can be asked.
func (e *Estimation) Upper() []float64 {
	out := e.DemandBands()
	for i, v := range e.Volumes {
		out[i] = v * (1 + out[i])
	}
	return out
}

// Scaled returns the estimation as if all counters had been so many times as
// large: what it says for demands that have grown.
func (e *Estimation) Scaled(factor float64) *Estimation {
	times := func(in []float64) []float64 {
		out := make([]float64, len(in))
		for i, v := range in {
			out[i] = factor * v
		}
		return out
	}
	out := *e
	out.norm = new(normal)
	out.Prior, out.Volumes, out.sys.y = times(e.Prior), times(e.Volumes), times(e.sys.y)
	return &out
}

// Candidates returns a demand of 1 between every two nodes of which one sends
// into the network and the other receives by the counters, in the order of the
// nodes: what an estimation can find.
func (n *Network) Candidates(c Counters) []Demand {
	var out []Demand
	for a, x := range n.nodes {
		for b, y := range n.nodes {
			if a != b && c.In[a] > 0 && c.Out[b] > 0 {
				out = append(out, Demand{From: x.Name, To: y.Name, Volume: 1})
			}
		}
	}
	return out
}

// WithVolumes returns the same network with other volumes, by demand. The error
// wraps [ErrInvalid].
func (n *Network) WithVolumes(volumes []float64) (*Network, error) {
	if len(volumes) != len(n.demands) {
		return nil, fmt.Errorf("%w: found %d volumes, want %d", ErrInvalid, len(volumes), len(n.demands))
	}
	out := *n
	out.demands, out.volume = slices.Clone(n.demands), make([]float64, len(n.volume))
	for i, v := range volumes {
		if !(v >= 0) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("%w: demand %q: found volume %v, want 0 or more", ErrInvalid, n.demands[i], v)
		}
		out.demands[i].Volume = v
	}
	for k, i := range n.demandOf {
		out.volume[k] = volumes[i]
	}
	out.allFlow = !slices.Contains(out.volume, 0)
	return &out, nil
}
