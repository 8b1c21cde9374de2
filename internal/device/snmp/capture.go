package snmp

import (
	"context"
	"fmt"
	"math"
	"net/netip"
	"regexp"
	"slices"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// The objects that are read, by identifier. Source: the RFCs in the package
// comment; the numbers of ENTITY-STATE-MIB and ENTITY-SENSOR-MIB from memory.
const (
	sysDescr      = ".1.3.6.1.2.1.1.1.0"
	sysUpTime     = ".1.3.6.1.2.1.1.3.0"
	sysName       = ".1.3.6.1.2.1.1.5.0"
	hrSystemUp    = ".1.3.6.1.2.1.25.1.1.0"   // RFC 2790
	engineTime    = ".1.3.6.1.6.3.10.2.1.3.0" // RFC 3411, seconds
	ifEntry       = ".1.3.6.1.2.1.2.2.1"      // IF-MIB
	ifXEntry      = ".1.3.6.1.2.1.31.1.1.1"   // IF-MIB
	physicalEntry = ".1.3.6.1.2.1.47.1.1.1.1" // ENTITY-MIB
	stateEntry    = ".1.3.6.1.2.1.131.1.1.1"  // ENTITY-STATE-MIB
	sensorEntry   = ".1.3.6.1.2.1.99.1.1.1"   // ENTITY-SENSOR-MIB
	bgpPeerEntry  = ".1.3.6.1.2.1.15.3.1"     // BGP4-MIB
	ospfIfEntry   = ".1.3.6.1.2.1.14.7.1"     // OSPF-MIB
	ospfNbrEntry  = ".1.3.6.1.2.1.14.10.1"    // OSPF-MIB
	ipAddrEntry   = ".1.3.6.1.2.1.4.20.1"     // IP-MIB
	lldpRemEntry  = ".1.0.8802.1.1.2.1.4.1.1" // LLDP-MIB, IEEE 802.1AB
	lldpLocPort   = ".1.0.8802.1.1.2.1.3.7.1" // LLDP-MIB
	ticksPerSec   = 100                       // TimeTicks, RFC 2578 §7.1.8
	wrapOfTicks   = (1 << 32) * time.Second / ticksPerSec
	silentBeyond  = "not told over SNMP"
	sourceOfThese = "SNMP, standard MIBs"
)

// models are the MIB modules that are looked for, each by a subtree.
var models = []struct{ name, subtree string }{
	{"BGP4-MIB", bgpPeerEntry}, {"ENTITY-MIB", physicalEntry}, {"ENTITY-SENSOR-MIB", sensorEntry}, {"ENTITY-STATE-MIB", stateEntry},
	{"IF-MIB", ifEntry}, {"LLDP-MIB", lldpRemEntry}, {"OSPF-MIB", ospfNbrEntry}, {"SNMPv2-MIB", ".1.3.6.1.2.1.1"},
}

// Lacks are all acts: the driver only reads.
func (d *Driver) Lacks() device.Lacks {
	return device.Lacks{Install: true, SwitchOver: true, RestartDevice: true, ComponentImage: true}
}

// Abilities says which modules the agent has; there is nothing that it can do.
func (d *Driver) Abilities(ctx context.Context) (device.Abilities, error) {
	s, err := d.session(ctx, "abilities")
	if err != nil {
		return device.Abilities{}, err
	}
	defer s.end()
	var a device.Abilities
	var oids []string
	for _, m := range models {
		oids = append(oids, m.subtree)
	}
	r, err := s.g.GetNext(oids)
	if err != nil {
		return a, s.fault(err)
	}
	if err := s.refused(r); err != nil {
		return a, err
	}
	for i, v := range r.Variables {
		if i < len(models) && there(v) && strings.HasPrefix(v.Name, models[i].subtree+".") {
			a.Models = append(a.Models, models[i].name)
		}
	}
	return a, nil
}

// reading is one capture in the making.
type reading struct {
	s      *session
	c      *state.Capture
	agent  time.Time // when the agent started, which its TimeTicks count from
	ifName map[string]string
	descr  string // the system's description, which has no form
}

// Capture reads what SNMP tells. It is never complete: what runs, what lies on
// the volumes, what boots next and what is configured has no standard module.
// The release is that of the controller card that provides service, else of the
// chassis, as the ENTITY-MIB has it.
func (d *Driver) Capture(ctx context.Context, scope device.Scope) (*state.Capture, error) {
	s, err := d.session(ctx, "capture")
	if err != nil {
		return nil, err
	}
	defer s.end()
	r := &reading{s: s, c: &state.Capture{Device: d.cfg.Device, Source: sourceOfThese}}
	if d.cfg.User == "" {
		r.c.Source += ", version 2c"
	} else {
		r.c.Source += ", version 3"
	}
	if err := r.system(); err != nil {
		return nil, err
	}
	parts := []struct {
		name string
		in   []device.Scope
		f    func() error
	}{
		{"components", []device.Scope{device.ScopeFull, device.ScopeComponents, device.ScopeLive}, r.components},
		{"interfaces", []device.Scope{device.ScopeFull}, r.interfaces},
		{"BGP neighbours", []device.Scope{device.ScopeFull, device.ScopeLive}, r.bgp},
		{"OSPF neighbours", []device.Scope{device.ScopeFull, device.ScopeLive}, r.ospf},
		{"LLDP neighbours", []device.Scope{device.ScopeFull, device.ScopeLive}, r.lldp},
	}
	for _, p := range parts {
		if !slices.Contains(p.in, scope) {
			continue
		}
		switch err := p.f(); device.KindOf(err) {
		case device.Unreachable, device.OutcomeUnknown:
			return nil, err // it is gone
		default:
			if err != nil {
				r.c.Unread = append(r.c.Unread, p.name+": "+err.Error())
			}
		}
	}
	if !r.c.Release.Known() {
		r.c.Unread = append(r.c.Unread, fmt.Sprintf("release: no part tells it; the description is %q", r.descr))
	}
	for _, w := range []string{"volumes and files", "boot entries", "alarms", "configuration", "clock", "crash files", "route tables", "spanning trees"} {
		r.c.Unread = append(r.c.Unread, w+": "+silentBeyond)
	}
	slices.Sort(r.c.Unread)
	r.c.Sort()
	return r.c, nil
}

// system reads the system group and the time since the start.
func (r *reading) system() error {
	before := r.s.d.cfg.Now()
	v, err := r.s.get(sysDescr, sysUpTime, sysName, hrSystemUp, engineTime)
	if err != nil {
		return err
	}
	after := r.s.d.cfg.Now()
	if len(v) == 0 {
		return &device.Fault{Kind: device.Denied, Op: r.s.op, Text: "it answers, but lets us see nothing, not even the system group: look at its access control (views)"}
	}
	now := before.Add(after.Sub(before) / 2)
	r.c.TakenAt = after
	r.c.Hostname = text(v[sysName])
	r.descr = text(v[sysDescr]).Or("")
	// The agent's own time starts with the agent, and begins anew after 497
	// days; that of the version 3 engine does not. The host's time is the better
	// one where there is it.
	agent, host := state.Opt[time.Duration]{}, state.Opt[time.Duration]{}
	if n, ok := number(v[sysUpTime]); ok {
		up := time.Duration(n) * time.Second / ticksPerSec
		if n, ok := number(v[engineTime]); ok {
			for float64(n)-up.Seconds() > wrapOfTicks.Seconds()/2 {
				up += wrapOfTicks
			}
		}
		agent = state.Some(up)
	}
	if n, ok := number(v[hrSystemUp]); ok {
		host = state.Some(time.Duration(n) * time.Second / ticksPerSec)
	}
	if up, ok := agent.Get(); ok {
		r.agent = now.Add(-up)
	}
	if up, ok := host.Get(); ok {
		r.c.BootTime = state.Some(r.s.d.steady(now.Add(-up)))
	} else if up, ok := agent.Get(); ok {
		r.c.BootTime = state.Some(r.s.d.steady(now.Add(-up)))
	}
	return nil
}

// jitter is how far the time of a start that is derived from a time since may
// move from reading to reading and be the same: answers take their time.
const jitter = 5 * time.Second

// steady keeps the time of the start the same as long as it is the same.
func (d *Driver) steady(t time.Time) time.Time {
	t = t.Round(time.Second)
	d.mu.Lock()
	defer d.mu.Unlock()
	if t.Sub(d.boot).Abs() > jitter {
		d.boot = t
	}
	return d.boot
}

// since is the instant that the agent's TimeTicks in a column name. Zero means
// before the agent started.
func (r *reading) since(x row, column int) state.Opt[time.Time] {
	n, ok := x.number(column)
	if !ok || n == 0 || r.agent.IsZero() {
		return state.Opt[time.Time]{}
	}
	return state.Some(r.agent.Add(time.Duration(n) * time.Second / ticksPerSec).Round(time.Second))
}

// The columns of entPhysicalTable.
const (
	colDescr, colContainedIn, colClass, colName       = 2, 4, 5, 7
	colFirmware, colSoftware, colSerial, colModelName = 9, 10, 11, 13
)

// The values of entPhysicalClass. Source: RFC 6933, IANA-ENTITY-MIB.
const (
	classChassis   = 3
	classBackplane = 4
	classContainer = 5
	classPower     = 6
	classFan       = 7
	classSensor    = 8
	classModule    = 9
	classPort      = 10
	classStack     = 11
	classCPU       = 12
	classStorage   = 15
)

// What a module is, its name or description says; the standard has one class
// for all of them. Source: common practice.
var (
	controllerWords = regexp.MustCompile(`(?i)controller|control (card|board|module)|supervisor|route[- ]processor|routing[- ]engine|management (card|module)`)
	fabricWords     = regexp.MustCompile(`(?i)fabric|switching (card|module)`)
)

// components reads what is built in.
func (r *reading) components() error {
	t, err := r.s.walk(physicalEntry, colDescr, colContainedIn, colClass, colName, colFirmware, colSoftware, colSerial, colModelName)
	if err != nil || len(t) == 0 {
		if err == nil {
			r.c.Unread = append(r.c.Unread, "components: the agent has no ENTITY-MIB")
		}
		return err
	}
	states, err := r.s.walk(stateEntry, 3, 6)
	if err != nil {
		return err
	}
	sensors, err := r.s.walk(sensorEntry, 1, 2, 3, 4, 5)
	if err != nil {
		return err
	}
	names := nameAll(t)
	// kept finds the part that something is in, containers left out.
	kept := func(x row) (string, row) {
		for range 32 { // an agent may have made a circle
			n, ok := x.number(colContainedIn)
			at := fmt.Sprint(n)
			in := t[at]
			if !ok || n == 0 || in == nil {
				return "", nil
			}
			if kind(in, nil) != "" {
				return names[at], in
			}
			x = in
		}
		return "", nil
	}
	for _, i := range t.indices() {
		x := t[i]
		parent, in := kept(x)
		k := kind(x, in)
		if k == "" {
			continue
		}
		c := state.Component{
			Name: names[i], Kind: k, Parent: parent, Part: x.text(colModelName), Serial: x.text(colSerial),
			Version: x.text(colSoftware), Firmware: x.text(colFirmware),
			// Source: RFC 4268, EntityOperState and EntityStandbyStatus.
			Oper: states[i].word(3, "", state.OperDisabled, state.OperActive, ""),
		}
		if k == state.KindControllerCard {
			c.Role = states[i].word(6, "", state.Secondary, state.Secondary, state.Primary)
		}
		c.Celsius = celsius(sensors[i])
		r.c.Components = append(r.c.Components, c)
	}
	if card, ok := r.c.ControllerWithRole(state.Primary); ok && card.Version.Known() {
		r.c.Release = card.Version
		return nil
	}
	for _, c := range r.c.Components {
		if c.Kind == state.KindChassis && c.Version.Known() && !r.c.Release.Known() {
			r.c.Release = c.Version
		}
	}
	return nil
}

// nameAll names every part; the second of a name gets its index too.
func nameAll(t table) map[string]string {
	names, used := map[string]string{}, map[string]bool{}
	for _, i := range t.indices() {
		n := t[i].text(colName).Or(t[i].text(colDescr).Or("entity " + i))
		if used[n] {
			n += " (entity " + i + ")"
		}
		used[n], names[i] = true, n
	}
	return names
}

// kind is the kind of a part that lies in another; empty for those that are
// left out. in is nil where it does not matter.
func kind(x, in row) string {
	class, _ := x.number(colClass)
	switch class {
	case classChassis:
		return state.KindChassis
	case classBackplane:
		return "BACKPLANE"
	case classPower:
		return state.KindPowerSupply
	case classFan:
		return state.KindFan
	case classSensor:
		return state.KindSensor
	case classCPU:
		return "CPU"
	case classStorage:
		return state.KindStorage
	case classPort:
		return "PORT"
	case classModule:
		words := x.text(colName).Or("") + " " + x.text(colDescr).Or("")
		inside, _ := in.number(colClass)
		switch {
		case inside == classPort:
			return "TRANSCEIVER"
		case inside == classModule:
			return "FRU"
		case controllerWords.MatchString(words):
			return state.KindControllerCard
		case fabricWords.MatchString(words):
			return state.KindFabric
		}
		return state.KindLineCard
	}
	return "" // containers, stacks, batteries and what is none of them
}

// celsius is the value of a sensor of temperature that works.
// Source: RFC 3433, EntitySensorDataType, DataScale and Status.
func celsius(x row) state.Opt[float64] {
	const celsiusType, units, ok = 8, 9, 1
	kind, _ := x.number(1)
	scale, scaled := x.number(2)
	precision, _ := x.signed(3)
	value, known := x.signed(4)
	if status, told := x.number(5); kind != celsiusType || !scaled || !known || !told || status != ok {
		return state.Opt[float64]{}
	}
	v := float64(value) * math.Pow(10, 3*(float64(scale)-units)) / math.Pow(10, float64(precision))
	if v < -273.15 || v > 1000 {
		return state.Opt[float64]{}
	}
	return state.Some(v)
}

// names reads how interfaces are called, by index.
func (r *reading) names() (map[string]string, error) {
	if r.ifName != nil {
		return r.ifName, nil
	}
	t, err := r.s.walk(ifXEntry, 1)
	if err != nil {
		return nil, err
	}
	d, err := r.s.walk(ifEntry, 2)
	if err != nil {
		return nil, err
	}
	r.ifName = map[string]string{}
	for i, x := range d {
		r.ifName[i] = t[i].text(1).Or(x.text(2).Or("interface " + i))
	}
	return r.ifName, nil
}

// interfaces reads ifTable and ifXTable.
func (r *reading) interfaces() error {
	names, err := r.names()
	if err != nil {
		return err
	}
	t, err := r.s.walk(ifEntry, 5, 7, 8, 9, 10, 13, 14, 16, 19, 20)
	if err != nil {
		return err
	}
	x, err := r.s.walk(ifXEntry, 6, 10, 15)
	if err != nil {
		return err
	}
	if len(t) == 0 {
		r.c.Unread = append(r.c.Unread, "interfaces: the agent has no IF-MIB")
	}
	used := map[string]bool{}
	for _, i := range t.indices() {
		low, high := t[i], x[i]
		n := state.Interface{
			Name: names[i],
			// Source: RFC 2863, ifAdminStatus and ifOperStatus.
			Admin:      low.word(7, "UP", "DOWN", "TESTING"),
			Oper:       low.word(8, "UP", "DOWN", "TESTING", "UNKNOWN", "DORMANT", "NOT_PRESENT", "LOWER_LAYER_DOWN"),
			LastChange: r.since(low, 9), InErrors: low.count(14), OutErrors: low.count(20), InDiscards: low.count(13), OutDiscards: low.count(19),
			// Counters of 32 bits turn over within seconds on fast ports; they
			// are taken only where the agent has no others. Source: RFC 2863 §3.1.6.
			InOctets: first(high.count(6), low.count(10)), OutOctets: first(high.count(10), low.count(16)),
		}
		if n.Name == "" || used[n.Name] {
			n.Name = strings.TrimSpace(n.Name + " (interface " + i + ")")
		}
		used[n.Name] = true
		if mega, ok := high.number(15); ok && mega > 0 {
			n.Speed = state.Some(unit.BitRate(float64(mega) * 1e6))
		} else if bps, ok := low.number(5); ok && bps > 0 && bps < math.MaxUint32 {
			n.Speed = state.Some(unit.BitRate(float64(bps)))
		}
		r.c.Interfaces = append(r.c.Interfaces, n)
	}
	return nil
}

func first[T any](a, b state.Opt[T]) state.Opt[T] {
	if a.Known() {
		return a
	}
	return b
}

// instance is the network instance that these modules speak of.
const instance = "default"

// bgp reads the peers, which in this module have IPv4 addresses.
func (r *reading) bgp() error {
	t, err := r.s.walk(bgpPeerEntry, 2, 15, 16, 18, 19)
	if err != nil {
		return err
	}
	for _, i := range t.indices() {
		x := t[i]
		addr, ok := address(arcs(i))
		if !ok {
			continue
		}
		a := state.Adjacency{Protocol: state.BGP, Instance: instance, Neighbour: addr.String(), Transition: x.count(15),
			State: x.word(2, "IDLE", "CONNECT", "ACTIVE", "OPENSENT", "OPENCONFIRM", "ESTABLISHED")}
		if s, ok := a.State.Get(); ok {
			a.Up = state.Some(s == "ESTABLISHED")
		}
		if up, _ := a.Up.Get(); up {
			// Source: RFC 4273, bgpPeerFsmEstablishedTime counts seconds since.
			if since, ok := x.seconds(16).Get(); ok {
				a.Since = state.Some(r.c.TakenAt.Add(-since).Round(time.Second))
			}
			// Source: RFC 4273, bgpPeerHoldTime is the agreed one; RFC 4271 §4.2:
			// it holds for both sides.
			if hold, ok := x.seconds(18).Get(); ok && hold > 0 {
				a.Timers.OwnDetect, a.Timers.NeighbourDetect = state.Some(hold), state.Some(hold)
				if keep, ok := x.seconds(19).Get(); ok && keep > 0 {
					a.Timers.Send = state.Some(keep)
				}
			}
		}
		r.c.Adjacencies = append(r.c.Adjacencies, a)
	}
	return nil
}

// address is the IPv4 address that arcs begin with.
func address(a []uint64) (netip.Addr, bool) {
	if len(a) < 4 {
		return netip.Addr{}, false
	}
	var b [4]byte
	for i := range b {
		if a[i] > 255 {
			return netip.Addr{}, false
		}
		b[i] = byte(a[i])
	}
	return netip.AddrFrom4(b), true
}

// ospf reads the neighbours, with the interface whose subnet they are in.
func (r *reading) ospf() error {
	t, err := r.s.walk(ospfNbrEntry, 3, 5, 6, 7)
	if err != nil || len(t) == 0 {
		return err
	}
	ifs, err := r.s.walk(ospfIfEntry, 9, 10)
	if err != nil {
		return err
	}
	addrs, err := r.s.walk(ipAddrEntry, 2, 3)
	if err != nil {
		return err
	}
	names, err := r.names()
	if err != nil {
		return err
	}
	for _, i := range t.indices() {
		x, index := t[i], arcs(i)
		addr, ok := address(index)
		if !ok || len(index) != 5 {
			continue
		}
		a := state.Adjacency{Protocol: state.OSPFv2, Instance: instance, Neighbour: addr.String(), Transition: x.count(7),
			// Source: RFC 4750, ospfNbrState.
			State: x.word(6, "DOWN", "ATTEMPT", "INIT", "TWO_WAY", "EXCHANGE_START", "EXCHANGE", "LOADING", "FULL")}
		if id, ok := x[3].Value.(string); ok && id != "" {
			a.Neighbour = id
		}
		if n, ok := x.number(5); ok && n <= math.MaxUint8 {
			a.Priority = state.Some(int(n))
		}
		// Source: RFC 2328 §10.3: two routers that are neither designated nor
		// backup stay at TWO_WAY; so that word alone does not decide.
		if s, ok := a.State.Get(); ok && s != "TWO_WAY" {
			a.Up = state.Some(s == "FULL")
		}
		var timers row
		if index[4] != 0 { // an interface without an address
			a.Interface = names[fmt.Sprint(index[4])]
			timers = ifs[fmt.Sprintf("0.0.0.0.%d", index[4])]
		} else {
			for own, y := range addrs {
				ours, ok := address(arcs(own))
				mask, masked := y[3].Value.(string)
				n, numbered := y.number(2)
				if !ok || !masked || !numbered {
					continue
				}
				if m, err := netip.ParseAddr(mask); err == nil && sameSubnet(ours, addr, m) {
					a.Interface = names[fmt.Sprint(n)]
					timers = ifs[own+".0"]
				}
			}
		}
		// Source: RFC 2328 §10.5: both intervals are the same on both sides.
		a.Timers.Send, a.Timers.NeighbourSend = timers.seconds(9), timers.seconds(9)
		a.Timers.OwnDetect, a.Timers.NeighbourDetect = timers.seconds(10), timers.seconds(10)
		r.c.Adjacencies = append(r.c.Adjacencies, a)
	}
	return nil
}

func sameSubnet(a, b, mask netip.Addr) bool {
	if !a.Is4() || !b.Is4() || !mask.Is4() {
		return false
	}
	x, y, m := a.As4(), b.As4(), mask.As4()
	for i := range m {
		if (x[i]^y[i])&m[i] != 0 {
			return false
		}
	}
	return true
}

// lldp reads the neighbours that were heard. Source: IEEE 802.1AB-2016 §11,
// lldpRemTable by time mark, local port and index.
func (r *reading) lldp() error {
	t, err := r.s.walk(lldpRemEntry, 4, 5, 6, 7, 9)
	if err != nil || len(t) == 0 {
		return err
	}
	ports, err := r.s.walk(lldpLocPort, 2, 3)
	if err != nil {
		return err
	}
	for _, i := range t.indices() {
		index := arcs(i)
		if len(index) != 3 {
			continue
		}
		x, local := t[i], ports[fmt.Sprint(index[1])]
		a := state.Adjacency{Protocol: state.LLDP, Interface: identifier(local, 2, 3, macPort).Or(fmt.Sprintf("port %d", index[1])),
			Neighbour: identifier(x, 4, 5, macChassis).Or(""), PeerPort: identifier(x, 6, 7, macPort), Peer: x.text(9),
			Up: state.Some(true), // the table lists only neighbours that have not aged out
		}
		r.c.Adjacencies = append(r.c.Adjacencies, a)
	}
	return nil
}

// The subtypes of identifiers that are MAC addresses.
// Source: IEEE 802.1AB-2016 §8.5.2.2, §8.5.3.2.
const (
	macChassis = 4
	macPort    = 3
)

// identifier is an identifier by its subtype: text, or a MAC address.
func identifier(x row, subtype, column int, mac uint64) state.Opt[string] {
	b, ok := x[column].Value.([]byte)
	if !ok {
		return state.Opt[string]{}
	}
	if n, known := x.number(subtype); known && n == mac && len(b) == 6 {
		return state.Some(fmt.Sprintf("%02x:%02x:%02x:%02x:%02x:%02x", b[0], b[1], b[2], b[3], b[4], b[5]))
	}
	return x.text(column)
}
