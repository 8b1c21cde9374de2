package lab

import (
	"errors"
	"slices"
	"strconv"
	"strings"

	"github.com/openconfig/gnmi/proto/gnmi"

	"towpath/internal/element"
	"towpath/internal/lab/netconf"
)

// configNode is one node of what can be configured on a chassis as it is: list
// entries are those that are there.
type configNode struct {
	space, name string
	keys        []keyValue // of a list entry; the value of an identity has a prefix
	kids        []*configNode
	leaf        *leafInfo // nil for what has kids
	form        valueForm
}

// valueForm is how a leaf of an IETF module differs from the leaf of the lab's
// own tree that is behind it.
type valueForm int

const (
	sameForm valueForm = iota
	presence           // an empty container stands for true
)

// yangPrefixes are the prefixes in the paths of this file.
var yangPrefixes = map[string]string{
	"hw": nsHardware, "if": nsInterfaces, "ip": nsIP, "rt": nsRouting, "sys": nsSystem, "bfd": nsBFD, "bfd-types": nsBFDTypes,
	"sh": nsBFDSingle, "mh": nsBFDMulti, "ospf": nsOSPF, "isis": nsISIS, "vrrp": nsVRRP,
}

const controlPlane = "/rt:routing/control-plane-protocols/control-plane-protocol"

// bind is an IETF leaf and the leaf of the lab's own tree behind it.
type bind struct {
	ietf, own string
	form      valueForm
}

// binds lists them for everything that is configured. Source: the modules named
// in yangModules.
func (c *Chassis) binds() []bind {
	if c.ncBinds != nil {
		return c.ncBinds // of a configuration that does not change
	}
	out := []bind{{"/sys:system/hostname", "/system/config/hostname", sameForm}}
	for _, p := range c.ports {
		at := "/if:interfaces/interface[name=" + key(p.Name) + "]"
		own := "/interfaces/interface[name=" + key(p.Name) + "]/config"
		out = append(out, bind{at + "/enabled", own + "/enabled", sameForm}, bind{at + "/description", own + "/description", sameForm})
	}
	proto := map[string]bool{}
	for i := range c.cfg.Adjacencies {
		a := &c.cfg.Adjacencies[i]
		own := c.pathOfAdjacency(a)
		switch a.Protocol() {
		case "ospfv2":
			p := controlPlane + "[type=ospf:ospfv2][name=default]/ospf:ospf"
			if !proto["ospfv2"] {
				proto["ospfv2"] = true
				if c.gracefulOSPF() {
					out = append(out, bind{p + "/graceful-restart/restart-interval", gracePath, sameForm})
				}
				out = append(out, bind{p + "/stub-router/always", protocolPath("OSPF") + "/ospfv2/global/timers/max-metric/config/set", presence})
			}
			area := a.Area
			if area == "" {
				area = "0.0.0.0"
			}
			q := p + "/areas/area[area-id=" + area + "]/interfaces/interface[name=" + key(a.Interface) + "]"
			out = append(out, bind{q + "/hello-interval", own + "/timers/config/hello-interval", sameForm},
				bind{q + "/dead-interval", own + "/timers/config/dead-interval", sameForm}, bind{q + "/cost", own + "/config/metric", sameForm})
		case "isis":
			p := controlPlane + "[type=isis:isis][name=default]/isis:isis"
			if !proto["isis"] {
				proto["isis"] = true
				out = append(out, bind{p + "/overload/status", protocolPath("ISIS") + "/isis/global/lsp-bit/overload-bit/config/set-bit", sameForm})
			}
			q := p + "/interfaces/interface[name=" + key(a.Interface) + "]"
			level := "/level-" + itoa(max(a.Level, 1)) + "/value"
			out = append(out, bind{q + "/hello-interval" + level, own + "/timers/config/hello-interval", sameForm},
				bind{q + "/hello-multiplier" + level, own + "/timers/config/hello-multiplier", sameForm},
				bind{q + "/metric" + level, own + "/afi-safi/af[afi-name=IPV4][safi-name=UNICAST]/config/metric", sameForm})
		case "bfd":
			q := controlPlane + "[type=bfd-types:bfdv1][name=default]/bfd:bfd"
			if a.Interface != "" {
				q += "/sh:ip-sh/sessions/session[interface=" + key(a.Interface) + "][dest-addr=" + key(a.Neighbour) + "]"
			} else {
				q += "/mh:ip-mh/session-groups/session-group[source-addr=" + key(a.LocalAddress) + "][dest-addr=" + key(a.Neighbour) + "]"
			}
			out = append(out, bind{q + "/local-multiplier", own + "/config/detection-multiplier", sameForm},
				bind{q + "/desired-min-tx-interval", own + "/config/desired-minimum-tx-interval", sameForm},
				bind{q + "/required-min-rx-interval", own + "/config/required-minimum-receive", sameForm})
		case "vrrp":
			q := "/if:interfaces/interface[name=" + key(a.Interface) + "]/ip:ipv4/vrrp:vrrp/vrrp-instance[vrid=" + a.Instance + "]"
			out = append(out, bind{q + "/priority", own + "/config/priority", sameForm},
				bind{q + "/advertise-interval-centi-sec", own + "/config/advertisement-interval", sameForm})
		}
	}
	c.ncBinds = out
	return out
}

