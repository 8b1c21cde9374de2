package lab

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"towpath/internal/element"
	"towpath/internal/lab/netconf"
)

// netconfDevice is a chassis as its NETCONF server sees it.
type netconfDevice struct{ c *Chassis }

// listenNETCONF makes the SSH server with the subsystems netconf and sftp.
// Source: RFC 6242 §3.
func (c *Chassis) listenNETCONF() (*sshPlane, error) {
	p, err := c.listenSSH(c.cfg.NETCONF.Listen)
	if err != nil {
		return nil, err
	}
	o := c.cfg.NETCONF
	c.nc = netconf.New(c.ctx, netconfDevice{c}, c.clock, c.spawn, netconf.Options{Only10: o.Only10, Running: o.Running, Mute: o.Mute})
	p.subsystems["netconf"] = func(ctx context.Context, ch io.ReadWriteCloser) { c.nc.Serve(ctx, ch) }
	p.subsystems["sftp"] = c.serveSFTP
	return p, nil
}

// NETCONF returns what tells of the NETCONF server's sessions and locks; nil
// where none is served.
func (c *Chassis) NETCONF() *netconf.Server { return c.nc }

// NETCONFAddress returns host:port of NETCONF over SSH, which follows the
// PRIMARY, and the known_hosts line of its host key; both are empty where it is
// not served.
func (c *Chassis) NETCONFAddress() (address string, knownHosts []byte) {
	for _, m := range c.mgmt.more {
		if p, ok := m.(*sshPlane); ok {
			return p.addr, p.knownHosts()
		}
	}
	return "", nil
}

// yangModule is a module that the chassis serves over NETCONF.
type yangModule struct {
	name, space, revision string
	own                   bool // not of the IETF
}

// The namespaces of what the chassis serves.
const (
	nsHardware    = "urn:ietf:params:xml:ns:yang:ietf-hardware"
	nsIanaHW      = "urn:ietf:params:xml:ns:yang:iana-hardware"
	nsInterfaces  = "urn:ietf:params:xml:ns:yang:ietf-interfaces"
	nsIanaIf      = "urn:ietf:params:xml:ns:yang:iana-if-type"
	nsIP          = "urn:ietf:params:xml:ns:yang:ietf-ip"
	nsRouting     = "urn:ietf:params:xml:ns:yang:ietf-routing"
	nsV4          = "urn:ietf:params:xml:ns:yang:ietf-ipv4-unicast-routing"
	nsV6          = "urn:ietf:params:xml:ns:yang:ietf-ipv6-unicast-routing"
	nsSystem      = "urn:ietf:params:xml:ns:yang:ietf-system"
	nsBFDTypes    = "urn:ietf:params:xml:ns:yang:ietf-bfd-types"
	nsBFD         = "urn:ietf:params:xml:ns:yang:ietf-bfd"
	nsBFDSingle   = "urn:ietf:params:xml:ns:yang:ietf-bfd-ip-sh"
	nsBFDMulti    = "urn:ietf:params:xml:ns:yang:ietf-bfd-ip-mh"
	nsOSPF        = "urn:ietf:params:xml:ns:yang:ietf-ospf"
	nsISIS        = "urn:ietf:params:xml:ns:yang:ietf-isis"
	nsVRRP        = "urn:ietf:params:xml:ns:yang:ietf-vrrp"
	nsAlarms      = "urn:ietf:params:xml:ns:yang:ietf-alarms"
	nsYangLibrary = "urn:ietf:params:xml:ns:yang:ietf-yang-library"
	nsChanges     = "urn:ietf:params:xml:ns:yang:ietf-netconf-notifications"
	nsSoftware    = "tag:towpath.example,2026:yang:towpath-software"
	nsFacts       = "tag:towpath.example,2026:yang:towpath-facts"
	ocSpace       = "http://openconfig.net/yang/"
)

