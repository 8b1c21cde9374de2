package conduct

import (
	"context"
	"time"
)

// Clock is the time that a run is conducted by: the wall clock, or the lab's.
type Clock interface {
	Now() time.Time
	// Sleep waits for d or until ctx ends, whose error it then returns.
	Sleep(ctx context.Context, d time.Duration) error
}

// Prober measures traffic through the device while the run goes on.
type Prober interface {
	// Start begins to send. A second call has no effect.
	Start(ctx context.Context) error
	// Mark puts a label on the timeline.
	Mark(label string)
	// Live says how it stands now; it is cheap.
	Live() Live
	// Snapshot returns what has been measured so far.
	Snapshot() Measurement
	// Stop waits for packets in flight and ends.
	Stop() Measurement
}

// Live is how the measurement stands at a moment.
type Live struct {
	Sent, Lost uint64
	Worst      time.Duration // longest outage of one flow and direction so far, void gaps left out
	WorstFlow  string        // flow and direction of it
	Clean      time.Duration // for how long nothing has been lost
}

// Measurement is what test traffic showed between two instants. Times are
// those of the measuring host.
type Measurement struct {
	Begun      time.Time     `json:"begun"`
	Ended      time.Time     `json:"ended"`
	Rate       float64       `json:"rate_pps"` // of one flow, packets per second
	Resolution time.Duration `json:"resolution_ns"`
	Waited     time.Duration `json:"waited_ns"` // a packet later than this is lost (RFC 7680 Tmax)
	Sent       uint64        `json:"sent"`
	Lost       uint64        `json:"lost"`
	Forward    uint64        `json:"lost_forward"`
	Reverse    uint64        `json:"lost_reverse"`
	Unplaced   uint64        `json:"lost_unplaced"` // lost, direction not known
	// Closing are packets sent after the measurement, to learn when the way of the
	// last ones is open again, that had no answer; they are in no other count.
	Closing    uint64 `json:"closing,omitempty"`
	Late       uint64 `json:"late"`
	Duplicates uint64 `json:"duplicates"`
	Impaired   uint64 `json:"impaired"` // lost, duplicated, reordered or too late (RFC 6412 §3.8.1)
	// TPL is the total packet loss, as frames and as time at the offered load of
	// all flows together. Source: RFC 7654 §5.3.
	TPLFrames uint64        `json:"tpl_frames"`
	TPLTime   time.Duration `json:"tpl_time_ns"`
	Outages   []Outage      `json:"outages,omitempty"`
	Voids     []Void        `json:"voids,omitempty"`
	Marks     []Mark        `json:"marks,omitempty"`
	Bucket    time.Duration `json:"bucket_ns"`
	Series    []Series      `json:"series,omitempty"`
}

// Outage is one gap in one flow and direction, by both methods of RFC 6201
// §1.3.
type Outage struct {
	Flow        string        `json:"flow"`
	Direction   string        `json:"direction"` // forward, reverse or unplaced
	From        time.Time     `json:"from"`
	Until       time.Time     `json:"until"`
	Lost        uint64        `json:"lost"`
	ByLoss      time.Duration `json:"by_loss_ns"`
	ByTimestamp time.Duration `json:"by_timestamp_ns"`
}

// Void is a time that was not measured, and why. It is never an outage.
type Void struct {
	From  time.Time `json:"from"`
	Until time.Time `json:"until"`
	Why   string    `json:"why"`
}

// TakenUp labels the begin of a measurement in a session that took a run up
// after its baseline.
const TakenUp = "measurement taken up again"

// The ends of labels that begin with a step's title. A step that was measured
// from its begin to its end has its bare title and one that ends with Over in
// the same measurement.
const (
	Over  = " (over)"
	Again = " (taken up again)" // the step had begun before the measurement did
)

// Mark is a label on the timeline.
type Mark struct {
	At    time.Time `json:"at"`
	Label string    `json:"label"`
}

// Series is the loss of one flow and direction over time: packets lost per
// bucket, from Begun.
type Series struct {
	Flow      string   `json:"flow"`
	Direction string   `json:"direction"`
	Sent      []uint32 `json:"sent"`
	Lost      []uint32 `json:"lost"`
}

// Worst returns the longest outage, and whether there was one.
func (m Measurement) Worst() (Outage, bool) {
	var worst Outage
	for _, o := range m.Outages {
		if o.Longest() > worst.Longest() {
			worst = o
		}
	}
	return worst, worst.Lost > 0
}

// Longest is the length that counts against a budget: by the frame-loss
// method, which RFC 6201 §1.3 chooses for a tester that counts the loss of each
// stream and sends whatever the state of the link, and by timestamps where
// that one says nothing.
func (o Outage) Longest() time.Duration {
	if o.ByLoss > 0 {
		return o.ByLoss
	}
	return o.ByTimestamp
}
