package survival

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"maps"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// measured are trials on real daemons: one was stopped for a while, and its
// neighbour watched.
const measured = "testdata/trials.csv"

type outcome struct {
	Trial
	survived bool
}

func readMeasured(t *testing.T) []outcome {
	t.Helper()
	f, err := os.Open(measured)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
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
	var out []outcome
	for _, r := range rows[1:] {
		out = append(out, outcome{Trial{r[0], r[1], number(r[2]), number(r[3]), number(r[4])}, r[5] == "1"})
	}
	if len(out) < 600 {
		t.Fatalf("only %d trials", len(out))
	}
	return out
}

// naive is the rule that only looks at the neighbour and at a uniform phase.
func (o outcome) naive() float64 { return min(1, max(0, (o.Detect-o.Silence)/o.Hello)) }

// pairsOf forecasts trials by f.
func pairsOf(os []outcome, f func(outcome) float64) []Pair {
	out := make([]Pair, len(os))
	for i, o := range os {
		out[i] = Pair{o.Protocol, f(o), o.survived}
	}
	return out
}

// with forecasts by profiles.
func with(t *testing.T, p *Profiles) func(outcome) float64 {
	known := map[Trial]float64{}
	return func(o outcome) float64 {
		v, ok := known[o.Trial]
		if !ok {
			var err error
			if v, _, err = o.Survive(Options{Profiles: p}); err != nil {
				t.Fatal(err)
			}
			known[o.Trial] = v
		}
		return v
	}
}

// Source: measured on FRR 8.4.4, BIRD 2.0.12, keepalived 2.2.7, Open vSwitch
// 3.1.0 and lldpd 1.0.16.
func TestForecastBeatsTheNaiveRuleOnMeasuredTrials(t *testing.T) {
	trials := readMeasured(t)
	for _, o := range trials {
		p, cautions, err := o.Survive(Options{})
		if err != nil || len(cautions) > 0 {
			t.Fatal(o, cautions, err)
		}
		if p <= certain && o.survived || p >= 1-certain && !o.survived {
			t.Errorf("sure and wrong: %+v forecast %v", o, p)
		}
	}
	ours, naive := Calibrate(pairsOf(trials, with(t, nil))), Calibrate(pairsOf(trials, outcome.naive))
	t.Logf("the model\n%v\nthe naive rule\n%v", ours, naive)
	if math.Abs(ours.Score.Z) >= 2 {
		t.Errorf("observed is %.2f standard deviations from expected", ours.Score.Z)
	}
	if ours.Score.Brier > 0.8*naive.Score.Brier || ours.Score.LogLoss > 0.8*naive.Score.LogLoss {
		t.Errorf("Brier %.4f and log loss %.4f, want 20 %% below %.4f and %.4f", ours.Score.Brier, ours.Score.LogLoss, naive.Score.Brier, naive.Score.LogLoss)
	}
	// Where the naive rule asks the right question at all (the neighbour does
	// wait for the device), the model must still be better.
	asked := slices.DeleteFunc(slices.Clone(trials), func(o outcome) bool {
		return strings.Contains(o.Implementation, "root_b") || strings.Contains(o.Implementation, "backup")
	})
	a, b := Calibrate(pairsOf(asked, with(t, nil))).Score, Calibrate(pairsOf(asked, outcome.naive)).Score
	t.Logf("without roles nobody waits for: Brier %.4f against %.4f, z %.2f against %.2f", a.Brier, b.Brier, a.Z, b.Z)
	if a.Brier > 0.9*b.Brier {
		t.Errorf("Brier %.4f, want 10 %% below %.4f", a.Brier, b.Brier)
	}
}

