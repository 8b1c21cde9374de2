//nolint:misspell // the words of the OpenConfig models
package netconf

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/element"
	"towpath/internal/state"
)

// prefixes stand for namespaces in the paths of this file.
var prefixes = map[string]string{
	"if": nsInterfaces, "ip": nsIP, "rt": nsRouting, "ospf": nsOSPF, "isis": nsISIS, "bfd-types": nsBFDTypes, "bfd": nsBFD, "sh": nsBFDSingle,
	"mh": nsBFDMulti, "vrrp": nsVRRP, "oc": ocInstance, "ocp": ocPolicy, "lacp": ocLACP, "facts": nsFacts,
}

// way is where a module keeps one parameter of one protocol. In its path, a key
// without a value is any, one in braces is what the setting says (any where it
// says nothing), and one with a prefix is an identity.
type way struct {
	protocol  string
	parameter state.Parameter
	module    string // namespace of the module that must be served
	path      string
	form      valueForm
	// level is set where the leaf is of one level of IS-IS: it belongs to
	// interfaces of that level, or of both.
	level string
	// wide is set where no interface tells what is meant.
	wide bool
	// group is set where the entry is an aggregate, which is known by its name
	// or by the interface of a member.
	group bool
}

// valueForm is how a device writes a parameter's value.
type valueForm int

const (
	inMicros valueForm = iota
	inSeconds
	inCentis
	asNumber
	asYesNo
	asNoYes    // the leaf says the contrary
	asPresence // an empty container that is there or not
	asRateWord
)

const (
	controlPlane  = "rt:routing/control-plane-protocols/control-plane-protocol"
	ospfProcess   = controlPlane + "[type=ospf:ospfv2][name]/ospf:ospf"
	ospfInterface = ospfProcess + "/areas/area[area-id]/interfaces/interface[name={interface}]"
	isisProcess   = controlPlane + "[type=isis:isis][name]/isis:isis"
	isisInterface = isisProcess + "/interfaces/interface[name={interface}]"
	bfdSingle     = controlPlane + "[type=bfd-types:bfdv1][name]/bfd:bfd/sh:ip-sh/sessions/session[interface={interface}][dest-addr={neighbour}]"
	bfdMulti      = controlPlane + "[type=bfd-types:bfdv1][name]/bfd:bfd/mh:ip-mh/session-groups/session-group[source-addr][dest-addr={neighbour}]"
	vrrpGroup     = "if:interfaces/interface[name={interface}]/ip:ipv4/vrrp:vrrp/vrrp-instance[vrid={instance}]"
	ocNeighbour   = "oc:network-instances/network-instance[name={instance}]/protocols/protocol[identifier=ocp:BGP][name]/bgp/neighbors/neighbor[neighbor-address={neighbour}]"
)

