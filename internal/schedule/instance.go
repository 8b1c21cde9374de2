package schedule

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// Answer is what the batch form says about one instance.
type Answer struct {
	// Instance names it where the file holds several; else it is empty.
	Instance    string `json:"instance,omitempty"`
	WindowsUsed int    `json:"windows_used"`
	LowerBound  int    `json:"lower_bound"`
	Proven      bool   `json:"proven"`
	// Windows lists the items of each window. Vertices of a graph have their
	// numbers in the file, from 1; items of a list are counted from 0.
	Windows [][]int `json:"windows"`
	// Warnings say what is odd about the file.
	Warnings []string `json:"warnings,omitempty"`
}

// Answers are those of one file. As JSON one answer stands alone, without a
// name, and several are a list, each with its name.
type Answers []Answer

// MarshalJSON writes one answer as an object and several as a list.
func (a Answers) MarshalJSON() ([]byte, error) {
	if len(a) == 1 {
		one := a[0]
		one.Instance = ""
		return json.Marshal(one)
	}
	return json.Marshal([]Answer(a))
}

// Named is a problem that was read from a file of instances.
type Named struct {
	Name    string
	Problem Problem
	First   int // the number by which the file calls the first item
	// Known is the best value that the file states, 0 for none. It is never used
	// in solving.
	Known    int
	Warnings []string // what is odd about the file
}

// Instance reads the instances of a file and solves each with the limits. name
// is the name of the file, for messages; what follows a "#" in it chooses one
// instance of several by its name. The error wraps [ErrInvalid] where the file
// is at fault, and tells the line.
func Instance(ctx context.Context, name string, r io.Reader, lim Limits) (Answers, error) {
	list, err := ReadInstances(name, r)
	if err != nil {
		return nil, err
	}
	lim.CountOnly = true
	var out Answers
	for _, one := range list {
		s, err := Solve(ctx, &one.Problem, lim)
		if errors.Is(err, ErrInfeasible) {
			if why, xerr := Explain(ctx, &one.Problem, lim); xerr == nil {
				err = fmt.Errorf("%w. %s", ErrInfeasible, strings.TrimSuffix(why.String(), "\n"))
			}
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %s: %w", name, one.Name, err)
		}
		a := Answer{Instance: one.Name, WindowsUsed: s.Used, LowerBound: s.LowerBound, Proven: s.Proven,
			Windows: make([][]int, s.Used), Warnings: one.Warnings}
		squeeze(s.Window)
		for i, w := range s.Window {
			a.Windows[w] = append(a.Windows[w], i+one.First)
		}
		out = append(out, a)
	}
	return out, nil
}

// ReadInstances reads a file of one of the kinds that [Instance] knows: DIMACS
// graphs (.col), OR-Library bin packing, sizes after a count and a capacity, and
// JSON with capacity, minutes, conflicts and groups. The kind is told from the
// content. Doubled edges count once and loops are left out, since several of the
// published graphs have them.
func ReadInstances(name string, r io.Reader) ([]Named, error) {
	file, want, chosen := strings.Cut(name, "#")
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	if bytes.IndexByte(data[:min(len(data), 64)], 0) >= 0 || bytes.HasPrefix(data, []byte{0xff, 0xfe}) || bytes.HasPrefix(data, []byte{0xfe, 0xff}) {
		return nil, fmt.Errorf("%s:1: %w: the file is in UTF-16, or no text at all; it should be UTF-8", file, ErrInvalid)
	}
	var list []Named
	switch kind := strings.TrimSpace(string(data[:min(len(data), 4096)])); {
	case kind == "":
		return nil, fmt.Errorf("%s: %w: the file is empty", file, ErrInvalid)
	case kind[0] == '{' || kind[0] == '[':
		list, err = readJSON(file, data)
	case kind[0] == 'c' || kind[0] == 'p' || strings.HasPrefix(kind, "e "):
		list, err = readGraph(file, data)
	default:
		list, err = readSizes(file, data)
	}
	if err != nil {
		return nil, err
	}
	if !chosen {
		return list, nil
	}
	names := ""
	for _, one := range list {
		if one.Name == want {
			return []Named{one}, nil
		}
		names += " " + one.Name
	}
	return nil, fmt.Errorf("%s: %w: there is no instance %q; the file has%s", file, ErrInvalid, want, names)
}

const maxItems = 200_000

