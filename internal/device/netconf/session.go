package netconf

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"towpath/internal/device"
	"towpath/internal/element"
)

// The namespaces of the protocol. Source: RFC 6241 §3.1, RFC 5277 §2.1.1 and
// §4, RFC 6243 §4.5.2.
const (
	nsBase         = "urn:ietf:params:xml:ns:netconf:base:1.0"
	nsNotification = "urn:ietf:params:xml:ns:netconf:notification:1.0"
	nsDefaults     = "urn:ietf:params:xml:ns:yang:ietf-netconf-with-defaults"
)

// The capabilities of the protocol. Source: RFC 6241 §8 and §10.4, RFC 5277
// §3.1.1 and §6, RFC 6243 §4.2.
const (
	CapBase10          = "urn:ietf:params:netconf:base:1.0"
	CapBase11          = "urn:ietf:params:netconf:base:1.1"
	CapWritableRunning = "urn:ietf:params:netconf:capability:writable-running:1.0"
	CapCandidate       = "urn:ietf:params:netconf:capability:candidate:1.0"
	CapConfirmed10     = "urn:ietf:params:netconf:capability:confirmed-commit:1.0"
	CapConfirmed11     = "urn:ietf:params:netconf:capability:confirmed-commit:1.1"
	CapRollback        = "urn:ietf:params:netconf:capability:rollback-on-error:1.0"
	CapValidate10      = "urn:ietf:params:netconf:capability:validate:1.0"
	CapValidate11      = "urn:ietf:params:netconf:capability:validate:1.1"
	CapStartup         = "urn:ietf:params:netconf:capability:startup:1.0"
	CapXPath           = "urn:ietf:params:netconf:capability:xpath:1.0"
	CapNotification    = "urn:ietf:params:netconf:capability:notification:1.0"
	CapInterleave      = "urn:ietf:params:netconf:capability:interleave:1.0"
	CapDefaults        = "urn:ietf:params:netconf:capability:with-defaults:1.0"
)

// Capabilities are what the other side's hello lists, by URI without its query,
// each with the parameters of its query.
type Capabilities map[string]url.Values

// Has reports whether the URI is listed, whatever its parameters.
func (c Capabilities) Has(uri string) bool { _, ok := c[uri]; return ok }

// Validates reports whether validate can be asked for.
func (c Capabilities) Validates() bool { return c.Has(CapValidate10) || c.Has(CapValidate11) }

// ModuleBy returns the name and revision of the data model with the namespace;
// the name is empty where it is not listed. Source: RFC 6020 §5.6.4.
func (c Capabilities) ModuleBy(namespace string) (name, revision string) {
	v := c[namespace]
	return v.Get("module"), v.Get("revision")
}

func readCapability(text string) (uri string, v url.Values) {
	uri, query, _ := strings.Cut(text, "?")
	v, err := url.ParseQuery(strings.ReplaceAll(query, "&amp;", "&")) // some escape twice
	if err != nil {
		v = url.Values{}
	}
	return uri, v
}

// Options say how a session is opened. The zero value is good.
type Options struct {
	// Only10 offers base:1.0 alone, for a server that announces 1.1 and does not
	// keep to it.
	Only10 bool
	// Largest is the most octets of one message; zero is 256 MiB.
	Largest int64
}

// Session is one NETCONF session. It is safe for concurrent use: requests that
// are under way at the same time are told apart by their message-id.
type Session struct {
	id     uint32
	caps   Capabilities
	stream io.ReadWriteCloser
	done   chan struct{}
	life   sync.Once

	writing chan struct{} // held by who writes
	out     *Writer

	mu      sync.Mutex
	next    uint64
	waiting map[string]chan *element.Node
	left    map[string]bool // requests that nobody waits for any more
	err     error           // why it ended
	closing bool
	events  func(*element.Node)
}

// Open exchanges the hellos on a stream and starts to read. The stream is closed
// with the session, and also where this fails. Ending ctx ends the attempt, and
// not a session that has been opened.
// Source: RFC 6241 §8.1, RFC 6242 §4.1 (hellos are framed by end of message;
// chunks follow only where both sides have said base:1.1).
func Open(ctx context.Context, stream io.ReadWriteCloser, o Options) (*Session, error) {
	if o.Largest == 0 {
		o.Largest = 256 << 20
	}
	s := &Session{
		stream: stream, done: make(chan struct{}), out: NewWriter(stream), writing: make(chan struct{}, 1),
		waiting: map[string]chan *element.Node{}, left: map[string]bool{},
	}
	in := &messages{r: NewReader(stream), largest: o.Largest}
	stop := context.AfterFunc(ctx, func() { _ = stream.Close() }) // reading and writing then fail
	hello, err := s.greet(in, o)
	if !stop() && err == nil {
		err = context.Cause(ctx)
	}
	if err != nil {
		_ = stream.Close() // it failed for a better reason
		if cause := context.Cause(ctx); cause != nil {
			err = cause
		}
		return nil, opened(err)
	}
	go s.read(in)
	s.id = hello
	return s, nil
}

