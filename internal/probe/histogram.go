package probe

import (
	"math/bits"
	"sync/atomic"
	"time"
)

// histogram counts durations in classes that are at most 1/32 of their value
// wide, so that a percentile read from it is at most 3.2 % too high. The zero
// value is empty.
type histogram struct {
	classes [64 * 32]uint32
	n       uint64
	least   time.Duration
	most    time.Duration
}

func class(d time.Duration) int {
	v := uint64(max(d, 0))
	if v < 32 {
		return int(v)
	}
	e := bits.Len64(v) - 6 // v>>e is in 32…63
	return 32*e + int(v>>e)
}

// top is the largest value of class c.
func top(c int) time.Duration {
	if c < 64 {
		return time.Duration(c)
	}
	e := c/32 - 1
	return time.Duration(uint64(c-32*e+1)<<e - 1)
}

func (h *histogram) add(d time.Duration) {
	if h.n == 0 || d < h.least {
		h.least = d
	}
	if h.n == 0 || d > h.most {
		h.most = d
	}
	h.n++
	h.classes[class(d)]++
}

// quantile returns the smallest class top that at least the share q of all
// values does not exceed, never beyond the largest value; zero when empty.
func (h *histogram) quantile(q float64) time.Duration {
	want := uint64(q * float64(h.n))
	if float64(want) < q*float64(h.n) {
		want++
	}
	var seen uint64
	for c, n := range h.classes {
		if seen += uint64(n); n > 0 && seen >= want {
			return min(top(c), h.most)
		}
	}
	return h.most
}

// Spread is the distribution of a duration.
type Spread struct {
	Count  uint64        `json:"count"`
	Min    time.Duration `json:"min_ns"`
	Median time.Duration `json:"p50_ns"` // this and P99 are at most 3.2 % too high
	P99    time.Duration `json:"p99_ns"`
	Max    time.Duration `json:"max_ns"`
}

// PDV99 is the 99th percentile of the packet delay variation, the distance from
// the smallest delay.
// Source: RFC 5481 §4.2.
func (s Spread) PDV99() time.Duration { return s.P99 - s.Min }

func (h *histogram) spread() Spread {
	return Spread{Count: h.n, Min: h.least, Median: h.quantile(0.5), P99: h.quantile(0.99), Max: h.most}
}

// sharedHistogram is a histogram that one goroutine fills while others read.
type sharedHistogram struct {
	classes     [64 * 32]atomic.Uint32
	n           atomic.Uint64
	least, most atomic.Int64
}

func (h *sharedHistogram) add(d time.Duration) {
	first := h.n.Load() == 0
	if first || int64(d) < h.least.Load() {
		h.least.Store(int64(d))
	}
	if first || int64(d) > h.most.Load() {
		h.most.Store(int64(d))
	}
	h.classes[class(d)].Add(1)
	h.n.Add(1)
}

func (h *sharedHistogram) spread() Spread {
	g := histogram{least: time.Duration(h.least.Load()), most: time.Duration(h.most.Load())}
	for i := range h.classes {
		g.classes[i] = h.classes[i].Load()
		g.n += uint64(g.classes[i])
	}
	return g.spread()
}
