package app

import (
	"context"
	"fmt"
	"time"

	"towpath/internal/plan"
)

// StepTimes are measured durations of steps, by platform and kind of step. Of
// transfers it keeps the rate, since images differ in size.
type StepTimes map[stepKey][]float64

// stepKey says which steps are alike. The seconds of a step are kept, of a
// transfer its bit/s.
type stepKey struct {
	platform string
	kind     plan.Kind
	standby  bool // the secondary of a pair is fed through the primary
}

func keyOf(platform string, s plan.Step) stepKey {
	return stepKey{platform, s.Kind, s.Standby && s.Kind == plan.TransferPackage}
}

func transfers(k plan.Kind) bool { return k == plan.TransferPackage || k == plan.TransferFirmware }

// of are the durations that were measured of steps like this one.
func (t StepTimes) of(platform string, s plan.Step) []time.Duration {
	var out []time.Duration
	for _, x := range t[keyOf(platform, s)] {
		if transfers(s.Kind) {
			if s.Image.Size <= 0 {
				return nil
			}
			x = float64(s.Image.Size) * 8 / x
		}
		out = append(out, time.Duration(x*float64(time.Second)))
	}
	return out
}

// Add keeps the duration of one step.
func (t StepTimes) Add(platform string, s plan.Step, took time.Duration) {
	x := took.Seconds()
	if x <= 0 {
		return
	}
	if transfers(s.Kind) {
		if s.Image.Size <= 0 {
			return
		}
		x = float64(s.Image.Size) * 8 / x
	}
	k := keyOf(platform, s)
	t[k] = append(t[k], x)
}

// Count is how many durations are kept.
func (t StepTimes) Count() (n int) {
	for _, l := range t {
		n += len(l)
	}
	return n
}

// MeasuredSteps reads the durations of steps from every kept run: of those that
// were done at the first attempt on the way forward. Runs on an emulated lab
// teach nothing about real devices and are passed over.
func MeasuredSteps(ctx context.Context, s Store) (StepTimes, error) {
	runs, err := s.Runs(ctx)
	if err != nil {
		return nil, err
	}
	out := StepTimes{}
	for _, r := range runs {
		in, _, err := inputOf(r)
		if err != nil {
			return nil, err
		}
		if in.Lab != "" || in.Plan == nil {
			continue
		}
		raw, err := s.Journal(ctx, r.ID)
		if err != nil {
			return nil, err
		}
		if len(raw) == 0 {
			continue // kept, and ended before its first record
		}
		doc, err := Evidence(ctx, s, r, nil)
		if err != nil {
			return nil, fmt.Errorf("run %s: %w", r.ID, err)
		}
		byID := map[string]plan.Step{}
		for _, x := range in.Plan.Steps {
			byID[x.ID] = x
		}
		for _, x := range doc.Steps {
			if s, ok := byID[x.ID]; ok && x.Result == "done" && !x.Back && x.Try <= 1 {
				out.Add(in.Plan.Platform, s, x.Took)
			}
		}
	}
	return out, nil
}
