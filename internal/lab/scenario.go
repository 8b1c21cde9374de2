package lab

import (
	"fmt"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/lab/forward"
	"towpath/internal/lab/neighbour"
	"towpath/internal/unit"
)

// The change that the scenario is made for: two hops, the second of which needs
// newer firmware on line card LC-3.
const (
	ScenarioPlatform = "alder-9"
	ScenarioDevice   = "mere-agg-1"
	ScenarioPartner  = "mere-agg-2"
	ScenarioOld      = "2.3.7" // lies on the volumes and is not needed any more
	ScenarioFrom     = "2.4.1"
	ScenarioVia      = "2.5.2"
	ScenarioTarget   = "2.6.0"
	ScenarioFirmware = "1.9" // what LC-3 needs for the target; it has 1.7
)

// The octets of the scenario's packages.
const (
	ScenarioImageSize    = 12 * unit.MiB
	ScenarioFirmwareSize = 768 * unit.KiB
)

// ScenarioPackages returns what the operator of the scenario has: the system
// packages of both hops, and the firmware of LC-3.
func ScenarioPackages() []PackageSpec {
	sys := func(version string) PackageSpec {
		r := scenarioRelease(version)
		return PackageSpec{Platform: ScenarioPlatform, Version: version, Kind: PackageSystem, Size: int64(r.Size), Seed: r.Seed}
	}
	return []PackageSpec{
		sys(ScenarioVia), sys(ScenarioTarget),
		{Platform: ScenarioPlatform, Version: ScenarioFirmware, Kind: PackageFirmware, For: "LINECARD", Size: int64(ScenarioFirmwareSize), Seed: 9},
	}
}

func scenarioRelease(version string) Release {
	for _, r := range scenarioReleases() {
		if r.Version == version {
			return r
		}
	}
	return Release{Version: version}
}

func scenarioReleases() []Release {
	return []Release{
		{Version: ScenarioOld, Size: 10 * unit.MiB, Seed: 237, SyncsWith: []string{ScenarioFrom}},
		{Version: ScenarioFrom, Size: 11 * unit.MiB, Seed: 241, SyncsWith: []string{ScenarioVia}},
		{Version: ScenarioVia, Size: ScenarioImageSize, Seed: 252, SyncsWith: []string{ScenarioTarget}},
		{
			Version: ScenarioTarget, Size: ScenarioImageSize, Seed: 260, SyncsWith: []string{},
			Firmware: []FirmwareLevel{{Kind: "LINECARD", Level: ScenarioFirmware}},
		},
	}
}

// Scenario is the lab of the demonstration: the aggregation pair mere-agg-1 and
// mere-agg-2 of Ostermoor Water and Light. Test traffic of three flows crosses
// mere-agg-1 to the reflector; an empty reflector leaves the data plane out.
// The caller sets the clock, the seed and the faults.
func Scenario(reflector string) Config {
	one := scenarioDevice(ScenarioDevice)
	if reflector != "" {
		for i, name := range []string{"fen-core", "harbour", "access"} {
			one.Flows = append(one.Flows, forward.Flow{
				Name: name, Listen: "127.0.0.1:0", To: reflector, Card: fmt.Sprintf("LC-%d", i+1),
			})
		}
	}
	one.Adjacencies = scenarioNeighbours()
	two := scenarioDevice(ScenarioPartner)
	two.Flows = one.Flows // the other way to the same places
	two.Adjacencies = scenarioPartnerNeighbours()
	return Config{Devices: []DeviceConfig{one, two}, Seed: 1}
}

