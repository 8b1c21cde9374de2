package lab

import (
	"context"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/lab/forward"
	"towpath/internal/lab/labtime"
	"towpath/internal/lab/neighbour"
	"towpath/internal/lab/netconf"
)

// The roles and states of components.
// Source: OpenConfig platform model, redundant-role and component-oper-status.
const (
	rolePrimary   = "PRIMARY"
	roleSecondary = "SECONDARY"

	operActive   = "ACTIVE"
	operInactive = "INACTIVE"
	operDisabled = "DISABLED"

	healthy     = "HEALTHY"
	unhealthy   = "UNHEALTHY"
	unspecified = "UNSPECIFIED"

	powerEnabled  = "POWER_ENABLED"
	powerDisabled = "POWER_DISABLED"

	byUser   = "USER_INITIATED"
	bySystem = "SYSTEM_INITIATED"

	rebootUser  = "REBOOT_USER_INITIATED"
	rebootError = "REBOOT_CRITICAL_ERROR"
	rebootPower = "REBOOT_POWER_FAILURE"
)

// Chassis is one emulated device. Its methods may be called from many
// goroutines at once.
type Chassis struct {
	cfg      DeviceConfig
	lab      *Lab
	clock    *labtime.Clock
	plane    *forward.Plane
	set      *neighbour.Set
	mgmt     *management
	nc       *netconf.Server // nil where NETCONF is not served
	shell    *shellPlane     // nil where no command line is served
	consoles *consolePlane   // nil where there is no console server
	infos    leafInfos
	ctx      context.Context
	cancel   context.CancelFunc
	faults   *faultSet

	spawnMu sync.Mutex
	closed  bool
	wg      sync.WaitGroup

	// mu guards everything below. Whoever changes something does it in do, which
	// tells the subscribers.
	mu           sync.Mutex
	rng          *rand.Rand
	started      time.Time
	bootTime     time.Time // of the system
	controllers  []*controller
	lineCards    []*lineCard
	others       []*component // chassis, fabrics, supplies, fans, sensors, storage, extenders
	extenders    []*component
	fabrics      []*component
	feeds        map[string]bool
	ports        []*port
	darkCards    map[string]func() // cards whose links are down, and how to bring them up
	lastFailure  map[string]time.Time
	pastOutcomes [][]neighbour.Outcome // of the silences before the last
	alarms       map[string]*alarm
	config       map[string]value // leaves that were Set to other than they were, by path
	unset        map[string]value // what a leaf is that was never Set, where it once was
	saved        string           // digest of the saved configuration
	reroutes     int              // how often the flows were sent another way, or were to be
	back         func()           // brings the flows back from the partner; nil while they are here
	over         string           // the partner
	configTime   time.Time
	lastBackup   time.Time
	unsaved      bool
	lockHolder   string
	maintenance  bool
	clockSynced  bool
	clockSkew    time.Duration
	crashFiles   []*file
	routes       *routeTable
	tables       Tables
	treeChanges  uint64
	treeChanged  time.Time
	synced       bool // the secondary has the primary's state
	syncPercent  int
	takeOverAs   string // release with which the secondary takes over as soon as it is ready
	silent       bool
	silences     []Silence
	install      *installRun
	ncBinds      []bind    // see binds
	expected     int64     // octets of the package that was last asked for without being sent
	incoming     incoming  // files that are on their way by SFTP
	busyUntil    time.Time // another operator's installation ends
	pending      []*pendingReboot
	lastReboot   rebootRecord
	acts         []*Act
	hop          int
	uniform      string // release that everything ran last time everything ran the same
	events       []healthEvent

	leaves map[*leafInfo]value // as last told
	subs   map[*subscriber]struct{}
}

// component is what every part of the chassis has.
type component struct {
	Part
	kind          string // OpenConfig type
	parent        string
	removable     bool
	oper          string
	health        string
	lastUnhealthy time.Time
	unhealthy     uint64
	version       string
	pendingLevel  string // firmware that takes effect at the next restart
	bootTime      time.Time
	rebootReason  string
	failure       bool
	mismatch      bool
	power         string
	memory        uint64
	memoryUsed    uint64
	cpu           int
	celsius       float64
	booting       bool
	bootPercent   int
	stop          context.CancelFunc // of the present boot
	up            chan struct{}      // closed when the present boot has ended, well or not
}

