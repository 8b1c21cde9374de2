package lab

import (
	"bufio"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"path"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	filepb "github.com/openconfig/gnoi/file"
	"github.com/openconfig/gnoi/types"
)

// fileServer is gNOI File.
// Source for all of it: OpenConfig gNOI file.proto 0.1.1.
type fileServer struct {
	filepb.UnimplementedFileServer
	c *Chassis
}

// find returns the file of an absolute path. The lock is held.
func (c *Chassis) find(name string) (*volume, *file, error) {
	v, p, err := c.split(name)
	if err != nil {
		return nil, nil, status.Error(codes.InvalidArgument, err.Error())
	}
	f := v.files[p]
	if f == nil {
		return nil, nil, status.Errorf(codes.NotFound, "%s: no such file", name)
	}
	return v, f, nil
}

// Stat describes a file, or every file below a folder.
func (s *fileServer) Stat(_ context.Context, req *filepb.StatRequest) (*filepb.StatResponse, error) {
	c := s.c
	c.mu.Lock()
	defer c.mu.Unlock()
	v, p, err := c.split(req.GetPath())
	if err != nil {
		return nil, status.Error(codes.InvalidArgument, err.Error())
	}
	files := v.sorted(p)
	if len(files) == 0 && p != "/" {
		return nil, status.Errorf(codes.NotFound, "%s: no such file or folder", req.GetPath())
	}
	out := &filepb.StatResponse{}
	for _, f := range files {
		out.Stats = append(out.Stats, &filepb.StatInfo{
			Path: v.name() + f.path, LastModified: uint64(f.modified.UnixNano()), Permissions: f.perm, Size: uint64(f.size), Umask: 22,
		})
	}
	return out, nil
}

// Get sends a file and then its SHA-256, computed from what was sent.
func (s *fileServer) Get(req *filepb.GetRequest, stream filepb.File_GetServer) error {
	s.c.mu.Lock()
	_, f, err := s.c.find(req.GetRemoteFile())
	s.c.mu.Unlock()
	if err != nil {
		return err
	}
	r, err := f.content.open()
	if err != nil {
		return status.Error(codes.DataLoss, err.Error())
	}
	defer func() { _ = r.Close() }() // read only; nothing is lost
	const piece = 64 << 10           // file.proto: up to 64 KB of data each
	in := bufio.NewReaderSize(r, piece)
	sum := sha256.New()
	for {
		buf := make([]byte, piece)
		n, err := io.ReadFull(in, buf)
		if n > 0 {
			sum.Write(buf[:n])
			if err := stream.Send(&filepb.GetResponse{Response: &filepb.GetResponse_Contents{Contents: buf[:n]}}); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			break
		}
		if err != nil {
			return status.Error(codes.DataLoss, err.Error())
		}
		if stream.Context().Err() != nil {
			return status.FromContextError(stream.Context().Err()).Err()
		}
	}
	return stream.Send(&filepb.GetResponse{Response: &filepb.GetResponse_Hash{
		Hash: &types.HashType{Method: types.HashType_SHA256, Hash: sum.Sum(nil)},
	}})
}

// Put receives a file. Without a hash nothing is kept.
func (s *fileServer) Put(stream filepb.File_PutServer) error {
	c := s.c
	first, err := stream.Recv()
	if err != nil {
		return err
	}
	open := first.GetOpen()
	if open == nil {
		return status.Error(codes.InvalidArgument, "the first message must open the file")
	}
	var act *Act
	c.do(func() { act = c.act(ActPut, "file="+open.GetRemoteFile()) })
	changed, err := c.put(stream, open)
	c.do(func() {
		act.Changed, act.Outcome = changed, "ok"
		if err != nil {
			act.Outcome = err.Error()
		}
	})
	if err != nil {
		return err
	}
	return stream.SendAndClose(&filepb.PutResponse{})
}

func (c *Chassis) put(stream filepb.File_PutServer, open *filepb.PutRequest_Details) (bool, error) {
	u, err := c.newUpload(open.GetRemoteFile(), "")
	if err != nil {
		return false, err
	}
	defer u.release()
	for {
		msg, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return false, status.Error(codes.Aborted, "the stream ended without a hash")
		}
		if err != nil {
			return false, err
		}
		switch r := msg.GetRequest().(type) {
		case *filepb.PutRequest_Contents:
			if err := u.take(r.Contents); err != nil {
				return false, err
			}
		case *filepb.PutRequest_Hash:
			if err := u.check(r.Hash); err != nil {
				return false, err
			}
			perm := open.GetPermissions()
			if perm == 0 {
				perm = 644
			}
			c.do(func() { err = u.store(perm) })
			return err == nil, err
		default:
			return false, status.Error(codes.InvalidArgument, "want contents or hash")
		}
	}
}

// Remove deletes a file that nothing needs.
func (s *fileServer) Remove(_ context.Context, req *filepb.RemoveRequest) (*filepb.RemoveResponse, error) {
	c := s.c
	var err error
	c.do(func() {
		act := c.act(ActRemove, "file="+req.GetRemoteFile())
		err = c.removeFile(req.GetRemoteFile())
		act.Changed, act.Outcome = err == nil, "ok"
		if err != nil {
			act.Outcome = err.Error()
		}
	})
	if err != nil {
		return nil, err
	}
	return &filepb.RemoveResponse{}, nil
}

func (c *Chassis) removeFile(name string) error {
	v, f, err := c.find(name)
	switch {
	case err != nil:
		if v, p, bad := c.split(name); bad == nil && len(v.sorted(p)) > 0 {
			return status.Errorf(codes.InvalidArgument, "%s is a folder", name)
		}
		return err
	case v.readOnly:
		return status.Errorf(codes.PermissionDenied, "%s is read-only", v.name())
	}
	if why := c.needed(v, f); why != "" {
		return status.Errorf(codes.PermissionDenied, "%s %s", name, why)
	}
	v.remove(f.path)
	return nil
}

// needed says why a file must stay; empty where it may go.
func (c *Chassis) needed(v *volume, f *file) string {
	k := c.controller(v.controller)
	switch {
	case f.version != "" && f.version == k.version:
		return "is the running release"
	case f.version != "" && f.version == k.bootNext:
		return "boots next"
	case strings.HasPrefix(f.path, "/config/"):
		return "is the configuration"
	}
	return ""
}

// gnoiPath is the name of a file on a volume as File knows it.
func gnoiPath(v *volume, f *file) string { return path.Clean(fmt.Sprintf("%s%s", v.name(), f.path)) }
