package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/lab"
	"towpath/internal/lab/labtime"
	"towpath/internal/policy"
	"towpath/internal/probe"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// overTheConsole has the lab's devices reached over the consoles of their controller
// cards alone, and fetch their images.
const overTheConsole = "console"

// labMaker makes emulated labs with a workspace beside them.
type labMaker struct{}

// Faults implements [app.LabMaker].
func (labMaker) Faults() []app.LabFault {
	var out []app.LabFault
	for _, f := range lab.Faults() {
		out = append(out, app.LabFault{Name: f.Name, Phase: f.Phase, Verdict: f.Expected, Description: f.Description})
	}
	return out
}

// runningLab is a lab with its reflector, its console and its workspace.
type runningLab struct {
	lab       *lab.Lab
	clock     *labtime.Clock
	reflector *probe.Reflector
	consoles  []net.Listener // one for each device
	stop      context.CancelFunc
	wg        sync.WaitGroup
	dir       string
	ownDir    bool
	spec      app.LabSpec
}

// Start implements [app.LabMaker].
func (labMaker) Start(ctx context.Context, spec app.LabSpec) (_ app.Lab, err error) {
	if spec.Fast < 1 {
		return nil, fmt.Errorf("--fast is %v, want at least 1", spec.Fast)
	}
	switch spec.Over {
	case "", "gnmi", "netconf", "ssh", overTheConsole:
	default:
		return nil, fmt.Errorf("--over is %q, want gnmi, netconf, ssh or console", spec.Over)
	}
	l := &runningLab{spec: spec, dir: spec.Dir}
	defer func() {
		if err != nil {
			err = errors.Join(err, l.Close())
		}
	}()
	if l.dir == "" {
		if l.dir, err = os.MkdirTemp("", "towpath-lab-"); err != nil {
			return nil, err
		}
		l.ownDir = true
	}
	if l.reflector, err = probe.NewReflector(probe.ReflectorConfig{Listen: "127.0.0.1:0"}); err != nil {
		return nil, err
	}
	rctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	l.stop = cancel
	l.wg.Go(func() { _ = l.reflector.Run(rctx) })
	for range 2 {
		c, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
		if err != nil {
			return nil, err
		}
		l.consoles = append(l.consoles, c)
		l.wg.Go(func() { answerConsole(c) })
	}
	cfg := lab.Scenario(l.reflector.Addr().String())
	if spec.OurTime {
		l.clock = labtime.Real()
		for i := range cfg.Devices {
			shorten(&cfg.Devices[i].Durations, spec.Fast)
			cfg.Devices[i].TransferRate = 0
		}
	} else {
		l.clock = labtime.New(time.Now().Truncate(time.Second), spec.Fast)
	}
	cfg.Clock, cfg.Seed, cfg.Faults = l.clock, spec.Seed, spec.Faults
	for i := range cfg.Devices {
		cfg.Devices[i].PerController = spec.PerCard
		cfg.Devices[i].ShellListen = "127.0.0.1:0"
		cfg.Devices[i].NETCONF.Serve = true
		if spec.Over == overTheConsole {
			cfg.Devices[i].ConsoleListen = "127.0.0.1:0"
		}
	}
	if l.lab, err = lab.Start(cfg); err != nil {
		return nil, err
	}
	return l, l.writeWorkspace()
}

// shorten divides every duration.
func shorten(d *lab.Durations, by float64) {
	for _, v := range []*time.Duration{&d.ControllerBoot, &d.StateSync, &d.PackageCopy, &d.Validation, &d.LineCardBoot, &d.LineCardNSF, &d.FabricRestart, &d.ExtenderUpdate} {
		*v = time.Duration(float64(*v) / by)
	}
}

// answerConsole takes connections to an out-of-band console.
func answerConsole(l net.Listener) {
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		_ = c.Close()
	}
}

// Close implements [app.Lab].
func (l *runningLab) Close() error {
	var errs []error
	if l.lab != nil {
		errs = append(errs, l.lab.Close())
	}
	for _, c := range l.consoles {
		errs = append(errs, c.Close())
	}
	if l.stop != nil {
		l.stop()
	}
	l.wg.Wait()
	if l.clock != nil {
		l.clock.Close()
	}
	if l.ownDir {
		errs = append(errs, os.RemoveAll(l.dir))
	}
	return errors.Join(errs...)
}

