package survival

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"time"

	"towpath/internal/state"
)

// The protocols of adjacencies that survival knows besides those of package
// state.
const (
	IGMP = "igmp" // the querier of a LAN
	MLD  = "mld"  // the same for IPv6
	EVPN = "evpn" // the designated forwarder of an Ethernet segment
)

// relation is one adjacency as the engine sees it.
type relation struct {
	protocol, instance, iface, neighbour, peer string

	own      own
	mode     mode
	carries  bool
	down     bool       // it was not up when the capture was taken
	back     [2]float64 // from the device's return to traffic back, seconds
	kept     [2]float64 // loss of a graceful restart that goes well, seconds
	keptDown bool       // the silence itself is lost besides
	given    [2]float64 // earliest and latest instant of a silence at which traffic goes, if it is lost
	pace     float64    // hello interval, seconds
	inputs   []Input
	cautions []string
	fixed    string  // why, where no timer decides
	assumed  bool    // nobody told the timers
	grants   float64 // of a restart that is helped: what the neighbour grants, seconds
	reopens  float64 // and when the session is back at the latest
	source   string
	selfSrc  string
	adj      state.Adjacency // as it was told, for advice
	node     int             // its event with all it stands on
	inner    int             // the same without its domain
}

func (r *relation) name() string { return nameOf(r.protocol, r.instance, r.iface, r.neighbour) }

// mode is how the device keeps an adjacency over its silence.
type mode uint8

const (
	frozen   mode = iota // its state is kept
	graceful             // it restarts, and the neighbour helps
	cold                 // it restarts, and the neighbour does not help
)

// node is an adjacency, or a gate that only joins others (relation -1).
type node struct {
	relation int
	title    string // of a gate
	needs    []need
}

// need says that at least so many of some nodes must live.
type need struct {
	atLeast int
	of      []int
}

// system is a capture made ready for the engine.
type system struct {
	relations []relation
	nodes     []node
	assumed   map[assumption]int
	cautions  []string
	resume    tri // how much longer than told the silence seems to everybody
}

type assumption struct{ protocol, name, value, source string }

// compiler turns a capture into a system.
type compiler struct {
	system
	capture *state.Capture
	options Options
	prof    *Profiles
	roles   map[[2]string]role
	lates   map[string]*shifts
	pairs   map[pair]*shifts
	anys    map[string]int // gates by their members
}

// pair names who judges whom, and whether the judge has slept.
type pair struct {
	protocol, judge, sender string
	slept                   bool
}

func compile(c *state.Capture, o Options) *system {
	k := newCompiler(c, o)
	n := len(c.Adjacencies) + len(c.Adjacencies)/4 // and those that only aggregates tell of
	k.relations, k.nodes = make([]relation, 0, n), make([]node, 0, 2*n)
	for _, a := range c.Adjacencies {
		k.add(a)
	}
	k.addMembers()
	k.addTrees()
	k.layers()
	return &k.system
}

func newCompiler(c *state.Capture, o Options) *compiler {
	k := &compiler{
		capture: c, options: o, prof: o.Profiles, roles: map[[2]string]role{},
		lates: map[string]*shifts{}, pairs: map[pair]*shifts{}, anys: map[string]int{},
	}
	k.assumed, k.resume = map[assumption]int{}, triOf(o.ResumeDelay)
	if k.prof == nil {
		k.prof = builtin()
	}
	return k
}

func (k *compiler) role(protocol, daemon string) role {
	key := [2]string{protocol, daemon}
	r, ok := k.roles[key]
	if !ok {
		r = k.prof.role(protocol, daemon)
		k.roles[key] = r
	}
	return r
}

// lateness is how much later than due the judge acts, less how much later than
// due the hello leaves. A judge that has slept acts at once when it wakes.
func (k *compiler) lateness(protocol, judge, sender string, slept bool) *shifts {
	key := pair{protocol, judge, sender, slept}
	s, ok := k.pairs[key]
	if !ok {
		late := k.role(protocol, judge).Late
		if slept {
			late = k.role(protocol, judge).SelfLate
		}
		s = k.intern(late, k.role(protocol, sender).HelloLate)
		k.pairs[key] = s
	}
	return s
}

func (k *compiler) intern(late, hello []Late) *shifts {
	if len(late) == 0 && len(hello) == 0 {
		return nil
	}
	id := fmt.Sprint(late, hello)
	if s, ok := k.lates[id]; ok {
		return s
	}
	none := []Late{{0, 1}}
	if len(late) == 0 {
		late = none
	}
	if len(hello) == 0 {
		hello = none
	}
	sum := map[time.Duration]float64{}
	for _, l := range late {
		for _, h := range hello {
			sum[l.By-h.By] += l.Weight * h.Weight
		}
	}
	s := &shifts{}
	for by, w := range sum {
		s.rows = append(s.rows, shift{by.Seconds(), w})
	}
	slices.SortFunc(s.rows, func(a, b shift) int {
		if a.by < b.by {
			return -1
		}
		return 1
	})
	s.lo, s.hi = s.rows[0].by, s.rows[len(s.rows)-1].by
	k.lates[id] = s
	return s
}

