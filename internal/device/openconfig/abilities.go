package openconfig

import (
	"context"
	"errors"
	"io"
	"slices"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	filepb "github.com/openconfig/gnoi/file"
	systempb "github.com/openconfig/gnoi/system"
	"google.golang.org/grpc/codes"

	"towpath/internal/device"
)

// Abilities asks what the device serves, by questions that change nothing: its
// models, Verify for installations, RebootStatus for restarts, an empty stream
// for component images, Stat for files, a subscription for watching, a Set of
// nothing for settings. A switchover cannot be tried, so it counts as an ability
// where the device serves the System service and shows two controller cards.
func (d *Driver) Abilities(ctx context.Context) (device.Abilities, error) {
	const op = "abilities"
	if err := d.connect(ctx, op); err != nil {
		return device.Abilities{}, err
	}
	var a device.Abilities
	r, err := d.gnmi.Capabilities(ctx, &gnmipb.CapabilityRequest{})
	if _, err := d.served(ctx, op, err); err != nil {
		return a, err
	}
	for _, m := range r.GetSupportedModels() {
		a.Models = append(a.Models, m.GetName()+"@"+m.GetVersion())
	}
	slices.Sort(a.Models)

	_, err = d.Verify(ctx)
	if a.Install, err = d.served(ctx, op, err); err != nil {
		return a, err
	}
	_, err = d.system.RebootStatus(ctx, &systempb.RebootStatusRequest{})
	if a.Restart, err = d.served(ctx, op, err); err != nil {
		return a, err
	}
	if a.ComponentImage, err = d.served(ctx, op, d.emptyPackage(ctx)); err != nil {
		return a, err
	}
	_, err = d.file.Stat(ctx, &filepb.StatRequest{Path: "/"})
	if a.Files, err = d.served(ctx, op, err); err != nil {
		return a, err
	}
	if a.Watch, err = d.served(ctx, op, d.watchable(ctx)); err != nil {
		return a, err
	}
	_, err = d.gnmi.Set(ctx, &gnmipb.SetRequest{}) // of nothing
	if a.Settings, err = d.served(ctx, op, err); err != nil {
		return a, err
	}
	_, err = d.system.Time(ctx, &systempb.TimeRequest{})
	system, err := d.served(ctx, op, err)
	if err != nil {
		return a, err
	}
	if system || a.Restart {
		c, err := d.some(ctx, "components")
		if err != nil {
			return a, asOp(op, err)
		}
		a.SwitchOver = len(c.Controllers()) > 1
	}
	return a, nil
}

// served tells from the answer to a harmless question whether the device
// implements what was asked: any answer but UNIMPLEMENTED shows that it does.
// The error is one that leaves the question open.
func (d *Driver) served(ctx context.Context, op string, err error) (bool, error) {
	if err == nil {
		return true, nil
	}
	err = d.fault(ctx, op, err)
	switch device.KindOf(err) {
	case device.Unable:
		return false, nil
	case device.Unreachable, device.OutcomeUnknown, device.Denied:
		if codeOf(err) == codes.PermissionDenied {
			return false, nil // not for us
		}
		return false, asOp(op, err)
	default:
		return true, nil
	}
}

// emptyPackage opens a transfer of a component image and sends nothing. A
// device that implements it answers that there is no package.
func (d *Driver) emptyPackage(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := d.system.SetPackage(ctx)
	if err != nil {
		return err
	}
	if _, err = stream.CloseAndRecv(); errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// watchable subscribes to one leaf until the device has told its value.
func (d *Driver) watchable(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := d.gnmi.Subscribe(ctx)
	if err != nil {
		return err
	}
	steps, err := parsePattern("/system/state/hostname")
	if err != nil {
		return ours("abilities", err)
	}
	err = stream.Send(&gnmipb.SubscribeRequest{Request: &gnmipb.SubscribeRequest_Subscribe{Subscribe: &gnmipb.SubscriptionList{
		Mode: gnmipb.SubscriptionList_STREAM, Encoding: gnmipb.Encoding_JSON_IETF,
		Subscription: []*gnmipb.Subscription{{Path: wildcard("openconfig", steps), Mode: gnmipb.SubscriptionMode_TARGET_DEFINED}},
	}}})
	if err != nil && !errors.Is(err, io.EOF) { // at EOF the answer carries the reason
		return err
	}
	for {
		r, err := stream.Recv()
		if err != nil {
			return err
		}
		if r.GetSyncResponse() {
			return nil
		}
	}
}
