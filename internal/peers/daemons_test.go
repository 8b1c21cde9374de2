package peers

import (
	"encoding/json"
	"fmt"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// view is how a daemon sees its adjacency.
type view struct {
	up     bool
	losses int // adjacencies that it lost since it started
}

// timing is what an adjacency runs with.
type timing struct{ hello, detect time.Duration }

func (t timing) mult() int { return int(t.detect / t.hello) }

// daemon is one implementation of one protocol.
type daemon struct {
	name  string            // as in profiles
	needs map[string]string // program: package
	start func(*place, timing) error
	view  func(*place) (view, error)
}

const frrDir = "/usr/lib/frr/"

func frrNeeds(d string) map[string]string {
	return map[string]string{frrDir + "zebra": "frr", frrDir + d: "frr", "vtysh": "frr"}
}

// frr starts zebra and one more daemon of FRR with a configuration.
func frr(p *place, name, config string, args ...string) error {
	if _, err := frrOnly(p, "zebra", "log file "+p.path("zebra.log")+"\n"); err != nil {
		return err
	}
	if err := until(20*time.Second, "zebra listening", func() (bool, error) {
		_, err := command("vtysh", "--vty_socket", p.dir, "-d", "zebra", "-c", "show logging")
		return err == nil, err
	}); err != nil {
		return err
	}
	_, err := frrOnly(p, name, config, args...)
	return err
}

// frrOnly starts one daemon of FRR.
func frrOnly(p *place, name, config string, args ...string) (*process, error) {
	if err := p.write(name+".conf", config); err != nil {
		return nil, err
	}
	return p.run(name, frrDir+name, append([]string{
		"-f", p.path(name + ".conf"), "-i", p.path(name + ".pid"), "-z", p.path("zserv.api"),
		"--vty_socket", p.dir, "-P", "0", "-u", "frr", "-g", "frr",
	}, args...)...)
}

// show asks a daemon of FRR for JSON.
func (p *place) show(name, what string, into any) error {
	out, err := command("vtysh", "--vty_socket", p.dir, "-d", name, "-c", "show "+what+" json")
	if err != nil {
		return err
	}
	if err := json.Unmarshal([]byte(out), into); err != nil {
		return fmt.Errorf("show %s: %w", what, err)
	}
	return nil
}

// byLog tells up and losses from lines of a log.
func byLog(name string, up, lost *regexp.Regexp) func(*place) (view, error) {
	return func(p *place) (view, error) {
		text, err := p.read(name)
		ups, losses := len(up.FindAllString(text, -1)), len(lost.FindAllString(text, -1))
		return view{ups > losses, losses}, err
	}
}

func (p *place) router() string { return fmt.Sprintf("10.0.0.%d", p.num) }
func (p *place) other() string  { return fmt.Sprintf("10.0.0.%d", 3-p.num) }

func seconds(d time.Duration) string { return fmt.Sprintf("%g", d.Seconds()) }

// daemons by protocol and name.
//
//nolint:misspell // configurations and commands spell as their daemons do
var daemons = map[string]map[string]daemon{
	"bgp": {
		"frr": {
			name: "frr", needs: frrNeeds("bgpd"),
			start: func(p *place, t timing) error {
				return frr(p, "bgpd", fmt.Sprintf(`log file %[1]s
router bgp 6500%[2]d
 bgp router-id %[3]s
 no bgp ebgp-requires-policy
 neighbor %[4]s remote-as 6500%[5]d
 neighbor %[4]s timers %[6]s %[7]s
 neighbor %[4]s timers connect 1
`, p.path("bgpd.log"), p.num, p.router(), p.other(), 3-p.num, seconds(t.hello), seconds(t.detect)))
			},
			view: func(p *place) (view, error) {
				var all map[string]struct {
					State   string `json:"bgpState"`
					Dropped int    `json:"connectionsDropped"`
				}
				err := p.show("bgpd", "bgp neighbors", &all)
				n := all[p.other()]
				return view{n.State == "Established", n.Dropped}, err
			},
		},
		"bird": {
			name: "bird", needs: birdNeeds,
			start: func(p *place, t timing) error {
				return bird(p, fmt.Sprintf(`protocol bgp n {
	debug { states, events };
	local %s as 6500%d;
	neighbor %s as 6500%d;
	hold time %s;
	keepalive time %s;
	connect delay time 1;
	connect retry time 1;
	error wait time 1, 2;
	ipv4 { import all; export none; };
}
`, p.router(), p.num, p.other(), 3-p.num, seconds(t.detect), seconds(t.hello)))
			},
			view: byLog("bird.log", regexp.MustCompile(`n: BGP session established`), regexp.MustCompile(`n: BGP session closed`)),
		},
	},
	"ospfv2": {
		"frr": {
			name: "frr", needs: frrNeeds("ospfd"),
			start: func(p *place, t timing) error {
				return frr(p, "ospfd", fmt.Sprintf(`log file %s
interface v
 ip ospf network point-to-point
 ip ospf hello-interval %s
 ip ospf dead-interval %s
router ospf
 ospf router-id %s
 log-adjacency-changes detail
 network 10.0.0.0/24 area 0
`, p.path("ospfd.log"), seconds(t.hello), seconds(t.detect), p.router()))
			},
			view: byLog("ospfd.log", regexp.MustCompile(`-> Full`), regexp.MustCompile(`Full ->`)),
		},
		"bird": {
			name: "bird", needs: birdNeeds,
			start: func(p *place, t timing) error {
				return bird(p, fmt.Sprintf(`protocol ospf v2 n {
	debug { states, events };
	ipv4 { import none; export none; };
	area 0 { interface "v" { type ptp; hello %s; dead %s; }; };
}
`, seconds(t.hello), seconds(t.detect)))
			},
			view: byLog("bird.log", regexp.MustCompile(`to Full`), regexp.MustCompile(`from Full`)),
		},
	},
	"isis": {
		"frr": {
			name: "frr", needs: frrNeeds("isisd"),
			start: func(p *place, t timing) error {
				return frr(p, "isisd", fmt.Sprintf(`log file %s
interface v
 ip router isis x
 isis circuit-type level-2-only
 isis network point-to-point
 isis hello-interval %s
 isis hello-multiplier %d
router isis x
 net 49.0001.0000.0000.000%d.00
 is-type level-2-only
 log-adjacency-changes
`, p.path("isisd.log"), seconds(t.hello), t.mult(), p.num))
			},
			view: byLog("isisd.log", regexp.MustCompile(`ADJCHANGE.* to Up`), regexp.MustCompile(`ADJCHANGE.* from Up`)),
		},
	},
	"bfd": {
		"frr": {
			name: "frr", needs: frrNeeds("bfdd"),
			start: func(p *place, t timing) error {
				ms := t.hello.Milliseconds()
				return frr(p, "bfdd", fmt.Sprintf(`log file %s
bfd
 peer %s
  detect-multiplier %d
  receive-interval %d
  transmit-interval %d
`, p.path("bfdd.log"), p.other(), t.mult(), ms, ms), "--bfdctl", p.path("bfdd.sock"))
			},
			view: func(p *place) (view, error) {
				var peers []struct {
					Status string
				}
				var counts []struct {
					Down int `json:"session-down"`
				}
				if err := p.show("bfdd", "bfd peers", &peers); err != nil {
					return view{}, err
				}
				if err := p.show("bfdd", "bfd peers counters", &counts); err != nil {
					return view{}, err
				}
				if len(peers) != 1 || len(counts) != 1 {
					return view{}, fmt.Errorf("found %d sessions, want one", len(peers))
				}
				return view{peers[0].Status == "up", counts[0].Down}, nil
			},
		},
		"ovs": {
			name: "ovs", needs: ovsNeeds,
			start: func(p *place, t timing) error {
				ms := t.hello.Milliseconds()
				return ovs(p, nil, "set", "interface", "v", "bfd:enable=true",
					fmt.Sprintf("bfd:min_tx=%d", ms), fmt.Sprintf("bfd:min_rx=%d", ms), fmt.Sprintf("bfd:mult=%d", t.mult()))
			},
			view: byLog("ovs-vswitchd.out", regexp.MustCompile(`v: BFD state change: \w+->up`), regexp.MustCompile(`v: BFD state change: up->`)),
		},
	},
	"vrrp": {
		"keepalived": {
			name: "keepalived", needs: map[string]string{"keepalived": "keepalived"},
			start: func(p *place, t timing) error {
				state, prio := "MASTER", 200
				if p.num == 2 {
					state, prio = "BACKUP", 100
				}
				if err := p.write("keepalived.conf", fmt.Sprintf(`global_defs {
	router_id r%d
}
vrrp_instance V {
	interface v
	state %s
	priority %d
	advert_int %s
	virtual_router_id 51
	virtual_ipaddress {
		10.0.0.100/24
	}
}
`, p.num, state, prio, seconds(t.hello))); err != nil {
					return err
				}
				_, err := p.run("keepalived", "keepalived", "-n", "-l", "-D", "-P", "-f", p.path("keepalived.conf"), "-p", p.path("k.pid"), "-r", p.path("v.pid"))
				return err
			},
			view: func(p *place) (view, error) {
				// The active router is up as such, the other one as backup.
				// That it takes over is the loss.
				text, err := p.read("keepalived.out")
				masters, backups := strings.Count(text, "Entering MASTER STATE"), strings.Count(text, "Entering BACKUP STATE")
				active := strings.LastIndex(text, "Entering MASTER STATE") > strings.LastIndex(text, "Entering BACKUP STATE")
				if p.num == 1 {
					return view{active, 0}, err
				}
				return view{!active && backups > 0, masters}, err
			},
		},
	},
	"lldp": {
		"lldpd": {
			name: "lldpd", needs: map[string]string{"lldpd": "lldpd", "lldpcli": "lldpd"},
			start: func(p *place, t timing) error {
				sock := p.path("lldpd.sock")
				if _, err := p.run("lldpd", "lldpd", "-d", "-u", sock, "-I", "v"); err != nil {
					return err
				}
				if err := until(20*time.Second, "lldpd answering", func() (bool, error) {
					_, err := command("lldpcli", "-u", sock, "configure", "lldp", "tx-interval", seconds(t.hello))
					return err == nil, err
				}); err != nil {
					return err
				}
				_, err := command("lldpcli", "-u", sock, "configure", "lldp", "tx-hold", fmt.Sprint(t.mult()))
				return err
			},
			// What it counts, and not what it tells those who watch it: a watcher
			// that is not served says that nothing was ever lost.
			// Source: IEEE 802.1AB-2016 §9.2.6, statsAgeoutsTotal.
			view: func(p *place) (view, error) {
				var seen struct {
					LLDP struct {
						Interface json.RawMessage `json:"interface"`
					} `json:"lldp"`
				}
				var counted struct {
					LLDP struct {
						Summary struct {
							Aged struct {
								Count string `json:"ageout_cnt"`
							} `json:"ageout_cnt"`
						} `json:"summary"`
					} `json:"lldp"`
				}
				for what, into := range map[string]any{"neighbors": &seen, "statistics summary": &counted} {
					out, err := command("lldpcli", append([]string{"-u", p.path("lldpd.sock"), "-f", "json", "show"}, strings.Fields(what)...)...)
					if err != nil {
						return view{}, err
					}
					if err := json.Unmarshal([]byte(out), into); err != nil {
						return view{}, fmt.Errorf("lldpcli show %s: %w", what, err)
					}
				}
				c := counted.LLDP.Summary
				aged, err := strconv.Atoi(c.Aged.Count)
				if err != nil {
					return view{}, fmt.Errorf("lldpcli show statistics: ageouts: %w", err)
				}
				return view{len(seen.LLDP.Interface) > 0, aged}, nil
			},
		},
	},
	"lacp": {
		"ovs": {
			name: "ovs", needs: ovsNeeds,
			start: func(p *place, t timing) error {
				rate := "slow"
				if t.hello == time.Second {
					rate = "fast"
				}
				return ovs(p, nil, "set", "port", "v", "lacp=active", "other_config:lacp-time="+rate)
			},
			view: func(p *place) (view, error) {
				out, err := p.appctl("lacp/show-stats", "v")
				if err != nil {
					return view{}, err
				}
				show, err := p.appctl("lacp/show", "v")
				return view{strings.Contains(show, "v: current attached"), number(out, `Link Expired: (\d+)`)}, err
			},
		},
	},
	"rstp": {
		"ovs": {
			name: "ovs", needs: ovsNeeds,
			start: func(p *place, t timing) error {
				return ovs(p, []string{"-vrstp_sm:file:dbg"}, "set", "bridge", "br", "rstp_enable=true", fmt.Sprintf("other_config:rstp-priority=%d", 4096*p.num),
					"other_config:rstp-hello-time="+seconds(t.hello))
			},
			view: func(p *place) (view, error) {
				show, err := p.appctl("rstp/show", "br")
				if err != nil {
					return view{}, err
				}
				text, err := p.read("vs.log")
				if err != nil {
					return view{}, err
				}
				losses, err := agedPorts(text)
				root, forwards := strings.Contains(show, "This bridge is the root"), strings.Contains(show, "Forwarding")
				return view{root == (p.num == 1) && forwards, losses}, err
			},
		},
	},
}

// takenBack is how soon a root that is awake has its neighbour back: proposal and
// agreement are two packets.
// Source: IEEE 802.1D-2004 clause 17.10; seen in Open vSwitch 3.1.0, within 5 ms.
const takenBack = 50 * time.Millisecond

// agedPorts counts in the log of a bridge how often the information of its port
// ran out and the port was not the root port again at once.
// Source: IEEE 802.1D-2004 clause 17.27, the information is AGED once nothing has
// been heard for 3 × HelloTime; state 3 is its entry in this daemon.
func agedPorts(log string) (n int, err error) {
	var aged time.Time
	for _, line := range strings.Split(log, "\n") {
		out, back := strings.Contains(line, "Port_information_sm 8 -> 3"), strings.HasSuffix(line, "port role [8001] = Root")
		if !out && !back {
			continue
		}
		stamp, _, _ := strings.Cut(line, "|")
		at, err := time.Parse(time.RFC3339, stamp)
		if err != nil {
			return 0, fmt.Errorf("a line of the bridge's log: %w", err)
		}
		switch {
		case out:
			n, aged = n+1, at
		case !aged.IsZero() && at.Sub(aged) <= takenBack:
			n--
		}
		if back {
			aged = time.Time{}
		}
	}
	return n, nil
}

var birdNeeds = map[string]string{"bird": "bird2", "birdc": "bird2"}

// bird starts BIRD with protocols.
func bird(p *place, protocols string) error {
	if err := p.write("bird.conf", fmt.Sprintf("log %q all;\nrouter id %s;\nprotocol device { scan time 5; }\n%s", p.path("bird.log"), p.router(), protocols)); err != nil {
		return err
	}
	_, err := p.run("bird", "bird", "-f", "-c", p.path("bird.conf"), "-s", p.path("bird.ctl"), "-P", p.path("bird.pid"))
	return err
}

var ovsNeeds = map[string]string{"ovs-vswitchd": "openvswitch-switch", "ovsdb-server": "openvswitch-switch", "ovs-vsctl": "openvswitch-switch", "ovs-appctl": "openvswitch-switch"}

// ovs starts an Open vSwitch whose bridge br has the port v; args are further
// words for ovs-vsctl.
func ovs(p *place, logs []string, args ...string) error {
	db := "unix:" + p.path("db.sock")
	dirs := []string{"OVS_RUNDIR=" + p.dir, "OVS_DBDIR=" + p.dir, "OVS_LOGDIR=" + p.dir}
	if _, err := command("ovsdb-tool", "create", p.path("conf.db"), "/usr/share/openvswitch/vswitch.ovsschema"); err != nil {
		return err
	}
	if _, err := p.runWith("ovsdb-server", dirs, "ovsdb-server", "--remote=p"+db, "--unixctl="+p.path("db.ctl"), p.path("conf.db")); err != nil {
		return err
	}
	if err := until(20*time.Second, "ovsdb-server answering", func() (bool, error) {
		_, err := command("ovs-vsctl", "--timeout=5", "--db="+db, "--no-wait", "init")
		return err == nil, err
	}); err != nil {
		return err
	}
	if _, err := p.runWith("ovs-vswitchd", dirs, "ovs-vswitchd", append([]string{db, "--unixctl=" + p.path("vs.ctl"), "--log-file=" + p.path("vs.log"), "-vconsole:info"}, logs...)...); err != nil {
		return err
	}
	// Its log tells what was lost, so it must leave nothing out.
	if err := until(20*time.Second, "ovs-vswitchd answering", func() (bool, error) {
		_, err := p.appctl("vlog/disable-rate-limit")
		return err == nil, err
	}); err != nil {
		return err
	}
	_, err := command("ovs-vsctl", append([]string{
		"--timeout=9", "--db=" + db, "add-br", "br", "--", "set", "bridge", "br", "datapath_type=netdev",
		fmt.Sprintf("other_config:hwaddr=02:00:00:00:00:0%d", p.num), "--", "add-port", "br", "v", "--",
	}, args...)...)
	return err
}

func (p *place) appctl(args ...string) (string, error) {
	return command("ovs-appctl", append([]string{"--timeout=5", "-t", p.path("vs.ctl")}, args...)...)
}

func number(text, pattern string) (n int) {
	if m := regexp.MustCompile(pattern).FindStringSubmatch(text); m != nil {
		_, _ = fmt.Sscan(m[1], &n)
	}
	return n
}

// versions of what is installed, for the report.
func versions() string {
	var out []string
	for _, v := range []struct {
		program string
		args    []string
	}{
		{frrDir + "bgpd", []string{"--version"}}, {"bird", []string{"--version"}}, {"keepalived", []string{"--version"}},
		{"lldpd", []string{"-v"}}, {"ovs-vswitchd", []string{"--version"}}, {"uname", []string{"-r"}},
	} {
		b, err := exec.Command(v.program, v.args...).CombinedOutput()
		line, _, _ := strings.Cut(string(b), "\n")
		if err != nil && line == "" {
			line = "not installed"
		}
		out = append(out, strings.TrimPrefix(v.program, frrDir)+": "+line)
	}
	return strings.Join(out, "; ")
}
