//nolint:misspell // the words of the OpenConfig models
package openconfig

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	gnmipb "github.com/openconfig/gnmi/proto/gnmi"

	"towpath/internal/device"
	"towpath/internal/state"
)

// knob is where a device keeps one parameter of one protocol. Patterns name
// the keys of their lists; at gives for each of them what a setting says of
// it, empty for what it leaves open.
type knob struct {
	protocol  string
	parameter state.Parameter
	origin    string
	leaf      string // the configured leaf
	// anchor is a leaf that is told wherever the thing is there that the
	// parameter belongs to, configured or not; its first keys are those of leaf.
	anchor string
	at     func(state.Setting) []string
	// named, when not nil, says by which value of the anchor the thing is known
	// where no key tells it; empty is any.
	named func(state.Setting) string
	form  valueForm
}

// valueForm is how a device writes a parameter's value.
type valueForm int

const (
	inMicros valueForm = iota
	inSeconds
	inCentis
	asNumber
	asYesNo
	asRateWord
)

const (
	ospfProcess = protocolPath + "/ospfv2/global"
	isisProcess = protocolPath + "/isis/global"
	isisIface   = protocolPath + "/isis/interfaces/interface[interface-id]"
	process     = protocolPath + "/state/name"
)

// knobs are the parameters that can be set. What is not listed here no path of
// the models is known for.
// Source: OpenConfig models bfd, ospfv2, isis, if-ip (vrrp), lacp and bgp; the
// metric of an IS-IS interface from memory, levels/level/afi-safi. The models
// have no leaf for BGP's graceful shutdown and none for OSPF's grace period, so
// these are facts of our own.
func knobs() []knob {
	bfd := func(s state.Setting) []string { return []string{s.Interface} }
	remote := func(s state.Setting) string { return s.Neighbour }
	in := func(id string, more ...func(state.Setting) string) func(state.Setting) []string {
		return func(s state.Setting) []string {
			instance, _, _ := strings.Cut(s.Instance, " level ")
			out := []string{instance, id, ""}
			for _, f := range more {
				out = append(out, f(s))
			}
			return out
		}
	}
	iface := func(s state.Setting) string { return s.Interface }
	neighbour := func(s state.Setting) string { return s.Neighbour }
	open := func(state.Setting) string { return "" }
	level := func(s state.Setting) string { _, l, _ := strings.Cut(s.Instance, " level "); return l }
	group := func(s state.Setting) []string { return []string{s.Interface, "", "", s.Instance} }
	// A group is known by its name or by the interface of a member.
	lag := func(s state.Setting) []string {
		if s.Interface != "" {
			return []string{""}
		}
		return []string{s.Instance}
	}
	return []knob{
		{state.BFD, state.ParamTransmit, "", bfdPath + "/config/desired-minimum-tx-interval", bfdPath + "/peers/peer[local-discriminator]/state/remote-address", bfd, remote, inMicros},
		{state.BFD, state.ParamReceive, "", bfdPath + "/config/required-minimum-receive", bfdPath + "/peers/peer[local-discriminator]/state/remote-address", bfd, remote, inMicros},
		{state.BFD, state.ParamDetectMult, "", bfdPath + "/config/detection-multiplier", bfdPath + "/peers/peer[local-discriminator]/state/remote-address", bfd, remote, asNumber},
		{state.BFD, state.ParamEnabled, "", bfdPath + "/config/enabled", bfdPath + "/peers/peer[local-discriminator]/state/remote-address", bfd, remote, asYesNo},
		{state.OSPFv2, state.ParamHelloInterval, "", ospfIface + "/timers/config/hello-interval", ospfIface + "/state/id", in("OSPF", open, iface), nil, inSeconds},
		{state.OSPFv2, state.ParamDeadInterval, "", ospfIface + "/timers/config/dead-interval", ospfIface + "/state/id", in("OSPF", open, iface), nil, inSeconds},
		{state.OSPFv2, state.ParamMetric, "", ospfIface + "/config/metric", ospfIface + "/state/id", in("OSPF", open, iface), nil, asNumber},
		{state.OSPFv2, state.ParamOverload, "", ospfProcess + "/timers/max-metric/config/set", process, in("OSPF"), nil, asYesNo},
		{state.OSPFv2, state.ParamGracePeriod, facts, "/facts/ospf[process]/grace-period", "/facts/ospf[process]/grace-period", func(s state.Setting) []string { return []string{s.Instance} }, nil, inSeconds},
		{state.ISIS, state.ParamHelloInterval, "", isisLevel + "/timers/config/hello-interval", isisLevel + "/timers/state/hello-interval", in("ISIS", iface, level), nil, inSeconds},
		{state.ISIS, state.ParamHelloMultiplier, "", isisLevel + "/timers/config/hello-multiplier", isisLevel + "/timers/state/hello-multiplier", in("ISIS", iface, level), nil, asNumber},
		{state.ISIS, state.ParamMetric, "", isisLevel + "/afi-safi/af[afi-name][safi-name]/config/metric", isisLevel + "/afi-safi/af[afi-name][safi-name]/state/metric", in("ISIS", iface, level, open, open), nil, asNumber},
		{state.ISIS, state.ParamOverload, "", isisProcess + "/lsp-bit/overload-bit/config/set-bit", process, in("ISIS"), nil, asYesNo},
		{state.VRRP, state.ParamPriority, "", vrrpGroup + "/config/priority", vrrpGroup + "/state/virtual-router-id", group, nil, asNumber},
		{state.VRRP, state.ParamAdvertise, "", vrrpGroup + "/config/advertisement-interval", vrrpGroup + "/state/virtual-router-id", group, nil, inCentis},
		{state.LACP, state.ParamPeriod, "", lacpPath + "/config/interval", lacpPath + "/members/member[interface]/state/interface", lag, iface, asRateWord},
		{state.BGP, state.ParamHoldTime, "", bgpNeighbour + "/timers/config/hold-time", bgpNeighbour + "/state/neighbor-address", in("BGP", neighbour), nil, inSeconds},
		{state.BGP, state.ParamGracefulShutdown, facts, "/facts/bgp[neighbour]/graceful-shutdown", "/facts/bgp[neighbour]/graceful-shutdown", func(s state.Setting) []string { return []string{s.Neighbour} }, nil, asYesNo},
	}
}

