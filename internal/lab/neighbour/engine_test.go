package neighbour

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var epoch = time.Date(2031, 5, 4, 1, 0, 0, 0, time.UTC)

const (
	sec = time.Second
	ms  = time.Millisecond
)

// rig is an engine with a random source for the moments of a test.
type rig struct {
	*engine
	t   testing.TB
	rng *rand.Rand
}

// newRig makes an engine and brings everything up.
func newRig(t testing.TB, seed uint64, cfgs ...Config) *rig {
	t.Helper()
	r := newRawRig(t, seed, cfgs...)
	for _, a := range r.adjs {
		for s, n := range a.ends {
			if !n.view.Up || !n.view.Carrying {
				t.Fatalf("%s: end %d did not come up: %+v", a.key, s, n.view)
			}
		}
	}
	return r
}

func newRawRig(t testing.TB, seed uint64, cfgs ...Config) *rig {
	t.Helper()
	if err := check(cfgs); err != nil {
		t.Fatal(err)
	}
	r := &rig{newEngine(epoch, rand.New(rand.NewPCG(seed, 1)), cfgs), t, rand.New(rand.NewPCG(seed, 2))}
	r.start(30*sec, 5*time.Minute)
	return r
}

// pass moves time on.
func (r *rig) pass(d time.Duration) { r.advance(r.now.Add(d)) }

// somewhen moves time on by anything up to d.
func (r *rig) somewhen(d time.Duration) { r.pass(time.Duration(r.rng.Int64N(int64(d)))) }

// at returns an end of the i-th adjacency.
func (r *rig) at(i int, s side) *end { return r.adjs[i].ends[s] }

// result settles the last silence and tells what became of the i-th adjacency.
func (r *rig) result(i int) Outcome {
	r.t.Helper()
	for range 10000 {
		o, ok := r.outcome(r.adjs[i])
		if !ok {
			r.t.Fatal("there was no silence")
		}
		if o.Settled || !r.adjs[i].watch.lostAt.IsZero() {
			return o
		}
		r.pass(sec)
	}
	r.t.Fatalf("%s never settles: %+v", r.adjs[i].key, r.adjs[i].watch)
	return Outcome{}
}

// silent keeps a silence of s and wakes.
func (r *rig) silent(s time.Duration, how Wake) {
	r.silence()
	r.pass(s)
	r.wake(how)
}

// cut stops the device's end for ever, and returns how long after the last
// message heard the far end gave it up.
func (r *rig) cut(i int) time.Duration {
	r.t.Helper()
	r.silence()
	r.pass(time.Millisecond) // what is on the wire arrives
	last := r.at(i, far).lastHeard
	r.pass(3 * time.Hour)
	o, _ := r.outcome(r.adjs[i])
	if o.LostAt.IsZero() {
		r.t.Fatalf("%s was never lost: %+v", r.adjs[i].key, o)
	}
	return o.LostAt.Sub(last)
}

// one is an adjacency for tests, its state kept through silences.
func one(device, far Speaker) Config {
	return Config{Instance: "default", Interface: "user-1/1", Neighbour: "192.0.2.1", Device: device, Far: far, Nonstop: true}
}

// The two ends of the usual adjacencies.
func bgpPair(device, far BGP) Config {
	far.Passive = true
	return one(device, far)
}

func ospfPair(device, far OSPF) Config {
	far.Master = true
	return one(device, far)
}

func ldpPair(device, far LDP) Config {
	device.Active = true
	return one(device, far)
}

func vrrpPair(device, far VRRP) Config { return one(device, far) }

