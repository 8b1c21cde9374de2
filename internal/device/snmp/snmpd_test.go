package snmp

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/devicetest"
	"towpath/internal/state"
)

// chassis is an invented chassis of the platform alder-9, as ENTITY-MIB shows
// it: index, what contains it, class, name, model, serial, software, firmware.
var chassis = []struct {
	index, in, class               int
	name, model, serial, sw, fw    string
	oper, standby, celsiusMilli    int
	celsiusPrecision, celsiusScale int
}{
	{index: 1, class: 3, name: "CHASSIS", model: "ALDER-9", serial: "OW100", oper: 3},
	{index: 2, in: 1, class: 5, name: "slot 1"},
	{index: 3, in: 2, class: 9, name: "CTL-A", model: "A9-CTL", serial: "OW101", sw: "4.2.3", fw: "1.7", oper: 3, standby: 4},
	{index: 4, in: 1, class: 9, name: "CTL-B", model: "A9-CTL", serial: "OW102", sw: "4.2.3", fw: "1.7", oper: 3, standby: 2},
	{index: 5, in: 1, class: 9, name: "LC-1", model: "A9-48X", serial: "OW103", sw: "4.2.3", oper: 2},
	{index: 6, in: 5, class: 10, name: "port 1/1"},
	{index: 7, in: 6, class: 9, name: "optic 1/1", model: "A9-LR", serial: "OW104"},
	{index: 8, in: 1, class: 6, name: "PSU-1", model: "A9-PSU", serial: "OW105", oper: 3},
	{index: 9, in: 1, class: 7, name: "FAN", oper: 3},
	{index: 10, in: 3, class: 8, name: "inlet", celsiusMilli: 315, celsiusPrecision: 1, celsiusScale: 9},
	{index: 11, in: 1, class: 9, name: "FAB-1", model: "A9-FAB", oper: 3},
	{index: 12, in: 5, class: 9, name: "daughter", model: "A9-D"},
	{index: 13, in: 1, class: 7, name: "FAN", oper: 3},
}

// words make the entries recognisable as what they are.
var descr = map[string]string{"CTL-A": "controller card", "CTL-B": "controller card", "LC-1": "line card", "FAB-1": "fabric card"}

// overrides are lines of snmpd.conf that make it serve the chassis and a peer.
func overrides() []string {
	var out []string
	set := func(entry string, column int, index, kind, value string) {
		if value != "" && value != "0" {
			out = append(out, fmt.Sprintf("override %s.%d.%s %s %s", entry, column, index, kind, value))
		}
	}
	quoted := func(s string) string {
		if s == "" {
			return ""
		}
		return `"` + s + `"`
	}
	for _, e := range chassis {
		i := fmt.Sprint(e.index)
		set(physicalEntry, 2, i, "octet_str", quoted(descr[e.name]))
		out = append(out, fmt.Sprintf("override %s.4.%s integer %d", physicalEntry, i, e.in))
		set(physicalEntry, 5, i, "integer", fmt.Sprint(e.class))
		for column, s := range map[int]string{7: e.name, 9: e.fw, 10: e.sw, 11: e.serial, 13: e.model} {
			set(physicalEntry, column, i, "octet_str", quoted(s))
		}
		set(stateEntry, 3, i, "integer", fmt.Sprint(e.oper))
		set(stateEntry, 6, i, "integer", fmt.Sprint(e.standby))
		if e.celsiusScale > 0 {
			for column, n := range map[int]int{1: 8, 2: e.celsiusScale, 3: e.celsiusPrecision, 4: e.celsiusMilli, 5: 1} {
				set(sensorEntry, column, i, "integer", fmt.Sprint(n))
			}
		}
	}
	peer := "192.0.2.1"
	for column, n := range map[int]int{2: 6, 18: 90, 19: 30} {
		set(bgpPeerEntry, column, peer, "integer", fmt.Sprint(n))
	}
	set(bgpPeerEntry, 15, peer, "counter", "3")
	set(bgpPeerEntry, 16, peer, "uinteger", "3600")
	return out
}

const (
	authSecret = "auth secret of tests"
	privSecret = "priv secret of tests"
	community  = "ostermoor"
)

