package openconfig

import (
	"context"
	"fmt"
	"time"

	ospb "github.com/openconfig/gnoi/os"
	systempb "github.com/openconfig/gnoi/system"
	"google.golang.org/grpc/codes"

	"towpath/internal/device"
	"towpath/internal/state"
)

// Activate makes a validated release boot next. It reads the device first, in
// the same attempt, and returns without acting where nothing is left to do:
// the release runs already and boots next as far as the device tells, or a
// change of the boot entry alone was asked for and the entry is so already.
// A release that runs already never causes a restart.
func (d *Driver) Activate(ctx context.Context, req device.ActivateRequest) error {
	const op = "activate"
	if req.Version == "" {
		return &device.Fault{Kind: device.Ours, Op: op, Text: "no version given"}
	}
	v, err := d.Verify(ctx)
	if err != nil {
		return asOp(op, err)
	}
	boots, err := d.bootsNext(ctx, v, req)
	if err != nil {
		return asOp(op, err)
	}
	running := v.Version
	if req.Standby {
		running = v.Standby.Version
	}
	reboot := req.Reboot
	next, known := boots.Get()
	switch {
	case running == req.Version && (known && next || !known && req.Reboot):
		d.log.Info("nothing to activate, the release runs already", "version", req.Version)
		return nil
	case running == req.Version:
		reboot = false // only the boot entry differs
	case !req.Reboot && known && next:
		d.log.Info("nothing to activate, the release boots next already", "version", req.Version)
		return nil
	}
	// The request's default reboots, so no_reboot is always set from the
	// intention. Source: gNOI os.proto, ActivateRequest.no_reboot.
	r, err := d.os.Activate(ctx, &ospb.ActivateRequest{Version: req.Version, StandbySupervisor: req.Standby, NoReboot: !reboot})
	if err != nil {
		return d.fault(ctx, op, err)
	}
	switch m := r.GetResponse().(type) {
	case *ospb.ActivateResponse_ActivateOk:
		return nil
	case *ospb.ActivateResponse_ActivateError:
		return activateFault(m.ActivateError)
	}
	return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "the device answered neither yes nor no"}
}

func activateFault(e *ospb.ActivateError) error {
	kind, known := activateKinds[e.GetType()]
	if !known {
		kind = device.Refused
	}
	text := "[" + e.GetType().String() + "]"
	if e.GetDetail() != "" {
		text = e.GetDetail() + " " + text
	}
	return &device.Fault{Kind: kind, Op: "activate", Text: text}
}

// bootsNext tells whether the requested release boots next on every controller
// card that the request concerns; unknown where the device does not tell.
func (d *Driver) bootsNext(ctx context.Context, v device.Verification, req device.ActivateRequest) (state.Opt[bool], error) {
	if d.cfg.FactsOrigin == "" {
		return state.Opt[bool]{}, nil
	}
	c, err := d.some(ctx, "components", "boot entries")
	if err != nil {
		return state.Opt[bool]{}, err
	}
	role := state.Primary
	if req.Standby {
		role = state.Secondary
	}
	card, named := c.ControllerWithRole(role)
	seen := false
	for _, b := range c.Boot {
		if v.PerController && (!named || b.Controller != card.Name) {
			continue
		}
		version, ok := b.Version.Get()
		if !ok {
			return state.Opt[bool]{}, nil
		}
		seen = true
		if version != req.Version {
			return state.Some(false), nil
		}
	}
	if !seen {
		return state.Opt[bool]{}, nil
	}
	return state.Some(true), nil
}

// some reads the named sections only.
func (d *Driver) some(ctx context.Context, names ...string) (*state.Capture, error) {
	o := objects{}
	answered := map[string]bool{}
	for _, s := range sections {
		for _, name := range names {
			if s.name != name || s.origin == facts && d.cfg.FactsOrigin == "" {
				continue
			}
			r, err := d.readSection(ctx, s)
			if err != nil {
				return nil, err
			}
			r.apply(s.name, o)
			answered[s.name] = r.answered > 0
		}
	}
	return assemble(o, answered), nil
}

// SwitchOver hands the PRIMARY role to the named controller card. It reads the
// roles and the readiness first, see [device.Successor].
func (d *Driver) SwitchOver(ctx context.Context, card string) (device.Switchover, error) {
	const op = "switch over"
	if err := d.connect(ctx, op); err != nil {
		return device.Switchover{}, err
	}
	c, err := d.some(ctx, "components")
	if err != nil {
		return device.Switchover{}, asOp(op, err)
	}
	if has, done, err := device.Successor(c, card, d.now(), d.log); err != nil || done {
		return has, err
	}
	r, err := d.system.SwitchControlProcessor(ctx, &systempb.SwitchControlProcessorRequest{ControlProcessor: componentPath(card)})
	if err != nil {
		return device.Switchover{}, d.fault(ctx, op, err)
	}
	s := device.Switchover{Card: componentOf(r.GetControlProcessor()), Version: r.GetVersion(), Uptime: time.Duration(max(0, r.GetUptime()))}
	if s.Card == "" {
		s.Card = card
	}
	if s.Card != card {
		return s, &device.Fault{Kind: device.Moved, Op: op, Text: fmt.Sprintf("asked for %s, the device says that %s is primary now", card, s.Card)}
	}
	return s, nil
}

// Restart restarts a component, or the whole device where the name is empty.
// It reads the device first: an unknown component is Missing, and one whose
// restart is under way already is Busy. A line card is restarted with its
// forwarding kept, which the device refuses where it cannot; it is never
// restarted cold behind the caller's back. Everything else restarts cold, the
// one method that every device has.
// Source: gNOI system.proto, RebootMethod: COLD with no delay is the least that
// every target supports.
func (d *Driver) Restart(ctx context.Context, name string, why string) error {
	const op = "restart"
	if err := d.connect(ctx, op); err != nil {
		return err
	}
	req := &systempb.RebootRequest{Method: systempb.RebootMethod_COLD, Message: why}
	status := &systempb.RebootStatusRequest{}
	if name != "" {
		c, err := d.some(ctx, "components")
		if err != nil {
			return asOp(op, err)
		}
		k, ok := c.Component(name)
		if !ok {
			return &device.Fault{Kind: device.Missing, Op: op, Text: fmt.Sprintf("there is no component %q", name)}
		}
		if k.Kind == state.KindLineCard {
			req.Method = systempb.RebootMethod_NSF
		}
		req.Subcomponents = append(req.Subcomponents, componentPath(name))
		status.Subcomponents = req.Subcomponents
	}
	s, err := d.system.RebootStatus(ctx, status)
	switch {
	case err != nil && !ownVerdict(d.fault(ctx, op, err)):
		return d.fault(ctx, op, err)
	case err == nil && s.GetActive():
		return &device.Fault{Kind: device.Busy, Op: op, Text: "a restart is under way already: " + s.GetReason()}
	}
	_, err = d.system.Reboot(ctx, req)
	err = d.fault(ctx, op, err)
	if err != nil && req.GetMethod() == systempb.RebootMethod_NSF && codeOf(err) == codes.InvalidArgument {
		return &device.Fault{Kind: device.Unable, Op: op, Text: name + " cannot restart with its forwarding kept", Err: err}
	}
	return err
}
