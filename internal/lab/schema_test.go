package lab

import (
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"towpath/internal/lab/neighbour"
)

// documented reads the tables of PATHS.md: schema path to type and remark.
func documented(t *testing.T) map[string][2]string {
	t.Helper()
	b, err := os.ReadFile("PATHS.md")
	if err != nil {
		t.Fatal(err)
	}
	row := regexp.MustCompile("^\\| `([^`]+)` \\| (\\S+) \\| (.*)\\|$")
	short := strings.NewReplacer("^C/", pComponent+"/", "^NI/", pInstance+"/", "^P/", pProtocol+"/", "^", "")
	out := map[string][2]string{}
	for _, line := range strings.Split(string(b), "\n") {
		m := row.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		p := short.Replace("^" + m[1])
		if _, twice := out[p]; twice {
			t.Errorf("PATHS.md lists %s twice", p)
		}
		out[p] = [2]string{m[2], m[3]}
	}
	if len(out) < 200 {
		t.Fatalf("found %d paths in PATHS.md; the tables were not read", len(out))
	}
	return out
}

// The document and the schema say the same of every leaf.
func TestDocumentIsTheSchema(t *testing.T) {
	t.Parallel()
	kinds := map[string]kind{
		"str": kStr, "bool": kBool, "u8": kUint8, "u16": kUint16, "u32": kUint32, "us": kUint32, "u64": kUint64, "ns": kUint64,
		"i64": kInt64, "dec": kDec, "enum": kEnum, "id": kIdent, "[str]": kList,
	}
	doc := documented(t)
	rows := loadSchema().rows
	for p, d := range doc {
		row := rows[p]
		if row == nil {
			t.Errorf("%s is documented and not in the schema", p)
			continue
		}
		if k, ok := kinds[d[0]]; !ok || k != row.kind {
			t.Errorf("%s: type %s, the schema says %d", p, d[0], row.kind)
		}
		if got, want := row.is(settable), strings.Contains(d[1], "can be Set"); got != want {
			t.Errorf("%s: can be Set %v, the document says %v", p, got, want)
		}
		if got, want := row.is(sampled), strings.Contains(d[1], "sampled only"); got != want {
			t.Errorf("%s: sampled only %v, the document says %v", p, got, want)
		}
	}
	for p := range rows {
		if _, ok := doc[p]; !ok {
			t.Errorf("%s is in the schema and not documented", p)
		}
	}
}

// Every leaf that is served is in the schema with its type, and every leaf of
// the schema is served at some time.
func TestEverythingServedIsDocumentedAndTheOtherWayRound(t *testing.T) {
	t.Parallel()
	l, c, _ := start(t, func(cfg *Config) {
		cfg.Devices[0].Flows = Scenario(reflector(t)).Devices[0].Flows
		cfg.Devices[0].Adjacencies[0].Implementation = "ours"
	})
	seen := map[string]bool{}
	look := func() {
		_, open := c.snapshot(query{origin: "openconfig"})
		_, facts := c.snapshot(query{origin: originFacts})
		for _, lf := range append(open, facts...) {
			if lf.row == nil {
				if !seen[lf.text] {
					t.Errorf("%s is served and not in the schema", lf.text)
				}
				seen[lf.text] = true
				continue
			}
			seen[lf.row.path] = true
			if lf.row.kind != lf.val.kind {
				t.Errorf("%s: served as kind %d, documented as %d", lf.text, lf.val.kind, lf.row.kind)
			}
		}
	}
	look()
	// What shows only when something has happened: a loss, a failure, a boot, a
	// switchover.
	unblock := l.Plane().Block("")
	ping(t, l.Plane().Flows()[0].Listen)
	until(t, c, func() bool { return l.Plane().Truth()[0].Forward.Dropped() > 0 })
	unblock()
	c.do(func() {
		c.lineCards[0].pendingLevel = "2.0"
		c.fail(c.fabrics[0], "taken out by the test")
		c.act(ActSet, "nothing")
		for _, f := range faultTable() {
			if f.Name == "crash-file-appears" {
				f.strike(c)
			}
		}
	})
	if err := c.set.Fail(neighbour.Key("bfd", "198.51.100.7", "")); err != nil {
		t.Fatal(err)
	}
	until(t, c, func() bool { return len(c.lastFailure) > 0 })
	look()
	c.do(func() { c.switchOver(byUser, "the test") })
	look()
	for p := range loadSchema().rows {
		if !seen[p] {
			t.Errorf("%s is documented and never served", p)
		}
	}
}

// An unknown or unparsable path is an error, and every text round-trips.
func TestPathText(t *testing.T) {
	t.Parallel()
	for _, bad := range []string{"", "a", "//a", "/a[", "/a[b=c", "/a[b]", "/a[b=c]d"} {
		if got, err := parsePath(bad); err == nil {
			t.Errorf("%q: read as %v, want an error", bad, got)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringMatching(`[a-z][a-z0-9-]{0,8}`)
		want := ""
		var elems []elem
		for range rapid.IntRange(1, 5).Draw(t, "length") {
			e := elem{name: name.Draw(t, "name")}
			want += "/" + e.name
			if rapid.Bool().Draw(t, "keyed") {
				kv := keyValue{name.Draw(t, "key"), rapid.StringN(0, 12, -1).Draw(t, "value")}
				e.keys = append(e.keys, kv)
				want += "[" + kv.name + "=" + key(kv.value) + "]"
			}
			elems = append(elems, e)
		}
		got, err := parsePath(want)
		if err != nil || !reflect.DeepEqual(got, elems) {
			t.Fatalf("%q: got %v %v, want %v", want, got, err, elems)
		}
		if back := textOf(protoPath(got)); strings.TrimPrefix(back, originFacts+":") != want {
			t.Fatalf("written again: got %q, want %q", back, want)
		}
	})
}
