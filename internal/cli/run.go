package cli

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/signal"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/evidence"
	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/unit"
)

// runFlags are what conduct and resume have in common.
type runFlags struct {
	consentFile string
	evidence    string
	until       string
	who         string
	asker       app.Asker // overrides everything; the demo's
}

func (f *runFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.consentFile, "consent-file", "", "file with consents, for a run that nobody watches: a hold point (step, phase or *) and a name on each line")
	c.Flags().StringVar(&f.evidence, "evidence", "", "folder that the evidence is written to (default: the current one)")
	c.Flags().StringVar(&f.until, "until", "", "end of the window, RFC 3339; the view then tells how long a way back may wait")
	c.Flags().StringVar(&f.who, "who", "", "who conducts (default: the user of this machine)")
}

// check finds mistakes before anything is read or kept.
func (f *runFlags) check() error {
	if f.until != "" {
		if _, err := time.Parse(time.RFC3339, f.until); err != nil {
			return usage("--until is %q, want an instant such as 2031-03-04T05:00:00Z", f.until)
		}
	}
	if f.consentFile != "" {
		if _, err := readConsents(f.consentFile); err != nil {
			return err
		}
	}
	return writableFolder("evidence", cmp.Or(f.evidence, "."))
}

// writableFolder finds out before the work whether files can be written into a
// folder, or whether the folder can be made.
func writableFolder(flag, dir string) error {
	for at := filepath.Clean(dir); ; at = filepath.Dir(at) {
		info, err := os.Stat(at)
		switch {
		case errors.Is(err, fs.ErrNotExist) && filepath.Dir(at) != at:
			continue
		case err != nil:
			return usage("--%s: %v", flag, err)
		case !info.IsDir():
			return usage("--%s is %s, and %s is a file; want a folder", flag, dir, at)
		}
		tmp, err := os.CreateTemp(at, ".towpath-*")
		if err != nil {
			return usage("--%s is %s: nothing can be written there: %v", flag, dir, err)
		}
		_, err = tmp.Write(make([]byte, roomAtLeast))
		if err := errors.Join(err, tmp.Close(), os.Remove(tmp.Name())); err != nil {
			return fmt.Errorf("--%s: %w", flag, cannotWrite(dir, err))
		}
		return nil
	}
}

// roomAtLeast is what must fit into a folder before a change is begun whose
// evidence is to lie there.
const roomAtLeast = 1 << 20

func (f *runFlags) person() string {
	if f.who != "" {
		return f.who
	}
	if u, err := user.Current(); err == nil {
		if u.Name != "" {
			return u.Name
		}
		return u.Username
	}
	return "unknown"
}

func (e *env) conductCmd() *cobra.Command {
	var to string
	var reload bool
	var path int
	var flags runFlags
	c := &cobra.Command{
		Use: "conduct DEVICE --to RELEASE", Short: "conduct the change: staged, held for consent, run under guards, accepted or taken back",
		Long: `Conducts the change of one device, step by step, crash-safe: the state before is
kept, readiness is checked, images are sent and verified, a named person consents
at the hold points, the upgrade runs under guards while test traffic is measured,
and the result is accepted, taken back, or handed to a person with the reason.

This can interrupt emergency calls, hospitals and signalling. Your change
authority, the maker's documents and local codes come before this tool.`,
		Example: "  towpath conduct mere-agg-1 --to 4.4.2 --until 2031-03-04T05:00:00Z", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			ctx := cmd.Context()
			if err := flags.check(); err != nil {
				return err
			}
			if end, err := time.Parse(time.RFC3339, flags.until); err == nil && end.Before(time.Now()) {
				return usage("--until is %s, which is past; want the end of a window that is to come", flags.until)
			}
			a, err := e.load()
			if err != nil {
				return err
			}
			s, err := e.openStore()
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, s.Close()) }()
			e.knowRuns(a, s)
			p, err := e.prepareWith(ctx, a, args[0], to, reload, path-1, source{steady: -1})
			if err != nil {
				return err
			}
			if p.Plan == nil {
				return e.nothingToDo(args[0], to)
			}
			// What cannot be measured with is found before anything is kept: a run that
			// no session can take up would stand in the way of every other.
			if _, err := e.proberOf(a.Workspace.Policy); err != nil {
				return err
			}
			run, err := a.Begin(ctx, s, p, flags.person(), "")
			if err != nil {
				return err
			}
			return e.session(ctx, a, s, run, flags, nil)
		},
	}
	c.Flags().StringVar(&to, "to", "", "release to get to")
	c.Flags().BoolVar(&reload, "allow-reload", false, "allow hops that interrupt traffic")
	c.Flags().IntVar(&path, "path", 1, "which of the paths that towpath hops lists")
	flags.add(c)
	_ = c.MarkFlagRequired("to")
	return c
}

