// Package transfer puts image files on network elements: over SFTP, over the
// copy protocol of scp, or by letting the device fetch them over HTTP from a
// server in this process.
//
// Read [SFTP] first, then [SCP] and [Pull], which differ in what the far end
// must be able to do. All keep the same promise: the file appears under its
// name only when it is whole and its SHA-256 was found equal at both ends, and
// what a failed transfer leaves is removed, or kept under another name where
// that was asked, so that a later one can go on from it. Every error is a
// [*device.Fault].
package transfer

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"path"
	"regexp"
	"strings"
	"sync"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
)

// File is what is to be put on a device.
type File struct {
	Path   string // absolute, with slashes, on the device
	Size   int64  // octets
	SHA256 string // lower-case hex; empty where it is not known before
	// Mode are the permissions, set before the file appears; zero leaves them to
	// the device. Only SFTP and SCP know of them.
	Mode fs.FileMode
	// Content opens the content at an offset.
	Content func(offset int64) (io.ReadCloser, error)
}

// Far is what the platform's own commands can do at the far end. What is nil,
// the device cannot do; SFTP needs none of it.
type Far struct {
	Hash   func(ctx context.Context, path string) (string, error) // SHA-256, hex
	Rename func(ctx context.Context, from, to string) error       // replaces what has the name
	Remove func(ctx context.Context, path string) error           // what is not there is no error
	Free   func(ctx context.Context, dir string) (int64, error)   // octets that still fit
}

// Options say how a file is sent. The zero value is good.
type Options struct {
	Far   Far
	Limit *Limiter // nil: as fast as it goes
	// Keep leaves the part that a broken transfer got across, and goes on from
	// such a part where one is found; what it holds is compared first.
	Keep bool
	// Progress is called from the goroutine of the caller, at most ten times a
	// second and once at the end.
	Progress func(device.Progress)
	// Reconnect makes another connection, by which the part of a transfer is
	// removed that broke together with its connection. Nil: the part stays, and
	// the error names it.
	Reconnect func(ctx context.Context) (*sshlink.Client, error)

	after func(time.Duration, func()) timer // of the tests; nil: time.AfterFunc
}

// Result is what came of a transfer.
type Result struct {
	AlreadyThere bool   // the file was there, with the same content
	Offset       int64  // octets that an earlier transfer had left and that were good
	Sent         int64  // octets sent by this one
	SHA256       string // of the whole file as read here, lower-case hex
	FarSHA256    string // as found at the far end; empty where it cannot be known
	FarBy        string // "command", or "read back"
	Atomic       bool   // the file took its name in one step
	Synced       bool   // the device says that it lies on its medium
	Packet       int    // octets in one write, SFTP only
	// Sending is the time that the octets took, Verifying that of finding the
	// hash at the far end and of having the device write to its medium, which
	// SFTP does at once where both are there.
	Sending, Verifying time.Duration
}

const op = "transfer"

// progressEvery is the least time between two reports.
const progressEvery = 100 * time.Millisecond

// check reports what is wrong with f.
func (f *File) check() error {
	if !path.IsAbs(f.Path) || path.Clean(f.Path) != f.Path || f.Path == "/" {
		return ours(fmt.Errorf("found the path %q, want an absolute one without dots and double slashes", f.Path))
	}
	return f.checkNamed()
}

