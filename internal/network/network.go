// Package network says what the network can carry while devices are out: the
// load of every arc under per-hop equal split over all shortest paths, with
// devices drained and links failed, and what is then lost.
//
// Read [New] first, then [Network.Intact] and [State.With]. [WhatIf] puts the
// answer to the engineer's question together, [Table] writes it for every
// drain and failure of a network, [Estimate] finds demands where only interface
// counters are known, [SafeHours] says when a drain may happen.
//
// How routers share traffic. At a node u, the traffic for a destination t is
// divided equally over all arcs (u,v) for which metric(u,v) + dist(v,t) =
// dist(u,t); a parallel arc is a next hop of its own. It is never divided over
// the set of paths. Demand is offered, not elastic: a load may exceed the
// capacity of its arc.
//
// Source: RFC 2328 §16.1 (equal-cost next hops), RFC 2991 §2 (each hop splits
// over its own next hops), RFC 1195 and RFC 5305 for IS-IS.
//
// What is an index. A node, a link, an arc and a demand are counted from 0 in
// the order of the [Topology] and the demands; names are looked up once, at the
// edge. A [Network] and a [State] are never changed after they are made and may
// be used by many goroutines.
package network

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
)

// Node is a device, or a host that is attached to one or several devices.
type Node struct {
	Name string
	// Host marks a host, service or site that never passes traffic on and that
	// no drain can be asked of. Its arcs are attachments, see [Attach]; those
	// towards it have metric 1, so that a device prefers its own attachment.
	Host bool
	// Site is where it stands, for the picture; it may be empty.
	Site string
	// X and Y are where the picture puts it, in any unit, Y growing upwards.
	// Placed says that they are known.
	X, Y   float64
	Placed bool
}

// Arc is one direction of a link.
type Arc struct {
	ID   string // unique; the index in decimal where empty
	Link string // joins the two directions; never empty
	From string
	To   string
	// Metric is the routing protocol's cost, at least 1 and below
	// [MetricInfinity].
	Metric int64
	// Capacity is in the unit of the demands, above 0; +Inf is no limit.
	Capacity float64
}

// Aggregate says how many members a link has, and how many it needs.
// Source: IEEE 802.1AX-2020 §6 (link aggregation); minimum links: common practice.
type Aggregate struct {
	Members  int // at least 1
	MinLinks int // below this the link is down; 0 means 1
}

// RiskGroup is a set of links and nodes that fail together: a conduit, a power
// feed, a site.
type RiskGroup struct {
	Name  string
	Links []string
	Nodes []string
}

// RedundancyGroup is a set of nodes of which at least AtLeast must stay.
type RedundancyGroup struct {
	Name    string
	Members []string
	AtLeast int
}

// Topology is what a network is built of. Nodes that only the arcs name are
// added in the order in which the arcs name them.
type Topology struct {
	Nodes      []Node
	Arcs       []Arc
	Aggregates map[string]Aggregate // by link
	Risks      []RiskGroup
	Groups     []RedundancyGroup
	// Unit is that of capacities and volumes: [BitsPerSecond], or empty where a
	// file has plain numbers whose unit it does not say.
	Unit string
	// Plain, above 0, is how many bit/s a number without a unit is in files that
	// are read with the topology; 0 makes such a number an error where Unit is
	// [BitsPerSecond].
	Plain float64
}

// BitsPerSecond is the unit of topologies whose capacities are rates.
const BitsPerSecond = "bit/s"

// Demand is traffic offered from one node to another.
type Demand struct {
	Name   string // may be empty
	From   string
	To     string
	Volume float64 // in the unit of the capacities, at least 0
}

// String names the demand for people.
func (d Demand) String() string {
	if d.Name != "" {
		return d.Name
	}
	return d.From + " to " + d.To
}

