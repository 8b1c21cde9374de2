// Package labtime is the time that passes in the emulated lab: faster than
// ours while boots and waits go by, and exactly ours while seconds matter.
//
// Read [New] first, then [Clock.RealTime]: a clock runs at its fast rate until
// somebody takes a hold, and at rate one until the last hold is released.
// Timers that were set before a change of rate are moved with it, so that they
// fire at the virtual instant they were set for. Everything may be called from
// many goroutines at once. A clock works inside a testing/synctest bubble when
// it is made and closed there.
package labtime

import (
	"container/heap"
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"
)

// ErrClosed is what a sleeper gets when the clock is closed under it.
var ErrClosed = errors.New("the lab's clock is closed")

// Clock is a virtual clock. It never runs backwards: its time is a function of
// the machine's monotonic clock, so a step of the wall clock does not move it.
// The zero value is not usable; see [New] and [Real].
type Clock struct {
	fast float64

	mu     sync.Mutex
	virt   time.Time // virtual instant of the anchor, without monotonic reading
	real   time.Time // real instant of the anchor, with monotonic reading
	rate   float64   // 1 while holds > 0, fast otherwise
	holds  int
	queue  timerHeap
	seq    uint64 // order of setting, breaks ties
	closed bool

	wake chan struct{} // capacity 1: the head of the queue or the rate changed
	done chan struct{} // closed by Close
	idle chan struct{} // closed when the goroutine has ended
}

// New starts a clock that shows start and then runs fast times as quickly as
// ours. It panics unless fast is a positive finite number. Call [Clock.Close]
// when done with it.
func New(start time.Time, fast float64) *Clock {
	if !(fast > 0) || math.IsInf(fast, 1) {
		panic(fmt.Sprintf("labtime: found rate %v, want a positive finite number", fast))
	}
	c := &Clock{
		fast: fast, rate: fast,
		virt: start.Round(0), real: time.Now(),
		wake: make(chan struct{}, 1),
		done: make(chan struct{}),
		idle: make(chan struct{}),
	}
	go c.run()
	return c
}

// Real starts a clock that shows the present time and always runs at rate one.
func Real() *Clock { return New(time.Now(), 1) }

// Now returns the virtual time. It carries no monotonic reading, so instants
// of one clock may be compared and subtracted freely, and those of two clocks
// may not.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now()
}

// now is Now with the lock held.
func (c *Clock) now() time.Time {
	elapsed := time.Since(c.real)
	if c.rate == 1 {
		return c.virt.Add(elapsed)
	}
	return c.virt.Add(scale(elapsed, c.rate))
}

// Since returns the virtual time that has passed since the virtual instant t.
func (c *Clock) Since(t time.Time) time.Duration { return c.Now().Sub(t) }

// Until returns the virtual time left until the virtual instant t.
func (c *Clock) Until(t time.Time) time.Duration { return t.Sub(c.Now()) }

// Rate returns how many virtual seconds pass in a real one just now.
func (c *Clock) Rate() float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.rate
}

// ToReal returns how long the virtual duration d takes in real time at the
// present rate.
func (c *Clock) ToReal(d time.Duration) time.Duration { return scale(d, 1/c.Rate()) }

// ToVirtual returns how much virtual time passes during the real duration d at
// the present rate.
func (c *Clock) ToVirtual(d time.Duration) time.Duration { return scale(d, c.Rate()) }

// RealTime takes a hold: until it is released the clock runs at rate one.
// Holds count, so the clock is fast again only when every hold has been
// released. Releasing a hold twice does nothing.
func (c *Clock) RealTime() (release func()) {
	c.change(1)
	var once sync.Once
	return func() { once.Do(func() { c.change(-1) }) }
}

// Held reports whether at least one hold is taken.
func (c *Clock) Held() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.holds > 0
}

// change adds to the number of holds and, where that changes the rate, moves
// the anchor to the present instant.
func (c *Clock) change(by int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.holds += by
	rate := c.fast
	if c.holds > 0 {
		rate = 1
	}
	if rate == c.rate {
		return
	}
	real := time.Now()
	c.virt = c.virt.Add(scale(real.Sub(c.real), c.rate))
	c.real, c.rate = real, rate
	c.kick()
}

// Close stops the clock's goroutine and waits for it. Timers that have not
// fired never will; sleepers get [ErrClosed]. Now goes on working. Closing
// twice does nothing.
func (c *Clock) Close() {
	c.mu.Lock()
	if !c.closed {
		c.closed = true
		close(c.done)
	}
	c.mu.Unlock()
	<-c.idle
}

// Sleep waits for the virtual duration d and returns nil, or returns the
// context's error or [ErrClosed] as soon as one of them holds.
func (c *Clock) Sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if d <= 0 {
		return nil
	}
	t := c.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-c.done:
		return ErrClosed
	}
}

// After returns a channel on which the virtual time is sent once d has passed.
func (c *Clock) After(d time.Duration) <-chan time.Time { return c.NewTimer(d).C }

// Timer fires once at a virtual instant. Make one with [Clock.NewTimer] or
// [Clock.AfterFunc].
type Timer struct {
	// C receives the virtual time at firing; nil for AfterFunc.
	C <-chan time.Time

	clock *Clock
	c     chan time.Time
	f     func()
	every time.Duration // period of a ticker, 0 for a timer
	due   time.Time
	seq   uint64
	index int // place in the heap, -1 when not set
}

// NewTimer returns a timer that sends the virtual time on its channel once d
// has passed.
func (c *Clock) NewTimer(d time.Duration) *Timer {
	ch := make(chan time.Time, 1)
	t := &Timer{C: ch, c: ch, clock: c, index: -1}
	c.set(t, d)
	return t
}

