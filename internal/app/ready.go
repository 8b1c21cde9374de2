package app

import (
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/fleet"
	"towpath/internal/readiness"
	"towpath/internal/release"
	"towpath/internal/state"
)

// asks is how often the management interface is asked for a sign of life when
// readiness is checked.
const asks = 5

// observe finds out by itself what no capture tells. Without a connection
// everything stays unknown.
func (a *App) observe(ctx context.Context, dev device.Device, d fleet.Device, p *Prepared) readiness.Observed {
	var o readiness.Observed
	if a.CertificateEnd != nil {
		if end, ok := a.CertificateEnd(d); ok {
			o.Certificate = state.Some(end)
		}
	}
	line := d.Access.Console
	o.Console = a.tryConsoles(ctx, d)
	for _, c := range p.Fit.Cards {
		fit := readiness.CardFit{Controller: c.Controller, Fits: c.Fits, Short: c.Short}
		for _, f := range c.Delete {
			fit.Delete = append(fit.Delete, f.File)
		}
		o.Storage = append(o.Storage, fit)
	}
	if dev == nil {
		return o
	}
	if len(p.Path.Hops) > 0 {
		o.Cannot = append(cannot(dev, p.Path), untold(p.Capture)...)
	}
	var reach readiness.Reach
	for range asks {
		begun := time.Now()
		v, err := dev.Verify(ctx)
		reach.Asked++
		if err != nil {
			continue
		}
		reach.Answered++
		reach.Slowest = max(reach.Slowest, time.Since(begun))
		for _, k := range p.Capture.Controllers() {
			if len(p.Capture.Controllers()) == 1 || v.Standby.ID != "" && k.Name != v.Standby.ID {
				o.AnsweredBy = state.Some(k.Name)
			}
		}
	}
	o.Management = state.Some(reach)
	if line != nil && d.Console.Address == "" && len(line.Controllers) < 2 && reach.Answered > 0 {
		o.Console = state.Some(true) // it was spoken over
	}
	o.Hashes = a.stagedHashes(ctx, dev, p)
	return o
}

// limited is a device whose driver knows, without asking it, what it cannot do.
type limited interface{ Lacks() device.Lacks }

// cannot lists the acts of a path that a device's driver cannot do.
func cannot(dev device.Device, p release.Path) []string {
	d, ok := dev.(limited)
	if !ok {
		return nil
	}
	lacks := d.Lacks()
	var out []string
	add := func(lack bool, format string, args ...any) {
		if what := fmt.Sprintf(format, args...); lack && !slices.Contains(out, what) {
			out = append(out, what)
		}
	}
	for _, h := range p.Hops {
		add(lacks.Install, "install a release")
		add(lacks.RestartDevice && h.Method == release.Reload, "restart the whole device, as the reload from %s to %s does", h.From, h.To)
		add(lacks.SwitchOver && h.Method == release.InService, "hand over to the other controller card, as the hop from %s to %s does", h.From, h.To)
		add(lacks.ComponentImage && len(h.Firmware) > 0, "put firmware into a component, as the hop from %s to %s does", h.From, h.To)
	}
	return out
}

// untold says of which cards the device does not tell the release, which each hop
// waits to see on all of them: a run would go on to wait in vain after the restart.
func untold(c *state.Capture) []string {
	var names []string
	for _, k := range c.Components {
		card := k.Kind == state.KindLineCard && !k.Empty.Or(false) || k.Kind == state.KindControllerCard && k.Role.Known()
		if card && !k.Version.Known() {
			names = append(names, k.Name)
		}
	}
	if len(names) == 0 {
		return nil
	}
	return []string{"tell the release of " + strings.Join(names, ", ") + ", by which a run sees that a hop is done"}
}

// stagedHashes reads back and hashes image files of the path that already lie
// on the device.
func (a *App) stagedHashes(ctx context.Context, dev device.Device, p *Prepared) []readiness.FileHash {
	var names []string
	for _, h := range p.Path.Hops {
		if rel, err := a.Index.Release(p.Device.Platform, h.To); err == nil {
			for _, im := range rel.Images {
				names = append(names, path.Base(im.File))
			}
		}
	}
	var out []readiness.FileHash
	for _, v := range p.Capture.Volumes {
		for _, f := range v.Files {
			if !slices.Contains(names, path.Base(f.Path)) {
				continue
			}
			if sum, err := dev.HashFile(ctx, v.Controller, f.Path); err == nil {
				out = append(out, readiness.FileHash{Controller: v.Controller, Path: f.Path, SHA256: sum})
			}
		}
	}
	return out
}

