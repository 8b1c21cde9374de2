package network

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"towpath/internal/document"
	"towpath/internal/fleet"
)

const (
	smallArcs  = "arc,link,src,dst,weight,capacity\n0,L0,a,b,1,10\n1,L0,b,a,1,10\n"
	ratedArcs  = "link,src,dst,weight,capacity\nL0,a,b,1,10Gbps\nL0,b,a,1,400Mbps\n"
	smallGraph = `<?xml version="1.0" encoding="utf-8"?>
<graphml xmlns="http://graphml.graphdrawing.org/xmlns">
  <key attr.name="label" attr.type="string" for="node" id="d1" />
  <key attr.name="LinkSpeedRaw" attr.type="double" for="edge" id="d2" />
  <graph edgedefault="undirected">
    <node id="0"><data key="d1">Mere</data></node>
    <node id="1"><data key="d1">Ostermoor</data></node>
    <edge source="0" target="1">
      <data key="d2">10000000000.0</data>
    </edge>
  </graph>
</graphml>
`
	smallFleet = `operator: Ostermoor Water and Light
devices:
  - {id: a, platform: alder-9}
  - {id: b, platform: alder-9}
links:
  - id: L0
    a: {device: a, interface: p1}
    b: {device: b, interface: p1}
    capacity: 10Gbps
demands:
  - {from: a, to: b, rate: 1Gbps}
`
)

