package element_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"towpath/internal/element"
)

func parse(t *testing.T, s string) *element.Node {
	t.Helper()
	n, err := element.Parse(strings.NewReader(s))
	if err != nil {
		t.Fatalf("%s: %v", s, err)
	}
	return n
}

func TestNamespacesAndIdentities(t *testing.T) {
	// Source: RFC 7950 §7.18.3, the usage example of an identity reference.
	n := parse(t, `<crypto xmlns="http://example.com/config" xmlns:des="http://example.com/des"><crypto>des:des3</crypto><other>aes</other><bad>no:x</bad></crypto>`)
	space, id, ok := n.Kid("crypto").ID()
	if !ok || space != "http://example.com/des" || id != "des3" {
		t.Errorf("got %q %q %v", space, id, ok)
	}
	if space, id, ok = n.Kid("other").ID(); !ok || space != "http://example.com/config" || id != "aes" {
		t.Errorf("without a prefix: got %q %q %v", space, id, ok)
	}
	if _, _, ok = n.Kid("bad").ID(); ok {
		t.Error("a prefix that nobody declared was taken")
	}
	// What is written must mean the same.
	again := parse(t, n.String())
	if space, id, ok = again.Kid("crypto").ID(); !ok || space != "http://example.com/des" || id != "des3" {
		t.Errorf("written and read: got %q %q %v in %s", space, id, ok, n)
	}
}

func TestRefuses(t *testing.T) {
	for what, doc := range map[string]string{
		"a document type":   `<!DOCTYPE a [<!ENTITY x "y">]><a/>`,
		"an unknown entity": `<a>&x;</a>`,
		"two roots":         `<a/><b/>`,
		"text outside":      `x<a/>`,
		"an open element":   `<a><b></a>`,
		"the end missing":   `<a>`,
		"a foreign coding":  `<?xml version="1.0" encoding="ISO-8859-1"?><a/>`,
		"unknown prefix":    `<x:a/>`,
		"too deep":          strings.Repeat("<a>", 1000) + strings.Repeat("</a>", 1000),
	} {
		if n, err := element.Parse(strings.NewReader(doc)); err == nil {
			t.Errorf("%s: got %s, want an error", what, n)
		}
	}
	if _, err := element.Parse(strings.NewReader("  \n")); !errors.Is(err, element.ErrEmpty) {
		t.Errorf("nothing: got %v, want ErrEmpty", err)
	}
}

// TestWrittenReadsTheSame writes trees that were drawn and reads them back.
func TestWrittenReadsTheSame(t *testing.T) {
	type plain struct {
		Space, Name, Text string
		Attrs             []element.Attr
		Kids              []any
	}
	var strip func(n *element.Node) any
	strip = func(n *element.Node) any {
		p := plain{Space: n.Space, Name: n.Name, Text: n.Text, Attrs: n.Attrs}
		for _, k := range n.Kids {
			p.Kids = append(p.Kids, strip(k))
		}
		return p
	}
	spaces := rapid.SampledFrom([]string{"urn:a", "urn:b", "http://c.example/?x=1&y=2"})
	names := rapid.SampledFrom([]string{"a", "b-1", "c.d"})
	texts := rapid.StringMatching(`[ -~äß→]{0,20}`)
	var draw func(t *rapid.T, depth int) *element.Node
	draw = func(t *rapid.T, depth int) *element.Node {
		n := &element.Node{Space: spaces.Draw(t, "space"), Name: names.Draw(t, "name")}
		if rapid.Bool().Draw(t, "attribute") {
			n.With(rapid.SampledFrom([]string{"", "urn:a"}).Draw(t, "of"), "k", texts.Draw(t, "value"))
		}
		if depth == 0 || rapid.Bool().Draw(t, "leaf") {
			n.Text = texts.Draw(t, "text")
			return n
		}
		for range rapid.IntRange(1, 3).Draw(t, "kids") {
			n.Kids = append(n.Kids, draw(t, depth-1))
		}
		return n
	}
	rapid.Check(t, func(rt *rapid.T) {
		n := draw(rt, 3)
		got, err := element.Parse(strings.NewReader(n.String()))
		if err != nil {
			rt.Fatalf("%s: %v", n, err)
		}
		if d := cmp.Diff(strip(n), strip(got)); d != "" {
			rt.Fatalf("%s (-written +read):\n%s", n, d)
		}
		// What was read has prefixes of its own, and is written with them.
		again, err := element.Parse(strings.NewReader(got.String()))
		if err != nil {
			rt.Fatalf("%s: %v", got, err)
		}
		if d := cmp.Diff(strip(n), strip(again)); d != "" {
			rt.Fatalf("%s, the second time (-written +read):\n%s", got, d)
		}
		if strings.Count(got.String(), `xmlns:a0="`) > strings.Count(n.String(), `xmlns:a0="`) {
			rt.Fatalf("%s declares a prefix once more than %s", got, n)
		}
	})
}

// FuzzParse feeds the parser anything; what it takes must mean the same when it
// is written and read again.
func FuzzParse(f *testing.F) {
	for _, s := range []string{
		"", "<a/>", `<a xmlns="urn:a"><b xmlns:c="urn:c" c:d="e">f</b></a>`, `<?xml version="1.0"?><a>&lt;&#65;<![CDATA[<x>]]></a>`,
		`<!DOCTYPE a><a/>`, `<a xmlns:p="urn:p"><p:b xmlns:p="urn:q"><p:c t="p:x">p:y</p:c></p:b></a>`, "<a>\xff</a>", `<a xml:lang="en"/>`,
		`<a xmlns=""><b xmlns="x"/></a>`, `<x:a xmlns:x="urn:x" x:y="1" y="2"/>`,
	} {
		f.Add([]byte(s))
	}
	var same func(a, b *element.Node) bool
	same = func(a, b *element.Node) bool {
		if a.Space != b.Space || a.Name != b.Name || a.Text != b.Text || len(a.Kids) != len(b.Kids) || !cmp.Equal(a.Attrs, b.Attrs) {
			return false
		}
		for i := range a.Kids {
			if !same(a.Kids[i], b.Kids[i]) {
				return false
			}
		}
		return true
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		n, err := element.Parse(strings.NewReader(string(in)))
		if err != nil {
			return
		}
		again, err := element.Parse(strings.NewReader(n.String()))
		if err != nil {
			t.Fatalf("%q was read, and written as %q, which is: %v", in, n, err)
		}
		if !same(n, again) {
			t.Fatalf("%q was written as %q, which means something else", in, n)
		}
	})
}