// snmpd starts Debian's agent as a process of this test and returns its address.
func snmpd(t *testing.T, lines ...string) string {
	t.Helper()
	const binary = "/usr/sbin/snmpd"
	if _, err := os.Stat(binary); err != nil {
		t.Skip("not checked against net-snmp: its agent is not installed (Debian: snmpd)")
	}
	dir := t.TempDir()
	// Not the address of everybody, so that nobody takes the port meanwhile. The
	// agent hears us as 127.0.0.1 there too.
	conn, err := net.ListenPacket("udp", "127.0.0.7:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := conn.LocalAddr().String()
	conn.Close()
	begin(t, addr, dir, lines...)
	return addr
}

// begin starts the agent at an address, with its state in a folder, and returns
// what ends it.
func begin(t *testing.T, addr, dir string, lines ...string) (end func()) {
	t.Helper()
	const binary = "/usr/sbin/snmpd"
	config := append([]string{
		"agentaddress udp:" + addr,
		"rocommunity " + community + " 127.0.0.1",
		"rocommunity blind 127.0.0.1 .1.3.6.1.4.1.99999",
		`createUser tow SHA-256 "` + authSecret + `" AES "` + privSecret + `"`,
		`createUser tow512 SHA-512 "` + authSecret + `" AES-256 "` + privSecret + `"`,
		"rouser tow priv",
		"rouser tow512 priv",
		"sysName mere-agg-1",
	}, lines...)
	file := filepath.Join(dir, "snmpd.conf")
	if err := os.WriteFile(file, []byte(strings.Join(config, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	cmd := exec.Command(binary, "-f", "-Le", "-C", "-c", file, "-p", filepath.Join(dir, "pid"))
	cmd.Env = append(os.Environ(), "MIBS=", "SNMP_PERSISTENT_DIR="+filepath.Join(dir, "state"))
	cmd.Stderr, cmd.Stdout = &log, &log
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	end = sync.OnceFunc(func() {
		if err := cmd.Process.Kill(); err != nil {
			t.Error(err)
		}
		cmd.Wait()
		if t.Failed() {
			t.Log(log.String())
		}
	})
	t.Cleanup(end)
	d := dial(t, Config{Address: addr, Community: community, Timeout: 200 * time.Millisecond})
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	late := time.After(5 * time.Minute)
	for {
		_, err := d.Abilities(t.Context())
		if err == nil {
			return end
		}
		select {
		case <-tick.C:
		case <-late:
			t.Fatal(err)
		}
	}
}

func dial(t *testing.T, cfg Config) *Driver {
	t.Helper()
	d, err := Dial(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func v3(addr string) Config {
	return Config{Device: "mere-agg-1", Address: addr, User: "tow", AuthSecret: authSecret, PrivSecret: privSecret}
}

// TestSuite runs the suite of all drivers against net-snmp's agent.
func TestSuite(t *testing.T) {
	addr := snmpd(t, overrides()...)
	devicetest.Exercise(t, func(t *testing.T, with devicetest.Trouble) (devicetest.Harness, bool) {
		if with != devicetest.None {
			return devicetest.Harness{}, false
		}
		return devicetest.Harness{
			Device: dial(t, v3(addr)), Partial: true, Name: "mere-agg-1", Release: "4.2.3", Primary: "CTL-A", Secondary: "CTL-B", LineCard: "LC-1",
			Adjacencies: []string{"bgp 192.0.2.1"},
			Next:        devicetest.Package{Version: "4.3.1", Content: make([]byte, 100)},
			Image:       devicetest.ComponentImage{Component: "LC-1", File: "x", Version: "1.9", Content: []byte("firmware")},
			File:        devicetest.File{Controller: "CTL-A", Path: "/flash/x"},
		}, true
	})
}

func TestCaptureOfTheChassis(t *testing.T) {
	addr := snmpd(t, overrides()...)
	d := dial(t, v3(addr))
	c, err := d.Capture(t.Context(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]string{}
	for _, k := range c.Components {
		kinds[k.Name] = k.Kind + " in " + k.Parent
	}
	want := map[string]string{
		"CHASSIS": "CHASSIS in ", "CTL-A": "CONTROLLER_CARD in CHASSIS", "CTL-B": "CONTROLLER_CARD in CHASSIS", "LC-1": "LINECARD in CHASSIS",
		"port 1/1": "PORT in LC-1", "optic 1/1": "TRANSCEIVER in port 1/1", "PSU-1": "POWER_SUPPLY in CHASSIS", "FAN": "FAN in CHASSIS",
		"FAN (entity 13)": "FAN in CHASSIS", "inlet": "SENSOR in CTL-A", "FAB-1": "FABRIC in CHASSIS", "daughter": "FRU in LC-1",
	}
	if fmt.Sprint(kinds) != fmt.Sprint(want) {
		t.Errorf("got  %v\nwant %v", kinds, want)
	}
	card, _ := c.Component("CTL-A")
	if card.Role.Or("") != state.Primary || card.Oper.Or("") != state.OperActive || card.Serial.Or("") != "OW101" || card.Part.Or("") != "A9-CTL" ||
		card.Version.Or("") != "4.2.3" || card.Firmware.Or("") != "1.7" {
		t.Errorf("CTL-A: %+v", card)
	}
	if lc, _ := c.Component("LC-1"); lc.Oper.Or("") != state.OperDisabled || lc.Role.Known() {
		t.Errorf("LC-1: %+v", lc)
	}
	if s, _ := c.Component("inlet"); s.Celsius.Or(0) != 31.5 {
		t.Errorf("inlet: %+v", s)
	}
	if len(c.Adjacencies) != 1 {
		t.Fatalf("adjacencies: %+v", c.Adjacencies)
	}
	a := c.Adjacencies[0]
	since, known := a.Since.Get()
	if a.State.Or("") != "ESTABLISHED" || a.Timers.OwnDetect.Or(0) != 90*time.Second || a.Timers.Send.Or(0) != 30*time.Second || a.Transition.Or(0) != 3 ||
		!known || time.Since(since)-time.Hour > time.Minute {
		t.Errorf("peer: %+v", a)
	}
	ab, err := d.Abilities(t.Context())
	if err != nil || !slices.Equal(ab.Models, []string{"BGP4-MIB", "ENTITY-MIB", "ENTITY-SENSOR-MIB", "ENTITY-STATE-MIB", "IF-MIB", "SNMPv2-MIB"}) {
		t.Errorf("abilities %+v, %v", ab, err)
	}
}

// TestThisMachine holds what net-snmp's agent tells of this machine against what
// its kernel tells. Source: proc(5), the interfaces as Go's net package lists
// them.
func TestThisMachine(t *testing.T) {
	addr := snmpd(t)
	for _, cfg := range []Config{v3(addr), {Device: "mere-agg-1", Address: addr, Community: community},
		{Device: "mere-agg-1", Address: addr, User: "tow512", AuthProtocol: "SHA-512", AuthSecret: authSecret, PrivProtocol: "AES-256", PrivSecret: privSecret}} {
		d := dial(t, cfg)
		c, err := d.Capture(t.Context(), device.ScopeFull)
		if err != nil {
			t.Fatal(err)
		}
		if c.Hostname.Or("") != "mere-agg-1" || c.Release.Known() || len(c.Components) != 0 {
			t.Errorf("%s, %s, %v", c.Hostname.Or(""), c.Release.Or(""), c.Components)
		}
		// Others make and delete interfaces on this machine too, and the agent looks
		// from time to time only: it is asked until nothing has changed meanwhile.
		own := interfaces(t)
		for end := time.Now().Add(5 * time.Minute); time.Now().Before(end) && !slices.EqualFunc(own, c.Interfaces, func(n net.Interface, x state.Interface) bool { return n.Name == x.Name }); own = interfaces(t) {
			if c, err = d.Capture(t.Context(), device.ScopeFull); err != nil {
				t.Fatal(err)
			}
		}
		for _, n := range own {
			i := slices.IndexFunc(c.Interfaces, func(x state.Interface) bool { return x.Name == n.Name })
			if i < 0 {
				t.Errorf("interface %s is missing", n.Name)
				continue
			}
			x := c.Interfaces[i]
			if want := map[bool]string{true: "UP", false: "DOWN"}[n.Flags&net.FlagUp != 0]; x.Admin.Or("") != want {
				t.Errorf("%s: %s, want %s", n.Name, x.Admin.Or(""), want)
			}
			if !x.InOctets.Known() || !x.OutErrors.Known() || !x.Oper.Known() {
				t.Errorf("%s: %+v", n.Name, x)
			}
		}
		if len(c.Interfaces) != len(own) {
			t.Errorf("%d interfaces, want %d", len(c.Interfaces), len(own))
		}
		b, err := os.ReadFile("/proc/stat")
		if err != nil {
			t.Fatal(err)
		}
		_, rest, ok := bytes.Cut(b, []byte("btime "))
		var at int64
		if _, err := fmt.Sscan(string(rest), &at); err != nil || !ok {
			t.Fatal(err)
		}
		if boot, known := c.BootTime.Get(); !known || boot.Sub(time.Unix(at, 0)).Abs() > jitter {
			t.Errorf("started at %v, want %v", boot, time.Unix(at, 0))
		}
		again, err := d.Capture(t.Context(), device.ScopeLive)
		if err != nil || again.BootTime != c.BootTime {
			t.Errorf("the second reading has another start: %v, %v, %v", again.BootTime, c.BootTime, err)
		}
	}
}

// interfaces are those of this machine, in the order of a capture.
func interfaces(t *testing.T) []net.Interface {
	t.Helper()
	own, err := net.Interfaces()
	if err != nil || len(own) == 0 {
		t.Fatal(err)
	}
	slices.SortFunc(own, func(a, b net.Interface) int { return strings.Compare(a.Name, b.Name) })
	return own
}

func TestRefusedByTheAgent(t *testing.T) {
	addr := snmpd(t)
	// A socket that is connected elsewhere keeps its port from everybody, and
	// takes nothing from us.
	closed, err := net.Dial("udp4", "127.0.0.1:9")
	if err != nil {
		t.Fatal(err)
	}
	defer closed.Close()
	with := func(change func(*Config)) Config {
		cfg := v3(addr)
		cfg.Timeout = 30 * time.Second // the agent answers, or the kernel
		change(&cfg)
		return cfg
	}
	for _, c := range []struct {
		name  string
		cfg   Config
		kind  device.Kind
		words string
	}{
		{"user", with(func(c *Config) { c.User = "row" }), device.Denied, `does not know the user "row"`},
		{"authentication secret", with(func(c *Config) { c.AuthSecret += "x" }), device.Denied, "authentication secret or protocol"},
		{"authentication protocol", with(func(c *Config) { c.AuthProtocol = "SHA-1" }), device.Denied, "authentication secret or protocol"},
		{"privacy secret", with(func(c *Config) { c.PrivSecret, c.Timeout = c.PrivSecret+"x", time.Second }), device.Denied, "privacy secret or protocol"},
		{"community", Config{Address: addr, Community: "other", Timeout: 200 * time.Millisecond}, device.Unreachable, "does not know the community"},
		{"sees nothing", Config{Address: addr, Community: "blind"}, device.Denied, "access control (views)"},
		{"port", with(func(c *Config) { c.Address = closed.LocalAddr().String() }), device.Unreachable, "the port is closed"},
		{"name", with(func(c *Config) { c.Address = "mere-agg-1.invalid:161" }), device.Unreachable, "cannot be looked up"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := dial(t, c.cfg).Capture(t.Context(), device.ScopeFull)
			if err == nil || device.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.words) {
				t.Errorf("got %v, want %v with %q", err, c.kind, c.words)
			}
			for _, secret := range []string{authSecret, privSecret} {
				if err != nil && strings.Contains(err.Error(), secret) {
					t.Errorf("a secret is told: %v", err)
				}
			}
		})
	}
}

// TestAgentThatRestarts has the agent restart between two questions of one
// conversation, with the engine that it had and with another: what follows is
// read, and no secret is called wrong. Source: RFC 3414 §2.3 (boots and time
// begin anew), §4 (discovery).
func TestAgentThatRestarts(t *testing.T) {
	_ = snmpd(t) // skips where there is none
	other, err := net.ListenPacket("udp", "127.0.0.7:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := other.LocalAddr().String()
	other.Close()
	for _, same := range []bool{true, false} {
		dir := t.TempDir()
		end := begin(t, addr, dir)
		d := dial(t, v3(addr))
		d.cfg.Timeout = 300 * time.Millisecond
		s, err := d.session(t.Context(), "ask")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.get(sysUpTime); err != nil {
			t.Fatal(err)
		}
		end()
		if !same {
			dir = t.TempDir()
		}
		end = begin(t, addr, dir)
		if got, err := s.get(sysUpTime); err != nil || len(got) != 1 {
			t.Errorf("same engine %v: %v, %v", same, got, err)
		}
		if got, err := s.walk(".1.3.6.1.2.1.2.2.1", 2); err != nil || len(got) == 0 {
			t.Errorf("same engine %v: %d interfaces, %v", same, len(got), err)
		}
		s.end()
		end()
	}
}
