package release

import (
	"encoding/json"
	"fmt"
	"go/version"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func compile(t testing.TB, s VersionScheme) *Scheme {
	t.Helper()
	c, err := s.Compile()
	if err != nil {
		t.Fatalf("compile %s: %v", s.Pattern, err)
	}
	return c
}

func parse(t testing.TB, s *Scheme, text string) Version {
	t.Helper()
	v, err := s.Parse(text)
	if err != nil {
		t.Fatalf("parse: %v", err)
	}
	return v
}

// semantic is Semantic Versioning as a scheme. Build metadata does not count.
// Source: Semantic Versioning 2.0.0, the regular expression its FAQ suggests,
// loosened, as a scheme need not refuse what is never written.
var semantic = VersionScheme{
	Pattern: `(?P<major>\d+)\.(?P<minor>\d+)\.(?P<patch>\d+)(?:-(?P<pre>[0-9A-Za-z.-]+))?(?:\+[0-9A-Za-z.-]+)?`,
	Order: []OrderField{
		{Field: "major", As: AsNumber}, {Field: "minor", As: AsNumber}, {Field: "patch", As: AsNumber},
		{Field: "pre", As: AsIdentifiers, Empty: EmptyLast},
	},
}

// dotted is the version as many platforms write it, release candidates by
// words: what a pattern with fixed fields can say of Semantic Versioning.
var dotted = VersionScheme{
	Pattern: `(?P<major>\d+)\.(?P<minor>\d+)\.(?P<patch>\d+)(?:-(?P<stage>alpha|beta|rc)(?:\.(?P<n>\d+))?)?`,
	Order: []OrderField{
		{Field: "major", As: AsNumber}, {Field: "minor", As: AsNumber}, {Field: "patch", As: AsNumber},
		{Field: "stage", As: AsWords, Words: []string{"alpha", "beta", "rc"}, Empty: EmptyLast}, {Field: "n", As: AsNumber},
	},
}

// python is PEP 440 with a release of two or three numbers; it cannot say that
// 1.0 and 1.0.0 are the same, and has no local versions.
// Source: PEP 440, from memory.
var python = VersionScheme{
	Pattern: `(?:(?P<epoch>\d+)!)?(?P<a>\d+)\.(?P<b>\d+)(?:\.(?P<c>\d+))?(?:\.?(?P<pre>a|b|rc|dev)(?P<n>\d+))?(?:\.post(?P<post>\d+))?(?:\.dev(?P<dev>\d+))?`,
	Order: []OrderField{
		{Field: "epoch", As: AsNumber}, {Field: "a", As: AsNumber}, {Field: "b", As: AsNumber}, {Field: "c", As: AsNumber},
		{Field: "pre", As: AsWords, Words: []string{"dev", "a", "b", "rc"}, Empty: EmptyLast}, {Field: "n", As: AsNumber},
		{Field: "post", As: AsNumber}, {Field: "dev", As: AsNumber, Empty: EmptyLast},
	},
}

// debian is a Debian version of a fixed shape: in general it is any number of
// parts that are digits and not digits in turn, which fixed fields cannot say.
// Source: deb-version(7).
var debian = VersionScheme{
	Pattern: `(?:(?P<epoch>\d+):)?(?P<a>\d+)\.(?P<b>\d+)(?:(?P<early>~rc)(?P<rc>\d+))?(?:\+(?P<plus>[a-z]+))?-(?P<rev>\d+)`,
	Order: []OrderField{
		{Field: "epoch", As: AsNumber}, {Field: "a", As: AsNumber}, {Field: "b", As: AsNumber},
		{Field: "early", As: AsText, Empty: EmptyLast}, {Field: "rc", As: AsNumber}, {Field: "plus", As: AsText}, {Field: "rev", As: AsNumber},
	},
}

// toolchain is a Go version.
// Source: go.dev/doc/toolchain, section on Go versions.
var toolchain = VersionScheme{
	Pattern: `go(?P<major>\d+)\.(?P<minor>\d+)(?:(?P<stage>beta|rc)(?P<n>\d+)|\.(?P<patch>\d+))?`,
	Order: []OrderField{
		{Field: "major", As: AsNumber}, {Field: "minor", As: AsNumber},
		{Field: "patch", As: AsNumber}, {Field: "stage", As: AsWords, Words: []string{"beta", "rc"}}, {Field: "n", As: AsNumber},
	},
}

func TestVersionsSortAsTheirStandardsSay(t *testing.T) {
	for _, c := range []struct {
		name   string
		scheme VersionScheme
		up     []string // each strictly before the next
	}{
		// Source: Semantic Versioning 2.0.0 §11.2.
		{"semantic, numbers", semantic, []string{"1.0.0", "2.0.0", "2.1.0", "2.1.1"}},
		// Source: Semantic Versioning 2.0.0 §11.3.
		{"semantic, pre-release below", semantic, []string{"1.0.0-alpha", "1.0.0"}},
		// Source: Semantic Versioning 2.0.0 §11.4, the list there.
		{"semantic, identifiers", semantic, []string{"1.0.0-alpha", "1.0.0-alpha.1", "1.0.0-alpha.beta", "1.0.0-beta", "1.0.0-beta.2", "1.0.0-beta.11", "1.0.0-rc.1", "1.0.0"}},
		// The same list without 1.0.0-alpha.beta, whose second identifier is of
		// another kind than the others': words and numbers cannot say that.
		{"semantic by words", dotted, []string{"1.0.0-alpha", "1.0.0-alpha.1", "1.0.0-beta", "1.0.0-beta.2", "1.0.0-beta.11", "1.0.0-rc.1", "1.0.0"}},
		// Source: PEP 440, "Summary of permitted suffixes and relative ordering",
		// from memory, without the local versions and with 1.dev0 as 1.0.dev0.
		{"python", python, []string{"1.0.dev0", "1.0.dev456", "1.0a1", "1.0a2.dev456", "1.0a12.dev456", "1.0a12", "1.0b1.dev456", "1.0b2", "1.0b2.post345.dev456",
			"1.0b2.post345", "1.0rc1.dev456", "1.0rc1", "1.0", "1.0.post456.dev34", "1.0.post456", "1.0.15", "1.1.dev1", "1!0.1"}},
		// Source: deb-version(7), "the tilde sorts before everything, even the end".
		{"debian", debian, []string{"1.0~rc1-1", "1.0~rc2-1", "1.0~rc10-1", "1.0-1", "1.0-2", "1.0-10", "1.0+dfsg-1", "1.1~rc1-1", "1.10-1", "1:0.1-1"}},
		{"toolchain", toolchain, []string{"go1.9", "go1.20", "go1.21rc1", "go1.21rc2", "go1.21.0", "go1.21.9", "go1.21.10", "go1.22"}},
		{"numbers of any length", dotted, []string{"1.0.9", "1.0.18446744073709551615", "1.0.18446744073709551616", "1.0.100000000000000000000000000000000000000"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := compile(t, c.scheme)
			for i, a := range c.up {
				for j, b := range c.up {
					got := parse(t, s, a).Compare(parse(t, s, b))
					if want := sign(i - j); sign(got) != want {
						t.Errorf("%s against %s: got %d, want %d", a, b, got, want)
					}
				}
			}
		})
	}
	s := compile(t, semantic)
	for _, c := range [][2]string{
		{"1.0.0+20130313144700", "1.0.0+exp.sha.5114f85"}, // Source: Semantic Versioning 2.0.0 §10
		{"1.02.0", "1.2.00"},                              // leading zeros count for nothing
	} {
		if got := parse(t, s, c[0]).Compare(parse(t, s, c[1])); got != 0 {
			t.Errorf("%s against %s: got %d, want 0", c[0], c[1], got)
		}
	}
}

func sign(n int) int { return max(-1, min(1, n)) }

// Source: package go/version of the standard library.
func TestToolchainVersionsAgreeWithTheStandardLibrary(t *testing.T) {
	s := compile(t, toolchain)
	rapid.Check(t, func(t *rapid.T) {
		draw := func(label string) string {
			v := fmt.Sprintf("go1.%d", rapid.IntRange(21, 23).Draw(t, label))
			switch rapid.IntRange(0, 3).Draw(t, label+" kind") {
			case 0:
				return v
			case 1:
				return fmt.Sprintf("%s%s%d", v, rapid.SampledFrom([]string{"beta", "rc"}).Draw(t, label), rapid.IntRange(1, 11).Draw(t, label))
			default:
				return fmt.Sprintf("%s.%d", v, rapid.IntRange(0, 11).Draw(t, label))
			}
		}
		a, b := draw("a"), draw("b")
		va, _ := s.Parse(a)
		vb, _ := s.Parse(b)
		if got, want := sign(va.Compare(vb)), version.Compare(a, b); got != want {
			t.Fatalf("%s against %s: got %d, want %d", a, b, got, want)
		}
	})
}

// pairs makes versions of a scheme's own kind from parts, two at a time.
func pairs(n int, parts ...[]string) [][2]string {
	seed := uint64(1)
	next := func(m int) int {
		seed = seed*6364136223846793005 + 1442695040888963407
		return int(seed>>33) % m
	}
	one := func() string {
		var b strings.Builder
		for _, p := range parts {
			b.WriteString(p[next(len(p))])
		}
		return b.String()
	}
	out := make([][2]string, n)
	for i := range out {
		out[i] = [2]string{one(), one()}
	}
	return out
}

func checkPairs(t *testing.T, scheme VersionScheme, all [][2]string, want []int) {
	t.Helper()
	if len(want) != len(all) || len(all) == 0 {
		t.Fatalf("%d answers for %d pairs", len(want), len(all))
	}
	s := compile(t, scheme)
	differ := 0
	for i, p := range all {
		if got := sign(parse(t, s, p[0]).Compare(parse(t, s, p[1]))); got != want[i] {
			t.Errorf("%s against %s: got %d, want %d", p[0], p[1], got, want[i])
		}
		if want[i] != 0 {
			differ++
		}
	}
	if differ < len(all)/2 {
		t.Errorf("only %d of %d pairs differ", differ, len(all))
	}
}

func answers(t *testing.T, cmd *exec.Cmd) []int {
	t.Helper()
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v", cmd.Path, err)
	}
	var n []int
	for _, f := range strings.Fields(string(out)) {
		i, err := strconv.Atoi(f)
		if err != nil {
			t.Fatalf("%s answers %q", cmd.Path, f)
		}
		n = append(n, i)
	}
	return n
}

