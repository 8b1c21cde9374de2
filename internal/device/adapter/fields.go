package adapter

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/state"
	"towpath/internal/unit"
)

// target is a kind of thing that a query may tell of.
type target struct {
	name string
	of   reflect.Type
	keys []string // fields that tell one from another
	doc  string
}

// The things that have no type of their own in a capture.
type (
	system struct {
		Hostname      state.Opt[string]    `json:"hostname"`
		Release       state.Opt[string]    `json:"release"`
		BootTime      state.Opt[time.Time] `json:"boot_time"`
		MACs          state.Opt[uint64]    `json:"macs"`
		ARPs          state.Opt[uint64]    `json:"arps"`
		NDs           state.Opt[uint64]    `json:"nds"`
		CPUPercent    state.Opt[float64]   `json:"cpu_percent"`
		MemoryPercent state.Opt[float64]   `json:"memory_percent"`
		Maintenance   state.Opt[bool]      `json:"maintenance"`
	}
	volumeFile struct {
		Volume string `json:"volume"` // its mount
		state.File
	}
	powerState struct {
		Redundant state.Opt[bool] `json:"redundant"`
	}
	groupMember struct {
		Aggregate string `json:"aggregate"`
		state.LACPMember
	}
	tableRoute struct {
		Instance string `json:"instance"`
		Family   string `json:"family"`
		Prefix   string `json:"prefix"`
		Protocol string `json:"protocol"`
		NextHops string `json:"next_hops"`
		Metric   uint32 `json:"metric"`
	}
	routeCount struct {
		Instance string            `json:"instance"`
		Family   string            `json:"family"`
		Count    state.Opt[uint64] `json:"count"`
	}
	clockRead struct {
		Now    state.Opt[time.Time]     `json:"now"`
		Offset state.Opt[time.Duration] `json:"offset"`
		Synced state.Opt[bool]          `json:"synced"`
	}
	featureUse struct {
		Name  string          `json:"name"`
		InUse state.Opt[bool] `json:"in_use"`
	}
	// adjacencyRead is an adjacency with what only a device's own words have: of
	// BFD the timers of both ends, from which the negotiated ones follow.
	adjacencyRead struct {
		state.Adjacency
		Own bfdEnd `json:"own"`
		Far bfdEnd `json:"far"`
	}
	bfdEnd struct {
		Transmit   state.Opt[time.Duration] `json:"transmit"` // desired minimum
		Receive    state.Opt[time.Duration] `json:"receive"`  // required minimum
		Multiplier state.Opt[int]           `json:"multiplier"`
	}
	// Package is an installed package.
	pack struct {
		Controller string `json:"controller"`
		Version    string `json:"version"`
		Path       string `json:"path"`
	}
	// Installation is what Verify tells.
	installation struct {
		Version               state.Opt[string] `json:"version"`
		PerController         state.Opt[bool]   `json:"per_controller"`
		ActivationFail        state.Opt[string] `json:"activation_fail"`
		StandbyState          state.Opt[string] `json:"standby_state"`
		StandbyID             state.Opt[string] `json:"standby_id"`
		StandbyVersion        state.Opt[string] `json:"standby_version"`
		StandbyActivationFail state.Opt[string] `json:"standby_activation_fail"`
	}
	hashed struct {
		SHA256 state.Opt[string] `json:"sha256"`
	}
	settingValue struct {
		Instance  string            `json:"instance"`
		Interface string            `json:"interface"`
		Neighbour string            `json:"neighbour"`
		Handle    string            `json:"handle"` // how the device itself calls it
		Value     state.Opt[string] `json:"value"`
	}
)

// The names of targets that the package itself refers to.
const (
	intoFile         = "file"
	intoVolume       = "volume"
	intoRoute        = "route"
	intoAlarm        = "alarm"
	intoCrash        = "crash-file"
	intoPackage      = "package"
	intoInstallation = "installation"
	intoHash         = "hash"
	intoSetting      = "setting"
	intoComponent    = "component"
	intoAdjacency    = "adjacency"
)

