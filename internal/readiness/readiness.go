// Package readiness tells whether a device may be upgraded now: rules over the
// operator's fleet, the maker's releases, the captured state and the policy
// give findings, and the findings a go or no-go.
//
// Read [Check] first, then [Rules], which lists what is checked and why. The
// package is pure: whatever Towpath itself observes, such as whether the
// console answers, comes in by [Observed]. A fact that nobody could read makes
// a finding unknown; it is never taken for good.
package readiness

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// Verdict is what a rule says.
type Verdict string

// The verdicts of a finding, from good to bad.
const (
	Clear   Verdict = "clear"   // looked at and found right
	Caution Verdict = "caution" // does not forbid the change; somebody must know it
	Unknown Verdict = "unknown" // a fact could not be read; the policy says what that counts as
	Blocker Verdict = "blocker" // forbids the change
)

// Finding is the result of one rule for one object.
type Finding struct {
	Rule     string  `json:"rule"`
	Title    string  `json:"title"`
	Verdict  Verdict `json:"verdict"`
	Object   string  `json:"object"`   // the device, or a part of it, or another device
	Evidence string  `json:"evidence"` // what was read
	Reason   string  `json:"reason"`   // why the rule exists
	Remedy   string  `json:"remedy,omitempty"`
	Source   string  `json:"source"` // standard and section, "common practice", or the operator's
	// Waived says by what a blocker, or an unknown that counts as one, no longer
	// forbids the change; empty where nothing was waived.
	Waived string `json:"waived,omitempty"`
}

// Report is the result of [Check].
type Report struct {
	Device   string    `json:"device"`
	At       time.Time `json:"at"`
	Findings []Finding `json:"findings"` // in order of the rules, the operator's own last
	Clear    int       `json:"clear"`
	Caution  int       `json:"caution"`
	Unknown  int       `json:"unknown"`
	Blocker  int       `json:"blocker"`
	// Go is true where nothing forbids the change.
	Go bool `json:"go"`
	// Reasons says what forbids the change, one line for each finding.
	Reasons []string `json:"reasons,omitempty"`
	// IdleWaivers are waivers that nothing needed.
	IdleWaivers []string `json:"idle_waivers,omitempty"`
}

// Input is everything that the rules look at. Nothing in it is changed.
type Input struct {
	Device   fleet.Device
	Fleet    *fleet.Fleet // nil: unknown
	Platform release.Platform
	Path     release.Path   // the hops to the target
	Capture  *state.Capture // nil: nothing could be read
	// Earlier is a capture of the same device from some minutes before, by which
	// churn is told; nil where there is none.
	Earlier  *state.Capture
	Partners map[fleet.DeviceID]Partner
	Policy   policy.Policy
	Now      time.Time
	// Outlook is what the survival forecast says of each adjacency; nil where
	// there is no forecast.
	Outlook  []AdjacencyOutlook
	Observed Observed
}

// Partner is another device whose state matters: a member of one of the
// device's redundancy groups, or a neighbour.
type Partner struct {
	Capture   *state.Capture // nil where it could not be read
	Err       error          // why it could not
	Upgrading state.Opt[bool]
}

// AdjacencyOutlook is the forecast for one adjacency.
type AdjacencyOutlook struct {
	Object  string  // as [state.Adjacency.Name] names it
	Outcome string  // one of the constants below
	Survive float64 // probability that it, or its forwarding, lives through the silence
	Carries bool    // traffic rides on it
	Why     string
	Source  string
}

// The outcomes of an adjacency.
const (
	Holds              = "holds"
	RestartsGracefully = "restarts-gracefully"
	AtRisk             = "at-risk"
	Drops              = "drops"
)

// Observed is what Towpath finds out by itself, beside the capture.
type Observed struct {
	AnsweredBy  state.Opt[string]    // controller card that requests reach
	Console     state.Opt[bool]      // the out-of-band console answers
	Management  state.Opt[Reach]     // how the management interface answers
	Cannot      []string             // acts of the path that the device's driver cannot do
	Certificate state.Opt[time.Time] // end of the validity of the device's certificate
	// Storage says for each controller card whether all images fit.
	Storage []CardFit
	// Hashes are SHA-256 of image files on the device, read for this check; they
	// add to those in the capture.
	Hashes []FileHash
}

// Reach is the outcome of asking the management interface several times.
type Reach struct {
	Asked    int
	Answered int
	Slowest  time.Duration
}

// CardFit says whether the images of the path fit on one controller card.
type CardFit struct {
	Controller string
	Fits       bool
	Short      unit.ByteSize // how much is missing, where it does not fit
	Delete     []string      // files to delete so that it fits
}