// scenarioDevice is one of the pair, without neighbours and flows.
func scenarioDevice(id string) DeviceConfig {
	part := func(name, no, firmware string) Part {
		return Part{Name: name, Part: no, Serial: "OWL-" + id[len(id)-1:] + "-" + name, Hardware: "2.1", Firmware: firmware}
	}
	d := DeviceConfig{
		ID: fleet.DeviceID(id), Platform: ScenarioPlatform, PerController: true,
		Release: ScenarioFrom, Releases: scenarioReleases(), Installed: []string{ScenarioOld},
		Router:                 Router{AS: 64500, RouterID: "198.51.100." + id[len(id)-1:]},
		Routes:                 Routes{IPv4: 2000, IPv6: 500},
		Tables:                 Tables{MACs: 4812, ARPs: 1937, NDs: 611},
		SpanningTree:           &SpanningTree{Changes: 14, Quiet: 19 * 24 * time.Hour},
		Features:               []string{"graceful-restart", "nonstop-routing", "bfd-offload", "port-extenders"},
		LogicalNetworkElements: []string{"supply-control", "metering"},
		Processes:              []string{"management", "routing", "link-layer", "forwarding-agent", "state-sync"},
		NTPServers:             []string{"192.0.2.123", "192.0.2.124"},
		Feeds:                  []string{"feed-a", "feed-b"},
		Volume: Volume{
			Mount: "/flash", Size: 64 * unit.MiB, System: 10 * unit.MiB,
			Files: map[string]unit.ByteSize{"/config/startup.conf": 220 * unit.KiB, "/config/rescue.conf": 180 * unit.KiB, "/log/messages": 2 * unit.MiB},
		},
		TransferRate: 2 * unit.MiB,
		Durations: Durations{
			ControllerBoot: 6 * time.Minute, StateSync: 90 * time.Second, PackageCopy: 40 * time.Second, Validation: 15 * time.Second,
			LineCardBoot: 5 * time.Minute, LineCardNSF: 3 * time.Minute, FabricRestart: 20 * time.Second, ExtenderUpdate: 90 * time.Second,
		},
		Silence:       Range{1600 * time.Millisecond, 2400 * time.Millisecond},
		Loss:          Range{60 * time.Millisecond, 110 * time.Millisecond},
		Configuration: Configuration{ChangedAgo: 9 * 24 * time.Hour, BackupAgo: 5 * time.Hour},
	}
	for _, n := range []string{"CTL-A", "CTL-B"} {
		d.Controllers = append(d.Controllers, Controller{Part: part(n, "AL9-CTL2", "3.2"), Memory: 32 * unit.GiB})
	}
	for i := range 4 {
		fw := ScenarioFirmware
		if i == 2 && id == ScenarioDevice {
			fw = "1.7"
		}
		d.LineCards = append(d.LineCards, LineCard{
			Part: part(fmt.Sprintf("LC-%d", i+1), "AL9-LC24X", fw), Memory: 16 * unit.GiB,
			Loss: time.Duration(18+6*i) * time.Millisecond, ColdLoss: 400 * time.Millisecond,
		})
	}
	for i := range 2 {
		d.Fabrics = append(d.Fabrics, part(fmt.Sprintf("FAB-%d", i+1), "AL9-FAB", "1.4"))
		d.Extenders = append(d.Extenders, Extender{Part: part(fmt.Sprintf("PX-%d", i+1), "AL-PX48", "1.1"), Card: "LC-4"})
	}
	for i := range 4 {
		d.PowerSupplies = append(d.PowerSupplies, part(fmt.Sprintf("PSU-%d", i+1), "AL9-PSU", "1.0"))
	}
	for i := range 3 {
		d.Fans = append(d.Fans, part(fmt.Sprintf("FAN-%d", i+1), "AL9-FAN", ""))
	}
	port := func(card, n int, group, desc string) {
		d.Interfaces = append(d.Interfaces, Interface{
			Name: fmt.Sprintf("port-%d/%d", card, n), Card: fmt.Sprintf("LC-%d", card), Speed: 100e9, Aggregate: group,
			Description: desc, InRate: unit.BitRate(1e9 * float64(3*card+n)), OutRate: unit.BitRate(1e9 * float64(2*card+n)),
		})
	}
	port(1, 1, "lag-1", "fen-core-1")
	port(2, 1, "lag-1", "fen-core-1")
	port(1, 2, "lag-2", "the other of the pair")
	port(2, 2, "lag-2", "the other of the pair")
	port(1, 3, "", "sluice-edge-4")
	port(2, 3, "", "harbour-exchange")
	port(3, 1, "", "lock-access-3")
	port(4, 1, "", "lock-access-4")
	d.Interfaces = append(d.Interfaces,
		Interface{Name: "port-px1/1", Card: "PX-1", Speed: 10e9, Description: "pump house", InRate: 2e8, OutRate: 3e8},
		Interface{Name: "port-px2/1", Card: "PX-2", Speed: 10e9, Description: "weir gauges", InRate: 1e8, OutRate: 1e8},
		Interface{Name: "loop-0", Description: "router id"},
	)
	d.Aggregates = []Aggregate{
		{Name: "lag-1", Description: "fen-core-1", MinLinks: 1},
		{Name: "lag-2", Description: "the other of the pair", MinLinks: 1},
	}
	return d
}

