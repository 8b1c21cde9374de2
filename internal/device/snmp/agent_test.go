package snmp

import (
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"towpath/internal/device"
	"towpath/internal/state"
)

// agent is a small agent of version 2c for what net-snmp cannot be made to say.
type agent struct {
	values []gosnmp.SnmpPDU // in order
	status func(*gosnmp.SnmpPacket) gosnmp.SNMPError
	circle bool // it answers the same for ever
}

func (a *agent) next(oid string) gosnmp.SnmpPDU {
	if a.circle {
		return gosnmp.SnmpPDU{Name: physicalEntry + ".5.1", Type: gosnmp.Integer, Value: 3}
	}
	for _, v := range a.values {
		if later(v.Name, oid) {
			return v
		}
	}
	return gosnmp.SnmpPDU{Name: oid, Type: gosnmp.EndOfMibView}
}

// serve answers until the test ends.
func (a *agent) serve(t *testing.T) string {
	t.Helper()
	slices.SortFunc(a.values, func(x, y gosnmp.SnmpPDU) int { return slices.Compare(arcs(x.Name), arcs(y.Name)) })
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	t.Cleanup(func() {
		conn.Close()
		<-done
	})
	go func() {
		defer close(done)
		g := &gosnmp.GoSNMP{Version: gosnmp.Version2c, Community: community}
		buf := make([]byte, 65536)
		for {
			n, from, err := conn.ReadFrom(buf)
			if err != nil {
				return
			}
			q, err := g.SnmpDecodePacket(buf[:n])
			if err != nil {
				t.Error(err)
				return
			}
			var vars []gosnmp.SnmpPDU
			switch q.PDUType {
			case gosnmp.GetRequest:
				for _, v := range q.Variables {
					got := gosnmp.SnmpPDU{Name: v.Name, Type: gosnmp.NoSuchObject}
					if i := slices.IndexFunc(a.values, func(x gosnmp.SnmpPDU) bool { return x.Name == v.Name }); i >= 0 {
						got = a.values[i]
					}
					vars = append(vars, got)
				}
			default: // GetBulk: repetitions of all, one after the other (RFC 3416 §4.2.3)
				at := make([]string, len(q.Variables))
				for i, v := range q.Variables {
					at[i] = v.Name
				}
				for range max(q.MaxRepetitions, 1) {
					for i := range at {
						v := a.next(at[i])
						at[i] = v.Name
						vars = append(vars, v)
					}
				}
			}
			r := &gosnmp.SnmpPacket{Version: gosnmp.Version2c, Community: community, PDUType: gosnmp.GetResponse, RequestID: q.RequestID, Variables: vars}
			if a.status != nil {
				r.Error = a.status(q)
			}
			if r.Error != gosnmp.NoError {
				r.Variables = q.Variables
			}
			out, err := r.MarshalMsg()
			if err != nil {
				t.Error(err)
				return
			}
			if _, err := conn.WriteTo(out, from); err != nil {
				return
			}
		}
	}()
	return conn.LocalAddr().String()
}

func octets(oid, s string) gosnmp.SnmpPDU {
	return gosnmp.SnmpPDU{Name: oid, Type: gosnmp.OctetString, Value: s}
}

func integer(oid string, n int) gosnmp.SnmpPDU {
	return gosnmp.SnmpPDU{Name: oid, Type: gosnmp.Integer, Value: n}
}

func ticks(oid string, n uint32) gosnmp.SnmpPDU {
	return gosnmp.SnmpPDU{Name: oid, Type: gosnmp.TimeTicks, Value: n}
}

func ip(oid, a string) gosnmp.SnmpPDU {
	return gosnmp.SnmpPDU{Name: oid, Type: gosnmp.IPAddress, Value: a}
}