// checkNamed is check of a file whose path the device itself reads, in whatever
// way it writes paths: flash:image, or a name alone.
func (f *File) checkNamed() error {
	switch {
	case strings.TrimSpace(f.Path) == "":
		return ours(errors.New("found no path, want one as the device writes it"))
	case strings.ContainsFunc(f.Path, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return ours(fmt.Errorf("found control characters in the path %q", f.Path))
	case f.Size < 0:
		return ours(fmt.Errorf("found the size %d, want none below zero", f.Size))
	case f.SHA256 != "" && !digest.MatchString(f.SHA256):
		return ours(fmt.Errorf("found %q as SHA-256, want 64 digits in lower-case hex", f.SHA256))
	case f.Content == nil:
		return ours(errors.New("no content is given"))
	}
	return nil
}

var digest = regexp.MustCompile(`^[0-9a-f]{64}$`)

// part is the name of the file until it is whole. It carries the beginning of
// the content's digest, so that nobody goes on from a part of something else.
func (f *File) part() string {
	id := "new"
	if f.SHA256 != "" {
		id = f.SHA256[:8]
	}
	return f.Path + "." + id + ".part"
}

// finish compares what was read with what was announced.
func (f *File) finish(got string) error {
	if f.SHA256 != "" && got != f.SHA256 {
		return &device.Fault{Kind: device.Damaged, Op: op, Text: fmt.Sprintf("the file read here has the SHA-256 %s, want %s", got, f.SHA256)}
	}
	return nil
}

// compare compares both ends.
func compare(name, here, far, by string) error {
	if here != far {
		return &device.Fault{Kind: device.Damaged, Op: op, Text: fmt.Sprintf("%s arrived damaged: its SHA-256 there is %s (%s), here %s", name, far, by, here)}
	}
	return nil
}

func ours(err error) error { return &device.Fault{Kind: device.Ours, Op: op, Err: err} }

// chunk is a piece of a file.
type chunk struct {
	offset int64
	data   []byte
}

// source reads a file ahead of who sends it, and hashes it on the way.
type source struct {
	chunks chan chunk
	free   chan []byte
	sum    hash.Hash
	err    error // valid once chunks is closed
	cancel context.CancelFunc
}

// ahead is how many chunks are read before they are needed.
const ahead = 4

// read starts reading f at an offset in chunks of a size. sum has taken what
// lies before the offset. spare is how many chunks the sender may hold.
func read(ctx context.Context, f File, offset int64, size, spare int, sum hash.Hash) (*source, error) {
	r, err := f.Content(offset)
	if err != nil {
		return nil, ours(err)
	}
	ctx, cancel := context.WithCancel(ctx)
	s := &source{chunks: make(chan chunk, ahead), free: make(chan []byte, ahead+spare+1), sum: sum, cancel: cancel}
	for range cap(s.free) {
		s.free <- nil // made when first needed
	}
	go func() {
		defer close(s.chunks)
		s.err = s.run(ctx, r, f.Size, offset, size)
		if err := r.Close(); err != nil && s.err == nil {
			s.err = ours(err)
		}
	}()
	return s, nil
}

func (s *source) run(ctx context.Context, r io.Reader, total, offset int64, size int) error {
	for offset < total {
		var b []byte
		select {
		case b = <-s.free:
		case <-ctx.Done():
			return ctx.Err()
		}
		if cap(b) < size {
			b = make([]byte, size)
		}
		b = b[:min(int64(size), total-offset)]
		n, err := io.ReadFull(r, b)
		s.sum.Write(b[:n])
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return &device.Fault{Kind: device.Damaged, Op: op, Text: fmt.Sprintf("the file read here has %d octets, want %d", offset+int64(n), total)}
		}
		if err != nil {
			return ours(err)
		}
		select {
		case s.chunks <- chunk{offset, b}:
		case <-ctx.Done():
			return ctx.Err()
		}
		offset += int64(n)
	}
	var one [1]byte
	if n, err := io.ReadFull(r, one[:]); n > 0 {
		return &device.Fault{Kind: device.Damaged, Op: op, Text: fmt.Sprintf("the file read here has more than the %d octets that it should have", total)}
	} else if !errors.Is(err, io.EOF) {
		return ours(err)
	}
	return nil
}

// back gives a chunk's memory back.
func (s *source) back(c chunk) { s.free <- c.data[:cap(c.data)] }

// stop ends the reading and waits for it.
func (s *source) stop() {
	s.cancel()
	for range s.chunks {
		continue
	}
}

// digest is the hash of all that was read.
func (s *source) digest() string { return hex.EncodeToString(s.sum.Sum(nil)) }

// meter calls a progress function seldom enough.
type meter struct {
	f     func(device.Progress)
	total int64
	last  time.Time
}

func (m *meter) at(sent int64) {
	if m.f == nil || time.Since(m.last) < progressEvery {
		return
	}
	m.last = time.Now()
	m.f(device.Progress{Sent: sent, Total: m.total})
}

func (m *meter) end(sent int64) {
	if m.f != nil {
		m.f(device.Progress{Sent: sent, Total: m.total})
	}
}

// Limiter holds transfers to a rate; several may share one. It is safe for
// concurrent use.
type Limiter struct {
	rate float64 // bit/s
	mu   sync.Mutex
	next time.Time
}

// NewLimiter returns a limiter to a rate in bit/s of file content, what the
// protocols add not counted; nil, which limits nothing, for zero.
func NewLimiter(rate float64) *Limiter {
	if rate <= 0 {
		return nil
	}
	return &Limiter{rate: rate}
}

