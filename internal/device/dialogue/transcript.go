package dialogue

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"io"
	"sync"
	"time"
	"unicode/utf8"
)

// Entry is one piece of a transcript.
type Entry struct {
	At     time.Time
	Typed  bool   // sent to the device; otherwise it came from there
	Octets []byte // valid until Record returns
	Masked bool   // Octets stands for a secret
	Line   string // which line it was on, where a device has several; may be empty
}

// Sink takes the transcript of a conversation. It is called from several
// goroutines, never twice at once for one session. Where it fails, nothing more
// is typed in that session.
type Sink interface {
	Record(Entry) error
}

// mask is what stands in a transcript for a secret.
const mask = "********"

// recorder hands everything to the sink, in order, secrets masked.
type recorder struct {
	mu      sync.Mutex
	sink    Sink
	line    string
	now     func() time.Time
	secrets [][]byte
	held    []byte // the end of what came, which may be the beginning of a secret
	err     error
}

func newRecorder(sink Sink, now func() time.Time) *recorder {
	return &recorder{sink: sink, now: now}
}

// mask adds a secret that may not be recorded.
func (r *recorder) mask(secret string) {
	b := bytes.TrimRight([]byte(secret), "\r\n")
	if len(b) == 0 {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.secrets = append(r.secrets, b)
}

// hide returns b with every secret masked.
func (r *recorder) hide(b []byte) []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.hidden(b)
}

func (r *recorder) hidden(b []byte) []byte {
	for _, s := range r.secrets {
		b = bytes.ReplaceAll(b, s, []byte(mask))
	}
	return b
}

func (r *recorder) put(e Entry) {
	if r.sink != nil && r.err == nil && len(e.Octets) > 0 {
		e.At, e.Line = r.now(), r.line
		r.err = r.sink.Record(e)
	}
}

// received records what came. What may be the beginning of a secret waits for
// its end.
func (r *recorder) received(b []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.secrets) == 0 {
		r.put(Entry{Octets: b})
		return
	}
	whole := r.hidden(append(r.held, b...))
	keep := 0
	for _, s := range r.secrets {
		for n := min(len(s)-1, len(whole)); n > keep; n-- {
			if bytes.HasSuffix(whole, s[:n]) {
				keep = n
				break
			}
		}
	}
	r.put(Entry{Octets: whole[:len(whole)-keep]})
	r.held = bytes.Clone(whole[len(whole)-keep:])
}

// flush records what was held back.
func (r *recorder) flush() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.put(Entry{Octets: r.held})
	r.held = nil
}

// sent records what is about to be typed.
func (r *recorder) sent(text string, secret bool) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.held) > 0 {
		r.put(Entry{Octets: r.held})
		r.held = nil
	}
	e := Entry{Typed: true, Octets: []byte(text)}
	if secret {
		end := len(bytes.TrimRight(e.Octets, "\r\n"))
		e.Octets, e.Masked = append([]byte(mask), text[end:]...), true
	} else {
		e.Octets = r.hidden(e.Octets)
	}
	r.put(e)
	return r.err
}

// Transcript writes conversations as lines of JSON, one for each [Entry], and
// computes their digest. It is a [Sink] and safe for concurrent use.
//
// Each line has "at" (RFC 3339), "way" ("to device" or "from device"), and
// either "text" or, where the octets are not UTF-8, "octets" in base64. "line" is
// there where the device has several console lines.
type Transcript struct {
	mu   sync.Mutex
	w    io.Writer
	sum  hash.Hash
	size int64
	err  error
}

// NewTranscript writes to w.
func NewTranscript(w io.Writer) *Transcript { return &Transcript{w: w, sum: sha256.New()} }

// line is one entry as it is written.
type line struct {
	At     time.Time `json:"at"`
	Way    string    `json:"way"`
	Text   *string   `json:"text,omitempty"`
	Octets string    `json:"octets,omitempty"`
	Masked bool      `json:"masked,omitempty"`
	Line   string    `json:"line,omitempty"`
}

// The two ways.
const (
	toDevice   = "to device"
	fromDevice = "from device"
)

// Record implements [Sink].
func (t *Transcript) Record(e Entry) error {
	l := line{At: e.At, Way: fromDevice, Masked: e.Masked, Line: e.Line}
	if e.Typed {
		l.Way = toDevice
	}
	if utf8.Valid(e.Octets) {
		s := string(e.Octets)
		l.Text = &s
	} else {
		l.Octets = base64.StdEncoding.EncodeToString(e.Octets)
	}
	b, err := json.Marshal(l)
	if err != nil {
		return fmt.Errorf("transcript: %w", err)
	}
	b = append(b, '\n')
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.err != nil {
		return t.err
	}
	if _, err := t.w.Write(b); err != nil {
		t.err = fmt.Errorf("transcript: %w", err)
		return t.err
	}
	t.sum.Write(b)
	t.size += int64(len(b))
	return nil
}

// Digest is the SHA-256 of what was written so far, lower-case hex, and its
// length in octets.
func (t *Transcript) Digest() (sum string, size int64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return hex.EncodeToString(t.sum.Sum(nil)), t.size
}

// ReadTranscript reads what a [Transcript] wrote. The error names the line.
func ReadTranscript(b []byte) ([]Entry, error) {
	var out []Entry
	for n := 1; len(b) > 0; n++ {
		row, rest, _ := bytes.Cut(b, []byte{'\n'})
		b = rest
		if len(bytes.TrimSpace(row)) == 0 {
			continue
		}
		var l line
		if err := json.Unmarshal(row, &l); err != nil {
			return out, fmt.Errorf("line %d: found no entry of a transcript: %w", n, err)
		}
		e := Entry{At: l.At, Typed: l.Way == toDevice, Masked: l.Masked, Line: l.Line}
		switch {
		case l.Way != toDevice && l.Way != fromDevice:
			return out, fmt.Errorf("line %d: found way %q, want %q or %q", n, l.Way, toDevice, fromDevice)
		case l.Text != nil:
			e.Octets = []byte(*l.Text)
		default:
			o, err := base64.StdEncoding.DecodeString(l.Octets)
			if err != nil {
				return out, fmt.Errorf("line %d: octets: %w", n, err)
			}
			e.Octets = o
		}
		out = append(out, e)
	}
	return out, nil
}
