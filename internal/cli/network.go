package cli

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"towpath/internal/app"
	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/unit"
)

// disk opens the files that the operator names.
type disk struct{}

// Open opens a file for reading.
func (disk) Open(name string) (io.ReadCloser, error) {
	return os.Open(name) // #nosec G304 -- the file the operator names
}

// List returns the files of a folder, without those whose name begins with a
// point.
func (disk) List(name string) (names []string, ok bool, err error) {
	info, err := os.Stat(name)
	if err != nil || !info.IsDir() {
		return nil, false, err
	}
	entries, err := os.ReadDir(name)
	if err != nil {
		return nil, true, err
	}
	for _, x := range entries {
		if !x.IsDir() && !strings.HasPrefix(x.Name(), ".") {
			names = append(names, filepath.Join(name, x.Name()))
		}
	}
	return names, true, nil
}

// networkFlags are those of all commands that compute what a network carries.
type networkFlags struct {
	topology, demands, counters, network string
	captures                             []string
	capacity, unit, growth, peak, method string
	from, until                          string
	metric                               int64
	drainStyle                           string
	fail                                 []string
	limit, band                          string
}

func (n *networkFlags) sources(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&n.topology, "topology", "", "read the topology from this file instead of fleet.yaml: RFC 8345 JSON, Topology Zoo\nGraphML, SNDlib text, or CSV with the columns arc,link,src,dst,weight,capacity")
	f.StringVar(&n.counters, "counters", "", "estimate the demands from this CSV file of interface counters: device,interface,in,out,\nor kind,element,rate with kind arc, in or out; with a column time, a series")
	f.StringSliceVar(&n.captures, "captures", nil, "estimate the demands from the counters of captures, two of each device: files or folders")
	f.StringVar(&n.capacity, "capacity", "", "capacity of links whose file has none, such as 10Gbps, or a plain number where the file has")
	f.Int64Var(&n.metric, "metric", 1, "metric of links whose file has none")
	f.StringVar(&n.network, "network", "", "in RFC 8345 JSON: the network-id to read; none reads the only one with links")
	f.StringVar(&n.unit, "unit", "", "what a plain number in CSV or SNDlib text means, such as 1Mbps")
	f.StringVar(&n.growth, "growth", "1", "multiply every demand, such as 1.3 or +30%")
	f.StringVar(&n.method, "method", "entropy", "how demands are estimated: entropy or least-squares")
}

func (n *networkFlags) matrix(c *cobra.Command, series bool) {
	f := c.Flags()
	what := "traffic matrix: CSV with src,dst,volume, SNDlib text, or a series of either over time"
	if series {
		what = "demands over time: CSV with time,src,dst,volume, or a folder of SNDlib matrices"
	}
	f.StringVar(&n.demands, "demands", "", what)
	f.StringVar(&n.from, "from", "", "of a series: samples that begin from this instant on (RFC 3339)")
	f.StringVar(&n.until, "until", "", "of a series: samples that begin before this instant")
	if !series {
		f.StringVar(&n.peak, "peak", "each", "of a series: each takes the peak of each demand, busiest the sample with the largest sum")
	}
}

func (n *networkFlags) question(c *cobra.Command, fail []string) {
	f := c.Flags()
	f.StringVar(&n.drainStyle, "style", "", "how devices are drained: strict or last-resort; none does as fleet.yaml says of each")
	f.StringSliceVar(&n.fail, "also-fail", fail, "what fails on top, each single one: link, node, group, member or none")
	f.StringVar(&n.limit, "limit", "100%", "utilisation that no link may exceed")
	f.StringVar(&n.band, "band", "0%", "relative error of the demands; an estimation brings its own")
}

func (n *networkFlags) spec() (s app.NetworkSpec, err error) {
	s = app.NetworkSpec{Topology: n.topology, Demands: n.demands, Counters: n.counters, Captures: n.captures}
	rate := func(flag, text string) (float64, error) {
		if text == "" {
			return 0, nil
		}
		r, err := unit.ParseBitRate(text)
		if err != nil || r <= 0 {
			return 0, usage("--%s is %q, want a rate such as 10Gbps", flag, text)
		}
		return float64(r), nil
	}
	if s.Reading.Unit, err = rate("unit", n.unit); err != nil {
		return s, err
	}
	if plain, err := strconv.ParseFloat(n.capacity, 64); err == nil && plain > 0 && !math.IsInf(plain, 0) {
		s.Reading.Capacity = plain
	} else if s.Reading.Rate, err = rate("capacity", n.capacity); err != nil {
		return s, err
	}
	if s.Reading.Metric, s.Reading.Network = n.metric, n.network; n.metric < 1 || n.metric >= network.MetricInfinity {
		return s, usage("--metric is %d, want 1 to %d", n.metric, network.MetricInfinity-1)
	}
	if s.Growth, err = factor(n.growth); err != nil {
		return s, err
	}
	switch n.method {
	case "entropy":
	case "least-squares":
		s.Method = network.LeastSquares
	default:
		return s, usage("--method is %q, want entropy or least-squares", n.method)
	}
	switch n.peak {
	case "", "each":
	case "busiest":
		s.Busiest = true
	default:
		return s, usage("--peak is %q, want each or busiest", n.peak)
	}
	if s.From, err = moment("from", n.from); err != nil {
		return s, err
	}
	s.Until, err = moment("until", n.until)
	return s, err
}

