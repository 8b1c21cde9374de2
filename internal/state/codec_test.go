package state_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"towpath/internal/state"
	"towpath/internal/state/statetest"
)

var noon = time.Date(2031, 3, 14, 12, 0, 0, 0, time.UTC)

func encode(tb testing.TB, c *state.Capture) []byte {
	tb.Helper()
	var buf bytes.Buffer
	if err := state.Encode(&buf, c); err != nil {
		tb.Fatal(err)
	}
	return buf.Bytes()
}

// Any reader of Zstandard unpacks a capture file to lines of JSON: the header
// and trailer are skippable frames.
// Source: RFC 8878 §3.1.1 (magic number) and §3.1.2 (skippable frames).
func TestFileIsPlainZstandard(t *testing.T) {
	file := encode(t, statetest.Healthy(noon))
	if want := []byte{0x50, 0x2A, 0x4D, 0x18}; !bytes.HasPrefix(file, want) {
		t.Errorf("file begins with % x, want a skippable frame % x", file[:4], want)
	}
	if !bytes.Contains(file, []byte{0x28, 0xB5, 0x2F, 0xFD}) {
		t.Error("no data frame in the file")
	}
	z, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	lines, err := z.DecodeAll(file, nil)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range bytes.Lines(lines) {
		n++
		if !json.Valid(line) {
			t.Errorf("line %d is no JSON: %s", n, line)
		}
	}
	if want := 1 + 2*statetest.Routes; n != want {
		t.Errorf("%d lines, want %d", n, want)
	}
}

func TestDamageIsFound(t *testing.T) {
	full := statetest.Healthy(noon)
	c := &state.Capture{Device: full.Device, TakenAt: full.TakenAt, Boot: full.Boot, Clock: full.Clock, RouteTables: full.RouteTables}
	c.RouteTables[0].Routes = c.RouteTables[0].Routes[:4]
	c.RouteTables[1].Routes = nil
	file := encode(t, c) // a small file, for every octet is tried
	found, harmless := 0, 0
	for i := range file {
		for _, bit := range []byte{0x01, 0x80} {
			bad := bytes.Clone(file)
			bad[i] ^= bit
			got, err := state.Decode(bytes.NewReader(bad))
			switch {
			case err == nil && bytes.Equal(encode(t, got), file):
				harmless++ // a reserved or descriptive bit of the frame that changes no content
			case err == nil:
				t.Fatalf("octet %d changed by %#x gives another capture and no error", i, bit)
			case !errors.Is(err, state.ErrDamaged) && !errors.Is(err, state.ErrNotCapture) && !errors.Is(err, state.ErrVersion) && !errors.Is(err, state.ErrTooLarge):
				t.Fatalf("octet %d changed by %#x: %v, want a known kind", i, bit, err)
			default:
				found++
			}
		}
	}
	if found == 0 || harmless > 16 {
		t.Errorf("%d changes found and %d without effect in %d octets", found, harmless, len(file))
	}
	for n := range file {
		if _, err := state.Decode(bytes.NewReader(file[:n])); !errors.Is(err, state.ErrDamaged) && !errors.Is(err, state.ErrNotCapture) {
			t.Fatalf("cut after %d of %d octets: %v", n, len(file), err)
		}
	}
	if _, err := state.Decode(bytes.NewReader(append(bytes.Clone(file), 0))); !errors.Is(err, state.ErrDamaged) {
		t.Errorf("one octet more: %v", err)
	}
}

func TestDecodeSaysWhatIsWrong(t *testing.T) {
	file := encode(t, statetest.Healthy(noon))
	const tail = 8 + 32 + 8
	claim := func(size uint64) []byte {
		b := bytes.Clone(file)
		for i := range 8 {
			b[len(b)-8+i] = byte(size >> (8 * i))
		}
		return b
	}
	later := bytes.Replace(file, []byte("towpath-capture 1"), []byte("towpath-capture 7"), 1)
	for _, tc := range []struct {
		name string
		file []byte
		want error
		text string
	}{
		{"empty", nil, state.ErrNotCapture, "read capture: not a capture file: it does not begin with the mark of one"},
		{"JSON", []byte(`{"device":"mere-agg-1"}`), state.ErrNotCapture, "read capture: not a capture file: it does not begin with the mark of one"},
		{"later version", later, state.ErrVersion, `read capture: capture file of another format version: found "7", this program reads 1`},
		{"cut short", file[:len(file)-tail], state.ErrDamaged, "read capture: damaged capture file: it does not end with its checksum; was it cut short?"},
		{"too long to unpack", claim(1 << 40), state.ErrTooLarge, "read capture: capture file too large: it unpacks to 1099511627776 octets, at most 1073741824 are read"},
	} {
		_, err := state.Decode(bytes.NewReader(tc.file))
		if !errors.Is(err, tc.want) || err.Error() != tc.text {
			t.Errorf("%s: %v, want %s", tc.name, err, tc.text)
		}
	}
	// A length that does not fit the content: reading stops one octet later.
	for _, size := range []uint64{0, 1, 100} {
		if _, err := state.Decode(bytes.NewReader(claim(size))); !errors.Is(err, state.ErrDamaged) {
			t.Errorf("length %d: %v", size, err)
		}
	}
}

