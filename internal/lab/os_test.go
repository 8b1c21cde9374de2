package lab

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	filepb "github.com/openconfig/gnoi/file"
	ospb "github.com/openconfig/gnoi/os"
	"github.com/openconfig/gnoi/types"
)

// packageOf makes a package of the scenario's platform.
func packageOf(t *testing.T, version, kind string) *Package {
	t.Helper()
	size := int64(1 << 20)
	p, err := NewPackage(PackageSpec{Platform: ScenarioPlatform, Version: version, Kind: kind, Size: size, Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// installed is how an installation went.
type installed struct {
	ready    bool
	progress []uint64
	sync     []uint32
	version  string
	failed   *ospb.InstallError
	err      error
}

// install runs one installation to its end. content nil sends nothing after the
// request.
func (k *client) install(t *testing.T, version string, standby bool, size int64, content io.Reader, piece int) installed {
	t.Helper()
	s, err := k.os.Install(ctx(t))
	if err != nil {
		t.Fatal(err)
	}
	var out installed
	if err := s.Send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferRequest{TransferRequest: &ospb.TransferRequest{
		Version: version, StandbySupervisor: standby, PackageSize: uint64(size),
	}}}); err != nil {
		t.Fatal(err)
	}
	for {
		r, err := s.Recv()
		if err != nil {
			if !errors.Is(err, io.EOF) {
				out.err = err
			}
			return out
		}
		switch r := r.GetResponse().(type) {
		case *ospb.InstallResponse_TransferReady:
			out.ready = true
			if content == nil {
				continue
			}
			// A device that refuses ends the stream under the sender; its answer is
			// read above.
			go func() {
				buf := make([]byte, piece)
				for {
					n, err := io.ReadFull(content, buf)
					if n > 0 && s.Send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferContent{TransferContent: buf[:n]}}) != nil {
						return
					}
					if err != nil {
						_ = s.Send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferEnd{TransferEnd: &ospb.TransferEnd{}}})
						return
					}
				}
			}()
		case *ospb.InstallResponse_TransferProgress:
			out.progress = append(out.progress, r.TransferProgress.GetBytesReceived())
		case *ospb.InstallResponse_SyncProgress:
			out.sync = append(out.sync, r.SyncProgress.GetPercentageTransferred())
		case *ospb.InstallResponse_Validated:
			out.version = r.Validated.GetVersion()
		case *ospb.InstallResponse_InstallError:
			out.failed = r.InstallError
		}
	}
}

func (k *client) put(t *testing.T, p *Package, standby bool) installed {
	t.Helper()
	return k.install(t, p.Spec().Version, standby, p.Size(), p.Open(0), 128<<10)
}

