package commandline

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/adapter"
	"towpath/internal/state"
)

// act runs f with a session of its own, one act at a time. f reads first; from
// the first command that changes something on, nothing is done twice.
func (d *Driver) act(ctx context.Context, op string, f func(*session) error) error {
	if err := enter(ctx, op, d.acting); err != nil {
		return err
	}
	defer func() { <-d.acting }()
	// An idle session may be dead; a read finds that out before f acts.
	if q := d.reads("system", intoComponent); len(q) > 0 {
		err := d.reading(ctx, op, func(s *session) error {
			_, err := d.read(ctx, op, s, q[:1])
			return err
		})
		if err != nil {
			return err
		}
	}
	s, err := d.acquire(ctx, op)
	if err != nil {
		return err
	}
	defer d.release(s)
	d.listen(ctx)
	return f(s)
}

const intoComponent = "component"

// Activate makes an installed release boot next, and restarts into it where
// that is asked for. Where the adapter can ask what would happen, it asks first,
// and a refusal there ends it with nothing changed.
func (d *Driver) Activate(ctx context.Context, req device.ActivateRequest) error {
	const op = "activate"
	if req.Version == "" {
		return &device.Fault{Kind: device.Ours, Op: op, Text: "no version given"}
	}
	if d.ad.SetBoot == nil && d.ad.Begin == nil {
		return d.unable(ctx, op, "the adapter has no way to activate")
	}
	return d.act(ctx, op, func(s *session) error { return d.activate(ctx, op, s, req) })
}

func (d *Driver) activate(ctx context.Context, op string, s *session, req device.ActivateRequest) error {
	a, v, c, err := d.address(ctx, op, s, req.Version, req.Standby, nil)
	if err != nil {
		return err
	}
	running := v.Version
	if req.Standby {
		running = v.Standby.Version
	}
	next, known := a.bootsNext(c, req.Version).Get()
	reboot := req.Reboot
	switch {
	case running == req.Version && (known && next || !known && req.Reboot):
		return nil
	case running == req.Version:
		reboot = false // only the boot entry differs
	case !req.Reboot && known && next:
		return nil
	}
	if len(d.ad.Packages) > 0 {
		have, err := d.packages(ctx, op, s)
		if err != nil {
			return err
		}
		if missing := a.missing(have, req.Version); len(missing) > 0 {
			return &device.Fault{Kind: device.Missing, Op: op, Text: fmt.Sprintf("release %s is not installed on %s", req.Version, strings.Join(missing, ", "))}
		}
	}
	do := d.ad.SetBoot
	if reboot {
		do = d.ad.Begin
	}
	if do == nil {
		what := "make a release boot next without a restart"
		if reboot {
			what = "restart into a release"
		}
		return &device.Fault{Kind: device.Unable, Op: op, Text: "the adapter has no way to " + what}
	}
	if reboot && d.ad.Preview != nil {
		if err := d.preview(ctx, op, s, a); err != nil {
			return err
		}
	}
	_, err = d.steps(ctx, op, s, do.Steps, a.role, a.with(do), nil)
	return err
}

// preview asks what an activation would do.
func (d *Driver) preview(ctx context.Context, op string, s *session, a addressed) error {
	p := d.ad.Preview
	for _, st := range p.Steps {
		if len(st.Only) > 0 && !contains(st.Only, a.role) {
			continue
		}
		out := outcome{values: a.with(p)}
		if err := d.step(ctx, op, s, st, &out, nil); err != nil {
			if device.KindOf(err) == device.OutcomeUnknown && ctx.Err() == nil {
				return &device.Fault{Kind: device.Unreachable, Op: op, Err: err} // it only asked
			}
			return err
		}
	}
	return nil
}

// with are the placeholders for an act, with its own words for where.
func (a addressed) with(x *adapter.Act) map[string]string {
	out := map[string]string{}
	for k, v := range a.values {
		out[k] = v
	}
	if w, ok := x.Address[a.role]; ok {
		out["where"] = w
	}
	return out
}