// daemons are what the two ends of an adjacency run. An adjacency that names
// two, such as "frr-bird", names the device's first; one name alone is the
// neighbour's where the device's is known otherwise, and both ends' where not.
func (k *compiler) daemons(a state.Adjacency) (device, neighbour string) {
	told := a.Implement.Or("")
	if left, right, two := strings.Cut(told, "-"); two && (k.daemon(left) || k.daemon(right)) {
		return left, right
	}
	if k.options.Implementation != "" {
		return k.options.Implementation, told
	}
	return told, told
}

func (k *compiler) daemon(name string) bool {
	_, ok := k.prof.daemon(name)
	return ok
}

// note records an input and, where it is assumed, the assumption.
func (k *compiler) note(r *relation, name, value string, assumed bool, source string) {
	r.inputs = append(r.inputs, Input{name, value, assumed, source})
	if assumed {
		k.assumed[assumption{r.protocol, name, value, source}]++
	}
}

func (k *compiler) add(a state.Adjacency) {
	r := relation{
		protocol: a.Protocol, instance: a.Instance, iface: a.Interface, neighbour: a.Neighbour,
		peer: a.Peer.Or(""), adj: a, node: len(k.nodes), inner: len(k.nodes),
	}
	if _, ok := k.prof.Protocols[a.Protocol]; !ok {
		r.fixed = "nothing is known of this protocol's timers"
		r.source = "none"
		r.cautions = append(r.cautions, fmt.Sprintf("%q is no protocol that survival knows (%s); it is taken to live", a.Protocol, strings.Join(k.prof.protocols(), ", ")))
	} else {
		k.fill(&r, a)
	}
	k.nodes = append(k.nodes, node{relation: len(k.relations)})
	k.relations = append(k.relations, r)
}

// timers are the timers of one direction.
type timers struct {
	send, detect     time.Duration
	sendSrc, detSrc  string
	sendTold, detOwn bool // told by the device
}

// fill works out everything about an adjacency that needs no other.
func (k *compiler) fill(r *relation, a state.Adjacency) {
	device, neighbour := k.daemons(a)
	dev, nbr := k.role(a.Protocol, device), k.role(a.Protocol, neighbour)
	for _, d := range []role{dev, nbr} {
		if d.daemon != "" && !d.known {
			c := fmt.Sprintf("how %q behaves in %s was never measured here; the standard's behaviour is taken", d.daemon, a.Protocol)
			if !slices.Contains(r.cautions, c) {
				r.cautions = append(r.cautions, c)
			}
		}
	}
	for _, d := range []role{dev, nbr} {
		if base, variant, varied := strings.Cut(d.daemon, "+"); d.known && varied && d.variant == "" {
			r.cautions = append(r.cautions, fmt.Sprintf("nothing is known of %q restarted as %q in %s; it is taken as usual", base, variant, a.Protocol))
		}
	}
	r.carries = *dev.Carries
	out, back := k.timers(a, dev, nbr)
	r.pace = out.send.Seconds()
	if a.Protocol == EVPN { // its election has no hellos
		k.unheard(r, a)
		r.own, r.back = own{fate: alive}, span(dev.Return, dev.ReturnHellos, 0)
		if up, known := a.Up.Get(); known && !up {
			r.downBefore()
		}
		return
	}
	designated := a.Protocol == state.ISIS && strings.EqualFold(a.Role.Or(""), "dis") && !dev.known
	k.note(r, "hello interval", out.send.String(), !out.sendTold, out.sendSrc)
	if j := or(dev.Jitter, [2]float64{1, 1}); j[0] != 1 && !designated {
		k.note(r, "hello jitter", fmt.Sprintf("%.0f to %.0f %%", 100*j[0], 100*j[1]), false, dev.source("jitter"))
	}
	detect := out.detect.String()
	if out.detect == 0 {
		detect = "never"
	}
	k.note(r, "neighbour gives up after", detect, !out.detOwn, out.detSrc)
	if nbr.DetectShare != nil {
		s := *nbr.DetectShare
		k.note(r, "of which really", fmt.Sprintf("%.0f to %.0f %%", 100*s[0], 100*s[1]), false, nbr.source("detect-share"))
	}
	if nbr.DetectOffset != nil {
		s := *nbr.DetectOffset
		k.note(r, "which is really off by", fmt.Sprintf("%v to %v", s[0], s[1]), false, nbr.source("detect-offset"))
	}
	if len(nbr.Late) > 0 {
		k.note(r, "neighbour acts late by", fmt.Sprintf("up to %v", slices.MaxFunc(nbr.Late, func(a, b Late) int { return int(a.By - b.By) }).By), false, nbr.source("late"))
	}
	if out.detect > 0 && out.detect < out.send {
		r.cautions = append(r.cautions, fmt.Sprintf("the neighbour gives up after %v, and a hello comes each %v only: with these timers it does not stay up even while nobody is silent", out.detect, out.send))
	}
	if k.options.ResumeDelay != (Silence{}) {
		k.note(r, "resume delay", k.options.ResumeDelay.String(), false, "the caller")
	}
	r.source = out.detSrc
	if out.detOwn {
		r.source = "the device; " + dev.standard.Source
	}
	r.assumed = !out.sendTold && !out.detOwn
	r.back = span(dev.Return, dev.ReturnHellos, out.send)
	r.own.fate = waits
	r.own.nbr = k.side(out, dev, nbr, k.lateness(a.Protocol, neighbour, device, false), k.options.ResumeDelay)
	if designated && !r.own.nbr.forever {
		r.own.nbr.age.lo = r.own.nbr.age.hi
		k.note(r, "hello jitter of the designated system", "none", false, "RFC 1142, dRISISHelloTimer; RFC 4444 isisCircLevelDRHelloTimer")
	}
	r.own.dev = k.side(back, nbr, dev, k.lateness(a.Protocol, device, neighbour, !k.cut(dev)), Silence{})
	if up, known := a.Up.Get(); known && !up {
		r.downBefore()
		return
	}
	if k.unheard(r, a) {
		r.own = own{fate: alive}
		return
	}
	k.restart(r, a, dev, out)
	k.idle(r, dev, nbr)
	if r.mode != frozen {
		return
	}
	k.wake(r, a, dev, nbr, back)
}

