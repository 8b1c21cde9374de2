package commandline_test

import (
	"testing"
	"time"

	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/state"
)

// TestGracePeriod sets over the command line what the chassis asks of its OSPF
// neighbours, and puts it back.
// Source: RFC 3623 §2.1; RFC 9129, restart-interval, 1 to 1800 s.
func TestGracePeriod(t *testing.T) {
	_, d := open(t, labtest.Config(false))
	at := state.Setting{Protocol: state.OSPFv2, Instance: "default", Parameter: state.ParamGracePeriod}
	read := func() time.Duration {
		t.Helper()
		got, err := d.Settings(t.Context(), []state.Setting{at})
		if err != nil || len(got) != 1 {
			t.Fatalf("%v, %v", got, err)
		}
		v, err := time.ParseDuration(got[0].Value)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	was := read()
	for _, want := range []time.Duration{5 * time.Minute, was} {
		at.Value = want.String()
		if err := d.Adjust(t.Context(), []state.Setting{at}); err != nil {
			t.Fatalf("%v: %v", want, err)
		}
		if got := read(); got != want {
			t.Errorf("reads back %v, want %v", got, want)
		}
	}
	at.Value = "30m1s"
	if err := d.Adjust(t.Context(), []state.Setting{at}); err == nil {
		t.Error("more than half an hour was taken")
	}
}
