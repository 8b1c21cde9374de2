package app

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// memory is files in memory; a name that ends in / is a folder.
type memory fstest.MapFS

func (m memory) Open(name string) (io.ReadCloser, error) { return fstest.MapFS(m).Open(name) }

func (m memory) List(name string) (names []string, ok bool, err error) {
	info, err := fs.Stat(fstest.MapFS(m), name)
	if err != nil || !info.IsDir() {
		return nil, false, err
	}
	entries, err := fs.ReadDir(fstest.MapFS(m), name)
	for _, e := range entries {
		names = append(names, name+"/"+e.Name())
	}
	return names, true, err
}

func example(t *testing.T) *fleet.Fleet {
	t.Helper()
	src, err := os.ReadFile("../../examples/ostermoor/fleet.yaml")
	if err != nil {
		t.Fatal(err)
	}
	f, err := fleet.Read("fleet.yaml", src)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

var evening = time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)

// watched are two captures of every device, five minutes apart, whose counters
// are those of the fleet's own demands, and whose LLDP neighbours are its links.
func watched(t *testing.T, f *fleet.Fleet) []*state.Capture {
	t.Helper()
	n, err := network.FromFleet(f, network.FleetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	load := map[string]float64{}
	loads := n.Intact().Loads()
	for i, a := range n.Arcs() {
		load[a.ID] = loads[i]
	}
	type port struct{ in, out, speed float64 }
	ports := map[fleet.Endpoint]port{}
	neighbours := map[fleet.DeviceID][]state.Adjacency{}
	hear := func(a, b fleet.Endpoint) {
		neighbours[a.Device] = append(neighbours[a.Device], state.Adjacency{
			Protocol: state.LLDP, Interface: a.Interface, Neighbour: "02:00:5e:00:53:01", Up: state.Some(true),
			Peer: state.Some(string(b.Device) + ".ostermoor.example"), PeerPort: state.Some(b.Interface),
		})
	}
	for _, l := range f.Links {
		ports[l.A] = port{load[l.ID+"<"], load[l.ID+">"], float64(l.Capacity)}
		ports[l.B] = port{load[l.ID+">"], load[l.ID+"<"], float64(l.Capacity)}
		hear(l.A, l.B)
		hear(l.B, l.A)
	}
	for _, x := range f.Attachments {
		for _, e := range x.At {
			link := x.Name + "~" + string(e.Device)
			ports[e] = port{load[link+">"], load[link+"<"], 10e9}
		}
	}
	for _, d := range f.Demands { // what begins and ends at devices themselves
		for k, id := range []fleet.DeviceID{d.From, d.To} {
			if _, ok := f.Device(id); ok {
				e := fleet.Endpoint{Device: id, Interface: "port-9/0/0"}
				p := ports[e]
				if k == 0 {
					p.in += float64(d.Rate)
				} else {
					p.out += float64(d.Rate)
				}
				p.speed = 100e9
				ports[e] = p
			}
		}
	}
	var out []*state.Capture
	for _, d := range f.Devices {
		for k := range 2 {
			c := &state.Capture{Device: string(d.ID), TakenAt: evening.Add(time.Duration(k) * 5 * time.Minute), Complete: true, Adjacencies: neighbours[d.ID]}
			for e, p := range ports {
				if e.Device == d.ID {
					c.Interfaces = append(c.Interfaces, state.Interface{
						Name: e.Interface, Speed: state.Some(unit.BitRate(p.speed)),
						InOctets: state.Some(1000 + uint64(k)*uint64(p.in*300/8)), OutOctets: state.Some(5000 + uint64(k)*uint64(p.out*300/8)),
					})
				}
			}
			c.Sort()
			out = append(out, c)
		}
	}
	return out
}

func store(t *testing.T, captures []*state.Capture) memory {
	t.Helper()
	m := memory{}
	for i, c := range captures {
		var b bytes.Buffer
		if err := state.Encode(&b, c); err != nil {
			t.Fatal(err)
		}
		m[fmt.Sprintf("night/%02d.capture", i)] = &fstest.MapFile{Data: b.Bytes()}
	}
	return m
}

// Source: the counters of every interface are computed from the demands of the
// example; the estimate sees the counters alone. The loads must come back, and
// the sums at every node. (Demands are not unique; loads are.)
func TestDemandsAreEstimatedFromCaptures(t *testing.T) {
	f := example(t)
	want, err := network.FromFleet(f, network.FleetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	captures := watched(t, f)
	c, err := LoadNetwork(f, NetworkSpec{Captures: []string{"night"}, Growth: 1.5}, store(t, captures))
	if err != nil {
		t.Fatal(err)
	}
	got, truth := c.Network.Intact().Loads(), want.Intact().Loads()
	for i, a := range c.Network.Arcs() {
		if math.Abs(got[i]-1.5*truth[i]) > 1e-3*max(1e8, truth[i]) {
			t.Errorf("%s: got load %.4g, want %.4g", a.ID, got[i], 1.5*truth[i])
		}
	}
	if c.Estimation == nil || c.Estimation.Misfit > 1e-3 || c.Estimation.Misfit > c.Estimation.PriorMisfit {
		t.Errorf("got misfit %+v", c.Estimation)
	}
	if len(c.Notes) != 0 {
		t.Errorf("got notes %q, want none", c.Notes)
	}
	// The error of the estimate goes into the verdict: the loads of the drained
	// network are not counted anywhere.
	drains, err := c.Drains([]string{"mere-agg-1", "ost-core-1"}, "")
	if err != nil || drains[0].How != network.NoTransit || drains[1].How != network.MaxMetric {
		t.Errorf("got %v (%v)", drains, err)
	}
	ask := func(limit float64) *network.Answer {
		a, err := c.Network.WhatIf(network.Question{Change: network.Change{Drains: drains}, Limit: limit, Estimation: c.Estimation})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	a := ask(1)
	if a.Verdict != network.Holds || !(a.Least < a.After.MaxUtilisation && a.After.MaxUtilisation < a.Most) {
		t.Errorf("got %v, %v to %v about %v", a.Verdict, a.Least, a.Most, a.After.MaxUtilisation)
	}
	if b := ask((a.After.MaxUtilisation + a.Most) / 2); b.Verdict != network.Uncertain {
		t.Errorf("inside the band: got %v", b.Verdict)
	}
	if b := ask((a.After.MaxUtilisation + a.Least) / 2); b.Verdict != network.Uncertain {
		t.Errorf("inside the band, above: got %v", b.Verdict)
	}
	if b := ask(a.Least * 0.99); b.Verdict != network.Fails {
		t.Errorf("below the band: got %v", b.Verdict)
	}

	// What cannot be used is said.
	last := captures[len(captures)-1]
	for i := range last.Interfaces {
		last.Interfaces[i].InOctets = state.Some[uint64](0)
	}
	_, notes, err := PortRates(captures)
	if err != nil || !slices.ContainsFunc(notes, func(s string) bool { return strings.Contains(s, "the counters went back") }) {
		t.Errorf("got %q (%v)", notes, err)
	}
	if _, _, err := PortRates(captures[:1]); !errors.Is(err, network.ErrInvalid) || !strings.Contains(err.Error(), "want two captures of each device") {
		t.Errorf("got %v", err)
	}
	if _, err := ReadCaptures(memory{"x": {Data: []byte("no capture")}}, []string{"x"}); err == nil || !strings.Contains(err.Error(), "x: ") {
		t.Errorf("got %v", err)
	}
}

// Source: worked by hand. One 10 Gbit/s way each by x and by y; 8 Gbit/s fit on
// one of them, 12 do not.
const (
	twoWays = "link,src,dst,weight,capacity\nax,a,x,1,10Gbps\nax,x,a,1,10Gbps\nay,a,y,1,10Gbps\nay,y,a,1,10Gbps\n" +
		"xb,x,b,1,10Gbps\nxb,b,x,1,10Gbps\nyb,y,b,1,10Gbps\nyb,b,y,1,10Gbps\n"
	twoDays = "time,src,dst,volume\n2026-03-02T21:00:00Z,a,b,12Gbps\n2026-03-02T22:00:00Z,a,b,8Gbps\n2026-03-02T23:00:00Z,a,b,7Gbps\n" +
		"2026-03-03T21:00:00Z,a,b,11Gbps\n2026-03-03T22:00:00Z,a,b,9Gbps\n2026-03-03T23:00:00Z,a,b,12Gbps\n"
)

func TestSeriesGiveHoursAndPeaks(t *testing.T) {
	files := memory{"net.csv": {Data: []byte(twoWays)}, "week.csv": {Data: []byte(twoDays)}}
	spec := NetworkSpec{Topology: "net.csv", Demands: "week.csv"}
	load := func(s NetworkSpec) *Carried {
		t.Helper()
		c, err := LoadNetwork(nil, s, files)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	c := load(spec)
	if got := c.Network.Demands()[0].Volume; got != 12e9 {
		t.Errorf("got peak %v, want 12e9", got)
	}
	spec.From, spec.Until, spec.Growth = evening.Add(time.Hour), evening.Add(24*time.Hour), 1.1
	if got := load(spec); len(got.Samples) != 2 || math.Abs(got.Network.Demands()[0].Volume-8.8e9) > 1 {
		t.Errorf("got %d samples, peak %v; want 2, 8.8e9", len(got.Samples), got.Network.Demands()[0].Volume)
	}
	safe, err := c.SafeTimes([][]string{{"x"}, {"x", "y"}}, "", network.Question{})
	if err != nil {
		t.Fatal(err)
	}
	at := func(day, hour int) time.Time { return time.Date(2026, 3, day, hour, 0, 0, 0, time.UTC) }
	if want := []network.Period{{From: at(2, 22), To: at(3, 0)}, {From: at(3, 22), To: at(3, 23)}}; !slices.Equal(safe[0].Periods, want) {
		t.Errorf("got %v, want %v", safe[0].Periods, want)
	}
	if len(safe[1].Periods) != 0 || safe[1].Name != "x, y" {
		t.Errorf("got %v, want nothing with both ways drained", safe[1].Periods)
	}
	// Every day like those measured: 22 h held on both days, 23 h on one.
	daily, err := safe[0].Recurring(network.Daily, time.UTC, at(9, 0), at(11, 0))
	if want := []network.Period{{From: at(9, 22), To: at(9, 23)}, {From: at(10, 22), To: at(10, 23)}}; err != nil || !slices.Equal(daily, want) {
		t.Errorf("got %v (%v), want %v", daily, err, want)
	}
	// Mondays as the Monday measured; of other days nothing is known.
	weekly, err := safe[0].Recurring(network.Weekly, time.UTC, at(9, 22).Add(30*time.Minute), at(16, 0))
	if want := []network.Period{{From: at(9, 22).Add(30 * time.Minute), To: at(10, 0)}, {From: at(10, 22), To: at(10, 23)}}; err != nil || !slices.Equal(weekly, want) {
		t.Errorf("got %v (%v), want %v", weekly, err, want)
	}
	if _, err := safe[0].Recurring("month", time.UTC, at(9, 0), at(10, 0)); !errors.Is(err, network.ErrInvalid) {
		t.Errorf("got %v", err)
	}
	for want, s := range map[string]NetworkSpec{
		"week.csv: no sample in the period": {Topology: "net.csv", Demands: "week.csv", From: at(20, 0)},
		"one of demands, counters":          {Topology: "net.csv", Demands: "week.csv", Counters: "x"},
		"nowhere.csv":                       {Topology: "net.csv", Demands: "nowhere.csv"},
		"demands: found none":               {Topology: "net.csv"},
		"only fleet.yaml lays on links":     {Topology: "net.csv", Captures: []string{"x"}},
		"growth: found -1":                  {Topology: "net.csv", Demands: "week.csv", Growth: -1},
	} {
		if _, err := LoadNetwork(nil, s, files); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	one, err := LoadNetwork(nil, NetworkSpec{Topology: "net.csv", Demands: "one.csv"}, memory{"net.csv": files["net.csv"], "one.csv": {Data: []byte("src,dst,volume\na,b,1Gbps\n")}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := one.SafeTimes([][]string{{"x"}}, "", network.Question{}); !errors.Is(err, network.ErrInvalid) {
		t.Errorf("got %v", err)
	}
	if _, err := one.Drains([]string{"x"}, "gently"); !errors.Is(err, network.ErrInvalid) {
		t.Errorf("got %v", err)
	}
}

// What was not measured at some time is not 0: a demand is taken at its peak, and
// a time for which an end was not counted is left out; both are said. Worked by
// hand.
func TestWhatASeriesDoesNotNameIsNotNothing(t *testing.T) {
	const c = "time,kind,element,rate\n2026-03-01T01:00:00Z,in,a,4Gbps\n2026-03-01T01:00:00Z,out,b,4Gbps\n" +
		"2026-03-01T02:00:00Z,out,b,9Gbps\n2026-03-01T03:00:00Z,in,a,2Gbps\n2026-03-01T03:00:00Z,out,b,2Gbps\n"
	files := memory{
		"net.csv": {Data: []byte(twoWays)}, "c.csv": {Data: []byte(c)},
		"d.csv": {Data: []byte("time,src,dst,volume\n2026-03-01T01:00:00Z,a,b,3Gbps\n2026-03-01T01:00:00Z,b,a,1Gbps\n2026-03-01T02:00:00Z,a,b,2Gbps\n2026-03-01T03:00:00Z,b,a,0Gbps\n")},
	}
	x, err := LoadNetwork(nil, NetworkSpec{Topology: "net.csv", Demands: "d.csv", Growth: 2}, files)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][]float64{{6e9, 2e9}, {4e9, 2e9}, {6e9, 0}} {
		if !slices.Equal(x.Samples[i].Volumes, want) {
			t.Errorf("sample %d: got %v, want %v", i, x.Samples[i].Volumes, want)
		}
	}
	if want := "d.csv has no value for 2 demands at 2 times, the first that from b to a at 2026-03-01T02:00:00Z: "; len(x.Notes) != 1 || !strings.HasPrefix(x.Notes[0], want) {
		t.Errorf("got notes %q, want %s", x.Notes, want)
	}
	x, err = LoadNetwork(nil, NetworkSpec{Topology: "net.csv", Counters: "c.csv"}, files)
	if err != nil {
		t.Fatal(err)
	}
	if len(x.Samples) != 2 || x.Samples[0].At.Hour() != 1 || x.Samples[1].At.Hour() != 3 || x.Samples[0].Length != time.Hour {
		t.Errorf("got %+v, want one and three o'clock", x.Samples)
	}
	if want := "c.csv: left out 1 time of 3, the first 2026-03-01T02:00:00Z, for which there is nothing of in of a: "; len(x.Notes) != 1 || !strings.HasPrefix(x.Notes[0], want) {
		t.Errorf("got notes %q, want %s", x.Notes, want)
	}
	for _, until := range []int{2, 3} {
		_, err = LoadNetwork(nil, NetworkSpec{Topology: "net.csv", Counters: "c.csv", From: time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC), Until: time.Date(2026, 3, 1, until, 0, 0, 0, time.UTC)}, files)
		if want := []string{"no time in the period", "no time for which all was counted"}[until-2]; err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}

// Source: from memory, the dynamic traffic of SNDlib: a file for each period.
func TestMatricesOfAFolderAreASeries(t *testing.T) {
	matrix := func(at, volume string) *fstest.MapFile {
		return &fstest.MapFile{Data: []byte("?SNDlib native format; type: network; version: 1.0\nMETA (\n  granularity = 5min\n  time = " + at + "\n  unit = MBITPERSEC\n)\nNODES ( a ( 1 2 ) b ( 3 4 ) )\nDEMANDS (\n  d1 ( a b ) 1 " + volume + " UNLIMITED\n)\n")}
	}
	files := memory{"net.csv": {Data: []byte(twoWays)}, "tm/2.txt": matrix("20040301-0005", "9000"), "tm/1.txt": matrix("20040301-0000", "11000")}
	c, err := LoadNetwork(nil, NetworkSpec{Topology: "net.csv", Demands: "tm", Reading: network.Reading{Unit: 1e6}}, files)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Samples) != 2 || c.Samples[0].Length != 5*time.Minute || c.Samples[0].Volumes[0] != 11e9 || c.Network.Demands()[0].Volume != 11e9 {
		t.Errorf("got %+v", c.Samples)
	}
	files["tm/3.txt"] = matrix("yesterday", "1")
	if _, err := LoadNetwork(nil, NetworkSpec{Topology: "net.csv", Demands: "tm", Reading: network.Reading{Unit: 1e6}}, files); err == nil || !strings.Contains(err.Error(), `tm/3.txt:4:10: META.time: "yesterday"; want a time such as`) {
		t.Errorf("got %v", err)
	}
	if _, err := LoadNetwork(nil, NetworkSpec{Topology: "net.csv", Demands: "tm"}, files); !errors.Is(err, network.ErrNoUnit) {
		t.Errorf("got %v, want a complaint about the unit", err)
	}
}

func TestLinksAreDiscoveredInCaptures(t *testing.T) {
	f := example(t)
	captures := watched(t, f)
	d := Discover(f, captures)
	if len(d.Links) != len(f.Links) || len(d.Unseen)+len(d.Silent) != 0 || d.Devices != len(f.Devices) {
		t.Fatalf("got %d links of %d, unseen %v, silent %v", len(d.Links), len(f.Links), d.Unseen, d.Silent)
	}
	for _, l := range d.Links {
		if l.Known == "" || l.OneSided || l.Differs != "" && l.Known != "core-1-core-2" {
			t.Errorf("got %+v, want a link that is known", l)
		}
	}
	// Take a link out of the file, an end out of what is heard, a device away,
	// and hear a stranger.
	f.Links = slices.DeleteFunc(f.Links, func(l fleet.Link) bool { return l.ID == "mere-1-mere-2" || l.ID == "dyke-1-mere-1" })
	captures = slices.DeleteFunc(captures, func(c *state.Capture) bool { return c.Device == "dyke-acc-1" })
	for _, c := range captures {
		if c.Device == "mere-agg-2" {
			c.Adjacencies = slices.DeleteFunc(c.Adjacencies, func(a state.Adjacency) bool { return a.Interface == "port-1/0/2" })
		}
		if c.Device == "ost-core-1" {
			c.Adjacencies = append(c.Adjacencies, state.Adjacency{Protocol: state.LLDP, Interface: "port-7/0/0", Neighbour: "x", Peer: state.Some("stranger"), PeerPort: state.Some("1")})
		}
		c.Sort()
	}
	// An aggregate of two members between the cores, whose minimum is two.
	for _, c := range captures {
		if c.Device != "ost-core-1" && c.Device != "ost-core-2" {
			continue
		}
		other := map[string]string{"ost-core-1": "ost-core-2", "ost-core-2": "ost-core-1"}[c.Device]
		c.Aggregates = []state.Aggregate{{Name: "lag-5", MinLinks: state.Some(2)}}
		for _, p := range []string{"port-8/0/0", "port-8/0/1"} {
			c.Interfaces = append(c.Interfaces, state.Interface{Name: p, Aggregate: "lag-5", Speed: state.Some(unit.BitRate(100e9))})
			c.Adjacencies = append(c.Adjacencies, state.Adjacency{Protocol: state.LLDP, Interface: p, Neighbour: "y", Peer: state.Some(other), PeerPort: state.Some(p)})
		}
		c.Sort()
	}
	d = Discover(f, captures)
	of := func(a, b, port string) FoundLink {
		i := slices.IndexFunc(d.Links, func(l FoundLink) bool {
			return string(l.A.Device) == a && string(l.B.Device) == b && l.A.Interface == port
		})
		if i < 0 {
			t.Fatalf("no link %s %s to %s in %+v", a, port, b, d.Links)
		}
		return d.Links[i]
	}
	if l := of("mere-agg-1", "mere-agg-2", "port-1/0/2"); l.Known != "" || !l.OneSided || l.HeardBy != "mere-agg-1" || l.OtherSilent || l.Capacity != 100e9 {
		t.Errorf("got %+v, want a new one-sided link", l)
	}
	if l := of("dyke-acc-1", "mere-agg-1", "port-0/0/1"); l.Known != "" || !l.OneSided || !l.OtherSilent {
		t.Errorf("got %+v, want a new link of which one end is silent", l)
	}
	if l := of("ost-core-1", "ost-core-2", "lag-5"); l.Members != 2 || l.Capacity != 200e9 || l.MinimumLinks != 2 || l.OneSided || len(l.Ports) != 2 {
		t.Errorf("got %+v, want an aggregate", l)
	}
	if l := of("ost-core-1", "stranger", "port-7/0/0"); !l.Unknown || !l.OneSided {
		t.Errorf("got %+v, want a stranger", l)
	}
	if !slices.Equal(d.Silent, []string{"dyke-acc-1"}) || d.Devices != 6 {
		t.Errorf("got %v silent, %d devices", d.Silent, d.Devices)
	}
	// The fragment stands in a fleet file as it is.
	src, err := d.Fragment(f)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := fleet.Marshal(&fleet.Fleet{Operator: f.Operator, Devices: f.Devices})
	if err != nil {
		t.Fatal(err)
	}
	got, err := fleet.Read("fleet.yaml", append(append(whole, '\n'), src...))
	if err != nil {
		t.Fatalf("%v\n%s", err, src)
	}
	var ids []string
	for _, l := range got.Links {
		ids = append(ids, l.ID)
	}
	slices.Sort(ids)
	if want := []string{"dyke-acc-1-mere-agg-1", "mere-agg-1-mere-agg-2", "ost-core-1-ost-core-2"}; !slices.Equal(ids, want) {
		t.Errorf("got links %v, want %v", ids, want)
	}
	for _, want := range []string{"# one-sided: heard by mere-agg-1 only; the other end does not hear it", "there was no capture of the other end", "# ost-core-1 port-7/0/0 to stranger 1: one end is no device of the fleet"} {
		if !strings.Contains(string(src), want) {
			t.Errorf("got %s\nwant %q in it", src, want)
		}
	}
	var p document.Problem
	if _, err := ReadCaptures(memory{}, []string{"nowhere"}); !errors.As(err, &p) {
		t.Errorf("got %v", err)
	}
}
