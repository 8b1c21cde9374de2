package netconf_test

import (
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/netconf"
	"towpath/internal/element"
)

// pipes are the ends of a process that speaks NETCONF.
type pipes struct {
	io.Reader
	io.WriteCloser
	cmd *exec.Cmd
}

// Close ends the process.
func (p pipes) Close() error {
	_ = p.WriteCloser.Close() // it is ended anyhow
	_ = p.cmd.Process.Kill()
	_ = p.cmd.Wait() // its status is that of the kill
	return nil
}

// netconfd starts a server that nobody here wrote and returns what opens sessions
// with it, by its own subsystem, which OpenSSH would start.
func netconfd(t *testing.T) func(netconf.Options) *netconf.Session {
	t.Helper()
	const server, subsystem = "/usr/sbin/netconfd", "/usr/sbin/netconf-subsystem"
	if _, err := os.Stat(server); err != nil {
		t.Skipf("not checked against a NETCONF server of others (Debian: netconfd): %v", err)
	}
	if os.Geteuid() != 0 {
		t.Skip("not checked against a NETCONF server of others: netconfd wants root")
	}
	dir := t.TempDir()
	sock := filepath.Join(dir, "sock")
	log, err := os.Create(filepath.Join(dir, "log"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(server, "--no-startup", "--superuser=root", "--access-control=off", "--target=candidate", "--port=830", "--ncxserver-sockname="+sock,
		"--module=ietf-system", "--module=ietf-interfaces", "--module=iana-if-type")
	cmd.Env, cmd.Dir = append(os.Environ(), "HOME="+dir), dir // it writes where it stands
	cmd.Stdout, cmd.Stderr = log, log
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // its status is that of the kill
		_ = log.Close()
		if b, err := os.ReadFile(log.Name()); err == nil && t.Failed() {
			t.Logf("%s", b)
		}
	})
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if _, err := os.Stat(sock); err == nil {
			break
		}
		if time.Now().After(end) {
			t.Fatal("the server makes no socket")
		}
	}
	return func(o netconf.Options) *netconf.Session {
		t.Helper()
		c := exec.Command(subsystem, "--ncxserver-sockname=830@"+sock)
		c.Env = append(os.Environ(), "SSH_CONNECTION=127.0.0.1 40000 127.0.0.1 830", "USER=root", "HOME="+dir)
		c.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
		p := pipes{cmd: c}
		var err error
		if p.WriteCloser, err = c.StdinPipe(); err != nil {
			t.Fatal(err)
		}
		if p.Reader, err = c.StdoutPipe(); err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		s, err := netconf.Open(ctx, p, o)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = s.Close() })
		return s
	}
}

const systemSpace = "urn:ietf:params:xml:ns:yang:ietf-system"

// hostname is what the running configuration has.
func hostname(t *testing.T, s *netconf.Session) string {
	t.Helper()
	data, err := s.GetConfig(context.Background(), netconf.Running, []*element.Node{element.New(systemSpace, "system")})
	if err != nil {
		t.Fatal(err)
	}
	return data.In(systemSpace, "system").Kid("hostname").Value()
}

// TestAgainstAnotherServer has our sessions speak with Debian's netconfd: hellos
// and both framings (RFC 6242 §4), locks (RFC 6241 §7.5), validate (§8.6), confirmed
// commits of every kind (§8.4), errors (§4.3) and notifications (RFC 5277).
func TestAgainstAnotherServer(t *testing.T) {
	ctx := context.Background()
	open := netconfd(t)
	named := func(s *netconf.Session, name string) {
		t.Helper()
		edit(t, s, `<system xmlns="`+systemSpace+`"><hostname>`+name+`</hostname></system>`)
	}
	must := func(what string, err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	for _, o := range []netconf.Options{{}, {Only10: true}} {
		s, other := open(o), open(o)
		told := make(chan string, 256)
		must("subscribe", open(o).Subscribe(ctx, "", nil, func(n *element.Node) { told <- n.String() }))
		heard := func(what string) {
			t.Helper()
			for late := time.After(20 * time.Second); ; {
				select {
				case n := <-told:
					if strings.Contains(n, what) {
						return
					}
				case <-late:
					t.Fatalf("%s is not told", what)
				}
			}
		}
		if !s.Capabilities().Has(netconf.CapBase11) || !s.Capabilities().Has(netconf.CapCandidate) || s.ID() == other.ID() {
			t.Fatalf("sessions %d and %d, capabilities %v", s.ID(), other.ID(), s.Capabilities())
		}
		for _, store := range []netconf.Datastore{netconf.Running, netconf.Candidate} {
			must("lock", s.Lock(ctx, store))
			if err := other.Lock(ctx, store); device.KindOf(err) != device.Busy {
				t.Errorf("a lock that is held: %v, want %s", err, device.Busy)
			}
		}
		named(s, "mere-agg-9")
		must("commit", s.Commit(ctx))
		if got := hostname(t, other); got != "mere-agg-9" {
			t.Errorf("after a commit: %q", got)
		}
		err := s.EditConfig(ctx, netconf.Candidate, []*element.Node{element.New(systemSpace, "system", element.New(systemSpace, "weather"))}, netconf.EditOptions{})
		var e *netconf.RPCError
		if !errors.As(err, &e) || e.Tag != "unknown-element" {
			t.Errorf("an element that is none: %v, want unknown-element", err)
		}
		must("discard", s.Discard(ctx))
		// After a validate this server's next commit does nothing, and says that it
		// was done; other clients see the same.
		named(s, "mere-checked")
		must("validate", s.Validate(ctx, netconf.Candidate))
		must("discard", s.Discard(ctx))
		for _, store := range []netconf.Datastore{netconf.Candidate, netconf.Running} {
			must("unlock", s.Unlock(ctx, store))
		}

		named(s, "mere-trial")
		must("confirmed commit", s.CommitConfirmed(ctx, 2*time.Second, ""))
		if got := hostname(t, other); got != "mere-trial" {
			t.Errorf("after a confirmed commit: %q", got)
		}
		heard("<confirm-event>timeout</confirm-event>") // RFC 6470 §2.2
		if got := hostname(t, other); got != "mere-agg-9" {
			t.Errorf("after a confirmed commit that nobody confirmed: %q", got)
		}
		if !o.Only10 { // this server takes no persist id from a session of base:1.0
			named(s, "mere-kept")
			must("confirmed commit with a persist id", s.CommitConfirmed(ctx, time.Hour, "kept"))
			if err := other.Confirm(ctx, "lost"); err == nil {
				t.Error("it is confirmed with the id of another")
			}
			must("confirm from another session", other.Confirm(ctx, "kept"))
			if got := hostname(t, other); got != "mere-kept" {
				t.Errorf("after confirming: %q", got)
			}
			named(s, "mere-trial")
			must("confirmed commit with a persist id", s.CommitConfirmed(ctx, time.Hour, "again"))
			must("cancel from another session", other.CancelCommit(ctx, "again"))
			if got := hostname(t, other); got != "mere-kept" {
				t.Errorf("after cancelling: %q", got)
			}

		}
		named(s, "mere-told")
		must("commit", s.Commit(ctx))
		heard("netconf-config-change")
		must("kill", s.Kill(ctx, other.ID()))
		select {
		case <-other.Done():
		case <-time.After(15 * time.Second):
			t.Error("a session that was killed lives on")
		}
	}
}
