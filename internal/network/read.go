package network

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"path"
	"regexp"
	"strings"

	"towpath/internal/document"
	"towpath/internal/fleet"
)

// Format is a kind of file that a topology is read from.
type Format string

// The formats.
const (
	FormatArcs    Format = "arcs"    // CSV, see [ReadArcs]
	FormatRFC8345 Format = "rfc8345" // JSON, see [ReadRFC8345]
	FormatGraphML Format = "graphml" // see [ReadGraphML]
	FormatSNDlib  Format = "sndlib"  // see [ReadSNDlib]
	FormatFleet   Format = "fleet"   // YAML, see [fleet.Read]
)

// Reading says how files are read that do not say everything themselves.
type Reading struct {
	Defaults
	// Network is the network-id of RFC 8345 JSON; empty stands for the only one
	// that has links.
	Network string
	// Unit, above 0, makes rates of plain numbers in CSV and SNDlib files: so
	// many bit/s is one of them. 0 leaves them in a unit of their own.
	Unit float64
	// Rate is a default capacity in bit/s, where that of Defaults is 0.
	Rate float64
}

// capacity is the default in the unit of a format. The error wraps [ErrNoUnit].
func (r Reading) capacity(rates bool) (float64, error) {
	switch {
	case r.Capacity == 0 && r.Rate == 0:
		return 0, nil
	case rates && r.Capacity == 0:
		return r.Rate, nil
	case !rates && r.Rate == 0:
		return r.Capacity, nil
	case r.Unit > 0 && rates:
		return r.Capacity * r.Unit, nil
	case r.Unit > 0:
		return r.Rate / r.Unit, nil
	case rates:
		return 0, fmt.Errorf("%w: default capacity: found %v, want a rate with its unit, such as 10Gbps", ErrNoUnit, r.Capacity)
	}
	return 0, fmt.Errorf("%w: default capacity: found %v bit/s, want a plain number as the file has, or to be told the unit of plain numbers", ErrNoUnit, r.Rate)
}

var (
	sndSection = regexp.MustCompile(`(?m)^\s*(META|NODES|LINKS|DEMANDS)\s*\(`)
	fleetKey   = regexp.MustCompile(`(?m)^(operator|devices|links)\s*:`)
)

// FormatOf tells the format of a topology by its content, and by the ending of
// its name where the content says nothing. The error is [document.Problems].
func FormatOf(name string, src []byte) (Format, error) {
	if wide(src) {
		return "", notUTF8(name)
	}
	s := bytes.TrimSpace(bytes.TrimPrefix(src, []byte("\ufeff")))
	first, _, _ := bytes.Cut(s, []byte("\n"))
	switch {
	case bytes.HasPrefix(s, []byte("{")):
		return FormatRFC8345, nil
	case bytes.HasPrefix(s, []byte("<")):
		return FormatGraphML, nil
	case bytes.HasPrefix(s, []byte("?SNDlib")):
		return FormatSNDlib, nil
	case bytes.Contains(first, []byte(",")) && bytes.Contains(first, []byte("src")):
		return FormatArcs, nil
	case sndSection.Match(s):
		return FormatSNDlib, nil
	case fleetKey.Match(s):
		return FormatFleet, nil
	}
	switch strings.ToLower(path.Ext(name)) {
	case ".json":
		return FormatRFC8345, nil
	case ".graphml", ".xml":
		return FormatGraphML, nil
	case ".csv":
		return FormatArcs, nil
	case ".yaml", ".yml":
		return FormatFleet, nil
	}
	found := fmt.Sprintf("a file that begins with %q", cutTo(string(first), 40))
	if len(s) == 0 {
		found = "the file is empty"
	}
	return "", document.Problems{{File: name, Line: 1, Column: 1, Found: found,
		Want: "a topology: fleet.yaml, RFC 8345 JSON, Topology Zoo GraphML, SNDlib native text, or CSV with the columns arc,link,src,dst,weight,capacity"}}
}

// wide says whether a text that begins so is in UTF-16, as spreadsheets save it
// when they are asked for "Unicode".
func wide(head []byte) bool {
	return bytes.HasPrefix(head, []byte{0xff, 0xfe}) || bytes.HasPrefix(head, []byte{0xfe, 0xff}) || bytes.IndexByte(head[:min(len(head), 4)], 0) >= 0
}

func notUTF8(name string) error {
	return document.Problems{{File: name, Line: 1, Column: 1, Found: "the file is in UTF-16, or no text", Want: "UTF-8"}}
}

