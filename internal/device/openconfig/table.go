//nolint:misspell // the words of the OpenConfig models
package openconfig

import (
	"towpath/internal/device"
	"towpath/internal/state"
)

// facts stands in the table for the origin that Config.FactsOrigin names.
const facts = "facts"

// The common starts of patterns, as the standard's documents abbreviate them.
const (
	niPath       = "/network-instances/network-instance[name]"
	protocolPath = niPath + "/protocols/protocol[identifier][name]"
	bgpNeighbour = protocolPath + "/bgp/neighbors/neighbor[neighbor-address]"
	ospfIface    = protocolPath + "/ospfv2/areas/area[identifier]/interfaces/interface[id]"
	isisLevel    = protocolPath + "/isis/interfaces/interface[interface-id]/levels/level[level-number]"
	pimIface     = protocolPath + "/pim/interfaces/interface[interface-id]"
	ldpPath      = niPath + "/mpls/signaling-protocols/ldp"
	lacpPath     = "/lacp/interfaces/interface[name]"
	bfdPath      = "/bfd/interfaces/interface[id]"
	vrrpGroup    = "/interfaces/interface[name]/subinterfaces/subinterface[index]/ipv4/addresses/address[ip]/vrrp/vrrp-group[virtual-router-id]"
	vrrpVLAN     = "/interfaces/interface[name]/routed-vlan/ipv4/addresses/address[ip]/vrrp/vrrp-group[virtual-router-id]"
)

// section is what is asked for with one subscription, so that a device that
// does not model it loses no other. Its groups share the name under which a
// capture lists it when it could not be read.
type section struct {
	name   string
	origin string         // empty is OpenConfig
	scopes []device.Scope // that read it; ScopeFull reads everything
	groups []group
}

// group is the rows of one kind of object: a pattern whose keys name the
// object, and the leaves below it.
type group struct {
	base string
	into *kind
	rows []row
}

// row says which field of the object a leaf fills, and how its value is
// written.
type row struct {
	leaf  string
	field string // path of Go field names in the object
	form  form
}

var (
	always     = []device.Scope{device.ScopeFull, device.ScopeComponents, device.ScopeLive}
	components = []device.Scope{device.ScopeFull, device.ScopeComponents}
	live       = []device.Scope{device.ScopeFull, device.ScopeLive}
	full       = []device.Scope{device.ScopeFull}
)

