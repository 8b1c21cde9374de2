package lab

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/pkg/sftp"
)

// stagingFolder is the folder of each volume to which packages are sent before they
// are installed.
const stagingFolder = "/incoming"

// serveSFTP is the subsystem sftp: the volumes of both controller cards.
// Source: draft-ietf-secsh-filexfer-02.
func (c *Chassis) serveSFTP(ctx context.Context, ch io.ReadWriteCloser) {
	h := &stagedFiles{c: c, ctx: ctx}
	srv := sftp.NewRequestServer(ch, sftp.Handlers{FileGet: h, FilePut: h, FileCmd: h, FileList: h}, sftp.WithStartDirectory("/"))
	stop := context.AfterFunc(ctx, func() { _ = srv.Close() })
	defer stop()
	_ = srv.Serve() // ends with the channel
}

// stagedFiles is the file system as one client sees it.
type stagedFiles struct {
	c   *Chassis
	ctx context.Context
}

// OpenFile opens a file for writing, and reading.
func (h *stagedFiles) OpenFile(r *sftp.Request) (sftp.WriterAtReaderAt, error) { return h.write(r) }

// Filewrite opens a file for writing.
func (h *stagedFiles) Filewrite(r *sftp.Request) (io.WriterAt, error) { return h.write(r) }

func (h *stagedFiles) write(r *sftp.Request) (*stagedUpload, error) {
	c := h.c
	c.mu.Lock()
	defer c.mu.Unlock()
	v, p, err := c.split(r.Filepath)
	if err != nil || p == "/" {
		return nil, os.ErrNotExist
	}
	if v.readOnly {
		return nil, fmt.Errorf("%s is read-only: %w", v.name(), os.ErrPermission)
	}
	if old := v.files[p]; old != nil && c.needed(v, old) != "" {
		return nil, fmt.Errorf("%s %s: %w", r.Filepath, c.needed(v, old), os.ErrPermission)
	}
	f, err := os.CreateTemp(c.lab.dir, "netconf-")
	if err != nil {
		return nil, err
	}
	run := &installRun{}
	run.ctx, run.abort = context.WithCancelCause(h.ctx)
	w := &stagedUpload{c: c, v: v, path: p, file: f, t: &transfer{c: c, run: run, targets: []*controller{c.controller(v.controller)}, expected: c.expected}}
	if old := v.files[p]; old != nil && !r.Pflags().Trunc { // it goes on
		if err := w.takeUp(old); err != nil {
			return nil, err
		}
	}
	v.remove(p)
	w.t.reserve(w.size)
	return w, nil
}

// takeUp begins with what a file has.
func (w *stagedUpload) takeUp(old *file) error {
	body, err := old.content.open()
	if err != nil {
		return err
	}
	w.size, err = io.Copy(w.file, body)
	return errors.Join(err, body.Close())
}

// stagedUpload is a file that is being written.
type stagedUpload struct {
	c    *Chassis
	v    *volume
	path string
	t    *transfer // carries the faults of an installation, and what is reserved

	mu   sync.Mutex
	file *os.File
	size int64
}

// WriteAt takes a piece; pieces come in any order.
func (w *stagedUpload) WriteAt(b []byte, at int64) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	c, n := w.c, int64(len(b))
	if rate := int64(c.cfg.TransferRate); rate > 0 {
		if err := w.t.run.pause(c, time.Duration(float64(n)/float64(rate)*float64(time.Second))); err != nil {
			return 0, err
		}
	}
	grows := max(at+n-w.size, 0)
	c.mu.Lock()
	if w.v.readOnly {
		c.mu.Unlock()
		return 0, fmt.Errorf("%s became read-only: %w", w.v.name(), os.ErrPermission)
	}
	if w.v.available() < grows {
		c.mu.Unlock()
		return 0, fmt.Errorf("%s: %w", w.v.name(), syscall.ENOSPC)
	}
	w.t.reserve(grows)
	stall := strings.HasPrefix(w.path, stagingFolder+"/") && c.received(w.t)
	flip := w.t.flip
	w.t.flip = false
	c.mu.Unlock()
	if stall {
		<-w.t.run.ctx.Done()
		return 0, w.t.run.why()
	}
	if flip && n > 0 {
		b = slices.Clone(b)
		b[n/2] ^= 0x10
	}
	m, err := w.file.WriteAt(b, at)
	w.size = max(w.size, at+int64(m))
	return m, err
}

