package state_test

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/state"
	"towpath/internal/state/statetest"
	"towpath/internal/unit"
)

// change is one row: what happens to the healthy device between the captures,
// and the differences that must come of it, as "class rule object field".
type change struct {
	name   string
	before func(c *state.Capture)
	after  func(c *state.Capture)
	expect state.Expectation
	want   []string
}

// upgrade is the expectation of an in-service upgrade to 2.6.0.
var upgrade = state.Expectation{From: "2.4.1", To: "2.6.0", Restart: true, Switchover: true, GracefulRestart: true,
	Staged: []string{"alder-9-2.6.0.img"}, Removed: []string{"/images/alder-9-2.4.0.img"}, Firmware: map[string]string{"LC-3": "2.0"}}

func part(c *state.Capture, name string) *state.Component {
	i := slices.IndexFunc(c.Components, func(k state.Component) bool { return k.Name == name })
	return &c.Components[i]
}

func port(c *state.Capture, name string) *state.Interface {
	i := slices.IndexFunc(c.Interfaces, func(k state.Interface) bool { return k.Name == name })
	return &c.Interfaces[i]
}

func adjacency(c *state.Capture, protocol string) *state.Adjacency {
	i := slices.IndexFunc(c.Adjacencies, func(k state.Adjacency) bool { return k.Protocol == protocol })
	return &c.Adjacencies[i]
}

func without[T any](list []T, drop func(T) bool) []T { return slices.DeleteFunc(list, drop) }

// upgraded turns the healthy capture into that of the device after a flawless
// upgrade to 2.6.0.
func upgraded(c *state.Capture) {
	now := c.TakenAt
	c.Release, c.BootTime = state.Some("2.6.0"), state.Some(now)
	for i := range c.Components {
		k := &c.Components[i]
		if _, ok := k.Version.Get(); ok {
			k.Version, k.BootTime = state.Some("2.6.0"), state.Some(now)
		}
	}
	a, b := part(c, "CTL-A"), part(c, "CTL-B")
	a.Role, b.Role = b.Role, a.Role
	a.LastSwitchover, b.LastSwitchover = state.Some(now), state.Some(now)
	part(c, "chassis").BootTime = state.Some(now)
	part(c, "LC-3").Firmware = state.Some("2.0")
	for i := range c.Volumes {
		v := &c.Volumes[i]
		v.Files = slices.Insert(v.Files[1:], 1, state.File{Path: "/images/alder-9-2.6.0.img", Size: 2 * unit.GiB})
	}
	for i := range c.Boot {
		c.Boot[i].Version, c.Boot[i].Image = state.Some("2.6.0"), state.Some("/images/alder-9-2.6.0.img")
	}
	adjacency(c, state.LLDP).Since = state.Some(now)
	adjacency(c, state.BGP).Since = state.Some(now)
	c.SpanningTrees[0].Changes = state.Some[uint64](0)
	c.MACs = state.Some[uint64](4100)
}

// grown has 200 routes in its first table.
func grown(c *state.Capture) {
	for i := range 200 - statetest.Routes {
		c.RouteTables[0].Routes = append(c.RouteTables[0].Routes, state.Route{Prefix: fmt.Sprintf("172.16.%03d.0/24", i)})
	}
	c.RouteTables[0].Count = state.Some[uint64](200)
	c.Sort()
}

// wrong is upgraded with one thing wrong.
func wrong(f func(c *state.Capture)) func(c *state.Capture) {
	return func(c *state.Capture) { upgraded(c); f(c) }
}

