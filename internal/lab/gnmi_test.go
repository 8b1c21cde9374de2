//nolint:misspell // the words of the OpenConfig models
package lab

import (
	"encoding/json"
	"errors"
	"io"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/openconfig/gnmi/proto/gnmi"
)

const ctlA = "/components/component[name=CTL-A]"

func jsonVal(s string) *gnmi.TypedValue {
	return &gnmi.TypedValue{Value: &gnmi.TypedValue_JsonIetfVal{JsonIetfVal: []byte(s)}}
}

// Source: RFC 7951 §6.1, §6.3, §6.8: 64-bit integers and decimals are strings,
// smaller integers numbers, identities carry their module, enumerations none.
func TestValuesInJSON(t *testing.T) {
	t.Parallel()
	_, _, k := start(t, nil)
	got := k.once(t, ctlA, "/system/memory", "/interfaces/interface[name=lag-1]/aggregation", "/bfd", "/network-instances/network-instance[name=default]/protocols")
	for p, want := range map[string]string{
		ctlA + "/state/type":                                                    `"openconfig-platform-types:CONTROLLER_CARD"`,
		ctlA + "/state/oper-status":                                             `"openconfig-platform-types:ACTIVE"`,
		ctlA + "/state/redundant-role":                                          `"PRIMARY"`,
		ctlA + "/state/switchover-ready":                                        `true`,
		ctlA + "/state/memory/available":                                        `"34359738368"`,
		ctlA + "/state/temperature/instant":                                     `"41.5"`,
		ctlA + "/cpu/utilization/state/avg":                                     `22`,
		"/system/memory/state/physical":                                         `"34359738368"`,
		"/interfaces/interface[name=lag-1]/aggregation/state/lag-speed":         `200000`,
		"/interfaces/interface[name=lag-1]/aggregation/state/member":            `["port-1/1","port-2/1"]`,
		"/bfd/interfaces/interface[id=lag-1]/state/desired-minimum-tx-interval": `10000000`,
		"/network-instances/network-instance[name=default]/protocols/protocol[identifier=BGP][name=default]/bgp/neighbors/neighbor[neighbor-address=203.0.113.9]/timers/state/negotiated-hold-time":                                                  `180`,
		"/network-instances/network-instance[name=default]/protocols/protocol[identifier=BGP][name=default]/bgp/neighbors/neighbor[neighbor-address=203.0.113.9]/state/session-state":                                                                `"ESTABLISHED"`,
		"/network-instances/network-instance[name=default]/protocols/protocol[identifier=OSPF][name=default]/ospfv2/areas/area[identifier=0.0.0.0]/interfaces/interface[id=lag-1]/neighbors/neighbor[router-id=198.51.100.10]/state/adjacency-state": `"openconfig-ospf-types:FULL"`,
	} {
		if got[p] != want {
			t.Errorf("%s: got %s, want %s", p, got[p], want)
		}
	}
}

// Source: RFC 7951 §4, §5.4: members are qualified at the top and where the
// module changes, lists are arrays whose entries hold their keys.
func TestGetContainer(t *testing.T) {
	t.Parallel()
	_, _, k := start(t, nil)
	resp, err := k.Get(ctx(t), &gnmi.GetRequest{Path: []*gnmi.Path{at(t, "/components/component[name=LC-1]"), at(t, "/lacp/interfaces")}, Encoding: gnmi.Encoding_JSON_IETF})
	if err != nil {
		t.Fatal(err)
	}
	if len(resp.GetNotification()) != 2 {
		t.Fatalf("got %d notifications, want one for each path", len(resp.GetNotification()))
	}
	doc := func(i int) map[string]any {
		u := resp.GetNotification()[i].GetUpdate()
		if len(u) != 1 {
			t.Fatalf("path %d: got %d updates, want one document", i, len(u))
		}
		var m map[string]any
		if err := json.Unmarshal(u[0].GetVal().GetJsonIetfVal(), &m); err != nil {
			t.Fatal(err)
		}
		return m
	}
	dig := func(m any, names ...string) any {
		for _, n := range names {
			o, ok := m.(map[string]any)
			if !ok || o[n] == nil {
				t.Fatalf("no member %q in %v", n, m)
			}
			m = o[n]
		}
		return m
	}
	lc := doc(0)
	if got := dig(lc, "openconfig-platform:state", "type"); got != "openconfig-platform-types:LINECARD" {
		t.Errorf("type: got %v", got)
	}
	if got := dig(lc, "openconfig-platform:linecard", "state", "openconfig-platform-linecard:slot-id"); got != "1" {
		t.Errorf("slot: got %v", got)
	}
	ifs, ok := dig(doc(1), "openconfig-lacp:interface").([]any)
	if !ok || len(ifs) != 2 {
		t.Fatalf("lacp interfaces: got %v, want an array of 2", ifs)
	}
	if got := dig(ifs[0], "name"); got != "lag-1" {
		t.Errorf("key of the first entry: got %v", got)
	}
	if m, ok := dig(ifs[0], "members", "member").([]any); !ok || len(m) != 2 || dig(m[0], "state", "timeout") != "LONG" {
		t.Errorf("members: got %v", m)
	}
}

