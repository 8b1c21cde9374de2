package openconfig

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"
)

// testTree is a small tree with lists in lists and leaves at several depths.
func testTree(t testing.TB) *node[string] {
	root := &node[string]{}
	for _, p := range []string{
		"/components/component[name]/state/type", "/components/component[name]/state/temperature/instant",
		"/components/component[name]/subs/sub[id][kind]/value", "/system/state/hostname", "/system/tags", "/lone",
	} {
		steps, err := parsePattern(p)
		if err != nil {
			t.Fatal(err)
		}
		if err := root.add(steps, p); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// emitted collects what a decoder gives, sorted.
func emitted(f func(emit func(*node[string], []string, any)) error) ([]string, error) {
	var out []string
	err := f(func(n *node[string], keys []string, v any) {
		for _, l := range n.leaves {
			out = append(out, fmt.Sprintf("%s %q %T %v", l, keys, v, v))
		}
	})
	slices.Sort(out)
	return out, err
}

// twin reads JSON the plain way, into a tree of Go values, and walks that.
func twin(at *node[string], keys []string, open bool, v any, emit func(*node[string], []string, any)) error {
	if open {
		list, ok := v.([]any)
		if !ok {
			if m, isMap := v.(map[string]any); isMap {
				list = []any{m}
			}
		}
		for _, e := range list {
			m, ok := e.(map[string]any)
			if !ok {
				continue
			}
			caught := slices.Clone(keys)
			for _, k := range at.keys {
				s, ok := twinKey(m, k, 1)
				if !ok {
					return fmt.Errorf("no key %s", k)
				}
				caught = append(caught, s)
			}
			if err := twin(at, caught, false, m, emit); err != nil {
				return err
			}
		}
		return nil
	}
	if m, ok := v.(map[string]any); ok {
		for name, x := range m {
			if c := at.child(local(name)); c != nil {
				if err := twin(c, keys, len(c.keys) > 0, x, emit); err != nil {
					return err
				}
			}
		}
		return nil
	}
	if s, ok := twinScalar(v); ok && len(at.leaves) > 0 {
		emit(at, keys, s)
	}
	return nil
}

func twinKey(m map[string]any, key string, depth int) (string, bool) {
	for name, v := range m {
		if local(name) == key {
			if s, ok := twinScalar(v); ok {
				return keyText(s)
			}
		}
	}
	if depth == 0 {
		return "", false
	}
	found, ok := "", false
	for name, v := range m {
		if n := local(name); n == "config" || n == "state" {
			if sub, isMap := v.(map[string]any); isMap {
				if s, has := twinKey(sub, key, depth-1); has {
					found, ok = s, true
				}
			}
		}
	}
	return found, ok
}

func twinScalar(v any) (any, bool) {
	switch x := v.(type) {
	case string, bool:
		return x, true
	case json.Number:
		var u uint64
		if _, err := fmt.Sscanf(x.String(), "%d", &u); err == nil && fmt.Sprint(u) == x.String() {
			return u, true
		}
		if i, err := x.Int64(); err == nil {
			if i >= 0 {
				return uint64(i), true
			}
			return i, true
		}
		f, err := x.Float64()
		return f, err == nil
	case []any:
		out := []any{}
		for _, e := range x {
			if s, ok := twinScalar(e); ok {
				out = append(out, s)
			}
		}
		return out, true
	}
	return nil, false
}

// ambiguous reports whether two readers may differ for good reason: a member
// that appears twice (RFC 8259 §4), once with and once without its module, or a
// key both under config and state.
func ambiguous(raw []byte) bool {
	dec := json.NewDecoder(bytes.NewReader(raw))
	type level struct {
		names map[string]bool
		key   bool
	}
	var stack []level
	for {
		tok, err := dec.Token()
		if err != nil {
			return false
		}
		if d, ok := tok.(json.Delim); ok {
			switch d {
			case '{':
				stack = append(stack, level{map[string]bool{}, true})
			case '[':
				stack = append(stack, level{nil, false})
			default:
				stack = stack[:len(stack)-1]
				if n := len(stack); n > 0 && stack[n-1].names != nil {
					stack[n-1].key = true
				}
			}
			continue
		}
		n := len(stack)
		if n == 0 || stack[n-1].names == nil {
			continue
		}
		if !stack[n-1].key {
			stack[n-1].key = true
			continue
		}
		name := local(tok.(string))
		if stack[n-1].names[name] {
			return true
		}
		stack[n-1].names[name] = true
		stack[n-1].key = false
		if name == "config" && strings.Contains(string(raw), "state") {
			return true
		}
	}
}

// checkJSON compares the decoder with its twin.
func checkJSON(t interface {
	Fatalf(format string, args ...any)
}, root *node[string], raw []byte) {
	got, err := emitted(func(emit func(*node[string], []string, any)) error {
		return decode(root, nil, nil, &gnmipb.TypedValue{Value: &gnmipb.TypedValue_JsonIetfVal{JsonIetfVal: raw}}, emit)
	})
	if !json.Valid(raw) {
		if err == nil || len(got) > 0 {
			t.Fatalf("invalid JSON %q: got %q, %v", raw, got, err)
		}
		return
	}
	if ambiguous(raw) {
		return
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	var v any
	if derr := dec.Decode(&v); derr != nil {
		t.Fatalf("%q: %v", raw, derr)
	}
	want, terr := emitted(func(emit func(*node[string], []string, any)) error { return twin(root, nil, false, v, emit) })
	if (err == nil) != (terr == nil) {
		// A number out of range is an error of ours and skipped by the twin.
		if err == nil || !strings.Contains(err.Error(), "number") {
			t.Fatalf("%q: got error %v, the twin %v", raw, err, terr)
		}
		return
	}
	if err == nil && !slices.Equal(got, want) {
		t.Fatalf("%q:\ngot  %q\nwant %q", raw, got, want)
	}
}

func TestJSONDecodesAsAPlainReaderWould(t *testing.T) {
	root := testTree(t)
	name := rapid.SampledFrom([]string{"components", "component", "openconfig-platform:component", "name", "state", "type", "temperature", "instant",
		"subs", "sub", "id", "kind", "value", "system", "hostname", "tags", "lone", "other", "m:state"})
	var value func(depth int) *rapid.Generator[any]
	value = func(depth int) *rapid.Generator[any] {
		leaf := rapid.OneOf(
			rapid.Custom(func(t *rapid.T) any { return rapid.StringMatching(`[a-z:\\"/\x{1F300}é ]{0,6}`).Draw(t, "s") }),
			rapid.Custom(func(t *rapid.T) any { return rapid.Int64().Draw(t, "i") }),
			rapid.Custom(func(t *rapid.T) any { return rapid.Float64Range(-1e6, 1e6).Draw(t, "f") }),
			rapid.Custom(func(t *rapid.T) any { return rapid.Bool().Draw(t, "b") }),
			rapid.Just(any(nil)),
		)
		if depth == 0 {
			return leaf
		}
		return rapid.OneOf(leaf,
			rapid.Custom(func(t *rapid.T) any { return rapid.SliceOfN(value(depth-1), 0, 3).Draw(t, "list") }),
			rapid.Custom(func(t *rapid.T) any { return rapid.MapOfN(name, value(depth-1), 0, 4).Draw(t, "map") }),
			rapid.Custom(func(t *rapid.T) any { return rapid.MapOfN(name, value(depth-1), 0, 4).Draw(t, "map") }),
		)
	}
	rapid.Check(t, func(t *rapid.T) {
		raw, err := json.Marshal(value(7).Draw(t, "value"))
		if err != nil {
			t.Fatal(err)
		}
		if rapid.Bool().Draw(t, "indented") {
			var b bytes.Buffer
			if err := json.Indent(&b, raw, "\r", "\t"); err != nil {
				t.Fatal(err)
			}
			raw = b.Bytes()
		}
		checkJSON(t, root, raw)
	})
}

func TestJSONOfAnInventory(t *testing.T) {
	root := testTree(t)
	raw := []byte(`{
	  "openconfig-platform:components": {"component": [
	    {"name": "CTL-A", "state": {"type": "openconfig-platform-types:CONTROLLER_CARD", "temperature": {"instant": "41.5"}, "alien": [{"a": [1, {}]}]},
	     "subs": {"sub": [{"id": 7, "kind": "x]\"", "value": "18446744073709551615"}, {"value": 2, "kind": "y", "id": "8"}]}},
	    {"state": {"name": "CTL-B", "type": "FABRIC"}}
	  ]},
	  "system": {"state": {"hostname": "mere-\u0061gg-1"}, "tags": ["a", 1, true, null]},
	  "lone": null
	}`)
	got, err := emitted(func(emit func(*node[string], []string, any)) error { return decodeJSON(root, nil, false, raw, emit) })
	want := []string{
		`/components/component[name]/state/temperature/instant ["CTL-A"] string 41.5`,
		`/components/component[name]/state/type ["CTL-A"] string openconfig-platform-types:CONTROLLER_CARD`,
		`/components/component[name]/state/type ["CTL-B"] string FABRIC`,
		`/components/component[name]/subs/sub[id][kind]/value ["CTL-A" "7" "x]\""] string 18446744073709551615`,
		`/components/component[name]/subs/sub[id][kind]/value ["CTL-A" "8" "y"] uint64 2`,
		`/system/state/hostname [] string mere-agg-1`,
		`/system/tags [] []interface {} [a 1 true]`,
	}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("got %v\n%s\nwant\n%s", err, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	checkJSON(t, root, raw)
	if _, err := emitted(func(emit func(*node[string], []string, any)) error {
		return decodeJSON(root, nil, false, []byte(`{"components":{"component":[{"state":{"type":"X"}}]}}`), emit)
	}); err == nil {
		t.Error("a list entry without its key was read")
	}
}

func TestScalarsOfEveryKind(t *testing.T) {
	// Source: gNMI specification §2.2.3, TypedValue.
	for _, c := range []struct {
		v    *gnmipb.TypedValue
		want string
	}{
		{&gnmipb.TypedValue{Value: &gnmipb.TypedValue_StringVal{StringVal: "a"}}, "string a"},
		{&gnmipb.TypedValue{Value: &gnmipb.TypedValue_AsciiVal{AsciiVal: "a"}}, "string a"},
		{&gnmipb.TypedValue{Value: &gnmipb.TypedValue_IntVal{IntVal: -3}}, "int64 -3"},
		{&gnmipb.TypedValue{Value: &gnmipb.TypedValue_UintVal{UintVal: math.MaxUint64}}, "uint64 18446744073709551615"},
		{&gnmipb.TypedValue{Value: &gnmipb.TypedValue_BoolVal{BoolVal: true}}, "bool true"},
		{&gnmipb.TypedValue{Value: &gnmipb.TypedValue_DoubleVal{DoubleVal: 1.5}}, "float64 1.5"},
		{&gnmipb.TypedValue{Value: &gnmipb.TypedValue_FloatVal{FloatVal: 1.5}}, "float64 1.5"},                                                //nolint:staticcheck // deprecated and still sent
		{&gnmipb.TypedValue{Value: &gnmipb.TypedValue_DecimalVal{DecimalVal: &gnmipb.Decimal64{Digits: 4150, Precision: 2}}}, "float64 41.5"}, //nolint:staticcheck // deprecated and still sent
		{&gnmipb.TypedValue{Value: &gnmipb.TypedValue_BytesVal{BytesVal: []byte{0, 255}}}, "string AP8="},
		{&gnmipb.TypedValue{Value: &gnmipb.TypedValue_LeaflistVal{LeaflistVal: &gnmipb.ScalarArray{Element: []*gnmipb.TypedValue{
			{Value: &gnmipb.TypedValue_StringVal{StringVal: "a"}}, {}, {Value: &gnmipb.TypedValue_UintVal{UintVal: 2}}}}}}, "[]interface {} [a 2]"},
		{&gnmipb.TypedValue{}, "<nil> <nil>"},
		{nil, "<nil> <nil>"},
	} {
		v, err := scalar(c.v)
		if got := fmt.Sprintf("%T %v", v, v); err != nil || got != c.want {
			t.Errorf("%v: got %s, %v; want %s", c.v, got, err, c.want)
		}
	}
	for _, bad := range []*gnmipb.TypedValue{
		{Value: &gnmipb.TypedValue_ProtoBytes{ProtoBytes: []byte{1}}},
		{Value: &gnmipb.TypedValue_LeaflistVal{LeaflistVal: &gnmipb.ScalarArray{Element: []*gnmipb.TypedValue{{Value: &gnmipb.TypedValue_ProtoBytes{}}}}}},
	} {
		if v, err := scalar(bad); err == nil {
			t.Errorf("%v: got %v", bad, v)
		}
	}
}

func FuzzJSON(f *testing.F) {
	for _, s := range []string{
		`{"openconfig-platform:components":{"component":[{"name":"A","state":{"type":"x:Y"}}]}}`,
		`{"components":{"component":{"state":{"name":"A","type":[1,2]}}}}`,
		`{"system":{"state":{"hostname":"\u00e9\"\\"},"tags":[true,null,-1.5e3]},"lone":18446744073709551616}`,
		`[{}]`, `"`, `{"components":{"component":[{"name":{}}]}}`, ` { "lone" : 1 } `, `{"lone":1e999}`, `{"lone":-0}`,
	} {
		f.Add([]byte(s))
	}
	root := testTree(f)
	f.Fuzz(func(t *testing.T, raw []byte) { checkJSON(t, root, raw) })
}

// FuzzNotification feeds whole notifications, as they come from the wire, to
// every section of the table, to the routes and to the watch.
func FuzzNotification(f *testing.F) {
	seed := func(n *gnmipb.Notification) {
		b, err := proto.Marshal(n)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	s := pairOf(true, "2.4.1", "2.4.1")
	seed(s.notification(s.matching([]*gnmipb.Path{{}}), gnmipb.Encoding_PROTO))
	seed(s.notification(s.matching([]*gnmipb.Path{{}}), gnmipb.Encoding_JSON_IETF))
	seed(&gnmipb.Notification{Prefix: parseText("/components"), Atomic: true, Delete: []*gnmipb.Path{parseText("/component[name=CTL-A]")}})
	seed(&gnmipb.Notification{Update: []*gnmipb.Update{{Val: &gnmipb.TypedValue{Value: &gnmipb.TypedValue_JsonIetfVal{
		JsonIetfVal: []byte(`{"openconfig-network-instance:network-instances":{"network-instance":[{"name":"default","afts":{"ipv4-unicast":{"ipv4-entry":[{"prefix":"192.0.2.0/24","state":{"next-hop-group":"1"}}]}}}]}}`)}}}}})
	seed(&gnmipb.Notification{Update: []*gnmipb.Update{{Path: parseText("/components/component"), Val: &gnmipb.TypedValue{Value: &gnmipb.TypedValue_JsonIetfVal{
		JsonIetfVal: []byte(`[{"name":"LC-1","state":{"type":"LINECARD"}}]`)}}}}})
	roots := make([]*node[*target], len(sections))
	for i, s := range sections {
		var err error
		if roots[i], _, err = compile(s); err != nil {
			f.Fatal(err)
		}
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		n := &gnmipb.Notification{}
		if proto.Unmarshal(raw, n) != nil {
			return
		}
		o := objects{}
		for i, s := range sections {
			var r reading
			for _, u := range n.GetUpdate() {
				_ = decode(roots[i], n.GetPrefix(), u.GetPath(), u.GetVal(), func(at *node[*target], keys []string, v any) {
					for _, tg := range at.leaves {
						r.leaves = append(r.leaves, leaf{n.GetTimestamp(), tg, slices.Clone(keys), v})
					}
				})
			}
			r.apply(s.name, o)
		}
		c := assemble(o, map[string]bool{})
		c.Sort()
		if _, err := json.Marshal(c); err != nil {
			t.Fatalf("the capture cannot be written: %v", err)
		}
		for _, g := range watchGroups {
			tr, err := newTracked(g)
			if err != nil {
				t.Fatal(err)
			}
			tr.take(n)
			tr.take(n)
		}
	})
}