// knowRuns lets readiness know which devices have an open run.
func (e *env) knowRuns(a *app.App, s app.Store) {
	a.Measured = func(platform, from, to string) []time.Duration {
		hops, err := app.History(context.Background(), s)
		if err != nil {
			fmt.Fprintln(e.err, "towpath: what earlier runs measured cannot be read, so the forecast goes by the catalogue:", err)
			return nil
		}
		return app.Measured(hops, platform, from, to)
	}
	a.Upgrading = func(ctx context.Context, id fleet.DeviceID) (yes, known bool) {
		runs, err := s.Runs(ctx)
		if err != nil {
			return false, false
		}
		for _, r := range runs {
			if r.Device != string(id) {
				continue
			}
			// The verdict alone does not tell: a run that was handed over to a person
			// rests at the same one as a run that waits for a choice.
			if open, err := app.Open(ctx, s, r); err != nil {
				return false, false
			} else if open {
				return true, true
			}
		}
		return false, true
	}
}

func (e *env) resumeCmd() *cobra.Command {
	var flags runFlags
	var consent, refuse string
	var pick choosing
	c := &cobra.Command{
		Use: "resume RUN", Short: "take up a run that was interrupted, held or paused; the device is read first",
		Example: "  towpath resume mere-agg-1-20310304-011500\n  towpath resume mere-agg-1-20310304-011500 --consent \"Ada Fenwick\"\n" +
			"  towpath resume mere-agg-1-20310304-011500 --choose roll-back --person \"Ada Fenwick\"\n" +
			"  towpath resume mere-agg-1-20310304-011500 --choose waive --person \"Ada Fenwick\" \\\n      --because \"feed A is being repaired, feed B carries all\"", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			ctx := cmd.Context()
			if err := flags.check(); err != nil {
				return err
			}
			a, err := e.load()
			if err != nil {
				return err
			}
			s, err := e.openStore()
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, s.Close()) }()
			e.knowRuns(a, s)
			run, err := s.Get(ctx, args[0])
			if err != nil {
				return err
			}
			if err := say(ctx, e.err, s, run, consent, refuse, pick); err != nil {
				return err
			}
			return e.session(ctx, a, s, run, flags, nil)
		},
	}
	flags.add(c)
	c.Flags().StringVar(&consent, "consent", "", "name of the person who consents at the hold point where the run stands")
	c.Flags().StringVar(&refuse, "refuse", "", "name of the person who refuses consent there")
	c.Flags().StringVar(&pick.choose, "choose", "", "what a paused run is to do: continue, waive (the broken guard, for this step only), roll-back or hand-over")
	c.Flags().StringVar(&pick.person, "person", "", "name of the person who chooses")
	c.Flags().StringVar(&pick.because, "because", "", "why a guard is waived; it is kept in the evidence")
	return c
}

// choosing is what a person chooses for a paused run, as typed.
type choosing struct{ choose, person, because string }

