package lab

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	ospb "github.com/openconfig/gnoi/os"
	syspb "github.com/openconfig/gnoi/system"

	"towpath/internal/element"
	"towpath/internal/lab/netconf"
)

// The module towpath-software is what the chassis has for its own software,
// since no module of the IETF has it: a list of controller cards, and the
// requests install, install-component, activate, switch-over and restart. A
// package is first sent by SFTP to the folder that the card names.

// softwareState is the module's state. The lock is held.
func (c *Chassis) softwareState(f *element.Node) []*element.Node {
	if !asks(f, nsSoftware, "software") {
		return nil
	}
	s := sheetXML(nsSoftware)
	out := s.el("software", s.leaf("per-controller", c.cfg.PerController))
	for _, k := range c.controllers {
		available := !k.booting && !k.failure && k.power == powerEnabled
		n := s.el("controller", s.leaf("name", k.Name), s.leaf("role", strings.ToLower(k.role)), s.leaf("available", available),
			s.leaf("version", k.version), s.leaf("next-version", k.bootNext), s.leaf("activation-failure", k.activationFail),
			s.leaf("folder", k.volume.name()+stagingFolder))
		if pkg := k.volume.packageOf(k.bootNext); pkg != nil {
			n.Add(s.leaf("next-image", gnoiPath(k.volume, pkg)))
		}
		for _, pkg := range k.volume.sorted("/images") {
			if pkg.version != "" {
				n.Add(s.leaf("installed", pkg.version))
			}
		}
		out.Add(n)
	}
	if r := c.lastReboot; r.up != nil {
		out.Add(s.leaf("restarting", r.target))
	}
	return []*element.Node{out}
}

// Call implements [netconf.Device].
func (d netconfDevice) Call(ctx context.Context, rpc *element.Node) ([]*element.Node, error) {
	c := d.c
	arg := func(name string) string { return rpc.Kid(name).Value() }
	if rpc.Is(nsSystem, "system-restart") {
		return nil, c.restartCalled("", "", syspb.RebootMethod_COLD)
	}
	if rpc.Space != nsSoftware || c.cfg.NETCONF.Standard {
		return nil, &netconf.Error{Type: "protocol", Tag: "operation-not-supported", Message: "there is no operation " + rpc.Name}
	}
	switch rpc.Name {
	case "install":
		return c.installCalled(ctx, arg("version"), arg("standby") == "true", arg("size"), arg("file"))
	case "install-component":
		return nil, c.componentCalled(arg("component"), arg("file"), arg("version"))
	case "activate":
		return nil, c.activateCalled(arg("version"), arg("standby") == "true", arg("restart") == "true")
	case "switch-over":
		return c.switchOverCalled(arg("card"))
	case "restart":
		m := syspb.RebootMethod_COLD
		if arg("keep-forwarding") == "true" {
			m = syspb.RebootMethod_NSF
		}
		return nil, c.restartCalled(arg("component"), arg("reason"), m)
	}
	return nil, &netconf.Error{Type: "protocol", Tag: "operation-not-supported", Message: "there is no operation " + rpc.Name}
}

// softwareError is an error with the module's own name for it.
func softwareError(tag, app, text string) error {
	return &netconf.Error{Tag: tag, AppTag: app, Message: text}
}

// installTags are the module's names for what goes wrong with a package.
var installTags = map[ospb.InstallError_Type][2]string{
	ospb.InstallError_INCOMPATIBLE:            {"invalid-value", "wrong-image"},
	ospb.InstallError_TOO_LARGE:               {"resource-denied", "no-space"},
	ospb.InstallError_PARSE_FAIL:              {"invalid-value", "damaged"},
	ospb.InstallError_INTEGRITY_FAIL:          {"invalid-value", "damaged"},
	ospb.InstallError_SYNC_FAIL:               {"operation-failed", "damaged"},
	ospb.InstallError_INSTALL_IN_PROGRESS:     {"in-use", "busy"},
	ospb.InstallError_UNEXPECTED_SWITCHOVER:   {"operation-failed", "roles-changed"},
	ospb.InstallError_NOT_SUPPORTED_ON_BACKUP: {"operation-not-supported", ""},
	ospb.InstallError_INSTALL_RUN_PACKAGE:     {"data-exists", ""},
	ospb.InstallError_UNSPECIFIED:             {"operation-failed", ""},
}

