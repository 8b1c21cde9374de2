package app

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"towpath/internal/device"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/survival"
)

// HopAdvice is what is done before a hop's silence so that neighbours outlive
// it.
type HopAdvice struct {
	Advice  survival.Advice    `json:"advice"`
	Prepare []plan.Preparation `json:"preparations,omitempty"`
	// Cautions say what was advised and cannot be done, and why.
	Cautions []string `json:"cautions,omitempty"`
}

// advisor finds what can be prepared on one device.
type advisor struct {
	app      *App
	dev      device.Device // nil where only a saved capture is at hand
	device   fleet.Device
	capture  *state.Capture
	peers    map[string]*peer
	barred   map[plan.Held]string // settings that cannot be read, and why
	cautions []string
}

// peer is a neighbour on which settings may be changed.
type peer struct {
	id      fleet.DeviceID
	capture *state.Capture // nil where it cannot be read
	dev     device.Device
}

// advise finds the preparations of a hop by the policy; none where the policy
// asks for none, or where the hop has no silence. Before a restart of the whole
// device only traffic and roles are moved away: it forgets timers that are not
// saved, and to save what is put back later is not for us to decide. A drain
// that it forgets has done its work by then.
func (v *advisor) advise(ctx context.Context, h release.Hop) (HopAdvice, error) {
	pol := v.app.Workspace.Policy.Prepare
	if !pol.Apply || v.capture == nil || h.Silence == nil {
		return HopAdvice{}, nil
	}
	law, _ := v.app.law(v.device.Platform, h)
	prices := survival.Prices{Timers: pol.Prices.Timers, Suspend: pol.Prices.Suspend, Move: pol.Prices.Move, Drain: pol.Prices.Drain, DrainDevice: pol.Prices.DrainDevice}
	o := survival.Options{Target: pol.Target, Allow: func(c survival.Change) bool {
		return (h.Method == release.InService || c.Moves()) && v.allowed(ctx, c)
	}}
	// What is advised is read on the devices; what cannot be is not advised again.
	for {
		out := HopAdvice{Advice: survival.Advise(v.capture, law, o, prices)}
		for _, c := range out.Advice.Changes {
			out.Prepare = append(out.Prepare, v.preparation(ctx, c))
		}
		again, err := v.unreadable(ctx, out.Prepare)
		if err != nil {
			return out, err
		}
		if again {
			continue
		}
		if !out.Advice.Reached {
			out.Cautions = append(out.Cautions, fmt.Sprintf("Hop to %s: nothing that the policy allows brings the probability that nothing is touched from %.2f %% to %.2f %%; the hand-over is not prepared.",
				h.To, 100*out.Advice.Before, 100*pol.Target))
		}
		out.Cautions = append(out.Cautions, v.cautions...)
		v.cautions = nil
		return out, nil
	}
}

// allowed says whether the policy allows a change and it can be made.
func (v *advisor) allowed(ctx context.Context, c survival.Change) bool {
	pol := v.app.Workspace.Policy.Prepare
	if !slices.Contains(pol.Allow, string(c.Kind)) || !c.Settable() {
		return false
	}
	for _, s := range c.Settings {
		if _, bad := v.barred[plan.Held{Wanted: s.Key()}]; bad {
			return false
		}
	}
	if len(c.PeerSettings) == 0 {
		return true
	}
	p := v.peer(ctx, c.Peer)
	if p.capture == nil {
		return pol.ByHand && !c.Together()
	}
	for _, s := range c.PeerSettings {
		at, ok := v.farEnd(p, c, s)
		if _, bad := v.barred[plan.Held{On: p.id, Wanted: at.Key()}]; !ok || bad {
			return false
		}
	}
	return true
}

// peer finds a neighbour of the fleet and reads it, once.
func (v *advisor) peer(ctx context.Context, name string) *peer {
	if p, ok := v.peers[name]; ok {
		return p
	}
	p := &peer{id: fleet.DeviceID(name)}
	v.peers[name] = p
	d, ok := v.app.Workspace.Fleet.Device(p.id)
	if !ok || d.Access.Address == "" && d.Access.Console == nil || v.app.Dial == nil || v.dev == nil {
		return p
	}
	dev, err := v.app.Dial(ctx, d)
	if err == nil {
		p.dev = dev
		p.capture, err = dev.Capture(ctx, device.ScopeLive)
	}
	if err != nil {
		p.capture = nil
		v.cautions = append(v.cautions, fmt.Sprintf("Neighbour %s cannot be read, so nothing is prepared on it over a connection: %v", name, err))
	}
	return p
}

