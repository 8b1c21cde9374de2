package openconfig

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"towpath/internal/state"
	"towpath/internal/unit"
)

// kind is a kind of object that rows fill while a capture is read: a part of
// the capture, or an intermediate from which parts are computed at the end.
type kind struct {
	name  string
	shape reflect.Type
	fresh func(keys []string) any
}

// kindOf makes a kind of T. init sets what follows from the keys, in the order
// in which the pattern names them; nil sets nothing.
func kindOf[T any](name string, init func(t *T, keys []string)) *kind {
	return &kind{name, reflect.TypeFor[T](), func(keys []string) any {
		t := new(T)
		if init != nil {
			init(t, keys)
		}
		return t
	}}
}

type (
	system struct {
		state.Capture
		MemoryPhysical, MemoryUsed state.Opt[uint64]
		CrashCount                 state.Opt[uint64]
	}
	processor struct {
		name             string
		Instant, Average state.Opt[float64]
	}
	component struct {
		state.Component
		SwitchoverTrigger, SwitchoverDetails state.Opt[string]
		MemoryInstalled, MemoryUsed          state.Opt[uint64]
		CPUInstant, CPUAverage               state.Opt[float64]
	}
	volume struct {
		state.Volume
		CoarseSize, CoarseAvailable state.Opt[unit.ByteSize]
		Storage                     string
	}
	iface struct {
		state.Interface
		AggregateType state.Opt[string]
		MinLinks      state.Opt[int]
		Members       []string
	}
	lacpInterface struct {
		name     string
		Interval state.Opt[string]
	}
	lacpMember struct {
		aggregate  string
		Member     state.LACPMember
		LastChange state.Opt[time.Time]
	}
	tree struct {
		Tree                         state.SpanningTree
		Bridge, RootAddress          state.Opt[string]
		BridgePriority, RootPriority state.Opt[uint64]
	}
	lldp struct {
		Hello, TTL state.Opt[time.Duration]
	}
	lldpNeighbour struct {
		state.Adjacency
		Chassis state.Opt[string]
	}
	bfdInterface struct {
		Interface     string
		Send, Receive state.Opt[time.Duration]
		Multiplier    state.Opt[int]
	}
	bfdPeer struct {
		id string // of the BFD interface
		state.Adjacency
		Remote        string
		RemoteReceive state.Opt[time.Duration]
		Clients       []string
	}
	vrrp struct {
		state.Adjacency
		Configured state.Opt[int]
		Advertise  state.Opt[time.Duration]
	}
	restarter struct { // what a protocol's instance says of graceful restart
		Restart, HelperOnly, Nonstop state.Opt[bool]
		RestartTime                  state.Opt[time.Duration]
	}
	bgpNeighbourState struct {
		process string
		state.Adjacency
		Keepalive, Hold, RestartTime state.Opt[time.Duration]
		Restart, HelperOnly          state.Opt[bool]
		RestartMode                  state.Opt[string]
	}
	bgpFamily struct {
		neighbour string
		Received  state.Opt[uint64]
	}
	ospfInterface struct {
		Hello, Dead state.Opt[time.Duration]
	}
	igpNeighbour struct {
		process, link string // keys of the instance and of the interface or level
		state.Adjacency
	}
	isisLevelState struct {
		Hello      state.Opt[time.Duration]
		Multiplier state.Opt[uint64]
	}
	pimInterface struct {
		Hello state.Opt[time.Duration]
	}
	routeCount struct {
		instance string
		Count    state.Opt[uint64]
	}
	feature struct {
		name  string
		InUse state.Opt[bool]
	}
	adjacency struct {
		state.Adjacency
		PartnerTimeout state.Opt[string]
	}
)