// Source: gNMI specification §2.3.3, §3.3: PROTO sends scalars, and a leaf that
// is not there is NOT_FOUND.
func TestGetLeavesAndErrors(t *testing.T) {
	t.Parallel()
	_, _, k := start(t, nil)
	resp, err := k.Get(ctx(t), &gnmi.GetRequest{
		Prefix: &gnmi.Path{Target: "mere-agg-1", Elem: at(t, "/components").Elem},
		Path:   []*gnmi.Path{at(t, "/component[name=*]/state/redundant-role")}, Encoding: gnmi.Encoding_PROTO,
	})
	if err != nil {
		t.Fatal(err)
	}
	n := resp.GetNotification()[0]
	if n.GetPrefix().GetTarget() != "mere-agg-1" {
		t.Error("the target of the prefix is not repeated")
	}
	var roles []string
	for _, u := range n.GetUpdate() {
		roles = append(roles, u.GetVal().GetStringVal())
	}
	if !slices.Equal(roles, []string{"PRIMARY", "SECONDARY"}) {
		t.Errorf("roles: got %v", roles)
	}
	for name, c := range map[string]struct {
		req  *gnmi.GetRequest
		want codes.Code
	}{
		"nothing there":     {&gnmi.GetRequest{Path: []*gnmi.Path{at(t, "/components/component[name=LC-9]")}, Encoding: gnmi.Encoding_PROTO}, codes.NotFound},
		"other origin":      {&gnmi.GetRequest{Path: []*gnmi.Path{{Origin: "cli"}}, Encoding: gnmi.Encoding_PROTO}, codes.InvalidArgument},
		"other encoding":    {&gnmi.GetRequest{Path: []*gnmi.Path{at(t, "/system")}, Encoding: gnmi.Encoding_ASCII}, codes.Unimplemented},
		"only config there": {&gnmi.GetRequest{Path: []*gnmi.Path{at(t, "/interfaces/interface[name=lag-1]/config")}, Type: gnmi.GetRequest_STATE, Encoding: gnmi.Encoding_PROTO}, codes.NotFound},
	} {
		if _, err := k.Get(ctx(t), c.req); status.Code(err) != c.want {
			t.Errorf("%s: got %v, want %s", name, err, c.want)
		}
	}
	caps, err := k.Capabilities(ctx(t), &gnmi.CapabilityRequest{})
	if err != nil || !slices.Contains(caps.GetSupportedEncodings(), gnmi.Encoding_JSON_IETF) || len(caps.GetSupportedModels()) < 10 {
		t.Errorf("capabilities: %v %v", caps, err)
	}
}

func TestRoutesAreStreamed(t *testing.T) {
	t.Parallel()
	_, _, k := start(t, func(cfg *Config) { cfg.Devices[0].Routes = Routes{IPv4: 2000, IPv6: 500} })
	got := k.once(t, "/network-instances/network-instance[name=default]/afts")
	n := map[string]int{}
	var counted int
	for p, v := range got {
		switch {
		case strings.Contains(p, "aft-summaries/ipv4"):
			var s string
			if err := json.Unmarshal([]byte(v), &s); err != nil {
				t.Fatalf("%s: %v", p, err)
			}
			c := 0
			for _, d := range s {
				c = 10*c + int(d-'0')
			}
			counted += c
		case strings.HasSuffix(p, "/state/prefix"):
			n[strings.Split(p, "/")[4]]++
		}
	}
	if n["ipv4-unicast"] != 2000 || n["ipv6-unicast"] != 500 || counted != 2000 {
		t.Errorf("got %v routes and a count of %d, want 2000 and 500", n, counted)
	}
}

// stream opens a STREAM subscription and returns a reader of its messages.
func stream(t *testing.T, k *client, list *gnmi.SubscriptionList) gnmi.GNMI_SubscribeClient {
	t.Helper()
	s, err := k.Subscribe(ctx(t))
	if err != nil {
		t.Fatal(err)
	}
	list.Encoding = gnmi.Encoding_JSON_IETF
	if err := s.Send(&gnmi.SubscribeRequest{Request: &gnmi.SubscribeRequest_Subscribe{Subscribe: list}}); err != nil {
		t.Fatal(err)
	}
	return s
}

// upTo reads until sync_response and returns the leaves before it.
func upTo(t *testing.T, s gnmi.GNMI_SubscribeClient) []string {
	t.Helper()
	var got []string
	for {
		r, err := s.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if r.GetSyncResponse() {
			return got
		}
		for _, u := range r.GetUpdate().GetUpdate() {
			got = append(got, textOf(u.GetPath()))
		}
	}
}

