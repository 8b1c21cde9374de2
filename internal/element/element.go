// Package element holds trees of XML elements with their namespaces: read from
// a stream, looked at by name, and written. It knows no protocol and no data
// model.
//
// Read [Parse] first, then [Node].
package element

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
)

// Node is an element. An element with kids has no text; an element without has
// the text between its tags, as it stands there.
type Node struct {
	Space string // URI of its namespace
	Name  string
	Text  string
	// Attrs are the attributes that are no declarations of namespaces.
	Attrs []Attr
	Kids  []*Node

	scope *scope
}

// Attr is an attribute; Space is empty where the name has no prefix.
type Attr struct{ Space, Name, Value string }

// scope are the prefixes that an element declares, and those around it.
type scope struct {
	prefix, space string
	outer         *scope
}

func (s *scope) find(prefix string) (string, bool) {
	for ; s != nil; s = s.outer {
		if s.prefix == prefix {
			return s.space, true
		}
	}
	return "", false
}

func (s *scope) has(prefix string) bool {
	_, ok := s.find(prefix)
	return ok
}

// of finds a prefix that stands for a namespace.
func (s *scope) of(space string) (prefix string, ok bool) {
	for t := s; t != nil; t = t.outer {
		if t.space == space && t.prefix != "" && !shadowed(s, t) {
			return t.prefix, true
		}
	}
	return "", false
}

// deepest is how deep elements may be nested; no data model comes near.
const deepest = 256

// ErrEmpty says that there was no element at all.
var ErrEmpty = errors.New("found no element")

// Parse reads one document to its end. A document type declaration is an error,
// and so is anything but white space and comments beside the outermost element.
// Source: RFC 6241 §3 (well-formed, UTF-8, no document type declaration).
func Parse(r io.Reader) (*Node, error) {
	d := xml.NewDecoder(r)
	var root *Node
	var open []*Node
	var text []byte
	block := make([]Node, 0)
	names := map[string]string{} // one copy of each text that comes often
	for {
		t, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, at(d, err)
		}
		switch t := t.(type) {
		case xml.StartElement:
			if len(block) == cap(block) {
				block = make([]Node, 0, min(max(2*cap(block), 16), 1024))
			}
			block = append(block, Node{Space: t.Name.Space, Name: t.Name.Local})
			n := &block[len(block)-1]
			switch {
			case len(open) > 0:
				up := open[len(open)-1]
				up.Kids = append(up.Kids, n)
				n.scope = up.scope
			case root != nil:
				return nil, at(d, fmt.Errorf("found a second element <%s> after the outermost one", t.Name.Local))
			default:
				root = n
			}
			if bad := badName(t); bad != "" {
				return nil, at(d, fmt.Errorf("found the name %q, want letters, digits, _, - and . that begin with a letter or _", bad))
			}
			if len(open) >= deepest {
				return nil, at(d, fmt.Errorf("elements are nested more than %d deep", deepest))
			}
			if t.Name.Space != "" && strings.IndexByte(t.Name.Space, ':') < 0 && !declared(t, n.scope) {
				return nil, at(d, fmt.Errorf("found the prefix %q, which nobody declared", t.Name.Space))
			}
			n.attributes(t.Attr)
			open = append(open, n)
			text = text[:0]
		case xml.EndElement:
			n := open[len(open)-1]
			open = open[:len(open)-1]
			if len(n.Kids) == 0 && len(text) > 0 {
				n.Text = intern(names, text)
			}
			text = text[:0]
		case xml.CharData:
			if len(open) > 0 {
				text = append(text, t...)
			} else if len(strings.TrimSpace(string(t))) > 0 {
				return nil, at(d, fmt.Errorf("found text outside of the outermost element"))
			}
		case xml.Directive:
			return nil, at(d, errors.New("found a document type declaration"))
		}
	}
	if root == nil {
		return nil, ErrEmpty
	}
	return root, nil
}

// badName is a name in a tag that no data model can have. Source: RFC 7950 §6.2,
// identifiers; those of XML allow more.
func badName(t xml.StartElement) string {
	if !identifier(t.Name.Local) {
		return t.Name.Local
	}
	for _, a := range t.Attr {
		if !identifier(a.Name.Local) {
			return a.Name.Local
		}
	}
	return ""
}