// downBefore is the fate of what was down before the silence.
func (r *relation) downBefore() {
	r.down, r.carries = true, false
	r.own = own{fate: lost}
	r.fixed = "it was already down when the capture was taken"
}

// idle adds to the way back how long an end refuses the other after an error:
// the neighbour where its own timer can run out, and the device where it was
// there to be told so. A connection that TCP closes is no error.
// Source: RFC 4271 §8.1.1 and §8.2.2, events 10 and 18.
func (k *compiler) idle(r *relation, dev, nbr role) {
	most := 0.0
	add := func(of role, who string) {
		if of.IdleHold != nil && of.IdleHold[1] > 0 {
			most = max(most, of.IdleHold[1].Seconds())
			k.note(r, who+" refuses a session after an error for", fmt.Sprintf("%v to %v", of.IdleHold[0], of.IdleHold[1]), !of.known, of.source("idle-hold"))
		}
	}
	if r.mode == frozen || k.options.Notice != NoticeAtOnce {
		add(nbr, "neighbour")
	}
	if r.mode == frozen {
		add(dev, "device")
	}
	r.back[1] += most
	if dev.IdleHold != nil {
		k.note(r, "device opens the session itself", "yes", true, "RFC 4271 §8.2.2; one that only waits adds up to the neighbour's ConnectRetryTime, 120 s (§10)")
	}
}

// span is a pair of durations plus a pair of multiples of the hello interval.
func span(fixed *[2]time.Duration, hellos *[2]float64, hello time.Duration) [2]float64 {
	f, h := or(fixed, [2]time.Duration{}), or(hellos, [2]float64{})
	return [2]float64{f[0].Seconds() + h[0]*hello.Seconds(), f[1].Seconds() + h[1]*hello.Seconds()}
}

func (k *compiler) side(t timers, sender, judge role, late *shifts, resume Silence) side {
	if t.detect <= 0 {
		return side{forever: true}
	}
	j := or(sender.Jitter, [2]float64{1, 1})
	h, d := t.send.Seconds(), t.detect.Seconds()
	s := side{age: age{min(h*j[1], max(h*j[0], or(sender.LeastHello, 0).Seconds())), h * j[1]}, dlo: d, dhi: d, late: late, resume: triOf(resume)}
	if tick := or(sender.Tick, 0).Seconds(); tick > 0 && tick < h && j[0] == 1 && j[1] == 1 {
		s.age, s.held = age{tick, tick}, h-tick
	}
	if judge.DetectShare != nil {
		s.dlo, s.dhi = d*judge.DetectShare[0], d*judge.DetectShare[1]
	}
	if judge.DetectOffset != nil {
		s.dlo, s.dhi = max(0, d+judge.DetectOffset[0].Seconds()), max(0, d+judge.DetectOffset[1].Seconds())
	}
	return s
}

// negotiated are the protocols in which both ends wait equally long.
// Source: RFC 4271 §4.2, RFC 2328 §10.5, RFC 5340 §4.2.2, RFC 5036 §3.5.2,
// IEEE 802.1D-2004 clause 17.21.23 (the root's Hello Time counts everywhere).
func negotiated(protocol string) bool {
	switch protocol {
	case state.BGP, state.OSPFv2, state.OSPFv3, state.LDP, state.RSTP:
		return true
	}
	return false
}

