package peers

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"towpath/internal/survival"
)

// sure is how near to 0 or 1 a forecast counts as sure.
const sure = 0.001

// pair is a protocol between two daemons with what is tried on them.
type pair struct {
	protocol, device, neighbour string
	suffix                      string // of the implementation in the table of trials
	timing                      timing
	// Silences in seconds: one to live through, from where to where it is a
	// matter of luck, and one to die of.
	holds, from, to, drops float64
	short                  bool // in the short form too
}

func (p pair) implementation() string { return p.device + "-" + p.neighbour + p.suffix }

func (p pair) String() string {
	return fmt.Sprintf("%s %s", p.protocol, p.implementation())
}

const second = time.Second

// pairs are what is tried. Timers are as short as a busy machine allows; sure
// silences keep half a second and more from the edge.
var pairs = []pair{
	{"bgp", "frr", "frr", "", timing{second, 3 * second}, 1.1, 2.05, 2.95, 3.9, true},
	{"bgp", "bird", "frr", "", timing{second, 3 * second}, 1.1, 2.1, 2.95, 3.9, true},
	{"bgp", "frr", "bird", "", timing{second, 3 * second}, 0.5, 1.4, 2.6, 3.9, false},
	{"bgp", "bird", "bird", "", timing{second, 3 * second}, 0.5, 1.4, 2.8, 3.9, false},
	{"ospfv2", "frr", "frr", "-p2p", timing{second, 4 * second}, 2.0, 3.05, 3.9, 4.9, true},
	{"ospfv2", "bird", "frr", "-p2p", timing{second, 4 * second}, 2.0, 3.05, 3.95, 4.9, false},
	{"ospfv2", "frr", "bird", "-p2p", timing{second, 4 * second}, 2.0, 3.05, 3.9, 4.9, false},
	{"ospfv2", "bird", "bird", "-p2p", timing{second, 4 * second}, 2.0, 3.05, 3.95, 4.9, false},
	{"isis", "frr", "frr", "-p2p", timing{second, 3 * second}, 1.1, 2.15, 2.95, 3.9, true},
	{"bfd", "frr", "frr", "", timing{second, 3 * second}, 1.1, 2.1, 2.9, 3.9, true},
	{"bfd", "ovs", "ovs", "", timing{second, 3 * second}, 1.1, 2.15, 3.0, 4.2, false},
	{"vrrp", "keepalived", "keepalived", "-v2-device_master", timing{second, 3609375 * time.Microsecond}, 1.6, 2.7, 3.55, 4.5, false},
	{"lldp", "lldpd", "lldpd", "", timing{second, 4 * second}, 2.0, 3.05, 3.95, 4.9, true},
	{"lacp", "ovs", "ovs", "-fast", timing{second, 3 * second}, 1.1, 2.2, 3.2, 4.2, false},
	{"rstp", "ovs", "ovs", "-root_a-links1", timing{2 * second, 6 * second}, 1.8, 3.1, 5.2, 7.2, false},
}

// silences are those of one rig: the sure one, n in the band of luck, one in
// each part of it, and the fatal one.
func (p pair) silences(n int, rng *rand.Rand) []time.Duration {
	s := []float64{p.holds}
	for _, i := range rng.Perm(n) {
		s = append(s, p.from+(p.to-p.from)*(float64(i)+rng.Float64())/float64(n))
	}
	s = append(s, p.drops)
	out := make([]time.Duration, len(s))
	for i, v := range s {
		out[i] = time.Duration(v * float64(second)).Round(time.Millisecond)
	}
	return out
}

// tried is one trial and what came of it.
type tried struct {
	pair
	lasted   time.Duration // the silence as it really was
	survived bool
}

// rig is a pair that runs.
type rig struct {
	pair
	dev, nbr *place
	of       [2]daemon
}

// newRig starts both daemons.
func (g *ground) newRig(p pair, rng *rand.Rand) (*rig, error) {
	g.start <- struct{}{}
	defer func() { <-g.start }()
	dev, nbr, err := g.joined(p.String())
	if err != nil {
		return nil, err
	}
	r := &rig{p, dev, nbr, [2]daemon{daemons[p.protocol][p.device], daemons[p.protocol][p.neighbour]}}
	for i, at := range []*place{dev, nbr} {
		if i == 1 { // some count in ticks of a second that begin when they start
			time.Sleep(time.Duration(rng.Float64() * float64(second)))
		}
		if err := r.of[i].start(at, p.timing); err != nil {
			return nil, fmt.Errorf("starting %s as %s: %w", r.of[i].name, at.who, err)
		}
	}
	return r, nil
}

