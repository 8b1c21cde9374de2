package release

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
)

// Range is a set of versions of one scheme. The zero value contains nothing.
// Make one with [Scheme.ParseRange] or [Scheme.ParseVers].
type Range struct {
	text   string
	spans  []span
	except []Version
}

// span is one interval; a side without a bound is open to all versions.
type span struct {
	low, high         Version
	hasLow, hasHigh   bool
	openLow, openHigh bool // the bound itself is outside
}

func (s span) contains(v Version) bool {
	if s.hasLow {
		if c := v.Compare(s.low); c < 0 || c == 0 && s.openLow {
			return false
		}
	}
	if s.hasHigh {
		if c := v.Compare(s.high); c > 0 || c == 0 && s.openHigh {
			return false
		}
	}
	return true
}

// single reports whether the span is one version.
func (s span) single() bool {
	return s.hasLow && s.hasHigh && !s.openLow && !s.openHigh && s.low.Compare(s.high) == 0
}

// Contains reports whether the version, of the same scheme, is in the range.
func (r Range) Contains(v Version) bool {
	if v.IsZero() || slices.ContainsFunc(r.except, func(x Version) bool { return x.Compare(v) == 0 }) {
		return false
	}
	return slices.ContainsFunc(r.spans, func(s span) bool { return s.contains(v) })
}

// String is the range as it was written.
func (r Range) String() string { return r.text }

// ParseRange reads a range as transitions write it: one version, "a..b" with
// both ends included, "a.." and "..b" for all versions from or up to one, a
// comma-separated list of those, or "*" for every version. The ends need not
// be releases that exist.
func (s *Scheme) ParseRange(text string) (Range, error) {
	r := Range{text: text}
	items := strings.Split(text, ",")
	for i, item := range items {
		sp, err := s.parseSpan(strings.TrimSpace(item))
		if err != nil {
			if len(items) > 1 {
				err = fmt.Errorf("item %d: %w", i+1, err)
			}
			return Range{}, fmt.Errorf("range %q: %w", text, err)
		}
		r.spans = append(r.spans, sp)
	}
	return r, nil
}

func (s *Scheme) parseSpan(item string) (span, error) {
	const want = `want a version, "a..b", "a..", "..b" or "*"`
	var sp span
	var err error
	switch item {
	case "":
		return sp, errors.New("found nothing, " + want)
	case "*":
		return sp, nil
	}
	low, high, isSpan := strings.Cut(item, "..")
	if !isSpan {
		sp.low, err = s.Parse(item)
		sp.high, sp.hasLow, sp.hasHigh = sp.low, true, true
		return sp, err
	}
	low, high = strings.TrimSpace(low), strings.TrimSpace(high)
	if low == "" && high == "" {
		return sp, fmt.Errorf("found %q, %s", item, want)
	}
	if low != "" {
		sp.hasLow = true
		if sp.low, err = s.Parse(low); err != nil {
			return sp, err
		}
	}
	if high != "" {
		sp.hasHigh = true
		if sp.high, err = s.Parse(high); err != nil {
			return sp, err
		}
	}
	if sp.hasLow && sp.hasHigh && sp.low.Compare(sp.high) > 0 {
		return sp, fmt.Errorf("found %q, where %s sorts after %s, want the lower end first", item, low, high)
	}
	return sp, nil
}

// constraint is one comparator with its version in a vers text.
type constraint struct {
	op string
	v  Version
}

// ParseVers reads a range in the vers form ("vers:TYPE/>=2.0.0|<5.0.0") and
// returns it with its type, which says whose versions they are; the scheme must
// be the one of that type. Only the canonical form is accepted: sorted, each
// version once, comparators in an order that means something. A wrong one is
// an error and never mended. Exclusions alone contain nothing: they only take
// away from what another constraint lets in.
// Source: package-url vers specification, parts on syntax, normalisation and
// containment.
func (s *Scheme) ParseVers(text string) (Range, string, error) {
	fail := func(format string, args ...any) (Range, string, error) {
		return Range{}, "", fmt.Errorf("vers %q: %w", text, fmt.Errorf(format, args...))
	}
	if strings.ContainsAny(text, " \t\r\n") {
		return fail("found white space, want none")
	}
	rest, ok := strings.CutPrefix(text, "vers:")
	if !ok {
		return fail("want it to begin with vers:")
	}
	kind, list, ok := strings.Cut(rest, "/")
	if !ok || kind == "" || strings.Trim(kind, "abcdefghijklmnopqrstuvwxyz0123456789.-+") != "" || kind[0] >= '0' && kind[0] <= '9' {
		return fail("found type %q, want lower-case letters, digits, dots, dashes and pluses, then a slash", kind)
	}
	r := Range{text: text}
	if list == "*" {
		r.spans = []span{{}}
		return r, kind, nil
	}
	var all []constraint
	for i, item := range strings.Split(list, "|") {
		c := constraint{op: "="}
		for _, op := range []string{">=", "<=", "!=", ">", "<", "="} {
			if after, has := strings.CutPrefix(item, op); has {
				c.op, item = op, after
				break
			}
		}
		if item == "" || strings.ContainsAny(item, "><=!*") {
			return fail("constraint %d: found version %q, want one with %%-encoded comparators, and * only alone", i+1, item)
		}
		plain, err := url.PathUnescape(item)
		if err != nil {
			return fail("constraint %d: %w", i+1, err)
		}
		if c.v, err = s.Parse(plain); err != nil {
			return fail("constraint %d: %w", i+1, err)
		}
		if n := len(all); n > 0 && all[n-1].v.Compare(c.v) >= 0 {
			return fail("constraint %d: %s does not sort after %s, want ascending versions, each once", i+1, c.v, all[n-1].v)
		}
		all = append(all, c)
	}
	if err := versOrder(all); err != nil {
		return fail("%w", err)
	}
	var walk []constraint
	for _, c := range all {
		switch c.op {
		case "!=":
			r.except = append(r.except, c.v)
		case "=":
			r.spans = append(r.spans, span{low: c.v, high: c.v, hasLow: true, hasHigh: true})
		default:
			walk = append(walk, c)
		}
	}
	// Two neighbours of > and < type bound an interval; a leading < type is open
	// below, a trailing > type open above.
	for i := 0; i < len(walk); i++ {
		c := walk[i]
		if c.op[0] == '<' {
			r.spans = append(r.spans, span{high: c.v, hasHigh: true, openHigh: c.op == "<"})
			continue
		}
		sp := span{low: c.v, hasLow: true, openLow: c.op == ">"}
		if i+1 < len(walk) {
			i++
			sp.high, sp.hasHigh, sp.openHigh = walk[i].v, true, walk[i].op == "<"
		}
		r.spans = append(r.spans, sp)
	}
	return r, kind, nil
}

// versOrder checks the order of comparators: without the !=, an = may be
// followed only by =, > or >=; without the = as well, greater and lesser types
// alternate.
func versOrder(all []constraint) error {
	var last, lastBound constraint
	for _, c := range all {
		if c.op == "!=" {
			continue
		}
		if last.op == "=" && c.op[0] == '<' {
			return fmt.Errorf("=%s is followed by %s%s, want =, > or >= there", last.v, c.op, c.v)
		}
		last = c
		if c.op == "=" {
			continue
		}
		if lastBound.op != "" && lastBound.op[0] == c.op[0] {
			return fmt.Errorf("%s%s is followed by %s%s, want greater and lesser in turn", lastBound.op, lastBound.v, c.op, c.v)
		}
		lastBound = c
	}
	return nil
}
