package openconfig

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	"google.golang.org/grpc/codes"

	"towpath/internal/device"
)

// errUnsynced says that a stream ended before the device had declared the data
// complete, so that nothing of it may be believed (gNMI specification
// §3.5.1.4).
var errUnsynced = errors.New("the device ended the answer before it was complete")

// once asks for the paths with Subscribe ONCE and hands every notification to
// take. It returns nil only after the device has declared the data complete.
func (d *Driver) once(ctx context.Context, paths []*gnmipb.Path, take func(*gnmipb.Notification) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := d.gnmi.Subscribe(ctx)
	if err != nil {
		return err
	}
	list := &gnmipb.SubscriptionList{Mode: gnmipb.SubscriptionList_ONCE, Encoding: gnmipb.Encoding_JSON_IETF}
	for _, p := range paths {
		list.Subscription = append(list.Subscription, &gnmipb.Subscription{Path: p})
	}
	err = stream.Send(&gnmipb.SubscribeRequest{Request: &gnmipb.SubscribeRequest_Subscribe{Subscribe: list}})
	if err != nil && !errors.Is(err, io.EOF) { // at EOF the answer carries the reason
		return err
	}
	if err := stream.CloseSend(); err != nil {
		return err
	}
	synced := false
	for {
		r, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			if !synced {
				return errUnsynced
			}
			return nil
		case err != nil:
			return err
		case r.GetSyncResponse():
			// In mode ONCE the device closes after this message; one that does
			// not is left here, there is nothing more to come.
			return nil
		}
		if n := r.GetUpdate(); n != nil {
			if err := take(n); err != nil {
				return err
			}
		}
	}
}

// get asks for the paths with Get, for devices without Subscribe ONCE.
func (d *Driver) get(ctx context.Context, paths []*gnmipb.Path, take func(*gnmipb.Notification) error) error {
	r, err := d.gnmi.Get(ctx, &gnmipb.GetRequest{Path: paths, Encoding: gnmipb.Encoding_JSON_IETF, Type: gnmipb.GetRequest_ALL})
	if err != nil {
		return err
	}
	for _, n := range r.GetNotification() {
		if err := take(n); err != nil {
			return err
		}
	}
	return nil
}

// read asks for the paths, with Get where Subscribe is not implemented.
func (d *Driver) read(ctx context.Context, op string, paths []*gnmipb.Path, take func(*gnmipb.Notification) error, reset func()) error {
	reset()
	err := d.once(ctx, paths, take)
	if codeOf(err) == codes.Unimplemented {
		reset()
		gerr := d.get(ctx, paths, take)
		if gerr == nil {
			return nil
		}
		if codeOf(gerr) != codes.Unimplemented && !ownVerdict(gerr) {
			// Get answers a path that it does not model with NOT_FOUND; the
			// first answer is the clearer one.
			return d.fault(ctx, op, gerr)
		}
	}
	if errors.Is(err, errUnsynced) {
		return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: err}
	}
	return d.fault(ctx, op, err)
}

// ownVerdict reports whether an error concerns the paths that were asked for
// and not the device as a whole, so that the rest of a capture goes on.
func ownVerdict(err error) bool {
	switch codeOf(err) {
	case codes.Unimplemented, codes.NotFound, codes.InvalidArgument, codes.PermissionDenied:
		return true
	default:
		return false
	}
}

// leaf is one value on its way from the device to a field. They are kept until
// the device has declared its answer complete.
type leaf struct {
	at     int64 // device's time, nanoseconds since the Unix epoch
	target *target
	keys   []string
	value  any
}

// reading is what one section gave.
type reading struct {
	leaves   []leaf
	unread   []string
	answered int  // paths that the device answered, with or without values
	denied   bool // a path was refused for want of permission
}

