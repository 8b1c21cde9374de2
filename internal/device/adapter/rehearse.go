package adapter

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"towpath/internal/state"
)

// Rehearsal is what an adapter made of recorded outputs.
type Rehearsal struct {
	Adapter string      `json:"adapter"`
	Reads   []Rehearsed `json:"reads"`
	// Missing are the commands without a recorded output, with the names that
	// their files would have.
	Missing []MissingOutput `json:"missing,omitempty"`
	// Unread are lines of outputs that are read line by line and that no pattern
	// takes. Headings are among them, and so is what a pattern forgot.
	Unread []UnreadLines `json:"unread,omitempty"`
	// Lacking are the kinds of thing that no read tells of.
	Lacking []string       `json:"lacking,omitempty"`
	Capture *state.Capture `json:"capture"`
}

// Rehearsed is one command's output, read.
type Rehearsed struct {
	Read     string           `json:"read"`
	Command  string           `json:"command"`
	Into     string           `json:"into"`
	Rows     int              `json:"rows"`
	Things   []RehearsedThing `json:"things,omitempty"`
	Problems []string         `json:"problems,omitempty"`
}

// RehearsedThing is one thing with its fields, in our words.
type RehearsedThing struct {
	Key    string            `json:"key,omitempty"`
	Fields map[string]string `json:"fields"`
}

// MissingOutput is a command without a recorded output.
type MissingOutput struct {
	Command string `json:"command"`
	File    string `json:"file"`
}

// UnreadLines are lines of one command's output that no pattern takes.
type UnreadLines struct {
	Command string   `json:"command"`
	Lines   []string `json:"lines"`
	Of      int      `json:"of"` // lines that are not blank
}

// Good reports whether everything was understood and nothing was missing.
func (r *Rehearsal) Good() bool {
	return len(r.Missing) == 0 && !slices.ContainsFunc(r.Reads, func(x Rehearsed) bool { return len(x.Problems) > 0 })
}

// FileName is the name of the file that holds the recorded output of a command:
// its letters and digits, everything between them a hyphen.
func FileName(command string) string {
	var b strings.Builder
	gap := false
	for _, r := range strings.ToLower(command) {
		if r < 'a' || r > 'z' {
			if r < '0' || r > '9' {
				gap = true
				continue
			}
		}
		if gap && b.Len() > 0 {
			b.WriteByte('-')
		}
		gap = false
		b.WriteRune(r)
	}
	return b.String() + ".txt"
}

// Rehearse reads recorded outputs with the adapter. said returns the output of
// a command; at is the instant that they are taken to be of.
func (a *Adapter) Rehearse(said func(command string) ([]byte, bool), at time.Time) *Rehearsal {
	r := &Rehearsal{Adapter: a.Name, Lacking: a.Lacking()}
	facts := &Facts{}
	var read reading
	hear := func(f *Facts, name string, q *Query) {
		for _, vars := range f.Each(q, a) {
			x := Rehearsed{Read: name, Into: a.compiled.queries[q].into.name}
			line, err := Fill(q.Command, vars)
			if err != nil {
				x.Command, x.Problems = q.Command, []string{err.Error()}
				r.Reads = append(r.Reads, x)
				continue
			}
			x.Command = line
			out, ok := said(line)
			if !ok {
				if m := (MissingOutput{line, FileName(line)}); !slices.Contains(r.Missing, m) {
					r.Missing = append(r.Missing, m)
				}
				continue
			}
			if err := a.Complaint(out); err != nil {
				x.Problems = []string{err.Error()}
				r.Reads = append(r.Reads, x)
				continue
			}
			got := f.Take(q, vars, out, at, a)
			x.Rows, x.Problems = got.Rows, got.Problems
			read.add(line, out, a.compiled.queries[q])
			for _, t := range got.Things {
				x.Things = append(x.Things, RehearsedThing{t.Key, t.Text})
			}
			r.Reads = append(r.Reads, x)
		}
	}
	for i := range a.Reads {
		hear(facts, a.Reads[i].Name, &a.Reads[i])
	}
	for i := range a.Installation {
		hear(&Facts{}, "installation", &a.Installation[i])
	}
	for i := range a.Packages {
		hear(&Facts{}, "packages", &a.Packages[i])
	}
	for i := range a.Settings {
		s := &a.Settings[i]
		hear(&Facts{}, cmp.Or(s.Protocol+" ", "")+s.Parameter, &s.Read)
	}
	r.Unread = read.unread()
	r.Capture = facts.Capture()
	r.Capture.Source, r.Capture.TakenAt = "recorded output, adapter "+a.Name, at
	r.Capture.Sort()
	return r
}

// reading is which outputs were read line by line, and by which patterns.
type reading struct {
	commands []string // in their order
	outputs  map[string][]byte
	patterns map[string][]*regexp.Regexp
	whole    map[string]bool // read otherwise too, or said that there is nothing
}

