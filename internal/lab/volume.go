package lab

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path"
	"slices"
	"strings"
	"time"
)

// content is where the octets of a file come from.
type content interface {
	open() (io.ReadCloser, error)
	keep() // one more file has it
	drop() // one file less; the last one frees what it held
}

// packContent is the content of a deterministic package.
type packContent struct{ p *Package }

func (c packContent) open() (io.ReadCloser, error) { return c.p.Open(0), nil }
func (packContent) keep()                          {}
func (packContent) drop()                          {}

// memoryContent is kept in pieces, as they were received.
type memoryContent struct{ pieces [][]byte }

func (c *memoryContent) open() (io.ReadCloser, error) {
	rs := make([]io.Reader, len(c.pieces))
	for i, p := range c.pieces {
		rs[i] = bytes.NewReader(p)
	}
	return io.NopCloser(io.MultiReader(rs...)), nil
}

func (*memoryContent) keep() {}
func (*memoryContent) drop() {}

// diskContent lies in a temporary file of the host. The chassis's lock guards
// the count.
type diskContent struct {
	name string
	refs int
}

func (c *diskContent) open() (io.ReadCloser, error) { return os.Open(c.name) }
func (c *diskContent) keep()                        { c.refs++ }

func (c *diskContent) drop() {
	if c.refs--; c.refs <= 0 {
		_ = os.Remove(c.name)
	}
}

// noContent is a file whose octets were hashed and thrown away, see
// [Config.DiscardContent].
type noContent struct{}

func (noContent) open() (io.ReadCloser, error) {
	return nil, fmt.Errorf("this lab keeps no content")
}
func (noContent) keep() {}
func (noContent) drop() {}

// file is a file on a volume.
type file struct {
	path     string // within the volume, "/images/…"
	size     int64
	sum      [sha256.Size]byte
	modified time.Time
	perm     uint32 // octal digits as a decimal number, as gNOI wants them
	version  string // release of an installed package; empty for other files
	content  content
}

// volume is the file system of one controller card. The chassis's lock guards
// it.
type volume struct {
	controller string
	mount      string // "/flash"
	size       int64
	system     int64 // octets that are always in use
	reserved   int64 // octets of files that are being received
	readOnly   bool
	files      map[string]*file
}

// name is the mount point's name on the chassis.
func (v *volume) name() string { return "/" + v.controller + v.mount }

func (v *volume) used() int64 {
	n := v.system + v.reserved
	for _, f := range v.files {
		n += f.size
	}
	return n
}

func (v *volume) available() int64 { return max(v.size-v.used(), 0) }

// put adds a file, replacing one of the same path.
func (v *volume) put(f *file) {
	f.content.keep()
	v.remove(f.path)
	v.files[f.path] = f
}

func (v *volume) remove(path string) bool {
	f := v.files[path]
	if f == nil {
		return false
	}
	delete(v.files, path)
	f.content.drop()
	return true
}

// sorted returns the files at or below a folder in order of path.
func (v *volume) sorted(folder string) []*file {
	var out []*file
	for p, f := range v.files {
		if p == folder || folder == "/" || strings.HasPrefix(p, strings.TrimSuffix(folder, "/")+"/") {
			out = append(out, f)
		}
	}
	slices.SortFunc(out, func(a, b *file) int { return strings.Compare(a.path, b.path) })
	return out
}

// packageOf returns the installed package of the release, nil if there is none.
func (v *volume) packageOf(version string) *file {
	for _, f := range v.sorted("/images") {
		if f.version == version && version != "" {
			return f
		}
	}
	return nil
}

// spool receives a file of unknown length: in memory up to a limit, then in a
// temporary file of the host.
type spool struct {
	dir     string
	limit   int64
	discard bool
	size    int64
	pieces  [][]byte
	disk    *os.File
}

// add takes ownership of b.
func (s *spool) add(b []byte) error {
	s.size += int64(len(b))
	if s.discard {
		return nil
	}
	if s.disk == nil && s.size <= s.limit {
		s.pieces = append(s.pieces, b)
		return nil
	}
	if s.disk == nil {
		f, err := os.CreateTemp(s.dir, "volume-")
		if err != nil {
			return fmt.Errorf("keep a received file: %w", err)
		}
		s.disk = f
		for _, p := range s.pieces {
			if _, err := f.Write(p); err != nil {
				return fmt.Errorf("keep a received file: %w", err)
			}
		}
		s.pieces = nil
	}
	_, err := s.disk.Write(b)
	return err
}

// done hands the content over.
func (s *spool) done() (content, error) {
	switch {
	case s.discard:
		return noContent{}, nil
	case s.disk == nil:
		return &memoryContent{pieces: s.pieces}, nil
	}
	name := s.disk.Name()
	if err := s.disk.Close(); err != nil {
		return nil, fmt.Errorf("keep a received file: %w", err)
	}
	s.disk = nil
	return &diskContent{name: name}, nil
}

// abandon throws away what was received. It does nothing after done.
func (s *spool) abandon() {
	if s.disk != nil {
		_ = s.disk.Close()
		_ = os.Remove(s.disk.Name())
	}
	s.pieces, s.disk = nil, nil
}

// split takes an absolute gNOI path apart: "/CTL-A/flash/images/x" is volume
// /CTL-A/flash and path /images/x; without a controller card it is the
// PRIMARY's. The chassis's lock is held.
func (c *Chassis) split(name string) (*volume, string, error) {
	if !path.IsAbs(name) {
		return nil, "", fmt.Errorf("found %q, want an absolute path such as /CTL-A/flash/images/…", name)
	}
	name = path.Clean(name)
	ctl := c.primary()
	for _, k := range c.controllers {
		if rest, ok := strings.CutPrefix(name, "/"+k.Name); ok && (rest == "" || rest[0] == '/') {
			ctl, name = k, rest
			break
		}
	}
	v := ctl.volume
	rest, ok := strings.CutPrefix(name, v.mount)
	if !ok || rest != "" && rest[0] != '/' {
		return nil, "", fmt.Errorf("found %q, want a path below %s", name, v.name())
	}
	if rest == "" {
		rest = "/"
	}
	return v, rest, nil
}

func hexSum(sum [sha256.Size]byte) string { return hex.EncodeToString(sum[:]) }
