package probe

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// MaxRate is the highest rate of one flow in packets per second. Beyond it the
// pacing of an ordinary host is no longer steady.
const MaxRate = 10000

// maxTmax is the longest waiting threshold that a record can hold.
const maxTmax = 4 * time.Second

// ReflectorKind says whether the far end counts its replies by itself.
type ReflectorKind int

// The kinds of reflector.
const (
	// ReflectorUnknown as a setting means to find out: a throwaway session from
	// a port of its own begins with number 7, which a stateful reflector answers
	// with 0 and a stateless one with 7. As a result it means that nothing was
	// found out.
	ReflectorUnknown ReflectorKind = iota
	ReflectorStateful
	ReflectorStateless
)

var kindNames = [...]string{ReflectorUnknown: "unknown", ReflectorStateful: "stateful", ReflectorStateless: "stateless"}

// String returns "unknown", "stateful" or "stateless".
func (k ReflectorKind) String() string {
	if k < 0 || int(k) >= len(kindNames) {
		return fmt.Sprintf("ReflectorKind(%d)", int(k))
	}
	return kindNames[k]
}

// MarshalText writes the kind as String does.
func (k ReflectorKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (k *ReflectorKind) UnmarshalText(b []byte) error {
	i := slices.Index(kindNames[:], string(b))
	if i < 0 {
		return fmt.Errorf("probe: %q is no kind of reflector: write unknown, stateful or stateless", b)
	}
	*k = ReflectorKind(i)
	return nil
}

// Flow is one stream of test packets to one reflector.
type Flow struct {
	Name string
	// To is the reflector's host and port; without a port, 862.
	To string
	// From is the local address to send from; empty lets the system choose.
	From string
	// Ports is how many source ports the packets are spread over, in turn; zero
	// means 1. Each port is a session of its own, and in a network that spreads
	// flows over several paths, takes its own path.
	Ports int
	// SourcePort is the first of them, the others follow; zero lets the system
	// choose.
	SourcePort int
	// Rate is packets per second over all ports; zero means Config.Rate.
	Rate int
	// Reflector is what is known of the far end.
	Reflector ReflectorKind
}

// Config says what a sender sends. Only Flows is required.
type Config struct {
	Flows []Flow
	// Rate is packets per second in each flow, up to [MaxRate]; zero means 1000.
	Rate int
	// Size is the UDP payload in octets: 44, or 48 and more with an extra padding
	// extension; zero means 44.
	Size int
	// DSCP is put in every packet.
	DSCP uint8
	// Tmax is how long a reply is waited for, at most 4 s; zero means 2 s.
	// Source: RFC 7680 §2.8.2, waiting threshold.
	Tmax time.Duration
	// Spin is how long before each packet the sender stops sleeping and watches
	// the clock. Zero means 150 µs, and on a machine of two cores or fewer no
	// more than a quarter of the mean distance of two packets, so that something
	// is left for others. Below zero it never watches: packets are then up to a
	// millisecond late.
	Spin time.Duration
	// Gentle renounces what makes the sender punctual on a busy machine:
	// real-time scheduling where the system allows it, and a processor slot of
	// its own in this program.
	Gentle bool
	// VoidAfter is the longest distance of two packets of one source port that is
	// not void; zero means [DefaultVoidAfter].
	VoidAfter time.Duration
	// Sustain and DelayThreshold are as in [Params].
	Sustain        int
	DelayThreshold time.Duration
	// Bucket is the width of the timeline's buckets; zero means 100 ms.
	Bucket time.Duration
	// SSID is the session number in every packet; zero draws one.
	SSID uint16

	clock      clock                       // tests replace it
	beforeSend func(flow int, slot uint64) // tests stall here
	beforeRead func()                      // tests hold the receivers here
	rcvbuf     int                         // tests make it small
}

func (c *Config) complete() error {
	if len(c.Flows) == 0 {
		return errors.New("probe: no flow to send")
	}
	if c.Rate == 0 {
		c.Rate = 1000
	}
	if c.Size == 0 {
		c.Size = BaseSize
	}
	if c.Size < BaseSize || c.Size > BaseSize && c.Size < BaseSize+tlvHeader || c.Size > maxPacket {
		return fmt.Errorf("probe: packet size %d octets: need 44, or 48 to %d", c.Size, maxPacket)
	}
	if c.DSCP > 63 {
		return fmt.Errorf("probe: DSCP %d: need 0 to 63", c.DSCP)
	}
	if c.Tmax == 0 {
		c.Tmax = 2 * time.Second
	}
	if c.Tmax < 0 || c.Tmax > maxTmax {
		return fmt.Errorf("probe: waiting threshold %v: need more than 0 and at most %v", c.Tmax, maxTmax)
	}
	if c.Bucket == 0 {
		c.Bucket = 100 * time.Millisecond
	}
	if c.Bucket < 0 || c.VoidAfter < 0 || c.Sustain < 0 || c.DelayThreshold < 0 {
		return errors.New("probe: bucket, void threshold, sustain count and delay threshold must not be negative")
	}
	if c.rcvbuf == 0 {
		c.rcvbuf = 1 << 20
	}
	c.Flows = slices.Clone(c.Flows)
	names := make(map[string]bool)
	for i := range c.Flows {
		f := &c.Flows[i]
		if f.Name == "" {
			f.Name = f.To
		}
		if names[f.Name] {
			return fmt.Errorf("probe: two flows are named %q", f.Name)
		}
		names[f.Name] = true
		if f.Ports == 0 {
			f.Ports = 1
		}
		if f.Rate == 0 {
			f.Rate = c.Rate
		}
		switch {
		case f.To == "":
			return fmt.Errorf("probe: flow %q has no target", f.Name)
		case f.Rate < 1 || f.Rate > MaxRate:
			return fmt.Errorf("probe: flow %q: rate %d packets/s: need 1 to %d", f.Name, f.Rate, MaxRate)
		case f.Ports < 1 || f.Ports > 1024 || f.SourcePort < 0 || f.SourcePort > 0 && f.SourcePort+f.Ports > 1<<16:
			return fmt.Errorf("probe: flow %q: %d source ports from %d: need 1 to 1024 below 65536", f.Name, f.Ports, f.SourcePort)
		}
	}
	return nil
}

// spinFor is the effective spin window.
func (c *Config) spinFor(cores int) time.Duration {
	switch {
	case c.Spin < 0:
		return 0
	case c.Spin > 0:
		return c.Spin
	}
	spin := 150 * time.Microsecond
	if cores > 2 {
		return spin
	}
	rate := 0
	for _, f := range c.Flows {
		rate += f.Rate
	}
	return min(spin, time.Second/time.Duration(rate)/4)
}
