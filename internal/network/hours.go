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
	// Missing are the demands, by index, that were not measured then; what stands
	// for them in Volumes was put there by [ReadSeries].
	Missing []int
	// Estimation, where the volumes come from one, gives the error of the sample.
	Estimation *Estimation
}

// DrainSet is devices that are to be out together.
type DrainSet struct {
	Name   string
	Change Change
}

// Safety says when a drain set may be out.
type Safety struct {
	Name string `json:"name"`
	// Periods are those in which it holds, those that touch joined.
	Periods []Period `json:"periods"`
	// Samples say for each sample what was found, in their order.
	Samples []SampleSafety `json:"samples"`
	// Length is how long each sample lasts, 0 where they differ.
	Length time.Duration `json:"-"`
}

// Period is from an instant up to another.
type Period struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// SampleSafety is what one sample gives for one drain set.
type SampleSafety struct {
	At      time.Time `json:"at"`
	Verdict Verdict   `json:"verdict"`
	// MaxUtilisation is the largest over the drain and all further failures, and
	// Failing the element with which it is reached, empty where it is none.
	MaxUtilisation float64 `json:"max_utilisation"`
	Failing        string  `json:"failing,omitempty"`
	// Lost is the largest volume that has no path or lost an end, and CutBy the
	// element with whose failure that is so, empty where it is none.
	Lost  float64 `json:"lost"`
	CutBy string  `json:"cut_by,omitempty"`
}

// SafeHours says for each drain set in which of the samples the network carries
// its demands, with any one further failure of the kinds of q, within q.Limit;
// q.Change is out all the time. A further failure that cuts off as many demands
// with nothing drained is not held against the drain. A sample with a verdict of
// uncertain is not safe. Samples must be in order and must not overlap. The error wraps
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
		for i, x := range samples {
			if out[k].Length = x.Length; i > 0 && x.Length != samples[0].Length {
				out[k].Length = 0
				break
			}
		}
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
			q := q
			if sample.Estimation != nil {
				q.Estimation = sample.Estimation
			}
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
	q.given = q.Band
	least, most := t.span(q)
	f := SampleSafety{MaxUtilisation: r.MaxUtilisation, Verdict: between(least, most, q.Limit), Lost: base}
	if base > 0 || r.UnroutableDemands > 0 || len(t.short(s)) > 0 {
		f.Verdict = Fails
	}
	for _, kind := range q.AlsoFail {
		all, changes, err := t.failures(kind, q)
		if err != nil {
			return SampleSafety{}, err
		}
		s.compareFailures(all, changes, q)
		for _, x := range all {
			if x.NewlyLostDemands > 0 && x.Before {
				continue // it hangs on that alone, whatever is drained
			}
			f.Verdict = worse(f.Verdict, x.Verdict)
			if lost := base + x.NewlyLost; lost > f.Lost {
				f.Lost, f.CutBy = lost, x.Element
			}
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
			out = append(out, Sample{At: time.Date(y, m, d, h, 0, 0, 0, samples[0].At.Location()), Length: time.Hour, Volumes: Peak(in, growth)})
		}
	}
	return out
}

// Pattern is how samples come again.
type Pattern string

// The patterns.
const (
	Daily  Pattern = "day"  // every day is like the days measured
	Weekly Pattern = "week" // every Monday is like the Mondays measured, and so on
)

// Recurring returns the periods between from and until in which the drain set
// is safe, if demands come again by the pattern in the zone: a time is safe where
// every sample of the same time of day, and with [Weekly] of the same day of the
// week, was. A time of which there is no sample is not safe. All samples must
// have one length, a day or less. It is what a scheduler asks for: windows of
// the coming weeks from the measurements of the last ones. The error wraps
// [ErrInvalid].
func (s Safety) Recurring(by Pattern, zone *time.Location, from, until time.Time) ([]Period, error) {
	if by != Daily && by != Weekly {
		return nil, fmt.Errorf("%w: pattern: found %q, want %q or %q", ErrInvalid, by, Daily, Weekly)
	}
	if len(s.Samples) == 0 || !until.After(from) {
		return nil, nil
	}
	length := s.Length
	if length <= 0 || length > 24*time.Hour {
		return nil, fmt.Errorf("%w: length of the samples: found %v, want all alike and at most a day", ErrInvalid, length)
	}
	type phase struct {
		day    time.Weekday
		second int
	}
	at := func(t time.Time) phase {
		t = t.In(zone)
		p := phase{second: t.Hour()*3600 + t.Minute()*60 + t.Second()}
		if by == Weekly {
			p.day = t.Weekday()
		}
		return p
	}
	unsafe, known := map[phase]bool{}, map[phase]bool{}
	for _, x := range s.Samples {
		p := at(x.At)
		known[p] = true
		if x.Verdict != Holds {
			unsafe[p] = true
		}
	}
	// The grid of the samples, carried on to before from.
	first := s.Samples[0].At
	steps := from.Sub(first) / length
	t := first.Add(steps * length)
	for t.After(from) {
		t = t.Add(-length)
	}
	var out []Period
	for ; t.Before(until); t = t.Add(length) {
		p := at(t)
		if !known[p] || unsafe[p] {
			continue
		}
		begin, end := t, t.Add(length)
		if begin.Before(from) {
			begin = from
		}
		if end.After(until) {
			end = until
		}
		if !end.After(begin) {
			continue
		}
		if k := len(out); k > 0 && out[k-1].To.Equal(begin) {
			out[k-1].To = end
		} else {
			out = append(out, Period{begin, end})
		}
	}
	return out, nil
}