// facts are the targets that a read may fill.
func targets() []target {
	t := func(name string, v any, doc string, keys ...string) target {
		return target{name, reflect.TypeOf(v), keys, doc}
	}
	return []target{
		t("system", system{}, "the device as a whole"),
		t(intoComponent, state.Component{}, "a part of the device", "name"),
		t(intoVolume, state.Volume{}, "a file system of a controller card", "controller", "mount"),
		t(intoFile, volumeFile{}, "a file on a volume", "volume", "path"),
		t("boot", state.BootEntry{}, "what a controller card starts next", "controller"),
		t("power", powerState{}, "the power system as a whole"),
		t("feed", state.Feed{}, "a power feed", "name"),
		t("interface", state.Interface{}, "a port or logical interface", "name"),
		t("aggregate", state.Aggregate{}, "a link aggregation group", "name"),
		t("member", groupMember{}, "a member link of an aggregate", "aggregate", "interface"),
		t("spanning-tree", state.SpanningTree{}, "an instance of a spanning tree", "instance"),
		t(intoAdjacency, adjacencyRead{}, "a protocol relation with a neighbour", "protocol", "instance", "interface", "neighbour"),
		t(intoRoute, tableRoute{}, "an installed route", "instance", "family", "prefix", "protocol", "next-hops", "metric"),
		t("route-count", routeCount{}, "the count of a routing table", "instance", "family"),
		t(intoAlarm, state.Alarm{}, "an active alarm", "id"),
		t("configuration", state.Configuration{}, "the state of the configuration"),
		t("clock", clockRead{}, "the device's clock"),
		t(intoCrash, state.File{}, "a file that a crash left", "path"),
		t("feature", featureUse{}, "a feature in use", "name"),
		t("logical-network-element", state.LogicalNetworkElement{}, "a virtual device of the chassis", "name"),
	}
}

// ownTargets are those of the sections beside reads.
func ownTargets() []target {
	t := func(name string, v any, keys ...string) target { return target{name, reflect.TypeOf(v), keys, ""} }
	return []target{
		t(intoPackage, pack{}, "controller", "version", "path"),
		t(intoInstallation, installation{}),
		t(intoHash, hashed{}),
		t(intoSetting, settingValue{}, "handle", "instance", "interface", "neighbour"),
	}
}

func targetOf(name string) (target, bool) {
	all := append(targets(), ownTargets()...)
	i := slices.IndexFunc(all, func(t target) bool { return t.name == name })
	if i < 0 {
		return target{}, false
	}
	return all[i], true
}

// TargetNames are the things that a read may tell of.
func TargetNames() []string {
	var out []string
	for _, t := range targets() {
		out = append(out, t.name)
	}
	return out
}

// TargetAbout says in words what a read into that kind of thing tells; empty where
// there is no such kind.
func TargetAbout(name string) string {
	t, _ := targetOf(name)
	return t.doc
}

// FieldNames are the fields of a thing, as adapters write them; nil where there
// is no such thing.
func FieldNames(into string) []string {
	t, ok := targetOf(into)
	if !ok {
		return nil
	}
	var out []string
	for _, f := range leaves(t.of) {
		out = append(out, f.name)
	}
	return out
}

// leafField is one field that holds a single value.
type leafField struct {
	name  string
	index []int
	of    reflect.Type
}

// leaves lists the fields of a struct that can be filled, those of inner
// structs behind a dot.
func leaves(t reflect.Type) []leafField {
	var out []leafField
	for i := range t.NumField() {
		f := t.Field(i)
		tag, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		name := strings.ReplaceAll(tag, "_", "-")
		switch {
		case fillable(f.Type):
			out = append(out, leafField{name, []int{i}, f.Type})
		case f.Type.Kind() == reflect.Struct:
			for _, in := range leaves(f.Type) {
				if name != "" {
					in.name = name + "." + in.name
				}
				in.index = append([]int{i}, in.index...)
				out = append(out, in)
			}
		}
	}
	return out
}

func fillable(t reflect.Type) bool {
	switch reflect.New(t).Interface().(type) {
	case *string, *state.Opt[string], *state.Opt[bool], *state.Opt[int], *state.Opt[uint64], *uint32, *state.Opt[float64],
		*state.Opt[time.Duration], *state.Opt[time.Time], *state.Opt[unit.ByteSize], *unit.ByteSize, *state.Opt[unit.BitRate]:
		return true
	}
	return false
}

// fieldName is the field that a column fills: letter case does not matter, an
// underscore stands for a hyphen and two of them for a dot.
func fieldName(column string) string {
	return strings.ReplaceAll(strings.ReplaceAll(strings.ToLower(column), "__", "."), "_", "-")
}

// converter is a Convert made ready.
type converter struct {
	Convert
	match *regexp.Regexp
	zone  *time.Location
}

var errNoWord = errors.New("none of the words that the adapter knows")

