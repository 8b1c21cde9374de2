// Package document reads the YAML files of a workspace strictly and remembers
// where everything stood. It knows no file in particular: a [Shape] says what
// a file may hold.
//
// Read [Parse] first, then [Document.Decode], which fills a Go value and
// reports every mistake of the file at once, each with line, column, what was
// found and what would be right. [Document.Problem] gives later checks the
// same places. [Marshal] writes values back.
//
// The YAML is version 1.2, in one document, without tags, complex keys and
// merge keys. Text that looks like a number must be quoted, so that a version
// "4.10" never becomes 4.1. Anchors and aliases work, up to a bound.
package document

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"towpath/internal/unit"
)

// MaxSize is the largest file that is read.
const MaxSize = 16 * unit.MiB

// The bounds of what a file may unfold to. The reader below takes time that
// grows with the square of the first two.
const (
	maxDepth  = 32
	maxKeys   = 4096 // of one mapping
	maxValues = 2_000_000
)

// Position is a place in a file. Both count from 1; a column is a character.
type Position struct {
	Line, Column int
}

// Document is one parsed file. It is read-only and safe for concurrent use.
type Document struct {
	name  string
	lines []string
	root  *node
	twice Problems // keys that stand twice; Decode reports them with the rest
}

type kind int

const (
	nothing kind = iota
	boolean
	number
	text
	list
	mapping
)

// node is a value with the place where it stands. An alias shares the node of
// its anchor.
type node struct {
	kind    kind
	text    string // of a scalar; a number as it was written
	pos     Position
	keys    []entry  // of a mapping
	items   []*node  // of a list
	flow    bool     // a list in brackets
	end     Position // of its closing bracket
	unfolds int      // how many values it is, aliases counted each time
}

type entry struct {
	name  string
	kind  kind // of the key: text, or another scalar that should have been quoted
	pos   Position
	value *node
}

func (n *node) get(key string) (entry, bool) {
	for _, e := range n.keys {
		if e.name == key {
			return e, true
		}
	}
	return entry{}, false
}

// Parse reads one YAML document. name stands in the messages. The error is of
// type [Problems]; beyond a mistake in the syntax nothing can be read, so that
// usually there is one. Keys that stand twice are reported by
// [Document.Decode], together with everything else.
func Parse(name string, src []byte) (*Document, error) {
	d := &Document{name: name}
	if len(src) > int(MaxSize) {
		return nil, Problems{{File: name, Found: "the file has " + unit.ByteSize(len(src)).String(), Want: "at most " + MaxSize.String()}}
	}
	src = []byte(strings.TrimPrefix(string(src), "\ufeff"))
	d.lines = lines(src)
	if p, ok := d.badCharacter(src); ok {
		return nil, Problems{p}
	}
	body, err := d.syntax(strings.ReplaceAll(string(src), "\r\n", "\n"))
	if err != nil {
		return nil, err
	}
	c := converter{doc: d, anchors: map[string]*node{}, open: map[string]bool{}}
	root := c.node(body, nil)
	if len(c.problems) > 0 {
		return nil, c.problems.Err()
	}
	d.root, d.twice = root, c.twice
	return d, nil
}

// problem is a Problem of this file with its excerpt.
func (d *Document) problem(pos Position, field, found, want, nearest string) Problem {
	return Problem{
		File: d.name, Line: pos.Line, Column: pos.Column, Field: field,
		Found: found, Want: want, Nearest: nearest, Excerpt: excerpt(d.lines, pos.Line, pos.Column),
	}
}

// badCharacter finds the first character that no YAML file may hold.
// Source: YAML 1.2.2 §5.1, production c-printable.
func (d *Document) badCharacter(src []byte) (Problem, bool) {
	at := func(n int, found, want string) (Problem, bool) {
		before := string(src[:n])
		line := strings.Count(before, "\n")
		column := utf8.RuneCountInString(before[strings.LastIndexByte(before, '\n')+1:])
		return d.problem(Position{line + 1, column + 1}, "", found, want, ""), true
	}
	for _, mark := range []string{"\xff\xfe", "\xfe\xff"} {
		if strings.HasPrefix(string(src), mark) {
			return at(0, "the file is in UTF-16", "UTF-8")
		}
	}
	for i := 0; i < len(src); {
		r, n := utf8.DecodeRune(src[i:])
		switch {
		case r == utf8.RuneError && n <= 1:
			return at(i, fmt.Sprintf("the byte 0x%02X is not UTF-8", src[i]), "a file in UTF-8")
		case r == '\r' && (i+1 == len(src) || src[i+1] != '\n'):
			return at(i, "a carriage return without a line feed", "lines that end in LF or CRLF")
		case r == '\n', r == '\r', r == '\t', r == '\u0085':
		case unicode.IsControl(r), r == '\ufeff', r == '\ufffe', r == '\uffff', r == '\u2028', r == '\u2029':
			return at(i, fmt.Sprintf("the character U+%04X", r), "text that can be printed")
		}
		i += n
	}
	return Problem{}, false
}

