package release

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"towpath/internal/document"
	"towpath/internal/unit"
)

const sample = `platforms:
  - id: alder-9
    version-scheme:
      pattern: '(?P<major>\d+)\.(?P<minor>\d+)(?P<stage>-(rc|ga))?'
      order:
        - {field: major, as: number}
        - {field: minor, as: number}
        - {field: stage, as: words, words: ["-rc", "-ga"], empty: last}
    per-controller: true
    max-in-service-span: {minor: 1}
    durations:
      device-restart: {least: 9, likely: 12, most: 20.5}
      transfer-rate: 120Mbps
    releases:
      - version: "4.2"
        date: 2025-02-11
        support: defective
        note: |
          Two
          lines.
        images:
          - {kind: system, file: a.pkg, size: 1.5MiB, of: "4.3-rc"}
        requires: [{kind: LINECARD, part: AL-LC48, level: "1.9"}]
      - version: "4.3-rc"
    transitions:
      - from: "4.2"
        to: "4.2..4.9"
        method: in-service
        minutes: {least: 1, likely: 2.5, most: 3}
        silence: {least: 1.6s, likely: 2.2s, most: 3.5s}
        unless:
          - firmware-below: {kind: LINECARD, level: "1.9"}
            reason: too old
    firmware:
      - kind: LINECARD
        level: "1.9"
        minutes: 12
        outage: false
        image: {kind: firmware, file: lc.fw, size: 9MiB}
        needs: "4.2.."
`

