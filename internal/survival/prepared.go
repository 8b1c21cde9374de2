package survival

import (
	"slices"
	"strings"

	"towpath/internal/state"
)

// What a drain sets.
const (
	// leastPriority is the lowest that a router may be configured with: with it
	// the device is active only where no other router is.
	// Source: RFC 9568 §6.1, 1 to 254; 0 says that the active router stops.
	leastPriority = "1"
	// Source: RFC 6987 §2, MaxLinkMetric 0xffff: a last resort, and still a way.
	largestOSPFMetric = "65535"
	// Source: RFC 5305 §3: 2^24-1 is left out of the computation, so one less is
	// the largest that still carries what has no other way.
	largestISISMetric = "16777214"
)

// SettingAt is the setting of a parameter at one end of an adjacency, keyed as
// that end's own capture names it: by the interface where the protocol keeps the
// parameter there, by the neighbour where it keeps it there.
func SettingAt(a state.Adjacency, p state.Parameter, value string) state.Setting {
	s := state.Setting{Protocol: a.Protocol, Parameter: p, Value: value}
	switch a.Protocol {
	case state.BFD:
		// The timers of a session are those of its interface; of one over several
		// hops there is no interface to tell it by (RFC 5883).
		if s.Interface = a.Interface; a.Interface == "" {
			s.Neighbour = a.Neighbour
		}
	case state.BGP:
		s.Instance, s.Neighbour = a.Instance, a.Neighbour
	case state.LACP:
		s.Interface = a.Interface // of a member; all of a group share it
	default:
		s.Instance, s.Interface = a.Instance, a.Interface
	}
	if p == state.ParamGracePeriod {
		s.Interface = "" // of the process: RFC 9129, restart-interval
	}
	return s
}

// set puts a change's settings in its ends: those of the device under its own
// keys.
func (c *Change) set(r *relation, want []state.Setting) {
	for _, w := range want {
		if slices.Contains(c.Ends, "device") {
			c.Settings = append(c.Settings, SettingAt(r.adj, w.Parameter, w.Value))
		}
		if slices.Contains(c.Ends, "neighbour") {
			c.Peer = r.peerName()
			c.PeerSettings = append(c.PeerSettings, state.Setting{Protocol: r.protocol, Parameter: w.Parameter, Value: w.Value})
		}
	}
}

func (r *relation) peerName() string {
	if r.peer != "" {
		return r.peer
	}
	return r.neighbour
}

// Together reports whether both ends must be set within one detection time,
// because until both agree the adjacency does not come up or is lost: no person
// can be asked to do one of them.
// Source: RFC 2328 §10.5, RFC 5036 §3.5.2, RFC 3209 §5.3.
func (c Change) Together() bool {
	return c.Kind == SetTimers && (c.Protocol == state.OSPFv2 || c.Protocol == state.OSPFv3 || c.Protocol == state.LDP || c.Protocol == state.RSVP)
}

// Moves reports whether the change moves traffic or a role away, rather than
// having an adjacency wait longer.
func (c Change) Moves() bool { return c.Kind != SetTimers && c.Kind != Suspend }

// Settable reports whether parameters say all that the change asks for.
func (c Change) Settable() bool {
	for _, end := range c.Ends {
		if end == "device" && len(c.Settings) == 0 || end == "neighbour" && len(c.PeerSettings) == 0 {
			return false
		}
	}
	return true
}

func (s *search) allowed(c Change) bool { return s.options.Allow == nil || s.options.Allow(c) }

