package network

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Sample is the demands over one period.
type Sample struct {
	At      time.Time // when it begins
	Length  time.Duration
	Volumes []float64 // by demand of the network
}

// DrainSet is devices that are to be out together.
type DrainSet struct {
	Name   string
	Change Change
}

// Safety says when a drain set may be out.
type Safety struct {
	Name string
	// Periods are those in which it holds, those that touch joined.
	Periods []Period
	// Samples say for each sample what was found, in their order.
	Samples []SampleSafety
}

// Period is from an instant up to another.
type Period struct{ From, To time.Time }

// SampleSafety is what one sample gives for one drain set.
type SampleSafety struct {
	At      time.Time
	Verdict Verdict
	// MaxUtilisation is the largest over the drain and all further failures, and
	// Failing the element with which it is reached, empty where it is none.
	MaxUtilisation float64
	Failing        string
	// Lost is the largest volume that has no path or lost an end.
	Lost float64
}

// SafeHours says for each drain set in which of the samples the network carries
// its demands, with any one further failure of the kinds of q, within q.Limit;
// q.Change is out all the time. A sample with a verdict of uncertain is not
// safe. Samples must be in order and must not overlap. The error wraps
// [ErrUnknown] or [ErrInvalid]. Cost: samples × drain sets × that of
// [State.WhatIf], without the single paths.
func (n *Network) SafeHours(samples []Sample, sets []DrainSet, q Question) ([]Safety, error) {
	if q.Limit == 0 {
		q.Limit = 1
	}
	for i, s := range samples {
		switch {
		case s.Length <= 0:
			return nil, fmt.Errorf("%w: sample %d at %v: found length %v, want more than 0", ErrInvalid, i, s.At.Format(time.RFC3339), s.Length)
		case i > 0 && samples[i-1].At.Add(samples[i-1].Length).After(s.At):
			return nil, fmt.Errorf("%w: sample %d at %v begins before the one before it ends", ErrInvalid, i, s.At.Format(time.RFC3339))
		}
	}
	out := make([]Safety, len(sets))
	for k, set := range sets {
		out[k].Name = set.Name
	}
	for _, sample := range samples {
		x, err := n.WithVolumes(sample.Volumes)
		if err != nil {
			return nil, fmt.Errorf("sample at %v: %w", sample.At.Format(time.RFC3339), err)
		}
		intact, err := x.Intact().With(q.Change)
		if err != nil {
			return nil, err
		}
		for k, set := range sets {
			f, err := intact.safety(set, q)
			if err != nil {
				return nil, fmt.Errorf("drain set %q: %w", set.Name, err)
			}
			f.At = sample.At
			out[k].Samples = append(out[k].Samples, f)
			if f.Verdict != Holds {
				continue
			}
			end := sample.At.Add(sample.Length)
			if p := out[k].Periods; len(p) > 0 && p[len(p)-1].To.Equal(sample.At) {
				p[len(p)-1].To = end
			} else {
				out[k].Periods = append(p, Period{sample.At, end})
			}
		}
	}
	return out, nil
}

func (s *State) safety(set DrainSet, q Question) (SampleSafety, error) {
	t, err := s.With(set.Change)
	if err != nil {
		return SampleSafety{}, err
	}
	r := t.result
	base := r.Unroutable + r.Dropped
	f := SampleSafety{MaxUtilisation: r.MaxUtilisation, Verdict: verdict(r.MaxUtilisation, q.Limit, q.Band), Lost: base}
	if base > 0 || r.UnroutableDemands > 0 || len(t.short(s)) > 0 {
		f.Verdict = Fails
	}
	for _, kind := range q.AlsoFail {
		all, err := t.failures(kind, q)
		if err != nil {
			return SampleSafety{}, err
		}
		for _, x := range all {
			f.Verdict = worse(f.Verdict, x.Verdict)
			f.Lost = max(f.Lost, base+x.NewlyLost)
			if x.MaxUtilisation > f.MaxUtilisation*(1+tolerance) {
				f.MaxUtilisation, f.Failing = x.MaxUtilisation, x.Element
			}
		}
	}
	return f, nil
}

// Peak returns the largest volume of each demand over the samples, times the
// growth factor: safer than any one of them, as demands seldom peak together.
func Peak(samples []Sample, growth float64) []float64 {
	var out []float64
	for _, s := range samples {
		if out == nil {
			out = make([]float64, len(s.Volumes))
		}
		for i, v := range s.Volumes {
			out[i] = math.Max(out[i], v*growth)
		}
	}
	return out
}

// BusiestSample returns the index of the sample with the largest sum of volumes,
// -1 where there is none.
func BusiestSample(samples []Sample) int {
	best, at := math.Inf(-1), -1
	for i, s := range samples {
		sum := 0.0
		for _, v := range s.Volumes {
			sum += v
		}
		if sum > best {
			best, at = sum, i
		}
	}
	return at
}

// PeakOverDay returns 24 hours of samples, each with the largest volume of each
// demand in that hour of the day, in the zone of the instants, over all samples
// and times the growth factor. The first day of the samples is the day of the
// answer; hours without any sample are left out.
func PeakOverDay(samples []Sample, growth float64) []Sample {
	if len(samples) == 0 {
		return nil
	}
	y, m, d := samples[0].At.Date()
	var out []Sample
	for h := range 24 {
		in := slices.DeleteFunc(slices.Clone(samples), func(s Sample) bool { return s.At.Hour() != h })
		if len(in) > 0 {
			out = append(out, Sample{time.Date(y, m, d, h, 0, 0, 0, samples[0].At.Location()), time.Hour, Peak(in, growth)})
		}
	}
	return out
}
