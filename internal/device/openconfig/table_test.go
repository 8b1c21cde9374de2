package openconfig

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"towpath/internal/state"
	"towpath/internal/unit"
)

// sample is a value of each form that a field accepts.
func sample(f form, field reflect.Type) any {
	switch f {
	case identity:
		return "some-module:SOME_WORD"
	case epochNanos:
		return uint64(1_700_000_000_123_456_789)
	case epochSeconds:
		return uint64(1_700_000_000)
	case portSpeed:
		return "openconfig-if-ethernet:SPEED_100GB"
	case yesInSync:
		return "IN_SYNC"
	default:
	}
	switch field {
	case reflect.TypeFor[state.Opt[bool]]():
		return true
	case reflect.TypeFor[state.Opt[string]](), reflect.TypeFor[string](), reflect.TypeFor[[]string]():
		return "text"
	}
	return uint64(7)
}

// TestEveryFieldOfACaptureHasARow holds the table against the types of the
// capture: each field is filled by a row, or listed as computed, and not both.
func TestEveryFieldOfACaptureHasARow(t *testing.T) {
	filled := map[string]string{}
	for _, s := range sections {
		root, ask, err := compile(s)
		if err != nil {
			t.Fatalf("section %s: %v", s.name, err)
		}
		if len(ask) == 0 || len(root.children) == 0 {
			t.Errorf("section %s asks for nothing", s.name)
		}
		for _, g := range s.groups {
			for _, r := range g.rows {
				name := owner(t, g.into.shape, r.field)
				if name != "" {
					filled[name] = g.base + "/" + r.leaf
				}
			}
		}
	}
	if len(filled) < 80 {
		t.Fatalf("only %d fields are filled; the walk found too little", len(filled))
	}
	seen := map[string]bool{}
	for _, v := range captureTypes {
		typ := reflect.TypeOf(v)
		for i := range typ.NumField() {
			name := typ.Name() + "." + typ.Field(i).Name
			seen[name] = true
			_, byRow := filled[name]
			why, byHand := computed[name]
			switch {
			case !byRow && !byHand:
				t.Errorf("%s has no row and is not listed as computed", name)
			case byRow && byHand:
				t.Errorf("%s is filled by %s and listed as computed", name, filled[name])
			case byHand && why == "":
				t.Errorf("%s does not say how it is computed", name)
			}
		}
	}
	for name := range computed {
		if !seen[name] {
			t.Errorf("%s is listed as computed and does not exist", name)
		}
	}
	// Every structure that a capture can hold is among the types looked at.
	var walk func(reflect.Type)
	known := map[reflect.Type]bool{}
	for _, v := range captureTypes {
		known[reflect.TypeOf(v)] = true
	}
	walk = func(typ reflect.Type) {
		for i := range typ.NumField() {
			f := typ.Field(i).Type
			if f.Kind() == reflect.Slice {
				f = f.Elem()
			}
			if f.Kind() != reflect.Struct || f.PkgPath() != reflect.TypeFor[state.Capture]().PkgPath() || strings.HasPrefix(f.Name(), "Opt[") {
				continue
			}
			if !known[f] {
				t.Errorf("%s is not among the types that the table accounts for", f)
			}
			walk(f)
		}
	}
	walk(reflect.TypeFor[state.Capture]())
}

// owner is Type.Field of the capture's part that a row's field belongs to,
// empty where it belongs to an intermediate.
func owner(t *testing.T, shape reflect.Type, path string) string {
	t.Helper()
	at := shape
	name := ""
	for part := range strings.SplitSeq(path, ".") {
		f, ok := at.FieldByName(part)
		if !ok {
			t.Fatalf("%s has no field %s", at, part)
		}
		name = ""
		if at.PkgPath() == reflect.TypeFor[state.Capture]().PkgPath() {
			name = at.Name() + "." + part
		}
		at = f.Type
	}
	return name
}

// TestEveryRowFillsItsField sends a value through each row and looks whether
// the field has become known.
func TestEveryRowFillsItsField(t *testing.T) {
	rows := 0
	for _, s := range sections {
		for _, g := range s.groups {
			for _, r := range g.rows {
				rows++
				index, err := fieldIndex(g.into.shape, r.field)
				if err != nil {
					t.Fatal(err)
				}
				steps, err := parsePattern(g.base)
				if err != nil {
					t.Fatal(err)
				}
				var keys []string
				for _, st := range steps {
					for _, k := range st.keys {
						keys = append(keys, "key-"+k)
					}
				}
				o := objects{}
				tg := &target{r, g.base + "/" + r.leaf, g.into, index}
				field := reflect.ValueOf(o.get(g.into, keys)).Elem().FieldByIndex(index)
				if !field.IsZero() {
					t.Errorf("%s: %s is set before", g.base, r.field)
				}
				if err := tg.store(o, keys, sample(r.form, field.Type())); err != nil {
					t.Errorf("%s/%s: %v", g.base, r.leaf, err)
				}
				if field.IsZero() {
					t.Errorf("%s/%s does not fill %s", g.base, r.leaf, r.field)
				}
				// What cannot be read leaves the fact unknown.
				o = objects{}
				field = reflect.ValueOf(o.get(g.into, keys)).Elem().FieldByIndex(index)
				if err := tg.store(o, keys, struct{}{}); err == nil || !field.IsZero() {
					t.Errorf("%s/%s took rubbish: %v", g.base, r.leaf, err)
				}
			}
		}
	}
	if rows < 120 {
		t.Fatalf("only %d rows; the walk found too little", rows)
	}
}

