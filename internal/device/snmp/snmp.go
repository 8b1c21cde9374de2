// Package snmp reads a device over SNMP, for those that offer nothing better:
// what is built in, what its interfaces do, and which neighbours of BGP and
// OSPF it has. It changes nothing; every act is refused as one that it is not
// able to do.
//
// Read [Dial] first, then [Driver.Capture]. Version 3 with authentication and
// privacy is what to use; version 2c sends its community in clear, and an agent
// that does not know the community stays silent.
//
// Source: RFC 3411 to 3418 (SNMP), RFC 3826 and 7860 (its algorithms), RFC 6933
// (ENTITY-MIB), RFC 4268 (ENTITY-STATE-MIB), RFC 3433 (ENTITY-SENSOR-MIB), RFC
// 2863 (IF-MIB), RFC 4273 (BGP4-MIB), RFC 4750 (OSPF-MIB).
package snmp

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/gosnmp/gosnmp"

	"towpath/internal/device"
	"towpath/internal/state"
)

// Config says how a device is asked. Either Community or User with both secrets
// is required.
type Config struct {
	Device  string // name that captures carry; Address where empty
	Address string // host:port, UDP

	Community string // version 2c

	// Version 3, authPriv. Empty protocols are SHA-256 and AES-128; for the
	// names see [AuthProtocols] and [PrivProtocols].
	User         string
	AuthProtocol string
	AuthSecret   string
	PrivProtocol string
	PrivSecret   string
	Context      string

	// Timeout is how long one question waits for its answer, before it is asked
	// again twice; zero is three seconds.
	Timeout time.Duration
	Now     func() time.Time // nil: time.Now
}

const (
	defaultTimeout = 3 * time.Second
	retries        = 2
)

// AuthProtocols are the authentication protocols by name.
func AuthProtocols() map[string]gosnmp.SnmpV3AuthProtocol {
	return map[string]gosnmp.SnmpV3AuthProtocol{
		"MD5": gosnmp.MD5, "SHA-1": gosnmp.SHA, "SHA-224": gosnmp.SHA224, "SHA-256": gosnmp.SHA256, "SHA-384": gosnmp.SHA384, "SHA-512": gosnmp.SHA512,
	}
}

// PrivProtocols are the privacy protocols by name. Those that end in "-C"
// lengthen keys as most network elements do, the others as the drafts of the
// IETF did; no standard decides between them.
func PrivProtocols() map[string]gosnmp.SnmpV3PrivProtocol {
	return map[string]gosnmp.SnmpV3PrivProtocol{
		"DES": gosnmp.DES, "AES-128": gosnmp.AES, "AES-192": gosnmp.AES192, "AES-256": gosnmp.AES256, "AES-192-C": gosnmp.AES192C, "AES-256-C": gosnmp.AES256C,
	}
}

// Driver is a [device.Device] that only reads. It is safe for concurrent use.
type Driver struct {
	cfg  Config
	host string
	port uint16
	auth gosnmp.SnmpV3AuthProtocol
	priv gosnmp.SnmpV3PrivProtocol

	mu     sync.Mutex
	closed bool
	boot   time.Time // as told last; see steady
}

var _ device.Device = (*Driver)(nil)

