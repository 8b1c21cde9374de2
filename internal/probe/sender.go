package probe

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// Sender measures one or more flows. Make one with [NewSender], then call
// Start and Stop; Live and Mark may be called between them from any goroutine.
type Sender struct {
	cfg   Config
	flows []*flow
	clock clock
	base  time.Time

	stopping atomic.Bool
	realTime atomic.Bool
	paced    chan struct{} // closed when the pacing goroutine has ended
	done     chan struct{} // closed when helpers should end
	progress chan struct{} // a reply has come
	wg       sync.WaitGroup

	mu      sync.Mutex // guards what follows and all folding
	started bool
	forget  func() bool // lets the context of Start go
	marks   []mark
	result  *Result
}

// mark is a Mark before the start is known.
type mark struct {
	label string
	at    time.Time
}

// flow is the working state of a Flow.
type flow struct {
	Flow
	index    int
	target   *net.UDPAddr
	paced    pacedFlow
	streams  []*stream
	kind     atomic.Int32 // ReflectorKind
	lateness sharedHistogram
	skipped  atomic.Uint64
	tally    tally // under Sender.mu
}

// tally is what is kept of the packets of a flow when their records are gone.
type tally struct {
	timeline       timeline
	delay          histogram
	outages        []Outage
	voids          []Void
	omittedOutages uint64
	omittedVoids   uint64
}

func (t *tally) clone() *tally {
	c := *t
	c.timeline.buckets = slices.Clone(t.timeline.buckets)
	c.outages, c.voids = slices.Clone(t.outages), slices.Clone(t.voids)
	return &c
}

func (f *flow) interval() time.Duration {
	return time.Duration(f.Ports) * time.Second / time.Duration(f.Rate)
}

// stream is one source port of a flow.
type stream struct {
	flow    *flow
	conn    *net.UDPConn
	out     *sendOn
	port    uint16
	head    SenderPacket // the next packet's
	packet  []byte
	records *records
	ended   atomic.Pointer[string]

	duplicates, tooLate, strange atomic.Uint64

	cut   uint32 // first sample not folded; it is the anchor when totals has any
	sum   Totals // of everything folded
	clean time.Duration
	fresh bool // nothing folded yet
}

// NewSender checks the configuration, finds the targets and opens one socket
// for each source port. Nothing is sent yet. A failed sender needs no closing;
// one that is never started must be closed with [Sender.Stop].
func NewSender(cfg Config) (_ *Sender, err error) {
	if err := cfg.complete(); err != nil {
		return nil, err
	}
	s := &Sender{cfg: cfg, paced: make(chan struct{}), done: make(chan struct{}), progress: make(chan struct{}, 1)}
	defer func() {
		if err != nil {
			s.closeSockets()
		}
	}()
	synchronised, e := clockQuality()
	estimate := NewErrorEstimate(e, synchronised)
	ssid := cfg.SSID
	if ssid == 0 {
		ssid = uint16(1 + rand.IntN(math.MaxUint16))
	}
	for i, def := range cfg.Flows {
		target, err := net.ResolveUDPAddr("udp", withPort(def.To))
		if err != nil {
			return nil, fmt.Errorf("probe: flow %q: target %q: %w", def.Name, def.To, err)
		}
		f := &flow{Flow: def, index: i, target: target, tally: tally{timeline: timeline{width: cfg.Bucket}}}
		f.kind.Store(int32(def.Reflector))
		f.paced = pacedFlow{
			rate: uint64(f.Rate),
			// Flows are spread over one interval, so that they do not leave
			// together.
			offset: time.Duration(i) * time.Second / time.Duration(f.Rate) / time.Duration(len(cfg.Flows)),
			send:   func(slot uint64, late time.Duration, skipped uint64) { s.send(f, slot, late, skipped) },
		}
		s.flows = append(s.flows, f)
		for k := range def.Ports {
			port := 0
			if def.SourcePort > 0 {
				port = def.SourcePort + k
			}
			st, err := newStream(f, port, cfg)
			if err != nil {
				return nil, fmt.Errorf("probe: flow %q: %w", def.Name, err)
			}
			st.head = SenderPacket{Estimate: estimate, SSID: ssid}
			f.streams = append(f.streams, st)
		}
	}
	return s, nil
}

