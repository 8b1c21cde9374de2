package fleet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"towpath/internal/document"
)

// column is one column of a device table: the field of the fleet's [Shape]
// that its cells obey, and how a cell goes into a device.
type column struct {
	name  string
	field string
	list  bool // several values with ";" between them
	set   func(*Device, []string)
}

func columns() []column {
	return []column{
		{"id", "Device.id", false, func(d *Device, v []string) { d.ID = DeviceID(v[0]) }},
		{"platform", "Device.platform", false, func(d *Device, v []string) { d.Platform = v[0] }},
		{"site", "Device.site", false, func(d *Device, v []string) { d.Site = v[0] }},
		{"role", "Device.role", false, func(d *Device, v []string) { d.Role = v[0] }},
		{"release", "Device.release", false, func(d *Device, v []string) { d.Release = v[0] }},
		{"address", "Access.address", false, func(d *Device, v []string) { d.Access.Address = v[0] }},
		{"driver", "Access.driver", false, func(d *Device, v []string) { d.Access.Driver = v[0] }},
		{"server-name", "Access.server-name", false, func(d *Device, v []string) { d.Access.ServerName = v[0] }},
		{"console", "Console.address", false, func(d *Device, v []string) { d.Console.Address = v[0] }},
		{"features", "Device.features", true, func(d *Device, v []string) { d.Features = v }},
		{"serves", "Device.serves", true, func(d *Device, v []string) { d.Serves = v }},
	}
}

// Columns are the names of the columns that [ImportCSV] knows. The first two
// must be there.
func Columns() []string {
	var names []string
	for _, c := range columns() {
		names = append(names, c.name)
	}
	return names
}

