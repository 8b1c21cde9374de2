package adapter_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/device/adapter"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// recorded returns the outputs in a folder.
func recorded(t testing.TB, folder string) func(string) ([]byte, bool) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(folder, "*.txt"))
	if err != nil || len(files) < 5 {
		t.Fatalf("%s: found %d recorded outputs, %v", folder, len(files), err)
	}
	return func(command string) ([]byte, bool) {
		b, err := os.ReadFile(filepath.Join(folder, adapter.FileName(command)))
		return b, err == nil
	}
}

// TestLinuxFRR reads what FRR 8.4.4 and coreutils really printed on a router
// with one neighbour over BGP, OSPF and BFD.
// Source: output of FRR 8.4.4, recorded; the configured timers are BGP 3 s and
// 9 s, OSPF 1 s and 4 s, BFD 300 ms times 3.
func TestLinuxFRR(t *testing.T) {
	a, err := adapter.Builtin("linux-frr")
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 11, 25, 13, 39, 13, 0, time.UTC)
	r := a.Rehearse(recorded(t, "testdata/linux-frr"), at)
	if !r.Good() || len(r.Lacking) > 0 {
		t.Errorf("missing %v, lacking %v, reads %+v", r.Missing, r.Lacking, r.Reads)
	}
	c := r.Capture
	if c.Hostname.Or("") != "mere-edge-1" || c.Release.Or("") != "8.4.4-a" {
		t.Errorf("hostname %v, release %v", c.Hostname, c.Release)
	}
	if k, ok := c.ControllerWithRole(state.Primary); !ok || k.Version.Or("") != "8.4.4-a" {
		t.Errorf("controller %+v", k)
	}
	if boot, ok := c.BootTime.Get(); !ok || at.Sub(boot).Round(time.Second) != 16158*time.Second {
		t.Errorf("started at %v, want 16158 s before", boot)
	}
	find := func(protocol string) state.Adjacency {
		i := slices.IndexFunc(c.Adjacencies, func(a state.Adjacency) bool { return a.Protocol == protocol })
		if i < 0 {
			t.Fatalf("no adjacency of %s", protocol)
		}
		return c.Adjacencies[i]
	}
	ms := func(n int) state.Opt[time.Duration] { return state.Some(time.Duration(n) * time.Millisecond) }
	for protocol, want := range map[string]state.Timers{
		state.BGP:    {Send: ms(3000), NeighbourSend: ms(3000), NeighbourDetect: ms(9000), OwnDetect: ms(9000)},
		state.OSPFv2: {Send: ms(1000), NeighbourSend: ms(1000), NeighbourDetect: ms(4000), OwnDetect: ms(4000)},
		state.BFD:    {Send: ms(300), NeighbourSend: ms(300), NeighbourDetect: ms(900), OwnDetect: ms(900)}, // RFC 5880 §6.8.4
	} {
		x := find(protocol)
		if x.Timers != want || !x.Up.Or(false) {
			t.Errorf("%s: timers %+v, up %v; want %+v", protocol, x.Timers, x.Up, want)
		}
	}
	if b := find(state.BGP); b.Restart.Time != ms(120000) || !b.Restart.Own.Or(false) || !b.Restart.Helper.Or(false) || b.BFD.Session.Or("") != "192.0.2.2" || b.Prefixes.Or(0) != 1 {
		t.Errorf("bgp: %+v", b)
	}
	routes := 0
	for _, table := range c.RouteTables {
		routes += len(table.Routes)
	}
	if routes != 6 {
		t.Errorf("%d routes selected, want 6", routes)
	}
	if len(c.Volumes) != 1 || len(c.Volumes[0].Files) != 1 || c.Volumes[0].Files[0].Size != unit.ByteSize(200000) {
		t.Errorf("volumes %+v", c.Volumes)
	}
	if off, ok := c.Clock.Offset.Get(); !ok || off.Abs() > time.Second {
		t.Errorf("clock %v", c.Clock)
	}
}

// small is an adapter with one read, for mistakes.
const small = `adapter: small
session:
  prompt: 'x> '
reads:
  - read: parts
    command: list parts
    into: component
    parse:
      lines: '^(?P<name>\S+) (?P<oper>\S+)$'
`