// Source: gNMI specification §3.5.1.5.2: ON_CHANGE sends the initial set, then
// sync_response, then each change; deletes are sent; messages carry the time.
func TestOnChange(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, nil)
	s := stream(t, k, &gnmi.SubscriptionList{Subscription: []*gnmi.Subscription{
		{Path: at(t, "/components/component[name=FAN-1]/state"), Mode: gnmi.SubscriptionMode_ON_CHANGE},
		{Path: at(t, "/system/alarms"), Mode: gnmi.SubscriptionMode_TARGET_DEFINED},
	}})
	if got := upTo(t, s); len(got) < 5 {
		t.Fatalf("initial set: got %v", got)
	}
	fan := c.component("FAN-1")
	c.do(func() { c.fail(fan, "it stands still") })
	recv := func() *gnmi.Notification {
		r, err := s.Recv()
		if err != nil {
			t.Fatal(err)
		}
		return r.GetUpdate()
	}
	n := recv()
	got := map[string]string{}
	for _, u := range n.GetUpdate() {
		got[textOf(u.GetPath())] = string(u.GetVal().GetJsonIetfVal())
	}
	if got["/components/component[name=FAN-1]/state/oper-status"] != `"openconfig-platform-types:INACTIVE"` ||
		got["/system/alarms/alarm[id=failed-FAN-1]/state/severity"] != `"openconfig-alarm-types:CRITICAL"` {
		t.Errorf("after a failure: got %v", got)
	}
	if n.GetTimestamp() < c.started.UnixNano() {
		t.Errorf("timestamp %d is not the device's clock", n.GetTimestamp())
	}
	c.do(func() { c.clear("failed-FAN-1") })
	if d := recv().GetDelete(); len(d) != 6 {
		t.Errorf("a cleared alarm: got deletes %v, want its 6 leaves", d)
	}
}

// Source: gNMI specification §3.5.1.5.2 (SAMPLE, suppress_redundant,
// unsupported interval), §3.5.1.2 (updates_only), §3.5.2.4 (unimplemented,
// valid without value).
func TestSubscriptionKinds(t *testing.T) {
	t.Parallel()
	_, _, k := start(t, nil)
	sub := func(p string, m gnmi.SubscriptionMode, every time.Duration) *gnmi.Subscription {
		return &gnmi.Subscription{Path: at(t, p), Mode: m, SampleInterval: uint64(every)}
	}
	const up = "/system/state/up-time"
	s := stream(t, k, &gnmi.SubscriptionList{Subscription: []*gnmi.Subscription{sub(up, gnmi.SubscriptionMode_SAMPLE, 10*time.Second)}})
	if got := upTo(t, s); !slices.Equal(got, []string{up}) {
		t.Fatalf("initial set: got %v", got)
	}
	var last string
	for range 3 {
		r, err := s.Recv()
		if err != nil {
			t.Fatal(err)
		}
		v := string(r.GetUpdate().GetUpdate()[0].GetVal().GetJsonIetfVal())
		if v == last {
			t.Errorf("two samples of the up time are both %s", v)
		}
		last = v
	}
	s = stream(t, k, &gnmi.SubscriptionList{UpdatesOnly: true, Subscription: []*gnmi.Subscription{sub("/components", gnmi.SubscriptionMode_ON_CHANGE, 0)}})
	if got := upTo(t, s); len(got) != 0 {
		t.Errorf("updates_only: got %d leaves before sync_response", len(got))
	}
	s = stream(t, k, &gnmi.SubscriptionList{Mode: gnmi.SubscriptionList_POLL, Subscription: []*gnmi.Subscription{{Path: at(t, "/stp")}}})
	first := upTo(t, s)
	if err := s.Send(&gnmi.SubscribeRequest{Request: &gnmi.SubscribeRequest_Poll{Poll: &gnmi.Poll{}}}); err != nil {
		t.Fatal(err)
	}
	if got := upTo(t, s); len(first) == 0 || !reflect.DeepEqual(got, first) {
		t.Errorf("poll: got %v, want what came first, %v", got, first)
	}
	if err := s.CloseSend(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("after the last poll: got %v, want the end", err)
	}
	s = stream(t, k, &gnmi.SubscriptionList{Mode: gnmi.SubscriptionList_ONCE, Subscription: []*gnmi.Subscription{{Path: at(t, "/components/component[name=nobody]")}}})
	if got := upTo(t, s); len(got) != 0 {
		t.Errorf("valid path without value: got %v", got)
	}
	for name, c := range map[string]struct {
		list *gnmi.SubscriptionList
		want codes.Code
	}{
		"not modelled":     {&gnmi.SubscriptionList{Subscription: []*gnmi.Subscription{sub("/qos", gnmi.SubscriptionMode_ON_CHANGE, 0)}}, codes.Unimplemented},
		"sampled too fast": {&gnmi.SubscriptionList{Subscription: []*gnmi.Subscription{sub(up, gnmi.SubscriptionMode_SAMPLE, time.Millisecond)}}, codes.InvalidArgument},
		"sampled only":     {&gnmi.SubscriptionList{Subscription: []*gnmi.Subscription{sub(up, gnmi.SubscriptionMode_ON_CHANGE, 0)}}, codes.InvalidArgument},
		"no path":          {&gnmi.SubscriptionList{}, codes.InvalidArgument},
	} {
		s := stream(t, k, c.list)
		if _, err := s.Recv(); status.Code(err) != c.want {
			t.Errorf("%s: got %v, want %s", name, err, c.want)
		}
	}
}

