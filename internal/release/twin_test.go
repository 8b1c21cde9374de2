package release

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The slow twin of the hop search. It walks every path that visits no state
// twice, raises firmware anywhere it may be raised, and only then throws away
// the paths with a needless or needlessly early firmware step, and those that
// another one beats. It shares the version parser with the search, and nothing
// else.

type twin struct {
	p       Platform
	s       *Scheme
	now     Present
	home    string
	target  string
	opt     Options
	groups  []twinGroup
	path    []twinStep
	visited map[string]bool
	found   map[Cost]map[string]bool
	within  map[string]bool
	next    map[string][]twinStep
	nodes   int
}

// twinNodes bounds the twin's walk; a case that needs more is left out.
const twinNodes = 20_000

func (w *twin) gaveUp() bool { return w.nodes > twinNodes }

type twinGroup struct {
	kind, part string
	start      string
	names      []string
}

type twinStep struct {
	// a raise
	group, firmware int
	// or a hop
	hop      bool
	from, to string
	method   string
	minutes  float64
	tr       int
}

func newTwin(p Platform, now Present, target string, opt Options) *twin {
	w := &twin{p: p, now: now, home: now.Release, target: target, opt: opt, visited: map[string]bool{}, found: map[Cost]map[string]bool{},
		within: map[string]bool{}, next: map[string][]twinStep{}}
	w.s, _ = p.Scheme.Compile()
	for _, c := range now.Components {
		i := slices.IndexFunc(w.groups, func(g twinGroup) bool { return g.kind == c.Kind && g.part == c.Part && g.start == c.Firmware })
		if i < 0 {
			i = len(w.groups)
			w.groups = append(w.groups, twinGroup{kind: c.Kind, part: c.Part, start: c.Firmware})
		}
		w.groups[i].names = append(w.groups[i].names, c.Name)
	}
	return w
}

func (w *twin) version(s string) Version { v, _ := w.s.Parse(s); return v }

func (w *twin) inRange(r, v string) bool {
	k := r + " " + v
	in, ok := w.within[k]
	if !ok {
		rr, err := w.s.ParseRange(r)
		in = err == nil && rr.Contains(w.version(v))
		w.within[k] = in
	}
	return in
}

// ok says whether a hop can be taken with the given firmware.
func (w *twin) ok(s twinStep, levels []string) bool {
	t := w.p.Transitions[s.tr]
	asked := []FirmwareLevel{}
	for _, u := range t.Unless {
		switch {
		case u.Firmware != nil:
			asked = append(asked, *u.Firmware)
		case u.Feature != "":
			if slices.Contains(w.now.Features, u.Feature) {
				return false
			}
		default:
			for _, c := range w.now.Components {
				if c.Part == u.Part || c.Part == "" && c.Kind != "FAN" {
					return false
				}
			}
		}
	}
	if s.to != w.home {
		for _, r := range w.p.Releases {
			if r.Version == s.to {
				asked = append(asked, r.Requires...)
			}
		}
	}
	for _, f := range asked {
		for g, l := range levels {
			k := w.groups[g]
			if f.Kind == k.kind && (f.Part == "" || k.part == "" || f.Part == k.part) && (l == "" || compareNatural(l, f.Level) < 0) {
				return false
			}
		}
	}
	return true
}

func (w *twin) hops(from string) []twinStep {
	if w.next[from] == nil {
		w.next[from] = w.allHops(from)
	}
	return w.next[from]
}

func (w *twin) allHops(from string) []twinStep {
	var out []twinStep
	for i, t := range w.p.Transitions {
		if !w.inRange(t.From, from) {
			continue
		}
		// A way back lies wholly below.
		lowest := ""
		for _, r := range w.p.Releases {
			if w.inRange(t.From, r.Version) && (lowest == "" || w.version(r.Version).Compare(w.version(lowest)) < 0) {
				lowest = r.Version
			}
		}
		whollyBelow := true
		for _, r := range w.p.Releases {
			if w.inRange(t.To, r.Version) && w.version(r.Version).Compare(w.version(lowest)) >= 0 {
				whollyBelow = false
			}
		}
		for _, r := range w.p.Releases {
			c := w.version(r.Version).Compare(w.version(from))
			if !w.inRange(t.To, r.Version) || c == 0 || c < 0 && t.Method == InService && !whollyBelow {
				continue
			}
			if t.Method == Reload && !w.opt.AllowReload {
				continue
			}
			if t.Method == InService && w.tooFar(from, r.Version) {
				continue
			}
			if r.Version != w.target && slices.ContainsFunc(w.opt.Avoid, func(a string) bool { return w.inRange(a, r.Version) }) {
				continue
			}
			out = append(out, twinStep{hop: true, from: from, to: r.Version, method: t.Method, minutes: t.Minutes.Likely, tr: i})
		}
	}
	return out
}

