package schedule

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/emersion/go-ical"
	"github.com/teambition/rrule-go"

	"towpath/internal/unit"
)

// Zones finds a time zone by its IANA name; [time.LoadLocation] is one.
type Zones func(name string) (*time.Location, error)

// Slot is one occurrence of an event of a calendar.
type Slot struct {
	UID     string
	Summary string
	// Site is the LOCATION of the event: the site that it holds for, empty for
	// all.
	Site       string
	Start, End time.Time
	// Warnings say what the clock change does to it.
	Warnings []string
}

// Calendar is an iCalendar that was read.
type Calendar struct {
	name   string
	events []event
}

type event struct {
	uid, summary, site string
	start              stamp
	extent
	rule      *rrule.ROption
	until     time.Time // as an instant; zero for none
	untilDay  bool      // until is a day of the wall clock
	rdates    []occurrence
	exdates   []stamp
	override  *stamp // RECURRENCE-ID
	future    bool   // the override holds for all later occurrences as well
	cancelled bool
}

// extent is how long an occurrence lasts: days on the wall clock, and an exact time
// on top.
type extent struct {
	days   int
	length time.Duration
}

// stamp is a date and time as written: a wall clock in UTC fields, and the zone
// that it is meant in.
type stamp struct {
	wall time.Time
	zone *time.Location
	day  bool // VALUE=DATE
}

// ReadCalendar reads the events of an iCalendar. name is for messages. Times
// without a zone are taken in local, which a nil makes UTC. The error names the
// event and the property and wraps [ErrInvalid].
//
// Understood are DTSTART, DTEND, DURATION, RRULE, RDATE with its periods, EXDATE,
// RECURRENCE-ID with its RANGE, STATUS, SUMMARY, LOCATION, UID and TZID. A TZID is
// the IANA time zone of that name; where there is none, the VTIMEZONE of the file.
// A file that ends too soon, and rules that are not understood, are errors: a
// window or a freeze would be missing without a word.
//
// Source: RFC 5545.
func ReadCalendar(name string, r io.Reader, zones Zones, local *time.Location) (*Calendar, error) {
	if local == nil {
		local = time.UTC
	}
	src, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	text, begins, err := checkedLines(src)
	if err != nil {
		return nil, fmt.Errorf("%s:%w", name, err)
	}
	out := &Calendar{name: name}
	dec := ical.NewDecoder(strings.NewReader(text))
	for {
		cal, err := dec.Decode()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w: %w", name, ErrInvalid, err)
		}
		known := ownZones(cal, zones)
		for _, c := range cal.Children {
			if c.Name != ical.CompEvent {
				continue
			}
			line := begins[0]
			begins = begins[1:]
			e, err := readEvent(c, known, local)
			if err != nil {
				id := ""
				if p := c.Props.Get(ical.PropUID); p != nil {
					id = p.Value
				}
				return nil, fmt.Errorf("%s:%d: event %q: %w: %w", name, line, id, ErrInvalid, err)
			}
			out.events = append(out.events, e)
		}
	}
	return out, nil
}

