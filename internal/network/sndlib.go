package network

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/document"
)

// ReadSNDlib reads a network in the native text format of SNDlib: nodes with
// their places, links, demands. A link becomes two arcs of metric 1 or the
// default; its capacity is the pre-installed one, else that of its largest
// module, else the default. A demand value is multiplied by its routing unit;
// demands between the same two nodes stay apart. What else stands in the file
// is passed over. name stands in the messages; the error is
// [document.Problems] where the file is at fault.
//
// Source: from memory, SNDlib native format 1.0 (sndlib.zib.de).
func ReadSNDlib(name string, r io.Reader, d Defaults) (Topology, []Demand, error) {
	p := sndParser{name: name, nodes: map[string]bool{}, links: map[string]bool{}, defaults: d}
	if err := p.read(r); err != nil {
		return Topology{}, nil, err
	}
	if len(p.faults) == 0 && len(p.top.Arcs) == 0 {
		p.faults = append(p.faults, document.Problem{File: name, Found: "there is no link", Want: "NODES ( … ) and LINKS ( … )"})
	}
	return p.top, p.demands, p.faults.Err()
}

// readSNDlibDemands reads the demands alone, on a topology from elsewhere. A
// list of NODES in the file counts for nothing.
func readSNDlibDemands(name string, r io.Reader, top Topology) ([]Demand, *sndParser, error) {
	p := &sndParser{name: name, nodes: top.names(), links: map[string]bool{}, demandsOnly: true}
	if err := p.read(r); err != nil {
		return nil, nil, err
	}
	scale := 1.0
	if top.Unit == BitsPerSecond {
		scale = top.Plain
	}
	if scale == 0 && len(p.faults) == 0 {
		p.faults = append(p.faults, document.Problem{File: name, Field: "DEMANDS", Found: "demands without a unit, and capacities in bit/s", Want: "to be told the unit of plain numbers, such as 1Mbps", Err: ErrNoUnit})
	}
	for i := range p.demands {
		p.demands[i].Volume *= scale
	}
	if len(p.faults) == 0 && len(p.demands) == 0 {
		p.faults = append(p.faults, document.Problem{File: name, Found: "there is no demand", Want: "DEMANDS ( … )"})
	}
	return p.demands, p, p.faults.Err()
}

// meta reads words of the form name = value. Of a network that is no matrix of a
// series, time may be anything.
// Source: from memory, the section META of SNDlib's native format.
func (p *sndParser) meta() {
	for !p.broken && !p.peek(")") {
		key := p.take("a name")
		if !p.peek("=") {
			continue
		}
		p.take(`"="`)
		if p.peek(")") {
			continue
		}
		value := p.take("a value")
		p.field = "META." + key.text
		switch key.text {
		case "time":
			p.stamp = value
			if at, err := time.ParseInLocation("20060102-1504", value.text, time.UTC); err == nil {
				p.begins = at
			}
		case "granularity":
			text := strings.NewReplacer("min", "m", "hour", "h", "day", "d").Replace(strings.ToLower(value.text))
			if days, ok := strings.CutSuffix(text, "d"); ok {
				if n, err := strconv.Atoi(days); err == nil {
					text = strconv.Itoa(24*n) + "h"
				}
			}
			if d, err := time.ParseDuration(text); err == nil && d > 0 {
				p.length = d // what is no period, such as "1month", is none to us
			}
		}
	}
	if !p.broken {
		p.expect(")")
	}
}

func (p *sndParser) read(r io.Reader) error {
	scan := bufio.NewScanner(r)
	scan.Buffer(nil, 1<<20)
	for line := 1; scan.Scan(); line++ {
		text := scan.Text()
		if line == 1 {
			if wide(scan.Bytes()) {
				return notUTF8(p.name)
			}
			text = strings.TrimPrefix(text, byteOrderMark)
		}
		p.split(text, line)
	}
	if err := scan.Err(); err != nil {
		return fmt.Errorf("%s: %w", p.name, err)
	}
	for p.at < len(p.tokens) {
		p.field = ""
		section := p.take("a section")
		p.field = section.text
		p.expect("(")
		switch {
		case section.text == "META":
			p.meta()
		case section.text == "NODES" && !p.demandsOnly:
			p.list(p.node)
		case section.text == "LINKS" && !p.demandsOnly:
			p.list(p.link)
		case section.text == "DEMANDS":
			p.list(p.demand)
		default:
			p.skip()
		}
		if p.broken {
			break
		}
	}
	return nil
}