// Source: dpkg --compare-versions of this machine.
func TestDebianVersionsAgreeWithDpkg(t *testing.T) {
	dpkg, err := exec.LookPath("dpkg")
	if err != nil {
		t.Skip("no dpkg on this machine to ask")
	}
	all := pairs(120, []string{"", "", "", "0:", "1:"}, []string{"1", "2", "02"}, []string{".0", ".1", ".9", ".10"}, []string{"", "", "~rc1", "~rc2", "~rc10"}, []string{"", "", "+dfsg", "+b"}, []string{"-1", "-2", "-10"})
	var script strings.Builder
	for _, p := range all {
		fmt.Fprintf(&script, "if %[1]s --compare-versions '%[2]s' lt '%[3]s'; then echo -1; elif %[1]s --compare-versions '%[2]s' gt '%[3]s'; then echo 1; else echo 0; fi\n", dpkg, p[0], p[1])
	}
	want := answers(t, exec.Command("sh", "-c", script.String()))
	// 0:1.0 and 1.0 are the same to dpkg, an absent epoch is before 0 to the
	// scheme; such pairs are left out.
	all, want = filterPairs(all, want, func(p [2]string) bool { return strings.HasPrefix(p[0], "0:") != strings.HasPrefix(p[1], "0:") })
	checkPairs(t, debian, all, want)
}