// controller is a controller card.
type controller struct {
	component
	role           string
	bootNext       string
	volume         *volume
	activationFail string
	switched       time.Time
	trigger        string
	details        string
}

// lineCard is a line card.
type lineCard struct {
	component
	slot           string
	rebootKeeps    bool // the present restart keeps forwarding
	loss, coldLoss time.Duration
}

// port is an interface.
type port struct {
	Interface
	aggregate  *Aggregate // set for a group
	enabled    bool
	up         bool
	changed    time.Time
	carrier    uint64
	discards   uint64
	upSince    time.Time // for its counters
	inOctets   float64
	outOctets  float64
	membership []string
}

// alarm is an active alarm.
type alarm struct {
	id, resource, text, severity, kind string
	since                              time.Time
}

// healthEvent is one entry of a component's health history.
type healthEvent struct {
	id, component, status string
	created               time.Time
	acknowledged          bool
}

// newChassis builds a chassis that runs its release and has been up for days.
func newChassis(l *Lab, cfg DeviceConfig, seed uint64) (*Chassis, error) {
	if len(cfg.Controllers) != 2 {
		return nil, fmt.Errorf("device %s: found %d controller cards, want 2", cfg.ID, len(cfg.Controllers))
	}
	if cfg.Release == "" || cfg.Platform == "" || cfg.ID == "" {
		return nil, fmt.Errorf("device %q: want an id, a platform and a release", cfg.ID)
	}
	h := fnv.New64a()
	fmt.Fprint(h, cfg.ID)
	now := l.clock.Now()
	c := &Chassis{
		cfg: cfg, lab: l, clock: l.clock, rng: rand.New(rand.NewPCG(seed, h.Sum64())),
		started: now, bootTime: now.Add(-31 * 24 * time.Hour), alarms: map[string]*alarm{}, config: map[string]value{}, unset: map[string]value{},
		feeds: map[string]bool{}, darkCards: map[string]func(){}, lastFailure: map[string]time.Time{}, clockSynced: true, synced: true, syncPercent: 100, hop: 1, uniform: cfg.Release,
		leaves: map[*leafInfo]value{}, subs: map[*subscriber]struct{}{},
		configTime: now.Add(-cfg.Configuration.ChangedAgo), lastBackup: now.Add(-cfg.Configuration.BackupAgo),
		unsaved: cfg.Configuration.Unsaved, lockHolder: cfg.Configuration.LockHolder, tables: cfg.Tables,
	}
	c.saved = c.digest()
	c.ctx, c.cancel = context.WithCancel(context.Background())
	if err := c.furnish(); err != nil {
		return nil, fmt.Errorf("device %s: %w", cfg.ID, err)
	}
	return c, nil
}

