package app

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// Files opens files by the names that the operator gave.
type Files interface {
	Open(name string) (io.ReadCloser, error)
	// List returns the names of the files in a folder, sorted; ok is false where
	// the name is that of no folder.
	List(name string) (names []string, ok bool, err error)
}

// NetworkSpec says what a network is made of. The zero value is the fleet with
// its demands.
type NetworkSpec struct {
	Topology string // a file in any format of [network.ReadTopology]; empty means the fleet
	Reading  network.Reading
	// At most one of these three gives the demands; where none does, they are
	// those of the fleet or of the topology's file.
	Demands  string   // CSV, SNDlib text, or a series: CSV with a column time, or a folder of SNDlib matrices
	Counters string   // rates of interfaces, from which demands are estimated; a series with a column time
	Captures []string // captures of devices, at least two of each, or folders of them
	Method   network.Method

	// Of a series, the samples that begin from From on and before Until, where
	// those are set; Length is that of a sample of CSV, 0 means their spacing.
	From, Until time.Time
	Length      time.Duration
	// Busiest takes the sample with the largest sum; otherwise each demand has
	// its own peak.
	Busiest bool
	Growth  float64 // multiplies every demand; 0 means 1
}

// Carried is a network with its demands, and where they come from.
type Carried struct {
	Network  *network.Network
	Topology network.Topology
	Fleet    *fleet.Fleet // nil where the topology is of a file
	// Estimation is set where the demands were found from counters, with growth.
	Estimation *network.Estimation
	Samples    []network.Sample // of a series, with growth
	Source     string           // where the demands come from, in words
	Notes      []string         // what was assumed, missing or contradictory
}

// LoadNetwork reads what the specification names. f is the fleet of the
// workspace; it is used where the specification names no topology. Mistakes in
// files are [document.Problems]; others wrap [network.ErrUnknown] or
// [network.ErrInvalid].
func LoadNetwork(f *fleet.Fleet, spec NetworkSpec, files Files) (*Carried, error) {
	l := networkLoader{spec: spec, files: files, out: &Carried{}}
	if n := len(given(spec.Demands, spec.Counters)) + min(1, len(spec.Captures)); n > 1 {
		return nil, fmt.Errorf("%w: found several sources of demands, want one of demands, counters and captures", network.ErrInvalid)
	}
	if spec.Growth < 0 {
		return nil, fmt.Errorf("%w: growth: found %v, want a factor above 0", network.ErrInvalid, spec.Growth)
	}
	demands, err := l.topology(f)
	if err != nil {
		return nil, err
	}
	switch {
	case spec.Demands != "":
		demands, err = l.demands()
	case spec.Counters != "" || len(spec.Captures) > 0:
		return l.out, l.estimate()
	}
	if err != nil {
		return nil, err
	}
	if len(demands) == 0 {
		return nil, fmt.Errorf("%w: demands: found none, want a traffic matrix, counters, or demands in the fleet file", network.ErrInvalid)
	}
	g := l.growth()
	for i := range demands {
		demands[i].Volume *= g
	}
	for _, s := range l.out.Samples {
		for i := range s.Volumes {
			s.Volumes[i] *= g
		}
	}
	l.out.Network, err = network.New(l.out.Topology, demands)
	return l.out, err
}

func given(names ...string) []string {
	return slices.DeleteFunc(slices.Clone(names), func(s string) bool { return s == "" })
}

type networkLoader struct {
	spec  NetworkSpec
	files Files
	out   *Carried
}

func (l *networkLoader) growth() float64 { return cmp.Or(l.spec.Growth, 1) }

func (l *networkLoader) note(format string, args ...any) {
	l.out.Notes = append(l.out.Notes, fmt.Sprintf(format, args...))
}

