package survival

import (
	"bytes"
	_ "embed" // the built-in profiles
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/goccy/go-yaml"
)

//go:embed profiles.yaml
var builtinYAML []byte

// Profiles say how protocols and their implementations behave, by daemon and
// protocol. A pair of daemons is composed: what is sent comes from the
// sender's profile, what is judged from the judge's. Profiles are never
// changed after they are read and may be shared.
type Profiles struct {
	Shared    any                             `yaml:"shared,omitempty"` // holds YAML anchors only
	Protocols map[string]Behaviour            `yaml:"protocols"`
	Daemons   map[string]map[string]Behaviour `yaml:"daemons"`
}

// Behaviour is how a protocol, or one implementation of it, behaves. In an
// implementation's, a field that is left out is the protocol's. The comments
// of profiles.yaml explain each field.
type Behaviour struct {
	Hello           *time.Duration    `yaml:"hello,omitempty"`
	Detect          *time.Duration    `yaml:"detect,omitempty"`
	Ratio           *float64          `yaml:"ratio,omitempty"`
	Jitter          *[2]float64       `yaml:"jitter,omitempty"`
	LeastHello      *time.Duration    `yaml:"least-hello,omitempty"`
	Tick            *time.Duration    `yaml:"tick,omitempty"`
	DetectShare     *[2]float64       `yaml:"detect-share,omitempty"`
	DetectOffset    *[2]time.Duration `yaml:"detect-offset,omitempty"`
	Late            []Late            `yaml:"late,omitempty"`
	HelloLate       []Late            `yaml:"hello-late,omitempty"`
	SelfDrop        *SelfDrop         `yaml:"self-drop,omitempty"`
	SelfLate        []Late            `yaml:"self-late,omitempty"`
	Carries         *bool             `yaml:"carries,omitempty"`
	Transport       *string           `yaml:"transport,omitempty"`
	Phase           *float64          `yaml:"phase,omitempty"`
	RTO             *time.Duration    `yaml:"rto,omitempty"`
	Return          *[2]time.Duration `yaml:"return,omitempty"`
	ReturnHellos    *[2]float64       `yaml:"return-hellos,omitempty"`
	IdleHold        *[2]time.Duration `yaml:"idle-hold,omitempty"`
	Keepalive       *time.Duration    `yaml:"keepalive,omitempty"`
	Reconnect       *[2]time.Duration `yaml:"reconnect,omitempty"`
	ReconnectHellos *[2]float64       `yaml:"reconnect-hellos,omitempty"`
	RestartTime     *time.Duration    `yaml:"restart-time,omitempty"`
	Graceful        *bool             `yaml:"graceful,omitempty"`
	Planned         *bool             `yaml:"planned,omitempty"`
	GracefulLoss    *GracefulLoss     `yaml:"graceful-loss,omitempty"`
	Source          string            `yaml:"source"`
	Sources         map[string]string `yaml:"sources,omitempty"`
}

// GracefulLoss is the traffic lost in a graceful restart that goes well.
// Forward needs the device's forwarding table, Reverse the neighbour's.
// WhileDown says that the silence itself is lost besides.
type GracefulLoss struct {
	Forward   [2]time.Duration `yaml:"forward"`
	Reverse   [2]time.Duration `yaml:"reverse"`
	WhileDown bool             `yaml:"while-down,omitempty"`
}

// Late is one row of a discrete distribution: By with probability Weight.
type Late struct {
	By     time.Duration `yaml:"by"`
	Weight float64       `yaml:"weight"`
}

// SelfDrop is what a device does that wakes with its own timer overdue.
type SelfDrop string

// The kinds of self-drop.
const (
	SelfDropNone   SelfDrop = "none"            // it reads the waiting hellos first
	SelfDropLocal  SelfDrop = "local-only"      // it drops its own side, and the neighbour never notices
	KillsNeighbour SelfDrop = "kills-neighbour" // it drops its own side and takes the neighbour's down
)

// words say a self-drop to people.
func (s SelfDrop) words() string {
	switch s {
	case SelfDropNone:
		return "reads the waiting hellos first and drops nothing"
	case SelfDropLocal:
		return "drops its own side, and the neighbour never notices"
	case KillsNeighbour:
		return "drops its own side and takes the neighbour's down"
	}
	return string(s)
}

// ErrProfile is the error of profiles that cannot be used.
var ErrProfile = errors.New("profiles of survival")

// ReadProfiles reads profiles in the form of the built-in ones. Protocols and
// daemons that the file leaves out are the built-in ones; a daemon's protocol
// that it gives replaces the built-in one as a whole. Errors wrap
// [ErrProfile] and name line and column, or protocol, daemon and field.
func ReadProfiles(r io.Reader) (*Profiles, error) {
	own, err := decodeProfiles(r)
	if err != nil {
		return nil, err
	}
	base := builtin()
	out := &Profiles{Protocols: map[string]Behaviour{}, Daemons: map[string]map[string]Behaviour{}}
	for _, p := range []*Profiles{base, own} {
		for name, b := range p.Protocols {
			out.Protocols[name] = b
		}
		for daemon, m := range p.Daemons {
			if out.Daemons[daemon] == nil {
				out.Daemons[daemon] = map[string]Behaviour{}
			}
			for name, b := range m {
				out.Daemons[daemon][name] = b
			}
		}
	}
	if err := out.validate(); err != nil {
		return nil, err
	}
	return out, nil
}