// tooFar knows versions of two numbers only.
func (w *twin) tooFar(a, b string) bool {
	var x, y [2]int
	fmt.Sscanf(a, "%d.%d", &x[0], &x[1])
	fmt.Sscanf(b, "%d.%d", &y[0], &y[1])
	abs := func(n int) int { return max(n, -n) }
	if m, ok := w.p.MaxInServiceSpan["major"]; ok && abs(x[0]-y[0]) > m {
		return true
	}
	m, ok := w.p.MaxInServiceSpan["minor"]
	return ok && x[0] == y[0] && abs(x[1]-y[1]) > m
}

func (w *twin) exposed(v string) bool {
	for _, r := range w.p.Releases {
		if r.Version == v {
			return r.Support == Withdrawn || r.Support == Defective
		}
	}
	return false
}

func (w *twin) raiseOK(group, firmware int, release, level string) bool {
	f, g := w.p.Firmware[firmware], w.groups[group]
	return level != "" && f.Kind == g.kind && (f.Part == "" || f.Part == g.part) && compareNatural(f.Level, level) > 0 &&
		(f.Needs == "" || w.inRange(f.Needs, release)) && (!f.Outage || w.opt.AllowReload)
}

func (w *twin) cost(path []twinStep) Cost {
	var c Cost
	ms := int64(0)
	for _, s := range path {
		if s.hop {
			c.Hops++
			ms += milliseconds(s.minutes)
			if s.method == Reload {
				c.Outages++
			}
			if w.exposed(s.to) {
				c.Exposure++
			}
			continue
		}
		f, n := w.p.Firmware[s.firmware], len(w.groups[s.group].names)
		ms += milliseconds(f.Minutes) * int64(n)
		if f.Outage {
			c.Outages += n
		}
	}
	c.Minutes = minutesOf(ms)
	return c
}

func twinBeats(a, b Cost) bool {
	return a != b && a.Outages <= b.Outages && a.Exposure <= b.Exposure && a.Hops <= b.Hops && a.Minutes <= b.Minutes
}

func (w *twin) walk(release string, levels []string, via int) {
	if w.nodes++; w.gaveUp() {
		return
	}
	c := w.cost(w.path)
	for d := range w.found {
		if twinBeats(d, c) {
			return
		}
	}
	if release == w.target && via == len(w.opt.Via) && len(w.path) > 0 {
		if w.path[len(w.path)-1].hop && w.lean() {
			if w.found[c] == nil {
				w.found[c] = map[string]bool{}
			}
			w.found[c][w.sign(w.path)] = true
		}
		return
	}
	k := fmt.Sprint(release, levels, via)
	if w.visited[k] {
		return
	}
	w.visited[k] = true
	defer delete(w.visited, k)
	for g := range w.groups {
		for f := range w.p.Firmware {
			if w.raiseOK(g, f, release, levels[g]) {
				up := slices.Clone(levels)
				up[g] = w.p.Firmware[f].Level
				w.path = append(w.path, twinStep{group: g, firmware: f})
				w.walk(release, up, via)
				w.path = w.path[:len(w.path)-1]
			}
		}
	}
	if w.opt.MaxHops > 0 && c.Hops == w.opt.MaxHops {
		return
	}
	for _, h := range w.hops(release) {
		if !w.ok(h, levels) {
			continue
		}
		v := via
		for v < len(w.opt.Via) && w.opt.Via[v] == h.to {
			v++
		}
		w.path = append(w.path, h)
		w.walk(h.to, levels, v)
		w.path = w.path[:len(w.path)-1]
	}
}