func identifier(s string) bool {
	for i := range len(s) {
		c := s[i]
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_' {
			continue
		}
		if i == 0 || (c < '0' || c > '9') && c != '-' && c != '.' {
			return false
		}
	}
	return s != ""
}

// declared reports whether the namespace of the element was declared; the
// decoder hands an unknown prefix on as if it were the namespace.
func declared(t xml.StartElement, s *scope) bool {
	for _, a := range t.Attr {
		if (a.Name.Space == "xmlns" || a.Name.Space == "" && a.Name.Local == "xmlns") && a.Value == t.Name.Space {
			return true
		}
	}
	for ; s != nil; s = s.outer {
		if s.space == t.Name.Space {
			return true
		}
	}
	return t.Name.Space == "xml"
}

func at(d *xml.Decoder, err error) error {
	return fmt.Errorf("octet %d: %w", d.InputOffset(), err)
}

// intern keeps short texts once.
func intern(names map[string]string, b []byte) string {
	if len(b) > 32 {
		return string(b)
	}
	if s, ok := names[string(b)]; ok {
		return s
	}
	s := string(b)
	if len(names) < 4096 {
		names[s] = s
	}
	return s
}

func (n *Node) attributes(as []xml.Attr) {
	for _, a := range as {
		switch {
		case a.Name.Space == "xmlns":
			n.scope = &scope{a.Name.Local, a.Value, n.scope}
		case a.Name.Space == "" && a.Name.Local == "xmlns":
			n.scope = &scope{"", a.Value, n.scope}
		default:
			n.Attrs = append(n.Attrs, Attr{a.Name.Space, a.Name.Local, a.Value})
		}
	}
}

// New is an element with kids; nil kids are left out.
func New(space, name string, kids ...*Node) *Node {
	n := &Node{Space: space, Name: name}
	return n.Add(kids...)
}

// Leaf is an element with text.
func Leaf(space, name, text string) *Node { return &Node{Space: space, Name: name, Text: text} }

// Identity is an element whose text is a name of another namespace; it is
// written with a prefix of its own. Source: RFC 7950 §9.10.3.
func Identity(space, name, ofSpace, id string) *Node {
	n := &Node{Space: space, Name: name, Text: "id:" + id}
	n.scope = &scope{"id", ofSpace, nil}
	return n
}

// Add appends kids, leaving out those that are nil, and returns n.
func (n *Node) Add(kids ...*Node) *Node {
	for _, k := range kids {
		if k != nil {
			n.Kids = append(n.Kids, k)
		}
	}
	return n
}

// With sets an attribute and returns n.
func (n *Node) With(space, name, value string) *Node {
	for i := range n.Attrs {
		if n.Attrs[i].Space == space && n.Attrs[i].Name == name {
			n.Attrs[i].Value = value
			return n
		}
	}
	n.Attrs = append(n.Attrs, Attr{space, name, value})
	return n
}

// Attr returns the value of an attribute and whether it is there.
func (n *Node) Attr(space, name string) (string, bool) {
	if n == nil {
		return "", false
	}
	for _, a := range n.Attrs {
		if a.Space == space && a.Name == name {
			return a.Value, true
		}
	}
	return "", false
}

// Is reports whether n has the name in the namespace.
func (n *Node) Is(space, name string) bool { return n != nil && n.Name == name && n.Space == space }

// Kid returns the first kid with the name in n's own namespace, then in any;
// nil where there is none.
func (n *Node) Kid(name string) *Node {
	if n == nil {
		return nil
	}
	var other *Node
	for _, k := range n.Kids {
		if k.Name != name {
			continue
		}
		if k.Space == n.Space {
			return k
		}
		if other == nil {
			other = k
		}
	}
	return other
}

// In returns the first kid with the name in the namespace, nil where there is
// none.
func (n *Node) In(space, name string) *Node {
	if n == nil {
		return nil
	}
	for _, k := range n.Kids {
		if k.Name == name && k.Space == space {
			return k
		}
	}
	return nil
}

