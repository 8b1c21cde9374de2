package neighbour

import (
	"container/heap"
	"math/rand/v2"
	"time"
)

// side tells the two ends of an adjacency apart.
type side int

const (
	device side = iota // the chassis
	far                // its neighbour
)

func (s side) other() side { return 1 - s }

// adjacency is one running adjacency.
type adjacency struct {
	cfg    Config
	key    string
	ends   [2]*end
	failed bool // its path is gone for ever
	cards  int  // how many times its card has been taken down
	dark   bool // the chassis lost power: its links are down

	// What the far end saw of the last silence.
	watch watch
}

// end is one side of an adjacency.
type end struct {
	adj     *adjacency
	side    side
	machine Machine
	view    View
	since   time.Time // last change of view.Up
	ups     uint64
	link    bool // as last told to the machine

	started bool

	frozen bool
	inbox  []letter // what came while frozen
	thawAt time.Time
	how    mode
	// gaps are the connections of which a lost segment is on its way again, by
	// when it comes: until then nothing sent later is read from them.
	gaps map[uint64]time.Time

	lastHeard time.Time

	item
}

// letter is a message or a call that waits for a frozen end.
type letter struct {
	at   time.Time
	msg  Message
	call func(m Machine, now time.Time)
}

// mode is what a wake-up does to one end.
type mode int

const (
	modeNone     mode = iota // was never frozen
	modeNonstop              // goes on with all its state
	modeGraceful             // restarts, keeps forwarding, says so
	modeCold                 // restarts from nothing
)

func (m mode) String() string {
	switch m {
	case modeNonstop:
		return "nonstop"
	case modeGraceful:
		return "graceful"
	case modeCold:
		return "cold"
	default:
		return "awake"
	}
}

// watch is what is known of an adjacency through a silence.
type watch struct {
	on       bool
	settled  bool
	from     time.Time // of the silence
	wake     time.Time // of the chassis; zero while it sleeps
	until    time.Time // nothing after this is the silence's doing
	how      mode
	carrying bool // the far end carried traffic when the silence began
	detect   time.Duration
	gap      time.Duration
	gapFrom  time.Time
	closed   bool // the gap is over
	lostAt   time.Time
	backAt   time.Time
	why      string
	ownDrop  bool
	restarts uint64 // of the far machine, when the silence began
	helped   bool
}

// item is something that happens at an instant: an end's timer or the arrival
// of a message.
type item struct {
	at    time.Time
	order uint64
	index int // in the heap, -1 when not in it
	end   *end
	msg   Message // nil for an end's own timer
}

// engine runs adjacencies in virtual time that somebody else moves on. It
// handles every event at its own instant. It is not safe for concurrent use.
type engine struct {
	now   time.Time
	order uint64
	queue itemHeap
	adjs  []*adjacency
	byKey map[string]*adjacency
	rng   *rand.Rand

	asleep  bool
	changes []Change
	quiet   bool // no changes are told: the set is coming up
}

// newEngine makes the adjacencies, none of them started. The configurations
// have been checked.
func newEngine(now time.Time, rng *rand.Rand, cfgs []Config) *engine {
	e := &engine{now: now, rng: rng, byKey: map[string]*adjacency{}}
	for _, c := range cfgs {
		if c.Latency <= 0 {
			c.Latency = DefaultLatency
		}
		a := &adjacency{cfg: c, key: c.Key()}
		for s, sp := range []Speaker{c.Device, c.Far} {
			prof, other := c.DeviceProfile, c.Far
			if side(s) == far {
				prof, other = c.FarProfile, c.Device
			}
			b := base{rng: rand.New(rand.NewPCG(rng.Uint64(), rng.Uint64())), prof: prof}
			n := &end{adj: a, side: side(s), machine: sp.build(b, other), link: true, since: now}
			n.item = item{index: -1, end: n}
			n.view = n.machine.View()
			a.ends[s] = n
		}
		e.adjs = append(e.adjs, a)
		e.byKey[a.key] = a
	}
	return e
}

