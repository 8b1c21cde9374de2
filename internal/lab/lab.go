package lab

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"sync"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/lab/forward"
	"towpath/internal/lab/labtime"
	"towpath/internal/lab/neighbour"
)

// Lab is a running set of emulated devices. Its methods may be called from many
// goroutines at once.
type Lab struct {
	cfg        Config
	clock      *labtime.Clock
	ownClock   bool
	pki        *PKI
	dir        string
	ownDir     bool
	memoryFile int64
	chassis    []*Chassis

	mu    sync.Mutex
	packs map[PackageSpec]*Package
	once  sync.Once
}

// Start builds the devices and opens their management and data planes. Call
// [Lab.Close] when done. The error names the device and field that are wrong.
func Start(cfg Config) (*Lab, error) {
	if len(cfg.Devices) == 0 {
		return nil, errors.New("lab: found no device, want at least one")
	}
	l := &Lab{cfg: cfg, clock: cfg.Clock, packs: map[PackageSpec]*Package{}, dir: cfg.Dir, memoryFile: int64(cfg.MemoryFile)}
	if l.memoryFile == 0 {
		l.memoryFile = 64 << 20
	}
	if l.clock == nil {
		l.clock, l.ownClock = labtime.Real(), true
	}
	if err := l.start(); err != nil {
		_ = l.Close()
		return nil, fmt.Errorf("lab: %w", err)
	}
	return l, nil
}

func (l *Lab) start() error {
	life := l.cfg.CertificateLife
	if life == 0 {
		life = 30 * 24 * time.Hour
	}
	var err error
	if l.pki, err = newPKI(l.clock.Now(), life); err != nil {
		return err
	}
	if l.dir == "" {
		if l.dir, err = os.MkdirTemp("", "towpath-lab-"); err != nil {
			return fmt.Errorf("folder for received files: %w", err)
		}
		l.ownDir = true
	}
	for i, dc := range l.cfg.Devices {
		var names []string
		if i == 0 {
			names = l.cfg.Faults
		}
		faults, err := newFaultSet(names, l.cfg.FaultHop)
		if err != nil {
			return err
		}
		c, err := newChassis(l, dc, l.cfg.Seed)
		if err != nil {
			return err
		}
		c.faults = faults
		l.chassis = append(l.chassis, c)
	}
	for _, c := range l.chassis {
		if err := c.run(); err != nil {
			return fmt.Errorf("device %s: %w", c.cfg.ID, err)
		}
	}
	for _, c := range l.chassis {
		c.do(func() { c.at(momentStart) })
	}
	return nil
}

// run brings a furnished chassis to life.
func (c *Chassis) run() error {
	var err error
	if len(c.cfg.Flows) > 0 {
		if c.plane, err = forward.New(forward.Config{Flows: c.cfg.Flows, Idle: 15 * time.Second, Clients: 1024}); err != nil {
			return err
		}
	}
	if err := c.meetNeighbours(); err != nil {
		return err
	}
	c.mu.Lock()
	expired := c.fires("certificate-expired")
	c.mu.Unlock()
	tc, err := c.lab.pki.server(string(c.cfg.ID), expired)
	if err != nil {
		return err
	}
	return c.listen(tc)
}

// shut ends a chassis and waits for what it runs.
func (c *Chassis) shut() error {
	var failed error
	if c.mgmt != nil {
		failed = c.mgmt.close()
	}
	c.cancel()
	c.spawnMu.Lock()
	c.closed = true
	c.spawnMu.Unlock()
	c.wg.Wait()
	if c.set != nil {
		c.set.Close()
	}
	c.mu.Lock()
	for _, k := range c.controllers {
		for _, f := range k.volume.files {
			f.content.drop()
		}
	}
	c.mu.Unlock()
	if c.plane != nil {
		failed = errors.Join(failed, c.plane.Close())
	}
	return failed
}

// Close ends the lab and waits until nothing of it runs any more. Closing twice
// does nothing.
func (l *Lab) Close() error {
	var errs []error
	l.once.Do(func() {
		for _, c := range l.chassis {
			errs = append(errs, c.shut())
		}
		if l.ownClock {
			l.clock.Close()
		}
		if l.ownDir {
			errs = append(errs, os.RemoveAll(l.dir))
		}
	})
	return errors.Join(errs...)
}

// Clock returns the lab's time.
func (l *Lab) Clock() *labtime.Clock { return l.clock }

// PKI returns the certificate authority and the operator's certificate.
func (l *Lab) PKI() *PKI { return l.pki }

// Address returns host:port of the first device's management plane.
func (l *Lab) Address() string { return l.chassis[0].Address() }

// Plane returns the data plane of the first device, nil where it has none.
func (l *Lab) Plane() *forward.Plane { return l.chassis[0].plane }

// Devices returns the devices in order of the configuration.
func (l *Lab) Devices() []*Chassis { return append([]*Chassis(nil), l.chassis...) }

// Chassis returns the device with the name, nil if there is none.
func (l *Lab) Chassis(id fleet.DeviceID) *Chassis {
	for _, c := range l.chassis {
		if c.cfg.ID == id {
			return c
		}
	}
	return nil
}

// Acts returns what the devices were asked to do, device by device.
func (l *Lab) Acts() []Act {
	var out []Act
	for _, c := range l.chassis {
		out = append(out, c.Acts()...)
	}
	return out
}

// Truth is what really happened, for checking what was measured.
type Truth struct {
	// Silences are the times in which a control plane said nothing.
	Silences []Silence
	// Losses are what the data plane of the first device dropped, per flow.
	Losses []forward.Truth
	// Outcomes say, for each silence of the first device in order, what became
	// of each adjacency.
	Outcomes [][]neighbour.Outcome
	// Fired are the faults that have struck, in order.
	Fired []FiredFault
}

// Truth returns what has really happened so far.
func (l *Lab) Truth() Truth {
	var t Truth
	for i, c := range l.chassis {
		t.Silences = append(t.Silences, c.Silences()...)
		c.faults.mu.Lock()
		t.Fired = append(t.Fired, c.faults.fired...)
		c.faults.mu.Unlock()
		if i == 0 {
			t.Outcomes = c.outcomesSoFar()
			if c.plane != nil {
				t.Losses = c.plane.Truth()
			}
		}
	}
	return t
}

// pack makes a package once and then returns the same again.
func (l *Lab) pack(spec PackageSpec) (*Package, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if p := l.packs[spec]; p != nil {
		return p, nil
	}
	p, err := NewPackage(spec)
	if err == nil {
		l.packs[spec] = p
	}
	return p, err
}

// newRand returns the random source of one part of a device.
func newRand(seed uint64, part uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, part)) }
