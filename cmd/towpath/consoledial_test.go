package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"

	"towpath/internal/app"
	"towpath/internal/device"
	"towpath/internal/device/commandline"
	"towpath/internal/device/commandline/consoletest"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/sshlink/opensshd"
	"towpath/internal/fleet"
	"towpath/internal/lab"
	"towpath/internal/lab/labtime"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// quickLab is the scenario's first device, small and quick.
func quickLab(t *testing.T) (*lab.Lab, *lab.Chassis) {
	t.Helper()
	clock := labtime.New(time.Now(), 200)
	cfg := lab.Scenario("")
	cfg.Devices, cfg.Clock = cfg.Devices[:1], clock
	d := &cfg.Devices[0]
	d.ShellListen, d.TransferRate, d.PerController = "127.0.0.1:0", 0, false
	for i := range d.Releases {
		d.Releases[i].Size = 1 * unit.MiB
	}
	d.Durations = lab.Durations{
		ControllerBoot: 600 * time.Second, StateSync: time.Second, PackageCopy: time.Second, Validation: time.Second,
		LineCardBoot: 4 * time.Second, LineCardNSF: 2 * time.Second, FabricRestart: time.Second, ExtenderUpdate: time.Second,
	}
	d.Routes = lab.Routes{IPv4: 20, IPv6: 5}
	l, err := lab.Start(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		clock.Close()
	})
	return l, l.Devices()[0]
}

// TestConsoleFromTheFleetFile changes the release of a device over its console
// line, with nothing but what a fleet file says: through a jump host to the
// console server, onto a line that sleeps, and through the restart. Images go
// beside it, over SSH to the device.
func TestConsoleFromTheFleetFile(t *testing.T) {
	if testing.Short() {
		t.Skip("it logs in to a slow line several times")
	}
	l, chassis := quickLab(t)
	key, err := ssh.ParsePrivateKey(l.PKI().ClientKey)
	if err != nil {
		t.Fatal(err)
	}
	direct := sshlink.Config{Address: chassis.ShellAddress(), User: lab.ShellUser, KnownHosts: []byte(chassis.ShellKnownHosts()), Signers: []ssh.Signer{key}}
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	first, last, boots := 0, 0, 0
	behind := &consoletest.Console{Name: lab.ShellUser, Password: "lamp-room",
		Shell: func() (io.ReadWriteCloser, error) { return commandline.Terminal(context.Background(), direct) },
		Boot: func(line *consoletest.Line) {
			fmt.Fprintf(line, "loader: any key stops me %d\r\n", boots)
			// What was being typed when it went down has been typed.
			if last = line.Keys(); boots == 200 {
				first = last
			}
			boots++
			<-tick.C
		}}
	server, err := consoletest.Start("Console server of Mere. Line 3.\r\n", behind.Run)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = server.Close() }()

	dir := t.TempDir()
	put := func(name, content string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	hosts, jump := chassis.ShellKnownHosts()+server.KnownHosts(), ""
	if why := opensshd.Missing(); why != "" {
		t.Log("without a jump host: " + why)
	} else {
		hop, err := opensshd.Start(t.TempDir(), opensshd.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer hop.Stop()
		hosts += knownhosts.Line([]string{hop.Address}, hop.Host.PublicKey()) + "\n"
		pem, err := os.ReadFile(hop.KeyFile)
		if err != nil {
			t.Fatal(err)
		}
		put("hop.pem", string(pem))
		jump = fmt.Sprintf("\n        jump: [{address: %q, user: root, key: \"file:hop.pem\"}]", hop.Address)
	}
	put("known_hosts", hosts)
	put("operator.pem", string(l.PKI().ClientKey))
	put("console-password", server.Password+"\n")
	t.Setenv("LINE_PASSWORD", "lamp-room")
	source := fmt.Sprintf(`operator: Ostermoor Water and Light
devices:
  - id: %s
    platform: alder-9
    access:
      driver: command-line
      adapter: alder-9
      address: %q # for images
      user: %s
      key: file:operator.pem
      known-hosts: file:known_hosts
      console:
        address: %q
        user: %s
        password: file:console-password
        known-hosts: file:known_hosts%s
        login: {user: %s, password: "env:LINE_PASSWORD"}
`, chassis.ID(), chassis.ShellAddress(), lab.ShellUser, server.Address(), server.User, jump, lab.ShellUser)
	f, err := fleet.Read("fleet.yaml", []byte(source))
	if err != nil {
		t.Fatal(err)
	}
	dial := dialer(nil, dir, l.Clock().Now)
	ctx := context.Background()
	dev, err := dial(ctx, f.Devices[0])
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = dev.Close() }()
	got, err := dev.Capture(ctx, device.ScopeComponents)
	if err != nil {
		t.Fatal(err)
	}
	if server.Line.Keys() == 0 {
		t.Error("nothing was typed on the line")
	}

	// The same device over SSH tells the same.
	plain := f.Devices[0]
	plain.Access.Console = nil
	other, err := dial(ctx, plain)
	if err != nil {
		t.Fatal(err)
	}
	want, err := other.Capture(ctx, device.ScopeComponents)
	if err := errors.Join(err, other.Close()); err != nil {
		t.Fatal(err)
	}
	parts := func(c *state.Capture) (out []state.Component) {
		for _, k := range c.Components { // without what moves by itself
			out = append(out, state.Component{Name: k.Name, Kind: k.Kind, Parent: k.Parent, Serial: k.Serial, Part: k.Part, Version: k.Version, Role: k.Role, BootTime: k.BootTime})
		}
		return out
	}
	if diff := cmp.Diff(parts(want), parts(got), cmp.Exporter(func(reflect.Type) bool { return true })); diff != "" || len(got.Components) == 0 {
		t.Errorf("over the console it reads otherwise:\n%s", diff)
	}

	spec := lab.PackageSpec{Platform: lab.ScenarioPlatform, Version: lab.ScenarioVia, Kind: lab.PackageSystem, Size: 1 << 20, Seed: 1}
	p, err := lab.NewPackage(spec)
	if err != nil {
		t.Fatal(err)
	}
	done, err := dev.Install(ctx, device.InstallRequest{Version: spec.Version, Size: p.Size(), SHA256: p.SHA256(),
		Content: func(at int64) (io.ReadCloser, error) { return p.Open(at), nil }}, nil)
	if err != nil || done.Version != spec.Version {
		t.Fatalf("install: %+v, %v", done, err)
	}
	if err := dev.Activate(ctx, device.ActivateRequest{Version: spec.Version, Reboot: true}); err != nil {
		t.Fatalf("activate: %v", err)
	}
	within, cancel := context.WithTimeout(ctx, 5*time.Minute)
	defer cancel()
	for {
		v, err := dev.Verify(within)
		if err == nil && v.Version == spec.Version {
			break
		}
		if within.Err() != nil || err != nil && device.KindOf(err) != device.Unreachable {
			t.Fatalf("after the restart: %+v, %v", v, err)
		}
	}
	transcribed, ok := dev.(app.Transcribed)
	if !ok {
		t.Fatal("the driver keeps no transcript")
	}
	kept, err := transcribed.Transcript()
	if err != nil {
		t.Fatal(err)
	}
	if err := dev.Close(); err != nil {
		t.Error(err)
	}
	log, err := os.ReadFile(filepath.Join(dir, ".towpath", "transcripts", kept.File))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(log, []byte("any key stops me")) || bytes.Contains(log, []byte("lamp-room")) || bytes.Contains(log, []byte(server.Password)) {
		t.Error("the transcript lacks what the device said while it booted, or has a password")
	}
	if err := server.Close(); err != nil {
		t.Error(err)
	}
	if boots < 201 || first != last {
		t.Errorf("%d messages while it booted, %d keys pressed meanwhile", boots, last-first)
	}
	t.Logf("%d messages while it booted, %d keys on the line in all", boots, server.Line.Keys())
}