func neighbours() []gosnmp.SnmpPDU {
	return []gosnmp.SnmpPDU{
		ticks(sysUpTime, 100*3600), octets(sysName, "mere-agg-1"), octets(sysDescr, "alder-9"),
		octets(ifEntry+".2.3", "ethernet 3"), octets(ifXEntry+".1.3", "port-1/3"), integer(ifEntry+".7.3", 1), integer(ifEntry+".8.3", 7),
		octets(ifEntry+".2.4", "ethernet 4"), ticks(ifEntry+".9.4", 100*1800),
		{Name: ifEntry + ".10.3", Type: gosnmp.Counter32, Value: uint32(7)}, {Name: ifXEntry + ".6.3", Type: gosnmp.Counter64, Value: uint64(1) << 40},
		{Name: ifEntry + ".10.4", Type: gosnmp.Counter32, Value: uint32(8)}, {Name: ifXEntry + ".15.3", Type: gosnmp.Gauge32, Value: uint32(100000)},
		integer(ipAddrEntry+".2.192.0.2.1", 3), ip(ipAddrEntry+".3.192.0.2.1", "255.255.255.252"),
		ip(ospfNbrEntry+".3.192.0.2.2.0", "203.0.113.9"), integer(ospfNbrEntry+".5.192.0.2.2.0", 1), integer(ospfNbrEntry+".6.192.0.2.2.0", 8),
		integer(ospfNbrEntry+".6.192.0.2.200.4", 4),
		integer(ospfIfEntry+".9.192.0.2.1.0", 10), integer(ospfIfEntry+".10.192.0.2.1.0", 40),
		integer(ospfIfEntry+".9.0.0.0.0.4", 1), integer(ospfIfEntry+".10.0.0.0.0.4", 4),
		integer(lldpLocPort+".2.17", 5), octets(lldpLocPort+".3.17", "port-1/3"),
		integer(lldpRemEntry+".4.900.17.1", 4), octets(lldpRemEntry+".5.900.17.1", "\x02\x00\x00\x00\x00\x2a"),
		integer(lldpRemEntry+".6.900.17.1", 5), octets(lldpRemEntry+".7.900.17.1", "port-2/1"), octets(lldpRemEntry+".9.900.17.1", "mere-agg-2"),
	}
}

func TestNeighbours(t *testing.T) {
	for name, status := range map[string]func(*gosnmp.SnmpPacket) gosnmp.SNMPError{
		"plain": nil,
		"answers of few variables": func(q *gosnmp.SnmpPacket) gosnmp.SNMPError {
			if q.PDUType == gosnmp.GetBulkRequest && int(q.MaxRepetitions)*len(q.Variables) > 10 {
				return gosnmp.TooBig
			}
			return gosnmp.NoError
		},
	} {
		t.Run(name, func(t *testing.T) {
			a := &agent{values: neighbours(), status: status}
			d := dial(t, Config{Address: a.serve(t), Community: community})
			c, err := d.Capture(t.Context(), device.ScopeFull)
			if err != nil {
				t.Fatal(err)
			}
			if len(c.Adjacencies) != 3 || len(c.Interfaces) != 2 {
				t.Fatalf("%+v\n%+v\n%v", c.Adjacencies, c.Interfaces, c.Unread)
			}
			by := func(neighbour string) state.Adjacency {
				i := slices.IndexFunc(c.Adjacencies, func(a state.Adjacency) bool { return a.Neighbour == neighbour })
				if i < 0 {
					t.Fatalf("no neighbour %s in %+v", neighbour, c.Adjacencies)
				}
				return c.Adjacencies[i]
			}
			l, o, u := by("02:00:00:00:00:2a"), by("203.0.113.9"), by("192.0.2.200")
			if l.Protocol != state.LLDP || l.Interface != "port-1/3" || l.PeerPort.Or("") != "port-2/1" || l.Peer.Or("") != "mere-agg-2" || !l.Up.Or(false) {
				t.Errorf("LLDP: %+v", l)
			}
			if o.Interface != "port-1/3" || o.State.Or("") != "FULL" || !o.Up.Or(false) || o.Timers.OwnDetect.Or(0) != 40*time.Second || o.Timers.Send.Or(0) != 10*time.Second {
				t.Errorf("OSPF: %+v", o)
			}
			if u.Interface != "ethernet 4" || u.Up.Known() || u.Timers.OwnDetect.Or(0) != 4*time.Second {
				t.Errorf("OSPF without an address: %+v", u)
			}
			x, y := c.Interfaces[1], c.Interfaces[0]
			if x.Name != "port-1/3" || x.Oper.Or("") != "LOWER_LAYER_DOWN" || x.InOctets.Or(0) != 1<<40 || float64(x.Speed.Or(0)) != 1e11 {
				t.Errorf("port-1/3: %+v", x)
			}
			changed, _ := y.LastChange.Get()
			if y.Name != "ethernet 4" || y.InOctets.Or(0) != 8 || time.Since(changed)-30*time.Minute > time.Minute || time.Since(changed) < 29*time.Minute {
				t.Errorf("ethernet 4: %+v", y)
			}
		})
	}
}

