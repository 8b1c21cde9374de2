package commandline_test

import (
	"context"
	"io"
	"testing"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/adapter"
	"towpath/internal/device/commandline"
	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/device/dialogue"
	"towpath/internal/device/sshlink"
	"towpath/internal/lab"
)

func open(t *testing.T, cfg lab.Config) (*labtest.Bench, *commandline.Driver) {
	t.Helper()
	b := labtest.Start(t, cfg, labtest.Rate)
	return b, dial(t, b, nil)
}

func dial(t testing.TB, b *labtest.Bench, change func(*commandline.Config)) *commandline.Driver {
	t.Helper()
	ad, err := adapter.Builtin("alder-9")
	if err != nil {
		t.Fatal(err)
	}
	key, err := ssh.ParsePrivateKey(b.Lab.PKI().ClientKey)
	if err != nil {
		t.Fatal(err)
	}
	cfg := commandline.Config{
		Device: string(b.Chassis.ID()), Adapter: ad, Now: b.Lab.Clock().Now, Transcript: dialogue.NewTranscript(io.Discard),
		SSH: sshlink.Config{Address: b.Chassis.ShellAddress(), User: lab.ShellUser, KnownHosts: []byte(b.Chassis.ShellKnownHosts()), Signers: []ssh.Signer{key}},
	}
	if change != nil {
		change(&cfg)
	}
	d, err := commandline.Dial(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestLab runs the suite against the emulated chassis.
func TestLab(t *testing.T) {
	labtest.Exercise(t, labtest.HostKey, func(t testing.TB, b *labtest.Bench, w labtest.Way) device.Device {
		return dial(t, b, func(c *commandline.Config) { w.Turn(&c.SSH.Address, &c.SSH.KnownHosts) })
	})
}
