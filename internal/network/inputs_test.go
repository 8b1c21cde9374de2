package network

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"towpath/internal/document"
)

// Source: RFC 8346 Appendix B, from memory: three nodes, links of one direction,
// metric1 as a string of digits.
const threeNodes = `{"ietf-network:networks": {"network": [
 {"network-id": "duct", "node": [{"node-id": "hall"}]},
 {"network-id": "l3", "network-types": {"ietf-l3-unicast-topology:l3-unicast-topology": {}},
  "node": [
   {"node-id": "D1", "supporting-node": [{"network-ref": "duct", "node-ref": "hall"}],
    "ietf-network-topology:termination-point": [{"tp-id": "1-2-1"}, {"tp-id": "1-3-1"}]},
   {"node-id": "D2", "supporting-node": [{"network-ref": "duct", "node-ref": "hall"}]},
   {"node-id": "D3"}],
  "ietf-network-topology:link": [
   {"link-id": "D1,1-2-1,D2,2-1-1", "source": {"source-node": "D1", "source-tp": "1-2-1"}, "destination": {"dest-node": "D2", "dest-tp": "2-1-1"},
    "supporting-link": [{"network-ref": "duct", "link-ref": "east"}],
    "ietf-l3-unicast-topology:l3-link-attributes": {"metric1": "100"}},
   {"link-id": "D2,2-1-1,D1,1-2-1", "source": {"source-node": "D2", "source-tp": "2-1-1"}, "destination": {"dest-node": "D1", "dest-tp": "1-2-1"},
    "ietf-l3-unicast-topology:l3-link-attributes": {"metric1": 200}},
   {"link-id": "D1,1-3-1,D3,3-1-1", "source": {"source-node": "D1", "source-tp": "1-3-1"}, "destination": {"dest-node": "D3", "dest-tp": "3-1-1"},
    "supporting-link": [{"network-ref": "duct", "link-ref": "east"}]}]}]}}`

func TestRFC8345BecomesATopology(t *testing.T) {
	top, err := ReadRFC8345("t.json", strings.NewReader(threeNodes), "", Defaults{Capacity: 10, Metric: 7})
	if err != nil {
		t.Fatal(err)
	}
	want := Topology{
		Nodes: []Node{{Name: "D1"}, {Name: "D2"}, {Name: "D3"}},
		Arcs: []Arc{
			{"D1,1-2-1,D2,2-1-1", "D1,1-2-1,D2,2-1-1", "D1", "D2", 100, 10},
			{"D2,2-1-1,D1,1-2-1", "D1,1-2-1,D2,2-1-1", "D2", "D1", 200, 10},
			{"D1,1-3-1,D3,3-1-1", "D1,1-3-1,D3,3-1-1", "D1", "D3", 7, 10},
		},
		Risks: []RiskGroup{
			{Name: "node duct hall", Nodes: []string{"D1", "D2"}},
			{Name: "link duct east", Links: []string{"D1,1-2-1,D2,2-1-1", "D1,1-3-1,D3,3-1-1"}},
		},
		Unit: BitsPerSecond,
	}
	if !reflect.DeepEqual(top, want) {
		t.Errorf("got %+v\nwant %+v", top, want)
	}
	if _, err := New(top, []Demand{{From: "D2", To: "D3", Volume: 1}}); err != nil {
		t.Error(err)
	}
	// Source: from memory, RFC 8944 §4: rate is a decimal64 in Mbit/s; RFC 7951 §6.1: in
	// JSON it is a string.
	rated := strings.Replace(threeNodes, `"ietf-l3-unicast-topology:l3-link-attributes": {"metric1": 200}`, `"ietf-l2-topology:l2-link-attributes": {"rate": "2500.00"}`, 1)
	if top, err := ReadRFC8345("t.json", strings.NewReader(rated), "", Defaults{Capacity: 10}); err != nil || top.Arcs[1].Capacity != 2.5e9 || top.Arcs[0].Capacity != 10 {
		t.Errorf("got %+v (%v), want the second arc at 2.5 Gbit/s", top.Arcs, err)
	}
	// An answer of RESTCONF stands in an envelope of its own.
	if _, err := ReadRFC8345("t.json", strings.NewReader(`{"ietf-restconf:data": `+threeNodes+`}`), "", Defaults{Capacity: 1}); err == nil || !strings.Contains(err.Error(), `t.json:1:1: no network below "ietf-network:networks" at the top`) {
		t.Errorf("got %v", err)
	}
	for _, c := range []struct{ old, new, want string }{
		{`"dest-node": "D3"`, `"dest-node": "D9"`, `t.json:15:121: link[2].destination.dest-node: "D9"; want a node of the network`},
		{`"metric1": 200`, `"metric1": -200`, "t.json:14:64: link[1].l3-link-attributes.metric1: -200; want a whole number from 1 to 16777214"},
		{`"metric1": 200`, `"metric1": 200 ]`, "t.json:14:"},
		{`"node-id": "D3"`, `"node-id": 3`, "t.json:8:16: ietf-network:networks.network.node.node-id: a number; want string"},
		{`"node-id": "D3"`, `"node-id": "D2"`, "t.json:8:16: node[2].node-id: \"D2\"; want a name that stands once"},
		{`"ietf-network-topology:link"`, `"link"`, "network: the networks duct, l3, of which 0 fit"},
	} {
		_, err := ReadRFC8345("t.json", strings.NewReader(strings.Replace(threeNodes, c.old, c.new, 1)), "", Defaults{Capacity: 1})
		var p document.Problem
		if !errors.As(err, &p) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", c.new, err, c.want)
		}
	}
	if _, err := ReadRFC8345("t.json", strings.NewReader(threeNodes), "l3", Defaults{}); err == nil || !strings.Contains(err.Error(), "t.json:10:4: link[0]: no capacity") || strings.Count(err.Error(), "\n") != 0 {
		t.Errorf("got %v", err)
	}
}

