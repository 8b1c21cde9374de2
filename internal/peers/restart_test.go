package peers

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"testing"
	"time"

	"towpath/internal/probe"
	"towpath/internal/state"
	"towpath/internal/survival"
)

const (
	rate      = 1000 // packets/s
	target    = "10.9.9.9"
	probePort = "862"
)

// helper is what the test binary does as one end of a probe in a namespace:
// reflect until it is told to end, or send, tell how it goes in live.json, and
// write result.json when it is told to end.
func helper(role string) int {
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer cancel()
	parent := os.Getppid()
	fail := func(err error) int {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	switch role {
	case "reflect":
		r, err := probe.NewReflector(probe.ReflectorConfig{Listen: target + ":" + probePort})
		if err != nil {
			return fail(err)
		}
		go func() {
			for range time.Tick(second) {
				if os.Getppid() != parent {
					cancel() // the test has died
				}
			}
		}()
		if err := r.Run(ctx); err != nil {
			return fail(err)
		}
		return 0
	case "send":
		s, err := probe.NewSender(probe.Config{
			Flows: []probe.Flow{{Name: "through", To: target + ":" + probePort, From: "10.1.0.2", Reflector: probe.ReflectorStateful}},
			Rate:  rate,
		})
		if err != nil {
			return fail(err)
		}
		if err := s.Start(context.Background()); err != nil {
			return fail(err)
		}
		for ctx.Err() == nil && os.Getppid() == parent {
			if err := put("live.json", s.Live()); err != nil {
				return fail(err)
			}
			select {
			case <-ctx.Done():
			case <-time.After(100 * time.Millisecond):
			}
		}
		if err := put("result.json", s.Stop()); err != nil {
			return fail(err)
		}
		return 0
	}
	return fail(fmt.Errorf("no helper %q", role))
}

// put writes a value so that a reader never sees a part of it.
func put(name string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	if err := os.WriteFile(name+".new", b, 0o600); err != nil {
		return err
	}
	return os.Rename(name+".new", name)
}

func get[T any](p *place, name string) (v T, err error) {
	b, err := os.ReadFile(p.path(name))
	if err != nil {
		return v, err
	}
	return v, json.Unmarshal(b, &v)
}

// restartCase is a restart of a router between two hosts.
type restartCase struct {
	name string
	// routing daemon, its configuration on the router and on the far host.
	daemon       string
	router, host string
	zebra        []string // of the router
	prepare      string   // command before
	kill         []string // daemons, in the order in which they are started again
	with         syscall.Signal
	down         time.Duration
	// what the router tells of itself, and what it is
	adjacency      state.Adjacency
	implementation string
	outcome        survival.Outcome
}

// keptProfiles describe a router whose kernel keeps its routes while zebra is
// away too: what a run of the daemons elsewhere showed before.
const keptProfiles = `daemons:
  frrkept:
    bgp:
      jitter: [1, 1]
      reconnect: [500ms, 2s]
      graceful-loss: {forward: [0s, 0s], reverse: [0s, 0s]}
      source: "seen in FRR 8.4.4: bgpd and zebra killed, zebra with -K 60, 0 packets lost in 3 of 3 runs"
`

func bgpConfig(num int, network string, graceful bool) string {
	extra := ""
	if graceful {
		extra = " bgp graceful-restart\n bgp graceful-restart restart-time 60\n bgp graceful-restart preserve-fw-state\n"
	}
	return fmt.Sprintf(`router bgp 6500%[1]d
 bgp router-id 10.0.0.%[1]d
 no bgp ebgp-requires-policy
%[2]s neighbor 10.0.0.%[3]d remote-as 6500%[3]d
 neighbor 10.0.0.%[3]d timers 3 9
 neighbor 10.0.0.%[3]d timers connect 1
 address-family ipv4 unicast
  network %[4]s
`, num, extra, 3-num, network)
}

func ospfConfig(num int, network string) string {
	return fmt.Sprintf(`interface v
 ip ospf network point-to-point
 ip ospf hello-interval 1
 ip ospf dead-interval 4
router ospf
 ospf router-id 10.0.0.%d
 capability opaque
 graceful-restart grace-period 60
 graceful-restart helper enable
 passive-interface u
 network 10.0.0.0/24 area 0
 network %s area 0
`, num, network)
}

func restartCases() []restartCase {
	yes, no := state.Some(true), state.Some(false)
	bgp := state.Adjacency{
		Protocol: state.BGP, Interface: "v", Neighbour: "10.0.0.2", Up: yes, BFD: state.BFDProtection{Protected: no},
		Timers:  state.Timers{Send: state.Some(3 * second), NeighbourDetect: state.Some(9 * second)},
		Restart: state.Restart{Nonstop: no, Own: yes, Helper: yes, Time: state.Some(60 * second), ForwardingKept: yes},
	}
	cold := bgp
	cold.Restart = state.Restart{Nonstop: no, Own: no, Helper: no}
	ospf := bgp
	ospf.Protocol = state.OSPFv2
	ospf.Timers = state.Timers{Send: state.Some(second), NeighbourDetect: state.Some(4 * second)}
	near, far := "10.1.0.0/24", target+"/32"
	on := func(g bool) (string, string) { return bgpConfig(1, near, g), bgpConfig(2, far, g) }
	r0, h0 := on(false)
	r1, h1 := on(true)
	return []restartCase{
		{"bgp_nogr_bgpd", "bgpd", r0, h0, nil, "", []string{"bgpd"}, syscall.SIGKILL, 3 * second, cold, "frr", survival.Drops},
		{"bgp_gr_bgpd", "bgpd", r1, h1, nil, "", []string{"bgpd"}, syscall.SIGKILL, 3 * second, bgp, "frr", survival.RestartsGracefully},
		{"bgp_gr_both_K", "bgpd", r1, h1, []string{"-K", "60"}, "", []string{"zebra", "bgpd"}, syscall.SIGKILL, 3 * second, bgp, "frrkept", survival.RestartsGracefully},
		{"ospf_gr_prep_term", "ospfd", ospfConfig(1, near), ospfConfig(2, far), nil, "graceful-restart prepare ip ospf", []string{"ospfd"}, syscall.SIGTERM, 3 * second, ospf, "frr", survival.RestartsGracefully},
	}
}

// measured is what a restart cost.
type measured struct {
	down             time.Duration
	forward, reverse probe.DirectionTotals
	result           probe.FlowResult
	sender           string
}

// run restarts the router once under test packets.
func (c restartCase) run(g *ground) (m measured, err error) {
	self, err := os.Executable()
	if err != nil {
		return m, err
	}
	g.start <- struct{}{}
	started := false
	defer func() {
		if !started {
			<-g.start
		}
	}()
	router, far, err := g.joined(c.name)
	if err != nil {
		return m, err
	}
	near, err := g.place(c.name + ", near host")
	if err != nil {
		return m, err
	}
	if err := join(near, "u", "10.1.0.2/24", router, "u", "10.1.0.1/24"); err != nil {
		return m, err
	}
	if err := near.ip("route", "add", "default", "via", "10.1.0.1"); err != nil {
		return m, err
	}
	if err := far.ip("addr", "add", target+"/32", "dev", "lo"); err != nil {
		return m, err
	}
	if _, err := command("ip", "netns", "exec", router.ns, "sh", "-c", "echo 1 >/proc/sys/net/ipv4/ip_forward"); err != nil {
		return m, err
	}
	// What the router runs, and how each is started again.
	running := map[string]*process{}
	begin := func(p *place, name, config string) error {
		var args []string
		if name == "zebra" && p == router {
			args = c.zebra
		}
		if err := frrOnly(p, name, config, args...); err != nil {
			return err
		}
		if p == router {
			p.mu.Lock()
			running[name] = p.processes[len(p.processes)-1]
			p.mu.Unlock()
		}
		return nil
	}
	answers := func(p *place, name string) error {
		return until(30*second, name+" answering", func() (bool, error) {
			_, err := command("vtysh", "--vty_socket", p.dir, "-d", name, "-c", "show version")
			return err == nil, err
		})
	}
	config := map[*place]string{router: c.router, far: c.host}
	for _, p := range []*place{far, router} {
		if err := begin(p, "zebra", "log file "+p.path("zebra.log")+"\n"); err != nil {
			return m, err
		}
		if err := answers(p, "zebra"); err != nil {
			return m, err
		}
		if err := begin(p, c.daemon, "log file "+p.path(c.daemon+".log")+"\n"+config[p]); err != nil {
			return m, err
		}
	}
	if _, err := far.runWith("reflect", []string{helperRole + "=reflect"}, self); err != nil {
		return m, err
	}
	sender, err := near.runWith("send", []string{helperRole + "=send"}, self)
	if err != nil {
		return m, err
	}
	<-g.start
	started = true
	// Clean for four seconds, before and after.
	clean := func(what string) error {
		return until(90*second, what, func() (bool, error) {
			live, err := get[[]probe.FlowLive](near, "live.json")
			if err != nil || len(live) != 1 {
				return false, err
			}
			return live[0].Received > rate && live[0].Clean > 4*second && live[0].Open == 0, nil
		})
	}
	if err := clean("passing test packets"); err != nil {
		return m, err
	}
	before, err := get[[]probe.FlowLive](near, "live.json")
	if err != nil {
		return m, err
	}
	if c.prepare != "" {
		if _, err := command("vtysh", "--vty_socket", router.dir, "-d", c.daemon, "-c", c.prepare); err != nil {
			return m, err
		}
		time.Sleep(second) // its grace is to be known before
	}
	gone := time.Now()
	for _, name := range c.kill {
		if err := running[name].signal(c.with); err != nil {
			return m, err
		}
	}
	for _, name := range c.kill {
		select {
		case <-running[name].done:
		case <-time.After(10 * second):
			return m, fmt.Errorf("%s does not end", name)
		}
	}
	time.Sleep(c.down - time.Since(gone))
	m.down = time.Since(gone)
	for _, name := range c.kill {
		text, err := os.ReadFile(router.path(name + ".conf"))
		if err != nil {
			return m, err
		}
		if err := begin(router, name, string(text)); err != nil {
			return m, err
		}
		if len(c.kill) > 1 && name == "zebra" {
			if err := answers(router, name); err != nil {
				return m, err
			}
		}
	}
	// The cost of a restart shows long after the daemon is back.
	time.Sleep(8 * second)
	if err := clean("passing test packets again"); err != nil {
		return m, err
	}
	if err := sender.signal(syscall.SIGTERM); err != nil {
		return m, err
	}
	<-sender.done
	res, err := get[probe.Result](near, "result.json")
	if err != nil || len(res.Flows) != 1 {
		said, _ := near.read("send.out")
		return m, fmt.Errorf("no result: %w: %s", err, tail(said, 300))
	}
	m.result = res.Flows[0]
	// What was lost before the routes were there does not count.
	m.forward, m.reverse = m.result.Forward, m.result.Reverse
	m.forward.Lost -= before[0].Forward.Lost
	m.reverse.Lost -= before[0].Reverse.Lost
	early, late := before[0].RoundTrip.Lost, m.result.RoundTrip.Lost
	if late > early {
		return m, fmt.Errorf("%d packets were lost nobody knows where", late-early)
	}
	var untested time.Duration
	for _, v := range m.result.Voids {
		untested += v.Untested
	}
	m.sender = fmt.Sprintf("sent %d, untested %v", m.result.Sent, untested.Round(time.Millisecond))
	return m, nil
}

// TestRestartsOfRealDaemons restarts a router between two hosts, measures what
// traffic loses with the program's own probe, and compares it with the forecast.
func TestRestartsOfRealDaemons(t *testing.T) {
	if !full {
		t.Skip("left out in the short form: graceful restarts of real daemons; TOWPATH_PEERS=full runs them")
	}
	g := newGround(t)
	if why := missing(frrNeeds("bgpd")); why != "" {
		t.Skipf("skipped restarts: %s", why)
	}
	p := newPulse()
	defer p.close()
	profiles, err := survival.ReadProfiles(strings.NewReader(keptProfiles))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s. %s. %d packets/s each way.\n\n| restart | down s | outcome forecast | loss forecast | forward lost s | reverse lost s | probe |\n|---|---|---|---|---|---|---|\n", time.Now().Format("2 January 2006"), versions(), rate)
	const runs = 2
	for _, c := range restartCases() {
		for range runs {
			m, err := c.run(g)
			if err != nil {
				t.Errorf("%s: %v", c.name, err)
				continue
			}
			capture := &state.Capture{Device: "mere-agg-1", Adjacencies: []state.Adjacency{c.adjacency}}
			f := survival.Predict(capture, survival.Fixed(m.down), survival.Options{Implementation: c.implementation, Profiles: profiles}).Adjacencies[0]
			forward, reverse := float64(m.forward.Lost)/rate, float64(m.reverse.Lost)/rate
			fmt.Fprintf(&b, "| %s | %.3f | %s | %v | %.3f | %.3f | %s |\n", c.name, m.down.Seconds(), f.Outcome, f.Loss, forward, reverse, m.sender)
			if f.Outcome != c.outcome {
				t.Errorf("%s: %s, want %s: %s", c.name, f.Outcome, c.outcome, f.Why)
			}
			// Traffic needs both directions, so the worse one counts. One packet
			// is the resolution.
			if lost := max(forward, reverse); lost < f.Loss.Least-1.0/rate || lost > f.Loss.Most+1.0/rate {
				t.Errorf("%s: %.3f s were lost, the forecast says %v", c.name, lost, f.Loss)
			}
		}
	}
	report(t, "Restarts of real daemons", b.String())
}
