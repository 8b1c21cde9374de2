package commandline

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/adapter"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/transfer"
	"towpath/internal/state"
)

// The roles that an act may address.
const (
	rolePrimary   = "primary"
	roleSecondary = "secondary"
	roleWhole     = "whole"
)

// addressed is what an act is for: which cards, and the placeholders that say
// so.
type addressed struct {
	role   string
	card   string   // empty where the whole device is addressed
	cards  []string // of which each must have the release
	mount  string
	values map[string]string
}

// address finds out which controller card an act is for.
func (d *Driver) address(ctx context.Context, op string, s *session, version string, standby bool, words map[string]string) (addressed, device.Verification, *state.Capture, error) {
	var a addressed
	v, err := d.verify(ctx, op, s)
	if err != nil {
		return a, v, nil, asOp(op, err)
	}
	f, err := d.read(ctx, op, s, d.reads("system", "component", "volume", "boot"))
	if err != nil {
		return a, v, nil, asOp(op, err)
	}
	c := f.Capture()
	primary, _ := c.ControllerWithRole(state.Primary)
	secondary, _ := c.ControllerWithRole(state.Secondary)
	switch {
	case !v.PerController && standby:
		return a, v, c, &device.Fault{Kind: device.Unable, Op: op, Text: "this device is installed as a whole; one controller card cannot be addressed by itself"}
	case !v.PerController:
		a.role, a.card = roleWhole, primary.Name
		for _, k := range c.Controllers() {
			a.cards = append(a.cards, k.Name)
		}
	case standby:
		a.role, a.card, a.cards = roleSecondary, secondary.Name, []string{secondary.Name}
	default:
		a.role, a.card, a.cards = rolePrimary, primary.Name, []string{primary.Name}
	}
	if v.PerController && a.card == "" {
		return a, v, c, &device.Fault{Kind: device.Refused, Op: op, Text: "no controller card is " + a.role + " now"}
	}
	for _, x := range c.Volumes {
		if x.Controller == a.card && (a.mount == "" || x.Default.Or(false)) {
			a.mount = x.Mount
		}
	}
	where := words[a.role]
	if where == "" {
		where = a.card
	}
	a.values = map[string]string{"version": version, "card": a.card, "controller": a.card, "role": a.role, "where": where, "mount": a.mount}
	return a, v, c, nil
}

// missing are the addressed cards that do not have a release.
func (a addressed) missing(packages []adapter.Package, version string) []string {
	cards := a.cards
	if len(cards) == 0 {
		cards = []string{""}
	}
	return slices.DeleteFunc(slices.Clone(cards), func(card string) bool {
		return slices.ContainsFunc(packages, func(p adapter.Package) bool {
			return p.Version == version && (p.Controller == card || p.Controller == "")
		})
	})
}

func (d *Driver) packages(ctx context.Context, op string, s *session) ([]adapter.Package, error) {
	f, err := d.read(ctx, op, s, pointers(d.ad.Packages))
	if err != nil {
		return nil, asOp(op, err)
	}
	return f.Packages(), nil
}

// Install transfers a package and has the device validate it. A transfer that
// breaks leaves nothing behind, as far as the device can still be told to clear
// away. What the device lists afterwards decides: a release that is not there
// was not installed, whatever it said.
func (d *Driver) Install(ctx context.Context, req device.InstallRequest, progress func(device.Progress)) (device.Installed, error) {
	const op = "install"
	if req.Version == "" {
		return device.Installed{}, &device.Fault{Kind: device.Ours, Op: op, Text: "no version given"}
	}
	if d.ad.Install == nil {
		return device.Installed{}, d.unable(ctx, op, "the adapter has no way to install")
	}
	if err := enter(ctx, op, d.acting); err != nil {
		return device.Installed{}, err
	}
	defer func() { <-d.acting }()
	in := &installing{d: d, op: op, in: d.ad.Install, req: req, progress: progress}
	err := d.reading(ctx, op, func(s *session) error { return in.look(ctx, s) })
	if err != nil || in.done.AlreadyThere {
		return in.done, err
	}
	s, err := d.acquire(ctx, op)
	if err != nil {
		return device.Installed{}, err
	}
	err = in.run(ctx, s)
	d.release(s)
	if err != nil && in.begun {
		err = d.tidy(ctx, op, in.in.Forget, in.a.role, in.values, err)
	}
	if err != nil {
		return device.Installed{}, asOp(op, err)
	}
	return in.done, nil
}