func filterPairs(all [][2]string, want []int, drop func([2]string) bool) (a [][2]string, w []int) {
	for i, p := range all {
		if !drop(p) {
			a, w = append(a, p), append(w, want[i])
		}
	}
	return a, w
}

// Source: packaging.version of Python's own installer, on this machine.
func TestPythonVersionsAgreeWithPackaging(t *testing.T) {
	py, err := exec.LookPath("python3")
	if err != nil || exec.Command(py, "-c", "import pip._vendor.packaging.version").Run() != nil {
		t.Skip("no python3 with pip's packaging on this machine to ask")
	}
	all := pairs(2000, []string{"", "", "1!"}, []string{"1.0", "1.1", "1.10"}, []string{".1", ".2", ".10"}, []string{"", "", "a1", "a2", "b1", "rc1", "rc10"}, []string{"", "", ".post1", ".post2"}, []string{"", "", ".dev1", ".dev2"})
	in, _ := json.Marshal(all)
	cmd := exec.Command(py, "-c", `
import json, sys
from pip._vendor.packaging.version import Version as V
for a, b in json.load(sys.stdin):
    a, b = V(a), V(b)
    print((a > b) - (a < b))
`)
	cmd.Stdin = strings.NewReader(string(in))
	// The scheme reads a bare .dev as a stage of its own, first of all, and with
	// .post before it as the post-release's; so does the standard.
	checkPairs(t, python, all, answers(t, cmd))
}

