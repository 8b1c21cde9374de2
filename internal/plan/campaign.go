package plan

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/unit"
)

// Campaign is one target for many devices, put into nights: everything that a
// change board decides on and that a document of it shows. Read Nights and
// Devices first: a night names its devices in the order of their start, and a
// device's own entry holds its path, its chances and what matters to it. The
// zero value of a part means that it was not looked at, never that it is well.
type Campaign struct {
	Operator string    `json:"operator"`
	MadeAt   time.Time `json:"made_at"`
	// Workspace is the digest of the files that the campaign was made from.
	Workspace string   `json:"workspace"`
	Targets   []Target `json:"targets"`
	// From and Until bound the time in which windows were looked for.
	From  time.Time `json:"from"`
	Until time.Time `json:"until"`
	// Zone is the IANA name of the zone that people read times in; instants in
	// the campaign are written with its offset.
	Zone string `json:"zone"`
	// AllowReload says that hops may restart a whole device.
	AllowReload bool `json:"allow_reload"`
	// Seed and Runs are those of the simulation that the chances come from.
	Seed uint64 `json:"seed"`
	Runs int    `json:"runs"`
	// AskedDone and AskedBack are the probabilities, above 0 and up to 1, with
	// which each device must be done, and done and if needed rolled back, inside
	// the time that is kept for it. AskedBack 0 means that none was asked for.
	AskedDone float64 `json:"asked_done"`
	AskedBack float64 `json:"asked_back,omitempty"`

	// Nights are the windows used, in the order of time; Devices are in the order
	// of night and start.
	Nights  []Night          `json:"nights"`
	Devices []DeviceCourse   `json:"devices"`
	Left    []Unscheduled    `json:"unscheduled,omitempty"`
	There   []fleet.DeviceID `json:"at_target,omitempty"` // devices that run the target already
	// WindowsOffered counts the windows between From and Until that no freeze
	// stops.
	WindowsOffered int `json:"windows_offered"`
	// Offered are those windows, used or not, and Freezes the times in which
	// nothing may be changed, both in the order of time: they are drawn behind the
	// nights. Empty means that they were not given.
	Offered []Period `json:"offered,omitempty"`
	Freezes []Period `json:"freezes,omitempty"`

	Proof   Proof         `json:"proof"`
	Network *NetworkCheck `json:"network,omitempty"` // nil where the fleet file has no demands or links
	// Availability is what the campaign takes from a budget of downtime, nil where
	// none is named.
	Availability *AvailabilityCost `json:"availability,omitempty"`
	// Rules are the rules that were kept, in the operator's words.
	Rules []string `json:"rules"`
	// Served lists who is affected, and by which devices, in the order of their
	// first night.
	Served []Served `json:"served,omitempty"`
	// Stop says how the campaign is stopped, in the order in which to do it.
	Stop []string `json:"stop"`
	// Warnings say what to look at before the campaign is approved: clock
	// changes, assumptions, weak spots of the network.
	Warnings []string `json:"warnings,omitempty"`
	Cautions []string `json:"cautions"`

	// Revises is the digest of the campaign that this one revises, empty where it
	// is the first; Changes is then what differs.
	Revises string   `json:"revises,omitempty"`
	Changes []Change `json:"changes,omitempty"`
	// LeastMoves is a number of devices that any revision moves at least.
	LeastMoves int `json:"least_moves,omitempty"`
}

// Period is a stretch of the calendar.
type Period struct {
	Start time.Time `json:"start"`
	End   time.Time `json:"end"`
	Name  string    `json:"name,omitempty"`
	Sites []string  `json:"sites,omitempty"` // empty means every site
}

// Target is the release that the devices of one platform are to run.
type Target struct {
	Platform string `json:"platform"`
	Release  string `json:"release"`
	Devices  int    `json:"devices"` // of the platform in the fleet
}

// Night is one window of the calendar that is used.
type Night struct {
	Number int       `json:"number"` // counted from 1
	Start  time.Time `json:"start"`
	End    time.Time `json:"end"`
	// Sites are those that the window is for; empty means every site.
	Sites []string `json:"sites,omitempty"`
	// Stage is that of the devices in it: 0 the canaries, then the stages of
	// growth. StageName says it in words.
	Stage     int    `json:"stage"`
	StageName string `json:"stage_name"`
	// Tasks are the devices worked on, in the order of their start.
	Tasks     []Task   `json:"tasks"`
	Engineers []string `json:"engineers,omitempty"` // who is needed, sorted
	// Minutes is the work of all tasks together, Room what the people who are
	// there can do in the window; Room 0 means that nobody is counted.
	Minutes int64 `json:"minutes"`
	Room    int64 `json:"room,omitempty"`
	// Done is the probability that every device is done inside the window, Back
	// that every one is done and, if needed, rolled back inside it; nil where some
	// device has no way back.
	Done float64  `json:"done"`
	Back *float64 `json:"back,omitempty"`
	// RollbackClock is the earliest rollback clock of its devices: whoever has not
	// finished by then decides.
	RollbackClock time.Time `json:"rollback_clock,omitzero"`
	// Untouched is the probability that traffic is untouched on all its devices,
	// nil where it is known of none; Known says of how many devices it is.
	Untouched      *float64 `json:"untouched,omitempty"`
	UntouchedKnown int      `json:"untouched_known,omitempty"`
	// Load is what the network carries with all devices of the night out.
	Load *NightLoad `json:"load,omitempty"`
	// Promised says that the night may not gain devices any more.
	Promised bool     `json:"promised,omitempty"`
	Warnings []string `json:"warnings,omitempty"`
}

