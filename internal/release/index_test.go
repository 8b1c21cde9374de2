package release

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestIndexTellsEveryProblem(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Platform)
		path   string
		want   string
	}{
		{"no id", func(p *Platform) { p.ID = "" }, "$.platforms[0].id", "platform 1: id: found none, want a name"},
		{"scheme", func(p *Platform) { p.Scheme.Order = nil }, "$.platforms[0].version-scheme",
			"platform alder-9: version-scheme: order: found none, want the fields of the pattern from most to least significant"},
		{"firmware scheme", func(p *Platform) { p.FirmwareScheme = &VersionScheme{} }, "$.platforms[0].firmware-scheme",
			"platform alder-9: firmware-scheme: pattern: found none, want a regular expression with named groups"},
		{"span of a field that is none", func(p *Platform) { p.MaxInServiceSpan = map[string]int{"train": 1} }, "$.platforms[0].max-in-service-span.train",
			"platform alder-9: train: want a number field of the version scheme"},
		{"span of words", func(p *Platform) { p.MaxInServiceSpan = map[string]int{"stage": 1} }, "$.platforms[0].max-in-service-span.stage",
			"platform alder-9: stage: want a number field of the version scheme"},
		{"negative span", func(p *Platform) { p.MaxInServiceSpan = map[string]int{"minor": -1} }, "$.platforms[0].max-in-service-span.minor",
			"platform alder-9: minor: found -1, want 0 or more"},
		{"version", func(p *Platform) { p.Releases = append(p.Releases, Release{Version: "2.7"}) }, "$.platforms[0].releases[6].version",
			`platform alder-9, release 2.7: version: version "2.7" does not have the form ` + dotted.Pattern},
		{"same version", func(p *Platform) { p.Releases = append(p.Releases, Release{Version: "2.06.0"}) }, "$.platforms[0].releases",
			"platform alder-9: releases: 2.6.0 and 2.06.0 are the same version by the scheme, want each release once"},
		{"support", func(p *Platform) { p.Releases[0].Support = "retired" }, "$.platforms[0].releases[0].support",
			`platform alder-9, release 2.3.0: support: found "retired", want "supported", "end-of-support", "withdrawn" or "defective"`},
		{"date", func(p *Platform) { p.Releases[0].Date = "31.03.2026" }, "$.platforms[0].releases[0].date",
			`platform alder-9, release 2.3.0: date: found "31.03.2026", want a date such as 2026-03-31`},
		{"image kind", func(p *Platform) { p.Releases[0].Images = []Image{{Kind: "kernel", File: "f", Size: 1}} }, "$.platforms[0].releases[0].images[0].kind",
			`platform alder-9, release 2.3.0, image f: kind: found "kernel", want "system", "boot", "line-card", "management-processor" or "firmware"`},
		{"image file", func(p *Platform) { p.Releases[0].Images = []Image{{Kind: ImageBoot, Size: 1}} }, "$.platforms[0].releases[0].images[0].file",
			"platform alder-9, release 2.3.0, image : file: found none, want the name of the file"},
		{"image size", func(p *Platform) { p.Releases[0].Images = []Image{{Kind: ImageBoot, File: "f"}} }, "$.platforms[0].releases[0].images[0].size",
			"platform alder-9, release 2.3.0, image f: size: found 0B, want the size of the file"},
		{"image hash", func(p *Platform) { p.Releases[0].Images = []Image{{Kind: ImageBoot, File: "f", Size: 1, SHA256: "ab"}} }, "$.platforms[0].releases[0].images[0].sha256",
			`platform alder-9, release 2.3.0, image f: sha256: found "ab", want 64 hexadecimal digits`},
		{"image longer hash", func(p *Platform) {
			p.Releases[0].Images = []Image{{Kind: ImageBoot, File: "f", Size: 1, SHA512: strings.Repeat("g", 128)}}
		}, "$.platforms[0].releases[0].images[0].sha512",
			`platform alder-9, release 2.3.0, image f: sha512: found "` + strings.Repeat("g", 128) + `", want 128 hexadecimal digits`},
		{"image of another release", func(p *Platform) { p.Releases[0].Images = []Image{{Kind: ImageBoot, File: "f", Size: 1, Of: "x"}} }, "$.platforms[0].releases[0].images[0].of",
			`platform alder-9, release 2.3.0, image f: of: version "x" does not have the form ` + dotted.Pattern},
		{"requirement", func(p *Platform) { p.Releases[0].Requires = []FirmwareLevel{{Level: "1"}} }, "$.platforms[0].releases[0].requires[0].kind",
			"platform alder-9, release 2.3.0, requirement 1: kind: found none, want a kind of component such as LINECARD"},
		{"requirement without a level", func(p *Platform) { p.Releases[0].Requires = []FirmwareLevel{{Kind: "LINECARD"}} }, "$.platforms[0].releases[0].requires[0].level",
			"platform alder-9, release 2.3.0, requirement 1: level: found none, want a firmware level"},
		{"from", func(p *Platform) { p.Transitions[0].From = "2.4.2" }, "$.platforms[0].transitions[0].from",
			"platform alder-9, transition 1 (2.4.2 → 2.6.0): from: found 2.4.2, which is no release of the platform, want one; next to it are 2.4.1 and 2.5.0"},
		{"range", func(p *Platform) { p.Transitions[0].From = "2.4.1..2.4" }, "$.platforms[0].transitions[0].from",
			`platform alder-9, transition 1 (2.4.1..2.4 → 2.6.0): from: range "2.4.1..2.4": version "2.4" does not have the form ` + dotted.Pattern},
		{"to", func(p *Platform) { p.Transitions[0].To = "3.1.0.." }, "$.platforms[0].transitions[0].to",
			`platform alder-9, transition 1 (2.4.1 → 3.1.0..): to: found "3.1.0..", which contains no release of the platform, want at least one`},
		{"method", func(p *Platform) { p.Transitions[0].Method = "hot" }, "$.platforms[0].transitions[0].method",
			`platform alder-9, transition 1 (2.4.1 → 2.6.0): method: found "hot", want "in-service" or "reload"`},
		{"loss of a reload", func(p *Platform) { p.Transitions[3].Loss = &SilenceRange{} }, "$.platforms[0].transitions[3].method",
			`platform alder-9, transition 4 (* → *): method: found "reload" with a loss at the switchover, want that for "in-service" only`},
		{"minutes", func(p *Platform) { p.Transitions[0].Minutes = Spread{3, 2, 4} }, "$.platforms[0].transitions[0].minutes",
			"platform alder-9, transition 1 (2.4.1 → 2.6.0): minutes: found 3, 2, 4, want 0 ≤ least ≤ likely ≤ most"},
		{"silence", func(p *Platform) { p.Transitions[0].Silence = &SilenceRange{Least: -time.Second} }, "$.platforms[0].transitions[0].silence",
			"platform alder-9, transition 1 (2.4.1 → 2.6.0): silence: found -1s, 0s, 0s, want 0 ≤ least ≤ likely ≤ most"},
		{"condition without anything", func(p *Platform) { p.Transitions[0].Unless = []Condition{{}} }, "$.platforms[0].transitions[0].unless[0].part",
			"platform alder-9, transition 1 (2.4.1 → 2.6.0), condition 1: part: found 0 of part, feature and firmware-below, want exactly one"},
		{"condition with two", func(p *Platform) { p.Transitions[0].Unless = []Condition{{Part: "p", Feature: "f"}} }, "$.platforms[0].transitions[0].unless[0].part",
			"platform alder-9, transition 1 (2.4.1 → 2.6.0), condition 1: part: found 2 of part, feature and firmware-below, want exactly one"},
		{"firmware step without a level", func(p *Platform) { p.Firmware[0].Level = "" }, "$.platforms[0].firmware[0].level",
			"platform alder-9, firmware 1 (line card ): level: found none, want a firmware level"},
		{"firmware minutes", func(p *Platform) { p.Firmware[0].Minutes = -1 }, "$.platforms[0].firmware[0].minutes",
			"platform alder-9, firmware 1 (line card 1.9): minutes: found -1, want 0 or more"},
		{"firmware needs", func(p *Platform) { p.Firmware[0].Needs = "x" }, "$.platforms[0].firmware[0].needs",
			`platform alder-9, firmware 1 (line card 1.9): needs: range "x": version "x" does not have the form ` + dotted.Pattern},
	} {
		p := alder()
		c.change(&p)
		_, err := (&Catalogue{Platforms: []Platform{p}}).Index()
		var all Problems
		if !errors.As(err, &all) || len(all) != 1 || all[0].Path != c.path || all[0].Error() != c.want {
			t.Errorf("%s:\ngot  %#v\nwant %s: %s", c.name, all, c.path, c.want)
		}
		var one Problem
		if !errors.As(err, &one) || one.Path != c.path {
			t.Errorf("%s: the problem is not found in the error", c.name)
		}
	}
	// All at once, in order of the document.
	p := alder()
	p.Releases[0].Support, p.Transitions[0].Method = "x", "y"
	_, err := (&Catalogue{Platforms: []Platform{p, alder()}}).Index()
	if got, want := strings.Count(err.Error(), "\n"), 2; got != want {
		t.Errorf("%d line breaks, want %d:\n%v", got, want, err)
	}
}