// AfterFunc calls f in its own goroutine once d has passed.
func (c *Clock) AfterFunc(d time.Duration, f func()) *Timer {
	t := &Timer{f: f, clock: c, index: -1}
	c.set(t, d)
	return t
}

// Stop keeps the timer from firing. It reports whether the timer was set; when
// it returns, no value of an earlier firing waits in the channel any more.
func (t *Timer) Stop() bool {
	t.clock.mu.Lock()
	defer t.clock.mu.Unlock()
	return t.stop()
}

// stop is Stop with the lock held.
func (t *Timer) stop() bool {
	if t.c != nil {
		select {
		case <-t.c:
		default:
		}
	}
	if t.index < 0 {
		return false
	}
	heap.Remove(&t.clock.queue, t.index)
	return true
}

// Reset sets the timer to fire once d has passed from now, whether or not it
// was set. It reports whether it was. No value of an earlier firing is left in
// the channel.
func (t *Timer) Reset(d time.Duration) bool {
	t.clock.mu.Lock()
	was := t.stop()
	t.clock.mu.Unlock()
	t.clock.set(t, d)
	return was
}

// Ticker sends the virtual time on its channel again and again. Make one with
// [Clock.NewTicker].
type Ticker struct {
	// C receives the virtual time of each tick. Ticks that nobody takes are
	// dropped; they do not pile up.
	C <-chan time.Time
	t *Timer
}

// NewTicker returns a ticker of the virtual period d. It panics unless d is
// positive.
func (c *Clock) NewTicker(d time.Duration) *Ticker {
	if d <= 0 {
		panic(fmt.Sprintf("labtime: found tick period %v, want more than zero", d))
	}
	ch := make(chan time.Time, 1)
	t := &Timer{C: ch, c: ch, clock: c, every: d, index: -1}
	c.set(t, d)
	return &Ticker{C: ch, t: t}
}

// Stop ends the ticking. It does not close the channel.
func (t *Ticker) Stop() { t.t.Stop() }

// Reset makes the ticker tick with period d, first in d from now. It panics
// unless d is positive.
func (t *Ticker) Reset(d time.Duration) {
	if d <= 0 {
		panic(fmt.Sprintf("labtime: found tick period %v, want more than zero", d))
	}
	c := t.t.clock
	c.mu.Lock()
	t.t.stop()
	t.t.every = d
	c.mu.Unlock()
	c.set(t.t, d)
}

// set puts t on the queue, to fire once d has passed.
func (c *Clock) set(t *Timer, d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return
	}
	t.due = c.now().Add(max(d, 0))
	c.seq++
	t.seq = c.seq
	if t.index >= 0 { // set by somebody else in between
		heap.Fix(&c.queue, t.index)
	} else {
		heap.Push(&c.queue, t)
	}
	if t.index == 0 {
		c.kick()
	}
}

// kick tells the goroutine to look at the queue again.
func (c *Clock) kick() {
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// run fires timers until the clock is closed. It is the only goroutine of the
// clock and sleeps until the head of the queue is due.
func (c *Clock) run() {
	defer close(c.idle)
	alarm := time.NewTimer(time.Hour)
	defer alarm.Stop()
	for {
		wait, any := c.fire()
		if any {
			alarm.Reset(wait)
		} else {
			alarm.Stop()
		}
		select {
		case <-alarm.C:
		case <-c.wake:
		case <-c.done:
			return
		}
	}
}

// fire fires what is due and returns the real time until the next is.
func (c *Clock) fire() (wait time.Duration, any bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for len(c.queue) > 0 && !c.closed {
		now := c.now()
		t := c.queue[0]
		if left := t.due.Sub(now); left > 0 {
			// At least one nanosecond, so that rounding cannot make it spin.
			return max(scaleUp(left, 1/c.rate), 1), true
		}
		if t.every > 0 {
			t.due = t.due.Add(t.every)
			if late := now.Sub(t.due); late >= 0 { // skip what was missed, keep the phase
				t.due = t.due.Add((late/t.every + 1) * t.every)
			}
			heap.Fix(&c.queue, 0)
		} else {
			heap.Pop(&c.queue)
		}
		if t.f != nil {
			go t.f()
			continue
		}
		select {
		case t.c <- now:
		default: // a tick nobody has taken yet
		}
	}
	return 0, false
}

// scale multiplies a duration, saturating instead of overflowing.
func scale(d time.Duration, by float64) time.Duration {
	return clamp(math.Floor(float64(d) * by))
}

// scaleUp is scale rounded up.
func scaleUp(d time.Duration, by float64) time.Duration {
	return clamp(math.Ceil(float64(d) * by))
}

func clamp(ns float64) time.Duration {
	if ns >= math.MaxInt64 {
		return math.MaxInt64
	}
	if ns <= math.MinInt64 {
		return math.MinInt64
	}
	return time.Duration(ns)
}

// timerHeap orders timers by due instant, then by order of setting.
type timerHeap []*Timer

func (h timerHeap) Len() int { return len(h) }
func (h timerHeap) Less(i, j int) bool {
	if h[i].due.Equal(h[j].due) {
		return h[i].seq < h[j].seq
	}
	return h[i].due.Before(h[j].due)
}
func (h timerHeap) Swap(i, j int) {
	h[i], h[j] = h[j], h[i]
	h[i].index, h[j].index = i, j
}
func (h *timerHeap) Push(x any) {
	t, _ := x.(*Timer)
	t.index = len(*h)
	*h = append(*h, t)
}
func (h *timerHeap) Pop() any {
	old := *h
	t := old[len(old)-1]
	old[len(old)-1] = nil
	*h = old[:len(old)-1]
	t.index = -1
	return t
}
