// Package forward is the data plane of the emulated chassis: UDP packets that
// arrive on loopback are really forwarded to a reflector and its answers
// really come back, until a card is blocked, and then they are really dropped.
//
// Read [New] first, then [Plane.Block] and [Plane.Truth]: what was dropped, in
// which direction and when, counted where it happened. That is the truth a
// measurement is held against.
//
// Each flow has its own listening socket, and each client address of a flow its
// own socket towards the reflector, so the reflector sees as many source ports
// as there are clients. Packets of one client keep their order in each
// direction. Nothing is allocated per packet.
package forward

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
)

// The limits that hold where a [Config] leaves them out.
const (
	DefaultIdle       = time.Minute
	DefaultClients    = 256  // per flow
	DefaultPacketSize = 9216 // octets of UDP payload; a jumbo frame fits

	socketBuffer = 4 << 20 // octets asked of the kernel for each socket
	flowBatch    = 64      // packets read at once from clients
	clientBatch  = 16      // packets read at once from the reflector, per client
)

// Flow is one way through the chassis.
type Flow struct {
	Name   string // unique, not empty
	Listen string // host:port that clients send to; port 0 picks a free one
	To     string // host:port of the reflector
	Card   string // the card that carries it, for [Plane.Block]
}

// Config says what a plane forwards. Zero values of the limits mean the
// defaults of this package.
type Config struct {
	Flows      []Flow
	Idle       time.Duration // a client not heard in either direction this long is forgotten
	Clients    int           // most clients of one flow at a time; packets of further ones are refused
	PacketSize int           // most octets of payload; longer packets fail
}

// Direction is a direction through the plane.
type Direction int

// The directions.
const (
	Forward Direction = iota // from clients to the reflector
	Reverse                  // from the reflector to clients
)

// String names the direction.
func (d Direction) String() string {
	if d == Reverse {
		return "reverse"
	}
	return "forward"
}

// Plane is a running data plane. Its methods may be called from many
// goroutines at once.
type Plane struct {
	flows []*flow
	start time.Time
	idle  time.Duration
	stop  chan struct{}
	wg    sync.WaitGroup
	once  sync.Once
}

// flow is one running flow.
type flow struct {
	Flow
	plane   *Plane
	conn    *net.UDPConn
	addr    netip.AddrPort
	to      *net.UDPAddr
	size    int
	most    int
	refused atomic.Uint64
	gates   [2]gate // by Direction
	over    atomic.Pointer[flow]

	mu      sync.Mutex
	clients map[netip.AddrPort]*client
	gone    uint64 // kernel drops of sockets that have been closed
	closed  bool
}

// client is one client address of a flow, with its own socket towards the
// reflector.
type client struct {
	addr netip.AddrPort
	up   *net.UDPConn
	last atomic.Int64 // nanoseconds since Plane.start
}

// gate decides what happens to each packet of one direction of a flow. A
// packet is judged and sent under its lock, so once Block has returned nothing
// passes any more.
type gate struct {
	mu     sync.Mutex
	blocks int
	losses []*loss
	count  Count
	open   bool // the last episode of count is still going on
}

// loss is a fault that drops some packets.
type loss struct {
	every    int // drop each every-th packet; 0 for a random loss
	seen     int
	fraction float64
	rng      *rand.Rand
}