// softwareFailure is an error of the chassis in the words of NETCONF.
func softwareFailure(err error) error {
	var f *installFailure
	if errors.As(err, &f) {
		t := installTags[f.kind]
		return softwareError(t[0], t[1], f.detail)
	}
	var e *netconf.Error
	if err == nil || errors.As(err, &e) {
		return err
	}
	text := status.Convert(err).Message()
	switch status.Code(err) {
	case codes.NotFound:
		return softwareError("data-missing", "not-there", text)
	case codes.InvalidArgument:
		return softwareError("invalid-value", "", text)
	case codes.ResourceExhausted:
		return softwareError("resource-denied", "no-space", text)
	case codes.PermissionDenied:
		return softwareError("access-denied", "", text)
	case codes.FailedPrecondition:
		return softwareError("operation-failed", "not-ready", text)
	case codes.Canceled, codes.Unavailable:
		return netconf.ErrNoAnswer
	default:
		return softwareError("operation-failed", "", text)
	}
}

// silentStream takes the place of the stream that tells the progress of a copy.
type silentStream struct {
	ospb.OS_InstallServer
	ctx context.Context
}

// Context implements grpc.ServerStream.
func (s silentStream) Context() context.Context { return s.ctx }

// Send drops what NETCONF has no way to tell.
func (s silentStream) Send(*ospb.InstallResponse) error { return nil }

// installCalled installs a package: one that is there already, on this card or
// the other, or the one in a file. With neither, it is data-missing, and the
// client sends the file.
func (c *Chassis) installCalled(ctx context.Context, version string, standby bool, size, from string) ([]*element.Node, error) {
	n, err := strconv.ParseInt(size, 10, 62)
	if version == "" || err != nil || n < 0 {
		return nil, softwareError("missing-element", "", fmt.Sprintf("found version %q and size %q, want both", version, size))
	}
	card := "primary"
	if standby {
		card = "secondary"
	}
	var act *Act
	c.do(func() {
		act = c.act(ActInstall, fmt.Sprintf("version=%s card=%s size=%d file=%s", version, card, n, from))
	})
	got, changed, err := c.installStaged(ctx, &ospb.TransferRequest{Version: version, StandbySupervisor: standby, PackageSize: uint64(n)}, from)
	c.do(func() {
		act.Changed, act.Outcome = changed, "ok"
		if err != nil {
			act.Outcome = err.Error()
		}
	})
	if err != nil {
		return nil, softwareFailure(err)
	}
	s := sheetXML(nsSoftware)
	return []*element.Node{s.leaf("version", got), s.leaf("already-there", !changed)}, nil
}

func (c *Chassis) installStaged(ctx context.Context, req *ospb.TransferRequest, from string) (version string, changed bool, err error) {
	run := &installRun{}
	run.ctx, run.abort = context.WithCancelCause(ctx)
	defer run.abort(nil)
	var staged *file
	var v *volume
	var targets []*controller
	var copyFrom *file
	var have bool
	c.do(func() {
		if from != "" {
			if v, staged, err = c.find(from); err != nil {
				return
			}
			// The file becomes the package, so that its octets count once.
			delete(v.files, staged.path)
		}
		targets, copyFrom, have, err = c.admitInstall(req, run)
		switch {
		case err != nil || have || copyFrom != nil || staged != nil:
		default:
			// Nothing is installed yet; the file has to be sent first.
			c.install, c.expected = nil, int64(req.GetPackageSize())
			err = softwareError("data-missing", "send-file", "the package is not there; send it to "+targets[0].volume.name()+stagingFolder)
		}
		if staged != nil && (err != nil || have || copyFrom != nil) {
			v.files[staged.path] = staged
		}
	})
	if err != nil {
		return "", false, err
	}
	if have {
		return req.GetVersion(), false, nil
	}
	defer c.do(func() { c.install = nil })
	if copyFrom != nil {
		changed, err = c.copyPackage(silentStream{ctx: ctx}, run, targets[0], copyFrom)
		return copyFrom.version, changed, err
	}
	done := false
	defer c.do(func() {
		if done {
			staged.content.drop()
		} else {
			v.files[staged.path] = staged // as it was
		}
	})
	t := &transfer{
		c: c, run: run, targets: targets, scan: newPackScan(), expected: staged.size,
		spool: &spool{dir: c.lab.dir, limit: c.lab.memoryFile, discard: c.lab.cfg.DiscardContent},
	}
	defer t.release()
	c.do(func() { t.reserve(staged.size) })
	if err := t.readStaged(staged); err != nil {
		return "", false, err
	}
	version, err = t.validate(req.GetVersion())
	done = err == nil
	return version, done, err
}

// readStaged takes the content of a file that has been sent.
func (t *transfer) readStaged(f *file) error {
	r, err := f.content.open()
	if err != nil {
		return status.Error(codes.Internal, err.Error())
	}
	defer func() { _ = r.Close() }() // it was only read
	for {
		b := make([]byte, 1<<20)
		n, err := io.ReadFull(r, b)
		_, _ = t.scan.Write(b[:n]) // never fails
		if serr := t.spool.add(b[:n]); serr != nil {
			return status.Error(codes.Internal, serr.Error())
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return nil
		}
		if err != nil {
			return status.Error(codes.Internal, err.Error())
		}
	}
}

