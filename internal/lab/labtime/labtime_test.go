package labtime

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

// The bubble's clock is the outside reference in these tests: inside a
// testing/synctest bubble real time is exact, so "fires at the instant" is an
// equation and not a tolerance.

var start = time.Date(2031, 5, 4, 1, 0, 0, 0, time.UTC)

func TestRunsFastAndRealWhileHeld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := New(start, 60)
		defer c.Close()
		passed := func(want time.Duration) {
			t.Helper()
			if got := c.Since(start); got != want {
				t.Fatalf("virtual time passed: got %v, want %v", got, want)
			}
		}
		passed(0)
		time.Sleep(time.Second)
		passed(time.Minute)
		one := c.RealTime()
		two := c.RealTime()
		if c.Rate() != 1 || !c.Held() {
			t.Fatalf("rate %v held %v, want 1 and true", c.Rate(), c.Held())
		}
		time.Sleep(time.Second)
		passed(61 * time.Second)
		one()
		one() // releasing twice must not release the other hold
		time.Sleep(time.Second)
		passed(62 * time.Second)
		two()
		if c.Rate() != 60 || c.Held() {
			t.Fatalf("rate %v held %v, want 60 and false", c.Rate(), c.Held())
		}
		time.Sleep(time.Second)
		passed(122 * time.Second)
		if got := c.ToReal(time.Minute); got != time.Second {
			t.Errorf("ToReal(1m) at rate 60: got %v, want 1s", got)
		}
		if got := c.ToVirtual(time.Second); got != time.Minute {
			t.Errorf("ToVirtual(1s) at rate 60: got %v, want 1m", got)
		}
		if got := c.Until(start); got != -122*time.Second {
			t.Errorf("Until(start): got %v, want -2m2s", got)
		}
	})
}

func TestTimerIsMovedWhenTheRateChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := New(start, 10)
		defer c.Close()
		from := time.Now()
		ch := c.After(100 * time.Second) // ten real seconds, if nothing happens
		time.Sleep(4 * time.Second)      // 60 s left
		release := c.RealTime()
		time.Sleep(20 * time.Second) // 40 s left
		release()
		at := <-ch // four more real seconds
		if got, want := time.Since(from), 28*time.Second; got != want {
			t.Errorf("real time to the firing: got %v, want %v", got, want)
		}
		if got, want := at.Sub(start), 100*time.Second; got != want {
			t.Errorf("virtual instant of the firing: got %v, want %v", got, want)
		}
	})
}

func TestSleep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := New(start, 5)
		ctx, cancel := context.WithCancel(t.Context())
		from := time.Now()
		if err := c.Sleep(ctx, 10*time.Second); err != nil || time.Since(from) != 2*time.Second {
			t.Errorf("got %v after %v, want nil after 2s", err, time.Since(from))
		}
		if err := c.Sleep(ctx, -1); err != nil {
			t.Errorf("a sleep of less than nothing: %v", err)
		}
		time.AfterFunc(time.Second, cancel)
		if err := c.Sleep(ctx, time.Hour); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled sleep: got %v, want %v", err, context.Canceled)
		}
		if err := c.Sleep(ctx, -1); !errors.Is(err, context.Canceled) {
			t.Errorf("sleep with a dead context: got %v, want %v", err, context.Canceled)
		}
		time.AfterFunc(time.Second, c.Close)
		if err := c.Sleep(t.Context(), time.Hour); !errors.Is(err, ErrClosed) {
			t.Errorf("sleep on a closed clock: got %v, want %v", err, ErrClosed)
		}
		c.Close()
		before := c.Now()
		time.Sleep(time.Second)
		if got := c.Since(before); got != 5*time.Second {
			t.Errorf("a closed clock still tells the time: got %v, want 5s", got)
		}
	})
}

func TestStopAndReset(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := New(start, 1)
		defer c.Close()
		tm := c.NewTimer(time.Second)
		time.Sleep(2 * time.Second)
		if tm.Stop() {
			t.Error("Stop of a fired timer says it was set")
		}
		select {
		case <-tm.C:
			t.Error("a stale value is left after Stop")
		default:
		}
		if tm.Reset(time.Minute) {
			t.Error("Reset of a stopped timer says it was set")
		}
		if !tm.Reset(3 * time.Second) {
			t.Error("Reset of a set timer says it was not")
		}
		from := time.Now()
		<-tm.C
		if got := time.Since(from); got != 3*time.Second {
			t.Errorf("reset timer fired after %v, want 3s", got)
		}
		var fired []string
		f := c.AfterFunc(time.Second, func() { fired = append(fired, "stopped") })
		c.AfterFunc(2*time.Second, func() { fired = append(fired, "kept") })
		if !f.Stop() {
			t.Error("Stop of a set AfterFunc says it was not")
		}
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if !slices.Equal(fired, []string{"kept"}) {
			t.Errorf("fired %q, want only the one that was kept", fired)
		}
	})
}

