package openconfig

import (
	"encoding/json"
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"
	"sync"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// datum is one leaf of the fake's tree.
type datum struct {
	path string // with key values in brackets
	val  any    // string, bool, uint64, float64, []string
}

// store is a tree of leaves that the fake serves by gNMI. It is written from
// the specification, apart from the driver's own reading of paths.
type store struct {
	mu     sync.Mutex
	leaves map[string]datum
	now    int64
	subs   map[chan *gnmipb.Notification]bool
	// lacks lists first elements (or longer beginnings) that this device does
	// not model.
	lacks []string
}

func newStore(leaves ...datum) *store {
	s := &store{leaves: map[string]datum{}, now: 1_700_000_000_000_000_000, subs: map[chan *gnmipb.Notification]bool{}}
	for _, l := range leaves {
		s.leaves[l.path] = l
	}
	return s
}

// parseText reads /a/b[k=v]/c.
func parseText(s string) *gnmipb.Path {
	p := &gnmipb.Path{}
	for len(s) > 0 {
		s = s[1:] // slash
		end := strings.IndexAny(s, "/[")
		if end < 0 {
			end = len(s)
		}
		e := &gnmipb.PathElem{Name: s[:end]}
		s = s[end:]
		for strings.HasPrefix(s, "[") {
			close := strings.Index(s, "]")
			k, v, _ := strings.Cut(s[1:close], "=")
			if e.Key == nil {
				e.Key = map[string]string{}
			}
			e.Key[k] = v
			s = s[close+1:]
		}
		p.Elem = append(p.Elem, e)
	}
	return p
}

// under reports whether leaf lies at or below the asked path with wildcards.
func under(leaf, asked *gnmipb.Path) bool {
	if len(asked.GetElem()) > len(leaf.GetElem()) {
		return false
	}
	for i, a := range asked.GetElem() {
		l := leaf.GetElem()[i]
		if a.GetName() != "*" && a.GetName() != l.GetName() {
			return false
		}
		for k, v := range a.GetKey() {
			if v != "*" && l.GetKey()[k] != v {
				return false
			}
		}
	}
	return true
}

func (s *store) modelled(p *gnmipb.Path) bool {
	text := gnmiText(p)
	return !slices.ContainsFunc(s.lacks, func(l string) bool { return strings.HasPrefix(text, l) })
}

// typed is a value as PROTO sends it, or as JSON_IETF does.
func typed(v any, enc gnmipb.Encoding) *gnmipb.TypedValue {
	if enc == gnmipb.Encoding_JSON_IETF {
		return &gnmipb.TypedValue{Value: &gnmipb.TypedValue_JsonIetfVal{JsonIetfVal: ietf(v)}}
	}
	switch x := v.(type) {
	case string:
		return &gnmipb.TypedValue{Value: &gnmipb.TypedValue_StringVal{StringVal: x}}
	case bool:
		return &gnmipb.TypedValue{Value: &gnmipb.TypedValue_BoolVal{BoolVal: x}}
	case uint64:
		return &gnmipb.TypedValue{Value: &gnmipb.TypedValue_UintVal{UintVal: x}}
	case float64:
		return &gnmipb.TypedValue{Value: &gnmipb.TypedValue_DoubleVal{DoubleVal: x}}
	case []string:
		a := &gnmipb.ScalarArray{}
		for _, e := range x {
			a.Element = append(a.Element, typed(e, enc))
		}
		return &gnmipb.TypedValue{Value: &gnmipb.TypedValue_LeaflistVal{LeaflistVal: a}}
	}
	panic(fmt.Sprintf("%T", v))
}

// ietf is a value by RFC 7951: 64-bit numbers are strings.
func ietf(v any) []byte {
	switch x := v.(type) {
	case uint64:
		v = strconv.FormatUint(x, 10)
	case float64:
		v = strconv.FormatFloat(x, 'f', -1, 64)
	}
	b, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return b
}

func (s *store) matching(paths []*gnmipb.Path) []datum {
	var out []datum
	for _, d := range s.leaves {
		p := parseText(d.path)
		if slices.ContainsFunc(paths, func(a *gnmipb.Path) bool { return under(p, a) }) {
			out = append(out, d)
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].path < out[j].path })
	return out
}

func (s *store) notification(ds []datum, enc gnmipb.Encoding) *gnmipb.Notification {
	n := &gnmipb.Notification{Timestamp: s.now}
	for _, d := range ds {
		n.Update = append(n.Update, &gnmipb.Update{Path: parseText(d.path), Val: typed(d.val, enc)})
	}
	return n
}

// subscribe serves ONCE and STREAM.
func (s *store) subscribe(list *gnmipb.SubscriptionList, stream gnmipb.GNMI_SubscribeServer) error {
	var paths []*gnmipb.Path
	for _, x := range list.GetSubscription() {
		if !s.modelled(x.GetPath()) {
			return status.Errorf(codes.Unimplemented, "%s is not modelled", gnmiText(x.GetPath()))
		}
		paths = append(paths, x.GetPath())
	}
	s.mu.Lock()
	first := s.notification(s.matching(paths), list.GetEncoding())
	changes := make(chan *gnmipb.Notification, 64)
	s.subs[changes] = true
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		delete(s.subs, changes)
		s.mu.Unlock()
	}()
	if err := stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_Update{Update: first}}); err != nil {
		return err
	}
	if err := stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_SyncResponse{SyncResponse: true}}); err != nil {
		return err
	}
	if list.GetMode() == gnmipb.SubscriptionList_ONCE {
		return nil
	}
	for {
		select {
		case n := <-changes:
			mine := &gnmipb.Notification{Timestamp: n.GetTimestamp(), Atomic: n.GetAtomic(), Prefix: n.GetPrefix()}
			for _, u := range n.GetUpdate() {
				if slices.ContainsFunc(paths, func(a *gnmipb.Path) bool { return under(u.GetPath(), a) }) {
					mine.Update = append(mine.Update, u)
				}
			}
			mine.Delete = n.GetDelete()
			if err := stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_Update{Update: mine}}); err != nil {
				return err
			}
		case <-stream.Context().Done():
			return nil
		}
	}
}

// change sets leaves and deletes paths, and tells the subscribers at the time
// that lies ahead of the last change by step nanoseconds.
func (s *store) change(step int64, set []datum, deletes ...string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now += step
	n := s.notification(set, gnmipb.Encoding_PROTO)
	for _, d := range set {
		s.leaves[d.path] = d
	}
	for _, d := range deletes {
		p := parseText(d)
		n.Delete = append(n.Delete, p)
		for k := range s.leaves {
			if under(parseText(k), p) {
				delete(s.leaves, k)
			}
		}
	}
	for c := range s.subs {
		c <- n
	}
}

// failingSubscribe ends every subscription with the code.
func failingSubscribe(code codes.Code) func(*gnmipb.SubscriptionList, gnmipb.GNMI_SubscribeServer) error {
	return func(*gnmipb.SubscriptionList, gnmipb.GNMI_SubscribeServer) error {
		return status.Error(code, "says the device")
	}
}