// installing is one installation.
type installing struct {
	d        *Driver
	op       string
	in       *adapter.Install
	req      device.InstallRequest
	progress func(device.Progress)
	a        addressed
	from     string // a card that the device can copy from
	before   []adapter.Package
	values   map[string]string
	begun    bool
	last     device.Progress
	toldAt   time.Time
	done     device.Installed
}

// look reads what is there.
func (in *installing) look(ctx context.Context, s *session) error {
	d := in.d
	a, _, c, err := d.address(ctx, in.op, s, in.req.Version, in.req.Standby, in.in.Address)
	if err != nil {
		return err
	}
	in.a, in.values = a, a.values
	if in.before, err = d.packages(ctx, in.op, s); err != nil {
		return err
	}
	missing := a.missing(in.before, in.req.Version)
	if len(missing) == 0 {
		in.done = device.Installed{Version: in.req.Version, AlreadyThere: true}
		return nil
	}
	if len(in.in.Copy) > 0 && len(missing) == 1 {
		for _, p := range in.before {
			if p.Version == in.req.Version && p.Controller != missing[0] {
				in.from = p.Controller
			}
		}
	}
	for _, v := range c.Volumes {
		free, known := v.Available.Get()
		if known && in.from == "" && slices.Contains(missing, v.Controller) && (v.Default.Or(true)) && int64(free) < in.req.Size {
			return &device.Fault{Kind: device.NoSpace, Op: in.op, Text: fmt.Sprintf("%s has %d octets free, the package takes %d", v.Mount, int64(free), in.req.Size)}
		}
	}
	return nil
}

func (in *installing) tell(p device.Progress) {
	p.Total = in.req.Size
	if in.progress == nil || p == in.last || time.Since(in.toldAt) < 100*time.Millisecond {
		return
	}
	in.last, in.toldAt = p, time.Now()
	in.progress(p)
}

// syncing passes on how far the device's own copying is.
func (in *installing) syncing(percent int) {
	in.tell(device.Progress{Sent: in.done.Sent, Syncing: true, SyncPercent: percent})
}

func (in *installing) run(ctx context.Context, s *session) error {
	d, req := in.d, in.req
	in.values["size"], in.values["sha256"] = strconv.FormatInt(req.Size, 10), req.SHA256
	if in.from != "" {
		in.values["from"] = in.from
		if _, err := d.steps(ctx, in.op, s, in.in.Copy, in.a.role, in.values, in.syncing); err != nil {
			return err
		}
		return in.check(ctx, s, "")
	}
	to, err := adapter.Fill(in.in.To, in.values)
	if err != nil {
		return &device.Fault{Kind: device.Ours, Op: in.op, Err: err}
	}
	in.values["path"] = to
	in.begun = true
	ready, err := d.steps(ctx, in.op, s, in.in.Ready, in.a.role, in.values, nil)
	if err != nil {
		return err
	}
	in.values = ready.values
	file := transfer.File{Path: to, Size: req.Size, SHA256: req.SHA256, Content: req.Content}
	r, err := d.send(ctx, in.op, s, file, d.way(in.in.Transfer, in.in.Pull), in.in.Hash, in.in.Pull, in.in.Forget, in.values, in.tell)
	if err != nil {
		return err
	}
	in.done.Sent, in.done.SHA256 = r.Sent, r.SHA256
	if r.AlreadyThere {
		in.done.Sent = req.Size // an earlier transfer's octets, whole and the same
	}
	out, err := d.steps(ctx, in.op, s, in.in.Steps, in.a.role, in.values, in.syncing)
	if err != nil {
		return err
	}
	if err := in.follow(ctx, s, out.values); err != nil {
		return err
	}
	return in.check(ctx, s, out.values["validated"])
}

