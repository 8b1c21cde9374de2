package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"towpath/internal/network"
	"towpath/internal/schedule"
)

func (e *env) whatifCmd() *cobra.Command {
	var table bool
	var topology, demands, out, limit string
	var drain, fail []string
	c := &cobra.Command{
		Use: "whatif", Short: "what the network carries while devices are out, and with one further failure on top",
		Long: "Tells what the network of fleet.yaml carries while devices are drained, and with every\n" +
			"further single failure on top. With --table it reads arcs.csv and demands.csv instead\n" +
			"and writes the result of every drain and link failure as CSV.",
		Example: "  towpath whatif --drain mere-agg-1 --also-fail link,node --limit 85%\n" +
			"  towpath whatif --table --topology arcs.csv --demands demands.csv --out results", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			if table {
				return e.whatifTable(topology, demands, out)
			}
			return e.whatif(drain, fail, limit)
		},
	}
	c.Flags().BoolVar(&table, "table", false, "work through every drain and link failure of two CSV files")
	c.Flags().StringVar(&topology, "topology", "arcs.csv", "with --table: the directed arcs")
	c.Flags().StringVar(&demands, "demands", "demands.csv", "with --table: the demands")
	c.Flags().StringVar(&out, "out", ".", "with --table: folder for scenarios.csv, loads.csv and drain_x_linkfail.csv")
	c.Flags().StringSliceVar(&drain, "drain", nil, "devices that are out")
	c.Flags().StringSliceVar(&fail, "also-fail", []string{"link"}, "what fails on top, each single one: link, node, group or none")
	c.Flags().StringVar(&limit, "limit", "100%", "utilisation that no link may exceed")
	return c
}

