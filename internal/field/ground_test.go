package field

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/pem"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"
)

const (
	prefix     = "tp-field-"
	daemonsDir = "/usr/lib/frr/"
	libDir     = "/usr/lib/x86_64-linux-gnu/frr/"
	rate       = 1000 // test packets per second of each flow
)

// needs are the programs of the test and the packages that bring them.
var needs = map[string]string{
	daemonsDir + "zebra": "frr", daemonsDir + "bgpd": "frr", "vtysh": "frr", libDir + "libfrr.so.0": "frr",
	"/usr/sbin/sshd": "openssh-server", "ip": "iproute2", "ssh": "openssh-client",
}

// nodes of the ground: hosts h1 to h3, each with a line to both routers, and a
// line between the routers.
//
//	h1 ──┬── r1 ──┬── h2        test packets go from h1 to h2 and h3
//	     │   │    └── h3        r1 is the router that is upgraded
//	     └── r2 ── (h2, h3)
var nodes = []string{"h1", "h2", "h3", "r1", "r2"}

// line is a point-to-point link with a /30.
type line struct{ a, b, aAddr, bAddr string }

var lines = []line{
	{"h1", "r1", "10.0.11.1", "10.0.11.2"},
	{"h2", "r1", "10.0.21.1", "10.0.21.2"},
	{"h3", "r1", "10.0.31.1", "10.0.31.2"},
	{"h1", "r2", "10.0.12.1", "10.0.12.2"},
	{"h2", "r2", "10.0.22.1", "10.0.22.2"},
	{"h3", "r2", "10.0.32.1", "10.0.32.2"},
	{"r1", "r2", "10.0.9.1", "10.0.9.2"},
}

var (
	loopbacks = map[string]string{"h1": "10.9.1.1", "h2": "10.9.2.1", "h3": "10.9.3.1", "r1": "10.9.0.1", "r2": "10.9.0.2"}
	systems   = map[string]int{"h1": 65001, "h2": 65002, "h3": 65003, "r1": 65011, "r2": 65012}
)

// ground is the namespaces with everything that runs in them.
type ground struct {
	t        *testing.T
	dir      string
	tag      string // part of the namespaces' names, so that two runs do not meet
	versions [2]string
	lines    []line
	started  []*exec.Cmd
}

// newGround makes the namespaces, with a second line of h3 where both is asked
// for, and two builds of the routing daemons: the one
// that is installed, and the same with another version in its own words.
func newGround(t *testing.T, both bool) *ground {
	t.Helper()
	if os.Getenv("TOWPATH_ROUTER") != "full" {
		t.Skip("skipped the upgrade of a real router: TOWPATH_ROUTER=full is not set; make test-router runs it")
	}
	if os.Geteuid() != 0 {
		t.Skip("skipped the upgrade of a real router: making network namespaces needs root")
	}
	for program, pkg := range needs {
		if _, err := exec.LookPath(program); err != nil && !exists(program) {
			t.Skipf("skipped the upgrade of a real router: no %s; apt-get install %s", program, pkg)
		}
	}
	dir, err := os.MkdirTemp("", prefix)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil { // the daemons give up root
		t.Fatal(err)
	}
	g := &ground{t: t, dir: dir, tag: strconv.Itoa(os.Getpid()), lines: lines}
	if !both {
		g.lines = slices.DeleteFunc(slices.Clone(lines), func(l line) bool { return l.a == "h3" && l.b == "r2" })
	}
	t.Cleanup(g.close)
	g.builds()
	for _, n := range nodes {
		g.must("ip", "netns", "add", g.ns(n))
		g.must("ip", "-n", g.ns(n), "link", "set", "lo", "up")
		g.must("ip", "-n", g.ns(n), "addr", "add", loopbacks[n]+"/32", "dev", "lo")
		// Flows are told apart by their ports, as in any router.
		g.in(n, "sh", "-c", "echo 1 >/proc/sys/net/ipv4/ip_forward; echo 1 >/proc/sys/net/ipv4/fib_multipath_hash_policy")
	}
	for _, l := range g.lines {
		g.must("ip", "link", "add", l.b, "netns", g.ns(l.a), "type", "veth", "peer", "name", l.a, "netns", g.ns(l.b))
		g.must("ip", "-n", g.ns(l.a), "addr", "add", l.aAddr+"/30", "dev", l.b)
		g.must("ip", "-n", g.ns(l.b), "addr", "add", l.bAddr+"/30", "dev", l.a)
		g.must("ip", "-n", g.ns(l.a), "link", "set", l.b, "up")
		g.must("ip", "-n", g.ns(l.b), "link", "set", l.a, "up")
	}
	return g
}

func exists(name string) bool {
	_, err := os.Stat(name)
	return err == nil
}

func (g *ground) ns(node string) string { return prefix + g.tag + "-" + node }
func (g *ground) path(parts ...string) string {
	return filepath.Join(append([]string{g.dir}, parts...)...)
}
func (g *ground) archive(version string) string { return g.path("build", "frr-"+version+".tar.gz") }
func (g *ground) in(node string, args ...string) string {
	g.t.Helper()
	return g.must("ip", append([]string{"netns", "exec", g.ns(node)}, args...)...)
}

// must runs a command to its end, which has to come within a minute.
func (g *ground) must(program string, args ...string) string {
	g.t.Helper()
	out, err := run(program, args...)
	if err != nil {
		g.t.Fatal(err)
	}
	return out
}

