//nolint:misspell // the words of the OpenConfig models
package lab

import (
	"cmp"
	"hash/fnv"
	"slices"
	"strconv"
	"time"

	"fmt"

	"towpath/internal/lab/neighbour"
)

// meetNeighbours starts the adjacencies.
func (c *Chassis) meetNeighbours() error {
	cfgs := make([]neighbour.Config, len(c.cfg.Adjacencies))
	for i, a := range c.cfg.Adjacencies {
		cfgs[i] = a.Config
	}
	h := fnv.New64a()
	fmt.Fprint(h, c.cfg.ID, "neighbours")
	set, err := neighbour.NewSet(c.clock, newRand(c.lab.cfg.Seed, h.Sum64()), cfgs)
	if err != nil {
		return err
	}
	c.mu.Lock()
	c.set = set
	c.mu.Unlock()
	set.Subscribe(func(ch neighbour.Change) {
		c.do(func() {
			if !ch.Far && ch.WasUp && !ch.Up {
				c.lastFailure[ch.Key] = ch.At
			}
		})
	})
	return nil
}

// outcomesSoFar returns what became of the adjacencies in each silence.
func (c *Chassis) outcomesSoFar() [][]neighbour.Outcome {
	c.mu.Lock()
	defer c.mu.Unlock()
	out := slices.Clone(c.pastOutcomes)
	if len(c.silences) > 0 {
		out = append(out, c.set.Outcomes())
	}
	return out
}

// changeTopology lets the spanning tree change somewhere beyond the neighbours.
func (c *Chassis) changeTopology() {
	c.set.TopologyChange()
	for _, a := range c.cfg.Adjacencies {
		if a.Protocol() == "rstp" {
			return // its machine counts
		}
	}
	c.treeChanges++
	c.treeChanged = c.now()
}

// loseAdjacency cuts the path of the first routing adjacency for ever.
func (c *Chassis) loseAdjacency() {
	for _, proto := range []string{"bgp", "ospfv2", "isis", "ospfv3", "ldp"} {
		for _, a := range c.cfg.Adjacencies {
			if a.Protocol() == proto {
				if c.set.Fail(a.Key()) == nil {
					return
				}
			}
		}
	}
}

const defaultInstance = "/network-instances/network-instance[name=default]"

// protocolPath is where OpenConfig keeps one routing protocol.
func protocolPath(id string) string {
	return defaultInstance + "/protocols/protocol[identifier=" + id + "][name=default]"
}

// renderRelations writes what OpenConfig says of the adjacencies, and the rest
// under the facts. The lock is held.
func (c *Chassis) renderRelations(s *sheet) {
	s.put(defaultInstance+"/state/name", str("default"))
	if c.set == nil {
		return
	}
	r := &relationSheet{sheet: s, c: c, all: c.set.Snapshot()}
	r.devices = make([]neighbour.Speaker, len(r.all))
	for i := range r.all {
		r.devices[i] = c.cfg.Adjacencies[i].Device
		if d, err := c.set.Device(r.all[i].Key); err == nil {
			r.devices[i] = d
		}
	}
	seen := map[string]bool{}
	for i := range r.all {
		st, a := &r.all[i], &c.cfg.Adjacencies[i]
		if !seen[st.Protocol] {
			seen[st.Protocol] = true
			r.global(st)
		}
		switch st.Protocol {
		case "bgp":
			r.bgp(st, a, r.devices[i])
		case "ospfv2":
			r.ospf(st, a, r.devices[i])
		case "isis":
			r.isis(st, a, r.devices[i])
		case "bfd":
			r.bfd(i, st, a, r.devices[i])
		case "vrrp":
			r.vrrp(st, a, r.devices[i])
		case "ldp":
			r.ldp(st)
		case "pim":
			r.pim(st)
		case "lldp":
			r.lldp(st, a)
		case "lacp":
			r.lacp(st, a)
		case "rstp":
			r.rstp(st)
		}
		r.facts(st, a, r.devices[i])
	}
	r.tree()
}

// relationSheet writes adjacencies.
type relationSheet struct {
	*sheet
	c       *Chassis
	all     []neighbour.Status
	devices []neighbour.Speaker
}