// TestDetectionTimes cuts the device off and measures, to the nanosecond, after
// how long a silence the neighbour gives it up.
func TestDetectionTimes(t *testing.T) {
	bfd := func(tx, rx time.Duration, mult int, farTx, farRx time.Duration) Config {
		return one(BFD{DesiredMinTx: tx, RequiredMinRx: rx, Mult: mult}, BFD{DesiredMinTx: farTx, RequiredMinRx: farRx, Mult: 7})
	}
	lan := func(hello time.Duration, mult int, dis bool) Config {
		return one(ISIS{Hello: hello, Mult: mult, Designated: dis}, ISIS{Hello: 5 * sec, Mult: 12})
	}
	p2p := ISIS{PointToPoint: true}
	for _, tc := range []struct {
		name string
		cfg  Config
		want time.Duration
	}{
		// Source: RFC 5880 §6.8.4.
		{"bfd 300/300/3", bfd(300*ms, 300*ms, 3, 300*ms, 300*ms), 900 * ms},
		{"bfd neighbour asks 50, device sends 100", bfd(100*ms, 300*ms, 3, 300*ms, 50*ms), 300 * ms},
		{"bfd neighbour asks 20, device sends 10", bfd(10*ms, 300*ms, 5, 300*ms, 20*ms), 100 * ms},
		{"bfd multiplier 1", bfd(sec, sec, 1, sec, sec), sec},
		// Source: RFC 7419 §3: 10 s and 255 to support graceful restart.
		{"bfd 10 s times 255", bfd(10*sec, 10*sec, 255, 10*sec, 10*sec), 2550 * sec},
		// Source: RFC 4271 §4.2: the smaller hold time.
		{"bgp 90", bgpPair(BGP{}, BGP{}), 90 * sec},
		{"bgp 180 proposed to 90", bgpPair(BGP{Hold: 180 * sec}, BGP{}), 90 * sec},
		{"bgp 9 proposed to 90", bgpPair(BGP{Hold: 9 * sec}, BGP{}), 9 * sec},
		// Source: RFC 2328 App. C.3.
		{"ospfv2 10/40", ospfPair(OSPF{}, OSPF{}), 40 * sec},
		{"ospfv3 1/4", ospfPair(OSPF{Version: 3, Hello: sec}, OSPF{Version: 3, Hello: sec}), 4 * sec},
		// Source: RFC 4444 and RFC 1142 §7.5.1; RFC 3719 §2.2 for the multiplier 3.
		{"isis lan 3 s times 10", lan(3*sec, 10, false), 30 * sec},
		{"isis designated 1 s times 10", lan(3*sec, 10, true), 10 * sec},
		{"isis lan 3 s times 3", lan(3*sec, 3, false), 9 * sec},
		{"isis designated 1 s times 3", lan(3*sec, 3, true), 3 * sec},
		{"isis point-to-point 10 s times 3", one(p2p, p2p), 30 * sec},
		{"isis holding time in whole seconds", one(ISIS{PointToPoint: true, Hello: 333 * ms}, p2p), sec},
		// Source: RFC 5798 §6.1, at an interval of 100 cs.
		{"vrrp backup of 100", vrrpPair(VRRP{Priority: 255}, VRRP{Priority: 100}), 3609375 * time.Microsecond},
		{"vrrp backup of 200", vrrpPair(VRRP{Priority: 255}, VRRP{Priority: 200}), 3218750 * time.Microsecond},
		{"vrrp backup of 254", vrrpPair(VRRP{Priority: 255}, VRRP{Priority: 254}), 3007812500 * time.Nanosecond},
		{"vrrp backup of 1", vrrpPair(VRRP{Priority: 255}, VRRP{Priority: 1}), 3996093750 * time.Nanosecond},
		{"vrrp takes over the active router's interval", vrrpPair(VRRP{Priority: 255, Interval: 500 * ms}, VRRP{Priority: 100, Interval: 4 * sec}), 1804687500 * time.Nanosecond},
		// Source: IEEE 802.1AX 6.4.4: the neighbour's own timeout.
		{"lacp neighbour short", one(LACP{System: "a"}, LACP{System: "b", Short: true}), 3 * sec},
		{"lacp neighbour long", one(LACP{System: "a", Short: true}, LACP{System: "b"}), 90 * sec},
		// Source: IEEE 802.1D-2004 17.21.23: three hello times of the root.
		{"rstp 2 s", one(RSTP{Priority: 4096}, RSTP{}), 6 * sec},
		{"rstp root says 1 s", one(RSTP{Priority: 4096, Hello: sec}, RSTP{Hello: 2 * sec}), 3 * sec},
		// Source: IEEE 802.1AB-2016 9.2.5.22, and its 2005 edition.
		{"lldp", one(LLDP{}, LLDP{}), 121 * sec},
		{"lldp 2005", one(LLDP{Edition2005: true}, LLDP{}), 120 * sec},
		// Source: RFC 7761 §4.11.
		{"pim", one(PIM{}, PIM{}), 105 * sec},
		// Source: RFC 5036 §3.5.2: the smaller of 15 and what is proposed.
		{"ldp link hello", ldpPair(LDP{}, LDP{}), 15 * sec},
		{"ldp hello 45 to 15", ldpPair(LDP{HelloHold: 45 * sec, Keepalive: 300 * sec}, LDP{}), 15 * sec},
		{"ldp session before hello", ldpPair(LDP{HelloHold: 45 * sec, Keepalive: 9 * sec}, LDP{HelloHold: 45 * sec}), 9 * sec},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := newRig(t, 1, tc.cfg)
			if got := r.at(0, far).view.Detect; got != tc.want {
				t.Errorf("told detection time: got %v, want %v", got, tc.want)
			}
			r.somewhen(time.Minute)
			// LDP's session hears more than hellos; its hello adjacency counts from
			// the last hello alone, so only an upper bound is exact there.
			got := r.cut(0)
			if ldp, ok := tc.cfg.Far.(LDP); ok && ldp.HelloHold == 0 {
				if got > tc.want || got < tc.want-5*sec {
					t.Errorf("given up after %v, want within one hello before %v", got, tc.want)
				}
			} else if got != tc.want {
				t.Errorf("given up after %v, want %v", got, tc.want)
			}
		})
	}
}

