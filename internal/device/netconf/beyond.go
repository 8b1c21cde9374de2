//nolint:misspell // the words of the OpenConfig models
package netconf

import (
	"time"

	"towpath/internal/element"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// bgp reads OpenConfig's neighbours. A hold time that was negotiated holds for
// both ends. Source: RFC 4271 §4.2.
func (r *reading) bgp(data *element.Node) {
	for _, ni := range data.In(ocInstance, "network-instances").All("network-instance") {
		for _, p := range ni.Kid("protocols").All("protocol") {
			for _, n := range p.At("bgp", "neighbors").All("neighbor") {
				st := n.Kid("state")
				a := r.adjacency(state.BGP, ni.Kid("name").Value(), "", n.Kid("neighbor-address").Value())
				if a.State = localOpt(st.Kid("session-state")); a.State.Known() {
					a.Up = state.Some(a.State.Or("") == "ESTABLISHED")
				}
				a.Transition = number[uint64](st.Kid("established-transitions"))
				if a.Up.Or(false) {
					a.Since = epoch(st.Kid("last-established"))
				}
				timers := n.At("timers", "state")
				hold := span(timers.Kid("negotiated-hold-time"), time.Second)
				keep := span(timers.Kid("keepalive-interval"), time.Second)
				if h, ok := hold.Get(); ok {
					a.Timers.OwnDetect, a.Timers.NeighbourDetect = hold, hold
					// Source: RFC 4271 §4.4: a third of the hold time at most.
					if k, ok := keep.Get(); ok && h > 0 {
						a.Timers.Send = state.Some(min(k, h/3))
					}
				}
				g := n.At("graceful-restart", "state")
				a.Restart.Own = yes(g.Kid("enabled"))
				if t, ok := span(g.Kid("peer-restart-time"), time.Second).Get(); ok && t > 0 {
					a.Restart.Time = state.Some(t)
				}
				a.BFD.Protected = yes(n.At("enable-bfd", "state", "enabled"))
				total, any := uint64(0), false
				for _, f := range n.Kid("afi-safis").All("afi-safi") {
					if c, ok := number[uint64](f.At("state", "prefixes", "received")).Get(); ok {
						total, any = total+c, true
					}
				}
				if any {
					a.Prefixes = state.Some(total)
				}
			}
		}
	}
}

// The times of link aggregation. Source: IEEE 802.1AX-2020 §6.4.4.
const (
	lacpFast, lacpSlow   = time.Second, 30 * time.Second
	lacpShort, lacpLong  = 3 * time.Second, 90 * time.Second
	inSync, shortTimeout = "IN_SYNC", "SHORT"
)

// lacp reads OpenConfig's members; IEEE's own module is not asked for.
func (r *reading) lacp(data *element.Node) {
	for _, i := range data.In(ocLACP, "lacp").Kid("interfaces").All("interface") {
		g := r.group(i.Kid("name").Value())
		g.Interval = text(i.At("state", "interval"))
		for _, n := range i.Kid("members").All("member") {
			st := n.Kid("state")
			m := r.member(g, n.Kid("interface").Value())
			m.OwnTimeout = localOpt(st.Kid("timeout"))
			if v := localOpt(st.Kid("synchronization")); v.Known() {
				m.Synchronized = state.Some(v.Or("") == inSync)
			}
			m.Collecting, m.Distributing = yes(st.Kid("collecting")), yes(st.Kid("distributing"))
			m.PartnerID = text(st.Kid("partner-id"))
			a := r.adjacency(state.LACP, theInstance, m.Interface, m.PartnerID.Or(""))
			sync, ok1 := m.Synchronized.Get()
			col, ok2 := m.Collecting.Get()
			dis, ok3 := m.Distributing.Get()
			if ok1 && ok2 && ok3 {
				a.Up = state.Some(sync && col && dis)
			}
			a.Since = epoch(st.Kid("last-change"))
			if v, ok := m.OwnTimeout.Get(); ok {
				a.Timers.OwnDetect, a.Timers.NeighbourSend = state.Some(lacpLong), state.Some(lacpSlow)
				if v == shortTimeout {
					a.Timers.OwnDetect, a.Timers.NeighbourSend = state.Some(lacpShort), state.Some(lacpFast)
				}
			}
		}
	}
}

// changed reads when the configuration changed last.
func (r *reading) changed(data *element.Node) {
	r.Configuration.Changed = epoch(data.In(ocSystem, "system").At("state", "last-configuration-timestamp"))
}

// aggregation reads what OpenConfig tells of aggregates.
func (r *reading) aggregation(data *element.Node) {
	for _, i := range data.In(ocInterfaces, "interfaces").All("interface") {
		if n := i.In(ocAggregate, "aggregation"); n.At("state", "min-links") != nil {
			r.least[i.Kid("name").Value()] = n
			r.group(i.Kid("name").Value())
		}
	}
}

// lldp reads OpenConfig's neighbours. Source: IEEE 802.1AB-2016 §9.2.5: what a
// neighbour tells holds for its time to live.
func (r *reading) lldp(data *element.Node) {
	top := data.In(ocLLDP, "lldp")
	for _, i := range top.Kid("interfaces").All("interface") {
		for _, n := range i.Kid("neighbors").All("neighbor") {
			st := n.Kid("state")
			id := st.Kid("chassis-id").Value()
			if id == "" {
				id = n.Kid("id").Value()
			}
			a := r.adjacency(state.LLDP, theInstance, i.Kid("name").Value(), id)
			a.Peer, a.Up = text(st.Kid("system-name")), state.Some(true)
			a.PeerPort = text(st.Kid("port-id"))
			a.Timers.Send = span(top.At("state", "hello-timer"), time.Second)
			a.Timers.NeighbourDetect = span(top.At("state", "ttl"), time.Second)
		}
	}
}

// trees reads OpenConfig's rapid spanning tree.
func (r *reading) trees(data *element.Node) {
	st := data.In(ocTrees, "stp").At("rstp", "state")
	if st == nil {
		return
	}
	t := state.SpanningTree{Instance: "rstp", Changes: number[uint64](st.Kid("topology-changes")), LastChange: epoch(st.Kid("last-topology-change")),
		Hello: span(st.Kid("hello-time"), time.Second), MaxAge: span(st.Kid("max-age"), time.Second), Delay: span(st.Kid("forwarding-delay"), time.Second)}
	if root := st.Kid("designated-root-address").Value(); root != "" {
		t.RootID = state.Some(st.Kid("designated-root-priority").Value() + "." + root)
		if own := st.Kid("bridge-address").Value(); own != "" {
			t.Root = state.Some(own == root)
		}
	}
	r.SpanningTrees = append(r.SpanningTrees, t)
}

// factAdjacencies reads the device's own account of its adjacencies, which says
// most; what it says goes before what was derived.
func (r *reading) factAdjacencies(data *element.Node) {
	for _, n := range data.In(nsFacts, "facts").All("adjacency") {
		v := func(name string) *element.Node { return n.Kid(name) }
		dur := func(name string) state.Opt[time.Duration] {
			if d, ok := span(v(name), 1).Get(); ok && d > 0 {
				return state.Some(d)
			}
			return state.Opt[time.Duration]{}
		}
		a := r.adjacency(v("protocol").Value(), v("instance").Value(), v("interface").Value(), v("neighbour").Value())
		a.Peer, a.State, a.Up = known(text(v("peer")), a.Peer), known(text(v("state")), a.State), known(yes(v("up")), a.Up)
		a.Since, a.Transition = known(epoch(v("since")), a.Since), known(number[uint64](v("transitions")), a.Transition)
		a.Role, a.Priority = known(text(v("role")), a.Role), known(number[int](v("priority")), a.Priority)
		a.Prefixes, a.Implement = known(number[uint64](v("prefixes")), a.Prefixes), known(text(v("implementation")), a.Implement)
		t := &a.Timers
		t.Send, t.NeighbourSend = known(dur("send"), t.Send), known(dur("neighbour-send"), t.NeighbourSend)
		t.NeighbourDetect, t.OwnDetect = known(dur("neighbour-detect"), t.NeighbourDetect), known(dur("own-detect"), t.OwnDetect)
		g := &a.Restart
		g.Nonstop, g.Own, g.Helper = known(yes(v("nonstop")), g.Nonstop), known(yes(v("restart-own")), g.Own), known(yes(v("restart-helper")), g.Helper)
		g.Time = known(dur("restart-time"), g.Time)
		g.ForwardingKept, g.Notification = known(yes(v("forwarding-kept")), g.ForwardingKept), known(yes(v("notification")), g.Notification)
		g.StrictLSAChecks = known(yes(v("strict-lsa-checks")), g.StrictLSAChecks)
		b := &a.BFD
		b.Session = known(text(v("bfd-session")), b.Session)
		if a.Protocol != state.BFD {
			b.Protected = known(b.Protected, state.Some(b.Session.Known()))
		}
		b.Independent, b.Offloaded = known(yes(v("bfd-independent")), b.Independent), known(yes(v("bfd-offloaded")), b.Offloaded)
		b.Multiplier = known(number[int](v("multiplier")), b.Multiplier)
		if p, ok := text(v("partner-timeout")).Get(); ok {
			for _, group := range r.groups {
				for i := range group.Members {
					if group.Members[i].Interface == a.Interface {
						group.Members[i].PartnerTimeout = state.Some(p)
					}
				}
			}
		}
	}
}

// facts reads the rest of our own module.
func (r *reading) facts(data *element.Node) {
	f := data.In(nsFacts, "facts")
	r.Boot = nil // told here more completely
	for _, n := range f.All("boot") {
		r.Boot = append(r.Boot, state.BootEntry{Controller: n.Kid("controller").Value(), Version: text(n.Kid("next-version")), Image: text(n.Kid("next-image")), Volume: text(n.Kid("volume"))})
	}
	size := func(n *element.Node) state.Opt[unit.ByteSize] {
		if v, ok := number[uint64](n).Get(); ok {
			return state.Some(unit.ByteSize(min(v, 1<<62)))
		}
		return state.Opt[unit.ByteSize]{}
	}
	for _, n := range f.All("volume") {
		r.Volumes = append(r.Volumes, state.Volume{Controller: n.Kid("controller").Value(), Mount: n.Kid("name").Value(), Size: size(n.Kid("size")),
			Available: size(n.Kid("available")), ReadOnly: yes(n.Kid("read-only")), Default: yes(n.Kid("default"))})
	}
	c := f.Kid("configuration")
	r.Configuration.Digest, r.Configuration.Unsaved = text(c.Kid("digest")), yes(c.Kid("unsaved"))
	r.Configuration.Backup = epoch(c.Kid("last-backup"))
	if h := c.Kid("lock-holder"); h != nil {
		r.Configuration.Locked = state.Some(h.Value())
	}
	r.Power.Redundant = yes(f.At("power", "redundant"))
	for _, n := range f.Kid("power").All("feed") {
		r.Power.Feeds = append(r.Power.Feeds, state.Feed{Name: n.Kid("name").Value(), OK: yes(n.Kid("ok"))})
	}
	r.CrashKnown = f.At("crash", "count") != nil
	for _, n := range f.Kid("crash").All("file") {
		r.CrashFiles = append(r.CrashFiles, state.File{Path: n.Kid("path").Value(), Size: size(n.Kid("size")).Or(0), Modified: epoch(n.Kid("modified"))})
	}
	r.Maintenance = yes(f.At("maintenance", "enabled"))
	r.MACs, r.ARPs, r.NDs = number[uint64](f.At("tables", "macs")), number[uint64](f.At("tables", "arps")), number[uint64](f.At("tables", "nds"))
	for _, n := range f.All("feature") {
		if n.Kid("in-use").Value() == "true" {
			r.Features = append(r.Features, n.Kid("name").Value())
		}
	}
	for _, n := range f.All("logical-network-element") {
		r.LogicalNetworkElements = append(r.LogicalNetworkElements, state.LogicalNetworkElement{Name: n.Kid("name").Value(), Oper: localOpt(n.Kid("oper-status"))})
	}
	r.Clock.Synced = yes(f.At("clock", "synchronised"))
}
