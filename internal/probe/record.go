package probe

import (
	"math"
	"sync/atomic"
	"time"
)

// chunkLen is the number of packets in one chunk of records; a chunk is 128 KiB.
const chunkLen = 4096

// chunk holds one piece of each column. The first three belong to the sending
// goroutine and are readable below records.sent; the others to the receiving
// goroutine and are readable when the state says answered.
type chunk struct {
	slot  [chunkLen]uint32
	late  [chunkLen]int32         // ns between due and sent
	state [chunkLen]atomic.Uint32 // see stateAnswered
	trip  [chunkLen]uint32        // T4 − T1, ns
	shift [chunkLen]int32         // T2 − T1 against the first answered packet, 100 ns
	dwell [chunkLen]uint32        // T3 − T2, ns
	count [chunkLen]uint32        // the reflector's number
}

// The layout of a packet's state: 8 flags, 8 bits of further answers with their
// own numbers, 16 bits of own drops.
const (
	stateAnswered uint32 = 1 << iota
	stateReached
	stateDuplicated
	stateClosing
	stateUnreachable
	stateRefused

	againShift = 8
	dropsShift = 16
)

// directory is an immutable list of chunks; the first of them is number base.
type directory struct {
	base   uint32
	chunks []*chunk
}

// records are the packets of one stream, 28 octets each, in columns. One
// goroutine calls begin, another answer, any number read. No call waits for
// another one, so that reading never makes the sender late.
type records struct {
	dir   atomic.Pointer[directory]
	sent  atomic.Uint32 // packets begun
	freed atomic.Uint32 // chunks below this number are no longer needed
	spare chan *chunk   // made ahead, so that the sender need not
	// due turns a slot number into the time it was meant for.
	due func(slot uint32) time.Duration

	zero        Timestamp     // receiver's: T2 of the first reply that had one
	baseReached time.Duration // receiver's: T2 − T1 of the first answered packet
	baseKnown   bool
}

func newRecords(due func(uint32) time.Duration) *records {
	r := &records{due: due, spare: make(chan *chunk, 1)}
	r.dir.Store(&directory{})
	return r
}

// begin records that packet number sent is about to leave and returns its
// number; ok is false when the numbers of the session are used up.
func (r *records) begin(slot uint32, late time.Duration, closing bool) (seq uint32, ok bool) {
	seq = r.sent.Load()
	if seq == math.MaxUint32 {
		return 0, false
	}
	d := r.dir.Load()
	if int(seq/chunkLen-d.base) == len(d.chunks) {
		d = r.grow(d)
	}
	c, k := d.chunks[seq/chunkLen-d.base], seq%chunkLen
	c.slot[k] = slot
	c.late[k] = int32(min(max(late, math.MinInt32), math.MaxInt32))
	if closing {
		c.state[k].Store(stateClosing)
	}
	r.sent.Store(seq + 1)
	return seq, true
}

// grow adds a chunk and leaves the ones behind that are no longer needed.
func (r *records) grow(d *directory) *directory {
	var c *chunk
	select {
	case c = <-r.spare:
	default:
		c = new(chunk)
	}
	drop := min(int(r.freed.Load()-d.base), len(d.chunks))
	next := &directory{base: d.base + uint32(drop)}
	next.chunks = append(append(make([]*chunk, 0, len(d.chunks)-drop+1), d.chunks[drop:]...), c)
	r.dir.Store(next)
	return next
}

// provide keeps one chunk ready; the sender's helper calls it now and then.
func (r *records) provide() {
	if len(r.spare) == 0 && r.sent.Load()%chunkLen > chunkLen/4 {
		select {
		case r.spare <- new(chunk):
		default:
		}
	}
}

// place finds packet seq; the chunk is nil when it was never sent or is freed.
func (r *records) place(seq uint32) (*chunk, uint32) {
	if seq >= r.sent.Load() {
		return nil, 0
	}
	d := r.dir.Load()
	if seq/chunkLen < max(d.base, r.freed.Load()) {
		return nil, 0
	}
	return d.chunks[seq/chunkLen-d.base], seq % chunkLen
}

