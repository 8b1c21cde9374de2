package app

import (
	"context"
	"fmt"
	"slices"
	"time"

	"towpath/internal/evidence"
	"towpath/internal/plan"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/survival"
)

// Hopped is one hop of a kept run: what was foretold of it and what came.
type Hopped struct {
	Run      string          `json:"run"`
	Device   string          `json:"device"`
	Platform string          `json:"platform"`
	From     string          `json:"from"`
	To       string          `json:"to"`
	Silence  evidence.Pair   `json:"silence"`
	Fates    []evidence.Fate `json:"adjacencies,omitempty"`
}

// History returns the hops of every kept run in which something was measured,
// the newest run first.
func History(ctx context.Context, s Store) ([]Hopped, error) {
	runs, err := s.Runs(ctx)
	if err != nil {
		return nil, err
	}
	var out []Hopped
	for _, r := range runs {
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
		for _, h := range doc.Hops {
			if h.Silence.Known || len(h.Adjacencies) > 0 {
				out = append(out, Hopped{Run: r.ID, Device: doc.Device, Platform: doc.Platform, From: h.From, To: h.To, Silence: h.Silence, Fates: h.Adjacencies})
			}
		}
	}
	return out, nil
}

// Pairs are the adjacencies of the hops as forecast beside outcome. One whose
// outcome is not known is left out.
func Pairs(hops []Hopped) []survival.Pair {
	var out []survival.Pair
	for _, h := range hops {
		for _, f := range h.Fates {
			if f.Outcome == "held" || f.Outcome == "restarted" || f.Outcome == "lost" {
				protocol := f.Object
				for i, c := range f.Object {
					if c == ' ' {
						protocol = f.Object[:i]
						break
					}
				}
				out = append(out, survival.Pair{Protocol: protocol, Forecast: f.Survive, Survived: f.Outcome == "held"})
			}
		}
	}
	return out
}

// Measured are the silences that were measured in a hop of a platform.
func Measured(hops []Hopped, platform, from, to string) []time.Duration {
	var out []time.Duration
	for _, h := range hops {
		if h.Platform == platform && h.From == from && h.To == to && h.Silence.Known {
			out = append(out, h.Silence.Measured)
		}
	}
	return out
}

// law is the law of a hop's silence: the catalogue's, and what was measured in
// earlier runs beside it. runs is how many there were.
func (a *App) law(platform string, h release.Hop) (law survival.Law, runs int) {
	prior := survival.Silence{Least: h.Silence.Least, Likely: h.Silence.Likely, Most: h.Silence.Most}
	if a.Measured == nil {
		return survival.LawOf(prior), 0
	}
	seen := a.Measured(platform, h.From, h.To)
	if len(seen) == 0 {
		return survival.LawOf(prior), 0
	}
	return survival.Learn(prior, seen), len(seen)
}

// forecastOf forecasts the silence of one hop.
func (a *App) forecastOf(c *state.Capture, platform string, h release.Hop) survival.Forecast {
	return a.forecastGiven(c, platform, h, nil)
}

// forecastGiven forecasts the silence of one hop, given its preparations.
func (a *App) forecastGiven(c *state.Capture, platform string, h release.Hop, prepared []plan.Preparation) survival.Forecast {
	if c == nil || h.Silence == nil {
		return survival.Forecast{}
	}
	law, _ := a.law(platform, h)
	f := survival.PredictPrepared(c, law, survival.Options{}, changesOf(prepared))
	for _, p := range prepared {
		for i := range f.Adjacencies {
			if x := &f.Adjacencies[i]; slices.Contains(p.Saves, x.Name()) {
				x.Why += "; so prepared: " + p.Apply
			}
		}
	}
	return f
}
