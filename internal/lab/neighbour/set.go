package neighbour

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"towpath/internal/lab/labtime"
)

// ErrUnknown is wrapped by the error for a key that no adjacency has.
var ErrUnknown = errors.New("no such adjacency")

// Wake says how the control plane of the chassis comes back.
type Wake int

// The ways to wake. Each adjacency does the best that the way and its own
// configuration allow.
const (
	// Synchronised: the other controller card takes over with all the state.
	// What is Nonstop goes on as if nothing had been; other adjacencies restart
	// gracefully, and cold where they cannot.
	Synchronised Wake = iota
	// GracefulRestart: what can restart gracefully does, even where it is
	// Nonstop; other Nonstop adjacencies go on; the rest restarts cold.
	GracefulRestart
	// Cold: everything restarts from nothing and forwards nothing it knew.
	Cold
)

// String names the way.
func (w Wake) String() string {
	switch w {
	case GracefulRestart:
		return "graceful restart"
	case Cold:
		return "cold"
	default:
		return "synchronised"
	}
}

// How long a set runs before it starts to be seen: each end starts somewhere in
// the first part, and the rest lets everything come up by its own handshakes.
const (
	startSpread = 2 * time.Minute
	startRun    = 8 * time.Minute
	// coalesce is how long, in real time, the set lets events gather before it
	// looks. They are handled at their own instants all the same.
	coalesce = 2 * time.Millisecond
	// behind is how late, in real time, the set may be before it makes the clock
	// wait for it.
	behind = 50 * time.Millisecond
)

// Set runs the adjacencies of one chassis on a clock. Its methods may be called
// from many goroutines at once.
type Set struct {
	clock *labtime.Clock

	mu     sync.Mutex
	e      *engine
	subs   map[int]func(Change)
	nextID int

	kick chan struct{}
	stop chan struct{}
	idle chan struct{}
	once sync.Once
}

// NewSet builds the adjacencies, brings them up through their own handshakes
// in the minutes before now, and runs them on the clock until [Set.Close]. The
// random source decides the phases and the jitter; the set is its only user
// from then on. The error names the adjacency and the value that is wrong.
//
// A clock that runs faster than the machine can follow is held at rate one
// until the set has caught up, so that its time never runs away.
func NewSet(clock *labtime.Clock, rng *rand.Rand, cfgs []Config) (*Set, error) {
	if err := check(cfgs); err != nil {
		return nil, err
	}
	s := &Set{
		clock: clock, subs: map[int]func(Change){},
		kick: make(chan struct{}, 1), stop: make(chan struct{}), idle: make(chan struct{}),
	}
	s.e = newEngine(clock.Now().Add(-startRun), rng, cfgs)
	s.e.start(startSpread, startRun)
	go s.run()
	return s, nil
}

// Close stops the set and waits until nothing runs any more. No subscriber is
// called after it has returned; it must not be called by one, nor under a lock
// that one takes. Closing twice does nothing.
func (s *Set) Close() {
	s.once.Do(func() { close(s.stop) })
	<-s.idle
}

// run moves the engine on whenever something is due and tells subscribers, all
// from this one goroutine and in order.
func (s *Set) run() {
	defer close(s.idle)
	alarm := s.clock.NewTimer(time.Hour)
	defer alarm.Stop()
	for {
		s.mu.Lock()
		s.catchUp()
		changes := s.e.changes
		s.e.changes = nil
		subs := make([]func(Change), 0, len(s.subs))
		for id := range s.nextID {
			if f := s.subs[id]; f != nil {
				subs = append(subs, f)
			}
		}
		next := s.e.next()
		s.mu.Unlock()
		for _, c := range changes {
			for _, f := range subs {
				f(c)
			}
		}
		if next.IsZero() {
			alarm.Stop()
		} else {
			alarm.Reset(max(s.clock.Until(next), s.clock.ToVirtual(coalesce)))
		}
		select {
		case <-alarm.C:
		case <-s.kick:
		case <-s.stop:
			return
		}
	}
}

// catchUp moves the engine to the present. The lock is held.
func (s *Set) catchUp() {
	now := s.clock.Now()
	if next := s.e.next(); !next.IsZero() && now.Sub(next) > s.clock.ToVirtual(behind) {
		defer s.clock.RealTime()()
	}
	s.e.advance(now)
}

// do moves the engine to the present, calls f on it, and lets run tell what
// changed.
func (s *Set) do(f func(e *engine)) {
	s.mu.Lock()
	s.catchUp()
	f(s.e)
	s.mu.Unlock()
	select {
	case s.kick <- struct{}{}:
	default:
	}
}

// on calls f on the adjacency with the key.
func (s *Set) on(key string, f func(e *engine, a *adjacency) error) error {
	err := fmt.Errorf("%w: found %q", ErrUnknown, key)
	s.do(func(e *engine) {
		if a := e.byKey[key]; a != nil {
			err = f(e, a)
		}
	})
	return err
}

// Subscribe calls f for every change from now on, one at a time and in order,
// from a goroutine of the set's own, until cancel is called. A call that is
// under way when cancel returns still ends. f may call the set's methods except
// Close.
func (s *Set) Subscribe(f func(Change)) (cancel func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	id := s.nextID
	s.nextID++
	s.subs[id] = f
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.subs, id)
	}
}

// Snapshot returns the state of every adjacency at this instant, in the order
// of the configuration.
func (s *Set) Snapshot() (out []Status) {
	s.do(func(e *engine) {
		for _, a := range e.adjs {
			out = append(out, e.status(a))
		}
	})
	return out
}