// timers completes the timers of both directions: out is the neighbour judging
// the device, back the device judging the neighbour.
func (k *compiler) timers(a state.Adjacency, dev, nbr role) (out, back timers) {
	told := a.Timers
	const device = "the device"
	same := func(o state.Opt[time.Duration]) state.Opt[time.Duration] {
		if negotiated(a.Protocol) {
			return o
		}
		return state.Opt[time.Duration]{}
	}
	first := func(os ...state.Opt[time.Duration]) (time.Duration, bool) {
		for _, o := range os {
			if v, ok := o.Get(); ok {
				return v, true
			}
		}
		return 0, false
	}
	ratio := or(dev.Ratio, 3)
	over := func(d time.Duration) time.Duration { return time.Duration(float64(d) / ratio) }
	direction := func(send, detect state.Opt[time.Duration], sameSend, sameDetect state.Opt[time.Duration], s role) (t timers) {
		t.detect, t.detOwn = first(detect, sameDetect)
		t.send, t.sendTold = first(send, sameSend)
		t.sendSrc, t.detSrc = device, device
		if t.detOwn && t.detect == 0 && a.Protocol != state.BGP && a.Protocol != state.LDP {
			t.detOwn = false // only a hold time may be zero: RFC 4271 §4.2
		}
		if t.sendTold && t.send <= 0 {
			t.sendTold = false
		}
		hello, det := or(s.Hello, 0), or(s.Detect, 0)
		if a.Protocol == state.ISIS {
			// Source: RFC 1142, iSISHelloTimer 3 s and dRISISHelloTimer 1 s on a
			// LAN, multiplier 10; RFC 4444 isisCircLevelTable says the same.
			switch strings.ToLower(a.Role.Or("")) {
			case "dis":
				hello, det = time.Second, 10*time.Second
			case "lan":
				hello, det = 3*time.Second, 30*time.Second
			}
		}
		if !t.sendTold {
			t.send, t.sendSrc = hello, s.source("hello")
			if t.detOwn && t.detect > 0 {
				t.send, t.sendSrc = over(t.detect), fmt.Sprintf("%s: a share of 1/%g of what the neighbour waits", s.source("hello"), ratio)
			}
		}
		if !t.detOwn {
			t.detect, t.detSrc = det, s.source("detect")
			if t.sendTold {
				m := ratio
				if n, ok := a.BFD.Multiplier.Get(); ok && a.Protocol == state.BFD && n > 0 {
					m = float64(n)
				}
				t.detect, t.detSrc = time.Duration(float64(t.send)*m), fmt.Sprintf("%s: %g hello intervals", s.source("detect"), m)
			}
		}
		return t
	}
	out = direction(told.Send, told.NeighbourDetect, same(told.NeighbourSend), same(told.OwnDetect), dev)
	send, detect := told.NeighbourSend, told.OwnDetect
	if !send.Known() && !detect.Known() {
		back = out // as the other direction
		back.sendTold, back.detOwn = false, false
		back.sendSrc, back.detSrc = "taken as in the other direction", "taken as in the other direction"
		if negotiated(a.Protocol) {
			back.sendTold, back.detOwn = out.sendTold, out.detOwn
			back.sendSrc, back.detSrc = out.sendSrc, out.detSrc
		}
		return out, back
	}
	return out, direction(send, detect, same(told.Send), same(told.NeighbourDetect), nbr)
}

// unheard says whether the device's silence in the protocol is heard by nobody.
func (k *compiler) unheard(r *relation, a state.Adjacency) bool {
	role := strings.ToLower(a.Role.Or(""))
	switch a.Protocol {
	case state.BFD:
		if a.BFD.Offloaded.Or(false) {
			r.fixed = "its packets come from hardware that stays awake"
			r.source = "the device; RFC 5880 §6.8.7, the C bit says the same to the neighbour"
			return true
		}
		switch role {
		case "demand":
			r.fixed = "in demand mode no packet is due unless the neighbour polls"
			r.source = "RFC 5880 §6.6"
			r.cautions = append(r.cautions, "a poll that the neighbour sends into the silence is answered too late if the silence exceeds its detection time (RFC 5880 §6.8.4)")
			return true
		case "echo":
			r.cautions = append(r.cautions, "echo packets are looped by the data plane and go on; only the control packets fall silent (RFC 5880 §6.4)")
		}
	case state.VRRP:
		switch role {
		case "backup":
			r.fixed = "the device is backup here, and nobody waits for a backup's packets"
			r.source = "RFC 9568 §6.4.2"
			return true
		case "active", "master":
		default:
			k.note(r, "role", "active", true, "the worse of the two: RFC 9568 §6.4.3")
		}
	case state.RSTP:
		root, known := k.root(a.Instance)
		switch {
		case role == "leaf" || role == "alternate" || role == "root-port":
			r.fixed = "the neighbour is the designated bridge of the link and does not wait for the device"
			r.source = "IEEE 802.1D-2004 clause 17.21.23"
			return true
		case role == "" && (!known || !root):
			k.note(r, "role", "designated", true, "the worse of the two: IEEE 802.1D-2004 clause 17")
		}
	case IGMP, MLD:
		if role == "non-querier" || role == "listener" {
			r.fixed = "the device is not the querier"
			r.source = "RFC 3376 §6.6.2"
			return true
		}
	case EVPN:
		r.fixed = "the election follows the routes, not a hello"
		r.source = "RFC 7432 §8.5"
		return true
	}
	return false
}

