package cli

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"towpath/internal/app"
	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/schedule"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// wavesFlags are those of the command.
type wavesFlags struct {
	instance string
	seconds  float64
	to       []string
	from     string
	until    string
	reload   bool
	leaveOut bool
	seed     uint64
	captures string
	why      string
	out      string
	revise   string
	outcomes string
	now      string
	promised string
}

func (e *env) wavesCmd() *cobra.Command {
	var f wavesFlags
	c := &cobra.Command{
		Use: "waves --to RELEASE", Short: "put the change of many devices into as few nights as possible, with a proven bound",
		Long: "Finds the hop paths of all devices that are not at the target, how long each takes, and\n" +
			"puts them into windows of the calendars that campaign.yaml names: as few nights as\n" +
			"possible, then the devices at risk first. Every rule is kept, or the smallest set of\n" +
			"rules that cannot all be kept is named and the exit status is 1.\n\n" +
			"--to may be given once for each platform, as RELEASE or PLATFORM=RELEASE. What is kept\n" +
			"with --format json --out FILE can be revised later with --revise FILE: what is done\n" +
			"stays, promised nights take on nothing new, and as few devices as possible move.\n\n" +
			"With --instance it reads a published test instance instead: a graph of conflicts\n" +
			"(.col), a bin-packing list, or JSON with conflicts, capacities and k-of-n groups. A\n" +
			"file with several instances gives one answer each; FILE#NAME chooses one.",
		Example: "  towpath waves --to 4.4.2 --from 2026-12-01 --until 2027-03-31\n" +
			"  towpath waves --to 4.4.2 --to willow-3=7.1-p1 --allow-reload --format json --out plan.json\n" +
			"  towpath waves --to 4.4.2 --why mere-agg-1\n" +
			"  towpath waves --revise plan.json --promised-until 2027-01-15\n" +
			"  towpath waves --instance fleet.json --format json", Args: cobra.NoArgs,
		Annotations: map[string]string{"formats": "text, json or ics"},
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case e.format != "text" && e.format != "json" && e.format != "ics":
				return usage("--format is %q, want text, json or ics", e.format)
			case f.seconds <= 0:
				return usage("--seconds is %v, want more than 0", f.seconds)
			case f.instance != "":
				if e.format == "ics" {
					return usage("--format is %q, want text or json for an instance", e.format)
				}
				return e.wavesInstance(cmd.Context(), f)
			case f.revise == "" && len(f.to) == 0:
				return usage("nothing to do: want --to RELEASE, --revise FILE or --instance FILE")
			case f.revise != "" && len(f.to) > 0:
				return usage("--to and --revise exclude each other: the kept campaign says the target")
			}
			return e.waves(cmd, f)
		},
	}
	c.Flags().StringSliceVar(&f.to, "to", nil, "target: RELEASE, or PLATFORM=RELEASE; may be given once for each platform")
	c.Flags().StringVar(&f.from, "from", "", "first day or instant of a window (default: now)")
	c.Flags().StringVar(&f.until, "until", "", "last day or instant at which a window may begin (default: 92 days after --from)")
	c.Flags().BoolVar(&f.reload, "allow-reload", false, "allow hops that restart the whole device")
	c.Flags().BoolVar(&f.leaveOut, "leave-out", false, "leave devices out that stand in the way, with the reason, instead of giving up")
	c.Flags().Uint64Var(&f.seed, "seed", 1, "where the simulation and the search begin; the same seed gives the same campaign")
	c.Flags().StringVar(&f.captures, "captures", "", "folder with saved captures, DEVICE.capture: survival is forecast from them")
	c.Flags().StringVar(&f.why, "why", "", "device of which to tell path, times, chances and what matters most")
	outFlag(c, &f.out, "", "", "file to write instead of standard output")
	c.Flags().StringVar(&f.revise, "revise", "", "kept campaign (JSON) to change as little as possible")
	c.Flags().StringVar(&f.outcomes, "outcomes", "", "with --revise: file with what was done and what failed (default: the kept runs)")
	c.Flags().StringVar(&f.now, "now", "", "with --revise: day or instant from which windows can be used (default: now)")
	c.Flags().StringVar(&f.promised, "promised-until", "", "with --revise: windows that begin before this take on nothing new")
	c.Flags().StringVar(&f.instance, "instance", "", "file with a test instance")
	c.Flags().Float64Var(&f.seconds, "seconds", 60, "how long to look for a better answer or a proof")
	return c
}

