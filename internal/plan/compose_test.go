package plan

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/state"

	"pgregory.net/rapid"
)

const (
	cardA = "CTL-A"
	cardB = "CTL-B"
)

// inputs makes a change of the invented chassis along the releases; methods
// has one entry per hop.
func inputs(methods []string, per, dual bool, cards int) Inputs {
	pol := policy.Default()
	pol.HoldPoints = []policy.HoldPoint{{Before: "staging"}, {Before: "upgrade-run"}, {Before: "acceptance"}}
	in := Inputs{Device: fleet.Device{ID: "mere-agg-1"}, Platform: release.Platform{ID: "alder-9", PerController: per}, Policy: pol, Now: time.Unix(0, 0),
		Layout: Layout{Primary: cardA, Releases: map[string]string{}, BootNext: map[string]string{}}}
	if dual {
		in.Layout.Secondary = cardB
	}
	for i := range cards {
		in.Layout.LineCards = append(in.Layout.LineCards, fmt.Sprintf("LC-%d", i+1))
	}
	for i, m := range methods {
		h := release.Hop{From: version(i), To: version(i + 1), Method: m, Minutes: release.Spread{Least: 10, Likely: 20, Most: 40}}
		if m == release.InService {
			h.Silence = &release.SilenceRange{Least: time.Second, Likely: 2 * time.Second, Most: 3 * time.Second}
		}
		if i == 1 && cards > 0 {
			h.Firmware = []release.FirmwareStep{{Component: "LC-1", From: "1.7", To: "1.9", Minutes: 12, Image: release.Image{Kind: "firmware", File: "lc-1.9.pkg", Size: 8}}}
		}
		in.Path.Hops = append(in.Path.Hops, h)
		in.Hops = append(in.Hops, HopInput{Back: m, Images: []release.Image{{Kind: release.ImageSystem, File: "alder-9-" + h.To + ".pkg", Size: 64, SHA256: "00"}},
			Removals: []Removal{{Controller: cardA, File: "old-" + h.To, Size: 9}}})
	}
	return in
}

func version(i int) string { return fmt.Sprintf("4.%d.0", i+1) }

// shape draws what a plan is composed from.
func shape(t *rapid.T) Inputs {
	dual := rapid.Bool().Draw(t, "dual")
	per := dual && rapid.Bool().Draw(t, "per-controller")
	n := rapid.IntRange(1, 4).Draw(t, "hops")
	methods := make([]string, n)
	for i := range methods {
		methods[i] = release.Reload
		if dual && rapid.Bool().Draw(t, "in-service") {
			methods[i] = release.InService
		}
	}
	in := inputs(methods, per, dual, rapid.IntRange(0, 4).Draw(t, "line cards"))
	for i := range in.Hops {
		kinds := []string{"set-timers", "suspend", "drain"}
		if methods[i] == release.Reload {
			kinds = []string{"drain"}
		}
		in.Hops[i].Prepare = preparations(t, kinds)
	}
	return in
}

// preparations draws none, some, or a drain, at one end or several.
func preparations(t *rapid.T, kinds []string) (out []Preparation) {
	for n := range rapid.IntRange(0, 3).Draw(t, "preparations") {
		p := Preparation{Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Settle: time.Duration(n) * time.Minute,
			Shows: []Condition{{FactWaitsFor, "bfd 192.0.2.1", "9s"}}}
		for _, e := range []End{{}, {On: "mere-agg-2"}, {On: "weir-1", ByHand: true}} {
			if rapid.Bool().Draw(t, "end") {
				// Two preparations may meet at one setting.
				e.Settings = []state.Setting{{Protocol: state.BFD, Interface: fmt.Sprintf("lag-%d", n/2), Parameter: state.ParamDetectMult, Value: fmt.Sprint(5 + n)}}
				p.Ends = append(p.Ends, e)
			}
		}
		if len(p.Ends) > 0 {
			out = append(out, p)
		}
	}
	return out
}

// twin is a device that does what each step asks of it and nothing else. It
// knows nothing of how steps are composed.
type twin struct {
	per                bool
	primary, secondary string
	runs, next         map[string]string
	holds              map[string]bool
	firmware, loaded   map[string]string
	files              map[string]bool
	ready              bool
	acts               []string
	set                map[string]string // device and setting, → value; what is not there was never set
	held               []Held
	hops               []HopPlan
}