// The expectations beside each row are decisions of ours on facts that RFC 7654
// §5.4 tells to compare; the words are those of the OpenConfig models.
func changes() []change {
	some, yes, no := state.Some[string], state.Some(true), state.Some(false)
	later := func(d time.Duration) state.Opt[time.Time] { return state.Some(noon.Add(d)) }
	n := state.Some[uint64]
	return []change{
		{name: "other device", after: func(c *state.Capture) { c.Device = "mere-agg-2" }, want: []string{"stop other-device capture device"}},
		{name: "other driver", after: func(c *state.Capture) { c.Source = "cli" }, want: []string{"look other-reader capture source"}},
		{name: "incomplete", after: func(c *state.Capture) { c.Complete = false; c.Unread = []string{"MAC table: timeout"} }, want: []string{"look capture-incomplete capture complete"}},
		{name: "host name", after: func(c *state.Capture) { c.Hostname = some("mere-agg-9") }, want: []string{"look hostname-changed system hostname"}},
		{name: "fact lost", after: func(c *state.Capture) { c.MACs = state.Opt[uint64]{} }, want: []string{"look fact-lost MAC table count"}},
		{name: "fact gained", before: func(c *state.Capture) { c.MACs = state.Opt[uint64]{} }, want: []string{"look fact-gained MAC table count"}},
		{name: "controller unread", after: func(c *state.Capture) { part(c, "CTL-B").Oper = state.Opt[string]{} }, want: []string{"stop vital-fact-lost component CTL-B operational status"}},
		{name: "line card unread", after: func(c *state.Capture) { part(c, "LC-1").Oper = state.Opt[string]{} }, want: []string{"look fact-lost component LC-1 operational status"}},
		{name: "adjacency unread", after: func(c *state.Capture) { adjacency(c, state.BGP).Up = state.Opt[bool]{} }, want: []string{"stop vital-fact-lost adjacency bgp 198.51.100.1 up"}},
		{name: "boot entry unread", after: func(c *state.Capture) { c.Boot = c.Boot[:1] }, want: []string{"stop vital-fact-lost boot of CTL-B version"}},
		{name: "boot entry read", before: func(c *state.Capture) { c.Boot = c.Boot[:1] }, want: []string{"look fact-gained boot of CTL-B version"}},
		{name: "volume's files unread", after: func(c *state.Capture) { c.Volumes[0].FilesKnown = false }, want: []string{"look fact-lost volume CTL-A:/images files"}},
		{name: "alarms unread", after: func(c *state.Capture) { c.AlarmsKnown = false }, want: []string{"look fact-lost alarms alarms"}},
		{name: "crash files unread", after: func(c *state.Capture) { c.CrashKnown = false }, want: []string{"look fact-lost crash files files"}},

		{name: "unannounced release", after: func(c *state.Capture) { c.Release = some("2.5.0") }, want: []string{"stop version-stray system release"}},
		{name: "line card of another version", after: func(c *state.Capture) { part(c, "LC-2").Version = some("2.5.0") }, want: []string{"stop version-stray component LC-2 version"}},
		{name: "firmware stray", after: func(c *state.Capture) { part(c, "FAB-1").Firmware = some("1.5") }, want: []string{"stop firmware-stray component FAB-1 firmware"}},
		{name: "component gone", after: func(c *state.Capture) {
			c.Components = without(c.Components, func(k state.Component) bool { return k.Name == "FAN-2" })
		}, want: []string{"stop component-gone component FAN-2 presence"}},
		{name: "empty slot gone", before: func(c *state.Capture) {
			c.Components = append(c.Components, state.Component{Name: "slot-9", Kind: "LINECARD", Empty: yes})
		}, want: []string{"look component-other component slot-9 presence"}},
		{name: "slot emptied", after: func(c *state.Capture) { part(c, "FAN-2").Empty = yes }, want: []string{"stop component-gone component FAN-2 empty"}},
		{name: "component new", after: func(c *state.Capture) {
			c.Components = append(c.Components, state.Component{Name: "LC-4", Kind: "LINECARD"})
		}, want: []string{"look component-new component LC-4 presence"}},
		{name: "component's parent", after: func(c *state.Capture) { part(c, "FAN-2").Parent = "tray-1" }, want: []string{"look component-kind component FAN-2 parent"}},
		{name: "component's kind", after: func(c *state.Capture) { part(c, "FAN-2").Kind = "FAN_TRAY" }, want: []string{"look component-kind component FAN-2 kind"}},
		{name: "line card down", after: func(c *state.Capture) { part(c, "LC-2").Oper = some("INACTIVE") }, want: []string{"stop component-down component LC-2 operational status"}},
		{name: "line card back", before: func(c *state.Capture) { part(c, "LC-2").Oper = some("INACTIVE") }, want: []string{"look component-back component LC-2 operational status"}},
		{name: "line card disabled", before: func(c *state.Capture) { part(c, "LC-2").Oper = some("INACTIVE") },
			after: func(c *state.Capture) { part(c, "LC-2").Oper = some("DISABLED") }, want: []string{"look component-other component LC-2 operational status"}},
		{name: "failure", after: func(c *state.Capture) { part(c, "LC-2").Failure = yes }, want: []string{"stop component-failed component LC-2 failure"}},
		{name: "mismatch", after: func(c *state.Capture) { part(c, "LC-2").Mismatch = yes }, want: []string{"stop component-failed component LC-2 mismatch"}},
		{name: "unhealthy", after: func(c *state.Capture) { part(c, "LC-2").Health = some("UNHEALTHY") }, want: []string{"stop component-failed component LC-2 health"}},
		{name: "healthy again", before: func(c *state.Capture) { part(c, "LC-2").Health = some("UNHEALTHY") }, want: []string{"look better component LC-2 health"}},
		{name: "health unspecified", after: func(c *state.Capture) { part(c, "LC-2").Health = some("UNSPECIFIED") }, want: []string{"look component-other component LC-2 health"}},
		{name: "failure gone", before: func(c *state.Capture) { part(c, "LC-2").Failure = yes }, want: []string{"look better component LC-2 failure"}},
		{name: "serial", after: func(c *state.Capture) { part(c, "LC-2").Serial = some("OWL-77") }, want: []string{"look hardware-changed component LC-2 serial number"}},
		{name: "power of a card", after: func(c *state.Capture) { part(c, "LC-2").PowerAdmin = some("POWER_DISABLED") }, want: []string{"look component-other component LC-2 power"}},
		{name: "part", after: func(c *state.Capture) { part(c, "LC-2").Part = some("AL9-LC24") }, want: []string{"look hardware-changed component LC-2 part"}},
		{name: "restart of the system", after: func(c *state.Capture) { c.BootTime = later(0) }, want: []string{"stop restart-stray system boot time"}},
		{name: "restart of a card", after: func(c *state.Capture) { part(c, "LC-1").BootTime = later(0) }, want: []string{"stop restart-stray component LC-1 boot time"}},
		{name: "restart of a power supply", after: func(c *state.Capture) { part(c, "PSU-1").BootTime = later(0) }, want: []string{"look restart-other component PSU-1 boot time"}},
		{name: "restart after a failure", after: func(c *state.Capture) { part(c, "LC-1").RebootReason = some("REBOOT_CRITICAL_ERROR") }, want: []string{"stop restart-after-failure component LC-1 reboot reason"}},
		{name: "reason of restart", before: func(c *state.Capture) { part(c, "LC-1").RebootReason = some("REBOOT_CRITICAL_ERROR") }, want: []string{"look restart-reason component LC-1 reboot reason"}},
		{name: "boot time within jitter", after: func(c *state.Capture) {
			t, _ := part(c, "LC-1").BootTime.Get()
			part(c, "LC-1").BootTime = state.Some(t.Add(2 * time.Second))
		}},
		{name: "roles swapped by themselves", after: func(c *state.Capture) {
			a, b := part(c, "CTL-A"), part(c, "CTL-B")
			a.Role, b.Role, a.LastSwitchover, a.SwitchoverReason = b.Role, a.Role, later(0), some("SYSTEM_INITIATED")
		}, want: []string{"look switchover-reason component CTL-A switchover reason", "stop role-stray component CTL-A role",
			"stop role-stray component CTL-B role", "stop switchover-stray component CTL-A last switchover"}},
		{name: "two primaries", after: func(c *state.Capture) { part(c, "CTL-B").Role = some("PRIMARY") },
			want: []string{"stop primary-count system primary controller cards", "stop role-stray component CTL-B role"}},
		{name: "not ready", after: func(c *state.Capture) { part(c, "CTL-B").SwitchoverReady = no }, want: []string{"stop secondary-not-ready component CTL-B ready for switchover"}},
		{name: "hotter", after: func(c *state.Capture) { part(c, "LC-1").Celsius = state.Some(58.0) }, want: []string{"look temperature-rose component LC-1 temperature"}},
		{name: "hotter within tolerance", after: func(c *state.Capture) { part(c, "LC-1").Celsius = state.Some(57.5) }},
		{name: "busier", after: func(c *state.Capture) { c.CPUPercent = state.Some(38.5) }, want: []string{"look cpu-rose system CPU"}},
		{name: "busier card", after: func(c *state.Capture) { part(c, "LC-1").CPUPercent = state.Some(99.0) }, want: []string{"look cpu-rose component LC-1 CPU"}},
		{name: "busier within tolerance", after: func(c *state.Capture) { c.CPUPercent = state.Some(38.0) }},
		{name: "memory", after: func(c *state.Capture) { c.MemoryPercent = state.Some(52.0) }, want: []string{"look memory-rose system memory"}},
		{name: "memory of a card", after: func(c *state.Capture) { part(c, "LC-1").MemoryPercent = state.Some(44.0) }, want: []string{"look memory-rose component LC-1 memory"}},

		{name: "read-only", after: func(c *state.Capture) { c.Volumes[1].ReadOnly = yes }, want: []string{"stop storage-read-only volume CTL-B:/images read-only"}},
		{name: "default storage", after: func(c *state.Capture) { c.Volumes[1].Default = no }, want: []string{"look volume-changed volume CTL-B:/images default"}},
		{name: "volume's size", after: func(c *state.Capture) { c.Volumes[1].Size = state.Some(8 * unit.GiB) }, want: []string{"look volume-changed volume CTL-B:/images size"}},
		{name: "volume gone", after: func(c *state.Capture) { c.Volumes = c.Volumes[:1] }, want: []string{"stop volume-gone volume CTL-B:/images presence"}},
		{name: "volume new", before: func(c *state.Capture) { c.Volumes = c.Volumes[:1] }, want: []string{"look volume-changed volume CTL-B:/images presence"}},
		{name: "file new", after: func(c *state.Capture) {
			c.Volumes[0].Files = append(c.Volumes[0].Files, state.File{Path: "/images/x"})
		}, want: []string{"look file-new volume CTL-A:/images file /images/x"}},
		{name: "file gone", before: func(c *state.Capture) {
			c.Volumes[0].Files = append(c.Volumes[0].Files, state.File{Path: "/images/x"})
		}, want: []string{"look file-gone volume CTL-A:/images file /images/x"}},
		{name: "file grew", after: func(c *state.Capture) { c.Volumes[0].Files[2].Size++ }, want: []string{"look file-size volume CTL-A:/images file /images/startup.cfg size"}},
		{name: "image altered", after: func(c *state.Capture) { c.Volumes[0].Files[1].SHA256 = some(statetest.Hash("x")) }, want: []string{"stop file-content volume CTL-A:/images file /images/alder-9-2.4.1.img SHA-256"}},
		{name: "hash not asked for", after: func(c *state.Capture) { c.Volumes[0].Files[1].SHA256 = state.Opt[string]{} }},
		{name: "boots another release", after: func(c *state.Capture) { c.Boot[1].Version = some("2.4.0") }, want: []string{"stop boot-stray boot of CTL-B version"}},
		{name: "boots another file", after: func(c *state.Capture) { c.Boot[1].Image = some("/images/alder-9-2.4.0.img") }, want: []string{"stop boot-stray boot of CTL-B image"}},
		{name: "boots from another volume", after: func(c *state.Capture) { c.Boot[1].Volume = some("/usb") }, want: []string{"look boot-volume boot of CTL-B volume"}},

		{name: "power not redundant", after: func(c *state.Capture) { c.Power.Redundant = no }, want: []string{"stop power-lost power redundant"}},
		{name: "feed lost", after: func(c *state.Capture) { c.Power.Feeds[1].OK = no }, want: []string{"stop power-lost power feed feed-B ok"}},
		{name: "feed gone", after: func(c *state.Capture) { c.Power.Feeds = c.Power.Feeds[:1] }, want: []string{"stop power-lost power feed feed-B presence"}},
		{name: "feed new", before: func(c *state.Capture) { c.Power.Feeds = c.Power.Feeds[:1] }, want: []string{"look better power feed feed-B presence"}},

		{name: "interface down", after: func(c *state.Capture) { port(c, "port-1/0/1").Oper = some("DOWN") }, want: []string{"stop interface-down interface port-1/0/1 operational status"}},
		{name: "interface up", before: func(c *state.Capture) { port(c, "port-1/0/1").Oper = some("DOWN") }, want: []string{"look interface-up interface port-1/0/1 operational status"}},
		{name: "interface dormant", before: func(c *state.Capture) { port(c, "port-1/0/1").Oper = some("DOWN") },
			after: func(c *state.Capture) { port(c, "port-1/0/1").Oper = some("DORMANT") }, want: []string{"look interface-other interface port-1/0/1 operational status"}},
		{name: "interface gone", after: func(c *state.Capture) { c.Interfaces = c.Interfaces[1:] }, want: []string{"stop interface-down interface lag-1 presence"}},
		{name: "dead interface gone", before: func(c *state.Capture) { c.Interfaces[0].Oper = some("DOWN") },
			after: func(c *state.Capture) { c.Interfaces = c.Interfaces[1:] }, want: []string{"look interface-other interface lag-1 presence"}},
		{name: "interface new", before: func(c *state.Capture) { c.Interfaces = c.Interfaces[1:] }, want: []string{"look interface-other interface lag-1 presence"}},
		{name: "interface shut", after: func(c *state.Capture) { port(c, "port-1/0/1").Admin = some("DOWN") }, want: []string{"look interface-other interface port-1/0/1 administrative status"}},
		{name: "slower", after: func(c *state.Capture) { port(c, "lag-1").Speed = state.Some[unit.BitRate](50e9) }, want: []string{"stop interface-speed interface lag-1 speed"}},
		{name: "faster", before: func(c *state.Capture) { port(c, "lag-1").Speed = state.Some[unit.BitRate](50e9) }, want: []string{"look interface-other interface lag-1 speed"}},
		{name: "other aggregate", after: func(c *state.Capture) { port(c, "port-1/0/2").Aggregate = "lag-2" }, want: []string{"look interface-other interface port-1/0/2 aggregate"}},
		{name: "interface flapped", after: func(c *state.Capture) { port(c, "lag-1").Transitions = n(4); port(c, "lag-1").LastChange = later(0) }, want: []string{"look interface-flapped interface lag-1 carrier transitions"}},
		{name: "interface changed in between", after: func(c *state.Capture) { port(c, "lag-1").LastChange = later(0) }, want: []string{"look interface-flapped interface lag-1 last change"}},
		{name: "errors", after: func(c *state.Capture) { port(c, "lag-1").InErrors = n(1) }, want: []string{"look interface-errors interface lag-1 in errors"}},
		{name: "out errors", after: func(c *state.Capture) { port(c, "lag-1").OutErrors = n(1) }, want: []string{"look interface-errors interface lag-1 out errors"}},
		{name: "discards", after: func(c *state.Capture) { port(c, "lag-1").OutDiscards = n(13) }, want: []string{"look interface-errors interface lag-1 out discards"}},
		{name: "in discards", after: func(c *state.Capture) { port(c, "lag-1").InDiscards = n(13) }, want: []string{"look interface-errors interface lag-1 in discards"}},
		{name: "counters cleared", after: func(c *state.Capture) { port(c, "lag-1").OutDiscards = n(0) }},
		{name: "traffic", after: func(c *state.Capture) { port(c, "lag-1").InOctets = n(1); port(c, "lag-1").OutOctets = n(1) }},

		{name: "aggregate gone", after: func(c *state.Capture) { c.Aggregates = c.Aggregates[:1] }, want: []string{"stop aggregate-gone aggregate lag-2 presence"}},
		{name: "aggregate new", before: func(c *state.Capture) { c.Aggregates = c.Aggregates[:1] }, want: []string{"look member-changed aggregate lag-2 presence"}},
		{name: "not distributing", after: func(c *state.Capture) { c.Aggregates[0].Members[2].Distributing = no }, want: []string{"stop member-not-distributing aggregate lag-1 member port-3/0/2 distributing"}},
		{name: "not collecting", after: func(c *state.Capture) { c.Aggregates[0].Members[2].Collecting = no }, want: []string{"stop member-not-distributing aggregate lag-1 member port-3/0/2 collecting"}},
		{name: "not in sync", after: func(c *state.Capture) { c.Aggregates[0].Members[2].Synchronized = no }, want: []string{"stop member-not-distributing aggregate lag-1 member port-3/0/2 synchronised"}},
		{name: "member gone", after: func(c *state.Capture) { c.Aggregates[0].Members = c.Aggregates[0].Members[:2] }, want: []string{"stop member-not-distributing aggregate lag-1 member port-3/0/2"}},
		{name: "member new", before: func(c *state.Capture) { c.Aggregates[0].Members = c.Aggregates[0].Members[:2] }, want: []string{"look member-changed aggregate lag-1 member port-3/0/2"}},
		{name: "idle member gone", before: func(c *state.Capture) { c.Aggregates[0].Members[2].Distributing = no },
			after: func(c *state.Capture) { c.Aggregates[0].Members = c.Aggregates[0].Members[:2] }, want: []string{"look member-changed aggregate lag-1 member port-3/0/2"}},
		{name: "member unread", after: func(c *state.Capture) { c.Aggregates[0].Members[2].Distributing = state.Opt[bool]{} }, want: []string{"stop vital-fact-lost aggregate lag-1 member port-3/0/2 distributing"}},
		{name: "partner", after: func(c *state.Capture) { c.Aggregates[0].Members[2].PartnerID = some("02:00:5e:00:10:99") }, want: []string{"look partner-changed aggregate lag-1 member port-3/0/2 partner"}},
		{name: "short timeout", after: func(c *state.Capture) { c.Aggregates[0].Members[2].PartnerTimeout = some("SHORT") }, want: []string{"look timers-changed aggregate lag-1 member port-3/0/2 partner timeout"}},
		{name: "own timeout", after: func(c *state.Capture) { c.Aggregates[0].Members[2].OwnTimeout = some("SHORT") }, want: []string{"look timers-changed aggregate lag-1 member port-3/0/2 own timeout"}},
		{name: "min-links", after: func(c *state.Capture) { c.Aggregates[0].MinLinks = state.Some(3) }, want: []string{"look timers-changed aggregate lag-1 min-links"}},
		{name: "interval", after: func(c *state.Capture) { c.Aggregates[0].Interval = some("FAST") }, want: []string{"look timers-changed aggregate lag-1 interval"}},

		{name: "root", after: func(c *state.Capture) { c.SpanningTrees[0].RootID = some("0.02:00:5e:00:00:09") }, want: []string{"stop root-changed spanning tree rstp root"}},
		{name: "is root", after: func(c *state.Capture) { c.SpanningTrees[0].Root = yes }, want: []string{"stop root-changed spanning tree rstp is root"}},
		{name: "topology", after: func(c *state.Capture) { c.SpanningTrees[0].Changes = n(8); c.SpanningTrees[0].LastChange = later(0) }, want: []string{"look topology-changed spanning tree rstp topology changes"}},
		{name: "topology by time", after: func(c *state.Capture) { c.SpanningTrees[0].LastChange = later(0) }, want: []string{"look topology-changed spanning tree rstp last topology change"}},
		{name: "topology counter lower", after: func(c *state.Capture) { c.SpanningTrees[0].Changes = n(0) }, want: []string{"look counter-stray spanning tree rstp topology changes"}},
		{name: "tree gone", after: func(c *state.Capture) { c.SpanningTrees = nil }, want: []string{"stop spanning-tree-gone spanning tree rstp presence"}},
		{name: "tree new", before: func(c *state.Capture) { c.SpanningTrees = nil }, want: []string{"look topology-changed spanning tree rstp presence"}},
		{name: "tree's timers", after: func(c *state.Capture) {
			t := &c.SpanningTrees[0]
			t.Hello, t.MaxAge, t.Delay = state.Some(time.Second), state.Some(6*time.Second), state.Some(4*time.Second)
		}, want: []string{"look timers-changed spanning tree rstp forward delay", "look timers-changed spanning tree rstp hello time", "look timers-changed spanning tree rstp max age"}},

		{name: "adjacency down", after: func(c *state.Capture) { a := adjacency(c, state.ISIS); a.Up, a.State = no, some("DOWN") }, want: []string{"stop adjacency-lost adjacency isis 0000.0000.0002 on port-2/0/1 up"}},
		{name: "adjacency gone", after: func(c *state.Capture) {
			c.Adjacencies = without(c.Adjacencies, func(a state.Adjacency) bool { return a.Protocol == state.ISIS })
		}, want: []string{"stop adjacency-lost adjacency isis 0000.0000.0002 on port-2/0/1 presence"}},
		{name: "dead adjacency gone", before: func(c *state.Capture) { adjacency(c, state.ISIS).Up = no }, after: func(c *state.Capture) {
			c.Adjacencies = without(c.Adjacencies, func(a state.Adjacency) bool { return a.Protocol == state.ISIS })
		}, want: []string{"look adjacency-gone adjacency isis 0000.0000.0002 on port-2/0/1 presence"}},
		{name: "adjacency up", before: func(c *state.Capture) { adjacency(c, state.ISIS).Up = no }, want: []string{"look adjacency-up adjacency isis 0000.0000.0002 on port-2/0/1 up"}},
		{name: "adjacency new", after: func(c *state.Capture) {
			c.Adjacencies = append(c.Adjacencies, state.Adjacency{Protocol: state.BGP, Instance: "red", Neighbour: "192.0.2.9"})
		}, want: []string{"look adjacency-new adjacency bgp 192.0.2.9 in red presence"}},
		{name: "adjacency's state", after: func(c *state.Capture) { adjacency(c, state.OSPFv2).State = some("LOADING") }, want: []string{"look adjacency-state adjacency ospfv2 10.255.0.1 on port-1/0/1 state"}},
		{name: "role", after: func(c *state.Capture) { adjacency(c, state.VRRP).Role = some("backup") }, want: []string{"look adjacency-role adjacency vrrp 10.10.0.1 on lag-1.10 in 10 role"}},
		{name: "priority", after: func(c *state.Capture) { adjacency(c, state.VRRP).Priority = state.Some(90) }, want: []string{"look adjacency-role adjacency vrrp 10.10.0.1 on lag-1.10 in 10 priority"}},
		{name: "peer", after: func(c *state.Capture) { adjacency(c, state.LLDP).Peer = some("mere-agg-7") }, want: []string{"look partner-changed adjacency lldp 02:00:5e:00:00:02 on port-1/0/1 peer"}},
		{name: "implementation", after: func(c *state.Capture) { adjacency(c, state.LLDP).Implement = some("x") }, want: []string{"look fact-gained adjacency lldp 02:00:5e:00:00:02 on port-1/0/1 implementation"}},
		{name: "flap", after: func(c *state.Capture) {
			adjacency(c, state.ISIS).Since = later(0)
			adjacency(c, state.ISIS).Transition = n(2)
		}, want: []string{"look adjacency-flapped adjacency isis 0000.0000.0002 on port-2/0/1 up since"}},
		{name: "flap by count", after: func(c *state.Capture) { adjacency(c, state.ISIS).Transition = n(2) }, want: []string{"look adjacency-flapped adjacency isis 0000.0000.0002 on port-2/0/1 transitions"}},
		{name: "transitions lower", after: func(c *state.Capture) { adjacency(c, state.ISIS).Transition = n(0) }, want: []string{"look counter-stray adjacency isis 0000.0000.0002 on port-2/0/1 transitions"}},
		{name: "prefixes", after: func(c *state.Capture) { adjacency(c, state.BGP).Prefixes = n(62) }, want: []string{"stop adjacency-prefixes adjacency bgp 198.51.100.1 prefixes"}},
		{name: "prefixes within tolerance", before: func(c *state.Capture) { adjacency(c, state.BGP).Prefixes = n(1000) },
			after: func(c *state.Capture) { adjacency(c, state.BGP).Prefixes = n(990) }, want: []string{"expected count-tolerated adjacency bgp 198.51.100.1 prefixes"}},
		{name: "timers", after: func(c *state.Capture) {
			d := state.Some(time.Second)
			adjacency(c, state.ISIS).Timers = state.Timers{Send: d, NeighbourSend: d, NeighbourDetect: d, OwnDetect: d}
			adjacency(c, state.ISIS).Restart.Time = d
		}, want: []string{"look timers-changed adjacency isis 0000.0000.0002 on port-2/0/1 neighbour's detection time", "look timers-changed adjacency isis 0000.0000.0002 on port-2/0/1 neighbour's send interval",
			"look timers-changed adjacency isis 0000.0000.0002 on port-2/0/1 own detection time", "look timers-changed adjacency isis 0000.0000.0002 on port-2/0/1 restart time", "look timers-changed adjacency isis 0000.0000.0002 on port-2/0/1 send interval"}},
		{name: "helper", after: func(c *state.Capture) { adjacency(c, state.ISIS).Restart.Helper = no }, want: []string{"look restart-ability adjacency isis 0000.0000.0002 on port-2/0/1 neighbour helps"}},
		{name: "BFD multiplier", after: func(c *state.Capture) { adjacency(c, state.BFD).BFD.Multiplier = state.Some(5) }, want: []string{"look timers-changed adjacency bfd 198.51.100.1 on port-1/0/1 BFD multiplier"}},
		{name: "BFD session", after: func(c *state.Capture) { adjacency(c, state.BGP).BFD.Session = some("x") }, want: []string{"look restart-ability adjacency bgp 198.51.100.1 BFD session"}},

		{name: "table gone", after: func(c *state.Capture) { c.RouteTables = c.RouteTables[:1] }, want: []string{"stop route-table-gone route table default ipv6 presence"}},
		{name: "table new", before: func(c *state.Capture) { c.RouteTables = c.RouteTables[:1] }, want: []string{"look route-table-new route table default ipv6 presence"}},
		{name: "half the routes", after: func(c *state.Capture) { c.RouteTables[0].Routes = nil; c.RouteTables[0].Count = n(32) },
			want: []string{"look fact-lost route table default ipv4 routes", "stop route-count route table default ipv4 count"}},
		{name: "count unread", after: func(c *state.Capture) { c.RouteTables[0].Routes = nil; c.RouteTables[0].Count = state.Opt[uint64]{} },
			want: []string{"stop vital-fact-lost route table default ipv4 count"}},
		{name: "routes read", before: func(c *state.Capture) { c.RouteTables[0].Routes = nil }, want: []string{"look fact-gained route table default ipv4 routes"}},
		{name: "others in their place", after: func(c *state.Capture) {
			for i := range 2 {
				c.RouteTables[0].Routes[i].Prefix = fmt.Sprintf("172.16.%d.0/24", i)
			}
			c.Sort()
		}, want: []string{"look route-gone route table default ipv4 route 10.0.0.0/24", "look route-gone route table default ipv4 route 10.0.1.0/24",
			"look route-new route table default ipv4 route 172.16.0.0/24", "look route-new route table default ipv4 route 172.16.1.0/24",
			"look routes-new route table default ipv4 routes new", "stop routes-gone-many route table default ipv4 routes gone"}},
		{name: "one of 200 gone", before: grown, after: func(c *state.Capture) {
			grown(c)
			c.RouteTables[0].Routes = c.RouteTables[0].Routes[1:]
			c.RouteTables[0].Count = n(199)
		}, want: []string{"expected count-tolerated route table default ipv4 count", "look route-gone route table default ipv4 route 10.0.0.0/24", "look routes-gone route table default ipv4 routes gone"}},
		{name: "next hop", after: func(c *state.Capture) { c.RouteTables[1].Routes[0].NextHops = "2001:db8::2" },
			want: []string{"look route-changed route table default ipv6 route 2001:db8:0:0::/64", "look routes-changed route table default ipv6 routes changed"}},

		{name: "fewer hosts", after: func(c *state.Capture) { c.MACs, c.ARPs, c.NDs = n(3900), n(1700), n(800) },
			want: []string{"stop table-shrank ARP table count", "stop table-shrank MAC table count", "stop table-shrank neighbour discovery table count"}},
		{name: "more hosts", after: func(c *state.Capture) { c.MACs = n(5000) }, want: []string{"look table-grew MAC table count"}},
		{name: "hosts within tolerance", after: func(c *state.Capture) { c.MACs = n(4300) }, want: []string{"expected count-tolerated MAC table count"}},

		{name: "critical alarm", after: func(c *state.Capture) {
			c.Alarms = []state.Alarm{{ID: "7", Severity: "CRITICAL", Text: "fan failed", Resource: "FAN-1"}}
		}, want: []string{"stop alarm-grave alarm on FAN-1 fan failed"}},
		{name: "minor alarm", after: func(c *state.Capture) { c.Alarms = []state.Alarm{{ID: "7", Severity: "MINOR", Text: "licence"}} }, want: []string{"look alarm-new alarm 7 licence"}},
		{name: "alarm cleared", before: func(c *state.Capture) { c.Alarms = []state.Alarm{{ID: "7", Severity: "MINOR", Text: "licence"}} }, want: []string{"look alarm-cleared alarm 7 licence"}},
		{name: "alarm renumbered", before: func(c *state.Capture) { c.Alarms = []state.Alarm{{ID: "7", Severity: "MAJOR", Text: "licence"}} },
			after: func(c *state.Capture) { c.Alarms = []state.Alarm{{ID: "1", Severity: "MAJOR", Text: "licence"}} }},
		{name: "alarm graver", before: func(c *state.Capture) {
			c.Alarms = []state.Alarm{{ID: "7", Severity: "WARNING", Text: "hot", Resource: "LC-1"}}
		},
			after: func(c *state.Capture) {
				c.Alarms = []state.Alarm{{ID: "7", Severity: "MAJOR", Text: "hot", Resource: "LC-1"}}
			}, want: []string{"stop alarm-grave alarm on LC-1 hot"}},
		{name: "alarm milder", before: func(c *state.Capture) {
			c.Alarms = []state.Alarm{{ID: "7", Severity: "MINOR", Text: "hot", Resource: "LC-1"}}
		},
			after: func(c *state.Capture) {
				c.Alarms = []state.Alarm{{ID: "7", Severity: "UNKNOWN", Text: "hot", Resource: "LC-1"}}
			}, want: []string{"look alarm-cleared alarm on LC-1 hot"}},

		{name: "configuration", after: func(c *state.Capture) {
			c.Configuration.Digest, c.Configuration.Changed = some(statetest.Hash("x")), later(0)
		}, want: []string{"stop configuration-changed configuration digest"}},
		{name: "configuration by time", before: func(c *state.Capture) { c.Configuration.Digest = state.Opt[string]{} }, after: func(c *state.Capture) {
			c.Configuration.Digest, c.Configuration.Changed = state.Opt[string]{}, later(0)
		}, want: []string{"stop configuration-changed configuration last change"}},
		{name: "configuration touched", after: func(c *state.Capture) { c.Configuration.Changed = later(0) }, want: []string{"look configuration-touched configuration last change"}},
		{name: "configuration put back", expect: state.Expectation{PutBack: true}, after: func(c *state.Capture) { c.Configuration.Changed = later(0) },
			want: []string{"expected configuration-put-back configuration last change"}},
		{name: "configuration not put back", expect: state.Expectation{PutBack: true}, after: func(c *state.Capture) {
			c.Configuration.Digest, c.Configuration.Changed = some(statetest.Hash("x")), later(0)
		}, want: []string{"stop configuration-changed configuration digest"}},
		{name: "configuration perhaps put back", expect: state.Expectation{PutBack: true}, before: func(c *state.Capture) { c.Configuration.Digest = state.Opt[string]{} }, after: func(c *state.Capture) {
			c.Configuration.Digest, c.Configuration.Changed = state.Opt[string]{}, later(0)
		}, want: []string{"look configuration-touched configuration last change"}},
		{name: "unsaved", after: func(c *state.Capture) { c.Configuration.Unsaved = yes }, want: []string{"look configuration-unsaved configuration unsaved change"}},
		{name: "locked", after: func(c *state.Capture) { c.Configuration.Locked = some("ada") }, want: []string{"look configuration-locked configuration lock"}},
		{name: "unlocked", before: func(c *state.Capture) { c.Configuration.Locked = some("ada") }, want: []string{"look better configuration lock"}},
		{name: "backup", after: func(c *state.Capture) { c.Configuration.Backup = later(0) }, want: []string{"expected backup-newer configuration last backup"}},
		{name: "backup lost", after: func(c *state.Capture) { c.Configuration.Backup = later(-time.Hour * 900) }, want: []string{"look backup-older configuration last backup"}},
		{name: "clock free", after: func(c *state.Capture) { c.Clock.Synced = no }, want: []string{"look clock-worse clock synchronised"}},
		{name: "clock off", after: func(c *state.Capture) { c.Clock.Offset = state.Some(-505 * time.Millisecond) }, want: []string{"look clock-worse clock offset"}},
		{name: "clock off within tolerance", after: func(c *state.Capture) { c.Clock.Offset = state.Some(-504 * time.Millisecond) }},
		{name: "maintenance", after: func(c *state.Capture) { c.Maintenance = yes }, want: []string{"stop maintenance-on system maintenance mode"}},
		{name: "crash", after: func(c *state.Capture) { c.CrashFiles = []state.File{{Path: "/crash/rib.core"}} }, want: []string{"stop crash-file crash file /crash/rib.core presence"}},
		{name: "crash over crash", before: func(c *state.Capture) {
			c.CrashFiles = []state.File{{Path: "/crash/rib.core", Modified: later(-time.Hour)}}
		},
			after: func(c *state.Capture) { c.CrashFiles = []state.File{{Path: "/crash/rib.core", Modified: later(0)}} }, want: []string{"stop crash-file crash file /crash/rib.core modified"}},
		{name: "crash file gone", before: func(c *state.Capture) { c.CrashFiles = []state.File{{Path: "/crash/rib.core"}} }, want: []string{"look crash-file-gone crash file /crash/rib.core presence"}},
		{name: "features", after: func(c *state.Capture) { c.Features = []string{"bfd", "mpls", "ptp"} }, want: []string{"look feature-changed feature ptp in use", "look feature-changed feature vrrp in use"}},
		{name: "logical network element gone", before: func(c *state.Capture) {
			c.LogicalNetworkElements = []state.LogicalNetworkElement{{Name: "water", Oper: some("ACTIVE")}}
		}, want: []string{"stop logical-network-element-down logical network element water presence"}},
		{name: "logical network element new", after: func(c *state.Capture) {
			c.LogicalNetworkElements = []state.LogicalNetworkElement{{Name: "water", Oper: some("ACTIVE")}}
		}, want: []string{"look component-new logical network element water presence"}},
		{name: "logical network element down", before: func(c *state.Capture) {
			c.LogicalNetworkElements = []state.LogicalNetworkElement{{Name: "water", Oper: some("ACTIVE")}}
		},
			after: func(c *state.Capture) {
				c.LogicalNetworkElements = []state.LogicalNetworkElement{{Name: "water", Oper: some("INACTIVE")}}
			}, want: []string{"stop logical-network-element-down logical network element water operational status"}},
		{name: "logical network element back", before: func(c *state.Capture) {
			c.LogicalNetworkElements = []state.LogicalNetworkElement{{Name: "water", Oper: some("INACTIVE")}}
		},
			after: func(c *state.Capture) {
				c.LogicalNetworkElements = []state.LogicalNetworkElement{{Name: "water", Oper: some("ACTIVE")}}
			}, want: []string{"look component-back logical network element water operational status"}},

		// The upgrade with one thing wrong: see TestUpgrade for the flawless one.
		{name: "release not reached", expect: upgrade, after: wrong(func(c *state.Capture) { c.Release = some("2.5.0") }), want: []string{"stop version-wrong system release"}},
		{name: "line card left behind", expect: upgrade, after: wrong(func(c *state.Capture) { part(c, "LC-2").Version = some("2.4.1") }), want: []string{"stop version-wrong component LC-2 version"}},
		{name: "line card's version unread", expect: upgrade, after: wrong(func(c *state.Capture) { part(c, "LC-2").Version = state.Opt[string]{} }), want: []string{"stop version-unread component LC-2 version"}},
		{name: "firmware not reached", expect: upgrade, after: wrong(func(c *state.Capture) { part(c, "LC-3").Firmware = some("1.9") }), want: []string{"stop firmware-wrong component LC-3 firmware"}},
		{name: "firmware unread", expect: upgrade, after: wrong(func(c *state.Capture) { part(c, "LC-3").Firmware = state.Opt[string]{} }), want: []string{"stop firmware-unread component LC-3 firmware"}},
		{name: "would boot the old one", expect: upgrade, after: wrong(func(c *state.Capture) { c.Boot[0].Version = some("2.4.1") }), want: []string{"stop boot-wrong boot of CTL-A version"}},
		{name: "restarted for a failure", expect: upgrade, after: wrong(func(c *state.Capture) { part(c, "LC-1").RebootReason = some("REBOOT_CRITICAL_ERROR") }), want: []string{"stop restart-after-failure component LC-1 reboot reason"}},
		{name: "fabric restarted too", expect: upgrade, after: wrong(func(c *state.Capture) { part(c, "FAB-1").BootTime = later(0) }), want: []string{"stop restart-stray component FAB-1 boot time"}},
		{name: "no primary", expect: upgrade, after: wrong(func(c *state.Capture) { part(c, "CTL-B").Role = some("SECONDARY") }), want: []string{"stop primary-count system primary controller cards"}},
		{name: "helper refused", expect: upgrade, before: func(c *state.Capture) { adjacency(c, state.BGP).Restart.Helper = no }, after: wrong(func(c *state.Capture) { adjacency(c, state.BGP).Restart.Helper = no }), want: []string{"look adjacency-flapped adjacency bgp 198.51.100.1 up since"}},
		{name: "configuration meant to change", expect: state.Expectation{Configuration: true}, after: func(c *state.Capture) { c.Configuration.Digest = some(statetest.Hash("x")) }, want: []string{"expected configuration-expected configuration digest"}},
	}
}

