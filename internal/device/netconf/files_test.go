package netconf

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"

	"github.com/pkg/sftp"
	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/sshlink/sshpeer"
)

// The messages of SFTP. Source: draft-ietf-secsh-filexfer-02 §3.
const (
	msgNone   = 0 // there is none
	msgInit   = 1
	msgRead   = 5
	msgRemove = 13
)

// fileServer is a device whose SFTP falls silent at a message, though its SSH
// does not; it never ends a session that the client has ended.
func fileServer(t *testing.T, silent byte) func(net.Conn) {
	cfg := sshpeer.Open(t)
	return func(conn net.Conn) {
		sshpeer.Sessions(conn, cfg, func(nc ssh.NewChannel) {
			ch, rs, err := nc.Accept()
			if err != nil {
				return
			}
			go func() {
				for r := range rs {
					_ = r.Reply(r.Type == "subsystem", nil)
				}
			}()
			go func() {
				s, err := sftp.NewServer(endless{ch, &sshpeer.Messages{From: ch, Take: func(body []byte) (bool, error) {
					return body[0] != silent, nil
				}}})
				if err == nil {
					_ = s.Serve() // until the client ends it
				}
			}()
		})
	}
}

// endless is a session that its server does not end.
type endless struct {
	io.Writer
	io.Reader
}

// Close implements io.Closer.
func (endless) Close() error { return nil }

// TestSilentFileService has the operations on files meet a device whose SFTP
// falls silent while it still answers that it is there, with a caller who sets
// no time: under a clock that runs when nothing else can happen, none of them
// waits for ever.
func TestSilentFileService(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "image")
	if err := os.WriteFile(name, []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	remove := func(ctx context.Context, link *sshlink.Client) error { return removeFile(ctx, link, "remove", name) }
	ask := func(ctx context.Context, link *sshlink.Client) error {
		yes, err := hasSFTP(ctx, link, "abilities")
		if yes != (err == nil) {
			t.Errorf("yes %v with %v", yes, err)
		}
		return err
	}
	read := func(ctx context.Context, link *sshlink.Client) error {
		_, err := hashFile(ctx, link, "hash", name)
		return err
	}
	for _, c := range []struct {
		name   string
		silent byte
		ask    func(context.Context, *sshlink.Client) error
		want   string // empty: it succeeds
		kind   device.Kind
	}{
		{"greeting", msgInit, ask, "abilities: unreachable: the device answered nothing for 2m0s when it was to open an SFTP session; the connection to mere-agg-1:22 was closed", device.Unreachable},
		{"reading", msgRead, read, "hash: outcome unknown: the device answered nothing for 2m0s when it was to send " + name + "; the connection to mere-agg-1:22 was closed", device.OutcomeUnknown},
		{"removing", msgRemove, remove, "remove: outcome unknown: the device answered nothing for 2m0s when it was to remove " + name + "; the connection to mere-agg-1:22 was closed", device.OutcomeUnknown},
		{"nowhere", msgNone, remove, "", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				link, err := sshlink.Dial(t.Context(), sshlink.Config{Address: "mere-agg-1:22", User: "tow", InsecureReason: "test", Dial: sshpeer.Pipe(fileServer(t, c.silent))})
				if err != nil {
					t.Fatal(err)
				}
				defer link.Close()
				err = c.ask(t.Context(), link)
				if c.want == "" {
					if err != nil {
						t.Error(err)
					}
					return
				}
				var f *device.Fault
				if !errors.As(err, &f) || f.Kind != c.kind || err.Error() != c.want {
					t.Errorf("got  %v\nwant %s", err, c.want)
				}
				<-link.Done()
			})
		})
	}
}
