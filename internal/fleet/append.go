package fleet

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"towpath/internal/document"
)

// Marshal writes the fleet as YAML that [Read] reads back to the same fleet.
func Marshal(f *Fleet) ([]byte, error) {
	src, err := document.Marshal(f)
	if err != nil {
		return nil, fmt.Errorf("write fleet: %w", err)
	}
	return src, nil
}

// ErrAppend is wrapped by the error of [AppendYAML] for a file whose devices
// are written in a way that cannot be added to, such as by an alias.
var ErrAppend = errors.New("the devices of this file cannot be added to by rule; add them by hand")

// AppendYAML adds devices at the end of the list in a fleet file and leaves
// every octet of the rest as it is, comments too. The result reads as the old
// fleet with the devices after its own; it is read to make sure. The error is
// of type [document.Problems] where src is wrong or becomes wrong by them, and
// wraps [ErrAppend] where no place for them was found.
func AppendYAML(name string, src []byte, added []Device) ([]byte, error) {
	want, err := Read(name, src)
	if err != nil {
		return nil, err
	}
	if len(added) == 0 {
		return bytes.Clone(src), nil
	}
	want.Devices = append(want.Devices, added...)
	block, err := document.Marshal(struct {
		Devices []Device `yaml:"devices"`
	}{added})
	if err != nil {
		return nil, fmt.Errorf("write devices: %w", err)
	}
	flow, err := document.MarshalFlow(added)
	if err != nil {
		return nil, fmt.Errorf("write devices: %w", err)
	}
	doc, err := document.Parse(name, src)
	if err != nil {
		return nil, err
	}
	_, items, _ := strings.Cut(string(block), "\n") // without "devices:"
	e := editor{doc: doc, src: src, items: items, flow: strings.TrimSuffix(strings.TrimPrefix(string(flow), "["), "]")}
	fresh, err := Marshal(want)
	if err != nil {
		return nil, err
	}
	var wrong error
	for _, edited := range e.candidates() {
		got, err := Read(name, edited)
		if err != nil {
			wrong = err
			continue
		}
		if again, err := Marshal(got); err == nil && bytes.Equal(again, fresh) {
			return edited, nil
		}
	}
	if _, err := Read(name, fresh); err != nil && wrong != nil {
		return nil, fmt.Errorf("with the devices added: %w", wrong)
	}
	return nil, fmt.Errorf("%s: %w", name, ErrAppend)
}

// editor finds the places in a file where devices can be added. It may propose
// too many: each is read before it is taken.
type editor struct {
	doc         *document.Document
	src         []byte
	items, flow string // the devices in block style, and in flow style without brackets
}

func (e editor) candidates() [][]byte {
	list := e.doc.Extent("devices")
	if list.Flow {
		return e.intoBrackets(list)
	}
	return e.behindDashes(list)
}

// behindDashes adds to a list in block style: behind its last line, before the
// empty lines and comments that follow it, which then still stand above what
// they stood above. Where that changes a text at the list's end, it adds at
// the very end of it.
func (e editor) behindDashes(list document.Extent) [][]byte {
	eol := e.eol()
	var items strings.Builder
	margin := strings.Repeat(" ", list.Start.Column-1)
	for line := range strings.Lines(e.items) {
		items.WriteString(margin + strings.TrimPrefix(strings.TrimSuffix(line, "\n"), "  ") + eol)
	}
	lines := bytes.SplitAfter(e.src, []byte("\n"))
	end := min(list.Next-1, len(lines)) // lines before it may belong to the list
	if list.Next == 0 {
		end = len(lines)
	}
	tight := end
	for tight > list.Start.Line && passable(lines[tight-1], list.Start.Column) {
		tight--
	}
	var out [][]byte
	for _, at := range []int{tight, end} {
		head := bytes.Join(lines[:at], nil)
		if len(head) > 0 && head[len(head)-1] != '\n' {
			head = append(head, eol...)
		}
		out = append(out, append(append(head, items.String()...), bytes.Join(lines[at:], nil)...))
	}
	return out
}

// passable reports whether a line is empty, or a comment no deeper than the
// list's dashes.
func passable(line []byte, column int) bool {
	text := bytes.TrimLeft(line, " ")
	indent := len(line) - len(text)
	text = bytes.TrimSpace(text)
	return len(text) == 0 || text[0] == '#' && indent < column
}

// intoBrackets adds to a list in flow style, before its closing bracket, and
// turns an empty one into block style.
func (e editor) intoBrackets(list document.Extent) [][]byte {
	open, end := document.Offset(e.src, list.Start), document.Offset(e.src, list.End)
	if open < 0 || end <= open || end >= len(e.src) || e.src[open] != '[' || e.src[end] != ']' {
		return nil
	}
	splice := func(from, to int, text string) []byte {
		return []byte(string(e.src[:from]) + text + string(e.src[to:]))
	}
	inside := bytes.TrimSpace(e.src[open+1 : end])
	if len(inside) > 0 {
		return [][]byte{splice(end, end, ", "+e.flow), splice(end, end, " "+e.flow)}
	}
	eol := e.eol()
	rest := len(e.src) // where the line of the brackets ends
	if i := bytes.IndexByte(e.src[end:], '\n'); i >= 0 {
		rest = end + i
	}
	rest = len(bytes.TrimSuffix(e.src[:rest], []byte("\r")))
	key := bytes.TrimRight(e.src[:open], " ")
	items := strings.ReplaceAll(strings.TrimSuffix(e.items, "\n"), "\n", eol)
	block := string(key) + string(e.src[end+1:rest]) + eol + items + string(e.src[rest:])
	return [][]byte{[]byte(block), splice(end, end, e.flow)}
}

func (e editor) eol() string {
	if i := bytes.IndexByte(e.src, '\n'); i > 0 && e.src[i-1] == '\r' {
		return "\r\n"
	}
	return "\n"
}
