// Package adapter holds what is particular to a platform's command line as
// data: which command tells a fact, what the device asks, how its words become
// ours. An operator writes it as one YAML file.
//
// Read [Adapter] first, then [Read], which checks a file, and [Facts.Take],
// which turns the output of a command into facts. The package types nothing and
// opens nothing; the driver beside it does.
package adapter

import (
	"time"
)

// Adapter is one platform's command line.
type Adapter struct {
	Name      string   `yaml:"adapter"`
	About     string   `yaml:"about,omitempty"`
	Platforms []string `yaml:"platforms,omitempty"` // of the release catalogue, for people
	Session   Session  `yaml:"session"`
	Reads     []Query  `yaml:"reads"`
	// Installation tells what Verify asks: what runs, and what the other
	// controller card says. Without it the release is taken from the facts.
	Installation []Query `yaml:"installation,omitempty"`
	// Packages tells which releases are installed on which controller card.
	Packages   []Query   `yaml:"packages,omitempty"`
	Install    *Install  `yaml:"install,omitempty"`
	SetBoot    *Act      `yaml:"set-boot,omitempty"`    // {version} boots next, nothing restarts
	Preview    *Act      `yaml:"preview,omitempty"`     // asks what begin would do
	Begin      *Act      `yaml:"begin,omitempty"`       // the restart into {version}
	SwitchOver *Act      `yaml:"switch-over,omitempty"` // to {card}
	Restart    *Restart  `yaml:"restart,omitempty"`
	Firmware   *Firmware `yaml:"component-image,omitempty"`
	Files      *Files    `yaml:"files,omitempty"`
	Backup     *Backup   `yaml:"backup,omitempty"`
	Settings   []Setting `yaml:"settings,omitempty"`
	// HasNo lists kinds of thing that the platform does not have, so that a
	// capture without them is complete.
	HasNo       []string `yaml:"has-no,omitempty"`
	Transaction *Frame   `yaml:"transaction,omitempty"`
	// WatchEvery is how often the facts of scope live are read while somebody
	// watches; zero is a second.
	WatchEvery time.Duration `yaml:"watch-every,omitempty"`

	compiled *compiled
}

// Session says how the command line behaves.
type Session struct {
	Prompt    string        `yaml:"prompt"`
	Enter     string        `yaml:"enter,omitempty"`      // the key that ends a line; "lf" where empty
	Cancel    string        `yaml:"cancel,omitempty"`     // the key that leaves a question
	Wake      string        `yaml:"wake,omitempty"`       // the key that wakes a console
	WakeEvery time.Duration `yaml:"wake-every,omitempty"` // zero is two seconds
	Login     []Exchange    `yaml:"login,omitempty"`      // on a console; {user} and {password} stand for them
	Refusals  []string      `yaml:"refusals,omitempty"`
	Logout    string        `yaml:"logout,omitempty"` // the command that ends a session, which a console does not end by itself
	// Mark is the command that puts {mark} into the prompt of this session alone,
	// so that a session of ours on a console is known again.
	Mark string `yaml:"mark,omitempty"`
	// Away is what the last line of a console looks like where this controller card
	// takes no commands now: the other one leads, or this one starts.
	Away []string `yaml:"away,omitempty"`
	// Unasked is what the device writes in the midst of everything else, line ends
	// included.
	Unasked   []string   `yaml:"unasked,omitempty"`
	Start     []string   `yaml:"start,omitempty"` // commands right after login, such as those that switch paging off
	More      []Exchange `yaml:"more,omitempty"`
	Questions []string   `yaml:"questions,omitempty"`
	// BlankLine says that a blank line only brings the prompt again.
	BlankLine bool          `yaml:"blank-line,omitempty"`
	Echoless  bool          `yaml:"echoless,omitempty"`
	Errors    []Complaint   `yaml:"errors,omitempty"`
	Within    time.Duration `yaml:"within,omitempty"`  // how long a command may take; zero is one minute
	AtOnce    int           `yaml:"at-once,omitempty"` // sessions that the device allows us; zero is two

	// PromptVaries says that the prompt changes from one command to the next.
	PromptVaries bool `yaml:"prompt-varies,omitempty"`
}