// ImportCSV reads devices from a table in the form of RFC 4180, in UTF-8 with
// or without a byte-order mark, lines ending in LF or CRLF. The first row
// names the columns, in any order. In features and serves, ";" stands between
// the values; empty cells say nothing; rows without any value are passed over.
//
// It is all or nothing: the devices are returned, in the table's order, only
// where every row is right and no id or address is one of existing, which may
// be nil and is not changed. Otherwise the error is of type
// [document.Problems]; Field then is the column. name stands in the messages.
func ImportCSV(existing *Fleet, name string, r io.Reader) ([]Device, error) {
	src, err := io.ReadAll(io.LimitReader(r, int64(document.MaxSize)+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	if len(src) > int(document.MaxSize) {
		return nil, document.Problems{{File: name, Found: "the table is too large", Want: "at most " + document.MaxSize.String()}}
	}
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	t := &table{name: name, src: src, lines: bytes.Split(src, []byte("\n")), shape: Shape(), ids: map[string]string{}, addresses: map[string]string{}}
	if !utf8.Valid(src) {
		return nil, t.notUTF8()
	}
	if existing != nil {
		for _, d := range existing.Devices {
			t.ids[string(d.ID)] = "is in the fleet already"
			for _, a := range []string{d.Access.Address, d.Console.Address, d.ConsoleAddress()} {
				t.addresses[a] = fmt.Sprintf("is that of the device %q already", d.ID)
			}
		}
	}
	return t.read()
}

// table is a device table while it is read.
type table struct {
	name     string
	src      []byte
	lines    [][]byte
	shape    *document.Shape
	problems document.Problems

	csv     *csv.Reader
	columns []column // as the header orders them; name is empty for an unknown one

	// Why an id or an address may not be used again.
	ids, addresses map[string]string
}

func (t *table) notUTF8() error {
	for i, line := range t.lines {
		for n := 0; n < len(line); {
			r, size := utf8.DecodeRune(line[n:])
			if r == utf8.RuneError && size == 1 {
				t.report(i+1, n+1, "", fmt.Sprintf("the byte 0x%02X is not UTF-8", line[n]), "a table in UTF-8", "")
				return t.problems
			}
			n += size
		}
	}
	return nil
}

// report records a problem; column is in octets, as the CSV reader counts.
func (t *table) report(line, column int, field, found, want, nearest string) {
	if line >= 1 && line <= len(t.lines) {
		row := t.lines[line-1]
		column = utf8.RuneCount(row[:min(len(row), max(0, column-1))]) + 1
	}
	t.problems = append(t.problems, document.Problem{
		File: t.name, Line: line, Column: column, Field: field, Found: found, Want: want, Nearest: nearest,
		Excerpt: document.Excerpt(t.src, line, column),
	})
}

func (t *table) read() ([]Device, error) {
	t.csv = csv.NewReader(bytes.NewReader(t.src))
	t.csv.FieldsPerRecord = -1 // counted here, so that one short row hides no other
	header, err := t.csv.Read()
	switch {
	case errors.Is(err, io.EOF):
		return nil, document.Problems{{File: t.name, Found: "the table is empty", Want: "a first row that names the columns, such as id,platform,site"}}
	case err != nil:
		t.syntax(err)
		return nil, t.problems.Err()
	}
	if !t.header(header) {
		return nil, t.problems.Err()
	}
	var devices []Device
	for {
		row, err := t.csv.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.syntax(err) // behind it nobody knows where a row begins
			break
		}
		if slices.ContainsFunc(row, func(s string) bool { return strings.TrimSpace(s) != "" }) {
			devices = append(devices, t.row(row))
		}
	}
	if err := t.problems.Err(); err != nil {
		return nil, err
	}
	return devices, nil
}

func (t *table) syntax(err error) {
	var bad *csv.ParseError
	if !errors.As(err, &bad) {
		t.problems = append(t.problems, document.Problem{File: t.name, Found: err.Error(), Err: err})
		return
	}
	found, want := bad.Err.Error(), ""
	switch {
	case errors.Is(bad.Err, csv.ErrBareQuote):
		found, want = "a quote inside a cell without quotes", `the cell in quotes, each quote in it twice, as in "a ""b"" c"`
	case errors.Is(bad.Err, csv.ErrQuote):
		found, want = "a quote that does not end its cell, or never comes", `quotes around the whole cell, each quote in it twice`
	}
	t.report(bad.Line, bad.Column, "", found, want, "")
}

// header reads the names of the columns and reports whether rows can be read.
func (t *table) header(names []string) bool {
	known, byName := Columns(), map[string]column{}
	for _, c := range columns() {
		byName[c.name] = c
	}
	if len(names) == 1 && strings.Contains(names[0], ";") {
		t.report(1, 1, "", `columns with ";" between them`, `"," between columns and ";" between values`, "")
		return false
	}
	seen := map[string]bool{}
	for i, n := range names {
		n = strings.TrimSpace(n)
		line, pos := t.csv.FieldPos(i)
		c, ok := byName[n]
		nearest := document.Nearest(n, known)
		switch {
		case !ok && nearest != "":
			seen[nearest] = true
			t.report(line, pos, "", fmt.Sprintf("unknown column %q", n), "", nearest)
		case !ok:
			t.report(line, pos, "", fmt.Sprintf("unknown column %q", n), "one of "+strings.Join(known, ", "), "")
		case seen[n]:
			t.report(line, pos, n, fmt.Sprintf("the column %q a second time", n), "", "")
			c = column{}
		}
		seen[n] = true
		t.columns = append(t.columns, c)
	}
	for _, n := range known[:2] {
		if !seen[n] {
			t.report(1, 1, n, "missing", fmt.Sprintf("a column %q", n), "")
		}
	}
	return !t.problems.Under("id")
}

func (t *table) row(cells []string) Device {
	var d Device
	line, _ := t.csv.FieldPos(0)
	empty := map[string]bool{}
	for i, cell := range cells {
		at, pos := t.csv.FieldPos(i)
		if i >= len(t.columns) {
			t.report(at, pos, "", fmt.Sprintf("a row of %d cells", len(cells)), fmt.Sprintf("%d, as the first row names", len(t.columns)), "")
			break
		}
		c := t.columns[i]
		if c.name == "" {
			continue
		}
		if cell = strings.TrimSpace(cell); cell == "" {
			empty[c.name] = true
			continue
		}
		t.cell(&d, c, cell, at, pos)
	}
	if len(cells) < len(t.columns) {
		t.report(line, 1, "", fmt.Sprintf("a row of %d cells", len(cells)), fmt.Sprintf("%d, as the first row names", len(t.columns)), "")
		return d
	}
	for i, c := range t.columns {
		if (c.name == "id" || c.name == "platform") && empty[c.name] {
			at, pos := t.csv.FieldPos(i)
			t.report(at, pos, c.name, "an empty cell", t.shape.Fields[c.field].Want, "")
		}
		if c.name == "driver" && d.Access.Driver != "" && d.Access.Address == "" {
			at, pos := t.csv.FieldPos(i)
			t.report(at, pos, c.name, "a driver without an address", document.HostPort.Want, "")
		}
	}
	return d
}

func (t *table) cell(d *Device, c column, cell string, line, pos int) {
	values := []string{cell}
	if c.list {
		values = strings.Split(cell, ";")
	}
	f := t.shape.Fields[c.field]
	seen := map[string]bool{}
	for i, v := range values {
		v = strings.TrimSpace(v)
		values[i] = v
		found, want, nearest := f.CheckText(v)
		switch {
		case found != "":
			t.report(line, pos, c.name, found, want, nearest)
			return
		case seen[v]:
			t.report(line, pos, c.name, fmt.Sprintf("%q a second time", v), "", "")
			return
		}
		seen[v] = true
	}
	used := map[string]map[string]string{"id": t.ids, "address": t.addresses, "console": t.addresses}[c.name]
	if why := used[cell]; why != "" {
		t.report(line, pos, c.name, fmt.Sprintf("%q %s", cell, why), "", "")
	} else if used != nil {
		used[cell] = fmt.Sprintf("is in line %d already", line)
	}
	c.set(d, values)
}