// root says whether the device is the root of a spanning tree.
func (k *compiler) root(instance string) (root, known bool) {
	for _, t := range k.capture.SpanningTrees {
		if t.Instance == instance {
			return t.Root.Get()
		}
	}
	return false, false
}

// wake works out what the device does to itself when it wakes with its own
// timer overdue.
func (k *compiler) wake(r *relation, a state.Adjacency, dev, nbr role, back timers) {
	self := *dev.SelfDrop
	told, known := a.Restart.Nonstop.Get()
	switch {
	case known && told && !dev.known:
		self = SelfDropNone
		k.note(r, "own timer at the takeover", "starts anew", true, "synchronised state, as the device tells; no standard says so")
	default:
		k.note(r, "device that wakes with its own timer overdue", self.words(), false, dev.source("self-drop"))
	}
	if !known && frozenMatters(a.Protocol) {
		k.note(r, "state kept over the silence", "yes", true, "not told; where it is not kept this adjacency drops")
	}
	cut := k.cut(dev)
	if ka := or(dev.Keepalive, 0); ka > 0 {
		k.second(r, timers{send: ka / 3, detect: ka}, dev, nbr)
		k.note(r, "session ends after", ka.String()+" without a message", true, dev.source("keepalive"))
	}
	if cut {
		r.own.devCut = backoff{or(nbr.RTO, time.Second).Seconds()}
		k.note(r, "first retransmission", or(nbr.RTO, time.Second).String()+", then doubled", false, nbr.source("rto"))
	}
	if self != KillsNeighbour && !cut {
		return
	}
	r.own.judges = true
	r.selfSrc = dev.source("self-drop")
	k.note(r, "neighbour's hello interval", back.send.String(), !back.sendTold, back.sendSrc)
	d := back.detect.String()
	if back.detect == 0 {
		d = "never"
	}
	k.note(r, "device gives up after", d, !back.detOwn, back.detSrc)
	if p := min(or(dev.Phase, 0), or(nbr.Phase, 0)); p > 0 && r.own.nbr.age == r.own.dev.age && r.own.nbr.age.lo == r.own.nbr.age.hi {
		r.own.phase = p
		k.note(r, "ends that send in step", fmt.Sprintf("%.0f %%", 100*p), false, dev.source("phase"))
	}
}

// second gives a session a second timer, over TCP; its hellos are in none.
// Source: RFC 5036 §2.4.1 and §2.5.6.
func (k *compiler) second(r *relation, t timers, dev, nbr role) {
	r.own.also, r.own.cutSecond = true, true
	r.own.nbr2 = k.side(t, dev, nbr, k.lateness(r.protocol, nbr.daemon, dev.daemon, false), k.options.ResumeDelay)
	r.own.dev2 = k.side(t, nbr, dev, k.lateness(r.protocol, dev.daemon, nbr.daemon, !k.cut(dev)), Silence{})
}

// cut says whether a protocol loses its transport for the silence.
func (k *compiler) cut(r role) bool {
	return k.options.TransportCut && or(r.Transport, "") == "tcp"
}

// frozenMatters says for which protocols a device can tell whether it keeps
// their state.
func frozenMatters(protocol string) bool {
	switch protocol {
	case state.BGP, state.OSPFv2, state.OSPFv3, state.ISIS, state.LDP, state.RSVP:
		return true
	}
	return false
}

// addMembers adds the LACP relation of each member link that the capture tells
// of in its aggregates only.
func (k *compiler) addMembers() {
	have := map[string]bool{}
	for _, r := range k.relations {
		if r.protocol == state.LACP {
			have[r.iface] = true
		}
	}
	for _, g := range k.capture.Aggregates {
		for _, m := range g.Members {
			if in, known := m.Synchronized.Get(); have[m.Interface] || known && !in {
				continue
			}
			a := state.Adjacency{Protocol: state.LACP, Instance: g.Name, Interface: m.Interface, Neighbour: m.PartnerID.Or("")}
			rate := func(o state.Opt[string], def string) (send, detect state.Opt[time.Duration]) {
				v, ok := o.Get()
				if !ok {
					v = def
				}
				switch strings.ToUpper(v) {
				case "SHORT", "FAST":
					return state.Some(time.Second), state.Some(3 * time.Second)
				case "LONG", "SLOW":
					return state.Some(30 * time.Second), state.Some(90 * time.Second)
				}
				return
			}
			a.Timers.Send, a.Timers.NeighbourDetect = rate(m.PartnerTimeout, "")
			a.Timers.NeighbourSend, a.Timers.OwnDetect = rate(m.OwnTimeout, g.Interval.Or(""))
			k.add(a)
		}
	}
}