// syntax returns the one body of the file.
func (d *Document) syntax(src string) (body ast.Node, err error) {
	// No input is known that makes the library panic, but its authors' own run
	// of the YAML test suite is prepared for it, and so is this.
	defer func() {
		if r := recover(); r != nil {
			body, err = nil, Problems{{File: d.name, Found: fmt.Sprintf("the file cannot be read as YAML (%v)", r)}}
		}
	}()
	tokens := lexer.Tokenize(src)
	if ps := d.guard(tokens); len(ps) > 0 {
		return nil, ps.Err()
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, Problems{d.syntaxProblem(err)}
	}
	for _, doc := range file.Docs {
		if doc.Body == nil || doc.Body.Type() == ast.DirectiveType {
			continue
		}
		if body != nil {
			pos := d.start(doc.Body)
			if doc.Start != nil {
				pos = where(doc.Start)
			}
			return nil, Problems{d.problem(pos, "", "a second document begins", "one document in a file", "")}
		}
		body = doc.Body
	}
	if body == nil {
		return nil, Problems{{File: d.name, Found: "the file is empty"}}
	}
	return body, nil
}

// guard refuses, by looking at the tokens alone, what the files of a workspace
// have no use for and what would make the parser slow or exhaust its stack.
func (d *Document) guard(tokens token.Tokens) Problems {
	var ps Problems
	report := func(t *token.Token, found, want string) {
		ps = append(ps, d.problem(where(t), "", found, want, ""))
	}
	// A level is a mapping, a list, or a bracket that is open. In block style
	// the column tells which are: anything further left closes them.
	type level struct {
		column, keys int
		flow         bool
	}
	var open []level
	enter := func(t *token.Token, l level) bool {
		open = append(open, l)
		if len(open) <= maxDepth {
			return true
		}
		report(t, fmt.Sprintf("values are nested more than %d deep", maxDepth), "")
		return false
	}
	var inFlow int
	for i, t := range tokens {
		switch t.Type {
		case token.TagType:
			report(t, fmt.Sprintf("the tag %s", quote(t.Value)), "a value without a tag")
		case token.MappingKeyType:
			report(t, `a complex key, "?"`, "plain keys")
		case token.MergeKeyType:
			report(t, `the merge key "<<", which YAML 1.2 does not have`, "the keys themselves")
		case token.DirectiveType:
			if i+1 < len(tokens) && tokens[i+1].Value != "YAML" {
				report(t, "a directive", "a file without directives")
			}
		case token.SequenceStartType, token.MappingStartType:
			inFlow++
			if !enter(t, level{flow: true}) {
				return ps
			}
		case token.SequenceEndType, token.MappingEndType:
			if inFlow > 0 {
				inFlow--
				for len(open) > 0 && !open[len(open)-1].flow {
					open = open[:len(open)-1]
				}
				open = open[:max(0, len(open)-1)]
			}
		case token.SequenceEntryType, token.MappingValueType:
			key := t
			if t.Type == token.MappingValueType && i > 0 {
				key = tokens[i-1]
			}
			column := key.Position.Column
			if inFlow == 0 {
				for len(open) > 0 && open[len(open)-1].column > column {
					open = open[:len(open)-1]
				}
				if len(open) == 0 || open[len(open)-1].column < column {
					if !enter(t, level{column: column}) {
						return ps
					}
				}
			}
			if len(open) == 0 || t.Type == token.SequenceEntryType {
				continue
			}
			if open[len(open)-1].keys++; open[len(open)-1].keys > maxKeys {
				report(key, fmt.Sprintf("a mapping has more than %d keys", maxKeys), "")
				return ps
			}
		default: // values, and what stands between them
		}
	}
	return ps
}

