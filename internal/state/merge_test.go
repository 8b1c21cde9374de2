package state

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCapture(t)
		was := fmt.Sprintf("%+v", c)
		var file bytes.Buffer
		if err := Encode(&file, c); err != nil {
			t.Fatal(err)
		}
		if now := fmt.Sprintf("%+v", c); now != was {
			t.Fatalf("Encode changed the capture:\n%s\n%s", was, now)
		}
		first := bytes.Clone(file.Bytes())
		back, err := Decode(&file)
		if err != nil {
			t.Fatal(err)
		}
		c.Sort()
		if d := gocmp.Diff(c, back, opts); d != "" {
			t.Fatalf("written, then read:\n%s", d)
		}
		if err := Encode(&file, back); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(first, file.Bytes()) {
			t.Fatal("equal captures give other octets")
		}
		if got := Compare(c, back, Expectation{}, Tolerances{}); got.Verdict != Unchanged {
			t.Fatalf("a capture differs from itself: %v", got.Differences)
		}
	})
}

// drawRoutes is a small table in which prefixes repeat.
func drawRoutes(t *rapid.T, label string) []Route {
	rs := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Route {
		return Route{
			Prefix:   rapid.SampledFrom([]string{"10.0.0.0/8", "10.0.0.0/16", "9.0.0.0/8", "::/0"}).Draw(t, "prefix"),
			Protocol: rapid.SampledFrom([]string{"bgp", "isis", "static"}).Draw(t, "protocol"),
			NextHops: rapid.SampledFrom([]string{"a", "b"}).Draw(t, "hops"),
			Metric:   rapid.SampledFrom([]uint32{0, 1}).Draw(t, "metric"),
		}
	}), 0, 12).Draw(t, label)
	slices.SortFunc(rs, byRoute)
	return rs
}

type pair struct{ Before, After Route }

var none = Route{Prefix: "none"}

// diffByMaps is the slow obvious twin of DiffRoutes: for each prefix, equal
// routes cancel, then those of one protocol pair, then what is left.
func diffByMaps(before, after []Route) (list []pair, n RouteChurn) {
	b, a := map[string][]Route{}, map[string][]Route{}
	prefixes := map[string]bool{}
	for _, r := range before {
		b[r.Prefix] = append(b[r.Prefix], r)
		prefixes[r.Prefix] = true
	}
	for _, r := range after {
		a[r.Prefix] = append(a[r.Prefix], r)
		prefixes[r.Prefix] = true
	}
	for p := range prefixes {
		gone, come := b[p], a[p]
		match := func(test func(x, y Route) bool, found func(x, y Route)) {
			for i := 0; i < len(gone); {
				j := slices.IndexFunc(come, func(y Route) bool { return test(gone[i], y) })
				if j < 0 {
					i++
					continue
				}
				found(gone[i], come[j])
				gone = slices.Delete(slices.Clone(gone), i, i+1)
				come = slices.Delete(slices.Clone(come), j, j+1)
			}
		}
		change := func(x, y Route) {
			list = append(list, pair{x, y})
			n.Changed++
		}
		match(func(x, y Route) bool { return x == y }, func(_, _ Route) { n.Same++ })
		match(func(x, y Route) bool { return x.Protocol == y.Protocol }, change)
		match(func(_, _ Route) bool { return true }, change)
		for _, r := range gone {
			list = append(list, pair{r, none})
			n.Gone++
		}
		for _, r := range come {
			list = append(list, pair{none, r})
			n.New++
		}
	}
	return list, n
}

func TestMergeJoinEqualsMaps(t *testing.T) {
	byPair := func(x, y pair) int { return cmp.Or(byRoute(x.Before, y.Before), byRoute(x.After, y.After)) }
	kinds := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		before, after := drawRoutes(t, "before"), drawRoutes(t, "after")
		var got []pair
		last := ""
		n := DiffRoutes(before, after, func(b, a *Route) {
			p := pair{none, none}
			prefix := ""
			if b != nil {
				p.Before, prefix = *b, b.Prefix
			}
			if a != nil {
				p.After, prefix = *a, a.Prefix
			}
			if prefix < last {
				t.Fatalf("%s told after %s", prefix, last)
			}
			last = prefix
			got = append(got, p)
		})
		want, m := diffByMaps(before, after)
		slices.SortFunc(got, byPair)
		slices.SortFunc(want, byPair)
		if !reflect.DeepEqual(got, want) || n != m {
			t.Fatalf("before %v\nafter %v\nmerge join %v %+v\nmaps       %v %+v", before, after, got, n, want, m)
		}
		if n.Gone+n.Changed+n.Same != uint64(len(before)) || n.New+n.Changed+n.Same != uint64(len(after)) {
			t.Fatalf("%+v does not account for %d and %d routes", n, len(before), len(after))
		}
		kinds["gone"] += int(n.Gone)
		kinds["new"] += int(n.New)
		kinds["changed"] += int(n.Changed)
		kinds["same"] += int(n.Same)
	})
	if len(kinds) != 4 || kinds["gone"]*kinds["new"]*kinds["changed"]*kinds["same"] == 0 {
		t.Errorf("the draws do not cover every kind: %v", kinds)
	}
}