// start starts every end at an instant drawn from the spread after now, so that
// the phases of different ends have nothing to do with each other unless the
// protocol ties them, and moves time on by run.
func (e *engine) start(spread, run time.Duration) {
	begin := e.now
	for _, a := range e.adjs {
		for _, n := range a.ends {
			n.link = e.linkUp(n)
			if !n.link {
				n.machine.Link(e.now, false)
			}
			e.order++
			at := begin.Add(time.Duration(e.rng.Int64N(int64(spread) + 1)))
			heap.Push(&e.queue, &item{at: at, order: e.order, end: n, msg: starting{}})
		}
	}
	e.quiet = true
	e.advance(begin.Add(run))
	e.quiet = false
	for _, a := range e.adjs {
		for _, n := range a.ends {
			if age := a.cfg.Age; age > 0 && n.since.After(e.now.Add(-age)) {
				n.since = e.now.Add(-age)
				if m, ok := n.machine.(interface{ aged(to time.Time) }); ok {
					m.aged(n.since)
				}
				n.view = n.machine.View()
			}
		}
	}
}

// starting is the pseudo-message that starts a machine.
type starting struct{}

func (starting) message() {}

// advance handles everything that is due until to, in order.
func (e *engine) advance(to time.Time) {
	for len(e.queue) > 0 && !e.queue[0].at.After(to) {
		it := e.queue[0]
		heap.Pop(&e.queue)
		if it.at.After(e.now) {
			e.now = it.at
		}
		n := it.end
		switch msg := it.msg.(type) {
		case nil:
			e.timer(n)
		case starting:
			n.started = true
			n.machine.Start(e.now, StartFresh)
			e.after(n)
		default:
			e.hear(n, msg)
		}
	}
	if to.After(e.now) {
		e.now = to
	}
	for _, a := range e.adjs {
		a.settle(e.now)
	}
}

// next returns when the next event is due; the zero time if none is.
func (e *engine) next() time.Time {
	if len(e.queue) == 0 {
		return time.Time{}
	}
	return e.queue[0].at
}

// timer handles an end's own timer.
func (e *engine) timer(n *end) {
	if n.frozen {
		if due(n.thawAt, e.now) {
			e.thaw(n)
		}
		return
	}
	n.machine.Tick(e.now)
	e.after(n)
}

// arrive puts a message on its way.
func (e *engine) arrive(n *end, msg Message, at time.Time) {
	e.order++
	heap.Push(&e.queue, &item{at: at, order: e.order, end: n, msg: msg})
}

// schedule puts an end's own timer where its machine wants it.
func (e *engine) schedule(n *end) {
	at := n.machine.Next()
	if n.frozen {
		at = n.thawAt
	}
	if !at.IsZero() && at.Before(e.now) {
		at = e.now
	}
	switch {
	case at.IsZero():
		if n.index >= 0 {
			heap.Remove(&e.queue, n.index)
		}
	case n.index >= 0:
		n.at = at
		heap.Fix(&e.queue, n.index)
	default:
		e.order++
		n.at, n.order = at, e.order
		heap.Push(&e.queue, &n.item)
	}
}

// hear delivers a message, unless what it travels on is down or the end is
// frozen.
func (e *engine) hear(n *end, msg Message) {
	a := n.adj
	if !n.started || !e.linkUp(n) || !e.linkUp(a.ends[n.side.other()]) {
		return
	}
	a.settle(e.now)
	if at := n.gaps[streamOf(msg)]; at.After(e.now) {
		// A byte stream keeps its order: what comes behind a gap is read when
		// the gap has been filled. Source: RFC 9293 §3.10.7.4, segments with
		// higher beginning sequence numbers are held for later.
		e.arrive(n, msg, at)
		return
	}
	if n.side == far {
		a.watch.heard(e.now)
	}
	n.lastHeard = e.now
	if n.frozen {
		n.inbox = append(n.inbox, letter{at: e.now, msg: msg})
		return
	}
	if e.gated(n, n.view) {
		return
	}
	n.machine.Hear(e.now, msg)
	e.after(n)
}

// gated reports whether an end must not come up because its BFD session is not
// up. A restart that is under way, and a session that is shut, gate nothing.
// Source: RFC 5882 §4.1, §4.3.
func (e *engine) gated(n *end, v View) bool {
	b := e.byKey[n.adj.cfg.BFD]
	if b == nil || v.Up || v.Helping || v.Restarting {
		return false
	}
	s := b.ends[n.side].view
	return !s.Up && !s.Admin
}

