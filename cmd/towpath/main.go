// Command towpath changes the software of running network devices in service.
// It wires the concrete adapters to the front door in internal/cli.
package main

import (
	"os"

	"towpath/internal/cli"
)

func main() {
	os.Exit(cli.Main(os.Args[1:], os.Stdout, os.Stderr))
}
