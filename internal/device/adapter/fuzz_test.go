package adapter_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"towpath/internal/device/adapter"
	"towpath/internal/state"
)

// fuzzAt is the instant that fuzzed outputs are of.
func fuzzAt() time.Time { return time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC) }

// shortest is an adapter with one read of every kind of parser and one of every
// kind of act, no longer than it has to be: each is a seed by itself, so that
// the fuzzer has little to change and much to run.
const head = "adapter: a\nsession: {prompt: 'x> '}\nreads:\n- read: r\n  command: c\n"

func shortest() []string {
	reads := []string{
		"  into: component\n  parse: {lines: '^(?P<name>\\S+) (?P<oper>\\S+)$'}\n",
		"  into: adjacency\n  fields: {protocol: bgp, timers.own-detect: '{h}'}\n  parse: {text: '(?s)n (?P<neighbour>\\S+).*?h (?P<h>\\d+)'}\n  convert: {timers.own-detect: {unit: s}}\n",
		"  into: interface\n  parse: {json: {each: .*, columns: {name: ^1, oper: '.o', in-errors: '.\"m.t\"', speed: '.s.#'}}}\n  convert: {speed: {unit: kbps}}\n",
		"  into: component\n  parse:\n    textfsm: |\n      Value Required NAME (\\S+)\n      Value List FAILURE (\\d+)\n\n      Start\n        ^n ${NAME} -> Continue.Record\n        ^f ${FAILURE}\n",
		"  into: configuration\n  parse: {digest: {ignore: ['^!']}}\n",
		"  into: volume\n  none: '^no'\n  when: {mount: '^/'}\n  parse: {lines: '(?P<mount>\\S+) (?P<available>\\d+)'}\n  convert: {available: {unit: KiB}, mount: {blank: [-], match: '^(.)'}}\n- read: s\n  command: 'f {mount}'\n  for-each: volume\n  for-each-when: {mount: '/'}\n  into: file\n  parse: {lines: '(?P<path>\\S+) (?P<size>\\d+)'}\n",
		"  into: clock\n  parse: {lines: '(?P<now>.+)'}\n  convert: {now: {time: '2006-01-02 15:04:05', zone: Europe/Berlin}}\n",
		"  into: system\n  parse: {lines: '(?P<b>\\S+) (?P<hostname>.)'}\n  fields: {boot-time: '{b}'}\n  convert: {boot-time: {time: ago, unit: clock, otherwise: '0'}}\n",
	}
	acts := []string{
		"set-boot: {steps: [{command: 'b {version}', success: ok}]}\n",
		"begin: {address: {primary: p}, steps: [{command: 'go {where}', only: [primary], may-end: true, dialogue: [{expect: '\\?', key: y}]}]}\n",
		"install: {to: '/{version}', transfer: http, pull: {command: 'get {url} {path}'}, hash: {command: 's {path}', parse: {lines: '(?P<sha256>\\S+)'}}, steps: [{command: 'put {path}', result: '(?P<id>\\d+)', errors: [{pattern: e, kind: no-space}]}], follow: {command: q, every: 2s, done: d, progress: '(?P<percent>\\d+)'}}\npackages: [{command: p, parse: {lines: '(?P<version>\\S+) (?P<path>\\S+)'}}]\nbegin: {steps: [{command: g}]}\n",
		"files: {path: '{controller}:{path}', remove: {steps: [{command: 'rm {path}'}]}, missing: none}\n",
		"settings: [{protocol: bgp, parameter: hold-time, from: {command: t, parse: {lines: '(?P<value>\\d+)'}}, set: [{command: 'h {value}'}], unset: [{command: 'no h'}]}]\ntransaction: {begin: [{command: b}], commit: [{command: c}], abandon: [{command: d}]}\n",
		"restart: {device: {steps: [{command: r}]}}\nswitch-over: {steps: [{command: 's {card}'}]}\nbackup: {command: k}\nhas-no: [alarm]\nwatch-every: 2s\n",
	}
	var out []string
	for _, r := range reads {
		out = append(out, head+r)
	}
	for _, a := range acts {
		out = append(out, head+reads[0]+a)
	}
	return out
}

// TestFuzzSeeds holds that the seeds are what they are meant to be: adapters
// that are taken, or the fuzzer would start behind a wall.
func TestFuzzSeeds(t *testing.T) {
	n := 0
	for _, src := range shortest() {
		if _, err := adapter.Read("seed.yaml", []byte(src)); err != nil {
			t.Errorf("%s\n%v", src, err)
		}
		n++
	}
	if n < 12 {
		t.Errorf("%d seeds", n)
	}
}

// FuzzRead reads anything as an adapter; what is taken must be usable.
func FuzzRead(f *testing.F) {
	outputs := []string{"a b\nc d\n", "n 192.0.2.1\nh 9\n", `{"e":{"o":"UP","m.t":1500,"s":[1]}}`, "n a\nf 1\nf 2\n", "!x\ny\n", "/f 3\n", "2026-11-25 12:00:00\n", "1d02h03m z\n"}
	for i, src := range shortest() {
		f.Add([]byte(src), []byte(outputs[i%len(outputs)]))
	}
	f.Fuzz(func(t *testing.T, src, output []byte) {
		if len(src) > 4<<10 || len(output) > 4<<10 {
			t.Skip("too long to be quick")
		}
		a, err := adapter.Read("fuzz.yaml", src)
		if err != nil {
			if a != nil {
				t.Error("an adapter with an error")
			}
			return
		}
		r := a.Rehearse(func(string) ([]byte, bool) { return output, true }, fuzzAt())
		if r.Capture == nil {
			t.Fatal("no capture")
		}
		_ = a.Abilities()
		storable(t, r.Capture)
	})
}

