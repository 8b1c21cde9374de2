package schedule

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/emersion/go-ical"
	"github.com/teambition/rrule-go"
)

// checkedLines unfolds an iCalendar and checks that its lines can be read and that
// every component that begins ends as well: what is cut off is an error and no
// shorter calendar. events are the lines in which the events of a calendar begin.
// The error begins with the line and wraps [ErrInvalid].
//
// Source: RFC 5545 §3.1 and §3.4.
func checkedLines(src []byte) (text string, events []int, err error) {
	bad := func(line int, format string, a ...any) error {
		return fmt.Errorf("%d: %w: %s", line, ErrInvalid, fmt.Sprintf(format, a...))
	}
	if bytes.HasPrefix(src, []byte{0xff, 0xfe}) || bytes.HasPrefix(src, []byte{0xfe, 0xff}) || bytes.IndexByte(src[:min(len(src), 64)], 0) >= 0 {
		return "", nil, bad(1, "the file is in UTF-16, which should be UTF-8")
	}
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	type line struct {
		text string
		at   int
	}
	var lines []line
	at := 0
	for raw := range bytes.SplitSeq(src, []byte("\n")) {
		at++
		raw = bytes.TrimSuffix(raw, []byte("\r"))
		switch {
		case len(raw) > 0 && (raw[0] == ' ' || raw[0] == '\t') && len(lines) > 0:
			lines[len(lines)-1].text += string(raw[1:])
		case len(bytes.TrimSpace(raw)) > 0:
			lines = append(lines, line{string(raw), at})
		}
	}
	type component struct {
		name string
		at   int
	}
	var open []component
	calendars := 0
	var b strings.Builder
	for k, l := range lines {
		name, value, why := contentLine(l.text)
		if why != "" && k == len(lines)-1 {
			why += "; the file ends with it: is it cut off?"
		}
		if why != "" {
			return "", nil, bad(l.at, "found %.60q: %s", l.text, why)
		}
		value = strings.ToUpper(strings.TrimSpace(value))
		switch {
		case name == "BEGIN":
			if len(open) == 0 && value != ical.CompCalendar {
				return "", nil, bad(l.at, "found BEGIN:%s, which should be BEGIN:VCALENDAR", value)
			}
			if len(open) == 0 {
				calendars++
			}
			if value == ical.CompEvent && len(open) == 1 {
				events = append(events, l.at)
			}
			open = append(open, component{value, l.at})
			l.text = "BEGIN:" + value
		case len(open) == 0:
			return "", nil, bad(l.at, "found %.60q, which should be BEGIN:VCALENDAR", l.text)
		case name == "END":
			if top := open[len(open)-1]; value != top.name {
				return "", nil, bad(l.at, "found END:%s, which should be END:%s of line %d", value, top.name, top.at)
			}
			open = open[:len(open)-1]
			l.text = "END:" + value
		}
		b.WriteString(l.text)
		b.WriteString("\r\n")
	}
	if n := len(open); n > 0 {
		return "", nil, bad(at, "the file ends inside the %s of line %d: is it cut off?", open[n-1].name, open[n-1].at)
	}
	if calendars == 0 {
		return "", nil, bad(1, "found no calendar, which should be from BEGIN:VCALENDAR to END:VCALENDAR")
	}
	return b.String(), events, nil
}

// contentLine parts a line into its name and its value; why says what is wrong.
//
// Source: RFC 5545 §3.1, contentline.
func contentLine(s string) (name, value, why string) {
	const noColon = "there is no colon, which should part the name from the value"
	i := strings.IndexAny(s, ";:")
	switch {
	case i < 0:
		return "", "", noColon
	case i == 0 || strings.ContainsAny(s[:i], " \t\""):
		return "", "", "it should begin with the name of a property"
	}
	name = strings.ToUpper(s[:i])
	for rest := s[i:]; ; {
		if rest[0] == ':' {
			return name, rest[1:], ""
		}
		// A parameter: its name, and values parted by commas, perhaps quoted.
		key, after, found := strings.Cut(rest[1:], "=")
		if !found || key == "" || strings.ContainsAny(key, ":;,\"") {
			return "", "", "a semicolon should be followed by a parameter such as TZID=Europe/Amsterdam"
		}
		for {
			if strings.HasPrefix(after, `"`) {
				end := strings.IndexByte(after[1:], '"')
				if end < 0 {
					return "", "", "a quote is not closed"
				}
				after = after[end+2:]
			} else {
				end := strings.IndexAny(after, `;:,"`)
				if end < 0 {
					return "", "", noColon
				}
				after = after[end:]
			}
			switch {
			case after == "":
				return "", "", noColon
			case after[0] == '"' || !strings.ContainsRune(";:,", rune(after[0])):
				return "", "", "the value of the parameter " + key + " should be quoted as a whole, or not at all"
			}
			if after[0] != ',' {
				break
			}
			after = after[1:]
		}
		rest = after
	}
}

