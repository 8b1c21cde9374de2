package network

import (
	"cmp"
	"maps"
	"slices"
	"strings"
)

// Neighbour is what one interface of a device hears by LLDP.
// Source: IEEE 802.1AB-2016 §8.5 (port ID and system name).
type Neighbour struct {
	Device, Interface string // who hears
	// System and Port are the system name and the port ID that it hears.
	System, Port string
}

// ProposedLink is a link that neighbours imply, A before B by name.
type ProposedLink struct {
	A, AInterface, B, BInterface string
	// OneSided says that only one end hears the other; HeardBy is that end.
	OneSided bool
	HeardBy  string
	// Unknown says that the other end is none of the known devices.
	Unknown bool
}

// ProposeLinks finds the links between devices from what they hear, by name. A
// system name is taken for a known device where it is its name, whatever the
// case, or where its first label is and no other device has that. A port that a
// neighbour does not tell, or names otherwise than by an interface (a port ID may
// be an address or a number), is found where the two devices leave one choice
// only. Order and repetition of the neighbours change nothing.
func ProposeLinks(known []string, heard []Neighbour) []ProposedLink {
	canonical := map[string]string{}
	short := map[string][]string{}
	for _, d := range known {
		canonical[strings.ToLower(d)] = d
		label, _, _ := strings.Cut(strings.ToLower(d), ".")
		short[label] = append(short[label], d)
	}
	resolve := func(system string) (string, bool) {
		s := strings.ToLower(strings.TrimSuffix(strings.TrimSpace(system), "."))
		if d, ok := canonical[s]; ok {
			return d, true
		}
		label, _, _ := strings.Cut(s, ".")
		if all := short[label]; len(all) == 1 {
			return all[0], true
		}
		return strings.TrimSpace(system), false
	}
	type end struct{ device, port string }
	type pair struct{ a, b end }
	hears := map[pair]bool{} // a hears b
	unknown := map[string]bool{}
	for _, h := range heard {
		other, ok := resolve(h.System)
		if other == "" {
			continue // nothing to propose: the neighbour says no name
		}
		if !ok {
			unknown[other] = true
		}
		hears[pair{end{h.Device, h.Interface}, end{other, h.Port}}] = true
	}
	// What is said about ports that do not hear anything themselves.
	hearing := map[end]bool{}
	for p := range hears {
		hearing[p.a] = true
	}
	type between struct{ a, b string }
	open := map[between][]pair{}
	for p := range hears {
		if !hearing[p.b] {
			at := between{p.a.device, p.b.device}
			open[at] = append(open[at], p)
		}
	}
	for at, all := range open {
		back := open[between{at.b, at.a}]
		for _, p := range all {
			var found []end
			for q := range hears { // a port over there that hears just this one
				if q.a.device == at.b && q.b == p.a {
					found = append(found, q.a)
				}
			}
			if len(found) == 0 && len(all) == 1 && len(back) == 1 {
				found = append(found, back[0].a)
			}
			if len(found) == 1 {
				delete(hears, p)
				hears[pair{p.a, found[0]}] = true
			}
		}
	}
	out := map[pair]ProposedLink{}
	for p := range hears {
		l := ProposedLink{A: p.a.device, AInterface: p.a.port, B: p.b.device, BInterface: p.b.port, Unknown: unknown[p.b.device]}
		if !hears[pair{p.b, p.a}] {
			l.OneSided, l.HeardBy = true, p.a.device
		}
		key := p
		if cmp.Or(cmp.Compare(p.b.device, p.a.device), cmp.Compare(p.b.port, p.a.port)) < 0 {
			key = pair{p.b, p.a}
			l.A, l.AInterface, l.B, l.BInterface = l.B, l.BInterface, l.A, l.AInterface
		}
		out[key] = l
	}
	return slices.SortedFunc(maps.Values(out), func(x, y ProposedLink) int {
		return cmp.Or(cmp.Compare(x.A, y.A), cmp.Compare(x.AInterface, y.AInterface), cmp.Compare(x.B, y.B), cmp.Compare(x.BInterface, y.BInterface))
	})
}
