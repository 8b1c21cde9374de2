package netconf

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"towpath/internal/element"
)

// users is the data set of the standard's examples, with the persons' full
// names left out.
// Source: from memory, RFC 6241 §6.4.3.
const users = `<top xmlns="http://example.com/schema/1.2/config"><users>` +
	`<user><name>root</name><type>superuser</type><company-info><dept>1</dept><id>1</id></company-info></user>` +
	`<user><name>fred</name><type>admin</type><company-info><dept>2</dept><id>2</id></company-info></user>` +
	`<user><name>barney</name><type>admin</type><company-info><dept>2</dept><id>3</id></company-info></user>` +
	`</users></top>`

func parse(t *testing.T, s string) *element.Node {
	t.Helper()
	n, err := element.Parse(strings.NewReader(s))
	if err != nil {
		t.Fatalf("%s: %v", s, err)
	}
	return n
}

// TestFilterExamples are the worked examples of the standard.
// Source: from memory, RFC 6241 §6.4.2 to §6.4.7.
func TestFilterExamples(t *testing.T) {
	const ns = `<filter><top xmlns="http://example.com/schema/1.2/config">`
	const end = `</top></filter>`
	wrap := func(s string) string {
		return `<top xmlns="http://example.com/schema/1.2/config"><users>` + s + `</users></top>`
	}
	root := `<user><name>root</name><type>superuser</type><company-info><dept>1</dept><id>1</id></company-info></user>`
	fred := `<user><name>fred</name><type>admin</type><company-info><dept>2</dept><id>2</id></company-info></user>`
	for _, c := range []struct{ section, filter, want string }{
		{"6.4.2, an empty filter", `<filter/>`, ""},
		{"6.4.3, the whole subtree", ns + `<users/>` + end, users},
		{"6.4.3, users by a containment node", ns + `<users><user/></users>` + end, users},
		{"6.4.4, all names within the users", ns + `<users><user><name/></user></users>` + end, wrap(`<user><name>root</name></user><user><name>fred</name></user><user><name>barney</name></user>`)},
		{"6.4.5, one user", ns + `<users><user><name>fred</name></user></users>` + end, wrap(fred)},
		{"6.4.6, elements of one user", ns + `<users><user><name>fred</name><type/></user></users>` + end, wrap(`<user><name>fred</name><type>admin</type></user>`)},
		{"6.4.7, several subtrees", ns + `<users><user><name>root</name><company-info/></user><user><name>fred</name><company-info><id/></company-info></user><user><name>barney</name><type>superuser</type><company-info><dept/></company-info></user></users>` + end,
			wrap(`<user><name>root</name><company-info><dept>1</dept><id>1</id></company-info></user><user><name>fred</name><company-info><id>2</id></company-info></user>`)},
		{"6.2.1, another namespace", `<filter><top xmlns="http://example.com/other"><users/></top></filter>`, ""},
		{"6.2.5, several content matches", ns + `<users><user><name>root</name><type>superuser</type></user></users>` + end, wrap(root)},
		{"6.2.5, content that does not match", ns + `<users><user><name>nobody</name></user></users>` + end, ""},
	} {
		data := parse(t, users)
		got := ""
		for _, n := range Select([]*element.Node{data}, parse(t, c.filter)) {
			got += n.String()
		}
		if got != c.want {
			t.Errorf("%s:\ngot  %s\nwant %s", c.section, got, c.want)
		}
		if data.String() != users {
			t.Errorf("%s: the data were changed", c.section)
		}
	}
}

// TestFilterAttributes is the example with attributes. Source: from memory, RFC 6241 §6.4.8.
func TestFilterAttributes(t *testing.T) {
	const data = `<t:top xmlns:t="http://example.com/schema/1.2/stats"><t:interfaces>` +
		`<t:interface t:ifName="eth0"><t:ifInOctets>45621</t:ifInOctets></t:interface><t:interface t:ifName="eth1"><t:ifInOctets>9</t:ifInOctets></t:interface></t:interfaces></t:top>`
	const filter = `<filter><t:top xmlns:t="http://example.com/schema/1.2/stats"><t:interfaces><t:interface t:ifName="eth0"/></t:interfaces></t:top></filter>`
	got := Select([]*element.Node{parse(t, data)}, parse(t, filter))
	if len(got) != 1 || len(got[0].Kids[0].Kids) != 1 || got[0].At("interfaces", "interface", "ifInOctets").Value() != "45621" {
		t.Errorf("got %v", got)
	}
}

// TestWantsIsNeverTooNarrow draws filters: what a filter selects, Wants must
// have said that it may.
func TestWantsIsNeverTooNarrow(t *testing.T) {
	names := rapid.SampledFrom([]string{"a", "b", "c"})
	var draw func(t *rapid.T, depth int, texts bool) *element.Node
	draw = func(t *rapid.T, depth int, texts bool) *element.Node {
		n := element.New("urn:x", names.Draw(t, "name"))
		if depth == 0 || rapid.IntRange(0, 3).Draw(t, "leaf") == 0 {
			if texts || rapid.Bool().Draw(t, "content") {
				n.Text = rapid.SampledFrom([]string{"1", "2"}).Draw(t, "text")
			}
			return n
		}
		for range rapid.IntRange(1, 3).Draw(t, "kids") {
			n.Kids = append(n.Kids, draw(t, depth-1, texts))
		}
		return n
	}
	var paths func(n *element.Node, so []string, f func([]string))
	paths = func(n *element.Node, so []string, f func([]string)) {
		so = append(so[:len(so):len(so)], n.Name)
		f(so)
		for _, k := range n.Kids {
			paths(k, so, f)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		data := []*element.Node{draw(t, 3, true), draw(t, 3, true)}
		filter := element.New("", "filter", draw(t, 3, false), draw(t, 2, false))
		for _, n := range Select(data, filter) {
			paths(n, nil, func(p []string) {
				if !Wants(filter, p...) {
					t.Fatalf("filter %s selects /%s, and Wants says no", filter, strings.Join(p, "/"))
				}
			})
		}
	})
}
