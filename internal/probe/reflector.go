package probe

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"sync/atomic"
	"time"
)

// ReflectorConfig says how a reflector works. The zero value listens on port
// 862 of all addresses and counts by itself.
type ReflectorConfig struct {
	// Listen is a host and port; without a port, 862. An empty host means all
	// addresses of both families.
	Listen string
	// Stateless replies copy the sender's sequence number, so that only loss of
	// the whole round trip can be measured.
	Stateless bool
	// MaxSessions limits the table of counters; zero means 65,536. When it is
	// full of sessions in use, further ones get no answer.
	MaxSessions int
	// Idle is how long a session may be silent before its counter is forgotten;
	// zero means 900 s.
	// Source: RFC 5357 §3.1, default of SERVWAIT and REFWAIT.
	Idle time.Duration
	// Allow lists the senders that are answered; empty means everybody. Packets
	// from port 862 or from the reflector's own port are never answered: they
	// come from another reflector, and the two would answer each other for ever.
	Allow []netip.Prefix
	// ReceiveBuffer is the size of the socket's queue in octets; zero means
	// 4 MiB. The system may grant less.
	ReceiveBuffer int
}

// ReflectorStats are a reflector's counts since it began.
type ReflectorStats struct {
	Received   uint64 `json:"received"`
	Replied    uint64 `json:"replied"`
	Short      uint64 `json:"short"`       // fewer than 14 octets
	Corrupt    uint64 `json:"corrupt"`     // error estimate with multiplier 0
	NotAllowed uint64 `json:"not_allowed"` // from a sender that Allow leaves out, or from a reflector
	Refused    uint64 `json:"refused"`     // session table full
	SendFailed uint64 `json:"send_failed"` // reply refused by the own host
	// Dropped is what the kernel threw away because it was not read in time.
	// Senders see it as forward loss.
	Dropped  uint64 `json:"dropped"`
	Sessions int    `json:"sessions"` // in the table now
	Expired  uint64 `json:"expired"`  // sessions forgotten
}

// Reflector answers test packets. Make one with [NewReflector].
type Reflector struct {
	conn  *net.UDPConn
	cfg   ReflectorConfig
	port  uint16
	stats struct {
		received, replied, short, corrupt, notAllowed, refused, sendFailed, dropped, expired atomic.Uint64
		sessions                                                                             atomic.Int64
	}
	// pause, when not nil, is called before each read; tests hold it.
	pause func()
}

// NewReflector opens the socket of a reflector. It answers once [Reflector.Run]
// is called; until then packets wait in the kernel.
func NewReflector(cfg ReflectorConfig) (*Reflector, error) {
	if cfg.MaxSessions <= 0 {
		cfg.MaxSessions = 1 << 16
	}
	if cfg.Idle <= 0 {
		cfg.Idle = 900 * time.Second
	}
	if cfg.ReceiveBuffer <= 0 {
		cfg.ReceiveBuffer = 4 << 20
	}
	at, err := net.ResolveUDPAddr("udp", withPort(cfg.Listen))
	if err != nil {
		return nil, fmt.Errorf("probe: cannot listen on %q: %w", cfg.Listen, err)
	}
	conn, err := net.ListenUDP("udp", at)
	if err != nil {
		return nil, fmt.Errorf("probe: cannot listen on %q: %w", cfg.Listen, err)
	}
	if err := configure(conn, socketOptions{receiveBuffer: cfg.ReceiveBuffer, packetInfo: true}); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	r := &Reflector{conn: conn, cfg: cfg}
	r.port = r.Addr().Port()
	return r, nil
}

// withPort adds the standard's port to an address that has none.
func withPort(addr string) string {
	if addr == "" {
		return fmt.Sprintf(":%d", Port)
	}
	if _, _, err := net.SplitHostPort(addr); err == nil {
		return addr
	}
	host := addr
	if len(host) > 1 && host[0] == '[' && host[len(host)-1] == ']' {
		host = host[1 : len(host)-1]
	}
	return net.JoinHostPort(host, fmt.Sprint(Port))
}

