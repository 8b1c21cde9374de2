package schedule

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

func vevent(lines ...string) string {
	return "BEGIN:VEVENT\r\nUID:one\r\nDTSTAMP:19970101T000000Z\r\n" + strings.Join(lines, "\r\n") + "\r\nEND:VEVENT\r\n"
}

func vcal(events ...string) string {
	return "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Ostermoor//EN\r\n" + strings.Join(events, "") + "END:VCALENDAR\r\n"
}

func expand(t *testing.T, text string, from, until time.Time) []Slot {
	t.Helper()
	c, err := ReadCalendar("test.ics", strings.NewReader(text), time.LoadLocation, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := c.Expand(from, until)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// days expands "1997 Sep 2 9 Oct 1-3" into dates.
func days(t *testing.T, s string) []string {
	t.Helper()
	months := "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec"
	year, month := 0, 0
	var out []string
	for _, f := range strings.Fields(s) {
		if k := strings.Index(months, f); k >= 0 && len(f) == 3 && !strings.ContainsAny(f, "0123456789") {
			month = k/4 + 1
			continue
		}
		var a, b int
		if n, _ := fmt.Sscanf(f, "%d-%d", &a, &b); n == 0 {
			t.Fatalf("bad %q", f)
		} else if n == 1 {
			b = a
		}
		if a > 31 {
			year = a
			continue
		}
		for d := a; d <= b; d++ {
			out = append(out, fmt.Sprintf("%04d-%02d-%02d", year, month, d))
		}
	}
	return out
}

// Source: RFC 5545 §3.8.5.3, the examples, all in America/New_York at 09:00;
// recurrences without an end are compared as far as the list goes. The text of
// the standard is quoted from memory.
func TestExamplesOfTheStandard(t *testing.T) {
	cases := []struct{ name, start, rule, want string }{
		{"daily for 10", "19970902", "FREQ=DAILY;COUNT=10", "1997 Sep 2-11"},
		{"daily until 24 December", "19970902", "FREQ=DAILY;UNTIL=19971224T000000Z", "1997 Sep 2-30 Oct 1-31 Nov 1-30 Dec 1-23"},
		{"every other day", "19970902", "FREQ=DAILY;INTERVAL=2", "1997 Sep 2 4 6 8 10 12 14 16 18 20 22 24 26 28 30 Oct 2 4 6 8 10 12 14 16 18 20 22 24 26 28 30 Nov 1 3 5"},
		{"every 10 days", "19970902", "FREQ=DAILY;INTERVAL=10;COUNT=5", "1997 Sep 2 12 22 Oct 2 12"},
		{"every day in January, yearly", "19980101", "FREQ=YEARLY;UNTIL=20000131T140000Z;BYMONTH=1;BYDAY=SU,MO,TU,WE,TH,FR,SA", "1998 Jan 1-31 1999 Jan 1-31 2000 Jan 1-31"},
		{"every day in January, daily", "19980101", "FREQ=DAILY;UNTIL=20000131T140000Z;BYMONTH=1", "1998 Jan 1-31 1999 Jan 1-31 2000 Jan 1-31"},
		{"weekly for 10", "19970902", "FREQ=WEEKLY;COUNT=10", "1997 Sep 2 9 16 23 30 Oct 7 14 21 28 Nov 4"},
		{"weekly until", "19970902", "FREQ=WEEKLY;UNTIL=19971224T000000Z", "1997 Sep 2 9 16 23 30 Oct 7 14 21 28 Nov 4 11 18 25 Dec 2 9 16 23"},
		{"every other week", "19970902", "FREQ=WEEKLY;INTERVAL=2;WKST=SU", "1997 Sep 2 16 30 Oct 14 28 Nov 11 25 Dec 9 23 1998 Jan 6 20 Feb 3 17"},
		{"Tuesday and Thursday until", "19970902", "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH", "1997 Sep 2 4 9 11 16 18 23 25 30 Oct 2"},
		{"Tuesday and Thursday count", "19970902", "FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH", "1997 Sep 2 4 9 11 16 18 23 25 30 Oct 2"},
		{"every other week on three days", "19970901", "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR", "1997 Sep 1 3 5 15 17 19 29 Oct 1 3 13 15 17 27 29 31 Nov 10 12 14 24 26 28 Dec 8 10 12 22"},
		{"every other week on two days", "19970902", "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", "1997 Sep 2 4 16 18 30 Oct 2 14 16"},
		{"first Friday", "19970905", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR", "1997 Sep 5 Oct 3 Nov 7 Dec 5 1998 Jan 2 Feb 6 Mar 6 Apr 3 May 1 Jun 5"},
		{"first Friday until", "19970905", "FREQ=MONTHLY;UNTIL=19971224T000000Z;BYDAY=1FR", "1997 Sep 5 Oct 3 Nov 7 Dec 5"},
		{"first and last Sunday of every other month", "19970907", "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU", "1997 Sep 7 28 Nov 2 30 1998 Jan 4 25 Mar 1 29 May 3 31"},
		{"second-to-last Monday", "19970922", "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", "1997 Sep 22 Oct 20 Nov 17 Dec 22 1998 Jan 19 Feb 16"},
		{"third-to-last day", "19970928", "FREQ=MONTHLY;BYMONTHDAY=-3", "1997 Sep 28 Oct 29 Nov 28 Dec 29 1998 Jan 29 Feb 26"},
		{"second and fifteenth", "19970902", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15", "1997 Sep 2 15 Oct 2 15 Nov 2 15 Dec 2 15 1998 Jan 2 15"},
		{"first and last day", "19970930", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", "1997 Sep 30 Oct 1 31 Nov 1 30 Dec 1 31 1998 Jan 1 31 Feb 1"},
		{"every 18 months", "19970910", "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15", "1997 Sep 10-15 1999 Mar 10-13"},
		{"every Tuesday of every other month", "19970902", "FREQ=MONTHLY;INTERVAL=2;BYDAY=TU", "1997 Sep 2 9 16 23 30 Nov 4 11 18 25 1998 Jan 6 13 20 27 Mar 3 10 17 24 31"},
		{"June and July", "19970610", "FREQ=YEARLY;COUNT=10;BYMONTH=6,7", "1997 Jun 10 Jul 10 1998 Jun 10 Jul 10 1999 Jun 10 Jul 10 2000 Jun 10 Jul 10 2001 Jun 10 Jul 10"},
		{"every other year", "19970310", "FREQ=YEARLY;INTERVAL=2;COUNT=10;BYMONTH=1,2,3", "1997 Mar 10 1999 Jan 10 Feb 10 Mar 10 2001 Jan 10 Feb 10 Mar 10 2003 Jan 10 Feb 10 Mar 10"},
		{"days of the year", "19970101", "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200", "1997 Jan 1 Apr 10 Jul 19 2000 Jan 1 Apr 9 Jul 18 2003 Jan 1 Apr 10 Jul 19 2006 Jan 1"},
		{"twentieth Monday", "19970519", "FREQ=YEARLY;BYDAY=20MO", "1997 May 19 1998 May 18 1999 May 17"},
		{"Monday of week 20", "19970512", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO", "1997 May 12 1998 May 11 1999 May 17"},
		{"Thursdays in March", "19970313", "FREQ=YEARLY;BYMONTH=3;BYDAY=TH", "1997 Mar 13 20 27 1998 Mar 5 12 19 26 1999 Mar 4 11 18 25"},
		{"Thursdays in June, July and August", "19970605", "FREQ=YEARLY;BYDAY=TH;BYMONTH=6,7,8", "1997 Jun 5 12 19 26 Jul 3 10 17 24 31 Aug 7 14 21 28 1998 Jun 4 11 18 25 Jul 2 9 16 23 30 Aug 6 13 20 27 1999 Jun 3 10 17 24 Jul 1 8 15 22 29 Aug 5 12 19 26"},
		{"Saturday after the first Sunday", "19970913", "FREQ=MONTHLY;BYDAY=SA;BYMONTHDAY=7,8,9,10,11,12,13", "1997 Sep 13 Oct 11 Nov 8 Dec 13 1998 Jan 10 Feb 7 Mar 7 Apr 11 May 9 Jun 13"},
		{"election day", "19961105", "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8", "1996 Nov 5 2000 Nov 7 2004 Nov 2"},
		{"third of three weekdays", "19970904", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", "1997 Sep 4 Oct 7 Nov 6"},
		{"second-to-last weekday", "19970929", "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2", "1997 Sep 29 Oct 30 Nov 27 Dec 30 1998 Jan 29 Feb 26 Mar 30"},
		{"week starts on Monday", "19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997 Aug 5 10 19 24"},
		{"week starts on Sunday", "19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "1997 Aug 5 17 19 31"},
		{"a date that does not exist", "20070115", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "2007 Jan 15 30 Feb 15 Mar 15 30"},
		{"Friday the 13th", "19970902", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13\r\nEXDATE;TZID=America/New_York:19970902T090000", "1998 Feb 13 Mar 13 Nov 13 1999 Aug 13 2000 Oct 13"},
	}
	ny, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Skipf("skipped: no time zone data: %v", err)
	}
	for _, c := range cases {
		want := days(t, c.want)
		text := vcal(vevent("DTSTART;TZID=America/New_York:"+c.start+"T090000", "DURATION:PT1H", "RRULE:"+c.rule))
		got := expand(t, text, time.Date(1990, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2006, 6, 1, 0, 0, 0, 0, time.UTC).AddDate(2, 0, 0))
		endless := !strings.Contains(c.rule, "COUNT") && !strings.Contains(c.rule, "UNTIL")
		if endless && len(got) > len(want) {
			got = got[:len(want)]
		}
		var have []string
		for _, s := range got {
			at := s.Start.In(ny)
			if at.Hour() != 9 || at.Minute() != 0 || s.End.Sub(s.Start) != time.Hour {
				t.Errorf("%s: %v to %v is not at 09:00 for an hour", c.name, s.Start, s.End)
			}
			have = append(have, at.Format(time.DateOnly))
		}
		if !slices.Equal(have, want) {
			t.Errorf("%s:\n got %v\nwant %v", c.name, have, want)
		}
	}
}

// Source: RFC 5545 §3.8.5.3, the examples within a day, from memory; the end of
// the first is that of erratum 3883, since 17:00 was meant in New York.
func TestExamplesWithinADay(t *testing.T) {
	ny, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Skipf("skipped: no time zone data: %v", err)
	}
	var twenties []string
	for h := 9; h <= 16; h++ {
		for m := 0; m < 60; m += 20 {
			twenties = append(twenties, fmt.Sprintf("%02d:%02d", h, m))
		}
	}
	for _, c := range []struct {
		rule string
		want []string // of the first day
		days int
	}{
		{"FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T210000Z", []string{"09:00", "12:00", "15:00"}, 1},
		{"FREQ=MINUTELY;INTERVAL=15;COUNT=6", []string{"09:00", "09:15", "09:30", "09:45", "10:00", "10:15"}, 1},
		{"FREQ=MINUTELY;INTERVAL=90;COUNT=4", []string{"09:00", "10:30", "12:00", "13:30"}, 1},
		{"FREQ=DAILY;BYHOUR=9,10,11,12,13,14,15,16;BYMINUTE=0,20,40", twenties, 2},
		{"FREQ=MINUTELY;INTERVAL=20;BYHOUR=9,10,11,12,13,14,15,16", twenties, 2},
	} {
		text := vcal(vevent("DTSTART;TZID=America/New_York:19970902T090000", "DURATION:PT10M", "RRULE:"+c.rule))
		got := expand(t, text, time.Date(1997, 9, 1, 0, 0, 0, 0, ny), time.Date(1997, 9, 2+c.days, 0, 0, 0, 0, ny))
		var have, want []string
		for _, s := range got {
			have = append(have, s.Start.In(ny).Format("02 15:04"))
		}
		for d := range c.days {
			for _, w := range c.want {
				want = append(want, fmt.Sprintf("%02d %s", 2+d, w))
			}
		}
		if !slices.Equal(have, want) {
			t.Errorf("%s:\n got %v\nwant %v", c.rule, have, want)
		}
	}
}

// Source: RFC 5545 §3.3.5 form 3: 20071104T013000 in New York is the first 1:30,
// EDT; 20070311T023000 is 3:30 EDT.
func TestWallClockAtTheClockChange(t *testing.T) {
	ny, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Skipf("skipped: no time zone data: %v", err)
	}
	lord, err := time.LoadLocation("Australia/Lord_Howe") // changes by half an hour
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		zone *time.Location
		wall string
		want string
		how  Clock
	}{
		{ny, "2007-11-04T01:30:00Z", "2007-11-04T05:30:00Z", ClockDoubled},
		{ny, "2007-11-04T00:59:59Z", "2007-11-04T04:59:59Z", ClockOnce},
		{ny, "2007-11-04T02:00:00Z", "2007-11-04T07:00:00Z", ClockOnce},
		{ny, "2007-03-11T02:30:00Z", "2007-03-11T07:30:00Z", ClockMissing},
		{ny, "2007-03-11T01:59:00Z", "2007-03-11T06:59:00Z", ClockOnce},
		{ny, "2007-03-11T03:00:00Z", "2007-03-11T07:00:00Z", ClockOnce},
		{time.UTC, "2007-03-11T02:30:00Z", "2007-03-11T02:30:00Z", ClockOnce},
		{lord, "2007-10-28T02:15:00Z", "2007-10-27T15:45:00Z", ClockMissing},
		{lord, "2007-03-25T01:45:00Z", "2007-03-24T14:45:00Z", ClockDoubled},
	} {
		wall, err := time.Parse(time.RFC3339, c.wall)
		if err != nil {
			t.Fatal(err)
		}
		got, how := WallClock(wall, c.zone)
		if got.UTC().Format(time.RFC3339) != c.want || how != c.how {
			t.Errorf("%s in %v: got %v, %d; want %s, %d", c.wall, c.zone, got.UTC(), how, c.want, c.how)
		}
	}
}

func TestClockChangeWarnings(t *testing.T) {
	if _, err := time.LoadLocation("Europe/Berlin"); err != nil {
		t.Skipf("skipped: no time zone data: %v", err)
	}
	// Source: EU directive 2000/84/EC: on the last Sundays of March and October at
	// 01:00 UTC; in 2031 those are 30 March and 26 October.
	text := vcal(vevent("DTSTART;TZID=Europe/Berlin:20310105T023000", "DURATION:PT3H", "RRULE:FREQ=WEEKLY;BYDAY=SU", "SUMMARY:Sunday night", "LOCATION:mere"))
	at := func(m time.Month, d int) Slot {
		got := expand(t, text, time.Date(2031, m, d, 0, 0, 0, 0, time.UTC), time.Date(2031, m, d, 20, 0, 0, 0, time.UTC))
		if len(got) != 1 {
			t.Fatalf("%v %d: %v", m, d, got)
		}
		return got[0]
	}
	if s := at(3, 23); len(s.Warnings) != 0 || s.Site != "mere" || s.Summary != "Sunday night" {
		t.Errorf("an ordinary Sunday: %+v", s)
	}
	spring := at(3, 30)
	if s := spring.Start.UTC().Format("15:04"); s != "01:30" || len(spring.Warnings) != 1 ||
		spring.Warnings[0] != "its start, 02:30, does not exist that night: 03:30 CEST is meant" {
		t.Errorf("%s %q", s, spring.Warnings)
	}
	autumn := at(10, 26)
	if s := autumn.Start.UTC().Format("15:04"); s != "00:30" || len(autumn.Warnings) != 2 ||
		autumn.Warnings[0] != "its start, 02:30, comes twice that night: the first, 02:30 CEST, is meant" ||
		!strings.HasPrefix(autumn.Warnings[1], "the clocks change inside it: 3h0m0s from 02:30 CEST to 04:30 CET") {
		t.Errorf("%s %q", s, autumn.Warnings)
	}
}

func TestExceptionsOverridesAndFreezes(t *testing.T) {
	text := vcal(
		vevent("DTSTART:20310501T220000Z", "DTEND:20310502T020000Z", "RRULE:FREQ=DAILY;COUNT=5", "EXDATE:20310502T220000Z,20310503T220000Z", "RDATE:20310520T220000Z"),
		vevent("RECURRENCE-ID:20310504T220000Z", "DTSTART:20310504T230000Z", "DURATION:PT1H"),
		"BEGIN:VEVENT\r\nUID:two\r\nDTSTAMP:19970101T000000Z\r\nDTSTART:20310501T100000Z\r\nSTATUS:CANCELLED\r\nEND:VEVENT\r\n",
	)
	slots := expand(t, text, time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2032, 1, 1, 0, 0, 0, 0, time.UTC))
	var got []string
	for _, s := range slots {
		got = append(got, s.Start.UTC().Format("0102T15")+"+"+s.End.Sub(s.Start).String())
	}
	if want := []string{"0501T22+4h0m0s", "0504T23+1h0m0s", "0505T22+4h0m0s", "0520T22+4h0m0s"}; !slices.Equal(got, want) {
		t.Fatalf("got %v, want %v", got, want)
	}
	freeze := expand(t, vcal(vevent("DTSTART;VALUE=DATE:20310502", "DTEND;VALUE=DATE:20310505", "SUMMARY:Year-end close")),
		time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2032, 1, 1, 0, 0, 0, 0, time.UTC))
	kept, frozen := Thaw(slots, freeze)
	if len(kept) != 2 || len(frozen) != 2 || !strings.Contains(frozen[0].Warnings[0], "frozen by Year-end close") {
		t.Fatalf("kept %v, frozen %v", kept, frozen)
	}
	kept, _ = Thaw([]Slot{{Site: "a", Start: freeze[0].Start, End: freeze[0].End}}, []Slot{{Site: "b", Start: freeze[0].Start, End: freeze[0].End}})
	if len(kept) != 1 {
		t.Fatal("the freeze of one site stops another")
	}
	var b bytes.Buffer
	slots[0].Warnings = []string{"one, two; three"}
	slots[0].Summary, slots[0].Site = "Wave 1", "mere"
	if err := WriteCalendar(&b, "-//Ostermoor//EN", slots, time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)); err != nil {
		t.Fatal(err)
	}
	again := expand(t, b.String(), time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2032, 1, 1, 0, 0, 0, 0, time.UTC))
	if len(again) != len(slots) || !again[0].Start.Equal(slots[0].Start) || !again[0].End.Equal(slots[0].End) || again[0].Summary != "Wave 1" || again[0].Site != "mere" {
		t.Fatalf("got %v, want %v", again, slots)
	}
}

func TestBadCalendars(t *testing.T) {
	for _, c := range [][2]string{
		{vcal(vevent("SUMMARY:x")), "DTSTART is missing"},
		{vcal(vevent("DTSTART;TZID=Mars/Olympus:20310501T220000")), `TZID "Mars/Olympus"`},
		{vcal(vevent("DTSTART:2031-05-01")), `DTSTART is "2031-05-01"`},
		{vcal(vevent("DTSTART:20310501T220000Z", "DTEND:20310501T210000Z")), "is before DTSTART"},
		{vcal(vevent("DTSTART:20310501T220000Z", "DTEND:20310501T230000Z", "DURATION:PT1H")), "exclude each other"},
		{vcal(vevent("DTSTART:20310501T220000Z", "RRULE:FREQ=SECONDLY")), "every second"},
		{vcal(vevent("DTSTART:20310501T220000Z", "RRULE:FREQ=OFTEN")), "RRULE is"},
		{vcal(vevent("DTSTART:20310501T220000Z", "RRULE:FREQ=DAILY;COUNT=2;UNTIL=20310601T000000Z")), "exclude each other"},
		{"nonsense", "test.ics"},
	} {
		_, err := ReadCalendar("test.ics", strings.NewReader(c[0]), time.LoadLocation, nil)
		if !errors.Is(err, ErrInvalid) || !strings.Contains(err.Error(), c[1]) {
			t.Errorf("got %v, want %q in it", err, c[1])
		}
	}
}
