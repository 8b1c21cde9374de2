package document

import (
	"encoding"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Marshal writes a value as YAML that [Parse] and [Document.Decode] read back
// to the same value, provided that the value is one that they would accept.
// Fields stand in the order of the struct; those with omitempty are left out
// where they are zero. The error names a type that files cannot hold.
func Marshal(v any) ([]byte, error) {
	var e encoder
	e.block(reflect.ValueOf(v), 0, false)
	return []byte(strings.TrimPrefix(e.String(), "\n") + "\n"), e.err
}

// MarshalFlow writes a value on one line, in flow style.
func MarshalFlow(v any) ([]byte, error) {
	var e encoder
	e.flow(reflect.ValueOf(v))
	return []byte(e.String()), e.err
}

type encoder struct {
	strings.Builder
	err error
}

// pair is a key with its value.
type pair struct {
	key   string
	value reflect.Value
}

// pairs lists what a struct or a map writes; ok is false for anything else.
func (e *encoder) pairs(v reflect.Value) (out []pair, ok bool) {
	t := v.Type()
	switch {
	case e.isScalar(t):
		return nil, false
	case t.Kind() == reflect.Struct:
		for _, m := range membersOf(t) {
			if f := v.Field(m.index); !m.optional || !empty(f) {
				out = append(out, pair{m.key, f})
			}
		}
		return out, true
	case t.Kind() == reflect.Map:
		for _, k := range v.MapKeys() {
			out = append(out, pair{scalarText(k.String()), v.MapIndex(k)})
		}
		slices.SortFunc(out, func(a, b pair) int { return strings.Compare(a.key, b.key) })
		return out, true
	}
	return nil, false
}

// empty reports whether an optional field is left out.
func empty(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Slice, reflect.Map:
		return v.Len() == 0
	case reflect.Struct:
		if v.Type() == timeType {
			return v.IsZero()
		}
		for i := range v.NumField() {
			if !empty(v.Field(i)) {
				return false
			}
		}
		return true
	default:
		return v.IsZero()
	}
}

func (e *encoder) isScalar(t reflect.Type) bool {
	return t == timeType || t == durationType || t.Implements(reflect.TypeFor[encoding.TextMarshaler]()) ||
		t.Kind() != reflect.Struct && t.Kind() != reflect.Map && t.Kind() != reflect.Slice
}

// block writes v as the value of a key or of a list's dash. The cursor stands
// behind that colon or dash; a mapping in a list begins on the dash's line.
func (e *encoder) block(v reflect.Value, indent int, afterDash bool) {
	for v.Kind() == reflect.Pointer && !v.IsNil() {
		v = v.Elem()
	}
	margin := "\n" + strings.Repeat("  ", indent)
	if pairs, ok := e.pairs(v); ok {
		if len(pairs) == 0 {
			e.WriteString(" {}")
		}
		for i, p := range pairs {
			if i == 0 && afterDash {
				e.WriteString(" " + p.key + ":")
			} else {
				e.WriteString(margin + p.key + ":")
			}
			e.block(p.value, indent+1, false)
		}
		return
	}
	if v.Kind() != reflect.Slice || v.Len() == 0 || e.isScalar(v.Type().Elem()) {
		e.WriteString(" ")
		e.flow(v)
		return
	}
	for i := range v.Len() {
		e.WriteString(margin + "-")
		e.block(v.Index(i), indent+1, true)
	}
}

func (e *encoder) flow(v reflect.Value) {
	for v.Kind() == reflect.Pointer && !v.IsNil() {
		v = v.Elem()
	}
	if pairs, ok := e.pairs(v); ok {
		e.WriteString("{")
		for i, p := range pairs {
			if i > 0 {
				e.WriteString(", ")
			}
			e.WriteString(p.key + ": ")
			e.flow(p.value)
		}
		e.WriteString("}")
		return
	}
	if v.Kind() == reflect.Slice && !e.isScalar(v.Type()) {
		e.WriteString("[")
		for i := range v.Len() {
			if i > 0 {
				e.WriteString(", ")
			}
			e.flow(v.Index(i))
		}
		e.WriteString("]")
		return
	}
	e.scalar(v)
}

func (e *encoder) scalar(v reflect.Value) {
	switch x := v.Interface().(type) {
	case time.Duration:
		e.WriteString(durationText(x))
		return
	case time.Time:
		e.WriteString(x.Format(time.RFC3339Nano))
		return
	case encoding.TextMarshaler:
		text, err := x.MarshalText()
		if err != nil && e.err == nil {
			e.err = fmt.Errorf("write %T: %w", x, err)
		}
		if quantityText.Match(text) {
			e.Write(text)
			return
		}
		e.WriteString(scalarText(string(text)))
		return
	}
	switch v.Kind() {
	case reflect.String:
		e.WriteString(scalarText(v.String()))
	case reflect.Bool:
		e.WriteString(strconv.FormatBool(v.Bool()))
	case reflect.Int, reflect.Int64:
		e.WriteString(strconv.FormatInt(v.Int(), 10))
	case reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			e.fail(fmt.Errorf("document: a file cannot hold the number %v", x))
			return
		}
		e.WriteString(strconv.FormatFloat(v.Float(), 'f', -1, 64))
	default:
		e.fail(fmt.Errorf("document: a file cannot hold a %s", v.Type()))
	}
}

func (e *encoder) fail(err error) {
	if e.err == nil {
		e.err = err
	}
}

// durationText is 5m and 2h where Go writes 5m0s and 2h0m0s.
func durationText(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = s[:len(s)-2]
	}
	if strings.HasSuffix(s, "h0m") {
		s = s[:len(s)-2]
	}
	return s
}

// plainText is text that every YAML reader takes for itself when it stands
// without quotes, in block and in flow style.
var plainText = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_./+-]*( [A-Za-z0-9_./+-]+)*$`)

// quantityText is a number with its unit, which no reader takes for a number.
var quantityText = regexp.MustCompile(`^[0-9]+(\.[0-9]+)?[A-Za-z]{1,4}$`)

// scalarText writes text as it is where that is safe, and otherwise in double
// quotes.
// Source: YAML 1.2.2 §5.7, the escapes; YAML 1.1 for the words that older
// readers take for truth values.
func scalarText(s string) string {
	switch strings.ToLower(s) {
	case "true", "false", "null", "yes", "no", "on", "off", "y", "n":
	default:
		if plainText.MatchString(s) {
			return s
		}
	}
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case strconv.IsPrint(r):
			b.WriteRune(r)
		case r < 0x10000:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			fmt.Fprintf(&b, `\U%08X`, r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
