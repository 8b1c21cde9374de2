package release

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func minutes(m float64) Spread { return Spread{m, m, m} }

// alder is the platform of most tests here.
func alder() Platform {
	return Platform{
		ID: "alder-9", Scheme: dotted,
		Releases: []Release{
			{Version: "2.3.0"}, {Version: "2.4.1"}, {Version: "2.5.0", Support: Withdrawn}, {Version: "2.5.3"},
			{Version: "2.6.0", Requires: []FirmwareLevel{{Kind: "CONTROLLER_CARD", Level: "1.2"}}}, {Version: "3.0.0"},
		},
		Transitions: []Transition{
			{From: "2.4.1", To: "2.6.0", Method: InService, Minutes: minutes(35), Unless: []Condition{{Firmware: &FirmwareLevel{Kind: "LINECARD", Level: "1.9"}, Reason: "older cards forget their tables"}}},
			{From: "2.4.1", To: "2.5.0..2.5.3", Method: InService, Minutes: minutes(20)},
			{From: "2.5.0..2.5.3", To: "2.6.0", Method: InService, Minutes: minutes(25), Unless: []Condition{{Feature: "mvpn", Reason: "its state is not carried over"}}},
			{From: "*", To: "*", Method: Reload, Minutes: minutes(15)},
		},
		Firmware: []Firmware{{Kind: "LINECARD", Level: "1.9", Minutes: 12}},
	}
}

func mere() Present {
	return Present{Device: "mere-agg-1", Platform: "alder-9", Release: "2.4.1", Components: []Installed{
		{Name: "RP0", Kind: "CONTROLLER_CARD", Part: "alder-rp", Firmware: "1.2"}, {Name: "RP1", Kind: "CONTROLLER_CARD", Part: "alder-rp", Firmware: "1.2"},
		{Name: "LC-1", Kind: "LINECARD", Part: "alder-48", Firmware: "1.9"}, {Name: "LC-3", Kind: "LINECARD", Part: "alder-48", Firmware: "1.7"},
	}}
}

// failer is a test, a benchmark or a property.
type failer interface {
	Helper()
	Fatalf(string, ...any)
}

func index(t failer, p ...Platform) *Index {
	t.Helper()
	x, err := (&Catalogue{Platforms: p}).Index()
	if err != nil {
		t.Fatalf("index: %v", err)
	}
	return x
}

func search(t testing.TB, p Platform, now Present, target string, o Options) Result {
	t.Helper()
	r, err := index(t, p).Search(now, target, o)
	if err != nil {
		t.Fatalf("search: %v", err)
	}
	return r
}

func texts(all []Rejection) []string {
	var out []string
	for _, r := range all {
		out = append(out, r.Text())
	}
	return out
}