func run(program string, args ...string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	var out, errOut bytes.Buffer
	c := exec.CommandContext(ctx, program, args...) // #nosec G204 -- the test's own commands
	c.Stdout, c.Stderr = &out, &errOut
	if err := c.Run(); err != nil {
		return out.String(), fmt.Errorf("%s %s: %w\n%s%s", program, strings.Join(args, " "), err, out.String(), errOut.String())
	}
	return out.String(), nil
}

// start runs a command in a node until the ground is closed, its output in a
// file.
func (g *ground) start(node, name string, args ...string) *exec.Cmd {
	g.t.Helper()
	if err := os.MkdirAll(g.path("log"), 0o700); err != nil {
		g.t.Fatal(err)
	}
	log, err := os.Create(g.path("log", node+"-"+name))
	if err != nil {
		g.t.Fatal(err)
	}
	c := exec.Command("ip", append([]string{"netns", "exec", g.ns(node)}, args...)...) // #nosec G204 -- the test's own commands
	c.Stdout, c.Stderr = log, log
	c.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := c.Start(); err != nil {
		g.t.Fatal(err)
	}
	g.started = append(g.started, c)
	return c
}

// close ends what was started, by its number, and deletes the namespaces.
func (g *ground) close() {
	for _, c := range g.started {
		_ = c.Process.Kill()
		_ = c.Wait()
	}
	pids, err := filepath.Glob(g.path("*", "run", "*.pid"))
	if err != nil {
		g.t.Error(err)
	}
	for _, name := range pids {
		text, err := os.ReadFile(name)
		if err != nil {
			continue
		}
		if pid, err := strconv.Atoi(strings.TrimSpace(string(text))); err == nil && g.ours(pid) {
			_ = syscall.Kill(pid, syscall.SIGKILL)
		}
	}
	for _, n := range nodes {
		if _, err := run("ip", "netns", "del", g.ns(n)); err != nil && exists("/run/netns/"+g.ns(n)) {
			g.t.Error(err)
		}
	}
	if g.t.Failed() && os.Getenv("TOWPATH_ROUTER_KEEP") != "" {
		g.t.Logf("everything is kept in %s", g.dir)
		return
	}
	if err := os.RemoveAll(g.dir); err != nil {
		g.t.Error(err)
	}
}

// ours tells whether a process is in one of the ground's network namespaces.
func (g *ground) ours(pid int) bool {
	is, err := os.Stat(fmt.Sprintf("/proc/%d/ns/net", pid))
	if err != nil {
		return false
	}
	for _, n := range nodes {
		if ns, err := os.Stat("/run/netns/" + g.ns(n)); err == nil && os.SameFile(is, ns) {
			return true
		}
	}
	return false
}

// builds puts the installed daemons under one prefix and the same daemons,
// which call themselves the next version, into an archive.
func (g *ground) builds() {
	text := g.must(daemonsDir+"bgpd", "--version")
	var v string
	if _, err := fmt.Sscanf(text, "bgpd version %s", &v); err != nil {
		g.t.Fatalf("bgpd --version says %q", text)
	}
	g.versions = [2]string{v, next(v)}
	for _, version := range g.versions {
		root := g.path("build", version)
		for _, sub := range []string{"sbin", "bin", "lib"} {
			if err := os.MkdirAll(filepath.Join(root, sub), 0o755); err != nil { //nolint:gosec // the daemons give up root
				g.t.Fatal(err)
			}
		}
		for from, to := range map[string]string{daemonsDir + "zebra": "sbin/zebra", daemonsDir + "bgpd": "sbin/bgpd", "/usr/bin/vtysh": "bin/vtysh", libDir + "libfrr.so.0": "lib/libfrr.so.0"} {
			b, err := os.ReadFile(from)
			if err != nil {
				g.t.Fatal(err)
			}
			// The same number of octets, so that nothing else moves.
			b = bytes.ReplaceAll(b, []byte(v), []byte(version))
			if err := os.WriteFile(filepath.Join(root, to), b, 0o755); err != nil { //nolint:gosec // programs
				g.t.Fatal(err)
			}
		}
		g.must("tar", "-C", root, "-czf", g.archive(version), ".")
	}
}

// next raises the last digit of a version by one, from 9 to 0.
func next(v string) string {
	b := []byte(v)
	i := len(b) - 1
	b[i] = '0' + (b[i]-'0'+1)%10
	return string(b)
}

// key makes a key pair and returns the private key's file and the public line.
func (g *ground) key(name string) (file, public string) {
	g.t.Helper()
	pub, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		g.t.Fatal(err)
	}
	block, err := ssh.MarshalPrivateKey(private, name)
	if err != nil {
		g.t.Fatal(err)
	}
	file = g.path(name)
	if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
		g.t.Fatal(err)
	}
	p, err := ssh.NewPublicKey(pub)
	if err != nil {
		g.t.Fatal(err)
	}
	return file, strings.TrimSpace(string(ssh.MarshalAuthorizedKey(p)))
}

// until asks again and again until the answer is yes.
func (g *ground) until(limit time.Duration, what string, f func() error) {
	g.t.Helper()
	var last error
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if last = f(); last == nil {
			return
		}
	}
	g.t.Fatalf("%s did not come within %v: %v", what, limit, last)
}