// yangModules lists what is served. Source: RFC 8348, 8343, 8344, 8349, 7317,
// 7895 and 6470, the modules' headers (compared by the tests of the driver
// netconf); from memory, RFC 9314, 9129, 9130, 8347, 8632, IANA's interface
// types and OpenConfig.
func (c *Chassis) yangModules() []yangModule {
	out := []yangModule{
		{"ietf-hardware", nsHardware, "2018-03-13", false}, {"iana-hardware", nsIanaHW, "2018-03-13", false},
		{"ietf-interfaces", nsInterfaces, "2018-02-20", false}, {"iana-if-type", nsIanaIf, "2017-01-19", false},
		{"ietf-ip", nsIP, "2018-02-22", false}, {"ietf-routing", nsRouting, "2018-03-13", false},
		{"ietf-ipv4-unicast-routing", nsV4, "2018-03-13", false}, {"ietf-ipv6-unicast-routing", nsV6, "2018-03-13", false},
		{"ietf-system", nsSystem, "2014-08-06", false}, {"ietf-bfd-types", nsBFDTypes, "2022-09-22", false},
		{"ietf-bfd", nsBFD, "2022-09-22", false}, {"ietf-bfd-ip-sh", nsBFDSingle, "2022-09-22", false}, {"ietf-bfd-ip-mh", nsBFDMulti, "2022-09-22", false},
		{"ietf-ospf", nsOSPF, "2022-10-19", false}, {"ietf-isis", nsISIS, "2022-10-19", false}, {"ietf-vrrp", nsVRRP, "2018-03-13", false},
		{"ietf-alarms", nsAlarms, "2019-09-11", false}, {"ietf-yang-library", nsYangLibrary, "2016-06-21", false},
		{"ietf-netconf-notifications", nsChanges, "2012-02-06", false},
	}
	if c.cfg.NETCONF.Standard {
		return out
	}
	out = append(out, yangModule{"towpath-software", nsSoftware, "2026-11-25", true}, yangModule{"towpath-facts", nsFacts, "2026-11-25", true})
	seen := map[string]bool{}
	for _, m := range modules {
		if m.module != originFacts && !seen[m.module] {
			seen[m.module] = true
			out = append(out, yangModule{m.module, spaceOf(m.module), "2024-01-01", true})
		}
	}
	return out
}

// spaceOf is the namespace of a module of the lab's own tree.
func spaceOf(module string) string {
	switch module {
	case originFacts:
		return nsFacts
	case "iana-if-type":
		return nsIanaIf
	}
	name := strings.TrimPrefix(module, "openconfig-")
	if rest, ok := strings.CutPrefix(name, "if-"); ok {
		name = "interfaces/" + rest
	}
	return ocSpace + name
}

// Capabilities implements [netconf.Device]. Source: RFC 6020 §5.6.4, RFC 7895
// §1 (the capability of the library).
func (d netconfDevice) Capabilities() []string {
	out := []string{"urn:ietf:params:netconf:capability:yang-library:1.0?revision=2016-06-21&module-set-id=lab-1"}
	for _, m := range d.c.yangModules() {
		out = append(out, m.space+"?module="+m.name+"&revision="+m.revision)
	}
	return out
}

// asks reports whether a filter can mean anything below a top element.
func asks(f *element.Node, space, name string, more ...string) bool {
	if f == nil {
		return true
	}
	top := slices.ContainsFunc(f.Kids, func(k *element.Node) bool {
		return k.Name == name && (k.Space == space || k.Space == "" || !strings.Contains(k.Space, ":yang") && !strings.Contains(k.Space, "/yang/"))
	})
	return top && netconf.Wants(f, append([]string{name}, more...)...)
}

// Get implements [netconf.Device].
func (d netconfDevice) Get(f *element.Node) []*element.Node {
	c := d.c
	c.mu.Lock()
	defer c.mu.Unlock()
	c.publish()
	out := c.ietf(f)
	if c.cfg.NETCONF.Standard {
		return out
	}
	var leaves []leaf
	tops := map[string]bool{}
	for in, v := range c.leaves {
		top := in.elems[0].name
		want, known := tops[top]
		if !known {
			want = asks(f, spaceOf(moduleOf("/"+top)), top)
			tops[top] = want
		}
		if want {
			leaves = append(leaves, leaf{in, v})
		}
	}
	slices.SortFunc(leaves, func(a, b leaf) int { return cmp.Compare(a.text, b.text) })
	if asks(f, ocSpace+"network-instance", "network-instances", "network-instance", "afts") {
		for l := range c.routeLeaves() {
			leaves = append(leaves, l)
		}
	}
	for _, g := range groupBy(leaves, func(l leaf) string { return l.elems[0].name }) {
		out = append(out, nodes(g, 0)...)
	}
	return append(out, c.softwareState(f)...)
}

// nodes nests leaves that share their first depth elements.
func nodes(leaves []leaf, depth int) []*element.Node {
	var out []*element.Node
	for _, group := range groupBy(leaves, func(l leaf) string { return l.elems[depth].name + "\x00" + keysText(l.elems[depth]) }) {
		first := group[0]
		e := first.elems[depth]
		base := namePath(first.elems[:depth+1])
		space := spaceOf(moduleOf(base))
		if len(first.elems) == depth+1 {
			out = append(out, leafNodes(space, e.name, first.val)...)
			continue
		}
		n := element.New(space, e.name)
		inner := nodes(group, depth+1)
		for _, kv := range e.keys {
			if !slices.ContainsFunc(inner, func(k *element.Node) bool { return k.Name == kv.name }) {
				n.Add(keyNode(base, space, kv))
			}
		}
		out = append(out, n.Add(inner...))
	}
	return out
}

// keyNode is the key of a list entry.
func keyNode(list, space string, kv keyValue) *element.Node {
	if id, ok := keyJSON(list+"/"+kv.name, kv.value).(string); ok && id != kv.value {
		module, name, _ := strings.Cut(id, ":")
		return element.Identity(space, kv.name, spaceOf(module), name)
	}
	return element.Leaf(space, kv.name, kv.value)
}

