package lab

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net"
	"os"
	"path"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/gliderlabs/ssh"
	"github.com/pkg/sftp"
)

// incomingFolder is where files arrive by SFTP. It is no place to keep them:
// what is not taken is forgotten.
const incomingFolder = "/incoming/"

// incoming are the files that arrive, and the installation that waits for one.
// The chassis's lock guards it.
type incoming struct {
	files   map[string]*inFile
	t       *transfer // of the package that is waited for
	version string
	taking  bool
	pace    sync.Mutex // held by who waits for the rate; taken without the chassis's lock
}

// inFile is a file that arrives. Its octets lie in a temporary file of the
// host.
type inFile struct {
	c        *Chassis
	disk     *os.File
	size     int64
	modified time.Time
	gone     bool
}

// begin waits for a package.
func (i *incoming) begin(c *Chassis, run *installRun, targets []*controller, size int64, version string) {
	i.t = &transfer{
		c: c, run: run, targets: targets, scan: newPackScan(), expected: size,
		spool: &spool{dir: c.lab.dir, limit: c.lab.memoryFile, discard: c.lab.cfg.DiscardContent},
	}
	i.version = version
}

// forget ends the waiting and throws away all that arrived. The lock is held.
func (c *Chassis) forget() {
	i := &c.incoming
	for name := range i.files {
		i.drop(name)
	}
	if i.t == nil || i.taking {
		return
	}
	t := i.t
	i.t = nil
	t.spool.abandon()
	t.reserve(-t.reserved)
	t.run.abort(nil)
	if c.install == t.run {
		c.install = nil
	}
}

// Incoming returns the names of the files that have arrived, whole or in part, and
// were not taken.
func (c *Chassis) Incoming() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Sorted(maps.Keys(c.incoming.files))
}

// drop throws a file away.
func (i *incoming) drop(name string) bool {
	f := i.files[name]
	if f == nil {
		return false
	}
	delete(i.files, name)
	f.gone = true
	_ = f.disk.Close()
	_ = os.Remove(f.disk.Name())
	return true
}

// ReadAt reads what has arrived.
func (f *inFile) ReadAt(b []byte, off int64) (int, error) {
	f.c.mu.Lock()
	size, gone := f.size, f.gone
	f.c.mu.Unlock()
	if gone {
		return 0, fs.ErrNotExist
	}
	if off >= size {
		return 0, io.EOF
	}
	return f.disk.ReadAt(b, off)
}

// WriteAt takes octets that arrive.
func (f *inFile) WriteAt(b []byte, off int64) (int, error) {
	c := f.c
	n := int64(len(b))
	c.mu.Lock()
	t := c.incoming.t
	c.mu.Unlock()
	if t != nil {
		if rate := int64(c.cfg.TransferRate); rate > 0 {
			c.incoming.pace.Lock()
			err := t.run.pause(c, time.Duration(float64(n)/float64(rate)*float64(time.Second)))
			c.incoming.pace.Unlock()
			if err != nil {
				return 0, err
			}
		}
	}
	stall, flip, err := f.account(t, n, off)
	if err != nil {
		return 0, err
	}
	if stall {
		<-t.run.ctx.Done()
		return 0, t.run.why()
	}
	if flip && n > 0 {
		b[n/2] ^= 0x10
	}
	return f.disk.WriteAt(b, off)
}

// account sees that there is room, and lets the faults of a transfer strike.
func (f *inFile) account(t *transfer, n, off int64) (stall, flip bool, err error) {
	c := f.c
	c.mu.Lock()
	defer c.mu.Unlock()
	if f.gone {
		return false, false, fs.ErrNotExist
	}
	if t == nil {
		if v := c.primary().volume; v.available() < off+n {
			return false, false, fmt.Errorf("%s: %w", v.name(), syscall.ENOSPC)
		}
		f.size = max(f.size, off+n)
		return false, false, nil
	}
	if t.run.ctx.Err() != nil {
		return false, false, t.run.why()
	}
	for _, k := range t.targets {
		switch {
		case k.volume.readOnly:
			return false, false, fmt.Errorf("%s: %w", k.volume.name(), syscall.EROFS)
		case k.volume.available() < n:
			return false, false, fmt.Errorf("%s: %w", k.volume.name(), syscall.ENOSPC)
		}
	}
	f.size = max(f.size, off+n)
	t.reserve(n)
	stall = c.received(t)
	flip, t.flip = t.flip, false
	return stall, flip, nil
}

// sum is the SHA-256 of what has arrived. The lock is held.
func (f *inFile) sum() ([sha256.Size]byte, error) {
	h := sha256.New()
	var out [sha256.Size]byte
	if _, err := io.Copy(h, io.NewSectionReader(f.disk, 0, f.size)); err != nil {
		return out, err
	}
	h.Sum(out[:0])
	return out, nil
}

