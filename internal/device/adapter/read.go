package adapter

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/document"
)

// compiled is what an adapter is made ready into.
type compiled struct {
	queries  map[*Query]*query
	patterns map[string]*regexp.Regexp
}

// query is a Query made ready.
type query struct {
	into      target
	parser    *parser
	none      *regexp.Regexp
	when      map[string]*regexp.Regexp
	fields    map[string]leafField
	templates map[string]filling
	convert   map[string]*converter
}

// converter returns what is done with a field's text.
func (q *query) converter(field string) *converter {
	if c := q.convert[field]; c != nil {
		return c
	}
	return &converter{}
}

// filling is a text with placeholders.
type filling struct {
	parts []string // text and names in turn, text first
}

var placeholder = regexp.MustCompile(`\{([A-Za-z][A-Za-z0-9_.-]*)\}`)

func newTemplate(text string) filling {
	var t filling
	at := 0
	for _, m := range placeholder.FindAllStringSubmatchIndex(text, -1) {
		t.parts = append(t.parts, text[at:m[0]], text[m[2]:m[3]])
		at = m[1]
	}
	t.parts = append(t.parts, text[at:])
	return t
}

// names are the placeholders.
func (t filling) names() []string {
	var out []string
	for i := 1; i < len(t.parts); i += 2 {
		out = append(out, t.parts[i])
	}
	return out
}

// fill puts values in place. Where all of its placeholders are empty the whole
// text is, for it would say nothing.
func (t filling) fill(value func(string) (string, bool)) string {
	var b strings.Builder
	some := len(t.parts) == 1
	for i, p := range t.parts {
		if i%2 == 0 {
			b.WriteString(p)
			continue
		}
		v, _ := value(p)
		some = some || v != ""
		b.WriteString(v)
	}
	if !some {
		return ""
	}
	return b.String()
}

// Fill puts values into the braces of a command. A placeholder without a value
// is an error.
func Fill(text string, values map[string]string) (string, error) {
	var missing []string
	out := placeholder.ReplaceAllStringFunc(text, func(m string) string {
		v, ok := values[m[1:len(m)-1]]
		if !ok {
			missing = append(missing, m)
		}
		return v
	})
	if len(missing) > 0 {
		return "", fmt.Errorf("%q: there is no value for %s", text, strings.Join(missing, ", "))
	}
	if strings.ContainsAny(out, "\r\n\x00\x03\x04\x1a\x1b") {
		return "", fmt.Errorf("%q would type more than one line, or a control character", out)
	}
	return out, nil
}

// Pattern returns the compiled form of a pattern of this adapter.
func (a *Adapter) Pattern(text string) *regexp.Regexp { return a.compiled.patterns[text] }

// Read reads and checks an adapter file. name stands in the messages. The
// error is of type [document.Problems], each with file, line and column.
func Read(name string, src []byte) (*Adapter, error) {
	doc, err := document.Parse(name, src)
	if err != nil {
		return nil, err
	}
	a := &Adapter{}
	problems := doc.Decode(Shape(), a)
	c := &checker{a: a, doc: doc, problems: problems, first: problems}
	a.compiled = &compiled{queries: map[*Query]*query{}, patterns: map[string]*regexp.Regexp{}}
	c.all()
	if err := c.problems.Err(); err != nil {
		return nil, err
	}
	return a, nil
}

// checker looks for what the shape cannot say.
type checker struct {
	a        *Adapter
	doc      *document.Document
	problems document.Problems
	first    document.Problems // found while decoding
}

func (c *checker) report(field, found, want, nearest string) {
	if c.first.Under(field) {
		return // the value itself is broken, which was said
	}
	c.problems = append(c.problems, c.doc.Problem(field, found, want, nearest))
}

func (c *checker) pattern(field, text string) *regexp.Regexp {
	if text == "" {
		return nil
	}
	re, err := regexp.Compile(text)
	if err != nil {
		p := badPattern(field, text, err)
		c.report(p.field, p.found, p.want, "")
		return nil
	}
	c.a.compiled.patterns[text] = re
	return re
}

