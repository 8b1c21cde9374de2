package plan

import (
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/release"

	"pgregory.net/rapid"
)

// What the timing says of undoing the steps of a hop is what the way back takes
// from where the device twin stands after them: no less, and no more where no
// settings are held.
func TestTimingIsThatOfTheWayBack(t *testing.T) {
	exact := 0
	rapid.Check(t, func(t *rapid.T) {
		in := shape(t)
		p, err := Compose(in)
		if err != nil {
			t.Fatal(err)
		}
		consent := Law{time.Minute, 3 * time.Minute, 9 * time.Minute}
		steps, learned, noBack := p.Timing(TimingOptions{Layout: in.Layout, Policy: in.Policy, Consent: consent})
		if noBack != "" || learned != 0 || len(steps) != len(p.Steps) {
			t.Fatalf("%d of %d steps, learned %d, no way back: %q", len(steps), len(p.Steps), learned, noBack)
		}
		stop := rapid.IntRange(0, len(p.Steps)-1).Draw(t, "left after step")
		hop := p.Steps[stop].Hop
		d := newTwin(in)
		d.hops = p.Hops
		follow(t, d, p.Steps[:stop+1])
		var got Law
		touched := false
		for i := 0; i <= stop; i++ {
			s := steps[i]
			if s.ID != p.Steps[i].ID || s.Rest != (p.Steps[i].Kind == AcceptHop) || s.PointOfNoReturn != p.Steps[i].PointOfNoReturn {
				t.Fatalf("step %d is %+v, in the plan %+v", i, s, p.Steps[i])
			}
			if p.Steps[i].Kind == Hold && (s.Law.Likely != consent.Likely || s.Law.Most != consent.Most) {
				t.Fatalf("the hold point %s takes %+v, people take %+v", s.ID, s.Law, consent)
			}
			if p.Steps[i].Hop == hop {
				touched = touched || p.Steps[i].Kind.Touches() || len(p.Steps[i].Ends) > 0
				got = got.plus(Law{s.Rollback.Least, s.Rollback.Likely, s.Rollback.Most})
			}
		}
		if !touched {
			if got != (Law{}) {
				t.Fatalf("nothing is touched by step %d, and undoing takes %+v", stop, got)
			}
			return
		}
		way, err := WayBack(p, hop, d.layout(in), in.Policy, d.held)
		if err != nil {
			t.Fatal(err)
		}
		var want Law
		for _, s := range way {
			l := s.Expect
			if s.Kind == Hold {
				l = consent
			}
			o := timed(l)
			want = want.plus(Law{o.Least, o.Likely, o.Most})
		}
		prepared := slices.ContainsFunc(p.Steps[:stop+1], func(s Step) bool { return s.Hop == hop && s.Kind == Prepare || len(s.Ends) > 0 })
		if got.Likely < want.Likely || got.Most < want.Most {
			t.Fatalf("after step %s undoing takes %+v, the way back %+v", p.Steps[stop].ID, got, want)
		}
		if !prepared {
			exact++
			if got != want {
				t.Fatalf("after step %s undoing takes %+v, the way back %+v", p.Steps[stop].ID, got, want)
			}
		}
	})
	if exact == 0 {
		t.Error("no case was drawn without preparations")
	}
}

func TestTimingLearnsAndSaysWhereThereIsNoWayBack(t *testing.T) {
	in := inputs([]string{release.InService}, true, true, 1)
	in.Hops[0].Back, in.Hops[0].NoBack = "", "the boot image is one-way"
	p, err := Compose(in)
	if err != nil {
		t.Fatal(err)
	}
	opt := TimingOptions{Layout: in.Layout, Policy: in.Policy, Measured: func(s Step) []time.Duration {
		if s.Kind == LoadLineCard {
			return []time.Duration{2 * time.Minute, 3 * time.Minute}
		}
		return nil
	}}
	steps, learned, noBack := p.Timing(opt)
	if learned != 2 || !strings.Contains(noBack, "the boot image is one-way") {
		t.Errorf("learned %d, no way back: %q", learned, noBack)
	}
	n := 0
	for i, s := range p.Steps {
		if s.Kind == LoadLineCard {
			n++
			if got := steps[i].Law.Samples; len(got) != 2 {
				t.Errorf("%s has the samples %v", s.ID, got)
			}
		}
	}
	if n != 1 {
		t.Fatalf("%d line cards, want one", n)
	}
}

func TestTimedPutsInOrder(t *testing.T) {
	// A grace shorter than a comparison is likely to take.
	if got := timed(Law{2, 5, 3}); got.Least != 2 || got.Likely != 3 || got.Most != 5 || got.Check() != nil {
		t.Errorf("%+v", got)
	}
	if got := timed(Law{1, 2, 3}); got.Least != 1 || got.Likely != 2 || got.Most != 3 {
		t.Errorf("%+v", got)
	}
}

func TestAssumedLayout(t *testing.T) {
	d := fleet.Device{Components: []fleet.Component{{Name: "CTL-0", Kind: "CONTROLLER_CARD"}, {Name: "LC-1", Kind: "LINECARD"}, {Name: "CTL-1", Kind: "CONTROLLER_CARD"}, {Name: "FAN", Kind: "FAN"}}}
	l, assumed := AssumedLayout(d, true)
	if l.Primary != "CTL-0" || l.Secondary != "CTL-1" || !slices.Equal(l.LineCards, []string{"LC-1"}) || len(assumed) != 0 {
		t.Errorf("%+v %v", l, assumed)
	}
	l, assumed = AssumedLayout(fleet.Device{}, true)
	if l.Primary == "" || l.Secondary == "" || len(assumed) != 2 {
		t.Errorf("%+v %v", l, assumed)
	}
	if l, assumed = AssumedLayout(fleet.Device{}, false); l.Secondary != "" || len(assumed) != 1 {
		t.Errorf("%+v %v", l, assumed)
	}
}
