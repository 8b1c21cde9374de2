// Command waves runs the scheduler and two general solvers on the same models,
// one after the other, and prints what each found and in what time. Read measure
// first.
package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/schedule"
)

// outcome is what one solver said about one model.
type outcome struct {
	used   int // 0 where it found nothing
	proven bool
	took   time.Duration
	skip   string // why it did not run
	err    error
}

// row is one model and its outcomes.
type row struct {
	name    string
	ours    outcome
	general map[string]outcome
}

var optimalLine = regexp.MustCompile(`(?m)^(\S.*?) - objective value\s+([0-9.]+)`)

// integerProgram solves the model with the mixed-integer solver of coinor-cbc.
func integerProgram(ctx context.Context, dir string, p *schedule.Problem, windows int, limit time.Duration) outcome {
	bin, err := exec.LookPath("cbc")
	if err != nil {
		return outcome{skip: "cbc is not installed"}
	}
	lp, sol := filepath.Join(dir, "model.lp"), filepath.Join(dir, "model.sol")
	if err := writeFile(lp, func(w io.Writer) error { return writeLP(w, p, windows) }); err != nil {
		return outcome{err: err}
	}
	ctx, cancel := context.WithTimeout(ctx, 2*limit+10*time.Second)
	defer cancel()
	t0 := time.Now()
	text, err := exec.CommandContext(ctx, bin, lp, "sec", strconv.Itoa(max(1, int(limit.Seconds()))), "solve", "solu", sol).CombinedOutput()
	o := outcome{took: time.Since(t0)}
	if err != nil {
		o.err = fmt.Errorf("cbc: %w: %s", err, tail(text))
		return o
	}
	found, err := os.ReadFile(sol)
	if err != nil {
		return o // stopped before any solution
	}
	m := optimalLine.FindSubmatch(found)
	if m == nil {
		return o
	}
	v, err := strconv.ParseFloat(string(m[2]), 64)
	if err != nil {
		o.err = fmt.Errorf("cbc: objective %q: %w", m[2], err)
		return o
	}
	o.proven = string(m[1]) == "Optimal"
	if o.proven || !bytes.Contains(found[:len(m[0])+20], []byte("no integer solution")) && v > 0 {
		o.used = int(v + 0.5)
	}
	return o
}

// constraintProgram solves the model with gecode by way of minizinc.
func constraintProgram(ctx context.Context, dir string, p *schedule.Problem, windows int, limit time.Duration) outcome {
	bin, err := exec.LookPath("minizinc")
	if err != nil {
		return outcome{skip: "minizinc is not installed"}
	}
	mzn := filepath.Join(dir, "model.mzn")
	if err := writeFile(mzn, func(w io.Writer) error { return writeMiniZinc(w, p, windows) }); err != nil {
		return outcome{err: err}
	}
	ctx, cancel := context.WithTimeout(ctx, 2*limit+10*time.Second)
	defer cancel()
	t0 := time.Now()
	text, err := exec.CommandContext(ctx, bin, "--solver", "gecode", "--time-limit", strconv.Itoa(int(limit.Milliseconds())), "-a", mzn).CombinedOutput()
	o := outcome{took: time.Since(t0)}
	if err != nil {
		if strings.Contains(string(text), "no solver") {
			return outcome{skip: "minizinc has no gecode"}
		}
		o.err = fmt.Errorf("minizinc: %w: %s", err, tail(text))
		return o
	}
	for line := range strings.Lines(string(text)) {
		if v, ok := strings.CutPrefix(strings.TrimSpace(line), "windows "); ok {
			if o.used, err = strconv.Atoi(v); err != nil {
				o.err = fmt.Errorf("minizinc: %q: %w", line, err)
			}
		}
	}
	o.proven = bytes.Contains(text, []byte("=========="))
	return o
}

func tail(b []byte) string {
	s := strings.TrimSpace(string(b))
	return s[max(0, len(s)-300):]
}

func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	if err := write(f); err != nil {
		return errors.Join(err, f.Close())
	}
	return f.Close()
}