// place is one leaf that a setting is kept in, with the value configured there.
type place struct {
	keys  []string
	value string // empty where none is configured
}

// located is a setting with the places that it is kept in.
type located struct {
	knob
	want   state.Setting
	places []place
}

// Settings implements [device.Device]. A setting that is kept in several places,
// as those of both levels of an IS-IS circuit, is read as one; where they differ
// no single value says how it is, which is Refused. Where the thing that a
// setting belongs to is not there, it is Missing.
func (d *Driver) Settings(ctx context.Context, keys []state.Setting) ([]state.Setting, error) {
	const op = "read settings"
	found, err := d.locate(ctx, op, keys)
	if err != nil {
		return nil, err
	}
	out := make([]state.Setting, len(found))
	for i, f := range found {
		out[i] = f.want.Key()
		for j, p := range f.places {
			if j > 0 && p.value != f.places[0].value {
				return nil, &device.Fault{Kind: device.Refused, Op: op, Text: fmt.Sprintf("%s has the values %q and %q at once", f.want.Parts(), f.places[0].value, p.value)}
			}
			out[i].Value = p.value
		}
	}
	return out, nil
}

// Adjust implements [device.Device]. All settings go in one Set, which a device
// makes as a whole or not at all (gNMI specification §3.4.3).
func (d *Driver) Adjust(ctx context.Context, to []state.Setting) error {
	const op = "adjust"
	found, err := d.locate(ctx, op, to)
	if err != nil {
		return err
	}
	req := &gnmipb.SetRequest{}
	asked := map[string]string{} // path to value
	for _, f := range found {
		value, err := f.form.write(f.want.Value)
		if err != nil {
			return ours(op, fmt.Errorf("%s: %w", f.want.Text(), err))
		}
		for _, p := range f.places {
			path, err := f.path(d.origin(f.origin), p.keys)
			if err != nil {
				return ours(op, err)
			}
			// Two members of one group are two settings and one leaf.
			if v, again := asked[path.String()]; again && v != f.want.Value {
				return &device.Fault{Kind: device.Ours, Op: op, Text: fmt.Sprintf("two values for one leaf: %q and %q, the second as %s", v, f.want.Value, f.want.Parts())}
			} else if again {
				continue
			}
			asked[path.String()] = f.want.Value
			if p.value == f.want.Value {
				continue
			}
			if f.want.Value == "" {
				req.Delete = append(req.Delete, path)
				continue
			}
			req.Update = append(req.Update, &gnmipb.Update{Path: path, Val: &gnmipb.TypedValue{Value: &gnmipb.TypedValue_JsonIetfVal{JsonIetfVal: value}}})
		}
	}
	if len(req.Delete)+len(req.Update) == 0 {
		return nil
	}
	if _, err = d.gnmi.Set(ctx, req); err != nil {
		return d.fault(ctx, op, err)
	}
	return nil
}

