// Package app holds the use cases of Towpath and the runner that performs the
// moves of a run. It knows no concrete adapter: drivers, database, sockets and
// the lab are handed to it by cmd/towpath through the small interfaces here.
//
// Read [App] first, then [Conductor].
package app

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/fleet"
	"towpath/internal/plan"
)

// RunRow is one run as the store keeps it.
type RunRow struct {
	ID      string          `json:"id"`
	Device  string          `json:"device"`
	Begun   time.Time       `json:"begun"`
	Verdict string          `json:"verdict"` // empty while it goes on or after a crash
	Input   json.RawMessage `json:"-"`       // a [RunInput]
}

// Store keeps runs, journals, artefacts and messages, and conducts durably.
type Store interface {
	Create(ctx context.Context, r RunRow) error
	Get(ctx context.Context, id string) (RunRow, error)
	Runs(ctx context.Context) ([]RunRow, error)
	SetVerdict(ctx context.Context, run, verdict string) error
	Journal(ctx context.Context, run string) ([]json.RawMessage, error)
	SetArtefact(ctx context.Context, run, name string, body []byte) error
	Artefact(ctx context.Context, run, name string) (body []byte, ok bool, err error)
	Artefacts(ctx context.Context, run, prefix string) ([]string, error)
	Send(ctx context.Context, run, topic string, body []byte) error
	// Conduct runs body durably; a second process gets an error at once.
	Conduct(ctx context.Context, run string, body func(context.Context, Journal) (string, error)) (string, error)
	Close() error
}

// Journal is the durable side of one run while it is conducted.
type Journal interface {
	// Do returns the record kept under key, or calls f, keeps its result and
	// returns it. The record is durable before Do returns.
	Do(ctx context.Context, seq int, key string, f func(context.Context) ([]byte, error)) ([]byte, error)
	// Take returns the oldest message of the topic that was not taken.
	Take(ctx context.Context, topic string) (id int64, body []byte, ok bool, err error)
	// Taken marks a message as acted upon.
	Taken(ctx context.Context, id int64) error
}

// Images opens the content of image files.
type Images interface {
	// Open returns the content from the offset on. An image that is not there is
	// an error that wraps [ErrNoImage].
	Open(im plan.ImageRef, offset int64) (io.ReadCloser, error)
}

// Dialer opens the connection to a device of the fleet.
type Dialer func(ctx context.Context, d fleet.Device) (device.Device, error)

// Asker asks people. Both calls block until somebody answers, ctx ends, or it
// is clear that nobody will ([ErrNobody]).
type Asker interface {
	Consent(ctx context.Context, st *conduct.State, step plan.Step) (Consent, error)
	Choose(ctx context.Context, st *conduct.State) (Choice, error)
}

// Consent is a person's answer at a hold point.
type Consent struct {
	Person  string `json:"person"`
	Granted bool   `json:"granted"`
	Note    string `json:"note,omitempty"`
	// After is the journal's last record when a message with the answer was
	// left: an answer to an earlier question is never taken for one to a later.
	After int `json:"after,omitempty"`
}

// Choice is a person's answer when a run is paused.
type Choice struct {
	Person string         `json:"person"`
	Choice conduct.Choice `json:"choice"`
	// Reason is why a guard is waived; it must not be empty where one is.
	Reason string `json:"reason,omitempty"`
	// After is as in [Consent].
	After int `json:"after,omitempty"`
}

// The errors that end a session of a run without ending the run.
var (
	// ErrNobody says that nobody is there to answer.
	ErrNobody = errors.New("nobody is there to answer")
	// ErrPaused says that the run waits for a person's choice.
	ErrPaused = errors.New("the run is paused and waits for a person")
	// ErrHeld says that the run waits at a hold point.
	ErrHeld = errors.New("the run stands at a hold point and waits for consent")
	// ErrRecords says that the folder that runs are kept in cannot be used.
	ErrRecords = errors.New("the records of runs cannot be used")
	// ErrNoImage says that an image file is missing.
	ErrNoImage = errors.New("image not found")
)

// RunInput is what a run was begun with; it never changes afterwards.
type RunInput struct {
	Plan      *plan.Plan      `json:"plan"`
	Policy    json.RawMessage `json:"policy"`
	Workspace string          `json:"workspace"` // digest of the workspace
	Operator  string          `json:"operator"`
	Who       string          `json:"who"`           // who started it
	Lab       string          `json:"lab,omitempty"` // says that this was the emulated lab, and how time ran there
	Findings  json.RawMessage `json:"findings,omitempty"`
}

// WallClock is the time of the machine.
type WallClock struct{}

// Now is [time.Now].
func (WallClock) Now() time.Time { return time.Now() }

// Sleep waits for d or until ctx ends.
func (WallClock) Sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// ErrNoRun says that there is no run with the id.
var ErrNoRun = errors.New("no such run")

// ErrInUse says that another process conducts a run of the same device.
var ErrInUse = errors.New("another process works on it")

// ErrOpenRun says that a run of the same device has not ended, or one that changes
// settings on it or on whose device this run does.
var ErrOpenRun = errors.New("another run is open that this one would meet")

// ProbeSpec is what a prober is made from.
type ProbeSpec struct {
	Flows  []ProbeFlow
	Rate   int           // packets per second in each flow
	Bucket time.Duration // width of the timeline's buckets
}

// ProbeFlow is one stream of test packets.
type ProbeFlow struct {
	Name  string
	To    string // host:port of the reflector
	Ports int    // source ports
}

// LabMaker makes emulated labs.
type LabMaker interface {
	// Start starts the scenario of our own, with faults by name.
	Start(ctx context.Context, spec LabSpec) (Lab, error)
	// Faults lists the faults that can be switched on.
	Faults() []LabFault
}

// LabSpec says what lab to start.
type LabSpec struct {
	Faults  []string
	Seed    uint64
	Fast    float64 // how many times as fast as real time boots and waits pass
	PerCard bool    // each controller card is installed by itself
	Dir     string  // where its workspace, images and certificates are written; empty: a temporary folder
	// OurTime runs the lab by the clock of the machine, with boots and waits
	// that are shorter by Fast, so that commands in other processes can work on
	// it.
	OurTime bool
	// Over is the driver that its workspace reaches the devices by: empty is
	// gNMI and gNOI, "netconf" NETCONF, "ssh" the command line.
	Over  string
	Brisk bool // measure test traffic for a second only before and after; for tests
}

// LabFault is one fault of the lab.
type LabFault struct {
	Name        string `json:"name"`
	Phase       string `json:"phase"`
	Verdict     string `json:"expected_verdict"`
	Description string `json:"description"`
}

// Lab is a running emulated lab.
type Lab interface {
	// Dir is its workspace: fleet, releases, policy, images, certificates.
	Dir() string
	Clock() conduct.Clock
	// About says in a sentence what this lab is and how time passes in it.
	About() string
	// Device and Target are the demo's change.
	Device() string
	Target() string
	// Reflector is where the data plane sends test traffic to.
	Flows() []ProbeFlow
	// Truth is what really happened, for comparing with what was measured.
	Truth() LabTruth
	Close() error
}

// LabTruth is what really happened in a lab.
type LabTruth struct {
	Dropped  map[string]uint64 `json:"dropped"` // "flow direction" → packets
	Silences []time.Duration   `json:"silences_ns"`
	Acts     []string          `json:"acts"` // changes that the device was asked for, in order
}