// restarts reports what the chassis announces of graceful restart for a
// protocol: whether any adjacency has it, and the longest time.
func (r *relationSheet) restarts(protocol string) (own bool, t time.Duration) {
	for i := range r.all {
		if st := &r.all[i]; st.Protocol == protocol && st.Restart.Own {
			own, t = true, max(t, st.Restart.Time)
		}
	}
	return own, t
}

// global writes what holds for a protocol as a whole.
func (r *relationSheet) global(st *neighbour.Status) {
	own, grace := r.restarts(st.Protocol)
	rt := r.c.cfg.Router
	ids := map[string]string{"bgp": "BGP", "ospfv2": "OSPF", "isis": "ISIS", "pim": "PIM"}
	p := protocolPath(ids[st.Protocol])
	if id := ids[st.Protocol]; id != "" {
		r.put(p+"/state/identifier", ident("openconfig-policy-types", id))
		r.put(p+"/state/name", str("default"))
	}
	switch st.Protocol {
	case "bgp":
		r.put(p+"/bgp/global/state/as", value{kind: kUint32, num: uint64(rt.AS)})
		r.text(p+"/bgp/global/state/router-id", rt.RouterID)
		r.put(p+"/bgp/global/graceful-restart/state/enabled", boolean(own))
		r.put(p+"/bgp/global/graceful-restart/state/restart-time", u16(seconds(grace)))
		r.put(p+"/bgp/global/graceful-restart/state/helper-only", boolean(!own))
	case "ospfv2":
		r.text(p+"/ospfv2/global/state/router-id", rt.RouterID)
		r.put(p+"/ospfv2/global/graceful-restart/state/enabled", boolean(own))
		r.put(p+"/ospfv2/global/graceful-restart/state/helper-only", boolean(!own))
		q := p + "/ospfv2/global/timers/max-metric/config/set"
		set := r.c.setting(q, boolean(false))
		r.put(q, set)
		r.put(p+"/ospfv2/global/timers/max-metric/state/set", set)
		if own {
			r.put(gracePath, value{kind: kUint32, num: uint64(seconds(grace))})
		}
	case "isis":
		r.put(p+"/isis/global/graceful-restart/state/enabled", boolean(own))
		r.put(p+"/isis/global/graceful-restart/state/helper-only", boolean(!own))
		r.put(p+"/isis/global/graceful-restart/state/restart-time", u16(seconds(grace)))
		r.put(p+"/isis/global/nsr/state/enabled", boolean(st.Restart.Nonstop))
		q := p + "/isis/global/lsp-bit/overload-bit/config/set-bit"
		set := r.c.setting(q, boolean(false))
		r.put(q, set)
		r.put(p+"/isis/global/lsp-bit/overload-bit/state/set-bit", boolean(set.num == 1 || st.Overload))
	case "ldp":
		q := defaultInstance + "/mpls/signaling-protocols/ldp/global/graceful-restart/state"
		r.put(q+"/enabled", boolean(own))
		r.put(q+"/reconnect-time", u16(seconds(grace)))
		r.put(q+"/recovery-time", u16(seconds(grace)))
		r.put(q+"/helper-enable", boolean(own))
	case "lldp":
		r.put("/lldp/state/enabled", boolean(true))
		r.put("/lldp/state/hello-timer", u64(uint64(seconds(st.Timers.Send))))
		r.put("/lldp/state/ttl", u16(seconds(st.Timers.NeighbourDetect)))
	case "rstp":
		r.put("/stp/global/state/enabled-protocol", list("openconfig-spanning-tree-types:RSTP"))
	}
}

