package transfer

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/sshlink/opensshd"
	"towpath/internal/device/sshlink/sshpeer"
)

// TestMain puts the tests' files into memory, where there is such a place: the
// transfers wait for the medium.
func TestMain(m *testing.M) {
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		os.Setenv("TMPDIR", "/dev/shm")
	}
	os.Exit(m.Run())
}

// dial connects, through a proxy where address is given.
func dial(t *testing.T, s *opensshd.Server, address string) *sshlink.Client {
	t.Helper()
	c, err := sshlink.Dial(t.Context(), config(s, address))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func config(s *opensshd.Server, address string) sshlink.Config {
	cfg := sshlink.Config{Address: s.Address, User: s.User, Signers: []ssh.Signer{s.Signer}, KnownHosts: s.KnownHosts}
	if address != "" {
		cfg.Dial = func(ctx context.Context, network, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, network, address)
		}
	}
	return cfg
}

// content is a file of n octets that compress badly.
func content(n int, seed uint64) []byte {
	b := make([]byte, n)
	r := rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8)})
	r.Read(b)
	return b
}

func fileOf(path string, b []byte) File {
	sum := sha256.Sum256(b)
	return File{Path: path, Size: int64(len(b)), SHA256: hex.EncodeToString(sum[:]),
		Content: func(offset int64) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(b[offset:])), nil }}
}

// hooked calls f with the offset before each read.
func hooked(file File, f func(offset int64)) File {
	open := file.Content
	file.Content = func(offset int64) (io.ReadCloser, error) {
		r, err := open(offset)
		return &hook{r, offset, f}, err
	}
	return file
}

type hook struct {
	io.ReadCloser
	offset int64
	f      func(int64)
}

func (h *hook) Read(b []byte) (int, error) {
	h.f(h.offset)
	n, err := h.ReadCloser.Read(b)
	h.offset += int64(n)
	return n, err
}

// sha256sum is a platform's command for a hash: coreutils, over SSH.
func sha256sum(c *sshlink.Client) func(context.Context, string) (string, error) {
	return func(_ context.Context, name string) (string, error) {
		s, err := c.NewSession()
		if err != nil {
			return "", err
		}
		defer s.Close()
		out, err := s.Output("sha256sum " + quote(name))
		if err != nil {
			return "", err
		}
		return string(out[:64]), nil
	}
}

// commands are a platform's commands: coreutils, over SSH.
func commands(c *sshlink.Client) Far {
	run := func(command string) error {
		s, err := c.NewSession()
		if err != nil {
			return err
		}
		defer s.Close()
		out, err := s.CombinedOutput(command)
		if err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		return nil
	}
	return Far{
		Hash: sha256sum(c),
		Rename: func(_ context.Context, from, to string) error {
			return run("mv -f " + quote(from) + " " + quote(to))
		},
		Remove: func(_ context.Context, name string) error { return run("rm -f " + quote(name)) },
	}
}

func wantFault(t *testing.T, err error, kind device.Kind, words ...string) {
	t.Helper()
	var f *device.Fault
	if !errors.As(err, &f) {
		t.Fatalf("got %v, want a Fault", err)
	}
	if f.Kind != kind {
		t.Errorf("kind %v, want %v: %v", f.Kind, kind, err)
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("the text lacks %q: %v", w, err)
		}
	}
}

// only checks that a folder holds these names and nothing else.
func only(t *testing.T, dir string, names ...string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	if strings.Join(got, " ") != strings.Join(names, " ") {
		t.Errorf("%s holds %q, want %q", dir, got, names)
	}
}

// unnamed checks that an error names nothing as left.
func unnamed(t *testing.T, err error) {
	t.Helper()
	for _, w := range []string{"left as", "kept as"} {
		if strings.Contains(err.Error(), w) {
			t.Errorf("something is said to stay: %v", err)
		}
	}
}

func holds(t *testing.T, name string, want []byte) {
	t.Helper()
	got, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s holds %d octets that differ from the %d wanted", name, len(got), len(want))
	}
}

