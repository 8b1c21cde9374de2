package survival

import (
	"testing"
	"time"

	"towpath/internal/state"
)

// Source: RFC 2328 appendix C.3, hello 10 s and dead interval 40 s.
func TestDefaultsAreMarkedAssumed(t *testing.T) {
	c := &state.Capture{Adjacencies: []state.Adjacency{{Protocol: state.OSPFv2, Neighbour: "192.0.2.1"}}}
	f := Predict(c, Fixed(29*time.Second), Options{})
	if f.Safe != 30*time.Second || f.Adjacencies[0].Outcome != Holds || !f.Adjacencies[0].Inputs[0].Assumed {
		t.Fatalf("%+v", f)
	}
}
