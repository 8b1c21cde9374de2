package netconf

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
)

// endMark ends a message in base:1.0. Source: RFC 6242 §4.3.
const endMark = "]]>]]>"

// largest is the most octets of one request; a request is small.
const largest = 16 << 20

var errFraming = errors.New("the framing is broken")

// readMessage reads one message, octet by octet. Source: RFC 6242 §4.2, §4.3.
func readMessage(r *bufio.Reader, chunked bool) (string, error) {
	var b strings.Builder
	if !chunked {
		for !strings.HasSuffix(b.String(), endMark) {
			c, err := r.ReadByte()
			if err != nil {
				return "", err
			}
			b.WriteByte(c)
			if b.Len() > largest {
				return "", fmt.Errorf("%w: more than %d octets", errFraming, largest)
			}
		}
		return strings.TrimSuffix(b.String(), endMark), nil
	}
	for chunks := 0; ; chunks++ {
		line, err := headerLine(r)
		if err != nil {
			return "", err
		}
		if line == "#" && chunks > 0 {
			return b.String(), nil
		}
		n := 0
		for i, c := range line {
			if c < '0' || c > '9' || i == 0 && c == '0' || len(line) > 10 {
				return "", fmt.Errorf("%w: found the chunk size %q", errFraming, line)
			}
			n = n*10 + int(c-'0')
		}
		if line == "" || b.Len()+n > largest {
			return "", fmt.Errorf("%w: found the chunk size %q", errFraming, line)
		}
		if _, err := io.CopyN(&b, r, int64(n)); err != nil {
			return "", err
		}
	}
}

// headerLine reads LF # and what follows up to the next LF.
func headerLine(r *bufio.Reader) (string, error) {
	for _, want := range []byte("\n#") {
		c, err := r.ReadByte()
		if err != nil {
			return "", err
		}
		if c != want {
			return "", fmt.Errorf("%w: found %q, want %q", errFraming, c, want)
		}
	}
	var line []byte
	for {
		c, err := r.ReadByte()
		if err != nil {
			return "", err
		}
		if c == '\n' {
			return string(line), nil
		}
		if line = append(line, c); len(line) > 11 {
			return "", fmt.Errorf("%w: found the chunk size %q", errFraming, line)
		}
	}
}

// frame is a message ready to be sent. Long messages are cut into several
// chunks, so that clients meet them.
func frame(message []byte, chunked bool) []byte {
	if !chunked {
		return append(message, endMark...)
	}
	const piece = 16 << 10
	out := make([]byte, 0, len(message)+len(message)/piece*10+24)
	for len(message) > 0 {
		n := min(piece, len(message))
		out = append(fmt.Appendf(out, "\n#%d\n", n), message[:n]...)
		message = message[n:]
	}
	return append(out, "\n##\n"...)
}
