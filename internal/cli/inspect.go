package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"towpath/internal/app"
	"towpath/internal/device"
	"towpath/internal/fleet"
	"towpath/internal/readiness"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/survival"
	"towpath/internal/unit"
	"towpath/internal/workspace"
)

// width is the most columns that text is printed in, on whatever terminal.
const width = 100

// wrap prints s under a prefix, within the width of a terminal.
func (e *env) wrap(prefix, s string) { (&view{out: e.out, columns: e.columns}).lines(prefix, s) }

func (e *env) schemaCmd() *cobra.Command {
	return &cobra.Command{
		Use: "schema NAME", Short: "print the JSON Schema of a file: fleet, releases, policy, campaign or adapter",
		Example: "  towpath schema fleet > fleet.schema.json", Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			b, err := workspace.Schema(args[0])
			if err != nil {
				return usage("%v", err)
			}
			_, err = e.out.Write(b)
			return err
		},
	}
}

func (e *env) fleetCmd() *cobra.Command {
	root := &cobra.Command{Use: "fleet", Short: "the devices, links and groups of the workspace"}
	imp := &cobra.Command{
		Use: "import FILE.csv", Short: "add the devices of a CSV file to fleet.yaml; all of them or, on any mistake, none",
		Example: "  towpath fleet import devices.csv --workspace examples/ostermoor", Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return e.fleetImport(args[0]) },
	}
	check := &cobra.Command{
		Use: "check", Short: "read every file of the workspace and report every mistake in it",
		Example: "  towpath fleet check --workspace examples/ostermoor", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			a, err := e.load()
			if err != nil {
				return err
			}
			if err := readiness.KnowsPolicy(a.Workspace.Policy); err != nil {
				return usage("%s: %v", filepath.Join(e.workspace, "policy.yaml"), err)
			}
			if err := calendarsRead(a.Workspace, e.workspace); err != nil {
				return err
			}
			f := a.Workspace.Fleet
			if e.format == "json" {
				return e.json(map[string]any{"devices": len(f.Devices), "links": len(f.Links), "groups": len(f.Groups), "demands": len(f.Demands),
					"platforms": len(a.Workspace.Catalogue.Platforms), "sha256": a.Workspace.Digest})
			}
			e.printf("%s: %s, %s, %s, %s, %s: no mistakes found\n", f.Operator, unit.Counted(len(f.Devices), "device"), unit.Counted(len(f.Links), "link"),
				unit.Counted(len(f.Groups), "redundancy group"), unit.Counted(len(f.Demands), "demand"), unit.Counted(len(a.Workspace.Catalogue.Platforms), "platform"))
			return nil
		},
	}
	root.AddCommand(imp, check, e.discoverCmd())
	return root
}

