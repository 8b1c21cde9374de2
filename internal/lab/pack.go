package lab

import (
	"bytes"
	"crypto/sha256"
	"crypto/sha512"
	"encoding"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"math/rand/v2"
	"strings"
	"sync"
)

// The lab's package format: one header line, octets that mean nothing, and a
// trailer with the SHA-256 of everything before it. The device can so tell a
// package of another platform, an unreadable one and a damaged one apart.
const (
	packMagic      = "towpath-lab-package"
	packTrailerTag = "\nsha256="
	packTrailer    = len(packTrailerTag) + 2*sha256.Size + 1
	packMaxHeader  = 512
	packBlock      = 64 << 10
)

// The kinds of package.
const (
	PackageSystem     = "system"
	PackageBoot       = "boot"
	PackageLineCard   = "line-card"
	PackageManagement = "management-processor"
	PackageFirmware   = "firmware"
)

// PackageSpec says which package to make. The same values always make the same
// octets.
type PackageSpec struct {
	Platform string
	Version  string
	Kind     string // one of the Package constants
	For      string // firmware only: the kind of component, such as LINECARD
	Size     int64  // octets in all; at least [MinPackageSize]
	Seed     uint64
}

// MinPackageSize is the smallest Size that has room for the header and trailer.
const MinPackageSize = 4 << 10

// Package is a software package that can be read from any offset without ever
// being stored. It is safe for concurrent use.
type Package struct {
	spec    PackageSpec
	header  []byte
	block   []byte // of pseudo-random octets; block i of the body carries i in its first octets
	trailer []byte
	sum256  [sha256.Size]byte
	sum512  func() string
}

// NewPackage makes the package and computes its SHA-256, which takes one pass
// over its octets.
func NewPackage(spec PackageSpec) (*Package, error) {
	for _, f := range []struct{ name, v string }{{"platform", spec.Platform}, {"version", spec.Version}, {"kind", spec.Kind}} {
		if f.v == "" || strings.ContainsAny(f.v, " \n=") {
			return nil, fmt.Errorf("package %s: found %q, want a word without blanks", f.name, f.v)
		}
	}
	if spec.Size < MinPackageSize {
		return nil, fmt.Errorf("package size: found %d octets, want at least %d", spec.Size, MinPackageSize)
	}
	h := fmt.Sprintf("%s platform=%s version=%s kind=%s", packMagic, spec.Platform, spec.Version, spec.Kind)
	if spec.For != "" {
		h += " for=" + spec.For
	}
	p := &Package{spec: spec, header: []byte(h + "\n"), block: make([]byte, packBlock)}
	seed := sha256.Sum256(fmt.Appendf(nil, "%s seed=%d", h, spec.Seed))
	_, _ = rand.NewChaCha8(seed).Read(p.block) // never fails
	s256 := sha256.New()
	p.trailer = make([]byte, packTrailer) // not read before it is known
	r := p.Open(0)
	if _, err := io.CopyN(s256, r, spec.Size-int64(packTrailer)); err != nil {
		return nil, err
	}
	p.trailer = append(append([]byte(packTrailerTag), hex.EncodeToString(s256.Sum(nil))...), '\n')
	s256.Write(p.trailer)
	s256.Sum(p.sum256[:0])
	p.sum512 = sync.OnceValue(func() string {
		h := sha512.New()
		_, _ = io.Copy(h, p.Open(0)) // neither side fails
		return hex.EncodeToString(h.Sum(nil))
	})
	return p, nil
}

// BuildPackage writes the package to w.
func BuildPackage(w io.Writer, platform, version, kind string, size int64, seed uint64) error {
	p, err := NewPackage(PackageSpec{Platform: platform, Version: version, Kind: kind, Size: size, Seed: seed})
	if err != nil {
		return err
	}
	_, err = io.Copy(w, p.Open(0))
	return err
}

// Spec returns what the package was made from.
func (p *Package) Spec() PackageSpec { return p.spec }

// Size returns the number of octets.
func (p *Package) Size() int64 { return p.spec.Size }

// SHA256 returns the sum of the whole package, lower-case hex.
func (p *Package) SHA256() string { return hex.EncodeToString(p.sum256[:]) }

// SHA512 returns the sum of the whole package, lower-case hex. The first call
// takes a pass over its octets.
func (p *Package) SHA512() string { return p.sum512() }

// Open reads the package from an offset. An offset beyond the end reads as
// empty. Closing the reader does nothing.
func (p *Package) Open(offset int64) io.ReadCloser {
	return &packReader{p: p, at: max(offset, 0)}
}

type packReader struct {
	p  *Package
	at int64
}

func (r *packReader) Close() error { return nil }

// Read fills b as far as the package goes.
func (r *packReader) Read(b []byte) (int, error) {
	total := 0
	for total < len(b) {
		n := r.p.readAt(b[total:], r.at)
		if n == 0 {
			break
		}
		total += n
		r.at += int64(n)
	}
	if total == 0 && len(b) > 0 {
		return 0, io.EOF
	}
	return total, nil
}