func TestEveryParetoBestPath(t *testing.T) {
	r := search(t, alder(), mere(), "2.6.0", Options{AllowReload: true})
	var got []string
	for _, p := range r.Paths {
		got = append(got, fmt.Sprintf("%+v x%d %s", p.Cost, p.Equal, signHops(p.Hops)))
	}
	want := []string{
		"{Outages:0 Exposure:0 Hops:1 Minutes:47} x1 [LC-3:1.7>1.9/12/false] 2.4.1>2.6.0 in-service 35",
		"{Outages:0 Exposure:0 Hops:2 Minutes:45} x1 [] 2.4.1>2.5.3 in-service 20 | [] 2.5.3>2.6.0 in-service 25",
		"{Outages:1 Exposure:0 Hops:1 Minutes:15} x1 [] 2.4.1>2.6.0 reload 15",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("paths (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]string{"2.4.1 → 2.6.0 in service: line card LC-3 needs firmware 1.9, has 1.7; raise it first, +12 min"}, texts(r.Rejections)); d != "" {
		t.Errorf("rejections (-want +got):\n%s", d)
	}
	for _, p := range r.Paths {
		if p.NoBack != "" || signHops(p.Back) != "[] 2.6.0>2.4.1 reload 15" || p.BackCost != (Cost{Outages: 1, Hops: 1, Minutes: 15}) {
			t.Errorf("way back: %s %+v %s", signHops(p.Back), p.BackCost, p.NoBack)
		}
	}
	// Without reloads, nothing leads back in service.
	p := alder()
	p.Transitions = p.Transitions[:3]
	r = search(t, p, mere(), "2.6.0", Options{})
	if want := "2.4.1 cannot be reached from 2.6.0: no transition leads to it; nothing nearer can be reached"; r.Paths[0].NoBack != want {
		t.Errorf("no way back:\ngot  %s\nwant %s", r.Paths[0].NoBack, want)
	}
	// A device that is there already.
	r = search(t, alder(), mere(), "2.4.1", Options{})
	if len(r.Paths) != 1 || len(r.Paths[0].Hops) != 0 || r.Paths[0].Equal != 1 || r.Paths[0].NoBack != "" || r.NoPath != nil {
		t.Errorf("there already: %+v", r)
	}
}

func TestExposureIsWeighedByItself(t *testing.T) {
	p := alder()
	p.Releases[3].Support = Defective // 2.5.3
	p.Transitions[0].Unless = append(p.Transitions[0].Unless, Condition{Part: "alder-48"})
	p.Transitions = append(p.Transitions, Transition{From: "2.4.1", To: "3.0.0", Method: InService, Minutes: minutes(90)}, Transition{From: "3.0.0", To: "2.6.0", Method: InService, Minutes: minutes(90)})
	r := search(t, p, mere(), "2.6.0", Options{})
	var got []string
	for _, x := range r.Paths {
		got = append(got, fmt.Sprintf("%+v x%d %s", x.Cost, x.Equal, signHops(x.Hops)))
	}
	want := []string{
		"{Outages:0 Exposure:0 Hops:2 Minutes:180} x1 [] 2.4.1>3.0.0 in-service 90 | [] 3.0.0>2.6.0 in-service 90",
		"{Outages:0 Exposure:1 Hops:2 Minutes:45} x2 [] 2.4.1>2.5.0 in-service 20 | [] 2.5.0>2.6.0 in-service 25",
		"{Outages:0 Exposure:1 Hops:2 Minutes:45} x2 [] 2.4.1>2.5.3 in-service 20 | [] 2.5.3>2.6.0 in-service 25",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("paths (-want +got):\n%s", d)
	}
}

// A step that can be applied under some releases only is made under the last of
// them, before the hop that needs it.
func TestFirmwareIsRaisedWhereItCanBe(t *testing.T) {
	p := alder()
	p.Firmware[0].Needs = "2.3.0..2.4.1"
	p.Transitions = []Transition{
		{From: "2.3.0", To: "2.4.1", Method: InService, Minutes: minutes(10)},
		{From: "2.4.1", To: "2.5.3", Method: InService, Minutes: minutes(10)},
		{From: "2.5.3", To: "2.6.0", Method: InService, Minutes: minutes(10), Unless: []Condition{{Firmware: &FirmwareLevel{Kind: "LINECARD", Level: "1.9"}}}},
	}
	now := mere()
	now.Release = "2.3.0"
	r := search(t, p, now, "2.6.0", Options{})
	want := "[] 2.3.0>2.4.1 in-service 10 | [LC-3:1.7>1.9/12/false] 2.4.1>2.5.3 in-service 10 | [] 2.5.3>2.6.0 in-service 10"
	if len(r.Paths) != 1 || signHops(r.Paths[0].Hops) != want {
		t.Fatalf("paths: %+v\nwant %s", r.Paths, want)
	}
	if d := cmp.Diff([]string{"2.5.3 → 2.6.0 in service: line card LC-3 needs firmware 1.9, has 1.7; raise it earlier, under 2.3.0..2.4.1, +12 min"}, texts(r.Rejections)); d != "" {
		t.Errorf("rejections (-want +got):\n%s", d)
	}
}

func TestRejectionTexts(t *testing.T) {
	unless := func(c ...Condition) func(*Platform, *Present) {
		return func(p *Platform, _ *Present) { p.Transitions[0].Unless = c }
	}
	below := func(level string) Condition {
		return Condition{Firmware: &FirmwareLevel{Kind: "LINECARD", Level: level}}
	}
	for _, c := range []struct {
		name   string
		change func(*Platform, *Present)
		opt    Options
		want   string
	}{
		{"two cards", func(_ *Platform, d *Present) { d.Components[2].Firmware = "1.7" }, Options{},
			"line cards LC-1 and LC-3 need firmware 1.9, have 1.7; raise them first, +24 min"},
		{"two cards with different firmware", func(_ *Platform, d *Present) { d.Components[2].Firmware = "1.8" }, Options{},
			"line card LC-1 needs firmware 1.9, has 1.8 and line card LC-3 needs firmware 1.9, has 1.7; raise them first, +24 min"},
		{"unknown firmware", func(_ *Platform, d *Present) { d.Components[3].Firmware = "" }, Options{},
			"the firmware of line card LC-3 is unknown, 1.9 is needed; read it"},
		{"no step", func(p *Platform, _ *Present) { p.Firmware = nil }, Options{},
			"line card LC-3 needs firmware 1.9, has 1.7, and no firmware step raises it that far"},
		{"a step for other parts", func(p *Platform, _ *Present) { p.Firmware[0].Part = "alder-96" }, Options{},
			"line card LC-3 needs firmware 1.9, has 1.7, and no firmware step raises it that far"},
		{"a step under other releases", func(p *Platform, _ *Present) { p.Firmware[0].Needs = "2.5.0..2.5.3" }, Options{},
			"line card LC-3 needs firmware 1.9, has 1.7, and raising it is possible only under 2.5.0..2.5.3"},
		{"a step that interrupts", func(p *Platform, _ *Present) { p.Firmware[0].Outage = true }, Options{},
			"line card LC-3 needs firmware 1.9, has 1.7, and raising it interrupts traffic"},
		{"a step that may interrupt", func(p *Platform, _ *Present) { p.Firmware[0].Outage = true }, Options{AllowReload: true},
			"line card LC-3 needs firmware 1.9, has 1.7; raise it first, +12 min, with an interruption of traffic"},
		{"a release that needs firmware", func(p *Platform, d *Present) {
			p.Transitions[0].Unless = nil
			p.Firmware = append(p.Firmware, Firmware{Kind: "CONTROLLER_CARD", Level: "1.2", Minutes: 0.5})
			d.Components[0].Firmware, d.Components[1].Firmware = "1.1", "1.1"
		}, Options{}, "controller cards RP0 and RP1 need firmware 1.2 to run 2.6.0, have 1.1; raise them first, +1 min"},
		{"a release whose firmware is unknown", func(_ *Platform, d *Present) { d.Components[0].Firmware = "" }, Options{},
			"the firmware of controller card RP0 is unknown, 1.2 is needed to run 2.6.0 and line card LC-3 needs firmware 1.9, has 1.7"},
		{"a feature", unless(Condition{Feature: "mvpn", Reason: "its state is not carried over"}), Options{},
			"feature mvpn is in use (its state is not carried over)"},
		{"a part", unless(Condition{Part: "alder-48", Reason: "it must restart"}), Options{},
			"line cards LC-1 and LC-3 are of part alder-48 (it must restart)"},
		{"a part of two kinds", func(p *Platform, d *Present) {
			p.Transitions[0].Unless = []Condition{{Part: "x"}}
			d.Components[0].Part, d.Components[2].Part = "x", "x"
		}, Options{}, "controller card RP0 and line card LC-1 are of part x"},
		{"a part that may be there", func(p *Platform, d *Present) {
			p.Transitions[0].Unless = []Condition{{Part: "x"}}
			d.Components[2].Part = ""
		}, Options{}, "the part of line card LC-1 is unknown and may be x"},
		{"two conditions", unless(Condition{Feature: "mvpn"}, below("1.9")), Options{},
			"feature mvpn is in use and line card LC-3 needs firmware 1.9, has 1.7"},
		{"components not known", func(_ *Platform, d *Present) { d.Components = nil }, Options{},
			"the components are not known, and line cards need firmware 1.9"},
		{"a span", func(p *Platform, _ *Present) {
			p.MaxInServiceSpan = map[string]int{"minor": 1}
			p.Transitions[0].Unless = nil
		}, Options{},
			"minor changes by 2, at most 1 in one in-service hop"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, now := alder(), mere()
			now.Features = []string{"mvpn"}
			c.change(&p, &now)
			want := "2.4.1 → 2.6.0 in service: " + c.want
			r := search(t, p, now, "2.6.0", c.opt)
			if got := texts(r.Rejections); !slices.Contains(got, want) {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), want)
			}
		})
	}
	if got := (Rejection{From: "a", To: "b", Method: Reload, Reason: "c"}).Text(); got != "a → b by reload: c" {
		t.Errorf("got %q", got)
	}
}