// leafNodes are a leaf, or the entries of a leaf-list.
func leafNodes(space, name string, v value) []*element.Node {
	one := func(s string) *element.Node {
		if module, id, ok := strings.Cut(s, ":"); ok && (v.kind == kIdent || v.kind == kList && strings.HasPrefix(module, "openconfig-")) {
			return element.Identity(space, name, spaceOf(module), id)
		}
		return element.Leaf(space, name, s)
	}
	switch v.kind {
	case kIdent:
		return []*element.Node{one(v.str)}
	case kList:
		var out []*element.Node
		for _, e := range v.entries() {
			out = append(out, one(e))
		}
		return out
	case kStr, kBool, kUint8, kUint16, kUint32, kUint64, kInt64, kDec, kEnum:
	}
	return []*element.Node{element.Leaf(space, name, v.plain())}
}

// Watch implements [netconf.Device]. What of the tree changed is told by the
// notifications that standards have for it, and by one of our own where there is
// none. Source: RFC 5277, RFC 6470 §2.2, RFC 8348 §7, RFC 9129 §2.9, RFC 9314
// §2.4, RFC 8632 §4.
func (d netconfDevice) Watch(ctx context.Context, f func(time.Time, *element.Node)) {
	c := d.c
	me := &subscriber{queries: []query{{origin: "openconfig"}, {origin: originFacts}}, wake: make(chan struct{}, 1)}
	c.mu.Lock()
	c.publish()
	c.subs[me] = struct{}{}
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		delete(c.subs, me)
		c.mu.Unlock()
	}()
	f(time.Time{}, nil)
	for {
		select {
		case <-ctx.Done():
			return
		case <-me.wake:
		}
		events, _ := me.take()
		for _, e := range events {
			for _, n := range c.notifications(e) {
				f(e.at, n)
			}
		}
	}
}

// notifications are what an event is told by, each at most once.
func (c *Chassis) notifications(e event) []*element.Node {
	var out []*element.Node
	seen := map[string]bool{}
	add := func(n *element.Node) {
		if text := n.String(); !seen[text] {
			seen[text] = true
			out = append(out, n)
		}
	}
	for _, ch := range e.changes {
		p, last := ch.text, ch.elems[len(ch.elems)-1].name
		id := ""
		if len(ch.elems) > 1 && len(ch.elems[1].keys) > 0 {
			id = ch.elems[1].keys[0].value
		}
		switch {
		case p == "/facts/configuration/digest":
			add(element.New(nsChanges, "netconf-config-change",
				element.New(nsChanges, "changed-by", element.New(nsChanges, "server")), element.Leaf(nsChanges, "datastore", "running")))
		case strings.HasPrefix(p, "/components/") && last == "oper-status":
			name := "hardware-state-oper-disabled"
			if bare(ch.val.str) == operActive {
				name = "hardware-state-oper-enabled"
			}
			add(element.New(nsHardware, name, element.Leaf(nsHardware, "name", id)))
		case strings.HasPrefix(p, "/components/"):
			add(element.New(nsHardware, "hardware-state-change"))
		case strings.HasPrefix(p, "/system/alarms/"):
			add(element.New(nsAlarms, "alarm-notification", element.Leaf(nsAlarms, "resource", id)))
		case strings.HasPrefix(p, "/facts/adjacency[") && last == "up" && !c.cfg.NETCONF.Standard:
			add(c.adjacencyChange(id, ch))
		case strings.HasPrefix(p, "/interfaces/") && last == "oper-status", strings.HasPrefix(p, "/facts/power/"), strings.HasPrefix(p, "/stp/"):
			if !c.cfg.NETCONF.Standard {
				add(element.New(nsSoftware, "state-change", element.Leaf(nsSoftware, "path", "/"+ch.elems[0].name)))
			}
		}
	}
	return out
}

// adjacencyChange tells that an adjacency came or went.
func (c *Chassis) adjacencyChange(id string, ch change) *element.Node {
	n := element.New(nsSoftware, "adjacency-change")
	for i := range c.cfg.Adjacencies {
		if a := &c.cfg.Adjacencies[i]; a.Key() == id {
			state := "down"
			if ch.val.num == 1 && !ch.deleted {
				state = "up"
			}
			n.Add(element.Leaf(nsSoftware, "protocol", a.Protocol()), element.Leaf(nsSoftware, "neighbour", a.Neighbour), element.Leaf(nsSoftware, "state", state))
		}
	}
	return n
}

// holderOf is how a NETCONF session is named where the holder of the lock is.
func holderOf(session uint32) string { return fmt.Sprintf("NETCONF session %d", session) }

// Locked implements [netconf.Device].
func (d netconfDevice) Locked(session uint32) (other string) {
	d.c.do(func() {
		h := d.c.lockHolder
		switch {
		case h != "" && !strings.HasPrefix(h, "NETCONF session "):
			other = h
		case session == 0:
			d.c.lockHolder = ""
		default:
			d.c.lockHolder = holderOf(session)
		}
	})
	return other
}