func (v *advisor) close() error {
	var errs []error
	for _, p := range v.peers {
		if p.dev != nil {
			errs = append(errs, p.dev.Close())
		}
	}
	return errors.Join(errs...)
}

// farEnd is a setting of the neighbour under the neighbour's own keys: those of
// its adjacency of the protocol with the device, over the link that the fleet
// knows between the two where there are several.
func (v *advisor) farEnd(p *peer, c survival.Change, s state.Setting) (state.Setting, bool) {
	best := -1
	for i, a := range p.capture.Adjacencies {
		if a.Protocol != s.Protocol || a.Peer.Or("") != string(v.device.ID) || s.Protocol == state.VRRP && a.Instance != c.Instance {
			continue
		}
		if best < 0 || v.linked(c.Interface, p.id, a.Interface) {
			best = i
		}
	}
	if best < 0 {
		return s, false
	}
	return survival.SettingAt(p.capture.Adjacencies[best], s.Parameter, s.Value), true
}

// linked reports whether the fleet has a link between the two interfaces.
func (v *advisor) linked(own string, to fleet.DeviceID, iface string) bool {
	for _, l := range v.app.Workspace.Fleet.Links {
		for _, e := range [][2]fleet.Endpoint{{l.A, l.B}, {l.B, l.A}} {
			if e[0].Device == v.device.ID && e[0].Interface == own && e[1].Device == to && e[1].Interface == iface {
				return true
			}
		}
	}
	return false
}

// preparation is a change as plan steps take it.
func (v *advisor) preparation(ctx context.Context, c survival.Change) plan.Preparation {
	out := plan.Preparation{Kind: string(c.Kind), Apply: c.Apply, Restore: c.Restore, Saves: c.Adjacencies, Cost: c.Cost, Settle: c.Settle, Source: c.Source}
	if len(c.Settings) > 0 {
		out.Ends = append(out.Ends, plan.End{Settings: c.Settings})
	}
	if len(c.PeerSettings) > 0 {
		p := v.peer(ctx, c.Peer)
		end := plan.End{On: p.id, ByHand: p.capture == nil}
		for _, s := range c.PeerSettings {
			if !end.ByHand {
				s, _ = v.farEnd(p, c, s)
			}
			end.Settings = append(end.Settings, s)
		}
		out.Ends = append(out.Ends, end)
	}
	for _, name := range c.Adjacencies {
		for i, fact := range []plan.Fact{plan.FactWaitsFor, plan.FactWaits} {
			if c.Kind == survival.SetTimers && c.Waits[i] > 0 {
				out.Shows = append(out.Shows, plan.Condition{Fact: fact, Component: name, Value: c.Waits[i].String()})
			}
		}
		if c.Kind == survival.MoveRole {
			out.Shows = append(out.Shows, plan.Condition{Fact: plan.FactActs, Component: name, Value: "backup"})
		}
	}
	return out
}

// unreadable reads what the preparations set and bars what the devices do not
// have; again says that something was barred.
func (v *advisor) unreadable(ctx context.Context, ps []plan.Preparation) (again bool, err error) {
	if v.dev == nil {
		return false, nil
	}
	for _, p := range ps {
		for _, e := range p.Ends {
			if e.ByHand {
				continue
			}
			dev := v.dev
			if e.On != "" {
				dev = v.peers[string(e.On)].dev
			}
			for _, s := range e.Settings {
				_, err := dev.Settings(ctx, []state.Setting{s.Key()})
				if err == nil {
					continue
				}
				switch device.KindOf(err) {
				case device.Unable, device.Missing, device.Refused, device.Denied:
				case device.Unreachable, device.OutcomeUnknown, device.Busy, device.WrongImage, device.Damaged, device.NoSpace, device.Moved, device.Ours:
					return false, err
				}
				on := e.On
				if on == "" {
					on = v.device.ID
				}
				v.barred[plan.Held{On: e.On, Wanted: s.Key()}] = err.Error()
				v.cautions = append(v.cautions, fmt.Sprintf("Not prepared, because it cannot be set on %s over its connection: %s: %v. Who wants it sets it there by hand before the hand-over and back afterwards; the forecast does not count on it.", on, s.Text(), err))
				again = true
			}
		}
	}
	return again, nil
}

// changesOf are the preparations of a hop as a forecast takes them.
func changesOf(ps []plan.Preparation) []survival.Change {
	var out []survival.Change
	for _, p := range ps {
		out = append(out, survival.Change{Kind: survival.ChangeKind(p.Kind), Adjacencies: p.Saves})
	}
	return out
}
