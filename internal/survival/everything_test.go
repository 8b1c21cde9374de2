package survival

import (
	"encoding/json"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/state"
)

// TestEverythingAtOnce forecasts one router on which all protocols meet, and
// checks by hand the silence that each adjacency surely stands, what it stands on,
// and that the sum which its explanation shows is that silence.
func TestEverythingAtOnce(t *testing.T) {
	b, err := os.ReadFile("testdata/everything.json")
	if err != nil {
		t.Fatal(err)
	}
	var c state.Capture
	if err := json.Unmarshal(b, &c); err != nil {
		t.Fatal(err)
	}
	f := Predict(&c, Between(1600*ms, 3500*ms), Options{})
	by := map[string]AdjacencyForecast{}
	for _, a := range f.Adjacencies {
		by[a.Name()] = a
		text := Explain(a)
		for _, l := range strings.Split(text, "\n") {
			if len([]rune(l)) > columns {
				t.Errorf("%d columns: %q", len([]rune(l)), l)
			}
		}
		if len(a.Below) != len(a.StandsOn) {
			t.Errorf("%s stands on %v with %v", a.Name(), a.StandsOn, a.Below)
		}
		for i, p := range a.Below {
			if a.Survive > p+1e-7 {
				t.Errorf("%s lives with %v and stands on %s, which lives with %v", a.Name(), a.Survive, a.StandsOn[i], p)
			}
		}
		least := math.Inf(1)
		for _, part := range strings.Split(a.Timer, "; ") {
			if i := strings.LastIndex(part, " is sure"); i >= 0 {
				words := strings.Fields(part[:i])
				d, err := time.ParseDuration(words[len(words)-1])
				if err != nil {
					t.Errorf("%s: %v in %q", a.Name(), err, a.Timer)
				}
				least = min(least, d.Seconds())
			}
		}
		if !math.IsInf(least, 1) && math.Abs(least-a.Safe.Seconds()) > 0.0005 {
			t.Errorf("%s: %q, and %v is sure", a.Name(), a.Timer, a.Safe)
		}
	}
	sec := func(s float64) time.Duration { return seconds(s) }
	for name, want := range map[string]struct {
		safe   time.Duration // negative for any
		stands []string
		source string
	}{
		"bfd 192.0.2.1 on lag-1.10":                         {600 * ms, []string{"aggregate lag-1 (1 of 2 links)"}, "RFC 5880 §6.8.4: 3 × 300 ms"},
		"bfd 198.51.100.9 on port-1/1":                      {-1, nil, "RFC 5880 §6.8.7: its packets come from hardware"},
		"bfd 198.51.100.9 on port-2/1":                      {sec(2), nil, "RFC 7130 §2: 3 × 1 s on the member itself"},
		"bfd 203.0.113.7":                                   {-1, []string{"isis fen-core-1.00 on lag-1.10 in default level 2"}, "RFC 5880 §6.6: demand mode; the route in the capture"},
		"bfd 192.0.2.13 on port-5/3":                        {sec(2), nil, "RFC 5880 §6.4: echo goes on, control packets do not"},
		"isis fen-core-1.00 on lag-1.10 in default level 2": {sec(20), []string{"aggregate lag-1 (1 of 2 links)", "bfd 192.0.2.1 on lag-1.10"}, "RFC 3719 §2.2: 3 × 10 s"},
		"isis harbour-1.00 on port-5/1 in default level 2":  {sec(27), nil, "RFC 8706 §3.2.1 and RFC 4444: one holding time of 10 × 3 s on a LAN"},
		"ldp 203.0.113.1 on lag-1.10":                       {sec(10), []string{"aggregate lag-1 (1 of 2 links)", "bfd 192.0.2.1 on lag-1.10", "isis fen-core-1.00 on lag-1.10 in default level 2"}, "RFC 5036 §3.5.2; the route in the capture"},
		"ldp 203.0.113.4 on port-5/1":                       {sec(105), []string{"any of 5 IGP adjacencies"}, "RFC 3478 §3.3: 120 s, less the back-off of 15 s of RFC 5036 §2.5.3"},
		"rsvp 192.0.2.1 on lag-1.10":                        {sec(62.5), []string{"aggregate lag-1 (1 of 2 links)", "bfd 192.0.2.1 on lag-1.10"}, "RFC 3473 §9.5.2: 60 s from when 3.5 × 3 s have run out, less 3 s and 5 s"},
		"rsvp 192.0.2.9 on port-5/1":                        {12500 * time.Microsecond, nil, "RFC 3209 §5.3: 3.5 × 5 ms"},
		"ospfv2 192.0.2.5 on lag-2.20":                      {sec(95), []string{"aggregate lag-2 (2 of 2 links)", "no changed LSA, as by the loss of another adjacency, in ospfv2"}, "RFC 3623 §3.2: 120 s, less 2 hellos and 5 s"},
		"ospfv3 fe80::5 on lag-2.20":                        {sec(30), []string{"aggregate lag-2 (2 of 2 links)"}, "RFC 5340 appendix C.3"},
		"pim 192.0.2.13 on port-5/3":                        {sec(75), []string{"bfd 192.0.2.13 on port-5/3"}, "RFC 7761 §4.11: 3.5 × 30 s"},
		"igmp 10.40.0.0/24 on vlan-40":                      {sec(130), nil, "RFC 3376 §8.5: 2 × 125 s + 5 s"},
		"mld fd00:40::/64 on vlan-40":                       {sec(65), nil, "RFC 3810 §9.5: 2 × 60 s + 5 s"},
		"igmp 10.50.0.0/24 on vlan-50":                      {-1, nil, "RFC 3376 §6.6.2"},
		"vrrp mere-agg-2 on vlan-40 in 40":                  {2609375 * time.Microsecond, nil, "RFC 9568 §6.1: 3 × 1 s + 156/256 s"},
		"vrrp mere-agg-2 on vlan-50 in 50":                  {-1, nil, "RFC 9568 §6.4.2"},
		"lacp 00:00:5e:00:53:09 on port-1/1 in lag-1":       {sec(60), nil, "IEEE 802.1AX clause 6.4: the partner waits 90 s"},
		"lacp 00:00:5e:00:53:09 on port-2/1 in lag-1":       {sec(2), nil, "IEEE 802.1AX clause 6.4: the partner waits 3 s"},
		"rstp 4096.00:00:5e:00:53:02 on lag-2 in mst 1":     {sec(4), []string{"aggregate lag-2 (2 of 2 links)"}, "IEEE 802.1D-2004 clause 17.21.23"},
		"rstp 8192.00:00:5e:00:53:0c on port-6/1 in mst 1":  {-1, nil, "IEEE 802.1D-2004 clause 17.21.23"},
		"rstp bridges below in mst 2":                       {sec(4), nil, "IEEE 802.1D-2004 clause 17.21.23"},
		"lldp 00:00:5e:00:53:0c on port-6/1":                {sec(90), nil, "IEEE 802.1AB clause 9.2.5"},
		"bgp 203.0.113.7":                                   {sec(60), []string{"bfd 203.0.113.7", "isis fen-core-1.00 on lag-1.10 in default level 2"}, "RFC 4271 §4.2"},
		"bgp 203.0.113.8":                                   {sec(115), []string{"ospfv2 192.0.2.5 on lag-2.20"}, "RFC 4724 §4.2, RFC 8538 §4: 120 s, less 5 s to open it again"},
		"bgp 192.0.2.17 on port-6/2":                        {sec(1), nil, "RFC 4724 §4: without the N bit within 9 s, less 3 s and 5 s"},
		"bgp 192.0.2.25 on port-6/4":                        {sec(60), []string{"bfd 192.0.2.25 on port-6/4"}, "RFC 4271 §4.2"},
	} {
		a, ok := by[name]
		switch {
		case !ok:
			t.Errorf("%s is not forecast", name)
		case a.Unlimited != (want.safe < 0), want.safe >= 0 && (a.Safe-want.safe).Abs() > time.Microsecond:
			t.Errorf("%s is safe up to %v (unlimited %v), want %v (%s)", name, a.Safe, a.Unlimited, want.safe, want.source)
		case !slices.Equal(a.StandsOn, want.stands):
			t.Errorf("%s stands on %q, want %q (%s)", name, a.StandsOn, want.stands, want.source)
		}
	}
	// Whose fault it is stands in one sentence. Source: RFC 5882 §4, RFC 3623 §3.2.
	for name, want := range map[string]string{
		"ldp 203.0.113.1 on lag-1.10":  "it stands on bfd 192.0.2.1 on lag-1.10, which holds with probability 0.000",
		"ospfv2 192.0.2.5 on lag-2.20": "the weakest in it is ospfv2 192.0.2.13 on port-5/3, with 0.000",
		"rsvp 192.0.2.9 on port-5/1":   "its timers are assumed",
	} {
		if !strings.Contains(by[name].Why, want) {
			t.Errorf("%s: %q, want %q in it", name, by[name].Why, want)
		}
	}
}
