// Package device is the contract between the conductor and the drivers: what
// can be asked of a managed network element, in what words it answers, and
// what kinds of failure there are.
//
// Read [Device] first. Drivers live in the folders below; each of them passes
// the suite in devicetest. A driver never retries an act by itself: it reports
// a [*Fault], whose [Kind] tells the conductor what may be done next.
package device

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"towpath/internal/state"
)

// Device is one managed network element, reached over some protocol. Methods
// are safe for concurrent use. Every error is, or wraps, a [*Fault].
type Device interface {
	// Capture reads the normalised state. What the device does not tell stays
	// unknown and is listed in Capture.Unread; an error means that no usable
	// state was read at all.
	Capture(ctx context.Context, scope Scope) (*state.Capture, error)
	// Verify tells what release runs and what kind of installation the device
	// has. It is cheap and is called before every act.
	Verify(ctx context.Context) (Verification, error)
	// Install transfers a package to a controller card and has it validated.
	// The content is hashed on the way. progress, when not nil, is called from
	// the same goroutine, at most ten times a second. An installation that the
	// device already has is answered at once with AlreadyThere.
	Install(ctx context.Context, req InstallRequest, progress func(Progress)) (Installed, error)
	// Activate makes a validated release the one that boots next, and with
	// Reboot set restarts the addressed controller card into it.
	Activate(ctx context.Context, req ActivateRequest) error
	// SwitchOver hands the PRIMARY role to the named controller card.
	SwitchOver(ctx context.Context, card string) (Switchover, error)
	// Restart restarts the named component, or the whole device where the name
	// is empty.
	Restart(ctx context.Context, component string, reason string) error
	// PutComponentImage transfers firmware for one component; it takes effect
	// at that component's next restart.
	PutComponentImage(ctx context.Context, req ComponentImageRequest, progress func(Progress)) error
	// RemoveFile deletes a file from a controller card's volume. Removing a file
	// that is not there is not an error.
	RemoveFile(ctx context.Context, controller, path string) error
	// HashFile returns the SHA-256 of a file on a controller card, lower-case
	// hex, computed from what the device sends.
	HashFile(ctx context.Context, controller, path string) (string, error)
	// Watch calls f for every change that it learns of until ctx ends or the
	// stream breaks; the error then says which. The first events are the state
	// at the start, followed by one of kind Synced.
	Watch(ctx context.Context, f func(Event)) error
	// Settings reads the values configured at the keys of the given settings, in
	// their order. The Value of one that is not configured is empty. A parameter
	// that the device or driver does not have is Unable.
	Settings(ctx context.Context, keys []state.Setting) ([]state.Setting, error)
	// Adjust makes all the given settings hold in one transaction, or none of
	// them. An empty Value removes what is configured. It reads the device first
	// and asks nothing of it where all of them hold already.
	Adjust(ctx context.Context, to []state.Setting) error
	// Abilities says what this device and driver can do.
	Abilities(ctx context.Context) (Abilities, error)
	// Close releases the connection.
	Close() error
}

// Scope says how much a capture reads.
type Scope int

// The scopes of a capture.
const (
	ScopeFull       Scope = iota // everything
	ScopeComponents              // components, volumes, boot, power, alarms, configuration, clock
	ScopeLive                    // components and adjacencies only; used while polling
)

// Verification is what a device says of its installation.
type Verification struct {
	Version string // running on the controller card that answered
	// PerController is true where each controller card is installed and
	// activated by itself, false where one installation serves both.
	PerController  bool
	ActivationFail string // set when the last activation fell back, with the device's reason
	Standby        Standby
}

// Standby is what the device says of the other controller card.
type Standby struct {
	State          StandbyState
	ID             string
	Version        string
	ActivationFail string
}

// StandbyState says whether the other controller card answers.
type StandbyState int

// The states of the other controller card.
// Source: OpenConfig gNOI os.proto, StandbyState.
const (
	StandbyUnknown     StandbyState = iota
	StandbyUnsupported              // the system has no redundancy
	StandbyAbsent                   // the slot is empty
	StandbyUnavailable              // it does not answer now; ask again
	StandbyReady                    // it answers; ID and Version hold
)

// InstallRequest asks for a package to be transferred and validated.
type InstallRequest struct {
	Version string
	Standby bool // address the other controller card (per-controller kind only)
	Size    int64
	SHA256  string // lower-case hex; checked against what was read from Content
	// Content opens the package at an offset, so that a broken transfer can be
	// taken up again where the device allows it.
	Content func(offset int64) (io.ReadCloser, error)
}

// ComponentImageRequest asks for a component's firmware to be transferred.
type ComponentImageRequest struct {
	Component string
	File      string // name on the device
	Version   string
	Size      int64
	SHA256    string
	Content   func(offset int64) (io.ReadCloser, error)
}

// Progress of a transfer.
type Progress struct {
	Sent, Total int64 // octets
	Syncing     bool  // the device copies between its controller cards; SyncPercent holds
	SyncPercent int
}

