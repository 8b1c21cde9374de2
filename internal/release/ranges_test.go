package release

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestRanges(t *testing.T) {
	s := compile(t, dotted)
	for _, c := range []struct {
		text    string
		in, out []string
	}{
		{"2.4.1", []string{"2.4.1", "2.04.1"}, []string{"2.4.0", "2.4.2", "2.4.1-rc.1"}},
		{"2.4.1..2.6.0", []string{"2.4.1", "2.5.99", "2.6.0", "2.6.0-rc.1"}, []string{"2.4.0", "2.6.1", "2.4.1-rc.1"}},
		{"2.4.1..", []string{"2.4.1", "3.0.0"}, []string{"2.4.0"}},
		{"..2.4.1", []string{"0.0.0", "2.4.1"}, []string{"2.4.2"}},
		{"1.0.0, 2.0.0..2.1.0,4.0.0..", []string{"1.0.0", "2.0.5", "4.0.0", "9.9.9"}, []string{"1.0.1", "3.0.0"}},
		{"*", []string{"0.0.0-alpha", "9.9.9"}, nil},
		{" 2.4.1 .. 2.6.0 ", []string{"2.5.0"}, []string{"2.7.0"}},
	} {
		r, err := s.ParseRange(c.text)
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
			continue
		}
		if r.String() != c.text {
			t.Errorf("%q writes as %q", c.text, r)
		}
		for _, v := range c.in {
			if !r.Contains(parse(t, s, v)) {
				t.Errorf("%q does not contain %s", c.text, v)
			}
		}
		for _, v := range c.out {
			if r.Contains(parse(t, s, v)) {
				t.Errorf("%q contains %s", c.text, v)
			}
		}
	}
	if (Range{}).Contains(parse(t, s, "1.0.0")) || func() bool { r, _ := s.ParseRange("*"); return r.Contains(Version{}) }() {
		t.Error("a range contains what it cannot")
	}
	for text, want := range map[string]string{
		"":                    `range "": found nothing, want a version, "a..b", "a..", "..b" or "*"`,
		"..":                  `range "..": found "..", want a version, "a..b", "a..", "..b" or "*"`,
		"1.0.0,":              `range "1.0.0,": item 2: found nothing, want a version, "a..b", "a..", "..b" or "*"`,
		"2.0.0..1.0.0":        `range "2.0.0..1.0.0": found "2.0.0..1.0.0", where 2.0.0 sorts after 1.0.0, want the lower end first`,
		"x":                   `range "x": version "x" does not have the form ` + dotted.Pattern,
		"1.0.0..x":            `range "1.0.0..x": version "x" does not have the form ` + dotted.Pattern,
		"x..1.0.0":            `range "x..1.0.0": version "x" does not have the form ` + dotted.Pattern,
		"1.0.0..2.0.0..3.0.0": `range "1.0.0..2.0.0..3.0.0": version "2.0.0..3.0.0" does not have the form ` + dotted.Pattern,
	} {
		if _, err := s.ParseRange(text); err == nil || err.Error() != want {
			t.Errorf("%q:\ngot  %v\nwant %s", text, err, want)
		}
	}
}