func (r *relationSheet) bgp(st *neighbour.Status, a *Adjacency, dev neighbour.Speaker) {
	b, _ := dev.(neighbour.BGP) // its protocol says so
	p := protocolPath("BGP") + "/bgp/neighbors/neighbor[neighbor-address=" + key(st.Neighbour) + "]"
	q := p + "/state"
	r.put(p+"/config/enabled", boolean(!st.Admin))
	r.put(q+"/neighbor-address", str(st.Neighbour))
	r.put(q+"/peer-as", value{kind: kUint32, num: uint64(a.PeerAS)})
	r.put(q+"/enabled", boolean(!st.Admin))
	r.text(q+"/description", st.Peer)
	r.put(q+"/session-state", enum(st.State))
	r.put(q+"/established-transitions", u64(st.Transitions))
	if st.Up {
		r.time(q+"/last-established", st.Since)
	}
	hold := seconds(cmp.Or(b.Hold, 90*time.Second))
	if b.NoHold {
		hold = 0
	}
	keep := seconds(cmp.Or(b.Keepalive, b.Hold/3, 30*time.Second))
	r.put(p+"/timers/config/hold-time", u16(hold))
	r.put(p+"/timers/config/keepalive-interval", u16(keep))
	r.put(p+"/timers/state/hold-time", u16(hold))
	r.put(p+"/timers/state/keepalive-interval", u16(keep))
	if st.Up {
		r.put(p+"/timers/state/negotiated-hold-time", u16(seconds(st.Timers.OwnDetect)))
	}
	g := p + "/graceful-restart"
	r.put(g+"/config/enabled", boolean(b.Restart))
	r.put(g+"/state/enabled", boolean(b.Restart))
	r.put(g+"/state/restart-time", u16(seconds(cmp.Or(b.RestartTime, 120*time.Second))))
	r.put(g+"/state/peer-restart-time", u16(seconds(st.Restart.Time)))
	r.put(g+"/state/peer-restarting", boolean(false))
	r.put(g+"/state/local-restarting", boolean(st.Restart.Restarting))
	switch {
	case b.Restart && st.Restart.Helper:
		r.put(g+"/state/mode", enum("BILATERAL"))
	case b.Restart:
		r.put(g+"/state/mode", enum("REMOTE_HELPER"))
	default:
		r.put(g+"/state/mode", enum("HELPER_ONLY"))
	}
	r.put(p+"/enable-bfd/state/enabled", boolean(st.BFD.Session != ""))
	families := []struct {
		name     string
		received int
		sent     uint64
	}{{"IPV4_UNICAST", int(st.Prefixes), b.Prefixes}}
	if a.PrefixesV6 > 0 {
		n := 0
		if st.Up {
			n = a.PrefixesV6
		}
		families = append(families, struct {
			name     string
			received int
			sent     uint64
		}{"IPV6_UNICAST", n, b.Prefixes})
	}
	for _, f := range families {
		w := p + "/afi-safis/afi-safi[afi-safi-name=" + f.name + "]"
		r.put(w+"/state/afi-safi-name", ident("openconfig-bgp-types", f.name))
		r.put(w+"/state/prefixes/received", u32(f.received))
		r.put(w+"/state/prefixes/installed", u32(f.received))
		r.put(w+"/state/prefixes/sent", u32(int(f.sent)))
		r.put(w+"/graceful-restart/state/enabled", boolean(b.Restart))
		r.put(w+"/graceful-restart/state/advertised", boolean(b.Restart))
		r.put(w+"/graceful-restart/state/received", boolean(st.Restart.Helper))
	}
}

func (r *relationSheet) ospf(st *neighbour.Status, a *Adjacency, dev neighbour.Speaker) {
	o, _ := dev.(neighbour.OSPF)
	p := protocolPath("OSPF") + "/ospfv2/areas/area[identifier=" + key(cmp.Or(a.Area, "0.0.0.0")) + "]/interfaces/interface[id=" + key(st.Interface) + "]"
	r.put(p+"/state/id", str(st.Interface))
	hello := seconds(cmp.Or(o.Hello, 10*time.Second))
	dead := seconds(cmp.Or(o.Dead, 4*cmp.Or(o.Hello, 10*time.Second)))
	metric := r.c.setting(p+"/config/metric", u16(defaultMetric))
	for _, c := range []string{"config", "state"} {
		r.put(p+"/"+c+"/metric", metric)
		r.put(p+"/timers/"+c+"/hello-interval", u32(hello))
		r.put(p+"/timers/"+c+"/dead-interval", u32(dead))
	}
	n := p + "/neighbors/neighbor[router-id=" + key(st.Neighbour) + "]/state"
	r.put(n+"/router-id", str(st.Neighbour))
	r.put(n+"/adjacency-state", ident("openconfig-ospf-types", st.State))
	r.put(n+"/state-changes", u32(int(min(st.Transitions*6, 1<<31))))
	if st.Up {
		r.time(n+"/last-established-time", st.Since)
	}
}

