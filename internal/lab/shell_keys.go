package lab

import (
	"bytes"
	"context"
	"io"
	"sync"
)

// keyboard is what a person types. It is listened to all the time, so that a
// command that takes long can be interrupted.
type keyboard struct {
	ctx  context.Context // of the session
	more chan struct{}   // holds one while something has come
	done chan struct{}   // closed when nobody listens any more

	mu    sync.Mutex
	typed []byte
	err   error
}

// newKeyboard listens until r ends.
func newKeyboard(ctx context.Context, r io.Reader) *keyboard {
	k := &keyboard{ctx: ctx, more: make(chan struct{}, 1), done: make(chan struct{})}
	go k.listen(r)
	return k
}

func (k *keyboard) listen(r io.Reader) {
	defer close(k.done)
	b := make([]byte, 256)
	for {
		n, err := r.Read(b)
		k.mu.Lock()
		k.typed, k.err = append(k.typed, b[:n]...), err
		k.mu.Unlock()
		select {
		case k.more <- struct{}{}:
		default: // nobody has looked since
		}
		if err != nil {
			return
		}
	}
}

// ReadByte waits for a key.
func (k *keyboard) ReadByte() (byte, error) {
	for {
		k.mu.Lock()
		if len(k.typed) > 0 {
			b := k.typed[0]
			k.typed = k.typed[1:]
			k.mu.Unlock()
			return b, nil
		}
		err := k.err
		k.mu.Unlock()
		if err != nil {
			return 0, err
		}
		select {
		case <-k.more:
		case <-k.ctx.Done():
			return 0, context.Cause(k.ctx)
		}
	}
}

// waiting is how many keys nobody has read.
func (k *keyboard) waiting() int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return len(k.typed)
}

// unread are the keys that nobody has read, once what they come from has ended.
func (k *keyboard) unread() []byte {
	<-k.done
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.typed
}

// skip leaves out the next key where it is b and was pressed already.
func (k *keyboard) skip(b byte) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if len(k.typed) > 0 && k.typed[0] == b {
		k.typed = k.typed[1:]
	}
}

// interruptible is a context that ends when ctrl-c is pressed, or with the
// session. done ends the watch.
func (k *keyboard) interruptible() (ctx context.Context, done func()) {
	ctx, cancel := context.WithCancelCause(k.ctx)
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		for {
			k.mu.Lock()
			at := bytes.IndexByte(k.typed, 3)
			if at >= 0 {
				k.typed = k.typed[at+1:]
			}
			k.mu.Unlock()
			if at >= 0 {
				cancel(errInterrupted)
				return
			}
			select {
			case <-k.more:
			case <-ctx.Done():
				return
			}
		}
	}()
	return ctx, func() {
		cancel(nil)
		<-watched
	}
}