func readEvent(c *ical.Component, zones Zones, local *time.Location) (event, error) {
	var e event
	text := func(name string) string {
		p := c.Props.Get(name)
		if p == nil {
			return ""
		}
		s, err := p.Text()
		if err != nil {
			s = p.Value // as it stands
		}
		return strings.TrimSpace(s)
	}
	e.uid, e.summary = text(ical.PropUID), text(ical.PropSummary)
	if p := c.Props.Get(ical.PropLocation); p != nil {
		s, err := p.Text()
		if err != nil { // without it the event would be for all sites
			return e, fmt.Errorf("LOCATION is %q: %w", p.Value, err)
		}
		e.site = strings.TrimSpace(s)
	}
	e.cancelled = strings.EqualFold(text(ical.PropStatus), "CANCELLED")
	start := c.Props.Get(ical.PropDateTimeStart)
	if start == nil {
		return e, errors.New("DTSTART is missing")
	}
	var err error
	if e.start, err = readStamp(start, start.Value, zones, local); err != nil {
		return e, err
	}
	switch end, dur := c.Props.Get(ical.PropDateTimeEnd), c.Props.Get(ical.PropDuration); {
	case end != nil && dur != nil:
		return e, errors.New("DTEND and DURATION exclude each other")
	case end != nil:
		s, err := readStamp(end, end.Value, zones, local)
		if err != nil {
			return e, err
		}
		if s.day != e.start.day {
			return e, errors.New("DTEND and DTSTART are not of the same type")
		}
		if s.day {
			e.days = int(s.wall.Sub(e.start.wall) / (24 * time.Hour))
		} else {
			// The same exact duration for every member. Source: RFC 5545 §3.8.5.3.
			from, _ := e.start.instant()
			to, _ := s.instant()
			e.length = to.Sub(from)
		}
		if e.days < 0 || e.length < 0 {
			return e, fmt.Errorf("DTEND %s is before DTSTART %s", end.Value, start.Value)
		}
	case dur != nil:
		if e.extent, err = readDuration("DURATION", dur.Value); err != nil {
			return e, err
		}
	case e.start.day:
		e.days = 1
	}
	if p := c.Props.Get("EXRULE"); p != nil {
		return e, fmt.Errorf("EXRULE is %q, which RFC 5545 no longer has; want the dates in EXDATE", p.Value)
	}
	switch rules := c.Props.Values(ical.PropRecurrenceRule); {
	case len(rules) > 1:
		return e, fmt.Errorf("RRULE stands %d times; want it once, and an event for each further rule", len(rules))
	case len(rules) == 1:
		if err := e.readRule(rules[0].Value); err != nil {
			return e, err
		}
	}
	for _, p := range c.Props.Values(ical.PropExceptionDates) {
		for v := range strings.SplitSeq(p.Value, ",") {
			s, err := readStamp(&p, v, zones, local)
			if err != nil {
				return e, err
			}
			e.exdates = append(e.exdates, s)
		}
	}
	for _, p := range c.Props.Values(ical.PropRecurrenceDates) {
		for v := range strings.SplitSeq(p.Value, ",") {
			o, err := readPeriod(&p, v, zones, local)
			if err != nil {
				return e, err
			}
			e.rdates = append(e.rdates, o)
		}
	}
	if p := c.Props.Get(ical.PropRecurrenceID); p != nil {
		s, err := readStamp(p, p.Value, zones, local)
		if err != nil {
			return e, err
		}
		e.override = &s
		switch r := strings.ToUpper(p.Params.Get("RANGE")); r {
		case "":
		case "THISANDFUTURE":
			e.future = true
		default:
			return e, fmt.Errorf("RECURRENCE-ID has RANGE %q, which should be THISANDFUTURE or not be there", r)
		}
	}
	return e, nil
}

// readRule reads an RRULE. UNTIL is taken out: the library reads it in another
// zone.
func (e *event) readRule(value string) error {
	var parts []string
	for part := range strings.SplitSeq(strings.ToUpper(strings.TrimSpace(value)), ";") {
		if v, ok := strings.CutPrefix(part, "UNTIL="); ok {
			s, err := readStamp(&ical.Prop{Name: "UNTIL of RRULE", Params: ical.Params{}}, v, nil, e.start.zone)
			if err != nil {
				return err
			}
			e.until, _ = s.instant()
			e.untilDay = s.day
			if s.day {
				e.until = s.wall
			}
			continue
		}
		if part != "" { // some write a semicolon behind the last
			parts = append(parts, part)
		}
	}
	var err error
	e.rule, err = rrule.StrToROption(strings.Join(parts, ";"))
	if err != nil {
		return fmt.Errorf("RRULE is %q: %w", value, err)
	}
	if e.rule.Freq == rrule.SECONDLY {
		return fmt.Errorf("RRULE is %q, which should not recur every second", value)
	}
	if e.rule.Count > 0 && !e.until.IsZero() {
		return fmt.Errorf("RRULE is %q; COUNT and UNTIL exclude each other", value)
	}
	e.rule.Dtstart = e.start.wall
	if _, err := rrule.NewRRule(*e.rule); err != nil {
		return fmt.Errorf("RRULE is %q: %w", value, err)
	}
	return nil
}

// readPeriod reads a date, a date and time, or a period with its end or duration.
// Source: RFC 5545 §3.3.9.
func readPeriod(p *ical.Prop, value string, zones Zones, local *time.Location) (occurrence, error) {
	from, to, period := strings.Cut(value, "/")
	s, err := readStamp(p, from, zones, local)
	if err != nil || !period {
		return occurrence{stamp: s}, err
	}
	o := occurrence{stamp: s, lasts: &extent{}}
	if strings.HasPrefix(to, "P") || strings.HasPrefix(to, "p") {
		*o.lasts, err = readDuration(p.Name, to)
		return o, err
	}
	end, err := readStamp(p, to, zones, local)
	if err != nil {
		return o, err
	}
	a, _ := s.instant()
	b, _ := end.instant()
	if o.lasts.length = b.Sub(a); o.lasts.length < 0 {
		return o, fmt.Errorf("%s is %q, whose end is before its start", p.Name, value)
	}
	return o, nil
}

