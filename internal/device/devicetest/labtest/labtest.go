// Package labtest holds every driver to the suite of devicetest against the
// emulated chassis. Read [Exercise] first: a driver's own test says only how it
// dials, see [Dial].
//
// The chassis serves all its fronts. What a test changes from outside the
// driver, and the files that it puts there, go over gNMI and gNOI, whatever the
// driver speaks.
package labtest

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
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
	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"towpath/internal/device"
	"towpath/internal/device/devicetest"
	"towpath/internal/lab"
	"towpath/internal/lab/labtime"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// Rate is how many seconds of the lab pass in one of ours while the suite runs.
const Rate = 200

// The sizes of the release that is installed. The large one is for the fault
// that fills the volume half way through: what it fills must be more than what
// it frees.
const (
	packageSize      = 2 << 20
	largePackageSize = 6 << 20
)

// faults of the lab for the suite's troubles. Of the others, Expired depends on
// how a driver knows the device, see [Proof].
var faults = map[devicetest.Trouble]string{
	devicetest.InstallBusy:       "install-busy",
	devicetest.InstallDamages:    "transfer-corrupts-always",
	devicetest.InstallOther:      "wrong-package",
	devicetest.InstallNoSpace:    "no-space-during-transfer",
	devicetest.InstallMoves:      "unexpected-switchover-download",
	devicetest.InstallStalls:     "transfer-stalls",
	devicetest.SwitchOverRefused: "switchover-refused",
}

// Dial connects a driver to the chassis of the bench, the way being turned as w
// says.
type Dial func(t testing.TB, b *Bench, w Way) device.Device

// Proof is what a driver knows the device by.
type Proof int

// The proofs.
const (
	// Certificate: of X.509, which expires.
	Certificate Proof = iota
	// HostKey: of SSH. It does not expire; what a certificate that has expired is
	// to the others, is here a key that is not the one known.
	HostKey
)

// Way says how the way to the chassis is turned; the zero Way leads there.
type Way struct {
	address string
	hostKey ssh.PublicKey
}

// Turn sets the address, and the known_hosts of a driver that has some, where
// the way does not lead to the chassis as it is. hosts may be nil.
func (w Way) Turn(address *string, hosts *[]byte) {
	if w.address != "" {
		*address = w.address
	}
	if w.hostKey != nil && hosts != nil {
		*hosts = []byte(knownhosts.Line([]string{knownhosts.Normalize(*address)}, w.hostKey) + "\n")
	}
}

// Bench is a lab with the means to look at it from outside the driver.
type Bench struct {
	Lab     *lab.Lab
	Chassis *lab.Chassis // the first of it
}

