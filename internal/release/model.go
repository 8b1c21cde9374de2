// Package release holds what the maker of a platform publishes about its
// software: versions and how they compare, images, the transitions that are
// allowed between releases and under what conditions. From it and a device's
// present state it finds the hop paths.
//
// Read [Catalogue] first, then [Catalogue.Index], [Index.Search] and [Fit].
package release

import (
	"time"

	"towpath/internal/unit"
)

// Catalogue is what is known about releases, per platform.
type Catalogue struct {
	Platforms []Platform `yaml:"platforms" json:"platforms"`
}

// Platform is a family of devices that run the same software.
type Platform struct {
	ID          string        `yaml:"id" json:"id"`
	Description string        `yaml:"description,omitempty" json:"description,omitempty"`
	Scheme      VersionScheme `yaml:"version-scheme" json:"version-scheme"`
	// PerController is true where each controller card is installed by itself.
	PerController bool         `yaml:"per-controller,omitempty" json:"per-controller,omitempty"`
	Releases      []Release    `yaml:"releases" json:"releases"`
	Transitions   []Transition `yaml:"transitions" json:"transitions"`
	Firmware      []Firmware   `yaml:"firmware,omitempty" json:"firmware,omitempty"`
	// FirmwareScheme says how firmware levels compare; nil means natural order:
	// runs of digits by value, other octets as they are.
	FirmwareScheme *VersionScheme `yaml:"firmware-scheme,omitempty" json:"firmware-scheme,omitempty"`
	// MaxInServiceSpan, when not empty, bounds an in-service hop: the value of
	// the named field may change by at most so much (a multi-hop rule) while
	// the more significant fields stay the same.
	MaxInServiceSpan map[string]int `yaml:"max-in-service-span,omitempty" json:"max-in-service-span,omitempty"`
	Durations        Durations      `yaml:"durations,omitempty" json:"durations,omitzero"`
}

// Durations are the maker's figures for the parts of a change on a platform.
// A part that is not given is estimated from the minutes of the hop.
type Durations struct {
	ControllerRestart *Spread `yaml:"controller-restart,omitempty" json:"controller-restart,omitempty"` // until ready for switchover
	LineCardRestart   *Spread `yaml:"line-card-restart,omitempty" json:"line-card-restart,omitempty"`   // one card, until it forwards
	DeviceRestart     *Spread `yaml:"device-restart,omitempty" json:"device-restart,omitempty"`         // the whole device, until it forwards
	// LineCardLoss is how long traffic through one line card is lost when the card
	// is restarted in service, into software or firmware.
	LineCardLoss *SilenceRange `yaml:"line-card-loss,omitempty" json:"line-card-loss,omitempty"`
	// TransferRate is what one image transfer to the device achieves.
	TransferRate unit.BitRate `yaml:"transfer-rate,omitempty" json:"transfer-rate,omitempty"`
}

// VersionScheme says how a platform writes versions. Pattern is a regular
// expression (RE2) with named groups; Order lists the groups from most to
// least significant, each compared as a number, or as text, or by a list of
// words.
type VersionScheme struct {
	Pattern string       `yaml:"pattern" json:"pattern"`
	Order   []OrderField `yaml:"order" json:"order"`
}

// OrderField is one field of a version in the order of comparison.
type OrderField struct {
	Field string `yaml:"field" json:"field"`
	As    string `yaml:"as" json:"as"` // "number", "text", "words" or "identifiers"
	// Words in ascending order, for As "words"; a version without the field
	// sorts where Empty stands: "first" or "last" (default first).
	Words []string `yaml:"words,omitempty" json:"words,omitempty"`
	Empty string   `yaml:"empty,omitempty" json:"empty,omitempty"`
}

// The states of support of a release.
const (
	Supported    = "supported"
	EndOfSupport = "end-of-support"
	Withdrawn    = "withdrawn"
	Defective    = "defective"
)