// say leaves a person's answer for the run. What a waiver sets aside, and the
// cautions of the change, are told on w.
func say(ctx context.Context, w io.Writer, s app.Store, run app.RunRow, consent, refuse string, pick choosing) error {
	choose, person := pick.choose, pick.person
	send := func(topic string, v any) error {
		b, err := json.Marshal(v)
		if err != nil {
			return err
		}
		return s.Send(ctx, run.ID, topic, b)
	}
	given := 0
	for _, v := range []string{consent, refuse, choose} {
		if v != "" {
			given++
		}
	}
	waives := choose == string(conduct.Waive)
	switch {
	case pick.because != "" && !waives:
		return usage("--because goes with --choose waive")
	case given == 0 && person != "":
		return usage("--person goes with --choose")
	case given == 0:
		return nil
	case given > 1:
		return usage("--consent, --refuse and --choose exclude each other")
	case choose != "" && person == "":
		return usage("--choose needs --person: who chooses is kept in the evidence")
	case waives && strings.TrimSpace(pick.because) == "":
		return usage("--choose waive needs --because: why a guard is set aside is kept in the evidence")
	}
	st, _, err := app.StateOf(ctx, s, run)
	if err != nil {
		return err
	}
	if choose == "" {
		step, ok := st.Step()
		if !ok || st.Status != conduct.Ready || step.Hold == nil {
			return usage("run %s does not stand at a hold point, so there is nothing to consent to: %s", run.ID, st.SafeState())
		}
		who := consent + refuse
		if len(step.Hold.Persons) > 0 && !slices.Contains(step.Hold.Persons, who) {
			return usage("%q may not answer at this hold point; it asks for %s", who, strings.Join(step.Hold.Persons, " or "))
		}
		return send("consent", app.Consent{Person: who, Granted: consent != "", After: st.Seq})
	}
	for _, ch := range st.Choices {
		if string(ch) != choose {
			continue
		}
		if waives {
			if names := st.WaivedBy(); len(names) > 0 && !slices.Contains(names, person) {
				return usage("%q may not waive a guard of this hop; that may %s", person, strings.Join(names, " or "))
			}
			tellWaiver(w, &st)
		}
		return send("choice", app.Choice{Person: person, Choice: ch, Reason: pick.because, After: st.Seq})
	}
	switch {
	case len(st.Choices) == 0:
		return usage("run %s is not paused: there is nothing to choose", run.ID)
	case waives:
		return usage("no guard can be waived here, want one of %v: only one that stays broken can be (partner, power, adjacency), and only after the point of no return", st.Choices)
	}
	return usage("--choose is %q, want one of %v", choose, st.Choices)
}

// tellWaiver says what a waiver sets aside and what it does not, with the
// cautions of the change.
func tellWaiver(w io.Writer, st *conduct.State) {
	v := &view{out: w}
	step, _ := st.Step()
	fmt.Fprintf(w, "\nWAIVER on %s, hop %d\n", st.Plan.Device, step.Hop+1)
	v.lines("  guard:   ", st.Failure.Name)
	v.lines("  broken:  ", st.Failure.Text)
	v.lines("  step:    ", step.Title)
	text := "It counts for this step and for nothing else that breaks; the next step asks anew."
	if step.PointOfNoReturn {
		text += " The step was asked for and is only awaited; it is not asked for again."
	}
	v.lines("  ", text)
	for _, c := range st.Plan.Cautions {
		v.lines("  ! ", c)
	}
}

// proberOf makes the prober that the policy asks for.
func (e *env) proberOf(pol policy.Policy) (conduct.Prober, error) {
	spec := app.ProbeSpec{Rate: pol.Probe.Rate, Bucket: 100 * time.Millisecond}
	for _, f := range pol.Probe.Flows {
		spec.Flows = append(spec.Flows, app.ProbeFlow{Name: f.Name, To: f.To, Ports: f.Ports})
	}
	p, err := e.NewProber(spec)
	if err != nil {
		return nil, fmt.Errorf("policy.yaml: probe: %w", err)
	}
	return p, nil
}

// resumeWord is the command that takes up a run from where this one was given.
func (e *env) resumeWord(run string) string {
	words := []string{"towpath resume", run}
	if e.workspace != "." {
		words = append(words, "--workspace", quoted(e.workspace))
	}
	if e.state != "" {
		words = append(words, "--state", quoted(e.state))
	}
	return strings.Join(words, " ")
}

