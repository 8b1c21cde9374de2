package adapter

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/sirikothe/gotextfsm"
)

// row is one row of an output: column and text.
type row map[string]string

// parser is a Parse made ready.
type parser struct {
	fsm     string
	json    *JSON
	each    path
	columns map[string]path
	lines   *regexp.Regexp
	text    *regexp.Regexp
	ignore  []*regexp.Regexp
	digest  bool
	names   []string // of the columns
}

// problem is a mistake in a part of an adapter, where the part stands.
type problem struct {
	field, found, want, nearest string
}

// newParser makes a Parse ready. field is where it stands in its file.
func newParser(p *Parse, field string) (*parser, []problem) {
	out := &parser{}
	var bad []problem
	pattern := func(at, text string) *regexp.Regexp {
		re, err := regexp.Compile(text)
		if err != nil {
			bad = append(bad, badPattern(field+at, text, err))
			return nil
		}
		names := slices.DeleteFunc(slices.Clone(re.SubexpNames()), func(s string) bool { return s == "" })
		if len(names) == 0 {
			bad = append(bad, problem{field + at, "a pattern without named groups", `groups such as (?P<name>\S+)`, ""})
		}
		out.names = append(out.names, names...)
		return re
	}
	switch {
	case p.TextFSM != "":
		out.fsm = p.TextFSM
		fsm, err := template(p.TextFSM)
		if err != nil {
			bad = append(bad, problem{field + ".textfsm", "a template that cannot be used: " + err.Error(), "a TextFSM template with RE2 patterns", ""})
			break
		}
		for name := range fsm.Values {
			out.names = append(out.names, name)
		}
	case p.JSON != nil:
		out.json, out.columns = p.JSON, map[string]path{}
		var err error
		if out.each, err = parsePath(p.JSON.Each); err != nil {
			bad = append(bad, problem{field + ".json.each", err.Error(), wantPath, ""})
		}
		for name, text := range p.JSON.Columns {
			q, err := parsePath(text)
			if err == nil && q.star > out.each.stars {
				err = fmt.Errorf("found ^%d, but each has %d stars", q.star, out.each.stars)
			}
			if err != nil {
				bad = append(bad, problem{join(field+".json.columns", name), err.Error(), wantPath, ""})
			}
			out.columns[name] = q
			out.names = append(out.names, name)
		}
	case p.Lines != "":
		out.lines = pattern(".lines", p.Lines)
	case p.Text != "":
		out.text = pattern(".text", p.Text)
	case p.Digest != nil:
		out.digest = true
		out.names = []string{"digest"}
		for i, text := range p.Digest.Ignore {
			re, err := regexp.Compile(text)
			if err != nil {
				bad = append(bad, badPattern(fmt.Sprintf("%s.digest.ignore[%d]", field, i), text, err))
				continue
			}
			out.ignore = append(out.ignore, re)
		}
	}
	slices.Sort(out.names)
	return out, bad
}

func badPattern(field, text string, err error) problem {
	why := err.Error()
	var syntax interface{ Error() string }
	if errors.As(err, &syntax) {
		why = strings.TrimPrefix(syntax.Error(), "error parsing regexp: ")
	}
	return problem{field, fmt.Sprintf("the pattern %q: %s", text, why), "a regular expression (RE2)", ""}
}

// template reads a TextFSM template; the library may not bring us down.
func template(text string) (fsm gotextfsm.TextFSM, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%v", r)
		}
	}()
	err = fsm.ParseString(text)
	return fsm, err
}

// rows reads an output.
func (p *parser) rows(output []byte) (out []row, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the output cannot be read by the template: %v", r)
		}
	}()
	switch {
	case p.fsm != "":
		fsm, err := template(p.fsm)
		if err != nil {
			return nil, err
		}
		var po gotextfsm.ParserOutput
		if err := po.ParseTextString(string(output), fsm, true); err != nil {
			return nil, err
		}
		for _, rec := range po.Dict {
			r := row{}
			for k, v := range rec {
				r[k] = plainText(v)
			}
			out = append(out, r)
		}
	case p.json != nil:
		return p.jsonRows(output)
	case p.lines != nil:
		for len(output) > 0 {
			line, rest, _ := bytes.Cut(output, []byte{'\n'})
			output = rest
			if m := p.lines.FindSubmatch(line); m != nil {
				out = append(out, groups(p.lines, m))
			}
		}
	case p.text != nil:
		for _, m := range p.text.FindAllSubmatch(output, -1) {
			out = append(out, groups(p.text, m))
		}
	case p.digest:
		h := sha256.New()
		for len(output) > 0 {
			line, rest, _ := bytes.Cut(output, []byte{'\n'})
			output = rest
			line = bytes.TrimRight(line, " \t\r")
			if len(line) > 0 && !slices.ContainsFunc(p.ignore, func(re *regexp.Regexp) bool { return re.Match(line) }) {
				h.Write(line)
				h.Write([]byte{'\n'})
			}
		}
		out = []row{{"digest": hex.EncodeToString(h.Sum(nil))}}
	}
	return out, nil
}

func groups(re *regexp.Regexp, m [][]byte) row {
	r := row{}
	for i, name := range re.SubexpNames() {
		if name != "" && (m[i] != nil || r[name] == "") {
			r[name] = strings.TrimSpace(string(m[i]))
		}
	}
	return r
}