func TestNoPathTexts(t *testing.T) {
	feature := []Condition{{Feature: "mvpn"}}
	for _, c := range []struct {
		name   string
		change func(*Platform, *Present)
		opt    Options
		target string
		want   NoPath
	}{
		{"a feature", func(p *Platform, _ *Present) { p.Transitions = p.Transitions[1:3] }, Options{}, "2.6.0",
			NoPath{Nearest: "2.5.3", Left: 1, Opens: []string{"feature mvpn not in use"},
				Reason: "2.6.0 cannot be reached from 2.4.1: every chain of transitions that leads there is barred; nearest is 2.5.3, 1 hop away; this would open a way: feature mvpn not in use"}},
		{"a feature and a card", func(p *Platform, _ *Present) { p.Transitions, p.Firmware = p.Transitions[:3], nil }, Options{}, "2.6.0",
			NoPath{Nearest: "2.5.3", Left: 1, Opens: []string{"line card LC-3 at firmware 1.9", "feature mvpn not in use"},
				Reason: "2.6.0 cannot be reached from 2.4.1: every chain of transitions that leads there is barred; nearest is 2.5.3, 1 hop away; any one of these would open a way: line card LC-3 at firmware 1.9, feature mvpn not in use"}},
		{"reloads not allowed", func(p *Platform, _ *Present) {
			p.Transitions[2].Unless = append(feature, Condition{Part: "alder-48"})
			p.Firmware = nil
		}, Options{MaxHops: 1}, "3.0.0",
			NoPath{Nearest: "2.5.3", Opens: []string{"interruptions of traffic allowed"},
				Reason: "3.0.0 cannot be reached from 2.4.1: every chain of transitions that leads there is barred; nearest is 2.5.3; this would open a way: interruptions of traffic allowed"}},
		{"a step that interrupts", func(p *Platform, _ *Present) { p.Transitions, p.Firmware[0].Outage = p.Transitions[:1], true }, Options{}, "2.6.0",
			NoPath{Opens: []string{"line card LC-3 at firmware 1.9", "interruptions of traffic allowed"},
				Reason: "2.6.0 cannot be reached from 2.4.1: every chain of transitions that leads there is barred; nothing nearer can be reached; any one of these would open a way: line card LC-3 at firmware 1.9, interruptions of traffic allowed"}},
		{"nothing leads there", func(p *Platform, _ *Present) { p.Transitions = p.Transitions[:3] }, Options{}, "2.3.0",
			NoPath{Reason: "2.3.0 cannot be reached from 2.4.1: no transition leads to it; nothing nearer can be reached"}},
		{"no chain", func(p *Platform, _ *Present) {
			p.Transitions = []Transition{{From: "2.3.0", To: "3.0.0", Method: InService, Minutes: minutes(1)}, {From: "2.4.1", To: "2.5.0..2.6.0", Method: InService, Minutes: minutes(1)}}
		}, Options{}, "3.0.0",
			NoPath{Nearest: "2.6.0", Reason: "3.0.0 cannot be reached from 2.4.1: no chain of transitions leads there; nearest is 2.6.0"}},
		{"an avoided release", func(p *Platform, d *Present) { p.Transitions, d.Features = p.Transitions[1:3], nil }, Options{Avoid: []string{"2.5.0..2.5.3"}}, "2.6.0",
			NoPath{Opens: []string{"2.5.0 not avoided", "2.5.3 not avoided"},
				Reason: "2.6.0 cannot be reached from 2.4.1: every chain of transitions that leads there is barred; nothing nearer can be reached; any one of these would open a way: 2.5.0 not avoided, 2.5.3 not avoided"}},
		{"too few hops", func(p *Platform, d *Present) { p.Transitions, d.Features = p.Transitions[1:3], nil }, Options{MaxHops: 1}, "2.6.0",
			NoPath{Nearest: "2.5.3", Left: 1, Opens: []string{"2 hops allowed"},
				Reason: "2.6.0 cannot be reached from 2.4.1: every chain of transitions that leads there is barred; nearest is 2.5.3, 1 hop away; this would open a way: 2 hops allowed"}},
		{"a release to pass", func(p *Platform, _ *Present) { p.Transitions = p.Transitions[:3] }, Options{Via: []string{"2.3.0"}}, "2.6.0",
			NoPath{Nearest: "2.5.3", Left: 1, Opens: []string{"not having to go via 2.3.0"},
				Reason: "2.6.0 cannot be reached from 2.4.1: every chain of transitions that leads there is barred; nearest is 2.5.3, 1 hop away; this would open a way: not having to go via 2.3.0"}},
		{"a span", func(p *Platform, _ *Present) {
			p.Transitions = p.Transitions[:1]
			p.Transitions[0].Unless = nil
			p.MaxInServiceSpan = map[string]int{"minor": 1}
		}, Options{}, "2.6.0",
			NoPath{Opens: []string{"no bound on minor in one in-service hop"},
				Reason: "2.6.0 cannot be reached from 2.4.1: every chain of transitions that leads there is barred; nothing nearer can be reached; this would open a way: no bound on minor in one in-service hop"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, now := alder(), mere()
			now.Features = []string{"mvpn"}
			c.change(&p, &now)
			r := search(t, p, now, c.target, c.opt)
			if len(r.Paths) > 0 || r.NoPath == nil {
				t.Fatalf("got %d paths", len(r.Paths))
			}
			if d := cmp.Diff(c.want, *r.NoPath); d != "" {
				t.Errorf("no path (-want +got):\n%s", d)
			}
		})
	}
}

