package readiness_test

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/extension"

	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/readiness"
	"towpath/internal/state"
)

func own(clear string) policy.Rule {
	return policy.Rule{ID: "own-rule", Clear: clear, Reason: "we want it so", Remedy: "make it so"}
}

// The language is CEL's; what is asserted is what our variables hold.
// Source: CEL language definition, macros and standard functions.
func TestOwnRules(t *testing.T) {
	for _, tc := range []struct {
		name, expr string
		do         func(*readiness.Input)
		want       readiness.Verdict
		evidence   string
	}{
		{"true", "capture.cpu_percent < 50", nil, readiness.Clear, "true; capture.cpu_percent = 18"},
		{"false", "capture.cpu_percent < 10", nil, readiness.Blocker, "false; capture.cpu_percent = 18"},
		{"int against double", "capture.memory_percent < 50.5 && capture.macs > 4199", nil, readiness.Clear, "true; capture.memory_percent = 41; capture.macs = 4200"},
		{"unknown fact", "capture.cpu_percent < 50", func(in *readiness.Input) { in.Capture.CPUPercent = state.Opt[float64]{} }, readiness.Unknown, "could not be told: no such key: cpu_percent"},
		{"asks for an unknown fact", "has(capture.cpu_percent)", func(in *readiness.Input) { in.Capture.CPUPercent = state.Opt[float64]{} }, readiness.Blocker, "false"},
		{"list", "capture.components.filter(c, c.kind == 'LINECARD').all(c, c.celsius < 60.0)", nil, readiness.Clear, "true"},
		{"list with one wrong", "capture.components.filter(c, c.kind == 'LINECARD').all(c, c.celsius < 48.0)", nil, readiness.Blocker, "false"},
		{"list with one unknown", "capture.components.all(c, c.celsius < 60.0)", nil, readiness.Unknown, "could not be told: no such key: celsius"},
		{"instants", "now - capture.configuration.backup < duration('7h') && capture.taken_at < now", nil, readiness.Clear,
			"true; capture.configuration.backup = 2031-03-14 15:58:00 +0000 UTC; capture.taken_at = 2031-03-14 21:58:00 +0000 UTC"},
		{"timers", "capture.adjacencies.exists(a, a.protocol == 'bfd' && a.timers.neighbour_detect < duration('1s'))", nil, readiness.Clear, "true"},
		{"device", "device.site in ['mere', 'fen'] && device.id.startsWith('mere')", nil, readiness.Clear, "true; device.site = mere; device.id = mere-agg-1"},
		{"labels", "device.labels['tier'] == 'gold'", func(in *readiness.Input) { in.Device.Labels = map[string]string{"tier": "gold"} }, readiness.Clear, "true"},
		{"logical network elements", "device.logical_network_elements.all(l, size(l.serves) > 0)", func(in *readiness.Input) {
			in.Device.LogicalNetworkElements = []fleet.LogicalNetworkElement{{Name: "water"}}
		}, readiness.Blocker, "false"},
		{"path", "path.cost.outages == 0 && path.hops.all(h, h.method == 'in-service' && h.silence.most <= duration('2s'))", nil, readiness.Clear, "true; path.cost.outages = 0"},
		{"target", "target == '2.6.0' && path.hops[0].from == capture.release", nil, readiness.Clear, "true; capture.release = 2.4.1"},
		{"two components", "capture.components[0].name == device.components[0].name", nil, readiness.Clear, "true"},
		{"sizes", "capture.volumes.all(v, v.available > 4 * 1024 * 1024 * 1024)", nil, readiness.Clear, "true"},
		{"counts of routes", "capture.route_tables.all(t, t.count == 64)", nil, readiness.Clear, "true"},
		{"no list is empty", "size(capture.alarms) == 0 && capture.unread == []", nil, readiness.Clear, "true"},
		{"division by zero", "capture.macs / 0 == 1", nil, readiness.Unknown, "could not be told: division by zero"},
		{"endless", "capture.interfaces.all(a, capture.interfaces.all(b, capture.interfaces.all(c, capture.interfaces.all(d, capture.interfaces.all(e, capture.interfaces.all(f, a.name != 'x'))))))", nil,
			readiness.Unknown, "could not be told: operation cancelled: actual cost limit exceeded"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			in := ready(t)
			in.Policy.Rules = []policy.Rule{own(tc.expr)}
			if tc.do != nil {
				tc.do(in)
			}
			f := of(check(t, in), "own-rule")
			if len(f) != 1 || f[0].Verdict != tc.want || f[0].Evidence != tc.evidence {
				t.Fatalf("got %+v, want %s: %s", f, tc.want, tc.evidence)
			}
			if f[0].Title != tc.expr || f[0].Reason != "we want it so" || f[0].Source != "the operator's rule" || (f[0].Remedy == "") != (tc.want == readiness.Clear) {
				t.Errorf("finding %+v", f[0])
			}
		})
	}
}

