package policy

import "towpath/internal/document"

// The phases that a hold point may stand before.
// Source: RFC 7654 §3.2 to §3.4, for the phases; the words in files are ours.
const (
	BeforeStaging    = "staging"
	BeforeUpgradeRun = "upgrade-run"
	BeforeAcceptance = "acceptance"
)

// What a finding, or an unread fact, counts as.
const (
	Blocker = "blocker"
	Caution = "caution"
)

// What happens when a guard breaks after the point of no return.
const (
	Pause    = "pause"
	RollBack = "roll-back"
)

// The kinds of changes that a preparation may make, in the forecast's words.
const (
	SetTimers   = "set-timers"
	Suspend     = "suspend"
	MoveRole    = "move-role"
	Drain       = "drain"
	DrainDevice = "drain-device"
)

// Shape describes a policy file.
func Shape() *document.Shape {
	percent := func(doc string) document.Field {
		return document.Field{Doc: doc, Range: document.Between(0, 100)}
	}
	threshold := func(doc string) document.Field {
		return document.Field{Doc: doc, Range: document.AboveUpTo(0, 100)}
	}
	positive := func(doc string) document.Field {
		return document.Field{Doc: doc, Range: document.Above(0)}
	}
	prose := func(doc string) document.Field {
		return document.Field{Doc: doc, Prose: true}
	}
	return &document.Shape{
		Name: "policy",
		Doc:  "The operator's own limits. What the file leaves out keeps its default; a list replaces the default's.",
		Types: map[string]string{
			"Policy":      "One operator's limits.",
			"Readiness":   "The thresholds of the built-in readiness rules.",
			"Storage":     "What must stay free on each controller card's volume.",
			"Compare":     "The tolerances of the comparison of two captures.",
			"Probe":       "How traffic is measured during the run and what may be lost.",
			"Flow":        "One stream of test packets through the device.",
			"Conduct":     "What happens in a run.",
			"Preparation": "What may be changed for a hand-over, and is put back after it.",
			"Prices":      "What changes cost; only their ratios matter.",
			"HoldPoint":   "A step that waits for a named person's consent.",
			"Freeze":      "A period in which no change may be made.",
			"Rule":        "One of the operator's own readiness rules.",
		},
		Fields: map[string]document.Field{
			"Policy.readiness":   {Doc: "Thresholds of the built-in rules."},
			"Policy.storage":     {Doc: "What must stay free."},
			"Policy.compare":     {Doc: "Tolerances of the comparison."},
			"Policy.probe":       {Doc: "Measurement of traffic."},
			"Policy.conduct":     {Doc: "Deadlines and reactions of a run."},
			"Policy.preparation": {Doc: "Changes of timers, roles and ways that are made for a hand-over and put back after it. Without it none are."},
			"Policy.hold-points": {Doc: "Where a person must consent. An empty list means nowhere."},
			"Policy.freezes":     {Doc: "When no change may be made."},
			"Policy.rules":       {Doc: "Rules of the operator's own."},

			"Readiness.unknown-is":           {Doc: "What a fact that could not be read counts as.", Words: []string{Blocker, Caution}},
			"Readiness.spanning-tree-quiet":  positive("How long spanning tree must have been without a topology change."),
			"Readiness.clock-offset":         positive("How far the device's clock may be off."),
			"Readiness.cpu-percent":          threshold("CPU load below which a card is calm."),
			"Readiness.memory-percent":       threshold("Memory use below which a card is calm."),
			"Readiness.temperature-celsius":  {Doc: "Temperature below which a component is cool enough.", Range: document.AboveUpTo(0, 150)},
			"Readiness.route-churn-percent":  percent("How much the count of routes may change between two readings."),
			"Readiness.steady-for":           positive("How far apart the two readings are that tell whether routes and addresses are steady."),
			"Readiness.survive-probability":  {Doc: "Probability of surviving the silence, at or above which an adjacency is clear.", Range: document.AboveUpTo(0, 1), Want: "a probability greater than 0 and at most 1"},
			"Readiness.configuration-backup": positive("How old the last backup of the configuration may be."),
			"Readiness.certificate-left":     positive("How long the device's certificate must still be valid."),
			"Readiness.waive":                {Doc: "Ids of rules whose blocker the change authority has accepted. They become cautions and stay in the evidence.", Form: document.Name, Want: "the id of a rule", Unique: true},

			"Storage.margin": {Doc: "What must stay free beside all images. 0B is no margin.", Range: document.From(0)},
			"Storage.keep":   {Doc: "Patterns of files never to delete, with *, ? and [a-z] as in a shell.", Form: pattern, Unique: true},

			"Compare.route-count-percent": percent("How much the count of routes may differ afterwards."),
			"Compare.mac-count-percent":   percent("How much the count of MAC addresses may differ afterwards."),
			"Compare.arp-count-percent":   percent("How much the count of ARP and ND entries may differ afterwards."),
			"Compare.prefix-percent":      percent("How much the prefixes of one neighbour may differ afterwards."),
			"Compare.cpu-points":          percent("By how many percentage points the CPU load may rise."),
			"Compare.memory-points":       percent("By how many percentage points the use of memory may rise."),

			"Probe.flows":    {Doc: "Streams of test packets through the device."},
			"Probe.rate":     {Doc: "Packets per second in each flow; its inverse is the resolution of a measured outage.", Range: document.Between(1, 10_000)},
			"Probe.budget":   positive("Longest outage that one flow and direction may have."),
			"Probe.baseline": positive("How long all flows must be clean before the run."),
			"Probe.settle":   positive("How long they must be clean after it."),

			"Flow.name":  {Doc: "Name, unique in the policy."},
			"Flow.to":    {Doc: "Where the STAMP reflector listens.", Form: document.HostPort},
			"Flow.ports": {Doc: "How many source ports the stream is spread over; 0 or none means 1.", Range: document.Between(0, 1024)},

			"Conduct.attempts":                 {Doc: "How often an act is tried that failed in a way worth a retry.", Range: document.Between(1, 100)},
			"Conduct.after-point-of-no-return": {Doc: "What a broken guard or a failed acceptance does then. Before it, it is always a rollback.", Words: []string{Pause, RollBack}},
			"Conduct.reachable-within":         positive("How long a device may be unreachable after an act that restarts it."),
			"Conduct.secondary-ready-within":   positive("How long the secondary controller card may take to be ready for switchover."),
			"Conduct.line-card-within":         positive("How long a line card may take to come back."),
			"Conduct.transfer-stall":           positive("How long a transfer may make no progress."),
			"Conduct.adjacency-grace":          positive("How long an adjacency may be down after a switchover."),
			"Conduct.poll-every":               positive("How often the device is read while something is waited for."),
			"Conduct.observe-after-crash":      positive("How long a device is only watched after an interruption, before an act of unknown outcome may be judged not done."),

			"Preparation.apply":   {Doc: "Whether the plan makes the changes that the forecast advises. Without it, towpath forecast --advise only prints them."},
			"Preparation.target":  {Doc: "Probability that nothing is touched that is aimed at.", Range: document.AboveUpTo(0, 1), Want: "a probability greater than 0 and at most 1"},
			"Preparation.allow":   {Doc: "The kinds of changes that may be made: longer timers, BFD sessions taken down, VRRP roles moved, links or sessions emptied, the whole device emptied.", Words: []string{SetTimers, Suspend, MoveRole, Drain, DrainDevice}, Unique: true},
			"Preparation.by-hand": {Doc: "Whether a person may be asked to have an end set on a neighbour that no connection leads to, and put back later."},
			"Preparation.prices":  {Doc: "What changes cost. Of all sets of changes that reach the target the cheapest is taken."},

			"Prices.timers":       {Doc: "Longer timers, for each end.", Range: document.Above(0)},
			"Prices.suspend":      {Doc: "Each BFD session taken down.", Range: document.Above(0)},
			"Prices.move":         {Doc: "Each VRRP group whose role is moved.", Range: document.Above(0)},
			"Prices.drain":        {Doc: "Each link or session that is emptied.", Range: document.Above(0)},
			"Prices.drain-device": {Doc: "The device emptied as a whole.", Range: document.Above(0)},

			"HoldPoint.before":  {Doc: "The phase that waits.", Words: []string{BeforeStaging, BeforeUpgradeRun, BeforeAcceptance}},
			"HoldPoint.ask":     prose("The question that the person answers."),
			"HoldPoint.persons": {Doc: "Who may consent. Without it, any named person.", Unique: true},

			"Freeze.name":  {Doc: "Name, for messages."},
			"Freeze.from":  {Doc: "First instant of the freeze."},
			"Freeze.until": {Doc: "First instant after it."},
			"Freeze.sites": {Doc: "Sites that it holds for. Without it, every site.", Unique: true},

			"Rule.id":         {Doc: "Identifier, unique in the policy.", Form: document.Name},
			"Rule.clear-when": {Doc: "CEL expression over device, capture and target that is true where there is nothing to find.", Prose: true},
			"Rule.severity":   {Doc: "What the finding is otherwise. Without it, a blocker.", Words: []string{Blocker, Caution}},
			"Rule.reason":     prose("What is wrong then."),
			"Rule.remedy":     prose("What to do about it."),
			"Rule.source":     prose("Where the rule comes from."),
		},
	}
}