// Task is the work on one device in a night.
type Task struct {
	Device fleet.DeviceID `json:"device"`
	// Start and End bound the time that is kept for it.
	Start    time.Time `json:"start"`
	End      time.Time `json:"end"`
	Engineer string    `json:"engineer,omitempty"` // who does it; empty where nobody is named
	// Lane counts from 0 what goes on at the same time in the night: tasks of one
	// lane follow each other.
	Lane int `json:"lane"`
	// Outcome of a task whose night is over: done, failed or unknown; else empty.
	Outcome string `json:"outcome,omitempty"`
}

// DeviceCourse is how one device gets to its target.
type DeviceCourse struct {
	Device   fleet.DeviceID `json:"device"`
	Platform string         `json:"platform"`
	Site     string         `json:"site,omitempty"`
	Role     string         `json:"role,omitempty"`
	From     string         `json:"from"`
	To       string         `json:"to"`
	Hops     []CourseHop    `json:"hops"`
	Night    int            `json:"night"` // its number
	Stage    int            `json:"stage"`

	// Kept is the time kept for it; P50 and P95 are times in which the work is done
	// with those probabilities, were nothing to go wrong.
	Kept time.Duration `json:"kept_ns"`
	Mean time.Duration `json:"mean_ns"`
	P50  time.Duration `json:"p50_ns"`
	P95  time.Duration `json:"p95_ns"`
	// Done is the probability that it is done inside its window, Back that it is
	// done and, if needed, rolled back inside it; nil where there is no way back,
	// and NoBack says why.
	Done   float64  `json:"done"`
	Back   *float64 `json:"back,omitempty"`
	NoBack string   `json:"no_back,omitempty"`
	// RollbackClock is the latest instant at which a rollback of everything done
	// to the device since its last resting place still ends inside the window, at
	// 95 %. Zero where there is no way back.
	RollbackClock time.Time `json:"rollback_clock,omitzero"`
	// DecideBy is the latest instant to begin the last step after which going back
	// costs an outage, with room for a rollback afterwards, at 95 %.
	DecideBy time.Time `json:"decide_by,omitzero"`
	// Matters lists the steps that its end depends on most, the most first.
	Matters []StepShare `json:"matters,omitempty"`
	// Learned counts the measured durations that the forecast of its steps uses.
	Learned int `json:"learned"`
	// Untouched is the forecast probability that traffic is untouched over all
	// hops, nil where no capture of the device is known.
	Untouched *float64 `json:"untouched,omitempty"`

	Risk     Risk      `json:"risk"`
	Deadline time.Time `json:"deadline,omitzero"`
	Serves   []string  `json:"serves,omitempty"`
	// Partners are the other members of its redundancy groups.
	Partners []fleet.DeviceID `json:"partners,omitempty"`
	// Assumed lists what was taken for granted, such as controller cards that the
	// fleet file does not list.
	Assumed []string `json:"assumed,omitempty"`
}

// CourseHop is one hop of a device's path.
type CourseHop struct {
	From   string `json:"from"`
	To     string `json:"to"`
	Method string `json:"method"`
	// Silence is the likeliest silence of the control plane, 0 for a reload.
	Silence time.Duration `json:"silence_ns,omitempty"`
	// Outage is how long everything on the device is down, 0 for none.
	Outage time.Duration `json:"outage_ns,omitempty"`
	Back   string        `json:"back,omitempty"` // method of the way back
	// Effects are the steps of the hop that can touch traffic, with what each is
	// foretold to cost it and the hold point that covers it.
	Effects []Effect `json:"effects,omitempty"`
}

// StepShare is how much the end depends on one step.
type StepShare struct {
	Step  string        `json:"step"`
	Title string        `json:"title"`
	Low   time.Duration `json:"low_ns"`  // mean end with the step at its 5 % quantile
	High  time.Duration `json:"high_ns"` // and at its 95 % quantile
	Share float64       `json:"share"`   // part of the variance of the end, 0 to 1
}

// Risk is how much it matters that the device is done early.
type Risk struct {
	Exposure    float64  `json:"exposure"`    // how badly the present release exposes it
	Criticality float64  `json:"criticality"` // how much depends on it
	Weight      float64  `json:"weight"`      // their product
	Why         []string `json:"why"`
}

