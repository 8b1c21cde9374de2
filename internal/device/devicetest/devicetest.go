// Package devicetest is the suite that every device driver passes. Read
// [Exercise] first: a driver's own test makes a [Harness] around a device that
// it can talk to and hands it over.
//
// The suite never asks which driver it tests. What a device cannot do is found
// by [device.Device.Abilities], and then the suite demands that the driver says
// so with a fault of kind Unable.
package devicetest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/state"
)

// Harness is one fresh device with what is known of it from outside. Fields
// that are empty leave out the part of the suite that needs them.
type Harness struct {
	Device  device.Device
	Partial bool   // it does not serve everything that a capture asks for
	Name    string // that captures carry
	Release string // running on both controller cards

	PerController      bool
	Primary, Secondary string   // controller cards
	LineCard           string   // a component that can be restarted with forwarding kept
	Adjacencies        []string // "protocol neighbour", all of them up
	Volumes            []string // mount points, at least these
	Routes             int      // routes in all tables

	Next    Package // fits, is not installed
	Foreign Package // made for another platform
	Image   ComponentImage

	File File // is there and may be removed

	// Setting is one that can be changed, and Other one more that can be changed
	// with it; To and OtherTo are values that neither has. Unknown is one of a
	// parameter that nobody has.
	Setting, Other, Unknown state.Setting
	To, OtherTo             string
	// Bad are settings, each of which the device must refuse.
	Bad []state.Setting

	// Acts tells, from the device's side, how many acts have changed something
	// on it so far; nil where nobody counts.
	Acts func() int
	// Asked tells likewise how many acts it was asked for, also those that it
	// refused or that left nothing to do; nil where nobody counts.
	Asked func() int
	// ClockOffset is what the offset of the device's clock must come out as, within
	// ClockTolerance and what passes on it while it is read. ClockRate is how many
	// of its seconds pass in one of ours; zero means one.
	ClockOffset, ClockTolerance time.Duration
	ClockRate                   float64
	// Change makes a change on the device that it must report while watched,
	// and returns the kind of event and its object; nil leaves it out.
	Change func(t *testing.T) (device.EventKind, string)
}

// Package is a release's package.
type Package struct {
	Version string
	Content []byte
}

// ComponentImage is firmware for a component.
type ComponentImage struct {
	Component, File, Version string
	Content                  []byte
}

// File is a file on a controller card.
type File struct {
	Controller, Path string
	SHA256           string // lower-case hex
}

// Trouble is something that goes wrong on the device's side.
type Trouble string

// The troubles, and in the doc comment of each what a driver must report.
const (
	// None: everything works.
	None Trouble = ""
	// InstallBusy: another installation runs. Busy.
	InstallBusy Trouble = "another installation runs"
	// InstallDamages: what arrives fails the device's check. Damaged.
	InstallDamages Trouble = "the package arrives damaged"
	// InstallOther: the package turns out to be another release. WrongImage.
	InstallOther Trouble = "the package is another release"
	// InstallNoSpace: the volume fills. NoSpace.
	InstallNoSpace Trouble = "there is no room"
	// InstallMoves: roles change during the transfer. Moved.
	InstallMoves Trouble = "roles change during the transfer"
	// InstallStalls: the transfer stops for ever. OutcomeUnknown, once the
	// caller's patience ends.
	InstallStalls Trouble = "the transfer stalls"
	// SwitchOverRefused: the device does not hand over. Moved or Refused.
	SwitchOverRefused Trouble = "the switchover is refused"
	// NotReady: the secondary is not ready. Refused.
	NotReady Trouble = "the secondary is not ready"
	// Expired: the device's certificate has expired, or it proves itself by a host
	// key that is not the one known. Denied.
	Expired Trouble = "the certificate has expired"
	// Gone: the device does not answer. Unreachable.
	Gone Trouble = "the device is gone"
)

// patience bounds one test of the suite, so that one that hangs fails by itself.
const patience = 5 * time.Minute

