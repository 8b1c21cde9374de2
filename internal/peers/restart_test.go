package peers

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"towpath/internal/probe"
	"towpath/internal/state"
	"towpath/internal/survival"
)

const (
	rate     = 1000 // packets/s each way
	nearHost = "10.1.0.2"
	farHost  = "10.9.9.9"
)

// helper is what the test binary does as one end of a probe in a namespace,
// told by a role such as "reflect 10.9.9.9" or "send 10.1.0.2 10.9.9.9":
// reflect until it is told to end, or send from one address to another, tell
// how it goes in live.json, and write result.json when it is told to end.
func helper(role string) int {
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer cancel()
	parent := os.Getppid()
	fail := func(err error) int {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	words := append(strings.Fields(role), "", "")
	switch words[0] {
	case "reflect":
		r, err := probe.NewReflector(probe.ReflectorConfig{Listen: words[1]})
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
			Flows: []probe.Flow{{Name: "through", From: words[1], To: words[2], Reflector: probe.ReflectorStateful}},
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
	implementation string // with how it is restarted, as in profiles
	outcome        survival.Outcome
}

//nolint:misspell // a configuration spells as its daemon does
func bgpConfig(num int, network string, limit int) string {
	extra := ""
	if limit > 0 {
		extra = fmt.Sprintf(" bgp graceful-restart\n bgp graceful-restart restart-time %d\n bgp graceful-restart preserve-fw-state\n", limit)
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
	near, far := "10.1.0.0/24", farHost+"/32"
	on := func(limit int) (string, string) { return bgpConfig(1, near, limit), bgpConfig(2, far, limit) }
	r0, h0 := on(0)
	r1, h1 := on(60)
	r5, h5 := on(5)
	late := bgp
	late.Restart.Time = state.Some(5 * second)
	dead := ospf
	dead.Restart = cold.Restart
	bgpOnly, both := []string{"bgpd"}, []string{"zebra", "bgpd"}
	keep, retain := []string{"-K", "60"}, []string{"-K", "60", "-r"}
	const down = 3 * second
	return []restartCase{
		{"bgp_nogr_bgpd", "bgpd", r0, h0, nil, "", bgpOnly, syscall.SIGKILL, down, cold, "frr", survival.Drops},
		{"bgp_gr_bgpd", "bgpd", r1, h1, nil, "", bgpOnly, syscall.SIGKILL, down, bgp, "frr", survival.RestartsGracefully},
		{"bgp_gr_both_K", "bgpd", r1, h1, keep, "", both, syscall.SIGKILL, down, bgp, "frr+kept", survival.RestartsGracefully},
		{"bgp_gr_both_Kr_term", "bgpd", r1, h1, retain, "", both, syscall.SIGTERM, down, bgp, "frr+kept", survival.RestartsGracefully},
		{"bgp_gr_both_noK", "bgpd", r1, h1, nil, "", both, syscall.SIGKILL, down, bgp, "frr+swept", survival.RestartsGracefully},
		{"bgp_gr_bgpd_term", "bgpd", r1, h1, nil, "", bgpOnly, syscall.SIGTERM, down, bgp, "frr+withdrawn", survival.RestartsGracefully},
		{"bgp_nogr_both_K", "bgpd", r0, h0, keep, "", both, syscall.SIGKILL, down, cold, "frr+kept", survival.Drops},
		{"bgp_gr_expired", "bgpd", r5, h5, nil, "", bgpOnly, syscall.SIGKILL, 8 * second, late, "frr", survival.Drops},
		{"ospf_nogr_kill", "ospfd", ospfConfig(1, near), ospfConfig(2, far), nil, "", []string{"ospfd"}, syscall.SIGKILL, down, dead, "frr", survival.Drops},
		{"ospf_gr_prep_term", "ospfd", ospfConfig(1, near), ospfConfig(2, far), nil, "graceful-restart prepare ip ospf", []string{"ospfd"}, syscall.SIGTERM, down, ospf, "frr", survival.RestartsGracefully},
		{"ospf_gr_prep_both_K", "ospfd", ospfConfig(1, near), ospfConfig(2, far), keep, "graceful-restart prepare ip ospf", []string{"zebra", "ospfd"}, syscall.SIGKILL, down, ospf, "frr+kept", survival.RestartsGracefully},
		{"ospf_gr_prep_both_noK", "ospfd", ospfConfig(1, near), ospfConfig(2, far), nil, "graceful-restart prepare ip ospf", []string{"zebra", "ospfd"}, syscall.SIGKILL, down, ospf, "frr+swept", survival.RestartsGracefully},
	}
}

// measured is what a restart cost.
type measured struct {
	down             time.Duration
	start            time.Duration // from its end until the last daemon was started again
	forward, reverse float64       // seconds without traffic
	stall            time.Duration // how long the machine stood still, which makes it void
	notes            string
}

// site is a router between two hosts, of which the far one runs its neighbour.
type site struct {
	restartCase
	router, far, near *place
	running           map[string]*process // on the router
}

// build starts everything but the probes.
func (c restartCase) build(g *ground) (*site, error) {
	g.start <- struct{}{}
	defer func() { <-g.start }()
	router, far, err := g.joined(c.name)
	if err != nil {
		return nil, err
	}
	near, err := g.place(c.name + ", near host")
	if err != nil {
		return nil, err
	}
	s := &site{c, router, far, near, map[string]*process{}}
	if err := join(near, "u", nearHost+"/24", router, "u", "10.1.0.1/24"); err != nil {
		return nil, err
	}
	if err := near.ip("route", "add", "default", "via", "10.1.0.1"); err != nil {
		return nil, err
	}
	if err := far.ip("addr", "add", farHost+"/32", "dev", "lo"); err != nil {
		return nil, err
	}
	if _, err := command("ip", "netns", "exec", router.ns, "sh", "-c", "echo 1 >/proc/sys/net/ipv4/ip_forward"); err != nil {
		return nil, err
	}
	for _, p := range []*place{far, router} {
		config := c.host
		if p == router {
			config = c.router
		}
		if err := s.begin(p, "zebra", "log file "+p.path("zebra.log")+"\n"); err != nil {
			return nil, err
		}
		if err := s.begin(p, c.daemon, "log file "+p.path(c.daemon+".log")+"\n"+config); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// begin starts a daemon, and waits for zebra, which the others need.
func (s *site) begin(p *place, name, config string) error {
	var args []string
	if name == "zebra" && p == s.router {
		args = s.zebra
	}
	x, err := frrOnly(p, name, config, args...)
	if err != nil {
		return err
	}
	if p == s.router {
		s.running[name] = x
	}
	if name != "zebra" {
		return nil
	}
	return until(30*second, "zebra answering", func() (bool, error) {
		_, err := command("vtysh", "--vty_socket", p.dir, "-d", name, "-c", "show logging")
		return err == nil, err
	})
}

// clean waits until test packets have passed for four seconds without a loss.
func clean(p *place, what string) error {
	return until(60*second, what, func() (bool, error) {
		if err := p.alive(); err != nil {
			return false, err
		}
		live, err := get[[]probe.FlowLive](p, "live.json")
		if err != nil || len(live) != 1 {
			return false, err
		}
		return live[0].Received > rate && live[0].Clean > 4*second && live[0].Open == 0, nil
	})
}

// restart ends the daemons and starts them again after a while.
func (s *site) restart() (down, start time.Duration, err error) {
	if s.prepare != "" {
		if _, err := command("vtysh", "--vty_socket", s.router.dir, "-d", s.daemon, "-c", s.prepare); err != nil {
			return 0, 0, err
		}
		time.Sleep(second) // the neighbour is to know of it
	}
	gone := time.Now()
	for _, name := range s.kill {
		if err := s.running[name].signal(s.with); err != nil {
			return 0, 0, err
		}
	}
	for _, name := range s.kill {
		select {
		case <-s.running[name].done:
		case <-time.After(10 * second):
			return 0, 0, fmt.Errorf("%s does not end", name)
		}
	}
	time.Sleep(s.down - time.Since(gone))
	down = time.Since(gone)
	for _, name := range s.kill {
		text, err := os.ReadFile(s.router.path(name + ".conf"))
		if err != nil {
			return 0, 0, err
		}
		if err := s.begin(s.router, name, string(text)); err != nil {
			return 0, 0, err
		}
	}
	return down, time.Since(gone) - down, nil
}

// run restarts the router once under test packets.
func (c restartCase) run(g *ground, p *pulse) (m measured, err error) {
	self, err := os.Executable()
	if err != nil {
		return m, err
	}
	s, err := c.build(g)
	if err != nil {
		return m, err
	}
	defer func() {
		for _, p := range []*place{s.near, s.far, s.router} {
			p.close()
		}
	}()
	type end struct {
		at       *place
		from, to string
	}
	ends := []end{{s.near, nearHost, farHost}, {s.far, farHost, nearHost}}
	// A sender wants a way to its target when it begins.
	for _, e := range ends {
		if err := until(60*second, "a route from "+e.from+" to "+e.to, func() (bool, error) {
			err := e.at.ip("route", "get", e.to, "from", e.from)
			return err == nil, err
		}); err != nil {
			return m, err
		}
	}
	var senders []*process
	for _, e := range ends {
		if _, err := e.at.runWith("reflect", []string{helperRole + "=reflect " + e.from}, self); err != nil {
			return m, err
		}
		x, err := e.at.runWith("send", []string{helperRole + "=send " + e.from + " " + e.to}, self)
		if err != nil {
			return m, err
		}
		senders = append(senders, x)
	}
	both := func(what string) error {
		return errors.Join(clean(s.near, what), clean(s.far, what))
	}
	if err := both("passing test packets"); err != nil {
		return m, err
	}
	began := time.Now()
	if m.down, m.start, err = s.restart(); err != nil {
		return m, err
	}
	time.Sleep(8 * second) // what a restart costs shows long after the daemon is back
	if err := both("passing test packets again"); err != nil {
		return m, err
	}
	m.stall = p.longest(began)
	for i, x := range senders {
		if err := x.signal(syscall.SIGTERM); err != nil {
			return m, err
		}
		<-x.done
		res, err := get[probe.Result](ends[i].at, "result.json")
		if err != nil || len(res.Flows) != 1 {
			said, _ := ends[i].at.read("send.out")
			return m, fmt.Errorf("no result: %w: %s", err, tail(said, 300))
		}
		f := res.Flows[0]
		lost := 0.0
		for _, o := range f.Outages {
			if o.Start < began.Sub(res.Start) || o.Direction == probe.Reverse {
				continue // from before the routes were there, or what the other sender counts
			}
			if o.Direction == probe.RoundTrip {
				return m, fmt.Errorf("%d packets were lost nobody knows where", o.Lost)
			}
			if o.ReflectorStalled {
				m.notes += fmt.Sprintf(" %d lost while the reflector stood still;", o.Lost)
				continue
			}
			lost += (o.Duration() + o.Untested).Seconds()
		}
		if i == 0 {
			m.forward = lost
		} else {
			m.reverse = lost
		}
		m.notes += fmt.Sprintf(" sent %d, untested %v;", f.Sent, f.Untested.Round(time.Millisecond))
	}
	return m, nil
}

// TestRestartsOfRealDaemons restarts a router between two hosts, measures what
// traffic loses with the program's own probe, and compares it with the forecast.
// Source: FRR itself; its version is printed with the result.
func TestRestartsOfRealDaemons(t *testing.T) {
	if !full {
		t.Skip("left out in the short form: graceful restarts of real daemons; TOWPATH_PEERS=full runs them")
	}
	g := newGround(t)
	if why := missing(frrNeeds("bgpd")); why != "" {
		t.Skipf("skipped restarts: %s", why)
	}
	var cases []restartCase
	for _, c := range restartCases() {
		if only := os.Getenv("TOWPATH_PEERS_ONLY"); only == "" || strings.HasPrefix(c.name, only) {
			cases = append(cases, c)
		}
	}
	if len(cases) == 0 {
		t.Skip("no restart of the protocol asked for")
	}
	p := newPulse()
	defer p.close()
	var voids atomic.Int64
	const runs = 2
	type row struct {
		m   measured
		err error
	}
	rows := make([][runs]row, len(cases))
	// Two sites run at a time, but never two with OSPF: its daemons keep the
	// state of a restart in one file for the whole machine.
	var wg sync.WaitGroup
	var ospf sync.Mutex
	room := make(chan struct{}, 2)
	for i, c := range cases {
		for k := range runs {
			wg.Go(func() {
				if c.daemon == "ospfd" {
					ospf.Lock()
					defer ospf.Unlock()
				}
				room <- struct{}{}
				defer func() { <-room }()
				for range 3 { // void ones are tried again
					m, err := c.run(g, p)
					if rows[i][k].m, rows[i][k].err = m, err; err != nil || m.stall == 0 {
						break
					}
					voids.Add(1)
				}
			})
		}
	}
	wg.Wait()
	var b strings.Builder
	fmt.Fprintf(&b, "%s. %s. %d packets/s each way. %d runs void because the machine stood still for more than %v.\n\n| restart | down s | start s | outcome forecast | loss forecast | forward lost s | reverse lost s | probe |\n|---|---|---|---|---|---|---|---|\n", time.Now().Format("2 January 2006"), versions(), rate, voids.Load(), stalled)
	for i, c := range cases {
		proven := 0
		for _, r := range rows[i] {
			m, err := r.m, r.err
			if err != nil {
				t.Errorf("%s: %v", c.name, err)
				continue
			}
			if m.stall > 0 {
				t.Logf("%s: the machine stood still for %v each time, so nothing is proven", c.name, m.stall)
				continue
			}
			proven++
			capture := &state.Capture{Device: "mere-agg-1", Adjacencies: []state.Adjacency{c.adjacency}}
			// A daemon that ends on a kernel that lives on has its sessions closed.
			o := survival.Options{Implementation: c.implementation, Notice: survival.NoticeAtOnce, ResumeDelay: survival.Fixed(m.start)}
			f := survival.Predict(capture, survival.Fixed(m.down), o).Adjacencies[0]
			fmt.Fprintf(&b, "| %s | %.3f | %.3f | %s | %v | %.3f | %.3f | %s |\n", c.name, m.down.Seconds(), m.start.Seconds(), f.Outcome, f.Loss, m.forward, m.reverse, strings.Trim(m.notes, " ;"))
			if f.Outcome != c.outcome {
				t.Errorf("%s: %s, want %s: %s", c.name, f.Outcome, c.outcome, f.Why)
			}
			// Traffic needs both directions, so the worse one counts. One packet
			// is the resolution.
			if lost := max(m.forward, m.reverse); lost < f.Loss.Least-1.0/rate || lost > f.Loss.Most+1.0/rate {
				t.Errorf("%s: %.3f s were lost, the forecast says %v", c.name, lost, f.Loss)
			}
		}
		if proven == 0 {
			t.Errorf("%s: no run of %d proves anything; the machine is too busy", c.name, runs)
		}
	}
	report(t, "Restarts of real daemons", b.String())
}