// TestSendingIntervals listens to each end for a long while.
func TestSendingIntervals(t *testing.T) {
	for _, tc := range []struct {
		name      string
		cfg       Config
		keep      func(Message) bool // which messages are periodic
		low, high time.Duration
	}{
		// Source: RFC 5880 §6.8.7: 0 to 25 % less.
		{"bfd 300 ms", one(BFD{}, BFD{}), nil, 225 * ms, 300 * ms},
		// Source: RFC 5880 §6.8.7: multiplier 1, 10 to 25 % less.
		{"bfd multiplier 1", one(BFD{DesiredMinTx: sec, Mult: 1}, BFD{}), nil, 750 * ms, 900 * ms},
		// Source: RFC 5880 §6.8.7: not faster than the other wants to hear.
		{"bfd slowed by the neighbour", one(BFD{DesiredMinTx: 10 * ms}, BFD{RequiredMinRx: 100 * ms}), nil, 75 * ms, 100 * ms},
		// Source: RFC 4271 §10: a third of the hold time, jitter 0.75 to 1.
		{"bgp hold 90", bgpPair(BGP{}, BGP{}), nil, 22500 * ms, 30 * sec},
		{"bgp hold 9", bgpPair(BGP{Hold: 9 * sec}, BGP{}), nil, 2250 * ms, 3 * sec},
		// Source: RFC 4271 §4.4: at most one a second.
		{"bgp hold 3", bgpPair(BGP{Hold: 3 * sec}, BGP{}), nil, sec, sec},
		{"ospf", ospfPair(OSPF{}, OSPF{}), nil, 10 * sec, 10 * sec},
		// Source: RFC 1142 §10.1.
		{"isis lan", one(ISIS{}, ISIS{}), nil, 2250 * ms, 3 * sec},
		{"isis designated", one(ISIS{Designated: true}, ISIS{}), nil, sec, sec},
		{"vrrp", vrrpPair(VRRP{Priority: 200}, VRRP{}), nil, sec, sec},
		// Source: IEEE 802.1AX: the partner's timeout bit sets the rate.
		{"lacp to a short partner", one(LACP{System: "a"}, LACP{System: "b", Short: true}), nil, sec, sec},
		{"lacp to a long partner", one(LACP{System: "a", Short: true}, LACP{System: "b"}), nil, 30 * sec, 30 * sec},
		{"rstp", one(RSTP{Priority: 4096}, RSTP{}), nil, 2 * sec, 2 * sec},
		{"lldp", one(LLDP{}, LLDP{}), nil, 30 * sec, 30 * sec},
		{"pim", one(PIM{}, PIM{}), nil, 30 * sec, 30 * sec},
		{"ldp hello", ldpPair(LDP{}, LDP{}), func(m Message) bool { _, ok := m.(ldpHello); return ok }, 5 * sec, 5 * sec},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := newRig(t, 3, tc.cfg)
			n := r.at(0, device)
			var last time.Time
			seen, low, high := 0, time.Duration(math.MaxInt64), time.Duration(0)
			for seen < 400 {
				at := r.next()
				mark := r.order
				r.advance(at)
				for _, it := range r.queue { // what was sent just now
					if it.msg == nil || it.order <= mark || it.end != r.at(0, far) || tc.keep != nil && !tc.keep(it.msg) {
						continue
					}
					if p, ok := it.msg.(bfdPacket); ok && p.final {
						continue
					}
					if !last.IsZero() {
						low, high = min(low, at.Sub(last)), max(high, at.Sub(last))
						seen++
					}
					last = at
				}
			}
			if low < tc.low || high > tc.high {
				t.Errorf("intervals from %v to %v, want within %v to %v", low, high, tc.low, tc.high)
			}
			// The range is used, not only kept to.
			if span := tc.high - tc.low; low > tc.low+span/10 || high < tc.high-span/10 {
				t.Errorf("intervals from %v to %v, want them to fill %v to %v", low, high, tc.low, tc.high)
			}
			if n.view.Send < high {
				t.Errorf("told interval %v, which is less than %v", n.view.Send, high)
			}
		})
	}
}

