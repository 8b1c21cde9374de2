package openconfig_test

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

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	filepb "github.com/openconfig/gnoi/file"
	typespb "github.com/openconfig/gnoi/types"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"towpath/internal/device"
	"towpath/internal/device/devicetest"
	"towpath/internal/device/openconfig"
	"towpath/internal/lab"
	"towpath/internal/lab/labtime"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// faults of the lab for the suite's troubles.
var faults = map[devicetest.Trouble]string{
	devicetest.InstallBusy:       "install-busy",
	devicetest.InstallDamages:    "transfer-corrupts-always",
	devicetest.InstallOther:      "wrong-package",
	devicetest.InstallNoSpace:    "no-space-during-transfer",
	devicetest.InstallMoves:      "unexpected-switchover-download",
	devicetest.InstallStalls:     "transfer-stalls",
	devicetest.SwitchOverRefused: "switchover-refused",
	devicetest.Expired:           "certificate-expired",
}

// The sizes of the release that is installed. The large one is for the fault
// that fills the volume half way through: what it fills must be more than what
// it frees.
const (
	packageSize      = 2 << 20
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

// conn is a connection to the device, as any other client would make it.
func (b bench) conn(t *testing.T) *grpc.ClientConn {
	t.Helper()
	tc, err := b.lab.PKI().Client(string(b.chassis.ID()))
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(b.chassis.Address(), grpc.WithTransportCredentials(credentials.NewTLS(tc)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// labConfig is the scenario's device, quick and small.
func labConfig(perController bool) lab.Config {
	cfg := lab.Scenario("")
	cfg.Devices = cfg.Devices[:1]
	d := &cfg.Devices[0]
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

func open(t *testing.T, cfg lab.Config) (bench, *openconfig.Driver) {
	t.Helper()
	clock := labtime.New(time.Now(), 200)
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
	b := bench{l, l.Devices()[0]}
	return b, dial(t, b, nil)
}

func dial(t testing.TB, b bench, change func(*openconfig.Config)) *openconfig.Driver {
	t.Helper()
	p := b.lab.PKI()
	cfg := openconfig.Config{
		Device: string(b.chassis.ID()), Target: b.chassis.Address(), ServerName: string(b.chassis.ID()),
		CA: p.Authority, Cert: p.ClientCert, Key: p.ClientKey, FactsOrigin: "towpath-facts", Now: b.lab.Clock().Now,
	}
	if change != nil {
		change(&cfg)
	}
	d, err := openconfig.Dial(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
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
func furnish(t *testing.T, b bench, d *openconfig.Driver, cfg lab.Config, size int64) devicetest.Harness {
	t.Helper()
	dc := cfg.Devices[0]
	h := devicetest.Harness{
		Device: d, Name: string(dc.ID), Release: dc.Release, PerController: dc.PerController,
		Primary: dc.Controllers[0].Name, Secondary: dc.Controllers[1].Name, LineCard: dc.LineCards[0].Name,
		Volumes: []string{"/CTL-A/flash", "/CTL-B/flash"}, Routes: dc.Routes.IPv4 + dc.Routes.IPv6,
		// The lab's clock runs 200 times ours, so that a millisecond of ours
		// between two looks is a fifth of a second.
		ClockTolerance: 20 * time.Second,
		// The session over several hops has no interface; the circuit has two ends
		// and one level. A multiplier has 8 bits (RFC 5880 §4.1).
		Setting: state.Setting{Protocol: state.BFD, Neighbour: "198.51.100.7", Parameter: state.ParamDetectMult}, To: "9",
		Other: state.Setting{Protocol: state.ISIS, Instance: "default", Interface: "port-1/3", Parameter: state.ParamHelloMultiplier}, OtherTo: "12",
		Bad:     state.Setting{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamDetectMult, Value: "900"},
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
		path := &gnmipb.Path{Elem: []*gnmipb.PathElem{{Name: "system"}, {Name: "config"}, {Name: "login-banner"}}}
		_, err := gnmipb.NewGNMIClient(b.conn(t)).Set(context.Background(), &gnmipb.SetRequest{Update: []*gnmipb.Update{{
			Path: path, Val: &gnmipb.TypedValue{Value: &gnmipb.TypedValue_StringVal{StringVal: "Lock under repair."}},
		}}})
		if err != nil {
			t.Fatal(err)
		}
		return device.EventConfiguration, "digest"
	}
	return h
}

func storeFile(t *testing.T, b bench, h *devicetest.Harness) {
	t.Helper()
	body := []byte("a file that nobody needs\n")
	sum := sha256.Sum256(body)
	h.File = devicetest.File{Controller: h.Secondary, Path: "/CTL-B/flash/log/old", SHA256: hex.EncodeToString(sum[:])}
	s, err := filepb.NewFileClient(b.conn(t)).Put(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []*filepb.PutRequest{
		{Request: &filepb.PutRequest_Open{Open: &filepb.PutRequest_Details{RemoteFile: h.File.Path, Permissions: 644}}},
		{Request: &filepb.PutRequest_Contents{Contents: body}},
		{Request: &filepb.PutRequest_Hash{Hash: &typespb.HashType{Method: typespb.HashType_SHA256, Hash: sum[:]}}},
	} {
		if err := s.Send(m); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.CloseAndRecv(); err != nil {
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
				b, d := open(t, cfg)
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
					h.Device = dial(t, b, func(c *openconfig.Config) { c.Target = addr })
					return h, true
				default:
					return h, ok
				}
			})
		})
	}
}

// TestDerivedTimersAgreeWithWhatTheDeviceStates reads the chassis with and
// without its own account of each adjacency: what follows from the OpenConfig
// models by the protocols' rules must be what its state machines really do.
func TestDerivedTimersAgreeWithWhatTheDeviceStates(t *testing.T) {
	b, full := open(t, labConfig(true))
	defer full.Close()
	models := dial(t, b, func(c *openconfig.Config) { c.FactsOrigin = "" })
	defer models.Close()
	stated, err := full.Capture(context.Background(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	derived, err := models.Capture(context.Background(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	compared := map[string]int{}
	for _, d := range derived.Adjacencies {
		if d.Protocol == state.ISIS {
			// The chassis is the designated system of its LAN and sends three
			// times as often as configured (ISO/IEC 10589 §8.4.5), which the
			// models do not tell.
			continue
		}
		i := slices.IndexFunc(stated.Adjacencies, func(s state.Adjacency) bool {
			if s.Protocol == state.VRRP { // the models name the group's own address
				return d.Protocol == s.Protocol && d.Instance == s.Instance
			}
			return s.Protocol == d.Protocol && s.Neighbour == d.Neighbour && (d.Interface == "" || s.Interface == d.Interface)
		})
		if i < 0 {
			t.Errorf("%s is in the models only", d.Name())
			continue
		}
		s := stated.Adjacencies[i]
		for _, x := range []struct {
			what string
			d, s state.Opt[time.Duration]
		}{
			{"send", d.Timers.Send, s.Timers.Send}, {"neighbour send", d.Timers.NeighbourSend, s.Timers.NeighbourSend},
			{"neighbour detect", d.Timers.NeighbourDetect, s.Timers.NeighbourDetect}, {"own detect", d.Timers.OwnDetect, s.Timers.OwnDetect},
			{"restart time", d.Restart.Time, s.Restart.Time},
		} {
			dv, dk := x.d.Get()
			sv, sk := x.s.Get()
			if !dk || !sk {
				continue // VRRP: the active router states no own detection
			}
			compared[d.Protocol]++
			if dv != sv {
				t.Errorf("%s: %s follows from the models as %s, the device does %s", d.Name(), x.what, dv, sv)
			}
		}
		if du, ok := d.Up.Get(); ok && du != s.Up.Or(!du) {
			t.Errorf("%s: up is derived as %v, stated as %v", d.Name(), du, s.Up)
		}
		if dr, ok := d.Restart.Own.Get(); ok && dr != s.Restart.Own.Or(!dr) {
			t.Errorf("%s: our restart is derived as %v, stated as %v", d.Name(), dr, s.Restart.Own)
		}
		if dp, ok := d.BFD.Protected.Get(); ok && d.Protocol != state.BGP && dp != s.BFD.Protected.Or(!dp) {
			t.Errorf("%s: protection is derived as %v, stated as %v", d.Name(), dp, s.BFD.Protected)
		}
		if dp, ok := d.Prefixes.Get(); ok && dp != s.Prefixes.Or(0) {
			t.Errorf("%s: %d prefixes derived, %d stated", d.Name(), dp, s.Prefixes.Or(0))
		}
	}
	for _, p := range []string{state.BGP, state.OSPFv2, state.BFD, state.LLDP, state.PIM, state.LACP, state.VRRP, state.LDP} {
		if compared[p] == 0 {
			t.Errorf("nothing of %s was compared", p)
		}
	}
}

// TestCapturesOfOneMomentAgree reads the chassis in two scopes.
func TestCapturesOfOneMomentAgree(t *testing.T) {
	b, d := open(t, labConfig(false))
	defer d.Close()
	one, err := d.Capture(context.Background(), device.ScopeComponents)
	if err != nil {
		t.Fatal(err)
	}
	two, err := dial(t, b, nil).Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	for i, k := range one.Components {
		if k.Version != two.Components[i].Version || k.Name != two.Components[i].Name || k.Role != two.Components[i].Role {
			t.Errorf("got %+v and %+v", k, two.Components[i])
		}
	}
	if one.Configuration != two.Configuration {
		t.Errorf("got %+v and %+v", one.Configuration, two.Configuration)
	}
}