func newTwin(in Inputs) *twin {
	d := &twin{per: in.Platform.PerController, primary: in.Layout.Primary, secondary: in.Layout.Secondary, runs: map[string]string{}, next: map[string]string{},
		holds: map[string]bool{}, firmware: map[string]string{}, loaded: map[string]string{}, files: map[string]bool{}, ready: true, set: map[string]string{}}
	for _, n := range d.all(in.Layout.LineCards) {
		d.runs[n] = in.Path.Hops[0].From
	}
	for _, n := range d.all(nil) {
		d.next[n] = in.Path.Hops[0].From
		d.holds[n+in.Path.Hops[0].From] = true
	}
	for _, h := range in.Hops {
		for _, r := range h.Removals {
			d.files[r.Controller+r.File] = true
		}
	}
	return d
}

func (d *twin) all(lineCards []string) []string {
	out := append([]string{d.primary}, lineCards...)
	if d.secondary != "" {
		out = append(out, d.secondary)
	}
	return out
}

// adjust does what a person or a device does at a step's ends.
func (d *twin) adjust(s Step) {
	for _, e := range s.Ends {
		for _, x := range e.Settings {
			key := string(e.On) + x.Key().Text()
			i := Holding(d.held, e.On, x)
			switch undo := s.Undo || s.Kind == Restore; {
			case undo && i >= 0:
				delete(d.set, key)
				d.held = slices.Delete(d.held, i, i+1)
			case !undo:
				d.set[key] = x.Value
				if i < 0 {
					d.held = append(d.held, Held{On: e.On, ByHand: e.ByHand, Found: x.Key(), Wanted: x})
				}
			}
		}
	}
}

// wanted reports whether everything that a hop's hand-over is prepared by is
// set.
func (d *twin) wanted(ps []Preparation) bool {
	for _, hand := range []bool{false, true} {
		for _, e := range gather(ps, hand) {
			for _, x := range e.Settings {
				if d.set[string(e.On)+x.Key().Text()] != x.Value {
					return false
				}
			}
		}
	}
	return true
}

func (d *twin) do(s Step) {
	d.adjust(s)
	if !s.Kind.Changes() {
		return
	}
	d.acts = append(d.acts, string(s.Kind)+" "+s.Component)
	switch s.Kind {
	case RemoveFile:
		delete(d.files, s.Component+s.File)
	case TransferPackage:
		d.holds[s.Component+s.Release] = true
		if !d.per {
			d.holds[d.primary+s.Release], d.holds[d.secondary+s.Release] = true, true
		}
	case TransferFirmware:
		d.files[d.primary+s.File] = true
		d.loaded[s.Component] = s.Release
	case PrepareBoot:
		d.next[s.Component] = s.Release
		if !d.per {
			d.next[d.primary], d.next[d.secondary] = s.Release, s.Release
		}
	case LoadSecondary:
		d.runs[s.Component] = s.Release
		if d.per {
			d.next[s.Component] = s.Release
		} else {
			d.runs[s.Component] = d.next[s.Component]
		}
	case LoadFirmware:
		d.firmware[s.Component] = d.loaded[s.Component]
	case SwitchOver:
		d.primary, d.secondary = d.secondary, d.primary
	case LoadLineCard:
		d.runs[s.Component] = d.runs[d.primary]
	case ReloadDevice:
		for n := range d.runs {
			d.runs[n] = d.next[d.primary]
			if strings.HasPrefix(n, "CTL") {
				d.runs[n] = d.next[n]
			}
		}
		for n, v := range d.loaded {
			d.firmware[n] = v
		}
	default:
	}
}

func (d *twin) holdsNow(c Condition) bool {
	role := map[string]string{d.primary: state.Primary, d.secondary: state.Secondary}
	switch c.Fact {
	case FactSetting, FactPutBack:
		for k, v := range d.set {
			on, _, _ := strings.Cut(k, state.BFD)
			if on == "" {
				on = "mere-agg-1"
			}
			if on == c.Component && strings.HasPrefix(c.Value, strings.TrimPrefix(strings.TrimSuffix(k, " (its default)"), strings.TrimSuffix(on, "mere-agg-1"))) && strings.HasSuffix(c.Value, " "+v) {
				return c.Fact == FactSetting
			}
		}
		return c.Fact == FactPutBack
	case FactWaitsFor, FactWaits, FactActs:
		return true // no adjacencies here
	case FactRole:
		return role[c.Component] == c.Value
	case FactRelease:
		return d.runs[c.Component] == c.Value
	case FactReady:
		return c.Component == d.secondary
	case FactOper, FactRestarted:
		return true
	case FactInstalled:
		return d.holds[c.Component+c.Value]
	case FactBootNext:
		return d.next[c.Component] == c.Value
	case FactNoFile:
		return !d.files[c.Component+c.Value]
	case FactFileStaged:
		return d.files[c.Component+c.Value]
	case FactFirmware:
		return d.firmware[c.Component] == c.Value
	case FactSystem:
		return d.runs[d.primary] == c.Value
	}
	return false
}

