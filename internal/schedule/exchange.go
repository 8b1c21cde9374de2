package schedule

import (
	"math/rand/v2"
	"slices"
)

// exchange looks for a packing into k bins by keeping k legal bins and a pile of
// items that are in none. Up to two items of the pile take the place of up to
// two of a bin, so that as little as possible stays on the pile; items that have
// just moved rest for a while. Between such moves pairs of bins trade items so
// that full bins become fuller, which leaves room in others.
//
// Source: Buljubašić and Vasquez, Computers and Operations Research 76, 2016 (the
// pile and its trades), from memory.
func exchange(done <-chan struct{}, sizes []int64, c int64, from packed, k int, moves int64, rng *rand.Rand) *packed {
	all := make([][]int, from.used)
	load := make([]int64, from.used)
	for i, b := range from.bin {
		all[b] = append(all[b], i)
		load[b] += sizes[i]
	}
	byLoad := make([]int, from.used)
	for b := range byLoad {
		byLoad[b] = b
	}
	slices.SortStableFunc(byLoad, func(a, b int) int { return cmpInt(load[b], load[a]) })
	bins := make([][]int, 0, k)
	var pile []int
	for r, b := range byLoad {
		if r < k {
			bins = append(bins, all[b])
		} else {
			pile = append(pile, all[b]...)
		}
	}
	load = load[:k]
	for b := range bins {
		load[b] = 0
		for _, i := range bins[b] {
			load[b] += sizes[i]
		}
	}
	restIn, restOut := make([]int64, len(sizes)), make([]int64, len(sizes))
	var onPile, best int64
	for _, i := range pile {
		onPile += sizes[i]
	}
	best = onPile
	sample := min(k, 80)
	drop := func(list []int, i int) []int {
		at := slices.Index(list, i)
		list[at] = list[len(list)-1]
		return list[:len(list)-1]
	}
	for it := int64(1); it <= moves; it++ {
		if len(pile) == 0 {
			p := &packed{bin: make([]int, len(sizes)), used: k}
			for b, list := range bins {
				for _, i := range list {
					p.bin[i] = b
				}
			}
			return p
		}
		if it&255 == 0 && stopped(done) {
			return nil
		}
		// The best trade between the pile and a bin.
		var gain int64 = -1 << 60
		ties := 0
		tb, p1, p2, q1, q2 := -1, -1, -1, -1, -1
		for s := range sample {
			b := s
			if sample < k {
				b = rng.IntN(k)
			}
			list := bins[b]
			for x := -1; x < len(list); x++ {
				for y := x; y < len(list); y++ {
					if x < 0 && y >= 0 {
						break
					}
					// P is {} for x = -1, {x} for y = x, else {x, y}.
					var out int64
					i, j := -1, -1
					tired := false
					if x >= 0 {
						i = list[x]
						out = sizes[i]
						tired = restOut[i] > it
						if y > x {
							j = list[y]
							out += sizes[j]
							tired = tired || restOut[j] > it
						}
					}
					room := c - load[b] + out
					for u, z := range pile {
						if sizes[z] > room {
							continue
						}
						weary := tired || restIn[z] > it
						if d := sizes[z] - out; d >= gain && (!weary || onPile-d < best) {
							if d > gain {
								ties = 0
							}
							if ties++; d > gain || rng.IntN(ties) == 0 {
								gain, tb, p1, p2, q1, q2 = d, b, i, j, z, -1
							}
						}
						for _, v := range pile[u+1:] {
							d := sizes[z] + sizes[v] - out
							if sizes[z]+sizes[v] > room || d < gain {
								continue
							}
							if (weary || restIn[v] > it) && onPile-d >= best {
								continue
							}
							if d > gain {
								ties = 0
							}
							if ties++; d > gain || rng.IntN(ties) == 0 {
								gain, tb, p1, p2, q1, q2 = d, b, i, j, z, v
							}
						}
					}
				}
			}
		}
		if tb >= 0 {
			for _, i := range []int{p1, p2} {
				if i >= 0 {
					bins[tb] = drop(bins[tb], i)
					pile = append(pile, i)
					restIn[i] = it + 3 + int64(rng.IntN(8))
				}
			}
			for _, i := range []int{q1, q2} {
				if i >= 0 {
					pile = drop(pile, i)
					bins[tb] = append(bins[tb], i)
					restOut[i] = it + 3 + int64(rng.IntN(8))
				}
			}
			load[tb] += gain
			onPile -= gain
			best = min(best, onPile)
		}
		if gain > 0 {
			continue
		}
		// Bins trade among themselves: the fuller one becomes fuller, or as full.
		for range 30 {
			a, b := rng.IntN(k), rng.IntN(k)
			if a == b {
				continue
			}
			if load[a] < load[b] {
				a, b = b, a
			}
			room := c - load[a]
			var bestD int64 = -1
			gi, gj, hi, hj := -1, -1, -1, -1
			n := 0
			for x := -1; x < len(bins[a]); x++ {
				for y := x; y < len(bins[a]); y++ {
					if x < 0 && y >= 0 {
						break
					}
					var out int64
					i, j := -1, -1
					if x >= 0 {
						i = bins[a][x]
						out = sizes[i]
						if y > x {
							j = bins[a][y]
							out += sizes[j]
						}
					}
					for u := range bins[b] {
						for v := u; v < len(bins[b]); v++ {
							in := sizes[bins[b][u]]
							w := -1
							if v > u {
								w = bins[b][v]
								in += sizes[w]
							}
							d := in - out
							if d < 0 || d > room || d < bestD || d == 0 && (i >= 0 && j < 0 && w < 0) {
								continue
							}
							if d > bestD {
								n = 0
							}
							if n++; d > bestD || rng.IntN(n) == 0 {
								bestD, gi, gj, hi, hj = d, i, j, bins[b][u], w
							}
						}
					}
				}
			}
			if bestD < 0 {
				continue
			}
			for _, i := range []int{gi, gj} {
				if i >= 0 {
					bins[a] = drop(bins[a], i)
					bins[b] = append(bins[b], i)
				}
			}
			for _, i := range []int{hi, hj} {
				if i >= 0 {
					bins[b] = drop(bins[b], i)
					bins[a] = append(bins[a], i)
				}
			}
			load[a] += bestD
			load[b] -= bestD
		}
	}
	return nil
}
