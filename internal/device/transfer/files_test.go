package transfer

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/pkg/sftp"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/sshlink/opensshd"
)

// TestFiles uses a session with OpenSSH's server, and one that it does not offer.
func TestFiles(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{})
	c := dial(t, s, "")
	name := filepath.Join(t.TempDir(), "image")
	if err := os.WriteFile(name, []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, want := range []error{nil, os.ErrNotExist} {
		err := Files(t.Context(), c, "remove", "remove "+name, func(c *sftp.Client) error { return c.Remove(name) })
		if !errors.Is(err, want) {
			t.Errorf("got %v, want %v", err, want)
		}
	}
	only(t, filepath.Dir(name))
	without := dial(t, opensshd.Run(t, opensshd.Options{Lines: []string{"Subsystem none /bin/false"}}), "")
	err := Files(t.Context(), without, "remove", "remove it", func(*sftp.Client) error { return errors.New("never") })
	wantFault(t, err, device.Unable, "remove: not able: the device offers no SFTP")
}

// TestFilesStalled meets devices that fall silent at each stage.
func TestFilesStalled(t *testing.T) {
	for _, stage := range []struct {
		name  string
		at    silence
		kind  device.Kind
		words string // empty: it is done, and nobody waits
	}{
		{"before the session", silence{message: msgSubsystem}, device.Unreachable, "when it was to open an SFTP session"},
		{"greeting", silence{message: msgInit}, device.Unreachable, "when it was to open an SFTP session"},
		{"removal", silence{message: msgRemove}, device.OutcomeUnknown, "when it was to remove FILE"},
		{"removal, done", silence{message: msgRemove, done: true}, device.OutcomeUnknown, "when it was to remove FILE"},
		{"end", silence{message: msgEnd}, device.Ours, ""},
	} {
		for _, whole := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, whole device %v", stage.name, whole), func(t *testing.T) {
				s := &staller{silence: stage.at, whole: whole}
				s.start(t)
				name := filepath.Join(t.TempDir(), "image")
				if err := os.WriteFile(name, []byte("old"), 0o600); err != nil {
					t.Fatal(err)
				}
				remove := func(ctx context.Context, c *sshlink.Client, f File, o Options) (Result, error) {
					return Result{}, files(ctx, c, "remove", "remove FILE", o, func(c *sftp.Client) error { return c.Remove(f.Path) })
				}
				c, _, err := s.against(t, remove, File{Path: name}, Options{})
				if stage.words == "" {
					if err != nil {
						t.Error(err)
					}
					only(t, filepath.Dir(name))
					select {
					case <-c.Done():
						t.Error("the connection was closed, and the driver may need it")
					default:
					}
					return
				}
				wantFault(t, err, stage.kind, "remove: ", "the device answered nothing for 2m0s "+stage.words+"; the connection to "+s.address+" was closed")
				<-c.Done() // or it waits until the test's end
			})
		}
	}
}

// TestFilesGivenUp has the caller give up while the device is silent: where its
// SSH still answers the connection stays.
func TestFilesGivenUp(t *testing.T) {
	for _, whole := range []bool{false, true} {
		s := &staller{silence: silence{message: msgRemove}, whole: whole}
		s.start(t)
		ctx, cancel := context.WithCancelCause(t.Context())
		c, err := s.dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		h := newHand()
		ended := make(chan error, 1)
		go func() {
			ended <- files(ctx, c, "remove", "remove FILE", Options{after: h.after}, func(c *sftp.Client) error { return c.Remove("/none") })
		}()
		<-s.stalled
		cancel(io.ErrShortBuffer)
		if whole {
			<-h.grace
			h.fire()
		}
		err = <-ended
		if err == nil {
			t.Error("it claims to be done")
		}
		if whole {
			<-c.Done()
		} else if _, err := c.NewSession(); err != nil {
			t.Errorf("the connection is gone: %v", err)
		}
	}
}
