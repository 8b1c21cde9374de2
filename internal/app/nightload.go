package app

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"time"

	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/policy"
	"towpath/internal/schedule"
	"towpath/internal/unit"
	"towpath/internal/workspace"
)

// nightLoads is what the network carries in the windows of a campaign: in all
// the same, or by the samples of each window's own hours.
type nightLoads struct {
	net   *network.Network // its demands are those of no sample in particular
	opt   schedule.LoadOptions
	fails map[string]network.Change // on top, for the last check of a window
	zone  *time.Location

	source  string // where the demands come from, in words
	file    string // of the series; empty where there is none
	repeat  string
	samples []network.Sample // with growth; empty where the demands are always the same
	upper   bool             // they are estimated, and each demand is at the upper end of its error
	misfit  float64          // the largest of the estimates
	notes   []string         // of the reading
	begins  []int64          // of the samples, see [nightLoads.matching]

	known map[string]*nightHours
	list  []*nightHours
	built []*measuredLoad
}

// nightHours are windows in which the network carries the same.
type nightHours struct {
	schedule.Hours
	demands string // in words
	samples int    // how many there are, those of lesser volumes included
	peak    bool   // no sample covers the windows: the peak over all stands in
	labels  []string
	root    *sampleNode
}

// sampleNode is a run of samples of the same hours, with the peak of every demand
// over them. Loads are sums of volumes times shares that routing alone decides,
// so that what is carried with larger demands is carried with lesser ones: where
// the peak is carried so is each sample, and where it is not, the halves are
// asked. Samples of which no demand is above that of another need not be asked
// at all, and are no leaves.
type sampleNode struct {
	leaves      []int // of the samples; one alone is a leaf
	left, right *sampleNode
	load        *measuredLoad // nil until it is asked for
}

// measuredLoad is the network with one set of demands.
type measuredLoad struct {
	base *network.State
	fast *schedule.Load
	full *schedule.Load // nil until it is asked for
	weak []string       // failures that full leaves out
	over string         // why nothing may be out at all, empty where something may
}

// seriesFiles are the files of a series, as the workspace read them.
type seriesFiles map[string][]byte