func TestSFTP(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{})
	c := dial(t, s, "")
	for _, n := range []int{0, 1, smallPacket, largePacket, largePacket + 1, 5<<20 + 12345} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			dir := t.TempDir()
			b := content(n, 1)
			f := fileOf(filepath.Join(dir, "alder-9-4.3.1.img"), b)
			f.Mode = 0o640
			last := device.Progress{Sent: -1}
			r, err := SFTP(t.Context(), c, f, Options{Progress: func(p device.Progress) {
				if p.Sent < last.Sent || p.Total != f.Size {
					t.Errorf("progress %+v after %+v", p, last)
				}
				last = p
			}})
			if err != nil {
				t.Fatal(err)
			}
			holds(t, f.Path, b)
			only(t, dir, "alder-9-4.3.1.img")
			if st, err := os.Stat(f.Path); err != nil || st.Mode().Perm() != 0o640 {
				t.Errorf("mode %v, %v", st.Mode(), err)
			}
			r.Sending, r.Verifying = 0, 0
			want := Result{Sent: f.Size, SHA256: f.SHA256, FarSHA256: f.SHA256, FarBy: "read back", Atomic: true, Synced: true, Packet: largePacket}
			if r != want || last.Sent != f.Size {
				t.Errorf("got %+v (progress to %d)\nwant %+v", r, last.Sent, want)
			}
			// Again: it is there.
			r, err = SFTP(t.Context(), c, f, Options{Far: disk()})
			if err != nil || !r.AlreadyThere || r.Sent != 0 || r.FarBy != "command" {
				t.Errorf("second time: %+v, %v", r, err)
			}
			// Another content of the same size replaces it.
			if n > 0 {
				b2 := content(n, 2)
				r, err = SFTP(t.Context(), c, fileOf(f.Path, b2), Options{Far: Far{Hash: sha256sum(c)}})
				if err != nil || r.AlreadyThere || r.FarBy != "command" {
					t.Errorf("replaced: %+v, %v", r, err)
				}
				holds(t, f.Path, b2)
			}
		})
	}
}

// cut is a proxy that breaks its connections after 6 MiB to the server.
func cut(t *testing.T, s *opensshd.Server) string {
	t.Helper()
	return sshpeer.Cut{Up: 6 << 20}.Before(t, s.Address)
}