// TestProfilesHoldOnTrialsNotLookedAt fits the figures that trials alone can
// give, the share of FRR's BGP sessions that are in step and the jitter of its
// IS-IS hellos, on four fifths of the groups of trials and forecasts the rest.
func TestProfilesHoldOnTrialsNotLookedAt(t *testing.T) {
	trials := readMeasured(t)
	groups := map[Trial]int{}
	var keys []Trial
	for _, o := range trials {
		if _, ok := groups[o.Trial]; !ok {
			groups[o.Trial] = len(keys)
			keys = append(keys, o.Trial)
		}
	}
	const folds = 5
	fold := func(o outcome) int { return int(uint64(groups[o.Trial])*0x9e3779b97f4a7c15>>33) % folds }
	type figures struct{ phase, jitter float64 }
	var grid []figures
	models := map[figures]func(outcome) float64{}
	for phase := 0.0; phase < 1.05; phase += 0.1 {
		for _, jitter := range []float64{0.75, 0.9, 1} {
			g := figures{math.Round(10*phase) / 10, jitter}
			p := &Profiles{Protocols: builtin().Protocols, Daemons: maps.Clone(builtin().Daemons)}
			p.Daemons["frr"] = maps.Clone(p.Daemons["frr"])
			bgp, isis := p.Daemons["frr"]["bgp"], p.Daemons["frr"]["isis"]
			bgp.Phase, isis.Jitter = &g.phase, &[2]float64{jitter, 1}
			p.Daemons["frr"]["bgp"], p.Daemons["frr"]["isis"] = bgp, isis
			grid = append(grid, g)
			models[g] = with(t, p)
		}
	}
	var held, naive, shipped []Pair
	for k := range folds {
		var train, test []outcome
		for _, o := range trials {
			if fold(o) == k {
				test = append(test, o)
			} else {
				train = append(train, o)
			}
		}
		if len(test) < 50 {
			t.Fatalf("fold %d holds %d trials", k, len(test))
		}
		best, least := figures{}, math.Inf(1)
		for _, g := range grid {
			if l := Calibrate(pairsOf(train, models[g])).Score.LogLoss; l < least {
				best, least = g, l
			}
		}
		t.Logf("fold %d: in step %.1f, jitter from %.2f, fitted on %d trials, forecasts %d", k, best.phase, best.jitter, len(train), len(test))
		held = append(held, pairsOf(test, models[best])...)
		naive = append(naive, pairsOf(test, outcome.naive)...)
		shipped = append(shipped, pairsOf(test, with(t, nil))...)
	}
	a, b, c := Calibrate(held).Score, Calibrate(naive).Score, Calibrate(shipped).Score
	std := Calibrate(pairsOf(trials, with(t, &Profiles{Protocols: builtin().Protocols}))).Score
	for name, s := range map[string]Score{"fitted on the other folds": a, "as shipped": c, "standards only, no profile": std, "naive rule": b} {
		t.Logf("%-28s Brier %.4f, log loss %.4f, z %5.2f, sure and wrong %d", name, s.Brier, s.LogLoss, s.Z, s.SureLost+s.SureSurvived)
	}
	if math.Abs(a.Z) >= 2 || a.Brier > 0.8*b.Brier || a.LogLoss > 0.8*b.LogLoss {
		t.Errorf("on trials not looked at: %+v against the naive rule's %+v", a, b)
	}
	if c.Brier > a.Brier+0.005 {
		t.Errorf("the profiles as shipped, Brier %.4f, are worse than fitted ones, %.4f", c.Brier, a.Brier)
	}
}

const table = `protocol,implementation,hello_s,detect_s,silence_s,trial,survived(0/1),note
bfd,frr-frr,0.3,0.9,0.3,1,1,job=a
bfd,frr-frr,0.3,0.9,0.9,1,0,"job=b, quoted"
ospfv2,bird-bird-p2p,1,4,3.5,1,1,
`

func TestTrialsAddsOneColumnOnly(t *testing.T) {
	var out bytes.Buffer
	if err := Trials(strings.NewReader(table), &out); err != nil {
		t.Fatal(err)
	}
	got, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Fatalf("%d rows, want %d", len(got), len(want))
	}
	for i := range got {
		if !slices.Equal(got[i][:len(want[i])], want[i]) || len(got[i]) != len(want[i])+1 {
			t.Errorf("row %d: %q, want %q and one field", i, got[i], want[i])
		}
	}
	if got[0][8] != "p_survive" || got[1][8] != "1.000000" || got[2][8] != "0.000000" && got[2][8] > "0.02" {
		t.Errorf("%q", got)
	}
	if p, err := strconv.ParseFloat(got[3][8], 64); err != nil || math.Abs(p-0.5) > 0.03 {
		t.Errorf("BIRD's OSPF never drops itself, so half the hellos are young enough: %q", got[3])
	}
}