func (r *reading) add(command string, output []byte, q *query) {
	if r.outputs == nil {
		r.outputs, r.patterns, r.whole = map[string][]byte{}, map[string][]*regexp.Regexp{}, map[string]bool{}
	}
	if _, ok := r.outputs[command]; !ok {
		r.commands = append(r.commands, command)
		r.outputs[command] = output
	}
	switch {
	case q.parser == nil || q.parser.lines == nil || q.none != nil && q.none.Match(output):
		r.whole[command] = true
	default:
		r.patterns[command] = append(r.patterns[command], q.parser.lines)
	}
}

// unread are the lines that none of a command's patterns takes.
func (r *reading) unread() []UnreadLines {
	var out []UnreadLines
	for _, c := range r.commands {
		if r.whole[c] {
			continue
		}
		u := UnreadLines{Command: c}
		for line := range bytes.Lines(r.outputs[c]) {
			line = bytes.TrimSuffix(line, []byte{'\n'})
			if len(bytes.TrimSpace(line)) == 0 {
				continue
			}
			u.Of++
			if !slices.ContainsFunc(r.patterns[c], func(re *regexp.Regexp) bool { return re.Match(line) }) {
				u.Lines = append(u.Lines, string(line))
			}
		}
		if len(u.Lines) > 0 {
			out = append(out, u)
		}
	}
	return out
}

// Complaint returns what an output complains of, by the words of the session;
// nil where it does not.
func (a *Adapter) Complaint(output []byte) error {
	for _, x := range a.Session.Errors {
		re := a.Pattern(x.Pattern)
		m := re.FindSubmatch(output)
		if m == nil {
			continue
		}
		text := string(m[0])
		if i := re.SubexpIndex("text"); i >= 0 && len(m[i]) > 0 {
			text = string(m[i])
		}
		return fmt.Errorf("the device complains (%s): %s", x.Kind, clip(strings.TrimSpace(text)))
	}
	return nil
}

// Wish is what a new adapter is made from.
type Wish struct {
	Name      string
	About     string
	Platforms []string
	Prompt    string // an example, such as "mere-1> "
	// Prompts are further examples, such as that of the mode in which the
	// configuration is changed.
	Prompts []string
	Varies  bool     // the prompt changes from one command to the next
	Start   []string // commands after the login
	More    string   // what the pager says
	Reads   []WishedRead
}

// WishedRead is a command that tells of a kind of thing.
type WishedRead struct {
	Into, Command string
}