func (e *env) fleetImport(file string) (err error) {
	name := filepath.Join(e.workspace, "fleet.yaml")
	src, err := os.ReadFile(name) // #nosec G304 -- the operator's own workspace
	if err != nil {
		return usage("%v; want a workspace to add to, by --workspace FOLDER", err)
	}
	f, err := fleet.Read("fleet.yaml", src)
	if err != nil {
		return err
	}
	in, err := os.Open(file) // #nosec G304 -- the file the operator names
	if err != nil {
		return usage("%v; want a CSV file whose first row names the columns, such as id,platform,site", err)
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	if info, err := in.Stat(); err == nil && info.IsDir() {
		return usage("%s is a folder; want a CSV file", file)
	}
	added, err := fleet.ImportCSV(f, file, in)
	if err != nil {
		return err
	}
	out, err := fleet.AppendYAML("fleet.yaml", src, added)
	if err != nil {
		return err
	}
	// The other files must still agree with it, or the workspace could not be read
	// any more.
	if _, err := workspace.Load(withFile{os.DirFS(e.workspace), workspace.FleetFile, out}, "."); err != nil {
		return fmt.Errorf("fleet.yaml with the devices of %s would not be right: %w", file, err)
	}
	if err := replaceFile(name, out); err != nil {
		return err
	}
	if e.format == "json" {
		return e.json(map[string]any{"added": len(added), "devices": added})
	}
	e.printf("%s added to %s\n", unit.Counted(len(added), "device"), name)
	return nil
}

// source says where a command takes a device's state from.
type source struct {
	capture, earlier string
	steady           time.Duration // how long to watch whether things are steady
}

func (s *source) steadyFlags(c *cobra.Command) {
	c.Flags().StringVar(&s.earlier, "earlier", "", "a capture from some minutes before, to tell what is not steady")
	c.Flags().DurationVar(&s.steady, "steady", -1, "read the device twice, so far apart, to tell what is not steady; 0 reads it once (default: the policy's steady-for)")
	c.Flags().Lookup("steady").DefValue = "0s" // so that help does not print the mark of none
}

func (s *source) flags(c *cobra.Command) {
	c.Flags().StringVar(&s.capture, "capture", "", "use this saved capture instead of reading the device")
}

// stateOf reads the device, or the saved capture. dev is nil where nothing was
// connected to; the caller closes it.
func (e *env) stateOf(ctx context.Context, a *app.App, d fleet.Device, s source) (cp *state.Capture, dev device.Device, err error) {
	switch s.capture {
	case "none":
		return nil, nil, nil
	case "":
		dev, err = a.Dial(ctx, d)
		if err != nil {
			return nil, nil, err
		}
		cp, err = dev.Capture(ctx, device.ScopeFull)
		if err != nil {
			return nil, nil, errors.Join(err, dev.Close())
		}
		return cp, dev, nil
	}
	cp, err = readCapture(s.capture)
	return cp, nil, err
}

// isOf refuses a saved capture of another device. (Readiness has a rule for it.)
func isOf(cp *state.Capture, d fleet.Device, s source) error {
	if cp != nil && s.capture != "" && cp.Device != string(d.ID) {
		return usage("%s is a capture of %s, want one of %s", s.capture, cp.Device, d.ID)
	}
	return nil
}

func readCapture(name string) (cp *state.Capture, err error) {
	f, err := os.Open(name) // #nosec G304 -- the file the operator names
	if err != nil {
		return nil, usage("%v; want a capture, as towpath capture DEVICE -o FILE writes it", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, usage("%s is a folder; want a capture, as towpath capture DEVICE -o FILE writes it", name)
	}
	if cp, err = state.Decode(f); err != nil {
		return nil, usage("%s: %v", name, err)
	}
	return cp, nil
}

func closeDevice(dev device.Device) {
	if dev != nil {
		_ = dev.Close()
	}
}

func (e *env) hopsCmd() *cobra.Command {
	var to string
	var reload bool
	var src source
	c := &cobra.Command{
		Use: "hops DEVICE --to RELEASE", Short: "find every best sequence of hops from what a device runs to a release, and back",
		Example: "  towpath hops mere-agg-1 --to 4.4.2 --workspace examples/ostermoor --capture none", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := e.load()
			if err != nil {
				return err
			}
			d, err := a.Device(args[0])
			if err != nil {
				return err
			}
			cp, dev, err := e.stateOf(cmd.Context(), a, d, src)
			if err != nil {
				return err
			}
			defer closeDevice(dev)
			if err := isOf(cp, d, src); err != nil {
				return err
			}
			r, err := a.Hops(d, cp, to, release.Options{AllowReload: reload})
			if errors.Is(err, release.ErrUnknown) {
				return usage("%v", err)
			}
			if err != nil {
				return err
			}
			if err := e.showHops(r); err != nil {
				return err
			}
			if r.NoPath != nil {
				return exit{ExitVerdict}
			}
			return nil
		},
	}
	c.Flags().StringVar(&to, "to", "", "release to get to")
	c.Flags().BoolVar(&reload, "allow-reload", false, "allow hops and firmware steps that interrupt traffic")
	src.flags(c)
	c.Flags().Lookup("capture").Usage += "; \"none\" goes by the fleet file alone"
	_ = c.MarkFlagRequired("to")
	return c
}

func (e *env) showHops(r release.Result) error {
	if e.format == "json" {
		return e.json(r)
	}
	e.printf("%s, %s: %s to %s\n", r.Device, r.Platform, r.From, r.To)
	for _, c := range r.Cautions {
		e.wrap("  note: ", c)
	}
	if r.NoPath != nil {
		e.wrap("no path: ", r.NoPath.Reason)
		for _, o := range r.NoPath.Opens {
			e.wrap("  would open one: ", o)
		}
	}
	for i, p := range r.Paths {
		if len(p.Hops) == 0 {
			e.printf("%s already runs %s: nothing to do\n", r.Device, r.To)
			continue
		}
		e.printf("\npath %d: %s, %s, %s, about %.0f min\n", i+1, unit.Counted(p.Cost.Hops, "hop"), unit.Counted(p.Cost.Outages, "outage"), unit.Counted(p.Cost.Exposure, "withdrawn or defective release"), p.Cost.Minutes)
		for _, h := range p.Hops {
			for _, f := range h.Firmware {
				e.printf("  before the next hop: raise firmware of %s from %s to %s, +%.0f min\n", f.Component, f.From, f.To, f.Minutes)
			}
			line := fmt.Sprintf("  %s → %s  %s, about %.0f min", h.From, h.To, h.Method, h.Minutes.Likely)
			if h.Silence != nil {
				line += fmt.Sprintf(", silent %v to %v", h.Silence.Least, h.Silence.Most)
			}
			e.printf("%s\n", line)
		}
		if p.NoBack != "" {
			e.wrap("  way back: none: ", p.NoBack)
			continue
		}
		var back []string
		for _, h := range p.Back {
			back = append(back, fmt.Sprintf("%s → %s %s", h.From, h.To, h.Method))
		}
		e.wrap("  way back: ", strings.Join(back, ", "))
	}
	if len(r.Rejections) > 0 {
		e.printf("\nnot taken\n")
		for _, x := range r.Rejections {
			e.wrap("  ", x.Text())
		}
		if r.Omitted > 0 {
			e.printf("  and %d more\n", r.Omitted)
		}
	}
	return nil
}

// tellWait is how long a command waits without saying for what.
const tellWait = 2 * time.Second

// prepare finds everything out about a device's change.
func (e *env) prepare(ctx context.Context, id, to string, reload bool, path int, src source) (*app.App, *app.Prepared, error) {
	a, err := e.load()
	if err != nil {
		return nil, nil, err
	}
	defer e.knowKept(a)()
	p, err := e.prepareWith(ctx, a, id, to, reload, path, src)
	return a, p, err
}

func (e *env) prepareWith(ctx context.Context, a *app.App, id, to string, reload bool, path int, src source) (*app.Prepared, error) {
	d, err := a.Device(id)
	if err != nil {
		return nil, err
	}
	if path < 0 {
		return nil, usage("--path is %d, want 1 or more", path+1)
	}
	if src.steady < 0 && src.steady != -1 {
		return nil, usage("--steady is %v, want 0 or more", src.steady)
	}
	if src.capture == "none" {
		return nil, usage("this command needs the state of the device: leave --capture out, or name a saved capture")
	}
	var earlier *state.Capture
	if src.earlier != "" {
		if earlier, err = readCapture(src.earlier); err != nil {
			return nil, err
		}
	}
	cp, dev, err := e.stateOf(ctx, a, d, src)
	if err != nil {
		return nil, err
	}
	defer closeDevice(dev)
	if src.steady < 0 {
		src.steady = a.Workspace.Policy.Readiness.SteadyFor
	}
	if dev != nil && earlier == nil && src.steady > 0 {
		earlier = cp
		if src.steady >= tellWait {
			fmt.Fprintf(e.err, "towpath: %s was read; it is read again in %v, since only two readings tell whether routes and addresses are steady\n", id, src.steady)
		}
		if err := a.Clock.Sleep(ctx, src.steady); err != nil {
			return nil, err
		}
		if cp, err = dev.Capture(ctx, device.ScopeFull); err != nil {
			return nil, err
		}
	}
	p, err := a.Prepare(ctx, dev, d, cp, earlier, app.Want{To: to, AllowReload: reload, Path: path})
	if errors.Is(err, release.ErrUnknown) {
		return nil, usage("%v", err)
	}
	return p, err
}

func (e *env) checkCmd() *cobra.Command {
	var to string
	var reload, all bool
	var path int
	var src source
	c := &cobra.Command{
		Use: "check DEVICE --to RELEASE", Short: "check whether a device is ready for a change: go or no-go, what was read, what to do",
		Example: "  towpath check mere-agg-1 --to 4.4.2\n  towpath check mere-agg-1 --to 4.4.2 --capture before.capture", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			_, p, err := e.prepare(cmd.Context(), args[0], to, reload, path-1, src)
			if err != nil {
				return err
			}
			if p.Plan == nil {
				return e.nothingToDo(args[0], to)
			}
			if e.format == "json" {
				if err := e.json(p.Report); err != nil {
					return err
				}
			} else {
				e.showReport(p.Report, all)
			}
			if !p.Report.Go {
				return exit{ExitVerdict}
			}
			return nil
		},
	}
	c.Flags().StringVar(&to, "to", "", "release to get to")
	c.Flags().BoolVar(&reload, "allow-reload", false, "allow hops that interrupt traffic")
	c.Flags().BoolVar(&all, "all", false, "show clear findings too")
	c.Flags().IntVar(&path, "path", 1, "which of the paths that towpath hops lists")
	src.steadyFlags(c)
	src.flags(c)
	_ = c.MarkFlagRequired("to")
	return c
}