// readSection asks for what a section reads. A path that the device does not
// serve is listed in unread and does not harm the others; an error is returned
// only where the device as a whole fails.
func (d *Driver) readSection(ctx context.Context, s section) (reading, error) {
	const op = "capture"
	root, ask, err := compile(s)
	if err != nil {
		return reading{}, ours(op, err)
	}
	origin := d.origin(s.origin)
	var out reading
	bad := map[string]error{} // by pattern
	try := func(ask [][]step) error {
		var paths []*gnmipb.Path
		for _, a := range ask {
			paths = append(paths, wildcard(origin, a))
		}
		mark := len(out.leaves)
		take := func(n *gnmipb.Notification) error {
			if !sameOrigin(origin, n.GetPrefix().GetOrigin()) {
				return nil
			}
			for _, u := range n.GetUpdate() {
				if o := u.GetPath().GetOrigin(); o != "" && !sameOrigin(origin, o) {
					continue
				}
				err := decode(root, n.GetPrefix(), u.GetPath(), u.GetVal(), func(at *node[*target], keys []string, v any) {
					for _, t := range at.leaves {
						out.leaves = append(out.leaves, leaf{n.GetTimestamp(), t, slices.Clone(keys), v})
					}
				})
				if err != nil {
					bad[gnmiText(n.GetPrefix(), u.GetPath())] = err
				}
			}
			return nil
		}
		reset := func() { out.leaves = out.leaves[:mark]; clear(bad) }
		if err := d.read(ctx, op, paths, take, reset); err != nil {
			out.leaves = out.leaves[:mark]
			return err
		}
		out.answered += len(ask)
		for p, err := range bad {
			out.unread = append(out.unread, fmt.Sprintf("%s: %s: %v", s.name, p, err))
		}
		clear(bad)
		return nil
	}
	err = try(ask)
	if err != nil && ownVerdict(err) && len(ask) > 1 {
		for _, a := range ask {
			if err := try([][]step{a}); err != nil {
				if !ownVerdict(err) {
					return out, err
				}
				out.denied = out.denied || codeOf(err) == codes.PermissionDenied
				out.unread = append(out.unread, fmt.Sprintf("%s: %s: %s", s.name, pathText(a), reason(err)))
			}
		}
		return out, nil
	}
	if err != nil && ownVerdict(err) {
		out.denied = codeOf(err) == codes.PermissionDenied
		out.unread = append(out.unread, fmt.Sprintf("%s: %s: %s", s.name, pathText(ask[0]), reason(err)))
		return out, nil
	}
	return out, err
}

// apply stores the leaves of a reading, older ones first, since messages may
// arrive out of order (gNMI specification §3.5.1.4).
func (r *reading) apply(name string, o objects) {
	slices.SortStableFunc(r.leaves, func(a, b leaf) int { return cmp.Compare(a.at, b.at) })
	bad := map[string]bool{}
	for _, l := range r.leaves {
		if err := l.target.store(o, l.keys, l.value); err != nil && !bad[l.target.pattern] {
			bad[l.target.pattern] = true
			r.unread = append(r.unread, fmt.Sprintf("%s: %s of %s: %v", name, l.target.pattern, strings.Join(l.keys, ", "), err))
		}
	}
	r.leaves = nil
}

// origin is the gNMI origin of a section.
func (d *Driver) origin(of string) string {
	if of == facts {
		return d.cfg.FactsOrigin
	}
	return "openconfig"
}

// sameOrigin reports whether an answer's origin is the one asked for; an
// answer may leave out the default.
func sameOrigin(want, got string) bool {
	return got == "" || got == want
}

// reason is why a path could not be read, for people.
func reason(err error) string {
	var r *rpcError
	if errors.As(err, &r) {
		return r.Error()
	}
	return err.Error()
}

// gnmiText is a path as people write it.
func gnmiText(paths ...*gnmipb.Path) string {
	var b strings.Builder
	for _, p := range paths {
		for _, e := range p.GetElem() {
			b.WriteByte('/')
			b.WriteString(e.GetName())
			keys := make([]string, 0, len(e.GetKey()))
			for k, v := range e.GetKey() {
				keys = append(keys, "["+k+"="+v+"]")
			}
			slices.Sort(keys)
			b.WriteString(strings.Join(keys, ""))
		}
	}
	return b.String()
}