// Source: the Internet Topology Zoo, and the arcs that another program made of
// one of its networks.
func TestTopologyZooFilesAreRead(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(data(t, "topologyzoo"), "*.graphml"))
	if err != nil || len(files) < 13 {
		t.Fatalf("found %d files, want 13 (%v)", len(files), err)
	}
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		top, err := ReadGraphML(filepath.Base(name), f, Defaults{Capacity: 1e9})
		f.Close()
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if _, err := New(top, nil); err != nil || len(top.Arcs) == 0 {
			t.Errorf("%s: %d arcs, %v", name, len(top.Arcs), err)
		}
		if filepath.Base(name) != "AttMpls.graphml" {
			continue
		}
		ref, err := os.Open(data(t, "ecmp-answers", "attmpls_zoo_inv", "arcs.csv"))
		if err != nil {
			t.Fatal(err)
		}
		want, err := ReadArcs("arcs.csv", ref)
		ref.Close()
		if err != nil {
			t.Fatal(err)
		}
		pairs := func(top Topology, cut bool) []string {
			var out []string
			for _, a := range top.Arcs {
				from, to := a.From, a.To
				if cut { // the other program puts the id before the label
					_, from, _ = strings.Cut(from, "_")
					_, to, _ = strings.Cut(to, "_")
				}
				out = append(out, from+" "+to)
			}
			slices.Sort(out)
			return out
		}
		if got, want := pairs(top, false), pairs(want, true); !slices.Equal(got, want) {
			t.Errorf("got arcs %v\nwant %v", got, want)
		}
	}
	for src, want := range map[string]string{
		"":                    "g.xml:1:1: the file is empty",
		"<graphml>\n<graph>":  "g.xml:2:",
		"<graphml></graphml>": "0 graphs",
		`<graphml><graph edgedefault="undirected"><node id="0"/><node id="1"/><edge source="0" target="2"/></graph></graphml>`: `g.xml:1:70: edge[0]: source "0", target "2"`,
		`<graphml><graph edgedefault="undirected"><node id="0"/><node id="1"/><edge source="0" target="1"/></graph></graphml>`: "no LinkSpeedRaw",
	} {
		if _, err := ReadGraphML("g.xml", strings.NewReader(src), Defaults{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", src, err, want)
		}
	}
}