// locate finds the places of all settings and reads what is configured there,
// with one question.
func (d *Driver) locate(ctx context.Context, op string, settings []state.Setting) ([]located, error) {
	if err := d.connect(ctx, op); err != nil {
		return nil, err
	}
	if len(settings) == 0 {
		return nil, nil
	}
	table := knobs()
	out := make([]located, len(settings))
	var questions [2][]*gnmipb.Path // by origin: the models', and ours
	for i, s := range settings {
		k := slices.IndexFunc(table, func(k knob) bool { return k.protocol == s.Protocol && k.parameter == s.Parameter })
		if k < 0 || table[k].origin == facts && d.cfg.FactsOrigin == "" {
			return nil, &device.Fault{Kind: device.Unable, Op: op, Text: "no path is known for " + s.Parts()}
		}
		out[i] = located{knob: table[k], want: s}
		n := 0
		if table[k].origin == facts {
			n = 1
		}
		for _, pattern := range []string{table[k].leaf, table[k].anchor} {
			steps, err := parsePattern(pattern)
			if err != nil {
				return nil, ours(op, err)
			}
			p := wildcard(d.origin(table[k].origin), steps)
			out[i].pin(p, steps)
			questions[n] = append(questions[n], p)
		}
	}
	for n, origin := range []string{"", facts} {
		if len(questions[n]) == 0 {
			continue
		}
		if err := d.ask(ctx, op, origin, unique(questions[n]), out); err != nil {
			return nil, err
		}
	}
	for _, l := range out {
		if len(l.places) == 0 {
			return nil, &device.Fault{Kind: device.Missing, Op: op, Text: "the device has nothing that this is a setting of: " + l.want.Parts()}
		}
	}
	return out, nil
}

func unique(paths []*gnmipb.Path) []*gnmipb.Path {
	seen := map[string]bool{}
	return slices.DeleteFunc(paths, func(p *gnmipb.Path) bool {
		text := p.String()
		again := seen[text]
		seen[text] = true
		return again
	})
}

// pin puts what the setting says of the keys in a path of wildcards. Protocol
// identities are left open: devices write them with and without their module.
func (l *located) pin(p *gnmipb.Path, steps []step) {
	values := l.at(l.want)
	i := 0
	for n, s := range steps {
		for _, k := range s.keys {
			if i < len(values) && values[i] != "" && k != "identifier" {
				p.Elem[n].Key[k] = values[i]
			}
			i++
		}
	}
}

// mine reports whether the keys of an answer are those of the setting.
func (l *located) mine(keys []string) bool {
	for i, want := range l.at(l.want) {
		if want != "" && (i >= len(keys) || local(keys[i]) != want && keys[i] != want) {
			return false
		}
	}
	return true
}

// settingLeaf is a leaf of the answer: of which setting, and whether it is the
// configured one.
type settingLeaf struct {
	of         *located
	configured bool
}

// ask reads leaves and anchors and puts them with their settings.
func (d *Driver) ask(ctx context.Context, op, origin string, paths []*gnmipb.Path, all []located) error {
	root := &node[settingLeaf]{}
	for i := range all {
		if all[i].origin != origin {
			continue
		}
		for _, p := range []struct {
			pattern    string
			configured bool
		}{{all[i].anchor, false}, {all[i].leaf, true}} {
			steps, err := parsePattern(p.pattern)
			if err != nil {
				return ours(op, err)
			}
			if err := root.add(steps, settingLeaf{&all[i], p.configured}); err != nil {
				return ours(op, err)
			}
		}
	}
	type answer struct {
		leaf  settingLeaf
		keys  []string
		value any
	}
	var answers []answer
	want := d.origin(origin)
	var bad error
	take := func(n *gnmipb.Notification) error {
		if !sameOrigin(want, n.GetPrefix().GetOrigin()) {
			return nil
		}
		for _, u := range n.GetUpdate() {
			if o := u.GetPath().GetOrigin(); o != "" && !sameOrigin(want, o) {
				continue
			}
			err := decode(root, n.GetPrefix(), u.GetPath(), u.GetVal(), func(at *node[settingLeaf], keys []string, v any) {
				for _, l := range at.leaves {
					answers = append(answers, answer{l, slices.Clone(keys), v})
				}
			})
			if err != nil {
				bad = err
			}
		}
		return nil
	}
	if err := d.read(ctx, op, paths, take, func() { answers, bad = nil, nil }); err != nil {
		return err
	}
	if bad != nil {
		return &device.Fault{Kind: device.Refused, Op: op, Text: "the answer cannot be read", Err: bad}
	}
	// Anchors first: they say which places are meant.
	for _, configured := range []bool{false, true} {
		for _, a := range answers {
			if a.leaf.configured != configured || !a.leaf.of.mine(a.keys) {
				continue
			}
			if err := a.leaf.of.place(a.keys, a.value, configured); err != nil {
				return &device.Fault{Kind: device.Refused, Op: op, Text: a.leaf.of.want.Parts(), Err: err}
			}
		}
	}
	return nil
}

