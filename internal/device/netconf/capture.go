package netconf

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"towpath/internal/device"
	"towpath/internal/element"
	"towpath/internal/state"
)

// The namespaces of the data models. Source: RFC 8348, 8343, 8344, 8349, 7317 and
// 6470, the modules' headers (yang_test.go compares); from memory, RFC 9314,
// 9129, 9130, 8347, 8632 and OpenConfig.
const (
	nsHardware   = "urn:ietf:params:xml:ns:yang:ietf-hardware"
	nsIanaHW     = "urn:ietf:params:xml:ns:yang:iana-hardware"
	nsInterfaces = "urn:ietf:params:xml:ns:yang:ietf-interfaces"
	nsIP         = "urn:ietf:params:xml:ns:yang:ietf-ip"
	nsRouting    = "urn:ietf:params:xml:ns:yang:ietf-routing"
	nsV4Unicast  = "urn:ietf:params:xml:ns:yang:ietf-ipv4-unicast-routing"
	nsV6Unicast  = "urn:ietf:params:xml:ns:yang:ietf-ipv6-unicast-routing"
	nsSystem     = "urn:ietf:params:xml:ns:yang:ietf-system"
	nsBFDTypes   = "urn:ietf:params:xml:ns:yang:ietf-bfd-types"
	nsBFD        = "urn:ietf:params:xml:ns:yang:ietf-bfd"
	nsBFDSingle  = "urn:ietf:params:xml:ns:yang:ietf-bfd-ip-sh"
	nsBFDMulti   = "urn:ietf:params:xml:ns:yang:ietf-bfd-ip-mh"
	nsOSPF       = "urn:ietf:params:xml:ns:yang:ietf-ospf"
	nsISIS       = "urn:ietf:params:xml:ns:yang:ietf-isis"
	nsVRRP       = "urn:ietf:params:xml:ns:yang:ietf-vrrp"
	nsAlarms     = "urn:ietf:params:xml:ns:yang:ietf-alarms"
	nsChanges    = "urn:ietf:params:xml:ns:yang:ietf-netconf-notifications"

	ocInstance   = "http://openconfig.net/yang/network-instance"
	ocPolicy     = "http://openconfig.net/yang/policy-types"
	ocSystem     = "http://openconfig.net/yang/system"
	ocLACP       = "http://openconfig.net/yang/lacp"
	ocLLDP       = "http://openconfig.net/yang/lldp"
	ocTrees      = "http://openconfig.net/yang/spanning-tree"
	ocInterfaces = "http://openconfig.net/yang/interfaces"
	ocAggregate  = "http://openconfig.net/yang/interfaces/aggregate"

	// nsSoftware and nsFacts are modules of our own, for what no standard has.
	nsSoftware = "tag:towpath.example,2026:yang:towpath-software"
	nsFacts    = "tag:towpath.example,2026:yang:towpath-facts"
)

// section is one question of a capture. A device that does not serve it loses no
// other.
type section struct {
	name   string
	space  string // of the module that must be served
	scopes []device.Scope
	ask    func() []*element.Node
	read   func(r *reading, data *element.Node)
}

var (
	always     = []device.Scope{device.ScopeFull, device.ScopeComponents, device.ScopeLive}
	components = []device.Scope{device.ScopeFull, device.ScopeComponents}
	live       = []device.Scope{device.ScopeFull, device.ScopeLive}
	full       = []device.Scope{device.ScopeFull}
)

// empty is a selection node.
func empty(space string, names ...string) *element.Node {
	n := element.New(space, names[len(names)-1])
	for i := len(names) - 2; i >= 0; i-- {
		n = element.New(space, names[i], n)
	}
	return n
}

// asking is a filter for one subtree.
func asking(space string, names ...string) func() []*element.Node {
	return func() []*element.Node { return []*element.Node{empty(space, names...)} }
}

