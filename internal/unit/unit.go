// Package unit holds the quantities that Towpath reads from files and shows to
// people: sizes of images, rates of links. Durations are [time.Duration] and
// are written in Go's own form ("300ms", "90s", "25m").
//
// Read [ParseByteSize] and [ParseBitRate] first. Both types marshal to and from
// the text form, so they can stand directly in structs that are decoded from
// YAML, JSON or CSV.
package unit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// ByteSize is a number of octets. The zero value is an empty file. Negative
// sizes never parse; they appear only as differences.
type ByteSize int64

// The binary multiples of an octet.
// Source: IEC 80000-13:2008, table of binary prefixes.
const (
	KiB ByteSize = 1 << 10
	MiB ByteSize = 1 << 20
	GiB ByteSize = 1 << 30
	TiB ByteSize = 1 << 40
)

var sizeUnits = []struct {
	name  string
	bytes float64
}{
	{"TiB", float64(TiB)}, {"GiB", float64(GiB)}, {"MiB", float64(MiB)}, {"KiB", float64(KiB)},
	{"TB", 1e12}, {"GB", 1e9}, {"MB", 1e6}, {"kB", 1e3}, {"B", 1},
}

// ParseByteSize reads a size such as "1.8GiB", "640MB" or "4096B". A unit is
// required: "4096" alone is an error, because nobody can tell what it counts.
func ParseByteSize(s string) (ByteSize, error) {
	v, err := parse(s, sizeUnits, "a size such as 1.8GiB, 640MB or 4096B")
	return ByteSize(math.Round(v)), err
}

// String writes the size with the largest binary unit that keeps it at or above
// one, to three significant decimals, and whole octets below 1 KiB.
func (b ByteSize) String() string {
	if b < 0 {
		return "-" + (-b).String()
	}
	for _, u := range sizeUnits[:4] {
		if float64(b) >= u.bytes {
			return trim(float64(b)/u.bytes) + u.name
		}
	}
	return strconv.FormatInt(int64(b), 10) + "B"
}

// MarshalText writes the exact number of octets where the short form would
// lose some, and the short form otherwise, so that text round-trips.
func (b ByteSize) MarshalText() ([]byte, error) {
	if back, err := ParseByteSize(b.String()); err == nil && back == b {
		return []byte(b.String()), nil
	}
	return []byte(strconv.FormatInt(int64(b), 10) + "B"), nil
}

// UnmarshalText is [ParseByteSize].
func (b *ByteSize) UnmarshalText(t []byte) error {
	v, err := ParseByteSize(string(t))
	if err == nil {
		*b = v
	}
	return err
}

// BitRate is a rate in bit/s. The zero value means no capacity at all.
type BitRate float64

var rateUnits = []struct {
	name  string
	bytes float64
}{
	{"Tbps", 1e12}, {"Gbps", 1e9}, {"Mbps", 1e6}, {"kbps", 1e3}, {"bps", 1},
}

// ParseBitRate reads a rate such as "10Gbps" or "640kbps". A unit is required.
func ParseBitRate(s string) (BitRate, error) {
	v, err := parse(s, rateUnits, "a rate such as 10Gbps or 640kbps")
	return BitRate(v), err
}

// String writes the rate with the largest decimal unit that keeps it at or
// above one.
func (r BitRate) String() string {
	if r < 0 {
		return "-" + (-r).String()
	}
	for _, u := range rateUnits {
		if float64(r) >= u.bytes {
			return trim(float64(r)/u.bytes) + u.name
		}
	}
	return trim(float64(r)) + "bps"
}

// MarshalText writes a form that parses back to the same value.
func (r BitRate) MarshalText() ([]byte, error) {
	if back, err := ParseBitRate(r.String()); err == nil && back == r {
		return []byte(r.String()), nil
	}
	return []byte(strconv.FormatFloat(float64(r), 'f', -1, 64) + "bps"), nil
}

// UnmarshalText is [ParseBitRate].
func (r *BitRate) UnmarshalText(t []byte) error {
	v, err := ParseBitRate(string(t))
	if err == nil {
		*r = v
	}
	return err
}

// parse splits s into a number and one of the units and returns their product.
func parse(s string, units []struct {
	name  string
	bytes float64
}, want string) (float64, error) {
	s = strings.TrimSpace(s)
	for _, u := range units {
		num, ok := strings.CutSuffix(s, u.name)
		if !ok {
			continue
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
		if err != nil || v < 0 || math.IsInf(v, 0) || math.IsNaN(v) || v*u.bytes > math.MaxInt64/2 {
			return 0, fmt.Errorf("found %q, want %s", s, want)
		}
		return v * u.bytes, nil
	}
	return 0, fmt.Errorf("found %q, want %s", s, want)
}

// trim formats v with at most three decimals and no trailing zeros.
func trim(v float64) string {
	return strconv.FormatFloat(math.Round(v*1000)/1000, 'f', -1, 64)
}
