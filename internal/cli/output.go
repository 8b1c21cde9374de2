package cli

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"towpath/internal/app"
	"towpath/internal/fleet"
	"towpath/internal/schedule"
	"towpath/internal/workspace"
)

// outlet is standard output, which remembers the first failure: an answer that
// was lost on the way must not end with the status of one that was given.
type outlet struct {
	io.Writer
	err error
}

// Write implements [io.Writer].
func (o *outlet) Write(b []byte) (int, error) {
	n, err := o.Writer.Write(b)
	if err != nil && o.err == nil {
		o.err = err
	}
	return n, err
}

// newFile is a file to be written.
type newFile struct {
	name string
	body []byte
}

// replaceFile writes the file whole or not at all; see replaceFiles.
func replaceFile(name string, body []byte) error { return replaceFiles(newFile{name, body}) }

// replaceFiles writes the files whole: all of them, or none where one of them
// cannot be written. What is no file, such as a pipe or a device, is written to
// and never replaced; a link stays, and what it points at is written; a file that
// was there keeps its permissions.
func replaceFiles(files ...newFile) (err error) {
	var made []string // those that are not in their place yet
	defer func() {
		for _, name := range made {
			err = errors.Join(err, os.Remove(name))
		}
	}()
	into := make([]string, len(files)) // the places, empty for what is written into
	for i, f := range files {
		name, mode := f.name, fs.FileMode(0o644)
		switch info, err := os.Stat(name); {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return usage("%v", err)
		case info.IsDir():
			return usage("%s is a folder; want the name of a file", name)
		case !info.Mode().IsRegular():
			continue
		default:
			mode = info.Mode().Perm()
			if name, err = filepath.EvalSymlinks(name); err != nil {
				return usage("%v", err)
			}
		}
		tmp, err := os.CreateTemp(filepath.Dir(name), ".towpath-*")
		if errors.Is(err, fs.ErrNotExist) {
			return usage("%s: there is no folder %s", f.name, filepath.Dir(name))
		}
		if err != nil {
			return cannotWrite(f.name, err)
		}
		made, into[i] = append(made, tmp.Name()), name
		_, err = tmp.Write(f.body)
		if err := errors.Join(err, tmp.Sync(), tmp.Chmod(mode), tmp.Close()); err != nil {
			return cannotWrite(f.name, err)
		}
	}
	for i, f := range files {
		if into[i] == "" {
			if err := writeInto(f.name, f.body); err != nil {
				return err
			}
			continue
		}
		if err := os.Rename(made[0], into[i]); err != nil {
			return cannotWrite(f.name, err)
		}
		made = made[1:]
	}
	return nil
}

// cannotWrite says that the file with the name that the operator gave could not be
// written, whatever the file was that stood in for it meanwhile.
func cannotWrite(name string, err error) error {
	var at *fs.PathError
	if errors.As(err, &at) {
		err = at.Err
	}
	return fmt.Errorf("%s cannot be written: %w", name, err)
}

