//nolint:misspell // the words of the modules
package netconf

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/element"
	"towpath/internal/state"
)

// told is what one object says of itself.
type told struct {
	kind           device.EventKind
	object, aspect string // aspect tells apart what one object says of several things
}

// watching is one call of Watch.
type watching struct {
	d    *Driver
	out  func(device.Event)
	last map[told]string
	full bool // the state at the start has been told
}

// notice is a notification as far as it says something by itself.
type notice struct {
	at   time.Time
	what told
	now  string
}

// Watch subscribes to the device's notifications (RFC 5277) in a session of its
// own. A notification that says by itself which adjacency came or went is told
// at once, so that none is missed that is over before a look; any other makes
// the driver look at the state again, and tell what differs.
func (d *Driver) Watch(ctx context.Context, f func(device.Event)) error {
	const op = "watch"
	_, main, err := d.connect(ctx, op)
	if err != nil {
		return err
	}
	if !main.caps.Has(CapNotification) {
		return &device.Fault{Kind: device.Unable, Op: op, Text: "the device sends no notifications"}
	}
	s, err := d.own(ctx, op)
	if err != nil {
		return err
	}
	defer s.abandon() // nothing is held by it
	notices := make(chan notice, 1024)
	late := make(chan struct{}, 1)
	look := make(chan time.Time, 1)
	take := func(n *element.Node) {
		at := instant(n.In(nsNotification, "eventTime")).Or(d.now())
		for _, x := range readNotification(n) {
			x.at = at
			select {
			case notices <- x:
			default:
				select {
				case late <- struct{}{}:
				default:
				}
			}
		}
		select {
		case look <- at:
		default: // a look is due already
		}
	}
	if err := s.Subscribe(ctx, "", nil, take); err != nil {
		return asOp(op, err)
	}
	w := &watching{d: d, out: f, last: map[told]string{}}
	if err := w.look(ctx, d.now()); err != nil {
		return w.ended(ctx, err)
	}
	w.full = true
	f(device.Event{Kind: device.EventSynced, At: d.now()})
	for {
		select {
		case <-ctx.Done():
			return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
		case <-s.Done():
			return &device.Fault{Kind: device.Unreachable, Op: op, Err: s.why()}
		case <-late:
			return &device.Fault{Kind: device.Unreachable, Op: op, Text: "more notifications wait than are kept; watch again"}
		case n := <-notices:
			w.tell(n.what, n.now, n.at)
		case at := <-look:
			for waits := true; waits; { // first what was told before it
				select {
				case n := <-notices:
					w.tell(n.what, n.now, n.at)
				default:
					waits = false
				}
			}
			if err := w.look(ctx, at); err != nil {
				return w.ended(ctx, err)
			}
		}
	}
}

func (w *watching) ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return &device.Fault{Kind: device.OutcomeUnknown, Op: "watch", Err: context.Cause(ctx)}
	}
	return asOp("watch", err)
}

// tell tells what is new.
func (w *watching) tell(what told, now string, at time.Time) {
	was, known := w.last[what]
	if known && was == now || !known && now == "" {
		return
	}
	w.last[what] = now
	e := device.Event{Kind: what.kind, At: at, Object: what.object, Was: was, Now: now}
	if !w.full {
		e.Was = ""
	}
	w.out(e)
}

// watched are the questions of a look: what a watch tells, and nothing that is
// large.
func watched() []section {
	var out []section
	for _, x := range sections() {
		switch x.name {
		case "routes", "interfaces", "facts beyond the standards", "system":
			continue
		}
		x.scopes = full
		out = append(out, x)
	}
	return append(out,
		section{name: "interfaces", space: nsInterfaces, scopes: full, ask: func() []*element.Node {
			i := element.New(nsInterfaces, "interface")
			for _, leaf := range []string{"name", "type", "enabled", "admin-status", "oper-status"} {
				i.Add(element.New(nsInterfaces, leaf))
			}
			return []*element.Node{element.New(nsInterfaces, "interfaces", i)}
		}, read: (*reading).interfaces},
		section{name: "facts", space: nsFacts, scopes: full, ask: func() []*element.Node {
			return []*element.Node{element.New(nsFacts, "facts", element.New(nsFacts, "configuration"), element.New(nsFacts, "power"))}
		}, read: (*reading).facts})
}

