package policy

import (
	"fmt"
	"path"
	"slices"
	"strings"
	"time"

	"towpath/internal/document"
)

// Campaign is what the operator says of nights and of the people who work in
// them: the windows, who is there, and the order in which devices are done.
// [DecodeCampaign] starts from [DefaultCampaign].
type Campaign struct {
	// Zone is the IANA name of the time zone that people read times in, and that
	// calendars mean where they say none.
	Zone string `yaml:"zone,omitempty" json:"zone"`
	// Windows are iCalendar files (RFC 5545) with the change windows; the LOCATION
	// of an event is the site that it is for. Closed are calendars in which each
	// event is a freeze, of its LOCATION's site or of all.
	Windows []string `yaml:"windows,omitempty" json:"windows"`
	Closed  []string `yaml:"closed,omitempty" json:"closed,omitempty"`

	// Done is the probability with which each device must be done in the time that
	// is kept for it; Back the same with room for a rollback. Back 0 asks for no
	// room.
	Done float64 `yaml:"done-probability,omitempty" json:"done-probability"`
	Back float64 `yaml:"back-probability,omitempty" json:"back-probability"`
	Runs int     `yaml:"simulated-runs,omitempty" json:"simulated-runs"`
	// Consent is how long a person takes to answer at a hold point.
	Consent Span `yaml:"consent,omitempty" json:"consent"`

	// AtOnce limits the devices that are worked on at the same time where no
	// engineers are listed; 0 is no limit.
	AtOnce    int        `yaml:"at-once,omitempty" json:"at-once,omitempty"`
	Engineers []Engineer `yaml:"engineers,omitempty" json:"engineers,omitempty"`
	// PerSite limits the devices of one site in one window, Sites does so for a
	// site by name; 0 is no limit.
	PerSite int         `yaml:"per-site,omitempty" json:"per-site,omitempty"`
	Sites   []SiteLimit `yaml:"sites,omitempty" json:"sites,omitempty"`

	NeighboursApart bool         `yaml:"neighbours-apart,omitempty" json:"neighbours-apart"`
	RiskApart       bool         `yaml:"shared-risk-apart,omitempty" json:"shared-risk-apart"`
	Apart           []DeviceTeam `yaml:"apart,omitempty" json:"apart,omitempty"`

	Canaries    []string      `yaml:"canaries,omitempty" json:"canaries,omitempty"`
	CanaryCount int           `yaml:"canary-count,omitempty" json:"canary-count"`
	Growth      []float64     `yaml:"growth,omitempty" json:"growth,omitempty"`
	Soak        time.Duration `yaml:"soak,omitempty" json:"soak"`
	RoleOrder   []string      `yaml:"role-order,omitempty" json:"role-order,omitempty"`

	// Utilisation is the load that no link may exceed, 1 for its whole capacity,
	// and AlsoFail what fails on top, each single one.
	Utilisation float64  `yaml:"utilisation,omitempty" json:"utilisation"`
	AlsoFail    []string `yaml:"also-fail,omitempty" json:"also-fail"`
	// Demands are those measured over time, from which the load of each window is
	// computed; without a series it is that of the fleet file at all hours.
	Demands MeasuredDemands `yaml:"demands,omitempty" json:"demands,omitzero"`

	// Availability is what a year may take; without a target its cost is not told.
	Availability Availability `yaml:"availability,omitempty" json:"availability,omitzero"`

	Deadlines []Deadline       `yaml:"deadlines,omitempty" json:"deadlines,omitempty"`
	Devices   []CampaignDevice `yaml:"devices,omitempty" json:"devices,omitempty"`
}

// Availability is the target of every redundancy group, and of every device that
// is in none, and how often one device fails by itself.
type Availability struct {
	Target float64 `yaml:"target" json:"target"` // such as 0.99999
	// BetweenFailures is the mean operating time between failures of one device,
	// Repair the mean time to restore it.
	BetweenFailures time.Duration `yaml:"between-failures" json:"between-failures"`
	Repair          time.Duration `yaml:"repair" json:"repair"`
}

// MeasuredDemands are demands of which a series over time is known.
type MeasuredDemands struct {
	// Series is a file of the workspace, CSV with the columns time, src, dst and
	// volume, or time with those of interface counters, or a folder of it with a
	// matrix in SNDlib native text for each period.
	Series string `yaml:"series" json:"series"`
	// Repeat says how the samples come again: [EveryWeek] or [EveryDay].
	Repeat string `yaml:"repeat,omitempty" json:"repeat"`
	// Growth multiplies every demand.
	Growth float64 `yaml:"growth,omitempty" json:"growth"`
}

// How measured demands come again.
const (
	EveryWeek = "week" // every Monday is like the Mondays measured, and so on
	EveryDay  = "day"  // every day is like the days measured
)