// Matrix is the demands over one period, as one file has them.
type Matrix struct {
	Name    string
	At      time.Time
	Length  time.Duration
	Demands []Demand
}

// ReadSNDlibMatrix reads one matrix of a series in SNDlib native text: its META
// has time, such as 20040301-0005 (UTC), and granularity, such as 5min. The
// error is [document.Problems] where the file is at fault.
//
// Source: from memory, the dynamic traffic of SNDlib (sndlib.zib.de).
func ReadSNDlibMatrix(name string, r io.Reader, top Topology) (Matrix, error) {
	demands, p, err := readSNDlibDemands(name, r, top)
	if err != nil {
		return Matrix{}, err
	}
	if p.begins.IsZero() && p.stamp.text != "" {
		return Matrix{}, document.Problems{{File: name, Line: p.stamp.line, Column: p.stamp.column, Field: "META.time", Found: strconv.Quote(p.stamp.text), Want: "a time such as 20040301-0005"}}
	}
	if p.begins.IsZero() || p.length == 0 {
		return Matrix{}, document.Problems{{File: name, Line: 1, Column: 1, Field: "META", Found: "no time or no granularity", Want: "META ( granularity = 5min time = 20040301-0005 )"}}
	}
	return Matrix{name, p.begins, p.length, demands}, nil
}

// JoinMatrices makes a series of matrices in any order: the demands that occur in
// any of them, with their largest volume, and the samples by time. Demands
// between the same two nodes are added up. The error wraps [ErrInvalid].
func JoinMatrices(all []Matrix) ([]Demand, []Sample, error) {
	all = slices.Clone(all)
	slices.SortStableFunc(all, func(a, b Matrix) int { return a.At.Compare(b.At) })
	place := map[[2]string]int{}
	var demands []Demand
	for i, m := range all {
		if i > 0 && m.At.Equal(all[i-1].At) {
			return nil, nil, fmt.Errorf("%w: %s and %s are of the same time, %s", ErrInvalid, all[i-1].Name, m.Name, m.At.Format(time.RFC3339))
		}
		for _, d := range m.Demands {
			key := [2]string{d.From, d.To}
			if _, ok := place[key]; !ok {
				place[key] = len(demands)
				demands = append(demands, Demand{From: d.From, To: d.To})
			}
		}
	}
	samples := make([]Sample, len(all))
	for i, m := range all {
		s := Sample{At: m.At, Length: m.Length, Volumes: make([]float64, len(demands))}
		for _, d := range m.Demands {
			s.Volumes[place[[2]string{d.From, d.To}]] += d.Volume
		}
		for j, v := range s.Volumes {
			demands[j].Volume = max(demands[j].Volume, v)
		}
		samples[i] = s
	}
	return demands, samples, nil
}

type sndToken struct {
	text         string
	line, column int
}

type sndParser struct {
	name         string
	tokens       []sndToken
	at           int
	top          Topology
	demands      []Demand
	nodes, links map[string]bool
	defaults     Defaults
	faults       document.Problems
	demandsOnly  bool
	begins       time.Time // of META, zero where it is none
	length       time.Duration
	stamp        sndToken // what META has for a time
	field        string   // what is being read
	broken       bool     // what follows cannot be read
}

// split cuts a line into words and parentheses; what follows # and lines that
// begin with ? are no part of it.
func (p *sndParser) split(s string, line int) {
	if strings.HasPrefix(s, "?") {
		return
	}
	s, _, _ = strings.Cut(s, "#")
	start, begun := -1, 0
	end := func(i int) {
		if start >= 0 {
			p.tokens = append(p.tokens, sndToken{s[start:i], line, begun})
			start = -1
		}
	}
	column := 0 // in characters
	for i, c := range s {
		column++
		switch {
		case c == '(' || c == ')':
			end(i)
			p.tokens = append(p.tokens, sndToken{string(c), line, column})
		case c == ' ' || c == '\t' || c == '\r':
			end(i)
		case start < 0:
			start, begun = i, column
		}
	}
	end(len(s))
}

func (p *sndParser) fault(t sndToken, found, want string) {
	p.faults = append(p.faults, document.Problem{File: p.name, Line: t.line, Column: t.column, Field: p.field, Found: found, Want: want})
}

func (p *sndParser) take(want string) sndToken {
	if p.at == len(p.tokens) {
		last := sndToken{line: 1, column: 1}
		if p.at > 0 {
			last = p.tokens[p.at-1]
		}
		if !p.broken {
			p.fault(last, "the file ends here", want)
		}
		p.broken = true
		return last
	}
	p.at++
	return p.tokens[p.at-1]
}

