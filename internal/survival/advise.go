package survival

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/state"
)

// ChangeKind says what kind of preparation a [Change] is.
type ChangeKind string

// The kinds of changes.
const (
	SetTimers   ChangeKind = "set-timers"   // let one end or both wait longer
	Suspend     ChangeKind = "suspend"      // take a BFD session administratively down
	MoveRole    ChangeKind = "move-role"    // let the partner be active
	Drain       ChangeKind = "drain"        // move traffic away from a link or session
	DrainDevice ChangeKind = "drain-device" // move all traffic away from the device
)

// Change is one preparation, applied before the silence and restored after it,
// or on the way back.
type Change struct {
	Kind        ChangeKind `json:"kind"`
	Protocol    string     `json:"protocol,omitempty"`
	Instance    string     `json:"instance,omitempty"`
	Interface   string     `json:"interface,omitempty"`
	Neighbour   string     `json:"neighbour,omitempty"`
	Adjacencies []string   `json:"adjacencies"` // names of all that it saves
	Ends        []string   `json:"ends"`        // "device", "neighbour", or both
	Parameter   string     `json:"parameter,omitempty"`
	From        string     `json:"from,omitempty"`
	To          string     `json:"to,omitempty"`
	Cost        float64    `json:"cost"`
	// Settle is how long after it is applied the change counts.
	Settle  time.Duration `json:"settle"`
	Apply   string        `json:"apply"`
	Restore string        `json:"restore"`
	Source  string        `json:"source"`
	// Settings are what is set on the device, named as a driver takes them, and
	// PeerSettings what on the neighbour Peer: of those only protocol, parameter
	// and value are told, [SettingAt] makes them of the neighbour's own
	// adjacency. Both are empty where no parameter says what is advised.
	Settings     []state.Setting `json:"settings,omitempty"`
	Peer         string          `json:"peer,omitempty"` // system name, or address where it is not known
	PeerSettings []state.Setting `json:"peer_settings,omitempty"`
	// Waits is what the adjacency's detection times must be afterwards, at the
	// neighbour and at the device; 0 where they do not change.
	Waits [2]time.Duration `json:"waits"`
}

// Prices are what changes cost, in any unit: only their ratios matter. A price
// of 0 means the default, a negative one forbids the kind.
// Source: common practice, for every default.
type Prices struct {
	Timers      float64 `json:"timers" yaml:"timers"`             // per end; 1
	Suspend     float64 `json:"suspend" yaml:"suspend"`           // per session; 3
	Move        float64 `json:"move" yaml:"move"`                 // per group; 4
	Drain       float64 `json:"drain" yaml:"drain"`               // per link or session; 10
	DrainDevice float64 `json:"drain-device" yaml:"drain-device"` // 100
}

// Advice is the cheapest set of changes that brings the probability of being
// untouched to the target.
type Advice struct {
	Before  float64  `json:"before"` // P(untouched) as things are
	After   float64  `json:"after"`  // and with the changes
	Target  float64  `json:"target"`
	Reached bool     `json:"reached"`
	Cost    float64  `json:"cost"`
	Changes []Change `json:"changes"`
	// Bound is a cost below which no set of the changes allowed reaches the
	// target. Proven says that Cost is the least; it is false only when the
	// search was cut short.
	Bound  float64 `json:"bound"`
	Proven bool    `json:"proven"`
	// Hopeless names adjacencies that no change allowed saves, where the
	// target is not reached.
	Hopeless []string `json:"hopeless,omitempty"`
}

// choice is one way to treat an item: what it costs and what risk it leaves at
// each node of the search, as -log of the probability to live.
type choice struct {
	cost    float64
	risk    []float64
	use     []int // drained members of each redundant need
	changes []Change
}

// item is a link, or a session that runs over none, with the ways to treat it.
type item struct {
	key     string
	choices []choice
}

const (
	nodesPerPanel = 5
	hopelessRisk  = 1e6
	mostChoices   = 6000
	mostWork      = 100_000_000 // steps of one search
)

// Advise finds the cheapest changes that bring P(untouched) to o.Target, or to
// 0.999 where that is 0. Each adjacency may get longer timers, BFD sessions may
// be suspended, roles moved, links and sessions drained; a change is offered
// only where the protocol can make it without resetting the adjacency, which
// is why no timer of BGP is. The optimum is exact: a branch and bound over
// Pareto choices, whose bound is the fractional knapsack under the chord of the
// exponential.
func Advise(c *state.Capture, law Law, o Options, p Prices) Advice {
	law, _ = mended(law)
	p = p.filled()
	target := o.Target
	if target <= 0 {
		target = 0.999
	}
	m := newModel(compile(c, o))
	a := Advice{Target: target, Changes: []Change{}, Proven: true}
	a.Before, _ = m.expectUntouched(law)
	a.After = a.Before
	if a.Before >= target {
		a.Reached = true
		return a
	}
	s := &search{m: m, law: law, prices: p, options: o, capture: c, target: target}
	s.prepare()
	// The search sees the law at finitely many silences. Where its answer does
	// not stand the exact integral, it aims a little higher.
	for range 8 {
		best, cost, bound, proven := s.solve()
		if best == nil {
			break
		}
		changes, after := s.apply(best)
		a.Bound, a.Proven = math.Round(bound*1e9)/1e9, proven
		if after >= target {
			a.Changes, a.After, a.Cost, a.Reached = changes, after, math.Round(cost*1e9)/1e9, true
			break
		}
		s.target += max(1e-9, 1.01*(target-after))
	}
	if p.DrainDevice > 0 && (!a.Reached || p.DrainDevice < a.Cost) && s.allowed(Change{Kind: DrainDevice, Ends: []string{"device"}, Settings: s.drainDevice()}) {
		a.Bound = p.DrainDevice
		a.Reached, a.Proven, a.After, a.Cost = true, true, 1, p.DrainDevice
		a.Changes = []Change{{
			Kind: DrainDevice, Ends: []string{"device"}, Settings: s.drainDevice(), Adjacencies: s.atRisk(), Cost: p.DrainDevice, Settle: 5 * time.Minute,
			Apply:   "move all traffic away from the device and wait until it carries none",
			Restore: "let traffic return",
			Source:  "RFC 6987 §2, RFC 3787 §4, RFC 8326 §4",
		}}
	}
	if !a.Reached {
		a.Hopeless = s.hopeless()
	}
	return a
}