func TestTheFormatIsToldByTheContent(t *testing.T) {
	for name, c := range map[string]struct {
		src  string
		want Format
		unit string
	}{
		"anything":   {smallArcs, FormatArcs, ""},
		"rates.csv":  {ratedArcs, FormatArcs, BitsPerSecond},
		"wrong.json": {smallGraph, FormatGraphML, BitsPerSecond},
		"net":        {threeNodes, FormatRFC8345, BitsPerSecond},
		"s.graphml":  {small, FormatSNDlib, ""},
		"no-head":    {small[strings.Index(small, "NODES"):], FormatSNDlib, ""},
		"f":          {smallFleet, FormatFleet, BitsPerSecond},
	} {
		opt := Reading{Rate: 1e9}
		if c.want == FormatSNDlib {
			opt = Reading{Defaults: Defaults{Capacity: 1}}
		}
		top, demands, f, err := ReadTopology(name, strings.NewReader(c.src), opt)
		if err != nil || f != c.want || top.Unit != c.unit {
			t.Errorf("%s: got %q, unit %q (%v), want %q, %q", name, f, top.Unit, err, c.want, c.unit)
			continue
		}
		if _, err := New(top, demands); err != nil || len(top.Arcs) == 0 {
			t.Errorf("%s: %d arcs, %v", name, len(top.Arcs), err)
		}
	}
	for src, want := range map[string]string{
		"":            "x:1:1: the file is empty; want a topology: fleet.yaml, RFC 8345 JSON",
		"hello\nyou,": `x:1:1: a file that begins with "hello"; want a topology`,
	} {
		if _, _, _, err := ReadTopology("x", strings.NewReader(src), Reading{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", src, err, want)
		}
	}
	for _, opt := range []Reading{{Rate: 1e9}, {Defaults: Defaults{Capacity: 4}}} {
		src := small
		if opt.Rate == 0 {
			src = smallGraph
		}
		if _, _, _, err := ReadTopology("x", strings.NewReader(src), opt); !errors.Is(err, ErrNoUnit) {
			t.Errorf("%+v: got %v, want a complaint about the unit", opt, err)
		}
		opt.Unit = 1e6
		if _, _, _, err := ReadTopology("x", strings.NewReader(src), opt); err != nil {
			t.Errorf("%+v: %v", opt, err)
		}
	}
	// A plain number is so many bit/s where we are told.
	top, _, _, err := ReadTopology("a.csv", strings.NewReader(smallArcs), Reading{Unit: 1e6})
	if err != nil || top.Unit != BitsPerSecond || top.Arcs[0].Capacity != 10e6 {
		t.Errorf("got %+v (%v)", top, err)
	}
}

// What is wrong in a file is named with its file, line, column and field, with
// what was found and what would be right, in every format.
func TestBadInputIsNamedWithItsPlace(t *testing.T) {
	change := func(s, old, now string) string {
		if !strings.Contains(s, old) {
			t.Fatalf("%q is not in the sample", old)
		}
		return strings.Replace(s, old, now, 1)
	}
	for _, c := range []struct{ name, src, want string }{
		{"arcs, capacity 0", change(smallArcs, "b,1,10", "b,1,0"), `f:2:12: capacity: "0"; want a number above 0`},
		{"arcs, negative metric", change(smallArcs, "b,1,10", "b,-1,10"), `f:2:10: weight: "-1"; want a whole number from 1 to 16777214`},
		{"arcs, unit missing", change(ratedArcs, "400Mbps", "400"), `f:3:10: capacity: "400" without a unit; want a rate with its unit`},
		{"arcs, capacity 0 with a unit", change(ratedArcs, "400Mbps", "0Mbps"), `f:3:10: capacity: "0Mbps"; want a rate with its unit, such as 10Gbps or 640kbps, above 0`},
		{"arcs, unit where there is none", change(smallArcs, "a,1,10", "a,1,10Gbps"), `f:3:12: capacity: "10Gbps", a rate with a unit; want a plain number`},
		{"arcs, no node", change(smallArcs, "0,L0,a,b", "0,L0,a,"), `f:2:8: dst: nothing; want a name`},
		{"GraphML, capacity 0", change(smallGraph, "10000000000.0", "0"), `f:9:7: edge[0].LinkSpeedRaw: "0"; want bit/s above 0`},
		{"GraphML, no number", change(smallGraph, "10000000000.0", "fast"), `f:9:7: edge[0].LinkSpeedRaw: "fast"; want bit/s above 0`},
		{"GraphML, unknown node", change(smallGraph, `target="1"`, `target="7"`), `f:8:5: edge[0]: source "0", target "7"; want two nodes of the graph`},
		{"GraphML, no capacity", change(smallGraph, `<data key="d2">10000000000.0</data>`, ""), `f:8:5: edge[0]: no LinkSpeedRaw, and no default capacity was given; want a capacity of each link`},
		{"GraphML, node twice", change(smallGraph, `node id="1"`, `node id="0"`), `f:7:5: node[1]: id "0"; want an id that stands once`},
		{"RFC 8345, metric 0", change(threeNodes, `"metric1": 200`, `"metric1": 0`), `f:14:64: link[1].l3-link-attributes.metric1: 0; want a whole number from 1 to 16777214`},
		{"RFC 8345, no capacity", threeNodes, `f:10:4: link[0]: no capacity`},
		{"RFC 8345, rate 0", change(threeNodes, `"ietf-l3-unicast-topology:l3-link-attributes": {"metric1": 200}`, `"ietf-l2-topology:l2-link-attributes": {"rate": "0.0"}`), `f:14:53: link[1].l2-link-attributes.rate: 0.0; want a rate in Mbit/s above 0`},
		{"SNDlib, capacity 0", change(small, "( N1 N2 ) 40.00", "( N1 N2 ) 0"), `f:12:3: LINKS.L1: no capacity, and no default was given; want a capacity above 0`},
		{"SNDlib, negative capacity", change(small, "( N1 N2 ) 40.00", "( N1 N2 ) -4"), `f:12:16: LINKS.L1.capacity: "-4"; want a number of 0 or more`},
		{"SNDlib, unknown node", change(small, "D1 ( N1 N3 )", "D1 ( N1 N4 )"), `f:16:11: DEMANDS.D1: the node "N4", which NODES does not have; want a node`},
		{"SNDlib, negative demand", change(small, "2 20.50", "2 -20.50"), `f:16:18: DEMANDS.D1.value: "-20.50"; want a number of 0 or more`},
		{"fleet, unit missing", change(smallFleet, "10Gbps", "10"), `f:9:15: links[0].capacity: the number 10`},
		{"fleet, capacity 0", change(smallFleet, "10Gbps", "0Gbps"), `f:9:15: links[0].capacity`},
		{"fleet, negative metric", change(smallFleet, "capacity: 10Gbps", "capacity: 10Gbps\n    metric-ab: -1"), `f:10:16: links[0].metric-ab: -1 is out of range`},
		{"fleet, unknown node", change(smallFleet, "to: b", "to: c"), `f:11:19: demands[0].to: no device "c" in the fleet`},
	} {
		_, _, _, err := ReadTopology("f", strings.NewReader(c.src), Reading{})
		var p document.Problem
		if !errors.As(err, &p) || p.Line == 0 || p.Field == "" || p.Found == "" || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v\nwant %s", c.name, err, c.want)
		}
	}
	rated, _, _, err := ReadTopology("f", strings.NewReader(ratedArcs), Reading{})
	if err != nil {
		t.Fatal(err)
	}
	bare, _, _, err := ReadTopology("f", strings.NewReader(smallArcs), Reading{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, src, want string
		top             Topology
	}{
		{"unknown node", "src,dst,volume\na,c,1\n", `d:2:3: dst: the node "c", which the topology does not have; want a node of the topology`, bare},
		{"negative", "src,dst,volume\na,b,-1\n", `d:2:5: volume: "-1"; want a number of 0 or more`, bare},
		{"unit missing", "src,dst,volume\na,b,1\n", `d:2:5: volume: "1" without a unit; want a rate with its unit`, rated},
		{"unit where there is none", "src,dst,volume\na,b,1Gbps\n", `d:2:5: volume: "1Gbps", a rate with a unit; want a plain number`, bare},
		{"to itself", "src,dst,volume\na,a,1\n", `d:2:3: dst: "a", which is the source as well`, bare},
		{"no column", "src,dst,volumes\na,b,1\n", `d:1:1: volume: there is no such column`, bare},
		{"SNDlib, unit missing", "?SNDlib\nDEMANDS (\n D1 ( a b ) 1 4 UNLIMITED\n)\n", `DEMANDS: demands without a unit`, rated},
		{"SNDlib, unknown node", "?SNDlib\nDEMANDS (\n D1 ( a c ) 1 4 UNLIMITED\n)\n", `d:3:9: DEMANDS.D1: the node "c", which the topology does not have`, bare},
		{"empty", "", "the file is empty", bare},
	} {
		if _, err := ReadDemandFile("d", strings.NewReader(c.src), c.top); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("demands, %s: got %v\nwant %s", c.name, err, c.want)
		}
	}
	demands, err := ReadDemandFile("d", strings.NewReader("name,src,dst,volume\npumps,a,b,2.5Mbps\n"), rated)
	if err != nil || len(demands) != 1 || demands[0] != (Demand{"pumps", "a", "b", 2.5e6}) {
		t.Errorf("got %+v (%v)", demands, err)
	}
	demands, err = ReadDemandFile("d", strings.NewReader("?SNDlib\nDEMANDS (\n D1 ( a b ) 2 4.5 UNLIMITED\n)\n"), bare)
	if err != nil || len(demands) != 1 || demands[0] != (Demand{"D1", "a", "b", 9}) {
		t.Errorf("got %+v (%v)", demands, err)
	}
}

