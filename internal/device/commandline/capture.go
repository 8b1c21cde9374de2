package commandline

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/adapter"
	"towpath/internal/state"
)

// The words of a query's scopes.
var scopeWords = map[device.Scope]string{device.ScopeComponents: "components", device.ScopeLive: "live"}

// Capture reads the normalised state. Complete is set only for the full scope,
// and only when nothing went unread. What the adapter has no command for is
// unread, unless it says that the platform has no such thing.
func (d *Driver) Capture(ctx context.Context, scope device.Scope) (*state.Capture, error) {
	const op = "capture"
	started := d.now()
	var facts *adapter.Facts
	err := d.reading(ctx, op, func(s *session) error {
		var err error
		facts, err = d.read(ctx, op, s, d.scoped(scope))
		return err
	})
	if err != nil {
		return nil, err
	}
	c := facts.Capture()
	c.Device = d.cfg.Device
	c.Source = "command line, adapter " + d.ad.Name
	if d.cfg.SSH.InsecureReason != "" {
		c.Source += "; the device's host key was not verified: " + d.cfg.SSH.InsecureReason
	}
	if d.inStrange() {
		c.Source += "; typed into a session that was open on the console line"
	}
	c.Unread = facts.Unread
	if scope == device.ScopeFull {
		for _, name := range d.ad.Lacking() {
			c.Unread = append(c.Unread, name+": the adapter has no command that tells it")
		}
	}
	ended := d.now()
	c.TakenAt = started.Add(ended.Sub(started) / 2)
	c.Complete = scope == device.ScopeFull && len(c.Unread) == 0
	c.Sort()
	return c, nil
}

// scoped are the reads of a scope.
func (d *Driver) scoped(scope device.Scope) []*adapter.Query {
	var out []*adapter.Query
	for i := range d.ad.Reads {
		q := &d.ad.Reads[i]
		if scope == device.ScopeFull || slices.Contains(q.Scopes, scopeWords[scope]) {
			out = append(out, q)
		}
	}
	return out
}

// reads are those into any of the kinds.
func (d *Driver) reads(into ...string) []*adapter.Query {
	var out []*adapter.Query
	for i := range d.ad.Reads {
		if q := &d.ad.Reads[i]; slices.Contains(into, q.Into) {
			out = append(out, q)
		}
	}
	return out
}

func pointers(qs []adapter.Query) []*adapter.Query {
	var out []*adapter.Query
	for i := range qs {
		out = append(out, &qs[i])
	}
	return out
}

// said is an output with the middle of its exchange.
type said struct {
	text []byte
	at   time.Time
	err  error
}

// read asks queries, each command once. What the device refuses to tell is
// noted as unread; an error means that nothing at all was told, or that the
// device could not be asked.
func (d *Driver) read(ctx context.Context, op string, s *session, queries []*adapter.Query) (*adapter.Facts, error) {
	f := &adapter.Facts{}
	heard := map[string]said{}
	told, denied := 0, false
	for _, q := range queries {
		for _, vars := range f.Each(q, d.ad) {
			x, err := d.hear(ctx, op, s, q, vars, heard)
			if err != nil {
				return nil, err
			}
			name := q.Name
			if q.ForEach != "" {
				name += " " + vars["name"] + vars["mount"]
			}
			if x.err != nil {
				denied = denied || device.KindOf(x.err) == device.Denied
				f.Unread = append(f.Unread, fmt.Sprintf("%s: %s", name, reason(x.err)))
				continue
			}
			told++
			for _, p := range f.Take(q, vars, x.text, x.at, d.ad).Problems {
				f.Unread = append(f.Unread, fmt.Sprintf("%s: %s", name, p))
			}
		}
	}
	if told == 0 && len(queries) > 0 {
		kind := device.Unable
		if denied {
			kind = device.Denied
		}
		return nil, &device.Fault{Kind: kind, Op: op, Text: "the device answers none of the commands: " + strings.Join(f.Unread, "; ")}
	}
	return f, nil
}