// measure runs all solvers on one model, each with the limit.
func measure(ctx context.Context, name string, p *schedule.Problem, limit time.Duration) (row, error) {
	dir, err := os.MkdirTemp("", "waves")
	if err != nil {
		return row{}, err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	windows := firstFit(p)
	r := row{name: name, general: map[string]outcome{
		"cbc":    integerProgram(ctx, dir, p, windows, limit),
		"gecode": constraintProgram(ctx, dir, p, windows, limit),
	}}
	own, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	t0 := time.Now()
	s, err := schedule.Solve(own, p, schedule.Limits{CountOnly: true})
	r.ours = outcome{used: s.Used, proven: s.Proven, took: time.Since(t0), err: err}
	return r, err
}

// made is a model of the kind that a campaign gives: conflicts, capacity, groups.
func made(n int, seed uint64) *schedule.Problem {
	rng := rand.New(rand.NewPCG(seed, uint64(n)))
	p := &schedule.Problem{Capacity: int64(60 + 30*rng.IntN(5))}
	for i := range n {
		p.Items = append(p.Items, schedule.Item{Name: strconv.Itoa(i), Work: int64(15 + 5*rng.IntN(7))})
	}
	for a := range n {
		for b := range a {
			if rng.IntN(5) == 0 {
				p.Conflicts = append(p.Conflicts, schedule.Conflict{A: b, B: a})
			}
		}
	}
	for g := range 1 + n/10 {
		members := rng.Perm(n)[:4]
		slices.Sort(members)
		p.Groups = append(p.Groups, schedule.Group{Name: strconv.Itoa(g), Members: members, MaxDown: 1 + rng.IntN(2)})
	}
	return p
}

// report prints the rows and returns in how many we were worse.
func report(out io.Writer, rows []row) int {
	show := func(o outcome) string {
		switch {
		case o.skip != "":
			return "skipped"
		case o.err != nil:
			return "failed"
		case o.used == 0:
			return fmt.Sprintf("none %.2fs", o.took.Seconds())
		}
		mark := " "
		if o.proven {
			mark = "*"
		}
		return fmt.Sprintf("%3d%s %.3fs", o.used, mark, o.took.Seconds())
	}
	worse := 0
	said := map[string]bool{}
	fmt.Fprintf(out, "%-18s %14s", "model (* proven)", "towpath")
	solvers := []string{"cbc", "gecode"}
	for _, s := range solvers {
		fmt.Fprintf(out, " %14s %8s", s, "ratio")
	}
	fmt.Fprintln(out)
	for _, r := range rows {
		fmt.Fprintf(out, "%-18s %14s", r.name, show(r.ours))
		for _, s := range solvers {
			o := r.general[s]
			ratio := ""
			if o.skip == "" && o.err == nil {
				ratio = fmt.Sprintf("%.1f", o.took.Seconds()/max(r.ours.took.Seconds(), 1e-6))
			}
			if o.used > 0 && (o.used < r.ours.used || r.ours.used == 0) {
				worse++
			}
			fmt.Fprintf(out, " %14s %8s", show(o), ratio)
			if o.skip != "" && !said[o.skip] {
				said[o.skip] = true
				defer fmt.Fprintf(out, "skipped: %s\n", o.skip)
			}
			if o.err != nil {
				defer fmt.Fprintf(out, "%s: %v\n", r.name, o.err)
			}
		}
		fmt.Fprintln(out)
	}
	fmt.Fprintf(out, "worse than a general solver in %d of %d models; ratio is its time over ours\n", worse, len(rows))
	return worse
}

func run(ctx context.Context, out io.Writer, files []string, madeUpTo int, limit time.Duration) (int, error) {
	var rows []row
	one := func(name string, p *schedule.Problem) error {
		r, err := measure(ctx, name, p, limit)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		rows = append(rows, r)
		return nil
	}
	for _, f := range files {
		path, choice, chosen := strings.Cut(f, "#")
		fh, err := os.Open(path)
		if err != nil {
			return 0, err
		}
		name := path
		if chosen {
			name += "#" + choice
		}
		list, err := schedule.ReadInstances(name, fh)
		if err := errors.Join(err, fh.Close()); err != nil {
			return 0, err
		}
		for _, l := range list {
			if err := one(l.Name, &l.Problem); err != nil {
				return 0, err
			}
		}
	}
	for n := 10; n <= madeUpTo; n += 10 {
		for seed := range uint64(2) {
			if err := one(fmt.Sprintf("made-%d-%d", n, seed), made(n, seed)); err != nil {
				return 0, err
			}
		}
	}
	return report(out, rows), nil
}

func main() {
	limit := flag.Duration("limit", 20*time.Second, "time for each solver and model")
	upTo := flag.Int("made", 60, "largest generated model, in items")
	sizes := flag.String("fleets", "", "sizes of generated fleets of which to make campaigns, such as 100,1000,10000, instead of models")
	catalogue := flag.String("catalogue", "examples/ostermoor/releases.yaml", "with -fleets: the release catalogue")
	flag.Usage = func() {
		fmt.Fprintln(os.Stderr, "usage: waves [flags] [instance files, each perhaps with #name]")
		flag.PrintDefaults()
	}
	flag.Parse()
	if *sizes != "" {
		var ns []int
		for s := range strings.SplitSeq(*sizes, ",") {
			n, err := strconv.Atoi(s)
			if err != nil || n < 30 {
				fmt.Fprintf(os.Stderr, "-fleets has %q, want numbers of at least 30\n", s)
				os.Exit(2)
			}
			ns = append(ns, n)
		}
		if err := fleets(context.Background(), os.Stdout, ns, *catalogue); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(2)
		}
		return
	}
	worse, err := run(context.Background(), os.Stdout, flag.Args(), *upTo, *limit)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
	if worse > 0 {
		os.Exit(1)
	}
}