// place takes an anchor, or the configured value of a place.
func (l *located) place(keys []string, v any, configured bool) error {
	n := len(l.at(l.want))
	if l.named != nil && !configured {
		if name := l.named(l.want); name != "" && fmt.Sprint(v) != name {
			return nil
		}
	}
	keys = keys[:min(n, len(keys))]
	i := slices.IndexFunc(l.places, func(p place) bool { return slices.Equal(p.keys, keys) })
	switch {
	case i >= 0 && !configured:
		return nil
	case i < 0 && configured && l.named != nil && l.named(l.want) != "":
		return nil // of another session
	case i < 0:
		l.places = append(l.places, place{keys: keys})
		i = len(l.places) - 1
	}
	if !configured {
		return nil
	}
	text, err := l.form.read(v)
	if err != nil {
		return err
	}
	l.places[i].value = text
	return nil
}

// path is the gNMI path of the configured leaf at a place.
func (l *located) path(origin string, keys []string) (*gnmipb.Path, error) {
	steps, err := parsePattern(l.leaf)
	if err != nil {
		return nil, err
	}
	p := wildcard(origin, steps)
	i := 0
	for n, s := range steps {
		for _, k := range s.keys {
			if i >= len(keys) {
				return nil, fmt.Errorf("%s: the key %s is not known", l.leaf, k)
			}
			p.Elem[n].Key[k] = keys[i]
			i++
		}
	}
	return p, nil
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
	case asNumber, asYesNo, asRateWord:
	}
	return 0
}

// read writes a device's value as [state.Setting] has it.
func (f valueForm) read(v any) (string, error) {
	switch f {
	case inMicros, inSeconds, inCentis:
		n, err := asUint(v)
		if err != nil {
			return "", err
		}
		return (time.Duration(n) * f.unit()).String(), nil
	case asNumber:
		n, err := asUint(v)
		if err != nil {
			return "", err
		}
		return decimal(n), nil
	case asYesNo:
		b, err := asBool(v, plain)
		if err != nil {
			return "", err
		}
		return strconv.FormatBool(b), nil
	case asRateWord:
		s, err := asText(v, identity)
		if err != nil {
			return "", err
		}
		if s != "FAST" && s != "SLOW" {
			return "", fmt.Errorf("found %q, want FAST or SLOW", s)
		}
		return strings.ToLower(s), nil
	}
	return "", fmt.Errorf("no form %d", f)
}

// write makes the JSON that a device takes for a value (RFC 7951); an empty
// value has none.
func (f valueForm) write(value string) ([]byte, error) {
	if value == "" {
		return nil, nil
	}
	var v any
	switch f {
	case inMicros, inSeconds, inCentis:
		d, err := time.ParseDuration(value)
		if err != nil {
			return nil, err
		}
		if d <= 0 || d%f.unit() != 0 {
			return nil, fmt.Errorf("found %v, want a multiple of %v", d, f.unit())
		}
		v = uint64(d / f.unit())
	case asNumber:
		n, err := strconv.ParseUint(value, 10, 32)
		if err != nil {
			return nil, fmt.Errorf("found %q, want a whole number", value)
		}
		v = n
	case asYesNo:
		b, err := strconv.ParseBool(value)
		if err != nil {
			return nil, fmt.Errorf("found %q, want true or false", value)
		}
		v = b
	case asRateWord:
		if value != "fast" && value != "slow" {
			return nil, fmt.Errorf("found %q, want fast or slow", value)
		}
		v = strings.ToUpper(value)
	}
	return json.Marshal(v)
}
