// Package state holds the normalised state of a device at an instant, the
// capture, and the comparison of two of them.
//
// Read [Capture] first, then [Compare]. A fact that a device did not tell is
// unknown, never a zero: such fields are of type [Opt].
package state

import (
	"encoding/json"
	"time"

	"towpath/internal/unit"
)

// Opt is a fact that may be unknown. The zero value is unknown. In JSON an
// unknown fact is null.
type Opt[T any] struct {
	value T
	known bool
}

// Some is the known fact v.
func Some[T any](v T) Opt[T] { return Opt[T]{value: v, known: true} }

// Get returns the fact and whether it is known; the value is the zero value of
// T where it is not.
func (o Opt[T]) Get() (T, bool) { return o.value, o.known }

// Known reports whether the fact is known.
func (o Opt[T]) Known() bool { return o.known }

// Or returns the fact, or def where it is unknown. Use it only where the
// standard gives the default, and mark the result as assumed.
func (o Opt[T]) Or(def T) T {
	if o.known {
		return o.value
	}
	return def
}

// IsZero lets omitzero leave unknown facts out of JSON.
func (o Opt[T]) IsZero() bool { return !o.known }

// MarshalJSON writes null for an unknown fact.
func (o Opt[T]) MarshalJSON() ([]byte, error) {
	if !o.known {
		return []byte("null"), nil
	}
	return json.Marshal(o.value)
}

// UnmarshalJSON reads null as unknown.
func (o *Opt[T]) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*o = Opt[T]{}
		return nil
	}
	o.known = true
	return json.Unmarshal(b, &o.value)
}

// The roles of a controller card.
// Source: OpenConfig platform model, redundant-role.
const (
	Primary   = "PRIMARY"
	Secondary = "SECONDARY"
)

// The component kinds that Towpath tells apart: OpenConfig platform types
// without prefix, and PORT_EXTENDER for a bridge port extender (IEEE 802.1BR).
const (
	KindChassis        = "CHASSIS"
	KindControllerCard = "CONTROLLER_CARD"
	KindLineCard       = "LINECARD"
	KindFabric         = "FABRIC"
	KindPowerSupply    = "POWER_SUPPLY"
	KindFan            = "FAN"
	KindSensor         = "SENSOR"
	KindStorage        = "STORAGE"
	KindPortExtender   = "PORT_EXTENDER"
)

// The values of a component's operational status.
// Source: OpenConfig platform model, component-oper-status.
const (
	OperActive   = "ACTIVE"
	OperInactive = "INACTIVE"
	OperDisabled = "DISABLED"
)

// Capture is the normalised state of one device at an instant. Slices are
// sorted by their natural key (name, path, protocol then instance then
// interface then neighbour); [Capture.Sort] makes it so. Complete says that
// the driver read everything it asks for, so that an empty slice means none.
type Capture struct {
	Device   string    `json:"device"`
	TakenAt  time.Time `json:"taken_at"` // by Towpath's clock
	Source   string    `json:"source"`   // which driver and dialect it came by
	Complete bool      `json:"complete"`
	Unread   []string  `json:"unread,omitempty"` // what could not be read, with the reason

	Hostname Opt[string]    `json:"hostname,omitzero"`
	Release  Opt[string]    `json:"release,omitzero"` // running software version of the system
	BootTime Opt[time.Time] `json:"boot_time,omitzero"`

	Components             []Component             `json:"components,omitempty"`
	Volumes                []Volume                `json:"volumes,omitempty"`
	Boot                   []BootEntry             `json:"boot,omitempty"`
	Power                  Power                   `json:"power"`
	Interfaces             []Interface             `json:"interfaces,omitempty"`
	Aggregates             []Aggregate             `json:"aggregates,omitempty"`
	SpanningTrees          []SpanningTree          `json:"spanning_trees,omitempty"`
	Adjacencies            []Adjacency             `json:"adjacencies,omitempty"`
	RouteTables            []RouteTable            `json:"route_tables,omitempty"`
	MACs                   Opt[uint64]             `json:"macs,omitzero"`
	ARPs                   Opt[uint64]             `json:"arps,omitzero"`
	NDs                    Opt[uint64]             `json:"nds,omitzero"`
	CPUPercent             Opt[float64]            `json:"cpu_percent,omitzero"`
	MemoryPercent          Opt[float64]            `json:"memory_percent,omitzero"`
	Alarms                 []Alarm                 `json:"alarms,omitempty"`
	AlarmsKnown            bool                    `json:"alarms_known"`
	Configuration          Configuration           `json:"configuration"`
	Clock                  Clock                   `json:"clock"`
	CrashFiles             []File                  `json:"crash_files,omitempty"`
	CrashKnown             bool                    `json:"crash_known"`
	Maintenance            Opt[bool]               `json:"maintenance,omitzero"`
	Features               []string                `json:"features,omitempty"`
	LogicalNetworkElements []LogicalNetworkElement `json:"logical_network_elements,omitempty"`
}

