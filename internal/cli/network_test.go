package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"towpath/internal/app"
	"towpath/internal/state"
	"towpath/internal/unit"
)

const osterWorkspace = "--workspace=../../examples/ostermoor"

// folder writes files and returns where.
func folder(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, body := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

const (
	// Two ways from a to b; from c to b one only.
	ways = "link,src,dst,weight,capacity\nax,a,x,1,10Gbps\nax,x,a,1,10Gbps\nay,a,y,1,10Gbps\nay,y,a,1,10Gbps\n" +
		"xb,x,b,1,10Gbps\nxb,b,x,1,10Gbps\nyb,y,b,1,10Gbps\nyb,b,y,1,10Gbps\n"
	wayDemands = "name,src,dst,volume\npumps,a,b,12Gbps\n"
	waySeries  = "time,src,dst,volume\n2026-03-02T21:00:00Z,a,b,12Gbps\n2026-03-02T22:00:00Z,a,b,8Gbps\n2026-03-02T23:00:00Z,a,b,7Gbps\n"
	graphML    = `<graphml><key id="d1" for="node" attr.name="label"/><graph edgedefault="undirected">
<node id="0"><data key="d1">a</data></node><node id="1"><data key="d1">b</data></node>
<edge source="0" target="1"/></graph></graphml>`
	sndlib = "?SNDlib native format; type: network; version: 1.0\nNODES ( a ( 0 0 ) b ( 1 1 ) )\nLINKS ( L1 ( a b ) 40 0 0 0 ( ) )\nDEMANDS ( D1 ( a b ) 1 50 UNLIMITED )\n"
	yang   = `{"ietf-network:networks": {"network": [{"network-id": "n", "node": [{"node-id": "a"}, {"node-id": "b"}],
 "ietf-network-topology:link": [{"link-id": "ab", "source": {"source-node": "a"}, "destination": {"dest-node": "b"}}]}]}}`
)

// fits reports lines that are wider than a terminal.
func fits(t *testing.T, out string) {
	t.Helper()
	for line := range strings.Lines(out) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > width {
			t.Errorf("%d columns wide: %s", n, line)
		}
	}
}

