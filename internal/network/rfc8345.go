package network

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

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
	Layer2 *struct {
		// Mbit/s. Source: from memory, RFC 8944 §4: decimal64 with two digits, Mbps.
		Rate *json.Number `json:"rate"`
	} `json:"ietf-l2-topology:l2-link-attributes"`
}

// ReadRFC8345 reads a topology in the JSON form of the YANG module
// ietf-network-topology. network is the network-id to read; empty stands for
// the only one that has links. A link there has one direction; two with the
// same ends crosswise become one link here, named after the first. metric1 of
// the layer-3 attributes is the metric, rate of the layer-2 attributes the
// capacity (in Mbit/s there, in bit/s here as the default is). What lies on the same supporting node
// or link becomes a shared-risk group. name stands in the messages; the error
// is [document.Problems] where the file is at fault.
//
// Source: RFC 8345 §4.2 and §6, RFC 8346 §5 (metric1), RFC 7951 (JSON);
// from memory, RFC 8944 §4 (rate).
func ReadRFC8345(name string, r io.Reader, network string, d Defaults) (Topology, error) {
	src, err := io.ReadAll(io.LimitReader(r, int64(document.MaxSize)+1))
	if err != nil {
		return Topology{}, fmt.Errorf("%s: %w", name, err)
	}
	if len(src) > int(document.MaxSize) {
		return Topology{}, document.Problems{{File: name, Found: "the file is too large", Want: "at most " + document.MaxSize.String()}}
	}
	src = bytes.TrimPrefix(src, []byte(byteOrderMark))
	var file yangNetworks
	if err := json.Unmarshal(src, &file); err != nil {
		return Topology{}, jsonProblem(name, src, err)
	}
	net, at, err := pick(name, file.Networks.Network, network)
	if err != nil {
		return Topology{}, err
	}
	top := Topology{Unit: BitsPerSecond}
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
	ends := map[[4]string][]int{} // links still without their other direction
	names := map[string]bool{}
	linkOf := make([]string, len(net.Link))
	missing := false // once is enough
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
		capacity := d.Capacity
		if l.Layer2 != nil && l.Layer2.Rate != nil {
			v, err := l.Layer2.Rate.Float64()
			if capacity = v * 1e6; err != nil || !(v > 0) || math.IsInf(capacity, 0) {
				fault(at+".l2-link-attributes.rate", l.Layer2.Rate.String(), "a rate in Mbit/s above 0")
			}
		}
		if !(capacity > 0) && !missing {
			missing = true
			fault(at, "no capacity: RFC 8345 has none, this link has no l2-link-attributes.rate, and no default was given", "a capacity of each link, or a default for all")
			faults[len(faults)-1].Err = ErrNoCapacity
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
		top.Arcs = append(top.Arcs, Arc{ID: l.ID, Link: linkOf[i], From: l.Source.Node, To: l.Destination.Node, Metric: metric, Capacity: capacity})
	}
	top.Risks = risks.shared()
	place(src, fmt.Sprintf("networks.network[%d].", at), faults)
	return top, faults.Err()
}

func pick(name string, all []yangNetwork, id string) (net yangNetwork, at int, err error) {
	var found []int
	var ids []string
	for i, x := range all {
		ids = append(ids, x.ID)
		if x.ID == id || id == "" && len(x.Link) > 0 {
			found = append(found, i)
		}
	}
	if len(found) == 1 {
		return all[found[0]], found[0], nil
	}
	want := "the network-id of one of them"
	if len(all) == 0 {
		return yangNetwork{}, 0, document.Problems{{File: name, Line: 1, Column: 1, Found: `no network below "ietf-network:networks" at the top`, Want: `{"ietf-network:networks": {"network": […]}} as in RFC 8345 §6 and RFC 7951, with a network that has links`}}
	}
	return yangNetwork{}, 0, document.Problems{{File: name, Line: 1, Column: 1, Field: "network", Found: fmt.Sprintf("the networks %s, of which %d fit %q", strings.Join(ids, ", "), len(found), id), Want: want}}
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

// place gives each fault the line and column of its field, which is below the
// prefix, or of the nearest thing above it that is there.
func place(src []byte, prefix string, faults document.Problems) {
	if len(faults) == 0 {
		return
	}
	at := offsets(src)
	for i := range faults {
		if faults[i].Line > 0 {
			continue
		}
		path := prefix + faults[i].Field
		for {
			if o, ok := at[path]; ok {
				before := src[:o]
				faults[i].Line = bytes.Count(before, []byte{'\n'}) + 1
				faults[i].Column = utf8.RuneCount(before[bytes.LastIndexByte(before, '\n')+1:]) + 1
				break
			}
			cut := strings.LastIndexAny(path, ".[")
			if cut < 0 {
				break
			}
			path = path[:cut]
		}
	}
}

// offsets are where each value of a JSON text begins, by its path. Names stand
// in it without the module before the colon.
func offsets(src []byte) map[string]int {
	out := map[string]int{}
	dec := json.NewDecoder(bytes.NewReader(src))
	var value func(path string) error
	value = func(path string) error {
		start := int(dec.InputOffset())
		for start < len(src) && strings.IndexByte(" \t\r\n,:", src[start]) >= 0 {
			start++
		}
		out[path] = start
		tok, err := dec.Token()
		if err != nil {
			return err
		}
		switch tok {
		case json.Delim('{'):
			for dec.More() {
				key, err := dec.Token()
				if err != nil {
					return err
				}
				name := fmt.Sprint(key)
				if i := strings.LastIndexByte(name, ':'); i >= 0 {
					name = name[i+1:]
				}
				if err := value(strings.TrimPrefix(path+"."+name, ".")); err != nil {
					return err
				}
			}
			_, err = dec.Token()
		case json.Delim('['):
			for i := 0; dec.More(); i++ {
				if err := value(fmt.Sprintf("%s[%d]", path, i)); err != nil {
					return err
				}
			}
			_, err = dec.Token()
		}
		return err
	}
	_ = value("") // what cannot be read was refused before
	return out
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
