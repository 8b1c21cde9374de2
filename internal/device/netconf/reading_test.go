//nolint:misspell // the words of the modules
package netconf

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"towpath/internal/device"
	"towpath/internal/element"
	"towpath/internal/state"
	"towpath/internal/unit"
)

func node(t *testing.T, s string) *element.Node {
	t.Helper()
	n, err := element.Parse(strings.NewReader(s))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestInterfacesExample reads the example of RFC 8343, with a group added.
// Source: from memory, RFC 8343 appendix D, shortened.
func TestInterfacesExample(t *testing.T) {
	data := node(t, `<data xmlns="urn:ietf:params:xml:ns:netconf:base:1.0">
  <interfaces xmlns="urn:ietf:params:xml:ns:yang:ietf-interfaces" xmlns:ianaift="urn:ietf:params:xml:ns:yang:iana-if-type" xmlns:vlan="http://example.com/vlan">
    <interface><name>eth0</name><type>ianaift:ethernetCsmacd</type><enabled>false</enabled><admin-status>down</admin-status><oper-status>down</oper-status>
      <if-index>2</if-index><phys-address>00:01:02:03:04:05</phys-address>
      <statistics><discontinuity-time>2013-04-01T03:00:00+00:00</discontinuity-time></statistics></interface>
    <interface><name>eth1</name><type>ianaift:ethernetCsmacd</type><enabled>true</enabled><admin-status>up</admin-status><oper-status>up</oper-status>
      <if-index>7</if-index><phys-address>00:01:02:03:04:06</phys-address><higher-layer-if>eth1.10</higher-layer-if><higher-layer-if>bond0</higher-layer-if>
      <speed>10000000000</speed>
      <statistics><discontinuity-time>2013-04-01T03:00:00+00:00</discontinuity-time><in-octets>18446744073709551615</in-octets><out-octets>5</out-octets></statistics></interface>
    <interface><name>eth1.10</name><type>ianaift:l2vlan</type><enabled>true</enabled><admin-status>up</admin-status><oper-status>up</oper-status>
      <last-change>2026-01-02T03:04:05.5+01:00</last-change>
      <if-index>9</if-index><lower-layer-if>eth1</lower-layer-if><vlan:base-interface>eth1</vlan:base-interface><vlan:vlan-id>10</vlan:vlan-id></interface>
    <interface><name>bond0</name><type>ianaift:ieee8023adLag</type><enabled>true</enabled><oper-status>lower-layer-down</oper-status></interface>
  </interfaces></data>`)
	r := newReading(device.ScopeFull)
	r.interfaces(data)
	r.finish()
	up, down := state.Some("UP"), state.Some("DOWN")
	want := []state.Interface{
		{Name: "eth0", Admin: down, Oper: down},
		// A counter of 64 bits whose highest is set does not fit and is left unknown.
		{Name: "eth1", Admin: up, Oper: up, Aggregate: "bond0", Speed: state.Some(unit.BitRate(1e10)), OutOctets: state.Some(uint64(5))},
		{Name: "eth1.10", Admin: up, Oper: up, LastChange: state.Some(time.Date(2026, 1, 2, 2, 4, 5, 5e8, time.UTC))},
		{Name: "bond0", Admin: up, Oper: state.Some("LOWER-LAYER-DOWN")}, // enabled stands for admin-status
	}
	if d := cmp.Diff(want, r.Interfaces, cmp.AllowUnexported(state.Opt[string]{}, state.Opt[uint64]{}, state.Opt[unit.BitRate]{}, state.Opt[time.Time]{})); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if len(r.Aggregates) != 1 || len(r.Aggregates[0].Members) != 1 || r.Aggregates[0].Members[0].Interface != "eth1" {
		t.Errorf("aggregates: %+v", r.Aggregates)
	}
}

// TestHardware reads a chassis with two modules of which one stands by, and
// nothing of our own. Source: RFC 8348, module ietf-hardware as Debian's
// libyuma-base carries it, the leaves of component.
func TestHardware(t *testing.T) {
	data := node(t, `<data xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"><hardware xmlns="urn:ietf:params:xml:ns:yang:ietf-hardware" xmlns:ianahw="urn:ietf:params:xml:ns:yang:iana-hardware">
  <component><name>chassis</name><class>ianahw:chassis</class><serial-num>S1</serial-num><state><oper-state>enabled</oper-state></state></component>
  <component><name>ctl-1</name><class>ianahw:module</class><parent>chassis</parent><software-rev>1.2</software-rev><firmware-rev>3</firmware-rev><model-name>M</model-name>
    <state><admin-state>unlocked</admin-state><oper-state>enabled</oper-state><alarm-state>major minor</alarm-state><standby-state>providing-service</standby-state></state></component>
  <component><name>ctl-2</name><class>ianahw:module</class><parent>chassis</parent><state><admin-state>locked</admin-state><oper-state>disabled</oper-state><alarm-state>critical</alarm-state><standby-state>cold-standby</standby-state></state></component>
  <component><name>t1</name><class>ianahw:sensor</class><parent>ctl-1</parent><sensor-data><value>41500</value><value-type>celsius</value-type><value-scale>milli</value-scale><value-precision>0</value-precision></sensor-data></component>
  <component><name>t2</name><class>ianahw:sensor</class><parent>ctl-1</parent><sensor-data><value>385</value><value-type>celsius</value-type><value-scale>units</value-scale><value-precision>1</value-precision></sensor-data></component>
  <component><name>v</name><class>ianahw:sensor</class><parent>ctl-1</parent><sensor-data><value>12</value><value-type>volts-DC</value-type><value-scale>units</value-scale><value-precision>0</value-precision></sensor-data></component>
</hardware></data>`)
	r := newReading(device.ScopeComponents)
	r.hardware(data)
	r.finish()
	p, ok := r.ControllerWithRole(state.Primary)
	if !ok || p.Name != "ctl-1" || p.Version.Or("") != "1.2" || p.Firmware.Or("") != "3" || p.Oper.Or("") != state.OperActive || p.Failure.Or(true) || p.SwitchoverReady.Or(true) || p.Celsius.Or(0) != 41.5 {
		t.Errorf("primary: %+v", p)
	}
	s, ok := r.ControllerWithRole(state.Secondary)
	if !ok || s.Name != "ctl-2" || s.Oper.Or("") != state.OperDisabled || !s.Failure.Or(false) || s.SwitchoverReady.Or(true) || s.Version.Known() {
		t.Errorf("secondary: %+v", s)
	}
	for name, want := range map[string]float64{"t1": 41.5, "t2": 38.5} {
		if k, _ := r.Component(name); k.Celsius.Or(0) != want || k.Kind != state.KindSensor {
			t.Errorf("%s: %+v, want %v degrees", name, k, want)
		}
	}
	if k, _ := r.Component("v"); k.Celsius.Known() {
		t.Errorf("volts as degrees: %+v", k)
	}
	if r.Release.Or("") != "1.2" {
		t.Errorf("release %v, want the primary's", r.Release)
	}
}

// TestRoutes reads tables of RFC 8349. Source: from memory, RFC 8349 appendix E,
// the example of a routing table.
func TestRoutes(t *testing.T) {
	data := node(t, `<data xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"><routing xmlns="urn:ietf:params:xml:ns:yang:ietf-routing" xmlns:rt="urn:ietf:params:xml:ns:yang:ietf-routing">
  <ribs><rib><name>ipv4-primary</name><address-family xmlns:v4ur="urn:ietf:params:xml:ns:yang:ietf-ipv4-unicast-routing">rt:ipv4</address-family><default-rib>true</default-rib><routes>
    <route><destination-prefix xmlns="urn:ietf:params:xml:ns:yang:ietf-ipv4-unicast-routing">192.0.2.1/24</destination-prefix><next-hop><outgoing-interface>eth0</outgoing-interface></next-hop><source-protocol>rt:direct</source-protocol><active/></route>
    <route><destination-prefix xmlns="urn:ietf:params:xml:ns:yang:ietf-ipv4-unicast-routing">0.0.0.0/0</destination-prefix><next-hop><next-hop-address xmlns="urn:ietf:params:xml:ns:yang:ietf-ipv4-unicast-routing">192.0.2.2</next-hop-address></next-hop><source-protocol>rt:static</source-protocol><active/></route>
    <route><destination-prefix xmlns="urn:ietf:params:xml:ns:yang:ietf-ipv4-unicast-routing">203.0.113.0/24</destination-prefix><next-hop><special-next-hop>blackhole</special-next-hop></next-hop><source-protocol>rt:static</source-protocol></route>
  </routes></rib><rib><name>r6</name><address-family>rt:ipv6</address-family><default-rib>false</default-rib><routes>
    <route><destination-prefix xmlns="urn:ietf:params:xml:ns:yang:ietf-ipv6-unicast-routing">2001:db8::/32</destination-prefix><next-hop><next-hop-list>
      <next-hop><index>1</index><address xmlns="urn:ietf:params:xml:ns:yang:ietf-ipv6-unicast-routing">2001:db8::2</address></next-hop>
      <next-hop><index>2</index><outgoing-interface>eth1</outgoing-interface></next-hop></next-hop-list></next-hop><source-protocol xmlns:o="urn:ietf:params:xml:ns:yang:ietf-ospf">o:ospfv3</source-protocol></route>
  </routes></rib></ribs></routing></data>`)
	r := newReading(device.ScopeFull)
	r.routes(data)
	want := []state.RouteTable{
		{Instance: "default", Family: "ipv4", Count: state.Some(uint64(2)), Routes: []state.Route{
			{Prefix: "192.0.2.1/24", Protocol: "directly-connected", NextHops: "eth0"}, {Prefix: "0.0.0.0/0", Protocol: "static", NextHops: "192.0.2.2"}}},
		{Instance: "r6", Family: "ipv6", Count: state.Some(uint64(1)), Routes: []state.Route{{Prefix: "2001:db8::/32", Protocol: "ospf3", NextHops: "2001:db8::2,eth1"}}},
	}
	if d := cmp.Diff(want, r.RouteTables, cmp.AllowUnexported(state.Opt[uint64]{})); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// TestLibraries reads both forms of the list of modules. Source: from memory, RFC 7895 §2.2,
// RFC 8525 §3.
func TestLibraries(t *testing.T) {
	for _, doc := range []string{
		`<data><modules-state xmlns="urn:ietf:params:xml:ns:yang:ietf-yang-library"><module-set-id>1</module-set-id><module><name>a</name><revision>2026-01-02</revision><namespace>urn:a</namespace><conformance-type>implement</conformance-type></module></modules-state></data>`,
		`<data><yang-library xmlns="urn:ietf:params:xml:ns:yang:ietf-yang-library"><module-set><name>s</name><module><name>a</name><revision>2026-01-02</revision><namespace>urn:a</namespace></module></module-set><content-id>1</content-id></yang-library></data>`,
	} {
		if got := libraryModules(node(t, doc)); !cmp.Equal(got, []string{"a@2026-01-02"}) {
			t.Errorf("got %v", got)
		}
	}
}

// TestValueForms writes values and reads them back.
func TestValueForms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := valueForm(rapid.IntRange(int(inMicros), int(asRateWord)).Draw(t, "form"))
		var v string
		switch f {
		case inMicros, inSeconds, inCentis:
			v = (time.Duration(rapid.IntRange(1, 1e6).Draw(t, "n")) * f.unit()).String()
		case asNumber:
			v = uintText(uint64(rapid.Uint32().Draw(t, "n")))
		case asYesNo, asNoYes:
			v = rapid.SampledFrom([]string{"true", "false"}).Draw(t, "word")
		case asPresence:
			v = "true"
		case asRateWord:
			v = rapid.SampledFrom([]string{"fast", "slow"}).Draw(t, "word")
		}
		text, err := f.write(v)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := f.read(text); err != nil || got != v {
			t.Fatalf("form %d: %q was written as %q and read as %q, %v", f, v, text, got, err)
		}
	})
	for f, v := range map[valueForm]string{inSeconds: "1500ms", inMicros: "-1us", inCentis: "soon", asNumber: "1.5", asYesNo: "maybe", asRateWord: "FAST"} {
		if text, err := f.write(v); err == nil {
			t.Errorf("form %d: %q was written as %q", f, v, text)
		}
	}
}

