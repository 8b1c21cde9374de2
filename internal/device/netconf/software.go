package netconf

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strconv"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/transfer"
	"towpath/internal/element"
	"towpath/internal/state"
)

// No standard has a request that installs software, so there is a small module
// of our own for it, towpath-software.yang, which a device may serve; in short:
//
//	software            per-controller, restarting?,
//	  controller[name]  role, available, version, next-version, next-image?,
//	                    activation-failure?, folder, installed*
//	install             version, size, standby?, file?  ->  version, already-there
//	install-component   component, file, version?
//	activate            version, standby?, restart?
//	switch-over         card  ->  card, version, uptime
//	restart             component, reason?, keep-forwarding?
//
// A package is sent by SFTP to the folder of the controller card that is
// installed, and named in file. Without file, install takes a package that lies
// there already, or on the other card; the error-app-tag send-file says that
// there is none. The other error-app-tags are in appKinds.

// installation is what the module tells.
type installation struct {
	perController bool
	restarting    string
	busy          bool
	cards         []card
}

type card struct {
	name, role, version, next, failure, folder string
	available                                  bool
	installed                                  []string
}

func (i *installation) with(role string) *card {
	for n := range i.cards {
		if i.cards[n].role == role {
			return &i.cards[n]
		}
	}
	return nil
}

// installed reads the module's state; Unable where the device has no such
// module.
func (d *Driver) installed(ctx context.Context, op string) (*installation, *sshlink.Client, *Session, error) {
	link, s, err := d.connect(ctx, op)
	if err != nil {
		return nil, nil, nil, err
	}
	if !s.offers(nsSoftware) {
		return nil, nil, nil, &device.Fault{Kind: device.Unable, Op: op, Text: "the device does not serve " + nsSoftware + ", and no standard has such a request"}
	}
	data, err := s.Get(ctx, []*element.Node{element.New(nsSoftware, "software")})
	if err != nil {
		return nil, nil, nil, asOp(op, err)
	}
	n := data.In(nsSoftware, "software")
	out := &installation{perController: n.Kid("per-controller").Value() == "true"}
	if r := n.Kid("restarting"); r != nil {
		out.busy, out.restarting = true, r.Value()
	}
	for _, k := range n.All("controller") {
		c := card{
			name: k.Kid("name").Value(), role: word(k.Kid("role").Value()), version: k.Kid("version").Value(), next: k.Kid("next-version").Value(),
			failure: k.Kid("activation-failure").Value(), folder: k.Kid("folder").Value(), available: k.Kid("available").Value() != "false",
		}
		for _, v := range k.All("installed") {
			c.installed = append(c.installed, v.Value())
		}
		out.cards = append(out.cards, c)
	}
	if out.with(state.Primary) == nil {
		return nil, nil, nil, &device.Fault{Kind: device.Unreachable, Op: op, Text: "no controller card has the role PRIMARY at the moment"}
	}
	return out, link, s, nil
}

// Verify asks what runs and what kind of installation the device has.
func (d *Driver) Verify(ctx context.Context) (device.Verification, error) {
	i, _, _, err := d.installed(ctx, "verify")
	if err != nil {
		return device.Verification{}, err
	}
	return i.verification(), nil
}

func (i *installation) verification() device.Verification {
	p := i.with(state.Primary)
	v := device.Verification{Version: p.version, PerController: i.perController, ActivationFail: p.failure}
	s := i.with(state.Secondary)
	switch {
	case s == nil:
		v.Standby.State = device.StandbyUnsupported
		if len(i.cards) > 1 {
			v.Standby.State = device.StandbyUnavailable
		}
	case !s.available:
		v.Standby.State = device.StandbyUnavailable
	default:
		v.Standby = device.Standby{State: device.StandbyReady, ID: s.name, Version: s.version, ActivationFail: s.failure}
	}
	return v
}

// request is a request of our own module.
func request(name string, args ...string) *element.Node {
	n := element.New(nsSoftware, name)
	for i := 0; i+1 < len(args); i += 2 {
		if args[i+1] != "" {
			n.Add(element.Leaf(nsSoftware, args[i], args[i+1]))
		}
	}
	return n
}