// quoted is a word as a shell takes it.
func quoted(s string) string {
	if s != "" && strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/._-+:@%,") == "" {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// session conducts a run in this process, shows it, and writes the evidence.
// after, when not nil, may add to what is printed as JSON.
func (e *env) session(ctx context.Context, a *app.App, s app.Store, run app.RunRow, flags runFlags, after func(*evidence.Document, map[string]any)) error {
	v := &view{out: e.out, live: e.isTerminal() && !dumb(), columns: e.columns}
	if e.format == "json" {
		v.out, v.live = io.Discard, false
	}
	if flags.until != "" {
		end, err := time.Parse(time.RFC3339, flags.until)
		if err != nil {
			return usage("--until: %v", err)
		}
		v.window = end
		v.back = app.BackTakes
	}
	asker, err := e.asker(flags, v)
	if err != nil {
		return err
	}
	pol, err := app.PolicyOf(run)
	if err != nil {
		return err
	}
	prober, err := e.proberOf(pol)
	if err != nil {
		return err
	}
	for _, u := range app.Unsafe(a.Workspace.Fleet, fleet.DeviceID(run.Device)) {
		fmt.Fprintln(e.err, "towpath: WARNING:", u)
	}
	e.signals.conducting()
	sctx, cancel := context.WithCancel(ctx)
	defer cancel()
	hands := app.Hands{Store: s, Images: e.Images(e.workspace), Prober: prober, Asker: asker, Show: v.show, Who: flags.person()}
	hands.OnStart = func(c *app.Conductor) { e.onInterrupt(sctx, cancel, c, asker) }
	st, runErr := a.Conduct(sctx, run, hands)
	v.mute(true)
	doc, path, err := e.writeEvidence(context.WithoutCancel(ctx), a, s, run, flags.evidence)
	if doc == nil {
		return errors.Join(runErr, err)
	}
	end := ending(st, runErr)
	if err != nil {
		// How the run ended must not be lost with it: the store has all of it.
		fmt.Fprintf(e.err, "towpath: the evidence could not be written: %s\nhint: towpath evidence %s writes it again, with --evidence FOLDER elsewhere\n", printable(err.Error()), run.ID)
		if path = ""; end == nil {
			end = exit{ExitDevice}
		}
	}
	if e.format == "json" {
		sum := Summary(doc, path)
		if err != nil {
			sum["evidence_error"] = err.Error()
		}
		if step, ok := st.Step(); ok && st.Status == conduct.Ready && step.Hold != nil {
			sum["held"] = step.Hold
		}
		if after != nil {
			after(doc, sum)
		}
		return e.endJSON(sum, end)
	}
	now, _, err := app.StateOf(context.WithoutCancel(ctx), s, run)
	if err != nil {
		return errors.Join(runErr, err)
	}
	if flags.asker != nil {
		now.Choices = nil // its lab goes with the command: there is nothing to take up
	}
	e.printEnd(doc, path, &now)
	if after != nil {
		after(doc, nil)
	}
	if e.fleeting && errors.Is(runErr, context.Canceled) {
		fmt.Fprintln(e.err, "\ntowpath: stopped; the lab goes with the command, so this run cannot be taken up")
		return exit{ExitDevice}
	}
	return end
}

// endJSON prints the summary with the error that ended the session in it: one
// command prints one object, whatever ended it.
func (e *env) endJSON(sum map[string]any, end error) error {
	var x exit
	if end != nil && !errors.As(end, &x) {
		status, hint := explain(end)
		text := end.Error()
		if errors.Is(end, context.Canceled) {
			if text = "stopped"; e.fleeting {
				hint = "the lab goes with the command, so this run cannot be taken up"
			}
		}
		sum["error"], sum["hint"], sum["exit"] = text, hint, status
		fmt.Fprintln(e.err, "towpath:", printable(text))
		end = exit{status}
	}
	if err := e.json(sum); err != nil {
		return err
	}
	return end
}

// ending gives the exit status that a run ends a command with.
func ending(st conduct.State, err error) error {
	switch {
	case errors.Is(err, app.ErrPaused), errors.Is(err, app.ErrHeld):
		return exit{ExitHold}
	case err != nil:
		return err
	case st.Verdict == conduct.Accepted:
		return nil
	case st.Verdict == conduct.Paused:
		return exit{ExitHold}
	}
	return exit{ExitVerdict}
}

// screen is standard output where that is a terminal, and nil elsewhere.
func (e *env) screen() *os.File {
	out := e.out
	if o, ok := out.(*outlet); ok {
		out = o.Writer
	}
	if f, ok := out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		return f
	}
	return nil
}

