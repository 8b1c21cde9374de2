//nolint:misspell // the words of the OpenConfig models
package lab

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash/fnv"
	"iter"
	"net/netip"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"towpath/internal/lab/forward"
	"towpath/internal/unit"
)

// sheet is the tree as it is written down at one instant.
type sheet struct {
	infos  *leafInfos
	leaves map[*leafInfo]value
}

func (s *sheet) put(path string, v value) { s.leaves[s.infos.get(path)] = v }

// text writes a string, unless it is empty: an unknown fact is absent.
func (s *sheet) text(path, v string) {
	if v != "" {
		s.put(path, str(v))
	}
}

func (s *sheet) time(path string, t time.Time) {
	if !t.IsZero() {
		s.put(path, nanos(t))
	}
}

// render writes the whole tree but the routes. The lock is held.
func (c *Chassis) render() map[*leafInfo]value {
	s := &sheet{infos: &c.infos, leaves: make(map[*leafInfo]value, len(c.leaves)+16)}
	for _, k := range c.others {
		c.renderComponent(s, k)
	}
	for _, k := range c.controllers {
		c.renderController(s, k)
	}
	for _, k := range c.lineCards {
		p := c.renderComponent(s, &k.component)
		s.put(p+"/linecard/state/slot-id", str(k.slot))
		s.put(p+"/linecard/state/power-admin-state", enum(k.power))
		s.put(p+"/linecard/config/power-admin-state", c.setting(p+"/linecard/config/power-admin-state", enum(powerEnabled)))
	}
	c.renderSystem(s)
	c.renderPorts(s)
	c.renderRelations(s)
	c.renderRoutes(s)
	c.renderFacts(s)
	return s.leaves
}

func (c *Chassis) renderComponent(s *sheet, k *component) string {
	p := "/components/component[name=" + k.Name + "]"
	st := p + "/state"
	s.put(st+"/name", str(k.Name))
	if k.kind == "PORT_EXTENDER" {
		s.put(st+"/type", ident(originFacts, k.kind))
	} else {
		s.put(st+"/type", ident("openconfig-platform-types", k.kind))
	}
	s.text(st+"/parent", k.parent)
	s.text(st+"/part-no", k.Part.Part)
	s.text(st+"/serial-no", k.Serial)
	s.text(st+"/hardware-version", k.Hardware)
	s.text(st+"/description", strings.ToLower(strings.ReplaceAll(k.kind, "_", " ")))
	s.put(st+"/removable", boolean(k.removable))
	s.put(st+"/empty", boolean(false))
	s.put(st+"/oper-status", ident("openconfig-platform-types", k.oper))
	s.put(st+"/equipment-failure", boolean(k.failure))
	s.put(st+"/equipment-mismatch", boolean(k.mismatch))
	s.text(st+"/firmware-version", k.Firmware)
	if k.version != "" {
		s.put(st+"/software-version", str(k.version))
	}
	if k.version != "" || k.kind == "CHASSIS" {
		boot := k.bootTime
		if k.kind == "CHASSIS" {
			boot = c.bootTime
		}
		s.time(st+"/boot-time", boot)
		s.put(st+"/last-reboot-reason", ident("openconfig-platform-types", k.rebootReason))
	}
	if k.memory > 0 {
		s.put(st+"/memory/available", u64(k.memory))
		s.put(st+"/memory/utilized", u64(k.memoryUsed))
		s.put(p+"/cpu/utilization/state/instant", u8(c.load(k)))
		s.put(p+"/cpu/utilization/state/avg", u8(k.cpu))
	}
	if k.celsius > 0 {
		s.put(st+"/temperature/instant", dec(k.celsius))
		s.put(st+"/temperature/alarm-status", boolean(k.celsius > 75))
	}
	switch k.kind {
	case "POWER_SUPPLY":
		s.put(p+"/power-supply/state/enabled", boolean(k.oper == operActive))
	case "FABRIC":
		s.put(p+"/fabric/state/power-admin-state", enum(k.power))
		s.put(p+"/fabric/config/power-admin-state", enum(powerEnabled))
	}
	s.put(p+"/healthz/state/status", enum(k.health))
	s.time(p+"/healthz/state/last-unhealthy", k.lastUnhealthy)
	s.put(p+"/healthz/state/unhealthy-count", u64(k.unhealthy))
	return p
}

