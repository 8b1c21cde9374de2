package survival

import (
	"errors"
	"fmt"
	"time"
)

// Silence is a duration that is not known exactly, by three points: it is
// never below Least nor above Most, and Likely is its mode. Between them it is
// distributed as a triangle. The zero value is exactly nothing.
type Silence struct {
	Least  time.Duration `json:"least" yaml:"least"`
	Likely time.Duration `json:"likely" yaml:"likely"`
	Most   time.Duration `json:"most" yaml:"most"`
}

// Fixed is a silence of exactly d.
func Fixed(d time.Duration) Silence { return Silence{d, d, d} }

// Between is a silence from least to most of which the middle is likeliest.
func Between(least, most time.Duration) Silence {
	return Silence{least, least + (most-least)/2, most}
}

// ErrSilence is the error of a silence whose three points are negative or out
// of order.
var ErrSilence = errors.New("a silence needs 0 ≤ least ≤ likely ≤ most")

// Validate reports a silence whose points are negative or out of order; the
// error wraps [ErrSilence].
func (s Silence) Validate() error {
	if s.Least < 0 || s.Likely < s.Least || s.Most < s.Likely {
		return fmt.Errorf("%w; found least %v, likely %v, most %v", ErrSilence, s.Least, s.Likely, s.Most)
	}
	return nil
}

// Known reports whether the silence has no width.
func (s Silence) Known() bool { return s.Least == s.Most }

// Mean is the expected silence.
func (s Silence) Mean() time.Duration {
	return s.Least/3 + s.Likely/3 + s.Most/3 + (s.Least%3+s.Likely%3+s.Most%3)/3
}

// String writes "2.5s" for a fixed silence and "1s..4s, likely 2s" otherwise.
func (s Silence) String() string {
	if s.Known() {
		return s.Least.String()
	}
	return fmt.Sprintf("%v..%v, likely %v", s.Least, s.Most, s.Likely)
}

// Outcome is what happens to an adjacency.
type Outcome string

// The outcomes of an adjacency, from best to worst.
const (
	Holds              Outcome = "holds"               // it surely lives through every silence forecast
	RestartsGracefully Outcome = "restarts-gracefully" // it goes down, and forwarding stays while it comes back
	AtRisk             Outcome = "at-risk"             // it lives with the probability told
	Drops              Outcome = "drops"               // it surely does not live
)

// Interval is a range of seconds.
type Interval struct {
	Least float64 `json:"least"`
	Most  float64 `json:"most"`
}

// Input is one value that a forecast rests on.
type Input struct {
	Name    string `json:"name"`
	Value   string `json:"value"`
	Assumed bool   `json:"assumed,omitempty"` // not told by the device: the standard's value, or ours
	Source  string `json:"source"`
}

// AdjacencyForecast is what becomes of one adjacency.
type AdjacencyForecast struct {
	Protocol  string `json:"protocol"`
	Instance  string `json:"instance,omitempty"`
	Interface string `json:"interface,omitempty"`
	Neighbour string `json:"neighbour"`
	Peer      string `json:"peer,omitempty"` // empty when unknown

	Outcome Outcome `json:"outcome"`
	// Survive is the probability that the adjacency and all it stands on live
	// through the silence, or, where it restarts gracefully, that forwarding
	// is kept until it is back.
	Survive float64 `json:"survive"`
	// Alone is the same without what it stands on.
	Alone float64 `json:"alone"`
	// Safe is the largest silence it surely lives through by its own timers;
	// Unlimited says that there is none it does not.
	Safe      time.Duration `json:"safe"`
	Unlimited bool          `json:"unlimited,omitempty"`
	// Loss is the expected loss of the traffic that rides on it.
	Loss Interval `json:"loss_s"`
	// IfLost is the loss of that traffic should the adjacency be lost.
	IfLost Interval `json:"if_lost_s"`
	// Range is what one silence of the law can cost that traffic, whatever its
	// length and whether the adjacency lives: what a measurement is held against,
	// where Loss is a mean over many silences.
	Range Interval `json:"loss_range_s"`
	// Carries says whether traffic rides on it at all; the loss of one that
	// carries none, such as LLDP, touches no traffic.
	Carries  bool     `json:"carries"`
	StandsOn []string `json:"stands_on,omitempty"` // names of other adjacencies, and of gates that join some
	// Below are the probabilities of those of StandsOn, with all they stand on
	// themselves, in the same order.
	Below []float64 `json:"stands_on_survive,omitempty"`
	Why   string    `json:"why"` // one sentence
	// Timer says whose timer ends it and by which numbers Safe is what it is;
	// empty where no timer of its own does.
	Timer    string   `json:"timer,omitempty"`
	Inputs   []Input  `json:"inputs"`
	Cautions []string `json:"cautions,omitempty"`
	Source   string   `json:"source"` // standards and measurements of the rule that decided
}

