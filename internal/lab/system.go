package lab

import (
	"context"
	"crypto/md5"
	"crypto/sha256"
	"crypto/sha512"
	"errors"
	"fmt"
	"hash"
	"io"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	syspb "github.com/openconfig/gnoi/system"
	"github.com/openconfig/gnoi/types"
)

// systemServer is gNOI System.
// Source for all of it: OpenConfig gNOI system.proto 1.4.0.
type systemServer struct {
	syspb.UnimplementedSystemServer
	c *Chassis
}

// Time tells the device's clock.
func (s *systemServer) Time(context.Context, *syspb.TimeRequest) (*syspb.TimeResponse, error) {
	s.c.mu.Lock()
	defer s.c.mu.Unlock()
	return &syspb.TimeResponse{Time: uint64(s.c.now().UnixNano())}, nil
}

// SwitchControlProcessor hands the PRIMARY role over.
func (s *systemServer) SwitchControlProcessor(_ context.Context, req *syspb.SwitchControlProcessorRequest) (*syspb.SwitchControlProcessorResponse, error) {
	c := s.c
	name := componentName(req.GetControlProcessor())
	var resp *syspb.SwitchControlProcessorResponse
	var err error
	var lost bool
	c.do(func() {
		act := c.act(ActSwitchOver, "to="+name)
		k := c.controller(name)
		switch {
		case k == nil:
			err = status.Errorf(codes.NotFound, "found %q, want a controller card", name)
		case k == c.primary():
		case !c.ready():
			err = status.Errorf(codes.FailedPrecondition, "%s is not ready to take over", name)
		case c.pendingPrimary() != nil:
			err = status.Error(codes.FailedPrecondition, "a reboot of the primary is pending")
		case c.fires("switchover-refused"):
			err = status.Errorf(codes.FailedPrecondition, "%s does not take the role: a process is not synchronised", name)
		default:
			act.Changed = true
			lost = c.fires("switchover-answer-lost")
			c.switchOver(byUser, "requested by an operator")
		}
		act.Outcome = "ok"
		if err != nil {
			act.Outcome = err.Error()
			return
		}
		resp = &syspb.SwitchControlProcessorResponse{
			ControlProcessor: componentPath(name), Version: k.version, Uptime: int64(c.now().Sub(k.bootTime)),
		}
	})
	if lost {
		c.mgmt.cut()
		return nil, errGoingDown
	}
	return resp, err
}

// pendingReboot is a reboot that waits for its time.
type pendingReboot struct {
	target string // component; empty for everything
	method syspb.RebootMethod
	when   time.Time
	reason string
	cancel context.CancelFunc
}

// rebootRecord is what RebootStatus tells of a reboot that is over or under way.
type rebootRecord struct {
	target string
	reason string
	method syspb.RebootMethod
	up     chan struct{}
	count  uint32
	status syspb.RebootStatus_Status
	text   string
}

// pendingPrimary returns a pending reboot of the primary or of everything.
func (c *Chassis) pendingPrimary() *pendingReboot {
	for _, p := range c.pending {
		if p.target == "" || p.target == c.primary().Name {
			return p
		}
	}
	return nil
}

