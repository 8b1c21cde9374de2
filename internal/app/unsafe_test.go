package app

import (
	"slices"
	"testing"

	"towpath/internal/fleet"
)

func TestUnsafe(t *testing.T) {
	f := &fleet.Fleet{Devices: []fleet.Device{
		{ID: "mere-agg-1", Access: fleet.Access{InsecureReason: "lab"}},
		{ID: "mere-agg-2", Access: fleet.Access{Jump: []fleet.JumpHost{{Address: "a.example:22"}, {Address: "b.example:22", InsecureReason: "new, key follows"}}}},
		{ID: "mere-acc-1"},
	}}
	want := []string{"mere-agg-1: certificates and host keys are not verified: lab", "mere-agg-2: the host key of its jump host b.example:22 is not verified: new, key follows"}
	if got := Unsafe(f, "mere-agg-1", "mere-agg-2", "mere-acc-1", "nobody"); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
