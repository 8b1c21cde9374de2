package openconfig

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"

	"towpath/internal/state"
	"towpath/internal/unit"
)

// decode reads one update and calls emit for every leaf of the tree that it
// gives a value for. A value is a string, bool, int64, uint64, float64, or a
// []any of those. keys belongs to emit only until it returns.
func decode[T any](root *node[T], prefix, path *gnmipb.Path, val *gnmipb.TypedValue, emit func(n *node[T], keys []string, v any)) error {
	var room [8]string
	at, keys, open := root.descend(prefix.GetElem(), room[:0])
	if at == nil || open && len(path.GetElem()) > 0 {
		return nil
	}
	if !open {
		at, keys, open = at.descend(path.GetElem(), keys)
		if at == nil {
			return nil
		}
	}
	switch v := val.GetValue().(type) {
	case *gnmipb.TypedValue_JsonIetfVal:
		return decodeJSON(at, keys, open, v.JsonIetfVal, emit)
	case *gnmipb.TypedValue_JsonVal:
		return decodeJSON(at, keys, open, v.JsonVal, emit)
	}
	if open || len(at.leaves) == 0 {
		return nil
	}
	v, err := scalar(val)
	if err != nil || v == nil {
		return err
	}
	emit(at, keys, v)
	return nil
}

// scalar is the Go value of a TypedValue that is not JSON, nil for none.
func scalar(t *gnmipb.TypedValue) (any, error) {
	switch v := t.GetValue().(type) {
	case nil:
		return nil, nil
	case *gnmipb.TypedValue_StringVal:
		return v.StringVal, nil
	case *gnmipb.TypedValue_AsciiVal:
		return v.AsciiVal, nil
	case *gnmipb.TypedValue_BoolVal:
		return v.BoolVal, nil
	case *gnmipb.TypedValue_IntVal:
		return v.IntVal, nil
	case *gnmipb.TypedValue_UintVal:
		return v.UintVal, nil
	case *gnmipb.TypedValue_DoubleVal:
		return v.DoubleVal, nil
	case *gnmipb.TypedValue_FloatVal: // older devices still send the deprecated forms
		return float64(v.FloatVal), nil //nolint:staticcheck // deprecated and still sent
	case *gnmipb.TypedValue_DecimalVal:
		d := v.DecimalVal //nolint:staticcheck // deprecated and still sent
		return float64(d.GetDigits()) / math.Pow10(int(min(d.GetPrecision(), 18))), nil
	case *gnmipb.TypedValue_BytesVal:
		return base64.StdEncoding.EncodeToString(v.BytesVal), nil // as RFC 7951 §6.6 writes binary
	case *gnmipb.TypedValue_LeaflistVal:
		out := make([]any, 0, len(v.LeaflistVal.GetElement()))
		for _, e := range v.LeaflistVal.GetElement() {
			x, err := scalar(e)
			if err != nil {
				return nil, err
			}
			if x != nil {
				out = append(out, x)
			}
		}
		return out, nil
	}
	return nil, fmt.Errorf("a value of type %T cannot be read", t.GetValue())
}

// errJSON is wrapped by every error about JSON that a device sent.
var errJSON = errors.New("bad JSON in a value")

// decodeJSON walks a JSON value along the tree. It parses in place: only what
// the tree asks for is ever copied, so that a large list costs no more memory
// than its own text.
func decodeJSON[T any](at *node[T], keys []string, open bool, raw []byte, emit func(*node[T], []string, any)) error {
	if !json.Valid(raw) {
		return fmt.Errorf("%w: %.60q", errJSON, raw)
	}
	return walkJSON(at, keys, open, raw, emit)
}

func walkJSON[T any](at *node[T], keys []string, open bool, raw []byte, emit func(*node[T], []string, any)) error {
	raw = bytes.TrimLeft(raw, " \t\r\n")
	if open {
		return walkList(at, keys, raw, emit)
	}
	if raw[0] != '{' {
		if len(at.leaves) == 0 {
			return nil
		}
		v, err := jsonScalar(raw)
		if err != nil || v == nil {
			return err
		}
		emit(at, keys, v)
		return nil
	}
	return members(raw, func(name, value []byte) error {
		c := at.child(memberName(name))
		if c == nil {
			return nil
		}
		return walkJSON(c, keys, len(c.keys) > 0, value, emit)
	})
}