// New writes an adapter file from answers. It is whole and can be read; its
// parsers take the first word of each line for the name of a thing, and their
// comments list what else may be told.
func New(w Wish) ([]byte, error) {
	if strings.TrimSpace(w.Prompt) == "" {
		return nil, errors.New("no example of a prompt was given, such as \"mere-1> \"")
	}
	if len(w.Reads) == 0 {
		return nil, errors.New("no command was given that tells anything, such as system=… or component=…")
	}
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("# What the command line of %s is like. Try it on recorded output, without a", w.Name)
	p("# device: towpath adapter test FILE --transcript FOLDER")
	p("adapter: %s", quoted(w.Name))
	if w.About != "" {
		p("about: %s", quoted(w.About))
	}
	if len(w.Platforms) > 0 {
		p("platforms: [%s]", list(w.Platforms))
	}
	p("\nsession:")
	p("  # the whole last line when the device waits for a command, and nothing else")
	var prompts []string
	for _, example := range append([]string{w.Prompt}, w.Prompts...) {
		if x := promptPattern(example); strings.TrimSpace(example) != "" && !slices.Contains(prompts, x) {
			prompts = append(prompts, x)
		}
	}
	p("  # in every mode that commands are typed in")
	p("  prompt: %s", quoted(strings.Join(prompts, "|")))
	if w.Varies {
		p("  prompt-varies: true")
	} else {
		p("  # one with a counter, a clock or a mark that comes and goes needs prompt-varies: true;")
		p("  # a step after which it is another one, as that of another mode, says new-prompt: true")
	}
	p("  # a blank line must only bring the prompt again; take this out where it does more")
	p("  blank-line: true")
	p("  cancel: ctrl-c")
	p("  # an unfinished line like these waits for a person; it is cancelled unless a")
	p("  # command's own dialogue answers it")
	p(`  questions: ['\? *$', '(?i)[\[(](y|n|yes|no)(/(y|n|yes|no))?[\])]:? *$']`)
	if len(w.Start) > 0 {
		p("  start: [%s]", list(w.Start))
	}
	if w.More != "" {
		p("  more:")
		p("    - {expect: %s, key: space}", quoted(literal(w.More)))
	}
	p("  # outputs that tell of a failure, the first that matches decides")
	p("  errors:")
	p(`    - {pattern: '(?im)^.*(unknown|invalid|unrecognised) command.*$', kind: unable}`)
	p(`    - {pattern: '(?im)^.*(permission denied|not authorised).*$', kind: denied}`)
	p(`    - {pattern: '(?im)^.*no space left.*$', kind: no-space}`)
	p(`    - {pattern: '(?im)^error: (?P<text>.*)$', kind: refused}`)
	p("\nreads:")
	for i, r := range w.Reads {
		t, ok := targetOf(r.Into)
		if !ok || !slices.Contains(TargetNames(), r.Into) {
			return nil, fmt.Errorf("%q is no kind of thing that a command may tell of; want one of %s", r.Into, strings.Join(TargetNames(), ", "))
		}
		name := r.Into
		if slices.ContainsFunc(w.Reads[:i], func(x WishedRead) bool { return x.Into == r.Into }) {
			name = fmt.Sprintf("%s %d", r.Into, i+1)
		}
		p("  # %s", t.doc)
		p("  - read: %s", quoted(name))
		p("    command: %s", quoted(r.Command))
		p("    into: %s", r.Into)
		if scopes := usualScopes(r.Into); scopes != "" {
			p("    scopes: [%s]", scopes)
		}
		p("    parse:")
		if r.Into == "configuration" {
			p("      # whether anything changed; lines that change by themselves are left out")
			p("      digest: {ignore: []}")
			continue
		}
		first := leaves(t.of)[0].name
		if len(t.keys) > 0 {
			first = t.keys[len(t.keys)-1]
		}
		p("      # a pattern for one line; its groups are fields, written with _ for - and __ for a dot")
		p("      lines: '^(?P<%s>\\S+)'", groupName(first))
		if rest := others(t, first); len(rest) > 0 {
			p("    # also: %s", strings.Join(rest, ", "))
		}
		if constants := neededConstants(t, first); len(constants) > 0 {
			p("    fields:")
			for _, k := range constants {
				p("      %s: %s", k, quoted(toFillIn))
			}
		}
	}
	p("")
	p("# What it cannot do yet has keys of its own: packages, install (with transfer: sftp,")
	p("# scp, or http where the device fetches), set-boot, begin, preview, switch-over,")
	p("# restart, files, backup, settings. For examples of all: towpath adapter print %s;", BuiltinNames()[0])
	p("# for every key with its meaning: towpath schema adapter.")
	src := []byte(b.String())
	if _, err := Read(w.Name+".yaml", src); err != nil {
		return nil, err
	}
	return src, nil
}

// toFillIn stands in a new adapter where only its writer knows what belongs there.
const toFillIn = "?"

// groupName is a field as a group of a pattern.
func groupName(field string) string {
	return strings.ReplaceAll(strings.ReplaceAll(field, ".", "__"), "-", "_")
}

func others(t target, but string) []string {
	var out []string
	for _, l := range leaves(t.of) {
		if l.name != but {
			out = append(out, l.name)
		}
	}
	return out
}

// neededConstants are keys that outputs often leave out, since a command tells
// of one protocol or one volume only.
func neededConstants(t target, but string) []string {
	switch t.name {
	case intoAdjacency:
		return []string{"protocol"}
	case intoFile:
		return []string{"volume"}
	case intoRoute:
		return []string{"family", "instance"}
	}
	return nil
}

// usualScopes are the narrower captures that a kind of thing belongs to.
func usualScopes(into string) string {
	switch into {
	case intoComponent:
		return "components, live"
	case intoAdjacency:
		return "live"
	case "interface", "aggregate", "member", "spanning-tree", intoRoute, "route-count":
		return ""
	}
	return "components"
}

// promptPattern makes a pattern from an example: its first word may be any
// name.
func promptPattern(example string) string {
	i := strings.IndexFunc(example, wordRune)
	if i < 0 {
		return literal(example)
	}
	n := strings.IndexFunc(example[i:], func(r rune) bool { return !wordRune(r) })
	if n < 0 {
		n = len(example) - i
	}
	return literal(example[:i]) + `[A-Za-z0-9._-]+` + literal(example[i+n:])
}

func wordRune(r rune) bool {
	return r == '-' || r == '_' || r == '.' || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z'
}

func literal(s string) string {
	var b strings.Builder
	for _, r := range s {
		if strings.ContainsRune(`\.+*?()|[]{}^$`, r) {
			b.WriteByte('\\')
		}
		b.WriteRune(r)
	}
	return b.String()
}

// quoted is a text in YAML.
func quoted(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }

func list(texts []string) string {
	out := make([]string, len(texts))
	for i, t := range texts {
		out[i] = quoted(t)
	}
	return strings.Join(out, ", ")
}
