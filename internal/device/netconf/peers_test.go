package netconf_test

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"towpath/internal/device/netconf"
	"towpath/internal/element"
	"towpath/internal/lab"
)

// script is what somebody else's client does with the lab's device.
const script = `
import json, sys
from ncclient import manager
from ncclient.operations.rpc import RPCError
host, port, user, password = sys.argv[1], int(sys.argv[2]), sys.argv[3], sys.argv[4]
NS = {'b': 'urn:ietf:params:xml:ns:netconf:base:1.0', 'hw': 'urn:ietf:params:xml:ns:yang:ietf-hardware', 'sys': 'urn:ietf:params:xml:ns:yang:ietf-system',
      'if': 'urn:ietf:params:xml:ns:yang:ietf-interfaces', 'rt': 'urn:ietf:params:xml:ns:yang:ietf-routing'}
def connect():
    return manager.connect(host=host, port=port, username=user, password=password, hostkey_verify=False, allow_agent=False, look_for_keys=False, timeout=30)
out = {}
m = connect()
out['session'] = int(m.session_id)
out['candidate'] = ':candidate' in m.server_capabilities
out['confirmed'] = ':confirmed-commit' in m.server_capabilities
r = m.get(filter=('subtree', '<hardware xmlns="%s"><component><name>CTL-A</name></component></hardware>' % NS['hw']))
out['names'] = [e.text for e in r.data_ele.findall('.//hw:name', NS)]
out['standby'] = [e.text for e in r.data_ele.findall('.//hw:standby-state', NS)]
r = m.get(filter=('subtree', '<routing xmlns="%s"><ribs/></routing>' % NS['rt']))
out['routes'] = len(r.data_ele.findall('.//rt:route', NS))
def hostname(text):
    return '<config xmlns="%s"><system xmlns="%s"><hostname>%s</hostname></system></config>' % (NS['b'], NS['sys'], text)
def named(m):
    return m.get_config(source='running', filter=('subtree', '<system xmlns="%s"><hostname/></system>' % NS['sys'])).data_ele.findtext('.//sys:hostname', namespaces=NS)
out['before'] = named(m)
def refused(f):
    try:
        f()
        return None
    except RPCError as e:
        return e.tag
with m.locked('candidate'):
    other = connect()
    out['second_lock'] = refused(lambda: other.lock('candidate'))
    m.edit_config(target='candidate', config=hostname('lock-three'), default_operation='merge')
    m.validate('candidate')
    out['uncommitted'] = named(m)
    m.commit(confirmed=True, timeout='300', persist='peer-1')
    out['committed'] = named(m)
    out['foreign_confirm'] = refused(lambda: other.commit(persist_id='somebody'))
    m.cancel_commit(persist_id='peer-1')
    out['cancelled'] = named(m)
    m.edit_config(target='candidate', config=hostname('lock-four'), default_operation='merge')
    m.commit(confirmed=True, timeout='300', persist='peer-2')
    m.commit(persist_id='peer-2')
    out['confirmed_name'] = named(m)
    m.edit_config(target='candidate', config='<config xmlns="%s"><system xmlns="%s"><hostname xmlns:nc="%s" nc:operation="delete"/></system></config>' % (NS['b'], NS['sys'], NS['b']), default_operation='merge')
    m.commit()
    out['deleted'] = named(m)
    out['bad'] = refused(lambda: m.edit_config(target='candidate', config='<config xmlns="%s"><interfaces xmlns="%s"><interface><name>lag-1</name><enabled>perhaps</enabled></interface></interfaces></config>' % (NS['b'], NS['if'])))
    out['unknown'] = refused(lambda: m.edit_config(target='candidate', config='<config xmlns="%s"><weather xmlns="urn:x"/></config>' % NS['b']))
m.create_subscription()
with other.locked('candidate'):
    other.edit_config(target='candidate', config=hostname('lock-five'), default_operation='merge')
    other.commit()
n = m.take_notification(block=True, timeout=20)
out['notification'] = n.notification_xml if n is not None else None
victim = connect()
other.kill_session(victim.session_id)
other.close_session()
m.close_session()
print(json.dumps(out))
`