func (e *env) isTerminal() bool { return e.screen() != nil }

// dumb says that the terminal takes no movements of the cursor.
func dumb() bool { return os.Getenv("TERM") == "dumb" }

// columns is how wide text is printed: as wide as the terminal, and no wider than
// is easily read.
func (e *env) columns() int {
	const narrowest = 40
	if f := e.screen(); f != nil {
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
			return min(max(w, narrowest), width)
		}
	}
	return width
}

// asker is the consent file, or the terminal where there is one, or nobody.
func (e *env) asker(flags runFlags, v *view) (app.Asker, error) {
	if flags.asker != nil {
		return flags.asker, nil
	}
	if flags.consentFile != "" {
		return readConsents(flags.consentFile)
	}
	if f, ok := e.in.(*os.File); ok && term.IsTerminal(int(f.Fd())) && e.format != "json" {
		return newTerminal(e.in, e.out, v), nil
	}
	return &consents{}, nil
}

// onInterrupt has Ctrl-C ask what to do; a second one while it asks leaves the
// run to be taken up, and so does a request to end. A terminal or pipe that goes
// away ends nothing: a device in the middle of its work is worse off without its
// conductor than without a spectator, and a question that nobody can answer
// leaves the run there.
func (e *env) onInterrupt(ctx context.Context, leave context.CancelFunc, c *app.Conductor, asker app.Asker) {
	ch, end, gone := make(chan os.Signal, 2), make(chan os.Signal, 1), make(chan os.Signal, 1)
	signal.Notify(ch, os.Interrupt)
	signal.Notify(end, syscall.SIGTERM)
	signal.Notify(gone, syscall.SIGHUP, syscall.SIGPIPE)
	context.AfterFunc(ctx, func() {
		for _, x := range []chan os.Signal{ch, end, gone} {
			signal.Stop(x)
		}
	})
	away := func() {
		if !e.fleeting {
			fmt.Fprintln(e.err, "\ntowpath: leaving; the run stays open and is taken up with:", e.resumeWord(c.Run.ID))
		}
		leave()
	}
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-end:
				away()
				return
			case x := <-gone:
				// SIGPIPE comes for a connection of a device that broke, too.
				if x == syscall.SIGHUP && e.fleeting {
					leave() // nobody is left to see it
					return
				}
				continue
			case <-ch:
			}
			t, ok := asker.(*terminal)
			if !ok {
				away()
				return
			}
			fmt.Fprintf(e.out, "\n")
			switch l := t.askOrAgain(ctx, ch); {
			case strings.HasPrefix(l, "l"):
				leave()
				return
			case strings.HasPrefix(l, "b"):
				c.RequestStop()
			}
		}
	}()
}

// writeEvidence writes the evidence of the run as HTML and JSON. The document is
// returned where only the writing failed.
func (e *env) writeEvidence(ctx context.Context, a *app.App, s app.Store, run app.RunRow, dir string) (*evidence.Document, string, error) {
	doc, err := app.Evidence(ctx, s, run, app.Unsafe(a.Workspace.Fleet, fleet.DeviceID(run.Device)))
	if err != nil {
		return nil, "", err
	}
	if dir == "" {
		dir = "."
	}
	if err := os.MkdirAll(dir, 0o755); err != nil { //nolint:gosec // evidence is handed to others
		return doc, "", err
	}
	base := filepath.Join(dir, "evidence-"+run.ID)
	var asJSON, asHTML bytes.Buffer
	if err := errors.Join(doc.WriteJSON(&asJSON), doc.WriteHTML(&asHTML)); err != nil {
		return doc, "", err
	}
	if err := replaceFiles(newFile{base + ".json", asJSON.Bytes()}, newFile{base + ".html", asHTML.Bytes()}); err != nil {
		return doc, "", err
	}
	return doc, base + ".html", nil
}

