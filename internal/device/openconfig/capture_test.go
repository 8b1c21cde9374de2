//nolint:misspell // the words of the OpenConfig models
package openconfig

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	filepb "github.com/openconfig/gnoi/file"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"towpath/internal/device"
	"towpath/internal/state"
)

const (
	bgpFake  = "/network-instances/network-instance[name=default]/protocols/protocol[identifier=BGP][name=main]/bgp"
	ospfFake = "/network-instances/network-instance[name=default]/protocols/protocol[identifier=OSPF][name=main]/ospfv2"
	isisFake = "/network-instances/network-instance[name=default]/protocols/protocol[identifier=ISIS][name=main]/isis"
	aftFake  = "/network-instances/network-instance[name=default]/afts"
)

func lookup(t *testing.T, c *state.Capture, protocol, neighbour, iface string) state.Adjacency {
	t.Helper()
	i := slices.IndexFunc(c.Adjacencies, func(a state.Adjacency) bool {
		return a.Protocol == protocol && a.Neighbour == neighbour && (iface == "" || a.Interface == iface)
	})
	if i < 0 {
		t.Fatalf("no adjacency %s %s among %d", protocol, neighbour, len(c.Adjacencies))
	}
	return c.Adjacencies[i]
}

// TestTimersDerivedFromTheModels checks what follows from OpenConfig alone,
// against the rules of the protocols' standards.
func TestTimersDerivedFromTheModels(t *testing.T) {
	s := newStore(
		datum{"/components/component[name=CTL-A]/state/type", "CONTROLLER_CARD"},
		datum{bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.1]/state/session-state", "ESTABLISHED"},
		datum{bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.1]/timers/state/negotiated-hold-time", uint64(60)},
		datum{bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.1]/timers/state/keepalive-interval", uint64(30)},
		datum{bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.1]/graceful-restart/state/mode", "BILATERAL"},
		datum{bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.1]/graceful-restart/state/restart-time", uint64(120)},
		datum{bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.1]/afi-safis/afi-safi[afi-safi-name=IPV4_UNICAST]/state/prefixes/received", uint64(1000)},
		datum{bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.1]/afi-safis/afi-safi[afi-safi-name=IPV6_UNICAST]/state/prefixes/received", uint64(7)},
		datum{bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.2]/state/session-state", "ACTIVE"},
		datum{bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.2]/timers/state/negotiated-hold-time", uint64(0)},
		datum{bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.2]/graceful-restart/state/mode", "HELPER_ONLY"},
		datum{bgpFake + "/global/graceful-restart/state/enabled", true},
		datum{ospfFake + "/global/graceful-restart/state/enabled", true},
		datum{ospfFake + "/global/graceful-restart/state/helper-only", true},
		datum{ospfFake + "/areas/area[identifier=0.0.0.0]/interfaces/interface[id=lag-1]/timers/state/hello-interval", uint64(10)},
		datum{ospfFake + "/areas/area[identifier=0.0.0.0]/interfaces/interface[id=lag-1]/timers/state/dead-interval", uint64(40)},
		datum{ospfFake + "/areas/area[identifier=0.0.0.0]/interfaces/interface[id=lag-1]/neighbors/neighbor[router-id=198.51.100.2]/state/adjacency-state", "openconfig-ospf-types:FULL"},
		datum{ospfFake + "/areas/area[identifier=0.0.0.0]/interfaces/interface[id=lag-1]/neighbors/neighbor[router-id=198.51.100.3]/state/adjacency-state", "TWO_WAY"},
		datum{isisFake + "/interfaces/interface[interface-id=port-1]/levels/level[level-number=1]/timers/state/hello-interval", uint64(3)},
		datum{isisFake + "/interfaces/interface[interface-id=port-1]/levels/level[level-number=1]/timers/state/hello-multiplier", uint64(10)},
		datum{isisFake + "/interfaces/interface[interface-id=port-1]/levels/level[level-number=1]/adjacencies/adjacency[system-id=1980.5110.0011]/state/adjacency-state", "UP"},
		datum{isisFake + "/interfaces/interface[interface-id=port-1]/levels/level[level-number=2]/timers/state/hello-interval", uint64(1)},
		datum{isisFake + "/interfaces/interface[interface-id=port-1]/levels/level[level-number=2]/timers/state/hello-multiplier", uint64(3)},
		datum{isisFake + "/interfaces/interface[interface-id=port-1]/levels/level[level-number=2]/adjacencies/adjacency[system-id=1980.5110.0011]/state/adjacency-state", "DOWN"},
		datum{"/bfd/interfaces/interface[id=b1]/state/interface", "lag-1"},
		datum{"/bfd/interfaces/interface[id=b1]/state/desired-minimum-tx-interval", uint64(300000)},
		datum{"/bfd/interfaces/interface[id=b1]/state/detection-multiplier", uint64(3)},
		datum{"/bfd/interfaces/interface[id=b1]/peers/peer[local-discriminator=5]/state/remote-address", "192.0.2.9"},
		datum{"/bfd/interfaces/interface[id=b1]/peers/peer[local-discriminator=5]/state/session-state", "UP"},
		datum{"/bfd/interfaces/interface[id=b1]/peers/peer[local-discriminator=5]/state/remote-minimum-receive-interval", uint64(500000)},
		datum{"/bfd/interfaces/interface[id=b1]/peers/peer[local-discriminator=5]/state/subscribed-protocols", []string{"openconfig-policy-types:OSPF"}},
		datum{"/interfaces/interface[name=lag-2]/subinterfaces/subinterface[index=0]/ipv4/addresses/address[ip=192.0.2.129]/vrrp/vrrp-group[virtual-router-id=20]/state/current-priority", uint64(100)},
		datum{"/interfaces/interface[name=lag-2]/subinterfaces/subinterface[index=0]/ipv4/addresses/address[ip=192.0.2.129]/vrrp/vrrp-group[virtual-router-id=20]/state/advertisement-interval", uint64(100)},
		datum{"/lacp/interfaces/interface[name=lag-1]/state/interval", "FAST"},
		datum{"/lacp/interfaces/interface[name=lag-1]/members/member[interface=port-1]/state/timeout", "SHORT"},
		datum{"/lacp/interfaces/interface[name=lag-1]/members/member[interface=port-1]/state/synchronization", "IN_SYNC"},
		datum{"/lacp/interfaces/interface[name=lag-1]/members/member[interface=port-1]/state/collecting", true},
		datum{"/lacp/interfaces/interface[name=lag-1]/members/member[interface=port-1]/state/distributing", false},
		datum{"/lacp/interfaces/interface[name=lag-1]/members/member[interface=port-1]/state/partner-id", "00:00:5e:00:53:10"},
		datum{"/lldp/state/hello-timer", uint64(30)},
		datum{"/lldp/state/ttl", uint64(120)},
		datum{"/lldp/interfaces/interface[name=port-1]/neighbors/neighbor[id=1]/state/chassis-id", "00:00:5e:00:53:30"},
		datum{"/lldp/interfaces/interface[name=port-1]/neighbors/neighbor[id=1]/state/system-name", "lock-access-4"},
		datum{"/lldp/interfaces/interface[name=port-1]/neighbors/neighbor[id=1]/state/port-id", "port-24"},
	)
	r, _ := start(t, &fake{subscribe: s.subscribe})
	r.cfg.FactsOrigin = ""
	c, err := r.dial(t).Capture(context.Background(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	a := lookup(t, c, state.BGP, "192.0.2.1", "")
	// Source: RFC 4271 §4.2, §4.4 (keepalive no more than a third of the hold time).
	wantTimers(t, a, 20*time.Second, 0, 60*time.Second, 60*time.Second)
	wantOpt(t, "up", a.Up, true)
	wantOpt(t, "own restart", a.Restart.Own, true)
	wantOpt(t, "restart time", a.Restart.Time, 120*time.Second)
	wantOpt(t, "prefixes", a.Prefixes, 1007)
	a = lookup(t, c, state.BGP, "192.0.2.2", "")
	wantTimers(t, a, 0, 0, 0, 0) // Source: RFC 4271 §4.2: zero switches both off
	wantOpt(t, "up", a.Up, false)
	wantOpt(t, "own restart", a.Restart.Own, false)
	if a.Restart.Time.Known() {
		t.Error("a restart time without a restart")
	}
	a = lookup(t, c, state.OSPFv2, "198.51.100.2", "lag-1")
	// Source: RFC 2328 §10.5: both intervals must match.
	wantTimers(t, a, 10*time.Second, 10*time.Second, 40*time.Second, 40*time.Second)
	wantOpt(t, "up", a.Up, true)
	wantOpt(t, "helper only", a.Restart.Own, false)
	wantOpt(t, "protected", a.BFD.Protected, true)
	wantOpt(t, "session", a.BFD.Session, "192.0.2.9")
	if b := lookup(t, c, state.OSPFv2, "198.51.100.3", ""); b.Up.Known() {
		t.Error("TWO_WAY says neither up nor down") // Source: RFC 2328 §10.3
	}
	levels := 0
	for _, a := range c.Adjacencies {
		if a.Protocol != state.ISIS {
			continue
		}
		levels++
		// Source: ISO/IEC 10589 §8.4.1: holding time is multiplier times hello.
		if strings.HasSuffix(a.Instance, "level 1") {
			wantTimers(t, a, 3*time.Second, 0, 30*time.Second, 0)
		} else {
			wantTimers(t, a, time.Second, 0, 3*time.Second, 0)
		}
	}
	if levels != 2 {
		t.Errorf("%d adjacencies of IS-IS, want one a level", levels)
	}
	a = lookup(t, c, state.BFD, "192.0.2.9", "lag-1")
	// Source: RFC 5880 §6.8.7 and §6.8.4.
	wantTimers(t, a, 500*time.Millisecond, 0, 1500*time.Millisecond, 0)
	a = lookup(t, c, state.VRRP, "192.0.2.129", "lag-2")
	// Source: RFC 5798 §6.1: 3 × 1 s + (256 − 100) × 1 s ÷ 256 = 3.609375 s.
	wantTimers(t, a, time.Second, 0, 0, 3609375*time.Microsecond)
	a = lookup(t, c, state.LACP, "00:00:5e:00:53:10", "port-1")
	// Source: IEEE 802.1AX-2014 §6.4.4: short timeout 3 s, the partner sends each second.
	wantTimers(t, a, 0, time.Second, 0, 3*time.Second)
	wantOpt(t, "up", a.Up, false) // it does not distribute
	a = lookup(t, c, state.LLDP, "00:00:5e:00:53:30", "port-1")
	wantTimers(t, a, 30*time.Second, 0, 120*time.Second, 0)
	wantOpt(t, "peer", a.Peer, "lock-access-4")
	wantOpt(t, "the port of its peer", a.PeerPort, "port-24")
}

func wantTimers(t *testing.T, a state.Adjacency, send, neighbourSend, neighbourDetect, ownDetect time.Duration) {
	t.Helper()
	for _, x := range []struct {
		what string
		got  state.Opt[time.Duration]
		want time.Duration
	}{
		{"send", a.Timers.Send, send}, {"neighbour send", a.Timers.NeighbourSend, neighbourSend},
		{"neighbour detect", a.Timers.NeighbourDetect, neighbourDetect}, {"own detect", a.Timers.OwnDetect, ownDetect},
	} {
		if got, known := x.got.Get(); known != (x.want != 0) || got != x.want {
			t.Errorf("%s: %s is %s (known %v), want %s", a.Name(), x.what, got, known, x.want)
		}
	}
}

func wantOpt[T comparable](t *testing.T, what string, o state.Opt[T], want T) {
	t.Helper()
	if got, known := o.Get(); !known || got != want {
		t.Errorf("%s: got %v (known %v), want %v", what, got, known, want)
	}
}

func TestCaptureOfADeviceThatServesLittle(t *testing.T) {
	// Source: gNMI specification §3.5.2.4: a path that is not implemented is
	// UNIMPLEMENTED; one without value sends nothing. Absence is not false.
	s := pairOf(true)
	s.lacks = []string{"/stp", "/lacp", "/network-instances", "/system/alarms", "/components/component[name=*]/healthz", "/facts/crash"}
	s.leaves["/system/alarms/alarm[id=1]/state/text"] = datum{"/system/alarms/alarm[id=1]/state/text", "never to be seen"}
	_, d := start(t, &fake{subscribe: s.subscribe, clock: time.Now})
	c, err := d.Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	if c.Complete {
		t.Error("complete, though paths are missing")
	}
	for _, want := range []string{"spanning tree", "link aggregation", "alarms", "BGP", "OSPF", "routes", "crash files", "components: /components/component/healthz/state"} {
		if !slices.ContainsFunc(c.Unread, func(u string) bool { return strings.HasPrefix(u, want) && strings.Contains(u, "Unimplemented") }) {
			t.Errorf("%s is not listed as unread: %q", want, c.Unread)
		}
	}
	if c.AlarmsKnown || c.CrashKnown || len(c.Alarms) > 0 {
		t.Error("alarms or crash files pass for known")
	}
	if len(c.Controllers()) != 2 {
		t.Error("one missing path took the components with it")
	}
	k, _ := c.Component("CTL-A")
	if k.Failure.Known() || k.Celsius.Known() || k.Health.Known() || k.LastSwitchover.Known() || c.Maintenance.Known() || c.CPUPercent.Known() {
		t.Errorf("what was not told is known: %+v", k)
	}
	if len(c.SpanningTrees) > 0 {
		t.Errorf("a tree that was not told: %+v", c.SpanningTrees)
	}
}

func TestCaptureWithoutFactsSaysSo(t *testing.T) {
	r, _ := start(t, &fake{subscribe: pairOf(true).subscribe, clock: time.Now})
	r.cfg.FactsOrigin = ""
	r.cfg.InsecureReason = "console beside it"
	c, err := r.dial(t).Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	if c.Complete || !slices.ContainsFunc(c.Unread, func(u string) bool { return strings.HasPrefix(u, "boot entries: ") }) {
		t.Errorf("complete %v, unread %q", c.Complete, c.Unread)
	}
	if !strings.Contains(c.Source, "console beside it") {
		t.Errorf("the source hides that certificates were not verified: %q", c.Source)
	}
}

func TestCaptureByGetWhereSubscribeIsNotImplemented(t *testing.T) {
	s := pairOf(true)
	f := &fake{clock: time.Now, get: func(r *gnmipb.GetRequest) (*gnmipb.GetResponse, error) {
		out := &gnmipb.GetResponse{}
		for _, p := range r.GetPath() {
			out.Notification = append(out.Notification, s.notification(s.matching([]*gnmipb.Path{p}), r.GetEncoding()))
		}
		return out, nil
	}}
	_, d := start(t, f)
	c, err := d.Capture(context.Background(), device.ScopeComponents)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Controllers()) != 2 || len(c.Unread) > 0 {
		t.Errorf("%d controllers; unread %q", len(c.Controllers()), c.Unread)
	}
}

func TestCaptureFails(t *testing.T) {
	for name, c := range map[string]struct {
		f    *fake
		want device.Kind
	}{
		"nothing is served":        {&fake{}, device.Unable},
		"everything is denied":     {&fake{subscribe: failingSubscribe(codes.PermissionDenied)}, device.Denied},
		"the device breaks":        {&fake{subscribe: failingSubscribe(codes.Internal)}, device.Refused},
		"the device goes away":     {&fake{subscribe: failingSubscribe(codes.Unavailable)}, device.Unreachable},
		"it ends before it synced": {&fake{subscribe: unsynced(pairOf(true))}, device.OutcomeUnknown},
	} {
		_, d := start(t, c.f)
		got, err := d.Capture(context.Background(), device.ScopeLive)
		t.Run(name, func(t *testing.T) {
			wantKind(t, err, c.want)
			if got != nil {
				t.Errorf("an unusable state was returned: %+v", got)
			}
		})
	}
}

// unsynced tells everything and ends without sync_response.
func unsynced(s *store) func(*gnmipb.SubscriptionList, gnmipb.GNMI_SubscribeServer) error {
	return func(l *gnmipb.SubscriptionList, stream gnmipb.GNMI_SubscribeServer) error {
		var paths []*gnmipb.Path
		for _, x := range l.GetSubscription() {
			paths = append(paths, x.GetPath())
		}
		return stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_Update{Update: s.notification(s.matching(paths), l.GetEncoding())}})
	}
}

