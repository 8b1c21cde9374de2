package main

import (
	"cmp"
	"context"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"towpath/internal/app"
	"towpath/internal/device"
	"towpath/internal/device/openconfig"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/workspace"
)

// factsOrigin is the gNMI origin that is asked for facts which the OpenConfig
// models lack. A device that does not know it leaves them unknown.
const factsOrigin = "towpath-facts"

// secretsOf resolves the references of a workspace.
func secretsOf(dir string) workspace.Secrets {
	identity := func() (string, error) {
		name := os.Getenv("TOWPATH_AGE_IDENTITY")
		if name == "" {
			return "", fmt.Errorf("the environment variable TOWPATH_AGE_IDENTITY names no identity file")
		}
		b, err := os.ReadFile(name) // #nosec G304 -- the operator's own identity file
		return string(b), err
	}
	return workspace.SystemSecrets(dir, identity, func(m string) { fmt.Fprintln(os.Stderr, "towpath: warning:", m) })
}

// wiring is what a driver is made with, besides the device.
type wiring struct {
	dir     string // of the workspace
	secrets workspace.Secrets
	now     func() time.Time
}

// drivers are the drivers that a fleet file may name, each with a line here and
// in fleet.Drivers.
func drivers() map[string]func(context.Context, fleet.Device, wiring) (device.Device, error) {
	return map[string]func(context.Context, fleet.Device, wiring) (device.Device, error){
		"command-line": dialCommandLine,
		"netconf":      dialNETCONF,
		"openconfig":   dialOpenConfig,
		"snmp":         dialSNMP,
	}
}

// dialer makes the dialer of a workspace.
func dialer(_ *workspace.Workspace, dir string, now func() time.Time) app.Dialer {
	r := wiring{dir, secretsOf(dir), now}
	var lines lines
	return func(ctx context.Context, d fleet.Device) (device.Device, error) {
		x := d.Access
		driver := drivers()[cmp.Or(x.Driver, "openconfig")]
		if driver == nil {
			return nil, &device.Fault{Kind: device.Ours, Op: "connect to " + string(d.ID), Text: fmt.Sprintf("there is no driver %q; there is %s", x.Driver, strings.Join(slices.Sorted(maps.Keys(drivers())), ", "))}
		}
		if x.Address == "" && x.Console == nil {
			return nil, &device.Fault{Kind: device.Ours, Op: "connect to " + string(d.ID), Text: "the fleet file gives no access.address"}
		}
		if x.Console != nil {
			return lines.dial(d.ID, func() (device.Device, error) { return driver(ctx, d, r) })
		}
		return driver(ctx, d, r)
	}
}

// secret is one secret and where it goes.
type secret struct {
	ref  fleet.SecretRef
	into *[]byte
}

// resolve reads the secrets that are referred to.
func (r wiring) resolve(d fleet.Device, all ...secret) error {
	for _, s := range all {
		if s.ref == "" {
			continue
		}
		v, err := r.secrets.Resolve(s.ref)
		if err != nil {
			return &device.Fault{Kind: device.Denied, Op: "connect to " + string(d.ID), Err: err}
		}
		*s.into = v.Reveal()
	}
	return nil
}

// dialOpenConfig makes the driver for gNMI and gNOI.
func dialOpenConfig(ctx context.Context, d fleet.Device, r wiring) (device.Device, error) {
	x := d.Access
	cfg := openconfig.Config{Device: string(d.ID), Target: x.Address, ServerName: x.ServerName, InsecureReason: x.InsecureReason, FactsOrigin: factsOrigin, Now: r.now,
		Logger: slog.New(slog.NewTextHandler(io.Discard, nil))}
	if cfg.ServerName == "" {
		cfg.ServerName = string(d.ID)
	}
	if err := r.resolve(d, secret{x.Authority, &cfg.CA}, secret{x.Cert, &cfg.Cert}, secret{x.Key, &cfg.Key}); err != nil {
		return nil, err
	}
	dev, err := openconfig.Dial(ctx, cfg)
	if err != nil {
		return nil, err
	}
	return dev, nil
}

// certificateEnd returns the end of the certificate that a device is reached
// by.
func certificateEnd(dir string, d fleet.Device) (time.Time, bool) {
	if d.Access.Cert == "" {
		return time.Time{}, false
	}
	s, err := secretsOf(dir).Resolve(d.Access.Cert)
	if err != nil {
		return time.Time{}, false
	}
	block, _ := pem.Decode(s.Reveal())
	if block == nil {
		return time.Time{}, false
	}
	c, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return time.Time{}, false
	}
	return c.NotAfter, true
}

// imageFolder opens image files in the workspace's folder "images".
type imageFolder struct{ dir string }

// Open implements [app.Images].
func (f imageFolder) Open(im plan.ImageRef, offset int64) (io.ReadCloser, error) {
	name := filepath.Join(f.dir, "images", filepath.Base(im.File))
	file, err := os.Open(name) // #nosec G304 -- base name only, in the workspace's own folder
	if os.IsNotExist(err) {
		return nil, fmt.Errorf("%w: %s", app.ErrNoImage, name)
	}
	if err != nil {
		return nil, err
	}
	if _, err := file.Seek(offset, io.SeekStart); err != nil {
		return nil, fmt.Errorf("%w; close: %w", err, file.Close())
	}
	return file, nil
}