// Dial makes a driver. It checks the configuration and asks nothing yet.
func Dial(ctx context.Context, cfg Config) (*Driver, error) {
	const op = "connect"
	if err := ctx.Err(); err != nil {
		return nil, ours(op, err)
	}
	if cfg.Device == "" {
		cfg.Device = cfg.Address
	}
	if cfg.Timeout == 0 {
		cfg.Timeout = defaultTimeout
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	d := &Driver{cfg: cfg, auth: gosnmp.SHA256, priv: gosnmp.AES}
	host, port, err := net.SplitHostPort(cfg.Address)
	if err != nil {
		return nil, ours(op, err)
	}
	n, err := strconv.ParseUint(port, 10, 16)
	if err != nil {
		return nil, ours(op, err)
	}
	d.host, d.port = host, uint16(n)
	switch {
	case (cfg.Community == "") == (cfg.User == ""):
		return nil, ours(op, errors.New("want either a community or a user"))
	case cfg.User == "":
		return d, nil
	case cfg.AuthSecret == "" || cfg.PrivSecret == "":
		return nil, ours(op, errors.New("a user needs both secrets"))
	case len(cfg.AuthSecret) < 8 || len(cfg.PrivSecret) < 8: // Source: RFC 3414 §11.2
		return nil, ours(op, errors.New("each secret needs at least 8 octets"))
	}
	var ok bool
	if cfg.AuthProtocol != "" {
		if d.auth, ok = AuthProtocols()[cfg.AuthProtocol]; !ok {
			return nil, ours(op, fmt.Errorf("found the authentication protocol %q, want one of %s", cfg.AuthProtocol, names(AuthProtocols())))
		}
	}
	if cfg.PrivProtocol != "" {
		if d.priv, ok = PrivProtocols()[cfg.PrivProtocol]; !ok {
			return nil, ours(op, fmt.Errorf("found the privacy protocol %q, want one of %s", cfg.PrivProtocol, names(PrivProtocols())))
		}
	}
	return d, nil
}

func names[V any](m map[string]V) string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

func ours(op string, err error) error { return &device.Fault{Kind: device.Ours, Op: op, Err: err} }

// Close ends the driver; later operations fail.
func (d *Driver) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.closed = true
	return nil
}

func (d *Driver) open(op string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return ours(op, errors.New("the driver is closed"))
	}
	return nil
}

// session is one conversation with the agent; each operation has its own.
type session struct {
	d   *Driver
	ctx context.Context
	op  string
	g   *gosnmp.GoSNMP
	// end releases it.
	end      func()
	answered bool // the agent has answered, so that the secrets are right
}

func (d *Driver) session(ctx context.Context, op string) (*session, error) {
	if err := d.open(op); err != nil {
		return nil, err
	}
	g := d.parameters(ctx, gosnmp.AuthPriv)
	s := &session{d: d, ctx: ctx, op: op, g: g}
	if err := ctx.Err(); err != nil {
		return nil, s.fault(err)
	}
	if err := g.Connect(); err != nil {
		return nil, s.fault(err)
	}
	stop := context.AfterFunc(ctx, func() { _ = g.Close() }) // what waits then fails
	s.end = func() {
		stop()
		_ = g.Close() // a socket of UDP, nothing to lose
	}
	return s, nil
}

// ask asks one question. Where an agent that has answered before understands no
// more, it may have restarted: its engine then counts from another start, or has
// another name, and is made out anew, once for each question. Source: RFC 3414
// §2.3 and §4.
func (s *session) ask(question func(*gosnmp.GoSNMP) (*gosnmp.SnmpPacket, error)) (*gosnmp.SnmpPacket, error) {
	r, err := question(s.g)
	if err != nil && s.answered && s.d.cfg.User != "" && s.ctx.Err() == nil {
		g := s.d.parameters(s.ctx, gosnmp.AuthPriv)
		if g.Connect() != nil {
			return r, err
		}
		before, stop := s.end, context.AfterFunc(s.ctx, func() { _ = g.Close() })
		s.end = func() {
			before()
			stop()
			_ = g.Close() // a socket of UDP, nothing to lose
		}
		s.g = g
		r, err = question(g)
	}
	s.answered = s.answered || err == nil
	return r, err
}

// parameters are those of a conversation; flags are those of version 3.
func (d *Driver) parameters(ctx context.Context, flags gosnmp.SnmpV3MsgFlags) *gosnmp.GoSNMP {
	g := &gosnmp.GoSNMP{
		Target: d.host, Port: d.port, Transport: "udp", Version: gosnmp.Version2c, Community: d.cfg.Community,
		Timeout: d.cfg.Timeout, Retries: retries, Context: ctx, MaxOids: gosnmp.MaxOids,
	}
	if d.cfg.User == "" {
		return g
	}
	g.Version, g.Community = gosnmp.Version3, ""
	g.SecurityModel, g.MsgFlags, g.ContextName = gosnmp.UserSecurityModel, flags, d.cfg.Context
	p := &gosnmp.UsmSecurityParameters{UserName: d.cfg.User, AuthenticationProtocol: gosnmp.NoAuth, PrivacyProtocol: gosnmp.NoPriv}
	if flags != gosnmp.NoAuthNoPriv {
		p.AuthenticationProtocol, p.AuthenticationPassphrase = d.auth, d.cfg.AuthSecret
	}
	if flags == gosnmp.AuthPriv {
		p.PrivacyProtocol, p.PrivacyPassphrase = d.priv, d.cfg.PrivSecret
	}
	g.SecurityParameters = p
	return g
}