// furnish makes the components from the configuration.
func (c *Chassis) furnish() error {
	cfg := &c.cfg
	base := component{oper: operActive, health: healthy, power: powerEnabled, bootTime: c.bootTime, rebootReason: rebootUser, removable: true}
	add := func(kind, parent string, p Part) *component {
		k := base
		k.Part, k.kind, k.parent = p, kind, parent
		c.others = append(c.others, &k)
		return &k
	}
	ch := add("CHASSIS", "", Part{Name: "chassis", Part: cfg.Platform, Serial: "LAB-" + string(cfg.ID)})
	ch.removable = false
	for i, cc := range cfg.Controllers {
		k := &controller{component: base, role: rolePrimary, bootNext: cfg.Release}
		if i > 0 {
			k.role = roleSecondary
		}
		k.Part, k.kind, k.parent, k.version = cc.Part, "CONTROLLER_CARD", "chassis", cfg.Release
		k.memory, k.memoryUsed = uint64(cc.Memory), uint64(cc.Memory)*45/100
		k.cpu, k.celsius = 17+5*(1-i), 41.5-float64(i)
		k.volume = &volume{
			controller: cc.Name, mount: cfg.Volume.Mount, size: int64(cfg.Volume.Size), system: int64(cfg.Volume.System),
			files: map[string]*file{},
		}
		if err := c.stock(k.volume); err != nil {
			return err
		}
		c.controllers = append(c.controllers, k)
		add("STORAGE", cc.Name, Part{Name: cc.Name + "-STORAGE", Part: "storage"})
		add("SENSOR", cc.Name, Part{Name: cc.Name + "-TEMP"}).celsius = k.celsius - 6
	}
	for i, lc := range cfg.LineCards {
		k := &lineCard{component: base, slot: strconv.Itoa(i + 1), loss: lc.Loss, coldLoss: max(lc.ColdLoss, lc.Loss)}
		k.Part, k.kind, k.parent, k.version = lc.Part, "LINECARD", "chassis", cfg.Release
		k.memory, k.memoryUsed = uint64(lc.Memory), uint64(lc.Memory)*38/100
		k.cpu, k.celsius = 9+i, 44+float64(i)
		c.lineCards = append(c.lineCards, k)
	}
	for _, p := range cfg.Fabrics {
		k := add("FABRIC", "chassis", p)
		k.version = cfg.Release
		c.fabrics = append(c.fabrics, k)
	}
	for _, p := range cfg.PowerSupplies {
		add("POWER_SUPPLY", "chassis", p)
	}
	for _, p := range cfg.Fans {
		add("FAN", "chassis", p)
	}
	for _, p := range cfg.Extenders {
		k := add("PORT_EXTENDER", p.Card, p.Part)
		k.version = cfg.Release
		c.extenders = append(c.extenders, k)
	}
	for _, f := range cfg.Feeds {
		c.feeds[f] = true
	}
	groups := map[string]*port{}
	for i := range cfg.Aggregates {
		a := &cfg.Aggregates[i]
		p := &port{Interface: Interface{Name: a.Name, Description: a.Description}, aggregate: a, enabled: true, up: true}
		groups[a.Name] = p
		c.ports = append(c.ports, p)
	}
	for _, in := range cfg.Interfaces {
		p := &port{Interface: in, enabled: true, up: true}
		c.ports = append(c.ports, p)
		if in.Aggregate != "" {
			g := groups[in.Aggregate]
			if g == nil {
				return fmt.Errorf("interface %s: found aggregate %q, which is not configured", in.Name, in.Aggregate)
			}
			g.membership = append(g.membership, in.Name)
			g.Speed += in.Speed
			g.InRate += in.InRate
			g.OutRate += in.OutRate
		}
		if in.Card != "" && c.component(in.Card) == nil {
			return fmt.Errorf("interface %s: found card %q, which is not configured", in.Name, in.Card)
		}
	}
	for i, p := range c.ports {
		p.changed = c.started.Add(-time.Duration(20+i) * 24 * time.Hour)
		p.upSince = c.started
		p.carrier = uint64(1 + i%3)
		p.inOctets, p.outOctets = float64(p.InRate)/8*1e6, float64(p.OutRate)/8*1e6
	}
	slices.SortFunc(c.ports, func(a, b *port) int { return strings.Compare(a.Name, b.Name) })
	if st := cfg.SpanningTree; st != nil {
		c.treeChanges, c.treeChanged = uint64(st.Changes), c.started.Add(-st.Quiet)
	}
	c.routes = newRouteTable(cfg)
	return nil
}

