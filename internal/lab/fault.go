package lab

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"towpath/internal/fleet"
)

// The phases of an in-service upgrade in which a fault strikes.
// Source: RFC 7654 §3, and "before" for what is wrong already.
const (
	PhaseBefore     = "before"
	PhaseDownload   = "download"
	PhaseStaging    = "staging"
	PhaseRun        = "upgrade-run"
	PhaseAcceptance = "acceptance"
)

// The verdicts in which a run may end.
const (
	VerdictAccepted   = "accepted"
	VerdictRolledBack = "rolled-back"
	VerdictPaused     = "paused"
	VerdictRefused    = "refused"
)

// moment is a point in the life of a chassis at which faults look whether their
// time has come.
type moment int

const (
	momentStart    moment = iota // the lab has started
	momentInstall                // an installation is asked for
	momentReceived               // a piece of a package has arrived
	momentStaged                 // every controller card has a package of another release
	momentBooting                // the secondary restarts into another release
	momentUp                     // it runs it
	momentReady                  // it has the primary's state
	momentSwitched               // roles have been switched
	momentLineCard               // a line card restarts
	momentUniform                // everything runs the same release, another one than before
)

// Fault is something that can go wrong, by name.
type Fault struct {
	Name        string `json:"name"`
	Phase       string `json:"phase"`
	Expected    string `json:"expected"`
	Description string `json:"description"`

	// always lets the fault strike every time, not just once.
	always bool
	// at is where it strikes by itself; other faults are asked for by the
	// chassis where they belong.
	at     moment
	strike func(c *Chassis)
}

// Faults lists every fault that can be switched on, in order of phase.
func Faults() []Fault {
	out := faultTable()
	for i := range out {
		out[i].strike = nil
	}
	phases := []string{PhaseBefore, PhaseDownload, PhaseStaging, PhaseRun, PhaseAcceptance}
	slices.SortStableFunc(out, func(a, b Fault) int { return slices.Index(phases, a.Phase) - slices.Index(phases, b.Phase) })
	return out
}