// valid replays a path.
func (w *twin) valid(path []twinStep) bool {
	levels := make([]string, len(w.groups))
	for g := range w.groups {
		levels[g] = w.groups[g].start
	}
	at := w.now.Release
	for _, s := range path {
		if s.hop {
			// Another transition that makes the same hop will do.
			if !slices.ContainsFunc(w.hops(s.from), func(h twinStep) bool {
				return h.to == s.to && h.method == s.method && h.minutes == s.minutes && w.ok(h, levels)
			}) {
				return false
			}
			at = s.to
			continue
		}
		if !w.raiseOK(s.group, s.firmware, at, levels[s.group]) {
			return false
		}
		levels[s.group] = w.p.Firmware[s.firmware].Level
	}
	return true
}

// lean says that no firmware step of the path can be left out or made later.
func (w *twin) lean() bool {
	for i, s := range w.path {
		if s.hop {
			continue
		}
		without := slices.Delete(slices.Clone(w.path), i, i+1)
		if w.valid(without) {
			return false
		}
		for j := i; j < len(without); j++ {
			if !without[j].hop || j+1 == len(without) {
				continue
			}
			for f := range w.p.Firmware { // the same step, or one like it
				if a, b := w.p.Firmware[f], w.p.Firmware[s.firmware]; a.Level != b.Level || a.Minutes != b.Minutes || a.Outage != b.Outage {
					continue
				}
				s.firmware = f
				if w.valid(slices.Insert(slices.Clone(without), j+1, s)) {
					return false
				}
			}
		}
	}
	return true
}

// sign writes a path so that the order of firmware steps before one hop does
// not matter.
func (w *twin) sign(path []twinStep) string {
	var out, raises []string
	levels := map[int]string{}
	for _, s := range path {
		if s.hop {
			slices.Sort(raises)
			out = append(out, fmt.Sprintf("%v %s>%s %s %v", raises, s.from, s.to, s.method, s.minutes))
			raises = nil
			continue
		}
		was, ok := levels[s.group]
		if !ok {
			was = w.groups[s.group].start
		}
		f := w.p.Firmware[s.firmware]
		levels[s.group] = f.Level
		for _, n := range w.groups[s.group].names {
			raises = append(raises, fmt.Sprintf("%s:%s>%s/%v/%v", n, was, f.Level, f.Minutes, f.Outage))
		}
	}
	return strings.Join(out, " | ")
}

func signHops(hops []Hop) string {
	var out []string
	for _, h := range hops {
		var raises []string
		for _, f := range h.Firmware {
			raises = append(raises, fmt.Sprintf("%s:%s>%s/%v/%v", f.Component, f.From, f.To, f.Minutes, f.Outage))
		}
		slices.Sort(raises)
		out = append(out, fmt.Sprintf("%v %s>%s %s %v", raises, h.From, h.To, h.Method, h.Minutes.Likely))
	}
	return strings.Join(out, " | ")
}

// best drops the costs that another one beats.
func (w *twin) best() map[Cost]map[string]bool {
	out := maps.Clone(w.found)
	maps.DeleteFunc(out, func(c Cost, _ map[string]bool) bool {
		for d := range w.found {
			if twinBeats(d, c) {
				return true
			}
		}
		return false
	})
	return out
}

func (w *twin) run() map[Cost]map[string]bool {
	levels := make([]string, len(w.groups))
	for g := range w.groups {
		levels[g] = w.groups[g].start
	}
	w.walk(w.now.Release, levels, 0)
	return w.best()
}

var twoNumbers = VersionScheme{
	Pattern: `(?P<major>\d+)\.(?P<minor>\d+)`,
	Order:   []OrderField{{Field: "major", As: AsNumber}, {Field: "minor", As: AsNumber}},
}

