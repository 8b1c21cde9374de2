// Package openconfig drives a device over gNMI and gNOI, the management
// protocols of OpenConfig, both over mutually authenticated TLS. It satisfies
// the contract of package device; protobuf types never leave it.
//
// Read [Dial] first, then [Driver.Capture] for reading and [Driver.Install] for
// acting. What a capture reads is data: table.go holds one row for each leaf,
// with the field that it fills. What a failure means is data too: fault.go
// holds one table for each enumeration of the protocols.
//
// Three rules hold for every act. The driver never repeats an act by itself.
// It reads the device in the same attempt before it activates, switches over or
// restarts, and does nothing where nothing is left to do. And every error it
// returns is a [*device.Fault].
package openconfig

import (
	"context"
	"log/slog"
	"net"
	"strings"
	"sync"
	"time"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	filepb "github.com/openconfig/gnoi/file"
	ospb "github.com/openconfig/gnoi/os"
	systempb "github.com/openconfig/gnoi/system"
	typespb "github.com/openconfig/gnoi/types"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/connectivity"
	"google.golang.org/grpc/experimental"

	"towpath/internal/device"
)

// Config says how a device is reached. Target, CA, Cert and Key are required;
// CA is not when InsecureReason is given.
type Config struct {
	Device     string // name that captures carry; Target where empty
	Target     string // host:port
	ServerName string // name that the device's certificate must carry; host of Target where empty

	CA   []byte // PEM, authorities that may have signed the device's certificate
	Cert []byte // PEM, our own certificate and its chain
	Key  []byte // PEM, key of Cert

	// InsecureReason, when not empty, switches off the check of the device's
	// certificate for this device only. It is logged as a warning at every
	// connection and named in the Source of every capture.
	InsecureReason string

	// FactsOrigin is the gNMI origin under which the device serves facts that
	// the OpenConfig models lack (files, boot entries, backup time, …). Empty
	// where the device has none; those facts then stay unknown.
	FactsOrigin string

	// Logger gets warnings and connection events; never secrets or contents.
	// Nil discards them.
	Logger *slog.Logger
	// Now is the clock for timestamps and the clock offset; nil is time.Now.
	Now func() time.Time
	// ConnectTimeout bounds one attempt to connect; zero is ten seconds.
	ConnectTimeout time.Duration
}

// Driver is a [device.Device] over gNMI and gNOI. It is safe for concurrent use.
type Driver struct {
	cfg  Config
	log  *slog.Logger
	now  func() time.Time
	conn *grpc.ClientConn
	link *link

	gnmi   gnmipb.GNMIClient
	os     ospb.OSClient
	system systempb.SystemClient
	file   filepb.FileClient

	closing sync.Once
	closed  error
}

var _ device.Device = (*Driver)(nil)

// The sizes that transfers work with. Source: gNOI os.proto and gRPC leave the
// size of a chunk open; 1 MiB was the fastest of 64 KiB, 1 MiB and 4 MiB when
// measured, and stays under the 4 MiB that gRPC accepts by default.
const (
	installChunk = 1 << 20
	// Source: gNOI system.proto, SetPackageRequest, and file.proto: contents
	// of at most 64 KB.
	fileChunk = 64000
	// maxMessage is the largest message that is accepted from a device; a
	// Get on a large subtree comes as one.
	maxMessage = 256 << 20
)