// ownZones finds a zone by its IANA name, or else by the VTIMEZONE of the
// calendar.
func ownZones(cal *ical.Calendar, zones Zones) Zones {
	own := map[string]*ical.Component{}
	for _, c := range cal.Children {
		if id := c.Props.Get(ical.PropTimezoneID); c.Name == ical.CompTimezone && id != nil {
			own[id.Value] = c
		}
	}
	made := map[string]*time.Location{}
	return func(name string) (*time.Location, error) {
		if z, ok := made[name]; ok {
			return z, nil
		}
		z, err := zones(name)
		if name == "Local" { // the machine's own to the Go library, of which a file knows nothing
			z, err = nil, errors.New("it names no zone")
		}
		if c := own[name]; err != nil && c != nil {
			if z, err = zoneOf(name, c); err != nil {
				err = fmt.Errorf("its VTIMEZONE: %w", err)
			}
		}
		if err != nil {
			return nil, err
		}
		made[name] = z
		return z, nil
	}
}

// zoneOf makes a zone of a VTIMEZONE: each STANDARD and DAYLIGHT is in force from
// its onsets on, which are told in the offset that was in force before.
//
// Source: RFC 5545 §3.6.5.
func zoneOf(name string, c *ical.Component) (*time.Location, error) {
	type onset struct {
		at       int64 // seconds since 1970
		from, to int   // offsets in seconds
		daylight bool
		name     string
	}
	last := time.Date(2150, 1, 1, 0, 0, 0, 0, time.UTC) // how far changes are followed
	var all []onset
	for _, x := range c.Children {
		if x.Name != ical.CompTimezoneStandard && x.Name != ical.CompTimezoneDaylight {
			continue
		}
		o := onset{daylight: x.Name == ical.CompTimezoneDaylight}
		for _, q := range []struct {
			prop string
			into *int
		}{{ical.PropTimezoneOffsetFrom, &o.from}, {ical.PropTimezoneOffsetTo, &o.to}} {
			p := x.Props.Get(q.prop)
			if p == nil {
				return nil, fmt.Errorf("%s has no %s", x.Name, q.prop)
			}
			var err error
			if *q.into, err = offset(p.Value); err != nil {
				return nil, fmt.Errorf("%s is %w", q.prop, err)
			}
		}
		if p := x.Props.Get(ical.PropTimezoneName); p != nil {
			o.name = p.Value
		}
		start := x.Props.Get(ical.PropDateTimeStart)
		if start == nil {
			return nil, fmt.Errorf("%s has no DTSTART", x.Name)
		}
		e := event{}
		var err error
		if e.start, err = readStamp(&ical.Prop{Name: start.Name, Params: ical.Params{}}, start.Value, nil, time.UTC); err != nil {
			return nil, err
		}
		add := func(wall time.Time) {
			o.at = wall.Unix() - int64(o.from)
			all = append(all, o)
		}
		add(e.start.wall)
		if p := x.Props.Get(ical.PropRecurrenceRule); p != nil {
			if err := e.readRule(p.Value); err != nil {
				return nil, err
			}
			if e.rule.Freq == rrule.HOURLY || e.rule.Freq == rrule.MINUTELY {
				return nil, fmt.Errorf("RRULE is %q, which changes the clocks too often", p.Value)
			}
			e.rule.Until = last
			if e.rule.Count > 0 {
				e.rule.Until = time.Time{}
			}
			rule, err := rrule.NewRRule(*e.rule)
			if err != nil {
				return nil, err
			}
			next := rule.Iterator()
			for n := 0; ; n++ {
				w, ok := next()
				if !ok {
					break
				}
				if n > 2000 {
					return nil, fmt.Errorf("RRULE is %q, which changes the clocks too often", p.Value)
				}
				// UNTIL is in UTC here. Source: RFC 5545 §3.6.5.
				if !w.Equal(e.start.wall) && (e.until.IsZero() || !w.Add(-time.Duration(o.from)*time.Second).After(e.until)) {
					add(w)
				}
			}
		}
		for _, p := range x.Props.Values(ical.PropRecurrenceDates) {
			for v := range strings.SplitSeq(p.Value, ",") {
				s, err := readStamp(&ical.Prop{Name: p.Name, Params: ical.Params{}}, v, nil, time.UTC)
				if err != nil {
					return nil, err
				}
				add(s.wall)
			}
		}
	}
	if len(all) == 0 {
		return nil, errors.New("it has neither STANDARD nor DAYLIGHT")
	}
	slices.SortStableFunc(all, func(a, b onset) int { return cmpInt(a.at, b.at) })
	// In the binary form of tzdata, which is what the library makes a zone of. The
	// first type is that of the time before the first onset.
	// Source: RFC 8536 §3.
	type local struct {
		offset   int
		daylight bool
		name     string
	}
	types := []local{{offset: all[0].from}}
	index := map[local]byte{}
	var times, which, records, names []byte
	for _, o := range all {
		t := local{o.to, o.daylight, o.name}
		k, ok := index[t]
		if !ok {
			if len(types) > 200 {
				return nil, errors.New("it has too many different offsets")
			}
			k = byte(len(types))
			index[t] = k
			types = append(types, t)
		}
		times = binary.BigEndian.AppendUint64(times, uint64(o.at)) //nolint:gosec // two's complement is meant
		which = append(which, k)
	}
	for _, t := range types {
		if t.name == "" || len(t.name) > 20 {
			t.name = offsetName(t.offset)
		}
		at := bytes.Index(names, append([]byte(t.name), 0))
		if at < 0 {
			at = len(names)
			names = append(append(names, t.name...), 0)
		}
		if at > 255 {
			at = bytes.IndexByte(names, 0) // an empty name is left
		}
		records = binary.BigEndian.AppendUint32(records, uint32(t.offset)) //nolint:gosec // two's complement is meant
		records = append(records, map[bool]byte{true: 1}[t.daylight], byte(at))
	}
	head := func(n ...int) []byte {
		b := append([]byte("TZif2"), make([]byte, 15)...)
		for _, x := range n {
			b = binary.BigEndian.AppendUint32(b, uint32(x)) //nolint:gosec // lengths of what was made here
		}
		return b
	}
	data := append(head(0, 0, 0, 0, 0, 0), head(0, 0, 0, len(which), len(types), len(names))...)
	data = slices.Concat(data, times, which, records, names, []byte("\n\n"))
	return time.LoadLocationFromTZData(name, data)
}

// offset reads an offset from UTC, such as +0100, in seconds.
func offset(s string) (int, error) {
	bad := fmt.Errorf("%q, which should be like +0100", s)
	if len(s) != 5 && len(s) != 7 || s[0] != '+' && s[0] != '-' {
		return 0, bad
	}
	sum := 0
	for k, unit := range []int{3600, 60, 1} {
		if 1+2*k >= len(s) {
			break
		}
		a, b := s[1+2*k], s[2+2*k]
		if a < '0' || a > '9' || b < '0' || b > '9' || k > 0 && a > '5' {
			return 0, bad
		}
		sum += unit * int(10*(a-'0')+b-'0')
	}
	if sum > 24*3600 {
		return 0, bad
	}
	if s[0] == '-' {
		sum = -sum
	}
	return sum, nil
}

// offsetName is what stands for a zone's abbreviation where there is none, as in
// tzdata.
func offsetName(seconds int) string {
	sign := '+'
	if seconds < 0 {
		sign, seconds = '-', -seconds
	}
	if seconds%3600 == 0 {
		return fmt.Sprintf("%c%02d", sign, seconds/3600)
	}
	return fmt.Sprintf("%c%02d%02d", sign, seconds/3600, seconds/60%60)
}