// Reboot restarts components, now or later. A reboot that is due now is
// answered when the components are up.
func (s *systemServer) Reboot(ctx context.Context, req *syspb.RebootRequest) (*syspb.RebootResponse, error) {
	c := s.c
	targets, err := rebootTargets(req.GetSubcomponents())
	args := fmt.Sprintf("targets=%s method=%s delay=%s force=%t", strings.Join(targets, ","), req.GetMethod(), time.Duration(req.GetDelay()), req.GetForce())
	var ups []chan struct{}
	c.do(func() {
		act := c.act(ActReboot, args)
		if err == nil {
			err = c.admitReboot(targets, req)
		}
		act.Outcome = "ok"
		if err != nil {
			act.Outcome = err.Error()
			return
		}
		act.Changed = true
		if req.GetDelay() > 0 {
			c.postpone(targets, req)
			return
		}
		for _, t := range targets {
			ups = append(ups, c.rebootNow(t, req.GetMethod(), req.GetMessage()))
		}
	})
	if err != nil {
		return nil, err
	}
	for _, up := range ups {
		if up == nil {
			continue
		}
		select {
		case <-up:
		case <-ctx.Done():
			return nil, status.FromContextError(ctx.Err()).Err()
		case <-c.ctx.Done():
			return nil, errGoingDown
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, t := range targets {
		c.rebooted(t)
		if k := c.component(t); k != nil && k.failure {
			return nil, status.Errorf(codes.Internal, "%s did not come up", t)
		}
	}
	return &syspb.RebootResponse{}, nil
}

// rebootTargets reads the names of subcomponents; the chassis, or none, is
// everything, written as an empty name.
func rebootTargets(paths []*types.Path) ([]string, error) {
	if len(paths) == 0 {
		return []string{""}, nil
	}
	var out []string
	for _, p := range paths {
		name := componentName(p)
		switch name {
		case "":
			return nil, status.Error(codes.InvalidArgument, "a subcomponent without name, want /components/component[name=…]")
		case "chassis":
			name = ""
		}
		if !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	if len(out) > 1 && slices.Contains(out, "") {
		return nil, status.Error(codes.InvalidArgument, "the chassis together with its components")
	}
	return out, nil
}

// admitReboot checks a request. The lock is held.
func (c *Chassis) admitReboot(targets []string, req *syspb.RebootRequest) error {
	m := req.GetMethod()
	if c.pendingPrimary() != nil {
		return status.Error(codes.FailedPrecondition, "a reboot of the primary is pending")
	}
	for _, t := range targets {
		k := c.component(t)
		l := c.lineCard(t)
		isController := t == "" || c.controller(t) != nil
		powers := l != nil || t == c.secondary().Name
		switch {
		case t != "" && k == nil:
			return status.Errorf(codes.NotFound, "found %q, want a component", t)
		case t != "" && k.version == "":
			return status.Errorf(codes.InvalidArgument, "%s cannot be rebooted", t)
		}
		switch m {
		case syspb.RebootMethod_COLD:
		case syspb.RebootMethod_NSF, syspb.RebootMethod_WARM:
			if l == nil {
				return status.Errorf(codes.InvalidArgument, "%s for %q, want COLD", m, t)
			}
		case syspb.RebootMethod_POWERDOWN, syspb.RebootMethod_POWERUP:
			if !powers {
				return status.Errorf(codes.InvalidArgument, "%s for %q, want COLD", m, t)
			}
		case syspb.RebootMethod_UNKNOWN, syspb.RebootMethod_HALT:
			return status.Errorf(codes.InvalidArgument, "method %s", m)
		default:
			return status.Errorf(codes.InvalidArgument, "method %s", m)
		}
		if isController && len(c.pending) > 0 && (t == "" || t == c.primary().Name) {
			return status.Error(codes.FailedPrecondition, "other reboots are pending")
		}
		if isController && !req.GetForce() && (c.unsaved && (t == "" || t == c.primary().Name) || c.lockHolder != "") {
			return status.Error(codes.FailedPrecondition, "the configuration is unsaved or locked")
		}
		if t == c.primary().Name && !c.ready() {
			return status.Errorf(codes.FailedPrecondition, "%s is not ready to take over", c.secondary().Name)
		}
		if k != nil && k.booting && m != syspb.RebootMethod_POWERDOWN {
			return status.Errorf(codes.FailedPrecondition, "%s is restarting", t)
		}
		if k != nil && k.power != powerEnabled && m != syspb.RebootMethod_POWERUP && m != syspb.RebootMethod_POWERDOWN {
			return status.Errorf(codes.FailedPrecondition, "%s has no power", t)
		}
	}
	return nil
}

// rebootNow starts a checked reboot. The lock is held.
func (c *Chassis) rebootNow(target string, m syspb.RebootMethod, reason string) (up chan struct{}) {
	k := c.component(target)
	switch {
	case target == "":
		up = c.reload(rebootUser)
	case m == syspb.RebootMethod_POWERDOWN:
		if k.power == powerEnabled {
			c.powerOff(k)
		}
	case m == syspb.RebootMethod_POWERUP:
		if k.power != powerEnabled {
			up = c.powerOn(k)
		}
	case target == c.primary().Name:
		old := c.primary()
		c.switchOver(byUser, "reboot of the primary")
		up = old.up
	case target == c.secondary().Name:
		up = c.bootController(c.secondary(), rebootUser)
	case c.lineCard(target) != nil:
		up = c.restartLineCard(c.lineCard(target), m != syspb.RebootMethod_COLD)
	default:
		up = c.restartOther(k)
	}
	rec := rebootRecord{target: target, reason: reason, method: m, up: up, count: c.lastReboot.count + 1}
	if up == nil {
		rec.status = syspb.RebootStatus_STATUS_SUCCESS
	}
	c.lastReboot = rec
	if up != nil {
		c.spawn(func() {
			<-up
			c.do(func() { c.rebooted(target) })
		})
	}
	return up
}

// rebooted notes the end of the last reboot, if it was the target's. The lock
// is held.
func (c *Chassis) rebooted(target string) {
	r := &c.lastReboot
	if r.up == nil || r.target != target {
		return
	}
	select {
	case <-r.up:
	default:
		return
	}
	r.up, r.status = nil, syspb.RebootStatus_STATUS_SUCCESS
	if k := c.component(target); k != nil && k.failure {
		r.status, r.text = syspb.RebootStatus_STATUS_FAILURE, target+" did not come up"
	}
}

// postpone plans a checked reboot. The lock is held.
func (c *Chassis) postpone(targets []string, req *syspb.RebootRequest) {
	delay := time.Duration(min(req.GetDelay(), uint64(1<<62)))
	for _, t := range targets {
		ctx, cancel := context.WithCancel(c.ctx)
		p := &pendingReboot{target: t, method: req.GetMethod(), when: c.now().Add(delay), reason: req.GetMessage(), cancel: cancel}
		c.pending = append(c.pending, p)
		c.spawn(func() {
			if c.clock.Sleep(ctx, delay) != nil {
				return
			}
			c.do(func() {
				if ctx.Err() != nil {
					return
				}
				cancel()
				c.pending = slices.DeleteFunc(c.pending, func(q *pendingReboot) bool { return q == p })
				err := c.admitReboot([]string{t}, req)
				if err != nil {
					c.lastReboot = rebootRecord{target: t, reason: p.reason, method: p.method, status: syspb.RebootStatus_STATUS_RETRIABLE_FAILURE, text: err.Error(), count: c.lastReboot.count}
					return
				}
				c.rebootNow(t, p.method, p.reason)
			})
		})
	}
}

// RebootStatus tells of pending, running and past reboots.
func (s *systemServer) RebootStatus(_ context.Context, req *syspb.RebootStatusRequest) (*syspb.RebootStatusResponse, error) {
	c := s.c
	targets, err := rebootTargets(req.GetSubcomponents())
	if err != nil {
		return nil, err
	}
	any := len(req.GetSubcomponents()) == 0
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, p := range c.pending {
		if any || slices.Contains(targets, p.target) {
			return &syspb.RebootStatusResponse{
				Active: true, Wait: uint64(max(p.when.Sub(c.now()), 0)), When: uint64(p.when.UnixNano()),
				Reason: p.reason, Method: p.method, Count: c.lastReboot.count,
			}, nil
		}
	}
	r := c.lastReboot
	if r.count == 0 || !any && !slices.Contains(targets, r.target) {
		return &syspb.RebootStatusResponse{Status: &syspb.RebootStatus{}}, nil
	}
	return &syspb.RebootStatusResponse{
		Active: r.up != nil, Reason: r.reason, Method: r.method, Count: r.count,
		Status: &syspb.RebootStatus{Status: r.status, Message: r.text},
	}, nil
}

// CancelReboot removes pending reboots.
func (s *systemServer) CancelReboot(_ context.Context, req *syspb.CancelRebootRequest) (*syspb.CancelRebootResponse, error) {
	c := s.c
	targets, err := rebootTargets(req.GetSubcomponents())
	if err != nil {
		return nil, err
	}
	any := len(req.GetSubcomponents()) == 0
	c.do(func() {
		act := c.act(ActCancelReboot, "targets="+strings.Join(targets, ","))
		act.Outcome = "ok"
		c.pending = slices.DeleteFunc(c.pending, func(p *pendingReboot) bool {
			if !any && !slices.Contains(targets, p.target) {
				return false
			}
			p.cancel()
			act.Changed = true
			return true
		})
	})
	return &syspb.CancelRebootResponse{}, nil
}

// SetPackage receives a file; below /<component>/firmware/ it is firmware for
// that component, and with activate it takes effect at its next restart.
func (s *systemServer) SetPackage(stream syspb.System_SetPackageServer) error {
	c := s.c
	first, err := stream.Recv()
	if err != nil {
		return err
	}
	pkg := first.GetPackage()
	if pkg == nil {
		return status.Error(codes.InvalidArgument, "the first message must name the package")
	}
	var act *Act
	c.do(func() {
		act = c.act(ActSetPackage, fmt.Sprintf("file=%s version=%s activate=%t", pkg.GetFilename(), pkg.GetVersion(), pkg.GetActivate()))
	})
	changed, err := c.setPackage(stream, pkg)
	c.do(func() {
		act.Changed, act.Outcome = changed, "ok"
		if err != nil {
			act.Outcome = err.Error()
		}
	})
	if err != nil {
		return err
	}
	return stream.SendAndClose(&syspb.SetPackageResponse{})
}

func (c *Chassis) setPackage(stream syspb.System_SetPackageServer, pkg *syspb.Package) (bool, error) {
	if pkg.GetRemoteDownload() != nil {
		return false, status.Error(codes.Unimplemented, "remote download")
	}
	// Firmware lies on the primary's volume, named after its component.
	name, target := pkg.GetFilename(), ""
	if parts := strings.SplitN(name, "/", 4); len(parts) == 4 && parts[0] == "" && parts[2] == "firmware" {
		target = parts[1]
	}
	u, err := c.newUpload(name, target)
	if err != nil {
		return false, err
	}
	defer u.release()
	for {
		msg, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return false, status.Error(codes.Aborted, "the stream ended without a hash")
		}
		if err != nil {
			return false, err
		}
		switch r := msg.GetRequest().(type) {
		case *syspb.SetPackageRequest_Contents:
			if err := u.take(r.Contents); err != nil {
				return false, err
			}
		case *syspb.SetPackageRequest_Hash:
			return c.endPackage(u, r.Hash, pkg, target)
		default:
			return false, status.Error(codes.InvalidArgument, "want contents or hash")
		}
	}
}

// endPackage puts a received package where it belongs.
func (c *Chassis) endPackage(u *upload, want *types.HashType, pkg *syspb.Package, target string) (changed bool, err error) {
	if err := u.check(want); err != nil {
		return false, err
	}
	_, head, err := u.scan.finish()
	if target != "" {
		if err != nil {
			return false, status.Errorf(codes.InvalidArgument, "%s: %v", pkg.GetFilename(), err)
		}
		if head.kind != PackageFirmware || head.platform != c.cfg.Platform {
			return false, status.Errorf(codes.InvalidArgument, "%s: found a %s package of platform %s, want firmware of %s", pkg.GetFilename(), head.kind, head.platform, c.cfg.Platform)
		}
		if pkg.GetVersion() != "" && pkg.GetVersion() != head.version {
			return false, status.Errorf(codes.InvalidArgument, "%s: found firmware %s, the request says %s", pkg.GetFilename(), head.version, pkg.GetVersion())
		}
	}
	c.do(func() {
		k := c.component(target)
		if target != "" && (k == nil || head.target != "" && head.target != k.kind) {
			err = status.Errorf(codes.InvalidArgument, "%s: firmware for %s, which %s is not", pkg.GetFilename(), head.target, target)
			return
		}
		if err = u.store(644); err != nil {
			return
		}
		changed = true
		if target != "" && pkg.GetActivate() {
			k.pendingLevel = head.version
		}
	})
	return changed, err
}

// upload is a file on its way to a volume.
type upload struct {
	c        *Chassis
	volume   *volume
	path     string
	scan     *packScan
	sums     map[types.HashType_HashMethod]hash.Hash
	spool    *spool
	reserved int64
}

// newUpload opens an upload to an absolute path; firmware of a component is
// kept in a folder of the primary's volume.
func (c *Chassis) newUpload(name, target string) (*upload, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	u := &upload{
		c: c, scan: newPackScan(),
		spool: &spool{dir: c.lab.dir, limit: c.lab.memoryFile},
		sums: map[types.HashType_HashMethod]hash.Hash{
			types.HashType_SHA256: sha256.New(), types.HashType_SHA512: sha512.New(), types.HashType_MD5: md5.New(),
		},
	}
	if target != "" {
		if k := c.component(target); k == nil || k.version == "" {
			return nil, status.Errorf(codes.NotFound, "found component %q, want one with firmware", target)
		}
		u.volume, u.path = c.primary().volume, name
	} else {
		v, p, err := c.split(name)
		if err != nil || p == "/" {
			return nil, status.Errorf(codes.InvalidArgument, "%s: %v", name, err)
		}
		u.volume, u.path = v, p
	}
	if u.volume.readOnly {
		return nil, status.Errorf(codes.PermissionDenied, "%s is read-only", u.volume.name())
	}
	return u, nil
}

func (u *upload) take(b []byte) error {
	n := int64(len(b))
	u.c.mu.Lock()
	room := u.volume.available()
	if room >= n {
		u.volume.reserved += n
		u.reserved += n
	}
	u.c.mu.Unlock()
	if room < n {
		return status.Errorf(codes.ResourceExhausted, "%s is full after %d octets", u.volume.name(), u.scan.size)
	}
	_, _ = u.scan.Write(b) // never fails
	for _, h := range u.sums {
		h.Write(b)
	}
	if err := u.spool.add(b); err != nil {
		return status.Error(codes.Internal, err.Error())
	}
	return nil
}

// check compares with the sum that the client sent.
func (u *upload) check(want *types.HashType) error {
	h := u.sums[want.GetMethod()]
	if h == nil {
		return status.Errorf(codes.InvalidArgument, "found hash method %s, want SHA256, SHA512 or MD5", want.GetMethod())
	}
	if got := h.Sum(nil); string(got) != string(want.GetHash()) {
		return status.Errorf(codes.DataLoss, "%s is %x, the client says %x", want.GetMethod(), got, want.GetHash())
	}
	return nil
}

// store puts the file in place. The chassis's lock is held.
func (u *upload) store(perm uint32) error {
	body, err := u.spool.done()
	if err != nil {
		return status.Error(codes.Internal, err.Error())
	}
	f := &file{path: u.path, size: u.scan.size, modified: u.c.now(), perm: perm, content: body}
	u.sums[types.HashType_SHA256].Sum(f.sum[:0])
	u.volume.reserved -= u.reserved
	u.reserved = 0
	u.volume.put(f)
	return nil
}

// release gives back what an upload held and was not stored.
func (u *upload) release() {
	u.spool.abandon()
	u.c.do(func() {
		u.volume.reserved -= u.reserved
		u.reserved = 0
	})
}