// bootsNext tells whether a release boots next on every addressed card.
func (a addressed) bootsNext(c *state.Capture, version string) state.Opt[bool] {
	seen := false
	for _, b := range c.Boot {
		if a.role != roleWhole && b.Controller != a.card {
			continue
		}
		v, ok := b.Version.Get()
		if !ok {
			return state.Opt[bool]{}
		}
		seen = true
		if v != version {
			return state.Some(false)
		}
	}
	if !seen {
		return state.Opt[bool]{}
	}
	return state.Some(true)
}

// SwitchOver hands the PRIMARY role to the named controller card. It reads the
// roles and the readiness first, see [device.Successor].
func (d *Driver) SwitchOver(ctx context.Context, card string) (device.Switchover, error) {
	const op = "switch over"
	if d.ad.SwitchOver == nil {
		return device.Switchover{}, d.unable(ctx, op, "the adapter has no way to switch over")
	}
	var out device.Switchover
	err := d.act(ctx, op, func(s *session) error {
		f, err := d.read(ctx, op, s, d.reads(intoComponent))
		if err != nil {
			return err
		}
		var done bool
		if out, done, err = device.Successor(f.Capture(), card, d.now(), d.log); err != nil || done {
			return err
		}
		a := addressed{role: roleSecondary, values: map[string]string{"card": card, "role": roleSecondary, "where": card}}
		_, err = d.steps(ctx, op, s, d.ad.SwitchOver.Steps, roleSecondary, a.with(d.ad.SwitchOver), nil)
		return err
	})
	if err != nil {
		return device.Switchover{}, err
	}
	return out, nil
}

// Restart restarts a component, or the whole device where the name is empty. A
// line card keeps its forwarding, or is not restarted at all.
func (d *Driver) Restart(ctx context.Context, name, why string) error {
	const op = "restart"
	r := d.ad.Restart
	if r == nil {
		return d.unable(ctx, op, "the adapter has no way to restart")
	}
	why = plainReason(why)
	return d.act(ctx, op, func(s *session) error {
		do, what := r.Device, "the whole device"
		if name != "" {
			f, err := d.read(ctx, op, s, d.reads(intoComponent))
			if err != nil {
				return err
			}
			k, ok := f.Capture().Component(name)
			if !ok {
				return &device.Fault{Kind: device.Missing, Op: op, Text: fmt.Sprintf("there is no component %q", name)}
			}
			do, what = r.Component, "a component"
			if k.Kind == state.KindLineCard {
				do, what = r.LineCard, "a line card with its forwarding kept"
			}
		}
		if do == nil {
			return &device.Fault{Kind: device.Unable, Op: op, Text: "the adapter has no way to restart " + what}
		}
		_, err := d.steps(ctx, op, s, do.Steps, roleWhole, map[string]string{"component": name, "reason": why}, nil)
		return err
	})
}

// plainReason is a reason that can be typed: one line of plain characters.
func plainReason(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || strings.ContainsRune("\"'`\\;|&$<>?!#", r) {
			return ' '
		}
		return r
	}, s)
	s = strings.Join(strings.Fields(s), " ")
	if s == "" {
		return "planned work"
	}
	return s
}

// RemoveFile deletes a file; one that is not there is no error.
func (d *Driver) RemoveFile(ctx context.Context, controller, path string) error {
	const op = "remove"
	x := d.ad.Files
	if x == nil || x.Remove == nil {
		return d.unable(ctx, op, "the adapter has no way to delete files")
	}
	values, err := d.fileAt(op, controller, path)
	if err != nil {
		return err
	}
	return d.act(ctx, op, func(s *session) error {
		_, err := d.steps(ctx, op, s, x.Remove.Steps, roleWhole, values, nil)
		if device.KindOf(err) == device.Missing && err != nil {
			return nil
		}
		return err
	})
}

// fileAt are the placeholders of a file.
func (d *Driver) fileAt(op, controller, path string) (map[string]string, error) {
	values := map[string]string{"controller": controller, "path": path}
	if form := d.ad.Files.Path; form != "" {
		p, err := adapter.Fill(form, values)
		if err != nil {
			return nil, &device.Fault{Kind: device.Ours, Op: op, Err: err}
		}
		values["path"] = p
	}
	return values, nil
}

