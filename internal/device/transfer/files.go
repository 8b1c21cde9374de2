package transfer

import (
	"context"
	"errors"

	"github.com/pkg/sftp"
	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
)

// Files has f use an SFTP session on c, for looking at, reading and removing
// files; [SFTP] is for putting an image there. op names the operation in errors,
// and what says, after "it was to", what the device does in it.
//
// No wait is without an end: where the device answers nothing for two minutes,
// or for five seconds after ctx has ended, c is closed, since nothing less ends
// what waits. The failure is Unreachable while the session is opened, and
// OutcomeUnknown from then on; Unable where there is no SFTP. An error of f stays
// what it is.
func Files(ctx context.Context, c *sshlink.Client, op, what string, f func(*sftp.Client) error) error {
	return files(ctx, c, op, what, Options{}, f)
}

func files(ctx context.Context, c *sshlink.Client, op, what string, o Options, f func(*sftp.Client) error) error {
	w := newWatch(c, o)
	end := w.wait(ctx, answerTime, "open an SFTP session")
	session, err := subsystemOn(c, w)
	end()
	if err != nil {
		return notOpened(ctx, c, w, op, err)
	}
	defer session.shut(w)
	defer w.wait(ctx, answerTime, what)()
	// The device ends the session where it still can, and the connection stays.
	defer context.AfterFunc(ctx, func() { _ = session.session.Close() })() // what waits then fails
	err = f(session.Client)
	if text := w.silence(); text != "" {
		return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: text}
	}
	return err
}

// notOpened is the failure of an SFTP session that could not be opened.
func notOpened(ctx context.Context, c *sshlink.Client, w *watch, op string, err error) error {
	if text := w.silence(); text != "" {
		return &device.Fault{Kind: lostKind, Op: op, Text: text}
	}
	var none *ssh.OpenChannelError
	if ctx.Err() != nil || errors.As(err, &none) || !errors.Is(err, errNoSubsystem) && c.Gone() {
		return c.Fault(ctx, op, lostKind, err)
	}
	return &device.Fault{Kind: device.Unable, Op: op, Text: "the device offers no SFTP", Err: err}
}
