package network

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// answers is a program that works through every drain and failure with exact
// fractions. Only the distances are the library's; what a strict drain means it
// says its own way: for other sources the drained node has no way out.
const answers = `
import json, sys, networkx as nx
from fractions import Fraction as F
def solve(nodes, arcs, demands, removed=None, over=None, failed=None):
    live = [i for i, a in enumerate(arcs) if a[0] != failed and removed not in a[1:3]]
    load = [F(0)] * len(arcs)
    dropped, lost, pairs, to = F(0), F(0), 0, {}
    for s, t, v in demands:
        v = F(v)
        if removed in (s, t): dropped += v
        else: to.setdefault(t, []).append((s, v))
    for t, offered in to.items():
        g = nx.MultiDiGraph()
        g.add_nodes_from(nodes)
        for i in live:
            _, u, v, m, _ = arcs[i]
            if u != over or over == t: g.add_edge(v, u, weight=m)
        dist = nx.single_source_dijkstra_path_length(g, t)
        own = {}
        if over is not None and over != t:
            dist.pop(over, None)
            ways = [arcs[i][3] + dist[arcs[i][2]] for i in live if arcs[i][1] == over and arcs[i][2] in dist]
            if ways: own[over] = min(ways)
        flow = {}
        for s, v in offered:
            if s not in dist and s not in own:
                lost += v
                pairs += 1
            else: flow[s] = flow.get(s, 0) + v
        def push(u, d):
            f = flow.pop(u)
            hops = [i for i in live if arcs[i][1] == u and arcs[i][2] in dist and arcs[i][3] + dist[arcs[i][2]] == d]
            for i in hops:
                load[i] += f / len(hops)
                flow[arcs[i][2]] = flow.get(arcs[i][2], 0) + f / len(hops)
        for u in own:
            if u in flow: push(u, own[u])
        while any(u != t for u in flow):
            u = max((u for u in flow if u != t), key=dist.get)
            push(u, dist[u])
    util = [l / F(a[4]) for l, a in zip(load, arcs)]
    top = max(util)
    return {"max": float(top), "exact": str(top), "busiest": [i for i, u in enumerate(util) if u == top],
            "total": float(sum(load)), "dropped": float(dropped), "lost": float(lost), "pairs": pairs,
            "load": [float(l) for l in load]}
out = []
for nodes, arcs, demands in json.load(sys.stdin):
    links = list(dict.fromkeys(a[0] for a in arcs))
    drains = [("remove", x, {"removed": x}) for x in nodes] + [("notransit", x, {"over": x}) for x in nodes]
    one = {"intact/-/-": solve(nodes, arcs, demands)}
    for how, x, k in drains:
        one["drain/%s/%s" % (how, x)] = solve(nodes, arcs, demands, **k)
        for l in links: one["%s/%s/%s" % (how, x, l)] = solve(nodes, arcs, demands, failed=l, **k)
    for l in links: one["linkfail/-/" + l] = solve(nodes, arcs, demands, failed=l)
    out.append(one)
print(json.dumps(out))
`

// answer is what it says of one scenario.
type answer struct {
	Max, Total, Dropped, Lost float64
	Exact                     string
	Busiest                   []int
	Pairs                     int
	Load                      []float64
}

// Source: shortest paths by networkx, loads as exact fractions by a program of
// a few lines that shares nothing with ours. All three tables are compared for
// networks with parallel links, one-way arcs, ties, extreme metrics, demands of
// nothing, the same pair twice, and islands; the files have their columns in any
// order, others besides, quotes, and a byte-order mark.
func TestTablesAgreeWithNetworkx(t *testing.T) {
	if out, err := exec.Command("python3", "-c", "import networkx").CombinedOutput(); err != nil {
		t.Skipf("python3 with networkx is not here: %v %s", err, bytes.TrimSpace(out))
	}
	r := rand.New(rand.NewPCG(3, 4))
	var asked []any
	var tables []map[string][][]string
	for len(asked) < 8 {
		q, files := randomTables(t, r)
		asked, tables = append(asked, q), append(tables, files)
	}
	in, err := json.Marshal(asked)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("python3", "-c", answers)
	cmd.Stdin = bytes.NewReader(in)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want []map[string]answer
	if err := json.Unmarshal(out, &want); err != nil || len(want) != len(asked) {
		t.Fatalf("got %d answers (%v), want %d", len(want), err, len(asked))
	}
	for i, files := range tables {
		name := func(rec []string) string { return fmt.Sprintf("network %d %v of %s", i, rec, mustJSON(t, asked[i])) }
		near := func(text string, w float64) bool { return alike(text, strconv.FormatFloat(w, 'g', -1, 64)) }
		for _, rec := range files["scenarios.csv"] {
			w, ok := want[i][strings.Join(rec[:3], "/")]
			busiest := strings.Trim(fmt.Sprint(w.Busiest), "[]")
			if !ok || !near(rec[3], w.Max) || rec[4] != w.Exact && (rec[4] != "" || len(w.Exact) <= maxFraction) || rec[5] != busiest ||
				!near(rec[6], w.Total) || !near(rec[7], w.Dropped) || !near(rec[8], w.Lost) || rec[9] != strconv.Itoa(w.Pairs) {
				t.Fatalf("%s: want %+v", name(rec), w)
			}
		}
		for _, rec := range files["loads.csv"] {
			arc, err := strconv.Atoi(rec[3])
			w, ok := want[i][strings.Join(rec[:3], "/")]
			if err != nil || !ok || !near(rec[4], w.Load[arc]) {
				t.Fatalf("%s: want %+v", name(rec), w)
			}
		}
		for _, rec := range files["drain_x_linkfail.csv"] {
			w, ok := want[i][strings.Join(rec[:3], "/")]
			if !ok || !near(rec[3], w.Max) || !near(rec[4], w.Dropped) || !near(rec[5], w.Lost) || rec[6] != strconv.Itoa(w.Pairs) {
				t.Fatalf("%s: want %+v", name(rec), w)
			}
		}
		if got := len(files["scenarios.csv"]) + len(files["drain_x_linkfail.csv"]); got != len(want[i]) {
			t.Errorf("network %d: got %d rows, want %d", i, got, len(want[i]))
		}
	}
}

func mustJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// randomTables makes a small network, and returns it with the records that
// Table writes for it.
func randomTables(t *testing.T, r *rand.Rand) (asked any, written map[string][][]string) {
	t.Helper()
	pick := func(of ...string) string { return of[r.IntN(len(of))] }
	size := 2 + r.IntN(6)
	all := make([]string, size)
	for i := range all {
		all[i] = fmt.Sprintf(pick("n%d", "a b %d", `"q",%d`, "ü-%d", "%d"), i)
	}
	metric := func() int {
		if r.IntN(4) == 0 {
			return []int{3, 10, 65535, MetricInfinity - 1}[r.IntN(4)]
		}
		return 1 + r.IntN(2)
	}
	var arcs, demands [][]any
	var nodes []string
	for l := range size - 1 + r.IntN(size+3) {
		a, b := r.IntN(size), r.IntN(size-1)
		if b >= a {
			b++
		}
		m := metric()
		for k, ends := range [][2]string{{all[a], all[b]}, {all[b], all[a]}} {
			if k == 1 && r.IntN(8) == 0 {
				continue // one way
			}
			arcs = append(arcs, []any{fmt.Sprint("L", l), ends[0], ends[1], m, pick("1.0", "2.5", "10", "1e3", "0.3")})
			for _, x := range ends {
				if !slices.Contains(nodes, x) {
					nodes = append(nodes, x)
				}
			}
			if r.IntN(3) == 0 {
				m = metric()
			}
		}
	}
	for range 1 + r.IntN(12) {
		a, b := r.IntN(len(nodes)), r.IntN(len(nodes)-1)
		if b >= a {
			b++
		}
		demands = append(demands, []any{nodes[a], nodes[b], pick("1.0", "0", "0.1", "3", "1e-6", "12345.678")})
	}
	numbered := make([][]any, len(arcs))
	for i, a := range arcs {
		numbered[i] = append([]any{i}, a...)
	}
	written = map[string][][]string{}
	files := map[string]*bytes.Buffer{}
	err := Table(
		strings.NewReader(mixed(r, []string{"arc", "link", "src", "dst", "weight", "capacity", "note"}, numbered)),
		strings.NewReader(mixed(r, []string{"src", "dst", "volume"}, demands)),
		func(name string) (io.WriteCloser, error) {
			files[name] = new(bytes.Buffer)
			return closer{files[name]}, nil
		})
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range files {
		recs, err := csv.NewReader(b).ReadAll()
		if err != nil || len(recs) < 2 {
			t.Fatalf("%s: got %d records (%v)", name, len(recs), err)
		}
		written[name] = recs[1:]
	}
	return []any{nodes, arcs, demands}, written
}

// mixed writes a table with its columns in any order and in any dress that CSV
// has. What the rows have no value for stands as a note.
func mixed(r *rand.Rand, columns []string, rows [][]any) string {
	order := r.Perm(len(columns))
	quote, end := r.IntN(2) == 0, []string{"\n", "\r\n"}[r.IntN(2)]
	var b strings.Builder
	if r.IntN(2) == 0 {
		b.WriteString(byteOrderMark)
	}
	line := func(value func(int) string) {
		for i, c := range order {
			if i > 0 {
				b.WriteString(",")
			}
			if v := value(c); quote || strings.ContainsAny(v, `",`) {
				b.WriteString(`"` + strings.ReplaceAll(v, `"`, `""`) + `"`)
			} else {
				b.WriteString(v)
			}
		}
		b.WriteString(end)
	}
	line(func(c int) string { return columns[c] })
	for _, row := range rows {
		line(func(c int) string {
			if c >= len(row) {
				return "a note"
			}
			v := fmt.Sprint(row[c])
			if columns[c] == "weight" && r.IntN(3) == 0 {
				v += ".0"
			}
			return v
		})
	}
	return b.String()
}

// Source: RFC 4180 §2 (fields may be quoted, in the header too); the mark is
// U+FEFF of the Unicode Standard, 23.8.
func TestSpreadsheetsAreReadAsTheyAreSaved(t *testing.T) {
	top, err := ReadArcs("arcs.csv", strings.NewReader("\ufeff\"link\",\"src\",\"dst\",\"weight\",\"capacity\"\r\n\"L\",\"a\",\"b\",\"10.0\",\"40\"\r\n"))
	if err != nil || len(top.Arcs) != 1 || top.Arcs[0].Metric != 10 || math.Abs(top.Arcs[0].Capacity-40) > 0 {
		t.Errorf("got %+v, %v", top, err)
	}
	if !IsSeries([]byte("\ufeff\"time\",\"src\",\"dst\",\"volume\"\n")) {
		t.Error("a quoted column time is not found")
	}
	for _, weight := range []string{"10.5", ".0", "1.0e3", "-1.0", "0.0"} {
		if _, err := ReadArcs("arcs.csv", strings.NewReader("link,src,dst,weight,capacity\nL,a,b,"+weight+",40\n")); err == nil || !strings.Contains(err.Error(), strconv.Quote(weight)) {
			t.Errorf("metric %s: got %v, want it refused", weight, err)
		}
	}
}