func (k *client) verify(t *testing.T) *ospb.VerifyResponse {
	t.Helper()
	v, err := k.os.Verify(ctx(t), &ospb.VerifyRequest{})
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func (k *client) activate(t *testing.T, version string, standby, noReboot bool) *ospb.ActivateResponse {
	t.Helper()
	r, err := k.os.Activate(ctx(t), &ospb.ActivateRequest{Version: version, StandbySupervisor: standby, NoReboot: noReboot})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Source: gNOI os.proto, scenarios 1, 4 and 5: a package is sent once, copied
// between the controller cards with progress, and afterwards is there.
func TestInstallPerController(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, nil)
	p := packageOf(t, "2.5.2", PackageSystem)
	got := k.put(t, p, false)
	if !got.ready || got.version != "2.5.2" || got.failed != nil || got.err != nil || len(got.sync) != 0 {
		t.Fatalf("first: got %+v", got)
	}
	if len(got.progress) < 2 || !slices.IsSorted(got.progress) || got.progress[len(got.progress)-1] > uint64(p.Size()) {
		t.Errorf("progress: got %v of %d", got.progress, p.Size())
	}
	got = k.put(t, p, true)
	if got.ready || got.version != "2.5.2" || len(got.sync) == 0 || !slices.IsSorted(got.sync) || got.sync[len(got.sync)-1] != 100 {
		t.Errorf("the other card: got %+v, want a copy with progress", got)
	}
	got = k.put(t, p, true)
	if got.ready || got.version != "2.5.2" || len(got.sync) != 0 {
		t.Errorf("again: got %+v, want nothing but validated", got)
	}
	facts := k.once(t, "/facts/package", "/facts/act", "/facts/boot")
	if got := facts["/facts/package[controller=CTL-B][version=2.5.2]/size"]; got != `"1048576"` {
		t.Errorf("package on CTL-B: size %s", got)
	}
	if got := facts["/facts/boot[controller=CTL-A]/next-version"]; got != `"2.4.1"` {
		t.Errorf("an installation changed what boots next to %s", got)
	}
	var changed []bool
	for _, a := range c.Acts() {
		if a.Kind != ActInstall || a.Outcome != "ok" {
			t.Errorf("act log: %+v", a)
		}
		changed = append(changed, a.Changed)
	}
	if !slices.Equal(changed, []bool{true, true, false}) {
		t.Errorf("act log: changed %v, want true, true, false", changed)
	}
	if got := facts["/facts/act[sequence=3]/changed"]; got != "false" {
		t.Errorf("act log over gNMI: third changed %s", got)
	}
}

// Source: gNOI os.proto: the whole-system kind puts the package on all
// supervisors, sends no sync_progress, and refuses the standby.
func TestInstallWholeSystem(t *testing.T) {
	t.Parallel()
	_, _, k := start(t, whole)
	if v := k.verify(t); v.GetIndividualSupervisorInstall() || v.GetVerifyStandby().GetVerifyResponse().GetVersion() != ScenarioFrom {
		t.Errorf("verify: got %v", v)
	}
	p := packageOf(t, "2.5.2", PackageSystem)
	if got := k.put(t, p, true); got.failed.GetType() != ospb.InstallError_NOT_SUPPORTED_ON_BACKUP {
		t.Errorf("standby: got %+v", got)
	}
	if got := k.put(t, p, false); !got.ready || got.version != "2.5.2" || len(got.sync) != 0 {
		t.Errorf("got %+v", got)
	}
	facts := k.once(t, "/facts/package")
	for _, card := range []string{"CTL-A", "CTL-B"} {
		if facts["/facts/package[controller="+card+"][version=2.5.2]/file"] == "" {
			t.Errorf("%s has no package", card)
		}
	}
	if r := k.activate(t, "2.5.2", true, true); r.GetActivateError().GetType() != ospb.ActivateError_NOT_SUPPORTED_ON_BACKUP {
		t.Errorf("activate on standby: got %v", r)
	}
}

func whole(cfg *Config) {
	for i := range cfg.Devices {
		cfg.Devices[i].PerController = false
	}
}

// Every InstallError, each without a gRPC error.
// Source: gNOI os.proto, InstallError.
func TestInstallErrors(t *testing.T) {
	t.Parallel()
	good := packageOf(t, "2.5.2", PackageSystem)
	bytesOf := func(p *Package) []byte {
		b, err := io.ReadAll(p.Open(0))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	foreign, err := NewPackage(PackageSpec{Platform: "elm-2", Version: "2.5.2", Kind: PackageSystem, Size: MinPackageSize})
	if err != nil {
		t.Fatal(err)
	}
	damaged := bytesOf(good)
	damaged[len(damaged)/2] ^= 1
	short := bytesOf(good)[:len(damaged)-1000]
	for name, c := range map[string]struct {
		change  func(*Chassis)
		faults  []string
		version string
		standby bool
		size    int64
		content []byte
		want    ospb.InstallError_Type
	}{
		"other platform":    {content: bytesOf(foreign), want: ospb.InstallError_INCOMPATIBLE},
		"other kind":        {content: bytesOf(packageOf(t, "2.5.2", PackageBoot)), want: ospb.InstallError_INCOMPATIBLE},
		"said too large":    {size: 1 << 40, content: bytesOf(good), want: ospb.InstallError_TOO_LARGE},
		"is too large":      {change: func(c *Chassis) { v := c.primary().volume; v.system += v.available() - 300<<10 }, content: bytesOf(good), want: ospb.InstallError_TOO_LARGE},
		"not a package":     {content: bytes.Repeat([]byte("x"), 9000), want: ospb.InstallError_PARSE_FAIL},
		"damaged":           {content: damaged, want: ospb.InstallError_INTEGRITY_FAIL},
		"cut short":         {content: short, want: ospb.InstallError_INTEGRITY_FAIL},
		"forced, runs":      {version: "-", content: bytesOf(packageOf(t, ScenarioFrom, PackageSystem)), want: ospb.InstallError_INSTALL_RUN_PACKAGE},
		"somebody installs": {faults: []string{"install-busy"}, content: bytesOf(good), want: ospb.InstallError_INSTALL_IN_PROGRESS},
		"roles change":      {faults: []string{"unexpected-switchover-download"}, content: bytesOf(good), want: ospb.InstallError_UNEXPECTED_SWITCHOVER},
		"standby is gone":   {change: func(c *Chassis) { c.fail(&c.secondary().component, "gone") }, standby: true, content: bytesOf(good), want: ospb.InstallError_SYNC_FAIL},
		"read-only":         {change: func(c *Chassis) { c.primary().volume.readOnly = true }, content: bytesOf(good), want: ospb.InstallError_UNSPECIFIED},
		"corrupted on way":  {faults: []string{"transfer-corrupts-once"}, content: bytesOf(good), want: ospb.InstallError_INTEGRITY_FAIL},
		"fills up on way":   {faults: []string{"no-space-during-transfer"}, content: bytesOf(good), want: ospb.InstallError_TOO_LARGE},
	} {
		t.Run(name, func(t *testing.T) {
			_, ch, k := start(t, func(cfg *Config) { cfg.Faults = c.faults })
			if c.change != nil {
				ch.do(func() { c.change(ch) })
			}
			version, size := c.version, c.size
			switch version {
			case "":
				version = "2.5.2"
			case "-":
				version = ""
			}
			if size == 0 && name != "is too large" {
				size = int64(len(c.content))
			}
			got := k.install(t, version, c.standby, size, bytes.NewReader(c.content), 64<<10)
			if got.err != nil || got.failed == nil || got.failed.GetType() != c.want || got.failed.GetDetail() == "" {
				t.Fatalf("got %+v, want %s with a detail and no gRPC error", got, c.want)
			}
			if got.version != "" {
				t.Error("validated after all")
			}
			ch.mu.Lock()
			defer ch.mu.Unlock()
			for _, a := range ch.acts {
				if a.Changed || !strings.Contains(a.Outcome, c.want.String()) {
					t.Errorf("act log: %+v", *a)
				}
			}
			for _, x := range ch.controllers {
				if x.volume.packageOf("2.5.2") != nil || x.volume.reserved != 0 {
					t.Errorf("%s kept something: %d octets reserved", x.Name, x.volume.reserved)
				}
			}
		})
	}
}

// Only one installation at a time; one that its client abandons leaves nothing.
func TestInstallAbandoned(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, nil)
	s, err := k.os.Install(ctx(t))
	if err != nil {
		t.Fatal(err)
	}
	send := func(r *ospb.InstallRequest) {
		if err := s.Send(r); err != nil {
			t.Fatal(err)
		}
	}
	send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferRequest{TransferRequest: &ospb.TransferRequest{Version: "2.5.2"}}})
	if r, err := s.Recv(); err != nil || r.GetTransferReady() == nil {
		t.Fatalf("got %v %v", r, err)
	}
	send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferContent{TransferContent: make([]byte, 200<<10)}})
	until(t, c, func() bool { return c.primary().volume.reserved > 0 })
	if got := k.put(t, packageOf(t, "2.6.0", PackageSystem), false); got.failed.GetType() != ospb.InstallError_INSTALL_IN_PROGRESS {
		t.Errorf("a second installation: got %+v", got)
	}
	if err := s.CloseSend(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Recv(); status.Code(err) != codes.Aborted {
		t.Errorf("abandoned: got %v, want Aborted", err)
	}
	until(t, c, func() bool { return c.primary().volume.reserved == 0 && c.install == nil })
	if got := k.put(t, packageOf(t, "2.5.2", PackageSystem), false); got.version != "2.5.2" {
		t.Errorf("afterwards: got %+v", got)
	}
}

