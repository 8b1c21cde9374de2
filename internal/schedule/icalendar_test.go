package schedule

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf16"
)

// starts lists when the occurrences of a year begin, in UTC, and how long they
// are.
func starts(t *testing.T, text string, year int) []string {
	t.Helper()
	var out []string
	for _, s := range expand(t, text, time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(year+1, 1, 1, 0, 0, 0, 0, time.UTC)) {
		out = append(out, s.Start.UTC().Format("0102T1504")+"+"+s.End.Sub(s.Start).String())
	}
	return out
}

// The zone of RFC 5545 §3.6.5 as the standard writes it, under a name that is no
// IANA zone. Source: RFC 5545 §3.6.5, the first example.
const ownZone = "BEGIN:VTIMEZONE\r\nTZID:Our own nights\r\nLAST-MODIFIED:20050809T050000Z\r\n" +
	"BEGIN:DAYLIGHT\r\nDTSTART:19670430T020000\r\nRRULE:FREQ=YEARLY;BYMONTH=4;BYDAY=-1SU;UNTIL=19730429T070000Z\r\nTZOFFSETFROM:-0500\r\nTZOFFSETTO:-0400\r\nTZNAME:EDT\r\nEND:DAYLIGHT\r\n" +
	"BEGIN:STANDARD\r\nDTSTART:19671029T020000\r\nRRULE:FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU;UNTIL=20061029T060000Z\r\nTZOFFSETFROM:-0400\r\nTZOFFSETTO:-0500\r\nTZNAME:EST\r\nEND:STANDARD\r\n" +
	"BEGIN:DAYLIGHT\r\nDTSTART:19740106T020000\r\nRDATE:19750223T020000\r\nTZOFFSETFROM:-0500\r\nTZOFFSETTO:-0400\r\nTZNAME:EDT\r\nEND:DAYLIGHT\r\n" +
	"BEGIN:DAYLIGHT\r\nDTSTART:19760425T020000\r\nRRULE:FREQ=YEARLY;BYMONTH=4;BYDAY=-1SU;UNTIL=19860427T070000Z\r\nTZOFFSETFROM:-0500\r\nTZOFFSETTO:-0400\r\nTZNAME:EDT\r\nEND:DAYLIGHT\r\n" +
	"BEGIN:DAYLIGHT\r\nDTSTART:19870405T020000\r\nRRULE:FREQ=YEARLY;BYMONTH=4;BYDAY=1SU;UNTIL=20060402T070000Z\r\nTZOFFSETFROM:-0500\r\nTZOFFSETTO:-0400\r\nTZNAME:EDT\r\nEND:DAYLIGHT\r\n" +
	"BEGIN:DAYLIGHT\r\nDTSTART:20070311T020000\r\nRRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU\r\nTZOFFSETFROM:-0500\r\nTZOFFSETTO:-0400\r\nTZNAME:EDT\r\nEND:DAYLIGHT\r\n" +
	"BEGIN:STANDARD\r\nDTSTART:20071104T020000\r\nRRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU\r\nTZOFFSETFROM:-0400\r\nTZOFFSETTO:-0500\r\nTZNAME:EST\r\nEND:STANDARD\r\n" +
	"END:VTIMEZONE\r\n"

