package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/ssh/knownhosts"

	"towpath/internal/device"
	"towpath/internal/device/snmp"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/sshlink/opensshd"
	"towpath/internal/fleet"
)

// TestSSHFromTheFleetFile logs in to OpenSSH through OpenSSH, with what a fleet
// entry says.
func TestSSHFromTheFleetFile(t *testing.T) {
	if why := opensshd.Missing(); why != "" {
		t.Skip("not checked against OpenSSH: " + why)
	}
	dir := t.TempDir()
	var servers [2]*opensshd.Server
	var hosts []string
	for i := range servers {
		s, err := opensshd.Start(t.TempDir(), opensshd.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Stop()
		servers[i] = s
		hosts = append(hosts, knownhosts.Line([]string{s.Address}, s.Host.PublicKey()))
	}
	put := func(name string, content []byte) {
		if err := os.WriteFile(filepath.Join(dir, name), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	key := func(i int) []byte {
		b, err := os.ReadFile(servers[i].KeyFile)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	put("known_hosts", []byte(strings.Join(hosts, "\n")+"\n"))
	put("device.pem", key(0))
	put("hop.pem", key(1))
	put("empty", []byte("\n"))
	put("no-hosts", nil)
	r := wiring{secrets: secretsOf(dir), now: time.Now}
	d := fleet.Device{ID: "mere-agg-1", Access: fleet.Access{Address: servers[0].Address, User: "root", Key: "file:device.pem", KnownHosts: "file:known_hosts",
		Jump: []fleet.JumpHost{{Address: servers[1].Address, User: "root", Key: "file:hop.pem"}}}}
	cfg, err := sshConfig(d, r)
	if err != nil {
		t.Fatal(err)
	}
	c, err := sshlink.Dial(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	session, err := c.NewSession()
	if err != nil {
		t.Fatal(err)
	}
	// The device sees the jump host's connection, and not ours.
	// Source: sshd(8), SSH_CONNECTION.
	out, err := session.Output("echo $SSH_CONNECTION")
	if err != nil || !strings.Contains(string(out), strings.Split(servers[0].Address, ":")[1]) {
		t.Errorf("%q, %v", out, err)
	}
	if cfg.Jump == nil || cfg.Jump.Address != servers[1].Address {
		t.Errorf("jump %+v", cfg.Jump)
	}
	if err := c.Close(); err != nil {
		t.Error(err)
	}

	t.Setenv("SSH_AUTH_SOCK", "")
	for name, c := range map[string]struct {
		change func(*fleet.Access)
		kind   device.Kind
		words  string
	}{
		"no user":       {func(a *fleet.Access) { a.User = "" }, device.Ours, "access.user"},
		"no such file":  {func(a *fleet.Access) { a.Key = "file:none" }, device.Denied, "file:none"},
		"no key":        {func(a *fleet.Access) { a.Key = "file:known_hosts" }, device.Denied, "file:known_hosts: no private key in PEM"},
		"no agent":      {func(a *fleet.Access) { a.Agent = true }, device.Denied, "SSH_AUTH_SOCK"},
		"no jump's key": {func(a *fleet.Access) { a.Jump = []fleet.JumpHost{{Address: "a:22", User: "u", Key: "env:NONE_OF_IT"}} }, device.Denied, "env:NONE_OF_IT"},
	} {
		bad := d
		c.change(&bad.Access)
		_, err := sshConfig(bad, r)
		if device.KindOf(err) != c.kind || err == nil || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %v", name, err)
		}
	}

	// Who begins with an empty file of known hosts is told its first line.
	first := d
	first.Access.KnownHosts, first.Access.Jump = "file:no-hosts", nil
	if cfg, err = sshConfig(first, r); err != nil {
		t.Fatal(err)
	}
	if _, err = sshlink.Dial(t.Context(), cfg); device.KindOf(err) != device.Denied || err == nil || !strings.Contains(err.Error(), hosts[0]) {
		t.Errorf("%v, want the line %s in it", err, hosts[0])
	}

	pw := d
	pw.Access.Password = "file:empty"
	cfg, err = sshConfig(pw, r)
	if err != nil {
		t.Fatal(err)
	}
	if s, err := cfg.Password(); s != "" || err != nil {
		t.Errorf("password %q, %v, want the line end taken off", s, err)
	}
}

func TestCleanedQuestions(t *testing.T) {
	// Source: ECMA-48 §5.4, CSI as ESC [ and as one octet.
	if got := clean("Code\x1b[2J\u009b1m for\r you: "); got != "Code[2J1m for you:" {
		t.Errorf("%q", got)
	}
}

func TestDriversAreThoseOfTheFleetFile(t *testing.T) {
	for _, name := range fleet.Drivers() {
		if drivers()[name] == nil {
			t.Errorf("a fleet file may name the driver %s, and there is none", name)
		}
	}
	if len(drivers()) != len(fleet.Drivers()) {
		t.Errorf("%d drivers, %d may be named", len(drivers()), len(fleet.Drivers()))
	}
}

func TestProtocolsOfSNMPAreThoseOfTheFleetFile(t *testing.T) {
	for _, name := range fleet.SNMPAuthProtocols() {
		if _, ok := snmp.AuthProtocols()[name]; !ok {
			t.Errorf("a fleet file may name %s, and there is none", name)
		}
	}
	for _, name := range fleet.SNMPPrivProtocols() {
		if _, ok := snmp.PrivProtocols()[name]; !ok {
			t.Errorf("a fleet file may name %s, and there is none", name)
		}
	}
	if len(fleet.SNMPAuthProtocols()) != len(snmp.AuthProtocols()) || len(fleet.SNMPPrivProtocols()) != len(snmp.PrivProtocols()) {
		t.Error("the driver has protocols that a fleet file may not name")
	}
}
