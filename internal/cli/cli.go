// Package cli is the front door on the command line: it parses arguments,
// calls a use case and prints its result as text or JSON. Concrete adapters
// (drivers, database, sockets, the lab) are handed in by cmd/towpath.
//
// Read [Main] first.
package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/fleet"
	"towpath/internal/workspace"
)

// The exit statuses.
const (
	ExitDone    = 0 // done and clear
	ExitVerdict = 1 // done, with blockers or a failed verdict
	ExitUsage   = 2 // usage or input error
	ExitDevice  = 3 // a device or service failed
	ExitHold    = 4 // stopped at a hold point, or paused for a person
)

// Adapters are the concrete things that the use cases reach the world by.
type Adapters struct {
	OpenStore func(dir string) (app.Store, error)
	// ReadStore opens what is kept in the folder to be read, and makes and changes
	// nothing there; kept is false where no run is kept.
	ReadStore func(dir string) (s app.Store, kept bool, err error)
	// Dial makes the dialer of a workspace in the folder.
	Dial func(ws *workspace.Workspace, dir string, now func() time.Time) app.Dialer
	// Reach says whether a TCP address answers.
	Reach func(ctx context.Context, address string) error
	// CertificateEnd returns the end of the certificate used for a device.
	CertificateEnd func(dir string, d fleet.Device) (time.Time, bool)
	Images         func(dir string) app.Images
	NewProber      func(spec app.ProbeSpec) (conduct.Prober, error)
	ProbeCommands  func() []*cobra.Command // send and reflect
	Lab            app.LabMaker
}

// env is what every command gets.
type env struct {
	Adapters
	in        io.Reader
	out, err  io.Writer
	format    string
	workspace string
	state     string
	fleeting  bool // the device and the kept runs go with the command
	signals   *interrupts
}

// exit carries an exit status out of a command that has already said all.
type exit struct{ status int }

func (e exit) Error() string { return fmt.Sprintf("exit status %d", e.status) }

// Main runs the command line and returns the exit status.
func Main(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer, a Adapters) int {
	o := &outlet{Writer: out}
	e := &env{Adapters: a, in: in, out: o, err: errOut, signals: &interrupts{}}
	root := e.root()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(o)
	root.SetErr(errOut)
	polish(root, e.columns())
	status := e.status(root.ExecuteContext(ctx))
	e.signals.conducting() // nothing is left to be stopped
	if o.err != nil && status <= ExitVerdict {
		fmt.Fprintln(errOut, "towpath: what was to be printed is incomplete:", o.err)
		return ExitDevice
	}
	return status
}

// status tells of the error that a command ended with and returns its status.
func (e *env) status(err error) int {
	if err == nil {
		return ExitDone
	}
	var x exit
	if errors.As(err, &x) {
		return x.status
	}
	if o, ok := e.out.(*outlet); ok && o.err != nil && errors.Is(err, o.err) {
		return ExitDone // Main tells of it
	}
	if e.signals.wasStopped() {
		return e.tellStopped()
	}
	status, hint := explain(err)
	if errors.Is(err, context.Canceled) {
		err = errStopped
	}
	if e.format == "json" {
		_ = e.json(map[string]any{"error": err.Error(), "hint": hint, "exit": status})
	}
	fmt.Fprintln(e.err, "towpath:", printable(err.Error()))
	if hint != "" {
		fmt.Fprintln(e.err, "hint:", hint)
	}
	return status
}

func (e *env) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "towpath",
		Short: "change the software of running network devices, in service and without being noticed",
		Long: `Towpath does the whole job of changing the software of running routers and
switches: it finds the hops between releases, checks readiness, forecasts what
survives the silence of the control plane, writes the runbook, conducts the
change with hold points, abort and rollback, measures traffic throughout, and
hands over the evidence.

This work can interrupt emergency calls, hospitals and signalling. Your change
authority, the maker's documents and local codes come before this tool.

Exit status: 0 done and clear, 1 done with blockers or a failed verdict, 2 usage
or input error, 3 a device or service failed, 4 stopped at a hold point or
paused for a person.`,
		SilenceErrors: true, SilenceUsage: true,
		PersistentPreRunE: func(cmd *cobra.Command, _ []string) error {
			if e.format != "text" && e.format != "json" && cmd.Annotations["formats"] == "" {
				return usage("--format is %q, want text or json", e.format)
			}
			if err := cmd.ValidateRequiredFlags(); err != nil {
				return usage("%v; want %s", err, strings.TrimSuffix(cmd.UseLine(), " [flags]"))
			}
			cmd.SetContext(e.signals.watch(cmd.Context(), func(s string) { fmt.Fprintln(e.err, "towpath:", s) }))
			return nil
		},
	}
	root.PersistentFlags().StringVar(&e.format, "format", "text", "how to print: text, or json for programs")
	root.PersistentFlags().StringVarP(&e.workspace, "workspace", "w", ".", "folder with fleet.yaml, releases.yaml and policy.yaml")
	root.PersistentFlags().StringVar(&e.state, "state", "", "folder that runs are kept in (default WORKSPACE/.towpath)")
	root.AddCommand(e.schemaCmd(), e.fleetCmd(), e.hopsCmd(), e.checkCmd(), e.captureCmd(), e.compareCmd(), e.forecastCmd(), e.whatifCmd(), e.estimateCmd(), e.hoursCmd(), e.wavesCmd(), e.runbookCmd(), e.briefCmd(),
		e.conductCmd(), e.resumeCmd(), e.runsCmd(), e.evidenceCmd(), e.adapterCmd(), e.labCmd(), e.demoCmd())
	if e.ProbeCommands != nil {
		p := &cobra.Command{Use: "probe", Short: "measure traffic with test packets (STAMP, RFC 8762)"}
		p.AddCommand(e.ProbeCommands()...)
		root.AddCommand(p)
	}
	return root
}

// usageError is a mistake on the command line.
type usageError struct{ text string }

func (u *usageError) Error() string { return u.text }

func usage(format string, args ...any) error { return &usageError{fmt.Sprintf(format, args...)} }

// json prints v on standard output.
func (e *env) json(v any) error {
	enc := json.NewEncoder(e.out)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return nil
}

func (e *env) printf(format string, args ...any) { fmt.Fprintf(e.out, format, args...) }

// load reads the workspace.
func (e *env) load() (*app.App, error) {
	return e.loadWith(app.WallClock{})
}

// loadWith reads the workspace for a run by the clock.
func (e *env) loadWith(clock conduct.Clock) (*app.App, error) {
	ws, err := workspace.Open(e.workspace)
	if err != nil {
		return nil, err
	}
	a, err := app.New(ws, e.Dial(ws, e.workspace, clock.Now), clock)
	if err != nil {
		return nil, err
	}
	a.Reach = e.Reach
	a.CertificateEnd = func(d fleet.Device) (time.Time, bool) { return e.CertificateEnd(e.workspace, d) }
	return a, nil
}

// openStore opens the folder that runs are kept in, for a command that conducts.
func (e *env) openStore() (app.Store, error) {
	return e.OpenStore(e.stateDir())
}

// printable writes what a terminal would obey as an escape: an error may quote a
// file that holds anything.
func printable(s string) string {
	var b strings.Builder
	for i, r := range s {
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(s[i:], string(utf8.RuneError)):
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case r != '\n' && r != '\t' && !unicode.IsPrint(r):
			b.WriteString(strings.Trim(strconv.QuoteRune(r), "'"))
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}