// Source: RFC 5545 §3.6.5, whose example is the zone America/New_York; held
// against that of tzdata, hour by hour around every change.
func TestZoneThatTheFileDefines(t *testing.T) {
	ny, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Skipf("skipped: no time zone data: %v", err)
	}
	text := vcal(ownZone, vevent("DTSTART;TZID=Our own nights:19680101T013000", "DURATION:PT2H", "RRULE:FREQ=DAILY"))
	same := strings.ReplaceAll(text, "TZID=Our own nights", "TZID=America/New_York")
	changes := 0
	for year := 1968; year < 2040; year++ {
		got, want := starts(t, text, year), starts(t, same, year)
		if !slices.Equal(got, want) || len(got) < 365 {
			t.Fatalf("%d: %d and %d, first %v and %v", year, len(got), len(want), got[:3], want[:3])
		}
		a, b := time.Date(year, 1, 1, 0, 0, 0, 0, ny).Unix(), time.Date(year, 7, 1, 0, 0, 0, 0, ny)
		if _, off := b.Zone(); int64(off) != 0 && a != 0 {
			changes++
		}
	}
	if changes < 70 {
		t.Fatal("no year was looked at")
	}
	// The doubled and the missing time are warned of as in a zone of tzdata.
	for _, day := range []string{"20310309T023000", "20311102T013000"} {
		one := expand(t, vcal(ownZone, vevent("DTSTART;TZID=Our own nights:"+day, "DURATION:PT1H")), time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2032, 1, 1, 0, 0, 0, 0, time.UTC))
		two := expand(t, vcal(vevent("DTSTART;TZID=America/New_York:"+day, "DURATION:PT1H")), time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2032, 1, 1, 0, 0, 0, 0, time.UTC))
		if len(one) != 1 || !one[0].Start.Equal(two[0].Start) || !slices.Equal(one[0].Warnings, two[0].Warnings) || len(one[0].Warnings) == 0 {
			t.Errorf("%s: got %+v, want %+v", day, one, two)
		}
	}
}

func TestZonesThatCannotBeMade(t *testing.T) {
	zone := func(lines ...string) string {
		return vcal("BEGIN:VTIMEZONE\r\nTZID:odd\r\n"+strings.Join(lines, "\r\n")+"\r\nEND:VTIMEZONE\r\n", vevent("DTSTART;TZID=odd:20310501T220000", "DURATION:PT1H"))
	}
	for _, c := range [][2]string{
		{zone("COMMENT:nothing"), "neither STANDARD nor DAYLIGHT"},
		{zone("BEGIN:STANDARD", "DTSTART:19700101T000000", "TZOFFSETTO:+0100", "END:STANDARD"), "no TZOFFSETFROM"},
		{zone("BEGIN:STANDARD", "DTSTART:19700101T000000", "TZOFFSETFROM:1h", "TZOFFSETTO:+0100", "END:STANDARD"), `"1h", which should be like +0100`},
		{zone("BEGIN:STANDARD", "TZOFFSETFROM:+0100", "TZOFFSETTO:+0100", "END:STANDARD"), "no DTSTART"},
		{zone("BEGIN:STANDARD", "DTSTART:19700101T000000", "TZOFFSETFROM:+0100", "TZOFFSETTO:+0100", "RRULE:FREQ=HOURLY", "END:STANDARD"), "too often"},
		{vcal(vevent("DTSTART;TZID=Local:20310501T220000")), `TZID "Local"`}, // means the machine's to the library
	} {
		if _, err := ReadCalendar("test.ics", strings.NewReader(c[0]), time.LoadLocation, nil); !errors.Is(err, ErrInvalid) || !strings.Contains(err.Error(), c[1]) {
			t.Errorf("got %v, want %q in it", err, c[1])
		}
	}
	// A zone that does not change at all, with seconds in it.
	text := zone("BEGIN:STANDARD", "DTSTART:19700101T000000", "TZOFFSETFROM:+001932", "TZOFFSETTO:+001932", "END:STANDARD")
	if got := starts(t, text, 2031); !slices.Equal(got, []string{"0501T2140+1h0m0s"}) {
		t.Error(got)
	}
}

// A calendar that was cut off anywhere is an error and never a shorter calendar.
func TestEveryCutIsSeen(t *testing.T) {
	text := vcal(ownZone, vevent("DTSTART;TZID=Our own nights:20310501T220000", "DURATION:PT4H", "SUMMARY:Night", "RRULE:FREQ=WEEKLY;COUNT=3"),
		vevent("DTSTART:20310601T220000Z", "DURATION:PT4H"))
	whole := starts(t, text, 2031)
	for k := range len(text) {
		_, err := ReadCalendar("test.ics", strings.NewReader(text[:k]), time.LoadLocation, nil)
		if left := strings.TrimSpace(text[k:]); left == "" {
			if err != nil {
				t.Fatalf("only the end of the last line is gone: %v", err)
			}
			continue
		}
		if !errors.Is(err, ErrInvalid) || !strings.HasPrefix(err.Error(), "test.ics:") {
			t.Fatalf("cut off after %q: got %v", text[max(0, k-30):k], err)
		}
	}
	if len(whole) != 4 {
		t.Fatal(whole)
	}
}