func (p Prices) filled() Prices {
	for _, f := range []struct {
		price *float64
		def   float64
	}{{&p.Timers, 1}, {&p.Suspend, 3}, {&p.Move, 4}, {&p.Drain, 10}, {&p.DrainDevice, 100}} {
		if *f.price == 0 {
			*f.price = f.def
		}
	}
	return p
}

// search holds one problem of advice.
type search struct {
	m        *model
	law      Law
	prices   Prices
	options  Options
	capture  *state.Capture
	target   float64
	silences []float64 // nodes
	weights  []float64 // of the nodes; what is missing to 1 is surely untouched
	spare    []int     // how many members of each redundant need may be drained
	groups   map[int][]int
	items    []item
}

// prepare makes the nodes, the items and their choices.
func (s *search) prepare() {
	s.nodes()
	links := map[string][]int{}
	var order []string
	for _, r := range s.m.touching {
		key := s.link(r)
		if len(links[key]) == 0 {
			order = append(order, key)
		}
		links[key] = append(links[key], r)
	}
	slices.Sort(order)
	s.redundant()
	for _, key := range order {
		s.items = append(s.items, s.item(key, links[key]))
	}
	s.items = joined(s.items)
}

// nodes places the silences at which the search looks: a Gauss rule in each
// panel between the knots of the risks, thinned to a bounded number.
func (s *search) nodes() {
	safe, _, _ := s.m.limits() // 0 where something is lost at any silence
	var knots []float64
	for c, n := range s.m.required {
		if n > 0 {
			knots = s.m.classes[c].knots(knots)
		}
	}
	slices.Sort(knots)
	knots = slices.Compact(knots)
	for _, part := range s.law {
		t := triOf(part.Silence)
		if t.point() {
			s.silences = append(s.silences, t.l)
			s.weights = append(s.weights, part.Weight)
			continue
		}
		cuts := []float64{t.l, t.m, t.u}
		if safe > t.l && safe < t.u {
			cuts = append(cuts, safe)
		}
		const most = 24
		var inside []float64
		for _, k := range knots {
			if k > t.l && k < t.u {
				inside = append(inside, k)
			}
		}
		for i := range inside {
			if len(inside) <= most || i%(len(inside)/most+1) == 0 {
				cuts = append(cuts, inside[i])
			}
		}
		for i := 1; i < 8; i++ {
			cuts = append(cuts, t.l+(t.u-t.l)*float64(i)/8)
		}
		slices.Sort(cuts)
		for i := 1; i < len(cuts); i++ {
			lo, hi := cuts[i-1], cuts[i]
			if hi-lo < 1e-9*(t.u-t.l) || hi <= safe {
				continue
			}
			c, h := (lo+hi)/2, (hi-lo)/2
			for j := -2; j <= 2; j++ {
				k := max(j, -j)
				x := c + math.Copysign(h, float64(j))*gauss5x[k]
				s.silences = append(s.silences, x)
				s.weights = append(s.weights, part.Weight*h*gauss5w[k]*t.density(x))
			}
		}
	}
}

// risk is -log of the probability to live, at each node.
func (s *search) risk(o *own) []float64 {
	out := make([]float64, len(s.silences))
	safe, _ := o.bounds()
	for j, x := range s.silences {
		if x <= safe {
			continue
		}
		if q := o.live(x); q > 0 {
			out[j] = min(hopelessRisk, -math.Log(q))
		} else {
			out[j] = hopelessRisk
		}
	}
	return out
}

// link is the unit that a drain empties: the physical link or aggregate under
// the relation, or the relation itself where it runs over none.
func (s *search) link(r int) string {
	rel := &s.m.relations[r]
	if rel.iface == "" || rel.protocol == state.RSTP {
		return fmt.Sprintf("\x00%06d", r)
	}
	if rel.protocol == state.LACP && rel.instance != "" {
		return rel.instance
	}
	for _, i := range s.capture.Interfaces {
		if i.Name == rel.iface && i.Aggregate != "" {
			return i.Aggregate
		}
	}
	for _, g := range s.capture.Aggregates {
		for _, m := range g.Members {
			if m.Interface == rel.iface {
				return g.Name
			}
		}
		if rel.iface == g.Name || strings.HasPrefix(rel.iface, g.Name+".") || strings.HasPrefix(rel.iface, g.Name+":") {
			return g.Name
		}
	}
	if i := strings.LastIndexAny(rel.iface, "."); i > 0 {
		return rel.iface[:i]
	}
	return rel.iface
}

// member says whether an interface is a member link of an aggregate.
func (s *search) member(iface string) bool {
	for _, g := range s.capture.Aggregates {
		if slices.ContainsFunc(g.Members, func(m state.LACPMember) bool { return m.Interface == iface }) {
			return true
		}
	}
	return slices.ContainsFunc(s.capture.Interfaces, func(i state.Interface) bool { return i.Name == iface && i.Aggregate != "" })
}