// componentCalled makes a file the firmware of a component, from its next
// restart on.
func (c *Chassis) componentCalled(component, from, version string) error {
	var err error
	c.do(func() {
		act := c.act(ActSetPackage, fmt.Sprintf("component=%s file=%s version=%s", component, from, version))
		err = c.takeComponentImage(component, from, version)
		act.Changed, act.Outcome = err == nil, "ok"
		if err != nil {
			act.Outcome = err.Error()
		}
	})
	return softwareFailure(err)
}

func (c *Chassis) takeComponentImage(component, from, version string) error {
	k := c.component(component)
	if k == nil || k.version == "" {
		return status.Errorf(codes.NotFound, "found component %q, want one with firmware", component)
	}
	v, f, err := c.find(from)
	if err != nil {
		return err
	}
	r, err := f.content.open()
	if err != nil {
		return status.Error(codes.Internal, err.Error())
	}
	scan := newPackScan()
	_, err = io.Copy(scan, r)
	if err := errors.Join(err, r.Close()); err != nil {
		return status.Error(codes.Internal, err.Error())
	}
	_, head, err := scan.finish()
	switch {
	case err != nil:
		return softwareError("invalid-value", "damaged", err.Error())
	case head.kind != PackageFirmware || head.platform != c.cfg.Platform:
		return softwareError("invalid-value", "wrong-image", fmt.Sprintf("found a %s package of platform %s, want firmware of %s", head.kind, head.platform, c.cfg.Platform))
	case head.target != "" && head.target != k.kind:
		return softwareError("invalid-value", "wrong-image", "the firmware is for "+head.target+", which "+component+" is not")
	case version != "" && version != head.version:
		return softwareError("invalid-value", "wrong-image", "found firmware "+head.version+", the request says "+version)
	}
	g := *f
	g.path = "/" + component + "/firmware/" + path.Base(f.path)
	if v.readOnly {
		return status.Errorf(codes.PermissionDenied, "%s is read-only", v.name())
	}
	v.put(&g)
	v.remove(f.path)
	k.pendingLevel = head.version
	return nil
}

func (c *Chassis) activateCalled(version string, standby, restart bool) error {
	var lost bool
	var failed *ospb.ActivateError
	req := &ospb.ActivateRequest{Version: version, StandbySupervisor: standby, NoReboot: !restart}
	c.do(func() {
		card := "primary"
		if standby {
			card = "secondary"
		}
		if !c.cfg.PerController {
			card = "both"
		}
		act := c.act(ActActivate, fmt.Sprintf("version=%s card=%s reboot=%t", version, card, restart))
		act.Changed, failed = c.activate(req)
		act.Outcome = "ok"
		if failed != nil {
			act.Outcome = failed.GetType().String() + ": " + failed.GetDetail()
			return
		}
		lost = c.fires("activate-answer-lost")
	})
	if lost {
		c.loseAnswer()
		return netconf.ErrNoAnswer
	}
	switch failed.GetType() {
	case ospb.ActivateError_NON_EXISTENT_VERSION:
		return softwareError("data-missing", "not-there", failed.GetDetail())
	case ospb.ActivateError_NOT_SUPPORTED_ON_BACKUP:
		return softwareError("operation-not-supported", "", failed.GetDetail())
	case ospb.ActivateError_UNSPECIFIED:
	}
	if failed != nil {
		return softwareError("operation-failed", "not-ready", failed.GetDetail())
	}
	return nil
}

func (c *Chassis) switchOverCalled(card string) ([]*element.Node, error) {
	resp, err := (&systemServer{c: c}).SwitchControlProcessor(context.Background(), &syspb.SwitchControlProcessorRequest{ControlProcessor: componentPath(card)})
	if err != nil {
		return nil, softwareFailure(err)
	}
	s := sheetXML(nsSoftware)
	return []*element.Node{s.leaf("card", card), s.leaf("version", resp.GetVersion()), s.leaf("uptime", resp.GetUptime())}, nil
}

// restartCalled begins a restart and does not wait for its end.
func (c *Chassis) restartCalled(component, reason string, m syspb.RebootMethod) error {
	var err error
	c.do(func() {
		act := c.act(ActReboot, fmt.Sprintf("targets=%s method=%s", component, m))
		err = c.admitReboot([]string{component}, &syspb.RebootRequest{Method: m, Message: reason})
		act.Changed, act.Outcome = err == nil, "ok"
		if err != nil {
			act.Outcome = err.Error()
			return
		}
		c.rebootNow(component, m, reason)
	})
	return softwareFailure(err)
}