// flag adds flags to the state of a packet.
func (r *records) flag(seq uint32, flags uint32) {
	if c, k := r.place(seq); c != nil {
		c.state[k].Or(flags)
	}
}

// sentAt is T1 of a packet since the start.
func (r *records) sentAt(c *chunk, k uint32) time.Duration {
	return r.due(c.slot[k]) + time.Duration(c.late[k])
}

// reply is what the receiver learned from one reply.
type reply struct {
	seq     uint32
	number  uint32        // the reflector's
	arrived time.Duration // T4 since the start
	reached time.Duration // T2 from some zero of the reflector's
	dwell   time.Duration // T3 − T2
	timed   bool          // reached and dwell are believable
	drops   uint32
}

// verdicts of answer.
type answerKind int

const (
	answerNew answerKind = iota
	answerAgain
	answerLate
	answerUnknown
)

// answer records a reply. A packet answered before stays as it was.
func (r *records) answer(p reply, tmax time.Duration) answerKind {
	if p.seq >= r.sent.Load() {
		return answerUnknown
	}
	c, k := r.place(p.seq)
	if c == nil {
		return answerLate
	}
	state := c.state[k].Load()
	if state&stateAnswered != 0 {
		c.state[k].Or(stateDuplicated)
		if c.count[k] != p.number && state>>againShift&math.MaxUint8 < math.MaxUint8 {
			c.state[k].Add(1 << againShift)
		}
		return answerAgain
	}
	sent := r.sentAt(c, k)
	trip := max(p.arrived-sent, 0)
	if trip > tmax {
		return answerLate
	}
	c.trip[k] = uint32(trip)
	c.count[k] = p.number
	bits := stateAnswered | min(p.drops, math.MaxUint16)<<dropsShift
	if p.timed {
		if !r.baseKnown {
			r.baseReached, r.baseKnown = p.reached-sent, true
		}
		shift := (p.reached - sent - r.baseReached) / 100
		if shift.Abs() < math.MaxInt32 && p.dwell >= 0 && p.dwell <= math.MaxUint32 {
			c.shift[k] = int32(shift)
			c.dwell[k] = uint32(p.dwell)
			bits |= stateReached
		}
	}
	c.state[k].Or(bits)
	return answerNew
}

// window is a range of records as Samples. Unanswered packets sent after
// youngest are pending.
type window struct {
	r        *records
	dir      *directory
	from, to uint32
	youngest time.Duration
}

// window returns the packets from the given number on. Samples of freed chunks
// must not be asked for.
func (r *records) window(from uint32, youngest time.Duration) window {
	to := r.sent.Load()
	return window{r: r, dir: r.dir.Load(), from: from, to: max(to, from), youngest: youngest}
}

// Len returns the number of samples.
func (w window) Len() int { return int(w.to - w.from) }

// upTo is the window without the samples from i on.
func (w window) upTo(i int) window {
	w.to = w.from + uint32(i)
	return w
}

// At returns sample i.
func (w window) At(i int) Sample {
	seq := w.from + uint32(i)
	c, k := w.dir.chunks[seq/chunkLen-w.dir.base], seq%chunkLen
	state := c.state[k].Load()
	s := Sample{
		Sent:        w.r.sentAt(c, k),
		Answered:    state&stateAnswered != 0,
		Closing:     state&stateClosing != 0,
		Unreachable: state&stateUnreachable != 0,
		Duplicated:  state&stateDuplicated != 0,
		Refused:     state&stateRefused != 0,
	}
	if !s.Answered {
		s.Pending = s.Sent > w.youngest
		return s
	}
	s.Reflector = c.count[k]
	s.Again = uint8(state >> againShift)
	s.OwnDrops = state >> dropsShift
	s.RoundTrip = time.Duration(c.trip[k])
	if state&stateReached != 0 {
		s.HasReached = true
		s.Reached = s.Sent + time.Duration(c.shift[k])*100
		s.Dwell = time.Duration(c.dwell[k])
	}
	return s
}
