package cli

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"towpath/internal/app"
	"towpath/internal/network"
)

func (e *env) hoursCmd() *cobra.Command {
	var n networkFlags
	var repeat, begin, end, zone string
	c := &cobra.Command{
		Use: "safe-hours DEVICE[,DEVICE…]…", Short: "when devices may be drained, from demands measured over time",
		Long: "Tries for each set of devices, with every further single failure on top, in which samples of a\n" +
			"series of demands the network still carries them. The series is --demands, or estimated from\n" +
			"--counters with a column time. With --repeat it carries what it found on to coming days: a\n" +
			"time is safe where every sample of that time of day (and of that day of the week) was.",
		Example: "  towpath safe-hours mere-agg-1 mere-agg-2,mere-acc-2 --demands week.csv --limit 80%\n" +
			"  towpath safe-hours mere-agg-1 --demands week.csv --repeat week \\\n      --begin 2026-03-02T00:00:00Z --end 2026-03-09T00:00:00Z",
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			return e.hours(n, args, network.Pattern(repeat), begin, end, zone)
		},
	}
	n.sources(c)
	n.matrix(c, true)
	n.question(c, []string{"link"})
	c.Flags().StringVar(&repeat, "repeat", "", "day or week: how the samples come again")
	c.Flags().StringVar(&begin, "begin", "", "with --repeat: print safe times from this instant on")
	c.Flags().StringVar(&end, "end", "", "with --repeat: and up to this one")
	c.Flags().StringVar(&zone, "zone", "UTC", "time zone in which days begin and times are printed, such as Europe/London")
	return c
}

// safeSet is what is found for one set of devices.
type safeSet struct {
	network.Safety
	Coming []network.Period `json:"coming,omitempty"`
}

func (e *env) hours(n networkFlags, args []string, repeat network.Pattern, begin, end, zone string) error {
	q, err := n.ask()
	if err != nil {
		return err
	}
	if n.demands == "" && n.counters == "" {
		return usage("neither --demands nor --counters is given, want a series over time in one of them")
	}
	place, err := time.LoadLocation(zone)
	if err != nil {
		return usage("--zone is %q, want a time zone such as Europe/London", zone)
	}
	from, err := moment("begin", begin)
	if err != nil {
		return err
	}
	until, err := moment("end", end)
	if err != nil {
		return err
	}
	if repeat != "" && !until.After(from) || repeat == "" && (begin != "" || end != "") {
		return usage("--repeat is %q, --begin %q, --end %q; want all three, the end after the beginning, or none", repeat, begin, end)
	}
	l, err := e.carried(&n)
	if err != nil {
		return err
	}
	var sets [][]string
	for _, a := range args {
		sets = append(sets, slices.DeleteFunc(strings.Split(a, ","), func(s string) bool { return s == "" }))
	}
	found, err := l.SafeTimes(sets, n.drainStyle, q)
	if err != nil {
		return asUsage(err)
	}
	none := false
	var out []safeSet
	for _, s := range found {
		x := safeSet{Safety: s}
		if repeat != "" {
			if x.Coming, err = s.Recurring(repeat, place, from, until); err != nil {
				return asUsage(err)
			}
		}
		none = none || len(s.Periods) == 0
		out = append(out, x)
	}
	if e.format == "json" {
		err = e.json(map[string]any{"limit": q.Limit, "demands_from": l.Source, "unit": l.Network.Unit(), "notes": l.Notes, "sets": out})
	} else {
		e.showHours(out, l.Network.Unit(), q, repeat, place)
		for _, s := range l.Notes {
			e.wrap("note: ", s)
		}
	}
	if err != nil {
		return err
	}
	if none {
		return exit{ExitVerdict}
	}
	return nil
}

func (e *env) showHours(sets []safeSet, unit string, q network.Question, repeat network.Pattern, zone *time.Location) {
	onTop := "nothing failing on top"
	if len(q.AlsoFail) > 0 {
		var kinds []string
		for _, k := range q.AlsoFail {
			kinds = append(kinds, string(k))
		}
		onTop = "any one further " + strings.Join(kinds, " or ") + " failing on top"
	}
	for i, s := range sets {
		if i > 0 {
			e.printf("\n")
		}
		safe := 0
		peak := s.Samples[0]
		for _, x := range s.Samples {
			if x.Verdict == network.Holds {
				safe++
			}
			if x.MaxUtilisation > peak.MaxUtilisation {
				peak = x
			}
		}
		e.wrap(s.Name+": ", fmt.Sprintf("safe in %d of %d samples, with %s and the limit %s", safe, len(s.Samples), onTop, percentOf(q.Limit)))
		worst := percentOf(peak.MaxUtilisation)
		if peak.Failing != "" {
			worst += " with " + peak.Failing + " failing"
		}
		e.wrap("  at worst: ", fmt.Sprintf("%s at %s", worst, clock(peak.At, zone)))
		if lost := slices.MaxFunc(s.Samples, func(a, b network.SampleSafety) int {
			switch {
			case a.Lost < b.Lost:
				return -1
			case a.Lost > b.Lost:
				return 1
			}
			return 0
		}); lost.Lost > 0 {
			with := "with nothing failing on top"
			if lost.CutBy != "" {
				with = "with " + lost.CutBy + " failing"
			}
			e.wrap("  cut off: ", fmt.Sprintf("%s %s, at %s", app.Volume(lost.Lost, unit), with, clock(lost.At, zone)))
		}
		e.periods("  safe", s.Periods, zone)
		if repeat != "" {
			e.periods("  coming, if every "+string(repeat)+" is like those measured", s.Coming, zone)
		}
	}
}

func (e *env) periods(what string, list []network.Period, zone *time.Location) {
	if len(list) == 0 {
		e.printf("%s: never\n", what)
		return
	}
	e.printf("%s:\n", what)
	for _, p := range list {
		e.printf("    %s to %s  (%v)\n", clock(p.From, zone), clock(p.To, zone), strings.TrimSuffix(p.To.Sub(p.From).String(), "0s"))
	}
}

func clock(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("Mon 2006-01-02 15:04 MST")
}
