package probe

import (
	"fmt"
	"runtime"
	"sync/atomic"
	"testing"
	"time"
)

// BenchmarkPacing sends b.N packets at a steady rate to a reflector on this
// host and reports how late they left: one operation is one packet.
func BenchmarkPacing(b *testing.B) {
	for _, c := range []struct {
		rate int
		spin time.Duration
		busy bool
	}{
		{1000, 0, false}, {1000, -1, false}, {10000, 0, false}, {10000, 150 * time.Microsecond, false},
		{1000, 0, true}, // and a goroutine per core that computes all the time
	} {
		name := fmt.Sprintf("%dpps/spin=%v", c.rate, c.spin)
		if c.busy {
			name += "/busy"
		}
		b.Run(name, func(b *testing.B) {
			reflector := serve(b, ReflectorConfig{})
			s, err := NewSender(Config{
				Flows: []Flow{{To: reflector.Addr().String(), Rate: c.rate, Reflector: ReflectorStateful}}, Spin: c.spin,
			})
			if err != nil {
				b.Fatal(err)
			}
			var stop atomic.Bool
			defer stop.Store(true)
			if c.busy {
				for range runtime.NumCPU() {
					go func() {
						for x := uint64(1); !stop.Load(); x *= 3 {
						}
					}()
				}
			}
			b.ResetTimer()
			if err := s.Start(b.Context()); err != nil {
				b.Fatal(err)
			}
			st := s.flows[0].streams[0]
			for st.records.sent.Load() < uint32(b.N) {
				time.Sleep(5 * time.Millisecond)
			}
			b.StopTimer()
			f := s.Stop().Flows[0]
			b.ReportMetric(float64(f.Lateness.Median.Nanoseconds())/1e3, "p50-late-µs")
			b.ReportMetric(float64(f.Lateness.P99.Nanoseconds())/1e3, "p99-late-µs")
			b.ReportMetric(float64(f.Lateness.Max.Nanoseconds())/1e3, "max-late-µs")
			b.ReportMetric(float64(f.Skipped), "skipped")
			b.ReportMetric(float64(f.Lost), "lost")
		})
	}
}

// BenchmarkSend is the cost of one packet on the pacing goroutine.
func BenchmarkSend(b *testing.B) {
	reflector, err := NewReflector(ReflectorConfig{Listen: "127.0.0.1:0"}) // it never reads
	if err != nil {
		b.Fatal(err)
	}
	defer reflector.Close()
	s, err := NewSender(Config{Flows: []Flow{{To: reflector.Addr().String()}}})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Stop()
	s.clock = &spinClock{base: time.Now()}
	st := s.flows[0].streams[0]
	b.ReportAllocs()
	var slot uint32
	for b.Loop() {
		s.transmit(st, slot, false)
		slot++
	}
}

// BenchmarkLive is the cost of a look at a running measurement of one flow at
// 1,000 packets per second.
func BenchmarkLive(b *testing.B) {
	reflector := serve(b, ReflectorConfig{})
	s, err := NewSender(Config{Flows: []Flow{{To: reflector.Addr().String(), Reflector: ReflectorStateful}}})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Stop()
	s.clock = &spinClock{base: time.Now()}
	s.started = true
	st := s.flows[0].streams[0]
	for i := range uint32(foldLeast + 250) { // what is there right before folding
		st.records.begin(i, 0, false)
		st.records.answer(reply{seq: i, number: i, arrived: time.Duration(i+1) * time.Millisecond}, time.Second)
	}
	b.ResetTimer()
	for b.Loop() {
		s.Live()
	}
	b.StopTimer()
	s.started = false
}
