package survival

import (
	"math"
	"time"

	"towpath/internal/state"
)

// Predict forecasts what becomes of the adjacencies of a capture in a
// silence. The forecast's adjacencies are in the order of the capture.
func Predict(c *state.Capture, s Silence, o Options) Forecast {
	f := Forecast{Device: c.Device, Law: Law{{1, s}}, Untouched: 1, Safe: math.MaxInt64}
	for _, a := range c.Adjacencies {
		h, d, src := standard(a.Protocol)
		w := AdjacencyForecast{
			Protocol: a.Protocol, Instance: a.Instance, Interface: a.Interface, Neighbour: a.Neighbour,
			Peer: a.Peer.Or(""), Carries: a.Protocol != state.LLDP, Source: src,
		}
		send, detect := a.Timers.Send.Or(h), a.Timers.NeighbourDetect.Or(d)
		w.Inputs = []Input{
			{"hello interval", send.String(), !a.Timers.Send.Known(), src},
			{"neighbour's detection time", detect.String(), !a.Timers.NeighbourDetect.Known(), src},
		}
		w.Safe = max(0, detect-send)
		gap := (detect - s.Mean() - o.ResumeDelay.Mean()).Seconds() / send.Seconds()
		w.Survive = min(1, max(0, gap))
		w.Alone = w.Survive
		switch {
		case w.Survive == 1:
			w.Outcome, w.Why = Holds, "the neighbour waits longer than the silence and one hello interval"
		case w.Survive == 0:
			w.Outcome, w.Why = Drops, "the neighbour gives up before the silence ends"
		default:
			w.Outcome, w.Why = AtRisk, "it depends on when the last hello was sent"
		}
		if w.Carries {
			f.Untouched *= w.Survive
			if w.Safe < f.Safe {
				f.Safe, f.Limiting = w.Safe, w.Name()
			}
		}
		f.Adjacencies = append(f.Adjacencies, w)
	}
	if f.Safe == math.MaxInt64 {
		f.Safe, f.Unlimited = 0, true
	}
	return f
}

// standard returns hello interval and detection time of the standard.
func standard(protocol string) (hello, detect time.Duration, source string) {
	s := time.Second
	switch protocol {
	case state.BGP:
		return 30 * s, 90 * s, "RFC 4271 §10"
	case state.OSPFv2, state.OSPFv3:
		return 10 * s, 40 * s, "RFC 2328 appendix C.3"
	case state.ISIS:
		return 3 * s, 30 * s, "ISO/IEC 10589"
	case state.BFD:
		return s, 3 * s, "RFC 5880 §6.8.4"
	case state.VRRP:
		return s, 3609375 * time.Microsecond, "RFC 9568 §6.1"
	case state.LACP:
		return s, 3 * s, "IEEE 802.1AX clause 6.4"
	case state.RSTP:
		return 2 * s, 6 * s, "IEEE 802.1D-2004 clause 17"
	case state.LLDP:
		return 30 * s, 120 * s, "IEEE 802.1AB"
	case state.LDP:
		return 5 * s, 15 * s, "RFC 5036 §3.5.2"
	case state.PIM:
		return 30 * s, 105 * s, "RFC 7761 §4.11"
	default:
		return 5 * time.Millisecond, 17500 * time.Microsecond, "RFC 3209 §5.3"
	}
}
