package survival

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"towpath/internal/state"
)

// Trial is one adjacency and one silence in a table of trials.
type Trial struct {
	Protocol string
	// Implementation names the daemons and what is special: "frr-bird" is a
	// device that runs FRR and a neighbour that runs BIRD, one name alone is
	// both. Suffixes follow, each after a "-": nbrmult3 and nbrhold3 (the
	// neighbour's multiplier or hold time, where it differs from the device's),
	// ka15 (the session's keepalive time besides its hellos), wire (the path is
	// cut and the device goes on) and wire+stop (the device is silent too),
	// dev_fast and dev_slow (the device's own LACP timeout), device_master,
	// device_active and device_backup, root_a (the device is the root) and
	// root_b (the neighbour is), lan and dis_a (the device is the designated
	// system of an IS-IS LAN), and words that change nothing where the timers are
	// told: fast, slow, p2p, bcast, dis_b, v2, v3, links1, links2. A daemon may carry a
	// version ("ovs3.1") and a variant ("frr+kept").
	Implementation string
	Hello          float64 // seconds between the device's hellos; 0 where nobody told
	Detect         float64 // seconds after which the neighbour gives up; 0 is never, negative where nobody told
	Silence        float64 // seconds
}

// TrialError says what is wrong in a table of trials. It is found in what
// [Trials] returns with errors.As.
type TrialError struct {
	Line  int    // 1 is the header
	Field string // the column, or "row"
	Found string
	Want  string
}

// Error names line, field, what was found and what would be right.
func (e *TrialError) Error() string {
	return fmt.Sprintf("line %d, field %s: found %q, want %s", e.Line, clipped(e.Field), clipped(e.Found), e.Want)
}

// clipped is what a person needs to see of a field.
func clipped(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}

// Trials reads a CSV table of trials with the columns protocol,
// implementation, hello_s, detect_s and silence_s, and writes the same rows
// with the column p_survive added: the probability that the neighbour never
// loses the adjacency. An empty hello_s or detect_s is the standard's, or what
// follows from the other. Other columns pass through and are not used, so a note
// or a measured outcome cannot leak into the forecast; a note in the last column
// may hold commas and quotes of its own. A bad row ends it with a [*TrialError],
// and then nothing has been written.
func Trials(r io.Reader, w io.Writer) error {
	_, err := ForecastTrials(r, w, Options{})
	return err
}

// ForecastTrials is [Trials] with profiles of the caller's, and returns
// cautions besides: implementations and suffixes that nothing is known of.
func ForecastTrials(r io.Reader, w io.Writer, o Options) (cautions []string, err error) {
	in := csv.NewReader(r)
	in.FieldsPerRecord, in.LazyQuotes = -1, true
	header, err := in.Read()
	if errors.Is(err, io.EOF) {
		return nil, &TrialError{1, "row", "", "a header"}
	}
	if err != nil {
		return nil, fmt.Errorf("reading trials: %w", err)
	}
	header[0] = strings.TrimPrefix(header[0], "\ufeff")
	column := map[string]int{}
	for i, name := range header {
		name = strings.ToLower(strings.TrimSpace(name))
		if _, twice := column[name]; twice {
			return nil, &TrialError{1, name, name, "each column once"}
		}
		column[name] = i
	}
	for _, name := range []string{"protocol", "implementation", "hello_s", "detect_s", "silence_s"} {
		if _, ok := column[name]; !ok {
			return nil, &TrialError{1, name, strings.Join(header, ","), "a column " + name}
		}
	}
	if _, ok := column["p_survive"]; ok {
		return nil, &TrialError{1, "p_survive", "p_survive", "a table that has no such column yet"}
	}
	rows := [][]string{append(header, "p_survive")}
	known := map[Trial]float64{}
	said := map[string]bool{}
	for {
		row, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("reading trials: %w", err)
		}
		line, _ := in.FieldPos(0)
		if last := len(header) - 1; len(row) > len(header) && strings.EqualFold(strings.TrimSpace(header[last]), "note") {
			row = append(row[:last:last], strings.Join(row[last:], ","))
		}
		if len(row) != len(header) {
			return nil, &TrialError{line, "row", fmt.Sprintf("%d fields", len(row)), fmt.Sprintf("%d as in the header", len(header))}
		}
		t := Trial{Protocol: strings.TrimSpace(row[column["protocol"]]), Implementation: strings.TrimSpace(row[column["implementation"]])}
		for _, field := range []struct {
			name string
			to   *float64
		}{{"hello_s", &t.Hello}, {"detect_s", &t.Detect}, {"silence_s", &t.Silence}} {
			name, to := field.name, field.to
			found := strings.TrimSpace(row[column[name]])
			if found == "" && name != "silence_s" {
				if name == "detect_s" {
					*to = -1
				}
				continue
			}
			v, err := strconv.ParseFloat(found, 64)
			if err != nil || math.IsNaN(v) || v < 0 || v > 1e8 || name == "hello_s" && v == 0 {
				return nil, &TrialError{line, name, row[column[name]], "seconds as a number such as 0.3, not negative and at most 1e8" + map[string]string{"hello_s": ", not zero, or nothing", "detect_s": ", or nothing"}[name]}
			}
			*to = v
		}
		p, ok := known[t]
		if !ok {
			var notes []string
			p, notes, err = t.Survive(o)
			var bad *TrialError
			if errors.As(err, &bad) {
				bad.Line = line
			}
			if err != nil {
				return nil, err
			}
			known[t] = p
			for _, n := range notes {
				if !said[n] {
					said[n] = true
					cautions = append(cautions, n)
				}
			}
		}
		rows = append(rows, append(slices.Clone(row), strconv.FormatFloat(p, 'f', 6, 64)))
	}
	out := csv.NewWriter(w)
	if err := out.WriteAll(rows); err != nil {
		return cautions, fmt.Errorf("writing trials: %w", err)
	}
	return cautions, nil
}