// TestTrialsLooksAtNoMeasurement: neither the outcome nor anything in the note
// may change a forecast.
func TestTrialsLooksAtNoMeasurement(t *testing.T) {
	forecast := func(in string) []string {
		var out bytes.Buffer
		if err := Trials(strings.NewReader(in), &out); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&out).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		var ps []string
		for _, r := range rows {
			ps = append(ps, r[len(r)-1])
		}
		return ps
	}
	a := forecast("protocol,implementation,hello_s,detect_s,silence_s,survived(0/1),note\nbgp,frr-bird,3,9,5,1,job=x phi=0.1 resume=0\n")
	b := forecast("survived(0/1),note,silence_s,detect_s,hello_s,implementation,protocol\n0,phi=2.9 gap=12,5,9,3,frr-bird,bgp\n")
	c := forecast("protocol,implementation,hello_s,detect_s,silence_s\nbgp,frr-bird,3,9,5\n")
	if !slices.Equal(a, b) || !slices.Equal(a, c) || a[1] == "0.000000" || a[1] == "1.000000" {
		t.Errorf("%q %q %q", a, b, c)
	}
}

func TestBadTrialsNameLineAndField(t *testing.T) {
	head := "protocol,implementation,hello_s,detect_s,silence_s,note\n"
	for in, want := range map[string]TrialError{
		"":                                  {1, "row", "", "a header"},
		"protocol,implementation,hello_s\n": {1, "detect_s", "", ""},
		"protocol,protocol\n":               {1, "protocol", "", ""},
		"p_survive," + head:                 {1, "p_survive", "", ""},
		head + "bgp,frr,3,9,5,\nbgp,frr,x,9,5,\n": {3, "hello_s", "x", ""},
		head + "bgp,frr,0,9,5,\n":                 {2, "hello_s", "0", ""},
		head + "bgp,frr,3,-9,5,\n":                {2, "detect_s", "-9", ""},
		head + "bgp,frr,3,9,NaN,\n":               {2, "silence_s", "NaN", ""},
		head + "bgp,frr,3,9,+Inf,\n":              {2, "silence_s", "+Inf", ""},
		head + "bgp,frr,3,9\n":                    {2, "row", "4 fields", ""},
		head + "ripv9,frr,3,9,5,\n":               {2, "protocol", "ripv9", ""},
		head + "bgp,,3,9,5,\n":                    {2, "implementation", "", ""},
	} {
		var out bytes.Buffer
		err := Trials(strings.NewReader(in), &out)
		var bad *TrialError
		if !errors.As(err, &bad) {
			t.Errorf("%q: %v", in, err)
			continue
		}
		if bad.Line != want.Line || bad.Field != want.Field || want.Found != "" && bad.Found != want.Found || bad.Want == "" || !strings.Contains(bad.Error(), bad.Field) {
			t.Errorf("%q: %+v, want %+v", in, *bad, want)
		}
		if out.Len() > 0 {
			t.Errorf("%q: wrote %q before it failed", in, out.String())
		}
	}
	if err := Trials(strings.NewReader(head+"bgp,\"frr,3,9,5,\n"), io.Discard); err == nil || !strings.Contains(err.Error(), "line") {
		t.Errorf("an open quote: %v", err)
	}
}

