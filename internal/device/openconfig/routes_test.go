package openconfig

import (
	"context"
	"fmt"
	"runtime"
	"testing"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"

	"towpath/internal/state"
)

// serveRoutes streams n routes, one notification each, with eight next-hop
// groups.
func serveRoutes(n int) func(*gnmipb.SubscriptionList, gnmipb.GNMI_SubscribeServer) error {
	return func(_ *gnmipb.SubscriptionList, stream gnmipb.GNMI_SubscribeServer) error {
		send := func(prefix string, leaves ...datum) error {
			n := &gnmipb.Notification{Timestamp: 1, Prefix: parseText(prefix)}
			for _, l := range leaves {
				n.Update = append(n.Update, &gnmipb.Update{Path: parseText(l.path), Val: typed(l.val, gnmipb.Encoding_PROTO)})
			}
			return stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_Update{Update: n}})
		}
		for g := range 8 {
			if err := send(fmt.Sprintf("%s/next-hop-groups/next-hop-group[id=%d]/next-hops/next-hop[index=%d]", aftFake, g, g), datum{"/state/index", uint64(g)}); err != nil {
				return err
			}
			if err := send(fmt.Sprintf("%s/next-hops/next-hop[index=%d]", aftFake, g), datum{"/state/ip-address", fmt.Sprintf("198.51.100.%d", g)}); err != nil {
				return err
			}
		}
		for i := range n {
			prefix := fmt.Sprintf("10.%d.%d.%d/32", i>>16&255, i>>8&255, i&255)
			if err := send(aftFake+"/ipv4-unicast/ipv4-entry[prefix="+prefix+"]/state",
				datum{"/prefix", prefix}, datum{"/origin-protocol", "openconfig-policy-types:BGP"}, datum{"/next-hop-group", uint64(i % 8)}); err != nil {
				return err
			}
		}
		return stream.Send(&gnmipb.SubscribeResponse{Response: &gnmipb.SubscribeResponse_SyncResponse{SyncResponse: true}})
	}
}

func TestManyRoutesShareTheirWords(t *testing.T) {
	const n = 3_000
	_, d := start(t, &fake{subscribe: serveRoutes(n)})
	r, err := d.readRoutes(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if len(r.words) != 1 {
		t.Errorf("%d words for one protocol", len(r.words))
	}
	c := &state.Capture{}
	r.into(c)
	c.Sort()
	if len(c.RouteTables) != 1 || len(c.RouteTables[0].Routes) != n {
		t.Fatalf("got %d tables", len(c.RouteTables))
	}
	for _, x := range c.RouteTables[0].Routes {
		if x.Protocol != "bgp" || len(x.NextHops) != len("198.51.100.0") {
			t.Fatalf("got %+v", x)
		}
	}
}

// BenchmarkRoutes streams a large table over a real connection and reports
// what a route costs once it is read, beside its own text.
func BenchmarkRoutes(b *testing.B) {
	const n = 1_000_000
	_, d := start(b, &fake{subscribe: serveRoutes(n)})
	for b.Loop() {
		var before, read runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		r, err := d.readRoutes(context.Background())
		if err != nil {
			b.Fatal(err)
		}
		c := &state.Capture{}
		r.into(c)
		runtime.GC()
		runtime.ReadMemStats(&read)
		b.ReportMetric(float64(read.HeapAlloc-before.HeapAlloc)/n, "B/route")
		if got := len(c.RouteTables[0].Routes); got != n {
			b.Fatalf("got %d routes", got)
		}
	}
}
