package network

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"towpath/internal/document"
	"towpath/internal/unit"
)

// table reads a CSV file with a header and gives each value its place.
type table struct {
	name    string
	reader  *csv.Reader
	columns map[string]int
	want    []string
	record  []string
	faults  document.Problems

	unit   string  // of the quantities: see quantity
	decide bool    // the first quantity decides the unit
	plain  float64 // above 0, how many bit/s a number without a unit is
}

// byteOrderMark stands before the text in files of some spreadsheets.
const byteOrderMark = "\ufeff"

// openTable reads the header. Every wanted column must be there; others are
// passed over.
func openTable(name string, r io.Reader, want ...string) (*table, error) {
	text := bufio.NewReaderSize(r, 1<<16)
	if mark, err := text.Peek(len(byteOrderMark)); err == nil && string(mark) == byteOrderMark { // before the quotes of a first field, too
		if _, err := text.Discard(len(mark)); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	if head, err := text.Peek(4); (err == nil || errors.Is(err, io.EOF)) && wide(head) {
		return nil, notUTF8(name)
	}
	t := &table{name: name, reader: csv.NewReader(text), columns: map[string]int{}, want: want}
	t.reader.ReuseRecord = true
	head, err := t.reader.Read()
	if errors.Is(err, io.EOF) {
		return nil, document.Problems{{File: name, Found: "the file is empty", Want: "a first line with the columns " + strings.Join(want, ",")}}
	}
	if err != nil {
		return nil, t.broken(err)
	}
	for i, c := range head {
		c = strings.TrimSpace(c)
		if _, twice := t.columns[c]; twice {
			line, col := t.reader.FieldPos(i)
			t.faults = append(t.faults, document.Problem{File: name, Line: line, Column: col, Field: c, Found: "the column stands twice", Want: "each column once"})
		}
		t.columns[c] = i
	}
	for _, w := range want {
		if _, ok := t.columns[w]; !ok {
			t.faults = append(t.faults, document.Problem{File: name, Line: 1, Column: 1, Field: w, Found: "there is no such column in " + strings.Join(head, ","), Want: strings.Join(want, ",")})
		}
	}
	return t, t.faults.Err()
}

func (t *table) broken(err error) error {
	var parse *csv.ParseError
	if errors.As(err, &parse) {
		return append(t.faults, document.Problem{File: t.name, Line: parse.Line, Column: parse.Column, Found: parse.Err.Error(), Want: "a record as in RFC 4180", Err: err})
	}
	return fmt.Errorf("%s: %w", t.name, err)
}

// next reads a record; at the end it returns false with all the faults.
func (t *table) next() (bool, error) {
	record, err := t.reader.Read()
	if errors.Is(err, io.EOF) {
		return false, t.faults.Err()
	}
	if err != nil {
		return false, t.broken(err)
	}
	t.record = record
	return true, nil
}

// instant reads the column time.
func (t *table) instant() (time.Time, bool) {
	text := strings.TrimSpace(t.record[t.columns["time"]])
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.fault("time", strconv.Quote(text), "an instant with zone as in RFC 3339, such as 2026-03-01T22:00:00Z")
	}
	return at, err == nil
}

func (t *table) has(column string) bool { _, ok := t.columns[column]; return ok }

func (t *table) fault(column, found, want string) {
	line, col := t.reader.FieldPos(t.columns[column])
	t.faults = append(t.faults, document.Problem{File: t.name, Line: line, Column: col, Field: column, Found: found, Want: want})
}

func (t *table) text(column string) string {
	s := t.record[t.columns[column]]
	if strings.TrimSpace(s) == "" {
		t.fault(column, "nothing", "a name")
	}
	return strings.Clone(s)
}

// integer reads a whole number. One that a spreadsheet wrote with decimals that
// are all 0, such as 10.0, is whole as well.
func (t *table) integer(column string, low, high int64) int64 {
	s := strings.TrimSpace(t.record[t.columns[column]])
	whole := s
	if before, after, point := strings.Cut(s, "."); point && before != "" && strings.Trim(after, "0") == "" {
		whole = before
	}
	v, err := strconv.ParseInt(whole, 10, 64)
	if err != nil || v < low || v > high {
		t.fault(column, strconv.Quote(s), fmt.Sprintf("a whole number from %d to %d", low, high))
		return low
	}
	return v
}