// Summary is the stable JSON form of how a run ended.
func Summary(d *evidence.Document, path string) map[string]any {
	hops := []map[string]any{}
	var forecast, measured time.Duration
	known := false
	for _, h := range d.Hops {
		hops = append(hops, map[string]any{"from": h.From, "to": h.To, "method": h.Method, "untouched": h.Untouched, "untouched_bare": h.Bare, "prepared": h.Prepared,
			"silence_ms":         map[string]any{"forecast": ms(h.Silence.Forecast), "least": ms(h.Silence.Least), "most": ms(h.Silence.Most), "measured": msIf(h.Silence)},
			"loss_ms":            map[string]any{"forecast": ms(h.Loss.Forecast), "least": ms(h.Loss.Least), "most": ms(h.Loss.Most), "measured": msIf(h.Loss), "at_components": msIf(h.Parts)},
			"components_loss_ms": map[string]any{"forecast": forecastIf(h.Parts), "least": ms(h.Parts.Least), "most": ms(h.Parts.Most), "measured": msIf(h.Parts)},
			"duration_ms":        map[string]any{"forecast": ms(h.Minutes.Forecast), "measured": msIf(h.Minutes)}})
		// Of several hops the longest silence speaks for the run.
		if h.Silence.Known && (!known || h.Silence.Measured > measured) {
			forecast, measured, known = h.Silence.Forecast, h.Silence.Measured, true
		} else if !known {
			forecast = max(forecast, h.Silence.Forecast)
		}
	}
	counts := map[string]int{"clear": 0, "caution": 0, "blocker": 0, "unknown": 0}
	for _, f := range d.Findings {
		counts[f.Verdict]++
	}
	silence := map[string]any{"forecast": ms(forecast), "measured": nil}
	if known {
		silence["measured"] = ms(measured)
	}
	return map[string]any{
		"verdict": d.Verdict, "reason": d.Reason, "safe_state": d.SafeState, "found": d.Found, "waivers": d.Waivers, "run": d.Run, "device": d.Device, "from": d.From, "to": d.To, "hops": hops,
		"silence_ms": silence,
		"probe": map[string]any{"sent": d.Probe.Sent, "lost": d.Probe.Lost, "lost_forward": d.Probe.Forward, "lost_reverse": d.Probe.Reverse,
			"tpl_frames": d.Probe.TPLFrames, "tpl_ms": ms(d.Probe.TPLTime), "resolution_ms": ms(d.Probe.Resolution)},
		"findings": counts, "evidence": fileOf(path, ".html"), "evidence_json": fileOf(path, ".json"), "evidence_sha256": d.Digest,
	}
}