// drawPlatform makes a small platform on which a bit of everything happens.
func drawPlatform(t *rapid.T) Platform {
	p := Platform{ID: "alder-9", Scheme: twoNumbers}
	all := []string{"1.8", "1.9", "1.10", "2.0", "2.1"}
	n := rapid.IntRange(2, 4).Draw(t, "releases")
	perm := rapid.Permutation(all).Draw(t, "which")
	names := slices.Clone(perm[:n])
	pick := func(label string) string { return rapid.SampledFrom(names).Draw(t, label) }
	level := func(label string) *FirmwareLevel {
		return &FirmwareLevel{
			Kind: rapid.SampledFrom([]string{"LINECARD", "LINECARD", "FABRIC"}).Draw(t, label+" kind"),
			Part: rapid.SampledFrom([]string{"", "", "p", "q"}).Draw(t, label+" part"), Level: rapid.SampledFrom([]string{"2", "3"}).Draw(t, label)}
	}
	for _, v := range names {
		r := Release{Version: v, Support: rapid.SampledFrom([]string{"", Supported, Withdrawn, Defective, EndOfSupport}).Draw(t, "support")}
		if rapid.IntRange(0, 5).Draw(t, "requires") == 0 {
			r.Requires = append(r.Requires, *level("requires"))
		}
		p.Releases = append(p.Releases, r)
	}
	rng := func(label string) string {
		switch rapid.IntRange(0, 6).Draw(t, label+" form") {
		case 0:
			return "*"
		case 1:
			return pick(label) + ".."
		case 2:
			return ".." + pick(label)
		case 3:
			return pick(label) + "," + pick(label)
		case 4:
			return "*"
		default:
			return pick(label)
		}
	}
	for range rapid.IntRange(2, 8).Draw(t, "transitions") {
		m := float64(rapid.IntRange(1, 2).Draw(t, "minutes"))
		tr := Transition{From: rng("from"), To: rng("to"), Method: rapid.SampledFrom([]string{InService, InService, Reload}).Draw(t, "method"), Minutes: Spread{m, m, m}}
		switch rapid.IntRange(0, 8).Draw(t, "unless") {
		case 0:
			tr.Unless = []Condition{{Feature: "f", Reason: "x"}}
		case 1:
			tr.Unless = []Condition{{Part: "q", Reason: "x"}}
		case 2, 3, 5, 6:
			tr.Unless = []Condition{{Firmware: level("below"), Reason: "x"}}
		case 4:
			tr.Unless = []Condition{{Firmware: level("below"), Reason: "x"}, {Firmware: level("below2"), Reason: "x"}}
		}
		p.Transitions = append(p.Transitions, tr)
	}
	for range rapid.IntRange(1, 4).Draw(t, "steps") {
		f := Firmware{Kind: rapid.SampledFrom([]string{"LINECARD", "LINECARD", "FABRIC"}).Draw(t, "kind"), Part: rapid.SampledFrom([]string{"", "", "p"}).Draw(t, "part"),
			Level: rapid.SampledFrom([]string{"2", "3", "4"}).Draw(t, "level"), Minutes: float64(rapid.IntRange(0, 2).Draw(t, "step minutes")), Outage: rapid.IntRange(0, 3).Draw(t, "outage") == 0}
		if rapid.IntRange(0, 2).Draw(t, "bound") > 0 {
			f.Needs = rng("needs")
		}
		p.Firmware = append(p.Firmware, f)
	}
	if rapid.IntRange(0, 5).Draw(t, "span") == 0 {
		p.MaxInServiceSpan = map[string]int{rapid.SampledFrom([]string{"major", "minor"}).Draw(t, "span of"): rapid.IntRange(0, 2).Draw(t, "most")}
	}
	return p
}