func readGraph(file string, data []byte) ([]Named, error) {
	n, line, edges, announced := -1, 0, 0, 0
	out := Named{Name: strings.TrimSuffix(file[strings.LastIndexByte(file, '/')+1:], ".col"), First: 1}
	seen := map[[2]int]bool{}
	sc := bufio.NewScanner(bytes.NewReader(data))
	sc.Buffer(nil, 1<<20)
	bad := func(format string, a ...any) error {
		return fmt.Errorf("%s:%d: %w: %s", file, line, ErrInvalid, fmt.Sprintf(format, a...))
	}
	for sc.Scan() {
		line++
		f := strings.Fields(sc.Text())
		if len(f) == 0 || f[0] == "c" {
			continue
		}
		switch f[0] {
		case "p":
			if n >= 0 {
				return nil, bad("a second p line")
			}
			if len(f) != 4 || f[1] != "edge" && f[1] != "edges" && f[1] != "col" {
				return nil, bad("found %q, which should be \"p edge VERTICES EDGES\"", sc.Text())
			}
			v, err := strconv.Atoi(f[2])
			if err != nil || v < 0 || v > maxItems {
				return nil, bad("found %q vertices, which should be a number from 0 to %d", f[2], maxItems)
			}
			n = v
			if announced, err = strconv.Atoi(f[3]); err != nil || announced < 0 {
				return nil, bad("found %q edges, which should be a number of at least 0", f[3])
			}
			for i := range n {
				out.Problem.Items = append(out.Problem.Items, Item{Name: strconv.Itoa(i + 1)})
			}
		case "e":
			if n < 0 {
				return nil, bad("an edge ahead of the p line")
			}
			if len(f) != 3 {
				return nil, bad("found %q, which should be \"e VERTEX VERTEX\"", sc.Text())
			}
			var e [2]int
			for k := range e {
				v, err := strconv.Atoi(f[k+1])
				if err != nil || v < 1 || v > n {
					return nil, bad("field %d is %q, which should be a vertex from 1 to %d", k+2, f[k+1], n)
				}
				e[k] = v - 1
			}
			edges++
			if e[0] > e[1] {
				e[0], e[1] = e[1], e[0]
			}
			if e[0] == e[1] || seen[e] {
				continue
			}
			seen[e] = true
			out.Problem.Conflicts = append(out.Problem.Conflicts, Conflict{A: e[0], B: e[1]})
		case "n", "d", "v", "x":
			// Weights and geometry, which mean nothing for colouring.
		default:
			return nil, bad("found %q, which should start with c, p or e", sc.Text())
		}
	}
	if err := sc.Err(); err != nil {
		return nil, bad("%v", err)
	}
	if n < 0 {
		return nil, bad("there is no p line")
	}
	// Published graphs count an edge once or in both directions, in the p line and
	// in the list.
	if alike := len(out.Problem.Conflicts); edges != announced && alike != announced && 2*alike != announced {
		out.Warnings = append(out.Warnings, fmt.Sprintf("%s announces %d edges and lists %d: is it cut off?", file, announced, edges))
	}
	return []Named{out}, nil
}

func readSizes(file string, data []byte) ([]Named, error) {
	type token struct {
		s    string
		line int
	}
	var toks []token
	for k, l := range strings.Split(string(data), "\n") {
		for _, s := range strings.Fields(l) {
			toks = append(toks, token{s, k + 1})
		}
	}
	at := 0
	number := func(what string, most int64) (int64, error) {
		if at >= len(toks) {
			return 0, fmt.Errorf("%s:%d: %w: the file ends where %s should be", file, toks[len(toks)-1].line, ErrInvalid, what)
		}
		t := toks[at]
		at++
		v, err := strconv.ParseInt(t.s, 10, 64)
		if err != nil {
			f, ferr := strconv.ParseFloat(t.s, 64)
			if ferr != nil || f != float64(int64(f)) {
				return 0, fmt.Errorf("%s:%d: %w: found %q, which should be %s, a whole number", file, t.line, ErrInvalid, t.s, what)
			}
			v = int64(f)
		}
		if v < 0 || v > most {
			return 0, fmt.Errorf("%s:%d: %w: found %d, which should be %s, from 0 to %d", file, t.line, ErrInvalid, v, what, most)
		}
		return v, nil
	}
	fill := func(one *Named, n int64) error {
		one.Problem.Items = make([]Item, n)
		for i := range one.Problem.Items {
			size, err := number(fmt.Sprintf("size %d of %d of %s", i, n, one.Name), one.Problem.Capacity)
			if err != nil {
				return err
			}
			one.Problem.Items[i] = Item{Name: fmt.Sprintf("item %d", i), Work: size}
		}
		return nil
	}
	first, err := number("the number of instances or of items", maxItems)
	if err != nil {
		return nil, err
	}
	if len(toks) > 1 {
		if _, err := strconv.ParseFloat(toks[1].s, 64); err == nil { // count, capacity, sizes
			one := Named{Name: file[strings.LastIndexByte(file, '/')+1:]}
			if one.Problem.Capacity, err = number("the capacity", 1<<40); err != nil {
				return nil, err
			}
			if err := fill(&one, first); err != nil {
				return nil, err
			}
			if at != len(toks) {
				return nil, fmt.Errorf("%s:%d: %w: found %q after the last size", file, toks[at].line, ErrInvalid, toks[at].s)
			}
			return []Named{one}, nil
		}
	}
	var out []Named
	for range first {
		if at >= len(toks) {
			return nil, fmt.Errorf("%s: %w: %d instances are announced and %d are there", file, ErrInvalid, first, len(out))
		}
		one := Named{Name: toks[at].s}
		at++
		if one.Problem.Capacity, err = number("the capacity of "+one.Name, 1<<40); err != nil {
			return nil, err
		}
		n, err := number("the number of items of "+one.Name, maxItems)
		if err != nil {
			return nil, err
		}
		known, err := number("the best known value of "+one.Name, maxItems)
		if err != nil {
			return nil, err
		}
		one.Known = int(known)
		if err := fill(&one, n); err != nil {
			return nil, err
		}
		out = append(out, one)
	}
	if at != len(toks) {
		return nil, fmt.Errorf("%s:%d: %w: found %q after the last instance", file, toks[at].line, ErrInvalid, toks[at].s)
	}
	return out, nil
}

