package main

import (
	"context"
	"io"
	"log/slog"

	"towpath/internal/device"
	"towpath/internal/device/netconf"
	"towpath/internal/fleet"
)

// dialNETCONF makes the driver for NETCONF over SSH.
func dialNETCONF(ctx context.Context, d fleet.Device, r wiring) (device.Device, error) {
	link, err := sshConfig(d, r)
	if err != nil {
		return nil, err
	}
	dev, err := netconf.Dial(ctx, netconf.Config{Device: string(d.ID), SSH: link, Now: r.now, Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		return nil, err
	}
	return dev, nil
}