// TestMistakesHaveTheirPlace breaks an adapter in one place each.
func TestMistakesHaveTheirPlace(t *testing.T) {
	if _, err := adapter.Read("small.yaml", []byte(small)); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ old, new, want string }{
		{"into: component", "into: komponent", `small.yaml:7:11: reads[0].into: "komponent"; want one of`},
		{"prompt: 'x> '", "prompt: '('", `small.yaml:3:11: session.prompt: the pattern "("`},
		{"prompt: 'x> '", "prompt: 'x*'", "small.yaml:3:11: session.prompt: a pattern that matches an empty line"},
		{"(?P<oper>", "(?P<opr>", `small.yaml:9:7: reads[0].parse: the column "opr", which is no field of component`},
		{"(?P<name>", "(?P<oper2>", `small.yaml:9:7: reads[0].parse: the column "oper2"`},
		{"command: list parts", "command: list {slot}", `small.yaml:6:14: reads[0].command: the placeholder {slot}; want no placeholder`},
		{"    into:", "    for-each: volume\n    into:", `small.yaml:7:15: reads[0].for-each: "volume", which no read before this one tells of`},
		{"lines: '", "lines: '(?<=x)", `small.yaml:9:14: reads[0].parse.lines: the pattern`},
		{"      lines: '^(?P<name>\\S+) (?P<oper>\\S+)$'\n", "      textfsm: |\n        Value NAME (\\S+)\n\n        Begin\n", `small.yaml:9:16: reads[0].parse.textfsm: a template that cannot be used`},
		{"      lines: '^(?P<name>\\S+) (?P<oper>\\S+)$'\n", "      json: {each: peers, columns: {name: .a}}\n", `small.yaml:9:20: reads[0].parse.json.each: found "peers" in "peers" where a dot belongs`},
		{"    into:", "    convert: {rol: {words: {a: B}}}\n    into:", `small.yaml:7:15: reads[0].convert.rol: "rol" is no field of component; did you mean "role"?`},
		{"reads:", "switch-over: {steps: [{command: 'swap {crad}'}]}\nreads:", `small.yaml:4:33: switch-over.steps[0].command: the placeholder {crad}; want one of {card}, {role}, {where}; did you mean "card"?`},
		{"reads:", "install: {to: /x, transfer: http, steps: [{command: take}]}\nreads:", `install.transfer: http without the key pull`},
		{"session:", "sesion:", `did you mean "session"?`},
	} {
		src := strings.Replace(small, c.old, c.new, 1)
		if src == small {
			t.Fatalf("%q is not in the adapter", c.old)
		}
		_, err := adapter.Read("small.yaml", []byte(src))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got\n%v\nwant %s", c.new, err, c.want)
		}
	}
}

// TestUnknownWordsAreTold holds that a word without a translation is never
// taken, and never silently left out.
func TestUnknownWordsAreTold(t *testing.T) {
	a, err := adapter.Read("small.yaml", []byte(strings.Replace(small, "    into:", "    convert: {oper: {words: {good: ACTIVE}, blank: [none]}}\n    into:", 1)))
	if err != nil {
		t.Fatal(err)
	}
	r := a.Rehearse(func(string) ([]byte, bool) { return []byte("a good\nb odd\nc none\n"), true }, time.Now())
	if got := r.Reads[0].Problems; len(got) != 1 || !strings.Contains(got[0], `oper: found "odd"`) {
		t.Errorf("got %q", got)
	}
	oper := func(i int) string { return r.Capture.Components[i].Oper.Or("unknown") }
	if len(r.Capture.Components) != 3 || oper(0) != "ACTIVE" || oper(1) != "unknown" || oper(2) != "unknown" {
		t.Errorf("got %+v", r.Capture.Components)
	}
}

// TestNewAdaptersAreWhole makes adapters from answers and reads them back.
func TestNewAdaptersAreWhole(t *testing.T) {
	var reads []adapter.WishedRead
	for _, n := range adapter.TargetNames() {
		reads = append(reads, adapter.WishedRead{Into: n, Command: "list " + n})
	}
	src, err := adapter.New(adapter.Wish{Name: "birch-2", About: "it's odd: #1", Platforms: []string{"birch"}, Prompt: "<edge-1>$ ", Start: []string{"no pager"}, More: "--[more]--", Reads: reads})
	if err != nil {
		t.Fatal(err)
	}
	a, err := adapter.Read("birch-2.yaml", src)
	if err != nil {
		t.Fatal(err)
	}
	if re := a.Pattern(a.Session.Prompt); !re.MatchString("<core-22>$ ") || re.MatchString("<core 22>$ ") {
		t.Errorf("prompt %q", a.Session.Prompt)
	}
	if len(a.Reads) != len(reads) || len(a.Lacking()) != 0 {
		t.Errorf("%d reads, lacking %v", len(a.Reads), a.Lacking())
	}
}
