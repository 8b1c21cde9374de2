package field

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// how a router restarts its daemons.
type restart string

const (
	// planned takes the daemons away without a word, as a process that is
	// replaced does, and has zebra keep the kernel's routes until the sessions
	// are back. Source: RFC 4724 §4.1, forwarding state is preserved.
	planned restart = `end KILL; sleep 1; begin -K 60`
	// cold ends them as a machine that shuts down does: sessions are closed and
	// routes withdrawn.
	cold restart = `end TERM; sleep 1; begin`
)

// script is /opt/router/restart, which a Linux router has of its own, as it has
// an init system. It knows nothing of Towpath. Given "start" it only starts.
const script = `#!/bin/sh
set -eu
cd /opt/router
begin() { release=$(readlink -f next)
  for d in zebra bgpd; do
    keep=; [ $d = zebra ] && keep="$*"
    LD_LIBRARY_PATH=$release/lib $release/sbin/$d -d -f etc/$d.conf -i /run/frr/$d.pid -z /run/frr/zserv.api --vty_socket /run/frr \
      -P 0 -u frr -g frr --moduledir %[1]smodules $keep </dev/null >/dev/null 2>>/run/frr/start.log
  done; }
end() { for d in bgpd zebra; do pid=$(cat /run/frr/$d.pid); kill -$1 $pid
  while kill -0 $pid 2>/dev/null; do sleep 0.05; done; done; }
if [ "${1:-}" = start ]; then begin; else %[2]s; fi
`

// tools is vtysh of the release that is started next.
const tools = `#!/bin/sh
exec env LD_LIBRARY_PATH=/opt/router/next/lib /opt/router/next/bin/vtysh --vty_socket /run/frr "$@"
`

// bgp is a node's configuration, which spells as its daemon does. A route with the community GRACEFUL_SHUTDOWN
// loses to every other. Source: RFC 8326 §4.
//
//nolint:misspell // the daemon's own words
func (g *ground) bgp(node string, graceful bool) string {
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("log file /run/frr/bgpd.log")
	// Before the neighbours that use them: a policy that comes later is applied
	// five seconds later, and until then nothing is learned.
	p("bgp community-list standard LEAVING permit graceful-shutdown")
	p("route-map LEARN permit 10\n match community LEAVING\n set local-preference 0\nroute-map LEARN permit 20")
	p("ip prefix-list OWN permit %s/32", loopbacks[node])
	p("route-map OWN permit 10\n match ip address prefix-list OWN")
	p("router bgp %d", systems[node])
	p(" bgp router-id %s", loopbacks[node])
	p(" no bgp ebgp-requires-policy")
	p(" bgp bestpath as-path multipath-relax")
	if graceful {
		p(" bgp graceful-restart\n bgp graceful-restart preserve-fw-state\n bgp graceful-restart restart-time 60")
	}
	var peers []string
	for _, l := range g.lines {
		var peer, addr string
		switch node {
		case l.a:
			peer, addr = l.b, l.bAddr
		case l.b:
			peer, addr = l.a, l.aAddr
		default:
			continue
		}
		peers = append(peers, addr)
		p(" neighbor %s remote-as %d", addr, systems[peer])
		p(" neighbor %s description %s", addr, peer)
		p(" neighbor %s timers 3 9", addr)
		p(" neighbor %s timers connect 1", addr)
	}
	p(" address-family ipv4 unicast")
	if node[0] == 'h' {
		p("  network %s/32", loopbacks[node])
	}
	p("  maximum-paths 4")
	for _, addr := range peers {
		p("  neighbor %s route-map LEARN in", addr)
		if node[0] == 'h' {
			p("  neighbor %s route-map OWN out", addr)
		}
	}
	p(" exit-address-family")
	return b.String()
}

// write puts a text into a file of the ground that daemons and shells can read.
func (g *ground) write(text string, parts ...string) {
	g.t.Helper()
	name := g.path(parts...)
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil { //nolint:gosec // the daemons give up root
		g.t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), 0o755); err != nil { //nolint:gosec // programs, and what the daemons read
		g.t.Fatal(err)
	}
}