// Source: worked by hand. Each way carries 6 of 10; with x drained y carries 12.
func TestWhatifAnswersInWords(t *testing.T) {
	dir := folder(t, map[string]string{"net.csv": ways, "d.csv": wayDemands, "w.csv": waySeries, "c.csv": "kind,element,rate\narc,0,6Gbps\narc,2,6Gbps\nin,a,12Gbps\nout,b,12Gbps\n",
		"g.graphml": graphML, "s.txt": sndlib, "y.json": yang, "plain.csv": "src,dst,volume\na,b,5\n"})
	at := func(name string) string { return filepath.Join(dir, name) }
	net := []string{"whatif", "--topology", at("net.csv")}
	for _, c := range []struct {
		name string
		args []string
		want int
		says []string
	}{
		{"nothing out", append(net, "--demands", at("d.csv"), "--also-fail", "none"), ExitDone, []string{"HOLDS  with nothing out", "60.0 %"}},
		{"overload", append(net, "--demands", at("d.csv"), "--drain", "x", "--also-fail", "none"), ExitVerdict,
			[]string{"DOES NOT HOLD  with x drained", "a to y (2) is used to 120.0 %, limit 100.0 %", "! 120.0 %", "12Gbps  of 10Gbps", "hangs on ay, yb"}},
		{"higher limit", append(net, "--demands", at("d.csv"), "--drain", "x", "--also-fail", "none", "--limit", "120%"), ExitDone, []string{"HOLDS", "limit 120.0 %"}},
		{"one more failure", append(net, "--demands", at("d.csv"), "--drain", "x", "--limit", "2"), ExitVerdict, []string{"2 of 4 further failures would cut demand off", "cuts off 1 demand, 12Gbps"}},
		{"as with nothing out", append(net, "--demands", at("d.csv"), "--limit", "110%"), ExitVerdict, []string{"4 of 4 further failures would load a link above 110.0 %, as with nothing out", "makes none of this worse"}},
		{"no groups", append(net, "--demands", at("d.csv"), "--also-fail", "group"), ExitDone, []string{"nothing of the kind group can fail"}},
		{"switched off", append(net, "--demands", at("d.csv"), "--remove", "a", "--also-fail", "none"), ExitVerdict, []string{"a switched off", "1 demand is not carried", "endpoint removed"}},
		{"a link down", append(net, "--demands", at("d.csv"), "--fail-link", "ax", "--also-fail", "none"), ExitVerdict, []string{"with ax down", "120.0 %"}},
		{"last resort", append(net, "--demands", at("d.csv"), "--drain", "x", "--style", "last-resort", "--also-fail", "none"), ExitVerdict, []string{"x drained to a last resort"}},
		{"growth", append(net, "--demands", at("d.csv"), "--growth", "+50%", "--also-fail", "none"), ExitDone, []string{"90.0 %"}},
		{"band", append(net, "--demands", at("d.csv"), "--growth", "1.5", "--band", "20%", "--also-fail", "none"), ExitVerdict, []string{"MAY NOT HOLD", "90.0 % (72.0 to 108.0 %)"}},
		{"series", append(net, "--demands", at("w.csv"), "--from", "2026-03-02T22:00:00Z", "--drain", "x", "--also-fail", "none"), ExitDone, []string{"80.0 %", "each demand at its own peak over 2 samples"}},
		{"counters", append(net, "--counters", at("c.csv"), "--also-fail", "none"), ExitDone, []string{"60.0 %", "estimated from the interface counters", "leaves 0.00 % of the counted rates unexplained"}},
		{"GraphML", []string{"whatif", "--topology", at("g.graphml"), "--capacity", "10Gbps", "--demands", at("plain.csv"), "--unit", "1Gbps", "--also-fail", "none"}, ExitDone, []string{"50.0 %", "has no metrics: links have the metric 1", "a link has 10Gbps"}},
		{"SNDlib", []string{"whatif", "--topology", at("s.txt"), "--also-fail", "none"}, ExitVerdict, []string{"125.0 %", "the demands of " + at("s.txt")}},
		{"RFC 8345", []string{"whatif", "--topology", at("y.json"), "--capacity", "10Gbps", "--demands", at("plain.csv"), "--unit", "1Gbps", "--also-fail", "none"}, ExitDone, []string{"50.0 %"}},

		{"no capacity", []string{"whatif", "--topology", at("g.graphml"), "--demands", at("plain.csv")}, ExitUsage, []string{"g.graphml:3:1: edge[0]: no LinkSpeedRaw", "hint: --capacity 10Gbps"}},
		{"no unit", []string{"whatif", "--topology", at("g.graphml"), "--capacity", "10Gbps", "--demands", at("plain.csv")}, ExitUsage, []string{`plain.csv:2:5: volume: "5" without a unit`, "hint: --unit 1Mbps"}},
		{"no demands", net, ExitUsage, []string{"demands: found none"}},
		{"no such file", append(net, "--demands", at("nowhere")), ExitUsage, []string{"nowhere"}},
		{"unknown device", append(net, "--demands", at("d.csv"), "--drain", "xx"), ExitUsage, []string{`drain of "xx", which is not in the topology`}},
		{"unknown link", append(net, "--demands", at("d.csv"), "--fail-link", "axx"), ExitUsage, []string{`did you mean "ax"?`}},
		{"wrong style", append(net, "--demands", at("d.csv"), "--drain", "x", "--style", "soft"), ExitUsage, []string{`found "soft", want strict or last-resort`}},
		{"wrong limit", append(net, "--demands", at("d.csv"), "--limit", "-3"), ExitUsage, []string{"--limit is"}},
		{"wrong failure", append(net, "--demands", at("d.csv"), "--also-fail", "rack"), ExitUsage, []string{"want link, node, group, member or none"}},
		{"none and link", append(net, "--demands", at("d.csv"), "--also-fail", "none,link"), ExitUsage, []string{"want none alone"}},
		{"wrong capacity", []string{"whatif", "--topology", at("g.graphml"), "--capacity", "much"}, ExitUsage, []string{"--capacity is"}},
		{"wrong growth", append(net, "--growth", "-1"), ExitUsage, []string{"--growth is"}},
		{"wrong method", append(net, "--method", "magic"), ExitUsage, []string{"--method is"}},
		{"wrong instant", append(net, "--from", "noon"), ExitUsage, []string{"--from is"}},
		{"format not told", []string{"whatif", "--topology", at("d.csv")}, ExitUsage, []string{"d.csv:1:1: link: there is no such column"}},
	} {
		status, out, errOut := command(t, nil, c.args...)
		if status != c.want {
			t.Errorf("%s: got status %d, want %d\n%s%s", c.name, status, c.want, out, errOut)
		}
		fits(t, out)
		said := strings.Join(strings.Fields(out+errOut), " ")
		for _, want := range c.says {
			if !strings.Contains(said, strings.Join(strings.Fields(want), " ")) {
				t.Errorf("%s: got %s\nwant %q in it", c.name, out+errOut, want)
			}
		}
	}
}

