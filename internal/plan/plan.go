// Package plan composes what the engines found into one list of steps for a
// device: the same list that the runbook renders for people, the rehearsal
// runs on the emulated lab and the conductor runs on the device.
//
// Read [Plan] and [Step] first, then [Compose], which makes the forward list,
// and [WayBack], which makes the list that returns a device to a release from
// whatever state it is in.
package plan

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/release"
	"towpath/internal/unit"
)

// Plan is everything that one device's change consists of.
type Plan struct {
	Device   fleet.DeviceID `json:"device"`
	Platform string         `json:"platform"`
	From     string         `json:"from"`
	To       string         `json:"to"`
	MadeAt   time.Time      `json:"made_at"`
	// PerController is true where each controller card is installed by itself.
	PerController bool         `json:"per_controller"`
	Path          release.Path `json:"path"`
	Hops          []HopPlan    `json:"hops"`
	Steps         []Step       `json:"steps"`
	// Partners are the other members of the device's redundancy groups.
	Partners []fleet.DeviceID `json:"partners,omitempty"`
	Serves   []string         `json:"serves,omitempty"`
	Cautions []string         `json:"cautions"`
}

// HopPlan is what is foretold of one hop. Each figure stands beside its
// measurement in the evidence.
type HopPlan struct {
	From    string        `json:"from"`
	To      string        `json:"to"`
	Method  string        `json:"method"`
	Silence time.Duration `json:"silence_ns"` // likeliest silence of the control plane
	Least   time.Duration `json:"silence_least_ns"`
	Most    time.Duration `json:"silence_most_ns"`
	Loss    time.Duration `json:"loss_ns"` // likeliest loss of traffic at the switchover
	// LossExpected is the mean loss of the traffic that is hit worst and has no
	// other way: at the switchover, and by adjacencies that drop or restart.
	// LossLeast and LossMost bound what one run can cost it.
	LossExpected time.Duration `json:"loss_expected_ns,omitempty"`
	LossLeast    time.Duration `json:"loss_least_ns,omitempty"`
	LossMost     time.Duration `json:"loss_most_ns,omitempty"`
	// Untouched is the forecast probability that every adjacency holds, with
	// the preparations; Bare is the same without them, where there are any.
	Untouched float64        `json:"untouched"`
	Bare      float64        `json:"untouched_bare,omitempty"`
	Prepare   []Preparation  `json:"preparations,omitempty"`
	Outlook   []Outlook      `json:"outlook,omitempty"`
	Back      string         `json:"back"` // method of the way back, empty where there is none
	NoBack    string         `json:"no_back,omitempty"`
	Images    []ImageRef     `json:"images"`
	Package   ImageRef       `json:"package"` // the one that Install transfers
	Minutes   release.Spread `json:"minutes"`
}

// Outlook is what is foretold of one adjacency.
type Outlook struct {
	Object  string  `json:"object"`  // "bgp 192.0.2.1"
	Outcome string  `json:"outcome"` // holds, at risk, restarts gracefully, drops
	Survive float64 `json:"survive"`
	Why     string  `json:"why"`
	Source  string  `json:"source,omitempty"`
}

// ImageRef names one image file.
type ImageRef struct {
	Kind   string        `json:"kind"`
	File   string        `json:"file"`
	Size   unit.ByteSize `json:"size"`
	SHA256 string        `json:"sha256"`
}

// Phase is one of the phases of an in-service upgrade.
// Source: RFC 7654 §3.
type Phase string

// The phases, in order.
const (
	Download   Phase = "download"
	Staging    Phase = "staging"
	UpgradeRun Phase = "upgrade-run"
	Acceptance Phase = "acceptance"
)

// Phases lists them in order.
func Phases() []Phase { return []Phase{Download, Staging, UpgradeRun, Acceptance} }

// Kind says what a step does.
type Kind string