// Span is a three-point estimate of a duration.
type Span struct {
	Least  time.Duration `yaml:"least" json:"least"`
	Likely time.Duration `yaml:"likely" json:"likely"`
	Most   time.Duration `yaml:"most" json:"most"`
}

// Engineer is somebody who works on devices in windows.
type Engineer struct {
	Name   string   `yaml:"name" json:"name"`
	AtOnce int      `yaml:"at-once,omitempty" json:"at-once,omitempty"` // devices at the same time; 0 means 1
	Sites  []string `yaml:"sites,omitempty" json:"sites,omitempty"`     // empty means every site
	// Calendar is an iCalendar file whose events are when the engineer is there;
	// empty means in every window.
	Calendar string `yaml:"calendar,omitempty" json:"calendar,omitempty"`
}

// SiteLimit limits the devices of one site in one window.
type SiteLimit struct {
	Site      string `yaml:"site" json:"site"`
	PerWindow int    `yaml:"per-window" json:"per-window"`
}

// DeviceTeam is a set of devices of which no two share a window.
type DeviceTeam struct {
	Devices []string `yaml:"devices" json:"devices"`
	Why     string   `yaml:"why,omitempty" json:"why,omitempty"`
}

// Deadline is an instant by which devices must be done. What it leaves out does
// not narrow it.
type Deadline struct {
	By        time.Time `yaml:"by" json:"by"`
	Platforms []string  `yaml:"platforms,omitempty" json:"platforms,omitempty"`
	Releases  []string  `yaml:"releases,omitempty" json:"releases,omitempty"` // that run now
	Sites     []string  `yaml:"sites,omitempty" json:"sites,omitempty"`
	Roles     []string  `yaml:"roles,omitempty" json:"roles,omitempty"`
	Why       string    `yaml:"why,omitempty" json:"why,omitempty"`
}

// CampaignDevice is what is said of one device.
type CampaignDevice struct {
	Device      string    `yaml:"device" json:"device"`
	Deadline    time.Time `yaml:"deadline,omitempty" json:"deadline,omitzero"`
	Exposure    float64   `yaml:"exposure,omitempty" json:"exposure,omitempty"`
	Criticality float64   `yaml:"criticality,omitempty" json:"criticality,omitempty"`
	Engineer    string    `yaml:"engineer,omitempty" json:"engineer,omitempty"` // who must do it
	// Only and Never are instants that lie in windows.
	Only  []time.Time `yaml:"only,omitempty" json:"only,omitempty"`
	Never []time.Time `yaml:"never,omitempty" json:"never,omitempty"`
}

// DefaultCampaign is the campaign that a file overwrites field by field.
// Source: common practice, for every number.
func DefaultCampaign() Campaign {
	return Campaign{
		Zone: "UTC", Done: 0.95, Back: 0.9, Runs: 2000,
		Consent:         Span{time.Minute, 3 * time.Minute, 15 * time.Minute},
		NeighboursApart: true, CanaryCount: 1, Soak: 24 * time.Hour, Utilisation: 1, AlsoFail: []string{"link"},
		Demands: MeasuredDemands{Repeat: EveryWeek, Growth: 1},
	}
}

// Calendars are the iCalendar files that the campaign names, each once, and the
// place in the document that names each.
func (c *Campaign) Calendars() (names, places []string) {
	add := func(name, place string) {
		if name != "" && !slices.Contains(names, name) {
			names, places = append(names, name), append(places, place)
		}
	}
	for i, f := range c.Windows {
		add(f, fmt.Sprintf("windows[%d]", i))
	}
	for i, f := range c.Closed {
		add(f, fmt.Sprintf("closed[%d]", i))
	}
	for i, e := range c.Engineers {
		add(e.Calendar, fmt.Sprintf("engineers[%d].calendar", i))
	}
	return names, places
}

// ReadCampaign reads a campaign from YAML, as [Read] reads a policy.
func ReadCampaign(name string, src []byte) (Campaign, error) {
	return readAs(name, src, DecodeCampaign)
}