// follow asks how far the device is until it is done.
func (in *installing) follow(ctx context.Context, s *session, values map[string]string) error {
	w := in.in.Follow
	if w == nil {
		return nil
	}
	line, err := adapter.Fill(w.Command, values)
	if err != nil {
		return &device.Fault{Kind: device.Ours, Op: in.op, Err: err}
	}
	bounded, cancel := context.WithTimeout(ctx, within(w.Within, defaultFollow))
	defer cancel()
	tick := time.NewTicker(within(w.Every, time.Second))
	defer tick.Stop()
	for {
		text, err := in.d.ask(bounded, in.op, s, line, 0)
		if err != nil {
			if device.KindOf(err) == device.Unreachable {
				return &device.Fault{Kind: device.OutcomeUnknown, Op: in.op, Err: err}
			}
			return err
		}
		if in.d.ad.Pattern(w.Done).Match(text) {
			return nil
		}
		if w.Progress != "" {
			tellPercent(in.d.ad.Pattern(w.Progress), text, in.syncing)
		}
		select {
		case <-tick.C:
		case <-bounded.Done():
			if ctx.Err() != nil {
				return &device.Fault{Kind: device.OutcomeUnknown, Op: in.op, Err: context.Cause(ctx)}
			}
			return &device.Fault{Kind: device.OutcomeUnknown, Op: in.op, Text: "the device is not done in " + within(w.Within, defaultFollow).String() + "; it said last: " + trim(string(text))}
		}
	}
}

// check reads what is installed now. validated is what the device said that it
// was, empty where it said nothing.
func (in *installing) check(ctx context.Context, s *session, validated string) error {
	if validated != "" && validated != in.req.Version {
		return &device.Fault{Kind: device.WrongImage, Op: in.op, Text: fmt.Sprintf("the device validated version %q, asked for was %q", validated, in.req.Version)}
	}
	after, err := in.d.packages(ctx, in.op, s)
	if err != nil {
		if device.KindOf(err) == device.Unreachable {
			return &device.Fault{Kind: device.OutcomeUnknown, Op: in.op, Err: err}
		}
		return err
	}
	missing := in.a.missing(after, in.req.Version)
	if len(missing) == 0 {
		in.done.Version = in.req.Version
		return nil
	}
	for _, p := range after {
		if !slices.Contains(in.before, p) {
			return &device.Fault{Kind: device.WrongImage, Op: in.op, Text: fmt.Sprintf("the device has release %q now, asked for was %q", p.Version, in.req.Version)}
		}
	}
	return &device.Fault{Kind: device.Refused, Op: in.op, Text: fmt.Sprintf("the device said nothing of a failure, and does not list release %s on %s", in.req.Version, strings.Join(missing, ", "))}
}

// tidy clears away after a failure, err. That is tried once; what stays is told
// by the error, and by the next capture.
func (d *Driver) tidy(ctx context.Context, op string, steps []adapter.Step, role string, values map[string]string, err error) error {
	if len(steps) == 0 {
		return err
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), tidyWithin)
	defer cancel()
	s, terr := d.acquire(ctx, op)
	if terr == nil {
		_, terr = d.steps(ctx, op, s, steps, role, values, nil)
		d.release(s)
	}
	if terr == nil || device.KindOf(terr) == device.Missing { // it left nothing
		return err
	}
	d.log.Warn("what a failed transfer left could not be cleared away", "error", terr)
	return &device.Fault{Kind: device.KindOf(err), Op: op, Err: fmt.Errorf("%w; what it left could not be cleared away: %w", err, terr)}
}

