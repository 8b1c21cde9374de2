package netconf_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"towpath/internal/device"
	"towpath/internal/device/netconf"
	"towpath/internal/element"
)

const hello11 = `<hello xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"><capabilities>` +
	`<capability>urn:ietf:params:netconf:base:1.1</capability><capability>urn:ietf:params:netconf:capability:startup:1.0</capability>` +
	`<capability>http://example.net/router/2.3/myfeature?module=mine&amp;revision=2026-01-02</capability></capabilities><session-id>4</session-id></hello>`

// peer is the other end of a session, which says what a test tells it to.
type peer struct {
	t    *testing.T
	conn net.Conn
	in   *netconf.Reader
	out  *netconf.Writer
}

// told reads one message of the client.
func (p *peer) told() *element.Node {
	p.t.Helper()
	if err := p.in.Next(); err != nil {
		p.t.Fatal(err)
	}
	n, err := element.Parse(p.in)
	if err != nil {
		p.t.Fatal(err)
	}
	return n
}

func (p *peer) say(s string) {
	p.t.Helper()
	if err := p.out.Write([]byte(s)); err != nil {
		p.t.Fatal(err)
	}
}

// answer reads a request and answers it with the contents of an rpc-reply.
func (p *peer) answer(contents string) *element.Node {
	p.t.Helper()
	n := p.told()
	id, _ := n.Attr("", "message-id")
	p.say(`<rpc-reply message-id="` + id + `" xmlns="urn:ietf:params:xml:ns:netconf:base:1.0">` + contents + `</rpc-reply>`)
	return n
}

// against opens a session with a peer that says hello; then runs in its own
// goroutine.
func against(t *testing.T, hello string, o netconf.Options, then func(p *peer)) (*netconf.Session, error) {
	t.Helper()
	here, there := net.Pipe()
	done := make(chan struct{})
	t.Cleanup(func() {
		_ = here.Close()
		_ = there.Close()
		<-done
	})
	go func() {
		defer close(done)
		p := &peer{t, there, netconf.NewReader(there), netconf.NewWriter(there)}
		sent := make(chan struct{})
		go func() {
			defer close(sent)
			_ = p.out.Write([]byte(hello)) // the client may have given up
		}()
		if p.in.Next() != nil {
			return
		}
		if _, err := element.Parse(p.in); err != nil {
			return
		}
		<-sent
		if !o.Only10 && strings.Contains(hello, "netconf:base:1.1") {
			p.in.Use(netconf.Chunked)
			p.out.Use(netconf.Chunked)
		}
		if then != nil {
			then(p)
		}
	}()
	return netconf.Open(context.Background(), here, o)
}