func faultTable() []Fault {
	return []Fault{
		{
			Name: "certificate-expired", Phase: PhaseBefore, Expected: VerdictRefused, always: true,
			Description: "the device's certificate has expired",
		},
		{
			Name: "clock-skew", Phase: PhaseBefore, Expected: VerdictRefused, at: momentStart,
			Description: "the device's clock is 90 s ahead and not synchronised",
			strike: func(c *Chassis) {
				c.clockSkew, c.clockSynced = 90*time.Second, false
				c.raise("clock", "MINOR", "chassis", "clock is not synchronised")
			},
		},
		{
			Name: "storage-read-only", Phase: PhaseBefore, Expected: VerdictRefused, at: momentStart,
			Description: "the volume of the secondary takes no writes",
			strike: func(c *Chassis) {
				s := c.secondary()
				s.volume.readOnly = true
				c.raise("volume-"+s.Name, "MAJOR", s.Name+"-STORAGE", "volume was mounted read-only after errors")
			},
		},
		{
			Name: "power-feed-lost", Phase: PhaseBefore, Expected: VerdictRefused, at: momentStart,
			Description: "one power feed is dead",
			strike:      (*Chassis).loseFeed,
		},
		{
			Name: "configuration-locked", Phase: PhaseBefore, Expected: VerdictRefused, at: momentStart,
			Description: "another operator holds the configuration lock",
			strike:      func(c *Chassis) { c.lockHolder = "night-shift" },
		},
		{
			Name: "partner-failing", Phase: PhaseBefore, Expected: VerdictRefused, at: momentStart,
			Description: "a line card of the partner device has failed",
			strike:      func(c *Chassis) { c.onPartner((*Chassis).loseLineCard) },
		},
		{
			Name: "transfer-stalls", Phase: PhaseDownload, Expected: VerdictRefused, always: true,
			Description: "every transfer stops after two fifths and never goes on",
		},
		{
			Name: "transfer-stalls-once", Phase: PhaseDownload, Expected: VerdictAccepted,
			Description: "the first transfer stops after two fifths and never goes on",
		},
		{
			Name: "transfer-corrupts-once", Phase: PhaseDownload, Expected: VerdictAccepted,
			Description: "one bit of the first transfer arrives wrong",
		},
		{
			Name: "transfer-corrupts-always", Phase: PhaseDownload, Expected: VerdictRefused, always: true,
			Description: "one bit of every transfer arrives wrong",
		},
		{
			Name: "wrong-package", Phase: PhaseDownload, Expected: VerdictRefused, always: true,
			Description: "the package turns out to be another release than was asked for",
		},
		{
			Name: "no-space-during-transfer", Phase: PhaseDownload, Expected: VerdictRefused, always: true,
			Description: "a log fills the volume while the package arrives",
		},
		{
			Name: "install-busy", Phase: PhaseDownload, Expected: VerdictAccepted, at: momentInstall,
			Description: "another operator's installation runs for 45 s more",
			strike:      func(c *Chassis) { c.busyUntil = c.clock.Now().Add(45 * time.Second) },
		},
		{
			Name: "copy-fails", Phase: PhaseDownload, Expected: VerdictAccepted,
			Description: "the first copy between controller cards cannot be read back (per-controller kind)",
		},
		{
			Name: "unexpected-switchover-download", Phase: PhaseDownload, Expected: VerdictRefused,
			Description: "the primary fails while a package arrives and the secondary takes over",
		},
		{
			Name: "unexpected-switchover-staging", Phase: PhaseStaging, Expected: VerdictRefused, at: momentStaged,
			Description: "the primary fails when the packages are in place",
			strike:      func(c *Chassis) { c.after(0, func() { c.crash("a process of the primary failed") }) },
		},
		{
			Name: "stored-image-damaged", Phase: PhaseStaging, Expected: VerdictRefused, at: momentStaged,
			Description: "the validated package on the secondary reads back wrong",
			strike:      (*Chassis).damageStored,
		},
		{
			Name: "configuration-changed", Phase: PhaseRun, Expected: VerdictRolledBack, at: momentBooting,
			Description: "somebody changes the configuration while the secondary restarts",
			strike: func(c *Chassis) {
				c.after(time.Second, func() {
					c.config["/system/config/login-banner"] = str("Work in progress.")
					c.configTime, c.unsaved = c.now(), true
				})
			},
		},
		{
			Name: "topology-changed", Phase: PhaseRun, Expected: VerdictRolledBack, at: momentBooting,
			Description: "the spanning tree changes while the secondary restarts",
			strike:      func(c *Chassis) { c.after(time.Second, c.changeTopology) },
		},
		{
			Name: "power-feed-lost-during-run", Phase: PhaseRun, Expected: VerdictRolledBack, at: momentBooting,
			Description: "one power feed dies while the secondary restarts",
			strike:      func(c *Chassis) { c.after(time.Second, c.loseFeed) },
		},
		{
			Name: "partner-lost-during-run", Phase: PhaseRun, Expected: VerdictRolledBack, at: momentBooting,
			Description: "a line card of the partner device fails while the secondary restarts",
			strike:      func(c *Chassis) { c.after(time.Second, func() { c.onPartner((*Chassis).loseLineCard) }) },
		},
		{
			Name: "activate-answer-lost", Phase: PhaseRun, Expected: VerdictAccepted,
			Description: "the activation is done and its answer is lost",
		},
		{
			Name: "activation-falls-back", Phase: PhaseRun, Expected: VerdictRolledBack, always: true,
			Description: "the new release does not start on the secondary, which returns to the old one",
		},
		{
			Name: "wrong-version-reported", Phase: PhaseRun, Expected: VerdictRolledBack, always: true,
			Description: "the secondary comes up and still reports the old release",
		},
		{
			Name: "secondary-never-ready", Phase: PhaseRun, Expected: VerdictRolledBack, always: true,
			Description: "the copy of state to the secondary never ends",
		},
		{
			Name: "secondary-slow", Phase: PhaseRun, Expected: VerdictAccepted,
			Description: "the secondary needs twice its time to start, which is still in time",
		},
		{
			Name: "switchover-refused", Phase: PhaseRun, Expected: VerdictRolledBack, always: true,
			Description: "the device will not switch over although it says it is ready",
		},
		{
			Name: "switchover-answer-lost", Phase: PhaseRun, Expected: VerdictAccepted,
			Description: "the switchover is done and its answer is lost",
		},
		{
			Name: "unexpected-switchover-run", Phase: PhaseRun, Expected: VerdictPaused, at: momentReady,
			Description: "the primary fails as soon as the secondary is ready on the new release",
			strike:      func(c *Chassis) { c.after(0, func() { c.crash("a process of the primary failed") }) },
		},
		{
			Name: "unreachable-too-long", Phase: PhaseRun, Expected: VerdictPaused,
			Description: "the management plane stays away for 40 min after the switchover",
		},
		{
			Name: "both-controllers-reload", Phase: PhaseRun, Expected: VerdictPaused,
			Description: "the switchover fails and the whole chassis restarts",
		},
		{
			Name: "secondary-lost-after-switchover", Phase: PhaseRun, Expected: VerdictPaused,
			Description: "the former primary never comes back",
		},
		{
			Name: "line-card-stuck", Phase: PhaseRun, Expected: VerdictPaused,
			Description: "the first line card to restart never ends its start",
		},
		{
			Name: "line-card-failed", Phase: PhaseRun, Expected: VerdictPaused,
			Description: "the first line card to restart fails",
		},
		{
			Name: "extender-incompatible", Phase: PhaseAcceptance, Expected: VerdictRolledBack,
			Description: "a port extender does not register with the new release",
		},
		{
			Name: "loss-over-budget", Phase: PhaseRun, Expected: VerdictPaused,
			Description: "the switchover drops traffic for more than a second",
		},
		{
			Name: "adjacency-lost", Phase: PhaseAcceptance, Expected: VerdictPaused, at: momentUniform,
			Description: "a routing adjacency goes down when everything runs the new release and never returns",
			strike:      (*Chassis).loseAdjacency,
		},
		{
			Name: "routes-missing", Phase: PhaseAcceptance, Expected: VerdictPaused, at: momentSwitched,
			Description: "a twelfth of the routes is missing after the switchover, and on the old release too",
			strike:      func(c *Chassis) { c.routes = c.routes.without(1.0 / 12) },
		},
		{
			Name: "crash-file-appears", Phase: PhaseAcceptance, Expected: VerdictPaused, at: momentUniform,
			Description: "a process crashed and left its file",
			strike: func(c *Chassis) {
				c.crashFiles = append(c.crashFiles, &file{path: "/crash/routing-1.core", size: 7 << 20, modified: c.now(), content: noContent{}})
			},
		},
		{
			Name: "unexpected-switchover-acceptance", Phase: PhaseAcceptance, Expected: VerdictPaused, at: momentUniform,
			Description: "the new primary fails when everything runs the new release",
			strike:      func(c *Chassis) { c.after(5*time.Second, func() { c.crash("a process of the primary failed") }) },
		},
	}
}

