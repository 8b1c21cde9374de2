package field

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"towpath/internal/device/adapter"
)

// way is one way to restart a router's daemons into another release.
type way struct {
	name     string
	graceful bool // RFC 4724 on the router and its neighbours
	how      restart
	drain    bool   // the policy lets traffic be moved away before
	variant  string // how the route daemon restarts, as the forecast knows it
	lost     func(packets int) bool
	says     string // what lost wants
}

func ways() []way {
	none := func(n int) bool { return n == 0 }
	return []way{
		// Source: RFC 8326 §1: no packet is lost when the paths are changed
		// before the session goes.
		{"drained", false, cold, true, "frr", none, "none"},
		// Source: RFC 4724 §1: packets are forwarded on while the control plane
		// restarts.
		{"graceful", true, planned, false, "frr+kept", none, "none"},
		// Source: RFC 4271 §8.2.2: a session that ends takes its routes with it.
		{"cold", false, cold, false, "frr", func(n int) bool { return n > 0 }, "some"},
	}
}

// TestRouterUpgrade takes a router from one release of its daemons to the next,
// as its operator would with the command line, in every way, and compares the
// loss that was forecast with the one that was measured. The host h3 has no
// other way than over the router, except where traffic is moved away.
func TestRouterUpgrade(t *testing.T) {
	table := fmt.Sprintf("%-10s %-10s %-34s %-16s %s\n", "way", "flow", "forecast of the longest loss", "measured", "packets lost")
	for _, w := range ways() {
		t.Run(w.name, func(t *testing.T) {
			g := newGround(t, w.drain)
			_, public := g.key("towpath-key")
			known := ""
			for _, n := range nodes {
				key := g.boot(n, w.graceful, w.how, public)
				for _, l := range g.lines {
					if l.b == n && n[0] == 'r' {
						known += l.bAddr + " " + key + "\n"
					}
				}
			}
			g.settled()
			for _, n := range []string{"h2", "h3"} {
				g.start(n, "reflector", g.program(), "probe", "reflect", loopbacks[n]+":862")
			}
			dir := g.workspace(w, known)
			out, status := g.towpath(dir, "conduct", "r1", "--to", g.versions[1], "--allow-reload", "--consent-file", filepath.Join(dir, "consents"), "--who", "field test", "--evidence", dir)
			t.Log("\n" + out)
			if status != 0 {
				t.Fatalf("exit status %d, want 0", status)
			}
			if got := g.running("r1"); got != g.versions[1] {
				t.Errorf("r1 runs %s, want %s", got, g.versions[1])
			}
			e := g.evidence(dir)
			if e.Verdict != "accepted" || len(e.Hops) != 1 || !e.Hops[0].Loss.Known {
				t.Fatalf("verdict %q of %d hops, want one accepted and measured", e.Verdict, len(e.Hops))
			}
			loss := e.Hops[0].Loss
			for _, f := range []string{"h2", "h3"} {
				lost, longest := e.of(f)
				forecast := fmt.Sprintf("%v to %v", loss.Least.Round(time.Millisecond), loss.Most.Round(time.Millisecond))
				if f == "h2" && !w.drain { // it has another way
					forecast = fmt.Sprintf("at most %v", loss.Most.Round(time.Millisecond))
				}
				table += fmt.Sprintf("%-10s %-10s %-34s %-16v %d\n", w.name, f, forecast, longest.Round(time.Millisecond), lost)
				if (f == "h3" || w.drain) && !w.lost(lost) {
					t.Errorf("%s lost %d packets, want %s", f, lost, w.says)
				}
				low := loss.Least
				if f == "h2" {
					low = 0
				}
				if slack := resolution(); longest+slack < low || longest-slack > loss.Most {
					t.Errorf("%s lost for %v, the forecast is %v to %v", f, longest, low, loss.Most)
				}
			}
			if len(e.Transcripts) == 0 {
				t.Error("no transcript stands in the evidence")
			}
		})
	}
	t.Log("\n" + table)
}

// resolution is the time between two test packets of one of the eight streams of
// a flow, twice: at either end of an outage one can have just missed it.
func resolution() time.Duration { return 2 * 8 * time.Second / rate }

// handedOver is the part of an evidence document that is looked at here.
type handedOver struct {
	Verdict string `json:"verdict"`
	Hops    []struct {
		Loss struct {
			Least time.Duration `json:"least_ns"`
			Most  time.Duration `json:"most_ns"`
			Known bool          `json:"measured"`
		} `json:"loss"`
	} `json:"hops"`
	Probe struct {
		Outages []struct {
			Flow   string        `json:"flow"`
			Lost   int           `json:"lost"`
			ByLoss time.Duration `json:"by_loss_ns"`
		} `json:"outages"`
	} `json:"probe"`
	Transcripts []struct{ File string } `json:"transcripts"`
}

// of is what a flow lost, and for how long at most.
func (e handedOver) of(flow string) (lost int, longest time.Duration) {
	for _, o := range e.Probe.Outages {
		if o.Flow == flow {
			lost += o.Lost
			longest = max(longest, o.ByLoss)
		}
	}
	return lost, longest
}