func TestWayBackHopByHop(t *testing.T) {
	p := alder()
	p.Transitions = append(p.Transitions[:3], // no reload from anywhere to anywhere
		Transition{From: "2.6.0", To: "2.5.3", Method: InService, Minutes: minutes(30)},
		Transition{From: "2.5.3", To: "2.4.1", Method: Reload, Minutes: minutes(15)})
	now := mere()
	x := index(t, p)
	r, err := x.Search(now, "2.6.0", Options{Via: []string{"2.5.3"}})
	if err != nil || len(r.Paths) != 1 {
		t.Fatalf("%v, %d paths", err, len(r.Paths))
	}
	path := r.Paths[0]
	if got := signHops(path.Back); got != "[] 2.6.0>2.5.3 in-service 30 | [] 2.5.3>2.4.1 reload 15" || path.BackCost != (Cost{1, 0, 2, 45}) {
		t.Errorf("way back: %s %+v", got, path.BackCost)
	}
	for i, want := range []string{"[] 2.5.3>2.4.1 reload 15", "[] 2.6.0>2.5.3 in-service 30"} {
		b, err := x.HopBack(now, path, i, Options{})
		if err != nil || signHops(b.Hops) != want || b.None != "" {
			t.Errorf("hop %d back: %s, %s, %v; want %s", i, signHops(b.Hops), b.None, err, want)
		}
	}
	if _, err := x.HopBack(now, path, 2, Options{}); err == nil || err.Error() != "hop 3 of a path of 2: no such hop" {
		t.Errorf("hop 3 back: %v", err)
	}
	// The device ran its present release whatever that requires, so it can go
	// back to it.
	p.Releases[1].Requires = []FirmwareLevel{{Kind: "LINECARD", Level: "7"}}
	if r = search(t, p, now, "2.6.0", Options{}); len(r.Paths) == 0 || r.Paths[0].NoBack != "" {
		t.Errorf("back to a release that requires more than the device has: %+v", r.Paths)
	}
}

