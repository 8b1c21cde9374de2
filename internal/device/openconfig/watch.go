//nolint:misspell // the words of the OpenConfig models
package openconfig

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	"google.golang.org/grpc/codes"

	"towpath/internal/device"
	"towpath/internal/state"
)

// told is what an object says of itself: one event's kind, object and state.
type told struct {
	kind   device.EventKind
	object string
	aspect string // tells apart what one object says of several things
	now    string
}

// watchGroup is one kind of object that is watched, with one subscription each,
// so that a device that does not serve one of them loses no other. parts are
// the leaves below base that tell makes the object's events from; a part that
// the device has not told is the empty string.
type watchGroup struct {
	name   string
	origin string
	base   string
	parts  []string
	tell   func(keys []string, part map[string]string) []told
}

// watchGroups is everything that is watched.
var watchGroups = []watchGroup{
	{"components", "", "/components/component[name]/state", []string{"type", "oper-status", "redundant-role"}, tellComponent},
	{"interfaces", "", "/interfaces/interface[name]/state", []string{"oper-status"}, func(k []string, p map[string]string) []told {
		return []told{{kind: device.EventInterface, object: k[0], now: local(p["oper-status"])}}
	}},
	{"BGP sessions", "", bgpNeighbour + "/state", []string{"session-state"}, tellSession(state.BGP, 3, "session-state", "ESTABLISHED")},
	{"OSPF adjacencies", "", ospfIface + "/neighbors/neighbor[router-id]/state", []string{"adjacency-state"}, tellSession(state.OSPFv2, 5, "adjacency-state", "FULL", "TWO_WAY")},
	{"IS-IS adjacencies", "", isisLevel + "/adjacencies/adjacency[system-id]/state", []string{"adjacency-state"}, tellSession(state.ISIS, 5, "adjacency-state", "UP")},
	{"LDP sessions", "", ldpPath + "/neighbors/neighbor[lsr-id][label-space-id]/state", []string{"session-state"}, tellSession(state.LDP, 1, "session-state", "OPERATIONAL")},
	{"BFD sessions", "", bfdPath + "/peers/peer[local-discriminator]/state", []string{"remote-address", "session-state"}, func(_ []string, p map[string]string) []told {
		return session(state.BFD, p["remote-address"], p["session-state"], "UP")
	}},
	{"adjacencies", facts, "/facts/adjacency[id]", []string{"protocol", "neighbour", "up"}, func(_ []string, p map[string]string) []told {
		return session(p["protocol"], p["neighbour"], p["up"], "true")
	}},
	{"configuration time", "", "/system/state", []string{"last-configuration-timestamp"}, func(_ []string, p map[string]string) []told {
		at, _, err := asTime(p["last-configuration-timestamp"], epochNanos)
		if err != nil || at.IsZero() {
			return nil
		}
		return []told{{kind: device.EventConfiguration, object: "time", now: at.Format(time.RFC3339Nano)}}
	}},
	{"configuration digest", facts, "/facts/configuration", []string{"digest"}, func(_ []string, p map[string]string) []told {
		return []told{{kind: device.EventConfiguration, object: "digest", now: p["digest"]}}
	}},
	{"spanning tree", "", "/stp/rstp/state", []string{"topology-changes"}, func(_ []string, p map[string]string) []told {
		return []told{{kind: device.EventTopology, object: "rstp", now: p["topology-changes"]}}
	}},
	{"spanning trees of regions", "", "/stp/mstp/mst-instances/mst-instance[mst-id]/state", []string{"topology-changes"}, func(k []string, p map[string]string) []told {
		return []told{{kind: device.EventTopology, object: "mst " + k[0], now: p["topology-changes"]}}
	}},
	{"spanning trees of VLANs", "", "/stp/rapid-pvst/vlan[vlan-id]/state", []string{"topology-changes"}, func(k []string, p map[string]string) []told {
		return []told{{kind: device.EventTopology, object: "vlan " + k[0], now: p["topology-changes"]}}
	}},
	{"alarms", "", "/system/alarms/alarm[id]/state", []string{"severity", "text"}, func(k []string, p map[string]string) []told {
		return []told{{kind: device.EventAlarm, object: k[0], now: strings.TrimSpace(local(p["severity"]) + " " + p["text"])}}
	}},
	{"power feeds", facts, "/facts/power/feed[name]", []string{"ok"}, func(k []string, p map[string]string) []told {
		word := map[string]string{"true": "ok", "false": "no power on the feed"}[p["ok"]]
		return []told{{kind: device.EventPower, object: k[0], now: word}}
	}},
}

