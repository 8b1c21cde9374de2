package adapter_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"towpath/internal/device/adapter"
	"towpath/internal/state"
)

// TestLinuxFRRTellsGracePeriods runs the adapter's own command in a shell over
// what FRR 8.4.4 wrote of its configuration, with the period as it comes and with
// one of its own, and where nothing restarts gracefully.
// Source: output of "show running-config" of FRR 8.4.4, recorded; 120 s is its
// default, which it does not write.
func TestLinuxFRRTellsGracePeriods(t *testing.T) {
	for _, program := range []string{"sh", "sed"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Skipf("skipped: the command is run by %s: %v", program, err)
		}
	}
	a, err := adapter.Builtin("linux-frr")
	if err != nil {
		t.Fatal(err)
	}
	looked := 0
	for file, want := range map[string]map[string]string{
		"default.conf": {state.OSPFv2: "120s", state.OSPFv3: "120s"},
		"own.conf":     {state.OSPFv2: "300s", state.OSPFv3: "1800s"},
		"none.conf":    {state.OSPFv2: "", state.OSPFv3: ""},
	} {
		recorded, err := filepath.Abs(filepath.Join("testdata", "linux-frr-grace", file))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(recorded); err != nil {
			t.Fatal(err)
		}
		bin := t.TempDir()
		if err := os.WriteFile(filepath.Join(bin, "vtysh"), []byte("#!/bin/sh\nexec cat '"+recorded+"'\n"), 0o700); err != nil {
			t.Fatal(err)
		}
		for protocol, value := range want {
			i := slices.IndexFunc(a.Settings, func(s adapter.Setting) bool {
				return s.Protocol == protocol && s.Parameter == string(state.ParamGracePeriod)
			})
			if i < 0 {
				t.Fatalf("%s has no grace period", protocol)
			}
			s := a.Settings[i]
			cmd := exec.CommandContext(t.Context(), "sh", "-c", s.Read.Command)
			cmd.Env = append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"))
			out, err := cmd.Output()
			if err != nil {
				t.Fatalf("%s: %v", s.Read.Command, err)
			}
			if got := strings.TrimSuffix(string(out), "\n"); got != value {
				t.Errorf("%s, %s: told as %q, want %q", file, protocol, got, value)
			}
			pattern := s.Read.Parse.Lines
			if value == "" {
				pattern = s.Read.None
			}
			if !regexp.MustCompile(pattern).MatchString(value) {
				t.Errorf("%s, %s: the adapter does not understand %q", file, protocol, value)
			}
			looked++
		}
	}
	if looked != 6 {
		t.Errorf("looked at %d, want 6", looked)
	}
}
