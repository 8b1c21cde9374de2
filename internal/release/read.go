package release

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"towpath/internal/document"
)

// Kinds are the component kinds that a file may name: OpenConfig platform
// types without prefix, and PORT_EXTENDER for a bridge port extender.
// Source: OpenConfig openconfig-platform-types, identities derived from
// OPENCONFIG_HARDWARE_COMPONENT, from memory; IEEE 802.1BR.
func Kinds() []string {
	return []string{
		"CHASSIS", "CONTROLLER_CARD", "LINECARD", "FABRIC", "POWER_SUPPLY", "FAN", "FAN_TRAY", "STORAGE", "PORT_EXTENDER",
		"BACKPLANE", "CPU", "FRU", "INTEGRATED_CIRCUIT", "PORT", "SENSOR", "TRANSCEIVER",
	}
}

// Shape describes a catalogue file.
func Shape() *document.Shape {
	hash := func(digits int) *document.Form {
		return &document.Form{
			Want:    fmt.Sprintf("%d hexadecimal digits in lower case", digits),
			Pattern: fmt.Sprintf(`^[0-9a-f]{%d}$`, digits),
			Check:   regexp.MustCompile(fmt.Sprintf(`^[0-9a-f]{%d}$`, digits)).MatchString,
		}
	}
	file := &document.Form{
		Want:    "a file name without a folder, such as alder-9-4.4.2-system.pkg",
		Pattern: `^[A-Za-z0-9._+-]+$`,
		Check:   regexp.MustCompile(`^[A-Za-z0-9_+-][A-Za-z0-9._+-]*$`).MatchString,
	}
	minutes := func(doc string) document.Field {
		return document.Field{Doc: doc, Range: document.From(0)}
	}
	prose := func(doc string) document.Field {
		return document.Field{Doc: doc, Prose: true}
	}
	kind := document.Field{Doc: "OpenConfig platform type of the component.", Words: Kinds()}
	part := document.Field{Doc: "Part number. Without it, every part of the kind."}
	level := document.Field{Doc: "Firmware level. Write it in quotes.", Want: `a firmware level in quotes, such as "1.9"`}
	versions := `a range of versions in quotes, such as "4.2.3", "4.2.0..4.3.1" or "*"`
	return &document.Shape{
		Name: "releases",
		Doc:  "What the makers publish about the software of their platforms: versions and how they compare, images, and the transitions that are allowed between releases.",
		Types: map[string]string{
			"Catalogue":     "What is known about releases, per platform.",
			"Platform":      "A family of devices that run the same software.",
			"Durations":     "The maker's figures for the parts of a change.",
			"VersionScheme": "How versions are written, and how they compare.",
			"OrderField":    "One field of a version in the order of comparison.",
			"Release":       "One version of a platform's software.",
			"Image":         "A file that carries a release, or a part of one, for one kind of component.",
			"Transition":    "An allowed change between releases.",
			"Spread":        "A three-point estimate in minutes.",
			"SilenceRange":  "A three-point estimate of a duration.",
			"Condition":     "Makes a transition impossible where it holds. Exactly one of part, feature and firmware-below.",
			"FirmwareLevel": "A lowest level for a kind of component, and optionally a part.",
			"Firmware":      "An available step that raises a component's firmware.",
		},
		Exactly: map[string][]string{"Condition": {"part", "feature", "firmware-below"}},
		Fields: map[string]document.Field{
			"Catalogue.platforms": {Doc: "The platforms."},

			"Platform.id":                  {Doc: "Identifier, unique in the catalogue; devices of the fleet name it.", Form: document.Name},
			"Platform.description":         prose("What the family is."),
			"Platform.version-scheme":      {Doc: "How its versions are written and compared."},
			"Platform.per-controller":      {Doc: "Whether each controller card is installed by itself."},
			"Platform.releases":            {Doc: "The releases, in any order."},
			"Platform.transitions":         {Doc: "The allowed changes between them. Each is a permission by itself."},
			"Platform.firmware":            {Doc: "The available firmware steps."},
			"Platform.firmware-scheme":     {Doc: "How firmware levels compare. Without it, runs of digits by value and other characters as they are."},
			"Platform.max-in-service-span": {Doc: "By how much a field of the version may change in one in-service hop.", Range: document.From(0)},
			"Platform.durations":           {Doc: "How long the parts of a change take."},

			"Durations.controller-restart": {Doc: "A controller card, until it is ready for switchover."},
			"Durations.line-card-restart":  {Doc: "One line card, until it forwards."},
			"Durations.device-restart":     {Doc: "The whole device, until it forwards."},
			"Durations.line-card-loss":     {Doc: "How long traffic through one line card is lost when the card is restarted in service."},
			"Durations.transfer-rate":      {Doc: "What one image transfer to the device achieves.", Range: document.Above(0)},

			"VersionScheme.pattern": {Doc: "Regular expression (RE2) with named groups that matches a whole version.", Want: `a regular expression with named groups, such as (?P<major>\d+)\.(?P<minor>\d+)`},
			"VersionScheme.order":   {Doc: "The groups that count, from most to least significant.", NotEmpty: true},

			"OrderField.field": {Doc: "A named group of the pattern."},
			"OrderField.as":    {Doc: "How it is compared.", Words: []string{AsNumber, AsText, AsWords, AsIdentifiers}},
			"OrderField.words": {Doc: "The words in ascending order, where it is compared by them.", Unique: true},
			"OrderField.empty": {Doc: "Where a version without the field sorts; first, unless given.", Words: []string{EmptyFirst, EmptyLast}},

			"Release.version":        {Doc: "The version, as the device reports it. Write it in quotes."},
			"Release.date":           {Doc: "When it was published.", Form: document.Date},
			"Release.support":        {Doc: "State of support.", Words: []string{Supported, EndOfSupport, Withdrawn, Defective}},
			"Release.note":           prose("What one should know about it."),
			"Release.images":         {Doc: "Its files."},
			"Release.requires":       {Doc: "The lowest firmware with which it runs at all."},
			"Release.port-extenders": {Doc: "Parts of port extenders that it supports. Without it, every part.", Unique: true},

			"Image.kind":   {Doc: "Kind of component that it is for.", Words: []string{ImageSystem, ImageBoot, ImageLineCard, ImageManagement, ImageFirmware}},
			"Image.file":   {Doc: "Name of the file on the device.", Form: file},
			"Image.size":   {Doc: "Its size.", Range: document.Above(0)},
			"Image.sha256": {Doc: "SHA-256 of its content.", Form: hash(64)},
			"Image.sha512": {Doc: "SHA-512 of its content.", Form: hash(128)},
			"Image.of":     {Doc: "The release that it belongs to, where that is not the one that lists it."},
			"Image.parts":  {Doc: "Component parts that it is for. Without it, every part of the kind.", Unique: true},

			"Transition.from":    {Doc: "Releases that it starts at.", Want: versions},
			"Transition.to":      {Doc: "Releases that it leads to.", Want: versions},
			"Transition.method":  {Doc: "How it is done.", Words: []string{InService, Reload}},
			"Transition.minutes": {Doc: "How long it takes, firmware steps not included."},
			"Transition.silence": {Doc: "How long the control plane sends nothing. Of a reload only where the device can forward on meanwhile."},
			"Transition.loss":    {Doc: "How long traffic is lost at the switchover. In-service only."},
			"Transition.unless":  {Doc: "Conditions under which it is impossible."},
			"Transition.source":  prose("Where this stands."),

			"Spread.least":  minutes("Least, in minutes."),
			"Spread.likely": minutes("Most likely, in minutes."),
			"Spread.most":   minutes("Most, in minutes."),

			"SilenceRange.least":  {Doc: "Least."},
			"SilenceRange.likely": {Doc: "Most likely."},
			"SilenceRange.most":   {Doc: "Most."},

			"Condition.part":           {Doc: "A component with this part number is present."},
			"Condition.feature":        {Doc: "This feature is in use."},
			"Condition.firmware-below": {Doc: "A component's firmware is below this level."},
			"Condition.reason":         prose("Why that is in the way."),

			"FirmwareLevel.kind":  kind,
			"FirmwareLevel.part":  part,
			"FirmwareLevel.level": level,

			"Firmware.kind":    kind,
			"Firmware.part":    part,
			"Firmware.level":   level,
			"Firmware.minutes": minutes("How long it takes for one component."),
			"Firmware.outage":  {Doc: "Whether it interrupts traffic."},
			"Firmware.image":   {Doc: "The file that carries it."},
			"Firmware.needs":   {Doc: "Releases under which it can be applied. Without it, any.", Want: versions},
		},
	}
}

