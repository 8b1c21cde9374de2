package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// filled is a store with one run and n artefacts; it is still open.
func filled(t *testing.T, dir string, n int) *Store {
	t.Helper()
	s, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	if err := s.Create(t.Context(), Run{ID: "r1", Device: "mere-agg-1", Begun: time.Now(), Input: json.RawMessage(`{}`)}); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		if err := s.SetArtefact(t.Context(), "r1", fmt.Sprintf("capture/%d", i), []byte("state")); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// left are the ways in which a folder may have been left, with 3 artefacts each.
var left = map[string]func(t *testing.T, dir string){
	"closed": func(t *testing.T, dir string) {
		t.Helper()
		if err := filled(t, dir, 3).Close(); err != nil {
			t.Fatal(err)
		}
	},
	// What a power cut leaves: the log holds the last records, or all of them.
	"log without index": func(t *testing.T, dir string) {
		t.Helper()
		cutOff(t, dir, "towpath.db", "towpath.db-wal")
	},
	"log and index": func(t *testing.T, dir string) {
		t.Helper()
		cutOff(t, dir, "towpath.db", "towpath.db-wal", "towpath.db-shm")
	},
	"held open": func(t *testing.T, dir string) {
		t.Helper()
		filled(t, dir, 3)
	},
}

// cutOff copies the files of a store that is open.
func cutOff(t *testing.T, dir string, files ...string) {
	t.Helper()
	from := t.TempDir()
	filled(t, from, 3)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if err := copyFile(filepath.Join(from, f), filepath.Join(dir, f)); err != nil {
			t.Fatal(err)
		}
	}
	if look(logOf(filepath.Join(dir, "towpath.db"))).size == 0 {
		t.Fatal("the log is empty: this is no store that was cut off")
	}
}

// told is what a reader finds, in one line.
func told(ctx context.Context, dir string) (string, error) {
	s, err := OpenReading(dir)
	if err != nil {
		return "", err
	}
	runs, err := s.Runs(ctx)
	if err != nil {
		return "", errors.Join(err, s.Close())
	}
	if len(runs) == 0 {
		return "no run", s.Close()
	}
	names, err := s.Artefacts(ctx, runs[0].ID, "")
	return fmt.Sprintf("%d run, %d artefacts", len(runs), len(names)), errors.Join(err, s.Close())
}

const all = "1 run, 3 artefacts"

// contents are the files of a folder with their sizes.
func contents(t *testing.T, dir string) []string {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, f := range list {
		out = append(out, f.Name())
	}
	if len(out) == 0 {
		t.Fatalf("%s is empty", dir)
	}
	return out
}

func TestReadingAFolderThatCanBeWritten(t *testing.T) {
	for name, leave := range left {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "kept")
			leave(t, dir)
			if got, err := told(t.Context(), dir); err != nil || got != all {
				t.Errorf("found %q, %v, want %q", got, err, all)
			}
			if name == "closed" {
				if got := contents(t, dir); !slices.Equal(got, []string{"towpath.db"}) {
					t.Errorf("after reading the folder has %v, want the database alone", got)
				}
			}
		})
	}
}