// stock puts the packages and files of the configuration on a volume.
func (c *Chassis) stock(v *volume) error {
	for _, ver := range append([]string{c.cfg.Release}, c.cfg.Installed...) {
		r := c.release(ver)
		if r.Size < MinPackageSize {
			return fmt.Errorf("release %s is installed: found size %s, want at least %d octets", ver, r.Size, MinPackageSize)
		}
		p, err := c.lab.pack(PackageSpec{Platform: c.cfg.Platform, Version: ver, Kind: PackageSystem, Size: int64(r.Size), Seed: r.Seed})
		if err != nil {
			return err
		}
		v.put(&file{
			path: "/images/" + c.packageFile(ver), size: p.Size(), sum: p.sum256, modified: c.bootTime.Add(-time.Hour),
			perm: 644, version: ver, content: packContent{p},
		})
	}
	for name, size := range c.cfg.Volume.Files {
		p, err := c.lab.pack(PackageSpec{Platform: "file", Version: key(strings.NewReplacer(" ", "-", "=", "-").Replace(name)), Kind: "data", Size: max(int64(size), MinPackageSize)})
		if err != nil {
			return err
		}
		v.put(&file{path: name, size: p.Size(), sum: p.sum256, modified: c.bootTime, perm: 644, content: packContent{p}})
	}
	if v.used() > v.size {
		return fmt.Errorf("volume %s: files take %d octets of %d", v.name(), v.used(), v.size)
	}
	return nil
}

// release returns what is configured about a release, or an empty one with the
// version.
func (c *Chassis) release(version string) Release {
	for _, r := range c.cfg.Releases {
		if r.Version == version {
			return r
		}
	}
	return Release{Version: version}
}

// packageFile is the file name of a release's system package.
func (c *Chassis) packageFile(version string) string {
	if r := c.release(version); r.File != "" {
		return r.File
	}
	return c.cfg.Platform + "-" + version + ".pkg"
}

// do changes the chassis under its lock and then tells the subscribers.
func (c *Chassis) do(f func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f()
	c.settle()
	c.publish()
	if c.consoles != nil {
		c.consoles.look()
	}
}

// settle looks for what follows from a change: interfaces of a card that went
// away, and whether everything runs the same release now.
func (c *Chassis) settle() {
	c.settlePorts()
	v := c.primary().version
	if v == c.uniform || c.silent || c.anyBooting() {
		return
	}
	for _, k := range c.allComponents() {
		if k.version != "" && k.power == powerEnabled && (k.version != v || k.oper != operActive) && !k.mismatch {
			return
		}
	}
	if !c.synced {
		return
	}
	c.uniform = v
	c.at(momentUniform)
	c.hop++
}

// anyBooting reports whether a component is on its way up.
func (c *Chassis) anyBooting() bool {
	return slices.ContainsFunc(c.allComponents(), func(k *component) bool { return k.booting })
}

// spawn runs f until the chassis is closed; Close waits for it.
func (c *Chassis) spawn(f func()) {
	c.spawnMu.Lock()
	defer c.spawnMu.Unlock()
	if !c.closed {
		c.wg.Go(f)
	}
}

// primary returns the controller card with the role. The lock is held.
func (c *Chassis) primary() *controller {
	for _, k := range c.controllers {
		if k.role == rolePrimary {
			return k
		}
	}
	return c.controllers[0]
}

// secondary returns the other one.
func (c *Chassis) secondary() *controller {
	for _, k := range c.controllers {
		if k.role == roleSecondary {
			return k
		}
	}
	return c.controllers[1]
}

func (c *Chassis) controller(name string) *controller {
	for _, k := range c.controllers {
		if k.Name == name {
			return k
		}
	}
	return nil
}

func (c *Chassis) lineCard(name string) *lineCard {
	for _, k := range c.lineCards {
		if k.Name == name {
			return k
		}
	}
	return nil
}

// allComponents returns every component, in no promised order.
func (c *Chassis) allComponents() []*component {
	out := make([]*component, 0, len(c.others)+len(c.controllers)+len(c.lineCards))
	out = append(out, c.others...)
	for _, k := range c.controllers {
		out = append(out, &k.component)
	}
	for _, k := range c.lineCards {
		out = append(out, &k.component)
	}
	return out
}

func (c *Chassis) component(name string) *component {
	for _, k := range c.allComponents() {
		if k.Name == name {
			return k
		}
	}
	return nil
}

func (c *Chassis) port(name string) *port {
	for _, p := range c.ports {
		if p.Name == name {
			return p
		}
	}
	return nil
}

