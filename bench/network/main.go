// Command network measures how long the question takes whether a network
// carries its demands while devices are out: with the incremental method, from
// scratch, and with networkx, a general graph library for Python, on the same
// work in one run. All three must give the same largest utilisations.
//
// Read [run] first. The networks are made here: a mesh of the size of a
// national backbone, a fat-tree, and a fabric of pods whose demands are
// aggregated by pod.
package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"runtime"
	"runtime/debug"
	"strings"
	"text/tabwriter"
	"time"

	"towpath/internal/network"
)

func main() {
	devices := flag.Int("devices", 50, "devices of the mesh; 1.76 links and 13.24 demands for each")
	k := flag.Int("k", 32, "size of the fat-tree")
	pods := flag.Int("pods", 120, "pods of the fabric")
	python := flag.String("python", "python3", "the interpreter that has networkx; empty for none")
	patience := flag.Duration("patience", 20*time.Second, "how long networkx may take for each job")
	sample := flag.Int("sample", 40, "how many cases networkx computes of each job")
	flag.Parse()
	if err := run(os.Stdout, *devices, *k, *pods, *python, *sample, *patience); err != nil {
		fmt.Fprintln(os.Stderr, "network:", err)
		os.Exit(2)
	}
}

// job is one piece of work: on top of each base, each failure.
type job struct {
	name     string
	top      network.Topology
	demands  []network.Demand
	bases    []network.Change
	failures []network.Change // by base the same ones
	scratch  int              // how many cases are computed from scratch
	ask      bool             // the whole answer, not the loads alone
}

// figures are what one way took for one case, and what it found.
type figures struct {
	cases int
	took  time.Duration
	worst []float64
	about time.Duration // where no case was finished, what one would take
}

func (f figures) each() time.Duration { return f.took / time.Duration(max(1, f.cases)) }