// syntaxProblem turns the library's complaint into ours.
func (d *Document) syntaxProblem(err error) Problem {
	var bad yaml.Error
	if !errors.As(err, &bad) || bad.GetToken() == nil {
		return Problem{File: d.name, Found: err.Error(), Err: err}
	}
	pos := where(bad.GetToken())
	for n := pos.Line - 1; n <= pos.Line && n <= len(d.lines); n++ {
		if n < 1 {
			continue
		}
		indent := d.lines[n-1][:len(d.lines[n-1])-len(strings.TrimLeft(d.lines[n-1], " \t"))]
		if i := strings.IndexByte(indent, '\t'); i >= 0 {
			return d.problem(Position{n, i + 1}, "", "a tab in the indentation", "spaces", "")
		}
	}
	p := d.problem(pos, "", "not YAML: "+bad.GetMessage(), "", "")
	p.Err = err
	return p
}

func where(t *token.Token) Position { return Position{t.Position.Line, t.Position.Column} }

// start is where a value begins: in block style the token of a mapping is the
// colon of its first key, which is not what a person points at.
func (d *Document) start(n ast.Node) Position {
	switch v := n.(type) {
	case *ast.MappingNode:
		if !v.IsFlowStyle && len(v.Values) > 0 {
			return where(v.Values[0].Key.GetToken())
		}
	case *ast.MappingValueNode:
		return where(v.Key.GetToken())
	}
	return where(n.GetToken())
}

// converter turns the library's tree into ours, resolving aliases.
type converter struct {
	doc      *Document
	problems Problems
	twice    Problems
	anchors  map[string]*node
	open     map[string]bool // anchors whose value is being read
}

func (c *converter) report(pos Position, at *place, found, want, nearest string) {
	c.problems = append(c.problems, c.doc.problem(pos, at.String(), found, want, nearest))
}

func (c *converter) node(n ast.Node, at *place) *node {
	out := &node{pos: c.doc.start(n), unfolds: 1}
	switch v := n.(type) {
	case *ast.NullNode:
		out.text = v.Token.Value
	case *ast.BoolNode:
		out.kind, out.text = boolean, v.Token.Value
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		out.kind, out.text = number, n.GetToken().Value
	case *ast.StringNode:
		out.kind, out.text = text, v.Value
	case *ast.LiteralNode:
		out.kind, out.text = text, v.Value.Value
	case *ast.SequenceNode:
		out.kind, out.flow = list, v.IsFlowStyle
		if v.IsFlowStyle && v.End != nil {
			out.end = where(v.End)
		}
		for i, item := range v.Values {
			child := c.node(item, at.item(i))
			out.items = append(out.items, child)
			c.count(out, child, at, c.doc.start(item))
		}
	case *ast.MappingNode:
		out.kind = mapping
		c.entries(out, v.Values, at)
	case *ast.MappingValueNode:
		out.kind = mapping
		c.entries(out, []*ast.MappingValueNode{v}, at)
	case *ast.AnchorNode:
		name := v.Name.GetToken().Value
		c.open[name] = true
		out = c.node(v.Value, at)
		delete(c.open, name)
		c.anchors[name] = out
	case *ast.AliasNode:
		name := v.Value.GetToken().Value
		anchor, ok := c.anchors[name]
		switch {
		case c.open[name]:
			c.report(out.pos, at, fmt.Sprintf("the alias %s stands inside its own anchor", quote(name)), "", "")
		case !ok:
			known := make([]string, 0, len(c.anchors))
			for k := range c.anchors {
				known = append(known, k)
			}
			slices.Sort(known)
			c.report(out.pos, at, fmt.Sprintf("no anchor %s stands above", quote(name)), "", Nearest(name, known))
		default:
			out = anchor
		}
	default:
		c.report(out.pos, at, fmt.Sprintf("a %s", strings.ToLower(n.Type().YAMLName())), "a plain value", "")
	}
	return out
}

// count adds what a child unfolds to, and complains once when the whole grows
// beyond the bound: a few aliases of aliases can make billions.
func (c *converter) count(n, child *node, at *place, pos Position) {
	if n.unfolds <= maxValues {
		if n.unfolds += child.unfolds; n.unfolds > maxValues && child.unfolds <= maxValues {
			c.report(pos, at, fmt.Sprintf("aliases make more than %d values of this file", maxValues), "", "")
		}
	}
}