func (e *env) wavesInstance(ctx context.Context, w wavesFlags) (err error) {
	name, _, _ := strings.Cut(w.instance, "#")
	f, err := os.Open(name) // #nosec G304 -- the file the operator names
	if err != nil {
		return usage("--instance: %v", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	ctx, cancel := context.WithTimeout(ctx, time.Duration(w.seconds*float64(time.Second)))
	defer cancel()
	answers, err := schedule.Instance(ctx, w.instance, f, schedule.Limits{CountOnly: true})
	if errors.Is(err, schedule.ErrInvalid) {
		return usage("%v", err)
	}
	if err != nil {
		return err
	}
	return e.into(w.out, func(e *env) error {
		if e.format == "json" {
			return e.json(answers)
		}
		for _, a := range answers {
			proof := fmt.Sprintf("at least %d are needed", a.LowerBound)
			if a.Proven {
				proof = "proven: fewer are not possible"
			}
			e.printf("%s: %s; %s\n", orText(a.Instance, name), unit.Counted(a.WindowsUsed, "window"), proof)
			for _, w := range a.Warnings {
				e.wrap("  caution: ", w)
			}
			for i, w := range a.Windows {
				e.wrap(fmt.Sprintf("  window %d: ", i+1), strings.Trim(fmt.Sprint(w), "[]"))
			}
		}
		return nil
	})
}

// into prints into the file, or on standard output where it is empty. The file
// is written whole or not at all.
func (e *env) into(file string, show func(e *env) error) error {
	if e.signals.wasStopped() { // while it was searched for: it is not what was asked for
		return errStopped
	}
	if file == "" {
		return show(e)
	}
	var b bytes.Buffer
	to := *e
	to.out = &b
	if err := show(&to); err != nil {
		return err
	}
	return replaceFile(file, b.Bytes())
}

// instant reads a day or an instant; of a day it is the beginning, or the
// beginning of the next.
func instant(flag, s string, zone *time.Location, next bool) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, nil
	}
	t, err := time.ParseInLocation(time.DateOnly, s, zone)
	if err != nil {
		return t, usage("--%s is %q, want a day such as 2027-01-31 or an instant such as 2027-01-31T22:00:00+01:00", flag, s)
	}
	if next {
		t = t.AddDate(0, 0, 1)
	}
	return t, nil
}

// captured reads the captures of a folder.
func (e *env) captured(dir string, f *fleet.Fleet) (map[fleet.DeviceID]*state.Capture, error) {
	if dir == "" {
		return nil, nil
	}
	if _, err := os.Stat(dir); err != nil {
		return nil, usage("--captures: %v", err)
	}
	out := map[fleet.DeviceID]*state.Capture{}
	for _, d := range f.Devices {
		src, err := os.ReadFile(filepath.Join(dir, string(d.ID)+".capture")) // #nosec G304 -- in the folder the operator names
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, usage("--captures: %v", err)
		}
		c, err := state.Decode(bytes.NewReader(src))
		if err != nil {
			return nil, usage("--captures: %s.capture: %v", d.ID, err)
		}
		out[d.ID] = c
	}
	if len(out) == 0 {
		return nil, usage("--captures: no file DEVICE.capture in %s", dir)
	}
	return out, nil
}