func (e *env) showReport(r readiness.Report, all bool) {
	for _, v := range []readiness.Verdict{readiness.Blocker, readiness.Unknown, readiness.Caution, readiness.Clear} {
		for _, f := range r.Findings {
			if f.Verdict != v || v == readiness.Clear && !all {
				continue
			}
			object := ""
			if f.Object != "" && f.Object != r.Device {
				object = " " + f.Object
			}
			e.wrap(fmt.Sprintf("%-8s %s%s: ", f.Verdict, f.Rule, object), f.Evidence)
			if v != readiness.Clear {
				e.wrap("         why:  ", f.Reason)
				if f.Remedy != "" {
					e.wrap("         then: ", f.Remedy)
				}
				if f.Waived != "" {
					e.wrap("         waived by: ", f.Waived)
				}
			}
		}
	}
	word := "GO"
	if !r.Go {
		word = "NO-GO"
	}
	e.printf("\n%s: %s: %d clear, %d cautions, %d blockers, %d unknown\n", r.Device, word, r.Clear, r.Caution, r.Blocker, r.Unknown)
}

func (e *env) captureCmd() *cobra.Command {
	var out string
	c := &cobra.Command{
		Use: "capture DEVICE -o FILE", Short: "read a device's state and save it, compressed and with its digest",
		Example: "  towpath capture mere-agg-1 -o before.capture", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			a, err := e.load()
			if err != nil {
				return err
			}
			d, err := a.Device(args[0])
			if err != nil {
				return err
			}
			cp, err := a.Capture(cmd.Context(), d)
			if err != nil {
				return err
			}
			if out == "" {
				return e.json(cp)
			}
			if err := writeCapture(out, cp); err != nil {
				return err
			}
			if e.format == "json" {
				return e.json(map[string]any{"file": out, "components": len(cp.Components), "adjacencies": len(cp.Adjacencies), "unread": cp.Unread})
			}
			e.printf("%s: %s, %s, %s, %s\n", out, unit.Counted(len(cp.Components), "component"), unit.Counted(len(cp.Interfaces), "interface"), unit.Counted(len(cp.Adjacencies), "adjacency"), unit.Counted(len(cp.RouteTables), "route table"))
			for _, u := range cp.Unread {
				e.wrap("  not read: ", u)
			}
			return nil
		},
	}
	outFlag(c, &out, "", "output", "file to write; without it the capture is printed as JSON")
	return c
}

