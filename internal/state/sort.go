package state

import (
	"cmp"
	"slices"
	"strings"
)

// Sort puts every slice of the capture in the order of its natural key, in
// place. Text is ordered bytewise, so that routes stand in the order of the
// text of their prefixes and not in that of their addresses.
func (c *Capture) Sort() {
	slices.Sort(c.Unread)
	slices.SortStableFunc(c.Components, byComponent)
	slices.SortStableFunc(c.Volumes, byVolume)
	for i := range c.Volumes {
		slices.SortStableFunc(c.Volumes[i].Files, byFile)
	}
	slices.SortStableFunc(c.Boot, byBoot)
	slices.SortStableFunc(c.Power.Feeds, byFeed)
	slices.SortStableFunc(c.Interfaces, byInterface)
	slices.SortStableFunc(c.Aggregates, byAggregate)
	for i := range c.Aggregates {
		slices.SortStableFunc(c.Aggregates[i].Members, byMember)
	}
	slices.SortStableFunc(c.SpanningTrees, bySpanningTree)
	slices.SortStableFunc(c.Adjacencies, byAdjacency)
	slices.SortStableFunc(c.RouteTables, byRouteTable)
	for i := range c.RouteTables {
		slices.SortStableFunc(c.RouteTables[i].Routes, byRoute)
	}
	slices.SortStableFunc(c.Alarms, byAlarm)
	slices.SortStableFunc(c.CrashFiles, byFile)
	slices.Sort(c.Features)
	slices.SortStableFunc(c.LogicalNetworkElements, byLogicalNetworkElement)
}

// sorted returns c itself where it is in order, and otherwise a copy that is;
// c is never changed.
func sorted(c *Capture) *Capture {
	if inOrder(c) {
		return c
	}
	d := *c
	d.Unread = slices.Clone(c.Unread)
	d.Components = slices.Clone(c.Components)
	d.Volumes = slices.Clone(c.Volumes)
	for i := range d.Volumes {
		d.Volumes[i].Files = slices.Clone(d.Volumes[i].Files)
	}
	d.Boot = slices.Clone(c.Boot)
	d.Power.Feeds = slices.Clone(c.Power.Feeds)
	d.Interfaces = slices.Clone(c.Interfaces)
	d.Aggregates = slices.Clone(c.Aggregates)
	for i := range d.Aggregates {
		d.Aggregates[i].Members = slices.Clone(d.Aggregates[i].Members)
	}
	d.SpanningTrees = slices.Clone(c.SpanningTrees)
	d.Adjacencies = slices.Clone(c.Adjacencies)
	d.RouteTables = slices.Clone(c.RouteTables)
	for i := range d.RouteTables {
		if !slices.IsSortedFunc(d.RouteTables[i].Routes, byRoute) {
			d.RouteTables[i].Routes = slices.Clone(d.RouteTables[i].Routes)
		}
	}
	d.Alarms = slices.Clone(c.Alarms)
	d.CrashFiles = slices.Clone(c.CrashFiles)
	d.Features = slices.Clone(c.Features)
	d.LogicalNetworkElements = slices.Clone(c.LogicalNetworkElements)
	d.Sort()
	return &d
}

// inOrder reports whether Sort would change nothing.
func inOrder(c *Capture) bool {
	for i := range c.Volumes {
		if !slices.IsSortedFunc(c.Volumes[i].Files, byFile) {
			return false
		}
	}
	for i := range c.Aggregates {
		if !slices.IsSortedFunc(c.Aggregates[i].Members, byMember) {
			return false
		}
	}
	for i := range c.RouteTables {
		if !slices.IsSortedFunc(c.RouteTables[i].Routes, byRoute) {
			return false
		}
	}
	return slices.IsSorted(c.Unread) &&
		slices.IsSortedFunc(c.Components, byComponent) &&
		slices.IsSortedFunc(c.Volumes, byVolume) &&
		slices.IsSortedFunc(c.Boot, byBoot) &&
		slices.IsSortedFunc(c.Power.Feeds, byFeed) &&
		slices.IsSortedFunc(c.Interfaces, byInterface) &&
		slices.IsSortedFunc(c.Aggregates, byAggregate) &&
		slices.IsSortedFunc(c.SpanningTrees, bySpanningTree) &&
		slices.IsSortedFunc(c.Adjacencies, byAdjacency) &&
		slices.IsSortedFunc(c.RouteTables, byRouteTable) &&
		slices.IsSortedFunc(c.Alarms, byAlarm) &&
		slices.IsSortedFunc(c.CrashFiles, byFile) &&
		slices.IsSorted(c.Features) &&
		slices.IsSortedFunc(c.LogicalNetworkElements, byLogicalNetworkElement)
}

func byComponent(a, b Component) int                         { return strings.Compare(a.Name, b.Name) }
func byFile(a, b File) int                                   { return strings.Compare(a.Path, b.Path) }
func byBoot(a, b BootEntry) int                              { return strings.Compare(a.Controller, b.Controller) }
func byFeed(a, b Feed) int                                   { return strings.Compare(a.Name, b.Name) }
func byInterface(a, b Interface) int                         { return strings.Compare(a.Name, b.Name) }
func byAggregate(a, b Aggregate) int                         { return strings.Compare(a.Name, b.Name) }
func byMember(a, b LACPMember) int                           { return strings.Compare(a.Interface, b.Interface) }
func bySpanningTree(a, b SpanningTree) int                   { return strings.Compare(a.Instance, b.Instance) }
func byAlarm(a, b Alarm) int                                 { return strings.Compare(a.ID, b.ID) }
func byLogicalNetworkElement(a, b LogicalNetworkElement) int { return strings.Compare(a.Name, b.Name) }

func byVolume(a, b Volume) int {
	return cmp.Or(strings.Compare(a.Controller, b.Controller), strings.Compare(a.Mount, b.Mount))
}

func byAdjacency(a, b Adjacency) int {
	return cmp.Or(strings.Compare(a.Protocol, b.Protocol), strings.Compare(a.Instance, b.Instance),
		strings.Compare(a.Interface, b.Interface), strings.Compare(a.Neighbour, b.Neighbour))
}

func byRouteTable(a, b RouteTable) int {
	return cmp.Or(strings.Compare(a.Instance, b.Instance), strings.Compare(a.Family, b.Family))
}

// byRoute orders routes wholly: only equal routes compare as 0.
func byRoute(a, b Route) int {
	if c := strings.Compare(a.Prefix, b.Prefix); c != 0 {
		return c
	}
	return byPath(a, b)
}

// byPath orders routes of one prefix.
func byPath(a, b Route) int {
	return cmp.Or(strings.Compare(a.Protocol, b.Protocol), strings.Compare(a.NextHops, b.NextHops), cmp.Compare(a.Metric, b.Metric))
}
