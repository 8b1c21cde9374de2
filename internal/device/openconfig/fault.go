package openconfig

import (
	"context"
	"errors"
	"fmt"

	ospb "github.com/openconfig/gnoi/os"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"towpath/internal/device"
)

// statusKinds says what each gRPC status means for the caller. Source: gRPC
// status code documentation and gNMI specification §2.5; where they leave the
// reaction open, common practice.
var statusKinds = map[codes.Code]device.Kind{
	codes.Canceled:           device.OutcomeUnknown, // read again before acting
	codes.Unknown:            device.Refused,        // read again, then a person
	codes.InvalidArgument:    device.Ours,           // stop, our request is wrong
	codes.DeadlineExceeded:   device.OutcomeUnknown, // read again before acting
	codes.NotFound:           device.Missing,
	codes.AlreadyExists:      device.Refused, // transfers compare the hash and go on
	codes.PermissionDenied:   device.Denied,
	codes.ResourceExhausted:  device.NoSpace,
	codes.FailedPrecondition: device.Moved, // plan afresh from what the device says now
	codes.Aborted:            device.Moved,
	codes.OutOfRange:         device.Ours,
	codes.Unimplemented:      device.Unable,
	codes.Internal:           device.Refused, // read again, then a person
	codes.Unavailable:        device.Unreachable,
	codes.DataLoss:           device.Damaged,
	codes.Unauthenticated:    device.Denied,
}

// installKinds says what each InstallError means for the caller.
// Source: OpenConfig gNOI os.proto, InstallError.
var installKinds = map[ospb.InstallError_Type]device.Kind{
	ospb.InstallError_UNSPECIFIED:             device.Refused,
	ospb.InstallError_INCOMPATIBLE:            device.WrongImage,
	ospb.InstallError_TOO_LARGE:               device.NoSpace,
	ospb.InstallError_PARSE_FAIL:              device.Damaged,
	ospb.InstallError_INTEGRITY_FAIL:          device.Damaged,
	ospb.InstallError_INSTALL_RUN_PACKAGE:     device.Refused, // unless Verify shows that it is the one wanted
	ospb.InstallError_INSTALL_IN_PROGRESS:     device.Busy,
	ospb.InstallError_UNEXPECTED_SWITCHOVER:   device.Moved,
	ospb.InstallError_SYNC_FAIL:               device.Damaged, // the copy on the secondary is not valid; once more, after reading its state
	ospb.InstallError_NOT_SUPPORTED_ON_BACKUP: device.Unable,
}

// activateKinds says what each ActivateError means for the caller.
// Source: OpenConfig gNOI os.proto, ActivateError.
var activateKinds = map[ospb.ActivateError_Type]device.Kind{
	ospb.ActivateError_UNSPECIFIED:             device.Refused,
	ospb.ActivateError_NON_EXISTENT_VERSION:    device.Missing,
	ospb.ActivateError_NOT_SUPPORTED_ON_BACKUP: device.Unable,
}

// rpcError is a gRPC status as people read it.
type rpcError struct {
	code codes.Code
	text string
	err  error
}

// Error is the message and, in brackets, the code.
func (e *rpcError) Error() string { return fmt.Sprintf("%s [%s]", e.text, e.code) }

// Unwrap returns the error as gRPC gave it.
func (e *rpcError) Unwrap() error { return e.err }

// fault turns an error of a remote procedure call into a Fault.
func (d *Driver) fault(ctx context.Context, op string, err error) error {
	if err == nil {
		return nil
	}
	var already *device.Fault
	if errors.As(err, &already) {
		return err
	}
	s, ok := status.FromError(err)
	if !ok {
		if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
			return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: err}
		}
		return &device.Fault{Kind: device.Ours, Op: op, Err: err}
	}
	if c := ctx.Err(); c != nil && (s.Code() == codes.Canceled || s.Code() == codes.DeadlineExceeded || s.Code() == codes.Unavailable) {
		return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
	}
	cause := &rpcError{s.Code(), s.Message(), err}
	if s.Code() == codes.Unavailable {
		return d.unreachable(ctx, op, cause)
	}
	kind, known := statusKinds[s.Code()]
	if !known {
		kind = device.Refused
	}
	return &device.Fault{Kind: kind, Op: op, Err: cause}
}

// unreachable says why the device could not be talked to, with what the
// transport knows about certificates.
func (d *Driver) unreachable(ctx context.Context, op string, cause error) error {
	kind, text, err, ok := d.link.verdict(context.WithoutCancel(ctx), d.cfg.Target)
	f := &device.Fault{Kind: device.Unreachable, Op: op, Err: cause}
	if ok {
		f.Kind, f.Text = kind, text
		if cause == nil || kind == device.Denied {
			f.Err = err
		}
	}
	return f
}

// ours is a failure on this side.
func ours(op string, err error) error {
	return &device.Fault{Kind: device.Ours, Op: op, Err: err}
}

// codeOf is the gRPC code in an error's chain.
func codeOf(err error) codes.Code {
	var r *rpcError
	if errors.As(err, &r) {
		return r.code
	}
	return status.Code(err)
}

// asOp is err as a failure of the operation op, which needed another one.
func asOp(op string, err error) error {
	var f *device.Fault
	if errors.As(err, &f) {
		return &device.Fault{Kind: f.Kind, Op: op, Err: err}
	}
	return ours(op, err)
}
