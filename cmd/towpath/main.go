// Command towpath changes the software of running network devices in service.
// It wires the concrete adapters (drivers, database, sockets, the emulated lab)
// to the front door in internal/cli.
package main

import (
	"context"
	"errors"
	"net"
	"os"

	"towpath/internal/app"
	"towpath/internal/cli"
	"towpath/internal/store"
)

func main() {
	crashHook()
	os.Exit(cli.Main(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr, adapters()))
}

func adapters() cli.Adapters {
	return cli.Adapters{
		OpenStore:      openStore,
		ReadStore:      readStore,
		Dial:           dialer,
		Reach:          reach,
		CertificateEnd: certificateEnd,
		Images:         func(dir string) app.Images { return imageFolder{dir} },
		NewProber:      newProber,
		ProbeCommands:  probeCommands,
		Lab:            labMaker{},
	}
}

func openStore(dir string) (app.Store, error) {
	s, err := store.Open(dir)
	if err != nil {
		return nil, known{err, app.ErrRecords}
	}
	return storeAdapter{s}, nil
}

// readStore opens the kept runs to be read; kept is false where there are none.
func readStore(dir string) (s app.Store, kept bool, err error) {
	r, err := store.OpenReading(dir)
	switch {
	case errors.Is(err, store.ErrNone):
		return nil, false, nil
	case err != nil:
		return nil, false, known{err, app.ErrRecords}
	}
	return storeAdapter{r}, true, nil
}

// reach says whether a TCP address answers.
func reach(ctx context.Context, address string) error {
	var d net.Dialer
	c, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return err
	}
	return c.Close()
}