func newStream(f *flow, port int, cfg Config) (*stream, error) {
	local, err := net.ResolveUDPAddr("udp", net.JoinHostPort(f.From, fmt.Sprint(port)))
	if err != nil {
		return nil, fmt.Errorf("source %q: %w", f.From, err)
	}
	conn, err := net.DialUDP("udp", local, f.target)
	if err != nil {
		return nil, err
	}
	st := &stream{flow: f, conn: conn, port: uint16(conn.LocalAddr().(*net.UDPAddr).Port), fresh: true}
	if err := configure(conn, socketOptions{receiveBuffer: cfg.rcvbuf, dscp: cfg.DSCP}); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	if st.out, err = newSendOn(conn); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	st.packet = make([]byte, BaseSize, cfg.Size)
	if cfg.Size > BaseSize {
		st.packet = AppendTLV(st.packet, ExtraPadding, make([]byte, cfg.Size-BaseSize-tlvHeader))
	}
	st.records = newRecords(func(slot uint32) time.Duration { return f.paced.due(uint64(slot)) })
	return st, nil
}

func (s *Sender) streams(yield func(*stream) bool) {
	for _, f := range s.flows {
		for _, st := range f.streams {
			if !yield(st) {
				return
			}
		}
	}
}

func (s *Sender) closeSockets() {
	for st := range s.streams {
		_ = st.conn.Close()
	}
}

// Start begins to send and returns at once. When ctx ends, sending ends as with
// Stop, which must be called in any case. The error tells that it was started
// or stopped before.
func (s *Sender) Start(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.started || s.result != nil {
		return errors.New("probe: this sender was started before")
	}
	var batches []*batch
	for st := range s.streams {
		b, err := newBatch(st.conn, 32, max(s.cfg.Size, BaseSize)+64)
		if err != nil {
			return err
		}
		batches = append(batches, b)
	}
	s.started = true
	s.base = time.Now()
	s.clock = s.cfg.clock
	if s.clock == nil {
		s.clock = &spinClock{base: s.base, spin: s.cfg.spinFor(runtime.NumCPU())}
	}
	for st := range s.streams {
		b := batches[0]
		batches = batches[1:]
		s.wg.Go(func() { s.receive(st, b) })
	}
	for _, f := range s.flows {
		if f.Reflector == ReflectorUnknown {
			s.wg.Go(func() { s.findKind(f) })
		}
	}
	s.wg.Go(s.keepHouse)
	s.forget = context.AfterFunc(ctx, func() { s.stopping.Store(true) })
	if !s.cfg.Gentle {
		// One slot more than before, since the sender keeps one to itself.
		runtime.GOMAXPROCS(runtime.GOMAXPROCS(0) + 1)
	}
	go func() {
		defer close(s.paced)
		if !s.cfg.Gentle {
			defer func() { runtime.GOMAXPROCS(max(runtime.GOMAXPROCS(0)-1, 1)) }()
			// The thread is never unlocked and so ends with this goroutine, together
			// with the precedence it was given.
			runtime.LockOSThread()
			s.realTime.Store(readyThread())
		}
		flows := make([]*pacedFlow, len(s.flows))
		for i, f := range s.flows {
			flows[i] = &f.paced
		}
		pace(flows, s.clock, &s.stopping)
	}()
	return nil
}

// send sends one slot of a flow. It runs on the pacing goroutine and neither
// waits nor allocates, but for one chunk in 4096 packets when none is ready.
func (s *Sender) send(f *flow, slot uint64, late time.Duration, skipped uint64) {
	st := f.streams[slot%uint64(len(f.streams))]
	if s.cfg.beforeSend != nil {
		s.cfg.beforeSend(f.index, slot)
	}
	f.lateness.add(late)
	f.skipped.Add(skipped)
	if slot > math.MaxUint32 {
		st.end("slot numbers are used up")
		return
	}
	s.transmit(st, uint32(slot), false)
}

func (st *stream) end(why string) { st.ended.CompareAndSwap(nil, &why) }