// addTrees adds the relation of each spanning tree whose neighbours the
// capture does not list.
func (k *compiler) addTrees() {
	have := map[string]bool{}
	for _, r := range k.relations {
		if r.protocol == state.RSTP {
			have[r.instance] = true
		}
	}
	for _, t := range k.capture.SpanningTrees {
		if have[t.Instance] {
			continue
		}
		a := state.Adjacency{Protocol: state.RSTP, Instance: t.Instance, Neighbour: "bridges below"}
		a.Timers.Send, a.Timers.NeighbourSend = t.Hello, t.Hello
		if t.Root.Or(false) {
			a.Role = state.Some("root")
		}
		k.add(a)
	}
}

// layers ties every adjacency to what it stands on.
func (k *compiler) layers() {
	links := k.links()
	k.protect(links)
	k.domains()
	k.paths()
}

// links makes a gate for each aggregate and ties what runs over it, and returns
// the gate of each member link and aggregate by interface.
func (k *compiler) links() map[string]int {
	gates := map[string]int{}
	member := map[string]string{}
	for _, g := range k.capture.Aggregates {
		for _, m := range g.Members {
			member[m.Interface] = g.Name
		}
	}
	for _, i := range k.capture.Interfaces {
		if i.Aggregate != "" {
			member[i.Name] = i.Aggregate
		}
	}
	lacp, micro := map[string][]int{}, map[string][]int{}
	for _, r := range k.relations {
		if r.down {
			continue
		}
		switch {
		case r.protocol == state.LACP:
			lacp[r.iface] = append(lacp[r.iface], r.node)
			if _, ok := member[r.iface]; !ok && r.instance != "" {
				member[r.iface] = r.instance
			}
		case r.protocol == state.BFD && member[r.iface] != "":
			// Source: RFC 7130 §2 and §5.
			micro[r.iface] = append(micro[r.iface], r.node)
		}
	}
	minLinks := map[string]state.Opt[int]{}
	for _, g := range k.capture.Aggregates {
		minLinks[g.Name] = g.MinLinks
	}
	members := map[string][]int{}
	names := make([]string, 0, len(member))
	for name := range member {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		var needs []need
		for _, n := range append(slices.Clone(lacp[name]), micro[name]...) {
			needs = append(needs, need{1, []int{n}})
		}
		if len(lacp[name]) == 0 {
			continue // no member link in use
		}
		gates[name] = k.gate("link "+name, needs)
		members[member[name]] = append(members[member[name]], gates[name])
	}
	bundles := make([]string, 0, len(members))
	for name := range members {
		bundles = append(bundles, name)
	}
	slices.Sort(bundles)
	for _, name := range bundles {
		least, known := minLinks[name].Get()
		if !known || least < 1 {
			least = 1
			k.assumed[assumption{state.LACP, "links an aggregate needs", "1", "common practice"}]++
		}
		least = min(least, len(members[name]))
		gates[name] = k.gate(fmt.Sprintf("aggregate %s (%d of %d links)", name, least, len(members[name])), []need{{least, members[name]}})
	}
	for i := range k.relations {
		r := &k.relations[i]
		if r.protocol == state.LACP || r.protocol == state.RSTP && r.iface == "" {
			continue
		}
		if member[r.iface] != "" {
			continue // micro-BFD stands on nothing of the aggregate
		}
		if g, ok := gates[base(r.iface, gates)]; ok && r.iface != "" {
			k.stand(i, need{1, []int{g}})
		}
	}
	return gates
}

// base is the interface that a logical one such as "lag-1.100" rides on.
func base(iface string, gates map[string]int) string {
	for name := iface; name != ""; {
		if _, ok := gates[name]; ok {
			return name
		}
		i := strings.LastIndexAny(name, ".:")
		if i < 0 {
			break
		}
		name = name[:i]
	}
	return iface
}

func (k *compiler) gate(title string, needs []need) int {
	k.nodes = append(k.nodes, node{relation: -1, title: title, needs: needs})
	return len(k.nodes) - 1
}

// any is a gate of which one of the nodes is enough, shared by all who need
// the same ones.
func (k *compiler) any(title string, of []int) need {
	if len(of) == 1 {
		return need{1, of}
	}
	key := fmt.Sprint(of)
	g, ok := k.anys[key]
	if !ok {
		g = k.gate(title, []need{{1, of}})
		k.anys[key] = g
	}
	return need{1, []int{g}}
}

func (k *compiler) stand(relation int, n need) {
	at := &k.nodes[k.relations[relation].node]
	at.needs = append(at.needs, n)
}

