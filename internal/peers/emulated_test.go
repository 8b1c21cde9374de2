package peers

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"towpath/internal/lab/labtime"
	"towpath/internal/lab/neighbour"
	"towpath/internal/state"
	"towpath/internal/survival"
)

// emulated is a pair whose both ends are the lab's.
type emulated struct {
	pair
	device, far neighbour.Speaker
	dev, nbr    neighbour.Profile
}

// labProfiles says how the lab's ends differ from the standards: labdraws draws
// its hold time anew and reads what waits before it looks at its timers, labcut
// meets the retransmissions of a sender with Linux's first wait, and a restarted
// lab asks for its session at once. Both ends of BGP begin to count when the
// session is established, and stay in step where nothing jitters.
const labProfiles = `daemons:
  labdraws:
    bgp:
      detect-share: [0.75, 1]
      self-drop: none
      source: how the lab's end is configured
    ospfv2:
      self-drop: none
      source: how the lab's end is configured
  lab:
    bgp:
      phase: 1
      rto: 210ms
      reconnect: [0s, 10ms]
      source: how the lab's ends are built
    ldp:
      reconnect: [0s, 10ms]
      source: how the lab's ends are built
`

// Each end's behaviour when it wakes; what the standard has it do, unless a
// profile above says otherwise.
var (
	kills = neighbour.Profile{SelfDrop: neighbour.SelfDropKills}
	local = neighbour.Profile{SelfDrop: neighbour.SelfDropLocal}
	none  = neighbour.Profile{}
	draws = neighbour.Profile{HoldLow: 0.75}
	cut   = neighbour.Profile{SelfDrop: neighbour.SelfDropKills, TransportCut: true}
)

// ends are the two ends of an adjacency in the lab, and how its device wakes.
func ends(protocol, suffix string, t timing) (device, far neighbour.Speaker, wakes neighbour.Profile) {
	switch protocol {
	case "bgp":
		return neighbour.BGP{Hold: t.detect, Keepalive: t.hello}, neighbour.BGP{Hold: t.detect, Keepalive: t.hello, Passive: true}, kills
	case "ospfv2":
		return neighbour.OSPF{Hello: t.hello, Dead: t.detect}, neighbour.OSPF{Hello: t.hello, Dead: t.detect, Master: true}, kills
	case "ospfv3":
		return neighbour.OSPF{Version: 3, Hello: t.hello, Dead: t.detect}, neighbour.OSPF{Version: 3, Hello: t.hello, Dead: t.detect, Master: true}, kills
	case "isis":
		lan := strings.Contains(suffix, "lan")
		i := neighbour.ISIS{PointToPoint: !lan, Hello: t.hello, Mult: t.mult()}
		if strings.Contains(suffix, "dis_a") { // sends three times as often
			return neighbour.ISIS{Hello: 3 * t.hello, Mult: t.mult(), Designated: true}, neighbour.ISIS{Hello: 3 * t.hello, Mult: t.mult()}, local
		}
		return i, i, local
	case "bfd":
		b := neighbour.BFD{DesiredMinTx: t.hello, RequiredMinRx: t.hello, Mult: t.mult()}
		return b, b, kills
	case "vrrp":
		return neighbour.VRRP{Priority: 200, Interval: t.hello}, neighbour.VRRP{Priority: 100, Interval: t.hello}, local
	case "lacp":
		short := t.hello == second
		return neighbour.LACP{System: "00:00:5e:00:53:01", Short: short}, neighbour.LACP{System: "00:00:5e:00:53:02", Short: short}, none
	case "rstp":
		return neighbour.RSTP{Priority: 4096, Bridge: "00:00:5e:00:53:01", Hello: t.hello}, neighbour.RSTP{Bridge: "00:00:5e:00:53:02", Hello: t.hello}, none
	case "lldp":
		// Its time to live is a second more than interval × hold in the later
		// editions.
		l := neighbour.LLDP{Interval: t.hello, Hold: t.mult(), Edition2005: t.detect%t.hello == 0}
		return l, l, local
	case "ldp":
		return neighbour.LDP{Active: true, Hello: t.hello, HelloHold: t.detect}, neighbour.LDP{Hello: t.hello, HelloHold: t.detect}, kills
	case "pim":
		p := neighbour.PIM{Hello: t.hello}
		return p, p, local
	}
	panic("no " + protocol + " in the lab")
}