// Install has the device validate a package. Where it does not have it, it is
// sent by SFTP first, to a name that carries the beginning of its hash; the file
// is removed again where the device does not take it. A transfer that broke is
// taken up where the device allows it, by [transfer.SFTP].
func (d *Driver) Install(ctx context.Context, req device.InstallRequest, progress func(device.Progress)) (device.Installed, error) {
	const op = "install"
	if req.Version == "" || req.Content == nil || req.Size < 0 {
		return device.Installed{}, &device.Fault{Kind: device.Ours, Op: op, Text: fmt.Sprintf("found the version %q and the size %d, want both and a content", req.Version, req.Size)}
	}
	i, link, s, err := d.installed(ctx, op)
	if err != nil {
		return device.Installed{}, err
	}
	target := i.with(state.Primary)
	if req.Standby {
		if !i.perController {
			return device.Installed{}, &device.Fault{Kind: device.Unable, Op: op, Text: "the device is installed as a whole"}
		}
		if target = i.with(state.Secondary); target == nil {
			return device.Installed{}, &device.Fault{Kind: device.Refused, Op: op, Text: "there is no secondary to install"}
		}
	}
	ask := func(file string) (device.Installed, error) {
		standby := ""
		if req.Standby {
			standby = "true"
		}
		n, err := s.Call(ctx, op, true, request("install", "version", req.Version, "size", strconv.FormatInt(req.Size, 10), "standby", standby, "file", file))
		if err != nil {
			return device.Installed{}, err
		}
		got := n.Kid("version").Value()
		if got != req.Version {
			return device.Installed{}, &device.Fault{Kind: device.WrongImage, Op: op, Text: fmt.Sprintf("the device validated version %q, asked for was %q", got, req.Version)}
		}
		return device.Installed{Version: got, AlreadyThere: n.Kid("already-there").Value() == "true"}, nil
	}
	done, err := ask("")
	if !wantsFile(err) {
		if err == nil {
			done.AlreadyThere = true // nothing was sent
		}
		return done, asOp(op, err)
	}
	name := path.Join(target.folder, fileName(req.Version, req.SHA256))
	sent, err := d.put(ctx, op, transfer.File{Path: name, Size: req.Size, SHA256: req.SHA256, Content: req.Content}, progress)
	if err != nil {
		return device.Installed{}, err
	}
	done, err = ask(name)
	if err != nil {
		// What the device did not take is in nobody's way. Where its answer is
		// missing, it may be using the file.
		if k := device.KindOf(err); k != device.OutcomeUnknown && k != device.Unreachable && k != device.Busy {
			d.tidy(ctx, link, name)
		}
		return device.Installed{}, asOp(op, err)
	}
	done.SHA256, done.Sent = sent.SHA256, req.Size
	return done, nil
}

// wantsFile reports whether the device asks for the package to be sent.
func wantsFile(err error) bool {
	var e *RPCError
	return errors.As(err, &e) && e.AppTag == "send-file"
}

// fileName is where a package waits for its installation.
func fileName(version, sum string) string {
	name := []byte("towpath-" + version)
	for i, c := range name {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '.', c == '-', c == '_':
		default:
			name[i] = '_'
		}
	}
	if len(sum) >= 12 {
		name = append(append(name, '-'), sum[:12]...)
	}
	return string(name) + ".pkg"
}

// patience is how long a device may take to answer what is under way when a
// transfer was given up; then its connection is closed.
const patience = 2 * time.Second

// put sends a file, over a connection of its own: a device that answers nothing
// any more is left by closing it, and large files do not stand in the way of
// what else is asked.
func (d *Driver) put(ctx context.Context, op string, f transfer.File, progress func(device.Progress)) (transfer.Result, error) {
	link, err := sshlink.Dial(ctx, d.cfg.SSH)
	if err != nil {
		return transfer.Result{}, given(ctx, op, err)
	}
	defer func() { _ = link.Close() }() // everything was answered, or nobody waits
	defer context.AfterFunc(ctx, func() {
		t := time.NewTimer(patience)
		defer t.Stop()
		select {
		case <-t.C:
			_ = link.Close() // what waits then fails
		case <-link.Done():
		}
	})()
	told := int64(-1)
	once := func(p device.Progress) {
		if progress != nil && p.Sent > told {
			told = p.Sent
			progress(p)
		}
	}
	r, err := transfer.SFTP(ctx, link, f, transfer.Options{Keep: true, Progress: once, Reconnect: func(ctx context.Context) (*sshlink.Client, error) {
		return sshlink.Dial(ctx, d.cfg.SSH)
	}})
	if err == nil {
		if longer(f) {
			d.tidy(ctx, link, f.Path)
			return r, &device.Fault{Kind: device.Damaged, Op: op, Text: fmt.Sprintf("the package read here has more than the %d octets that were announced", f.Size)}
		}
		return r, nil
	}
	if ctx.Err() != nil {
		return r, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "the transfer was ended", Err: context.Cause(ctx)}
	}
	return r, asOp(op, err)
}