// load is the present use of a card's processor: busy while it boots or copies
// state.
func (c *Chassis) load(k *component) int {
	switch {
	case k.booting:
		return 61
	case k.kind == "CONTROLLER_CARD" && c.syncPercent > 0 && c.syncPercent < 100:
		return k.cpu + 24
	}
	return k.cpu
}

func (c *Chassis) renderController(s *sheet, k *controller) {
	p := c.renderComponent(s, &k.component)
	st := p + "/state"
	s.put(st+"/redundant-role", enum(k.role))
	s.put(st+"/switchover-ready", boolean(c.ready()))
	s.time(st+"/last-switchover-time", k.switched)
	if !k.switched.IsZero() {
		s.put(st+"/last-switchover-reason/trigger", enum(k.trigger))
		s.put(st+"/last-switchover-reason/details", str(k.details))
	}
	s.put(p+"/controller-card/state/power-admin-state", enum(k.power))
	s.put(p+"/controller-card/config/power-admin-state", c.setting(p+"/controller-card/config/power-admin-state", enum(powerEnabled)))

	v := k.volume
	m := "/system/mount-points/mount-point[name=" + v.name() + "]/state"
	const mib = int64(unit.MiB)
	s.put(m+"/name", str(v.name()))
	s.put(m+"/size", u64(uint64(v.size/mib)))
	s.put(m+"/available", u64(uint64(v.available()/mib)))
	s.put(m+"/utilized", u64(uint64((v.used()+mib-1)/mib)))
	s.put(m+"/type", str("log-structured"))
	s.put(m+"/storage-component", str(k.Name+"-STORAGE"))
	f := "/facts/volume[name=" + v.name() + "]"
	s.put(f+"/controller", str(k.Name))
	s.put(f+"/size", u64(uint64(v.size)))
	s.put(f+"/available", u64(uint64(v.available())))
	s.put(f+"/read-only", boolean(v.readOnly))
	s.put(f+"/default", boolean(true))
	b := "/facts/boot[controller=" + k.Name + "]"
	s.text(b+"/next-version", k.bootNext)
	if pkg := v.packageOf(k.bootNext); pkg != nil {
		s.put(b+"/next-image", str(gnoiPath(v, pkg)))
	}
	s.put(b+"/volume", str(v.name()))
	for _, pkg := range v.sorted("/images") {
		if pkg.version == "" {
			continue
		}
		g := "/facts/package[controller=" + k.Name + "][version=" + key(pkg.version) + "]"
		s.put(g+"/file", str(gnoiPath(v, pkg)))
		s.put(g+"/size", u64(uint64(pkg.size)))
		s.time(g+"/installed", pkg.modified)
	}
}