// partners reads the other members of the device's redundancy groups.
func (a *App) partners(ctx context.Context, d fleet.Device) map[fleet.DeviceID]readiness.Partner {
	out := map[fleet.DeviceID]readiness.Partner{}
	for _, g := range a.Workspace.Fleet.GroupsOf(d.ID) {
		for _, m := range g.Members {
			if _, seen := out[m]; seen || m == d.ID {
				continue
			}
			p := readiness.Partner{}
			if pd, ok := a.Workspace.Fleet.Device(m); !ok {
				p.Err = ErrNoDevice
			} else if a.Dial == nil {
				p.Err = errors.New("no connection was made")
			} else {
				p.Capture, p.Err = a.Capture(ctx, pd)
			}
			if a.Upgrading != nil {
				if yes, known := a.Upgrading(ctx, m); known {
					p.Upgrading = state.Some(yes)
				}
			}
			out[m] = p
		}
	}
	// Of neighbours only whether a run is open on them matters: two that restart
	// at once end each other's grace (RFC 3623 §3.1).
	for _, l := range a.Workspace.Fleet.Links {
		for _, ends := range [][2]fleet.DeviceID{{l.A.Device, l.B.Device}, {l.B.Device, l.A.Device}} {
			if _, seen := out[ends[1]]; seen || ends[0] != d.ID {
				continue
			}
			p := readiness.Partner{Err: errors.New("a neighbour is not read")}
			if a.Upgrading != nil {
				if yes, known := a.Upgrading(ctx, ends[1]); known {
					p.Upgrading = state.Some(yes)
				}
			}
			out[ends[1]] = p
		}
	}
	return out
}

// ready runs every readiness rule on what was found. dev may be nil.
func (a *App) ready(ctx context.Context, dev device.Device, p *Prepared, earlier *state.Capture) (readiness.Report, error) {
	in := readiness.Input{Device: p.Device, Fleet: a.Workspace.Fleet, Platform: p.Platform, Path: p.Path, Capture: p.Capture, Earlier: earlier,
		Partners: a.partners(ctx, p.Device), Policy: a.Workspace.Policy, Now: a.Clock.Now(), Observed: a.observe(ctx, dev, p.Device, p)}
	for _, f := range p.Forecasts {
		for _, x := range f.Adjacencies {
			in.Outlook = worst(in.Outlook, readiness.AdjacencyOutlook{Object: x.Name(), Outcome: string(x.Outcome), Survive: x.Survive, Carries: x.Carries, Why: x.Why, Source: x.Source})
		}
	}
	return readiness.Check(ctx, in)
}

// worst keeps for each adjacency the outlook of the hop that it fares worst in.
func worst(all []readiness.AdjacencyOutlook, o readiness.AdjacencyOutlook) []readiness.AdjacencyOutlook {
	i := slices.IndexFunc(all, func(x readiness.AdjacencyOutlook) bool { return x.Object == o.Object })
	if i < 0 {
		return append(all, o)
	}
	if o.Survive < all[i].Survive {
		all[i] = o
	}
	return all
}

// blockersOf lists the rules that forbid the run, each once.
func blockersOf(r readiness.Report) []string {
	return slices.Clone(r.Reasons)
}

// tryConsoles finds out whether a device's consoles answer: the out-of-band one,
// else the lines that it is driven over. Behind jump hosts a console server is not
// reached from here by itself, and unknown.
func (a *App) tryConsoles(ctx context.Context, d fleet.Device) state.Opt[bool] {
	var addresses []string
	switch line := d.Access.Console; {
	case a.Reach == nil:
	case d.Console.Address != "":
		addresses = append(addresses, d.Console.Address)
	case line != nil:
		for _, x := range line.Lines() {
			if x.Address == "" || len(x.Jump) > 0 {
				return state.Opt[bool]{}
			}
			addresses = append(addresses, x.Address)
		}
	}
	if len(addresses) == 0 {
		return state.Opt[bool]{}
	}
	for _, at := range addresses {
		rctx, cancel := context.WithTimeout(ctx, 5*time.Second)
		err := a.Reach(rctx, at)
		cancel()
		if err != nil {
			return state.Some(false)
		}
	}
	return state.Some(true)
}