func TestPresentReleaseNeedNotBeListed(t *testing.T) {
	p := alder()
	now := mere()
	now.Release = "2.4.0"
	p.Transitions = append(p.Transitions, Transition{From: "..2.4.1", To: "2.5.3", Method: InService, Minutes: minutes(22)}, Transition{From: "2.5.3", To: "2.4.0..2.4.1", Method: InService, Minutes: minutes(9)})
	r := search(t, p, now, "2.5.3", Options{})
	if len(r.Paths) != 1 || signHops(r.Paths[0].Hops) != "[] 2.4.0>2.5.3 in-service 22" || signHops(r.Paths[0].Back) != "[] 2.5.3>2.4.0 in-service 9" {
		t.Errorf("paths: %+v", r.Paths)
	}
	if want := []string{"release 2.4.0, which the device has now, is not in the catalogue; next to it are 2.3.0 and 2.4.1"}; !slices.Equal(r.Cautions, want) {
		t.Errorf("cautions %q, want %q", r.Cautions, want)
	}
	b, err := index(t, p).HopBack(now, r.Paths[0], 0, Options{})
	if err != nil || signHops(b.Hops) != "[] 2.5.3>2.4.0 in-service 9" {
		t.Errorf("hop back: %s %v", signHops(b.Hops), err)
	}
}

func TestInServiceRangesGoUp(t *testing.T) {
	p := alder()
	p.Transitions = []Transition{{From: "2.4.1..2.6.0", To: "2.4.1..2.6.0", Method: InService, Minutes: minutes(20)}, {From: "3.0.0", To: "2.5.0..2.6.0", Method: InService, Minutes: minutes(20)}}
	now := mere()
	if r := search(t, p, now, "2.6.0", Options{}); len(r.Paths) != 1 {
		t.Errorf("up: %d paths", len(r.Paths))
	}
	now.Release = "2.6.0"
	if r := search(t, p, now, "2.4.1", Options{}); len(r.Paths) != 0 {
		t.Errorf("down by overlapping ranges: %+v", r.Paths)
	}
	now.Release = "3.0.0"
	if r := search(t, p, now, "2.6.0", Options{}); len(r.Paths) != 1 {
		t.Errorf("down by a way back: %d paths", len(r.Paths))
	}
}

func TestSpanCountsOnlyBelowWhatStaysTheSame(t *testing.T) {
	p := alder()
	p.Transitions = []Transition{{From: "*", To: "*", Method: InService, Minutes: minutes(20)}}
	p.MaxInServiceSpan = map[string]int{"major": 1, "minor": 1}
	for _, c := range []struct {
		from, to string
		hops     int
	}{{"2.4.1", "2.5.3", 1}, {"2.4.1", "2.6.0", 2}, {"2.3.0", "3.0.0", 1}} {
		now := mere()
		now.Release = c.from
		if r := search(t, p, now, c.to, Options{}); len(r.Paths) == 0 || r.Paths[0].Cost.Hops != c.hops {
			t.Errorf("%s → %s: %+v, want %d hops", c.from, c.to, r.Paths, c.hops)
		}
	}
}

func TestSearchRefusesWhatItDoesNotKnow(t *testing.T) {
	x := index(t, alder())
	for _, c := range []struct {
		name    string
		now     func(*Present)
		target  string
		opt     Options
		want    string
		unknown bool
	}{
		{"platform", func(p *Present) { p.Platform = "alder-7" }, "2.6.0", Options{}, `platform "alder-7": not in the catalogue; known are alder-9`, true},
		{"target", nil, "2.6.1", Options{}, "release 2.6.1 of platform alder-9: not in the catalogue; next to it are 2.6.0 and 3.0.0", true},
		{"target below", nil, "1.0.0", Options{}, "release 1.0.0 of platform alder-9: not in the catalogue; the lowest is 2.3.0", true},
		{"target above", nil, "4.0.0", Options{}, "release 4.0.0 of platform alder-9: not in the catalogue; the highest is 3.0.0", true},
		{"form of the target", nil, "2.6", Options{}, `platform alder-9: version "2.6" does not have the form ` + dotted.Pattern, false},
		{"present unknown", func(p *Present) { p.Release = "" }, "2.6.0", Options{}, "device mere-agg-1: its present release is not known", false},
		{"form of the present", func(p *Present) { p.Release = "x" }, "2.6.0", Options{}, `device mere-agg-1: version "x" does not have the form ` + dotted.Pattern, false},
		{"avoid", nil, "2.6.0", Options{Avoid: []string{"x"}}, `avoid: range "x": version "x" does not have the form ` + dotted.Pattern, false},
		{"avoid the target", nil, "2.6.0", Options{Avoid: []string{"2.5.0.."}}, "target 2.6.0 is among the releases to avoid", false},
		{"via", nil, "2.6.0", Options{Via: []string{"2.5.1"}}, "via: release 2.5.1 of platform alder-9: not in the catalogue; next to it are 2.5.0 and 2.5.3", true},
		{"via an avoided one", nil, "2.6.0", Options{Via: []string{"2.5.0"}, Avoid: []string{"2.5.0"}}, "via: 2.5.0 is among the releases to avoid", false},
	} {
		now := mere()
		if c.now != nil {
			c.now(&now)
		}
		_, err := x.Search(now, c.target, c.opt)
		if err == nil || err.Error() != c.want || errors.Is(err, ErrUnknown) != c.unknown {
			t.Errorf("%s:\ngot  %v\nwant %s", c.name, err, c.want)
		}
	}
}