// linkUp reports whether what an end stands on is up: its path, its card, its
// power and what it rides on.
func (e *engine) linkUp(n *end) bool {
	a := n.adj
	if a.failed || a.cards > 0 || a.dark {
		return false
	}
	if a.cfg.Over == "" {
		return true
	}
	if under := e.byKey[a.cfg.Over]; under != nil {
		v := under.ends[n.side].view
		return v.Up || v.Carrying
	}
	return e.aggregateUp(a.cfg.Over, n.side)
}

// aggregateUp reports whether enough members of the group distribute.
func (e *engine) aggregateUp(name string, s side) bool {
	n, least := 0, 1
	for _, a := range e.adjs {
		if a.cfg.Aggregate == name {
			least = max(least, a.cfg.MinLinks)
			if a.ends[s].view.Up {
				n++
			}
		}
	}
	return n >= least
}

// tell calls a machine now, or when it thaws.
func (e *engine) tell(n *end, call func(m Machine, now time.Time)) {
	if n.frozen {
		n.inbox = append(n.inbox, letter{at: e.now, call: call})
		return
	}
	call(n.machine, e.now)
	e.after(n)
}

// relink tells an end whether what it stands on is up, if that changed.
func (e *engine) relink(n *end) {
	if up := e.linkUp(n); up != n.link {
		n.link = up
		e.tell(n, func(m Machine, now time.Time) { m.Link(now, up) })
	}
}

// after follows up on whatever a machine has just done: it sends what the
// machine sends, records what changed, and tells what depends on it.
func (e *engine) after(n *end) {
	a := n.adj
	for _, msg := range n.machine.Take() {
		e.arrive(a.ends[n.side.other()], msg, e.now.Add(a.cfg.Latency))
	}
	e.schedule(n)
	a.settle(e.now)
	was := n.view
	n.view = n.machine.View()
	if n.view.Up != was.Up {
		n.since = e.now
		if n.view.Up {
			n.ups++
		}
	}
	a.watch.seen(e.now, n, was)
	topology := n.view.RSTP != nil && was.RSTP != nil && n.view.RSTP.Changes != was.RSTP.Changes
	if !e.quiet && (n.view.State != was.State || n.view.Up != was.Up || n.view.Role != was.Role || topology) {
		e.changes = append(e.changes, Change{
			At: e.now, Key: a.key, Protocol: a.cfg.Protocol(), Neighbour: a.cfg.Neighbour, Interface: a.cfg.Interface,
			Far: n.side == far, Was: was.State, Now: n.view.State, WasUp: was.Up, Up: n.view.Up,
			Role: n.view.Role, Topology: topology, Why: n.view.Why,
		})
	}
	if n.view.Up == was.Up && n.view.Carrying == was.Carrying {
		return
	}
	for _, d := range e.adjs {
		x := d.ends[n.side]
		if d.cfg.BFD == a.key {
			switch {
			case was.Up && !n.view.Up && !n.view.Admin:
				independent := was.BFD != nil && was.BFD.Independent
				e.tell(x, func(m Machine, now time.Time) { m.BFDDown(now, independent) })
			case !was.Up && n.view.Up && x.link:
				// What was gated may try at once.
				e.tell(x, func(m Machine, now time.Time) { m.Link(now, true) })
			}
		}
		if d.cfg.Over != "" && (d.cfg.Over == a.key || d.cfg.Over == a.cfg.Aggregate) {
			e.relink(x)
		}
	}
}

// silence freezes the chassis's ends that run on the controller card.
func (e *engine) silence() {
	if e.asleep {
		return
	}
	e.asleep = true
	for _, a := range e.adjs {
		n := a.ends[device]
		a.watch.begin(e.now, a)
		if a.cfg.Offloaded {
			continue
		}
		e.freeze(n)
	}
}

// freeze stops an end where it stands.
func (e *engine) freeze(n *end) {
	if !n.frozen { // an end that has not thawed yet keeps what waits for it
		n.inbox = nil
	}
	n.frozen, n.thawAt, n.how = true, time.Time{}, modeNone
	e.schedule(n)
}

