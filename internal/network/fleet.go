package network

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"towpath/internal/fleet"
)

// Attachment is a host, service or site that is attached to devices.
type Attachment struct {
	Name    string
	Devices []string // primary first
	Standby bool     // it sends to the first device that is there; see [Attach]
	// Capacity of each attachment and direction in bit/s; +Inf is no limit.
	Capacity float64
}

// FleetOptions are what a fleet does not say of itself. The zero value adds
// nothing.
type FleetOptions struct {
	Aggregates  map[string]Aggregate // by link
	Attachments []Attachment
	// Growth multiplies every demand; 0 means 1.
	Growth float64
	// Demands, where not nil, stand instead of those of the fleet; they may
	// start and end at attachments.
	Demands []Demand
}

// FromFleet builds a network of a fleet; volumes are bit/s. Shared-risk groups
// are those of the fleet and of its links, in the order in which they are first
// named, and then "site " and the name for each site with at least two devices.
// The error names every mistake and wraps [ErrUnknown] or [ErrInvalid].
func FromFleet(f *fleet.Fleet, opt FleetOptions) (*Network, error) {
	top, err := FleetTopology(f, opt)
	if err != nil {
		return nil, err
	}
	demands := slices.Clone(opt.Demands)
	if opt.Demands == nil {
		demands = FleetDemands(f)
	}
	if opt.Growth < 0 {
		return nil, fmt.Errorf("%w: growth: found %v, want a factor above 0", ErrInvalid, opt.Growth)
	}
	if opt.Growth > 0 {
		for i := range demands {
			demands[i].Volume *= opt.Growth
		}
	}
	return New(top, demands)
}

// FleetDemands are the demands of the fleet, in bit/s.
func FleetDemands(f *fleet.Fleet) []Demand {
	var out []Demand
	for _, d := range f.Demands {
		out = append(out, Demand{d.Name, string(d.From), string(d.To), float64(d.Rate)})
	}
	return out
}

// FleetDrains are drains of the devices in the way that the fleet has for each:
// strict unless it says otherwise. Devices that it does not have are drained
// strictly; [State.With] reports them.
func FleetDrains(f *fleet.Fleet, devices ...fleet.DeviceID) []Drain {
	var out []Drain
	for _, id := range devices {
		how := NoTransit
		if d, ok := f.Device(id); ok && d.Drain == fleet.DrainLastResort {
			how = MaxMetric
		}
		out = append(out, Drain{Node: string(id), How: how})
	}
	return out
}

// FleetTopology is the part of [FromFleet] without demands. Of the options it
// uses Aggregates and Attachments, besides those of the fleet.
func FleetTopology(f *fleet.Fleet, opt FleetOptions) (Topology, error) {
	top := Topology{Unit: BitsPerSecond, Aggregates: map[string]Aggregate{}}
	var errs []error
	sites, siteAt := []RiskGroup(nil), map[string]int{}
	known := map[fleet.DeviceID]bool{}
	for _, d := range f.Devices {
		known[d.ID] = true
		top.Nodes = append(top.Nodes, Node{Name: string(d.ID), Site: d.Site})
		if d.Site == "" {
			continue
		}
		if _, ok := siteAt[d.Site]; !ok {
			siteAt[d.Site] = len(sites)
			sites = append(sites, RiskGroup{Name: "site " + d.Site})
		}
		at := &sites[siteAt[d.Site]]
		at.Nodes = append(at.Nodes, string(d.ID))
	}
	risks := map[string]int{}
	risk := func(name string) *RiskGroup {
		if _, ok := risks[name]; !ok {
			risks[name] = len(top.Risks)
			top.Risks = append(top.Risks, RiskGroup{Name: name})
		}
		return &top.Risks[risks[name]]
	}
	for _, r := range f.Risks {
		at := risk(r.Name)
		at.Links = append(at.Links, r.Links...)
		for _, d := range r.Devices {
			at.Nodes = append(at.Nodes, string(d))
		}
	}
	for i, l := range f.Links {
		for j, d := range []fleet.DeviceID{l.A.Device, l.B.Device} {
			if !known[d] {
				errs = append(errs, fmt.Errorf("%w: links[%d].%c.device: found %q, want a device of the fleet", ErrUnknown, i, 'a'+j, d))
			}
		}
		if !(l.Capacity > 0) {
			errs = append(errs, fmt.Errorf("%w: links[%d].capacity: found %v, want a rate above 0 such as 10Gbps", ErrInvalid, i, l.Capacity))
		}
		ab := int64(l.MetricAB)
		if ab == 0 {
			ab = 1
		}
		ba := int64(l.MetricBA)
		if ba == 0 {
			ba = ab
		}
		top.Arcs = append(top.Arcs,
			Arc{ID: l.ID + ">", Link: l.ID, From: string(l.A.Device), To: string(l.B.Device), Metric: ab, Capacity: float64(l.Capacity)},
			Arc{ID: l.ID + "<", Link: l.ID, From: string(l.B.Device), To: string(l.A.Device), Metric: ba, Capacity: float64(l.Capacity)})
		for _, name := range l.SharedRisk {
			if at := risk(name); !slices.Contains(at.Links, l.ID) {
				at.Links = append(at.Links, l.ID)
			}
		}
		if l.Members > 1 || l.MinimumLinks > 0 {
			top.Aggregates[l.ID] = Aggregate{Members: max(1, l.Members), MinLinks: l.MinimumLinks}
		}
	}
	for _, x := range sites {
		if len(x.Nodes) > 1 {
			top.Risks = append(top.Risks, x)
		}
	}
	for _, g := range f.Groups {
		r := RedundancyGroup{Name: g.Name, AtLeast: g.AtLeast}
		for _, m := range g.Members {
			r.Members = append(r.Members, string(m))
		}
		top.Groups = append(top.Groups, r)
	}
	maps.Copy(top.Aggregates, opt.Aggregates)
	for _, a := range append(fleetAttachments(f), opt.Attachments...) {
		if len(a.Devices) == 0 {
			errs = append(errs, fmt.Errorf("%w: attachment %q: found no device, want at least one", ErrInvalid, a.Name))
		}
		top.Nodes = append(top.Nodes, Node{Name: a.Name, Host: true})
		for _, d := range a.Devices {
			if !known[fleet.DeviceID(d)] {
				errs = append(errs, fmt.Errorf("%w: attachment %q: found %q, want a device of the fleet", ErrUnknown, a.Name, d))
			}
		}
		top.Arcs = append(top.Arcs, Attach(a.Name, a.Devices, a.Standby, a.Capacity)...)
	}
	return top, errors.Join(errs...)
}

func fleetAttachments(f *fleet.Fleet) []Attachment {
	var out []Attachment
	for _, a := range f.Attachments {
		x := Attachment{Name: a.Name, Standby: a.Gateway == fleet.GatewayVRRP, Capacity: float64(a.Capacity)}
		if a.Capacity == 0 {
			x.Capacity = math.Inf(1)
		}
		for _, e := range a.At {
			x.Devices = append(x.Devices, string(e.Device))
		}
		out = append(out, x)
	}
	return out
}