// longer reports whether a content goes on after its announced end.
func longer(f transfer.File) bool {
	r, err := f.Content(f.Size)
	if err != nil {
		return false
	}
	defer func() { _ = r.Close() }() // it was only read
	n, _ := io.ReadFull(r, make([]byte, 1))
	return n > 0
}

// tidyTime bounds the removal of what a failed installation leaves.
const tidyTime = 10 * time.Second

func (d *Driver) tidy(ctx context.Context, link *sshlink.Client, name string) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), tidyTime)
	defer cancel()
	if err := removeFile(ctx, link, "remove", name); err != nil {
		d.log.Warn("a package that the device did not take is left there", "file", name, "reason", err)
	}
}

// Activate makes an installed release the one that boots next, and with Reboot
// set restarts the addressed controller card into it. It reads the device first
// and asks nothing of it where nothing is left to do.
func (d *Driver) Activate(ctx context.Context, req device.ActivateRequest) error {
	const op = "activate"
	if req.Version == "" {
		return &device.Fault{Kind: device.Ours, Op: op, Text: "no version given"}
	}
	i, _, s, err := d.installed(ctx, op)
	if err != nil {
		return err
	}
	if req.Standby && !i.perController {
		return &device.Fault{Kind: device.Unable, Op: op, Text: "the device is activated as a whole"}
	}
	role := state.Primary
	if req.Standby {
		role = state.Secondary
	}
	target := i.with(role)
	if target == nil {
		return &device.Fault{Kind: device.Refused, Op: op, Text: "no controller card has the role " + role}
	}
	boots := target.next == req.Version
	if !i.perController {
		for _, c := range i.cards {
			boots = boots && c.next == req.Version
		}
	}
	restart := req.Reboot
	switch {
	case target.version == req.Version && boots:
		return nil
	case target.version == req.Version:
		restart = false // only the boot entry differs
	case !restart && boots:
		return nil
	}
	if !slices.Contains(target.installed, req.Version) {
		return &device.Fault{Kind: device.Missing, Op: op, Text: fmt.Sprintf("%s has no package of release %s", target.name, req.Version)}
	}
	standby := ""
	if req.Standby {
		standby = "true"
	}
	return asOp(op, s.act(ctx, op, request("activate", "version", req.Version, "standby", standby, "restart", strconv.FormatBool(restart))))
}

// SwitchOver hands the PRIMARY role to the named controller card, after it has
// read roles and readiness, see [device.Successor].
func (d *Driver) SwitchOver(ctx context.Context, name string) (device.Switchover, error) {
	const op = "switch over"
	_, _, s, err := d.installed(ctx, op)
	if err != nil {
		return device.Switchover{}, err
	}
	r, err := d.components(ctx, s)
	if err != nil {
		return device.Switchover{}, asOp(op, err)
	}
	if has, done, err := device.Successor(&r.Capture, name, d.now(), d.log); err != nil || done {
		return has, err
	}
	n, err := s.Call(ctx, op, true, request("switch-over", "card", name))
	if err != nil {
		return device.Switchover{}, asOp(op, err)
	}
	out := device.Switchover{Card: n.Kid("card").Value(), Version: n.Kid("version").Value(), Uptime: span(n.Kid("uptime"), 1).Or(0)}
	if out.Card != name {
		return out, &device.Fault{Kind: device.Moved, Op: op, Text: fmt.Sprintf("asked for %s, the device says that %s is primary now", name, out.Card)}
	}
	return out, nil
}