// ways are the parameters that can be set. Source: RFC 9314, RFC 9129, RFC 9130,
// RFC 8347; OpenConfig network-instance and lacp for what the IETF has no module
// for, and a fact of our own for BGP's graceful shutdown, which none has.
func ways() []way {
	out := []way{
		{protocol: state.OSPFv2, parameter: state.ParamHelloInterval, module: nsOSPF, path: ospfInterface + "/hello-interval", form: inSeconds},
		{protocol: state.OSPFv2, parameter: state.ParamDeadInterval, module: nsOSPF, path: ospfInterface + "/dead-interval", form: inSeconds},
		{protocol: state.OSPFv2, parameter: state.ParamMetric, module: nsOSPF, path: ospfInterface + "/cost", form: asNumber},
		{protocol: state.OSPFv2, parameter: state.ParamOverload, module: nsOSPF, path: ospfProcess + "/stub-router/always", form: asPresence},
		{protocol: state.OSPFv2, parameter: state.ParamGracePeriod, module: nsOSPF, path: ospfProcess + "/graceful-restart/restart-interval", form: inSeconds},
		{protocol: state.ISIS, parameter: state.ParamOverload, module: nsISIS, path: isisProcess + "/overload/status", form: asYesNo},
		{protocol: state.VRRP, parameter: state.ParamPriority, module: nsVRRP, path: vrrpGroup + "/priority", form: asNumber},
		{protocol: state.VRRP, parameter: state.ParamAdvertise, module: nsVRRP, path: vrrpGroup + "/advertise-interval-centi-sec", form: inCentis},
		{protocol: state.LACP, parameter: state.ParamPeriod, module: ocLACP, path: "lacp:lacp/interfaces/interface[name={group}]/config/interval", form: asRateWord, group: true},
		{protocol: state.BGP, parameter: state.ParamHoldTime, module: ocInstance, path: ocNeighbour + "/timers/config/hold-time", form: inSeconds},
		{protocol: state.BGP, parameter: state.ParamGracefulShutdown, module: nsFacts, path: "facts:facts/bgp[neighbour={neighbour}]/graceful-shutdown", form: asYesNo},
	}
	for _, x := range []struct {
		p    state.Parameter
		leaf string
		form valueForm
	}{
		{state.ParamTransmit, "desired-min-tx-interval", inMicros}, {state.ParamReceive, "required-min-rx-interval", inMicros},
		{state.ParamDetectMult, "local-multiplier", asNumber}, {state.ParamEnabled, "admin-down", asNoYes},
	} {
		out = append(out, way{protocol: state.BFD, parameter: x.p, module: nsBFDSingle, path: bfdSingle + "/" + x.leaf, form: x.form},
			way{protocol: state.BFD, parameter: x.p, module: nsBFDMulti, path: bfdMulti + "/" + x.leaf, form: x.form, wide: true})
	}
	for _, level := range []string{"1", "2"} {
		for _, x := range []struct {
			p    state.Parameter
			name string
			form valueForm
		}{{state.ParamHelloInterval, "hello-interval", inSeconds}, {state.ParamHelloMultiplier, "hello-multiplier", asNumber}, {state.ParamMetric, "metric", asNumber}} {
			out = append(out, way{protocol: state.ISIS, parameter: x.p, module: nsISIS, path: isisInterface + "/" + x.name + "/level-" + level + "/value", form: x.form, level: level})
		}
	}
	return out
}

// step is one element of a path.
type step struct {
	space, name string
	keys        []stepKey
}

// stepKey is a key of a list entry; any is set where every value will do.
type stepKey struct {
	name, value, space string // space is set for an identity
	any                bool
}

// steps reads the path of a way for a setting.
func (w *way) steps(s state.Setting) []step {
	said := map[string]string{"{interface}": s.Interface, "{neighbour}": s.Neighbour}
	said["{instance}"], _, _ = strings.Cut(s.Instance, " level ")
	if s.Interface == "" {
		said["{group}"] = s.Instance
	}
	var out []step
	space := ""
	for _, part := range strings.Split(w.path, "/") {
		name, rest, _ := strings.Cut(part, "[")
		if prefix, local, ok := strings.Cut(name, ":"); ok {
			space, name = prefixes[prefix], local
		}
		st := step{space: space, name: name}
		for rest != "" {
			var key string
			key, rest, _ = strings.Cut(rest, "]")
			rest = strings.TrimPrefix(rest, "[")
			k := stepKey{}
			k.name, k.value, _ = strings.Cut(key, "=")
			if strings.HasPrefix(k.value, "{") {
				k.value = said[k.value]
			} else if prefix, id, ok := strings.Cut(k.value, ":"); ok {
				k.space, k.value = prefixes[prefix], id
			}
			k.any = k.value == ""
			st.keys = append(st.keys, k)
		}
		out = append(out, st)
	}
	return out
}

// node is the step as an element with its keys.
func (s step) node(selecting bool) *element.Node {
	n := element.New(s.space, s.name)
	for _, k := range s.keys {
		switch {
		case selecting:
			n.Add(element.New(s.space, k.name))
		case k.space != "":
			n.Add(element.Identity(s.space, k.name, k.space, k.value))
		default:
			n.Add(element.Leaf(s.space, k.name, k.value))
		}
	}
	return n
}

// matches reports whether a list entry has the keys; it returns the step with
// the entry's own.
func (s step) matches(n *element.Node) (step, bool) {
	out := step{space: s.space, name: s.name}
	for _, k := range s.keys {
		have := n.In(s.space, k.name)
		space, id, ok := have.ID()
		switch {
		case have == nil:
			return out, false
		case k.any:
			k.value, k.any = have.Value(), false
			if strings.Contains(k.value, ":") && ok && space != s.space {
				k.space, k.value = space, id
			}
		case k.space != "" && (!ok || id != k.value):
			return out, false
		case k.space == "" && have.Value() != k.value:
			return out, false
		}
		out.keys = append(out.keys, k)
	}
	return out, true
}

