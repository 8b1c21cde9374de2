package lab

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	ospb "github.com/openconfig/gnoi/os"
)

// osServer is gNOI OS.
// Source for all of it: OpenConfig gNOI os.proto 0.1.4.
type osServer struct {
	ospb.UnimplementedOSServer
	c *Chassis
}

// installRun is the installation in progress; there is at most one. Its context
// ends with the stream, or when roles change, and its cause says which.
type installRun struct {
	ctx   context.Context
	abort context.CancelCauseFunc
}

// why is the reason for which the installation cannot go on.
func (r *installRun) why() error {
	cause := context.Cause(r.ctx)
	var refused *installFailure
	if errors.As(cause, &refused) {
		return cause
	}
	return status.FromContextError(cause).Err()
}

// abortInstall ends the installation in progress. The lock is held.
func (c *Chassis) abortInstall() {
	if c.install != nil {
		c.install.abort(errRolesChanged)
	}
}

// installFailure is an InstallError as a Go error.
type installFailure struct {
	kind   ospb.InstallError_Type
	detail string
}

func (f *installFailure) Error() string { return f.kind.String() + ": " + f.detail }

func refuseInstall(kind ospb.InstallError_Type, format string, args ...any) error {
	return &installFailure{kind, fmt.Sprintf(format, args...)}
}

var errRolesChanged = &installFailure{ospb.InstallError_UNEXPECTED_SWITCHOVER, "the controller cards changed roles during the installation"}

// Install receives a package, validates it and puts it on the volumes.
func (s *osServer) Install(stream ospb.OS_InstallServer) error {
	c := s.c
	first, err := stream.Recv()
	if err != nil {
		return err
	}
	req := first.GetTransferRequest()
	if req == nil {
		return status.Error(codes.InvalidArgument, "the first message must be a transfer request")
	}
	var act *Act
	c.do(func() {
		card := "primary"
		if req.GetStandbySupervisor() {
			card = "secondary"
		}
		act = c.act(ActInstall, fmt.Sprintf("version=%s card=%s size=%d", req.GetVersion(), card, req.GetPackageSize()))
	})
	changed, err := c.installFrom(stream, req)
	c.do(func() {
		act.Changed, act.Outcome = changed, "ok"
		if err != nil {
			act.Outcome = err.Error()
		}
	})
	var refused *installFailure
	if errors.As(err, &refused) {
		return stream.Send(&ospb.InstallResponse{Response: &ospb.InstallResponse_InstallError{
			InstallError: &ospb.InstallError{Type: refused.kind, Detail: refused.detail},
		}})
	}
	return err
}

// installFrom runs one installation.
func (c *Chassis) installFrom(stream ospb.OS_InstallServer, req *ospb.TransferRequest) (changed bool, err error) {
	run := &installRun{}
	run.ctx, run.abort = context.WithCancelCause(stream.Context())
	defer run.abort(nil)
	var targets []*controller
	var copyFrom *file
	var have bool
	c.do(func() { targets, copyFrom, have, err = c.admitInstall(req, run) })
	if err != nil {
		return false, err
	}
	if have {
		return false, sendValidated(stream, req.GetVersion(), c.cfg.Platform)
	}
	defer c.do(func() { c.install = nil })
	if copyFrom != nil {
		return c.copyPackage(stream, run, targets[0], copyFrom)
	}
	if err := stream.Send(&ospb.InstallResponse{Response: &ospb.InstallResponse_TransferReady{TransferReady: &ospb.TransferReady{}}}); err != nil {
		return false, err
	}
	t := &transfer{
		c: c, run: run, targets: targets, scan: newPackScan(), expected: int64(req.GetPackageSize()),
		spool: &spool{dir: c.lab.dir, limit: c.lab.memoryFile, discard: c.lab.cfg.DiscardContent},
	}
	defer t.release()
	if err := t.receive(stream); err != nil {
		return false, err
	}
	version, err := t.validate(req.GetVersion())
	if err != nil {
		return false, err
	}
	return true, sendValidated(stream, version, c.cfg.Platform)
}