// walkList walks the entries of a list: an array of objects, each with its
// keys among its members (RFC 7951 §5.4), or there under config or state.
func walkList[T any](at *node[T], keys []string, raw []byte, emit func(*node[T], []string, any)) error {
	one := func(entry []byte) error {
		entry = bytes.TrimLeft(entry, " \t\r\n")
		if entry[0] != '{' {
			return nil
		}
		caught := keys
		for _, k := range at.keys {
			v, ok, err := keyOf(entry, k, 1)
			if err != nil {
				return err
			}
			if !ok {
				return fmt.Errorf("an entry of list %s does not name its key %s", at.name, k)
			}
			caught = append(caught, v)
		}
		return walkJSON(at, caught, false, entry, emit)
	}
	switch raw[0] {
	case '[':
		return elements(raw, one)
	case '{': // one entry, sent without its array
		return one(raw)
	}
	return nil
}

// keyOf finds the value of a key leaf in a list entry, looking into config and
// state for depth levels.
func keyOf(entry []byte, key string, depth int) (val string, found bool, err error) {
	err = members(entry, func(name, value []byte) error {
		switch n := memberName(name); {
		case n == key:
			v, err := jsonScalar(bytes.TrimLeft(value, " \t\r\n"))
			if err != nil {
				return err
			}
			s, ok := keyText(v)
			if ok {
				val, found = s, true
			}
		case depth > 0 && !found && (n == "state" || n == "config") && bytes.TrimLeft(value, " \t\r\n")[0] == '{':
			s, ok, err := keyOf(bytes.TrimLeft(value, " \t\r\n"), key, depth-1)
			if err != nil {
				return err
			}
			if ok {
				val, found = s, true
			}
		}
		return nil
	})
	return val, found, err
}

// keyText is a key's value as a gNMI path writes it.
func keyText(v any) (string, bool) {
	switch x := v.(type) {
	case string:
		return x, true
	case bool:
		return strconv.FormatBool(x), true
	case int64:
		return strconv.FormatInt(x, 10), true
	case uint64:
		return strconv.FormatUint(x, 10), true
	case float64:
		return strconv.FormatFloat(x, 'f', -1, 64), true
	}
	return "", false
}

// memberName is the local name of a JSON member, from its quoted form.
func memberName(quoted []byte) string {
	if bytes.IndexByte(quoted, '\\') < 0 {
		return local(string(quoted[1 : len(quoted)-1]))
	}
	var s string
	if err := json.Unmarshal(quoted, &s); err != nil {
		return ""
	}
	return local(s)
}

// jsonScalar is the Go value of a JSON scalar or array of scalars. Null is no
// value; objects are none that we can use.
func jsonScalar(raw []byte) (any, error) {
	switch raw[0] {
	case '{', 'n':
		return nil, nil
	case 't':
		return true, nil
	case 'f':
		return false, nil
	case '"':
		var s string
		if err := json.Unmarshal(raw[:skip(raw, 0)], &s); err != nil {
			return nil, fmt.Errorf("%w: %w", errJSON, err)
		}
		return s, nil
	case '[':
		out := []any{}
		err := elements(raw, func(e []byte) error {
			v, err := jsonScalar(bytes.TrimLeft(e, " \t\r\n"))
			if v != nil {
				out = append(out, v)
			}
			return err
		})
		return out, err
	}
	text := string(raw[:skip(raw, 0)])
	if text == "-0" {
		return uint64(0), nil
	}
	if u, err := strconv.ParseUint(text, 10, 64); err == nil {
		return u, nil
	}
	if i, err := strconv.ParseInt(text, 10, 64); err == nil && i < 0 {
		return i, nil
	}
	f, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return nil, fmt.Errorf("%w: number %s: %w", errJSON, text, err)
	}
	return f, nil
}

// members calls f for each member of the valid JSON object at the start of raw.
func members(raw []byte, f func(quotedName, value []byte) error) error {
	i := space(raw, 1)
	for raw[i] != '}' {
		end := skip(raw, i)
		name := raw[i:end]
		i = space(raw, space(raw, end)+1) // past the colon
		end = skip(raw, i)
		if err := f(name, raw[i:end]); err != nil {
			return err
		}
		if i = space(raw, end); raw[i] == ',' {
			i = space(raw, i+1)
		}
	}
	return nil
}

// elements calls f for each element of the valid JSON array at the start of raw.
func elements(raw []byte, f func(value []byte) error) error {
	i := space(raw, 1)
	for raw[i] != ']' {
		end := skip(raw, i)
		if err := f(raw[i:end]); err != nil {
			return err
		}
		if i = space(raw, end); raw[i] == ',' {
			i = space(raw, i+1)
		}
	}
	return nil
}

func space(raw []byte, i int) int {
	for i < len(raw) && (raw[i] == ' ' || raw[i] == '\t' || raw[i] == '\r' || raw[i] == '\n') {
		i++
	}
	return i
}

