package netconf

import "towpath/internal/element"

// Select applies a subtree filter: kids of filter against data. It shares nodes
// with data and changes none. A filter without kids selects nothing.
// Source: RFC 6241 §6.
func Select(data []*element.Node, filter *element.Node) []*element.Node {
	var out []*element.Node
	for _, d := range data {
		if n := selected(d, filter.Kids); n != nil {
			out = append(out, n)
		}
	}
	return out
}

// selected is what the filters, which stand beside each other, leave of d; nil
// for nothing.
func selected(d *element.Node, filters []*element.Node) *element.Node {
	var within []*element.Node
	for _, f := range filters {
		if !names(f, d) || !attributes(f, d) {
			continue
		}
		switch {
		case len(f.Kids) == 0 && f.Value() == "":
			return d // a selection node, §6.2.4
		case len(f.Kids) == 0:
			if same(f, d) { // a content match node, §6.2.5
				return d
			}
		default:
			all, ok := contents(f, d)
			if !ok {
				continue
			}
			if all {
				return d
			}
			within = append(within, f.Kids...)
		}
	}
	if len(within) == 0 {
		return nil
	}
	out := &element.Node{Space: d.Space, Name: d.Name, Attrs: d.Attrs}
	for _, k := range d.Kids {
		if n := selected(k, within); n != nil {
			out.Kids = append(out.Kids, n)
		}
	}
	if len(out.Kids) == 0 {
		return nil
	}
	return out
}

// names reports whether f means d by name. Source: RFC 6241 §6.2.1: without a
// namespace of its own a filter means any.
func names(f, d *element.Node) bool {
	return f.Name == d.Name && (f.Space == "" || f.Space == baseSpace || f.Space == d.Space)
}

// attributes checks attribute match expressions, §6.2.2.
func attributes(f, d *element.Node) bool {
	for _, a := range f.Attrs {
		if v, ok := d.Attr(a.Space, a.Name); !ok || v != a.Value {
			return false
		}
	}
	return true
}

// contents checks the content match nodes of a containment node: ok is false
// where one does not match, all is true where there is nothing but such.
func contents(f, d *element.Node) (all, ok bool) {
	all = true
	for _, k := range f.Kids {
		if len(k.Kids) > 0 || k.Value() == "" {
			all = false
			continue
		}
		found := false
		for _, x := range d.Kids {
			if names(k, x) && same(k, x) {
				found = true
				break
			}
		}
		if !found {
			return false, false
		}
	}
	return all, true
}

// same compares the texts of two leaves; identities are the same where their
// names and namespaces are, whatever their prefixes.
func same(a, b *element.Node) bool {
	if a.Value() == b.Value() {
		return true
	}
	as, ai, aok := a.ID()
	bs, bi, bok := b.ID()
	return aok && bok && ai == bi && as == bs
}

// Wants reports whether a filter can select anything at or below the names,
// which begin at the top; a nil filter wants everything. It spares a device the
// making of what is then thrown away.
func Wants(filter *element.Node, path ...string) bool {
	if filter == nil {
		return true
	}
	level := filter.Kids
	for _, name := range path {
		var next []*element.Node
		for _, f := range level {
			if f.Name != name {
				continue
			}
			only := true // content match nodes alone select the whole element
			for _, k := range f.Kids {
				if len(k.Kids) > 0 || k.Value() == "" {
					only = false
				}
			}
			if only {
				return true
			}
			next = append(next, f.Kids...)
		}
		if len(next) == 0 {
			return false
		}
		level = next
	}
	return true
}