// pathOfAdjacency is where OpenConfig configures an adjacency; empty where it
// does not.
func (c *Chassis) pathOfAdjacency(a *Adjacency) string {
	// pathOfRelation tells it for a leaf below; any will do.
	for in := range c.leaves {
		if p := c.pathOfRelation(in, a); p != "" {
			return p
		}
	}
	return ""
}

// configTree is everything that can be configured. The lock is held.
func (c *Chassis) configTree() *configNode {
	root := &configNode{}
	for _, b := range c.binds() {
		in := c.infos.get(b.own)
		if _, there := c.leaves[in]; there && in.row.is(settable) {
			root.put(b.ietf, "", in, b.form)
		}
	}
	if c.cfg.NETCONF.Standard {
		return root
	}
	var own []*leafInfo
	for in := range c.leaves {
		if in.row.is(settable) {
			own = append(own, in)
		}
	}
	slices.SortFunc(own, func(a, b *leafInfo) int { return strings.Compare(a.text, b.text) })
	for _, in := range own {
		n := root
		for i, e := range in.elems {
			n = n.kid(spaceOf(moduleOf(namePath(in.elems[:i+1]))), e.name, e.keys)
		}
		n.leaf = in
	}
	return root
}

// put adds a leaf at a path of IETF modules.
func (n *configNode) put(path, space string, in *leafInfo, form valueForm) {
	elems, err := parsePath(path)
	if err != nil {
		panic("lab: " + err.Error()) // a path that this package wrote itself
	}
	for _, e := range elems {
		if prefix, name, ok := strings.Cut(e.name, ":"); ok {
			space, e.name = yangPrefixes[prefix], name
		}
		n = n.kid(space, e.name, e.keys)
	}
	n.leaf, n.form = in, form
}

// kid returns the kid with the name and keys, making it where there is none.
func (n *configNode) kid(space, name string, keys []keyValue) *configNode {
	for _, k := range n.kids {
		if k.space == space && k.name == name && slices.Equal(k.keys, keys) {
			return k
		}
	}
	k := &configNode{space: space, name: name, keys: keys}
	n.kids = append(n.kids, k)
	return k
}

// keyNode is a key as an element.
func (n *configNode) keyNode(kv keyValue) *element.Node {
	if prefix, id, ok := strings.Cut(kv.value, ":"); ok && yangPrefixes[prefix] != "" && kv.name == "type" {
		return element.Identity(n.space, kv.name, yangPrefixes[prefix], id)
	}
	if strings.HasPrefix(n.space, ocSpace) && (kv.name == "identifier" || kv.name == "afi-name" || kv.name == "safi-name") {
		return element.Identity(n.space, kv.name, ocSpace+"policy-types", kv.value)
	}
	return element.Leaf(n.space, kv.name, kv.value)
}

// Config implements [netconf.Device].
func (d netconfDevice) Config(edits []netconf.Edit, all bool) []*element.Node {
	c := d.c
	c.mu.Lock()
	defer c.mu.Unlock()
	c.publish()
	now := c.overlaid(edits)
	var out []*element.Node
	for _, k := range c.configTree().kids {
		if n := k.render(now, all); n != nil {
			out = append(out, n)
		}
	}
	return out
}

// settled is the value of a leaf of the configuration, and whether somebody
// configured it.
type settled struct {
	text     string
	explicit bool
}

// overlaid says what every leaf would be with edits made.
func (c *Chassis) overlaid(edits []netconf.Edit) func(*leafInfo) settled {
	last := map[string]netconf.Edit{}
	for _, e := range edits {
		last[e.Path] = e
	}
	return func(in *leafInfo) settled {
		if e, ok := last[in.text]; ok {
			if e.Delete {
				return settled{text: c.defaultOf(in)}
			}
			return settled{e.Value, true}
		}
		_, had := c.config[in.text]
		return settled{c.leaves[in].plain(), had}
	}
}

