package openconfig

import (
	"context"

	"towpath/internal/device"
	"towpath/internal/state"
)

// Settings implements [device.Device].
func (d *Driver) Settings(context.Context, []state.Setting) ([]state.Setting, error) {
	return nil, &device.Fault{Kind: device.Unable, Op: "read settings", Text: "not offered by this driver"}
}

// Adjust implements [device.Device].
func (d *Driver) Adjust(context.Context, []state.Setting) error {
	return &device.Fault{Kind: device.Unable, Op: "adjust", Text: "not offered by this driver"}
}