func (r *relationSheet) isis(st *neighbour.Status, a *Adjacency, dev neighbour.Speaker) {
	i, _ := dev.(neighbour.ISIS)
	f := protocolPath("ISIS") + "/isis/interfaces/interface[interface-id=" + key(st.Interface) + "]"
	r.put(f+"/state/interface-id", str(st.Interface))
	p := f + "/levels/level[level-number=" + itoa(max(a.Level, 1)) + "]"
	hello, mult := isisTimers(i)
	af := p + "/afi-safi/af[afi-name=IPV4][safi-name=UNICAST]"
	metric := r.c.setting(af+"/config/metric", u32(defaultMetric))
	for _, c := range []string{"config", "state"} {
		r.put(af+"/"+c+"/metric", metric)
		r.put(p+"/timers/"+c+"/hello-interval", u32(seconds(hello)))
		r.put(p+"/timers/"+c+"/hello-multiplier", u8(mult))
	}
	n := p + "/adjacencies/adjacency[system-id=" + key(st.Neighbour) + "]/state"
	r.put(n+"/system-id", str(st.Neighbour))
	r.put(n+"/adjacency-state", enum(st.State))
	r.put(n+"/restart-support", boolean(st.Restart.Helper))
	r.put(n+"/restart-status", boolean(st.Restart.Restarting))
	if st.Up {
		r.time(n+"/up-timestamp", st.Since)
	}
}

// isisTimers are the configured timers of a circuit.
// Source: RFC 4444, RFC 1142: 3 s and 10 on a LAN, 10 s and 3 point-to-point.
func isisTimers(i neighbour.ISIS) (hello time.Duration, mult int) {
	if i.PointToPoint {
		return cmp.Or(i.Hello, 10*time.Second), cmp.Or(i.Mult, 3)
	}
	return cmp.Or(i.Hello, 3*time.Second), cmp.Or(i.Mult, 10)
}

// bfdID is under which interface OpenConfig lists a session.
func bfdID(st *neighbour.Status) string { return cmp.Or(st.Interface, "multihop") }

func bfdTimers(b neighbour.BFD) (tx, rx time.Duration, mult int) {
	return cmp.Or(b.DesiredMinTx, 300*time.Millisecond), cmp.Or(b.RequiredMinRx, 300*time.Millisecond), cmp.Or(b.Mult, 3)
}

func (r *relationSheet) bfd(i int, st *neighbour.Status, a *Adjacency, dev neighbour.Speaker) {
	b, _ := dev.(neighbour.BFD)
	p := "/bfd/interfaces/interface[id=" + key(bfdID(st)) + "]"
	tx, rx, mult := bfdTimers(b)
	r.put(p+"/state/id", str(bfdID(st)))
	r.text(p+"/state/interface", st.Interface)
	for _, c := range []string{"config", "state"} {
		r.put(p+"/"+c+"/enabled", boolean(!st.Admin))
		r.put(p+"/"+c+"/desired-minimum-tx-interval", u32(int(tx.Microseconds())))
		r.put(p+"/"+c+"/required-minimum-receive", u32(int(rx.Microseconds())))
		r.put(p+"/"+c+"/detection-multiplier", u8(mult))
	}
	d := itoa(i + 1)
	q := p + "/peers/peer[local-discriminator=" + d + "]/state"
	r.put(q+"/local-discriminator", str(d))
	r.text(q+"/local-address", a.LocalAddress)
	r.put(q+"/remote-address", str(st.Neighbour))
	r.put(q+"/session-state", enum(st.State))
	if st.PeerState != "" {
		r.put(q+"/remote-session-state", enum(st.PeerState))
	}
	lost := st.Transitions
	if st.Up && lost > 0 {
		lost--
	}
	r.put(q+"/failure-transitions", u64(lost))
	r.time(q+"/last-failure-time", r.c.lastFailure[st.Key])
	r.put(q+"/remote-control-plane-independent", boolean(st.BFD.Independent))
	far, _ := a.Far.(neighbour.BFD)
	_, farRx, _ := bfdTimers(far)
	r.put(q+"/remote-minimum-receive-interval", u32(int(farRx.Microseconds())))
	ids := map[string]string{"bgp": "BGP", "ospfv2": "OSPF", "isis": "ISIS", "ospfv3": "OSPF3", "pim": "PIM"}
	var users []string
	for _, x := range r.c.cfg.Adjacencies {
		if id := ids[x.Protocol()]; x.BFD == st.Key && id != "" && !slices.Contains(users, "openconfig-policy-types:"+id) {
			users = append(users, "openconfig-policy-types:"+id)
		}
	}
	r.put(q+"/subscribed-protocols", list(users...))
}