func TestSFTPDropped(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{})
	b := content(12<<20, 3)

	t.Run("nothing stays", func(t *testing.T) {
		dir := t.TempDir()
		f := fileOf(filepath.Join(dir, "image"), b)
		_, err := SFTP(t.Context(), dial(t, s, cut(t, s)), f, Options{
			Reconnect: func(ctx context.Context) (*sshlink.Client, error) { return sshlink.Dial(ctx, config(s, "")) },
		})
		wantFault(t, err, device.Unreachable, "transfer to ", "connection", "octets were sent; it can be sent again")
		unnamed(t, err)
		only(t, dir)
	})
	t.Run("an earlier file of the name stays as it was", func(t *testing.T) {
		dir := t.TempDir()
		f := fileOf(filepath.Join(dir, "image"), b)
		for _, send := range []func(context.Context, *sshlink.Client, File, Options) (Result, error){SFTP, SCP} {
			if err := os.WriteFile(f.Path, b[:77], 0o600); err != nil {
				t.Fatal(err)
			}
			r, err := send(t.Context(), dial(t, s, cut(t, s)), f, Options{
				Far:       disk(),
				Reconnect: func(ctx context.Context) (*sshlink.Client, error) { return sshlink.Dial(ctx, config(s, "")) },
			})
			wantFault(t, err, device.Unreachable, "connection")
			unnamed(t, err)
			if r.FarSHA256 != "" || r.SHA256 != "" || r.Sent >= f.Size {
				t.Errorf("what was not sent is claimed: %+v", r)
			}
			only(t, dir, "image")
			holds(t, f.Path, b[:77])
		}
	})
	t.Run("what stays is named and removed by the next", func(t *testing.T) {
		dir := t.TempDir()
		f := fileOf(filepath.Join(dir, "image"), b)
		_, err := SFTP(t.Context(), dial(t, s, cut(t, s)), f, Options{})
		wantFault(t, err, device.Unreachable, "left as "+f.part())
		only(t, dir, filepath.Base(f.part()))
		r, err := SFTP(t.Context(), dial(t, s, ""), f, Options{})
		if err != nil || r.Offset != 0 || r.Sent != f.Size {
			t.Errorf("%+v, %v", r, err)
		}
		only(t, dir, "image")
	})
	for _, far := range []bool{false, true} {
		t.Run(fmt.Sprintf("taken up, far hash %v", far), func(t *testing.T) {
			dir := t.TempDir()
			f := fileOf(filepath.Join(dir, "image"), b)
			_, err := SFTP(t.Context(), dial(t, s, cut(t, s)), f, Options{Keep: true})
			wantFault(t, err, device.Unreachable, "kept as "+f.part())
			only(t, dir, filepath.Base(f.part()))
			c := dial(t, s, "")
			o := Options{Keep: true}
			if far {
				o.Far.Hash = sha256sum(c)
			}
			r, err := SFTP(t.Context(), c, f, o)
			if err != nil {
				t.Fatal(err)
			}
			// Of 6 MiB on the wire at most 4 MiB and a bit may have been lost on the
			// way.
			if r.Offset < 1<<20 || r.Offset > 6<<20 || r.Offset+r.Sent != f.Size || r.SHA256 != f.SHA256 {
				t.Errorf("%+v", r)
			}
			holds(t, f.Path, b)
			only(t, dir, "image")
		})
	}
	for _, wrong := range []int{1, 2} {
		t.Run(fmt.Sprintf("far hash wrong %d times", wrong), func(t *testing.T) {
			// The first is found while the device writes to its medium, and may
			// be of what is not whole yet; the second counts.
			dir := t.TempDir()
			f := fileOf(filepath.Join(dir, "image"), b)
			c := dial(t, s, "")
			asked := 0
			r, err := SFTP(t.Context(), c, f, Options{Far: Far{Hash: func(ctx context.Context, name string) (string, error) {
				if asked++; asked <= wrong {
					return strings.Repeat("a", 64), nil
				}
				return sha256sum(c)(ctx, name)
			}}})
			if asked != 2 {
				t.Errorf("asked %d times, want 2", asked)
			}
			if wrong > 1 {
				wantFault(t, err, device.Damaged, strings.Repeat("a", 64))
				only(t, dir)
				return
			}
			if err != nil || r.FarBy != "command" || r.FarSHA256 != f.SHA256 || !r.Synced {
				t.Errorf("%+v, %v", r, err)
			}
			holds(t, f.Path, b)
			only(t, dir, "image")
		})
	}
	t.Run("a part that is not its beginning", func(t *testing.T) {
		dir := t.TempDir()
		f := fileOf(filepath.Join(dir, "image"), b)
		bad := bytes.Clone(b[:3<<20])
		bad[2<<20+17] ^= 1
		if err := os.WriteFile(f.part(), bad, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := SFTP(t.Context(), dial(t, s, ""), f, Options{Keep: true})
		if err != nil {
			t.Fatal(err)
		}
		if r.Offset != 2<<20+17 || r.Offset+r.Sent != f.Size {
			t.Errorf("%+v, want to go on at the octet that differs", r)
		}
		holds(t, f.Path, b)
	})
	t.Run("a part that is longer", func(t *testing.T) {
		dir := t.TempDir()
		f := fileOf(filepath.Join(dir, "image"), b[:1<<20])
		if err := os.WriteFile(f.part(), b[:2<<20], 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := SFTP(t.Context(), dial(t, s, ""), f, Options{Keep: true})
		if err != nil || r.Offset != 1<<20 || r.Sent != 0 {
			t.Errorf("%+v, %v", r, err)
		}
		holds(t, f.Path, b[:1<<20])
	})
	t.Run("the device's own process dies", func(t *testing.T) {
		dir := t.TempDir()
		c := dial(t, s, "")
		pids, err := s.Sessions()
		if err != nil || len(pids) == 0 {
			t.Fatal(pids, err)
		}
		var once sync.Once
		f := hooked(fileOf(filepath.Join(dir, "image"), b), func(offset int64) {
			if offset > 4<<20 {
				once.Do(func() {
					for _, pid := range pids { // those that this test's server made
						if err := syscall.Kill(pid, syscall.SIGKILL); err != nil && !errors.Is(err, syscall.ESRCH) {
							t.Error(err)
						}
					}
				})
			}
		})
		_, err = SFTP(t.Context(), c, f, Options{})
		wantFault(t, err, device.Unreachable, "connection", "left as "+f.part())
		only(t, dir, filepath.Base(f.part()))
	})
}

func TestEnded(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{})
	c := dial(t, s, "")
	b := content(16<<20, 4)
	for _, scp := range []bool{false, true} {
		for _, keep := range []bool{false, true} {
			if scp && keep {
				continue
			}
			t.Run(fmt.Sprintf("scp %v, keep %v", scp, keep), func(t *testing.T) {
				dir := t.TempDir()
				ctx, cancel := context.WithCancelCause(t.Context())
				f := hooked(fileOf(filepath.Join(dir, "image"), b), func(offset int64) {
					if offset > 8<<20 {
						cancel(errors.New("the window ends"))
					}
				})
				send := SFTP
				o := Options{Keep: keep}
				if scp {
					send, o.Far = SCP, disk()
				}
				_, err := send(ctx, c, f, o)
				wantFault(t, err, device.Unreachable, "the window ends")
				if keep {
					only(t, dir, filepath.Base(f.part()))
					st, err := os.Stat(f.part())
					if err != nil || !bytes.Equal(must(os.ReadFile(f.part())), b[:st.Size()]) || st.Size() == 0 {
						t.Errorf("what is kept is not the beginning: %v, %v", st, err)
					}
				} else {
					only(t, dir)
				}
			})
		}
	}
}

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}

