package main

import (
	"strings"
	"testing"
	"time"
)

// The command is its own check: it fails where the three ways differ.
// Source: networkx (single_source_dijkstra_path_length), where it is installed.
func TestTheWaysAgree(t *testing.T) {
	var out strings.Builder
	if err := run(&out, 20, 4, 2, "python3", 3, time.Minute); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	for _, want := range []string{"mesh", "fat-tree k=4", "fabric"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("got %q, want it to hold %q", out.String(), want)
		}
	}
	if strings.Contains(out.String(), "networkx skipped") {
		t.Log(out.String())
	}
}

func TestAMissingInterpreterIsSaid(t *testing.T) {
	var out strings.Builder
	if err := run(&out, 20, 2, 2, "", 1, 0); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "networkx skipped: no interpreter was given") {
		t.Errorf("got %q", out.String())
	}
}
