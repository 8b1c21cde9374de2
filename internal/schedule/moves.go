package schedule

import "slices"

// mover looks for a schedule with at most so many moves. Read search first: it
// decides window by window who stays, and finds windows for the others when all
// are decided, so that nobody is moved into a place that is still wanted by those
// who were there.
type mover struct {
	*state
	m      *meter
	old    []int
	stay   []int // who may keep their windows, window by window
	leave  []int // who must move, then who was chosen to
	floor  []int // by window: how many of its own lose it at least
	suffix []int // by window: the sum of the floors of the windows after it
}

// newMover puts the done items and computes the floors.
func newMover(r *rules, m *meter, old []int, done []bool) *mover {
	W := len(r.p.Windows)
	e := &mover{state: r.newState(W), m: m, old: old, floor: make([]int, W), suffix: make([]int, W)}
	for i, d := range done {
		if d {
			e.put(i, old[i])
		}
	}
	for _, i := range r.order() {
		switch {
		case done[i]:
		case old[i] >= 0 && e.fits(i, old[i]):
			e.stay = append(e.stay, i)
		default:
			e.leave = append(e.leave, i)
		}
	}
	slices.SortStableFunc(e.stay, func(a, b int) int { return old[a] - old[b] })
	for w := range W {
		e.floor[w] = e.removals(w, e.in0(w), 0)
	}
	for w := W - 2; w >= 0; w-- {
		e.suffix[w] = e.suffix[w+1] + e.floor[w+1]
	}
	return e
}

// in0 lists who may stay in the window.
func (e *mover) in0(w int) []int {
	from, _ := slices.BinarySearchFunc(e.stay, w, func(i, w int) int { return e.old[i] - w })
	to, _ := slices.BinarySearchFunc(e.stay, w+1, func(i, w int) int { return e.old[i] - w })
	return e.stay[from:to]
}

// removals is a number of items of the list that at least must go so that the
// others fit into the window beside what is there, known to be from or more: the
// least number, unless its share of the search runs out.
func (e *mover) removals(w int, list []int, from int) int {
	if e.m.n >= e.m.limit {
		return from
	}
	share := &meter{done: e.m.done, limit: e.m.n + max(200, e.m.limit/8), n: e.m.n}
	defer func() { e.m.n, e.m.stopped = share.n, e.m.stopped || share.stopped }()
	var dive func(k, left int) (found, complete bool)
	dive = func(k, left int) (bool, bool) {
		if !share.step() {
			return false, false
		}
		// What does not fit now does not fit later: the rules only ever forbid more.
		gone, next := 0, -1
		for j := k; j < len(list); j++ {
			if e.fits(list[j], w) {
				if next < 0 {
					next = j
				}
			} else if gone++; gone > left {
				return false, true
			}
		}
		if next < 0 {
			return true, true
		}
		skipped := next - k
		e.put(list[next], w)
		found, complete := dive(next+1, left-skipped)
		e.take(list[next])
		if found || left == skipped {
			return found, found || complete
		}
		found, c := dive(next+1, left-skipped-1)
		return found, found || complete && c
	}
	for r := from; r < len(list); r++ {
		if found, complete := dive(0, r); found || !complete {
			return r
		}
	}
	return len(list)
}

// least is a number of moves that no revision goes below: those who must move,
// those whom the others of their window do not leave room for, and those who must
// make room for one who must move. The last are counted for such movers only as
// have no window in common.
func (e *mover) least() int {
	k := len(e.leave)
	for _, f := range e.floor {
		k += f
	}
	type need struct {
		wins  set
		extra int
	}
	var needs []need
	for _, i := range e.leave {
		n := need{wins: newSet(e.W), extra: len(e.old)}
		for w := range e.W {
			if w == e.old[i] || !e.fits(i, w) {
				continue
			}
			n.wins.add(w)
			e.put(i, w)
			n.extra = min(n.extra, max(0, e.removals(w, e.in0(w), e.floor[w])-e.floor[w]))
			e.take(i)
			if n.extra == 0 {
				break
			}
		}
		if n.extra > 0 && n.extra < len(e.old) {
			needs = append(needs, n)
		}
		if e.m.stopped || e.m.n >= e.m.limit {
			break // what was found so far holds
		}
	}
	slices.SortStableFunc(needs, func(a, b need) int { return b.extra - a.extra })
	taken := newSet(e.W)
	for _, n := range needs {
		free := true
		for w := range e.W {
			free = free && (!n.wins.has(w) || !taken.has(w))
		}
		if !free {
			continue
		}
		k += n.extra
		for w := range e.W {
			if n.wins.has(w) {
				taken.add(w)
			}
		}
	}
	return k
}

// search looks for a schedule with at most so many moves; it stands in win where
// one is found. Not complete means that the search was cut short.
func (e *mover) search(moves int) (found, complete bool) {
	if len(e.leave) > moves {
		return false, true
	}
	return e.choose(0, 0, moves-len(e.leave))
}

// choose decides about stay[k:]; gone of its window were chosen to leave already.
func (e *mover) choose(k, gone, left int) (found, complete bool) {
	if !e.m.step() {
		return false, false
	}
	if k == len(e.stay) {
		return e.place(e.leave)
	}
	i := e.stay[k]
	w := e.old[i]
	if k == 0 || e.old[e.stay[k-1]] != w {
		gone = 0
	}
	if max(0, e.floor[w]-gone)+e.suffix[w] > left {
		return false, true
	}
	complete = true
	if e.fits(i, w) {
		e.put(i, w)
		if e.room() {
			found, c := e.choose(k+1, gone, left)
			if found {
				return true, true
			}
			complete = c
		}
		e.take(i)
	}
	if left == 0 || e.m.stopped || e.m.n >= e.m.limit {
		return false, complete && left == 0
	}
	e.leave = append(e.leave, i)
	if e.room() {
		found, c := e.choose(k+1, gone+1, left-1)
		if found {
			return true, true
		}
		complete = complete && c
	}
	e.leave = e.leave[:len(e.leave)-1]
	return false, complete
}

// room says whether everybody who leaves has some window left.
func (e *mover) room() bool {
	for _, i := range e.leave {
		if !e.anywhereElse(i) {
			return false
		}
	}
	return true
}

func (e *mover) anywhereElse(i int) bool {
	for w := range e.W {
		if w != e.old[i] && e.fits(i, w) {
			return true
		}
	}
	return false
}

// place finds windows for all of the list, the one with the fewest first.
func (e *mover) place(list []int) (found, complete bool) {
	if len(list) == 0 {
		return true, true
	}
	if !e.m.step() {
		return false, false
	}
	pick, fewest := -1, e.W+1
	var wins []int
	for k, i := range list {
		var fit []int
		for w := 0; w < e.W && len(fit) < fewest; w++ {
			if w != e.old[i] && e.fits(i, w) {
				fit = append(fit, w)
			}
		}
		if len(fit) < fewest {
			pick, fewest, wins = k, len(fit), fit
		}
		if fewest == 0 {
			return false, true
		}
	}
	i := list[pick]
	rest := slices.Delete(slices.Clone(list), pick, pick+1)
	complete = true
	for _, w := range wins {
		e.put(i, w)
		found, c := e.place(rest)
		if found {
			return true, true
		}
		e.take(i)
		if complete = complete && c; !c {
			return false, false
		}
	}
	return false, complete
}