// vrrpPath is where OpenConfig keeps a group.
func vrrpPath(st *neighbour.Status, a *Adjacency) string {
	return "/interfaces/interface[name=" + key(st.Interface) + "]/subinterfaces/subinterface[index=0]/ipv4/addresses/address[ip=" +
		key(a.LocalAddress) + "]/vrrp/vrrp-group[virtual-router-id=" + st.Instance + "]"
}

func (r *relationSheet) vrrp(st *neighbour.Status, a *Adjacency, dev neighbour.Speaker) {
	v, _ := dev.(neighbour.VRRP)
	p := vrrpPath(st, a)
	prio := cmp.Or(v.Priority, 100)
	group, _ := strconv.Atoi(st.Instance)
	r.put(p+"/config/priority", u8(prio))
	r.put(p+"/state/virtual-router-id", u8(group))
	r.put(p+"/state/priority", u8(prio))
	r.put(p+"/state/current-priority", u8(st.Priority))
	r.put(p+"/config/advertisement-interval", u16(int(cmp.Or(v.Interval, time.Second)/(10*time.Millisecond))))
	r.put(p+"/state/advertisement-interval", u16(int(cmp.Or(v.Interval, time.Second)/(10*time.Millisecond))))
	r.put(p+"/state/preempt", boolean(!v.NoPreempt))
}

func (r *relationSheet) ldp(st *neighbour.Status) {
	p := defaultInstance + "/mpls/signaling-protocols/ldp/neighbors/neighbor[lsr-id=" + key(st.Neighbour) + "][label-space-id=0]/state"
	r.put(p+"/lsr-id", str(st.Neighbour))
	r.put(p+"/label-space-id", u16(0))
	r.put(p+"/session-state", enum(st.State))
}

func (r *relationSheet) pim(st *neighbour.Status) {
	p := protocolPath("PIM") + "/pim/interfaces/interface[interface-id=" + key(st.Interface) + "]"
	r.put(p+"/state/interface-id", str(st.Interface))
	r.put(p+"/state/hello-interval", u8(seconds(st.Timers.Send)))
	n := p + "/neighbors/neighbor[neighbor-address=" + key(st.Neighbour) + "]/state"
	r.put(n+"/neighbor-address", str(st.Neighbour))
	if st.Up {
		r.time(n+"/neighbor-established", st.Since)
	}
}

func (r *relationSheet) lldp(st *neighbour.Status, a *Adjacency) {
	p := "/lldp/interfaces/interface[name=" + key(st.Interface) + "]"
	r.put(p+"/state/name", str(st.Interface))
	if !st.Up {
		return // an aged-out neighbour is forgotten
	}
	n := p + "/neighbors/neighbor[id=" + key(st.Neighbour) + "]/state"
	r.put(n+"/id", str(st.Neighbour))
	r.put(n+"/chassis-id", str(st.Neighbour))
	r.text(n+"/port-id", a.PeerPort)
	r.text(n+"/system-name", st.Peer)
	r.put(n+"/last-update", i64(st.Far.Since.Unix()))
}