func (e *env) whatifTable(topology, demands, out string) (err error) {
	t, err := os.Open(topology) // #nosec G304 -- the file the operator names
	if err != nil {
		return usage("--topology: %v", err)
	}
	defer func() { err = errors.Join(err, t.Close()) }()
	d, err := os.Open(demands) // #nosec G304 -- the file the operator names
	if err != nil {
		return usage("--demands: %v", err)
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	if err := os.MkdirAll(out, 0o755); err != nil { //nolint:gosec // results are for others to read
		return usage("--out: %v", err)
	}
	var names []string
	err = network.Table(t, d, func(name string) (io.WriteCloser, error) {
		names = append(names, filepath.Join(out, name))
		return os.Create(names[len(names)-1]) // #nosec G304 -- in the folder the operator names
	})
	if err != nil {
		return err
	}
	if e.format == "json" {
		return e.json(map[string]any{"files": names})
	}
	for _, n := range names {
		e.printf("%s\n", n)
	}
	return nil
}

// share reads a utilisation such as 85% or 0.85.
func share(s string) (float64, error) {
	num, percent := strings.CutSuffix(s, "%")
	v, err := strconv.ParseFloat(num, 64)
	if percent {
		v /= 100
	}
	if err != nil || v <= 0 || v > 10 {
		return 0, usage("--limit is %q, want a utilisation such as 85%%", s)
	}
	return v, nil
}

func (e *env) whatif(drain, fail []string, limit string) error {
	q := network.Question{}
	var err error
	if q.Limit, err = share(limit); err != nil {
		return err
	}
	for _, f := range fail {
		switch el := network.Element(f); el {
		case network.ElementLink, network.ElementNode, network.ElementGroup:
			q.AlsoFail = append(q.AlsoFail, el)
		case "none":
		default:
			return usage("--also-fail is %q, want link, node, group or none", f)
		}
	}
	a, err := e.load()
	if err != nil {
		return err
	}
	for _, d := range drain {
		if _, err := a.Device(d); err != nil {
			return err
		}
		q.Change.Drains = append(q.Change.Drains, network.Drain{Node: d, How: network.Remove})
	}
	n, err := network.FromFleet(a.Workspace.Fleet, network.FleetOptions{})
	if err != nil {
		return usage("%v", err)
	}
	ans, err := n.WhatIf(q)
	if err != nil {
		return usage("%v", err)
	}
	if e.format == "json" {
		if err := e.json(ans); err != nil {
			return err
		}
	} else {
		e.showAnswer(ans)
	}
	if ans.Verdict != network.Holds {
		return exit{ExitVerdict}
	}
	return nil
}

func (e *env) showAnswer(a *network.Answer) {
	line := func(what string, s network.Summary) {
		e.wrap(fmt.Sprintf("%-8s ", what), fmt.Sprintf("busiest %.1f %% (%s, %s to %s); %d demands without a path", 100*s.MaxUtilisation, s.Where, s.From, s.To, s.UnroutableDemands))
	}
	line("before", a.Before)
	line("after", a.After)
	for _, l := range a.Lost {
		e.wrap("lost     ", fmt.Sprintf("%s %s to %s: %s", l.Name, l.From, l.To, l.Why))
	}
	for _, s := range a.SinglePath {
		e.wrap("single   ", fmt.Sprintf("%s %s to %s hangs on %s", s.Name, s.From, s.To, strings.Join(s.Links, ", ")))
	}
	for _, g := range a.BelowMinimum {
		e.wrap("group    ", fmt.Sprintf("%s: %d in service, at least %d are needed", g.Name, len(g.InService), g.AtLeast))
	}
	shown := 0
	for _, f := range a.Failures {
		if f.Verdict == network.Holds || shown == 10 {
			continue
		}
		shown++
		e.wrap("failure  ", fmt.Sprintf("%s %s: busiest %.1f %% (%s), %d demands newly lost", f.Kind, f.Element, 100*f.MaxUtilisation, f.Where, f.NewlyLostDemands))
	}
	e.printf("\n%s (limit %.0f %%, %d further failures tried)\n", strings.ToUpper(string(a.Verdict)), 100*a.Limit, len(a.Failures))
	for _, r := range a.Reasons {
		e.wrap("  because: ", r)
	}
}

func (e *env) wavesCmd() *cobra.Command {
	var instance string
	var seconds float64
	c := &cobra.Command{
		Use: "waves --instance FILE", Short: "put work into as few windows as possible, with a proven bound where one is found",
		Long: "Reads an instance: a graph of conflicts (.col), a bin-packing list, or JSON with\n" +
			"conflicts, capacities and k-of-n groups, and puts its items into as few windows as\n" +
			"possible. A file with several instances gives one answer each; FILE#NAME chooses one.",
		Example: "  towpath waves --instance fleet.json --format json", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return e.waves(cmd.Context(), instance, seconds) },
	}
	c.Flags().StringVar(&instance, "instance", "", "file with the instance")
	c.Flags().Float64Var(&seconds, "seconds", 60, "how long to look for a better answer or a proof")
	_ = c.MarkFlagRequired("instance")
	return c
}

func (e *env) waves(ctx context.Context, instance string, seconds float64) (err error) {
	if seconds <= 0 {
		return usage("--seconds is %v, want more than 0", seconds)
	}
	name, _, _ := strings.Cut(instance, "#")
	f, err := os.Open(name) // #nosec G304 -- the file the operator names
	if err != nil {
		return usage("--instance: %v", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	ctx, cancel := context.WithTimeout(ctx, time.Duration(seconds*float64(time.Second)))
	defer cancel()
	answers, err := schedule.Instance(ctx, instance, f, schedule.Limits{CountOnly: true})
	if errors.Is(err, schedule.ErrInvalid) {
		return usage("%v", err)
	}
	if err != nil {
		return err
	}
	if e.format == "json" {
		return e.json(answers)
	}
	for _, a := range answers {
		proof := fmt.Sprintf("at least %d are needed", a.LowerBound)
		if a.Proven {
			proof = "proven: fewer are not possible"
		}
		e.printf("%s: %d windows; %s\n", orText(a.Instance, name), a.WindowsUsed, proof)
		for i, w := range a.Windows {
			e.wrap(fmt.Sprintf("  window %d: ", i+1), strings.Trim(fmt.Sprint(w), "[]"))
		}
	}
	return nil
}

func orText(s, def string) string {
	if s == "" {
		return def
	}
	return s
}