// hear types a query's command, unless that was done already.
func (d *Driver) hear(ctx context.Context, op string, s *session, q *adapter.Query, vars map[string]string, heard map[string]said) (said, error) {
	line, err := adapter.Fill(q.Command, vars)
	if err != nil {
		return said{err: err}, nil
	}
	if x, ok := heard[line]; ok {
		return x, nil
	}
	sent := d.now()
	text, err := d.ask(ctx, op, s, line, q.Within)
	x := said{text: text, err: err}
	x.at = sent.Add(d.now().Sub(sent) / 2)
	if err != nil {
		switch device.KindOf(err) {
		case device.Unreachable, device.OutcomeUnknown, device.Ours:
			return x, err
		default:
		}
	}
	heard[line] = x
	return x, nil
}

// reason is a fault without its operation.
func reason(err error) string {
	var f *device.Fault
	if errors.As(err, &f) && f.Text != "" {
		return f.Kind.String() + ": " + f.Text
	}
	return err.Error()
}

// Verify asks what runs and what the other controller card says.
func (d *Driver) Verify(ctx context.Context) (device.Verification, error) {
	const op = "verify"
	if d.ad.Install == nil {
		return device.Verification{}, d.unable(ctx, op, "the adapter has no way to install")
	}
	var v device.Verification
	err := d.reading(ctx, op, func(s *session) error {
		var err error
		v, err = d.verify(ctx, op, s)
		return err
	})
	return v, err
}

// unable says that an ability is missing, once the device has answered at all.
func (d *Driver) unable(ctx context.Context, op, why string) error {
	s, err := d.acquire(ctx, op)
	if err != nil {
		return err
	}
	d.release(s)
	return &device.Fault{Kind: device.Unable, Op: op, Text: why}
}

func (d *Driver) verify(ctx context.Context, op string, s *session) (device.Verification, error) {
	var v device.Verification
	if len(d.ad.Installation) > 0 {
		f, err := d.read(ctx, op, s, pointers(d.ad.Installation))
		if err != nil {
			return v, err
		}
		i := f.Installation()
		if !i.Version.Known() {
			return v, &device.Fault{Kind: device.Unable, Op: op, Text: "the device does not tell what runs: " + strings.Join(f.Unread, "; ")}
		}
		v = device.Verification{Version: i.Version.Or(""), PerController: i.PerController.Or(false), ActivationFail: i.ActivationFail.Or("")}
		v.Standby = device.Standby{ID: i.StandbyID.Or(""), Version: i.StandbyVersion.Or(""), ActivationFail: i.StandbyActivationFail.Or("")}
		switch i.StandbyState.Or("") {
		case adapter.StandbyReady:
			v.Standby.State = device.StandbyReady
		case adapter.StandbyAbsent:
			v.Standby.State = device.StandbyAbsent
		case adapter.StandbyUnavailable:
			v.Standby.State = device.StandbyUnavailable
		case adapter.StandbyUnsupported:
			v.Standby.State = device.StandbyUnsupported
		}
		return v, nil
	}
	f, err := d.read(ctx, op, s, d.reads("system", "component"))
	if err != nil {
		return v, err
	}
	c := f.Capture()
	release, ok := c.Release.Get()
	if !ok {
		return v, &device.Fault{Kind: device.Unable, Op: op, Text: "the device does not tell what runs: " + strings.Join(f.Unread, "; ")}
	}
	v.Version = release
	switch n := len(c.Controllers()); {
	case n < 2:
		v.Standby.State = device.StandbyUnsupported
	default:
		k, ok := c.ControllerWithRole(state.Secondary)
		if ok && k.Oper.Or(state.OperActive) == state.OperActive {
			v.Standby = device.Standby{State: device.StandbyReady, ID: k.Name, Version: k.Version.Or("")}
		} else {
			v.Standby.State = device.StandbyUnavailable
		}
	}
	return v, nil
}

// Lacks are the acts that the adapter has no commands for.
func (d *Driver) Lacks() device.Lacks {
	a := d.ad
	return device.Lacks{Install: a.Install == nil, SwitchOver: a.SwitchOver == nil, RestartDevice: a.Restart == nil || a.Restart.Device == nil, ComponentImage: a.Firmware == nil}
}

// Abilities says what the adapter maps, once the device has answered.
func (d *Driver) Abilities(ctx context.Context) (device.Abilities, error) {
	const op = "abilities"
	s, err := d.acquire(ctx, op)
	if err != nil {
		return device.Abilities{}, err
	}
	d.release(s)
	a := d.ad.Abilities()
	a.Models = []string{d.ad.Name}
	return a, nil
}