// Limits of metrics.
const (
	// MetricInfinity is above every metric of a link that may be used.
	// Source: RFC 5305 §3, 2^24-1 takes a link out of the shortest paths.
	MetricInfinity = 1<<24 - 1
	// maxLinkMetric is what a stub router advertises.
	// Source: RFC 6987 §2, MaxLinkMetric 0xffff.
	maxLinkMetric = 1<<16 - 1
	unreachable   = math.MaxInt64 / 4
)

// Errors that [New] and others wrap; the message says which element.
var (
	ErrUnknown = errors.New("unknown element")
	ErrInvalid = errors.New("invalid value")
	// ErrNoCapacity says that links have no capacity and no default was given.
	ErrNoCapacity = errors.New("no capacity")
	// ErrNoUnit says that a number lacks its unit.
	ErrNoUnit = errors.New("no unit")
)

// hop is an arc seen from one of its ends.
type hop struct{ arc, node int32 }

// Network is a topology with its demands in compact arrays.
type Network struct {
	nodes   []Node
	arcs    []Arc
	links   []string
	demands []Demand
	members []int32 // by link, at least 1
	minimum []int32
	risks   []RiskGroup
	groups  []RedundancyGroup

	nodeIndex map[string]int32
	linkIndex map[string]int32

	from, to, arcLink  []int32
	metric             []int64
	capacity           []float64
	host               []bool
	outStart, inStart  []int32
	outHops, inHops    []hop
	outPlace           []int32 // by arc, its place in outHops
	linkStart, linkArc []int32
	stub               int64 // what a max-metric drain advertises

	// Demands by destination: row r is to rowNode[r]; its demands are
	// rowStart[r] to rowStart[r+1], by rising source.
	rowNode           []int32
	rowOf             []int32 // by node, -1 where nothing is sent to it
	rowStart          []int32
	demandOf          []int32 // index in demands
	source            []int32
	volume            []float64
	bySource          []int32 // places in source, grouped by it
	sourceStart       []int32
	riskLinks, riskAt [][]int32
	unit              string
	plain             float64
	allFlow           bool // no demand is 0, so that what carries nothing matters to none
}

