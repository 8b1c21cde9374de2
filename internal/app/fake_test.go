package app

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/device"
	"towpath/internal/plan"
	"towpath/internal/state"
)

// chassis is a device in memory with a life of its own: it goes on while the
// conductor is dead, which is what makes the crash tests worth something.
// Restarts take as many readings as slow says.
type chassis struct {
	mu        sync.Mutex
	clock     *stepClock
	per       bool
	primary   string
	cards     map[string]*card
	installed map[string]map[string]bool // card → release
	files     map[string]bool
	bootNext  string
	acts      []string
	slow      int
	refuse    map[string]error // act → error, once
	fallBack  bool
	lose      bool // the answer of the next hand-over is lost
	agree     int  // signs of life between the answer to a hand-over and its begin
	left      int
	coming    string // card that will be primary then

	name       string
	settings   map[state.Setting]string // by key
	others     string                   // what other people changed
	loseAdjust bool                     // the answer of the next adjustment is lost
	listeners  []func(device.Event)
	adjusted   func()           // called once after the next adjustment
	deaf       bool             // the next adjustment does not arrive
	after      func(act string) // called under the lock when an act is done

	off       int                      // readings until the whole device answers again
	forgets   bool                     // settings that a restart of the whole device does not save
	saved     map[state.Setting]string // what it starts with
	half      int                      // readings for which it then tells half a configuration
	watched   chan struct{}            // closed when this session has been told how it stands; nil: nobody waits
	feed      string                   // state of feed-a
	adjacency string                   // state of bgp 192.0.2.1
}

type card struct {
	kind    string
	release string
	boot    time.Time
	busy    int // readings until it is back
	next    string
}

func newChassis(clock *stepClock, per bool) *chassis {
	d := &chassis{clock: clock, per: per, primary: "CTL-A", slow: 3, cards: map[string]*card{}, installed: map[string]map[string]bool{}, files: map[string]bool{"old.img": true}, refuse: map[string]error{}, bootNext: "4.2.3",
		name: "mere-agg-1", settings: map[state.Setting]string{}}
	for _, x := range asFound() {
		d.settings[x.Key()] = x.Value
	}
	d.saved = maps.Clone(d.settings)
	for _, n := range []string{"CTL-A", "CTL-B"} {
		d.cards[n] = &card{kind: state.KindControllerCard, release: "4.2.3", boot: clock.Now()}
		d.installed[n] = map[string]bool{"4.2.3": true}
	}
	for _, n := range []string{"LC-1", "LC-2"} {
		d.cards[n] = &card{kind: state.KindLineCard, release: "4.2.3", boot: clock.Now()}
	}
	return d
}

func (d *chassis) secondary() string {
	if d.primary == "CTL-A" {
		return "CTL-B"
	}
	return "CTL-A"
}

func (d *chassis) act(name string) error {
	d.acts = append(d.acts, name)
	if err := d.refuse[name]; err != nil {
		delete(d.refuse, name)
		return err
	}
	if d.after != nil {
		d.after(name)
	}
	return nil
}

func (d *chassis) restart(name, release string) {
	c := d.cards[name]
	c.busy, c.next = d.slow, release
}

