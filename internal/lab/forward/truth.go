package forward

import "time"

// Truth is what really happened to the packets of one flow since the plane was
// started. Every packet that reached the plane is in exactly one of the counts
// of its direction, or in Refused; KernelDrops are packets that never reached
// it and so are in none.
type Truth struct {
	Flow    string
	Card    string
	Forward Count // from clients to the reflector
	Reverse Count // from the reflector to clients
	// Refused counts packets of clients that found the table full.
	Refused uint64
	// Clients is the number of clients known now.
	Clients int
	// KernelDrops counts packets that the kernel threw away because a socket of
	// this flow was full. It must be zero, or the plane itself lost something
	// that nobody asked it to lose; it holds only if KernelDropsKnown.
	KernelDrops      uint64
	KernelDropsKnown bool
	// ReceiveBuffer is the size in octets of the listening socket's buffer as
	// the kernel accounts it (Linux doubles what was asked for).
	ReceiveBuffer int
}

// Of returns the count of the direction.
func (t Truth) Of(d Direction) Count {
	if d == Reverse {
		return t.Reverse
	}
	return t.Forward
}

// Count is what happened to the packets of one direction of a flow.
type Count struct {
	Forwarded uint64 // handed to the kernel for sending
	Blocked   uint64 // dropped by blocks
	Lost      uint64 // dropped by DropEvery and DropFraction
	Failed    uint64 // the kernel refused to send, or the packet was too long
	// LostFirst and LostLast are the instants of the first and last packet of
	// Lost; zero if there was none.
	LostFirst, LostLast time.Time
	// Episodes are the blocks, in order. Blocks that overlap are one episode.
	Episodes []Episode
}

// Dropped is the number of packets that the plane dropped because it was told
// to.
func (c Count) Dropped() uint64 { return c.Blocked + c.Lost }

// Received is the number of packets that reached the plane.
func (c Count) Received() uint64 { return c.Forwarded + c.Blocked + c.Lost + c.Failed }

// Episode is one time in which everything of a direction was dropped. Instants
// are real time and carry a monotonic reading.
type Episode struct {
	From  time.Time // the block began
	Until time.Time // the block ended; zero while it lasts
	// First and Last are the instants of the first and last dropped packet; zero
	// if no packet came.
	First, Last time.Time
	Dropped     uint64
}

// Duration is how long the block lasted; zero while it lasts.
func (e Episode) Duration() time.Duration {
	if e.Until.IsZero() {
		return 0
	}
	return e.Until.Sub(e.From)
}

// Truth returns what really happened so far, one entry for each flow in the
// order they were configured. The result is the caller's.
func (p *Plane) Truth() []Truth {
	out := make([]Truth, len(p.flows))
	for i, f := range p.flows {
		out[i] = f.truth()
	}
	return out
}

func (f *flow) truth() Truth {
	t := Truth{Flow: f.Name, Card: f.Card, Refused: f.refused.Load()}
	for d := range f.gates {
		g := &f.gates[d]
		g.mu.Lock()
		c := g.count
		c.Episodes = append([]Episode(nil), c.Episodes...)
		g.mu.Unlock()
		if Direction(d) == Forward {
			t.Forward = c
		} else {
			t.Reverse = c
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	t.Clients = len(f.clients)
	t.KernelDrops, t.KernelDropsKnown = f.gone, true
	add := func(n uint64, known bool) {
		t.KernelDrops += n
		t.KernelDropsKnown = t.KernelDropsKnown && known
	}
	if !f.closed {
		add(kernelDrops(f.conn))
	}
	for _, c := range f.clients {
		add(kernelDrops(c.up))
	}
	t.ReceiveBuffer = receiveBuffer(f.conn)
	return t
}