// New opens the sockets and starts to forward. The error names the flow and
// field that are wrong. Call [Plane.Close] when done.
func New(cfg Config) (*Plane, error) {
	p := &Plane{start: time.Now(), idle: cfg.Idle, stop: make(chan struct{})}
	if p.idle <= 0 {
		p.idle = DefaultIdle
	}
	if cfg.Clients <= 0 {
		cfg.Clients = DefaultClients
	}
	if cfg.PacketSize <= 0 {
		cfg.PacketSize = DefaultPacketSize
	}
	names := map[string]bool{}
	for i, fc := range cfg.Flows {
		if fc.Name == "" || names[fc.Name] {
			_ = p.Close()
			return nil, fmt.Errorf("flow %d: found name %q, want one that is not empty and not used before", i, fc.Name)
		}
		names[fc.Name] = true
		f, err := p.open(fc, cfg)
		if err != nil {
			_ = p.Close()
			return nil, fmt.Errorf("flow %s: %w", fc.Name, err)
		}
		p.flows = append(p.flows, f)
	}
	for _, f := range p.flows {
		r, err := newReader(f.conn, flowBatch, f.size)
		if err != nil {
			_ = p.Close()
			return nil, fmt.Errorf("flow %s: %w", f.Name, err)
		}
		p.wg.Go(func() { f.serve(r) })
	}
	p.wg.Go(p.sweep)
	return p, nil
}

// open makes one flow, not yet running.
func (p *Plane) open(fc Flow, cfg Config) (*flow, error) {
	to, err := net.ResolveUDPAddr("udp", fc.To)
	if err != nil {
		return nil, fmt.Errorf("to: found %q, want the reflector's host:port: %w", fc.To, err)
	}
	if to.Port == 0 || to.IP == nil {
		return nil, fmt.Errorf("to: found %q, want the reflector's host:port", fc.To)
	}
	listen, err := net.ResolveUDPAddr("udp", fc.Listen)
	if err != nil {
		return nil, fmt.Errorf("listen: found %q, want a host:port such as 127.0.0.1:0: %w", fc.Listen, err)
	}
	conn, err := net.ListenUDP("udp", listen)
	if err != nil {
		return nil, fmt.Errorf("listen %q: %w", fc.Listen, err)
	}
	enlarge(conn)
	addr, _ := conn.LocalAddr().(*net.UDPAddr)
	ap := addr.AddrPort()
	return &flow{
		Flow: fc, plane: p, conn: conn, to: to, size: cfg.PacketSize, most: cfg.Clients,
		addr:    netip.AddrPortFrom(ap.Addr().Unmap(), ap.Port()),
		clients: map[netip.AddrPort]*client{},
	}, nil
}

// Close stops forwarding, closes every socket and waits until nothing runs any
// more. Closing twice does nothing.
func (p *Plane) Close() error {
	var errs []error
	p.once.Do(func() {
		close(p.stop)
		for _, f := range p.flows {
			f.mu.Lock()
			f.closed = true
			for _, c := range f.clients {
				f.forget(c)
			}
			// Its drops are asked for while it can still be asked.
			n, _ := kernelDrops(f.conn)
			f.gone += n
			errs = append(errs, f.conn.Close())
			f.mu.Unlock()
		}
		p.wg.Wait()
	})
	return errors.Join(errs...)
}

// Addr returns where clients of the named flow send to; the zero AddrPort if
// there is no such flow.
func (p *Plane) Addr(name string) netip.AddrPort {
	for _, f := range p.flows {
		if f.Name == name {
			return f.addr
		}
	}
	return netip.AddrPort{}
}

// Flows returns the flows in the order they were configured, with the address
// really listened on.
func (p *Plane) Flows() []Flow {
	out := make([]Flow, len(p.flows))
	for i, f := range p.flows {
		out[i] = f.Flow
		out[i].Listen = f.addr.String()
	}
	return out
}

// Divert sends the packets of each flow over the other plane, where that has a
// flow of the same name: they pass, or do not, as its own do, and are counted
// there. No packet is lost between one way and the other. Undoing it twice does
// nothing.
func (p *Plane) Divert(other *Plane) (back func()) {
	for _, f := range p.flows {
		for _, o := range other.flows {
			if o.Name == f.Name {
				f.over.Store(o)
			}
		}
	}
	return func() {
		for _, f := range p.flows {
			f.over.Store(nil)
		}
	}
}

