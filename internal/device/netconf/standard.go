//nolint:misspell // the words of the modules
package netconf

import (
	"slices"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/element"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// kindsOf are the kinds of component by the names of their classes. Source: RFC
// 8348, iana-hardware; the last four are derived identities of our own.
var kindsOf = map[string]string{
	"CHASSIS": state.KindChassis, "POWER-SUPPLY": state.KindPowerSupply, "FAN": state.KindFan, "SENSOR": state.KindSensor,
	"STORAGE-DRIVE": state.KindStorage, "CPU": "CPU", "PORT": "PORT", "BACKPLANE": "BACKPLANE", "MODULE": "FRU",
	"CONTROLLER-CARD": state.KindControllerCard, "LINE-CARD": state.KindLineCard, "FABRIC": state.KindFabric, "PORT-EXTENDER": state.KindPortExtender,
}

// hardware reads RFC 8348. A module that tells a standby state is a controller
// card, since nothing else is one of a pair. Source: RFC 8348 §7, standby-state:
// a hot standby takes over at once, a cold one has to be made ready first.
func (r *reading) hardware(data *element.Node) {
	ready := state.Opt[bool]{}
	celsius := map[string]state.Opt[float64]{}
	for _, n := range data.In(nsHardware, "hardware").All("component") {
		k := state.Component{Name: n.Kid("name").Value(), Parent: n.Kid("parent").Value()}
		class := local(n.Kid("class"))
		if k.Kind = kindsOf[class]; k.Kind == "" {
			k.Kind = strings.ReplaceAll(class, "-", "_")
		}
		k.Part, k.Serial = text(n.Kid("model-name")), text(n.Kid("serial-num"))
		k.Version, k.Firmware = text(n.Kid("software-rev")), text(n.Kid("firmware-rev"))
		st := n.Kid("state")
		switch st.Kid("oper-state").Value() {
		case "enabled":
			k.Oper = state.Some(state.OperActive)
		case "disabled", "testing":
			k.Oper = state.Some(state.OperInactive)
			if st.Kid("admin-state").Value() == "locked" {
				k.Oper = state.Some(state.OperDisabled)
			}
		}
		switch st.Kid("standby-state").Value() {
		case "providing-service":
			r.roles[k.Name] = state.Primary
		case "hot-standby":
			r.roles[k.Name], ready = state.Secondary, state.Some(true)
		case "cold-standby":
			r.roles[k.Name], ready = state.Secondary, state.Some(false)
		}
		if c := sensor(n.Kid("sensor-data")); c.Known() {
			k.Celsius = c
			if was, ok := celsius[k.Parent].Get(); !ok || c.Or(0) > was {
				celsius[k.Parent] = c // the hottest
			}
		}
		if at := st.Kid("alarm-state"); at != nil {
			k.Failure = state.Some(slices.Contains(strings.Fields(at.Value()), "critical"))
		}
		r.augmented(&k, n)
		r.Components = append(r.Components, k)
	}
	for i := range r.Components {
		k := &r.Components[i]
		if !k.Celsius.Known() {
			k.Celsius = celsius[k.Name]
		}
		if _, pair := r.roles[k.Name]; pair && !k.SwitchoverReady.Known() {
			k.SwitchoverReady = ready
		}
	}
}

// augmented reads what our own module adds to a component.
func (r *reading) augmented(k *state.Component, n *element.Node) {
	own := func(name string) *element.Node { return n.In(nsSoftware, name) }
	k.BootTime, k.RebootReason = instant(own("boot-time")), text(own("restart-reason"))
	k.Failure, k.Mismatch = known(yes(own("failure")), k.Failure), yes(own("mismatch"))
	k.Health, k.PowerAdmin = text(own("health")), text(own("power-admin-state"))
	k.CPUPercent, k.MemoryPercent = decimal(own("cpu-percent")), decimal(own("memory-percent"))
	k.Celsius = known(decimal(own("celsius")), k.Celsius)
	k.SwitchoverReady = yes(own("switchover-ready"))
	k.LastSwitchover, k.SwitchoverReason = instant(own("last-switchover")), text(own("last-switchover-reason"))
}

// scales are the powers of ten of a sensor's value. Source: RFC 8348,
// sensor-value-scale, after RFC 3433.
var scales = map[string]int{
	"yocto": -24, "zepto": -21, "atto": -18, "femto": -15, "pico": -12, "nano": -9, "micro": -6, "milli": -3, "units": 0,
	"kilo": 3, "mega": 6, "giga": 9, "tera": 12, "peta": 15, "exa": 18, "zetta": 21, "yotta": 24,
}

// sensor reads a temperature in degrees Celsius. Source: RFC 8348,
// sensor-value-precision: that many decimal places where above zero.
func sensor(n *element.Node) state.Opt[float64] {
	v, ok := decimal(n.Kid("value")).Get()
	scale, named := scales[n.Kid("value-scale").Value()]
	if !ok || n.Kid("value-type").Value() != "celsius" || !named {
		return state.Opt[float64]{}
	}
	if places := int(decimal(n.Kid("value-precision")).Or(0)); places > 0 {
		scale -= places
	}
	for ; scale > 0; scale-- {
		v *= 10
	}
	for ; scale < 0; scale++ {
		v /= 10
	}
	return state.Some(v)
}

// software reads our own module's list of controller cards.
func (r *reading) software(data *element.Node) {
	for _, n := range data.In(nsSoftware, "software").All("controller") {
		r.roles[n.Kid("name").Value()] = word(n.Kid("role").Value())
		if r.scope != device.ScopeLive && n.Kid("next-version") != nil && !slices.ContainsFunc(r.Boot, func(b state.BootEntry) bool { return b.Controller == n.Kid("name").Value() }) {
			r.Boot = append(r.Boot, state.BootEntry{Controller: n.Kid("name").Value(), Version: text(n.Kid("next-version")), Image: text(n.Kid("next-image"))})
		}
	}
}

// system reads RFC 7317. The release is os-release, as the standard's example
// has it; the clock is read at the middle of the question.
func (r *reading) system(data *element.Node) {
	st := data.In(nsSystem, "system-state")
	r.Release = known(text(st.At("platform", "os-release")), text(st.At("platform", "os-version")))
	r.BootTime = instant(st.At("clock", "boot-datetime"))
	r.Hostname = text(data.In(nsSystem, "system").Kid("hostname"))
	if now, ok := instant(st.At("clock", "current-datetime")).Get(); ok {
		r.Clock.Offset = state.Some(now.Sub(r.asked))
	}
}

// alarms reads the list of RFC 8632 §4.
func (r *reading) alarms(data *element.Node) {
	r.AlarmsKnown = true
	for _, n := range data.In(nsAlarms, "alarms").Kid("alarm-list").All("alarm") {
		if n.Kid("is-cleared").Value() == "true" {
			continue
		}
		a := state.Alarm{ID: n.Kid("alarm-type-qualifier").Value(), Resource: n.Kid("resource").Value(), Text: n.Kid("alarm-text").Value(), Severity: word(n.Kid("perceived-severity").Value())}
		if a.ID == "" {
			a.ID = strings.ToLower(local(n.Kid("alarm-type-id"))) + " " + a.Resource
		}
		if a.Severity == "INDETERMINATE" {
			a.Severity = "UNKNOWN"
		}
		if t, ok := instant(n.Kid("time-created")).Get(); ok {
			a.Since = state.Some(t.Format(time.RFC3339Nano))
		}
		r.Alarms = append(r.Alarms, a)
	}
}

// interfaces reads RFC 8343.
func (r *reading) interfaces(data *element.Node) {
	groups := map[string]bool{}
	all := data.In(nsInterfaces, "interfaces").All("interface")
	for _, n := range all {
		if local(n.Kid("type")) == "IEEE8023ADLAG" {
			name := n.Kid("name").Value()
			groups[name] = true
			g := r.group(name)
			for _, m := range n.All("lower-layer-if") {
				r.member(g, m.Value())
				r.carriers[m.Value()] = name
			}
		}
	}
	for _, n := range all {
		i := state.Interface{Name: n.Kid("name").Value(), Admin: localOpt(n.Kid("admin-status")), Oper: localOpt(n.Kid("oper-status")), LastChange: instant(n.Kid("last-change"))}
		if !i.Admin.Known() {
			// Source: RFC 8343 §5: admin-status is of the feature if-mib;
			// enabled is always there.
			if on, ok := yes(n.Kid("enabled")).Get(); ok {
				i.Admin = state.Some(map[bool]string{true: "UP", false: "DOWN"}[on])
			}
		}
		if v, ok := number[uint64](n.Kid("speed")).Get(); ok && v > 0 {
			i.Speed = state.Some(unit.BitRate(v))
		}
		for _, up := range n.All("higher-layer-if") {
			if groups[up.Value()] {
				r.carriers[i.Name] = up.Value()
				r.member(r.group(up.Value()), i.Name)
			}
		}
		i.Aggregate = r.carriers[i.Name]
		c := n.Kid("statistics")
		i.InOctets, i.OutOctets = number[uint64](c.Kid("in-octets")), number[uint64](c.Kid("out-octets"))
		i.InErrors, i.OutErrors = number[uint64](c.Kid("in-errors")), number[uint64](c.Kid("out-errors"))
		i.InDiscards, i.OutDiscards = number[uint64](c.Kid("in-discards")), number[uint64](c.Kid("out-discards"))
		i.Transitions = number[uint64](n.In(nsSoftware, "carrier-transitions"))
		r.Interfaces = append(r.Interfaces, i)
	}
}

func (r *reading) group(name string) *state.Aggregate {
	g := r.groups[name]
	if g == nil {
		g = &state.Aggregate{Name: name}
		r.groups[name] = g
	}
	return g
}

func (r *reading) member(g *state.Aggregate, name string) *state.LACPMember {
	for i := range g.Members {
		if g.Members[i].Interface == name {
			return &g.Members[i]
		}
	}
	g.Members = append(g.Members, state.LACPMember{Interface: name})
	return &g.Members[len(g.Members)-1]
}

// theInstance is the network instance of what the models have without one.
// Source: RFC 8529 §3.4 (the default instance), RFC 8349.
const theInstance = "default"

// adjacency finds an adjacency that another section told, or makes it.
func (r *reading) adjacency(protocol, instance, iface, neighbour string) *state.Adjacency {
	for _, a := range r.known {
		if a.Protocol == protocol && a.Neighbour == neighbour && (a.Interface == iface || a.Interface == "" || iface == "") &&
			(a.Instance == instance || instance == "" || a.Instance == "") {
			if a.Interface == "" {
				a.Interface = iface
			}
			return a
		}
	}
	a := &state.Adjacency{Protocol: protocol, Instance: instance, Interface: iface, Neighbour: neighbour}
	r.known = append(r.known, a)
	return a
}

// vrrp reads RFC 8347. Who is active was last heard from in the backup state;
// an active router names the last that it heard.
func (r *reading) vrrp(data *element.Node) {
	for _, i := range data.In(nsInterfaces, "interfaces").All("interface") {
		for _, family := range []string{"ipv4", "ipv6"} {
			for _, n := range i.In(nsIP, family).In(nsVRRP, "vrrp").All("vrrp-instance") {
				a := r.adjacency(state.VRRP, n.Kid("vrid").Value(), i.Kid("name").Value(), n.Kid("last-adv-source").Value())
				a.State = localOpt(n.Kid("state"))
				switch a.State.Or("") {
				case "MASTER":
					a.State, a.Role, a.Up = state.Some("ACTIVE"), state.Some("active"), state.Some(true)
				case "BACKUP":
					a.Role, a.Up = state.Some("backup"), state.Some(true)
				case "INITIALIZE":
					a.Up = state.Some(false)
				}
				a.Priority = number[int](n.Kid("priority"))
				every := known(span(n.Kid("advertise-interval-centi-sec"), 10*time.Millisecond), span(n.Kid("advertise-interval-sec"), time.Second))
				if a.Role.Or("") == "active" {
					a.Timers.Send = every
				} else {
					a.Timers.NeighbourSend = every
					a.Timers.OwnDetect = span(n.Kid("master-down-interval"), 10*time.Millisecond)
				}
				a.Since = instant(n.Kid("up-datetime"))
			}
		}
	}
}

// protocols reads the control-plane protocols that have a module.
func (r *reading) protocols(data *element.Node) {
	for _, p := range data.In(nsRouting, "routing").Kid("control-plane-protocols").All("control-plane-protocol") {
		if n := p.In(nsOSPF, "ospf"); n != nil {
			protocol := state.OSPFv2
			if local(p.Kid("type")) == "OSPFV3" {
				protocol = state.OSPFv3
			}
			r.ospf(protocol, n)
		}
		if n := p.In(nsISIS, "isis"); n != nil {
			r.isis(n)
		}
		if n := p.In(nsBFD, "bfd"); n != nil {
			r.bfd(n)
		}
	}
}

// ospf reads RFC 9129. Both ends of an adjacency have the same timers, or there
// is none. Source: RFC 2328 §10.5.
func (r *reading) ospf(protocol string, n *element.Node) {
	own, grace := yes(n.At("graceful-restart", "enabled")), span(n.At("graceful-restart", "restart-interval"), time.Second)
	nonstop := yes(n.At("nsr", "enabled"))
	for _, area := range n.Kid("areas").All("area") {
		for _, i := range area.Kid("interfaces").All("interface") {
			hello, dead := span(i.Kid("hello-interval"), time.Second), span(i.Kid("dead-interval"), time.Second)
			for _, x := range i.Kid("neighbors").All("neighbor") {
				a := r.adjacency(protocol, theInstance, i.Kid("name").Value(), x.Kid("neighbor-router-id").Value())
				if a.State = localOpt(x.Kid("state")); a.State.Known() {
					// Source: RFC 2328 §7.2: routers that are not designated stay
					// at 2-Way with each other, which is how it should be.
					switch a.State.Or("") {
					case "FULL":
						a.Up = state.Some(true)
					case "2-WAY":
					default:
						a.Up = state.Some(false)
					}
				}
				a.Timers = state.Timers{Send: hello, NeighbourSend: hello, NeighbourDetect: dead, OwnDetect: dead}
				a.Restart.Own, a.Restart.Nonstop = own, nonstop
				if own.Or(false) {
					a.Restart.Time = grace
				}
				if on, ok := yes(i.At("bfd", "enabled")).Get(); ok {
					a.BFD.Protected = state.Some(on)
				} else if i.Kid("bfd") == nil {
					a.BFD.Protected = state.Some(false) // Source: RFC 9129, bfd/enabled has the default false
				}
			}
		}
	}
}

// isis reads RFC 9130. What the designated system of a LAN sends is not told:
// it sends three times as often (ISO/IEC 10589 §8.4.5), so only a
// point-to-point circuit tells what we send.
func (r *reading) isis(n *element.Node) {
	own, grace := yes(n.At("graceful-restart", "enabled")), span(n.At("graceful-restart", "restart-interval"), time.Second)
	nonstop := yes(n.At("nsr", "enabled"))
	for _, i := range n.Kid("interfaces").All("interface") {
		for _, x := range i.Kid("adjacencies").All("adjacency") {
			a := r.adjacency(state.ISIS, theInstance, i.Kid("name").Value(), x.Kid("neighbor-sysid").Value())
			if a.State = localOpt(x.Kid("state")); a.State.Known() {
				a.Up = state.Some(a.State.Or("") == "UP")
			}
			level := x.Kid("usage").Value()
			at := func(name string) *element.Node {
				c := i.Kid(name)
				if l := c.Kid(level); l != nil {
					return l.Kid("value")
				}
				return c.Kid("value")
			}
			hello, mult := span(at("hello-interval"), time.Second), number[int](at("hello-multiplier"))
			if i.Kid("interface-type").Value() == "point-to-point" {
				a.Timers.Send = hello
				if h, ok := hello.Get(); ok && mult.Known() {
					a.Timers.NeighbourDetect = state.Some(h * time.Duration(mult.Or(0)))
				}
			}
			a.Timers.OwnDetect = span(x.Kid("hold-timer"), time.Second)
			a.Restart.Own, a.Restart.Nonstop = own, nonstop
			if own.Or(false) {
				a.Restart.Time = grace
			}
		}
	}
}

// bfd reads RFC 9314: single hop by interface, multihop by addresses. The
// neighbour gives us up after our multiplier times what we send. Source: RFC
// 5880 §6.8.4.
func (r *reading) bfd(n *element.Node) {
	one := func(iface, neighbour string, settings, s *element.Node) {
		a := r.adjacency(state.BFD, theInstance, iface, neighbour)
		run := s.Kid("session-running")
		if a.State = localOpt(run.Kid("local-state")); a.State.Known() {
			a.Up = state.Some(a.State.Or("") == "UP")
		}
		mult := number[int](settings.Kid("local-multiplier"))
		a.BFD.Multiplier = mult
		a.Timers.Send = span(run.Kid("negotiated-tx-interval"), time.Microsecond)
		a.Timers.NeighbourSend = span(run.Kid("negotiated-rx-interval"), time.Microsecond)
		a.Timers.OwnDetect = span(run.Kid("detection-time"), time.Microsecond)
		if send, ok := a.Timers.Send.Get(); ok && mult.Known() {
			a.Timers.NeighbourDetect = state.Some(send * time.Duration(mult.Or(0)))
		}
		stats := s.Kid("session-statistics")
		a.Transition = number[uint64](stats.Kid("down-count"))
		if a.Up.Or(false) {
			a.Since = instant(stats.Kid("last-up-time"))
		}
	}
	for _, s := range n.In(nsBFDSingle, "ip-sh").Kid("sessions").All("session") {
		one(s.Kid("interface").Value(), s.Kid("dest-addr").Value(), s, s)
	}
	for _, g := range n.In(nsBFDMulti, "ip-mh").Kid("session-groups").All("session-group") {
		for _, s := range g.All("sessions") { // the module's name for the list
			one("", g.Kid("dest-addr").Value(), g, s)
		}
	}
}

// protocolNames are how captures name the sources of routes. Source: OpenConfig
// policy-types, INSTALL_PROTOCOL_TYPE; RFC 8349 §7, RFC 9129, RFC 9130.
var protocolNames = map[string]string{"direct": "directly-connected", "ospfv2": "ospf", "ospfv3": "ospf3"}

// routes reads the tables of RFC 8349. Where a table marks routes as active,
// only those count.
func (r *reading) routes(data *element.Node) {
	for _, rib := range data.In(nsRouting, "routing").Kid("ribs").All("rib") {
		family := strings.ToLower(local(rib.Kid("address-family")))
		t := state.RouteTable{Instance: theInstance, Family: family}
		if rib.Kid("default-rib").Value() == "false" {
			t.Instance = rib.Kid("name").Value()
		}
		all := rib.Kid("routes").All("route")
		marked := slices.ContainsFunc(all, func(n *element.Node) bool { return n.Kid("active") != nil })
		for _, n := range all {
			if marked && n.Kid("active") == nil {
				continue
			}
			x := state.Route{Prefix: n.Kid("destination-prefix").Value(), Protocol: strings.ToLower(local(n.Kid("source-protocol")))}
			if name := protocolNames[x.Protocol]; name != "" {
				x.Protocol = name
			}
			x.Metric = uint32(number[int64](n.Kid("metric")).Or(0)) // of the protocol's own module
			hop := n.Kid("next-hop")
			hops := []string{}
			add := func(n *element.Node, name string) {
				if v := n.Kid(name).Value(); v != "" {
					hops = append(hops, v)
				} else if v := n.Kid("outgoing-interface").Value(); v != "" {
					hops = append(hops, v)
				} else if v := n.Kid("special-next-hop").Value(); v != "" {
					hops = append(hops, v)
				}
			}
			add(hop, "next-hop-address")
			for _, h := range hop.Kid("next-hop-list").All("next-hop") {
				add(h, "address")
				if h.Kid("address") == nil && h.Kid("next-hop-address") != nil {
					hops[len(hops)-1] = h.Kid("next-hop-address").Value()
				}
			}
			slices.Sort(hops)
			x.NextHops = strings.Join(hops, ",")
			t.Routes = append(t.Routes, x)
		}
		t.Count = state.Some(uint64(len(t.Routes)))
		r.RouteTables = append(r.RouteTables, t)
	}
}