// inLab is a pair as the lab plays it.
func inLab(p pair) emulated {
	e := emulated{pair: p}
	e.device, e.far, e.dev = ends(p.protocol, p.suffix, p.timing)
	if p.device == "labdraws" {
		e.dev = draws
	}
	if p.neighbour == "labdraws" {
		e.nbr = draws
	}
	if strings.HasSuffix(p.suffix, "-wire+stop") {
		e.dev = cut
	}
	return e
}

// emulations are the lab's adjacencies: the standards' own timers first, then
// every case that real daemons are put through.
func emulations() []emulated {
	ms := time.Millisecond
	cases := []pair{
		{"bgp", "lab", "lab", "", timing{3 * second, 9 * second}, 5, 6.1, 8.9, 9.5, true},
		{"bgp", "labdraws", "labdraws", "", timing{3 * second, 9 * second}, 3, 4, 8.9, 9.5, true},
		{"bgp", "lab", "lab", "-wire+stop", timing{3 * second, 9 * second}, 3, 3.4, 6.3, 9.8, true},
		{"ospfv2", "lab", "lab", "", timing{second, 4 * second}, 2.5, 3.05, 3.95, 4.5, true},
		{"ospfv3", "lab", "lab", "", timing{10 * second, 40 * second}, 25, 30.5, 39.5, 45, true},
		{"isis", "lab", "lab", "-p2p", timing{10 * second, 30 * second}, 15, 20.5, 29.5, 32, true},
		{"isis", "lab", "lab", "-lan", timing{3 * second, 30 * second}, 20, 27.1, 29.9, 32, true},
		{"isis", "lab", "lab", "-lan-dis_a", timing{second, 10 * second}, 7, 9.05, 9.95, 11, true},
		{"bfd", "lab", "lab", "", timing{300 * ms, 900 * ms}, 0.5, 0.62, 0.89, 1, true},
		{"vrrp", "lab", "lab", "-device_active", timing{second, 3609375 * time.Microsecond}, 2, 2.7, 3.6, 4, true},
		{"lacp", "lab", "lab", "-fast", timing{second, 3 * second}, 1.5, 2.05, 2.95, 3.5, true},
		{"lacp", "lab", "lab", "-slow", timing{30 * second, 90 * second}, 50, 60.5, 89.5, 92, true},
		{"rstp", "lab", "lab", "-root_a", timing{2 * second, 6 * second}, 3.5, 4.05, 5.95, 6.5, true},
		{"lldp", "lab", "lab", "", timing{30 * second, 121 * second}, 80, 91.5, 120.5, 125, true},
		{"ldp", "lab", "lab", "", timing{5 * second, 15 * second}, 9, 10.1, 14.9, 16, true},
		{"pim", "lab", "lab", "", timing{30 * second, 105 * second}, 70, 75.5, 104.5, 110, true},
	}
	for _, p := range pairs {
		as := func(daemon string) string {
			if daemon == "bird" && (p.protocol == "bgp" || p.protocol == "ospfv2") {
				return "labdraws"
			}
			return "lab"
		}
		p.device, p.neighbour = as(p.device), as(p.neighbour)
		if p.protocol == "ospfv2" && p.neighbour == "labdraws" {
			// Only its hold time in BGP is drawn.
			p.neighbour = "lab"
		}
		cases = append(cases, p)
	}
	var out []emulated
	seen := map[pair]bool{}
	for _, p := range cases {
		if !seen[p] {
			seen[p] = true
			out = append(out, inLab(p))
		}
	}
	return out
}

// silence lets n like adjacencies with phases of their own fall silent together
// and returns what became of each, in virtual time.
func (e emulated) silence(t *testing.T, n int, s time.Duration, rng *rand.Rand) []tried {
	t.Helper()
	return e.through(t, n, s, rng, neighbour.Synchronised, func(*neighbour.Set) {})
}

// through is silence with a way to wake, and with what comes just before it.
func (e emulated) through(t *testing.T, n int, s time.Duration, rng *rand.Rand, how neighbour.Wake, before func(*neighbour.Set)) (out []tried) {
	t.Helper()
	for _, o := range e.outcomes(t, n, s, rng, how, before) {
		out = append(out, tried{e.pair, s, o.Result != neighbour.Dropped})
	}
	return out
}