// opened makes a fault of what went wrong while a session was opened.
func opened(err error) error {
	const op = "open a NETCONF session"
	var f *device.Fault
	if errors.As(err, &f) {
		return err
	}
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return &device.Fault{Kind: device.Unreachable, Op: op, Text: "the device ended the session before it had said hello", Err: err}
	}
	var fe *FramingError
	if errors.As(err, &fe) {
		return &device.Fault{Kind: device.Unable, Op: op, Text: "what answers does not speak NETCONF", Err: err}
	}
	return &device.Fault{Kind: device.Unreachable, Op: op, Err: err}
}

func (s *Session) greet(in *messages, o Options) (id uint32, err error) {
	offer := []string{CapBase10}
	if !o.Only10 {
		offer = append(offer, CapBase11)
	}
	caps := element.New(nsBase, "capabilities")
	for _, c := range offer {
		caps.Add(element.Leaf(nsBase, "capability", c))
	}
	// Both sides send their hello without waiting for the other's.
	sent := make(chan error, 1)
	go func() { sent <- s.out.Write(document(element.New(nsBase, "hello", caps))) }()
	n, err := in.next()
	if err != nil {
		return 0, err
	}
	refuse := func(format string, args ...any) (uint32, error) {
		return 0, &device.Fault{Kind: device.Unable, Op: "open a NETCONF session", Text: fmt.Sprintf(format, args...)}
	}
	if !n.Is(nsBase, "hello") {
		return refuse("the first message is <%s> of namespace %q, want <hello> of %s", n.Name, n.Space, nsBase)
	}
	s.caps = Capabilities{}
	for _, c := range n.Kid("capabilities").All("capability") {
		uri, v := readCapability(c.Value())
		s.caps[uri] = v
	}
	text := n.Kid("session-id").Value()
	got, err := strconv.ParseUint(text, 10, 32)
	if err != nil || got == 0 {
		// Source: RFC 6241 §8.1: the server's hello must carry it.
		return refuse("found the session-id %q in the device's hello, want a number from 1", text)
	}
	if err := <-sent; err != nil {
		return 0, err
	}
	switch {
	case !o.Only10 && s.caps.Has(CapBase11):
		s.out.Use(Chunked)
		in.r.Use(Chunked)
	case s.caps.Has(CapBase10):
	default:
		return refuse("the device's hello lists neither %s nor %s that we could use", CapBase10, CapBase11)
	}
	return uint32(got), nil
}

// document is a message with its XML declaration.
func document(n *element.Node) []byte {
	return n.Append([]byte(`<?xml version="1.0" encoding="UTF-8"?>`))
}

// messages parses message after message.
type messages struct {
	r       *Reader
	largest int64
}

func (m *messages) next() (*element.Node, error) {
	for {
		if err := m.r.Next(); err != nil {
			return nil, err
		}
		limited := &io.LimitedReader{R: m.r, N: m.largest + 1}
		n, err := element.Parse(limited)
		switch {
		case limited.N <= 0:
			return nil, fmt.Errorf("found a message of more than %d octets", m.largest)
		case errors.Is(err, element.ErrEmpty):
			continue // white space between messages
		}
		return n, err
	}
}

// ID is the number that the device gave to the session.
func (s *Session) ID() uint32 { return s.id }

// Capabilities are what the device's hello listed. The map is not to be changed.
func (s *Session) Capabilities() Capabilities { return s.caps }

// Done is closed when the session has ended.
func (s *Session) Done() <-chan struct{} { return s.done }

// read hands on what comes, until the session ends.
func (s *Session) read(in *messages) {
	for {
		n, err := in.next()
		if err != nil {
			s.end(err)
			return
		}
		switch {
		case n.Is(nsBase, "rpc-reply"):
			if err := s.answered(n); err != nil {
				s.end(err)
				return
			}
		case n.Is(nsNotification, "notification"):
			s.mu.Lock()
			f := s.events
			s.mu.Unlock()
			if f != nil {
				f(n)
			}
		default:
			s.end(fmt.Errorf("found a message <%s> of namespace %q, want an rpc-reply or a notification", n.Name, n.Space))
			return
		}
	}
}

