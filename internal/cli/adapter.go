package cli

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"towpath/internal/device/adapter"
	"towpath/internal/device/dialogue"
)

func (e *env) adapterCmd() *cobra.Command {
	root := &cobra.Command{Use: "adapter", Short: "what is particular to a platform's command line, as a file: make one, try one"}
	var transcript, at string
	test := &cobra.Command{
		Use: "test FILE", Short: "run an adapter on recorded output and print what it reads, field by field",
		Long: `Runs an adapter on recorded output, so that one can be written without a device.
FILE is an adapter file or the name of one that comes with Towpath. The output
lies in a folder with one file for each command, named after it ("tell parts" in
tell-parts.txt), or in a transcript that a run left.

Exit status 1 says that something was not understood or not recorded.`,
		Example: "  towpath adapter test mine.yaml --transcript outputs\n  towpath adapter test alder-9 --transcript .towpath/transcripts/mere-agg-1-….jsonl --format json",
		Args:    cobra.ExactArgs(1),
		RunE:    func(_ *cobra.Command, args []string) error { return e.adapterTest(args[0], transcript, at) },
	}
	test.Flags().StringVar(&transcript, "transcript", "", "folder with one file for each command, or a transcript of a run")
	test.Flags().StringVar(&at, "at", "", "instant at which the output was recorded, for what the device tells as \"so long ago\" (default now)")
	var w adapter.Wish
	var reads, prompts []string
	var out string
	initial := &cobra.Command{
		Use: "init", Short: "make an adapter file from answers, asked for or given as flags",
		Long: `Makes an adapter file that can be read and tried, from answers. Without flags it
asks. Each --read names a kind of thing and the command that tells of it; the
parsers that it writes take the first word of a line, and are to be completed by
looking at recorded output (towpath adapter test).`,
		Example: "  towpath adapter init\n  towpath adapter init --name birch-2 --prompt 'edge-1> ' --start 'no pager' \\\n      --read 'component=list parts' --out birch-2.yaml",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			for _, r := range reads {
				into, command, ok := strings.Cut(r, "=")
				if !ok {
					return usage("--read is %q, want KIND=COMMAND, such as component=list parts", r)
				}
				w.Reads = append(w.Reads, adapter.WishedRead{Into: strings.TrimSpace(into), Command: strings.TrimSpace(command)})
			}
			if len(prompts) > 0 {
				w.Prompt, w.Prompts = prompts[0], prompts[1:]
			}
			return e.adapterInit(w, out, cmd.Flags().NFlag() == 0)
		},
	}
	initial.Flags().StringVar(&w.Name, "name", "", "name of the adapter")
	initial.Flags().StringVar(&w.About, "about", "", "what it is for")
	initial.Flags().StringSliceVar(&w.Platforms, "platform", nil, "platform of the release catalogue that it fits")
	initial.Flags().StringArrayVar(&prompts, "prompt", nil, "an example of a prompt, with its last blank, such as 'edge-1> '; again for that of another mode")
	initial.Flags().BoolVar(&w.Varies, "prompt-varies", false, "the prompt changes from command to command: a counter, a clock, a mark")
	initial.Flags().StringArrayVar(&w.Start, "start", nil, "command right after the login, such as the one that switches paging off")
	initial.Flags().StringVar(&w.More, "more", "", "what the pager says")
	initial.Flags().StringArrayVar(&reads, "read", nil, "KIND=COMMAND: the command that tells of a kind of thing")
	outFlag(initial, &out, "", "", "file to write; one that is there is left alone (default standard output)")
	list := &cobra.Command{
		Use: "list", Short: "list the adapters that come with Towpath and what each can do", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return e.adapterList() },
	}
	prints := &cobra.Command{
		Use: "print NAME", Short: "print the file of an adapter that comes with Towpath, to start another from", Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			src, err := adapter.BuiltinSource(args[0])
			if err != nil {
				return usage("%v", err)
			}
			if e.format == "json" {
				a, err := adapter.Builtin(args[0])
				if err != nil {
					return err
				}
				return e.json(adapterFile{args[0], strings.TrimSpace(a.About), a.Platforms, abilitiesText(a), string(src)})
			}
			if _, err := e.out.Write(src); err != nil {
				return fmt.Errorf("write: %w", err)
			}
			return nil
		},
	}
	root.AddCommand(test, initial, list, prints)
	return root
}

// adapterFile is an adapter that comes along, with the text of its file.
type adapterFile struct {
	Name      string   `json:"name"`
	About     string   `json:"about"`
	Platforms []string `json:"platforms,omitempty"`
	Can       string   `json:"can"`
	File      string   `json:"file"` // YAML
}