// Open implements [Files].
func (s seriesFiles) Open(name string) (io.ReadCloser, error) {
	src, ok := s[name]
	if !ok {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return io.NopCloser(bytes.NewReader(src)), nil
}

// List implements [Files].
func (s seriesFiles) List(name string) (names []string, ok bool, err error) {
	if _, file := s[name]; file {
		return nil, false, nil
	}
	return slices.Sorted(maps.Keys(s)), true, nil
}

// load makes the carriers.
func (m *campaigner) load() error {
	f := m.app.Workspace.Fleet
	d := m.conf.Demands
	if len(f.Links) == 0 || len(f.Demands) == 0 && d.Series == "" {
		m.warn = append(m.warn, "the fleet file has no links or no demands: nothing was asked of the network's load")
		return nil
	}
	l := &nightLoads{zone: m.zone, known: map[string]*nightHours{}, source: "the demands of " + workspace.FleetFile,
		opt: schedule.LoadOptions{Limit: m.conf.Utilisation, How: network.NoTransit, MayIsolate: true, Unavoidable: true}}
	for _, d := range f.Devices {
		if d.Drain == fleet.DrainLastResort {
			if l.opt.Ways == nil {
				l.opt.Ways = map[fleet.DeviceID]network.How{}
			}
			l.opt.Ways[d.ID] = network.MaxMetric
		}
	}
	if d.Series != "" {
		if err := l.read(f, d, m.app.Workspace.Series); err != nil {
			return err
		}
		m.warn = append(m.warn, l.notes...)
	} else {
		net, err := network.FromFleet(f, network.FleetOptions{})
		if err != nil {
			return err
		}
		l.net = net
	}
	l.fails = failures(f, l.net, m.conf.AlsoFail)
	m.loads = l
	if len(l.samples) == 0 {
		return m.always()
	}
	return m.byHours()
}

// always makes the carriers of demands that are the same in all windows.
func (m *campaigner) always() error {
	l := m.loads
	h := &nightHours{demands: l.source, root: &sampleNode{leaves: []int{-1}}}
	x, err := l.measure(l.net, 1)
	if err != nil {
		return err
	}
	h.root.load = x
	l.known[""], l.list = h, []*nightHours{h}
	if x.over != "" {
		return fmt.Errorf("%w: %s", schedule.ErrInfeasible, x.over)
	}
	if err := l.complete(x); err != nil {
		return err
	}
	m.rules.Carries, m.rules.Verify = x.fast, x.full
	return nil
}

// byHours makes the carriers of demands that differ by the hour.
func (m *campaigner) byHours() error {
	l := m.loads
	m.rules.Hours = func(start, end time.Time) (*schedule.Hours, error) {
		h, err := l.of(start, end)
		if err != nil {
			return nil, err
		}
		return &h.Hours, nil
	}
	windows := schedule.Joined(m.slots)
	bare, first, open, over := 0, time.Time{}, false, ""
	for _, w := range windows {
		h, err := l.of(w.Start, w.End)
		if err != nil {
			return err
		}
		if h.peak {
			if bare++; bare == 1 {
				first = w.Start
			}
		}
	}
	for _, h := range l.list {
		why, err := l.over(h.root)
		if err != nil {
			return err
		}
		open = open || why == ""
		over = cmp.Or(over, why)
	}
	if !open {
		return fmt.Errorf("%w: %s, and no window is in better hours", schedule.ErrInfeasible, over)
	}
	if bare > 0 {
		m.warn = append(m.warn, fmt.Sprintf("%s, the first of %s, in hours of which %s has no sample or not all of them: each demand is taken at its peak over all samples there",
			map[bool]string{true: "1 window lies", false: fmt.Sprintf("%d of %d windows lie", bare, len(windows))}[bare == 1], first.In(m.zone).Format("Mon 2006-01-02 15:04"), l.file))
	}
	return nil
}

// read reads the series.
func (l *nightLoads) read(f *fleet.Fleet, d policy.MeasuredDemands, files map[string][]byte) error {
	spec := NetworkSpec{Demands: d.Series, Growth: d.Growth}
	if network.IsCounters(files[d.Series]) {
		spec.Demands, spec.Counters = "", d.Series
	}
	c, err := LoadNetwork(f, spec, seriesFiles(files))
	if err != nil {
		return err
	}
	if len(c.Samples) == 0 {
		return document.Problems{{File: d.Series, Found: "demands without a time", Want: "a series: CSV with the columns time, src, dst, volume, or time with those of interface counters, or a folder with a matrix for each period"}}
	}
	l.net, l.samples, l.file, l.repeat, l.notes = c.Network, c.Samples, d.Series, d.Repeat, c.Notes
	for i, s := range l.samples {
		if s.Estimation != nil {
			l.upper, l.samples[i].Volumes = true, s.Estimation.Upper()
			l.misfit = max(l.misfit, s.Estimation.Misfit)
		}
	}
	for _, s := range l.samples {
		if s.Length <= 0 || s.Length > 24*time.Hour {
			return document.Problems{{File: d.Series, Found: fmt.Sprintf("a sample of %v at %s", s.Length, s.At.Format(time.RFC3339)), Want: "samples of more than nothing and a day at most"}}
		}
		l.begins = append(l.begins, wall(s.At.In(l.zone)))
	}
	last := l.samples[len(l.samples)-1]
	l.source = fmt.Sprintf("%s, %s from %s to %s, every %s like those measured", l.file, unit.Counted(len(l.samples), "sample"),
		l.samples[0].At.In(l.zone).Format("2006-01-02 15:04"), last.At.Add(last.Length).In(l.zone).Format("2006-01-02 15:04"), l.repeat)
	if d.Growth != 1 {
		l.source += fmt.Sprintf(", times %g", d.Growth)
	}
	if l.upper {
		l.source += "; estimated from counters, each demand at the upper end of its error"
	}
	if l.misfit > contradictory {
		l.source += fmt.Sprintf("; the counters contradict each other or the topology: up to %.0f %% of what they counted is not explained", 100*l.misfit)
	}
	return nil
}

// contradictory is the misfit from which on an estimate says more of its counters
// than of the demands.
const contradictory = 0.05

// wall is the reading of the clock on the wall, in seconds since some Thursday's
// midnight of the instant's zone.
func wall(t time.Time) int64 {
	_, off := t.Zone()
	return t.Unix() + int64(off)
}

func (l *nightLoads) period() int64 {
	if l.repeat == policy.EveryDay {
		return 24 * 3600
	}
	return 7 * 24 * 3600
}

// matching lists the samples of the hours from start to end, by what the clock on
// the wall shows, and says whether they leave no gap. Where the clocks change in
// between, each part goes by its own time: the doubled hour is like the one
// measured, and of the missing hour nothing is asked.
func (l *nightLoads) matching(start, end time.Time) (hits []int, whole bool) {
	p := l.period()
	in := map[int]bool{}
	whole = true
	for t := start.In(l.zone); t.Before(end); {
		_, until := t.ZoneBounds()
		if until.IsZero() || until.After(end) {
			until = end
		}
		from := wall(t)
		to := from + int64((until.Sub(t)+time.Second-1)/time.Second)
		to = min(to, from+p)
		var spans [][2]int64
		for i, s := range l.samples {
			length := int64((s.Length + time.Second - 1) / time.Second)
			// The first time that it comes and ends after from.
			u := from - (((from-l.begins[i])%p)+p)%p
			if u+length <= from {
				u += p
			}
			for ; u < to; u += p {
				in[i] = true
				spans = append(spans, [2]int64{u, u + length})
			}
		}
		slices.SortFunc(spans, func(a, b [2]int64) int { return cmp.Compare(a[0], b[0]) })
		at := from
		for _, s := range spans {
			if s[0] > at {
				break
			}
			at = max(at, s[1])
		}
		whole = whole && at >= to
		t = until.In(l.zone)
	}
	return slices.Sorted(maps.Keys(in)), whole
}

// of is what the network carries in a window.
func (l *nightLoads) of(start, end time.Time) (*nightHours, error) {
	if len(l.samples) == 0 {
		return l.list[0], nil
	}
	hits, whole := l.matching(start, end)
	key := fmt.Sprint(hits)
	if !whole {
		key, hits = "", nil
		for i := range l.samples {
			hits = append(hits, i)
		}
	}
	h := l.known[key]
	if h == nil {
		h = &nightHours{samples: len(hits), peak: !whole}
		if h.peak {
			h.Name = "the windows of which " + l.file + " has no samples"
			h.demands = fmt.Sprintf("%s, the peak of every demand over all %d samples, as none is of these hours", l.file, len(hits))
			h.root = &sampleNode{leaves: hits}
		} else {
			h.root = grow(l.undominated(hits))
		}
		c := &hourCarrier{l, h, false}
		v := &hourCarrier{l, h, true}
		h.Carries, h.Verify = c, v
		l.known[key] = h
		l.list = append(l.list, h)
	}
	if label := l.label(start, end); !h.peak && !slices.Contains(h.labels, label) && len(h.labels) < 3 {
		h.labels = append(h.labels, label)
		h.Name = "the windows of " + strings.Join(h.labels, " and ")
		h.demands = fmt.Sprintf("%s, %s of %s", l.file, unit.Counted(h.samples, "sample"), strings.Join(h.labels, " and "))
	}
	return h, nil
}

// label names the hours of a window as the pattern tells them apart.
func (l *nightLoads) label(start, end time.Time) string {
	start, end = start.In(l.zone), end.In(l.zone)
	from, to := start.Format("15:04"), end.Format("15:04")
	long := end.Sub(start) >= 24*time.Hour
	switch {
	case l.repeat == policy.EveryDay && long:
		return fmt.Sprintf("%s for %.4g hours", from, end.Sub(start).Hours())
	case l.repeat == policy.EveryDay:
	case long:
		from, to = start.Format("Monday 15:04"), end.Format("Monday 15:04")
	default:
		from = start.Format("Monday 15:04")
	}
	return from + " to " + to
}

// undominated leaves out samples of which no demand is above that of another.
func (l *nightLoads) undominated(samples []int) []int {
	sum := map[int]float64{}
	for _, i := range samples {
		for _, v := range l.samples[i].Volumes {
			sum[i] += v
		}
	}
	order := slices.Clone(samples)
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(sum[b], sum[a]) })
	var kept []int
	for _, i := range order {
		if !slices.ContainsFunc(kept, func(k int) bool {
			for d, v := range l.samples[i].Volumes {
				if v > l.samples[k].Volumes[d] {
					return false
				}
			}
			return true
		}) {
			kept = append(kept, i)
		}
	}
	slices.Sort(kept)
	return kept
}