func cutTo(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// ReadTopology reads a topology in any of the formats, and the demands where the
// file has some. The error is [document.Problems] where the file is at fault.
func ReadTopology(name string, r io.Reader, opt Reading) (Topology, []Demand, Format, error) {
	src, err := io.ReadAll(io.LimitReader(r, maxFile+1))
	if err != nil {
		return Topology{}, nil, "", fmt.Errorf("%s: %w", name, err)
	}
	if len(src) > maxFile {
		return Topology{}, nil, "", document.Problems{{File: name, Found: "the file is too large", Want: fmt.Sprintf("at most %d octets", maxFile)}}
	}
	f, err := FormatOf(name, src)
	if err != nil {
		return Topology{}, nil, "", err
	}
	top, demands, err := readAs(f, name, src, opt)
	if err != nil {
		return Topology{}, nil, f, err
	}
	top.Plain = opt.Unit
	if top.Unit == "" && opt.Unit > 0 {
		top.Unit = BitsPerSecond
		for i := range top.Arcs {
			top.Arcs[i].Capacity *= opt.Unit
		}
		for i := range demands {
			demands[i].Volume *= opt.Unit
		}
	}
	return top, demands, f, nil
}

// maxFile bounds what is read into memory: 300,000 arcs are some 20 MB.
const maxFile = 256 << 20

func readAs(f Format, name string, src []byte, opt Reading) (top Topology, demands []Demand, err error) {
	if opt.Capacity, err = opt.capacity(f != FormatSNDlib); err != nil && f != FormatArcs && f != FormatFleet {
		return Topology{}, nil, err
	}
	switch f {
	case FormatArcs:
		top, err := ReadArcs(name, bytes.NewReader(src))
		return top, nil, err
	case FormatRFC8345:
		top, err := ReadRFC8345(name, bytes.NewReader(src), opt.Network, opt.Defaults)
		return top, nil, err
	case FormatGraphML:
		top, err := ReadGraphML(name, bytes.NewReader(src), opt.Defaults)
		return top, nil, err
	case FormatSNDlib:
		return ReadSNDlib(name, bytes.NewReader(src), opt.Defaults)
	case FormatFleet:
		owned, err := fleet.Read(name, src)
		if err != nil {
			return Topology{}, nil, err
		}
		top, err := FleetTopology(owned, FleetOptions{})
		return top, FleetDemands(owned), err
	}
	return Topology{}, nil, fmt.Errorf("%w: found format %q", ErrInvalid, f)
}

// IsSeries reports whether a CSV file of demands has a column time, and so is
// one for [ReadSeries].
func IsSeries(src []byte) bool {
	first, _, _ := bytes.Cut(bytes.TrimPrefix(src, []byte("\ufeff")), []byte("\n"))
	for c := range strings.SplitSeq(string(first), ",") {
		if strings.Trim(strings.TrimSpace(c), `"`) == "time" {
			return true
		}
	}
	return false
}

// IsCounters reports whether a CSV file is one of interface counters, by node and
// arc or by interface, and not of demands.
func IsCounters(src []byte) bool {
	first, _, _ := bytes.Cut(bytes.TrimPrefix(src, []byte(byteOrderMark)), []byte("\n"))
	has := map[string]bool{}
	for c := range strings.SplitSeq(string(first), ",") {
		has[strings.Trim(strings.TrimSpace(c), `"`)] = true
	}
	return !has["volume"] && (has["kind"] && has["element"] || has["device"] && has["interface"])
}

// ReadDemandFile reads demands of a topology from CSV, see [ReadDemands], or
// from the section DEMANDS of SNDlib native text. The error is
// [document.Problems] where the file is at fault.
func ReadDemandFile(name string, r io.Reader, top Topology) ([]Demand, error) {
	in := bufio.NewReaderSize(r, 1<<16)
	head, err := in.Peek(1 << 12)
	if err != nil && len(head) == 0 {
		return nil, document.Problems{{File: name, Found: "the file is empty", Want: "CSV with the columns src,dst,volume, or SNDlib native text with DEMANDS"}}
	}
	if bytes.HasPrefix(bytes.TrimSpace(bytes.TrimPrefix(head, []byte(byteOrderMark))), []byte("?SNDlib")) || sndSection.Match(head) {
		demands, _, err := readSNDlibDemands(name, in, top)
		return demands, err
	}
	return ReadDemands(name, in, top)
}