func TestOwnRuleSeverityAndWaiver(t *testing.T) {
	in := ready(t)
	r := own("capture.cpu_percent < 10")
	r.Severity, r.Source = "caution", "house rules §4"
	in.Policy.Rules = []policy.Rule{r}
	report := check(t, in)
	if f := of(report, "own-rule")[0]; f.Verdict != readiness.Caution || f.Source != "house rules §4" || !report.Go {
		t.Errorf("%+v, go %v", f, report.Go)
	}
	in.Policy.Rules[0].Severity = "blocker"
	if report = check(t, in); report.Go {
		t.Error("a blocker of the operator's own does not block")
	}
	in.Policy.Readiness.Waive = []string{"own-rule"}
	if report = check(t, in); !report.Go || of(report, "own-rule")[0].Waived == "" {
		t.Error("it cannot be waived")
	}
}

func TestOwnRuleMistakes(t *testing.T) {
	for _, tc := range []struct {
		name string
		rule policy.Rule
		want string
	}{
		{"field", own("capture.components.all(c,\n  c.versoin == target)"), `rule own-rule: clear-when, line 2, column 4: undefined field 'versoin' (did you mean "version"?)`},
		{"deep field", own("capture.configuration.backed_up < now"), `rule own-rule: clear-when, line 1, column 22: undefined field 'backed_up' (did you mean "backup"?)`},
		{"two fields", own("capture.macss > capture.nd"), "rule own-rule: clear-when, line 1, column 8: undefined field 'macss' (did you mean \"macs\"?)\nrule own-rule: clear-when, line 1, column 24: undefined field 'nd' (did you mean \"nds\"?)"},
		{"routes are not there", own("size(capture.route_tables[0].routes) > 0"), `rule own-rule: clear-when, line 1, column 29: undefined field 'routes'`},
		{"access is not there", own("device.access.address == ''"), `rule own-rule: clear-when, line 1, column 7: undefined field 'access'`},
		{"the word before RFC 8530", own("device.logical_systems.size() == 0"), `rule own-rule: clear-when, line 1, column 7: undefined field 'logical_systems' (did you mean "logical_network_elements"?)`},
		{"variable", own("captur.cpu_percent < 50"), `rule own-rule: clear-when, line 1, column 1: undeclared reference to 'captur' (did you mean 'capture'?)`},
		{"function", own("capture.components.exist(c, c.kind == 'FAN')"), `rule own-rule: clear-when, line 1, column 25: undeclared reference to 'exist' (did you mean 'exists'?)`},
		{"types", own("capture.cpu_percent < 'high'"), `rule own-rule: clear-when, line 1, column 21: found no matching overload for '_<_' applied to '(double, string)'`},
		{"no yes or no", own("capture.cpu_percent"), "rule own-rule: clear-when, line 1, column 1: the expression gives a double, want true or false"},
		{"no expression", own("capture.cpu_percent <"), "rule own-rule: clear-when, line 1, column 22: not an expression: "},
		{"empty", own("  "), "rule own-rule: clear-when: found none, want a CEL expression that is true or false"},
		{"id", policy.Rule{ID: "My Rule", Clear: "true", Reason: "x"}, `rule My Rule: id: found "My Rule", want lower-case words joined by hyphens`},
		{"no id", policy.Rule{Clear: "true", Reason: "x"}, `rule number 1: id: found "", want lower-case words joined by hyphens`},
		{"built-in id", policy.Rule{ID: "fans", Clear: "true", Reason: "x"}, `rule fans: id: found "fans", which is a built-in rule; want an id of its own`},
		{"severity", policy.Rule{ID: "a", Clear: "true", Reason: "x", Severity: "bad"}, `rule a: severity: found "bad", want "blocker" or "caution"`},
		{"reason", policy.Rule{ID: "a", Clear: "true"}, "rule a: reason: found none, want why the rule exists"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := readiness.CompileRules([]policy.Rule{tc.rule})
			if err == nil || !strings.HasPrefix(err.Error(), tc.want) {
				t.Fatalf("got  %v\nwant %s", err, tc.want)
			}
			if !strings.Contains(tc.want, "did you mean") && strings.Contains(err.Error(), "did you mean") {
				t.Errorf("a far-fetched guess: %v", err)
			}
			var re *readiness.RuleError
			if !errors.As(err, &re) || re.Rule == "" || re.Field == "" {
				t.Errorf("%v is no RuleError", err)
			}
			in := ready(t)
			in.Policy.Rules = []policy.Rule{tc.rule}
			if _, err := readiness.Check(context.Background(), *in); err == nil {
				t.Error("Check takes the rule")
			}
		})
	}
	// Every mistake of every rule is told at once.
	_, err := readiness.CompileRules([]policy.Rule{own("capture.x == device.y"), own("true"), {ID: "b", Clear: "1"}})
	if got := strings.Count(fmt.Sprint(err), "\n") + 1; got != 5 {
		t.Errorf("%d mistakes told, want 5:\n%v", got, err)
	}
}