// layers makes a catalogue of n layers of two releases each between a first and
// a last one, all hops alike.
func layers(n int) Platform {
	p := Platform{ID: "alder-9", Scheme: twoNumbers, Releases: []Release{{Version: "0.0"}}}
	from := "0.0"
	for i := 1; i <= n; i++ {
		p.Releases = append(p.Releases, Release{Version: fmt.Sprintf("%d.1", i)}, Release{Version: fmt.Sprintf("%d.2", i)})
		to := fmt.Sprintf("%d.1,%d.2", i, i)
		p.Transitions = append(p.Transitions, Transition{From: from, To: to, Method: InService, Minutes: minutes(0.1)})
		from = to
	}
	last := fmt.Sprintf("%d.0", n+1)
	p.Releases = append(p.Releases, Release{Version: last})
	p.Transitions = append(p.Transitions, Transition{From: from, To: last, Method: InService, Minutes: minutes(0.1)})
	return p
}

func TestEqualPathsAreCountedAndSomeListed(t *testing.T) {
	for _, c := range []struct {
		layers int
		equal  uint64
		listed int
	}{{1, 2, 2}, {4, 16, 16}, {5, 32, 16}, {20, 1 << 20, 16}, {63, 1 << 63, 16}, {64, math.MaxUint64, 16}, {90, math.MaxUint64, 16}} {
		r := search(t, layers(c.layers), Present{Platform: "alder-9", Release: "0.0"}, fmt.Sprintf("%d.0", c.layers+1), Options{})
		if len(r.Paths) != c.listed || r.Paths[0].Equal != c.equal {
			t.Fatalf("%d layers: %d listed of %d, want %d of %d", c.layers, len(r.Paths), r.Paths[0].Equal, c.listed, c.equal)
		}
		last := ""
		for _, p := range r.Paths {
			if s := signHops(p.Hops); s <= last {
				t.Fatalf("%d layers: %s after %s", c.layers, s, last)
			} else {
				last = s
			}
			if want := float64(c.layers+1) / 10; p.Cost != (Cost{Hops: c.layers + 1, Minutes: want}) {
				t.Fatalf("%d layers: cost %+v, want %v minutes", c.layers, p.Cost, want)
			}
		}
	}
}

// The same search gives the same result, whatever the order of the catalogue.
func TestOrderOfTheCatalogueDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := alder()
		now := mere()
		a, err := index(t, p).Search(now, "2.6.0", Options{AllowReload: true})
		if err != nil {
			t.Fatal(err)
		}
		p.Releases = rapid.Permutation(p.Releases).Draw(t, "releases")
		p.Transitions = rapid.Permutation(p.Transitions).Draw(t, "transitions")
		b, err := index(t, p).Search(now, "2.6.0", Options{AllowReload: true})
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(a, b); d != "" {
			t.Fatalf("differs:\n%s", d)
		}
	})
}