func TestFormsOfTheSameCalendar(t *testing.T) {
	if _, err := time.LoadLocation("Europe/Berlin"); err != nil {
		t.Skipf("skipped: no time zone data: %v", err)
	}
	text := vcal(vevent("DTSTART;TZID=Europe/Berlin:20310105T223000", "DURATION:PT4H", "RRULE:FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-1;COUNT=4",
		"EXDATE;TZID=Europe/Berlin:20310228T223000", "SUMMARY:Nächte für die Wasserwerke\\, mit Übergang"))
	want := starts(t, text, 2031)
	if len(want) != 3 {
		t.Fatal(want)
	}
	var folded strings.Builder
	for line := range strings.SplitSeq(strings.TrimSuffix(text, "\r\n"), "\r\n") {
		for len(line) > 7 { // in the middle of letters of two octets as well
			folded.WriteString(line[:7] + "\r\n ")
			line = line[7:]
		}
		folded.WriteString(line + "\r\n")
	}
	for name, form := range map[string]string{
		"line feeds alone":     strings.ReplaceAll(text, "\r\n", "\n"),
		"a byte order mark":    "\ufeff" + text,
		"folded":               folded.String(),
		"folded, line feeds":   strings.ReplaceAll(folded.String(), "\r\n ", "\n\t"),
		"blank lines":          "\r\n" + strings.ReplaceAll(text, "\r\n", "\r\n\r\n"),
		"small letters":        strings.NewReplacer("BEGIN:VEVENT", "begin:vevent", "END:VEVENT", "end:vevent", "RRULE:FREQ=MONTHLY;BYDAY", "rrule:freq=monthly;byday", "DTSTART", "dtstart").Replace(text),
		"a semicolon too many": strings.Replace(text, "COUNT=4", "COUNT=4;", 1),
		"a quoted parameter":   strings.ReplaceAll(text, "TZID=Europe/Berlin", `TZID="Europe/Berlin"`),
		"no last line end":     strings.TrimSuffix(text, "\r\n"),
		"two calendars":        vcal(vevent("DTSTART:20320105T223000Z")) + text,
		"an alarm in an event": strings.Replace(text, "END:VEVENT", "BEGIN:VALARM\r\nACTION:DISPLAY\r\nTRIGGER:-PT10M\r\nEND:VALARM\r\nEND:VEVENT", 1),
	} {
		if got := starts(t, form, 2031); !slices.Equal(got, want) {
			t.Errorf("%s: got %v, want %v", name, got, want)
		}
	}
}

