package lab

import (
	"cmp"
	"time"

	"towpath/internal/lab/neighbour"
)

// reconverge is how long after a change of what it tells of itself a chassis's
// neighbours send traffic another way.
// Source: common practice, flooding and route computation in large networks.
const reconverge = 3 * time.Second

// mirror has the other end of an adjacency follow, where that is a chassis of
// the lab: what the device has, its neighbour's neighbour has. The lock is held;
// the other's set is told without it, since it may be telling this one.
func (c *Chassis) mirror(a *Adjacency, dev neighbour.Speaker) {
	for _, other := range c.lab.chassis {
		if string(other.cfg.ID) != a.Peer || other == c {
			continue
		}
		for i := range other.cfg.Adjacencies {
			b := &other.cfg.Adjacencies[i]
			if b.Peer != string(c.cfg.ID) || b.Protocol() != a.Protocol() || b.Interface != a.Interface || b.Instance != a.Instance {
				continue
			}
			far, key := like(dev, b.Far), b.Key()
			if far == nil {
				continue
			}
			c.spawn(func() { _ = other.set.ConfigureFar(key, far) }) // as checked as the device's own
		}
	}
}

// like is the far end's configuration with the timers and priority of the end
// that it stands for; what else it can is its own.
func like(dev, far neighbour.Speaker) neighbour.Speaker {
	switch d := dev.(type) {
	case neighbour.OSPF:
		if f, ok := far.(neighbour.OSPF); ok {
			f.Hello, f.Dead = d.Hello, d.Dead
			return f
		}
	case neighbour.ISIS:
		if f, ok := far.(neighbour.ISIS); ok {
			f.Hello, f.Mult = d.Hello, d.Mult
			return f
		}
	case neighbour.BFD:
		if f, ok := far.(neighbour.BFD); ok {
			f.DesiredMinTx, f.RequiredMinRx, f.Mult = d.DesiredMinTx, d.RequiredMinRx, d.Mult
			return f
		}
	case neighbour.VRRP:
		if f, ok := far.(neighbour.VRRP); ok {
			f.Priority, f.Interval = d.Priority, d.Interval
			return f
		}
	case neighbour.LACP:
		if f, ok := far.(neighbour.LACP); ok {
			f.Short = d.Short
			return f
		}
	}
	return nil
}

// drained reports whether nothing draws traffic to the chassis any more. The
// lock is held.
// Source: RFC 6987 §2 (OSPF), ISO/IEC 10589 §7.2.8.1 (IS-IS), RFC 8326 §4 (BGP),
// RFC 9568 §6.4.2 (a backup forwards nothing for the group).
func (c *Chassis) drained() bool {
	asked := false
	for i := range c.cfg.Adjacencies {
		a := &c.cfg.Adjacencies[i]
		path := ""
		switch a.Protocol() {
		case "ospfv2":
			path = protocolPath("OSPF") + "/ospfv2/global/timers/max-metric/config/set"
		case "isis":
			path = protocolPath("ISIS") + "/isis/global/lsp-bit/overload-bit/config/set-bit"
		case "bgp":
			path = shutdownPath(a.Neighbour)
		case "vrrp":
			own, err := c.set.Device(a.Key())
			v, ok := own.(neighbour.VRRP)
			far, ok2 := a.Far.(neighbour.VRRP)
			if err != nil || !ok || !ok2 || cmp.Or(v.Priority, 100) > cmp.Or(far.Priority, 100) {
				return false
			}
			continue
		default:
			continue
		}
		asked = true
		if c.setting(path, boolean(false)).num != 1 {
			return false
		}
	}
	return asked
}

// reroute sends the flows over the partner once the chassis is drained, and back
// once it is not, after the time that its neighbours need. The lock is held.
func (c *Chassis) reroute() {
	if c.plane == nil || c.set == nil {
		return
	}
	c.reroutes++
	want, turn := c.drained(), c.reroutes
	if want == (c.back != nil) {
		return
	}
	c.spawn(func() {
		if c.clock.Sleep(c.ctx, reconverge) != nil {
			return
		}
		c.do(func() {
			if turn != c.reroutes {
				return // changed again meanwhile
			}
			if !want {
				c.back()
				c.back, c.over = nil, ""
				return
			}
			for _, p := range c.lab.chassis {
				if p != c && p.plane != nil && c.back == nil {
					c.back, c.over = c.plane.Divert(p.plane), string(p.cfg.ID)
				}
			}
		})
	})
}