// Exercise runs the suite. fresh makes a device that no other test has touched
// and that has the trouble; ok is false where it cannot make that trouble. The
// suite closes what it is given.
func Exercise(t *testing.T, fresh func(t *testing.T, with Trouble) (h Harness, ok bool)) {
	// The tests of a group share one device. What changes it comes last, and
	// each test bears what the ones before it have left.
	type test struct {
		name string
		run  func(t *testing.T, x *exam)
	}
	for _, group := range [][]test{
		{
			{"abilities", testAbilities},
			{"verify", testVerify},
			{"capture", testCapture},
			{"scopes", testScopes},
			{"at the same time", testConcurrent},
			{"cancelled", testCancelled},
			{"settings", testSettings},
			{"settings at once or not at all", testSettingsAtomic},
			{"watch", testWatch},
			{"files", testFiles},
			{"component image", testComponentImage},
			{"restart", testRestart},
			{"closed", testClosed},
		},
		{
			{"install what is not as announced", testInstallSpoilt},
			{"install for another platform", testInstallForeign},
			{"install again after a break", testInstallBroken},
			{"install", testInstall},
			{"activate", testActivate},
			{"activate the secondary", testActivateStandby},
		},
		{{"switch over", testSwitchOver}},
	} {
		h, ok := fresh(t, None)
		if !ok {
			t.Fatal("no device was made")
		}
		for _, c := range group {
			t.Run(c.name, func(t *testing.T) { c.run(t, sit(t, h)) })
		}
		if err := h.Device.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	}
	provoked := 0
	for _, c := range troubles {
		t.Run(string(c.what), func(t *testing.T) {
			h, ok := fresh(t, c.what)
			if !ok {
				t.Skipf("this harness cannot provoke %q", c.what)
			}
			provoked++
			c.run(t, sit(t, h), c.want)
			if err := h.Device.Close(); err != nil {
				t.Errorf("close: %v", err)
			}
		})
	}
	t.Logf("%d of %d troubles could be provoked", provoked, len(troubles))
}

// exam is one test's device, context and helpers.
type exam struct {
	Harness
	ctx       context.Context
	abilities device.Abilities
	asked     bool
}

func sit(t *testing.T, h Harness) *exam {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	t.Cleanup(cancel)
	return &exam{Harness: h, ctx: ctx}
}

// able asks for the device's abilities once.
func (x *exam) able(t *testing.T) device.Abilities {
	t.Helper()
	if !x.asked {
		a, err := x.Device.Abilities(x.ctx)
		if err != nil {
			t.Fatalf("abilities: %v", err)
		}
		x.abilities, x.asked = a, true
	}
	return x.abilities
}

// unable demands that an act whose ability is missing fails as Unable. It
// returns false where the ability is there.
func (x *exam) unable(t *testing.T, has bool, act func() error) bool {
	t.Helper()
	if has {
		return false
	}
	wantKind(t, act(), device.Unable)
	return true
}

// acts is the number of changes so far, zero where nobody counts.
func (x *exam) acts() int {
	if x.Acts == nil {
		return 0
	}
	return x.Acts()
}

// unchanged demands that f changes nothing on the device.
func (x *exam) unchanged(t *testing.T, what string, f func()) {
	t.Helper()
	before := x.acts()
	f()
	if after := x.acts(); after != before {
		t.Errorf("%s: the device was changed %d times, want none", what, after-before)
	}
}

// unasked demands that f reads the device only and asks for no act: what a
// driver knows by reading it does not try.
func (x *exam) unasked(t *testing.T, what string, f func()) {
	t.Helper()
	before := 0
	if x.Asked != nil {
		before = x.Asked()
	}
	x.unchanged(t, what, f)
	if x.Asked != nil && x.Asked() != before {
		t.Errorf("%s: the device was asked %d times, want none", what, x.Asked()-before)
	}
}

// until asks again and again until ok, or fails the test with what was seen
// last.
func (x *exam) until(t *testing.T, what string, ok func() (bool, string)) {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for {
		done, seen := ok()
		if done {
			return
		}
		select {
		case <-tick.C:
		case <-x.ctx.Done():
			t.Fatalf("%s did not come about; seen last: %s", what, seen)
		}
	}
}

func wantKind(t *testing.T, err error, want ...device.Kind) {
	t.Helper()
	var f *device.Fault
	switch {
	case err == nil:
		t.Errorf("no error, want a fault of kind %v", want)
	case !errors.As(err, &f):
		t.Errorf("%T %v is no device fault", err, err)
	case !slices.Contains(want, device.KindOf(err)):
		t.Errorf("kind %q, want %v: %v", device.KindOf(err), want, err)
	case f.Op == "":
		t.Errorf("the fault does not name its operation: %v", err)
	}
}

func digest(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

func (p Package) request() device.InstallRequest {
	return device.InstallRequest{Version: p.Version, Size: int64(len(p.Content)), SHA256: digest(p.Content), Content: opened(p.Content)}
}

func opened(b []byte) func(int64) (io.ReadCloser, error) {
	return func(offset int64) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(b[offset:])), nil }
}

func testAbilities(t *testing.T, x *exam) {
	x.unchanged(t, "asking for abilities", func() {
		a := x.able(t)
		if len(a.Models) == 0 {
			t.Log("the device names no models")
		}
	})
}

func testVerify(t *testing.T, x *exam) {
	if x.unable(t, x.able(t).Install, func() error { _, err := x.Device.Verify(x.ctx); return err }) {
		return
	}
	x.unchanged(t, "verify", func() {
		v, err := x.Device.Verify(x.ctx)
		if err != nil {
			t.Fatal(err)
		}
		if v.Version != x.Release || v.PerController != x.PerController || v.ActivationFail != "" {
			t.Errorf("got %+v, want release %s, per controller %v", v, x.Release, x.PerController)
		}
		if x.Secondary != "" && (v.Standby.State != device.StandbyReady || v.Standby.ID != x.Secondary || v.Standby.Version != x.Release) {
			t.Errorf("standby: got %+v, want %s with %s", v.Standby, x.Secondary, x.Release)
		}
	})
}

