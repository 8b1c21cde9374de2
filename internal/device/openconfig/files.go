package openconfig

import (
	"bytes"
	"context"
	"crypto/md5" //nolint:gosec // a device may give no other hash; it is compared, not trusted
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"strings"
	"time"

	filepb "github.com/openconfig/gnoi/file"
	systempb "github.com/openconfig/gnoi/system"
	typespb "github.com/openconfig/gnoi/types"
	"google.golang.org/grpc/codes"

	"towpath/internal/device"
)

// onController is the path of a file for gNOI, which has no other way to name
// the controller card: its absolute paths begin with the card's name.
func onController(controller, path string) string {
	path = "/" + strings.TrimPrefix(path, "/")
	if controller == "" || path == "/"+controller || strings.HasPrefix(path, "/"+controller+"/") {
		return path
	}
	return "/" + controller + path
}

// firmwareFile is where firmware for a component goes: an absolute name is
// taken as it is, any other belongs to the component.
func firmwareFile(component, file string) string {
	if strings.HasPrefix(file, "/") {
		return file
	}
	return "/" + component + "/firmware/" + file
}

// RemoveFile deletes a file; one that is not there is no error.
func (d *Driver) RemoveFile(ctx context.Context, controller, path string) error {
	const op = "remove"
	if err := d.connect(ctx, op); err != nil {
		return err
	}
	_, err := d.file.Remove(ctx, &filepb.RemoveRequest{RemoteFile: onController(controller, path)})
	err = d.fault(ctx, op, err)
	if codeOf(err) == codes.NotFound {
		return nil
	}
	return err
}

// HashFile reads a file from the device and returns its SHA-256. The device
// sends a hash of its own after the content; a difference is a Damaged fault.
func (d *Driver) HashFile(ctx context.Context, controller, path string) (string, error) {
	const op = "hash"
	if err := d.connect(ctx, op); err != nil {
		return "", err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := d.file.Get(ctx, &filepb.GetRequest{RemoteFile: onController(controller, path)})
	if err != nil {
		return "", d.fault(ctx, op, err)
	}
	// Which hash the device uses is known at the end only, so all are kept.
	sums := map[typespb.HashType_HashMethod]hash.Hash{
		typespb.HashType_SHA256: sha256.New(), typespb.HashType_SHA512: sha512.New(), typespb.HashType_MD5: md5.New(),
	}
	w := io.MultiWriter(sums[typespb.HashType_SHA256], sums[typespb.HashType_SHA512], sums[typespb.HashType_MD5])
	var theirs *typespb.HashType
	for {
		r, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return "", d.fault(ctx, op, err)
		}
		switch m := r.GetResponse().(type) {
		case *filepb.GetResponse_Contents:
			if _, err := w.Write(m.Contents); err != nil {
				return "", ours(op, err)
			}
		case *filepb.GetResponse_Hash:
			theirs = m.Hash
		}
	}
	if theirs == nil {
		// Source: gNOI file.proto, Get: the last message carries the hash.
		return "", &device.Fault{Kind: device.Damaged, Op: op, Text: "the device ended the file without its hash"}
	}
	h, ok := sums[theirs.GetMethod()]
	if !ok {
		return "", &device.Fault{Kind: device.Damaged, Op: op, Text: fmt.Sprintf("the device's hash is of an unknown kind %d", theirs.GetMethod())}
	}
	if sum := h.Sum(nil); !bytes.Equal(sum, theirs.GetHash()) {
		return "", &device.Fault{Kind: device.Damaged, Op: op,
			Text: fmt.Sprintf("%s of what was received is %x, the device says %x", theirs.GetMethod(), sum, theirs.GetHash())}
	}
	return hex.EncodeToString(sums[typespb.HashType_SHA256].Sum(nil)), nil
}

// PutComponentImage transfers firmware for one component with its hash. The
// device drops what it has received when the transfer breaks before the hash.
// Source: gNOI system.proto, SetPackage.
func (d *Driver) PutComponentImage(ctx context.Context, req device.ComponentImageRequest, progress func(device.Progress)) error {
	const op = "put"
	if req.Component == "" || req.File == "" {
		return &device.Fault{Kind: device.Ours, Op: op, Text: "no component or no file name given"}
	}
	if err := d.connect(ctx, op); err != nil {
		return err
	}
	content, err := req.Content(0)
	if err != nil {
		return ours(op, err)
	}
	defer func() { _ = content.Close() }() // it was only read
	sctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := d.system.SetPackage(sctx)
	if err != nil {
		return d.fault(ctx, op, err)
	}
	err = putPackage(stream, req, content, func(sent int64) {
		if progress != nil {
			progress(device.Progress{Sent: sent, Total: req.Size})
		}
	})
	if err != nil && !errors.Is(err, io.EOF) { // at EOF the answer carries the reason
		return d.fault(ctx, op, err)
	}
	_, err = stream.CloseAndRecv()
	err = d.fault(ctx, op, err)
	if codeOf(err) == codes.AlreadyExists && req.SHA256 != "" {
		// Good only if it is the same file.
		have, herr := d.HashFile(ctx, "", firmwareFile(req.Component, req.File))
		if herr == nil && have == req.SHA256 {
			return nil
		}
	}
	return err
}

func putPackage(stream systempb.System_SetPackageClient, req device.ComponentImageRequest, content io.Reader, report func(int64)) error {
	const op = "put"
	err := stream.Send(&systempb.SetPackageRequest{Request: &systempb.SetPackageRequest_Package{Package: &systempb.Package{
		Filename: firmwareFile(req.Component, req.File), Version: req.Version, Activate: true,
	}}})
	if err != nil {
		return err
	}
	sum := sha256.New()
	var sent int64
	var reported time.Time
	content = io.LimitReader(content, req.Size+1)
	buf := make([]byte, fileChunk)
	for {
		n, err := io.ReadFull(content, buf)
		if n > 0 {
			sum.Write(buf[:n])
			if err := stream.Send(&systempb.SetPackageRequest{Request: &systempb.SetPackageRequest_Contents{Contents: buf[:n]}}); err != nil {
				return err
			}
			sent += int64(n)
			if time.Since(reported) >= progressEvery {
				reported = time.Now()
				report(sent)
			}
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			break
		}
		if err != nil {
			return ours(op, err)
		}
	}
	if err := checkLength(op, req.Size, sent); err != nil {
		return err
	}
	if err := checkDigest(op, req.SHA256, hex.EncodeToString(sum.Sum(nil))); err != nil {
		return err
	}
	return stream.Send(&systempb.SetPackageRequest{Request: &systempb.SetPackageRequest_Hash{Hash: &typespb.HashType{
		Method: typespb.HashType_SHA256, Hash: sum.Sum(nil),
	}}})
}
