package workspace

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
	gen "github.com/invopop/jsonschema"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"towpath/internal/device/adapter"
	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/unit"
)

var update = flag.Bool("update", false, "write the schemas and the expected messages anew")

// published are the documents with the Go type that each is read into.
func published() map[string]struct {
	shape *document.Shape
	value any
} {
	return map[string]struct {
		shape *document.Shape
		value any
	}{
		"fleet":    {fleet.Shape(), fleet.Fleet{}},
		"releases": {release.Shape(), release.Catalogue{}},
		"policy":   {policy.Shape(), policy.Default()},
		"adapter":  {adapter.Shape(), adapter.Adapter{}},
		"campaign": {policy.CampaignShape(), policy.DefaultCampaign()},
	}
}

// The forms of quantities, and of quantities that are not zero. D is a part of
// a duration, N one that is not zero.
const (
	durationUnit    = `(ns|us|µs|ms|s|m|h)`
	durationPattern = `^([0-9]+(\.[0-9]+)?` + durationUnit + `)+$`
	notZero         = `([0-9]*[1-9][0-9]*(\.[0-9]+)?|[0-9]+\.[0-9]*[1-9][0-9]*)`
	durationNotZero = `^([0-9]+(\.[0-9]+)?` + durationUnit + `)*` + notZero + durationUnit + `([0-9]+(\.[0-9]+)?` + durationUnit + `)*$`
	sizeUnit        = ` *(TiB|GiB|MiB|KiB|TB|GB|MB|kB|B)$`
	rateUnit        = ` *(Tbps|Gbps|Mbps|kbps|bps)$`
	anyNumber       = `^[0-9]+(\.[0-9]+)?`
	instantPattern  = `^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?(Z|[+-][0-9]{2}:[0-9]{2})$`
	linePattern     = `^\S(.*\S)?$`
)