// try asks for the time since the start at a lower level of security. Nothing
// secret goes out: the user's name is in clear at every level.
func (s *session) try(flags gosnmp.SnmpV3MsgFlags) error {
	g := s.d.parameters(s.ctx, flags)
	g.Retries = 1
	if err := g.Connect(); err != nil {
		return err
	}
	defer func() { _ = g.Close() }() // a socket of UDP, nothing to lose
	_, err := g.Get([]string{sysUpTime})
	return err
}

// silent says whether nothing at all came back.
func silent(err error) bool {
	var n net.Error
	return errors.Is(err, gosnmp.ErrMaxRetriesExceeded) || errors.As(err, &n)
}

// blame finds out which of the user's secrets is wrong: agents say so in
// reports that carry no authentication (RFC 3414 §3.2), which are not believed
// where it matters, and of a wrong privacy secret some say nothing.
func (s *session) blame(err error) error {
	who := s.d.cfg.User
	denied := func(text string) error {
		return &device.Fault{Kind: device.Denied, Op: s.op, Text: fmt.Sprintf(text, who)}
	}
	if e := s.try(gosnmp.NoAuthNoPriv); errors.Is(e, gosnmp.ErrUnknownUsername) {
		return denied("it does not know the user %q")
	} else if silent(e) {
		return nil
	}
	switch e := s.try(gosnmp.AuthNoPriv); {
	case e == nil:
		return denied("the privacy secret or protocol of the user %q is wrong")
	case !silent(e) && !silent(err):
		return denied("the authentication secret or protocol of the user %q is wrong")
	}
	return nil
}

// denials are the reports of version 3 about us.
// Source: RFC 3414 §3.2, usmStats.
var denials = []struct {
	err  error
	text string
}{
	{gosnmp.ErrUnknownUsername, "it does not know the user %q"},
	{gosnmp.ErrWrongDigest, "the authentication secret or protocol of the user %q is wrong"},
	{gosnmp.ErrDecryption, "the privacy secret or protocol of the user %q is wrong"},
	{gosnmp.ErrUnknownSecurityLevel, "it does not let the user %q in with authentication and privacy"},
	{gosnmp.ErrNotInTimeWindow, "its clock of version 3 (boots and time) does not agree with what it told, for the user %q"},
}

// fault is err as a failure of the operation.
func (s *session) fault(err error) error {
	if s.ctx.Err() != nil {
		return &device.Fault{Kind: device.OutcomeUnknown, Op: s.op, Err: context.Cause(s.ctx)}
	}
	var f *device.Fault
	if errors.As(err, &f) {
		return err
	}
	for _, d := range denials {
		if errors.Is(err, d.err) {
			return &device.Fault{Kind: device.Denied, Op: s.op, Text: fmt.Sprintf(d.text, s.d.cfg.User)}
		}
	}
	var dns *net.DNSError
	switch {
	case errors.Is(err, syscall.ECONNREFUSED):
		return &device.Fault{Kind: device.Unreachable, Op: s.op, Text: "nothing answers SNMP at " + s.d.cfg.Address + " (the host says that the port is closed)", Err: err}
	case errors.As(err, &dns):
		return &device.Fault{Kind: device.Unreachable, Op: s.op, Text: fmt.Sprintf("its name %q cannot be looked up", dns.Name), Err: err}
	}
	if s.d.cfg.User != "" {
		if f := s.blame(err); f != nil {
			return f
		}
	}
	text := fmt.Sprintf("no answer from %s after %d times %s: it is down, a filter is between, ", s.d.cfg.Address, retries+1, s.d.cfg.Timeout)
	if s.d.cfg.User == "" {
		text += "or it does not know the community (agents then stay silent)"
	} else {
		text += "or the privacy secret is wrong and it does not say so"
	}
	return &device.Fault{Kind: device.Unreachable, Op: s.op, Text: text, Err: err}
}

// row holds the values of one conceptual row by column.
type row map[int]gosnmp.SnmpPDU

// table is a conceptual table: rows by index, as the rest of the identifier.
type table map[string]row

// maxRows bounds what an agent can make us hold.
const maxRows = 1 << 17

