package peers

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

const certainly = 0.001 // how near to 0 or 1 a forecast counts as sure

// pair is a protocol between two daemons with what is tried on them.
type pair struct {
	protocol, device, neighbour string
	suffix                      string // of the implementation in the table of trials
	timing                      timing
	sure, risky, fatal          []float64 // seconds
	short                       bool      // in the short form too
}

func (p pair) implementation(device, neighbour string) string {
	name := device
	if neighbour != device {
		name += "-" + neighbour
	}
	return name + p.suffix
}

func (p pair) String() string {
	return fmt.Sprintf("%s %s hello %v detect %v", p.protocol, p.implementation(p.device, p.neighbour), p.timing.hello, p.timing.detect)
}

const second = time.Second

var pairs = []pair{
	{"bgp", "frr", "frr", "", timing{second, 3 * second}, []float64{1.0}, []float64{2.4}, []float64{3.9}, true},
	{"bgp", "bird", "frr", "", timing{second, 3 * second}, []float64{1.1}, []float64{2.5}, []float64{3.9}, true},
	{"bgp", "frr", "bird", "", timing{second, 3 * second}, []float64{0.5}, []float64{1.7}, []float64{3.9}, false},
	{"bgp", "bird", "bird", "", timing{second, 3 * second}, []float64{0.5}, []float64{1.8}, []float64{3.9}, false},
	{"ospfv2", "frr", "frr", "-p2p", timing{second, 4 * second}, []float64{2.0}, []float64{3.3}, []float64{4.9}, true},
	{"ospfv2", "bird", "frr", "-p2p", timing{second, 4 * second}, []float64{2.0}, []float64{3.4}, []float64{4.9}, true},
	{"ospfv2", "frr", "bird", "-p2p", timing{second, 4 * second}, []float64{2.0}, []float64{3.3}, []float64{4.9}, false},
	{"isis", "frr", "frr", "-p2p", timing{second, 3 * second}, []float64{1.1}, []float64{2.5}, []float64{3.9}, true},
	{"bfd", "frr", "frr", "", timing{second, 3 * second}, []float64{1.1}, []float64{2.4}, []float64{3.9}, true},
	{"bfd", "ovs", "ovs", "", timing{second, 3 * second}, []float64{1.0}, []float64{2.5}, []float64{4.2}, false},
	{"vrrp", "keepalived", "keepalived", "-v2-device_master", timing{second, 3609375 * time.Microsecond}, []float64{1.6}, []float64{3.1}, []float64{4.5}, false},
	{"lldp", "lldpd", "lldpd", "", timing{second, 4 * second}, []float64{2.0}, []float64{3.5}, []float64{4.9}, true},
	{"lacp", "ovs", "ovs", "-fast", timing{second, 3 * second}, []float64{1.0}, []float64{2.7}, []float64{4.2}, false},
	{"rstp", "ovs", "ovs", "-root_a-links1", timing{2 * second, 6 * second}, []float64{1.8}, []float64{4.5}, []float64{7.2}, false},
}

// tried is one trial and what came of it.
type tried struct {
	protocol, implementation string
	timing                   timing
	planned, lasted          time.Duration
	survived                 bool
	stall                    time.Duration // the machine stood still: void
}

// rig is a pair that runs.
type rig struct {
	pair
	dev, nbr *place
	of       [2]daemon
}

// newRig starts both daemons and waits until both are content.
func (g *ground) newRig(p pair) (*rig, error) {
	g.start <- struct{}{}
	defer func() { <-g.start }()
	dev, nbr, err := g.joined(p.String())
	if err != nil {
		return nil, err
	}
	r := &rig{p, dev, nbr, [2]daemon{daemons[p.protocol][p.device], daemons[p.protocol][p.neighbour]}}
	for i, at := range []*place{dev, nbr} {
		if err := r.of[i].start(at, p.timing); err != nil {
			return nil, err
		}
	}
	return r, r.ready()
}

// ready waits until both ends have been content for two hello intervals.
func (r *rig) ready() error {
	var since time.Time
	return until(60*second, "up at both ends", func() (bool, error) {
		for i, at := range []*place{r.dev, r.nbr} {
			if err := at.alive(); err != nil {
				return false, err
			}
			v, err := r.of[i].view(at)
			if err != nil || !v.up {
				since = time.Time{}
				return false, err
			}
		}
		if since.IsZero() {
			since = time.Now()
		}
		return time.Since(since) > 2*r.timing.hello, nil
	})
}

// try is one trial.
func (r *rig) try(silence time.Duration, p *pulse) (tried, error) {
	out := tried{protocol: r.protocol, implementation: r.implementation(r.device, r.neighbour), timing: r.timing, planned: silence}
	if err := r.ready(); err != nil {
		return out, err
	}
	time.Sleep(time.Duration(rand.Float64() * float64(r.timing.hello)))
	began := time.Now()
	before, err := r.of[1].view(r.nbr)
	if err != nil || !before.up {
		return out, fmt.Errorf("before the silence: %+v %w", before, err)
	}
	if out.lasted, err = r.dev.silence(silence); err != nil {
		return out, err
	}
	// A device that drops its own side can cost the neighbour one more hello.
	time.Sleep(2*r.timing.hello + second)
	after, err := r.of[1].view(r.nbr)
	if err != nil {
		return out, err
	}
	out.survived = after.up && after.losses == before.losses
	out.stall = p.longest(began)
	return out, nil
}

func TestOne(t *testing.T) {
	g := newGround(t)
	p := newPulse()
	defer p.close()
	t.Log(versions())
	done := make(chan func())
	n := 0
	for _, x := range pairs {
		n++
		go func() {
			r, err := g.newRig(x)
			if err != nil {
				done <- func() { t.Errorf("%s: %v", x, err) }
				return
			}
			var all []tried
			for _, s := range append(append(append([]float64{}, x.sure...), x.risky...), x.fatal...) {
				o, err := r.try(time.Duration(s*float64(second)), p)
				if err != nil {
					done <- func() { t.Errorf("%s: %v", x, err) }
					return
				}
				all = append(all, o)
			}
			done <- func() {
				for _, o := range all {
					t.Logf("%+v", o)
				}
			}
		}()
	}
	for range n {
		(<-done)()
	}
	_ = math.Pi
}
