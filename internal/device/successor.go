package device

import (
	"fmt"
	"log/slog"
	"time"

	"towpath/internal/state"
)

// Successor reads, from the components of c, whether the named controller card
// may be asked to take over. done is true where it is the primary already, and
// nothing is left to ask; s then is the answer to the switchover. Otherwise s is
// what is known of the card, with the time between its boot and now.
//
// A card that c does not have is Missing, a component of another kind Ours, and
// Refused where any controller card says that the pair is not ready. One that
// does not tell is asked all the same: log is warned.
//
// Source: OpenConfig gNOI system.proto, SwitchControlProcessor: to the primary
// itself it does nothing, and a target that does not exist is an error.
func Successor(c *state.Capture, card string, now time.Time, log *slog.Logger) (s Switchover, done bool, err error) {
	const op = "switch over"
	k, ok := c.Component(card)
	if !ok {
		return Switchover{}, false, &Fault{Kind: Missing, Op: op, Text: fmt.Sprintf("there is no component %q", card)}
	}
	if k.Kind != state.KindControllerCard {
		return Switchover{}, false, &Fault{Kind: Ours, Op: op, Text: fmt.Sprintf("%s is a %s, want a controller card", card, k.Kind)}
	}
	s = Switchover{Card: card, Version: k.Version.Or("")}
	if boot, known := k.BootTime.Get(); known {
		s.Uptime = max(0, now.Sub(boot))
	}
	if k.Role.Or("") == state.Primary {
		return s, true, nil
	}
	for _, other := range c.Controllers() {
		ready, known := other.SwitchoverReady.Get()
		switch {
		case !known:
			log.Warn("the device does not tell whether it is ready for a switchover", "card", other.Name)
		case !ready:
			return Switchover{}, false, &Fault{Kind: Refused, Op: op, Text: other.Name + " says that the pair is not ready for a switchover"}
		}
	}
	return s, false, nil
}