func moment(flag, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return t, usage("--%s is %q, want an instant such as 2026-03-01T22:00:00Z", flag, text)
	}
	return t, nil
}

// factor reads a growth such as 1.3 or +30%.
func factor(s string) (float64, error) {
	num, percent := strings.CutSuffix(s, "%")
	v, err := strconv.ParseFloat(num, 64)
	if percent {
		v = 1 + v/100
	}
	if err != nil || !(v > 0) || v > 1000 {
		return 0, usage("--growth is %q, want a factor such as 1.3 or +30%%", s)
	}
	return v, nil
}

// share reads a utilisation such as 85% or 0.85.
func share(flag, s string, least float64) (float64, error) {
	num, percent := strings.CutSuffix(s, "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
	if percent {
		v /= 100
	}
	if err != nil || !(v >= least) || v > 10 {
		return 0, usage("--%s is %q, want a share such as 85%%", flag, s)
	}
	return v, nil
}

// ask makes the question without its change.
func (n *networkFlags) ask() (q network.Question, err error) {
	if q.Limit, err = share("limit", n.limit, 1e-6); err != nil {
		return q, err
	}
	if q.Band, err = share("band", n.band, 0); err != nil {
		return q, err
	}
	for _, f := range n.fail {
		switch el := network.Element(f); el {
		case network.ElementLink, network.ElementNode, network.ElementGroup, network.ElementMember:
			q.AlsoFail = append(q.AlsoFail, el)
		case "none":
			if len(n.fail) > 1 {
				return q, usage("--also-fail is %q, want none alone, or kinds without it", strings.Join(n.fail, ","))
			}
		default:
			return q, usage("--also-fail is %q, want link, node, group, member or none", f)
		}
	}
	return q, nil
}

// carried reads the network that the flags name.
func (e *env) carried(n *networkFlags) (*app.Carried, error) {
	spec, err := n.spec()
	if err != nil {
		return nil, err
	}
	var f *fleet.Fleet
	if spec.Topology == "" {
		a, err := e.load()
		if err != nil {
			return nil, err
		}
		f = a.Workspace.Fleet
	}
	c, err := app.LoadNetwork(f, spec, disk{})
	return c, asUsage(err)
}

// asUsage marks what the network refuses as a mistake of the operator's.
func asUsage(err error) error {
	if errors.Is(err, network.ErrInvalid) || errors.Is(err, network.ErrUnknown) {
		return usage("%v", err)
	}
	return err
}

func (e *env) whatifCmd() *cobra.Command {
	var table bool
	var out, picture string
	var drain, remove, links []string
	var all bool
	var n networkFlags
	c := &cobra.Command{
		Use: "whatif", Short: "what the network carries while devices are out, and with one further failure on top",
		Long: "Tells what the network carries while devices are drained, and with every further single\n" +
			"failure on top: lost demands, the busiest link, what hangs on a single path, redundancy\n" +
			"groups that get too small. The network is that of fleet.yaml, or --topology with --demands.\n" +
			"Demands that nobody has measured are estimated from interface counters, and the error of\n" +
			"that goes into the verdict. With --table it writes the result of every drain and link\n" +
			"failure as CSV.",
		Example: "  towpath whatif --drain mere-agg-1 --also-fail link,node --limit 85%\n" +
			"  towpath whatif --drain mere-agg-1 --captures evening/ --picture night.svg\n" +
			"  towpath whatif --topology net.graphml --capacity 10Gbps --demands matrix.csv --drain Mere\n" +
			"  towpath whatif --table --topology arcs.csv --demands demands.csv --out results", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			if table {
				return e.whatifTable(n, out)
			}
			return e.whatif(n, whatifChange{drain, remove, links}, picture, all)
		},
	}
	c.Flags().BoolVar(&table, "table", false, "work through every drain and link failure, and write CSV")
	outFlag(c, &out, ".", "", "with --table: folder for scenarios.csv, loads.csv and drain_x_linkfail.csv")
	c.Flags().StringSliceVar(&drain, "drain", nil, "devices that traffic is moved away from; their own traffic goes on")
	c.Flags().StringSliceVar(&remove, "remove", nil, "devices that are switched off; what starts or ends at them is lost")
	c.Flags().StringSliceVar(&links, "fail-link", nil, "links that are down besides")
	c.Flags().StringVar(&picture, "picture", "", "draw the network after the change into this SVG file")
	c.Flags().BoolVar(&all, "all", false, "print every link and every failure, not the worst ten")
	n.sources(c)
	n.matrix(c, false)
	n.question(c, []string{"link"})
	return c
}