// readDuration reads a duration. Days and weeks of it are nominal.
// Source: RFC 5545 §3.3.6.
func readDuration(name, value string) (extent, error) {
	p := ical.Prop{Params: ical.Params{}, Value: value}
	d, err := p.Duration()
	if err != nil || d < 0 {
		return extent{}, fmt.Errorf("%s is %q, which should be like PT4H", name, value)
	}
	var s extent
	date, _, _ := strings.Cut(strings.ToUpper(value), "T")
	if strings.ContainsAny(date, "DW") {
		s.days = int(d / (24 * time.Hour))
		d -= time.Duration(s.days) * 24 * time.Hour
	}
	s.length = d
	return s, nil
}

func readStamp(p *ical.Prop, value string, zones Zones, local *time.Location) (stamp, error) {
	s := stamp{zone: local}
	if id := p.Params.Get(ical.PropTimezoneID); id != "" {
		z, err := zones(id)
		if err != nil {
			return s, fmt.Errorf("%s has TZID %q, which should be an IANA time zone: %w", p.Name, id, err)
		}
		s.zone = z
	}
	for layout, kind := range map[string]int{"20060102T150405": 0, "20060102T150405Z": 1, "20060102": 2} {
		t, err := time.Parse(layout, value)
		if err != nil {
			continue
		}
		s.wall = t
		if kind == 1 {
			s.zone = time.UTC
		}
		s.day = kind == 2
		return s, nil
	}
	return s, fmt.Errorf("%s is %q, which should be like 20310502T230000", p.Name, value)
}

// Clock says how a wall-clock time stands to the clock changes.
type Clock int

// What a clock change does to a wall-clock time.
const (
	ClockOnce    Clock = iota // it comes once
	ClockDoubled              // it comes twice
	ClockMissing              // it is skipped
)

// WallClock returns the instant of a wall-clock time in a zone, of which only the
// fields of wall count. A doubled time means its first occurrence; a missing one
// is read with the offset before the gap.
//
// Source: RFC 5545 §3.3.5, form 3.
func WallClock(wall time.Time, zone *time.Location) (time.Time, Clock) {
	w := time.Date(wall.Year(), wall.Month(), wall.Day(), wall.Hour(), wall.Minute(), wall.Second(), wall.Nanosecond(), time.UTC)
	// The offsets in force a day before and after bracket any one change.
	_, before := w.Add(-26 * time.Hour).In(zone).Zone()
	_, after := w.Add(26 * time.Hour).In(zone).Zone()
	var hits []time.Time
	for _, off := range []int{before, after} {
		t := w.Add(-time.Duration(off) * time.Second)
		if _, o := t.In(zone).Zone(); o == off && (len(hits) == 0 || !hits[0].Equal(t)) {
			hits = append(hits, t)
		}
	}
	switch len(hits) {
	case 0:
		return w.Add(-time.Duration(before) * time.Second).In(zone), ClockMissing
	case 1:
		return hits[0].In(zone), ClockOnce
	default:
		if hits[1].Before(hits[0]) {
			hits[0] = hits[1]
		}
		return hits[0].In(zone), ClockDoubled
	}
}

func (s stamp) instant() (time.Time, Clock) { return WallClock(s.wall, s.zone) }

// maxOccurrences bounds the expansion of one event, maxSteps the recurrences that
// are passed on the way, such as those of years ago.
const (
	maxOccurrences = 20_000
	maxSteps       = 2_000_000
)