func run(before, after func(*state.Capture), expect state.Expectation) state.Comparison {
	b, a := statetest.Healthy(noon), statetest.Healthy(noon)
	if before != nil {
		before(b)
	}
	if after != nil {
		after(a)
	}
	b.Sort() // a row may break the order; the order is not what is compared
	a.Sort()
	return state.Compare(b, a, expect, state.DefaultTolerances())
}

// expectedRules are those that TestUpgrade sees, apart from the rows.
var expectedRules = []string{"boot-reached", "version-reached", "firmware-reached", "restart-expected", "role-swapped", "switchover-expected",
	"file-staged", "file-removed", "adjacency-relearned", "adjacency-restarted", "counter-reset", "count-tolerated"}

func TestEveryChangeIsClassed(t *testing.T) {
	seen := map[string]bool{}
	for _, tc := range changes() {
		t.Run(tc.name, func(t *testing.T) {
			got := run(tc.before, tc.after, tc.expect)
			var list []string
			for _, d := range got.Differences {
				seen[d.Rule] = true
				if d.Why == "" || d.Source == "" {
					t.Errorf("%v has no reason or source", d)
				}
				if tc.expect.To == "" || d.Class != state.Expected {
					list = append(list, fmt.Sprintf("%s %s %s %s", d.Class, d.Rule, d.Object, d.Field))
				}
			}
			slices.Sort(list)
			if !slices.Equal(list, tc.want) {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(list, "\n"), strings.Join(tc.want, "\n"))
			}
			want := state.Unchanged
			for _, d := range got.Differences {
				switch {
				case d.Class == state.Stop:
					want = state.MustStop
				case d.Class == state.Look && want != state.MustStop:
					want = state.NeedsLook
				case d.Class == state.Expected && want == state.Unchanged:
					want = state.AsExpected
				}
			}
			if got.Verdict != want || got.Stops+got.Looks+got.Expecteds != len(got.Differences) {
				t.Errorf("verdict %s, want %s; counts %d %d %d of %d", got.Verdict, want, got.Stops, got.Looks, got.Expecteds, len(got.Differences))
			}
			if !slices.IsSortedFunc(got.Differences, func(x, y state.Difference) int {
				rank := map[state.Class]int{state.Stop: 0, state.Look: 1, state.Expected: 2}
				return rank[x.Class] - rank[y.Class]
			}) {
				t.Error("the gravest do not stand first")
			}
		})
	}
	for _, r := range state.CompareRules() {
		if !seen[r.ID] && !slices.Contains(expectedRules, r.ID) {
			t.Errorf("no row exercises rule %s", r.ID)
		}
	}
}