// HashFile has the device compute the SHA-256 of a file.
func (d *Driver) HashFile(ctx context.Context, controller, path string) (string, error) {
	const op = "hash"
	x := d.ad.Files
	if x == nil || x.Hash == nil {
		return "", d.unable(ctx, op, "the adapter has no way to hash files")
	}
	values, err := d.fileAt(op, controller, path)
	if err != nil {
		return "", err
	}
	var sum string
	err = d.reading(ctx, op, func(s *session) error {
		var err error
		sum, err = d.hash(ctx, op, s, x.Hash, values)
		return err
	})
	return sum, err
}

// Settings reads what is configured at the keys.
func (d *Driver) Settings(ctx context.Context, keys []state.Setting) ([]state.Setting, error) {
	const op = "read settings"
	if len(d.ad.Settings) == 0 {
		return nil, d.unable(ctx, op, "the adapter maps no settings")
	}
	var out []state.Setting
	err := d.reading(ctx, op, func(s *session) error {
		var err error
		out, err = d.settings(ctx, op, s, keys)
		return err
	})
	return out, err
}

// mapped is the adapter's way to a setting.
func (d *Driver) mapped(op string, k state.Setting) (*adapter.Setting, error) {
	for i := range d.ad.Settings {
		if m := &d.ad.Settings[i]; m.Protocol == k.Protocol && m.Parameter == string(k.Parameter) {
			return m, nil
		}
	}
	return nil, &device.Fault{Kind: device.Unable, Op: op, Text: "the adapter does not map " + k.Key().Text()}
}

// kept is a setting with the places where the device keeps it.
type kept struct {
	state.Setting
	places []adapter.SettingAt
	by     *adapter.Setting
}

// locate reads settings. One that is kept nowhere is Missing.
func (d *Driver) locate(ctx context.Context, op string, s *session, keys []state.Setting) ([]kept, error) {
	var out []kept
	heard := map[string]said{}
	for _, k := range keys {
		m, err := d.mapped(op, k)
		if err != nil {
			return nil, err
		}
		out = append(out, kept{Setting: k, by: m})
	}
	for i := range out {
		k := &out[i]
		values := map[string]string{"instance": k.Instance, "interface": k.Interface, "neighbour": k.Neighbour}
		x, err := d.hear(ctx, op, s, &k.by.Read, values, heard)
		if err == nil {
			err = x.err
		}
		if err != nil {
			return nil, asOp(op, err)
		}
		f := &adapter.Facts{}
		if bad := f.Take(&k.by.Read, values, x.text, x.at, d.ad).Problems; len(bad) > 0 {
			return nil, &device.Fault{Kind: device.Refused, Op: op, Text: k.Key().Text() + ": " + strings.Join(bad, "; ")}
		}
		if k.places = f.Settings(k.Setting); len(k.places) == 0 {
			return nil, &device.Fault{Kind: device.Missing, Op: op, Text: "the device has nothing that " + k.Key().Text() + " belongs to"}
		}
	}
	return out, nil
}

// settings are the values at the keys. Several places of one setting must have
// the same.
func (d *Driver) settings(ctx context.Context, op string, s *session, keys []state.Setting) ([]state.Setting, error) {
	found, err := d.locate(ctx, op, s, keys)
	if err != nil {
		return nil, err
	}
	var out []state.Setting
	for _, k := range found {
		got := k.Key()
		got.Value = k.places[0].Value
		for _, p := range k.places[1:] {
			if !sameValue(p.Value, got.Value) {
				return nil, &device.Fault{Kind: device.Refused, Op: op, Text: fmt.Sprintf("%s has the values %q and %q at once", k.Key().Text(), got.Value, p.Value)}
			}
		}
		out = append(out, got)
	}
	return out, nil
}

// sameValue compares values of settings; durations may be written in more than
// one way.
func sameValue(a, b string) bool {
	if a == b {
		return true
	}
	x, err1 := time.ParseDuration(a)
	y, err2 := time.ParseDuration(b)
	return err1 == nil && err2 == nil && x == y
}