// faultSet is what is switched on for one chassis.
type faultSet struct {
	hop int

	mu    sync.Mutex
	on    map[string]*Fault
	fired []FiredFault
	done  map[string]bool
}

// FiredFault is a fault that has struck.
type FiredFault struct {
	Device fleet.DeviceID
	Name   string
	Time   time.Time // by the lab's clock
}

// newFaultSet switches faults on by name.
func newFaultSet(names []string, hop int) (*faultSet, error) {
	s := &faultSet{hop: max(hop, 1), on: map[string]*Fault{}, done: map[string]bool{}}
	table := faultTable()
	for _, name := range names {
		i := slices.IndexFunc(table, func(f Fault) bool { return f.Name == name })
		if i < 0 {
			known := make([]string, len(table))
			for j, f := range table {
				known[j] = f.Name
			}
			return nil, fmt.Errorf("fault: found %q, want one of %s", name, strings.Join(known, ", "))
		}
		s.on[name] = &table[i]
	}
	return s, nil
}

// fires reports whether the fault is switched on and strikes now. One that does
// not strike always does so once. The chassis's lock is held.
func (c *Chassis) fires(name string) bool {
	s := c.faults
	s.mu.Lock()
	defer s.mu.Unlock()
	f := s.on[name]
	if f == nil || f.Phase != PhaseBefore && c.hop != s.hop || s.done[name] && !f.always {
		return false
	}
	s.done[name] = true
	s.fired = append(s.fired, FiredFault{c.cfg.ID, name, c.clock.Now()})
	return true
}

