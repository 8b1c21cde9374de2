package lab

import (
	"time"

	"towpath/internal/fleet"
)

// The kinds of act.
const (
	ActInstall      = "install"
	ActActivate     = "activate"
	ActSwitchOver   = "switch-over"
	ActReboot       = "reboot"
	ActCancelReboot = "cancel-reboot"
	ActRemove       = "remove"
	ActPut          = "put"
	ActSetPackage   = "set-package"
	ActSet          = "set"
)

// Act is one request to change a device, as the device received it.
type Act struct {
	Device    fleet.DeviceID
	Sequence  int // from 1, per device
	Kind      string
	Time      time.Time // by the lab's clock
	Real      time.Time
	Arguments string
	Changed   bool   // whether it changed anything
	Outcome   string // "running", "ok", or the error as answered
}

// act notes an act at its reception. The chassis's lock is held.
func (c *Chassis) act(kind, arguments string) *Act {
	a := &Act{
		Device: c.cfg.ID, Sequence: len(c.acts) + 1, Kind: kind,
		Time: c.clock.Now(), Real: time.Now(), Arguments: arguments, Outcome: "running",
	}
	c.acts = append(c.acts, a)
	return a
}

// Acts returns what the device was asked to do, in order of reception.
func (c *Chassis) Acts() []Act {
	c.mu.Lock()
	defer c.mu.Unlock()
	out := make([]Act, len(c.acts))
	for i, a := range c.acts {
		out[i] = *a
	}
	return out
}

// Silence is one time in which the control plane sent nothing.
type Silence struct {
	Device   fleet.DeviceID
	Cause    string
	Start    time.Time     // by the lab's clock
	Duration time.Duration // by the lab's clock, measured; zero while it lasts
	Real     time.Duration // by ours
	realFrom time.Time
}

// Silences returns the silences really kept so far.
func (c *Chassis) Silences() []Silence {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]Silence(nil), c.silences...)
}