// sections is everything that a capture reads, but files, which SFTP lists.
func sections() []section {
	protocols := func() []*element.Node {
		return []*element.Node{empty(nsRouting, "routing", "control-plane-protocols")}
	}
	return []section{
		{name: "components", space: nsHardware, scopes: always, ask: asking(nsHardware, "hardware"), read: (*reading).hardware},
		{name: "software of controller cards", space: nsSoftware, scopes: always, ask: asking(nsSoftware, "software"), read: (*reading).software},
		{name: "system", space: nsSystem, scopes: components, ask: func() []*element.Node {
			return []*element.Node{empty(nsSystem, "system-state"), empty(nsSystem, "system", "hostname")}
		}, read: (*reading).system},
		{name: "last change of the configuration", space: ocSystem, scopes: components, ask: asking(ocSystem, "system", "state", "last-configuration-timestamp"), read: (*reading).changed},
		{name: "alarms", space: nsAlarms, scopes: components, ask: asking(nsAlarms, "alarms", "alarm-list"), read: (*reading).alarms},
		{name: "interfaces", space: nsInterfaces, scopes: full, ask: asking(nsInterfaces, "interfaces"), read: (*reading).interfaces},
		{name: "VRRP", space: nsVRRP, scopes: live, ask: func() []*element.Node {
			return []*element.Node{element.New(nsInterfaces, "interfaces", element.New(nsInterfaces, "interface",
				element.New(nsInterfaces, "name"), element.New(nsIP, "ipv4", element.New(nsVRRP, "vrrp")), element.New(nsIP, "ipv6", element.New(nsVRRP, "vrrp"))))}
		}, read: (*reading).vrrp},
		{name: "protocols", space: nsRouting, scopes: live, ask: protocols, read: (*reading).protocols},
		{name: "routes", space: nsRouting, scopes: full, ask: asking(nsRouting, "routing", "ribs"), read: (*reading).routes},
		{name: "BGP", space: ocInstance, scopes: live, ask: func() []*element.Node {
			return []*element.Node{element.New(ocInstance, "network-instances", element.New(ocInstance, "network-instance",
				element.New(ocInstance, "name"), element.New(ocInstance, "protocols", element.New(ocInstance, "protocol",
					element.New(ocInstance, "identifier"), element.New(ocInstance, "name"), element.New(ocInstance, "bgp")))))}
		}, read: (*reading).bgp},
		{name: "link aggregation", space: ocLACP, scopes: live, ask: asking(ocLACP, "lacp"), read: (*reading).lacp},
		{name: "least links of aggregates", space: ocInterfaces, scopes: full, ask: func() []*element.Node {
			return []*element.Node{element.New(ocInterfaces, "interfaces", element.New(ocInterfaces, "interface",
				element.New(ocInterfaces, "name"), element.New(ocAggregate, "aggregation")))}
		}, read: (*reading).aggregation},
		{name: "neighbours by LLDP", space: ocLLDP, scopes: live, ask: asking(ocLLDP, "lldp"), read: (*reading).lldp},
		{name: "spanning tree", space: ocTrees, scopes: full, ask: asking(ocTrees, "stp"), read: (*reading).trees},
		{name: "adjacencies as the device tells them", space: nsFacts, scopes: live, ask: asking(nsFacts, "facts", "adjacency"), read: (*reading).factAdjacencies},
		{name: "facts beyond the standards", space: nsFacts, scopes: components, ask: func() []*element.Node {
			f := element.New(nsFacts, "facts")
			for _, name := range []string{"boot", "volume", "configuration", "power", "crash", "maintenance", "tables", "feature", "logical-network-element", "clock"} {
				f.Add(element.New(nsFacts, name))
			}
			return []*element.Node{f}
		}, read: (*reading).facts},
	}
}

// reading is a capture in the making.
type reading struct {
	state.Capture
	scope    device.Scope
	asked    time.Time // middle of the question about the system
	roles    map[string]string
	carriers map[string]string // member port to group
	least    map[string]*element.Node
	groups   map[string]*state.Aggregate
	known    []*state.Adjacency
}

func newReading(scope device.Scope) *reading {
	return &reading{scope: scope, roles: map[string]string{}, carriers: map[string]string{}, groups: map[string]*state.Aggregate{}, least: map[string]*element.Node{}}
}

func (r *reading) missed(format string, args ...any) {
	r.Unread = append(r.Unread, fmt.Sprintf(format, args...))
}