// Unscheduled is a device that has no night, and why, in the operator's words.
type Unscheduled struct {
	Device   fleet.DeviceID `json:"device"`
	Platform string         `json:"platform"`
	From     string         `json:"from"`
	To       string         `json:"to"`
	Reason   string         `json:"reason"`
	// Opens lists changes each of which would help.
	Opens []string `json:"opens,omitempty"`
}

// Proof is how good the campaign is shown to be.
type Proof struct {
	Nights     int    `json:"nights"`
	LowerBound int    `json:"lower_bound"` // no campaign has fewer nights
	Bound      string `json:"bound"`       // the argument for it
	// Proven says that fewer nights are not possible; Gap is the share by which the
	// nights may exceed the least number, 0 where proven.
	Proven bool    `json:"proven"`
	Gap    float64 `json:"gap"`
	// RiskDays is the sum over the devices of their risk times the days until
	// their night has ended, RiskProven that it cannot be less in as many nights.
	RiskDays   float64 `json:"risk_days"`
	RiskProven bool    `json:"risk_proven"`
	WorstNight int64   `json:"worst_night_minutes"` // work in the fullest night
}

// NetworkCheck is what was asked of the network.
type NetworkCheck struct {
	// Limit is the utilisation that no link may exceed; AlsoFail what fails on top
	// of each night's devices, each single one: link, node, group.
	Limit    float64  `json:"limit"`
	AlsoFail []string `json:"also_fail,omitempty"`
	// Demands says where those of the nights come from; each night has its own.
	Demands string `json:"demands,omitempty"`
	// Worst is the busiest link of any night with nothing failing on top,
	// WorstFailure that with the worst single failure on top.
	Worst        Peak  `json:"worst"`
	WorstFailure *Peak `json:"worst_failure,omitempty"`
	Sets         int64 `json:"sets"`     // sets of devices that were computed
	Failures     int64 `json:"failures"` // failures on top that were computed
	// Weak lists failures that the network does not bear even with nothing out;
	// they were left out.
	Weak []string `json:"weak,omitempty"`
}

// NightLoad is what the network carries in one night.
type NightLoad struct {
	// Demands says which ones: those of the fleet file, or of which hours of a
	// series.
	Demands      string `json:"demands,omitempty"`
	Worst        Peak   `json:"worst"`
	WorstFailure *Peak  `json:"worst_failure,omitempty"`
	// Cut is what a single failure on top would leave without a path because the
	// devices of the night are out; nil where it was not computed.
	Cut *Cut `json:"cut,omitempty"`
}

// Cut is what a further failure takes the path from, beyond what it takes with
// nothing out.
type Cut struct {
	Failures int    `json:"failures"`          // single failures that do so
	Failure  string `json:"failure,omitempty"` // the worst by volume
	Demands  int    `json:"demands,omitempty"` // that it takes
	Volume   string `json:"volume,omitempty"`  // with its unit
}

// String is the cut in words, such as "2 single failures would cut off demands because devices are out,
// at worst link mere-2: 1 demand of 4Gbps".
func (c Cut) String() string {
	if c.Failures == 0 {
		return "no single failure would cut off a demand that it does not cut off anyway"
	}
	return fmt.Sprintf("%s would cut off demands because devices are out, at worst %s: %s of %s", unit.Counted(c.Failures, "single failure"), c.Failure,
		unit.Counted(c.Demands, "demand"), c.Volume)
}

// Peak is the busiest link.
type Peak struct {
	Night       int     `json:"night"`
	Utilisation float64 `json:"utilisation"` // 1 is the whole capacity
	Link        string  `json:"link"`
	From        string  `json:"from"`
	To          string  `json:"to"`
	Failure     string  `json:"failure,omitempty"` // what has failed on top
	// Sample is when the demands were measured with which it is reached; zero where
	// they are of no sample.
	Sample time.Time `json:"sample,omitzero"`
}

// Served is somebody who depends on devices of the campaign.
type Served struct {
	Who     string           `json:"who"`
	Devices []fleet.DeviceID `json:"devices"`
	Nights  []int            `json:"nights"`
	// Outage says that one of the devices restarts as a whole.
	Outage bool `json:"outage"`
}

// Change is one difference to the campaign that is revised.
type Change struct {
	Device fleet.DeviceID `json:"device"`
	// Was and Is are the starts of its nights; zero is none.
	Was time.Time `json:"was,omitzero"`
	Is  time.Time `json:"is,omitzero"`
	Why string    `json:"why"`
}

// Course returns the entry of a device, and whether there is one.
func (c *Campaign) Course(id fleet.DeviceID) (DeviceCourse, bool) {
	i := slices.IndexFunc(c.Devices, func(d DeviceCourse) bool { return d.Device == id })
	if i < 0 {
		return DeviceCourse{}, false
	}
	return c.Devices[i], true
}

// Digest is the SHA-256 of the campaign's JSON form, lower-case hex. An approval
// is given to a digest, so that it cannot be carried over to another campaign.
func (c *Campaign) Digest() (string, error) {
	b, err := json.Marshal(c)
	if err != nil {
		return "", fmt.Errorf("plan: encode the campaign: %w", err)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}