func TestTickerKeepsItsPhaseAndDropsTicks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := New(start, 2)
		defer c.Close()
		tick := c.NewTicker(10 * time.Second)
		defer tick.Stop()
		if got := (<-tick.C).Sub(start); got != 10*time.Second {
			t.Errorf("first tick at %v, want 10s", got)
		}
		time.Sleep(18 * time.Second) // 36 virtual: ticks at 20, 30, 40 with nobody there
		if got := (<-tick.C).Sub(start); got != 20*time.Second {
			t.Errorf("waiting tick is of %v, want 20s", got)
		}
		if got := (<-tick.C).Sub(start); got != 50*time.Second {
			t.Errorf("next tick at %v, want 50s: the phase is lost", got)
		}
		tick.Reset(4 * time.Second)
		if got := (<-tick.C).Sub(start); got != 54*time.Second {
			t.Errorf("tick after reset at %v, want 54s", got)
		}
		tick.Stop()
		time.Sleep(time.Minute)
		select {
		case at := <-tick.C:
			t.Errorf("a stopped ticker ticked at %v", at)
		default:
		}
	})
}

func TestRefusesImpossibleRates(t *testing.T) {
	refused := func(what string, f func()) {
		defer func() {
			if recover() == nil {
				t.Errorf("%s was taken", what)
			}
		}()
		f()
	}
	for _, rate := range []float64{0, -1, nan(), inf()} {
		refused(fmt.Sprintf("rate %v", rate), func() { New(start, rate).Close() })
	}
	c := Real()
	defer c.Close()
	refused("tick period 0", func() { c.NewTicker(0) })
}

func nan() float64 { z := 0.0; return z / z }
func inf() float64 { z := 0.0; return 1 / z }

func TestVeryLongTimersDoNotOverflow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := New(start, 0.001)
		defer c.Close()
		ch := c.After(1<<63 - 1)
		time.Sleep(time.Hour)
		select {
		case <-ch:
			t.Error("a timer of 292 years fired within the hour")
		default:
		}
		if c.ToReal(1<<63-1) != 1<<63-1 {
			t.Error("ToReal overflows")
		}
	})
}

func TestRealShowsThePresent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := Real()
		defer c.Close()
		release := c.RealTime()
		time.Sleep(90 * time.Minute)
		release()
		if got, want := c.Now(), time.Now(); !got.Equal(want) || c.Rate() != 1 {
			t.Errorf("got %v at rate %v, want %v at rate 1", got, c.Rate(), want)
		}
	})
}

// op is one thing done to a clock, wait real milliseconds after the one before.
type op struct {
	wait int // ms
	kind int // 0 hold, 1 release, 2 set, 3 stop, 4 reset, 5 tick
	n    int // which hold or timer
	d    int // virtual ms
}

// firing is one timer going off, in whole real milliseconds since the start.
type firing struct{ timer, at int }

const end = 3000 // ms of real time after the last operation

// twin replays the operations in steps of one real millisecond, counting
// virtual microseconds: the slow and obvious form of the clock.
func twin(rate int, ops []op) (fired []firing, virtual int) {
	type timer struct {
		due, every int // virtual µs
		set        bool
	}
	var timers []timer
	held := map[int]bool{}
	holds, now, at := 0, 0, 0
	look := func() {
		for again := true; again; {
			again = false
			for i := range timers {
				tm := &timers[i]
				if !tm.set || tm.due > now {
					continue
				}
				fired = append(fired, firing{i, at})
				if tm.set = tm.every > 0; tm.set {
					// Ticks between two looks are one tick: nobody sees the others.
					for tm.due <= now {
						tm.due += tm.every
					}
				}
				again = true
			}
		}
	}
	pass := func(ms int) {
		for range ms {
			at++
			if holds > 0 {
				now += 1000
			} else {
				now += 1000 * rate
			}
			look()
		}
	}
	for _, o := range ops {
		pass(o.wait)
		switch o.kind {
		case 0:
			held[len(held)] = true
			holds++
		case 1:
			if o.n < len(held) && held[o.n] {
				held[o.n] = false
				holds--
			}
		case 2:
			timers = append(timers, timer{due: now + o.d*1000, set: true})
		case 3:
			if o.n < len(timers) {
				timers[o.n].set = false
			}
		case 4:
			if o.n < len(timers) {
				timers[o.n].due, timers[o.n].set, timers[o.n].every = now+o.d*1000, true, 0
			}
		}
		look()
	}
	pass(end)
	return fired, now
}

