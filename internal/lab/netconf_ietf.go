//nolint:misspell // the words of the modules
package lab

import (
	"cmp"
	"fmt"
	"net/netip"
	"strconv"
	"strings"
	"time"

	"towpath/internal/element"
	"towpath/internal/lab/neighbour"
)

// sheetXML builds the elements of one namespace.
type sheetXML string

func (s sheetXML) el(name string, kids ...*element.Node) *element.Node {
	return element.New(string(s), name, kids...)
}

func (s sheetXML) leaf(name string, v any) *element.Node {
	text := fmt.Sprint(v)
	if t, ok := v.(time.Time); ok {
		if t.IsZero() {
			return nil
		}
		text = t.UTC().Format(time.RFC3339Nano) // yang:date-and-time, RFC 6991 §3
	}
	if text == "" {
		return nil
	}
	return element.Leaf(string(s), name, text)
}

func (s sheetXML) id(name, space, id string) *element.Node {
	return element.Identity(string(s), name, space, id)
}

// ietf is the state and configuration by the modules of the IETF, as far as a
// filter can mean it. The lock is held.
func (c *Chassis) ietf(f *element.Node) []*element.Node {
	var out []*element.Node
	for _, top := range []struct {
		space, name string
		make        func(*element.Node) *element.Node
	}{
		{nsSystem, "system", c.ietfSystem}, {nsSystem, "system-state", c.ietfSystemState},
		{nsHardware, "hardware", c.ietfHardware}, {nsInterfaces, "interfaces", c.ietfInterfaces},
		{nsRouting, "routing", c.ietfRouting}, {nsAlarms, "alarms", c.ietfAlarms},
		{nsYangLibrary, "modules-state", c.yangLibrary},
	} {
		if asks(f, top.space, top.name) {
			out = append(out, top.make(f))
		}
	}
	return out
}

// ietfSystem is RFC 7317 §3.1.
func (c *Chassis) ietfSystem(*element.Node) *element.Node {
	s := sheetXML(nsSystem)
	ntp := s.el("ntp", s.leaf("enabled", len(c.cfg.NTPServers) > 0))
	for i, a := range c.cfg.NTPServers {
		ntp.Add(s.el("server", s.leaf("name", fmt.Sprintf("ntp-%d", i+1)), s.el("udp", s.leaf("address", a))))
	}
	host := c.setting("/system/config/hostname", str(string(c.cfg.ID)))
	return s.el("system", s.leaf("hostname", host.str), s.el("clock", s.leaf("timezone-name", "Etc/UTC")), ntp)
}

// ietfSystemState is RFC 7317 §3.2.
func (c *Chassis) ietfSystemState(*element.Node) *element.Node {
	s := sheetXML(nsSystem)
	return s.el("system-state",
		s.el("platform", s.leaf("os-name", c.cfg.Platform), s.leaf("os-release", c.primary().version), s.leaf("machine", c.cfg.Platform)),
		s.el("clock", s.leaf("current-datetime", c.now()), s.leaf("boot-datetime", c.bootTime)))
}

// hardwareClass is the class of a component. What RFC 8348 calls a module we
// tell apart by identities of our own, which are derived from it.
func hardwareClass(kind string, standard bool) (space, id string) {
	switch kind {
	case "CHASSIS":
		return nsIanaHW, "chassis"
	case "POWER_SUPPLY":
		return nsIanaHW, "power-supply"
	case "FAN":
		return nsIanaHW, "fan"
	case "SENSOR":
		return nsIanaHW, "sensor"
	case "STORAGE":
		return nsIanaHW, "storage-drive"
	}
	if standard {
		return nsIanaHW, "module"
	}
	switch kind {
	case "CONTROLLER_CARD":
		return nsSoftware, "controller-card"
	case "LINECARD":
		return nsSoftware, "line-card"
	case "FABRIC":
		return nsSoftware, "fabric"
	case "PORT_EXTENDER":
		return nsSoftware, "port-extender"
	}
	return nsIanaHW, "unknown"
}