// The kinds that the table names.
var (
	theSystem  = kindOf[system]("system", nil)
	aProcessor = kindOf("processor", func(t *processor, k []string) { t.name = k[0] })
	aComponent = kindOf("component", func(t *component, k []string) { t.Name = k[0] })
	aVolume    = kindOf("volume", func(t *volume, k []string) { t.Mount = k[0] })
	anAlarm    = kindOf("alarm", func(t *state.Alarm, k []string) { t.ID = k[0] })

	anInterface     = kindOf("interface", func(t *iface, k []string) { t.Name = k[0] })
	aLACPInterface  = kindOf("LACP interface", func(t *lacpInterface, k []string) { t.name = k[0] })
	aLACPMember     = kindOf("LACP member", func(t *lacpMember, k []string) { t.aggregate, t.Member.Interface = k[0], k[1] })
	aTree           = kindOf("tree", func(t *tree, _ []string) { t.Tree.Instance = "rstp" })
	aTreeInstance   = kindOf("tree instance", func(t *tree, k []string) { t.Tree.Instance = "mst " + k[0] })
	aTreeVLAN       = kindOf("tree of a VLAN", func(t *tree, k []string) { t.Tree.Instance = "vlan " + k[0] })
	theLLDP         = kindOf[lldp]("LLDP", nil)
	anLLDPNeighbour = kindOf("LLDP neighbour", func(t *lldpNeighbour, k []string) {
		t.Protocol, t.Interface, t.Neighbour = state.LLDP, k[0], k[1]
	})
	aBFDInterface = kindOf[bfdInterface]("BFD interface", nil)
	aBFDPeer      = kindOf("BFD peer", func(t *bfdPeer, k []string) { t.Protocol, t.id = state.BFD, k[0] })
	aVRRPGroup    = kindOf("VRRP group", func(t *vrrp, k []string) {
		t.Protocol, t.Interface, t.Neighbour, t.Instance = state.VRRP, k[0], k[2], k[3]
	})
	aVRRPVLAN = kindOf("VRRP group of a VLAN", func(t *vrrp, k []string) {
		t.Protocol, t.Interface, t.Neighbour, t.Instance = state.VRRP, k[0], k[1], k[2]
	})

	aBGP          = kindOf[restarter]("BGP", nil)
	aBGPNeighbour = kindOf("BGP neighbour", func(t *bgpNeighbourState, k []string) {
		t.Protocol, t.Instance, t.Neighbour, t.process = state.BGP, k[0], k[3], joined(k[:3])
	})
	aBGPFamily      = kindOf("BGP family", func(t *bgpFamily, k []string) { t.neighbour = joined(k[:4]) })
	anOSPF          = kindOf[restarter]("OSPF", nil)
	anOSPFInterface = kindOf[ospfInterface]("OSPF interface", nil)
	anOSPFNeighbour = kindOf("OSPF neighbour", func(t *igpNeighbour, k []string) {
		t.Protocol, t.Instance, t.Interface, t.Neighbour = state.OSPFv2, k[0], k[4], k[5]
		t.process, t.link = joined(k[:3]), joined(k[:5])
	})
	anISIS          = kindOf[restarter]("IS-IS", nil)
	anISISLevel     = kindOf[isisLevelState]("IS-IS level", nil)
	anISISNeighbour = kindOf("IS-IS neighbour", func(t *igpNeighbour, k []string) {
		t.Protocol, t.Instance, t.Interface, t.Neighbour = state.ISIS, k[0], k[3], k[5]
		t.process, t.link = joined(k[:3]), joined(k[:5])
	})
	aPIMInterface = kindOf[pimInterface]("PIM interface", nil)
	aPIMNeighbour = kindOf("PIM neighbour", func(t *igpNeighbour, k []string) {
		t.Protocol, t.Instance, t.Interface, t.Neighbour = state.PIM, k[0], k[3], k[4]
		t.link = joined(k[:4])
	})
	anLDP          = kindOf[restarter]("LDP", nil)
	anLDPNeighbour = kindOf("LDP neighbour", func(t *igpNeighbour, k []string) {
		t.Protocol, t.Instance, t.Neighbour, t.process = state.LDP, k[0], k[1], joined(k[:1])
	})
	aRouteCount4 = kindOf("IPv4 route count", func(t *routeCount, k []string) { t.instance = k[0] })
	aRouteCount6 = kindOf("IPv6 route count", func(t *routeCount, k []string) { t.instance = k[0] })

	aBootEntry             = kindOf("boot entry", func(t *state.BootEntry, k []string) { t.Controller = k[0] })
	aFeed                  = kindOf("feed", func(t *state.Feed, k []string) { t.Name = k[0] })
	aCrashFile             = kindOf("crash file", func(t *state.File, k []string) { t.Path = k[0] })
	aFeature               = kindOf("feature", func(t *feature, k []string) { t.name = k[0] })
	aLogicalNetworkElement = kindOf("logical network element", func(t *state.LogicalNetworkElement, k []string) { t.Name = k[0] })
	anAdjacency            = kindOf[adjacency]("adjacency", nil)
)

