package openconfig

import (
	"context"
	"reflect"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	gnmipb "github.com/openconfig/gnmi/proto/gnmi"
	filepb "github.com/openconfig/gnoi/file"
	systempb "github.com/openconfig/gnoi/system"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"

	"towpath/internal/device"
	"towpath/internal/lab"
	"towpath/internal/lab/labtime"
	"towpath/internal/state"
)

// TestNestedJSONTellsTheSameAsLeaves reads the emulated chassis twice: by
// subscriptions, where each leaf comes by itself, and by Get, where each
// container comes as one nested JSON object (RFC 7951) that the chassis's own
// code has written. Both captures must be the same.
func TestNestedJSONTellsTheSameAsLeaves(t *testing.T) {
	cfg := lab.Scenario("")
	cfg.Devices = cfg.Devices[:1]
	cfg.Devices[0].Routes = lab.Routes{IPv4: 100, IPv6: 40}
	clock := labtime.New(time.Now(), 1)
	defer clock.Close()
	cfg.Clock = clock
	l, err := lab.Start(cfg)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	c := l.Devices()[0]
	p := l.PKI()
	byLeaf, err := Dial(context.Background(), Config{Device: "mere-agg-1", Target: c.Address(), ServerName: string(c.ID()),
		CA: p.Authority, Cert: p.ClientCert, Key: p.ClientKey, FactsOrigin: "towpath-facts", Now: clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer byLeaf.Close()
	tc, err := p.Client(string(c.ID()))
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(c.Address(), grpc.WithTransportCredentials(credentials.NewTLS(tc)), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	var nested, plainValues atomic.Int32
	client := gnmipb.NewGNMIClient(conn)
	r, _ := start(t, &fake{
		clock: clock.Now,
		get: func(q *gnmipb.GetRequest) (*gnmipb.GetResponse, error) {
			resp, err := client.Get(context.Background(), q)
			if status.Code(err) == codes.NotFound { // so does the chassis say that it does not model a path
				return nil, status.Error(codes.Unimplemented, err.Error())
			}
			for _, n := range resp.GetNotification() {
				for _, u := range n.GetUpdate() {
					if v := u.GetVal().GetJsonIetfVal(); len(v) > 0 && v[0] == '{' {
						nested.Add(1)
					} else {
						plainValues.Add(1)
					}
				}
			}
			return resp, err
		},
		fileStat: func(q *filepb.StatRequest) (*filepb.StatResponse, error) {
			return filepb.NewFileClient(conn).Stat(context.Background(), q)
		},
	})
	byGet := r.dial(t)
	if _, err := systempb.NewSystemClient(conn).Time(context.Background(), &systempb.TimeRequest{}); err != nil {
		t.Fatal(err)
	}
	one, err := byLeaf.Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	two, err := byGet.Capture(context.Background(), device.ScopeFull)
	if err != nil {
		t.Fatal(err)
	}
	if nested.Load() < 10 {
		t.Fatalf("only %d nested objects (and %d plain values) were read", nested.Load(), plainValues.Load())
	}
	// Get answers a path without value, such as the alarms of a healthy chassis,
	// like one that is not modelled, and what is unread differs in its words.
	ignore := cmp.Options{
		cmpopts.IgnoreFields(state.Capture{}, "TakenAt", "Clock", "Unread", "Complete", "AlarmsKnown"),
		cmpopts.IgnoreFields(state.Interface{}, "InOctets", "OutOctets"),
		cmp.Exporter(func(reflect.Type) bool { return true }),
	}
	if d := cmp.Diff(one, two, ignore); d != "" {
		t.Errorf("by leaves (-) and by nested objects (+):\n%s", d)
	}
}
