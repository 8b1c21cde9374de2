package lab

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	ospb "github.com/openconfig/gnoi/os"
	syspb "github.com/openconfig/gnoi/system"
	"github.com/openconfig/gnoi/types"
)

var errNone = errors.New("no error")

func TestFaultTable(t *testing.T) {
	phases := []string{PhaseBefore, PhaseDownload, PhaseStaging, PhaseRun, PhaseAcceptance}
	verdicts := []string{VerdictAccepted, VerdictRolledBack, VerdictPaused, VerdictRefused}
	seen := map[string]bool{}
	last := 0
	all := Faults()
	if len(all) < 28 {
		t.Errorf("found %d faults, want at least 28", len(all))
	}
	for _, f := range all {
		if seen[f.Name] || f.Name == "" || f.Description == "" {
			t.Errorf("%+v: named twice, or not described", f)
		}
		seen[f.Name] = true
		p := slices.Index(phases, f.Phase)
		if p < last || !slices.Contains(verdicts, f.Expected) {
			t.Errorf("%s: phase %q (out of order or unknown), expected %q", f.Name, f.Phase, f.Expected)
		}
		last = max(last, p)
	}
	cfg := Scenario("")
	cfg.Faults = []string{"no-such-fault"}
	if _, err := Start(cfg); err == nil || !strings.Contains(err.Error(), "transfer-stalls") {
		t.Errorf("an unknown fault: got %v, want an error that names the known ones", err)
	}
}

// walk is an upgrade by a client that goes on whatever happens, as far as it
// can, and notes how each step went.
type walk struct {
	t     *testing.T
	c     *Chassis
	k     *client
	fault string
	hangs string // steps that are meant to hang begin so
	short bool   // only as far as the packages
	steps map[string]error
	codes map[string]ospb.InstallError_Type
}

// holds looks at a chassis.
func (c *Chassis) holds(cond func() bool) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return cond()
}

// soon waits for a condition that may never come.
func soon(c *Chassis, cond func() bool) bool {
	for end := time.Now().Add(hang / 2); ; {
		if c.holds(cond) {
			return true
		}
		if time.Now().After(end) || !c.sleepReal(2*time.Millisecond) {
			return false
		}
	}
}

// patience is a context for one step. One that is meant to hang is given up
// once its fault has struck.
func (w *walk) patience(step string) context.Context {
	c, cancel := context.WithTimeout(context.Background(), hang)
	w.t.Cleanup(cancel)
	if w.hangs != "" && strings.HasPrefix(step, w.hangs) {
		w.c.spawn(func() {
			if soon(w.c, func() bool { return w.struck(w.fault) }) && w.c.sleepReal(100*time.Millisecond) {
				cancel()
			}
		})
	}
	return c
}

func (w *walk) put(step string, standby bool) {
	soon(w.c, func() bool { return w.c.install == nil }) // one that was given up is noticed a little later
	p := packageOf(w.t, ScenarioVia, PackageSystem)
	s, err := w.k.os.Install(w.patience(step), w.waits())
	if err != nil {
		w.steps[step] = err
		return
	}
	_ = s.Send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferRequest{TransferRequest: &ospb.TransferRequest{
		Version: ScenarioVia, StandbySupervisor: standby, PackageSize: uint64(p.Size()),
	}}})
	for {
		r, err := s.Recv()
		if err != nil {
			if _, done := w.steps[step]; !done {
				w.steps[step] = err
			}
			return
		}
		if r.GetTransferReady() != nil {
			go func() {
				in, buf := p.Open(0), make([]byte, 64<<10)
				for {
					n, err := in.Read(buf)
					if err != nil {
						break
					}
					if s.Send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferContent{TransferContent: buf[:n]}}) != nil {
						return
					}
				}
				_ = s.Send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferEnd{TransferEnd: &ospb.TransferEnd{}}})
			}()
		}
		if e := r.GetInstallError(); e != nil {
			w.steps[step] = fmt.Errorf("%s: %s", e.GetType(), e.GetDetail())
			w.codes[step] = e.GetType()
		}
		if v := r.GetValidated(); v != nil {
			w.steps[step] = nil
			if v.GetVersion() != ScenarioVia {
				w.steps[step] = fmt.Errorf("validated %s", v.GetVersion())
			}
		}
	}
}

