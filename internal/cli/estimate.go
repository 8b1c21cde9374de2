package cli

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"towpath/internal/network"
	"towpath/internal/unit"
)

func (e *env) estimateCmd() *cobra.Command {
	var n networkFlags
	var out string
	var all bool
	c := &cobra.Command{
		Use: "estimate", Short: "find the traffic matrix from interface counters, and how far it may be off",
		Long: "Estimates which demands make the loads that interfaces have counted, where nobody has\n" +
			"measured the traffic matrix. It starts from gravity (what enters somewhere leaves everywhere\n" +
			"in proportion) and fits that to the counters; it says what the fit leaves unexplained, and how\n" +
			"far each demand may be off. towpath whatif takes the same --counters or --captures and\n" +
			"carries the error into its verdict; that is better than a file of this command, because the\n" +
			"errors of demands that share a link cancel out on it.",
		Example: "  towpath estimate --captures evening/ --out demands.csv\n" +
			"  towpath estimate --topology arcs.csv --counters counters.csv", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return e.estimate(n, out, all) },
	}
	n.sources(c)
	outFlag(c, &out, "", "output", "write the demands as CSV, with the columns src,dst,volume,error")
	c.Flags().BoolVar(&all, "all", false, "print every demand, not the largest ten")
	return c
}

// estimatedDemand is one demand of an estimation.
type estimatedDemand struct {
	From    string  `json:"from"`
	To      string  `json:"to"`
	Volume  float64 `json:"volume"`
	Gravity float64 `json:"gravity"` // what the prior alone would give
	Error   float64 `json:"error"`   // relative, in 95 % of cases
}

func (e *env) estimate(n networkFlags, out string, all bool) error {
	if n.counters == "" && len(n.captures) == 0 {
		return usage("neither --counters nor --captures is given, want one of them")
	}
	l, err := e.carried(&n)
	if err != nil {
		return err
	}
	x := l.Estimation
	bands := x.DemandBands()
	var list []estimatedDemand
	total := 0.0
	for i, d := range l.Network.Demands() {
		list = append(list, estimatedDemand{d.From, d.To, x.Volumes[i], x.Prior[i], bands[i]})
		total += x.Volumes[i]
	}
	if out != "" {
		if err := writeDemands(out, list, l.Network.Unit()); err != nil {
			return err
		}
	}
	if e.format == "json" {
		return e.json(map[string]any{"unit": l.Network.Unit(), "from": l.Source, "prior_misfit": x.PriorMisfit, "misfit": x.Misfit, "spread": x.Spread, "demands": list, "notes": l.Notes})
	}
	v := answerView{e: e, l: l, all: all}
	e.wrap("", fmt.Sprintf("%s, %s together, %s", unit.Counted(len(list), "demand"), v.volume(total), l.Source))
	e.wrap("  ", fmt.Sprintf("The fit leaves %.2f %% of the counted rates unexplained; gravity alone leaves %.1f %%.", 100*x.Misfit, 100*x.PriorMisfit))
	if x.Misfit > 0.05 {
		e.wrap("  caution: ", "The counters contradict each other or the topology: no demands explain them better. Look at the metrics, at links that are missing, and whether all counters are of one time.")
	}
	e.printf("\n")
	slices.SortStableFunc(list, func(a, b estimatedDemand) int { return -cmp.Compare(a.Volume, b.Volume) })
	shown, more := rest(v, list)
	var rows [][]string
	for _, d := range shown {
		rows = append(rows, []string{d.From + " to " + d.To, v.volume(d.Volume), errorText(d.Error), v.volume(d.Gravity)})
	}
	e.grid([]string{"largest demands", "estimate", "error (95 %)", "gravity alone"}, []bool{false, true, true, true}, rows)
	v.more(more)
	for _, s := range l.Notes {
		e.wrap("note: ", s)
	}
	if out != "" {
		e.printf("written: %s\n", out)
	}
	return nil
}

// errorText says a relative error; above the demand itself it says no more.
func errorText(x float64) string {
	if x > 1 {
		return "more than 100 %"
	}
	return fmt.Sprintf("±%.0f %%", 100*x)
}

// writeDemands writes demands in the form that --demands reads.
func writeDemands(name string, list []estimatedDemand, of string) error {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	rows := [][]string{{"src", "dst", "volume", "error"}}
	for _, d := range list {
		volume := fmt.Sprint(d.Volume)
		if of == network.BitsPerSecond {
			text, err := unit.BitRate(d.Volume).MarshalText()
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			volume = string(text)
		}
		rows = append(rows, []string{d.From, d.To, volume, fmt.Sprintf("%.4f", d.Error)})
	}
	if err := w.WriteAll(rows); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return replaceFile(name, b.Bytes())
}