func (r *relationSheet) lacp(st *neighbour.Status, a *Adjacency) {
	f := st.LACP
	if f == nil {
		return
	}
	p := "/lacp/interfaces/interface[name=" + key(a.Aggregate) + "]"
	interval, timeout, activity := "SLOW", "LONG", "ACTIVE"
	if f.Short {
		interval, timeout = "FAST", "SHORT"
	}
	if f.Passive {
		activity = "PASSIVE"
	}
	r.put(p+"/config/interval", enum(interval))
	r.put(p+"/state/name", str(a.Aggregate))
	r.put(p+"/state/interval", enum(interval))
	r.put(p+"/state/lacp-mode", enum(activity))
	if own, ok := a.Device.(neighbour.LACP); ok {
		r.text(p+"/state/system-id-mac", own.System)
	}
	m := p + "/members/member[interface=" + key(st.Interface) + "]/state"
	r.put(m+"/interface", str(st.Interface))
	r.put(m+"/activity", enum(activity))
	r.put(m+"/timeout", enum(timeout))
	sync := "OUT_SYNC"
	if f.Synchronized {
		sync = "IN_SYNC"
	}
	r.put(m+"/synchronization", enum(sync))
	r.put(m+"/collecting", boolean(f.Collecting))
	r.put(m+"/distributing", boolean(f.Distributing))
	r.text(m+"/partner-id", f.Partner)
	r.time(m+"/last-change", st.Since)
}

func (r *relationSheet) rstp(st *neighbour.Status) {
	p := "/stp/rstp/interfaces/interface[name=" + key(st.Interface) + "]/state"
	r.put(p+"/name", str(st.Interface))
	role := "DESIGNATED"
	if st.Role == "root" {
		role = "ROOT"
	}
	r.put(p+"/role", ident("openconfig-spanning-tree-types", role))
	r.put(p+"/port-state", ident("openconfig-spanning-tree-types", st.State))
}

// tree writes the spanning tree as a whole: the best root that any port knows.
func (r *relationSheet) tree() {
	var best *neighbour.RSTPFacts
	var own neighbour.RSTP
	changes, last := r.c.treeChanges, r.c.treeChanged
	for i := range r.all {
		f := r.all[i].RSTP
		if f == nil {
			continue
		}
		changes += f.Changes
		if f.LastChange.After(last) {
			last = f.LastChange
		}
		if best == nil || f.RootPrio < best.RootPrio || f.RootPrio == best.RootPrio && f.RootBridge < best.RootBridge {
			best = f
			own, _ = r.devices[i].(neighbour.RSTP)
		}
	}
	if best == nil {
		return
	}
	p := "/stp/rstp/state"
	r.put(p+"/hello-time", u8(seconds(best.Hello)))
	r.put(p+"/max-age", u8(seconds(best.MaxAge)))
	r.put(p+"/forwarding-delay", u8(seconds(best.Delay)))
	r.put(p+"/hold-count", u8(6)) // Source: IEEE 802.1D-2004 default
	r.put(p+"/bridge-priority", u32(cmp.Or(own.Priority, 32768)))
	r.text(p+"/bridge-address", own.Bridge)
	r.put(p+"/designated-root-priority", u32(best.RootPrio))
	r.text(p+"/designated-root-address", best.RootBridge)
	r.put(p+"/topology-changes", u64(changes))
	r.time(p+"/last-topology-change", last)
}

// defaultMetric is what an interface costs that nobody gave a metric.
// Source: ISO/IEC 10589 §7.2.2 for IS-IS; common practice for OSPF.
const defaultMetric = 10

// shutdownPath is where the graceful shutdown of a BGP session is set.
func shutdownPath(neighbour string) string {
	return "/facts/bgp[neighbour=" + key(neighbour) + "]/graceful-shutdown"
}

// gracePath is where the grace period of OSPF is set, in seconds.
const gracePath = "/facts/ospf[process=default]/grace-period"

// gracefulOSPF reports whether the chassis is configured to restart OSPF
// gracefully anywhere.
func (c *Chassis) gracefulOSPF() bool {
	return slices.ContainsFunc(c.cfg.Adjacencies, func(a Adjacency) bool {
		e, ok := a.Device.(neighbour.OSPF)
		return ok && e.Restart && a.Protocol() == "ospfv2"
	})
}

// graceSet passes a changed grace period on to the ends that restart gracefully;
// where the leaf was deleted, what the lab was configured with. The lock is held.
func (c *Chassis) graceSet(v value, set bool) {
	for i := range c.cfg.Adjacencies {
		a := &c.cfg.Adjacencies[i]
		if a.Protocol() != "ospfv2" {
			continue
		}
		dev, err := c.set.Device(a.Key())
		e, ok := dev.(neighbour.OSPF)
		if err != nil || !ok {
			continue
		}
		def, _ := a.Device.(neighbour.OSPF)
		e.GracePeriod = def.GracePeriod
		if set {
			e.GracePeriod = time.Duration(v.num) * time.Second
		}
		_ = c.set.Configure(a.Key(), e) // checked before; a value that does not fit changes nothing
	}
}

