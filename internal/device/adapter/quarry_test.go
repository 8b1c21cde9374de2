package adapter_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"towpath/internal/device/adapter"
)

// TestPlatformOfTheGuide runs the adapter that docs/adapters.md explains on the
// outputs of its invented device, and finds each line that is quoted there in it.
func TestPlatformOfTheGuide(t *testing.T) {
	const dir = "testdata/quarry-3"
	src, err := os.ReadFile(filepath.Join(dir, "quarry-3.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	a, err := adapter.Read("quarry-3.yaml", src)
	if err != nil {
		t.Fatal(err)
	}
	r := a.Rehearse(func(command string) ([]byte, bool) {
		b, err := os.ReadFile(filepath.Join(dir, adapter.FileName(command)))
		return b, err == nil
	}, time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC))
	if !r.Good() || len(r.Lacking) > 0 {
		t.Errorf("not understood, missing %v, lacking %v", r.Missing, r.Lacking)
		for _, x := range r.Reads {
			t.Log(x.Read, x.Problems)
		}
	}
	c := r.Capture
	card, ok := c.Component("1")
	if !ok || card.Version.Or("") != c.Release.Or("none") || len(c.Interfaces) != 48 || len(c.Adjacencies) != 2 || !c.Configuration.Digest.Known() {
		t.Errorf("card %+v, %d interfaces, %d adjacencies", card, len(c.Interfaces), len(c.Adjacencies))
	}
	guide, err := os.ReadFile("../../../docs/adapters.md")
	if err != nil {
		t.Fatal(err)
	}
	quoted := 0
	for i, block := range strings.Split(string(guide), "```") {
		text, ok := strings.CutPrefix(block, "yaml\n")
		if i%2 == 0 || !ok {
			continue
		}
		for _, line := range strings.Split(strings.TrimSpace(text), "\n") {
			quoted++
			if !strings.Contains(string(src), strings.TrimSpace(line)) {
				t.Errorf("docs/adapters.md quotes %q, which is not in the adapter", line)
			}
		}
	}
	if quoted < 10 {
		t.Errorf("%d lines are quoted", quoted)
	}
}