// Source: gNMI specification §3.4: a Set is a transaction.
func TestSet(t *testing.T) {
	t.Parallel()
	_, c, k := start(t, nil)
	const bgp = "/network-instances/network-instance[name=default]/protocols/protocol[identifier=BGP][name=default]/bgp/neighbors/neighbor[neighbor-address=203.0.113.9]"
	before := k.once(t, "/facts/configuration")
	set := func(upd map[string]string, del ...string) error {
		req := &gnmi.SetRequest{}
		for p, v := range upd {
			req.Update = append(req.Update, &gnmi.Update{Path: at(t, p), Val: jsonVal(v)})
		}
		for _, p := range del {
			req.Delete = append(req.Delete, at(t, p))
		}
		_, err := k.Set(ctx(t), req)
		return err
	}
	if err := set(map[string]string{
		bgp + "/timers/config/hold-time": "240", "/lacp/interfaces/interface[name=lag-1]/config/interval": `"FAST"`,
		"/bfd/interfaces/interface[id=multihop]/config/detection-multiplier": "20",
	}); err != nil {
		t.Fatal(err)
	}
	got := k.once(t, bgp+"/timers/state", "/lacp", "/facts", "/bfd")
	for p, want := range map[string]string{
		bgp + "/timers/state/hold-time":                                                           "240",
		bgp + "/timers/state/negotiated-hold-time":                                                "180", // Source: RFC 4271 §4.2, negotiated in the OPEN only
		"/lacp/interfaces/interface[name=lag-1]/members/member[interface=port-1/1]/state/timeout": `"SHORT"`,
		"/bfd/interfaces/interface[id=multihop]/state/detection-multiplier":                       "20",
		"/facts/configuration/unsaved":                                                            "true",
	} {
		if got[p] != want {
			t.Errorf("%s: got %s, want %s", p, got[p], want)
		}
	}
	if before["/facts/configuration/digest"] == got["/facts/configuration/digest"] {
		t.Error("the digest of the configuration did not change")
	}
	acts := c.Acts()
	if a := acts[len(acts)-1]; a.Kind != ActSet || !a.Changed || a.Outcome != "ok" {
		t.Errorf("act log: got %+v", a)
	}
	// A port that is shut goes down, and up again when the leaf is deleted.
	const port = "/interfaces/interface[name=port-3/1]"
	if err := set(map[string]string{port + "/config/enabled": "false"}); err != nil {
		t.Fatal(err)
	}
	if got := k.once(t, port)[port+"/state/oper-status"]; got != `"DOWN"` {
		t.Errorf("a port that is shut is %s", got)
	}
	if err := set(nil, port+"/config/enabled"); err != nil {
		t.Fatal(err)
	}
	if got := k.once(t, port)[port+"/state/oper-status"]; got != `"UP"` {
		t.Errorf("a port with its default is %s", got)
	}
	// All or nothing.
	for name, upd := range map[string]map[string]string{
		"state leaf":   {"/system/config/hostname": `"other"`, "/system/state/hostname": `"other"`},
		"wrong type":   {"/system/config/hostname": `"other"`, bgp + "/timers/config/hold-time": `"soon"`},
		"out of range": {"/system/config/hostname": `"other"`, bgp + "/timers/config/hold-time": "2"}, // Source: RFC 4271 §4.2
		"no such leaf": {"/system/config/hostname": `"other"`, "/interfaces/interface[name=none]/config/enabled": "true"},
	} {
		if err := set(upd); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: got %v, want InvalidArgument", name, err)
		}
		if got := k.once(t, "/system/state/hostname")["/system/state/hostname"]; got != `"mere-agg-1"` {
			t.Fatalf("%s: half of the transaction was done, hostname %s", name, got)
		}
	}
	c.do(func() { c.lockHolder = "somebody" })
	if err := set(map[string]string{"/system/config/hostname": `"other"`}); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("locked: got %v, want FailedPrecondition", err)
	}
}
