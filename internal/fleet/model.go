// Package fleet holds what the operator owns: devices with their components,
// the links between them, redundancy groups and demands, and how they are read
// from files.
//
// Read [Fleet] first, then [Read], which turns YAML into one and reports every
// mistake with its file, line and column.
package fleet

import (
	"cmp"
	"net/netip"
	"time"

	"towpath/internal/unit"
)

// DeviceID names one managed network element, unique in the fleet.
type DeviceID string

// Fleet is everything the operator owns that Towpath needs to know. Slices are
// in file order; lookups go through [Fleet.Device] and friends.
type Fleet struct {
	Operator string            `yaml:"operator" json:"operator"`
	Devices  []Device          `yaml:"devices" json:"devices"`
	Links    []Link            `yaml:"links,omitempty" json:"links,omitempty"`
	Groups   []RedundancyGroup `yaml:"redundancy-groups,omitempty" json:"redundancy-groups,omitempty"`
	Demands  []Demand          `yaml:"demands,omitempty" json:"demands,omitempty"`
	// Risks say what fails together; links may name the same groups themselves.
	Risks       []RiskGroup  `yaml:"shared-risk-groups,omitempty" json:"shared-risk-groups,omitempty"`
	Attachments []Attachment `yaml:"attachments,omitempty" json:"attachments,omitempty"`
}

// Device is one managed network element.
type Device struct {
	ID       DeviceID `yaml:"id" json:"id"`
	Platform string   `yaml:"platform" json:"platform"` // a platform of the release catalogue
	Site     string   `yaml:"site,omitempty" json:"site,omitempty"`
	Role     string   `yaml:"role,omitempty" json:"role,omitempty"` // free text such as "aggregation"
	// Release is what the operator believes is running; a capture overrides it.
	Release string `yaml:"release,omitempty" json:"release,omitempty"`
	// Features in use that the release catalogue's conditions may name.
	Features               []string                `yaml:"features,omitempty" json:"features,omitempty"`
	Components             []Component             `yaml:"components,omitempty" json:"components,omitempty"`
	LogicalNetworkElements []LogicalNetworkElement `yaml:"logical-network-elements,omitempty" json:"logical-network-elements,omitempty"`
	Access                 Access                  `yaml:"access,omitempty" json:"access,omitempty"`
	Console                Console                 `yaml:"console,omitempty" json:"console,omitempty"`
	Serves                 []string                `yaml:"serves,omitempty" json:"serves,omitempty"` // who depends on it, in the operator's words
	Labels                 map[string]string       `yaml:"labels,omitempty" json:"labels,omitempty"`
	// Drain is how traffic is moved away from it; empty means [DrainStrict].
	Drain string `yaml:"drain,omitempty" json:"drain,omitempty"`
}

// The ways of draining a device.
const (
	// DrainStrict lets no path pass through the device, not even the only one.
	// Source: ISO/IEC 10589 §7.2.8.1 (overload), RFC 3787 §4.
	DrainStrict = "strict"
	// DrainLastResort makes every way through the device the last one that is
	// taken. Source: RFC 6987 §2.
	DrainLastResort = "last-resort"
)

// Component is one part of a device as the operator's inventory knows it. The
// capture is the authority on what is really there.
type Component struct {
	Name     string `yaml:"name" json:"name"`
	Kind     string `yaml:"kind" json:"kind"` // OpenConfig platform type, such as CONTROLLER_CARD, LINECARD, FABRIC, PORT_EXTENDER
	Part     string `yaml:"part,omitempty" json:"part,omitempty"`
	Firmware string `yaml:"firmware,omitempty" json:"firmware,omitempty"`
}

// LogicalNetworkElement is one of several virtual devices on a chassis; all share
// its upgrade. Source of the term: RFC 8530 §1.
type LogicalNetworkElement struct {
	Name   string   `yaml:"name" json:"name"`
	Serves []string `yaml:"serves,omitempty" json:"serves,omitempty"`
}

