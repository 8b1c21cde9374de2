package dialogue

import (
	"bytes"
	"regexp"
)

// Outputs takes a transcript apart: the commands that were typed and what the
// device said to each, without echo and prompts. A command that was typed more
// than once has its last output. prompt is what a prompt looks like, for a whole
// line.
func Outputs(entries []Entry, prompt *regexp.Regexp) map[string][]byte {
	out := map[string][]byte{}
	var line, said []byte
	command, any := "", false
	begun := 0 // where the line that is being typed begins in what was said
	done := func(end int) {
		if any {
			out[command] = trimmed(said[:end], command, prompt)
		}
		said = said[end:]
	}
	for _, e := range entries {
		if !e.Typed {
			said = append(said, e.Octets...)
			continue
		}
		if len(line) == 0 {
			begun = len(said) // its echo may come before its end is typed
		}
		line = append(line, e.Octets...)
		for {
			i := bytes.IndexAny(line, "\r\n")
			if i < 0 {
				break
			}
			typed := string(bytes.TrimSpace(line[:i]))
			line = line[i+1:]
			if typed == "" {
				continue // it only brought the prompt again
			}
			done(begun)
			begun = 0
			command, any = typed, true
		}
	}
	done(len(said))
	return out
}

// trimmed is an output without its echo and the prompts at its end.
func trimmed(said []byte, command string, prompt *regexp.Regexp) []byte {
	b := said
	if n, state := echo(b, []byte(command), nil); state == echoWhole {
		b = b[n:]
	}
	b = Clean(b)
	for {
		i := bytes.LastIndexByte(b, '\n') + 1
		last := b[i:]
		if i == len(b) && i > 0 {
			j := bytes.LastIndexByte(b[:i-1], '\n') + 1
			last, i = b[j:i-1], j
			if len(last) == 0 {
				return b
			}
		}
		m := prompt.FindIndex(last)
		if m == nil || m[0] != 0 || m[1] != len(last) {
			return b
		}
		b = b[:i]
	}
}
