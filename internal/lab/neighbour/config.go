package neighbour

import (
	"fmt"
	"strings"
	"time"
)

// DefaultLatency is the one-way delay of a message where a [Config] gives none.
const DefaultLatency = 500 * time.Microsecond

// Config is one adjacency between the chassis and a neighbour.
type Config struct {
	Instance  string // network instance, or group number
	Interface string // empty for a session that is bound to none
	Neighbour string // address, router id, system id, …
	Peer      string // system name of the neighbour
	// Implementation is told as it is, and means nothing to the machines.
	Implementation string

	// Device and Far are the two ends; both of the same type.
	Device, Far Speaker
	// DeviceProfile and FarProfile are how their implementations behave.
	DeviceProfile, FarProfile Profile

	// Card is the line card whose links carry the adjacency; empty for none.
	Card string
	// Over is what the adjacency rides on: the name of an aggregate or the key
	// of another adjacency. Where that is down at one end, this one is too.
	Over string
	// BFD is the key of the BFD session that protects it.
	BFD string
	// Aggregate is, for LACP, the group that the link is a member of, and
	// MinLinks how many members must distribute for it to be up; 0 means 1.
	Aggregate string
	MinLinks  int

	// Nonstop says that the chassis keeps the state on both controller cards.
	Nonstop bool
	// Offloaded says that hardware runs the chassis's end, so that it does not
	// fall silent with the control plane.
	Offloaded bool
	// Latency is the one-way delay of messages; 0 means DefaultLatency.
	Latency time.Duration
	// Age is how long the adjacency has been up when the set starts; 0 leaves
	// what the machines needed to come up.
	Age time.Duration
}

// Key names an adjacency: protocol, neighbour and interface, separated by
// spaces, without what is empty.
func Key(protocol, neighbour, iface string) string {
	return strings.TrimRight(protocol+" "+neighbour+" "+iface, " ")
}

// Key returns the name of the adjacency in its set.
func (c Config) Key() string {
	if c.Device == nil {
		return Key("?", c.Neighbour, c.Interface)
	}
	return Key(c.Device.protocol(), c.Neighbour, c.Interface)
}

// Protocol returns the protocol's name: bgp, ospfv2, ospfv3, isis, bfd, vrrp,
// lacp, rstp, lldp, ldp or pim.
func (c Config) Protocol() string {
	if c.Device == nil {
		return ""
	}
	return c.Device.protocol()
}

// check reports the first thing wrong with a list of configurations.
func check(cfgs []Config) error {
	keys, groups := map[string]Config{}, map[string]bool{}
	for i, c := range cfgs {
		if c.Device == nil || c.Far == nil {
			return fmt.Errorf("adjacency %d (neighbour %q): found an end without configuration, want two", i, c.Neighbour)
		}
		if c.Device.protocol() != c.Far.protocol() {
			return fmt.Errorf("adjacency %s: found %s at the far end, want %s at both", c.Key(), c.Far.protocol(), c.Device.protocol())
		}
		for _, s := range []Speaker{c.Device, c.Far} {
			if err := s.check(); err != nil {
				return fmt.Errorf("adjacency %s: %w", c.Key(), err)
			}
		}
		if err := pair(c.Device, c.Far); err != nil {
			return fmt.Errorf("adjacency %s: %w", c.Key(), err)
		}
		if _, twice := keys[c.Key()]; twice {
			return fmt.Errorf("adjacency %s: found it twice, want each once", c.Key())
		}
		keys[c.Key()] = c
		if c.Aggregate != "" {
			if c.Protocol() != "lacp" {
				return fmt.Errorf("adjacency %s: found aggregate %q, which only LACP has", c.Key(), c.Aggregate)
			}
			groups[c.Aggregate] = true
		}
	}
	for i, c := range cfgs {
		if c.Over != "" && !groups[c.Over] {
			if _, ok := keys[c.Over]; !ok || c.Over == c.Key() {
				return fmt.Errorf("adjacency %s: over: found %q, want an aggregate or another adjacency", c.Key(), c.Over)
			}
		}
		if c.BFD != "" {
			if b, ok := keys[c.BFD]; !ok || b.Protocol() != "bfd" || c.Protocol() == "bfd" {
				return fmt.Errorf("adjacency %s: bfd: found %q, want the key of a BFD session", c.Key(), c.BFD)
			}
		}
		under := c
		for range cfgs {
			next, ok := keys[under.Over]
			if !ok {
				break
			}
			if under = next; under.Key() == c.Key() {
				return fmt.Errorf("adjacency %s (%d): found that it rides on itself, by way of %q", c.Key(), i, c.Over)
			}
		}
	}
	return nil
}

// pair reports what is impossible about two ends that are possible by
// themselves.
func pair(device, far Speaker) error {
	if p, ok := device.(interface{ pair(far Speaker) error }); ok {
		return p.pair(far)
	}
	return nil
}