// get reads scalars; what is not there is left out of the answer.
func (s *session) get(oids ...string) (map[string]gosnmp.SnmpPDU, error) {
	r, err := s.ask(func(g *gosnmp.GoSNMP) (*gosnmp.SnmpPacket, error) { return g.Get(oids) })
	if err != nil {
		return nil, s.fault(err)
	}
	if err := s.refused(r); err != nil {
		return nil, err
	}
	out := map[string]gosnmp.SnmpPDU{}
	for _, v := range r.Variables {
		if there(v) {
			out[v.Name] = v
		}
	}
	return out, nil
}

func there(v gosnmp.SnmpPDU) bool {
	return v.Type != gosnmp.NoSuchObject && v.Type != gosnmp.NoSuchInstance && v.Type != gosnmp.EndOfMibView && v.Type != gosnmp.Null
}

// refused is the agent's error status. Source: RFC 3416 §3.
func (s *session) refused(r *gosnmp.SnmpPacket) error {
	switch r.Error {
	case gosnmp.NoError, gosnmp.NoSuchName:
		return nil
	case gosnmp.AuthorizationError, gosnmp.NoAccess:
		return &device.Fault{Kind: device.Denied, Op: s.op, Text: "its access control refuses the question"}
	default:
	}
	return &device.Fault{Kind: device.Refused, Op: s.op, Text: "it answers with the error status " + r.Error.String()}
}

// walk reads columns of a table, all of them with each question.
// Source: RFC 3416 §4.2.3, GetBulkRequest.
func (s *session) walk(entry string, columns ...int) (table, error) {
	out := table{}
	type cursor struct {
		column      int
		base, after string
	}
	var open []cursor
	for _, c := range columns {
		base := entry + "." + strconv.Itoa(c)
		open = append(open, cursor{c, base, base})
	}
	room := 60 // variables in one answer; smaller where the agent says that they are too many
	for len(open) > 0 {
		// Many columns are asked in several questions.
		n := min(len(open), 20)
		oids := make([]string, n)
		for i := range n {
			oids[i] = open[i].after
		}
		r, err := s.ask(func(g *gosnmp.GoSNMP) (*gosnmp.SnmpPacket, error) {
			return g.GetBulk(oids, 0, uint32(max(room/n, 1)))
		})
		if err != nil {
			return nil, s.fault(err)
		}
		if r.Error == gosnmp.TooBig && room > 1 {
			room /= 2
			continue
		}
		if err := s.refused(r); err != nil {
			return nil, err
		}
		if len(r.Variables) == 0 {
			return nil, &device.Fault{Kind: device.Refused, Op: s.op, Text: "it answers a question with nothing"}
		}
		done := make([]bool, n)
		for i, v := range r.Variables {
			c := &open[i%n]
			if done[i%n] {
				continue
			}
			index, inside := strings.CutPrefix(v.Name, c.base+".")
			if !inside || !there(v) {
				done[i%n] = true
				continue
			}
			if c.after != c.base && !later(v.Name, c.after) {
				return nil, &device.Fault{Kind: device.Refused, Op: s.op, Text: fmt.Sprintf("its answers go round in circles: %s after %s", v.Name, c.after)}
			}
			c.after = v.Name
			if out[index] == nil {
				if len(out) >= maxRows {
					return nil, &device.Fault{Kind: device.Refused, Op: s.op, Text: fmt.Sprintf("the table %s has more than %d rows", entry, maxRows)}
				}
				out[index] = row{}
			}
			out[index][c.column] = v
		}
		var rest []cursor
		for i, c := range open {
			if i >= n || !done[i] {
				rest = append(rest, c)
			}
		}
		open = rest
	}
	return out, nil
}

// later says whether the identifier a comes after b.
func later(a, b string) bool { return slices.Compare(arcs(a), arcs(b)) > 0 }

func arcs(oid string) []uint64 {
	var out []uint64
	for _, s := range strings.Split(strings.Trim(oid, "."), ".") {
		n, err := strconv.ParseUint(s, 10, 32)
		if err != nil {
			return out
		}
		out = append(out, n)
	}
	return out
}

// indices are the indices of a table in the order of the agent.
func (t table) indices() []string {
	var out []string
	for i := range t {
		out = append(out, i)
	}
	slices.SortFunc(out, func(a, b string) int { return slices.Compare(arcs(a), arcs(b)) })
	return out
}

