package document

import (
	"fmt"
	"math"
	"net"
	"net/netip"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Shape says what a kind of file may hold, beyond what the Go types already
// say: which words a field knows, what form its text has, how large its
// numbers may be, and what each means. The reader and the published JSON
// Schema both follow it.
type Shape struct {
	// Name is that of the document, such as "fleet".
	Name string
	// Doc explains the document in a sentence or two.
	Doc string
	// Types explains the Go types that make up the document, by their name.
	Types map[string]string
	// Fields narrows and explains the fields, by "Type.key", such as
	// "Device.platform".
	Fields map[string]Field
	// Exactly lists, by the name of a type, keys of which a value of the type
	// has exactly one.
	Exactly map[string][]string
}

// Field is what a Shape says of one field. On a list of scalars everything but
// Unique and NotEmpty holds for its elements. The zero Field allows any value
// of the Go type; text may not be empty, begin or end in a space, span lines,
// or hold control characters.
type Field struct {
	Doc   string
	Words []string // the only text that is right
	Form  *Form    // what the text looks like
	Range *Range   // of a number, a duration (in nanoseconds), a size or a rate
	// Want describes what would be right, where what follows from the type,
	// Words, Form and Range would not help.
	Want     string
	Prose    bool // text that may span lines
	Secret   bool // text that no message may quote
	Unique   bool // a list without repetition
	NotEmpty bool // a list with at least one element
}

// Form is what a text looks like.
type Form struct {
	// Want describes it, with an example.
	Want string
	// Pattern is a regular expression that RE2 and ECMA-262 read alike, for
	// the published schema. Everything that Check accepts matches it.
	Pattern string
	// Check decides. Where it is nil, Pattern decides.
	Check func(string) bool
}

// matches reports whether the text has the form.
func (f *Form) matches(s string) bool {
	if f.Check != nil {
		return f.Check(s)
	}
	return regexp.MustCompile(f.Pattern).MatchString(s)
}

// The forms that more than one document knows.
var (
	// Name is an identifier that may stand in file names, paths and labels.
	Name = &Form{
		Want:    "a name of letters, digits, '.', '_' and '-', such as mere-agg-1",
		Pattern: `^[A-Za-z0-9][A-Za-z0-9._-]{0,127}$`,
		Check:   regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,127}$`).MatchString,
	}
	// Host is a host name or an IP address.
	// Source: RFC 1123 §2.1, RFC 952 (names); RFC 4291 §2.2, RFC 4007 §11 (IPv6).
	Host = &Form{
		Want:    "a host name or an IP address, such as mere-agg-1.ostermoor.example or 192.0.2.7",
		Pattern: `^[A-Za-z0-9.:%_-]+$`,
		Check:   isHost,
	}
	// HostPort is a host with a port; an IPv6 address stands in brackets.
	// Source: RFC 3986 §3.2.2.
	HostPort = &Form{
		Want:    "host:port, such as mere-agg-1.ostermoor.example:9339 or [2001:db8::7]:9339",
		Pattern: `^(\[[0-9A-Fa-f:.]+(%[A-Za-z0-9._-]+)?\]|[A-Za-z0-9.-]+):[0-9]{1,5}$`,
		Check: func(s string) bool {
			host, port, err := net.SplitHostPort(s)
			if err != nil || !isHost(host) {
				return false
			}
			n, err := strconv.ParseUint(port, 10, 16)
			return err == nil && n > 0 && port[0] != '0'
		},
	}
	// Date is a day.
	// Source: RFC 3339 §5.6, full-date.
	Date = &Form{
		Want:    "a date such as 2026-03-01",
		Pattern: `^[0-9]{4}-[0-9]{2}-[0-9]{2}$`,
		Check: func(s string) bool {
			_, err := time.Parse(time.DateOnly, s)
			return err == nil
		},
	}
)

var label = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?$`)

func isHost(s string) bool {
	if _, err := netip.ParseAddr(s); err == nil {
		return true
	}
	if len(s) == 0 || len(s) > 253 {
		return false
	}
	labels := strings.Split(strings.TrimSuffix(s, "."), ".")
	for _, l := range labels {
		if !label.MatchString(l) {
			return false
		}
	}
	// All digits at the end is an address that went wrong, not a name.
	return strings.Trim(labels[len(labels)-1], "0123456789") != ""
}

// Range bounds a number. Above leaves Min itself out.
type Range struct {
	Min, Max float64
	Above    bool
}

// Between allows least and most and what lies between them.
func Between(least, most float64) *Range { return &Range{Min: least, Max: most} }

// From allows least and everything larger.
func From(least float64) *Range { return &Range{Min: least, Max: math.Inf(1)} }

// Above allows what is larger than bound, not bound itself.
func Above(bound float64) *Range { return &Range{Min: bound, Max: math.Inf(1), Above: true} }

// AboveUpTo allows what is larger than bound, up to most.
func AboveUpTo(bound, most float64) *Range { return &Range{Min: bound, Max: most, Above: true} }

func (r *Range) contains(v float64) bool {
	return (v > r.Min || v == r.Min && !r.Above) && v <= r.Max
}

func (r *Range) String() string {
	low := strconv.FormatFloat(r.Min, 'f', -1, 64)
	high := strconv.FormatFloat(r.Max, 'f', -1, 64)
	switch {
	case r.Above && math.IsInf(r.Max, 1):
		return "greater than " + low
	case math.IsInf(r.Max, 1):
		return "at least " + low
	case r.Above:
		return "greater than " + low + " and at most " + high
	}
	return "from " + low + " to " + high
}

// oneOf is the list of words as part of a sentence.
func oneOf(words []string) string {
	if len(words) == 1 {
		return words[0]
	}
	return "one of " + strings.Join(words, ", ")
}

// wanted describes what would be right in a field of type t.
func (f Field) wanted(t reflect.Type) string {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	in, near := "", "" // the range, after a comma and where none is needed
	if f.Range != nil {
		in = ", " + f.Range.String()
		if near = in; !strings.HasPrefix(in, ", at least") {
			near = in[1:]
		}
	}
	switch {
	case t.Kind() == reflect.Slice:
		return "a list"
	case f.Want != "":
		return f.Want
	case len(f.Words) > 0:
		return oneOf(f.Words)
	case f.Form != nil:
		return f.Form.Want
	case t == durationType:
		return "a duration with its unit, such as 300ms, 90s or 25m" + in
	case t == timeType:
		return "an instant with its zone, such as 2026-03-01T22:00:00+01:00"
	case reflect.PointerTo(t).Implements(textType):
		return wantedText(t) + in
	}
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.Int, reflect.Int64:
		return "a whole number" + near
	case reflect.Float64:
		return "a number" + near
	case reflect.String:
		return "text"
	case reflect.Struct:
		return fmt.Sprintf("a mapping with the keys %s", strings.Join(keysOf(t), ", "))
	default:
		return "a mapping"
	}
}

