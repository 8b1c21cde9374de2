package commandline_test

import (
	"bytes"
	"context"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"towpath/internal/device"
	"towpath/internal/device/adapter"
	"towpath/internal/device/commandline"
	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/device/dialogue"
	"towpath/internal/device/openconfig"
	"towpath/internal/lab"
	"towpath/internal/state"
)

var record = flag.Bool("record", false, "record the outputs of the lab anew")

// overGNMI reads the same chassis by its other front.
func overGNMI(t *testing.T, b *labtest.Bench) *openconfig.Driver {
	t.Helper()
	p := b.Lab.PKI()
	d, err := openconfig.Dial(context.Background(), openconfig.Config{
		Device: string(b.Chassis.ID()), Target: b.Chassis.Address(), ServerName: string(b.Chassis.ID()),
		CA: p.Authority, Cert: p.ClientCert, Key: p.ClientKey, FactsOrigin: "towpath-facts", Now: b.Lab.Clock().Now,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d
}

// TestBothFrontsTellTheSame compares what is read over the command line with
// what is read over gNMI and gNOI of the same chassis: two drivers that share no
// code but the capture.
func TestBothFrontsTellTheSame(t *testing.T) {
	b, line := open(t, labtest.Config(true))
	defer line.Close()
	other := overGNMI(t, b)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	one, err := line.Capture(ctx, device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	two, err := other.Capture(ctx, device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	plain := func(c *state.Capture) {
		c.Source, c.TakenAt, c.Clock.Offset = "", time.Time{}, state.Opt[time.Duration]{}
		for i := range c.Interfaces { // counters grow between the two
			x := &c.Interfaces[i]
			x.InOctets, x.OutOctets = state.Opt[uint64]{}, state.Opt[uint64]{}
			// The models have no speed of a group of links.
			if strings.HasPrefix(x.Name, "lag-") {
				x.Speed = two.Interfaces[i].Speed
			}
		}
		for i := range c.Components {
			k := &c.Components[i]
			// The fronts have their own words for why, and the models round.
			k.SwitchoverReason, k.MemoryPercent = state.Opt[string]{}, state.Opt[float64]{}
		}
		c.MemoryPercent = state.Opt[float64]{}
		for i := range c.Adjacencies {
			// The models tell the port of an LLDP neighbour, the facts do not.
			c.Adjacencies[i].PeerPort = state.Opt[string]{}
			// The active router tells no detection of its own; the models make one.
			if c.Adjacencies[i].Protocol == state.VRRP {
				c.Adjacencies[i].Timers.OwnDetect = state.Opt[time.Duration]{}
			}
		}
		for i := range c.Alarms {
			c.Alarms[i].Since = state.Opt[string]{}
		}
	}
	plain(one)
	plain(two)
	if diff := cmp.Diff(two, one, cmp.Exporter(func(_ reflect.Type) bool { return true })); diff != "" {
		t.Errorf("gNMI (-) and the command line (+) differ:\n%s", diff)
	}
	if len(one.Components) < 10 || len(one.Adjacencies) < 10 || len(one.Interfaces) < 10 {
		t.Errorf("too little was compared: %d components, %d adjacencies, %d interfaces", len(one.Components), len(one.Adjacencies), len(one.Interfaces))
	}
}

// altered is the lab's adapter with changes.
func altered(t *testing.T, changes ...string) *adapter.Adapter {
	t.Helper()
	src, err := adapter.BuiltinSource("alder-9")
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < len(changes); i += 2 {
		next := bytes.Replace(src, []byte(changes[i]), []byte(changes[i+1]), 1)
		if bytes.Equal(next, src) {
			t.Fatalf("%q is not in the adapter", changes[i])
		}
		src = next
	}
	a, err := adapter.Read("altered.yaml", src)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestPagedAndSlowOutputIsTheSame reads a device that pages and dawdles.
func TestPagedAndSlowOutputIsTheSame(t *testing.T) {
	cfg := labtest.Config(false)
	cfg.Devices[0].ShellPace = 20 * time.Microsecond
	b, d := open(t, cfg)
	defer d.Close()
	quick, err := d.Capture(context.Background(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	paged := dial(t, b, func(c *commandline.Config) {
		c.Adapter = altered(t, "  start: [page off]\n", "")
		c.Transcript = dialogue.NewTranscript(&log)
	})
	got, err := paged.Capture(context.Background(), device.ScopeLive)
	if err := paged.Close(); err != nil {
		t.Error(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(quick.Components, got.Components, cmp.Exporter(func(_ reflect.Type) bool { return true })); diff != "" || len(got.Adjacencies) != len(quick.Adjacencies) {
		t.Errorf("paged output reads otherwise:\n%s", diff)
	}
	if !strings.Contains(log.String(), "-- more: space, or q --") {
		t.Error("the device did not page")
	}
}

// TestUnforeseenQuestionIsNotAnswered takes the answer to a confirmation away.
func TestUnforeseenQuestionIsNotAnswered(t *testing.T) {
	b, d := open(t, labtest.Config(false))
	defer d.Close()
	shy := dial(t, b, func(c *commandline.Config) {
		c.Adapter = altered(t, `{expect: 'takes over; this session ends\.\s+Go on, yes or no\?', answer: "yes"}`, `{expect: 'is the harbour open\?', answer: "yes"}`)
	})
	defer shy.Close()
	_, err := shy.SwitchOver(context.Background(), "CTL-B")
	if device.KindOf(err) != device.Refused || !strings.Contains(err.Error(), "Go on, yes or no?") {
		t.Errorf("got %v", err)
	}
	if n := b.Changes(t); n != 0 {
		t.Errorf("the device was changed %d times", n)
	}
	if c, err := shy.Capture(context.Background(), device.ScopeLive); err != nil || len(c.Components) == 0 {
		t.Errorf("afterwards: %v", err)
	}
}

// TestLostAnswers has the device do what it is told and hang up.
func TestLostAnswers(t *testing.T) {
	for fault, act := range map[string]func(*commandline.Driver) error{
		"switchover-answer-lost": func(d *commandline.Driver) error {
			_, err := d.SwitchOver(context.Background(), "CTL-B")
			return err
		},
		"activate-answer-lost": func(d *commandline.Driver) error {
			return d.Activate(context.Background(), device.ActivateRequest{Version: "2.3.7"})
		},
	} {
		t.Run(fault, func(t *testing.T) {
			cfg := labtest.Config(true)
			cfg.Faults = []string{fault}
			b, d := open(t, cfg)
			defer d.Close()
			if err := act(d); device.KindOf(err) != device.OutcomeUnknown {
				t.Errorf("got %v, want an unknown outcome", err)
			}
			if n := b.Changes(t); n != 1 {
				t.Errorf("the device was changed %d times, want once", n)
			}
		})
	}
}

// TestTranscriptRehearses runs the adapter on what a capture recorded: it reads
// the same again without a device.
func TestTranscriptRehearses(t *testing.T) {
	b, first := open(t, labtest.Config(true))
	first.Close()
	var log safeBuffer
	d := dial(t, b, func(c *commandline.Config) { c.Transcript = dialogue.NewTranscript(&log) })
	live, err := d.Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Verify(context.Background()); err != nil {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	entries, err := dialogue.ReadTranscript(log.bytes())
	if err != nil {
		t.Fatal(err)
	}
	a := altered(t)
	outputs := dialogue.Outputs(entries, regexp.MustCompile(a.Session.Prompt))
	r := a.Rehearse(func(c string) ([]byte, bool) { out, ok := outputs[c]; return out, ok }, live.TakenAt)
	for _, m := range r.Missing {
		if m.Command != "tell packages" && m.Command != "tell knobs" {
			t.Errorf("the transcript lacks %q", m.Command)
		}
	}
	for _, x := range r.Reads {
		if len(x.Problems) > 0 {
			t.Errorf("%s: %v", x.Read, x.Problems)
		}
	}
	live.Source, live.TakenAt, live.Clock, live.Device, live.Complete = r.Capture.Source, r.Capture.TakenAt, r.Capture.Clock, "", false
	if diff := cmp.Diff(live, r.Capture, cmp.Exporter(func(_ reflect.Type) bool { return true })); diff != "" {
		t.Errorf("the rehearsal reads otherwise:\n%s", diff)
	}
}

// TestRecordedLab reads the outputs that are kept in the project, for people who
// look for an example.
func TestRecordedLab(t *testing.T) {
	folder := filepath.Join("..", "adapter", "testdata", "alder-9")
	a := altered(t)
	if *record {
		b, d := open(t, labtest.Config(true))
		defer d.Close()
		_ = b
		var log safeBuffer
		d2 := dial(t, b, func(c *commandline.Config) { c.Transcript = dialogue.NewTranscript(&log) })
		if _, err := d2.Capture(context.Background(), device.ScopeFull); err != nil {
			t.Fatal(err)
		}
		_, _ = d2.Verify(context.Background())
		_, _ = d2.Settings(context.Background(), []state.Setting{{Protocol: state.ISIS, Parameter: state.ParamOverload}})
		_, _ = d2.Install(context.Background(), device.InstallRequest{Version: lab.ScenarioFrom}, nil)
		_ = d2.Close()
		entries, err := dialogue.ReadTranscript(log.bytes())
		if err != nil {
			t.Fatal(err)
		}
		if err := os.MkdirAll(folder, 0o755); err != nil {
			t.Fatal(err)
		}
		for command, out := range dialogue.Outputs(entries, regexp.MustCompile(a.Session.Prompt)) {
			if strings.HasPrefix(command, "tell") {
				if err := os.WriteFile(filepath.Join(folder, adapter.FileName(command)), out, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	r := a.Rehearse(func(command string) ([]byte, bool) {
		out, err := os.ReadFile(filepath.Join(folder, adapter.FileName(command)))
		return out, err == nil
	}, time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC))
	if !r.Good() || len(r.Reads) < 20 {
		t.Errorf("missing %v, %d reads", r.Missing, len(r.Reads))
	}
}

// safeBuffer is written by several sessions at once.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(b)
}

func (s *safeBuffer) bytes() []byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	return bytes.Clone(s.b.Bytes())
}
