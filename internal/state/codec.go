package state

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"strconv"
	"strings"

	"github.com/klauspost/compress/zstd"
)

// A capture file is a sequence of three Zstandard frames, so that any tool that
// knows the format can unpack it:
//
//	skippable frame   "towpath-capture 1\n"
//	data frame        lines of JSON
//	skippable frame   SHA-256 of the lines, then their number of octets (64 bit, little endian)
//
// The first line is the capture without its routes, and how many routes each
// table has; each following line is one route, table after table.
// Source: RFC 8878 §3.1.2, skippable frames.
const (
	magicHead = 0x184D2A50
	magicTail = 0x184D2A5F
	tailSize  = sha256.Size + 8
	fileTag   = "towpath-capture "
	version   = 1
)

// The bounds of what Decode accepts.
const (
	MaxFile    = 256 << 20 // octets of a capture file
	MaxContent = 1 << 30   // octets of the unpacked lines
	MaxRoutes  = 16 << 20  // routes in all tables together
	maxHeader  = 128 << 20 // octets of the first line
	window     = 1 << 20   // octets that the packing looks back
)

// The ways in which a capture file can be unusable; match them with
// [errors.Is].
var (
	// ErrNotCapture is returned for a file that is no capture at all.
	ErrNotCapture = errors.New("not a capture file")
	// ErrVersion is returned for a capture of a format that this program does
	// not read.
	ErrVersion = errors.New("capture file of another format version")
	// ErrDamaged is returned where the content is not what was written.
	ErrDamaged = errors.New("damaged capture file")
	// ErrTooLarge is returned where a bound is exceeded.
	ErrTooLarge = errors.New("capture file too large")
)

// fileHeader is the first line of the content.
type fileHeader struct {
	Capture *Capture `json:"capture"`
	Rows    []int    `json:"rows"` // routes of each table, in order of Capture.RouteTables
}

// Encode writes the capture, sorted, compressed and with its checksum. Equal
// captures give equal octets. c is not changed. Numbers that JSON cannot hold
// (NaN, infinities) are an error.
func Encode(w io.Writer, c *Capture) error {
	if c == nil {
		return errors.New("encode capture: there is none")
	}
	c = sorted(c)
	if err := writeSkippable(w, magicHead, []byte(fileTag+strconv.Itoa(version)+"\n")); err != nil {
		return fmt.Errorf("encode capture: %w", err)
	}
	// One goroutine, because the output must not depend on how work is shared.
	z, err := zstd.NewWriter(w, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(window), zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithLowerEncoderMem(true))
	if err != nil {
		return fmt.Errorf("encode capture: %w", err)
	}
	sum := &summer{w: z, h: sha256.New()}
	if err := writeLines(sum, c); err != nil {
		_ = z.Close() // the first error tells more
		return fmt.Errorf("encode capture: %w", err)
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("encode capture: %w", err)
	}
	tail := binary.LittleEndian.AppendUint64(sum.h.Sum(nil), sum.n)
	if err := writeSkippable(w, magicTail, tail); err != nil {
		return fmt.Errorf("encode capture: %w", err)
	}
	return nil
}

// writeLines writes the content: the header line and a line for each route.
func writeLines(w io.Writer, c *Capture) error {
	out := bufio.NewWriterSize(w, 1<<16)
	head := *c
	head.RouteTables = make([]RouteTable, len(c.RouteTables))
	rows := make([]int, len(c.RouteTables))
	total := 0
	for i, t := range c.RouteTables {
		rows[i] = len(t.Routes)
		total += rows[i]
		t.Routes = nil
		head.RouteTables[i] = t
	}
	if total > MaxRoutes {
		return fmt.Errorf("%w: %d routes, at most %d can be kept", ErrTooLarge, total, MaxRoutes)
	}
	line, err := json.Marshal(fileHeader{Capture: &head, Rows: rows})
	if err != nil {
		return err
	}
	if _, err := out.Write(append(line, '\n')); err != nil {
		return err
	}
	buf := make([]byte, 0, 256)
	for _, t := range c.RouteTables {
		for i := range t.Routes {
			r := &t.Routes[i]
			buf = append(buf[:0], `{"p":`...)
			buf = appendString(buf, r.Prefix)
			buf = append(buf, `,"o":`...)
			buf = appendString(buf, r.Protocol)
			buf = append(buf, `,"n":`...)
			buf = appendString(buf, r.NextHops)
			buf = append(buf, `,"m":`...)
			buf = strconv.AppendUint(buf, uint64(r.Metric), 10)
			buf = append(buf, '}', '\n')
			if _, err := out.Write(buf); err != nil {
				return err
			}
		}
	}
	return out.Flush()
}

