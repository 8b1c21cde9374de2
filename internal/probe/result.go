package probe

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// Result is a finished measurement. It marshals to JSON and back without loss;
// every duration is in nanoseconds.
type Result struct {
	Start  time.Time     `json:"start"`
	Length time.Duration `json:"length_ns"` // from the first packet to the last
	// Tmax is the time after which a packet without a reply was lost.
	// Source: RFC 7680 §2.8.2 asks to report it.
	Tmax time.Duration `json:"tmax_ns"`
	Size int           `json:"size"` // octets of UDP payload
	// KernelTimestamps is false where times of receipt are those of the program,
	// which a busy host falsifies.
	KernelTimestamps bool `json:"kernel_timestamps"`
	// RealTime says that the sender had real-time scheduling; without it a busy
	// host makes more voids.
	RealTime bool         `json:"real_time"`
	Flows    []FlowResult `json:"flows"`
	Marks    []Mark       `json:"marks,omitempty"`
}

// FlowResult is what one flow measured.
type FlowResult struct {
	Name  string `json:"name"`
	To    string `json:"to"`
	Rate  int    `json:"rate"` // packets per second over all its source ports
	Ports int    `json:"ports"`
	// Resolution is the interval of one source port: shorter outages of a single
	// path can pass between two packets.
	Resolution time.Duration `json:"resolution_ns"`
	Reflector  ReflectorKind `json:"reflector"` // as set or as found
	Totals
	Duplicates uint64 `json:"duplicates"` // replies beyond the first
	TooLate    uint64 `json:"too_late"`   // replies after Tmax; their packets count as lost
	Strange    uint64 `json:"strange"`    // datagrams that answer no packet of this flow
	// TPLTime is the total loss as time at the offered load, the average over
	// the flow's paths.
	// Source: RFC 7654 §5.3; the frames are Totals.Lost.
	TPLTime time.Duration `json:"tpl_time_ns"`
	// LossRatio is Lost over the packets that were tested.
	LossRatio float64 `json:"loss_ratio"`
	// Outages are those of single source ports, by start. Where there are more
	// than MaxListed, the longest are kept and the rest is in OutagesOmitted.
	Outages        []Outage `json:"outages,omitempty"`
	OutagesOmitted uint64   `json:"outages_omitted,omitempty"`
	Voids          []Void   `json:"voids,omitempty"`
	VoidsOmitted   uint64   `json:"voids_omitted,omitempty"`
	Delay          Spread   `json:"delay"` // both ways, without the reflector's own time
	// Lateness is how long after its due time each packet left; Skipped are
	// those that were given up because the next one was due.
	Lateness Spread `json:"lateness"`
	Skipped  uint64 `json:"skipped"`
	// BucketWidth and Buckets are the timeline, by time of sending.
	BucketWidth time.Duration `json:"bucket_ns"`
	Buckets     []Bucket      `json:"buckets"`
	// Trouble is why the flow ended before the measurement did, or what else is
	// wrong with it; empty when nothing is.
	Trouble string `json:"trouble,omitempty"`
}

// MaxListed is the number of outages, and of voids, that a flow lists.
const MaxListed = 10000

// Bucket counts the packets sent in one piece of the timeline and what became
// of them. In JSON it is an array in the order of the fields.
type Bucket struct {
	Sent, Forward, Reverse, RoundTrip, Voided uint32
}

// MarshalJSON writes the five counts as an array.
func (b Bucket) MarshalJSON() ([]byte, error) {
	return json.Marshal([5]uint32{b.Sent, b.Forward, b.Reverse, b.RoundTrip, b.Voided})
}

// UnmarshalJSON reads what MarshalJSON writes.
func (b *Bucket) UnmarshalJSON(text []byte) error {
	var a [5]uint32
	if err := json.Unmarshal(text, &a); err != nil {
		return fmt.Errorf("probe: a bucket is an array of 5 counts: %w", err)
	}
	*b = Bucket{a[0], a[1], a[2], a[3], a[4]}
	return nil
}

func (b *Bucket) add(c Bucket) {
	b.Sent += c.Sent
	b.Forward += c.Forward
	b.Reverse += c.Reverse
	b.RoundTrip += c.RoundTrip
	b.Voided += c.Voided
}

// count adds one packet to the bucket.
func (b *Bucket) count(f Fate) {
	b.Sent++
	switch f {
	case FateLostForward:
		b.Forward++
	case FateLostReverse:
		b.Reverse++
	case FateLostRoundTrip:
		b.RoundTrip++
	case FateVoid:
		b.Voided++
	case FateAnswered, FatePending:
	}
}

// maxBuckets is an hour of buckets of 100 ms; a longer measurement gets wider
// buckets, not more.
const maxBuckets = 36000

// timeline is a row of buckets of equal width.
type timeline struct {
	width   time.Duration
	buckets []Bucket
}

