package neighbour

import (
	"errors"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"towpath/internal/lab/labtime"
)

// newSet runs a set on a clock of the rate; both end with the test.
func newSet(t *testing.T, rate float64, cfgs ...Config) (*labtime.Clock, *Set) {
	t.Helper()
	clock := labtime.New(epoch, rate)
	s, err := NewSet(clock, rand.New(rand.NewPCG(1, 1)), cfgs)
	if err != nil {
		t.Fatal(err)
	}
	return clock, s
}

// TestSetThroughASilence is the whole life of a set: it runs fast, a silence
// passes in real time, and everybody is told what happened.
func TestSetThroughASilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock, s := newSet(t, 60, DefaultNeighbours()...)
		defer clock.Close()
		defer s.Close()
		for _, st := range s.Snapshot() {
			if !st.Up || !st.Far.Up || !st.Far.Carrying || st.Transitions != 1 {
				t.Errorf("%s is not up at the start: %+v", st.Key, st)
			}
			if got := clock.Since(st.Since); got < 12*24*time.Hour {
				t.Errorf("%s is up since %v only, want its age", st.Key, got)
			}
			if r := st.RSTP; r != nil && clock.Since(r.LastChange) < 19*24*time.Hour {
				t.Errorf("%s: the last topology change was %v ago, want its age", st.Key, clock.Since(r.LastChange))
			}
		}
		if s.Outcomes() != nil {
			t.Error("outcomes before any silence")
		}
		var mu sync.Mutex
		var changes []Change
		cancel := s.Subscribe(func(c Change) {
			mu.Lock()
			defer mu.Unlock()
			changes = append(changes, c)
		})
		time.Sleep(10 * time.Second) // ten minutes of the lab
		release := clock.RealTime()
		began := clock.Now()
		s.Silence()
		s.Silence()
		if !s.Silent() {
			t.Error("it is not silent")
		}
		time.Sleep(4500 * time.Millisecond)
		if got := clock.Since(began); got != 4500*time.Millisecond {
			t.Fatalf("the silence took %v of the lab's time, want it real", got)
		}
		st, err := s.Status("vrrp 192.0.2.130 lag-2")
		if err != nil || st.Role != "active" || st.Far.Role != "active" {
			t.Errorf("4.5 s into it: %+v %v, want the backup to have taken over", st, err)
		}
		s.Wake(Synchronised)
		release()
		time.Sleep(10 * time.Second)
		synctest.Wait()
		dropped := map[string]Outcome{}
		for _, o := range s.Outcomes() {
			if !o.Settled {
				t.Errorf("%s is not settled after ten minutes: %+v", o.Key, o)
			}
			if o.Result == Dropped {
				dropped[o.Key] = o
			}
		}
		// Through 4.5 s the backup router takes over (3.609 s). BFD of 5 s and the
		// spanning tree's 6 s depend on the phase.
		o, ok := dropped["vrrp 192.0.2.130 lag-2"]
		if !ok || o.LostAt.Before(began) || o.LostAt.After(began.Add(3610*time.Millisecond)) || !o.BackAt.After(began.Add(4500*time.Millisecond)) {
			t.Errorf("the group's outcome: %+v, want it lost within 3.61 s and back after 4.5 s", o)
		}
		for k := range dropped {
			if k != o.Key && k != "bfd 198.51.100.7" && k != "bgp 198.51.100.7" && k != "rstp 00:00:5e:00:53:20 user-1/4" {
				t.Errorf("%s was dropped: %+v", k, dropped[k])
			}
		}
		mu.Lock()
		i := slices.IndexFunc(changes, func(c Change) bool { return c.Key == o.Key && c.Far && c.Role == "active" })
		if i < 0 || changes[i].At != o.LostAt || changes[i].Was != "BACKUP" || changes[i].Now != "ACTIVE" {
			t.Errorf("the change to active was told as %+v of %d changes", changes, len(changes))
		}
		if !slices.IsSortedFunc(changes, func(a, b Change) int { return a.At.Compare(b.At) }) {
			t.Error("changes were told out of order")
		}
		n := len(changes)
		mu.Unlock()
		cancel()
		s.Fail(o.Key)
		time.Sleep(time.Second)
		synctest.Wait()
		mu.Lock()
		defer mu.Unlock()
		if len(changes) != n {
			t.Error("a subscriber that left is told more")
		}
	})
}