func testCapture(t *testing.T, x *exam) {
	var c *state.Capture
	var took time.Duration
	x.unchanged(t, "capture", func() {
		began := time.Now()
		var err error
		if c, err = x.Device.Capture(x.ctx, device.ScopeFull); err != nil {
			t.Fatal(err)
		}
		took = time.Since(began)
	})
	if c.Complete != (len(c.Unread) == 0) {
		t.Errorf("complete is %v with %d things unread", c.Complete, len(c.Unread))
	}
	if c.Complete == x.Partial {
		t.Errorf("the capture is not complete; unread: %s", strings.Join(c.Unread, "; "))
	}
	if c.Device != x.Name || c.Source == "" || c.TakenAt.IsZero() {
		t.Errorf("device %q, source %q, taken at %s", c.Device, c.Source, c.TakenAt)
	}
	if got := c.Release.Or("unknown"); got != x.Release {
		t.Errorf("release %s, want %s", got, x.Release)
	}
	for role, card := range map[string]string{state.Primary: x.Primary, state.Secondary: x.Secondary} {
		k, ok := c.ControllerWithRole(role)
		if !ok || k.Name != card || k.Version.Or("") != x.Release || k.Oper.Or("") != state.OperActive {
			t.Errorf("%s: got %+v, want %s", role, k, card)
		}
	}
	for _, want := range x.Adjacencies {
		i := slices.IndexFunc(c.Adjacencies, func(a state.Adjacency) bool { return a.Protocol+" "+a.Neighbour == want })
		if i < 0 {
			t.Errorf("adjacency %s is missing", want)
		} else if up, known := c.Adjacencies[i].Up.Get(); !known || !up {
			t.Errorf("adjacency %s: up is %v, known %v", want, up, known)
		}
	}
	for _, want := range x.Volumes {
		i := slices.IndexFunc(c.Volumes, func(v state.Volume) bool { return v.Mount == want })
		if i < 0 {
			t.Errorf("volume %s is missing", want)
		} else if v := c.Volumes[i]; !v.Size.Known() || !v.Available.Known() || !v.FilesKnown || len(v.Files) == 0 || v.Controller == "" {
			t.Errorf("volume %s is not known well enough: %+v", want, v)
		}
	}
	routes := 0
	for _, r := range c.RouteTables {
		routes += len(r.Routes)
		if n, known := r.Count.Get(); !known || n != uint64(len(r.Routes)) {
			t.Errorf("table %s %s: count %d (known %v), routes %d", r.Instance, r.Family, n, known, len(r.Routes))
		}
	}
	if routes != x.Routes {
		t.Errorf("%d routes, want %d", routes, x.Routes)
	}
	offset, known := c.Clock.Offset.Get()
	within := x.ClockTolerance + time.Duration(max(x.ClockRate, 1)*float64(took))
	if known == x.Partial || (offset-x.ClockOffset).Abs() > within {
		t.Errorf("clock offset %s (known %v), want %s within %s", offset, known, x.ClockOffset, within)
	}
	checkSorted(t, c)
}

// checkSorted holds a capture against its own contract.
func checkSorted(t *testing.T, c *state.Capture) {
	t.Helper()
	before, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	var copied state.Capture
	if err := json.Unmarshal(before, &copied); err != nil {
		t.Fatal(err)
	}
	copied.Sort()
	after, err := json.Marshal(&copied)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(before, after) {
		t.Error("the capture does not come sorted")
	}
}

func testScopes(t *testing.T, x *exam) {
	for _, scope := range []device.Scope{device.ScopeComponents, device.ScopeLive} {
		c, err := x.Device.Capture(x.ctx, scope)
		if err != nil {
			t.Fatalf("scope %d: %v", scope, err)
		}
		if len(c.Unread) > 0 && !x.Partial {
			t.Errorf("scope %d: unread: %s", scope, strings.Join(c.Unread, "; "))
		}
		if c.Complete {
			t.Errorf("scope %d reads a part only and calls itself complete", scope)
		}
		if _, ok := c.ControllerWithRole(state.Primary); !ok {
			t.Errorf("scope %d does not tell the primary", scope)
		}
		if got := len(c.Adjacencies) > 0; got != (scope == device.ScopeLive && len(x.Adjacencies) > 0) {
			t.Errorf("scope %d has adjacencies: %v", scope, got)
		}
		if got := len(c.Volumes) > 0; got != (scope == device.ScopeComponents && len(x.Volumes) > 0) {
			t.Errorf("scope %d has volumes: %v", scope, got)
		}
	}
}

