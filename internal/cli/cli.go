// Package cli is the front door on the command line: it parses arguments,
// calls a use case and prints its result as text or JSON.
package cli

import (
	"fmt"
	"io"
)

// Main runs the command line and returns the exit status: 0 done and clear, 1
// done with blockers or a failed verdict, 2 usage or input error, 3 a device
// or service failed, 4 stopped at a hold point.
func Main(args []string, _, stderr io.Writer) int {
	fmt.Fprintln(stderr, "towpath: no command yet")
	return 2
}