// word does the steps that lead from text to text. known is false where there
// is no value.
func (c *converter) word(text string) (out string, known bool, err error) {
	text = strings.TrimSpace(text)
	if text == "" || slices.Contains(c.Blank, text) {
		return "", false, nil
	}
	if slices.Contains(c.Empty, text) {
		return "", true, nil
	}
	if c.match != nil {
		m := c.match.FindStringSubmatch(text)
		if m == nil {
			return "", false, nil
		}
		text = m[0]
		if len(m) > 1 {
			text = m[1]
		}
	}
	if len(c.Words) == 0 {
		return text, text != "", nil
	}
	if w, ok := c.Words[text]; ok {
		return w, true, nil
	}
	if w, ok := c.Words["*"]; ok {
		return w, true, nil
	}
	return text, false, errNoWord
}

// The units that a number may be in, with what each is in ours.
var (
	durationUnits = map[string]time.Duration{
		"ns": time.Nanosecond, "us": time.Microsecond, "ms": time.Millisecond, "s": time.Second, "min": time.Minute, "h": time.Hour, "d": 24 * time.Hour,
	}
	sizeUnits = map[string]unit.ByteSize{
		"B": 1, "kB": 1e3, "MB": 1e6, "GB": 1e9, "KiB": unit.KiB, "MiB": unit.MiB, "GiB": unit.GiB,
	}
	rateUnits = map[string]unit.BitRate{"bps": 1, "kbps": 1e3, "Mbps": 1e6, "Gbps": 1e9}
)

// unitClock is a duration as people write up-times: 02:11:09, 1d02h03m, 3w4d.
const unitClock = "clock"

func unitWords() []string {
	out := []string{unitClock, "percent"}
	for u := range durationUnits {
		out = append(out, u)
	}
	for u := range sizeUnits {
		out = append(out, u)
	}
	for u := range rateUnits {
		out = append(out, u)
	}
	slices.Sort(out)
	return out
}

// The ways in which an instant may be written, beside a layout.
const (
	timeRFC3339 = "rfc3339"
	timeEpoch   = "epoch"
	timeEpochMS = "epoch-ms"
	timeEpochNS = "epoch-ns"
	timeAgo     = "ago" // a duration before the read, in the unit
	timeToGo    = "in"  // a duration after it
)

// set fills one field. at is the instant of the read.
func (c *converter) set(into any, text string, at time.Time) error {
	switch x := into.(type) {
	case *string:
		*x = text
	case *state.Opt[string]:
		if _, ok := durationUnits[c.Unit]; ok {
			// A setting's value is text; a duration stands in it as in files.
			d, err := c.duration(text)
			if err != nil {
				return err
			}
			text = d.String()
		}
		*x = state.Some(text)
	case *state.Opt[bool]:
		if text != "true" && text != "false" {
			return fmt.Errorf("want true or false, or words that lead there")
		}
		*x = state.Some(text == "true")
	case *state.Opt[int]:
		n, err := strconv.Atoi(text)
		if err != nil {
			return errWhole
		}
		*x = state.Some(n)
	case *state.Opt[uint64]:
		n, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			return errWhole
		}
		*x = state.Some(n)
	case *uint32:
		n, err := strconv.ParseUint(text, 10, 32)
		if err != nil {
			return errWhole
		}
		*x = uint32(n)
	case *state.Opt[float64]:
		f, err := number(strings.TrimSuffix(text, "%"))
		if err != nil {
			return err
		}
		*x = state.Some(f)
	case *state.Opt[time.Duration]:
		d, err := c.duration(text)
		if err != nil {
			return err
		}
		*x = state.Some(d)
	case *state.Opt[time.Time]:
		t, err := c.instant(text, at)
		if err != nil {
			return err
		}
		*x = state.Some(t)
	case *state.Opt[unit.ByteSize]:
		n, err := c.size(text)
		if err != nil {
			return err
		}
		*x = state.Some(n)
	case *unit.ByteSize:
		n, err := c.size(text)
		if err != nil {
			return err
		}
		*x = n
	case *state.Opt[unit.BitRate]:
		r, err := c.rate(text)
		if err != nil {
			return err
		}
		*x = state.Some(r)
	default:
		return fmt.Errorf("a %T cannot be filled", into)
	}
	return nil
}

var errWhole = errors.New("want a whole number")

func number(text string) (float64, error) {
	f, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || f != f || f > 1e300 || f < -1e300 {
		return 0, errors.New("want a number")
	}
	return f, nil
}

