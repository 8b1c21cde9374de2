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

// MaxRate is the highest rate of one flow in packets per second. Beyond it the
// pacing of an ordinary host is no longer steady.
const MaxRate = 10000

// maxTmax is the longest waiting threshold that a record can hold.
const maxTmax = 4 * time.Second

// ReflectorKind says whether the far end counts its replies by itself.
type ReflectorKind int

// The kinds of reflector.
const (
	// ReflectorUnknown as a setting means to find out: a throwaway session from
	// a port of its own begins with number 7, which a stateful reflector answers
	// with 0 and a stateless one with 7. As a result it means that nothing was
	// found out.
	ReflectorUnknown ReflectorKind = iota
	ReflectorStateful
	ReflectorStateless
)

var kindNames = [...]string{ReflectorUnknown: "unknown", ReflectorStateful: "stateful", ReflectorStateless: "stateless"}

// String returns "unknown", "stateful" or "stateless".
func (k ReflectorKind) String() string {
	if k < 0 || int(k) >= len(kindNames) {
		return fmt.Sprintf("ReflectorKind(%d)", int(k))
	}
	return kindNames[k]
}

// MarshalText writes the kind as String does.
func (k ReflectorKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (k *ReflectorKind) UnmarshalText(b []byte) error {
	i := slices.Index(kindNames[:], string(b))
	if i < 0 {
		return fmt.Errorf("probe: %q is no kind of reflector: write unknown, stateful or stateless", b)
	}
	*k = ReflectorKind(i)
	return nil
}

// Flow is one stream of test packets to one reflector.
type Flow struct {
	Name string
	// To is the reflector's host and port; without a port, 862.
	To string
	// From is the local address to send from; empty lets the system choose.
	From string
	// Ports is how many source ports the packets are spread over, in turn; zero
	// means 1. Each port is a session of its own, and in a network that spreads
	// flows over several paths, takes its own path.
	Ports int
	// SourcePort is the first of them, the others follow; zero lets the system
	// choose.
	SourcePort int
	// Rate is packets per second over all ports; zero means Config.Rate.
	Rate int
	// Reflector is what is known of the far end.
	Reflector ReflectorKind
}

// Config says what a sender sends. Only Flows is required.
type Config struct {
	Flows []Flow
	// Rate is packets per second in each flow, up to [MaxRate]; zero means 1000.
	Rate int
	// Size is the UDP payload in octets: 44, or 48 and more with an extra padding
	// extension; zero means 44.
	Size int
	// DSCP is put in every packet.
	DSCP uint8
	// Tmax is how long a reply is waited for, at most 4 s; zero means 2 s.
	// Source: RFC 7680 §2.8.2, waiting threshold.
	Tmax time.Duration
	// Spin is how long before each packet the sender stops sleeping and watches
	// the clock. Zero means 150 µs, and on a machine of two cores or fewer no
	// more than a quarter of the mean distance of two packets, so that something
	// is left for others. Below zero it never watches: packets are then up to a
	// millisecond late.
	Spin time.Duration
	// VoidAfter is the longest distance of two packets of one source port that is
	// not void; zero means [DefaultVoidAfter].
	VoidAfter time.Duration
	// Sustain and DelayThreshold are as in [Params].
	Sustain        int
	DelayThreshold time.Duration
	// Bucket is the width of the timeline's buckets; zero means 100 ms.
	Bucket time.Duration
	// SSID is the session number in every packet; zero draws one.
	SSID uint16

	clock      clock                       // tests replace it
	beforeSend func(flow int, slot uint64) // tests stall here
	beforeRead func()                      // tests hold the receivers here
	rcvbuf     int                         // tests make it small
}

func (c *Config) complete() error {
	if len(c.Flows) == 0 {
		return errors.New("probe: no flow to send")
	}
	if c.Rate == 0 {
		c.Rate = 1000
	}
	if c.Size == 0 {
		c.Size = BaseSize
	}
	if c.Size < BaseSize || c.Size > BaseSize && c.Size < BaseSize+tlvHeader || c.Size > maxPacket {
		return fmt.Errorf("probe: packet size %d octets: need 44, or 48 to %d", c.Size, maxPacket)
	}
	if c.DSCP > 63 {
		return fmt.Errorf("probe: DSCP %d: need 0 to 63", c.DSCP)
	}
	if c.Tmax == 0 {
		c.Tmax = 2 * time.Second
	}
	if c.Tmax < 0 || c.Tmax > maxTmax {
		return fmt.Errorf("probe: waiting threshold %v: need more than 0 and at most %v", c.Tmax, maxTmax)
	}
	if c.Bucket == 0 {
		c.Bucket = 100 * time.Millisecond
	}
	if c.Bucket < 0 || c.VoidAfter < 0 || c.Sustain < 0 || c.DelayThreshold < 0 {
		return errors.New("probe: bucket, void threshold, sustain count and delay threshold must not be negative")
	}
	if c.rcvbuf == 0 {
		c.rcvbuf = 1 << 20
	}
	c.Flows = slices.Clone(c.Flows)
	names := make(map[string]bool)
	for i := range c.Flows {
		f := &c.Flows[i]
		if f.Name == "" {
			f.Name = f.To
		}
		if names[f.Name] {
			return fmt.Errorf("probe: two flows are named %q", f.Name)
		}
		names[f.Name] = true
		if f.Ports == 0 {
			f.Ports = 1
		}
		if f.Rate == 0 {
			f.Rate = c.Rate
		}
		switch {
		case f.To == "":
			return fmt.Errorf("probe: flow %q has no target", f.Name)
		case f.Rate < 1 || f.Rate > MaxRate:
			return fmt.Errorf("probe: flow %q: rate %d packets/s: need 1 to %d", f.Name, f.Rate, MaxRate)
		case f.Ports < 1 || f.Ports > 1024 || f.SourcePort < 0 || f.SourcePort > 0 && f.SourcePort+f.Ports > 1<<16:
			return fmt.Errorf("probe: flow %q: %d source ports from %d: need 1 to 1024 below 65536", f.Name, f.Ports, f.SourcePort)
		}
	}
	return nil
}

// spinFor is the effective spin window.
func (c *Config) spinFor(cores int) time.Duration {
	switch {
	case c.Spin < 0:
		return 0
	case c.Spin > 0:
		return c.Spin
	}
	spin := 150 * time.Microsecond
	if cores > 2 {
		return spin
	}
	rate := 0
	for _, f := range c.Flows {
		rate += f.Rate
	}
	return min(spin, time.Second/time.Duration(rate)/4)
}

// Sender measures one or more flows. Make one with [NewSender], then call
// Start and Stop; Live and Mark may be called between them from any goroutine.
type Sender struct {
	cfg   Config
	flows []*flow
	clock clock
	base  time.Time

	stopping atomic.Bool
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
	index                        int
	target                       *net.UDPAddr
	paced                        pacedFlow
	streams                      []*stream
	kind                         atomic.Int32 // ReflectorKind
	timeline                     timeline     // under Sender.mu
	delay                        histogram    // under Sender.mu
	lateness                     histogram    // the pacing goroutine's until it ends
	skipped                      uint64       // the same
	outages                      []Outage     // under Sender.mu, as the next three
	voids                        []Void
	omittedOutages, omittedVoids uint64
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
	fresh bool   // nothing folded yet
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
		f := &flow{Flow: def, index: i, target: target, timeline: timeline{width: cfg.Bucket}}
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
	go func() {
		// The thread is never unlocked and so ends with this goroutine, together
		// with the precedence it was given.
		runtime.LockOSThread()
		readyThread()
		defer close(s.paced)
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
	f.skipped += skipped
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
		now, wall := s.clock.now(), time.Now()
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

// quiet is how many packets in a row must have come back, in order, for the
// records before them to be closed: nothing that happens later can change what
// they say.
const quiet = 64

func (s *Sender) params(f *flow) Params {
	return Params{
		Interval: f.interval(), VoidAfter: s.cfg.VoidAfter, Sustain: s.cfg.Sustain,
		DelayThreshold: s.cfg.DelayThreshold, Stateful: ReflectorKind(f.kind.Load()) == ReflectorStateful,
	}
}

// fold moves old records of a stream into its sums, so that a measurement of
// any length needs little memory.
func (s *Sender) fold(st *stream) {
	now := s.clock.now()
	if ReflectorKind(st.flow.kind.Load()) == ReflectorUnknown && now < 30*time.Second {
		return // it may yet be found out
	}
	w := st.records.window(st.cut, now-s.cfg.Tmax)
	if w.Len() < 2*chunkLen {
		return
	}
	// Packets before the first pending one are settled.
	settled := 0
	for ; settled < w.Len(); settled++ {
		if x := w.At(settled); x.Pending {
			break
		}
	}
	want := quiet
	switch { // while there is steady loss, less has to do
	case w.Len() > 1<<18:
		want = 1
	case w.Len() > 1<<16:
		want = 8
	}
	stateful := s.params(st.flow).Stateful
	row := 0
	for i := settled - 1; i > chunkLen; i-- {
		x, before := w.At(i), w.At(i-1)
		if x.Answered && before.Answered && (!stateful || before.Reflector+1 == x.Reflector) {
			row++
		} else {
			row = 0
		}
		if row == want {
			s.close(st, w.upTo(i+want))
			return
		}
	}
}

// close folds the samples of w; the last of them becomes the next anchor.
func (s *Sender) close(st *stream, w window) {
	f := st.flow
	p := s.params(f)
	p.Anchored = !st.fresh
	p.Each = func(x *Sample, fate Fate) {
		f.timeline.count(x.Sent, fate)
		if fate == FateAnswered {
			f.delay.add(x.delay())
		}
	}
	a := Analyse(w, p)
	st.sum.add(a.Totals)
	for _, o := range a.Outages {
		o.Flow, o.Port = f.Name, st.port
		f.outages = append(f.outages, o)
	}
	for _, v := range a.Voids {
		v.Flow, v.Port = f.Name, st.port
		f.voids = append(f.voids, v)
	}
	if len(f.outages) > 2*MaxListed {
		f.trim()
	}
	if len(f.voids) > 2*MaxListed {
		f.trim()
	}
	st.fresh = false
	st.cut = w.to - 1
	st.records.freed.Store(st.cut / chunkLen)
}

// trim keeps the longest outages and voids.
func (f *flow) trim() {
	if n := len(f.outages) - MaxListed; n > 0 {
		slices.SortFunc(f.outages, func(a, b Outage) int {
			if a.longer(b) {
				return -1
			}
			return 1
		})
		f.outages = f.outages[:MaxListed]
		f.omittedOutages += uint64(n)
	}
	if n := len(f.voids) - MaxListed; n > 0 {
		slices.SortFunc(f.voids, func(a, b Void) int { return int(max(min(b.Untested-a.Untested, 1), -1)) })
		f.voids = f.voids[:MaxListed]
		f.omittedVoids += uint64(n)
	}
}

// FlowLive is the state of a flow while it is measured.
type FlowLive struct {
	Name      string        `json:"name"`
	Reflector ReflectorKind `json:"reflector"`
	// Totals hold what is known so far. A loss younger than Tmax is counted when
	// a later packet has been answered, and may still be taken back.
	Totals
	// Open is for how long replies have been missing now, on the worst source
	// port; nobody knows yet on which way, nor whether they will still come.
	// Times in which the sender did not send are left out.
	Open time.Duration `json:"open_ns"`
	// Trouble is why the flow has ended; empty while it runs.
	Trouble string `json:"trouble,omitempty"`
}

// Worst is the longest outage so far in any direction, the open one included,
// for which the direction is [RoundTrip].
func (f FlowLive) Worst() (time.Duration, Direction) {
	worst, d := f.Open, RoundTrip
	for _, dir := range []Direction{RoundTrip, Forward, Reverse} {
		if l := f.Direction(dir).Longest; l > worst {
			worst, d = l, dir
		}
	}
	return worst, d
}

// Live returns the state of each flow, in the order of the configuration. It
// costs some microseconds per flow in quiet times. Before Start it returns
// zeros.
func (s *Sender) Live() []FlowLive {
	s.mu.Lock()
	defer s.mu.Unlock()
	live := make([]FlowLive, len(s.flows))
	for i, f := range s.flows {
		l := &live[i]
		l.Name, l.Reflector = f.Name, ReflectorKind(f.kind.Load())
		for _, st := range f.streams {
			l.add(st.sum)
			if why := st.ended.Load(); why != nil {
				l.Trouble = *why
			}
			if !s.started || s.result != nil {
				continue
			}
			now := s.clock.now()
			p := s.params(f)
			p.Anchored = !st.fresh
			w := st.records.window(st.cut, now-s.cfg.Tmax)
			l.add(Analyse(w, p).Totals)
			if open := Overdue(w, p, now); open > l.Open && unread(st.conn) == 0 {
				l.Open = open
			}
		}
	}
	return live
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
		s.result = s.finish()
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
	openEnd = w.Len() > 0
	for i := w.Len() - 1; i >= 0; i-- {
		x := w.At(i)
		if x.Answered {
			openEnd = false
		} else if x.Pending && !x.Closing && !x.Unreachable {
			pending = true
		}
		if x.Sent < youngest {
			break
		}
	}
	return pending, openEnd
}

// finish folds what is left and builds the result.
func (s *Sender) finish() *Result {
	r := &Result{Start: s.base, Tmax: s.cfg.Tmax, Size: s.cfg.Size, KernelTimestamps: kernelTimestamps}
	for _, m := range s.marks {
		r.Marks = append(r.Marks, Mark{Label: m.label, At: m.at.Sub(s.base)})
	}
	for _, f := range s.flows {
		fr := FlowResult{
			Name: f.Name, To: f.target.String(), Rate: f.Rate, Ports: f.Ports, Resolution: f.interval(),
			Reflector: ReflectorKind(f.kind.Load()),
		}
		for _, st := range f.streams {
			// Nothing is pending any more: what has no answer is lost.
			if w := st.records.window(st.cut, math.MaxInt64); w.Len() > 0 {
				for i := w.Len() - 1; i >= 0; i-- {
					if x := w.At(i); !x.Closing {
						r.Length = max(r.Length, x.Sent)
						break
					}
				}
				s.close(st, w)
			}
			fr.add(st.sum)
			fr.Duplicates += st.duplicates.Load()
			fr.TooLate += st.tooLate.Load()
			fr.Strange += st.strange.Load()
			if why := st.ended.Load(); why != nil {
				fr.Trouble = *why
			}
		}
		f.trim()
		slices.SortFunc(f.outages, func(a, b Outage) int { return int(max(min(a.Start-b.Start, 1), -1)) })
		slices.SortFunc(f.voids, func(a, b Void) int { return int(max(min(a.From-b.From, 1), -1)) })
		phases(f.outages, r.Marks)
		fr.Outages, fr.OutagesOmitted = f.outages, f.omittedOutages
		fr.Voids, fr.VoidsOmitted = f.voids, f.omittedVoids
		fr.TPLTime = TPLTime(fr.Lost, float64(f.Rate))
		fr.LossRatio, _ = LossRatio(fr.Lost, fr.Sent-fr.Voided)
		fr.Delay, fr.Lateness, fr.Skipped = f.delay.spread(), f.lateness.spread(), f.skipped
		fr.BucketWidth, fr.Buckets = f.timeline.width, f.timeline.buckets
		r.Flows = append(r.Flows, fr)
	}
	return r
}
