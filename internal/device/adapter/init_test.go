package adapter_test

import (
	"strings"
	"testing"
	"time"

	"towpath/internal/device/adapter"
)

// TestNewAdapterOfAnOddPlatform makes an adapter from answers and runs it: the
// prompts of both modes fit, a changed configuration is seen, and what only its
// writer knows is asked for until it is put in.
func TestNewAdapterOfAnOddPlatform(t *testing.T) {
	src, err := adapter.New(adapter.Wish{
		Name: "quarry-3", Prompt: "*quarry-sw1.12 # ", Prompts: []string{"quarry-sw1.12 # ", "quarry-sw1.12 (setup) # "}, Varies: true,
		Reads: []adapter.WishedRead{{Into: "adjacency", Command: "show neighbours"}, {Into: "configuration", Command: "show setup"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	a, err := adapter.Read("quarry-3.yaml", src)
	if err != nil {
		t.Fatalf("%v\n%s", err, src)
	}
	for _, prompt := range []string{"*quarry-sw2.7 # ", "quarry-sw2.8 # ", "quarry-sw2.9 (setup) # "} {
		m := a.Pattern(a.Session.Prompt).FindStringIndex(prompt)
		if m == nil || m[0] != 0 || m[1] != len(prompt) {
			t.Errorf("%q is not taken whole by %q", prompt, a.Session.Prompt)
		}
	}
	if !a.Session.PromptVaries {
		t.Error("the prompt is learned exactly")
	}
	digest := func(setup string) string {
		r := a.Rehearse(func(command string) ([]byte, bool) {
			return []byte(map[string]string{"show neighbours": "203.0.113.1 up\n", "show setup": setup}[command]), true
		}, time.Unix(0, 0))
		if r.Good() || !strings.Contains(strings.Join(r.Reads[0].Problems, " "), `protocol: found "?" in the adapter itself`) {
			t.Errorf("nothing is said of what was not filled in: %+v", r.Reads[0])
		}
		return r.Capture.Configuration.Digest.Or("")
	}
	if one, two := digest("! setup\nhold 90\n"), digest("! setup\nhold 30\n"); one == "" || one == two {
		t.Errorf("two configurations have the digests %q and %q", one, two)
	}
}
