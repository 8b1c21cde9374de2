package cli

import (
	"fmt"
	"os"

	"towpath/internal/survival"
)

// trials forecasts each row of a table, which is a file or, with "-", what comes
// in. The table goes out with one column more; what the forecast does not know
// goes beside it, so that the table stays one.
func (e *env) trials(name string) (err error) {
	in := e.in
	if name != "-" {
		f, err := os.Open(name) // #nosec G304 -- the file the operator names
		if err != nil {
			return usage("%v", err)
		}
		defer func() { _ = f.Close() }() // it was only read
		in = f
	}
	cautions, err := survival.ForecastTrials(in, e.out, survival.Options{})
	if err != nil {
		return usage("%s: %v", name, err)
	}
	for _, c := range cautions {
		fmt.Fprintf(e.err, "towpath: caution: %s\n", c)
	}
	return nil
}
