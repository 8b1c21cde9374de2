package release

import (
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// ErrUnknown is wrapped by errors about a platform or release that the
// catalogue does not have.
var ErrUnknown = errors.New("not in the catalogue")

// Index is a [Catalogue] with its versions parsed, its ranges resolved and its
// cross-references checked. It does not change and is safe for concurrent use;
// it keeps the catalogue's slices, which must not be changed any more.
type Index struct {
	platforms map[string]*platform
}

// Problem is one mistake in a catalogue that is well-formed but makes no sense.
type Problem struct {
	// Path leads to the value in the catalogue's document, such as
	// "$.platforms[0].transitions[3].from".
	Path string
	// Where names the place in the operator's words, such as
	// "platform alder-9, transition 4 (2.4.1 → 2.6.0)".
	Where string
	// Text says what was found and what would be right.
	Text string
}

// Error is the place and the text.
func (p Problem) Error() string { return p.Where + ": " + p.Text }

// Problems are all mistakes of a catalogue, in the order of its document.
type Problems []Problem

// Error is one line for each problem.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap lets [errors.As] find each [Problem].
func (p Problems) Unwrap() []error {
	out := make([]error, len(p))
	for i := range p {
		out[i] = p[i]
	}
	return out
}

// platform is one platform of the index. releases are in ascending order.
type platform struct {
	Platform
	scheme      *Scheme
	firmware    *Scheme // nil: natural order
	releases    []listed
	transitions []transition
	starts      [][]int // transitions that start at each release
	steps       []firmwareStep
	spans       []spanLimit
}

type listed struct {
	Release
	v       Version
	exposed bool
}

type transition struct {
	Transition
	from, to Range
	targets  []int // releases in to, ascending
	ms       int64 // likely minutes
	// down is set where every release of to sorts below every one of from: the
	// transition is meant as a way back.
	down bool
}

type firmwareStep struct {
	Firmware
	needs    Range
	anywhere bool // needs is empty
	ms       int64
}

type spanLimit struct {
	field string
	place int // in the scheme's order
	most  int
}

// milliseconds turns minutes into a whole number, so that sums of the same
// minutes in another order are the same.
func milliseconds(minutes float64) int64 { return int64(math.Round(minutes * 60_000)) }

func minutesOf(ms int64) float64 { return float64(ms) / 60_000 }

// Index checks the catalogue and makes it ready for use. Every mistake is
// reported at once, as [Problems]. Checked are: ids and versions are there and
// single; versions, ranges and firmware levels parse; a transition's single
// versions and its To name releases; estimates are ordered and not negative; a
// condition says exactly one thing; hashes have the length of their kind.
func (c *Catalogue) Index() (*Index, error) {
	x := &Index{platforms: map[string]*platform{}}
	var ps Problems
	for i, p := range c.Platforms {
		k := checker{path: fmt.Sprintf("$.platforms[%d]", i), where: "platform " + p.ID, out: &ps}
		if p.ID == "" {
			k.where = fmt.Sprintf("platform %d", i+1)
			k.at("id").say("found none, want a name")
		} else if x.platforms[p.ID] != nil {
			k.at("id").say("found %q a second time, want each id once", p.ID)
		}
		x.platforms[p.ID] = k.platform(p)
	}
	if len(ps) > 0 {
		return nil, ps
	}
	return x, nil
}

// checker collects problems at a place of the document.
type checker struct {
	path, where string
	out         *Problems
}

func (k checker) at(path string) checker { k.path += "." + path; return k }

func (k checker) item(list string, i int, format string, args ...any) checker {
	k.path += fmt.Sprintf(".%s[%d]", list, i)
	k.where += ", " + fmt.Sprintf(format, args...)
	return k
}

// say records a problem; the field's name is the end of the path.
func (k checker) say(format string, args ...any) {
	field := k.path[strings.LastIndexByte(k.path, '.')+1:]
	*k.out = append(*k.out, Problem{Path: k.path, Where: k.where, Text: field + ": " + fmt.Sprintf(format, args...)})
}

func (k checker) platform(in Platform) *platform {
	p := &platform{Platform: in}
	var err error
	if p.scheme, err = in.Scheme.Compile(); err != nil {
		k.at("version-scheme").say("%v", err)
		return p // without versions nothing else can be judged
	}
	if in.FirmwareScheme != nil {
		if p.firmware, err = in.FirmwareScheme.Compile(); err != nil {
			k.at("firmware-scheme").say("%v", err)
			return p
		}
	}
	for _, name := range sortedKeys(in.MaxInServiceSpan) {
		at := k.at("max-in-service-span").at(name)
		place, ok := p.scheme.field(name)
		switch most := in.MaxInServiceSpan[name]; {
		case !ok || p.scheme.fields[place].as != AsNumber:
			at.say("want a number field of the version scheme")
		case most < 0:
			at.say("found %d, want 0 or more", most)
		default:
			p.spans = append(p.spans, spanLimit{field: name, place: place, most: most})
		}
	}
	slices.SortFunc(p.spans, func(a, b spanLimit) int { return a.place - b.place })
	for i, r := range in.Releases {
		k.item("releases", i, "release %s", r.Version).release(p, r)
	}
	slices.SortStableFunc(p.releases, func(a, b listed) int { return a.v.Compare(b.v) })
	for i := 1; i < len(p.releases); i++ {
		if a, b := p.releases[i-1], p.releases[i]; a.v.Compare(b.v) == 0 {
			k.at("releases").say("%s and %s are the same version by the scheme, want each release once", a.Version, b.Version)
		}
	}
	p.starts = make([][]int, len(p.releases))
	for i, t := range in.Transitions {
		k.item("transitions", i, "transition %d (%s → %s)", i+1, t.From, t.To).transition(p, t)
	}
	for i, f := range in.Firmware {
		k.item("firmware", i, "firmware %d (%s %s)", i+1, kindText(f.Kind), f.Level).firmware(p, f)
	}
	return p
}

func (k checker) release(p *platform, r Release) {
	v, err := p.scheme.Parse(r.Version)
	if err != nil {
		k.at("version").say("%v", err)
		return
	}
	l := listed{Release: r, v: v}
	switch r.Support {
	case "", Supported, EndOfSupport:
	case Withdrawn, Defective:
		l.exposed = true
	default:
		k.at("support").say("found %q, want %q, %q, %q or %q", r.Support, Supported, EndOfSupport, Withdrawn, Defective)
	}
	if r.Date != "" {
		if _, err := time.Parse(time.DateOnly, r.Date); err != nil {
			k.at("date").say("found %q, want a date such as 2026-03-31", r.Date)
		}
	}
	for i, im := range r.Images {
		k.item("images", i, "image %s", im.File).image(p, im)
	}
	for i, f := range r.Requires {
		k.item("requires", i, "requirement %d", i+1).level(p, f)
	}
	p.releases = append(p.releases, l)
}

func (k checker) image(p *platform, im Image) {
	switch im.Kind {
	case ImageSystem, ImageBoot, ImageLineCard, ImageManagement, ImageFirmware:
	default:
		k.at("kind").say("found %q, want %q, %q, %q, %q or %q", im.Kind, ImageSystem, ImageBoot, ImageLineCard, ImageManagement, ImageFirmware)
	}
	if im.File == "" {
		k.at("file").say("found none, want the name of the file")
	}
	if im.Size <= 0 {
		k.at("size").say("found %s, want the size of the file", im.Size)
	}
	if problem := hashProblem(im.SHA256, 32); problem != "" {
		k.at("sha256").say("%s", problem)
	}
	if problem := hashProblem(im.SHA512, 64); problem != "" {
		k.at("sha512").say("%s", problem)
	}
	if im.Of != "" {
		if _, err := p.scheme.Parse(im.Of); err != nil {
			k.at("of").say("%v", err)
		}
	}
}

// hashProblem says what is wrong with a hash of so many octets in hex; an empty
// one is not wrong here.
func hashProblem(h string, octets int) string {
	if h == "" {
		return ""
	}
	if b, err := hex.DecodeString(h); err != nil || len(b) != octets {
		return fmt.Sprintf("found %q, want %d hexadecimal digits", h, 2*octets)
	}
	return ""
}

func (k checker) level(p *platform, f FirmwareLevel) {
	if f.Kind == "" {
		k.at("kind").say("found none, want a kind of component such as LINECARD")
	}
	if _, err := p.parseLevel(f.Level); err != nil {
		k.at("level").say("%v", err)
	}
}

func (k checker) transition(p *platform, t Transition) {
	c := transition{Transition: t, ms: milliseconds(t.Minutes.Likely)}
	var okFrom, okTo bool
	c.from, okFrom = k.at("from").versions(p, t.From)
	c.to, okTo = k.at("to").versions(p, t.To)
	if okFrom && okTo {
		from := p.within(c.from)
		for _, i := range from {
			p.starts[i] = append(p.starts[i], len(p.transitions))
		}
		if c.targets = p.within(c.to); len(c.targets) == 0 {
			k.at("to").say("found %q, which contains no release of the platform, want at least one", t.To)
		} else {
			c.down = len(from) == 0 || c.targets[len(c.targets)-1] < from[0]
		}
	}
	switch t.Method {
	case InService:
	case Reload:
		if t.Loss != nil {
			k.at("method").say("found %q with a loss at the switchover, want that for %q only", Reload, InService)
		}
	default:
		k.at("method").say("found %q, want %q or %q", t.Method, InService, Reload)
	}
	if m := t.Minutes; !(m.Least >= 0 && m.Least <= m.Likely && m.Likely <= m.Most && m.Most < 1e7) {
		k.at("minutes").say("found %v, %v, %v, want 0 ≤ least ≤ likely ≤ most", m.Least, m.Likely, m.Most)
	}
	k.at("silence").silence(t.Silence)
	k.at("loss").silence(t.Loss)
	for i, u := range t.Unless {
		at := k.item("unless", i, "condition %d", i+1)
		n := 0
		if u.Part != "" {
			n++
		}
		if u.Feature != "" {
			n++
		}
		if u.Firmware != nil {
			n++
			at.at("firmware-below").level(p, *u.Firmware)
		}
		if n != 1 {
			at.at("part").say("found %d of part, feature and firmware-below, want exactly one", n)
		}
	}
	p.transitions = append(p.transitions, c)
}

// versions reads one side of a transition. A single version must be a release
// of the platform: it is most likely mistyped otherwise.
func (k checker) versions(p *platform, text string) (Range, bool) {
	r, err := p.scheme.ParseRange(text)
	if err != nil {
		k.say("%v", err)
		return r, false
	}
	ok := true
	for _, s := range r.spans {
		if s.single() && p.find(s.low) < 0 {
			k.say("found %s, which is no release of the platform, want one%s", s.low, p.around(s.low))
			ok = false
		}
	}
	return r, ok
}

func (k checker) silence(s *SilenceRange) {
	if s != nil && (s.Least < 0 || s.Least > s.Likely || s.Likely > s.Most) {
		k.say("found %s, %s, %s, want 0 ≤ least ≤ likely ≤ most", s.Least, s.Likely, s.Most)
	}
}

func (k checker) firmware(p *platform, f Firmware) {
	s := firmwareStep{Firmware: f, anywhere: f.Needs == "", ms: milliseconds(f.Minutes)}
	k.level(p, FirmwareLevel{Kind: f.Kind, Part: f.Part, Level: f.Level})
	if !(f.Minutes >= 0 && f.Minutes < 1e7) {
		k.at("minutes").say("found %v, want 0 or more", f.Minutes)
	}
	if !s.anywhere {
		var err error
		if s.needs, err = p.scheme.ParseRange(f.Needs); err != nil {
			k.at("needs").say("%v", err)
		}
	}
	p.steps = append(p.steps, s)
}

// find returns the place of the release that the version is, or -1.
func (p *platform) find(v Version) int {
	i, ok := slices.BinarySearchFunc(p.releases, v, func(r listed, v Version) int { return r.v.Compare(v) })
	if !ok {
		return -1
	}
	return i
}

// within lists the releases in a range, ascending.
func (p *platform) within(r Range) []int {
	var out []int
	for _, s := range r.spans {
		low, high := 0, len(p.releases)
		if s.hasLow {
			low, _ = slices.BinarySearchFunc(p.releases, s.low, func(r listed, v Version) int { return r.v.Compare(v) })
		}
		for i := low; i < high && (!s.hasHigh || p.releases[i].v.Compare(s.high) <= 0); i++ {
			out = append(out, i)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// around names the releases next to a version that is none.
func (p *platform) around(v Version) string {
	i, _ := slices.BinarySearchFunc(p.releases, v, func(r listed, v Version) int { return r.v.Compare(v) })
	switch {
	case len(p.releases) == 0:
		return ""
	case i == 0:
		return "; the lowest is " + p.releases[0].Version
	case i == len(p.releases):
		return "; the highest is " + p.releases[i-1].Version
	default:
		return "; next to it are " + p.releases[i-1].Version + " and " + p.releases[i].Version
	}
}

// level is a firmware level ready to be compared.
type level struct {
	text string
	v    Version // zero in natural order
}

func (p *platform) parseLevel(text string) (level, error) {
	if text == "" {
		return level{}, errors.New("found none, want a firmware level")
	}
	l := level{text: text}
	if p.firmware != nil {
		var err error
		if l.v, err = p.firmware.Parse(text); err != nil {
			return level{}, err
		}
	}
	return l, nil
}

func (l level) compare(m level) int {
	if l.v.IsZero() || m.v.IsZero() {
		return compareNatural(l.text, m.text)
	}
	return l.v.Compare(m.v)
}

func (x *Index) platform(id string) (*platform, error) {
	p := x.platforms[id]
	if p == nil {
		return nil, fmt.Errorf("platform %q: %w; known are %s", id, ErrUnknown, strings.Join(sortedKeys(x.platforms), ", "))
	}
	return p, nil
}

// lookup finds a release as written, or else the one that the scheme orders in
// the same place.
func (p *platform) lookup(version string) (int, error) {
	v, err := p.scheme.Parse(version)
	if err != nil {
		return -1, fmt.Errorf("platform %s: %w", p.ID, err)
	}
	i := p.find(v)
	if i < 0 {
		return -1, fmt.Errorf("release %s of platform %s: %w%s", version, p.ID, ErrUnknown, p.around(v))
	}
	return i, nil
}

// Platform returns a platform by its id. The error wraps [ErrUnknown].
func (x *Index) Platform(id string) (Platform, error) {
	p, err := x.platform(id)
	if err != nil {
		return Platform{}, err
	}
	return p.Platform, nil
}

// Release returns a release by its platform and version. The error wraps
// [ErrUnknown], or says that the version does not have the scheme's form.
func (x *Index) Release(platform, version string) (Release, error) {
	p, err := x.platform(platform)
	if err != nil {
		return Release{}, err
	}
	i, err := p.lookup(version)
	if err != nil {
		return Release{}, err
	}
	return p.releases[i].Release, nil
}

// Scheme returns the compiled version scheme of a platform. The error wraps
// [ErrUnknown].
func (x *Index) Scheme(platform string) (*Scheme, error) {
	p, err := x.platform(platform)
	if err != nil {
		return nil, err
	}
	return p.scheme, nil
}

// CompareFirmware is negative where firmware level a is below b, by the
// platform's firmware scheme or, where it gives none, by natural order: runs of
// digits by value, other octets as they are.
func (x *Index) CompareFirmware(platform, a, b string) (int, error) {
	p, err := x.platform(platform)
	if err != nil {
		return 0, err
	}
	la, err := p.parseLevel(a)
	if err != nil {
		return 0, err
	}
	lb, err := p.parseLevel(b)
	if err != nil {
		return 0, err
	}
	return la.compare(lb), nil
}

// LowestFirmware returns the lowest firmware with which a component of the kind
// and part can run the release; ok is false where the release asks for none. A
// requirement without a part holds for every part, and an empty part meets
// every requirement of its kind, as it may be any.
func (x *Index) LowestFirmware(platform, version, kind, part string) (lowest string, ok bool, err error) {
	r, err := x.Release(platform, version)
	if err != nil {
		return "", false, err
	}
	p := x.platforms[platform]
	var most level
	for _, f := range r.Requires {
		if !f.appliesTo(kind, part) {
			continue
		}
		l, err := p.parseLevel(f.Level)
		if err != nil {
			return "", false, err
		}
		if !ok || l.compare(most) > 0 {
			most, ok = l, true
		}
	}
	return most.text, ok, nil
}

// appliesTo reports whether the level is asked of such a component; where its
// part is unknown, it may be.
func (f FirmwareLevel) appliesTo(kind, part string) bool {
	return f.Kind == kind && (f.Part == "" || part == "" || f.Part == part)
}

func sortedKeys[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// kindText is an OpenConfig platform type as people say it.
func kindText(kind string) string {
	switch kind {
	case "LINECARD":
		return "line card"
	case "":
		return "component"
	}
	return strings.ToLower(strings.ReplaceAll(kind, "_", " "))
}

// Durations are the three points of the spread as durations.
func (s Spread) Durations() (least, likely, most time.Duration) {
	f := func(m float64) time.Duration { return time.Duration(math.Round(m * float64(time.Minute))) }
	return f(s.Least), f(s.Likely), f(s.Most)
}