func sendValidated(stream ospb.OS_InstallServer, version, platform string) error {
	return stream.Send(&ospb.InstallResponse{Response: &ospb.InstallResponse_Validated{
		Validated: &ospb.Validated{Version: version, Description: "platform " + platform},
	}})
}

// admitInstall decides what an installation has to do: targets to fill, a
// package to copy from the other card, or nothing because it is there. The lock
// is held.
func (c *Chassis) admitInstall(req *ospb.TransferRequest, run *installRun) (targets []*controller, copyFrom *file, have bool, err error) {
	p, s := c.primary(), c.secondary()
	version := req.GetVersion()
	c.at(momentInstall)
	switch {
	case req.GetStandbySupervisor() && !c.cfg.PerController:
		return nil, nil, false, refuseInstall(ospb.InstallError_NOT_SUPPORTED_ON_BACKUP, "this system is installed as a whole")
	case c.install != nil:
		return nil, nil, false, refuseInstall(ospb.InstallError_INSTALL_IN_PROGRESS, "another installation runs")
	case c.clock.Now().Before(c.busyUntil):
		return nil, nil, false, refuseInstall(ospb.InstallError_INSTALL_IN_PROGRESS, "another operator's installation runs")
	}
	targets = []*controller{p, s}
	if c.cfg.PerController {
		targets = []*controller{p}
		if req.GetStandbySupervisor() {
			targets = []*controller{s}
		}
	}
	missing := targets[:0:0]
	for _, k := range targets {
		if k.volume.packageOf(version) == nil {
			missing = append(missing, k)
		}
	}
	if len(missing) == 0 {
		return nil, nil, true, nil
	}
	gone := ospb.InstallError_UNSPECIFIED
	if c.cfg.PerController { // the other kind must not answer so
		gone = ospb.InstallError_SYNC_FAIL
	}
	for _, k := range targets {
		switch {
		case k.power != powerEnabled || k.failure:
			return nil, nil, false, refuseInstall(gone, "%s does not answer", k.Name)
		case k.booting:
			return nil, nil, false, refuseInstall(ospb.InstallError_UNSPECIFIED, "%s is restarting", k.Name)
		case k.volume.readOnly:
			return nil, nil, false, refuseInstall(ospb.InstallError_UNSPECIFIED, "%s is read-only", k.volume.name())
		}
	}
	if c.cfg.PerController && version != "" {
		for _, k := range c.controllers {
			if k != targets[0] {
				copyFrom = k.volume.packageOf(version)
			}
		}
	}
	size := int64(req.GetPackageSize())
	if copyFrom != nil {
		size = copyFrom.size
	}
	for _, k := range targets {
		if c.makeRoom(k, size, version) < size {
			return nil, nil, false, refuseInstall(ospb.InstallError_TOO_LARGE, "%s has %d octets free, the package takes %d", k.volume.name(), k.volume.available(), size)
		}
	}
	c.install = run
	return targets, copyFrom, false, nil
}

// makeRoom returns what is free on a card's volume, after deleting packages
// that nobody needs where the chassis keeps house itself.
func (c *Chassis) makeRoom(k *controller, size int64, version string) int64 {
	v := k.volume
	for _, f := range v.sorted("/images") {
		if !c.cfg.Housekeeping || v.available() >= size {
			break
		}
		if f.version != "" && f.version != version && !c.inUse(f.version) {
			v.remove(f.path)
		}
	}
	return v.available()
}

// inUse reports whether a release runs or boots next on a controller card.
func (c *Chassis) inUse(version string) bool {
	for _, k := range c.controllers {
		if k.version == version || k.bootNext == version {
			return true
		}
	}
	return false
}

