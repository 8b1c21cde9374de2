package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/readiness"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/survival"
	"towpath/internal/workspace"
)

// App is the use cases over one workspace.
type App struct {
	Workspace *workspace.Workspace
	Index     *release.Index
	Dial      Dialer
	Clock     conduct.Clock
	// Reach says whether a TCP address answers; it is how the out-of-band
	// console is tried.
	Reach func(ctx context.Context, address string) error
	// CertificateEnd returns when the certificate by which a device is reached
	// ends, where that can be told.
	CertificateEnd func(d fleet.Device) (time.Time, bool)
	// Upgrading says whether a run is open on a device, where that is known.
	Upgrading func(ctx context.Context, id fleet.DeviceID) (yes, known bool)
	// Measured returns the silences that earlier runs measured in a hop, where
	// they are kept; the next forecast uses them.
	Measured func(platform, from, to string) []time.Duration
}

// New makes the use cases of a workspace. It is an error when its catalogue
// makes no sense.
func New(ws *workspace.Workspace, dial Dialer, clock conduct.Clock) (*App, error) {
	x, err := ws.Catalogue.Index()
	if err != nil {
		return nil, err
	}
	return &App{Workspace: ws, Index: x, Dial: dial, Clock: clock}, nil
}

// ErrNoDevice says that the fleet has no such device.
var ErrNoDevice = errors.New("the fleet has no such device")

// Device finds a device of the fleet.
func (a *App) Device(id string) (fleet.Device, error) {
	d, ok := a.Workspace.Fleet.Device(fleet.DeviceID(id))
	if !ok {
		var near []string
		for _, x := range a.Workspace.Fleet.Devices {
			near = append(near, string(x.ID))
		}
		return d, fmt.Errorf("%w: %q; there are %s", ErrNoDevice, id, strings.Join(head(near, 12), ", "))
	}
	return d, nil
}

// Capture reads the device's state.
func (a *App) Capture(ctx context.Context, d fleet.Device) (*state.Capture, error) {
	dev, err := a.Dial(ctx, d)
	if err != nil {
		return nil, err
	}
	cp, err := dev.Capture(ctx, device.ScopeFull)
	return cp, errors.Join(err, dev.Close())
}

// CaptureTwice reads the device's state, waits, and reads it again, so that
// what must be steady can be told.
func (a *App) CaptureTwice(ctx context.Context, dev device.Device, gap time.Duration) (earlier, now *state.Capture, err error) {
	if gap > 0 {
		if earlier, err = dev.Capture(ctx, device.ScopeFull); err != nil {
			return nil, nil, err
		}
		if err = a.Clock.Sleep(ctx, gap); err != nil {
			return nil, nil, err
		}
	}
	defer holdRealTime(a.Clock)()
	now, err = dev.Capture(ctx, device.ScopeFull)
	return earlier, now, err
}

// Present is what the search needs of a device: what a capture shows, and
// where there is none what the fleet file says. Assumed lists what was taken
// from the file.
func Present(d fleet.Device, c *state.Capture) (now release.Present, assumed []string) {
	now = release.Present{Device: string(d.ID), Platform: d.Platform, Release: d.Release, Features: slices.Clone(d.Features)}
	if c == nil {
		assumed = append(assumed, "release and components are those of the fleet file: no capture was read")
		for _, k := range d.Components {
			now.Components = append(now.Components, release.Installed{Name: k.Name, Kind: k.Kind, Part: k.Part, Firmware: k.Firmware})
		}
		return now, assumed
	}
	if v, ok := c.Release.Get(); ok {
		now.Release = v
	} else {
		assumed = append(assumed, "the device did not tell its release; the fleet file says "+d.Release)
	}
	for _, k := range c.Components {
		if empty, _ := k.Empty.Get(); empty {
			continue
		}
		now.Components = append(now.Components, release.Installed{Name: k.Name, Kind: k.Kind, Part: k.Part.Or(""), Firmware: k.Firmware.Or("")})
	}
	for _, f := range c.Features {
		if !slices.Contains(now.Features, f) {
			now.Features = append(now.Features, f)
		}
	}
	return now, assumed
}

// Hops searches the hop paths of a device; c may be nil.
func (a *App) Hops(d fleet.Device, c *state.Capture, to string, o release.Options) (release.Result, error) {
	now, assumed := Present(d, c)
	r, err := a.Index.Search(now, to, o)
	if err != nil {
		return r, err
	}
	r.Cautions = append(assumed, r.Cautions...)
	return r, nil
}

// ErrNoPath says that the target cannot be reached as things are.
var ErrNoPath = errors.New("no hop path")

// Prepared is everything that was found out about a device's change: it is
// what a plan is made from and a check reports.
type Prepared struct {
	Device    fleet.Device
	Platform  release.Platform
	Path      release.Path
	Capture   *state.Capture
	Backs     []release.Back
	Forecasts []survival.Forecast // one per hop, given the preparations; empty where there is no silence
	Advice    []HopAdvice         // one per hop; empty where nothing is prepared
	Fit       Fit
	Report    readiness.Report
	Plan      *plan.Plan
}