// TestSetCommands: what the chassis and its faults can do to an adjacency.
func TestSetCommands(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock, s := newSet(t, 60, DefaultNeighbours()...)
		defer clock.Close()
		defer s.Close()
		status := func(key string) Status {
			t.Helper()
			st, err := s.Status(key)
			if err != nil {
				t.Fatal(err)
			}
			return st
		}
		const (
			exchange = "bgp 203.0.113.9 user-2/3"
			reflect  = "bgp 198.51.100.7"
			session  = "bfd 198.51.100.7"
			tree     = "rstp 00:00:5e:00:53:20 user-1/4"
			group    = "vrrp 192.0.2.130 lag-2"
		)
		for _, err := range []error{s.Fail("bgp"), s.Enable("", true), s.Configure("x", BGP{})} {
			if !errors.Is(err, ErrUnknown) {
				t.Errorf("got %v, want %v", err, ErrUnknown)
			}
		}
		if _, err := s.Status("nobody"); !errors.Is(err, ErrUnknown) {
			t.Errorf("got %v, want %v", err, ErrUnknown)
		}
		if err := s.Configure(exchange, OSPF{}); err == nil {
			t.Error("a configuration of another protocol was taken")
		}
		if err := s.Configure(exchange, BGP{Hold: time.Second}); err == nil {
			t.Error("a hold time of 1 s was taken")
		}

		// A failed path is gone at once and for ever.
		if err := s.Fail(exchange); err != nil {
			t.Fatal(err)
		}
		if st := status(exchange); st.Up || st.Far.Carrying || st.Prefixes != 0 || st.Why != "link down" {
			t.Errorf("failed: %+v", st)
		}
		time.Sleep(time.Minute)
		if st := status(exchange); st.Up || st.Far.Up {
			t.Errorf("an hour later: %+v, want it down", st)
		}

		// A shut BFD session harms nobody, and comes back.
		if err := s.Enable(session, false); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if st := status(session); st.Up || !st.Admin || st.State != "ADMIN_DOWN" || !status(reflect).Up {
			t.Errorf("shut: %+v", st)
		}
		if err := s.Enable(session, true); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if st := status(session); !st.Up || st.BFD.Multiplier != 5 || status(reflect).Transitions != 1 {
			t.Errorf("enabled again: %+v", st)
		}
		if st := status(reflect); st.BFD.Session != "198.51.100.7" || st.BFD.SessionKey != session || st.Prefixes != 184220 {
			t.Errorf("its client: %+v", st)
		}

		// Stretched, with the neighbour following.
		if err := s.Configure(session, BFD{DesiredMinTx: 10 * time.Second, RequiredMinRx: 10 * time.Second, Mult: 30}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if st := status(session); st.Timers.NeighbourDetect != 300*time.Second || st.Timers.Send != 10*time.Second || st.BFD.Multiplier != 30 {
			t.Errorf("stretched: %+v", st.Timers)
		}
		if cfg, err := s.Device(session); err != nil || cfg.(BFD).Mult != 30 {
			t.Errorf("configuration: got %+v %v", cfg, err)
		}

		// A priority below the neighbour's hands the group over.
		if err := s.Configure(group, VRRP{Priority: 50}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if st := status(group); st.Role != "backup" || st.Far.Role != "active" || st.Priority != 50 {
			t.Errorf("lowered: %+v", st)
		}

		before := status(tree).RSTP.Changes
		s.TopologyChange()
		time.Sleep(time.Second)
		if st := status(tree); st.RSTP.Changes != before+1 || clock.Since(st.RSTP.LastChange) > 2*time.Minute || !st.Up {
			t.Errorf("after a topology change: %+v of %d before", st.RSTP, before)
		}

		// A line card takes its links down, and the aggregates stay up on the other.
		up := s.CardDown("LC-1")
		again := s.CardDown("LC-1")
		for _, st := range s.Snapshot() {
			if want := st.Card != "LC-1" && st.Key != exchange && st.Key != group; st.Key != group && st.Up != want {
				t.Errorf("LC-1 down: %s is up %v, want %v", st.Key, st.Up, want)
			}
		}
		for _, a := range s.Aggregates() {
			if !a.Up || !a.FarUp || len(a.Members) != 2 || a.MinLinks != 1 {
				t.Errorf("aggregate %+v, want it up on its other member", a)
			}
		}
		up()
		up()
		if st := status(tree); st.Up {
			t.Error("one of two undone, and the card is up")
		}
		again()
		time.Sleep(10 * time.Second)
		for _, st := range s.Snapshot() {
			if st.Key != exchange && (!st.Up || !st.Far.Up) {
				t.Errorf("LC-1 up: %s is not: %+v", st.Key, st)
			}
		}

		// An announced restart, and the dark.
		s.Announce()
		if st := status("ospfv2 198.51.100.1 lag-1"); st.Restart.Helping {
			t.Error("it helps before it can have heard")
		}
		time.Sleep(time.Second)
		if st := status("ospfv2 198.51.100.1 lag-1"); !st.Restart.Helping || !st.Restart.Own || !st.Restart.Helper || st.Restart.Time != 120*time.Second || !st.Restart.StrictLSACheck {
			t.Errorf("announced: %+v", st.Restart)
		}
		s.Blackout()
		time.Sleep(time.Second)
		for _, o := range s.Outcomes() {
			if o.Protocol != "bgp" && o.Protocol != "vrrp" && o.Result != Dropped {
				t.Errorf("dark: %+v, want dropped", o)
			}
		}
		s.Wake(Synchronised)
		time.Sleep(10 * time.Second)
		for _, st := range s.Snapshot() {
			if st.Key != exchange && (!st.Up || !st.Far.Up) {
				t.Errorf("light again: %s is not up: %+v", st.Key, st)
			}
		}
	})
}