// Read reads a catalogue from YAML. name stands in the messages. The error is
// of type [document.Problems] and holds every mistake of the file, those of
// [Catalogue.Index] included; the catalogue then is nil.
func Read(name string, src []byte) (*Catalogue, error) {
	doc, err := document.Parse(name, src)
	if err != nil {
		return nil, err
	}
	c, ps := Decode(doc)
	if err := ps.Err(); err != nil {
		return nil, err
	}
	return c, nil
}

// Decode reads a catalogue from a document that is parsed already, so that the
// caller can report mistakes of its own at their places. The catalogue is
// never nil; where there are problems it holds what could be read.
func Decode(doc *document.Document) (*Catalogue, document.Problems) {
	r := reader{doc: doc, catalogue: &Catalogue{}}
	r.problems = doc.Decode(Shape(), r.catalogue)
	plain := len(r.problems)
	ids := map[string]string{}
	for i, p := range r.catalogue.Platforms {
		at := fmt.Sprintf("platforms[%d]", i)
		r.once(ids, "platform", p.ID, at+".id")
		r.platform(p, at)
	}
	r.index(r.problems[:plain])
	return r.catalogue, r.problems
}

type reader struct {
	doc       *document.Document
	catalogue *Catalogue
	problems  document.Problems
}

func (r *reader) report(path, found, want, nearest string) {
	r.problems = append(r.problems, r.doc.Problem(path, found, want, nearest))
}

