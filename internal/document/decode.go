package document

import (
	"encoding"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/unit"
)

var (
	durationType = reflect.TypeFor[time.Duration]()
	timeType     = reflect.TypeFor[time.Time]()
	stringType   = reflect.TypeFor[string]()
	textType     = reflect.TypeFor[encoding.TextUnmarshaler]()
)

// decimal is how a number may be written. Octals, hexadecimals, underscores
// and words such as .inf are read differently by different programs.
// Source: YAML 1.2.2 §10.2.1.4 (JSON schema, the stricter one).
var decimal = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?$`)

// Decode fills the value that into points to, which may hold defaults, and
// returns every mistake in the order of the file's fields. What is wrong stays
// as it was, except text and numbers that are only outside what the shape
// allows: those are set, so that later checks can go on.
//
// Keys come from the yaml tags of the struct fields. A field without omitempty
// must be there. Lists and maps of the file replace those in into.
func (d *Document) Decode(shape *Shape, into any) Problems {
	dec := decoder{doc: d, shape: shape, problems: slices.Clone(d.twice)}
	dec.value(d.root, reflect.ValueOf(into).Elem(), nil, Field{}, d.root.pos)
	return dec.problems
}

type decoder struct {
	doc      *Document
	shape    *Shape
	problems Problems
}

func (d *decoder) report(pos Position, at *place, found, want, nearest string) {
	d.problems = append(d.problems, d.doc.problem(pos, at.String(), found, want, nearest))
}

// mismatch reports a value of the wrong type.
func (d *decoder) mismatch(n *node, t reflect.Type, at *place, f Field) {
	found, want := n.describe(f.Secret), f.wanted(t)
	switch {
	case n.kind == number && want == "text", n.kind == boolean && want == "text":
		want = fmt.Sprintf("text: write %q", n.text)
	case n.kind == text && t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.String:
		want = fmt.Sprintf("a list, such as [%s]", n.text)
	case n.kind == text && !f.Secret && (t.Kind() == reflect.Float64 || t.Kind() == reflect.Int) && decimal.MatchString(n.text):
		want += ", without quotes"
	case n.kind == text && !f.Secret && (t.Kind() == reflect.Float64 || t.Kind() == reflect.Int) && decimal.MatchString(strings.TrimSpace(strings.TrimSuffix(n.text, "%"))):
		want += ", without the % sign"
	}
	d.report(n.pos, at, found, want, "")
}

// describe says what a value is, for a message.
func (n *node) describe(secret bool) string {
	switch n.kind {
	case nothing:
		return "no value"
	case boolean:
		return n.text
	case number:
		return "the number " + n.text
	case text:
		if secret {
			return "text (not shown)"
		}
		return "the text " + quote(n.text)
	case list:
		return "a list"
	default:
		return "a mapping"
	}
}

func (d *decoder) value(n *node, v reflect.Value, at *place, f Field, key Position) {
	t := v.Type()
	if t.Kind() == reflect.Pointer {
		fresh := reflect.New(t.Elem())
		before := len(d.problems)
		if d.value(n, fresh.Elem(), at, f, key); len(d.problems) == before {
			v.Set(fresh)
		}
		return
	}
	if n.kind == nothing {
		d.report(key, at, "no value", f.wanted(t)+", or no such key", "")
		return
	}
	switch {
	case t == durationType:
		d.duration(n, v, at, f)
	case t == timeType:
		d.instant(n, v, at, f)
	case reflect.PointerTo(t).Implements(textType):
		d.quantity(n, v, at, f)
	default:
		d.plain(n, v, at, f)
	}
}

func (d *decoder) plain(n *node, v reflect.Value, at *place, f Field) {
	t := v.Type()
	fits := map[reflect.Kind]kind{
		reflect.Struct: mapping, reflect.Map: mapping, reflect.Slice: list, reflect.String: text,
		reflect.Bool: boolean, reflect.Int: number, reflect.Int64: number, reflect.Float64: number,
	}
	want, known := fits[t.Kind()]
	if !known {
		panic(fmt.Sprintf("document: %s in the shape %s cannot be read from a file", t, d.shape.Name))
	}
	if n.kind != want {
		d.mismatch(n, t, at, f)
		return
	}
	switch t.Kind() {
	case reflect.Struct:
		d.structure(n, v, at)
	case reflect.Map:
		d.table(n, v, at, f)
	case reflect.Slice:
		d.list(n, v, at, f)
	case reflect.String:
		if found, want, nearest := f.CheckText(n.text); found != "" {
			d.report(n.pos, at, found, want, nearest)
		}
		v.SetString(n.text)
	case reflect.Bool:
		v.SetBool(strings.EqualFold(n.text, "true"))
	case reflect.Int, reflect.Int64:
		i, err := strconv.ParseInt(n.text, 10, 64)
		if err != nil || !decimal.MatchString(n.text) {
			d.mismatch(n, t, at, f)
			return
		}
		v.SetInt(i)
		d.inRange(n, float64(i), t, at, f)
	default:
		x, err := strconv.ParseFloat(n.text, 64)
		if err != nil || !decimal.MatchString(n.text) {
			d.mismatch(n, t, at, f)
			return
		}
		v.SetFloat(x)
		d.inRange(n, x, t, at, f)
	}
}

func (d *decoder) inRange(n *node, x float64, t reflect.Type, at *place, f Field) {
	if f.Range == nil || f.Range.contains(x) {
		return
	}
	found := n.text
	if n.kind == text {
		found = quote(n.text)
	}
	d.report(n.pos, at, found+" is out of range", f.wanted(t), "")
}

func (d *decoder) duration(n *node, v reflect.Value, at *place, f Field) {
	if n.kind != text {
		found := n.describe(false)
		if n.kind == number {
			found += " without a unit"
		}
		d.report(n.pos, at, found, f.wanted(durationType), "")
		return
	}
	x, err := time.ParseDuration(n.text)
	if err != nil || n.text == "0" || n.text[0] == '+' {
		d.report(n.pos, at, n.describe(false), f.wanted(durationType), "")
		return
	}
	v.SetInt(int64(x))
	r := f
	if r.Range == nil {
		r.Range = From(0)
	}
	d.inRange(n, float64(x), durationType, at, r)
}

func (d *decoder) instant(n *node, v reflect.Value, at *place, f Field) {
	var x time.Time
	if n.kind != text || x.UnmarshalText([]byte(n.text)) != nil {
		d.mismatch(n, timeType, at, f)
		return
	}
	v.Set(reflect.ValueOf(x))
}

// quantity reads a type that reads itself, such as a size with its unit.
func (d *decoder) quantity(n *node, v reflect.Value, at *place, f Field) {
	t := v.Type()
	if n.kind != text {
		found := n.describe(false)
		if n.kind == number {
			found += " without a unit"
		}
		d.report(n.pos, at, found, f.wanted(t), "")
		return
	}
	fresh := reflect.New(t)
	if err := fresh.Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(n.text)); err != nil {
		p := d.doc.problem(n.pos, at.String(), n.describe(false), f.wanted(t), "")
		p.Err = err
		d.problems = append(d.problems, p)
		return
	}
	v.Set(fresh.Elem())
	switch {
	case v.CanInt():
		d.inRange(n, float64(v.Int()), t, at, f)
	case v.CanFloat():
		d.inRange(n, v.Float(), t, at, f)
	}
}

// wantedText asks a type that reads itself what it would have liked.
func wantedText(t reflect.Type) string {
	var bad *unit.ParseError
	if err := reflect.New(t).Interface().(encoding.TextUnmarshaler).UnmarshalText(nil); errors.As(err, &bad) {
		return bad.Want
	}
	return "text"
}

func (d *decoder) list(n *node, v reflect.Value, at *place, f Field) {
	out := reflect.MakeSlice(v.Type(), len(n.items), len(n.items))
	first := map[string]*node{}
	for i, item := range n.items {
		here := at.item(i)
		d.value(item, out.Index(i), here, f, item.pos)
		if !f.Unique || item.kind == nothing || item.kind == list || item.kind == mapping {
			continue
		}
		if before, again := first[item.text]; again {
			d.report(item.pos, here, fmt.Sprintf("%s a second time; the first is in line %d", quote(item.text), before.pos.Line), "", "")
			continue
		}
		first[item.text] = item
	}
	if f.NotEmpty && len(n.items) == 0 {
		d.report(n.pos, at, "an empty list", "at least one element", "")
	}
	v.Set(out)
}

func (d *decoder) table(n *node, v reflect.Value, at *place, f Field) {
	out := reflect.MakeMapWithSize(v.Type(), len(n.keys))
	for _, e := range n.keys {
		here := at.child(e.name)
		if e.kind != text {
			d.report(e.pos, here, "the key "+e.name+" is not text", fmt.Sprintf("text: write %q", e.name), "")
			continue
		}
		if found, want, _ := (Field{}).CheckText(e.name); found != "" {
			d.report(e.pos, here, "as a key, "+found, want, "")
		}
		fresh := reflect.New(v.Type().Elem()).Elem()
		d.value(e.value, fresh, here, f, e.pos)
		out.SetMapIndex(reflect.ValueOf(e.name).Convert(v.Type().Key()), fresh)
	}
	v.Set(out)
}

// member is a struct field as the file knows it.
type member struct {
	key      string
	index    int
	optional bool
}

func membersOf(t reflect.Type) []member {
	var out []member
	for i := range t.NumField() {
		key, options, _ := strings.Cut(t.Field(i).Tag.Get("yaml"), ",")
		if key == "" || key == "-" {
			continue
		}
		out = append(out, member{key, i, slices.Contains(strings.Split(options, ","), "omitempty")})
	}
	return out
}

func keysOf(t reflect.Type) []string {
	var out []string
	for _, m := range membersOf(t) {
		out = append(out, m.key)
	}
	return out
}

func (d *decoder) structure(n *node, v reflect.Value, at *place) {
	t := v.Type()
	members := membersOf(t)
	meant := map[string]bool{} // keys that a misspelt one stands for
	for _, e := range n.keys {
		i := slices.IndexFunc(members, func(m member) bool { return m.key == e.name })
		if i < 0 {
			meant[d.unknown(e, t, at)] = true
			continue
		}
		m := members[i]
		d.value(e.value, v.Field(m.index), at.child(m.key), d.shape.Fields[t.Name()+"."+m.key], e.pos)
	}
	for _, m := range members {
		if _, there := n.get(m.key); there || m.optional || meant[m.key] {
			continue
		}
		f := d.shape.Fields[t.Name()+"."+m.key]
		d.report(n.pos, at.child(m.key), "missing", f.wanted(t.Field(m.index).Type), "")
	}
	if len(meant) == 0 {
		d.exactly(n, t, at)
	}
}

// exactly reports a value that has none or several of the keys of which it
// must have one.
func (d *decoder) exactly(n *node, t reflect.Type, at *place) {
	choice := d.shape.Exactly[t.Name()]
	if len(choice) == 0 {
		return
	}
	var has []string
	for _, k := range choice {
		if _, there := n.get(k); there {
			has = append(has, k)
		}
	}
	if len(has) != 1 {
		found := "none of the keys " + strings.Join(choice, ", ")
		if len(has) > 1 {
			found = "the keys " + strings.Join(has, " and ") + " together"
		}
		d.report(n.pos, at, found, "exactly one of "+strings.Join(choice, ", "), "")
	}
}

// unknown reports a key that the type does not know and returns the one that
// was meant, if it is one of the type's own.
func (d *decoder) unknown(e entry, t reflect.Type, at *place) string {
	keys := keysOf(t)
	found := "unknown key " + quote(e.name)
	if nearest := Nearest(e.name, keys); nearest != "" {
		d.report(e.pos, at.child(e.name), found, "", nearest)
		return nearest
	}
	// A right key in the wrong place: one level too high.
	for _, m := range membersOf(t) {
		inner := t.Field(m.index).Type
		if inner.Kind() == reflect.Struct && inner != timeType && slices.Contains(keysOf(inner), e.name) {
			d.report(e.pos, at.child(e.name), found+" here", fmt.Sprintf("it below %q", m.key), "")
			return ""
		}
	}
	d.report(e.pos, at.child(e.name), found, oneOf(keys), "")
	return ""
}