// Decode reads what Encode wrote and checks it against its checksum. It reads
// to the end of r, at most [MaxFile] octets, and unpacks at most [MaxContent].
// Errors match [ErrNotCapture], [ErrVersion], [ErrDamaged] or [ErrTooLarge], or
// are those of r.
func Decode(r io.Reader) (*Capture, error) {
	file, err := io.ReadAll(io.LimitReader(r, MaxFile+1))
	if err != nil {
		return nil, fmt.Errorf("read capture: %w", err)
	}
	if len(file) > MaxFile {
		return nil, fmt.Errorf("read capture: %w: more than %d octets", ErrTooLarge, MaxFile)
	}
	tag, rest, ok := cutSkippable(file, magicHead)
	if !ok || !strings.HasPrefix(string(tag), fileTag) {
		return nil, fmt.Errorf("read capture: %w: it does not begin with the mark of one", ErrNotCapture)
	}
	if v := strings.TrimSuffix(strings.TrimPrefix(string(tag), fileTag), "\n"); v != strconv.Itoa(version) {
		return nil, fmt.Errorf("read capture: %w: found %.20q, this program reads %d", ErrVersion, v, version)
	}
	if len(rest) < 8+tailSize {
		return nil, fmt.Errorf("read capture: %w: it ends before its checksum", ErrDamaged)
	}
	body, end := rest[:len(rest)-8-tailSize], rest[len(rest)-8-tailSize:]
	tail, after, ok := cutSkippable(end, magicTail)
	if !ok || len(after) > 0 || len(tail) != tailSize {
		return nil, fmt.Errorf("read capture: %w: it does not end with its checksum; was it cut short?", ErrDamaged)
	}
	c, err := decodeContent(body, tail[:sha256.Size], binary.LittleEndian.Uint64(tail[sha256.Size:]))
	if err != nil {
		return nil, fmt.Errorf("read capture: %w", err)
	}
	return c, nil
}

// decodeContent unpacks body and reads its lines. A checksum that differs is
// reported before any mistake in the lines, which it explains.
func decodeContent(body, sum []byte, size uint64) (*Capture, error) {
	if size > MaxContent {
		return nil, fmt.Errorf("%w: it unpacks to %d octets, at most %d are read", ErrTooLarge, size, MaxContent)
	}
	z, err := zstd.NewReader(bytes.NewReader(body), zstd.WithDecoderConcurrency(1),
		zstd.WithDecoderMaxWindow(window), zstd.WithDecoderLowmem(true))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	defer z.Close()
	h := sha256.New()
	// One octet more than announced shows that there are too many.
	src := io.TeeReader(io.LimitReader(z, int64(size)+1), h)
	lines := bufio.NewReaderSize(src, 1<<16)
	c, lineErr := readLines(lines, len(body))
	if lineErr == nil && !inOrder(c) {
		lineErr = errors.New("its lists are out of order")
	}
	if _, err := io.Copy(io.Discard, lines); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if got := h.Sum(nil); !bytes.Equal(got, sum) {
		return nil, fmt.Errorf("%w: its content has SHA-256 %x, written was %x", ErrDamaged, got, sum)
	}
	if errors.Is(lineErr, ErrVersion) {
		return nil, lineErr
	}
	if lineErr != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, lineErr)
	}
	return c, nil
}

// readLines reads the header line and the routes. packed is the size of the
// compressed body, by which the first allocation is bounded.
func readLines(in *bufio.Reader, packed int) (*Capture, error) {
	line, err := readLine(in, maxHeader)
	if err != nil {
		return nil, fmt.Errorf("line 1: %w", err)
	}
	if bytes.Contains(line, []byte(`"logical_systems":`)) {
		return nil, fmt.Errorf(`%w: it has the field "logical_systems", which is called "logical_network_elements" now; capture the device again`, ErrVersion)
	}
	var head fileHeader
	if err := json.Unmarshal(line, &head); err != nil {
		return nil, fmt.Errorf("line 1: %w", err)
	}
	c := head.Capture
	if c == nil {
		return nil, errors.New("line 1: no capture in it")
	}
	if len(head.Rows) != len(c.RouteTables) {
		return nil, fmt.Errorf("line 1: row counts for %d route tables, there are %d", len(head.Rows), len(c.RouteTables))
	}
	total := 0
	for i, n := range head.Rows {
		if n < 0 || n > MaxRoutes-total {
			return nil, fmt.Errorf("line 1: table %d has %d rows, want 0 to %d in all", i+1, n, MaxRoutes)
		}
		if len(c.RouteTables[i].Routes) > 0 {
			return nil, fmt.Errorf("line 1: table %d has routes, which belong on lines of their own", i+1)
		}
		total += n
	}
	rd := rowReader{in: in, interned: map[string]string{}, line: 1}
	for i, n := range head.Rows {
		if c.RouteTables[i].Routes, err = rd.read(n, min(n, packed, 1<<20)); err != nil {
			return nil, err
		}
	}
	if _, err := in.ReadByte(); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("line %d: more than the %d routes announced", rd.line+1, total)
	}
	return c, nil
}

// readLine returns one line without its end; it may share memory with in. More
// than limit octets are an error.
func readLine(in *bufio.Reader, limit int) ([]byte, error) {
	line, err := in.ReadSlice('\n')
	if err == nil {
		return line[:len(line)-1], nil
	}
	var long []byte
	for errors.Is(err, bufio.ErrBufferFull) {
		if long = append(long, line...); len(long) > limit {
			return nil, fmt.Errorf("%w: a line of more than %d octets", ErrTooLarge, limit)
		}
		line, err = in.ReadSlice('\n')
	}
	if err != nil {
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return nil, err
	}
	long = append(long, line...)
	return long[:len(long)-1], nil
}