func run(w io.Writer, devices, k, pods int, python string, sample int, patience time.Duration) error {
	if devices < 20 || k < 2 || k%2 != 0 || pods < 2 || sample < 1 {
		return fmt.Errorf("found %d devices, k %d, pods %d, sample %d; want 20 or more devices, an even k of 2 or more, 2 or more pods and a sample of 1 or more", devices, k, pods, sample)
	}
	fmt.Fprintf(w, "%d processors, %s\n\n", runtime.GOMAXPROCS(0), runtime.Version())
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "job\tdevices\tlinks\tdemands\tcases\tintact\tall cases\tone case\tfrom scratch, one\tnetworkx, one\tlargest difference\t")
	for _, j := range []job{mesh(devices, devices*88/50, devices*662/50), tree(k), fabric(pods)} {
		if err := j.measure(t, w, python, sample, patience); err != nil {
			return fmt.Errorf("%s: %w", j.name, err)
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	fmt.Fprintf(w, "\nmemory obtained from the system at the end: %.0f MiB\n", float64(m.Sys)/(1<<20))
	fmt.Fprintln(w, `
How cost grows, with T destinations, N devices, A arcs: the intact network takes
T (A + N log N) time and 16 T N octets; a further failure takes T steps for each
of its arcs and then only the devices whose traffic moves; a drain takes the
same and N + A for what it copies. Our times for intact and all cases are the
least of`, rounds, "rounds or more; the others are means of one. about: networkx had done that part of\nits destinations when its time was up, the rest is reckoned from it.")
	return nil
}

func (j job) measure(t, w io.Writer, python string, sample int, patience time.Duration) error {
	debug.FreeOSMemory()
	n, err := network.New(j.top, j.demands)
	if err != nil {
		return err
	}
	var intact *network.State
	first, ours := time.Duration(math.MaxInt64), figures{}
	for range rounds {
		start := time.Now()
		intact = n.Intact()
		first = min(first, time.Since(start))
	}
	for begun, round := time.Now(), 0; round < rounds || round < 10*rounds && time.Since(begun) < enough; round++ {
		again, err := j.ours(intact)
		if err != nil {
			return err
		}
		if ours.took == 0 || again.took < ours.took {
			ours = again
		}
	}

	cases := j.cases(ours.cases, max(sample, j.scratch))
	scratch := figures{cases: min(j.scratch, len(cases))}
	difference := 0.0
	for _, c := range cases[:scratch.cases] {
		s, err := intact.With(c.change)
		if err != nil {
			return err
		}
		start := time.Now()
		again := s.FromScratch()
		scratch.took += time.Since(start)
		difference = math.Max(difference, math.Abs(again.Result().MaxUtilisation-ours.worst[c.at]))
	}
	theirs, err := j.networkx(python, cases[:min(sample, len(cases))], patience)
	beside := "skipped"
	if err != nil {
		fmt.Fprintf(w, "%s: networkx skipped: %v\n", j.name, err)
	} else if theirs.about > 0 {
		beside = "about " + theirs.about.Round(time.Second).String()
	} else if theirs.cases == 0 {
		beside = fmt.Sprintf("more than %v", patience)
	} else {
		beside = theirs.each().Round(10 * time.Microsecond).String()
		for i, u := range theirs.worst {
			difference = math.Max(difference, math.Abs(u-ours.worst[cases[i].at]))
		}
	}
	fmt.Fprintf(t, "%s\t%d\t%d\t%d\t%d\t%v\t%v\t%v\t%v\t%s\t%.1e\t\n", j.name, len(n.Nodes()), len(n.Links()), len(n.Demands()), ours.cases,
		first.Round(time.Millisecond), ours.took.Round(time.Millisecond), ours.each().Round(time.Microsecond),
		scratch.each().Round(10*time.Microsecond), beside, difference)
	if difference > 1e-9 {
		return fmt.Errorf("the ways differ by %v, want 1e-9 at most", difference)
	}
	return nil
}

// rounds is how often our own work is done at least, and ten times that at most
// while it took less than enough; the least time counts, as the rest is what else
// the machine did.
const (
	rounds = 3
	enough = 3 * time.Second
)

// ours does the whole job.
func (j job) ours(intact *network.State) (figures, error) {
	out := figures{cases: len(j.bases) * len(j.failures)}
	start := time.Now()
	for _, b := range j.bases {
		if j.ask {
			a, err := intact.WhatIf(network.Question{Change: b})
			if err != nil {
				return out, err
			}
			out.worst = append(out.worst, a.After.MaxUtilisation)
			continue
		}
		s, err := intact.With(b)
		if err != nil {
			return out, err
		}
		results, err := s.Each(j.failures)
		if err != nil {
			return out, err
		}
		for _, r := range results {
			out.worst = append(out.worst, r.MaxUtilisation)
		}
	}
	out.took = time.Since(start)
	return out, nil
}

// one is a case: a base and a failure together.
type one struct {
	at     int
	change network.Change
}

// cases picks up to count cases, spread over all.
func (j job) cases(all, count int) []one {
	var out []one
	for i := range min(all, count) {
		at := i * all / min(all, count)
		b, f := j.bases[at/len(j.failures)], j.failures[at%len(j.failures)]
		out = append(out, one{at, network.Change{
			Drains: append(append([]network.Drain{}, b.Drains...), f.Drains...),
			Links:  append(append([]string{}, b.Links...), f.Links...),
		}})
	}
	return out
}

// mesh is a ring with chords, seeded, all single drains of both kinds and all
// single link failures on top.
func mesh(nodes, links, demands int) job {
	r := rand.New(rand.NewPCG(50, 88))
	j := job{name: "mesh, drains × links", scratch: 400}
	name := func(i int) string { return fmt.Sprintf("node-%02d", i) }
	link := func(a, b int) {
		id := fmt.Sprint("L", len(j.top.Arcs)/2)
		m := 1 + r.Int64N(20)
		j.top.Arcs = append(j.top.Arcs, network.Arc{Link: id, From: name(a), To: name(b), Metric: m, Capacity: 40},
			network.Arc{Link: id, From: name(b), To: name(a), Metric: m, Capacity: 40})
	}
	for i := range nodes {
		link(i, (i+1)%nodes)
	}
	for range links - nodes {
		a := r.IntN(nodes)
		link(a, (a+2+r.IntN(nodes-3))%nodes)
	}
	seen := map[[2]int]bool{}
	for len(j.demands) < demands {
		a, b := r.IntN(nodes), r.IntN(nodes)
		if a == b || seen[[2]int{a, b}] {
			continue
		}
		seen[[2]int{a, b}] = true
		j.demands = append(j.demands, network.Demand{From: name(a), To: name(b), Volume: float64(1 + r.IntN(5))})
	}
	for i := range nodes {
		j.bases = append(j.bases, network.Change{Drains: []network.Drain{{Node: name(i), How: network.NoTransit}}})
	}
	j.failures = linkFailures(j.top, func(network.Arc) bool { return true })
	return j
}

func linkFailures(top network.Topology, of func(network.Arc) bool) []network.Change {
	var out []network.Change
	seen := map[string]bool{}
	for _, a := range top.Arcs {
		if !seen[a.Link] && of(a) {
			seen[a.Link] = true
			out = append(out, network.Change{Links: []string{a.Link}})
		}
	}
	return out
}

// tree is a fat-tree with one what-if: an aggregation switch away.
func tree(k int) job {
	j := job{name: fmt.Sprintf("fat-tree k=%d, one what-if", k), scratch: 3, ask: true}
	j.top, j.demands = network.FatTree(k)
	j.bases = []network.Change{{Drains: []network.Drain{{Node: "agg_0_0", How: network.Remove}}}}
	j.failures = []network.Change{{}}
	return j
}

// fabric is pods of 75 leaves and 8 spines, and 40 super-spines in each of 8
// planes. What a pod sends and receives is aggregated: it starts and ends at a
// host that is attached to all leaves of the pod. Half of the spines of one pod
// are drained, and every link of the pod fails.
func fabric(pods int) job {
	const leaves, spines, perPlane = 75, 8, 40
	j := job{name: "fabric, pod half drained, every link of it", scratch: 1}
	link := func(a, b string, capacity float64) {
		id := fmt.Sprint("L", len(j.top.Arcs))
		j.top.Arcs = append(j.top.Arcs, network.Arc{ID: id + ">", Link: id, From: a, To: b, Metric: 1, Capacity: capacity},
			network.Arc{ID: id + "<", Link: id, From: b, To: a, Metric: 1, Capacity: capacity})
	}
	for p := range pods {
		pod := fmt.Sprint("pod-", p)
		j.top.Nodes = append(j.top.Nodes, network.Node{Name: pod, Host: true})
		var attached []string
		for l := range leaves {
			leaf := fmt.Sprintf("leaf-%d-%d", p, l)
			attached = append(attached, leaf)
			for s := range spines {
				link(leaf, fmt.Sprintf("spine-%d-%d", p, s), 100)
			}
		}
		for s := range spines {
			for c := range perPlane {
				link(fmt.Sprintf("spine-%d-%d", p, s), fmt.Sprintf("super-%d-%d", s, c), 400)
			}
		}
		j.top.Arcs = append(j.top.Arcs, network.Attach(pod, attached, false, math.Inf(1))...)
	}
	for a := range pods {
		for b := range pods {
			if a != b {
				j.demands = append(j.demands, network.Demand{From: fmt.Sprint("pod-", a), To: fmt.Sprint("pod-", b), Volume: float64(50 + (a+2*b)%50)})
			}
		}
	}
	base := network.Change{}
	for s := range spines / 2 {
		base.Drains = append(base.Drains, network.Drain{Node: fmt.Sprint("spine-0-", s), How: network.NoTransit})
	}
	j.bases = []network.Change{base}
	j.failures = linkFailures(j.top, func(a network.Arc) bool {
		return !strings.HasPrefix(a.Link, "pod-") && (strings.Contains(a.From, "-0-") && !strings.HasPrefix(a.From, "super"))
	})
	return j
}

// program computes the same with networkx: shortest distances backwards from
// each destination, then the split at each hop.
const program = `
import json, sys, time
try:
    import networkx as nx
except ImportError as e:
    print(json.dumps({"error": str(e)})); sys.exit(0)
job = json.load(sys.stdin)
arcs, demands, hosts = job["arcs"], job["demands"], set(job["hosts"])
by = {}
for u, t, v in demands:
    by.setdefault(t, {}); by[t][u] = by[t].get(u, 0.0) + v
start = time.perf_counter()
worst, finished, part = [], 0.0, 0.0
for case in job["cases"]:
    removed, strict, links = set(case["removed"]), set(case["strict"]) | hosts, set(case["links"])
    g = nx.MultiDiGraph()
    for i, (l, u, v, m, c) in enumerate(arcs):
        if l not in links and u not in removed and v not in removed:
            g.add_edge(v, u, key=i, weight=m)   # reversed: distances to a destination
    load = [0.0] * len(arcs)
    done = 0
    for t, src in by.items():
        part = done / len(by); done += 1
        if time.perf_counter() - start > job["seconds"]: break
        if t not in g: continue
        h = nx.subgraph_view(g, filter_edge=lambda a, b, k: a == t or a not in strict)
        dist = nx.single_source_dijkstra_path_length(h, t)
        flow = {u: v for u, v in src.items() if u in dist and u not in removed}
        for u in sorted(dist, key=dist.get, reverse=True):
            f = flow.get(u)
            if not f or u == t: continue
            nxt = [(v, i) for v, _, i, w in g.in_edges(u, keys=True, data="weight") if (v == t or v not in strict) and v in dist and w + dist[v] == dist[u]]
            for v, i in nxt:
                load[i] += f / len(nxt); flow[v] = flow.get(v, 0.0) + f / len(nxt)
    if time.perf_counter() - start > job["seconds"]: break
    worst.append(max(x / arcs[i][4] for i, x in enumerate(load) if arcs[i][4]))
    finished = time.perf_counter() - start
print(json.dumps({"seconds": finished, "worst": worst, "part": part, "all": time.perf_counter() - start}))
`

type request struct {
	Arcs    [][]any  `json:"arcs"`
	Demands [][]any  `json:"demands"`
	Hosts   []string `json:"hosts"`
	Cases   []struct {
		Removed []string `json:"removed"`
		Strict  []string `json:"strict"`
		Links   []string `json:"links"`
	} `json:"cases"`
	Seconds float64 `json:"seconds"`
}

// networkx computes the cases, as many as it can in the given time, which may
// be none. The error says why it did not.
func (j job) networkx(python string, cases []one, patience time.Duration) (figures, error) {
	if python == "" {
		return figures{}, errors.New("no interpreter was given")
	}
	q := request{Seconds: patience.Seconds(), Hosts: []string{}}
	for _, a := range j.top.Arcs {
		c := a.Capacity
		if math.IsInf(c, 0) {
			c = 0
		}
		q.Arcs = append(q.Arcs, []any{a.Link, a.From, a.To, a.Metric, c})
	}
	for _, d := range j.demands {
		q.Demands = append(q.Demands, []any{d.From, d.To, d.Volume})
	}
	for _, x := range j.top.Nodes {
		if x.Host {
			q.Hosts = append(q.Hosts, x.Name)
		}
	}
	q.Cases = make([]struct {
		Removed []string `json:"removed"`
		Strict  []string `json:"strict"`
		Links   []string `json:"links"`
	}, len(cases))
	for i, c := range cases {
		x := &q.Cases[i]
		x.Removed, x.Strict, x.Links = []string{}, []string{}, append([]string{}, c.change.Links...)
		for _, d := range c.change.Drains {
			if d.How == network.Remove {
				x.Removed = append(x.Removed, d.Node)
			} else {
				x.Strict = append(x.Strict, d.Node)
			}
		}
	}
	in, err := json.Marshal(q)
	if err != nil {
		return figures{}, err
	}
	cmd := exec.Command(python, "-c", program)
	cmd.Stdin = bytes.NewReader(in)
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		return figures{}, fmt.Errorf("%w: %s", err, strings.TrimSpace(said.String()))
	}
	var answer struct {
		Error   string    `json:"error"`
		Seconds float64   `json:"seconds"`
		Worst   []float64 `json:"worst"`
		Part    float64   `json:"part"` // of the destinations of the case that was not finished
		All     float64   `json:"all"`
	}
	if err := json.Unmarshal(out, &answer); err != nil {
		return figures{}, fmt.Errorf("what %s printed: %w", python, err)
	}
	if answer.Error != "" {
		return figures{}, errors.New(answer.Error)
	}
	found := figures{cases: len(answer.Worst), took: time.Duration(answer.Seconds * float64(time.Second)), worst: answer.Worst}
	if found.cases == 0 && answer.Part > 0 {
		found.about = time.Duration(answer.All / answer.Part * float64(time.Second))
	}
	return found, nil
}
