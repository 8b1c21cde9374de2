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
	"math/big"
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

// multiple is a unit by its symbol, how many of the base unit it holds, and
// whether only whole numbers of it mean anything.
type multiple struct {
	name  string
	of    int64
	whole bool
}

// sizeUnits are tried in order when a size is read, so that B comes last. The
// binary ones, and B, are also those in which a size is written.
var (
	binaryUnits = []multiple{
		{name: "TiB", of: int64(TiB)}, {name: "GiB", of: int64(GiB)}, {name: "MiB", of: int64(MiB)}, {name: "KiB", of: int64(KiB)},
	}
	sizeUnits = append(binaryUnits[:len(binaryUnits):len(binaryUnits)],
		multiple{name: "TB", of: 1e12}, multiple{name: "GB", of: 1e9}, multiple{name: "MB", of: 1e6}, multiple{name: "kB", of: 1e3}, multiple{name: "B", of: 1, whole: true})
)

// ParseByteSize reads a size such as "1.8GiB", "640MB" or "4096B". A unit is
// required: "4096" alone is an error, because nobody can tell what it counts.
// Errors are of type [*ParseError].
func ParseByteSize(s string) (ByteSize, error) {
	v, err := parse(s, sizeUnits, "a size such as 1.8GiB, 640MB or 4096B")
	if err != nil {
		return 0, err
	}
	// Round half up: the fraction of an octet that a decimal leaves has no
	// meaning.
	v.Add(v, big.NewRat(1, 2))
	return ByteSize(new(big.Int).Quo(v.Num(), v.Denom()).Int64()), nil
}

// String writes the size in the largest binary unit that keeps it at or above
// one, to three decimals, and in whole octets below 1 KiB. It is for people;
// [ByteSize.MarshalText] loses nothing.
func (b ByteSize) String() string {
	switch {
	case b <= -KiB:
		return "-" + short(-float64(b), binaryUnits)
	case b < KiB:
		return strconv.FormatInt(int64(b), 10) + "B"
	}
	return short(float64(b), binaryUnits)
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

var rateUnits = []multiple{
	{name: "Tbps", of: 1e12}, {name: "Gbps", of: 1e9}, {name: "Mbps", of: 1e6}, {name: "kbps", of: 1e3}, {name: "bps", of: 1},
}

// ParseBitRate reads a rate such as "10Gbps" or "640kbps". A unit is required.
// Errors are of type [*ParseError].
func ParseBitRate(s string) (BitRate, error) {
	v, err := parse(s, rateUnits, "a rate such as 10Gbps or 640kbps")
	f, _ := v.Float64()
	return BitRate(f), err
}

// String writes the rate with the largest decimal unit that keeps it at or
// above one.
func (r BitRate) String() string {
	if r < 0 {
		return "-" + (-r).String()
	}
	return short(float64(r), rateUnits)
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

// A ParseError is a quantity that could not be read: what was found and what
// would have been right.
type ParseError struct {
	Found, Want string
}

// Error says both in one line.
func (e *ParseError) Error() string { return fmt.Sprintf("found %q, want %s", e.Found, e.Want) }

// limit is the largest quantity that is read, in octets or bit/s. It leaves
// room to add two of them without overflow.
var limit = big.NewRat(math.MaxInt64/2, 1)

// parse splits s into a decimal number and one of the units and returns their
// exact product. The error is a [*ParseError].
func parse(s string, units []multiple, want string) (*big.Rat, error) {
	for _, u := range units {
		num, ok := strings.CutSuffix(strings.TrimSpace(s), u.name)
		if !ok {
			continue
		}
		num = strings.TrimRight(num, " ")
		if !decimal(num) {
			break
		}
		v, ok := new(big.Rat).SetString(num)
		if !ok || u.whole && !v.IsInt() {
			break
		}
		if v.Mul(v, new(big.Rat).SetInt64(u.of)); v.Cmp(limit) > 0 {
			break
		}
		return v, nil
	}
	return new(big.Rat), &ParseError{Found: s, Want: want}
}

// decimal reports whether s is digits with at most one point between them.
// Signs, exponents, hexadecimals and words such as Inf are not quantities.
func decimal(s string) bool {
	whole, part, point := strings.Cut(s, ".")
	return len(s) <= 400 && digits(whole) && (!point || digits(part))
}

func digits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// short writes v in the largest unit that keeps it at or above one, to three
// decimals. The last unit takes what is below one of all the others.
func short(v float64, units []multiple) string {
	for _, u := range units {
		if scaled := math.Round(v/float64(u.of)*1000) / 1000; scaled >= 1 {
			return strconv.FormatFloat(scaled, 'f', -1, 64) + u.name
		}
	}
	last := units[len(units)-1]
	return strconv.FormatFloat(math.Round(v/float64(last.of)*1000)/1000, 'f', -1, 64) + last.name
}