// The kinds of step.
const (
	CaptureBefore    Kind = "capture-before"     // read and keep the state to compare with
	CheckReadiness   Kind = "check-readiness"    // all readiness rules; a blocker ends the run
	StartProbe       Kind = "start-probe"        // send test traffic and require a clean baseline
	RemoveFile       Kind = "remove-file"        // free space on a volume
	TransferPackage  Kind = "transfer-package"   // send the release's package to a controller card
	TransferFirmware Kind = "transfer-firmware"  // send firmware for one component
	VerifyStaged     Kind = "verify-staged"      // the device confirms what it holds
	PrepareBoot      Kind = "prepare-boot"       // make the release boot next (whole-system kind)
	LoadSecondary    Kind = "load-secondary"     // bring the secondary controller card to the release
	Hold             Kind = "hold-point"         // a named person consents
	LoadFirmware     Kind = "load-firmware"      // restart a component into its new firmware
	Prepare          Kind = "prepare"            // change settings so that neighbours outlive the silence
	ConfirmTimers    Kind = "confirm-timers"     // see what neighbours were set to by hand
	SwitchOver       Kind = "switch-over"        // hand the PRIMARY role over
	LoadLineCard     Kind = "load-line-card"     // restart a line card into the release
	ReloadDevice     Kind = "reload-device"      // restart the whole device into the release
	Restore          Kind = "restore"            // put the settings back as they were found
	ConfirmReleases  Kind = "confirm-components" // every component is at the release
	CompareStates    Kind = "compare"            // the state after against the state before
	JudgeProbe       Kind = "judge-probe"        // loss against the budget
	AcceptHop        Kind = "accept-hop"         // the hop is done; its rollback image may go
)

// Kinds lists every kind of step.
func Kinds() []Kind {
	return []Kind{CaptureBefore, CheckReadiness, StartProbe, RemoveFile, TransferPackage, TransferFirmware, VerifyStaged,
		PrepareBoot, LoadSecondary, Hold, LoadFirmware, Prepare, ConfirmTimers, SwitchOver, LoadLineCard, ReloadDevice, Restore, ConfirmReleases,
		CompareStates, JudgeProbe, AcceptHop}
}

// Changes reports whether a step of the kind alters the device, so that it may
// never be repeated blindly.
func (k Kind) Changes() bool {
	switch k {
	case RemoveFile, TransferPackage, TransferFirmware, PrepareBoot, LoadSecondary, LoadFirmware, Prepare, SwitchOver, LoadLineCard, ReloadDevice, Restore:
		return true
	case CaptureBefore, CheckReadiness, StartProbe, VerifyStaged, Hold, ConfirmTimers, ConfirmReleases, CompareStates, JudgeProbe, AcceptHop:
		return false
	}
	return false
}

// Touches reports whether a step of the kind alters how the device runs, so
// that stopping after it needs a way back. Files on a volume do not.
func (k Kind) Touches() bool {
	switch k {
	case PrepareBoot, LoadSecondary, LoadFirmware, Prepare, SwitchOver, LoadLineCard, ReloadDevice, Restore:
		return true
	case CaptureBefore, CheckReadiness, StartProbe, RemoveFile, TransferPackage, TransferFirmware, VerifyStaged,
		Hold, ConfirmTimers, ConfirmReleases, CompareStates, JudgeProbe, AcceptHop:
		return false
	}
	return false
}

// Remedy says what is done when a step fails or a guard breaks during it.
type Remedy string

// The remedies.
const (
	// Stop ends the run: nothing that matters has been changed.
	Stop Remedy = "stop"
	// RollBack returns the device to the release that the hop began with.
	RollBack Remedy = "roll-back"
	// Pause waits for a person, who is told the reason and the choices.
	Pause Remedy = "pause"
)

