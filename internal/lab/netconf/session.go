package netconf

import (
	"bufio"
	"context"
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"towpath/internal/element"
)

// The namespaces. Source: RFC 6241 §3.1, RFC 5277 §3.4 and §4, RFC 6243 §4.5.2.
const (
	streamsSpace      = "urn:ietf:params:xml:ns:netmod:notification"
	baseSpace         = "urn:ietf:params:xml:ns:netconf:base:1.0"
	notificationSpace = "urn:ietf:params:xml:ns:netconf:notification:1.0"
	defaultsSpace     = "urn:ietf:params:xml:ns:yang:ietf-netconf-with-defaults"
)

// session is one session. The stream is closed by who called Serve.
type session struct {
	s      *Server
	id     uint32
	in     *bufio.Reader
	ctx    context.Context
	cancel context.CancelCauseFunc

	mu      sync.Mutex
	out     io.WriteCloser
	chunked bool
	closing bool
	watched bool
}

// Close ends the stream.
func (x *session) Close() error { return x.out.Close() }

// Serve holds a session on a stream until either side ends it, or ctx does:
// then the request in progress is answered first. It closes the stream.
func (s *Server) Serve(ctx context.Context, stream io.ReadWriteCloser) {
	x := &session{s: s, in: bufio.NewReaderSize(stream, 32<<10), out: stream}
	x.ctx, x.cancel = context.WithCancelCause(ctx)
	s.mu.Lock()
	s.next++
	x.id = s.next
	s.sessions[x.id] = x
	s.mu.Unlock()
	defer s.left(x.id)
	defer x.cancel(nil)
	idle := make(chan struct{}, 1) // held while a request is performed
	stop := context.AfterFunc(x.ctx, func() {
		idle <- struct{}{} // its answer is on its way
		_ = x.Close()      // reading then fails
	})
	defer func() {
		stop()
		_ = x.Close()
	}()
	if err := x.greet(); err != nil {
		return
	}
	for !x.closing {
		text, err := readMessage(x.in, x.chunked)
		if err != nil {
			return // an end, or framing after which nothing can be understood
		}
		if strings.TrimSpace(text) == "" {
			continue
		}
		select {
		case idle <- struct{}{}:
		case <-x.ctx.Done():
			return
		}
		err = x.message(text)
		<-idle
		if err != nil {
			return
		}
	}
}

// Capabilities of the protocol that the server offers.
func (s *Server) capabilities() []string {
	const p = "urn:ietf:params:netconf:"
	out := []string{p + "base:1.0"}
	if !s.opt.Only10 {
		out = append(out, p+"base:1.1")
	}
	if s.opt.Running {
		out = append(out, p+"capability:writable-running:1.0")
	} else {
		out = append(out, p+"capability:candidate:1.0", p+"capability:confirmed-commit:1.1")
	}
	out = append(out, p+"capability:rollback-on-error:1.0", p+"capability:validate:1.1", p+"capability:with-defaults:1.0?basic-mode=report-all&also-supported=explicit")
	if !s.opt.Mute {
		out = append(out, p+"capability:notification:1.0", p+"capability:interleave:1.0")
	}
	return append(out, s.dev.Capabilities()...)
}

func (x *session) greet() error {
	caps := element.New(baseSpace, "capabilities")
	for _, c := range x.s.capabilities() {
		caps.Add(element.Leaf(baseSpace, "capability", c))
	}
	hello := element.New(baseSpace, "hello", caps, element.Leaf(baseSpace, "session-id", strconv.FormatUint(uint64(x.id), 10)))
	if err := x.send(hello); err != nil {
		return err
	}
	text, err := readMessage(x.in, false)
	if err != nil {
		return err
	}
	n, err := element.Parse(strings.NewReader(text))
	if err != nil {
		return err
	}
	if !n.Is(baseSpace, "hello") || n.Kid("session-id") != nil {
		return errors.New("no hello of a client") // RFC 6241 §8.1
	}
	both10, both11 := false, false
	for _, c := range n.Kid("capabilities").All("capability") {
		both10 = both10 || c.Value() == "urn:ietf:params:netconf:base:1.0"
		both11 = both11 || c.Value() == "urn:ietf:params:netconf:base:1.1" && !x.s.opt.Only10
	}
	if !both10 && !both11 {
		return errors.New("no version in common")
	}
	x.mu.Lock()
	x.chunked = both11
	x.mu.Unlock()
	return nil
}