// Source: the semver module that node's package manager carries, on this machine.
func TestSemanticVersionsAgreeWithNode(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		t.Skip("no node on this machine to ask")
	}
	real, _ := filepath.EvalSymlinks(node)
	module := ""
	for _, dir := range []string{"/usr/lib/node_modules", "/usr/local/lib/node_modules", "/usr/share/nodejs", filepath.Join(filepath.Dir(real), "../lib/node_modules")} {
		for _, m := range []string{dir + "/npm/node_modules/semver", dir + "/semver"} {
			if _, err := os.Stat(m); err == nil && module == "" {
				module = m
			}
		}
	}
	if module == "" {
		t.Skip("no semver module of node on this machine to ask")
	}
	all := pairs(2000, []string{"1.", "2.", "10."}, []string{"0.", "9.", "10."}, []string{"0", "3"}, []string{"", "", "-alpha", "-alpha.1", "-alpha.beta", "-1", "-9", "-10", "-1a", "-rc.2", "-rc.11", "-alpha-1", "-a.b.c", "-a.b"}, []string{"", "", "+b1", "+b2"})
	in, _ := json.Marshal(all)
	cmd := exec.Command(node, "-e", `
const s = require(process.argv[1]);
for (const [a, b] of JSON.parse(require("fs").readFileSync(0))) console.log(s.compare(a, b));
`, module)
	cmd.Stdin = strings.NewReader(string(in))
	checkPairs(t, semantic, all, answers(t, cmd))
}

func TestSchemeTellsWhatIsWrong(t *testing.T) {
	number := []OrderField{{Field: "a", As: AsNumber}}
	for _, c := range []struct {
		s    VersionScheme
		want string
	}{
		{VersionScheme{Order: number}, "pattern: found none, want a regular expression with named groups"},
		{VersionScheme{Pattern: `(`, Order: number}, "pattern: error parsing regexp: missing closing ): `(`"},
		{VersionScheme{Pattern: `(?P<a>\d+)`}, "order: found none, want the fields of the pattern from most to least significant"},
		{VersionScheme{Pattern: `(?P<a>\d+)`, Order: []OrderField{{Field: "b", As: AsNumber}}}, `order[0].field: found "b", want a named group of the pattern (a)`},
		{VersionScheme{Pattern: `(?P<a>\d+)`, Order: append(slices.Clone(number), number...)}, `order[1].field: found "a" a second time, want each field once`},
		{VersionScheme{Pattern: `(?P<a>\d+)`, Order: []OrderField{{Field: "a", As: "integer"}}}, `order[0].as: found "integer", want "number", "text", "words" or "identifiers"`},
		{VersionScheme{Pattern: `(?P<a>\d+)`, Order: []OrderField{{Field: "a", As: AsWords}}}, "order[0].words: found none, want the words in ascending order"},
		{VersionScheme{Pattern: `(?P<a>\d+)`, Order: []OrderField{{Field: "a", As: AsWords, Words: []string{"x", "x"}}}}, `order[0].words[1]: found "x", want a word that is not empty and stands there once`},
		{VersionScheme{Pattern: `(?P<a>\d+)`, Order: []OrderField{{Field: "a", As: AsText, Words: []string{"x"}}}}, "order[0].words: found words for a field compared as text, want none"},
		{VersionScheme{Pattern: `(?P<a>\d+)`, Order: []OrderField{{Field: "a", As: AsText, Empty: "low"}}}, `order[0].empty: found "low", want "first" or "last"`},
	} {
		if _, err := c.s.Compile(); err == nil || err.Error() != c.want {
			t.Errorf("%+v:\ngot  %v\nwant %s", c.s, err, c.want)
		}
		if _, err := c.s.Parse("1"); err == nil {
			t.Errorf("%+v: parses", c.s)
		}
	}
	for _, c := range []struct {
		s          VersionScheme
		text, want string
	}{
		{dotted, "1.0", `version "1.0" does not have the form ` + dotted.Pattern},
		{dotted, "1.0.0 ", `version "1.0.0 " does not have the form ` + dotted.Pattern},
		{dotted, "1.0.0\n", `version "1.0.0\n" does not have the form ` + dotted.Pattern},
		{VersionScheme{Pattern: `(?P<a>\w+)`, Order: number}, "1x", `version "1x": field a is "1x", want digits only`},
		{VersionScheme{Pattern: `(?P<a>\w+)`, Order: []OrderField{{Field: "a", As: AsWords, Words: []string{"x", "y"}}}}, "z", `version "z": field a is "z", want one of x, y`},
	} {
		if _, err := c.s.Parse(c.text); err == nil || err.Error() != c.want {
			t.Errorf("%q:\ngot  %v\nwant %s", c.text, err, c.want)
		}
	}
}

