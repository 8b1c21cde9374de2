package sshlink

import (
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// wire is the connection below SSH. It counts what comes from the other side,
// keeps its first octets, and gathers what goes there: the library writes each
// packet of 32 KiB in two pieces and waits for both, whereas here what is
// written while a system call is under way goes along with the next one.
type wire struct {
	net.Conn
	received atomic.Int64
	mu       sync.Mutex
	first    []byte

	out outbox
}

// Read implements net.Conn.
func (w *wire) Read(b []byte) (int, error) {
	n, err := w.Conn.Read(b)
	if w.received.Add(int64(n)) <= firstOctets*2 && n > 0 {
		w.mu.Lock()
		if room := firstOctets - len(w.first); room > 0 {
			w.first = append(w.first, b[:min(n, room)]...)
		}
		w.mu.Unlock()
	}
	return n, err
}

// firstOctets is how much of the other side's first words is kept. The library
// reads the greeting in single octets.
const firstOctets = 64

func (w *wire) heard() []byte {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([]byte(nil), w.first...)
}

// gathered is how many octets wait at most to be sent. Source: measured by
// bench/transfer; one message of SFTP, and little enough to stay in the
// processor's cache.
const gathered = 256 << 10

// lastWords is how long what was written before the end may take to leave.
const lastWords = 250 * time.Millisecond

// outbox holds what waits to be sent.
type outbox struct {
	mu      sync.Mutex
	waiting []byte
	spare   []byte        // memory of what was sent before
	sending chan struct{} // closed when all has been sent; nil where nothing is
	room    sync.Cond     // something was sent, or nothing will be; its L is mu
	err     error         // of an earlier write
	closed  bool          // nothing more is taken
}

// Write implements net.Conn. It returns before b is sent; where that fails, the
// next one tells.
func (w *wire) Write(b []byte) (int, error) {
	o := &w.out
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.room.L == nil {
		o.room.L = &o.mu
	}
	for o.err == nil && !o.closed && len(o.waiting) > 0 && len(o.waiting)+len(b) > gathered {
		o.room.Wait()
	}
	switch {
	case o.err != nil:
		return 0, o.err
	case o.closed:
		return 0, net.ErrClosed
	}
	o.waiting = append(o.waiting, b...)
	if o.sending == nil {
		o.sending = make(chan struct{})
		go w.send(o.sending)
	}
	return len(b), nil
}

// send sends until nothing waits.
func (w *wire) send(done chan struct{}) {
	defer close(done)
	o := &w.out
	o.mu.Lock()
	defer o.mu.Unlock()
	for len(o.waiting) > 0 && o.err == nil {
		b := o.waiting
		o.waiting, o.spare = o.spare[:0], nil
		o.room.Broadcast()
		o.mu.Unlock()
		_, err := w.Conn.Write(b)
		o.mu.Lock()
		o.spare = b
		if err != nil {
			o.err = err
			o.room.Broadcast()
		}
	}
	o.sending = nil
}

// Close implements net.Conn. What was written before still leaves, unless the
// other side takes no more.
func (w *wire) Close() error {
	o := &w.out
	o.mu.Lock()
	o.closed = true
	sending := o.sending
	if o.room.L != nil {
		o.room.Broadcast()
	}
	o.mu.Unlock()
	if sending != nil {
		t := time.NewTimer(lastWords)
		defer t.Stop()
		select {
		case <-sending:
		case <-t.C:
		}
	}
	return w.Conn.Close()
}
