//nolint:misspell // the words of the OpenConfig models
package lab

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/openconfig/gnmi/proto/gnmi"
)

// gnmiServer is gNMI.
// Source for all of it: gNMI specification 0.10.
type gnmiServer struct {
	gnmi.UnimplementedGNMIServer
	c *Chassis
}

const (
	leastSample   = 10 * time.Millisecond
	batchUpdates  = 256   // most updates of one message of an initial set
	queueChanges  = 50000 // a subscriber that is so far behind is cut off
	versionOfGNMI = "0.10.0"
)

// Capabilities lists models and encodings.
func (s *gnmiServer) Capabilities(context.Context, *gnmi.CapabilityRequest) (*gnmi.CapabilityResponse, error) {
	seen := map[string]bool{}
	var models []*gnmi.ModelData
	for _, m := range modules {
		if seen[m.module] {
			continue
		}
		seen[m.module] = true
		d := &gnmi.ModelData{Name: m.module, Organization: "OpenConfig working group", Version: "1.0.0"}
		if m.module == originFacts {
			d.Organization = "towpath"
		}
		models = append(models, d)
	}
	return &gnmi.CapabilityResponse{
		SupportedModels:    models,
		SupportedEncodings: []gnmi.Encoding{gnmi.Encoding_JSON_IETF, gnmi.Encoding_PROTO},
		GNMIVersion:        versionOfGNMI,
	}, nil
}

func checkEncoding(e gnmi.Encoding) error {
	if e != gnmi.Encoding_JSON_IETF && e != gnmi.Encoding_PROTO {
		return status.Errorf(codes.Unimplemented, "found encoding %s, want JSON_IETF or PROTO", e)
	}
	return nil
}

// snapshot returns the leaves that a query asks for, in order, with the
// instant at which they hold.
func (c *Chassis) snapshot(q query) (time.Time, []leaf) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.publish() // so that a subscriber is never told less than what is read here
	return c.now(), c.collect(q)
}

// collect is snapshot with the lock held, after publish.
func (c *Chassis) collect(q query) []leaf {
	var out []leaf
	for in, v := range c.leaves {
		if q.matches(in) {
			out = append(out, leaf{in, v})
		}
	}
	slices.SortFunc(out, func(a, b leaf) int { return cmp.Compare(a.text, b.text) })
	if q.mayReach("openconfig", "network-instances", "network-instance", "afts") && (len(q.elems) < 4 || q.elems[3].GetName() != "aft-summaries") {
		for l := range c.routeLeaves() {
			if q.matches(l.leafInfo) {
				out = append(out, l)
			}
		}
	}
	if q.mayReach(originFacts, "facts", "truth", "loss") {
		for l := range c.truthLeaves() {
			if q.matches(l.leafInfo) {
				out = append(out, l)
			}
		}
	}
	return out
}

// mayReach spares the walk over leaves that are made on demand where the query
// cannot mean them.
func (q query) mayReach(origin string, names ...string) bool {
	if q.origin != origin {
		return false
	}
	for i, want := range names {
		if i >= len(q.elems) || q.elems[i].GetName() == "..." {
			return true
		}
		if n := q.elems[i].GetName(); n != "*" && n != want {
			return false
		}
	}
	return true
}

// Get answers each path with one notification.
func (s *gnmiServer) Get(_ context.Context, req *gnmi.GetRequest) (*gnmi.GetResponse, error) {
	if err := checkEncoding(req.GetEncoding()); err != nil {
		return nil, err
	}
	paths := req.GetPath()
	if len(paths) == 0 {
		paths = []*gnmi.Path{{}}
	}
	out := &gnmi.GetResponse{}
	for _, p := range paths {
		q, err := newQuery(req.GetPrefix(), p)
		if err != nil {
			return nil, status.Error(codes.InvalidArgument, err.Error())
		}
		at, leaves := s.c.snapshot(q)
		leaves = slices.DeleteFunc(leaves, func(l leaf) bool { return !wanted(l, req.GetType()) })
		if len(leaves) == 0 {
			return nil, status.Errorf(codes.NotFound, "%s: nothing there", textOf(p))
		}
		n := &gnmi.Notification{Timestamp: at.UnixNano()}
		if t := req.GetPrefix().GetTarget(); t != "" {
			n.Prefix = &gnmi.Path{Target: t}
		}
		if n.Update, err = answers(q, leaves, req.GetEncoding()); err != nil {
			return nil, status.Error(codes.Internal, err.Error())
		}
		out.Notification = append(out.Notification, n)
	}
	return out, nil
}

