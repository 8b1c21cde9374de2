package netconf_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/pkg/sftp"
	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/devicetest"
	"towpath/internal/device/netconf"
	"towpath/internal/device/sshlink"
	"towpath/internal/lab"
	"towpath/internal/lab/labtime"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// faults of the lab for the suite's troubles. An expired certificate is none:
// SSH has host keys, which do not expire.
var faults = map[devicetest.Trouble]string{
	devicetest.InstallBusy:       "install-busy",
	devicetest.InstallDamages:    "transfer-corrupts-always",
	devicetest.InstallOther:      "wrong-package",
	devicetest.InstallNoSpace:    "no-space-during-transfer",
	devicetest.InstallMoves:      "unexpected-switchover-download",
	devicetest.InstallStalls:     "transfer-stalls",
	devicetest.SwitchOverRefused: "switchover-refused",
}

// The sizes of the release that is installed; the large one is for the fault
// that fills the volume half way through.
const (
	packageSize      = 640 << 10
	largePackageSize = 6 << 20
)

// bench is a lab with the means to look at it from outside the driver.
type bench struct {
	lab     *lab.Lab
	chassis *lab.Chassis
}

// changes counts the acts that changed the device, once none is under way.
func (b bench) changes(t *testing.T) int {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for {
		n, running := 0, false
		for _, a := range b.lab.Acts() {
			if a.Changed {
				n++
			}
			running = running || a.Outcome == "running"
		}
		if !running {
			return n
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatal("an act on the device does not end")
		}
	}
}

// labConfig is the scenario's device, quick and small.
func labConfig(perController bool) lab.Config {
	cfg := lab.Scenario("")
	cfg.Devices = cfg.Devices[:1]
	d := &cfg.Devices[0]
	d.NETCONF.Serve = true
	d.PerController = perController
	d.TransferRate = 0
	for i := range d.Releases {
		d.Releases[i].Size = 1 * unit.MiB
	}
	d.Durations = lab.Durations{
		ControllerBoot: 4 * time.Second, StateSync: time.Second, PackageCopy: time.Second, Validation: time.Second,
		LineCardBoot: 4 * time.Second, LineCardNSF: 2 * time.Second, FabricRestart: time.Second, ExtenderUpdate: time.Second,
	}
	d.Routes = lab.Routes{IPv4: 200, IPv6: 50}
	d.Silence = lab.Range{Least: 20 * time.Millisecond, Most: 40 * time.Millisecond}
	return cfg
}

func start(t testing.TB, cfg lab.Config, rate float64) bench {
	t.Helper()
	clock := labtime.New(time.Now(), rate)
	cfg.Clock = clock
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
	return bench{l, l.Devices()[0]}
}

// link is how the device is reached.
func (b bench) link(t testing.TB) sshlink.Config {
	t.Helper()
	key, err := b.lab.PKI().SSHSigner()
	if err != nil {
		t.Fatal(err)
	}
	addr, hosts := b.chassis.NETCONFAddress()
	return sshlink.Config{Address: addr, User: lab.SSHUser, KnownHosts: hosts, Signers: []ssh.Signer{key}}
}