// facts writes one adjacency in the words that all protocols share.
func (r *relationSheet) facts(st *neighbour.Status, a *Adjacency, dev neighbour.Speaker) {
	p := "/facts/adjacency[id=" + key(st.Key) + "]"
	r.put(p+"/protocol", str(st.Protocol))
	r.text(p+"/instance", st.Instance)
	r.text(p+"/interface", st.Interface)
	r.put(p+"/neighbour", str(st.Neighbour))
	r.text(p+"/peer", st.Peer)
	r.text(p+"/state", st.State)
	r.put(p+"/up", boolean(st.Up))
	r.time(p+"/since", st.Since)
	r.put(p+"/transitions", u64(st.Transitions))
	r.text(p+"/role", st.Role)
	r.put(p+"/send", span(st.Timers.Send))
	r.put(p+"/neighbour-send", span(st.Timers.NeighbourSend))
	r.put(p+"/neighbour-detect", span(st.Timers.NeighbourDetect))
	r.put(p+"/own-detect", span(st.Timers.OwnDetect))
	r.put(p+"/nonstop", boolean(st.Restart.Nonstop))
	r.text(p+"/implementation", st.Implementation)
	if st.BFD.Session != "" {
		r.put(p+"/bfd-session", str(st.BFD.Session))
	}
	restarts := false
	switch st.Protocol {
	case "bgp":
		restarts = true
		r.put(p+"/forwarding-kept", boolean(st.Restart.ForwardingKept))
		r.put(p+"/notification", boolean(st.Restart.Notification))
		q := shutdownPath(st.Neighbour)
		r.put(q, r.c.setting(q, boolean(false)))
		n := st.Prefixes
		if st.Up {
			n += uint64(a.PrefixesV6)
		}
		r.put(p+"/prefixes", u64(n))
	case "ospfv2", "ospfv3":
		restarts = true
		r.put(p+"/strict-lsa-checks", boolean(st.Restart.StrictLSACheck))
	case "isis", "ldp":
		restarts = true
	case "bfd":
		b, _ := dev.(neighbour.BFD)
		_, _, mult := bfdTimers(b)
		r.put(p+"/bfd-independent", boolean(st.BFD.Independent))
		r.put(p+"/bfd-offloaded", boolean(st.BFD.Offloaded))
		r.put(p+"/multiplier", u8(cmp.Or(st.BFD.Multiplier, mult)))
	case "vrrp":
		r.put(p+"/priority", u8(st.Priority))
	case "lacp":
		if st.LACP != nil {
			t := "LONG"
			if st.LACP.PartnerShort {
				t = "SHORT"
			}
			r.put(p+"/partner-timeout", enum(t))
		}
	}
	if restarts {
		r.put(p+"/restart-own", boolean(st.Restart.Own))
		r.put(p+"/restart-helper", boolean(st.Restart.Helper))
		r.put(p+"/restart-time", span(st.Restart.Time))
	}
}

// relationSet passes a changed leaf of the configuration on to the ends that it
// configures. The lock is held.
func (c *Chassis) relationSet(in *leafInfo, v value, set bool) {
	last := in.elems[len(in.elems)-1].name
	for i := range c.cfg.Adjacencies {
		a := &c.cfg.Adjacencies[i]
		if c.pathOfRelation(in, a) == "" {
			continue
		}
		k := a.Key()
		if last == "enabled" && namePath(in.elems) != "/network-instances/network-instance/protocols/protocol/bgp/neighbors/neighbor/graceful-restart/config/enabled" {
			_ = c.set.Enable(k, !set || v.num == 1) // the key is one of the set's own
			continue                                // the neighbour hears of it over the wire
		}
		dev, err := c.set.Device(k)
		if err != nil {
			continue
		}
		if next := configureEnd(dev, a.Device, last, v, set); next != nil {
			_ = c.set.Configure(k, next) // checked before; a value that does not fit changes nothing
			c.mirror(a, next)
		}
	}
}