// grow halves the samples, which are in the order of time, until each is alone.
func grow(leaves []int) *sampleNode {
	n := &sampleNode{leaves: leaves}
	if k := len(leaves) / 2; k > 0 {
		n.left, n.right = grow(leaves[:k]), grow(leaves[k:])
	}
	return n
}

// measure makes the network with its demands.
func (l *nightLoads) measure(net *network.Network, share int) (*measuredLoad, error) {
	x := &measuredLoad{base: net.Intact()}
	opt := l.opt
	opt.Share = share
	var err error
	if x.fast, _, err = schedule.NewLoad(x.base, opt); err != nil {
		return nil, err
	}
	if r := x.base.Result(); r.MaxUtilisation > l.opt.Limit {
		a := net.Arcs()[r.Worst]
		x.over = fmt.Sprintf("with nothing out%s, link %s from %s to %s is at %.0f %% of its capacity already, and %s allows %.0f %%",
			map[bool]string{true: " and each estimated demand at the upper end of its error"}[l.upper], a.Link, a.From, a.To, 100*r.MaxUtilisation, workspace.CampaignFile, 100*l.opt.Limit)
		if l.misfit > contradictory {
			x.over += fmt.Sprintf(" (but the counters contradict each other or the topology: up to %.0f %% of what they counted is not explained)", 100*l.misfit)
		}
	}
	l.built = append(l.built, x)
	return x, nil
}