// TestWhatIsNotToldIsTheStandards: an empty interval or detection time is what
// the standard says, or what follows from the other.
func TestWhatIsNotToldIsTheStandards(t *testing.T) {
	forecast := func(rows ...string) []string {
		t.Helper()
		var out bytes.Buffer
		if err := Trials(strings.NewReader("protocol,implementation,hello_s,detect_s,silence_s,note\n"+strings.Join(rows, "\n")+"\n"), &out); err != nil {
			t.Fatal(err)
		}
		got, err := csv.NewReader(&out).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		var ps []string
		for _, r := range got[1:] {
			ps = append(ps, r[len(r)-1])
		}
		return ps
	}
	for _, x := range []struct{ empty, full string }{
		{"bgp,frr-frr,,,75,", "bgp,frr-frr,30,90,75,"},                     // Source: RFC 4271 §10
		{"ospfv2,frr-frr-p2p,,,35,", "ospfv2,frr-frr-p2p,10,40,35,"},       // Source: RFC 2328 appendix C.3
		{"ospf,frr,10,,35,", "ospfv2,frr,10,40,35,"},                       // Source: RFC 2328 appendix C.3, four hellos
		{"lldp,lldpd1.0.16,,120,100,", "lldp,lldpd1.0.16,30,120,100,"},     // Source: IEEE 802.1AB clause 9.2.5
		{"VRRP,keepalived,1,,3,", "vrrp,keepalived,1,3.609375,3,"},         // Source: RFC 9568 §6.1, priority 100
		{"bfd,frr-frr,1,,2.5,", "bfd,frr-frr,1,3,2.5,"},                    // Source: common practice, multiplier 3
		{"pim,frr-frr,,,90,", "pim,frr-frr,30,105,90,"},                    // Source: RFC 7761 §4.11
		{"mstp,ovs3.1-root_a,,,5,", "rstp,ovs3.1-root_a,2,6,5,"},           // Source: IEEE 802.1D-2004 clause 17
		{"bfd,frr-frr-nbrmult3,,15,4,", "bfd,frr-frr-nbrmult3,5,15,4,"},    // a third of what the neighbour waits
		{"bgp,frr-frr,3,9,7,", `bgp,frr-frr,3,9,7,job=x, "odd" one, more`}, // a note with commas and quotes of its own
		{"bgp,frr-frr,3,9,7,", "bgp, frr-frr ,3, 9 ,7.0,π\x00;|"},
		{"lacp,ovs3.1-slow,,,70,", "lacp,ovs3.1-slow,30,90,70,"}, // Source: IEEE 802.1AX clause 6.4, Long_Timeout_Time
		{"lacp,ovs3.1-fast,,,2.5,", "lacp,ovs3.1-fast,1,3,2.5,"},
		{"bgp,frr-,3,9,7,", "bgp,frr,3,9,7,"},
		{"bgp,frr8.4.4-frr9,3,9,7,", "bgp,FRR-Frr,3,9,7,"},
		{"bgp,frr+kept-frr,3,9,7,", "bgp,frr-frr,3,9,7,"}, // how it restarts does not matter where it does not
	} {
		if got := forecast(x.empty, x.full); got[0] != got[1] || got[0] == "" {
			t.Errorf("%s: %s, want as %s: %s", x.empty, got[0], x.full, got[1])
		}
	}
}

// TestUnknownImplementationsAreForecastByTheStandard and said to be unknown.
func TestUnknownImplementationsAreForecastByTheStandard(t *testing.T) {
	for _, x := range []struct {
		protocol, implementation string
		hello, detect, silence   float64
		cautions                 int
	}{
		{"isis", "bird-bird-lan", 3, 9, 7, 1},  // known, but never measured in this protocol
		{"ospfv3", "gnomed", 10, 40, 35, 1},    // known to nobody
		{"bgp", "gnomed-frr", 3, 9, 7, 1},      // one end of two
		{"bgp", "frr-gnomed-p2p", 3, 9, 7, 1},  // the other
		{"bgp", "frr+odd-frr", 3, 9, 7, 1},     // no such variant
		{"ospfv2", "frr-frr-wire", 1, 4, 3, 1}, // a cut path of a protocol without TCP
		{"vrrp", "keepalived-v2", 1, 3.609375, 3, 0},
		{"rsvp", "gnomed", 5, 17.5, 15, 1},
		{"igmp", "gnomed", 125, 255, 200, 1},
	} {
		p, cautions, err := Trial{x.protocol, x.implementation, x.hello, x.detect, x.silence}.Survive(Options{})
		if err != nil || len(cautions) != x.cautions || !(p > 0 && p < 1) {
			t.Errorf("%s %s: %v, %q, %v; want %d cautions", x.protocol, x.implementation, p, cautions, err, x.cautions)
		}
	}
}

