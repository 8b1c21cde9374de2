package probe

import (
	"net/netip"
	"time"
)

// sessionKey names one test session: the four addresses and ports, of which the
// reflector's own port is the socket's, and the session's own number.
// Source: RFC 8762 §4, RFC 8972 §3.
type sessionKey struct {
	peer  netip.AddrPort
	scope uint32
	local netip.Addr
	ssid  uint16
}

// session is one row of the table, in a list by last use.
type session struct {
	key          sessionKey
	next         uint32 // the sequence number of the next reply
	used         time.Time
	older, newer *session
}

// sessions is a bounded table of counters. The longest unused session is first
// to go, and only when it is idle: a running measurement is never disturbed to
// make room for another one.
type sessions struct {
	limit   int
	idle    time.Duration
	byKey   map[sessionKey]*session
	oldest  *session
	newest  *session
	expired uint64
}

func newSessions(limit int, idle time.Duration) *sessions {
	return &sessions{limit: limit, idle: idle, byKey: make(map[sessionKey]*session)}
}

// count returns the next sequence number of the session and counts it; ok is
// false when the table is full of sessions that are in use.
func (t *sessions) count(key sessionKey, now time.Time) (n uint32, ok bool) {
	s := t.byKey[key]
	if s != nil && now.Sub(s.used) > t.idle {
		t.drop(s)
		s = nil
	}
	if s == nil {
		t.expire(now)
		if len(t.byKey) >= t.limit {
			return 0, false
		}
		s = &session{key: key}
		t.byKey[key] = s
	} else {
		t.unlink(s)
	}
	t.link(s)
	s.used = now
	n = s.next
	s.next++
	return n, true
}

// expire drops all sessions that have been idle too long.
func (t *sessions) expire(now time.Time) {
	for t.oldest != nil && now.Sub(t.oldest.used) > t.idle {
		t.drop(t.oldest)
	}
}

func (t *sessions) drop(s *session) {
	t.unlink(s)
	delete(t.byKey, s.key)
	t.expired++
}

func (t *sessions) link(s *session) {
	s.older, s.newer = t.newest, nil
	if t.newest != nil {
		t.newest.newer = s
	} else {
		t.oldest = s
	}
	t.newest = s
}

func (t *sessions) unlink(s *session) {
	if s.older != nil {
		s.older.newer = s.newer
	} else {
		t.oldest = s.newer
	}
	if s.newer != nil {
		s.newer.older = s.older
	} else {
		t.newest = s.older
	}
}
