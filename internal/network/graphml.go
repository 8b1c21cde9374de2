package network

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/ianaindex"

	"towpath/internal/document"
)

// xmlEncoding finds what the declaration says of the characters.
// Source: Extensible Markup Language 1.0, §4.3.3.
var xmlEncoding = regexp.MustCompile(`^[^>]*<\?xml[^>]*\sencoding\s*=\s*["\']([^"\']+)["\']`)

type graphML struct {
	Keys []struct {
		ID   string `xml:"id,attr"`
		For  string `xml:"for,attr"`
		Name string `xml:"attr.name,attr"`
	} `xml:"key"`
	Graph []struct {
		Directed string        `xml:"edgedefault,attr"`
		Nodes    []graphMLNode `xml:"node"`
		Edges    []graphMLEdge `xml:"edge"`
	} `xml:"graph"`
}

type graphMLNode struct {
	ID   string        `xml:"id,attr"`
	Data []graphMLData `xml:"data"`

	end int64 // where its start tag ends in the file
}

type graphMLEdge struct {
	ID     string        `xml:"id,attr"`
	Source string        `xml:"source,attr"`
	Target string        `xml:"target,attr"`
	Data   []graphMLData `xml:"data"`

	end int64
}

type graphMLData struct {
	Key   string `xml:"key,attr"`
	Value string `xml:",chardata"`

	end int64
}

// UnmarshalXML keeps where the node stands.
func (x *graphMLNode) UnmarshalXML(d *xml.Decoder, start xml.StartElement) error {
	type plain graphMLNode
	x.end = d.InputOffset()
	return d.DecodeElement((*plain)(x), &start)
}

// UnmarshalXML keeps where the edge stands.
func (x *graphMLEdge) UnmarshalXML(d *xml.Decoder, start xml.StartElement) error {
	type plain graphMLEdge
	x.end = d.InputOffset()
	return d.DecodeElement((*plain)(x), &start)
}

// UnmarshalXML keeps where the value stands.
func (x *graphMLData) UnmarshalXML(d *xml.Decoder, start xml.StartElement) error {
	type plain graphMLData
	x.end = d.InputOffset()
	return d.DecodeElement((*plain)(x), &start)
}

