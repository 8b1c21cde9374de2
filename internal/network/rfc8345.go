package network

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"towpath/internal/document"
)

// Defaults fill what a file does not say of a link.
type Defaults struct {
	// Capacity in the unit of the demands. 0 means none is to be assumed: a
	// link without a capacity is then an error.
	Capacity float64
	Metric   int64 // 0 means 1
}

func (d Defaults) metric() int64 { return max(1, d.Metric) }

type yangNetworks struct {
	Networks struct {
		Network []yangNetwork `json:"network"`
	} `json:"ietf-network:networks"`
}

type yangNetwork struct {
	ID   string `json:"network-id"`
	Node []struct {
		ID      string `json:"node-id"`
		Support []struct {
			Network string `json:"network-ref"`
			Node    string `json:"node-ref"`
		} `json:"supporting-node"`
	} `json:"node"`
	Link []yangLink `json:"ietf-network-topology:link"`
}

type yangLink struct {
	ID     string `json:"link-id"`
	Source struct {
		Node string `json:"source-node"`
		Port string `json:"source-tp"`
	} `json:"source"`
	Destination struct {
		Node string `json:"dest-node"`
		Port string `json:"dest-tp"`
	} `json:"destination"`
	Support []struct {
		Network string `json:"network-ref"`
		Link    string `json:"link-ref"`
	} `json:"supporting-link"`
	Layer3 *struct {
		Metric *json.Number `json:"metric1"` // a number; a string of digits is taken too
	} `json:"ietf-l3-unicast-topology:l3-link-attributes"`
}

// ReadRFC8345 reads a topology in the JSON form of the YANG module
// ietf-network-topology. network is the network-id to read; empty stands for
// the only one that has links. A link there has one direction; two with the
// same ends crosswise become one link here, named after the first. metric1 of
// the layer-3 attributes is the metric. What lies on the same supporting node
// or link becomes a shared-risk group. name stands in the messages; the error
// is [document.Problems] where the file is at fault.
//
// Source: RFC 8345 §4.2 and §6, RFC 8346 §5 (metric1), RFC 7951 (JSON).
func ReadRFC8345(name string, r io.Reader, network string, d Defaults) (Topology, error) {
	src, err := io.ReadAll(io.LimitReader(r, int64(document.MaxSize)+1))
	if err != nil {
		return Topology{}, fmt.Errorf("%s: %w", name, err)
	}
	if len(src) > int(document.MaxSize) {
		return Topology{}, document.Problems{{File: name, Found: "the file is too large", Want: "at most " + document.MaxSize.String()}}
	}
	var file yangNetworks
	if err := json.Unmarshal(src, &file); err != nil {
		return Topology{}, jsonProblem(name, src, err)
	}
	net, err := pick(name, file.Networks.Network, network)
	if err != nil {
		return Topology{}, err
	}
	var top Topology
	var faults document.Problems
	fault := func(field, found, want string) {
		faults = append(faults, document.Problem{File: name, Field: field, Found: found, Want: want})
	}
	risks := riskBuilder{at: map[string]int{}}
	nodes := map[string]bool{}
	for i, x := range net.Node {
		if x.ID == "" || nodes[x.ID] {
			fault(fmt.Sprintf("node[%d].node-id", i), fmt.Sprintf("%q", x.ID), "a name that stands once and is not empty")
		}
		nodes[x.ID] = true
		top.Nodes = append(top.Nodes, Node{Name: x.ID})
		for _, s := range x.Support {
			risks.node("node "+s.Network+" "+s.Node, x.ID)
		}
	}
	if d.Capacity <= 0 {
		fault("link", "a capacity is not part of this format and no default was given", "a default capacity")
	}
	ends := map[[4]string][]int{} // links still without their other direction
	names := map[string]bool{}
	linkOf := make([]string, len(net.Link))
	for i, l := range net.Link {
		at := fmt.Sprintf("link[%d]", i)
		if l.ID == "" || names[l.ID] {
			fault(at+".link-id", fmt.Sprintf("%q", l.ID), "a name that stands once and is not empty")
		}
		names[l.ID] = true
		if !nodes[l.Source.Node] {
			fault(at+".source.source-node", fmt.Sprintf("%q", l.Source.Node), "a node of the network")
		}
		if !nodes[l.Destination.Node] {
			fault(at+".destination.dest-node", fmt.Sprintf("%q", l.Destination.Node), "a node of the network")
		}
		if l.Source.Node == l.Destination.Node {
			fault(at+".destination.dest-node", fmt.Sprintf("%q, which is the source as well", l.Destination.Node), "another node")
		}
		metric := d.metric()
		if l.Layer3 != nil && l.Layer3.Metric != nil {
			m, err := l.Layer3.Metric.Int64()
			if metric = m; err != nil || m < 1 || m >= MetricInfinity {
				fault(at+".l3-link-attributes.metric1", l.Layer3.Metric.String(), fmt.Sprintf("a whole number from 1 to %d", MetricInfinity-1))
			}
		}
		linkOf[i] = l.ID
		back := [4]string{l.Destination.Node, l.Destination.Port, l.Source.Node, l.Source.Port}
		if open := ends[back]; len(open) > 0 {
			linkOf[i] = linkOf[open[0]]
			ends[back] = open[1:]
		} else {
			key := [4]string{l.Source.Node, l.Source.Port, l.Destination.Node, l.Destination.Port}
			ends[key] = append(ends[key], i)
		}
		for _, s := range l.Support {
			risks.link("link "+s.Network+" "+s.Link, linkOf[i])
		}
		top.Arcs = append(top.Arcs, Arc{ID: l.ID, Link: linkOf[i], From: l.Source.Node, To: l.Destination.Node, Metric: metric, Capacity: d.Capacity})
	}
	top.Risks = risks.shared()
	return top, faults.Err()
}