func TestLaterTimestampsWin(t *testing.T) {
	// Source: gNMI specification §3.5.1.4: messages may arrive out of order.
	_, d := start(t, &fake{clock: time.Now, subscribe: func(l *gnmipb.SubscriptionList, stream gnmipb.GNMI_SubscribeServer) error {
		for _, x := range []struct {
			at int64
			v  string
		}{{30, "ACTIVE"}, {10, "INACTIVE"}, {20, "DISABLED"}} {
			if err := stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_Update{Update: &gnmipb.Notification{
				Timestamp: x.at, Prefix: parseText("/components"), Update: []*gnmipb.Update{{
					Path: parseText("/component[name=CTL-A]/state/oper-status"), Val: typed(x.v, gnmipb.Encoding_PROTO)}},
			}}}); err != nil {
				return err
			}
		}
		return stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_SyncResponse{SyncResponse: true}})
	}})
	c, err := d.Capture(context.Background(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	k, _ := c.Component("CTL-A")
	wantOpt(t, "oper", k.Oper, "ACTIVE")
}

func TestWhatCannotBeReadIsListed(t *testing.T) {
	s := pairOf(true)
	s.leaves["/components/component[name=CTL-A]/state/boot-time"] = datum{"/components/component[name=CTL-A]/state/boot-time", "yesterday"}
	_, d := start(t, &fake{subscribe: s.subscribe})
	c, err := d.Capture(context.Background(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	k, _ := c.Component("CTL-A")
	if k.BootTime.Known() {
		t.Errorf("got %v", k.BootTime)
	}
	if !slices.ContainsFunc(c.Unread, func(u string) bool {
		return strings.Contains(u, "boot-time") && strings.Contains(u, "yesterday") && strings.Contains(u, "CTL-A")
	}) {
		t.Errorf("unread %q", c.Unread)
	}
}

func TestRoutesAreJoined(t *testing.T) {
	leaves := []datum{
		{"/components/component[name=CTL-A]/state/type", "CONTROLLER_CARD"},
		{aftFake + "/next-hops/next-hop[index=1]/state/ip-address", "198.51.100.7"},
		{aftFake + "/next-hops/next-hop[index=2]/state/ip-address", "203.0.113.9"},
		{aftFake + "/next-hop-groups/next-hop-group[id=10]/next-hops/next-hop[index=1]/state/index", uint64(1)},
		{aftFake + "/next-hop-groups/next-hop-group[id=11]/next-hops/next-hop[index=2]/state/index", uint64(2)},
		{aftFake + "/next-hop-groups/next-hop-group[id=11]/next-hops/next-hop[index=1]/state/index", uint64(1)},
		{aftFake + "/ipv4-unicast/ipv4-entry[prefix=192.0.2.0/24]/state/prefix", "192.0.2.0/24"},
		{aftFake + "/ipv4-unicast/ipv4-entry[prefix=192.0.2.0/24]/state/origin-protocol", "openconfig-policy-types:BGP"},
		{aftFake + "/ipv4-unicast/ipv4-entry[prefix=192.0.2.0/24]/state/next-hop-group", uint64(11)},
		{aftFake + "/ipv4-unicast/ipv4-entry[prefix=198.51.100.0/24]/state/origin-protocol", "DIRECTLY_CONNECTED"},
		{aftFake + "/ipv4-unicast/ipv4-entry[prefix=203.0.113.0/24]/state/next-hop-group", uint64(99)},
		{aftFake + "/ipv6-unicast/ipv6-entry[prefix=2001:db8::/32]/state/next-hop-group", uint64(10)},
		{aftFake + "/aft-summaries/ipv4-unicast/protocols/protocol[origin-protocol=BGP]/state/counters/aft-entries", uint64(2)},
		{aftFake + "/aft-summaries/ipv4-unicast/protocols/protocol[origin-protocol=STATIC]/state/counters/aft-entries", uint64(1)},
	}
	_, d := start(t, &fake{subscribe: newStore(leaves...).subscribe, clock: time.Now})
	c, err := d.Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.RouteTables) != 2 {
		t.Fatalf("got %+v", c.RouteTables)
	}
	v4, v6 := c.RouteTables[0], c.RouteTables[1]
	wantOpt(t, "count", v4.Count, 3)
	wantOpt(t, "count", v6.Count, 1) // no summary: counted
	want := []state.Route{
		{Prefix: "192.0.2.0/24", Protocol: "bgp", NextHops: "198.51.100.7,203.0.113.9"},
		{Prefix: "198.51.100.0/24", Protocol: "directly-connected"},
		{Prefix: "203.0.113.0/24"}, // its group is not told
	}
	if !slices.Equal(v4.Routes, want) {
		t.Errorf("got %+v, want %+v", v4.Routes, want)
	}
	if len(v6.Routes) != 1 || v6.Routes[0].NextHops != "198.51.100.7" {
		t.Errorf("got %+v", v6.Routes)
	}
}

func TestRoutesWhoseLeavesAreScattered(t *testing.T) {
	r := newRoutes()
	for _, x := range []struct {
		l      routeLeaf
		prefix string
		v      any
	}{
		{leafOrigin4, "b", "X:BGP"}, {leafOrigin4, "a", "STATIC"}, {leafGroup4, "b", uint64(1)}, {leafPrefix4, "a", "a"}, {leafGroup4, "a", "2"},
	} {
		if err := r.take(x.l, []string{"default", x.prefix}, x.v); err != nil {
			t.Fatal(err)
		}
	}
	for _, id := range []string{"1", "2"} {
		if err := r.take(leafGroupHop, []string{"default", id, id}, id); err != nil {
			t.Fatal(err)
		}
		if err := r.take(leafHopAddress, []string{"default", id}, "hop-"+id); err != nil {
			t.Fatal(err)
		}
	}
	c := &state.Capture{}
	r.into(c)
	want := []state.Route{{Prefix: "a", Protocol: "static", NextHops: "hop-2"}, {Prefix: "b", Protocol: "bgp", NextHops: "hop-1"}}
	if len(c.RouteTables) != 1 || !slices.Equal(c.RouteTables[0].Routes, want) {
		t.Errorf("got %+v", c.RouteTables)
	}
	if err := r.take(leafGroup4, []string{"default", "a"}, "many"); err == nil {
		t.Error("a group that is no number was taken")
	}
}

func TestFilesOfVolumes(t *testing.T) {
	s := pairOf(true)
	for _, m := range []string{"/CTL-A/flash", "/CTL-B/flash"} {
		s.leaves["/system/mount-points/mount-point[name="+m+"]/state/size"] = datum{"/system/mount-points/mount-point[name=" + m + "]/state/size", uint64(64)}
	}
	_, d := start(t, &fake{subscribe: s.subscribe, clock: time.Now, fileStat: func(r *filepb.StatRequest) (*filepb.StatResponse, error) {
		if r.GetPath() == "/CTL-B/flash" {
			return nil, status.Error(codes.PermissionDenied, "not for you")
		}
		return &filepb.StatResponse{Stats: []*filepb.StatInfo{
			{Path: "/CTL-A/flash/b", Size: 5, LastModified: 1_700_000_000_000_000_000}, {Path: "/CTL-A/flash/a", Size: 7},
		}}, nil
	}})
	c, err := d.Capture(context.Background(), device.ScopeComponents)
	if err != nil {
		t.Fatal(err)
	}
	a, b := c.Volumes[0], c.Volumes[1]
	if !a.FilesKnown || len(a.Files) != 2 || a.Files[0].Path != "/CTL-A/flash/a" || a.Files[1].Size != 5 || a.Files[0].Modified.Known() {
		t.Errorf("got %+v", a)
	}
	if b.FilesKnown || !slices.ContainsFunc(c.Unread, func(u string) bool { return strings.HasPrefix(u, "files of /CTL-B/flash") }) {
		t.Errorf("got %+v, unread %q", b, c.Unread)
	}
}

func TestClockOffsetIsTakenAtTheMiddle(t *testing.T) {
	// A device whose clock is 90 s ahead, answering in the middle of exchanges
	// of three lengths; the shortest is the one to trust.
	base := time.Date(2031, 3, 9, 1, 0, 0, 0, time.UTC)
	now := base
	trips := []time.Duration{40 * time.Millisecond, 10 * time.Millisecond, 80 * time.Millisecond}
	answered := 0
	f := &fake{clock: func() time.Time {
		half := trips[answered] / 2
		answered++
		at := now.Add(half + 90*time.Second)
		if answered == 1 || answered == 3 {
			at = at.Add(15 * time.Millisecond) // a slow exchange that was not even
		}
		now = now.Add(2 * half)
		return at
	}}
	r, _ := start(t, f)
	r.cfg.Now = func() time.Time { return now }
	// The certificates are of our time, so only the offset uses the other clock.
	d := r.dial(t)
	d.link.config.Time = time.Now
	got, err := d.clockOffset(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	wantOpt(t, "offset", got, 90*time.Second)
}

func TestADeviceThatAnswersOtherOriginsIsNotBelieved(t *testing.T) {
	_, d := start(t, &fake{clock: time.Now, subscribe: func(l *gnmipb.SubscriptionList, stream gnmipb.GNMI_SubscribeServer) error {
		p := parseText("/components/component[name=CTL-X]/state/oper-status")
		p.Origin = "somebody-else"
		n := &gnmipb.Notification{Update: []*gnmipb.Update{{Path: p, Val: typed("ACTIVE", gnmipb.Encoding_PROTO)}}}
		if err := stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_Update{Update: n}}); err != nil {
			return err
		}
		return stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_SyncResponse{SyncResponse: true}})
	}})
	c, err := d.Capture(context.Background(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Components) != 0 {
		t.Errorf("got %+v", c.Components)
	}
}

func TestCancelledCaptureKeepsTheReason(t *testing.T) {
	blocked := make(chan struct{})
	_, d := start(t, &fake{subscribe: func(_ *gnmipb.SubscriptionList, s gnmipb.GNMI_SubscribeServer) error {
		select {
		case blocked <- struct{}{}:
		default:
		}
		<-s.Context().Done()
		return nil
	}})
	why := errors.New("the operator pressed Ctrl-C")
	ctx, cancel := context.WithCancelCause(context.Background())
	go func() {
		<-blocked
		cancel(why)
	}()
	_, err := d.Capture(ctx, device.ScopeLive)
	f := wantKind(t, err, device.OutcomeUnknown)
	if !errors.Is(f, why) && !errors.Is(f, context.Canceled) {
		t.Errorf("got %v", fmt.Sprint(f))
	}
}