// blackout is a silence in which the line cards are silent as well: hardware
// sends no more, and the neighbours see their links go down.
func (e *engine) blackout() {
	e.silence()
	for _, a := range e.adjs {
		n := a.ends[device]
		if a.cfg.Offloaded {
			e.freeze(n)
		}
		a.dark = true
	}
	for _, a := range e.adjs {
		for _, n := range a.ends {
			e.relink(n)
		}
	}
}

// wake ends a silence: each frozen end goes on as well as its configuration
// and the kind of waking let it.
func (e *engine) wake(how Wake) {
	if !e.asleep {
		return
	}
	e.asleep = false
	for _, a := range e.adjs {
		n := a.ends[device]
		if n.frozen {
			n.how = e.modeOf(n, how)
			n.thawAt = e.now.Add(a.cfg.DeviceProfile.Resume)
		}
		a.watch.woken(e.now, a, n)
		if a.dark {
			a.dark = false
		}
	}
	for _, a := range e.adjs {
		for _, n := range a.ends {
			e.relink(n)
		}
	}
	for _, a := range e.adjs {
		if n := a.ends[device]; n.frozen {
			e.schedule(n)
		}
	}
}

// modeOf says how an end wakes.
func (e *engine) modeOf(n *end, how Wake) mode {
	restart := n.view.CanRestart
	switch {
	case how == Cold || n.adj.dark:
		return modeCold
	case how == Synchronised && n.adj.cfg.Nonstop:
		return modeNonstop
	case restart:
		return modeGraceful
	case n.adj.cfg.Nonstop:
		return modeNonstop
	default:
		return modeCold
	}
}

// thaw lets a frozen end go on.
func (e *engine) thaw(n *end) {
	a := n.adj
	inbox := n.inbox
	n.frozen, n.inbox, n.thawAt = false, nil, time.Time{}
	m := n.machine
	switch n.how {
	case modeGraceful, modeCold:
		how := StartGraceful
		if n.how == modeCold {
			how = StartCold
		}
		m.Link(e.now, n.link)
		m.Take() // what the old machine would say is not said
		m.Start(e.now, how)
		m.Link(e.now, n.link)
	default:
		prof := a.cfg.DeviceProfile
		dropped, local := false, prof.SelfDrop == SelfDropLocal
		// follow tells everybody of each step, but for a neighbour that is given
		// up and learnt again before anybody looks.
		follow := func() {
			if !local {
				e.after(n)
			}
		}
		if prof.SelfDrop != SelfDropNone {
			dropped = m.Expire(e.now)
			if local {
				m.Take() // says nothing
			}
			follow()
		}
		if dropped {
			a.watch.ownDrop = true
			if prof.LateHello {
				m.Postpone(e.now)
			}
		}
		n.gaps = nil
		for _, l := range inbox {
			switch {
			case l.call != nil:
				l.call(m, e.now)
			case prof.TransportCut && opens(l.msg):
				// TCP's request to open a connection was lost, and is repeated.
			case prof.TransportCut && streamOf(l.msg) != 0:
				e.again(n, l)
			case !e.gated(n, m.View()):
				m.Hear(e.now, l.msg)
			}
			follow()
		}
		m.Resumed(e.now)
		m.Tick(e.now)
	}
	e.after(n)
}

// again puts a segment that was lost in the silence on its way again, behind
// those lost before it on the same connection.
func (e *engine) again(n *end, l letter) {
	conn := streamOf(l.msg)
	at, ok := n.gaps[conn]
	if !ok {
		at = retransmitted(l.at, e.now)
		if n.gaps == nil {
			n.gaps = map[uint64]time.Time{}
		}
		n.gaps[conn] = at
	}
	e.arrive(n, l.msg, at)
}

// streamOf returns the connection whose byte stream carries a message; zero
// for hellos, and for what stands for TCP's own segments.
func streamOf(msg Message) uint64 {
	switch p := msg.(type) {
	case bgpOpen, bgpKeepalive, bgpUpdate, bgpEndOfRIB, bgpNotification:
		return connOf(msg)
	case ldpInit:
		return p.conn
	case ldpKeep:
		return p.conn
	case ldpLabels:
		return p.conn
	case ldpNotification:
		return p.conn
	default:
		return 0
	}
}