// generate writes the JSON Schema of a document from its Go type and its
// shape.
func generate(t *testing.T, shape *document.Shape, value any) []byte {
	t.Helper()
	text := func(pattern string) *gen.Schema { return &gen.Schema{Type: "string", Pattern: pattern} }
	r := gen.Reflector{
		FieldNameTag: "yaml", Anonymous: true, ExpandedStruct: true,
		Mapper: func(t reflect.Type) *gen.Schema {
			switch t {
			case reflect.TypeFor[time.Duration]():
				return text(durationPattern)
			case reflect.TypeFor[unit.ByteSize]():
				return text(anyNumber + sizeUnit)
			case reflect.TypeFor[unit.BitRate]():
				return text(anyNumber + rateUnit)
			case reflect.TypeFor[time.Time]():
				return &gen.Schema{Type: "string", Format: "date-time", Pattern: instantPattern}
			}
			return nil
		},
	}
	s := r.Reflect(value)
	s.ID = gen.ID("urn:towpath:schema:" + shape.Name)
	s.Title = shape.Name
	root := reflect.TypeOf(value).Name()
	narrow(t, shape, root, s)
	s.Description = shape.Doc
	for name, def := range s.Definitions {
		if def.Type == "object" && def.Properties != nil {
			narrow(t, shape, name, def)
		}
	}
	switch p := value.(type) {
	case policy.Policy:
		defaults(t, s, p)
	case policy.Campaign:
		plain(t, s, p)
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(s); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// defaults adds to the schema of the policy what holds where a file says
// nothing.
func defaults(t *testing.T, s *gen.Schema, p policy.Policy) {
	t.Helper()
	src, err := document.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var sections map[string]any
	if err := yaml.Unmarshal(src, &sections); err != nil {
		t.Fatal(err)
	}
	n := 0
	for p := s.Properties.Oldest(); p != nil; p = p.Next() {
		def := s.Definitions[strings.TrimPrefix(p.Value.Ref, "#/$defs/")]
		fields, ok := sections[p.Key].(map[string]any)
		if def == nil || !ok {
			continue
		}
		for f := def.Properties.Oldest(); f != nil; f = f.Next() {
			if v, ok := fields[f.Key]; ok {
				f.Value.Default = v
				n++
			}
		}
	}
	if n < 20 {
		t.Fatalf("found %d defaults only", n)
	}
}

// plain adds the same to the schema of a document without sections.
func plain(t *testing.T, s *gen.Schema, v any) {
	t.Helper()
	src, err := document.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var fields map[string]any
	if err := yaml.Unmarshal(src, &fields); err != nil {
		t.Fatal(err)
	}
	n := 0
	for f := s.Properties.Oldest(); f != nil; f = f.Next() {
		if v, ok := fields[f.Key]; ok {
			f.Value.Default = v
			n++
		}
	}
	if n < 8 {
		t.Fatalf("found %d defaults only", n)
	}
}

// narrow adds to the schema of one type what the shape says of its fields.
func narrow(t *testing.T, shape *document.Shape, name string, s *gen.Schema) {
	s.Description = shape.Types[name]
	if s.Description == "" {
		t.Errorf("the type %s has no explanation", name)
	}
	for _, k := range shape.Exactly[name] {
		s.OneOf = append(s.OneOf, &gen.Schema{Required: []string{k}})
	}
	for p := s.Properties.Oldest(); p != nil; p = p.Next() {
		f, ok := shape.Fields[name+"."+p.Key]
		if !ok || f.Doc == "" {
			t.Errorf("the field %s.%s has no explanation", name, p.Key)
		}
		p.Value.Description = f.Doc
		inner := p.Value
		if inner.Type == "array" {
			inner.UniqueItems = f.Unique
			if f.NotEmpty {
				one := uint64(1)
				inner.MinItems = &one
			}
			inner = inner.Items
		} else if inner.Type == "object" && inner.AdditionalProperties != nil && inner.AdditionalProperties.Type != "" {
			inner = inner.AdditionalProperties
		}
		switch inner.Type {
		case "string":
			narrowText(inner, f)
		case "integer", "number":
			narrowNumber(inner, f)
		}
	}
}

func narrowText(s *gen.Schema, f document.Field) {
	switch {
	case len(f.Words) > 0:
		for _, w := range f.Words {
			s.Enum = append(s.Enum, w)
		}
	case f.Form != nil:
		s.Pattern = f.Form.Pattern
	case s.Pattern == durationPattern && f.Range != nil && f.Range.Above:
		s.Pattern = durationNotZero
	case strings.HasPrefix(s.Pattern, anyNumber) && f.Range != nil && f.Range.Above:
		s.Pattern = "^" + notZero + strings.TrimPrefix(s.Pattern, anyNumber)
	case s.Pattern == "" && f.Prose:
		one := uint64(1)
		s.MinLength = &one
	case s.Pattern == "":
		s.Pattern = linePattern
	}
}

func narrowNumber(s *gen.Schema, f document.Field) {
	if f.Range == nil {
		return
	}
	number := func(v float64) json.Number { return json.Number(strconv.FormatFloat(v, 'f', -1, 64)) }
	if f.Range.Above {
		s.ExclusiveMinimum = number(f.Range.Min)
	} else {
		s.Minimum = number(f.Range.Min)
	}
	if !math.IsInf(f.Range.Max, 1) {
		s.Maximum = number(f.Range.Max)
	}
}

func TestSchemasAreWhatTheTypesSay(t *testing.T) {
	if len(SchemaNames()) != len(published()) {
		t.Fatalf("%v are published, %d are known", SchemaNames(), len(published()))
	}
	for name, d := range published() {
		want := generate(t, d.shape, d.value)
		file := filepath.Join("schema", name+".json")
		if *update {
			if err := os.WriteFile(file, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s is not what the types say; run go test ./internal/workspace -update\n%s", file, cmp.Diff(string(want), string(got)))
		}
		if d.shape.Name != name {
			t.Errorf("the shape of %s is named %s", name, d.shape.Name)
		}
	}
}

// Every row of a shape is about a field or a type that exists.
func TestShapesNameWhatExists(t *testing.T) {
	for name, d := range published() {
		types, fields := map[string]bool{}, map[string]bool{}
		var walk func(reflect.Type)
		walk = func(typ reflect.Type) {
			switch typ.Kind() {
			case reflect.Pointer, reflect.Slice, reflect.Map:
				walk(typ.Elem())
			case reflect.Struct:
				if typ == reflect.TypeFor[time.Time]() || types[typ.Name()] {
					return
				}
				types[typ.Name()] = true
				for i := range typ.NumField() {
					key, _, _ := strings.Cut(typ.Field(i).Tag.Get("yaml"), ",")
					fields[typ.Name()+"."+key] = true
					walk(typ.Field(i).Type)
				}
			default: // nothing below it
			}
		}
		walk(reflect.TypeOf(d.value))
		if len(fields) < 20 {
			t.Fatalf("%s: found %d fields only", name, len(fields))
		}
		for f := range d.shape.Fields {
			if !fields[f] {
				t.Errorf("%s: the shape explains %s, which is no field", name, f)
			}
		}
		for typ := range d.shape.Types {
			if !types[typ] {
				t.Errorf("%s: the shape explains %s, which is no type of it", name, typ)
			}
		}
		for typ, keys := range d.shape.Exactly {
			for _, k := range keys {
				if !fields[typ+"."+k] {
					t.Errorf("%s: the shape chooses %s.%s, which is no field", name, typ, k)
				}
			}
		}
	}
	if !slices.Equal(fleet.Kinds(), release.Kinds()) {
		t.Error("the fleet and the catalogue know different kinds of component")
	}
}

// validator compiles a published schema with an independent validator.
func validator(t *testing.T, name string) *jsonschema.Schema {
	t.Helper()
	src, err := Schema(name)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(src))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("urn:towpath:schema:"+name, doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("urn:towpath:schema:" + name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// instance reads YAML as the validator wants it, by a reader that is not ours.
func instance(src []byte) (any, error) {
	var v any
	if err := yaml.UnmarshalWithOptions(src, &v, yaml.UseJSONUnmarshaler()); err != nil {
		return nil, err
	}
	b, err := json.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("as JSON: %w", err)
	}
	return jsonschema.UnmarshalJSON(bytes.NewReader(b))
}

func TestSchema(t *testing.T) {
	for _, name := range SchemaNames() {
		if src, err := Schema(name); err != nil || !json.Valid(src) {
			t.Errorf("%s: %v", name, err)
		}
	}
	_, err := Schema("fleets")
	if want := `no schema "fleets"; want one of fleet, releases, policy, campaign, adapter; did you mean "fleet"?`; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

// The patterns of the quantities accept what the reader accepts.
func TestQuantityPatterns(t *testing.T) {
	s := validator(t, "policy")
	for src, want := range map[string]bool{
		"probe: {budget: 50ms}": true, "probe: {budget: 1m30s}": true, "probe: {budget: 1h0m0.5s}": true, "probe: {budget: 0.05s}": true,
		"probe: {budget: 0s}": false, "probe: {budget: 0m0.0s}": false, "probe: {budget: 50}": false, "probe: {budget: -5s}": false, "probe: {budget: 5 s}": false, "probe: {budget: 5d}": false,
		"storage: {margin: 0B}": true, "storage: {margin: 1.5GiB}": true, "storage: {margin: 1.5 GiB}": true, "storage: {margin: 512}": false, "storage: {margin: 5G}": false,
		"readiness: {cpu-percent: 0}": false, "readiness: {cpu-percent: 100}": true, "readiness: {cpu-percent: 100.1}": false,
		"hold-points: [{before: staging}]": true, "hold-points: [{before: download}]": false, "hold-points: [{}]": false,
		"freezes: [{name: a, from: 2026-12-20T00:00:00+01:00, until: 2027-01-01T00:00:00Z}]": true,
		"freezes: [{name: a, from: 2026-12-20, until: 2027-01-01T00:00:00Z}]":                false,
	} {
		v, err := instance([]byte(src))
		if err != nil {
			t.Fatalf("%s: %v", src, err)
		}
		_, ours := policy.Read("policy.yaml", []byte(src))
		if theirs := s.Validate(v); (theirs == nil) != want || (ours == nil) != want {
			t.Errorf("%s: the schema says %v, the reader says %v, want right: %v", src, theirs, ours, want)
		}
	}
}