// program builds towpath, once.
func (g *ground) program() string {
	g.t.Helper()
	name := g.path("towpath")
	if !exists(name) {
		// A machine with much else to do may take its time.
		if out, err := exec.Command("go", "build", "-o", name, "towpath/cmd/towpath").CombinedOutput(); err != nil {
			g.t.Fatalf("%v\n%s", err, out)
		}
	}
	return name
}

// towpath runs a command in h1, from where both routers can be reached.
func (g *ground) towpath(dir string, args ...string) (out string, status int) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 8*time.Minute)
	defer cancel()
	c := exec.CommandContext(ctx, "ip", append([]string{"netns", "exec", g.ns("h1"), g.program(), "-w", dir}, args...)...) // #nosec G204 -- the test's own program
	var b bytes.Buffer
	c.Stdout, c.Stderr = &b, &b
	if err := c.Run(); err != nil && c.ProcessState == nil {
		g.t.Fatal(err)
	}
	return b.String(), c.ProcessState.ExitCode()
}

func (g *ground) evidence(dir string) (e handedOver) {
	g.t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "evidence-*.json"))
	if err != nil || len(names) != 1 {
		g.t.Fatalf("%d files of evidence, %v", len(names), err)
	}
	b, err := os.ReadFile(names[0])
	if err != nil {
		g.t.Fatal(err)
	}
	if err := json.Unmarshal(b, &e); err != nil {
		g.t.Fatal(err)
	}
	return e
}

// workspace is what the operator of this network would write.
func (g *ground) workspace(w way, known string) string {
	g.t.Helper()
	dir := "workspace"
	g.write(fmt.Sprintf(`operator: Field
devices:
  - id: r1
    platform: linux-frr
    role: router
    release: %[1]q
    access: {driver: command-line, adapter: linux-frr.yaml, address: "10.0.11.2:22", user: root, key: "file:../towpath-key", known-hosts: "file:known_hosts"}
  - id: r2
    platform: linux-frr
    role: router
    release: %[1]q
    access: {driver: command-line, adapter: linux-frr.yaml, address: "10.0.12.2:22", user: root, key: "file:../towpath-key", known-hosts: "file:known_hosts"}
redundancy-groups:
  - {name: routers, members: [r1, r2], at-least: 1}
`, g.versions[0]), dir, "fleet.yaml")
	g.write(known, dir, "known_hosts")
	var releases strings.Builder
	for _, v := range g.versions {
		b, err := os.ReadFile(g.archive(v))
		if err != nil {
			g.t.Fatal(err)
		}
		sum := sha256.Sum256(b)
		fmt.Fprintf(&releases, "      - version: %q\n        images:\n          - {kind: system, file: frr-%s.tar.gz, size: %dB, sha256: %s}\n", v, v, len(b), hex.EncodeToString(sum[:]))
		g.write(string(b), dir, "images", "frr-"+v+".tar.gz")
	}
	// The daemons are away for a second by the machine's own script; what it takes
	// to end and to start them comes on top. Source: measured on this rig.
	g.write(fmt.Sprintf(`platforms:
  - id: linux-frr
    version-scheme:
      pattern: '(?P<major>\d+)\.(?P<minor>\d+)(\.(?P<patch>\d+))?'
      order: [{field: major, as: number}, {field: minor, as: number}, {field: patch, as: number}]
    durations:
      device-restart: {least: 0.02, likely: 0.1, most: 1}
    releases:
%s    transitions:
      - {from: %q, to: %q, method: reload, minutes: {least: 0.1, likely: 0.2, most: 2}, silence: {least: 2s, likely: 4s, most: 6s}}
      - {from: %[3]q, to: %[2]q, method: reload, minutes: {least: 0.1, likely: 0.2, most: 2}, silence: {least: 2s, likely: 4s, most: 6s}}
`, releases.String(), g.versions[0], g.versions[1]), dir, "releases.yaml")
	g.write(fmt.Sprintf(`readiness:
  unknown-is: caution
  steady-for: 2s
  waive: [console-reachable] # a namespace has none
probe:
  rate: %d
  budget: 10s
  baseline: 4s
  settle: 6s
  flows:
    - {name: h2, to: "%s:862", ports: 8}
    - {name: h3, to: "%s:862", ports: 8}
conduct: {poll-every: 1s, observe-after-crash: 5s}
hold-points: [{before: upgrade-run, ask: Is the other router well?}]
preparation: {apply: %v, target: 0.999, allow: [drain, drain-device]}
`, rate, loopbacks["h2"], loopbacks["h3"], w.drain), dir, "policy.yaml")
	g.write("* Field Tester\n", dir, "consents")
	b, err := adapter.BuiltinSource("linux-frr")
	if err != nil {
		g.t.Fatal(err)
	}
	g.write(strings.ReplaceAll(string(b), "implementation: frr", "implementation: "+w.variant), dir, "linux-frr.yaml")
	return g.path(dir)
}
