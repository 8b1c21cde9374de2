package main

import (
	"context"
	"strings"

	"towpath/internal/device"
	"towpath/internal/device/snmp"
	"towpath/internal/fleet"
)

// dialSNMP makes the driver that reads over SNMP.
func dialSNMP(ctx context.Context, d fleet.Device, r wiring) (device.Device, error) {
	x := d.Access.SNMP
	var community, auth, priv []byte
	if err := r.resolve(d, secret{x.Community, &community}, secret{x.AuthSecret, &auth}, secret{x.PrivSecret, &priv}); err != nil {
		return nil, err
	}
	line := func(b []byte) string { return strings.TrimRight(string(b), "\r\n") } // a file ends with a line end
	dev, err := snmp.Dial(ctx, snmp.Config{
		Device: string(d.ID), Address: d.Access.Address, Community: line(community), User: x.User, AuthProtocol: x.AuthProtocol, AuthSecret: line(auth),
		PrivProtocol: x.PrivProtocol, PrivSecret: line(priv), Context: x.Context, Now: r.now,
	})
	if err != nil {
		return nil, err
	}
	return dev, nil
}