// text is a value as text, unknown where there is none or it is empty.
func (r row) text(column int) state.Opt[string] {
	v, ok := r[column]
	if !ok {
		return state.Opt[string]{}
	}
	return text(v)
}

func text(v gosnmp.SnmpPDU) state.Opt[string] {
	b, ok := v.Value.([]byte)
	if !ok {
		return state.Opt[string]{}
	}
	s := strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(string(b), "�")))
	if s == "" {
		return state.Opt[string]{}
	}
	return state.Some(s)
}

// number is a value as a whole number.
func (r row) number(column int) (uint64, bool) {
	v, ok := r[column]
	if !ok {
		return 0, false
	}
	return number(v)
}

func number(v gosnmp.SnmpPDU) (uint64, bool) {
	n := gosnmp.ToBigInt(v.Value)
	switch v.Type {
	case gosnmp.Integer, gosnmp.Counter32, gosnmp.Counter64, gosnmp.Gauge32, gosnmp.TimeTicks, gosnmp.Uinteger32:
		return n.Uint64(), n.IsUint64()
	default:
		return 0, false
	}
}

func (r row) count(column int) state.Opt[uint64] {
	if n, ok := r.number(column); ok {
		return state.Some(n)
	}
	return state.Opt[uint64]{}
}

// signed is a value as a whole number that may be below zero.
func (r row) signed(column int) (int64, bool) {
	v, ok := r[column]
	if !ok || v.Type != gosnmp.Integer {
		return 0, false
	}
	n := gosnmp.ToBigInt(v.Value)
	return n.Int64(), n.IsInt64()
}

// word is an enumerated value by its words; unknown for others.
func (r row) word(column int, words ...string) state.Opt[string] {
	n, ok := r.number(column)
	if !ok || n == 0 || n > uint64(len(words)) || words[n-1] == "" {
		return state.Opt[string]{}
	}
	return state.Some(words[n-1])
}

// seconds is a value in seconds.
func (r row) seconds(column int) state.Opt[time.Duration] {
	n, ok := r.number(column)
	if !ok || n > math.MaxInt32 {
		return state.Opt[time.Duration]{}
	}
	return state.Some(time.Duration(n) * time.Second)
}

// unable is the answer to every act.
func (d *Driver) unable(op string) error {
	if err := d.open(op); err != nil {
		return err
	}
	return &device.Fault{Kind: device.Unable, Op: op, Text: "SNMP is used for reading only"}
}

// Verify cannot tell an installation from what SNMP says.
func (d *Driver) Verify(context.Context) (device.Verification, error) {
	return device.Verification{}, d.unable("verify")
}

// Install is not possible over SNMP.
func (d *Driver) Install(context.Context, device.InstallRequest, func(device.Progress)) (device.Installed, error) {
	return device.Installed{}, d.unable("install")
}

// Activate is not possible over SNMP.
func (d *Driver) Activate(context.Context, device.ActivateRequest) error {
	return d.unable("activate")
}

// SwitchOver is not possible over SNMP.
func (d *Driver) SwitchOver(context.Context, string) (device.Switchover, error) {
	return device.Switchover{}, d.unable("switch over")
}

// Restart is not possible over SNMP.
func (d *Driver) Restart(context.Context, string, string) error { return d.unable("restart") }

// PutComponentImage is not possible over SNMP.
func (d *Driver) PutComponentImage(context.Context, device.ComponentImageRequest, func(device.Progress)) error {
	return d.unable("put")
}

// RemoveFile is not possible over SNMP.
func (d *Driver) RemoveFile(context.Context, string, string) error { return d.unable("remove") }

// HashFile is not possible over SNMP.
func (d *Driver) HashFile(context.Context, string, string) (string, error) {
	return "", d.unable("hash")
}

// Watch is not possible: notifications may be lost, and nobody repeats them.
func (d *Driver) Watch(context.Context, func(device.Event)) error { return d.unable("watch") }

// Settings cannot be read over SNMP.
func (d *Driver) Settings(context.Context, []state.Setting) ([]state.Setting, error) {
	return nil, d.unable("settings")
}

// Adjust is not possible over SNMP.
func (d *Driver) Adjust(context.Context, []state.Setting) error { return d.unable("adjust") }
