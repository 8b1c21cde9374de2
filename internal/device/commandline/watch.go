package commandline

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/device"
	"towpath/internal/state"
)

// Watch tells of changes by reading the device again and again, since a command
// line tells nothing by itself. A change that is undone between two reads is not
// seen, except where a counter shows it.
func (d *Driver) Watch(ctx context.Context, f func(device.Event)) error {
	const op = "watch"
	queries := d.reads("component", "adjacency", "interface", "alarm", "feed", "configuration", "spanning-tree")
	w := &watcher{out: f, known: map[aspect]string{}}
	tick := time.NewTicker(d.watchEvery())
	defer tick.Stop()
	for first := true; ; first = false {
		var c *state.Capture
		err := d.reading(ctx, op, func(s *session) error {
			facts, err := d.read(ctx, op, s, queries)
			if err == nil {
				c = facts.Capture()
			}
			return err
		})
		if err != nil {
			return asOp(op, err)
		}
		at := d.now().UTC()
		w.look(c, at)
		if first {
			f(device.Event{Kind: device.EventSynced, At: at})
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return &device.Fault{Kind: device.OutcomeUnknown, Op: op, Err: context.Cause(ctx)}
		}
	}
}

// aspect is one thing that may change.
type aspect struct {
	kind   device.EventKind
	object string
	of     string // where one object has several
}

// watcher remembers what it has told.
type watcher struct {
	out   func(device.Event)
	known map[aspect]string
}

// look compares a capture with what was told.
func (w *watcher) look(c *state.Capture, at time.Time) {
	now := map[aspect]string{}
	put := func(k device.EventKind, object, of, value string) {
		if value != "" {
			now[aspect{k, object, of}] = value
		}
	}
	for _, k := range c.Components {
		put(device.EventComponent, k.Name, "oper", k.Oper.Or(""))
		put(device.EventComponent, k.Name, "role", k.Role.Or(""))
		if oper, ok := k.Oper.Get(); ok && k.Kind == state.KindPowerSupply {
			word := "ok"
			if oper != state.OperActive {
				word = "power supply is " + oper
			}
			put(device.EventPower, k.Name, "", word)
		}
	}
	for _, a := range c.Adjacencies {
		if up, ok := a.Up.Get(); ok {
			// Several of one neighbour count as one: down as long as any is.
			key := aspect{device.EventAdjacency, a.Protocol + " " + a.Neighbour, ""}
			if word := map[bool]string{true: "up", false: "down"}[up]; now[key] != "down" {
				now[key] = word
			}
		}
	}
	for _, i := range c.Interfaces {
		put(device.EventInterface, i.Name, "", i.Oper.Or(""))
	}
	for _, f := range c.Power.Feeds {
		if ok, known := f.OK.Get(); known {
			put(device.EventPower, f.Name, "", map[bool]string{true: "ok", false: "no power on the feed"}[ok])
		}
	}
	for _, a := range c.Alarms {
		put(device.EventAlarm, a.ID, "", strings.TrimSpace(a.Severity+" "+a.Text))
	}
	for _, t := range c.SpanningTrees {
		if n, ok := t.Changes.Get(); ok {
			put(device.EventTopology, t.Instance, "", strconv.FormatUint(n, 10))
		}
	}
	put(device.EventConfiguration, "digest", "", c.Configuration.Digest.Or(""))
	w.tell(now, at)
}

func (w *watcher) tell(now map[aspect]string, at time.Time) {
	for _, k := range sorted(now) {
		if was := w.known[k]; was != now[k] {
			w.out(device.Event{Kind: k.kind, At: at, Object: k.object, Was: was, Now: now[k]})
			w.known[k] = now[k]
		}
	}
	for _, k := range sorted(w.known) {
		if _, there := now[k]; there {
			continue
		}
		gone := ""
		if k.kind == device.EventAdjacency {
			gone = "down"
		}
		if was := w.known[k]; was != gone {
			w.out(device.Event{Kind: k.kind, At: at, Object: k.object, Was: was, Now: gone})
		}
		if gone == "" {
			delete(w.known, k)
		} else {
			w.known[k] = gone
		}
	}
}

func sorted(m map[aspect]string) []aspect {
	out := make([]aspect, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.SortFunc(out, func(a, b aspect) int {
		if a.kind != b.kind {
			return int(a.kind) - int(b.kind)
		}
		return strings.Compare(a.object+"\x00"+a.of, b.object+"\x00"+b.of)
	})
	return out
}