// redundant finds the needs that can spare a member, and their members.
func (s *search) redundant() {
	s.groups = map[int][]int{}
	seen := map[string]bool{}
	for _, n := range s.m.nodes {
		for _, need := range n.needs {
			if len(need.of) <= need.atLeast || len(need.of) < 2 {
				continue
			}
			key := fmt.Sprint(need.atLeast, need.of)
			if seen[key] {
				continue
			}
			seen[key] = true
			for _, of := range need.of {
				s.groups[of] = append(s.groups[of], len(s.spare))
			}
			s.spare = append(s.spare, len(need.of)-need.atLeast)
		}
	}
}

// item is one link with all ways to treat the relations on it.
func (s *search) item(key string, rs []int) item {
	none := choice{risk: make([]float64, len(s.silences)), use: make([]int, len(s.spare))}
	choices := []choice{none}
	for _, r := range rs {
		choices = crossed(choices, s.treatments(r))
	}
	if d, ok := s.drain(key, rs); ok {
		choices = pareto(append(choices, d))
	}
	return item{key, choices}
}

// crossed is every pair of two lists of choices, without those that another
// one beats.
func crossed(a, b []choice) []choice {
	if len(b) == 1 && b[0].cost == 0 && len(b[0].changes) == 0 && allZero(b[0].risk) {
		return a
	}
	out := make([]choice, 0, len(a)*len(b))
	for _, x := range a {
		for _, y := range b {
			z := choice{cost: x.cost + y.cost, risk: make([]float64, len(x.risk)), use: make([]int, len(x.use))}
			for i := range z.risk {
				z.risk[i] = x.risk[i] + y.risk[i]
			}
			for i := range z.use {
				z.use[i] = x.use[i] + y.use[i]
			}
			z.changes = append(slices.Clone(x.changes), y.changes...)
			out = append(out, z)
		}
	}
	return pareto(out)
}

func allZero(v []float64) bool {
	for _, x := range v {
		if x != 0 {
			return false
		}
	}
	return true
}

// pareto removes choices that another one beats or equals in cost, in every
// risk and in every use.
func pareto(cs []choice) []choice {
	sum := func(c choice) float64 {
		t := 0.0
		for _, r := range c.risk {
			t += r
		}
		return t
	}
	type keyed struct {
		choice
		total float64
	}
	ks := make([]keyed, len(cs))
	for i, c := range cs {
		ks[i] = keyed{c, sum(c)}
	}
	slices.SortStableFunc(ks, func(a, b keyed) int { return cmp.Or(cmp.Compare(a.cost, b.cost), cmp.Compare(a.total, b.total)) })
	var out []choice
	var totals []float64
next:
	for _, k := range ks {
		for i := len(out) - 1; i >= 0; i-- {
			if totals[i] <= k.total*(1+1e-12)+1e-15 && beats(out[i], k.choice) {
				continue next
			}
		}
		out = append(out, k.choice)
		totals = append(totals, k.total)
	}
	return out
}

func beats(a, b choice) bool {
	for i := range a.risk {
		if a.risk[i] > b.risk[i]*(1+1e-12)+1e-15 {
			return false
		}
	}
	for i := range a.use {
		if a.use[i] > b.use[i] {
			return false
		}
	}
	return true
}

// treatments are the ways to treat one relation without a drain.
func (s *search) treatments(i int) []choice {
	r := &s.m.relations[i]
	as := choice{risk: s.risk(&r.own), use: make([]int, len(s.spare))}
	if r.carries && r.kept[0] > 0 { // it comes back, and traffic is touched all the same
		for j := range as.risk {
			as.risk[j] = hopelessRisk
		}
	}
	out := []choice{as}
	if allZero(as.risk) {
		return out
	}
	with := func(c Change, o own, price float64) {
		if price < 0 {
			return
		}
		c.Protocol, c.Instance, c.Interface, c.Neighbour = r.protocol, r.instance, r.iface, r.neighbour
		c.Adjacencies = []string{r.name()}
		c.Cost = price * float64(len(c.Ends))
		if !s.allowed(c) {
			return
		}
		out = append(out, choice{cost: c.Cost, risk: s.risk(&o), use: make([]int, len(s.spare)), changes: []Change{c}})
	}
	if r.kept[0] == 0 || !r.carries {
		if c, a, ok := longer(r, s.law.Most()+s.options.ResumeDelay.Most); ok {
			if o, same := s.recompiled(r, a); same {
				with(c, o, s.prices.Timers)
			}
		}
	}
	switch {
	case r.protocol == state.BFD && !s.member(r.iface): // RFC 7130 says nothing of suspending a member's session
		with(Change{
			Kind: Suspend, Ends: []string{"device"}, Parameter: "administrative state", From: "up", To: "down",
			Settle: 2 * seconds(r.own.nbr.dhi), Apply: "take the session administratively down, which tells its clients nothing",
			Restore: "bring the session administratively up", Source: "RFC 5882 §3.2 and §4.2, RFC 5880 §6.8.16",
			Settings: []state.Setting{SettingAt(r.adj, state.ParamEnabled, "false")},
		}, own{fate: alive}, s.prices.Suspend)
	case r.protocol == state.VRRP:
		with(Change{
			Kind: MoveRole, Ends: []string{"device"}, Parameter: "priority", From: "active", To: "backup",
			Settle: 2 * seconds(r.own.nbr.dhi), Apply: "lower the priority below the partner's and see it take over",
			Restore: "set the priority back", Source: "RFC 9568 §6.4.3",
			Settings: []state.Setting{SettingAt(r.adj, state.ParamPriority, leastPriority)},
		}, own{fate: alive}, s.prices.Move)
	}
	return pareto(out)
}