func tellComponent(k []string, p map[string]string) []told {
	oper, role := local(p["oper-status"]), local(p["redundant-role"])
	out := []told{
		{kind: device.EventComponent, object: k[0], aspect: "oper", now: oper},
		{kind: device.EventComponent, object: k[0], aspect: "role", now: role},
	}
	if local(p["type"]) == state.KindPowerSupply && oper != "" {
		word := "ok"
		if oper != state.OperActive {
			word = "power supply is " + oper
		}
		out = append(out, told{kind: device.EventPower, object: k[0], now: word})
	}
	return out
}

// session is an adjacency's event from the protocol's own word.
func session(protocol, neighbour, word, up string, undecided ...string) []told {
	word = local(word)
	if protocol == "" || neighbour == "" || word == "" || slices.Contains(undecided, word) {
		return nil
	}
	now := "down"
	if word == up {
		now = "up"
	}
	return []told{{kind: device.EventAdjacency, object: protocol + " " + neighbour, now: now}}
}

func tellSession(protocol string, neighbour int, part, up string, undecided ...string) func([]string, map[string]string) []told {
	return func(k []string, p map[string]string) []told {
		return session(protocol, k[neighbour], p[part], up, undecided...)
	}
}

// Watch tells of every change until ctx ends or the connection breaks. What the
// device does not serve on change is sampled every second; what it does not
// serve at all is left out, with a warning in the log.
func (d *Driver) Watch(ctx context.Context, f func(device.Event)) error {
	const op = "watch"
	if err := d.connect(ctx, op); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	var wait sync.WaitGroup
	defer wait.Wait()
	defer cancel()
	w := &watcher{out: f, known: map[string]reported{}}
	messages := make(chan watchMessage)
	waiting := 0
	for _, g := range watchGroups {
		if g.origin == facts && d.cfg.FactsOrigin == "" {
			continue
		}
		tracked, err := newTracked(g)
		if err != nil {
			return ours(op, err)
		}
		waiting++
		wait.Add(1)
		go func() {
			defer wait.Done()
			d.watchGroup(ctx, tracked, func(m watchMessage) bool {
				m.group = tracked
				select {
				case messages <- m:
					return true
				case <-ctx.Done():
					return false
				}
			})
		}()
	}
	for {
		var m watchMessage
		select {
		case m = <-messages:
		case <-ctx.Done():
			return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
		}
		g := m.group
		ready := false
		switch {
		case m.err != nil && !ownVerdict(m.err):
			return d.fault(ctx, op, m.err)
		case m.err != nil:
			d.log.Warn("not watched", "what", g.name, "reason", reason(m.err))
			ready = true
		case m.synced:
			ready = true
			for _, o := range sortedObjects(g.objects) {
				w.tell(g, o)
			}
		default:
			changed := g.take(m.note)
			if g.synced {
				for _, o := range changed {
					w.tell(g, o)
				}
			}
		}
		if ready && !g.synced {
			g.synced = true
			if waiting--; waiting == 0 {
				f(device.Event{Kind: device.EventSynced, At: w.latest})
			}
		}
	}
}

// watchMessage is one step of a subscription: a notification, the end of the
// initial state, or the error that ended it.
type watchMessage struct {
	group  *tracked
	note   *gnmipb.Notification
	synced bool
	err    error
}