func testInstall(t *testing.T, x *exam) {
	req := x.Next.request()
	if x.unable(t, x.able(t).Install, func() error { _, err := x.Device.Install(x.ctx, req, nil); return err }) {
		return
	}
	done, err := x.install(t, req)
	if err != nil {
		t.Fatal(err)
	}
	if done.AlreadyThere || done.Version != req.Version || done.SHA256 != req.SHA256 || done.Sent != req.Size {
		t.Errorf("got %+v", done)
	}
	x.unchanged(t, "the second installation", func() {
		again, err := x.Device.Install(x.ctx, req, nil)
		if err != nil || !again.AlreadyThere || again.Version != req.Version || again.Sent != 0 {
			t.Errorf("a second time: got %+v, %v", again, err)
		}
	})
	if v, err := x.Device.Verify(x.ctx); err != nil || v.Version != x.Release {
		t.Errorf("after an installation: got %+v, %v; want %s to run on", v, err, x.Release)
	}
	if x.PerController {
		req.Standby = true
		if done, err := x.Device.Install(x.ctx, req, nil); err != nil || done.Version != req.Version {
			t.Errorf("on the secondary: got %+v, %v", done, err)
		}
	}
}

func testInstallSpoilt(t *testing.T, x *exam) {
	if !x.able(t).Install {
		return // testInstall demands the fault
	}
	good := x.Next.request()
	bad := slices.Clone(x.Next.Content)
	bad[len(bad)/2] ^= 1
	spoilt := map[string]device.InstallRequest{}
	r := good
	r.Content = opened(bad)
	spoilt["one bit is wrong"] = r
	r = good
	r.Size--
	spoilt["longer than announced"] = r
	r = good
	r.Content = opened(x.Next.Content[:len(x.Next.Content)-1])
	spoilt["shorter than announced"] = r
	x.unchanged(t, "a spoilt installation", func() {
		for name, req := range spoilt {
			done, err := x.install(t, req)
			if err == nil {
				t.Errorf("%s: got %+v", name, done)
			}
			wantKind(t, err, device.Damaged)
		}
	})
}

// install installs after another installation was given up; the device may
// need a moment to notice that.
func (x *exam) install(t *testing.T, req device.InstallRequest) (done device.Installed, err error) {
	t.Helper()
	x.until(t, "an installation while no other runs", func() (bool, string) {
		var last device.Progress
		done, err = x.Device.Install(x.ctx, req, func(p device.Progress) {
			if p.Sent < last.Sent || p.Total != req.Size || p.Sent > p.Total {
				t.Errorf("progress %+v after %+v", p, last)
			}
			last = p
		})
		return err == nil || device.KindOf(err) != device.Busy, fmt.Sprint(err)
	})
	return done, err
}

func testInstallForeign(t *testing.T, x *exam) {
	if len(x.Foreign.Content) == 0 || !x.able(t).Install {
		return
	}
	x.unchanged(t, "a foreign package", func() {
		_, err := x.Device.Install(x.ctx, x.Foreign.request(), nil)
		wantKind(t, err, device.WrongImage)
	})
}

func testInstallBroken(t *testing.T, x *exam) {
	if !x.able(t).Install {
		return
	}
	req := x.Next.request()
	broken := errors.New("the operator pulled the plug")
	ctx, cancel := context.WithCancelCause(x.ctx)
	req.Content = func(int64) (io.ReadCloser, error) {
		return io.NopCloser(io.MultiReader(bytes.NewReader(x.Next.Content[:len(x.Next.Content)/2]), &ends{ctx, func() { cancel(broken) }})), nil
	}
	x.unchanged(t, "a broken transfer", func() {
		_, err := x.Device.Install(ctx, req, nil)
		wantKind(t, err, device.OutcomeUnknown)
	})
	if done, err := x.Device.Verify(x.ctx); err != nil || done.Version != x.Release {
		t.Errorf("after a break: got %+v, %v", done, err)
	}
}

// ends is a reader at whose start the transfer is given up; it then waits for
// that to be noticed.
type ends struct {
	ctx  context.Context
	stop func()
}

// Read gives nothing.
func (e *ends) Read([]byte) (int, error) {
	e.stop()
	<-e.ctx.Done()
	return 0, e.ctx.Err()
}