// complete adds what is asked with failures on top.
func (l *nightLoads) complete(x *measuredLoad) (err error) {
	if x.full != nil {
		return nil
	}
	opt := l.opt
	opt.Failures = l.fails
	if len(l.samples) > 0 {
		opt.Share = shareOf
	}
	x.full, x.weak, err = schedule.NewLoad(x.base, opt)
	return err
}

// shareOf is how many networks share the memory that one would have.
const shareOf = 16

// at is the network with the peak of the demands over the node's samples.
func (l *nightLoads) at(n *sampleNode) (*measuredLoad, error) {
	if n.load != nil {
		return n.load, nil
	}
	var some []network.Sample
	for _, i := range n.leaves {
		some = append(some, l.samples[i])
	}
	net, err := l.net.WithVolumes(network.Peak(some, 1))
	if err != nil {
		return nil, err
	}
	n.load, err = l.measure(net, shareOf)
	return n.load, err
}

// over says why nothing may be out at all, empty where something may.
func (l *nightLoads) over(n *sampleNode) (string, error) {
	x, err := l.at(n)
	if err != nil || x.over == "" || n.left == nil {
		if err != nil {
			return "", err
		}
		return x.over, nil
	}
	for _, half := range []*sampleNode{n.left, n.right} {
		if why, err := l.over(half); err != nil || why != "" {
			return why, err
		}
	}
	return "", nil
}

// hourCarrier asks every sample of some hours; it is a [schedule.Carrier].
type hourCarrier struct {
	loads *nightLoads
	hours *nightHours
	full  bool // with failures on top
}