// Expand lists the occurrences that overlap the time from from to until, in the
// order of their start. Recurrences are counted on the wall clock of their zone.
// Each has a warning where its start or end is doubled or missing by a clock
// change, and where the clocks change inside it. The error wraps [ErrInvalid].
func (c *Calendar) Expand(from, until time.Time) ([]Slot, error) {
	var out []Slot
	changed := map[string][]*event{} // by uid, what changes single occurrences
	for k := range c.events {
		if e := &c.events[k]; e.override != nil {
			changed[e.uid] = append(changed[e.uid], e)
		}
	}
	for k := range c.events {
		e := &c.events[k]
		if e.cancelled {
			continue
		}
		begin := from
		if slices.ContainsFunc(changed[e.uid], func(x *event) bool { return x.future }) {
			begin = time.Time{} // what began before may have been moved by any time
		}
		walls, err := e.walls(begin, until)
		if err != nil {
			return nil, fmt.Errorf("%s: event %q: %w", c.name, e.uid, err)
		}
		for _, w := range walls {
			start, how := WallClock(w.wall, w.zone)
			as := e // what says how long it is, and where
			if e.override == nil {
				if !e.until.IsZero() && w.byRule && (e.untilDay && w.wall.Truncate(24*time.Hour).After(e.until) || !e.untilDay && start.After(e.until)) {
					continue
				}
				if e.excluded(w.stamp, start) {
					continue
				}
				over, since := overridden(changed[e.uid], w.stamp, start)
				if over || since != nil && since.cancelled {
					continue
				}
				if since != nil {
					as = since
					zone := since.start.zone
					w.wall, w.zone = w.in(zone).Add(since.start.wall.Sub(since.override.in(zone))), zone
					start, how = WallClock(w.wall, w.zone)
				}
			}
			lasts := as.extent
			if w.lasts != nil {
				lasts = *w.lasts
			}
			s := Slot{UID: e.uid, Summary: as.summary, Site: as.site, Start: start}
			s.warn(how, "start", w.wall, start)
			s.End = start
			if lasts.days > 0 {
				wall := w.wall.AddDate(0, 0, lasts.days)
				s.End, how = WallClock(wall, w.zone)
				s.warn(how, "end", wall, s.End)
			}
			s.End = s.End.Add(lasts.length)
			if lasts.days == 0 {
				_, h := WallClock(s.End, w.zone)
				if h == ClockDoubled {
					s.Warnings = append(s.Warnings, fmt.Sprintf("its end, %s, comes twice that night: %s is meant", s.End.Format("15:04"), s.End.Format("15:04 MST")))
				}
			}
			_, o1 := s.Start.Zone()
			if _, o2 := s.End.Zone(); o1 != o2 {
				s.Warnings = append(s.Warnings, fmt.Sprintf("the clocks change inside it: %s from %s to %s",
					s.End.Sub(s.Start), s.Start.Format("15:04 MST"), s.End.Format("15:04 MST")))
			}
			if s.End.After(from) && s.Start.Before(until) || s.Start.Equal(s.End) && !s.Start.Before(from) && s.Start.Before(until) {
				out = append(out, s)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Slot) int {
		if d := a.Start.Compare(b.Start); d != 0 {
			return d
		}
		return strings.Compare(a.Site+a.UID, b.Site+b.UID)
	})
	return out, nil
}

func (s *Slot) warn(how Clock, what string, wall, at time.Time) {
	switch how {
	case ClockDoubled:
		s.Warnings = append(s.Warnings, fmt.Sprintf("its %s, %s, comes twice that night: the first, %s, is meant", what, wall.Format("15:04"), at.Format("15:04 MST")))
	case ClockMissing:
		s.Warnings = append(s.Warnings, fmt.Sprintf("its %s, %s, does not exist that night: %s is meant", what, wall.Format("15:04"), at.Format("15:04 MST")))
	case ClockOnce:
	}
}

// overridden says whether one of the changes stands for the occurrence, and
// which one has changed it and all later ones, if any. Source: RFC 5545 §3.8.4.4.
func overridden(changes []*event, w stamp, start time.Time) (over bool, since *event) {
	var at time.Time
	for _, x := range changes {
		t, _ := x.override.instant()
		if t.Equal(start) || x.override.day && w.wall.Truncate(24*time.Hour).Equal(x.override.wall) {
			over = true
		}
		if x.future && !t.After(start) && !t.Before(at) {
			since, at = x, t
		}
	}
	return over, since
}

// in is the wall clock of the stamp in another zone.
func (s stamp) in(zone *time.Location) time.Time {
	if s.day {
		return s.wall
	}
	t, _ := s.instant()
	t = t.In(zone)
	return time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), 0, time.UTC)
}

type occurrence struct {
	stamp
	byRule bool
	lasts  *extent // of a period; else as the event
}

