package network

import "testing"

// BenchmarkDrainInAFatTree is one what-if with k = 32: 1,280 switches, all
// leaves to all leaves.
func BenchmarkDrainInAFatTree(b *testing.B) {
	top, demands := FatTree(32)
	n, err := New(top, demands)
	if err != nil {
		b.Fatal(err)
	}
	s := n.Intact()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.WhatIf(Question{Change: Change{Drains: []Drain{{"agg_0_0", Remove}}}}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkLinkInAFatTree is one link less there.
func BenchmarkLinkInAFatTree(b *testing.B) {
	top, demands := FatTree(32)
	n, err := New(top, demands)
	if err != nil {
		b.Fatal(err)
	}
	o := newOverlay(n.Intact())
	b.ReportAllocs()
	for b.Loop() {
		o.evaluate(change{links: []int32{0}})
	}
}

// BenchmarkIntactFatTree is the whole from scratch.
func BenchmarkIntactFatTree(b *testing.B) {
	top, demands := FatTree(32)
	n, err := New(top, demands)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		n.Intact()
	}
}