// plainText is a value of a TextFSM record as one text; lists are joined by
// commas.
func plainText(v any) string {
	switch x := v.(type) {
	case string:
		return strings.TrimSpace(x)
	case []string:
		return strings.Join(x, ",")
	case nil:
		return ""
	}
	return fmt.Sprint(v)
}

// path leads to values in a JSON text.
type path struct {
	steps []string // a key, or "*"
	stars int
	star  int  // "^n": the key that the n-th star of the row's path stood for
	size  bool // "#": how many there are
}

const wantPath = `a path such as .peers.*.state, ^1 for what the first star stood for, or .routes.# for a count`

// parsePath reads a path: keys after dots, quoted where they hold dots, "*" for
// every key or element. An empty path, or ".", is the value itself.
func parsePath(text string) (path, error) {
	var p path
	if n, ok := strings.CutPrefix(text, "^"); ok {
		i, err := strconv.Atoi(n)
		if err != nil || i < 1 || i > 9 {
			return p, fmt.Errorf("found %q", text)
		}
		p.star = i
		return p, nil
	}
	if text == "." {
		return p, nil
	}
	for rest := text; rest != ""; {
		if rest[0] != '.' {
			return p, fmt.Errorf("found %q in %q where a dot belongs", rest, text)
		}
		rest = rest[1:]
		var step string
		if strings.HasPrefix(rest, `"`) {
			q, err := strconv.QuotedPrefix(rest)
			if err != nil {
				return p, fmt.Errorf("found %q in %q, a quoted key without an end", rest, text)
			}
			if step, err = strconv.Unquote(q); err != nil {
				return p, fmt.Errorf("found %q in %q: %w", q, text, err)
			}
			rest = rest[len(q):]
			p.steps = append(p.steps, "="+step)
			continue
		}
		end := strings.IndexByte(rest, '.')
		if end < 0 {
			end = len(rest)
		}
		step, rest = rest[:end], rest[end:]
		switch step {
		case "":
			return p, fmt.Errorf("found an empty key in %q", text)
		case "#":
			if rest != "" {
				return p, fmt.Errorf("found %q behind # in %q", rest, text)
			}
			p.size = true
		case "*":
			p.stars++
			p.steps = append(p.steps, "*")
		default:
			p.steps = append(p.steps, "="+step)
		}
	}
	return p, nil
}

// found is a value with the keys that the stars stood for.
type found struct {
	value any
	keys  []string
}

// walk follows a path. Keys of objects come in their order.
func (p path) walk(v any) []found {
	at := []found{{value: v}}
	for _, s := range p.steps {
		var next []found
		for _, f := range at {
			key, named := strings.CutPrefix(s, "=")
			switch x := f.value.(type) {
			case map[string]any:
				if named {
					if c, ok := x[key]; ok {
						next = append(next, found{c, f.keys})
					}
					continue
				}
				names := make([]string, 0, len(x))
				for k := range x {
					names = append(names, k)
				}
				slices.Sort(names)
				for _, k := range names {
					next = append(next, found{x[k], append(slices.Clone(f.keys), k)})
				}
			case []any:
				if named {
					if i, err := strconv.Atoi(key); err == nil && i >= 0 && i < len(x) {
						next = append(next, found{x[i], f.keys})
					}
					continue
				}
				for i, c := range x {
					next = append(next, found{c, append(slices.Clone(f.keys), strconv.Itoa(i))})
				}
			}
		}
		at = next
	}
	return at
}

func (p *parser) jsonRows(output []byte) ([]row, error) {
	// Some shells print a line before the text, and several texts one after the
	// other.
	start := bytes.IndexAny(output, "{[")
	if start < 0 {
		if len(bytes.TrimSpace(output)) == 0 {
			return nil, nil
		}
		return nil, fmt.Errorf("found %q, want a JSON text", clip(string(bytes.TrimSpace(output))))
	}
	dec := json.NewDecoder(bytes.NewReader(output[start:]))
	dec.UseNumber()
	var v any
	if err := dec.Decode(&v); err != nil {
		return nil, fmt.Errorf("not a whole JSON text: %w", err)
	}
	var out []row
	for _, f := range p.each.walk(v) {
		r := row{}
		for name, q := range p.columns {
			r[name] = q.text(f)
		}
		out = append(out, r)
	}
	return out, nil
}

// text is what a column's path leads to from a row: several values are sorted
// and joined by commas.
func (p path) text(f found) string {
	if p.star > 0 {
		if p.star <= len(f.keys) {
			return f.keys[p.star-1]
		}
		return ""
	}
	var all []string
	for _, x := range p.walk(f.value) {
		switch v := x.value.(type) {
		case nil:
		case string:
			if !p.size {
				all = append(all, strings.TrimSpace(v))
			}
		case bool:
			all = append(all, strconv.FormatBool(v))
		case json.Number:
			all = append(all, v.String())
		case map[string]any:
			if p.size {
				all = append(all, strconv.Itoa(len(v)))
			}
		case []any:
			if p.size {
				all = append(all, strconv.Itoa(len(v)))
			}
		}
	}
	if p.stars > 0 {
		slices.Sort(all)
		all = slices.Compact(all)
	}
	return strings.Join(all, ",")
}

func clip(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:59]) + "…"
	}
	return s
}

// join is a key's place below a field.
func join(field, key string) string {
	for _, r := range key {
		if r != '-' && r != '_' && (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z') {
			return field + "[" + strconv.Quote(key) + "]"
		}
	}
	return field + "." + key
}
