package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"sort"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/evidence"
	"towpath/internal/plan"
	"towpath/internal/release"
	"towpath/internal/unit"
)

func (e *env) labCmd() *cobra.Command {
	root := &cobra.Command{Use: "lab", Short: "an emulated chassis with two controller cards on loopback, speaking the real protocols"}
	var spec app.LabSpec
	var dir string
	up := &cobra.Command{
		Use: "up", Short: "serve the lab until interrupted; its workspace goes to a folder for other commands",
		Example: "  towpath lab up --dir /tmp/lab\n  towpath check mere-agg-1 --to 2.6.0 --workspace /tmp/lab   (in another terminal)", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			spec.Dir, spec.OurTime = dir, true
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			lab, err := e.Lab.Start(ctx, spec)
			if err != nil {
				return usage("%v", err)
			}
			if e.format == "json" {
				if err := e.json(map[string]any{"workspace": lab.Dir(), "device": lab.Device(), "target": lab.Target(), "about": lab.About()}); err != nil {
					return err
				}
			} else {
				e.wrap("", lab.About())
				e.printf("workspace: %s\ntry:       towpath check %s --to %s --workspace %s\nstop with Ctrl-C\n", lab.Dir(), lab.Device(), lab.Target(), lab.Dir())
			}
			<-ctx.Done()
			return lab.Close()
		},
	}
	up.Flags().StringVar(&dir, "dir", "", "folder for the lab's workspace (default: a new temporary one)")
	labFlags(up, &spec)
	faults := &cobra.Command{
		Use: "faults", Short: "list the faults that can be switched on, and how a run with each must end", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			list := e.Lab.Faults()
			if e.format == "json" {
				return e.json(list)
			}
			for _, f := range list {
				e.printf("%-30s %-12s %s\n", f.Name, f.Phase, f.Verdict)
				e.wrap("    ", f.Description)
			}
			return nil
		},
	}
	root.AddCommand(up, faults)
	return root
}

func labFlags(c *cobra.Command, spec *app.LabSpec) {
	c.Flags().StringSliceVar(&spec.Faults, "fault", nil, "switch a fault on, by name (towpath lab faults lists them)")
	c.Flags().Uint64Var(&spec.Seed, "seed", 7, "decides everything that is drawn")
	c.Flags().Float64Var(&spec.Fast, "fast", 120, "how many times as fast as real boots and waits pass; silences and loss always take their real time")
	c.Flags().StringVar(&spec.Over, "over", "", "how the devices are spoken to: gnmi, netconf, ssh for their command line, or console for that over console lines alone, with images fetched by HTTPS (default gnmi)")
	c.Flags().BoolVar(&spec.Brisk, "brisk", false, "see test traffic clean for a second only, before and after")
	c.Flags().BoolVar(&spec.PerCard, "per-controller", true, "install each controller card by itself; false: one installation serves both")
}

// steward consents in the demo, where nobody is asked.
type steward struct{}

const demoPerson = "Ada Fenwick"

func (steward) Consent(context.Context, *conduct.State, plan.Step) (app.Consent, error) {
	return app.Consent{Person: demoPerson, Granted: true, Note: "the demo's invented change manager"}, nil
}

func (steward) Choose(context.Context, *conduct.State) (app.Choice, error) {
	return app.Choice{}, app.ErrNobody
}

func (e *env) demoCmd() *cobra.Command {
	var spec app.LabSpec
	var out string
	c := &cobra.Command{
		Use: "demo", Short: "watch the whole job on the emulated lab: two hops with real packets, and the evidence",
		Long: `Does the whole job on the emulated lab, in a scenario of our own: finds the hops,
checks readiness, sends images, conducts two hops under guards while real test
packets are measured, and writes the evidence. With --fault it shows how a run
ends when something goes wrong.`,
		Example: "  towpath demo\n  towpath demo --fault line-card-stuck\n  towpath demo --format json", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return e.demo(cmd.Context(), spec, out) },
	}
	labFlags(c, &spec)
	c.Flags().StringVar(&out, "evidence", "towpath-demo", "folder that the evidence is written to")
	return c
}