// Capture reads the normalised state: by the modules of the IETF, by those of
// OpenConfig for what the IETF has none for, and by a module of our own for what
// nobody has one for. BGP is read by OpenConfig: the IETF's module is a draft.
func (d *Driver) Capture(ctx context.Context, scope device.Scope) (*state.Capture, error) {
	const op = "capture"
	link, s, err := d.connect(ctx, op)
	if err != nil {
		return nil, err
	}
	started := d.now()
	r := newReading(scope)
	source, answered, err := d.ask(ctx, s, r, sections())
	if err != nil {
		return nil, asOp(op, err)
	}
	if answered == 0 {
		return nil, &device.Fault{Kind: device.Unable, Op: op, Text: "the device serves none of the data models that are asked for: " + strings.Join(r.Unread, "; ")}
	}
	r.finish()
	c := &r.Capture
	c.Device = d.cfg.Device
	c.Source = "NETCONF, " + source
	if reason := link.Insecure(); reason != "" {
		c.Source += "; the device's host key was not verified: " + reason
	}
	if scope != device.ScopeLive {
		unread, err := d.readFiles(ctx, link, c.Volumes)
		if err != nil {
			return nil, asOp(op, err)
		}
		c.Unread = append(c.Unread, unread...)
	}
	ended := d.now()
	c.TakenAt = started.Add(ended.Sub(started) / 2)
	c.Complete = scope == device.ScopeFull && len(c.Unread) == 0
	c.Sort()
	return c, nil
}

// atOnce is how many questions are open at a time.
const atOnce = 4

// ask asks all sections of a scope and reads the answers in their order. It
// returns which kinds of model answered, and how many sections.
func (d *Driver) ask(ctx context.Context, s *Session, r *reading, all []section) (source string, answered int, err error) {
	type answer struct {
		section
		data *element.Node
		err  error
		at   time.Time
	}
	var answers []*answer
	for _, x := range all {
		if !slices.Contains(x.scopes, r.scope) {
			continue
		}
		if !s.offers(x.space) {
			r.missed("%s: the device does not serve %s", x.name, x.space)
			continue
		}
		answers = append(answers, &answer{section: x})
	}
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(atOnce)
	for _, a := range answers {
		g.Go(func() error {
			sent := d.now()
			a.data, a.err = s.Get(gctx, a.ask())
			a.at = sent.Add(d.now().Sub(sent) / 2)
			if a.err != nil && !ownVerdict(a.err) {
				return a.err
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		if ctx.Err() != nil {
			return "", 0, &device.Fault{Kind: device.OutcomeUnknown, Op: "get", Err: context.Cause(ctx)}
		}
		return "", 0, err
	}
	models := map[string]bool{}
	denied := false
	var refusal error
	for _, a := range answers {
		if a.err != nil {
			denied = denied || device.KindOf(a.err) == device.Denied
			refusal = a.err
			r.missed("%s: %v", a.name, a.err)
			continue
		}
		r.asked = a.at
		answered++
		switch {
		case strings.HasPrefix(a.space, "urn:ietf:"):
			models["modules of the IETF"] = true
		case strings.HasPrefix(a.space, "http://openconfig.net/"):
			models["modules of OpenConfig"] = true
		default:
			models["modules of our own"] = true
		}
		a.read(r, a.data)
	}
	if answered == 0 && denied {
		return "", 0, refusal
	}
	names := make([]string, 0, len(models))
	for m := range models {
		names = append(names, m)
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Compare(len(a), len(b)) })
	return strings.Join(names, ", "), answered, nil
}

// ownVerdict reports whether an error is the device's about the question, so
// that the others may still be asked.
func ownVerdict(err error) bool {
	var e *RPCError
	return errors.As(err, &e)
}

// finish puts together what several sections told.
func (r *reading) finish() {
	for i := range r.Components {
		k := &r.Components[i]
		if role, ok := r.roles[k.Name]; ok {
			k.Kind = state.KindControllerCard
			if !k.Role.Known() {
				k.Role = state.Some(role)
			}
		}
	}
	if !r.Release.Known() && r.scope != device.ScopeLive {
		if k, ok := r.ControllerWithRole(state.Primary); ok {
			r.Release = k.Version
		}
	}
	if k, ok := r.ControllerWithRole(state.Primary); ok && r.scope != device.ScopeLive {
		r.CPUPercent, r.MemoryPercent = k.CPUPercent, k.MemoryPercent
	}
	for name, g := range r.groups {
		if n := r.least[name]; n != nil {
			g.MinLinks = number[int](n.At("state", "min-links"))
		}
		if r.scope == device.ScopeFull {
			r.Aggregates = append(r.Aggregates, *g)
		}
	}
	for _, a := range r.known {
		r.Adjacencies = append(r.Adjacencies, *a)
	}
	if r.scope == device.ScopeComponents {
		r.Adjacencies = nil
	}
}