// The general join against a map, on small lists with repeated keys.
func TestJoinEqualsMap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := func(label string) []string {
			l := rapid.SliceOfN(rapid.SampledFrom([]string{"a", "b", "c", "d"}), 0, 8).Draw(t, label)
			slices.Sort(l)
			return l
		}
		before, after := list("before"), list("after")
		got := map[string][3]int{}
		count := func(k string, i int) {
			n := got[k]
			n[i]++
			got[k] = n
		}
		join(before, after, cmp.Compare[string],
			func(b, a *string) {
				if *b != *a {
					t.Fatalf("paired %s with %s", *b, *a)
				}
				count(*b, 0)
			}, func(b *string) { count(*b, 1) }, func(a *string) { count(*a, 2) })
		for _, k := range []string{"a", "b", "c", "d"} {
			nb, na := 0, 0
			for _, x := range before {
				if x == k {
					nb++
				}
			}
			for _, x := range after {
				if x == k {
					na++
				}
			}
			if want := [3]int{min(nb, na), nb - min(nb, na), na - min(nb, na)}; got[k] != want {
				t.Fatalf("%s: pairs, gone, new %v, want %v", k, got[k], want)
			}
		}
	})
}

// FuzzRow: the quick reader of a row never reads what encoding/json reads
// otherwise or refuses.
// Source: encoding/json.
func FuzzRow(f *testing.F) {
	for _, s := range []string{
		`{"p":"10.0.0.0/8","o":"bgp","n":"192.0.2.1","m":20}`, `{"p":"","o":"","n":"","m":0}`, `{"p":"a","o":"b","n":"c","m":4294967295}`,
		`{"p":"a","o":"b","n":"c","m":4294967296}`, `{"p":"a","o":"b","n":"c","m":01}`, `{"p":"a","o":"b","n":"c","m":-1}`,
		`{"p":"a\"","o":"b","n":"c","m":1}`, `{"p":"é","o":"b","n":"c","m":1}`, `{"p":"a","o":"b","n":"c","m":}`, `{"p":"a","o":"b","n":"c","m":1} `, `{}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		p, o, n, m, ok := fastRow(line)
		if !ok {
			return
		}
		var want Route
		if err := json.Unmarshal(line, &want); err != nil {
			t.Fatalf("%q read quickly, and refused: %v", line, err)
		}
		if got := (Route{string(p), string(o), string(n), m}); got != want {
			t.Fatalf("%q read quickly as %v, want %v", line, got, want)
		}
	})
}

// FuzzLines: no content makes the reading panic, and what is accepted is
// written as lines that read the same.
func FuzzLines(f *testing.F) {
	for _, s := range []string{
		"{\"capture\":{\"device\":\"d\",\"route_tables\":[{\"instance\":\"i\",\"family\":\"ipv4\"}]},\"rows\":[1]}\n{\"p\":\"10.0.0.0/8\",\"o\":\"bgp\",\"n\":\"a\",\"m\":1}\n",
		"{\"capture\":{}}\n", "{\"capture\":null}\n", "{\"capture\":{},\"rows\":[1]}\n", "{\"capture\":{\"route_tables\":[{}]},\"rows\":[-1]}\n",
		"{\"capture\":{\"route_tables\":[{}]},\"rows\":[16777217]}\n", "{\"capture\":{\"route_tables\":[{\"routes\":[{}]}]},\"rows\":[0]}\n",
		"{\"capture\":{}}\n{}\n", "{\"capture\":{\"route_tables\":[{}]},\"rows\":[2]}\n{}\n", "", "{}",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, content []byte) {
		c, err := readLines(bufio.NewReader(bytes.NewReader(content)), len(content))
		if err != nil {
			return
		}
		c = sorted(c)
		var lines bytes.Buffer
		if err := writeLines(&lines, c); err != nil {
			t.Fatal(err)
		}
		back, err := readLines(bufio.NewReader(&lines), len(content))
		if err != nil {
			t.Fatal(err)
		}
		if d := gocmp.Diff(c, back, opts); d != "" {
			t.Fatal(d)
		}
	})
}
