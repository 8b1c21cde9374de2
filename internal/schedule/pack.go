package schedule

import (
	"math/rand/v2"
	"slices"
	"sort"
)

// packed is what pack found: the items of every bin.
type packed struct {
	bin   []int
	used  int
	lower int
	bound string
	nodes int64
	stop  bool
}

// packBound is a number of bins of capacity c that the sizes need, by dual
// feasible functions. sizes need not be sorted.
//
// Source: Martello and Toth, Lower bounds and reduction procedures for the bin
// packing problem, 1990 (L2); Fekete and Schepers, New classes of fast lower
// bounds for bin packing problems, 2001 (the functions u and φ); from memory.
func packBound(sizes []int64, c int64) (int, string) {
	if len(sizes) == 0 || c == Unlimited {
		return min(1, len(sizes)), "something has to be done"
	}
	s := slices.Clone(sizes)
	slices.Sort(s)
	n := len(s)
	pre := make([]int64, n+1)
	for i, x := range s {
		pre[i+1] = pre[i] + x
	}
	best := int(ceilDiv(pre[n], c))
	why := "the sum of the work"
	// L2: for a threshold k, those above c-k are alone, those above c/2 take a
	// bin each, those from k to c/2 fill what is left.
	idx := func(x int64) int { return sort.Search(n, func(i int) bool { return s[i] > x }) } // items <= x
	half := idx(c / 2)
	try := func(k int64) {
		lo := sort.Search(n, func(i int) bool { return s[i] >= k })
		if lo > half {
			return
		}
		big := idx(c - k) // first item above c-k
		big = max(big, half)
		alone := n - big
		mid := big - half
		room := int64(mid)*c - (pre[big] - pre[half])
		rest := pre[half] - pre[lo]
		lb := alone + mid
		if rest > room {
			lb += int(ceilDiv(rest-room, c))
		}
		if lb > best {
			best, why = lb, "large pieces of work that fill windows alone (L2)"
		}
	}
	try(0)
	for i := 0; i < half; i++ {
		if i == 0 || s[i] != s[i-1] {
			try(s[i])
		}
	}
	// u^(k): x(k+1)/c where that is whole, else its floor; exact in integers.
	for k := int64(1); k <= 100; k++ {
		var sum int64 // in units of 1/(k c)
		for _, x := range s {
			if x*(k+1)%c == 0 {
				sum += x * k
			} else {
				sum += x * (k + 1) / c * c
			}
		}
		if lb := int(ceilDiv(sum, k*c)); lb > best {
			best, why = lb, "rounded shares of the windows (dual feasible function)"
		}
	}
	return best, why
}

func ceilDiv(a, b int64) int64 {
	if b == 0 {
		return 0
	}
	return (a + b - 1) / b
}

// pack puts the sizes into bins of capacity c, as few as it can.
//
// A packing with as many bins as the bound says is looked for by bin completion:
// the largest item that is left goes into the next bin, together with each
// undominated set that fills it, fullest first, as long as the waste of all bins
// stays within what that number of bins allows. When the search is exhausted the
// bound goes up by one. Before that, best fit and repeated minimum-slack fillings
// give a packing.
//
// Source: Korf, A new algorithm for optimal bin packing, 2002; Fleszar and
// Hindi, New heuristics for one-dimensional bin-packing, 2002; from memory.
func pack(done <-chan struct{}, sizes []int64, c int64, lim Limits) packed {
	n := len(sizes)
	out := packed{bin: make([]int, n)}
	out.lower, out.bound = packBound(sizes, c)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmpInt(sizes[b], sizes[a]) })
	// Best fit, largest first.
	best := bestFit(order, sizes, c)
	if n == 0 {
		return out
	}
	b := newBinner(done, sizes, c)
	take := func(bins [][]int64) {
		if bins == nil {
			return
		}
		if used := len(bins); used < best.used {
			best = b.name(bins, sizes)
		}
	}
	if best.used > out.lower {
		take(b.slackFill(nil))
	}
	rng := rand.New(rand.NewPCG(lim.Seed, 0x7061636b))
	for round := 0; round < 60 && best.used > out.lower && !stopped(done); round++ {
		take(b.slackFill(rng))
	}
	m := &meter{done: done}
	for _, share := range []int64{20, 1} {
		for best.used > out.lower && !stopped(done) {
			p := exchange(done, sizes, c, best, best.used-1, lim.moves()/15/share, rng)
			if p == nil {
				break
			}
			best = *p
		}
		m.limit = m.n + lim.nodes()/share
		for best.used > out.lower {
			bins, complete := b.within(out.lower, m)
			if bins != nil {
				take(bins)
				break
			}
			if !complete {
				break
			}
			out.lower++
			out.bound = "an exhausted search"
		}
		if best.used <= out.lower {
			break
		}
		// The bound is open; at least come closer to it from above.
		for k := best.used - 1; k > out.lower; k-- {
			mm := &meter{done: done, limit: lim.nodes() / 40}
			bins, _ := b.within(k, mm)
			m.stopped = m.stopped || mm.stopped
			if bins == nil {
				break
			}
			take(bins)
		}
	}
	out.bin, out.used, out.nodes = best.bin, best.used, m.n
	out.stop = m.stopped || stopped(done)
	return out
}