func (c *checker) patterns(field string, texts []string) {
	for i, t := range texts {
		c.pattern(fmt.Sprintf("%s[%d]", field, i), t)
	}
}

func (c *checker) exchanges(field string, xs []Exchange, known []string) {
	for i, x := range xs {
		at := fmt.Sprintf("%s[%d]", field, i)
		c.pattern(at+".expect", x.Expect)
		c.placeholders(at+".answer", x.Answer, known)
	}
}

func (c *checker) complaints(field string, xs []Complaint) {
	for i, x := range xs {
		c.pattern(fmt.Sprintf("%s[%d].pattern", field, i), x.Pattern)
	}
}

// placeholders reports braces that nothing fills.
func (c *checker) placeholders(field, text string, known []string) {
	for _, n := range newTemplate(text).names() {
		if !slices.Contains(known, n) {
			want := "no placeholder; nothing is known here"
			if len(known) > 0 {
				want = "one of {" + strings.Join(known, "}, {") + "}"
			}
			c.report(field, fmt.Sprintf("the placeholder {%s}", n), want, document.Nearest(n, known))
		}
	}
}

func (c *checker) all() {
	a := c.a
	s := &a.Session
	c.pattern("session.prompt", s.Prompt)
	if s.Prompt != "" {
		if re := a.Pattern(s.Prompt); re != nil && re.MatchString("") {
			c.report("session.prompt", "a pattern that matches an empty line", "one that matches prompts only", "")
		}
	}
	c.exchanges("session.login", s.Login, []string{"user", "password"})
	c.patterns("session.refusals", s.Refusals)
	c.exchanges("session.more", s.More, nil)
	c.patterns("session.questions", s.Questions)
	c.patterns("session.away", s.Away)
	c.patterns("session.unasked", s.Unasked)
	c.placeholders("session.mark", s.Mark, []string{"mark"})
	switch {
	case s.Mark == "":
	case !strings.Contains(s.Mark, "{mark}"):
		c.report("session.mark", "a command without {mark}", "one that puts {mark} into the prompt", "")
	case !s.BlankLine:
		c.report("session.mark", "a mark in a prompt that no blank line brings again", "blank-line: true as well, so that an old prompt on the line is not taken for it", "")
	}
	c.complaints("session.errors", s.Errors)
	names := map[string]int{}
	read := []string{}
	for i := range a.Reads {
		q := &a.Reads[i]
		field := fmt.Sprintf("reads[%d]", i)
		if q.Name == "" {
			c.report(field, "a read without a name", "the key read, such as read: components", "")
		}
		if before, again := names[q.Name]; again && q.Name != "" {
			c.report(field+".read", fmt.Sprintf("%q a second time; the first is reads[%d]", q.Name, before), "another name", "")
		}
		names[q.Name] = i
		c.query(field, q, "", nil, read)
		read = append(read, q.Into)
	}
	if a.Installation != nil {
		for i := range a.Installation {
			c.query(fmt.Sprintf("installation[%d]", i), &a.Installation[i], intoInstallation, nil, nil)
		}
	}
	for i := range a.Packages {
		c.query(fmt.Sprintf("packages[%d]", i), &a.Packages[i], intoPackage, nil, nil)
	}
	about := []string{"version", "card", "where", "role"}
	c.act("set-boot", a.SetBoot, about)
	c.act("preview", a.Preview, about)
	c.act("begin", a.Begin, about)
	c.act("switch-over", a.SwitchOver, []string{"card", "role", "where"})
	if r := a.Restart; r != nil {
		c.act("restart.component", r.Component, []string{"component", "reason"})
		c.act("restart.line-card", r.LineCard, []string{"component", "reason"})
		c.act("restart.device", r.Device, []string{"reason"})
	}
	if in := a.Install; in != nil {
		known := append(slices.Clone(about), "size", "sha256")
		c.placeholders("install.to", in.To, append(slices.Clone(known), "controller", "mount"))
		c.absolute("install.to", in.To, in.Transfer)
		known = append(known, "path", "controller", "mount")
		c.steps("install.ready", in.Ready, known)
		if in.Transfer == TransferHTTP && in.Pull == nil {
			c.report("install.transfer", "http without the key pull", "the command that fetches {url} below install.pull", "")
		}
		if in.Pull != nil {
			c.steps("install.pull", []Step{*in.Pull}, append(slices.Clone(known), "url"))
		}
		if in.Hash != nil {
			c.query("install.hash", in.Hash, intoHash, []string{"path"}, nil)
		}
		known = c.steps("install.steps", in.Steps, known)
		if f := in.Follow; f != nil {
			c.placeholders("install.follow.command", f.Command, known)
			c.percent("install.follow.progress", c.pattern("install.follow.progress", f.Progress))
			c.pattern("install.follow.done", f.Done)
		}
		c.steps("install.forget", in.Forget, append(slices.Clone(about), "size", "sha256", "path", "controller", "mount"))
		c.steps("install.copy", in.Copy, append(slices.Clone(about), "from"))
		c.address("install.address", in.Address)
		if len(a.Packages) == 0 {
			c.report("install", "a way to install, and none to tell what is installed", "the key packages as well", "")
		}
		if a.SetBoot == nil && a.Begin == nil {
			c.report("install", "a way to install, and none to activate", "the key set-boot or begin as well", "")
		}
	}
	if f := a.Firmware; f != nil {
		known := []string{"component", "version", "file", "size", "sha256"}
		c.placeholders("component-image.to", f.To, known)
		known = append(known, "path")
		if f.Transfer == TransferHTTP && f.Pull == nil {
			c.report("component-image.transfer", "http without the key pull", "the command that fetches {url} below component-image.pull", "")
		}
		if f.Pull != nil {
			c.steps("component-image.pull", []Step{*f.Pull}, append(slices.Clone(known), "url"))
		}
		if f.Hash != nil {
			c.query("component-image.hash", f.Hash, intoHash, []string{"path"}, nil)
		}
		c.steps("component-image.steps", f.Steps, known)
		c.steps("component-image.forget", f.Forget, known)
	}
	if f := a.Files; f != nil {
		c.placeholders("files.path", f.Path, []string{"controller", "path"})
		c.act("files.remove", f.Remove, []string{"controller", "path"})
		if f.Hash != nil {
			c.query("files.hash", f.Hash, intoHash, []string{"controller", "path"}, nil)
		}
		c.pattern("files.missing", f.Missing)
	}
	if a.Backup != nil {
		c.placeholders("backup.command", a.Backup.Command, nil)
	}
	keys := []string{"instance", "interface", "neighbour"}
	for i := range a.Settings {
		x := &a.Settings[i]
		field := fmt.Sprintf("settings[%d]", i)
		c.query(field+".from", &x.Read, intoSetting, keys, nil)
		place := append(slices.Clone(keys), "handle")
		c.steps(field+".set", x.Set, append(slices.Clone(place), "value", "word", "seconds", "milliseconds"))
		c.steps(field+".unset", x.Unset, place)
	}
	if f := a.Transaction; f != nil {
		c.steps("transaction.begin", f.Begin, nil)
		c.steps("transaction.commit", f.Commit, nil)
		c.steps("transaction.abandon", f.Abandon, nil)
	}
}

