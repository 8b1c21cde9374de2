package adapter

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"towpath/internal/state"
)

// Facts is what has been read of a device so far. The zero value is ready.
type Facts struct {
	things map[string][]*Thing
	index  map[string]*Thing
	read   map[string]bool // targets of which a query has told, or told that there are none
	middle time.Time       // of the clock's read
	Unread []string        // what could not be read, with the reason
}

// Thing is one thing that was read: a component, an adjacency and so on.
type Thing struct {
	Into string
	Key  string            // its name among its kind
	Text map[string]string // its fields as text, in our words
	v    reflect.Value     // the struct
}

// Reading is what one output yielded.
type Reading struct {
	Rows   int
	Things []*Thing // touched, in the order of the output
	// Problems say what could not be understood, row by row.
	Problems []string
}

// Take reads the output of a query. vars are the placeholders of its command.
// at is the middle of the exchange by our clock.
func (f *Facts) Take(q *Query, vars map[string]string, output []byte, at time.Time, a *Adapter) Reading {
	c := a.compiled.queries[q]
	var r Reading
	output = asText(output)
	if c.none != nil && c.none.Match(output) {
		f.mark(c.into.name)
		return r
	}
	rows, err := c.parser.rows(output)
	if err != nil {
		r.Problems = append(r.Problems, err.Error())
		return r
	}
	f.mark(c.into.name)
	for i, row := range rows {
		if !c.counts(row) {
			continue
		}
		r.Rows++
		t, problems := f.row(c, row, vars, at)
		if t != nil && !slices.Contains(r.Things, t) {
			r.Things = append(r.Things, t)
		}
		for _, p := range problems {
			r.Problems = append(r.Problems, fmt.Sprintf("row %d: %s", i+1, p))
		}
	}
	if c.into.name == "clock" {
		f.middle = at
	}
	return r
}

// asText returns an output with every octet that belongs to no character
// written as \xNN: names go into captures, which are text, and two that differ
// in such an octet only have to stay two.
func asText(output []byte) []byte {
	if utf8.Valid(output) {
		return output
	}
	var out []byte
	for len(output) > 0 {
		r, n := utf8.DecodeRune(output)
		if r == utf8.RuneError && n == 1 {
			out = fmt.Appendf(out, `\x%02x`, output[0])
		} else {
			out = append(out, output[:n]...)
		}
		output = output[n:]
	}
	return out
}

func (f *Facts) mark(into string) {
	if f.read == nil {
		f.read = map[string]bool{}
	}
	f.read[into] = true
}

// counts reports whether a row passes the query's conditions.
func (c *query) counts(r row) bool {
	for column, re := range c.when {
		if !re.MatchString(r[column]) {
			return false
		}
	}
	return true
}

// row fills a thing from one row.
func (f *Facts) row(c *query, r row, vars map[string]string, at time.Time) (*Thing, []string) {
	values := map[string]string{}
	for column, text := range r {
		if name := fieldName(column); c.fields[name].name != "" {
			values[name] = text
		}
	}
	for name, tmpl := range c.templates {
		values[name] = tmpl.fill(func(k string) (string, bool) {
			for column, text := range r {
				if column == k || fieldName(column) == k {
					return text, true
				}
			}
			v, ok := vars[k]
			return v, ok
		})
	}
	var problems []string
	words := map[string]string{}
	for name, text := range values {
		if text == toFillIn && len(c.templates[name].parts) == 1 {
			problems = append(problems, fmt.Sprintf("%s: found %q in the adapter itself, want what it is", name, text))
		}
		w, known, err := c.converter(name).word(text)
		if err != nil {
			problems = append(problems, fmt.Sprintf("%s: found %q, %s", name, clip(text), err))
			continue
		}
		switch other := c.converter(name).Otherwise; {
		case known:
			words[name] = w
		case other != "":
			words[name] = other
		}
	}
	var key []string
	for _, k := range c.into.keys {
		key = append(key, words[k])
	}
	if len(key) > 0 && strings.Join(key, "") == "" || len(c.into.keys) > 0 && words[c.into.keys[len(c.into.keys)-1]] == "" && c.into.name != intoSetting && c.into.name != intoRoute && c.into.name != "route-count" {
		if c.into.name != intoSetting {
			slices.Sort(problems)
			return nil, append(problems, fmt.Sprintf("no %s, so that nobody can tell which %s this is", c.into.keys[len(c.into.keys)-1], c.into.name))
		}
	}
	t := f.thing(c.into, strings.Join(key, "\x00"))
	for name, w := range words {
		field := c.fields[name]
		if err := c.converter(name).set(t.v.FieldByIndex(field.index).Addr().Interface(), w, at); err != nil {
			problems = append(problems, fmt.Sprintf("%s: found %q, %s", name, clip(w), err))
			continue
		}
		t.Text[name] = w
	}
	slices.Sort(problems)
	return t, problems
}

