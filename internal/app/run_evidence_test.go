package app

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/evidence"
	"towpath/internal/state"
)

// The tenth hop comes after the second, and a capture belongs to the hop of its
// number also where one before it is missing.
func TestHopsAreInTheOrderOfTheirNumbers(t *testing.T) {
	s := newMemStore()
	for hop := 1; hop <= 12; hop++ {
		if hop == 3 {
			continue
		}
		var b bytes.Buffer
		if err := state.Encode(&b, &state.Capture{Device: fmt.Sprintf("after-%d", hop)}); err != nil {
			t.Fatal(err)
		}
		s.artefacts[fmt.Sprintf("capture/after-hop-%d", hop)] = b.Bytes()
		s.artefacts[fmt.Sprintf("comparison/hop-%d", hop)] = []byte(`{}`)
	}
	s.artefacts["comparison/back"] = []byte(`{}`)
	e := evidence.Inputs{Captures: map[string]string{}}
	if err := errors.Join(gatherCaptures(t.Context(), s, "r1", &e), gatherComparisons(t.Context(), s, "r1", &e)); err != nil {
		t.Fatal(err)
	}
	if len(e.After) != 12 {
		t.Fatalf("%d captures after hops, want 12 places", len(e.After))
	}
	for i, c := range e.After {
		if i == 2 && c != nil || i != 2 && (c == nil || c.Device != fmt.Sprintf("after-%d", i+1)) {
			t.Errorf("hop %d has %+v", i+1, c)
		}
	}
	var got []string
	for _, c := range e.Compared {
		got = append(got, c.Name)
	}
	if want := []string{"hop 1", "hop 2", "hop 4", "hop 5", "hop 6", "hop 7", "hop 8", "hop 9", "hop 10", "hop 11", "hop 12", "back"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	s.artefacts["capture/after-hop-x"] = s.artefacts["capture/after-hop-1"]
	if err := gatherCaptures(t.Context(), s, "r1", &e); err == nil {
		t.Error("a capture of no hop was taken")
	}
}

// Who takes the work over by hand is told how the device stood then, also where
// it cannot be read.
func TestHandedOverIsRead(t *testing.T) {
	for _, away := range []bool{false, true} {
		r := newRig(t, true)
		r.dev.refuse["adjust mere-agg-1 bfd lag-1 detection-multiplier 3 ospfv2 lag-2 dead-interval (its default)"] = &device.Fault{Kind: device.Refused, Op: "adjust"}
		if _, err := r.session(t); !errors.Is(err, ErrPaused) {
			t.Fatal(err)
		}
		if away {
			r.dev.off = 1000
		}
		r.send(t, "choice", Choice{Person: "Ada Fenwick", Choice: conduct.HandOver, After: r.seq()})
		st, err := r.session(t)
		if err != nil || st.Verdict != conduct.Paused {
			t.Fatalf("%q, %v", st.Verdict, err)
		}
		records := r.journal(t)
		var d conduct.FinishedData
		if err := json.Unmarshal(records[len(records)-1].Data, &d); err != nil {
			t.Fatal(err)
		}
		if away {
			if !strings.Contains(d.Unread, "mere-agg-1") {
				t.Errorf("away: %+v", d)
			}
			continue
		}
		if d.Found == nil || d.Found.Roles["CTL-B"] != state.Primary || d.Found.Releases["CTL-B"] != "4.3.1" || d.Unread != "" {
			t.Fatalf("found %+v, unread %q", d.Found, d.Unread)
		}
		// The run could put nothing back on its own device, and the neighbour's end
		// comes after it in the same step.
		if len(d.Found.Found) != 2 || d.Found.Found[0].Settings[0].Value != "9" || d.Found.Found[1].On != "mere-agg-2" {
			t.Errorf("settings found: %+v", d.Found.Found)
		}
	}
}