// survival is a protocol with a timer that the neighbour holds: hello is the
// interval, low times it the shortest, detect the detection time.
type survival struct {
	name          string
	cfg           Config
	hello, detect time.Duration
	low           float64
}

func survivals() []survival {
	return []survival{
		{"bgp", bgpPair(BGP{Hold: 9 * sec}, BGP{}), 3 * sec, 9 * sec, 0.75},
		{"ospfv2", ospfPair(OSPF{Hello: sec}, OSPF{Hello: sec}), sec, 4 * sec, 1},
		{"ospfv3", ospfPair(OSPF{Version: 3}, OSPF{Version: 3}), 10 * sec, 40 * sec, 1},
		{"isis lan", one(ISIS{Hello: sec, Mult: 3}, ISIS{}), sec, 3 * sec, 0.75},
		{"isis designated", one(ISIS{Hello: 3 * sec, Mult: 4, Designated: true}, ISIS{}), sec, 4 * sec, 1},
		{"isis point-to-point", one(ISIS{PointToPoint: true}, ISIS{PointToPoint: true}), 10 * sec, 30 * sec, 0.75},
		{"bfd", one(BFD{}, BFD{}), 300 * ms, 900 * ms, 0.75},
		{"vrrp", vrrpPair(VRRP{Priority: 200}, VRRP{}), sec, 3609375 * time.Microsecond, 1},
		{"lacp short", one(LACP{System: "a"}, LACP{System: "b", Short: true}), sec, 3 * sec, 1},
		{"lacp long", one(LACP{System: "a"}, LACP{System: "b"}), 30 * sec, 90 * sec, 1},
		{"rstp", one(RSTP{Priority: 4096}, RSTP{}), 2 * sec, 6 * sec, 1},
		{"lldp", one(LLDP{}, LLDP{}), 30 * sec, 121 * sec, 1},
		{"pim", one(PIM{}, PIM{}), 30 * sec, 105 * sec, 1},
		{"ldp", ldpPair(LDP{}, LDP{}), 5 * sec, 15 * sec, 1},
	}
}

// helloAge is how long ago the neighbour last heard what keeps its timer.
func helloAge(n *end, now time.Time) time.Duration {
	if m, ok := n.machine.(*ldp); ok { // hellos and session messages mix
		return now.Sub(m.adjAt.Add(-m.helloHold))
	}
	return now.Sub(n.lastHeard)
}

// TestSureAtRiskFatal keeps silences of which nothing, something and everything
// must die, and checks each single one against its own phase.
func TestSureAtRiskFatal(t *testing.T) {
	const trials = 40
	for _, p := range survivals() {
		t.Run(p.name, func(t *testing.T) {
			r := newRig(t, 7, p.cfg)
			count := func(s time.Duration) (lost int) {
				for range trials {
					r.pass(5 * p.detect)
					r.somewhen(4 * p.hello)
					if !r.at(0, far).view.Carrying || !r.at(0, device).view.Up {
						r.pass(3 * time.Minute) // a longer way back
						if !r.at(0, far).view.Carrying {
							t.Fatalf("not back up: %+v", r.at(0, far).view)
						}
					}
					r.silence()
					r.pass(ms)
					phase := helloAge(r.at(0, far), r.now)
					r.pass(s - ms)
					r.wake(Synchronised)
					o := r.result(0)
					died := o.Result == Dropped
					// The first message after waking arrives a latency later.
					want := phase-ms+s+DefaultLatency >= p.detect
					if died != want {
						t.Errorf("silence %v, last heard %v before it, detection %v: dropped %v, want %v", s, phase-ms, p.detect, died, want)
					}
					if died {
						lost++
					}
				}
				return lost
			}
			if n := count(p.detect - p.hello - 2*ms); n != 0 {
				t.Errorf("a silence that is surely survived: lost %d of %d", n, trials)
			}
			if n := count(p.detect - p.hello/2); n == 0 || n == trials {
				t.Errorf("a silence at risk: lost %d of %d, want some", n, trials)
			}
			if n := count(p.detect + ms); n != trials {
				t.Errorf("a fatal silence: lost %d of %d", n, trials)
			}
		})
	}
}