// Want says what a change is to be.
type Want struct {
	To          string
	AllowReload bool
	Path        int // which of the paths found, from 0, the best first
}

// Prepare finds everything out about a change and composes its plan. Earlier
// is a capture from some time before, for what must be steady; it may be nil,
// and so may dev, where only a saved capture is at hand.
func (a *App) Prepare(ctx context.Context, dev device.Device, d fleet.Device, c, earlier *state.Capture, w Want) (_ *Prepared, err error) {
	defer holdRealTime(a.Clock)()
	platform, err := a.Index.Platform(d.Platform)
	if err != nil {
		return nil, err
	}
	res, err := a.Hops(d, c, w.To, release.Options{AllowReload: w.AllowReload})
	if err != nil {
		return nil, err
	}
	if res.NoPath != nil {
		return nil, fmt.Errorf("%w: %s", ErrNoPath, res.NoPath.Reason)
	}
	if w.Path < 0 || w.Path >= len(res.Paths) {
		return nil, fmt.Errorf("%w number %d: there are %d", ErrNoPath, w.Path+1, len(res.Paths))
	}
	p := &Prepared{Device: d, Platform: platform, Path: res.Paths[w.Path], Capture: c}
	now, _ := Present(d, c)
	v := &advisor{app: a, dev: dev, device: d, capture: c, peers: map[string]*peer{}, barred: map[plan.Held]string{}}
	defer func() { err = errors.Join(err, v.close()) }()
	for i, h := range p.Path.Hops {
		b, err := a.Index.HopBack(now, p.Path, i, release.Options{AllowReload: true})
		if err != nil {
			return nil, err
		}
		advice, err := v.advise(ctx, h)
		if err != nil {
			return nil, err
		}
		p.Backs = append(p.Backs, b)
		p.Advice = append(p.Advice, advice)
		p.Forecasts = append(p.Forecasts, a.forecastGiven(c, d.Platform, h, advice.Prepare))
	}
	p.Fit = a.fit(p)
	if p.Report, err = a.ready(ctx, dev, p, earlier); err != nil {
		return nil, err
	}
	if len(p.Path.Hops) == 0 {
		return p, nil
	}
	if p.Plan, err = a.compose(p); err != nil {
		return nil, err
	}
	return p, nil
}

// CatalogueSilence is the silence that the catalogue gives for in-service hops
// from what the device is said to run: the widest of them.
func (a *App) CatalogueSilence(d fleet.Device) (s survival.Silence, ok bool) {
	now, _ := Present(d, nil)
	p, err := a.Index.Platform(d.Platform)
	if err != nil {
		return s, false
	}
	for _, r := range p.Releases {
		res, err := a.Index.Search(now, r.Version, release.Options{})
		if err != nil {
			continue
		}
		for _, path := range res.Paths {
			if len(path.Hops) == 0 || path.Hops[0].Silence == nil {
				continue
			}
			x := path.Hops[0].Silence
			if !ok {
				s, ok = survival.Silence{Least: x.Least, Likely: x.Likely, Most: x.Most}, true
			}
			s.Least, s.Likely, s.Most = min(s.Least, x.Least), max(s.Likely, x.Likely), max(s.Most, x.Most)
		}
	}
	return s, ok
}