// gate is the gate that the flow's packets of a direction pass now.
func (f *flow) gate(d Direction) *gate {
	if o := f.over.Load(); o != nil {
		return &o.gates[d]
	}
	return &f.gates[d]
}

// Block drops every packet, in both directions, of the flows that the card
// carries; "" means every flow. When it returns, nothing passes any more.
// Blocks count: a flow passes again when each block on it has been undone.
// Undoing one twice does nothing.
func (p *Plane) Block(card string) (unblock func()) {
	return p.block(card, Forward, Reverse)
}

// BlockDirection is [Plane.Block] for one direction only.
func (p *Plane) BlockDirection(card string, d Direction) (unblock func()) {
	return p.block(card, d)
}

func (p *Plane) block(card string, ds ...Direction) func() {
	at := time.Now()
	p.each(card, ds, func(g *gate, _ uint64) {
		if g.blocks++; g.blocks == 1 {
			g.count.Episodes = append(g.count.Episodes, Episode{From: at})
			g.open = true
		}
	})
	var once sync.Once
	return func() {
		once.Do(func() {
			at := time.Now()
			p.each(card, ds, func(g *gate, _ uint64) {
				if g.blocks--; g.blocks == 0 {
					g.count.Episodes[len(g.count.Episodes)-1].Until = at
					g.open = false
				}
			})
		})
	}
}

// DropEvery drops each n-th packet, per flow and direction, of the flows that
// the card carries; "" means every flow, and n below one drops nothing. Undoing
// it twice does nothing.
func (p *Plane) DropEvery(card string, n int) (stop func()) {
	return p.lose(card, func(uint64) *loss { return &loss{every: n} })
}

// DropFraction drops each packet of the flows that the card carries with the
// probability fraction, independently. The draws of each flow and direction
// follow from the seed alone. Undoing it twice does nothing.
func (p *Plane) DropFraction(card string, fraction float64, seed uint64) (stop func()) {
	return p.lose(card, func(stream uint64) *loss {
		return &loss{fraction: fraction, rng: rand.New(rand.NewPCG(seed, stream))}
	})
}

func (p *Plane) lose(card string, make func(stream uint64) *loss) func() {
	both := []Direction{Forward, Reverse}
	placed := map[*gate]*loss{}
	p.each(card, both, func(g *gate, stream uint64) {
		l := make(stream)
		placed[g] = l
		g.losses = append(g.losses, l)
	})
	var once sync.Once
	return func() {
		once.Do(func() {
			p.each(card, both, func(g *gate, _ uint64) {
				kept := g.losses[:0:0]
				for _, l := range g.losses {
					if l != placed[g] {
						kept = append(kept, l)
					}
				}
				g.losses = kept
			})
		})
	}
}

// each calls do for the gates of the card's flows, each under its lock. The
// number tells flows and directions apart.
func (p *Plane) each(card string, ds []Direction, do func(g *gate, stream uint64)) {
	for i, f := range p.flows {
		if card != "" && f.Card != card {
			continue
		}
		for _, d := range ds {
			g := &f.gates[d]
			g.mu.Lock()
			do(g, uint64(i)<<1|uint64(d))
			g.mu.Unlock()
		}
	}
}

// judge decides about the next packet and counts it unless it is to be sent.
// The lock is held.
func (g *gate) judge() (send bool) {
	if g.blocks > 0 {
		now := time.Now()
		e := &g.count.Episodes[len(g.count.Episodes)-1]
		if e.Dropped == 0 {
			e.First = now
		}
		e.Last = now
		e.Dropped++
		g.count.Blocked++
		return false
	}
	lost := false
	for _, l := range g.losses { // every fault sees every packet
		if l.rng != nil {
			lost = l.rng.Float64() < l.fraction || lost
		} else if l.every > 0 {
			l.seen++
			lost = l.seen%l.every == 0 || lost
		}
	}
	if lost {
		now := time.Now()
		if g.count.Lost == 0 {
			g.count.LostFirst = now
		}
		g.count.LostLast = now
		g.count.Lost++
	}
	return !lost
}