func testActivate(t *testing.T, x *exam) {
	act := func(version string, standby, reboot bool) error {
		return x.Device.Activate(x.ctx, device.ActivateRequest{Version: version, Standby: standby, Reboot: reboot})
	}
	if x.unable(t, x.able(t).Install, func() error { return act(x.Release, false, false) }) {
		return
	}
	x.unchanged(t, "activating what runs", func() {
		if err := act(x.Release, false, true); err != nil {
			t.Errorf("the running release: %v", err)
		}
	})
	x.unchanged(t, "activating what is not there", func() { wantKind(t, act("0.0.0-none", false, false), device.Missing) })
	x.unchanged(t, "activating nothing", func() { wantKind(t, act("", false, true), device.Ours) })
	if !x.PerController {
		x.unchanged(t, "activating one card of a whole system", func() { wantKind(t, act(x.Release+"-x", true, false), device.Unable, device.Missing) })
	}
	if _, err := x.Device.Install(x.ctx, x.Next.request(), nil); err != nil {
		t.Fatal(err)
	}
	before := x.acts()
	if err := act(x.Next.Version, false, false); err != nil {
		t.Fatal(err)
	}
	if x.Acts != nil && x.acts() != before+1 {
		t.Errorf("the boot entry was to change once, the device counts %d changes", x.acts()-before)
	}
	x.unchanged(t, "activating for the next boot again", func() {
		if err := act(x.Next.Version, false, false); err != nil {
			t.Error(err)
		}
	})
	wantBoot := func(version string) {
		t.Helper()
		c, err := x.Device.Capture(x.ctx, device.ScopeComponents)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range c.Boot {
			if b.Controller != x.Primary && x.PerController {
				continue
			}
			if got, ok := b.Version.Get(); ok && got != version {
				t.Errorf("%s boots %s next, want %s", b.Controller, got, version)
			}
		}
	}
	wantBoot(x.Next.Version)
	// The way back before anything has restarted: the release runs, yet the
	// boot entry is another.
	if err := act(x.Release, false, false); err != nil {
		t.Fatal(err)
	}
	wantBoot(x.Release)
	if v, err := x.Device.Verify(x.ctx); err != nil || v.Version != x.Release {
		t.Errorf("got %+v, %v; want %s to run on", v, err, x.Release)
	}
}

func testActivateStandby(t *testing.T, x *exam) {
	if !x.able(t).Install || !x.PerController {
		return
	}
	req := x.Next.request()
	req.Standby = true
	if _, err := x.Device.Install(x.ctx, req, nil); err != nil {
		t.Fatal(err)
	}
	if err := x.Device.Activate(x.ctx, device.ActivateRequest{Version: req.Version, Standby: true, Reboot: true}); err != nil {
		t.Fatal(err)
	}
	x.until(t, "the release on the secondary", func() (bool, string) {
		v, err := x.Device.Verify(x.ctx)
		if err != nil && device.KindOf(err) != device.Unreachable {
			t.Fatal(err)
		}
		return v.Standby.State == device.StandbyReady && v.Standby.Version == req.Version, fmt.Sprintf("%+v, %v", v, err)
	})
	x.unchanged(t, "activating what runs on the secondary", func() {
		if err := x.Device.Activate(x.ctx, device.ActivateRequest{Version: req.Version, Standby: true, Reboot: true}); err != nil {
			t.Error(err)
		}
	})
}

func testSwitchOver(t *testing.T, x *exam) {
	swap := func(card string) error { _, err := x.Device.SwitchOver(x.ctx, card); return err }
	if x.unable(t, x.able(t).SwitchOver, func() error { return swap(x.Secondary) }) {
		return
	}
	x.unasked(t, "a switchover to nowhere", func() { wantKind(t, swap("no-such-card"), device.Missing) })
	if x.LineCard != "" {
		x.unasked(t, "a switchover to a line card", func() { wantKind(t, swap(x.LineCard), device.Ours) })
	}
	x.unasked(t, "a switchover to the primary", func() {
		s, err := x.Device.SwitchOver(x.ctx, x.Primary)
		if err != nil || s.Card != x.Primary {
			t.Errorf("to the primary: got %+v, %v", s, err)
		}
	})
	s, err := x.Device.SwitchOver(x.ctx, x.Secondary)
	if err != nil && !device.KindOf(err).Retryable() {
		t.Fatal(err)
	}
	if err == nil && (s.Card != x.Secondary || s.Version != x.Release) {
		t.Errorf("got %+v", s)
	}
	x.until(t, "the new primary", func() (bool, string) {
		c, err := x.Device.Capture(x.ctx, device.ScopeLive)
		if err != nil {
			if !device.KindOf(err).Retryable() {
				t.Fatal(err)
			}
			return false, err.Error()
		}
		k, ok := c.ControllerWithRole(state.Primary)
		return ok && k.Name == x.Secondary, fmt.Sprintf("%+v", k)
	})
}

func testRestart(t *testing.T, x *exam) {
	again := func(component string) error { return x.Device.Restart(x.ctx, component, "planned work") }
	if x.unable(t, x.able(t).Restart, func() error { return again(x.LineCard) }) || x.LineCard == "" {
		return
	}
	x.unchanged(t, "a restart of nothing", func() { wantKind(t, again("no-such-component"), device.Missing) })
	booted := func() time.Time {
		c, err := x.Device.Capture(x.ctx, device.ScopeLive)
		if err != nil {
			t.Fatal(err)
		}
		k, _ := c.Component(x.LineCard)
		return k.BootTime.Or(time.Time{})
	}
	before := booted()
	if err := again(x.LineCard); err != nil {
		t.Fatal(err)
	}
	x.until(t, "the restart", func() (bool, string) { now := booted(); return now.After(before), now.String() })
}

