package readiness

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"time"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"

	"towpath/internal/fleet"
	"towpath/internal/release"
	"towpath/internal/state"
)

// What the operator's own rules can speak of: the fields of the Go types by
// their JSON names, with "_" for "-". An unknown fact is a field that is not
// there; instants and durations are CEL's own; sizes are octets and rates bit/s.

// roots are the variables that are structures.
var roots = map[string]reflect.Type{
	"device":  reflect.TypeFor[fleet.Device](),
	"capture": reflect.TypeFor[state.Capture](),
	"path":    reflect.TypeFor[release.Path](),
}

// skipped are field types that rules do not see: how a device is reached is no
// matter of readiness, and routes are too many.
func skipped(t reflect.Type) bool {
	return t == reflect.TypeFor[fleet.Access]() || t == reflect.TypeFor[[]state.Route]()
}

// optional returns the type of the fact where t is some state.Opt.
func optional(t reflect.Type) (reflect.Type, bool) {
	if t.Kind() != reflect.Struct || t.PkgPath() != reflect.TypeFor[state.Capture]().PkgPath() || !strings.HasPrefix(t.Name(), "Opt[") {
		return nil, false
	}
	get, _ := t.MethodByName("Get")
	return get.Type.Out(0), true
}

// fieldName is the name by which rules know a field; ok is false for those
// they do not see.
func fieldName(f reflect.StructField) (string, bool) {
	if !f.IsExported() || skipped(f.Type) {
		return "", false
	}
	name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	if name == "" || name == "-" {
		return "", false
	}
	return strings.ReplaceAll(name, "-", "_"), true
}

// schema knows the structures by name and answers CEL's checker.
type schema struct {
	*types.Registry
	structs map[string]map[string]*types.Type
	// missed are the fields that were asked for and are not there, with the
	// structure that lacks them.
	missed map[string]string
}

func newSchema() (*schema, error) {
	reg, err := types.NewRegistry()
	if err != nil {
		return nil, err
	}
	s := &schema{Registry: reg, structs: map[string]map[string]*types.Type{}, missed: map[string]string{}}
	for _, t := range roots {
		s.of(t)
	}
	return s, nil
}

// of is the CEL type of a Go type.
func (s *schema) of(t reflect.Type) *types.Type {
	if inner, ok := optional(t); ok {
		return s.of(inner)
	}
	switch {
	case t == reflect.TypeFor[time.Time]():
		return cel.TimestampType
	case t == reflect.TypeFor[time.Duration]():
		return cel.DurationType
	}
	switch t.Kind() {
	case reflect.Pointer:
		return s.of(t.Elem())
	case reflect.String:
		return cel.StringType
	case reflect.Bool:
		return cel.BoolType
	case reflect.Float64:
		return cel.DoubleType
	case reflect.Slice:
		return cel.ListType(s.of(t.Elem()))
	case reflect.Map:
		return cel.MapType(s.of(t.Key()), s.of(t.Elem()))
	case reflect.Struct:
		name := t.Name()
		if pkg := t.PkgPath(); pkg != reflect.TypeFor[state.Capture]().PkgPath() {
			name = pkg[strings.LastIndexByte(pkg, '/')+1:] + "." + name // both have a Component
		}
		if s.structs[name] == nil {
			fields := map[string]*types.Type{}
			s.structs[name] = fields // before the fields, which may contain it
			for i := range t.NumField() {
				if n, ok := fieldName(t.Field(i)); ok {
					fields[n] = s.of(t.Field(i).Type)
				}
			}
		}
		return cel.ObjectType(name)
	default:
		if t.ConvertibleTo(reflect.TypeFor[int64]()) {
			return cel.IntType
		}
		panic("readiness: rules cannot speak of a " + t.String()) // a new kind of field in the model
	}
}

// FindStructType tells CEL whether there is such a structure.
func (s *schema) FindStructType(name string) (*types.Type, bool) {
	if s.structs[name] == nil {
		return s.Registry.FindStructType(name)
	}
	return types.NewTypeTypeWithParam(types.NewObjectType(name)), true
}

// FindStructFieldNames lists the fields of a structure, sorted.
func (s *schema) FindStructFieldNames(name string) ([]string, bool) {
	fields := s.structs[name]
	if fields == nil {
		return s.Registry.FindStructFieldNames(name)
	}
	var out []string
	for f := range fields {
		out = append(out, f)
	}
	slices.Sort(out)
	return out, true
}

// FindStructFieldType tells CEL the type of a field. Without a getter the
// interpreter takes fields from maps, which is what values are.
func (s *schema) FindStructFieldType(name, field string) (*types.FieldType, bool) {
	fields := s.structs[name]
	if fields == nil {
		return s.Registry.FindStructFieldType(name, field)
	}
	t := fields[field]
	if t == nil {
		s.missed[field] = name
		return nil, false
	}
	return &types.FieldType{Type: t}, true
}

// value turns a Go value into what a rule sees; ok is false for an unknown fact.
func value(v reflect.Value) (any, bool) {
	if _, opt := optional(v.Type()); opt {
		got := v.MethodByName("Get").Call(nil)
		if !got[1].Bool() {
			return nil, false
		}
		return value(got[0])
	}
	switch x := v.Interface().(type) {
	case time.Time:
		return x, true
	case time.Duration:
		return x, true
	}
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return nil, false
		}
		return value(v.Elem())
	case reflect.String:
		return v.String(), true
	case reflect.Bool:
		return v.Bool(), true
	case reflect.Float64:
		return v.Float(), true
	case reflect.Slice:
		out := make([]any, 0, v.Len())
		for i := range v.Len() {
			if x, ok := value(v.Index(i)); ok {
				out = append(out, x)
			}
		}
		return out, true
	case reflect.Map:
		out := map[string]any{}
		for _, k := range v.MapKeys() {
			if x, ok := value(v.MapIndex(k)); ok {
				out[k.String()] = x
			}
		}
		return out, true
	case reflect.Struct:
		out := map[string]any{}
		for i := range v.NumField() {
			n, ok := fieldName(v.Type().Field(i))
			if !ok {
				continue
			}
			if x, known := value(v.Field(i)); known {
				out[n] = x
			}
		}
		return out, true
	default:
		if v.CanUint() {
			return int64(min(v.Uint(), math.MaxInt64)), true // a counter beyond is none that counts
		}
		return v.Int(), true
	}
}