// Component is one part of the device.
type Component struct {
	Name             string         `json:"name"`
	Kind             string         `json:"kind"` // one of the Kind constants, or another OpenConfig type
	Parent           string         `json:"parent,omitempty"`
	Part             Opt[string]    `json:"part,omitzero"`
	Serial           Opt[string]    `json:"serial,omitzero"`
	Role             Opt[string]    `json:"role,omitzero"` // Primary or Secondary, controller cards only
	Oper             Opt[string]    `json:"oper,omitzero"`
	Version          Opt[string]    `json:"version,omitzero"`  // software running on it
	Firmware         Opt[string]    `json:"firmware,omitzero"` // boot and management-processor code
	SwitchoverReady  Opt[bool]      `json:"switchover_ready,omitzero"`
	LastSwitchover   Opt[time.Time] `json:"last_switchover,omitzero"`
	SwitchoverReason Opt[string]    `json:"switchover_reason,omitzero"`
	BootTime         Opt[time.Time] `json:"boot_time,omitzero"`
	RebootReason     Opt[string]    `json:"reboot_reason,omitzero"`
	PowerAdmin       Opt[string]    `json:"power_admin,omitzero"`
	Failure          Opt[bool]      `json:"failure,omitzero"`
	Mismatch         Opt[bool]      `json:"mismatch,omitzero"`
	Empty            Opt[bool]      `json:"empty,omitzero"`
	Health           Opt[string]    `json:"health,omitzero"`      // HEALTHY, UNHEALTHY, UNSPECIFIED
	Celsius          Opt[float64]   `json:"celsius,omitzero"`     // temperature, degrees Celsius
	CPUPercent       Opt[float64]   `json:"cpu_percent,omitzero"` // controller and line cards
	MemoryPercent    Opt[float64]   `json:"memory_percent,omitzero"`
}

// Volume is one file system of a controller card.
type Volume struct {
	Controller string             `json:"controller"`
	Mount      string             `json:"mount"`
	Size       Opt[unit.ByteSize] `json:"size,omitzero"`
	Available  Opt[unit.ByteSize] `json:"available,omitzero"`
	ReadOnly   Opt[bool]          `json:"read_only,omitzero"`
	Default    Opt[bool]          `json:"default,omitzero"` // images go here unless told otherwise
	Files      []File             `json:"files,omitempty"`
	FilesKnown bool               `json:"files_known"`
}

// File is a file on a volume.
type File struct {
	Path     string         `json:"path"`
	Size     unit.ByteSize  `json:"size"`
	SHA256   Opt[string]    `json:"sha256,omitzero"` // lower-case hex, where it has been asked for
	Modified Opt[time.Time] `json:"modified,omitzero"`
}

// BootEntry says what a controller card starts next.
type BootEntry struct {
	Controller string      `json:"controller"`
	Version    Opt[string] `json:"version,omitzero"` // release it boots next
	Image      Opt[string] `json:"image,omitzero"`   // file it boots from
	Volume     Opt[string] `json:"volume,omitzero"`  // mount it boots from
}

// Power is the state of the power system as a whole.
type Power struct {
	Redundant Opt[bool] `json:"redundant,omitzero"` // survives the loss of one supply
	Feeds     []Feed    `json:"feeds,omitempty"`
}

// Feed is one power feed (an input from the building).
type Feed struct {
	Name string    `json:"name"`
	OK   Opt[bool] `json:"ok,omitzero"`
}

// Interface is one port or logical interface.
type Interface struct {
	Name        string            `json:"name"`
	Admin       Opt[string]       `json:"admin,omitzero"` // UP, DOWN
	Oper        Opt[string]       `json:"oper,omitzero"`  // UP, DOWN, …
	LastChange  Opt[time.Time]    `json:"last_change,omitzero"`
	Speed       Opt[unit.BitRate] `json:"speed,omitzero"`
	Aggregate   string            `json:"aggregate,omitempty"`
	InOctets    Opt[uint64]       `json:"in_octets,omitzero"`
	OutOctets   Opt[uint64]       `json:"out_octets,omitzero"`
	InErrors    Opt[uint64]       `json:"in_errors,omitzero"`
	OutErrors   Opt[uint64]       `json:"out_errors,omitzero"`
	InDiscards  Opt[uint64]       `json:"in_discards,omitzero"`
	OutDiscards Opt[uint64]       `json:"out_discards,omitzero"`
	Transitions Opt[uint64]       `json:"transitions,omitzero"` // carrier transitions
}