// watchGroup subscribes, on change where the device does that and sampled
// otherwise.
func (d *Driver) watchGroup(ctx context.Context, g *tracked, send func(watchMessage) bool) {
	err := d.follow(ctx, g, gnmipb.SubscriptionMode_ON_CHANGE, send)
	if code := codeOf(err); code == codes.InvalidArgument || code == codes.Unimplemented {
		err = d.follow(ctx, g, gnmipb.SubscriptionMode_SAMPLE, send)
	}
	if errors.Is(err, io.EOF) {
		err = &device.Fault{Kind: device.Unreachable, Op: "watch", Text: "the device ended the subscription"}
	}
	send(watchMessage{err: d.fault(ctx, "watch", err)})
}

func (d *Driver) follow(ctx context.Context, g *tracked, mode gnmipb.SubscriptionMode, send func(watchMessage) bool) error {
	stream, err := d.gnmi.Subscribe(ctx)
	if err != nil {
		return err
	}
	list := &gnmipb.SubscriptionList{Mode: gnmipb.SubscriptionList_STREAM, Encoding: gnmipb.Encoding_JSON_IETF}
	for _, p := range g.ask {
		s := &gnmipb.Subscription{Path: wildcard(d.origin(g.origin), p), Mode: mode}
		if mode == gnmipb.SubscriptionMode_SAMPLE {
			s.SampleInterval = uint64(time.Second)
			s.SuppressRedundant = true
		}
		list.Subscription = append(list.Subscription, s)
	}
	err = stream.Send(&gnmipb.SubscribeRequest{Request: &gnmipb.SubscribeRequest_Subscribe{Subscribe: list}})
	if err != nil && !errors.Is(err, io.EOF) { // at EOF the answer carries the reason
		return err
	}
	for {
		r, err := stream.Recv()
		if err != nil {
			return err
		}
		if !send(watchMessage{note: r.GetUpdate(), synced: r.GetSyncResponse()}) {
			return ctx.Err()
		}
	}
}

// tracked is a group with what the device has told of its objects.
type tracked struct {
	watchGroup
	root    *node[string] // leads to the names of parts
	ask     [][]step
	keys    int // keys of an object
	objects map[string]*object
	synced  bool
}

// object is what the device has told of one object.
type object struct {
	keys  []string
	parts map[string]string
	at    map[string]int64 // device's time of each part
	last  int64
}

func newTracked(g watchGroup) (*tracked, error) {
	t := &tracked{watchGroup: g, root: &node[string]{}, objects: map[string]*object{}}
	for _, p := range g.parts {
		steps, err := parsePattern(g.base + "/" + p)
		if err != nil {
			return nil, err
		}
		if err := t.root.add(steps, p); err != nil {
			return nil, err
		}
		t.keys = 0
		for _, s := range steps {
			t.keys += len(s.keys)
		}
		t.ask = append(t.ask, steps)
	}
	return t, nil
}

// take applies a notification and returns the objects that it touched.
func (t *tracked) take(n *gnmipb.Notification) []*object {
	touched := map[string]*object{}
	if n == nil {
		return nil
	}
	at := n.GetTimestamp()
	deletes := n.GetDelete()
	if n.GetAtomic() {
		// Source: gNMI specification §2.1.1: an atomic notification replaces
		// everything below its prefix.
		deletes = append(slices.Clone(deletes), &gnmipb.Path{})
	}
	for _, d := range deletes {
		t.remove(n.GetPrefix(), d, at, touched)
	}
	for _, u := range n.GetUpdate() {
		// A value that cannot be read tells nothing.
		_ = decode(t.root, n.GetPrefix(), u.GetPath(), u.GetVal(), func(leaf *node[string], keys []string, v any) {
			text, err := asText(v, plain)
			if err != nil {
				return
			}
			id := joined(keys)
			o := t.objects[id]
			if o == nil {
				o = &object{keys: slices.Clone(keys), parts: map[string]string{}, at: map[string]int64{}}
				t.objects[id] = o
			}
			for _, p := range leaf.leaves {
				if at < o.at[p] {
					continue // older than what is known
				}
				o.parts[p], o.at[p] = text, at
				o.last = max(o.last, at)
				touched[id] = o
			}
		})
	}
	return sortedObjects(touched)
}