// send sends one message.
func (x *session) send(n *element.Node) error {
	b := n.Append([]byte(`<?xml version="1.0" encoding="UTF-8"?>`))
	x.mu.Lock()
	defer x.mu.Unlock()
	_, err := x.out.Write(frame(b, x.chunked))
	return err
}

// message performs one request and answers it.
func (x *session) message(text string) error {
	n, err := element.Parse(strings.NewReader(text))
	reply := element.New(baseSpace, "rpc-reply")
	if err != nil || !n.Is(baseSpace, "rpc") {
		// Source: RFC 6241 appendix A, malformed-message, base:1.1 alone.
		return errors.Join(x.send(reply.Add(errorNode(&Error{Type: "rpc", Tag: "malformed-message", Message: "the message cannot be read"}))), errors.New("malformed"))
	}
	for _, a := range n.Attrs { // §4.1: they come back as they were
		reply.With(a.Space, a.Name, a.Value)
	}
	if _, ok := n.Attr("", "message-id"); !ok {
		return x.send(reply.Add(errorNode(&Error{Type: "rpc", Tag: "missing-attribute", Message: "the rpc has no message-id",
			Info: []*element.Node{element.Leaf(baseSpace, "bad-attribute", "message-id"), element.Leaf(baseSpace, "bad-element", "rpc")}})))
	}
	if len(n.Kids) != 1 {
		return x.send(reply.Add(errorNode(&Error{Type: "rpc", Tag: "bad-element", Message: "want one operation in an rpc",
			Info: []*element.Node{element.Leaf(baseSpace, "bad-element", "rpc")}})))
	}
	kids, err := x.perform(n.Kids[0])
	switch {
	case errors.Is(err, ErrNoAnswer):
		return err
	case err != nil:
		reply.Add(errorNode(err))
	case len(kids) == 0:
		reply.Add(element.New(baseSpace, "ok"))
	default:
		reply.Add(kids...)
	}
	return x.send(reply)
}

// ErrNoAnswer is returned by a call whose answer is lost: the session ends
// without one.
var ErrNoAnswer = errors.New("no answer is given")

func errorNode(err error) *element.Node {
	var e *Error
	if !errors.As(err, &e) {
		e = &Error{Tag: "operation-failed", Message: err.Error()}
	}
	typ := e.Type
	if typ == "" {
		typ = "application"
	}
	n := element.New(baseSpace, "rpc-error",
		element.Leaf(baseSpace, "error-type", typ), element.Leaf(baseSpace, "error-tag", e.Tag), element.Leaf(baseSpace, "error-severity", "error"))
	if e.AppTag != "" {
		n.Add(element.Leaf(baseSpace, "error-app-tag", e.AppTag))
	}
	if e.Path != "" {
		n.Add(element.Leaf(baseSpace, "error-path", e.Path))
	}
	n.Add(element.Leaf(baseSpace, "error-message", e.Message).With("xml", "lang", "en"))
	if len(e.Info) > 0 {
		n.Add(element.New(baseSpace, "error-info", e.Info...))
	}
	return n
}

// perform does what a request asks.
func (x *session) perform(op *element.Node) ([]*element.Node, error) {
	s := x.s
	if op.Is(notificationSpace, "create-subscription") {
		return nil, x.subscribe(op)
	}
	if op.Space != baseSpace {
		return s.dev.Call(x.ctx, op)
	}
	switch op.Name {
	case "get":
		if _, err := defaults(op); err != nil {
			return nil, err
		}
		return data(op, func(f *element.Node) []*element.Node { return append(s.dev.Get(f), s.streams(f)...) })
	case "get-config":
		store, err := s.datastore(op, "source")
		if err != nil {
			return nil, err
		}
		all, err := defaults(op)
		if err != nil {
			return nil, err
		}
		return data(op, func(*element.Node) []*element.Node { return s.config(store, all) })
	case "edit-config":
		return nil, x.editConfig(op)
	case "lock", "unlock":
		store, err := s.datastore(op, "target")
		if err != nil {
			return nil, err
		}
		if op.Name == "lock" {
			return nil, s.lock(x.id, store)
		}
		return nil, s.unlock(x.id, store)
	case "validate":
		return nil, s.validate(op)
	case "close-session":
		x.closing = true
		return nil, nil
	case "kill-session":
		return nil, s.kill(x.id, op.Kid("session-id").Value())
	}
	if !s.opt.Running {
		switch op.Name {
		case "commit":
			return nil, x.commit(op)
		case "cancel-commit":
			return nil, s.cancelCommit(x.id, op.Kid("persist-id").Value())
		case "discard-changes":
			return nil, s.discardChanges(x.id)
		case "copy-config":
			return nil, x.copyConfig(op)
		}
	}
	return nil, &Error{Type: "protocol", Tag: "operation-not-supported", Message: "there is no operation " + op.Name}
}