// FileHash is the hash of a file on a controller card.
type FileHash struct {
	Controller string
	Path       string
	SHA256     string // lower-case hex
}

// Limits of the rules that no policy sets.
// Source: common practice.
const (
	captureAge    = 15 * time.Minute // a capture older than this tells nothing of now
	settledFor    = 15 * time.Minute // a part that started later than this may not have settled
	switchoverAge = time.Hour        // a switchover later than this may have left something unsettled
	slowAnswer    = 2 * time.Second  // a management interface slower than this is in trouble
)

// Check applies every built-in rule and the operator's own to the input. The
// error tells of input that cannot be worked with: a catalogue entry or a rule
// of the operator that is wrong, a waiver or a setting that names nothing, or
// a context that ended.
func Check(ctx context.Context, in Input) (Report, error) {
	if in.Now.IsZero() {
		return Report{}, fmt.Errorf("readiness of %s: the time is not given", in.Device.ID)
	}
	limits := in.Policy.Readiness
	if limits.UnknownIs != "blocker" && limits.UnknownIs != "caution" {
		return Report{}, fmt.Errorf(`readiness of %s: policy readiness.unknown-is: found %q, want "blocker" or "caution"`, in.Device.ID, limits.UnknownIs)
	}
	own, err := CompileRules(in.Policy.Rules)
	if err != nil {
		return Report{}, fmt.Errorf("readiness of %s: %w", in.Device.ID, err)
	}
	if err := knownWaivers(limits.Waive, in.Policy.Rules); err != nil {
		return Report{}, fmt.Errorf("readiness of %s: %w", in.Device.ID, err)
	}
	x, err := (&release.Catalogue{Platforms: []release.Platform{in.Platform}}).Index()
	if err != nil {
		return Report{}, fmt.Errorf("readiness of %s: platform %s: %w", in.Device.ID, in.Platform.ID, err)
	}
	if in.Capture == nil {
		in.Capture = &state.Capture{Unread: []string{"the device could not be read"}}
	}
	r := Report{Device: string(in.Device.ID), At: in.Now}
	for i := range builtin {
		c := check{in: &in, x: x, rule: &builtin[i].Rule, now: in.Now}
		builtin[i].look(&c)
		if len(c.out) == 0 {
			c.unknown(r.Device, "the rule came to no result")
		}
		r.Findings = append(r.Findings, c.out...)
	}
	env := own.variables(&in)
	for i := range own.rules {
		f, err := own.rules[i].evaluate(ctx, &in, env)
		if err != nil {
			return Report{}, fmt.Errorf("readiness of %s: %w", in.Device.ID, err)
		}
		r.Findings = append(r.Findings, f)
	}
	if err := ctx.Err(); err != nil {
		return Report{}, fmt.Errorf("readiness of %s: %w", in.Device.ID, err)
	}
	r.judge(limits)
	return r, nil
}

// judge applies the waivers, counts, and decides.
func (r *Report) judge(limits policy.Readiness) {
	used := map[string]bool{}
	for i := range r.Findings {
		f := &r.Findings[i]
		forbids := f.Verdict == Blocker || f.Verdict == Unknown && limits.UnknownIs == "blocker"
		if forbids && slices.Contains(limits.Waive, f.Rule) {
			used[f.Rule] = true
			forbids = false
			f.Waived = "policy readiness.waive " + f.Rule
			if f.Verdict == Blocker {
				f.Verdict = Caution
			}
		}
		switch f.Verdict {
		case Clear:
			r.Clear++
		case Caution:
			r.Caution++
		case Unknown:
			r.Unknown++
		case Blocker:
			r.Blocker++
		}
		if forbids {
			r.Reasons = append(r.Reasons, fmt.Sprintf("%s: %s: %s", f.Rule, f.Object, f.Evidence))
		}
	}
	for _, w := range limits.Waive {
		if !used[w] && !slices.Contains(r.IdleWaivers, w) {
			r.IdleWaivers = append(r.IdleWaivers, w)
		}
	}
	r.Go = len(r.Reasons) == 0
}

// knownWaivers reports waivers of rules that do not exist.
func knownWaivers(waive []string, own []policy.Rule) error {
	ids := RuleIDs()
	for _, r := range own {
		ids = append(ids, r.ID)
	}
	for i, w := range waive {
		if !slices.Contains(ids, w) {
			return fmt.Errorf("policy readiness.waive[%d]: found %q, want the id of a rule%s", i, w, didYouMean(w, ids))
		}
	}
	return nil
}

