package network

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/fleet"
)

// PortRate is what an interface has counted over one period, in bit/s: In is
// what the device received on it, Out what it sent.
// Source: RFC 2863, ifHCInOctets and ifHCOutOctets.
type PortRate struct {
	Device, Interface string
	In, Out           float64
	// Part says that another interface counts the same traffic too: it is a
	// member of an aggregate or a logical interface on another one.
	Part bool
}

// ReadPortRates reads rates of interfaces: columns device, interface, in, out,
// rates with their unit. plain, above 0, is how many bit/s a number without one
// is. The error is [document.Problems] with line and column of every mistake.
//
// [document.Problems]: the problems of package document.
func ReadPortRates(name string, r io.Reader, plain float64) ([]PortRate, error) {
	all, err := readPortRates(name, r, plain, false)
	if err != nil || len(all) == 0 {
		return nil, err
	}
	return all[0].Rates, nil
}

// PortRatesAt are the rates of one instant of a series.
type PortRatesAt struct {
	At    time.Time
	Rates []PortRate
	// Missing are interfaces that another instant names and this one does not.
	Missing []fleet.Endpoint
}

// ReadPortRateSeries is [ReadPortRates] for a file with a column time (RFC 3339),
// in any order of rows. It returns the instants in order.
func ReadPortRateSeries(name string, r io.Reader, plain float64) ([]PortRatesAt, error) {
	return readPortRates(name, r, plain, true)
}

func readPortRates(name string, r io.Reader, plain float64, timed bool) ([]PortRatesAt, error) {
	t, err := openTable(name, r, timedColumns(timed, "device", "interface", "in", "out")...)
	if err != nil {
		return nil, err
	}
	t.unit, t.plain = BitsPerSecond, plain
	var times timeline[fleet.Endpoint]
	var out []PortRatesAt
	for {
		more, err := t.next()
		if err != nil {
			return nil, err
		}
		if !more {
			break
		}
		when, ok := t.when(timed)
		p := PortRate{Device: t.text("device"), Interface: t.text("interface"), In: t.quantity("in", false), Out: t.quantity("out", false)}
		if !ok {
			continue
		}
		at, twice := times.file(when, fleet.Endpoint{Device: fleet.DeviceID(p.Device), Interface: p.Interface})
		if twice {
			t.fault("interface", strconv.Quote(p.Interface)+" of "+p.Device+", which stands already"+ternary(timed, " for that time", ""), "each interface once")
		}
		if at == len(out) {
			out = append(out, PortRatesAt{At: when})
		}
		out[at].Rates = append(out[at].Rates, p)
	}
	for i := range out {
		out[i].Missing = times.missing(i)
	}
	slices.SortFunc(out, func(a, b PortRatesAt) int { return a.At.Compare(b.At) })
	return out, nil
}

// endsDiffer is the relative difference above which the two ends of a link are
// said to disagree. What they count differs by the moment of reading and by
// what is lost on the way.
const endsDiffer = 0.05

// FleetCounters lays what interfaces have counted over the network that
// [FromFleet] made of the fleet: a link carries the mean of what one end sent
// and the other received; what other interfaces of a device receive enters the
// network there, and what an attachment's interfaces count enters and leaves at
// the attachment. notes say what was missing or contradictory. The error wraps
// [ErrUnknown] or [ErrInvalid].
func (n *Network) FleetCounters(f *fleet.Fleet, rates []PortRate) (c Counters, notes []string, err error) {
	c = Counters{Arcs: make([]float64, len(n.arcs)), In: make([]float64, len(n.nodes)), Out: make([]float64, len(n.nodes))}
	arcs := map[string]int{}
	for i, a := range n.arcs {
		arcs[a.ID] = i
		c.Arcs[i] = math.NaN()
	}
	ports := map[fleet.Endpoint]PortRate{}
	heard := map[fleet.DeviceID]bool{}
	for _, p := range rates {
		ports[fleet.Endpoint{Device: fleet.DeviceID(p.Device), Interface: p.Interface}] = p
		heard[fleet.DeviceID(p.Device)] = true
	}
	note := func(format string, args ...any) { notes = append(notes, fmt.Sprintf(format, args...)) }
	used := map[fleet.Endpoint]bool{}
	var bare, loose, deaf []string
	for _, l := range f.Links {
		a, okA := ports[l.A]
		b, okB := ports[l.B]
		used[l.A], used[l.B] = true, true
		for _, way := range []struct {
			arc            string
			sent, received float64
		}{{l.ID + ">", a.Out, b.In}, {l.ID + "<", b.Out, a.In}} {
			sent, received := okA, okB
			if strings.HasSuffix(way.arc, "<") {
				sent, received = okB, okA
			}
			i, ok := arcs[way.arc]
			switch {
			case !ok:
				return c, nil, fmt.Errorf("%w: link %q, which the network does not have", ErrUnknown, l.ID)
			case sent && received:
				c.Arcs[i] = (way.sent + way.received) / 2
				if math.Abs(way.sent-way.received) > endsDiffer*max(way.sent, way.received) {
					note("link %s: one end sent %.4g bit/s, the other received %.4g; their mean is taken", l.ID, way.sent, way.received)
				}
			case sent:
				c.Arcs[i] = way.sent
			case received:
				c.Arcs[i] = way.received
			}
		}
		if !okA && !okB {
			bare = append(bare, l.ID)
		}
	}
	for _, x := range f.Attachments {
		v, ok := n.nodeIndex[x.Name]
		if !ok {
			return c, nil, fmt.Errorf("%w: attachment %q, which the network does not have", ErrUnknown, x.Name)
		}
		for _, e := range x.At {
			used[e] = true
			p, ok := ports[e]
			if !ok {
				loose = append(loose, fmt.Sprintf("%s (%s on %s)", x.Name, e.Interface, e.Device))
			}
			link := x.Name + "~" + string(e.Device)
			for id, rate := range map[string]float64{link + ">": p.In, link + "<": p.Out} {
				if i, known := arcs[id]; known && ok {
					c.Arcs[i] = rate
				}
			}
			c.In[v] += p.In
			c.Out[v] += p.Out
		}
	}
	for _, p := range rates {
		e := fleet.Endpoint{Device: fleet.DeviceID(p.Device), Interface: p.Interface}
		v, known := n.nodeIndex[p.Device]
		switch {
		case !known:
			return c, nil, fmt.Errorf("%w: counters of the device %q, which the fleet does not have", ErrUnknown, p.Device)
		case !used[e] && !p.Part:
			c.In[v] += p.In
			c.Out[v] += p.Out
		}
	}
	for _, d := range f.Devices {
		if !heard[d.ID] {
			deaf = append(deaf, string(d.ID))
		}
	}
	for _, x := range []struct {
		what string
		list []string
	}{
		{"no counters at either end of the links %s: what they carry is not known", bare},
		{"no counters of the attachments %s: they are taken to send and receive nothing there", loose},
		{"no counters of the devices %s: they are taken to send and receive nothing themselves", deaf},
	} {
		if len(x.list) > 0 {
			note(x.what, strings.Join(x.list, ", "))
		}
	}
	if !slices.ContainsFunc(c.In, func(v float64) bool { return v > 0 }) || !slices.ContainsFunc(c.Out, func(v float64) bool { return v > 0 }) {
		return c, notes, fmt.Errorf("%w: counters: nothing enters or nothing leaves the network; want counters of interfaces towards customers and peers, which are those that no link of the fleet names", ErrInvalid)
	}
	return c, notes, nil
}
