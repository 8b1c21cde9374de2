package document

import (
	"fmt"
	"strconv"
	"strings"
)

// place is a path from the root to a value, built on the way down and written
// only when somebody asks. A nil place is the root.
type place struct {
	parent *place
	step   step
}

func (p *place) child(key string) *place { return &place{p, step{key: key}} }
func (p *place) item(i int) *place       { return &place{p, step{index: i, list: true}} }

// String writes the path as in "devices[2].labels[\"a.b\"]".
func (p *place) String() string {
	switch {
	case p == nil:
		return ""
	case p.step.list:
		return fmt.Sprintf("%s[%d]", p.parent, p.step.index)
	}
	return Join(p.parent.String(), p.step.key)
}

// Join appends a key of a mapping to a path. A key that is not made of
// letters, digits, "-" and "_" is written in brackets and quotes.
func Join(path, key string) string {
	switch {
	case !plainKey(key):
		return path + "[" + strconv.Quote(key) + "]"
	case path == "":
		return key
	}
	return path + "." + key
}

func plainKey(key string) bool {
	return key != "" && strings.IndexFunc(key, func(r rune) bool {
		return r != '-' && r != '_' && (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z')
	}) < 0
}

// step is one segment of a path: a key, or an index where list is set.
type step struct {
	key   string
	index int
	list  bool
}

// steps splits a path that [Join] and "[n]" wrote. What cannot be split ends
// it: the answer then leads to the nearest value above.
func steps(path string) []step {
	var out []step
	for path != "" {
		switch {
		case strings.HasPrefix(path, `["`):
			quoted, err := strconv.QuotedPrefix(path[1:])
			if err != nil {
				return out
			}
			key, err := strconv.Unquote(quoted)
			if err != nil {
				return out
			}
			out = append(out, step{key: key})
			path = strings.TrimPrefix(path[1+len(quoted):], "]")
		case path[0] == '[':
			number, rest, _ := strings.Cut(path[1:], "]")
			i, err := strconv.Atoi(number)
			if err != nil {
				return out
			}
			out = append(out, step{index: i, list: true})
			path = rest
		default:
			path = strings.TrimPrefix(path, ".")
			end := strings.IndexAny(path, ".[")
			if end < 0 {
				end = len(path)
			}
			if end == 0 {
				return out
			}
			out = append(out, step{key: path[:end]})
			path = path[end:]
		}
	}
	return out
}