// walls lists the wall-clock starts of an event that come before until or soon
// after; those that are long over at from may be left out.
func (e *event) walls(from, until time.Time) ([]occurrence, error) {
	out := []occurrence{{stamp: e.start}}
	if e.override != nil {
		return out, nil
	}
	if e.rule != nil {
		opt := *e.rule
		last := until.UTC().Add(48 * time.Hour)
		if !e.until.IsZero() && e.until.Add(48*time.Hour).Before(last) {
			last = e.until.Add(48 * time.Hour)
		}
		opt.Until = last
		if last.Before(e.start.wall) {
			opt.Until = e.start.wall
		}
		// What no occurrence comes of is passed one by one as well.
		if years := last.Sub(e.start.wall).Hours() / 8766; e.rule.Freq == rrule.MINUTELY && years > 2 || e.rule.Freq == rrule.HOURLY && years > 50 {
			return nil, fmt.Errorf("%w: RRULE recurs every hour or minute since %s, which is too often to be followed until %s", ErrInvalid, e.start.wall.Format(time.DateOnly), last.Format(time.DateOnly))
		}
		rule, err := rrule.NewRRule(opt)
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrInvalid, err)
		}
		first := from.UTC().Add(-48*time.Hour-e.length).AddDate(0, 0, -e.days)
		next := rule.Iterator()
		n := 1 // DTSTART counts as the first. Source: RFC 5545 §3.8.5.3.
		for steps := 0; ; steps++ {
			w, ok := next()
			if !ok || e.rule.Count > 0 && n >= e.rule.Count {
				break
			}
			if w.Equal(e.start.wall) {
				continue
			}
			n++
			if w.After(first) {
				out = append(out, occurrence{stamp{w, e.start.zone, e.start.day}, true, nil})
			}
			if len(out) > maxOccurrences || steps > maxSteps {
				return nil, fmt.Errorf("%w: more occurrences until %s than the %d that are listed at most", ErrInvalid, until.Format(time.DateOnly), maxOccurrences)
			}
		}
	}
	for _, s := range e.rdates {
		at, _ := s.instant()
		if !slices.ContainsFunc(out, func(o occurrence) bool { t, _ := o.instant(); return t.Equal(at) }) {
			out = append(out, s)
		}
	}
	return out, nil
}

func (e *event) excluded(w stamp, start time.Time) bool {
	for _, x := range e.exdates {
		if x.day {
			if w.wall.Truncate(24 * time.Hour).Equal(x.wall) {
				return true
			}
			continue
		}
		if t, _ := x.instant(); t.Equal(start) {
			return true
		}
	}
	return false
}

// Thaw returns the slots that overlap no freeze of their site, and the others,
// each with the freeze as a warning. A freeze without a site holds for all, and
// a slot for all sites is stopped by any.
func Thaw(slots, freezes []Slot) (kept, frozen []Slot) {
	for _, s := range slots {
		hit := -1
		for k, f := range freezes {
			if s.Start.Before(f.End) && f.Start.Before(s.End) && (s.Site == "" || f.Site == "" || s.Site == f.Site) {
				hit = k
				break
			}
		}
		if hit < 0 {
			kept = append(kept, s)
			continue
		}
		f := freezes[hit]
		s.Warnings = append(slices.Clone(s.Warnings), fmt.Sprintf("frozen by %s, %s to %s", f.Summary, f.Start.Format("2006-01-02 15:04 MST"), f.End.Format("2006-01-02 15:04 MST")))
		frozen = append(frozen, s)
	}
	return kept, frozen
}

// WriteCalendar writes slots as an iCalendar. stamp is the instant of writing;
// times are written in UTC, so that no reader can mistake them.
func WriteCalendar(w io.Writer, product string, slots []Slot, stamp time.Time) error {
	if len(slots) == 0 {
		// The standard wants at least one component; an empty calendar is still
		// of use to those who subscribe to it.
		_, err := fmt.Fprintf(w, "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:%s\r\nEND:VCALENDAR\r\n", product)
		return err
	}
	cal := ical.NewCalendar()
	cal.Props.SetText(ical.PropVersion, "2.0")
	cal.Props.SetText(ical.PropProductID, product)
	for _, s := range slots {
		e := ical.NewEvent()
		e.Props.SetText(ical.PropUID, s.UID)
		e.Props.SetDateTime(ical.PropDateTimeStamp, stamp.UTC())
		e.Props.SetDateTime(ical.PropDateTimeStart, s.Start.UTC())
		e.Props.SetDateTime(ical.PropDateTimeEnd, s.End.UTC())
		e.Props.SetText(ical.PropSummary, s.Summary)
		if s.Site != "" {
			e.Props.SetText(ical.PropLocation, s.Site)
		}
		if len(s.Warnings) > 0 {
			e.Props.SetText(ical.PropDescription, strings.Join(s.Warnings, "\n"))
		}
		cal.Children = append(cal.Children, e.Component)
	}
	var b bytes.Buffer
	if err := ical.NewEncoder(&b).Encode(cal); err != nil {
		return fmt.Errorf("write calendar: %w", err)
	}
	_, err := w.Write(unit.Folded(b.Bytes())) // the encoder leaves lines whole
	return err
}