func (d *twin) layout(in Inputs) Layout {
	l := Layout{Primary: d.primary, Secondary: d.secondary, LineCards: in.Layout.LineCards, Releases: map[string]string{}, BootNext: map[string]string{}}
	for n, v := range d.runs {
		l.Releases[n] = v
	}
	for n, v := range d.next {
		l.BootNext[n] = v
	}
	return l
}

// follow does the steps on the twin and requires what each needs and promises.
func follow(t *rapid.T, d *twin, steps []Step) {
	for _, s := range steps {
		for _, c := range s.Before {
			if !d.holdsNow(c) {
				t.Fatalf("before %s: not so: %s", s.ID, c.Text())
			}
		}
		if s.Kind == SwitchOver && !d.wanted(d.hops[s.Hop].Prepare) {
			t.Fatalf("%s hands over unprepared: %v", s.ID, d.set)
		}
		d.do(s)
		for _, c := range s.After {
			if !d.holdsNow(c) {
				t.Fatalf("after %s: not so: %s", s.ID, c.Text())
			}
		}
	}
}

// Every step's conditions can be met by a device that does what it is asked,
// and in the end every component runs the target.
func TestPlanReachesTheTarget(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := shape(t)
		p, err := Compose(in)
		if err != nil {
			t.Fatal(err)
		}
		d := newTwin(in)
		d.hops = p.Hops
		follow(t, d, p.Steps)
		if len(d.set)+len(d.held) > 0 {
			t.Errorf("in the end it is still set: %v", d.set)
		}
		for n, v := range d.runs {
			if v != p.To {
				t.Errorf("%s runs %s in the end, want %s", n, v, p.To)
			}
		}
	})
}

// Each hop has one point of no return and its hold points, ids are unique, and
// each step that changes the device has a deadline that its law fits into.
func TestPlanShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := shape(t)
		p, err := Compose(in)
		if err != nil {
			t.Fatal(err)
		}
		ids := map[string]bool{}
		turn, holds, accepts := map[int]int{}, map[int][]Phase{}, map[int]int{}
		hop, phase := 0, 0
		for _, s := range p.Steps {
			if ids[s.ID] {
				t.Errorf("two steps have the id %s", s.ID)
			}
			ids[s.ID] = true
			if s.Hop != hop {
				if s.Hop != hop+1 {
					t.Errorf("step %s of hop %d follows hop %d", s.ID, s.Hop, hop)
				}
				hop, phase = s.Hop, 0
			}
			if at := slices.Index(Phases(), s.Phase); at < phase {
				t.Errorf("step %s goes back to phase %s", s.ID, s.Phase)
			} else {
				phase = at
			}
			if s.PointOfNoReturn {
				turn[s.Hop]++
			}
			if s.Kind == Hold && len(s.Ends) == 0 {
				holds[s.Hop] = append(holds[s.Hop], s.Phase)
			}
			if s.Kind == AcceptHop {
				accepts[s.Hop]++
			}
			if s.Kind != Hold && s.Deadline <= 0 || s.Expect.Least > s.Expect.Likely || s.Expect.Likely > s.Expect.Most {
				t.Errorf("step %s: deadline %v, law %+v", s.ID, s.Deadline, s.Expect)
			}
			if s.Kind.Touches() && s.OnFail == Stop {
				t.Errorf("step %s alters how the device runs, and its failure would only end the run", s.ID)
			}
		}
		for i := range in.Path.Hops {
			if turn[i] != 1 || accepts[i] != 1 {
				t.Errorf("hop %d has %d points of no return and is accepted %d times, want one each", i, turn[i], accepts[i])
			}
			if want := []Phase{Staging, UpgradeRun, Acceptance}; !slices.Equal(holds[i], want) {
				t.Errorf("hop %d is held before %v, the policy says %v", i, holds[i], want)
			}
		}
	})
}