// waits lets a call wait for the device, unless it will never answer.
func (w *walk) waits() grpc.CallOption { return grpc.WaitForReady(!w.struck("certificate-expired")) }

// struck reports whether a fault has struck.
func (w *walk) struck(name string) bool {
	s := w.c.faults
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.ContainsFunc(s.fired, func(f FiredFault) bool { return f.Name == name })
}

// run walks until a step fails in a way that no waiting helps.
func (w *walk) run() {
	c := w.c
	failed := func(step string) bool {
		switch status.Code(w.steps[step]) {
		case codes.OK, codes.Unavailable:
			return false
		default:
			return true
		}
	}
	w.put("install primary", false)
	w.put("install secondary", true)
	if w.short {
		return
	}
	for _, standby := range []bool{true, false} {
		if failed("install primary") && failed("install secondary") {
			return
		}
		req := &ospb.ActivateRequest{Version: ScenarioVia, StandbySupervisor: standby, NoReboot: !standby}
		_, err := w.k.os.Activate(w.patience("activate"), req, w.waits())
		if _, done := w.steps["activate"]; !done {
			w.steps["activate"] = err
		}
	}
	// An activation that was done has the secondary restarting before it is
	// answered.
	if !slices.ContainsFunc(c.Acts(), func(a Act) bool { return a.Kind == ActActivate && a.Changed }) {
		return
	}
	soon(c, func() bool {
		return c.ready() || c.secondary().activationFail != "" || w.struck("secondary-never-ready") || w.struck("wrong-version-reported")
	})
	c.mu.Lock()
	to := c.secondary().Name
	c.mu.Unlock()
	_, err := w.k.system.SwitchControlProcessor(w.patience("switchover"), &syspb.SwitchControlProcessorRequest{ControlProcessor: componentPath(to)}, grpc.WaitForReady(true))
	if w.steps["switchover"] = err; failed("switchover") {
		return
	}
	soon(c, func() bool { return !c.silent })
	for i := range c.lineCards {
		step := fmt.Sprintf("restart LC-%d", i+1)
		req := &syspb.RebootRequest{Method: syspb.RebootMethod_NSF, Subcomponents: []*types.Path{componentPath(fmt.Sprintf("LC-%d", i+1))}}
		_, err := w.k.system.Reboot(w.patience(step), req, grpc.WaitForReady(i == 0))
		if w.steps[step] = err; err != nil {
			return
		}
	}
}