// TestSomebodyElsesClient lets ncclient, the NETCONF library of Debian, work on
// the lab's device: what our client and our server have in common by mistake,
// it does not share.
func TestSomebodyElsesClient(t *testing.T) {
	if out, err := exec.Command("python3", "-c", "import ncclient").CombinedOutput(); err != nil {
		t.Skipf("not checked against ncclient, which is not here: %s", bytes.TrimSpace(out))
	}
	for name, only10 := range map[string]bool{"base 1.1": false, "base 1.0": true} {
		t.Run(name, func(t *testing.T) {
			cfg := labConfig(true)
			cfg.Devices[0].NETCONF.Only10 = only10
			b := start(t, cfg, 1)
			addr, _ := b.chassis.NETCONFAddress()
			host, port, err := net.SplitHostPort(addr)
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(context.Background(), 90*time.Second)
			defer cancel()
			cmd := exec.CommandContext(ctx, "python3", "-W", "ignore", "-", host, port, lab.SSHUser, lab.SSHPassword)
			cmd.Stdin = strings.NewReader(script)
			var stderr bytes.Buffer
			cmd.Stderr = &stderr
			raw, err := cmd.Output()
			if err != nil {
				t.Fatalf("%v\n%s", err, stderr.String())
			}
			var got map[string]any
			if err := json.Unmarshal(raw, &got); err != nil {
				t.Fatalf("%v: %s", err, raw)
			}
			id := string(b.chassis.ID())
			for key, want := range map[string]any{
				"candidate": true, "confirmed": true, "routes": 250.0, "before": id, "uncommitted": id, "committed": "lock-three", "cancelled": id,
				"confirmed_name": "lock-four", "deleted": id, "second_lock": "lock-denied", "foreign_confirm": "in-use", "bad": "invalid-value", "unknown": "unknown-namespace",
			} {
				if got[key] != want {
					t.Errorf("%s is %v, want %v", key, got[key], want)
				}
			}
			if n, _ := got["names"].([]any); len(n) != 1 || n[0] != "CTL-A" {
				t.Errorf("components: %v", got["names"])
			}
			if n, _ := got["standby"].([]any); len(n) != 1 || n[0] != "providing-service" {
				t.Errorf("standby-state: %v", got["standby"])
			}
			if n, _ := got["notification"].(string); !strings.Contains(n, "eventTime") || !strings.Contains(n, "netconf-config-change") {
				t.Errorf("notification: %v", got["notification"])
			}
			unlocked(t, b)
		})
	}
}

// TestInterfacesAreValid has a validator check what the lab's device serves
// against the module as the IETF published it, which Debian's frr carries.
func TestInterfacesAreValid(t *testing.T) {
	const module, types = "/usr/share/yang/ietf-interfaces.yang", "/usr/share/doc/libyang2-tools/examples/iana-if-type.yang"
	lint, err := exec.LookPath("yanglint")
	for _, f := range []string{module, types} {
		if _, serr := os.Stat(f); serr != nil && err == nil {
			err = serr
		}
	}
	if err != nil {
		t.Skipf("not checked by yanglint: %v", err)
	}
	cfg := labConfig(true)
	cfg.Devices[0].NETCONF.Standard = true
	b := start(t, cfg, 1)
	s := session(t, b, netconf.Options{})
	data, err := s.Get(context.Background(), []*element.Node{parsed(t, `<interfaces xmlns="urn:ietf:params:xml:ns:yang:ietf-interfaces"/>`)})
	if err != nil {
		t.Fatal(err)
	}
	top := data.Kid("interfaces")
	if n := len(top.Kids); n < 10 {
		t.Fatalf("%d interfaces", n)
	}
	for _, i := range top.Kids { // of modules that are not here
		var kept []*element.Node
		for _, k := range i.Kids {
			if k.Space == top.Space {
				kept = append(kept, k)
			}
		}
		i.Kids = kept
	}
	check := func(text string) ([]byte, error) {
		name := filepath.Join(t.TempDir(), "data.xml")
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return exec.Command(lint, "-t", "data", "-F", "ietf-interfaces:if-mib,arbitrary-names,pre-provisioning", "-p", "/usr/share/yang/modules/libyang", module, types, name).CombinedOutput()
	}
	if out, err := check(top.String()); err != nil {
		t.Errorf("%v: %s", err, out)
	}
	// The check must be one: what is wrong has to be found.
	if out, err := check(strings.Replace(top.String(), "<oper-status>up<", "<oper-status>UP<", 1)); err == nil {
		t.Errorf("the validator takes anything: %s", out)
	}
}