// ReadAt reads what was written.
func (w *stagedUpload) ReadAt(b []byte, at int64) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.file.ReadAt(b, at)
}

// Close keeps the file.
func (w *stagedUpload) Close() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	scan := newPackScan()
	_, err := io.Copy(scan, io.NewSectionReader(w.file, 0, w.size))
	err = errors.Join(err, w.file.Close())
	w.t.run.abort(nil)
	w.c.do(func() {
		w.t.reserve(-w.t.reserved)
		if err != nil {
			return
		}
		f := &file{path: w.path, size: w.size, modified: w.c.now(), perm: 644, content: &diskContent{name: w.file.Name()}}
		f.sum, _, _ = scan.finish() // the sum holds for what is no package, too
		w.v.put(f)
		w.c.noteFile(ActPut, w.v, w.path)
	})
	return err
}

// noteFile notes a change of a file as an act. What is on its way to an
// installation changes nothing of the device. The lock is held.
func (c *Chassis) noteFile(kind string, v *volume, p string) {
	if p == stagingFolder || strings.HasPrefix(p, stagingFolder+"/") {
		return
	}
	a := c.act(kind, "file="+v.name()+p)
	a.Changed, a.Outcome = true, "ok"
}

// Fileread opens a file for reading.
func (h *stagedFiles) Fileread(r *sftp.Request) (io.ReaderAt, error) {
	h.c.mu.Lock()
	_, f, err := h.c.find(r.Filepath)
	h.c.mu.Unlock()
	if err != nil {
		return nil, os.ErrNotExist
	}
	body, err := f.content.open()
	if err != nil {
		return nil, err
	}
	defer func() { _ = body.Close() }() // it was only read
	if at, ok := body.(*os.File); ok {
		again, err := os.Open(at.Name())
		if err != nil {
			return nil, err
		}
		return again, nil
	}
	b, err := io.ReadAll(body)
	if err != nil {
		return nil, err
	}
	return strings.NewReader(string(b)), nil
}

// Filecmd renames and removes.
func (h *stagedFiles) Filecmd(r *sftp.Request) error {
	c := h.c
	var err error
	switch r.Method {
	case "Mkdir":
		return nil // folders are wherever files are
	case "Setstat":
		if !r.AttrFlags().Size {
			return nil // permissions and times are the device's own
		}
		return h.shorten(r.Filepath, int64(r.Attributes().Size))
	case "Remove":
		c.do(func() {
			v, f, ferr := c.find(r.Filepath)
			switch {
			case ferr != nil:
				err = os.ErrNotExist
			case v.readOnly:
				err = fmt.Errorf("%s is read-only: %w", v.name(), os.ErrPermission)
			case c.needed(v, f) != "":
				err = fmt.Errorf("%s %s: %w", r.Filepath, c.needed(v, f), os.ErrPermission)
			default:
				v.remove(f.path)
				c.noteFile(ActRemove, v, f.path)
			}
		})
		return err
	case "Rename":
		return h.rename(r, false)
	}
	return sftp.ErrSSHFxOpUnsupported
}

// shorten keeps the beginning of a file.
func (h *stagedFiles) shorten(name string, size int64) error {
	c := h.c
	c.mu.Lock()
	v, f, err := c.find(name)
	c.mu.Unlock()
	switch {
	case err != nil:
		return os.ErrNotExist
	case size > f.size || !strings.HasPrefix(f.path, stagingFolder+"/"):
		return os.ErrPermission
	}
	body, err := f.content.open()
	if err != nil {
		return err
	}
	b, err := io.ReadAll(io.LimitReader(body, size))
	if err := errors.Join(err, body.Close()); err != nil {
		return err
	}
	c.do(func() {
		g := *f
		g.size, g.sum, g.content = size, sha256.Sum256(b), &memoryContent{pieces: [][]byte{b}}
		v.put(&g)
	})
	return nil
}

// PosixRename renames over what has the name.
func (h *stagedFiles) PosixRename(r *sftp.Request) error { return h.rename(r, true) }