// New builds a network. The error names every mistake, joined, and wraps
// [ErrUnknown] or [ErrInvalid]. The slices are not kept.
func New(t Topology, demands []Demand) (*Network, error) {
	n := &Network{
		nodes: slices.Clone(t.Nodes), arcs: slices.Clone(t.Arcs), demands: slices.Clone(demands),
		risks: slices.Clone(t.Risks), groups: slices.Clone(t.Groups),
		nodeIndex: map[string]int32{}, linkIndex: map[string]int32{}, unit: t.Unit, plain: t.Plain,
	}
	var errs []error
	fail := func(kind error, format string, args ...any) {
		errs = append(errs, fmt.Errorf("%w: %s", kind, fmt.Sprintf(format, args...)))
	}
	for i, x := range n.nodes {
		if _, twice := n.nodeIndex[x.Name]; twice || x.Name == "" {
			fail(ErrInvalid, "node %d: found name %q, want one that stands once and is not empty", i, x.Name)
		}
		n.nodeIndex[x.Name] = int32(i)
	}
	n.addArcs(fail)
	for _, name := range slices.Sorted(maps.Keys(t.Aggregates)) {
		a := t.Aggregates[name]
		l, ok := n.linkIndex[name]
		switch {
		case !ok:
			fail(ErrUnknown, "aggregate of link %q, which is not in the topology", name)
		case a.Members < 1 || a.MinLinks < 0 || a.MinLinks > a.Members:
			fail(ErrInvalid, "link %q: found %d members and minimum %d, want at least one member and a minimum up to their number", name, a.Members, a.MinLinks)
		default:
			n.members[l], n.minimum[l] = int32(a.Members), int32(max(1, a.MinLinks))
		}
	}
	n.addDemands(fail)
	for _, r := range n.risks {
		links, nodes := []int32{}, []int32{}
		for _, name := range r.Links {
			l, ok := n.linkIndex[name]
			if !ok {
				fail(ErrUnknown, "shared-risk group %q names the link %q, which is not in the topology", r.Name, name)
			}
			links = append(links, l)
		}
		for _, name := range r.Nodes {
			v, ok := n.nodeIndex[name]
			if !ok {
				fail(ErrUnknown, "shared-risk group %q names the node %q, which is not in the topology", r.Name, name)
			}
			nodes = append(nodes, v)
		}
		n.riskLinks, n.riskAt = append(n.riskLinks, links), append(n.riskAt, nodes)
	}
	for _, g := range n.groups {
		for _, m := range g.Members {
			if _, ok := n.nodeIndex[m]; !ok {
				fail(ErrUnknown, "redundancy group %q names the node %q, which is not in the topology", g.Name, m)
			}
		}
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return n, nil
}

func (n *Network) node(name string) int32 {
	v, ok := n.nodeIndex[name]
	if !ok {
		v = int32(len(n.nodes))
		n.nodes = append(n.nodes, Node{Name: name})
		n.nodeIndex[name] = v
	}
	return v
}

func (n *Network) addArcs(fail func(error, string, ...any)) {
	ids := make(map[string]bool, len(n.arcs))
	n.stub = maxLinkMetric
	for i := range n.arcs {
		a := &n.arcs[i]
		if a.ID == "" {
			a.ID = fmt.Sprint(i)
		}
		switch {
		case ids[a.ID]:
			fail(ErrInvalid, "arc %q stands twice", a.ID)
		case a.Link == "" || a.From == "" || a.To == "":
			fail(ErrInvalid, "arc %q: link, source and destination must be named", a.ID)
		case a.From == a.To:
			fail(ErrInvalid, "arc %q: found %q at both ends, want two nodes", a.ID, a.From)
		case a.Metric < 1 || a.Metric >= MetricInfinity:
			fail(ErrInvalid, "arc %q: found metric %d, want 1 to %d", a.ID, a.Metric, MetricInfinity-1)
		case !(a.Capacity > 0):
			fail(ErrInvalid, "arc %q: found capacity %v, want more than 0", a.ID, a.Capacity)
		}
		ids[a.ID] = true
		if a.Metric > maxLinkMetric {
			n.stub = MetricInfinity - 1 // wide metrics are in use
		}
		l, ok := n.linkIndex[a.Link]
		if !ok {
			l = int32(len(n.links))
			n.linkIndex[a.Link] = l
			n.links = append(n.links, a.Link)
		}
		n.arcLink = append(n.arcLink, l)
		n.from, n.to = append(n.from, n.node(a.From)), append(n.to, n.node(a.To))
		n.metric, n.capacity = append(n.metric, a.Metric), append(n.capacity, a.Capacity)
	}
	n.host = make([]bool, len(n.nodes))
	for i, x := range n.nodes {
		n.host[i] = x.Host
	}
	for a, v := range n.to {
		if n.host[v] && n.metric[a] != 1 {
			fail(ErrInvalid, "arc %q: found metric %d towards the host %q, want 1", n.arcs[a].ID, n.metric[a], n.arcs[a].To)
		}
		if n.host[v] && n.host[n.from[a]] {
			fail(ErrInvalid, "arc %q joins two hosts, want a device at one end", n.arcs[a].ID)
		}
	}
	n.outStart, n.outHops = index(n.from, n.to, len(n.nodes))
	n.inStart, n.inHops = index(n.to, n.from, len(n.nodes))
	n.outPlace = make([]int32, len(n.arcs))
	for p, h := range n.outHops {
		n.outPlace[h.arc] = int32(p)
	}
	var hops []hop
	n.linkStart, hops = index(n.arcLink, n.arcLink, len(n.links))
	for _, h := range hops {
		n.linkArc = append(n.linkArc, h.arc)
	}
	n.members, n.minimum = make([]int32, len(n.links)), make([]int32, len(n.links))
	for i := range n.members {
		n.members[i], n.minimum[i] = 1, 1
	}
}

// index groups arcs by key, in arc order within one.
func index(key, other []int32, count int) (start []int32, hops []hop) {
	start = make([]int32, count+1)
	for _, k := range key {
		start[k+1]++
	}
	for i := range count {
		start[i+1] += start[i]
	}
	hops = make([]hop, len(key))
	next := slices.Clone(start[:count])
	for a, k := range key {
		hops[next[k]] = hop{int32(a), other[a]}
		next[k]++
	}
	return start, hops
}

func (n *Network) addDemands(fail func(error, string, ...any)) {
	type entry struct{ to, from, of int32 }
	entries := make([]entry, 0, len(n.demands))
	for i, d := range n.demands {
		from, okFrom := n.nodeIndex[d.From]
		to, okTo := n.nodeIndex[d.To]
		switch {
		case !okFrom:
			fail(ErrUnknown, "demand %q: the source %q is not in the topology", d, d.From)
		case !okTo:
			fail(ErrUnknown, "demand %q: the destination %q is not in the topology", d, d.To)
		case from == to:
			fail(ErrInvalid, "demand %q: found %q at both ends, want two nodes", d, d.From)
		case !(d.Volume >= 0) || math.IsInf(d.Volume, 0):
			fail(ErrInvalid, "demand %q: found volume %v, want 0 or more", d, d.Volume)
		default:
			entries = append(entries, entry{to, from, int32(i)})
		}
	}
	slices.SortStableFunc(entries, func(a, b entry) int {
		if a.to != b.to {
			return int(a.to) - int(b.to)
		}
		return int(a.from) - int(b.from)
	})
	n.rowOf = make([]int32, len(n.nodes))
	for i := range n.rowOf {
		n.rowOf[i] = -1
	}
	for i, e := range entries {
		if n.rowOf[e.to] < 0 {
			n.rowOf[e.to] = int32(len(n.rowNode))
			n.rowNode = append(n.rowNode, e.to)
			n.rowStart = append(n.rowStart, int32(i))
		}
		n.demandOf = append(n.demandOf, e.of)
		n.source = append(n.source, e.from)
		n.volume = append(n.volume, n.demands[e.of].Volume)
	}
	n.rowStart = append(n.rowStart, int32(len(entries)))
	n.allFlow = !slices.Contains(n.volume, 0)
	var hops []hop
	n.sourceStart, hops = index(n.source, n.source, len(n.nodes))
	for _, h := range hops {
		n.bySource = append(n.bySource, h.arc)
	}
}

// Unit is that of capacities and volumes, see [Topology.Unit].
func (n *Network) Unit() string { return n.unit }

// Nodes returns a copy of the nodes in index order.
func (n *Network) Nodes() []Node { return slices.Clone(n.nodes) }

// Arcs returns a copy of the arcs in index order.
func (n *Network) Arcs() []Arc { return slices.Clone(n.arcs) }

// Links returns the names of the links in index order.
func (n *Network) Links() []string { return slices.Clone(n.links) }

// Demands returns a copy of the demands in index order.
func (n *Network) Demands() []Demand { return slices.Clone(n.demands) }

// Attach returns the arcs that attach a host to its devices, primary first. The
// gateways share what is sent to the host as the shortest paths have it. With
// standby the host itself sends to the first device that is there, as hosts
// behind a virtual router do; without, it sends to all of them alike, as hosts
// do behind an anycast gateway or on a multi-chassis link. capacity holds for
// each attachment and direction.
//
// Source: RFC 9568 §1 (one active virtual router at a time); metric of standby:
// ours, above every metric of OSPF.
func Attach(host string, devices []string, standby bool, capacity float64) []Arc {
	var arcs []Arc
	for i, d := range devices {
		link := host + "~" + d
		up := int64(1)
		if standby {
			up += int64(i) * (maxLinkMetric + 1)
		}
		arcs = append(arcs,
			Arc{ID: link + ">", Link: link, From: host, To: d, Metric: up, Capacity: capacity},
			Arc{ID: link + "<", Link: link, From: d, To: host, Metric: 1, Capacity: capacity})
	}
	return arcs
}
