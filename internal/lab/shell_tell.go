//nolint:misspell // the words of the OpenConfig models
package lab

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// The command line's own words.
var shellWords = map[string]string{
	"CONTROLLER_CARD": "controller", "LINECARD": "line card", "PORT_EXTENDER": "extender", "POWER_SUPPLY": "supply",
	rolePrimary: "leading", roleSecondary: "following", operActive: "working", operInactive: "idle", operDisabled: "off",
	healthy: "well", unhealthy: "ill", unspecified: "unsure", powerEnabled: "on", powerDisabled: "off",
	rebootUser: "asked for", rebootError: "fault", rebootPower: "power loss", byUser: "asked for", bySystem: "by itself",
}

func word(s string) string {
	if w, ok := shellWords[s]; ok {
		return w
	}
	return strings.ToLower(s)
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// tellers are what "tell" can be asked for. Each runs with the lock held.
func tellers() map[string]func(c *Chassis, rest string) (string, error) {
	plain := func(f func(c *Chassis, t *table)) func(*Chassis, string) (string, error) {
		return func(c *Chassis, rest string) (string, error) {
			if rest != "" {
				return "", fmt.Errorf("not understood: %q", rest)
			}
			var t table
			f(c, &t)
			return t.String(), nil
		}
	}
	return map[string]func(*Chassis, string) (string, error){
		"about": plain((*Chassis).tellAbout), "parts": plain((*Chassis).tellParts), "volumes": plain((*Chassis).tellVolumes),
		"files": (*Chassis).tellFiles, "sum": (*Chassis).tellSum, "boot": plain((*Chassis).tellBoot), "packages": plain((*Chassis).tellPackages),
		"power": plain((*Chassis).tellPower), "ports": plain((*Chassis).tellPorts), "groups": plain((*Chassis).tellGroups), "trees": plain((*Chassis).tellTrees),
		"peers": (*Chassis).tellPeers, "routes": plain((*Chassis).tellRoutes), "alarms": plain((*Chassis).tellAlarms), "setup": (*Chassis).tellSetup,
		"time": plain((*Chassis).tellTime), "crashes": plain((*Chassis).tellCrashes), "extras": plain((*Chassis).tellExtras), "install": plain((*Chassis).tellInstall),
		"knobs": plain((*Chassis).tellKnobs),
	}
}

func (c *Chassis) tellAbout(t *table) {
	p := c.primary()
	t.line("name: %s", c.cfg.ID)
	t.line("platform: %s", c.cfg.Platform)
	t.line("release: %s", p.version)
	t.line("up since: %s", stamp(c.bootTime))
	t.line("processor: %d", p.cpu)
	t.line("memory: %.1f", 100*float64(p.memoryUsed)/float64(max(p.memory, 1)))
	t.line("station addresses: %d", c.tables.MACs)
	t.line("neighbours of version 4: %d", c.tables.ARPs)
	t.line("neighbours of version 6: %d", c.tables.NDs)
	t.line("maintenance: %s", yes(c.maintenance))
}

func (c *Chassis) tellParts(t *table) {
	all := c.allComponents()
	slices.SortFunc(all, func(a, b *component) int { return strings.Compare(a.Name, b.Name) })
	row := func(name, value string) {
		if value != "" {
			t.line("  %-14s %s", name, value)
		}
	}
	for _, k := range all {
		t.line("part %s", k.Name)
		row("kind", word(k.kind))
		row("under", k.parent)
		row("model", k.Part.Part)
		row("serial", k.Serial)
		row("state", word(k.oper))
		row("release", k.version)
		row("firmware", k.Firmware)
		row("broken", yes(k.failure))
		row("misfit", yes(k.mismatch))
		row("condition", word(k.health))
		if k.version != "" || k.kind == "CHASSIS" {
			boot := k.bootTime
			if k.kind == "CHASSIS" {
				boot = c.bootTime
			}
			row("started", stamp(boot))
			row("started for", word(k.rebootReason))
		}
		if k.memory > 0 {
			row("load", strconv.Itoa(k.cpu))
			row("memory", fmt.Sprintf("%.1f", 100*float64(k.memoryUsed)/float64(k.memory)))
		}
		if k.celsius > 0 {
			row("degrees", fmt.Sprintf("%.1f", k.celsius))
		}
		if slices.Contains([]string{"CONTROLLER_CARD", "LINECARD", "FABRIC"}, k.kind) {
			row("power", word(k.power))
		}
		if x := c.controller(k.Name); x != nil {
			row("role", word(x.role))
			row("ready", yes(c.ready()))
			if !x.switched.IsZero() {
				row("role since", stamp(x.switched))
				row("role because", word(x.trigger)+": "+x.details)
			}
		}
	}
}

func (c *Chassis) tellVolumes(t *table) {
	for _, k := range c.controllers {
		v := k.volume
		mode := "writable"
		if v.readOnly {
			mode = "read-only"
		}
		t.line("%s on %s: %d octets, %d free, %s, for images", v.name(), k.Name, v.size, v.available(), mode)
	}
}

func (c *Chassis) tellFiles(rest string) (string, error) {
	where, ok := strings.CutPrefix(rest, "on ")
	if !ok {
		return "", fmt.Errorf("not understood: want tell files on VOLUME")
	}
	v, p, err := c.split(where)
	if err != nil {
		return "", fmt.Errorf("no such thing: %w", err)
	}
	var t table
	for _, f := range v.sorted(p) {
		t.line("%12d %s %s", f.size, stamp(f.modified), gnoiPath(v, f))
	}
	if t.Len() == 0 {
		return "nothing\n", nil
	}
	return t.String(), nil
}

func (c *Chassis) tellBoot(t *table) {
	for _, k := range c.controllers {
		image := "nothing"
		if f := k.volume.packageOf(k.bootNext); f != nil {
			image = gnoiPath(k.volume, f)
		}
		t.line("%s starts %s next, from %s on %s", k.Name, k.bootNext, image, k.volume.name())
	}
}

func (c *Chassis) tellPackages(t *table) {
	for _, k := range c.controllers {
		for _, f := range k.volume.sorted("/images") {
			if f.version != "" {
				t.line("%s has %s in %s", k.Name, f.version, gnoiPath(k.volume, f))
			}
		}
	}
}

func (c *Chassis) tellPower(t *table) {
	t.line("one supply may fail: %s", yes(c.powerRedundant()))
	names := make([]string, 0, len(c.feeds))
	for n := range c.feeds {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		w := "dead"
		if c.feeds[n] {
			w = "alive"
		}
		t.line("feed %s: %s", n, w)
	}
}

func (c *Chassis) tellPorts(t *table) {
	now := c.clock.Now()
	for _, p := range c.ports {
		p.count(now)
		group := p.Aggregate
		if group == "" {
			group = "-"
		}
		speed := p.Speed
		if p.Card == "" && p.aggregate == nil {
			speed = 0
		}
		t.line("%s wanted %s is %s since %s at %.0f in %s octets %d/%d errors 0/0 lost 0/%d turns %d",
			p.Name, strings.ToLower(upDown(p.enabled)), strings.ToLower(upDown(p.up)), stamp(p.changed), float64(speed), group,
			uint64(p.inOctets), uint64(p.outOctets), p.discards, p.carrier)
	}
}

// gather groups rendered leaves below a list by its key.
func (c *Chassis) gather(prefix string) (names []string, of map[string]map[string]value) {
	of = map[string]map[string]value{}
	for in, v := range c.render() {
		if !strings.HasPrefix(in.text, prefix+"[") {
			continue
		}
		depth := strings.Count(prefix, "/") - 1
		key := in.elems[depth].keys[0].value
		rest := make([]string, 0, 4)
		for _, e := range in.elems[depth+1:] {
			rest = append(rest, e.name)
			for _, k := range e.keys {
				rest = append(rest, k.value)
			}
		}
		if of[key] == nil {
			of[key] = map[string]value{}
			names = append(names, key)
		}
		of[key][strings.Join(rest, "/")] = v
	}
	slices.Sort(names)
	return names, of
}

func (c *Chassis) tellGroups(t *table) {
	names, of := c.gather("/lacp/interfaces/interface")
	for _, n := range names {
		least := 1
		if p := c.port(n); p != nil && p.aggregate != nil {
			least = max(p.aggregate.MinLinks, 1)
		}
		t.line("group %s needs %d, pace %s", n, least, strings.ToLower(of[n]["state/interval"].plain()))
		p := c.port(n)
		if p == nil {
			continue
		}
		for _, m := range p.membership {
			get := func(leaf string) string { return of[n]["members/member/"+m+"/state/"+leaf].plain() }
			partner := get("partner-id")
			if partner == "" {
				partner = "-"
			}
			t.line("link %s of %s: own %s, partner %s, in step %s, collects %s, distributes %s, partner id %s", m, n,
				strings.ToLower(get("timeout")), c.partnerPace(n, m), map[string]string{"IN_SYNC": "yes", "OUT_SYNC": "no"}[get("synchronization")],
				map[string]string{"true": "yes", "false": "no"}[get("collecting")], map[string]string{"true": "yes", "false": "no"}[get("distributing")], partner)
		}
	}
}

// partnerPace is the timeout that the partner of a member link applies.
func (c *Chassis) partnerPace(group, member string) string {
	_, of := c.gather("/facts/adjacency")
	for _, a := range of {
		if a["protocol"].plain() == "lacp" && a["interface"].plain() == member && a["partner-timeout"].plain() != "" {
			return strings.ToLower(a["partner-timeout"].plain())
		}
	}
	return "unknown"
}

func (c *Chassis) tellTrees(t *table) {
	get := map[string]string{}
	for in, v := range c.render() {
		if leaf, ok := strings.CutPrefix(in.text, "/stp/rstp/state/"); ok {
			get[leaf] = v.plain()
		}
	}
	if len(get) == 0 {
		t.line("none")
		return
	}
	root := "no"
	if strings.EqualFold(get["bridge-address"], get["designated-root-address"]) {
		root = "yes"
	}
	last := get["last-topology-change"]
	if n, err := strconv.ParseInt(last, 10, 64); err == nil {
		last = stamp(time.Unix(0, n))
	}
	t.line("tree rstp: root %s, root bridge %s.%s, changes %s, last %s, hello %s, age %s, delay %s", root, get["designated-root-priority"],
		get["designated-root-address"], get["topology-changes"], last, get["hello-time"], get["max-age"], get["forwarding-delay"])
}

// tellPeers answers as JSON, which this device does for peers alone.
func (c *Chassis) tellPeers(rest string) (string, error) {
	if rest != "" {
		return "", fmt.Errorf("not understood: %q", rest)
	}
	names, of := c.gather("/facts/adjacency")
	out := make([]map[string]any, 0, len(names))
	for _, n := range names {
		p := map[string]any{}
		for leaf, v := range of[n] {
			switch v.kind {
			case kBool:
				p[leaf] = v.num == 1
			case kUint8, kUint16, kUint32:
				p[leaf] = v.num
			case kUint64:
				switch leaf {
				case "since":
					p[leaf] = stamp(time.Unix(0, int64(v.num)))
				case "send", "neighbour-send", "neighbour-detect", "own-detect":
					if v.num > 0 { // no value is never
						p[leaf] = time.Duration(v.num).String()
					}
				case "restart-time":
					p[leaf] = time.Duration(v.num).String()
				default:
					p[leaf] = v.num
				}
			default:
				p[leaf] = v.plain()
			}
		}
		out = append(out, p)
	}
	b, err := json.MarshalIndent(map[string]any{"peers": out}, "", "  ")
	return string(b) + "\n", err
}

func (c *Chassis) tellRoutes(t *table) {
	for _, f := range []struct {
		name   string
		routes []route
	}{{"ipv4", c.routes.v4}, {"ipv6", c.routes.v6}} {
		for _, r := range f.routes {
			hops := slices.Clone(c.routes.groups[r.group-1])
			slices.Sort(hops)
			t.line("%s %s from %s over %s", f.name, r.prefix, strings.ToLower(r.origin), strings.Join(hops, ","))
		}
	}
	t.line("%d routes", len(c.routes.v4)+len(c.routes.v6))
}

func (c *Chassis) tellAlarms(t *table) {
	names := make([]string, 0, len(c.alarms))
	for n := range c.alarms {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		a := c.alarms[n]
		resource := a.resource
		if resource == "" {
			resource = "-"
		}
		t.line("%s %s at %s since %d: %s", strings.ToLower(a.severity), a.id, resource, a.since.UnixNano(), a.text)
	}
	if len(names) == 0 {
		t.line("none")
	}
}

// tellSetup tells of the configuration, or the configuration itself.
func (c *Chassis) tellSetup(rest string) (string, error) {
	var t table
	switch rest {
	case "":
		holder := c.lockHolder
		if holder == "" {
			holder = "nobody"
		}
		t.line("digest: %s", c.digest())
		t.line("changed: %s", stamp(c.configTime))
		t.line("unsaved: %s", yes(c.unsaved))
		t.line("held by: %s", holder)
		if !c.lastBackup.IsZero() {
			t.line("kept elsewhere: %s", stamp(c.lastBackup))
		}
	case "in full":
		t.line("# %s, platform %s", c.cfg.ID, c.cfg.Platform)
		for _, k := range c.knobs() {
			if k.set {
				t.line("turn %s to %s", k.name, k.value)
			}
		}
		paths := make([]string, 0, len(c.config))
		for p := range c.config {
			paths = append(paths, p)
		}
		slices.Sort(paths)
		for _, p := range paths {
			t.line("# %s = %s", p, c.config[p].plain())
		}
	default:
		return "", fmt.Errorf("not understood: %q", rest)
	}
	return t.String(), nil
}

func (c *Chassis) tellTime(t *table) {
	t.line("now: %s", stamp(c.now()))
	t.line("in step: %s", yes(c.clockSynced))
}

func (c *Chassis) tellCrashes(t *table) {
	for _, f := range c.crashFiles {
		t.line("%12d %s %s", f.size, stamp(f.modified), f.path)
	}
	if len(c.crashFiles) == 0 {
		t.line("none")
	}
}

func (c *Chassis) tellExtras(t *table) {
	for _, f := range c.cfg.Features {
		t.line("feature %s", f)
	}
	st := "working"
	if c.silent {
		st = "idle"
	}
	for _, l := range c.cfg.LogicalNetworkElements {
		t.line("system %s: %s", l, st)
	}
}

func (c *Chassis) tellInstall(t *table) {
	p, s := c.primary(), c.secondary()
	t.line("running: %s", p.version)
	t.line("each card by itself: %s", yes(c.cfg.PerController))
	if p.activationFail != "" {
		t.line("fell back: %s", p.activationFail)
	}
	if s.booting || s.failure || s.power != powerEnabled {
		t.line("other card: away")
		return
	}
	t.line("other card: here")
	t.line("other name: %s", s.Name)
	t.line("other runs: %s", s.version)
	if s.activationFail != "" {
		t.line("other fell back: %s", s.activationFail)
	}
}