// ietfHardware is RFC 8348, with what it lacks by a module of our own.
func (c *Chassis) ietfHardware(*element.Node) *element.Node {
	out := element.New(nsHardware, "hardware")
	for _, k := range c.others {
		out.Add(c.ietfComponent(k, nil))
	}
	for _, k := range c.controllers {
		out.Add(c.ietfComponent(&k.component, k))
	}
	for _, k := range c.lineCards {
		out.Add(c.ietfComponent(&k.component, nil))
	}
	return out
}

func (c *Chassis) ietfComponent(k *component, ctl *controller) *element.Node {
	s := sheetXML(nsHardware)
	standard := c.cfg.NETCONF.Standard
	space, class := hardwareClass(k.kind, standard)
	n := s.el("component", s.leaf("name", k.Name), s.id("class", space, class),
		s.leaf("description", strings.ToLower(strings.ReplaceAll(k.kind, "_", " "))), s.leaf("parent", k.parent))
	if l := c.lineCard(k.Name); l != nil {
		n.Add(s.leaf("parent-rel-pos", l.slot))
	}
	n.Add(s.leaf("hardware-rev", k.Hardware), s.leaf("firmware-rev", k.Firmware), s.leaf("software-rev", k.version),
		s.leaf("serial-num", k.Serial), s.leaf("model-name", k.Part.Part), s.leaf("is-fru", k.removable))
	admin, oper, alarmed := "unlocked", "enabled", ""
	if k.power != powerEnabled || k.oper == operDisabled {
		admin = "locked"
	}
	if k.oper != operActive {
		oper = "disabled"
	}
	if k.failure {
		alarmed = "critical"
	}
	st := s.el("state", s.leaf("admin-state", admin), s.leaf("oper-state", oper))
	if alarmed != "" {
		st.Add(s.leaf("alarm-state", alarmed))
	} else {
		st.Add(element.Leaf(nsHardware, "alarm-state", ""))
	}
	if ctl != nil {
		standby := "providing-service"
		if ctl.role == roleSecondary {
			standby = "cold-standby"
			if c.ready() {
				standby = "hot-standby"
			}
		}
		st.Add(s.leaf("standby-state", standby))
	}
	n.Add(st)
	if k.kind == "SENSOR" && k.celsius > 0 {
		n.Add(s.el("sensor-data", s.leaf("value", int(k.celsius*10+0.5)), s.leaf("value-type", "celsius"), s.leaf("value-scale", "units"),
			s.leaf("value-precision", 1), s.leaf("oper-status", "ok"), s.leaf("value-timestamp", c.now())))
	}
	if standard {
		return n
	}
	x := sheetXML(nsSoftware)
	if k.version != "" || k.kind == "CHASSIS" {
		boot := k.bootTime
		if k.kind == "CHASSIS" {
			boot = c.bootTime
		}
		n.Add(x.leaf("boot-time", boot), x.leaf("restart-reason", k.rebootReason))
	}
	n.Add(x.leaf("failure", k.failure), x.leaf("mismatch", k.mismatch), x.leaf("health", k.health))
	if k.kind == "CONTROLLER_CARD" || k.kind == "LINECARD" || k.kind == "FABRIC" {
		n.Add(x.leaf("power-admin-state", k.power))
	}
	if k.memory > 0 {
		n.Add(x.leaf("cpu-percent", k.cpu), x.leaf("memory-percent", fmt.Sprintf("%.2f", 100*float64(k.memoryUsed)/float64(k.memory))))
	}
	if k.celsius > 0 {
		n.Add(x.leaf("celsius", fmt.Sprintf("%.1f", k.celsius)))
	}
	if ctl != nil {
		n.Add(x.leaf("switchover-ready", c.ready()))
		if !ctl.switched.IsZero() {
			n.Add(x.leaf("last-switchover", ctl.switched), x.leaf("last-switchover-reason", ctl.trigger))
		}
	}
	return n
}