// Every fault strikes on the way of an ordinary upgrade, and does what its
// description says.
func TestEveryFaultStrikes(t *testing.T) {
	t.Parallel()
	installFails := func(step string, want ospb.InstallError_Type) func(*walk) error {
		return func(w *walk) error {
			if w.steps[step] == nil || w.codes[step] != want {
				return fmt.Errorf("%s: got %w, want %s", step, cmp.Or(w.steps[step], errNone), want)
			}
			return nil
		}
	}
	fails := func(step string, want codes.Code) func(*walk) error {
		return func(w *walk) error {
			if status.Code(w.steps[step]) != want {
				return fmt.Errorf("%s: got %w, want %s", step, cmp.Or(w.steps[step], errNone), want)
			}
			return nil
		}
	}
	becomes := func(what string, cond func(c *Chassis) bool) func(*walk) error {
		return func(w *walk) error {
			if !soon(w.c, func() bool { return cond(w.c) }) {
				return fmt.Errorf("%s: it did not come to that", what)
			}
			return nil
		}
	}
	unasked := becomes("an unasked switchover", func(c *Chassis) bool {
		asked := 0
		for _, a := range c.acts {
			if a.Kind == ActSwitchOver && a.Changed {
				asked++
			}
		}
		return len(c.silences) > asked
	})
	accepted := becomes("the new release everywhere", func(c *Chassis) bool { return c.uniform == ScenarioVia })
	both := func(fs ...func(*walk) error) func(*walk) error {
		return func(w *walk) error {
			for _, f := range fs {
				if err := f(w); err != nil {
					return err
				}
			}
			return nil
		}
	}
	partnerFails := becomes("a failed card of the partner", func(c *Chassis) bool {
		p := c.lab.chassis[1]
		p.mu.Lock()
		defer p.mu.Unlock()
		return p.lineCards[0].failure
	})
	feedDead := becomes("a dead feed", func(c *Chassis) bool { return !c.powerRedundant() })
	hangs := map[string]string{"transfer-stalls": "install", "transfer-stalls-once": "install primary", "line-card-stuck": "restart LC-1", "unreachable-too-long": "restart LC-1"}
	effects := map[string]func(*walk) error{
		"certificate-expired":      fails("install primary", codes.Unavailable),
		"clock-skew":               becomes("a wrong clock", func(c *Chassis) bool { return c.now().Sub(c.clock.Now()) > time.Minute && !c.clockSynced }),
		"storage-read-only":        installFails("install secondary", ospb.InstallError_UNSPECIFIED),
		"power-feed-lost":          feedDead,
		"configuration-locked":     becomes("a lock", func(c *Chassis) bool { return c.lockHolder != "" }),
		"partner-failing":          partnerFails,
		"transfer-stalls":          fails("install primary", codes.Canceled),
		"transfer-stalls-once":     both(fails("install primary", codes.Canceled), fails("install secondary", codes.OK)),
		"transfer-corrupts-once":   both(installFails("install primary", ospb.InstallError_INTEGRITY_FAIL), fails("install secondary", codes.OK)),
		"transfer-corrupts-always": both(installFails("install primary", ospb.InstallError_INTEGRITY_FAIL), installFails("install secondary", ospb.InstallError_INTEGRITY_FAIL)),
		"wrong-package": func(w *walk) error {
			if err := w.steps["install primary"]; err == nil || !strings.Contains(err.Error(), "validated 2.5.2-other") {
				return fmt.Errorf("got %w", cmp.Or(err, errNone))
			}
			return nil
		},
		"no-space-during-transfer":       installFails("install primary", ospb.InstallError_TOO_LARGE),
		"install-busy":                   installFails("install primary", ospb.InstallError_INSTALL_IN_PROGRESS),
		"copy-fails":                     installFails("install secondary", ospb.InstallError_SYNC_FAIL),
		"unexpected-switchover-download": both(installFails("install primary", ospb.InstallError_UNEXPECTED_SWITCHOVER), unasked),
		"unexpected-switchover-staging":  unasked,
		"stored-image-damaged": becomes("a damaged file", func(c *Chassis) bool {
			for _, k := range c.controllers {
				if f := k.volume.packageOf(ScenarioVia); f != nil {
					if _, bad := f.content.(damaged); bad {
						return true
					}
				}
			}
			return false
		}),
		"configuration-changed":      becomes("another digest", func(c *Chassis) bool { return len(c.config) > 0 && c.unsaved }),
		"topology-changed":           becomes("a counted change", func(c *Chassis) bool { return treeChangesOf(c) > 0 }),
		"power-feed-lost-during-run": feedDead,
		"partner-lost-during-run":    partnerFails,
		"activate-answer-lost":       both(fails("activate", codes.Unavailable), accepted),
		"activation-falls-back": becomes("the old release again", func(c *Chassis) bool {
			return strings.Contains(c.secondary().activationFail, ScenarioVia) && c.secondary().bootNext == ScenarioFrom
		}),
		"wrong-version-reported": becomes("the old version", func(c *Chassis) bool {
			return c.secondary().oper == operActive && c.secondary().version == ScenarioFrom
		}),
		"secondary-never-ready": both(fails("switchover", codes.FailedPrecondition), becomes("a copy that stands", func(c *Chassis) bool { return c.syncPercent == 80 && !c.ready() })),
		"secondary-slow":        accepted,
		"switchover-refused": func(w *walk) error {
			if err := w.steps["switchover"]; status.Code(err) != codes.FailedPrecondition || !strings.Contains(err.Error(), "not synchronised") {
				return fmt.Errorf("got %w", cmp.Or(err, errNone))
			}
			return nil
		},
		"switchover-answer-lost":    both(fails("switchover", codes.Unavailable), accepted),
		"unexpected-switchover-run": unasked,
		"unreachable-too-long": becomes("silence over and nobody there", func(c *Chassis) bool {
			c.mgmt.mu.Lock()
			defer c.mgmt.mu.Unlock()
			return !c.silent && c.mgmt.srv == nil
		}),
		"both-controllers-reload":         becomes("a new start of the system", func(c *Chassis) bool { return c.bootTime.After(c.started) }),
		"secondary-lost-after-switchover": becomes("a dead card", func(c *Chassis) bool { return c.secondary().failure && !c.ready() }),
		"line-card-stuck":                 both(fails("restart LC-1", codes.Canceled), becomes("a card that starts", func(c *Chassis) bool { return c.lineCards[0].booting })),
		"line-card-failed":                both(fails("restart LC-1", codes.Internal), becomes("a failed card", func(c *Chassis) bool { return c.lineCards[0].failure })),
		"extender-incompatible":           becomes("a mismatch", func(c *Chassis) bool { return c.extenders[0].mismatch }),
		"loss-over-budget": becomes("a long loss", func(c *Chassis) bool {
			e := c.plane.Truth()[0].Forward.Episodes
			return len(e) > 0 && e[0].Duration() > time.Second
		}),
		"adjacency-lost": becomes("a neighbour that is gone", func(c *Chassis) bool {
			return slices.ContainsFunc(c.cfg.Adjacencies, func(a Adjacency) bool { s, err := c.set.Status(a.Key()); return err == nil && !s.Up && !s.Far.Up })
		}),
		"routes-missing":                   becomes("fewer routes", func(c *Chassis) bool { return len(c.routes.v4) < c.cfg.Routes.IPv4*95/100 }),
		"crash-file-appears":               becomes("a crash file", func(c *Chassis) bool { return len(c.crashFiles) == 1 }),
		"unexpected-switchover-acceptance": unasked,
	}
	// They wait most of the time, so more of them run at once than there are
	// processors.
	turn := make(chan struct{}, 8)
	var tests sync.WaitGroup
	for _, f := range Faults() {
		effect := effects[f.Name]
		if effect == nil {
			t.Errorf("%s: its effect is not tested", f.Name)
			continue
		}
		delete(effects, f.Name)
		tests.Go(func() {
			turn <- struct{}{}
			defer func() { <-turn }()
			t.Run(f.Name, func(t *testing.T) {
				l, c, k := start(t, func(cfg *Config) {
					cfg.Faults = []string{f.Name}
					all := Scenario(reflector(t))
					cfg.Devices[0].Flows = all.Devices[0].Flows
					if strings.HasPrefix(f.Name, "partner") {
						cfg.Devices = append(cfg.Devices, all.Devices[1])
					}
				})
				w := &walk{t: t, c: c, k: k, steps: map[string]error{}, codes: map[string]ospb.InstallError_Type{}, fault: f.Name, hangs: hangs[f.Name], short: f.Phase == PhaseDownload || f.Phase == PhaseStaging || f.Phase == PhaseBefore}
				w.run()
				if err := effect(w); err != nil {
					t.Errorf("%v\nsteps: %v", err, w.steps)
				}
				fired := l.Truth().Fired
				if len(fired) == 0 || fired[0].Name != f.Name {
					t.Errorf("struck: %v, want %s", fired, f.Name)
				}
			})
		})
	}
	tests.Wait()
	for name := range effects {
		t.Errorf("%s: tested and not in the table", name)
	}
}