// outcomes is through with all that the lab knows.
func (e emulated) outcomes(t *testing.T, n int, s time.Duration, rng *rand.Rand, how neighbour.Wake, before func(*neighbour.Set)) (out []neighbour.Outcome) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		cfgs := make([]neighbour.Config, n)
		for i := range cfgs {
			cfgs[i] = neighbour.Config{
				Interface: fmt.Sprintf("user-1/%d", i), Neighbour: fmt.Sprintf("192.0.2.%d", i+1),
				Device: e.device, Far: e.far, DeviceProfile: e.dev, FarProfile: e.nbr, Nonstop: true,
			}
		}
		clock := labtime.New(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), 1)
		defer clock.Close()
		set, err := neighbour.NewSet(clock, rand.New(rand.NewPCG(rng.Uint64(), rng.Uint64())), cfgs)
		if err != nil {
			t.Fatal(err)
		}
		defer set.Close()
		time.Sleep(time.Duration(rng.Float64() * float64(10*e.timing.hello)))
		for _, st := range set.Snapshot() {
			if !st.Up || !st.Far.Up {
				t.Fatalf("%s is not up", st.Key)
			}
		}
		before(set)
		set.Silence()
		time.Sleep(s)
		set.Wake(how)
		time.Sleep(max(2*e.timing.detect, 3*time.Minute))
		synctest.Wait()
		out = set.Outcomes()
	})
	return out
}

// TestEmulatedNeighbours silences the lab's chassis in front of its emulated
// neighbours. The lab knows no formula of survival, so the two are independent.
// Source: the standards that each of its machines names.
func TestEmulatedNeighbours(t *testing.T) {
	profiles, err := survival.ReadProfiles(strings.NewReader(labProfiles))
	if err != nil {
		t.Fatal(err)
	}
	const (
		seed = 20260101
		many = 12 // adjacencies that fall silent together
		luck = 10 // silences in the band of luck
	)
	var trials []tried
	for i, e := range emulations() {
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		for _, s := range e.silences(luck, rng) {
			trials = append(trials, e.silence(t, many, s, rng)...)
		}
	}
	if want := len(emulations()) * many * (luck + 2); len(trials) != want {
		t.Fatalf("%d trials, want %d", len(trials), want)
	}
	ps, _, err := forecasts(trials, survival.Options{Profiles: profiles})
	if err != nil {
		t.Fatal(err)
	}
	judge(t, "Emulated neighbours", fmt.Sprintf("Virtual time, seed %d, standard behaviour unless said otherwise (labdraws draws its hold time from 0.75 to 1 of its value).", seed), trials, ps, nil)
}

