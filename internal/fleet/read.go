package fleet

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"towpath/internal/document"
)

// Read reads a fleet from YAML. name stands in the messages. The error is of
// type [document.Problems] and holds every mistake of the file; the fleet then
// is nil.
func Read(name string, src []byte) (*Fleet, error) {
	doc, err := document.Parse(name, src)
	if err != nil {
		return nil, err
	}
	f, ps := Decode(doc)
	if err := ps.Err(); err != nil {
		return nil, err
	}
	return f, nil
}

// Decode reads a fleet from a document that is parsed already, so that the
// caller can report mistakes of its own at their places. The fleet is never
// nil; where there are problems it holds what could be read.
func Decode(doc *document.Document) (*Fleet, document.Problems) {
	f := &Fleet{}
	c := &checker{doc: doc, fleet: f, problems: doc.Decode(Shape(), f)}
	c.devices()
	c.groups()
	c.links()
	c.risks()
	c.attachments()
	c.demands()
	return f, c.problems
}

// checker looks for what is well-formed and still makes no sense. Empty values
// were reported before it and are passed over.
type checker struct {
	doc      *document.Document
	fleet    *Fleet
	problems document.Problems

	known    map[DeviceID]bool
	ids      []string // of known, sorted
	complete bool     // every device has an id, so that a name not known is wrong

	ends map[DeviceID]bool // devices and attachments
}

func (c *checker) report(path, found, want, nearest string) {
	c.problems = append(c.problems, c.doc.Problem(path, found, want, nearest))
}

// firsts remembers where each name stood first.
type firsts map[string]string

// once reports a name that stands for a second thing of the same kind.
func (c *checker) once(seen firsts, what, name, path string) {
	if name == "" {
		return
	}
	if first, again := seen[name]; again {
		pos, _ := c.doc.At(first)
		c.report(path, fmt.Sprintf("the %s %q a second time; the first is in line %d", what, name, pos.Line), "", "")
		return
	}
	seen[name] = path
}

func (c *checker) devices() {
	ids, addresses, lines := firsts{}, firsts{}, firsts{}
	c.known = map[DeviceID]bool{}
	_, given := c.doc.At("devices")
	c.complete = given && (len(c.fleet.Devices) > 0 || !c.problems.Under("devices"))
	for i, d := range c.fleet.Devices {
		at := fmt.Sprintf("devices[%d]", i)
		c.once(ids, "device", string(d.ID), at+".id")
		c.known[d.ID] = true
		c.complete = c.complete && d.ID != ""
		components, systems := firsts{}, firsts{}
		for j, p := range d.Components {
			c.once(components, "component", p.Name, fmt.Sprintf("%s.components[%d].name", at, j))
		}
		for j, s := range d.LogicalNetworkElements {
			c.once(systems, "logical network element", s.Name, fmt.Sprintf("%s.logical-network-elements[%d].name", at, j))
		}
		// One address for two devices would put one device's change on another.
		c.once(addresses, "address", d.Access.Address, at+".access.address")
		c.once(addresses, "address", d.Console.Address, at+".console.address")
		if l := d.Access.Console; l != nil {
			cards := firsts{}
			for j, x := range l.Lines() {
				if x.Address != "" && x.User != "" {
					c.once(lines, "console line", x.User+"@"+x.Address, lineAt(at, l, j))
				}
				c.once(cards, "controller card", x.Controller, fmt.Sprintf("%s.access.console.controllers[%d].controller", at, j))
			}
		}
		c.access(d.Access, at+".access")
	}
	for i, d := range c.fleet.Devices {
		c.lineOfAnother(d, addresses, fmt.Sprintf("devices[%d]", i))
	}
	delete(c.known, "")
	for id := range c.known {
		c.ids = append(c.ids, string(id))
	}
	slices.Sort(c.ids)
}

func (c *checker) access(a Access, at string) {
	if c.problems.Under(at) {
		return
	}
	switch {
	case a.Driver != "" && a.Address == "" && a.Console == nil:
		c.report(at, "a driver without an address", document.HostPort.Want+", in the key \"address\"", "")
	case a.Cert != "" && a.Key == "":
		c.report(at+".certificate", "a certificate without its key", "both, or neither", "")
	case a.Key != "" && a.Cert == "" && a.User == "":
		c.report(at+".key", "a key without its certificate", "both, or neither; a key alone with the user whose key it is", "")
	}
	switch command := a.Driver == "command-line"; {
	case command && a.Adapter == "":
		c.report(at, "the driver command-line without an adapter", "the key \"adapter\", with a file or a name such as alder-9", "")
	case !command && a.Adapter != "":
		c.report(at+".adapter", "an adapter of another driver", "the driver command-line, or nothing here", "")
	}
	login := []struct {
		key   string
		given bool
	}{{"password", a.Password != ""}, {"agent", a.Agent}, {"known-hosts", a.KnownHosts != ""}, {"jump", len(a.Jump) > 0}}
	for _, k := range login {
		if k.given && a.User == "" {
			c.report(at+"."+k.key, "a log-in over SSH without its user", "the account to log in to, in the key \"user\"", "")
		}
	}
	if a.Console != nil && a.Address == "" && a.User != "" {
		c.report(at+".user", "an account for SSH to the device, which has no address here",
			"the account on the console server in console.user, that on the device in console.login.user", "")
	}
	c.console(a, at+".console")
	switch x := a.ImageServer; {
	case x == nil:
	case a.Driver != "command-line":
		c.report(at+".image-server", "a server for images of another driver", "the driver command-line, or nothing here", "")
	case (x.Cert == "") != (x.Key == ""):
		c.report(at+".image-server", "a certificate or a key alone", "both, or neither", "")
	}
	c.snmp(a, at)
}