func TestWhatifOfTheExample(t *testing.T) {
	picture := filepath.Join(t.TempDir(), "n.svg")
	status, out, errOut := command(t, nil, "whatif", osterWorkspace, "--drain", "mere-agg-1,ost-core-1", "--also-fail", "link,node,group,member", "--limit", "85%", "--picture", picture)
	if status != ExitVerdict {
		t.Fatalf("got status %d: %s", status, errOut)
	}
	fits(t, out)
	for _, want := range []string{"mere-agg-1 drained; ost-core-1 drained to a last resort", "node   mere-agg-2", "group  Mere feed B", "too few left in mere-agg", "hangs on", "picture: "} {
		if !strings.Contains(out, want) {
			t.Errorf("got %s\nwant %q in it", out, want)
		}
	}
	svg, err := os.ReadFile(picture)
	if err != nil || !strings.Contains(string(svg), "mere-agg-1 is drained") {
		t.Errorf("got %v, %.200s", err, svg)
	}
	_, out, _ = command(t, nil, "whatif", osterWorkspace, "--drain", "mere-agg-1", "--format", "json")
	var a struct {
		Verdict, Unit, Change string
		Limit                 float64
		Before, After         struct {
			Max float64 `json:"max_utilisation"`
		}
		Arcs     []any
		Failures []any
		Single   []any  `json:"single_path"`
		Source   string `json:"demands_from"`
	}
	if err := json.Unmarshal([]byte(out), &a); err != nil || a.Unit != "bit/s" || a.Verdict != "fails" || a.Limit != 1 || !(a.After.Max > a.Before.Max) || len(a.Arcs) < 24 || len(a.Failures) < 12 || len(a.Single) == 0 || a.Source == "" || a.Change != "mere-agg-1 drained" {
		t.Errorf("got %+v (%v)", a, err)
	}
}

func TestTablesOfAnyTopology(t *testing.T) {
	dir := folder(t, map[string]string{"s.txt": sndlib, "arcs.csv": ways, "demands.csv": wayDemands})
	for _, args := range [][]string{
		{"--topology", filepath.Join(dir, "s.txt")},
		{"--topology", filepath.Join(dir, "arcs.csv"), "--demands", filepath.Join(dir, "demands.csv")},
	} {
		to := filepath.Join(t.TempDir(), "results")
		status, out, errOut := command(t, nil, append([]string{"whatif", "--table", "--out", to}, args...)...)
		if status != ExitDone || strings.Count(out, ".csv") != 3 {
			t.Fatalf("got status %d: %s%s", status, out, errOut)
		}
		b, err := os.ReadFile(filepath.Join(to, "scenarios.csv"))
		if err != nil || !strings.HasPrefix(string(b), "kind,convention,element,max_utilisation,") || strings.Count(string(b), "\n") < 5 {
			t.Errorf("got %s (%v)", b, err)
		}
	}
}

