package lab

import (
	"time"

	"towpath/internal/fleet"
	"towpath/internal/lab/forward"
	"towpath/internal/lab/labtime"
	"towpath/internal/lab/neighbour"
	"towpath/internal/unit"
)

// Config says what a lab emulates. [Scenario] fills one in completely.
type Config struct {
	// Devices are the chassis; the first carries the faults.
	Devices []DeviceConfig
	// Clock is the time of the lab. nil means a clock at rate one, made and
	// closed by the lab.
	Clock *labtime.Clock
	// Seed decides everything that is drawn: silences, losses, random faults.
	Seed uint64
	// Faults are names of [Faults] to switch on.
	Faults []string
	// FaultHop is the hop of a multi-hop path in which the faults strike, 1 for
	// the first, which zero means too.
	FaultHop int
	// Dir is where received files that do not fit in memory are kept; empty
	// means a temporary folder that Close removes.
	Dir string
	// MemoryFile is the largest received file that is kept in memory; zero means
	// 64 MiB.
	MemoryFile unit.ByteSize
	// DiscardContent hashes what is installed and throws the octets away, for
	// measuring throughput. Such files cannot be read back.
	DiscardContent bool
	// CertificateLife is how long the certificates hold from the clock's present
	// on; zero means 30 days.
	CertificateLife time.Duration
}

// DeviceConfig is one chassis.
type DeviceConfig struct {
	ID       fleet.DeviceID
	Platform string
	Listen   string // management address; empty means 127.0.0.1:0
	// ShellListen is the address of the command line over SSH, such as
	// 127.0.0.1:0; empty serves none. ShellPace is how long it pauses between
	// pieces of 64 octets, in our time.
	ShellListen string
	ShellPace   time.Duration
	// ConsoleListen is the address of a console server with a line for each
	// controller card, such as 127.0.0.1:0; each line has a port of its own, so the
	// port is to be 0. Empty serves none. It needs ShellListen. ConsoleSpeed is how
	// many octets a second a line takes to those who listen, in our time; zero is as
	// fast as it goes.
	ConsoleListen string
	ConsoleSpeed  int
	// FetchTrust is the PEM of the certificates by which the command line trusts
	// servers that it fetches from: authorities, or servers themselves. Nil is the
	// authority of the lab.
	FetchTrust []byte
	NETCONF    NETCONF
	// PerController is true where each controller card is installed and
	// activated by itself.
	PerController bool
	Release       string // running on everything at the start
	Releases      []Release
	// Installed are further releases whose packages lie on both controller
	// cards at the start; the running one always does.
	Installed []string

	Controllers   []Controller // two; the first is PRIMARY at the start
	LineCards     []LineCard
	Fabrics       []Part
	PowerSupplies []Part
	Fans          []Part
	Extenders     []Extender
	Feeds         []string // power feeds

	Interfaces             []Interface
	Aggregates             []Aggregate
	SpanningTree           *SpanningTree
	Adjacencies            []Adjacency
	Router                 Router
	Routes                 Routes
	Tables                 Tables
	Features               []string
	LogicalNetworkElements []string
	Processes              []string
	NTPServers             []string

	Volume Volume
	Flows  []forward.Flow

	Durations Durations
	// Silence is how long the control plane says nothing at a switchover; the
	// management plane of the new PRIMARY comes up with it.
	Silence Range
	// FastSilence lets silences pass at the rate of the lab's clock. Without it
	// the clock runs at rate one as long as the control plane is silent in a
	// switchover, so that a silence is as long as drawn also where the clock is
	// fast and the machine busy.
	FastSilence bool
	// Loss is how long the data plane drops everything at a switchover, in real
	// time.
	Loss Range
	// TransferRate bounds the installation, octets per second of the lab's
	// clock; zero means as fast as it goes.
	TransferRate unit.ByteSize
	// Housekeeping lets the chassis delete installed packages that it does not
	// need when room is wanted. Without it a package that does not fit is
	// TOO_LARGE.
	Housekeeping bool

	Configuration Configuration
}