func pick(name string, all []yangNetwork, id string) (yangNetwork, error) {
	var found []yangNetwork
	var ids []string
	for _, x := range all {
		ids = append(ids, x.ID)
		if x.ID == id || id == "" && len(x.Link) > 0 {
			found = append(found, x)
		}
	}
	if len(found) == 1 {
		return found[0], nil
	}
	want := "the network-id of one of them"
	if len(all) == 0 {
		want = `"ietf-network:networks" with a network that has links`
	}
	return yangNetwork{}, document.Problems{{File: name, Field: "network", Found: fmt.Sprintf("the networks %s, of which %d fit %q", strings.Join(ids, ", "), len(found), id), Want: want}}
}

// jsonProblem gives a mistake of the syntax its place.
func jsonProblem(name string, src []byte, err error) error {
	p := document.Problem{File: name, Found: err.Error(), Want: "JSON as in RFC 8259", Err: err}
	offset := int64(-1)
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		offset = syntax.Offset
	case errors.As(err, &kind):
		offset = kind.Offset
		p.Field, p.Found, p.Want = kind.Field, "a "+kind.Value, kind.Type.String()
	}
	if offset >= 0 {
		before := src[:min(int(offset), len(src))]
		p.Line = bytes.Count(before, []byte{'\n'}) + 1
		p.Column = max(1, len(before)-bytes.LastIndexByte(before, '\n')-1)
	}
	return document.Problems{p}
}

// riskBuilder collects what lies on the same thing.
type riskBuilder struct {
	at  map[string]int
	all []RiskGroup
}

func (b *riskBuilder) group(name string) *RiskGroup {
	if _, ok := b.at[name]; !ok {
		b.at[name] = len(b.all)
		b.all = append(b.all, RiskGroup{Name: name})
	}
	return &b.all[b.at[name]]
}

func (b *riskBuilder) node(name, node string) {
	if g := b.group(name); !slices.Contains(g.Nodes, node) {
		g.Nodes = append(g.Nodes, node)
	}
}

func (b *riskBuilder) link(name, link string) {
	if g := b.group(name); !slices.Contains(g.Links, link) {
		g.Links = append(g.Links, link)
	}
}

// shared returns the groups with at least two elements.
func (b *riskBuilder) shared() []RiskGroup {
	return slices.DeleteFunc(b.all, func(g RiskGroup) bool { return len(g.Links)+len(g.Nodes) < 2 })
}
