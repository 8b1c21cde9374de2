package netconf

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"sync"
	"time"

	"towpath/internal/element"
)

// Edit is a change of one leaf of the configuration.
type Edit struct {
	Path   string // as the device names the leaf
	Value  string // canonical; means nothing where Delete
	Delete bool   // the device's default holds again
}

// Device is what lies behind a server.
type Device interface {
	// Capabilities are offered beside those of the protocol.
	Capabilities() []string
	// Get is state and running configuration. The filter, which may be nil, is
	// applied to it afterwards; it tells what need not be made.
	Get(filter *element.Node) []*element.Node
	// Config is the running configuration with edits made to it. all includes
	// values that nobody has configured.
	Config(edits []Edit, all bool) []*element.Node
	// Read finds out what the elements of an edit-config mean on top of earlier
	// edits. standing is the operation for what is not marked.
	Read(config *element.Node, standing string, before []Edit) ([]Edit, error)
	// Check validates edits.
	Check(edits []Edit) error
	// Commit makes edits hold, for a session, and returns what takes them back.
	Commit(session uint32, edits []Edit) (undo []Edit, err error)
	// Locked is told who has the lock of the running configuration, 0 for
	// nobody, and says who else has it; empty for nobody else.
	Locked(session uint32) (other string)
	// Call performs a request that is not the protocol's own.
	Call(ctx context.Context, rpc *element.Node) ([]*element.Node, error)
	// Watch hands f the contents of notifications until ctx ends.
	Watch(ctx context.Context, f func(at time.Time, event *element.Node))
}

// Clock is the time by which confirmed commits run out.
type Clock interface {
	Now() time.Time
	Sleep(ctx context.Context, d time.Duration) error
}

// Options change what a server offers.
type Options struct {
	Only10  bool // base:1.0 alone, framed by end of message
	Running bool // the running configuration is written at once; no candidate
	Mute    bool // no notifications
}

// Error is an error of the protocol. Source: RFC 6241 §4.3 and appendix A.
type Error struct {
	Type    string // empty: application
	Tag     string
	AppTag  string
	Path    string
	Message string
	Info    []*element.Node
}

// Error is one line for people.
func (e *Error) Error() string { return e.Tag + ": " + e.Message }

// Errorf is an error of the application with a tag.
func Errorf(tag, format string, args ...any) *Error {
	return &Error{Tag: tag, Message: fmt.Sprintf(format, args...)}
}

// Server serves one device. Its methods may be called from many goroutines.
type Server struct {
	dev   Device
	clock Clock
	opt   Options
	life  context.Context
	spawn func(func())

	mu        sync.Mutex
	next      uint32
	sessions  map[uint32]*session
	running   uint32 // who has the lock
	candidate uint32
	edits     []Edit // of the candidate
	touched   bool   // the candidate was edited since it was last what runs
	pending   *pending
}

// pending is a confirmed commit that nobody has confirmed.
type pending struct {
	undo    []Edit
	persist string
	session uint32
	stop    context.CancelFunc
}

// New makes the server of a device. What it starts itself it starts by spawn,
// and it ends with life.
func New(life context.Context, dev Device, clock Clock, spawn func(func()), o Options) *Server {
	return &Server{dev: dev, clock: clock, opt: o, life: life, spawn: spawn, sessions: map[uint32]*session{}}
}

// Sessions is how many sessions there are.
func (s *Server) Sessions() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.sessions)
}

// Locks says who has the locks of running and candidate, 0 for nobody, and
// whether a confirmed commit waits.
func (s *Server) Locks() (running, candidate uint32, waiting bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.running, s.candidate, s.pending != nil
}

func lockDenied(holder uint32, other string) error {
	text := "the lock is held"
	if other != "" {
		text += " by " + other
	}
	// Source: RFC 6241 appendix A, lock-denied: 0 is no NETCONF session.
	return &Error{Type: "protocol", Tag: "lock-denied", Message: text,
		Info: []*element.Node{element.Leaf(baseSpace, "session-id", strconv.FormatUint(uint64(holder), 10))}}
}

// lock takes a lock. Source: RFC 6241 §7.5, §8.3.5, §8.4.5.
func (s *Server) lock(id uint32, store string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch store {
	case "running":
		if s.running != 0 {
			return lockDenied(s.running, "")
		}
		if p := s.pending; p != nil && p.session != id {
			return lockDenied(p.session, "a confirmed commit")
		}
		if other := s.dev.Locked(id); other != "" {
			return lockDenied(0, other)
		}
		s.running = id
	case "candidate":
		if s.candidate != 0 {
			return lockDenied(s.candidate, "")
		}
		if s.touched {
			return lockDenied(0, "changes that were neither committed nor discarded")
		}
		s.candidate = id
	}
	return nil
}

func (s *Server) unlock(id uint32, store string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case store == "running" && s.running == id:
		s.running = 0
		s.dev.Locked(0)
	case store == "candidate" && s.candidate == id:
		s.candidate = 0
		s.discard() // §8.3.5.2
	default:
		return &Error{Type: "protocol", Tag: "operation-failed", Message: "this session does not have the lock"}
	}
	return nil
}

func inUse(what string, by uint32) error {
	return &Error{Type: "protocol", Tag: "in-use", Message: fmt.Sprintf("%s is locked by session %d", what, by)}
}

// discard makes the candidate what runs. The lock is held.
func (s *Server) discard() { s.edits, s.touched = nil, false }