// copyPackage copies a package from the other controller card and reports the
// progress.
func (c *Chassis) copyPackage(stream ospb.OS_InstallServer, run *installRun, to *controller, from *file) (bool, error) {
	const steps = 10
	for i := range steps {
		if err := run.pause(c, c.cfg.Durations.PackageCopy/steps); err != nil {
			return false, err
		}
		pct := uint32((i + 1) * 100 / steps)
		if err := stream.Send(&ospb.InstallResponse{Response: &ospb.InstallResponse_SyncProgress{
			SyncProgress: &ospb.SyncProgress{PercentageTransferred: pct},
		}}); err != nil {
			return false, err
		}
	}
	var err error
	c.do(func() {
		switch {
		case run.ctx.Err() != nil:
			err = run.why()
		case c.fires("copy-fails"):
			err = refuseInstall(ospb.InstallError_SYNC_FAIL, "%s: the copy could not be read back", to.volume.name())
		default:
			f := *from
			f.modified = c.now()
			to.volume.put(&f)
			c.staged(f.version)
		}
	})
	if err != nil {
		return false, err
	}
	return true, sendValidated(stream, from.version, c.cfg.Platform)
}

// pause waits on the lab's clock; the error says why it was cut short.
func (r *installRun) pause(c *Chassis, d time.Duration) error {
	if err := c.clock.Sleep(r.ctx, d); err != nil {
		if r.ctx.Err() != nil {
			return r.why()
		}
		return status.Error(codes.Unavailable, err.Error())
	}
	return nil
}

// transfer is the receiving of one package.
type transfer struct {
	c        *Chassis
	run      *installRun
	targets  []*controller
	scan     *packScan
	spool    *spool
	reserved int64
	expected int64
	told     int64
	flip     bool            // damage the content on its way
	struck   map[string]bool // faults that this transfer has had
}

// release gives back what an installation held.
func (t *transfer) release() {
	t.spool.abandon()
	t.c.do(func() { t.reserve(-t.reserved) })
}

func (t *transfer) reserve(n int64) {
	t.reserved += n
	for _, k := range t.targets {
		k.volume.reserved += n
	}
}

// receive takes the content until the client ends it.
func (t *transfer) receive(stream ospb.OS_InstallServer) error {
	type piece struct {
		msg *ospb.InstallRequest
		err error
	}
	ctx := t.run.ctx
	pieces := make(chan piece, 4) // receiving and hashing overlap
	go func() {
		for {
			msg, err := stream.Recv()
			select {
			case pieces <- piece{msg, err}:
			case <-ctx.Done():
				return
			}
			if err != nil {
				return
			}
		}
	}()
	for {
		var p piece
		select {
		case p = <-pieces:
		case <-ctx.Done():
			return t.run.why()
		}
		if errors.Is(p.err, io.EOF) {
			return status.Error(codes.Aborted, "the client ended the transfer before its end")
		}
		if p.err != nil {
			return p.err
		}
		switch r := p.msg.GetRequest().(type) {
		case *ospb.InstallRequest_TransferContent:
			if err := t.take(stream, r.TransferContent); err != nil {
				return err
			}
		case *ospb.InstallRequest_TransferEnd:
			return nil
		default:
			return status.Error(codes.InvalidArgument, "want transfer content or its end")
		}
	}
}

// take handles one piece of content.
func (t *transfer) take(stream ospb.OS_InstallServer, b []byte) error {
	c := t.c
	n := int64(len(b))
	if rate := int64(c.cfg.TransferRate); rate > 0 {
		if err := t.run.pause(c, time.Duration(float64(n)/float64(rate)*float64(time.Second))); err != nil {
			return err
		}
	}
	var err error
	var stall bool
	c.mu.Lock()
	for _, k := range t.targets {
		if k.volume.available() < n || k.volume.readOnly {
			err = refuseInstall(ospb.InstallError_TOO_LARGE, "%s is full after %d octets", k.volume.name(), t.scan.size)
			if k.volume.readOnly {
				err = refuseInstall(ospb.InstallError_UNSPECIFIED, "%s became read-only after %d octets", k.volume.name(), t.scan.size)
			}
		}
	}
	if err == nil {
		t.reserve(n)
		stall = c.received(t)
	}
	flip := t.flip
	t.flip = false
	c.mu.Unlock()
	if err != nil {
		return err
	}
	if stall { // nothing is read any more; the sender's window closes
		<-t.run.ctx.Done()
		return t.run.why()
	}
	if flip && n > 0 {
		b[n/2] ^= 0x10
	}
	_, _ = t.scan.Write(b) // never fails
	if err := t.spool.add(b); err != nil {
		return status.Error(codes.Internal, err.Error())
	}
	step := int64(5 << 20)
	if t.expected > 0 {
		step = min(step, max(t.expected/20, 64<<10))
	}
	if t.scan.size-t.told >= step {
		t.told = t.scan.size
		c.do(func() {}) // the volumes filled
		return stream.Send(&ospb.InstallResponse{Response: &ospb.InstallResponse_TransferProgress{
			TransferProgress: &ospb.TransferProgress{BytesReceived: uint64(t.scan.size)},
		}})
	}
	return nil
}