// partSuffix ends the name of a table that is still being written.
const partSuffix = ".part"

// whatifTable writes the tables of every drain and failure. A table that cannot
// be written whole is not left behind.
func (e *env) whatifTable(n networkFlags, out string) error {
	if n.topology == "" {
		n.topology, n.demands = "arcs.csv", cmp.Or(n.demands, "demands.csv")
	}
	l, err := e.carried(&n)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(out, 0o755); err != nil { //nolint:gosec // results are for others to read
		return usage("--out: %v", err)
	}
	var names []string
	err = l.Network.Table(func(name string) (io.WriteCloser, error) {
		names = append(names, filepath.Join(out, name))
		return os.Create(names[len(names)-1] + partSuffix) // #nosec G304 -- in the folder the operator names
	})
	for _, name := range names { // all of them or none
		switch part := name + partSuffix; {
		case err != nil:
			_ = os.Remove(part) // the first error is told
		default:
			err = os.Rename(part, name)
		}
	}
	if err != nil {
		return err
	}
	if e.format == "json" {
		return e.json(map[string]any{"files": names})
	}
	for _, n := range names {
		e.printf("%s\n", n)
	}
	return nil
}

// whatifChange is what is out.
type whatifChange struct{ drain, remove, links []string }

// text says it for people.
func (w whatifChange) text(drains []network.Drain) string {
	var parts []string
	for _, how := range []network.How{network.NoTransit, network.MaxMetric, network.Remove} {
		var names []string
		for _, d := range drains {
			if d.How == how {
				names = append(names, d.Node)
			}
		}
		if len(names) > 0 {
			word := map[network.How]string{network.NoTransit: "drained", network.MaxMetric: "drained to a last resort", network.Remove: "switched off"}[how]
			parts = append(parts, strings.Join(names, ", ")+" "+word)
		}
	}
	if len(w.links) > 0 {
		parts = append(parts, strings.Join(w.links, ", ")+" down")
	}
	if len(parts) == 0 {
		return "nothing out"
	}
	return strings.Join(parts, "; ")
}

// estimated says how good an estimation is.
type estimated struct {
	PriorMisfit float64 `json:"prior_misfit"`
	Misfit      float64 `json:"misfit"`
	Spread      float64 `json:"spread"`
}

func (e *env) whatif(n networkFlags, w whatifChange, picture string, all bool) (err error) {
	q, err := n.ask()
	if err != nil {
		return err
	}
	l, err := e.carried(&n)
	if err != nil {
		return err
	}
	if q.Change.Drains, err = l.Drains(w.drain, n.drainStyle); err != nil {
		return usage("--style: %v", err)
	}
	for _, d := range w.remove {
		q.Change.Drains = append(q.Change.Drains, network.Drain{Node: d, How: network.Remove})
	}
	q.Change.Links, q.Estimation = w.links, l.Estimation
	intact := l.Network.Intact()
	ans, err := intact.WhatIf(q)
	if err != nil {
		return asUsage(err)
	}
	what := w.text(q.Change.Drains)
	for _, kind := range q.AlsoFail {
		if !slices.ContainsFunc(ans.Failures, func(f network.Failure) bool { return f.Kind == kind }) {
			l.Notes = append(l.Notes, fmt.Sprintf("nothing of the kind %s can fail: the topology has none that is in use", kind))
		}
	}
	if picture != "" {
		after, err := intact.With(q.Change)
		if err != nil {
			return err
		}
		if err := draw(picture, after, network.Picture{Title: "The network with " + what, Limit: q.Limit}); err != nil {
			return err
		}
	}
	if e.format == "json" {
		out := struct {
			*network.Answer
			Unit       string     `json:"unit,omitempty"`
			Change     string     `json:"change"`
			Source     string     `json:"demands_from"`
			Notes      []string   `json:"notes,omitempty"`
			Estimation *estimated `json:"estimation,omitempty"`
		}{Answer: ans, Unit: l.Network.Unit(), Change: what, Source: l.Source, Notes: l.Notes}
		if x := l.Estimation; x != nil {
			out.Estimation = &estimated{x.PriorMisfit, x.Misfit, x.Spread}
		}
		if err := e.json(out); err != nil {
			return err
		}
	} else {
		answerView{e: e, l: l, a: ans, all: all}.show(what)
		if picture != "" {
			e.printf("picture: %s\n", picture)
		}
	}
	if ans.Verdict != network.Holds {
		return exit{ExitVerdict}
	}
	return nil
}

// draw writes the picture of a state.
func draw(name string, s *network.State, p network.Picture) error {
	var b bytes.Buffer
	if err := s.SVG(&b, p); err != nil {
		return err
	}
	return replaceFile(name, b.Bytes())
}