// Aggregate is a link aggregation group (IEEE 802.1AX).
type Aggregate struct {
	Name     string       `json:"name"`
	MinLinks Opt[int]     `json:"min_links,omitzero"`
	Interval Opt[string]  `json:"interval,omitzero"` // FAST or SLOW, our own configured rate
	Members  []LACPMember `json:"members,omitempty"`
}

// LACPMember is one member link of an aggregate.
type LACPMember struct {
	Interface      string      `json:"interface"`
	OwnTimeout     Opt[string] `json:"own_timeout,omitzero"`     // SHORT or LONG, decides when we give the partner up
	PartnerTimeout Opt[string] `json:"partner_timeout,omitzero"` // SHORT or LONG, decides when the partner gives us up
	Synchronized   Opt[bool]   `json:"synchronized,omitzero"`
	Collecting     Opt[bool]   `json:"collecting,omitzero"`
	Distributing   Opt[bool]   `json:"distributing,omitzero"`
	PartnerID      Opt[string] `json:"partner_id,omitzero"`
}

// SpanningTree is one instance of a spanning tree (IEEE 802.1Q clause 13).
type SpanningTree struct {
	Instance   string             `json:"instance"` // "rstp", "mst 3", "vlan 10"
	Root       Opt[bool]          `json:"root,omitzero"`
	RootID     Opt[string]        `json:"root_id,omitzero"`
	Changes    Opt[uint64]        `json:"changes,omitzero"` // topology changes so far
	LastChange Opt[time.Time]     `json:"last_change,omitzero"`
	Hello      Opt[time.Duration] `json:"hello,omitzero"`
	MaxAge     Opt[time.Duration] `json:"max_age,omitzero"`
	Delay      Opt[time.Duration] `json:"forward_delay,omitzero"`
}

// The protocols of adjacencies.
const (
	BGP    = "bgp"
	OSPFv2 = "ospfv2"
	OSPFv3 = "ospfv3"
	ISIS   = "isis"
	BFD    = "bfd"
	VRRP   = "vrrp"
	LDP    = "ldp"
	PIM    = "pim"
	LLDP   = "lldp"
	LACP   = "lacp"
	RSTP   = "rstp"
	RSVP   = "rsvp"
)

// Adjacency is one protocol relation with a neighbour. Two directions differ:
// Send and NeighbourDetect decide when the neighbour gives this device up,
// NeighbourSend and OwnDetect when this device gives the neighbour up.
type Adjacency struct {
	Protocol   string         `json:"protocol"`
	Instance   string         `json:"instance,omitempty"` // network instance or group number
	Interface  string         `json:"interface,omitempty"`
	Neighbour  string         `json:"neighbour"` // address or system id
	Peer       Opt[string]    `json:"peer,omitzero"`
	PeerPort   Opt[string]    `json:"peer_port,omitzero"` // lldp: the neighbour's port ID (IEEE 802.1AB-2016 §8.5.3)
	State      Opt[string]    `json:"state,omitzero"`     // the protocol's own word
	Up         Opt[bool]      `json:"up,omitzero"`
	Role       Opt[string]    `json:"role,omitzero"` // vrrp: active or backup; isis LAN: dis; rstp: root
	Since      Opt[time.Time] `json:"since,omitzero"`
	Transition Opt[uint64]    `json:"transitions,omitzero"`
	Priority   Opt[int]       `json:"priority,omitzero"`
	Prefixes   Opt[uint64]    `json:"prefixes,omitzero"` // received and accepted
	Implement  Opt[string]    `json:"implementation,omitzero"`
	Timers     Timers         `json:"timers"`
	Restart    Restart        `json:"restart"`
	BFD        BFDProtection  `json:"bfd"`
}

// Timers are the negotiated timers of an adjacency.
type Timers struct {
	Send            Opt[time.Duration] `json:"send,omitzero"`             // how often we send
	NeighbourSend   Opt[time.Duration] `json:"neighbour_send,omitzero"`   // how often it sends
	NeighbourDetect Opt[time.Duration] `json:"neighbour_detect,omitzero"` // silence after which it gives us up
	OwnDetect       Opt[time.Duration] `json:"own_detect,omitzero"`       // silence after which we give it up
}

