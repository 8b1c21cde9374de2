package network

import (
	"slices"
	"testing"
)

func TestTheInnerLoopAllocatesNothing(t *testing.T) {
	top, demands := FatTree(8)
	n, err := New(top, demands)
	if err != nil {
		t.Fatal(err)
	}
	s := n.Intact()
	o := newOverlay(s)
	var changes []change
	for l := range n.links {
		changes = append(changes, change{links: []int32{int32(l)}})
	}
	for v := range n.nodes {
		changes = append(changes, change{nodes: []int32{int32(v)}, how: []How{Remove}})
	}
	for _, c := range changes {
		o.evaluate(c) // its buffers grow
	}
	i := 0
	if got := testing.AllocsPerRun(len(changes), func() { o.evaluate(changes[i%len(changes)]); i++ }); got != 0 {
		t.Errorf("got %v allocations for one evaluation, want none", got)
	}
}

// Rows whose shortest paths the change does not touch are shared, not computed.
func TestOnlyTouchedRowsAreComputed(t *testing.T) {
	n, err := New(square(), AllPairs(square()))
	if err != nil {
		t.Fatal(err)
	}
	s := n.Intact()
	x, err := s.With(Change{Links: []string{"ax"}})
	if err != nil {
		t.Fatal(err)
	}
	// By hand: the link a-x lies on shortest paths to a, x and b (from a), and to
	// nothing but these from x: to a. Towards y, a and x have links of their own.
	var shared []string
	for i, r := range s.rows {
		if x.rows[i] == r {
			shared = append(shared, n.nodes[n.rowNode[i]].Name)
		}
	}
	if !slices.Equal(shared, []string{"y"}) {
		t.Errorf("got shared rows %v, want that of y", shared)
	}
}

func TestOneMemberLessIsAFailureToo(t *testing.T) {
	top := square()
	top.Aggregates = map[string]Aggregate{"ax": {Members: 2}, "ay": {Members: 2, MinLinks: 2}}
	n, err := New(top, []Demand{{From: "a", To: "x", Volume: 4}})
	if err != nil {
		t.Fatal(err)
	}
	a, err := n.WhatIf(Question{AlsoFail: []Element{ElementMember}, Limit: 0.5})
	if err != nil || len(a.Failures) != 2 || a.Failures[0].Element != "ax" || a.Failures[0].MaxUtilisation != 0.8 || a.Failures[1].MaxUtilisation != 0.4 || a.Verdict != Fails {
		t.Errorf("got %+v (%v), want 0.8 with a member of ax less and 0.4 with one of ay", a, err)
	}
}