// console reports a console line that cannot be used.
func (c *checker) console(a Access, at string) {
	l := a.Console
	switch {
	case l == nil:
	case a.Driver != "command-line":
		c.report(at, "a console line of another driver", "the driver command-line, or nothing here; console beside access is where a person gets in", "")
	case l.OpenSession != "" && l.Login == (ConsoleLogin{}):
		c.report(at+".open-session", "what to do with an open session, on a line where nobody logs in", "the key \"login\" as well, or neither", "")
	case len(l.Controllers) == 0 && l.Address == "":
		c.report(at+".address", "missing", document.HostPort.Want+", or the key \"controllers\"", "")
	}
	if l == nil {
		return
	}
	for i, x := range l.Lines() {
		if len(l.Controllers) > 0 && x.Address == "" {
			c.report(fmt.Sprintf("%s.controllers[%d].address", at, i), "missing, and no address of all", document.HostPort.Want, "")
		}
	}
}

// lineAt is where the address of a console line stands.
func lineAt(at string, l *ConsoleLine, i int) string {
	switch {
	case len(l.Controllers) == 0:
		return at + ".access.console.address"
	case l.Controllers[i].Address == "": // that of all
		return fmt.Sprintf("%s.access.console.controllers[%d]", at, i)
	}
	return fmt.Sprintf("%s.access.console.controllers[%d].address", at, i)
}

// lineOfAnother reports a console line that leads to another device. The device's
// own address of its console may be the same.
func (c *checker) lineOfAnother(d Device, addresses firsts, at string) {
	l := d.Access.Console
	if l == nil {
		return
	}
	for i, x := range l.Lines() {
		if first, taken := addresses[x.Address]; taken && x.Address != "" && !strings.HasPrefix(first, at+".") {
			pos, _ := c.doc.At(first)
			c.report(lineAt(at, l, i), fmt.Sprintf("the address %q a second time; it is another device's in line %d", x.Address, pos.Line), "", "")
		}
	}
}

// snmp reports who cannot ask.
func (c *checker) snmp(a Access, at string) {
	s := a.SNMP
	at += ".snmp"
	switch given := s != (SNMP{}); {
	case !given:
	case a.Driver != "snmp":
		c.report(at, "who asks over SNMP, of another driver", "the driver snmp, or nothing here", "")
	case s.Community != "" && s.User != "":
		c.report(at+".community", "a community and a user", "one of them: a community is version 2c, a user is version 3", "")
	case s.Community == "" && s.User == "":
		c.report(at, "neither a community nor a user", "one of them: a community is version 2c, a user is version 3", "")
	case s.Community != "" && s != (SNMP{Community: s.Community}):
		c.report(at, "what only version 3 has, beside the community of version 2c", "the community alone", "")
	case s.User != "" && (s.AuthSecret == "" || s.PrivSecret == ""):
		c.report(at, "a user of version 3 without both secrets", "auth-secret and priv-secret; without them anybody can read and answer", "")
	}
}

// device reports a device that the fleet does not have.
func (c *checker) device(id DeviceID, path string) {
	if id == "" || c.known[id] || !c.complete || c.problems.Under(path) {
		return
	}
	c.report(path, fmt.Sprintf("no device %q in the fleet", id), "", document.Nearest(string(id), c.ids))
}

func (c *checker) groups() {
	names := firsts{}
	for i, g := range c.fleet.Groups {
		at := fmt.Sprintf("redundancy-groups[%d]", i)
		c.once(names, "redundancy group", g.Name, at+".name")
		for j, m := range g.Members {
			c.device(m, fmt.Sprintf("%s.members[%d]", at, j))
		}
		_, given := c.doc.At(at + ".members")
		switch n := len(g.Members); {
		case !given:
		case n < 2:
			c.report(at+".members", fmt.Sprintf("a group of %d", n), "at least two devices, of which one can stand in for another", "")
		case g.AtLeast >= n:
			want := fmt.Sprintf("from 1 to %d", n-1)
			if n == 2 {
				want = "1"
			}
			c.report(at+".at-least", fmt.Sprintf("%d of %d devices must stay in service, so that none may ever be upgraded", g.AtLeast, n), want, "")
		}
	}
}

