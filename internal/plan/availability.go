package plan

import (
	"time"

	"towpath/internal/fleet"
)

// AvailabilityCost is what the campaign takes from the year's budget of downtime,
// beside what failures take of it anyway.
type AvailabilityCost struct {
	// Target is the availability asked for, between 0 and 1; Budget the downtime
	// that it leaves in a year of 365.25 days.
	Target float64       `json:"target"`
	Budget time.Duration `json:"budget_ns"`
	// Between is the mean operating time between failures of one device, Repair
	// the mean time to restore it, Device the availability that follows.
	Between time.Duration `json:"between_failures_ns"`
	Repair  time.Duration `json:"repair_ns"`
	Device  float64       `json:"device_availability"`
	// Teams are in the order of what the campaign takes from them, the most first.
	Teams []TeamCost `json:"teams"`
}

// TeamCost is the cost for one redundancy group, or for one device that is in
// none.
type TeamCost struct {
	Name    string   `json:"name"`
	Members int      `json:"members"`
	AtLeast int      `json:"at_least"`
	Serves  []string `json:"serves,omitempty"` // who depends on its devices, sorted
	// Worked are its devices that the campaign changes, in the order of the nights.
	Worked []fleet.DeviceID `json:"worked"`
	// Failures is the downtime of a year that failures cause, no device being
	// worked on: fewer than AtLeast of Members are up.
	Failures time.Duration `json:"failures_ns"`
	// Restarts is the downtime that the campaign adds where a device is out only
	// while it restarts as a whole; Work that where it is out from the start of its
	// work until its mean end, drained and not to be relied on. The truth lies
	// between them as long as a hand-over of the control plane is survived.
	Restarts time.Duration `json:"restarts_ns"`
	Work     time.Duration `json:"work_ns"`
}