// heard lets time pass for a device that is off, and waits until the session
// that reads has been told how the device stands: a real one takes longer to
// restart than to say so.
func (d *chassis) heard(ctx context.Context) error {
	d.mu.Lock()
	watched := d.watched
	d.mu.Unlock()
	if watched != nil {
		select {
		case <-watched:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	d.mu.Lock()
	var tell []device.Event
	switch {
	case d.off > 0:
		if d.off--; d.off == 0 {
			for _, c := range d.cards {
				c.release, c.boot = d.bootNext, d.clock.Now()
			}
			if d.forgets {
				d.settings = maps.Clone(d.saved)
			}
			tell = []device.Event{{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "down"}, {Kind: device.EventConfiguration, Object: "digest", Now: "half"}}
		}
	case d.half > 0:
		if d.half--; d.half == 0 {
			tell = []device.Event{{Kind: device.EventConfiguration, Object: "digest", Now: d.digest()}, {Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: "up"}}
		}
	}
	listeners := slices.Clone(d.listeners)
	d.mu.Unlock()
	for _, e := range tell {
		for _, f := range listeners {
			f(e)
		}
	}
	return nil
}

// tick lets time pass for the chassis at every reading.
func (d *chassis) tick() {
	for _, c := range d.cards {
		if c.busy > 0 {
			if c.busy--; c.busy == 0 {
				if !d.fallBack {
					c.release = c.next
				}
				c.boot = d.clock.Now()
			}
		}
	}
}

func (d *chassis) Capture(ctx context.Context, _ device.Scope) (*state.Capture, error) {
	if err := d.heard(ctx); err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off > 0 {
		return nil, &device.Fault{Kind: device.Unreachable, Op: "capture"}
	}
	d.tick()
	c := &state.Capture{Device: d.name, Configuration: state.Configuration{Digest: state.Some(d.digest())}, TakenAt: d.clock.Now(), Complete: true, Release: state.Some(d.cards[d.primary].release), BootTime: state.Some(d.cards[d.primary].boot)}
	for _, n := range []string{"CTL-A", "CTL-B", "LC-1", "LC-2"} {
		k := d.cards[n]
		comp := state.Component{Name: n, Kind: k.kind, Version: state.Some(k.release), BootTime: state.Some(k.boot), Oper: state.Some(state.OperActive)}
		if k.busy > 0 {
			comp.Oper = state.Some(state.OperInactive)
		}
		if k.kind == state.KindControllerCard {
			comp.Role, comp.SwitchoverReady = state.Some(state.Secondary), state.Some(d.cards[d.secondary()].busy == 0)
			if n == d.primary {
				comp.Role = state.Some(state.Primary)
			}
			c.Boot = append(c.Boot, state.BootEntry{Controller: n, Version: state.Some(d.bootNext)})
			v := state.Volume{Controller: n, Mount: "disk0", FilesKnown: true}
			for f := range d.files {
				v.Files = append(v.Files, state.File{Path: f})
			}
			c.Volumes = append(c.Volumes, v)
		}
		c.Components = append(c.Components, comp)
	}
	return c, nil
}

func (d *chassis) Verify(context.Context) (device.Verification, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.coming != "" {
		if d.left--; d.left <= 0 {
			d.primary, d.coming = d.coming, ""
		}
	}
	return device.Verification{Version: d.cards[d.primary].release, PerController: d.per}, nil
}

func (d *chassis) Install(_ context.Context, r device.InstallRequest, _ func(device.Progress)) (device.Installed, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	name := d.primary
	if r.Standby {
		name = d.secondary()
	}
	if d.installed[name][r.Version] {
		return device.Installed{Version: r.Version, AlreadyThere: true}, nil
	}
	if err := d.act("install " + name + " " + r.Version); err != nil {
		return device.Installed{}, err
	}
	d.installed[name][r.Version] = true
	if !d.per {
		d.installed[d.secondary()][r.Version] = true
	}
	return device.Installed{Version: r.Version, Sent: r.Size}, nil
}

func (d *chassis) Activate(_ context.Context, r device.ActivateRequest) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !r.Reboot {
		if err := d.act("boot-next " + r.Version); err != nil {
			return err
		}
		d.bootNext = r.Version
		return nil
	}
	if err := d.act("activate " + d.secondary() + " " + r.Version); err != nil {
		return err
	}
	d.restart(d.secondary(), r.Version)
	return nil
}

func (d *chassis) SwitchOver(_ context.Context, card string) (device.Switchover, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.act("hand-over " + card); err != nil {
		return device.Switchover{}, err
	}
	if d.coming, d.left = card, d.agree; d.agree == 0 {
		d.primary, d.coming = card, ""
	}
	if d.lose {
		d.lose = false
		return device.Switchover{}, &device.Fault{Kind: device.OutcomeUnknown, Op: "hand-over"}
	}
	return device.Switchover{Card: card}, nil
}

func (d *chassis) Restart(_ context.Context, name, _ string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.act("restart " + name); err != nil {
		return err
	}
	if name == "" {
		d.off, d.half = d.slow, 2
		return nil
	}
	release := d.cards[d.primary].release
	if d.cards[name].kind == state.KindControllerCard {
		release = d.bootNext
	}
	d.restart(name, release)
	return nil
}

func (d *chassis) PutComponentImage(_ context.Context, r device.ComponentImageRequest, _ func(device.Progress)) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.files[r.File] {
		return nil
	}
	d.files[r.File] = true
	return d.act("put " + r.File)
}

func (d *chassis) RemoveFile(_ context.Context, card, path string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.files, path)
	return d.act("remove " + card + " " + path)
}

func (d *chassis) HashFile(context.Context, string, string) (string, error) { return "", nil }