// ReadGraphML reads a topology of the Internet Topology Zoo. A node is named by
// its label, blanks as underscores; where two have the same label, or one has
// none, by its id, an underscore and the label. LinkSpeedRaw is the capacity in
// bit/s; Longitude and Latitude are its place. Links have both directions
// unless the graph is directed. name stands in the messages; the error is
// [document.Problems] where the file is at fault.
//
// Source: GraphML Primer (graphml.graphdrawing.org); Knight et al., The Internet
// Topology Zoo, IEEE JSAC 29(9) 2011.
func ReadGraphML(name string, r io.Reader, d Defaults) (Topology, error) {
	src, err := io.ReadAll(io.LimitReader(r, maxFile))
	if err != nil {
		return Topology{}, fmt.Errorf("%s: %w", name, err)
	}
	if wide(src) {
		return Topology{}, notUTF8(name)
	}
	if m := xmlEncoding.FindSubmatch(src[:min(len(src), 200)]); m != nil {
		enc, err := ianaindex.IANA.Encoding(string(m[1]))
		if err == nil && enc != nil {
			src, err = enc.NewDecoder().Bytes(src)
		}
		if err != nil || enc == nil {
			return Topology{}, document.Problems{{File: name, Line: 1, Column: 1, Field: "encoding", Found: strconv.Quote(string(m[1])), Want: "UTF-8, or another that IANA lists"}}
		}
	}
	var file graphML
	dec := xml.NewDecoder(bytes.NewReader(src))
	dec.CharsetReader = func(_ string, in io.Reader) (io.Reader, error) { return in, nil } // it is UTF-8 by now
	if err := dec.Decode(&file); err != nil {
		line, column := dec.InputPos()
		p := document.Problem{File: name, Line: line, Column: column, Found: err.Error(), Want: "GraphML", Err: err}
		if errors.Is(err, io.EOF) {
			p.Found, p.Err = "the file is empty", nil
		}
		return Topology{}, document.Problems{p}
	}
	var faults document.Problems
	// end is where a start tag ends, or the text behind it begins.
	fault := func(end int64, field, found, want string) {
		before := src[:min(max(0, int(end)), len(src))]
		if i := bytes.LastIndexByte(before, '<'); i >= 0 {
			before = before[:i]
		}
		faults = append(faults, document.Problem{
			File: name, Line: bytes.Count(before, []byte{'\n'}) + 1, Column: utf8.RuneCount(before[bytes.LastIndexByte(before, '\n')+1:]) + 1,
			Field: field, Found: found, Want: want,
		})
	}
	if len(file.Graph) != 1 {
		fault(0, "graph", fmt.Sprintf("%d graphs", len(file.Graph)), "one graph")
		return Topology{}, faults.Err()
	}
	g := file.Graph[0]
	keys := map[string]string{}
	for _, k := range file.Keys {
		keys[k.ID] = k.Name
	}
	values := func(data []graphMLData) map[string]string {
		out := map[string]string{}
		for _, x := range data {
			out[keys[x.Key]] = strings.TrimSpace(x.Value)
		}
		return out
	}
	labels := map[string]int{}
	for _, x := range g.Nodes {
		labels[values(x.Data)["label"]]++
	}
	top := Topology{Unit: BitsPerSecond}
	names := map[string]string{}
	for i, x := range g.Nodes {
		v := values(x.Data)
		label := v["label"]
		n := Node{Name: strings.Join(strings.Fields(label), "_")}
		if label == "" || labels[label] > 1 {
			n.Name = strings.TrimSuffix(x.ID+"_"+n.Name, "_")
		}
		lon, errLon := strconv.ParseFloat(v["Longitude"], 64)
		lat, errLat := strconv.ParseFloat(v["Latitude"], 64)
		if errLon == nil && errLat == nil {
			n.X, n.Y, n.Placed = lon, lat, true
		}
		if _, twice := names[x.ID]; twice || x.ID == "" {
			fault(x.end, fmt.Sprintf("node[%d]", i), fmt.Sprintf("id %q", x.ID), "an id that stands once and is not empty")
		}
		names[x.ID] = n.Name
		top.Nodes = append(top.Nodes, n)
	}
	missing := false
	for i, x := range g.Edges {
		at := fmt.Sprintf("edge[%d]", i)
		from, okFrom := names[x.Source]
		to, okTo := names[x.Target]
		if !okFrom || !okTo || x.Source == x.Target {
			fault(x.end, at, fmt.Sprintf("source %q, target %q", x.Source, x.Target), "two nodes of the graph")
			continue
		}
		capacity := d.Capacity
		given := false
		for _, value := range x.Data {
			if keys[value.Key] != "LinkSpeedRaw" {
				continue
			}
			given = true
			raw := strings.TrimSpace(value.Value)
			v, err := strconv.ParseFloat(raw, 64)
			if err != nil || !(v > 0) || math.IsInf(v, 0) {
				fault(value.end, at+".LinkSpeedRaw", strconv.Quote(raw), "bit/s above 0")
			}
			capacity = v
		}
		if !given && !(capacity > 0) && !missing {
			missing = true // once is enough
			fault(x.end, at, "no LinkSpeedRaw, and no default capacity was given", "a capacity of each link, or a default for all")
			faults[len(faults)-1].Err = ErrNoCapacity
		}
		link := "L" + strconv.Itoa(i)
		top.Arcs = append(top.Arcs, Arc{ID: link + ">", Link: link, From: from, To: to, Metric: d.metric(), Capacity: capacity})
		if g.Directed != "directed" {
			top.Arcs = append(top.Arcs, Arc{ID: link + "<", Link: link, From: to, To: from, Metric: d.metric(), Capacity: capacity})
		}
	}
	return top, faults.Err()
}
