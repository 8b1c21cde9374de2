package openconfig

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
	"fmt"
	"io"
	"math/big"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	filepb "github.com/openconfig/gnoi/file"
	ospb "github.com/openconfig/gnoi/os"
	systempb "github.com/openconfig/gnoi/system"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"

	"towpath/internal/device"
)

// authority signs certificates for tests.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	pem  []byte
}

func newAuthority(t testing.TB, name string) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return &authority{cert, key, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})}
}

func (a *authority) issue(t testing.TB, name string, from, until time.Time) (certPEM, keyPEM []byte) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: from, NotAfter: until, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, a.cert, &key.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER})
}

// fake is a device that answers as each test tells it to. A hook that is nil
// leaves the call unimplemented.
type fake struct {
	gnmipb.UnimplementedGNMIServer
	ospb.UnimplementedOSServer
	systempb.UnimplementedSystemServer
	filepb.UnimplementedFileServer

	verify    func() (*ospb.VerifyResponse, error)
	install   func(ospb.OS_InstallServer) error
	activate  func(*ospb.ActivateRequest) (*ospb.ActivateResponse, error)
	switchTo  func(*systempb.SwitchControlProcessorRequest) (*systempb.SwitchControlProcessorResponse, error)
	reboot    func(*systempb.RebootRequest) (*systempb.RebootResponse, error)
	status    func(*systempb.RebootStatusRequest) (*systempb.RebootStatusResponse, error)
	pkg       func(systempb.System_SetPackageServer) error
	get       func(*gnmipb.GetRequest) (*gnmipb.GetResponse, error)
	subscribe func(*gnmipb.SubscriptionList, gnmipb.GNMI_SubscribeServer) error
	fileGet   func(*filepb.GetRequest, filepb.File_GetServer) error
	fileStat  func(*filepb.StatRequest) (*filepb.StatResponse, error)
	remove    func(*filepb.RemoveRequest) (*filepb.RemoveResponse, error)
	clock     func() time.Time

	mu    sync.Mutex
	calls []string
}

func (f *fake) called(what string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.calls = append(f.calls, what)
}

func (f *fake) history() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return strings.Join(f.calls, " ")
}

var errNone = status.Error(codes.Unimplemented, "not in this device")

func (f *fake) Verify(context.Context, *ospb.VerifyRequest) (*ospb.VerifyResponse, error) {
	f.called("verify")
	if f.verify == nil {
		return nil, errNone
	}
	return f.verify()
}

func (f *fake) Install(s ospb.OS_InstallServer) error {
	f.called("install")
	if f.install == nil {
		return errNone
	}
	return f.install(s)
}

func (f *fake) Activate(_ context.Context, r *ospb.ActivateRequest) (*ospb.ActivateResponse, error) {
	f.called("activate")
	if f.activate == nil {
		return nil, errNone
	}
	return f.activate(r)
}

func (f *fake) SwitchControlProcessor(_ context.Context, r *systempb.SwitchControlProcessorRequest) (*systempb.SwitchControlProcessorResponse, error) {
	f.called("switch")
	if f.switchTo == nil {
		return nil, errNone
	}
	return f.switchTo(r)
}

func (f *fake) Reboot(_ context.Context, r *systempb.RebootRequest) (*systempb.RebootResponse, error) {
	f.called("reboot")
	if f.reboot == nil {
		return nil, errNone
	}
	return f.reboot(r)
}

func (f *fake) RebootStatus(_ context.Context, r *systempb.RebootStatusRequest) (*systempb.RebootStatusResponse, error) {
	f.called("reboot-status")
	if f.status == nil {
		return nil, errNone
	}
	return f.status(r)
}

func (f *fake) SetPackage(s systempb.System_SetPackageServer) error {
	f.called("set-package")
	if f.pkg == nil {
		return errNone
	}
	return f.pkg(s)
}

func (f *fake) Time(context.Context, *systempb.TimeRequest) (*systempb.TimeResponse, error) {
	if f.clock == nil {
		return nil, errNone
	}
	return &systempb.TimeResponse{Time: uint64(f.clock().UnixNano())}, nil
}