func (c *converter) entries(out *node, values []*ast.MappingValueNode, at *place) {
	first := make(map[string]Position, len(values))
	for _, v := range values {
		key := entry{name: v.Key.GetToken().Value, kind: text, pos: where(v.Key.GetToken())}
		switch k := v.Key.(type) {
		case *ast.StringNode:
			key.name = k.Value
		case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
			key.kind = number
		case *ast.BoolNode:
			key.kind = boolean
		case *ast.NullNode:
			key.kind = nothing
		default:
			c.report(key.pos, at, fmt.Sprintf("a %s as a key", strings.ToLower(v.Key.Type().YAMLName())), "plain keys", "")
			continue
		}
		here := at.child(key.name)
		key.value = c.node(v.Value, here)
		c.count(out, key.value, here, c.doc.start(v.Value))
		if before, again := first[key.name]; again {
			c.twice = append(c.twice, c.doc.problem(key.pos, here.String(), fmt.Sprintf("the key %s a second time; the first is in line %d", quote(key.name), before.Line), "", ""))
			continue
		}
		first[key.name] = key.pos
		out.keys = append(out.keys, key)
	}
}

// find follows the path as far as it leads. exact says whether it led all the
// way. key is the place of the last key that was followed.
func (d *Document) find(path string) (n *node, key Position, exact bool) {
	n = d.root
	key = n.pos
	for _, s := range steps(path) {
		if s.list {
			if n.kind != list || s.index < 0 || s.index >= len(n.items) {
				return n, key, false
			}
			n = n.items[s.index]
			key = n.pos
			continue
		}
		e, ok := n.get(s.key)
		if !ok {
			return n, key, false
		}
		n, key = e.value, e.pos
	}
	return n, key, true
}

// At returns where the value at the path stands, such as
// "devices[2].platform" or `devices[2].labels["a.b"]`, and whether it is in
// the file at all. Where it is not, the place is that of the nearest value
// above it. The value of an alias stands where its anchor is.
func (d *Document) At(path string) (Position, bool) {
	n, key, exact := d.find(path)
	if n.kind == nothing {
		return key, exact
	}
	return n.pos, exact
}

// Extent is where a list stands in its file.
type Extent struct {
	Start Position // the first dash, or the opening bracket
	Flow  bool     // in brackets
	End   Position // the closing bracket, of a list in brackets
	// Next is the line of what follows the list: the next key, or the end mark
	// of the document. It is 0 where nothing follows.
	Next int
}

// Extent returns where the list of a key of the document's mapping stands, for
// those who edit the file and leave the rest of it alone. It is zero where
// there is no such list.
func (d *Document) Extent(key string) Extent {
	i := slices.IndexFunc(d.root.keys, func(e entry) bool { return e.name == key })
	if i < 0 || d.root.keys[i].value.kind != list {
		return Extent{}
	}
	n := d.root.keys[i].value
	x := Extent{Start: n.pos, Flow: n.flow, End: n.end}
	if i+1 < len(d.root.keys) {
		x.Next = d.root.keys[i+1].pos.Line
		return x
	}
	for l := n.pos.Line; l < len(d.lines); l++ {
		if mark, _, _ := strings.Cut(d.lines[l], " "); mark == "..." {
			x.Next = l + 1
			break
		}
	}
	return x
}

// Offset returns the octet of src, which is what was parsed, at which the
// position is, or -1 where there is none.
func Offset(src []byte, p Position) int {
	at := 0
	if bytes.HasPrefix(src, []byte("\ufeff")) {
		at = len("\ufeff")
	}
	for range p.Line - 1 {
		i := bytes.IndexByte(src[at:], '\n')
		if i < 0 {
			return -1
		}
		at += i + 1
	}
	for range p.Column - 1 {
		if at >= len(src) || src[at] == '\n' {
			return -1
		}
		_, n := utf8.DecodeRune(src[at:])
		at += n
	}
	return at
}

// Problem is a mistake in the value at the path.
func (d *Document) Problem(path, found, want, nearest string) Problem {
	pos, _ := d.At(path)
	return d.problem(pos, path, found, want, nearest)
}

// KeyProblem is a mistake in the key that the path ends in.
func (d *Document) KeyProblem(path, found, want, nearest string) Problem {
	_, key, _ := d.find(path)
	return d.problem(key, path, found, want, nearest)
}

// quote puts text of a file into a message, cut where it is long.
func quote(s string) string {
	if r := []rune(s); len(r) > 60 {
		s = string(r[:59]) + "…"
	}
	return fmt.Sprintf("%q", s)
}
