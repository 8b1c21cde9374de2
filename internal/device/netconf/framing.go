package netconf

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
)

// Framing is the way in which messages are told apart on a stream.
type Framing int

// The framings. Source: RFC 6242 §4.2 (chunked, from base:1.1 on) and §4.3 (end
// of message, base:1.0 and every hello).
const (
	EndOfMessage Framing = iota
	Chunked
)

// endOfMessage ends a message. Source: RFC 6242 §4.3.
const endOfMessage = "]]>]]>"

// maxChunk is the largest chunk. Source: RFC 6242 §4.2, chunk-size.
const maxChunk = math.MaxUint32

// FramingError says what is wrong with the framing of a stream, and where.
type FramingError struct {
	Offset int64 // octets of the stream before it
	Found  string
	Want   string
	Err    error // io.ErrUnexpectedEOF where the stream ended
}

// Error is one line for people.
func (e *FramingError) Error() string {
	if e.Err != nil {
		return fmt.Sprintf("octet %d of the stream: it ends, want %s", e.Offset, e.Want)
	}
	return fmt.Sprintf("octet %d of the stream: found %s, want %s", e.Offset, e.Found, e.Want)
}

// Unwrap returns the cause.
func (e *FramingError) Unwrap() error { return e.Err }

// Reader takes messages out of a stream, without keeping them. Call
// [Reader.Next] for each message and then read it to its io.EOF. It is not safe
// for concurrent use.
type Reader struct {
	in      *bufio.Reader
	framing Framing // of the present message
	then    Framing // of the messages after it
	inside  bool    // a message has begun and not ended
	chunk   int64   // octets left of the present chunk
	first   bool    // no chunk of the message has been read yet
	offset  int64
	err     error
}

// NewReader reads the messages of a stream, framed by end of message until
// [Reader.Use] says otherwise.
func NewReader(r io.Reader) *Reader { return &Reader{in: bufio.NewReaderSize(r, 64<<10)} }

// Use changes the framing of the messages after the present one.
func (r *Reader) Use(f Framing) { r.then = f }

// Next goes to the next message, past whatever is left of the present one. At
// the end of the stream it returns io.EOF. A framing error stays, since nobody
// knows where the next message begins.
func (r *Reader) Next() error {
	for r.inside && r.err == nil {
		if _, err := io.Copy(io.Discard, readerFunc(r.Read)); err != nil {
			return err
		}
	}
	if r.err != nil {
		return r.err
	}
	if _, err := r.in.Peek(1); err != nil {
		r.err = err // io.EOF between two messages is a clean end
		return err
	}
	r.inside, r.framing, r.chunk, r.first = true, r.then, 0, true
	return nil
}

type readerFunc func([]byte) (int, error)

// Read implements io.Reader.
func (f readerFunc) Read(b []byte) (int, error) { return f(b) }

// Read reads of the present message; io.EOF is the end of that message.
func (r *Reader) Read(b []byte) (int, error) {
	if r.err != nil {
		return 0, r.err
	}
	if !r.inside {
		return 0, io.EOF
	}
	if len(b) == 0 {
		return 0, nil
	}
	var n int
	var err error
	if r.framing == Chunked {
		n, err = r.readChunked(b)
	} else {
		n, err = r.readToEnd(b)
	}
	r.offset += int64(n)
	if err != nil && !errors.Is(err, io.EOF) {
		r.err = err
	}
	return n, err
}

// broken is a framing error at the present place.
func (r *Reader) broken(found, want string) error {
	return &FramingError{Offset: r.offset, Found: found, Want: want}
}

// ended is what the end of the stream means inside a message.
func (r *Reader) ended(err error, want string) error {
	if errors.Is(err, io.EOF) {
		return &FramingError{Offset: r.offset, Want: want, Err: io.ErrUnexpectedEOF}
	}
	return err
}

// readToEnd reads up to the octets that end the message.
func (r *Reader) readToEnd(b []byte) (int, error) {
	if _, err := r.in.Peek(len(endOfMessage)); err != nil {
		// Fewer octets are left than an end takes: what there is, is content that
		// ends in the middle.
		return 0, r.ended(err, "the end of the message")
	}
	ahead, err := r.in.Peek(r.in.Buffered())
	if err != nil {
		return 0, err
	}
	at := bytes.Index(ahead, []byte(endOfMessage))
	switch {
	case at == 0:
		r.skip(len(endOfMessage))
		r.inside = false
		return 0, io.EOF
	case at > 0:
		ahead = ahead[:at]
	default:
		// The last octets may be the beginning of an end.
		keep := len(endOfMessage) - 1
		for keep > 0 && !bytes.HasSuffix(ahead, []byte(endOfMessage[:keep])) {
			keep--
		}
		ahead = ahead[:len(ahead)-keep] // never empty: it held a whole end's length
	}
	n := copy(b, ahead)
	_, _ = r.in.Discard(n) // buffered
	return n, nil
}