// number reads a decimal. Without positive, 0 is allowed.
func (t *table) number(column string, positive bool) float64 {
	s := strings.TrimSpace(t.record[t.columns[column]])
	v, err := strconv.ParseFloat(s, 64)
	want := "a number of 0 or more"
	if positive {
		want = "a number above 0"
	}
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || v < 0 || positive && v == 0 || strings.ContainsAny(s, "xXpP_") {
		t.fault(column, strconv.Quote(s), want)
		return 1
	}
	return v
}

// quantity reads a capacity or a volume: a rate with its unit where the unit is
// [BitsPerSecond], a plain number where there is none.
func (t *table) quantity(column string, positive bool) float64 {
	s := strings.TrimSpace(t.record[t.columns[column]])
	rate, err := unit.ParseBitRate(s)
	if t.decide {
		if t.decide = false; err == nil {
			t.unit = BitsPerSecond
		}
	}
	want := "a rate with its unit, such as 10Gbps or 640kbps"
	switch _, number := strconv.ParseFloat(s, 64); {
	case t.unit == BitsPerSecond && err != nil && number == nil && t.plain > 0:
		return t.plain * t.number(column, positive)
	case t.unit == BitsPerSecond && err != nil && number == nil:
		t.fault(column, strconv.Quote(s)+" without a unit", want)
		t.faults[len(t.faults)-1].Err = ErrNoUnit
	case t.unit == BitsPerSecond && (err != nil || positive && rate == 0):
		t.fault(column, strconv.Quote(s), want+ternary(positive, ", above 0", ""))
	case t.unit == BitsPerSecond:
		return float64(rate)
	case err == nil:
		t.fault(column, strconv.Quote(s)+", a rate with a unit", "a plain number, as the capacities are")
	default:
		return t.number(column, positive)
	}
	return 1
}

func ternary(cond bool, yes, no string) string {
	if cond {
		return yes
	}
	return no
}

// ReadArcs reads a topology with a row for each arc: columns arc, link, src,
// dst, weight, capacity. arc may be missing, where each arc is named by its
// number from 0. The capacities are rates with their unit, such as 10Gbps, or
// all plain numbers in the unit of the demands. The error is
// [document.Problems] with line and column of every mistake.
func ReadArcs(name string, r io.Reader) (Topology, error) {
	t, err := openTable(name, r, "link", "src", "dst", "weight", "capacity")
	if err != nil {
		return Topology{}, err
	}
	var top Topology
	t.decide = true
	seen := map[string]int{}
	for {
		more, err := t.next()
		if err != nil {
			return Topology{}, err
		}
		if !more {
			break
		}
		a := Arc{ID: strconv.Itoa(len(top.Arcs))}
		if t.has("arc") {
			a.ID = t.text("arc")
		}
		line, _ := t.reader.FieldPos(0)
		if first, twice := seen[a.ID]; twice && t.has("arc") {
			t.fault("arc", strconv.Quote(a.ID)+fmt.Sprintf(", which stands in line %d already", first), "each arc once")
		}
		seen[a.ID] = line
		a.Link, a.From, a.To = t.text("link"), t.text("src"), t.text("dst")
		a.Metric, a.Capacity = t.integer("weight", 1, MetricInfinity-1), t.quantity("capacity", true)
		if a.From == a.To {
			t.fault("dst", strconv.Quote(a.To)+", which is the source as well", "another node")
		}
		top.Arcs = append(top.Arcs, a)
	}
	if len(top.Arcs) == 0 {
		return Topology{}, document.Problems{{File: name, Line: 2, Column: 1, Found: "there is no arc", Want: "a row for each direction of each link"}}
	}
	top.Unit = t.unit
	return top, nil
}

// ReadDemands reads demands on a topology: columns src, dst, volume, and name
// where there is one. Volumes are in the unit of the capacities: rates with
// their unit where those are rates, plain numbers where those are. The error is
// [document.Problems] with line and column of every mistake.
func ReadDemands(name string, r io.Reader, top Topology) ([]Demand, error) {
	t, err := openTable(name, r, "src", "dst", "volume")
	if err != nil {
		return nil, err
	}
	t.unit, t.plain = top.Unit, top.Plain
	known := top.names()
	var out []Demand
	for {
		more, err := t.next()
		if err != nil {
			return nil, err
		}
		if !more {
			return out, nil
		}
		out = append(out, t.demand(known))
	}
}

// decimal writes a float in the shortest form that reads back to it, with a
// point or an exponent, as the tables have it.
func decimal(v float64) string {
	if v == 0 {
		return "0.0"
	}
	if abs := math.Abs(v); abs < 1e-4 || abs >= 1e16 {
		return strconv.FormatFloat(v, 'e', -1, 64)
	}
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if !strings.Contains(s, ".") {
		s += ".0"
	}
	return s
}