// aged is the probability that the last message of a sender that draws each
// interval uniformly between low×h and h is younger than x at a random moment.
// It follows from the standards' definition of the intervals alone: the age at
// a random moment has the density (1−F(a))/E, F the distribution of the
// interval and E its mean. Source: renewal theory, the inspection paradox.
func aged(x, h time.Duration, low float64) float64 {
	a, hi := x.Seconds(), h.Seconds()
	lo := low * hi
	mean := (lo + hi) / 2
	switch {
	case a <= 0:
		return 0
	case a <= lo:
		return a / mean
	case a >= hi:
		return 1
	}
	// lo + ∫ from lo to a of (hi−u)/(hi−lo) du
	return (lo + ((hi-lo)*(hi-lo)-(hi-a)*(hi-a))/(2*(hi-lo))) / mean
}

// TestFrequencyOfSurvival compares how often adjacencies live with the
// probability that follows from the standards: (D−S)/h where there is no
// jitter, and its renewal form where there is.
func TestFrequencyOfSurvival(t *testing.T) {
	const trials = 400
	for _, p := range survivals() {
		t.Run(p.name, func(t *testing.T) {
			for _, part := range []float64{0.25, 0.6} {
				s := p.detect - time.Duration(part*float64(p.hello))
				want := aged(p.detect-s-DefaultLatency, p.hello, p.low)
				if p.low == 1 { // Source: silence measured on daemons: p = (D−S)/h
					if simple := (p.detect - s).Seconds() / p.hello.Seconds(); math.Abs(simple-want) > 0.003 {
						t.Fatalf("the test's own two forms disagree: %v, %v", simple, want)
					}
				}
				lived := 0
				r := newRig(t, uint64(1000*part), p.cfg)
				for range trials {
					r.pass(5 * p.detect)
					for range 100 {
						if r.at(0, far).view.Carrying && r.at(0, device).view.Up {
							break
						}
						r.pass(10 * sec)
					}
					// Long enough that the phase forgets the moment of coming up.
					r.somewhen(60 * p.hello)
					r.silent(s, Synchronised)
					if r.result(0).Result == Held {
						lived++
					}
				}
				// Source: binomial distribution; four standard deviations.
				sd := math.Sqrt(trials * want * (1 - want))
				if diff := math.Abs(float64(lived) - trials*want); diff > 4*sd {
					t.Errorf("silence %v of %v: %d of %d lived, want %.1f ± %.1f", s, p.detect, lived, trials, trials*want, 4*sd)
				}
			}
		})
	}
}

// TestSameSeedSameHistory: whatever the steps in which time is moved on, what
// happens and when is the same.
func TestSameSeedSameHistory(t *testing.T) {
	history := func(step time.Duration) (out []string) {
		r := newRig(t, 5, DefaultNeighbours()...)
		run := func(d time.Duration) {
			for to := r.now.Add(d); r.now.Before(to); {
				r.advance(minTime(to, r.now.Add(step)))
				for _, c := range r.changes {
					out = append(out, fmt.Sprintf("%v %v %s %s", c.At, c.Far, c.Key, c.Now))
				}
				r.changes = nil
			}
		}
		run(17 * sec)
		r.silence()
		run(5 * sec)
		r.wake(GracefulRestart)
		run(3 * time.Minute)
		return out
	}
	want := history(ms)
	if len(want) < 30 {
		t.Fatalf("only %d changes", len(want))
	}
	if diff := cmp.Diff(want, history(time.Minute)); diff != "" {
		t.Errorf("in large steps (-small +large):\n%s", diff)
	}
}