// look reads the state and tells what differs from what was told.
func (w *watching) look(ctx context.Context, at time.Time) error {
	_, s, err := w.d.connect(ctx, "watch")
	if err != nil {
		return err
	}
	r := newReading(device.ScopeFull)
	if _, _, err := w.d.ask(ctx, s, r, watched()); err != nil {
		return err
	}
	r.finish()
	now := map[told]string{}
	for _, k := range r.Components {
		now[told{device.EventComponent, k.Name, "oper"}] = k.Oper.Or("")
		now[told{device.EventComponent, k.Name, "role"}] = k.Role.Or("")
		if oper, ok := k.Oper.Get(); ok && k.Kind == state.KindPowerSupply {
			now[told{device.EventPower, k.Name, ""}] = supplyWord(oper)
		}
	}
	for _, a := range r.Adjacencies {
		if up, ok := a.Up.Get(); ok {
			what := told{device.EventAdjacency, a.Protocol + " " + a.Neighbour, ""}
			// Several adjacencies with one neighbour are up while any is.
			if now[what] != "up" {
				now[what] = map[bool]string{true: "up", false: "down"}[up]
			}
		}
	}
	for _, i := range r.Interfaces {
		now[told{device.EventInterface, i.Name, ""}] = i.Oper.Or("")
	}
	for _, a := range r.Alarms {
		now[told{device.EventAlarm, a.ID, ""}] = strings.TrimSpace(a.Severity + " " + a.Text)
	}
	for _, t := range r.SpanningTrees {
		if n, ok := t.Changes.Get(); ok {
			now[told{device.EventTopology, t.Instance, ""}] = uintText(n)
		}
	}
	for _, f := range r.Power.Feeds {
		if ok, known := f.OK.Get(); known {
			now[told{device.EventPower, f.Name, "feed"}] = map[bool]string{true: "ok", false: "no power on the feed"}[ok]
		}
	}
	if t, ok := r.Configuration.Changed.Get(); ok {
		now[told{device.EventConfiguration, "time", ""}] = t.Format(time.RFC3339Nano)
	}
	if v, ok := r.Configuration.Digest.Get(); ok {
		now[told{device.EventConfiguration, "digest", ""}] = v
	}
	// What is not told any more: an alarm is cleared, an adjacency is gone.
	for what := range w.last {
		if _, still := now[what]; !still && what.kind == device.EventAlarm {
			now[what] = ""
		} else if !still && what.kind == device.EventAdjacency {
			now[what] = "down"
		}
	}
	order := make([]told, 0, len(now))
	for what := range now {
		order = append(order, what)
	}
	slices.SortFunc(order, func(a, b told) int {
		return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.object, b.object), cmp.Compare(a.aspect, b.aspect))
	})
	for _, what := range order {
		w.tell(what, now[what], at)
	}
	return nil
}

func supplyWord(oper string) string {
	if oper == state.OperActive {
		return "ok"
	}
	return "power supply is " + oper
}

// readNotification reads what a notification says of an adjacency by itself:
// OSPF's and BFD's by their standards, any by our own module. Source: RFC 9129,
// nbr-state-change; RFC 9314, singlehop-notification and multihop-notification.
func readNotification(n *element.Node) []notice {
	adjacency := func(protocol, neighbour, up string) []notice {
		if neighbour == "" || up == "" {
			return nil
		}
		return []notice{{what: told{device.EventAdjacency, protocol + " " + neighbour, ""}, now: up}}
	}
	word := func(state *element.Node, good string) string {
		switch state.Value() {
		case "":
			return ""
		case good:
			return "up"
		}
		return "down"
	}
	for _, k := range n.Kids {
		switch {
		case k.Is(nsOSPF, "nbr-state-change"):
			if k.Kid("state").Value() != "2-way" { // which may be as it should be
				return adjacency(state.OSPFv2, k.Kid("neighbor-router-id").Value(), word(k.Kid("state"), "full"))
			}
		case k.Is(nsBFDSingle, "singlehop-notification"), k.Is(nsBFDMulti, "multihop-notification"):
			return adjacency(state.BFD, k.Kid("dest-addr").Value(), word(k.Kid("new-state"), "up"))
		case k.Is(nsSoftware, "adjacency-change"):
			return adjacency(k.Kid("protocol").Value(), k.Kid("neighbour").Value(), k.Kid("state").Value())
		}
	}
	return nil
}
