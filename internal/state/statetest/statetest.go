// Package statetest holds captures for tests: a healthy device of the invented
// platform alder-9, to be broken one fact at a time.
//
// Read [Healthy] first. Every call builds a new capture that the caller owns.
package statetest

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"towpath/internal/state"
	"towpath/internal/unit"
)

// The names in the healthy capture.
const (
	Device   = "mere-agg-1"
	Partner  = "mere-agg-2"
	Platform = "alder-9"
	Release  = "2.4.1"
	Mount    = "/images"
)

// Routes is how many routes each table of the healthy capture lists.
const Routes = 64

// Hash returns the SHA-256 that the healthy capture gives for the named file,
// in lower-case hex.
func Hash(name string) string {
	sum := sha256.Sum256([]byte("content of " + name))
	return hex.EncodeToString(sum[:])
}

// Healthy is the complete capture of mere-agg-1, an alder-9 chassis with two
// controller cards (CTL-A is PRIMARY, CTL-B SECONDARY), three line cards, two
// fabrics, power supplies, fans, two aggregates, one spanning tree and
// adjacencies of BGP, OSPF, IS-IS, BFD, VRRP, LDP, PIM and LLDP, in which
// nothing is wrong and nothing is unknown that such a device would tell. It was
// taken at now; every other instant in it is reckoned from now. It is sorted.
func Healthy(now time.Time) *state.Capture {
	now = now.UTC()
	booted := now.Add(-90 * 24 * time.Hour)
	c := &state.Capture{
		Device: Device, TakenAt: now, Source: "openconfig", Complete: true,
		Hostname: state.Some(Device), Release: state.Some(Release), BootTime: state.Some(booted),
		Power: state.Power{Redundant: state.Some(true), Feeds: []state.Feed{
			{Name: "feed-A", OK: state.Some(true)}, {Name: "feed-B", OK: state.Some(true)}}},
		MACs: state.Some[uint64](4200), ARPs: state.Some[uint64](1900), NDs: state.Some[uint64](880),
		CPUPercent: state.Some(18.0), MemoryPercent: state.Some(41.0),
		AlarmsKnown: true, CrashKnown: true,
		Configuration: state.Configuration{
			Digest: state.Some(Hash("configuration")), Changed: state.Some(now.Add(-72 * time.Hour)),
			Unsaved: state.Some(false), Locked: state.Some(""), Backup: state.Some(now.Add(-6 * time.Hour)),
		},
		Clock:       state.Clock{Offset: state.Some(4 * time.Millisecond), Synced: state.Some(true)},
		Maintenance: state.Some(false),
		Features:    []string{"bfd", "mpls", "vrrp"},
	}
	c.Components = components(booted)
	c.Volumes, c.Boot = volumes(booted)
	c.Interfaces = interfaces(now)
	c.Aggregates = aggregates()
	c.SpanningTrees = []state.SpanningTree{{Instance: "rstp", Root: state.Some(false), RootID: state.Some("4096.02:00:5e:00:00:01"),
		Changes: state.Some[uint64](7), LastChange: state.Some(now.Add(-26 * time.Hour)),
		Hello: state.Some(2 * time.Second), MaxAge: state.Some(20 * time.Second), Delay: state.Some(15 * time.Second)}}
	c.Adjacencies = adjacencies(now)
	c.RouteTables = []state.RouteTable{routes("ipv4", "10.%d.%d.0/24", "198.51.100.1"), routes("ipv6", "2001:db8:%x:%x::/64", "2001:db8::1")}
	c.Sort()
	return c
}

// component is a healthy part.
func component(name, kind, part string, booted time.Time) state.Component {
	return state.Component{Name: name, Kind: kind, Parent: "chassis", Part: state.Some(part), Serial: state.Some("OWL-" + name),
		Oper: state.Some(state.OperActive), Failure: state.Some(false), Mismatch: state.Some(false), Empty: state.Some(false),
		Health: state.Some("HEALTHY"), BootTime: state.Some(booted)}
}

