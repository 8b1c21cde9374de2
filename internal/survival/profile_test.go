package survival

import (
	"errors"
	"strings"
	"testing"
	"time"

	"towpath/internal/state"
)

func TestBuiltinProfilesAreWhole(t *testing.T) {
	p := BuiltinProfiles()
	for _, name := range []string{
		state.BGP, state.OSPFv2, state.OSPFv3, state.ISIS, state.BFD, state.VRRP, state.LDP, state.PIM, state.LLDP, state.LACP,
		state.RSTP, state.RSVP, IGMP, MLD, EVPN,
	} {
		if _, ok := p.Protocols[name]; !ok {
			t.Errorf("no protocol %s", name)
		}
	}
	measured := 0
	for daemon, m := range p.Daemons {
		for protocol, b := range m {
			measured++
			r := p.role(protocol, daemon)
			if !r.known {
				t.Errorf("%s %s is not found again", daemon, protocol)
			}
			// What only implementations were seen to do says so.
			for field, over := range r.over {
				if src := r.source(field); over && !strings.HasPrefix(src, "seen ") && !strings.HasPrefix(src, "from memory") {
					t.Errorf("%s %s %s: source %q", daemon, protocol, field, src)
				}
			}
			for field := range b.Sources {
				if !strings.Contains(" hello detect ratio jitter least-hello tick idle-hold keepalive return-hellos detect-share detect-offset late hello-late self-drop self-late phase rto return reconnect restart-time graceful-loss ", " "+field+" ") {
					t.Errorf("%s %s: a source of %q, which is no field", daemon, protocol, field)
				}
			}
		}
	}
	if measured < 15 {
		t.Errorf("only %d implementations", measured)
	}
}

func TestEndsAreComposed(t *testing.T) {
	p := BuiltinProfiles()
	// A pair is the sender's jitter and the judge's hold time; FRR and BIRD.
	// Source: measured on FRR 8.4.4 and BIRD 2.0.12.
	a := state.Adjacency{Protocol: state.BGP, Neighbour: "192.0.2.1", Implement: some("frr-bird"),
		Timers: state.Timers{Send: some(3 * time.Second), NeighbourDetect: some(9 * time.Second)}}
	k := newCompiler(&state.Capture{}, Options{})
	k.add(a)
	o := k.relations[0].own
	if o.nbr.age != (age{3, 3}) || o.nbr.dlo != 6.75 || o.nbr.dhi != 9 {
		t.Errorf("BIRD judges FRR: %+v", o.nbr)
	}
	if !o.judges || o.dev.age != (age{2.25, 3}) || o.dev.dlo != 9 || o.phase != 0 {
		t.Errorf("FRR judges BIRD: %+v", o.dev)
	}
	a.Implement = some("bird-frr")
	k = newCompiler(&state.Capture{}, Options{})
	k.add(a)
	if k.relations[0].own.judges {
		t.Error("BIRD drops itself")
	}
	// One name is the neighbour's where the device's is known.
	a.Implement = some("bird")
	k = newCompiler(&state.Capture{}, Options{Implementation: "frr8.4.4"})
	k.add(a)
	if d, n := k.daemons(a); d != "frr8.4.4" || n != "bird" || !k.relations[0].own.judges {
		t.Errorf("%s and %s", d, n)
	}
	if r := p.role(state.BGP, "somebody"); r.known || *r.SelfDrop != KillsNeighbour {
		t.Errorf("an unknown daemon: %+v", r)
	}
}

func TestOwnProfilesAreReadOverTheBuiltinOnes(t *testing.T) {
	p, err := ReadProfiles(strings.NewReader(`
daemons:
  alder:
    bgp: {self-drop: none, detect-share: [0.9, 1], source: measured by ourselves}
`))
	if err != nil {
		t.Fatal(err)
	}
	if r := p.role(state.BGP, "alder-9"); !r.known || *r.SelfDrop != SelfDropNone || r.source("self-drop") != "measured by ourselves" || r.source("hello") != "RFC 4271 §10" {
		t.Errorf("%+v", r)
	}
	if r := p.role(state.BGP, "frr"); !r.known {
		t.Error("the built-in ones are gone")
	}
	if p, err = ReadProfiles(strings.NewReader("")); err != nil || len(p.Protocols) < 10 {
		t.Errorf("an empty file: %v", err)
	}
}

func TestBadProfilesAreRefused(t *testing.T) {
	daemon := func(s string) string { return "daemons: {alder: {bgp: {source: x, " + s + "}}}" }
	for in, want := range map[string]string{
		"daemons: {alder: {bgp: {jiter: [1, 1]}}}":                      "jiter",
		"daemons: {alder: {bgp: {self-drop: none}}}":                    "source",
		"daemons: {alder: {ripv9: {source: x}}}":                        "no such protocol",
		"protocols: {ripv9: {source: x}}":                               "has no",
		daemon("jitter: [1.2, 1.5]"):                                    "jitter",
		daemon("jitter: [1, 0.5]"):                                      "jitter",
		daemon("jitter: [0, 1]"):                                        "jitter",
		daemon("detect-share: [-1, 1]"):                                 "detect-share",
		daemon("detect-offset: [1s, 0s]"):                               "detect-offset",
		daemon("detect-offset: [0s, 1s], detect-share: [1,1]"):          "detect-offset",
		daemon("self-drop: sometimes"):                                  "self-drop",
		daemon("transport: pigeon"):                                     "transport",
		daemon("phase: 2"):                                              "phase",
		daemon("late: [{by: 1s, weight: 0.5}]"):                         "late",
		daemon("late: [{by: -1s, weight: 1}]"):                          "late",
		daemon("return: [2s, 1s]"):                                      "return",
		daemon("graceful-loss: {forward: [2s, 1s], reverse: [0s, 0s]}"): "graceful-loss",
	} {
		if _, err := ReadProfiles(strings.NewReader(in)); !errors.Is(err, ErrProfile) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want one that names %q", in, err, want)
		}
	}
}