func (r *reader) once(seen map[string]string, what, name, path string) {
	if first, again := seen[name]; again && name != "" {
		pos, _ := r.doc.At(first)
		r.report(path, fmt.Sprintf("the %s %q a second time; the first is in line %d", what, name, pos.Line), "", "")
		return
	}
	seen[name] = path
}

// platform reports names that stand twice or lead nowhere, and estimates that
// Index does not look at.
func (r *reader) platform(p Platform, at string) {
	versions := map[string]string{}
	var known []string
	complete := !r.problems.Under(at + ".releases")
	for i, rel := range p.Releases {
		r.once(versions, "release", rel.Version, fmt.Sprintf("%s.releases[%d].version", at, i))
		known = append(known, rel.Version)
	}
	for i, rel := range p.Releases {
		files := map[string]string{}
		for j, im := range rel.Images {
			image := fmt.Sprintf("%s.releases[%d].images[%d]", at, i, j)
			r.once(files, "file", im.File, image+".file")
			if _, ok := versions[im.Of]; im.Of != "" && !ok && complete {
				r.report(image+".of", fmt.Sprintf("no release %q of the platform", im.Of), "", document.Nearest(im.Of, known))
			}
		}
	}
	if re, err := regexp.Compile(p.Scheme.Pattern); err == nil && p.Scheme.Pattern != "" && len(groupNames(re)) == 0 {
		r.report(at+".version-scheme.pattern", "a pattern without named groups", `one such as (?P<major>\d+)\.(?P<minor>\d+)`, "")
	}
	var fields []string
	for _, o := range p.Scheme.Order {
		fields = append(fields, o.Field)
	}
	for _, key := range sortedKeys(p.MaxInServiceSpan) {
		if !slices.Contains(fields, key) && !r.schemeless(at, r.problems) {
			path := document.Join(at+".max-in-service-span", key)
			r.problems = append(r.problems, r.doc.KeyProblem(path, fmt.Sprintf("no field %q in the order of versions", key), "", document.Nearest(key, fields)))
		}
	}
	for key, s := range map[string]*Spread{
		"controller-restart": p.Durations.ControllerRestart, "line-card-restart": p.Durations.LineCardRestart, "device-restart": p.Durations.DeviceRestart,
	} {
		if s != nil && (s.Least > s.Likely || s.Likely > s.Most) {
			r.report(at+".durations."+key, fmt.Sprintf("%v, %v, %v", s.Least, s.Likely, s.Most), "least ≤ likely ≤ most", "")
		}
	}
	if s := p.Durations.LineCardLoss; s != nil && (s.Least > s.Likely || s.Likely > s.Most) {
		r.report(at+".durations.line-card-loss", fmt.Sprintf("%v, %v, %v", s.Least, s.Likely, s.Most), "least ≤ likely ≤ most", "")
	}
}

