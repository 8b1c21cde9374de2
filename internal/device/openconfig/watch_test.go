//nolint:misspell // the words of the OpenConfig models
package openconfig

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"towpath/internal/device"
)

// watching runs a watch on a store and gives its events one by one.
type watching struct {
	t      *testing.T
	events chan device.Event
	ended  chan error
	cancel context.CancelFunc
}

func watch(t *testing.T, f *fake) *watching {
	t.Helper()
	_, d := start(t, f)
	ctx, cancel := context.WithCancel(context.Background())
	w := &watching{t, make(chan device.Event), make(chan error, 1), cancel}
	go func() {
		w.ended <- d.Watch(ctx, func(e device.Event) {
			select {
			case w.events <- e:
			case <-ctx.Done():
			}
		})
	}()
	t.Cleanup(cancel)
	return w
}

var kindNames = map[device.EventKind]string{
	device.EventSynced: "synced", device.EventComponent: "component", device.EventAdjacency: "adjacency", device.EventConfiguration: "configuration",
	device.EventTopology: "topology", device.EventAlarm: "alarm", device.EventPower: "power", device.EventInterface: "interface",
}

func text(e device.Event) string {
	return fmt.Sprintf("%s %s: %q -> %q", kindNames[e.Kind], e.Object, e.Was, e.Now)
}

func (w *watching) next() device.Event {
	w.t.Helper()
	select {
	case e := <-w.events:
		return e
	case err := <-w.ended:
		w.t.Fatalf("the watch ended: %v", err)
	}
	return device.Event{}
}

// initial is the state at the start, sorted.
func (w *watching) initial() []string {
	w.t.Helper()
	var out []string
	for e := w.next(); e.Kind != device.EventSynced; e = w.next() {
		out = append(out, text(e))
	}
	slices.Sort(out)
	return out
}

const (
	alarmFake = "/system/alarms/alarm[id=psu]/state"
	bgpOne    = bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.1]/state/session-state"
)