func (c *checker) links() {
	ids := firsts{}
	for i, l := range c.fleet.Links {
		at := fmt.Sprintf("links[%d]", i)
		c.once(ids, "link", l.ID, at+".id")
		c.device(l.A.Device, at+".a.device")
		c.device(l.B.Device, at+".b.device")
		if l.A.Device != "" && l.A.Device == l.B.Device {
			c.report(at+".b.device", fmt.Sprintf("both ends on the device %q", l.B.Device), "a link between two devices", "")
		}
		if c.problems.Under(at+".members") || c.problems.Under(at+".minimum-links") {
			continue
		}
		if most := max(1, l.Members); l.MinimumLinks > most {
			want := fmt.Sprintf("from 1 to %d, the number of its members", most)
			if l.Members == 0 {
				want = "members too: how many links the aggregate has"
			}
			c.report(at+".minimum-links", fmt.Sprintf("%d of %d members", l.MinimumLinks, most), want, "")
		}
	}
}

func (c *checker) risks() {
	links := map[string]bool{}
	named := map[string]bool{} // by links themselves
	var ids []string
	all := true
	for _, l := range c.fleet.Links {
		links[l.ID] = true
		ids = append(ids, l.ID)
		all = all && l.ID != ""
		for _, r := range l.SharedRisk {
			named[r] = true
		}
	}
	all = all && (len(c.fleet.Links) > 0 || !c.problems.Under("links"))
	slices.Sort(ids)
	names := firsts{}
	for i, r := range c.fleet.Risks {
		at := fmt.Sprintf("shared-risk-groups[%d]", i)
		c.once(names, "shared-risk group", r.Name, at+".name")
		for j, l := range r.Links {
			path := fmt.Sprintf("%s.links[%d]", at, j)
			if l != "" && !links[l] && all && !c.problems.Under(path) {
				c.report(path, fmt.Sprintf("no link %q in the fleet", l), "", document.Nearest(l, ids))
			}
		}
		for j, d := range r.Devices {
			c.device(d, fmt.Sprintf("%s.devices[%d]", at, j))
		}
		if len(r.Links)+len(r.Devices) == 0 && !named[r.Name] && !c.problems.Under(at) {
			c.report(at, fmt.Sprintf("the group %q with nothing in it", r.Name), "links or devices that fail together", "")
		}
	}
}

func (c *checker) attachments() {
	c.ends = maps.Clone(c.known)
	names := firsts{}
	for i, a := range c.fleet.Attachments {
		at := fmt.Sprintf("attachments[%d]", i)
		c.once(names, "attachment", a.Name, at+".name")
		if c.known[DeviceID(a.Name)] {
			c.report(at+".name", fmt.Sprintf("%q, which is a device as well", a.Name), "a name that no device has", "")
		}
		c.ends[DeviceID(a.Name)] = true
		c.complete = c.complete && a.Name != ""
		on := map[DeviceID]bool{}
		for j, e := range a.At {
			path := fmt.Sprintf("%s.at[%d].device", at, j)
			c.device(e.Device, path)
			if e.Device != "" && on[e.Device] {
				c.report(path, fmt.Sprintf("the device %q a second time", e.Device), "each device once; several links to one device are one end of their whole capacity", "")
			}
			on[e.Device] = true
		}
	}
	delete(c.ends, "")
}

// end reports an end of a demand that is neither a device nor an attachment.
func (c *checker) end(id DeviceID, path string) {
	if id == "" || c.ends[id] || !c.complete || c.problems.Under(path) || len(c.fleet.Attachments) == 0 && c.problems.Under("attachments") {
		return
	}
	var all []string
	for id := range c.ends {
		all = append(all, string(id))
	}
	slices.Sort(all)
	found := fmt.Sprintf("no device %q in the fleet", id)
	if len(c.fleet.Attachments) > 0 {
		found = fmt.Sprintf("neither a device nor an attachment %q in the fleet", id)
	}
	c.report(path, found, "", document.Nearest(string(id), all))
}

func (c *checker) demands() {
	names := firsts{}
	for i, d := range c.fleet.Demands {
		at := fmt.Sprintf("demands[%d]", i)
		c.once(names, "demand", d.Name, at+".name")
		c.end(d.From, at+".from")
		c.end(d.To, at+".to")
		if d.From != "" && d.From == d.To {
			c.report(at+".to", fmt.Sprintf("a demand from %q to itself", d.To), "traffic between two devices", "")
		}
	}
}