func ms(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

func msIf(p evidence.Pair) any {
	if !p.Known {
		return nil
	}
	return ms(p.Measured)
}

// fileOf is the file of the evidence with that ending; nil where none was written.
func fileOf(path, ext string) any {
	if path == "" {
		return nil
	}
	return strings.TrimSuffix(path, ".html") + ext
}

// forecastIf is a forecast that may not have been made.
func forecastIf(p evidence.Pair) any {
	if p.Most == 0 {
		return nil
	}
	return ms(p.Forecast)
}

// printEnd prints how the run ended.
func (e *env) printEnd(d *evidence.Document, path string, st *conduct.State) {
	step, _ := st.Step()
	held := st.Status == conduct.Ready && step.Hold != nil
	e.printf("\n%s: %s, %s to %s\n", strings.ToUpper(strings.ReplaceAll(string(orOpen(d.Verdict)), "-", " ")), d.Device, d.From, d.To)
	if d.Reason != "" {
		e.wrap("  because:  ", d.Reason)
	}
	e.wrap("  now:      ", d.SafeState)
	for _, f := range d.Found {
		e.wrap("  found:    ", f)
	}
	if held {
		e.wrap("  held:     ", "a named person must consent: "+step.Hold.Ask)
		(&view{out: e.out, columns: e.columns}).covers("            ", step)
		if len(step.Hold.Persons) > 0 {
			e.wrap("  by:       ", strings.Join(step.Hold.Persons, " or "))
		}
	}
	for _, h := range d.Hops {
		line := fmt.Sprintf("%s to %s %s", h.From, h.To, h.Method)
		switch {
		case h.Silence.Known:
			line += fmt.Sprintf(": silent %v, forecast %v (%v to %v)", h.Silence.Measured.Round(time.Millisecond), h.Silence.Forecast, h.Silence.Least, h.Silence.Most)
		case h.Method == release.Reload:
			line += ": a restart of the whole device"
		default:
			line += ": no hand-over was measured"
		}
		if h.Loss.Known {
			line += fmt.Sprintf("; longest loss %v, forecast %v", h.Loss.Measured.Round(time.Millisecond), h.Loss.Forecast.Round(time.Millisecond))
			if h.Loss.Most > 0 {
				line += fmt.Sprintf(" (%v to %v)", h.Loss.Least.Round(time.Millisecond), h.Loss.Most.Round(time.Millisecond))
			}
		}
		if h.Parts.Known {
			line += fmt.Sprintf("; while single components restarted %v", h.Parts.Measured.Round(time.Millisecond))
			if h.Parts.Most > 0 {
				line += fmt.Sprintf(", forecast %v (%v to %v)", h.Parts.Forecast.Round(time.Millisecond), h.Parts.Least.Round(time.Millisecond), h.Parts.Most.Round(time.Millisecond))
			}
		}
		e.wrap("  hop:      ", line)
		for _, line := range fateLines(h) {
			e.wrap("  fate:     ", line)
		}
		if len(h.Prepared) > 0 {
			line = fmt.Sprintf("nothing drops: %.1f %% as forecast, %.1f %% unprepared; %s changed", 100*h.Untouched, 100*h.Bare, unit.CountedWith(len(h.Prepared), "setting", "was", "were"))
			if n := slices.IndexFunc(h.Prepared, func(x evidence.Prepared) bool { return x.Back.IsZero() }); n >= 0 {
				line += " and not all put back: " + h.Prepared[n].On + " " + h.Prepared[n].Setting
			} else {
				line += " and put back"
			}
			e.wrap("  prepared: ", line)
		}
	}
	if d.Probe.Sent > 0 {
		e.wrap("  traffic:  ", fmt.Sprintf("%s sent, %d lost; total %s, %.1f ms at the offered load; resolution %.1f ms", unit.Counted(d.Probe.Sent, "packet"), d.Probe.Lost,
			unit.Counted(d.Probe.TPLFrames, "frame"), ms(d.Probe.TPLTime), ms(d.Probe.Resolution)))
	}
	if path == "" {
		path = "NOT WRITTEN"
	}
	e.printf("  evidence: %s\n  sha256:   %s\n", path, d.Digest)
	switch d.Verdict {
	case conduct.Paused:
		// A run that was handed over rests at the same verdict and has ended.
		if len(st.Choices) > 0 {
			words := make([]string, len(st.Choices))
			for i, ch := range st.Choices {
				words[i] = string(ch)
			}
			e.printf("  choose:   %s, with\n            %s --choose WORD --person NAME\n", strings.Join(words, ", "), e.resumeWord(d.Run))
			if slices.Contains(st.Choices, conduct.Waive) {
				e.wrap("            ", "to waive, add --because REASON: "+st.Failure.Name+" then does not count for this step")
			}
		}
	case "":
		if !held {
			if !e.fleeting {
				e.printf("  go on:    %s\n", e.resumeWord(d.Run))
			}
			break
		}
		e.printf("  consent:  %s --consent NAME\n  refuse:   %s --refuse NAME\n", e.resumeWord(d.Run), e.resumeWord(d.Run))
	case conduct.Accepted, conduct.RolledBack, conduct.Refused:
	}
}

func orOpen(v conduct.Verdict) conduct.Verdict {
	if v == "" {
		return "open"
	}
	return v
}

func (e *env) runsCmd() *cobra.Command {
	return &cobra.Command{
		Use: "runs", Short: "list the runs that are kept, the newest first", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			s, kept, err := e.readStore()
			if err != nil {
				return err
			}
			runs := []app.RunRow{}
			if kept {
				defer func() { err = errors.Join(err, s.Close()) }()
				if runs, err = s.Runs(cmd.Context()); err != nil {
					return err
				}
			}
			if e.format == "json" {
				return e.json(runs)
			}
			if len(runs) == 0 {
				e.printf("no runs are kept in %s\n", e.stateDir())
			}
			for _, r := range runs {
				e.printf("%-36s %-16s %s  %s\n", r.ID, r.Device, r.Begun.Format(time.RFC3339), orOpen(conduct.Verdict(r.Verdict)))
			}
			return nil
		},
	}
}