func writeCapture(name string, cp *state.Capture) error {
	var b strings.Builder
	if err := state.Encode(&b, cp); err != nil {
		return err
	}
	return replaceFile(name, []byte(b.String()))
}

func (e *env) compareCmd() *cobra.Command {
	var from, to string
	c := &cobra.Command{
		Use: "compare BEFORE AFTER", Short: "compare two captures; each difference is expected, look or stop",
		Example: "  towpath compare before.capture after.capture --from 4.2.3 --to 4.4.2", Args: cobra.ExactArgs(2),
		RunE: func(_ *cobra.Command, args []string) error {
			before, err := readCapture(args[0])
			if err != nil {
				return err
			}
			after, err := readCapture(args[1])
			if err != nil {
				return err
			}
			x := state.Expectation{From: from, To: to}
			if to != "" {
				x.Restart, x.Switchover, x.GracefulRestart = true, true, true
			}
			tol := state.DefaultTolerances()
			if ws, err := workspace.Open(e.workspace); err == nil {
				tol = app.Tolerances(ws.Policy)
			}
			r := state.Compare(before, after, x, tol)
			if e.format == "json" {
				if err := e.json(r); err != nil {
					return err
				}
			} else {
				for _, d := range r.Differences {
					e.wrap(fmt.Sprintf("%-8s ", d.Class), fmt.Sprintf("%s %s: %s → %s: %s", d.Object, d.Field, orNone(d.Before), orNone(d.After), d.Why))
				}
				e.printf("\n%s: %d stop, %d look, %d expected\n", r.Verdict, r.Stops, r.Looks, r.Expecteds)
			}
			if r.Stops > 0 {
				return exit{ExitVerdict}
			}
			return nil
		},
	}
	c.Flags().StringVar(&from, "from", "", "release before the change")
	c.Flags().StringVar(&to, "to", "", "release after the change; without it nothing is expected to differ")
	return c
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

func (e *env) forecastCmd() *cobra.Command {
	var trials, silence, why string
	var calibration, advise bool
	var target float64
	var src source
	c := &cobra.Command{
		Use: "forecast DEVICE", Short: "forecast which adjacencies live through a silence of the control plane",
		Long: "Forecasts which adjacencies of a device live through a silence of its control\nplane, or, with --trials, the probability of survival for each row of a CSV file.",
		Example: "  towpath forecast mere-agg-1 --silence 1.6s..3.5s\n  towpath forecast mere-agg-1 --silence 2.2s --why \"bgp 192.0.2.1\"\n" +
			"  towpath forecast mere-agg-1 --silence 1.6s..3.5s --advise\n  towpath forecast --trials trials.csv\n  towpath forecast --calibration", Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			switch {
			case trials != "" && calibration, (trials != "" || calibration) && len(args) > 0:
				return usage("a device, --trials and --calibration exclude each other")
			case target != 0 && !advise:
				return usage("--target goes with --advise")
			case trials != "" && e.format == "json":
				return usage("--trials answers with the table that it was given, as CSV, and has no --format json")
			case trials != "":
				return e.trials(trials)
			}
			if calibration {
				return e.calibration(cmd.Context())
			}
			if len(args) != 1 {
				return usage("name a device, or give --trials FILE.csv or --calibration")
			}
			return e.forecast(cmd.Context(), args[0], silence, why, advise, target, src)
		},
	}
	c.Flags().StringVar(&trials, "trials", "", "CSV file, or - for what comes in, with columns protocol, implementation, hello_s, detect_s, silence_s, note")
	c.Flags().StringVar(&silence, "silence", "", "how long the control plane says nothing: 2.5s, or 1s..4s (default: that of the hop the catalogue gives from here)")
	c.Flags().BoolVar(&calibration, "calibration", false, "hold the forecasts of all kept runs against what came: reliability by bins, Brier score")
	c.Flags().BoolVar(&advise, "advise", false, "find the cheapest preparations that bring the probability to the target")
	c.Flags().Float64Var(&target, "target", 0, "with --advise: probability that nothing is touched (default: the policy's survive-probability)")
	c.Flags().StringVar(&why, "why", "", "explain the forecast of this adjacency, named as in the table")
	src.flags(c)
	return c
}

