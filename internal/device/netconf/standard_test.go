package netconf_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/device/netconf"
	"towpath/internal/element"
)

// TestServerKeepsToTheStandard asks the lab's server what our own driver never
// asks and any other client may. Each row names the section that says what is
// answered; of error-info it lists the elements that must be there.
func TestServerKeepsToTheStandard(t *testing.T) {
	ctx := context.Background()
	const (
		host     = `<system xmlns="urn:ietf:params:xml:ns:yang:ietf-system"><hostname>mere-agg-9</hostname></system>`
		nc       = ` xmlns:nc="urn:ietf:params:xml:ns:netconf:base:1.0"`
		defaults = `<with-defaults xmlns="urn:ietf:params:xml:ns:yang:ietf-netconf-with-defaults">`
		running  = `<get-config><source><running/></source>`
	)
	change := func(options, config string) string {
		return `<edit-config><target><candidate/></target>` + options + `<config>` + config + `</config></edit-config>`
	}
	for _, c := range []struct {
		section, rpc, tag string
		info              []string
		holds             string
	}{
		{"RFC 6241 §8.6.4.1, a configuration in the request", `<validate><source><config>` + host + `</config></source></validate>`, "", nil, ""},
		{"RFC 6241 §8.6.4.1 and appendix A, unknown-element", `<validate><source><config><system xmlns="urn:ietf:params:xml:ns:yang:ietf-system"><weather/></system></config></source></validate>`,
			"unknown-element", []string{"bad-element"}, ""},
		{"RFC 6241 §8.6.5.1, test-only", change(`<test-option>test-only</test-option>`, host), "", nil, ""},
		{"RFC 6241 §7.2, test-option", change(`<test-option>perhaps</test-option>`, host), "invalid-value", nil, ""},
		{"RFC 6241 §7.2, error-option", change(`<error-option>shrug</error-option>`, host), "invalid-value", nil, ""},
		{"RFC 6241 §8.5, rollback-on-error", change(`<error-option>rollback-on-error</error-option>`, host), "", nil, ""},
		{"RFC 6241 §7.3, copy-config", `<copy-config><target><candidate/></target><source><running/></source></copy-config>`, "", nil, ""},
		{"RFC 6241 §7.3 and §8.2, without writable-running", `<copy-config><target><running/></target><source><candidate/></source></copy-config>`, "operation-not-supported", nil, ""},
		{"RFC 6241 appendix A, bad-attribute", change("", strings.Replace(host, "<hostname>", "<hostname"+nc+` nc:operation="paint">`, 1)),
			"bad-attribute", []string{"bad-attribute", "bad-element"}, ""},
		{"from memory, RFC 6243 §2.1.2, create where a default is", change("", strings.Replace(host, "<hostname>", "<hostname"+nc+` nc:operation="create">`, 1)), "data-exists", nil, ""},
		{"from memory, RFC 6243 §2.1.2, delete where a default is", change("", strings.Replace(host, "<hostname>", "<hostname"+nc+` nc:operation="delete">`, 1)), "", nil, ""},
		{"from memory, RFC 6243 §4.5.1, a mode that is listed", running + defaults + `report-all</with-defaults></get-config>`, "", nil, "hostname"},
		{"from memory, RFC 6243 §4.5.1, a mode that is not", running + defaults + `trim</with-defaults></get-config>`, "invalid-value", nil, ""},
		{"RFC 5277 §3.2.5.1, streams", `<get><filter type="subtree"><netconf xmlns="urn:ietf:params:xml:ns:netmod:notification"><streams/></netconf></filter></get>`, "", nil, "<name>NETCONF</name>"},
		{"RFC 5277 §2.1.1, a stop without a start", `<create-subscription xmlns="urn:ietf:params:xml:ns:netconf:notification:1.0"><stopTime>2027-01-01T00:00:00Z</stopTime></create-subscription>`,
			"missing-element", []string{"bad-element"}, ""},
	} {
		t.Run(c.section, func(t *testing.T) {
			s := session(t, labtest.Start(t, labtest.Config(true), 1), netconf.Options{})
			reply, err := s.Call(ctx, "ask", false, parsed(t, `<rpc xmlns="urn:ietf:params:xml:ns:netconf:base:1.0">`+c.rpc+`</rpc>`).Kids[0])
			var e *netconf.RPCError
			switch {
			case c.tag == "" && err != nil, c.tag != "" && !errors.As(err, &e):
				t.Fatalf("got %v, want %q", err, c.tag)
			case c.tag == "" && c.holds != "" && !strings.Contains(reply.String(), c.holds):
				t.Errorf("got %s, want %s in it", reply, c.holds)
			case c.tag == "" && c.holds == "" && reply.Kid("ok") == nil:
				t.Errorf("got %s, want ok", reply)
			case c.tag == "":
				return
			}
			if e.Tag != c.tag {
				t.Errorf("got %s, want %s", e.Tag, c.tag)
			}
			for _, want := range c.info {
				if !slices.ContainsFunc(e.Info, func(n *element.Node) bool { return n.Name == want }) {
					t.Errorf("error-info has no %s", want)
				}
			}
		})
	}
}

// TestPersistIDOfAnother confirms and cancels with an id that is not the one.
// Source: RFC 6241 appendix C, persist-id of commit and of cancel-commit.
func TestPersistIDOfAnother(t *testing.T) {
	ctx := context.Background()
	bench := labtest.Start(t, labtest.Config(true), 1)
	s, other := session(t, bench, netconf.Options{}), session(t, bench, netconf.Options{})
	edit(t, s, `<system xmlns="urn:ietf:params:xml:ns:yang:ietf-system"><hostname>mere-agg-9</hostname></system>`)
	if err := s.CommitConfirmed(ctx, time.Hour, "kept"); err != nil {
		t.Fatal(err)
	}
	for what, err := range map[string]error{"confirm": other.Confirm(ctx, "lost"), "cancel": other.CancelCommit(ctx, "lost")} {
		var e *netconf.RPCError
		if !errors.As(err, &e) || e.Tag != "invalid-value" {
			t.Errorf("%s with the id of another: %v, want invalid-value", what, err)
		}
	}
	if err := other.CancelCommit(ctx, "kept"); err != nil {
		t.Error(err)
	}
}