func readJSON(file string, data []byte) ([]Named, error) {
	type doc struct {
		Name      string   `json:"name"`
		Capacity  *int64   `json:"capacity"`
		Minutes   []int64  `json:"minutes"`
		Conflicts [][2]int `json:"conflicts"`
		Groups    []struct {
			Name    string `json:"name"`
			Members []int  `json:"members"`
			MinUp   *int   `json:"min_up"`
			MaxDown *int   `json:"max_down"`
		} `json:"groups"`
		Optimum int `json:"optimum"`
	}
	var docs []doc
	var keys []map[string]json.RawMessage
	var err error
	if bytes.TrimSpace(data)[0] == '[' {
		err = errors.Join(json.Unmarshal(data, &docs), json.Unmarshal(data, &keys))
	} else {
		docs, keys = make([]doc, 1), make([]map[string]json.RawMessage, 1)
		err = errors.Join(json.Unmarshal(data, &docs[0]), json.Unmarshal(data, &keys[0]))
	}
	if err != nil {
		var syn *json.SyntaxError
		var typ *json.UnmarshalTypeError
		off := int64(-1)
		if errors.As(err, &syn) {
			off = syn.Offset
		} else if errors.As(err, &typ) {
			off = typ.Offset
		}
		if off >= 0 && off <= int64(len(data)) {
			return nil, fmt.Errorf("%s:%d: %w: %w", file, 1+bytes.Count(data[:off], []byte("\n")), ErrInvalid, err)
		}
		return nil, fmt.Errorf("%s: %w: %w", file, ErrInvalid, err)
	}
	// What means something, and the results of solvers that are kept beside it.
	known := []string{"name", "capacity", "minutes", "conflicts", "groups", "optimum", "cbc", "gecode", "greedy_ub", "material_lb"}
	var out []Named
	for k, d := range docs {
		if d.Name == "" {
			d.Name = strconv.Itoa(k)
		}
		one := Named{Name: d.Name, Known: d.Optimum}
		bad := func(format string, a ...any) error {
			return fmt.Errorf("%s: %s: %w: %s", file, d.Name, ErrInvalid, fmt.Sprintf(format, a...))
		}
		if d.Minutes == nil {
			return nil, bad("it has no minutes, which should list the work of each item: is it an instance?")
		}
		one.Problem.Capacity = Unlimited
		if d.Capacity != nil {
			if one.Problem.Capacity = *d.Capacity; *d.Capacity <= 0 {
				return nil, bad("capacity is %d, which should be above 0", *d.Capacity)
			}
		}
		for i, m := range d.Minutes {
			one.Problem.Items = append(one.Problem.Items, Item{Name: fmt.Sprintf("item %d", i), Work: m})
		}
		for _, c := range d.Conflicts {
			if c[0] != c[1] {
				one.Problem.Conflicts = append(one.Problem.Conflicts, Conflict{A: c[0], B: c[1]})
			}
		}
		for i, g := range d.Groups {
			if g.Name == "" {
				g.Name = strconv.Itoa(i)
			}
			down := len(g.Members)
			switch {
			case g.MaxDown == nil && g.MinUp == nil:
				return nil, bad("group %s has neither min_up nor max_down", g.Name)
			case g.MaxDown != nil:
				down = *g.MaxDown
			}
			if g.MinUp != nil {
				down = min(down, len(g.Members)-*g.MinUp)
			}
			one.Problem.Groups = append(one.Problem.Groups, Group{Name: g.Name, Members: g.Members, MaxDown: down})
		}
		for _, key := range slices.Sorted(maps.Keys(keys[k])) {
			if !slices.Contains(known, key) {
				one.Warnings = append(one.Warnings, fmt.Sprintf("%s: the key %q is not known and counts for nothing", file, key))
			}
		}
		if err := one.Problem.Validate(); err != nil {
			return nil, fmt.Errorf("%s: %s: %w", file, d.Name, err)
		}
		out = append(out, one)
	}
	return out, nil
}