// A folder without a database has no runs, and reading makes none; one in which
// the database was only begun has none either.
func TestReadingWhereNothingIsKept(t *testing.T) {
	dir := t.TempDir()
	for range 2 {
		if _, err := OpenReading(dir); !errors.Is(err, ErrNone) {
			t.Errorf("%v, want ErrNone", err)
		}
	}
	if list, err := os.ReadDir(dir); err != nil || len(list) != 0 {
		t.Errorf("reading made %v (%v)", list, err)
	}
	if err := os.WriteFile(filepath.Join(dir, "towpath.db"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenReading(dir); !errors.Is(err, ErrNone) {
		t.Errorf("of an empty file: %v, want ErrNone", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "towpath.db"), []byte(strings.Repeat("no database ", 400)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenReading(dir); err == nil || errors.Is(err, ErrNone) || strings.Count(err.Error(), "\n") > 0 {
		t.Errorf("of a file that is no database: %v, want one error that says so", err)
	}
}

func TestWhatIsReadIsNotWritten(t *testing.T) {
	dir := t.TempDir()
	if err := filled(t, dir, 1).Close(); err != nil {
		t.Fatal(err)
	}
	s, err := OpenReading(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	ctx := t.Context()
	_, conducts := s.Conduct(ctx, "r1", func(context.Context, *Journal) (string, error) { return "accepted", nil })
	for what, err := range map[string]error{
		"create": s.Create(ctx, Run{ID: "r2"}), "verdict": s.SetVerdict(ctx, "r1", "accepted"), "artefact": s.SetArtefact(ctx, "r1", "x", nil),
		"send": s.Send(ctx, "r1", "consent", nil), "conduct": conducts,
	} {
		if !errors.Is(err, ErrReading) {
			t.Errorf("%s: %v, want ErrReading", what, err)
		}
	}
	// The database itself refuses, too.
	if _, err := s.db.Exec(`UPDATE run SET verdict = 'accepted'`); err == nil {
		t.Error("the database was written through a handle to read")
	}
}

// The environment by which this test's program becomes a reader in
// circumstances that a test cannot make for itself.
const (
	readDir = "TOWPATH_TEST_READ"     // folder to read
	readBy  = "TOWPATH_TEST_READ_AS"  // user id to become
	readRO  = "TOWPATH_TEST_READ_ALL" // folder to mount read-only over itself
)

// TestReader is no test of its own: see readerOf.
func TestReader(t *testing.T) {
	dir := os.Getenv(readDir)
	if dir == "" {
		t.Skip("the reader of the tests below, which set " + readDir)
	}
	if all := os.Getenv(readRO); all != "" {
		for _, m := range []struct{ flags uintptr }{{unix.MS_BIND | unix.MS_REC}, {unix.MS_REMOUNT | unix.MS_BIND | unix.MS_RDONLY}} {
			if err := unix.Mount(all, all, "", m.flags, ""); err != nil {
				t.Fatal("mount:", err)
			}
		}
		if err := os.WriteFile(filepath.Join(all, "probe"), nil, 0o600); !errors.Is(err, unix.EROFS) {
			t.Fatalf("%s can be written (%v): nothing would be shown", all, err)
		}
	}
	if os.Getenv(readBy) != "" {
		const nobody = 65534
		if err := errors.Join(syscall.Setgroups(nil), syscall.Setgid(nobody), syscall.Setuid(nobody)); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "probe"), nil, 0o600); err == nil {
			t.Fatalf("%s can be written: nothing would be shown", dir)
		}
	}
	if _, err := Open(dir); !errors.Is(err, unix.EROFS) && !errors.Is(err, unix.EACCES) {
		t.Errorf("opened to be written: %v, want that it cannot be", err)
	}
	got, err := told(t.Context(), dir)
	fmt.Printf("told: %s %v\n", got, err)
}

// readerOf runs TestReader as another process and returns what it told.
func readerOf(t *testing.T, dir, mount string, nobody bool) string {
	t.Helper()
	tmp := t.TempDir()
	if err := os.Chmod(tmp, 0o777); err != nil { //nolint:gosec // for whoever the reader is
		t.Fatal(err)
	}
	c := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestReader$", "-test.v") //nolint:gosec // this program
	c.Env = append(os.Environ(), readDir+"="+dir, "TMPDIR="+tmp, readRO+"="+mount)
	if mount != "" {
		c.SysProcAttr = &syscall.SysProcAttr{Unshareflags: syscall.CLONE_NEWNS}
	}
	if nobody {
		c.Env = append(c.Env, readBy+"=nobody")
	}
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("the reader: %v\n%s", err, out)
	}
	if list, err := os.ReadDir(tmp); err != nil || len(list) > 0 {
		t.Errorf("the reader left %v (%v)", list, err)
	}
	_, after, _ := strings.Cut(string(out), "told: ")
	line, _, _ := strings.Cut(after, "\n")
	return line
}

// On a disk that is mounted read-only, and for a user who may only read, every
// record is found, however the folder was left, by root and by nobody.
func TestReadingWhatCannotBeWritten(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root, to mount and to become another user")
	}
	for name, leave := range left {
		for _, x := range []struct {
			how           string
			mount, nobody bool
		}{{"read-only disk, root", true, false}, {"read-only disk, another user", true, true}, {"own disk, another user", false, true}} {
			t.Run(name+", "+x.how, func(t *testing.T) {
				t.Parallel()
				top := t.TempDir()
				dir := filepath.Join(top, "kept")
				leave(t, dir)
				for _, f := range contents(t, dir) {
					if err := os.Chmod(filepath.Join(dir, f), 0o644); err != nil { //nolint:gosec // as of an operator who lets others read
						t.Fatal(err)
					}
				}
				for _, d := range []string{dir, top, filepath.Dir(top)} {
					if err := os.Chmod(d, 0o755); err != nil { //nolint:gosec // the same
						t.Fatal(err)
					}
				}
				before := contents(t, dir)
				mount := ""
				if x.mount {
					mount = top
				}
				if got := readerOf(t, dir, mount, x.nobody); got != all+" <nil>" {
					t.Errorf("found %q, want %q", got, all)
				}
				if after := contents(t, dir); !slices.Equal(before, after) {
					t.Errorf("after reading the folder has %v, before %v", after, before)
				}
			})
		}
	}
}

// Who may not read the file is told that, and not that there is nothing.
func TestReadingWhatMayNotBeRead(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root, to become another user")
	}
	top := t.TempDir()
	dir := filepath.Join(top, "kept")
	left["closed"](t, dir)
	for _, d := range []string{dir, top, filepath.Dir(top)} {
		if err := os.Chmod(d, 0o755); err != nil { //nolint:gosec // the file alone is not to be read
			t.Fatal(err)
		}
	}
	if got := readerOf(t, dir, "", true); !strings.Contains(got, "permission denied") || !strings.Contains(got, "towpath.db") {
		t.Errorf("told %q, want the file and that it may not be read", got)
	}
}