// ready waits until both ends have been content for two hello intervals.
func (r *rig) ready() error {
	var since time.Time
	return until(90*second, "up at both ends", func() (bool, error) {
		for i, at := range []*place{r.dev, r.nbr} {
			if err := at.alive(); err != nil {
				return false, err
			}
			v, err := r.of[i].view(at)
			if err != nil || !v.up {
				since = time.Time{}
				return false, err
			}
		}
		if since.IsZero() {
			since = time.Now()
		}
		return time.Since(since) > 2*r.timing.hello, nil
	})
}

// try is one trial. stall is how long the machine stood still in it, which
// makes it void.
func (r *rig) try(silence, phase time.Duration, p *pulse) (out tried, stall time.Duration, err error) {
	out = tried{pair: r.pair}
	if err := r.ready(); err != nil {
		return out, 0, err
	}
	time.Sleep(phase)
	began := time.Now()
	before, err := r.of[1].view(r.nbr)
	if err != nil {
		return out, 0, err
	}
	if out.lasted, err = r.dev.silence(silence); err != nil {
		return out, 0, err
	}
	// A device that drops its own side can cost the neighbour one more hello.
	time.Sleep(2*r.timing.hello + second)
	after, err := r.of[1].view(r.nbr)
	if err != nil {
		return out, 0, err
	}
	out.survived = after.up && after.losses == before.losses
	if !before.up {
		return out, second, nil // lost before the silence began: as void as a stall
	}
	return out, p.longest(began), nil
}

// rehearse runs all trials of one rig. Void ones are tried again, four times
// at most.
func (r *rig) rehearse(silences []time.Duration, rng *rand.Rand, p *pulse) (out []tried, voids int, err error) {
	for _, s := range silences {
		for range 4 {
			o, stall, err := r.try(s, time.Duration(rng.Float64()*float64(r.timing.hello)), p)
			if err != nil {
				return out, voids, err
			}
			if stall == 0 {
				out = append(out, o)
				break
			}
			voids++
		}
	}
	return out, voids, nil
}

// forecasts adds the forecasts of trials, by the batch form: the rows are the
// same that a user would hand in.
func forecasts(trials []tried, o survival.Options) ([]float64, []string, error) {
	var in, out bytes.Buffer
	w := csv.NewWriter(&in)
	rows := [][]string{{"protocol", "implementation", "hello_s", "detect_s", "silence_s"}}
	for _, t := range trials {
		rows = append(rows, []string{
			t.protocol, t.implementation(), seconds(t.timing.hello), seconds(t.timing.detect),
			strconv.FormatFloat(t.lasted.Seconds(), 'f', 4, 64),
		})
	}
	if err := w.WriteAll(rows); err != nil {
		return nil, nil, err
	}
	cautions, err := survival.ForecastTrials(&in, &out, o)
	if err != nil {
		return nil, nil, err
	}
	back, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		return nil, nil, err
	}
	var ps []float64
	for _, r := range back[1:] {
		v, err := strconv.ParseFloat(r[len(r)-1], 64)
		if err != nil {
			return nil, nil, err
		}
		ps = append(ps, v)
	}
	if len(ps) != len(trials) {
		return nil, nil, fmt.Errorf("%d forecasts of %d trials", len(ps), len(trials))
	}
	return ps, cautions, nil
}

// preface begins a report.
const preface = `# Forecasts beside what happened

What "make test-peers" printed on one machine: the survival forecast of each
silence beside the outcome, on the lab's emulated neighbours (which share no code
with the forecast) and on real daemons in network namespaces, and the loss of
restarts, measured by the probe. A sure forecast that is wrong fails the run, and
so does a loss outside of its interval. "make test-peers
PEERS_REPORT=docs/validation.md" writes this file anew. z is how many standard
deviations more than expected survived.

`