func TestPeriodsAndLaterOnes(t *testing.T) {
	if _, err := time.LoadLocation("Europe/Berlin"); err != nil {
		t.Skipf("skipped: no time zone data: %v", err)
	}
	for _, c := range []struct {
		name   string
		events []string
		want   []string
	}{
		// Source: RFC 5545 §3.8.5.2 and §3.3.9: a period brings its own length.
		{"periods", []string{vevent("DTSTART:20310501T220000Z", "DURATION:PT4H", "RDATE;VALUE=PERIOD:20310510T210000Z/20310511T030000Z,20310520T220000Z/PT1H30M", "RDATE:20310525T220000Z")},
			[]string{"0501T2200+4h0m0s", "0510T2100+6h0m0s", "0520T2200+1h30m0s", "0525T2200+4h0m0s"}},
		{"a date that is the start, told in another zone", []string{vevent("DTSTART;TZID=Europe/Berlin:20310501T220000", "DURATION:PT4H", "RDATE:20310501T200000Z,20310502T200000Z")},
			[]string{"0501T2000+4h0m0s", "0502T2000+4h0m0s"}},
		// Source: RFC 5545 §3.8.4.4: RANGE=THISANDFUTURE moves what follows by as
		// much, and gives it the length of the change.
		{"this and all later", []string{
			vevent("DTSTART;TZID=Europe/Berlin:20310301T220000", "DURATION:PT4H", "RRULE:FREQ=WEEKLY;COUNT=6", "EXDATE;TZID=Europe/Berlin:20310405T220000"),
			vevent("RECURRENCE-ID;RANGE=THISANDFUTURE;TZID=Europe/Berlin:20310315T220000", "DTSTART;TZID=Europe/Berlin:20310316T230000", "DURATION:PT2H"),
			vevent("RECURRENCE-ID;TZID=Europe/Berlin:20310329T220000", "DTSTART:20310328T120000Z", "DURATION:PT1H")},
			[]string{"0301T2100+4h0m0s", "0308T2100+4h0m0s", "0316T2200+2h0m0s", "0323T2200+2h0m0s", "0328T1200+1h0m0s"}},
		{"no more of them", []string{
			vevent("DTSTART:20310301T220000Z", "DURATION:PT4H", "RRULE:FREQ=WEEKLY"),
			vevent("RECURRENCE-ID;RANGE=THISANDFUTURE:20310315T220000Z", "DTSTART:20310315T220000Z", "STATUS:CANCELLED")},
			[]string{"0301T2200+4h0m0s", "0308T2200+4h0m0s"}},
		{"one of them by its day", []string{
			vevent("DTSTART:20310301T220000Z", "DURATION:PT4H", "RRULE:FREQ=WEEKLY;COUNT=3"),
			vevent("RECURRENCE-ID;VALUE=DATE:20310308", "DTSTART:20310309T220000Z", "DURATION:PT1H")},
			[]string{"0301T2200+4h0m0s", "0309T2200+1h0m0s", "0315T2200+4h0m0s"}},
		{"a rule that began long ago", []string{vevent("DTSTART:19400101T220000Z", "DURATION:PT30M", "RRULE:FREQ=DAILY;UNTIL=20310103T220000Z")},
			[]string{"0101T2200+30m0s", "0102T2200+30m0s", "0103T2200+30m0s"}},
		{"a long one that began before", []string{vevent("DTSTART;VALUE=DATE:20301201", "DTEND;VALUE=DATE:20310110", "RRULE:FREQ=YEARLY")},
			[]string{"1201T0000+960h0m0s", "1201T0000+960h0m0s"}},
	} {
		if got := starts(t, vcal(c.events...), 2031); !slices.Equal(got, c.want) {
			t.Errorf("%s:\n got %v\nwant %v", c.name, got, c.want)
		}
	}
}

