package openconfig

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"

	"towpath/internal/state"
)

// routeLeaf is a leaf of the abstract forwarding table.
type routeLeaf int

const (
	leafPrefix4 routeLeaf = iota
	leafOrigin4
	leafGroup4
	leafPrefix6
	leafOrigin6
	leafGroup6
	leafGroupHop
	leafHopAddress
)

// aftRows says where the forwarding table has them.
// Source: OpenConfig network-instance and aft models.
var aftRows = []struct {
	pattern string
	leaf    routeLeaf
}{
	{niPath + "/afts/ipv4-unicast/ipv4-entry[prefix]/state/prefix", leafPrefix4},
	{niPath + "/afts/ipv4-unicast/ipv4-entry[prefix]/state/origin-protocol", leafOrigin4},
	{niPath + "/afts/ipv4-unicast/ipv4-entry[prefix]/state/next-hop-group", leafGroup4},
	{niPath + "/afts/ipv6-unicast/ipv6-entry[prefix]/state/prefix", leafPrefix6},
	{niPath + "/afts/ipv6-unicast/ipv6-entry[prefix]/state/origin-protocol", leafOrigin6},
	{niPath + "/afts/ipv6-unicast/ipv6-entry[prefix]/state/next-hop-group", leafGroup6},
	{niPath + "/afts/next-hop-groups/next-hop-group[id]/next-hops/next-hop[index]/state/index", leafGroupHop},
	{niPath + "/afts/next-hops/next-hop[index]/state/ip-address", leafHopAddress},
}

// entry is one route as it arrives: its next hops are a group to be resolved
// when all groups are known.
type entry struct {
	prefix   string
	protocol string
	group    uint64
	grouped  bool
}

type tableKey struct{ instance, family string }

// routes collects the forwarding tables while they stream in. Beside the
// routes themselves it holds one string for each protocol and next-hop group,
// so that a table costs what its routes cost.
type routes struct {
	tables map[tableKey]*[]entry
	groups map[string]map[string]map[string]bool // instance, group, next-hop index
	hops   map[string]map[string]string          // instance, index, address
	words  map[string]string                     // protocols, each once
	unread []string
}

func newRoutes() *routes {
	return &routes{
		tables: map[tableKey]*[]entry{}, groups: map[string]map[string]map[string]bool{},
		hops: map[string]map[string]string{}, words: map[string]string{},
	}
}

// readRoutes streams the forwarding tables.
func (d *Driver) readRoutes(ctx context.Context) (*routes, error) {
	const op = "capture"
	root := &node[routeLeaf]{}
	var ask [][]step
	for _, r := range aftRows {
		steps, err := parsePattern(r.pattern)
		if err != nil {
			return nil, ours(op, err)
		}
		if err := root.add(steps, r.leaf); err != nil {
			return nil, ours(op, err)
		}
		ask = append(ask, steps[:len(steps)-1])
	}
	var paths []*gnmipb.Path
	for _, a := range minimal(ask) {
		paths = append(paths, wildcard("openconfig", a))
	}
	out := newRoutes()
	bad := 0
	var first error
	take := func(n *gnmipb.Notification) error {
		for _, u := range n.GetUpdate() {
			err := decode(root, n.GetPrefix(), u.GetPath(), u.GetVal(), func(at *node[routeLeaf], keys []string, v any) {
				for _, l := range at.leaves {
					if err := out.take(l, keys, v); err != nil {
						if bad++; first == nil {
							first = fmt.Errorf("%s: %w", gnmiText(n.GetPrefix(), u.GetPath()), err)
						}
					}
				}
			})
			if err != nil {
				if bad++; first == nil {
					first = fmt.Errorf("%s: %w", gnmiText(n.GetPrefix(), u.GetPath()), err)
				}
			}
		}
		return nil
	}
	reset := func() { *out = *newRoutes(); bad, first = 0, nil }
	err := d.read(ctx, op, paths, take, reset)
	switch {
	case err != nil && ownVerdict(err):
		out = newRoutes()
		out.unread = append(out.unread, "routes: "+reason(err))
	case err != nil:
		return nil, err
	case bad > 0:
		out.unread = append(out.unread, fmt.Sprintf("routes: %d values could not be read, the first: %v", bad, first))
	}
	return out, nil
}

