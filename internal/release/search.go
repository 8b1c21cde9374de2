package release

import (
	"cmp"
	"container/heap"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Options narrow a search. The zero value looks for paths of any length on
// which nothing interrupts traffic.
type Options struct {
	// AllowReload lets hops go by reload and firmware steps interrupt traffic.
	AllowReload bool
	// Avoid lists releases, or ranges of them, that no path may enter.
	Avoid []string
	// Via lists releases that a path must enter, in this order. Those that the
	// device has when it starts count as entered.
	Via []string
	// MaxHops bounds the hops of a path; 0 means no bound.
	MaxHops int
}

// MaxEqual is how many paths of exactly the same cost a [Result] lists.
const MaxEqual = 16

// maxRejections bounds Result.Rejections.
const maxRejections = 100

// Result is what a search found.
type Result struct {
	Device   string `json:"device,omitempty"`
	Platform string `json:"platform"`
	From     string `json:"from"`
	To       string `json:"to"`
	// Paths are all Pareto-best paths: for each of them no other path is at
	// least as good in outages, exposure, hops and minutes and better in one.
	// They are sorted by these four in this order, then by the versions they
	// pass. A device that is there already has one path without hops.
	Paths []Path `json:"paths"`
	// Rejections are transitions that start where the device can get to, lead
	// on towards the target, and would have given a path as good as those found
	// in some respect, but cannot be taken as things are. Most promising first.
	Rejections []Rejection `json:"rejections,omitempty"`
	// Omitted counts rejections beyond those listed.
	Omitted int `json:"rejections_omitted,omitempty"`
	// NoPath is set where Paths is empty.
	NoPath *NoPath `json:"no_path,omitempty"`
	// Cautions are things the search took for granted.
	Cautions []string `json:"cautions,omitempty"`
}

// Search finds every Pareto-best hop path from the device's present state to
// the target release, with the firmware steps that its hops need. A step is
// inserted before the hop that needs it, or before the last earlier one whose
// release it can be applied under. Components of the same kind, part and
// present firmware are raised together. A firmware level or part that is not
// known never opens a transition.
//
// The error wraps [ErrUnknown] where the platform, the target or a release in
// the options is not in the catalogue. That no path exists is not an error.
func (x *Index) Search(now Present, target string, o Options) (Result, error) {
	p, err := x.platform(now.Platform)
	if err != nil {
		return Result{}, err
	}
	t, err := p.newTask(now, target, o)
	if err != nil {
		return Result{}, err
	}
	res := Result{Device: now.Device, Platform: p.ID, From: t.rels[t.start].Version, To: t.rels[t.target].Version, Cautions: t.cautions}
	r := t.run(t.lowest(), false)
	res.Paths = r.paths()
	if len(res.Paths) == 0 {
		res.NoPath = t.explainNoPath(r, t.lowest())
	}
	res.Rejections, res.Omitted = r.rejections()
	back := t.reverse(t.target, t.start)
	known := map[string]Back{}
	for i := range res.Paths {
		end := t.levelsAfter(res.Paths[i], len(res.Paths[i].Hops))
		k := string(packLevels(nil, end))
		b, ok := known[k]
		if !ok {
			b = back.wayBack(end)
			known[k] = b
		}
		res.Paths[i].Back, res.Paths[i].BackCost, res.Paths[i].NoBack = b.Hops, b.Cost, b.None
	}
	return res, nil
}

// Back is a way back.
type Back struct {
	Hops []Hop `json:"hops,omitempty"`
	Cost Cost  `json:"cost"`
	// None says why there is no way back; empty where there is one.
	None string `json:"none,omitempty"`
}

// HopBack finds the best way back over one hop of a path that Search gave for
// the same device: from the release the hop leads to, with the firmware as it
// then is, to the release it comes from. Firmware never goes down. Best is by
// outages, then exposure, hops and minutes; reloads are allowed whatever the
// options say, their Avoid holds.
func (x *Index) HopBack(now Present, path Path, hop int, o Options) (Back, error) {
	p, err := x.platform(now.Platform)
	if err != nil {
		return Back{}, err
	}
	if hop < 0 || hop >= len(path.Hops) {
		return Back{}, fmt.Errorf("hop %d of a path of %d: no such hop", hop+1, len(path.Hops))
	}
	h := path.Hops[hop]
	t, err := p.newTask(now, path.Hops[len(path.Hops)-1].To, Options{Avoid: o.Avoid})
	if err != nil {
		return Back{}, err
	}
	from, err := t.place(h.To)
	if err != nil {
		return Back{}, err
	}
	to, err := t.place(h.From)
	if err != nil {
		return Back{}, err
	}
	return t.reverse(from, to).wayBack(t.levelsAfter(path, hop+1)), nil
}

// weight is a cost in whole numbers.
type weight struct {
	out, exposure, hops int
	ms                  int64
}

func (a weight) plus(b weight) weight {
	return weight{a.out + b.out, a.exposure + b.exposure, a.hops + b.hops, a.ms + b.ms}
}

// compare orders by outages, exposure, hops and minutes.
func (a weight) compare(b weight) int {
	return cmp.Or(cmp.Compare(a.out, b.out), cmp.Compare(a.exposure, b.exposure), cmp.Compare(a.hops, b.hops), cmp.Compare(a.ms, b.ms))
}

// covers reports whether a is at least as good as b in every respect.
func (a weight) covers(b weight) bool {
	return a.out <= b.out && a.exposure <= b.exposure && a.hops <= b.hops && a.ms <= b.ms
}

// dominates reports whether a is at least as good everywhere and better
// somewhere.
func (a weight) dominates(b weight) bool { return a != b && a.covers(b) }

func (a weight) cost() Cost {
	return Cost{Outages: a.out, Exposure: a.exposure, Hops: a.hops, Minutes: minutesOf(a.ms)}
}

// class is the components of a device that every condition treats alike: of
// one kind, part and present firmware. levels are the firmware levels it can
// have, ascending; the first is the present one.
type class struct {
	kind, part string
	known      bool // the present level is
	present    string
	names      []string
	members    []int // places in Present.Components
	levels     []level
}

// raise is a firmware step for a whole class, or several steps that differ only
// in the releases under which they can be applied. where is nil where that is
// every release; otherwise the search keeps a bit for it, which says that it
// could have been applied earlier on the path.
type raise struct {
	class, to int // to is a place in class.levels
	steps     []*firmwareStep
	w         weight
	where     []bool
}

// under is the first of the steps that can be applied under the release.
func (x *raise) under(v Version) *firmwareStep {
	for _, s := range x.steps {
		if s.anywhere || s.needs.Contains(v) {
			return s
		}
	}
	return x.steps[0]
}

// needs says under which releases the steps can be applied.
func (x *raise) needs() string {
	var out []string
	for _, s := range x.steps {
		out = append(out, s.Needs)
	}
	return strings.Join(out, " or ")
}

// need is that a class has at least the level in the given place.
type need struct {
	class, level int
	want         string // as the catalogue writes it
	run          string // the release that needs it, empty where the hop does
}

// edge is one transition taken from a release to another.
type edge struct {
	to, tr   int
	w        weight
	needs    []need
	fails    []fail    // conditions that no firmware step can mend
	barred   condition // set where the options forbid it
	inServed bool      // by method in-service
}

func (e *edge) open() bool { return len(e.fails) == 0 && e.barred.what == "" }

// condition names one thing that bars a transition.
type condition struct {
	what  string // one of the bar constants
	name  string // part, feature, field, firmware level or release
	class int    // for barFirmware
}

const (
	barPart     = "part"
	barFeature  = "feature"
	barSpan     = "span"
	barFirmware = "firmware"
	barUnknown  = "components"
	barReload   = "reload"
	barAvoid    = "avoid"
)

type fail struct {
	condition
	text string
}

// task is one search with all that is fixed for it. rels are the platform's
// releases and, where it is not one of them, the present release at the end.
type task struct {
	p        *platform
	now      Present
	rels     []listed
	start    int
	target   int
	home     int // the present release: it runs, whatever its Requires say
	cautions []string

	classes []class
	raises  []raise
	limits  []conditions // of each transition, found when first asked for
	require []conditions // of each release

	opt     Options
	avoid   []bool
	via     []int
	lift    condition // treated as not there
	hopUnit int       // what a hop weighs; 1 but for tests of other orders

	edges [][]edge
	floor []weight // a lower bound of what is left to the target
	reach []bool   // whether the target can be reached at all, conditions aside
}

// conditions is what a transition or a release asks of the device's state.
type conditions struct {
	done  bool
	needs []need
	fails []fail
}

func (p *platform) newTask(now Present, target string, o Options) (*task, error) {
	t := &task{p: p, now: now, rels: p.releases, opt: o, hopUnit: 1}
	if now.Release == "" {
		return nil, fmt.Errorf("device %s: its present release is not known", now.Device)
	}
	v, err := p.scheme.Parse(now.Release)
	if err != nil {
		return nil, fmt.Errorf("device %s: %w", now.Device, err)
	}
	if t.start = p.find(v); t.start < 0 {
		t.start = len(t.rels)
		t.rels = append(slices.Clip(t.rels), listed{Release: Release{Version: now.Release}, v: v})
		t.cautions = append(t.cautions, fmt.Sprintf("release %s, which the device has now, is not in the catalogue%s", now.Release, p.around(v)))
	}
	t.home = t.start
	if t.target, err = t.place(target); err != nil {
		return nil, err
	}
	t.avoid = make([]bool, len(t.rels))
	for _, a := range o.Avoid {
		r, err := p.scheme.ParseRange(a)
		if err != nil {
			return nil, fmt.Errorf("avoid: %w", err)
		}
		for i := range t.rels {
			t.avoid[i] = t.avoid[i] || r.Contains(t.rels[i].v)
		}
	}
	if t.avoid[t.target] && t.target != t.start {
		return nil, fmt.Errorf("target %s is among the releases to avoid", target)
	}
	for _, s := range o.Via {
		i, err := t.place(s)
		if err != nil {
			return nil, fmt.Errorf("via: %w", err)
		}
		if t.avoid[i] && i != t.start {
			return nil, fmt.Errorf("via: %s is among the releases to avoid", s)
		}
		t.via = append(t.via, i)
	}
	for len(t.via) > 0 && t.via[0] == t.start {
		t.via = t.via[1:]
	}
	t.classify()
	t.prepare()
	return t, nil
}

// prepare makes room for what is found on the way.
func (t *task) prepare() {
	t.limits = make([]conditions, len(t.p.transitions))
	t.require = make([]conditions, len(t.rels))
	t.edges = make([][]edge, len(t.rels))
	t.floor, t.reach = nil, nil
}

// place finds a release among the task's.
func (t *task) place(version string) (int, error) {
	if n := len(t.p.releases); len(t.rels) > n && t.rels[n].Version == version {
		return n, nil
	}
	return t.p.lookup(version)
}

// classify groups the components that some firmware condition is about, and
// lists what can raise each group.
func (t *task) classify() {
	var asked []FirmwareLevel
	for i := range t.p.transitions {
		for _, u := range t.p.transitions[i].Unless {
			if u.Firmware != nil {
				asked = append(asked, *u.Firmware)
			}
		}
	}
	for i := range t.p.releases {
		asked = append(asked, t.p.releases[i].Requires...)
	}
	for n, c := range t.now.Components {
		if !slices.ContainsFunc(asked, func(f FirmwareLevel) bool { return f.appliesTo(c.Kind, c.Part) }) {
			continue
		}
		i := slices.IndexFunc(t.classes, func(k class) bool { return k.kind == c.Kind && k.part == c.Part && k.present == c.Firmware })
		if i < 0 {
			i = len(t.classes)
			t.classes = append(t.classes, t.newClass(c))
		}
		t.classes[i].names = append(t.classes[i].names, c.Name)
		t.classes[i].members = append(t.classes[i].members, n)
	}
	for i := range t.classes {
		t.addRaises(i)
	}
}

func (t *task) newClass(c Installed) class {
	k := class{kind: c.Kind, part: c.Part, present: c.Firmware}
	l, err := t.p.parseLevel(c.Firmware)
	if err != nil {
		if c.Firmware != "" {
			t.cautions = append(t.cautions, fmt.Sprintf("firmware of %s %s is taken as unknown: %v", kindText(c.Kind), c.Name, err))
		}
		return k
	}
	k.known, k.levels = true, []level{l}
	for i := range t.p.steps {
		s := &t.p.steps[i]
		if s.Kind != c.Kind || s.Part != "" && s.Part != c.Part {
			continue
		}
		if up, err := t.p.parseLevel(s.Level); err == nil && up.compare(l) > 0 {
			k.levels = append(k.levels, up)
		}
	}
	slices.SortStableFunc(k.levels, level.compare)
	k.levels = slices.CompactFunc(k.levels, func(a, b level) bool { return a.compare(b) == 0 })
	return k
}

func (t *task) addRaises(i int) {
	k := &t.classes[i]
	if !k.known {
		return
	}
	n := len(k.members)
	for j := range t.p.steps {
		s := &t.p.steps[j]
		if s.Kind != k.kind || s.Part != "" && s.Part != k.part {
			continue
		}
		up, err := t.p.parseLevel(s.Level)
		if err != nil {
			continue
		}
		to := slices.IndexFunc(k.levels, func(l level) bool { return l.compare(up) == 0 })
		if to <= 0 {
			continue
		}
		w := weight{ms: s.ms * int64(n)}
		if s.Outage {
			w.out = n
		}
		at := slices.IndexFunc(t.raises, func(r raise) bool { return r.class == i && r.to == to && r.w == w })
		if at < 0 {
			at = len(t.raises)
			t.raises = append(t.raises, raise{class: i, to: to, w: w})
		}
		t.raises[at].steps = append(t.raises[at].steps, s)
	}
	for j := range t.raises {
		r := &t.raises[j]
		if r.class != i {
			continue
		}
		r.where = make([]bool, len(t.rels))
		for m := range t.rels {
			s := r.under(t.rels[m].v)
			r.where[m] = s.anywhere || s.needs.Contains(t.rels[m].v)
		}
		if !slices.Contains(r.where, false) {
			r.where = nil
		}
	}
}

// lowest is the present firmware of every class.
func (t *task) lowest() []uint16 { return make([]uint16, len(t.classes)) }

// levelsAfter is the firmware after the first hops of a path.
func (t *task) levelsAfter(p Path, hops int) []uint16 {
	out := t.lowest()
	for i := range t.classes {
		k := &t.classes[i]
		for _, h := range p.Hops[:hops] {
			for _, f := range h.Firmware {
				if f.Component != k.names[0] {
					continue
				}
				if to, err := t.p.parseLevel(f.To); err == nil {
					up := slices.IndexFunc(k.levels, func(l level) bool { return l.compare(to) == 0 })
					out[i] = max(out[i], uint16(max(up, 0)))
				}
			}
		}
	}
	return out
}

// asks collects what firmware level f asks of the device.
func (t *task) asks(c *conditions, f FirmwareLevel, run string) {
	if len(t.now.Components) == 0 {
		c.add(fail{condition{what: barUnknown}, fmt.Sprintf("the components are not known, and %ss need firmware %s", kindText(f.Kind), f.Level)}, t.lift)
		return
	}
	want, err := t.p.parseLevel(f.Level)
	if err != nil {
		return // Index has refused it
	}
	for i := range t.classes {
		k := &t.classes[i]
		if !f.appliesTo(k.kind, k.part) || t.lifted(i, want) {
			continue
		}
		bar := condition{what: barFirmware, name: f.Level, class: i}
		if !k.known {
			c.add(fail{bar, t.unreadText(k, f.Level, run)}, t.lift)
			continue
		}
		at := slices.IndexFunc(k.levels, func(l level) bool { return l.compare(want) >= 0 })
		n := need{class: i, level: at, want: f.Level, run: run}
		switch {
		case at == 0:
		case !slices.ContainsFunc(t.raises, func(r raise) bool { return r.class == i && r.to >= at && at > 0 }):
			c.add(fail{bar, t.needText(n, 0) + ", and no firmware step raises " + it(len(k.names)) + " that far"}, t.lift)
		default:
			c.needs = append(c.needs, n)
		}
	}
}

func (c *conditions) add(f fail, lift condition) {
	if f.condition != lift && !slices.ContainsFunc(c.fails, func(g fail) bool { return g.condition == f.condition }) {
		c.fails = append(c.fails, f)
	}
}

// lifted reports whether a class is taken to have a level for the sake of the
// question what would open a way.
func (t *task) lifted(class int, want level) bool {
	if t.lift.what != barFirmware || t.lift.class != class {
		return false
	}
	l, err := t.p.parseLevel(t.lift.name)
	return err == nil && l.compare(want) >= 0
}

// limitsOf is what a transition asks of the device.
func (t *task) limitsOf(tr int) *conditions {
	c := &t.limits[tr]
	if c.done {
		return c
	}
	c.done = true
	for _, u := range t.p.transitions[tr].Unless {
		switch {
		case u.Firmware != nil:
			t.asks(c, *u.Firmware, "")
		case u.Feature != "":
			if slices.Contains(t.now.Features, u.Feature) {
				c.add(fail{condition{what: barFeature, name: u.Feature}, because("feature "+u.Feature+" is in use", u.Reason)}, t.lift)
			}
		default:
			t.partAbsent(c, u)
		}
	}
	return c
}

func (t *task) partAbsent(c *conditions, u Condition) {
	if len(t.now.Components) == 0 {
		c.add(fail{condition{what: barUnknown}, "the components are not known, and part " + u.Part + " must not be present"}, t.lift)
		return
	}
	var there, perhaps []Installed
	for _, k := range t.now.Components {
		switch {
		case k.Part == u.Part:
			there = append(there, k)
		case k.Part == "" && takesImages(k.Kind):
			perhaps = append(perhaps, k)
		}
	}
	bar := condition{what: barPart, name: u.Part}
	switch {
	case len(there) > 0:
		c.add(fail{bar, because(named(there)+" "+isAre(len(there))+" of part "+u.Part, u.Reason)}, t.lift)
	case len(perhaps) > 0:
		c.add(fail{bar, because("the part of "+named(perhaps)+" is unknown and may be "+u.Part, u.Reason)}, t.lift)
	}
}

// takesImages reports whether software is loaded onto components of the kind,
// so that their part matters to a transition.
func takesImages(kind string) bool {
	switch kind {
	case "CONTROLLER_CARD", "LINECARD", "FABRIC", "PORT_EXTENDER":
		return true
	}
	return false
}

// requiresOf is what a release asks of the device to run at all.
func (t *task) requiresOf(rel int) *conditions {
	c := &t.require[rel]
	if !c.done {
		c.done = true
		if rel != t.home {
			for _, f := range t.rels[rel].Requires {
				t.asks(c, f, t.rels[rel].Version)
			}
		}
	}
	return c
}

// from lists the transitions that start at a release.
func (t *task) from(rel int) []int {
	if rel < len(t.p.releases) {
		return t.p.starts[rel]
	}
	var out []int
	for i := range t.p.transitions {
		if t.p.transitions[i].from.Contains(t.rels[rel].v) {
			out = append(out, i)
		}
	}
	return out
}

// edgesFrom lists every step from a release by one transition, the barred ones
// too, in order of the release it leads to and then of the catalogue. One that
// another open one makes pointless is left out.
func (t *task) edgesFrom(rel int) []edge {
	if t.edges[rel] != nil {
		return t.edges[rel]
	}
	out := make([]edge, 0, 8)
	for _, tr := range t.from(rel) {
		x := &t.p.transitions[tr]
		for _, to := range x.targets {
			if e, ok := t.edge(rel, to, tr); ok {
				out = append(out, e)
			}
		}
		if n := len(t.p.releases); t.target == n && x.to.Contains(t.rels[n].v) {
			if e, ok := t.edge(rel, n, tr); ok {
				out = append(out, e)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b edge) int { return cmp.Compare(a.to, b.to) })
	kept := out[:0]
	for _, e := range out {
		pointless := false
		for i := len(kept) - 1; i >= 0 && kept[i].to == e.to && !pointless; i-- {
			f := &kept[i]
			pointless = e.open() && f.open() && f.inServed == e.inServed && f.w == e.w && slices.Equal(f.needs, e.needs)
		}
		if !pointless {
			kept = append(kept, e)
		}
	}
	t.edges[rel] = kept
	return kept
}

func (t *task) edge(rel, to, tr int) (edge, bool) {
	x := &t.p.transitions[tr]
	a, b := t.rels[rel], t.rels[to]
	up := b.v.Compare(a.v)
	if up == 0 || up < 0 && x.Method == InService && !x.down {
		return edge{}, false
	}
	e := edge{to: to, tr: tr, inServed: x.Method == InService, w: weight{hops: t.hopUnit, ms: x.ms}}
	if b.exposed {
		e.w.exposure = 1
	}
	if x.Method == Reload {
		e.w.out = 1
		if !t.opt.AllowReload {
			e.barred = condition{what: barReload}
		}
	} else {
		for _, s := range t.p.spans {
			d, ok := a.v.span(b.v, s.place)
			bar := condition{what: barSpan, name: s.field}
			if ok && d.Cmp(big64(s.most)) > 0 && bar != t.lift {
				e.fails = append(e.fails, fail{bar, fmt.Sprintf("%s changes by %s, at most %d in one in-service hop", s.field, d, s.most)})
			}
		}
	}
	if t.avoid[to] && to != t.target {
		e.barred = condition{what: barAvoid, name: b.Version}
	}
	for _, c := range []*conditions{t.limitsOf(tr), t.requiresOf(to)} {
		for _, f := range c.fails {
			if !slices.ContainsFunc(e.fails, func(g fail) bool { return g.condition == f.condition }) {
				e.fails = append(e.fails, f)
			}
		}
		for _, n := range c.needs {
			i := slices.IndexFunc(e.needs, func(m need) bool { return m.class == n.class })
			switch {
			case i < 0:
				e.needs = append(e.needs, n)
			case n.level > e.needs[i].level:
				e.needs[i] = n
			}
		}
	}
	slices.SortFunc(e.needs, func(m, n need) int { return cmp.Compare(m.class, n.class) })
	return e, true
}

// bounds finds, for every release, the least that is left to the target in each
// respect by itself, over all edges that the options allow, conditions aside.
func (t *task) bounds() {
	if t.floor != nil {
		return
	}
	n := len(t.rels)
	into := make([][]halfEdge, n)
	for r := range n {
		for i := range t.edgesFrom(r) {
			if e := &t.edges[r][i]; e.barred.what == "" {
				into[e.to] = append(into[e.to], halfEdge{r, e.w})
			}
		}
	}
	t.floor, t.reach = make([]weight, n), make([]bool, n)
	for i, d := range shortest(into, t.target, func(w weight) int64 { return int64(w.hops) }) {
		t.reach[i] = d < math.MaxInt64
		t.floor[i].hops = int(d)
	}
	for i, d := range shortest(into, t.target, func(w weight) int64 { return int64(w.out) }) {
		t.floor[i].out = int(d)
	}
	for i, d := range shortest(into, t.target, func(w weight) int64 { return int64(w.exposure) }) {
		t.floor[i].exposure = int(d)
	}
	for i, d := range shortest(into, t.target, func(w weight) int64 { return w.ms }) {
		t.floor[i].ms = d
	}
}

type halfEdge struct {
	from int
	w    weight
}

// shortest is Dijkstra's algorithm against the arrows; what cannot reach the
// target is at MaxInt64.
func shortest(into [][]halfEdge, target int, of func(weight) int64) []int64 {
	dist := make([]int64, len(into))
	for i := range dist {
		dist[i] = math.MaxInt64
	}
	dist[target] = 0
	q := &nodeQueue{{target, 0}}
	for q.Len() > 0 {
		at := heap.Pop(q).(nodeAt)
		if at.d > dist[at.node] {
			continue
		}
		for _, e := range into[at.node] {
			if d := at.d + of(e.w); d < dist[e.from] {
				dist[e.from] = d
				heap.Push(q, nodeAt{e.from, d})
			}
		}
	}
	return dist
}

type nodeAt struct {
	node int
	d    int64
}

type nodeQueue []nodeAt

func (q nodeQueue) Len() int           { return len(q) }
func (q nodeQueue) Less(i, j int) bool { return q[i].d < q[j].d }
func (q nodeQueue) Swap(i, j int)      { q[i], q[j] = q[j], q[i] }
func (q *nodeQueue) Push(v any)        { *q = append(*q, v.(nodeAt)) }
func (q *nodeQueue) Pop() any {
	old := *q
	v := old[len(old)-1]
	*q = old[:len(old)-1]
	return v
}

// state is where a device can be: a release, how many of the releases to pass
// it has passed, the firmware of each class, and which raises bound to certain
// releases could have been applied on the way here since the class was last
// raised. Two paths to the same state can go on in the same ways.
type state struct {
	rel, via int
	levels   []uint16
	could    []uint64 // a bit for each of task.raises
	labels   []*label
}

// label is one cost at which a state can be reached, with every step that
// reaches it at that cost.
type label struct {
	st    *state
	w     weight
	preds []pred
	count uint64 // paths from the start
	dead  bool   // a better label of the same state was found
	seq   int
}

type pred struct {
	from   *label
	e      *edge
	raises []int
}

// run is the running of a task: multi-criteria label setting. Labels leave the
// queue in order of outages, exposure, hops and minutes; as every hop adds one
// to the hops, all steps that reach a label are known when it leaves.
// Source: E. Q. V. Martins, On a multicriteria shortest path problem, European
// Journal of Operational Research 16 (1984), from memory.
type run struct {
	t       *task
	levels  []uint16 // firmware at the start
	states  map[string]*state
	queue   labelQueue
	settled [][]*label // by release, in the order they left the queue
	goals   []*label
	seq     int
	key     []byte
}

// run searches from the task's start with the given firmware. With first set it
// stops at the best cost.
func (t *task) run(levels []uint16, first bool) *run {
	t.bounds()
	r := &run{t: t, levels: levels, states: map[string]*state{}, settled: make([][]*label, len(t.rels))}
	r.reach(t.start, 0, levels, make([]uint64, (len(t.raises)+63)/64), weight{}, pred{})
	for len(r.queue) > 0 {
		l := heap.Pop(&r.queue).(*label)
		if first && len(r.goals) > 0 && l.w != r.goals[0].w {
			break
		}
		if l.dead || r.beaten(l) {
			continue
		}
		r.settled[l.st.rel] = append(r.settled[l.st.rel], l)
		if l.st.rel == t.target && l.st.via == len(t.via) {
			r.goals = append(r.goals, l)
			continue
		}
		r.expand(l)
	}
	return r
}

// beaten reports whether a label is worse than one of a state from which at
// least as much can be done, or leads to nothing that was not found better.
func (r *run) beaten(l *label) bool {
	if r.hopeless(l.st.rel, l.w) {
		return true
	}
	return slices.ContainsFunc(r.settled[l.st.rel], func(m *label) bool {
		return m.w.dominates(l.w) && r.atLeast(m.st, l.st)
	})
}

// hopeless reports whether every path on from here is worse than one found.
func (r *run) hopeless(rel int, w weight) bool {
	if !r.t.reach[rel] {
		return len(r.goals) > 0 // look further only to explain that there is no path
	}
	w = w.plus(r.t.floor[rel])
	return slices.ContainsFunc(r.goals, func(g *label) bool { return g.w.dominates(w) })
}

// atLeast reports whether all that can be done from b can be done from a at no
// greater cost.
func (r *run) atLeast(a, b *state) bool {
	if a.via < b.via {
		return false
	}
	for i := range a.levels {
		if a.levels[i] < b.levels[i] {
			return false
		}
	}
	for i := range r.t.raises {
		x := &r.t.raises[i]
		if hasBit(b.could, i) && !hasBit(a.could, i) && x.to > int(a.levels[x.class]) {
			return false
		}
	}
	return true
}

func hasBit(b []uint64, i int) bool { return b[i/64]&(1<<(i%64)) != 0 }

func packLevels(b []byte, levels []uint16) []byte {
	for _, l := range levels {
		b = binary.BigEndian.AppendUint16(b, l)
	}
	return b
}

// reach notes that a state can be reached at a cost by a step.
func (r *run) reach(rel, via int, levels []uint16, could []uint64, w weight, by pred) {
	if r.hopeless(rel, w) {
		return
	}
	r.key = binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(r.key[:0], uint32(rel)), uint32(via))
	r.key = packLevels(r.key, levels)
	for _, c := range could {
		r.key = binary.BigEndian.AppendUint64(r.key, c)
	}
	st := r.states[string(r.key)]
	if st == nil {
		st = &state{rel: rel, via: via, levels: slices.Clone(levels), could: slices.Clone(could)}
		r.states[string(r.key)] = st
	}
	n := uint64(1)
	if by.from != nil {
		n = by.from.count
	}
	for _, l := range st.labels {
		switch {
		case l.w == w:
			l.preds = append(l.preds, by)
			l.count = saturatingAdd(l.count, n)
			return
		case l.w.covers(w):
			return
		}
	}
	st.labels = slices.DeleteFunc(st.labels, func(l *label) bool {
		l.dead = l.dead || w.covers(l.w)
		return l.dead
	})
	l := &label{st: st, w: w, count: n, seq: r.seq}
	r.seq++
	if by.from != nil {
		l.preds = []pred{by}
	}
	st.labels = append(st.labels, l)
	heap.Push(&r.queue, l)
}

func saturatingAdd(a, b uint64) uint64 {
	if a > math.MaxUint64-b {
		return math.MaxUint64
	}
	return a + b
}

// expand takes every open edge from a label, with every choice of raises that
// its needs leave.
func (r *run) expand(l *label) {
	t := r.t
	edges := t.edgesFrom(l.st.rel)
	for i := 0; i < len(edges); {
		j := i
		for j < len(edges) && edges[j].to == edges[i].to {
			j++
		}
		s := hopChoice{l: l, group: edges[i:j]}
		for k := range s.group {
			if e := &s.group[k]; e.open() && (t.opt.MaxHops == 0 || l.w.hops+e.w.hops <= t.opt.MaxHops) {
				r.choose(&s, e, 0, nil, l.w.plus(e.w))
			}
		}
		i = j
	}
}

// hopChoice is what can be done from a label to go to one release: the edges
// that lead there, and the steps already made.
type hopChoice struct {
	l     *label
	group []edge
	made  []pred
}

// like reports whether two edges to the same release make the same hop.
func (e *edge) like(f *edge) bool { return e.inServed == f.inServed && e.w == f.w }

// choose completes the raises for the needs of an edge and makes the step.
func (r *run) choose(s *hopChoice, e *edge, from int, raises []int, w weight) {
	t, l := r.t, s.l
	for i := from; i < len(e.needs); i++ {
		n := e.needs[i]
		if int(l.st.levels[n.class]) >= n.level {
			continue
		}
		for j := range t.raises {
			if x := &t.raises[j]; x.class == n.class && x.to >= n.level && t.usable(j, l) {
				r.choose(s, e, i+1, append(slices.Clip(raises), j), w.plus(x.w))
			}
		}
		return
	}
	for _, m := range s.made { // by another transition that makes the same hop
		if m.e.like(e) && slices.Equal(m.raises, raises) {
			return
		}
	}
	for skip := range raises {
		if slices.ContainsFunc(s.group, func(f edge) bool { return f.open() && f.like(e) && t.enough(&f, l, raises, skip) }) {
			return // such a hop can be made without this raise
		}
	}
	s.made = append(s.made, pred{l, e, raises})
	via := l.st.via
	for via < len(t.via) && t.via[via] == e.to {
		via++
	}
	levels, could := slices.Clone(l.st.levels), make([]uint64, len(l.st.could))
	for _, j := range raises {
		levels[t.raises[j].class] = uint16(t.raises[j].to)
	}
	for j := range t.raises {
		x := &t.raises[j]
		if x.where == nil || x.to <= int(levels[x.class]) || levels[x.class] != l.st.levels[x.class] {
			continue // in reach anyway, of no use any more, or its place was taken
		}
		if x.where[l.st.rel] || hasBit(l.st.could, j) {
			could[j/64] |= 1 << (j % 64)
		}
	}
	r.reach(e.to, via, levels, could, w, pred{l, e, raises})
}

// enough reports whether a label and all raises but one meet an edge's needs.
func (t *task) enough(e *edge, l *label, raises []int, skip int) bool {
	return !slices.ContainsFunc(e.needs, func(n need) bool {
		if int(l.st.levels[n.class]) >= n.level {
			return false
		}
		for i, j := range raises {
			if x := &t.raises[j]; i != skip && x.class == n.class && x.to >= n.level {
				return false
			}
		}
		return true
	})
}

// usable reports whether a raise can be made before the hop that leaves the
// label, or could have been earlier.
func (t *task) usable(j int, l *label) bool {
	x := &t.raises[j]
	if x.w.out > 0 && !t.opt.AllowReload {
		return false
	}
	return x.where == nil || x.where[l.st.rel] || hasBit(l.st.could, j)
}

type labelQueue []*label

func (q labelQueue) Len() int { return len(q) }
func (q labelQueue) Less(i, j int) bool {
	return cmp.Or(q[i].w.compare(q[j].w), cmp.Compare(q[i].seq, q[j].seq)) < 0
}
func (q labelQueue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q *labelQueue) Push(v any)   { *q = append(*q, v.(*label)) }
func (q *labelQueue) Pop() any {
	old := *q
	v := old[len(old)-1]
	old[len(old)-1] = nil
	*q = old[:len(old)-1]
	return v
}