// A capture that names a field by the word before RFC 8530 is told by the new one,
// and is not read without it.
func TestOldWordIsNamed(t *testing.T) {
	c := &state.Capture{Device: "mere-agg-1", LogicalNetworkElements: []state.LogicalNetworkElement{{Name: "metering"}}}
	file := encode(t, c)
	z, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	lines, err := z.DecodeAll(file, nil)
	if err != nil {
		t.Fatal(err)
	}
	old := bytes.Replace(lines, []byte(`"logical_network_elements":`), []byte(`"logical_systems":`), 1)
	if bytes.Equal(old, lines) {
		t.Fatal("the field is not in the file")
	}
	w, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = w.Close() }()
	// The file is a mark, the content, and its checksum and length in a frame of 8
	// octets and 40 (Source: encode of this package).
	mark := file[:bytes.Index(file, []byte{0x28, 0xB5, 0x2F, 0xFD})]
	tail := bytes.Clone(file[len(file)-48:])
	sum := sha256.Sum256(old)
	copy(tail[8:], sum[:])
	binary.LittleEndian.PutUint64(tail[40:], uint64(len(old)))
	_, err = state.Decode(bytes.NewReader(slices.Concat(mark, w.EncodeAll(old, nil), tail)))
	if !errors.Is(err, state.ErrVersion) || !strings.Contains(err.Error(), `"logical_network_elements" now`) {
		t.Errorf("%v, want that it is of another version, and the new word", err)
	}
}

func TestEncodeRefusesWhatJSONCannotHold(t *testing.T) {
	c := statetest.Healthy(noon)
	zero := 0.0
	c.CPUPercent = state.Some(1 / zero)
	if err := state.Encode(&bytes.Buffer{}, c); err == nil {
		t.Error("an infinite CPU was encoded")
	}
	if err := state.Encode(&bytes.Buffer{}, nil); err == nil {
		t.Error("nothing was encoded")
	}
}

// FuzzDecode: no input makes Decode panic or take memory without bound, and
// what it accepts is written back to the same capture.
func FuzzDecode(f *testing.F) {
	f.Add(encode(f, statetest.Healthy(noon)))
	f.Add(encode(f, &state.Capture{}))
	f.Add(encode(f, &state.Capture{RouteTables: []state.RouteTable{{Family: "ipv4", Routes: []state.Route{{Prefix: `odd "text" <é>`, Metric: 1<<32 - 1}}}}}))
	f.Fuzz(func(t *testing.T, file []byte) {
		c, err := state.Decode(bytes.NewReader(file))
		if err != nil {
			return
		}
		again, err := state.Decode(bytes.NewReader(encode(t, c)))
		if err != nil {
			t.Fatal(err)
		}
		if cmp := state.Compare(c, again, state.Expectation{}, state.Tolerances{}); cmp.Verdict != state.Unchanged {
			t.Errorf("written and read again it differs: %v", cmp.Differences)
		}
	})
}

// The committed seeds are files of the format and damaged ones.
func TestSeedsAreThere(t *testing.T) {
	seeds, err := filepath.Glob("testdata/fuzz/FuzzDecode/*")
	if err != nil || len(seeds) < 4 {
		t.Fatalf("%d seeds, %v", len(seeds), err)
	}
	whole := 0
	for _, s := range seeds {
		b, err := os.ReadFile(s)
		text, isSeed := strings.CutPrefix(string(b), "go test fuzz v1\n[]byte(")
		file, unquoted := strconv.Unquote(strings.TrimSuffix(text, ")\n"))
		if err != nil || !isSeed || unquoted != nil {
			t.Errorf("%s is no seed: %v", s, err)
		}
		if _, err := state.Decode(strings.NewReader(file)); err == nil {
			whole++
		}
	}
	if whole == 0 || whole == len(seeds) {
		t.Errorf("%d of %d seeds are whole; some must be and some not", whole, len(seeds))
	}
}

// Another implementation of Zstandard unpacks the file too.
// Source: the zstd command, reference implementation of RFC 8878.
func TestReferenceToolUnpacks(t *testing.T) {
	tool, err := exec.LookPath("zstd")
	if err != nil {
		t.Skip("the zstd command is not installed")
	}
	cmd := exec.Command(tool, "-dc")
	cmd.Stdin = bytes.NewReader(encode(t, statetest.Healthy(noon)))
	lines, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var head struct{ Capture state.Capture }
	first, rest, _ := bytes.Cut(lines, []byte("\n"))
	if err := json.Unmarshal(first, &head); err != nil || head.Capture.Device != statetest.Device {
		t.Errorf("first line tells of %q, %v", head.Capture.Device, err)
	}
	if n := bytes.Count(rest, []byte("\n")); n != 2*statetest.Routes {
		t.Errorf("%d routes, want %d", n, 2*statetest.Routes)
	}
}