// At follows names downwards by [Node.Kid].
func (n *Node) At(names ...string) *Node {
	for _, name := range names {
		n = n.Kid(name)
	}
	return n
}

// All returns the kids with the name.
func (n *Node) All(name string) []*Node {
	if n == nil {
		return nil
	}
	var out []*Node
	for _, k := range n.Kids {
		if k.Name == name {
			out = append(out, k)
		}
	}
	return out
}

// Value is the text without white space around it; empty for nil.
func (n *Node) Value() string {
	if n == nil {
		return ""
	}
	return strings.TrimSpace(n.Text)
}

// ID reads the text as a name with an optional prefix: the namespace that the
// prefix stands for, or n's own, and the name. ok is false where the prefix is
// unknown.
func (n *Node) ID() (space, id string, ok bool) {
	if n == nil {
		return "", "", false
	}
	v := n.Value()
	prefix, rest, has := strings.Cut(v, ":")
	if !has {
		return n.Space, v, v != ""
	}
	space, ok = n.scope.find(prefix)
	return space, rest, ok && rest != ""
}

// Prefix returns the namespace that a prefix stands for inside n.
func (n *Node) Prefix(prefix string) (string, bool) {
	if n == nil {
		return "", false
	}
	return n.scope.find(prefix)
}

// Declare makes a prefix stand for a namespace inside n, and returns n.
func (n *Node) Declare(prefix, space string) *Node {
	n.scope = &scope{prefix, space, n.scope}
	return n
}

// String is the element as XML without any white space added.
func (n *Node) String() string { return string(n.Append(nil)) }

// Append appends the element as XML.
func (n *Node) Append(b []byte) []byte { return n.write(b, "", nil) }

func (n *Node) write(b []byte, around string, outer *scope) []byte {
	b = append(b, '<')
	b = append(b, n.Name...)
	if n.Space != around {
		b = append(append(append(b, ` xmlns="`...), escaped(n.Space)...), '"')
	}
	// Prefixes that this element may use and that are not declared around it.
	for s := n.scope; s != nil && s != outer; s = s.outer {
		if s.prefix == "" {
			continue
		}
		if now, ok := outer.find(s.prefix); ok && now == s.space || shadowed(n.scope, s) {
			continue
		}
		b = append(append(append(append(append(b, ` xmlns:`...), s.prefix...), `="`...), escaped(s.space)...), '"')
	}
	for i, a := range n.Attrs {
		b = append(b, ' ')
		switch a.Space {
		case "":
		case "xml":
			b = append(b, "xml:"...)
		default:
			prefix, has := n.scope.of(a.Space)
			if !has {
				for prefix = fmt.Sprintf("a%d", i); n.scope.has(prefix); prefix += "a" {
				}
				b = fmt.Appendf(b, `xmlns:%s="%s" `, prefix, escaped(a.Space))
			}
			b = append(append(b, prefix...), ':')
		}
		b = append(append(append(append(b, a.Name...), `="`...), escaped(a.Value)...), '"')
	}
	if len(n.Kids) == 0 && n.Text == "" {
		return append(b, "/>"...)
	}
	b = append(b, '>')
	if len(n.Kids) == 0 {
		b = append(b, escaped(n.Text)...)
	}
	for _, k := range n.Kids {
		b = k.write(b, n.Space, n.scope)
	}
	return append(append(append(b, "</"...), n.Name...), '>')
}

// shadowed reports whether the prefix is declared again further inside.
func shadowed(from, s *scope) bool {
	for t := from; t != s; t = t.outer {
		if t.prefix == s.prefix {
			return true
		}
	}
	return false
}

// escaped protects what has a meaning in XML; what XML cannot carry becomes a
// replacement character.
func escaped(s string) string {
	plain := true
	for i := 0; i < len(s) && plain; i++ {
		c := s[i]
		plain = c >= ' ' && c < 0x7f && c != '<' && c != '>' && c != '&' && c != '"' && c != '\''
	}
	if plain {
		return s
	}
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a builder takes everything
	return b.String()
}