// thing returns the thing with the key, made where it is new.
func (f *Facts) thing(into target, key string) *Thing {
	if f.things == nil {
		f.things, f.index = map[string][]*Thing{}, map[string]*Thing{}
	}
	id := into.name + "\x00" + key
	if t := f.index[id]; t != nil {
		return t
	}
	t := &Thing{Into: into.name, Key: strings.Trim(strings.ReplaceAll(key, "\x00", " "), " "), Text: map[string]string{}, v: reflect.New(into.of).Elem()}
	f.index[id] = t
	f.things[into.name] = append(f.things[into.name], t)
	return t
}

// Each returns the placeholders of each command of a query: one set without any
// where it is asked once, else the fields of each thing that it is asked for.
func (f *Facts) Each(q *Query, a *Adapter) []map[string]string {
	if q.ForEach == "" {
		return []map[string]string{nil}
	}
	var out []map[string]string
	for _, t := range f.things[q.ForEach] {
		fits := true
		for field, p := range q.ForEachWhen {
			fits = fits && a.Pattern(p).MatchString(t.Text[field])
		}
		if fits {
			out = append(out, t.Text)
		}
	}
	return out
}

// Known reports whether a query has told of such things, were it only that
// there are none.
func (f *Facts) Known(into string) bool { return f.read[into] }

func all[T any](f *Facts, into string) []T {
	var out []T
	for _, t := range f.things[into] {
		if v, ok := t.v.Interface().(T); ok {
			out = append(out, v)
		}
	}
	return out
}

func one[T any](f *Facts, into string) T {
	if v := all[T](f, into); len(v) > 0 {
		return v[0]
	}
	var zero T
	return zero
}

// Capture assembles what was read. Device, Source, TakenAt and Complete are
// left to the caller.
func (f *Facts) Capture() *state.Capture {
	s := one[system](f, "system")
	c := &state.Capture{
		Hostname: s.Hostname, Release: s.Release, BootTime: s.BootTime, MACs: s.MACs, ARPs: s.ARPs, NDs: s.NDs,
		CPUPercent: s.CPUPercent, MemoryPercent: s.MemoryPercent, Maintenance: s.Maintenance,
		Components: all[state.Component](f, intoComponent), Volumes: all[state.Volume](f, intoVolume), Boot: all[state.BootEntry](f, "boot"),
		Interfaces: all[state.Interface](f, "interface"), SpanningTrees: all[state.SpanningTree](f, "spanning-tree"),
		Adjacencies: adjacencies(f), Alarms: all[state.Alarm](f, intoAlarm), AlarmsKnown: f.read[intoAlarm],
		Configuration: one[state.Configuration](f, "configuration"), CrashFiles: all[state.File](f, intoCrash), CrashKnown: f.read[intoCrash],
		LogicalNetworkElements: all[state.LogicalNetworkElement](f, "logical-network-element"),
	}
	c.Power = state.Power{Redundant: one[powerState](f, "power").Redundant, Feeds: all[state.Feed](f, "feed")}
	for i := range c.Volumes {
		v := &c.Volumes[i]
		v.FilesKnown = f.read[intoFile]
		for _, x := range all[volumeFile](f, intoFile) {
			if x.Volume == v.Mount {
				v.Files = append(v.Files, x.File)
			}
		}
	}
	groups := all[state.Aggregate](f, "aggregate")
	for _, m := range all[groupMember](f, "member") {
		i := slices.IndexFunc(groups, func(g state.Aggregate) bool { return g.Name == m.Aggregate })
		if i < 0 {
			groups = append(groups, state.Aggregate{Name: m.Aggregate})
			i = len(groups) - 1
		}
		groups[i].Members = append(groups[i].Members, m.LACPMember)
	}
	c.Aggregates = groups
	for _, x := range all[featureUse](f, "feature") {
		if x.InUse.Or(true) {
			c.Features = append(c.Features, x.Name)
		}
	}
	clock := one[clockRead](f, "clock")
	c.Clock = state.Clock{Offset: clock.Offset, Synced: clock.Synced}
	if now, ok := clock.Now.Get(); ok && !clock.Offset.Known() {
		c.Clock.Offset = state.Some(now.Sub(f.middle))
	}
	c.RouteTables = f.tables()
	return c
}

// adjacencies are those that were read, with the timers that follow from what
// both ends of a BFD session want, where the device does not tell them.
// Source: RFC 5880 §6.8.4 (detection time, asynchronous mode) and §6.8.7
// (transmission interval).
func adjacencies(f *Facts) []state.Adjacency {
	var out []state.Adjacency
	for _, r := range all[adjacencyRead](f, intoAdjacency) {
		a := r.Adjacency
		ownTx, ok1 := r.Own.Transmit.Get()
		ownRx, ok2 := r.Own.Receive.Get()
		farTx, ok3 := r.Far.Transmit.Get()
		farRx, ok4 := r.Far.Receive.Get()
		fill := func(into *state.Opt[time.Duration], ok bool, d time.Duration) {
			if ok && !into.Known() {
				*into = state.Some(d)
			}
		}
		if a.Protocol == state.BFD {
			a.BFD.Protected = state.Opt[bool]{} // a session does not protect itself
			fill(&a.Timers.Send, ok1 && ok4, max(ownTx, farRx))
			fill(&a.Timers.NeighbourSend, ok2 && ok3, max(farTx, ownRx))
			own, ok5 := r.Own.Multiplier.Get()
			far, ok6 := r.Far.Multiplier.Get()
			fill(&a.Timers.NeighbourDetect, ok1 && ok4 && ok5, time.Duration(own)*max(ownTx, farRx))
			fill(&a.Timers.OwnDetect, ok2 && ok3 && ok6, time.Duration(far)*max(farTx, ownRx))
			if !a.BFD.Multiplier.Known() {
				a.BFD.Multiplier = r.Own.Multiplier
			}
		}
		out = append(out, a)
	}
	return out
}

