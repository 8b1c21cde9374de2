package probe

import (
	"cmp"
	"slices"
	"time"
)

// foldLeast is how many records there must be before folding is worth while.
const foldLeast = 512

// quiet is how many packets in a row must have come back, in order, for the
// records before them to be closed: nothing that happens later can change what
// they say.
const quiet = 64

func (s *Sender) params(f *flow) Params {
	return Params{
		Interval: f.interval(), VoidAfter: s.cfg.VoidAfter, Sustain: s.cfg.Sustain,
		DelayThreshold: s.cfg.DelayThreshold, Stateful: ReflectorKind(f.kind.Load()) == ReflectorStateful,
	}
}

// fold moves old records of a stream into its sums, so that a measurement of
// any length needs little memory.
func (s *Sender) fold(st *stream) {
	now := s.clock.now()
	if ReflectorKind(st.flow.kind.Load()) == ReflectorUnknown && now < 30*time.Second {
		return // it may yet be found out
	}
	w := st.records.window(st.cut, now-s.cfg.Tmax)
	if w.Len() < foldLeast {
		return
	}
	// Packets before the first pending one are settled.
	settled := 0
	for ; settled < w.Len(); settled++ {
		if x := w.At(settled); x.Pending {
			break
		}
	}
	want := quiet
	switch { // while there is steady loss, less has to do
	case w.Len() > 1<<18:
		want = 1
	case w.Len() > 1<<16:
		want = 8
	}
	stateful := s.params(st.flow).Stateful
	row := 0
	for i := settled - 1; i > 0; i-- {
		x, before := w.At(i), w.At(i-1)
		if x.Answered && before.Answered && (!stateful || before.Reflector+1 == x.Reflector) {
			row++
		} else {
			row = 0
		}
		if row == want {
			s.close(st, w.upTo(i+want))
			return
		}
	}
}

// close folds the samples of w; the last of them becomes the next anchor.
func (s *Sender) close(st *stream, w window) {
	a := s.analyse(st, w, &st.flow.tally)
	st.clean = st.cleanWith(a)
	st.sum.add(a.Totals)
	st.fresh = false
	st.cut = w.to - 1
	st.records.freed.Store(st.cut / chunkLen)
}

// cleanWith is the quiet time at the end when a follows what is folded.
func (st *stream) cleanWith(a Analysis) time.Duration {
	if a.Lost+a.Voided > 0 {
		return a.Clean
	}
	return st.clean + a.Clean
}

// analyse reads the samples of w and, unless it is nil, adds them to a tally.
func (s *Sender) analyse(st *stream, w window, t *tally) Analysis {
	f := st.flow
	p := s.params(f)
	p.Anchored = !st.fresh
	if t == nil {
		return Analyse(w, p)
	}
	p.Each = func(x *Sample, fate Fate) {
		t.timeline.count(x.Sent, fate)
		if fate == FateAnswered {
			t.delay.add(x.delay())
		}
	}
	a := Analyse(w, p)
	for _, o := range a.Outages {
		o.Flow, o.Port = f.Name, st.port
		t.outages = append(t.outages, o)
	}
	for _, v := range a.Voids {
		v.Flow, v.Port = f.Name, st.port
		t.voids = append(t.voids, v)
	}
	if max(len(t.outages), len(t.voids)) > 2*MaxListed {
		t.trim()
	}
	return a
}

// trim keeps the longest outages and voids.
func (t *tally) trim() {
	if n := len(t.outages) - MaxListed; n > 0 {
		slices.SortStableFunc(t.outages, func(a, b Outage) int {
			return cmp.Or(cmp.Compare(b.Duration(), a.Duration()), cmp.Compare(b.Lost, a.Lost))
		})
		t.outages = t.outages[:MaxListed]
		t.omittedOutages += uint64(n)
	}
	if n := len(t.voids) - MaxListed; n > 0 {
		slices.SortStableFunc(t.voids, func(a, b Void) int { return cmp.Compare(b.Untested, a.Untested) })
		t.voids = t.voids[:MaxListed]
		t.omittedVoids += uint64(n)
	}
}

// FlowLive is the state of a flow while it is measured.
type FlowLive struct {
	Name      string        `json:"name"`
	Reflector ReflectorKind `json:"reflector"`
	// Totals hold what is known so far. A loss younger than Tmax is counted when
	// a later packet has been answered, and may still be taken back.
	Totals
	// Open is for how long replies have been missing now, on the worst source
	// port; nobody knows yet on which way, nor whether they will still come.
	// Times in which the sender did not send are left out.
	Open time.Duration `json:"open_ns"`
	// Clean is for how long packets have been answered since the last loss, on
	// the source port where that is shortest; times in which the sender did not
	// send are left out.
	Clean time.Duration `json:"clean_ns"`
	// Trouble is why the flow has ended; empty while it runs.
	Trouble string `json:"trouble,omitempty"`
}

