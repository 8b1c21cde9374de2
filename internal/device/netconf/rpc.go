package netconf

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/element"
)

// Datastore is a set of configuration. Source: RFC 6241 §5.1, §8.3.1, §8.7.
type Datastore string

// The datastores.
const (
	Running   Datastore = "running"
	Candidate Datastore = "candidate"
	Startup   Datastore = "startup"
)

func (d Datastore) node(as string) *element.Node {
	return element.New(nsBase, as, element.New(nsBase, string(d)))
}

// Operation is what an element of an edit does. Source: RFC 6241 §7.2.
type Operation string

// The operations.
const (
	Merge   Operation = "merge"
	Replace Operation = "replace"
	Create  Operation = "create"
	Delete  Operation = "delete" // an error where there is nothing
	Remove  Operation = "remove" // no error where there is nothing; base:1.1
	None    Operation = "none"   // as the default only
)

// Mark gives an element of an edit its operation, and returns it.
func (o Operation) Mark(n *element.Node) *element.Node { return n.With(nsBase, "operation", string(o)) }

func filterOf(filter []*element.Node) *element.Node {
	if filter == nil {
		return nil
	}
	return element.New(nsBase, "filter", filter...).With("", "type", "subtree")
}

// Get reads state and running configuration, of it what the subtree filter
// selects; nil selects everything, an empty filter nothing. It returns the
// element data. Source: RFC 6241 §6 and §7.7.
func (s *Session) Get(ctx context.Context, filter []*element.Node) (*element.Node, error) {
	return s.data(ctx, "get", element.New(nsBase, "get", filterOf(filter)))
}

// GetConfig reads a datastore. Where the device can tell, values that nobody
// configured are left out. Source: RFC 6241 §7.1, RFC 6243 §3.3 and §4.5.1.
func (s *Session) GetConfig(ctx context.Context, from Datastore, filter []*element.Node) (*element.Node, error) {
	return s.getConfig(ctx, from, filter, true)
}

func (s *Session) getConfig(ctx context.Context, from Datastore, filter []*element.Node, explicit bool) (*element.Node, error) {
	rpc := element.New(nsBase, "get-config", from.node("source"), filterOf(filter))
	if explicit && s.explicit() {
		rpc.Add(element.Leaf(nsDefaults, "with-defaults", "explicit"))
	}
	return s.data(ctx, "get-config", rpc)
}

// explicit reports whether the device can leave defaults out.
func (s *Session) explicit() bool {
	v, ok := s.caps[CapDefaults]
	if !ok {
		return false
	}
	if v.Get("basic-mode") == "explicit" {
		return true
	}
	for _, m := range splitList(v.Get("also-supported")) {
		if m == "explicit" {
			return true
		}
	}
	return false
}

func (s *Session) data(ctx context.Context, op string, rpc *element.Node) (*element.Node, error) {
	n, err := s.Call(ctx, op, false, rpc)
	if err != nil {
		return nil, err
	}
	d := n.In(nsBase, "data")
	if d == nil {
		return nil, &device.Fault{Kind: device.Refused, Op: op, Text: "the reply holds neither data nor an error"}
	}
	return d, nil
}

// EditOptions are the parameters of an edit. The zero value merges, and leaves
// the rest to the device.
type EditOptions struct {
	Default Operation // for what is not marked
	// AllOrNothing asks for the edit to be taken back where it fails in the
	// middle; it needs rollback-on-error.
	AllOrNothing bool
	// Test asks for the result to be validated first; it needs validate.
	Test bool
}

// EditConfig changes a datastore. Source: RFC 6241 §7.2.
func (s *Session) EditConfig(ctx context.Context, target Datastore, config []*element.Node, o EditOptions) error {
	rpc := element.New(nsBase, "edit-config", target.node("target"))
	if o.Default != "" {
		rpc.Add(element.Leaf(nsBase, "default-operation", string(o.Default)))
	}
	if o.Test {
		rpc.Add(element.Leaf(nsBase, "test-option", "test-then-set"))
	}
	if o.AllOrNothing {
		rpc.Add(element.Leaf(nsBase, "error-option", "rollback-on-error"))
	}
	rpc.Add(element.New(nsBase, "config", config...))
	return s.act(ctx, "edit-config", rpc)
}