// Source: gNOI os.proto, Activate.
func TestActivate(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, nil)
	if got := k.put(t, packageOf(t, "2.5.2", PackageSystem), false); got.version == "" {
		t.Fatalf("%+v", got)
	}
	for version, want := range map[string]ospb.ActivateError_Type{"": ospb.ActivateError_NON_EXISTENT_VERSION, "9.9": ospb.ActivateError_NON_EXISTENT_VERSION} {
		if r := k.activate(t, version, false, true); r.GetActivateError() == nil || r.GetActivateError().GetType() != want {
			t.Errorf("%q: got %v, want %s", version, r, want)
		}
	}
	if r := k.activate(t, "2.5.2", true, true); r.GetActivateError() == nil {
		t.Errorf("the secondary has no such package: got %v", r)
	}
	if r := k.activate(t, ScenarioFrom, false, false); r.GetActivateOk() == nil {
		t.Errorf("what runs already: got %v", r)
	}
	if r := k.activate(t, "2.5.2", false, true); r.GetActivateOk() == nil {
		t.Errorf("without reboot: got %v", r)
	}
	facts := k.once(t, "/facts/boot")
	if facts["/facts/boot[controller=CTL-A]/next-version"] != `"2.5.2"` || facts["/facts/boot[controller=CTL-B]/next-version"] != `"2.4.1"` {
		t.Errorf("boot entries: %v", facts)
	}
	if v := k.verify(t); v.GetVersion() != ScenarioFrom || !v.GetIndividualSupervisorInstall() {
		t.Errorf("no_reboot restarted something: %v", v)
	}
	c.do(func() { c.synced = false })
	if r := k.activate(t, "2.5.2", false, false); r.GetActivateError().GetDetail() == "" {
		t.Errorf("nobody to take over: got %v", r)
	}
	var got []bool
	for _, a := range c.Acts() {
		if a.Kind == ActActivate {
			got = append(got, a.Changed)
		}
	}
	if n := len(got); n != 6 || slices.Index(got, true) != n-2 {
		t.Errorf("act log: changed %v, want only the one before the last", got)
	}
}

