package unit

import (
	"errors"
	"math"
	"strconv"
	"testing"

	sizes "github.com/dustin/go-humanize" //nolint:misspell // the library spells it so
	"pgregory.net/rapid"
)

func TestParseByteSize(t *testing.T) {
	// Source: IEC 80000-13:2008, binary prefixes; SI Brochure 9th edition, §3.1,
	// decimal prefixes.
	for text, want := range map[string]ByteSize{
		"0B":       0,
		"4096B":    4096,
		"1kB":      1000,
		"1KiB":     1024,
		"640MB":    640_000_000,
		"1.5MiB":   1_572_864,
		"1.8GiB":   1_932_735_283, // 1 932 735 283.2 octets
		"2.5GB":    2_500_000_000,
		" 512 MiB": 536_870_912,
		"1TB":      1_000_000_000_000,
		"1TiB":     1_099_511_627_776,
		// More than a float64 can hold exactly.
		"9007199254740993B": 9_007_199_254_740_993,
	} {
		got, err := ParseByteSize(text)
		if err != nil || got != want {
			t.Errorf("ParseByteSize(%q) = %d, %v; want %d", text, int64(got), err, int64(want))
		}
	}
}

func TestParseRefusesWhatIsNoQuantity(t *testing.T) {
	for _, text := range []string{
		"", "B", "GiB", "4096", "-1GiB", "+1GiB", "1e3MB", "0x10MB", "InfB", "NaNGiB", "1.GiB", ".5GiB", "1.2.3GB",
		"1_000MB", "0.5B", "1gib", "1G", "1Gb", "1GiB extra", "9223372036854775807B", "10Gbps", "1.8 G iB",
	} {
		got, err := ParseByteSize(text)
		var bad *ParseError
		if !errors.As(err, &bad) || bad.Found != text || bad.Want == "" || got != 0 {
			t.Errorf("ParseByteSize(%q) = %d, %v; want an error that names it", text, got, err)
		}
	}
	for _, text := range []string{"", "10", "10G", "10Gbit", "-1bps", "1e3Mbps", "10 GBPS", "Infbps", "4GiB", "99999999Tbps"} {
		got, err := ParseBitRate(text)
		var bad *ParseError
		if !errors.As(err, &bad) || bad.Found != text || got != 0 {
			t.Errorf("ParseBitRate(%q) = %v, %v; want an error that names it", text, float64(got), err)
		}
	}
}

func TestParseBitRate(t *testing.T) {
	// Source: SI Brochure 9th edition, §3.1, decimal prefixes.
	for text, want := range map[string]BitRate{
		"0bps": 0, "0.5bps": 0.5, "640kbps": 640e3, "2.5Mbps": 2.5e6, "1.1Gbps": 1.1e9, "10Gbps": 10e9, "0.4Tbps": 400e9, "100 Gbps": 100e9,
	} {
		got, err := ParseBitRate(text)
		if err != nil || got != want {
			t.Errorf("ParseBitRate(%q) = %v, %v; want %v", text, float64(got), err, float64(want))
		}
	}
}

func TestStrings(t *testing.T) {
	for size, want := range map[ByteSize]string{
		0: "0B", 1023: "1023B", 1024: "1KiB", 1536: "1.5KiB", MiB - 1: "1MiB", 1_932_735_283: "1.8GiB", 3 * TiB: "3TiB", 5000 * TiB: "5000TiB",
		-1: "-1B", -GiB: "-1GiB", math.MinInt64: "-8388608TiB",
	} {
		if got := size.String(); got != want {
			t.Errorf("ByteSize(%d).String() = %q, want %q", int64(size), got, want)
		}
	}
	for rate, want := range map[BitRate]string{
		0: "0bps", 0.25: "0.25bps", 999: "999bps", 1e3: "1kbps", 999_999_999: "1Gbps", 10e9: "10Gbps", 1.25e12: "1.25Tbps", -4e7: "-40Mbps",
	} {
		if got := rate.String(); got != want {
			t.Errorf("BitRate(%v).String() = %q, want %q", float64(rate), got, want)
		}
	}
}

func TestTextRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := ByteSize(rapid.Int64Range(0, math.MaxInt64/2).Draw(t, "size"))
		text, err := size.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		var back ByteSize
		if err := back.UnmarshalText(text); err != nil || back != size {
			t.Fatalf("%d octets became %q and then %d, %v", int64(size), text, int64(back), err)
		}
		rate := BitRate(rapid.Float64Range(0, 1e15).Draw(t, "rate"))
		if text, err = rate.MarshalText(); err != nil {
			t.Fatal(err)
		}
		var again BitRate
		if err := again.UnmarshalText(text); err != nil || again != rate {
			t.Fatalf("%v bit/s became %q and then %v, %v", float64(rate), text, float64(again), err)
		}
	})
}

// Source: an independent reader of the same units.
func TestSizesAgreeWithAnotherReader(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]string{"B", "kB", "MB", "GB", "TB", "KiB", "MiB", "GiB", "TiB"}).Draw(t, "unit")
		text := strconv.Itoa(rapid.IntRange(0, 4000).Draw(t, "number")) + unit
		want, err := sizes.ParseBytes(text)
		if err != nil {
			t.Fatal(err)
		}
		got, err := ParseByteSize(text)
		if err != nil || uint64(got) != want {
			t.Fatalf("ParseByteSize(%q) = %d, %v; the other reader says %d", text, int64(got), err, want)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{"1.8GiB", "640MB", "4096B", "10Gbps", "640kbps", "0.1bps", "-1B", "1e9GB", "99999999999999999999B", "٣GiB"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if size, err := ParseByteSize(s); err == nil {
			text, _ := size.MarshalText()
			if back, err := ParseByteSize(string(text)); err != nil || back != size || size < 0 {
				t.Fatalf("%q is %d octets, written %q, read %d, %v", s, int64(size), text, int64(back), err)
			}
		}
		if rate, err := ParseBitRate(s); err == nil {
			text, _ := rate.MarshalText()
			if back, err := ParseBitRate(string(text)); err != nil || back != rate || rate < 0 {
				t.Fatalf("%q is %v bit/s, written %q, read %v, %v", s, float64(rate), text, float64(back), err)
			}
		}
	})
}