func TestIndexAnswers(t *testing.T) {
	p := alder()
	p.Releases[4].Requires = append(p.Releases[4].Requires, FirmwareLevel{Kind: "CONTROLLER_CARD", Part: "alder-rp-2", Level: "1.10"}, FirmwareLevel{Kind: "CONTROLLER_CARD", Part: "alder-rp-2", Level: "1.9"})
	x := index(t, p)
	for _, c := range []struct {
		version, kind, part, want string
		ok                        bool
	}{
		{"2.6.0", "CONTROLLER_CARD", "alder-rp", "1.2", true},
		{"2.6.0", "CONTROLLER_CARD", "alder-rp-2", "1.10", true},
		{"2.6.0", "CONTROLLER_CARD", "", "1.10", true},
		{"2.6.0", "LINECARD", "alder-48", "", false},
		{"2.5.3", "CONTROLLER_CARD", "alder-rp", "", false},
	} {
		got, ok, err := x.LowestFirmware("alder-9", c.version, c.kind, c.part)
		if got != c.want || ok != c.ok || err != nil {
			t.Errorf("lowest firmware of %s %s for %s: got %q %t %v, want %q %t", c.kind, c.part, c.version, got, ok, err, c.want, c.ok)
		}
	}
	if _, _, err := x.LowestFirmware("alder-9", "9.9.9", "LINECARD", ""); !errors.Is(err, ErrUnknown) {
		t.Errorf("lowest firmware of an unknown release: %v", err)
	}
	if c, err := x.CompareFirmware("alder-9", "1.9", "1.10"); c >= 0 || err != nil {
		t.Errorf("1.9 against 1.10: %d %v", c, err)
	}
	if _, err := x.CompareFirmware("alder-9", "1.9", ""); err == nil {
		t.Error("compares with no level")
	}
	if _, err := x.CompareFirmware("alder-7", "1.9", "1.10"); !errors.Is(err, ErrUnknown) {
		t.Errorf("unknown platform: %v", err)
	}
	if r, err := x.Release("alder-9", "2.06.0"); r.Version != "2.6.0" || err != nil {
		t.Errorf("release 2.06.0: %q %v", r.Version, err)
	}
	if p, err := x.Platform("alder-9"); p.ID != "alder-9" || err != nil {
		t.Errorf("platform: %q %v", p.ID, err)
	}
	if _, err := x.Platform("alder-7"); !errors.Is(err, ErrUnknown) {
		t.Errorf("unknown platform: %v", err)
	}
	if s, err := x.Scheme("alder-9"); s == nil || err != nil {
		t.Errorf("scheme: %v", err)
	}
	if _, err := x.Scheme("alder-7"); !errors.Is(err, ErrUnknown) {
		t.Errorf("unknown platform: %v", err)
	}
}