// defaultOf is the value of a leaf that nobody configures.
func (c *Chassis) defaultOf(in *leafInfo) string {
	if v, ok := c.unset[in.text]; ok {
		return v.plain()
	}
	return c.leaves[in].plain()
}

// render writes what is configured; nil for nothing.
func (n *configNode) render(now func(*leafInfo) settled, all bool) *element.Node {
	if n.leaf != nil {
		v := now(n.leaf)
		if !all && !v.explicit {
			return nil
		}
		if n.form == presence {
			if v.text != "true" {
				return nil
			}
			return element.New(n.space, n.name)
		}
		return element.Leaf(n.space, n.name, v.text)
	}
	out := element.New(n.space, n.name)
	for _, kv := range n.keys {
		out.Add(n.keyNode(kv))
	}
	found := false
	for _, k := range n.kids {
		if x := k.render(now, all); x != nil {
			out.Add(x)
			found = true
		}
	}
	if !found {
		return nil
	}
	return out
}

const baseNamespace = "urn:ietf:params:xml:ns:netconf:base:1.0"

// editing is the reading of one edit-config.
type editing struct {
	c   *Chassis
	now func(*leafInfo) settled
	out []netconf.Edit
}

// Read implements [netconf.Device]. Source: RFC 6241 §7.2.
func (d netconfDevice) Read(config *element.Node, standing string, before []netconf.Edit) ([]netconf.Edit, error) {
	c := d.c
	c.mu.Lock()
	defer c.mu.Unlock()
	c.publish()
	e := &editing{c: c, now: c.overlaid(before)}
	root := c.configTree()
	if standing == "replace" {
		return nil, netconf.Errorf("operation-not-supported", "this device does not replace its whole configuration")
	}
	for _, n := range config.Kids {
		if err := e.element(root, n, "", standing); err != nil {
			return nil, err
		}
	}
	return e.out, nil
}

func bad(tag, path, text string) error {
	return &netconf.Error{Tag: tag, Path: path, Message: text}
}

// element reads one element of an edit.
func (e *editing) element(up *configNode, n *element.Node, path, op string) error {
	path += "/" + n.Name
	if v, ok := n.Attr(baseNamespace, "operation"); ok {
		if !slices.Contains([]string{"merge", "replace", "create", "delete", "remove"}, v) {
			// Source: RFC 6241 appendix A, bad-attribute with both of its infos.
			return &netconf.Error{Tag: "bad-attribute", Path: path, Message: "found the operation " + v,
				Info: []*element.Node{element.Leaf(baseNamespace, "bad-attribute", "operation"), element.Leaf(baseNamespace, "bad-element", n.Name)}}
		}
		op = v
	}
	if len(up.keys) > 0 && slices.ContainsFunc(up.keys, func(kv keyValue) bool { return kv.name == n.Name }) {
		return nil // it said which entry is meant
	}
	var k *configNode
	named := false
	for _, x := range up.kids {
		if x.name != n.Name || x.space != n.Space {
			continue
		}
		named = true
		if x.meant(n) {
			k = x
			break
		}
	}
	switch {
	case k == nil && named && (op == "remove"):
		return nil
	case k == nil && named:
		return bad("data-missing", path, "there is no such entry")
	case k == nil:
		if len(up.kids) > 0 && !slices.ContainsFunc(up.kids, func(x *configNode) bool { return x.space == n.Space }) {
			return &netconf.Error{Tag: "unknown-namespace", Path: path, Message: "nothing of that namespace can be configured there",
				Info: []*element.Node{element.Leaf(baseNamespace, "bad-element", n.Name), element.Leaf(baseNamespace, "bad-namespace", n.Space)}}
		}
		return &netconf.Error{Tag: "unknown-element", Path: path, Message: "nothing of that name can be configured there",
			Info: []*element.Node{element.Leaf(baseNamespace, "bad-element", n.Name)}}
	}
	if k.leaf != nil {
		return e.leaf(k, n, path, op)
	}
	if op == "delete" || op == "remove" || op == "replace" {
		found := e.clear(k)
		if op == "delete" && !found {
			return bad("data-missing", path, "there is nothing to delete")
		}
		if op != "replace" {
			return nil
		}
		op = "merge"
	}
	for _, x := range n.Kids {
		if err := e.element(k, x, path, op); err != nil {
			return err
		}
	}
	return nil
}

// meant reports whether an element of an edit is this node: a list entry by its
// keys.
func (n *configNode) meant(x *element.Node) bool {
	for _, kv := range n.keys {
		given := x.Kid(kv.name)
		own := n.keyNode(kv)
		_, a, aok := given.ID()
		_, b, bok := own.ID()
		if given.Value() != own.Value() && (!aok || !bok || a != b) && given.Value() != kv.value {
			return false
		}
	}
	return true
}