// discardChanges is the request of that name. Source: RFC 6241 §8.3.4.2.
func (s *Server) discardChanges(id uint32) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.candidate != 0 && s.candidate != id {
		return inUse("the candidate", s.candidate)
	}
	s.discard()
	return nil
}

// edit performs an edit-config.
func (s *Server) edit(id uint32, store string, config *element.Node, standing string, testOnly bool) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if store == "candidate" {
		if s.candidate != 0 && s.candidate != id {
			return inUse("the candidate", s.candidate)
		}
		more, err := s.dev.Read(config, standing, s.edits)
		if err != nil {
			return err
		}
		more = append(slices.Clone(s.edits), more...)
		if testOnly { // RFC 6241 §8.6.5.1
			return s.dev.Check(more)
		}
		s.edits, s.touched = more, true
		return nil
	}
	if s.running != 0 && s.running != id {
		return inUse("the running configuration", s.running)
	}
	more, err := s.dev.Read(config, standing, nil)
	if err != nil {
		return err
	}
	if err := s.dev.Check(more); err != nil || testOnly {
		return err
	}
	_, err = s.dev.Commit(id, more)
	return err
}

// commit is every form of commit. Source: RFC 6241 §8.3.4.1, §8.4.5.1.
func (s *Server) commit(id uint32, confirmed bool, within time.Duration, persist, persistID string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.running != 0 && s.running != id:
		return inUse("the running configuration", s.running)
	case s.candidate != 0 && s.candidate != id:
		return inUse("the candidate", s.candidate)
	}
	p := s.pending
	if err := s.mine(p, id, persistID); err != nil {
		return err
	}
	if err := s.dev.Check(s.edits); err != nil {
		return err
	}
	var undo []Edit
	if len(s.edits) > 0 {
		var err error
		if undo, err = s.dev.Commit(id, s.edits); err != nil {
			return err
		}
	}
	s.discard()
	if p != nil {
		p.stop()
		undo = append(undo, p.undo...) // the last change is taken back first
		s.pending = nil
	}
	if !confirmed {
		return nil
	}
	ctx, cancel := context.WithCancel(s.life)
	q := &pending{undo: undo, persist: persist, session: id, stop: cancel}
	s.pending = q
	s.spawn(func() {
		if s.clock.Sleep(ctx, within) != nil {
			return
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.pending == q {
			s.takeBack()
		}
	})
	return nil
}

// mine checks that a session may confirm or cancel what is pending.
func (s *Server) mine(p *pending, id uint32, persistID string) error {
	switch {
	case p == nil && persistID != "":
		return &Error{Type: "protocol", Tag: "invalid-value", Message: "no confirmed commit waits with that persist-id"}
	case p == nil:
		return nil
	case p.persist != "" && persistID == "":
		return &Error{Type: "protocol", Tag: "in-use", Message: "a confirmed commit waits that has a persist-id"}
	case p.persist != persistID && persistID != "":
		// Source: RFC 6241 appendix C, persist-id of commit and of cancel-commit.
		return &Error{Type: "protocol", Tag: "invalid-value", Message: "the confirmed commit that waits has not that persist-id"}
	case p.persist == "" && p.session != id:
		return &Error{Type: "protocol", Tag: "in-use", Message: fmt.Sprintf("a confirmed commit of session %d waits", p.session)}
	}
	return nil
}

// takeBack undoes what is pending. The lock is held.
func (s *Server) takeBack() {
	p := s.pending
	s.pending = nil
	p.stop()
	if len(p.undo) > 0 {
		// It was so before, so the device takes it.
		_, _ = s.dev.Commit(p.session, p.undo)
	}
	s.discard()
}

// cancelCommit takes a confirmed commit back. Source: RFC 6241 §8.4.4.1.
func (s *Server) cancelCommit(id uint32, persistID string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.pending == nil {
		return &Error{Type: "protocol", Tag: "operation-failed", Message: "no confirmed commit waits"}
	}
	if err := s.mine(s.pending, id, persistID); err != nil {
		return err
	}
	s.takeBack()
	return nil
}

// left does what follows from the end of a session. Source: RFC 6241 §7.5,
// §8.3.5.2, §8.4.1.
func (s *Server) left(id uint32) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.sessions, id)
	if s.running == id {
		s.running = 0
		s.dev.Locked(0)
	}
	if s.candidate == id {
		s.candidate = 0
		s.discard()
	}
	if p := s.pending; p != nil && p.persist == "" && p.session == id {
		s.takeBack()
	}
}

// kill ends another session. Source: RFC 6241 §7.9.
func (s *Server) kill(own uint32, text string) error {
	id, err := strconv.ParseUint(text, 10, 32)
	s.mu.Lock()
	other := s.sessions[uint32(id)]
	s.mu.Unlock()
	if err != nil || other == nil || uint32(id) == own {
		return &Error{Type: "protocol", Tag: "invalid-value", Message: fmt.Sprintf("found the session-id %q, want that of another session", text)}
	}
	other.cancel(errKilled)
	return nil
}

var errKilled = errors.New("the session was killed")

// config is a datastore as elements.
func (s *Server) config(store string, all bool) []*element.Node {
	s.mu.Lock()
	var edits []Edit
	if store == "candidate" {
		edits = slices.Clone(s.edits)
	}
	s.mu.Unlock()
	return s.dev.Config(edits, all)
}

var _ io.Closer = (*session)(nil)