// storable holds that a capture that was read can be kept: JSON has neither
// numbers that are none nor octets that are no text.
// Source: RFC 8259 §6 and §8.1.
func storable(t *testing.T, c *state.Capture) {
	t.Helper()
	if _, err := json.Marshal(c); err != nil {
		t.Fatalf("the capture cannot be written as JSON: %v", err)
	}
	var b bytes.Buffer
	if err := state.Encode(&b, c); err != nil {
		t.Fatalf("the capture cannot be kept: %v", err)
	}
	if _, err := state.Decode(&b); err != nil {
		t.Fatalf("the capture that was kept cannot be read: %v", err)
	}
}

// asked is one read of an adapter.
type asked struct {
	a *adapter.Adapter
	q *adapter.Query
}

// FuzzOutput lets a device answer anything to every read of the adapters that
// come along, and of the shortest ones: TextFSM, JSON by path, patterns.
func FuzzOutput(f *testing.F) {
	var all []asked
	add := func(a *adapter.Adapter, err error) {
		if err != nil {
			f.Fatal(err)
		}
		for i := range a.Reads {
			all = append(all, asked{a, &a.Reads[i]})
		}
		for i := range a.Installation {
			all = append(all, asked{a, &a.Installation[i]})
		}
		for i := range a.Packages {
			all = append(all, asked{a, &a.Packages[i]})
		}
		for i := range a.Settings {
			all = append(all, asked{a, &a.Settings[i].Read})
		}
	}
	for _, src := range shortest() {
		add(adapter.Read("seed.yaml", []byte(src)))
	}
	short := len(all)
	for _, n := range adapter.BuiltinNames() {
		a, err := adapter.Builtin(n)
		add(a, err)
	}
	if len(all) < short+40 || len(all) > 255 {
		f.Fatalf("%d reads, %d of them short", len(all), short)
	}
	for i, out := range []string{"a b\n", "n 192.0.2.1\nh 9\n", `{"e":{"o":"UP","m.t":1500,"s":[1]}}`, "n a\nf 1\nf 2\n", "!x\ny\n", "/f 3\n", "/g x\n", "2026-11-25 12:00:00\n", "1d02h03m z\n"} {
		f.Add(uint8(i), []byte(out))
	}
	seeds := 0
	for i, x := range all[short:] {
		folder := "testdata/" + x.a.Name
		b, err := os.ReadFile(filepath.Join(folder, adapter.FileName(x.q.Command)))
		if err == nil && len(b) > 0 {
			f.Add(uint8(short+i), b[:min(len(b), 600)])
			seeds++
		}
	}
	if seeds < 20 {
		f.Fatalf("found %d recorded outputs", seeds)
	}
	f.Fuzz(func(t *testing.T, which uint8, output []byte) {
		if len(output) > 4<<10 {
			t.Skip("too long to be quick")
		}
		x := all[int(which)%len(all)]
		read := func() (*adapter.Facts, adapter.Reading) {
			var facts adapter.Facts
			return &facts, facts.Take(x.q, map[string]string{"name": "e1", "mount": "/", "controller": "A"}, output, fuzzAt(), x.a)
		}
		facts, r := read()
		_, again := read()
		if r.Rows != again.Rows || !cmp.Equal(r.Problems, again.Problems) || len(r.Things) != len(again.Things) {
			t.Fatalf("%q: read twice: %d rows, %q; then %d, %q", x.q.Command, r.Rows, r.Problems, again.Rows, again.Problems)
		}
		for i, thing := range r.Things {
			if !cmp.Equal(thing.Text, again.Things[i].Text) {
				t.Errorf("%q: read twice: %v, then %v", x.q.Command, thing.Text, again.Things[i].Text)
			}
		}
		if len(r.Things) > r.Rows {
			t.Errorf("%q: %d things of %d rows", x.q.Command, len(r.Things), r.Rows)
		}
		if rows, ok := twin(x.q, output); ok && rows != r.Rows {
			t.Errorf("%q: %d rows, want %d", x.q.Command, r.Rows, rows)
		}
		c := facts.Capture()
		c.Sort()
		storable(t, c)
	})
}

// twin counts the rows of an output in the plainest way, where there is one:
// lines that a pattern matches, where no row is left out by a condition and all is text.
func twin(q *adapter.Query, output []byte) (int, bool) {
	if !utf8.Valid(output) || q.Parse.Lines == "" || q.None != "" || len(q.When) > 0 {
		return 0, false
	}
	n := 0
	re := regexp.MustCompile(q.Parse.Lines)
	for _, line := range strings.Split(strings.TrimSuffix(string(output), "\n"), "\n") {
		if len(output) > 0 && re.MatchString(line) {
			n++
		}
	}
	return n, true
}
