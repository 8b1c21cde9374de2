package main

import (
	"context"
	"fmt"
	"math"
	"sync/atomic"
	"time"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/probe"
)

// prober gives the STAMP sender the shape that the conductor asks for.
type prober struct {
	sender *probe.Sender
	bucket time.Duration

	started atomic.Bool
}

// waited is how long a reply is waited for before its packet is lost.
const waited = 2 * time.Second

func newProber(spec app.ProbeSpec) (conduct.Prober, error) {
	cfg := probe.Config{Rate: spec.Rate, Bucket: spec.Bucket, Tmax: waited}
	for _, f := range spec.Flows {
		cfg.Flows = append(cfg.Flows, probe.Flow{Name: f.Name, To: f.To, Ports: f.Ports})
	}
	if len(cfg.Flows) == 0 {
		return noProber{}, nil
	}
	s, err := probe.NewSender(cfg)
	if err != nil {
		return nil, err
	}
	return &prober{sender: s, bucket: spec.Bucket}, nil
}

// Start implements [conduct.Prober].
func (p *prober) Start(ctx context.Context) error {
	if p.started.Load() {
		return nil
	}
	if err := p.sender.Start(ctx); err != nil {
		return err
	}
	p.started.Store(true)
	return nil
}

// Mark implements [conduct.Prober].
func (p *prober) Mark(label string) { p.sender.Mark(label, time.Now()) }

// Live implements [conduct.Prober].
func (p *prober) Live() conduct.Live {
	var l conduct.Live
	clean := time.Duration(math.MaxInt64)
	for _, f := range p.sender.Live() {
		l.Sent += f.Sent
		l.Lost += f.Lost
		// A gap that is still open may yet turn out to be replies that are only
		// late; from the waiting threshold on it is loss (RFC 7680 §2.8.2). One
		// that has ended is known at once.
		if f.Open < waited {
			f.Open = 0
		}
		if d, dir := f.Worst(); d > l.Worst {
			l.Worst, l.WorstFlow = d, f.Name+" "+dir.String()
		}
		clean = min(clean, f.Clean)
	}
	if l.Clean = clean; !p.started.Load() || l.Sent == 0 {
		l.Clean = 0
	}
	return l
}

// Snapshot implements [conduct.Prober].
func (p *prober) Snapshot() conduct.Measurement { return measurement(p.sender.Snapshot()) }

// Stop implements [conduct.Prober].
func (p *prober) Stop() conduct.Measurement { return measurement(p.sender.Stop()) }

// measurement turns a result of the sender into what the evidence holds.
func measurement(r probe.Result) conduct.Measurement {
	rep := r.Report()
	m := conduct.Measurement{
		Begun: r.Start, Ended: r.Start.Add(r.Length), Resolution: r.Resolution(), Waited: r.Tmax,
		TPLFrames: rep.TPLFrames, TPLTime: rep.TPLTime,
	}
	t := r.Totals()
	m.Sent, m.Lost = t.Sent, t.Lost
	m.Forward, m.Reverse, m.Unplaced = t.Forward.Lost, t.Reverse.Lost, t.RoundTrip.Lost
	m.Impaired, m.Closing = t.Impaired, t.Closing
	for _, k := range r.Marks {
		m.Marks = append(m.Marks, conduct.Mark{At: r.Start.Add(k.At), Label: k.Label})
	}
	for _, f := range r.Flows {
		m.Rate = max(m.Rate, float64(f.Rate))
		m.Late += f.TooLate
		m.Duplicates += f.Duplicates
		m.Bucket = max(m.Bucket, f.BucketWidth)
		for _, o := range f.Outages {
			m.Outages = append(m.Outages, conduct.Outage{Flow: f.Name, Direction: o.Direction.String(), From: r.Start.Add(o.Start), Until: r.Start.Add(o.End),
				Lost: o.Lost, ByLoss: o.ByLoss, ByTimestamp: o.ByTime})
		}
		for _, v := range f.Voids {
			m.Voids = append(m.Voids, conduct.Void{From: r.Start.Add(v.From), Until: r.Start.Add(v.To), Why: fmt.Sprintf("%s: %s", f.Name, v.Cause)})
		}
		if f.Trouble != "" {
			m.Voids = append(m.Voids, conduct.Void{From: r.Start, Until: r.Start.Add(r.Length), Why: f.Name + ": " + f.Trouble})
		}
		m.Series = append(m.Series, series(f)...)
	}
	return m
}

// series are the loss of a flow over time, one for each direction in which
// there was any, and one at least.
func series(f probe.FlowResult) []conduct.Series {
	n := len(f.Buckets)
	fwd := conduct.Series{Flow: f.Name, Direction: "forward", Sent: make([]uint32, n), Lost: make([]uint32, n)}
	rev := conduct.Series{Flow: f.Name, Direction: "reverse", Sent: make([]uint32, n), Lost: make([]uint32, n)}
	both := conduct.Series{Flow: f.Name, Direction: "round-trip", Sent: make([]uint32, n), Lost: make([]uint32, n)}
	unplaced := false
	for i, b := range f.Buckets {
		fwd.Sent[i], rev.Sent[i], both.Sent[i] = b.Sent, b.Sent, b.Sent
		fwd.Lost[i], rev.Lost[i], both.Lost[i] = b.Forward, b.Reverse, b.RoundTrip
		// What never reached the reflector could not be lost on the way back.
		rev.Sent[i] = b.Sent - min(b.Sent, b.Forward+b.RoundTrip)
		unplaced = unplaced || b.RoundTrip > 0
	}
	out := []conduct.Series{fwd, rev}
	if unplaced {
		out = append(out, both)
	}
	return out
}

// noProber stands where the policy names no flows: nothing is measured, and
// every claim about loss says so.
type noProber struct{}

func (noProber) Start(context.Context) error {
	return fmt.Errorf("the policy names no probe flows, so traffic cannot be measured: add probe.flows to policy.yaml")
}
func (noProber) Mark(string)                   {}
func (noProber) Live() conduct.Live            { return conduct.Live{} }
func (noProber) Snapshot() conduct.Measurement { return conduct.Measurement{} }
func (noProber) Stop() conduct.Measurement     { return conduct.Measurement{} }