// validate checks what was received and puts it on the volumes.
func (t *transfer) validate(asked string) (version string, err error) {
	c := t.c
	sum, head, err := t.scan.finish()
	switch {
	case errors.Is(err, errPackParse):
		return "", refuseInstall(ospb.InstallError_PARSE_FAIL, "%v", err)
	case errors.Is(err, errPackIntegrity):
		return "", refuseInstall(ospb.InstallError_INTEGRITY_FAIL, "%v", err)
	case err != nil:
		return "", status.Error(codes.Internal, err.Error())
	case head.platform != c.cfg.Platform:
		return "", refuseInstall(ospb.InstallError_INCOMPATIBLE, "the package is for platform %s, this is %s", head.platform, c.cfg.Platform)
	case head.kind != PackageSystem:
		return "", refuseInstall(ospb.InstallError_INCOMPATIBLE, "the package is of kind %s, want %s", head.kind, PackageSystem)
	}
	if err := t.run.pause(c, c.cfg.Durations.Validation); err != nil {
		return "", err
	}
	if len(t.targets) > 1 { // the copy to the other card; this kind reports no progress of it
		if err := t.run.pause(c, c.cfg.Durations.PackageCopy); err != nil {
			return "", err
		}
	}
	body, err := t.spool.done()
	if err != nil {
		return "", status.Error(codes.Internal, err.Error())
	}
	c.do(func() {
		version = head.version
		switch {
		case t.run.ctx.Err() != nil:
			err = t.run.why()
		case asked == "" && version == c.primary().version:
			err = refuseInstall(ospb.InstallError_INSTALL_RUN_PACKAGE, "release %s runs", version)
		case c.fires("wrong-package"):
			version += "-other"
		}
		if err != nil {
			body.drop()
			return
		}
		t.reserve(-t.reserved)
		for _, k := range t.targets {
			if old := k.volume.packageOf(version); old != nil {
				k.volume.remove(old.path)
			}
			k.volume.put(&file{
				path: "/images/" + c.packageFile(version), size: t.scan.size, sum: sum, modified: c.now(),
				perm: 644, version: version, content: body,
			})
		}
		c.staged(version)
	})
	return version, err
}

// staged tells the faults when every controller card has the package. The lock
// is held.
func (c *Chassis) staged(version string) {
	for _, k := range c.controllers {
		if k.volume.packageOf(version) == nil {
			return
		}
	}
	c.at(momentStaged)
}

// Activate sets what boots next and, unless it is told not to, restarts.
func (s *osServer) Activate(_ context.Context, req *ospb.ActivateRequest) (*ospb.ActivateResponse, error) {
	c := s.c
	var lost bool
	var failed *ospb.ActivateError
	c.do(func() {
		card := "primary"
		if req.GetStandbySupervisor() {
			card = "secondary"
		}
		if !c.cfg.PerController {
			card = "both"
		}
		act := c.act(ActActivate, fmt.Sprintf("version=%s card=%s reboot=%t", req.GetVersion(), card, !req.GetNoReboot()))
		act.Changed, failed = c.activate(req)
		act.Outcome = "ok"
		if failed != nil {
			act.Outcome = failed.GetType().String() + ": " + failed.GetDetail()
			return
		}
		lost = c.fires("activate-answer-lost")
	})
	if lost {
		s.c.loseAnswer()
		return nil, errGoingDown
	}
	if failed != nil {
		return &ospb.ActivateResponse{Response: &ospb.ActivateResponse_ActivateError{ActivateError: failed}}, nil
	}
	return &ospb.ActivateResponse{Response: &ospb.ActivateResponse_ActivateOk{ActivateOk: &ospb.ActivateOK{}}}, nil
}