// boot lays out a node and starts its daemons and sshd, in a mount namespace in
// which /opt/router and /run/frr are the node's own. It returns the host key.
func (g *ground) boot(node string, graceful bool, how restart, public string) (hostKey string) {
	g.t.Helper()
	zebra := "log file /run/frr/zebra.log\n"
	if node[0] == 'h' { // a host's packets carry the address that its routes name
		zebra += fmt.Sprintf("route-map OWN permit 10\n set src %s\nip protocol bgp route-map OWN\n", loopbacks[node])
	}
	g.write(zebra, node, "router", "etc", "zebra.conf")
	g.write(g.bgp(node, graceful), node, "router", "etc", "bgpd.conf")
	g.write(fmt.Sprintf(script, libDir, how), node, "router", "restart")
	g.write(tools, node, "router", "bin", "vtysh")
	for _, sub := range []string{"router/images", "router/releases", "run"} {
		if err := os.MkdirAll(g.path(node, sub), 0o755); err != nil { //nolint:gosec // the daemons give up root
			g.t.Fatal(err)
		}
	}
	g.must("chown", "frr:frr", g.path(node, "run"))
	g.must("tar", "-C", g.path(node, "router", "releases"), "-xzf", g.archive(g.versions[0]), "--transform", "s,^\\.,"+g.versions[0]+",")
	if err := os.Symlink("/opt/router/releases/"+g.versions[0], g.path(node, "router", "next")); err != nil {
		g.t.Fatal(err)
	}
	hostFile, hostKey := g.key(node + "-host-key")
	g.write(public+"\n", node, "authorised")
	g.write(fmt.Sprintf(`HostKey %s
PidFile none
AuthorizedKeysFile %s
PasswordAuthentication no
KbdInteractiveAuthentication no
UsePAM no
PermitRootLogin prohibit-password
StrictModes no
MaxStartups 100
SetEnv PATH=/opt/router/bin:/usr/sbin:/usr/bin:/sbin:/bin
Subsystem sftp internal-sftp
`, hostFile, g.path(node, "authorised")), node, "sshd.conf")
	if err := os.MkdirAll("/run/sshd", 0o755); err != nil { //nolint:gosec // where sshd gives up its rights
		g.t.Fatal(err)
	}
	g.start(node, "machine", "unshare", "--uts", "sh", "-c", `set -e
hostname "$1"; mount -t tmpfs tmpfs /opt; mkdir /opt/router; mkdir -p /run/frr
mount --bind "$2/router" /opt/router; mount --bind "$2/run" /run/frr
/opt/router/restart start; exec /usr/sbin/sshd -D -e -f "$2/sshd.conf"`, "sh", node, g.path(node))
	return hostKey
}

// settled waits until every host has all its ways to every other: as many as it
// has lines, to each of the two others.
func (g *ground) settled() {
	g.t.Helper()
	g.until(time.Minute, "all ways between all hosts", func() error {
		for _, n := range []string{"h1", "h2", "h3"} {
			text, err := run("ip", "-n", g.ns(n), "route", "show", "proto", "bgp")
			if err != nil {
				return err
			}
			has := 0
			for _, l := range g.lines {
				if l.a == n {
					has++
				}
			}
			want := 2 * has
			if n != "h3" && len(g.lines) < len(lines) {
				want-- // one way to h3
			}
			if got := strings.Count(text, " via "); got < want {
				return fmt.Errorf("%s has %d ways, want %d:\n%s", n, got, want, text)
			}
		}
		return nil
	})
}

// running is the release of the node's routing daemon, by the kernel's word.
func (g *ground) running(node string) string {
	text, err := os.ReadFile(g.path(node, "run", "bgpd.pid"))
	if err != nil {
		return err.Error()
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return err.Error()
	}
	exe, err := os.Readlink(fmt.Sprintf("/proc/%d/exe", pid))
	if err != nil {
		return err.Error()
	}
	return filepath.Base(filepath.Dir(filepath.Dir(exe)))
}