// Release is one version of a platform's software.
type Release struct {
	Version string  `yaml:"version" json:"version"`
	Date    string  `yaml:"date,omitempty" json:"date,omitempty"` // RFC 3339 full-date
	Support string  `yaml:"support,omitempty" json:"support,omitempty"`
	Note    string  `yaml:"note,omitempty" json:"note,omitempty"`
	Images  []Image `yaml:"images,omitempty" json:"images,omitempty"`
	// Requires lists the lowest firmware per component kind with which the
	// release runs at all.
	Requires []FirmwareLevel `yaml:"requires,omitempty" json:"requires,omitempty"`
	// PortExtenders lists the extender parts that the release supports; empty
	// means every part.
	PortExtenders []string `yaml:"port-extenders,omitempty" json:"port-extenders,omitempty"`
}

// The kinds of image. A chassis upgrade touches all of them.
const (
	ImageSystem     = "system"
	ImageBoot       = "boot"
	ImageLineCard   = "line-card"
	ImageManagement = "management-processor"
	ImageFirmware   = "firmware"
)

// Image is a file that carries a release, or a part of one, for one kind of
// component.
type Image struct {
	Kind   string        `yaml:"kind" json:"kind"`
	File   string        `yaml:"file" json:"file"`
	Size   unit.ByteSize `yaml:"size" json:"size"`
	SHA256 string        `yaml:"sha256,omitempty" json:"sha256,omitempty"`
	SHA512 string        `yaml:"sha512,omitempty" json:"sha512,omitempty"`
	// Of is the release that this image belongs to where it differs from the
	// one that lists it; a set with two different ones is incompatible.
	Of    string   `yaml:"of,omitempty" json:"of,omitempty"`
	Parts []string `yaml:"parts,omitempty" json:"parts,omitempty"` // component parts it is for; empty: all of the kind
}

// The methods of a transition.
const (
	InService = "in-service"
	Reload    = "reload"
)

// Transition is an allowed change between releases. From and To are ranges:
// one version, "a..b" (both ends included), "a.." and "..b", or a
// comma-separated list of those; "*" is every version. Each transition is a
// permission by itself: where several cover the same pair of releases, any one
// that can be taken is enough. An in-service transition whose ranges overlap
// covers only the pairs that go up; one whose To lies wholly below its From is
// a way back. A release is never its own next.
type Transition struct {
	From    string `yaml:"from" json:"from"`
	To      string `yaml:"to" json:"to"`
	Method  string `yaml:"method" json:"method"`
	Minutes Spread `yaml:"minutes" json:"minutes"`
	// Silence is how long the control plane sends nothing. A reload has one only
	// where the device can forward on while its control plane restarts, as a
	// software router does; without one nothing is forecast to survive it.
	Silence *SilenceRange `yaml:"silence,omitempty" json:"silence,omitempty"`
	Loss    *SilenceRange `yaml:"loss,omitempty" json:"loss,omitempty"` // in-service only: of traffic at the switchover
	Unless  []Condition   `yaml:"unless,omitempty" json:"unless,omitempty"`
	Source  string        `yaml:"source,omitempty" json:"source,omitempty"`
}

// Spread is a three-point estimate in minutes (PERT).
type Spread struct {
	Least  float64 `yaml:"least" json:"least"`
	Likely float64 `yaml:"likely" json:"likely"`
	Most   float64 `yaml:"most" json:"most"`
}

// SilenceRange is a three-point estimate of a duration.
type SilenceRange struct {
	Least  time.Duration `yaml:"least" json:"least"`
	Likely time.Duration `yaml:"likely" json:"likely"`
	Most   time.Duration `yaml:"most" json:"most"`
}

// Condition makes a transition impossible when it holds. Exactly one of Part,
// Feature and Firmware is set.
type Condition struct {
	Part     string         `yaml:"part,omitempty" json:"part,omitempty"`       // a component with this part is present
	Feature  string         `yaml:"feature,omitempty" json:"feature,omitempty"` // this feature is in use
	Firmware *FirmwareLevel `yaml:"firmware-below,omitempty" json:"firmware-below,omitempty"`
	Reason   string         `yaml:"reason" json:"reason"`
}