// sortedObjects are the objects in the order of their keys.
func sortedObjects(m map[string]*object) []*object {
	ids := make([]string, 0, len(m))
	for id := range m {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	out := make([]*object, 0, len(ids))
	for _, id := range ids {
		out = append(out, m[id])
	}
	return out
}

// remove forgets what a deleted path held.
func (t *tracked) remove(prefix, path *gnmipb.Path, at int64, touched map[string]*object) {
	elems := slices.Concat(prefix.GetElem(), path.GetElem())
	where, keys, _ := t.root.descend(elems, nil)
	if where == nil {
		return
	}
	gone := map[string]bool{}
	var below func(n *node[string])
	below = func(n *node[string]) {
		for _, p := range n.leaves {
			gone[p] = true
		}
		for _, c := range n.children {
			below(c)
		}
	}
	below(where)
	for id, o := range t.objects {
		if !slices.Equal(o.keys[:len(keys)], keys) {
			continue
		}
		for p := range gone {
			if _, ok := o.parts[p]; ok && at >= o.at[p] {
				delete(o.parts, p)
				o.at[p] = at
				o.last = max(o.last, at)
				touched[id] = o
			}
		}
	}
}

// watcher turns what objects say into events, each change once, even where
// several objects speak of the same thing: two models of one session, or the
// links of one neighbour.
type watcher struct {
	out    func(device.Event)
	known  map[string]reported
	latest time.Time
}

// reported is what was last reported of one aspect of a thing, and who says
// what of it now.
type reported struct {
	told
	at   int64
	says map[string]string
}

// tell reports what follows from an object's parts.
func (w *watcher) tell(g *tracked, o *object) {
	by := g.name + "\x00" + joined(o.keys)
	at := time.Unix(0, o.last).UTC()
	if at.After(w.latest) {
		w.latest = at
	}
	ids := []string{}
	for _, t := range g.tell(o.keys, o.parts) {
		id := fmt.Sprintf("%d\x00%s\x00%s", t.kind, t.object, t.aspect)
		r, seen := w.known[id]
		if t.now == "" && !seen {
			continue
		}
		if !seen {
			r = reported{says: map[string]string{}}
		}
		r.says[by] = t.now
		r.kind, r.object, r.aspect = t.kind, t.object, t.aspect
		w.known[id] = r
		w.settle(id, t.now, o.last, at)
		ids = append(ids, id)
	}
	if len(o.parts) > 0 {
		return
	}
	// The object is gone, and with it all that it said.
	delete(g.objects, joined(o.keys))
	gone := []string{}
	for id, r := range w.known {
		if _, said := r.says[by]; said && !slices.Contains(ids, id) {
			gone = append(gone, id)
		}
	}
	slices.Sort(gone)
	for _, id := range gone {
		delete(w.known[id].says, by)
		w.settle(id, "", o.last, at)
	}
}

// settle reports the state of a thing where it has changed. An adjacency is
// down as long as anybody says so, and when nobody speaks of it any more.
func (w *watcher) settle(id, now string, last int64, at time.Time) {
	r := w.known[id]
	if last < r.at {
		return // older than what was reported
	}
	if r.kind == device.EventAdjacency {
		now = "down"
		for _, s := range r.says {
			now = s
			if s == "down" {
				break
			}
		}
	}
	if now == r.now {
		return
	}
	w.out(device.Event{Kind: r.kind, At: at, Object: r.object, Was: r.now, Now: now})
	r.now, r.at = now, last
	w.known[id] = r
}