// sections is everything that a capture reads, except files (which gNOI File
// lists), the clock (gNOI Time) and the routes themselves (routes.go).
// Source: OpenConfig public models, openconfig-platform 0.32.0 and the models
// of the same release; the facts origin is described where it is served.
var sections = []section{
	{name: "components", scopes: always, groups: []group{
		{"/components/component[name]", aComponent, []row{
			{"state/type", "Component.Kind", identity},
			{"state/parent", "Component.Parent", plain},
			{"state/part-no", "Component.Part", plain},
			{"state/serial-no", "Component.Serial", plain},
			{"state/redundant-role", "Component.Role", identity},
			{"state/oper-status", "Component.Oper", identity},
			{"state/software-version", "Component.Version", plain},
			{"state/firmware-version", "Component.Firmware", plain},
			{"state/switchover-ready", "Component.SwitchoverReady", plain},
			{"state/last-switchover-time", "Component.LastSwitchover", epochNanos},
			{"state/last-switchover-reason/trigger", "SwitchoverTrigger", identity},
			{"state/last-switchover-reason/details", "SwitchoverDetails", plain},
			{"state/boot-time", "Component.BootTime", epochNanos},
			{"state/last-reboot-reason", "Component.RebootReason", identity},
			{"state/equipment-failure", "Component.Failure", plain},
			{"state/equipment-mismatch", "Component.Mismatch", plain},
			{"state/empty", "Component.Empty", plain},
			{"state/temperature/instant", "Component.Celsius", plain},
			{"state/memory/available", "MemoryInstalled", plain},
			{"state/memory/utilized", "MemoryUsed", plain},
			{"cpu/utilization/state/instant", "CPUInstant", plain},
			{"cpu/utilization/state/avg", "CPUAverage", plain},
			{"controller-card/state/power-admin-state", "Component.PowerAdmin", identity},
			{"linecard/state/power-admin-state", "Component.PowerAdmin", identity},
			{"fabric/state/power-admin-state", "Component.PowerAdmin", identity},
			{"healthz/state/status", "Component.Health", identity},
		}},
	}},
	{name: "system", scopes: components, groups: []group{
		{"/system", theSystem, []row{
			{"state/hostname", "Capture.Hostname", plain},
			{"state/software-version", "Capture.Release", plain},
			{"state/boot-time", "Capture.BootTime", epochNanos},
			{"state/last-configuration-timestamp", "Capture.Configuration.Changed", epochNanos},
		}},
	}},
	{name: "processor and memory of the system", scopes: components, groups: []group{
		{"/system", theSystem, []row{
			{"memory/state/physical", "MemoryPhysical", plain},
			{"memory/state/used", "MemoryUsed", plain},
		}},
		{"/system/cpus/cpu[index]", aProcessor, []row{
			{"state/total/instant", "Instant", plain},
			{"state/total/avg", "Average", plain},
		}},
	}},
	{name: "volumes", scopes: components, groups: []group{
		{"/system/mount-points/mount-point[name]", aVolume, []row{
			{"state/size", "CoarseSize", mebibytes},
			{"state/available", "CoarseAvailable", mebibytes},
			{"state/storage-component", "Storage", plain},
		}},
	}},
	{name: "alarms", scopes: components, groups: []group{
		{"/system/alarms/alarm[id]", anAlarm, []row{
			{"state/severity", "Severity", identity},
			{"state/text", "Text", plain},
			{"state/resource", "Resource", plain},
			{"state/time-created", "Since", epochNanos},
		}},
	}},
	{name: "interfaces", scopes: full, groups: []group{
		{"/interfaces/interface[name]", anInterface, []row{
			{"state/admin-status", "Interface.Admin", identity},
			{"state/oper-status", "Interface.Oper", identity},
			{"state/last-change", "Interface.LastChange", epochNanos},
			{"state/counters/in-octets", "Interface.InOctets", plain},
			{"state/counters/out-octets", "Interface.OutOctets", plain},
			{"state/counters/in-errors", "Interface.InErrors", plain},
			{"state/counters/out-errors", "Interface.OutErrors", plain},
			{"state/counters/in-discards", "Interface.InDiscards", plain},
			{"state/counters/out-discards", "Interface.OutDiscards", plain},
			{"state/counters/carrier-transitions", "Interface.Transitions", plain},
			{"ethernet/state/port-speed", "Interface.Speed", portSpeed},
			{"ethernet/state/aggregate-id", "Interface.Aggregate", plain},
			{"aggregation/state/lag-type", "AggregateType", identity},
			{"aggregation/state/min-links", "MinLinks", plain},
			{"aggregation/state/member", "Members", plain},
		}},
	}},
	{name: "link aggregation", scopes: live, groups: []group{
		{lacpPath, aLACPInterface, []row{
			{"state/interval", "Interval", identity},
		}},
		{lacpPath + "/members/member[interface]", aLACPMember, []row{
			{"state/timeout", "Member.OwnTimeout", identity},
			{"state/synchronization", "Member.Synchronized", yesInSync},
			{"state/collecting", "Member.Collecting", plain},
			{"state/distributing", "Member.Distributing", plain},
			{"state/partner-id", "Member.PartnerID", plain},
			{"state/last-change", "LastChange", epochNanos},
		}},
	}},
	{name: "spanning tree", scopes: full, groups: []group{
		{"/stp/rstp", aTree, treeRows},
		{"/stp/mstp/mst-instances/mst-instance[mst-id]", aTreeInstance, treeRows},
		{"/stp/rapid-pvst/vlan[vlan-id]", aTreeVLAN, treeRows},
	}},
	{name: "LLDP", scopes: live, groups: []group{
		{"/lldp", theLLDP, []row{
			{"state/hello-timer", "Hello", seconds},
			{"state/ttl", "TTL", seconds},
		}},
		{"/lldp/interfaces/interface[name]/neighbors/neighbor[id]", anLLDPNeighbour, []row{
			{"state/chassis-id", "Chassis", plain},
			{"state/port-id", "Adjacency.PeerPort", plain},
			{"state/system-name", "Adjacency.Peer", plain},
		}},
	}},
	{name: "BFD", scopes: live, groups: []group{
		{bfdPath, aBFDInterface, []row{
			{"state/interface", "Interface", plain},
			{"state/desired-minimum-tx-interval", "Send", micros},
			{"state/required-minimum-receive", "Receive", micros},
			{"state/detection-multiplier", "Multiplier", plain},
		}},
		{bfdPath + "/peers/peer[local-discriminator]", aBFDPeer, []row{
			{"state/remote-address", "Remote", plain},
			{"state/session-state", "Adjacency.State", identity},
			{"state/failure-transitions", "Adjacency.Transition", plain},
			{"state/remote-minimum-receive-interval", "RemoteReceive", micros},
			{"state/subscribed-protocols", "Clients", identity},
		}},
	}},
	{name: "VRRP", scopes: live, groups: []group{
		{vrrpGroup, aVRRPGroup, vrrpRows},
		{vrrpVLAN, aVRRPVLAN, vrrpRows},
	}},
	{name: "BGP", scopes: live, groups: []group{
		{protocolPath + "/bgp/global", aBGP, []row{
			{"graceful-restart/state/enabled", "Restart", plain},
			{"graceful-restart/state/restart-time", "RestartTime", seconds},
			{"graceful-restart/state/helper-only", "HelperOnly", plain},
		}},
		{bgpNeighbour, aBGPNeighbour, []row{
			{"state/session-state", "Adjacency.State", identity},
			{"state/established-transitions", "Adjacency.Transition", plain},
			{"state/last-established", "Adjacency.Since", epochNanos},
			{"timers/state/keepalive-interval", "Keepalive", seconds},
			{"timers/state/negotiated-hold-time", "Hold", seconds},
			{"graceful-restart/state/enabled", "Restart", plain},
			{"graceful-restart/state/helper-only", "HelperOnly", plain},
			{"graceful-restart/state/restart-time", "RestartTime", seconds},
			{"graceful-restart/state/mode", "RestartMode", identity},
			{"enable-bfd/state/enabled", "Adjacency.BFD.Protected", plain},
		}},
		{bgpNeighbour + "/afi-safis/afi-safi[afi-safi-name]", aBGPFamily, []row{
			{"state/prefixes/received", "Received", plain},
		}},
	}},
	{name: "OSPF", scopes: live, groups: []group{
		{protocolPath + "/ospfv2/global", anOSPF, []row{
			{"graceful-restart/state/enabled", "Restart", plain},
			{"graceful-restart/state/helper-only", "HelperOnly", plain},
		}},
		{ospfIface, anOSPFInterface, []row{
			{"timers/state/hello-interval", "Hello", seconds},
			{"timers/state/dead-interval", "Dead", seconds},
		}},
		{ospfIface + "/neighbors/neighbor[router-id]", anOSPFNeighbour, []row{
			{"state/adjacency-state", "Adjacency.State", identity},
			{"state/state-changes", "Adjacency.Transition", plain},
			{"state/last-established-time", "Adjacency.Since", epochNanos},
		}},
	}},
	{name: "IS-IS", scopes: live, groups: []group{
		{protocolPath + "/isis/global", anISIS, []row{
			{"graceful-restart/state/enabled", "Restart", plain},
			{"graceful-restart/state/helper-only", "HelperOnly", plain},
			{"graceful-restart/state/restart-time", "RestartTime", seconds},
			{"nsr/state/enabled", "Nonstop", plain},
		}},
		{isisLevel, anISISLevel, []row{
			{"timers/state/hello-interval", "Hello", seconds},
			{"timers/state/hello-multiplier", "Multiplier", plain},
		}},
		{isisLevel + "/adjacencies/adjacency[system-id]", anISISNeighbour, []row{
			{"state/adjacency-state", "Adjacency.State", identity},
			{"state/restart-support", "Adjacency.Restart.Helper", plain},
			{"state/up-timestamp", "Adjacency.Since", epochNanos},
		}},
	}},
	{name: "PIM", scopes: live, groups: []group{
		{pimIface, aPIMInterface, []row{
			{"state/hello-interval", "Hello", seconds},
		}},
		{pimIface + "/neighbors/neighbor[neighbor-address]", aPIMNeighbour, []row{
			{"state/neighbor-established", "Adjacency.Since", epochNanos},
		}},
	}},
	{name: "LDP", scopes: live, groups: []group{
		{ldpPath + "/global", anLDP, []row{
			{"graceful-restart/state/enabled", "Restart", plain},
			{"graceful-restart/state/reconnect-time", "RestartTime", seconds},
		}},
		{ldpPath + "/neighbors/neighbor[lsr-id][label-space-id]", anLDPNeighbour, []row{
			{"state/session-state", "Adjacency.State", identity},
		}},
	}},
	{name: "route counts", scopes: full, groups: []group{
		{niPath + "/afts/aft-summaries/ipv4-unicast/protocols/protocol[origin-protocol]", aRouteCount4, []row{
			{"state/counters/aft-entries", "Count", plain},
		}},
		{niPath + "/afts/aft-summaries/ipv6-unicast/protocols/protocol[origin-protocol]", aRouteCount6, []row{
			{"state/counters/aft-entries", "Count", plain},
		}},
	}},
	{name: "boot entries", origin: facts, scopes: components, groups: []group{
		{"/facts/boot[controller]", aBootEntry, []row{
			{"next-version", "Version", plain},
			{"next-image", "Image", plain},
			{"volume", "Volume", plain},
		}},
	}},
	{name: "exact sizes of volumes", origin: facts, scopes: components, groups: []group{
		{"/facts/volume[name]", aVolume, []row{
			{"controller", "Volume.Controller", plain},
			{"size", "Volume.Size", octets},
			{"available", "Volume.Available", octets},
			{"read-only", "Volume.ReadOnly", plain},
			{"default", "Volume.Default", plain},
		}},
	}},
	{name: "configuration", origin: facts, scopes: components, groups: []group{
		{"/facts/configuration", theSystem, []row{
			{"digest", "Capture.Configuration.Digest", plain},
			{"unsaved", "Capture.Configuration.Unsaved", plain},
			{"lock-holder", "Capture.Configuration.Locked", plain},
			{"last-backup", "Capture.Configuration.Backup", epochNanos},
		}},
	}},
	{name: "power", origin: facts, scopes: components, groups: []group{
		{"/facts/power", theSystem, []row{
			{"redundant", "Capture.Power.Redundant", plain},
		}},
		{"/facts/power/feed[name]", aFeed, []row{
			{"ok", "OK", plain},
		}},
	}},
	{name: "crash files", origin: facts, scopes: components, groups: []group{
		{"/facts/crash", theSystem, []row{
			{"count", "CrashCount", plain},
		}},
		{"/facts/crash/file[path]", aCrashFile, []row{
			{"size", "Size", octets},
			{"modified", "Modified", epochNanos},
		}},
	}},
	{name: "maintenance mode", origin: facts, scopes: components, groups: []group{
		{"/facts/maintenance", theSystem, []row{
			{"enabled", "Capture.Maintenance", plain},
		}},
	}},
	{name: "clock", origin: facts, scopes: components, groups: []group{
		{"/facts/clock", theSystem, []row{
			{"synchronised", "Capture.Clock.Synced", plain},
		}},
	}},
	{name: "table sizes", origin: facts, scopes: full, groups: []group{
		{"/facts/tables", theSystem, []row{
			{"macs", "Capture.MACs", plain},
			{"arps", "Capture.ARPs", plain},
			{"nds", "Capture.NDs", plain},
		}},
	}},
	{name: "features", origin: facts, scopes: components, groups: []group{
		{"/facts/feature[name]", aFeature, []row{
			{"in-use", "InUse", plain},
		}},
	}},
	{name: "logical network elements", origin: facts, scopes: components, groups: []group{
		{"/facts/logical-network-element[name]", aLogicalNetworkElement, []row{
			{"oper-status", "Oper", identity},
		}},
	}},
	{name: "negotiated timers of adjacencies", origin: facts, scopes: live, groups: []group{
		{"/facts/adjacency[id]", anAdjacency, []row{
			{"protocol", "Adjacency.Protocol", plain},
			{"instance", "Adjacency.Instance", plain},
			{"interface", "Adjacency.Interface", plain},
			{"neighbour", "Adjacency.Neighbour", plain},
			{"peer", "Adjacency.Peer", plain},
			{"state", "Adjacency.State", plain},
			{"up", "Adjacency.Up", plain},
			{"since", "Adjacency.Since", epochNanos},
			{"transitions", "Adjacency.Transition", plain},
			{"role", "Adjacency.Role", plain},
			{"priority", "Adjacency.Priority", plain},
			{"send", "Adjacency.Timers.Send", nanosOrNever},
			{"neighbour-send", "Adjacency.Timers.NeighbourSend", nanosOrNever},
			{"neighbour-detect", "Adjacency.Timers.NeighbourDetect", nanosOrNever},
			{"own-detect", "Adjacency.Timers.OwnDetect", nanosOrNever},
			{"nonstop", "Adjacency.Restart.Nonstop", plain},
			{"restart-own", "Adjacency.Restart.Own", plain},
			{"restart-helper", "Adjacency.Restart.Helper", plain},
			{"restart-time", "Adjacency.Restart.Time", nanos},
			{"forwarding-kept", "Adjacency.Restart.ForwardingKept", plain},
			{"notification", "Adjacency.Restart.Notification", plain},
			{"strict-lsa-checks", "Adjacency.Restart.StrictLSAChecks", plain},
			{"bfd-session", "Adjacency.BFD.Session", plain},
			{"bfd-independent", "Adjacency.BFD.Independent", plain},
			{"bfd-offloaded", "Adjacency.BFD.Offloaded", plain},
			{"multiplier", "Adjacency.BFD.Multiplier", plain},
			{"partner-timeout", "PartnerTimeout", identity},
			{"implementation", "Adjacency.Implement", plain},
			{"prefixes", "Adjacency.Prefixes", plain},
		}},
	}},
}