// clear unsets everything below a node, and reports whether anything was set.
func (e *editing) clear(n *configNode) bool {
	if n.leaf != nil {
		if !e.now(n.leaf).explicit {
			return false
		}
		e.out = append(e.out, netconf.Edit{Path: n.leaf.text, Delete: true})
		return true
	}
	found := false
	for _, k := range n.kids {
		found = e.clear(k) || found
	}
	return found
}

func (e *editing) leaf(k *configNode, n *element.Node, path, op string) error {
	v := e.now(k.leaf)
	// Source: from memory, RFC 6243 §2.1.2: where all values are reported, those
	// that nobody configured are there too: create fails, and delete does not.
	there := v.explicit || v.text != "" && (k.form != presence || v.text == "true")
	switch op {
	case "none":
		return nil
	case "delete", "remove":
		if !there && op == "delete" {
			return bad("data-missing", path, "nothing is configured there")
		}
		if !v.explicit {
			return nil
		}
		e.out = append(e.out, netconf.Edit{Path: k.leaf.text, Delete: true})
		return nil
	case "create":
		if there {
			return bad("data-exists", path, "it is configured already")
		}
	}
	text := n.Value()
	if k.form == presence {
		text = "true"
	}
	if _, err := textValue(k.leaf, text); err != nil {
		return bad("invalid-value", path, err.Error())
	}
	e.out = append(e.out, netconf.Edit{Path: k.leaf.text, Value: text})
	return nil
}

// textValue reads the text of a leaf and checks it as a Set would.
func textValue(in *leafInfo, text string) (value, error) {
	typed := &gnmi.TypedValue{Value: &gnmi.TypedValue_StringVal{StringVal: text}}
	switch in.row.kind {
	case kBool:
		if b, err := strconv.ParseBool(text); err == nil && (text == "true" || text == "false") {
			typed.Value = &gnmi.TypedValue_BoolVal{BoolVal: b}
		}
	case kUint8, kUint16, kUint32, kUint64:
		if n, err := strconv.ParseUint(text, 10, 53); err == nil {
			typed.Value = &gnmi.TypedValue_UintVal{UintVal: n}
		}
	case kStr, kInt64, kDec, kEnum, kIdent, kList:
	}
	v, err := readValue(in.row.kind, typed)
	if err == nil {
		err = checkSet(in, v)
	}
	return v, err
}

// Check implements [netconf.Device].
func (d netconfDevice) Check(edits []netconf.Edit) error {
	d.c.mu.Lock()
	defer d.c.mu.Unlock()
	_, err := d.c.netconfEdits(edits)
	return err
}

// netconfEdits are edits in the form that a Set has them. The lock is held.
func (c *Chassis) netconfEdits(edits []netconf.Edit) ([]edit, error) {
	var out []edit
	var errs []error
	for _, e := range edits {
		in := c.infos.get(e.Path)
		x := edit{op: gnmi.UpdateResult_DELETE, path: in.proto, info: in}
		if !e.Delete {
			v, err := textValue(in, e.Value)
			if err != nil {
				errs = append(errs, bad("invalid-value", e.Path, err.Error()))
			}
			x.op, x.value = gnmi.UpdateResult_UPDATE, v
		}
		if _, there := c.leaves[in]; !there {
			errs = append(errs, bad("data-missing", e.Path, "it is not there any more"))
		}
		out = append(out, x)
	}
	return out, errors.Join(errs...)
}

// Commit implements [netconf.Device].
func (d netconfDevice) Commit(session uint32, edits []netconf.Edit) (undo []netconf.Edit, err error) {
	c := d.c
	c.do(func() {
		var es []edit
		es, err = c.netconfEdits(edits)
		names := make([]string, len(es))
		for i, e := range es {
			names[i] = e.text()
			u := netconf.Edit{Path: e.info.text, Delete: true}
			if old, had := c.config[e.info.text]; had {
				u = netconf.Edit{Path: e.info.text, Value: old.plain()}
			}
			undo = append(undo, u)
		}
		slices.Reverse(undo)
		act := c.act(ActSet, strings.Join(names, "; "))
		act.Outcome = "ok"
		if err == nil {
			holder := c.lockHolder
			if holder == holderOf(session) {
				c.lockHolder = "" // the session's own lock does not stand in its way
			}
			act.Changed, err = c.applyEdits(es)
			c.lockHolder = holder
		}
		if err != nil {
			act.Outcome = err.Error()
			if c.lockHolder != "" {
				err = &netconf.Error{Type: "protocol", Tag: "in-use", Message: "the configuration is locked by " + c.lockHolder}
			}
		}
	})
	return undo, err
}