// Access says how a device is reached. Secrets are references only.
type Access struct {
	Driver  string `yaml:"driver,omitempty" json:"driver,omitempty"` // empty means "openconfig"
	Address string `yaml:"address,omitempty" json:"address,omitempty"`
	// ServerName is the name the device's certificate must carry; empty means
	// the device's id.
	ServerName string    `yaml:"server-name,omitempty" json:"server-name,omitempty"`
	Authority  SecretRef `yaml:"authority,omitempty" json:"authority,omitempty"` // PEM of the certificate authority
	Cert       SecretRef `yaml:"certificate,omitempty" json:"certificate,omitempty"`
	Key        SecretRef `yaml:"key,omitempty" json:"key,omitempty"`
	// InsecureReason, when set, switches certificate verification off for this
	// device; the reason is printed at every use and recorded in the evidence.
	InsecureReason string `yaml:"insecure-reason,omitempty" json:"insecure-reason,omitempty"`

	// The log-in over SSH, of the drivers that use it; Key is then the private
	// key of User, in PEM as OpenSSH writes it. Key, Agent and Password are
	// tried in this order.
	User     string    `yaml:"user,omitempty" json:"user,omitempty"`
	Password SecretRef `yaml:"password,omitempty" json:"password,omitempty"`
	Agent    bool      `yaml:"agent,omitempty" json:"agent,omitempty"` // ask the agent at SSH_AUTH_SOCK
	// KnownHosts are the host keys, in OpenSSH's known_hosts format.
	KnownHosts SecretRef `yaml:"known-hosts,omitempty" json:"known-hosts,omitempty"`
	// Jump are the hosts that the connection goes through, the nearest to us
	// first.
	Jump []JumpHost `yaml:"jump,omitempty" json:"jump,omitempty"`
	// Adapter says what the command line is like, of the driver "command-line": a
	// file of the workspace, or the name of one that comes with Towpath.
	Adapter string `yaml:"adapter,omitempty" json:"adapter,omitempty"`
	// Console, when not nil, has the driver "command-line" work over the device's
	// console line; Address is then optional, and only for images.
	Console *ConsoleLine `yaml:"console,omitempty" json:"console,omitempty"`
	// ImageServer, when not nil, is where the device fetches images from, of an
	// adapter whose devices do.
	ImageServer *ImageServer `yaml:"image-server,omitempty" json:"image-server,omitempty"`
	SNMP        SNMP         `yaml:"snmp,omitempty" json:"snmp,omitempty"` // of the driver "snmp"
}

// ImageServer is the server that this program runs while a device fetches an
// image, under a path that is good once. With a certificate it is HTTPS.
type ImageServer struct {
	Listen string `yaml:"listen" json:"listen"` // host:port here
	// Host is what the device calls it by, where that is not what it listens on.
	Host string `yaml:"host,omitempty" json:"host,omitempty"`
	// From is the address that the device fetches from, where that is not the one
	// that it is driven at. Only it may fetch.
	From string    `yaml:"from,omitempty" json:"from,omitempty"`
	Cert SecretRef `yaml:"certificate,omitempty" json:"certificate,omitempty"`
	Key  SecretRef `yaml:"key,omitempty" json:"key,omitempty"`
}

// ParseFrom reads [ImageServer.From]: an address is the prefix of it alone.
func ParseFrom(s string) (netip.Prefix, error) {
	if a, err := netip.ParseAddr(s); err == nil {
		return netip.PrefixFrom(a, a.BitLen()), nil
	}
	return netip.ParsePrefix(s)
}

// JumpHost is a host that connections over SSH go through.
type JumpHost struct {
	Address        string    `yaml:"address" json:"address"`
	User           string    `yaml:"user" json:"user"`
	Key            SecretRef `yaml:"key,omitempty" json:"key,omitempty"`
	Password       SecretRef `yaml:"password,omitempty" json:"password,omitempty"`
	Agent          bool      `yaml:"agent,omitempty" json:"agent,omitempty"`
	KnownHosts     SecretRef `yaml:"known-hosts,omitempty" json:"known-hosts,omitempty"`
	InsecureReason string    `yaml:"insecure-reason,omitempty" json:"insecure-reason,omitempty"`
}

// SNMP says who asks over SNMP: a community (version 2c), or a user with its
// two secrets (version 3, authPriv).
type SNMP struct {
	Community SecretRef `yaml:"community,omitempty" json:"community,omitempty"`
	User      string    `yaml:"user,omitempty" json:"user,omitempty"`
	// AuthProtocol and PrivProtocol are as in [SNMPAuthProtocols] and
	// [SNMPPrivProtocols]; empty means SHA-256 and AES-128.
	AuthProtocol string    `yaml:"auth-protocol,omitempty" json:"auth-protocol,omitempty"`
	AuthSecret   SecretRef `yaml:"auth-secret,omitempty" json:"auth-secret,omitempty"`
	PrivProtocol string    `yaml:"priv-protocol,omitempty" json:"priv-protocol,omitempty"`
	PrivSecret   SecretRef `yaml:"priv-secret,omitempty" json:"priv-secret,omitempty"`
	Context      string    `yaml:"context,omitempty" json:"context,omitempty"` // name of the context, mostly empty
}

// SNMPAuthProtocols are the names of the authentication protocols of SNMPv3.
// Source: RFC 3414 §1.4.2, RFC 7860 §4.
func SNMPAuthProtocols() []string {
	return []string{"SHA-512", "SHA-384", "SHA-256", "SHA-224", "SHA-1", "MD5"}
}

