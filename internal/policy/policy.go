// Package policy holds the operator's own limits: what readiness must find,
// how much loss is allowed, where a person must consent, and what happens when
// a guard breaks. Every number in it is the operator's; [Default] is a
// cautious starting point and no standard prescribes it.
package policy

import (
	"time"

	"towpath/internal/unit"
)

// Policy is one operator's limits. Zero fields are never read as "no limit":
// [Read] starts from [Default] and overwrites what the file gives.
type Policy struct {
	Readiness  Readiness   `yaml:"readiness,omitempty" json:"readiness"`
	Storage    Storage     `yaml:"storage,omitempty" json:"storage"`
	Compare    Compare     `yaml:"compare,omitempty" json:"compare"`
	Probe      Probe       `yaml:"probe,omitempty" json:"probe"`
	Conduct    Conduct     `yaml:"conduct,omitempty" json:"conduct"`
	Prepare    Preparation `yaml:"preparation,omitempty" json:"preparation"`
	HoldPoints []HoldPoint `yaml:"hold-points,omitempty" json:"hold-points"`
	Freezes    []Freeze    `yaml:"freezes,omitempty" json:"freezes,omitempty"`
	Rules      []Rule      `yaml:"rules,omitempty" json:"rules,omitempty"`
}

// Readiness are the thresholds of the built-in rules.
type Readiness struct {
	// UnknownIs says what an unread fact counts as: "blocker" or "caution".
	UnknownIs           string        `yaml:"unknown-is,omitempty" json:"unknown-is"`
	SpanningTreeQuiet   time.Duration `yaml:"spanning-tree-quiet,omitempty" json:"spanning-tree-quiet"`
	ClockOffset         time.Duration `yaml:"clock-offset,omitempty" json:"clock-offset"`
	CPUPercent          float64       `yaml:"cpu-percent,omitempty" json:"cpu-percent"`
	MemoryPercent       float64       `yaml:"memory-percent,omitempty" json:"memory-percent"`
	TemperatureCelsius  float64       `yaml:"temperature-celsius,omitempty" json:"temperature-celsius"`
	RouteChurnPercent   float64       `yaml:"route-churn-percent,omitempty" json:"route-churn-percent"`
	SteadyFor           time.Duration `yaml:"steady-for,omitempty" json:"steady-for"`                   // how far apart the two readings are that tell churn
	SurviveProbability  float64       `yaml:"survive-probability,omitempty" json:"survive-probability"` // at or above is clear
	ConfigurationBackup time.Duration `yaml:"configuration-backup,omitempty" json:"configuration-backup"`
	CertificateLeft     time.Duration `yaml:"certificate-left,omitempty" json:"certificate-left"`
	// Waive lists ids of rules whose blocker the change authority has accepted;
	// they become cautions and stay in the evidence.
	Waive []string `yaml:"waive,omitempty" json:"waive,omitempty"`
}

// Storage says what must stay free on each controller card's volume.
type Storage struct {
	Margin unit.ByteSize `yaml:"margin,omitempty" json:"margin"`
	Keep   []string      `yaml:"keep,omitempty" json:"keep,omitempty"` // glob patterns of files never to delete
}

// Compare holds the tolerances of the comparison of two captures.
type Compare struct {
	RouteCountPercent float64 `yaml:"route-count-percent,omitempty" json:"route-count-percent"`
	MACCountPercent   float64 `yaml:"mac-count-percent,omitempty" json:"mac-count-percent"`
	ARPCountPercent   float64 `yaml:"arp-count-percent,omitempty" json:"arp-count-percent"`
	PrefixPercent     float64 `yaml:"prefix-percent,omitempty" json:"prefix-percent"`
	CPUPoints         float64 `yaml:"cpu-points,omitempty" json:"cpu-points"`
	MemoryPoints      float64 `yaml:"memory-points,omitempty" json:"memory-points"`
}

// Probe says how traffic is measured during the run and what may be lost.
type Probe struct {
	Flows []Flow `yaml:"flows,omitempty" json:"flows"`
	// Rate is packets per second in each flow.
	Rate int `yaml:"rate,omitempty" json:"rate"`
	// Budget is the longest outage that one flow and direction may have.
	Budget time.Duration `yaml:"budget,omitempty" json:"budget"`
	// Baseline is how long all flows must be clean before the run.
	Baseline time.Duration `yaml:"baseline,omitempty" json:"baseline"`
	// Settle is how long they must be clean after it.
	Settle time.Duration `yaml:"settle,omitempty" json:"settle"`
}

// Flow is one stream of test packets through the device.
type Flow struct {
	Name string `yaml:"name" json:"name"`
	// To is host:port of the STAMP reflector.
	To string `yaml:"to" json:"to"`
	// Ports is how many source ports the stream is spread over; 0 means 1.
	Ports int `yaml:"ports,omitempty" json:"ports,omitempty"`
}