// skip goes past octets that are buffered.
func (r *Reader) skip(n int) {
	_, _ = r.in.Discard(n)
	r.offset += int64(n)
}

// readChunked reads of the present chunk, or begins the next.
func (r *Reader) readChunked(b []byte) (int, error) {
	if r.chunk == 0 {
		last, err := r.chunkHeader()
		if err != nil {
			return 0, err
		}
		if last {
			r.inside = false
			return 0, io.EOF
		}
	}
	if int64(len(b)) > r.chunk {
		b = b[:r.chunk]
	}
	n, err := r.in.Read(b)
	r.chunk -= int64(n)
	if n > 0 {
		return n, nil
	}
	if err == nil {
		err = io.ErrNoProgress
	}
	return 0, r.ended(err, fmt.Sprintf("%d octets more of the chunk", r.chunk))
}

// chunkHeader reads LF # and a size with LF, or LF ## LF, the end of chunks.
// Source: RFC 6242 §4.2, the grammar.
func (r *Reader) chunkHeader() (last bool, err error) {
	next := func(want string) (byte, error) {
		c, err := r.in.ReadByte()
		if err != nil {
			return 0, r.ended(err, want)
		}
		r.offset++
		return c, nil
	}
	fail := func(c byte, want string) error {
		r.offset--
		return r.broken(strconv.QuoteRune(rune(c)), want)
	}
	c, err := next("a line feed before a chunk")
	if err != nil {
		return false, err
	}
	if c != '\n' {
		return false, fail(c, "a line feed before a chunk")
	}
	if c, err = next("# before the size of a chunk"); err != nil {
		return false, err
	}
	if c != '#' {
		return false, fail(c, "# before the size of a chunk")
	}
	if c, err = next("the size of a chunk"); err != nil {
		return false, err
	}
	if c == '#' && !r.first {
		if c, err = next("a line feed after ##"); err != nil {
			return false, err
		}
		if c != '\n' {
			return false, fail(c, "a line feed after ##")
		}
		return true, nil
	}
	if c < '1' || c > '9' {
		return false, fail(c, "the size of a chunk, which begins with a digit from 1 to 9")
	}
	size := int64(c - '0')
	for {
		if c, err = next("a digit or a line feed"); err != nil {
			return false, err
		}
		if c == '\n' {
			r.chunk, r.first = size, false
			return false, nil
		}
		if c < '0' || c > '9' {
			return false, fail(c, "a digit or a line feed")
		}
		if size = size*10 + int64(c-'0'); size > maxChunk {
			return false, fail(c, fmt.Sprintf("a size of at most %d", int64(maxChunk)))
		}
	}
}

// Writer puts messages on a stream. It is not safe for concurrent use.
type Writer struct {
	out     io.Writer
	framing Framing
	buf     []byte
}

// NewWriter writes messages, framed by end of message until [Writer.Use] says
// otherwise.
func NewWriter(w io.Writer) *Writer { return &Writer{out: w} }

// Use changes the framing of the messages that follow.
func (w *Writer) Use(f Framing) { w.framing = f }

// chunkSize is how much goes into one chunk; larger ones bring nothing, since
// SSH packets are smaller. Source: RFC 4253 §6.1, packets of 32 KiB.
const chunkSize = 64 << 10

// Write puts one whole message on the stream. A message that is empty, or that
// holds the end of message in that framing, is refused before anything is sent.
func (w *Writer) Write(message []byte) error {
	if len(message) == 0 {
		return errors.New("found an empty message, want an element")
	}
	w.buf = w.buf[:0]
	if w.framing == EndOfMessage {
		// Source: RFC 6242 §4.3 (the sequence is illegal XML except in comments,
		// attribute values and CDATA sections, all of which must avoid it).
		if at := bytes.Index(message, []byte(endOfMessage)); at >= 0 {
			return fmt.Errorf("octet %d of the message: found %s, which this framing cannot carry", at, endOfMessage)
		}
		w.buf = append(append(w.buf, message...), endOfMessage...)
		_, err := w.out.Write(w.buf)
		return err
	}
	for len(message) > 0 {
		n := min(len(message), chunkSize)
		w.buf = fmt.Appendf(w.buf, "\n#%d\n", n)
		w.buf = append(w.buf, message[:n]...)
		message = message[n:]
		if len(message) == 0 {
			w.buf = append(w.buf, "\n##\n"...)
		}
		if _, err := w.out.Write(w.buf); err != nil {
			return err
		}
		w.buf = w.buf[:0]
	}
	return nil
}