// protect ties adjacencies to the BFD sessions that take them down.
func (k *compiler) protect(links map[string]int) {
	type at struct{ iface, neighbour string }
	exact, byIface, byNeighbour := map[at]int{}, map[string][]int{}, map[string][]int{}
	for i, r := range k.relations {
		if r.protocol != state.BFD || r.down || isMember(r.iface, links, k.relations) {
			continue
		}
		exact[at{r.iface, r.neighbour}] = i
		byNeighbour[r.neighbour] = append(byNeighbour[r.neighbour], i)
		if r.iface != "" {
			byIface[r.iface] = append(byIface[r.iface], i)
		}
	}
	n := len(k.relations)
	for i := range n {
		r := &k.relations[i]
		switch r.protocol {
		case state.BGP, state.OSPFv2, state.OSPFv3, state.ISIS, state.LDP, state.PIM, state.RSVP:
		default:
			continue
		}
		protected, known := r.adj.BFD.Protected.Get()
		if r.down || known && !protected {
			continue
		}
		session := r.adj.BFD.Session.Or(r.neighbour)
		found, ok := exact[at{r.iface, session}]
		if s := byNeighbour[session]; !ok && len(s) > 0 {
			found, ok = s[0], true
		}
		if s := byIface[r.iface]; !ok && r.iface != "" && len(s) == 1 && !r.adj.BFD.Session.Known() {
			found, ok = s[0], true
		}
		switch {
		case !ok && !known:
			continue
		case !ok:
			k.note(r, "BFD session", session+", not in the capture", true, "RFC 5882 §4")
			k.add(state.Adjacency{Protocol: state.BFD, Interface: r.iface, Neighbour: session})
			r = &k.relations[i] // the slice has grown
			found = len(k.relations) - 1
			exact[at{r.iface, session}] = found
		case !known:
			k.note(r, "protected by BFD", k.relations[found].name(), true, "a session with the same neighbour; RFC 5882 §4")
		}
		if r.mode == graceful {
			both, told := r.adj.BFD.Independent.Get()
			if !told {
				both, told = k.relations[found].adj.BFD.Independent.Get()
			}
			planned := k.planned(r.protocol)
			switch {
			case told && !both && planned:
				k.note(r, "BFD failure during the restart", "is no reason to end it", false, "RFC 5882 §4.3.2.1, C bit clear and the restart announced")
				continue
			case told && both:
				k.note(r, "BFD failure during the restart", "ends it", false, "RFC 5882 §4.3.1, C bit set in both directions")
			case told:
				k.note(r, "BFD failure during the restart", "ends it", false, "RFC 5882 §4.3.2.2, BFD fires before the restart is noticed")
			default:
				k.note(r, "BFD failure during the restart", "ends it", true, "RFC 5882 §4.3.1; the C bits are not told")
				r.back[0] = 0 // it may be no reason to end it, and then nothing is lost
			}
		}
		k.stand(i, need{1, []int{k.relations[found].node}})
	}
}

func isMember(iface string, links map[string]int, rs []relation) bool {
	if _, ok := links[iface]; !ok {
		return false
	}
	return slices.ContainsFunc(rs, func(r relation) bool { return r.protocol == state.LACP && r.iface == iface })
}

func (k *compiler) planned(protocol string) bool {
	return or(k.prof.Protocols[protocol].Planned, false) && !k.options.Unplanned
}

// domains ties OSPF neighbours that help with strict checks to the others of
// their instance: when one of those is lost, a changed LSA is flooded and ends
// every help.
// Source: RFC 3623 §3.2; RFC 5187 §3.
func (k *compiler) domains() {
	type domain struct{ protocol, instance string }
	all := map[domain][]int{}
	strict := map[domain][]int{}
	var order []domain
	for i, r := range k.relations {
		if r.protocol != state.OSPFv2 && r.protocol != state.OSPFv3 || r.down {
			continue
		}
		d := domain{r.protocol, r.instance}
		if len(all[d]) == 0 {
			order = append(order, d)
		}
		all[d] = append(all[d], i)
		if on, known := r.adj.Restart.StrictLSAChecks.Get(); r.mode == graceful && (on || !known) {
			strict[d] = append(strict[d], i)
			k.note(&k.relations[i], "strict LSA checks", "on", !known, "RFC 3623 §3.2, the default")
		}
	}
	for _, d := range order {
		if len(strict[d]) == 0 || len(all[d]) < 2 {
			continue
		}
		// Each adjacency's own event is moved to a node of its own, so that the
		// domain can stand on all of them without standing on itself.
		var needs []need
		for _, i := range all[d] {
			r := &k.relations[i]
			inner := len(k.nodes)
			k.nodes = append(k.nodes, node{relation: i, needs: k.nodes[r.node].needs})
			k.nodes[r.node] = node{relation: -1, title: r.name(), needs: []need{{1, []int{inner}}}}
			r.inner = inner
			needs = append(needs, need{1, []int{inner}})
		}
		g := k.gate(strings.TrimSpace("no changed LSA, as by the loss of another adjacency, in "+d.protocol+" "+d.instance), needs)
		for _, i := range strict[d] { // the gate has the adjacency's own event in it
			k.nodes[k.relations[i].node].needs = []need{{1, []int{g}}}
		}
	}
}