// skip returns the index after the valid JSON value that starts at i.
func skip(raw []byte, i int) int {
	depth := 0
	for i < len(raw) {
		switch raw[i] {
		case '"':
			for i++; raw[i] != '"'; i++ {
				if raw[i] == '\\' {
					i++
				}
			}
			i++
		case '{', '[':
			depth++
			i++
			continue
		case '}', ']':
			depth--
			i++
		case ',', ':', ' ', '\t', '\r', '\n':
			i++
			continue
		default:
			for i < len(raw) && bytes.IndexByte([]byte(",]}: \t\r\n"), raw[i]) < 0 {
				i++
			}
		}
		if depth == 0 {
			return i
		}
	}
	return i
}

// form says how a leaf's value is written.
type form int

// The forms of values, named by the unit or the kind of text.
const (
	plain        form = iota
	identity          // an identity or enumeration: module prefix dropped
	epochNanos        // instant, nanoseconds since the Unix epoch; zero is unknown
	epochSeconds      // instant, seconds since the Unix epoch; zero is unknown
	nanos             // durations
	nanosOrNever      // duration; zero says that it never happens, which is no duration
	micros
	millis
	centis
	seconds
	octets
	mebibytes // 2^20 octets
	portSpeed // identity SPEED_10GB and its like
	yesInSync // true for IN_SYNC
)

// assign stores v at target, a pointer to a field, reading it in the form. A
// value that does not fit is an error and leaves the target alone.
func assign(target any, v any, f form) error {
	switch t := target.(type) {
	case *string:
		s, err := asText(v, f)
		if err == nil {
			*t = s
		}
		return err
	case *state.Opt[string]:
		s, err := asText(v, f)
		if err == nil {
			*t = state.Some(s)
		}
		return err
	case *[]string:
		list, ok := v.([]any)
		if !ok {
			list = []any{v}
		}
		out := make([]string, 0, len(list))
		for _, e := range list {
			s, err := asText(e, f)
			if err != nil {
				return err
			}
			out = append(out, s)
		}
		*t = out
		return nil
	case *state.Opt[bool]:
		b, err := asBool(v, f)
		if err == nil {
			*t = state.Some(b)
		}
		return err
	case *state.Opt[uint64]:
		n, err := asUint(v)
		if err == nil {
			*t = state.Some(n)
		}
		return err
	case *state.Opt[int]:
		n, err := asUint(v)
		if err == nil && n > math.MaxInt32 {
			err = fmt.Errorf("number %d is out of range", n)
		}
		if err == nil {
			*t = state.Some(int(n))
		}
		return err
	case *state.Opt[float64]:
		n, err := asFloat(v)
		if err == nil {
			*t = state.Some(n)
		}
		return err
	case *state.Opt[time.Time]:
		at, ok, err := asTime(v, f)
		if ok {
			*t = state.Some(at)
		}
		return err
	case *state.Opt[time.Duration]:
		d, err := asDuration(v, f)
		if err == nil && (d > 0 || f != nanosOrNever) {
			*t = state.Some(d)
		}
		return err
	case *state.Opt[unit.ByteSize]:
		n, err := asSize(v, f)
		if err == nil {
			*t = state.Some(n)
		}
		return err
	case *unit.ByteSize:
		n, err := asSize(v, f)
		if err == nil {
			*t = n
		}
		return err
	case *state.Opt[unit.BitRate]:
		r, err := asRate(v, f)
		if err == nil {
			*t = state.Some(r)
		}
		return err
	}
	return fmt.Errorf("a field of type %T cannot be filled", target)
}

func asText(v any, f form) (string, error) {
	switch f {
	case epochNanos, epochSeconds:
		at, ok, err := asTime(v, f)
		if err != nil {
			return "", err
		}
		if !ok {
			return "", errors.New("found no instant")
		}
		return at.UTC().Format(time.RFC3339Nano), nil
	default:
	}
	s, ok := keyText(v)
	if !ok {
		return "", fmt.Errorf("found %T, want text", v)
	}
	if f == identity {
		return local(s), nil
	}
	return s, nil
}

func asBool(v any, f form) (bool, error) {
	switch x := v.(type) {
	case bool:
		return x, nil
	case string:
		if f == yesInSync {
			switch local(x) {
			case "IN_SYNC":
				return true, nil
			case "OUT_SYNC":
				return false, nil
			}
		}
		switch x {
		case "true":
			return true, nil
		case "false":
			return false, nil
		}
		return false, fmt.Errorf("found %q, want true or false", x)
	}
	return false, fmt.Errorf("found %T, want true or false", v)
}