// take takes one leaf.
func (r *routes) take(l routeLeaf, keys []string, v any) error {
	switch l {
	case leafPrefix4, leafPrefix6:
		r.entry(l >= leafPrefix6, keys)
	case leafOrigin4, leafOrigin6:
		word, err := asText(v, identity)
		if err != nil {
			return err
		}
		r.entry(l >= leafPrefix6, keys).protocol = r.word(word)
	case leafGroup4, leafGroup6:
		id, err := asUint(v)
		if err != nil {
			return err
		}
		e := r.entry(l >= leafPrefix6, keys)
		e.group, e.grouped = id, true
	case leafGroupHop:
		groups := r.groups[keys[0]]
		if groups == nil {
			groups = map[string]map[string]bool{}
			r.groups[keys[0]] = groups
		}
		if groups[keys[1]] == nil {
			groups[keys[1]] = map[string]bool{}
		}
		groups[keys[1]][keys[2]] = true
	case leafHopAddress:
		a, err := asText(v, plain)
		if err != nil {
			return err
		}
		if r.hops[keys[0]] == nil {
			r.hops[keys[0]] = map[string]string{}
		}
		r.hops[keys[0]][keys[1]] = a
	}
	return nil
}

// entry returns the route with the keys. Leaves of one route arrive together;
// where they do not, the route is listed more than once until into merges it.
func (r *routes) entry(six bool, keys []string) *entry {
	k := tableKey{keys[0], "ipv4"}
	if six {
		k.family = "ipv6"
	}
	t := r.tables[k]
	if t == nil {
		t = new([]entry)
		r.tables[tableKey{strings.Clone(k.instance), k.family}] = t
	}
	if n := len(*t); n > 0 && (*t)[n-1].prefix == keys[1] {
		return &(*t)[n-1]
	}
	*t = append(*t, entry{prefix: keys[1]})
	return &(*t)[len(*t)-1]
}

// word is the protocol in our spelling, one string for all routes.
func (r *routes) word(identity string) string {
	if w, ok := r.words[identity]; ok {
		return w
	}
	w := strings.ReplaceAll(strings.ToLower(identity), "_", "-")
	r.words[strings.Clone(identity)] = w
	return w
}

// into stores the routes in the capture's tables.
func (r *routes) into(c *state.Capture) {
	for k, entries := range r.tables {
		slices.SortStableFunc(*entries, func(a, b entry) int { return cmp.Compare(a.prefix, b.prefix) })
		resolved := map[uint64]string{}
		out := make([]state.Route, 0, len(*entries))
		for i := 0; i < len(*entries); {
			e := (*entries)[i]
			for i++; i < len(*entries) && (*entries)[i].prefix == e.prefix; i++ {
				more := (*entries)[i]
				if more.protocol != "" {
					e.protocol = more.protocol
				}
				if more.grouped {
					e.group, e.grouped = more.group, true
				}
			}
			route := state.Route{Prefix: e.prefix, Protocol: e.protocol}
			if e.grouped {
				hops, ok := resolved[e.group]
				if !ok {
					hops = r.resolve(k.instance, decimal(e.group))
					resolved[e.group] = hops
				}
				route.NextHops = hops
			}
			out = append(out, route)
		}
		*entries = nil
		i := slices.IndexFunc(c.RouteTables, func(t state.RouteTable) bool { return t.Instance == k.instance && t.Family == k.family })
		if i < 0 {
			c.RouteTables = append(c.RouteTables, state.RouteTable{Instance: k.instance, Family: k.family})
			i = len(c.RouteTables) - 1
		}
		t := &c.RouteTables[i]
		t.Routes = out
		if !t.Count.Known() {
			t.Count = state.Some(uint64(len(out)))
		}
	}
}

// resolve is the addresses of a next-hop group, sorted and joined by commas.
func (r *routes) resolve(instance, group string) string {
	var addresses []string
	for index := range r.groups[instance][group] {
		if a, ok := r.hops[instance][index]; ok {
			addresses = append(addresses, a)
		}
	}
	slices.Sort(addresses)
	return strings.Join(slices.Compact(addresses), ",")
}