func decodeProfiles(r io.Reader) (*Profiles, error) {
	p := &Profiles{}
	if err := yaml.NewDecoder(r, yaml.Strict()).Decode(p); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%w: %w", ErrProfile, err)
	}
	return p, nil
}

// builtin parses the embedded profiles once; a test proves that they parse.
var builtin = sync.OnceValue(func() *Profiles {
	p, err := decodeProfiles(bytes.NewReader(builtinYAML))
	if err == nil {
		err = p.validate()
	}
	if err != nil {
		panic(err)
	}
	return p
})

// BuiltinProfiles are the profiles that come with the program.
func BuiltinProfiles() *Profiles { return builtin() }

func (p *Profiles) validate() error {
	for name, b := range p.Protocols {
		where := "protocol " + name
		for field, missing := range map[string]bool{
			"hello": b.Hello == nil, "detect": b.Detect == nil, "self-drop": b.SelfDrop == nil,
			"carries": b.Carries == nil, "return": b.Return == nil,
		} {
			if missing {
				return fmt.Errorf("%w: %s has no %s", ErrProfile, where, field)
			}
		}
		if err := b.validate(where); err != nil {
			return err
		}
	}
	for daemon, m := range p.Daemons {
		for name, b := range m {
			where := "daemon " + daemon + ", protocol " + name
			if _, ok := p.Protocols[name]; !ok {
				return fmt.Errorf("%w: %s: no such protocol, want one of %s", ErrProfile, where, strings.Join(p.protocols(), ", "))
			}
			if err := b.validate(where); err != nil {
				return err
			}
		}
	}
	return nil
}

// protocols lists the names of the protocols, sorted.
func (p *Profiles) protocols() []string {
	var out []string
	for name := range p.Protocols {
		out = append(out, name)
	}
	slices.Sort(out)
	return out
}

func (b Behaviour) validate(where string) error {
	bad := func(field string, found, want any) error {
		return fmt.Errorf("%w: %s: %s: found %v, want %v", ErrProfile, where, field, found, want)
	}
	if b.Source == "" {
		return bad("source", `""`, "where the figures come from")
	}
	for field, v := range map[string]*[2]float64{
		"jitter": b.Jitter, "detect-share": b.DetectShare, "return-hellos": b.ReturnHellos, "reconnect-hellos": b.ReconnectHellos,
	} {
		if v != nil && !(v[0] >= 0 && v[0] <= v[1] && v[1] < 1000) {
			return bad(field, *v, "two numbers, the lower first, none negative")
		}
	}
	if b.Jitter != nil && !(b.Jitter[0] > 0 && b.Jitter[1] <= 1) {
		return bad("jitter", *b.Jitter, "shares above 0 and not above 1")
	}
	if b.Tick != nil && *b.Tick <= 0 {
		return bad("tick", *b.Tick, "a duration above zero")
	}
	for field, v := range map[string]*time.Duration{"keepalive": b.Keepalive, "least-hello": b.LeastHello} {
		if v != nil && *v < 0 {
			return bad(field, *v, "a duration, not negative")
		}
	}
	durations := map[string]*[2]time.Duration{"return": b.Return, "reconnect": b.Reconnect, "idle-hold": b.IdleHold}
	if b.GracefulLoss != nil {
		durations["graceful-loss forward"], durations["graceful-loss reverse"] = &b.GracefulLoss.Forward, &b.GracefulLoss.Reverse
	}
	for field, v := range durations {
		if v != nil && (v[0] < 0 || v[0] > v[1]) {
			return bad(field, *v, "two durations, the shorter first, none negative")
		}
	}
	if b.DetectOffset != nil && b.DetectOffset[0] > b.DetectOffset[1] {
		return bad("detect-offset", *b.DetectOffset, "two durations, the shorter first")
	}
	if b.DetectOffset != nil && b.DetectShare != nil {
		return bad("detect-offset", *b.DetectOffset, "either this or detect-share")
	}
	if b.SelfDrop != nil && !slices.Contains([]SelfDrop{SelfDropNone, SelfDropLocal, KillsNeighbour}, *b.SelfDrop) {
		return bad("self-drop", *b.SelfDrop, "none, local-only or kills-neighbour")
	}
	if b.Transport != nil && *b.Transport != "tcp" {
		return bad("transport", *b.Transport, "tcp, or nothing")
	}
	if b.Phase != nil && !(*b.Phase >= 0 && *b.Phase <= 1) {
		return bad("phase", *b.Phase, "a share from 0 to 1")
	}
	for field, rows := range map[string][]Late{"late": b.Late, "hello-late": b.HelloLate, "self-late": b.SelfLate} {
		sum := 0.0
		for _, r := range rows {
			if r.Weight < 0 || r.By < 0 {
				return bad(field, r, "no negative row")
			}
			sum += r.Weight
		}
		if len(rows) > 0 && math.Abs(sum-1) > 1e-9 {
			return bad(field, fmt.Sprintf("weights that add up to %v", sum), 1)
		}
	}
	return nil
}

