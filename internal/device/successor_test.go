package device_test

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/state"
)

// Of every reading that a pair of controller cards can give, one card is left
// alone, refused or asked.
//
// Source: OpenConfig gNOI system.proto, SwitchControlProcessor: no operation
// where the target is the current one, an error where it does not exist.
// Source: OpenConfig openconfig-platform, component/state/switchover-ready: both
// cards should report the same.
func TestSuccessor(t *testing.T) {
	now := time.Date(2027, 3, 2, 1, 0, 0, 0, time.UTC)
	yes, no, untold := state.Some(true), state.Some(false), state.Opt[bool]{}
	for name, x := range map[string]struct {
		card   string
		alter  func(a, b *state.Component) // the primary CTL-A and the secondary CTL-B
		want   device.Switchover
		done   bool
		kind   device.Kind
		says   string // of the fault; empty where there is none
		warned []string
	}{
		"ready": {card: "CTL-B", want: device.Switchover{Card: "CTL-B", Version: "2.4.0", Uptime: time.Hour}},
		"the primary itself": {
			card: "CTL-A", want: device.Switchover{Card: "CTL-A", Version: "2.4.1", Uptime: 2 * time.Hour}, done: true,
		},
		"the primary itself of a pair that is not ready": {
			card: "CTL-A", alter: func(a, b *state.Component) { a.SwitchoverReady, b.SwitchoverReady = no, no },
			want: device.Switchover{Card: "CTL-A", Version: "2.4.1", Uptime: 2 * time.Hour}, done: true,
		},
		"little is known": {
			card: "CTL-B", alter: func(_, b *state.Component) {
				b.Role, b.Version, b.BootTime = state.Opt[string]{}, state.Opt[string]{}, state.Opt[time.Time]{}
			},
			want: device.Switchover{Card: "CTL-B"},
		},
		"its clock is ahead": {
			card: "CTL-B", alter: func(_, b *state.Component) { b.BootTime = state.Some(now.Add(time.Second)) },
			want: device.Switchover{Card: "CTL-B", Version: "2.4.0"},
		},
		"nobody tells": {
			card: "CTL-B", alter: func(a, b *state.Component) { a.SwitchoverReady, b.SwitchoverReady = untold, untold },
			want: device.Switchover{Card: "CTL-B", Version: "2.4.0", Uptime: time.Hour}, warned: []string{"CTL-A", "CTL-B"},
		},
		"one does not tell": {
			card: "CTL-B", alter: func(a, _ *state.Component) { a.SwitchoverReady = untold },
			want: device.Switchover{Card: "CTL-B", Version: "2.4.0", Uptime: time.Hour}, warned: []string{"CTL-A"},
		},
		"the secondary is not ready": {
			card: "CTL-B", alter: func(_, b *state.Component) { b.SwitchoverReady = no }, kind: device.Refused, says: "CTL-B says",
		},
		"the primary says that it is not": {
			card: "CTL-B", alter: func(a, _ *state.Component) { a.SwitchoverReady = no }, kind: device.Refused, says: "CTL-A says",
		},
		"one does not tell and the other is not ready": {
			card: "CTL-B", alter: func(a, b *state.Component) { a.SwitchoverReady, b.SwitchoverReady = untold, no },
			kind: device.Refused, says: "CTL-B says", warned: []string{"CTL-A"},
		},
		"no such card": {card: "CTL-C", kind: device.Missing, says: `"CTL-C"`},
		"no name":      {card: "", kind: device.Missing, says: `""`},
		"a line card":  {card: "LC-1", kind: device.Ours, says: "LC-1 is a " + state.KindLineCard},
	} {
		t.Run(name, func(t *testing.T) {
			c := &state.Capture{Components: []state.Component{
				{Name: "CTL-A", Kind: state.KindControllerCard, Role: state.Some(state.Primary), Version: state.Some("2.4.1"), SwitchoverReady: yes, BootTime: state.Some(now.Add(-2 * time.Hour))},
				{Name: "CTL-B", Kind: state.KindControllerCard, Role: state.Some(state.Secondary), Version: state.Some("2.4.0"), SwitchoverReady: yes, BootTime: state.Some(now.Add(-time.Hour))},
				{Name: "LC-1", Kind: state.KindLineCard, SwitchoverReady: no},
			}}
			if x.alter != nil {
				x.alter(&c.Components[0], &c.Components[1])
			}
			var log bytes.Buffer
			got, done, err := device.Successor(c, x.card, now, slog.New(slog.NewTextHandler(&log, nil)))
			if got != x.want || done != x.done {
				t.Errorf("got %+v, done %v; want %+v, %v", got, done, x.want, x.done)
			}
			switch {
			case x.says == "" && err != nil:
				t.Errorf("got %v, want no fault", err)
			case x.says != "" && (err == nil || device.KindOf(err) != x.kind || !strings.HasPrefix(err.Error(), "switch over: ") || !strings.Contains(err.Error(), x.says)):
				t.Errorf("got %v, want the kind %q and %s", err, x.kind, x.says)
			}
			if n := strings.Count(log.String(), "\n"); n != len(x.warned) {
				t.Errorf("%d warnings, want %d:\n%s", n, len(x.warned), log.String())
			}
			for _, card := range x.warned {
				if !strings.Contains(log.String(), "level=WARN") || !strings.Contains(log.String(), "card="+card) {
					t.Errorf("no warning names %s:\n%s", card, log.String())
				}
			}
		})
	}
}
