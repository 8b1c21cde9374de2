package lab

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/openconfig/gnmi/proto/gnmi"
)

// scalar takes a Go value out of any encoding that a Set may use: bool,
// float64 or string.
func scalar(v *gnmi.TypedValue) (any, error) {
	var raw []byte
	switch t := v.GetValue().(type) {
	case *gnmi.TypedValue_StringVal:
		return t.StringVal, nil
	case *gnmi.TypedValue_BoolVal:
		return t.BoolVal, nil
	case *gnmi.TypedValue_UintVal:
		return float64(t.UintVal), nil
	case *gnmi.TypedValue_IntVal:
		return float64(t.IntVal), nil
	case *gnmi.TypedValue_JsonIetfVal:
		raw = t.JsonIetfVal
	case *gnmi.TypedValue_JsonVal:
		raw = t.JsonVal
	default:
		return nil, fmt.Errorf("found no value, want a leaf's value")
	}
	var out any
	if err := json.Unmarshal(raw, &out); err != nil {
		return nil, fmt.Errorf("found %q, want a JSON value: %w", raw, err)
	}
	switch out.(type) {
	case bool, float64, string:
		return out, nil
	}
	return nil, fmt.Errorf("found %s, want the value of a single leaf", raw)
}

// checkSet refuses values that the standards do not allow.
func checkSet(in *leafInfo, v value) error {
	within := func(lo, hi uint64) error {
		if v.num < lo || v.num > hi {
			return fmt.Errorf("found %d, want %d to %d", v.num, lo, hi)
		}
		return nil
	}
	oneOf := func(words ...string) error {
		if !slices.Contains(words, v.str) {
			return fmt.Errorf("found %q, want %s", v.str, strings.Join(words, " or "))
		}
		return nil
	}
	last := in.elems[len(in.elems)-1].name
	switch last {
	case "power-admin-state":
		return oneOf(powerEnabled, powerDisabled)
	case "interval":
		return oneOf("FAST", "SLOW")
	case "hold-time":
		if v.num == 1 || v.num == 2 {
			// Source: RFC 4271 §4.2.
			return fmt.Errorf("found %d, want 0 or at least 3", v.num)
		}
	case "grace-period":
		// Source: RFC 9129, restart-interval, 1 to 1800 s.
		return within(1, 1800)
	case "detection-multiplier", "hello-multiplier":
		return within(1, 255)
	case "priority":
		// Source: RFC 5798 §5.2.4: 255 is the owner, 0 is never configured.
		return within(1, 254)
	case "advertisement-interval":
		// Source: RFC 9568 §5.2.7, Max Advertise Interval of 12 bits, in centiseconds.
		return within(1, 4095)
	case "metric":
		// Source: RFC 2328 C.3 for OSPF's 16 bits; RFC 5305 §3, 2^24-1 at most.
		return within(1, 1<<24-1)
	case "keepalive-interval", "hello-interval", "dead-interval", "desired-minimum-tx-interval", "required-minimum-receive":
		return within(1, 1<<32-1)
	}
	return nil
}

// setting returns what was Set at a path, or the default.
func (c *Chassis) setting(path string, def value) value {
	if v, ok := c.config[path]; ok {
		return v
	}
	return def
}

// configured does what a changed leaf of the configuration entails beyond its
// value being served: ports and cards follow it, and neighbours hear of it. set
// is false where the leaf was deleted and its default holds again. The lock is
// held.
func (c *Chassis) configured(in *leafInfo, v value, set bool) {
	name := ""
	if len(in.elems) > 1 && len(in.elems[1].keys) > 0 {
		name = in.elems[1].keys[0].value
	}
	switch p := namePath(in.elems); {
	case p == "/interfaces/interface/config/enabled":
		if port := c.port(name); port != nil {
			port.enabled = !set || v.num == 1
		}
	case p == "/interfaces/interface/config/description":
	case strings.HasSuffix(p, "/config/power-admin-state"):
		k := c.component(name)
		off := set && v.str == powerDisabled
		switch {
		case k == nil || k == &c.primary().component:
			// A PRIMARY keeps its power until it has another role.
			// Source: OpenConfig, controller-card power-off description.
		case off && k.power == powerEnabled:
			c.powerOff(k)
		case !off && k.power == powerDisabled:
			c.powerOn(k)
		}
	case p == "/facts/ospf/grace-period":
		c.graceSet(v, set)
	default:
		c.relationSet(in, v, set)
	}
}

func itoa(n int) string { return strconv.Itoa(n) }