// pathOfRelation returns the path under which the adjacency would be configured
// where the leaf lies below it, and nothing otherwise.
func (c *Chassis) pathOfRelation(in *leafInfo, a *Adjacency) string {
	st := &neighbour.Status{Interface: a.Interface, Neighbour: a.Neighbour, Instance: a.Instance}
	var p string
	switch a.Protocol() {
	case "bgp":
		p = protocolPath("BGP") + "/bgp/neighbors/neighbor[neighbor-address=" + key(a.Neighbour) + "]"
	case "ospfv2":
		p = protocolPath("OSPF") + "/ospfv2/areas/area[identifier=" + key(cmp.Or(a.Area, "0.0.0.0")) + "]/interfaces/interface[id=" + key(a.Interface) + "]"
	case "isis":
		p = protocolPath("ISIS") + "/isis/interfaces/interface[interface-id=" + key(a.Interface) + "]/levels/level[level-number=" + itoa(max(a.Level, 1)) + "]"
	case "bfd":
		p = "/bfd/interfaces/interface[id=" + key(bfdID(st)) + "]"
	case "vrrp":
		p = vrrpPath(st, a)
	case "lacp":
		p = "/lacp/interfaces/interface[name=" + key(a.Aggregate) + "]"
	default:
		return ""
	}
	if len(in.text) > len(p) && in.text[:len(p)] == p && in.text[len(p)] == '/' {
		return p
	}
	return ""
}

// configureEnd returns the chassis's end with one leaf changed; where the leaf
// was deleted, to what the lab was configured with. It returns nil where the
// leaf configures nothing of an end.
func configureEnd(now, def neighbour.Speaker, leaf string, v value, set bool) neighbour.Speaker {
	pick := func(unit, def time.Duration) time.Duration {
		if !set {
			return def
		}
		return time.Duration(v.num) * unit
	}
	whole := func(def int) int {
		if !set {
			return def
		}
		return int(v.num)
	}
	switch e := now.(type) {
	case neighbour.BGP:
		d, _ := def.(neighbour.BGP)
		switch leaf {
		case "hold-time":
			e.Hold, e.NoHold = pick(time.Second, d.Hold), d.NoHold
			if set {
				e.NoHold = v.num == 0
			}
		case "keepalive-interval":
			e.Keepalive = pick(time.Second, d.Keepalive)
		case "enabled":
			e.Restart = d.Restart
			if set {
				e.Restart = v.num == 1
			}
		}
		return e
	case neighbour.OSPF:
		d, _ := def.(neighbour.OSPF)
		switch leaf {
		case "hello-interval":
			e.Hello = pick(time.Second, d.Hello)
			e.Dead = cmp.Or(e.Dead, 4*cmp.Or(d.Hello, 10*time.Second)) // keeps its own value
		case "dead-interval":
			e.Dead = pick(time.Second, d.Dead)
		}
		return e
	case neighbour.ISIS:
		d, _ := def.(neighbour.ISIS)
		switch leaf {
		case "hello-interval":
			e.Hello = pick(time.Second, d.Hello)
		case "hello-multiplier":
			e.Mult = whole(d.Mult)
		}
		return e
	case neighbour.BFD:
		d, _ := def.(neighbour.BFD)
		switch leaf {
		case "desired-minimum-tx-interval":
			e.DesiredMinTx = pick(time.Microsecond, d.DesiredMinTx)
		case "required-minimum-receive":
			e.RequiredMinRx = pick(time.Microsecond, d.RequiredMinRx)
		case "detection-multiplier":
			e.Mult = whole(d.Mult)
		}
		return e
	case neighbour.VRRP:
		d, _ := def.(neighbour.VRRP)
		switch leaf {
		case "priority":
			e.Priority = whole(d.Priority)
		case "advertisement-interval":
			e.Interval = pick(10*time.Millisecond, d.Interval)
		}
		return e
	case neighbour.LACP:
		d, _ := def.(neighbour.LACP)
		if leaf == "interval" {
			e.Short = d.Short
			if set {
				e.Short = v.str == "FAST"
			}
		}
		return e
	}
	return nil
}