// wanted applies the data type of a Get.
func wanted(l leaf, t gnmi.GetRequest_DataType) bool {
	config := slices.ContainsFunc(l.elems, func(e elem) bool { return e.name == "config" })
	switch t {
	case gnmi.GetRequest_CONFIG:
		return config
	case gnmi.GetRequest_STATE, gnmi.GetRequest_OPERATIONAL:
		return !config
	case gnmi.GetRequest_ALL:
	}
	return true
}

// answers encodes the leaves of a Get: as one document for each node that the
// query names, or leaf by leaf where the encoding knows no documents.
func answers(q query, leaves []leaf, enc gnmi.Encoding) ([]*gnmi.Update, error) {
	var out []*gnmi.Update
	depth := len(q.elems)
	anyDepth := slices.ContainsFunc(q.elems, func(e *gnmi.PathElem) bool { return e.GetName() == "..." })
	if enc == gnmi.Encoding_PROTO || anyDepth {
		for _, l := range leaves {
			v, err := l.val.typed(enc)
			if err != nil {
				return nil, err
			}
			out = append(out, &gnmi.Update{Path: l.proto, Val: v})
		}
		return out, nil
	}
	groups := groupBy(leaves, func(l leaf) string {
		var b strings.Builder
		for _, e := range l.elems[:depth] {
			b.WriteString("/" + e.name + "\x00" + keysText(e))
		}
		return b.String()
	})
	for _, g := range groups {
		doc, err := document(g, depth)
		if err != nil {
			return nil, err
		}
		out = append(out, &gnmi.Update{
			Path: protoPath(g[0].elems[:depth]),
			Val:  &gnmi.TypedValue{Value: &gnmi.TypedValue_JsonIetfVal{JsonIetfVal: doc}},
		})
	}
	return out, nil
}

// change is a leaf that has a new value, or has gone.
type change struct {
	leaf
	deleted bool
}

// event is what changed at one instant.
type event struct {
	at      time.Time
	changes []change
}

// subscriber is one STREAM subscription with leaves to be told on change.
type subscriber struct {
	queries []query

	mu     sync.Mutex
	queue  []event
	length int
	late   bool
	wake   chan struct{} // capacity 1
}