// answered hands a reply to who waits for it.
func (s *Session) answered(n *element.Node) error {
	id, has := n.Attr("", "message-id")
	s.mu.Lock()
	defer s.mu.Unlock()
	if w := s.waiting[id]; has && w != nil {
		delete(s.waiting, id)
		w <- n // there is room for one
		return nil
	}
	if has && s.left[id] {
		delete(s.left, id)
		return nil
	}
	if !has {
		// Source: RFC 6241 §4.3 and appendix A: what the device could not read
		// it answers without one, and that is about some request of ours.
		if errs := readErrors(n); len(errs) > 0 {
			return fmt.Errorf("the device could not read a request: %w", errs[0])
		}
	}
	return fmt.Errorf("found a reply with message-id %q, which no request of ours has", id)
}

// end ends the session for a reason.
func (s *Session) end(cause error) {
	s.life.Do(func() {
		s.mu.Lock()
		s.err = cause
		waiting := s.waiting
		s.waiting = map[string]chan *element.Node{}
		s.mu.Unlock()
		_ = s.stream.Close() // what could fail now has ended already
		close(s.done)
		for _, w := range waiting {
			close(w)
		}
	})
}

// why says why the session has ended.
func (s *Session) why() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err == nil {
		return nil
	}
	if errors.Is(s.err, io.EOF) || errors.Is(s.err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("the device ended the session: %w", s.err)
	}
	return s.err
}

// lost is the fault for a request whose session ended. sent says whether the
// device may have seen it; act, whether it would have changed something.
func (s *Session) lost(op string, sent, act bool) error {
	s.mu.Lock()
	closing := s.closing
	s.mu.Unlock()
	kind := device.Unreachable
	switch {
	case closing && !sent:
		return &device.Fault{Kind: device.Ours, Op: op, Text: "the session is closed"}
	case sent && act:
		kind = device.OutcomeUnknown
	}
	return &device.Fault{Kind: kind, Op: op, Err: s.why()}
}

// Call sends a request and waits for its reply. op names it in errors; act says
// that it changes the device, so that its outcome is unknown where the session
// ends before the reply. Where ctx ends first, the session goes on and the late
// reply is thrown away. The reply is the rpc-reply as a whole.
//
// Errors are a [*device.Fault] around the [*RPCError] that the device sent;
// warnings are none.
func (s *Session) Call(ctx context.Context, op string, act bool, request *element.Node) (*element.Node, error) {
	if ctx.Err() != nil {
		return nil, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "nothing was sent", Err: context.Cause(ctx)}
	}
	reply := make(chan *element.Node, 1)
	s.mu.Lock()
	if s.err != nil {
		s.mu.Unlock()
		return nil, s.lost(op, false, act)
	}
	s.next++
	id := strconv.FormatUint(s.next, 10)
	s.waiting[id] = reply
	s.mu.Unlock()

	message := document(element.New(nsBase, "rpc", request).With("", "message-id", id))
	select {
	case s.writing <- struct{}{}:
	case <-s.done:
		return nil, s.lost(op, false, act)
	case <-ctx.Done():
		s.forget(id, false)
		return nil, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: "nothing was sent", Err: context.Cause(ctx)}
	}
	// A message that is half written cannot be taken back: where ctx ends in the
	// middle and the device takes no more of it, the session ends too.
	written := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		t := time.NewTimer(closeTime)
		defer t.Stop()
		select {
		case <-written:
		case <-t.C:
			s.end(context.Cause(ctx))
		}
	})
	err := s.out.Write(message)
	close(written)
	stop()
	<-s.writing
	if err != nil {
		s.end(err)
	}
	select {
	case n, ok := <-reply:
		if !ok {
			if cause := context.Cause(ctx); cause != nil {
				return nil, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: cause}
			}
			return nil, s.lost(op, true, act)
		}
		return n, refused(op, n)
	case <-ctx.Done():
		s.forget(id, true)
		return nil, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
	}
}

// forget waits no longer for the reply to a request; sent says that one comes.
func (s *Session) forget(id string, sent bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.waiting, id)
	if sent {
		s.left[id] = true
	}
}

// closeTime is how long the device is waited for when a session is closed, or a
// request was given up that it has not wholly taken.
const closeTime = 2 * time.Second