// readAt copies from one of header, body block or trailer.
func (p *Package) readAt(b []byte, at int64) int {
	head, end := int64(len(p.header)), p.spec.Size-int64(packTrailer)
	switch {
	case at >= p.spec.Size:
		return 0
	case at < head:
		return copy(b, p.header[at:])
	case at >= end:
		return copy(b, p.trailer[at-end:])
	}
	body := at - head
	i, off := body/packBlock, body%packBlock
	b = b[:min(int64(len(b)), end-at)]
	n := copy(b, p.block[off:])
	if off < 8 {
		var mark [8]byte
		binary.BigEndian.PutUint64(mark[:], uint64(i))
		copy(b[:n], mark[off:])
	}
	return n
}

// The ways in which a received package is wrong.
var (
	errPackParse     = errors.New("package cannot be read")
	errPackIntegrity = errors.New("package fails its integrity check")
)

// packHeader is what a package says of itself.
type packHeader struct {
	platform, version, kind, target string
}

// packScan reads a package as it arrives, in pieces of any size, in one pass:
// it parses the header, and hashes everything but the last octets, which may be
// the trailer.
type packScan struct {
	sum  hash.Hash // of everything but tail
	tail []byte    // the last packTrailer octets seen
	head []byte    // the first octets, up to packMaxHeader
	size int64
}

func newPackScan() *packScan { return &packScan{sum: sha256.New()} }

// Write takes the next octets. It never fails.
func (s *packScan) Write(b []byte) (int, error) {
	n := len(b)
	s.size += int64(n)
	if room := packMaxHeader - len(s.head); room > 0 {
		s.head = append(s.head, b[:min(room, n)]...)
	}
	if n >= packTrailer {
		s.sum.Write(s.tail)
		s.sum.Write(b[:n-packTrailer])
		s.tail = append(s.tail[:0], b[n-packTrailer:]...)
		return n, nil
	}
	s.tail = append(s.tail, b...)
	if over := len(s.tail) - packTrailer; over > 0 {
		s.sum.Write(s.tail[:over])
		s.tail = append(s.tail[:0], s.tail[over:]...)
	}
	return n, nil
}

// finish returns the SHA-256 of everything, and what the package says of
// itself; the error wraps errPackParse or errPackIntegrity.
func (s *packScan) finish() (sum [sha256.Size]byte, h packHeader, err error) {
	inner := s.sum.Sum(nil)
	whole := cloneHash(s.sum)
	whole.Write(s.tail)
	whole.Sum(sum[:0])
	h, err = parsePackHeader(s.head)
	if err != nil {
		return sum, h, err
	}
	hexSum, ok := bytes.CutPrefix(s.tail, []byte(packTrailerTag))
	if !ok || len(s.tail) != packTrailer {
		return sum, h, fmt.Errorf("%w: it has no trailer, so it was cut short or lengthened", errPackIntegrity)
	}
	if want := strings.TrimSuffix(string(hexSum), "\n"); want != hex.EncodeToString(inner) {
		return sum, h, fmt.Errorf("%w: SHA-256 is %x, the trailer says %s", errPackIntegrity, inner, want)
	}
	return sum, h, nil
}

// cloneHash copies the state of a SHA-256, so that one pass gives two sums.
func cloneHash(h hash.Hash) hash.Hash {
	out := sha256.New()
	m, ok := h.(encoding.BinaryMarshaler)
	u, ok2 := out.(encoding.BinaryUnmarshaler)
	if !ok || !ok2 {
		panic("lab: this SHA-256 cannot be copied") // crypto/sha256 promises that it can
	}
	b, err := m.MarshalBinary()
	if err == nil {
		err = u.UnmarshalBinary(b)
	}
	if err != nil {
		panic("lab: copy of a SHA-256: " + err.Error())
	}
	return out
}

func parsePackHeader(b []byte) (packHeader, error) {
	var h packHeader
	line, _, ok := bytes.Cut(b, []byte("\n"))
	if !ok {
		return h, fmt.Errorf("%w: no header line in the first %d octets", errPackParse, packMaxHeader)
	}
	words := strings.Fields(string(line))
	if len(words) == 0 || words[0] != packMagic {
		return h, fmt.Errorf("%w: the first line does not begin with %q", errPackParse, packMagic)
	}
	for _, w := range words[1:] {
		k, v, ok := strings.Cut(w, "=")
		if !ok {
			return h, fmt.Errorf("%w: found %q in the header, want key=value", errPackParse, w)
		}
		switch k {
		case "platform":
			h.platform = v
		case "version":
			h.version = v
		case "kind":
			h.kind = v
		case "for":
			h.target = v
		}
	}
	if h.platform == "" || h.version == "" || h.kind == "" {
		return h, fmt.Errorf("%w: the header lacks platform, version or kind", errPackParse)
	}
	return h, nil
}