// TestUpTimeTurnsOver lets the 32 bits of sysUpTime turn over after 497 days.
// Source: RFC 2578 §7.1.8 and RFC 3411, snmpEngineTime in seconds of 31 bits.
func TestUpTimeTurnsOver(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	up := 1000*24*time.Hour + 5*time.Second
	a := &agent{values: []gosnmp.SnmpPDU{ticks(sysUpTime, uint32(uint64(up/(10*time.Millisecond))%(1<<32))), integer(engineTime, int(up/time.Second))}}
	d := dial(t, Config{Address: a.serve(t), Community: community, Now: func() time.Time { return now }})
	c, err := d.Capture(t.Context(), device.ScopeLive)
	if err != nil {
		t.Fatal(err)
	}
	if got, _ := c.BootTime.Get(); !got.Equal(now.Add(-up)) {
		t.Errorf("started at %v, want %v", got, now.Add(-up))
	}
}

func TestAgentsThatMisbehave(t *testing.T) {
	for _, c := range []struct {
		name  string
		a     *agent
		words string // among what is unread, or of the error
	}{
		{"goes in circles", &agent{values: neighbours(), circle: true}, "go round in circles"},
		{"refuses", &agent{values: neighbours(), status: func(q *gosnmp.SnmpPacket) gosnmp.SNMPError {
			if q.PDUType == gosnmp.GetBulkRequest {
				return gosnmp.AuthorizationError
			}
			return gosnmp.NoError
		}}, "its access control refuses the question"},
		{"fails", &agent{values: neighbours(), status: func(*gosnmp.SnmpPacket) gosnmp.SNMPError { return gosnmp.GenErr }}, "GenErr"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := dial(t, Config{Address: c.a.serve(t), Community: community})
			got, err := d.Capture(t.Context(), device.ScopeFull)
			said := ""
			if err != nil {
				said = err.Error()
			} else {
				said = strings.Join(got.Unread, "\n")
			}
			if !strings.Contains(said, c.words) {
				t.Errorf("got %v, want %q", said, c.words)
			}
		})
	}
}

func TestConfigurations(t *testing.T) {
	for _, bad := range []Config{
		{Address: "a", Community: "c"},
		{Address: "a:161"},
		{Address: "a:161", Community: "c", User: "u"},
		{Address: "a:161", User: "u", AuthSecret: "12345678"},
		{Address: "a:161", User: "u", AuthSecret: "12345678", PrivSecret: "1234567"},
		{Address: "a:161", User: "u", AuthSecret: "12345678", PrivSecret: "12345678", AuthProtocol: "SHA256"},
		{Address: "a:161", User: "u", AuthSecret: "12345678", PrivSecret: "12345678", PrivProtocol: "AES"},
		{Address: "a:99999", Community: "c"},
	} {
		if _, err := Dial(t.Context(), bad); device.KindOf(err) != device.Ours || err == nil {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}