// Dir implements [app.Lab].
func (l *runningLab) Dir() string { return l.dir }

// Clock implements [app.Lab].
func (l *runningLab) Clock() conduct.Clock { return l.clock }

// Device implements [app.Lab].
func (l *runningLab) Device() string { return lab.ScenarioDevice }

// Target implements [app.Lab].
func (l *runningLab) Target() string { return lab.ScenarioTarget }

// About implements [app.Lab].
func (l *runningLab) About() string {
	s := fmt.Sprintf("The emulated lab: chassis %s and its partner %s of an invented operator, on loopback. ", lab.ScenarioDevice, lab.ScenarioPartner)
	if l.spec.OurTime {
		s += fmt.Sprintf("It runs by the clock of this machine, and its restarts and waits are %g times as short as a real chassis's. ", l.spec.Fast)
	} else if l.spec.Fast > 1 {
		s += fmt.Sprintf("Its time runs %g times as fast as ours through restarts and waits, and exactly as ours while the control plane is silent or test traffic is measured. ", l.spec.Fast)
	}
	s += "Packets, protocols, silences and losses are real; durations of steps are by the lab's time."
	if l.spec.Over == overTheConsole {
		s += " It is reached over the consoles of its controller cards alone, which are as quick as SSH."
	}
	if len(l.spec.Faults) > 0 {
		s += fmt.Sprintf(" Faults switched on: %v.", l.spec.Faults)
	}
	return s
}

// Flows implements [app.Lab].
func (l *runningLab) Flows() []app.ProbeFlow {
	var out []app.ProbeFlow
	for _, f := range l.lab.Plane().Flows() {
		out = append(out, app.ProbeFlow{Name: f.Name, To: l.lab.Plane().Addr(f.Name).String(), Ports: 1})
	}
	return out
}

// Truth implements [app.Lab].
func (l *runningLab) Truth() app.LabTruth {
	t := app.LabTruth{Dropped: map[string]uint64{}}
	for _, f := range l.lab.Plane().Truth() {
		t.Dropped[f.Flow+" forward"] = f.Forward.Dropped()
		t.Dropped[f.Flow+" reverse"] = f.Reverse.Dropped()
	}
	for _, s := range l.lab.Chassis(lab.ScenarioDevice).Silences() {
		t.Silences = append(t.Silences, s.Duration)
	}
	for _, a := range l.lab.Chassis(lab.ScenarioDevice).Acts() {
		if a.Changed {
			t.Acts = append(t.Acts, a.Kind+" "+a.Arguments)
		}
	}
	return t
}

// writeWorkspace writes fleet, releases, policy, certificates and images, so
// that any command can work on the lab.
func (l *runningLab) writeWorkspace() error {
	for _, d := range []string{"tls", "images", "secrets"} {
		if err := os.MkdirAll(filepath.Join(l.dir, d), 0o700); err != nil {
			return err
		}
	}
	pki := l.lab.PKI()
	var hosts strings.Builder
	for _, c := range l.lab.Devices() {
		hosts.WriteString(c.ShellKnownHosts())
		_, line := c.NETCONFAddress()
		hosts.Write(line)
		hosts.WriteString(c.ConsoleKnownHosts())
	}
	files := map[string][]byte{"known_hosts": []byte(hosts.String()), "tls/authority.pem": pki.Authority, "tls/operator.pem": pki.ClientCert, "tls/operator-key.pem": pki.ClientKey}
	if l.spec.Over == overTheConsole {
		certificate, key, err := pki.Server("tower.ostermoor.example")
		if err != nil {
			return err
		}
		files["tls/tower.pem"], files["tls/tower-key.pem"] = certificate, key
		for _, c := range l.lab.Devices() {
			files["secrets/"+string(c.ID())+"-line"] = []byte(c.ConsolePassword() + "\n")
			files["secrets/"+string(c.ID())+"-login"] = []byte(c.ShellPassword() + "\n")
		}
	}
	images := map[string]*lab.Package{}
	for _, s := range lab.ScenarioPackages() {
		p, err := lab.NewPackage(s)
		if err != nil {
			return err
		}
		images[s.Kind+" "+s.Version] = p
		if err := writeImage(filepath.Join(l.dir, "images", imageName(s.Kind, s.Version)), p); err != nil {
			return err
		}
	}
	devices, err := l.fleet()
	if err != nil {
		return err
	}
	for name, v := range map[string]any{"fleet.yaml": devices, "releases.yaml": l.catalogue(images), "policy.yaml": l.policy()} {
		b, err := document.Marshal(v)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		files[name] = b
	}
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(l.dir, name), b, 0o600); err != nil {
			return err
		}
	}
	return nil
}