func (c *Chassis) renderSystem(s *sheet) {
	p, now := c.primary(), c.now()
	s.put("/system/state/hostname", c.setting("/system/config/hostname", str(string(c.cfg.ID))))
	s.put("/system/config/hostname", c.setting("/system/config/hostname", str(string(c.cfg.ID))))
	banner := c.setting("/system/config/login-banner", str("Authorised staff only."))
	s.put("/system/config/login-banner", banner)
	s.put("/system/state/login-banner", banner)
	s.text("/system/state/software-version", p.version)
	s.time("/system/state/boot-time", c.bootTime)
	s.put("/system/state/up-time", span(now.Sub(c.bootTime)))
	s.put("/system/state/current-datetime", str(now.UTC().Format(time.RFC3339Nano)))
	s.time("/system/state/last-configuration-timestamp", c.configTime)
	for _, a := range c.alarms {
		q := "/system/alarms/alarm[id=" + key(a.id) + "]/state"
		s.put(q+"/id", str(a.id))
		s.text(q+"/resource", a.resource)
		s.put(q+"/text", str(a.text))
		s.time(q+"/time-created", a.since)
		s.put(q+"/severity", ident("openconfig-alarm-types", a.severity))
		s.put(q+"/type-id", str(a.kind))
	}
	s.put("/system/ntp/state/enabled", boolean(len(c.cfg.NTPServers) > 0))
	for _, a := range c.cfg.NTPServers {
		q := "/system/ntp/servers/server[address=" + key(a) + "]/state"
		s.put(q+"/address", str(a))
		stratum := 2
		if !c.clockSynced {
			stratum = 16
		}
		s.put(q+"/stratum", u8(stratum))
	}
	s.put("/system/clock/state/timezone-name", str("UTC"))
	s.put("/system/memory/state/physical", u64(p.memory))
	s.put("/system/memory/state/used", u64(p.memoryUsed))
	s.put("/system/memory/state/free", u64(p.memory-p.memoryUsed))
	s.put("/system/cpus/cpu[index=ALL]/state/index", enum("ALL"))
	s.put("/system/cpus/cpu[index=ALL]/state/total/instant", u8(c.load(&p.component)))
	s.put("/system/cpus/cpu[index=ALL]/state/total/avg", u8(p.cpu))
	for i, name := range c.cfg.Processes {
		pid := 400 + 7*i
		q := "/system/processes/process[pid=" + itoa(pid) + "]/state"
		s.put(q+"/pid", u64(uint64(pid)))
		s.put(q+"/name", str(name))
		s.time(q+"/start-time", p.bootTime.Add(time.Duration(i)*time.Second))
		s.put(q+"/cpu-utilization", u8(p.cpu/len(c.cfg.Processes)))
		s.put(q+"/memory-usage", u64(p.memoryUsed/uint64(len(c.cfg.Processes)+1)))
	}
}

func (c *Chassis) renderPorts(s *sheet) {
	clock := c.clock.Now()
	for _, p := range c.ports {
		q := "/interfaces/interface[name=" + key(p.Name) + "]"
		desc := c.setting(q+"/config/description", str(p.Description))
		s.put(q+"/config/name", str(p.Name))
		s.put(q+"/config/enabled", boolean(p.enabled))
		s.text(q+"/config/description", desc.str)
		st := q + "/state"
		s.put(st+"/name", str(p.Name))
		typ := "ethernetCsmacd"
		switch {
		case p.aggregate != nil:
			typ = "ieee8023adLag"
		case p.Card == "":
			typ = "softwareLoopback"
		}
		s.put(st+"/type", ident("iana-if-type", typ))
		s.put(st+"/enabled", boolean(p.enabled))
		s.text(st+"/description", desc.str)
		s.put(st+"/admin-status", enum(upDown(p.enabled)))
		s.put(st+"/oper-status", enum(upDown(p.up)))
		s.time(st+"/last-change", p.changed)
		p.count(clock)
		n := st + "/counters"
		s.put(n+"/in-octets", u64(uint64(p.inOctets)))
		s.put(n+"/out-octets", u64(uint64(p.outOctets)))
		s.put(n+"/in-errors", u64(0))
		s.put(n+"/out-errors", u64(0))
		s.put(n+"/in-discards", u64(0))
		s.put(n+"/out-discards", u64(p.discards))
		s.put(n+"/carrier-transitions", u64(p.carrier))
		s.time(n+"/last-clear", c.started.Add(-60*24*time.Hour))
		if p.Card != "" {
			s.put(q+"/hold-time/state/up", u32(0))
			s.put(q+"/hold-time/state/down", u32(0))
			if sp := speedName(p.Speed); sp != "" {
				s.put(q+"/ethernet/state/port-speed", ident("openconfig-if-ethernet", sp))
			}
			s.text(q+"/ethernet/state/aggregate-id", p.Aggregate)
		}
		if p.aggregate != nil {
			a := q + "/aggregation/state"
			s.put(a+"/lag-type", enum("LACP"))
			s.put(a+"/min-links", u16(max(p.aggregate.MinLinks, 1)))
			speed := unit.BitRate(0)
			for _, m := range p.membership {
				if mp := c.port(m); mp.up {
					speed += mp.Speed
				}
			}
			s.put(a+"/lag-speed", u32(int(speed/1e6)))
			s.put(a+"/member", list(p.membership...))
		}
	}
}