// compose makes the plan of what was found.
func (a *App) compose(p *Prepared) (*plan.Plan, error) {
	layout, err := plan.LayoutOf(p.Capture)
	if err != nil {
		return nil, err
	}
	in := plan.Inputs{Device: p.Device, Platform: p.Platform, Path: p.Path, Layout: layout, Policy: a.Workspace.Policy, Now: a.Clock.Now()}
	for _, g := range a.Workspace.Fleet.GroupsOf(p.Device.ID) {
		for _, m := range g.Members {
			if m != p.Device.ID && !slices.Contains(in.Partners, m) {
				in.Partners = append(in.Partners, m)
			}
		}
	}
	now, _ := Present(p.Device, p.Capture)
	for i, h := range p.Path.Hops {
		rel, err := a.Index.Release(p.Device.Platform, h.To)
		if err != nil {
			return nil, err
		}
		hop := plan.HopInput{Images: release.ImagesFor(rel, now.Components), Untouched: 1, Removals: removals(p.Fit, i)}
		if f := p.Forecasts[i]; len(f.Adjacencies) > 0 {
			hop.Untouched = f.Untouched
			if ps := p.Advice[i].Prepare; len(ps) > 0 {
				hop.Prepare, hop.Bare = ps, p.Advice[i].Advice.Before
			}
			for _, x := range f.Adjacencies {
				if x.Carries {
					hop.LossLeast, hop.LossMost = max(hop.LossLeast, seconds(x.Range.Least)), max(hop.LossMost, seconds(x.Range.Most))
					hop.Loss = max(hop.Loss, seconds((x.Loss.Least+x.Loss.Most)/2))
				}
				hop.Outlook = append(hop.Outlook, plan.Outlook{Object: x.Name(), Outcome: strings.ToLower(string(x.Outcome)), Survive: x.Survive, Why: x.Why, Source: x.Source})
			}
		}
		if h.Silence != nil {
			if law, runs := a.law(p.Device.Platform, h); runs > 0 {
				hop.Silence = &release.SilenceRange{Least: law.Least(), Likely: law.Quantile(0.5), Most: law.Most()}
			}
		}
		if b := p.Backs[i]; b.None != "" {
			hop.NoBack = b.None
		} else {
			hop.Back = methodOf(b.Hops)
		}
		in.Hops = append(in.Hops, hop)
	}
	out, err := plan.Compose(in)
	if err != nil {
		return nil, err
	}
	for _, x := range p.Advice {
		for _, c := range x.Cautions {
			if !slices.Contains(out.Cautions, c) {
				out.Cautions = append(out.Cautions, c)
			}
		}
	}
	return out, nil
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// methodOf is the gravest method of the hops.
func methodOf(hops []release.Hop) string {
	for _, h := range hops {
		if h.Method == release.Reload {
			return release.Reload
		}
	}
	return release.InService
}

// Tolerances maps the policy's limits to those of the comparison.
func Tolerances(p policy.Policy) state.Tolerances {
	t := state.DefaultTolerances()
	c := p.Compare
	t.RouteCountPercent, t.MACCountPercent, t.ARPCountPercent = c.RouteCountPercent, c.MACCountPercent, c.ARPCountPercent
	t.PrefixPercent, t.CPUPoints, t.MemoryPoints = c.PrefixPercent, c.CPUPoints, c.MemoryPoints
	return t
}

// runChecks are the judgements of one run. They need only the plan and a fresh
// capture, so that a run that is taken up again is judged alike.
type runChecks struct {
	app  *App
	plan *plan.Plan
	dev  device.Device
}

// Ready implements [Checks].
func (r runChecks) Ready(ctx context.Context, earlier, c *state.Capture) (report []byte, blockers []string, err error) {
	d, err := r.app.Device(string(r.plan.Device))
	if err != nil {
		return nil, nil, err
	}
	p := &Prepared{Device: d, Path: r.plan.Path, Capture: c}
	if p.Platform, err = r.app.Index.Platform(d.Platform); err != nil {
		return nil, nil, err
	}
	for i, h := range p.Path.Hops {
		p.Forecasts = append(p.Forecasts, r.app.forecastGiven(c, d.Platform, h, r.plan.Hops[i].Prepare))
	}
	for _, h := range r.plan.Hops {
		p.Backs = append(p.Backs, release.Back{None: h.NoBack})
	}
	p.Fit = r.app.fit(p)
	rep, err := r.app.ready(ctx, r.dev, p, earlier)
	if err != nil {
		return nil, nil, err
	}
	if report, err = json.Marshal(rep); err != nil {
		return nil, nil, fmt.Errorf("app: encode the findings: %w", err)
	}
	return report, blockersOf(rep), nil
}

// Compare implements [Checks].
func (r runChecks) Compare(before, now *state.Capture, from, to string) (report []byte, stops []string) {
	c := state.Compare(before, now, Expectation(r.plan, from, to, now), Tolerances(r.app.Workspace.Policy))
	report, err := json.Marshal(c)
	if err != nil {
		return []byte("{}"), []string{"the comparison cannot be encoded: " + err.Error()}
	}
	for _, d := range c.Differences {
		if d.Class == state.Stop {
			stops = append(stops, strings.TrimPrefix(d.String(), "stop: "))
		}
	}
	return report, stops
}

// Expectation is what the plan was meant to change between the release from
// and the release to. Firmware never goes back: on the way back from a hop it
// may stand at either level.
func Expectation(p *plan.Plan, from, to string, now *state.Capture) state.Expectation {
	e := state.Expectation{From: from, To: to, Restart: true, Switchover: true, GracefulRestart: true, Firmware: map[string]string{}, PutBack: touchesSettings(p)}
	arrived := from == to
	for i, h := range p.Path.Hops {
		for _, f := range h.Firmware {
			k, _ := now.Component(f.Component)
			if level, ok := k.Firmware.Get(); !arrived || ok && level == f.To {
				e.Firmware[f.Component] = f.To
			}
		}
		for _, s := range p.Steps {
			if s.Hop != i {
				continue
			}
			switch s.Kind {
			case plan.TransferPackage, plan.TransferFirmware:
				e.Staged = append(e.Staged, path.Base(s.Image.File))
			case plan.RemoveFile:
				e.Removed = append(e.Removed, path.Base(s.File))
			default:
			}
		}
		arrived = arrived || h.To == to
	}
	return e
}