// From wherever a hop was left, the way back ends with everything at the
// release that the hop began with; it touches only what is not there, and
// switches over only where the primary left it.
func TestWayBackFromAnywhere(t *testing.T) {
	none := 0
	rapid.Check(t, func(t *rapid.T) {
		in := shape(t)
		p, err := Compose(in)
		if err != nil {
			t.Fatal(err)
		}
		stop := rapid.IntRange(0, len(p.Steps)-1).Draw(t, "left before step")
		hop := p.Steps[stop].Hop
		d := newTwin(in)
		d.hops = p.Hops
		follow(t, d, p.Steps[:stop])
		old := p.Hops[hop].From
		was := d.layout(in)
		d.acts = nil
		steps, err := WayBack(p, hop, was, in.Policy, d.held)
		if err != nil {
			t.Fatal(err)
		}
		follow(t, d, steps)
		if len(d.set)+len(d.held) > 0 {
			t.Errorf("after the way back it is still set: %v", d.set)
		}
		for n, v := range d.runs {
			if v != old {
				t.Errorf("%s runs %s after the way back, want %s", n, v, old)
			}
		}
		restarted := slices.ContainsFunc(d.acts, func(a string) bool { return strings.HasPrefix(a, string(ReloadDevice)) })
		for _, s := range steps {
			if s.Kind == RemoveFile || s.Kind == TransferPackage || s.Kind == AcceptHop || s.Kind == Hold && len(s.Ends) == 0 {
				t.Errorf("the way back has a step of kind %s", s.Kind)
			}
			if s.OnFail != Pause || !strings.HasPrefix(s.ID, "back-") {
				t.Errorf("step %s of the way back: on failure %s", s.ID, s.OnFail)
			}
			if s.Kind == LoadLineCard && was.Releases[s.Component] == old {
				t.Errorf("%s was never changed and is restarted", s.Component)
			}
		}
		if was.Releases[was.Primary] == old {
			none++
			if restarted || slices.ContainsFunc(d.acts, func(a string) bool { return strings.HasPrefix(a, string(SwitchOver)) }) {
				t.Errorf("the primary never left %s: %v", old, d.acts)
			}
		}
		if p.Hops[hop].Method == release.InService && restarted {
			t.Errorf("the whole device is restarted on the way back from an in-service hop: %v", d.acts)
		}
	})
	if none == 0 {
		t.Error("no case was drawn in which the primary never left the release")
	}
}

func TestNoWayBack(t *testing.T) {
	in := inputs([]string{release.InService}, true, true, 1)
	p, err := Compose(in)
	if err != nil {
		t.Fatal(err)
	}
	now := Layout{Primary: cardB, Releases: map[string]string{cardB: version(1), "LC-1": version(0)}, LineCards: []string{"LC-1"}}
	if steps, err := WayBack(p, 0, now, in.Policy, nil); err == nil {
		t.Errorf("with one card gone an outage was planned without a word: %d steps", len(steps))
	} else if !strings.Contains(err.Error(), "without an outage") {
		t.Errorf("got %v, want it to say that going back is an outage", err)
	}
	p.Hops[0].Back, p.Hops[0].NoBack = "", "the catalogue forbids it"
	if _, err := WayBack(p, 0, now, in.Policy, nil); err == nil || !strings.Contains(err.Error(), "the catalogue forbids it") {
		t.Errorf("got %v, want the catalogue's reason", err)
	}
	now.Releases[cardB] = version(0)
	if _, err := WayBack(p, 0, now, in.Policy, nil); err != nil {
		t.Errorf("the primary never left: %v", err)
	}
}

func TestComposeErrors(t *testing.T) {
	good := func() Inputs { return inputs([]string{release.InService}, true, true, 1) }
	for _, c := range []struct {
		name, want string
		spoil      func(*Inputs)
	}{
		{"no hops", "already runs the target", func(in *Inputs) { in.Path.Hops = nil }},
		{"findings missing", "1 hops and the findings of 0", func(in *Inputs) { in.Hops = nil }},
		{"no system image", "nothing to install", func(in *Inputs) { in.Hops[0].Images = nil }},
		{"one controller card", "needs two controller cards", func(in *Inputs) { in.Layout.Secondary = "" }},
	} {
		in := good()
		c.spoil(&in)
		if _, err := Compose(in); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want an error with %q", c.name, err, c.want)
		}
	}
	if _, err := Compose(good()); err != nil {
		t.Errorf("unspoilt: %v", err)
	}
}

// A consent is given to a digest: any change of the plan must change it.
func TestDigest(t *testing.T) {
	p, err := Compose(inputs([]string{release.InService}, true, true, 1))
	if err != nil {
		t.Fatal(err)
	}
	first, err := p.Digest()
	if err != nil {
		t.Fatal(err)
	}
	again, _ := p.Digest()
	if first != again || len(first) != 64 {
		t.Errorf("digests %q and %q of one plan", first, again)
	}
	for i := range p.Steps {
		p.Steps[i].Deadline++
		if other, _ := p.Digest(); other == first {
			t.Errorf("the deadline of step %s does not count", p.Steps[i].ID)
		}
		p.Steps[i].Deadline--
	}
}
