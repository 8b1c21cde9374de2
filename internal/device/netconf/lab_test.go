package netconf_test

import (
	"context"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/device/netconf"
	"towpath/internal/device/sshlink"
	"towpath/internal/lab"
)

// link is how the device is reached.
func link(t testing.TB, b *labtest.Bench) sshlink.Config {
	t.Helper()
	key, err := b.Lab.PKI().SSHSigner()
	if err != nil {
		t.Fatal(err)
	}
	addr, hosts := b.Chassis.NETCONFAddress()
	return sshlink.Config{Address: addr, User: lab.SSHUser, KnownHosts: hosts, Signers: []ssh.Signer{key}}
}

func dial(t testing.TB, b *labtest.Bench, change func(*netconf.Config)) *netconf.Driver {
	t.Helper()
	cfg := netconf.Config{Device: string(b.Chassis.ID()), SSH: link(t, b), Now: b.Lab.Clock().Now}
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

// client is a plain SSH connection, as any other client would make it.
func client(t testing.TB, b *labtest.Bench) *ssh.Client {
	t.Helper()
	l, err := sshlink.Dial(context.Background(), link(t, b))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l.Client
}

// TestLab runs the suite against the emulated chassis.
func TestLab(t *testing.T) {
	labtest.Exercise(t, labtest.HostKey, func(t testing.TB, b *labtest.Bench, w labtest.Way) device.Device {
		return dial(t, b, func(c *netconf.Config) { w.Turn(&c.SSH.Address, &c.SSH.KnownHosts) })
	})
}

// TestWatchTellsOfAnotherSessionsCommit has the change made over NETCONF too;
// the suite has it made over gNMI.
func TestWatchTellsOfAnotherSessionsCommit(t *testing.T) {
	b := labtest.Start(t, labtest.Config(true), 1)
	d := dial(t, b, nil)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	synced, told := false, false
	err := d.Watch(ctx, func(e device.Event) {
		switch {
		case e.Kind == device.EventSynced:
			synced = true
			s := session(t, b, netconf.Options{})
			edit(t, s, `<system xmlns="http://openconfig.net/yang/system"><config><login-banner>Lock under repair.</login-banner></config></system>`)
			if err := s.Commit(context.Background()); err != nil {
				t.Error(err)
			}
		case synced && e.Kind == device.EventConfiguration && e.Object == "digest":
			told = true
			cancel()
		}
	})
	if !told {
		t.Errorf("nothing was told of the commit (synced %v): %v", synced, err)
	}
}