// hashContent computes the SHA-256 of a file on a volume from its octets.
func hashContent(f *file) (sum [sha256.Size]byte, err error) {
	r, err := f.content.open()
	if err != nil {
		return sum, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	h := sha256.New()
	if _, err := io.Copy(h, r); err != nil {
		return sum, err
	}
	h.Sum(sum[:0])
	return sum, nil
}

// pieces hands out what has arrived, piece by piece; each belongs to the taker.
func (f *inFile) pieces(take func([]byte) error) error {
	r := io.NewSectionReader(f.disk, 0, f.size)
	for {
		b := make([]byte, 256<<10)
		n, err := io.ReadFull(r, b)
		if n > 0 {
			if err := take(b[:n]); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// validate checks an arrived package and puts it on the volumes.
func (f *inFile) validate(t *transfer, asked string, tell func(percent int)) (string, error) {
	done, told := int64(0), 0
	err := f.pieces(func(b []byte) error {
		_, _ = t.scan.Write(b) // never fails
		done += int64(len(b))
		if p := int(done * 100 / max(f.size, 1)); p >= told+20 {
			told = p
			tell(p)
		}
		return t.spool.add(b)
	})
	if err != nil {
		return "", err
	}
	return t.validate(asked)
}

// fit keeps an arrived file as firmware of a component.
func (f *inFile) fit(c *Chassis, part, name string) error {
	u, err := c.newUpload(name, part)
	if err != nil {
		return err
	}
	defer u.release()
	if err := f.pieces(u.take); err != nil {
		return err
	}
	_, head, err := u.scan.finish()
	switch {
	case err != nil:
		return fmt.Errorf("damaged: %w", err)
	case head.kind != PackageFirmware || head.platform != c.cfg.Platform:
		return fmt.Errorf("wrong package: a %s package of platform %s, want firmware of %s", head.kind, head.platform, c.cfg.Platform)
	}
	c.do(func() {
		k := c.component(part)
		if k == nil || head.target != "" && head.target != k.kind {
			err = fmt.Errorf("wrong package: firmware for %s, which %s is not", head.target, part)
			return
		}
		if err = u.store(644); err == nil {
			k.pendingLevel = head.version
		}
	})
	return err
}

// files serves SFTP: everything may be read, and files arrive below
// incomingFolder.
func (p *shellPlane) files(life context.Context, s ssh.Session) {
	p.busy(s, 1)
	defer p.busy(s, -1)
	h := &sftpFiles{c: p.c, hangUp: func() {
		if conn, ok := s.Context().Value(connKey{}).(net.Conn); ok {
			_ = conn.Close()
		}
	}}
	srv := sftp.NewRequestServer(s, sftp.Handlers{FileGet: h, FilePut: h, FileCmd: h, FileList: h})
	stop := context.AfterFunc(life, func() { _ = srv.Close() })
	defer stop()
	_ = srv.Serve() // ends with the client or the management plane
}

// sftpFiles answers requests for files.
type sftpFiles struct {
	c      *Chassis
	hangUp func() // ends the connection
}

// arriving is a file that arrives over one connection.
type arriving struct {
	*inFile
	hangUp func()
}

// WriteAt takes octets. When the roles change the connection ends, and no
// answer comes any more.
func (a arriving) WriteAt(b []byte, off int64) (int, error) {
	n, err := a.inFile.WriteAt(b, off)
	if errors.Is(err, errRolesChanged) {
		a.hangUp()
	}
	return n, err
}

// fileInfo describes one file or folder.
type fileInfo struct {
	name     string
	size     int64
	modified time.Time
	dir      bool
}

func (f fileInfo) Name() string       { return f.name }
func (f fileInfo) Size() int64        { return f.size }
func (f fileInfo) ModTime() time.Time { return f.modified }
func (f fileInfo) IsDir() bool        { return f.dir }
func (f fileInfo) Sys() any           { return nil }

// Mode is that of a plain file or a folder.
func (f fileInfo) Mode() fs.FileMode {
	if f.dir {
		return fs.ModeDir | 0o755
	}
	return 0o644
}

type infoList []fs.FileInfo

// ListAt implements [sftp.ListerAt].
func (l infoList) ListAt(out []fs.FileInfo, off int64) (int, error) {
	if off >= int64(len(l)) {
		return 0, io.EOF
	}
	n := copy(out, l[off:])
	if n < len(out) {
		return n, io.EOF
	}
	return n, nil
}

// Fileread opens a file for reading.
func (h *sftpFiles) Fileread(r *sftp.Request) (io.ReaderAt, error) {
	h.c.mu.Lock()
	defer h.c.mu.Unlock()
	if in := h.c.incoming.files[r.Filepath]; in != nil {
		return in, nil
	}
	_, f, err := h.c.find(r.Filepath)
	if err != nil {
		return nil, fs.ErrNotExist
	}
	rc, err := f.content.open()
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(rc)
	if err = errors.Join(err, rc.Close()); err != nil {
		return nil, err
	}
	return strings.NewReader(string(b)), nil
}

// Filewrite opens a file that arrives.
func (h *sftpFiles) Filewrite(r *sftp.Request) (io.WriterAt, error) { return h.OpenFile(r) }

// OpenFile opens a file that arrives, for reading back too.
func (h *sftpFiles) OpenFile(r *sftp.Request) (sftp.WriterAtReaderAt, error) {
	h.c.mu.Lock()
	defer h.c.mu.Unlock()
	flags := r.Pflags()
	in, err := h.c.arrive(r.Filepath, flags.Creat, flags.Trunc)
	if err != nil {
		return nil, err
	}
	return arriving{in, h.hangUp}, nil
}

// arrive is a file that arrives: one that is there already, or a new one. The
// lock is held.
func (c *Chassis) arrive(name string, create, truncate bool) (*inFile, error) {
	if !strings.HasPrefix(name, incomingFolder) || path.Dir(name) != strings.TrimSuffix(incomingFolder, "/") {
		return nil, fs.ErrPermission
	}
	in := c.incoming.files[name]
	if in != nil && truncate {
		c.incoming.drop(name)
		in = nil
	}
	if in != nil {
		return in, nil
	}
	if !create {
		return nil, fs.ErrNotExist
	}
	disk, err := os.CreateTemp(c.lab.dir, "incoming-")
	if err != nil {
		return nil, err
	}
	in = &inFile{c: c, disk: disk, modified: c.now()}
	if c.incoming.files == nil {
		c.incoming.files = map[string]*inFile{}
	}
	c.incoming.files[name] = in
	return in, nil
}

// Filecmd renames and removes files that arrive.
func (h *sftpFiles) Filecmd(r *sftp.Request) error {
	c := h.c
	c.mu.Lock()
	defer c.mu.Unlock()
	in := c.incoming.files[r.Filepath]
	switch r.Method {
	case "Setstat":
		if in != nil && r.AttrFlags().Size {
			in.size = int64(r.Attributes().Size)
			return in.disk.Truncate(in.size)
		}
		return nil
	case "Rename", "PosixRename":
		if in == nil {
			return fs.ErrNotExist
		}
		if path.Dir(r.Target) != strings.TrimSuffix(incomingFolder, "/") {
			return fs.ErrPermission
		}
		if r.Method == "Rename" && c.incoming.files[r.Target] != nil {
			return fs.ErrExist
		}
		c.incoming.drop(r.Target)
		c.incoming.files[r.Target] = in
		delete(c.incoming.files, r.Filepath)
		return nil
	case "Remove":
		if !c.incoming.drop(r.Filepath) {
			return fs.ErrNotExist
		}
		return nil
	}
	return sftp.ErrSSHFxOpUnsupported
}

// PosixRename replaces what has the name.
func (h *sftpFiles) PosixRename(r *sftp.Request) error {
	r.Method = "PosixRename"
	return h.Filecmd(r)
}

// StatVFS tells the room on the PRIMARY's volume.
func (h *sftpFiles) StatVFS(*sftp.Request) (*sftp.StatVFS, error) {
	h.c.mu.Lock()
	defer h.c.mu.Unlock()
	v := h.c.primary().volume
	free := v.available()
	if t := h.c.incoming.t; t != nil {
		for _, k := range t.targets {
			free = min(free, k.volume.available())
		}
	}
	return &sftp.StatVFS{Bsize: 1, Frsize: 1, Blocks: uint64(v.size), Bfree: uint64(free), Bavail: uint64(free), Namemax: 255}, nil
}

// Filelist lists folders and describes files.
func (h *sftpFiles) Filelist(r *sftp.Request) (sftp.ListerAt, error) {
	c := h.c
	c.mu.Lock()
	defer c.mu.Unlock()
	name := path.Clean(r.Filepath)
	if in := c.incoming.files[name]; in != nil {
		return infoList{fileInfo{path.Base(name), in.size, in.modified, false}}, nil
	}
	if name == "/" || name == path.Clean(incomingFolder) {
		if r.Method != "List" {
			return infoList{fileInfo{path.Base(name), 0, c.now(), true}}, nil
		}
		var out infoList
		for n, in := range c.incoming.files {
			out = append(out, fileInfo{path.Base(n), in.size, in.modified, false})
		}
		return out, nil
	}
	if _, f, err := c.find(name); err == nil {
		return infoList{fileInfo{path.Base(name), f.size, f.modified, false}}, nil
	}
	v, p, err := c.split(name)
	if err != nil || len(v.sorted(p)) == 0 && p != "/" {
		return nil, fs.ErrNotExist
	}
	if r.Method != "List" {
		return infoList{fileInfo{path.Base(name), 0, c.now(), true}}, nil
	}
	var out infoList
	for _, f := range v.sorted(p) {
		out = append(out, fileInfo{strings.TrimPrefix(f.path, p+"/"), f.size, f.modified, false})
	}
	return out, nil
}