var treeRows = []row{
	{"state/bridge-address", "Bridge", plain},
	{"state/bridge-priority", "BridgePriority", plain},
	{"state/designated-root-address", "RootAddress", plain},
	{"state/designated-root-priority", "RootPriority", plain},
	{"state/topology-changes", "Tree.Changes", plain},
	{"state/last-topology-change", "Tree.LastChange", epochNanos},
	{"state/hello-time", "Tree.Hello", seconds},
	{"state/max-age", "Tree.MaxAge", seconds},
	{"state/forwarding-delay", "Tree.Delay", seconds},
}

var vrrpRows = []row{
	{"state/priority", "Configured", plain},
	{"state/current-priority", "Adjacency.Priority", plain},
	{"state/advertisement-interval", "Advertise", centis},
}

// computed lists the fields of a capture that no row fills, with how they come
// about. A test holds it and the rows against the types of package state.
var computed = map[string]string{
	"Capture.Device":                 "Config.Device",
	"Capture.TakenAt":                "our clock, at the middle of the read",
	"Capture.Source":                 "this driver, with the reason where certificates are not verified",
	"Capture.Complete":               "whether everything was read",
	"Capture.Unread":                 "sections and leaves that failed, with the reason",
	"Capture.Components":             "components",
	"Capture.Volumes":                "volumes",
	"Capture.Boot":                   "boot entries",
	"Capture.Power":                  "power",
	"Capture.Interfaces":             "interfaces",
	"Capture.Aggregates":             "interfaces and link aggregation",
	"Capture.SpanningTrees":          "spanning tree",
	"Capture.Adjacencies":            "every protocol's section",
	"Capture.RouteTables":            "route counts and routes",
	"Capture.CPUPercent":             "the processor named ALL, average before instant",
	"Capture.MemoryPercent":          "used over physical",
	"Capture.Alarms":                 "alarms",
	"Capture.AlarmsKnown":            "whether the alarms were read",
	"Capture.Configuration":          "system and configuration",
	"Capture.Clock":                  "clock",
	"Capture.CrashFiles":             "crash files",
	"Capture.CrashKnown":             "whether their count was told",
	"Capture.Features":               "features in use",
	"Capture.LogicalNetworkElements": "logical network elements",
	"Component.Name":                 "key",
	"Component.SwitchoverReason":     "trigger and details of the last switchover",
	"Component.CPUPercent":           "average, else instant",
	"Component.MemoryPercent":        "utilised over available",
	"Volume.Mount":                   "key",
	"Volume.Files":                   "gNOI File.Stat",
	"Volume.FilesKnown":              "whether Stat answered",
	"File.Path":                      "key of a crash file, gNOI File.Stat otherwise",
	"File.SHA256":                    "asked for with HashFile only",
	"BootEntry.Controller":           "key",
	"Power.Feeds":                    "feeds",
	"Feed.Name":                      "key",
	"Interface.Name":                 "key",
	"Aggregate.Name":                 "key",
	"Aggregate.MinLinks":             "of the interface with that name",
	"Aggregate.Interval":             "of the LACP interface with that name",
	"Aggregate.Members":              "members",
	"LACPMember.Interface":           "key",
	"LACPMember.PartnerTimeout":      "of the adjacency on that interface",
	"SpanningTree.Instance":          "keys",
	"SpanningTree.Root":              "whether the bridge is the designated root",
	"SpanningTree.RootID":            "priority and address of the designated root",
	"Adjacency.Timers":               "negotiated timers, else derived from the model's",
	"Adjacency.Restart":              "restart facts, else derived from the model's",
	"Adjacency.BFD":                  "protection facts",
	"RouteTable.Instance":            "key",
	"RouteTable.Family":              "part of the path",
	"RouteTable.Count":               "sum over protocols, else the number of routes",
	"RouteTable.Routes":              "routes",
	"Route.Prefix":                   "key",
	"Route.Protocol":                 "origin protocol",
	"Route.NextHops":                 "next-hop group resolved",
	"Route.Metric":                   "not in the model",
	"Alarm.ID":                       "key",
	"Clock.Offset":                   "gNOI Time, at the middle of its exchange",
	"LogicalNetworkElement.Name":     "key",
}

// captureTypes are the types whose fields the table must account for.
var captureTypes = []any{
	state.Capture{}, state.Component{}, state.Volume{}, state.File{}, state.BootEntry{}, state.Power{}, state.Feed{},
	state.Interface{}, state.Aggregate{}, state.LACPMember{}, state.SpanningTree{}, state.Adjacency{}, state.Timers{},
	state.Restart{}, state.BFDProtection{}, state.RouteTable{}, state.Route{}, state.Alarm{}, state.Configuration{},
	state.Clock{}, state.LogicalNetworkElement{},
}