func TestOurOwnFile(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{})
	c := dial(t, s, "")
	b := content(3<<20, 5)
	good := fileOf("", b)
	for _, c2 := range []struct {
		name  string
		bad   func(*File)
		kind  device.Kind
		words string
	}{
		{"another content", func(f *File) { f.SHA256 = strings.Repeat("0", 64) }, device.Damaged, good.SHA256},
		{"shorter", func(f *File) { f.Size++ }, device.Damaged, "has 3145728 octets, want 3145729"},
		{"longer", func(f *File) { f.Size -= 10 }, device.Damaged, "has more than the 3145718"},
		{"cannot be opened", func(f *File) {
			f.Content = func(int64) (io.ReadCloser, error) { return nil, os.ErrPermission }
		}, device.Ours, os.ErrPermission.Error()},
		{"breaks", func(f *File) {
			f.Content = func(int64) (io.ReadCloser, error) {
				return io.NopCloser(io.MultiReader(bytes.NewReader(b[:2<<20]), broken{})), nil
			}
		}, device.Ours, io.ErrNoProgress.Error()},
		{"relative", func(f *File) { f.Path = "image" }, device.Ours, `"image"`},
		{"dots", func(f *File) { f.Path = "/flash/../image" }, device.Ours, "/flash/../image"},
		{"line end", func(f *File) { f.Path = "/flash/a\nb" }, device.Ours, "control"},
		{"digest", func(f *File) { f.SHA256 = "ABC" }, device.Ours, "ABC"},
		{"no folder", func(f *File) { f.Path = filepath.Join(filepath.Dir(f.Path), "none", "image") }, device.Missing, ""},
		{"a folder", func(f *File) { f.Path = filepath.Dir(f.Path) }, device.Refused, ""},
	} {
		for _, scp := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, scp %v", c2.name, scp), func(t *testing.T) {
				dir := t.TempDir()
				f := good
				f.Path = filepath.Join(dir, "image")
				c2.bad(&f)
				var err error
				if scp {
					if c2.name == "a folder" {
						t.Skip("the copy protocol would copy into it")
					}
					_, err = SCP(t.Context(), c, f, Options{Far: disk()})
				} else {
					_, err = SFTP(t.Context(), c, f, Options{Keep: true})
				}
				wantFault(t, err, c2.kind, c2.words)
				if c2.name != "breaks" || scp {
					only(t, dir)
				}
			})
		}
	}
}

type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, io.ErrNoProgress }