// way is how files come onto the device: it fetches them where there is a server
// for that and the adapter says how, and otherwise as the adapter has it.
func (d *Driver) way(transfer string, pull *adapter.Step) string {
	if d.cfg.Pull != nil && pull != nil {
		return adapter.TransferHTTP
	}
	return transfer
}

// fetched says more of a fetch that failed than the server and the device each
// know by themselves.
func fetched(r transfer.Result, size int64, said, err error) error {
	switch {
	case said == nil:
		return err // the device says that it has the file
	case device.KindOf(said) == device.Denied && r.Sent == 0:
		return &device.Fault{Kind: device.Denied, Op: "fetch", Text: "the device does not accept the server of images (access.image-server)", Err: said}
	case device.KindOf(said) == device.Missing && r.Sent == size:
		return &device.Fault{Kind: device.Refused, Op: "fetch", Text: "all of the file was fetched, and not by the device. Its URL is good once: does something on the way fetch it first, such as a proxy that looks into files?", Err: err}
	}
	return err
}

// send puts a file on the device.
func (d *Driver) send(ctx context.Context, op string, s *session, f transfer.File, how string, hash *adapter.Query, pull *adapter.Step, forget []adapter.Step, values map[string]string, tell func(device.Progress)) (transfer.Result, error) {
	o := transfer.Options{Limit: d.cfg.Limit, Progress: tell, Reconnect: func(ctx context.Context) (*sshlink.Client, error) { return sshlink.Dial(ctx, d.cfg.SSH) }}
	if hash != nil {
		o.Far.Hash = func(ctx context.Context, path string) (string, error) {
			return d.hash(ctx, op, s, hash, map[string]string{"path": path})
		}
	}
	if len(forget) > 0 {
		// They are typed after this, and the error says where that fails.
		o.Far.Remove = func(context.Context, string) error { return nil }
	}
	var r transfer.Result
	var err error
	switch how {
	case adapter.TransferHTTP:
		if d.cfg.Pull == nil {
			return r, &device.Fault{Kind: device.Unable, Op: op, Text: "the device fetches images by HTTP, and no server for them is configured (access.image-server in the fleet file)"}
		}
		var said error // by the device
		fetch := func(ctx context.Context, url, path string) error {
			v := map[string]string{}
			for k, x := range values {
				v[k] = x
			}
			v["url"], v["path"] = url, path
			// The URL is good for one transfer; it is a secret until then.
			out := outcome{values: v}
			said = d.step(ctx, op, s, *pull, &out, nil)
			return said
		}
		server, serr := d.cfg.Pull()
		if serr != nil {
			return r, serr
		}
		// A fetch that breaks may be taken up again. The URL is good until the file
		// has been sent once.
		r, err = transfer.Pull(ctx, server, f, transfer.PullOptions{Options: o, OfferOptions: transfer.OfferOptions{From: d.cfg.PullFrom, Ranges: true}, Fetch: fetch})
		if err != nil {
			err = fetched(r, f.Size, said, err)
		}
	default:
		client := s.client
		if client == nil {
			if d.cfg.SSH.Address == "" {
				return r, &device.Fault{Kind: device.Unable, Op: op, Text: "images cannot be transferred over a console, and no address is given where the device takes them by SSH"}
			}
			if client, err = d.link(ctx, op); err != nil {
				return r, err
			}
		}
		defer d.giveUp(ctx, client)()
		if how == adapter.TransferSCP {
			r, err = transfer.SCP(ctx, client, f, o)
		} else {
			r, err = transfer.SFTP(ctx, client, f, o)
		}
	}
	if err != nil && ctx.Err() != nil {
		return r, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: fmt.Sprintf("after %d of %d octets", r.Sent, f.Size), Err: context.Cause(ctx)}
	}
	if err != nil {
		return r, asOp(op, err)
	}
	return r, nil
}

// giveUp ends the connection some time after the caller gave up, since a device
// that stalls may not even let a session be closed. The function that it returns
// ends the watch.
func (d *Driver) giveUp(ctx context.Context, c *sshlink.Client) func() {
	done := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		t := time.NewTimer(giveUpAfter)
		defer t.Stop()
		select {
		case <-t.C:
			_ = c.Close() // what waits then fails
		case <-done:
		}
	})
	return func() {
		stop()
		close(done)
	}
}