func imageName(kind, version string) string {
	if kind == lab.PackageFirmware {
		return "alder-9-line-card-firmware-" + version + ".pkg"
	}
	return "alder-9-" + version + ".pkg"
}

func writeImage(name string, p *lab.Package) (err error) {
	f, err := os.Create(name) // #nosec G304 -- in the lab's own folder
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	r := p.Open(0)
	_, err = io.Copy(f, r)
	return errors.Join(err, r.Close())
}

func (l *runningLab) fleet() (*fleet.Fleet, error) {
	f := &fleet.Fleet{Operator: "Ostermoor Water and Light",
		Groups: []fleet.RedundancyGroup{{Name: "mere-agg", Members: []fleet.DeviceID{lab.ScenarioDevice, lab.ScenarioPartner}, AtLeast: 1}}}
	for i, c := range l.lab.Devices() {
		access, err := l.access(c)
		if err != nil {
			return nil, err
		}
		outOfBand := fleet.Console{Address: l.consoles[i].Addr().String()}
		if access.Console != nil {
			outOfBand = fleet.Console{} // it is the way in
		}
		f.Devices = append(f.Devices, fleet.Device{
			ID: c.ID(), Platform: lab.ScenarioPlatform, Site: "Mere", Role: "aggregation", Release: lab.ScenarioFrom,
			Features: []string{"graceful-restart", "nonstop-routing", "bfd-offload", "port-extenders"},
			LogicalNetworkElements: []fleet.LogicalNetworkElement{
				{Name: "supply-control", Serves: []string{"pump control", "sluice control"}}, {Name: "metering", Serves: []string{"meter reading"}},
			},
			Access:  access,
			Console: outOfBand,
			Serves:  []string{"Mere waterworks", "street lighting east"},
		})
	}
	f.Devices = append(f.Devices,
		fleet.Device{ID: "fen-core-1", Platform: lab.ScenarioPlatform, Site: "Fen", Role: "core", Release: lab.ScenarioFrom},
		fleet.Device{ID: "lock-access-3", Platform: lab.ScenarioPlatform, Site: "Lock", Role: "access", Release: lab.ScenarioFrom})
	link := func(id string, a fleet.DeviceID, ai string, b fleet.DeviceID, bi string, rate unit.BitRate) {
		f.Links = append(f.Links, fleet.Link{ID: id, A: fleet.Endpoint{Device: a, Interface: ai}, B: fleet.Endpoint{Device: b, Interface: bi}, Capacity: rate})
	}
	link("mere-pair", lab.ScenarioDevice, "lag-2", lab.ScenarioPartner, "lag-2", 200e9)
	for i, d := range []fleet.DeviceID{lab.ScenarioDevice, lab.ScenarioPartner} {
		link(fmt.Sprintf("fen-mere-%d", i+1), "fen-core-1", fmt.Sprintf("lag-%d", i+1), d, "lag-1", 200e9)
		link(fmt.Sprintf("lock-mere-%d", i+1), "lock-access-3", fmt.Sprintf("port-1/%d", i+1), d, "port-3/1", 100e9)
	}
	return f, nil
}

// settle is how long a console line of the lab must be quiet: it is as quick as
// SSH, while a real one may stop in the midst of a line for tenths of a second.
const settle = 40 * time.Millisecond