// joined is several keys as one.
func joined(keys []string) string { return strings.Join(keys, "\x00") }

// objects are all objects of a capture that is being read.
type objects map[*kind]map[string]any

// get returns the object of the kind with the keys, a fresh one where there is
// none yet.
func (o objects) get(k *kind, keys []string) any {
	byKey := o[k]
	if byKey == nil {
		byKey = map[string]any{}
		o[k] = byKey
	}
	id := joined(keys)
	x, ok := byKey[id]
	if !ok {
		x = k.fresh(keys)
		byKey[id] = x
	}
	return x
}

// all returns the objects of a kind in the order of their keys. T must be the
// kind's type.
func all[T any](o objects, k *kind) []*T {
	byKey := o[k]
	ids := make([]string, 0, len(byKey))
	for id := range byKey {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	out := make([]*T, 0, len(ids))
	for _, id := range ids {
		out = append(out, byKey[id].(*T))
	}
	return out
}

// with returns the object of a kind with the joined keys, or a zero one.
func with[T any](o objects, k *kind, id string) *T {
	if x, ok := o[k][id]; ok {
		return x.(*T)
	}
	return new(T)
}

// one returns the only object of a kind without keys, or a zero one.
func one[T any](o objects, k *kind) *T { return with[T](o, k, "") }

// target is a row that is ready for use.
type target struct {
	row
	pattern string // of the leaf, without keys
	into    *kind
	index   []int // of the field
}

// compile makes the tree of a section's rows and the paths that it asks for:
// the containers of its leaves, each named once.
func compile(s section) (*node[*target], [][]step, error) {
	root := &node[*target]{}
	var ask [][]step
	for _, g := range s.groups {
		for _, r := range g.rows {
			steps, err := parsePattern(g.base + "/" + r.leaf)
			if err != nil {
				return nil, nil, err
			}
			index, err := fieldIndex(g.into.shape, r.field)
			if err != nil {
				return nil, nil, fmt.Errorf("%s: %w", pathText(steps), err)
			}
			if err := root.add(steps, &target{r, pathText(steps), g.into, index}); err != nil {
				return nil, nil, err
			}
			ask = append(ask, steps[:len(steps)-1])
		}
	}
	return root, minimal(ask), nil
}

// minimal drops the paths that lie below others.
func minimal(paths [][]step) [][]step {
	below := func(p, q []step) bool {
		if len(q) > len(p) {
			return false
		}
		for i := range q {
			if p[i].name != q[i].name {
				return false
			}
		}
		return true
	}
	var out [][]step
	for i, p := range paths {
		covered := false
		for j, q := range paths {
			if i != j && below(p, q) && (len(q) < len(p) || j < i) {
				covered = true
				break
			}
		}
		if !covered {
			out = append(out, p)
		}
	}
	return out
}

// fieldIndex finds a field by a path of names.
func fieldIndex(t reflect.Type, path string) ([]int, error) {
	var index []int
	for name := range strings.SplitSeq(path, ".") {
		f, ok := t.FieldByName(name)
		if !ok || !f.IsExported() {
			return nil, fmt.Errorf("%s has no exported field %s", t, name)
		}
		index = append(index, f.Index...)
		t = f.Type
	}
	return index, nil
}

// store gives an object's field a value.
func (t *target) store(o objects, keys []string, v any) error {
	x := reflect.ValueOf(o.get(t.into, keys)).Elem().FieldByIndex(t.index)
	return assign(x.Addr().Interface(), v, t.form)
}