// Restart is what both ends can do to keep forwarding while one restarts.
type Restart struct {
	Nonstop         Opt[bool]          `json:"nonstop,omitzero"`         // our protocol state is synchronised to the secondary
	Own             Opt[bool]          `json:"own,omitzero"`             // we announce graceful restart
	Helper          Opt[bool]          `json:"helper,omitzero"`          // the neighbour helps
	Time            Opt[time.Duration] `json:"time,omitzero"`            // restart time or grace period the neighbour grants
	ForwardingKept  Opt[bool]          `json:"forwarding_kept,omitzero"` // RFC 4724 F bit
	Notification    Opt[bool]          `json:"notification,omitzero"`    // RFC 8538 N bit
	StrictLSAChecks Opt[bool]          `json:"strict_lsa_checks,omitzero"`
}

// BFDProtection says whether a BFD session takes this adjacency down, and for
// a BFD adjacency how it is carried.
type BFDProtection struct {
	Protected   Opt[bool]   `json:"protected,omitzero"`
	Session     Opt[string] `json:"session,omitzero"`     // neighbour of the BFD adjacency
	Independent Opt[bool]   `json:"independent,omitzero"` // C bit, RFC 5880 §4.1, in both directions
	Offloaded   Opt[bool]   `json:"offloaded,omitzero"`   // sent by hardware that stays awake
	Multiplier  Opt[int]    `json:"multiplier,omitzero"`
}

// RouteTable is one routing table. Routes may be left out where only the count
// was read.
type RouteTable struct {
	Instance string      `json:"instance"`
	Family   string      `json:"family"` // "ipv4", "ipv6"
	Count    Opt[uint64] `json:"count,omitzero"`
	Routes   []Route     `json:"routes,omitempty"` // sorted by prefix
}

// Route is one installed route. NextHops is sorted and joined by commas.
type Route struct {
	Prefix   string `json:"p"`
	Protocol string `json:"o"`
	NextHops string `json:"n"`
	Metric   uint32 `json:"m"`
}

// Alarm is an active alarm.
type Alarm struct {
	ID       string      `json:"id"`
	Severity string      `json:"severity"` // CRITICAL, MAJOR, MINOR, WARNING, UNKNOWN
	Text     string      `json:"text"`
	Resource string      `json:"resource,omitempty"`
	Since    Opt[string] `json:"since,omitzero"`
}

// Configuration is the state of the device's configuration, not its text.
type Configuration struct {
	Digest  Opt[string]    `json:"digest,omitzero"` // SHA-256 of the running configuration, hex
	Changed Opt[time.Time] `json:"changed,omitzero"`
	Unsaved Opt[bool]      `json:"unsaved,omitzero"`
	Locked  Opt[string]    `json:"locked,omitzero"` // holder of the lock or open session; known and empty means none
	Backup  Opt[time.Time] `json:"backup,omitzero"` // last backup off the box
}

// Clock is the device's idea of the time.
type Clock struct {
	Offset Opt[time.Duration] `json:"offset,omitzero"` // device minus Towpath, at the middle of the read
	Synced Opt[bool]          `json:"synced,omitzero"`
}

// LogicalNetworkElement is one virtual device of the chassis. Source of the term:
// RFC 8530 §1.
type LogicalNetworkElement struct {
	Name string      `json:"name"`
	Oper Opt[string] `json:"oper,omitzero"`
}

// Controllers returns the controller cards, in order of name.
func (c *Capture) Controllers() []Component {
	var out []Component
	for _, k := range c.Components {
		if k.Kind == KindControllerCard {
			out = append(out, k)
		}
	}
	return out
}

// Component returns the component with the name, and whether there is one.
func (c *Capture) Component(name string) (Component, bool) {
	for _, k := range c.Components {
		if k.Name == name {
			return k, true
		}
	}
	return Component{}, false
}

// ControllerWithRole returns the only controller card with the role; ok is
// false when there is none or more than one.
func (c *Capture) ControllerWithRole(role string) (card Component, ok bool) {
	n := 0
	for _, k := range c.Controllers() {
		if r, known := k.Role.Get(); known && r == role {
			card = k
			n++
		}
	}
	return card, n == 1
}

// Name names an adjacency in words that are the same everywhere: protocol,
// neighbour, then the interface and the network instance where they tell
// adjacencies apart, such as "ospfv2 192.0.2.2 on port-1/0".
func (a Adjacency) Name() string {
	n := a.Protocol
	if a.Neighbour != "" {
		n += " " + a.Neighbour
	}
	if a.Interface != "" {
		n += " on " + a.Interface
	}
	if a.Instance != "" && a.Instance != "default" {
		n += " in " + a.Instance
	}
	return n
}