func (e *env) forecast(ctx context.Context, id, silence, why string, advise bool, target float64, src source) error {
	a, err := e.load()
	if err != nil {
		return err
	}
	d, err := a.Device(id)
	if err != nil {
		return err
	}
	s, err := silenceOf(a, d, silence)
	if err != nil {
		return err
	}
	if src.capture == "none" {
		return usage("a forecast needs the adjacencies of the device: leave --capture out, or name a saved capture")
	}
	cp, dev, err := e.stateOf(ctx, a, d, src)
	if err != nil {
		return err
	}
	defer closeDevice(dev)
	if err := isOf(cp, d, src); err != nil {
		return err
	}
	if advise {
		if target == 0 {
			target = a.Workspace.Policy.Readiness.SurviveProbability
		}
		if target <= 0 || target > 1 {
			return usage("--target is %v, want a probability above 0 and at most 1", target)
		}
		pr := a.Workspace.Policy.Prepare.Prices
		return e.advice(survival.Advise(cp, survival.LawOf(s), survival.Options{Target: target},
			survival.Prices{Timers: pr.Timers, Suspend: pr.Suspend, Move: pr.Move, Drain: pr.Drain, DrainDevice: pr.DrainDevice}))
	}
	f := survival.Predict(cp, s, survival.Options{})
	if why != "" {
		return e.why(f, why, id)
	}
	if e.format == "json" {
		return e.json(f)
	}
	e.printf("%s: silence %v to %v, likeliest %v\n\n", id, s.Least, s.Most, s.Likely)
	for _, x := range f.Adjacencies {
		e.printf("%-20s %5.1f %%  %s\n", strings.ReplaceAll(string(x.Outcome), "-", " "), 100*x.Survive, x.Name())
		if string(x.Outcome) != "holds" {
			e.wrap("                               ", x.Why)
		}
	}
	exact := "exactly"
	if f.Error > 0 {
		exact = fmt.Sprintf("error below %.1g", f.Error)
	}
	e.printf("\nnothing touched: %.2f %% (%s)\n", 100*f.Untouched, exact)
	if f.Limiting != "" {
		if f.Safe == 0 {
			e.wrap("", "no silence, however short, surely leaves everything untouched: "+f.Limiting+" sets that limit")
		} else {
			e.wrap("", fmt.Sprintf("everything surely survives %v of silence; %s sets that limit", f.Safe.Round(time.Microsecond), f.Limiting))
		}
		for _, x := range f.Adjacencies {
			if x.Name() == f.Limiting && x.Timer != "" {
				e.wrap("  ", "its timer is "+x.Timer)
			}
		}
	}
	if text := curve(f); text != "" {
		e.wrap("", "nothing touched, should it last "+text)
	}
	for _, c := range f.Cautions {
		e.wrap("caution: ", c)
	}
	if n := len(f.Assumed); n > 0 {
		e.wrap("", fmt.Sprintf("%s not told by the device and assumed, mostly the standard's: --why ADJACENCY marks them, --format json lists them all", unit.CountedWith(n, "value", "was", "were")))
	}
	return nil
}