// split parts a path into that of its last list entry and the steps below it.
func split(path []step) (entry, leaf []step) {
	at := len(path) - 1
	for i, s := range path {
		if len(s.keys) > 0 {
			at = i
		}
	}
	return path[:at+1], path[at+1:]
}

// place is one leaf that a setting is kept in.
type place struct {
	path       []step // with the values of all keys
	text       string
	configured bool
}

// located is a setting with its places.
type located struct {
	way
	want   state.Setting
	places []place
}

// filterFor is a filter that selects the keys along a path, and the extra
// leaves of the last entry.
func filterFor(path []step, extra ...*element.Node) *element.Node {
	var top, last *element.Node
	for _, s := range path {
		n := s.node(true)
		if top == nil {
			top = n
		} else {
			last.Add(n)
		}
		last = n
	}
	last.Add(extra...)
	return top
}

// locate finds the places of settings by the list entries that the device has,
// and reads what is configured there. Where nothing is there that a setting
// could be of, it is Missing; where no module for it is served, Unable.
func locate(ctx context.Context, op string, s *Session, settings []state.Setting) ([]located, error) {
	table := ways()
	var out []located
	for _, want := range settings {
		var mine []way
		for _, w := range table {
			if w.protocol != want.Protocol || w.parameter != want.Parameter || !s.offers(w.module) {
				continue
			}
			if _, level, ok := strings.Cut(want.Instance, " level "); ok && w.level != "" && w.level != level {
				continue
			}
			if w.wide && want.Interface != "" {
				continue
			}
			mine = append(mine, w)
		}
		if len(mine) == 0 {
			return nil, &device.Fault{Kind: device.Unable, Op: op, Text: "the device serves no module for " + want.Key().Text()}
		}
		l := located{way: mine[0], want: want}
		for _, w := range mine {
			ps, err := w.find(ctx, s, want)
			if err != nil {
				return nil, asOp(op, err)
			}
			l.places = append(l.places, ps...)
		}
		if len(l.places) == 0 {
			return nil, &device.Fault{Kind: device.Missing, Op: op, Text: "the device has nothing that this is a setting of: " + want.Key().Text()}
		}
		out = append(out, l)
	}
	if err := configured(ctx, op, s, out, true); err != nil {
		return nil, err
	}
	return out, nil
}

// find looks for the list entries that a way leads to.
func (w *way) find(ctx context.Context, s *Session, want state.Setting) ([]place, error) {
	entry, leaf := split(w.steps(want))
	var extra []*element.Node
	last := entry[len(entry)-1]
	if w.level != "" {
		extra = append(extra, element.New(last.space, "level-type"))
	}
	if w.group {
		extra = append(extra, empty(last.space, "members", "member", "interface"))
	}
	data, err := s.Get(ctx, []*element.Node{filterFor(entry, extra...)})
	if err != nil {
		return nil, err
	}
	var out []place
	walk(data, entry, nil, func(n *element.Node, path []step) {
		if t := n.Kid("level-type").Value(); w.level != "" && t != "" && t != "level-all" && t != "level-"+w.level {
			return
		}
		if w.group && want.Interface != "" && n.Kid("name").Value() != want.Interface &&
			!slices.ContainsFunc(n.Kid("members").All("member"), func(m *element.Node) bool { return m.Kid("interface").Value() == want.Interface }) {
			return
		}
		out = append(out, place{path: append(slices.Clone(path), leaf...)})
	})
	return out, nil
}

// walk calls f for every element that a path leads to, with the path as it is
// there.
func walk(n *element.Node, path, so []step, f func(*element.Node, []step)) {
	if len(path) == 0 {
		f(n, so)
		return
	}
	for _, k := range n.Kids {
		if k.Name != path[0].name || k.Space != path[0].space {
			continue
		}
		if here, ok := path[0].matches(k); ok {
			walk(k, path[1:], append(slices.Clone(so), here), f)
		}
	}
}

// configured reads what the running configuration has at all places, with one
// question; explicit leaves out what nobody configured, where the device can.
func configured(ctx context.Context, op string, s *Session, all []located, explicit bool) error {
	var filter []*element.Node
	seen := map[string]bool{}
	for _, l := range all {
		for _, p := range l.places {
			f := filterFor(p.path)
			if text := f.String(); !seen[text] {
				seen[text] = true
				filter = append(filter, f)
			}
		}
	}
	if len(filter) == 0 {
		return nil
	}
	data, err := s.getConfig(ctx, Running, filter, explicit)
	if err != nil {
		return asOp(op, err)
	}
	for i := range all {
		for j := range all[i].places {
			p := &all[i].places[j]
			p.text, p.configured = "", false
			var bad error
			walk(data, p.path, nil, func(n *element.Node, _ []step) {
				p.text, bad = all[i].form.read(n.Value())
				p.configured = true
			})
			if bad != nil {
				return &device.Fault{Kind: device.Refused, Op: op, Text: all[i].want.Key().Text(), Err: bad}
			}
		}
	}
	return nil
}