// Exchange is a question of the device and what is typed: an answer with the
// enter key, or one key alone.
type Exchange struct {
	Expect string `yaml:"expect"`
	Answer string `yaml:"answer,omitempty"`
	Key    string `yaml:"key,omitempty"`
	Secret bool   `yaml:"secret,omitempty"`
	Times  int    `yaml:"times,omitempty"`
}

// Complaint is an output that tells of a failure. A group "text" of the
// pattern is what people are shown; otherwise it is the whole match.
type Complaint struct {
	Pattern string `yaml:"pattern"`
	Kind    string `yaml:"kind"`
}

// Query is a command whose output tells facts.
type Query struct {
	Name    string `yaml:"read,omitempty"`
	Command string `yaml:"command"`
	ForEach string `yaml:"for-each,omitempty"` // once for each thing of that kind, whose fields stand in {…}
	// ForEachWhen leaves out things whose fields do not match these patterns.
	ForEachWhen map[string]string `yaml:"for-each-when,omitempty"`
	Into        string            `yaml:"into,omitempty"`
	Scopes      []string          `yaml:"scopes,omitempty"` // which narrower captures ask it too
	// None matches an output that says there is nothing, which is a fact too.
	None    string             `yaml:"none,omitempty"`
	Parse   Parse              `yaml:"parse"`
	Fields  map[string]string  `yaml:"fields,omitempty"`
	Convert map[string]Convert `yaml:"convert,omitempty"`
	When    map[string]string  `yaml:"when,omitempty"` // rows count only where these columns match
	Within  time.Duration      `yaml:"within,omitempty"`
}

// Parse says how an output becomes rows of named columns.
type Parse struct {
	TextFSM string  `yaml:"textfsm,omitempty"`
	JSON    *JSON   `yaml:"json,omitempty"`
	Lines   string  `yaml:"lines,omitempty"` // a pattern; each line that it matches is a row
	Text    string  `yaml:"text,omitempty"`  // a pattern; each match in the whole output is a row
	Digest  *Digest `yaml:"digest,omitempty"`
}

// JSON takes rows from a JSON text by path.
type JSON struct {
	Each    string            `yaml:"each,omitempty"` // path to what is a row; empty: the whole text
	Columns map[string]string `yaml:"columns"`
}

// Digest makes one row with the column "digest": the SHA-256 of the output.
type Digest struct {
	Ignore []string `yaml:"ignore,omitempty"` // lines that change by themselves
}

// Convert turns a column's text into a field's value. The steps are done in
// the order of the keys here.
type Convert struct {
	Blank []string          `yaml:"blank,omitempty"` // words that stand for no value
	Empty []string          `yaml:"empty,omitempty"` // words that stand for empty text, where that is a value
	Match string            `yaml:"match,omitempty"` // the first group is taken; no match is no value
	Words map[string]string `yaml:"words,omitempty"` // the device's word and ours; "*" is any other
	Unit  string            `yaml:"unit,omitempty"`
	Time  string            `yaml:"time,omitempty"` // how an instant is written
	Zone  string            `yaml:"zone,omitempty"` // of an instant without one; UTC where empty
	// Otherwise holds where the device tells nothing.
	Otherwise string `yaml:"otherwise,omitempty"`
}