// Config is the scenario's first device, quick and small, with all its fronts.
func Config(perController bool) lab.Config {
	cfg := lab.Scenario("")
	cfg.Devices = cfg.Devices[:1]
	d := &cfg.Devices[0]
	d.PerController = perController
	d.ShellListen, d.ConsoleListen = "127.0.0.1:0", "127.0.0.1:0"
	d.NETCONF.Serve = true
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

// Start runs a lab until the test ends, its clock at rate times ours.
func Start(t testing.TB, cfg lab.Config, rate float64) *Bench {
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
	return &Bench{l, l.Devices()[0]}
}

// Changes counts the acts that changed the device, once none is under way.
func (b *Bench) Changes(t testing.TB) int {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for {
		n, running := 0, false
		for _, a := range b.Lab.Acts() {
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
func (b *Bench) conn(t testing.TB) *grpc.ClientConn {
	t.Helper()
	tc, err := b.Lab.PKI().Client(string(b.Chassis.ID()))
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(b.Chassis.Address(), grpc.WithTransportCredentials(credentials.NewTLS(tc)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// banner changes the configuration.
func (b *Bench) banner(t testing.TB, text string) {
	t.Helper()
	path := &gnmipb.Path{Elem: []*gnmipb.PathElem{{Name: "system"}, {Name: "config"}, {Name: "login-banner"}}}
	_, err := gnmipb.NewGNMIClient(b.conn(t)).Set(context.Background(), &gnmipb.SetRequest{Update: []*gnmipb.Update{{
		Path: path, Val: &gnmipb.TypedValue{Value: &gnmipb.TypedValue_StringVal{StringVal: text}},
	}}})
	if err != nil {
		t.Fatal(err)
	}
}

// put stores a file on the device.
func (b *Bench) put(t testing.TB, path string, body []byte) {
	t.Helper()
	s, err := filepb.NewFileClient(b.conn(t)).Put(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(body)
	for _, m := range []*filepb.PutRequest{
		{Request: &filepb.PutRequest_Open{Open: &filepb.PutRequest_Details{RemoteFile: path, Permissions: 644}}},
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

// Exercise runs the suite against the emulated chassis, once where one
// installation serves both controller cards and once where each has its own. The
// chassis speaks each protocol from its own code, and all troubles of the suite
// are made.
func Exercise(t *testing.T, by Proof, dial Dial) {
	for _, kind := range []struct {
		name          string
		perController bool
	}{{"whole system", false}, {"per controller", true}} {
		t.Run(kind.name, func(t *testing.T) {
			devicetest.Exercise(t, func(t *testing.T, with devicetest.Trouble) (devicetest.Harness, bool) {
				return fresh(t, by, dial, kind.perController, with), true
			})
		})
	}
}

// fresh starts a chassis that has the trouble and dials it.
func fresh(t *testing.T, by Proof, dial Dial, perController bool, with devicetest.Trouble) devicetest.Harness {
	t.Helper()
	cfg := Config(perController)
	size := int64(packageSize)
	var way Way
	fault := faults[with]
	switch with {
	case devicetest.None:
	case devicetest.NotReady:
		cfg.Devices[0].Durations.StateSync = 1000 * time.Hour
	case devicetest.Gone:
		way.address = dead(t)
	case devicetest.Expired:
		if by == Certificate {
			fault = "certificate-expired"
		} else {
			way.hostKey = strange(t)
		}
	case devicetest.InstallNoSpace:
		size = largePackageSize
	default:
		if fault == "" {
			t.Fatalf("nothing here makes the trouble %q", with)
		}
	}
	if fault != "" {
		cfg.Faults = []string{fault}
	}
	b := Start(t, cfg, Rate)
	h := furnish(t, b, cfg.Devices[0], size)
	h.Device = dial(t, b, way)
	if with == devicetest.None {
		body := []byte("a file that nobody needs\n")
		sum := sha256.Sum256(body)
		h.File = devicetest.File{Controller: h.Secondary, Path: "/CTL-B/flash/log/old", SHA256: hex.EncodeToString(sum[:])}
		b.put(t, h.File.Path, body)
	}
	if with == devicetest.NotReady {
		// It restarts, and its copy of the state does not end.
		if err := h.Device.Restart(context.Background(), h.Secondary, "to have it not ready"); err != nil {
			t.Fatal(err)
		}
	}
	return h
}

// dead is an address at which nobody answers. It is not that of everybody, so
// that nobody takes the port in the meantime, where the system has another.
func dead(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.7:0")
	if err != nil {
		l, err = net.Listen("tcp", "127.0.0.1:0")
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return l.Addr().String()
}

// strange is a host key that is nobody's.
func strange(t testing.TB) ssh.PublicKey {
	t.Helper()
	public, _, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	key, err := ssh.NewPublicKey(public)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// furnish says what is known of a device from outside.
func furnish(t testing.TB, b *Bench, dc lab.DeviceConfig, size int64) devicetest.Harness {
	t.Helper()
	h := devicetest.Harness{
		Name: string(dc.ID), Release: dc.Release, PerController: dc.PerController,
		Primary: dc.Controllers[0].Name, Secondary: dc.Controllers[1].Name, LineCard: dc.LineCards[0].Name,
		Volumes: []string{"/CTL-A/flash", "/CTL-B/flash"}, Routes: dc.Routes.IPv4 + dc.Routes.IPv6,
		// A millisecond of ours between two looks is a fifth of a second of the lab.
		ClockTolerance: 20 * time.Second, ClockRate: Rate,
		// The session over several hops has no interface; the circuit has two ends
		// and one level. A multiplier has 8 bits (RFC 5880 §4.1).
		Setting: state.Setting{Protocol: state.BFD, Neighbour: "198.51.100.7", Parameter: state.ParamDetectMult}, To: "9",
		Other: state.Setting{Protocol: state.ISIS, Instance: "default", Interface: "port-1/3", Parameter: state.ParamHelloMultiplier}, OtherTo: "12",
		Bad: []state.Setting{
			{Protocol: state.BFD, Neighbour: "198.51.100.7", Parameter: state.ParamDetectMult, Value: "900"},
			{Protocol: state.BFD, Interface: "lag-1", Parameter: state.ParamDetectMult, Value: "900"},
		},
		Unknown: state.Setting{Protocol: state.LLDP, Parameter: "no-such-parameter", Value: "1"},
		Acts:    func() int { return b.Changes(t) },
		Asked:   func() int { return len(b.Lab.Acts()) },
		Change: func(t *testing.T) (device.EventKind, string) {
			b.banner(t, "Lock under repair.")
			return device.EventConfiguration, "digest"
		},
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
	return h
}

var contents sync.Map // of packages, by specification

func content(t testing.TB, spec lab.PackageSpec) []byte {
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