// mounted is a small file system of the test's own.
func mounted(t *testing.T, size string) string {
	t.Helper()
	dir := t.TempDir()
	opensshd.Disk(t, dir, "size="+size)
	return dir
}

func TestFullDisk(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{})
	c := dial(t, s, "")
	b := content(12<<20, 6)
	t.Run("known before", func(t *testing.T) {
		dir := mounted(t, "8m")
		_, err := SFTP(t.Context(), c, fileOf(filepath.Join(dir, "image"), b), Options{Keep: true})
		wantFault(t, err, device.NoSpace, "transfer to "+s.Address+": no space: "+dir+" has 8388608 octets free, 12582912 are needed; make room there and send it again")
		unnamed(t, err)
		only(t, dir)
	})
	// Something else fills the disk meanwhile.
	fill := func(t *testing.T, dir string) func(int64) {
		var once sync.Once
		return func(offset int64) {
			if offset > 4<<20 {
				once.Do(func() {
					err := os.WriteFile(filepath.Join(dir, "core"), content(12<<20, 7), 0o600)
					if err != nil && !errors.Is(err, syscall.ENOSPC) {
						t.Error(err)
					}
				})
			}
		}
	}
	t.Run("meanwhile", func(t *testing.T) {
		dir := mounted(t, "16m")
		_, err := SFTP(t.Context(), c, hooked(fileOf(filepath.Join(dir, "image"), b), fill(t, dir)), Options{})
		wantFault(t, err, device.NoSpace, dir+" has ", "octets free", "are needed")
		unnamed(t, err)
		only(t, dir, "core")
	})
	t.Run("meanwhile, an earlier file of the name", func(t *testing.T) {
		for _, send := range []func(context.Context, *sshlink.Client, File, Options) (Result, error){SFTP, SCP} {
			dir := mounted(t, "16m")
			f := fileOf(filepath.Join(dir, "image"), b)
			if err := os.WriteFile(f.Path, b[:77], 0o600); err != nil {
				t.Fatal(err)
			}
			_, err := send(t.Context(), c, hooked(f, fill(t, dir)), Options{Far: commands(c)})
			wantFault(t, err, device.NoSpace)
			unnamed(t, err)
			only(t, dir, "core", "image")
			holds(t, f.Path, b[:77])
		}
	})
	t.Run("meanwhile, kept", func(t *testing.T) {
		dir := mounted(t, "16m")
		f := fileOf(filepath.Join(dir, "image"), b)
		_, err := SFTP(t.Context(), c, hooked(f, fill(t, dir)), Options{Keep: true})
		wantFault(t, err, device.NoSpace, "octets free", "octets are kept as "+f.part())
		only(t, dir, "core", filepath.Base(f.part()))
		kept, rerr := os.ReadFile(f.part())
		if rerr != nil || len(kept) == 0 || !bytes.HasPrefix(b, kept) || !strings.Contains(err.Error(), fmt.Sprintf("first %d octets", len(kept))) {
			t.Errorf("%d octets are kept (%v), or others than the first: %v", len(kept), rerr, err)
		}
		if err := os.Remove(filepath.Join(dir, "core")); err != nil {
			t.Fatal(err)
		}
		r, err := SFTP(t.Context(), c, f, Options{Keep: true})
		if err != nil || r.Offset == 0 {
			t.Errorf("%+v, %v", r, err)
		}
		holds(t, f.Path, b)
	})
	t.Run("scp", func(t *testing.T) {
		dir := mounted(t, "8m")
		_, err := SCP(t.Context(), c, fileOf(filepath.Join(dir, "image"), b), Options{Far: commands(c)})
		wantFault(t, err, device.NoSpace, "No space left on device")
		unnamed(t, err)
		only(t, dir)
	})
	t.Run("scp without commands", func(t *testing.T) {
		dir := mounted(t, "8m")
		f := fileOf(filepath.Join(dir, "image"), b)
		_, err := SCP(t.Context(), c, f, Options{})
		wantFault(t, err, device.NoSpace, "No space left on device", "left as "+f.Path)
		only(t, dir, "image")
	})
}