func TestWatchTellsEveryChangeOnce(t *testing.T) {
	s := newStore(
		datum{"/components/component[name=CTL-A]/state/type", "openconfig-platform-types:CONTROLLER_CARD"},
		datum{"/components/component[name=CTL-A]/state/oper-status", "openconfig-platform-types:ACTIVE"},
		datum{"/components/component[name=CTL-A]/state/redundant-role", "PRIMARY"},
		datum{"/components/component[name=PSU-1]/state/type", "openconfig-platform-types:POWER_SUPPLY"},
		datum{"/components/component[name=PSU-1]/state/oper-status", "ACTIVE"},
		datum{"/interfaces/interface[name=port-1/1]/state/oper-status", "UP"},
		datum{bgpOne, "ESTABLISHED"},
		datum{"/facts/adjacency[id=1]/protocol", "bgp"},
		datum{"/facts/adjacency[id=1]/neighbour", "192.0.2.1"},
		datum{"/facts/adjacency[id=1]/up", true},
		datum{"/facts/adjacency[id=2]/protocol", "lacp"},
		datum{"/facts/adjacency[id=2]/neighbour", "00:00:5e:00:53:10"},
		datum{"/facts/adjacency[id=2]/up", true},
		datum{"/facts/adjacency[id=3]/protocol", "lacp"},
		datum{"/facts/adjacency[id=3]/neighbour", "00:00:5e:00:53:10"},
		datum{"/facts/adjacency[id=3]/up", true},
		datum{"/system/state/last-configuration-timestamp", uint64(1_700_000_000_000_000_000)},
		datum{"/facts/configuration/digest", "aa"},
		datum{"/stp/rstp/state/topology-changes", uint64(14)},
		datum{"/facts/power/feed[name=feed-a]/ok", true},
	)
	s.lacks = []string{"/stp/mstp", "/stp/rapid-pvst"}
	w := watch(t, &fake{subscribe: s.subscribe})
	want := []string{
		`adjacency bgp 192.0.2.1: "" -> "up"`,
		`adjacency lacp 00:00:5e:00:53:10: "" -> "up"`,
		`component CTL-A: "" -> "ACTIVE"`,
		`component CTL-A: "" -> "PRIMARY"`,
		`component PSU-1: "" -> "ACTIVE"`,
		`configuration digest: "" -> "aa"`,
		`configuration time: "" -> "2023-11-14T22:13:20Z"`,
		`interface port-1/1: "" -> "UP"`,
		`power PSU-1: "" -> "ok"`,
		`power feed-a: "" -> "ok"`,
		`topology rstp: "" -> "14"`,
	}
	if got := w.initial(); !slices.Equal(got, want) {
		t.Fatalf("initial state:\ngot  %s\nwant %s", strings.Join(got, "\n     "), strings.Join(want, "\n     "))
	}
	steps := []struct {
		set     []datum
		deletes []string
		want    []string
	}{
		{set: []datum{{"/components/component[name=CTL-A]/state/redundant-role", "SECONDARY"}}, want: []string{`component CTL-A: "PRIMARY" -> "SECONDARY"`}},
		{set: []datum{{"/components/component[name=PSU-1]/state/oper-status", "INACTIVE"}},
			want: []string{`component PSU-1: "ACTIVE" -> "INACTIVE"`, `power PSU-1: "ok" -> "power supply is INACTIVE"`}},
		// The model and the facts speak of the same session; it is told once, and
		// it is up only when both say so.
		{set: []datum{{bgpOne, "ACTIVE"}, {"/facts/adjacency[id=1]/up", false}}, want: []string{`adjacency bgp 192.0.2.1: "up" -> "down"`}},
		{set: []datum{{"/facts/adjacency[id=1]/up", true}, {bgpOne, "ESTABLISHED"}}, want: []string{`adjacency bgp 192.0.2.1: "down" -> "up"`}},
		// Two links to one neighbour: down as long as one is.
		{set: []datum{{"/facts/adjacency[id=2]/up", false}}, want: []string{`adjacency lacp 00:00:5e:00:53:10: "up" -> "down"`}},
		{set: []datum{{"/facts/adjacency[id=3]/up", false}, {"/stp/rstp/state/topology-changes", uint64(15)}}, want: []string{`topology rstp: "14" -> "15"`}},
		{set: []datum{{"/facts/adjacency[id=2]/up", true}, {"/stp/rstp/state/topology-changes", uint64(16)}}, want: []string{`topology rstp: "15" -> "16"`}},
		{set: []datum{{"/facts/adjacency[id=3]/up", true}}, want: []string{`adjacency lacp 00:00:5e:00:53:10: "down" -> "up"`}},
		{set: []datum{{"/facts/power/feed[name=feed-a]/ok", false}}, want: []string{`power feed-a: "ok" -> "no power on the feed"`}},
		{set: []datum{{alarmFake + "/severity", "openconfig-alarm-types:MAJOR"}, {alarmFake + "/text", "no voltage"}}, want: []string{`alarm psu: "" -> "MAJOR no voltage"`}},
		{set: []datum{{alarmFake + "/severity", "openconfig-alarm-types:CRITICAL"}}, want: []string{`alarm psu: "MAJOR no voltage" -> "CRITICAL no voltage"`}},
		{deletes: []string{"/system/alarms/alarm[id=psu]"}, want: []string{`alarm psu: "CRITICAL no voltage" -> ""`}},
		{set: []datum{{alarmFake + "/text", "again"}}, want: []string{`alarm psu: "" -> "again"`}},
		{deletes: []string{"/components/component[name=CTL-A]"}, want: []string{`component CTL-A: "ACTIVE" -> ""`, `component CTL-A: "SECONDARY" -> ""`}},
		{set: []datum{{"/system/state/last-configuration-timestamp", uint64(1_700_000_001_000_000_000)}, {"/facts/configuration/digest", "bb"}},
			want: []string{`configuration digest: "aa" -> "bb"`, `configuration time: "2023-11-14T22:13:20Z" -> "2023-11-14T22:13:21Z"`}},
	}
	for i, st := range steps {
		s.change(1000, st.set, st.deletes...)
		var got []string
		for range st.want {
			e := w.next()
			got = append(got, text(e))
			if e.At.UnixNano() != s.now {
				t.Errorf("step %d: told for %s, the device says %d", i, e.At, s.now)
			}
		}
		slices.Sort(got)
		if !slices.Equal(got, st.want) {
			t.Fatalf("step %d: got %q, want %q", i, got, st.want)
		}
	}
	w.cancel()
	for {
		select {
		case <-w.events:
			continue
		case err := <-w.ended:
			if !errors.Is(err, context.Canceled) {
				t.Errorf("got %v", err)
			}
		}
		break
	}
}