func TestTablesAreWrittenWholeOrNotAtAll(t *testing.T) {
	dir := folder(t, map[string]string{"arcs.csv": ways, "demands.csv": wayDemands})
	to := filepath.Join(dir, "results")
	// The last of the three cannot be opened: a folder has its name.
	if err := os.MkdirAll(filepath.Join(to, "drain_x_linkfail.csv"+partSuffix), 0o755); err != nil { //nolint:gosec // of a test
		t.Fatal(err)
	}
	status, _, errOut := command(t, nil, "whatif", "--table", "--out", to, "--topology", filepath.Join(dir, "arcs.csv"), "--demands", filepath.Join(dir, "demands.csv"))
	left, err := filepath.Glob(filepath.Join(to, "*.csv"))
	if status == ExitDone || !strings.Contains(errOut, "drain_x_linkfail.csv") || len(left) != 0 || err != nil {
		t.Errorf("got status %d, %v left (%v): %s", status, left, err, errOut)
	}
}

func TestSafeHours(t *testing.T) {
	dir := folder(t, map[string]string{"net.csv": ways, "w.csv": waySeries, "d.csv": wayDemands})
	base := []string{"safe-hours", "x", "--topology", filepath.Join(dir, "net.csv"), "--demands", filepath.Join(dir, "w.csv"), "--also-fail", "none"}
	status, out, errOut := command(t, nil, append(base, "--repeat", "day", "--begin", "2026-04-01T00:00:00Z", "--end", "2026-04-02T00:00:00Z", "--zone", "Europe/London")...)
	if status != ExitDone {
		t.Fatalf("got status %d: %s", status, errOut)
	}
	fits(t, out)
	// British summer time is an hour ahead of the winter in which was measured:
	// what held at 22 to 24 h by the wall does so again.
	for _, want := range []string{"x: safe in 2 of 3 samples", "Mon 2026-03-02 22:00 GMT to Tue 2026-03-03 00:00 GMT  (2h0m)", "Wed 2026-04-01 22:00 BST to Thu 2026-04-02 00:00 BST", "120.0 % at Mon 2026-03-02 21:00 GMT"} {
		if !strings.Contains(out, want) {
			t.Errorf("got %s\nwant %q in it", out, want)
		}
	}
	status, out, _ = command(t, nil, append(base, "--format", "json")...)
	var a struct {
		Sets []struct {
			Name    string
			Periods []struct{ From, To time.Time }
			Samples []struct{ Verdict string }
		}
	}
	if err := json.Unmarshal([]byte(out), &a); err != nil || status != ExitDone || len(a.Sets) != 1 || len(a.Sets[0].Periods) != 1 || len(a.Sets[0].Samples) != 3 || a.Sets[0].Samples[0].Verdict != "fails" {
		t.Errorf("got status %d, %s (%v)", status, out, err)
	}
	if status, out, _ := command(t, nil, append(base, "--limit", "10%")...); status != ExitVerdict || !strings.Contains(out, "safe: never") {
		t.Errorf("got status %d, %s", status, out)
	}
	// The same from counters over time.
	counted := "time,kind,element,rate\n"
	for i, v := range []string{"12Gbps", "8Gbps", "7Gbps"} {
		counted += fmt.Sprintf("2026-03-02T%d:00:00Z,in,a,%s\n2026-03-02T%d:00:00Z,out,b,%s\n", 21+i, v, 21+i, v)
	}
	if err := os.WriteFile(filepath.Join(dir, "c.csv"), []byte(counted), 0o600); err != nil {
		t.Fatal(err)
	}
	status, out, errOut = command(t, nil, "safe-hours", "x", "--topology", filepath.Join(dir, "net.csv"), "--counters", filepath.Join(dir, "c.csv"), "--also-fail", "none")
	if status != ExitDone || !strings.Contains(out, "x: safe in 2 of 3 samples") || !strings.Contains(out, "Mon 2026-03-02 22:00 UTC to Tue 2026-03-03 00:00 UTC") {
		t.Errorf("got status %d, %s%s", status, out, errOut)
	}
	status, out, errOut = command(t, nil, "whatif", "--topology", filepath.Join(dir, "net.csv"), "--counters", filepath.Join(dir, "c.csv"), "--also-fail", "none")
	if said := strings.Join(strings.Fields(out), " "); status != ExitDone || !strings.Contains(out, "60.0 %") || !strings.Contains(said, "the busiest of 3 times, 2026-03-02T21:00:00Z") {
		t.Errorf("got status %d, %s%s", status, out, errOut)
	}
	for want, args := range map[string][]string{
		"want a series over time: CSV":   {"safe-hours", "x", "--topology", filepath.Join(dir, "net.csv"), "--demands", filepath.Join(dir, "d.csv")},
		"want all three":                 append(slices.Clone(base), "--repeat", "day"),
		"--zone is":                      append(slices.Clone(base), "--zone", "Narnia"),
		`found "month"`:                  append(slices.Clone(base), "--repeat", "month", "--begin", "2026-04-01T00:00:00Z", "--end", "2026-04-02T00:00:00Z"),
		"want a series over time in one": {"safe-hours", "x"},
	} {
		if status, out, errOut := command(t, nil, args...); status != ExitUsage || !strings.Contains(errOut, want) {
			t.Errorf("%v: got status %d, %s%s; want %s", args, status, out, errOut, want)
		}
	}
}