// Source: from memory, SNDlib native format 1.0.
const small = `?SNDlib native format; type: network; version: 1.0
META (
  granularity = 5min
)
NODES (
  N1 ( 10.00 50.00 )
  N2 ( 11.50 -48.0 )  # a comment
  N3 ( 9 51 )
)
LINKS (
  # <link_id> ( <source> <target> ) <pre_installed_capacity> <cost> <routing_cost> <setup_cost> ( {<module_capacity> <module_cost>}* )
  L1 ( N1 N2 ) 40.00 0.00 0.00 0.00 ( )
  L2 ( N2 N3 ) 0.00 0.00 0.00 1.00 ( 10.00 3.00 40.00 9.00 )
)
DEMANDS (
  D1 ( N1 N3 ) 2 20.50 UNLIMITED
)
ADMISSIBLE_PATHS ( D1 ( P1 ( L1 L2 ) ) )
`

func TestSNDlibBecomesATopology(t *testing.T) {
	top, demands, err := ReadSNDlib("s.txt", strings.NewReader(small), Defaults{})
	if err != nil {
		t.Fatal(err)
	}
	if len(top.Nodes) != 3 || top.Nodes[1] != (Node{Name: "N2", X: 11.5, Y: -48, Placed: true}) {
		t.Errorf("got nodes %+v", top.Nodes)
	}
	if len(top.Arcs) != 4 || top.Arcs[0].Capacity != 40 || top.Arcs[3] != (Arc{"L2<", "L2", "N3", "N2", 1, 40}) {
		t.Errorf("got arcs %+v", top.Arcs)
	}
	if len(demands) != 1 || demands[0] != (Demand{"D1", "N1", "N3", 41}) {
		t.Errorf("got demands %+v", demands)
	}
	// When a network was planned is no business of ours.
	if _, _, err := ReadSNDlib("s.txt", strings.NewReader(strings.Replace(small, "granularity = 5min", "granularity = 1month\n  time = 2004", 1)), Defaults{}); err != nil {
		t.Error(err)
	}
	for _, c := range []struct{ old, new, want string }{
		{"( N1 N2 ) 40", "( N1 N9 ) 40", `s.txt:12:11: LINKS.L1: the node "N9", which NODES does not have`},
		{"( N1 N2 ) 40.00", "( N1 N2 ) 4x", `s.txt:12:16: LINKS.L1.capacity: "4x"; want a number of 0 or more`},
		{"( N1 N2 ) 40.00", "( N1 N2 ) 0", `s.txt:12:3: LINKS.L1: no capacity`},
		{"( N1 N2 ) 40.00", "N1 N2", `s.txt:12:6: LINKS.L1: "N1"; want "("`},
		{"( D1 ( P1 ( L1 L2 ) ) )", "( D1", "the file ends here"},
		{"NODES (", "NODES", `s.txt:6:3: NODES: "N1"; want "("`},
	} {
		_, _, err := ReadSNDlib("s.txt", strings.NewReader(strings.Replace(small, c.old, c.new, 1)), Defaults{})
		var p document.Problem
		if !errors.As(err, &p) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", c.new, err, c.want)
		}
	}
}

func TestNeighboursProposeLinks(t *testing.T) {
	heard := []Neighbour{
		{"mere-agg-2", "eth1", "MERE-AGG-1.example.net", "eth1"},
		{"mere-agg-1", "eth1", "mere-agg-2", "eth1"},
		{"mere-agg-1", "eth1", "mere-agg-2", "eth1"},
		{"mere-agg-1", "eth2", "mere-edge-1", "eth9"},
		{"mere-agg-1", "eth3", "stranger", "7"},
		{"mere-agg-1", "eth4", "", "7"},
	}
	known := []string{"mere-agg-1", "mere-agg-2", "mere-edge-1"}
	want := []ProposedLink{
		{A: "mere-agg-1", AInterface: "eth1", B: "mere-agg-2", BInterface: "eth1"},
		{A: "mere-agg-1", AInterface: "eth2", B: "mere-edge-1", BInterface: "eth9", OneSided: true, HeardBy: "mere-agg-1"},
		{A: "mere-agg-1", AInterface: "eth3", B: "stranger", BInterface: "7", OneSided: true, HeardBy: "mere-agg-1", Unknown: true},
	}
	for range 2 {
		if got := ProposeLinks(known, heard); !reflect.DeepEqual(got, want) {
			t.Errorf("got %+v\nwant %+v", got, want)
		}
		slices.Reverse(heard)
	}
}

