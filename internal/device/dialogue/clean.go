package dialogue

import (
	"bytes"
	"unicode/utf8"
)

// Clean returns what a terminal would show of b: control sequences are gone,
// carriage returns, backspaces and erasures have done their work, and every
// line ends in a line feed. b is not changed.
// Source: ECMA-48 §5.4 (control sequences), §8.3.12, §8.3.20 to 8.3.24 and
// §8.3.41 (the cursor in a line, and erasing in it); from memory.
func Clean(b []byte) []byte {
	if !bytes.ContainsAny(b, "\x1b\b\x07\x00\x7f") {
		if bytes.IndexByte(b, '\r') < 0 {
			return bytes.Clone(b)
		}
		if out, ok := plainLines(b); ok {
			return out
		}
	}
	out := make([]byte, 0, len(b))
	for len(b) > 0 {
		i := bytes.IndexByte(b, '\n')
		end := i
		if i < 0 {
			end = len(b)
		}
		out = appendShown(out, b[:end])
		if i < 0 {
			break
		}
		out = append(out, '\n')
		b = b[i+1:]
	}
	return out
}

// plainLines is for text whose carriage returns all stand at the ends of lines.
func plainLines(b []byte) ([]byte, bool) {
	out := make([]byte, 0, len(b))
	for len(b) > 0 {
		i := bytes.IndexByte(b, '\r')
		if i < 0 {
			return append(out, b...), true
		}
		out = append(out, b[:i]...)
		b = bytes.TrimLeft(b[i:], "\r")
		if len(b) > 0 && b[0] != '\n' {
			return nil, false
		}
	}
	return out, true
}

// appendShown appends what is seen of one line.
func appendShown(out, line []byte) []byte {
	plain := bytes.TrimRight(line, "\r")
	if !bytes.ContainsAny(plain, "\x1b\b\r\x07\x00\x7f") {
		return append(out, plain...)
	}
	line = plain // the end of the line moves nothing
	var cells []rune
	at, moved := 0, false
	put := func(r rune) {
		for len(cells) < at {
			cells = append(cells, ' ')
		}
		if at < len(cells) {
			cells[at] = r
		} else {
			cells = append(cells, r)
		}
		at++
	}
	for len(line) > 0 {
		r, n := utf8.DecodeRune(line)
		switch {
		case r == '\r': // at the start of a line there is nothing to wipe out
			at, moved = 0, moved || len(cells) > 0
		case r == '\b':
			at, moved = max(at-1, 0), true
		case r == 0x1b:
			final, args, length := sequence(line)
			n = length
			move := max(first(args), 1)
			switch final {
			case 'K':
				moved = true
				cells = erase(cells, at, first(args))
			case 'D':
				at, moved = max(at-move, 0), true
			case 'C':
				at = min(at+move, maxColumn)
			case 'G':
				at, moved = min(move-1, maxColumn), true
			}
		case r == utf8.RuneError && n == 1:
			put(rune(line[0]) | rawOctet)
		case r < 0x20 && r != '\t', r == 0x7f, r >= 0x80 && r < 0xa0: // nothing is shown
		default:
			put(r)
		}
		line = line[n:]
	}
	start := len(out)
	for _, r := range cells {
		if r&rawOctet != 0 {
			out = append(out, byte(r))
			continue
		}
		out = utf8.AppendRune(out, r)
	}
	if moved { // blanks that wiped out something are no part of the line
		out = append(out[:start], bytes.TrimRight(out[start:], " ")...)
	}
	return out
}

// rawOctet marks a cell that holds an octet which is not UTF-8.
const rawOctet = 1 << 24

// maxColumn bounds where the cursor may be sent.
const maxColumn = 4096

// sequence reads the control sequence at the start of b: its final character,
// its parameters and its length. An unfinished one takes the rest of the line.
func sequence(b []byte) (final byte, args []byte, n int) {
	if len(b) < 2 {
		return 0, nil, len(b)
	}
	switch b[1] {
	case '[':
		for i := 2; i < len(b); i++ {
			if b[i] >= 0x40 && b[i] <= 0x7e {
				return b[i], b[2:i], i + 1
			}
		}
		return 0, nil, len(b)
	case ']': // a title or the like, up to BEL or ST
		for i := 2; i < len(b); i++ {
			if b[i] == 0x07 {
				return 0, nil, i + 1
			}
			if b[i] == 0x1b && i+1 < len(b) && b[i+1] == '\\' {
				return 0, nil, i + 2
			}
		}
		return 0, nil, len(b)
	case '(', ')', '*', '+', '#', '%', ' ':
		return 0, nil, min(3, len(b))
	}
	return 0, nil, 2
}

// first is the first parameter of a control sequence, zero where there is none.
func first(args []byte) int {
	n := 0
	for _, c := range args {
		if c < '0' || c > '9' {
			break
		}
		n = min(n*10+int(c-'0'), maxColumn)
	}
	return n
}

// erase wipes a part of the line: from the cursor on, up to it, or all.
func erase(cells []rune, at, how int) []rune {
	switch how {
	case 0:
		return cells[:min(at, len(cells))]
	case 1:
		for i := range min(at+1, len(cells)) {
			cells[i] = ' '
		}
		return cells
	}
	return cells[:0]
}

// What was found of an echo.
type echoState int

const (
	echoPartly echoState = iota // it may still come whole
	echoWhole
	echoNone // the device does not repeat what was typed
)

// echo finds the end of the typed line in what the device sent. A line that
// was broken to fit the screen, or redrawn, counts too: blanks and control
// sequences are passed over. A prompt that comes before it, late from an earlier
// command, is passed over as well.
func echo(buf, line, prompt []byte) (end int, state echoState) {
	if n, s := echoAt(buf, line); s != echoNone {
		return n, s
	}
	rest := buf
	if i := bytes.IndexByte(buf, '\n'); i >= 0 && len(bytes.TrimSpace(Clean(buf[:i]))) == 0 {
		rest = buf[i+1:]
	}
	after, ok := bytes.CutPrefix(rest, prompt)
	if !ok || len(prompt) == 0 {
		if len(rest) < len(prompt) && bytes.HasPrefix(prompt, rest) {
			return 0, echoPartly
		}
		return 0, echoNone
	}
	n, s := echoAt(after, line)
	if s == echoWhole {
		n += len(buf) - len(after)
	}
	return n, s
}

func echoAt(buf, line []byte) (end int, state echoState) {
	i, j := 0, 0
	for j < len(line) {
		if i >= len(buf) {
			return 0, echoPartly
		}
		switch {
		case buf[i] == line[j]:
			i++
			j++
		case buf[i] == 0x1b:
			_, _, n := sequence(buf[i:])
			i += n
		case buf[i] == '\r', buf[i] == ' ', buf[i] == '\b', buf[i] == 0x07, buf[i] == '\n' && j > 0:
			i++
		case line[j] == ' ', line[j] == '\t': // swallowed where the line was broken
			j++
		default:
			return 0, echoNone
		}
	}
	for i < len(buf) {
		switch buf[i] {
		case '\n':
			return i + 1, echoWhole
		case 0x1b:
			_, _, n := sequence(buf[i:])
			i += n
		case '\r', ' ', '\b':
			i++
		default:
			return 0, echoNone
		}
	}
	return 0, echoPartly
}