// DecodeCampaign reads a campaign from a document that is parsed already, as
// [Decode] does a policy.
func DecodeCampaign(doc *document.Document) (Campaign, document.Problems) {
	c := DefaultCampaign()
	ps := doc.Decode(CampaignShape(), &c)
	report := func(path, found, want string) {
		if !ps.Under(path) {
			ps = append(ps, doc.Problem(path, found, want, ""))
		}
	}
	once := func(what string) func(name, path string) {
		seen := map[string]string{}
		return func(name, path string) {
			if first, again := seen[name]; again && name != "" {
				pos, _ := doc.At(first)
				report(path, fmt.Sprintf("the %s %q a second time; the first is in line %d", what, name, pos.Line), "")
				return
			}
			seen[name] = path
		}
	}
	engineer, site, device := once("engineer"), once("site"), once("device")
	names := []string{}
	for i, e := range c.Engineers {
		engineer(e.Name, fmt.Sprintf("engineers[%d].name", i))
		names = append(names, e.Name)
	}
	for i, s := range c.Sites {
		site(s.Site, fmt.Sprintf("sites[%d].site", i))
	}
	for i, d := range c.Devices {
		at := fmt.Sprintf("devices[%d]", i)
		device(d.Device, at+".device")
		if d.Engineer != "" && !slices.Contains(names, d.Engineer) && !ps.Under("engineers") && !ps.Under(at+".engineer") {
			ps = append(ps, doc.Problem(at+".engineer", fmt.Sprintf("no engineer %q in this file", d.Engineer), "", document.Nearest(d.Engineer, names)))
		}
	}
	if !slices.IsSorted(c.Growth) && !ps.Under("growth") {
		report("growth", fmt.Sprint("shares that do not rise: ", c.Growth), "shares that rise, such as [0.1, 0.5]")
	}
	if s := c.Consent; !ps.Under("consent") && (s.Least > s.Likely || s.Likely > s.Most) {
		report("consent", fmt.Sprintf("%v, %v, %v", s.Least, s.Likely, s.Most), "least ≤ likely ≤ most")
	}
	return c, ps
}

// calendar is the form of the name of a calendar file.
var calendar = &document.Form{
	Want:    "a file of the workspace such as windows.ics",
	Pattern: `^[^/\\\x00-\x1f][^\\\x00-\x1f]*\.ics$`,
	Check: func(s string) bool {
		return strings.HasSuffix(s, ".ics") && path.Clean(s) == s && !path.IsAbs(s) && s != ".ics" && !strings.HasPrefix(s, "../") && !strings.Contains(s, "\\")
	},
}

// series is the form of the name of a file or folder with measured demands.
var series = &document.Form{
	Want:    "a file of the workspace such as week.csv, or a folder of it",
	Pattern: `^[^/\\\x00-\x1f][^\\\x00-\x1f]*$`,
	Check: func(s string) bool {
		return s != "" && s != "." && s != ".." && path.Clean(s) == s && !path.IsAbs(s) && !strings.HasPrefix(s, "../") && !strings.Contains(s, "\\")
	},
}