func (d *chassis) Watch(ctx context.Context, f func(device.Event)) error {
	d.mu.Lock()
	now := d.digest()
	f(device.Event{Kind: device.EventConfiguration, Object: "digest", Now: now})
	if d.feed != "" {
		f(device.Event{Kind: device.EventPower, Object: "feed-a", Now: d.feed})
	}
	if d.adjacency != "" {
		f(device.Event{Kind: device.EventAdjacency, Object: "bgp 192.0.2.1", Now: d.adjacency})
	}
	f(device.Event{Kind: device.EventSynced})
	if d.watched != nil {
		close(d.watched)
		d.watched = nil
	}
	d.listeners = append(d.listeners, func(e device.Event) {
		if ctx.Err() == nil {
			f(e)
		}
	})
	d.mu.Unlock()
	<-ctx.Done()
	return ctx.Err()
}

func (d *chassis) Settings(_ context.Context, keys []state.Setting) ([]state.Setting, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	out := make([]state.Setting, len(keys))
	for i, k := range keys {
		out[i] = k.Key()
		out[i].Value = d.settings[k.Key()]
	}
	return out, nil
}

// Adjust makes settings hold as the contract says: it is an act only where one
// of them does not. As everybody's, its configuration has a digest that follows.
func (d *chassis) Adjust(_ context.Context, to []state.Setting) error {
	d.mu.Lock()
	if d.deaf {
		d.deaf = false
		d.mu.Unlock()
		return &device.Fault{Kind: device.Unreachable, Op: "adjust"}
	}
	if d.hold(to) {
		d.mu.Unlock()
		return nil
	}
	name := "adjust " + d.name
	if d.off > 0 {
		d.mu.Unlock()
		return &device.Fault{Kind: device.Unreachable, Op: "adjust"}
	}
	for _, x := range to {
		name += " " + x.Text()
	}
	if err := d.act(name); err != nil {
		d.mu.Unlock()
		return err
	}
	for _, x := range to {
		d.settings[x.Key()] = x.Value
	}
	listeners := slices.Clone(d.listeners)
	digest := d.digest()
	lost := d.loseAdjust
	d.loseAdjust = false
	d.mu.Unlock()
	for _, f := range listeners {
		f(device.Event{Kind: device.EventConfiguration, Object: "digest", Now: digest})
	}
	if f := d.adjusted; f != nil {
		d.adjusted = nil
		f()
	}
	if lost {
		return &device.Fault{Kind: device.OutcomeUnknown, Op: "adjust"}
	}
	return nil
}

func (d *chassis) hold(to []state.Setting) bool {
	for _, x := range to {
		if d.settings[x.Key()] != x.Value {
			return false
		}
	}
	return true
}

func (d *chassis) digest() string {
	var texts []string
	for k, v := range d.settings {
		k.Value = v
		texts = append(texts, k.Text())
	}
	slices.Sort(texts)
	return d.others + strings.Join(texts, "|")
}

// somebody changes the configuration as another person would.
func (d *chassis) somebody(what string) {
	d.mu.Lock()
	d.others += what
	listeners := slices.Clone(d.listeners)
	digest := d.digest()
	d.mu.Unlock()
	for _, f := range listeners {
		f(device.Event{Kind: device.EventConfiguration, Object: "digest", Now: digest})
	}
}

func (d *chassis) Abilities(context.Context) (device.Abilities, error) {
	return device.Abilities{Install: true, SwitchOver: true, Restart: true, Watch: true}, nil
}

func (d *chassis) Close() error { return nil }

// stepClock is a clock that moves only when somebody sleeps on it, and then at
// once.
type stepClock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *stepClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(time.Millisecond)
	return c.now
}

func (c *stepClock) Sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	c.mu.Lock()
	c.now = c.now.Add(d)
	c.mu.Unlock()
	return ctx.Err()
}

// errCrash ends a session as a kill would: nothing after it is written.
var errCrash = errors.New("killed")

// memStore keeps runs in memory and can die at a write.
type memStore struct {
	mu        sync.Mutex
	keys      []string
	records   map[string][]byte
	artefacts map[string][]byte
	messages  map[string][][]byte
	taken     map[int64]bool
	writes    int // journal writes so far, over all sessions
	dieAt     int // the write at which this session dies; 0 never
	dieBefore bool
	died      int
	verdict   string
	runs      []RunRow
	before    map[string][]json.RawMessage // journals of other runs
}

func newMemStore() *memStore {
	return &memStore{records: map[string][]byte{}, artefacts: map[string][]byte{}, messages: map[string][][]byte{}, taken: map[int64]bool{}}
}