// components reads what the device says of its parts.
func (d *Driver) components(ctx context.Context, s *Session) (*reading, error) {
	r := newReading(device.ScopeLive)
	var some []section
	for _, x := range sections() {
		if x.space == nsHardware || x.space == nsSoftware {
			some = append(some, x)
		}
	}
	if _, _, err := d.ask(ctx, s, r, some); err != nil {
		return nil, err
	}
	r.finish()
	return r, nil
}

// Restart restarts a component, or the whole device where the name is empty: the
// whole by the standard's system-restart (RFC 7317 §3.4), a component by our own
// module. A line card keeps its forwarding, which the device refuses where it
// cannot.
func (d *Driver) Restart(ctx context.Context, component string, reason string) error {
	const op = "restart"
	_, s, err := d.connect(ctx, op)
	if err != nil {
		return err
	}
	if component == "" && !s.offers(nsSoftware) {
		if !s.offers(nsSystem) {
			return &device.Fault{Kind: device.Unable, Op: op, Text: "the device does not serve " + nsSystem}
		}
		return asOp(op, s.act(ctx, op, element.New(nsSystem, "system-restart")))
	}
	i, _, s, err := d.installed(ctx, op)
	if err != nil {
		return err
	}
	if i.busy && i.restarting == component {
		return &device.Fault{Kind: device.Busy, Op: op, Text: "a restart is under way already"}
	}
	if component == "" {
		return asOp(op, s.act(ctx, op, element.New(nsSystem, "system-restart")))
	}
	r, err := d.components(ctx, s)
	if err != nil {
		return asOp(op, err)
	}
	k, ok := r.Component(component)
	if !ok {
		return &device.Fault{Kind: device.Missing, Op: op, Text: fmt.Sprintf("there is no component %q", component)}
	}
	keep := ""
	if k.Kind == state.KindLineCard {
		keep = "true"
	}
	return asOp(op, s.act(ctx, op, request("restart", "component", component, "reason", reason, "keep-forwarding", keep)))
}

// PutComponentImage sends firmware for a component to the primary, and makes it
// what the component's next restart takes.
func (d *Driver) PutComponentImage(ctx context.Context, req device.ComponentImageRequest, progress func(device.Progress)) error {
	const op = "put component image"
	if req.Component == "" || req.File == "" || req.Content == nil {
		return &device.Fault{Kind: device.Ours, Op: op, Text: fmt.Sprintf("found the component %q and the file %q, want both and a content", req.Component, req.File)}
	}
	i, link, s, err := d.installed(ctx, op)
	if err != nil {
		return err
	}
	name := path.Join(i.with(state.Primary).folder, path.Base(req.File))
	if _, err := d.put(ctx, op, transfer.File{Path: name, Size: req.Size, SHA256: req.SHA256, Content: req.Content}, progress); err != nil {
		return err
	}
	err = s.act(ctx, op, request("install-component", "component", req.Component, "file", name, "version", req.Version))
	if k := device.KindOf(err); err != nil && k != device.OutcomeUnknown && k != device.Unreachable {
		d.tidy(ctx, link, name)
	}
	return asOp(op, err)
}

// Abilities tells what the device serves, by what its hello lists and by opening
// SFTP, which changes nothing.
func (d *Driver) Abilities(ctx context.Context) (device.Abilities, error) {
	const op = "abilities"
	link, s, err := d.connect(ctx, op)
	if err != nil {
		return device.Abilities{}, err
	}
	own := s.offers(nsSoftware)
	a := device.Abilities{Restart: own, Watch: s.caps.Has(CapNotification), Settings: s.caps.Has(CapCandidate) || s.caps.Has(CapWritableRunning)}
	if a.Models, err = s.models(ctx); err != nil {
		return a, asOp(op, err)
	}
	slices.Sort(a.Models)
	if a.Files, err = hasSFTP(ctx, link, op); err != nil {
		return a, err
	}
	a.Install, a.ComponentImage = own && a.Files, own && a.Files
	if own {
		i, _, _, err := d.installed(ctx, op)
		if err != nil {
			return a, err
		}
		a.SwitchOver = len(i.cards) > 1
	}
	return a, nil
}