// transmit sends the next packet of a stream.
func (s *Sender) transmit(st *stream, slot uint32, closing bool) {
	if st.ended.Load() != nil {
		return
	}
	seq, ok := st.records.begin(slot, s.clock.now()-st.records.due(slot), closing)
	if !ok {
		st.end("sequence numbers are used up")
		return
	}
	st.head.Sequence, st.head.Timestamp = seq, NTP(time.Now())
	st.head.Put(st.packet)
	err := st.out.send(st.packet)
	if troubleOf(err) == troublePending {
		err = st.out.send(st.packet)
	}
	switch troubleOf(err) {
	case troubleNone, troublePending:
	case troubleUnreachable:
		st.records.flag(seq, stateUnreachable)
	case troubleHost:
		st.records.flag(seq, stateRefused)
	}
}

// receive reads the replies of one stream.
func (s *Sender) receive(st *stream, b *batch) {
	var drops, fresh uint32
	for {
		if s.cfg.beforeRead != nil {
			s.cfg.beforeRead()
		}
		msgs, err := b.read()
		if err != nil {
			if errors.Is(err, net.ErrClosed) {
				return
			}
			if transient(err) {
				continue
			}
			st.end(fmt.Sprintf("cannot receive on port %d: %v", st.port, err))
			return
		}
		now, wall := together(s.clock)
		for i := range msgs {
			m := &msgs[i]
			fresh += m.drops - drops
			drops = m.drops
			arrived := now
			if !m.stamp.IsZero() {
				// The age and not the stamp is used, so that a step of the clock
				// between packets does no harm.
				if age := wall.Sub(m.stamp); age > 0 && age < maxTmax {
					arrived = now - age
				}
			}
			if st.take(m.data, arrived, fresh, s.cfg.Tmax) {
				fresh = 0
			}
		}
		select {
		case s.progress <- struct{}{}:
		default:
		}
	}
}

// together reads both clocks as nearly at once as the machine lets us: whatever
// it does between the two would go into every delay.
func together(c clock) (now time.Duration, wall time.Time) {
	const near = 20 * time.Microsecond
	best := time.Duration(math.MaxInt64)
	for range 8 {
		before := c.now()
		at := time.Now()
		if d := c.now() - before; d < best {
			best, now, wall = d, before+d/2, at
		}
		if best < near {
			break
		}
	}
	return now, wall
}

// take records one datagram and reports whether it was the first answer to a
// packet.
func (st *stream) take(data []byte, arrived time.Duration, drops uint32, tmax time.Duration) bool {
	p, err := ParseReflector(data)
	if err != nil || p.SSID != 0 && p.SSID != st.head.SSID {
		st.strange.Add(1)
		return false
	}
	r := reply{seq: p.SenderSequence, number: p.Sequence, arrived: arrived, drops: drops}
	if p.Receive != 0 && p.Estimate.Valid() {
		t2, t3 := p.Receive, p.Timestamp
		if p.Estimate.PTP() {
			t2, t3 = t2.FromPTP(), t3.FromPTP()
		}
		if st.records.zero == 0 {
			st.records.zero = t2
		}
		r.reached, r.dwell, r.timed = t2.Sub(st.records.zero), t3.Sub(t2), true
	}
	switch st.records.answer(r, tmax) {
	case answerNew:
		if p.Sequence != p.SenderSequence {
			// A stateless reflector never does that.
			st.flow.kind.CompareAndSwap(int32(ReflectorUnknown), int32(ReflectorStateful))
		}
		return true
	case answerAgain:
		st.duplicates.Add(1)
	case answerLate:
		st.tooLate.Add(1)
	case answerUnknown:
		st.strange.Add(1)
	}
	return false
}