// paths ties sessions that may cross the network to the routes they need.
func (k *compiler) paths() {
	igp := map[bool][]int{} // by IPv6
	all := []int{}
	byNextHop, byIface := map[string][]int{}, map[string][]int{}
	var bgp, far []int
	for _, r := range k.relations {
		if r.down {
			continue
		}
		switch r.protocol {
		case state.OSPFv2, state.OSPFv3, state.ISIS:
			six := r.protocol == state.OSPFv3
			igp[six] = append(igp[six], r.node)
			if r.protocol == state.ISIS {
				igp[true] = append(igp[true], r.node)
			}
			all = append(all, r.node)
			byNextHop[r.neighbour] = append(byNextHop[r.neighbour], r.node)
			if r.iface != "" {
				byIface[r.iface] = append(byIface[r.iface], r.node)
			}
		case state.BGP:
			if bgp = append(bgp, r.node); r.iface == "" {
				far = append(far, r.node)
			}
		}
	}
	// The gates that many share are made once.
	shared := map[string]need{}
	either := func(key, what string, of []int) need {
		n, ok := shared[key]
		if !ok {
			n = k.any(fmt.Sprintf("any of %d %s", len(of), what), of)
			shared[key] = n
		}
		return n
	}
	for i := range k.relations {
		r := &k.relations[i]
		if r.down {
			continue
		}
		switch {
		case r.protocol == EVPN && len(bgp) > 0:
			what, of := "BGP sessions", bgp
			if len(far) > 0 { // a session on a link is with a customer or another network
				what, of = "BGP sessions across the network", far
			}
			k.note(r, "routes of the segment", fmt.Sprintf("by any of the %d %s", len(of), what), true, "RFC 7432 §8.5; which sessions carry them is not told")
			k.stand(i, either("evpn", what, of))
		case (r.protocol == state.BGP || r.protocol == state.BFD) && r.iface == "", r.protocol == state.LDP && len(all) > 0:
			// The session of LDP runs over TCP to an address that its hellos name,
			// mostly that of the LSR id. Source: RFC 5036 §2.2.2, §2.5.2.
			id, _, _ := strings.Cut(r.neighbour, ":")
			if r.protocol != state.LDP {
				id = r.neighbour
			}
			to, err := netip.ParseAddr(id)
			if err != nil {
				if r.protocol == state.LDP {
					k.note(r, "route to the neighbour", "by any IGP adjacency", true, "RFC 5036 §2.5.2, the session runs over TCP to the transport address")
					k.stand(i, either("igp", "IGP adjacencies", all))
				}
				continue
			}
			via, known := k.route(r.instance, to)
			if known && !isIGP(via.Protocol) {
				continue
			}
			var of []int
			if known {
				for _, hop := range strings.Split(via.NextHops, ",") {
					hop = strings.TrimSpace(hop)
					addr, iface, _ := strings.Cut(hop, "@")
					of = append(of, byNextHop[addr]...)
					if len(byNextHop[addr]) == 0 {
						of = append(of, byIface[iface]...)
						of = append(of, byIface[addr]...)
					}
				}
			}
			if len(of) > 0 {
				slices.Sort(of)
				of = slices.Compact(of)
				k.note(r, "route to the neighbour", via.Prefix+" by "+via.NextHops, false, "the device")
				k.stand(i, k.any(fmt.Sprintf("any of %d next hops", len(of)), of))
				continue
			}
			six := to.Is6() && !to.Is4In6()
			if of = igp[six]; len(of) > 0 {
				src := map[string]string{state.BGP: "RFC 4271 §5.1.3", state.BFD: "RFC 5883 §1", state.LDP: "RFC 5036 §2.5.2, TCP to the transport address"}[r.protocol]
				k.note(r, "route to the neighbour", "by any IGP adjacency", true, src+"; the route is not in the capture")
				k.stand(i, either(fmt.Sprint("igp", six), "IGP adjacencies", of))
			}
		}
	}
}

func isIGP(protocol string) bool {
	p := strings.ToLower(protocol)
	return strings.Contains(p, "ospf") || strings.Contains(p, "isis") || strings.Contains(p, "is-is")
}

// route finds the longest match of an address in the route tables, whose
// routes are sorted by prefix.
func (k *compiler) route(instance string, to netip.Addr) (state.Route, bool) {
	for _, t := range k.capture.RouteTables {
		if t.Instance != instance && instance != "" || len(t.Routes) == 0 {
			continue
		}
		for bits := to.BitLen(); bits >= 0; bits-- {
			p, err := to.Prefix(bits)
			if err != nil {
				break
			}
			name := p.String()
			i, ok := slices.BinarySearchFunc(t.Routes, name, func(r state.Route, name string) int { return strings.Compare(r.Prefix, name) })
			if !ok {
				continue
			}
			best := t.Routes[i]
			for ; i < len(t.Routes) && t.Routes[i].Prefix == name; i++ {
				if isIGP(t.Routes[i].Protocol) {
					best = t.Routes[i]
				}
			}
			return best, true
		}
	}
	return state.Route{}, false
}