// treeChangesOf counts the topology changes since the start.
func treeChangesOf(c *Chassis) uint64 {
	n := uint64(0)
	for _, s := range c.set.Snapshot() {
		if s.RSTP != nil && s.RSTP.LastChange.After(c.started) {
			n += s.RSTP.Changes
		}
	}
	return n
}

// A fault strikes in the hop it is asked for, and in no other.
func TestFaultHop(t *testing.T) {
	t.Parallel()
	l, c, k := start(t, func(cfg *Config) { cfg.Faults, cfg.FaultHop = []string{"crash-file-appears"}, 2 })
	w := &walk{t: t, c: c, k: k, steps: map[string]error{}, codes: map[string]ospb.InstallError_Type{}}
	w.run()
	soon(c, func() bool { return c.uniform == ScenarioVia })
	if c.uniform != ScenarioVia || len(l.Truth().Fired) != 0 {
		t.Errorf("in the first hop: at %s, struck %v", c.uniform, l.Truth().Fired)
	}
	c.do(func() { // back, which is the second
		for _, k := range c.allComponents() {
			if k.version != "" {
				k.version = ScenarioFrom
			}
		}
	})
	if got := l.Truth().Fired; len(got) != 1 || got[0].Name != "crash-file-appears" {
		t.Errorf("in the second hop: struck %v", got)
	}
}