// drawChain makes a platform on which everything turns on where firmware is
// raised: single transitions upwards, many of which need a level, and steps
// bound to releases. The device starts at the lowest release, with old cards.
func drawChain(t *rapid.T) (Platform, Present) {
	p := Platform{ID: "alder-9", Scheme: twoNumbers}
	names := []string{"1.8", "1.9", "1.10", "2.0", "2.1"}[:rapid.IntRange(3, 5).Draw(t, "releases")]
	for _, v := range names {
		p.Releases = append(p.Releases, Release{Version: v})
	}
	level := rapid.SampledFrom([]string{"2", "2", "3"})
	for range rapid.IntRange(3, 8).Draw(t, "transitions") {
		a := rapid.IntRange(0, len(names)-2).Draw(t, "from")
		b := rapid.IntRange(a+1, len(names)-1).Draw(t, "to")
		m := float64(rapid.IntRange(1, 3).Draw(t, "minutes"))
		tr := Transition{From: names[a], To: names[b], Method: InService, Minutes: Spread{m, m, m}}
		if rapid.Bool().Draw(t, "needs") {
			tr.Unless = []Condition{{Firmware: &FirmwareLevel{Kind: "LINECARD", Level: level.Draw(t, "below")}}}
		}
		p.Transitions = append(p.Transitions, tr)
	}
	for range rapid.IntRange(1, 4).Draw(t, "steps") {
		f := Firmware{Kind: "LINECARD", Level: rapid.SampledFrom([]string{"2", "3", "4"}).Draw(t, "level"), Minutes: float64(rapid.IntRange(0, 1).Draw(t, "step minutes"))}
		if rapid.IntRange(0, 3).Draw(t, "bound") > 0 {
			f.Needs = rapid.SampledFrom(names).Draw(t, "under")
		}
		p.Firmware = append(p.Firmware, f)
	}
	now := Present{Device: "mere-agg-1", Platform: p.ID, Release: names[0], Components: []Installed{{Name: "LC-1", Kind: "LINECARD", Firmware: "1"}}}
	if rapid.IntRange(0, 3).Draw(t, "two cards") == 0 {
		now.Components = append(now.Components, Installed{Name: "LC-2", Kind: "LINECARD", Firmware: "2"})
	}
	return p, now
}

func drawPresent(t *rapid.T, p Platform) Present {
	now := Present{Device: "mere-agg-1", Platform: p.ID, Release: rapid.SampledFrom(p.Releases).Draw(t, "present").Version}
	now.Components = []Installed{{Name: "FAN-1", Kind: "FAN"}}
	for i := range rapid.IntRange(0, 3).Draw(t, "components") {
		now.Components = append(now.Components, Installed{
			Name: fmt.Sprintf("LC-%d", i+1), Kind: rapid.SampledFrom([]string{"LINECARD", "LINECARD", "FABRIC"}).Draw(t, "kind"),
			Part:     rapid.SampledFrom([]string{"p", "p", "p", "p", "p", "p", "q", ""}).Draw(t, "part"),
			Firmware: rapid.SampledFrom([]string{"1", "1", "1", "1", "1", "1", "2", "3", ""}).Draw(t, "firmware"),
		})
	}
	if rapid.IntRange(0, 5).Draw(t, "feature") == 0 {
		now.Features = []string{"f"}
	}
	return now
}