// place are the placeholders of a command that sets.
func (k kept) place(p adapter.SettingAt, value string) map[string]string {
	out := map[string]string{
		"instance": p.Instance, "interface": p.Interface, "neighbour": p.Neighbour, "handle": p.Handle,
		"value": value, "word": k.by.Read.Word(value),
	}
	if d, err := time.ParseDuration(value); err == nil {
		out["seconds"] = strconv.FormatInt(int64(d/time.Second), 10)
		out["milliseconds"] = strconv.FormatInt(int64(d/time.Millisecond), 10)
	}
	return out
}

// one is a place with the value that it is to have.
type one struct {
	kept
	at   adapter.SettingAt
	want string
}

// Adjust makes all settings hold or none. Where the platform has transactions,
// one is used; otherwise what was set is put back when a later one fails. What
// holds afterwards is read, not believed.
func (d *Driver) Adjust(ctx context.Context, to []state.Setting) error {
	const op = "adjust"
	if len(d.ad.Settings) == 0 {
		return d.unable(ctx, op, "the adapter maps no settings")
	}
	return d.act(ctx, op, func(s *session) error {
		found, err := d.locate(ctx, op, s, to)
		if err != nil {
			return err
		}
		var todo []one
		for _, k := range found {
			for _, p := range k.places {
				if !sameValue(p.Value, k.Value) {
					todo = append(todo, one{k, p, k.Value})
				}
			}
		}
		if len(todo) == 0 {
			return nil
		}
		if err := d.apply(ctx, op, s, todo); err != nil {
			return err
		}
		now, err := d.locate(ctx, op, s, to)
		if err != nil {
			return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: err}
		}
		for _, k := range now {
			for _, p := range k.places {
				if k.Value != "" && !sameValue(p.Value, k.Value) {
					return &device.Fault{Kind: device.Refused, Op: op, Text: fmt.Sprintf("the device was told %q and has %q", k.Text(), p.Value)}
				}
			}
		}
		return nil
	})
}

// apply types the commands that set.
func (d *Driver) apply(ctx context.Context, op string, s *session, todo []one) error {
	frame := d.ad.Transaction
	if frame == nil {
		frame = &adapter.Frame{}
	}
	if _, err := d.steps(ctx, op, s, frame.Begin, roleWhole, nil, nil); err != nil {
		return err
	}
	for i, x := range todo {
		err := d.setOne(ctx, op, s, x, x.want)
		if err == nil {
			continue
		}
		if d.ad.Transaction != nil {
			d.tidyHere(ctx, op, s, frame.Abandon)
			return err
		}
		for j := i - 1; j >= 0; j-- {
			if berr := d.setOne(ctx, op, s, todo[j], todo[j].at.Value); berr != nil {
				return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: fmt.Sprintf("%s could not be put back after a failure: %v", todo[j].Key().Text(), berr), Err: err}
			}
		}
		return err
	}
	if _, err := d.steps(ctx, op, s, frame.Commit, roleWhole, nil, nil); err != nil {
		if device.KindOf(err) != device.OutcomeUnknown {
			d.tidyHere(ctx, op, s, frame.Abandon)
		}
		return err
	}
	return nil
}

// tidyHere abandons a transaction in its own session. Where the session is
// gone, the device abandons it by itself.
func (d *Driver) tidyHere(ctx context.Context, op string, s *session, steps []adapter.Step) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), tidyWithin)
	defer cancel()
	if _, err := d.steps(ctx, op, s, steps, roleWhole, nil, nil); err != nil {
		d.log.Warn("a transaction could not be abandoned", "error", err)
	}
}

func (d *Driver) setOne(ctx context.Context, op string, s *session, x one, value string) error {
	steps := x.by.Set
	if value == "" {
		if steps = x.by.Unset; len(steps) == 0 {
			return &device.Fault{Kind: device.Unable, Op: op, Text: "the adapter cannot remove " + x.Key().Text()}
		}
	}
	_, err := d.steps(ctx, op, s, steps, roleWhole, x.place(x.at, value), nil)
	return err
}

// watchEvery is how often the device is read while it is watched.
func (d *Driver) watchEvery() time.Duration { return within(d.ad.WatchEvery, time.Second) }