// Dial makes a driver for the device. It checks the configuration and returns
// without waiting for the device, which may be restarting: the connection is
// made by the first operation and remade by later ones whenever it has broken.
func Dial(ctx context.Context, cfg Config) (*Driver, error) {
	const op = "connect"
	if err := ctx.Err(); err != nil {
		return nil, ours(op, err)
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.ConnectTimeout == 0 {
		cfg.ConnectTimeout = 10 * time.Second
	}
	if cfg.Device == "" {
		cfg.Device = cfg.Target
	}
	host, _, err := net.SplitHostPort(cfg.Target)
	if err != nil {
		return nil, ours(op, err)
	}
	if cfg.ServerName == "" {
		cfg.ServerName = host
	}
	tlsConfig, own, err := tlsFor(cfg)
	if err != nil {
		return nil, ours(op, err)
	}
	d := &Driver{cfg: cfg, log: cfg.Logger.With("device", cfg.Device), now: cfg.Now}
	d.link = newLink(tlsConfig, own, cfg.Now)
	if cfg.InsecureReason != "" {
		d.log.Warn("the device's certificate is not verified", "reason", cfg.InsecureReason)
	}
	d.conn, err = grpc.NewClient("passthrough:///"+cfg.Target,
		grpc.WithTransportCredentials(d.link),
		grpc.WithContextDialer(d.link.dial),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessage)),
		grpc.WithWriteBufferSize(writeBuffer),
		grpc.WithReadBufferSize(readBuffer),
		experimental.WithBufferPool(newBuffers()),
		grpc.WithDisableServiceConfig(),
		grpc.WithIdleTimeout(0),
		grpc.WithConnectParams(grpc.ConnectParams{
			Backoff:           backoff.Config{BaseDelay: 100 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 2 * time.Second},
			MinConnectTimeout: cfg.ConnectTimeout,
		}))
	if err != nil {
		return nil, ours(op, err)
	}
	d.gnmi = gnmipb.NewGNMIClient(d.conn)
	d.os = ospb.NewOSClient(d.conn)
	d.system = systempb.NewSystemClient(d.conn)
	d.file = filepb.NewFileClient(d.conn)
	return d, nil
}

// The buffers of the connection, in octets, at which bench/staging measured the
// best throughput. The flow-control windows are left to gRPC, which fits them
// to the path while it runs; fixed large ones were slower.
const (
	writeBuffer = 256 << 10
	readBuffer  = 256 << 10
)

// Close releases the connection. Operations that run fail.
func (d *Driver) Close() error {
	d.closing.Do(func() {
		if err := d.conn.Close(); err != nil {
			d.closed = ours("close", err)
		}
	})
	return d.closed
}

// connect gives a broken connection one fresh attempt at once, where gRPC would
// fail every call with the old error until its back-off ends. It returns nil
// where a call may be made; that the call then succeeds is not promised.
func (d *Driver) connect(ctx context.Context, op string) error {
	if d.conn.GetState() == connectivity.Shutdown {
		return &device.Fault{Kind: device.Ours, Op: op, Text: "the driver is closed"}
	}
	ctx, cancel := context.WithTimeout(ctx, d.cfg.ConnectTimeout)
	defer cancel()
	// An attempt that began before this call may end with the old error, and gRPC
	// fails calls with that a moment before its state says so.
	if d.conn.GetState() == connectivity.Connecting {
		d.conn.WaitForStateChange(ctx, connectivity.Connecting) // where that takes too long, the call itself waits and tells
	}
	if d.conn.GetState() != connectivity.TransientFailure {
		return nil
	}
	moved := make(chan struct{})
	go func() {
		defer close(moved)
		d.conn.WaitForStateChange(ctx, connectivity.TransientFailure)
	}()
	failed := d.link.failure()
	d.conn.ResetConnectBackoff()
	select {
	case <-moved:
		if ctx.Err() != nil {
			return d.unreachable(ctx, op, ctx.Err())
		}
		return nil
	case <-failed:
		return d.unreachable(ctx, op, nil)
	}
}

// componentPath is the path of a component for gNOI.
func componentPath(name string) *typespb.Path {
	return &typespb.Path{Origin: "openconfig", Elem: []*typespb.PathElem{
		{Name: "components"}, {Name: "component", Key: map[string]string{"name": name}},
	}}
}

// componentOf is the name of the component that a gNOI path leads to.
func componentOf(p *typespb.Path) string {
	for _, e := range p.GetElem() {
		if n, ok := e.GetKey()["name"]; ok && strings.HasSuffix(e.GetName(), "component") {
			return n
		}
	}
	return ""
}