// recompiled is the own event of a relation with other timers; ok is false
// when something else about it would change.
func (s *search) recompiled(r *relation, a state.Adjacency) (own, bool) {
	k := newCompiler(s.capture, s.options)
	k.add(a)
	n := &k.relations[0]
	return n.own, n.mode == r.mode && n.own.fate == r.own.fate
}

// longer is the change that lets an adjacency's ends wait long enough for a
// silence, if the protocol has one that does not reset it.
func longer(r *relation, silence time.Duration) (Change, state.Adjacency, bool) {
	a := r.adj
	c := Change{Kind: SetTimers, Ends: []string{"device"}}
	send := seconds(r.pace)
	if send <= 0 || r.own.fate == alive || r.own.fate == lost && r.mode != graceful {
		return c, a, false
	}
	// Beyond the silence: one hello interval, lateness, and a little more.
	const spare = 100 * time.Millisecond
	need := silence + spare + seconds(max(0, -r.own.nbr.late.least()))
	both := r.own.judges && r.own.fate == waits
	if both {
		c.Ends = []string{"device", "neighbour"}
	}
	var want []state.Setting // parameter and value, the same at each end
	to := func(p state.Parameter, value string) { want = append(want, state.Setting{Parameter: p, Value: value}) }
	old := seconds(r.own.nbr.dhi).Round(time.Millisecond)
	// Source: RFC 5880 §6.8.3 and the like; what was told before still holds
	// for one old detection time.
	c.Settle = 2 * old
	if r.own.fate == restarts {
		if r.protocol != state.OSPFv2 && r.protocol != state.OSPFv3 || r.own.judges {
			return c, a, false
		}
		limit := ceil(silence+seconds(r.own.grace.resume.u)+seconds(r.back[1])+time.Minute, time.Second)
		if limit > 1800*time.Second {
			return c, a, false
		}
		c.Parameter, c.From, c.To = "grace period", a.Restart.Time.Or(120*time.Second).String(), limit.String()
		c.Source = "RFC 3623 §2.1"
		c.Settle = 0 // the neighbours hear of it as the restart begins: RFC 3623 §2.2
		to(state.ParamGracePeriod, limit.String())
		c.set(r, want)
		a.Restart.Time = state.Some(limit)
		return phrase(c), a, true
	}
	set := func(send, detect time.Duration) {
		a.Timers.Send, a.Timers.NeighbourDetect = state.Some(send), state.Some(detect)
		if both || negotiated(r.protocol) {
			a.Timers.NeighbourSend, a.Timers.OwnDetect = a.Timers.Send, a.Timers.NeighbourDetect
		}
	}
	switch r.protocol {
	case state.BFD:
		// Source: RFC 7419 §3, the common intervals and multipliers up to 255.
		interval := time.Second
		if send > interval || need > 60*time.Second {
			interval = 10 * time.Second
		}
		mult := max(3, int(ceil(need, interval)/interval)+1)
		if mult > 255 || send > interval {
			return c, a, false
		}
		set(interval, time.Duration(mult)*interval)
		a.BFD.Multiplier = state.Some(mult)
		if send != interval {
			to(state.ParamTransmit, interval.String())
		}
		to(state.ParamDetectMult, strconv.Itoa(mult))
		c.Parameter, c.From, c.To = "transmit interval × multiplier", fmt.Sprintf("%v, detection %v", send, old), fmt.Sprintf("%v × %d", interval, mult)
		c.Source = "RFC 5880 §6.8.3, RFC 7419 §3"
	case state.ISIS:
		mult := max(3, int(ceil(need, send)/send)+1)
		if mult > 100 { // Source: RFC 4444 isisCircLevelHelloMultiplier, 2 to 100
			return c, a, false
		}
		set(send, time.Duration(mult)*send)
		to(state.ParamHelloMultiplier, strconv.Itoa(mult))
		c.Parameter, c.From, c.To = "hello multiplier", old.String()+" holding time", fmt.Sprintf("%d (%v holding time)", mult, time.Duration(mult)*send)
		c.Source = "RFC 4444 isisCircLevelHelloMultiplier, RFC 3719 §2.2"
	case state.OSPFv2, state.OSPFv3:
		dead := ceil(need+send, time.Second)
		if dead > 65535*time.Second {
			return c, a, false
		}
		set(send, dead)
		to(state.ParamDeadInterval, dead.String())
		c.Ends = []string{"device", "neighbour"}
		c.Parameter, c.From, c.To = "router dead interval", old.String(), dead.String()
		c.Source = "RFC 2328 §10.5, both within one old dead interval"
	case state.LDP:
		hold := ceil(need+send, time.Second)
		if hold > 65534*time.Second {
			return c, a, false
		}
		set(send, hold)
		to(state.ParamHoldTime, hold.String())
		c.Ends = []string{"device", "neighbour"}
		c.Parameter, c.From, c.To = "hello hold time", old.String(), hold.String()
		c.Source = "RFC 5036 §3.5.2"
	case state.PIM:
		hold := ceil(need+send, time.Second)
		if hold > 65534*time.Second {
			return c, a, false
		}
		set(send, hold)
		to(state.ParamHoldTime, hold.String())
		c.Parameter, c.From, c.To = "hello hold time", old.String(), hold.String()
		c.Source = "RFC 7761 §4.9.2"
	case state.VRRP:
		// The backup adopts the interval of the active router: RFC 9568 §6.4.2.
		interval := ceil(need/2, 10*time.Millisecond)
		if interval > 40950*time.Millisecond || interval <= send {
			return c, a, false
		}
		set(interval, time.Duration(float64(interval)*float64(old)/float64(send)))
		to(state.ParamAdvertise, interval.String())
		c.Parameter, c.From, c.To = "advertisement interval", send.String(), interval.String()
		c.Source = "RFC 9568 §6.1 and §6.4.2"
	case state.LACP:
		if old >= 90*time.Second || need+30*time.Second > 90*time.Second {
			return c, a, false
		}
		a.Timers.Send, a.Timers.NeighbourDetect = state.Some(30*time.Second), state.Some(90*time.Second)
		c.Ends = []string{"neighbour"}
		to(state.ParamPeriod, "slow")
		c.Parameter, c.From, c.To = "LACP timeout", "short", "long"
		c.Source = "IEEE 802.1AX clause 6.4"
	case state.RSVP:
		interval := ceil(time.Duration(float64(need)/2.5), 10*time.Millisecond)
		set(interval, time.Duration(3.5*float64(interval)))
		to(state.ParamHelloInterval, interval.String())
		c.Ends = []string{"device", "neighbour"}
		c.Parameter, c.From, c.To = "hello interval", send.String(), interval.String()
		c.Source = "RFC 3209 §5.3"
	default:
		return c, a, false
	}
	c.set(r, want)
	// What must be seen afterwards, where it changes.
	if d, ok := a.Timers.NeighbourDetect.Get(); ok && d != r.adj.Timers.NeighbourDetect.Or(0) {
		c.Waits[0] = d
	}
	if d, ok := a.Timers.OwnDetect.Get(); ok && d != r.adj.Timers.OwnDetect.Or(0) && len(c.Ends) > 1 {
		c.Waits[1] = d
	}
	return phrase(c), a, true
}

