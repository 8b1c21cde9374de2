package schedule

import "slices"

// arrange lowers the second and the third objective without using more windows:
// it trades the contents of windows, moves items and swaps pairs, and searches
// small problems to the end. It says whether it did.
func (s *state) arrange(done <-chan struct{}, lim Limits, out *Schedule) bool {
	K := s.used
	budget := lim.moves()
	if s.p.Together != nil {
		budget = min(budget, 20_000) // to ask may be dear
	}
	now := func() (float64, int64) { return s.objective(s.win) }
	risk, worst := now()
	if s.anon && !s.ordered {
		s.heaviestFirst()
		risk, worst = now()
	}
	better := func() bool {
		r, w := now()
		if r < risk-1e-9 || r < risk+1e-9 && w < worst {
			risk, worst = r, w
			return true
		}
		return false
	}
	if s.n <= 12 && s.W <= 12 && s.p.Together == nil {
		ex := &arranger{state: s.newState(s.W), m: &meter{done: done, limit: 400_000}, K: K,
			risk: risk, worst: worst, best: slices.Clone(s.win)}
		complete := ex.dive(0, 0)
		out.Nodes += ex.m.n
		s.load1(ex.best)
		return complete
	}
	// Whole windows trade places.
	for a := 0; a < s.W && s.W <= 400 && !s.anon; a++ {
		for b := a + 1; b < s.W && budget > 0 && !stopped(done); b++ {
			if len(s.in[a])+len(s.in[b]) == 0 {
				continue
			}
			if s.weight(a) >= s.weight(b) && len(s.in[a]) > 0 {
				continue
			}
			budget -= int64(1 + s.n/16)
			s.trade(a, b, better)
		}
	}
	// Single items move to earlier windows, or out of the fullest one.
	for again, round := true, 0; again && round < 6 && budget > 0; round++ {
		again = false
		top := int64(0)
		for w := range s.W {
			top = max(top, s.load[w])
		}
		for i := range s.n {
			if stopped(done) {
				break
			}
			from := s.win[i]
			if len(s.in[from]) == 1 {
				continue
			}
			full := s.load[from] == top
			for w := range s.W {
				if w == from || len(s.in[w]) == 0 {
					continue
				}
				d := s.p.Items[i].Risk * (s.cost(w) - s.cost(from))
				x := s.p.Items[i].Work
				if !(d < -1e-9) && !(d <= 1e-9 && full && s.load[w]+x < top) {
					continue
				}
				budget--
				s.take(i)
				if s.fits(i, w) {
					s.put(i, w)
					again = true
					break
				}
				s.put(i, from)
			}
		}
	}
	// Pairs swap where the riskier one is later.
	for i := 0; i < s.n && budget > 0 && s.n <= 2000 && !stopped(done); i++ {
		for j := range i {
			a, b := s.win[i], s.win[j]
			if a == b {
				continue
			}
			d := (s.p.Items[i].Risk - s.p.Items[j].Risk) * (s.cost(b) - s.cost(a))
			if !(d < -1e-9) {
				continue
			}
			budget--
			s.take(i)
			s.take(j)
			ok := s.fits(i, b)
			if ok {
				s.put(i, b)
				if ok = s.fits(j, a); ok {
					s.put(j, a)
				} else {
					s.take(i)
				}
			}
			if !ok {
				s.put(i, a)
				s.put(j, b)
			}
		}
	}
	return false
}

func (s *state) weight(w int) float64 {
	sum := 0.0
	for _, i := range s.in[w] {
		sum += s.p.Items[i].Risk
	}
	return sum
}

// heaviestFirst numbers windows that are all alike by falling risk.
func (s *state) heaviestFirst() {
	ws := make([]int, s.W)
	for w := range ws {
		ws[w] = w
	}
	slices.SortStableFunc(ws, func(a, b int) int {
		if x, y := len(s.in[a]) == 0, len(s.in[b]) == 0; x != y {
			if x {
				return 1
			}
			return -1
		}
		x, y := s.weight(a), s.weight(b)
		if x > y {
			return -1
		} else if x < y {
			return 1
		}
		return 0
	})
	to := make([]int, s.W)
	for k, w := range ws {
		to[w] = k
	}
	win := slices.Clone(s.win)
	for i, w := range win {
		win[i] = to[w]
	}
	s.load1(win)
}

// trade exchanges what two windows hold, if the rules and the objective agree.
func (s *state) trade(a, b int, better func() bool) {
	ina, inb := slices.Clone(s.in[a]), slices.Clone(s.in[b])
	for _, i := range ina {
		s.take(i)
	}
	for _, i := range inb {
		s.take(i)
	}
	ok := true
	if x, y := s.p.classOf(a), s.p.classOf(b); s.p.Together != nil && x != y {
		// What is carried at one hour need not be at another.
		slices.Sort(ina)
		slices.Sort(inb)
		ok = (len(ina) == 0 || s.together(y, ina)) && (len(inb) == 0 || s.together(x, inb))
	}
	lay := func(list []int, w int) {
		for _, i := range list {
			if ok = ok && s.fits(i, w); ok {
				s.put(i, w)
			}
		}
	}
	s.known = true // whole windows: what was fit together stays so in a window of the same class
	lay(ina, b)
	lay(inb, a)
	s.known = false
	if ok && better() {
		return
	}
	for _, i := range append(slices.Clone(ina), inb...) {
		if s.win[i] >= 0 {
			s.take(i)
		}
	}
	for _, i := range ina {
		s.put(i, a)
	}
	for _, i := range inb {
		s.put(i, b)
	}
}

// arranger searches all schedules with at most K windows for the best second and
// third objective.
type arranger struct {
	*state
	m     *meter
	K     int
	risk  float64
	worst int64
	best  []int
}

func (e *arranger) dive(i int, risk float64) bool {
	if i == e.n {
		if r, w := e.objective(e.win); r < e.risk-1e-9 || r < e.risk+1e-9 && w < e.worst {
			e.risk, e.worst, e.best = r, w, slices.Clone(e.win)
		}
		return true
	}
	if !e.m.step() {
		return false
	}
	least := risk
	for j := i; j < e.n; j++ {
		least += e.p.Items[j].Risk * e.cost(0)
	}
	if least > e.risk+1e-9 {
		return true
	}
	complete := true
	for w := range e.W {
		if len(e.in[w]) == 0 && e.used >= e.K || !e.fits(i, w) {
			continue
		}
		e.put(i, w)
		complete = e.dive(i+1, risk+e.p.Items[i].Risk*e.cost(w)) && complete
		e.take(i)
	}
	return complete
}