// Source: shared data "release-graphs", shortest paths found by another
// implementation.
func TestReleaseGraphs(t *testing.T) {
	const dir = "../../../shared/data/release-graphs"
	files, _ := filepath.Glob(dir + "/*_arcs.csv")
	if _, err := os.Stat(dir); err != nil {
		t.Skipf("%s is not there: the release graphs are not checked", dir)
	}
	if len(files) == 0 {
		t.Fatalf("%s holds no graph", dir)
	}
	for _, f := range files {
		t.Run(filepath.Base(f), func(t *testing.T) {
			p := Platform{ID: "alder-9", Scheme: twoNumbers}
			for _, row := range readTable(t, f) {
				p.Transitions = append(p.Transitions, Transition{From: row["from"], To: row["to"], Method: InService, Minutes: minutes(number(t, row["minutes"]))})
				// The arcs go down in service too, as single versions may.
				for _, v := range []string{row["from"], row["to"]} {
					if !slices.ContainsFunc(p.Releases, func(r Release) bool { return r.Version == v }) {
						p.Releases = append(p.Releases, Release{Version: v})
					}
				}
			}
			answers := readTable(t, strings.Replace(f, "_arcs", "_paths", 1))
			for _, row := range answers { // releases that no arc touches
				if !slices.ContainsFunc(p.Releases, func(r Release) bool { return r.Version == row["from"] }) {
					p.Releases = append(p.Releases, Release{Version: row["from"]})
				}
			}
			if n := len(p.Releases); len(answers) != n*(n-1) {
				t.Fatalf("%d answers for %d releases", len(answers), n)
			}
			x := index(t, p)
			reached := 0
			for _, row := range answers {
				now := Present{Platform: "alder-9", Release: row["from"]}
				r, err := x.Search(now, row["to"], Options{})
				if err != nil {
					t.Fatal(err)
				}
				ways := ""
				if row["min_hops"] == "" {
					if len(r.Paths) != 0 || r.NoPath == nil {
						t.Errorf("%s → %s: %d paths, want none", row["from"], row["to"], len(r.Paths))
					}
					continue
				}
				reached++
				fewest, quickest, quickestOfFewest := math.MaxInt, math.Inf(1), math.Inf(1)
				for _, p := range r.Paths {
					fewest, quickest = min(fewest, p.Cost.Hops), min(quickest, p.Cost.Minutes)
				}
				for _, p := range r.Paths {
					if p.Cost.Hops == fewest {
						quickestOfFewest = min(quickestOfFewest, p.Cost.Minutes)
					}
				}
				// How many are the quickest, whatever their hops: the same search
				// with hops that weigh nothing.
				task, err := x.platforms["alder-9"].newTask(now, row["to"], Options{})
				if err != nil {
					t.Fatal(err)
				}
				task.hopUnit = 0
				for _, p := range task.run(task.lowest(), false).paths() {
					ways = strconv.FormatUint(p.Equal, 10)
				}
				got := fmt.Sprintf("%d hops, %v min, %v min of the fewest hops, %s quickest", fewest, quickest, quickestOfFewest, ways)
				want := fmt.Sprintf("%s hops, %v min, %v min of the fewest hops, %s quickest", row["min_hops"], number(t, row["min_minutes"]), number(t, row["minutes_of_best_min_hop_path"]), row["n_min_minute_paths"])
				if got != want {
					t.Errorf("%s → %s:\ngot  %s\nwant %s", row["from"], row["to"], got, want)
				}
			}
			t.Logf("%d pairs, %d of them joined", len(answers), reached)
		})
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func readTable(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, k := range rows[0] {
			m[k] = r[i]
		}
		out = append(out, m)
	}
	return out
}

// bigPlatform makes a catalogue of so many releases and transitions, of which a part
// have firmware conditions, and a device with several kinds of line cards.
func bigPlatform(releases, transitions, firmware int) (Platform, Present) {
	seed := uint64(11)
	next := func(m int) int {
		seed = seed*6364136223846793005 + 1442695040888963407
		return int(seed>>33) % m
	}
	p := Platform{ID: "alder-9", Scheme: twoNumbers}
	name := func(i int) string { return fmt.Sprintf("%d.%d", 1+i/20, i%20) }
	for i := range releases {
		r := Release{Version: name(i)}
		if i%7 == 3 {
			r.Support = Defective
		}
		p.Releases = append(p.Releases, r)
	}
	for range transitions {
		a := next(releases - 1)
		b := min(releases-1, a+1+next(40))
		tr := Transition{From: name(a), To: name(b), Method: InService, Minutes: minutes(float64(15 + next(45)))}
		if next(4) == 0 {
			tr.Method = Reload
		}
		if firmware > 0 && next(3) == 0 {
			tr.Unless = []Condition{{Firmware: &FirmwareLevel{Kind: "LINECARD", Part: fmt.Sprintf("p%d", next(firmware)), Level: strconv.Itoa(2 + next(3))}}}
		}
		p.Transitions = append(p.Transitions, tr)
	}
	now := Present{Device: "mere-agg-1", Platform: "alder-9", Release: name(0), Components: []Installed{{Name: "RP0", Kind: "CONTROLLER_CARD"}}}
	for i := range firmware {
		part := fmt.Sprintf("p%d", i)
		now.Components = append(now.Components, Installed{Name: "LC-" + part, Kind: "LINECARD", Part: part, Firmware: "1"})
		for l := 2; l <= 4; l++ {
			p.Firmware = append(p.Firmware, Firmware{Kind: "LINECARD", Part: part, Level: strconv.Itoa(l), Minutes: float64(5 + 3*l + next(4))})
		}
	}
	return p, now
}

func BenchmarkSearch(b *testing.B) {
	for _, c := range []struct{ releases, transitions, firmware int }{{75, 1250, 2}, {150, 2500, 2}, {300, 5000, 0}, {300, 5000, 1}, {300, 5000, 2}, {300, 5000, 3}, {300, 5000, 4}, {600, 10000, 2}} {
		b.Run(fmt.Sprintf("releases=%d/transitions=%d/cards=%d", c.releases, c.transitions, c.firmware), func(b *testing.B) {
			p, now := bigPlatform(c.releases, c.transitions, c.firmware)
			x := index(b, p)
			target := p.Releases[c.releases-1].Version
			t, err := x.platforms[p.ID].newTask(now, target, Options{AllowReload: true})
			if err != nil {
				b.Fatal(err)
			}
			r := t.run(t.lowest(), false)
			paths := 0
			for b.Loop() {
				res, err := x.Search(now, target, Options{AllowReload: true})
				if err != nil || len(res.Paths) == 0 {
					b.Fatalf("%v, %d paths", err, len(res.Paths))
				}
				paths = len(res.Paths)
			}
			b.ReportMetric(float64(paths), "paths")
			b.ReportMetric(float64(len(r.states)), "states")
			b.ReportMetric(float64(r.seq), "labels")
		})
	}
}

func BenchmarkIndex(b *testing.B) {
	p, _ := bigPlatform(300, 5000, 2)
	for b.Loop() {
		index(b, p)
	}
}

// Cases that drawn catalogues seldom meet: what a cheaper way to the same
// release cannot do any more must not be forgotten.
func TestWhatACheaperWayCannotDo(t *testing.T) {
	hop := func(from, to string, m float64, level string) Transition {
		tr := Transition{From: from, To: to, Method: InService, Minutes: minutes(m)}
		if level != "" {
			tr.Unless = []Condition{{Firmware: &FirmwareLevel{Kind: "LINECARD", Level: level}}}
		}
		return tr
	}
	for _, c := range []struct {
		name        string
		transitions []Transition
		firmware    []Firmware
		want        []string
	}{
		{"firmware raised on the dearer way is needed later",
			[]Transition{hop("1.0", "1.1", 5, ""), hop("1.1", "1.2", 5, "2"), hop("1.0", "1.2", 2, ""), hop("1.2", "1.3", 1, "2")},
			[]Firmware{{Kind: "LINECARD", Level: "2", Minutes: 1, Needs: "1.1"}},
			[]string{"[] 1.0>1.1 in-service 5 | [LC-1:1>2/1/false] 1.1>1.2 in-service 5 | [] 1.2>1.3 in-service 1"}},
		{"firmware could be raised on the dearer way and is needed later",
			[]Transition{hop("1.0", "1.1", 5, ""), hop("1.1", "1.2", 5, ""), hop("1.0", "1.2", 2, ""), hop("1.2", "1.3", 1, "2")},
			[]Firmware{{Kind: "LINECARD", Level: "2", Minutes: 1, Needs: "1.1"}},
			[]string{"[] 1.0>1.1 in-service 5 | [LC-1:1>2/1/false] 1.1>1.2 in-service 5 | [] 1.2>1.3 in-service 1"}},
		{"firmware is not raised further before it was raised",
			[]Transition{hop("1.0", "1.1", 1, ""), hop("1.1", "1.2", 1, "2"), hop("1.2", "1.3", 1, "3")},
			[]Firmware{{Kind: "LINECARD", Level: "2"}, {Kind: "LINECARD", Level: "3", Needs: "1.0"}},
			[]string{"[LC-1:1>3/0/false] 1.0>1.1 in-service 1 | [] 1.1>1.2 in-service 1 | [] 1.2>1.3 in-service 1"}},
	} {
		p := Platform{ID: "alder-9", Scheme: twoNumbers, Transitions: c.transitions, Firmware: c.firmware,
			Releases: []Release{{Version: "1.0"}, {Version: "1.1"}, {Version: "1.2"}, {Version: "1.3"}}}
		now := Present{Platform: "alder-9", Release: "1.0", Components: []Installed{{Name: "LC-1", Kind: "LINECARD", Firmware: "1"}}}
		r := search(t, p, now, "1.3", Options{})
		var got []string
		for _, x := range r.Paths {
			got = append(got, signHops(x.Hops))
			if x.Equal != uint64(len(c.want)) {
				t.Errorf("%s: %d of equal cost, want %d", c.name, x.Equal, len(c.want))
			}
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, d)
		}
	}
}