// A flawless upgrade gives expected differences only, and each of those that
// its expectation names.
func TestUpgrade(t *testing.T) {
	got := run(nil, upgraded, upgrade)
	rules := map[string]int{}
	for _, d := range got.Differences {
		rules[d.Rule]++
		if d.Class != state.Expected {
			t.Errorf("%v", d)
		}
	}
	if got.Verdict != state.AsExpected {
		t.Errorf("verdict %s", got.Verdict)
	}
	for _, id := range expectedRules {
		if rules[id] == 0 {
			t.Errorf("no difference under %s", id)
		}
	}
	// Without the expectation the same is a stop in many places.
	if got := run(nil, upgraded, state.Expectation{}); got.Verdict != state.MustStop || got.Stops < 10 {
		t.Errorf("unannounced: %s with %d stops", got.Verdict, got.Stops)
	}
	// And where nothing was upgraded, every component is told.
	stayed := run(nil, nil, upgrade)
	wrong := 0
	for _, d := range stayed.Differences {
		if d.Rule == "version-wrong" {
			wrong++
		}
	}
	if wrong != 1+2+3 {
		t.Errorf("%d versions told as not reached, want the system, 2 controller cards and 3 line cards", wrong)
	}
}

func TestRulesTable(t *testing.T) {
	rules := state.CompareRules()
	ids := map[string]bool{}
	for _, r := range rules {
		if r.ID == "" || r.Class == "" || r.When == "" || r.Why == "" || r.Source == "" {
			t.Errorf("row %+v is not whole", r)
		}
		if ids[r.ID] {
			t.Errorf("id %s stands twice", r.ID)
		}
		ids[r.ID] = true
	}
	if len(rules) < 50 {
		t.Errorf("%d rules", len(rules))
	}
}