// defaults reads how values that nobody configured are to be told: all of them,
// or none. Source: from memory, RFC 6243 §4.5.1, a mode that the capability does
// not list is an invalid-value.
func defaults(op *element.Node) (all bool, err error) {
	switch mode := op.In(defaultsSpace, "with-defaults").Value(); mode {
	case "", "report-all":
		return true, nil
	case "explicit":
		return false, nil
	default:
		return false, &Error{Type: "protocol", Tag: "invalid-value", Message: "found the mode " + mode + " of with-defaults, want report-all or explicit"}
	}
}

// streams lists the streams of notifications. Source: RFC 5277 §3.2.5.1 and §3.4.
func (s *Server) streams(f *element.Node) []*element.Node {
	if s.opt.Mute || !Wants(f, "netconf") {
		return nil
	}
	return []*element.Node{element.New(streamsSpace, "netconf", element.New(streamsSpace, "streams", element.New(streamsSpace, "stream",
		element.Leaf(streamsSpace, "name", "NETCONF"), element.Leaf(streamsSpace, "description", "everything that is told"),
		element.Leaf(streamsSpace, "replaySupport", "false"))))}
}

// validate checks a datastore, or the configuration that the request itself
// holds. Source: RFC 6241 §8.6.4.1.
func (s *Server) validate(op *element.Node) error {
	config := op.Kid("source").In(baseSpace, "config")
	if config == nil {
		store, err := s.datastore(op, "source")
		if err != nil || store == "running" {
			return err
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.dev.Check(s.edits)
	}
	edits, err := s.dev.Read(config, "merge", nil)
	if err != nil {
		return err
	}
	return s.dev.Check(edits)
}

// data is the answer to get and get-config.
func data(op *element.Node, all func(*element.Node) []*element.Node) ([]*element.Node, error) {
	out := element.New(baseSpace, "data")
	f := op.Kid("filter")
	if f == nil {
		return []*element.Node{out.Add(all(nil)...)}, nil
	}
	if typ, ok := f.Attr("", "type"); ok && typ != "subtree" {
		return nil, &Error{Type: "protocol", Tag: "operation-not-supported", Message: "found a filter of type " + typ + ", want subtree"}
	}
	if len(f.Kids) == 0 {
		return []*element.Node{out}, nil // RFC 6241 §6.4.2
	}
	return []*element.Node{out.Add(Select(all(f), f)...)}, nil
}

// datastore reads the parameter that names one.
func (s *Server) datastore(op *element.Node, as string) (string, error) {
	p := op.Kid(as)
	if p == nil || len(p.Kids) != 1 {
		return "", &Error{Type: "protocol", Tag: "missing-element", Message: "want one datastore in " + as, Info: []*element.Node{element.Leaf(baseSpace, "bad-element", as)}}
	}
	switch name := p.Kids[0].Name; {
	case name == "running", name == "candidate" && !s.opt.Running:
		return name, nil
	default:
		return "", &Error{Type: "protocol", Tag: "operation-not-supported", Message: "there is no datastore " + name}
	}
}

func (x *session) editConfig(op *element.Node) error {
	store, err := x.s.datastore(op, "target")
	if err != nil {
		return err
	}
	if store == "running" && !x.s.opt.Running {
		return &Error{Type: "protocol", Tag: "operation-not-supported", Message: "the running configuration is changed by way of the candidate"}
	}
	config := op.Kid("config")
	if config == nil {
		return &Error{Type: "protocol", Tag: "missing-element", Message: "the edit has no config", Info: []*element.Node{element.Leaf(baseSpace, "bad-element", "config")}}
	}
	// Source: RFC 6241 §7.2, the parameters with their words. An edit is taken as a
	// whole or not at all, whichever error-option is asked for.
	said := map[string]string{"default-operation": "merge", "test-option": "test-then-set", "error-option": "stop-on-error"}
	for name, words := range map[string][]string{
		"default-operation": {"merge", "replace", "none"}, "test-option": {"test-then-set", "set", "test-only"},
		"error-option": {"stop-on-error", "continue-on-error", "rollback-on-error"},
	} {
		p := op.Kid(name)
		if p == nil {
			continue
		}
		if said[name] = p.Value(); !slices.Contains(words, said[name]) {
			return &Error{Type: "protocol", Tag: "invalid-value", Message: "found the " + name + " " + said[name] + ", want one of " + strings.Join(words, ", ")}
		}
	}
	return x.s.edit(x.id, store, config, said["default-operation"], said["test-option"] == "test-only")
}

// copyConfig makes the candidate what runs; the device replaces nothing else as a
// whole. Source: RFC 6241 §7.3.
func (x *session) copyConfig(op *element.Node) error {
	from := op.Kid("source")
	if from.In(baseSpace, "config") != nil {
		return &Error{Type: "protocol", Tag: "operation-not-supported", Message: "this device does not replace its whole configuration"}
	}
	source, err := x.s.datastore(op, "source")
	if err != nil {
		return err
	}
	target, err := x.s.datastore(op, "target")
	switch {
	case err != nil:
		return err
	case source == target:
		return &Error{Type: "protocol", Tag: "invalid-value", Message: "source and target are both " + source}
	case target == "running":
		return &Error{Type: "protocol", Tag: "operation-not-supported", Message: "the running configuration is changed by way of the candidate"}
	}
	return x.s.discardChanges(x.id)
}

func (x *session) commit(op *element.Node) error {
	within := 600 * time.Second // RFC 6241 §8.4.5.1
	if t := op.Kid("confirm-timeout"); t != nil {
		n, err := strconv.ParseUint(t.Value(), 10, 32)
		if err != nil || n == 0 {
			return &Error{Type: "protocol", Tag: "invalid-value", Message: "found the confirm-timeout " + t.Value() + ", want seconds from 1"}
		}
		within = time.Duration(n) * time.Second
	}
	return x.s.commit(x.id, op.Kid("confirmed") != nil, within, op.Kid("persist").Value(), op.Kid("persist-id").Value())
}

// subscribe begins to send notifications. Source: RFC 5277 §2.1.
func (x *session) subscribe(op *element.Node) error {
	if x.s.opt.Mute {
		return &Error{Type: "protocol", Tag: "operation-not-supported", Message: "there are no notifications"}
	}
	if v := op.Kid("stream").Value(); v != "" && v != "NETCONF" {
		return &Error{Tag: "invalid-value", Message: "there is no stream " + v}
	}
	if op.Kid("stopTime") != nil && op.Kid("startTime") == nil { // §2.1.1, negative response
		return &Error{Type: "protocol", Tag: "missing-element", Message: "found a stopTime without a startTime",
			Info: []*element.Node{element.Leaf(baseSpace, "bad-element", "startTime")}}
	}
	if op.Kid("startTime") != nil {
		return &Error{Tag: "operation-not-supported", Message: "nothing is kept for replay"}
	}
	if x.watched {
		return &Error{Tag: "in-use", Message: "the session has a subscription"}
	}
	x.watched = true
	f := op.Kid("filter")
	ready := make(chan struct{})
	x.s.spawn(func() {
		x.s.dev.Watch(x.ctx, func(at time.Time, event *element.Node) {
			if event == nil { // from here on nothing is missed
				close(ready)
				return
			}
			if f != nil && len(Select([]*element.Node{event}, f)) == 0 {
				return
			}
			n := element.New(notificationSpace, "notification", element.Leaf(notificationSpace, "eventTime", at.UTC().Format(time.RFC3339Nano)), event)
			if x.send(n) != nil {
				x.cancel(errors.New("the client does not take notifications"))
			}
		})
	})
	select {
	case <-ready:
	case <-x.ctx.Done():
	}
	return nil
}