// TestAgreesWithSlowTwin replays random holds, releases, timers, stops and
// resets on the clock and on its millisecond-stepping twin.
func TestAgreesWithSlowTwin(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		rate := rapid.SampledFrom([]int{1, 2, 5, 20, 50}).Draw(rt, "rate")
		ops := rapid.SliceOfN(rapid.Custom(func(rt *rapid.T) op {
			return op{
				wait: rapid.IntRange(0, 200).Draw(rt, "wait"),
				kind: rapid.IntRange(0, 4).Draw(rt, "kind"),
				n:    rapid.IntRange(0, 6).Draw(rt, "n"),
				d:    rapid.IntRange(0, 4000).Draw(rt, "d"),
			}
		}), 1, 25).Draw(rt, "ops")
		want, wantVirtual := twin(rate, ops)

		var got []firing
		var gotVirtual time.Duration
		synctest.Test(t, func(*testing.T) {
			c := New(start, float64(rate))
			defer c.Close()
			from := time.Now()
			var mu sync.Mutex
			var timers []*Timer
			var releases []func()
			for _, o := range ops {
				time.Sleep(time.Duration(o.wait) * time.Millisecond)
				synctest.Wait() // what is due at this very instant fires before the operation
				switch o.kind {
				case 0:
					releases = append(releases, c.RealTime())
				case 1:
					if o.n < len(releases) {
						releases[o.n]()
					}
				case 2:
					i := len(timers)
					timers = append(timers, c.AfterFunc(time.Duration(o.d)*time.Millisecond, func() {
						mu.Lock()
						defer mu.Unlock()
						ms := (time.Since(from) + time.Millisecond - 1) / time.Millisecond
						got = append(got, firing{i, int(ms)})
					}))
				case 3:
					if o.n < len(timers) {
						timers[o.n].Stop()
					}
				case 4:
					if o.n < len(timers) {
						timers[o.n].Reset(time.Duration(o.d) * time.Millisecond)
					}
				}
				synctest.Wait()
			}
			time.Sleep(end * time.Millisecond)
			synctest.Wait()
			gotVirtual = c.Since(start)
		})
		// The twin sees a firing at the end of the millisecond in which it
		// falls; within one millisecond the order is not compared.
		key := func(a, b firing) int {
			if a.at != b.at {
				return a.at - b.at
			}
			return a.timer - b.timer
		}
		slices.SortFunc(got, key)
		slices.SortFunc(want, key)
		if !slices.Equal(got, want) {
			rt.Fatalf("rate %d, ops %+v:\ngot  %v\nwant %v", rate, ops, got, want)
		}
		if w := time.Duration(wantVirtual) * time.Microsecond; gotVirtual != w {
			rt.Fatalf("rate %d, ops %+v: virtual time got %v, want %v", rate, ops, gotVirtual, w)
		}
	})
}

// TestNeverRunsBackwards hammers a real clock from many goroutines while holds
// come and go. It asserts order only, never how long anything took.
func TestNeverRunsBackwards(t *testing.T) {
	c := New(start, 1e4)
	defer c.Close()
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			last := c.Now()
			for range 2000 {
				release := c.RealTime()
				mid := c.Now()
				release()
				now := c.Now()
				if mid.Before(last) || now.Before(mid) {
					t.Errorf("time ran backwards: %v, %v, %v", last, mid, now)
					return
				}
				last = now
			}
		})
	}
	for range 4 {
		wg.Go(func() {
			for i := range 200 {
				from := c.Now()
				d := time.Duration(i) * 10 * time.Millisecond
				at := <-c.After(d)
				if at.Sub(from) < d {
					t.Errorf("After(%v) fired after %v", d, at.Sub(from))
					return
				}
			}
		})
	}
	wg.Wait()
	if c.Held() {
		t.Error("every hold was released and the clock is held")
	}
}

func BenchmarkNow(b *testing.B) {
	c := New(start, 60)
	defer c.Close()
	b.ReportAllocs()
	for b.Loop() {
		c.Now()
	}
}

func BenchmarkSetStop(b *testing.B) {
	c := New(start, 60)
	defer c.Close()
	t := c.NewTimer(time.Hour)
	b.ReportAllocs()
	for b.Loop() {
		t.Reset(time.Hour)
	}
}