func (e *env) demo(ctx context.Context, spec app.LabSpec, out string) (err error) {
	if err := writableFolder("evidence", out); err != nil {
		return err
	}
	work, err := os.MkdirTemp("", "towpath-demo-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	spec.Dir = filepath.Join(work, "workspace")
	lab, err := e.Lab.Start(ctx, spec)
	if err != nil {
		return usage("%v", err)
	}
	defer func() { err = errors.Join(err, lab.Close()) }()
	e.workspace, e.fleeting = lab.Dir(), true
	a, err := e.loadWith(lab.Clock())
	if err != nil {
		return err
	}
	s, err := e.OpenStore(filepath.Join(work, "runs"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	e.knowRuns(a, s)
	text := e.format != "json"
	if text {
		e.wrap("", lab.About())
	}
	d, err := a.Device(lab.Device())
	if err != nil {
		return err
	}
	dev, err := a.Dial(ctx, d)
	if err != nil {
		return e.refusedBefore(lab, err)
	}
	earlier, cp, err := a.CaptureTwice(ctx, dev, a.Workspace.Policy.Readiness.SteadyFor)
	if err != nil {
		return e.refusedBefore(lab, errors.Join(err, dev.Close()))
	}
	p, err := a.Prepare(ctx, dev, d, cp, earlier, app.Want{To: lab.Target()})
	if err := errors.Join(err, dev.Close()); err != nil {
		return err
	}
	if text {
		r, err := a.Hops(d, cp, lab.Target(), release.Options{})
		if err != nil {
			return err
		}
		e.printf("\n")
		if err := e.showHops(r); err != nil {
			return err
		}
		e.printf("\n")
		e.showReport(p.Report, false)
		e.printf("\n")
	}
	run, err := a.Begin(ctx, s, p, "the demo", lab.About())
	if err != nil {
		return err
	}
	return e.session(ctx, a, s, run, runFlags{evidence: out, asker: steward{}}, func(doc *evidence.Document, sum map[string]any) {
		truth := lab.Truth()
		var dropped uint64
		keys := make([]string, 0, len(truth.Dropped))
		for k, n := range truth.Dropped {
			dropped += n
			keys = append(keys, k)
		}
		sort.Strings(keys)
		if sum != nil {
			sum["lab"] = map[string]any{"dropped": truth.Dropped, "dropped_total": dropped, "silences_ms": silences(truth), "acts": truth.Acts, "about": lab.About()}
			return
		}
		after := ""
		if n := doc.Probe.Closing; n > 0 {
			after = fmt.Sprintf(" and sent %d more after it had ended, to learn whether the way was open again", n)
		}
		e.wrap("  the lab:  ", fmt.Sprintf("its data plane really dropped %s; the probe counted %d lost%s. It was silent for %s.", unit.Counted(dropped, "packet"), doc.Probe.Lost, after, spans(truth.Silences)))
	})
}

// spans are durations to the millisecond, in words.
func spans(ds []time.Duration) string {
	if len(ds) == 0 {
		return "no time"
	}
	words := make([]string, len(ds))
	for i, d := range ds {
		words[i] = d.Round(time.Millisecond).String()
	}
	return strings.Join(words, " and ")
}

func silences(t app.LabTruth) []float64 {
	out := []float64{}
	for _, d := range t.Silences {
		out = append(out, ms(d))
	}
	return out
}

// refusedBefore tells of a run that could not even begin: the device cannot be
// read, so nothing was done to it.
func (e *env) refusedBefore(lab app.Lab, err error) error {
	if e.signals.wasStopped() {
		return err
	}
	if e.format == "json" {
		if jerr := e.json(map[string]any{"verdict": conduct.Refused, "reason": err.Error(), "device": lab.Device(), "to": lab.Target(), "hops": []any{},
			"safe_state": "untouched: the device could not be read, and nothing was asked of it"}); jerr != nil {
			return jerr
		}
		return exit{ExitVerdict}
	}
	e.printf("\nREFUSED: %s, to %s\n", lab.Device(), lab.Target())
	e.wrap("  because:  ", err.Error())
	e.wrap("  now:      ", "untouched: the device could not be read, and nothing was asked of it")
	return exit{ExitVerdict}
}