func TestForms(t *testing.T) {
	// Source: RFC 7951 §6.1 (64-bit numbers and decimals are strings), §6.8
	// (identities carry their module); OpenConfig models for the units.
	var (
		text  state.Opt[string]
		flag  state.Opt[bool]
		num   state.Opt[uint64]
		small state.Opt[int]
		dec   state.Opt[float64]
		at    state.Opt[time.Time]
		dur   state.Opt[time.Duration]
		size  state.Opt[unit.ByteSize]
		rate  state.Opt[unit.BitRate]
		list  []string
	)
	cases := []struct {
		target any
		v      any
		f      form
		want   string // of the target; empty: an error
	}{
		{&text, "openconfig-platform-types:CONTROLLER_CARD", identity, "CONTROLLER_CARD"},
		{&text, "plain", identity, "plain"},
		{&text, "2001:db8::1", plain, "2001:db8::1"},
		{&text, uint64(4), plain, "4"},
		{&text, uint64(1_700_000_000_000_000_000), epochNanos, "2023-11-14T22:13:20Z"},
		{&flag, true, plain, "true"},
		{&flag, "false", plain, "false"},
		{&flag, "OUT_SYNC", yesInSync, "false"},
		{&flag, "perhaps", plain, ""},
		{&flag, uint64(1), plain, ""},
		{&num, "18446744073709551615", plain, "18446744073709551615"},
		{&num, int64(-1), plain, ""},
		{&num, "-1", plain, ""},
		{&num, 1.5, plain, ""},
		{&num, 3.0, plain, "3"},
		{&small, uint64(200), plain, "200"},
		{&small, uint64(1) << 40, plain, ""},
		{&dec, "41.5", plain, "41.5"},
		{&dec, int64(-3), plain, "-3"},
		{&dec, "NaN", plain, ""},
		{&at, "1700000000123456789", epochNanos, "2023-11-14 22:13:20.123456789 +0000 UTC"},
		{&at, uint64(1_700_000_000), epochSeconds, "2023-11-14 22:13:20 +0000 UTC"},
		{&at, "2031-03-09T01:00:00Z", plain, "2031-03-09 01:00:00 +0000 UTC"},
		{&at, "18446744073709551615", epochNanos, ""},
		{&dur, uint64(300000), micros, "300ms"},
		{&dur, "100", centis, "1s"},
		{&dur, uint64(90), seconds, "1m30s"},
		{&dur, 0.5, seconds, "500ms"},
		{&dur, uint64(3), plain, ""}, // no unit
		{&dur, "99999999999999999999", seconds, ""},
		{&size, uint64(1024), mebibytes, "1GiB"},
		{&size, "52019200", octets, "49.609MiB"},
		{&size, uint64(1) << 60, mebibytes, ""},
		{&rate, "openconfig-if-ethernet:SPEED_2500MB", portSpeed, "2.5Gbps"},
		{&rate, "SPEED_400GB", portSpeed, "400Gbps"},
		{&rate, "SPEED_UNKNOWN", portSpeed, ""},
		{&list, []any{"a:B", "c"}, identity, "[B c]"},
		{&list, "alone", plain, "[alone]"},
	}
	for _, c := range cases {
		v := reflect.ValueOf(c.target).Elem()
		v.SetZero()
		err := assign(c.target, c.v, c.f)
		if c.want == "" {
			if err == nil || !v.IsZero() {
				t.Errorf("%v (form %d) into %T: got %v, want an error", c.v, c.f, c.target, v)
			}
			continue
		}
		got := fmt.Sprint(v.Interface())
		if m := v.MethodByName("Get"); m.IsValid() {
			got = fmt.Sprint(m.Call(nil)[0].Interface())
		}
		if err != nil || got != c.want {
			t.Errorf("%v (form %d) into %T: got %s, %v; want %s", c.v, c.f, c.target, got, err, c.want)
		}
	}
	// Zero as an instant or as an interval says never.
	for _, f := range []form{epochNanos, epochSeconds} {
		at = state.Opt[time.Time]{}
		if err := assign(&at, uint64(0), f); err != nil || at.Known() {
			t.Errorf("zero instant: %v, %v", at, err)
		}
	}
	dur = state.Opt[time.Duration]{}
	if err := assign(&dur, uint64(0), nanosOrNever); err != nil || dur.Known() {
		t.Errorf("zero interval: %v, %v", dur, err)
	}
	if err := assign(new(complex128), 1.0, plain); err == nil {
		t.Error("a field of a type that nobody knows was filled")
	}
}

func TestPatterns(t *testing.T) {
	for _, bad := range []string{"", "a/b", "/a//b", "/a[k/b", "/a[]/b"} {
		if s, err := parsePattern(bad); err == nil {
			t.Errorf("%q: got %v", bad, s)
		}
	}
	root := &node[int]{}
	s, err := parsePattern("/a/b[k][l]/c")
	if err != nil {
		t.Fatal(err)
	}
	if err := root.add(s, 1); err != nil {
		t.Fatal(err)
	}
	other, err := parsePattern("/a/b[k]/d")
	if err != nil {
		t.Fatal(err)
	}
	if err := root.add(other, 2); err == nil {
		t.Error("a list has two sets of keys")
	}
	if got := gnmiText(wildcard("", s)); got != "/a/b[k=*][l=*]/c" {
		t.Errorf("got %s", got)
	}
	if pathText(s) != "/a/b/c" {
		t.Errorf("got %s", pathText(s))
	}
}
