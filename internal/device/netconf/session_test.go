package netconf_test

import (
	"context"
	"io"
	"strings"
	"testing"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/device/netconf"
	"towpath/internal/element"
)

// channel is the subsystem netconf of a plain SSH connection.
type channel struct {
	io.Reader
	io.WriteCloser
	s *ssh.Session
}

func (c channel) Close() error { return c.s.Close() }

// session is a NETCONF session of its own with the lab's device.
func session(t testing.TB, b *labtest.Bench, o netconf.Options) *netconf.Session {
	t.Helper()
	x, err := client(t, b).NewSession()
	if err != nil {
		t.Fatal(err)
	}
	c := channel{s: x}
	if c.WriteCloser, err = x.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if c.Reader, err = x.StdoutPipe(); err != nil {
		t.Fatal(err)
	}
	if err := x.RequestSubsystem("netconf"); err != nil {
		t.Fatal(err)
	}
	s, err := netconf.Open(context.Background(), c, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func parsed(t testing.TB, text string) *element.Node {
	t.Helper()
	n, err := element.Parse(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// edit changes the candidate.
func edit(t testing.TB, s *netconf.Session, config string) {
	t.Helper()
	if err := s.EditConfig(context.Background(), netconf.Candidate, []*element.Node{parsed(t, config)}, netconf.EditOptions{}); err != nil {
		t.Fatal(err)
	}
}