// Status returns the state of one adjacency.
func (s *Set) Status(key string) (st Status, err error) {
	err = s.on(key, func(e *engine, a *adjacency) error {
		st = e.status(a)
		return nil
	})
	return st, err
}

// Silence lets the control plane of the chassis fall silent at this instant:
// every end that is not offloaded stops, and what the neighbours send waits.
// It does nothing while it is silent already.
func (s *Set) Silence() { s.do(func(e *engine) { e.silence() }) }

// Blackout is a [Set.Silence] in which the line cards go too: hardware stops
// sending and the neighbours see their links go down. The chassis wakes Cold
// from it, whatever [Set.Wake] is asked for.
func (s *Set) Blackout() { s.do(func(e *engine) { e.blackout() }) }

// Wake ends the silence at this instant. It does nothing while there is none.
func (s *Set) Wake(how Wake) { s.do(func(e *engine) { e.wake(how) }) }

// Silent reports whether the control plane of the chassis is silent.
func (s *Set) Silent() (silent bool) {
	s.do(func(e *engine) { silent = e.asleep })
	return silent
}

// Outcomes tells the truth about the last silence, one entry for each adjacency
// in the order of the configuration; nil if there was none.
func (s *Set) Outcomes() (out []Outcome) {
	s.do(func(e *engine) {
		for _, a := range e.adjs {
			if o, ok := e.outcome(a); ok {
				out = append(out, o)
			}
		}
	})
	return out
}

// Announce tells the neighbours that a restart is about to come, where the
// protocol can: a grace-LSA (RFC 3623 §2.1), a planned-restart hello (RFC 8706
// §3.2.3). If the chassis then wakes with its state, it takes that back.
func (s *Set) Announce() {
	s.do(func(e *engine) {
		for _, a := range e.adjs {
			e.tell(a.ends[device], func(m Machine, now time.Time) { m.Announce(now) })
		}
	})
}

// Fail cuts the path of an adjacency for ever: both ends lose it at once and it
// never returns.
func (s *Set) Fail(key string) error {
	return s.on(key, func(e *engine, a *adjacency) error {
		a.failed = true
		for _, n := range a.ends {
			e.relink(n)
		}
		return nil
	})
}

// CardDown takes down the links of a line card. Downs count: the links are up
// again when each has been undone. Undoing one twice does nothing.
func (s *Set) CardDown(card string) (up func()) {
	move := func(by int) {
		s.do(func(e *engine) {
			for _, a := range e.adjs {
				if a.cfg.Card != "" && a.cfg.Card == card {
					a.cards += by
				}
			}
			for _, a := range e.adjs {
				for _, n := range a.ends {
					e.relink(n)
				}
			}
		})
	}
	move(1)
	var once sync.Once
	return func() { once.Do(func() { move(-1) }) }
}

// TopologyChange lets the topology change somewhere beyond the neighbours:
// spanning trees tell it to the chassis, and helpers of a graceful restart that
// check strictly stop helping.
func (s *Set) TopologyChange() {
	s.do(func(e *engine) {
		for _, a := range e.adjs {
			e.tell(a.ends[far], func(m Machine, now time.Time) { m.TopologyChange(now) })
		}
	})
}

// Enable switches the chassis's end of an adjacency off, with the protocol's
// goodbye where it has one (BFD AdminDown, VRRP priority zero, a BGP Cease), or
// on again.
func (s *Set) Enable(key string, on bool) error {
	return s.on(key, func(e *engine, a *adjacency) error {
		e.tell(a.ends[device], func(m Machine, now time.Time) {
			if on {
				m.Start(now, StartFresh)
			} else {
				m.Stop(now)
			}
		})
		return nil
	})
}

// Configure changes the configuration of the chassis's end, which takes effect
// as the protocol lets it: BFD through a Poll Sequence, BGP with the next
// session, OSPF by losing a neighbour that does not agree, others at once.
func (s *Set) Configure(key string, cfg Speaker) error {
	return s.on(key, func(e *engine, a *adjacency) error {
		if cfg == nil || cfg.protocol() != a.cfg.Protocol() {
			return fmt.Errorf("adjacency %s: found a configuration of another protocol", key)
		}
		if err := cfg.check(); err != nil {
			return fmt.Errorf("adjacency %s: %w", key, err)
		}
		a.cfg.Device = cfg
		e.tell(a.ends[device], func(m Machine, now time.Time) { m.Configure(now, cfg) })
		return nil
	})
}

// Device returns the configuration of the chassis's end, as it was given or
// last changed.
func (s *Set) Device(key string) (cfg Speaker, err error) {
	err = s.on(key, func(_ *engine, a *adjacency) error {
		cfg = a.cfg.Device
		return nil
	})
	return cfg, err
}

// Aggregate is the state of a link aggregation group.
type Aggregate struct {
	Name     string
	MinLinks int
	Up       bool     // at the chassis
	FarUp    bool     // at the neighbour
	Members  []string // keys of its LACP adjacencies
}

// Aggregates returns the groups in the order in which the configuration first
// names them.
func (s *Set) Aggregates() (out []Aggregate) {
	s.do(func(e *engine) {
		at := map[string]int{}
		for _, a := range e.adjs {
			name := a.cfg.Aggregate
			if name == "" {
				continue
			}
			i, ok := at[name]
			if !ok {
				i = len(out)
				at[name] = i
				out = append(out, Aggregate{Name: name, MinLinks: 1, Up: e.aggregateUp(name, device), FarUp: e.aggregateUp(name, far)})
			}
			out[i].MinLinks = max(out[i].MinLinks, a.cfg.MinLinks)
			out[i].Members = append(out[i].Members, a.key)
		}
	})
	return out
}
