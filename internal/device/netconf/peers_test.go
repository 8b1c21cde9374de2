package netconf_test

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/device/netconf"
	"towpath/internal/element"
	"towpath/internal/lab"
)

// TestThroughOpenSSH says every octet itself and has OpenSSH's client carry it:
// neither our framing nor our SSH library is in its way. Source: from memory, RFC 6242 §3.1
// (the subsystem), §4.1 and §4.2 (the framing), with the rpc of its example.
func TestThroughOpenSSH(t *testing.T) {
	ssh, err := exec.LookPath("ssh")
	if err != nil {
		t.Skipf("not checked by OpenSSH: %v", err)
	}
	b := labtest.Start(t, labtest.Config(true), 1)
	addr, hosts := b.Chassis.NETCONFAddress()
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for name, content := range map[string][]byte{"key": b.Lab.PKI().ClientKey, "known_hosts": hosts} {
		if err := os.WriteFile(filepath.Join(dir, name), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	const ns = `xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"`
	hello := func(version string) string {
		return `<?xml version="1.0" encoding="UTF-8"?><hello ` + ns + `><capabilities><capability>urn:ietf:params:netconf:base:` + version + `</capability></capabilities></hello>]]>]]>`
	}
	talk := func(said string) string {
		t.Helper()
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
		defer cancel()
		cmd := exec.CommandContext(ctx, ssh, "-F", "none", "-p", port, "-i", filepath.Join(dir, "key"), "-o", "IdentitiesOnly=yes", "-o", "BatchMode=yes",
			"-o", "StrictHostKeyChecking=yes", "-o", "UserKnownHostsFile="+filepath.Join(dir, "known_hosts"), "-s", lab.SSHUser+"@"+host, "netconf")
		cmd.Stdin = strings.NewReader(said)
		var stderr bytes.Buffer
		cmd.Stderr = &stderr
		out, err := cmd.Output()
		if len(out) == 0 {
			t.Fatalf("%v: %s", err, stderr.String())
		}
		return string(out) // the status is ssh's word on how the channel ended
	}
	const filter = `<get><filter type="subtree"><system-state xmlns="urn:ietf:params:xml:ns:yang:ietf-system"><platform/></system-state></filter></get>`
	get := `<rpc message-id="101" ` + ns + `>` + filter + `</rpc>`
	release := "<os-release>" + labtest.Config(true).Devices[0].Release + "</os-release>"

	chunked := fmt.Sprintf("\n#%d\n%s\n#%d\n%s\n##\n", 7, get[:7], len(get)-7, get[7:])
	chunked += "\n#4\n<rpc\n#18\n message-id=\"102\"\n\n#79\n     xmlns=\"urn:ietf:params:xml:ns:netconf:base:1.0\">\n  <close-session/>\n</rpc>\n##\n"
	first, rest, ok := strings.Cut(talk(hello("1.1")+chunked), "]]>]]>")
	if !ok || !strings.Contains(first, "<session-id>") || strings.Contains(rest, "]]>]]>") {
		t.Fatalf("hello %q, then %q", first, rest)
	}
	got, whole := twin(rest, netconf.Chunked)
	if !whole || len(got) != 2 || !strings.Contains(got[0], `message-id="101"`) || !strings.Contains(got[0], release) ||
		!strings.Contains(got[1], `message-id="102"`) || !strings.Contains(got[1], "<ok/>") {
		t.Errorf("base 1.1: got %q, whole %v", got, whole)
	}

	out := talk(hello("1.0") + get + "]]>]]>" + `<rpc message-id="102" ` + ns + `><close-session/></rpc>]]>]]>`)
	got, whole = twin(out, netconf.EndOfMessage)
	if !whole || len(got) != 3 || !strings.Contains(got[1], release) || !strings.Contains(got[2], "<ok/>") {
		t.Errorf("base 1.0: got %q, whole %v", got, whole)
	}

	// Source: from memory, RFC 6241 §4.3, the first example: a request without a message-id.
	out = talk(hello("1.0") + `<rpc ` + ns + `><get-config><source><running/></source></get-config></rpc>]]>]]>` + `<rpc message-id="2" ` + ns + `><close-session/></rpc>]]>]]>`)
	got, _ = twin(out, netconf.EndOfMessage)
	if len(got) != 3 || !strings.Contains(got[1], "<error-tag>missing-attribute</error-tag>") || !strings.Contains(got[1], "<bad-attribute>message-id</bad-attribute>") {
		t.Errorf("without a message-id: got %q", got)
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
	cfg := labtest.Config(true)
	cfg.Devices[0].NETCONF.Standard = true
	b := labtest.Start(t, cfg, 1)
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