// NETCONF says how a chassis serves NETCONF, beside gNMI.
type NETCONF struct {
	Serve  bool
	Listen string // empty means 127.0.0.1:0
	// Only10 offers base:1.0 alone; Running has no candidate and writes at once;
	// Mute sends no notifications.
	Only10, Running, Mute bool
	// Standard leaves out everything but the modules of the IETF.
	Standard bool
}

// Range is a duration that is drawn evenly between two ends.
type Range struct{ Least, Most time.Duration }

// Release is a version of the platform's software and what it demands.
type Release struct {
	Version string
	File    string // name of its system package on the volumes; empty: made from platform and version
	Size    unit.ByteSize
	Seed    uint64
	// SyncsWith are the releases whose state a secondary with this release can
	// take over, beside its own; nil means every release.
	SyncsWith []string
	// Firmware lists the lowest levels with which components start the release.
	Firmware []FirmwareLevel
	// Extenders are the parts of port extenders that it supports; empty means
	// all.
	Extenders []string
}

// FirmwareLevel is a lowest firmware level for a kind of component.
type FirmwareLevel struct {
	Kind, Part, Level string
}

// Part is what every component has.
type Part struct {
	Name     string
	Part     string
	Serial   string
	Hardware string
	Firmware string
}

// Controller is a controller card.
type Controller struct {
	Part
	Memory unit.ByteSize
}

// LineCard is a line card.
type LineCard struct {
	Part
	Memory unit.ByteSize
	// Loss is how long the flows it carries are dropped at a restart that keeps
	// forwarding, ColdLoss at one that does not (until the rest of the chassis
	// has taken them over). Both are real time.
	Loss, ColdLoss time.Duration
}

// Extender is a port extender (IEEE 802.1BR).
type Extender struct {
	Part
	Card string // line card it hangs on
}

// Interface is a port.
type Interface struct {
	Name        string
	Card        string // line card or extender; empty for a loopback
	Speed       unit.BitRate
	Aggregate   string
	Description string
	InRate      unit.BitRate // what its counters grow by
	OutRate     unit.BitRate
}

// Aggregate is a link aggregation group.
type Aggregate struct {
	Name        string
	Description string
	MinLinks    int
	Fast        bool // our own LACP rate
}

// SpanningTree is what the chassis's rapid spanning tree has seen before the
// start. The bridges themselves are among the adjacencies.
type SpanningTree struct {
	Changes int           // topology changes counted
	Quiet   time.Duration // since the last one
}

// Router is what the routing protocols of the chassis have in common.
type Router struct {
	AS       uint32
	RouterID string
}

// Routes is how many routes are installed.
type Routes struct{ IPv4, IPv6 int }

// Tables are the sizes of the tables of learned neighbours.
type Tables struct{ MACs, ARPs, NDs uint64 }

// Volume is the file system of each controller card.
type Volume struct {
	Mount  string // "/flash"
	Size   unit.ByteSize
	System unit.ByteSize // always in use
	// Files are further files on both, by path and size.
	Files map[string]unit.ByteSize
}

// Durations say how long things take, by the lab's clock.
type Durations struct {
	ControllerBoot time.Duration // until a controller card runs its release
	StateSync      time.Duration // bulk copy of state to the secondary
	PackageCopy    time.Duration // copy of a package between controller cards
	Validation     time.Duration // of a received package
	LineCardBoot   time.Duration // cold
	LineCardNSF    time.Duration // keeping forwarding
	FabricRestart  time.Duration // each; the chassis does them by itself after a switchover
	ExtenderUpdate time.Duration // each; likewise
}

// Configuration is the state of the configuration at the start.
type Configuration struct {
	Unsaved    bool
	LockHolder string
	// ChangedAgo and BackupAgo are how long before the start.
	ChangedAgo time.Duration
	BackupAgo  time.Duration
}

// Adjacency is one protocol relation with a neighbour. Fields that do not
// apply to the protocol are ignored.
type Adjacency struct {
	neighbour.Config
	Address      string // IP address of the neighbour where Neighbour is none
	LocalAddress string
	PeerPort     string // lldp: the neighbour's port
	Virtual      string // vrrp: the address that the group serves
	PeerAS       uint32 // bgp
	PrefixesV6   int    // bgp: received beside those of IPv4
	Area         string // ospf
	Level        int    // isis
}