func (c *checker) address(field string, m map[string]string) {
	for k := range m {
		if words := []string{"primary", "secondary", "whole"}; !slices.Contains(words, k) {
			c.report(join(field, k), fmt.Sprintf("the key %q", k), "one of "+strings.Join(words, ", "), document.Nearest(k, words))
		}
	}
}

func (c *checker) act(field string, a *Act, known []string) {
	if a == nil {
		return
	}
	c.steps(field+".steps", a.Steps, known)
	c.address(field+".address", a.Address)
}

// steps checks commands and returns the placeholders that are known after them.
func (c *checker) steps(field string, steps []Step, known []string) []string {
	known = slices.Clone(known)
	for i, s := range steps {
		at := fmt.Sprintf("%s[%d]", field, i)
		if strings.HasSuffix(field, ".pull") { // one alone
			at = field
		}
		c.placeholders(at+".command", s.Command, known)
		c.exchanges(at+".dialogue", s.Dialogue, known)
		c.complaints(at+".errors", s.Errors)
		c.pattern(at+".success", s.Success)
		c.percent(at+".progress", c.pattern(at+".progress", s.Progress))
		if re := c.pattern(at+".result", s.Result); re != nil {
			for _, n := range re.SubexpNames() {
				if n != "" {
					known = append(known, n)
				}
			}
		}
	}
	return known
}

