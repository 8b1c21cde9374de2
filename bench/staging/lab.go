package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/openconfig"
	"towpath/internal/lab"
	"towpath/internal/unit"
)

// labSink is the emulated chassis, which checks the hash that its packages
// carry, and here throws away what it has checked.
type labSink struct {
	lab  *lab.Lab
	pack *lab.Package
}

func newLab(size int64) (*labSink, error) {
	cfg := lab.Scenario("")
	cfg.Devices = cfg.Devices[:1]
	cfg.DiscardContent = true
	d := &cfg.Devices[0]
	d.TransferRate = 0
	d.PerController = true
	d.Volume.Size = unit.ByteSize(size)*3 + unit.GiB
	d.Housekeeping = true
	d.Durations.Validation, d.Durations.PackageCopy = time.Microsecond, time.Microsecond
	l, err := lab.Start(cfg)
	if err != nil {
		return nil, err
	}
	p, err := lab.NewPackage(lab.PackageSpec{Platform: lab.ScenarioPlatform, Version: lab.ScenarioVia, Kind: lab.PackageSystem, Size: size, Seed: 1})
	if err != nil {
		return nil, fmt.Errorf("%w; close: %w", err, l.Close())
	}
	return &labSink{lab: l, pack: p}, nil
}

func (s *labSink) open() io.Reader { return s.pack.Open(0) }

// next removes the package of the transfer before, which the chassis would
// otherwise not take again.
func (s *labSink) next(ctx context.Context) (string, error) {
	d, err := openconfig.Dial(ctx, s.target())
	if err != nil {
		return "", err
	}
	defer func() { _ = d.Close() }() // nothing runs on it any more
	c, err := d.Capture(ctx, device.ScopeComponents)
	if err != nil {
		return "", err
	}
	for _, v := range c.Volumes {
		for _, f := range v.Files {
			if strings.Contains(f.Path, lab.ScenarioVia) {
				if err := d.RemoveFile(ctx, v.Controller, f.Path); err != nil {
					return "", err
				}
			}
		}
	}
	return lab.ScenarioVia, nil
}

func (s *labSink) target() openconfig.Config {
	p := s.lab.PKI()
	c := s.lab.Devices()[0]
	return openconfig.Config{Target: c.Address(), ServerName: string(c.ID()), CA: p.Authority, Cert: p.ClientCert, Key: p.ClientKey}
}

// received is empty: the chassis validates nothing whose trailer does not hold
// the right hash.
func (s *labSink) received() (string, uint16) { return "", 0 }

func (s *labSink) close() error { return s.lab.Close() }