func TestVers(t *testing.T) {
	s := compile(t, semantic)
	for _, c := range []struct {
		text, kind string
		in, out    []string
	}{
		// Source: package-url vers specification, its npm and gem examples; the
		// versions are answered by its rule for containment.
		{"vers:npm/1.2.3|>=2.0.0|<5.0.0", "npm", []string{"1.2.3", "2.0.0", "4.9.9"}, []string{"1.2.2", "1.9.9", "5.0.0"}},
		{"vers:gem/>=2.2.0|!=2.2.1|<2.3.0", "gem", []string{"2.2.0", "2.2.9"}, []string{"2.1.9", "2.2.1", "2.3.0"}},
		// Source: CSAF 2.0 §3.1.2.3.2.
		{"vers:all/*", "all", []string{"0.0.0-a", "9.9.9"}, nil},
		{"vers:npm/<1.0.0|>=2.0.0", "npm", []string{"0.1.0", "2.0.0", "7.0.0"}, []string{"1.0.0", "1.5.0"}},
		{"vers:npm/<=1.0.0", "npm", []string{"0.1.0", "1.0.0"}, []string{"1.0.1"}},
		{"vers:npm/>1.0.0", "npm", []string{"1.0.1"}, []string{"1.0.0", "0.9.0"}},
		{"vers:npm/!=1.0.0", "npm", nil, []string{"1.0.0", "2.0.0"}},
		{"vers:npm/>1.0.0-a%2E1|<=2.0.0|3.0.0|4.0.0|>=5.0.0", "npm", []string{"1.0.0", "2.0.0", "3.0.0", "4.0.0", "5.0.0", "6.0.0"}, []string{"1.0.0-a.1", "2.0.1", "3.0.1", "4.5.0"}},
	} {
		r, kind, err := s.ParseVers(c.text)
		if err != nil || kind != c.kind {
			t.Errorf("%s: type %q, %v", c.text, kind, err)
			continue
		}
		for _, v := range c.in {
			if !r.Contains(parse(t, s, v)) {
				t.Errorf("%s does not contain %s", c.text, v)
			}
		}
		for _, v := range c.out {
			if r.Contains(parse(t, s, v)) {
				t.Errorf("%s contains %s", c.text, v)
			}
		}
	}
	for text, want := range map[string]string{
		"npm/1.0.0":                       `want it to begin with vers:`,
		"vers:npm":                        `found type "npm", want lower-case letters, digits, dots, dashes and pluses, then a slash`,
		"vers:NPM/1.0.0":                  `found type "NPM", want lower-case letters, digits, dots, dashes and pluses, then a slash`,
		"vers:7z/1.0.0":                   `found type "7z", want lower-case letters, digits, dots, dashes and pluses, then a slash`,
		"vers:gem/>=2.2.0|!= 2.2.1":       `found white space, want none`, // as CSAF 2.0 prints the gem example
		"vers:npm/>=2.0.0|1.0.0":          `constraint 2: 1.0.0 does not sort after 2.0.0, want ascending versions, each once`,
		"vers:npm/1.0.0|1.0.0":            `constraint 2: 1.0.0 does not sort after 1.0.0, want ascending versions, each once`,
		"vers:npm/1.0.0|":                 `constraint 2: found version "", want one with %-encoded comparators, and * only alone`,
		"vers:npm/1.0.0|*":                `constraint 2: found version "*", want one with %-encoded comparators, and * only alone`,
		"vers:npm/>=1.0.0|>2.0.0":         `>=1.0.0 is followed by >2.0.0, want greater and lesser in turn`,
		"vers:npm/<1.0.0|!=1.5.0|<=2.0.0": `<1.0.0 is followed by <=2.0.0, want greater and lesser in turn`,
		"vers:npm/1.0.0|<2.0.0":           `=1.0.0 is followed by <2.0.0, want =, > or >= there`,
		"vers:npm/x":                      `constraint 1: version "x" does not have the form ` + semantic.Pattern,
		"vers:npm/1.0.0%zz":               `constraint 1: invalid URL escape "%zz"`,
	} {
		if _, _, err := s.ParseVers(text); err == nil || err.Error() != `vers "`+text+`": `+want {
			t.Errorf("%s:\ngot  %v\nwant %s", text, err, want)
		}
	}
}

// versWalk is the rule for containment as the specification words it.
// Source: package-url vers specification, "Using version range specifiers".
func versWalk(ops []string, vs []int, tested int) bool {
	var o []string
	var v []int
	for i := range ops {
		if vs[i] == tested {
			switch ops[i] {
			case "=", "<=", ">=":
				return true
			case "!=":
				return false
			}
		}
	}
	for i := range ops {
		if ops[i] != "=" && ops[i] != "!=" {
			o, v = append(o, ops[i]), append(v, vs[i])
		}
	}
	for i := range o {
		if i == 0 && o[i][0] == '<' && tested < v[i] {
			return true
		}
		if i == len(o)-1 && o[i][0] == '>' && tested > v[i] {
			return true
		}
		if i+1 < len(o) && o[i][0] == '>' && o[i+1][0] == '<' && tested > v[i] && tested < v[i+1] {
			return true
		}
	}
	return false
}

func TestVersAgreesWithTheWordedRule(t *testing.T) {
	s := compile(t, VersionScheme{Pattern: `(?P<n>\d+)`, Order: []OrderField{{Field: "n", As: AsNumber}}})
	accepted := 0
	rapid.Check(t, func(t *rapid.T) {
		vs := rapid.SliceOfNDistinct(rapid.IntRange(1, 9), 1, 5, rapid.ID).Draw(t, "versions")
		slices.Sort(vs)
		ops := make([]string, len(vs))
		var parts []string
		for i, v := range vs {
			ops[i] = rapid.SampledFrom([]string{"=", "!=", "<", "<=", ">", ">="}).Draw(t, "op")
			parts = append(parts, strings.TrimPrefix(ops[i], "=")+string(rune('0'+v)))
		}
		r, _, err := s.ParseVers("vers:x/" + strings.Join(parts, "|"))
		if err != nil {
			return // not canonical; the table above holds those
		}
		accepted++
		for n := range 11 {
			v, _ := s.Parse(map[bool]string{true: "10", false: string(rune('0' + n))}[n == 10])
			if got, want := r.Contains(v), versWalk(ops, vs, n); got != want {
				t.Fatalf("%s contains %d: got %t, want %t", r, n, got, want)
			}
		}
	})
	if accepted == 0 {
		t.Error("no range was canonical")
	}
}

func FuzzParseVers(f *testing.F) {
	for _, s := range []string{"vers:npm/1.2.3|>=2.0.0|<5.0.0", "vers:gem/>=2.2.0|!=2.2.1|<2.3.0", "vers:all/*", "vers:npm/%", "vers:/"} {
		f.Add(s)
	}
	s := compile(f, semantic)
	one := parse(f, s, "1.0.0")
	f.Fuzz(func(t *testing.T, text string) {
		if r, kind, err := s.ParseVers(text); err == nil {
			r.Contains(one)
			if kind == "" || r.String() != text {
				t.Errorf("%q reads as type %q, range %q", text, kind, r)
			}
		}
		if r, err := s.ParseRange(text); err == nil {
			r.Contains(one)
		}
	})
}