// why explains one adjacency of a forecast: the one of that name, or the only
// one whose name has the words in it.
func (e *env) why(f survival.Forecast, why, id string) error {
	var found []survival.AdjacencyForecast
	for _, x := range f.Adjacencies {
		if x.Name() == why || x.Protocol+" "+x.Neighbour == why {
			found = []survival.AdjacencyForecast{x}
			break
		}
		if strings.Contains(strings.ToLower(x.Name()), strings.ToLower(strings.TrimSpace(why))) {
			found = append(found, x)
		}
	}
	switch len(found) {
	case 0:
		return usage("the capture has no adjacency %q; towpath forecast %s lists them", why, id)
	case 1:
	default:
		names := make([]string, 0, 5)
		for i, x := range found {
			if i == 4 && len(found) > 5 {
				names = append(names, fmt.Sprintf("%d more", len(found)-4))
				break
			}
			names = append(names, fmt.Sprintf("%q", x.Name()))
		}
		return usage("%q is in the names of %d adjacencies: %s", why, len(found), strings.Join(names, ", "))
	}
	if e.format == "json" {
		return e.json(found[0])
	}
	e.printf("%s", survival.Explain(found[0]))
	return nil
}

// curve is how likely it is that nothing is touched for silences of the law, up
// to the first that surely touches something; empty where it is one number.
func curve(f survival.Forecast) string {
	var at []survival.Point
	for _, p := range f.Curve {
		if p.Silence < f.Law.Least() || p.Silence > f.Law.Most() {
			continue
		}
		if at = append(at, p); p.Untouched == 0 {
			break
		}
	}
	// Of those that surely touch nothing the last says it all.
	for len(at) > 1 && at[1].Untouched == 1 {
		at = at[1:]
	}
	if len(at) < 2 {
		return ""
	}
	const most = 6
	var words []string
	for i := range min(len(at), most) {
		p := at[i]
		if len(at) > most {
			p = at[i*(len(at)-1)/(most-1)]
		}
		words = append(words, fmt.Sprintf("%v: %.1f %%", p.Silence.Round(time.Millisecond), 100*p.Untouched))
	}
	return strings.Join(words, ", ")
}