// Conduct says what happens in a run.
type Conduct struct {
	Attempts int `yaml:"attempts,omitempty" json:"attempts"` // tries of an act that failed in a way worth a retry
	// AfterPointOfNoReturn says what a broken guard or failed acceptance does
	// then: "pause" or "roll-back". Before it, it is always a rollback.
	AfterPointOfNoReturn string        `yaml:"after-point-of-no-return,omitempty" json:"after-point-of-no-return"`
	ReachableWithin      time.Duration `yaml:"reachable-within,omitempty" json:"reachable-within"`
	SecondaryReadyWithin time.Duration `yaml:"secondary-ready-within,omitempty" json:"secondary-ready-within"`
	LineCardWithin       time.Duration `yaml:"line-card-within,omitempty" json:"line-card-within"`
	TransferStall        time.Duration `yaml:"transfer-stall,omitempty" json:"transfer-stall"` // no progress for so long is a stall
	AdjacencyGrace       time.Duration `yaml:"adjacency-grace,omitempty" json:"adjacency-grace"`
	PollEvery            time.Duration `yaml:"poll-every,omitempty" json:"poll-every"`
	// ObserveAfterCrash is how long a device is only watched after an
	// interruption before an act with unknown outcome may be judged not done.
	ObserveAfterCrash time.Duration `yaml:"observe-after-crash,omitempty" json:"observe-after-crash"`
}

// Preparation says whether settings of the device and its neighbours may be
// changed for a hand-over, and put back after it, so that more adjacencies live
// through the silence.
type Preparation struct {
	// Apply has the plan make the changes that the forecast advises. Without it
	// nothing is changed, and what could be gained is only printed.
	Apply bool `yaml:"apply,omitempty" json:"apply"`
	// Target is the probability that nothing is touched that is aimed at.
	Target float64 `yaml:"target,omitempty" json:"target"`
	// Allow lists the kinds of changes that may be made.
	Allow []string `yaml:"allow,omitempty" json:"allow"`
	// ByHand lets a change be planned whose end is a neighbour that no connection
	// leads to: a person is asked to have it made and later put back.
	ByHand bool   `yaml:"by-hand,omitempty" json:"by-hand"`
	Prices Prices `yaml:"prices,omitempty" json:"prices"`
}

// Prices are what changes cost, in any unit: of all sets of changes that reach
// the target the cheapest is taken.
type Prices struct {
	Timers      float64 `yaml:"timers,omitempty" json:"timers"`             // for each end
	Suspend     float64 `yaml:"suspend,omitempty" json:"suspend"`           // for each session
	Move        float64 `yaml:"move,omitempty" json:"move"`                 // for each group
	Drain       float64 `yaml:"drain,omitempty" json:"drain"`               // for each link or session
	DrainDevice float64 `yaml:"drain-device,omitempty" json:"drain-device"` // once
}

// HoldPoint asks for a named person's consent before a phase begins.
type HoldPoint struct {
	Before  string   `yaml:"before" json:"before"` // "staging", "upgrade-run" or "acceptance"
	Ask     string   `yaml:"ask,omitempty" json:"ask,omitempty"`
	Persons []string `yaml:"persons,omitempty" json:"persons,omitempty"` // empty: any named person
}

// Rule is one of the operator's own readiness rules.
type Rule struct {
	ID       string `yaml:"id" json:"id"`
	Clear    string `yaml:"clear-when" json:"clear-when"` // a CEL expression over device, capture, target
	Severity string `yaml:"severity,omitempty" json:"severity,omitempty"`
	Reason   string `yaml:"reason" json:"reason"`
	Remedy   string `yaml:"remedy,omitempty" json:"remedy,omitempty"`
	Source   string `yaml:"source,omitempty" json:"source,omitempty"`
}

// Default is the policy that a file overwrites field by field.
// Source: common practice, for every number.
func Default() Policy {
	return Policy{
		Readiness: Readiness{
			UnknownIs: "blocker", SpanningTreeQuiet: 10 * time.Minute, ClockOffset: time.Second,
			CPUPercent: 70, MemoryPercent: 85, TemperatureCelsius: 70, RouteChurnPercent: 1, SteadyFor: time.Minute,
			SurviveProbability: 0.999, ConfigurationBackup: 24 * time.Hour, CertificateLeft: 24 * time.Hour,
		},
		Storage: Storage{Margin: 512 * unit.MiB},
		Compare: Compare{RouteCountPercent: 1, MACCountPercent: 5, ARPCountPercent: 5, PrefixPercent: 1, CPUPoints: 20, MemoryPoints: 10},
		Probe:   Probe{Rate: 1000, Budget: 200 * time.Millisecond, Baseline: 15 * time.Second, Settle: 15 * time.Second},
		Conduct: Conduct{
			Attempts: 2, AfterPointOfNoReturn: "pause", ReachableWithin: 5 * time.Minute,
			SecondaryReadyWithin: 15 * time.Minute, LineCardWithin: 10 * time.Minute, TransferStall: time.Minute,
			AdjacencyGrace: 90 * time.Second, PollEvery: 5 * time.Second, ObserveAfterCrash: 20 * time.Second,
		},
		Prepare: Preparation{Target: 0.999, Allow: []string{SetTimers, Suspend, MoveRole, Drain},
			Prices: Prices{Timers: 1, Suspend: 3, Move: 4, Drain: 10, DrainDevice: 100}},
		HoldPoints: []HoldPoint{{Before: "upgrade-run"}},
	}
}

// Freeze is a period in which no change may be made, for all sites or some.
type Freeze struct {
	Name  string    `yaml:"name" json:"name"`
	From  time.Time `yaml:"from" json:"from"`
	Until time.Time `yaml:"until" json:"until"`
	Sites []string  `yaml:"sites,omitempty" json:"sites,omitempty"` // empty means every site
}
