package adapter

import (
	"regexp"

	"towpath/internal/device"
	"towpath/internal/document"
)

// keyCodes are the keys that an adapter may name, with what they send.
func keyCodes() map[string]string {
	return map[string]string{
		"lf": "\n", "cr": "\r", "crlf": "\r\n", "space": " ", "tab": "\t", "escape": "\x1b",
		"ctrl-c": "\x03", "ctrl-d": "\x04", "ctrl-y": "\x19", "ctrl-z": "\x1a",
	}
}

// Key is what a named key sends; one character stands for itself.
func Key(name string) string {
	if code, ok := keyCodes()[name]; ok {
		return code
	}
	return name
}

// complaintKinds are the kinds of failure that a device's words may tell of.
func complaintKinds() map[string]device.Kind {
	return map[string]device.Kind{
		"busy": device.Busy, "refused": device.Refused, "wrong-image": device.WrongImage, "damaged": device.Damaged, "no-space": device.NoSpace,
		"moved": device.Moved, "missing": device.Missing, "denied": device.Denied, "unable": device.Unable, "outcome-unknown": device.OutcomeUnknown,
	}
}

// The methods of transfer.
const (
	TransferSFTP = "sftp"
	TransferSCP  = "scp"
	TransferHTTP = "http" // the device fetches it from us
)

