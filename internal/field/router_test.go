package field

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// box is what a Linux router has of its own to run FRR: a folder per release, a
// note of the release to start next, and a restart of the daemons. It is the
// router's, as its init system is, and knows nothing of Towpath.
//
// A planned restart takes the daemons away without a word, as a process that is
// replaced does, and has zebra keep the kernel's routes until the sessions are
// back: RFC 4724 §4.1, forwarding state is preserved over the restart.
const box = `#!/bin/sh
# frr-box list|running|next [RELEASE]|unpack FILE|remove RELEASE|start|restart planned|cold
set -eu
root=%[1]s
cd $root
running() { exe=$(readlink /proc/$(cat run/bgpd.pid 2>/dev/null || echo none)/exe 2>/dev/null) || { echo none; return; }
  exe=${exe%% (deleted)}; basename $(dirname $(dirname $exe)); }
begin() { release=$(cat next)
  for d in zebra bgpd; do
    keep=; [ $d = zebra ] && keep="$*"
    LD_LIBRARY_PATH=$root/releases/$release/lib $root/releases/$release/sbin/$d -d -f etc/$d.conf -i $root/run/$d.pid \
      -z $root/run/zserv.api --vty_socket $root/run -P 0 -u frr -g frr --moduledir %[2]smodules $keep </dev/null >/dev/null 2>>$root/run/start.log
  done; }
end() { for d in bgpd zebra; do pid=$(cat run/$d.pid); kill -$1 $pid
  while kill -0 $pid 2>/dev/null; do sleep 0.05; done; done; }
case $1 in
  list) ls releases ;;
  running) running ;;
  next) [ $# = 1 ] || { [ -d releases/$2 ] || { echo "no release $2 is unpacked" >&2; exit 1; }; echo $2 >next.new; mv next.new next; }; cat next ;;
  unpack) tmp=$(mktemp -d unpack.XXXXXX); tar -C $tmp -xzf $2 || { rm -rf $tmp; exit 1; }
    for r in $tmp/*; do [ -d releases/$(basename $r) ] || mv $r releases/; done; rm -rf $tmp ;;
  remove) [ "$(running)" != "$2" ] && rm -rf releases/$2 ;;
  start) begin ;;
  restart) case ${2:-} in
      planned) end KILL; sleep 1; begin -K 60 ;;
      cold) end TERM; sleep 1; begin ;;
      *) echo "restart planned or cold" >&2; exit 2 ;;
    esac ;;
  *) echo "unknown: $1" >&2; exit 2 ;;
esac
`

// bgp is a node's configuration. A route with the community GRACEFUL_SHUTDOWN
// loses to every other. Source: RFC 8326 §4.
func (g *ground) bgp(node string, graceful bool) string {
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("log file %s", g.path(node, "run", "bgpd.log"))
	p("router bgp %d", systems[node])
	p(" bgp router-id %s", loopbacks[node])
	p(" no bgp ebgp-requires-policy")
	p(" bgp bestpath as-path multipath-relax")
	if graceful {
		p(" bgp graceful-restart\n bgp graceful-restart preserve-fw-state\n bgp graceful-restart restart-time 60")
	}
	var peers []string
	for _, l := range lines {
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
	p("bgp community-list standard LEAVING permit graceful-shutdown")
	p("route-map LEARN permit 10\n match community LEAVING\n set local-preference 0\nroute-map LEARN permit 20")
	p("ip prefix-list OWN permit %s/32", loopbacks[node])
	p("route-map OWN permit 10\n match ip address prefix-list OWN")
	return b.String()
}

// boot lays out a node and starts its daemons.
func (g *ground) boot(node string, graceful bool) {
	g.t.Helper()
	for _, sub := range []string{"run", "etc", "bin", "releases", "images"} {
		if err := os.MkdirAll(g.path(node, sub), 0o755); err != nil { //nolint:gosec // the daemons give up root
			g.t.Fatal(err)
		}
	}
	zebra := fmt.Sprintf("log file %s\n", g.path(node, "run", "zebra.log"))
	if node[0] == 'h' { // a host's packets carry the address that its routes name
		zebra += fmt.Sprintf("route-map OWN permit 10\n set src %s\nip protocol bgp route-map OWN\n", loopbacks[node])
	}
	tools := `#!/bin/sh
exec env LD_LIBRARY_PATH=%[1]s/releases/$(cat %[1]s/next)/lib VTYSH_PAGER=cat %[1]s/releases/$(cat %[1]s/next)/bin/vtysh --vty_socket %[1]s/run "$@"
`
	for name, text := range map[string]string{
		"etc/zebra.conf": zebra, "etc/bgpd.conf": g.bgp(node, graceful),
		"bin/frr-box": fmt.Sprintf(box, g.path(node), libDir), "bin/vtysh": fmt.Sprintf(tools, g.path(node)), "next": g.versions[0] + "\n",
	} {
		if err := os.WriteFile(g.path(node, name), []byte(text), 0o755); err != nil { //nolint:gosec // programs, and what the daemons read
			g.t.Fatal(err)
		}
	}
	g.must("chown", "frr:frr", g.path(node, "run"))
	g.must(g.path(node, "bin", "frr-box"), "unpack", g.path("build", "frr-"+g.versions[0]+".tar.gz"))
	g.in(node, g.path(node, "bin", "frr-box"), "start")
}

// sshd serves a node to whoever has the key, and returns its address and host
// key.
func (g *ground) sshd(node, address, public string) (hostKey string) {
	g.t.Helper()
	hostFile, hostKey := g.key(node + "-host-key")
	keys := g.path(node, "authorised")
	if err := os.WriteFile(keys, []byte(public+"\n"), 0o600); err != nil {
		g.t.Fatal(err)
	}
	config := fmt.Sprintf(`ListenAddress %s:22
HostKey %s
PidFile %s
AuthorizedKeysFile %s
PasswordAuthentication no
KbdInteractiveAuthentication no
UsePAM no
PermitRootLogin prohibit-password
StrictModes no
SetEnv PATH=%s:/usr/sbin:/usr/bin:/sbin:/bin
Subsystem sftp internal-sftp
`, address, hostFile, g.path(node, "sshd.pid"), keys, g.path(node, "bin"))
	if err := os.WriteFile(g.path(node, "sshd.conf"), []byte(config), 0o600); err != nil {
		g.t.Fatal(err)
	}
	if err := os.MkdirAll("/run/sshd", 0o755); err != nil { //nolint:gosec // where sshd gives up its rights
		g.t.Fatal(err)
	}
	g.start(node, "sshd", "/usr/sbin/sshd", "-D", "-e", "-f", g.path(node, "sshd.conf"))
	return hostKey
}

// settled waits until every host has both ways to every other.
func (g *ground) settled() {
	g.t.Helper()
	g.until(time.Minute, "two ways between all hosts", func() error {
		for _, n := range []string{"h1", "h2", "h3"} {
			text, err := run("ip", "-n", g.ns(n), "route", "show", "proto", "bgp")
			if err != nil {
				return err
			}
			if ways := strings.Count(text, "nexthop"); ways != 4 {
				return fmt.Errorf("%s has %d ways, want 4 (2 to each of the others)", n, ways)
			}
		}
		return nil
	})
}

// runningRelease is what the node's routing daemon really is, by the kernel.
func (g *ground) runningRelease(node string) string {
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