// read opens a file and hands it to use.
func (l *networkLoader) read(name string, use func(io.Reader) error) (err error) {
	r, err := l.files.Open(name)
	if err != nil {
		return document.Problems{{File: name, Found: err.Error(), Want: "a file that can be read", Err: err}}
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	return use(r)
}

func (l *networkLoader) topology(f *fleet.Fleet) (demands []network.Demand, err error) {
	if l.spec.Topology == "" {
		l.out.Fleet, l.out.Source = f, "the demands of fleet.yaml"
		l.out.Topology, err = network.FleetTopology(f, network.FleetOptions{})
		l.out.Topology.Plain = l.spec.Reading.Unit
		return network.FleetDemands(f), err
	}
	err = l.read(l.spec.Topology, func(r io.Reader) error {
		var format network.Format
		l.out.Topology, demands, format, err = network.ReadTopology(l.spec.Topology, r, l.spec.Reading)
		l.out.Source = "the demands of " + l.spec.Topology
		l.assumed(format)
		return err
	})
	return demands, err
}

// assumed notes what the format of the topology does not say.
func (l *networkLoader) assumed(f network.Format) {
	d := l.spec.Reading.Defaults
	metric := fmt.Sprintf("links have the metric %d", max(1, d.Metric))
	switch f {
	case network.FormatGraphML, network.FormatSNDlib:
		l.note("%s has no metrics: %s", l.spec.Topology, metric)
	case network.FormatRFC8345:
		l.note("where %s has no metric1, %s", l.spec.Topology, metric)
	case network.FormatArcs, network.FormatFleet:
		return
	}
	switch rate := l.spec.Reading.Rate; {
	case d.Capacity > 0:
		l.note("where it has no capacity, a link has %v in each direction", d.Capacity)
	case rate > 0:
		l.note("where it has no capacity, a link has %s in each direction", Volume(rate, network.BitsPerSecond))
	}
}

func (l *networkLoader) demands() ([]network.Demand, error) {
	name := l.spec.Demands
	l.out.Source = name
	inside, folder, err := l.files.List(name)
	if err != nil {
		return nil, document.Problems{{File: name, Found: err.Error(), Want: "a file or folder that can be read", Err: err}}
	}
	if folder {
		return l.matrices(name, inside)
	}
	var demands []network.Demand
	err = l.read(name, func(r io.Reader) error {
		src, err := io.ReadAll(r)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if !network.IsSeries(src) {
			demands, err = network.ReadDemandFile(name, bytes.NewReader(src), l.out.Topology)
			return err
		}
		all, samples, err := network.ReadSeries(name, bytes.NewReader(src), l.out.Topology, time.Hour)
		if err != nil {
			return err
		}
		var at []time.Time
		for _, s := range samples {
			at = append(at, s.At)
		}
		for i := range samples {
			samples[i].Length = cmp.Or(l.spec.Length, spacing(at), time.Hour)
		}
		demands, err = l.series(all, samples)
		return err
	})
	return demands, err
}

func (l *networkLoader) matrices(name string, inside []string) ([]network.Demand, error) {
	var all []network.Matrix
	for _, file := range inside {
		err := l.read(file, func(r io.Reader) error {
			m, err := network.ReadSNDlibMatrix(file, r, l.out.Topology)
			all = append(all, m)
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	if len(all) == 0 {
		return nil, document.Problems{{File: name, Found: "no file in this folder", Want: "a matrix in SNDlib native text for each period"}}
	}
	demands, samples, err := network.JoinMatrices(all)
	if err != nil {
		return nil, err
	}
	return l.series(demands, samples)
}

// series keeps the samples of the period and gives the demands their peak.
func (l *networkLoader) series(demands []network.Demand, samples []network.Sample) ([]network.Demand, error) {
	samples = slices.DeleteFunc(samples, func(s network.Sample) bool { return !l.asked(s.At) })
	if len(samples) == 0 {
		return nil, document.Problems{{File: l.spec.Demands, Found: "no sample in the period asked for", Want: "a period that the series covers"}}
	}
	l.out.Samples = samples
	l.missing(demands, samples)
	last := samples[len(samples)-1]
	period := fmt.Sprintf("%d samples from %s to %s", len(samples), samples[0].At.Format(time.RFC3339), last.At.Add(last.Length).Format(time.RFC3339))
	peak := network.Peak(samples, 1)
	l.out.Source = fmt.Sprintf("%s, each demand at its own peak over %s", l.spec.Demands, period)
	if l.spec.Busiest {
		busiest := samples[network.BusiestSample(samples)]
		peak = busiest.Volumes
		l.out.Source = fmt.Sprintf("%s, the busiest sample, %s, of %s", l.spec.Demands, busiest.At.Format(time.RFC3339), period)
	}
	for i := range demands {
		demands[i].Volume = peak[i]
	}
	return demands, nil
}

// missing notes what was not measured at some time.
func (l *networkLoader) missing(demands []network.Demand, samples []network.Sample) {
	values, times, first := 0, 0, ""
	for _, s := range samples {
		if len(s.Missing) == 0 {
			continue
		}
		if values += len(s.Missing); first == "" {
			d := demands[s.Missing[0]]
			first = fmt.Sprintf("that from %s to %s at %s", d.From, d.To, s.At.Format(time.RFC3339))
		}
		times++
	}
	if values > 0 {
		l.note("%s has no value for %s at %s, the first %s: what was not measured is not known, and is taken at its own peak over all times; write 0 where there was nothing",
			l.spec.Demands, unit.Counted(values, "demand"), unit.Counted(times, "time"), first)
	}
}

// estimate finds the demands from counters.
func (l *networkLoader) estimate() error {
	n, err := network.New(l.out.Topology, nil)
	if err != nil {
		return err
	}
	all, err := l.counted(n)
	if err != nil {
		return err
	}
	// Between any two nodes that send and receive at any time.
	in, out := make([]float64, len(n.Nodes())), make([]float64, len(n.Nodes()))
	for _, c := range all {
		for v := range in {
			in[v], out[v] = in[v]+c.In[v], out[v]+c.Out[v]
		}
	}
	if n, err = network.New(l.out.Topology, n.Candidates(network.Counters{In: in, Out: out})); err != nil {
		return err
	}
	if len(n.Demands()) == 0 {
		return fmt.Errorf("%w: counters: nothing enters or nothing leaves the network; want rows of kind in and out", network.ErrInvalid)
	}
	intact := n.Intact()
	samples := make([]network.Sample, len(all))
	for i, c := range all {
		e, err := intact.Estimate(c.Counters, l.spec.Method)
		if err != nil {
			return err
		}
		e = e.Scaled(l.growth())
		samples[i] = network.Sample{At: c.at, Length: c.length, Volumes: e.Volumes, Estimation: e}
	}
	busiest := samples[network.BusiestSample(samples)]
	l.out.Estimation = busiest.Estimation
	if len(samples) > 1 {
		l.out.Samples = samples
		l.out.Source += fmt.Sprintf(", the busiest of %d times, %s", len(samples), busiest.At.Format(time.RFC3339))
	}
	l.out.Network, err = n.WithVolumes(busiest.Volumes)
	return err
}

// counterSample is counters of one time.
type counterSample struct {
	network.Counters
	at     time.Time
	length time.Duration
	// missing is what else is counted and was not then, in words.
	missing []string
}

// counted reads the counters: of one time, or of several where the file has a
// column time.
func (l *networkLoader) counted(n *network.Network) ([]counterSample, error) {
	if l.spec.Counters == "" {
		c, err := l.captured(n)
		return []counterSample{{Counters: c}}, err
	}
	name := l.spec.Counters
	l.out.Source = "estimated from the interface counters of " + name
	var src []byte
	err := l.read(name, func(r io.Reader) (err error) {
		src, err = io.ReadAll(r)
		return err
	})
	if err != nil {
		return nil, err
	}
	series := network.IsSeries(src)
	var out []counterSample
	if first, _, _ := strings.Cut(string(src), "\n"); strings.Contains(first, "kind") || l.out.Fleet == nil {
		out, err = l.byArc(n, name, src, series)
	} else {
		out, err = l.byPort(n, name, src, series)
	}
	if err != nil || !series {
		return out, err
	}
	return l.whole(name, out)
}

// byArc reads counters by arc and node.
func (l *networkLoader) byArc(n *network.Network, name string, src []byte, series bool) ([]counterSample, error) {
	if !series {
		c, err := n.ReadCounters(name, bytes.NewReader(src))
		return []counterSample{{Counters: c, length: cmp.Or(l.spec.Length, time.Hour)}}, err
	}
	all, err := n.ReadCounterSeries(name, bytes.NewReader(src))
	var out []counterSample
	for _, c := range all {
		if l.asked(c.At) {
			out = append(out, counterSample{Counters: c.Counters, at: c.At, missing: c.Missing})
		}
	}
	return out, err
}

// byPort reads counters by interface, and lays them on the fleet.
func (l *networkLoader) byPort(n *network.Network, name string, src []byte, series bool) ([]counterSample, error) {
	if !series {
		rates, err := network.ReadPortRates(name, bytes.NewReader(src), l.spec.Reading.Unit)
		if err != nil {
			return nil, err
		}
		c, err := l.laid(n, rates)
		return []counterSample{{Counters: c, length: cmp.Or(l.spec.Length, time.Hour)}}, err
	}
	all, err := network.ReadPortRateSeries(name, bytes.NewReader(src), l.spec.Reading.Unit)
	if err != nil {
		return nil, err
	}
	onLink := map[fleet.Endpoint]bool{} // what a link lacks its other end may have counted, or is unknown
	for _, x := range l.out.Fleet.Links {
		onLink[x.A], onLink[x.B] = true, true
	}
	var out []counterSample
	for _, p := range all {
		if !l.asked(p.At) {
			continue
		}
		s := counterSample{at: p.At}
		for _, e := range p.Missing {
			if !onLink[e] {
				s.missing = append(s.missing, e.Interface+" of "+string(e.Device))
			}
		}
		if len(s.missing) == 0 {
			if s.Counters, err = l.laid(n, p.Rates); err != nil {
				return nil, err
			}
		}
		out = append(out, s)
	}
	return out, nil
}

// asked reports whether an instant is in the period asked for.
func (l *networkLoader) asked(t time.Time) bool {
	return (l.spec.From.IsZero() || !t.Before(l.spec.From)) && (l.spec.Until.IsZero() || t.Before(l.spec.Until))
}

// whole leaves out the times for which what enters or leaves the network
// somewhere was not counted: without it there is no estimate of them.
func (l *networkLoader) whole(name string, all []counterSample) ([]counterSample, error) {
	if len(all) == 0 {
		return nil, document.Problems{{File: name, Found: "no time in the period asked for", Want: "a period that the counters cover"}}
	}
	var at []time.Time
	var out []counterSample
	first := ""
	for _, c := range all {
		at = append(at, c.at)
		if len(c.missing) == 0 {
			out = append(out, c)
		} else if first == "" {
			first = fmt.Sprintf("%s, for which there is nothing of %s", c.at.Format(time.RFC3339), c.missing[0])
		}
	}
	for i := range out {
		out[i].length = cmp.Or(l.spec.Length, spacing(at), time.Hour)
	}
	if len(out) == 0 {
		return nil, document.Problems{{File: name, Found: "no time for which all was counted; the first is " + first, Want: "for each time all that enters and leaves the network, 0 where it is nothing"}}
	}
	if left := len(all) - len(out); left > 0 {
		l.note("%s: left out %s of %d, the first %s: what was not counted is not known; write 0 where there was nothing", name, unit.Counted(left, "time"), len(all), first)
	}
	return out, nil
}

// spacing is the least time between two of the instants, which are in order; 0
// where there is none.
func spacing(at []time.Time) time.Duration {
	least := time.Duration(0)
	for i := 1; i < len(at); i++ {
		if gap := at[i].Sub(at[i-1]); least == 0 || gap < least {
			least = gap
		}
	}
	return least
}

func (l *networkLoader) captured(n *network.Network) (c network.Counters, err error) {
	l.out.Source = "estimated from the interface counters of captures"
	if l.out.Fleet == nil {
		return c, fmt.Errorf("%w: captures tell interfaces, which only fleet.yaml lays on links; want the fleet, or a file of counters by arc", network.ErrInvalid)
	}
	captures, err := ReadCaptures(l.files, l.spec.Captures)
	if err != nil {
		return c, err
	}
	rates, notes, err := PortRates(captures)
	if err != nil {
		return c, err
	}
	l.out.Notes = append(l.out.Notes, notes...)
	return l.laid(n, rates)
}

// laid lays rates on the links of the fleet. What is to be said of several times
// is said once.
func (l *networkLoader) laid(n *network.Network, rates []network.PortRate) (network.Counters, error) {
	c, notes, err := n.FleetCounters(l.out.Fleet, rates)
	for _, s := range notes {
		if !slices.Contains(l.out.Notes, s) && len(l.out.Notes) < maxNotes {
			l.out.Notes = append(l.out.Notes, s)
		}
	}
	return c, err
}

// maxNotes is how many notes are kept: a series could have one for each time.
const maxNotes = 50

// Drains are the drains of the devices: in the given way, or where that is empty
// in the way that the fleet has for each, which is strict for all in a topology
// from a file. The error wraps [network.ErrInvalid].
func (c *Carried) Drains(devices []string, style string) ([]network.Drain, error) {
	var out []network.Drain
	for _, d := range devices {
		x := network.Drain{Node: d, How: network.NoTransit}
		if c.Fleet != nil {
			x = network.FleetDrains(c.Fleet, fleet.DeviceID(d))[0]
		}
		switch style {
		case "":
		case fleet.DrainStrict:
			x.How = network.NoTransit
		case fleet.DrainLastResort:
			x.How = network.MaxMetric
		default:
			return nil, fmt.Errorf("%w: way of draining: found %q, want %s or %s", network.ErrInvalid, style, fleet.DrainStrict, fleet.DrainLastResort)
		}
		out = append(out, x)
	}
	return out, nil
}

// SafeTimes says for each set of devices in which samples of the series the
// network carries its demands with the set drained, see [network.Network.SafeHours];
// [network.Safety.Recurring] then gives the periods of coming weeks, which is
// what a scheduler asks for. The error wraps [network.ErrInvalid] where the
// demands are no series.
func (c *Carried) SafeTimes(sets [][]string, style string, q network.Question) ([]network.Safety, error) {
	if len(c.Samples) == 0 {
		return nil, fmt.Errorf("%w: demands: found one matrix, want a series over time: CSV with the columns time,src,dst,volume, or a folder of SNDlib matrices", network.ErrInvalid)
	}
	var drains []network.DrainSet
	for _, s := range sets {
		d, err := c.Drains(s, style)
		if err != nil {
			return nil, err
		}
		drains = append(drains, network.DrainSet{Name: strings.Join(s, ", "), Change: network.Change{Drains: d}})
	}
	return c.Network.SafeHours(c.Samples, drains, q)
}

// ReadCaptures reads captures from files, and from all files of folders.
func ReadCaptures(files Files, names []string) ([]*state.Capture, error) {
	var out []*state.Capture
	read := func(name string) (err error) {
		r, err := files.Open(name)
		if err != nil {
			return document.Problems{{File: name, Found: err.Error(), Want: "a capture that can be read", Err: err}}
		}
		defer func() { err = errors.Join(err, r.Close()) }()
		c, err := state.Decode(r)
		if err != nil {
			return document.Problems{{File: name, Found: err.Error(), Want: "a capture, as towpath capture writes it", Err: err}}
		}
		out = append(out, c)
		return nil
	}
	for _, name := range names {
		inside, folder, err := files.List(name)
		if err != nil {
			return nil, document.Problems{{File: name, Found: err.Error(), Want: "a capture, or a folder of captures", Err: err}}
		}
		if !folder {
			inside = []string{name}
		} else if len(inside) == 0 {
			return nil, document.Problems{{File: name, Found: "no file in this folder", Want: "captures, as towpath capture writes them"}}
		}
		for _, x := range inside {
			if err := read(x); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

// PortRates are the mean rates of the interfaces between the earliest and the
// latest capture of each device. notes say what could not be used. The error
// wraps [network.ErrInvalid] where no device has two captures.
func PortRates(captures []*state.Capture) (rates []network.PortRate, notes []string, err error) {
	by := map[string][]*state.Capture{}
	var devices []string
	for _, c := range captures {
		if by[c.Device] == nil {
			devices = append(devices, c.Device)
		}
		by[c.Device] = append(by[c.Device], c)
	}
	slices.Sort(devices)
	note := func(format string, args ...any) { notes = append(notes, fmt.Sprintf(format, args...)) }
	for _, d := range devices {
		all := by[d]
		slices.SortStableFunc(all, func(a, b *state.Capture) int { return a.TakenAt.Compare(b.TakenAt) })
		first, last := all[0], all[len(all)-1]
		seconds := last.TakenAt.Sub(first.TakenAt).Seconds()
		if seconds <= 0 {
			note("device %s: one capture only; rates take two of different times", d)
			continue
		}
		names := map[string]state.Interface{}
		for _, i := range first.Interfaces {
			names[i.Name] = i
		}
		for _, now := range last.Interfaces {
			then, ok := names[now.Name]
			if !ok {
				continue
			}
			in0, okA := then.InOctets.Get()
			in1, okB := now.InOctets.Get()
			out0, okC := then.OutOctets.Get()
			out1, okD := now.OutOctets.Get()
			switch {
			case !okA || !okB || !okC || !okD:
				continue
			case in1 < in0 || out1 < out0:
				note("%s, %s: the counters went back, as after a restart; they are not used", d, now.Name)
				continue
			}
			parent, _, logical := strings.Cut(now.Name, ".")
			_, parentCounts := names[parent]
			_, bundled := names[now.Aggregate]
			rates = append(rates, network.PortRate{
				Device: d, Interface: now.Name, Part: logical && parentCounts || bundled,
				In: 8 * float64(in1-in0) / seconds, Out: 8 * float64(out1-out0) / seconds,
			})
		}
	}
	if len(rates) == 0 {
		why := strings.Join(notes, "; ")
		return nil, notes, fmt.Errorf("%w: captures: found no interface with counters in two captures of one device (%s), want two captures of each device some minutes apart", network.ErrInvalid, cmp.Or(why, "none has counters"))
	}
	return rates, notes, nil
}

// Heard is what the devices of the captures hear by LLDP; of several captures of
// a device the latest counts.
func Heard(captures []*state.Capture) []network.Neighbour {
	latest := map[string]*state.Capture{}
	for _, c := range captures {
		if old := latest[c.Device]; old == nil || c.TakenAt.After(old.TakenAt) {
			latest[c.Device] = c
		}
	}
	var out []network.Neighbour
	for d, c := range latest {
		for _, a := range c.Adjacencies {
			if a.Protocol != state.LLDP || !a.Up.Or(true) {
				continue
			}
			out = append(out, network.Neighbour{Device: d, Interface: a.Interface, System: a.Peer.Or(a.Neighbour), Port: a.PeerPort.Or("")})
		}
	}
	slices.SortFunc(out, func(a, b network.Neighbour) int {
		return cmp.Or(strings.Compare(a.Device, b.Device), strings.Compare(a.Interface, b.Interface), strings.Compare(a.System, b.System), strings.Compare(a.Port, b.Port))
	})
	return out
}

// Volume writes a volume for people: a rate where the unit is bit/s, else a plain
// number.
func Volume(v float64, unit string) string {
	if unit != network.BitsPerSecond {
		return fmt.Sprintf("%.4g", v)
	}
	for _, s := range []struct {
		size float64
		name string
	}{{1e12, "Tbps"}, {1e9, "Gbps"}, {1e6, "Mbps"}, {1e3, "kbps"}} {
		if v >= s.size {
			return fmt.Sprintf("%.4g%s", v/s.size, s.name)
		}
	}
	return fmt.Sprintf("%.4gbps", v)
}

// SavedCaptures are the captures that the runs in the store have kept, as far as
// any were: each run keeps those before and after its change.
func SavedCaptures(ctx context.Context, s Store) ([]*state.Capture, error) {
	runs, err := s.Runs(ctx)
	if err != nil {
		return nil, err
	}
	var out []*state.Capture
	for _, r := range runs {
		names, err := s.Artefacts(ctx, r.ID, "capture/")
		if err != nil {
			return nil, err
		}
		for _, name := range names {
			body, ok, err := s.Artefact(ctx, r.ID, name)
			if err != nil {
				return nil, err
			}
			if !ok {
				continue
			}
			c, err := state.Decode(bytes.NewReader(body))
			if err != nil {
				return nil, fmt.Errorf("run %s, %s: %w", r.ID, name, err)
			}
			out = append(out, c)
		}
	}
	return out, nil
}
