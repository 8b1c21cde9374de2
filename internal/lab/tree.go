package lab

import (
	"encoding/json"
	"fmt"
	"slices"
	"sort"
	"strings"
	"sync"

	"github.com/openconfig/gnmi/proto/gnmi"
	"github.com/openconfig/gnoi/types"
)

// keyValue is one key of a list entry.
type keyValue struct{ name, value string }

// elem is one element of a path, keys in the order of the schema.
type elem struct {
	name string
	keys []keyValue
}

// leafInfo is what is fixed about a leaf: its path in every form that is
// needed, parsed once.
type leafInfo struct {
	text  string // "/components/component[name=CTL-A]/state/type"
	elems []elem
	proto *gnmi.Path // shared, never changed
	row   *schemaRow // nil where the schema does not know the leaf
}

// leaf is a leaf with its value.
type leaf struct {
	*leafInfo
	val value
}

// leafInfos remembers the parsed form of every path that has been rendered.
type leafInfos struct {
	mu sync.Mutex
	m  map[string]*leafInfo
}

func (l *leafInfos) get(text string) *leafInfo {
	l.mu.Lock()
	defer l.mu.Unlock()
	if in := l.m[text]; in != nil {
		return in
	}
	if l.m == nil {
		l.m = map[string]*leafInfo{}
	}
	in := newLeafInfo(text)
	l.m[text] = in
	return in
}

func newLeafInfo(text string) *leafInfo {
	elems, err := parsePath(text)
	if err != nil {
		panic("lab: " + err.Error()) // a path that this package wrote itself
	}
	in := &leafInfo{text: text, elems: elems, proto: protoPath(elems)}
	in.row = loadSchema().rows[schemaPath(elems)]
	return in
}