func testComponentImage(t *testing.T, x *exam) {
	im := x.Image
	req := device.ComponentImageRequest{Component: im.Component, File: im.File, Version: im.Version, Size: int64(len(im.Content)), SHA256: digest(im.Content), Content: opened(im.Content)}
	put := func(r device.ComponentImageRequest) error { return x.Device.PutComponentImage(x.ctx, r, nil) }
	if x.unable(t, x.able(t).ComponentImage, func() error { return put(req) }) || im.Component == "" {
		return
	}
	spoilt := req
	spoilt.Content = opened(append(slices.Clone(im.Content[:len(im.Content)-1]), im.Content[len(im.Content)-1]^1))
	x.unchanged(t, "a spoilt image", func() { wantKind(t, put(spoilt), device.Damaged) })
	last := int64(-1)
	err := x.Device.PutComponentImage(x.ctx, req, func(p device.Progress) {
		if p.Sent <= last || p.Total != req.Size {
			t.Errorf("progress %+v after %d", p, last)
		}
		last = p.Sent
	})
	if err != nil {
		t.Fatal(err)
	}
	if last < 0 {
		t.Error("no progress was reported")
	}
}

func testFiles(t *testing.T, x *exam) {
	hash := func(path string) error { _, err := x.Device.HashFile(x.ctx, x.File.Controller, path); return err }
	if x.unable(t, x.able(t).Files, func() error { return hash(x.File.Path) }) || x.File.Path == "" {
		return
	}
	got, err := x.Device.HashFile(x.ctx, x.File.Controller, x.File.Path)
	if err != nil || got != x.File.SHA256 {
		t.Errorf("hash: got %s, %v; want %s", got, err, x.File.SHA256)
	}
	wantKind(t, hash(x.File.Path+".none"), device.Missing)
	before := x.acts()
	for range 2 {
		if err := x.Device.RemoveFile(x.ctx, x.File.Controller, x.File.Path); err != nil {
			t.Errorf("remove: %v", err)
		}
	}
	if x.Acts != nil && x.acts() != before+1 {
		t.Errorf("removing twice changed the device %d times, want once", x.acts()-before)
	}
	wantKind(t, hash(x.File.Path), device.Missing)
}

// read is the value of a setting now.
func (x *exam) read(t *testing.T, keys ...state.Setting) []state.Setting {
	t.Helper()
	got, err := x.Device.Settings(x.ctx, keys)
	if err != nil {
		t.Fatalf("settings: %v", err)
	}
	if len(got) != len(keys) {
		t.Fatalf("%d settings for %d keys", len(got), len(keys))
	}
	for i := range got {
		if got[i].Key() != keys[i].Key() {
			t.Errorf("setting %d is %q, asked for %q", i, got[i].Text(), keys[i].Key().Text())
		}
	}
	return got
}

func with(s state.Setting, value string) state.Setting {
	s.Value = value
	return s
}

func testSettings(t *testing.T, x *exam) {
	if !x.able(t).Settings {
		_, err := x.Device.Settings(x.ctx, []state.Setting{{Protocol: state.BFD, Interface: "any", Parameter: state.ParamDetectMult}})
		wantKind(t, err, device.Unable, device.Missing) // an interface that is not there may be all that is known
		wantKind(t, x.Device.Adjust(x.ctx, []state.Setting{{Protocol: state.BFD, Interface: "any", Parameter: state.ParamDetectMult, Value: "5"}}), device.Unable, device.Missing)
		return
	}
	if x.Setting.Parameter == "" {
		t.Skip("this harness names no setting")
	}
	var was state.Setting
	x.unchanged(t, "reading settings", func() {
		was = x.read(t, x.Setting)[0]
		x.read(t) // of nothing
		_, err := x.Device.Settings(x.ctx, []state.Setting{x.Setting.Key(), x.Unknown})
		wantKind(t, err, device.Unable)
		wantKind(t, x.Device.Adjust(x.ctx, []state.Setting{with(x.Setting, x.To), x.Unknown}), device.Unable)
	})
	if was.Value == x.To {
		t.Fatalf("%s is the value to set already", was.Text())
	}
	adjust := func(what string, changes int, to ...state.Setting) {
		t.Helper()
		before := x.acts()
		if err := x.Device.Adjust(x.ctx, to); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if x.Acts != nil && x.acts() != before+changes {
			t.Errorf("%s: the device was changed %d times, want %d", what, x.acts()-before, changes)
		}
	}
	want := func(what, value string) {
		t.Helper()
		if got := x.read(t, x.Setting)[0].Value; got != value {
			t.Errorf("%s: reads back %q, want %q", what, got, value)
		}
	}
	adjust("a new value", 1, with(x.Setting, x.To))
	want("a new value", x.To)
	adjust("the value that it has", 0, with(x.Setting, x.To))
	adjust("nothing", 0)
	// What is not configured reads as empty, or as the device's default where it
	// tells that; either is what it was before anybody set it.
	adjust("no value", 1, with(x.Setting, ""))
	if got := x.read(t, x.Setting)[0].Value; got != "" && got != was.Value {
		t.Errorf("after its removal %q is read, want none, or %q as before", got, was.Value)
	}
	adjust("the new value once more", 1, with(x.Setting, x.To))
	adjust("what was found", 1, was)
	want("what was found", was.Value)
}