// SNMPPrivProtocols are the names of the privacy protocols of SNMPv3. Those
// that end in "-C" lengthen keys as most network elements do.
// Source: RFC 3826 for AES-128, RFC 3414 §8 for DES, common practice for the
// others.
func SNMPPrivProtocols() []string {
	return []string{"AES-256", "AES-256-C", "AES-192", "AES-192-C", "AES-128", "DES"}
}

// ConsoleLine is the port of a console server that the device's console is
// plugged into. The account on the console server and the one on the device are
// two things: User, Key, Password, Agent and KnownHosts are of the console
// server, Login is of the device.
//
// A device with a console for each controller card has Controllers: what one of
// them does not say is that of the ConsoleLine, which then needs no address.
type ConsoleLine struct {
	Address        string       `yaml:"address,omitempty" json:"address,omitempty"` // host:port where the console server serves the line by SSH
	User           string       `yaml:"user" json:"user"`
	Key            SecretRef    `yaml:"key,omitempty" json:"key,omitempty"`
	Password       SecretRef    `yaml:"password,omitempty" json:"password,omitempty"`
	Agent          bool         `yaml:"agent,omitempty" json:"agent,omitempty"`
	KnownHosts     SecretRef    `yaml:"known-hosts,omitempty" json:"known-hosts,omitempty"`
	InsecureReason string       `yaml:"insecure-reason,omitempty" json:"insecure-reason,omitempty"`
	Jump           []JumpHost   `yaml:"jump,omitempty" json:"jump,omitempty"` // the nearest to us first
	Login          ConsoleLogin `yaml:"login,omitempty" json:"login,omitempty"`
	// OpenSession is what is done where a session that is not ours is open on the
	// line; empty means [OpenSessionRefuse].
	OpenSession string `yaml:"open-session,omitempty" json:"open-session,omitempty"`
	// Settle is how long the line must be quiet before its last line is judged;
	// zero is half a second.
	Settle      time.Duration       `yaml:"settle,omitempty" json:"settle,omitempty"`
	Controllers []ControllerConsole `yaml:"controllers,omitempty" json:"controllers,omitempty"`
}

// ControllerConsole is the console line of one controller card.
type ControllerConsole struct {
	Controller     string     `yaml:"controller" json:"controller"` // as the device names it
	Address        string     `yaml:"address,omitempty" json:"address,omitempty"`
	User           string     `yaml:"user,omitempty" json:"user,omitempty"`
	Key            SecretRef  `yaml:"key,omitempty" json:"key,omitempty"`
	Password       SecretRef  `yaml:"password,omitempty" json:"password,omitempty"`
	Agent          bool       `yaml:"agent,omitempty" json:"agent,omitempty"`
	KnownHosts     SecretRef  `yaml:"known-hosts,omitempty" json:"known-hosts,omitempty"`
	InsecureReason string     `yaml:"insecure-reason,omitempty" json:"insecure-reason,omitempty"`
	Jump           []JumpHost `yaml:"jump,omitempty" json:"jump,omitempty"`
}

// Lines are the console lines one by one, each with all that it says or leaves to
// what all have in common: one without a controller card, or one for each.
func (l *ConsoleLine) Lines() []ControllerConsole {
	common := ControllerConsole{Address: l.Address, User: l.User, Key: l.Key, Password: l.Password, Agent: l.Agent,
		KnownHosts: l.KnownHosts, InsecureReason: l.InsecureReason, Jump: l.Jump}
	if len(l.Controllers) == 0 {
		return []ControllerConsole{common}
	}
	out := make([]ControllerConsole, len(l.Controllers))
	for i, c := range l.Controllers {
		c.Address, c.User = cmp.Or(c.Address, l.Address), cmp.Or(c.User, l.User)
		if c.Key == "" && c.Password == "" && !c.Agent { // the ways of one account
			c.Key, c.Password, c.Agent = l.Key, l.Password, l.Agent
		}
		c.KnownHosts, c.InsecureReason = cmp.Or(c.KnownHosts, l.KnownHosts), cmp.Or(c.InsecureReason, l.InsecureReason)
		if c.Jump == nil {
			c.Jump = l.Jump
		}
		out[i] = c
	}
	return out
}

// ConsoleLogin is who logs in to the device on its console line; the zero value
// where the line asks nobody.
type ConsoleLogin struct {
	User     string    `yaml:"user,omitempty" json:"user,omitempty"`
	Password SecretRef `yaml:"password,omitempty" json:"password,omitempty"`
}

// What is done with a session that somebody left open on a console line.
const (
	OpenSessionRefuse = "refuse"  // nothing is typed into it, and the line is left
	OpenSessionLogOut = "log-out" // it is ended, and ours begun
	OpenSessionUse    = "use"     // the commands are typed into it
)