func upDown(up bool) string {
	if up {
		return "UP"
	}
	return "DOWN"
}

// speedName is the identity of a port speed.
// Source: openconfig-if-ethernet, ETHERNET_SPEED.
func speedName(r unit.BitRate) string {
	switch r {
	case 1e9, 10e9, 25e9, 40e9, 100e9, 400e9:
		return fmt.Sprintf("SPEED_%dGB", int(r/1e9))
	}
	return ""
}

func (c *Chassis) renderFacts(s *sheet) {
	s.put("/facts/platform", str(c.cfg.Platform))
	s.put("/facts/switchover/synchronised", boolean(c.synced))
	s.put("/facts/switchover/percent", u8(c.syncPercent))
	s.put("/facts/configuration/digest", str(c.digest()))
	s.put("/facts/configuration/unsaved", boolean(c.unsaved))
	s.put("/facts/configuration/lock-holder", str(c.lockHolder))
	s.time("/facts/configuration/last-backup", c.lastBackup)
	s.put("/facts/power/redundant", boolean(c.powerRedundant()))
	for name, ok := range c.feeds {
		s.put("/facts/power/feed[name="+key(name)+"]/ok", boolean(ok))
	}
	s.put("/facts/crash/count", u32(len(c.crashFiles)))
	for _, f := range c.crashFiles {
		q := "/facts/crash/file[path=" + key(f.path) + "]"
		s.put(q+"/size", u64(uint64(f.size)))
		s.time(q+"/modified", f.modified)
	}
	s.put("/facts/maintenance/enabled", boolean(c.maintenance))
	s.put("/facts/tables/macs", u64(c.tables.MACs))
	s.put("/facts/tables/arps", u64(c.tables.ARPs))
	s.put("/facts/tables/nds", u64(c.tables.NDs))
	for _, f := range c.cfg.Features {
		s.put("/facts/feature[name="+key(f)+"]/in-use", boolean(true))
	}
	for _, l := range c.cfg.LogicalNetworkElements {
		st := operActive
		if c.silent {
			st = operInactive
		}
		s.put("/facts/logical-network-element[name="+key(l)+"]/oper-status", enum(st))
	}
	s.put("/facts/clock/synchronised", boolean(c.clockSynced))
	for _, k := range c.allComponents() {
		q := "/facts/component[name=" + k.Name + "]"
		s.text(q+"/firmware-pending", k.pendingLevel)
		if k.booting {
			s.put(q+"/boot-percent", u8(k.bootPercent))
		}
	}
	if c.plane != nil {
		for _, f := range c.plane.Flows() {
			q := "/facts/flow[name=" + key(f.Name) + "]"
			s.put(q+"/address", str(f.Listen))
			s.text(q+"/card", f.Card)
			s.text(q+"/over", cmp.Or(c.over, string(c.cfg.ID)))
		}
	}
	for _, a := range c.acts {
		q := "/facts/act[sequence=" + itoa(a.Sequence) + "]"
		s.put(q+"/kind", str(a.Kind))
		s.time(q+"/time", a.Time)
		s.put(q+"/arguments", str(a.Arguments))
		s.put(q+"/changed", boolean(a.Changed))
		s.put(q+"/outcome", str(a.Outcome))
	}
	for i, x := range c.silences {
		q := "/facts/truth/silence[sequence=" + itoa(i+1) + "]"
		s.time(q+"/start", x.Start)
		s.put(q+"/duration", span(x.Duration))
	}
}