// Source: gNOI file.proto.
func TestFiles(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, func(cfg *Config) { cfg.MemoryFile = 100 << 10 })
	st, err := k.file.Stat(ctx(t), &filepb.StatRequest{Path: "/CTL-B/flash"})
	if err != nil || len(st.GetStats()) != 5 {
		t.Fatalf("stat: %v %v", st, err)
	}
	p := packageOf(t, "2.5.2", PackageSystem) // larger than what is kept in memory
	for _, standby := range []bool{false, true} {
		if got := k.put(t, p, standby); got.version == "" {
			t.Fatalf("%+v", got)
		}
	}
	hash := func(path string) (string, error) {
		s, err := k.file.Get(ctx(t), &filepb.GetRequest{RemoteFile: path})
		if err != nil {
			return "", err
		}
		var all []byte
		var sum *types.HashType
		for {
			r, err := s.Recv()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				return "", err
			}
			if len(r.GetContents()) > 64<<10 {
				t.Errorf("a piece of %d octets", len(r.GetContents()))
			}
			all = append(all, r.GetContents()...)
			if r.GetHash() != nil {
				sum = r.GetHash()
			}
		}
		want, err := io.ReadAll(p.Open(0))
		if err != nil {
			return "", err
		}
		if bytes.Equal(all, want) && (sum.GetMethod() != types.HashType_SHA256 || len(sum.GetHash()) != 32) {
			t.Errorf("hash: got %v", sum)
		}
		return hexSum([32]byte(sum.GetHash())), nil
	}
	for _, path := range []string{"/CTL-A/flash/images/alder-9-2.5.2.pkg", "/flash/images/alder-9-2.5.2.pkg", "/CTL-B/flash/images/alder-9-2.5.2.pkg"} {
		if got, err := hash(path); err != nil || got != p.SHA256() {
			t.Errorf("%s: got %s %v, want %s", path, got, err, p.SHA256())
		}
	}
	remove := func(path string) error {
		_, err := k.file.Remove(ctx(t), &filepb.RemoveRequest{RemoteFile: path})
		return err
	}
	for path, want := range map[string]codes.Code{
		"/CTL-A/flash/images/alder-9-2.4.1.pkg": codes.PermissionDenied, // runs
		"/CTL-A/flash/config/startup.conf":      codes.PermissionDenied,
		"/CTL-A/flash/images/none":              codes.NotFound,
		"/CTL-A/flash/images":                   codes.InvalidArgument,
		"flash/x":                               codes.InvalidArgument,
		"/CTL-A/other":                          codes.InvalidArgument,
		"/CTL-B/flash/images/alder-9-2.5.2.pkg": codes.OK,
		"/CTL-A/flash/images/alder-9-2.3.7.pkg": codes.OK,
	} {
		if err := remove(path); status.Code(err) != want {
			t.Errorf("remove %s: got %v, want %s", path, err, want)
		}
	}
	if got, err := hash("/CTL-A/flash/images/alder-9-2.5.2.pkg"); err != nil || got != p.SHA256() {
		t.Errorf("removing one copy harmed the other: %s %v", got, err)
	}
	send := func(path string, content []byte, sum *types.HashType) error {
		s, err := k.file.Put(ctx(t))
		if err != nil {
			t.Fatal(err)
		}
		_ = s.Send(&filepb.PutRequest{Request: &filepb.PutRequest_Open{Open: &filepb.PutRequest_Details{RemoteFile: path, Permissions: 600}}})
		_ = s.Send(&filepb.PutRequest{Request: &filepb.PutRequest_Contents{Contents: content}})
		if sum != nil {
			_ = s.Send(&filepb.PutRequest{Request: &filepb.PutRequest_Hash{Hash: sum}})
		}
		_, err = s.CloseAndRecv()
		return err
	}
	// Source: RFC 1321 appendix A.5, MD5("abc").
	md5abc := []byte{0x90, 0x01, 0x50, 0x98, 0x3c, 0xd2, 0x4f, 0xb0, 0xd6, 0x96, 0x3f, 0x7d, 0x28, 0xe1, 0x7f, 0x72}
	if err := send("/CTL-A/flash/x", []byte("abc"), &types.HashType{Method: types.HashType_MD5, Hash: md5abc}); err != nil {
		t.Errorf("put: %v", err)
	}
	if err := send("/CTL-A/flash/y", []byte("abd"), &types.HashType{Method: types.HashType_MD5, Hash: md5abc}); status.Code(err) != codes.DataLoss {
		t.Errorf("put with another hash: got %v", err)
	}
	if err := send("/CTL-A/flash/y", []byte("abc"), nil); status.Code(err) != codes.Aborted {
		t.Errorf("put without hash: got %v", err)
	}
	if _, err := k.file.Stat(ctx(t), &filepb.StatRequest{Path: "/CTL-A/flash/y"}); status.Code(err) != codes.NotFound {
		t.Errorf("a file without hash was kept: %v", err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if n := c.primary().volume.reserved; n != 0 {
		t.Errorf("%d octets are still reserved", n)
	}
}

// A client without a certificate, or with one of another authority, gets no
// answer; a client does not talk to an expired device.
func TestMutualTLS(t *testing.T) {
	t.Parallel()
	l, c, _ := start(t, func(cfg *Config) { cfg.CertificateLife = time.Hour * 24 * 3650 })
	tc, err := l.PKI().Client("mere-agg-1")
	if err != nil {
		t.Fatal(err)
	}
	none := tc.Clone()
	none.Certificates = nil
	other, err := newPKI(time.Now(), time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	stranger, err := other.Client("mere-agg-1")
	if err != nil {
		t.Fatal(err)
	}
	stranger.RootCAs = tc.RootCAs
	wrongName := tc.Clone()
	wrongName.ServerName = "mere-agg-9"
	old := tc.Clone()
	old.MaxVersion, old.MinVersion = tls.VersionTLS12, tls.VersionTLS12
	for name, bad := range map[string]*tls.Config{"none": none, "stranger": stranger, "wrong name": wrongName, "TLS 1.2": old} {
		k := dialTLS(t, c.Address(), bad)
		if _, err := k.os.Verify(ctx(t), &ospb.VerifyRequest{}); status.Code(err) != codes.Unavailable {
			t.Errorf("%s: got %v, want Unavailable", name, err)
		}
	}
	l2, c2, _ := start(t, func(cfg *Config) { cfg.Faults = []string{"certificate-expired"} })
	tc2, err := l2.PKI().Client("mere-agg-1")
	if err != nil {
		t.Fatal(err)
	}
	conn, err := net.Dial("tcp", c2.Address())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	err = tls.Client(conn, tc2).Handshake()
	var invalid x509.CertificateInvalidError
	if !errors.As(err, &invalid) || invalid.Reason != x509.Expired {
		t.Errorf("expired: got %v", err)
	}
}