func testSettingsAtomic(t *testing.T, x *exam) {
	if !x.able(t).Settings || x.Setting.Parameter == "" || x.Other.Parameter == "" {
		return
	}
	was := x.read(t, x.Setting, x.Other)
	both := []state.Setting{with(x.Setting, x.To), with(x.Other, x.OtherTo)}
	for _, bad := range x.Bad {
		for _, order := range [][]state.Setting{{both[0], bad}, {bad, both[0]}} {
			x.unchanged(t, "a set of settings with one that cannot be", func() {
				err := x.Device.Adjust(x.ctx, order)
				wantKind(t, err, device.Refused, device.Ours, device.Missing)
			})
			if got := x.read(t, x.Setting, x.Other); !slices.Equal(got, was) {
				t.Errorf("of settings with the bad %s some were made: %v, want %v", bad.Text(), got, was)
			}
		}
	}
	before := x.acts()
	if err := x.Device.Adjust(x.ctx, both); err != nil {
		t.Fatal(err)
	}
	if x.Acts != nil && x.acts() != before+1 {
		t.Errorf("two settings were %d changes, want one transaction", x.acts()-before)
	}
	if got := x.read(t, x.Setting, x.Other); !slices.Equal(got, both) {
		t.Errorf("got %v, want %v", got, both)
	}
	if err := x.Device.Adjust(x.ctx, was); err != nil {
		t.Fatal(err)
	}
	if got := x.read(t, x.Setting, x.Other); !slices.Equal(got, was) {
		t.Errorf("got %v, want %v as found", got, was)
	}
}

func testWatch(t *testing.T, x *exam) {
	ctx, cancel := context.WithCancel(x.ctx)
	defer cancel()
	if x.unable(t, x.able(t).Watch, func() error { return x.Device.Watch(ctx, func(device.Event) {}) }) {
		return
	}
	events := make(chan device.Event, 1024)
	ended := make(chan error, 1)
	go func() {
		ended <- x.Device.Watch(ctx, func(e device.Event) {
			select {
			case events <- e:
			case <-ctx.Done():
			}
		})
	}()
	next := func() device.Event {
		select {
		case e := <-events:
			return e
		case err := <-ended:
			t.Fatalf("the watch ended: %v", err)
		case <-x.ctx.Done():
			t.Fatal("no further event came")
		}
		return device.Event{}
	}
	roles := map[string]string{}
	up := map[string]bool{}
	for e := next(); e.Kind != device.EventSynced; e = next() {
		if e.Was != "" {
			t.Errorf("before the end of the initial state: %+v", e)
		}
		if e.At.IsZero() {
			t.Errorf("no time: %+v", e)
		}
		if e.Kind == device.EventComponent && (e.Now == state.Primary || e.Now == state.Secondary) {
			roles[e.Now] = e.Object
		}
		if e.Kind == device.EventAdjacency {
			up[e.Object] = e.Now == "up"
		}
	}
	if roles[state.Primary] != x.Primary || roles[state.Secondary] != x.Secondary {
		t.Errorf("roles told: %v, want %s and %s", roles, x.Primary, x.Secondary)
	}
	for _, a := range x.Adjacencies {
		if !up[a] {
			t.Errorf("adjacency %s was not told as up", a)
		}
	}
	if x.Change != nil {
		kind, object := x.Change(t)
		for e := next(); e.Kind != kind || e.Object != object; e = next() {
			if e.Kind == device.EventSynced {
				t.Error("the end of the initial state was told twice")
			}
		}
	}
	cancel()
	err := <-ended
	if !errors.Is(err, context.Canceled) {
		t.Errorf("the end of the context is lost: %v", err)
	}
	wantKind(t, err, device.OutcomeUnknown)
}

func testConcurrent(t *testing.T, x *exam) {
	var wait sync.WaitGroup
	errs := make(chan error, 16)
	for range 4 {
		wait.Add(2)
		go func() {
			defer wait.Done()
			_, err := x.Device.Capture(x.ctx, device.ScopeLive)
			errs <- err
		}()
		go func() {
			defer wait.Done()
			_, err := x.Device.Verify(x.ctx)
			if device.KindOf(err) == device.Unable {
				err = nil
			}
			errs <- err
		}()
	}
	wait.Wait()
	close(errs)
	for err := range errs {
		if err != nil {
			t.Error(err)
		}
	}
}

func testCancelled(t *testing.T, x *exam) {
	ctx, cancel := context.WithCancel(x.ctx)
	cancel()
	_, err := x.Device.Capture(ctx, device.ScopeLive)
	wantKind(t, err, device.OutcomeUnknown)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("the cancellation is lost: %v", err)
	}
	x.unchanged(t, "a cancelled act", func() {
		if err := x.Device.RemoveFile(ctx, x.File.Controller, x.File.Path); err == nil {
			t.Error("removed a file after the end of the context")
		}
	})
}