// ready is what both controller cards report as switchover-ready.
func (c *Chassis) ready() bool {
	p, s := c.primary(), c.secondary()
	return c.synced && p.oper == operActive && s.oper == operActive && !s.booting && !c.silent
}

// draw takes a duration from a range. The lock is held.
func (c *Chassis) draw(r Range) time.Duration {
	if r.Most <= r.Least {
		return r.Least
	}
	return r.Least + time.Duration(c.rng.Int64N(int64(r.Most-r.Least)+1))
}

// setHealth changes a component's health and keeps its history.
func (c *Chassis) setHealth(k *component, status string) {
	if k.health == status {
		return
	}
	k.health = status
	now := c.now()
	if status == unhealthy {
		k.lastUnhealthy = now
		k.unhealthy++
	}
	if status != unspecified {
		c.events = append(c.events, healthEvent{
			id: fmt.Sprintf("health-%d", len(c.events)+1), component: k.Name, status: status, created: now,
		})
	}
}

// now is the device's clock, which a fault may have put wrong.
func (c *Chassis) now() time.Time { return c.clock.Now().Add(c.clockSkew) }

// raise sets an alarm, clearing one of the same id.
func (c *Chassis) raise(id, severity, resource, text string) {
	c.alarms[id] = &alarm{id: id, resource: resource, text: text, severity: severity, kind: "EQUIPMENT", since: c.now()}
}

func (c *Chassis) clear(id string) { delete(c.alarms, id) }

// settlePorts brings ports up and down with their cards, and groups with their
// members.
func (c *Chassis) settlePorts() {
	now := c.now()
	set := func(p *port, up bool) {
		if p.up == up {
			return
		}
		p.count(c.clock.Now())
		p.up, p.changed = up, now
		p.carrier++
	}
	c.settleCards()
	for _, p := range c.ports {
		if p.aggregate == nil {
			set(p, p.enabled && c.carries(p.Card))
		}
	}
	for _, p := range c.ports {
		if p.aggregate != nil {
			n := 0
			for _, m := range p.membership {
				if c.port(m).up {
					n++
				}
			}
			set(p, p.enabled && n >= max(p.aggregate.MinLinks, 1))
		}
	}
}

// settleCards takes the links of cards down and up with them.
func (c *Chassis) settleCards() {
	if c.set == nil {
		return
	}
	names := make([]string, 0, len(c.lineCards)+len(c.extenders))
	for _, l := range c.lineCards {
		names = append(names, l.Name)
	}
	for _, k := range c.extenders {
		names = append(names, k.Name)
	}
	for _, n := range names {
		up, down := c.carries(n), c.darkCards[n] != nil
		switch {
		case !up && !down:
			c.darkCards[n] = c.set.CardDown(n)
		case up && down:
			c.darkCards[n]()
			delete(c.darkCards, n)
		}
	}
}

// carries reports whether ports on the card can be up: it forwards, whether or
// not its software is just restarting.
func (c *Chassis) carries(card string) bool {
	if card == "" {
		return true
	}
	if lc := c.lineCard(card); lc != nil {
		return lc.forwards()
	}
	k := c.component(card)
	if lc := c.lineCard(k.parent); lc != nil && !lc.forwards() {
		return false
	}
	return k.oper == operActive || k.booting
}

// forwards reports whether the card's hardware forwards.
func (l *lineCard) forwards() bool {
	return l.oper == operActive || l.booting && l.rebootKeeps
}

// count adds what the port's counters grew since the last call.
func (p *port) count(now time.Time) {
	d := now.Sub(p.upSince).Seconds()
	p.upSince = now
	if p.up {
		p.inOctets += float64(p.InRate) / 8 * d
		p.outOctets += float64(p.OutRate) / 8 * d
	}
}

// ID returns the device's name.
func (c *Chassis) ID() fleet.DeviceID { return c.cfg.ID }

// Address returns host:port of the management plane, which follows the PRIMARY.
func (c *Chassis) Address() string { return c.mgmt.addr }

// Plane returns the data plane, nil where no flows are configured.
func (c *Chassis) Plane() *forward.Plane { return c.plane }