// Step is one command of an act.
type Step struct {
	Command  string      `yaml:"command"`
	Dialogue []Exchange  `yaml:"dialogue,omitempty"`
	Only     []string    `yaml:"only,omitempty"`     // typed only where one of these is addressed: primary, secondary, whole
	Success  string      `yaml:"success,omitempty"`  // must be in the output
	Errors   []Complaint `yaml:"errors,omitempty"`   // before those of the session
	Progress string      `yaml:"progress,omitempty"` // lines with a group "percent"
	Result   string      `yaml:"result,omitempty"`   // its groups stand in {…} in later steps
	// NewPrompt says that the prompt is another one afterwards.
	NewPrompt bool `yaml:"new-prompt,omitempty"`
	// MayEnd says that the connection may end before the answer.
	MayEnd bool          `yaml:"may-end,omitempty"`
	Within time.Duration `yaml:"within,omitempty"`
}

// Act is a list of commands that change something.
type Act struct {
	Steps   []Step            `yaml:"steps"`
	Address map[string]string `yaml:"address,omitempty"` // what {where} is for primary, secondary and whole
}

// Install says how a package comes onto the device.
type Install struct {
	Ready    []Step `yaml:"ready,omitempty"` // asks whether {version} of {size} octets may come
	To       string `yaml:"to"`              // the path it is sent to
	Transfer string `yaml:"transfer"`
	// Pull has the device fetch {url} to {path}: with transfer http, and with any
	// other where the fleet file gives a server of images.
	Pull *Step  `yaml:"pull,omitempty"`
	Hash *Query `yaml:"hash,omitempty"` // column sha256, of {path}
	// Copy makes the device copy {version} to {card} from the other controller
	// card, {from}, which has it.
	Copy  []Step `yaml:"copy,omitempty"`
	Steps []Step `yaml:"steps"` // validate {path} and put it where it boots from
	// Follow is asked until it says that the installation is done.
	Follow  *Follow           `yaml:"follow,omitempty"`
	Forget  []Step            `yaml:"forget,omitempty"` // clears away after a failure
	Address map[string]string `yaml:"address,omitempty"`
}

// Follow asks again and again how far something is.
type Follow struct {
	Command  string        `yaml:"command"`
	Every    time.Duration `yaml:"every,omitempty"` // zero is a second
	Progress string        `yaml:"progress,omitempty"`
	Done     string        `yaml:"done"`
	Within   time.Duration `yaml:"within,omitempty"` // zero is half an hour
}

// Restart says how components restart.
type Restart struct {
	Component *Act `yaml:"component,omitempty"` // {component}, for {reason}
	LineCard  *Act `yaml:"line-card,omitempty"` // keeping its forwarding
	Device    *Act `yaml:"device,omitempty"`
}

// Firmware says how firmware for a component comes onto the device.
type Firmware struct {
	To       string `yaml:"to"`
	Transfer string `yaml:"transfer"`
	Pull     *Step  `yaml:"pull,omitempty"` // as of Install
	Hash     *Query `yaml:"hash,omitempty"`
	Steps    []Step `yaml:"steps"`
	Forget   []Step `yaml:"forget,omitempty"`
}

// Files says how files are deleted and hashed. They are listed by a read into
// "file".
type Files struct {
	Path   string `yaml:"path,omitempty"` // how a path is written; "{path}" where empty
	Remove *Act   `yaml:"remove,omitempty"`
	Hash   *Query `yaml:"hash,omitempty"` // column sha256
	// Missing matches an answer that says that there is no such file.
	Missing string `yaml:"missing,omitempty"`
}

// Backup says how the configuration is read for keeping.
type Backup struct {
	Command string        `yaml:"command"`
	Within  time.Duration `yaml:"within,omitempty"`
}

// Setting says how one parameter of a protocol is read and set.
type Setting struct {
	Protocol  string `yaml:"protocol,omitempty"`
	Parameter string `yaml:"parameter"`
	Read      Query  `yaml:"from"` // columns interface, neighbour, instance where they tell settings apart, and value
	Set       []Step `yaml:"set"`
	Unset     []Step `yaml:"unset,omitempty"`
}

// Frame stands around the commands that set, so that all of them hold or none.
type Frame struct {
	Begin   []Step `yaml:"begin"`
	Commit  []Step `yaml:"commit"`
	Abandon []Step `yaml:"abandon"`
}