func TestHello(t *testing.T) {
	// Source: from memory, RFC 6241 §8.1, the example of a server's hello, shortened.
	s, err := against(t, hello11, netconf.Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	name, rev := s.Capabilities().ModuleBy("http://example.net/router/2.3/myfeature")
	if s.ID() != 4 || !s.Capabilities().Has(netconf.CapStartup) || name != "mine" || rev != "2026-01-02" {
		t.Errorf("session %d, capabilities %v", s.ID(), s.Capabilities())
	}
	for what, hello := range map[string]string{
		"no session-id": strings.Replace(hello11, "<session-id>4</session-id>", "", 1), // RFC 6241 §8.1
		"session-id 0":  strings.Replace(hello11, ">4<", ">0<", 1),
		"no base":       strings.Replace(hello11, "base:1.1<", "base:9.9<", 1),
		"not a hello":   `<rpc-reply xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"/>`,
		"no namespace":  `<hello><session-id>4</session-id></hello>`,
	} {
		if _, err := against(t, hello, netconf.Options{}, nil); device.KindOf(err) != device.Unable {
			t.Errorf("%s: got %v, want a fault of kind %s", what, err, device.Unable)
		}
	}
	if _, err := against(t, hello11, netconf.Options{Only10: true}, nil); device.KindOf(err) != device.Unable {
		t.Errorf("1.0 alone against 1.1 alone: got %v", err)
	}
}

// TestErrorsOfTheStandard reads the standard's own examples of errors.
func TestErrorsOfTheStandard(t *testing.T) {
	for _, c := range []struct {
		name, reply string
		kind        device.Kind
		want        netconf.RPCError
		mentions    string
	}{
		// Source: from memory, RFC 6241 §7.5, the example of a lock that is held.
		{"lock denied", `<rpc-error><error-type>protocol</error-type><error-tag>lock-denied</error-tag><error-severity>error</error-severity>` +
			`<error-message>Lock failed, lock is already held</error-message><error-info><session-id>454</session-id></error-info></rpc-error>`,
			device.Busy, netconf.RPCError{Type: "protocol", Tag: "lock-denied", Severity: "error", Message: "Lock failed, lock is already held"}, "session-id 454"},
		// Source: from memory, RFC 6241 §4.3, the second example, with two errors.
		{"two errors", `<rpc-error><error-type>application</error-type><error-tag>invalid-value</error-tag><error-severity>error</error-severity>` +
			`<error-path xmlns:t="http://example.com/schema/1.2/config"> /t:top/t:interface[t:name="Ethernet0/0"]/t:mtu </error-path>` +
			`<error-message xml:lang="en"> MTU value 25000 is not within range 256..9192 </error-message></rpc-error>` +
			`<rpc-error><error-type>application</error-type><error-tag>invalid-value</error-tag><error-severity>error</error-severity>` +
			`<error-path xmlns:t="http://example.com/schema/1.2/config"> /t:top/t:interface[t:name="Ethernet1/0"]/t:address/t:name </error-path>` +
			`<error-message xml:lang="en"> Invalid IP address for interface Ethernet1/0 </error-message></rpc-error>`,
			device.Refused, netconf.RPCError{Type: "application", Tag: "invalid-value", Severity: "error", Path: `/t:top/t:interface[t:name="Ethernet0/0"]/t:mtu`,
				Message: "MTU value 25000 is not within range 256..9192"}, "Invalid IP address for interface Ethernet1/0"},
		{"a tag that nobody knows", `<rpc-error><error-type>application</error-type><error-tag>weather</error-tag><error-severity>error</error-severity></rpc-error>`,
			device.Refused, netconf.RPCError{Type: "application", Tag: "weather", Severity: "error"}, "weather"},
	} {
		s, err := against(t, hello11, netconf.Options{}, func(p *peer) { p.answer(c.reply) })
		if err != nil {
			t.Fatal(err)
		}
		err = s.Lock(context.Background(), netconf.Running)
		var e *netconf.RPCError
		if !errors.As(err, &e) || device.KindOf(err) != c.kind {
			t.Errorf("%s: got %v, want kind %s", c.name, err, c.kind)
			continue
		}
		got := *e
		got.Info = nil
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, d)
		}
		if !strings.Contains(err.Error(), c.mentions) {
			t.Errorf("%s: %q does not mention %q", c.name, err, c.mentions)
		}
	}
	// Source: from memory, RFC 6241 §4.3: a warning is no failure.
	s, err := against(t, hello11, netconf.Options{}, func(p *peer) {
		p.answer(`<ok/><rpc-error><error-type>application</error-type><error-tag>operation-failed</error-tag><error-severity>warning</error-severity></rpc-error>`)
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Commit(context.Background()); err != nil {
		t.Errorf("a warning: got %v, want none", err)
	}
}

// same compares elements, whatever their prefixes.
func same(a, b *element.Node) bool {
	if a.Space != b.Space || a.Name != b.Name || a.Text != b.Text || !cmp.Equal(a.Attrs, b.Attrs) || len(a.Kids) != len(b.Kids) {
		return false
	}
	for i := range a.Kids {
		if !same(a.Kids[i], b.Kids[i]) {
			return false
		}
	}
	return true
}

// TestRequests compares requests with the standard's examples of them.
func TestRequests(t *testing.T) {
	ctx := context.Background()
	top := []*element.Node{element.New("http://example.com/schema/1.2/config", "top", element.New("http://example.com/schema/1.2/config", "users"))}
	for _, c := range []struct {
		name string
		call func(s *netconf.Session) error
		want string
	}{
		// Source: from memory, RFC 6241 §7.1, §7.2, §7.5, §7.9, §8.3.4, §8.4.1, §8.4.4.1, §8.6.4.1; RFC 5277 §2.1.1.
		{"get-config", func(s *netconf.Session) error { _, err := s.GetConfig(ctx, netconf.Running, top); return err },
			`<get-config><source><running/></source><filter type="subtree"><top xmlns="http://example.com/schema/1.2/config"><users/></top></filter></get-config>`},
		{"edit-config", func(s *netconf.Session) error {
			return s.EditConfig(ctx, netconf.Running, []*element.Node{netconf.Replace.Mark(element.New("http://example.com/schema/1.2/config", "top"))}, netconf.EditOptions{Default: netconf.None, AllOrNothing: true})
		}, `<edit-config><target><running/></target><default-operation>none</default-operation><error-option>rollback-on-error</error-option>` +
			`<config><top xmlns="http://example.com/schema/1.2/config" xmlns:xc="urn:ietf:params:xml:ns:netconf:base:1.0" xc:operation="replace"/></config></edit-config>`},
		{"lock", func(s *netconf.Session) error { return s.Lock(ctx, netconf.Candidate) }, `<lock><target><candidate/></target></lock>`},
		{"kill-session", func(s *netconf.Session) error { return s.Kill(ctx, 4) }, `<kill-session><session-id>4</session-id></kill-session>`},
		{"confirmed commit", func(s *netconf.Session) error { return s.CommitConfirmed(ctx, 119500e6, "IQ,d4668") },
			`<commit><confirmed/><confirm-timeout>120</confirm-timeout><persist>IQ,d4668</persist></commit>`},
		{"confirming commit", func(s *netconf.Session) error { return s.Confirm(ctx, "IQ,d4668") }, `<commit><persist-id>IQ,d4668</persist-id></commit>`},
		{"cancel-commit", func(s *netconf.Session) error { return s.CancelCommit(ctx, "IQ,d4668") }, `<cancel-commit><persist-id>IQ,d4668</persist-id></cancel-commit>`},
		{"validate", func(s *netconf.Session) error { return s.Validate(ctx, netconf.Candidate) }, `<validate><source><candidate/></source></validate>`},
		{"discard-changes", func(s *netconf.Session) error { return s.Discard(ctx) }, `<discard-changes/>`},
		{"create-subscription", func(s *netconf.Session) error { return s.Subscribe(ctx, "", nil, func(*element.Node) {}) },
			`<create-subscription xmlns="urn:ietf:params:xml:ns:netconf:notification:1.0"/>`},
	} {
		asked := make(chan *element.Node, 1)
		s, err := against(t, hello11, netconf.Options{}, func(p *peer) { asked <- p.answer(`<ok/><data/>`) })
		if err != nil {
			t.Fatal(err)
		}
		if err := c.call(s); err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		got := <-asked
		want := parsed(t, `<rpc message-id="1" xmlns="urn:ietf:params:xml:ns:netconf:base:1.0">`+c.want+`</rpc>`)
		if !same(got, want) {
			t.Errorf("%s:\ngot  %s\nwant %s", c.name, got, want)
		}
	}
}

// TestRepliesInAnyOrder asks two things at once and is answered the other way
// round: each reply must reach who asked. Source: from memory, RFC 6241 §4.1, message-id.
func TestRepliesInAnyOrder(t *testing.T) {
	s, err := against(t, hello11, netconf.Options{}, func(p *peer) {
		var all []*element.Node
		for range 2 {
			all = append(all, p.told())
		}
		for _, n := range []*element.Node{all[1], all[0]} {
			id, _ := n.Attr("", "message-id")
			what := n.At("get", "filter").Kids[0].Name
			p.say(`<rpc-reply message-id="` + id + `" xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"><data><` + what + ` xmlns="urn:x"/></data></rpc-reply>`)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	errs := make(chan error, 2)
	for _, what := range []string{"one", "other"} {
		go func() {
			d, err := s.Get(context.Background(), []*element.Node{element.New("urn:x", what)})
			if err == nil && d.Kid(what) == nil {
				err = fmt.Errorf("asked for %s, got %s", what, d)
			}
			errs <- err
		}()
	}
	for range 2 {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
}

// TestSessionThatEnds drops the session at every place of a request's life.
func TestSessionThatEnds(t *testing.T) {
	ctx := context.Background()
	begin := func(then func(p *peer)) *netconf.Session {
		t.Helper()
		s, err := against(t, hello11, netconf.Options{}, then)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	drop := func(p *peer) {
		p.told()
		_ = p.conn.Close()
	}
	if err := begin(drop).Commit(ctx); device.KindOf(err) != device.OutcomeUnknown {
		t.Errorf("an act whose answer is lost: %v, want %s", err, device.OutcomeUnknown)
	}
	if _, err := begin(drop).Get(ctx, nil); device.KindOf(err) != device.Unreachable {
		t.Errorf("a question whose answer is lost: %v, want %s", err, device.Unreachable)
	}
	half := begin(func(p *peer) {
		p.told()
		_, _ = io.WriteString(p.conn, "\n#400\n<rpc-reply message-id=\"1\"")
		_ = p.conn.Close()
	})
	if err := half.Commit(ctx); device.KindOf(err) != device.OutcomeUnknown || !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("half an answer: %v, want %s", err, device.OutcomeUnknown)
	}
	gone := begin(func(p *peer) { _ = p.conn.Close() })
	<-gone.Done()
	if err := gone.Commit(ctx); device.KindOf(err) != device.Unreachable {
		t.Errorf("an act after the end, of which nothing was sent: %v, want %s", err, device.Unreachable)
	}
	for what, reply := range map[string]string{
		"a reply to nobody":         `<rpc-reply message-id="77" xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"><ok/></rpc-reply>`,
		"a message of another kind": `<weather xmlns="urn:x"/>`,
		"what is no XML":            `<rpc-reply`,
		// Source: from memory, RFC 6241 §4.3, the first example: no message-id came across.
		"a request that was not understood": `<rpc-reply xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"><rpc-error><error-type>rpc</error-type><error-tag>missing-attribute</error-tag>` +
			`<error-severity>error</error-severity><error-info><bad-attribute>message-id</bad-attribute><bad-element>rpc</bad-element></error-info></rpc-error></rpc-reply>`,
	} {
		s := begin(func(p *peer) {
			p.told()
			p.say(reply)
		})
		if err := s.Commit(ctx); device.KindOf(err) != device.OutcomeUnknown {
			t.Errorf("%s: %v, want %s", what, err, device.OutcomeUnknown)
		}
	}
}

// TestGivingUp ends a question's context: the session goes on, and the late
// reply is nobody's.
func TestGivingUp(t *testing.T) {
	asked := make(chan string)
	s, err := against(t, hello11, netconf.Options{}, func(p *peer) {
		id, _ := p.told().Attr("", "message-id")
		asked <- id
		n := p.told()
		p.say(`<rpc-reply message-id="` + id + `" xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"><ok/></rpc-reply>`)
		id, _ = n.Attr("", "message-id")
		p.say(`<rpc-reply message-id="` + id + `" xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"><ok/></rpc-reply>`)
	})
	if err != nil {
		t.Fatal(err)
	}
	enough := errors.New("the operator has enough")
	ctx, cancel := context.WithCancelCause(context.Background())
	go func() {
		<-asked
		cancel(enough)
	}()
	if err := s.Commit(ctx); device.KindOf(err) != device.OutcomeUnknown || !errors.Is(err, enough) {
		t.Errorf("got %v", err)
	}
	if err := s.Commit(context.Background()); err != nil {
		t.Errorf("after that: %v", err)
	}
}

// large is a reply of about n octets with routes.
func large(n int) []byte {
	var b bytes.Buffer
	b.WriteString(`<rpc-reply message-id="1" xmlns="urn:ietf:params:xml:ns:netconf:base:1.0"><data><routing xmlns="urn:ietf:params:xml:ns:yang:ietf-routing"><ribs><rib><name>r</name><routes>`)
	for i := 0; b.Len() < n; i++ {
		fmt.Fprintf(&b, `<route><route-preference>20</route-preference><next-hop><next-hop-address xmlns="urn:ietf:params:xml:ns:yang:ietf-ipv4-unicast-routing">192.0.2.1</next-hop-address></next-hop>`+
			`<source-protocol xmlns:o="urn:ietf:params:xml:ns:yang:ietf-ospf">o:ospfv2</source-protocol><active/><destination-prefix xmlns="urn:ietf:params:xml:ns:yang:ietf-ipv4-unicast-routing">10.%d.%d.0/24</destination-prefix></route>`, i/256%256, i%256)
	}
	b.WriteString(`</routes></rib></ribs></routing></data></rpc-reply>`)
	return b.Bytes()
}

// BenchmarkLargeReply parses a reply of 2 MB out of its chunks.
func BenchmarkLargeReply(b *testing.B) {
	var stream bytes.Buffer
	w := netconf.NewWriter(&stream)
	w.Use(netconf.Chunked)
	if err := w.Write(large(2e6)); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(stream.Len()))
	for b.Loop() {
		r := netconf.NewReader(bytes.NewReader(stream.Bytes()))
		r.Use(netconf.Chunked)
		if err := r.Next(); err != nil {
			b.Fatal(err)
		}
		n, err := element.Parse(r)
		if err != nil || len(n.At("data", "routing", "ribs", "rib", "routes").Kids) < 4000 {
			b.Fatal(err)
		}
	}
}

func TestMessageThatIsTooLarge(t *testing.T) {
	s, err := against(t, hello11, netconf.Options{Largest: 100000}, func(p *peer) {
		p.told()
		_ = p.out.Write(large(200000)) // the client ends the session in the middle
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Get(context.Background(), nil); device.KindOf(err) != device.Unreachable || !strings.Contains(err.Error(), "100000 octets") {
		t.Errorf("got %v", err)
	}
}
