package commandline_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"flag"
	"io"
	"io/fs"
	"math/big"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/adapter"
	"towpath/internal/device/commandline"
	"towpath/internal/device/dialogue"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/sshlink/opensshd"
	"towpath/internal/device/sshlink/sshpeer"
	"towpath/internal/device/transfer"
)

// TestMain has more tests run side by side than there are processors: those that
// do wait for shells and not for the processor.
func TestMain(m *testing.M) {
	flag.Parse()
	if err := flag.Set("test.parallel", "8"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

// shellAdapter is of a machine whose command line is a shell. HOW, PULL, HASH,
// FORGET and ROOT are filled in.
const shellAdapter = `
adapter: shell
platforms: [shell]
session:
  prompt: '[^\n]*[#$] '
  cancel: ctrl-c
  blank-line: true
  start: ['export LC_ALL=C TERM=dumb']
  errors:
    - {pattern: '(?m)^(?P<text>.*No space left on device.*)$', kind: no-space}
    - {pattern: '(?m)^(?P<text>.*Read-only file system.*)$', kind: refused}
    - {pattern: '(?m)^(?P<text>.*command not found.*)$', kind: unable}
    - {pattern: '(?m)^(?P<text>curl: .*)$', kind: refused}
reads:
  - {read: release, command: 'cat ROOT/running', into: system, parse: {lines: '^(?P<release>\S+)$'}}
  - read: the host as a controller card
    command: cat ROOT/running
    into: component
    parse: {lines: '^(?P<version>\S+)$'}
    fields: {name: host, kind: CONTROLLER_CARD, role: PRIMARY, oper: ACTIVE}
packages:
  - command: find ROOT/releases -mindepth 1 -type f -printf '%f %p\n'
    none: '^$'
    parse: {lines: '^(?P<version>\S+) (?P<path>/.+)$'}
    fields: {controller: host}
install:
  to: 'ROOT/images/{version}.img'
  transfer: HOW
PULL
  hash:
    command: HASH
    parse: {lines: '^(?P<sha256>[0-9a-f]{64})\b'}
  steps:
    - {command: 'mv {path} ROOT/releases/{version} && echo in place', success: '(?m)^in place$'}
  forget:
    - {command: 'FORGET'}
set-boot:
  steps:
    - {command: 'echo {version} > ROOT/next'}
`

// curlTo fetches by curl, a client that nobody here wrote.
const curlTo = `curl -sS --fail -o {path} {url} && echo fetched`

// wgetTo does so by another, which says why it cannot write.
const wgetTo = `wget -nv -O {path} {url} && echo fetched`

// shellHost is a machine under OpenSSH with the folders of its releases.
type shellHost struct {
	server     *opensshd.Server
	root       string
	transcript safeBuffer
}

func newShellHost(t *testing.T, o opensshd.Options) *shellHost {
	t.Helper()
	s := opensshd.Run(t, o)
	h := &shellHost{server: s, root: t.TempDir()}
	for _, d := range []string{"images", "releases"} {
		if err := os.Mkdir(filepath.Join(h.root, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range map[string]string{"running": "1.0\n", "releases/1.0": "the old one"} {
		if err := os.WriteFile(filepath.Join(h.root, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return h
}

// how says how an image comes to the machine.
type how struct {
	transfer string
	pull     string // its command
	hash     string // its command; sha256sum where empty
	forget   string // its command; rm where empty
	server   *transfer.Server
	dial     func(ctx context.Context, network, address string) (net.Conn, error)
}

func (h *shellHost) dial(t *testing.T, w how) *commandline.Driver {
	t.Helper()
	if w.hash == "" {
		w.hash = "sha256sum {path}"
	}
	if w.forget == "" {
		w.forget = "rm -f {path}"
	}
	pull := ""
	if w.pull != "" {
		pull = "  pull: {command: '" + strings.ReplaceAll(w.pull, "'", "''") + "', success: '(?m)^fetched$'}"
	}
	a, err := adapter.Read("shell.yaml", []byte(strings.NewReplacer("HOW", w.transfer, "PULL", pull, "HASH", w.hash, "FORGET", w.forget, "ROOT", h.root).Replace(shellAdapter)))
	if err != nil {
		t.Fatal(err)
	}
	var pullFrom func() (*transfer.Server, error)
	if w.server != nil {
		pullFrom = func() (*transfer.Server, error) { return w.server, nil }
	}
	d, err := commandline.Dial(t.Context(), commandline.Config{
		Device: "shell-1", Adapter: a, Pull: pullFrom, PullFrom: netip.MustParsePrefix("127.0.0.1/32"), Transcript: dialogue.NewTranscript(&h.transcript),
		SSH: sshlink.Config{Address: h.server.Address, User: h.server.User, Signers: []ssh.Signer{h.server.Signer}, KnownHosts: h.server.KnownHosts, Dial: w.dial},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
	return d
}

// image is what is installed.
func image(n int) ([]byte, device.InstallRequest) {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(i * i >> 7)
	}
	sum := sha256.Sum256(b)
	return b, device.InstallRequest{Version: "2.0", Size: int64(n), SHA256: hex.EncodeToString(sum[:]),
		Content: func(at int64) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(b[at:])), nil }}
}

// holds checks what a folder of the machine holds.
func (h *shellHost) holds(t *testing.T, folder string, names ...string) {
	t.Helper()
	entries, err := os.ReadDir(filepath.Join(h.root, folder))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	if strings.Join(got, " ") != strings.Join(names, " ") {
		t.Errorf("%s holds %q, want %q", folder, got, names)
	}
}

func serve(t *testing.T, cfg transfer.ServerConfig) *transfer.Server {
	t.Helper()
	if cfg.Listen == "" {
		cfg.Listen = "127.0.0.1:0"
	}
	s, err := transfer.Serve(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// certificate is a server's for 127.0.0.1, and the file that makes it trusted.
func certificate(t *testing.T) (*tls.Config, string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "tow"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "trusted.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}, file
}

func wantFault(t *testing.T, err error, kind device.Kind, words ...string) {
	t.Helper()
	var f *device.Fault
	if !errors.As(err, &f) {
		t.Fatalf("got %v, want a Fault", err)
	}
	if f.Kind != kind || f.Op != "install" {
		t.Errorf("%v of %q, want %v of install: %v", f.Kind, f.Op, kind, err)
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("the text lacks %q: %v", w, err)
		}
	}
}

// TestInstallByEveryWay copies an image as the adapter says.
func TestInstallByEveryWay(t *testing.T) {
	if _, err := exec.LookPath("curl"); err != nil {
		t.Skip("not checked: curl is not installed")
	}
	b, req := image(3<<20 + 5)
	secure, trusted := certificate(t)
	plain, safe := serve(t, transfer.ServerConfig{}), serve(t, transfer.ServerConfig{TLS: secure})
	for name, w := range map[string]how{
		"sftp":  {transfer: "sftp"},
		"scp":   {transfer: "scp"},
		"HTTP":  {transfer: "http", pull: curlTo, server: plain},
		"HTTPS": {transfer: "http", pull: "curl -sS --fail --cacert " + trusted + " -o {path} {url} && echo fetched", server: safe},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newShellHost(t, opensshd.Options{})
			d := h.dial(t, w)
			var last device.Progress
			done, err := d.Install(t.Context(), req, func(p device.Progress) {
				if p.Sent < last.Sent || p.Total != req.Size {
					t.Errorf("progress %+v after %+v", p, last)
				}
				last = p
			})
			if err != nil {
				t.Fatal(err)
			}
			if want := (device.Installed{Version: "2.0", Sent: req.Size, SHA256: req.SHA256}); done != want {
				t.Errorf("got %+v, want %+v", done, want)
			}
			got, err := os.ReadFile(filepath.Join(h.root, "releases/2.0"))
			if err != nil || !bytes.Equal(got, b) {
				t.Errorf("%d octets there, of %d: %v", len(got), len(b), err)
			}
			h.holds(t, "images")
			done, err = d.Install(t.Context(), req, nil)
			if err != nil || !done.AlreadyThere {
				t.Errorf("again: %+v, %v", done, err)
			}
			scheme := map[string]string{"HTTP": "http://", "HTTPS": "https://"}[name]
			if log := string(h.transcript.bytes()); scheme != "" && !strings.Contains(log, scheme) {
				t.Errorf("the device was not told to fetch by %s", scheme)
			}
		})
	}
}

// TestInstallFailsByEveryWay has copies fail: what the error says, and what is
// left, which is nothing.
func TestInstallFailsByEveryWay(t *testing.T) {
	for _, p := range []string{"curl", "wget"} {
		if _, err := exec.LookPath(p); err != nil {
			t.Skip("not checked: " + p + " is not installed")
		}
	}
	_, req := image(6 << 20)
	secure, _ := certificate(t)
	plain, safe := serve(t, transfer.ServerConfig{}), serve(t, transfer.ServerConfig{TLS: secure})
	ln, err := net.Listen("tcp", "127.0.0.1:0") // for a proxy before the server
	if err != nil {
		t.Fatal(err)
	}
	address := ln.Addr().String()
	ln.Close()
	// Of what goes over the proxy, the head of an answer is less than a KiB.
	broken := serve(t, transfer.ServerConfig{Listen: address, Host: sshpeer.Cut{Up: 1 << 20, Down: 2 << 20}.Before(t, address)})
	elsewhere := serve(t, transfer.ServerConfig{Host: "127.0.0.1:9"}) // the port that discards, where nobody listens

	full := func(t *testing.T, h *shellHost) { opensshd.Disk(t, filepath.Join(h.root, "images"), "size=2m") }
	readOnly := func(t *testing.T, h *shellHost) { opensshd.Disk(t, filepath.Join(h.root, "images"), "ro") }
	dropped := func(h *shellHost) how {
		var n atomic.Int32
		proxy := sshpeer.Cut{Up: 3 << 20}.Before(t, h.server.Address)
		return how{dial: func(ctx context.Context, network, address string) (net.Conn, error) {
			if n.Add(1) == 1 {
				address = proxy
			}
			return (&net.Dialer{}).DialContext(ctx, network, address)
		}}
	}
	for _, c := range []struct {
		name  string
		how   how
		with  opensshd.Options
		disk  func(*testing.T, *shellHost)
		drop  bool
		file  func(*device.InstallRequest)
		kind  device.Kind
		words []string
		left  []string // in the folder of images
	}{
		{name: "scp, full disk", how: how{transfer: "scp"}, disk: full, kind: device.NoSpace, words: []string{"No space left on device", "images/2.0.img"}},
		{name: "sftp, full disk", how: how{transfer: "sftp"}, disk: full, kind: device.NoSpace, words: []string{"has 2097152 octets free, 6291456 are needed"}},
		{name: "HTTP, full disk", how: how{transfer: "http", pull: wgetTo, server: plain}, disk: full, kind: device.NoSpace, words: []string{"the device did not fetch", "No space left on device", "of 6291456 octets were sent"}},
		{name: "scp, read-only disk", how: how{transfer: "scp"}, disk: readOnly, kind: device.Refused, words: []string{"Read-only file system"}},
		{name: "sftp, read-only disk", how: how{transfer: "sftp"}, disk: readOnly, kind: device.Refused, words: []string{"is read-only on the device"}},
		{name: "HTTP, read-only disk", how: how{transfer: "http", pull: wgetTo, server: plain}, disk: readOnly, kind: device.Refused, words: []string{"Read-only file system"}},
		{name: "HTTP, full disk, and no word why", how: how{transfer: "http", pull: curlTo, server: plain}, disk: full, kind: device.Refused, words: []string{"the device did not fetch", "curl: (23)", "of 6291456 octets were sent"}}, // Source: curl(1), 23 is a failure to write
		{name: "scp, what is left cannot be cleared away", how: how{transfer: "scp", forget: "tidy-up {path}"}, disk: full, left: []string{"2.0.img"}, kind: device.NoSpace, words: []string{"No space left on device", "what it left could not be cleared away", "tidy-up: command not found"}},
		{name: "scp, dropped", how: how{transfer: "scp"}, drop: true, kind: device.Unreachable, words: []string{"connection"}},
		{name: "sftp, dropped", how: how{transfer: "sftp"}, drop: true, kind: device.Unreachable, words: []string{"connection"}},
		{name: "scp, no such program", how: how{transfer: "scp"}, with: opensshd.Options{Lines: []string{"SetEnv PATH=/nonexistent"}}, kind: device.Unable, words: []string{"scp ended with 127", "not found"}},
		{name: "sftp, no such subsystem", how: how{transfer: "sftp"}, with: opensshd.Options{Lines: []string{"Subsystem none /bin/false"}}, kind: device.Unable, words: []string{"the device offers no SFTP"}},
		{name: "scp, damaged", how: how{transfer: "scp", hash: "echo " + strings.Repeat("0", 64)}, kind: device.Damaged, words: []string{"arrived damaged", req.SHA256, "(command)"}},
		{name: "HTTP, damaged", how: how{transfer: "http", pull: "curl -sS --fail -o {path} {url} && truncate -s 7 {path} && echo fetched", server: plain}, kind: device.Damaged, words: []string{"arrived damaged", req.SHA256, "(command)"}},
		{name: "HTTP, the fetch breaks", how: how{transfer: "http", pull: curlTo, server: broken}, kind: device.Refused, words: []string{"the device did not fetch", "curl: (18)", "of 6291456 octets were sent"}}, // Source: curl(1), 18 is a partial file
		{name: "HTTP, our file breaks", how: how{transfer: "http", pull: curlTo, server: plain}, file: func(r *device.InstallRequest) {
			r.Content = func(int64) (io.ReadCloser, error) { return nil, fs.ErrPermission }
		}, kind: device.Ours, words: []string{fs.ErrPermission.Error()}},
		{name: "HTTP, a part only and no word of it", how: how{transfer: "http", pull: "curl -s {url} | head -c 1000 > {path}; echo fetched", server: plain}, kind: device.Damaged, words: []string{"the device says that it has the file, but took", "of 6291456 octets"}},
		{name: "HTTP, nobody there", how: how{transfer: "http", pull: curlTo, server: elsewhere}, kind: device.Refused, words: []string{"the device never asked for the file at http://127.0.0.1:9", "curl: (7)"}}, // Source: curl(1), 7 is a failure to connect
		{name: "HTTP, no such program", how: how{transfer: "http", pull: "fetch-it {url} {path} && echo fetched", server: plain}, kind: device.Unable, words: []string{"never asked", "command not found"}},
		{name: "HTTP, no word of success", how: how{transfer: "http", pull: "true {url} {path}", server: plain}, kind: device.Refused, words: []string{"never asked", "was not answered as expected"}},
		{name: "HTTPS, a certificate that the device does not know", how: how{transfer: "http", pull: curlTo, server: safe}, kind: device.Refused, words: []string{"never asked for the file at https://127.0.0.1:", "curl: (60)"}}, // Source: curl(1), 60 is an unknown certificate
		{name: "HTTP, no server", how: how{transfer: "http", pull: curlTo}, kind: device.Unable, words: []string{"the device fetches images by HTTP, and no server for them is configured"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			h := newShellHost(t, c.with)
			if c.disk != nil {
				c.disk(t, h)
			}
			if c.drop {
				c.how.dial = dropped(h).dial
			}
			r := req
			if c.file != nil {
				c.file(&r)
			}
			done, err := h.dial(t, c.how).Install(t.Context(), r, nil)
			wantFault(t, err, c.kind, c.words...)
			if done != (device.Installed{}) {
				t.Errorf("what failed claims %+v", done)
			}
			h.holds(t, "images", c.left...)
			h.holds(t, "releases", "1.0")
			if len(c.left) == 0 && strings.Contains(err.Error(), "left as") {
				t.Errorf("what was cleared away is said to be left: %v", err)
			}
			if t.Failed() {
				t.Log(err)
			}
		})
	}
}