func (m *memStore) Create(context.Context, RunRow) error            { return nil }
func (m *memStore) Get(context.Context, string) (RunRow, error)     { return RunRow{}, nil }
func (m *memStore) Runs(context.Context) ([]RunRow, error)          { return m.runs, nil }
func (m *memStore) SetVerdict(_ context.Context, _, v string) error { m.verdict = v; return nil }
func (m *memStore) Close() error                                    { return nil }
func (m *memStore) Journal(_ context.Context, run string) ([]json.RawMessage, error) {
	if j, other := m.before[run]; other {
		return j, nil
	}
	var out []json.RawMessage
	for _, k := range m.keys {
		out = append(out, m.records[k])
	}
	return out, nil
}

func (m *memStore) SetArtefact(_ context.Context, _, name string, body []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.artefacts[name] = body
	return nil
}

func (m *memStore) Artefact(_ context.Context, _, name string) ([]byte, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	b, ok := m.artefacts[name]
	return b, ok, nil
}

func (m *memStore) Artefacts(_ context.Context, _, prefix string) (names []string, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for n := range m.artefacts {
		if strings.HasPrefix(n, prefix) {
			names = append(names, n)
		}
	}
	slices.Sort(names)
	return names, nil
}

func (m *memStore) Send(_ context.Context, _, topic string, body []byte) error {
	m.messages[topic] = append(m.messages[topic], body)
	return nil
}

func (m *memStore) Conduct(ctx context.Context, _ string, body func(context.Context, Journal) (string, error)) (string, error) {
	v, err := body(ctx, m)
	if err == nil {
		m.verdict = v
	}
	return v, err
}

func (m *memStore) Do(ctx context.Context, _ int, key string, f func(context.Context) ([]byte, error)) ([]byte, error) {
	if b, ok := m.records[key]; ok {
		return b, nil
	}
	b, err := f(ctx)
	if err != nil {
		return nil, err
	}
	m.writes++
	if m.writes == m.dieAt && m.dieBefore {
		m.died++
		return nil, errCrash
	}
	m.records[key] = b
	m.keys = append(m.keys, key)
	if m.writes == m.dieAt {
		m.died++
		return nil, errCrash
	}
	return b, nil
}

func (m *memStore) Take(_ context.Context, topic string) (int64, []byte, bool, error) {
	for i, b := range m.messages[topic] {
		if !m.taken[int64(i+1)] {
			return int64(i + 1), b, true, nil
		}
	}
	return 0, nil, false, nil
}

func (m *memStore) Taken(_ context.Context, id int64) error { m.taken[id] = true; return nil }

// stillProber measures a network on which nothing is lost, or what it is told.
type stillProber struct{ worst time.Duration }

func (p stillProber) Start(context.Context) error { return nil }
func (p stillProber) Mark(string)                 {}
func (p stillProber) Live() conduct.Live {
	return conduct.Live{Sent: 1000, Worst: p.worst, WorstFlow: "east forward", Clean: time.Hour}
}

func (p stillProber) Snapshot() conduct.Measurement {
	m := conduct.Measurement{Sent: 1000}
	if p.worst > 0 {
		m.Outages = []conduct.Outage{{Flow: "east", Direction: "forward", Lost: 10, ByLoss: p.worst}}
	}
	return m
}
func (p stillProber) Stop() conduct.Measurement { return p.Snapshot() }

// yes consents to everything and never chooses.
type yes struct{}

func (yes) Consent(context.Context, *conduct.State, plan.Step) (Consent, error) {
	return Consent{Person: "Ada Fenwick", Granted: true}, nil
}

func (yes) Choose(context.Context, *conduct.State) (Choice, error) { return Choice{}, ErrNobody }

// calm finds everything ready and nothing different, or what it is told.
type calm struct{ blockers, stops []string }

func (c calm) Ready(context.Context, *state.Capture, *state.Capture) ([]byte, []string, error) {
	return []byte(`{}`), c.blockers, nil
}

func (c calm) Compare(_, _ *state.Capture, _, _ string) ([]byte, []string) {
	return []byte(`{}`), c.stops
}

// blanks gives every image as zero octets.
type blanks struct{}

func (blanks) Open(im plan.ImageRef, offset int64) (io.ReadCloser, error) {
	return io.NopCloser(bytes.NewReader(make([]byte, int64(im.Size)-offset))), nil
}

// nobody answers nothing: what people say comes as messages.
type nobody struct{}

func (nobody) Consent(context.Context, *conduct.State, plan.Step) (Consent, error) {
	return Consent{}, ErrNobody
}

func (nobody) Choose(context.Context, *conduct.State) (Choice, error) { return Choice{}, ErrNobody }
