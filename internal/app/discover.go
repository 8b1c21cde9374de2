package app

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/network"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// Discovery is what captures say about links beside what the fleet has.
type Discovery struct {
	Links []FoundLink `json:"links"`
	// Unseen are links of the fleet of which neither end heard the other though
	// both devices were read.
	Unseen []string `json:"unseen,omitempty"`
	// Silent are devices of the fleet of which there was no capture.
	Silent []string `json:"silent,omitempty"`
	// Devices is how many were read.
	Devices int `json:"devices"`
}

// FoundLink is a link that LLDP neighbours imply; several members of one
// aggregate are one link.
type FoundLink struct {
	A           fleet.Endpoint `json:"a"`
	B           fleet.Endpoint `json:"b"`
	OneSided    bool           `json:"one_sided,omitempty"`
	HeardBy     string         `json:"heard_by,omitempty"`     // the only end that hears the other
	OtherSilent bool           `json:"other_silent,omitempty"` // there was no capture of the other end, which explains it
	Unknown     bool           `json:"unknown,omitempty"`      // B or A is no device of the fleet
	Known       string         `json:"known,omitempty"`        // the link of the fleet that it is
	Differs     string         `json:"differs,omitempty"`      // from that link, in words
	// Capacity is the sum of the speeds of the interfaces, 0 where not known.
	Capacity     unit.BitRate `json:"capacity_bps,omitempty"`
	Members      int          `json:"members,omitempty"` // of an aggregate
	MinimumLinks int          `json:"minimum_links,omitempty"`
	Ports        []string     `json:"ports,omitempty"` // of an aggregate: member to member
}

// Name is a name for the link: those of its ends and, where it needs one, a
// number.
func (l FoundLink) name() string { return string(l.A.Device) + "-" + string(l.B.Device) }

// Discover proposes links from what the devices of the captures hear. Of several
// captures of a device the latest counts.
// Source: IEEE 802.1AB-2016 §8.5 (what a neighbour tells); IEEE 802.1AX-2020 §6
// (LLDP runs on each member of an aggregate).
func Discover(f *fleet.Fleet, captures []*state.Capture) Discovery {
	latest := map[fleet.DeviceID]*state.Capture{}
	for _, c := range captures {
		if old := latest[fleet.DeviceID(c.Device)]; old == nil || c.TakenAt.After(old.TakenAt) {
			latest[fleet.DeviceID(c.Device)] = c
		}
	}
	d := Discovery{Devices: len(latest)}
	var names []string
	for _, x := range f.Devices {
		names = append(names, string(x.ID))
		if latest[x.ID] == nil {
			d.Silent = append(d.Silent, string(x.ID))
		}
	}
	for id := range latest {
		if _, ok := f.Device(id); !ok {
			names = append(names, string(id))
		}
	}
	interfaces := map[fleet.Endpoint]state.Interface{}
	minimum := map[fleet.Endpoint]int{}
	for id, c := range latest {
		for _, i := range c.Interfaces {
			interfaces[fleet.Endpoint{Device: id, Interface: i.Name}] = i
		}
		for _, g := range c.Aggregates {
			minimum[fleet.Endpoint{Device: id, Interface: g.Name}] = g.MinLinks.Or(0)
		}
	}
	type bundle struct{ a, b fleet.Endpoint }
	at := map[bundle]int{}
	for _, p := range network.ProposeLinks(names, Heard(captures)) {
		a := fleet.Endpoint{Device: fleet.DeviceID(p.A), Interface: p.AInterface}
		b := fleet.Endpoint{Device: fleet.DeviceID(p.B), Interface: p.BInterface}
		speed := min(either(interfaces[a].Speed.Get()), either(interfaces[b].Speed.Get()))
		l := FoundLink{A: a, B: b, OneSided: p.OneSided, HeardBy: p.HeardBy, Unknown: p.Unknown}
		if speed < noSpeed {
			l.Capacity = speed
		}
		for _, x := range []fleet.DeviceID{a.Device, b.Device} {
			if string(x) != p.HeardBy && p.OneSided && latest[x] == nil {
				l.OtherSilent = true
			}
		}
		ga, gb := interfaces[a].Aggregate, interfaces[b].Aggregate
		if ga == "" && gb == "" {
			d.Links = append(d.Links, l)
			continue
		}
		// The side that was not read is named by its first member.
		key := bundle{a, b}
		if ga != "" {
			key.a.Interface = ga
		}
		if gb != "" {
			key.b.Interface = gb
		}
		find := key
		if ga == "" {
			find.a.Interface = ""
		}
		if gb == "" {
			find.b.Interface = ""
		}
		ports := a.Interface + " to " + cmp.Or(b.Interface, "an unknown port")
		i, ok := at[find]
		if !ok {
			at[find] = len(d.Links)
			l.A, l.B, l.Members, l.Ports = key.a, key.b, 1, []string{ports}
			l.MinimumLinks = max(minimum[key.a], minimum[key.b])
			d.Links = append(d.Links, l)
			continue
		}
		g := &d.Links[i]
		g.Members++
		g.Ports = append(g.Ports, ports)
		g.OneSided = g.OneSided || l.OneSided
		g.HeardBy = cmp.Or(g.HeardBy, l.HeardBy)
		if g.Capacity == 0 || l.Capacity == 0 {
			g.Capacity = 0
		} else {
			g.Capacity += l.Capacity
		}
	}
	d.beside(f, latest)
	return d
}