func phrase(c Change) Change {
	ends := strings.Join(c.Ends, " and ")
	c.Apply = fmt.Sprintf("on the %s, set the %s to %s", ends, c.Parameter, c.To)
	c.Restore = fmt.Sprintf("on the %s, set the %s back to what it was (%s)", ends, c.Parameter, c.From)
	return c
}

// ceil rounds d up to a multiple of step.
func ceil(d, step time.Duration) time.Duration { return (d + step - 1) / step * step }

// drain is the choice to move traffic away from a link or session. It is not
// offered where something else stands on it alone.
func (s *search) drain(key string, rs []int) (choice, bool) {
	if s.prices.Drain < 0 {
		return choice{}, false
	}
	d := choice{cost: s.prices.Drain, risk: make([]float64, len(s.silences)), use: make([]int, len(s.spare))}
	c := Change{
		Kind: Drain, Ends: []string{"device"}, Cost: s.prices.Drain, Settle: 2 * time.Minute,
		Restore: "let traffic return",
	}
	touched := false
	for _, r := range rs {
		rel := &s.m.relations[r]
		switch rel.protocol {
		case state.RSTP, EVPN, IGMP, MLD:
			return d, false // the role would have to move
		}
		c.Adjacencies = append(c.Adjacencies, rel.name())
		if safe, _ := rel.own.bounds(); safe < s.law.Most().Seconds() || rel.carries && rel.kept[0] > 0 {
			touched = true
		}
	}
	if !touched {
		return d, false
	}
	// The nodes of the unit: those of its relations, and the gates that join
	// nothing else, which are its own aggregate and member links.
	inside := map[int]bool{}
	for n, at := range s.m.nodes {
		inside[n] = at.relation >= 0 && slices.Contains(rs, at.relation)
	}
	for changed := true; changed; {
		changed = false
		for n, at := range s.m.nodes {
			if inside[n] || at.relation >= 0 || len(at.needs) == 0 {
				continue
			}
			all := true
			for _, need := range at.needs {
				for _, of := range need.of {
					all = all && inside[of]
				}
			}
			if all {
				inside[n], changed = true, true
			}
		}
	}
	for n, at := range s.m.nodes {
		if inside[n] {
			continue
		}
		for _, need := range at.needs {
			hit := 0
			for _, of := range need.of {
				if inside[of] {
					hit++
				}
			}
			if hit > len(need.of)-need.atLeast {
				return d, false
			}
		}
	}
	for n, in := range inside {
		for _, g := range s.groups[n] {
			if in {
				d.use[g]++
			}
		}
	}
	// A need that is wholly inside is drained with its unit.
	for g := range d.use {
		if d.use[g] > s.spare[g] {
			d.use[g] = 0
		}
	}
	first := &s.m.relations[rs[0]]
	if strings.HasPrefix(key, "\x00") {
		c.Protocol, c.Instance, c.Neighbour = first.protocol, first.instance, first.neighbour
		c.Apply, c.Source = "move traffic away from the session and wait until it carries none", "RFC 8326 §4"
	} else {
		c.Interface = key
		c.Apply, c.Source = "raise the link's metric, or tag its routes, and wait until it carries none", "RFC 6987 §2, RFC 8326 §4; common practice"
	}
	s.drainLink(&c, rs)
	if !s.allowed(c) {
		return d, false
	}
	d.changes = []Change{c}
	return d, true
}