// wait returns when n octets may be sent.
func (l *Limiter) wait(ctx context.Context, n int) error {
	if l == nil {
		return nil
	}
	l.mu.Lock()
	now := time.Now()
	if l.next.Before(now) {
		l.next = now
	}
	delay := l.next.Sub(now)
	l.next = l.next.Add(time.Duration(float64(n) * 8 / l.rate * float64(time.Second)))
	l.mu.Unlock()
	if delay <= 0 {
		return nil
	}
	t := time.NewTimer(delay)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// size is the size of chunks that keeps the limited flow smooth: those of a
// tenth of a second, at most largest and at least 4 KiB.
func (l *Limiter) size(largest int) int {
	if l == nil {
		return largest
	}
	return max(min(largest, int(min(l.rate/80, 1<<30))), min(largest, 4<<10))
}

// words says what kind of failure a device means by what it writes. Devices
// answer a copy in prose only; the phrases are those of POSIX strerror texts
// and close to them. Source: POSIX.1-2017 <errno.h>, common practice.
var words = []struct {
	re   *regexp.Regexp
	kind device.Kind
}{
	{regexp.MustCompile(`(?i)no space|not enough (space|room)|insufficient (space|room|storage)|(disk|file ?system|flash|device) (is )?full|quota`), device.NoSpace},
	{regexp.MustCompile(`(?i)read[- ]only`), device.Refused},
	{regexp.MustCompile(`(?i)permission denied|not permitted|not authori[sz]ed|access denied`), device.Denied},
	{regexp.MustCompile(`(?i)no such file|not a directory|does not exist|cannot find`), device.Missing},
	{regexp.MustCompile(`(?i)command not found|: not found\s*$|unknown command|invalid (command|input)|unrecogni[sz]ed`), device.Unable},
}

// kindOfWords returns the kind of a failure that a device describes.
func kindOfWords(s string) device.Kind {
	for _, w := range words {
		if w.re.MatchString(s) {
			return w.kind
		}
	}
	return device.Refused
}

// leftover adds to err what stays on the device.
func leftover(err error, what string) error {
	var f *device.Fault
	if !errors.As(err, &f) {
		return err
	}
	if f.Err == nil {
		return &device.Fault{Kind: f.Kind, Op: f.Op, Text: f.Text + "; " + what}
	}
	return &device.Fault{Kind: f.Kind, Op: f.Op, Text: f.Text, Err: fmt.Errorf("%w; %s", f.Err, what)}
}

// readOnly matches what tells of a medium that cannot be written.
var readOnly = regexp.MustCompile(`(?i)read[- ]only`)

// explained is the failure of sending to a host, which it names, with what a person
// can do about it.
func explained(c *sshlink.Client, err error, sent, total int64) error {
	var f *device.Fault
	if !errors.As(err, &f) || f.Kind == device.Ours {
		return err
	}
	g := *f
	g.Op = op + " to " + c.Address()
	switch {
	case g.Kind == lostKind:
		return leftover(&g, fmt.Sprintf("%d of %d octets were sent; it can be sent again", sent, total))
	case g.Kind == device.NoSpace:
		return leftover(&g, "make room there and send it again")
	case g.Kind == device.Refused && readOnly.MatchString(err.Error()):
		return leftover(&g, "have it made writable, or replaced if it has failed, and send it again")
	}
	return &g
}

// lostKind is what a lost connection means in a transfer: nothing has taken
// effect, so it may be tried again.
const lostKind = device.Unreachable

// already answers for a file that is there, by the far end's own command.
func already(ctx context.Context, f File, far Far) bool {
	if f.SHA256 == "" || far.Hash == nil {
		return false
	}
	got, err := far.Hash(ctx, f.Path)
	return err == nil && clean(got) == f.SHA256 // an error says that it is not there, or cannot be known
}

// clean is a digest as a command printed it.
func clean(s string) string { return strings.ToLower(strings.TrimSpace(s)) }

// sumOf hashes the first n octets of f.
func sumOf(ctx context.Context, f File, n int64, into hash.Hash) error {
	if n == 0 {
		return nil
	}
	r, err := f.Content(0)
	if err != nil {
		return ours(err)
	}
	defer func() { _ = r.Close() }() // it was only read
	buf := make([]byte, 256<<10)
	for n > 0 {
		if err := ctx.Err(); err != nil {
			return &device.Fault{Kind: lostKind, Op: op, Err: context.Cause(ctx)}
		}
		k, err := io.ReadFull(r, buf[:min(int64(len(buf)), n)])
		into.Write(buf[:k])
		n -= int64(k)
		if err != nil {
			return ours(err)
		}
	}
	return nil
}

func newSum() hash.Hash { return sha256.New() }