// Shape describes an adapter file.
func Shape() *document.Shape {
	pattern := func(doc string) document.Field { return document.Field{Doc: doc, Prose: true} }
	key := &document.Form{
		Want:    "one character, or a key such as lf, cr, space, escape, ctrl-c",
		Pattern: `^([!-~]|lf|cr|crlf|space|tab|escape|ctrl-[cdyz])$`,
		Check:   regexp.MustCompile(`^([!-~]|lf|cr|crlf|space|tab|escape|ctrl-[cdyz])$`).MatchString,
	}
	enter := document.Field{Doc: "The key that ends a typed line; a line feed where it is left out.", Words: []string{"lf", "cr", "crlf"}}
	command := func(doc string) document.Field { return document.Field{Doc: doc + " Placeholders stand in braces."} }
	within := document.Field{Doc: "How long it may take.", Range: document.Above(0)}
	transfer := document.Field{Doc: "How the octets come onto the device.", Words: []string{TransferSFTP, TransferSCP, TransferHTTP}}
	steps := func(doc string) document.Field { return document.Field{Doc: doc, NotEmpty: true} }
	kinds := []string{"busy", "refused", "wrong-image", "damaged", "no-space", "moved", "missing", "denied", "unable", "outcome-unknown"}
	return &document.Shape{
		Name: "adapter",
		Doc:  "What is particular to one platform's command line: commands, the questions it asks, and how its words become facts.",
		Types: map[string]string{
			"Adapter":   "One platform's command line.",
			"Session":   "How the command line behaves.",
			"Exchange":  "A question of the device and what is typed.",
			"Complaint": "An output that tells of a failure.",
			"Query":     "A command whose output tells facts.",
			"Parse":     "How an output becomes rows of named columns.",
			"JSON":      "Rows from a JSON text, by path.",
			"Digest":    "One row with the SHA-256 of the output.",
			"Convert":   "How a column's text becomes a field's value.",
			"Step":      "One command of an act.",
			"Act":       "Commands that change something.",
			"Install":   "How a package comes onto the device.",
			"Follow":    "A question that is asked until something is done.",
			"Restart":   "How components restart.",
			"Firmware":  "How firmware for a component comes onto the device.",
			"Files":     "How files are deleted and hashed.",
			"Backup":    "How the configuration is read for keeping.",
			"Setting":   "How one parameter of a protocol is read and set.",
			"Frame":     "What stands around commands that set.",
		},
		Exactly: map[string][]string{
			"Parse":    {"textfsm", "json", "lines", "text", "digest"},
			"Exchange": {"answer", "key"},
		},
		Fields: map[string]document.Field{
			"Adapter.adapter":         {Doc: "The adapter's name.", Form: document.Name},
			"Adapter.about":           {Doc: "What it is for, in the operator's words.", Prose: true},
			"Adapter.platforms":       {Doc: "Platforms of the release catalogue that it fits.", Unique: true},
			"Adapter.session":         {Doc: "How the command line behaves."},
			"Adapter.reads":           {Doc: "The commands that tell facts.", NotEmpty: true},
			"Adapter.installation":    {Doc: "The commands that tell what runs and what the other controller card says."},
			"Adapter.packages":        {Doc: "The commands that tell which releases are installed."},
			"Adapter.install":         {Doc: "How a package comes onto the device. Without it the device cannot be installed."},
			"Adapter.set-boot":        {Doc: "Makes {version} boot next; nothing restarts."},
			"Adapter.preview":         {Doc: "Asks what begin would do, and changes nothing."},
			"Adapter.begin":           {Doc: "Restarts into {version}."},
			"Adapter.switch-over":     {Doc: "Hands the PRIMARY role to {card}."},
			"Adapter.restart":         {Doc: "Restarts components."},
			"Adapter.component-image": {Doc: "Transfers firmware for one component."},
			"Adapter.files":           {Doc: "Deletes and hashes files."},
			"Adapter.backup":          {Doc: "Reads the configuration for keeping."},
			"Adapter.settings":        {Doc: "Parameters of protocols that can be read and set."},
			"Adapter.has-no":          {Doc: "Kinds of thing that the platform does not have.", Words: TargetNames(), Unique: true},
			"Adapter.transaction":     {Doc: "What makes several settings hold together or not at all."},
			"Adapter.watch-every":     {Doc: "How often facts are read while the device is watched; a second where it is left out.", Range: document.Above(0)},

			"Session.prompt":     pattern("What a prompt looks like: a pattern for the whole unfinished line."),
			"Session.enter":      enter,
			"Session.cancel":     {Doc: "The key that leaves a question.", Form: key},
			"Session.wake":       {Doc: "The key that wakes a sleeping console.", Form: key},
			"Session.wake-every": {Doc: "How often it is typed while nothing comes.", Range: document.Above(0)},
			"Session.login":      {Doc: "The questions before the first prompt, on a console. {user} and {password} stand for them."},
			"Session.refusals":   pattern("What the device says when it does not let us in."),
			"Session.logout":     command("The command that ends the session. On a console it is typed at the end, so that nobody finds our session open."),
			"Session.mark":       command("The command that puts {mark} into the prompt of this session alone. After a broken connection our session on a console is known by it from everybody else's."),
			"Session.away":       pattern("What the last line of a console looks like where this controller card takes no commands now: the other one leads, or this one starts."),
			"Session.unasked":    pattern("What the device writes in the midst of everything else, such as a message on a console: all that it inserts, line ends included."),
			"Session.start":      command("Commands right after the login, such as those that switch paging off."),
			"Session.more":       {Doc: "The questions of a pager."},
			"Session.questions":  pattern("What an unfinished line looks like that waits for a person."),
			"Session.blank-line": {Doc: "Whether a blank line only brings the prompt again. It is then typed after each command, to make sure of the end of the output."},
			"Session.echoless":   {Doc: "Whether the device does not repeat what is typed."},
			"Session.errors":     {Doc: "Outputs of any command that tell of a failure."},
			"Session.within":     {Doc: "How long a command may take that says nothing else; a minute where it is left out.", Range: document.Above(0)},
			"Session.at-once":    {Doc: "How many sessions the device allows; two where it is left out.", Range: document.Between(1, 16)},

			"Session.prompt-varies": {Doc: "Whether the prompt carries what changes from one command to the next, such as a counter, a clock or a mark of unsaved changes. Without it the prompt is learned exactly, which is safer; a command after which it is another one says new-prompt."},

			"Exchange.expect": pattern("The question: a pattern that ends where the device stops."),
			"Exchange.answer": {Doc: "What is typed, with the enter key."},
			"Exchange.key":    {Doc: "The one key that is typed.", Form: key},
			"Exchange.secret": {Doc: "Whether the answer is kept out of the transcript."},
			"Exchange.times":  {Doc: "How often it may be answered; once where it is left out.", Range: document.Between(1, 1000)},

			"Complaint.pattern": pattern("What the device says. A group named text is what people are shown."),
			"Complaint.kind":    {Doc: "What kind of failure that is.", Words: kinds},

			"Query.read":          {Doc: "Its name, for people."},
			"Query.command":       command("What is typed."),
			"Query.for-each":      {Doc: "Ask once for each thing of this kind that was read before; its fields are placeholders.", Words: TargetNames()},
			"Query.for-each-when": pattern("Leaves out things whose fields do not match these patterns."),
			"Query.into":          {Doc: "The kind of thing that it tells of.", Words: append(TargetNames(), intoPackage, intoInstallation, intoHash, intoSetting)},
			"Query.scopes":        {Doc: "Which narrower captures ask it too: components, live.", Words: []string{"components", "live"}, Unique: true},
			"Query.none":          pattern("An output that says that there is nothing."),
			"Query.parse":         {Doc: "How the output becomes rows."},
			"Query.fields":        {Doc: "Fields from constants and columns, such as \"bgp\" or \"{NAME}/{SLOT}\". A column named like a field fills it without this.", Prose: true},
			"Query.convert":       {Doc: "How texts become values, by field."},
			"Query.when":          pattern("Rows count only where these columns match these patterns."),
			"Query.within":        within,

			"Parse.textfsm": {Doc: "A TextFSM template; its values are the columns.", Prose: true},
			"Parse.json":    {Doc: "Rows from a JSON text."},
			"Parse.lines":   pattern("A pattern for one line; its named groups are the columns."),
			"Parse.text":    pattern("A pattern for the whole output; each match is a row."),
			"Parse.digest":  {Doc: "The SHA-256 of the output, in the column digest."},

			"JSON.each":     {Doc: "The path to what is a row, such as .peers.*; the whole text where it is left out."},
			"JSON.columns":  {Doc: "Columns and their paths below a row; ^1 is the key that the first star stood for."},
			"Digest.ignore": pattern("Lines that change by themselves."),

			"Convert.blank":     {Doc: "Words that stand for no value."},
			"Convert.empty":     {Doc: "Words that stand for empty text, where that is a value, such as nobody for the holder of a lock."},
			"Convert.match":     pattern("The first group is taken; no match is no value."),
			"Convert.words":     {Doc: "The device's words and ours. * stands for any other word; without it an unknown word is told and not taken."},
			"Convert.unit":      {Doc: "The unit of a number; clock is a time such as 1d02h03m or 02:11:09.", Words: unitWords()},
			"Convert.time":      {Doc: "How an instant is written: rfc3339, epoch, epoch-ms, epoch-ns, ago, in, or 2006-01-02 15:04:05 in the device's own form."},
			"Convert.otherwise": {Doc: "The value that holds where the device tells nothing."},
			"Convert.zone":      {Doc: "The zone of an instant that names none, such as Europe/Berlin; UTC where it is left out."},

			"Step.command":    command("What is typed."),
			"Step.dialogue":   {Doc: "What the device asks, and the answers. Anything else that it asks is cancelled."},
			"Step.only":       {Doc: "Typed only where one of these is addressed.", Words: []string{"primary", "secondary", "whole"}, Unique: true},
			"Step.success":    pattern("What the output must hold."),
			"Step.errors":     {Doc: "Outputs that tell of a failure, before those of the session."},
			"Step.progress":   pattern("Lines that tell how far it is, with a group named percent."),
			"Step.result":     pattern("A pattern whose groups are placeholders of later steps."),
			"Step.new-prompt": {Doc: "Whether the prompt is another one afterwards."},
			"Step.may-end":    {Doc: "Whether the connection may end before the answer, as at a restart."},
			"Step.within":     within,

			"Act.steps":   steps("The commands, in order."),
			"Act.address": {Doc: "What {where} is where primary, secondary or whole is addressed."},

			"Install.ready":    {Doc: "Asks whether {version} of {size} octets may come."},
			"Install.to":       command("The path that the package is sent to."),
			"Install.transfer": transfer,
			"Install.pull":     {Doc: "Has the device fetch {url} to {path}: with transfer http, and with any other where the fleet file gives an image-server."},
			"Install.hash":     {Doc: "Has the device hash {path}; column sha256."},
			"Install.copy":     {Doc: "Copies {version} to {card} from the other controller card {from}, which has it."},
			"Install.steps":    steps("Validate {path} and put it where the device boots from."),
			"Install.follow":   {Doc: "Asked until the installation is done."},
			"Install.forget":   {Doc: "Clears away after a failure."},
			"Install.address":  {Doc: "What {where} is where primary, secondary or whole is addressed."},

			"Follow.command":  command("What is typed."),
			"Follow.every":    {Doc: "How often; a second where it is left out.", Range: document.Above(0)},
			"Follow.progress": pattern("A group named percent."),
			"Follow.done":     pattern("What the output holds once it is done."),
			"Follow.within":   {Doc: "How long it may take in all; half an hour where it is left out.", Range: document.Above(0)},

			"Restart.component": {Doc: "Restarts {component}."},
			"Restart.line-card": {Doc: "Restarts the line card {component} and keeps its forwarding."},
			"Restart.device":    {Doc: "Restarts everything."},

			"Firmware.to":       command("The path that the image is sent to."),
			"Firmware.transfer": transfer,
			"Firmware.pull":     {Doc: "Has the device fetch {url} to {path}: with transfer http, and with any other where the fleet file gives an image-server."},
			"Firmware.hash":     {Doc: "Has the device hash {path}; column sha256."},
			"Firmware.steps":    steps("Make it take effect at the next restart of {component}."),
			"Firmware.forget":   {Doc: "Clears away after a failure."},

			"Files.path":    command("How a path is written, from {controller} and {path}."),
			"Files.remove":  {Doc: "Deletes {path}."},
			"Files.hash":    {Doc: "Hashes {path}; column sha256."},
			"Files.missing": pattern("An answer that says that there is no such file."),

			"Backup.command": command("What is typed."),
			"Backup.within":  within,

			"Setting.protocol":  {Doc: "The protocol, such as bgp; left out for what belongs to none."},
			"Setting.parameter": {Doc: "The parameter, such as hold-time."},
			"Setting.from":      {Doc: "The command that tells it."},
			"Setting.set":       steps("Make it {value}."),
			"Setting.unset":     {Doc: "Remove it, so that the device's own default holds."},

			"Frame.begin":   {Doc: "Before the commands that set."},
			"Frame.commit":  steps("Make all of them hold."),
			"Frame.abandon": {Doc: "Make none of them hold."},
		},
	}
}
