package cli

import (
	"cmp"
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"towpath/internal/app"
	"towpath/internal/fleet"
	"towpath/internal/state"
	"towpath/internal/unit"
)

func (e *env) discoverCmd() *cobra.Command {
	var fragment string
	c := &cobra.Command{
		Use: "discover [CAPTURE…]", Short: "propose links from what devices hear by LLDP, marking those that only one end hears",
		Long: "Walks captures and proposes links from the LLDP neighbours in them, beside the links that\n" +
			"fleet.yaml has. Captures are files as towpath capture writes them, or folders of such files;\n" +
			"without any it takes those that the runs of this workspace have kept. --fragment writes the\n" +
			"links that are new as YAML for fleet.yaml.",
		Example: "  towpath fleet discover captures/ --fragment links.yaml",
		RunE:    func(cmd *cobra.Command, args []string) error { return e.discover(cmd.Context(), args, fragment) },
	}
	c.Flags().StringVar(&fragment, "fragment", "", "write the new links as YAML into this file; - prints nothing else")
	return c
}

func (e *env) discover(ctx context.Context, names []string, fragment string) error {
	a, err := e.load()
	if err != nil {
		return err
	}
	var captures []*state.Capture
	if len(names) > 0 {
		captures, err = app.ReadCaptures(disk{}, names)
	} else {
		captures, err = e.kept(ctx)
	}
	if err != nil {
		return err
	}
	if len(captures) == 0 {
		return usage("found no capture, want files or folders of captures: towpath capture DEVICE -o FILE writes one")
	}
	f := a.Workspace.Fleet
	d := app.Discover(f, captures)
	if fragment != "" {
		src, err := d.Fragment(f)
		if err != nil {
			return err
		}
		if fragment == "-" {
			_, err = e.out.Write(src)
			return err
		}
		if err := replaceFile(fragment, src); err != nil {
			return err
		}
	}
	if e.format == "json" {
		return e.json(d)
	}
	e.showDiscovery(f, d)
	if fragment != "" {
		e.printf("\nnew links are in %s\n", fragment)
	}
	return nil
}

// kept are the captures that the runs of the workspace have kept.
func (e *env) kept(ctx context.Context) (captures []*state.Capture, err error) {
	s, kept, err := e.readStore()
	if err != nil || !kept {
		return nil, err
	}
	defer func() { _ = s.Close() }() // it was only read
	return app.SavedCaptures(ctx, s)
}

func (e *env) showDiscovery(f *fleet.Fleet, d app.Discovery) {
	fresh, known, oneSided := 0, 0, 0
	var rows []string
	for _, l := range d.Links {
		what := ""
		switch {
		case l.Unknown:
			what = "the other end is no device of the fleet"
		case l.Known == "":
			what = "new"
			fresh++
		default:
			known++
			what = "known as " + l.Known
			if l.Differs != "" {
				what += "; " + l.Differs
			}
		}
		if l.OneSided {
			oneSided++
			what += "; ONE-SIDED: heard by " + l.HeardBy + " only"
			if l.OtherSilent {
				what += ", no capture of the other"
			}
		}
		size := ""
		if l.Capacity > 0 {
			size = l.Capacity.String()
		}
		if l.Members > 0 {
			size = fmt.Sprintf("%s in %d", cmp.Or(size, "?"), l.Members)
		}
		rows = append(rows, strings.Join(strings.Fields(endText(l.A)+" — "+endText(l.B)+" "+size), " ")+": "+what)
	}
	e.printf("%s; %s heard: %d new, %d in fleet.yaml, %d with a stranger; %d one-sided\n", unit.Counted(d.Devices, "captured device"), unit.Counted(len(d.Links), "link"), fresh, known, len(d.Links)-fresh-known, oneSided)
	for _, r := range rows {
		e.wrap("  ", r)
	}
	if len(d.Unseen) > 0 {
		e.wrap("in fleet.yaml, and heard by neither end: ", strings.Join(d.Unseen, ", "))
	}
	if len(d.Silent) > 0 {
		e.wrap("no capture of: ", strings.Join(d.Silent, ", "))
	}
}

func endText(p fleet.Endpoint) string {
	return string(p.Device) + " " + cmp.Or(p.Interface, "(port not told)")
}