// CampaignShape describes a campaign file.
func CampaignShape() *document.Shape {
	device := func(doc string) document.Field {
		return document.Field{Doc: doc, Form: document.Name, Want: "the id of a device", Unique: true}
	}
	share := func(doc string) document.Field {
		return document.Field{Doc: doc, Range: document.AboveUpTo(0, 1)}
	}
	count := func(doc string) document.Field {
		return document.Field{Doc: doc, Range: document.Between(0, 100_000)}
	}
	weight := func(doc string) document.Field {
		return document.Field{Doc: doc, Range: document.Between(0, 1000)}
	}
	span := func(doc string) document.Field {
		return document.Field{Doc: doc, Range: document.From(0)}
	}
	return &document.Shape{
		Name: "campaign",
		Doc:  "The nights: change windows, who is there, and the order in which devices are done. What the file leaves out keeps its default; a list replaces the default's.",
		Types: map[string]string{
			"Campaign":        "What the operator says of nights and of the people who work in them.",
			"MeasuredDemands": "Demands of which a series over time is known. The load of each window is computed from the samples of its own hours.",
			"Availability":    "A budget of downtime, and how often one device fails by itself.",
			"Span":            "A three-point estimate of a duration.",
			"Engineer":        "Somebody who works on devices in windows.",
			"SiteLimit":       "A limit for one site.",
			"DeviceTeam":      "Devices of which no two share a window.",
			"Deadline":        "An instant by which devices must be done. What it leaves out does not narrow it.",
			"CampaignDevice":  "What is said of one device.",
		},
		Fields: map[string]document.Field{
			"Campaign.zone":              {Doc: "IANA name of the time zone that people read times in, and that calendars mean where they say none."},
			"Campaign.windows":           {Doc: "iCalendar files (RFC 5545) with the change windows. The LOCATION of an event is the site that it is for; without one it is for all.", Form: calendar, Unique: true},
			"Campaign.closed":            {Doc: "iCalendar files in which each event is a freeze, for the site of its LOCATION or for all.", Form: calendar, Unique: true},
			"Campaign.done-probability":  share("Probability with which each device must be done in the time kept for it."),
			"Campaign.back-probability":  {Doc: "Probability with which it must be done and, if needed, rolled back in that time. 0 keeps no room for a rollback.", Range: document.Between(0, 1)},
			"Campaign.simulated-runs":    {Doc: "Simulated runs of each kind of change.", Range: document.Between(100, 100_000)},
			"Campaign.consent":           {Doc: "How long a person takes to answer at a hold point."},
			"Campaign.at-once":           count("Devices that are worked on at the same time, where no engineers are listed; 0 or none is no limit."),
			"Campaign.engineers":         {Doc: "Who works on the devices. Where any are listed, every device needs one of them."},
			"Campaign.per-site":          count("Devices of one site in one window; 0 or none is no limit."),
			"Campaign.sites":             {Doc: "Limits for sites by name."},
			"Campaign.neighbours-apart":  {Doc: "Whether two devices that share a link are kept out of one window."},
			"Campaign.shared-risk-apart": {Doc: "Whether two devices are kept out of one window that end links of one shared-risk group."},
			"Campaign.apart":             {Doc: "Devices of which no two share a window."},
			"Campaign.canaries":          device("Devices that come first."),
			"Campaign.canary-count":      count("How many devices come first where none are named: the least critical, of as many platforms as possible."),
			"Campaign.growth":            {Doc: "Shares of the devices, rising, that are done before the next stage begins.", Range: document.AboveUpTo(0, 1)},
			"Campaign.soak":              span("How long lies between a stage and the next."),
			"Campaign.role-order":        {Doc: "Roles in the order in which they are done; others are free.", Unique: true},
			"Campaign.utilisation":       {Doc: "Load that no link may exceed, as a share of its capacity.", Range: document.AboveUpTo(0, 1)},
			"Campaign.also-fail":         {Doc: "What fails on top of what is out, each single one. An empty list means nothing.", Words: []string{"link", "node", "group"}, Unique: true},
			"Campaign.demands":           {Doc: "Demands measured over time. Without them the load is computed from the demands of the fleet file, at all hours alike."},
			"Campaign.availability":      {Doc: "What may be down in a year. With it the campaign says how much of that it takes."},
			"Campaign.deadlines":         {Doc: "When devices must be done, by what they are."},
			"Campaign.devices":           {Doc: "What is said of devices by name."},

			"Availability.target":           share("Availability asked of every redundancy group, and of every device in none; 0.99999 leaves 5.26 minutes a year."),
			"Availability.between-failures": {Doc: "Mean operating time between two failures of one device.", Range: document.Above(0)},
			"Availability.repair":           {Doc: "Mean time until a failed device is restored.", Range: document.From(0)},

			"MeasuredDemands.series": {Doc: "CSV with the columns time, src, dst, volume, or time with those of interface counters, or a folder with a matrix in SNDlib native text for each period.", Form: series},
			"MeasuredDemands.repeat": {Doc: "How the samples come again: a window is like the samples of its hours on the same days of the week, or on any day.", Words: []string{EveryWeek, EveryDay}},
			"MeasuredDemands.growth": {Doc: "Factor by which every demand has grown, or will have.", Range: document.AboveUpTo(0, 100)},

			"Span.least":  span("The least it takes."),
			"Span.likely": span("What it takes as a rule."),
			"Span.most":   span("The most it takes."),

			"Engineer.name":     {Doc: "Name, unique in the file."},
			"Engineer.at-once":  count("Devices at the same time; 0 or none means 1."),
			"Engineer.sites":    {Doc: "Sites that the engineer works at. Without it, every site.", Unique: true},
			"Engineer.calendar": {Doc: "iCalendar file whose events are when the engineer is there. Without it, in every window.", Form: calendar},

			"SiteLimit.site":       {Doc: "The site."},
			"SiteLimit.per-window": {Doc: "Devices of it in one window.", Range: document.Between(1, 100_000)},

			"DeviceTeam.devices": device("Ids of the devices."),
			"DeviceTeam.why":     {Doc: "Why, as it stands in explanations.", Prose: true},

			"Deadline.by":        {Doc: "When they must be done."},
			"Deadline.platforms": {Doc: "Platforms that it holds for.", Form: document.Name, Want: "a platform of the release catalogue", Unique: true},
			"Deadline.releases":  {Doc: "Releases, run now, that it holds for. Write them in quotes.", Unique: true},
			"Deadline.sites":     {Doc: "Sites that it holds for.", Unique: true},
			"Deadline.roles":     {Doc: "Roles that it holds for.", Unique: true},
			"Deadline.why":       {Doc: "Why, as it stands in explanations.", Prose: true},

			"CampaignDevice.device":      {Doc: "Id of the device.", Form: document.Name, Want: "the id of a device"},
			"CampaignDevice.deadline":    {Doc: "When it must be done."},
			"CampaignDevice.exposure":    weight("How badly the present release exposes it; 0 or none follows the release catalogue."),
			"CampaignDevice.criticality": weight("How much depends on it; 0 or none counts who is served."),
			"CampaignDevice.engineer":    {Doc: "Who must do it."},
			"CampaignDevice.only":        {Doc: "Instants in the only windows that it may be done in. Write them in quotes."},
			"CampaignDevice.never":       {Doc: "Instants in windows that it may not be done in. Write them in quotes."},
		},
	}
}