// Close asks the device to end the session, so that it gives back what the
// session holds, and closes the stream, whatever the device answers.
// Source: RFC 6241 §7.8.
func (s *Session) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), closeTime)
	defer cancel()
	_, err := s.Call(ctx, "close session", false, element.New(nsBase, "close-session"))
	s.mu.Lock()
	s.closing = true
	s.mu.Unlock()
	s.end(errors.New("the session was closed on this side"))
	if device.KindOf(err) == device.Unreachable {
		return nil // it has ended, which is what was wanted
	}
	return err
}

// abandon closes the stream without a word.
func (s *Session) abandon() {
	s.mu.Lock()
	s.closing = true
	s.mu.Unlock()
	s.end(errors.New("the session was closed on this side"))
}

// RPCError is an error as a device sends it. Source: RFC 6241 §4.3.
type RPCError struct {
	Type     string // transport, rpc, protocol or application
	Tag      string
	Severity string // error or warning
	AppTag   string
	Path     string
	Message  string
	Info     []*element.Node
}

// Error is one line for people.
func (e *RPCError) Error() string {
	s := e.Message
	if s == "" {
		s = "the device gave no reason"
	}
	if e.Path != "" {
		s += " at " + e.Path
	}
	for _, i := range e.Info {
		if v := i.Value(); v != "" {
			s += ", " + i.Name + " " + v
		}
	}
	if e.AppTag != "" {
		return s + " [" + e.Tag + ", " + e.AppTag + "]"
	}
	return s + " [" + e.Tag + "]"
}

// readErrors reads the errors and warnings of a reply.
func readErrors(n *element.Node) []*RPCError {
	var out []*RPCError
	for _, k := range n.Kids {
		if !k.Is(nsBase, "rpc-error") {
			continue
		}
		e := &RPCError{
			Type: k.Kid("error-type").Value(), Tag: k.Kid("error-tag").Value(), Severity: k.Kid("error-severity").Value(),
			AppTag: k.Kid("error-app-tag").Value(), Path: k.Kid("error-path").Value(),
			Message: strings.Join(strings.Fields(k.Kid("error-message").Value()), " "),
		}
		if i := k.Kid("error-info"); i != nil {
			e.Info = i.Kids
		}
		out = append(out, e)
	}
	return out
}

// kinds says what may be done after an error. What a device calls otherwise, or
// what is not here, a person must look at.
// Source: RFC 6241 appendix A.
var kinds = map[string]device.Kind{
	"in-use":                  device.Busy,
	"lock-denied":             device.Busy,
	"resource-denied":         device.Busy,
	"access-denied":           device.Denied,
	"data-missing":            device.Missing,
	"operation-not-supported": device.Unable,
	"unknown-element":         device.Unable, // the device lacks that part of the model
	"unknown-namespace":       device.Unable,
	"unknown-attribute":       device.Unable,
	"malformed-message":       device.Ours,
	"missing-attribute":       device.Ours,
	"missing-element":         device.Ours,
	"bad-attribute":           device.Ours,
	"rollback-failed":         device.OutcomeUnknown,
	"partial-operation":       device.OutcomeUnknown,
	"operation-failed":        device.Refused,
	"invalid-value":           device.Refused,
	"bad-element":             device.Refused,
	"too-big":                 device.Refused,
	"data-exists":             device.Refused,
}

// appKinds are the kinds of errors for which the module towpath-software has
// names of its own. See software.go.
var appKinds = map[string]device.Kind{
	"wrong-image":   device.WrongImage,
	"damaged":       device.Damaged,
	"no-space":      device.NoSpace,
	"roles-changed": device.Moved,
	"busy":          device.Busy,
	"not-there":     device.Missing,
	"not-ready":     device.Refused,
}

// refused makes a fault of the errors of a reply, nil where there are none. The
// first decides; the others are named.
func refused(op string, n *element.Node) error {
	errs := slices.DeleteFunc(readErrors(n), func(e *RPCError) bool { return e.Severity == "warning" })
	if len(errs) == 0 {
		return nil
	}
	kind, known := kinds[errs[0].Tag]
	if !known {
		kind = device.Refused
	}
	if k, ok := appKinds[errs[0].AppTag]; ok {
		kind = k
	}
	f := &device.Fault{Kind: kind, Op: op, Err: errs[0]}
	if len(errs) > 1 {
		all := make([]string, len(errs)-1)
		for i, e := range errs[1:] {
			all[i] = e.Error()
		}
		f.Text = fmt.Sprintf("the device found %d errors (also: %s)", len(errs), strings.Join(all, "; "))
	}
	return f
}
