package readiness

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/types"

	"towpath/internal/policy"
)

// ownRulesText ends the page of rules.
const ownRulesText = `
## Rules of your own

` + "`rules`" + ` in the policy adds rules written in CEL, the Common Expression Language. ` + "`clear-when`" + `
must come out true or false; where it needs a fact that is unknown, the finding is unknown.

` + "```yaml" + `
rules:
  - id: line-cards-cool
    clear-when: capture.components.filter(c, c.kind == 'LINECARD').all(c, c.celsius < 60.0)
    severity: caution            # blocker unless given
    reason: our rooms are warm
    remedy: open the blinds
` + "```" + `

| variable | what it is |
| --- | --- |
| ` + "`device`" + ` | the device of the fleet, without how it is reached |
| ` + "`capture`" + ` | the captured state, without the routes themselves |
| ` + "`path`" + ` | the hop path |
| ` + "`target`" + ` | the release that the path ends at |
| ` + "`now`" + ` | the instant of the check |

Fields have the names of the JSON forms, with ` + "`_`" + ` for ` + "`-`" + `. An unknown fact is a field that is not there:
` + "`has(c.role)`" + ` asks. Instants are timestamps and timers durations, so that
` + "`now - capture.configuration.backup < duration('6h')`" + ` works; sizes are octets, rates bit/s.
`

// evaluationCost bounds what one rule may compute, in CEL's units: about one
// for each step.
const evaluationCost = 1_000_000

var ruleID = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)

// OwnRules are the operator's rules, ready to be evaluated.
type OwnRules struct {
	rules []ownRule
}

type ownRule struct {
	policy.Rule
	program cel.Program
	facts   []fact // what the expression reads, for the evidence
}

// fact is a part of the expression that reads one value.
type fact struct {
	text string
	id   int64
}

// RuleError is a mistake in one of the operator's rules.
type RuleError struct {
	Rule   string // its id, or its place where it has none
	Field  string // of the rule, such as "clear-when"
	Line   int    // within the field, from 1; 0 where the field is no expression
	Column int    // from 1
	Text   string // what was found and what would be right
}

// Error is the mistake in one line.
func (e *RuleError) Error() string {
	at := fmt.Sprintf("rule %s: %s", e.Rule, e.Field)
	if e.Line > 0 {
		at += fmt.Sprintf(", line %d, column %d", e.Line, e.Column)
	}
	return at + ": " + e.Text
}

// KnowsPolicy says what [Check] would find wrong in the policy's own rules and
// waivers, before there is a device to check.
func KnowsPolicy(p policy.Policy) error {
	_, err := CompileRules(p.Rules)
	return errors.Join(err, knownWaivers(p.Readiness.Waive, p.Rules))
}

// CompileRules checks the operator's rules and makes them ready. The error
// joins one [*RuleError] for each mistake.
func CompileRules(rules []policy.Rule) (*OwnRules, error) {
	out := &OwnRules{}
	if len(rules) == 0 {
		return out, nil
	}
	s, err := newSchema()
	if err != nil {
		return nil, fmt.Errorf("operator's rules: %w", err)
	}
	opts := []cel.EnvOption{
		cel.CustomTypeProvider(s), cel.CustomTypeAdapter(s.Registry),
		cel.Variable("target", cel.StringType), cel.Variable("now", cel.TimestampType),
		cel.CrossTypeNumericComparisons(true), cel.ParserExpressionSizeLimit(10_000),
	}
	for name, t := range roots {
		opts = append(opts, cel.Variable(name, s.of(t)))
	}
	env, err := cel.NewEnv(opts...)
	if err != nil {
		return nil, fmt.Errorf("operator's rules: %w", err)
	}
	var wrong []error
	seen := map[string]bool{}
	for i, r := range rules {
		name := r.ID
		if name == "" {
			name = fmt.Sprintf("number %d", i+1)
		}
		say := func(field, format string, args ...any) {
			wrong = append(wrong, &RuleError{Rule: name, Field: field, Text: fmt.Sprintf(format, args...)})
		}
		switch {
		case !ruleID.MatchString(r.ID):
			say("id", "found %q, want lower-case words joined by hyphens", r.ID)
		case slices.Contains(RuleIDs(), r.ID):
			say("id", "found %q, which is a built-in rule; want an id of its own", r.ID)
		case seen[r.ID]:
			say("id", "found %q a second time, want each id once", r.ID)
		}
		seen[r.ID] = true
		if r.Severity != "" && r.Severity != string(Blocker) && r.Severity != string(Caution) {
			say("severity", `found %q, want "blocker" or "caution"`, r.Severity)
		}
		if r.Reason == "" {
			say("reason", "found none, want why the rule exists")
		}
		c, errs := compile(env, s, name, r)
		wrong = append(wrong, errs...)
		out.rules = append(out.rules, c)
	}
	if len(wrong) > 0 {
		return nil, errors.Join(wrong...)
	}
	return out, nil
}

