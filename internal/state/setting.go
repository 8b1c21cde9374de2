package state

import "strings"

// Parameter names what a [Setting] sets. The comment beside each gives the form
// of its value.
type Parameter string

// The parameters. What a protocol does not have, a driver refuses.
const (
	ParamHelloInterval   Parameter = "hello-interval"       // duration, "10s"
	ParamDeadInterval    Parameter = "dead-interval"        // duration; OSPF RouterDeadInterval
	ParamHoldTime        Parameter = "hold-time"            // duration; BGP, LDP, PIM
	ParamGracePeriod     Parameter = "grace-period"         // duration; OSPF, RFC 3623 §2.1
	ParamHelloMultiplier Parameter = "hello-multiplier"     // whole number; IS-IS
	ParamTransmit        Parameter = "transmit-interval"    // duration; BFD desired minimum
	ParamReceive         Parameter = "receive-interval"     // duration; BFD required minimum
	ParamDetectMult      Parameter = "detection-multiplier" // whole number; BFD
	ParamPeriod          Parameter = "period"               // "fast" or "slow"; LACP
	ParamAdvertise       Parameter = "advertise-interval"   // duration; VRRP
	ParamPriority        Parameter = "priority"             // whole number; VRRP
	ParamEnabled         Parameter = "enabled"              // "true" or "false"; a BFD session
	ParamMetric          Parameter = "metric"               // whole number; IGP cost of an interface
	// ParamOverload asks others not to route through the device: the overload
	// bit of IS-IS, the maximum metric of OSPF; "true" or "false".
	// Source: ISO/IEC 10589 §7.2.8.1, RFC 6987 §2.
	ParamOverload Parameter = "overload"
	// ParamGracefulShutdown lowers the preference of BGP routes, of one
	// neighbour or all; "true" or "false". Source: RFC 8326 §4.
	ParamGracefulShutdown Parameter = "graceful-shutdown"
)

// Setting is one value of a device's running configuration. An empty Value
// stands for no value at all: the device's own default holds.
type Setting struct {
	Protocol  string    `json:"protocol,omitempty"` // as in [Adjacency]
	Instance  string    `json:"instance,omitempty"`
	Interface string    `json:"interface,omitempty"`
	Neighbour string    `json:"neighbour,omitempty"`
	Parameter Parameter `json:"parameter"`
	Value     string    `json:"value,omitempty"`
}

// Key is the setting without its value; two settings with equal keys are about
// the same thing.
func (s Setting) Key() Setting {
	s.Value = ""
	return s
}

// Parts is what the setting sets, in words and without its value, as
// "bfd 192.0.2.1 detection-multiplier".
func (s Setting) Parts() string {
	words := []string{}
	for _, w := range []string{s.Protocol, s.Instance, s.Interface, s.Neighbour, string(s.Parameter)} {
		if w != "" {
			words = append(words, w)
		}
	}
	return strings.Join(words, " ")
}

// Text is the setting in words, as "bfd 192.0.2.1 detection-multiplier 5".
func (s Setting) Text() string {
	words := []string{}
	for _, w := range []string{s.Protocol, s.Instance, s.Interface, s.Neighbour, string(s.Parameter), s.Value} {
		if w != "" {
			words = append(words, w)
		}
	}
	if s.Value == "" {
		words = append(words, "(its default)")
	}
	return strings.Join(words, " ")
}