// A firmware scheme decides which level is below which, and a reading that does
// not have its form is as good as none.
func TestFirmwareScheme(t *testing.T) {
	p := alder()
	p.FirmwareScheme = &VersionScheme{Pattern: `(?P<train>[A-Z])(?P<n>\d+)`, Order: []OrderField{{Field: "n", As: AsNumber}, {Field: "train", As: AsText}}}
	p.Releases[4].Requires = nil
	p.Transitions = p.Transitions[:1]
	p.Transitions[0].Unless[0].Firmware.Level = "A10"
	p.Firmware = []Firmware{{Kind: "LINECARD", Level: "A10", Minutes: 5}, {Kind: "LINECARD", Level: "B9", Minutes: 1}}
	now := mere()
	now.Components = now.Components[2:]
	now.Components[0].Firmware, now.Components[1].Firmware = "B10", "C9"
	r := search(t, p, now, "2.6.0", Options{})
	if len(r.Paths) != 1 || signHops(r.Paths[0].Hops) != "[LC-3:C9>A10/5/false] 2.4.1>2.6.0 in-service 35" {
		t.Errorf("paths: %+v", r.Paths)
	}
	now.Components[0].Firmware = "1.9"
	r = search(t, p, now, "2.6.0", Options{})
	if len(r.Paths) != 0 {
		t.Errorf("paths: %+v", r.Paths)
	}
	if d := cmp.Diff([]string{`firmware of line card LC-1 is taken as unknown: version "1.9" does not have the form (?P<train>[A-Z])(?P<n>\d+)`}, r.Cautions); d != "" {
		t.Errorf("cautions (-want +got):\n%s", d)
	}
}

func TestSpreadAsDurations(t *testing.T) {
	least, likely, most := Spread{0.5, 1, 1.25}.Durations()
	if least != 30*time.Second || likely != time.Minute || most != 75*time.Second {
		t.Errorf("got %s %s %s", least, likely, most)
	}
	for m, want := range map[float64]string{12: "12", 0.5: "0.5", 1.25: "1.25", 1.0 / 3: "0.33", 0: "0", 100: "100"} {
		if got := minutesText(m); got != want {
			t.Errorf("%v min: got %s, want %s", m, got, want)
		}
	}
}