// Name is protocol, neighbour and interface, and the instance where it is not
// the default: unique within a capture.
func (a AdjacencyForecast) Name() string {
	return nameOf(a.Protocol, a.Instance, a.Interface, a.Neighbour)
}

// nameOf names an adjacency for people, such as "ospfv2 192.0.2.1 on port-1/0/1".
func nameOf(protocol, instance, iface, neighbour string) string {
	n := protocol
	if neighbour != "" {
		n += " " + neighbour
	}
	if iface != "" {
		n += " on " + iface
	}
	if instance != "" && instance != "default" {
		n += " in " + instance
	}
	return n
}

// Point is one point of the curve of P(untouched) against the silence.
type Point struct {
	Silence   time.Duration `json:"silence"`
	Untouched float64       `json:"untouched"`
}

// Forecast is what becomes of a device's adjacencies in one silence.
type Forecast struct {
	Device string `json:"device"`
	Law    Law    `json:"law"` // of the silence
	// Untouched is the probability that no traffic is touched: every
	// adjacency that carries any lives, or restarts without loss.
	Untouched float64 `json:"untouched"`
	// Error bounds how far Untouched can be from the exact integral.
	Error float64 `json:"error"`
	// Safe is the largest silence that everything surely lives through, and
	// Limiting the adjacency that sets it. Both are zero when nothing limits
	// or, as Limiting then says, something is lost at any silence.
	Safe        time.Duration       `json:"safe"`
	Unlimited   bool                `json:"unlimited,omitempty"` // no silence touches anything
	Limiting    string              `json:"limiting,omitempty"`
	Adjacencies []AdjacencyForecast `json:"adjacencies"`
	Curve       []Point             `json:"curve"`
	Assumed     []string            `json:"assumed,omitempty"`  // one line for each value nobody told
	Cautions    []string            `json:"cautions,omitempty"` // what the reader must know besides
}

// Notice says when a neighbour learns that its TCP session with a restarting
// device is gone: its clock of a graceful restart starts then (RFC 4724 §4.2,
// RFC 3478 §3.3).
type Notice string

// The kinds of notice.
const (
	NoticeUnknown Notice = ""        // nobody told: the two others count as equally likely
	NoticeAtOnce  Notice = "at-once" // the kernel lives on and closes the sessions as the silence begins
	NoticeNever   Notice = "never"   // nothing is sent: its own timer must run out, or the device be back
)

// Options are what a forecast needs besides capture and silence. The zero
// value is usable.
type Options struct {
	// ResumeDelay is how long after its control plane is back the device
	// sends the first hello of each adjacency.
	ResumeDelay Silence
	// Profiles say how implementations behave; nil means those built in.
	Profiles *Profiles
	// Implementation is what the device runs, such as "frr" or
	// "keepalived2.2.7"; an adjacency that names its own overrides it.
	Implementation string
	// TransportCut says that the device's TCP does not answer during the
	// silence, as when the kernel of its controller goes away too. TCP sessions
	// then wait for the next retransmission, whose intervals double.
	TransportCut bool
	// Notice says when the neighbours learn that TCP sessions are gone, where the
	// device restarts without their state.
	Notice Notice
	// Unplanned says that the restart cannot be announced beforehand, so that
	// no grace period is asked for (RFC 3623 §5, RFC 8706 §3.2.3).
	Unplanned bool
	// Target is the probability of being untouched that [Advise] aims at; 0
	// means 0.999.
	Target float64
	// Allow says whether [Advise] may offer a change; nil allows every one.
	Allow func(Change) bool
}
