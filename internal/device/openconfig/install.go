package openconfig

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	ospb "github.com/openconfig/gnoi/os"
	"google.golang.org/grpc"

	"towpath/internal/device"
)

// Verify asks what runs and what kind of installation the device has.
func (d *Driver) Verify(ctx context.Context) (device.Verification, error) {
	const op = "verify"
	if err := d.connect(ctx, op); err != nil {
		return device.Verification{}, err
	}
	r, err := d.os.Verify(ctx, &ospb.VerifyRequest{})
	if err != nil {
		return device.Verification{}, d.fault(ctx, op, err)
	}
	v := device.Verification{
		Version:        r.GetVersion(),
		PerController:  r.GetIndividualSupervisorInstall(),
		ActivationFail: r.GetActivationFailMessage(),
	}
	switch s := r.GetVerifyStandby().GetState().(type) {
	case *ospb.VerifyStandby_VerifyResponse:
		v.Standby = device.Standby{
			State: device.StandbyReady, ID: s.VerifyResponse.GetId(),
			Version: s.VerifyResponse.GetVersion(), ActivationFail: s.VerifyResponse.GetActivationFailMessage(),
		}
	case *ospb.VerifyStandby_StandbyState:
		// Source: gNOI os.proto, StandbyState.State.
		switch s.StandbyState.GetState() {
		case ospb.StandbyState_UNSUPPORTED:
			v.Standby.State = device.StandbyUnsupported
		case ospb.StandbyState_NON_EXISTENT:
			v.Standby.State = device.StandbyAbsent
		case ospb.StandbyState_UNAVAILABLE:
			v.Standby.State = device.StandbyUnavailable
		case ospb.StandbyState_UNSPECIFIED:
			v.Standby.State = device.StandbyUnknown
		default:
			v.Standby.State = device.StandbyUnknown
		}
	}
	return v, nil
}

// progressEvery is the shortest time between two reports of progress, by our
// own clock and not by Config.Now, whose time may run faster.
const progressEvery = 100 * time.Millisecond

// Install transfers a package and has it validated. The protocol has no way to
// take up a broken transfer in the middle, so a repeated call sends the whole
// package again unless the device has it by then. A transfer that stalls ends
// with ctx; the error says how far it had come.
//
// The device is not asked to validate anything whose hash or length differs
// from the request, and a validated version other than the requested one is a
// WrongImage fault, because the device does not make that comparison.
func (d *Driver) Install(ctx context.Context, req device.InstallRequest, progress func(device.Progress)) (device.Installed, error) {
	const op = "install"
	if req.Version == "" {
		// Source: gNOI os.proto, TransferRequest: an empty version forces a
		// transfer, even of the package that runs.
		return device.Installed{}, &device.Fault{Kind: device.Ours, Op: op, Text: "no version given"}
	}
	if err := d.connect(ctx, op); err != nil {
		return device.Installed{}, err
	}
	done, err := d.install(ctx, req, progress)
	if err == nil {
		return done, nil
	}
	var refused *installError
	if errors.As(err, &refused) && refused.Type == ospb.InstallError_INSTALL_RUN_PACKAGE {
		// The package is the running one. That is success when it is the one
		// that was asked for.
		if v, verr := d.Verify(ctx); verr == nil {
			running := v.Version
			if req.Standby {
				running = v.Standby.Version
			}
			if running == req.Version {
				return device.Installed{Version: running, AlreadyThere: true}, nil
			}
		}
	}
	return device.Installed{}, d.fault(ctx, op, err)
}

// installError is an InstallError as a Go error.
type installError struct {
	Type   ospb.InstallError_Type
	Detail string
}

// Error is the device's detail and the standard's name for the error.
func (e *installError) Error() string {
	if e.Detail == "" {
		return "[" + e.Type.String() + "]"
	}
	return e.Detail + " [" + e.Type.String() + "]"
}