func components(booted time.Time) []state.Component {
	chassis := component("chassis", state.KindChassis, "AL9-CH10", booted)
	chassis.Parent = ""
	out := []state.Component{chassis}
	for i, name := range []string{"CTL-A", "CTL-B"} {
		k := component(name, state.KindControllerCard, "AL9-CTL2", booted.Add(time.Duration(i)*time.Minute))
		k.Role = state.Some([]string{state.Primary, state.Secondary}[i])
		k.Version, k.Firmware = state.Some(Release), state.Some("1.9")
		k.SwitchoverReady = state.Some(true)
		k.LastSwitchover, k.SwitchoverReason = state.Some(booted), state.Some("USER_INITIATED")
		k.RebootReason, k.PowerAdmin = state.Some("REBOOT_USER_INITIATED"), state.Some("POWER_ENABLED")
		k.Celsius, k.CPUPercent, k.MemoryPercent = state.Some(43.0+float64(i)), state.Some(18.0), state.Some(41.0)
		out = append(out, k)
	}
	for i := range 3 {
		k := component(fmt.Sprintf("LC-%d", i+1), state.KindLineCard, "AL9-LC48", booted.Add(3*time.Minute))
		k.Version, k.Firmware = state.Some(Release), state.Some("1.9")
		k.RebootReason, k.PowerAdmin = state.Some("REBOOT_USER_INITIATED"), state.Some("POWER_ENABLED")
		k.Celsius, k.CPUPercent, k.MemoryPercent = state.Some(47.5+float64(i)), state.Some(12.0), state.Some(33.0)
		out = append(out, k)
	}
	for i := range 2 {
		k := component(fmt.Sprintf("FAB-%d", i+1), state.KindFabric, "AL9-FAB", booted)
		k.Firmware = state.Some("1.4")
		out = append(out,
			k,
			component(fmt.Sprintf("PSU-%d", i+1), state.KindPowerSupply, "AL9-PSU3K", booted),
			component(fmt.Sprintf("FAN-%d", i+1), state.KindFan, "AL9-FAN", booted),
			component("DISK-"+string(rune('A'+i)), state.KindStorage, "AL9-SSD64", booted))
	}
	return out
}

func volumes(booted time.Time) (vols []state.Volume, boot []state.BootEntry) {
	for _, card := range []string{"CTL-A", "CTL-B"} {
		file := func(name string, size unit.ByteSize) state.File {
			return state.File{Path: Mount + "/" + name, Size: size, SHA256: state.Some(Hash(name)), Modified: state.Some(booted)}
		}
		vols = append(vols, state.Volume{Controller: card, Mount: Mount, Size: state.Some(16 * unit.GiB), Available: state.Some(11 * unit.GiB),
			ReadOnly: state.Some(false), Default: state.Some(true), FilesKnown: true,
			Files: []state.File{file("alder-9-2.4.0.img", 1900*unit.MiB), file("alder-9-2.4.1.img", 1920*unit.MiB), file("startup.cfg", 220*unit.KiB)}})
		boot = append(boot, state.BootEntry{Controller: card, Version: state.Some(Release),
			Image: state.Some(Mount + "/alder-9-2.4.1.img"), Volume: state.Some(Mount)})
	}
	return vols, boot
}

func interfaces(now time.Time) []state.Interface {
	var out []state.Interface
	add := func(name, bundle string, speed unit.BitRate) {
		out = append(out, state.Interface{Name: name, Admin: state.Some("UP"), Oper: state.Some("UP"), LastChange: state.Some(now.Add(-40 * 24 * time.Hour)),
			Speed: state.Some(speed), Aggregate: bundle, InOctets: state.Some[uint64](81_000_000_000), OutOctets: state.Some[uint64](77_000_000_000),
			InErrors: state.Some[uint64](0), OutErrors: state.Some[uint64](0), InDiscards: state.Some[uint64](3), OutDiscards: state.Some[uint64](12),
			Transitions: state.Some[uint64](2)})
	}
	for lc := 1; lc <= 3; lc++ {
		add(fmt.Sprintf("port-%d/0/1", lc), "", 100e9)
	}
	add("port-1/0/2", "lag-1", 25e9)
	add("port-2/0/2", "lag-1", 25e9)
	add("port-3/0/2", "lag-1", 25e9)
	add("port-1/0/3", "lag-2", 25e9)
	add("port-2/0/3", "lag-2", 25e9)
	add("port-3/0/3", "lag-2", 25e9)
	add("lag-1", "", 75e9)
	add("lag-2", "", 75e9)
	return out
}

func aggregates() []state.Aggregate {
	var out []state.Aggregate
	for i, port := range []string{"2", "3"} {
		g := state.Aggregate{Name: fmt.Sprintf("lag-%d", i+1), MinLinks: state.Some(1), Interval: state.Some("SLOW")}
		for lc := 1; lc <= 3; lc++ {
			g.Members = append(g.Members, state.LACPMember{Interface: fmt.Sprintf("port-%d/0/%s", lc, port),
				OwnTimeout: state.Some("LONG"), PartnerTimeout: state.Some("LONG"), Synchronized: state.Some(true),
				Collecting: state.Some(true), Distributing: state.Some(true), PartnerID: state.Some(fmt.Sprintf("02:00:5e:00:10:%02d", i+1))})
		}
		out = append(out, g)
	}
	return out
}