// Carries implements [schedule.Carrier].
func (c *hourCarrier) Carries(ctx context.Context, out []fleet.DeviceID) (bool, string) {
	return c.ask(ctx, c.hours.root, out)
}

func (c *hourCarrier) ask(ctx context.Context, n *sampleNode, out []fleet.DeviceID) (bool, string) {
	x, err := c.loads.at(n)
	if err != nil {
		return false, err.Error()
	}
	if n.left == nil && x.over != "" {
		return false, x.over + c.when(n)
	}
	carrier := x.fast
	if c.full && x.over == "" {
		if err := c.loads.complete(x); err != nil {
			return false, err.Error()
		}
		carrier = x.full
	}
	// A peak that bears some failure not even with nothing out leaves it out, and
	// then says nothing of samples that do bear it.
	if n.left == nil || x.over == "" && (!c.full || len(x.weak) == 0) {
		ok, why := carrier.Carries(ctx, out)
		if ok || n.left == nil {
			if !ok {
				why += c.when(n)
			}
			return ok, why
		}
	}
	for _, half := range []*sampleNode{n.left, n.right} {
		if ok, why := c.ask(ctx, half, out); !ok {
			return false, why
		}
	}
	return true, ""
}

// when says which sample it is, where there are several.
func (c *hourCarrier) when(n *sampleNode) string {
	if len(n.leaves) > 1 || c.hours.root == n {
		return ""
	}
	return ", with the demands of " + c.loads.samples[n.leaves[0]].At.In(c.loads.zone).Format("Mon 2006-01-02 15:04")
}

// hourPeak is the busiest link over the samples of some hours.
type hourPeak struct {
	schedule.Peak
	at time.Time // of the sample; zero where it is of none
}

// peaks returns the busiest link over all samples of the hours with the devices
// out, and with one failure on top, and what such a failure would cut off, by the
// peak of every demand; left is how many failures may still be computed, and is
// below 0 where they were too many: failed and cut then say nothing.
func (l *nightLoads) peaks(h *nightHours, out []fleet.DeviceID, left *int) (intact, failed hourPeak, cut schedule.Cut, err error) {
	var dive func(n *sampleNode, some bool) error
	have := false
	dive = func(n *sampleNode, some bool) error {
		x, err := l.at(n)
		if err != nil {
			return err
		}
		if err := l.complete(x); err != nil {
			return err
		}
		most := x.full.Failures()
		if *left >= most {
			*left -= most
		} else {
			*left, most = -1, 0
		}
		fig, err := x.full.Figures(out, most)
		if err != nil {
			return err
		}
		p, f := fig.Intact, fig.Failed
		if n == h.root {
			cut = fig.Cut
		}
		if n.left == nil {
			at := time.Time{}
			if len(n.leaves) == 1 && n.leaves[0] >= 0 && !h.peak {
				at = l.samples[n.leaves[0]].At.In(l.zone)
			}
			if !have || p.Utilisation > intact.Utilisation {
				intact = hourPeak{p, at}
			}
			if fig.Whole && (failed.Failure == "" || f.Utilisation > failed.Utilisation) {
				failed = hourPeak{f, at}
			}
			have = true
			return nil
		}
		// No sample is above the peak of every demand.
		if some && p.Utilisation <= intact.Utilisation && len(x.weak) == 0 && (*left < 0 || f.Utilisation <= failed.Utilisation) {
			return nil
		}
		return errors.Join(dive(n.left, have), dive(n.right, true))
	}
	err = dive(h.root, false)
	return intact, failed, cut, err
}

// weak lists the failures that some sample does not bear even with nothing out.
func (l *nightLoads) weak() []string {
	in := map[string]bool{}
	for _, h := range l.list {
		var walk func(n *sampleNode)
		walk = func(n *sampleNode) {
			if n.left != nil {
				walk(n.left)
				walk(n.right)
				return
			}
			if n.load != nil {
				for _, w := range n.load.weak {
					in[w] = true
				}
			}
		}
		walk(h.root)
	}
	return slices.Sorted(maps.Keys(in))
}
