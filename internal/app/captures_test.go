package app

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/schedule"
	"towpath/internal/state"
	"towpath/internal/workspace"
)

// sideBySide is a workspace in which nothing in its files keeps the two
// aggregation switches apart, and captures of them: each runs OSPF to the other,
// restarts gracefully and is to help the other do so.
func sideBySide(t *testing.T) (*workspace.Workspace, map[fleet.DeviceID]*state.Capture) {
	t.Helper()
	ws := smallWorkspace(t, 1, 2)
	aggregation(ws)
	ws.Fleet.Groups, ws.Fleet.Demands = nil, nil
	capture := func(own, other fleet.DeviceID) *state.Capture {
		return &state.Capture{Device: string(own), Hostname: state.Some(string(own)), Release: state.Some("4.2.3"),
			Adjacencies: []state.Adjacency{{
				Protocol: state.OSPFv2, Interface: "agg-1-2-agg-1-1", Neighbour: "192.0.2.1", Peer: state.Some(string(other)), Up: state.Some(true),
				Restart: state.Restart{Nonstop: state.Some(false), Own: state.Some(true), Helper: state.Some(true), Time: state.Some(120 * time.Second)},
				BFD:     state.BFDProtection{Protected: state.Some(false)},
			}},
		}
	}
	return ws, map[fleet.DeviceID]*state.Capture{"agg-1-1": capture("agg-1-1", "agg-1-2"), "agg-1-2": capture("agg-1-2", "agg-1-1")}
}

// A router that restarts cannot help its neighbour through a restart of its own.
// Source: RFC 3623 §3.1, from memory: a helper must hold the adjacency and watch
// the topology, and who restarts does neither.
func TestCapturesKeepRestartingNeighboursApart(t *testing.T) {
	ws, captures := sideBySide(t)
	w := both
	w.To = []string{"4.4.2"}
	night := func(c *plan.Campaign) (both []int) {
		for _, id := range []fleet.DeviceID{"agg-1-1", "agg-1-2"} {
			d, ok := c.Course(id)
			if !ok {
				t.Fatalf("%s is not in the campaign: %+v", id, c.Left)
			}
			both = append(both, d.Night)
		}
		return both
	}
	// Nothing is known of their adjacencies: they share a night.
	c, err := use(t, ws).Campaign(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	if n := night(c); n[0] != n[1] {
		t.Fatalf("without captures they are in the nights %v", n)
	}
	w.Captures = captures
	if c, err = use(t, ws).Campaign(t.Context(), w); err != nil {
		t.Fatal(err)
	}
	if n := night(c); n[0] == n[1] || len(c.Nights) != 2 || !c.Proof.Proven {
		t.Errorf("with captures they are in the nights %v of %d, %+v", n, len(c.Nights), c.Proof)
	}
	if all := strings.Join(c.Rules, "\n"); !strings.Contains(all, "agg-1-1 and agg-1-2 never restart together: ") {
		t.Errorf("the campaign's rules do not name it:\n%s", all)
	}
	for _, id := range []fleet.DeviceID{"agg-1-1", "agg-1-2"} {
		if d, _ := c.Course(id); d.Untouched == nil {
			t.Errorf("the forecast of %s was not made from its capture", id)
		}
	}
	// A kept campaign that has them in one night is taken apart as well.
	nights := len(c.Nights)
	w.Captures = nil
	kept, err := use(t, ws).Campaign(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	w.Captures = captures
	r, err := use(t, ws).Revise(t.Context(), ReviseWant{Kept: kept, Now: march}, w)
	if err != nil {
		t.Fatal(err)
	}
	if n := night(r); n[0] == n[1] || len(r.Changes) != 1 || len(r.Nights) != nights {
		t.Errorf("revised, they are in the nights %v, changed %+v", n, r.Changes)
	}
	// In one window it cannot be done, and the rule says why.
	ws.Calendars["windows.ics"] = calendarOf(event("one", "20310303T220000Z", 6, "", ""))
	_, err = use(t, ws).Campaign(t.Context(), w)
	var b *Blocked
	if !errors.As(err, &b) || !errors.Is(err, schedule.ErrInfeasible) || !b.Why.Minimal || !b.Why.Smallest {
		t.Fatalf("got %v", err)
	}
	slices.Sort(b.Why.Items)
	if len(b.Why.Rules) != 1 || !slices.Equal(b.Why.Items, []string{"agg-1-1", "agg-1-2"}) || !strings.HasPrefix(b.Why.Rules[0].Says, "agg-1-1 and agg-1-2 never restart together: ") ||
		!strings.Contains(b.Why.Rules[0].Says, "RFC 3623") {
		t.Errorf("got %v", b.Why)
	}
	// A neighbour that does not help, and is helped by none, stands in nobody's way.
	for _, x := range captures {
		x.Adjacencies[0].Restart.Own, x.Adjacencies[0].Restart.Helper = state.Some(false), state.Some(false)
	}
	if c, err = use(t, ws).Campaign(t.Context(), w); err != nil {
		t.Fatal(err)
	}
	if n := night(c); n[0] != n[1] {
		t.Errorf("without graceful restart they are in the nights %v", n)
	}
}