func adjacencies(now time.Time) []state.Adjacency {
	since := state.Some(now.Add(-40 * 24 * time.Hour))
	timers := func(send, detect time.Duration) state.Timers {
		return state.Timers{Send: state.Some(send), NeighbourSend: state.Some(send), NeighbourDetect: state.Some(detect), OwnDetect: state.Some(detect)}
	}
	// The values are the standards' own defaults, see the sections named.
	restart := func(grace time.Duration) state.Restart {
		return state.Restart{Nonstop: state.Some(true), Own: state.Some(true), Helper: state.Some(true), Time: state.Some(grace)}
	}
	protected := state.BFDProtection{Protected: state.Some(true), Session: state.Some("198.51.100.1")}
	free := state.BFDProtection{Protected: state.Some(false)}
	bgp := func(neighbour string, bfd state.BFDProtection) state.Adjacency {
		r := restart(120 * time.Second)
		r.ForwardingKept, r.Notification = state.Some(true), state.Some(true)
		return state.Adjacency{Protocol: state.BGP, Instance: "default", Neighbour: neighbour, State: state.Some("ESTABLISHED"),
			Prefixes: state.Some[uint64](Routes), Timers: timers(30*time.Second, 90*time.Second), Restart: r, BFD: bfd} // RFC 4271 §10
	}
	v3 := bgp("2001:db8::1", free)
	out := []state.Adjacency{
		bgp("198.51.100.1", protected), v3,
		{Protocol: state.OSPFv2, Instance: "default", Interface: "port-1/0/1", Neighbour: "10.255.0.1", State: state.Some("FULL"),
			Timers: timers(10*time.Second, 40*time.Second), Restart: restart(120 * time.Second), BFD: free}, // RFC 2328 App. C.3
		{Protocol: state.ISIS, Instance: "default", Interface: "port-2/0/1", Neighbour: "0000.0000.0002", State: state.Some("UP"),
			Timers: timers(10*time.Second, 30*time.Second), Restart: restart(30 * time.Second), BFD: free}, // ISO/IEC 10589, point to point
		{Protocol: state.BFD, Instance: "default", Interface: "port-1/0/1", Neighbour: "198.51.100.1", State: state.Some("UP"),
			Timers: timers(300*time.Millisecond, 900*time.Millisecond),
			BFD:    state.BFDProtection{Independent: state.Some(true), Offloaded: state.Some(true), Multiplier: state.Some(3)}},
		{Protocol: state.VRRP, Instance: "10", Interface: "lag-1.10", Neighbour: "10.10.0.1", State: state.Some("ACTIVE"), Role: state.Some("active"),
			Priority: state.Some(200), Timers: timers(time.Second, 3218750*time.Microsecond)}, // RFC 9568 §6.1, priority 200
		{Protocol: state.LDP, Instance: "default", Interface: "port-3/0/1", Neighbour: "10.255.0.3", State: state.Some("OPERATIONAL"),
			Timers: timers(5*time.Second, 15*time.Second), Restart: restart(120 * time.Second)}, // RFC 5036 §3.5.2
		{Protocol: state.PIM, Instance: "default", Interface: "port-3/0/1", Neighbour: "10.255.0.3", State: state.Some("UP"),
			Timers: timers(30*time.Second, 105*time.Second)}, // RFC 7761 §4.11
		{Protocol: state.LLDP, Interface: "port-1/0/1", Neighbour: "02:00:5e:00:00:02", Peer: state.Some(Partner), PeerPort: state.Some("port-1/0/1"), State: state.Some("UP"),
			Timers: timers(30*time.Second, 121*time.Second)}, // IEEE 802.1AB-2016 §9.2.5.22
	}
	for i := range out {
		out[i].Up, out[i].Since, out[i].Transition = state.Some(true), since, state.Some[uint64](1)
	}
	return out
}

func routes(family, pattern, hop string) state.RouteTable {
	t := state.RouteTable{Instance: "default", Family: family, Count: state.Some[uint64](Routes)}
	for i := range Routes {
		t.Routes = append(t.Routes, state.Route{Prefix: fmt.Sprintf(pattern, i/16, i%16), Protocol: state.BGP, NextHops: hop, Metric: 20})
	}
	return t
}