// FirmwareLevel is a lowest level for a kind of component, and optionally a
// part.
type FirmwareLevel struct {
	Kind  string `yaml:"kind" json:"kind"` // OpenConfig platform type
	Part  string `yaml:"part,omitempty" json:"part,omitempty"`
	Level string `yaml:"level" json:"level"`
}

// Firmware is an available step that raises a component's firmware.
type Firmware struct {
	Kind    string  `yaml:"kind" json:"kind"`
	Part    string  `yaml:"part,omitempty" json:"part,omitempty"`
	Level   string  `yaml:"level" json:"level"`
	Minutes float64 `yaml:"minutes" json:"minutes"`       // per component
	Outage  bool    `yaml:"outage" json:"outage"`         // whether it interrupts traffic
	Image   Image   `yaml:"image" json:"image"`           // file that carries it
	Needs   string  `yaml:"needs,omitempty" json:"needs"` // range of releases under which it can be applied; empty: any
}

// Present is what a device is now, as far as the search needs it.
type Present struct {
	Device     string      `json:"device"`
	Platform   string      `json:"platform"`
	Release    string      `json:"release"`
	Components []Installed `json:"components"`
	Features   []string    `json:"features"`
}

// Installed is one component of a device as the search sees it.
type Installed struct {
	Name     string `json:"name"`
	Kind     string `json:"kind"`
	Part     string `json:"part"`
	Firmware string `json:"firmware"` // empty: unknown
}

// FirmwareStep raises the firmware of one component before a hop.
type FirmwareStep struct {
	Component string  `json:"component"`
	From      string  `json:"from"`
	To        string  `json:"to"`
	Minutes   float64 `json:"minutes"`
	Outage    bool    `json:"outage"`
	Image     Image   `json:"image"`
}

// Hop is one transition taken, with the firmware steps that come before it.
// Minutes are the transition's own, without the firmware steps.
type Hop struct {
	From     string         `json:"from"`
	To       string         `json:"to"`
	Method   string         `json:"method"`
	Firmware []FirmwareStep `json:"firmware,omitempty"`
	Minutes  Spread         `json:"minutes"`
	Silence  *SilenceRange  `json:"silence,omitempty"`
	Loss     *SilenceRange  `json:"loss,omitempty"`
	Source   string         `json:"source,omitempty"`
}

// Path is a sequence of hops to the target, with what it costs and the way
// back.
type Path struct {
	Hops []Hop `json:"hops"`
	Cost Cost  `json:"cost"`
	// Back is the way back from the target to the present release, empty where
	// there is none; BackCost then is meaningless.
	Back     []Hop  `json:"back,omitempty"`
	BackCost Cost   `json:"back_cost"`
	NoBack   string `json:"no_back,omitempty"` // why there is no way back
	// Equal is how many paths have exactly this cost, this one included; at
	// most [MaxEqual] of them are listed.
	Equal uint64 `json:"equal_cost"`
}

// Cost of a path. Paths are compared by all four; none is traded for another.
type Cost struct {
	Outages  int     `json:"outages"`  // reload hops and interrupting firmware steps
	Exposure int     `json:"exposure"` // intermediate and final releases marked withdrawn or defective
	Hops     int     `json:"hops"`
	Minutes  float64 `json:"minutes"` // sum of the likely minutes, firmware steps included
}

// Rejection explains why a transition that leads on cannot be taken.
type Rejection struct {
	From   string  `json:"from"`
	To     string  `json:"to"`
	Method string  `json:"method"`
	Reason string  `json:"reason"`
	Remedy string  `json:"remedy,omitempty"`
	Adds   float64 `json:"adds_minutes,omitempty"` // what the remedy costs
}

// Text is the rejection as one sentence, such as "2.4.1 → 2.6.0 in service:
// line card LC-3 needs firmware 1.9, has 1.7; raise it first, +12 min".
func (r Rejection) Text() string {
	method := "in service"
	if r.Method == Reload {
		method = "by reload"
	}
	s := r.From + " → " + r.To + " " + method + ": " + r.Reason
	if r.Remedy != "" {
		s += "; " + r.Remedy
	}
	return s
}