// ietfInterfaces is RFC 8343 with the augmentations of RFC 8344 and RFC 8347.
func (c *Chassis) ietfInterfaces(*element.Node) *element.Node {
	s := sheetXML(nsInterfaces)
	out := s.el("interfaces")
	clock := c.clock.Now()
	for i, p := range c.ports {
		p.count(clock)
		q := "/interfaces/interface[name=" + key(p.Name) + "]/config/description"
		typ := "ethernetCsmacd"
		switch {
		case p.aggregate != nil:
			typ = "ieee8023adLag"
		case p.Card == "":
			typ = "softwareLoopback"
		}
		// The order is that of the module, which validators want for lists
		// that are read from files.
		n := s.el("interface", s.leaf("name", p.Name), s.leaf("description", c.setting(q, str(p.Description)).str),
			s.id("type", nsIanaIf, typ), s.leaf("enabled", p.enabled),
			s.leaf("admin-status", strings.ToLower(upDown(p.enabled))), s.leaf("oper-status", strings.ToLower(upDown(p.up))),
			s.leaf("last-change", p.changed), s.leaf("if-index", i+1))
		if p.Aggregate != "" {
			n.Add(s.leaf("higher-layer-if", p.Aggregate))
		}
		for _, m := range p.membership {
			n.Add(s.leaf("lower-layer-if", m))
		}
		if speed := uint64(p.Speed); speed > 0 {
			if p.aggregate != nil {
				speed = 0
				for _, m := range p.membership {
					if mp := c.port(m); mp.up {
						speed += uint64(mp.Speed)
					}
				}
			}
			n.Add(s.leaf("speed", speed))
		}
		n.Add(s.el("statistics", s.leaf("discontinuity-time", c.started.Add(-60*24*time.Hour)),
			s.leaf("in-octets", uint64(p.inOctets)), s.leaf("in-discards", 0), s.leaf("in-errors", 0),
			s.leaf("out-octets", uint64(p.outOctets)), s.leaf("out-discards", p.discards), s.leaf("out-errors", 0)))
		n.Add(c.ietfVRRP(p.Name))
		if !c.cfg.NETCONF.Standard {
			n.Add(sheetXML(nsSoftware).leaf("carrier-transitions", p.carrier))
		}
		out.Add(n)
	}
	return out
}

// ietfVRRP are the groups of an interface, RFC 8347.
func (c *Chassis) ietfVRRP(port string) *element.Node {
	s := sheetXML(nsVRRP)
	groups := s.el("vrrp")
	for i, st := range c.relations() {
		if st.Protocol != "vrrp" || st.Interface != port {
			continue
		}
		v, _ := c.speaker(i).(neighbour.VRRP)
		state := "backup"
		if st.Role == "active" {
			state = "master" // the module's word
		}
		n := s.el("vrrp-instance", s.leaf("vrid", st.Instance), s.id("version", nsVRRP, "vrrp-v3"),
			s.el("preempt", s.leaf("enabled", !v.NoPreempt)), s.leaf("priority", cmp.Or(v.Priority, 100)),
			s.leaf("advertise-interval-centi-sec", int(cmp.Or(v.Interval, time.Second)/(10*time.Millisecond))),
			s.id("state", nsVRRP, state), s.leaf("last-adv-source", st.Neighbour), s.leaf("up-datetime", st.Since))
		if st.Timers.OwnDetect > 0 {
			n.Add(s.leaf("master-down-interval", int(st.Timers.OwnDetect/(10*time.Millisecond))))
		}
		groups.Add(n)
	}
	if len(groups.Kids) == 0 {
		return nil
	}
	return element.New(nsIP, "ipv4", groups)
}

// relations are the adjacencies, in the order of the configuration.
func (c *Chassis) relations() []neighbour.Status {
	if c.set == nil {
		return nil
	}
	return c.set.Snapshot()
}

// speaker is the chassis's end of an adjacency as it is now.
func (c *Chassis) speaker(i int) neighbour.Speaker {
	if d, err := c.set.Device(c.cfg.Adjacencies[i].Key()); err == nil {
		return d
	}
	return c.cfg.Adjacencies[i].Device
}

// ietfRouting is RFC 8349 with the protocols that have an RFC of their own.
func (c *Chassis) ietfRouting(f *element.Node) *element.Node {
	s := sheetXML(nsRouting)
	out := s.el("routing", s.leaf("router-id", c.cfg.Router.RouterID))
	if asks(f, nsRouting, "routing", "control-plane-protocols") {
		protocols := s.el("control-plane-protocols")
		for _, n := range []*element.Node{c.ietfOSPF(), c.ietfISIS(), c.ietfBFD()} {
			protocols.Add(n)
		}
		out.Add(protocols)
	}
	if asks(f, nsRouting, "routing", "ribs") {
		out.Add(s.el("ribs",
			c.ietfRIB("ipv4-default", "ipv4", nsV4, c.routes.v4), c.ietfRIB("ipv6-default", "ipv6", nsV6, c.routes.v6)))
	}
	return out
}