// Step is one typed step.
type Step struct {
	ID        string   `json:"id"`
	Hop       int      `json:"hop"` // index into Plan.Hops
	Phase     Phase    `json:"phase"`
	Kind      Kind     `json:"kind"`
	Title     string   `json:"title"`
	Component string   `json:"component,omitempty"` // controller card, line card or other component acted on
	Release   string   `json:"release,omitempty"`   // that it brings or confirms
	Image     ImageRef `json:"image,omitzero"`
	File      string   `json:"file,omitempty"` // remove-file
	Standby   bool     `json:"standby,omitempty"`
	// Ends are the settings that a prepare step makes, and at which a restore
	// step puts back what the prepare step found and the journal keeps. At a hold
	// point they are what a person has made or, with Undo, put back.
	Ends []End `json:"ends,omitempty"`
	Undo bool  `json:"undo,omitempty"`
	// Primary and Secondary are, of a restart of the whole device, the roles that
	// the steps after it go by. Where the cards come up the other way round, those
	// steps are about the other card each ([Swapped]).
	Primary   string `json:"primary,omitempty"`
	Secondary string `json:"secondary,omitempty"`
	// Settle is how long is waited after the settings hold.
	Settle time.Duration `json:"settle_ns,omitempty"`
	// Before must hold, by a fresh reading of the device, at the moment of the act.
	Before []Condition `json:"before,omitempty"`
	// After makes the step done; it is what the conductor waits for.
	After    []Condition   `json:"after,omitempty"`
	Expect   Law           `json:"expect"`
	Deadline time.Duration `json:"deadline_ns"`
	OnFail   Remedy        `json:"on_fail"`
	// PointOfNoReturn marks the step after which going back costs an outage or
	// a second switchover.
	PointOfNoReturn bool `json:"point_of_no_return,omitempty"`
	// Loss is what the step is foretold to cost traffic; nil where it touches none.
	Loss   *Loss     `json:"loss,omitempty"`
	Guards []Guard   `json:"guards,omitempty"`
	Hold   *HoldSpec `json:"hold,omitempty"`
}

// Swapped is the steps with the two controller cards in each other's place, in
// what they do, need, promise and say. The steps given are not changed.
func Swapped(steps []Step, a, b string) []Step {
	names := strings.NewReplacer(a, b, b, a)
	other := func(c string) string {
		switch c {
		case a:
			return b
		case b:
			return a
		}
		return c
	}
	swap := func(cs []Condition) []Condition {
		out := slices.Clone(cs)
		for i := range out {
			out[i].Component = other(out[i].Component)
		}
		return out
	}
	out := slices.Clone(steps)
	for i := range out {
		s := &out[i]
		s.Component, s.Primary, s.Secondary = other(s.Component), other(s.Primary), other(s.Secondary)
		s.Title, s.Before, s.After = names.Replace(s.Title), swap(s.Before), swap(s.After)
		if s.Loss != nil {
			loss := *s.Loss
			loss.Of = names.Replace(loss.Of)
			s.Loss = &loss
		}
		if s.Hold != nil {
			hold := *s.Hold
			hold.Ask, hold.Ahead = names.Replace(hold.Ask), slices.Clone(hold.Ahead)
			for k := range hold.Ahead {
				hold.Ahead[k].Title = names.Replace(hold.Ahead[k].Title)
				hold.Ahead[k].Loss.Of = names.Replace(hold.Ahead[k].Loss.Of)
			}
			s.Hold = &hold
		}
	}
	return out
}

// Law is a three-point estimate of how long a step takes.
type Law struct {
	Least  time.Duration `json:"least_ns"`
	Likely time.Duration `json:"likely_ns"`
	Most   time.Duration `json:"most_ns"`
}

// Mean is the PERT mean, (least + 4 likely + most) / 6.
// Source: from memory, Malcolm et al. 1959.
func (l Law) Mean() time.Duration { return (l.Least + 4*l.Likely + l.Most) / 6 }

// HoldSpec is a hold point.
type HoldSpec struct {
	Ask     string   `json:"ask"`
	Persons []string `json:"persons,omitempty"` // empty: any named person
	// Ahead are the steps that the consent covers: all that can touch traffic
	// between this hold point and the next.
	Ahead []Effect `json:"ahead,omitempty"`
}

// Guard is a condition watched while a step runs.
type Guard string

// The guards.
const (
	GuardConfiguration Guard = "configuration-change" // somebody else changes the configuration
	GuardTopology      Guard = "topology-change"      // spanning tree moves
	GuardPartner       Guard = "partner-down"         // a partner of a redundancy group fails
	GuardAdjacency     Guard = "adjacency-lost"       // an adjacency is lost and does not return
	GuardPower         Guard = "power-lost"           // a feed or supply fails
	GuardRoles         Guard = "roles-changed"        // an unexpected switchover
	GuardLoss          Guard = "loss-over-budget"     // the probe loses more than the policy allows
)

// Fact is what a condition looks at.
type Fact string