func (t *timeline) count(at time.Duration, f Fate) {
	at = max(at, 0)
	for at/t.width >= maxBuckets {
		for i := range (len(t.buckets) + 1) / 2 {
			sum := t.buckets[2*i]
			if 2*i+1 < len(t.buckets) {
				sum.add(t.buckets[2*i+1])
			}
			t.buckets[i] = sum
		}
		t.buckets = t.buckets[:(len(t.buckets)+1)/2]
		t.width *= 2
	}
	for int(at/t.width) >= len(t.buckets) {
		t.buckets = append(t.buckets, Bucket{})
	}
	t.buckets[at/t.width].count(f)
}

// Mark is an instant on the timeline.
type Mark struct {
	Label string        `json:"label"`
	At    time.Duration `json:"at_ns"` // since Result.Start
}

// The marks from which [Result.Report] takes the phases.
// Source: RFC 7654 §3 for the phases, §5.2 and §5.3 for where they begin.
const (
	MarkDownload   = "download"            // T0: transfer begins
	MarkStaged     = "staged"              // the secondary runs the new release
	MarkRun        = "upgrade run"         // the run begins
	MarkSwitched   = "upgrade run ended"   // the new primary works normally
	MarkAcceptance = "acceptance complete" // both controllers new and in step
)

// Report is the disruption impact as RFC 7654 §7 asks for it.
type Report struct {
	TPLFrames uint64        `json:"tpl_frames"`
	TPLTime   time.Duration `json:"tpl_time_ns"`
	// OfferedLoad is the sum over all flows in packets per second, OfferedBps
	// the same in bit/s on Ethernet.
	OfferedLoad float64 `json:"offered_load_pps"`
	OfferedBps  float64 `json:"offered_load_bps"`
	// T1 is from download to staged, T2 the upgrade run, T3 from its end to
	// acceptance, T4 their sum, which leaves out the wait for consent between
	// staging and run. A time is zero where one of its marks is missing.
	T1 time.Duration `json:"t1_ns"`
	T2 time.Duration `json:"t2_ns"`
	T3 time.Duration `json:"t3_ns"`
	T4 time.Duration `json:"t4_ns"`
	// Missing lists the marks that were not there.
	Missing []string `json:"missing,omitempty"`
}

// headers is what Ethernet and UDP over IPv4 add to a payload: 14 + 4 octets of
// frame and check sequence, 20 of IPv4, 8 of UDP. IPv6 has 20 more.
const headers = 14 + 4 + 20 + 8

// Report summarises the measurement in the terms of RFC 7654.
func (r *Result) Report() Report {
	var rep Report
	for _, f := range r.Flows {
		rep.TPLFrames += f.Lost
		rep.OfferedLoad += float64(f.Rate)
		rep.OfferedBps += OfferedBps(float64(f.Rate), max(r.Size+headers, 64))
	}
	if rep.OfferedLoad > 0 {
		rep.TPLTime = TPLTime(rep.TPLFrames, rep.OfferedLoad)
	}
	at := make(map[string]time.Duration)
	for _, m := range r.Marks {
		at[m.Label] = m.At // the last of a kind counts: a phase may be repeated
	}
	for _, label := range []string{MarkDownload, MarkStaged, MarkRun, MarkSwitched, MarkAcceptance} {
		if _, ok := at[label]; !ok {
			rep.Missing = append(rep.Missing, label)
		}
	}
	between := func(from, to string) time.Duration {
		a, ok := at[from]
		b, ok2 := at[to]
		if !ok || !ok2 || b < a {
			return 0
		}
		return b - a
	}
	rep.T1 = between(MarkDownload, MarkStaged)
	rep.T2 = between(MarkRun, MarkSwitched)
	rep.T3 = between(MarkSwitched, MarkAcceptance)
	rep.T4 = UpgradeWindow(rep.T1, rep.T2, rep.T3)
	return rep
}

// Totals returns the sum over all flows.
func (r *Result) Totals() Totals {
	var t Totals
	for i := range r.Flows {
		t.add(r.Flows[i].Totals)
	}
	return t
}

// Resolution is the coarsest of the flows' resolutions; zero without flows.
func (r *Result) Resolution() time.Duration {
	var p time.Duration
	for _, f := range r.Flows {
		p = max(p, f.Resolution)
	}
	return p
}

// Verdict tells whether no flow had an outage longer than budget in any
// direction on any path, and which was the worst; its Lost is zero when there
// was none. Voids are no outages. It is false as well when a flow was never
// answered or sent nothing: nothing was measured then.
//
// Lengths are those of [Outage.Duration]; where the budget lies between the
// Lower and the Upper of the worst outage, a higher rate is needed to be sure.
func Verdict(r Result, budget time.Duration) (ok bool, worst Outage) {
	ok = len(r.Flows) > 0
	for _, f := range r.Flows {
		if f.Received == 0 {
			ok = false
		}
		for _, o := range f.Outages {
			if worst.Lost == 0 || o.longer(worst) {
				worst = o
			}
		}
	}
	return ok && worst.Duration() <= budget, worst
}

// phases names for each outage the last mark before it.
func phases(outages []Outage, marks []Mark) {
	byTime := slices.Clone(marks)
	slices.SortStableFunc(byTime, func(a, b Mark) int { return cmp.Compare(a.At, b.At) })
	for i := range outages {
		for _, m := range byTime {
			if m.At <= outages[i].Start {
				outages[i].Phase = m.Label
			}
		}
	}
}