// overConsoles is the way over the console lines, with nothing beside it.
func (l *runningLab) overConsoles(c *lab.Chassis) (fleet.Access, error) {
	line := &fleet.ConsoleLine{User: lab.ConsoleUser, Password: fleet.SecretRef("file:secrets/" + string(c.ID()) + "-line"), KnownHosts: "file:known_hosts", Settle: settle,
		Login: fleet.ConsoleLogin{User: lab.ShellUser, Password: fleet.SecretRef("file:secrets/" + string(c.ID()) + "-login")}}
	for _, card := range c.Cards() {
		line.Controllers = append(line.Controllers, fleet.ControllerConsole{Controller: card, Address: c.ConsoleAddress(card)})
	}
	port, err := net.Listen("tcp", "127.0.0.1:0") // one that is free
	if err != nil {
		return fleet.Access{}, err
	}
	images := &fleet.ImageServer{Listen: port.Addr().String(), From: "127.0.0.1", Cert: "file:tls/tower.pem", Key: "file:tls/tower-key.pem"}
	return fleet.Access{Driver: "command-line", Adapter: lab.ScenarioPlatform, Console: line, ImageServer: images}, port.Close()
}

// access is how a device of the lab is reached.
func (l *runningLab) access(c *lab.Chassis) (fleet.Access, error) {
	if l.spec.Over == overTheConsole {
		return l.overConsoles(c)
	}
	if l.spec.Over == "netconf" {
		address, _ := c.NETCONFAddress()
		return fleet.Access{Driver: "netconf", Address: address, User: lab.SSHUser, Key: "file:tls/operator-key.pem", KnownHosts: "file:known_hosts"}, nil
	}
	if l.spec.Over == "ssh" {
		return fleet.Access{Driver: "command-line", Adapter: lab.ScenarioPlatform, Address: c.ShellAddress(), User: lab.ShellUser,
			Key: "file:tls/operator-key.pem", KnownHosts: "file:known_hosts"}, nil
	}
	return fleet.Access{Driver: "openconfig", Address: c.Address(), ServerName: string(c.ID()),
		Authority: "file:tls/authority.pem", Cert: "file:tls/operator.pem", Key: "file:tls/operator-key.pem"}, nil
}

func spread(least, likely, most float64) release.Spread {
	return release.Spread{Least: least, Likely: likely, Most: most}
}

func rangeOf(least, likely, most time.Duration) *release.SilenceRange {
	return &release.SilenceRange{Least: least, Likely: likely, Most: most}
}