// asUint reads an unsigned integer. 64-bit ones arrive as strings in JSON.
// Source: RFC 7951 §6.1.
func asUint(v any) (uint64, error) {
	switch x := v.(type) {
	case uint64:
		return x, nil
	case int64:
		if x < 0 {
			return 0, fmt.Errorf("found %d, want a number that is not negative", x)
		}
		return uint64(x), nil
	case float64:
		if x >= 0 && x < 1<<63 && x == math.Trunc(x) {
			return uint64(x), nil
		}
		return 0, fmt.Errorf("found %v, want a whole number", x)
	case string:
		n, err := strconv.ParseUint(x, 10, 64)
		if err != nil {
			return 0, fmt.Errorf("found %q, want a whole number", x)
		}
		return n, nil
	}
	return 0, fmt.Errorf("found %T, want a whole number", v)
}

// asFloat reads a decimal, a string in JSON. Source: RFC 7951 §6.1.
func asFloat(v any) (float64, error) {
	var f float64
	switch x := v.(type) {
	case uint64:
		f = float64(x)
	case int64:
		f = float64(x)
	case float64:
		f = x
	case string:
		n, err := strconv.ParseFloat(x, 64)
		if err != nil {
			return 0, fmt.Errorf("found %q, want a number", x)
		}
		f = n
	default:
		return 0, fmt.Errorf("found %T, want a number", v)
	}
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return 0, errors.New("found no finite number")
	}
	return f, nil
}

// asTime reads an instant; ok is false for zero, which says never.
func asTime(v any, f form) (at time.Time, ok bool, err error) {
	if s, text := v.(string); text && strings.ContainsRune(s, 'T') {
		at, err := time.Parse(time.RFC3339Nano, s)
		if err != nil {
			return time.Time{}, false, fmt.Errorf("found %q, want an instant (RFC 3339)", s)
		}
		return at.UTC(), true, nil
	}
	n, err := asUint(v)
	if err != nil || n == 0 {
		return time.Time{}, false, err
	}
	switch {
	case f == epochSeconds && n <= math.MaxInt32*4:
		return time.Unix(int64(n), 0).UTC(), true, nil
	case f == epochNanos && n <= math.MaxInt64:
		return time.Unix(0, int64(n)).UTC(), true, nil
	}
	return time.Time{}, false, fmt.Errorf("found %d, want an instant", n)
}

func asDuration(v any, f form) (time.Duration, error) {
	units := map[form]time.Duration{
		nanos: time.Nanosecond, nanosOrNever: time.Nanosecond, micros: time.Microsecond, millis: time.Millisecond,
		centis: 10 * time.Millisecond, seconds: time.Second,
	}
	u, ok := units[f]
	if !ok {
		return 0, errors.New("the table gives no unit for a duration")
	}
	n, err := asFloat(v)
	if err != nil {
		return 0, err
	}
	d := n * float64(u)
	if d < 0 || d >= math.MaxInt64 {
		return 0, fmt.Errorf("found %v, want a duration", v)
	}
	if w, err := asUint(v); err == nil { // exact where it is whole
		return time.Duration(w) * u, nil
	}
	return time.Duration(d), nil
}

func asSize(v any, f form) (unit.ByteSize, error) {
	n, err := asUint(v)
	if err != nil {
		return 0, err
	}
	scale := uint64(1)
	if f == mebibytes {
		scale = uint64(unit.MiB)
	}
	if n > math.MaxInt64/scale {
		return 0, fmt.Errorf("found %d, want a size", n)
	}
	return unit.ByteSize(n * scale), nil
}

// asRate reads a port speed identity.
// Source: OpenConfig if-ethernet model, ETHERNET_SPEED.
func asRate(v any, _ form) (unit.BitRate, error) {
	s, ok := v.(string)
	if !ok {
		return 0, fmt.Errorf("found %T, want a port speed", v)
	}
	word, ok := strings.CutPrefix(local(s), "SPEED_")
	if !ok {
		return 0, fmt.Errorf("found %q, want a port speed", s)
	}
	num, mult := word, 0.0
	if n, ok := strings.CutSuffix(word, "GB"); ok {
		num, mult = n, 1e9
	} else if n, ok := strings.CutSuffix(word, "MB"); ok {
		num, mult = n, 1e6
	}
	n, err := strconv.ParseUint(num, 10, 32)
	if err != nil || mult == 0 { // SPEED_UNKNOWN among them
		return 0, fmt.Errorf("found %q, want a port speed", s)
	}
	return unit.BitRate(float64(n) * mult), nil
}