func (p *sndParser) peek(text string) bool {
	return p.at < len(p.tokens) && p.tokens[p.at].text == text
}

func (p *sndParser) expect(text string) {
	if t := p.take(strconv.Quote(text)); !p.broken && t.text != text {
		p.fault(t, strconv.Quote(t.text), strconv.Quote(text))
		p.broken = true
	}
}

// skip passes over the rest of an open parenthesis.
func (p *sndParser) skip() {
	for depth := 1; depth > 0 && !p.broken; {
		switch p.take(`")"`).text {
		case "(":
			depth++
		case ")":
			depth--
		}
	}
}

func (p *sndParser) list(item func()) {
	for !p.broken && !p.peek(")") {
		item()
	}
	if !p.broken {
		p.expect(")")
	}
}

// number reads a decimal of at least low; what names it.
func (p *sndParser) number(what string, low float64) float64 {
	field := p.field
	p.field += "." + what
	defer func() { p.field = field }()
	t := p.take("a number")
	if p.broken {
		return 0
	}
	v, err := strconv.ParseFloat(t.text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || v < low {
		want := "a number"
		if !math.IsInf(low, -1) {
			want = fmt.Sprintf("a number of %g or more", low)
		}
		p.fault(t, strconv.Quote(t.text), want)
		return max(0, low)
	}
	return v
}

func (p *sndParser) node() {
	t := p.take("a node")
	p.field = "NODES." + t.text
	if p.nodes[t.text] {
		p.fault(t, strconv.Quote(t.text)+", which stands already", "each node once")
	}
	p.nodes[t.text] = true
	p.expect("(")
	n := Node{Name: t.text, X: p.number("x", math.Inf(-1)), Y: p.number("y", math.Inf(-1)), Placed: true}
	p.expect(")")
	p.top.Nodes = append(p.top.Nodes, n)
}

// ends reads two nodes in parentheses.
func (p *sndParser) ends() (from, to string) {
	p.expect("(")
	a := p.take("a node")
	b := p.take("a node")
	p.expect(")")
	if p.broken {
		return "", ""
	}
	for _, t := range []sndToken{a, b} {
		if !p.nodes[t.text] {
			p.fault(t, fmt.Sprintf("the node %q, which %s does not have", t.text, ternary(p.demandsOnly, "the topology", "NODES")), "a node")
		}
	}
	if a.text == b.text {
		p.fault(b, strconv.Quote(b.text)+" at both ends", "another node")
	}
	return a.text, b.text
}

func (p *sndParser) link() {
	t := p.take("a link")
	p.field = "LINKS." + t.text
	if p.links[t.text] {
		p.fault(t, strconv.Quote(t.text)+", which stands already", "each link once")
	}
	p.links[t.text] = true
	from, to := p.ends()
	before := len(p.faults)
	capacity := p.number("capacity", 0)
	for _, what := range []string{"cost", "routing cost", "setup cost"} {
		p.number(what, math.Inf(-1))
	}
	p.expect("(")
	module := 0.0
	for !p.broken && !p.peek(")") {
		module = max(module, p.number("module capacity", 0))
		p.number("module cost", math.Inf(-1))
	}
	p.expect(")")
	if capacity == 0 {
		capacity = module
	}
	if capacity == 0 {
		capacity = p.defaults.Capacity
	}
	if p.broken {
		return
	}
	if !(capacity > 0) && len(p.faults) == before {
		p.fault(t, "no capacity, and no default was given", "a capacity above 0, or a default for all")
		p.faults[len(p.faults)-1].Err = ErrNoCapacity
	}
	m := p.defaults.metric()
	p.top.Arcs = append(p.top.Arcs,
		Arc{ID: t.text + ">", Link: t.text, From: from, To: to, Metric: m, Capacity: capacity},
		Arc{ID: t.text + "<", Link: t.text, From: to, To: from, Metric: m, Capacity: capacity})
}

func (p *sndParser) demand() {
	t := p.take("a demand")
	p.field = "DEMANDS." + t.text
	from, to := p.ends()
	unit := p.number("routing unit", 0)
	value := p.number("value", 0)
	p.take("a path length or UNLIMITED")
	if !p.broken {
		p.demands = append(p.demands, Demand{Name: t.text, From: from, To: to, Volume: unit * value})
	}
}