func dial(t testing.TB, b bench, change func(*netconf.Config)) *netconf.Driver {
	t.Helper()
	cfg := netconf.Config{Device: string(b.chassis.ID()), SSH: b.link(t), Now: b.lab.Clock().Now}
	if change != nil {
		change(&cfg)
	}
	d, err := netconf.Dial(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d
}

var contents sync.Map // of packages, by specification

func content(t *testing.T, spec lab.PackageSpec) []byte {
	t.Helper()
	if b, ok := contents.Load(spec); ok {
		return b.([]byte)
	}
	p, err := lab.NewPackage(spec)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(p.Open(0))
	if err != nil {
		t.Fatal(err)
	}
	contents.Store(spec, b)
	return b
}

// furnish says what is known of a device from outside.
func furnish(t *testing.T, b bench, d *netconf.Driver, cfg lab.Config, size int64) devicetest.Harness {
	t.Helper()
	dc := cfg.Devices[0]
	h := devicetest.Harness{
		Device: d, Name: string(dc.ID), Release: dc.Release, PerController: dc.PerController,
		Primary: dc.Controllers[0].Name, Secondary: dc.Controllers[1].Name, LineCard: dc.LineCards[0].Name,
		Volumes: []string{"/CTL-A/flash", "/CTL-B/flash"}, Routes: dc.Routes.IPv4 + dc.Routes.IPv6,
		// The lab's clock runs 200 times ours, so that a millisecond of ours
		// between two looks is a fifth of a second.
		ClockTolerance: 20 * time.Second,
		Setting:        state.Setting{Protocol: state.BFD, Neighbour: "198.51.100.7", Parameter: state.ParamDetectMult}, To: "9",
		Other: state.Setting{Protocol: state.ISIS, Instance: "default", Interface: "port-1/3", Parameter: state.ParamHelloMultiplier}, OtherTo: "12",
		Bad:     state.Setting{Protocol: state.BFD, Neighbour: "198.51.100.7", Parameter: state.ParamDetectMult, Value: "900"},
		Unknown: state.Setting{Protocol: state.LLDP, Parameter: "no-such-parameter", Value: "1"},
		Acts:    func() int { return b.changes(t) },
	}
	for _, a := range dc.Adjacencies {
		if name := a.Protocol() + " " + a.Neighbour; !slices.Contains(h.Adjacencies, name) {
			h.Adjacencies = append(h.Adjacencies, name)
		}
	}
	spec := lab.PackageSpec{Platform: dc.Platform, Version: lab.ScenarioVia, Kind: lab.PackageSystem, Size: size, Seed: 1}
	h.Next = devicetest.Package{Version: spec.Version, Content: content(t, spec)}
	spec.Platform = "alder-4"
	h.Foreign = devicetest.Package{Version: spec.Version, Content: content(t, spec)}
	fw := lab.PackageSpec{Platform: dc.Platform, Version: lab.ScenarioFirmware, Kind: lab.PackageFirmware, For: "LINECARD", Size: 200 << 10, Seed: 9}
	h.Image = devicetest.ComponentImage{Component: "LC-3", File: "lc-1.9.bin", Version: fw.Version, Content: content(t, fw)}
	h.Change = func(t *testing.T) (device.EventKind, string) {
		s := session(t, b, netconf.Options{})
		edit(t, s, `<system xmlns="http://openconfig.net/yang/system"><config><login-banner>Lock under repair.</login-banner></config></system>`)
		if err := s.Commit(context.Background()); err != nil {
			t.Fatal(err)
		}
		return device.EventConfiguration, "digest"
	}
	return h
}

// client is a plain SSH connection, as any other client would make it.
func client(t testing.TB, b bench) *ssh.Client {
	t.Helper()
	link, err := sshlink.Dial(context.Background(), b.link(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = link.Close() })
	return link.Client
}

// storeFile puts a file there by SFTP.
func storeFile(t *testing.T, b bench, h *devicetest.Harness) {
	t.Helper()
	body := []byte("a file that nobody needs\n")
	sum := sha256.Sum256(body)
	h.File = devicetest.File{Controller: h.Secondary, Path: "/CTL-B/flash/log/old", SHA256: hex.EncodeToString(sum[:])}
	c, err := sftp.NewClient(client(t, b))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	f, err := c.Create(h.File.Path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write(body); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestLab runs the suite against the emulated chassis, which speaks the same
// protocols from its own code.
func TestLab(t *testing.T) {
	for name, perController := range map[string]bool{"whole system": false, "per controller": true} {
		t.Run(name, func(t *testing.T) {
			devicetest.Exercise(t, func(t *testing.T, with devicetest.Trouble) (devicetest.Harness, bool) {
				cfg := labConfig(perController)
				fault, ok := faults[with]
				if ok {
					cfg.Faults = []string{fault}
				}
				if with == devicetest.NotReady {
					cfg.Devices[0].Durations.StateSync = 1000 * time.Hour
				}
				b := start(t, cfg, 200)
				d := dial(t, b, nil)
				size := int64(packageSize)
				if with == devicetest.InstallNoSpace {
					size = largePackageSize
				}
				h := furnish(t, b, d, cfg, size)
				switch with {
				case devicetest.NotReady:
					// It restarts, and its copy of the state does not end.
					if err := d.Restart(context.Background(), h.Secondary, "to have it not ready"); err != nil {
						t.Fatal(err)
					}
					return h, true
				case devicetest.None:
					storeFile(t, b, &h)
					return h, true
				case devicetest.Gone:
					l, err := net.Listen("tcp", "127.0.0.1:0")
					if err != nil {
						t.Fatal(err)
					}
					addr := l.Addr().String()
					_ = l.Close()
					h.Device = dial(t, b, func(c *netconf.Config) { c.SSH.Address = addr })
					return h, true
				default:
					return h, ok
				}
			})
		})
	}
}