func (h *stagedFiles) rename(r *sftp.Request, over bool) error {
	c := h.c
	var err error
	c.do(func() {
		v, f, ferr := c.find(r.Filepath)
		w, to, terr := c.split(r.Target)
		switch {
		case ferr != nil:
			err = os.ErrNotExist
		case terr != nil || v != w || to == "/":
			err = fmt.Errorf("%s: want a path on %s: %w", r.Target, v.name(), os.ErrPermission)
		case v.readOnly || c.needed(v, f) != "" || v.files[to] != nil && (!over || c.needed(v, v.files[to]) != ""):
			err = os.ErrPermission
		default:
			g := *f
			g.path = to
			v.put(&g)
			v.remove(f.path)
			c.noteFile(ActPut, v, to)
		}
	})
	return err
}

// StatVFS tells the space. Source: OpenSSH PROTOCOL §4.5.
func (h *stagedFiles) StatVFS(r *sftp.Request) (*sftp.StatVFS, error) {
	h.c.mu.Lock()
	defer h.c.mu.Unlock()
	v, _, err := h.c.split(r.Filepath)
	if err != nil {
		return nil, os.ErrNotExist
	}
	out := &sftp.StatVFS{Bsize: 1, Frsize: 1, Blocks: uint64(v.size), Bfree: uint64(v.available()), Bavail: uint64(v.available()), Namemax: 255}
	if v.readOnly {
		out.Flag = 1
	}
	return out, nil
}

// stagedInfo is a file or a folder as SFTP tells it.
type stagedInfo struct {
	name     string
	size     int64
	modified time.Time
	perm     fs.FileMode
}

// Name implements fs.FileInfo, and so do the others.
func (i stagedInfo) Name() string       { return i.name }
func (i stagedInfo) Size() int64        { return i.size }
func (i stagedInfo) Mode() fs.FileMode  { return i.perm }
func (i stagedInfo) ModTime() time.Time { return i.modified }
func (i stagedInfo) IsDir() bool        { return i.perm.IsDir() }
func (i stagedInfo) Sys() any           { return nil }

type stagedList []fs.FileInfo

// ListAt implements sftp.ListerAt.
func (l stagedList) ListAt(out []fs.FileInfo, at int64) (int, error) {
	if at >= int64(len(l)) {
		return 0, io.EOF
	}
	n := copy(out, l[at:])
	if at+int64(n) == int64(len(l)) {
		return n, io.EOF
	}
	return n, nil
}

// Filelist lists a folder, or tells of one entry.
func (h *stagedFiles) Filelist(r *sftp.Request) (sftp.ListerAt, error) {
	h.c.mu.Lock()
	defer h.c.mu.Unlock()
	all := h.c.allFiles()
	name := path.Clean(r.Filepath)
	switch r.Method {
	case "Stat":
		if i, ok := all[name]; ok {
			return stagedList{i}, nil
		}
	case "List":
		if i, ok := all[name]; ok && i.IsDir() {
			var out stagedList
			for p, i := range all {
				if p != "/" && path.Dir(p) == name {
					out = append(out, i)
				}
			}
			slices.SortFunc(out, func(a, b fs.FileInfo) int { return strings.Compare(a.Name(), b.Name()) })
			return out, nil
		}
	default:
		return nil, sftp.ErrSSHFxOpUnsupported
	}
	return nil, os.ErrNotExist
}

// allFiles is every file and every folder above one, by path. The lock is
// held.
func (c *Chassis) allFiles() map[string]stagedInfo {
	out := map[string]stagedInfo{}
	folder := func(p string) {
		for ; ; p = path.Dir(p) {
			if _, ok := out[p]; ok {
				return
			}
			out[p] = stagedInfo{name: path.Base(p), perm: fs.ModeDir | 0o755, modified: c.bootTime}
		}
	}
	folder("/")
	for _, k := range c.controllers {
		folder(k.volume.name() + stagingFolder)
		for _, f := range k.volume.files {
			p := gnoiPath(k.volume, f)
			folder(path.Dir(p))
			out[p] = stagedInfo{name: path.Base(p), size: f.size, modified: f.modified, perm: 0o644}
		}
	}
	return out
}