// The hardware addresses of the scenario. Source: RFC 7042 §2.1.2, the block for
// documentation.
const (
	macOne    = "00:00:5e:00:53:01"
	macTwo    = "00:00:5e:00:53:02"
	macFen    = "00:00:5e:00:53:10"
	macAccess = "00:00:5e:00:53:20"
	macGauge  = "00:00:5e:00:53:30"
)

const day = 24 * time.Hour

// links are the LACP adjacencies of one device's two aggregates.
func links(own, partner, peer string) []Adjacency {
	var out []Adjacency
	for i, l := range []struct{ port, card, group, mac, peer string }{
		{"port-1/1", "LC-1", "lag-1", macFen, "fen-core-1"},
		{"port-2/1", "LC-2", "lag-1", macFen, "fen-core-1"},
		{"port-1/2", "LC-1", "lag-2", partner, peer},
		{"port-2/2", "LC-2", "lag-2", partner, peer},
	} {
		out = append(out, Adjacency{Config: neighbour.Config{
			Instance: "default", Interface: l.port, Neighbour: l.mac, Peer: l.peer, Card: l.card, Aggregate: l.group,
			Device: neighbour.LACP{System: own, Key: 1 + i/2, Port: i + 1}, Far: neighbour.LACP{System: l.mac, Key: 40, Port: i + 1},
			Nonstop: true, Age: 41 * day,
		}})
	}
	return out
}