func (c *checker) percent(field string, re *regexp.Regexp) {
	if re != nil && re.SubexpIndex("percent") < 0 {
		c.report(field, "a pattern without a group named percent", `such as (?P<percent>\d+) of 100`, "")
	}
}

// query makes a query ready. into is fixed where it is not empty.
func (c *checker) query(field string, q *Query, into string, vars, before []string) {
	out := &query{when: map[string]*regexp.Regexp{}, fields: map[string]leafField{}, templates: map[string]filling{}, convert: map[string]*converter{}}
	c.a.compiled.queries[q] = out
	switch {
	case into == "" && q.Into == "":
		c.report(field+".into", "missing", "one of "+strings.Join(TargetNames(), ", "), "")
		return
	case into == "":
		into = q.Into
		if !slices.Contains(TargetNames(), into) {
			c.report(field+".into", fmt.Sprintf("%q", into), "one of "+strings.Join(TargetNames(), ", "), document.Nearest(into, TargetNames()))
			return
		}
	case q.Into != "" && q.Into != into:
		c.report(field+".into", fmt.Sprintf("%q", q.Into), into+", or no such key", "")
	}
	out.into, _ = targetOf(into)
	var names []string
	for _, l := range leaves(out.into.of) {
		out.fields[l.name] = l
		names = append(names, l.name)
	}
	if q.ForEach != "" {
		if !slices.Contains(before, q.ForEach) {
			c.report(field+".for-each", fmt.Sprintf("%q, which no read before this one tells of", q.ForEach), "the read that tells of it first", "")
		}
		vars = append(slices.Clone(vars), FieldNames(q.ForEach)...)
	}
	for name, text := range q.ForEachWhen {
		at := join(field+".for-each-when", name)
		c.pattern(at, text)
		if !slices.Contains(FieldNames(q.ForEach), name) {
			c.unknownField(at, name, q.ForEach, FieldNames(q.ForEach))
		}
	}
	c.placeholders(field+".command", q.Command, vars)
	parser, bad := newParser(&q.Parse, field+".parse")
	for _, p := range bad {
		c.report(p.field, p.found, p.want, p.nearest)
	}
	out.parser = parser
	out.none = c.pattern(field+".none", q.None)
	used := map[string]bool{}
	for column, text := range q.When {
		used[column] = true
		out.when[column] = c.pattern(join(field+".when", column), text)
		if !slices.Contains(parser.names, column) {
			c.report(join(field+".when", column), fmt.Sprintf("the column %q", column), "one of "+strings.Join(parser.names, ", "), document.Nearest(column, parser.names))
		}
	}
	for name, text := range q.Fields {
		at := join(field+".fields", name)
		if out.fields[name].name == "" {
			c.unknownField(at, name, into, names)
			continue
		}
		out.templates[name] = newTemplate(text)
		known := slices.Concat(parser.names, vars)
		for _, n := range out.templates[name].names() {
			for _, column := range parser.names {
				if column == n || fieldName(column) == n {
					used[column] = true
				}
			}
			known = append(known, fieldName(n))
		}
		c.placeholders(at, text, slices.Concat(known, columnsAsFields(parser.names)))
	}
	filled := map[string]bool{}
	for _, column := range parser.names {
		name := fieldName(column)
		if out.fields[name].name != "" {
			filled[name] = true
			continue
		}
		if !used[column] && len(bad) == 0 {
			c.report(field+".parse", fmt.Sprintf("the column %q, which is no field of %s and is not used", column, into), "one of "+strings.Join(names, ", "), document.Nearest(name, names))
		}
	}
	for name := range q.Convert {
		at := join(field+".convert", name)
		if out.fields[name].name == "" {
			c.unknownField(at, name, into, names)
			continue
		}
		if !filled[name] && out.templates[name].parts == nil {
			c.report(at, fmt.Sprintf("a conversion of %s, which nothing fills", name), "a column or a field of this name as well", "")
		}
		out.convert[name] = c.converter(at, q.Convert[name])
	}
	for _, k := range out.into.keys {
		last := k == out.into.keys[len(out.into.keys)-1]
		if last && !filled[k] && out.templates[k].parts == nil && into != intoSetting && into != intoRoute && into != "route-count" {
			c.report(field, fmt.Sprintf("nothing that fills %s", k), fmt.Sprintf("it, for it tells one %s from another", into), "")
		}
	}
}