// spy is a machine that tells when its timers run.
type spy struct {
	Machine
	ticked func()
}

func (s spy) Tick(now time.Time) {
	s.ticked()
	s.Machine.Tick(now)
}

// TestClockWaitsForALateSet: a set that is behind holds the clock until it has
// caught up, and one that is in time does not.
func TestClockWaitsForALateSet(t *testing.T) {
	for late, want := range map[time.Duration]bool{behind / 2: false, 2 * behind: true} {
		synctest.Test(t, func(t *testing.T) {
			clock := labtime.New(epoch, 1000)
			defer clock.Close()
			s := &Set{clock: clock, e: newRig(t, 1, one(LLDP{}, LLDP{})).engine}
			ticks := 0
			for _, n := range s.e.adjs[0].ends {
				n.machine = spy{n.machine, func() {
					ticks++
					if clock.Held() != want {
						t.Errorf("%v late: held %v, want %v", late, clock.Held(), want)
					}
				}}
			}
			time.Sleep(clock.ToReal(s.e.next().Sub(clock.Now())) + late)
			s.catchUp()
			if ticks == 0 || clock.Held() {
				t.Errorf("%d ticks, held %v afterwards; want some and false", ticks, clock.Held())
			}
		})
	}
}

// TestSetIsSafe is for the race detector: everything at once on a real clock.
func TestSetIsSafe(t *testing.T) {
	clock, s := newSet(t, 500, DefaultNeighbours()...)
	defer clock.Close()
	told := make(chan struct{}, 1)
	defer s.Subscribe(func(Change) {
		s.Silent() // a subscriber may ask
		select {
		case told <- struct{}{}:
		default:
		}
	})()
	var wg sync.WaitGroup
	for i := range 4 {
		wg.Go(func() {
			for n := range 30 {
				switch (i + n) % 5 {
				case 0:
					s.Silence()
				case 1:
					s.Wake(Wake(n % 3))
				case 2:
					s.Snapshot()
					s.Outcomes()
				case 3:
					s.CardDown("LC-2")()
				case 4:
					s.TopologyChange()
				}
			}
		})
	}
	wg.Wait()
	s.Wake(Cold)
	<-told
	s.Close()
	s.Close()
	if n := len(s.Snapshot()); n != len(DefaultNeighbours()) {
		t.Errorf("a closed set tells of %d adjacencies", n)
	}
}

// BenchmarkDefaultNeighbours is an hour of the demonstration's chassis.
func BenchmarkDefaultNeighbours(b *testing.B) {
	r := newRig(b, 1, DefaultNeighbours()...)
	b.ReportAllocs()
	for b.Loop() {
		r.pass(time.Hour)
	}
}