// joined merges items that are alike into one whose choices are the numbers of
// them treated each way.
func joined(items []item) []item {
	like := map[string][]item{}
	var order []string
	for _, it := range items {
		if len(it.choices) == 1 && it.choices[0].cost == 0 && allZero(it.choices[0].risk) {
			continue
		}
		var b strings.Builder
		for _, c := range it.choices {
			fmt.Fprint(&b, c.cost, c.risk, c.use, ";")
		}
		if len(like[b.String()]) == 0 {
			order = append(order, b.String())
		}
		like[b.String()] = append(like[b.String()], it)
	}
	var out []item
	for _, key := range order {
		all := like[key]
		one := all[0]
		if ways := compositions(len(all), len(one.choices)); len(all) == 1 || ways > mostChoices {
			out = append(out, all...)
			continue
		}
		count := make([]int, len(one.choices))
		merged := item{key: one.key}
		var walk func(i, left int)
		walk = func(i, left int) {
			if i == len(count)-1 {
				count[i] = left
				merged.choices = append(merged.choices, mixed(all, count))
				return
			}
			for n := 0; n <= left; n++ {
				count[i] = n
				walk(i+1, left-n)
			}
		}
		walk(0, len(all))
		if len(one.choices) > 2 {
			merged.choices = pareto(merged.choices)
		}
		out = append(out, merged)
	}
	return out
}

// mixed treats the first count[0] items the first way, the next the second, and
// so on.
func mixed(all []item, count []int) choice {
	like := all[0].choices
	z := choice{risk: make([]float64, len(like[0].risk)), use: make([]int, len(like[0].use))}
	at := 0
	for i, n := range count {
		z.cost += float64(n) * like[i].cost
		for j, r := range like[i].risk {
			z.risk[j] += float64(n) * r
		}
		for j, u := range like[i].use {
			z.use[j] += n * u
		}
		for range n {
			z.changes = append(z.changes, all[at].choices[i].changes...)
			at++
		}
	}
	return z
}

// compositions counts the ways to split n into k parts, up to a bound.
func compositions(n, k int) int {
	ways := 1.0
	for i := 1; i < k; i++ {
		ways = ways * float64(n+i) / float64(i)
	}
	return int(min(ways, 1e9))
}

// probability is P(untouched) at the nodes of the search.
func (s *search) probability(risk []float64) float64 {
	p := 1.0
	for j, w := range s.weights {
		p -= w * -math.Expm1(-risk[j])
	}
	return p
}

// solve is a branch and bound over the items. best is nil when no choice
// reaches the target.
func (s *search) solve() (best []int, cost, bound float64, proven bool) {
	n, nodes := len(s.items), len(s.silences)
	if n == 0 {
		return nil, 0, 0, true
	}
	// The least risk the items from i on can leave, and the most all can.
	least := make([][]float64, n+1)
	least[n] = make([]float64, nodes)
	most := make([]float64, nodes)
	for i := n - 1; i >= 0; i-- {
		least[i] = slices.Clone(least[i+1])
		for j := range nodes {
			lo, hi := math.Inf(1), 0.0
			for _, c := range s.items[i].choices {
				lo, hi = min(lo, c.risk[j]), max(hi, c.risk[j])
			}
			least[i][j] += lo
			most[j] += hi
		}
	}
	if s.probability(least[0]) < s.target {
		return nil, 0, 0, true
	}
	relaxed := s.relaxations(most)
	grain := s.grain()
	up := func(c float64) float64 {
		if grain > 0 {
			return math.Ceil(c/grain-1e-6) * grain
		}
		return c
	}
	rest := func(i int, used []float64) float64 {
		worst := 0.0
		for k, r := range relaxed {
			worst = max(worst, r.rest(i, used[k]))
		}
		return worst
	}
	used := make([][]float64, n+1)
	for i := range used {
		used[i] = make([]float64, len(relaxed))
	}
	bound = up(rest(0, used[0]))
	best, cost = s.greedy()
	order := make([][]int, n) // choices of an item, the cheapest first
	work := 0
	for i, it := range s.items {
		order[i] = make([]int, len(it.choices))
		for c := range it.choices {
			order[i][c] = c
		}
		slices.SortStableFunc(order[i], func(a, b int) int { return cmp.Compare(it.choices[a].cost, it.choices[b].cost) })
		work += len(it.choices)
	}
	allowed := max(2000, mostWork/(work*len(relaxed)+nodes))
	visits, stop := 0, false
	pick := make([]int, n)
	use := make([]int, len(s.spare))
	risks := make([][]float64, n+1)
	for i := range risks {
		risks[i] = make([]float64, nodes)
	}
	sum := make([]float64, nodes)
	var walk func(i int, spent float64)
	walk = func(i int, spent float64) {
		if i == n {
			if spent < cost-1e-9 && s.probability(risks[n]) >= s.target {
				cost, best = spent, slices.Clone(pick)
			}
			return
		}
		for _, c := range order[i] {
			if visits++; visits > allowed {
				stop = true
			}
			if stop || cost <= bound+1e-9 {
				return
			}
			ch := &s.items[i].choices[c]
			if spent+ch.cost >= cost-1e-9 {
				return // the others cost more
			}
			for k, r := range relaxed {
				used[i+1][k] = used[i][k] + r.volume[i][c]
			}
			if up(spent+ch.cost+rest(i+1, used[i+1])) >= cost-1e-9 {
				continue
			}
			for j := range sum {
				risks[i+1][j] = risks[i][j] + ch.risk[j]
				sum[j] = risks[i+1][j] + least[i+1][j]
			}
			if s.probability(sum) < s.target {
				continue
			}
			fits := true
			for g, u := range ch.use {
				use[g] += u
				fits = fits && use[g] <= s.spare[g]
			}
			if fits {
				pick[i] = c
				walk(i+1, spent+ch.cost)
			}
			for g, u := range ch.use {
				use[g] -= u
			}
		}
	}
	walk(0, 0)
	switch {
	case best == nil:
		return nil, 0, 0, !stop
	case !stop:
		bound = cost
	}
	return best, cost, bound, !stop || cost <= bound+1e-9
}

