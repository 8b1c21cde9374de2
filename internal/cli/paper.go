package cli

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"towpath/internal/evidence"
	"towpath/internal/paper"
	"towpath/internal/plan"
	"towpath/internal/readiness"
	"towpath/internal/runbook"
	"towpath/internal/unit"
)

// formOf is the form that a document is asked for in: that of --as, or of
// --format where that names one.
func (e *env) formOf(as string, forms []runbook.Format) (runbook.Format, error) {
	f := runbook.Format(as)
	if e.format != "text" && e.format != "json" {
		f = runbook.Format(e.format)
	}
	if !slices.Contains(forms, f) {
		words := make([]string, len(forms))
		for i, x := range forms {
			words[i] = string(x)
		}
		return f, usage("the form is %q, want one of %s", f, strings.Join(words, ", "))
	}
	return f, nil
}

// paperOut writes a document to the file, or on standard output unless that is a
// terminal that could not show it.
func (e *env) paperOut(out string, f runbook.Format, b []byte) error {
	if out != "" {
		return replaceFile(out, b)
	}
	if f == runbook.PDF && e.isTerminal() {
		return usage("a terminal cannot show a PDF; give a file with -o")
	}
	if _, err := e.out.Write(b); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return nil
}

// writePDF writes the evidence on paper.
func writePDF(d *evidence.Document, name string) error {
	var b bytes.Buffer
	if err := d.WritePDF(&b); err != nil {
		return err
	}
	return replaceFile(name, b.Bytes())
}

func (e *env) runbookCmd() *cobra.Command {
	var to, as, out, start, end string
	var reload bool
	var path int
	var src source
	forms := append(runbook.Formats(), runbook.Calendar)
	c := &cobra.Command{
		Use: "runbook DEVICE --to RELEASE", Short: "write the change down, step by step: the very steps that the conductor runs",
		Long: "Writes the change of one device down for people, with the very steps that the\n" +
			"conductor runs, in the form that --as names (or --format):\n\n" +
			"  text, markdown   for terminals and tickets\n" +
			"  html             one page, light or dark, that can be ticked off and printed\n" +
			"  pdf              for paper; every page carries the plan's digest\n" +
			"  ics              an appointment for calendars; needs --start",
		Example: "  towpath runbook mere-agg-1 --to 4.4.2 --as pdf -o change.pdf\n" +
			"  towpath runbook mere-agg-1 --to 4.4.2 --as ics --start 2031-03-04T01:00:00+01:00 -o change.ics", Args: cobra.ExactArgs(1),
		Annotations: map[string]string{"formats": "text, markdown, html, pdf, ics or json"},
		RunE: func(cmd *cobra.Command, args []string) error {
			f, err := e.formOf(as, forms)
			if err != nil {
				return err
			}
			var at runbook.Window
			for _, x := range []struct {
				flag, text string
				to         *time.Time
			}{{"start", start, &at.Start}, {"end", end, &at.End}} {
				if x.text == "" {
					continue
				}
				if *x.to, err = time.Parse(time.RFC3339, x.text); err != nil {
					return usage("--%s is %q, want an instant such as 2031-03-04T01:00:00+01:00", x.flag, x.text)
				}
			}
			switch {
			case f == runbook.Calendar && at.Start.IsZero():
				return usage("a calendar needs the start of the window: --start INSTANT")
			case f != runbook.Calendar && (start != "" || end != ""):
				return usage("--start and --end go with --as ics")
			case !at.End.IsZero() && !at.End.After(at.Start):
				return usage("--end is not after --start")
			}
			_, p, err := e.prepare(cmd.Context(), args[0], to, reload, path-1, src)
			if err != nil {
				return err
			}
			if p.Plan == nil {
				return e.nothingToDo(args[0], to)
			}
			if e.format == "json" {
				return e.json(p.Plan)
			}
			var b bytes.Buffer
			if f == runbook.Calendar {
				err = runbook.WriteCalendar(&b, p.Plan, at)
			} else {
				err = runbook.Render(&b, p.Plan, f)
			}
			if err != nil {
				return err
			}
			if err := e.paperOut(out, f, b.Bytes()); err != nil {
				return err
			}
			if out != "" {
				e.printf("%s\n", out)
			}
			if s := notReady(p.Report); s != "" {
				fmt.Fprintf(e.err, "towpath: %s: towpath check %s --to %s\n", s, args[0], to)
			}
			return nil
		},
	}
	c.Flags().StringVar(&to, "to", "", "release to get to")
	c.Flags().StringVar(&as, "as", "text", "text, markdown, html, pdf or ics")
	outFlag(c, &out, "", "output", "file to write")
	c.Flags().StringVar(&start, "start", "", "with ics: when the window begins")
	c.Flags().StringVar(&end, "end", "", "with ics: when it ends (default: as long as the steps take at most)")
	c.Flags().BoolVar(&reload, "allow-reload", false, "allow hops that interrupt traffic")
	c.Flags().IntVar(&path, "path", 1, "which of the paths that towpath hops lists")
	src.flags(c)
	_ = c.MarkFlagRequired("to")
	return c
}