func writeInto(name string, body []byte) (err error) {
	f, err := os.OpenFile(name, os.O_WRONLY, 0) // #nosec G304 -- the file the operator names
	if err != nil {
		return usage("%v", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if _, err := f.Write(body); err != nil {
		return cannotWrite(name, err)
	}
	return nil
}

// withFile is a folder in which one file has another content.
type withFile struct {
	fs.FS
	name string
	body []byte
}

// Open implements [fs.FS].
func (w withFile) Open(name string) (fs.File, error) {
	f, err := w.FS.Open(name)
	if err == nil && name == w.name {
		return inMemory{f, bytes.NewReader(w.body)}, nil
	}
	return f, err
}

// inMemory is a file that is read from memory.
type inMemory struct {
	fs.File
	body *bytes.Reader
}

// Read implements [fs.File].
func (f inMemory) Read(b []byte) (int, error) { return f.body.Read(b) }

// outFlag is the one way in which a command is told the file that it writes.
// spelt is how else it was spelt once; empty for no other way.
func outFlag(c *cobra.Command, to *string, def, spelt, what string) {
	c.Flags().StringVarP(to, "out", "o", def, what)
	if spelt != "" {
		c.Flags().StringVar(to, spelt, def, what)
		c.Flags().Lookup(spelt).Hidden = true
	}
}

// stateDir is the folder that runs are kept in.
func (e *env) stateDir() string {
	if e.state != "" {
		return e.state
	}
	return filepath.Join(e.workspace, ".towpath")
}

// readStore opens the folder that runs are kept in for a command that only reads:
// none is made, and the disk may be one that cannot be written. kept is false
// where no run is kept.
func (e *env) readStore() (s app.Store, kept bool, err error) {
	if _, err := os.Stat(e.stateDir()); errors.Is(err, fs.ErrNotExist) {
		return nil, false, nil
	}
	return e.ReadStore(e.stateDir())
}

// knowKept lets readiness know which devices have an open run, for a command
// that only reads. The caller closes what is returned.
func (e *env) knowKept(a *app.App) (closeStore func()) {
	s, kept, err := e.readStore()
	switch {
	case err != nil:
		fmt.Fprintln(e.err, "towpath: the kept runs cannot be read, so whether a partner is being upgraded is unknown:", err)
		return func() {}
	case !kept:
		a.Upgrading = func(context.Context, fleet.DeviceID) (yes, known bool) { return false, true }
		return func() {}
	}
	e.knowRuns(a, s)
	return func() { _ = s.Close() } // it was only read
}

// calendarsRead says what is wrong with the calendars that the campaign names.
func calendarsRead(ws *workspace.Workspace, folder string) error {
	if ws.Campaign == nil {
		return nil
	}
	zone, err := time.LoadLocation(ws.Campaign.Zone)
	if err != nil {
		return usage("campaign.yaml: zone: %v", err)
	}
	var wrong []string
	for _, name := range slices.Sorted(maps.Keys(ws.Calendars)) {
		file := filepath.Join(folder, name)
		if _, err := schedule.ReadCalendar(file, bytes.NewReader(ws.Calendars[name]), time.LoadLocation, zone); err != nil {
			wrong = append(wrong, err.Error())
		}
	}
	if len(wrong) > 0 {
		return usage("%s", strings.Join(wrong, "\n"))
	}
	return nil
}

// nothingToDo says that the device is at the release already.
func (e *env) nothingToDo(device, release string) error {
	if e.format == "json" {
		return e.json(map[string]any{"device": device, "from": release, "to": release, "nothing_to_do": true})
	}
	e.printf("%s already runs %s: nothing to do\n", device, release)
	return nil
}

// polish gives what the library does by itself the house's form: mistakes on the
// command line are usage errors that say what is wanted, a group's unknown
// command is an error and no page of help, and help fits a terminal.
func polish(root *cobra.Command, columns int) {
	root.SetUsageTemplate(strings.ReplaceAll(root.UsageTemplate(), ".FlagUsages ", fmt.Sprintf(".FlagUsagesWrapped %d ", columns)))
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error { return usage("%v", err) })
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		if c.HasSubCommands() && c.HasParent() && !c.Runnable() {
			c.RunE = func(c *cobra.Command, args []string) error {
				if len(args) > 0 {
					return usage("unknown command %q; %s has %s", args[0], c.CommandPath(), strings.Join(namesOf(c), ", "))
				}
				return c.Help()
			}
		}
		if fits := c.Args; fits != nil {
			c.Args = func(c *cobra.Command, args []string) error {
				if fits(c, args) != nil {
					return usage("found %s; want %s", given(args), strings.TrimSuffix(c.UseLine(), " [flags]"))
				}
				return nil
			}
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(root)
}

// given says how many words stand behind a command, and which.
func given(args []string) string {
	switch len(args) {
	case 0:
		return "nothing behind the command"
	case 1:
		return fmt.Sprintf("%q behind the command", args[0])
	}
	words := make([]string, len(args))
	for i, a := range args {
		words[i] = fmt.Sprintf("%q", a)
	}
	return strings.Join(words, ", ") + " behind the command"
}

func namesOf(c *cobra.Command) []string {
	var names []string
	for _, sub := range c.Commands() {
		if sub.IsAvailableCommand() {
			names = append(names, sub.Name())
		}
	}
	return names
}