// greedy treats the item that gains most for its price until the target is
// reached, and then takes back what was not needed. It returns nil when it
// gets stuck.
func (s *search) greedy() ([]int, float64) {
	pick := make([]int, len(s.items))
	use := make([]int, len(s.spare))
	risk := make([]float64, len(s.silences))
	cost := 0.0
	for i, it := range s.items {
		for c := range it.choices {
			if it.choices[c].cost < it.choices[pick[i]].cost {
				pick[i] = c
			}
		}
		cost += it.choices[pick[i]].cost
		for j, r := range it.choices[pick[i]].risk {
			risk[j] += r
		}
		for g, u := range it.choices[pick[i]].use {
			use[g] += u
		}
	}
	moved := make([]float64, len(risk))
	try := func(i, c int) float64 {
		from, to := &s.items[i].choices[pick[i]], &s.items[i].choices[c]
		for g := range use {
			if use[g]+to.use[g]-from.use[g] > s.spare[g] {
				return -1
			}
		}
		for j := range risk {
			moved[j] = max(0, risk[j]+to.risk[j]-from.risk[j])
		}
		return s.probability(moved)
	}
	set := func(i, c int) {
		from, to := &s.items[i].choices[pick[i]], &s.items[i].choices[c]
		for g := range use {
			use[g] += to.use[g] - from.use[g]
		}
		for j := range risk {
			risk[j] = max(0, risk[j]+to.risk[j]-from.risk[j])
		}
		cost += to.cost - from.cost
		pick[i] = c
	}
	// While everything dies anyway, the mean risk says more than the chance.
	calm := func(risk []float64) float64 {
		t := 0.0
		for j, r := range risk {
			t += s.weights[j] * min(r, 50)
		}
		return t
	}
	for s.probability(risk) < s.target {
		now, heat := s.probability(risk), calm(risk)
		bi, bc, gain := -1, -1, 0.0
		for i, it := range s.items {
			for c := range it.choices {
				if dc := it.choices[c].cost - it.choices[pick[i]].cost; dc > 0 {
					p := try(i, c)
					if p < 0 {
						continue
					}
					g := (math.Log(p+1e-300) - math.Log(now+1e-300) + 1e-3*(heat-calm(moved))) / dc
					if p >= s.target {
						g = max(g, (math.Log(s.target)-math.Log(now+1e-300))/dc)
					}
					if g > gain {
						bi, bc, gain = i, c, g
					}
				}
			}
		}
		if bi < 0 {
			return nil, math.Inf(1)
		}
		set(bi, bc)
	}
	for again := true; again; {
		again = false
		bi, bc, saved := -1, -1, 1e-9
		for i, it := range s.items {
			for c := range it.choices {
				if dc := it.choices[pick[i]].cost - it.choices[c].cost; dc > saved && try(i, c) >= s.target {
					bi, bc, saved = i, c, dc
				}
			}
		}
		if bi >= 0 {
			set(bi, bc)
			again = true
		}
	}
	return pick, cost
}

// relaxation is a linear condition that every set of choices which reaches the
// target meets: their volumes add up to no more than the room.
type relaxation struct {
	room   float64
	volume [][]float64 // of each item's choices
	base   []float64   // volume of the cheapest choices from an item on
	floor  []float64   // and their cost
	gains  []gain      // steps along the convex hulls, the best first
}

type gain struct {
	item   int
	dv, dc float64
}

// relaxations makes the conditions of which the search takes the strongest.
//
// The chance of being untouched never rises with the silence. So where the
// mass of shorter silences is W, reaching the target T needs a chance of at
// least (T-W)/(1-W) at a silence, which caps the risk there: a linear
// condition on the choices. And exp(-x) lies below its chord on [0, cap], which
// turns the target itself into another one.
func (s *search) relaxations(most []float64) []*relaxation {
	order := make([]int, len(s.silences))
	for j := range order {
		order[j] = j
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(s.silences[a], s.silences[b]) })
	shorter := 1.0
	for _, w := range s.weights {
		shorter -= w
	}
	shorter = max(0, shorter)
	limit := slices.Clone(most)
	weight := make([]float64, len(limit))
	var all []*relaxation
	for _, j := range order {
		if need := (s.target - shorter) / (1 - shorter); need > 1e-9 && shorter < 1 {
			limit[j] = min(limit[j], -math.Log(min(1, need)))
			if limit[j] < most[j] {
				clear(weight)
				weight[j] = 1
				all = append(all, s.relax(weight, limit[j]+1e-9))
			}
		}
		shorter += s.weights[j]
	}
	for j, m := range limit {
		weight[j] = 0
		if m > 0 {
			weight[j] = -math.Expm1(-m) / m * s.weights[j]
		}
	}
	all = append(all, s.relax(weight, 1-s.target+1e-12))
	// Keep the strongest few.
	slices.SortStableFunc(all, func(a, b *relaxation) int { return cmp.Compare(b.rest(0, 0), a.rest(0, 0)) })
	return all[:min(len(all), 3)]
}

