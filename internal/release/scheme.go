package release

import (
	"cmp"
	"errors"
	"fmt"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// How a field of a version is compared, for [OrderField].As.
const (
	// AsNumber compares digits by value, however many there are.
	AsNumber = "number"
	// AsText compares octet by octet.
	AsText = "text"
	// AsWords compares by the place in OrderField.Words.
	AsWords = "words"
	// AsIdentifiers compares dot-separated identifiers, as a pre-release in
	// Semantic Versioning: digits by value and below everything else, the rest
	// as text, and more identifiers above fewer.
	// Source: Semantic Versioning 2.0.0 §11.4.
	AsIdentifiers = "identifiers"
)

// Where a version without a field sorts, for [OrderField].Empty.
const (
	EmptyFirst = "first"
	EmptyLast  = "last"
)

// Scheme is a [VersionScheme] made ready for use. It does not change and is
// safe for concurrent use.
type Scheme struct {
	pattern *regexp.Regexp
	source  string
	fields  []schemeField
}

type schemeField struct {
	name      string
	as        string
	group     int
	words     []string
	emptyLast bool
}

// Version is a version of one scheme, ready to be compared. The zero value is
// no version.
type Version struct {
	text string
	keys []key
}

// key is one field of a version. class is -1 for a field that is absent and
// sorts first, 1 for one that is absent and sorts last, 0 for one that is there.
type key struct {
	class int8
	as    string
	text  string // the field as written; for a number, without leading zeros
	word  int
}

// Compile makes the scheme ready for use. The error says which field is wrong
// and what would be right.
func (s VersionScheme) Compile() (*Scheme, error) {
	if s.Pattern == "" {
		return nil, errors.New("pattern: found none, want a regular expression with named groups")
	}
	if _, err := regexp.Compile(s.Pattern); err != nil {
		return nil, fmt.Errorf("pattern: %w", err)
	}
	re, err := regexp.Compile(`\A(?:` + s.Pattern + `)\z`)
	if err != nil {
		return nil, fmt.Errorf("pattern: %w", err)
	}
	if len(s.Order) == 0 {
		return nil, errors.New("order: found none, want the fields of the pattern from most to least significant")
	}
	out := &Scheme{pattern: re, source: s.Pattern}
	for i, o := range s.Order {
		at := fmt.Sprintf("order[%d]", i)
		group := re.SubexpIndex(o.Field)
		if o.Field == "" || group < 0 {
			return nil, fmt.Errorf("%s.field: found %q, want a named group of the pattern (%s)", at, o.Field, strings.Join(groupNames(re), ", "))
		}
		if slices.ContainsFunc(out.fields, func(f schemeField) bool { return f.name == o.Field }) {
			return nil, fmt.Errorf("%s.field: found %q a second time, want each field once", at, o.Field)
		}
		f := schemeField{name: o.Field, as: o.As, group: group, words: o.Words}
		switch o.As {
		case AsNumber, AsText, AsIdentifiers:
			if len(o.Words) > 0 {
				return nil, fmt.Errorf("%s.words: found words for a field compared as %s, want none", at, o.As)
			}
		case AsWords:
			if len(o.Words) == 0 {
				return nil, fmt.Errorf("%s.words: found none, want the words in ascending order", at)
			}
			for j, w := range o.Words {
				if w == "" || slices.Index(o.Words, w) != j {
					return nil, fmt.Errorf("%s.words[%d]: found %q, want a word that is not empty and stands there once", at, j, w)
				}
			}
		default:
			return nil, fmt.Errorf("%s.as: found %q, want %q, %q, %q or %q", at, o.As, AsNumber, AsText, AsWords, AsIdentifiers)
		}
		switch o.Empty {
		case "", EmptyFirst:
		case EmptyLast:
			f.emptyLast = true
		default:
			return nil, fmt.Errorf("%s.empty: found %q, want %q or %q", at, o.Empty, EmptyFirst, EmptyLast)
		}
		out.fields = append(out.fields, f)
	}
	return out, nil
}

func groupNames(re *regexp.Regexp) []string {
	var out []string
	for _, n := range re.SubexpNames() {
		if n != "" {
			out = append(out, n)
		}
	}
	return out
}

// Parse reads one version by a scheme that is compiled for this call only; use
// [VersionScheme.Compile] where there is more than one.
func (s VersionScheme) Parse(text string) (Version, error) {
	c, err := s.Compile()
	if err != nil {
		return Version{}, err
	}
	return c.Parse(text)
}

// Parse reads a version. The whole text must match the pattern, a number field
// must be digits only, and a words field one of its words.
func (s *Scheme) Parse(text string) (Version, error) {
	m := s.pattern.FindStringSubmatch(text)
	if m == nil {
		return Version{}, fmt.Errorf("version %q does not have the form %s", text, s.source)
	}
	v := Version{text: text, keys: make([]key, len(s.fields))}
	for i, f := range s.fields {
		k := key{as: f.as, text: m[f.group]}
		switch {
		case k.text == "" && f.emptyLast:
			k.class = 1
		case k.text == "":
			k.class = -1
		case f.as == AsNumber:
			if !allDigits(k.text) {
				return Version{}, fmt.Errorf("version %q: field %s is %q, want digits only", text, f.name, k.text)
			}
			k.text = stripZeros(k.text)
		case f.as == AsWords:
			if k.word = slices.Index(f.words, k.text); k.word < 0 {
				return Version{}, fmt.Errorf("version %q: field %s is %q, want one of %s", text, f.name, k.text, strings.Join(f.words, ", "))
			}
		}
		v.keys[i] = k
	}
	return v, nil
}

// String is the version as it was written.
func (v Version) String() string { return v.text }

// IsZero reports whether v is no version at all.
func (v Version) IsZero() bool { return v.keys == nil }

// Compare is negative where v sorts before w, positive where it sorts after,
// and zero where all fields of the scheme's order are alike; two versions may
// then still be written differently. It means something only for two versions
// of the same scheme.
func (v Version) Compare(w Version) int {
	for i := range min(len(v.keys), len(w.keys)) {
		if c := v.keys[i].compare(w.keys[i]); c != 0 {
			return c
		}
	}
	return cmp.Compare(len(v.keys), len(w.keys))
}

func (k key) compare(l key) int {
	if k.class != l.class || k.class != 0 {
		return cmp.Compare(k.class, l.class)
	}
	switch k.as {
	case AsNumber:
		return compareDigits(k.text, l.text)
	case AsWords:
		return cmp.Compare(k.word, l.word)
	case AsIdentifiers:
		return compareIdentifiers(k.text, l.text)
	default:
		return strings.Compare(k.text, l.text)
	}
}

// compareIdentifiers compares two pre-release strings.
// Source: Semantic Versioning 2.0.0 §11.4.
func compareIdentifiers(a, b string) int {
	x, y := strings.Split(a, "."), strings.Split(b, ".")
	for i := range min(len(x), len(y)) {
		dx, dy := allDigits(x[i]), allDigits(y[i])
		var c int
		switch {
		case dx && dy:
			c = compareDigits(stripZeros(x[i]), stripZeros(y[i]))
		case dx:
			c = -1
		case dy:
			c = 1
		default:
			c = strings.Compare(x[i], y[i])
		}
		if c != 0 {
			return c
		}
	}
	return cmp.Compare(len(x), len(y))
}

// compareDigits compares two numbers written without leading zeros; no number
// is too long.
func compareDigits(a, b string) int {
	if c := cmp.Compare(len(a), len(b)); c != 0 {
		return c
	}
	return strings.Compare(a, b)
}

func allDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

func stripZeros(s string) string {
	t := strings.TrimLeft(s, "0")
	if t == "" {
		return "0"
	}
	return t
}

// field returns the place of the named field in the order.
func (s *Scheme) field(name string) (int, bool) {
	i := slices.IndexFunc(s.fields, func(f schemeField) bool { return f.name == name })
	return i, i >= 0
}

// span says by how much the number in place i of the order differs between the
// two versions. ok is false where a more significant field differs, so that
// the numbers count different things; an absent number counts as zero.
func (v Version) span(w Version, i int) (d *big.Int, ok bool) {
	for j := range i {
		if v.keys[j].compare(w.keys[j]) != 0 {
			return nil, false
		}
	}
	d = new(big.Int).Sub(w.keys[i].number(), v.keys[i].number())
	return d.Abs(d), true
}

func (k key) number() *big.Int {
	n := new(big.Int)
	if k.class == 0 {
		n.SetString(k.text, 10) // digits only, as Parse has seen to
	}
	return n
}

// compareNatural compares firmware levels of platforms that give no scheme for
// them: runs of digits by value, other octets as they are, and a level that
// goes on after the other has ended is the higher one.
func compareNatural(a, b string) int {
	for a != "" && b != "" {
		x, y := digitRun(a), digitRun(b)
		if x > 0 && y > 0 {
			if c := compareDigits(stripZeros(a[:x]), stripZeros(b[:y])); c != 0 {
				return c
			}
			a, b = a[x:], b[y:]
			continue
		}
		if c := cmp.Compare(a[0], b[0]); c != 0 {
			return c
		}
		a, b = a[1:], b[1:]
	}
	return cmp.Compare(len(a), len(b))
}

func digitRun(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

// minutesText writes minutes with at most two decimals.
func minutesText(m float64) string {
	s := strconv.FormatFloat(m, 'f', 2, 64)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}