// ietfRIB is one table. Source: RFC 8349 §4.3, §5.3 and appendix D.
func (c *Chassis) ietfRIB(name, family, unicast string, routes []route) *element.Node {
	s, u := sheetXML(nsRouting), sheetXML(unicast)
	list := s.el("routes")
	for _, r := range routes {
		hop := s.el("next-hop")
		g := c.routes.groups[r.group-1]
		if len(g) == 1 {
			hop.Add(u.leaf("next-hop-address", c.hopOf(g[0], family)))
		} else {
			l := s.el("next-hop-list")
			for i, h := range g {
				l.Add(s.el("next-hop", s.leaf("index", strconv.Itoa(i+1)), u.leaf("address", c.hopOf(h, family))))
			}
			hop.Add(l)
		}
		n := s.el("route", s.leaf("route-preference", 20), hop)
		switch r.origin {
		case "OSPF":
			n.Add(s.id("source-protocol", nsOSPF, "ospfv2"))
		case "ISIS":
			n.Add(s.id("source-protocol", nsISIS, "isis"))
		default:
			// The protocol's module was a draft when this was written.
			n.Add(s.id("source-protocol", "urn:ietf:params:xml:ns:yang:ietf-bgp", "bgp"))
		}
		list.Add(n.Add(element.New(nsRouting, "active"), u.leaf("destination-prefix", r.prefix)))
	}
	return s.el("rib", s.leaf("name", name), s.id("address-family", nsRouting, family), s.leaf("default-rib", true), list)
}

// hopOf is a next hop in the family of its table.
func (c *Chassis) hopOf(h, family string) string {
	a, err := netip.ParseAddr(h)
	if err == nil && family == "ipv6" && a.Is4() {
		b := a.As4()
		return netip.AddrFrom16([16]byte{0x20, 0x01, 0x0d, 0xb8, 12: b[0], 13: b[1], 14: b[2], 15: b[3]}).String()
	}
	return h
}

func protocolNode(space, id string) *element.Node {
	s := sheetXML(nsRouting)
	return s.el("control-plane-protocol", s.id("type", space, id), s.leaf("name", "default"))
}

// restartsOf is what the chassis announces of graceful restart for a protocol.
func (c *Chassis) restartsOf(all []neighbour.Status, protocol string) (own, helper bool, t time.Duration) {
	for _, st := range all {
		if st.Protocol == protocol && st.Restart.Own {
			own, t = true, max(t, st.Restart.Time)
		}
	}
	return own, own, t
}