// offer queues what the subscriber asked for.
func (s *subscriber) offer(at time.Time, changes []change) {
	var mine []change
	for _, ch := range changes {
		if slices.ContainsFunc(s.queries, func(q query) bool { return q.matches(ch.leafInfo) }) {
			mine = append(mine, ch)
		}
	}
	if len(mine) == 0 {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.length += len(mine); s.length > queueChanges {
		s.late, s.queue = true, nil
	} else {
		s.queue = append(s.queue, event{at, mine})
	}
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// take returns what waits.
func (s *subscriber) take() ([]event, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	q := s.queue
	s.queue, s.length = nil, 0
	return q, s.late
}

// publish renders the tree, and tells subscribers what differs from what they
// were told last. The lock is held.
func (c *Chassis) publish() {
	next := c.render()
	var changes []change
	for in, v := range next {
		if old, ok := c.leaves[in]; (!ok || old != v) && !in.row.is(sampled) {
			changes = append(changes, change{leaf: leaf{in, v}})
		}
	}
	for in, v := range c.leaves {
		if _, ok := next[in]; !ok {
			changes = append(changes, change{leaf: leaf{in, v}, deleted: true})
		}
	}
	c.leaves = next
	if len(changes) == 0 || len(c.subs) == 0 {
		return
	}
	slices.SortFunc(changes, func(a, b change) int { return cmp.Compare(a.text, b.text) })
	at := c.now()
	for s := range c.subs {
		s.offer(at, changes)
	}
}

// subscription is one entry of a Subscribe request.
type subscription struct {
	query
	mode      gnmi.SubscriptionMode
	every     time.Duration
	redundant bool // leave out samples that did not change
	heartbeat time.Duration
}

func readSubscriptions(list *gnmi.SubscriptionList) ([]subscription, error) {
	var out []subscription
	for _, s := range list.GetSubscription() {
		q, err := newQuery(list.GetPrefix(), s.GetPath())
		if err != nil {
			return nil, status.Error(codes.InvalidArgument, err.Error())
		}
		if !q.modelled() {
			return nil, status.Errorf(codes.Unimplemented, "%s: this chassis does not model it", textOf(s.GetPath()))
		}
		sub := subscription{
			query: q, mode: s.GetMode(), every: time.Duration(min(s.GetSampleInterval(), uint64(1<<62))),
			redundant: s.GetSuppressRedundant(), heartbeat: time.Duration(min(s.GetHeartbeatInterval(), uint64(1<<62))),
		}
		if list.GetMode() == gnmi.SubscriptionList_STREAM {
			switch sub.mode {
			case gnmi.SubscriptionMode_SAMPLE:
				if sub.every == 0 {
					sub.every = leastSample
				}
				if sub.every < leastSample {
					return nil, status.Errorf(codes.InvalidArgument, "found sample interval %s, want at least %s", sub.every, leastSample)
				}
			case gnmi.SubscriptionMode_ON_CHANGE:
				if q.couldMatchSchema(func(r *schemaRow) bool { return r.is(sampled) }) && !q.couldMatchSchema(func(r *schemaRow) bool { return !r.is(sampled) }) {
					return nil, status.Errorf(codes.InvalidArgument, "%s: can only be sampled", textOf(s.GetPath()))
				}
			case gnmi.SubscriptionMode_TARGET_DEFINED:
				if sub.every != 0 {
					return nil, status.Error(codes.InvalidArgument, "a sample interval with TARGET_DEFINED")
				}
				sub.mode = gnmi.SubscriptionMode_ON_CHANGE
			}
		}
		out = append(out, sub)
	}
	if len(out) == 0 {
		return nil, status.Error(codes.InvalidArgument, "a subscription without paths")
	}
	return out, nil
}

// Subscribe serves ONCE, POLL and STREAM.
func (s *gnmiServer) Subscribe(stream gnmi.GNMI_SubscribeServer) error {
	first, err := stream.Recv()
	if err != nil {
		return err
	}
	list := first.GetSubscribe()
	if list == nil {
		return status.Error(codes.InvalidArgument, "the first message must be a subscription list")
	}
	if err := checkEncoding(list.GetEncoding()); err != nil {
		return err
	}
	subs, err := readSubscriptions(list)
	if err != nil {
		return err
	}
	w := &writer{stream: stream, enc: list.GetEncoding(), target: list.GetPrefix().GetTarget()}
	switch list.GetMode() {
	case gnmi.SubscriptionList_ONCE:
		return s.tell(w, subs, list.GetUpdatesOnly())
	case gnmi.SubscriptionList_POLL:
		for {
			if err := s.tell(w, subs, list.GetUpdatesOnly()); err != nil {
				return err
			}
			msg, err := stream.Recv()
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err != nil {
				return err
			}
			if msg.GetPoll() == nil {
				return status.Error(codes.InvalidArgument, "want a poll")
			}
		}
	case gnmi.SubscriptionList_STREAM:
		return s.stream(w, subs, list.GetUpdatesOnly())
	}
	return status.Errorf(codes.InvalidArgument, "found mode %s", list.GetMode())
}

// tell sends the whole present state and a sync_response.
func (s *gnmiServer) tell(w *writer, subs []subscription, syncOnly bool) error {
	if !syncOnly {
		for _, sub := range subs {
			at, leaves := s.c.snapshot(sub.query)
			if err := w.leaves(at, leaves); err != nil {
				return err
			}
		}
	}
	return w.sync()
}

// stream serves a STREAM subscription until the client or the management plane
// goes away.
func (s *gnmiServer) stream(w *writer, subs []subscription, syncOnly bool) error {
	c, ctx := s.c, w.stream.Context()
	me := &subscriber{wake: make(chan struct{}, 1)}
	for _, sub := range subs {
		if sub.mode == gnmi.SubscriptionMode_ON_CHANGE {
			me.queries = append(me.queries, sub.query)
		}
	}
	// The initial set and the registration are one instant, so that no change
	// falls between them.
	type initial struct{ leaves []leaf }
	var first []initial
	c.mu.Lock()
	c.publish()
	at := c.now()
	for _, sub := range subs {
		first = append(first, initial{c.collect(sub.query)})
	}
	c.subs[me] = struct{}{}
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		delete(c.subs, me)
		c.mu.Unlock()
	}()
	if !syncOnly {
		for _, in := range first {
			if err := w.leaves(at, in.leaves); err != nil {
				return err
			}
		}
	}
	if err := w.sync(); err != nil {
		return err
	}
	// A client may say nothing more; when it leaves, the context ends.
	ended := make(chan error, 1)
	go func() {
		_, err := w.stream.Recv()
		if err == nil {
			err = status.Error(codes.InvalidArgument, "a second request on a stream")
		}
		ended <- err
	}()
	ticks := make(chan *sampler)
	for i, sub := range subs {
		for _, sm := range newSamplers(sub, first[i].leaves) {
			go func() {
				for c.clock.Sleep(ctx, sm.every) == nil {
					select {
					case ticks <- sm:
					case <-ctx.Done():
						return
					}
				}
			}()
		}
	}
	for {
		select {
		case <-ctx.Done():
			return status.FromContextError(ctx.Err()).Err()
		case err := <-ended:
			if errors.Is(err, io.EOF) {
				ended = nil // half-closed; it may still listen
				continue
			}
			return err
		case <-me.wake:
			events, late := me.take()
			if late {
				return status.Errorf(codes.ResourceExhausted, "more than %d changes wait for this subscriber", queueChanges)
			}
			for _, e := range events {
				if err := w.changes(e); err != nil {
					return err
				}
			}
		case sm := <-ticks:
			at, leaves := c.snapshot(sm.query)
			if err := w.leaves(at, sm.pick(leaves)); err != nil {
				return err
			}
		}
	}
}

// sampler sends a subscription's leaves at an interval.
type sampler struct {
	query
	every     time.Duration
	redundant bool
	heartbeat bool // an on-change subscription's heartbeat: everything that is not sampled
	last      map[*leafInfo]value
	beat      time.Duration // of a sampler that leaves out what did not change
	since     time.Duration
}

func newSamplers(sub subscription, first []leaf) []*sampler {
	switch {
	case sub.mode == gnmi.SubscriptionMode_SAMPLE:
		s := &sampler{query: sub.query, every: sub.every, redundant: sub.redundant, beat: sub.heartbeat, last: map[*leafInfo]value{}}
		for _, l := range first {
			s.last[l.leafInfo] = l.val
		}
		return []*sampler{s}
	case sub.heartbeat > 0:
		return []*sampler{{query: sub.query, every: max(sub.heartbeat, leastSample), heartbeat: true}}
	}
	return nil
}

// pick chooses what this sample tells.
func (s *sampler) pick(leaves []leaf) []leaf {
	if s.heartbeat {
		return slices.DeleteFunc(leaves, func(l leaf) bool { return l.row.is(sampled) })
	}
	if !s.redundant {
		return leaves
	}
	s.since += s.every
	if s.beat > 0 && s.since >= s.beat {
		s.since = 0
		return leaves
	}
	var out []leaf
	for _, l := range leaves {
		if old, ok := s.last[l.leafInfo]; !ok || old != l.val {
			s.last[l.leafInfo] = l.val
			out = append(out, l)
		}
	}
	return out
}

// writer sends notifications.
type writer struct {
	stream gnmi.GNMI_SubscribeServer
	enc    gnmi.Encoding
	target string
}

func (w *writer) send(n *gnmi.Notification) error {
	if w.target != "" {
		n.Prefix = &gnmi.Path{Target: w.target}
	}
	return w.stream.Send(&gnmi.SubscribeResponse{Response: &gnmi.SubscribeResponse_Update{Update: n}})
}

func (w *writer) sync() error {
	return w.stream.Send(&gnmi.SubscribeResponse{Response: &gnmi.SubscribeResponse_SyncResponse{SyncResponse: true}})
}

func (w *writer) update(l leaf) (*gnmi.Update, error) {
	v, err := l.val.typed(w.enc)
	if err != nil {
		return nil, status.Error(codes.Internal, err.Error())
	}
	return &gnmi.Update{Path: l.proto, Val: v}, nil
}

// leaves sends a set in messages of bounded size.
func (w *writer) leaves(at time.Time, leaves []leaf) error {
	for part := range chunks(leaves, batchUpdates) {
		n := &gnmi.Notification{Timestamp: at.UnixNano()}
		for _, l := range part {
			u, err := w.update(l)
			if err != nil {
				return err
			}
			n.Update = append(n.Update, u)
		}
		if err := w.send(n); err != nil {
			return err
		}
	}
	return nil
}

// changes sends what changed at one instant.
func (w *writer) changes(e event) error {
	for part := range chunks(e.changes, batchUpdates) {
		n := &gnmi.Notification{Timestamp: e.at.UnixNano()}
		for _, ch := range part {
			if ch.deleted {
				n.Delete = append(n.Delete, ch.proto)
				continue
			}
			u, err := w.update(ch.leaf)
			if err != nil {
				return err
			}
			n.Update = append(n.Update, u)
		}
		if err := w.send(n); err != nil {
			return err
		}
	}
	return nil
}

func chunks[T any](s []T, n int) iter.Seq[[]T] { return slices.Chunk(s, n) }

// Set changes configuration, all or nothing.
// Source: gNMI specification §3.4: deletes, then replaces, then updates.
func (s *gnmiServer) Set(_ context.Context, req *gnmi.SetRequest) (*gnmi.SetResponse, error) {
	c := s.c
	var resp *gnmi.SetResponse
	var err error
	c.do(func() {
		var edits []edit
		edits, err = c.readEdits(req)
		names := make([]string, len(edits))
		for i, e := range edits {
			names[i] = e.text()
		}
		act := c.act(ActSet, strings.Join(names, "; "))
		if err == nil {
			act.Changed, err = c.applyEdits(edits)
		}
		act.Outcome = "ok"
		if err != nil {
			act.Outcome = err.Error()
			return
		}
		resp = &gnmi.SetResponse{Prefix: req.GetPrefix(), Timestamp: c.now().UnixNano()}
		for _, e := range edits {
			resp.Response = append(resp.Response, &gnmi.UpdateResult{Path: e.path, Op: e.op})
		}
	})
	return resp, err
}

// edit is one change of a Set.
type edit struct {
	op    gnmi.UpdateResult_Operation
	path  *gnmi.Path
	info  *leafInfo
	value value
}

func (e edit) text() string {
	if e.op == gnmi.UpdateResult_DELETE {
		return "delete " + e.info.text
	}
	return e.info.text + " = " + e.value.plain()
}

// readEdits checks a Set against the schema. The lock is held.
func (c *Chassis) readEdits(req *gnmi.SetRequest) ([]edit, error) {
	if len(req.GetUnionReplace()) > 0 {
		return nil, status.Error(codes.Unimplemented, "union_replace")
	}
	var out []edit
	add := func(op gnmi.UpdateResult_Operation, p *gnmi.Path, v *gnmi.TypedValue) error {
		q, err := newQuery(req.GetPrefix(), p)
		if err != nil {
			return status.Error(codes.InvalidArgument, err.Error())
		}
		full := &gnmi.Path{Origin: q.origin, Elem: q.elems}
		var in *leafInfo
		for cand := range c.leaves {
			if cand.row.is(settable) && len(cand.elems) == len(q.elems) && q.matches(cand) {
				in = cand
			}
		}
		if in == nil {
			return status.Errorf(codes.InvalidArgument, "%s: no leaf there that can be set", textOf(full))
		}
		e := edit{op: op, path: p, info: in}
		if op != gnmi.UpdateResult_DELETE {
			if e.value, err = readValue(in.row.kind, v); err == nil {
				err = checkSet(in, e.value)
			}
			if err != nil {
				return status.Errorf(codes.InvalidArgument, "%s: %v", in.text, err)
			}
		}
		out = append(out, e)
		return nil
	}
	for _, p := range req.GetDelete() {
		if err := add(gnmi.UpdateResult_DELETE, p, nil); err != nil {
			return nil, err
		}
	}
	for _, u := range req.GetReplace() {
		if err := add(gnmi.UpdateResult_REPLACE, u.GetPath(), u.GetVal()); err != nil {
			return nil, err
		}
	}
	for _, u := range req.GetUpdate() {
		if err := add(gnmi.UpdateResult_UPDATE, u.GetPath(), u.GetVal()); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// applyEdits makes checked edits. The lock is held.
func (c *Chassis) applyEdits(edits []edit) (changed bool, err error) {
	if c.lockHolder != "" {
		return false, status.Errorf(codes.FailedPrecondition, "the configuration is locked by %s", c.lockHolder)
	}
	for _, e := range edits {
		path := e.info.text
		old, had := c.config[path]
		if !had {
			if v, has := c.leaves[e.info]; has {
				c.unset[path] = v
			} else {
				delete(c.unset, path)
			}
		}
		def, has := c.unset[path]
		if e.op == gnmi.UpdateResult_DELETE || has && def == e.value {
			changed = changed || had
			delete(c.config, path)
			c.configured(e.info, value{}, false)
			continue
		}
		changed = changed || !had || old != e.value
		c.config[path] = e.value
		c.configured(e.info, e.value, true)
	}
	if changed {
		c.configTime, c.unsaved = c.now(), c.cfg.Configuration.Unsaved || c.digest() != c.saved
		c.reroute()
	}
	return changed, nil
}

// readValue decodes a value of a Set.
func readValue(k kind, v *gnmi.TypedValue) (value, error) {
	raw, err := scalar(v)
	if err != nil {
		return value{}, err
	}
	fail := fmt.Errorf("found %v, want %s", raw, kindName(k))
	switch k {
	case kBool:
		if b, ok := raw.(bool); ok {
			return boolean(b), nil
		}
	case kUint8, kUint16, kUint32, kUint64:
		limit := map[kind]float64{kUint8: 1<<8 - 1, kUint16: 1<<16 - 1, kUint32: 1<<32 - 1, kUint64: 1 << 53}[k]
		n, ok := raw.(float64)
		if ok && n >= 0 && n <= limit && n == float64(uint64(n)) {
			return value{kind: k, num: uint64(n)}, nil
		}
	case kStr, kEnum:
		if s, ok := raw.(string); ok {
			return value{kind: k, str: s}, nil
		}
	case kInt64, kDec, kIdent, kList:
	}
	return value{}, fail
}

func kindName(k kind) string {
	switch k {
	case kBool:
		return "true or false"
	case kUint8, kUint16, kUint32, kUint64:
		return "an unsigned integer in range"
	case kStr, kEnum, kInt64, kDec, kIdent, kList:
	}
	return "a string"
}