// ignored are the facts whose change is no difference, each with its reason.
var ignored = map[string]string{
	"TakenAt":                "two captures are always of two instants",
	"Unread":                 "told where facts or completeness are lost",
	"Unread[]":               "the same",
	"CrashFiles.Modified":    "an unknown time tells of no crash; a newer one is in the rows",
	"Volumes.Available":      "free space moves by itself; files are compared",
	"Volumes.Files.SHA256":   "read on request only; a change is told, see the rows",
	"Interfaces.InOctets":    "traffic",
	"Interfaces.OutOctets":   "traffic",
	"Alarms.ID":              "alarms are paired by subject",
	"Alarms.Since":           "alarms are paired by subject",
	"CrashFiles.SHA256":      "not asked for",
	"Volumes.Files.Modified": "size and hash tell more",
}

// No fact of the capture is forgotten: each that is made unknown, or changed
// where it is no Opt, gives a difference, but for those listed.
func TestNoFactIsForgotten(t *testing.T) {
	paths := map[string]int{}
	var walk func(path string, root *state.Capture, v reflect.Value, check func(path string))
	walk = func(path string, root *state.Capture, v reflect.Value, check func(path string)) {
		switch {
		case v.Type() == reflect.TypeFor[time.Time]():
			old := v.Interface()
			v.Set(reflect.ValueOf(old.(time.Time).Add(time.Hour)))
			check(path)
			v.Set(reflect.ValueOf(old))
		case v.Kind() == reflect.Struct && strings.HasPrefix(v.Type().Name(), "Opt["):
			if !v.Addr().Interface().(interface{ Known() bool }).Known() {
				return
			}
			old := reflect.New(v.Type()).Elem()
			old.Set(v)
			v.SetZero()
			check(path)
			v.Set(old)
		case v.Kind() == reflect.Struct:
			for i := range v.NumField() {
				walk(strings.TrimPrefix(path+"."+v.Type().Field(i).Name, "."), root, v.Field(i), check)
			}
		case v.Kind() == reflect.Slice:
			old := v.Interface()
			for i := range v.Len() {
				walk(path, root, v.Index(i), check)
			}
			if v.Len() > 0 {
				v.Set(v.Slice(0, v.Len()-1))
				check(path + "[]")
				v.Set(reflect.ValueOf(old))
			}
		case v.Kind() == reflect.String:
			old := v.String()
			v.SetString(old + "~")
			check(path)
			v.SetString(old)
		case v.Kind() == reflect.Bool:
			v.SetBool(!v.Bool())
			check(path)
			v.SetBool(!v.Bool())
		case v.CanInt():
			v.SetInt(v.Int() + 1)
			check(path)
			v.SetInt(v.Int() - 1)
		case v.CanUint():
			v.SetUint(v.Uint() + 1)
			check(path)
			v.SetUint(v.Uint() - 1)
		default:
			t.Fatalf("%s has kind %s", path, v.Kind())
		}
	}
	full := func() *state.Capture {
		c := statetest.Healthy(noon)
		c.Alarms = []state.Alarm{{ID: "1", Severity: "MINOR", Text: "door open", Resource: "chassis", Since: state.Some("x")}}
		c.CrashFiles = []state.File{{Path: "/crash/a", Size: 1, Modified: state.Some(noon), SHA256: state.Some("x")}}
		c.LogicalNetworkElements = []state.LogicalNetworkElement{{Name: "water", Oper: state.Some("ACTIVE")}}
		c.Adjacencies[0].Restart.StrictLSAChecks = state.Some(true)
		c.Adjacencies[0].Implement = state.Some("x")
		c.Unread = []string{"x"}
		for i := range c.RouteTables {
			c.RouteTables[i].Routes = c.RouteTables[i].Routes[:3]
		}
		return c
	}
	before, after := full(), full()
	walk("", after, reflect.ValueOf(after).Elem(), func(path string) {
		paths[path]++
		got := state.Compare(before, after, state.Expectation{}, state.DefaultTolerances())
		_, skip := ignored[path]
		switch {
		case skip && len(got.Differences) > 0:
			t.Errorf("%s is listed as ignored and gives %v", path, got.Differences[0])
		case !skip && len(got.Differences) == 0:
			t.Errorf("%s changed and nothing was told", path)
		}
	})
	if len(paths) < 110 {
		t.Errorf("looked at %d facts only: %v", len(paths), paths)
	}
	if got := state.Compare(before, after, state.Expectation{}, state.DefaultTolerances()); got.Verdict != state.Unchanged {
		t.Errorf("the walk left a change behind: %v", got.Differences)
	}
}