// Addr is the address that the reflector listens on.
func (r *Reflector) Addr() netip.AddrPort {
	a := r.conn.LocalAddr().(*net.UDPAddr).AddrPort()
	return netip.AddrPortFrom(a.Addr().Unmap(), a.Port())
}

// Close closes the socket, which ends Run.
func (r *Reflector) Close() error { return r.conn.Close() }

// Stats returns the counts. It is safe for concurrent use.
func (r *Reflector) Stats() ReflectorStats {
	s := &r.stats
	return ReflectorStats{
		Received: s.received.Load(), Replied: s.replied.Load(), Short: s.short.Load(), Corrupt: s.corrupt.Load(),
		NotAllowed: s.notAllowed.Load(), Refused: s.refused.Load(), SendFailed: s.sendFailed.Load(),
		Dropped: s.dropped.Load(), Sessions: int(s.sessions.Load()), Expired: s.expired.Load(),
	}
}

// Run answers until ctx ends, which is no error, or the socket fails. It closes
// the socket and can be called once.
func (r *Reflector) Run(ctx context.Context) error {
	defer func() { _ = r.conn.Close() }()
	stop := context.AfterFunc(ctx, func() { _ = r.conn.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	b, err := newBatch(r.conn, 64, maxPacket)
	if err != nil {
		return err
	}
	table := newSessions(r.cfg.MaxSessions, r.cfg.Idle)
	var estimate ErrorEstimate
	var estimated time.Time
	var drops uint32
	for {
		if r.pause != nil {
			r.pause()
		}
		msgs, err := b.read()
		switch {
		case err == nil:
		case ctx.Err() != nil && errors.Is(err, os.ErrDeadlineExceeded):
			return nil
		case transient(err):
			continue
		default:
			return fmt.Errorf("probe: reflector on %v: %w", r.Addr(), err)
		}
		now := time.Now()
		if now.Sub(estimated) > 16*time.Second {
			synchronised, e := clockQuality()
			estimate, estimated = NewErrorEstimate(e, synchronised), now
			table.expire(now)
		}
		for i := range msgs {
			m := &msgs[i]
			r.stats.received.Add(1)
			if m.drops != drops {
				r.stats.dropped.Add(uint64(m.drops - drops))
				drops = m.drops
			}
			r.answer(table, m, now, estimate)
		}
		r.stats.sessions.Store(int64(len(table.byKey)))
		r.stats.expired.Store(table.expired)
		if err := b.write(msgs); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("probe: reflector on %v: %w", r.Addr(), err)
		}
		for i := range msgs {
			switch {
			case msgs[i].failed:
				r.stats.sendFailed.Add(1)
			case len(msgs[i].reply) > 0:
				r.stats.replied.Add(1)
			}
		}
	}
}

// answer makes the reply to one message, or leaves it without one.
func (r *Reflector) answer(table *sessions, m *message, now time.Time, estimate ErrorEstimate) {
	req, err := ParseSender(m.data)
	switch {
	case err != nil || m.cut:
		r.stats.short.Add(1)
		return
	case !req.Estimate.Valid():
		r.stats.corrupt.Add(1)
		return
	case !r.allowed(m.peer):
		r.stats.notAllowed.Add(1)
		return
	}
	a := Arrival{Receive: NTP(now), Estimate: estimate, TTL: m.ttl, Stateful: !r.cfg.Stateless}
	if !m.stamp.IsZero() {
		a.Receive = NTP(m.stamp)
	}
	if a.Stateful {
		own, ok := table.count(sessionKey{m.peer, m.scope, m.local, req.SSID}, now)
		if !ok {
			r.stats.refused.Add(1)
			return
		}
		a.Own = own
	}
	a.Transmit = NTP(time.Now())
	m.reply, err = Reflect(m.reply[:0], m.data, a)
	if err != nil { // cannot be: both were asked for above
		m.reply = m.reply[:0]
	}
}

func (r *Reflector) allowed(peer netip.AddrPort) bool {
	if peer.Port() == Port || peer.Port() == r.port {
		return false
	}
	if len(r.cfg.Allow) == 0 {
		return true
	}
	for _, p := range r.cfg.Allow {
		if p.Contains(peer.Addr().Unmap()) {
			return true
		}
	}
	return false
}