// loseAnswer cuts every connection before the present call is answered, and
// serves again at once.
func (c *Chassis) loseAnswer() {
	c.mgmt.cut()
	c.mgmt.openAgain()
}

// activate is Activate with the lock held.
func (c *Chassis) activate(req *ospb.ActivateRequest) (changed bool, failed *ospb.ActivateError) {
	refuse := func(t ospb.ActivateError_Type, format string, args ...any) (bool, *ospb.ActivateError) {
		return false, &ospb.ActivateError{Type: t, Detail: fmt.Sprintf(format, args...)}
	}
	p, s := c.primary(), c.secondary()
	if req.GetStandbySupervisor() && !c.cfg.PerController {
		return refuse(ospb.ActivateError_NOT_SUPPORTED_ON_BACKUP, "this system is activated as a whole")
	}
	targets := []*controller{p, s}
	if c.cfg.PerController {
		targets = targets[:1]
		if req.GetStandbySupervisor() {
			targets = []*controller{s}
		}
	}
	version := req.GetVersion()
	runs := true
	for _, k := range targets {
		if k.volume.packageOf(version) == nil {
			return refuse(ospb.ActivateError_NON_EXISTENT_VERSION, "%s has no package of release %q", k.Name, version)
		}
		if k.booting || k.failure || k.power != powerEnabled {
			return refuse(ospb.ActivateError_UNSPECIFIED, "%s is restarting or does not answer", k.Name)
		}
		runs = runs && k.version == version
	}
	restarts := !req.GetNoReboot() && !runs
	viaSwitch := restarts && targets[0] == p
	if viaSwitch && !c.ready() {
		return refuse(ospb.ActivateError_UNSPECIFIED, "%s is not ready to take over", s.Name)
	}
	if c.pendingPrimary() != nil && restarts {
		return refuse(ospb.ActivateError_UNSPECIFIED, "a reboot is pending")
	}
	for _, k := range targets {
		changed = changed || k.bootNext != version
		k.bootNext = version
	}
	changed = changed || restarts
	switch {
	case !restarts:
	case targets[0] == s:
		c.bootController(s, rebootUser)
	case c.cfg.PerController:
		c.switchOver(byUser, "activation of release "+version)
	default:
		c.upgradeWhole(version)
	}
	return changed, nil
}

// upgradeWhole takes a whole system into a release in service: the secondary
// restarts, takes over the state and then, see takeOver, the role, and the
// former primary restarts. The lock is held.
func (c *Chassis) upgradeWhole(version string) {
	c.bootController(c.secondary(), rebootUser)
	c.takeOverAs = version
}

// takeOver hands the role to the secondary where an activation waits for it to
// be ready. The lock is held.
func (c *Chassis) takeOver() {
	version := c.takeOverAs
	if version != "" && c.secondary().version == version && c.ready() {
		c.takeOverAs = ""
		c.switchOver(byUser, "activation of release "+version)
	}
}

// Verify says what runs.
func (s *osServer) Verify(context.Context, *ospb.VerifyRequest) (*ospb.VerifyResponse, error) {
	c := s.c
	c.mu.Lock()
	defer c.mu.Unlock()
	p, sec := c.primary(), c.secondary()
	standby := &ospb.VerifyStandby{}
	if sec.booting || sec.failure || sec.power != powerEnabled {
		standby.State = &ospb.VerifyStandby_StandbyState{StandbyState: &ospb.StandbyState{State: ospb.StandbyState_UNAVAILABLE}}
	} else {
		standby.State = &ospb.VerifyStandby_VerifyResponse{VerifyResponse: &ospb.StandbyResponse{
			Id: sec.Name, Version: sec.version, ActivationFailMessage: sec.activationFail,
		}}
	}
	return &ospb.VerifyResponse{
		Version: p.version, ActivationFailMessage: p.activationFail,
		VerifyStandby: standby, IndividualSupervisorInstall: c.cfg.PerController,
	}, nil
}