func (f *fake) Capabilities(context.Context, *gnmipb.CapabilityRequest) (*gnmipb.CapabilityResponse, error) {
	return &gnmipb.CapabilityResponse{SupportedModels: []*gnmipb.ModelData{{Name: "openconfig-platform", Version: "0.32.0"}}}, nil
}

func (f *fake) Get(_ context.Context, r *gnmipb.GetRequest) (*gnmipb.GetResponse, error) {
	f.called("get")
	if f.get == nil {
		return nil, errNone
	}
	return f.get(r)
}

func (f *fake) Subscribe(s gnmipb.GNMI_SubscribeServer) error {
	r, err := s.Recv()
	if err != nil {
		return err
	}
	if f.subscribe == nil {
		return errNone
	}
	return f.subscribe(r.GetSubscribe(), s)
}

func (f *fake) Remove(_ context.Context, r *filepb.RemoveRequest) (*filepb.RemoveResponse, error) {
	f.called("remove " + r.GetRemoteFile())
	if f.remove == nil {
		return nil, errNone
	}
	return f.remove(r)
}

func (f *fake) Stat(_ context.Context, r *filepb.StatRequest) (*filepb.StatResponse, error) {
	if f.fileStat == nil {
		return nil, errNone
	}
	return f.fileStat(r)
}

// fakeFile is the File service, whose Get would collide with that of gNMI.
type fakeFile struct {
	filepb.UnimplementedFileServer
	*fake
}

func (f fakeFile) Get(r *filepb.GetRequest, s filepb.File_GetServer) error {
	f.called("file-get " + r.GetRemoteFile())
	if f.fileGet == nil {
		return errNone
	}
	return f.fileGet(r, s)
}

func (f fakeFile) Put(filepb.File_PutServer) error { return errNone }

func (f fakeFile) Remove(ctx context.Context, r *filepb.RemoveRequest) (*filepb.RemoveResponse, error) {
	return f.fake.Remove(ctx, r)
}

func (f fakeFile) Stat(ctx context.Context, r *filepb.StatRequest) (*filepb.StatResponse, error) {
	return f.fake.Stat(ctx, r)
}

func (f fakeFile) TransferToRemote(context.Context, *filepb.TransferToRemoteRequest) (*filepb.TransferToRemoteResponse, error) {
	return nil, errNone
}

// fakeGNMI, fakeOS and fakeSystem keep the services apart.
type (
	fakeGNMI struct {
		gnmipb.UnimplementedGNMIServer
		f *fake
	}
)

func (g fakeGNMI) Capabilities(ctx context.Context, r *gnmipb.CapabilityRequest) (*gnmipb.CapabilityResponse, error) {
	return g.f.Capabilities(ctx, r)
}

func (g fakeGNMI) Get(ctx context.Context, r *gnmipb.GetRequest) (*gnmipb.GetResponse, error) {
	return g.f.Get(ctx, r)
}

func (g fakeGNMI) Subscribe(s gnmipb.GNMI_SubscribeServer) error { return g.f.Subscribe(s) }

// rig is a running fake with what is needed to reach it.
type rig struct {
	*fake
	addr   string
	server *grpc.Server
	ca     *authority
	cfg    Config
}

// rigOptions change how the fake is served.
type rigOptions struct {
	listen        string
	from, until   time.Time // validity of the device's certificate
	ca            *authority
	clientTrusted *authority
	name          string
}