// at lets the faults strike that belong to a moment. The lock is held.
func (c *Chassis) at(m moment) {
	c.faults.mu.Lock()
	var due []*Fault
	for _, f := range c.faults.on {
		if f.strike != nil && f.at == m {
			due = append(due, f)
		}
	}
	c.faults.mu.Unlock()
	for _, f := range due {
		if c.fires(f.Name) {
			f.strike(c)
		}
	}
}

// received lets the faults of a transfer strike after a piece has come; it
// reports whether the transfer stands still now. The lock is held.
func (c *Chassis) received(t *transfer) (stalls bool) {
	total := max(t.expected, 1)
	part := float64(t.reserved) / float64(total)
	crossed := func(name string, at float64) bool {
		if part < at || t.struck[name] || !c.fires(name) {
			return false
		}
		if t.struck == nil {
			t.struck = map[string]bool{}
		}
		t.struck[name] = true
		return true
	}
	if crossed("transfer-corrupts-once", 0.5) || crossed("transfer-corrupts-always", 0.5) {
		t.flip = true
	}
	if crossed("no-space-during-transfer", 0.5) {
		v := t.targets[0].volume
		v.put(&file{path: "/log/debug", size: v.available(), modified: c.now(), perm: 640, content: noContent{}})
		c.raise("volume-"+v.controller, "MAJOR", v.controller+"-STORAGE", "volume is full")
	}
	if crossed("unexpected-switchover-download", 0.3) {
		c.crash("a process of the primary failed")
	}
	return crossed("transfer-stalls", 0.4) || crossed("transfer-stalls-once", 0.4)
}

// loseFeed lets the last power feed die.
func (c *Chassis) loseFeed() {
	if len(c.cfg.Feeds) == 0 {
		return
	}
	name := c.cfg.Feeds[len(c.cfg.Feeds)-1]
	c.feeds[name] = false
	c.raise("feed-"+name, "MAJOR", name, "power feed has no voltage")
}

// loseLineCard lets the first line card fail.
func (c *Chassis) loseLineCard() {
	if len(c.lineCards) == 0 {
		return
	}
	l := c.lineCards[0]
	if l.stop != nil {
		l.stop()
	}
	c.fail(&l.component, "line card lost its fabric links")
	c.lose(l.Name, l.coldLoss)
}

// onPartner does something to the lab's second device. It returns at once, so
// that two chassis are never locked together.
func (c *Chassis) onPartner(f func(*Chassis)) {
	for _, p := range c.lab.chassis {
		if p != c {
			p.after(0, func() { f(p) })
			return
		}
	}
}

// damageStored changes one octet of the package on the secondary.
func (c *Chassis) damageStored() {
	s := c.secondary()
	for _, f := range s.volume.sorted("/images") {
		if f.version != "" && f.version != s.version && f.version != c.uniform && !slices.Contains(c.cfg.Installed, f.version) {
			g := *f
			g.content = damaged{f.content, f.size / 2}
			s.volume.put(&g)
		}
	}
}

// damaged is a content with one octet changed.
type damaged struct {
	content
	at int64
}

func (d damaged) open() (io.ReadCloser, error) {
	r, err := d.content.open()
	if err != nil {
		return nil, err
	}
	head := io.LimitReader(r, d.at)
	bad := &flipFirst{r: r}
	return struct {
		io.Reader
		io.Closer
	}{io.MultiReader(head, bad), r}, nil
}

// flipFirst changes the first octet that it reads.
type flipFirst struct {
	r    io.Reader
	done bool
}

func (f *flipFirst) Read(b []byte) (int, error) {
	n, err := f.r.Read(b)
	if n > 0 && !f.done {
		b[0] ^= 1
		f.done = true
	}
	return n, err
}
