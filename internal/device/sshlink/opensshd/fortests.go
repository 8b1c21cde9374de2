package opensshd

import (
	"os"
	"os/exec"
	"testing"
)

// Run starts a server for a test, which ends with it; where none can be run the
// test is skipped and says why. A test that fails shows what the server wrote.
func Run(t testing.TB, o Options) *Server {
	t.Helper()
	if why := Missing(); why != "" {
		t.Skip("not checked against OpenSSH: " + why)
	}
	s, err := Start(t.TempDir(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Stop(); err != nil {
			t.Error(err)
		}
		if t.Failed() {
			t.Log(s.Log())
		}
	})
	return s
}

// Disk mounts a file system in memory over a folder until the test ends, with
// the options of mount(8), such as a size; where that cannot be done the test is
// skipped and says why.
func Disk(t testing.TB, dir, options string) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("not checked: mounting needs root")
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", options, "tmpfs", dir).CombinedOutput(); err != nil { // #nosec G204 -- a test's own words
		t.Skipf("not checked: no file system can be mounted here: %v: %s", err, out)
	}
	t.Cleanup(func() {
		// Lazily: a program of the server that is about to end may hold it still.
		if out, err := exec.Command("umount", "--lazy", dir).CombinedOutput(); err != nil { // #nosec G204 -- likewise
			t.Errorf("%v: %s", err, out)
		}
	})
}