// value is what a located setting has; the places must agree.
func (l *located) value(op string) (string, error) {
	for _, p := range l.places[1:] {
		if p.text != l.places[0].text {
			return "", &device.Fault{Kind: device.Refused, Op: op, Text: fmt.Sprintf("%s has the values %q and %q at once", l.want.Key().Text(), l.places[0].text, p.text)}
		}
	}
	return l.places[0].text, nil
}

// holds reports whether all places have a value.
func (l *located) holds(value string) bool {
	return !slices.ContainsFunc(l.places, func(p place) bool { return p.text != value })
}

// Settings implements [device.Device]. Values that nobody configured are empty
// where the device can tell them from others (RFC 6243), else the default.
func (d *Driver) Settings(ctx context.Context, keys []state.Setting) ([]state.Setting, error) {
	const op = "read settings"
	_, s, err := d.connect(ctx, op)
	if err != nil {
		return nil, err
	}
	found, err := locate(ctx, op, s, keys)
	if err != nil {
		return nil, err
	}
	out := make([]state.Setting, len(found))
	for i := range found {
		out[i] = found[i].want.Key()
		if out[i].Value, err = found[i].value(op); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// cleanTime bounds what is done to leave a device as it was found.
const cleanTime = 20 * time.Second

// Adjust implements [device.Device]. Where the device has a candidate, it is
// locked together with the running configuration, edited, validated and
// committed; where it can, the commit is a confirmed one, which the device takes
// back by itself unless it is confirmed, and it is confirmed only after the
// settings were read over a connection that was made after the change. Whatever
// fails before that is taken back. A session of its own holds the locks, and
// they end with it in any case. Source: RFC 6241 §8.3, §8.4 and appendix E.1.
//
// Without a candidate the running configuration is edited as a whole, where the
// device can take a failed edit back (rollback-on-error).
func (d *Driver) Adjust(ctx context.Context, to []state.Setting) error {
	const op = "adjust"
	_, main, err := d.connect(ctx, op)
	if err != nil {
		return err
	}
	found, err := locate(ctx, op, main, to)
	if err != nil {
		return err
	}
	config, err := edits(found)
	if err != nil {
		return &device.Fault{Kind: device.Ours, Op: op, Err: err}
	}
	if len(config) == 0 {
		return nil
	}
	s, err := d.own(ctx, op)
	if err != nil {
		return err
	}
	defer func() { _ = s.Close() }() // its locks go with it
	switch {
	case s.caps.Has(CapCandidate):
		return d.throughCandidate(ctx, s, found, config)
	case s.caps.Has(CapWritableRunning):
		return d.atOnce(ctx, s, found, config)
	}
	return &device.Fault{Kind: device.Unable, Op: op, Text: "the device's configuration cannot be changed over NETCONF"}
}

// edits are the changes that make settings hold, as one configuration; none
// where all of them do.
func edits(found []located) ([]*element.Node, error) {
	root := element.New("", "config")
	for i := range found {
		l := &found[i]
		text, err := l.form.write(l.want.Value)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", l.want.Text(), err)
		}
		for _, p := range l.places {
			gone := l.want.Value == "" || l.form == asPresence && l.want.Value == "false"
			if p.text == l.want.Value || gone && !p.configured {
				continue
			}
			at := root
			for _, st := range p.path[:len(p.path)-1] {
				at = into(at, st)
			}
			last := p.path[len(p.path)-1]
			leaf := element.Leaf(last.space, last.name, text)
			if gone {
				leaf = Delete.Mark(element.New(last.space, last.name))
			}
			at.Add(leaf)
		}
	}
	return root.Kids, nil
}

// into returns the kid that a step is, making it where it is not there.
func into(n *element.Node, s step) *element.Node {
	want := s.node(false)
	for _, k := range n.Kids {
		if k.Name != want.Name || k.Space != want.Space {
			continue
		}
		same := true
		for i, key := range want.Kids {
			same = same && i < len(k.Kids) && k.Kids[i].Name == key.Name && k.Kids[i].Text == key.Text
		}
		if same {
			return k
		}
	}
	n.Add(want)
	return want
}

// throughCandidate is Adjust by way of the candidate.
func (d *Driver) throughCandidate(ctx context.Context, s *Session, found []located, config []*element.Node) (err error) {
	const op = "adjust"
	clean, cancel := context.WithTimeout(context.WithoutCancel(ctx), cleanTime)
	defer cancel()
	for _, store := range []Datastore{Running, Candidate} {
		if err := s.Lock(ctx, store); err != nil {
			return asOp(op, err) // a lock that was taken goes with the session
		}
		defer func() {
			if uerr := s.Unlock(clean, store); uerr != nil && err == nil {
				d.log.Warn("a lock was not given back in words; it ends with its session", "datastore", store, "reason", uerr)
			}
		}()
	}
	discard := func(err error) error {
		_ = s.Discard(clean) // where it fails, the end of the session does it
		return asOp(op, err)
	}
	if err := s.EditConfig(ctx, Candidate, config, EditOptions{Default: Merge}); err != nil {
		return discard(err)
	}
	if s.caps.Validates() {
		if err := s.Validate(ctx, Candidate); err != nil {
			return discard(err)
		}
	}
	persists := s.caps.Has(CapConfirmed11)
	if !persists && !s.caps.Has(CapConfirmed10) {
		if err := s.Commit(ctx); err != nil {
			return discard(err)
		}
		return d.readBack(ctx, found)
	}
	id := ""
	if persists {
		id = token()
	}
	if err := s.CommitConfirmed(ctx, d.cfg.ConfirmWithin, id); err != nil {
		if device.KindOf(err) == device.OutcomeUnknown {
			d.takeBack(clean, s, id)
		}
		return discard(err)
	}
	if err := d.readBack(ctx, found); err != nil {
		d.takeBack(clean, s, id)
		return err
	}
	if err := s.Confirm(ctx, id); err != nil {
		if persists && device.KindOf(err) == device.OutcomeUnknown || device.KindOf(err) == device.Unreachable {
			// The device takes it back by itself in time, unless it was confirmed;
			// only a reading tells.
			return asOp(op, &device.Fault{Kind: device.OutcomeUnknown, Op: op, Text: fmt.Sprintf("whether the change stays shows within %s", d.cfg.ConfirmWithin), Err: err})
		}
		d.takeBack(clean, s, id)
		return asOp(op, err)
	}
	return nil
}

// takeBack takes a confirmed commit back, by another connection where the
// session has ended.
func (d *Driver) takeBack(ctx context.Context, s *Session, id string) {
	err := s.CancelCommit(ctx, id)
	if err != nil && id != "" && (device.KindOf(err) == device.Unreachable || device.KindOf(err) == device.OutcomeUnknown) {
		fresh := d.fresh()
		defer func() { _ = fresh.Close() }()
		var other *Session
		if _, other, err = fresh.connect(ctx, "cancel commit"); err == nil {
			err = other.CancelCommit(ctx, id)
		}
	}
	if err != nil {
		d.log.Warn("a change was not taken back in words; the device does so by itself", "within", d.cfg.ConfirmWithin, "reason", err)
	}
}

// fresh is a driver of the same device with a connection of its own.
func (d *Driver) fresh() *Driver {
	return &Driver{cfg: d.cfg, log: d.log, now: d.now, turn: make(chan struct{}, 1)}
}

// readBack reads settings over a new connection and compares them.
func (d *Driver) readBack(ctx context.Context, found []located) error {
	const op = "adjust, reading back"
	fresh := d.fresh()
	defer func() { _ = fresh.Close() }() // it was only read
	_, s, err := fresh.connect(ctx, op)
	if err != nil {
		return err
	}
	now := make([]located, len(found))
	for i := range found {
		now[i] = found[i]
		now[i].places = slices.Clone(found[i].places)
	}
	if err := configured(ctx, op, s, now, true); err != nil {
		return err
	}
	var wrong []int
	for i := range now {
		if !now[i].holds(now[i].want.Value) && (now[i].form != asPresence || now[i].want.Value != "false" || !now[i].holds("")) {
			wrong = append(wrong, i)
		}
	}
	if len(wrong) > 0 && s.explicit() {
		// A value that is the device's default may count as nobody's.
		if err := configured(ctx, op, s, now, false); err != nil {
			return err
		}
		wrong = slices.DeleteFunc(wrong, func(i int) bool { return now[i].want.Value != "" && now[i].holds(now[i].want.Value) })
	}
	if len(wrong) > 0 {
		l := now[wrong[0]]
		return &device.Fault{Kind: device.Refused, Op: op, Text: fmt.Sprintf("the device took the change, and has %q for %s", l.places[0].text, l.want.Text())}
	}
	return nil
}

// atOnce is Adjust on the running configuration itself.
func (d *Driver) atOnce(ctx context.Context, s *Session, found []located, config []*element.Node) error {
	const op = "adjust"
	undoes := s.caps.Has(CapRollback)
	if !undoes && len(found) > 1 {
		return &device.Fault{Kind: device.Unable, Op: op, Text: "the device has neither a candidate nor rollback-on-error, so several settings cannot be made as one"}
	}
	if err := s.Lock(ctx, Running); err != nil {
		return asOp(op, err)
	}
	o := EditOptions{Default: Merge, AllOrNothing: undoes, Test: s.caps.Validates()}
	err := s.EditConfig(ctx, Running, config, o)
	clean, cancel := context.WithTimeout(context.WithoutCancel(ctx), cleanTime)
	defer cancel()
	if uerr := s.Unlock(clean, Running); uerr != nil && err == nil {
		d.log.Warn("the lock was not given back in words; it ends with its session", "reason", uerr)
	}
	if err != nil {
		return asOp(op, err)
	}
	return d.readBack(ctx, found)
}

// token is a name that nobody else has for a confirmed commit.
func token() string {
	b := make([]byte, 8)
	_, _ = rand.Read(b) // never fails
	return "towpath-" + hex.EncodeToString(b)
}

// unit is the duration that a number of the form counts.
func (f valueForm) unit() time.Duration {
	switch f {
	case inMicros:
		return time.Microsecond
	case inSeconds:
		return time.Second
	case inCentis:
		return 10 * time.Millisecond
	case asNumber, asYesNo, asNoYes, asPresence, asRateWord:
	}
	return 0
}

// read writes a device's value as [state.Setting] has it.
func (f valueForm) read(v string) (string, error) {
	switch f {
	case inMicros, inSeconds, inCentis:
		n, err := strconv.ParseInt(v, 10, 64)
		if err != nil || n < 0 || n > int64(1<<62)/int64(f.unit()) {
			return "", fmt.Errorf("found %q, want a number of %v", v, f.unit())
		}
		return (time.Duration(n) * f.unit()).String(), nil
	case asNumber:
		n, err := strconv.ParseUint(v, 10, 32)
		if err != nil {
			return "", fmt.Errorf("found %q, want a whole number", v)
		}
		return strconv.FormatUint(n, 10), nil
	case asYesNo, asNoYes:
		if v != "true" && v != "false" {
			return "", fmt.Errorf("found %q, want true or false", v)
		}
		return strconv.FormatBool((v == "true") == (f == asYesNo)), nil
	case asPresence:
		return "true", nil
	case asRateWord:
		if v != "FAST" && v != "SLOW" {
			return "", fmt.Errorf("found %q, want FAST or SLOW", v)
		}
		return strings.ToLower(v), nil
	}
	return "", fmt.Errorf("no form %d", f)
}

// write makes the text that a device takes; an empty value has none.
func (f valueForm) write(v string) (string, error) {
	if v == "" {
		return "", nil
	}
	switch f {
	case inMicros, inSeconds, inCentis:
		d, err := time.ParseDuration(v)
		if err != nil {
			return "", err
		}
		if d <= 0 || d%f.unit() != 0 {
			return "", fmt.Errorf("found %v, want a multiple of %v", d, f.unit())
		}
		return strconv.FormatInt(int64(d/f.unit()), 10), nil
	case asNumber:
		if _, err := strconv.ParseUint(v, 10, 32); err != nil {
			return "", fmt.Errorf("found %q, want a whole number", v)
		}
		return v, nil
	case asYesNo, asNoYes, asPresence:
		b, err := strconv.ParseBool(v)
		if err != nil {
			return "", fmt.Errorf("found %q, want true or false", v)
		}
		if f == asPresence {
			return "", nil
		}
		return strconv.FormatBool(b == (f == asYesNo)), nil
	case asRateWord:
		if v != "fast" && v != "slow" {
			return "", fmt.Errorf("found %q, want fast or slow", v)
		}
		return strings.ToUpper(v), nil
	}
	return "", errors.New("no form")
}