// hash has the device hash a file.
func (d *Driver) hash(ctx context.Context, op string, s *session, q *adapter.Query, values map[string]string) (string, error) {
	line, err := adapter.Fill(q.Command, values)
	if err != nil {
		return "", &device.Fault{Kind: device.Ours, Op: op, Err: err}
	}
	text, err := d.ask(ctx, op, s, line, q.Within)
	if err != nil {
		return "", err
	}
	f := &adapter.Facts{}
	if bad := f.Take(q, values, text, d.now(), d.ad).Problems; len(bad) > 0 {
		return "", &device.Fault{Kind: device.Refused, Op: op, Text: strings.Join(bad, "; ")}
	}
	sum, err := f.Hash()
	if err != nil {
		return "", &device.Fault{Kind: device.Refused, Op: op, Text: trim(string(text)), Err: err}
	}
	return sum, nil
}

// PutComponentImage transfers firmware for one component and has it take
// effect at the component's next restart.
func (d *Driver) PutComponentImage(ctx context.Context, req device.ComponentImageRequest, progress func(device.Progress)) error {
	const op = "put"
	fw := d.ad.Firmware
	switch {
	case fw == nil:
		return d.unable(ctx, op, "the adapter has no way to transfer firmware")
	case req.Component == "" || req.File == "":
		return &device.Fault{Kind: device.Ours, Op: op, Text: "no component or no file name given"}
	}
	if err := enter(ctx, op, d.acting); err != nil {
		return err
	}
	defer func() { <-d.acting }()
	values := map[string]string{"component": req.Component, "version": req.Version, "file": req.File, "size": strconv.FormatInt(req.Size, 10), "sha256": req.SHA256}
	to, err := adapter.Fill(fw.To, values)
	if err != nil {
		return &device.Fault{Kind: device.Ours, Op: op, Err: err}
	}
	values["path"] = to
	err = d.reading(ctx, op, func(s *session) error { return d.knows(ctx, op, s, req.Component) })
	if err != nil {
		return err
	}
	s, err := d.acquire(ctx, op)
	if err != nil {
		return err
	}
	file := transfer.File{Path: to, Size: req.Size, SHA256: req.SHA256, Content: req.Content}
	last := int64(-1)
	tell := func(p device.Progress) {
		if progress != nil && p.Sent > last {
			last = p.Sent
			progress(p)
		}
	}
	_, err = d.send(ctx, op, s, file, d.way(fw.Transfer, fw.Pull), fw.Hash, fw.Pull, fw.Forget, values, tell)
	if err == nil {
		_, err = d.steps(ctx, op, s, fw.Steps, roleWhole, values, nil)
	}
	d.release(s)
	if err != nil {
		err = d.tidy(ctx, op, fw.Forget, roleWhole, values, err)
	}
	return err
}

// knows says whether there is a component.
func (d *Driver) knows(ctx context.Context, op string, s *session, name string) error {
	f, err := d.read(ctx, op, s, d.reads("component"))
	if err != nil {
		return err
	}
	if _, ok := f.Capture().Component(name); !ok {
		return &device.Fault{Kind: device.Missing, Op: op, Text: fmt.Sprintf("there is no component %q", name)}
	}
	return nil
}

// Backup reads the configuration for keeping. It is no part of the contract of
// package device.
func (d *Driver) Backup(ctx context.Context) ([]byte, error) {
	const op = "back up"
	b := d.ad.Backup
	if b == nil {
		return nil, d.unable(ctx, op, "the adapter has no command that tells the configuration")
	}
	var text []byte
	err := d.reading(ctx, op, func(s *session) error {
		var err error
		text, err = d.ask(ctx, op, s, b.Command, b.Within)
		return err
	})
	return text, err
}