func (s *search) relax(weight []float64, room float64) *relaxation {
	n := len(s.items)
	r := &relaxation{room: room, volume: make([][]float64, n), base: make([]float64, n+1), floor: make([]float64, n+1)}
	for i := n - 1; i >= 0; i-- {
		it := &s.items[i]
		r.volume[i] = make([]float64, len(it.choices))
		for c := range it.choices {
			for j, x := range it.choices[c].risk {
				if weight[j] > 0 {
					r.volume[i][c] += weight[j] * x
				}
			}
		}
		h := hull(it.choices, r.volume[i])
		r.base[i], r.floor[i] = r.base[i+1]+r.volume[i][h[0]], r.floor[i+1]+it.choices[h[0]].cost
		for k := 1; k < len(h); k++ {
			r.gains = append(r.gains, gain{i, r.volume[i][h[k-1]] - r.volume[i][h[k]], it.choices[h[k]].cost - it.choices[h[k-1]].cost})
		}
	}
	slices.SortStableFunc(r.gains, func(a, b gain) int { return cmp.Compare(b.dv*a.dc, a.dv*b.dc) })
	return r
}

// rest is the least cost of the items from i on, in fractions of choices, when
// used of the room is gone.
func (r *relaxation) rest(i int, used float64) float64 {
	over, cost := used+r.base[i]-r.room, r.floor[i]
	for _, g := range r.gains {
		if over <= 0 {
			return cost
		}
		switch {
		case g.item < i:
		case g.dv >= over:
			return cost + g.dc*over/g.dv
		default:
			over -= g.dv
			cost += g.dc
		}
	}
	if over > 1e-9*(1+r.room) {
		return math.Inf(1)
	}
	return cost
}

// hull is the lower convex hull of cost against volume, from the cheapest
// choice on.
func hull(cs []choice, volume []float64) []int {
	idx := make([]int, len(cs))
	for i := range idx {
		idx[i] = i
	}
	slices.SortStableFunc(idx, func(a, b int) int {
		return cmp.Or(cmp.Compare(cs[a].cost, cs[b].cost), cmp.Compare(volume[a], volume[b]))
	})
	var h []int
	for _, i := range idx {
		if len(h) > 0 && volume[i] >= volume[h[len(h)-1]] {
			continue
		}
		for len(h) >= 2 {
			a, b := h[len(h)-2], h[len(h)-1]
			// b is above the line from a to i when its gain is the worse one.
			if (volume[a]-volume[b])*(cs[i].cost-cs[a].cost) <= (volume[a]-volume[i])*(cs[b].cost-cs[a].cost) {
				h = h[:len(h)-1]
				continue
			}
			break
		}
		h = append(h, i)
	}
	return h
}

// grain is the greatest number of which all costs are multiples, to a
// millionth, or 0.
func (s *search) grain() float64 {
	var g int64
	for _, it := range s.items {
		for _, c := range it.choices {
			v := int64(math.Round(c.cost * 1e6))
			if math.Abs(float64(v)/1e6-c.cost) > 1e-9 {
				return 0
			}
			for v != 0 {
				g, v = v, g%v
			}
		}
	}
	return float64(g) / 1e6
}

// apply lists the changes of a solution and what P(untouched) is with them, by
// the exact integral.
func (s *search) apply(pick []int) ([]Change, float64) {
	var changes []Change
	for i, c := range pick {
		changes = append(changes, s.items[i].choices[c].changes...)
	}
	slices.SortStableFunc(changes, func(a, b Change) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Protocol, b.Protocol), cmp.Compare(a.Interface, b.Interface), cmp.Compare(a.Neighbour, b.Neighbour), cmp.Compare(a.Instance, b.Instance))
	})
	return changes, s.with(changes)
}

// with is P(untouched) under changes, by the exact integral.
func (s *search) with(changes []Change) float64 {
	treated := map[string]Change{}
	for _, c := range changes {
		for _, name := range c.Adjacencies {
			treated[name] = c
		}
	}
	m, sys := *s.m, *s.m.system
	m.system, sys.relations = &sys, slices.Clone(s.m.relations)
	m.classes, m.class, m.touching, m.spoilt = nil, slices.Clone(s.m.class), nil, -1
	index := map[own]int32{}
	m.required, m.safe, m.dead, m.open = nil, nil, nil, nil
	for _, i := range s.m.touching {
		r := &m.relations[i]
		o := r.own
		touched := r.carries && r.kept[0] > 0
		if c, ok := treated[r.name()]; ok {
			switch c.Kind {
			case SetTimers:
				if _, a, ok := longer(&s.m.relations[i], s.law.Most()+s.options.ResumeDelay.Most); ok {
					o, _ = s.recompiled(r, a)
				}
			default:
				o, touched = own{fate: alive}, false
			}
		}
		r.own = o
		c, ok := index[o]
		if !ok {
			c = int32(len(m.classes))
			m.classes = append(m.classes, o)
			m.required = append(m.required, 0)
			safe, dead := o.bounds()
			m.safe, m.dead = append(m.safe, safe), append(m.dead, dead)
			index[o] = c
		}
		m.class[i] = c
		m.required[c]++
		m.touching = append(m.touching, i)
		if o.fate == lost || touched {
			m.spoilt = i
		}
	}
	m.arrange()
	p, _ := m.expectUntouched(s.law)
	return p
}

// atRisk names what does not surely live.
func (s *search) atRisk() []string {
	var out []string
	for _, i := range s.m.touching {
		r := &s.m.relations[i]
		if safe, _ := r.own.bounds(); safe < s.law.Most().Seconds() || r.carries && r.kept[0] > 0 {
			out = append(out, r.name())
		}
	}
	return out
}

// hopeless names what no choice saves.
func (s *search) hopeless() []string {
	var out []string
	for _, i := range s.m.touching {
		worst := math.Inf(1)
		for _, c := range s.treatments(i) {
			w := 0.0
			for j, r := range c.risk {
				w += s.weights[j] * -math.Expm1(-r)
			}
			worst = min(worst, w)
		}
		if worst > 1-s.target {
			out = append(out, s.m.relations[i].name())
		}
	}
	return out
}