// check is one rule at work.
type check struct {
	in   *Input
	x    *release.Index
	rule *Rule
	now  time.Time
	out  []Finding
}

func (c *check) add(v Verdict, object, format string, args []any) {
	evidence := format
	if len(args) > 0 {
		evidence = fmt.Sprintf(format, args...)
	}
	f := Finding{Rule: c.rule.ID, Title: c.rule.Title, Verdict: v, Object: object, Evidence: evidence, Reason: c.rule.Reason, Source: c.rule.Source}
	if v != Clear {
		f.Remedy = c.rule.Remedy
	}
	c.out = append(c.out, f)
}

func (c *check) blocker(object, format string, args ...any) { c.add(Blocker, object, format, args) }
func (c *check) caution(object, format string, args ...any) { c.add(Caution, object, format, args) }
func (c *check) unknown(object, format string, args ...any) { c.add(Unknown, object, format, args) }

// otherwise ends a rule: it is clear where nothing was found before.
func (c *check) otherwise(format string, args ...any) {
	if len(c.out) == 0 {
		c.add(Clear, c.device(), format, args)
	}
}

// none ends a rule that found nothing to look at: clear where the capture is
// complete, so that nothing there means none, and unknown otherwise.
func (c *check) none(what string) {
	if len(c.out) > 0 {
		return
	}
	if c.in.Capture.Complete {
		c.otherwise("no %s", what)
		return
	}
	c.unknown(c.device(), "no %s read, and the capture is not complete", what)
}

func (c *check) device() string { return string(c.in.Device.ID) }

// isTrue looks at a fact that must be true: false is a blocker, unread unknown.
func (c *check) isTrue(o state.Opt[bool], object, what string) {
	switch v, known := o.Get(); {
	case !known:
		c.unknown(object, "%s: unknown", what)
	case !v:
		c.blocker(object, "%s: no", what)
	}
}

// isFalse looks at a fact that must be false.
func (c *check) isFalse(o state.Opt[bool], object, what string) {
	switch v, known := o.Get(); {
	case !known:
		c.unknown(object, "%s: unknown", what)
	case v:
		c.blocker(object, "%s: yes", what)
	}
}

// noPath ends a rule about the path where there is none.
func (c *check) noPath() bool {
	if len(c.in.Path.Hops) > 0 {
		return false
	}
	c.unknown(c.device(), "there is no path")
	return true
}

// inService reports whether any hop of the path keeps the device in service. A
// path without hops counts as one, so that nothing is left out.
func (c *check) inService() bool {
	hops := c.in.Path.Hops
	return len(hops) == 0 || slices.ContainsFunc(hops, func(h release.Hop) bool { return h.Method == release.InService })
}

// byReload ends a rule that matters to in-service hops only, where the path has
// none.
func (c *check) byReload() bool {
	if c.inService() {
		return false
	}
	c.otherwise("every hop of the path is a reload; this matters to in-service hops only")
	return true
}

// silence is the longest silence of the control plane that any in-service hop
// may bring; known is false where a hop does not tell it.
func (c *check) silence() (most time.Duration, known bool) {
	for _, h := range c.in.Path.Hops {
		if h.Method != release.InService {
			continue
		}
		if h.Silence == nil {
			return 0, false
		}
		most = max(most, h.Silence.Most)
		known = true
	}
	return most, known
}

// targets are the releases that the path leads to, in order, with their
// entries in the catalogue; ok is false for those that are not in it.
func (c *check) targets() []target {
	var out []target
	for i, h := range c.in.Path.Hops {
		t := target{version: h.To, last: i == len(c.in.Path.Hops)-1}
		if r, err := c.x.Release(c.in.Platform.ID, h.To); err == nil {
			t.Release, t.listed = r, true
		}
		out = append(out, t)
	}
	return out
}

// target is a release on the path.
type target struct {
	release.Release
	version string
	listed  bool // in the catalogue
	last    bool
}

// components are those of the kinds, empty slots left out.
func components(c *state.Capture, kinds ...string) []state.Component {
	var out []state.Component
	for _, k := range c.Components {
		if slices.Contains(kinds, k.Kind) && !k.Empty.Or(false) {
			out = append(out, k)
		}
	}
	return out
}

// ago says how long before now an instant was.
func (c *check) ago(t time.Time) string {
	d := c.now.Sub(t).Round(time.Second)
	if d < 0 {
		return (-d).String() + " from now"
	}
	return d.String() + " ago"
}

func list(items []string) string { return strings.Join(items, ", ") }

func names(ks []state.Component) string {
	var out []string
	for _, k := range ks {
		out = append(out, k.Name)
	}
	return list(out)
}
