//nolint:misspell // the words of the OpenConfig models
package lab

import (
	"strings"
	"sync"
)

// The properties of a leaf that its type does not tell.
const (
	settable uint8 = 1 << iota // gNMI Set may change it
	sampled                    // sent in the initial set and by SAMPLE, not on change
)

// originFacts is the gNMI origin of what OpenConfig has no leaf for.
const originFacts = "towpath-facts"

// schemaRow is one leaf of the schema: its path with the names of list keys,
// its type and its properties.
type schemaRow struct {
	path  string
	kind  kind
	flags uint8
}

func (r *schemaRow) is(flag uint8) bool { return r != nil && r.flags&flag != 0 }

// schema is the set of leaves, by path.
type schema struct {
	rows  map[string]*schemaRow
	tops  map[string]bool // "origin/first element"
	names map[string]kind // types of list keys: path of the list without keys + "/" + key
}

var loadSchema = sync.OnceValue(func() *schema {
	s := &schema{rows: map[string]*schemaRow{}, tops: map[string]bool{}, names: map[string]kind{}}
	rows := schemaRows()
	for i := range rows {
		r := &rows[i]
		s.rows[r.path] = r
		first, _, _ := strings.Cut(r.path[1:], "/")
		s.tops[originOf(r.path)+"/"+bareName(first)] = true
		// A key's own leaf is …/state/<key> below its list.
		if at := strings.LastIndex(r.path, "/state/"); at > 0 {
			s.names[keyless(r.path[:at])+"/"+r.path[at+len("/state/"):]] = r.kind
		}
	}
	// Keys whose own leaf the chassis does not serve.
	s.names["/interfaces/interface/subinterfaces/subinterface/index"] = kUint32
	s.names["/network-instances/network-instance/protocols/protocol/isis/interfaces/interface/levels/level/level-number"] = kUint8
	return s
})

// originOf tells the two trees apart by their first element.
func originOf(path string) string {
	if strings.HasPrefix(path, "/facts") {
		return originFacts
	}
	return "openconfig"
}

// bareName cuts the keys off a path element.
func bareName(s string) string {
	name, _, _ := strings.Cut(s, "[")
	return name
}

// keyless cuts all keys out of a schema path.
func keyless(path string) string {
	var b strings.Builder
	depth := 0
	for _, r := range path {
		switch {
		case r == '[':
			depth++
		case r == ']':
			depth--
		case depth == 0:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// modules says which YANG module owns the nodes below a path, the longest
// match counts. Source: OpenConfig models; an augmented node belongs to the
// module that augments.
var modules = []struct{ under, module string }{
	{"/components", "openconfig-platform"},
	{"/components/component/cpu/utilization", "openconfig-platform-cpu"},
	{"/components/component/controller-card/config/power-admin-state", "openconfig-platform-controller-card"},
	{"/components/component/controller-card/state/power-admin-state", "openconfig-platform-controller-card"},
	{"/components/component/linecard/config/power-admin-state", "openconfig-platform-linecard"},
	{"/components/component/linecard/state/power-admin-state", "openconfig-platform-linecard"},
	{"/components/component/linecard/state/slot-id", "openconfig-platform-linecard"},
	{"/components/component/fabric/config/power-admin-state", "openconfig-platform-fabric"},
	{"/components/component/fabric/state/power-admin-state", "openconfig-platform-fabric"},
	{"/components/component/power-supply/state/enabled", "openconfig-platform-psu"},
	{"/components/component/healthz", "openconfig-platform-healthz"},
	{"/system", "openconfig-system"},
	{"/interfaces", "openconfig-interfaces"},
	{"/interfaces/interface/ethernet", "openconfig-if-ethernet"},
	{"/interfaces/interface/ethernet/state/aggregate-id", "openconfig-if-aggregate"},
	{"/interfaces/interface/aggregation", "openconfig-if-aggregate"},
	{"/interfaces/interface/subinterfaces/subinterface/ipv4", "openconfig-if-ip"},
	{"/lacp", "openconfig-lacp"},
	{"/stp", "openconfig-spanning-tree"},
	{"/lldp", "openconfig-lldp"},
	{"/bfd", "openconfig-bfd"},
	{"/network-instances", "openconfig-network-instance"},
	{"/facts", originFacts},
}

// moduleOf returns the module that owns the node at the path (without keys).
func moduleOf(path string) string {
	best, module := -1, ""
	for _, m := range modules {
		if len(m.under) > best && (path == m.under || strings.HasPrefix(path, m.under+"/")) {
			best, module = len(m.under), m.module
		}
	}
	return module
}