// The facts that conditions look at.
const (
	FactRole       Fact = "role"           // of a controller card: PRIMARY or SECONDARY
	FactRelease    Fact = "release"        // software version of a component
	FactReady      Fact = "ready"          // secondary ready for switchover: "true"
	FactOper       Fact = "operational"    // operational status of a component
	FactInstalled  Fact = "installed"      // the controller card holds the release
	FactBootNext   Fact = "boots-next"     // release that a controller card boots next
	FactNoFile     Fact = "file-gone"      // Value is the path
	FactFirmware   Fact = "firmware"       // firmware level of a component
	FactRestarted  Fact = "restarted"      // boot time is later than before the act
	FactSystem     Fact = "system-release" // what the device as a whole says it runs
	FactFileStaged Fact = "file-there"     // Value is the path
	FactSetting    Fact = "setting"        // Value is the setting in words; read by the setting itself
	FactPutBack    Fact = "put-back"       // the setting, named as in FactSetting, is what was found before
	FactWaitsFor   Fact = "waits-for"      // the neighbour of the adjacency named waits at least so long for us
	FactWaits      Fact = "waits"          // and the device for it
	FactActs       Fact = "acts-as"        // role of the device in the adjacency named
)

// Condition is one fact about the device, evaluated on a fresh reading.
type Condition struct {
	Fact      Fact   `json:"fact"`
	Component string `json:"component,omitempty"`
	Value     string `json:"value,omitempty"`
}

// Text is the condition in words.
func (c Condition) Text() string {
	switch c.Fact {
	case FactRole:
		return fmt.Sprintf("%s is %s", c.Component, c.Value)
	case FactRelease:
		return fmt.Sprintf("%s runs %s", c.Component, c.Value)
	case FactReady:
		return fmt.Sprintf("%s is ready for switchover", c.Component)
	case FactOper:
		return fmt.Sprintf("%s is %s", c.Component, c.Value)
	case FactInstalled:
		return fmt.Sprintf("%s holds release %s", c.Component, c.Value)
	case FactBootNext:
		return fmt.Sprintf("%s boots %s next", c.Component, c.Value)
	case FactNoFile:
		return fmt.Sprintf("%s no longer holds %s", c.Component, c.Value)
	case FactFileStaged:
		return fmt.Sprintf("%s holds file %s", c.Component, c.Value)
	case FactFirmware:
		return fmt.Sprintf("%s has firmware %s", c.Component, c.Value)
	case FactRestarted:
		return fmt.Sprintf("%s has restarted", c.Component)
	case FactSetting:
		return fmt.Sprintf("%s has %s", c.Component, c.Value)
	case FactPutBack:
		return fmt.Sprintf("%s is again as before it had %s", c.Component, c.Value)
	case FactWaitsFor:
		return fmt.Sprintf("the neighbour of %s waits at least %s for us", c.Component, c.Value)
	case FactWaits:
		return fmt.Sprintf("the device waits at least %s for the neighbour of %s", c.Value, c.Component)
	case FactActs:
		return fmt.Sprintf("the device is %s in %s", c.Value, c.Component)
	case FactSystem:
		return fmt.Sprintf("the device says that it runs %s", c.Value)
	}
	return string(c.Fact)
}

// Expected returns the sum of the mean durations of the steps from the index
// on, holds not counted: how long what is left should take.
func (p *Plan) Expected(from int) time.Duration {
	var sum time.Duration
	for i := from; i < len(p.Steps); i++ {
		sum += p.Steps[i].Expect.Mean()
	}
	return sum
}

// Digest is the SHA-256 of the plan's JSON form, lower-case hex. A consent is
// given to a digest, so that it cannot be carried over to another plan.
func (p *Plan) Digest() (string, error) {
	b, err := json.Marshal(p)
	if err != nil {
		return "", fmt.Errorf("plan: encode: %w", err)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}

// Cautions are printed where a change is approved or run.
func Cautions() []string {
	return []string{
		"This work can interrupt emergency calls, hospitals and signalling that this network carries. Tell those who depend on it first.",
		"Your change authority, the maker's documents, local codes and licensed practice come before this tool.",
		"Have a person on site or a tested out-of-band console before the first step, and stop at the first difference that nobody can explain.",
	}
}