// serve starts the fake on loopback with mutual TLS 1.3.
func serve(t testing.TB, f *fake, o rigOptions) *rig {
	t.Helper()
	if o.ca == nil {
		o.ca = newAuthority(t, "lab authority")
	}
	if o.clientTrusted == nil {
		o.clientTrusted = o.ca
	}
	if o.from.IsZero() {
		o.from, o.until = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	}
	if o.name == "" {
		o.name = "mere-agg-1"
	}
	if o.listen == "" {
		o.listen = "127.0.0.1:0"
	}
	certPEM, keyPEM := o.ca.issue(t, o.name, o.from, o.until)
	pair, err := tls.X509KeyPair(certPEM, keyPEM)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(o.clientTrusted.cert)
	lis, err := net.Listen("tcp", o.listen)
	if err != nil {
		t.Fatal(err)
	}
	s := grpc.NewServer(grpc.Creds(credentials.NewTLS(&tls.Config{
		Certificates: []tls.Certificate{pair}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool, MinVersion: tls.VersionTLS13,
	})))
	gnmipb.RegisterGNMIServer(s, fakeGNMI{f: f})
	ospb.RegisterOSServer(s, f)
	systempb.RegisterSystemServer(s, f)
	filepb.RegisterFileServer(s, fakeFile{fake: f})
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = s.Serve(lis)
	}()
	t.Cleanup(func() {
		s.Stop()
		<-done
	})
	cert, key := o.ca.issue(t, "towpath", time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
	return &rig{f, lis.Addr().String(), s, o.ca, Config{
		Device: "mere-agg-1", Target: lis.Addr().String(), ServerName: "mere-agg-1", CA: o.ca.pem, Cert: cert, Key: key,
		FactsOrigin: "towpath-facts", ConnectTimeout: time.Minute,
	}}
}

func (r *rig) dial(t testing.TB) *Driver {
	t.Helper()
	d, err := Dial(context.Background(), r.cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d
}

func start(t testing.TB, f *fake) (*rig, *Driver) {
	t.Helper()
	r := serve(t, f, rigOptions{})
	return r, r.dial(t)
}

// patternOf is a piece of content that depends on where it stands.
func patternOf(at int) []byte { return fmt.Appendf(nil, "%d:%0997d\n", at, at*7) }

// pack is a package for tests.
func pack(version string, size int) (device.InstallRequest, []byte) {
	content := make([]byte, size)
	for at := 0; at < size; { // a pattern that no chunk size divides
		at += copy(content[at:], patternOf(at))
	}
	sum := sha256.Sum256(content)
	return device.InstallRequest{
		Version: version, Size: int64(size), SHA256: hex.EncodeToString(sum[:]),
		Content: func(offset int64) (io.ReadCloser, error) {
			return io.NopCloser(bytes.NewReader(content[offset:])), nil
		},
	}, content
}

// receiveAll plays the device's side of an installation up to transfer_end and
// returns what came.
func receiveAll(s ospb.OS_InstallServer) (*ospb.TransferRequest, []byte, error) {
	r, err := s.Recv()
	if err != nil {
		return nil, nil, err
	}
	req := r.GetTransferRequest()
	if req == nil {
		return nil, nil, status.Error(codes.InvalidArgument, "the first message is not a transfer request")
	}
	if err := s.Send(&ospb.InstallResponse{Response: &ospb.InstallResponse_TransferReady{TransferReady: &ospb.TransferReady{}}}); err != nil {
		return req, nil, err
	}
	var got []byte
	for {
		r, err := s.Recv()
		if err != nil {
			return req, got, err
		}
		switch m := r.GetRequest().(type) {
		case *ospb.InstallRequest_TransferContent:
			got = append(got, m.TransferContent...)
		case *ospb.InstallRequest_TransferEnd:
			return req, got, nil
		default:
			return req, got, status.Error(codes.InvalidArgument, "unexpected message")
		}
	}
}

func validated(version string) *ospb.InstallResponse {
	return &ospb.InstallResponse{Response: &ospb.InstallResponse_Validated{Validated: &ospb.Validated{Version: version}}}
}

func installErr(t ospb.InstallError_Type, detail string) *ospb.InstallResponse {
	return &ospb.InstallResponse{Response: &ospb.InstallResponse_InstallError{InstallError: &ospb.InstallError{Type: t, Detail: detail}}}
}

func wantKind(t *testing.T, err error, want device.Kind) *device.Fault {
	t.Helper()
	if err == nil {
		t.Fatalf("no error, want %q", want)
	}
	var f *device.Fault
	if !errors.As(err, &f) {
		t.Fatalf("%T %v is no device fault", err, err)
	}
	if got := device.KindOf(err); got != want {
		t.Fatalf("kind %q, want %q: %v", got, want, err)
	}
	return f
}