// Worst is the longest outage so far in any direction, the open one included,
// for which the direction is [RoundTrip].
func (f FlowLive) Worst() (time.Duration, Direction) {
	worst, d := f.Open, RoundTrip
	for _, dir := range []Direction{RoundTrip, Forward, Reverse} {
		if l := f.Direction(dir).Longest; l > worst {
			worst, d = l, dir
		}
	}
	return worst, d
}

// Live returns the state of each flow, in the order of the configuration. It
// costs some microseconds per flow in quiet times. Before Start it returns
// zeros.
func (s *Sender) Live() []FlowLive {
	s.mu.Lock()
	defer s.mu.Unlock()
	live := make([]FlowLive, len(s.flows))
	for i, f := range s.flows {
		l := &live[i]
		l.Name, l.Reflector = f.Name, ReflectorKind(f.kind.Load())
		for k, st := range f.streams {
			l.add(st.sum)
			if why := st.ended.Load(); why != nil {
				l.Trouble = *why
			}
			clean := st.clean
			if s.started && s.result == nil {
				now := s.clock.now()
				w := st.records.window(st.cut, now-s.cfg.Tmax)
				a := s.analyse(st, w, nil)
				l.add(a.Totals)
				clean = st.cleanWith(a)
				if open := Overdue(w, s.params(f), now); open > l.Open && unread(st.conn) == 0 {
					l.Open = open
				}
			}
			if k == 0 || clean < l.Clean {
				l.Clean = clean
			}
		}
	}
	return live
}

// Snapshot returns the result so far and goes on measuring. Packets that are
// neither answered nor older than Tmax are Pending in it. After Stop it is the
// result of that, before Start it is empty.
func (s *Sender) Snapshot() Result {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.result != nil:
		return *s.result
	case !s.started:
		return Result{}
	}
	return *s.build(s.clock.now() - s.cfg.Tmax)
}

// build makes the result of what is folded and what is not. Unanswered packets
// sent after youngest are pending.
func (s *Sender) build(youngest time.Duration) *Result {
	r := &Result{Start: s.base, Tmax: s.cfg.Tmax, Size: s.cfg.Size, KernelTimestamps: kernelTimestamps, RealTime: s.realTime.Load()}
	for _, m := range s.marks {
		r.Marks = append(r.Marks, Mark{Label: m.label, At: m.at.Sub(s.base)})
	}
	for _, f := range s.flows {
		fr := FlowResult{
			Name: f.Name, To: f.target.String(), Rate: f.Rate, Ports: f.Ports, Resolution: f.interval(),
			Reflector: ReflectorKind(f.kind.Load()),
		}
		t := f.tally.clone()
		for _, st := range f.streams {
			fr.add(st.sum)
			if w := st.records.window(st.cut, youngest); w.Len() > 0 {
				for i := w.Len() - 1; i >= 0; i-- {
					if x := w.At(i); !x.Closing {
						r.Length = max(r.Length, x.Sent)
						break
					}
				}
				fr.add(s.analyse(st, w, t).Totals)
			}
			fr.Duplicates += st.duplicates.Load()
			fr.TooLate += st.tooLate.Load()
			fr.Strange += st.strange.Load()
			if why := st.ended.Load(); why != nil {
				fr.Trouble = *why
			}
		}
		t.trim()
		slices.SortStableFunc(t.outages, func(a, b Outage) int { return cmp.Compare(a.Start, b.Start) })
		slices.SortStableFunc(t.voids, func(a, b Void) int { return cmp.Compare(a.From, b.From) })
		phases(t.outages, r.Marks)
		fr.Outages, fr.OutagesOmitted = t.outages, t.omittedOutages
		fr.Voids, fr.VoidsOmitted = t.voids, t.omittedVoids
		fr.TPLTime = TPLTime(fr.Lost, float64(f.Rate))
		fr.LossRatio, _ = LossRatio(fr.Lost, fr.Sent-fr.Voided-fr.Pending)
		fr.Delay, fr.Lateness, fr.Skipped = t.delay.spread(), f.lateness.spread(), f.skipped.Load()
		fr.BucketWidth, fr.Buckets = t.timeline.width, t.timeline.buckets
		r.Flows = append(r.Flows, fr)
	}
	return r
}