// TestSuffixesAreUnderstood compares trials that differ in a suffix only.
func TestSuffixesAreUnderstood(t *testing.T) {
	p := func(protocol, implementation string, hello, detect, silence float64) float64 {
		v, cautions, err := Trial{protocol, implementation, hello, detect, silence}.Survive(Options{})
		if err != nil || len(cautions) > 0 {
			t.Fatal(implementation, cautions, err)
		}
		return v
	}
	for _, x := range []struct {
		what string
		got  float64
		lo   float64
		hi   float64
	}{
		{"the device's own 0.9 s are overdue, though the neighbour waits 15 s", p("bfd", "frr-frr-nbrmult3", 0.3, 15, 1), 0, 0.001},
		{"with 50 hellos they are not", p("bfd", "frr-frr-nbrmult50", 0.3, 15, 1), 1, 1},
		{"IS-IS drops its own side only", p("isis", "frr-frr-p2p-nbrmult3", 1, 30, 10), 1, 1},
		{"PIM too", p("pim", "frr-frr-nbrhold3", 1, 60, 6), 1, 1},
		{"nobody waits for a backup", p("vrrp", "keepalived2.2.7-v2-device_backup", 1, 3.609375, 8), 1, 1},
		{"everybody waits for the active router", p("vrrp", "keepalived2.2.7-v2-device_master", 1, 3.609375, 8), 0, 0},
		{"the neighbour is the root", p("rstp", "ovs3.1-root_b-links2", 2, 6, 12), 1, 1},
		{"the device is the root", p("rstp", "ovs3.1-root_a-links2", 2, 6, 12), 0, 0},
		{"a fast device with a slow neighbour never drops itself", p("lacp", "ovs3.1-slow-dev_fast", 30, 90, 10), 1, 1},
		{"a stopped daemon keeps its TCP", p("bgp", "frr-frr", 3, 9, 5), 1, 1},
		{"a cut wire does not", p("bgp", "frr-frr-wire", 3, 9, 5), 0.2, 0.6},
		{"nor with a stopped daemon", p("bgp", "frr-frr-wire+stop", 3, 9, 5), 0.2, 0.6},
		{"up to 3.36 s the fifth copy is in time", p("bgp", "frr-frr-wire", 3, 9, 3.3), 1, 1},
		{"from 6.36 s it never is", p("bgp", "bird-frr-wire", 3, 9, 6.4), 0, 0},
		{"LDP's keepalive time ends it too", p("ldp", "frr-frr-ka15", 1, 30, 16), 0, 0},
		{"and without it only the hellos count", p("ldp", "frr-frr", 1, 30, 16), 1, 1},
		{"BIRD's hold time is drawn anew", p("bgp", "bird-bird", 3, 9, 5.5), 0.5, 0.95},
		{"FRR's is not", p("bgp", "bird-frr", 3, 9, 5.5), 1, 1},
	} {
		if x.got < x.lo || x.got > x.hi {
			t.Errorf("%s: %v, want from %v to %v", x.what, x.got, x.lo, x.hi)
		}
	}
	_, cautions, err := Trial{"bgp", "frr-gnomed7-frobnicated", 3, 9, 5}.Survive(Options{})
	if err != nil || len(cautions) != 2 {
		t.Errorf("an unknown daemon and an unknown suffix: %q %v", cautions, err)
	}
}

func FuzzTrials(f *testing.F) {
	f.Add(table)
	f.Add("protocol,implementation,hello_s,detect_s,silence_s\nbgp,frr-frr-wire,1e-9,1e8,1e8\nldp,frr-frr-ka0,1,3,2\n")
	f.Add("Protocol,implementation,hello_s,detect_s,silence_s,note\nospf,,,,3,a,\"b\nbfd,frr+kept-frr-nbrmult3,,15,4\n")
	f.Add("\ufeffprotocol,implementation,hello_s,detect_s,silence_s\nlacp,ovs3.1-fast-dev_slow,1,3,2\n")
	f.Fuzz(func(t *testing.T, in string) {
		var out bytes.Buffer
		if err := Trials(strings.NewReader(in), &out); err != nil {
			return
		}
		rows, err := csv.NewReader(&out).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows[1:] {
			if p, err := strconv.ParseFloat(r[len(r)-1], 64); err != nil || !(p >= 0 && p <= 1) {
				t.Fatalf("%q", r)
			}
		}
	})
}