func TestOnlyWhatLeadsOnIsRejected(t *testing.T) {
	p := alder()
	p.Transitions = append(p.Transitions[:3], Transition{From: "2.4.1", To: "3.0.0", Method: InService, Minutes: minutes(1), Unless: []Condition{{Feature: "mvpn"}}},
		// It leads on, to nothing better than what is found.
		Transition{From: "2.4.1", To: "2.3.0", Method: InService, Minutes: minutes(30), Unless: []Condition{{Feature: "mvpn"}}},
		Transition{From: "2.3.0", To: "2.6.0", Method: InService, Minutes: minutes(30)})
	p.Transitions[2].Unless = nil
	now := mere()
	now.Features = []string{"mvpn"}
	r := search(t, p, now, "2.6.0", Options{})
	if got := texts(r.Rejections); len(got) != 1 || !strings.Contains(got[0], "LC-3") || r.Omitted != 0 {
		t.Errorf("rejections %q and %d more", got, r.Omitted)
	}
	// Many are cut off, and counted.
	for range 40 {
		p.Releases = append(p.Releases, Release{Version: fmt.Sprintf("2.4.%d", 2+len(p.Releases))}, Release{Version: fmt.Sprintf("2.4.%d", 102+len(p.Releases))}, Release{Version: fmt.Sprintf("2.4.%d", 302+len(p.Releases))})
	}
	p.Transitions = append(p.Transitions, Transition{From: "2.4.1", To: "2.4.2..2.4.999", Method: InService, Minutes: minutes(1), Unless: []Condition{{Feature: "mvpn"}}}, Transition{From: "2.4.2..2.4.999", To: "2.6.0", Method: InService, Minutes: minutes(1)})
	r = search(t, p, now, "2.6.0", Options{})
	if len(r.Rejections) != maxRejections || r.Omitted != 21 {
		t.Errorf("%d rejections and %d more, want %d and 21", len(r.Rejections), r.Omitted, maxRejections)
	}
}

func TestIndexIsSafeForConcurrentUse(t *testing.T) {
	x := index(t, alder())
	now := mere()
	now.Release = "2.4.0" // not listed: the search adds it to the releases for itself
	want, err := x.Search(now, "2.6.0", Options{AllowReload: true})
	if err != nil || len(want.Paths) == 0 {
		t.Fatalf("%v, %d paths", err, len(want.Paths))
	}
	done := make(chan string)
	for range 8 {
		go func() {
			got, err := x.Search(now, "2.6.0", Options{AllowReload: true})
			if err != nil {
				done <- err.Error()
				return
			}
			done <- cmp.Diff(want, got)
		}()
	}
	for range 8 {
		if d := <-done; d != "" {
			t.Errorf("differs: %s", d)
		}
	}
}