func cmpInt(a, b int64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	default:
		return 0
	}
}

func bestFit(order []int, sizes []int64, c int64) packed {
	p := packed{bin: make([]int, len(sizes))}
	var room []int64
	for _, i := range order {
		at := -1
		for k, r := range room {
			if r >= sizes[i] && (at < 0 || r < room[at]) {
				at = k
			}
		}
		if at < 0 {
			at = len(room)
			room = append(room, c)
		}
		room[at] -= sizes[i]
		p.bin[i] = at
	}
	p.used = len(room)
	return p
}

// binner holds the sizes as distinct values with counts, largest first.
type binner struct {
	done  <-chan struct{}
	c     int64
	size  []int64
	count []int
	total int64
	n     int
}

func newBinner(done <-chan struct{}, sizes []int64, c int64) *binner {
	s := slices.Clone(sizes)
	slices.SortFunc(s, func(a, b int64) int { return cmpInt(b, a) })
	b := &binner{done: done, c: c, n: len(s)}
	for _, x := range s {
		b.total += x
		if k := len(b.size); k > 0 && b.size[k-1] == x {
			b.count[k-1]++
		} else {
			b.size, b.count = append(b.size, x), append(b.count, 1)
		}
	}
	return b
}

// name gives the items of the sizes in bins their indices back.
func (b *binner) name(bins [][]int64, sizes []int64) packed {
	of := map[int64][]int{}
	for i := len(sizes) - 1; i >= 0; i-- {
		of[sizes[i]] = append(of[sizes[i]], i)
	}
	p := packed{bin: make([]int, len(sizes)), used: len(bins)}
	for k, bin := range bins {
		for _, x := range bin {
			list := of[x]
			p.bin[list[len(list)-1]] = k
			of[x] = list[:len(list)-1]
		}
	}
	return p
}

// slackFill fills bin after bin, starting with the largest item, as full as a
// bounded search can. With rng it starts from a random item now and then, and
// takes a nearly as good filling.
func (b *binner) slackFill(rng *rand.Rand) [][]int64 {
	count := slices.Clone(b.count)
	left := b.n
	var bins [][]int64
	for left > 0 {
		if len(bins)&15 == 0 && stopped(b.done) {
			return nil
		}
		k := 0
		for count[k] == 0 {
			k++
		}
		if rng != nil && rng.IntN(4) == 0 {
			k = rng.IntN(len(count))
			for count[k] == 0 {
				k = (k + 1) % len(count)
			}
		}
		count[k]--
		first := b.size[k]
		var cur, best []int
		room, least, steps := b.c-first, b.c-first, 0
		var try func(from int, room int64) bool
		try = func(from int, room int64) bool {
			if room < least || best == nil {
				least = room
				best = append([]int{}, cur...)
			}
			steps++
			if least == 0 || steps > 4000 {
				return true
			}
			for j := from; j < len(count); j++ {
				if count[j] == 0 || b.size[j] > room {
					continue
				}
				if rng != nil && rng.IntN(8) == 0 {
					continue
				}
				count[j]--
				cur = append(cur, j)
				end := try(j, room-b.size[j])
				cur = cur[:len(cur)-1]
				count[j]++
				if end {
					return true
				}
			}
			return false
		}
		try(0, room)
		bin := []int64{first}
		for _, j := range best {
			count[j]--
			bin = append(bin, b.size[j])
		}
		left -= len(bin)
		bins = append(bins, bin)
	}
	return bins
}