// ietfOSPF is RFC 9129.
func (c *Chassis) ietfOSPF() *element.Node {
	s := sheetXML(nsOSPF)
	all := c.relations()
	own, helper, grace := c.restartsOf(all, "ospfv2")
	areas := map[string]*element.Node{}
	var order []*element.Node
	nsr := false
	for i, st := range all {
		if st.Protocol != "ospfv2" {
			continue
		}
		nsr = nsr || st.Restart.Nonstop
		a := &c.cfg.Adjacencies[i]
		o, _ := c.speaker(i).(neighbour.OSPF)
		id := cmp.Or(a.Area, "0.0.0.0")
		area := areas[id]
		if area == nil {
			area = s.el("area", s.leaf("area-id", id), s.el("interfaces"))
			areas[id] = area
			order = append(order, area)
		}
		cost := c.setting(c.pathOfAdjacency(a)+"/config/metric", u16(defaultMetric))
		n := s.el("interface", s.leaf("name", st.Interface), s.leaf("interface-type", "point-to-point"),
			s.leaf("hello-interval", seconds(cmp.Or(o.Hello, 10*time.Second))),
			s.leaf("dead-interval", seconds(cmp.Or(o.Dead, 4*cmp.Or(o.Hello, 10*time.Second)))),
			s.leaf("enabled", true), s.leaf("cost", cost.plain()), s.leaf("state", "point-to-point"))
		if st.BFD.Session != "" {
			n.Add(s.el("bfd", s.leaf("enabled", true)))
		}
		nb := s.el("neighbor", s.leaf("neighbor-router-id", st.Neighbour), s.leaf("address", a.Address), s.leaf("state", strings.ToLower(st.State)))
		nb.Add(s.el("statistics", s.leaf("nbr-event-count", st.Transitions*6)))
		n.Add(s.el("neighbors", nb))
		area.Kids[1].Add(n)
	}
	if len(order) == 0 {
		return nil
	}
	ospf := s.el("ospf", s.leaf("router-id", c.cfg.Router.RouterID))
	if c.setting(protocolPath("OSPF")+"/ospfv2/global/timers/max-metric/config/set", boolean(false)).num == 1 {
		ospf.Add(s.el("stub-router", s.el("always")))
	}
	gr := s.el("graceful-restart", s.leaf("enabled", own), s.leaf("helper-enabled", helper), s.leaf("helper-strict-lsa-checking", false))
	if own {
		gr.Add(s.leaf("restart-interval", seconds(grace)))
	}
	ospf.Add(gr, s.el("nsr", s.leaf("enabled", nsr)), s.el("areas", order...))
	return protocolNode(nsOSPF, "ospfv2").Add(ospf)
}

// ietfISIS is RFC 9130.
func (c *Chassis) ietfISIS() *element.Node {
	s := sheetXML(nsISIS)
	all := c.relations()
	own, helper, grace := c.restartsOf(all, "isis")
	list := s.el("interfaces")
	over := false
	nsr := false
	for i, st := range all {
		if st.Protocol != "isis" {
			continue
		}
		a := &c.cfg.Adjacencies[i]
		d, _ := c.speaker(i).(neighbour.ISIS)
		hello, mult := isisTimers(d)
		level := "level-" + itoa(max(a.Level, 1))
		over = over || st.Overload
		nsr = nsr || st.Restart.Nonstop
		metric := c.setting(c.pathOfAdjacency(a)+"/afi-safi/af[afi-name=IPV4][safi-name=UNICAST]/config/metric", u32(defaultMetric))
		typ := "broadcast"
		if d.PointToPoint {
			typ = "point-to-point"
		}
		adj := s.el("adjacency", s.leaf("neighbor-sys-type", level), s.leaf("neighbor-sysid", st.Neighbour), s.leaf("usage", level),
			s.leaf("hold-timer", seconds(st.Timers.OwnDetect)), s.leaf("state", strings.ToLower(st.State)))
		// lastuptime is in hundredths of a second since the system came up.
		if st.Up {
			adj.Add(s.leaf("lastuptime", int64(max(st.Since.Sub(c.bootTime), 0)/(10*time.Millisecond))))
		}
		list.Add(s.el("interface", s.leaf("name", st.Interface), s.leaf("level-type", level), s.leaf("interface-type", typ),
			s.el("hello-interval", s.el(level, s.leaf("value", seconds(hello)))),
			s.el("hello-multiplier", s.el(level, s.leaf("value", mult))),
			s.el("metric", s.el(level, s.leaf("value", metric.plain()))),
			s.el("adjacencies", adj)))
	}
	if len(list.Kids) == 0 {
		return nil
	}
	set := c.setting(protocolPath("ISIS")+"/isis/global/lsp-bit/overload-bit/config/set-bit", boolean(false)).num == 1
	gr := s.el("graceful-restart", s.leaf("enabled", own), s.leaf("helper-enabled", helper))
	if own {
		gr.Add(s.leaf("restart-interval", seconds(grace)))
	}
	return protocolNode(nsISIS, "isis").Add(s.el("isis", s.el("nsr", s.leaf("enabled", nsr)), gr,
		s.el("overload", s.leaf("status", set || over)), list))
}