// TestConsoleSecrets are what a fleet file may refer to and lack.
func TestConsoleSecrets(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "k"), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "quiet.yaml"), []byte("adapter: quiet\nplatforms: [alder-9]\nsession:\n  prompt: '> '\nreads:\n  - {read: the device, command: about, into: system, parse: {lines: '(?P<hostname>.*)'}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	dial := dialer(nil, dir, time.Now)
	for name, c := range map[string]struct {
		line    fleet.ConsoleLine
		adapter string
		kind    device.Kind
		text    string
	}{
		"the device's password": {fleet.ConsoleLine{Address: "127.0.0.1:7003", User: "tow", Login: fleet.ConsoleLogin{User: "ops", Password: "env:TOWPATH_TEST_NONE"}}, "alder-9", device.Denied, "TOWPATH_TEST_NONE"},
		"the server's key":      {fleet.ConsoleLine{Address: "127.0.0.1:7003", User: "tow", Key: "file:k"}, "alder-9", device.Denied, "no private key in PEM"},
		"a login that the adapter does not know": {fleet.ConsoleLine{Address: "127.0.0.1:7003", User: "tow", Login: fleet.ConsoleLogin{User: "ops"}}, "quiet.yaml", device.Ours,
			"the adapter quiet does not say what the line asks, in session.login"},
	} {
		_, err := dial(context.Background(), fleet.Device{ID: "mere-agg-1", Access: fleet.Access{Driver: "command-line", Adapter: c.adapter, Console: &c.line}})
		if err == nil || device.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}
