package sshlink

import (
	"bytes"
	"errors"
	"io"
	"net"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

// TestWireKeepsTheOrder writes pieces of any size through a pipe that takes few
// octets at a time, and closes right after the last one.
func TestWireKeepsTheOrder(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		sizes := rapid.SliceOfN(rapid.OneOf(rapid.IntRange(1, 300), rapid.IntRange(1, 2*gathered)), 1, 12).Draw(r, "sizes")
		takes := rapid.IntRange(1<<10, 1<<16).Draw(r, "takes")
		ours, theirs := net.Pipe()
		w := &wire{Conn: ours}
		var want []byte
		for i, n := range sizes {
			want = append(want, bytes.Repeat([]byte{byte(i + 1)}, n)...)
		}
		got := make(chan []byte)
		go func() {
			var all []byte
			b := make([]byte, takes)
			for {
				n, err := theirs.Read(b)
				if all = append(all, b[:n]...); err != nil {
					got <- all
					return
				}
			}
		}()
		at := 0
		for _, n := range sizes {
			b := slices.Clone(want[at : at+n])
			if k, err := w.Write(b); k != n || err != nil {
				r.Fatalf("wrote %d octets of %d: %v", k, n, err)
			}
			clear(b) // the caller may use its memory again at once
			at += n
		}
		if err := w.Close(); err != nil {
			r.Fatal(err)
		}
		if all := <-got; !bytes.Equal(all, want) {
			r.Fatalf("%d octets arrived, want %d, or others", len(all), len(want))
		}
		if _, err := w.Write([]byte("x")); !errors.Is(err, net.ErrClosed) {
			r.Errorf("a write after the end: %v", err)
		}
	})
}

// TestWireGathers holds that what is written while a system call is under way
// leaves with the next one, that the memory for it is bounded, and that whoever
// waits for room is let go by the end.
func TestWireGathers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &slow{asked: make(chan int, 100), goOn: make(chan error)}
		w := &wire{Conn: c}
		write := func(n int) error {
			_, err := w.Write(make([]byte, n))
			return err
		}
		for _, n := range []int{10, 20, 30} {
			if err := write(n); err != nil {
				t.Fatal(err)
			}
			synctest.Wait()
		}
		c.goOn <- nil
		synctest.Wait()
		if a, b := <-c.asked, <-c.asked; a != 10 || b != 50 {
			t.Errorf("calls of %d and %d octets, want 10 and 50", a, b)
		}
		// The call of 50 is under way.
		if err := write(gathered); err != nil {
			t.Fatal(err)
		}
		var late error
		var g sync.WaitGroup
		g.Go(func() { late = write(1) })
		synctest.Wait() // it waits for room
		start := time.Now()
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		g.Wait()
		if took := time.Since(start); took != lastWords {
			t.Errorf("closed after %v, want %v", took, lastWords)
		}
		if !errors.Is(late, net.ErrClosed) {
			t.Errorf("a write without room: %v", late)
		}
	})
}

// TestWireTellsTheFailure holds that a failed call is told by the writes after
// it, those that wait for room among them.
func TestWireTellsTheFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &slow{asked: make(chan int, 100), goOn: make(chan error)}
		w := &wire{Conn: c}
		for _, n := range []int{1, gathered} {
			if _, err := w.Write(make([]byte, n)); err != nil {
				t.Fatal(err)
			}
			synctest.Wait()
		}
		var late error
		var g sync.WaitGroup
		g.Go(func() { _, late = w.Write([]byte{1}) })
		synctest.Wait()
		c.goOn <- io.ErrClosedPipe
		g.Wait()
		if _, err := w.Write([]byte{1}); !errors.Is(err, io.ErrClosedPipe) || !errors.Is(late, io.ErrClosedPipe) {
			t.Errorf("got %v and %v", late, err)
		}
		if err := w.Close(); err != nil {
			t.Error(err)
		}
	})
}

// slow is a connection whose writes wait to be let go on.
type slow struct {
	net.Conn
	asked chan int
	goOn  chan error
	once  sync.Once
}

func (s *slow) Write(b []byte) (int, error) {
	s.asked <- len(b)
	err, ok := <-s.goOn
	if !ok {
		err = net.ErrClosed
	}
	if err != nil {
		return 0, err
	}
	return len(b), nil
}

func (s *slow) Close() error {
	s.once.Do(func() { close(s.goOn) })
	return nil
}