// captures writes two captures of two devices that hear each other.
func captures(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for i, d := range []string{"mere-agg-1", "mere-agg-2"} {
		other := []string{"mere-agg-2", "mere-agg-1"}[i]
		for k := range 2 {
			octets := state.Some(uint64(k) * 37_500_000_000) // 1 Gbit/s for 300 s
			third := state.Some(uint64(k) * 12_500_000_000)  // two other ways have the same cost
			c := &state.Capture{
				Device: d, TakenAt: time.Date(2026, 3, 2, 21, 5*k, 0, 0, time.UTC), Complete: true,
				Interfaces: []state.Interface{
					{Name: "port-1/0/2", Speed: state.Some(unit.BitRate(100e9)), InOctets: third, OutOctets: third},
					{Name: "port-9/0/0", Speed: state.Some(unit.BitRate(10e9)), InOctets: octets, OutOctets: octets},
					{Name: "port-9/0/9", Speed: state.Some(unit.BitRate(10e9))},
				},
				Adjacencies: []state.Adjacency{
					{Protocol: state.LLDP, Interface: "port-1/0/2", Neighbour: "02:00:5e:00:53:01", Peer: state.Some(other), PeerPort: state.Some("port-1/0/2"), Up: state.Some(true)},
				},
			}
			if i == 0 { // the other end does not hear this one
				c.Adjacencies = append(c.Adjacencies, state.Adjacency{Protocol: state.LLDP, Interface: "port-9/0/9", Neighbour: "02:00:5e:00:53:02", Peer: state.Some(other), PeerPort: state.Some("port-9/0/9"), Up: state.Some(true)})
			}
			c.Sort()
			if err := writeCapture(filepath.Join(dir, fmt.Sprintf("%s-%d.capture", d, k)), c); err != nil {
				t.Fatal(err)
			}
		}
	}
	return dir
}

