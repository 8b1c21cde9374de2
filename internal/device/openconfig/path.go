package openconfig

import (
	"fmt"
	"slices"
	"strings"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
)

// step is one element of a path pattern: a name and the names of its keys.
type step struct {
	name string
	keys []string
}

// parsePattern reads a path pattern such as
// /components/component[name]/state/type; a name in brackets is a key whose
// value is caught.
func parsePattern(s string) ([]step, error) {
	rest, ok := strings.CutPrefix(s, "/")
	if !ok {
		return nil, fmt.Errorf("pattern %q does not start with a slash", s)
	}
	var out []step
	for part := range strings.SplitSeq(rest, "/") {
		name, keys, _ := strings.Cut(part, "[")
		if name == "" {
			return nil, fmt.Errorf("pattern %q has an empty name", s)
		}
		st := step{name: name}
		for keys != "" {
			k, more, ok := strings.Cut(keys, "]")
			if !ok || k == "" {
				return nil, fmt.Errorf("pattern %q has an open bracket", s)
			}
			st.keys = append(st.keys, k)
			keys = strings.TrimPrefix(more, "[")
		}
		out = append(out, st)
	}
	return out, nil
}

// wildcard is the gNMI path that asks for everything under a pattern.
func wildcard(origin string, steps []step) *gnmipb.Path {
	p := &gnmipb.Path{Origin: origin}
	for _, s := range steps {
		e := &gnmipb.PathElem{Name: s.name}
		for _, k := range s.keys {
			if e.Key == nil {
				e.Key = map[string]string{}
			}
			e.Key[k] = "*"
		}
		p.Elem = append(p.Elem, e)
	}
	return p
}

// pathText is a pattern as text, without keys.
func pathText(steps []step) string {
	var b strings.Builder
	for _, s := range steps {
		b.WriteByte('/')
		b.WriteString(s.name)
	}
	return b.String()
}

// local is a name without its module prefix (RFC 7951 §4).
func local(name string) string {
	if i := strings.LastIndexByte(name, ':'); i >= 0 {
		return name[i+1:]
	}
	return name
}

// node is one place of a tree of patterns. T is what the patterns lead to.
type node[T any] struct {
	name     string
	keys     []string // of the list whose entry this is
	children []*node[T]
	leaves   []T
}

// child returns the child with the name, or nil. Nodes have few children, so
// a linear search beats a map.
func (n *node[T]) child(name string) *node[T] {
	for _, c := range n.children {
		if c.name == name {
			return c
		}
	}
	return nil
}

// add puts leaf at the end of the pattern.
func (n *node[T]) add(steps []step, leaf T) error {
	at := n
	for _, s := range steps {
		c := at.child(s.name)
		if c == nil {
			c = &node[T]{name: s.name, keys: s.keys}
			at.children = append(at.children, c)
		}
		if !slices.Equal(c.keys, s.keys) {
			return fmt.Errorf("list %q has keys %q in one pattern and %q in another", s.name, c.keys, s.keys)
		}
		at = c
	}
	at.leaves = append(at.leaves, leaf)
	return nil
}

// descend follows the elements of a path from n and appends the values of the
// keys that it passes. It returns nil where the path leaves the tree. open is
// true where the path ends at a list without naming an entry, so that the
// value must be the whole list.
func (n *node[T]) descend(elems []*gnmipb.PathElem, keys []string) (at *node[T], caught []string, open bool) {
	at = n
	for i, e := range elems {
		at = at.child(local(e.GetName()))
		if at == nil {
			return nil, nil, false
		}
		for j, k := range at.keys {
			v, ok := e.GetKey()[k]
			if !ok {
				if i == len(elems)-1 && j == 0 && len(e.GetKey()) == 0 {
					return at, keys, true
				}
				return nil, nil, false
			}
			keys = append(keys, v)
		}
	}
	return at, keys, false
}
