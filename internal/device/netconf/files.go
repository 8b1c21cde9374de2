package netconf

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"github.com/pkg/sftp"
	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/transfer"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// sftpOn runs f with a client of the subsystem "sftp", which ends with ctx, or
// when the device answers nothing any more. what says what the device does in f.
func sftpOn(ctx context.Context, link *sshlink.Client, op, what string, f func(*sftp.Client) error) error {
	if ctx.Err() != nil {
		return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "nothing was asked", Err: context.Cause(ctx)}
	}
	err := transfer.Files(ctx, link, op, what, f)
	var none *ssh.OpenChannelError
	if errors.As(err, &none) && device.KindOf(err) == device.Refused {
		// Beside NETCONF it lets in no other session, now or later.
		return &device.Fault{Kind: device.Unable, Op: op, Text: "the device offers no SFTP", Err: err}
	}
	return fileFault(ctx, link, op, err)
}

// fileFault is an error of SFTP as a failure of the operation.
func fileFault(ctx context.Context, link *sshlink.Client, op string, err error) error {
	kind := device.Refused
	var f *device.Fault
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
	case errors.As(err, &f):
		return err
	case errors.Is(err, fs.ErrNotExist):
		kind = device.Missing
	case errors.Is(err, sftp.ErrSSHFxConnectionLost):
		return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "the file service ended", Err: err}
	case errors.Is(err, sftp.ErrSSHFxOpUnsupported):
		kind = device.Unable
	case errors.Is(err, fs.ErrPermission):
	default:
		return link.Fault(ctx, op, device.OutcomeUnknown, err)
	}
	return &device.Fault{Kind: kind, Op: op, Err: err}
}

func hasSFTP(ctx context.Context, link *sshlink.Client, op string) (bool, error) {
	err := sftpOn(ctx, link, op, "end the SFTP session", func(*sftp.Client) error { return nil })
	if device.KindOf(err) == device.Unable && err != nil {
		return false, nil
	}
	return err == nil, err
}

// onController is the path of a file, which begins with the name of its
// controller card where there are several.
func onController(controller, name string) string {
	name = path.Clean("/" + name)
	if controller == "" || name == "/"+controller || strings.HasPrefix(name, "/"+controller+"/") {
		return name
	}
	return "/" + controller + name
}

// RemoveFile deletes a file; one that is not there is no error.
func (d *Driver) RemoveFile(ctx context.Context, controller, name string) error {
	const op = "remove"
	link, _, err := d.connect(ctx, op)
	if err != nil {
		return err
	}
	return removeFile(ctx, link, op, onController(controller, name))
}

func removeFile(ctx context.Context, link *sshlink.Client, op, name string) error {
	err := sftpOn(ctx, link, op, "remove "+name, func(c *sftp.Client) error {
		i, err := c.Stat(name)
		if err != nil {
			return err
		}
		if i.IsDir() {
			return &device.Fault{Kind: device.Refused, Op: op, Text: name + " is a folder"}
		}
		return c.Remove(name)
	})
	if err != nil && device.KindOf(err) == device.Missing {
		return nil
	}
	return err
}

// HashFile reads a file from the device and returns its SHA-256.
func (d *Driver) HashFile(ctx context.Context, controller, name string) (string, error) {
	const op = "hash"
	link, _, err := d.connect(ctx, op)
	if err != nil {
		return "", err
	}
	return hashFile(ctx, link, op, onController(controller, name))
}

func hashFile(ctx context.Context, link *sshlink.Client, op, name string) (string, error) {
	sum := sha256.New()
	err := sftpOn(ctx, link, op, "send "+name, func(c *sftp.Client) error {
		f, err := c.Open(name)
		if err != nil {
			return err
		}
		_, err = f.WriteTo(sum)
		return errors.Join(err, f.Close())
	})
	if err != nil {
		return "", err
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

// readFiles lists the files of every volume, in place. It returns what could not
// be listed.
func (d *Driver) readFiles(ctx context.Context, link *sshlink.Client, volumes []state.Volume) ([]string, error) {
	if len(volumes) == 0 {
		return nil, nil
	}
	var unread []string
	err := sftpOn(ctx, link, "files", "list its files", func(c *sftp.Client) error {
		for i := range volumes {
			v := &volumes[i]
			files, err := list(c, v.Mount)
			if err == nil {
				v.Files, v.FilesKnown = files, true
				continue
			}
			err = fileFault(ctx, link, "files", err)
			if k := device.KindOf(err); k == device.OutcomeUnknown || k == device.Unreachable {
				return err
			}
			unread = append(unread, fmt.Sprintf("files of %s: %v", v.Mount, err))
		}
		return nil
	})
	if err != nil && device.KindOf(err) == device.Unable {
		return []string{"files: " + err.Error()}, nil
	}
	return unread, err
}

// most is how many files of a volume are listed.
const most = 20000

// list walks through a folder.
func list(c *sftp.Client, folder string) ([]state.File, error) {
	var out []state.File
	w := c.Walk(folder)
	for w.Step() {
		if err := w.Err(); err != nil {
			return nil, err
		}
		i := w.Stat()
		if !i.Mode().IsRegular() {
			continue
		}
		if len(out) == most {
			return nil, fmt.Errorf("found more than %d files", most)
		}
		f := state.File{Path: w.Path(), Size: unit.ByteSize(i.Size())}
		if t := i.ModTime(); t.Unix() > 0 {
			f.Modified = state.Some(t.UTC())
		}
		out = append(out, f)
	}
	return out, nil
}