func (e *env) evidenceCmd() *cobra.Command {
	var dir string
	var pdf bool
	c := &cobra.Command{
		Use: "evidence RUN | FILE.json", Short: "write the evidence of a run again, or prove that a document is as it was handed over",
		Example: "  towpath evidence mere-agg-1-20310304-011500\n  towpath evidence evidence-mere-agg-1-20310304-011500.json", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			if strings.HasSuffix(args[0], ".json") {
				return e.checkEvidence(args[0], pdf)
			}
			if _, err := os.Stat(args[0]); err == nil || strings.ContainsRune(args[0], filepath.Separator) {
				return usage("%s is no run; want the id of one, as towpath runs lists them, or an evidence document, whose name ends in .json", args[0])
			}
			a, err := e.load()
			if err != nil {
				return err
			}
			s, kept, err := e.readStore()
			if err != nil {
				return err
			}
			if !kept {
				return fmt.Errorf("%w: %s: none is kept in %s", app.ErrNoRun, args[0], e.stateDir())
			}
			defer func() { err = errors.Join(err, s.Close()) }()
			run, err := s.Get(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			doc, path, err := e.writeEvidence(cmd.Context(), a, s, run, dir)
			if err != nil {
				return err
			}
			if pdf {
				if err := writePDF(doc, strings.TrimSuffix(path, ".html")+".pdf"); err != nil {
					return err
				}
			}
			if e.format == "json" {
				return e.json(Summary(doc, path))
			}
			st, _, err := app.StateOf(cmd.Context(), s, run)
			if err != nil {
				return err
			}
			e.printEnd(doc, path, &st)
			return nil
		},
	}
	c.Flags().StringVar(&dir, "evidence", "", "folder that it is written to (default: the current one)")
	c.Flags().BoolVar(&pdf, "pdf", false, "write it as PDF too, beside the others")
	return c
}

func (e *env) checkEvidence(name string, pdf bool) (err error) {
	f, err := os.Open(name) // #nosec G304 -- the file the operator names
	if err != nil {
		return usage("%v", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	doc, err := evidence.Check(f)
	if err != nil {
		if e.format == "json" {
			if jerr := e.json(map[string]any{"error": err.Error(), "intact": false, "exit": ExitVerdict}); jerr != nil {
				return jerr
			}
		}
		fmt.Fprintln(e.err, "towpath:", err)
		return exit{ExitVerdict}
	}
	if pdf {
		if err := writePDF(doc, strings.TrimSuffix(name, ".json")+".pdf"); err != nil {
			return err
		}
	}
	if e.format == "json" {
		return e.json(map[string]any{"sha256": doc.Digest, "run": doc.Run, "verdict": doc.Verdict, "intact": true})
	}
	e.printf("%s: intact: run %s, %s\n", name, doc.Run, doc.Verdict)
	e.printf("SHA-256 %s\n", doc.Digest)
	e.wrap("", "It is the document that was handed over if this is the digest that was noted then: who writes another document writes its digest too.")
	return nil
}
