package state

import (
	"encoding/json"
	"reflect"
	"strings"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"towpath/internal/unit"
)

// isOpt reports whether t is some Opt.
func isOpt(t reflect.Type) bool {
	return t.Kind() == reflect.Struct && strings.HasPrefix(t.Name(), "Opt[") && t.PkgPath() == reflect.TypeFor[Capture]().PkgPath()
}

// setOpt makes the Opt v the known fact value.
func setOpt(v reflect.Value, value reflect.Value) {
	b, err := json.Marshal(value.Interface())
	if err != nil {
		panic(err)
	}
	if err := v.Addr().Interface().(json.Unmarshaler).UnmarshalJSON(b); err != nil {
		panic(err)
	}
}

var words = rapid.SampledFrom([]string{"", "a", "b", "UP", "ACTIVE", "PRIMARY", "bgp", "x/1", `q"uote\`, "ümläut", "<&>", "\x00", "line\nend", "\u2028"})

// fill gives v an arbitrary value.
func fill(t *rapid.T, v reflect.Value) {
	switch {
	case v.Type() == reflect.TypeFor[time.Time]():
		v.Set(reflect.ValueOf(time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "s"), rapid.Int64Range(0, 999_999_999).Draw(t, "ns")).UTC()))
		return
	case v.Type() == reflect.TypeFor[unit.ByteSize]():
		v.SetInt(rapid.Int64Range(0, 1<<40).Draw(t, "size"))
		return
	case v.Type() == reflect.TypeFor[unit.BitRate]():
		v.SetFloat(float64(rapid.Int64Range(0, 1e12).Draw(t, "rate")))
		return
	case isOpt(v.Type()):
		if rapid.Bool().Draw(t, "known") {
			inner := reflect.New(v.Type().Field(0).Type).Elem()
			fill(t, inner)
			setOpt(v, inner)
		}
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fill(t, v.Field(i))
		}
	case reflect.Slice:
		n := rapid.IntRange(0, 3).Draw(t, "n")
		if n > 0 {
			v.Set(reflect.MakeSlice(v.Type(), n, n))
		}
		for i := range n {
			fill(t, v.Index(i))
		}
	case reflect.String:
		v.SetString(words.Draw(t, "word"))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, "bool"))
	case reflect.Int, reflect.Int64:
		v.SetInt(rapid.Int64Range(-1e9, 1e9).Draw(t, "int"))
	case reflect.Uint32:
		v.SetUint(uint64(rapid.Uint32().Draw(t, "uint")))
	case reflect.Uint64:
		v.SetUint(rapid.Uint64().Draw(t, "uint"))
	case reflect.Float64:
		v.SetFloat(rapid.Float64Range(-1e6, 1e6).Draw(t, "float"))
	default:
		panic("fill: " + v.Type().String())
	}
}

// drawCapture is an arbitrary capture, in no order.
func drawCapture(t *rapid.T) *Capture {
	var c Capture
	fill(t, reflect.ValueOf(&c).Elem())
	return &c
}

// opts compare captures: instants by Equal, empty lists as missing ones.
var opts = cmp.Options{cmpopts.EquateEmpty(), cmp.Exporter(func(reflect.Type) bool { return true })}