// noSpeed stands for an interface that told none.
const noSpeed = unit.BitRate(1e30)

func either(v unit.BitRate, ok bool) unit.BitRate {
	if !ok || v <= 0 {
		return noSpeed
	}
	return v
}

// beside compares with the links that the fleet has.
func (d *Discovery) beside(f *fleet.Fleet, latest map[fleet.DeviceID]*state.Capture) {
	known := map[[2]fleet.Endpoint]int{}
	for i, l := range f.Links {
		known[[2]fleet.Endpoint{l.A, l.B}], known[[2]fleet.Endpoint{l.B, l.A}] = i, i
	}
	seen := map[int]bool{}
	for k := range d.Links {
		l := &d.Links[k]
		i, ok := known[[2]fleet.Endpoint{l.A, l.B}]
		if !ok && (l.A.Interface == "" || l.B.Interface == "") {
			// The port that was not told may be the one that the fleet has.
			i = slices.IndexFunc(f.Links, func(x fleet.Link) bool {
				return fits(l.A, x.A) && fits(l.B, x.B) || fits(l.A, x.B) && fits(l.B, x.A)
			})
			ok = i >= 0
		}
		if !ok {
			continue
		}
		seen[i] = true
		x := f.Links[i]
		l.Known = x.ID
		var differs []string
		if l.Capacity > 0 && l.Capacity != x.Capacity {
			differs = append(differs, fmt.Sprintf("the interfaces make %v, the file says %v", l.Capacity, x.Capacity))
		}
		if has := max(1, x.Members); l.Members > 0 && l.Members != has {
			differs = append(differs, fmt.Sprintf("%d members, the file says %d", l.Members, has))
		}
		if l.MinimumLinks > 0 && l.MinimumLinks != max(1, x.MinimumLinks) {
			differs = append(differs, fmt.Sprintf("minimum links %d, the file says %d", l.MinimumLinks, max(1, x.MinimumLinks)))
		}
		l.Differs = strings.Join(differs, "; ")
	}
	for i, l := range f.Links {
		if !seen[i] && latest[l.A.Device] != nil && latest[l.B.Device] != nil {
			d.Unseen = append(d.Unseen, l.ID)
		}
	}
}

func fits(found, has fleet.Endpoint) bool {
	return found.Device == has.Device && (found.Interface == "" || found.Interface == has.Interface)
}

// Fragment is YAML with the links that the fleet does not have, ready to be put
// under its key links. Those that cannot stand there as they are, because their
// other end is no device of the fleet, or a port or the capacity is not known,
// are comments.
func (d Discovery) Fragment(f *fleet.Fleet) ([]byte, error) {
	taken := map[string]bool{}
	for _, l := range f.Links {
		taken[l.ID] = true
	}
	var out strings.Builder
	ready := 0
	var later []string
	for _, l := range d.Links {
		if l.Known != "" {
			continue
		}
		var lack []string
		if l.Unknown {
			lack = append(lack, "one end is no device of the fleet")
		}
		if l.A.Interface == "" || l.B.Interface == "" {
			lack = append(lack, "a port is not known")
		}
		if l.Capacity == 0 {
			lack = append(lack, "the capacity is not known")
		}
		if len(lack) > 0 {
			later = append(later, fmt.Sprintf("# %s %s to %s %s: %s\n", l.A.Device, cmp.Or(l.A.Interface, "?"), l.B.Device, cmp.Or(l.B.Interface, "?"), strings.Join(lack, ", ")))
			continue
		}
		id := l.name()
		for n := 2; taken[id]; n++ {
			id = fmt.Sprintf("%s-%d", l.name(), n)
		}
		taken[id] = true
		link := fleet.Link{ID: id, A: l.A, B: l.B, Capacity: l.Capacity}
		if l.Members > 1 {
			link.Members = l.Members
			link.MinimumLinks = min(l.MinimumLinks, l.Members)
		}
		src, err := document.Marshal(struct {
			Links []fleet.Link `yaml:"links"`
		}{[]fleet.Link{link}})
		if err != nil {
			return nil, fmt.Errorf("write link %s: %w", id, err)
		}
		if ready == 0 {
			out.WriteString("links:\n")
		}
		ready++
		if l.OneSided {
			why := "the other end does not hear it"
			if l.OtherSilent {
				why = "there was no capture of the other end"
			}
			fmt.Fprintf(&out, "  # one-sided: heard by %s only; %s\n", l.HeardBy, why)
		}
		_, item, _ := strings.Cut(string(src), "\n")
		out.WriteString(item)
	}
	head := fmt.Sprintf("# Links that LLDP neighbours of %s imply and the fleet file does not have.\n", unit.Counted(d.Devices, "device"))
	if ready > 0 {
		head += "# Metrics are not part of it: a link without one has the metric 1.\n"
	}
	body := head + out.String()
	if len(later) > 0 {
		body += "# To be completed by hand:\n" + strings.Join(later, "")
	}
	return []byte(body), nil
}