// protocolOf reads a protocol's name as people write it.
func protocolOf(name string) string {
	name = strings.ToLower(strings.TrimSpace(name))
	switch name {
	case "ospf":
		return state.OSPFv2
	case "is-is":
		return state.ISIS
	case "stp", "mstp":
		return state.RSTP
	case "vrrpv2", "vrrpv3":
		return state.VRRP
	case "micro-bfd", "ubfd":
		return state.BFD
	case "rsvp-te":
		return state.RSVP
	}
	return name
}

// setup is what the suffixes of an implementation say.
type setup struct {
	device, neighbour string
	nbrMult, nbrHold  float64
	keepalive         float64
	wire, stop        bool
	rate, ownRate     string // of LACP: what the neighbour waits, and the device
	role              string
	unknown           []string
}

var (
	suffixNumber = regexp.MustCompile(`^(nbrmult|nbrhold|ka)(\d+(?:\.\d+)?)$`)
	suffixPlain  = regexp.MustCompile(`^(fast|slow|lan|p2p|bcast|broadcast|dis_a|dis_b|v\d|links\d+)$`)
)

func parseSetup(implementation string) setup {
	var s setup
	for i, word := range strings.Split(implementation, "-") {
		if m := suffixNumber.FindStringSubmatch(word); m != nil && i > 0 {
			v, err := strconv.ParseFloat(m[2], 64)
			if err != nil {
				s.unknown = append(s.unknown, word)
				continue
			}
			switch m[1] {
			case "nbrmult":
				s.nbrMult = v
			case "nbrhold":
				s.nbrHold = v
			default:
				s.keepalive = v
			}
			continue
		}
		switch {
		case i == 0:
			s.device, s.neighbour = word, word
		case word == "wire":
			s.wire = true
		case word == "wire+stop":
			s.wire, s.stop = true, true
		case word == "dev_fast" || word == "dev_slow":
			s.ownRate = strings.TrimPrefix(word, "dev_")
		case word == "device_master" || word == "device_active":
			s.role = "active"
		case word == "device_backup":
			s.role = "backup"
		case word == "": // a dash too many
		case word == "fast" || word == "slow":
			s.rate = word
		case word == "dis_a":
			s.role = "dis"
		case word == "lan" && s.role == "":
			s.role = "lan"
		case word == "root_a":
			s.role = "root"
		case word == "root_b":
			s.role = "leaf"
		case suffixPlain.MatchString(word):
		case i == 1:
			s.neighbour = word
		default:
			s.unknown = append(s.unknown, word)
		}
	}
	return s
}

