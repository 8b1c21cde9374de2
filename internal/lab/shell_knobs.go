//nolint:misspell // the words of the OpenConfig models
package lab

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/openconfig/gnmi/proto/gnmi"
)

// shellKnob is a leaf that can be set, as the command line names it.
type shellKnob struct {
	name                string // "bfd/lag-1/send"
	protocol, port, far string
	instance            string
	value               string
	set                 bool // by somebody, and not the default
	info                *leafInfo
	unit                time.Duration // of the leaf's number; zero where it is none
}

// knobForm is how a settable leaf is called at the command line.
type knobForm struct {
	protocol, short string
	unit            time.Duration
}

// knobForms are the leaves that "turn" can turn, by their path without keys.
func knobForms() map[string]knobForm {
	const (
		ospf = "/network-instances/network-instance/protocols/protocol/ospfv2"
		isis = "/network-instances/network-instance/protocols/protocol/isis"
		bgp  = "/network-instances/network-instance/protocols/protocol/bgp/neighbors/neighbor"
		vrrp = "/interfaces/interface/subinterfaces/subinterface/ipv4/addresses/address/vrrp/vrrp-group/config"
		bfd  = "/bfd/interfaces/interface/config"
	)
	return map[string]knobForm{
		bfd + "/desired-minimum-tx-interval": {"bfd", "send", time.Microsecond},
		bfd + "/required-minimum-receive":    {"bfd", "hear", time.Microsecond},
		bfd + "/detection-multiplier":        {"bfd", "times", 0},
		bfd + "/enabled":                     {"bfd", "on", 0},
		ospf + "/areas/area/interfaces/interface/timers/config/hello-interval":     {"ospfv2", "hello", time.Second},
		ospf + "/areas/area/interfaces/interface/timers/config/dead-interval":      {"ospfv2", "dead", time.Second},
		ospf + "/areas/area/interfaces/interface/config/metric":                    {"ospfv2", "cost", 0},
		ospf + "/global/timers/max-metric/config/set":                              {"ospfv2", "shun", 0},
		isis + "/interfaces/interface/levels/level/timers/config/hello-interval":   {"isis", "hello", time.Second},
		isis + "/interfaces/interface/levels/level/timers/config/hello-multiplier": {"isis", "times", 0},
		isis + "/interfaces/interface/levels/level/afi-safi/af/config/metric":      {"isis", "cost", 0},
		isis + "/global/lsp-bit/overload-bit/config/set-bit":                       {"isis", "shun", 0},
		vrrp + "/priority":                           {"vrrp", "rank", 0},
		vrrp + "/advertisement-interval":             {"vrrp", "tell", 10 * time.Millisecond},
		"/lacp/interfaces/interface/config/interval": {"lacp", "pace", 0},
		bgp + "/timers/config/hold-time":             {"bgp", "hold", time.Second},
		"/facts/bgp/graceful-shutdown":               {"bgp", "shun", 0},
		"/facts/ospf/grace-period":                   {"ospfv2", "grace", time.Second},
		"/interfaces/interface/config/enabled":       {"port", "on", 0},
	}
}

// knobs are all leaves that can be turned, by name. The lock is held.
func (c *Chassis) knobs() []shellKnob {
	forms := knobForms()
	leaves := c.render()
	var out []shellKnob
	for in, v := range leaves {
		if !in.row.is(settable) {
			continue
		}
		f, ok := forms[namePath(in.elems)]
		if !ok {
			continue
		}
		k := shellKnob{protocol: f.protocol, unit: f.unit, info: in}
		parts := []string{f.protocol}
		level := ""
		for _, e := range in.elems {
			for _, kv := range e.keys {
				switch {
				case kv.name == "identifier" && e.name == "protocol", kv.name == "index", kv.name == "ip", kv.name == "afi-name", kv.name == "safi-name", e.name == "area", e.name == "protocol":
				case e.name == "network-instance", e.name == "ospf":
					k.instance = kv.value
				case e.name == "level":
					level = kv.value
				case e.name == "vrrp-group":
					k.instance = kv.value
				case e.name == "neighbor" || e.name == "bgp":
					k.far = kv.value
				case e.name == "interface":
					k.port = kv.value
				}
			}
		}
		if level != "" {
			k.instance += " level " + level
		}
		for _, p := range []string{k.port, k.far} {
			if p != "" {
				parts = append(parts, strings.ReplaceAll(p, "/", "."))
			}
		}
		if k.protocol == "vrrp" || level != "" {
			parts = append(parts, strings.ReplaceAll(k.instance, " ", "."))
		}
		k.name = strings.Join(append(parts, f.short), "/")
		if k.protocol == "bfd" {
			// A session is known by its far end as well.
			for other, addr := range leaves {
				if strings.HasPrefix(other.text, "/bfd/interfaces/interface[id="+key(k.port)+"]/peers/") && strings.HasSuffix(other.text, "/state/remote-address") {
					k.far = addr.plain()
				}
			}
			if k.port == "multihop" {
				k.port = ""
			}
		}
		k.value = k.text(v)
		_, k.set = c.config[in.text]
		out = append(out, k)
	}
	slices.SortFunc(out, func(a, b shellKnob) int { return strings.Compare(a.name, b.name) })
	return out
}