// TestEmulatedLosses holds the loss that is forecast of an adjacency which is
// lost against how long the lab's neighbour did without it.
// Source: RFC 4271 §8.2.2, RFC 2328 §10, RFC 5036 §2.5.3, IEEE 802.1AX clause 6.4
// and RFC 9568 §6.4 by way of the lab's machines.
func TestEmulatedLosses(t *testing.T) {
	profiles, err := survival.ReadProfiles(strings.NewReader(labProfiles))
	if err != nil {
		t.Fatal(err)
	}
	const (
		seed = 20260103
		many = 12
	)
	ms := time.Millisecond
	type lossCase struct {
		pair
		from, to time.Duration // silences
		wake     neighbour.Wake
	}
	cases := []lossCase{
		{pair{protocol: "bgp", timing: timing{3 * second, 9 * second}}, 9500 * ms, 60 * second, neighbour.Synchronised},
		{pair{protocol: "bgp", timing: timing{3 * second, 9 * second}}, second, 60 * second, neighbour.Cold},
		{pair{protocol: "bgp", timing: timing{30 * second, 90 * second}}, second, 300 * second, neighbour.Cold},
		{pair{protocol: "ospfv2", timing: timing{10 * second, 40 * second}}, 41 * second, 90 * second, neighbour.Synchronised},
		{pair{protocol: "ospfv2", timing: timing{10 * second, 40 * second}}, second, 90 * second, neighbour.Cold},
		{pair{protocol: "ospfv3", timing: timing{second, 4 * second}}, second, 20 * second, neighbour.Cold},
		{pair{protocol: "isis", suffix: "-p2p", timing: timing{10 * second, 30 * second}}, 31 * second, 90 * second, neighbour.Synchronised},
		{pair{protocol: "isis", suffix: "-lan", timing: timing{3 * second, 30 * second}}, second, 90 * second, neighbour.Cold},
		{pair{protocol: "ldp", timing: timing{5 * second, 15 * second}}, 16 * second, 60 * second, neighbour.Synchronised},
		{pair{protocol: "lacp", timing: timing{second, 3 * second}}, 3500 * ms, 20 * second, neighbour.Synchronised},
		{pair{protocol: "lacp", timing: timing{30 * second, 90 * second}}, second, 120 * second, neighbour.Cold},
		{pair{protocol: "vrrp", suffix: "-device_active", timing: timing{second, 3609375 * time.Microsecond}}, 4 * second, 20 * second, neighbour.Synchronised},
		{pair{protocol: "rstp", suffix: "-root_a", timing: timing{2 * second, 6 * second}}, 6500 * ms, 30 * second, neighbour.Synchronised},
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Virtual time, seed %d. For each adjacency that was lost, how long its neighbour did without it, beside the interval forecast for it.\n\n| protocol | hello s | detect s | silence | lost | shortest s | longest s | forecast, over all silences | widest forecast |\n|---|---|---|---|---|---|---|---|---|\n", seed)
	for i, c := range cases {
		c.device, c.neighbour = "lab", "lab"
		e := inLab(c.pair)
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		lost, shortest, longest, least, most, widest := 0, math.Inf(1), 0.0, math.Inf(1), 0.0, 0.0
		for range 6 {
			s := c.from + time.Duration(rng.Float64()*float64(c.to-c.from)).Round(ms)
			var asked []state.Adjacency
			for k, o := range e.outcomes(t, many, s, rng, c.wake, func(set *neighbour.Set) {
				for _, st := range set.Snapshot() {
					a := capture(st)
					a.Restart.Nonstop = state.Some(c.wake == neighbour.Synchronised)
					if c.wake == neighbour.Cold {
						a.Restart.Own = state.Some(false)
					}
					if c.protocol == "vrrp" || c.protocol == "rstp" {
						a.Role = state.Some("active")
					}
					asked = append(asked, a)
				}
			}) {
				if o.Result != neighbour.Dropped {
					continue
				}
				f := survival.Predict(&state.Capture{Device: "mere-agg-1", Adjacencies: asked[k : k+1]}, survival.Fixed(s),
					survival.Options{Notice: survival.NoticeNever, Profiles: profiles, Implementation: "lab"}).Adjacencies[0]
				got := o.BackAt.Sub(o.LostAt).Seconds()
				// A message's way is the resolution.
				if r := 2 * neighbour.DefaultLatency.Seconds(); o.BackAt.IsZero() || got < f.IfLost.Least-r || got > f.IfLost.Most+r {
					t.Errorf("%s, silence %v, woken %v: without it for %.3f s (back %v), the forecast says %v", c.pair, s, c.wake, got, !o.BackAt.IsZero(), f.IfLost)
				}
				lost++
				shortest, longest = min(shortest, got), max(longest, got)
				least, most, widest = min(least, f.IfLost.Least), max(most, f.IfLost.Most), max(widest, f.IfLost.Most-f.IfLost.Least)
			}
		}
		if lost < 3*many {
			t.Errorf("%s: only %d were lost", c.pair, lost)
		}
		fmt.Fprintf(&b, "| %s%s | %s | %s | %v to %v, %s | %d of %d | %.3g | %.3g | %.3g to %.3g | %.3g |\n", c.protocol, c.suffix, seconds(c.timing.hello), seconds(c.timing.detect), c.from, c.to, c.wake, lost, 6*many, shortest, longest, least, most, widest)
	}
	report(t, "Losses of emulated neighbours", b.String())
}

// capture is what a device that tells everything would tell of an adjacency.
func capture(st neighbour.Status) state.Adjacency {
	some := func(d time.Duration) state.Opt[time.Duration] { return state.Some(d) }
	r := st.Restart
	a := state.Adjacency{
		Protocol: st.Protocol, Interface: st.Interface, Neighbour: st.Neighbour, Up: state.Some(st.Up),
		BFD: state.BFDProtection{Protected: state.Some(false)},
		Timers: state.Timers{
			Send: some(st.Timers.Send), NeighbourSend: some(st.Timers.NeighbourSend),
			NeighbourDetect: some(st.Timers.NeighbourDetect), OwnDetect: some(st.Timers.OwnDetect),
		},
		Restart: state.Restart{
			Nonstop: state.Some(false), Own: state.Some(r.Own), Helper: state.Some(r.Helper), Notification: state.Some(r.Notification),
			ForwardingKept: state.Some(r.ForwardingKept), StrictLSAChecks: state.Some(r.StrictLSACheck),
		},
	}
	if r.Time > 0 {
		a.Restart.Time = some(r.Time)
	}
	return a
}

// TestEmulatedRestarts lets the lab's chassis lose its state in the silence, so
// that only its neighbours' help can keep an adjacency.
// Source: RFC 4724, RFC 8538, RFC 3623, RFC 8706 and RFC 3478 by way of the lab's
// machines.
func TestEmulatedRestarts(t *testing.T) {
	type restart struct {
		pair
		device, far neighbour.Speaker
		announced   bool
	}
	p := func(protocol, what string, hello, detect time.Duration, holds, from, to, drops float64) pair {
		return pair{protocol, "lab", what, "", timing{hello, detect}, holds, from, to, drops, true}
	}
	bgp := func(n bool) (d, f neighbour.Speaker) {
		return neighbour.BGP{Hold: 9 * second, Restart: true, RestartTime: 60 * second, Helper: true, Notification: n},
			neighbour.BGP{Hold: 9 * second, Passive: true, Helper: true, Notification: n}
	}
	with, withFar := bgp(true)
	without, withoutFar := bgp(false)
	cases := []restart{
		// Nobody says anything here, so that the helper's clock starts when its own
		// timer runs out.
		{p("bgp", "N", 3*second, 9*second, 30, 60.1, 68.9, 71), with, withFar, false},
		{p("bgp", "noN", 3*second, 9*second, 5, 6.1, 8.9, 9.5), without, withoutFar, false},
		{p("bgp", "nohelp", 3*second, 9*second, 0, 0, 0, 1), with, neighbour.BGP{Hold: 9 * second, Passive: true}, false},
		{p("ospfv2", "grace", 10*second, 40*second, 60, 0, 0, 121), neighbour.OSPF{Restart: true, GracePeriod: 120 * second}, neighbour.OSPF{Master: true, Helper: true}, true},
		{p("ospfv3", "nohelp", 10*second, 40*second, 0, 0, 0, 1), neighbour.OSPF{Version: 3, Restart: true}, neighbour.OSPF{Version: 3, Master: true}, true},
		{p("isis", "rr", 10*second, 30*second, 15, 20.5, 29.5, 31), neighbour.ISIS{PointToPoint: true, Restart: true}, neighbour.ISIS{PointToPoint: true, Helper: true}, false},
		{p("ldp", "ft", 5*second, 15*second, 30, 70.1, 74.9, 80), neighbour.LDP{Active: true, Restart: true, Reconnect: 60 * second, Recovery: 60 * second}, neighbour.LDP{Helper: true, Liveness: 60 * second}, false},
	}
	profiles, err := survival.ReadProfiles(strings.NewReader(labProfiles))
	if err != nil {
		t.Fatal(err)
	}
	const (
		seed = 20260102
		many = 24
		luck = 6
	)
	var trials []tried
	var ps []float64
	for i, c := range cases {
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		var silences []time.Duration
		for _, s := range c.silences(luck, rng) {
			if s > 0 {
				silences = append(silences, s)
			}
		}
		e := emulated{pair: c.pair, device: c.device, far: c.far}
		for _, s := range silences {
			var asked []state.Adjacency
			out := e.through(t, many, s, rng, neighbour.GracefulRestart, func(set *neighbour.Set) {
				for _, st := range set.Snapshot() {
					asked = append(asked, capture(st))
				}
				if c.announced {
					set.Announce()
					time.Sleep(second)
				}
			})
			for k, o := range out {
				f := survival.Predict(&state.Capture{Device: "mere-agg-1", Adjacencies: asked[k : k+1]}, survival.Fixed(s), survival.Options{Unplanned: !c.announced, Notice: survival.NoticeNever, Profiles: profiles, Implementation: "lab"})
				trials, ps = append(trials, o), append(ps, f.Adjacencies[0].Survive)
			}
		}
	}
	tally(t, "Emulated neighbours that help", fmt.Sprintf("Virtual time, seed %d. Lived: forwarding was kept until the adjacency was back.", seed), trials, ps)
}