// key writes a key value so that it can stand between brackets.
func key(v string) string {
	if !strings.ContainsAny(v, `]\`) {
		return v
	}
	return strings.NewReplacer(`\`, `\\`, `]`, `\]`).Replace(v)
}

// parsePath reads the textual form of a path: slashes inside brackets do not
// separate, and a backslash protects the next character inside them.
// Source: gNMI specification §2.2.2 and its path conventions.
func parsePath(text string) ([]elem, error) {
	if !strings.HasPrefix(text, "/") {
		return nil, fmt.Errorf("path %q: want a leading slash", text)
	}
	var out []elem
	i := 1
	for i < len(text) {
		start := i
		for i < len(text) && text[i] != '/' && text[i] != '[' {
			i++
		}
		e := elem{name: text[start:i]}
		if e.name == "" {
			return nil, fmt.Errorf("path %q: empty name at octet %d", text, start)
		}
		for i < len(text) && text[i] == '[' {
			eq := strings.IndexByte(text[i:], '=')
			if eq < 0 {
				return nil, fmt.Errorf("path %q: key without value at octet %d", text, i)
			}
			kv := keyValue{name: text[i+1 : i+eq]}
			i += eq + 1
			var v []byte
			for i < len(text) && text[i] != ']' {
				if text[i] == '\\' && i+1 < len(text) {
					i++
				}
				v = append(v, text[i])
				i++
			}
			if i >= len(text) {
				return nil, fmt.Errorf("path %q: key %s is not closed", text, kv.name)
			}
			i++
			kv.value = string(v)
			e.keys = append(e.keys, kv)
		}
		out = append(out, e)
		if i < len(text) {
			if text[i] != '/' {
				return nil, fmt.Errorf("path %q: found %q at octet %d, want a slash", text, text[i], i)
			}
			i++
		}
	}
	return out, nil
}

// protoPath is the path as gNMI sends it.
func protoPath(elems []elem) *gnmi.Path {
	p := &gnmi.Path{}
	if len(elems) > 0 && elems[0].name == "facts" {
		p.Origin = originFacts
	}
	for _, e := range elems {
		pe := &gnmi.PathElem{Name: e.name}
		for _, kv := range e.keys {
			if pe.Key == nil {
				pe.Key = map[string]string{}
			}
			pe.Key[kv.name] = kv.value
		}
		p.Elem = append(p.Elem, pe)
	}
	return p
}

// schemaPath is the path with the names of keys in place of their values.
func schemaPath(elems []elem) string {
	var b strings.Builder
	for _, e := range elems {
		b.WriteByte('/')
		b.WriteString(e.name)
		for _, kv := range e.keys {
			b.WriteByte('[')
			b.WriteString(kv.name)
			b.WriteByte(']')
		}
	}
	return b.String()
}

// namePath is the path without any keys.
func namePath(elems []elem) string {
	var b strings.Builder
	for _, e := range elems {
		b.WriteByte('/')
		b.WriteString(e.name)
	}
	return b.String()
}

// textOf writes a path of the protocol as text, keys sorted by name.
func textOf(p *gnmi.Path) string {
	var b strings.Builder
	if o := p.GetOrigin(); o != "" && o != "openconfig" && o != originFacts {
		b.WriteString(o + ":")
	}
	for _, e := range p.GetElem() {
		b.WriteByte('/')
		b.WriteString(e.GetName())
		names := make([]string, 0, len(e.GetKey()))
		for k := range e.GetKey() {
			names = append(names, k)
		}
		sort.Strings(names)
		for _, k := range names {
			fmt.Fprintf(&b, "[%s=%s]", k, key(e.GetKey()[k]))
		}
	}
	if b.Len() == 0 {
		return "/"
	}
	return b.String()
}

// query is a path that may hold wildcards, with its prefix joined on.
type query struct {
	origin string // originFacts or "openconfig"; "" matches both trees, for the root only
	elems  []*gnmi.PathElem
}

// newQuery joins prefix and path. The origin may stand in either.
// Source: gNMI specification §2.2.2.1 and §2.7.
func newQuery(prefix, path *gnmi.Path) (query, error) {
	q := query{origin: path.GetOrigin()}
	if po := prefix.GetOrigin(); po != "" {
		if q.origin != "" && q.origin != po {
			return q, fmt.Errorf("origin %q in the prefix and %q in the path", po, q.origin)
		}
		q.origin = po
	}
	q.elems = slices.Concat(prefix.GetElem(), path.GetElem())
	switch q.origin {
	case "":
		if len(q.elems) > 0 && q.elems[0].GetName() == "facts" {
			q.origin = originFacts
		} else {
			q.origin = "openconfig"
		}
	case "openconfig", originFacts:
	default:
		return q, fmt.Errorf("found origin %q, want openconfig or %s", q.origin, originFacts)
	}
	return q, nil
}

// modelled reports whether the chassis has anything at all under the first
// element.
func (q query) modelled() bool {
	if len(q.elems) == 0 {
		return true
	}
	first := q.elems[0].GetName()
	return first == "*" || first == "..." || loadSchema().tops[q.origin+"/"+first]
}

// matches reports whether the leaf is at or below what is asked for.
func (q query) matches(in *leafInfo) bool {
	if (q.origin == originFacts) != (in.elems[0].name == "facts") {
		return false
	}
	return matchElems(q.elems, in.elems)
}

// matchElems matches a pattern against the beginning of a path. A key that the
// pattern leaves out matches every value.
func matchElems(pattern []*gnmi.PathElem, elems []elem) bool {
	for i, p := range pattern {
		if p.GetName() == "..." {
			for j := range len(elems) - i + 1 {
				if matchElems(pattern[i+1:], elems[i+j:]) {
					return true
				}
			}
			return false
		}
		if i >= len(elems) || p.GetName() != "*" && p.GetName() != elems[i].name {
			return false
		}
		for k, want := range p.GetKey() {
			if want == "*" {
				continue
			}
			at := slices.IndexFunc(elems[i].keys, func(kv keyValue) bool { return kv.name == k })
			if at < 0 || elems[i].keys[at].value != want {
				return false
			}
		}
	}
	return true
}

// couldMatchSchema reports whether any schema row with the property wanted
// could be at or below the query.
func (q query) couldMatchSchema(want func(*schemaRow) bool) bool {
	pattern := make([]*gnmi.PathElem, len(q.elems))
	for i, e := range q.elems {
		pattern[i] = &gnmi.PathElem{Name: e.GetName()}
	}
	for path, row := range loadSchema().rows {
		if originOf(path) != q.origin || !want(row) {
			continue
		}
		var elems []elem
		for _, s := range strings.Split(keyless(path)[1:], "/") {
			elems = append(elems, elem{name: s})
		}
		if matchElems(pattern, elems) {
			return true
		}
	}
	return false
}

// document nests leaves, which share their first depth elements and are
// sorted, into one JSON_IETF value.
// Source: RFC 7951 §4 (a member is qualified where its module differs from its
// parent's, and at the top), §5.4 (lists).
func document(leaves []leaf, depth int) (json.RawMessage, error) {
	return json.Marshal(nest(leaves, depth, ""))
}

func nest(leaves []leaf, depth int, parent string) any {
	if len(leaves) == 1 && len(leaves[0].elems) == depth {
		return leaves[0].val.jsonIETF()
	}
	out := map[string]any{}
	// Leaves of one child are together only up to keys, so they are grouped.
	for _, group := range groupBy(leaves, func(l leaf) string { return l.elems[depth].name }) {
		first := group[0].elems
		module := moduleOf(namePath(first[:depth+1]))
		name := first[depth].name
		if module != parent {
			name = module + ":" + name
		}
		if len(first[depth].keys) == 0 {
			out[name] = nest(group, depth+1, module)
			continue
		}
		var entries []any
		for _, one := range groupBy(group, func(l leaf) string { return keysText(l.elems[depth]) }) {
			v, ok := nest(one, depth+1, module).(map[string]any)
			if !ok {
				continue
			}
			base := namePath(one[0].elems[:depth+1])
			for _, kv := range one[0].elems[depth].keys {
				if _, has := v[kv.name]; !has {
					v[kv.name] = keyJSON(base+"/"+kv.name, kv.value)
				}
			}
			entries = append(entries, v)
		}
		out[name] = entries
	}
	return out
}

// keyJSON writes a list key with the type of its leaf.
func keyJSON(path, v string) any {
	switch loadSchema().names[path] {
	case kUint8, kUint16, kUint32:
		return json.Number(v)
	case kIdent:
		if row := path; strings.HasSuffix(row, "/identifier") || strings.HasSuffix(row, "/origin-protocol") {
			return "openconfig-policy-types:" + v
		} else if strings.HasSuffix(row, "/afi-safi-name") {
			return "openconfig-bgp-types:" + v
		}
	case kStr, kBool, kUint64, kInt64, kDec, kEnum, kList:
	}
	return v
}

func keysText(e elem) string {
	var b strings.Builder
	for _, kv := range e.keys {
		b.WriteString(kv.value)
		b.WriteByte(0)
	}
	return b.String()
}

// groupBy splits leaves by a name, groups in order of first appearance.
func groupBy(leaves []leaf, name func(leaf) string) [][]leaf {
	var out [][]leaf
	at := map[string]int{}
	for _, l := range leaves {
		n := name(l)
		i, ok := at[n]
		if !ok {
			i = len(out)
			at[n] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], l)
	}
	return out
}

// componentName reads a gNOI path to a component: the value of the last key
// called name, as in /components/component[name=CTL-B], or the bare name as
// the only element.
func componentName(p *types.Path) string {
	elems := p.GetElem()
	for i := len(elems) - 1; i >= 0; i-- {
		if n := elems[i].GetKey()["name"]; n != "" {
			return n
		}
	}
	if len(elems) == 1 && len(elems[0].GetKey()) == 0 {
		return elems[0].GetName()
	}
	return ""
}

// componentPath is the gNOI path of a component.
func componentPath(name string) *types.Path {
	return &types.Path{Origin: "openconfig", Elem: []*types.PathElem{
		{Name: "components"}, {Name: "component", Key: map[string]string{"name": name}},
	}}
}