// TestNotifications reads the notifications of the standards. Source: from memory, RFC 9314
// §2.4, singlehop-notification; RFC 9129, nbr-state-change; RFC 5277 §2.2.1.
func TestNotifications(t *testing.T) {
	for doc, want := range map[string][]notice{
		`<singlehop-notification xmlns="urn:ietf:params:xml:ns:yang:ietf-bfd-ip-sh"><local-discr>1</local-discr><new-state>down</new-state><dest-addr>192.0.2.1</dest-addr></singlehop-notification>`: {{what: told{device.EventAdjacency, "bfd 192.0.2.1", ""}, now: "down"}},
		`<multihop-notification xmlns="urn:ietf:params:xml:ns:yang:ietf-bfd-ip-mh"><new-state>up</new-state><dest-addr>192.0.2.1</dest-addr></multihop-notification>`:                                 {{what: told{device.EventAdjacency, "bfd 192.0.2.1", ""}, now: "up"}},
		`<nbr-state-change xmlns="urn:ietf:params:xml:ns:yang:ietf-ospf"><neighbor-router-id>192.0.2.1</neighbor-router-id><state>exstart</state></nbr-state-change>`:                                 {{what: told{device.EventAdjacency, "ospfv2 192.0.2.1", ""}, now: "down"}},
		`<nbr-state-change xmlns="urn:ietf:params:xml:ns:yang:ietf-ospf"><neighbor-router-id>192.0.2.1</neighbor-router-id><state>2-way</state></nbr-state-change>`:                                   nil,
		`<netconf-config-change xmlns="urn:ietf:params:xml:ns:yang:ietf-netconf-notifications"><datastore>running</datastore></netconf-config-change>`:                                                nil,
	} {
		got := readNotification(node(t, `<notification xmlns="urn:ietf:params:xml:ns:netconf:notification:1.0"><eventTime>2026-01-02T03:04:05Z</eventTime>`+doc+`</notification>`))
		if d := cmp.Diff(want, got, cmp.AllowUnexported(notice{}, told{})); d != "" {
			t.Errorf("%s (-want +got):\n%s", doc, d)
		}
	}
}
