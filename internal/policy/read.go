package policy

import (
	"fmt"
	"path"

	"towpath/internal/document"
)

// pattern is the form of a file pattern.
var pattern = &document.Form{
	Want:    "a pattern of files such as *.cfg",
	Pattern: `^[^\x00-\x1f]+$`,
	Check: func(s string) bool {
		_, err := path.Match(s, "")
		return err == nil
	},
}

// Read reads a policy from YAML: [Default], overwritten field by field with
// what the file gives. name stands in the messages. The error is of type
// [document.Problems] and holds every mistake of the file.
func Read(name string, src []byte) (Policy, error) {
	return readAs(name, src, Decode)
}

// readAs parses a file and decodes it; where there is any mistake, nothing is
// returned but all of them.
func readAs[T any](name string, src []byte, decode func(*document.Document) (T, document.Problems)) (T, error) {
	var none T
	doc, err := document.Parse(name, src)
	if err != nil {
		return none, err
	}
	v, ps := decode(doc)
	if err := ps.Err(); err != nil {
		return none, err
	}
	return v, nil
}

// Decode reads a policy from a document that is parsed already, so that the
// caller can report mistakes of its own at their places. Where there are
// problems, the policy holds what could be read.
func Decode(doc *document.Document) (Policy, document.Problems) {
	p := Default()
	ps := doc.Decode(Shape(), &p)
	report := func(path, found, want string) { ps = append(ps, doc.Problem(path, found, want, "")) }
	once := func(what string) func(name, path string) {
		seen := map[string]string{}
		return func(name, path string) {
			if first, again := seen[name]; again && name != "" {
				pos, _ := doc.At(first)
				report(path, fmt.Sprintf("the %s %q a second time; the first is in line %d", what, name, pos.Line), "")
				return
			}
			seen[name] = path
		}
	}
	flow, hold, freeze, rule := once("flow"), once("hold point before"), once("freeze"), once("rule")
	for i, f := range p.Probe.Flows {
		flow(f.Name, fmt.Sprintf("probe.flows[%d].name", i))
	}
	if _, given := doc.At("hold-points"); given {
		for i, h := range p.HoldPoints {
			hold(h.Before, fmt.Sprintf("hold-points[%d].before", i))
		}
	}
	for i, f := range p.Freezes {
		at := fmt.Sprintf("freezes[%d]", i)
		freeze(f.Name, at+".name")
		if !ps.Under(at) && !f.Until.After(f.From) {
			report(at+".until", fmt.Sprintf("the freeze %q ends before it begins", f.Name), "an instant after from")
		}
	}
	if at := "preparation.allow"; p.Prepare.Apply && len(p.Prepare.Allow) == 0 && !ps.Under(at) {
		report(at, "changes are to be made and none is allowed", "at least one kind, or apply: false")
	}
	for i, r := range p.Rules {
		rule(r.ID, fmt.Sprintf("rules[%d].id", i))
	}
	return p, ps
}