func TestRead(t *testing.T) {
	got, err := Read("releases.yaml", []byte(sample))
	if err != nil {
		t.Fatal(err)
	}
	want := &Catalogue{Platforms: []Platform{{
		ID: "alder-9",
		Scheme: VersionScheme{Pattern: `(?P<major>\d+)\.(?P<minor>\d+)(?P<stage>-(rc|ga))?`, Order: []OrderField{
			{Field: "major", As: AsNumber}, {Field: "minor", As: AsNumber}, {Field: "stage", As: AsWords, Words: []string{"-rc", "-ga"}, Empty: EmptyLast},
		}},
		PerController: true, MaxInServiceSpan: map[string]int{"minor": 1},
		Durations: Durations{DeviceRestart: &Spread{9, 12, 20.5}, TransferRate: 120e6},
		Releases: []Release{{
			Version: "4.2", Date: "2025-02-11", Support: Defective, Note: "Two\nlines.\n",
			Images:   []Image{{Kind: ImageSystem, File: "a.pkg", Size: 1536 * unit.KiB, Of: "4.3-rc"}},
			Requires: []FirmwareLevel{{Kind: "LINECARD", Part: "AL-LC48", Level: "1.9"}},
		}, {Version: "4.3-rc"}},
		Transitions: []Transition{{
			From: "4.2", To: "4.2..4.9", Method: InService, Minutes: Spread{1, 2.5, 3},
			Silence: &SilenceRange{1600 * time.Millisecond, 2200 * time.Millisecond, 3500 * time.Millisecond},
			Unless:  []Condition{{Firmware: &FirmwareLevel{Kind: "LINECARD", Level: "1.9"}, Reason: "too old"}},
		}},
		Firmware: []Firmware{{Kind: "LINECARD", Level: "1.9", Minutes: 12, Image: Image{Kind: ImageFirmware, File: "lc.fw", Size: 9 * unit.MiB}, Needs: "4.2.."}},
	}}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// One mistake is one problem, not also what follows from it, and independent
// mistakes are all there.
func TestReadReportsMistakesNotTheirConsequences(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{`- version: "4.3-rc"`, `- versio: "4.3-rc"`, `24:9: `},
		{`      - version: "4.2"`, `      - version: 4.2`, `15:18: `},
		{"    version-scheme:", "    version-schema:", `3:5: `},
		{"{field: minor, as: number}", "{field: minor, as: numbers}", `7:30: `},
		{`from: "4.2"`, `form: "4.2"`, `26:9: `},
		{`pattern: '(?P<major>`, `pattern: '(?P<major`, `4:16: `},
		{`level: "1.9"}]`, `}]`, `23:20: `},
	} {
		src := strings.Replace(sample, c.old, c.new, 1)
		if src == sample {
			t.Fatalf("%q is not in the sample", c.old)
		}
		_, err := Read("releases.yaml", []byte(src))
		var ps document.Problems
		if !errors.As(err, &ps) || len(ps) != 1 || !strings.HasPrefix(err.Error(), "releases.yaml:"+c.want) {
			t.Errorf("%s: got %v, want one problem at %s", c.new, err, c.want)
		}
	}
	src := strings.NewReplacer(`from: "4.2"`, `from: "4.1"`, "likely: 2.5", "likely: 25", "kind: system", "kind: systm", `of: "4.3-rc"`, `of: "4.4"`).Replace(sample)
	_, err := Read("releases.yaml", []byte(src))
	var ps document.Problems
	errors.As(err, &ps)
	var fields []string
	for _, p := range ps {
		fields = append(fields, strings.TrimPrefix(p.Field, "platforms[0]."))
	}
	if want := []string{"releases[0].images[0].kind", "transitions[0].minutes"}; !reflect.DeepEqual(fields, want) {
		t.Errorf("with a mistake among the releases: got %q, want %q\n%v", fields, want, err)
	}
	src = strings.NewReplacer(`from: "4.2"`, `from: "4.1"`, "likely: 2.5", "likely: 25", `of: "4.3-rc"`, `of: "4.4"`).Replace(sample)
	_, err = Read("releases.yaml", []byte(src))
	errors.As(err, &ps)
	fields = nil
	for _, p := range ps {
		fields = append(fields, strings.TrimPrefix(p.Field, "platforms[0]."))
	}
	if want := []string{"releases[0].images[0].of", "transitions[0].from", "transitions[0].minutes"}; !reflect.DeepEqual(fields, want) {
		t.Errorf("got %q, want %q\n%v", fields, want, err)
	}
	var cause Problem
	if !errors.As(err, &cause) || cause.Path == "" {
		t.Errorf("the catalogue's own problem is not the cause: %v", err)
	}
}

// What Index refuses, Read refuses at a place in the file.
func TestReadRefusesWhatIndexRefuses(t *testing.T) {
	for i := range 200 {
		// Take one character away: whatever is left is either right to both or
		// wrong to Read.
		n := i * len(sample) / 200
		src := sample[:n] + sample[n+1:]
		c, err := Read("releases.yaml", []byte(src))
		if err != nil {
			var ps document.Problems
			if c != nil || !errors.As(err, &ps) || ps[0].File != "releases.yaml" {
				t.Errorf("without the character %d: %v, %v", n, c, err)
			}
			continue
		}
		if _, err := c.Index(); err != nil {
			t.Errorf("without the character %d it reads, and then: %v", n, err)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(sample))
	seeds, err := filepath.Glob("../workspace/testdata/bad/releases-*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, name := range seeds {
		src, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		c, err := Read("releases.yaml", src)
		if err != nil {
			var ps document.Problems
			if c != nil || !errors.As(err, &ps) {
				t.Fatalf("%v, %T", c, err)
			}
			for _, p := range ps {
				if strings.ContainsAny(p.Error(), "\n\x1b") {
					t.Fatalf("a bad problem: %+v", p)
				}
			}
			return
		}
		if _, err := c.Index(); err != nil {
			t.Fatalf("it reads, and then: %v", err)
		}
		out, err := document.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		again, err := Read("again.yaml", out)
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		if a, b := fmt.Sprintf("%+v", c.Platforms), fmt.Sprintf("%+v", again.Platforms); len(a) != len(b) {
			t.Fatalf("%s", cmp.Diff(c, again))
		}
	})
}