func (d *Driver) install(ctx context.Context, req device.InstallRequest, progress func(device.Progress)) (device.Installed, error) {
	const op = "install"
	sctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := d.os.Install(sctx, grpc.ForceCodecV2(contentCodec{}))
	if err != nil {
		return device.Installed{}, err
	}
	answers := make(chan answer)
	go receive(sctx, stream, answers)

	var (
		upload   *upload         // nil until the device is ready
		sent     <-chan struct{} // closed when the upload has ended
		ticker   = time.NewTicker(progressEvery / 4)
		syncing  bool
		percent  int
		reported device.Progress
		last     time.Time
	)
	defer ticker.Stop()
	report := func() {
		if time.Since(last) < progressEvery {
			return // the next tick reports it
		}
		p := device.Progress{Total: req.Size, Syncing: syncing, SyncPercent: percent}
		if upload != nil {
			p.Sent = upload.sent.Load()
		}
		if progress != nil && p != reported {
			progress(p)
			reported, last = p, time.Now()
		}
	}
	// The upload reads from the caller's Content; it must have ended before
	// this function returns.
	defer func() {
		cancel()
		if upload != nil {
			<-upload.ended
		}
	}()

	if err := stream.Send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferRequest{TransferRequest: &ospb.TransferRequest{
		Version: req.Version, StandbySupervisor: req.Standby, PackageSize: uint64(max(req.Size, 0)),
	}}}); err != nil && !errors.Is(err, io.EOF) { // at EOF the answer carries the reason
		return device.Installed{}, err
	}

	for {
		select {
		case <-ctx.Done():
			f := &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
			if upload != nil {
				f.Text = fmt.Sprintf("after %d of %d octets", upload.sent.Load(), req.Size)
			}
			return device.Installed{}, f
		case <-ticker.C:
			report()
		case <-sent:
			sent = nil
			if err := upload.err; err != nil && !errors.Is(err, io.EOF) {
				return device.Installed{}, err
			}
			report()
		case a := <-answers:
			if a.err != nil {
				if errors.Is(a.err, io.EOF) {
					return device.Installed{}, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "the device ended the installation without an answer"}
				}
				if upload != nil {
					return device.Installed{}, fmt.Errorf("after %d of %d octets: %w", upload.sent.Load(), req.Size, a.err)
				}
				return device.Installed{}, a.err
			}
			switch m := a.msg.GetResponse().(type) {
			case *ospb.InstallResponse_TransferReady:
				if upload != nil {
					return device.Installed{}, &device.Fault{Kind: device.Refused, Op: op, Text: "the device asked for the package twice"}
				}
				upload = startUpload(sctx, stream, req)
				sent = upload.ended
			case *ospb.InstallResponse_TransferProgress:
				// What the device has received lags behind what was sent;
				// both are honest, the sender's count is the finer one.
			case *ospb.InstallResponse_SyncProgress:
				syncing, percent = true, int(m.SyncProgress.GetPercentageTransferred())
			case *ospb.InstallResponse_Validated:
				return d.validated(req, m.Validated.GetVersion(), upload)
			case *ospb.InstallResponse_InstallError:
				// The stream ends without an error status after this message.
				return device.Installed{}, installFault(m.InstallError)
			}
		}
	}
}

// validated checks the device's last word against the request.
func (d *Driver) validated(req device.InstallRequest, version string, up *upload) (device.Installed, error) {
	const op = "install"
	if version != req.Version {
		return device.Installed{}, &device.Fault{Kind: device.WrongImage, Op: op,
			Text: fmt.Sprintf("the device validated version %q, asked for was %q", version, req.Version)}
	}
	if up == nil {
		return device.Installed{Version: version, AlreadyThere: true}, nil
	}
	if !up.complete() {
		return device.Installed{}, &device.Fault{Kind: device.Damaged, Op: op,
			Text: fmt.Sprintf("the device validated the package after %d of %d octets", up.sent.Load(), req.Size)}
	}
	return device.Installed{Version: version, SHA256: up.digest, Sent: up.sent.Load()}, nil
}

func installFault(e *ospb.InstallError) error {
	kind, known := installKinds[e.GetType()]
	if !known {
		kind = device.Refused
	}
	return &device.Fault{Kind: kind, Op: "install", Err: &installError{e.GetType(), e.GetDetail()}}
}

// answer is one message of the device, or the error that ended the stream.
type answer struct {
	msg *ospb.InstallResponse
	err error
}

func receive(ctx context.Context, stream ospb.OS_InstallClient, out chan<- answer) {
	for {
		m, err := stream.Recv()
		select {
		case out <- answer{m, err}:
		case <-ctx.Done():
			return
		}
		if err != nil {
			return
		}
	}
}

// checkDigest compares what was read of a package with what was asked for.
func checkDigest(op, want, got string) error {
	if want != "" && want != got {
		return &device.Fault{Kind: device.Damaged, Op: op,
			Text: fmt.Sprintf("the package read here has SHA-256 %s, the request says %s", got, want)}
	}
	return nil
}

// checkLength compares the length read with the length announced.
func checkLength(op string, want, got int64) error {
	if want != got {
		return &device.Fault{Kind: device.Damaged, Op: op,
			Text: fmt.Sprintf("the package read here has %d octets, the request says %d", got, want)}
	}
	return nil
}