// inScheme finds the field that a problem of a version scheme begins with.
var inScheme = regexp.MustCompile(`^(pattern|order(?:\[\d+\](?:\.\w+(?:\[\d+\])?)?)?): `)

// inRange finds the range that a problem of one of its versions begins with.
var inRange = regexp.MustCompile(`^range "[^"]*": (item \d+: )?`)

// index adds what [Catalogue.Index] finds, at its places in the file. What only
// follows from a mistake that was reported already is left out: plain are
// those of the document itself.
func (r *reader) index(plain document.Problems) {
	_, err := r.catalogue.Index()
	var found Problems
	if !errors.As(err, &found) {
		return
	}
	known := r.problems
	unread := map[string]bool{} // platforms some of whose releases could not be read
	for _, p := range found {
		path := strings.TrimPrefix(strings.TrimPrefix(p.Path, "$"), ".")
		text := strings.TrimPrefix(p.Text, path[strings.LastIndexByte(path, '.')+1:]+": ")
		if m := inScheme.FindStringSubmatch(text); m != nil && strings.HasSuffix(path, "-scheme") {
			path, text = path+"."+m[1], text[len(m[0]):]
		}
		platform, rest, _ := strings.Cut(path, ".")
		if strings.HasPrefix(rest, "releases[") && strings.HasSuffix(rest, "].version") {
			unread[platform] = true
		}
		if known.Under(path) || known.Under(platform+".version-scheme.pattern") || r.follows(path, plain) ||
			unread[platform] && namesReleases(rest) {
			continue
		}
		text, want, _ := strings.Cut(inRange.ReplaceAllString(text, ""), ", want ")
		if around, ok := strings.CutPrefix(want, "one; "); ok {
			text, want = text+"; "+around, ""
		}
		problem := r.doc.Problem(path, strings.TrimPrefix(text, "found "), want, "")
		problem.Err = p
		r.problems = append(r.problems, problem)
	}
}

// follows reports whether a problem at the path may only be the consequence of
// one that the document itself has: of a key that is missing or unknown where
// the path leads, or, for a name of a release, of one among the releases.
func (r *reader) follows(path string, plain document.Problems) bool {
	parent := path[:max(0, strings.LastIndexByte(path, '.'))]
	if _, there := r.doc.At(path); !there && plain.Under(parent) {
		return true
	}
	if slices.ContainsFunc(plain, func(p document.Problem) bool { return p.Field == parent }) {
		return true
	}
	platform, rest, _ := strings.Cut(path, ".")
	return r.schemeless(platform, plain) ||
		namesReleases(rest) && plain.Under(platform+".releases")
}

// schemeless reports whether nothing can be said of a platform's versions,
// because its version scheme is missing or wrong.
func (r *reader) schemeless(platform string, ps document.Problems) bool {
	_, given := r.doc.At(platform + ".version-scheme")
	return !given || ps.Under(platform+".version-scheme")
}

// namesReleases reports whether a field of a platform names releases of it.
func namesReleases(path string) bool {
	return strings.HasPrefix(path, "transitions") && (strings.HasSuffix(path, ".from") || strings.HasSuffix(path, ".to"))
}