// A rule that never ends is stopped by the context.
func TestOwnRuleIsInterrupted(t *testing.T) {
	in := ready(t)
	in.Policy.Rules = []policy.Rule{own("capture.interfaces.all(a, a.name != 'x')")}
	ctx, cancel := context.WithDeadline(context.Background(), time.Unix(1, 0))
	defer cancel()
	if _, err := readiness.Check(ctx, *in); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v, want the deadline", err)
	}
}

var update = flag.Bool("update", false, "write docs/readiness-rules.md anew")

// docs/readiness-rules.md is what the rules say.
func TestRulesDocument(t *testing.T) {
	const file = "../../docs/readiness-rules.md"
	var want bytes.Buffer
	if err := readiness.WriteRules(&want); err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile(file, want.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want.Bytes()) {
		t.Error("docs/readiness-rules.md is out of step; run: go test ./internal/readiness -run TestRulesDocument -update")
	}
	// It is Markdown: one row of its tables for each rule, and none broken.
	var html bytes.Buffer
	if err := goldmark.New(goldmark.WithExtensions(extension.Table)).Convert(got, &html); err != nil {
		t.Fatal(err)
	}
	rows := 0
	for _, id := range readiness.RuleIDs() {
		rows += strings.Count(html.String(), "<td><code>"+id+"</code></td>")
	}
	if n := len(readiness.Rules()); rows != n {
		t.Errorf("%d rows for %d rules", rows, n)
	}
	// The example in it is a rule that compiles.
	example, _, _ := strings.Cut(strings.SplitAfter(string(got), "clear-when: ")[1], "\n")
	if _, err := readiness.CompileRules([]policy.Rule{own(example)}); err != nil {
		t.Errorf("the example: %v", err)
	}
}

// FuzzOwnRule: no expression makes the check panic or run without end; each is
// refused with its place, or gives one finding.
func FuzzOwnRule(f *testing.F) {
	for _, s := range []string{"true", "capture.macs > 1", "capture.versoin", "capture\n.x", "é.x", "a.", "capture.components.all(c, c.x)", "'", "now - now", "[1][2] == 3", "device.labels['x'] == 'y'", "'a'.matches('[')", "has(capture.x)", "A" + strings.Repeat("(", 260)} {
		f.Add(s)
	}
	in := ready(f)
	f.Fuzz(func(t *testing.T, expr string) {
		rule := own(expr)
		if _, err := readiness.CompileRules([]policy.Rule{rule}); err != nil {
			var re *readiness.RuleError
			if !errors.As(err, &re) || re.Column < 1 != (re.Line < 1) {
				t.Fatalf("%q: %v", expr, err)
			}
			return
		}
		with := *in
		with.Policy.Rules = []policy.Rule{rule}
		r, err := readiness.Check(context.Background(), with)
		if err != nil || len(of(r, rule.ID)) != 1 {
			t.Fatalf("%q: %v, %d findings", expr, err, len(of(r, rule.ID)))
		}
	})
}