// rowReader reads routes. Protocols and next hops repeat and are kept once;
// prefixes share blocks of memory, so that a million of them are a few hundred
// allocations.
type rowReader struct {
	in       *bufio.Reader
	interned map[string]string
	line     int // the last line read
}

// read reads n routes, with room for hint at first.
func (rd *rowReader) read(n, hint int) ([]Route, error) {
	if n == 0 {
		return nil, nil
	}
	const block = 4096
	routes := make([]Route, 0, hint)
	var text []byte
	ends := make([]int, 0, block)
	settle := func() {
		all, from := string(text), 0
		first := len(routes) - len(ends)
		for i, end := range ends {
			routes[first+i].Prefix = all[from:end]
			from = end
		}
		text, ends = text[:0], ends[:0]
	}
	for range n {
		rd.line++
		line, err := readLine(rd.in, maxHeader)
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", rd.line, err)
		}
		p, o, nh, m, ok := fastRow(line)
		if ok {
			routes = append(routes, Route{Protocol: rd.intern(o), NextHops: rd.intern(nh), Metric: m})
			text = append(text, p...)
		} else {
			var r Route
			if err := json.Unmarshal(line, &r); err != nil {
				return nil, fmt.Errorf("line %d: %w", rd.line, err)
			}
			text = append(text, r.Prefix...)
			r.Prefix = ""
			routes = append(routes, r)
		}
		if ends = append(ends, len(text)); len(ends) == block {
			settle()
		}
	}
	settle()
	return routes, nil
}

func (rd *rowReader) intern(b []byte) string {
	if s, ok := rd.interned[string(b)]; ok {
		return s
	}
	s := string(b)
	rd.interned[s] = s
	return s
}

// fastRow takes a row apart that is written just as Encode writes one without
// special characters; ok is false for any other, which encoding/json then
// reads or refuses.
func fastRow(line []byte) (prefix, protocol, hops []byte, metric uint32, ok bool) {
	rest := line
	field := func(key string) []byte {
		if !bytes.HasPrefix(rest, []byte(key)) {
			ok = false
			return nil
		}
		rest = rest[len(key):]
		end := bytes.IndexByte(rest, '"')
		if end < 0 {
			ok = false
			return nil
		}
		v := rest[:end]
		rest = rest[end+1:]
		for _, b := range v {
			if !plain(b) {
				ok = false
				return nil
			}
		}
		return v
	}
	ok = true
	prefix = field(`{"p":"`)
	if ok {
		protocol = field(`,"o":"`)
	}
	if ok {
		hops = field(`,"n":"`)
	}
	digits, isM := bytes.CutPrefix(rest, []byte(`,"m":`))
	digits, isEnd := bytes.CutSuffix(digits, []byte("}"))
	if !ok || !isM || !isEnd || len(digits) == 0 || len(digits) > 10 || len(digits) > 1 && digits[0] == '0' {
		return nil, nil, nil, 0, false
	}
	var m uint64
	for _, d := range digits {
		if d < '0' || d > '9' {
			return nil, nil, nil, 0, false
		}
		m = m*10 + uint64(d-'0')
	}
	if m > 1<<32-1 {
		return nil, nil, nil, 0, false
	}
	return prefix, protocol, hops, uint32(m), true
}

// plain reports whether the octet stands for itself in a JSON string.
func plain(b byte) bool { return b >= 0x20 && b < 0x7f && b != '"' && b != '\\' }

// appendString appends s as a JSON string.
func appendString(buf []byte, s string) []byte {
	for i := range len(s) {
		if !plain(s[i]) {
			q, err := json.Marshal(s)
			if err != nil {
				panic("state: a string that is no JSON: " + err.Error()) // json.Marshal never refuses a string
			}
			return append(buf, q...)
		}
	}
	buf = append(buf, '"')
	buf = append(buf, s...)
	return append(buf, '"')
}

// writeSkippable writes a frame that unpacking skips.
func writeSkippable(w io.Writer, magic uint32, content []byte) error {
	b := binary.LittleEndian.AppendUint32(nil, magic)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(content)))
	_, err := w.Write(append(b, content...))
	return err
}

// cutSkippable takes a skippable frame with the magic off the front of b.
func cutSkippable(b []byte, magic uint32) (content, rest []byte, ok bool) {
	if len(b) < 8 || binary.LittleEndian.Uint32(b) != magic {
		return nil, b, false
	}
	n := binary.LittleEndian.Uint32(b[4:])
	if uint64(n) > uint64(len(b)-8) {
		return nil, b, false
	}
	return b[8 : 8+n], b[8+n:], true
}

// summer hashes and counts what it passes on.
type summer struct {
	w io.Writer
	h hash.Hash
	n uint64
}

// Write passes p on.
func (s *summer) Write(p []byte) (int, error) {
	s.h.Write(p) // a hash never fails
	s.n += uint64(len(p))
	return s.w.Write(p)
}
