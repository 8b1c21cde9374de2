package readiness

import (
	"reflect"
	"testing"
	"time"

	"cel.dev/cel-go/common/types"
)

// CompareSchema checks the values of the variables against the declared types,
// and returns how many different fields it saw.
func CompareSchema(t *testing.T, vars map[string]reflect.Value) int {
	s, err := newSchema()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	var walk func(path string, v any, want *types.Type)
	walk = func(path string, v any, want *types.Type) {
		seen[path] = true
		right := false
		switch x := v.(type) {
		case map[string]any:
			if want.Kind() == types.MapKind {
				for _, e := range x {
					walk(path+"[]", e, want.Parameters()[1])
				}
				return
			}
			right = want.Kind() == types.StructKind
			for name, e := range x {
				f, found := s.FindStructFieldType(want.TypeName(), name)
				if !found {
					t.Errorf("%s.%s is not declared", path, name)
					continue
				}
				walk(path+"."+name, e, f.Type)
			}
		case []any:
			right = want.Kind() == types.ListKind
			for _, e := range x {
				walk(path+"[]", e, want.Parameters()[0])
			}
		case string:
			right = want.Kind() == types.StringKind
		case bool:
			right = want.Kind() == types.BoolKind
		case int64:
			right = want.Kind() == types.IntKind
		case float64:
			right = want.Kind() == types.DoubleKind
		case time.Time:
			right = want.Kind() == types.TimestampKind
		case time.Duration:
			right = want.Kind() == types.DurationKind
		}
		if !right {
			t.Errorf("%s is a %T, declared as %s", path, v, want)
		}
	}
	for name, v := range vars {
		x, _ := value(v)
		walk(name, x, s.of(roots[name]))
	}
	return len(seen)
}
