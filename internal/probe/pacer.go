package probe

import (
	"sync/atomic"
	"time"
)

// clock is the sender's time: since its start, never stepping.
type clock interface {
	now() time.Duration
	// wait returns at t or a little later; earlier only when stop is set.
	wait(t time.Duration, stop *atomic.Bool)
}

// spinClock sleeps until shortly before an instant and then watches the clock,
// which is late by about a microsecond where a timer is late by up to a
// millisecond.
type spinClock struct {
	base time.Time
	spin time.Duration // how long before the instant the sleep ends
}

func (c *spinClock) now() time.Duration { return time.Since(c.base) }

func (c *spinClock) wait(t time.Duration, stop *atomic.Bool) {
	for {
		rest := t - c.now()
		if rest <= 0 || stop.Load() {
			return
		}
		if rest > c.spin {
			nap(min(rest-c.spin, 20*time.Millisecond))
			continue
		}
		for c.now() < t {
		}
		return
	}
}

// pacedFlow is one steady stream of slots. Slot k is due at offset + k / rate.
type pacedFlow struct {
	rate   uint64 // per second
	offset time.Duration
	next   uint64
	// send is called for a slot that is due. late is how long the oldest slot not
	// yet sent has waited, and skipped how many were given up.
	send func(slot uint64, late time.Duration, skipped uint64)
}

func (f *pacedFlow) due(slot uint64) time.Duration {
	sec, rest := slot/f.rate, slot%f.rate
	return f.offset + time.Duration(sec)*time.Second + time.Duration(rest*1e9/f.rate)
}

// latest is the last slot that is due at now; zero when none is.
func (f *pacedFlow) latest(now time.Duration) uint64 {
	past := now - f.offset
	if past <= 0 {
		return 0
	}
	return uint64(past/time.Second)*f.rate + uint64(past%time.Second)*f.rate/1e9
}

// pace sends the slots of all flows when they are due, until stop is set. A
// slot that can only be sent after the next one of its flow is due is given up:
// to catch up in a burst would make the loss that it is to measure.
func pace(flows []*pacedFlow, c clock, stop *atomic.Bool) {
	// heap of flows, the next due first
	h := append([]*pacedFlow(nil), flows...)
	less := func(i, j int) bool { return h[i].due(h[i].next) < h[j].due(h[j].next) }
	down := func(i int) {
		for {
			k := 2*i + 1
			if k >= len(h) {
				return
			}
			if k+1 < len(h) && less(k+1, k) {
				k++
			}
			if !less(k, i) {
				return
			}
			h[i], h[k] = h[k], h[i]
			i = k
		}
	}
	for i := len(h)/2 - 1; i >= 0; i-- {
		down(i)
	}
	for len(h) > 0 {
		f := h[0]
		due := f.due(f.next)
		c.wait(due, stop)
		if stop.Load() {
			return
		}
		now := c.now()
		slot := max(f.next, f.latest(now))
		f.send(slot, now-due, slot-f.next)
		f.next = slot + 1
		down(0)
	}
}
