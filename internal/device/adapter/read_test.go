package adapter_test

import (
	"testing"

	"towpath/internal/device/adapter"
)

// TestBuiltinAdaptersAreGood reads every adapter that comes along.
func TestBuiltinAdaptersAreGood(t *testing.T) {
	names := adapter.BuiltinNames()
	if len(names) < 1 {
		t.Fatalf("found the adapters %v", names)
	}
	for _, n := range names {
		if _, err := adapter.Builtin(n); err != nil {
			t.Errorf("%s:\n%v", n, err)
		}
	}
}
