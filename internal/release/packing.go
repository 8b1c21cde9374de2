package release

import (
	"cmp"
	"slices"
)

// packing is the choice of files to delete so that enough is free before every
// hop: of the files that may go by then, as many octets as are missing by then.
// It is small and solved exactly. The fewest files come from a greedy pass,
// since before each hop taking the largest file leaves the least to do later;
// the fewest octets for that number from branch and bound.
type packing struct {
	files   []int   // places in the caller's list, largest first
	size    []int64 // of each of files
	from    []int   // hop before which each may go at the earliest
	missing []int64 // octets missing before each hop if none of files goes
	sums    [][]int64
	place   [][]int
	budget  int
}

// packingBudget bounds the nodes of the branch and bound; what is left of the
// search then is given up and said to be.
const packingBudget = 2_000_000

// newPacking takes the files of a volume, the octets copied before each hop and
// what is missing before the first one without any copy. Files that have to go
// in any case count as gone.
func newPacking(files []stored, copied []int64, missing int64) *packing {
	p := &packing{budget: packingBudget}
	for i, f := range files {
		switch {
		case f.stale:
			missing -= f.size
		case f.size > 0 && f.from < len(copied):
			p.files = append(p.files, i)
		}
	}
	slices.SortStableFunc(p.files, func(a, b int) int {
		return cmp.Or(cmp.Compare(files[b].size, files[a].size), cmp.Compare(files[a].from, files[b].from))
	})
	for _, i := range p.files {
		p.size, p.from = append(p.size, files[i].size), append(p.from, files[i].from)
	}
	for _, c := range copied {
		missing += c
		p.missing = append(p.missing, missing)
	}
	// sums[h] are the running totals of the files that may go before hop h, and
	// place[h][i] how many of those stand before file i.
	for h := range copied {
		sums, place := []int64{0}, make([]int, len(p.files)+1)
		for i := range p.files {
			place[i] = len(sums) - 1
			if p.from[i] <= h {
				sums = append(sums, sums[len(sums)-1]+p.size[i])
			}
		}
		place[len(p.files)] = len(sums) - 1
		p.sums, p.place = append(p.sums, sums), append(p.place, place)
	}
	return p
}

// short is how many octets are missing before each hop if all files go that may.
func (p *packing) short() []int64 {
	out := make([]int64, len(p.missing))
	for h, m := range p.missing {
		out[h] = max(0, m-p.sums[h][len(p.sums[h])-1])
	}
	return out
}

// choose returns the places of the files to delete; p.short must be zero.
// proven is false where fewer octets might do.
func (p *packing) choose() (files []int, proven bool) {
	var best []int
	taken := make([]bool, len(p.files))
	freed := make([]int64, len(p.missing))
	for h, m := range p.missing {
		for freed[h] < m {
			i := 0
			for taken[i] || p.from[i] > h {
				i++
			}
			taken[i] = true
			best = append(best, i)
			for g := p.from[i]; g < len(freed); g++ {
				freed[g] += p.size[i]
			}
		}
	}
	if len(best) == 0 {
		return nil, true
	}
	total := int64(0)
	for _, i := range best {
		total += p.size[i]
	}
	b := bound{p: p, best: best, total: total, least: slices.Max(p.missing), freed: make([]int64, len(p.missing))}
	b.search(0, len(best))
	slices.Sort(b.best)
	for _, i := range b.best {
		files = append(files, p.files[i])
	}
	return files, p.budget > 0
}

// bound is the state of the branch and bound.
type bound struct {
	p     *packing
	best  []int
	total int64 // octets of best
	least int64 // no choice frees fewer
	now   []int
	sum   int64
	freed []int64 // before each hop, by now
}

// search completes the choice with so many files from place i on.
func (b *bound) search(i, left int) {
	p := b.p
	p.budget--
	if p.budget <= 0 || b.total == b.least {
		return
	}
	for h, m := range p.missing { // even the largest that are left do not do
		at := p.place[h][i]
		if b.freed[h]+p.sums[h][min(at+left, len(p.sums[h])-1)]-p.sums[h][at] < m {
			return
		}
	}
	if left == 0 {
		if b.sum < b.total {
			b.total, b.best = b.sum, slices.Clone(b.now)
		}
		return
	}
	if len(p.files)-i < left {
		return
	}
	smallest := int64(0) // the smallest that are left
	for j := len(p.files) - left; j < len(p.files); j++ {
		smallest += p.size[j]
	}
	if b.sum+smallest >= b.total {
		return
	}
	if left == 1 {
		b.last(i)
		return
	}
	for j := i; j+left <= len(p.files); j++ {
		if j > i && p.size[j] == p.size[j-1] && p.from[j] == p.from[j-1] {
			continue // alike: the one before it has been tried
		}
		b.take(j)
		b.search(j+1, left-1)
		b.drop(j)
		if p.budget <= 0 || b.total == b.least {
			return
		}
	}
}

// last takes the smallest file that alone completes the choice.
func (b *bound) last(i int) {
	p := b.p
	for j := len(p.files) - 1; j >= i; j-- {
		if b.sum+p.size[j] >= b.total {
			return
		}
		enough := true
		for h, m := range p.missing {
			got := b.freed[h]
			if p.from[j] <= h {
				got += p.size[j]
			}
			enough = enough && got >= m
		}
		if enough {
			b.total, b.best = b.sum+p.size[j], append(slices.Clone(b.now), j)
			return
		}
	}
}

func (b *bound) take(j int) {
	b.now = append(b.now, j)
	b.sum += b.p.size[j]
	for h := b.p.from[j]; h < len(b.freed); h++ {
		b.freed[h] += b.p.size[j]
	}
}

func (b *bound) drop(j int) {
	b.now = b.now[:len(b.now)-1]
	b.sum -= b.p.size[j]
	for h := b.p.from[j]; h < len(b.freed); h++ {
		b.freed[h] -= b.p.size[j]
	}
}