// findKind finds out whether a flow's reflector counts by itself, by a session
// of its own that does not begin with zero.
func (s *Sender) findKind(f *flow) {
	local, err := net.ResolveUDPAddr("udp", net.JoinHostPort(f.From, "0"))
	if err != nil {
		return
	}
	conn, err := net.DialUDP("udp", local, f.target)
	if err != nil {
		return
	}
	defer func() { _ = conn.Close() }()
	ended := make(chan struct{})
	defer close(ended)
	go func() {
		select {
		case <-s.done:
			_ = conn.Close()
		case <-ended:
		}
	}()
	const first = 7
	ssid := f.streams[0].head.SSID
	request, answer := make([]byte, BaseSize), make([]byte, maxPacket)
	for seq := uint32(first); ; seq++ {
		SenderPacket{Sequence: seq, Timestamp: NTP(time.Now()), Estimate: NewErrorEstimate(0, false), SSID: ssid}.Put(request)
		// A refused or lost packet is tried again; the reader below sets the pace.
		_, _ = conn.Write(request)
		wait := 250 * time.Millisecond
		if seq > first+8 {
			wait = time.Second
		}
		deadline := time.Now().Add(wait)
		_ = conn.SetReadDeadline(deadline)
		for time.Now().Before(deadline) {
			n, err := conn.Read(answer)
			if errors.Is(err, net.ErrClosed) {
				return
			}
			p, bad := ParseReflector(answer[:n])
			if err != nil || bad != nil || p.SenderSequence < first || p.SenderSequence > seq {
				continue
			}
			kind := ReflectorStateful
			if p.Sequence == p.SenderSequence {
				kind = ReflectorStateless
			}
			f.kind.CompareAndSwap(int32(ReflectorUnknown), int32(kind))
			return
		}
	}
}

// keepHouse keeps chunks ready and folds old records until done.
func (s *Sender) keepHouse() {
	t := time.NewTicker(250 * time.Millisecond)
	defer t.Stop()
	for {
		select {
		case <-s.done:
			return
		case <-t.C:
			for st := range s.streams {
				st.records.provide()
			}
			s.mu.Lock()
			for st := range s.streams {
				s.fold(st)
			}
			s.mu.Unlock()
		}
	}
}

// Mark puts a label on the timeline. The labels that [Result.Report] knows are
// constants, any other is shown as it is.
func (s *Sender) Mark(label string, at time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.marks = append(s.marks, mark{label, at})
}

// Stop ends the measurement: it stops sending, waits up to Tmax for the replies
// that are still missing, closes the sockets and returns the result. While it
// waits it sends closing packets, which are not counted, where the last packets
// had no answer, so that their direction can be told. A second call returns the
// same result.
func (s *Sender) Stop() Result {
	s.stopping.Store(true)
	s.mu.Lock()
	started, result := s.started, s.result
	s.mu.Unlock()
	if result != nil {
		return *result
	}
	if started {
		<-s.paced
		s.drain()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.result != nil { // another call was faster
		return *s.result
	}
	select {
	case <-s.done:
	default:
		close(s.done)
	}
	s.closeSockets()
	if s.forget != nil {
		s.forget()
	}
	s.mu.Unlock()
	s.wg.Wait()
	s.mu.Lock()
	if s.result == nil {
		// Nothing is pending any more: what has no answer is lost. The sums are
		// brought up to date too, for Live.
		s.result = s.build(math.MaxInt64)
		for st := range s.streams {
			if w := st.records.window(st.cut, math.MaxInt64); s.started && w.Len() > 0 {
				s.close(st, w)
			}
		}
	}
	return *s.result
}

// drain waits for missing replies.
func (s *Sender) drain() {
	end := s.clock.now() + s.cfg.Tmax
	deadline := time.NewTimer(s.cfg.Tmax)
	defer deadline.Stop()
	closer := time.NewTicker(100 * time.Millisecond)
	defer closer.Stop()
	closing := true // send closing packets now
	for {
		waiting := false
		now := s.clock.now()
		s.mu.Lock()
		for st := range s.streams {
			pending, openEnd := st.missing(now - s.cfg.Tmax)
			waiting = waiting || pending
			if closing && openEnd && now < end {
				s.transmit(st, uint32(st.flow.paced.latest(now)), true)
			}
		}
		s.mu.Unlock()
		closing = false
		if !waiting {
			return
		}
		select {
		case <-s.progress:
		case <-closer.C:
			closing = true
		case <-deadline.C:
			return
		}
	}
}

// missing reports whether a measured packet is still pending, and whether
// nothing after the last measured packets has been answered.
func (st *stream) missing(youngest time.Duration) (pending, openEnd bool) {
	w := st.records.window(st.cut, youngest)
	answered := false // a packet after this one was
	for i := w.Len() - 1; i >= 0; i-- {
		x := w.At(i)
		switch {
		case x.Answered:
			answered = true
		case x.Closing || x.Refused:
		default:
			openEnd = openEnd || !answered
			pending = pending || x.Pending && !x.Unreachable
		}
		if x.Sent < youngest {
			break
		}
	}
	return pending, openEnd
}