// role is the behaviour of one end: the standard with an implementation over
// it, and whence each field comes.
type role struct {
	Behaviour
	standard Behaviour
	daemon   string // as it was written; empty when nobody told
	known    bool   // the daemon has a profile for this protocol
	variant  string // of the daemon, where it has a profile of its own
	over     map[string]bool
}

// role composes the behaviour of an end that runs the daemon.
func (p *Profiles) role(protocol, daemon string) role {
	std := p.Protocols[protocol]
	out := role{Behaviour: std, standard: std, daemon: daemon}
	name, ok := p.daemon(daemon)
	if !ok {
		return out
	}
	base, variant, _ := strings.Cut(name, "+")
	if over, ok := p.Daemons[base][protocol]; ok {
		out.overlay(over)
	}
	if over, ok := p.Daemons[name][protocol]; ok && variant != "" {
		out.variant = variant
		out.overlay(over)
	}
	return out
}

// overlay puts an implementation's behaviour over what the role has.
func (out *role) overlay(over Behaviour) {
	was := out.over
	out.over = map[string]bool{"late": over.Late != nil, "hello-late": over.HelloLate != nil, "self-late": over.SelfLate != nil}
	b := &out.Behaviour
	out.over["hello"] = set(&b.Hello, over.Hello)
	out.over["detect"] = set(&b.Detect, over.Detect)
	out.over["ratio"] = set(&b.Ratio, over.Ratio)
	out.over["jitter"] = set(&b.Jitter, over.Jitter)
	out.over["least-hello"] = set(&b.LeastHello, over.LeastHello)
	out.over["tick"] = set(&b.Tick, over.Tick)
	out.over["detect-share"] = set(&b.DetectShare, over.DetectShare)
	out.over["detect-offset"] = set(&b.DetectOffset, over.DetectOffset)
	out.over["self-drop"] = set(&b.SelfDrop, over.SelfDrop)
	out.over["carries"] = set(&b.Carries, over.Carries)
	out.over["transport"] = set(&b.Transport, over.Transport)
	out.over["phase"] = set(&b.Phase, over.Phase)
	out.over["rto"] = set(&b.RTO, over.RTO)
	out.over["return"] = set(&b.Return, over.Return)
	out.over["return-hellos"] = set(&b.ReturnHellos, over.ReturnHellos)
	out.over["idle-hold"] = set(&b.IdleHold, over.IdleHold)
	out.over["keepalive"] = set(&b.Keepalive, over.Keepalive)
	out.over["reconnect"] = set(&b.Reconnect, over.Reconnect)
	out.over["reconnect-hellos"] = set(&b.ReconnectHellos, over.ReconnectHellos)
	out.over["restart-time"] = set(&b.RestartTime, over.RestartTime)
	out.over["graceful"] = set(&b.Graceful, over.Graceful)
	out.over["planned"] = set(&b.Planned, over.Planned)
	out.over["graceful-loss"] = set(&b.GracefulLoss, over.GracefulLoss)
	if over.Late != nil {
		b.Late = over.Late
	}
	if over.HelloLate != nil {
		b.HelloLate = over.HelloLate
	}
	if over.SelfLate != nil {
		b.SelfLate = over.SelfLate
	}
	for field, on := range was {
		out.over[field] = out.over[field] || on
	}
	sources := map[string]string{}
	if out.known { // a variant leaves the daemon's sources of what it leaves out
		maps.Copy(sources, b.Sources)
	}
	maps.Copy(sources, over.Sources)
	out.known, b.Source, b.Sources = true, over.Source, sources
}

func set[T any](dst **T, v *T) bool {
	if v != nil {
		*dst = v
	}
	return v != nil
}

// source says where a field of the role comes from. A daemon may have been
// seen to behave as the standard says, and then its own source is the better.
func (r role) source(field string) string {
	if s := r.Sources[field]; s != "" {
		return s
	}
	if r.over[field] || !r.known {
		return r.Source
	}
	if s := r.standard.Sources[field]; s != "" {
		return s
	}
	return r.standard.Source
}

// daemon finds the profile of an implementation: that of its variant, such as
// "frr+kept", where there is one, and otherwise that of the daemon itself.
func (p *Profiles) daemon(name string) (string, bool) {
	base, variant, varied := strings.Cut(name, "+")
	if f := family(base) + "+" + strings.ToLower(strings.TrimSpace(variant)); varied {
		if _, ok := p.Daemons[f]; ok {
			return f, true
		}
	}
	_, ok := p.Daemons[family(base)]
	return family(base), ok
}

// family strips what is no name from an implementation: "ovs3.1" is "ovs".
func family(daemon string) string {
	daemon = strings.ToLower(strings.TrimSpace(daemon))
	if i := strings.IndexAny(daemon, "0123456789 /_"); i > 0 {
		daemon = daemon[:i]
	}
	return strings.TrimRight(daemon, "-.")
}

func or[T any](p *T, def T) T {
	if p == nil {
		return def
	}
	return *p
}