// Source: IEEE 802.1AB-2016 §8.5.3: a port ID need not be an interface's name.
func TestPortsThatAreNotNamedAreFoundWhereOneChoiceIsLeft(t *testing.T) {
	known := []string{"a", "b", "c"}
	for _, c := range []struct {
		name  string
		heard []Neighbour
		want  []ProposedLink
	}{
		{"no port on either side", []Neighbour{{"a", "p1", "b", ""}, {"b", "p2", "a", ""}}, []ProposedLink{{A: "a", AInterface: "p1", B: "b", BInterface: "p2"}}},
		{"a number on one side", []Neighbour{{"a", "p1", "b", "p2"}, {"b", "p2", "a", "517"}}, []ProposedLink{{A: "a", AInterface: "p1", B: "b", BInterface: "p2"}}},
		{"two links, addresses on one side", []Neighbour{
			{"a", "p1", "b", "02:00:5e:00:53:01"}, {"a", "p2", "b", "02:00:5e:00:53:02"}, {"b", "q1", "a", "p1"}, {"b", "q2", "a", "p2"},
		}, []ProposedLink{{A: "a", AInterface: "p1", B: "b", BInterface: "q1"}, {A: "a", AInterface: "p2", B: "b", BInterface: "q2"}}},
		{"two links and no port at all", []Neighbour{{"a", "p1", "b", ""}, {"a", "p2", "b", ""}, {"b", "q1", "a", ""}}, []ProposedLink{
			{A: "a", AInterface: "", B: "b", BInterface: "q1", OneSided: true, HeardBy: "b"},
			{A: "a", AInterface: "p1", B: "b", OneSided: true, HeardBy: "a"}, {A: "a", AInterface: "p2", B: "b", OneSided: true, HeardBy: "a"},
		}},
	} {
		for range 2 {
			if got := ProposeLinks(known, c.heard); !reflect.DeepEqual(got, c.want) {
				t.Errorf("%s: got %+v\nwant %+v", c.name, got, c.want)
			}
			slices.Reverse(c.heard)
		}
	}
}

func FuzzReaders(f *testing.F) {
	f.Add(threeNodes)
	f.Add(small)
	f.Add("arc,link,src,dst,weight,capacity\n0,L0,a,b,1,10\n")
	f.Add("src,dst,volume\na,b,1e3\nx,y,0\n")
	f.Add("link,src,dst,weight,capacity\nL0,a,b,1,10Gbps\nL0,b,a,1,0.5Mbps\n")
	f.Add("device,interface,in,out\na,p1,2,1Gbps\n")
	f.Add("?SNDlib\nMETA ( granularity = 5min time = 20040301-0005 )\nDEMANDS ( d ( a b ) 1 2 UNLIMITED )\n")
	f.Add(smallFleet)
	f.Add(`<graphml><key id="d0" for="node" attr.name="label"/><graph edgedefault="directed"><node id="0"><data key="d0">x</data></node><node id="1"/><edge source="0" target="1"/></graph></graphml>`)
	f.Fuzz(func(t *testing.T, src string) {
		d := Defaults{Capacity: 1}
		for name, read := range map[string]func(io.Reader) (Topology, error){
			"json":    func(r io.Reader) (Topology, error) { return ReadRFC8345("f", r, "", d) },
			"graphml": func(r io.Reader) (Topology, error) { return ReadGraphML("f", r, d) },
			"arcs":    func(r io.Reader) (Topology, error) { return ReadArcs("f", r) },
			"demands": func(r io.Reader) (Topology, error) {
				demands, err := ReadDemands("f", r, square())
				if _, failed := New(square(), demands); err == nil && failed != nil {
					t.Errorf("demands: accepted what cannot be built: %v", failed)
				}
				return Topology{}, err
			},
			"any": func(r io.Reader) (Topology, error) {
				top, demands, _, err := ReadTopology("f", r, Reading{Rate: 1})
				if _, failed := New(top, demands); err == nil && failed != nil {
					t.Errorf("any format: accepted demands that cannot be built: %v", failed)
				}
				return top, err
			},
			"matrix": func(r io.Reader) (Topology, error) {
				m, err := ReadSNDlibMatrix("f", r, square())
				if _, failed := New(square(), m.Demands); err == nil && failed != nil {
					t.Errorf("matrix: accepted what cannot be built: %v", failed)
				}
				return Topology{}, err
			},
			"ports": func(r io.Reader) (Topology, error) {
				_, err := ReadPortRates("f", r, 1)
				return Topology{}, err
			},
			"sndlib": func(r io.Reader) (Topology, error) { top, _, err := ReadSNDlib("f", r, d); return top, err },
		} {
			top, err := read(strings.NewReader(src))
			if err != nil {
				continue
			}
			if _, err := New(top, nil); err != nil {
				t.Errorf("%s: accepted what cannot be built: %v", name, err)
			}
		}
	})
}