func TestWatchOrdersByTheDevicesTime(t *testing.T) {
	g, err := newTracked(watchGroups[1]) // interfaces
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	w := &watcher{out: func(e device.Event) { got = append(got, text(e)) }, known: map[string]reported{}}
	say := func(at int64, n *gnmipb.Notification) {
		n.Timestamp = at
		for _, o := range g.take(n) {
			w.tell(g, o)
		}
	}
	oper := func(v string) *gnmipb.Notification {
		return &gnmipb.Notification{Update: []*gnmipb.Update{{
			Path: parseText("/interfaces/interface[name=a]/state/oper-status"), Val: typed(v, gnmipb.Encoding_PROTO)}}}
	}
	say(10, oper("UP"))
	say(30, oper("DOWN"))
	say(20, oper("UP"))                                                                                              // late
	say(25, &gnmipb.Notification{Delete: []*gnmipb.Path{parseText("/interfaces/interface[name=a]")}})                // late
	say(40, &gnmipb.Notification{Prefix: parseText("/interfaces/interface[name=a]"), Atomic: true})                  // replaced by nothing
	say(50, oper("UP"))                                                                                              //
	say(60, &gnmipb.Notification{Delete: []*gnmipb.Path{parseText("/interfaces/interface[name=a]/state/counters")}}) // of no interest
	n := oper("UP")
	n.Atomic = true
	say(70, n) // replaced by the same
	want := []string{`interface a: "" -> "UP"`, `interface a: "UP" -> "DOWN"`, `interface a: "DOWN" -> ""`, `interface a: "" -> "UP"`}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestAdjacencyThatVanishesIsDown(t *testing.T) {
	g, err := newTracked(watchGroups[2]) // BGP
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	w := &watcher{out: func(e device.Event) { got = append(got, text(e)) }, known: map[string]reported{}}
	for at, n := range []*gnmipb.Notification{
		{Update: []*gnmipb.Update{{Path: parseText(bgpOne), Val: typed("ESTABLISHED", gnmipb.Encoding_PROTO)}}},
		{Delete: []*gnmipb.Path{parseText(bgpFake + "/neighbors/neighbor[neighbor-address=192.0.2.1]")}},
	} {
		n.Timestamp = int64(at + 1)
		for _, o := range g.take(n) {
			w.tell(g, o)
		}
	}
	want := []string{`adjacency bgp 192.0.2.1: "" -> "up"`, `adjacency bgp 192.0.2.1: "up" -> "down"`}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestWatchSamplesWhereTheDeviceDoesNotTellChanges(t *testing.T) {
	s := pairOf(true)
	sampled := make(chan *gnmipb.Subscription, 64)
	w := watch(t, &fake{subscribe: func(l *gnmipb.SubscriptionList, stream gnmipb.GNMI_SubscribeServer) error {
		first := l.GetSubscription()[0]
		if first.GetMode() == gnmipb.SubscriptionMode_ON_CHANGE {
			// Source: gNMI specification §3.5.1.5.2: not supported on change.
			return status.Error(codes.InvalidArgument, "on change is not supported")
		}
		sampled <- first
		return s.subscribe(l, stream)
	}})
	if got := w.initial(); len(got) == 0 {
		t.Error("no initial state")
	}
	x := <-sampled
	if x.GetMode() != gnmipb.SubscriptionMode_SAMPLE || x.GetSampleInterval() != 1e9 {
		t.Errorf("asked %v", x)
	}
	s.change(1000, []datum{{"/components/component[name=CTL-A]/state/redundant-role", "SECONDARY"}})
	if got := text(w.next()); got != `component CTL-A: "PRIMARY" -> "SECONDARY"` {
		t.Errorf("got %s", got)
	}
}

func TestWatchEndsWithTheConnection(t *testing.T) {
	for name, c := range map[string]struct {
		end  error
		want device.Kind
	}{
		"restarting": {status.Error(codes.Unavailable, "restarting"), device.Unreachable},
		"the end":    {nil, device.Unreachable},
		"a bug":      {status.Error(codes.Internal, "bug"), device.Refused},
	} {
		s := pairOf(true)
		stop := make(chan struct{})
		w := watch(t, &fake{subscribe: func(l *gnmipb.SubscriptionList, stream gnmipb.GNMI_SubscribeServer) error {
			n := s.notification(nil, gnmipb.Encoding_PROTO)
			if err := stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_Update{Update: n}}); err != nil {
				return err
			}
			if err := stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_SyncResponse{SyncResponse: true}}); err != nil {
				return err
			}
			<-stop
			return c.end
		}})
		w.initial()
		close(stop)
		err := <-w.ended
		t.Run(name, func(t *testing.T) { wantKind(t, err, c.want) })
	}
}