// notReady says what keeps a device from being ready that was read once; empty
// where nothing does. What only two readings tell is not held against it.
func notReady(r readiness.Report) string {
	unknown, steady := 0, 0
	for _, f := range r.Findings {
		switch {
		case f.Verdict != readiness.Unknown:
		case f.Rule == "route-churn" || f.Rule == "mac-churn":
			steady++
		default:
			unknown++
		}
	}
	switch {
	case r.Go:
		return ""
	case r.Blocker == 0 && unknown == 0 && steady > 0:
		return "the device was read once, so whether its routes and addresses are steady is not known yet, which the check tells"
	}
	return fmt.Sprintf("the device is not ready now (%s, %d unknown)", unit.Counted(r.Blocker, "blocker"), unknown)
}

func (e *env) briefCmd() *cobra.Command {
	var as, out string
	c := &cobra.Command{
		Use: "brief CAMPAIGN.json", Short: "write the campaign down for those who approve it, with its nights drawn",
		Long: "Writes the document that a change board decides on: scope, nights, who is affected,\n" +
			"risk, what was checked and by what figures, how to stop and go back, and a page part\n" +
			"for each device. It reads a campaign as towpath waves --format json writes it; - reads\n" +
			"it from standard input. Everything in it comes from the campaign, whose digest stands\n" +
			"on each page.\n\n" +
			"  markdown   for tickets; with -o each figure is written beside it as SVG\n" +
			"  html       one page, light or dark, with the figures in it\n" +
			"  pdf        for paper\n" +
			"  svg        the picture of the nights alone",
		Example: "  towpath waves --to 4.4.2 --format json --out plan.json\n  towpath brief plan.json --as pdf -o board.pdf\n" +
			"  towpath waves --to 4.4.2 --format json | towpath brief - --as html -o board.html", Args: cobra.ExactArgs(1),
		Annotations: map[string]string{"formats": "markdown, html, pdf, svg or json"},
		RunE: func(_ *cobra.Command, args []string) error {
			f, err := e.formOf(as, runbook.BriefFormats())
			if err != nil {
				return err
			}
			if e.format == "json" && out == "" {
				return usage("--format json tells what was written: give a file with -o")
			}
			c, err := e.readCampaign(args[0])
			if err != nil {
				return err
			}
			return e.brief(c, f, out)
		},
	}
	c.Flags().StringVar(&as, "as", "markdown", "markdown, html, pdf or svg")
	outFlag(c, &out, "", "output", "file to write")
	return c
}

// readCampaign reads a campaign from the file, or from standard input.
func (e *env) readCampaign(name string) (c *plan.Campaign, err error) {
	var src []byte
	if name == "-" {
		src, err = io.ReadAll(e.in)
	} else {
		src, err = os.ReadFile(name) // #nosec G304 -- the file the operator names
	}
	if err != nil {
		return nil, usage("%v", err)
	}
	if len(bytes.TrimSpace(src)) == 0 {
		return nil, usage("%s is empty; want a campaign, as towpath waves --to RELEASE --format json writes it", name)
	}
	dec := json.NewDecoder(bytes.NewReader(src))
	dec.DisallowUnknownFields()
	c = &plan.Campaign{}
	if err := dec.Decode(c); err != nil {
		at := ""
		var syntax *json.SyntaxError
		var kind *json.UnmarshalTypeError
		switch {
		case errors.As(err, &syntax):
			at = place(src, syntax.Offset)
		case errors.As(err, &kind):
			at = place(src, kind.Offset)
		}
		return nil, usage("%s%s: no campaign as towpath waves --format json writes it: %v", name, at, err)
	}
	if len(c.Targets) == 0 {
		return nil, usage("%s: the campaign has no target: want a file that towpath waves --format json wrote", name)
	}
	return c, nil
}

// place is line and column of an offset, as ":3:14".
func place(src []byte, offset int64) string {
	before := src[:min(max(int(offset)-1, 0), len(src))]
	return fmt.Sprintf(":%d:%d", 1+bytes.Count(before, []byte("\n")), len(before)-bytes.LastIndexByte(before, '\n'))
}

func (e *env) brief(c *plan.Campaign, f runbook.Format, out string) error {
	stem := strings.TrimSuffix(out, filepath.Ext(out))
	var files []newFile
	var figureFile func(n int) string
	if f == runbook.Markdown && out != "" {
		figureFile = func(n int) string { return fmt.Sprintf("%s-%d.svg", filepath.Base(stem), n) }
		d, err := runbook.Brief(c)
		if err != nil {
			return err
		}
		for i, fig := range d.Figures() {
			var b bytes.Buffer
			if err := paper.WriteSVG(&b, fig.Drawing); err != nil {
				return err
			}
			files = append(files, newFile{filepath.Join(filepath.Dir(out), figureFile(i+1)), b.Bytes()})
		}
	}
	var b bytes.Buffer
	if err := runbook.RenderBrief(&b, c, f, figureFile); err != nil {
		return err
	}
	if out == "" {
		return e.paperOut(out, f, b.Bytes())
	}
	files = append([]newFile{{out, b.Bytes()}}, files...)
	if err := replaceFiles(files...); err != nil {
		return err
	}
	names := make([]string, len(files))
	for i, f := range files {
		names[i] = f.name
	}
	digest, err := c.Digest()
	if err != nil {
		return err
	}
	if e.format == "json" {
		return e.json(map[string]any{"as": f, "files": names, "campaign_sha256": digest, "nights": len(c.Nights), "devices": len(c.Devices)})
	}
	for _, name := range names {
		e.printf("%s\n", name)
	}
	return nil
}