// sent counts the outcome of a packet that judge let pass.
func (g *gate) sent(err error) {
	if err != nil {
		g.count.Failed++
	} else {
		g.count.Forwarded++
	}
}

// serve forwards what clients send until the flow's socket is closed.
func (f *flow) serve(r *reader) {
	for {
		n, err := r.read()
		if err != nil {
			if errors.Is(err, net.ErrClosed) {
				return
			}
			continue
		}
		now := int64(time.Since(f.plane.start))
		for i := range n {
			pkt, from, whole := r.packet(i)
			c := f.client(from, now)
			if c == nil {
				f.refused.Add(1)
				continue
			}
			g := f.gate(Forward)
			g.mu.Lock()
			if g.judge() {
				g.sent(send(c.up, pkt, whole))
			}
			g.mu.Unlock()
		}
	}
}

// errLong is the failure of a packet longer than Config.PacketSize.
var errLong = errors.New("the packet is longer than the plane takes")

// send sends on a connected socket. A connection-refused error is the report of
// an earlier packet and costs the present one its sending; that is repeated.
// Source: Linux udp(7), "all fatal errors will be passed to the user".
func send(up *net.UDPConn, pkt []byte, whole bool) error {
	if !whole {
		return errLong
	}
	var err error
	for range 8 { // the reports of several may come late, and one after the other
		if _, err = up.Write(pkt); !errors.Is(err, syscall.ECONNREFUSED) {
			break
		}
	}
	return err
}

// client finds or makes the client of the address, heard now; nil if the table
// is full or the kernel gives no socket. Being heard is noted under the lock
// that forgetting takes, so a client is never forgotten between being found
// and being sent for.
func (f *flow) client(from netip.AddrPort, now int64) *client {
	f.mu.Lock()
	defer f.mu.Unlock()
	if c, ok := f.clients[from]; ok {
		c.last.Store(now)
		return c
	}
	if f.closed || len(f.clients) >= f.most {
		return nil
	}
	up, err := net.DialUDP("udp", nil, f.to)
	if err != nil {
		return nil
	}
	enlarge(up)
	r, err := newReader(up, clientBatch, f.size)
	if err != nil {
		_ = up.Close()
		return nil
	}
	c := &client{addr: from, up: up}
	c.last.Store(now)
	f.clients[from] = c
	f.plane.wg.Go(func() { f.answer(c, r) })
	return c
}

// answer forwards what the reflector sends back to one client until that
// client's socket is closed.
func (f *flow) answer(c *client, r *reader) {
	for {
		n, err := r.read()
		if err != nil {
			if errors.Is(err, net.ErrClosed) {
				return
			}
			continue // refused: the reflector is not there now
		}
		c.last.Store(int64(time.Since(f.plane.start)))
		for i := range n {
			pkt, _, whole := r.packet(i)
			g := f.gate(Reverse)
			g.mu.Lock()
			if g.judge() {
				var err error
				if whole {
					_, err = f.conn.WriteToUDPAddrPort(pkt, c.addr)
				} else {
					err = errLong
				}
				g.sent(err)
			}
			g.mu.Unlock()
		}
	}
}

// forget drops the client; the flow's lock is held.
func (f *flow) forget(c *client) {
	n, _ := kernelDrops(c.up)
	f.gone += n
	_ = c.up.Close() // nothing was written that could still be lost
	delete(f.clients, c.addr)
}

// sweep forgets idle clients.
func (p *Plane) sweep() {
	tick := time.NewTicker(max(p.idle/4, time.Millisecond))
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-p.stop:
			return
		}
		old := int64(time.Since(p.start) - p.idle)
		for _, f := range p.flows {
			f.mu.Lock()
			for _, c := range f.clients {
				if c.last.Load() < old {
					f.forget(c)
				}
			}
			f.mu.Unlock()
		}
	}
}