// compile checks one expression.
func compile(env *cel.Env, s *schema, name string, r policy.Rule) (ownRule, []error) {
	const field = "clear-when"
	if strings.TrimSpace(r.Clear) == "" {
		return ownRule{}, []error{&RuleError{Rule: name, Field: field, Text: "found none, want a CEL expression that is true or false"}}
	}
	clear(s.missed)
	checked, issues := env.Compile(r.Clear)
	if issues.Err() != nil {
		var errs []error
		for _, e := range issues.Errors() {
			text, syntax := strings.CutPrefix(e.Message, "Syntax error:")
			if syntax {
				text = "not an expression:" + text
			} else {
				text += s.suggestion(r.Clear, e.Location.Line(), e.Location.Column())
			}
			// An expression that is too deep is wrong as a whole and has no place.
			line, column := max(e.Location.Line(), 1), max(e.Location.Column()+1, 1)
			errs = append(errs, &RuleError{Rule: name, Field: field, Line: line, Column: column, Text: text})
		}
		return ownRule{}, errs
	}
	if t := checked.OutputType(); !t.IsExactType(cel.BoolType) {
		return ownRule{}, []error{&RuleError{Rule: name, Field: field, Line: 1, Column: 1, Text: fmt.Sprintf("the expression gives a %s, want true or false", t)}}
	}
	p, err := env.Program(checked, cel.CostLimit(evaluationCost), cel.InterruptCheckFrequency(100), cel.EvalOptions(cel.OptTrackState))
	if err != nil {
		return ownRule{}, []error{&RuleError{Rule: name, Field: field, Line: 1, Column: 1, Text: err.Error()}}
	}
	return ownRule{Rule: r, program: p, facts: factsOf(checked.NativeRep())}, nil
}

// suggestion is the field nearest to the one that was missed behind the dot at
// a place of the source, if one was; for variables and functions CEL suggests
// by itself.
func (s *schema) suggestion(source string, line, column int) string {
	lines := strings.Split(source, "\n")
	if line < 1 || line > len(lines) {
		return ""
	}
	at := []rune(lines[line-1])
	field := fieldAt.FindStringSubmatch(string(at[min(max(column, 0), len(at)):]))
	if field == nil || s.missed[field[1]] == "" {
		return ""
	}
	known, _ := s.FindStructFieldNames(s.missed[field[1]])
	return didYouMean(field[1], known)
}

var fieldAt = regexp.MustCompile(`^\.\s*([A-Za-z_][A-Za-z0-9_]*)`)

// factsOf lists the longest chains of fields in an expression that start at a
// variable of the rules.
func factsOf(a *ast.AST) []fact {
	var out []fact
	var walk func(e ast.NavigableExpr)
	walk = func(e ast.NavigableExpr) {
		if text, ok := chain(e); ok && strings.Contains(text, ".") {
			out = append(out, fact{text, e.ID()})
			return
		}
		for _, child := range e.Children() {
			walk(child)
		}
	}
	walk(ast.NavigateAST(a))
	return out
}

// chain is an expression such as capture.clock.offset as text.
func chain(e ast.Expr) (string, bool) {
	switch e.Kind() {
	case ast.IdentKind:
		_, root := roots[e.AsIdent()]
		return e.AsIdent(), root
	case ast.SelectKind:
		s := e.AsSelect()
		text, ok := chain(s.Operand())
		return text + "." + s.FieldName(), ok && !s.IsTestOnly()
	default:
		return "", false
	}
}

// variables are the values of the rules' variables; empty where there are no
// rules.
func (o *OwnRules) variables(in *Input) map[string]any {
	if len(o.rules) == 0 {
		return nil
	}
	vars := map[string]any{"now": in.Now, "target": ""}
	if n := len(in.Path.Hops); n > 0 {
		vars["target"] = in.Path.Hops[n-1].To
	}
	for name, v := range map[string]any{"device": in.Device, "capture": *in.Capture, "path": in.Path} {
		vars[name], _ = value(reflect.ValueOf(v))
	}
	return vars
}

// evaluate applies one rule. The error is that of a context that ended; what
// the expression cannot do makes an unknown finding.
func (r *ownRule) evaluate(ctx context.Context, in *Input, vars map[string]any) (Finding, error) {
	f := Finding{Rule: r.ID, Title: r.Clear, Object: string(in.Device.ID), Reason: r.Reason, Remedy: r.Remedy, Source: r.Source}
	if f.Source == "" {
		f.Source = "the operator's rule"
	}
	out, details, err := r.program.ContextEval(ctx, vars)
	if ctx.Err() != nil {
		return Finding{}, fmt.Errorf("rule %s: %w", r.ID, ctx.Err())
	}
	if err != nil {
		f.Verdict, f.Evidence = Unknown, "could not be told: "+err.Error()
		return f, nil
	}
	f.Verdict = Blocker
	if r.Severity != "" {
		f.Verdict = Verdict(r.Severity)
	}
	if out == types.True {
		f.Verdict, f.Remedy = Clear, ""
	}
	f.Evidence = fmt.Sprintf("%v", out.Value())
	for _, read := range r.facts {
		v, ok := details.State().Value(read.id)
		if !ok {
			continue
		}
		switch x := v.Value().(type) {
		case string, bool, int64, float64, fmt.Stringer:
			f.Evidence += fmt.Sprintf("; %s = %v", read.text, x)
		}
	}
	return f, nil
}
