package cli

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"towpath/internal/state"
	"towpath/internal/survival"
)

// forecastOfThree is of three sessions, of which one is on an interface of its own.
func forecastOfThree(s survival.Silence) survival.Forecast {
	var as []state.Adjacency
	for _, at := range [][2]string{{"192.0.2.1", "lag-1"}, {"192.0.2.2", "lag-1"}, {"192.0.2.3", "port-4/1"}} {
		as = append(as, state.Adjacency{Protocol: state.BGP, Neighbour: at[0], Interface: at[1],
			Timers: state.Timers{Send: state.Some(time.Second), NeighbourDetect: state.Some(3 * time.Second)}})
	}
	return survival.Predict(&state.Capture{Device: "mere-agg-1", Adjacencies: as}, s, survival.Options{})
}

func TestWhyTakesPartOfAName(t *testing.T) {
	f := forecastOfThree(survival.Fixed(time.Second))
	for in, want := range map[string]string{
		"bgp 192.0.2.1": "bgp 192.0.2.1 on lag-1: ", "PORT-4": "bgp 192.0.2.3 on port-4/1: ",
		"bgp 192.0.2.2 on lag-1": "bgp 192.0.2.2 on lag-1: ",
	} {
		var out bytes.Buffer
		if err := (&env{out: &out}).why(f, in, "mere-agg-1"); err != nil || !strings.HasPrefix(out.String(), want) {
			t.Errorf("%q: %v, %q; want %q", in, err, out.String(), want)
		}
	}
	for in, want := range map[string]string{"lag-1": `2 adjacencies: "bgp 192.0.2.1 on lag-1", "bgp 192.0.2.2 on lag-1"`, "ospf": "no adjacency", "bgp": "3 adjacencies"} {
		var out bytes.Buffer
		if err := (&env{out: &out}).why(f, in, "mere-agg-1"); err == nil || !strings.Contains(err.Error(), want) || out.Len() > 0 {
			t.Errorf("%q: %v, want %q", in, err, want)
		}
	}
}

func TestCurveTellsTheSilencesThatDecide(t *testing.T) {
	// Source: RFC 4271 §4.2, hold time 3 s; hellos each 1 s as told: 2 s is sure.
	got := curve(forecastOfThree(survival.Between(time.Second, 4*time.Second)))
	if !strings.HasPrefix(got, "2s: 100.0 %, ") || !strings.HasSuffix(got, "3s: 0.0 %") || strings.Count(got, ",") != 5 {
		t.Errorf("%q", got)
	}
	for _, s := range []survival.Silence{survival.Fixed(2500 * time.Millisecond), survival.Between(0, time.Second)} {
		if got := curve(forecastOfThree(s)); strings.Contains(got, ",") {
			t.Errorf("%v: one number is no curve: %q", s, got)
		}
	}
}