func TestDifferenceIsOneLine(t *testing.T) {
	got := run(nil, func(c *state.Capture) { part(c, "LC-2").Version = state.Some("2.5.0") }, state.Expectation{})
	const want = "stop: component LC-2 version: 2.4.1 → 2.5.0: software changed that nobody announced"
	if len(got.Differences) != 1 || got.Differences[0].String() != want {
		t.Errorf("%v, want %s", got.Differences, want)
	}
}

// Long lists are cut, their counts are not.
func TestLongListsAreCut(t *testing.T) {
	b, a := statetest.Healthy(noon), statetest.Healthy(noon)
	for i := range a.RouteTables[0].Routes {
		a.RouteTables[0].Routes[i].NextHops = "198.51.100.9"
	}
	got := state.Compare(b, a, state.Expectation{}, state.Tolerances{ListRoutes: 5})
	listed, total := 0, ""
	for _, d := range got.Differences {
		switch d.Rule {
		case "route-changed":
			listed++
		case "routes-changed":
			total = d.After
		}
	}
	if listed != 5 || total != fmt.Sprint(statetest.Routes) || got.Routes["default ipv4"].Changed != statetest.Routes {
		t.Errorf("%d listed, total %q, churn %+v", listed, total, got.Routes)
	}
}

// Compare does not change the captures, sorted or not.
func TestCompareLeavesItsInput(t *testing.T) {
	b, a := statetest.Healthy(noon), statetest.Healthy(noon)
	slices.Reverse(a.Components)
	slices.Reverse(a.RouteTables[0].Routes)
	was := fmt.Sprintf("%+v %+v", b, a)
	if got := state.Compare(b, a, state.Expectation{}, state.Tolerances{}); got.Verdict != state.Unchanged {
		t.Errorf("another order is a difference: %v", got.Differences)
	}
	if fmt.Sprintf("%+v %+v", b, a) != was {
		t.Error("a capture was changed")
	}
}