// Comparison is an order: total, and the same both ways round.
func TestComparisonIsAnOrder(t *testing.T) {
	for name, scheme := range map[string]VersionScheme{"semantic": semantic, "python": python} {
		s := compile(t, scheme)
		gen := rapid.StringMatching(map[string]string{
			"semantic": `[0-3]{1,2}\.[0-2]\.[0-2](-[a1]{1,2}(\.[b2]{1,2})?)?`,
			"python":   `(1!)?[0-2]\.[0-2](\.[0-2])?((a|b|rc)[12])?(\.post[12])?(\.dev[12])?`,
		}[name])
		t.Run(name, rapid.MakeCheck(func(t *rapid.T) {
			v := make([]Version, 3)
			for i := range v {
				text := gen.Draw(t, "version")
				var err error
				if v[i], err = s.Parse(text); err != nil {
					t.Fatal(err)
				}
				if v[i].String() != text || v[i].Compare(v[i]) != 0 {
					t.Fatalf("%q reads as %q", text, v[i])
				}
			}
			if sign(v[0].Compare(v[1])) != -sign(v[1].Compare(v[0])) {
				t.Fatalf("%s and %s: %d and back %d", v[0], v[1], v[0].Compare(v[1]), v[1].Compare(v[0]))
			}
			if v[0].Compare(v[1]) <= 0 && v[1].Compare(v[2]) <= 0 && v[0].Compare(v[2]) > 0 {
				t.Fatalf("%s ≤ %s ≤ %s, but the first is above the last", v[0], v[1], v[2])
			}
		}))
	}
	t.Run("natural", rapid.MakeCheck(func(t *rapid.T) {
		gen := rapid.StringMatching(`[0-9a.]{1,5}`)
		a, b, c := gen.Draw(t, "a"), gen.Draw(t, "b"), gen.Draw(t, "c")
		if sign(compareNatural(a, b)) != -sign(compareNatural(b, a)) {
			t.Fatalf("%q and %q: %d and back %d", a, b, compareNatural(a, b), compareNatural(b, a))
		}
		if compareNatural(a, b) <= 0 && compareNatural(b, c) <= 0 && compareNatural(a, c) > 0 {
			t.Fatalf("%q ≤ %q ≤ %q, but the first is above the last", a, b, c)
		}
	}))
}

func TestNaturalOrder(t *testing.T) {
	up := []string{"0.9", "1.7", "1.9", "1.9.1", "1.9a", "1.10", "1.10b1", "1.10b12", "2"}
	for i, a := range up {
		for j, b := range up {
			if got := sign(compareNatural(a, b)); got != sign(i-j) {
				t.Errorf("%s against %s: got %d", a, b, got)
			}
		}
	}
}

func FuzzParseVersion(f *testing.F) {
	for _, s := range []string{"1.0.0", "1.0.0-alpha.1", "", "-", "99999999999999999999.0.0"} {
		f.Add(s)
	}
	s := compile(f, semantic)
	f.Fuzz(func(t *testing.T, text string) {
		v, err := s.Parse(text)
		if err == nil && (v.String() != text || v.Compare(v) != 0) {
			t.Errorf("%q reads as %q", text, v)
		}
	})
}