func TestReadOnlyDisk(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{})
	c := dial(t, s, "")
	dir := mounted(t, "8m")
	if err := os.WriteFile(filepath.Join(dir, "old"), []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mount", "-o", "remount,ro", dir).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	f := fileOf(filepath.Join(dir, "old"), content(1<<20, 8))
	_, err := SFTP(t.Context(), c, f, Options{})
	wantFault(t, err, device.Refused, "transfer to "+s.Address+": refused: "+dir+" is read-only on the device; have it made writable")
	unnamed(t, err)
	_, err = SCP(t.Context(), c, f, Options{Far: commands(c)})
	wantFault(t, err, device.Refused, "the device says of "+f.part()+": ", "Read-only file system; have it made writable")
	unnamed(t, err)
	// Without a command to rename with, the file itself is written to.
	_, err = SCP(t.Context(), c, f, Options{})
	wantFault(t, err, device.Refused, "the device says of "+f.Path+": ", "Read-only file system; have it made writable")
	unnamed(t, err)
	only(t, dir, "old")
	holds(t, f.Path, []byte("old"))
}

func TestSCP(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{})
	c := dial(t, s, "")
	for _, n := range []int{0, 1, 3<<20 + 1} {
		for _, commanded := range []bool{false, true} {
			t.Run(fmt.Sprint(n, commanded), func(t *testing.T) {
				dir := t.TempDir()
				b := content(n, 9)
				f := fileOf(filepath.Join(dir, "it's an image"), b)
				f.Mode = 0o600
				want := Result{Sent: f.Size, SHA256: f.SHA256, FarSHA256: f.SHA256, FarBy: "read back"}
				o := Options{}
				if commanded {
					o.Far = commands(c)
					want.FarBy, want.Atomic = "command", true
				}
				r, err := SCP(t.Context(), c, f, o)
				if err != nil {
					t.Fatal(err)
				}
				r.Sending, r.Verifying = 0, 0
				if r != want {
					t.Errorf("got %+v\nwant %+v", r, want)
				}
				holds(t, f.Path, b)
				only(t, dir, "it's an image")
				if commanded {
					r, err := SCP(t.Context(), c, f, o)
					if err != nil || !r.AlreadyThere {
						t.Errorf("second time: %+v, %v", r, err)
					}
				}
			})
		}
	}
	t.Run("dropped", func(t *testing.T) {
		dir := t.TempDir()
		f := fileOf(filepath.Join(dir, "image"), content(12<<20, 3))
		_, err := SCP(t.Context(), dial(t, s, cut(t, s)), f, Options{Far: disk()})
		wantFault(t, err, device.Unreachable, "connection")
		unnamed(t, err)
		only(t, dir)
		_, err = SCP(t.Context(), dial(t, s, cut(t, s)), f, Options{})
		wantFault(t, err, device.Unreachable, "connection", "a part of it is left as "+f.Path)
		only(t, dir, "image")
	})
	t.Run("damaged on the way", func(t *testing.T) {
		dir := t.TempDir()
		f := fileOf(filepath.Join(dir, "image"), content(1<<20, 3))
		far := disk()
		far.Hash = func(context.Context, string) (string, error) { return strings.Repeat("1", 64), nil }
		for _, send := range []func(context.Context, *sshlink.Client, File, Options) (Result, error){SFTP, SCP} {
			_, err := send(t.Context(), c, f, Options{Far: far, Keep: true})
			wantFault(t, err, device.Damaged, "arrived damaged", f.SHA256)
			only(t, dir)
		}
	})
}

// TestNeitherSubsystemNorProgram meets a device that has neither.
func TestNeitherSubsystemNorProgram(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{Lines: []string{"Subsystem sftp /nonexistent", "ForceCommand no-such-command"}})
	c := dial(t, s, "")
	f := fileOf("/tmp/never", []byte("x"))
	_, err := SFTP(t.Context(), c, f, Options{})
	wantFault(t, err, device.Unable, "no SFTP")
	_, err = SCP(t.Context(), c, f, Options{})
	wantFault(t, err, device.Unable, "not found")
	if _, err := os.Stat("/tmp/never"); err == nil {
		t.Error("something was written")
	}
}