// ietfBFD is RFC 9314.
func (c *Chassis) ietfBFD() *element.Node {
	top := sheetXML(nsBFD)
	single, multi := element.New(nsBFDSingle, "sessions"), element.New(nsBFDMulti, "session-groups")
	for i, st := range c.relations() {
		if st.Protocol != "bfd" {
			continue
		}
		a := &c.cfg.Adjacencies[i]
		b, _ := c.speaker(i).(neighbour.BFD)
		far, _ := a.Far.(neighbour.BFD)
		tx, rx, mult := bfdTimers(b)
		farTx, farRx, farMult := bfdTimers(far)
		s := sheetXML(nsBFDSingle)
		if st.Interface == "" {
			s = sheetXML(nsBFDMulti)
		}
		common := []*element.Node{
			s.leaf("local-multiplier", mult), s.leaf("desired-min-tx-interval", tx.Microseconds()), s.leaf("required-min-rx-interval", rx.Microseconds()),
			s.leaf("admin-down", st.Admin), s.leaf("path-type", ""),
			s.leaf("local-discriminator", i+1), s.leaf("remote-multiplier", farMult),
		}
		run := s.el("session-running", s.leaf("session-index", i+1), s.leaf("local-state", bfdState(st.State)))
		if st.PeerState != "" {
			run.Add(s.leaf("remote-state", bfdState(st.PeerState)))
		}
		run.Add(s.leaf("detection-mode", "async-without-echo"),
			s.leaf("negotiated-tx-interval", max(tx, farRx).Microseconds()), s.leaf("negotiated-rx-interval", max(farTx, rx).Microseconds()),
			s.leaf("detection-time", st.Timers.OwnDetect.Microseconds()))
		stats := s.el("session-statistics")
		if st.Up {
			stats.Add(s.leaf("last-up-time", st.Since))
		}
		lost := st.Transitions
		if st.Up && lost > 0 {
			lost--
		}
		stats.Add(s.leaf("last-down-time", c.lastFailure[st.Key]), s.leaf("down-count", lost))
		if st.Interface != "" {
			n := s.el("session", s.leaf("interface", st.Interface), s.leaf("dest-addr", st.Neighbour), s.leaf("source-addr", a.LocalAddress))
			single.Add(n.Add(common...).Add(run, stats))
			continue
		}
		g := s.el("session-group", s.leaf("source-addr", a.LocalAddress), s.leaf("dest-addr", st.Neighbour))
		g.Add(common[:4]...)
		multi.Add(g.Add(s.el("sessions", append(common[4:], run, stats)...)))
	}
	if len(single.Kids)+len(multi.Kids) == 0 {
		return nil
	}
	return protocolNode(nsBFDTypes, "bfdv1").Add(top.el("bfd",
		element.New(nsBFDSingle, "ip-sh", single), element.New(nsBFDMulti, "ip-mh", multi)))
}

// bfdState is a state by the module's names. Source: RFC 9314, typedef state.
func bfdState(s string) string {
	if s == "ADMIN_DOWN" {
		return "adminDown"
	}
	return strings.ToLower(s)
}

// ietfAlarms is the list of RFC 8632 §4.
func (c *Chassis) ietfAlarms(*element.Node) *element.Node {
	s := sheetXML(nsAlarms)
	list := s.el("alarm-list", s.leaf("number-of-alarms", len(c.alarms)))
	for _, a := range c.alarms {
		sev := strings.ToLower(a.severity)
		if sev == "unknown" {
			sev = "indeterminate"
		}
		list.Add(s.el("alarm", s.leaf("resource", cmp.Or(a.resource, "chassis")), s.id("alarm-type-id", nsAlarms, "alarm-type-id"),
			s.leaf("alarm-type-qualifier", a.id), s.leaf("time-created", a.since), s.leaf("is-cleared", false), s.leaf("last-raised", a.since),
			s.leaf("last-changed", a.since), s.leaf("perceived-severity", sev), s.leaf("alarm-text", a.text)))
	}
	return s.el("alarms", list)
}

// yangLibrary is RFC 7895 §2.1.
func (c *Chassis) yangLibrary(*element.Node) *element.Node {
	s := sheetXML(nsYangLibrary)
	out := s.el("modules-state", s.leaf("module-set-id", "lab-1"))
	for _, m := range c.yangModules() {
		out.Add(s.el("module", s.leaf("name", m.name), s.leaf("revision", m.revision), s.leaf("namespace", m.space), s.leaf("conformance-type", "implement")))
	}
	return out
}