// learned reads what earlier runs measured; a workspace in which none was kept
// has no folder for them, and none is made.
func (e *env) learned(ctx context.Context, a *app.App, kept *plan.Campaign) (steps app.StepTimes, outcomes []app.Outcome, err error) {
	s, some, err := e.readStore()
	if err != nil || !some {
		return nil, nil, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	if steps, err = app.MeasuredSteps(ctx, s); err != nil {
		return nil, nil, err
	}
	hops, err := app.History(ctx, s)
	if err != nil {
		return nil, nil, err
	}
	a.Measured = func(platform, from, to string) []time.Duration { return app.Measured(hops, platform, from, to) }
	if kept != nil {
		outcomes, err = app.OutcomesOf(ctx, s, kept)
	}
	return steps, outcomes, err
}

func (e *env) waves(cmd *cobra.Command, f wavesFlags) error {
	a, err := e.load()
	if err != nil {
		return err
	}
	if a.Workspace.Campaign == nil {
		return app.ErrNoCampaign
	}
	zone, err := time.LoadLocation(a.Workspace.Campaign.Zone)
	if err != nil {
		return usage("%v", err)
	}
	ctx, cancel := context.WithTimeout(cmd.Context(), time.Duration(f.seconds*float64(time.Second)))
	defer cancel()
	w := app.CampaignWant{To: f.to, AllowReload: f.reload, Seed: f.seed, LeaveOut: f.leaveOut, Limits: schedule.Limits{Seed: f.seed}}
	if w.Captures, err = e.captured(f.captures, a.Workspace.Fleet); err != nil {
		return err
	}
	var c *plan.Campaign
	if f.revise != "" {
		c, err = e.revise(ctx, a, w, f, zone)
	} else {
		w.From = a.Clock.Now().Truncate(time.Minute)
		if f.from != "" {
			if w.From, err = instant("from", f.from, zone, false); err != nil {
				return err
			}
		}
		w.Until = w.From.AddDate(0, 0, 92)
		if f.until != "" {
			if w.Until, err = instant("until", f.until, zone, true); err != nil {
				return err
			}
		}
		if !w.Until.After(w.From) {
			return usage("--until is not after --from")
		}
		if w.Steps, _, err = e.learned(ctx, a, nil); err != nil {
			return err
		}
		c, err = a.Campaign(ctx, w)
	}
	var blocked *app.Blocked
	if errors.As(err, &blocked) && e.format != "ics" {
		return e.blocked(blocked)
	}
	if err != nil {
		return err
	}
	if f.why != "" {
		return e.courseOf(c, f.why)
	}
	err = e.into(f.out, func(e *env) error {
		switch e.format {
		case "json":
			return e.json(c)
		case "ics":
			return app.CampaignCalendar(e.out, c)
		}
		return e.showCampaign(c)
	})
	if err != nil {
		return err
	}
	if f.out != "" && e.format == "text" {
		e.printf("%s\n", f.out)
	}
	if len(c.Left) > 0 {
		return exit{ExitVerdict}
	}
	return nil
}

func (e *env) revise(ctx context.Context, a *app.App, w app.CampaignWant, f wavesFlags, zone *time.Location) (*plan.Campaign, error) {
	src, err := os.ReadFile(f.revise) // #nosec G304 -- the file the operator names
	if err != nil {
		return nil, usage("--revise: %v", err)
	}
	r := app.ReviseWant{Now: a.Clock.Now()}
	if r.Kept, err = app.ReadCampaign(f.revise, src); err != nil {
		return nil, err
	}
	if f.now != "" {
		if r.Now, err = instant("now", f.now, zone, false); err != nil {
			return nil, err
		}
	}
	if f.promised != "" {
		if r.PromisedUntil, err = instant("promised-until", f.promised, zone, false); err != nil {
			return nil, err
		}
	}
	if f.from != "" {
		return nil, usage("--from and --revise exclude each other: the kept campaign says where it begins")
	}
	if f.until != "" {
		if w.Until, err = instant("until", f.until, zone, true); err != nil {
			return nil, err
		}
	}
	if w.Steps, r.Outcomes, err = e.learned(ctx, a, r.Kept); err != nil {
		return nil, err
	}
	if f.outcomes != "" {
		src, err := os.ReadFile(f.outcomes) // #nosec G304 -- the file the operator names
		if err != nil {
			return nil, usage("--outcomes: %v", err)
		}
		told, err := app.ReadOutcomes(f.outcomes, src)
		if err != nil {
			return nil, err
		}
		// What a person says counts before what a run says of the same device.
		for _, o := range r.Outcomes {
			if !said(told, o.Device) {
				told = append(told, o)
			}
		}
		r.Outcomes = told
	}
	return a.Revise(ctx, r, w)
}

func said(told []app.Outcome, device string) bool {
	for _, o := range told {
		if o.Device == device {
			return true
		}
	}
	return false
}

// blocked says which rules cannot all be kept.
func (e *env) blocked(b *app.Blocked) error {
	if e.format == "json" {
		type rule struct {
			Kind schedule.Kind `json:"kind"`
			Says string        `json:"says"`
		}
		rules := []rule{}
		for _, r := range b.Why.Rules {
			rules = append(rules, rule{r.Kind, r.Says})
		}
		if err := e.json(map[string]any{"infeasible": map[string]any{"devices": b.Why.Items, "rules": rules, "windows": b.Why.Windows, "minimal": b.Why.Minimal, "smallest": b.Why.Smallest}}); err != nil {
			return err
		}
		return exit{ExitVerdict}
	}
	e.printf("NO CAMPAIGN KEEPS ALL RULES\n\n")
	e.wrap("", fmt.Sprintf("These rules cannot all be kept for %s in %s:", strings.Join(b.Why.Items, ", "), unit.Counted(b.Why.Windows, "window")))
	for _, r := range b.Why.Rules {
		e.wrap("  - ", r.Says)
	}
	switch {
	case b.Why.Smallest:
		e.printf("\nEach of them is needed for that, and no smaller set of rules is in conflict.\n")
	case b.Why.Minimal:
		e.printf("\nWithout any one of them there is a campaign for these devices.\n")
	}
	e.wrap("", "Change one of them in campaign.yaml, policy.yaml or the calendars, look further ahead with --until, or leave devices out with --leave-out.")
	return exit{ExitVerdict}
}

// rounded is an expected duration without digits that mean nothing.
func rounded(d time.Duration) time.Duration {
	if d >= 10*time.Second {
		return d.Round(time.Second)
	}
	return d.Round(time.Millisecond)
}

func (e *env) showCampaign(c *plan.Campaign) error {
	var to []string
	devices := 0
	for _, t := range c.Targets {
		to = append(to, t.Platform+" to "+t.Release)
		devices += t.Devices
	}
	e.wrap("", fmt.Sprintf("%s: %s", c.Operator, strings.Join(to, ", ")))
	e.wrap("", fmt.Sprintf("%s: %d in %s, %d at the target, %d without a night; %s from %s to %s (%s)", unit.Counted(devices, "device"), len(c.Devices), unit.Counted(len(c.Nights), "night"),
		len(c.There), len(c.Left), unit.Counted(c.WindowsOffered, "window"), c.From.Format(time.DateOnly), c.Until.Add(-time.Second).Format(time.DateOnly), c.Zone))
	p := c.Proof
	switch {
	case c.Revises != "":
	case p.Proven:
		e.wrap("", fmt.Sprintf("PROVEN: fewer than %s not possible (%s).", unit.CountedWith(p.Nights, "night", "is", "are"), p.Bound))
	default:
		e.wrap("", fmt.Sprintf("%s, at least %d needed (%s): gap %.1f %%, not proven.", unit.Counted(p.Nights, "night"), p.LowerBound, p.Bound, 100*p.Gap))
	}
	if c.Revises != "" {
		least := fmt.Sprintf("at least %d must have one", c.LeastMoves)
		if len(c.Changes) <= c.LeastMoves {
			least = "proven: no revision moves fewer"
		}
		e.wrap("", fmt.Sprintf("Revises %.12s…: another night for %s; %s.", c.Revises, unit.Counted(len(c.Changes), "device"), least))
	}
	if n := c.Network; n != nil {
		s := fmt.Sprintf("network: busiest link %.0f %% (%s, night %d)", 100*n.Worst.Utilisation, n.Worst.Link, n.Worst.Night)
		if w := n.WorstFailure; w != nil {
			s += fmt.Sprintf("; %.0f %% (%s, night %d) should %s fail", 100*w.Utilisation, w.Link, w.Night, w.Failure)
		}
		s += fmt.Sprintf("; limit %.0f %%", 100*n.Limit)
		if n.Demands != "" {
			s += "; by " + n.Demands
		}
		e.wrap("", s)
	}
	if a := c.Availability; a != nil && len(a.Teams) > 0 {
		x := a.Teams[0]
		e.wrap("", fmt.Sprintf("availability: most is taken from %s, expected %s by restarts and %s were its devices out for all their work, of %s that a target of %.9g %% leaves in a year",
			x.Name, rounded(x.Restarts), rounded(x.Work), a.Budget.Round(time.Second), 100*a.Target))
	}
	courses := map[fleet.DeviceID]plan.DeviceCourse{}
	for _, d := range c.Devices {
		courses[d.Device] = d
	}
	for _, n := range c.Nights {
		e.showNight(c, n, courses)
	}
	if len(c.Left) > 0 {
		e.printf("\nWithout a night:\n")
		for _, u := range c.Left {
			e.wrap(fmt.Sprintf("  %s (%s to %s): ", u.Device, orText(u.From, "?"), u.To), u.Reason)
			for _, o := range u.Opens {
				e.wrap("      would help: ", o)
			}
		}
	}
	if len(c.Changes) > 0 {
		e.printf("\nWhat changed:\n")
		for _, x := range c.Changes {
			e.wrap(fmt.Sprintf("  %s: ", x.Device), fmt.Sprintf("%s to %s; %s", dayOr(x.Was), dayOr(x.Is), x.Why))
		}
	}
	if len(c.Served) > 0 {
		e.printf("\nWho is affected:\n")
		for _, s := range c.Served {
			how := "in service"
			if s.Outage {
				how = "with an outage"
			}
			e.wrap(fmt.Sprintf("  %s: ", s.Who), fmt.Sprintf("night %s, %s (%s)", strings.Trim(strings.ReplaceAll(fmt.Sprint(s.Nights), " ", ", "), "[]"), how, join(s.Devices)))
		}
	}
	if len(c.Warnings) > 0 {
		e.printf("\nLook at this first:\n")
		for _, w := range c.Warnings {
			e.wrap("  - ", w)
		}
	}
	digest, err := c.Digest()
	if err != nil {
		return err
	}
	e.printf("\n")
	for _, w := range c.Cautions {
		e.wrap("! ", w)
	}
	e.printf("digest %s\n", digest)
	return nil
}

func dayOr(t time.Time) string {
	if t.IsZero() {
		return "no night"
	}
	return t.Format("2006-01-02 15:04")
}

func join(list []fleet.DeviceID) string {
	var out []string
	for i, d := range list {
		if i == 4 && len(list) > 5 {
			return fmt.Sprintf("%s and %d more", strings.Join(out, ", "), len(list)-i)
		}
		out = append(out, string(d))
	}
	return strings.Join(out, ", ")
}

func (e *env) showNight(c *plan.Campaign, n plan.Night, courses map[fleet.DeviceID]plan.DeviceCourse) {
	more := ""
	if len(n.Sites) > 0 {
		more = "; only " + strings.Join(n.Sites, ", ")
	}
	if n.Promised {
		more += "; promised"
	}
	e.printf("\n")
	e.wrap(fmt.Sprintf("night %-3d ", n.Number), fmt.Sprintf("%s to %s, %s%s", n.Start.Format("Mon 2006-01-02 15:04"), n.End.Format("Mon 15:04 MST"), n.StageName, more))
	over := len(n.Tasks) > 0 && n.Tasks[0].Outcome != ""
	if !over {
		s := unit.Share(n.Done, c.Runs) + " done in time"
		if n.Back != nil {
			s += ", " + unit.Share(*n.Back, c.Runs) + " even with a rollback"
		}
		if !n.RollbackClock.IsZero() {
			s += ", roll back by " + n.RollbackClock.Format("15:04")
		}
		if n.Untouched != nil {
			s += fmt.Sprintf("; traffic untouched %s (of %s)", fmt.Sprintf("%.1f %%", 100**n.Untouched), unit.Counted(n.UntouchedKnown, "device"))
		}
		if n.Load != nil {
			s += fmt.Sprintf("; busiest link %.0f %%", 100*n.Load.Worst.Utilisation)
			if w := n.Load.WorstFailure; w != nil {
				s += fmt.Sprintf(", %.0f %% should %s fail", 100*w.Utilisation, w.Failure)
			}
			if x := n.Load.Cut; x != nil && x.Failures > 0 {
				s += "; " + x.String()
			}
			if c.Network != nil && n.Load.Demands != c.Network.Demands && n.Load.Demands != "" {
				s += " (" + n.Load.Demands + ")"
			}
		}
		e.wrap("          ", s)
	}
	for _, w := range n.Warnings {
		e.wrap("          ! ", w)
	}
	for _, t := range n.Tasks {
		d := courses[t.Device]
		way := []string{d.From}
		for _, h := range d.Hops {
			by := ""
			if h.Method != "in-service" {
				by = " by " + h.Method
			}
			way = append(way, "→ "+h.To+by)
		}
		s := fmt.Sprintf("%s: %s%s", t.Device, strings.Join(way, " "), with(t.Engineer))
		if t.Outcome != "" {
			s += ", " + strings.ToUpper(t.Outcome)
		} else {
			s += fmt.Sprintf(", about %.0f min", d.P50.Minutes())
		}
		e.wrap(fmt.Sprintf("  %s-%s  ", t.Start.Format("15:04"), t.End.Format("15:04")), s)
	}
}

// courseOf tells all about one device.
func (e *env) courseOf(c *plan.Campaign, id string) error {
	d, ok := c.Course(fleet.DeviceID(id))
	if !ok {
		for _, u := range c.Left {
			if string(u.Device) == id {
				if e.format == "json" {
					return e.json(u)
				}
				e.wrap(id+" has no night: ", u.Reason)
				for _, o := range u.Opens {
					e.wrap("  would help: ", o)
				}
				return exit{ExitVerdict}
			}
		}
		for _, t := range c.There {
			if string(t) == id {
				e.printf("%s runs the target already\n", id)
				return nil
			}
		}
		return fmt.Errorf("%w: %q, or none of the platforms that change", app.ErrNoDevice, id)
	}
	if e.format == "json" {
		return e.json(d)
	}
	line := func(what, format string, a ...any) { e.wrap(fmt.Sprintf("%-10s ", what), fmt.Sprintf(format, a...)) }
	var n plan.Night
	for _, x := range c.Nights {
		if x.Number == d.Night {
			n = x
		}
	}
	for _, t := range n.Tasks {
		if t.Device == d.Device {
			line(id, "night %d, %s to %s%s", n.Number, t.Start.Format("Mon 2006-01-02 15:04"), t.End.Format("15:04 MST"), with(t.Engineer))
		}
	}
	for i, h := range d.Hops {
		s := fmt.Sprintf("%s to %s, %s", h.From, h.To, h.Method)
		if h.Silence > 0 {
			s += fmt.Sprintf(", control plane silent for about %v", h.Silence)
		}
		if h.Outage > 0 {
			s += fmt.Sprintf(", down for about %v", h.Outage.Round(time.Second))
		}
		s += ", back: " + orText(h.Back, "no way")
		line(fmt.Sprintf("hop %d", i+1), "%s", s)
	}
	line("takes", "%v with probability 50 %%, %v with 95 %% (mean %v); %v are kept for it", d.P50.Round(time.Second), d.P95.Round(time.Second), d.Mean.Round(time.Second), d.Kept)
	s := unit.Share(d.Done, c.Runs) + " done inside the window"
	if d.Back != nil {
		s += ", " + unit.Share(*d.Back, c.Runs) + " done and, if needed, rolled back"
	} else if d.NoBack != "" {
		s += "; no way back: " + d.NoBack
	}
	line("chance", "%s (%d simulated runs, seed %d)", s, c.Runs, c.Seed)
	if !d.DecideBy.IsZero() {
		line("decide by", "%s: the last step without an easy way back begins no later, with room for a rollback (95 %%)", d.DecideBy.Format("15:04:05 MST"))
	}
	if !d.RollbackClock.IsZero() {
		line("clock", "%s: a rollback that begins later may end after the window (95 %%)", d.RollbackClock.Format("15:04:05 MST"))
	}
	if d.Untouched != nil {
		line("survival", "traffic untouched with probability %s", fmt.Sprintf("%.1f %%", 100**d.Untouched))
	} else {
		line("survival", "not known: no capture of the device was read (--captures)")
	}
	line("risk", "%g = exposure %g × criticality %g: %s", d.Risk.Weight, d.Risk.Exposure, d.Risk.Criticality, strings.Join(d.Risk.Why, "; "))
	if !d.Deadline.IsZero() {
		line("deadline", "%s", d.Deadline.Format("2006-01-02 15:04 MST"))
	}
	if len(d.Partners) > 0 {
		line("partners", "%s", join(d.Partners))
	}
	for _, a := range d.Assumed {
		line("assumed", "%s", a)
	}
	line("learned", "from %d measured steps of earlier runs", d.Learned)
	e.printf("\nThe steps that its end depends on most:\n")
	for _, m := range d.Matters {
		e.wrap(fmt.Sprintf("  %3.0f %% of the spread, end %v to %v: ", 100*m.Share, m.Low.Round(time.Second), m.High.Round(time.Second)), m.Title)
	}
	return nil
}

func with(who string) string {
	if who == "" {
		return ""
	}
	return ", " + who
}

func orText(s, def string) string {
	if s == "" {
		return def
	}
	return s
}