// opens reports whether a message is TCP's request to open a connection.
func opens(msg Message) bool {
	_, ok := msg.(bgpConnection)
	return ok
}

// retransmitted is when a segment first sent at sent gets through once the path
// is back: the sender tries again after 0.21 s, doubled each time.
// Source: RFC 9293 §3.8.1 and RFC 6298 §5.5; first delay measured on Linux with a
// path below one millisecond.
func retransmitted(sent, back time.Time) time.Time {
	at := sent.Add(210 * time.Millisecond)
	for wait := 210 * time.Millisecond; !at.After(back); {
		wait *= 2
		at = sent.Add(wait)
	}
	return at
}

// begin starts to watch an adjacency through a silence.
func (w *watch) begin(now time.Time, a *adjacency) {
	v := a.ends[far].view
	*w = watch{
		on: true, from: now, detect: v.Detect, carrying: v.Carrying,
		gapFrom: a.ends[far].lastHeard, restarts: v.Restarts,
	}
}

// woken notes how the chassis's end wakes and how long to watch on.
func (w *watch) woken(now time.Time, a *adjacency, n *end) {
	w.wake, w.how = now, n.how
	if !n.frozen {
		w.how = modeNone
	}
	dev, nbr := n.view, a.ends[far].view
	// Long enough for both detection times and the next messages of both.
	w.until = now.Add(a.cfg.DeviceProfile.Resume + max(dev.Detect, nbr.Detect, w.detect) + a.cfg.FarProfile.HoldLate + a.cfg.DeviceProfile.HoldLate + 2*max(dev.Send, nbr.Send))
}

// heard notes that the far end heard something.
func (w *watch) heard(now time.Time) {
	if !w.on || w.settled || w.closed {
		return
	}
	w.gap = max(w.gap, now.Sub(w.gapFrom))
	w.gapFrom = now
	w.closed = !w.wake.IsZero()
}

// seen notes what became of an end.
func (w *watch) seen(now time.Time, n *end, was View) {
	if !w.on || w.settled {
		return
	}
	v := n.view
	if n.side == device {
		// It gave up first, and nobody made it.
		if w.how == modeNonstop && was.Up && !v.Up && w.lostAt.IsZero() {
			w.ownDrop = true
		}
		return
	}
	if v.Helping || v.Restarts > w.restarts {
		w.helped = true
	}
	if w.carrying && !v.Carrying && w.lostAt.IsZero() {
		w.lostAt, w.why = now, v.Why
	}
	if !w.lostAt.IsZero() && v.Carrying && w.backAt.IsZero() {
		w.backAt = now
	}
}

// settle ends the watch once nothing more can come of the silence.
func (a *adjacency) settle(now time.Time) {
	w := &a.watch
	if !w.on || w.settled || w.wake.IsZero() || !now.After(w.until) {
		return
	}
	if w.lostAt.IsZero() {
		w.settled = !a.ends[far].view.Helping && !a.ends[device].view.Restarting
	} else {
		w.settled = !w.backAt.IsZero()
	}
}

// itemHeap orders items by instant; messages come before timers of the same
// instant, and then the order of scheduling holds.
type itemHeap []*item

func (h itemHeap) Len() int { return len(h) }
func (h itemHeap) Less(i, j int) bool {
	a, b := h[i], h[j]
	if c := a.at.Compare(b.at); c != 0 {
		return c < 0
	}
	if (a.msg == nil) != (b.msg == nil) {
		return a.msg != nil
	}
	return a.order < b.order
}
func (h itemHeap) Swap(i, j int) {
	h[i], h[j] = h[j], h[i]
	h[i].index, h[j].index = i, j
}
func (h *itemHeap) Push(x any) {
	it, _ := x.(*item)
	it.index = len(*h)
	*h = append(*h, it)
}
func (h *itemHeap) Pop() any {
	old := *h
	it := old[len(old)-1]
	old[len(old)-1] = nil
	*h = old[:len(old)-1]
	it.index = -1
	return it
}
