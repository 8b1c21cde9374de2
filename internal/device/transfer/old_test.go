package transfer

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"github.com/pkg/sftp"
	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/sshlink/sshpeer"
)

// old is a device whose SFTP takes no messages above a limit; it ends the
// session then, or answers that it failed.
type old struct {
	limit    uint32
	polite   bool
	most     int32 // sessions, where it is not 0
	sessions atomic.Int32
}

func (o *old) serve(t *testing.T) *sshlink.Client {
	t.Helper()
	cfg := sshpeer.Open(t)
	address := sshpeer.Listen(t, func(conn net.Conn) {
		sshpeer.Sessions(conn, cfg, func(nc ssh.NewChannel) {
			if o.most > 0 && o.sessions.Load() >= o.most {
				_ = nc.Reject(ssh.ResourceShortage, "no more sessions")
				return
			}
			ch, rs, err := nc.Accept()
			if err != nil {
				return
			}
			o.sessions.Add(1)
			go func() {
				for r := range rs {
					r.Reply(r.Type == "subsystem", nil)
				}
			}()
			go func() {
				defer ch.Close()
				s, err := sftp.NewServer(&strict{Messages: sshpeer.Messages{From: ch, Take: o.takes(ch)}, WriteCloser: ch})
				if err == nil {
					s.Serve()
				}
			}()
		})
	})
	c, err := sshlink.Dial(t.Context(), sshlink.Config{Address: address, User: "tow", InsecureReason: "test"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// strict is a session of which messages are refused.
type strict struct {
	sshpeer.Messages
	io.WriteCloser
}

var errTooLong = errors.New("message too long")

// takes refuses messages that are too long, and those of which the library's
// server would do what it must not.
func (o *old) takes(answer io.Writer) func([]byte) (bool, error) {
	return func(body []byte) (bool, error) {
		long := len(body) > int(o.limit)
		switch {
		case !long && !taken(body):
			return true, nil
		case long && !o.polite:
			return false, errTooLong
		}
		// SSH_FXP_STATUS with SSH_FX_FAILURE and no text.
		// Source: draft-ietf-secsh-filexfer-02 §7.
		status := append([]byte{0, 0, 0, 17, 101}, body[1:5]...)
		status = append(status, 0, 0, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0)
		_, err := answer.Write(status)
		return false, err
	}
}

// taken says whether a message renames to a name that is taken, which the plain
// renaming must refuse and the library's server does not.
// Source: draft-ietf-secsh-filexfer-02 §6.5, SSH_FXP_RENAME.
func taken(body []byte) bool {
	if len(body) < 9 || body[0] != 18 {
		return false
	}
	from := binary.BigEndian.Uint32(body[5:])
	to := body[9+from+4:]
	_, err := os.Lstat(string(to))
	return err == nil
}

func TestSFTPOfOldDevices(t *testing.T) {
	if err := sftp.SetSFTPExtensions(); err != nil { // none at all
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := sftp.SetSFTPExtensions("hardlink@openssh.com", "posix-rename@openssh.com", "statvfs@openssh.com"); err != nil {
			t.Error(err)
		}
	})
	b := content(3<<20+7, 11)
	for _, polite := range []bool{false, true} {
		t.Run(fmt.Sprintf("polite %v", polite), func(t *testing.T) {
			// Source: draft-ietf-secsh-filexfer-02 §3, every server takes 34000.
			o := &old{limit: 34000, polite: polite}
			c := o.serve(t)
			dir := t.TempDir()
			f := fileOf(filepath.Join(dir, "image"), b)
			if err := os.WriteFile(f.Path, []byte("old"), 0o600); err != nil {
				t.Fatal(err)
			}
			r, err := SFTP(t.Context(), c, f, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if r.Packet != smallPacket || r.Atomic || r.Synced || r.FarSHA256 != f.SHA256 || r.Sent != f.Size {
				t.Errorf("%+v", r)
			}
			if n := o.sessions.Load(); n != 2 {
				t.Errorf("%d sessions, want the one that failed and another", n)
			}
			holds(t, f.Path, b)
			only(t, dir, "image")
		})
	}
}

// A device that goes down lets in no second session, and what is left is told.
func TestSFTPWithoutAnotherSession(t *testing.T) {
	o := &old{limit: 34000, most: 1}
	c := o.serve(t)
	dir := t.TempDir()
	f := fileOf(filepath.Join(dir, "image"), content(3<<20+7, 11))
	r, err := SFTP(t.Context(), c, f, Options{})
	wantFault(t, err, device.Busy, "no more sessions", "a part of it is left as "+f.part())
	if r.Sent >= f.Size {
		t.Errorf("%+v", r)
	}
}