// Spreadsheets begin a file with a byte-order mark, or save it in UTF-16; XML may
// be in any encoding that it names. Source: Unicode 15 §23.8; XML 1.0 §4.3.3.
func TestBeginningsOfFiles(t *testing.T) {
	const (
		snd  = "?SNDlib native format; type: network; version: 1.0\nNODES (\n A ( 1 2 )\n B ( 3 4 )\n)\nLINKS (\n L1 ( A B ) 10 0 0 0 ( )\n)\nDEMANDS (\n D1 ( A B ) 1 5 UNLIMITED\n)\n"
		arcs = "\"link\",src,dst,weight,capacity\nL1,A,B,1,10\nL1,B,A,1,10\n"
		gml  = "<?xml version=\"1.0\" encoding=\"utf-8\"?><graphml><key id=\"k\" attr.name=\"label\"/><graph edgedefault=\"undirected\"><node id=\"0\"><data key=\"k\">A</data></node><node id=\"1\"><data key=\"k\">B</data></node><edge source=\"0\" target=\"1\"/></graph></graphml>"
	)
	for _, text := range []string{snd, arcs, gml, threeNodes} {
		want, _, _, err := ReadTopology("t", strings.NewReader(text), Reading{Unit: 1, Defaults: Defaults{Capacity: 10}})
		if err != nil {
			t.Fatal(err)
		}
		for _, begins := range []string{"\ufeff", "\n"} {
			if got, _, _, err := ReadTopology("t", strings.NewReader(begins+text), Reading{Unit: 1, Defaults: Defaults{Capacity: 10}}); err != nil && (begins == "\ufeff" || text != gml) || err == nil && !reflect.DeepEqual(got, want) {
				t.Errorf("%q before %.20q: got %v %v", begins, text, got, err)
			}
		}
		wide := "\xff\xfe"
		for _, r := range text {
			wide += string([]byte{byte(r), byte(r >> 8)})
		}
		var p document.Problem
		if _, _, _, err := ReadTopology("t.csv", strings.NewReader(wide), Reading{}); !errors.As(err, &p) || !strings.Contains(p.Found, "UTF-16") {
			t.Errorf("%.20q in UTF-16: got %v", text, err)
		}
	}
	top, _, _, err := ReadTopology("t", strings.NewReader(snd), Reading{})
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{snd, "src,dst,volume\nA,B,5\n"} {
		d, err := ReadDemandFile("d", strings.NewReader("\ufeff"+text), top)
		if err != nil || len(d) != 1 || d[0].Volume != 5 {
			t.Errorf("%.20q: got %v %v", text, d, err)
		}
		if _, err := ReadDemandFile("d", strings.NewReader("\xff\xfe"+text), top); err == nil || !strings.Contains(err.Error(), "UTF-16") {
			t.Errorf("%.20q: got %v", text, err)
		}
	}
	latin := strings.NewReplacer("utf-8", "ISO-8859-1", ">A<", ">M\xfchle<").Replace(gml)
	if top, err := ReadGraphML("t", strings.NewReader(latin), Defaults{Capacity: 10}); err != nil || top.Nodes[0].Name != "Mühle" {
		t.Errorf("got %v %v", top.Nodes, err)
	}
	if _, err := ReadGraphML("t", strings.NewReader(strings.Replace(gml, "utf-8", "abacus", 1)), Defaults{Capacity: 10}); err == nil || !strings.Contains(err.Error(), `t:1:1: encoding: "abacus"; want UTF-8`) {
		t.Errorf("got %v", err)
	}
}