// readAdapter reads a file, or an adapter that comes with Towpath.
func readAdapter(name string) (*adapter.Adapter, error) {
	src, err := os.ReadFile(name) // #nosec G304 -- the operator's own word
	if errors.Is(err, fs.ErrNotExist) {
		if slices.Contains(adapter.BuiltinNames(), name) {
			return adapter.Builtin(name)
		}
		return nil, usage("%s: there is no such file, and no adapter of this name comes with Towpath, but %s", name, strings.Join(adapter.BuiltinNames(), ", "))
	}
	if err != nil {
		return nil, usage("%v", err)
	}
	return adapter.Read(name, src)
}

// recordedOutputs finds the output of commands in a folder or a transcript.
func recordedOutputs(a *adapter.Adapter, from string) (func(string) ([]byte, bool), error) {
	if from == "" {
		return nil, usage("--transcript is missing: want a folder with one file for each command, or a transcript of a run")
	}
	info, err := os.Stat(from)
	if err != nil {
		return nil, usage("--transcript: %v", err)
	}
	if info.IsDir() {
		return func(command string) ([]byte, bool) {
			b, err := os.ReadFile(filepath.Join(from, adapter.FileName(command))) // #nosec G304 -- a plain name in the operator's folder
			return []byte(strings.ReplaceAll(string(b), "\r\n", "\n")), err == nil
		}, nil
	}
	b, err := os.ReadFile(from) // #nosec G304 -- the operator's own word
	if err != nil {
		return nil, usage("--transcript: %v", err)
	}
	entries, err := dialogue.ReadTranscript(b)
	if err != nil {
		return nil, usage("%s: %v", from, err)
	}
	outputs := dialogue.Outputs(entries, a.Pattern(a.Session.Prompt))
	return func(command string) ([]byte, bool) {
		b, ok := outputs[command]
		return b, ok
	}, nil
}

func (e *env) adapterTest(name, from, at string) error {
	a, err := readAdapter(name)
	if err != nil {
		return err
	}
	said, err := recordedOutputs(a, from)
	if err != nil {
		return err
	}
	when := time.Now().UTC()
	if at != "" {
		if when, err = time.Parse(time.RFC3339, at); err != nil {
			return usage("--at is %q, want an instant with its zone, such as 2026-03-01T22:00:00Z", at)
		}
	}
	r := a.Rehearse(said, when)
	if e.format == "json" {
		if err := e.json(r); err != nil {
			return err
		}
	} else {
		e.printRehearsal(a, r)
	}
	if !r.Good() {
		return exit{ExitVerdict}
	}
	return nil
}

func (e *env) printRehearsal(a *adapter.Adapter, r *adapter.Rehearsal) {
	problems := 0
	for _, x := range r.Reads {
		e.printf("%s: %q, %d rows, %s\n", x.Read, x.Command, x.Rows, x.Into)
		for _, t := range x.Things {
			var fields []string
			for _, k := range adapter.FieldNames(x.Into) {
				if v, ok := t.Fields[k]; ok {
					if v == "" {
						v = "(none)"
					}
					fields = append(fields, k+" "+v)
				}
			}
			e.wrap("  ", strings.Join(fields, ", "))
		}
		for _, p := range x.Problems {
			problems++
			e.wrap("  NOT UNDERSTOOD: ", p)
		}
	}
	if len(r.Reads) > 0 {
		e.printf("\n")
	}
	for _, u := range r.Unread {
		e.wrap("not taken:    ", fmt.Sprintf("%d of %d lines of %q match no pattern: %s", len(u.Lines), u.Of, u.Command, firstOf(u.Lines)))
	}
	for _, m := range r.Missing {
		e.wrap("not recorded: ", fmt.Sprintf("%q; its output belongs into %s", m.Command, m.File))
	}
	if len(r.Lacking) > 0 {
		e.wrap("no command:   ", strings.Join(r.Lacking, ", ")+" (list under has-no what the platform does not have)")
	}
	e.wrap("can:          ", abilitiesText(a))
	e.wrap("in all:       ", fmt.Sprintf("%d outputs read, %d not understood in some place, %d not recorded", len(r.Reads), problems, len(r.Missing)))
}

// firstOf are the first lines of some, for a person to see what they are.
func firstOf(lines []string) string {
	const most = 3
	var out []string
	for _, l := range lines[:min(most, len(lines))] {
		out = append(out, fmt.Sprintf("%q", strings.TrimSpace(l)))
	}
	if len(lines) > most {
		out = append(out, "…")
	}
	return strings.Join(out, ", ")
}

// abilitiesText says what an adapter can and cannot do.
func abilitiesText(a *adapter.Adapter) string {
	x := a.Abilities()
	var can, cannot []string
	for _, y := range []struct {
		has  bool
		what string
	}{{x.Install, "install"}, {a.Preview != nil, "preview"}, {x.SwitchOver, "switch over"}, {x.Restart, "restart"}, {x.ComponentImage, "component images"},
		{x.Files, "delete and hash files"}, {a.Backup != nil, "back up"}, {x.Settings, "settings"}} {
		if y.has {
			can = append(can, y.what)
		} else {
			cannot = append(cannot, y.what)
		}
	}
	s := strings.Join(can, ", ")
	if s == "" {
		s = "read only"
	}
	if len(cannot) > 0 {
		s += "; cannot: " + strings.Join(cannot, ", ")
	}
	return s
}

