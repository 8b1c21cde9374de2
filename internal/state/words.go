package state

import (
	"fmt"
	"strconv"
	"time"

	"towpath/internal/unit"
)

type (
	sizeT = unit.ByteSize
	rateT = unit.BitRate
)

func asIs(s string) string              { return s }
func text[T fmt.Stringer](v T) string   { return v.String() }
func number(n uint64) string            { return strconv.FormatUint(n, 10) }
func percent(v float64) string          { return strconv.FormatFloat(v, 'f', -1, 64) + "%" }
func celsius(v float64) string          { return strconv.FormatFloat(v, 'f', -1, 64) + " °C" }
func instant(t time.Time) string        { return t.UTC().Format(time.RFC3339) }
func stateText(a *Adjacency) string     { return orUnknown(a.State) }
func orNone(s string) string            { return orWord(s, "none") }
func orUnknown(o Opt[string]) string    { return o.Or("unknown") }
func componentText(k *Component) string { return orWord(k.Kind, "present") }
func routeText(r *Route) string {
	return fmt.Sprintf("%s via %s metric %d", r.Protocol, r.NextHops, r.Metric)
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func orWord(s, word string) string {
	if s == "" {
		return word
	}
	return s
}

// short is the beginning of a digest.
func short(digest string) string {
	if len(digest) > 12 {
		return digest[:12] + "…"
	}
	return digest
}

func tableText(t *RouteTable) string {
	if n, ok := counted(t).Get(); ok {
		return unit.Counted(n, "route")
	}
	return "unknown"
}
