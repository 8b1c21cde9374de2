package netconf

import (
	"strconv"
	"strings"
	"time"

	"towpath/internal/element"
	"towpath/internal/state"
)

// text is a leaf's text; unknown where the leaf is not there or empty.
func text(n *element.Node) state.Opt[string] {
	if v := n.Value(); v != "" {
		return state.Some(v)
	}
	return state.Opt[string]{}
}

// local is the name of an identity without its prefix, upper case as captures
// have it.
func local(n *element.Node) string {
	v := n.Value()
	if at := strings.LastIndexByte(v, ':'); at >= 0 {
		v = v[at+1:]
	}
	return word(v)
}

func localOpt(n *element.Node) state.Opt[string] {
	if v := local(n); v != "" {
		return state.Some(v)
	}
	return state.Opt[string]{}
}

func yes(n *element.Node) state.Opt[bool] {
	switch n.Value() {
	case "true":
		return state.Some(true)
	case "false":
		return state.Some(false)
	}
	return state.Opt[bool]{}
}

// number reads a whole number of any size that fits.
func number[T ~int | ~int64 | ~uint64](n *element.Node) state.Opt[T] {
	v, err := strconv.ParseUint(n.Value(), 10, 63)
	if n == nil || err != nil {
		return state.Opt[T]{}
	}
	return state.Some(T(v))
}

func decimal(n *element.Node) state.Opt[float64] {
	v, err := strconv.ParseFloat(n.Value(), 64)
	if n == nil || err != nil {
		return state.Opt[float64]{}
	}
	return state.Some(v)
}

// span reads a number of units.
func span(n *element.Node, unit time.Duration) state.Opt[time.Duration] {
	v, known := number[int64](n).Get()
	if !known || v > int64(1<<62)/int64(unit) {
		return state.Opt[time.Duration]{}
	}
	return state.Some(time.Duration(v) * unit)
}

// instant reads a date and time. Source: RFC 6991 §3, date-and-time.
func instant(n *element.Node) state.Opt[time.Time] {
	t, err := time.Parse(time.RFC3339Nano, n.Value())
	if err != nil {
		return state.Opt[time.Time]{}
	}
	return state.Some(t.UTC())
}

// epoch reads nanoseconds since 1970; zero is unknown.
func epoch(n *element.Node) state.Opt[time.Time] {
	v, known := number[int64](n).Get()
	if !known || v == 0 {
		return state.Opt[time.Time]{}
	}
	return state.Some(time.Unix(0, v).UTC())
}

func known[T any](now, was state.Opt[T]) state.Opt[T] {
	if now.Known() {
		return now
	}
	return was
}

func uintText(n uint64) string { return strconv.FormatUint(n, 10) }