func columnsAsFields(columns []string) []string {
	out := make([]string, len(columns))
	for i, n := range columns {
		out[i] = fieldName(n)
	}
	return out
}

func (c *checker) unknownField(at, name, into string, names []string) {
	near := document.Nearest(name, names)
	want := ""
	if near == "" {
		want = "one of " + strings.Join(names, ", ")
	}
	if c.first.Under(at) {
		return
	}
	c.problems = append(c.problems, c.doc.KeyProblem(at, fmt.Sprintf("%q is no field of %s", name, into), want, near))
}

func (c *checker) converter(field string, v Convert) *converter {
	out := &converter{Convert: v, match: c.pattern(field+".match", v.Match)}
	if v.Zone != "" {
		z, err := time.LoadLocation(v.Zone)
		if err != nil {
			c.report(field+".zone", strconv.Quote(v.Zone), "a zone such as Europe/Berlin", "")
		}
		out.zone = z
	}
	switch v.Time {
	case "", timeRFC3339, timeEpoch, timeEpochMS, timeEpochNS, timeAgo, timeToGo:
	default:
		// A layout must be able to read what it writes.
		now := time.Date(2026, 11, 25, 13, 14, 15, 0, time.UTC)
		if s := now.Format(v.Time); s == v.Time {
			c.report(field+".time", strconv.Quote(v.Time), "rfc3339, epoch, epoch-ms, epoch-ns, ago, in, or the instant 2 January 2006, 15:04:05, as the device would write it", "")
		}
	}
	return out
}

// Abilities says what a device can do through this adapter.
func (a *Adapter) Abilities() device.Abilities {
	return device.Abilities{
		Install:        a.Install != nil,
		SwitchOver:     a.SwitchOver != nil,
		Restart:        a.Restart != nil && (a.Restart.Component != nil || a.Restart.LineCard != nil || a.Restart.Device != nil),
		ComponentImage: a.Firmware != nil,
		Files:          a.Files != nil && a.Files.Remove != nil && a.Files.Hash != nil,
		Watch:          true,
		Settings:       len(a.Settings) > 0,
	}
}

// DeviceKind is the kind of failure that a complaint tells of.
func (x Complaint) DeviceKind() device.Kind { return complaintKinds()[x.Kind] }

// Lacking are the kinds of thing that neither a read tells of nor the platform
// is said not to have, in order.
func (a *Adapter) Lacking() []string {
	told := map[string]bool{"member": true, "route-count": true, intoFile: false}
	for _, q := range a.Reads {
		told[q.Into] = true
	}
	for _, n := range a.HasNo {
		told[n] = true
	}
	return slices.DeleteFunc(TargetNames(), func(n string) bool { return told[n] })
}

// absolute reports a path that a transfer over SSH cannot be sent to. A device that
// fetches for itself has its own way to write paths.
func (c *checker) absolute(field, to, transfer string) {
	if transfer != TransferHTTP && to != "" && to[0] != '/' && to[0] != '{' {
		c.report(field, strconv.Quote(to), "an absolute path, such as /images/"+to+", for "+transfer, "")
	}
}