func testClosed(t *testing.T, x *exam) {
	if err := x.Device.Close(); err != nil {
		t.Fatal(err)
	}
	_, err := x.Device.Verify(x.ctx)
	wantKind(t, err, device.Ours)
	_, err = x.Device.Capture(x.ctx, device.ScopeLive)
	wantKind(t, err, device.Ours)
}

// troubles are the things that go wrong, what the driver is asked to do then,
// and the kinds of fault that say rightly what happened.
var troubles = []struct {
	what Trouble
	run  func(t *testing.T, x *exam, want []device.Kind)
	want []device.Kind
}{
	{InstallBusy, installFails, []device.Kind{device.Busy}},
	{InstallDamages, installFails, []device.Kind{device.Damaged}},
	{InstallOther, installFails, []device.Kind{device.WrongImage}},
	{InstallNoSpace, installFails, []device.Kind{device.NoSpace}},
	{InstallMoves, installFails, []device.Kind{device.Moved, device.Unreachable, device.OutcomeUnknown}},
	{InstallStalls, installStalls, []device.Kind{device.OutcomeUnknown}},
	{SwitchOverRefused, switchFails, []device.Kind{device.Moved, device.Refused}},
	{NotReady, switchNotTried, []device.Kind{device.Refused}},
	{Expired, nothingWorks, []device.Kind{device.Denied}},
	{Gone, nothingWorks, []device.Kind{device.Unreachable}},
}

func installFails(t *testing.T, x *exam, want []device.Kind) {
	_, err := x.Device.Install(x.ctx, x.Next.request(), nil)
	wantKind(t, err, want...)
}

func installStalls(t *testing.T, x *exam, want []device.Kind) {
	ctx, cancel := context.WithCancelCause(x.ctx)
	defer cancel(nil)
	enough := errors.New("no octet has moved for too long")
	var mu sync.Mutex
	patient := time.AfterFunc(patience, func() { cancel(enough) })
	watchdog := func() {
		mu.Lock()
		defer mu.Unlock()
		patient.Reset(500 * time.Millisecond)
	}
	// It watches from the first octet on: what comes before may take its time on a
	// busy machine, and is no transfer that stalls.
	req := x.Next.request()
	open := req.Content
	req.Content = func(at int64) (io.ReadCloser, error) {
		r, err := open(at)
		return moving{r, watchdog}, err
	}
	_, err := x.Device.Install(ctx, req, func(device.Progress) { watchdog() })
	wantKind(t, err, want...)
	if !errors.Is(err, enough) {
		t.Errorf("the caller's reason is lost: %v", err)
	}
}

// moving is a reader that tells when it is read.
type moving struct {
	io.ReadCloser
	tell func()
}

// Read implements io.Reader.
func (m moving) Read(b []byte) (int, error) {
	m.tell()
	return m.ReadCloser.Read(b)
}

func switchFails(t *testing.T, x *exam, want []device.Kind) {
	if !x.able(t).SwitchOver {
		return
	}
	x.unchanged(t, "a switchover that cannot be", func() {
		_, err := x.Device.SwitchOver(x.ctx, x.Secondary)
		wantKind(t, err, want...)
	})
}

// switchNotTried demands that the readiness is read and the device not asked.
func switchNotTried(t *testing.T, x *exam, want []device.Kind) {
	x.able(t) // which may ask
	x.unasked(t, "a switchover to a card that is not ready", func() { switchFails(t, x, want) })
}

func nothingWorks(t *testing.T, x *exam, want []device.Kind) {
	_, err := x.Device.Verify(x.ctx)
	wantKind(t, err, want...)
	_, err = x.Device.Capture(x.ctx, device.ScopeLive)
	wantKind(t, err, want...)
	_, err = x.Device.Install(x.ctx, x.Next.request(), nil)
	wantKind(t, err, want...)
	wantKind(t, x.Device.Activate(x.ctx, device.ActivateRequest{Version: x.Release, Reboot: true}), want...)
	_, err = x.Device.SwitchOver(x.ctx, x.Secondary)
	wantKind(t, err, want...)
	wantKind(t, x.Device.Restart(x.ctx, x.LineCard, "planned work"), want...)
	wantKind(t, x.Device.RemoveFile(x.ctx, x.File.Controller, x.File.Path), want...)
	wantKind(t, x.Device.Watch(x.ctx, func(device.Event) {}), want...)
	_, err = x.Device.Settings(x.ctx, []state.Setting{{Protocol: state.BFD, Interface: "any", Parameter: state.ParamDetectMult}})
	wantKind(t, err, append(want, device.Unable)...)
	_, err = x.Device.Abilities(x.ctx)
	wantKind(t, err, want...)
}
