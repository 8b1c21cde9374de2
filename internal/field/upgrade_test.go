package field

import "testing"

func TestRig(t *testing.T) {
	g := newGround(t)
	for _, n := range nodes {
		g.boot(n, true)
	}
	_, public := g.key("towpath-key")
	g.sshd("r1", "10.0.11.2", public)
	g.settled()
	t.Log(g.runningRelease("r1"), g.in("r1", g.path("r1", "bin", "frr-box"), "running"))
	g.in("r1", g.path("r1", "bin", "frr-box"), "unpack", g.path("build", "frr-"+g.versions[1]+".tar.gz"))
	g.in("r1", g.path("r1", "bin", "frr-box"), "next", g.versions[1])
	for _, how := range []string{"planned", "cold"} {
		g.in("r1", g.path("r1", "bin", "frr-box"), "restart", how)
		g.settled()
		t.Log(how, g.runningRelease("r1"), g.in("r1", g.path("r1", "bin", "frr-box"), "running"))
	}
	t.Log(g.in("h1", "ssh", "-i", g.path("towpath-key"), "-o", "StrictHostKeyChecking=no", "-o", "UserKnownHostsFile=/dev/null", "root@10.0.11.2", "vtysh -c 'show ip bgp summary'; frr-box list; frr-box running"))
}