// silenceOf reads a silence from the command line, or takes the catalogue's
// for the hops that begin at the device's release.
func silenceOf(a *app.App, d fleet.Device, text string) (survival.Silence, error) {
	if text == "" {
		if s, ok := a.CatalogueSilence(d); ok {
			return s, nil
		}
		return survival.Silence{}, usage("the catalogue gives no silence for a hop from %s: give --silence, such as 2.5s or 1s..4s", d.Release)
	}
	lo, hi, ranged := strings.Cut(text, "..")
	least, err := time.ParseDuration(lo)
	if err != nil || least < 0 {
		return survival.Silence{}, usage("--silence is %q, want a duration such as 2.5s, or two such as 1s..4s", text)
	}
	if !ranged {
		return survival.Fixed(least), nil
	}
	most, err := time.ParseDuration(hi)
	if err != nil || most < least {
		return survival.Silence{}, usage("--silence is %q, want a duration such as 2.5s, or two, the smaller first, such as 1s..4s", text)
	}
	return survival.Between(least, most), nil
}

// advice shows the cheapest preparations.
func (e *env) advice(a survival.Advice) error {
	if e.format == "json" {
		if err := e.json(a); err != nil {
			return err
		}
	} else {
		for i, c := range a.Changes {
			e.wrap(fmt.Sprintf("%2d  ", i+1), fmt.Sprintf("%s (cost %g)", c.Apply, c.Cost))
			for _, x := range c.Settings {
				e.wrap("    set   ", x.Text())
			}
			for _, x := range c.PeerSettings {
				e.wrap("    set   ", "on "+c.Peer+": "+x.Text())
			}
			e.wrap("    then: ", c.Restore)
			e.wrap("    saves ", strings.Join(c.Adjacencies, ", "))
		}
		proof := "the cheapest there is"
		if !a.Proven {
			proof = fmt.Sprintf("a cost below %g is not possible", a.Bound)
		}
		e.printf("\nnothing touched: %.2f %% as things are, %.2f %% with %d changes, target %.2f %%; cost %g, %s\n", 100*a.Before, 100*a.After, len(a.Changes), 100*a.Target, a.Cost, proof)
		for _, h := range a.Hopeless {
			e.wrap("no change allowed saves ", h)
		}
	}
	if !a.Reached {
		return exit{ExitVerdict}
	}
	return nil
}

// calibration holds the forecasts of all kept runs against what came.
func (e *env) calibration(ctx context.Context) (err error) {
	s, kept, err := e.readStore()
	if err != nil {
		return err
	}
	var hops []app.Hopped
	if kept {
		defer func() { err = errors.Join(err, s.Close()) }()
		if hops, err = app.History(ctx, s); err != nil {
			return err
		}
	}
	pairs := app.Pairs(hops)
	c := survival.Calibrate(pairs)
	if e.format == "json" {
		return e.json(map[string]any{"hops": hops, "adjacencies": len(pairs), "calibration": c})
	}
	if len(hops) == 0 {
		e.printf("no kept run has measured anything yet\n")
		return nil
	}
	for _, h := range hops {
		if h.Silence.Known {
			e.printf("%s  %s to %s: silent %v, forecast %v (%v to %v)\n", h.Run, h.From, h.To, h.Silence.Measured.Round(time.Millisecond), h.Silence.Forecast, h.Silence.Least, h.Silence.Most)
		}
	}
	e.printf("\n%s", c)
	return nil
}
