package app

import (
	"context"
	"errors"
	"strings"
	"testing"

	"towpath/internal/device"
	"towpath/internal/fleet"
	"towpath/internal/state"
)

// verifier is a device that answers, or does not.
type verifier struct {
	device.Device
	err error
}

func (v verifier) Verify(context.Context) (device.Verification, error) {
	return device.Verification{}, v.err
}

// TestConsoleLineIsTried finds out whether the console answers where the device
// is driven over it.
func TestConsoleLineIsTried(t *testing.T) {
	line := &fleet.ConsoleLine{Address: "con.example:7003"}
	behind := &fleet.ConsoleLine{Address: "con.example:7003", Jump: []fleet.JumpHost{{Address: "hop.example:22"}}}
	two := &fleet.ConsoleLine{Controllers: []fleet.ControllerConsole{{Controller: "CTL-A", Address: "con.example:7003"}, {Controller: "CTL-B", Address: "fen.example:7003"}}}
	half := &fleet.ConsoleLine{Controllers: []fleet.ControllerConsole{two.Controllers[0], {Controller: "CTL-B", Address: "fen.example:7003", Jump: behind.Jump}}}
	gone := errors.New("gone")
	for name, c := range map[string]struct {
		d     fleet.Device
		dev   device.Device
		reach error
		asked string
		want  state.Opt[bool]
	}{
		"none":                                 {fleet.Device{}, nil, nil, "", state.Opt[bool]{}},
		"a line, no connection":                {fleet.Device{Access: fleet.Access{Console: line}}, nil, nil, "con.example:7003", state.Some(true)},
		"a line that does not answer":          {fleet.Device{Access: fleet.Access{Console: line}}, verifier{err: gone}, gone, "con.example:7003", state.Some(false)},
		"behind a jump host":                   {fleet.Device{Access: fleet.Access{Console: behind}}, nil, nil, "", state.Opt[bool]{}},
		"behind a jump host, spoken to":        {fleet.Device{Access: fleet.Access{Console: behind}}, verifier{}, gone, "", state.Some(true)},
		"a line for each card":                 {fleet.Device{Access: fleet.Access{Console: two}}, nil, nil, "con.example:7003 fen.example:7003", state.Some(true)},
		"one of them behind a jump host":       {fleet.Device{Access: fleet.Access{Console: half}}, verifier{}, nil, "", state.Opt[bool]{}},
		"one of two dead, and it is spoken to": {fleet.Device{Access: fleet.Access{Console: two}}, verifier{}, gone, "con.example:7003", state.Some(false)},
		"another way in besides":               {fleet.Device{Console: fleet.Console{Address: "oob.example:23"}, Access: fleet.Access{Console: behind}}, verifier{}, gone, "oob.example:23", state.Some(false)},
	} {
		asked := ""
		a := &App{Reach: func(_ context.Context, at string) error {
			asked = strings.TrimSpace(asked + " " + at)
			return c.reach
		}}
		o := a.observe(context.Background(), c.dev, c.d, &Prepared{Capture: &state.Capture{}})
		if o.Console != c.want || asked != c.asked {
			t.Errorf("%s: got %v, tried %q; want %v, %q", name, o.Console, asked, c.want, c.asked)
		}
	}
}