// ConsoleAddress is where the device's console answers: that of the out-of-band
// way, else that of the console line which the device is driven over, the first
// one where each controller card has its own. It is empty where there is none.
func (d *Device) ConsoleAddress() string {
	if d.Console.Address == "" && d.Access.Console != nil {
		return d.Access.Console.Lines()[0].Address
	}
	return d.Console.Address
}

// Console is the out-of-band way to a device.
type Console struct {
	Address string `yaml:"address,omitempty" json:"address,omitempty"` // host:port, reached by TCP
}

// SecretRef points at a secret without containing it: "env:NAME" or
// "file:PATH" (relative to the workspace), the file age-encrypted where its
// name ends in ".age".
type SecretRef string

// RedundancyGroup is a set of devices of which at least AtLeast must stay in
// service.
type RedundancyGroup struct {
	Name    string     `yaml:"name" json:"name"`
	Members []DeviceID `yaml:"members" json:"members"`
	AtLeast int        `yaml:"at-least" json:"at-least"`
}

// Endpoint is an interface of a device.
type Endpoint struct {
	Device    DeviceID `yaml:"device" json:"device"`
	Interface string   `yaml:"interface" json:"interface"`
}

// Link joins two interfaces. Capacity holds for each direction by itself.
type Link struct {
	ID         string       `yaml:"id" json:"id"`
	A          Endpoint     `yaml:"a" json:"a"`
	B          Endpoint     `yaml:"b" json:"b"`
	Capacity   unit.BitRate `yaml:"capacity" json:"capacity"`
	MetricAB   int          `yaml:"metric-ab,omitempty" json:"metric-ab,omitempty"` // IGP metric from A to B; 0 means 1
	MetricBA   int          `yaml:"metric-ba,omitempty" json:"metric-ba,omitempty"` // IGP metric from B to A; 0 means MetricAB
	SharedRisk []string     `yaml:"shared-risk,omitempty" json:"shared-risk,omitempty"`
	// Members is how many links an aggregate has, which share Capacity alike; 0
	// means 1. With fewer than MinimumLinks of them it is down; 0 means 1.
	// Source: IEEE 802.1AX-2020 §6; minimum links: common practice.
	Members      int `yaml:"members,omitempty" json:"members,omitempty"`
	MinimumLinks int `yaml:"minimum-links,omitempty" json:"minimum-links,omitempty"`
}

// RiskGroup is a set of links and devices that fail together.
type RiskGroup struct {
	Name    string     `yaml:"name" json:"name"`
	Kind    string     `yaml:"kind,omitempty" json:"kind,omitempty"` // one of [RiskKinds]
	Links   []string   `yaml:"links,omitempty" json:"links,omitempty"`
	Devices []DeviceID `yaml:"devices,omitempty" json:"devices,omitempty"`
}

// Attachment is a host, service or site that hangs on one or several devices
// and passes no traffic on. Capacity holds for each end and direction.
type Attachment struct {
	Name     string       `yaml:"name" json:"name"`
	At       []Endpoint   `yaml:"at" json:"at"` // the preferred one first
	Gateway  string       `yaml:"gateway,omitempty" json:"gateway,omitempty"`
	Capacity unit.BitRate `yaml:"capacity,omitempty" json:"capacity,omitempty"` // 0 means that it never limits
}

// The ways in which an attachment sends into the network.
const (
	// GatewayVRRP sends to the first end that is there.
	// Source: RFC 9568 §1, one active virtual router at a time.
	GatewayVRRP = "vrrp"
	// GatewayAnycast sends to all ends alike, as behind an anycast gateway or
	// on a multi-chassis link; it is what an empty text means.
	GatewayAnycast = "anycast"
)

// Demand is traffic that must be carried from one device or attachment to
// another; From and To hold the id of the one or the name of the other.
type Demand struct {
	Name string       `yaml:"name,omitempty" json:"name,omitempty"`
	From DeviceID     `yaml:"from" json:"from"`
	To   DeviceID     `yaml:"to" json:"to"`
	Rate unit.BitRate `yaml:"rate" json:"rate"`
}

// Device returns the device with the id, and whether there is one.
func (f *Fleet) Device(id DeviceID) (Device, bool) {
	for _, d := range f.Devices {
		if d.ID == id {
			return d, true
		}
	}
	return Device{}, false
}

// GroupsOf returns the redundancy groups that the device is a member of, in
// file order.
func (f *Fleet) GroupsOf(id DeviceID) []RedundancyGroup {
	var out []RedundancyGroup
	for _, g := range f.Groups {
		for _, m := range g.Members {
			if m == id {
				out = append(out, g)
				break
			}
		}
	}
	return out
}