func (c *converter) duration(text string) (time.Duration, error) {
	if c.Unit == unitClock {
		return clockDuration(text)
	}
	if u, ok := durationUnits[c.Unit]; ok {
		f, err := number(text)
		if err != nil {
			return 0, err
		}
		if d := f * float64(u); d < 1<<62 && d > -1<<62 {
			return time.Duration(d), nil
		}
		return 0, errors.New("want a duration of less than 146 years")
	}
	d, err := time.ParseDuration(text)
	if err != nil {
		return 0, errors.New("want a duration such as 90s, or a unit in the adapter")
	}
	return d, nil
}

var (
	clockForm = regexp.MustCompile(`^(?:(\d{1,6})d[ ,]*)?(?:(\d{1,6}):)?(\d{1,2}):(\d{1,2})(?:\.\d+)?$`)
	letters   = regexp.MustCompile(`^(\d{1,6})(y|w|d|h|m|s)`)
)

// clockDuration reads an up-time.
func clockDuration(text string) (time.Duration, error) {
	part := func(s string, of time.Duration) time.Duration {
		n, err := strconv.Atoi(s)
		if err != nil {
			return 0 // the form allows digits, or nothing
		}
		return time.Duration(n) * of
	}
	if m := clockForm.FindStringSubmatch(text); m != nil {
		return part(m[1], 24*time.Hour) + part(m[2], time.Hour) + part(m[3], time.Minute) + part(m[4], time.Second), nil
	}
	units := map[string]time.Duration{"y": 365 * 24 * time.Hour, "w": 7 * 24 * time.Hour, "d": 24 * time.Hour, "h": time.Hour, "m": time.Minute, "s": time.Second}
	var d time.Duration
	rest := text
	for rest != "" {
		m := letters.FindStringSubmatch(rest)
		if m == nil || d > 1<<61 {
			return 0, errors.New("want a time such as 02:11:09, 1d02h03m or 3w4d")
		}
		if m[2] == "y" && len(m[1]) > 2 {
			return 0, errors.New("want less than a hundred years")
		}
		d += part(m[1], units[m[2]])
		rest = strings.TrimLeft(rest[len(m[0]):], " ,")
	}
	return d, nil
}

func (c *converter) instant(text string, at time.Time) (time.Time, error) {
	epoch := func(of time.Duration) (time.Time, error) {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil || n < 0 || n > (1<<62)/int64(of) {
			return time.Time{}, errWhole
		}
		return time.Unix(0, 0).UTC().Add(time.Duration(n) * of), nil
	}
	switch c.Time {
	case timeEpoch:
		return epoch(time.Second)
	case timeEpochMS:
		return epoch(time.Millisecond)
	case timeEpochNS:
		return epoch(time.Nanosecond)
	case timeAgo, timeToGo:
		d, err := c.duration(text)
		if c.Time == timeAgo {
			d = -d
		}
		return at.Add(d).UTC(), err
	case "", timeRFC3339:
		t, err := time.Parse(time.RFC3339Nano, text)
		if err != nil {
			return t, errors.New("want an instant with its zone, such as 2026-03-01T22:00:00+01:00, or another form in the adapter")
		}
		return t.UTC(), nil
	}
	zone := c.zone
	if zone == nil {
		zone = time.UTC
	}
	t, err := time.ParseInLocation(c.Time, text, zone)
	if err != nil {
		return t, fmt.Errorf("want an instant written like %q", c.Time)
	}
	return t.UTC(), nil
}

func (c *converter) size(text string) (unit.ByteSize, error) {
	u, ok := sizeUnits[c.Unit]
	if !ok {
		u = 1
	}
	if f, err := number(text); err == nil {
		if v := f * float64(u); v >= 0 && v < 1<<62 {
			return unit.ByteSize(v), nil
		}
		return 0, errors.New("want a size")
	}
	n, err := unit.ParseByteSize(text)
	if err != nil {
		return 0, errors.New("want a size such as 1.8GiB, or a count of octets")
	}
	return n, nil
}

func (c *converter) rate(text string) (unit.BitRate, error) {
	u, ok := rateUnits[c.Unit]
	if !ok {
		u = 1
	}
	if f, err := number(text); err == nil {
		return unit.BitRate(f) * u, nil
	}
	r, err := unit.ParseBitRate(text)
	if err != nil {
		return 0, errors.New("want a rate such as 10Gbps, or bits in a second")
	}
	return r, nil
}