func (e *env) adapterList() error {
	type row struct {
		Name      string   `json:"name"`
		About     string   `json:"about"`
		Platforms []string `json:"platforms,omitempty"`
		Can       string   `json:"can"`
	}
	var rows []row
	for _, n := range adapter.BuiltinNames() {
		a, err := adapter.Builtin(n)
		if err != nil {
			return err
		}
		rows = append(rows, row{n, strings.TrimSpace(a.About), a.Platforms, abilitiesText(a)})
	}
	if e.format == "json" {
		return e.json(rows)
	}
	for _, r := range rows {
		e.wrap(fmt.Sprintf("%-10s ", r.Name), r.About)
		e.wrap("           can: ", r.Can)
	}
	return nil
}

// adapterInit makes an adapter file; where ask is set, it asks for everything.
func (e *env) adapterInit(w adapter.Wish, out string, ask bool) error {
	if ask {
		if err := e.askAdapter(&w, &out); err != nil {
			return err
		}
	}
	if w.Name == "" {
		return usage("--name is missing: want a name of letters, digits, '.', '_' and '-', such as birch-2")
	}
	src, err := adapter.New(w)
	if err != nil {
		return usage("%v", err)
	}
	if out == "" {
		if e.format == "json" {
			return e.json(map[string]any{"name": w.Name, "file": string(src)})
		}
		if _, err := e.out.Write(src); err != nil {
			return fmt.Errorf("write: %w", err)
		}
		return nil
	}
	f, err := os.OpenFile(out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644) // #nosec G302 G304 -- no secret, and the operator's own word
	if errors.Is(err, fs.ErrExist) {
		return usage("%s is there already and is left alone; want another name after --out", out)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return usage("%s: there is no folder %s", out, filepath.Dir(out))
	}
	if err != nil {
		return usage("%v", err)
	}
	_, err = f.Write(src)
	if err := errors.Join(err, f.Close()); err != nil {
		return errors.Join(cannotWrite(out, err), os.Remove(out)) // it was not there before
	}
	if e.format == "json" {
		return e.json(map[string]any{"name": w.Name, "written": out})
	}
	e.printf("%s is written; try it: towpath adapter test %s --transcript FOLDER\n", out, out)
	return nil
}

// askAdapter asks for what an adapter is made from.
func (e *env) askAdapter(w *adapter.Wish, out *string) error {
	in := bufio.NewReader(e.in)
	question := func(text string, keepEnd bool) (string, error) {
		fmt.Fprint(e.err, text+" ")
		line, err := in.ReadString('\n')
		line = strings.TrimRight(line, "\r\n")
		if !keepEnd {
			line = strings.TrimSpace(line)
		}
		if err != nil && line == "" {
			return "", usage("the answers ended at the question %q; answer it, or use flags", text)
		}
		return line, nil
	}
	type step struct {
		text string
		keep bool
		into func(string)
	}
	steps := []step{
		{"Name of the adapter, such as birch-2:", false, func(s string) { w.Name = s }},
		{"What is it for, in a sentence (may be empty):", false, func(s string) { w.About = s }},
		{"Platform of the release catalogue that it fits (may be empty):", false, func(s string) {
			if s != "" {
				w.Platforms = []string{s}
			}
		}},
		{"An example of a prompt, as the device prints it, its last blank too:", true, func(s string) { w.Prompt = s }},
		{"One of another mode, as where the configuration is changed (may be empty):", true, func(s string) {
			if s != "" {
				w.Prompts = []string{s}
			}
		}},
		{"Does it change from command to command, by a counter, a clock or a mark (yes or no):", false, func(s string) {
			w.Varies = strings.HasPrefix(strings.ToLower(s), "y")
		}},
		{"The command that switches paging off (may be empty):", false, func(s string) {
			if s != "" {
				w.Start = []string{s}
			}
		}},
		{"What the pager says, where it cannot be switched off (may be empty):", false, func(s string) { w.More = s }},
	}
	for _, into := range adapter.TargetNames() {
		steps = append(steps, step{fmt.Sprintf("The command that tells of %s, %q (empty for none):", adapter.TargetAbout(into), into), false, func(s string) {
			if s != "" {
				w.Reads = append(w.Reads, adapter.WishedRead{Into: into, Command: s})
			}
		}})
	}
	steps = append(steps, step{"File to write (empty prints it):", false, func(s string) { *out = s }})
	for _, s := range steps {
		a, err := question(s.text, s.keep)
		if err != nil {
			return err
		}
		s.into(a)
	}
	return nil
}
