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
		{ID: "mere-acc-2", Access: fleet.Access{Console: &fleet.ConsoleLine{InsecureReason: "on the bench", Jump: []fleet.JumpHost{{Address: "c.example:22", InsecureReason: "old"}}}}},
	}}
	want := []string{"mere-agg-1: certificates and host keys are not verified: lab", "mere-agg-2: the host key of its jump host b.example:22 is not verified: new, key follows",
		"mere-acc-2: the host key of its console server is not verified: on the bench", "mere-acc-2: the host key of its jump host c.example:22 is not verified: old"}
	if got := Unsafe(f, "mere-agg-1", "mere-agg-2", "mere-acc-1", "mere-acc-2", "nobody"); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