// catalogue is what the invented maker publishes of the scenario's platform.
func (l *runningLab) catalogue(images map[string]*lab.Package) *release.Catalogue {
	k := 1.0
	if l.spec.OurTime {
		k = l.spec.Fast
	}
	image := func(kind, version string, parts ...string) release.Image {
		p := images[kind+" "+version]
		return release.Image{Kind: kind, File: imageName(kind, version), Size: unit.ByteSize(p.Size()), SHA256: p.SHA256(), SHA512: p.SHA512(), Parts: parts}
	}
	system := func(version string) []release.Image {
		return []release.Image{image(release.ImageSystem, version)}
	}
	up := func(from, to string, source string, unless ...release.Condition) release.Transition {
		return release.Transition{From: from, To: to, Method: release.InService, Minutes: spread(22/k, 30/k, 45/k),
			Silence: rangeOf(1600*time.Millisecond, 2*time.Second, 2600*time.Millisecond),
			Loss:    rangeOf(50*time.Millisecond, 85*time.Millisecond, 130*time.Millisecond), Unless: unless, Source: source}
	}
	restart := spread(6/k, 8/k, 14/k)
	card := spread(2.5/k, 3/k, 6/k)
	device := spread(9/k, 12/k, 20/k)
	return &release.Catalogue{Platforms: []release.Platform{{
		ID: lab.ScenarioPlatform, Description: "Aggregation chassis with two controller cards, invented", PerController: l.spec.PerCard,
		Scheme: release.VersionScheme{Pattern: `(?P<major>\d+)\.(?P<minor>\d+)\.(?P<patch>\d+)`,
			Order: []release.OrderField{{Field: "major", As: "number"}, {Field: "minor", As: "number"}, {Field: "patch", As: "number"}}},
		MaxInServiceSpan: map[string]int{"minor": 1},
		Durations: release.Durations{ControllerRestart: &restart, LineCardRestart: &card, DeviceRestart: &device, TransferRate: 16e6,
			LineCardLoss: rangeOf(10*time.Millisecond, 30*time.Millisecond, 60*time.Millisecond)},
		Releases: []release.Release{
			{Version: lab.ScenarioOld, Date: "2024-05-14", Support: release.EndOfSupport},
			{Version: lab.ScenarioFrom, Date: "2025-01-21", Support: release.Supported},
			{Version: "2.5.0", Date: "2025-09-02", Support: release.Defective, Note: "The state copy to a secondary can stop half-way."},
			{Version: lab.ScenarioVia, Date: "2025-12-09", Support: release.Supported, Images: system(lab.ScenarioVia)},
			{Version: lab.ScenarioTarget, Date: "2026-09-15", Support: release.Supported, Images: system(lab.ScenarioTarget)},
		},
		Transitions: []release.Transition{
			up(lab.ScenarioFrom, "2.5.0, "+lab.ScenarioVia, "Release notes 2.5.2, section 4"),
			up("2.5.0, "+lab.ScenarioVia, lab.ScenarioTarget, "Release notes 2.6.0, section 4", release.Condition{
				Firmware: &release.FirmwareLevel{Kind: state.KindLineCard, Level: lab.ScenarioFirmware},
				Reason:   "older firmware cannot keep its forwarding table while the line card software is replaced"}),
			up(lab.ScenarioVia, lab.ScenarioFrom, "Release notes 2.5.2, section 5"),
			up(lab.ScenarioTarget, lab.ScenarioVia, "Release notes 2.6.0, section 5"),
			{From: "*", To: "*", Method: release.Reload, Minutes: spread(12/k, 16/k, 28/k), Source: "Installation manual, chapter 2"},
		},
		Firmware: []release.Firmware{{Kind: state.KindLineCard, Level: lab.ScenarioFirmware, Minutes: 12 / k, Outage: false,
			Image: image(release.ImageFirmware, lab.ScenarioFirmware)}},
	}}}
}

// policy is the scenario's: cautious, and quick enough to be watched.
func (l *runningLab) policy() policy.Policy {
	p := policy.Default()
	p.Readiness.SpanningTreeQuiet = 20 * time.Minute
	p.Readiness.SurviveProbability = 0.99
	p.Storage.Margin = 8 * unit.MiB
	p.Storage.Keep = []string{"*.conf"}
	p.Probe.Rate, p.Probe.Budget = 1000, 400*time.Millisecond
	p.Probe.Baseline, p.Probe.Settle = l.watchFor(), l.watchFor()
	for _, f := range l.Flows() {
		p.Probe.Flows = append(p.Probe.Flows, policy.Flow{Name: f.Name, To: f.To, Ports: 1})
	}
	p.Conduct.AfterPointOfNoReturn = "roll-back"
	p.Conduct.SecondaryReadyWithin = 45 * time.Minute
	p.Conduct.TransferStall = 5 * time.Minute
	p.Conduct.LineCardWithin = 30 * time.Minute
	if l.spec.OurTime {
		c := &p.Conduct
		for _, d := range []*time.Duration{&c.SecondaryReadyWithin, &c.LineCardWithin, &c.ReachableWithin} {
			*d = max(time.Minute, time.Duration(float64(*d)/l.spec.Fast))
		}
		c.PollEvery, c.ObserveAfterCrash, c.TransferStall = 100*time.Millisecond, 600*time.Millisecond, 20*time.Second
		p.Readiness.SteadyFor = time.Second
	}
	p.Prepare.Apply = true
	p.HoldPoints = []policy.HoldPoint{{Before: "upgrade-run"}}
	return p
}

// watchFor is how long test traffic must be clean before and after: longer
// than a second, so that a reply that is only late is not missed.
func (l *runningLab) watchFor() time.Duration {
	if l.spec.Brisk {
		return 1200 * time.Millisecond
	}
	return 4 * time.Second
}