// CheckText says what is wrong with a text of this field, read from elsewhere
// than a document: what was found, what would be right, and the nearest known
// word. found is empty where nothing is wrong.
func (f Field) CheckText(s string) (found, want, nearest string) {
	switch {
	case s == "":
		return "empty text", f.wanted(stringType), ""
	case control(s, f.Prose):
		return "text with a line break or a control character", f.wanted(stringType), ""
	case !f.Prose && strings.TrimSpace(s) != s:
		return quote(s) + " begins or ends in a space", f.wanted(stringType), ""
	}
	shown := quote(s)
	if f.Secret {
		shown = "text (not shown)"
	}
	if len(f.Words) > 0 {
		for _, w := range f.Words {
			if s == w {
				return "", "", ""
			}
		}
		if len(f.Words) > 1 {
			nearest = Nearest(s, f.Words)
		}
		return shown, oneOf(f.Words), nearest
	}
	if f.Form != nil && !f.Form.matches(s) {
		return shown, f.wanted(stringType), ""
	}
	return "", "", ""
}

// control reports whether the text holds what would move a terminal's cursor.
func control(s string, prose bool) bool {
	return strings.IndexFunc(s, func(r rune) bool {
		if prose && (r == '\n' || r == '\t') {
			return false
		}
		return r < ' ' || r >= 0x7f && r < 0xa0 || r == '\u2028' || r == '\u2029' || r >= '\u202a' && r <= '\u202e' || r >= '\u2066' && r <= '\u2069'
	}) >= 0
}