// truthLeaves yields what the data plane really dropped, which is asked for
// only when somebody reads it.
func (c *Chassis) truthLeaves() iter.Seq[leaf] {
	return func(yield func(leaf) bool) {
		if c.plane == nil {
			return
		}
		for _, t := range c.plane.Truth() {
			for _, d := range []forward.Direction{forward.Forward, forward.Reverse} {
				n := t.Of(d)
				q := "/facts/truth/loss[flow=" + key(t.Flow) + "][direction=" + d.String() + "]"
				if !yield(leaf{c.infos.get(q + "/dropped"), u64(n.Dropped())}) {
					return
				}
				first, last := lossSpan(n)
				if first.IsZero() {
					continue
				}
				if !yield(leaf{c.infos.get(q + "/first"), i64(first.UnixNano())}) || !yield(leaf{c.infos.get(q + "/last"), i64(last.UnixNano())}) {
					return
				}
			}
		}
	}
}

// lossSpan is when the first and last packet of a count were dropped.
func lossSpan(n forward.Count) (first, last time.Time) {
	first, last = n.LostFirst, n.LostLast
	for _, e := range n.Episodes {
		if e.Dropped == 0 {
			continue
		}
		if first.IsZero() || e.First.Before(first) {
			first = e.First
		}
		if e.Last.After(last) {
			last = e.Last
		}
	}
	return first, last
}

// powerRedundant reports whether the loss of one supply would be survived:
// every feed is there and more than half of the supplies work.
func (c *Chassis) powerRedundant() bool {
	for _, ok := range c.feeds {
		if !ok {
			return false
		}
	}
	all, good := 0, 0
	for _, k := range c.others {
		if k.kind == "POWER_SUPPLY" {
			all++
			if k.oper == operActive {
				good++
			}
		}
	}
	return all == 0 || good*2 > all
}

// digest is the SHA-256 of the running configuration: its identity and every
// leaf that was Set.
func (c *Chassis) digest() string {
	h := sha256.New()
	fmt.Fprintf(h, "%s %s\n", c.cfg.ID, c.cfg.Platform)
	paths := make([]string, 0, len(c.config))
	for p := range c.config {
		paths = append(paths, p)
	}
	sort.Strings(paths)
	for _, p := range paths {
		fmt.Fprintf(h, "%s=%s\n", p, c.config[p].plain())
	}
	return hex.EncodeToString(h.Sum(nil))
}

// route is one installed route.
type route struct {
	prefix string
	origin string // openconfig-policy-types
	group  int
}

// routeTable is what is installed. It is replaced as a whole, never changed.
type routeTable struct {
	v4, v6 []route
	groups [][]string // next-hop addresses of each group, numbered from 1
	hops   []string   // all next-hop addresses, numbered from 1
}