// Survive is the probability that the neighbour never loses the adjacency of
// the trial, with cautions where an implementation or a suffix is unknown. A
// protocol that is unknown is a [*TrialError] without line.
func (t Trial) Survive(o Options) (p float64, cautions []string, err error) {
	prof := o.Profiles
	if prof == nil {
		prof = builtin()
	}
	t.Protocol = protocolOf(t.Protocol)
	if _, ok := prof.Protocols[t.Protocol]; !ok {
		return 0, nil, &TrialError{0, "protocol", t.Protocol, "one of " + strings.Join(prof.protocols(), ", ")}
	}
	s := parseSetup(t.Implementation)
	if s.device == "" {
		return 0, nil, &TrialError{0, "implementation", t.Implementation, "a daemon such as frr, or two such as frr-bird"}
	}
	for _, word := range s.unknown {
		cautions = append(cautions, fmt.Sprintf("%s %s: the suffix %q is unknown and changes nothing", t.Protocol, t.Implementation, word))
	}
	a := state.Adjacency{Protocol: t.Protocol, Neighbour: "neighbour"}
	if t.Hello > 0 {
		a.Timers.Send = state.Some(seconds(t.Hello))
	}
	if t.Detect >= 0 {
		a.Timers.NeighbourDetect = state.Some(seconds(t.Detect))
	}
	a.Timers.NeighbourSend, a.Timers.OwnDetect = a.Timers.Send, a.Timers.NeighbourDetect
	if t.Hello <= 0 && (s.nbrMult > 0 || s.nbrHold > 0) {
		std := prof.role(t.Protocol, s.device)
		t.Hello = or(std.Hello, 0).Seconds()
		if t.Detect > 0 {
			t.Hello = t.Detect / or(std.Ratio, 3)
		}
	}
	switch {
	case s.nbrMult > 0:
		a.Timers.OwnDetect = state.Some(seconds(s.nbrMult * t.Hello))
	case s.nbrHold > 0 && t.Protocol == state.LLDP: // a multiplier too: IEEE 802.1AB msgTxHold
		a.Timers.OwnDetect = state.Some(seconds(s.nbrHold * t.Hello))
	case s.nbrHold > 0:
		a.Timers.OwnDetect = state.Some(seconds(s.nbrHold))
	}
	// Source: IEEE 802.1AX clause 6.4, the own timeout also sets the partner's rate.
	if t.Protocol == state.LACP && t.Hello <= 0 && t.Detect < 0 && s.rate == "slow" {
		a.Timers.Send, a.Timers.NeighbourDetect = state.Some(30*time.Second), state.Some(90*time.Second)
		a.Timers.NeighbourSend, a.Timers.OwnDetect = a.Timers.Send, a.Timers.NeighbourDetect
	}
	switch s.ownRate {
	case "fast":
		a.Timers.NeighbourSend, a.Timers.OwnDetect = state.Some(time.Second), state.Some(3*time.Second)
	case "slow":
		a.Timers.NeighbourSend, a.Timers.OwnDetect = state.Some(30*time.Second), state.Some(90*time.Second)
	}
	if onLAN := s.role == "lan" || s.role == "dis"; s.role != "" && (!onLAN || t.Protocol == state.ISIS) {
		a.Role = state.Some(s.role)
	}
	if tcp := prof.Protocols[t.Protocol].Transport != nil; s.wire && !tcp {
		cautions = append(cautions, fmt.Sprintf("%s %s: what a cut path does to hellos that are in no TCP session was never measured here; it is taken as a silence of the device", t.Protocol, t.Implementation))
	}
	o.Implementation, o.TransportCut = s.device, s.wire
	a.Implement = state.Some(s.neighbour)
	o.Profiles = prof
	k := newCompiler(&state.Capture{}, o)
	k.add(a)
	r := &k.relations[0]
	if s.wire && !s.stop && r.own.devCut.rto > 0 {
		r.own.nbrCut = backoff{or(k.role(t.Protocol, s.device).RTO, time.Second).Seconds()}
	}
	if s.keepalive > 0 && r.own.fate == waits {
		k.second(r, timers{send: seconds(s.keepalive / 3), detect: seconds(s.keepalive)}, k.role(t.Protocol, s.device), k.role(t.Protocol, s.neighbour))
	}
	for _, c := range r.cautions {
		cautions = append(cautions, t.Protocol+" "+t.Implementation+": "+c)
	}
	return unit(r.own.live(t.Silence)), cautions, nil
}