func TestSearchAgreesWithItsSlowTwin(t *testing.T) {
	var runs, left, found, raised, retro, ties, none int
	one := func(t *rapid.T) {
		var p Platform
		var now Present
		chain := rapid.Bool().Draw(t, "chain")
		if chain {
			p, now = drawChain(t)
		} else {
			p = drawPlatform(t)
			now = drawPresent(t, p)
		}
		x, err := (&Catalogue{Platforms: []Platform{p}}).Index()
		if err != nil {
			t.Fatalf("index: %v", err)
		}
		target := rapid.SampledFrom(p.Releases).Draw(t, "target").Version
		if chain {
			target = p.Releases[len(p.Releases)-1].Version
		}
		if target == now.Release {
			return
		}
		o := Options{AllowReload: rapid.Bool().Draw(t, "reload"), MaxHops: rapid.SampledFrom([]int{0, 0, 0, 1, 2, 3}).Draw(t, "max hops")}
		if rapid.IntRange(0, 4).Draw(t, "avoid") == 0 {
			o.Avoid = []string{rapid.SampledFrom(p.Releases).Draw(t, "avoid").Version}
		}
		if rapid.IntRange(0, 4).Draw(t, "via") == 0 {
			o.Via = []string{rapid.SampledFrom(p.Releases).Draw(t, "via").Version}
		}
		if slices.Contains(o.Avoid, target) || len(o.Via) > 0 && slices.Contains(o.Avoid, o.Via[0]) && o.Via[0] != now.Release {
			return
		}
		res, err := x.Search(now, target, o)
		if err != nil {
			t.Fatalf("search: %v", err)
		}
		if len(o.Via) > 0 && o.Via[0] == now.Release {
			o.Via = nil // entered already
		}
		w := newTwin(p, now, target, o)
		want := w.run()
		runs++
		if w.gaveUp() {
			left++
			return
		}
		got := map[Cost]map[string]bool{}
		equal := map[Cost]uint64{}
		for _, path := range res.Paths {
			if got[path.Cost] == nil {
				got[path.Cost] = map[string]bool{}
			}
			if s := signHops(path.Hops); got[path.Cost][s] {
				t.Fatalf("listed twice: %s", s)
			} else {
				got[path.Cost][s] = true
			}
			equal[path.Cost] = path.Equal
		}
		for c, paths := range want {
			if equal[c] != uint64(len(paths)) {
				t.Fatalf("cost %+v: got %d paths, want %d\ngot %v\nwant %v", c, equal[c], len(paths), got[c], paths)
			}
			if len(paths) <= MaxEqual && !maps.Equal(paths, got[c]) {
				t.Fatalf("cost %+v:\ngot %v\nwant %v", c, got[c], paths)
			}
			if len(paths) > 1 {
				ties++
			}
		}
		for c := range got {
			if want[c] == nil {
				t.Fatalf("cost %+v found, the twin has only %v\n%v", c, want, got[c])
			}
		}
		if !slices.IsSortedFunc(res.Paths, func(a, b Path) int { return compareCost(a.Cost, b.Cost) }) {
			t.Fatalf("paths are not in order")
		}
		if (len(res.Paths) == 0) != (res.NoPath != nil) {
			t.Fatalf("%d paths, reason for none: %v", len(res.Paths), res.NoPath)
		}
		for _, path := range res.Paths {
			found++
			for i, h := range path.Hops {
				raised += len(h.Firmware)
				if i+1 < len(path.Hops) && len(h.Firmware) > 0 {
					retro++
				}
			}
			checkBack(t, x, p, now, path, o)
		}
		if len(res.Paths) == 0 {
			none++
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		for range 6 { // more cases without more checks
			one(t)
		}
	})
	t.Logf("%d searches (%d left out): %d paths, %d with equals, %d firmware steps (%d before a hop that is not the last), %d without a path", runs, left, found, ties, raised, retro, none)
	if left > runs/10 {
		t.Errorf("the twin gave up on %d of %d cases", left, runs)
	}
	if found == 0 || raised == 0 || none == 0 {
		t.Errorf("the drawn cases did not show everything: %d paths, %d firmware steps, %d without a path", found, raised, none)
	}
}

func compareCost(a, b Cost) int {
	x := weight{a.Outages, a.Exposure, a.Hops, milliseconds(a.Minutes)}
	return x.compare(weight{b.Outages, b.Exposure, b.Hops, milliseconds(b.Minutes)})
}

// checkBack compares the ways back, whole and hop by hop, with the twin's best.
func checkBack(t *rapid.T, x *Index, p Platform, now Present, path Path, o Options) {
	check := func(hops int, to string, back Back) {
		after := now
		after.Components = slices.Clone(now.Components)
		after.Release = path.Hops[hops-1].To
		for _, h := range path.Hops[:hops] {
			for _, f := range h.Firmware {
				i := slices.IndexFunc(after.Components, func(c Installed) bool { return c.Name == f.Component })
				after.Components[i].Firmware = f.To
			}
		}
		w := newTwin(p, after, to, Options{AllowReload: true, Avoid: o.Avoid})
		w.home = now.Release
		var best *Cost
		costs := w.run()
		if w.gaveUp() {
			return
		}
		for c := range costs {
			if best == nil || compareCost(c, *best) < 0 {
				best = &c
			}
		}
		switch {
		case best == nil && back.None == "":
			t.Fatalf("way back %s → %s: got %v, the twin has none", after.Release, to, back.Hops)
		case best != nil && back.None != "":
			t.Fatalf("way back %s → %s: got none (%s), the twin has %+v", after.Release, to, back.None, *best)
		case best != nil && (*best != back.Cost || !w.found[*best][signHops(back.Hops)]):
			t.Fatalf("way back %s → %s: got %+v %s, want %+v %v", after.Release, to, back.Cost, signHops(back.Hops), *best, w.found[*best])
		}
	}
	check(len(path.Hops), now.Release, Back{path.Back, path.BackCost, path.NoBack})
	for i := range path.Hops {
		b, err := x.HopBack(now, path, i, o)
		if err != nil {
			t.Fatalf("hop back: %v", err)
		}
		check(i+1, path.Hops[i].From, b)
	}
}