// report is what the tests found, for people: it goes to the log, and to the
// file that TOWPATH_PEERS_REPORT names.
func report(t *testing.T, title, text string) {
	t.Helper()
	t.Logf("%s\n%s", title, text)
	name := os.Getenv("TOWPATH_PEERS_REPORT")
	if name == "" {
		return
	}
	f, err := os.OpenFile(name, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	head := ""
	if at, err := f.Stat(); err == nil && at.Size() == 0 {
		head = preface
	}
	_, err = fmt.Fprintf(f, "%s## %s\n\n%s\n", head, title, strings.TrimRight(text, "\n"))
	if err := f.Close(); err != nil {
		t.Error(err)
	}
	if err != nil {
		t.Error(err)
	}
}

// judge is tally for pairs that must have silences of all three kinds, those
// aside of which the machine has spoilt some.
func judge(t *testing.T, title, head string, trials []tried, ps []float64, spoilt map[pair]bool) {
	t.Helper()
	kinds := map[pair][3]int{}
	for i, o := range trials {
		k := kinds[o.pair]
		k[class(ps[i])]++
		kinds[o.pair] = k
	}
	for p, k := range kinds {
		if k[0]*k[1]*k[2] == 0 && spoilt[p] {
			t.Logf("%s has %d fatal, %d risky and %d sure silences: the machine stood still in every try of the others", p, k[0], k[1], k[2])
		} else if k[0]*k[1]*k[2] == 0 {
			t.Errorf("%s has %d fatal, %d risky and %d sure silences, want some of each", p, k[0], k[1], k[2])
		}
	}
	tally(t, title, head, trials, ps)
}

// class is 0 for a fatal silence, 1 for one that is a matter of luck, 2 for one
// that is surely lived through.
func class(p float64) int {
	switch {
	case p <= sure:
		return 0
	case p >= 1-sure:
		return 2
	}
	return 1
}

// tally compares forecasts with outcomes and writes the table. A sure forecast
// that is wrong fails the test, and so do luck's outcomes more than four
// standard deviations from expected.
func tally(t *testing.T, title, head string, trials []tried, ps []float64) {
	t.Helper()
	type sum struct {
		n, lived [3]int // fatal, at risk, sure
		expected float64
		variance float64
	}
	var order []pair
	sums := map[pair]*sum{}
	var all, risky []survival.Pair
	for i, o := range trials {
		p := ps[i]
		s := sums[o.pair]
		if s == nil {
			s = &sum{}
			sums[o.pair], order = s, append(order, o.pair)
		}
		c := class(p)
		s.n[c]++
		if o.survived {
			s.lived[c]++
		}
		pair := survival.Pair{Protocol: o.protocol, Forecast: p, Survived: o.survived}
		all = append(all, pair)
		if c == 1 {
			risky = append(risky, pair)
			s.expected += p
			s.variance += p * (1 - p)
		} else if o.survived != (c == 2) {
			t.Errorf("%s through %v: forecast %.4f, survived %v", o.pair, o.lasted, p, o.survived)
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n| protocol | implementation | hello s | detect s | surely lives: lived | at risk: lived | expected | z | surely dies: lived |\n|---|---|---|---|---|---|---|---|---|\n", head)
	for _, p := range order {
		s := sums[p]
		z := "–"
		if s.variance > 0 {
			z = fmt.Sprintf("%.1f", (float64(s.lived[1])-s.expected)/math.Sqrt(s.variance))
		}
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %d of %d | %d of %d | %.1f | %s | %d of %d |\n", p.protocol, p.implementation(), seconds(p.timing.hello), seconds(p.timing.detect),
			s.lived[2], s.n[2], s.lived[1], s.n[1], s.expected, z, s.lived[0], s.n[0])
	}
	a, r := survival.Calibrate(all).Score, survival.Calibrate(risky).Score
	fmt.Fprintf(&b, "\nAll %d trials: Brier %.4f. At risk %d: %d lived, %.1f expected, z = %.2f, Brier %.4f (forecasting their mean to each: %.4f).\n",
		a.Count, a.Brier, r.Count, r.Observed, r.Expected, r.Z, r.Brier, r.Uncertainty)
	report(t, title, b.String())
	// A forecast that is right is beyond it once in sixteen thousand runs.
	if math.Abs(r.Z) > 4 {
		t.Errorf("at risk: %d lived, %.1f expected, z = %.2f", r.Observed, r.Expected, r.Z)
	}
}

// TestTrialsMeasuredBefore forecasts a table of trials by the batch form and
// compares it with the rule that looks at the neighbour only, P = (D − S)/h.
// Source: measured on FRR 8.4.4, BIRD 2.0.12, keepalived 2.2.7, Open vSwitch 3.1.0
// and lldpd 1.0.16.
func TestTrialsMeasuredBefore(t *testing.T) {
	in, err := os.ReadFile("../survival/testdata/trials.csv")
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	cautions, err := survival.ForecastTrials(bytes.NewReader(in), &out, survival.Options{})
	if err != nil || len(cautions) > 0 {
		t.Fatal(cautions, err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	var ours, naive, risky []survival.Pair
	of, ruled := map[string][]survival.Pair{}, map[string][]survival.Pair{}
	for _, r := range rows[1:] {
		h, d, s, p := number(r[2]), number(r[3]), number(r[4]), number(r[6])
		x := survival.Pair{Protocol: r[0], Forecast: p, Survived: r[5] == "1"}
		ours = append(ours, x)
		if class(p) == 1 {
			risky = append(risky, x)
		}
		x.Forecast = min(1, max(0, (d-s)/h))
		naive = append(naive, x)
		name := "| " + r[0] + " | " + r[1]
		of[name], ruled[name] = append(of[name], ours[len(ours)-1]), append(ruled[name], x)
	}
	if len(ours) < 600 || len(risky) < 300 {
		t.Fatalf("%d trials, %d at risk: too few to tell", len(ours), len(risky))
	}
	a, b, r := survival.Calibrate(ours), survival.Calibrate(naive), survival.Calibrate(risky).Score
	report(t, "Trials measured before", fmt.Sprintf("%d trials of one machine. At risk %d: %d survived, %.1f expected, z = %.2f. Brier score %.4f, of the rule P = (D − S)/h %.4f (%.0f %% more). Sure and wrong: %d, by the rule %d.\n\n```\n%v```\n\n%s",
		a.Score.Count, r.Count, r.Observed, r.Expected, r.Z, a.Score.Brier, b.Score.Brier, 100*(b.Score.Brier/a.Score.Brier-1), a.Score.SureLost+a.Score.SureSurvived, b.Score.SureLost+b.Score.SureSurvived, a, each(of, ruled)+halves(ours, naive)))
	if n := a.Score.SureLost + a.Score.SureSurvived; n > 0 || math.Abs(r.Z) > 2 || a.Score.Brier > 0.8*b.Score.Brier {
		t.Errorf("%d sure and wrong, z = %.2f at risk, Brier score %.4f against %.4f", n, r.Z, a.Score.Brier, b.Score.Brier)
	}
}

// each is a table of the trials by protocol and implementation.
func each(of, ruled map[string][]survival.Pair) string {
	var b strings.Builder
	b.WriteString("| protocol | implementation | trials | survived | expected | z | Brier | of the rule |\n|---|---|---|---|---|---|---|---|\n")
	for _, name := range slices.Sorted(maps.Keys(of)) {
		x, y := survival.Calibrate(of[name]).Score, survival.Calibrate(ruled[name]).Score
		fmt.Fprintf(&b, "%s | %d | %d | %.1f | %.1f | %.3f | %.3f |\n", name, x.Count, x.Observed, x.Expected, x.Z, x.Brier, y.Brier)
	}
	b.WriteString(`
Two rows are beyond 2.5, and nothing was fitted to them. The notes of the
trials tell how old the last hello was. In ospfv2 bird-bird-p2p it was 0.8 s old at
most in all 22 (of 1 s), and each died or lived as that age says; in bgp
bird-frr-wire+stop the neighbour's keepalive was younger than half its interval in
20 of 24. The forecast does not know the age and takes every one for equally
likely.
`)
	return b.String()
}

// halves says in which range z and the gain over the rule lie when half of the
// trials is left out at random: what is to be expected of trials not looked at.
func halves(ours, naive []survival.Pair) string {
	const draws, seed = 1000, 1
	rng := rand.New(rand.NewPCG(seed, seed))
	var zs, gains []float64
	for range draws {
		var a, b []survival.Pair
		for _, i := range rng.Perm(len(ours))[:len(ours)/2] {
			a, b = append(a, ours[i]), append(b, naive[i])
		}
		x, y := survival.Calibrate(a).Score, survival.Calibrate(b).Score
		zs, gains = append(zs, x.Z), append(gains, 100*(1-x.Brier/y.Brier))
	}
	slices.Sort(zs)
	slices.Sort(gains)
	at := func(v []float64, p float64) float64 { return v[int(p*float64(len(v)-1))] }
	return fmt.Sprintf("\nOf %d random halves, 95 of 100 have z from %.1f to %.1f and a Brier score %.0f %% to %.0f %% below that of the rule (half of them more than %.0f %%).\n",
		draws, at(zs, 0.025), at(zs, 0.975), at(gains, 0.025), at(gains, 0.975), at(gains, 0.5))
}

// TestRealPeers silences daemons and compares what becomes of their adjacencies
// with the forecast.
// Source: the daemons themselves; their versions are printed with the result.
func TestRealPeers(t *testing.T) {
	g := newGround(t)
	p := newPulse()
	defer p.close()
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	only := os.Getenv("TOWPATH_PEERS_ONLY") // a protocol
	var mu sync.Mutex
	var wg sync.WaitGroup
	var trials []tried
	bad := map[pair]error{}
	spoilt := map[pair]bool{} // the machine stood still in every try of some silence
	voids, wanted := 0, 0
	for i, x := range pairs {
		if only != "" && only != x.protocol {
			continue
		}
		rigs, luck := 1, 1
		switch {
		case full && x.protocol == "rstp":
			// The ticks of both ends stand to each other as they do for as
			// long as a rig lives, so each rig is one draw of them.
			rigs, luck = 6, 2
		case full:
			rigs, luck = 2, 6
		}
		if !x.short && !full {
			t.Logf("left out in the short form: %s", x)
			continue
		}
		if why := missing(daemons[x.protocol][x.device].needs) + missing(daemons[x.protocol][x.neighbour].needs); why != "" {
			t.Logf("skipped %s: %s", x, why)
			continue
		}
		wanted++
		for k := range rigs {
			rng := rand.New(rand.NewPCG(seed, uint64(100*i+k)))
			wg.Go(func() {
				var out []tried
				var silences []time.Duration
				v := 0
				// Daemons that start beside dozens of others do not always find each
				// other; what has begun to be tried is never tried anew.
				for again := true; ; again = false {
					r, err := g.newRig(x, rng)
					if err == nil {
						silences = x.silences(luck, rng)
						out, v, err = r.rehearse(silences, rng, p)
					}
					if err == nil {
						break
					}
					if !again || len(out) > 0 {
						mu.Lock()
						bad[x] = err
						mu.Unlock()
						break
					}
					t.Logf("%s: built once more: %v", x, err)
				}
				mu.Lock()
				defer mu.Unlock()
				trials = append(trials, out...)
				voids += v
				spoilt[x] = spoilt[x] || len(out) < len(silences)
			})
		}
	}
	wg.Wait()
	for x, err := range bad {
		t.Errorf("%s: %v", x, err)
	}
	if wanted == 0 {
		t.Skip("skipped real daemons: none is installed; apt-get install frr bird2 keepalived lldpd openvswitch-switch")
	}
	sorted := make([]tried, 0, len(trials)) // in the order of the pairs
	for _, x := range pairs {
		for _, o := range trials {
			if o.pair == x {
				sorted = append(sorted, o)
			}
		}
	}
	if len(sorted) < 3*wanted/2 && voids > 0 && len(bad) == 0 {
		t.Skipf("skipped real daemons: the machine stands still again and again, and %d trials of %d pairs are left", len(sorted), wanted)
	} else if len(sorted) < 3*wanted/2 {
		t.Fatalf("only %d trials of %d pairs are not void", len(sorted), wanted)
	}
	ps, cautions, err := forecasts(sorted, survival.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range cautions {
		t.Errorf("the forecast knows too little: %s", c)
	}
	var each strings.Builder
	for i, o := range sorted {
		fmt.Fprintf(&each, "%-8s %-44s silence %.3f s  forecast %.4f  survived %v\n", o.protocol, o.implementation(), o.lasted.Seconds(), ps[i], o.survived)
	}
	t.Logf("each trial\n%s", each.String())
	judge(t, "Real daemons", fmt.Sprintf("%s. %s. Seed %d. %d trials void because the machine stood still for more than %v.", time.Now().Format("2 January 2006"), versions(), seed, voids, stalled), sorted, ps, spoilt)
}
