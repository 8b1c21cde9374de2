package network

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"towpath/internal/document"
)

type graphML struct {
	Keys []struct {
		ID   string `xml:"id,attr"`
		For  string `xml:"for,attr"`
		Name string `xml:"attr.name,attr"`
	} `xml:"key"`
	Graph []struct {
		Directed string `xml:"edgedefault,attr"`
		Nodes    []struct {
			ID   string        `xml:"id,attr"`
			Data []graphMLData `xml:"data"`
		} `xml:"node"`
		Edges []struct {
			ID     string        `xml:"id,attr"`
			Source string        `xml:"source,attr"`
			Target string        `xml:"target,attr"`
			Data   []graphMLData `xml:"data"`
		} `xml:"edge"`
	} `xml:"graph"`
}

type graphMLData struct {
	Key   string `xml:"key,attr"`
	Value string `xml:",chardata"`
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
	var file graphML
	dec := xml.NewDecoder(r)
	if err := dec.Decode(&file); err != nil {
		line, column := dec.InputPos()
		p := document.Problem{File: name, Line: line, Column: column, Found: err.Error(), Want: "GraphML", Err: err}
		if errors.Is(err, io.EOF) {
			p.Found, p.Err = "the file is empty", nil
		}
		return Topology{}, document.Problems{p}
	}
	var faults document.Problems
	fault := func(field, found, want string) {
		faults = append(faults, document.Problem{File: name, Field: field, Found: found, Want: want})
	}
	if len(file.Graph) != 1 {
		fault("graph", fmt.Sprintf("%d graphs", len(file.Graph)), "one graph")
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
	var top Topology
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
			fault(fmt.Sprintf("node[%d]", i), fmt.Sprintf("id %q", x.ID), "an id that stands once and is not empty")
		}
		names[x.ID] = n.Name
		top.Nodes = append(top.Nodes, n)
	}
	for i, x := range g.Edges {
		at := fmt.Sprintf("edge[%d]", i)
		from, okFrom := names[x.Source]
		to, okTo := names[x.Target]
		if !okFrom || !okTo || x.Source == x.Target {
			fault(at, fmt.Sprintf("source %q, target %q", x.Source, x.Target), "two nodes of the graph")
			continue
		}
		capacity := d.Capacity
		if raw, ok := values(x.Data)["LinkSpeedRaw"]; ok {
			v, err := strconv.ParseFloat(raw, 64)
			if err != nil || !(v > 0) {
				fault(at+".LinkSpeedRaw", strconv.Quote(raw), "bit/s above 0")
			}
			capacity = v
		}
		if !(capacity > 0) {
			fault(at, "no LinkSpeedRaw, and no default capacity was given", "a capacity")
		}
		link := "L" + strconv.Itoa(i)
		top.Arcs = append(top.Arcs, Arc{ID: link + ">", Link: link, From: from, To: to, Metric: d.metric(), Capacity: capacity})
		if g.Directed != "directed" {
			top.Arcs = append(top.Arcs, Arc{ID: link + "<", Link: link, From: to, To: from, Metric: d.metric(), Capacity: capacity})
		}
	}
	return top, faults.Err()
}