// drainLink puts the settings in a change that empties a link or session: the
// largest metric at both ends, since each end's metric turns only the traffic
// that it sends, and lowered preference of the routes of BGP, which the
// neighbour honours by itself (RFC 8326 §4). A link that carries neither has
// nothing to set.
func (s *search) drainLink(c *Change, rs []int) {
	for _, i := range rs {
		r := &s.m.relations[i]
		metric := map[string]string{state.OSPFv2: largestOSPFMetric, state.OSPFv3: largestOSPFMetric, state.ISIS: largestISISMetric}[r.protocol]
		switch {
		case r.down:
		case metric != "" && (c.Peer == "" || c.Peer == r.peerName()):
			c.Ends = []string{"device", "neighbour"}
			c.set(r, []state.Setting{{Parameter: state.ParamMetric, Value: metric}})
		case metric != "":
			// Two neighbours on one link: the device's own end is set, and who else
			// is there a change cannot say.
			c.Settings, c.PeerSettings = nil, nil
			return
		case r.protocol == state.BGP:
			c.Settings = append(c.Settings, SettingAt(r.adj, state.ParamGracefulShutdown, "true"))
		}
	}
}

// drainDevice are the settings that ask all others not to route through the
// device. Source: RFC 6987 §2, RFC 3787 §4, RFC 8326 §4, RFC 9568 §6.4.3.
func (s *search) drainDevice() []state.Setting {
	var out []state.Setting
	add := func(x state.Setting) {
		if !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	for i := range s.m.relations {
		r := &s.m.relations[i]
		instance, _, _ := strings.Cut(r.instance, " level ")
		switch r.protocol {
		case state.OSPFv2, state.OSPFv3, state.ISIS:
			add(state.Setting{Protocol: r.protocol, Instance: instance, Parameter: state.ParamOverload, Value: "true"})
		case state.BGP:
			add(SettingAt(r.adj, state.ParamGracefulShutdown, "true"))
		case state.VRRP:
			if r.adj.Role.Or("") != "backup" {
				add(SettingAt(r.adj, state.ParamPriority, leastPriority))
			}
		}
	}
	return out
}

// PredictPrepared is [PredictLaw] given that the changes have been made. What a
// change was advised for is found by the names of its adjacencies; of a change
// only its kind, protocol and those names are looked at, and new timers are
// those that [Advise] offers for the same law and options.
func PredictPrepared(c *state.Capture, law Law, o Options, changes []Change) Forecast {
	law, cautions := mended(law)
	if len(changes) == 0 {
		return newModel(compile(c, o)).forecast(c.Device, law, cautions)
	}
	kinds := map[string]ChangeKind{}
	drained := false
	for _, ch := range changes {
		drained = drained || ch.Kind == DrainDevice
		for _, name := range ch.Adjacencies {
			kinds[name] = ch.Kind
		}
	}
	// New timers change what the device tells; everything else changes what a
	// loss means.
	plain := compile(c, o)
	timers := *c
	timers.Adjacencies = slices.Clone(c.Adjacencies)
	for i := range plain.relations {
		r := &plain.relations[i]
		if kinds[r.name()] != SetTimers {
			continue
		}
		_, to, ok := longer(r, law.Most()+o.ResumeDelay.Most)
		j := slices.IndexFunc(timers.Adjacencies, func(a state.Adjacency) bool {
			return a.Protocol == r.protocol && a.Instance == r.instance && a.Interface == r.iface && a.Neighbour == r.neighbour
		})
		if ok && j >= 0 {
			timers.Adjacencies[j] = to
		}
	}
	sys := compile(&timers, o)
	for i := range sys.relations {
		r := &sys.relations[i]
		why := ""
		switch kinds[r.name()] {
		case Suspend:
			why = "the session is suspended for the hand-over, which tells those that it protects nothing"
		case MoveRole:
			why = "the role has been moved to the partner for the hand-over"
		case Drain:
			why = "no traffic rides on it during the hand-over"
		case SetTimers, DrainDevice:
		}
		if drained {
			why = "the device carries no traffic during the hand-over"
		}
		if why != "" {
			r.own, r.mode, r.fixed, r.kept = own{fate: alive}, frozen, why, [2]float64{}
		}
	}
	return newModel(sys).forecast(c.Device, law, cautions)
}