func TestCalendarsThatCannotBeRead(t *testing.T) {
	wide := "\xff\xfe"
	for _, u := range utf16.Encode([]rune(vcal(vevent("DTSTART:20310501T220000Z")))) {
		wide += string([]byte{byte(u), byte(u >> 8)})
	}
	ev := vevent("DTSTART:20310501T220000Z")
	for _, c := range [][2]string{
		{"", "test.ics:1: invalid problem: found no calendar"},
		{wide, "test.ics:1: invalid problem: the file is in UTF-16"},
		{wide[2:], "the file is in UTF-16"},
		{vcal(ev, "nonsense\r\n"), `test.ics:9: invalid problem: found "nonsense": there is no colon`},
		{vcal(vevent("DTSTART;TZID=Europe/Berlin")), "there is no colon"}, // the library panics
		{vcal(vevent(`DTSTART;TZID="Europe/Berlin:20310501T220000`)), "a quote is not closed"},
		{vcal(vevent(`DTSTART;TZID="Europe"/Berlin:20310501T220000`)), "should be quoted as a whole"},
		{vcal(vevent(`DTSTART;TZID:20310501T220000`)), "followed by a parameter"},
		{"BEGIN:VEVENT\r\nEND:VEVENT\r\n", "should be BEGIN:VCALENDAR"},
		{vcal(strings.Replace(ev, "END:VEVENT", "END:VTODO", 1)), "found END:VTODO, which should be END:VEVENT of line 4"},
		{vcal(ev, vevent("SUMMARY:x")), `test.ics:9: event "one": invalid problem: DTSTART is missing`},
		{vcal(vevent("DTSTART:20310501T220000Z", "EXRULE:FREQ=DAILY")), "EXRULE"},
		{vcal(vevent("DTSTART:20310501T220000Z", "RRULE:FREQ=DAILY", "RRULE:FREQ=WEEKLY")), "RRULE stands 2 times"},
		{vcal(vevent("DTSTART:20310501T220000Z", "RECURRENCE-ID;RANGE=THISANDPRIOR:20310501T220000Z")), "RANGE"},
		{vcal(vevent("DTSTART:20310501T220000Z", "RDATE;VALUE=PERIOD:20310501T220000Z/20310501T210000Z")), "whose end is before its start"},
		{vcal(vevent("DTSTART:20310501T220000Z", "DURATION:-PT1H")), "DURATION"},
		{vcal(vevent("DTSTART:20310501T220000Z", `LOCATION:Mere\x`)), "LOCATION"},
	} {
		_, err := ReadCalendar("test.ics", strings.NewReader(c[0]), time.LoadLocation, nil)
		if !errors.Is(err, ErrInvalid) || !strings.Contains(err.Error(), c[1]) {
			t.Errorf("%.60q: got %v, want %q in it", c[0], err, c[1])
		}
	}
}

// A rule of which nothing ever comes must not be followed minute by minute for
// centuries.
func TestRulesThatLeadNowhere(t *testing.T) {
	from, until := time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2032, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct{ start, rule, want string }{
		{"00010101T000000Z", "FREQ=MINUTELY;BYMONTH=2;BYMONTHDAY=30", "too often to be followed"},
		{"19000101T000000Z", "FREQ=HOURLY;BYMONTH=2;BYMONTHDAY=30", "too often to be followed"},
		{"20300601T000000Z", "FREQ=MINUTELY", "more occurrences until 2032-01-01 than the 20000"},
		{"00010101T000000Z", "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30", ""},
		{"20300601T000000Z", "FREQ=MINUTELY;BYMONTH=2;BYMONTHDAY=30", ""},
	} {
		cal, err := ReadCalendar("test.ics", strings.NewReader(vcal(vevent("DTSTART:"+c.start, "DURATION:PT1M", "RRULE:"+c.rule))), time.LoadLocation, nil)
		if err != nil {
			t.Fatal(err)
		}
		s, err := cal.Expand(from, until)
		if c.want == "" && (err != nil || len(s) != 0) || c.want != "" && (!errors.Is(err, ErrInvalid) || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: got %v %v, want %q", c.rule, s, err, c.want)
		}
	}
}

func FuzzReadCalendar(f *testing.F) {
	for _, s := range []string{vcal(ownZone, vevent("DTSTART;TZID=Our own nights:20310501T220000", "RDATE;VALUE=PERIOD:20310501T220000Z/PT1H")),
		vcal(vevent("DTSTART;VALUE=DATE:20310501", "RRULE:FREQ=MONTHLY;BYDAY=-1SU;COUNT=3", "EXDATE;VALUE=DATE:20310701")),
		"BEGIN:VCALENDAR\nEND:VCALENDAR\n", "BEGIN:VCALENDAR\nDTSTART;X=\nEND:VCALENDAR\n"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c, err := ReadCalendar("f.ics", strings.NewReader(s), time.LoadLocation, nil)
		if err == nil {
			_, err = c.Expand(time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2031, 6, 1, 0, 0, 0, 0, time.UTC))
		}
		if err != nil && !errors.Is(err, ErrInvalid) {
			t.Fatal(fmt.Errorf("%q: %w", s, err))
		}
	})
}