// newRouteTable installs routes over the neighbours of the configuration. The
// same configuration always makes the same routes.
func newRouteTable(cfg *DeviceConfig) *routeTable {
	t := &routeTable{}
	var hops []string
	for _, a := range cfg.Adjacencies {
		ip, err := netip.ParseAddr(cmp.Or(a.Address, a.Neighbour))
		if err == nil && a.Device != nil && a.Protocol() == "bgp" && !slices.Contains(hops, ip.String()) {
			hops = append(hops, ip.String())
		}
	}
	if len(hops) == 0 {
		hops = []string{"192.0.2.1"}
	}
	t.hops = hops
	for i := range hops {
		t.groups = append(t.groups, []string{hops[i]})
	}
	if len(hops) > 1 {
		t.groups = append(t.groups, hops[:2])
	}
	origins := []string{"BGP", "BGP", "BGP", "BGP", "OSPF", "ISIS"}
	h := fnv.New64a()
	fmt.Fprint(h, cfg.ID)
	mix := int(h.Sum64() % 7)
	for i := range cfg.Routes.IPv4 {
		// 198.18.0.0/15 is for benchmarking (RFC 2544); beyond its /24s the
		// numbering goes on in 10.0.0.0/8.
		p := fmt.Sprintf("198.%d.%d.0/24", 18+i/256, i%256)
		if i >= 512 {
			j := i - 512
			p = fmt.Sprintf("10.%d.%d.%d/30", j>>14&255, j>>6&255, j<<2&255)
		}
		t.v4 = append(t.v4, route{p, origins[(i+mix)%len(origins)], 1 + (i+mix)%len(t.groups)})
	}
	for i := range cfg.Routes.IPv6 {
		p := fmt.Sprintf("2001:db8:%x:%x::/64", i>>16, i&0xffff)
		if a, err := netip.ParsePrefix(p); err == nil {
			p = a.Masked().String()
		}
		t.v6 = append(t.v6, route{p, origins[(i+mix)%len(origins)], 1 + (i+mix)%len(t.groups)})
	}
	return t
}

// without returns a table that lacks a share of the routes of each family.
func (t *routeTable) without(share float64) *routeTable {
	out := *t
	out.v4 = t.v4[:len(t.v4)-int(float64(len(t.v4))*share)]
	out.v6 = t.v6[:len(t.v6)-int(float64(len(t.v6))*share)]
	return &out
}

const aftsPath = "/network-instances/network-instance[name=default]/afts"

// renderRoutes writes the counts; the routes themselves come from routeLeaves.
func (c *Chassis) renderRoutes(s *sheet) {
	for _, f := range []struct {
		name   string
		routes []route
	}{{"ipv4-unicast", c.routes.v4}, {"ipv6-unicast", c.routes.v6}} {
		n := map[string]uint64{}
		for _, r := range f.routes {
			n[r.origin]++
		}
		for origin, count := range n {
			s.put(aftsPath+"/aft-summaries/"+f.name+"/protocols/protocol[origin-protocol="+origin+"]/state/counters/aft-entries", u64(count))
		}
	}
}

// routeLeaves yields the leaves of the forwarding table, which are too many to
// be kept rendered.
func (c *Chassis) routeLeaves() iter.Seq[leaf] {
	t := c.routes
	return func(yield func(leaf) bool) {
		one := func(path string, v value) bool { return yield(leaf{newLeafInfo(path), v}) }
		for _, f := range []struct {
			name, entry string
			routes      []route
		}{{"ipv4-unicast", "ipv4-entry", t.v4}, {"ipv6-unicast", "ipv6-entry", t.v6}} {
			for _, r := range f.routes {
				p := aftsPath + "/" + f.name + "/" + f.entry + "[prefix=" + r.prefix + "]/state/"
				if !one(p+"next-hop-group", u64(uint64(r.group))) || !one(p+"origin-protocol", ident("openconfig-policy-types", r.origin)) || !one(p+"prefix", str(r.prefix)) {
					return
				}
			}
		}
		for i, g := range t.groups {
			p := aftsPath + "/next-hop-groups/next-hop-group[id=" + itoa(i+1) + "]"
			if !one(p+"/state/id", u64(uint64(i+1))) {
				return
			}
			for _, h := range g {
				n := slices.Index(t.hops, h) + 1
				q := p + "/next-hops/next-hop[index=" + itoa(n) + "]/state"
				if !one(q+"/index", u64(uint64(n))) || !one(q+"/weight", u64(1)) {
					return
				}
			}
		}
		for i, h := range t.hops {
			q := aftsPath + "/next-hops/next-hop[index=" + strconv.Itoa(i+1) + "]/state"
			if !one(q+"/index", u64(uint64(i+1))) || !one(q+"/ip-address", str(h)) {
				return
			}
		}
	}
}