// Installed is the answer to an installation.
type Installed struct {
	Version      string // what the device validated; the driver has compared it with the request
	AlreadyThere bool   // nothing was sent
	SHA256       string // of the octets sent, lower-case hex; empty where AlreadyThere
	Sent         int64
}

// ActivateRequest asks for a release to boot next.
type ActivateRequest struct {
	Version string
	Standby bool
	Reboot  bool
}

// Switchover is the device's answer to a switchover.
type Switchover struct {
	Card    string
	Version string
	Uptime  time.Duration
}

// Abilities says what a device can do. A missing ability is asked for, never
// found out by trying.
type Abilities struct {
	Install        bool
	SwitchOver     bool
	Restart        bool
	ComponentImage bool
	Files          bool
	Watch          bool
	Settings       bool     // timers, roles and drains can be set and put back
	Models         []string // name@version of the models served
}

// Lacks are acts that a driver knows that it cannot do, without asking the device:
// an adapter has no commands for them, or the protocol has none. The zero value
// lacks nothing that is known.
type Lacks struct {
	Install        bool
	SwitchOver     bool
	RestartDevice  bool // the whole of it
	ComponentImage bool
}

// Event is one change that a device reported. Now holds, by kind: component: a
// role or an operational status; adjacency: "up" or "down"; configuration: its
// digest or time of change; topology: the count of changes; alarm: severity and
// text, empty when cleared; power: "ok", or what is wrong; interface: "UP" or
// "DOWN".
type Event struct {
	Kind   EventKind
	At     time.Time // by the device's clock
	Object string    // component, interface, adjacency "protocol neighbour", alarm id
	Was    string
	Now    string
}

// EventKind says what an event is about.
type EventKind int

// The kinds of event.
const (
	EventSynced        EventKind = iota // the initial state has been told completely
	EventComponent                      // operational status or role of a component changed
	EventAdjacency                      // an adjacency's state changed; Now "up" or "down"
	EventConfiguration                  // the configuration changed; Now is the new digest or time
	EventTopology                       // spanning tree reported a topology change
	EventAlarm                          // an alarm was raised (Now is its severity and text) or cleared (Now empty)
	EventPower                          // a power feed or supply changed
	EventInterface                      // an interface went up or down
)

// Kind answers a caller's question about a failure: what may be done next?
type Kind int

// The kinds of failure.
const (
	// Unreachable: the device did not answer; the act may or may not have been
	// done. Observe before doing anything.
	Unreachable Kind = iota
	// Outcome unknown: the device was reached and the answer was lost.
	OutcomeUnknown
	// Busy: another operation runs; try again later.
	Busy
	// Refused: the device understood and will not; a person must look.
	Refused
	// WrongImage: the package does not fit this platform, or is another release
	// than asked for.
	WrongImage
	// Damaged: the package failed a check; transfer again.
	Damaged
	// NoSpace: it does not fit.
	NoSpace
	// Moved: roles changed under the operation; read the device again and plan
	// afresh.
	Moved
	// Missing: a named file, component or release is not there.
	Missing
	// Denied: credentials, certificate or permission.
	Denied
	// Unable: the device lacks the ability.
	Unable
	// Ours: a bug or bad input on this side.
	Ours
)

// String is the kind in words, as operators read it.
func (k Kind) String() string {
	names := [...]string{"unreachable", "outcome unknown", "busy", "refused", "wrong image", "damaged",
		"no space", "roles changed", "missing", "access denied", "not able", "on this side"}
	if int(k) < len(names) {
		return names[k]
	}
	return fmt.Sprintf("kind %d", int(k))
}

// Fault is a failure with its kind.
type Fault struct {
	Kind Kind
	Op   string // "install", "activate", …
	Text string // what the device or transport said
	Err  error  // cause, may be nil
}

// Error is one line for people. The kind is said once where the cause is a fault
// of the same.
func (f *Fault) Error() string {
	s := f.Op
	var in *Fault
	if f.Text != "" || !errors.As(f.Err, &in) || in.Kind != f.Kind {
		s += ": " + f.Kind.String()
	}
	if f.Text != "" {
		s += ": " + f.Text
	}
	if f.Err != nil {
		s += ": " + f.Err.Error()
	}
	return s
}

// Unwrap returns the cause.
func (f *Fault) Unwrap() error { return f.Err }

// KindOf returns the kind of the first Fault in err's chain. A deadline or
// cancellation without one counts as OutcomeUnknown, anything else as Ours.
func KindOf(err error) Kind {
	var f *Fault
	if errors.As(err, &f) {
		return f.Kind
	}
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
		return OutcomeUnknown
	}
	return Ours
}

// Retryable says whether an act that failed in this way may be tried again
// after the device has been read.
func (k Kind) Retryable() bool {
	switch k {
	case Unreachable, OutcomeUnknown, Busy, Damaged:
		return true
	case Refused, WrongImage, NoSpace, Moved, Missing, Denied, Unable, Ours:
		return false
	}
	return false
}