func minTime(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// TestSelfDrop holds the device's own timer against each way an implementation
// may wake with it. Source: measured on daemons: survive iff the neighbour's
// timer holds and, where the device acts on its own overdue timer first, that
// one held too.
func TestSelfDrop(t *testing.T) {
	// The device's own detection is short, the neighbour's long, so that only the
	// device's own timer can run out.
	cfgs := []struct {
		name string
		cfg  Config
		own  time.Duration
		kill bool // a self-drop that is acted on takes the neighbour down
	}{
		{"bfd", one(BFD{Mult: 50}, BFD{Mult: 3}), 900 * ms, true},
		{"bgp", bgpPair(BGP{Hold: 9 * sec, Keepalive: sec}, BGP{Hold: 9 * sec}), 9 * sec, true},
		{"isis point-to-point", one(ISIS{PointToPoint: true, Hello: 10 * sec, Mult: 6}, ISIS{PointToPoint: true, Hello: sec, Mult: 3}), 3 * sec, true},
		{"isis lan", one(ISIS{Hello: 3 * sec, Mult: 20}, ISIS{Hello: sec, Mult: 3}), 3 * sec, false},
		{"lldp", one(LLDP{}, LLDP{Interval: sec, Hold: 3}), 4 * sec, false},
		{"pim", one(PIM{}, PIM{Hello: sec}), 3500 * ms, false},
	}
	for _, tc := range cfgs {
		for _, drop := range []SelfDrop{SelfDropNone, SelfDropLocal, SelfDropKills} {
			if tc.name == "bgp" && drop == SelfDropLocal {
				continue // a session cannot be learnt again without saying so
			}
			t.Run(tc.name+" "+drop.String(), func(t *testing.T) {
				cfg := tc.cfg
				cfg.DeviceProfile.SelfDrop = drop
				for seed := range uint64(20) {
					r := newRig(t, seed, cfg)
					r.somewhen(20 * sec)
					n := r.at(0, device)
					phase := r.now.Sub(n.lastHeard)
					// From safe for the device's own timer to fatal.
					s := tc.own - time.Duration(r.rng.Int64N(int64(tc.own/2)))
					overdue := phase+s >= tc.own
					if f := r.at(0, far); r.now.Sub(f.lastHeard)+s+DefaultLatency >= f.view.Detect {
						continue // BGP's one hold time: the neighbour's runs out as well
					}
					r.silent(s, Synchronised)
					o := r.result(0)
					if o.OwnDrop != (overdue && drop != SelfDropNone) {
						t.Errorf("seed %d: silence %v, heard %v before, own time %v: own drop %v, overdue %v", seed, s, phase, tc.own, o.OwnDrop, overdue)
					}
					wantDropped := overdue && drop == SelfDropKills && tc.kill
					if tc.name == "bfd" && drop == SelfDropLocal && overdue {
						wantDropped = true // Down is told with the next packet
					}
					told := slices.ContainsFunc(r.changes, func(c Change) bool { return !c.Far && c.WasUp && !c.Up })
					if want := overdue && (drop == SelfDropKills || wantDropped); told != want {
						t.Errorf("seed %d: silence %v, overdue %v: the device's own loss was told %v, want %v", seed, s, overdue, told, want)
					}
					if (o.Result == Dropped) != wantDropped {
						t.Errorf("seed %d: silence %v, overdue %v: %v (%s), want dropped %v", seed, s, overdue, o.Result, o.Why, wantDropped)
					}
				}
			})
		}
	}
}

// TestLocalDropSaysNothing: a backup router that promotes itself on an overdue
// timer, and reads what waits before it speaks, disturbs nobody.
func TestLocalDropSaysNothing(t *testing.T) {
	for drop, want := range map[SelfDrop]bool{SelfDropNone: false, SelfDropLocal: false, SelfDropKills: true} {
		cfg := vrrpPair(VRRP{Priority: 100}, VRRP{Priority: 200})
		cfg.DeviceProfile.SelfDrop = drop
		r := newRig(t, 1, cfg)
		last := r.at(0, far).lastHeard
		r.silent(20*sec, Synchronised)
		r.pass(500 * ms)
		if got := r.at(0, far).lastHeard.After(last); got != want {
			t.Errorf("%v: the active router heard from the backup: %v, want %v", drop, got, want)
		}
		if role := r.at(0, device).view.Role; role != "backup" {
			t.Errorf("%v: the device is %s, want backup in the end", drop, role)
		}
	}
}

// TestLateHello: an implementation that gave its neighbour up sends its first
// hello a whole interval late. Source: measured on a daemon: 1, 2 and 10 s for
// hellos of 1, 2 and 10 s.
func TestLateHello(t *testing.T) {
	for _, late := range []bool{false, true} {
		cfg := ospfPair(OSPF{Hello: 2 * sec}, OSPF{Hello: 2 * sec})
		cfg.DeviceProfile = Profile{SelfDrop: SelfDropKills, LateHello: late}
		r := newRig(t, 1, cfg)
		r.silent(9*sec, Synchronised)
		woke := r.now
		r.pass(0)
		m, _ := r.at(0, device).machine.(*ospf)
		want := 2 * sec // its timer fired at once and counts anew, or was put off
		if got := m.helloAt.Sub(woke); got != want {
			t.Errorf("late %v: next hello in %v, want %v", late, got, want)
		}
		sent := slices.ContainsFunc(r.queue, func(it *item) bool { _, ok := it.msg.(ospfHello); return ok })
		if sent == late {
			t.Errorf("late %v: a hello was sent at once: %v", late, sent)
		}
		if o := r.result(0); o.Result != Dropped || !o.OwnDrop {
			t.Errorf("late %v: %+v, want a drop of its own", late, o)
		}
	}
}

// TestResumeDelay: the start-up time of the device adds to the silence.
func TestResumeDelay(t *testing.T) {
	cfg := vrrpPair(VRRP{Priority: 200}, VRRP{})
	cfg.DeviceProfile.Resume = 700 * ms
	r := newRig(t, 1, cfg)
	r.silent(sec, Synchronised)
	if o := r.result(0); o.Result != Held || o.Gap < 1700*ms || o.Gap > 2701*ms {
		t.Errorf("got %+v, want held with a gap of 1.7 to 2.7 s", o)
	}
	r.silent(3*sec, Synchronised)
	if o := r.result(0); o.Result != Dropped {
		t.Errorf("got %+v, want dropped: 3 s and 0.7 s are more than 3.609 s", o)
	}
}

// TestTransportCut: where TCP loses its segments, what the neighbour sent comes
// by retransmission only. Source: RFC 6298 §5.5; measured delays 0.21, 0.41,
// 0.84, 1.69, 3.3 and 6.7 s.
func TestTransportCut(t *testing.T) {
	for _, tc := range []struct{ after, want time.Duration }{
		{0, 210 * ms}, {209 * ms, 210 * ms}, {210 * ms, 420 * ms}, {800 * ms, 840 * ms},
		{sec, 1680 * ms}, {3 * sec, 3360 * ms}, {3400 * ms, 6720 * ms},
	} {
		if got := retransmitted(epoch, epoch.Add(tc.after)).Sub(epoch); got != tc.want {
			t.Errorf("back after %v: delivered after %v, want %v", tc.after, got, tc.want)
		}
	}
	// The device's own hold timer is the one that runs out: what the neighbour
	// sent into the hole comes too late.
	lost := func(cut bool) (n int) {
		for seed := range uint64(40) {
			cfg := bgpPair(BGP{Hold: 9 * sec}, BGP{})
			cfg.DeviceProfile.TransportCut = cut
			r := newRig(t, seed, cfg)
			r.somewhen(time.Minute)
			r.silent(5500*ms, Synchronised)
			if r.result(0).Result == Dropped {
				n++
			}
		}
		return n
	}
	if n := lost(false); n != 0 {
		t.Errorf("5.5 s of 9 with TCP alive: lost %d of 40", n)
	}
	if n := lost(true); n == 0 {
		t.Error("5.5 s of 9 with TCP cut: nothing was lost")
	}
}

// listener notes what a machine hears.
type listener struct {
	Machine
	heard []letter
}

func (l *listener) Hear(now time.Time, m Message) {
	l.heard = append(l.heard, letter{at: now, msg: m})
	l.Machine.Hear(now, m)
}

// TestStreamKeepsItsOrder: while the first segment that was lost is on its way
// again, nothing that the neighbour sends later on the same connection is read;
// hellos, which are in no connection, are.
// Source: RFC 9293 §3.10.7.4, segments with higher beginning sequence numbers
// are held; §3.8.1 and RFC 6298 §5.5, the back-off; RFC 5036 §2.4.1, hellos are
// UDP.
func TestStreamKeepsItsOrder(t *testing.T) {
	held, behind, hellos := 0, 0, 0
	for seed := range uint64(60) {
		for _, cfg := range []Config{
			bgpPair(BGP{Hold: 90 * sec, Keepalive: sec}, BGP{Hold: 90 * sec, Keepalive: sec}),
			ldpPair(LDP{Hello: sec, Keepalive: 30 * sec}, LDP{Hello: sec, Keepalive: 30 * sec}),
		} {
			cfg.DeviceProfile.TransportCut = true
			r := newRig(t, seed, cfg)
			r.somewhen(time.Minute)
			r.silence()
			r.pass(time.Duration(4+seed%9) * sec)
			n := r.at(0, device)
			var first time.Time
			for _, l := range n.inbox {
				if streamOf(l.msg) != 0 {
					first = l.at
					break
				}
			}
			if first.IsZero() {
				continue // nothing was sent into the hole
			}
			ear := &listener{Machine: n.machine}
			n.machine = ear
			back := r.now
			r.wake(Synchronised)
			r.pass(30 * sec)
			due := first.Add(210 * ms) // by hand: 0.21 s, doubled until the path is back
			for wait := 420 * ms; !due.After(back); wait *= 2 {
				due = first.Add(wait)
			}
			got, lost := 0, 0
			for _, l := range ear.heard {
				switch {
				case streamOf(l.msg) == 0:
					if l.at.Before(due) {
						hellos++
					}
				case l.at.Before(due):
					t.Fatalf("%s, seed %d: heard %T %v after the path was back, before the first that was lost (%v)", cfg.Key(), seed, l.msg, l.at.Sub(back), due.Sub(back))
				case l.at.Equal(due):
					got++
				}
			}
			for at := first; at.Before(back); at = at.Add(sec) {
				lost++
			}
			if got == 0 {
				t.Fatalf("%s, seed %d: what was lost never came", cfg.Key(), seed)
			}
			held++
			if due.Sub(back) > 3*sec && cfg.Protocol() == "bgp" && got > lost {
				behind++
			}
		}
	}
	if held < 60 || behind < 5 || hellos < 20 {
		t.Errorf("%d streams with a gap, %d with segments behind it, %d hellos past it: too few to tell", held, behind, hellos)
	}
}

// TestHellosOfLDPKeepTheirOwnPhase: when an end hears the other for the first
// time it says Hello at once and goes on in its own period.
// Source: RFC 5036 §2.5.5, each end sends its own Hellos periodically.
func TestHellosOfLDPKeepTheirOwnPhase(t *testing.T) {
	const n = 200
	var parts [4]int
	for seed := range uint64(n) {
		r := newRig(t, seed, ldpPair(LDP{}, LDP{}))
		a, _ := r.at(0, device).machine.(*ldp)
		b, _ := r.at(0, far).machine.(*ldp)
		apart := (b.helloAt.Sub(a.helloAt)%(5*sec) + 5*sec) % (5 * sec)
		parts[int(4*apart/(5*sec))]++
	}
	for i, got := range parts {
		// Source: binomial distribution; four standard deviations.
		if want, sd := float64(n)/4, math.Sqrt(n*0.25*0.75); math.Abs(float64(got)-want) > 4*sd {
			t.Errorf("%d of %d pairs are apart by part %d of 4 of the interval, want %.0f ± %.0f", got, n, i+1, want, 4*sd)
		}
	}
}

// TestDetectionSpread: implementations that randomise or delay their detection.
// Source: measured on daemons: BGP hold uniform in 0.75 to 1 times the hold
// time; LACP up to 0.4 s late.
func TestDetectionSpread(t *testing.T) {
	spread := func(cfg Config) (low, high time.Duration) {
		low = time.Duration(math.MaxInt64)
		for seed := range uint64(60) {
			r := newRig(t, seed, cfg)
			got := r.cut(0)
			low, high = min(low, got), max(high, got)
		}
		return low, high
	}
	cfg := bgpPair(BGP{Hold: 60 * sec}, BGP{})
	cfg.FarProfile.HoldLow = 0.75
	if low, high := spread(cfg); low < 45*sec || low > 47*sec || high > 60*sec || high < 58*sec {
		t.Errorf("hold of 60 s drawn from 45 s on: got %v to %v", low, high)
	}
	cfg = one(LACP{System: "a"}, LACP{System: "b", Short: true})
	cfg.FarProfile.HoldLate = 400 * ms
	if low, high := spread(cfg); low < 3*sec || low > 3040*ms || high > 3400*ms || high < 3360*ms {
		t.Errorf("timeout of 3 s up to 0.4 s late: got %v to %v", low, high)
	}
}