// within looks for a packing into k bins. complete says that there is none when
// it returns none.
func (b *binner) within(k int, m *meter) (bins [][]int64, complete bool) {
	waste := int64(k)*b.c - b.total
	if waste < 0 {
		return nil, true
	}
	count := slices.Clone(b.count)
	complete = true
	var cur [][]int64
	type filling struct {
		sum  int64
		pick []int
	}
	rest := make([]int64, 0, b.n)
	var dive func(left int, waste int64) bool
	dive = func(left int, waste int64) bool {
		if left == 0 {
			return true
		}
		if !m.step() {
			complete = false
			return false
		}
		if len(cur)%4 == 0 {
			rest = rest[:0]
			for j, n := range count {
				for range n {
					rest = append(rest, b.size[j])
				}
			}
			if l2(rest, b.c) > k-len(cur) {
				return false
			}
		}
		top := 0
		for count[top] == 0 {
			top++
		}
		count[top]--
		room := b.c - b.size[top]
		var fills []filling
		var pick []int
		tries := 0
		var gen func(from int, room int64)
		gen = func(from int, room int64) {
			tries++
			if tries > 20000 || len(fills) > 600 {
				complete = false
				return
			}
			if room <= waste && b.undominated(count, pick, room) {
				fills = append(fills, filling{b.c - room, slices.Clone(pick)})
			}
			for j := from; j < len(count); j++ {
				if count[j] == 0 || b.size[j] > room {
					continue
				}
				count[j]--
				pick = append(pick, j)
				gen(j, room-b.size[j])
				pick = pick[:len(pick)-1]
				count[j]++
			}
		}
		gen(top, room)
		// Fullest first; among equals those with fewer, larger pieces.
		slices.SortStableFunc(fills, func(x, y filling) int {
			if x.sum != y.sum {
				return cmpInt(y.sum, x.sum)
			}
			return len(x.pick) - len(y.pick)
		})
		for _, f := range fills {
			for _, j := range f.pick {
				count[j]--
			}
			bin := []int64{b.size[top]}
			for _, j := range f.pick {
				bin = append(bin, b.size[j])
			}
			cur = append(cur, bin)
			ok := dive(left-1-len(f.pick), waste-(b.c-f.sum))
			for _, j := range f.pick {
				count[j]++
			}
			if ok {
				count[top]++
				return true
			}
			cur = cur[:len(cur)-1]
			if m.stopped || m.n >= m.limit {
				complete = false
				break
			}
		}
		count[top]++
		return false
	}
	if dive(b.n, waste) {
		return slices.Clone(cur), true
	}
	return nil, complete
}

// undominated says whether no piece that is left could take the place of one or
// two of the chosen ones and fill the bin no less: then that filling is at least
// as good, and this one need not be tried.
//
// Source: Martello and Toth, 1990, dominance criterion, from memory.
func (b *binner) undominated(count, pick []int, room int64) bool {
	// A piece that still fits beside the chosen ones dominates at once.
	for j := len(count) - 1; j >= 0; j-- {
		if count[j] > 0 {
			if b.size[j] <= room {
				return false
			}
			break
		}
	}
	if room == 0 {
		// Two that make one of the same size exactly are dominated by it.
		for x, i := range pick {
			for _, j := range pick[x+1:] {
				if b.has(count, b.size[i]+b.size[j], b.size[i]+b.size[j]) {
					return false
				}
			}
		}
		return true
	}
	for x, i := range pick {
		if b.has(count, b.size[i]+1, b.size[i]+room) {
			return false
		}
		for _, j := range pick[x+1:] {
			if b.has(count, b.size[i]+b.size[j], b.size[i]+b.size[j]+room) {
				return false
			}
		}
	}
	return true
}

// has says whether a piece from lo to hi is left.
func (b *binner) has(count []int, lo, hi int64) bool {
	j := sort.Search(len(b.size), func(i int) bool { return b.size[i] <= hi })
	for ; j < len(b.size) && b.size[j] >= lo; j++ {
		if count[j] > 0 {
			return true
		}
	}
	return false
}

// l2 is the bound L2 of sizes that are sorted, largest first.
func l2(s []int64, c int64) int {
	n := len(s)
	if n == 0 {
		return 0
	}
	// half: first item that is at most c/2.
	half := sort.Search(n, func(i int) bool { return s[i] <= c/2 })
	var total int64
	for _, x := range s {
		total += x
	}
	best := max(int(ceilDiv(total, c)), half)
	rest, bigSum := int64(0), int64(0) // of those at most c/2 and at least k; of those in (c/2, c-k]
	from := half                       // first item at most c-k
	for i := half; i < n; i++ {
		rest += s[i]
		if i+1 < n && s[i+1] == s[i] {
			continue
		}
		k := s[i]
		for from > 0 && s[from-1] <= c-k {
			from--
			bigSum += s[from]
		}
		room := int64(half-from)*c - bigSum
		if rest > room {
			best = max(best, half+int(ceilDiv(rest-room, c)))
		}
	}
	return best
}