// tables gathers routes into their tables. The count of a table whose routes
// were read is theirs.
func (f *Facts) tables() []state.RouteTable {
	var out []state.RouteTable
	at := map[[2]string]int{}
	table := func(instance, family string) *state.RouteTable {
		k := [2]string{instance, family}
		i, ok := at[k]
		if !ok {
			i = len(out)
			at[k] = i
			out = append(out, state.RouteTable{Instance: instance, Family: family})
		}
		return &out[i]
	}
	for _, n := range all[routeCount](f, "route-count") {
		table(n.Instance, n.Family).Count = n.Count
	}
	for _, r := range all[tableRoute](f, intoRoute) {
		t := table(r.Instance, r.Family)
		t.Routes = append(t.Routes, state.Route{Prefix: r.Prefix, Protocol: r.Protocol, NextHops: r.NextHops, Metric: r.Metric})
	}
	for i := range out {
		if t := &out[i]; !t.Count.Known() && f.read[intoRoute] {
			t.Count = state.Some(uint64(len(t.Routes)))
		}
	}
	return out
}

// Package is an installed package of a release.
type Package struct {
	Controller string // empty where the device has one place for all
	Version    string
	Path       string
}

// Packages returns the installed packages that were read.
func (f *Facts) Packages() []Package {
	var out []Package
	for _, p := range all[pack](f, intoPackage) {
		out = append(out, Package(p))
	}
	return out
}

// Installation is what a device says of its installation; what it does not
// tell is unknown.
type Installation struct {
	Version, ActivationFail                                        state.Opt[string]
	PerController                                                  state.Opt[bool]
	StandbyState, StandbyID, StandbyVersion, StandbyActivationFail state.Opt[string]
}

// The words of standby-state.
const (
	StandbyReady       = "ready"
	StandbyUnavailable = "unavailable"
	StandbyAbsent      = "absent"
	StandbyUnsupported = "unsupported"
)

// Installation returns what was read of the installation.
func (f *Facts) Installation() Installation {
	i := one[installation](f, intoInstallation)
	return Installation{
		Version: i.Version, ActivationFail: i.ActivationFail, PerController: i.PerController, StandbyState: i.StandbyState,
		StandbyID: i.StandbyID, StandbyVersion: i.StandbyVersion, StandbyActivationFail: i.StandbyActivationFail,
	}
}

// Hash returns the SHA-256 that was read, lower-case hex.
func (f *Facts) Hash() (string, error) {
	h, ok := one[hashed](f, intoHash).SHA256.Get()
	h = strings.ToLower(h)
	switch {
	case !ok:
		return "", errors.New("the device told no hash")
	case !hexDigest.MatchString(h):
		return "", fmt.Errorf("found %q, want the 64 hexadecimal digits of a SHA-256", clip(h))
	}
	return h, nil
}

var hexDigest = regexp.MustCompile(`^[0-9a-f]{64}$`)

// SettingAt is one place where a device keeps a setting.
type SettingAt struct {
	Instance, Interface, Neighbour string
	Handle                         string
	Value                          string // empty where nothing is configured
}

// Settings returns the places that belong to a setting: those whose network
// instance, interface and neighbour are the setting's, as far as both tell them.
func (f *Facts) Settings(s state.Setting) []SettingAt {
	same := func(a, b string) bool { return a == "" || b == "" || a == b }
	var out []SettingAt
	for _, v := range all[settingValue](f, intoSetting) {
		if !same(v.Interface, s.Interface) || !same(v.Neighbour, s.Neighbour) {
			continue
		}
		// The levels of a process are instances of their own, and belong to it.
		if !same(v.Instance, s.Instance) && !strings.HasPrefix(v.Instance, s.Instance+" ") {
			continue
		}
		out = append(out, SettingAt{v.Instance, v.Interface, v.Neighbour, v.Handle, v.Value.Or("")})
	}
	return out
}

// Word is the device's word for a value of ours, where the query's conversion
// of the value has one, and the value itself elsewhere.
func (q *Query) Word(value string) string {
	words := q.Convert["value"].Words
	keys := make([]string, 0, len(words))
	for k, w := range words {
		if w == value && k != "*" {
			keys = append(keys, k)
		}
	}
	if len(keys) == 0 {
		return value
	}
	slices.Sort(keys)
	return keys[0]
}