// text is a leaf's value at the command line.
func (k *shellKnob) text(v value) string {
	switch {
	case v.kind == kBool:
		return yes(v.num == 1)
	case k.unit > 0:
		return (time.Duration(v.num) * k.unit).String()
	}
	return strings.ToLower(v.plain())
}

// parse reads a value that was typed, as the JSON of a Set.
func (k *shellKnob) parse(text string) (string, error) {
	switch {
	case k.info.row.kind == kBool:
		switch text {
		case "yes":
			return "true", nil
		case "no":
			return "false", nil
		}
		return "", fmt.Errorf("refused: found %q, want yes or no", text)
	case k.unit > 0:
		d, err := time.ParseDuration(text)
		if err != nil || d%k.unit != 0 || d < 0 {
			return "", fmt.Errorf("refused: found %q, want a time in steps of %s", text, k.unit)
		}
		return strconv.FormatInt(int64(d/k.unit), 10), nil
	case k.info.row.kind == kEnum || k.info.row.kind == kStr:
		b, err := json.Marshal(strings.ToUpper(text))
		return string(b), err
	}
	if _, err := strconv.ParseUint(text, 10, 32); err != nil {
		return "", fmt.Errorf("refused: found %q, want a whole number", text)
	}
	return text, nil
}

func (c *Chassis) tellKnobs(t *table) {
	dash := func(s string) string {
		if s == "" {
			return "-"
		}
		return s
	}
	for _, k := range c.knobs() {
		t.line("%s is %s (%s, port %s, far end %s, in %s)", k.name, k.value, k.protocol, dash(k.port), dash(k.far), dash(k.instance))
	}
}

// turned is one turned knob that is not kept yet.
type turned struct {
	knob shellKnob
	json string // empty: back to what it was
}

// turn takes up "NAME to VALUE" or "NAME back".
func (x *shellSession) turn(rest string) error {
	name, value, set := strings.Cut(rest, " to ")
	if !set {
		var back bool
		if name, back = strings.CutSuffix(rest, " back"); !back {
			return fmt.Errorf("not understood: want turn NAME to VALUE, or turn NAME back")
		}
	}
	x.c.mu.Lock()
	knobs := x.c.knobs()
	x.c.mu.Unlock()
	i := slices.IndexFunc(knobs, func(k shellKnob) bool { return k.name == name })
	if i < 0 {
		return fmt.Errorf("no such thing: %s", name)
	}
	ch := turned{knob: knobs[i]}
	if set {
		text, err := ch.knob.parse(value)
		if err != nil {
			return err
		}
		ch.json = text
		v, err := readValue(ch.knob.info.row.kind, jsonValue(text))
		if err == nil {
			err = checkSet(ch.knob.info, v)
		}
		if err != nil {
			return fmt.Errorf("refused: %w", err)
		}
	}
	x.changes = append(x.changes, ch)
	return nil
}

func jsonValue(text string) *gnmi.TypedValue {
	return &gnmi.TypedValue{Value: &gnmi.TypedValue_JsonIetfVal{JsonIetfVal: []byte(text)}}
}

// keep makes all turned knobs hold, or none.
func (x *shellSession) keep() error {
	req := &gnmi.SetRequest{}
	for _, ch := range x.changes {
		if ch.json == "" {
			req.Delete = append(req.Delete, ch.knob.info.proto)
			continue
		}
		req.Update = append(req.Update, &gnmi.Update{Path: ch.knob.info.proto, Val: jsonValue(ch.json)})
	}
	if len(x.changes) > 0 {
		if _, err := (&gnmiServer{c: x.c}).Set(x.s.Context(), req); err != nil {
			return err
		}
	}
	x.changing, x.changes = false, nil
	return nil
}