// Source: the open networks of ../shared/data, each read by its content alone.
func TestOpenNetworksAreReadAndComputed(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(data(t, "networks"), "*", "arcs.csv"))
	if err != nil || len(files) < 11 {
		t.Fatalf("found %d networks, want 11 (%v)", len(files), err)
	}
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		top, _, format, err := ReadTopology(name, f, Reading{})
		f.Close()
		if err != nil || format != FormatArcs {
			t.Errorf("%s: %q, %v", name, format, err)
			continue
		}
		d, err := os.Open(filepath.Join(filepath.Dir(name), "demands.csv"))
		if err != nil {
			t.Fatal(err)
		}
		demands, err := ReadDemandFile("demands.csv", d, top)
		d.Close()
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		n, err := New(top, demands)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if r := n.Intact().Result(); !(r.MaxUtilisation > 0) {
			t.Errorf("%s: got %+v", name, r)
		}
	}
}

// Source: worked by hand on two devices joined by one link, with an attachment.
func TestPortRatesAreLaidOnLinks(t *testing.T) {
	src := smallFleet + "attachments:\n  - {name: pumps, gateway: vrrp, at: [{device: a, interface: p2}]}\n"
	f, err := fleet.Read("f", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	n, err := FromFleet(f, FleetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	read := func(csv string, plain float64) ([]PortRate, error) {
		return ReadPortRates("c.csv", strings.NewReader(csv), plain)
	}
	const rates = "device,interface,in,out\na,p1,2Gbps,1Gbps\nb,p1,1.2Gbps,2Gbps\na,p2,500Mbps,300Mbps\na,p9,500Mbps,1.7Gbps\nb,p9,2Gbps,1Gbps\n"
	got, err := read(rates, 0)
	if err != nil {
		t.Fatal(err)
	}
	c, notes, err := n.FleetCounters(f, got)
	if err != nil {
		t.Fatal(err)
	}
	rate := func(arc string) float64 {
		return c.Arcs[slices.IndexFunc(n.arcs, func(a Arc) bool { return a.ID == arc })]
	}
	if a, b := rate("L0>"), rate("L0<"); a != 1.1e9 || b != 2e9 {
		t.Errorf("got %v and %v on the link, want the means 1.1e9 and 2e9", a, b)
	}
	if a, b := rate("pumps~a>"), rate("pumps~a<"); a != 5e8 || b != 3e8 {
		t.Errorf("got %v and %v on the attachment, want 5e8 and 3e8", a, b)
	}
	in, out := c.In[n.nodeIndex["a"]], c.Out[n.nodeIndex["a"]]
	if in != 5e8 || out != 1.7e9 || c.In[n.nodeIndex["pumps"]] != 5e8 {
		t.Errorf("got %v in, %v out at a and %v in at the pumps", in, out, c.In[n.nodeIndex["pumps"]])
	}
	if len(notes) != 1 || !strings.Contains(notes[0], "link L0: one end sent 1e+09 bit/s, the other received 1.2e+09") {
		t.Errorf("got notes %q", notes)
	}
	if _, _, err := n.FleetCounters(f, append(got, PortRate{Device: "zz"})); !errors.Is(err, ErrUnknown) {
		t.Errorf("got %v", err)
	}
	if _, notes, err := n.FleetCounters(f, got[:1]); !errors.Is(err, ErrInvalid) || len(notes) != 2 || !strings.Contains(strings.Join(notes, " "), "no counters of the attachments pumps (p2 on a)") || !strings.Contains(strings.Join(notes, " "), "of the devices b") {
		t.Errorf("got %v, %q", err, notes)
	}
	if plain, err := read("device,interface,in,out\na,p1,2,1\n", 1e6); err != nil || plain[0] != (PortRate{Device: "a", Interface: "p1", In: 2e6, Out: 1e6}) {
		t.Errorf("got %+v (%v)", plain, err)
	}
	for csv, want := range map[string]string{
		"device,interface,in,out\na,p1,2,1Gbps\n":                   `c.csv:2:6: in: "2" without a unit`,
		"device,interface,in,out\na,p1,1bps,1bps\na,p1,1bps,1bps\n": `c.csv:3:3: interface: "p1" of a, which stands already`,
		"device,interface,in\n":                                     `out: there is no such column`,
		"device,interface,in,out\n,p1,1bps,1bps\n":                  `c.csv:2:1: device: nothing; want a name`,
	} {
		if _, err := read(csv, 0); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}