func (s *Session) act(ctx context.Context, op string, rpc *element.Node) error {
	_, err := s.Call(ctx, op, true, rpc)
	return err
}

// Lock takes the lock of a datastore; Busy where somebody has it, whose session
// the error names. Source: RFC 6241 §7.5.
func (s *Session) Lock(ctx context.Context, target Datastore) error {
	return s.act(ctx, "lock "+string(target), element.New(nsBase, "lock", target.node("target")))
}

// Unlock gives a lock back. Source: RFC 6241 §7.6.
func (s *Session) Unlock(ctx context.Context, target Datastore) error {
	return s.act(ctx, "unlock "+string(target), element.New(nsBase, "unlock", target.node("target")))
}

// Validate has the device check a datastore as a whole. Source: RFC 6241 §8.6.
func (s *Session) Validate(ctx context.Context, source Datastore) error {
	return s.act(ctx, "validate", element.New(nsBase, "validate", source.node("source")))
}

// Commit makes the candidate the running configuration. Source: RFC 6241 §8.3.4.
func (s *Session) Commit(ctx context.Context) error {
	return s.act(ctx, "commit", element.New(nsBase, "commit"))
}

// CommitConfirmed commits for a time, rounded up to whole seconds: the device
// takes it back by itself unless [Session.Confirm] comes. With a persist id that
// also holds where this session ends, and any session that knows it may confirm;
// without one, the end of the session takes it back.
// Source: RFC 6241 §8.4.1 and §8.4.5.
func (s *Session) CommitConfirmed(ctx context.Context, within time.Duration, persist string) error {
	rpc := element.New(nsBase, "commit", element.New(nsBase, "confirmed"),
		element.Leaf(nsBase, "confirm-timeout", strconv.FormatInt(int64(math.Ceil(max(within.Seconds(), 1))), 10)))
	if persist != "" {
		rpc.Add(element.Leaf(nsBase, "persist", persist))
	}
	return s.act(ctx, "confirmed commit", rpc)
}

// Confirm makes a confirmed commit stay. The id is the one that it was given,
// empty for one without.
func (s *Session) Confirm(ctx context.Context, persist string) error {
	return s.act(ctx, "confirming commit", persisted(element.New(nsBase, "commit"), persist))
}

// CancelCommit takes a confirmed commit back at once. Source: RFC 6241 §8.4.4.1.
func (s *Session) CancelCommit(ctx context.Context, persist string) error {
	return s.act(ctx, "cancel commit", persisted(element.New(nsBase, "cancel-commit"), persist))
}

func persisted(rpc *element.Node, id string) *element.Node {
	if id != "" {
		rpc.Add(element.Leaf(nsBase, "persist-id", id))
	}
	return rpc
}

// Discard makes the candidate what runs. Source: RFC 6241 §8.3.4.2.
func (s *Session) Discard(ctx context.Context) error {
	return s.act(ctx, "discard changes", element.New(nsBase, "discard-changes"))
}

// Kill ends another session, whose locks are given back. Source: RFC 6241 §7.9.
func (s *Session) Kill(ctx context.Context, id uint32) error {
	return s.act(ctx, fmt.Sprintf("kill session %d", id),
		element.New(nsBase, "kill-session", element.Leaf(nsBase, "session-id", strconv.FormatUint(uint64(id), 10))))
}

// Subscribe asks for the notifications of a stream, "NETCONF" where the name is
// empty, and hands each to f, from the goroutine that reads the session: f must
// not wait for a reply of this session. Source: RFC 5277 §2.1.
func (s *Session) Subscribe(ctx context.Context, stream string, filter []*element.Node, f func(*element.Node)) error {
	s.mu.Lock()
	s.events = f
	s.mu.Unlock()
	rpc := element.New(nsNotification, "create-subscription")
	if stream != "" {
		rpc.Add(element.Leaf(nsNotification, "stream", stream))
	}
	if filter != nil {
		rpc.Add(element.New(nsNotification, "filter", filter...).With(nsBase, "type", "subtree"))
	}
	_, err := s.Call(ctx, "subscribe", false, rpc)
	return err
}

// splitList splits a list with commas.
func splitList(s string) []string {
	return strings.FieldsFunc(s, func(r rune) bool { return r == ',' || r == ' ' })
}