// scenarioNeighbours are the adjacencies of mere-agg-1: one or more of every
// kind. Addresses are from the ranges for documentation (RFC 5737, RFC 3849).
func scenarioNeighbours() []Adjacency {
	far := neighbour.BGP{Hold: 90 * time.Second, Passive: true, Helper: true, Notification: true, Prefixes: 1480}
	exchange := neighbour.BGP{Hold: 180 * time.Second, Passive: true, Helper: true, Prefixes: 820}
	coreBFD := neighbour.Key("bfd", "192.0.2.1", "lag-1")
	rrBFD := neighbour.Key("bfd", "198.51.100.7", "")
	return append(links(macOne, macTwo, ScenarioPartner),
		Adjacency{Config: neighbour.Config{ // sent by the line cards, so a silent control plane does not matter
			Instance: "default", Interface: "lag-1", Neighbour: "192.0.2.1", Peer: "fen-core-1", Over: "lag-1", Offloaded: true,
			Device: neighbour.BFD{Independent: true}, Far: neighbour.BFD{Independent: true}, Age: 41 * day,
		}, LocalAddress: "192.0.2.0"},
		Adjacency{Config: neighbour.Config{
			Instance: "default", Neighbour: "198.51.100.7", Peer: "weir-reflector-1", Nonstop: true,
			// Quick enough that a hand-over may take it down, unless it is prepared.
			Device: neighbour.BFD{DesiredMinTx: time.Second, RequiredMinRx: time.Second, Mult: 3},
			Far:    neighbour.BFD{DesiredMinTx: time.Second, RequiredMinRx: time.Second, Mult: 3}, Age: 12 * day,
		}, LocalAddress: "198.51.100.1"},
		Adjacency{Config: neighbour.Config{
			Instance: "default", Interface: "lag-1", Neighbour: "198.51.100.10", Peer: "fen-core-1", Over: "lag-1", BFD: coreBFD, Nonstop: true,
			Device: neighbour.OSPF{Restart: true, Helper: true}, Far: neighbour.OSPF{Master: true, Helper: true}, Age: 41 * day,
		}, Address: "192.0.2.1", Area: "0.0.0.0"},
		Adjacency{Config: neighbour.Config{
			Instance: "default", Interface: "lag-2", Neighbour: "198.51.100.2", Peer: ScenarioPartner, Over: "lag-2", Nonstop: true,
			Device: neighbour.OSPF{Restart: true, Helper: true}, Far: neighbour.OSPF{Master: true, Helper: true}, Age: 41 * day,
		}, Address: "192.0.2.5", Area: "0.0.0.0"},
		Adjacency{Config: neighbour.Config{
			Instance: "default", Interface: "port-1/3", Neighbour: "1980.5110.0011", Peer: "sluice-edge-4", Card: "LC-1", Nonstop: true,
			Device: neighbour.ISIS{Hello: 3 * time.Second, Mult: 10, Designated: true, Restart: true, Helper: true},
			Far:    neighbour.ISIS{Hello: 3 * time.Second, Mult: 10, Restart: true, Helper: true}, Age: 30 * day,
		}, Level: 2},
		Adjacency{Config: neighbour.Config{
			Instance: "default", Neighbour: "198.51.100.7", Peer: "weir-reflector-1", BFD: rrBFD, Nonstop: true,
			Device: neighbour.BGP{Hold: 90 * time.Second, Restart: true, RestartTime: 120 * time.Second, Helper: true, Notification: true, Prefixes: 412, Converge: time.Second},
			Far:    far, Age: 12 * day,
		}, PeerAS: 64500},
		Adjacency{Config: neighbour.Config{
			Instance: "default", Interface: "port-2/3", Neighbour: "203.0.113.9", Peer: "harbour-exchange", Card: "LC-2", Nonstop: true,
			Device: neighbour.BGP{Hold: 180 * time.Second, Restart: true, RestartTime: 180 * time.Second, Prefixes: 96, Converge: time.Second},
			Far:    exchange, Age: 63 * day,
		}, PeerAS: 64511, PrefixesV6: 310},
		Adjacency{Config: neighbour.Config{
			Instance: "20", Interface: "lag-2", Neighbour: "192.0.2.130", Peer: ScenarioPartner, Over: "lag-2", Nonstop: true,
			Device: neighbour.VRRP{Priority: 200}, Far: neighbour.VRRP{Priority: 100}, Age: 41 * day,
		}, LocalAddress: "192.0.2.129"},
		Adjacency{Config: neighbour.Config{
			Instance: "default", Interface: "lag-1", Neighbour: "198.51.100.10", Peer: "fen-core-1", Over: "lag-1", Nonstop: true,
			Device: neighbour.LDP{Keepalive: 40 * time.Second, Active: true, Restart: true, Helper: true},
			Far:    neighbour.LDP{Keepalive: 60 * time.Second, Helper: true}, Age: 41 * day,
		}},
		Adjacency{Config: neighbour.Config{
			Instance: "default", Interface: "lag-1", Neighbour: "192.0.2.1", Peer: "fen-core-1", Over: "lag-1", Nonstop: true,
			Device: neighbour.PIM{}, Far: neighbour.PIM{}, Age: 41 * day,
		}},
		Adjacency{Config: neighbour.Config{
			Instance: "rstp", Interface: "port-3/1", Neighbour: macAccess, Peer: "lock-access-3", Card: "LC-3", Nonstop: true,
			Device: neighbour.RSTP{Priority: 8192, Bridge: macOne}, Far: neighbour.RSTP{Bridge: macAccess}, Age: 19 * day,
		}},
		Adjacency{Config: neighbour.Config{
			Instance: "default", Interface: "port-4/1", Neighbour: macGauge, Peer: "lock-access-4", Card: "LC-4", Nonstop: true,
			Device: neighbour.LLDP{}, Far: neighbour.LLDP{}, Age: 19 * day,
		}, PeerPort: "port-1/24"},
	)
}

// scenarioPartnerNeighbours are the adjacencies of mere-agg-2, which only has to
// be healthy.
func scenarioPartnerNeighbours() []Adjacency {
	return append(links(macTwo, macOne, ScenarioDevice),
		Adjacency{Config: neighbour.Config{
			Instance: "default", Interface: "lag-2", Neighbour: "198.51.100.1", Peer: ScenarioDevice, Over: "lag-2", Nonstop: true,
			Device: neighbour.OSPF{Master: true, Restart: true, Helper: true}, Far: neighbour.OSPF{Helper: true}, Age: 41 * day,
		}, Address: "192.0.2.4", Area: "0.0.0.0"},
		Adjacency{Config: neighbour.Config{
			Instance: "default", Neighbour: "198.51.100.7", Peer: "weir-reflector-1", Nonstop: true,
			Device: neighbour.BGP{Hold: 90 * time.Second, Restart: true, RestartTime: 120 * time.Second, Helper: true, Prefixes: 412, Converge: time.Second},
			Far:    neighbour.BGP{Hold: 90 * time.Second, Passive: true, Helper: true, Prefixes: 1480}, Age: 12 * day,
		}, PeerAS: 64500},
	)
}