func TestDiscoverAndEstimateFromCaptures(t *testing.T) {
	dir := captures(t)
	fragment := filepath.Join(t.TempDir(), "links.yaml")
	status, out, errOut := command(t, nil, "fleet", "discover", dir, osterWorkspace, "--fragment", fragment)
	if status != ExitDone {
		t.Fatalf("got status %d: %s", status, errOut)
	}
	fits(t, out)
	for _, want := range []string{
		"2 captured devices; 2 links heard: 1 new, 1 in fleet.yaml, 0 with a stranger; 1 one-sided",
		"mere-agg-1 port-1/0/2 — mere-agg-2 port-1/0/2 100Gbps: known as mere-1-mere-2",
		"mere-agg-1 port-9/0/9 — mere-agg-2 port-9/0/9 10Gbps: new; ONE-SIDED: heard by mere-agg-1 only",
		"no capture of: ost-core-1",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("got %s\nwant %q in it", out, want)
		}
	}
	if b, err := os.ReadFile(fragment); err != nil || !strings.Contains(string(b), "- id: mere-agg-1-mere-agg-2") {
		t.Errorf("got %s (%v)", b, err)
	}
	if status, out, _ := command(t, nil, "fleet", "discover", dir, osterWorkspace, "--format", "json"); status != ExitDone || !strings.Contains(out, `"one_sided": true`) {
		t.Errorf("got %s", out)
	}
	if status, out, _ := command(t, nil, "fleet", "discover", dir, osterWorkspace, "--fragment", "-"); status != ExitDone || !strings.HasPrefix(out, "# Links that LLDP neighbours of 2 devices imply") {
		t.Errorf("got %s", out)
	}

	demands := filepath.Join(t.TempDir(), "d.csv")
	status, out, errOut = command(t, nil, "estimate", osterWorkspace, "--captures", dir, "-o", demands)
	if status != ExitDone {
		t.Fatalf("got status %d: %s", status, errOut)
	}
	fits(t, out)
	// Source: by hand. 1 Gbit/s enters and leaves at each of the two.
	for _, want := range []string{"2 demands, 2Gbps together", "mere-agg-1 to mere-agg-2", "leaves 0.00 %", "no counters of the devices ost-core-1", "written: "} {
		if !strings.Contains(out, want) {
			t.Errorf("got %s\nwant %q in it", out, want)
		}
	}
	// Other commands read what it writes.
	if status, out, errOut := command(t, nil, "whatif", osterWorkspace, "--demands", demands, "--also-fail", "none"); status != ExitDone || !strings.Contains(out, "333.3Mbps  of 100Gbps") {
		t.Errorf("got status %d, %s%s", status, out, errOut)
	}
	if status, out, _ := command(t, nil, "whatif", osterWorkspace, "--captures", dir, "--also-fail", "none", "--format", "json"); status != ExitDone || !strings.Contains(out, `"prior_misfit"`) {
		t.Errorf("got status %d, %s", status, out)
	}
	for want, args := range map[string][]string{
		"want one of them":             {"estimate", osterWorkspace},
		"towpath capture DEVICE -o":    {"fleet", "discover", osterWorkspace},
		"want two captures of each":    {"estimate", osterWorkspace, "--captures", filepath.Join(dir, "mere-agg-1-0.capture")},
		"nowhere":                      {"fleet", "discover", "/nowhere", osterWorkspace},
		"want a capture, or a folder":  {"estimate", osterWorkspace, "--captures", "/nowhere"},
		"no file in this folder":       {"estimate", osterWorkspace, "--captures", t.TempDir()},
		"as towpath capture writes it": {"fleet", "discover", osterWorkspace, demands},
	} {
		status, _, errOut := command(t, &shelf{}, args...)
		if status != ExitUsage || !strings.Contains(errOut, want) {
			t.Errorf("%v: got status %d, %s; want %s", args, status, errOut, want)
		}
	}
	if _, err := app.SavedCaptures(t.Context(), &shelf{}); err != nil && !errors.Is(err, app.ErrNoRun) {
		t.Error(err)
	}
}
